"""The page of tune is followable: its commands and its file, as they stand; drives are formulas, which have tests of their own."""

from __future__ import annotations

import json
import re
import shlex
import shutil
from pathlib import Path

import pytest

from dashpot.calibration import Document
from dashpot.cli import main
from dashpot.commands.tune import command
from dashpot.evaluate.figures import METRICS
from dashpot.resources import dbc_dir, demo_dir
from dashpot.tune import job as module
from dashpot.tune.cells import LOCKED, numbers_of
from dashpot.tune.plan import ConstraintKeys, MoveKeys, ObjectiveKeys, RoadKeys, SearchKeys, read_tune
from dashpot.tune.search import IDLE_SHARE, LOST_SHARE
from tune_kit import DEMO, Formulas

ROOT = Path(__file__).parent.parent
PAGE = (ROOT / "docs" / "tune.md").read_text(encoding="utf-8")


def run(line, folder):
    words = shlex.split(line)
    if words[0] == "cp":
        shutil.copyfile(ROOT / words[1], folder / words[2])
        return 0
    assert words[0] == "dashpot"
    if words[1] == "demo":
        # Of the demo only the files are wanted here; it has tests of its own.
        shutil.copytree(demo_dir() / "data", folder / words[-1])
        shutil.copyfile(dbc_dir() / "merlin_t4.dbc", folder / words[-1] / "merlin_t4.dbc")
        return 0
    return main(words[1:])


def test_the_commands_of_the_page(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(module, "Workers", Formulas)
    monkeypatch.setattr(module, "SOURCES", ())
    lines = [
        line
        for text in re.findall(r"^```sh\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
        for line in text.splitlines()
    ]
    # Fewer calibrations than the example's, for the time.
    text = (ROOT / "bench/dashpot/tune/data/merlin_t4_body.toml").read_text()
    assert "budget = 120" in text
    said = []
    for line in lines:
        code = run(line.replace("--budget 150", "--budget 16"), tmp_path)
        said.append((line.split()[1], code, capsys.readouterr().out))
        if line.startswith("cp"):
            (tmp_path / "tune.toml").write_text(text.replace("budget = 120", "budget = 12"))
    assert [(name, code) for name, code, _ in said if name in ("tune", "calibration")] == [
        ("tune", 0), ("calibration", 1), ("tune", 0),
    ]  # fmt: skip
    assert "Improved: on roads that the search did not see" in said[-1][2]
    assert "layers.base.front" in said[-2][2]
    result = json.loads((tmp_path / "tuned" / "result.json").read_text())
    assert result["evaluations"] == 16
    for name in re.findall(
        r"^\| `([\w.]+)` \|", PAGE.split("| file in `tuned`")[1].split("\n\n")[0], re.MULTILINE
    ):
        assert (tmp_path / "tuned" / name).is_file()


def numbers():
    return numbers_of(Document.read(DEMO))


def test_the_file_of_the_page_and_the_one_that_is_shipped():
    (text,) = re.findall(r"^```toml\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
    tune = read_tune(Document("tune.md", None, text), numbers())
    # One for the map, and low and high of two directions, both axles as one.
    assert len(tune.knobs) == 5
    shipped = read_tune(Document.read(ROOT / "bench/dashpot/tune/data/merlin_t4_body.toml"), numbers())
    assert len(shipped.knobs) == 10
    assert {road.name for road in shipped.held_out} - {road.name for road in shipped.training} == {"slalom"}


@pytest.mark.parametrize(
    ("table", "model"),
    [("objective", ObjectiveKeys), ("search", SearchKeys), ("move.NAME", MoveKeys), ("constraints", ConstraintKeys), ("training", RoadKeys)],
)  # fmt: skip
def test_every_key_is_on_the_page(table, model):
    for key in model.model_fields:
        assert f"`{table}.{key}`" in PAGE or f"`{key}`" in PAGE or f"`{key}:" in PAGE, key


def test_options_locks_figures_and_shares_are_those_of_the_code():
    for parameter in command.params:
        for option in parameter.opts:
            assert not option.startswith("--") or f"`{option}`" in PAGE or f" {option} " in PAGE, option
    for section in LOCKED:
        assert f"`[{section}]`" in PAGE, section
    figures = PAGE.split("Figures, among others: ")[1].split("A wrong name")[0]
    assert set(re.findall(r"`(\w+)`", figures)) <= set(METRICS)
    assert (
        f"less than {100 * IDLE_SHARE:g} % of the gain go back together if {100 * (1 - LOST_SHARE):g} % of it stay"
        in " ".join(PAGE.split())
    )
    defaults = SearchKeys()
    assert f"calibrations to drive, {defaults.budget} by default" in PAGE
    assert f"{float(defaults.spread) / 10:g} percent by default" in PAGE
