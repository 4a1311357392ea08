"""The pages are followable: a reader who saves each block and runs each command gets where the page says."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from dashpot import runs
from dashpot.commands.replay import command
from dashpot.runs import OWN_COLUMNS, trace_columns
from demo_data import demo_log
from replay_kit import layout

DOCS = Path(__file__).resolve().parent.parent / "docs"


class Block(NamedTuple):
    kind: str
    text: str


def blocks(page: str) -> list[Block]:
    text = (DOCS / page).read_text(encoding="utf-8")
    return [Block(*found) for found in re.findall(r"^```(\w+)\n(.*?)^```$", text, re.DOTALL | re.MULTILINE)]


def shell(line: str, folder: Path) -> str:
    """Run a line as a shell in an activated environment would."""
    words = shlex.split(line)
    if words[0] == "dashpot":
        words[:1] = [sys.executable, "-m", "dashpot"]
    elif words[0] == "python":
        words[0] = sys.executable
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{line}\n{done.stderr}"
    return done.stdout


def test_the_worked_example_of_replay_md(tmp_path: Path) -> None:
    said = {}
    for kind, text in blocks("replay.md"):
        if kind == "sh":
            for line in text.splitlines():
                said[line] = shell(line, tmp_path)
                if line.startswith("cp "):
                    switch_off(tmp_path / "calibration.toml")
        else:
            name = re.match(r'(?:# |VERSION ")([\w.]+)', text)
            assert name, text
            (tmp_path / name[1]).write_text(text)
    replayed = next(out for line, out in said.items() if line.startswith("dashpot replay"))
    assert "4,500 of 4,500 frames" in replayed
    run = runs.open_run(tmp_path / "my_run")
    assert run.manifest["inputs"]["log"]["name"] == "my_car.asc"
    assert run.summary["frames_unknown"] == run.summary["frames_bad"] == run.summary["signals_bad"] == 0
    assert run.summary["mode_ticks"]["active"] > 0.9 * run.ticks
    # The laws answer: turning right loads the left side, braking the front.
    assert run["current_ma.front_left"].max() > run["current_ma.front_left"].min() + 200
    lateral = run["channel.lateral_mg"]
    difference = run["demand_permille.front_left"] - run["demand_permille.front_right"]
    assert difference[lateral < -700].min() > 0 > difference[lateral > 700].max()
    # mph of the DBC in cm/s: 40 to 80 mph, 1 mph = 44.704 cm/s exactly [S: international mile].
    speed = run["channel.road_speed_cm_s"][run.ticks // 10 :]
    assert speed.min() == pytest.approx(40 * 44.704, abs=8)
    assert speed.max() == pytest.approx(80 * 44.704, abs=8)
    assert (tmp_path / "my_run.svg").stat().st_size > 10_000
    assert f"{run.ticks} ticks" in said["python look.py"]


def switch_off(path: Path) -> None:
    """Do the edit that the page asks for, on the layers that it names."""
    page = (DOCS / "replay.md").read_text(encoding="utf-8")
    sentence = re.search(r"set `enabled = false` under (.*?)\. Then", page, re.DOTALL)
    assert sentence
    layers = re.findall(r"\[layers\.(\w+)\]", sentence[1])
    assert len(layers) == 4
    text = path.read_text()
    for layer in layers:
        text, count = re.subn(
            rf"(\[layers\.{layer}\]\n(?:[^\[]*\n)?)enabled = true", r"\1enabled = false", text
        )
        assert count == 1, layer
    path.write_text(text)


def test_the_snippets_of_runs_md(tmp_path: Path) -> None:
    shell(f"dashpot demo --out {tmp_path / 'dashpot-demo'}", tmp_path)
    snippets = [text for kind, text in blocks("runs.md") if kind == "python"]
    assert len(snippets) == 3
    for i, text in enumerate(snippets):
        if "pandas" in text:
            pytest.importorskip("pandas")
        (tmp_path / f"{i}.py").write_text(text)
        assert shell(f"python {i}.py", tmp_path)


def test_runs_md_names_every_key_of_the_summary_and_the_manifest(tmp_path: Path) -> None:
    data = DOCS.parent / "bench" / "dashpot" / "demo" / "data"
    shell(
        f"dashpot replay {demo_log(duration_s=5.0)} --vehicle {data / 'vehicle.toml'} "
        f"--calibration {data / 'calibration.toml'} --out run",
        tmp_path,
    )
    page = (DOCS / "runs.md").read_text(encoding="utf-8")
    for name, title in ((runs.SUMMARY, "## summary.json"), (runs.MANIFEST, "## manifest.json")):
        section = page.split(title)[1].split("\n## ")[0]
        for key in json.loads((tmp_path / "run" / name).read_text()):
            assert f"`{key}`" in section, (name, key)


def test_runs_md_describes_every_column() -> None:
    section = (
        (DOCS / "runs.md").read_text(encoding="utf-8").split("## Columns of ticks.arrow")[1].split("\n## ")[0]
    )
    estimated = {"longitudinal_filtered_mg", "brake_rate_bar_s", "wet_permille", "authority_q10"}
    for name in [own[0] for own in OWN_COLUMNS] + [column.name for column in trace_columns(layout())]:
        base = name.partition(".")[0]
        assert f"`{base}" in section or base in estimated, name


def test_replay_md_lists_every_option() -> None:
    page = (DOCS / "replay.md").read_text(encoding="utf-8")
    for parameter in command.params:
        for option in parameter.opts:
            if option.startswith("--"):
                assert f"`{option}" in page, option
