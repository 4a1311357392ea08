"""The replay against the same laws written independently in floating point (tools/baseline_laws.py), over the demo lap."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from dashpot.cli import main
from dashpot.resources import dbc_dir, demo_dir
from dashpot.runs import Run, open_run
from dashpot.targets.host import find_micropython
from demo_data import demo_log
from replay_kit import layout

TOOL = Path(__file__).resolve().parent.parent / "tools" / "baseline_replay.py"


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Run, np.ndarray]:
    """A stored run, and the baseline's currents and demands, float[ticks, 8]."""
    folder = tmp_path_factory.mktemp("baseline")
    data = demo_dir() / "data"
    arguments = [
        "replay", str(demo_log()), "--vehicle", str(data / "vehicle.toml"),
        "--calibration", str(data / "calibration.toml"), "--out", str(folder / "run"),
    ]  # fmt: skip
    assert main(arguments) == 0
    micropython, _ = find_micropython()
    subprocess.run(
        [
            sys.executable, TOOL, demo_log(), dbc_dir() / "merlin_t4.dbc", folder / "baseline.csv",
            "--micropython", micropython,
        ],
        check=True, capture_output=True,
    )  # fmt: skip
    return open_run(folder / "run"), np.loadtxt(folder / "baseline.csv", delimiter=",", skiprows=1)


def test_the_baseline_ticks_as_often(both: tuple[Run, np.ndarray]) -> None:
    run, baseline = both
    assert len(baseline) == run.ticks


@pytest.mark.parametrize("corner", range(4))
def test_currents_and_demands_are_those_of_the_laws_in_floating_point(
    both: tuple[Run, np.ndarray], corner: int
) -> None:
    run, baseline = both
    name = layout().corners[corner]
    # Rounding alone lets a rebound trim switch on a tick sooner or later, which is some 20 per mille for a tick:
    # 1.5 mA and 1.7 per mille on average, 25 mA at the 99th percentile were seen [X]. Twice that is a mistake, and
    # so would be no difference at all: the two must not share their arithmetic.
    off_ma = np.abs(baseline[:, corner] - run[f"current_ma.{name}"])
    assert 0.1 < off_ma.mean() < 3.0
    assert np.percentile(off_ma, 99) < 50
    off_permille = np.abs(baseline[:, 4 + corner] - run[f"demand_permille.{name}"])
    assert 0.1 < off_permille.mean() < 3.4
    assert np.corrcoef(baseline[:, corner], run[f"current_ma.{name}"])[0, 1] > 0.998
