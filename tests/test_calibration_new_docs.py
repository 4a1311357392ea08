"""docs/starting-calibration.md: its commands run, its figures hold, and no key of the targets is missing."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import Any

from calibration_new_kit import TARGETS
from dashpot.calibration import Document
from dashpot.starting import doubts, firmness, layers
from dashpot.starting.targets import TargetsFile

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "docs" / "starting-calibration.md").read_text(encoding="utf-8")


def test_the_commands_of_the_page(tmp_path: Path) -> None:
    for name in ("bench", "dbc"):
        (tmp_path / name).symlink_to(ROOT / name)
    lines = [
        line
        for block in re.findall(r"^```sh\n(.*?)^```", PAGE, re.DOTALL | re.MULTILINE)
        for line in block.splitlines()
    ]
    assert len(lines) == 10
    for line in lines:
        words = shlex.split(line)
        if words[0] == "dashpot":
            words[:1] = [sys.executable, "-m", "dashpot"]
        done = subprocess.run(words, cwd=tmp_path, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
    made = {path.name for path in (tmp_path / "first").iterdir()}
    assert {"calibration.toml", "report.html", "car.img"} <= made


def test_every_key_of_the_targets_is_explained() -> None:
    def keys(table: dict[str, Any]) -> set[str]:
        found = set(table)
        for value in table.values():
            if isinstance(value, dict) and "at" not in value:
                found |= keys(value)
        return found

    said = keys(Document.read(TARGETS).data) | set(TargetsFile.model_fields)
    assert {key for key in said if not re.search(rf"\b{key}\b", PAGE)} == set()


def test_the_figures_of_the_page() -> None:
    assert [round(1e3 * speed) for speed in firmness.EVEN_AT_M_S] == [25, 102, 250]
    assert layers.ASKED == 0.4
    assert (layers.RAMP_LEAST_M, layers.RAMP_MOST_SHARE) == (0.006, 0.4)
    assert (layers.BUS_AGE_S, layers.LATERAL_LAG_S, layers.HANDOVER) == (0.010, 0.100, 0.5)
    assert layers.CONTROL_MS[0] == 6
    assert doubts.BODY_HZ == (0.9, 5.0)
    for part in (
        "25, 102 and 250 mm/s",
        "40 % of grip",
        "6 mm to 40 % of the gap",
        "bus 10 ms",
        "0.9 to 5 Hz",
    ):
        assert part in PAGE
