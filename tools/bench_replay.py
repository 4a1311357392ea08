#!/usr/bin/env python3
"""How fast a replay is, against real time and against the way one would first write it.

python3 tools/bench_replay.py [--log LOG] [--runs N] [--baseline-s S] [--hour]

Makes once a candump log of 1,000,000 frames in 417 s: the demo car's drive, eight messages, four of them at 500 Hz and
four at 100 Hz. Measures, each as a process of its own from its start to the stored result:

- `dashpot replay`, all layers on, the MicroPython interpreter as target
- tools/baseline_replay.py: python-can, cantools, a pipe, plain MicroPython with floats, CSV; once as one would first
  write it, waiting for each tick's answer, and once with a thread that takes the answers
- with --hour: an hour of the same, for the memory it takes

Ratios are what counts; they come from one and the same run of this script.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import numpy as np

from dashpot.demo import demo_lap
from dashpot.logs.candump import write_candump
from dashpot.logs.frames import FrameBlock, join_blocks, split_block
from dashpot.plant.canbus import payloads
from dashpot.plant.merlin_bus import MESSAGES
from dashpot.resources import dbc_dir, demo_dir
from dashpot.runs import open_run

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).resolve().parent.parent
FRAMES = 1_000_000
LENGTH_S = 417.0
FAST_US, SLOW_US = 2000, 10_000
FAST = ("Suspension_Strokes", "Inertial", "Brake_Pressures", "Steering")
SLOW = ("Yaw_Rate", "Wheel_Speeds", "Road_Speed", "Supply_Switches")
START_US = 1_700_000_000_000_000
HOUR_PARTS = 9
WANTED_REALTIME, WANTED_RATIO, WANTED_HOUR_MB = 150.0, 20.0, 400.0


@dataclass(frozen=True, slots=True)
class Measured:
    """One process: seconds from start to end, CPU seconds of it and its children, peak memory of the largest."""

    wall_s: float
    cpu_s: float
    peak_mb: float
    stdout: str


def main() -> int:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--log", type=Path, help="the log; made there if it does not exist")
    parser.add_argument("--runs", type=int, default=3, help="replays to take the median of")
    parser.add_argument(
        "--baseline-s", type=float, default=LENGTH_S,
        help="how much of the log the baseline replays; with less than all of it the table says that it is scaled",
    )  # fmt: skip
    parser.add_argument("--hour", action="store_true", help="measure an hour's log too")
    options = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="dashpot-bench-")))
        log = options.log or folder / "bench.log"
        if not log.exists():
            print(f"making {log.name}: {FRAMES:,} frames", flush=True)
            write_candump(log, bench_frames(), ("can0",))
        # Half before the baseline and half after it, so that a machine that slows down does so for both.
        half = (options.runs + 1) // 2
        ours = [measure(replay_command(log, folder / f"run{i}")) for i in range(half)]
        seconds = min(options.baseline_s, LENGTH_S)
        base = measure(baseline_command(log, folder / "baseline.csv", seconds))
        ahead = measure([*baseline_command(log, folder / "ahead.csv", seconds), "--ahead"])
        ours += [measure(replay_command(log, folder / f"run{i}")) for i in range(half, options.runs)]
        report(folder, ours, {"baseline": base, "baseline ahead": ahead}, seconds)
        if options.hour:
            hour(folder)
    return 0


def bench_frames() -> Iterator[FrameBlock]:
    """Yield the frames of the log, in order of their stamps."""
    lap = demo_lap(1, LENGTH_S)
    readings = lap.world.readings()
    parts: list[FrameBlock] = []
    for name, period_us in [(name, FAST_US) for name in FAST] + [(name, SLOW_US) for name in SLOW]:
        message = next(message for message in MESSAGES if message.name == name)
        # Apart by more than a frame is long at 500 kbit/s.
        phase_us = 240 * len(parts)
        at_us = np.arange(phase_us, round(LENGTH_S * 1e6), period_us)
        data = np.zeros((len(at_us), 8), np.uint8)
        data[:, : message.length] = payloads(message, readings, lap.drive.seed, at_us)
        parts.append(
            FrameBlock(
                stamp_us=START_US + at_us,
                can_id=np.full(len(at_us), message.can_id, np.uint32),
                flags=np.zeros(len(at_us), np.uint8),
                length=np.full(len(at_us), message.length, np.uint8),
                channel=np.zeros(len(at_us), np.uint8),
                data=data,
            )
        )
    whole = join_blocks(parts)
    order = np.argsort(whole.stamp_us, kind="stable")[:FRAMES]
    yield from split_block(whole.select(order))


def replay_command(log: Path, out: Path) -> list[str]:
    """Return the command line of a replay as a user types it."""
    data = demo_dir() / "data"
    return [
        sys.executable, "-m", "dashpot", "replay", str(log), "--vehicle", str(data / "vehicle.toml"),
        "--calibration", str(data / "calibration.toml"), "--out", str(out), "--json",
    ]  # fmt: skip


def baseline_command(log: Path, out: Path, seconds: float) -> list[str]:
    """Return the command line of the baseline."""
    dbc = dbc_dir() / "merlin_t4.dbc"
    script = ROOT / "tools" / "baseline_replay.py"
    return [sys.executable, str(script), str(log), str(dbc), str(out), "--seconds", str(seconds)]


def measure(command: list[str]) -> Measured:
    """Run a command and measure it.

    Raises:
        SystemExit: it failed; its stderr is shown.

    """
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
        start = time.perf_counter()
        process = subprocess.Popen(command, stdout=out, stderr=err, env=environment)
        # Of the process itself; wait4 knows no other peak than the largest of it and the children it waited for.
        peak_kb = watch(process)
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - start
        process.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        if process.returncode:
            sys.exit(f"bench_replay.py: {' '.join(command)} failed:\n{err.read().decode()}")
        return Measured(wall_s, usage.ru_utime + usage.ru_stime, peak_kb / 1024, out.read().decode())


def watch(process: subprocess.Popen[bytes]) -> int:
    """Wait until a process has ended, without reaping it, and return the peak of its resident memory, kB."""
    status = Path(f"/proc/{process.pid}/status")
    peak_kb = 0
    while os.waitid(os.P_PID, process.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        for line in status.read_text().splitlines():
            if line.startswith("VmHWM"):
                peak_kb = int(line.split()[1])
        time.sleep(0.005)
    return peak_kb


def report(folder: Path, ours: list[Measured], baselines: dict[str, Measured], base_s: float) -> None:
    """Print the table."""
    wall_s = median(one.wall_s for one in ours)
    cpu_s = median(one.cpu_s for one in ours)
    summary = json.loads(ours[-1].stdout)
    log_s = summary["log_s"]
    # The start of their processes is scaled with it: fit for a quick look, not for the record.
    whole = LENGTH_S / base_s
    columns = [("dashpot replay", wall_s, cpu_s, max(one.peak_mb for one in ours))]
    columns += [
        (name, base.wall_s * whole, base.cpu_s * whole, base.peak_mb) for name, base in baselines.items()
    ]
    scaled = f"; baselines measured on {base_s:g} s and scaled" if base_s < LENGTH_S else ""
    print(
        f"\n{summary['frames']:,} frames, {summary['ticks']:,} ticks, {log_s:.0f} s of log; {len(ours)} replays "
        f"(median), {os.cpu_count()} CPUs{scaled}"
    )
    rows = [
        ("", [name for name, *_ in columns]),
        ("wall, s", [f"{wall:.2f}" for _, wall, _, _ in columns]),
        ("times real time", [f"{log_s / wall:.1f}" for _, wall, _, _ in columns]),
        ("wall against ours", [f"{wall / wall_s:.1f}" for _, wall, _, _ in columns]),
        ("CPU with children, s", [f"{cpu:.2f}" for _, _, cpu, _ in columns]),
        ("CPU against ours", [f"{cpu / cpu_s:.1f}" for _, _, cpu, _ in columns]),
        ("peak memory, MB", [f"{peak:.0f}" for *_, peak in columns]),
    ]
    for title, cells in rows:
        print(f"{title:24}" + "".join(f"{cell:>18}" for cell in cells))
    print(f"wanted: {WANTED_REALTIME:.0f} x real time, {WANTED_RATIO:.0f} x the baseline")
    print(f"all replays, s: {', '.join(f'{one.wall_s:.2f}' for one in ours)}")
    tick_us = open_run(folder / f"run{len(ours) - 1}").tick_us
    shares = ", ".join(f"{share:g} %: {np.percentile(tick_us, share):.0f}" for share in (1, 50, 90, 99, 99.9))
    print(f"a tick on the host, us: mean {tick_us.mean():.2f}, {shares}, longest {tick_us.max()}")
    print(
        f"memory that ticks kept and used, bytes: {summary['alloc_kept_bytes']}, {summary['alloc_gross_bytes']}"
    )


def hour(folder: Path) -> None:
    """Replay an hour and print how much memory it took."""
    log = folder / "hour.log"
    part = join_blocks(list(bench_frames()))
    step_us = round(LENGTH_S * 1e6)
    blocks = (replace(part, stamp_us=part.stamp_us + i * step_us) for i in range(HOUR_PARTS))
    frames = write_candump(log, blocks, ("can0",))
    done = measure(replay_command(log, folder / "hour"))
    summary = json.loads(done.stdout)
    stored_mb = sum(path.stat().st_size for path in (folder / "hour").iterdir()) / 1e6
    print(
        f"an hour ({summary['log_s']:.0f} s, {frames:,} frames): {done.wall_s:.1f} s, "
        f"{summary['log_s'] / done.wall_s:.0f} x real time, peak memory {done.peak_mb:.0f} MB "
        f"(wanted under {WANTED_HOUR_MB:.0f}), run folder {stored_mb:.0f} MB"
    )


if __name__ == "__main__":
    sys.exit(main())
