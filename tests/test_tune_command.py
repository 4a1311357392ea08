"""`dashpot tune` with the real firmware in the loop: small searches, two processes, Ctrl-C."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time

import pytest

from dashpot.calibration import load_pair
from dashpot.cli import main
from tune_kit import HEAD, ROADS, TUNE, job

#: On a bad road body motion falls when the base gets firmer.
MOVE = """
[move.base]
cells = "layers.base.*.demand[2]"
together = "all"
by = "200 permille"
step = "50 permille"
"""
TEXT = HEAD.replace('{ worse_by = "5 percent" }', '{ worse_by = "20 percent" }') + MOVE + ROADS


def arguments(folder, out, *more):
    target = job(folder, out, TEXT)
    return [
        "tune", str(target.tune), "--calibration", str(target.calibration), "--vehicle", str(target.vehicle), "--out",
        str(target.out), "--budget", "4", *more,
    ]  # fmt: skip


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A search in one process: its folder and exit code."""
    folder = tmp_path_factory.mktemp("tune")
    return folder, main(arguments(folder, "whole", "--jobs", "1"))


@pytest.mark.slow
def test_a_firmer_base_is_found_on_a_bad_road(whole):
    folder, code = whole
    said = json.loads((folder / "whole" / "result.json").read_text())
    assert said["evaluations"] == 4
    assert 0.7 < said["training"]["objective"] < 0.995
    assert said["held_out"]["objective"] < 1.0
    assert code == (0 if said["verdict"]["improved"] else 1)
    base = next(one for one in said["moved"] if one["name"].startswith("base"))
    assert base["change"].startswith("+")
    assert base["worth"] > 0.0
    assert {row["metric"] for row in said["training"]["metrics"]} >= {
        "body_motion_mm",
        "comfort_m_s2",
        "stop_hits",
    }
    _, numbers, _ = load_pair(folder / "vehicle.toml", folder / "whole" / "calibration.toml")
    assert numbers.layers.base.front.y[2] > 400


@pytest.mark.slow
def test_ctrl_c_keeps_what_is_done_and_two_processes_give_the_bytes_of_one(whole, capsys):
    folder, code = whole
    words = arguments(folder, "stopped", "--jobs", "2")
    running = subprocess.Popen(
        [sys.executable, "-m", "dashpot", *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    records = folder / "stopped" / "evaluations.jsonl"
    # Head, start on both roads, and one calibration.
    while running.poll() is None and not (records.exists() and records.read_bytes().count(b"\n") >= 4):
        time.sleep(0.02)
    running.send_signal(signal.SIGINT)
    _, said = running.communicate(timeout=60)
    assert running.returncode == 130, said
    assert "Traceback" not in said
    assert (
        f"of 4 evaluations; they are kept in {folder / 'stopped'}, and the same command with --resume goes on"
        in said
    )
    assert [path.name for path in (folder / "stopped").iterdir()] == ["evaluations.jsonl"]
    done = records.read_bytes()
    assert (folder / "whole" / "evaluations.jsonl").read_bytes().startswith(done)

    capsys.readouterr()
    assert main([*words, "--resume", "--json"]) == code
    assert json.loads(capsys.readouterr().out) == json.loads((folder / "whole" / "result.json").read_text())
    for name in ("evaluations.jsonl", "result.json", "report.html", "calibration.toml"):
        assert (folder / "stopped" / name).read_bytes() == (folder / "whole" / name).read_bytes(), name


def test_a_mistake_is_exit_code_2_and_leaves_nothing(tmp_path, capsys):
    words = arguments(tmp_path, "out")
    (tmp_path / "tune.toml").write_text(TUNE.replace("layers.base.*.demand[2]", "limits.front_left.most"))
    assert main(words) == 2
    assert (
        "limits.front_left.most: not for a search, it bounds what all layers together may ask for"
        in capsys.readouterr().err
    )
    assert not (tmp_path / "out").exists()
