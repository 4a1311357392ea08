"""The page is followable: its commands and its script, as they stand, give what it says."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

from dashpot.commands.suggest import command
from dashpot.resources import dbc_dir, demo_dir
from dashpot.suggest import lead, propose, still, table, zeros
from demo_data import demo_log

PAGE = (Path(__file__).parent.parent / "docs" / "suggest.md").read_text(encoding="utf-8")


def shell(line, folder):
    words = shlex.split(line)
    if words[0] in ("dashpot", "python"):
        words[:1] = [sys.executable, "-m", "dashpot"] if words[0] == "dashpot" else [sys.executable]
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
    return done.stdout


def run(line, folder):
    """Run a line; of the demo only what it leaves is needed, without its replay, which has tests of its own."""
    if not line.startswith("dashpot demo"):
        return shell(line, folder)
    out = folder / "dashpot-demo"
    shutil.copytree(demo_dir() / "data", out)
    shutil.copyfile(dbc_dir() / "merlin_t4.dbc", out / "merlin_t4.dbc")
    shutil.copyfile(demo_log(), out / "hollow_fen.log")
    return ""


def test_the_worked_example(tmp_path):
    said = []
    for kind, text in re.findall(r"^```(\w+)\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE):
        if kind == "python":
            (tmp_path / "spoil.py").write_text(text)
        elif kind == "sh":
            said += [(line, run(line, tmp_path)) for line in text.splitlines()]
    first, spoilt, mended = (out for line, out in said if line.startswith("dashpot suggest"))
    assert "No change is suggested." in first
    assert "front-left damper went" in first
    for line in (
        "Suggestions (2); nothing was changed",
        "  [firm] vehicle: channels.lateral.sign = 1, now -1",
        "lateral has the wrong sign: 5 of 22 cross-checks fail, and this alone mends them",
    ):
        assert line in spoilt
        assert line in PAGE
    zero = re.search(
        r'\[likely\] vehicle: channels\.stroke\.front_left\.zero = "(\d+\.\d+) mm", now "75\.2 mm"', spoilt
    )
    assert zero
    assert abs(float(zero[1]) - 79.2) < 1.0
    assert "No change is suggested." in mended


def test_the_page_lists_every_option():
    for parameter in command.params:
        for option in parameter.opts:
            if option.startswith("--"):
                assert f"`{option}" in PAGE, option


def test_the_numbers_of_the_page_are_those_of_the_code():
    for unit, name in (
        ("g", "accelerations"),
        ("deg/s", "yaw rate"),
        ("m/s", "road and wheel speeds"),
        ("bar", "brake pressure"),
        ("deg", "steering"),
    ):
        row = next(line for line in PAGE.splitlines() if line.startswith(f"| {name} |"))
        assert row.endswith(f"| {zeros.TOLERANCE[unit]:g} {unit} |")
    limits = ", ".join(
        f"{zeros.NOISE_LIMIT[unit]:g} {unit}" for unit in ("g", "deg/s", "bar", "deg", "m/s", "mm")
    )
    assert limits in " ".join(PAGE.split())
    assert f"{table.MOST_ROWS:,}".replace(",", " ") + " rows" in PAGE
    assert f"{1000 * lead.LEAST_S:g} to {1000 * lead.MOST_S:g} ms" in PAGE
    assert f"correlation of {lead.CORRELATED:g}" in PAGE
    assert f"at least {propose.FIRM_WIDTHS:g} half-widths" in PAGE
    assert f"at least {propose.LIKELY_WIDTHS:g} half-widths" in PAGE
    assert still.KEPT_BATCHES * still.BATCH_S == 1000.0
