"""Every code of the firmware has words, every word a code, and a reader finds them on the command line."""

from __future__ import annotations

import ast
import json
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

from dashpot import cli, faultwords
from dashpot.faultwords import CODE_WORDS, FAULT_WORDS, check_words, fault_words, wordless
from dashpot.layout import Layout
from dashpot.targets import pipe
from replay_kit import FIRMWARE, layout

PAGE = Path(__file__).resolve().parent.parent / "docs" / "codes.md"
# Public constants of the two modules that are no codes.
NO_CODES = {"HEAD_BYTES"}


def constants(name: str, text: str | None = None) -> dict[str, int]:
    """Codes of a firmware module: its public constants that are plain integers."""
    source = text or (FIRMWARE / "dashpot" / name).read_text(encoding="utf-8")
    return {
        target.id.lower(): node.value.value
        for node in ast.parse(source).body
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Constant)
        for target in node.targets
        if isinstance(target, ast.Name) and target.id.isupper() and not target.id.startswith("_")
        if isinstance(node.value.value, int) and target.id not in NO_CODES
    }


def codes() -> dict[str, int]:
    return constants("records.py") | constants("image.py")


def planted(**changes: Any) -> Layout:
    document = tomllib.loads((FIRMWARE / "layout.toml").read_text(encoding="utf-8"))
    return Layout(document | {key: change(document[key]) for key, change in changes.items()})


def test_every_table_is_total() -> None:
    assert wordless(layout(), codes()) == []
    # The firmware's own numbers, so that the comparison has something to compare.
    assert codes()["wrong_content"] == 6
    assert sorted(codes().values()) == list(range(19))


@pytest.mark.parametrize(
    ("key", "kind", "extra", "missing"),
    [
        ("faults", "fault", "coil_melted", "ring_overflow"),
        ("modes", "mode", "limp", "start"),
        ("conditions", "condition", "maybe", "off"),
        ("board_flags", "flag", "door_open", "bus_off"),
    ],
)
def test_a_planted_name_and_a_missing_one_are_seen(key: str, kind: str, extra: str, missing: str) -> None:
    assert wordless(planted(**{key: lambda names: [*names, extra]}), codes()) == [
        f"{kind} {extra} has no words"
    ]
    changed = planted(**{key: lambda names: [name for name in names if name != missing]})
    assert wordless(changed, codes()) == [f"the firmware has no {kind} {missing}"]


def test_a_planted_check_and_a_missing_one_are_seen() -> None:
    more = {"name": "vertical", "fault": "signal_bad", "unit": "", "doc": "", "per": "corners"}
    assert wordless(planted(checks=lambda rows: [*rows, more]), codes()) == ["check vertical has no words"]
    assert wordless(planted(checks=lambda rows: rows[:-1]), codes()) == ["the firmware has no check held"]


def test_a_planted_code_a_missing_one_and_another_number_are_seen() -> None:
    text = (FIRMWARE / "dashpot" / "records.py").read_text(encoding="utf-8") + "\nMELTED = 19\n"
    more = constants("records.py", text) | constants("image.py")
    assert wordless(layout(), more) == ["code melted has no words"]
    fewer = {name: number for name, number in codes().items() if name != "spent"}
    assert wordless(layout(), fewer) == ["the firmware has no code spent"]
    assert wordless(layout(), codes() | {"torn": 10}) == ["code torn is 10 in the firmware and 9 here"]


def test_the_refusals_of_a_load_are_the_first_seven_codes() -> None:
    assert pipe.LOAD_REFUSALS is faultwords.LOAD_REFUSALS
    assert list(pipe.LOAD_REFUSALS) == list(range(1, 8))


def test_words_are_clauses_that_fit_a_line_of_the_report() -> None:
    texts = [text for words in FAULT_WORDS.values() for text in words]
    texts += [text for words in CODE_WORDS.values() for text in words[1:]]
    for table in (
        faultwords.CHECK_WORDS,
        faultwords.MODE_WORDS,
        faultwords.CONDITION_WORDS,
        faultwords.FLAG_WORDS,
    ):
        texts += table.values()
        assert len(set(table.values())) == len(table)
    for text in texts:
        assert re.match(r"[a-z]|CAN|24", text), text
        assert not text.endswith("."), text
    assert len({words.meaning for words in FAULT_WORDS.values()}) == len(FAULT_WORDS)
    assert len({words.cause for words in FAULT_WORDS.values()}) == len(FAULT_WORDS)
    assert len({words.advice for words in FAULT_WORDS.values()}) == len(FAULT_WORDS)


def test_advice_names_only_columns_that_there_are() -> None:
    names = (
        {word.name for word in layout().state.values()}
        | set(layout().faults)
        | {"yaw_rate", "yaw_gain", "axle_spread"}
    )
    for words in FAULT_WORDS.values():
        for name in re.findall(r"\b[a-z]+(?:_[a-z]+)+\b", " ".join(words)):
            assert name in names, name


def test_a_fault_of_a_newer_firmware_gets_its_name() -> None:
    assert fault_words("coil_melted").meaning == "coil melted"
    assert check_words("vertical.rear_left") == "rear-left: vertical"


# The command.


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert cli.main(["codes", *words]) == 0
    return capsys.readouterr().out


def test_a_name_a_number_and_a_mask_find_the_same_fault(capsys: pytest.CaptureFixture[str]) -> None:
    number = layout().faults.index("coil_short")
    by_name = said(capsys, "coil-short", "--kind", "fault")
    assert by_name == said(capsys, str(number), "--kind", "fault") == said(capsys, hex(1 << number))
    assert by_name.startswith(f"fault {number}, coil_short: {FAULT_WORDS['coil_short'].meaning}.")
    assert FAULT_WORDS["coil_short"].cause in by_name
    assert FAULT_WORDS["coil_short"].advice in by_name


def test_a_name_of_several_kinds_shows_all_of_them(capsys: pytest.CaptureFixture[str]) -> None:
    entries = json.loads(said(capsys, "bus_off", "--json"))
    assert [entry["kind"] for entry in entries] == ["fault", "check", "flag"]
    assert entries[1]["fault"] == "bus_off"
    # A check of every corner by its bare name.
    assert len(json.loads(said(capsys, "coil_tracking", "--kind", "check", "--json"))) == 4


def test_a_mask_names_each_of_its_faults(capsys: pytest.CaptureFixture[str]) -> None:
    entries = json.loads(said(capsys, "0xC0", "--json"))
    assert [entry["name"] for entry in entries] == ["channel_lost", "required_lost"]


def test_without_a_code_everything_is_listed(capsys: pytest.CaptureFixture[str]) -> None:
    here = layout()
    entries = json.loads(said(capsys, "--json"))
    expected = len(here.faults) + len(here.checks) + len(here.modes) + len(here.conditions)
    assert len(entries) == expected + len(here.board_flags) + len(CODE_WORDS)
    table = said(capsys)
    assert all(entry["name"] in table for entry in entries)


@pytest.mark.parametrize(
    ("asked", "message"),
    [
        ("coil_opne", "the firmware has no code 'coil_opne'; near are coil_open"),
        ("99", "the firmware has no code '99'; `dashpot codes` lists them all"),
        ("0xzz", "'0xzz' is no mask of faults"),
        ("0x80000000", "0x80000000 has bits that are no fault"),
        ("0x0", "0x0 has no bit set"),
    ],
)
def test_what_is_no_code_is_refused(capsys: pytest.CaptureFixture[str], asked: str, message: str) -> None:
    assert cli.main(["codes", asked]) == 2
    captured = capsys.readouterr()
    assert message in captured.err
    assert captured.out == ""


def test_the_page_shows_what_the_command_says(capsys: pytest.CaptureFixture[str]) -> None:
    page = PAGE.read_text(encoding="utf-8")
    shown = re.findall(r"^\$ dashpot codes (.*)\n((?:(?!\$|```).*\n)*)", page, re.MULTILINE)
    assert len(shown) >= 2
    for words, text in shown:
        assert said(capsys, *words.split()) == text
