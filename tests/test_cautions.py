"""The cautions are one text: what the commands print is what the README says."""

from __future__ import annotations

from pathlib import Path

import pytest

from dashpot.cautions import CAUTIONS, print_cautions

README = Path(__file__).resolve().parent.parent / "README.md"


def test_the_readme_says_the_same() -> None:
    said = " ".join(README.read_text().split())
    for line in CAUTIONS.splitlines()[1:]:
        assert line.removeprefix(" - ") in said
    assert "Experimental. Not for public roads." in said
    # Before anything that can be run.
    assert said.index("Not for public roads") < said.index("```")


@pytest.mark.parametrize(
    "topic",
    ["experimental", "public roads", "Support the car", "area clear", "only listens", "hot", "high current"],
)
def test_each_danger_is_named(topic: str) -> None:
    assert topic in CAUTIONS


def test_they_go_to_stderr(capsys: pytest.CaptureFixture[str]) -> None:
    print_cautions()
    assert capsys.readouterr() == ("", CAUTIONS + "\n")
