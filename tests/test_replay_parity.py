"""The whole demo lap in MicroPython and in checked CPython: the same bytes, and nothing that a board would wrap."""

from __future__ import annotations

import json
from pathlib import Path

from conftest import RunCli
from dashpot.resources import demo_dir
from dashpot.runs import TICKS
from demo_data import demo_log


def test_the_demo_lap_is_the_same_in_both_interpreters(run_cli: RunCli, tmp_path: Path) -> None:
    data = demo_dir() / "data"
    files = ["--vehicle", data / "vehicle.toml", "--calibration", data / "calibration.toml"]
    said = {}
    for target in ("host", "cpython"):
        done = run_cli("replay", demo_log(), *files, "--target", target, "--out", tmp_path / target, "--json")
        assert done.returncode == 0, done.stderr
        said[target] = json.loads(done.stdout)
    assert said["host"]["ticks"] > 44_000
    assert (said["host"]["alloc_kept_bytes"], said["host"]["alloc_gross_bytes"]) == (0, 0)
    assert said["host"]["mode_ticks"] == said["cpython"]["mode_ticks"]
    assert (tmp_path / "host" / TICKS).read_bytes() == (tmp_path / "cpython" / TICKS).read_bytes()
