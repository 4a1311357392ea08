#!/usr/bin/env python3
"""How fast `dashpot simulate` is, against real time and against the way one would first write it.

python3 tools/bench_simulate.py [--scenario NAME] [--seconds S] [--runs N] [--baseline-s S]

Measures, each as a process of its own from its start to the stored result, both on one core (taskset where there is
one, --all-cores to leave that out):

- `dashpot simulate`, open loop and closed loop with the real firmware at 500 Hz

and in this process, for a shorter drive whose time is scaled:

- the baseline: scipy's solve_ivp over each tick for the same car (dashpot.plant.reference), cantools to encode, a heap
  of waiting frames with their bits counted one by one, and a pipe to the firmware with its plain blocks of one tick

Wall time counts; CPU time stands beside it, since a busy machine makes every exchange over a pipe wait.
"""

from __future__ import annotations

import argparse
import heapq
import json
import os
import shutil
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import cantools
import numpy as np
from cantools.database import Database
from scipy.integrate import solve_ivp

from bench_replay import Measured, measure
from dashpot.canbits import frame_bits
from dashpot.layout import Layout
from dashpot.plant.canbus import BIT_US
from dashpot.plant.reference import Reference
from dashpot.plant.scenario import demo_scenario, demo_scenario_path
from dashpot.plant.world import scenario_valves
from dashpot.replay.images import pack_image
from dashpot.resources import dbc_dir, demo_dir, firmware_dir
from dashpot.targets import RunBlock, TargetOptions, make_target, tick_rows

if TYPE_CHECKING:
    from dashpot.targets import Target

WANTED_OPEN, WANTED_CLOSED = 30.0, 10.0
PERIOD_US = 2000
DATA = demo_dir() / "data"
DBC = dbc_dir() / "merlin_t4.dbc"


def main() -> int:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--scenario", default="hollow_fen", help="one that comes with dashpot")
    parser.add_argument("--seconds", type=float, default=90.0, help="of the drive")
    parser.add_argument("--runs", type=int, default=3, help="of each kind, to take the median of")
    parser.add_argument("--baseline-s", type=float, default=1.0, help="of the drive that the baseline does")
    parser.add_argument("--all-cores", action="store_true", help="do not bind the processes to one core")
    options = parser.parse_args()
    bound = [] if options.all_cores or shutil.which("taskset") is None else ["taskset", "-c", "0"]
    closing = ["--vehicle", str(DATA / "vehicle.toml"), "--calibration", str(DATA / "calibration.toml")]
    rows: list[tuple[str, float, float, float]] = []
    frames = 0
    with tempfile.TemporaryDirectory(prefix="dashpot-bench-") as folder:
        for name, more, baseline in (("open", [], open_baseline), ("closed", closing, closed_baseline)):
            command = [
                *bound, sys.executable, "-m", "dashpot", "simulate", str(demo_scenario_path(options.scenario)),
                "--duration", str(options.seconds), "--out", str(Path(folder) / f"{name}.log"), "--replace", "--json", *more,
            ]  # fmt: skip
            # Half before the baseline and half after it, so that a machine that slows down does so for both.
            half = (options.runs + 1) // 2
            ours = [measure(command) for _ in range(half)]
            wall_s, cpu_s = baseline(options.scenario, options.baseline_s)
            ours += [measure(command) for _ in range(half, options.runs)]
            scale = options.seconds / options.baseline_s
            rows.append(
                (f"{name} loop", median(one.wall_s for one in ours), least_cpu(ours), options.seconds)
            )
            rows.append((f"{name} loop, baseline", wall_s * scale, cpu_s * scale, options.seconds))
            frames = json.loads(ours[-1].stdout)["frames"]
    where = "one core" if bound else f"{os.cpu_count()} cores"
    print(
        f"{options.scenario}, {options.seconds:g} s, {frames:,} frames, {options.runs} runs (median) on {where}; baseline "
        f"measured on {options.baseline_s:g} s and scaled"
    )
    print(f"{'':24}{'wall, s':>12}{'x real time':>14}{'CPU, s':>12}{'x by CPU':>14}")
    for name, wall, cpu, seconds in rows:
        print(f"{name:24}{wall:12.2f}{seconds / wall:14.2f}{cpu:12.2f}{seconds / cpu:14.2f}")
    for place, (name, wanted) in enumerate((("open", WANTED_OPEN), ("closed", WANTED_CLOSED))):
        ratio = rows[2 * place + 1][1] / rows[2 * place][1]
        print(f"{name} loop: {ratio:.0f} x the baseline; wanted {wanted:.0f} x real time")
    return 0


def least_cpu(measured: list[Measured]) -> float:
    """Return the least CPU time, children included: what other processes do adds to it only."""
    return min(one.cpu_s for one in measured)


def open_baseline(scenario: str, seconds: float) -> tuple[float, float]:
    """Return wall and CPU time of the baseline with held currents."""
    return baseline_drive(scenario, seconds, None)


def closed_baseline(scenario: str, seconds: float) -> tuple[float, float]:
    """Return wall and CPU time of the baseline with the firmware in the loop."""
    layout = Layout.load(firmware_dir())
    image = pack_image(DATA / "vehicle.toml", DATA / "calibration.toml", layout, None, (DBC,))
    target = make_target("host", TargetOptions(firmware_dir()), layout)
    target.start()
    try:
        target.load(image.data)
        return baseline_drive(scenario, seconds, (target, layout))
    finally:
        target.close()


def baseline_drive(scenario: str, seconds: float, loop: tuple[Target, Layout] | None) -> tuple[float, float]:
    """Drive as one would first write it, and return wall and CPU time; the drive itself is not in them."""
    known = demo_scenario(scenario)
    drive = known.drive()
    front, rear = scenario_valves(known)
    car = Reference(drive.car, (front.damper(), rear.damper()), front.coil())
    readings = known.readings(drive)
    database = cantools.database.load_file(DBC)
    assert isinstance(database, Database)
    begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
    waiting: list[tuple[int, bytes]] = []
    y, current_a, free_us = np.zeros(18), np.full(4, 0.8), 0
    for tick in range(round(seconds * 1e6) // PERIOD_US):
        row = 2 * tick
        road, push = (
            drive.road_m[row],
            np.array([drive.accel_long_m_s2[row], drive.accel_lat_m_s2[row], drive.speed_m_s[row]]),
        )
        still = np.zeros(4)
        y = solve_ivp(
            lambda _t, state: car.derivative(state, road, still, push, current_a),  # noqa: B023 - used within the turn
            (0.0, PERIOD_US * 1e-6), y, rtol=1e-4, atol=1e-6,
        ).y[:, -1]  # fmt: skip
        for message in database.messages:
            if message.is_multiplexed() or (tick * PERIOD_US) % (1000 * (message.cycle_time or 100)):
                continue
            values = {
                s.name: float(readings[s.name][row]) if s.name in readings else 0.0 for s in message.signals
            }
            data = message.encode(values, strict=False)
            heapq.heappush(waiting, (message.frame_id, data))
        sent = []
        free_us = max(free_us, tick * PERIOD_US)
        while waiting and free_us < (tick + 1) * PERIOD_US:
            can_id, data = heapq.heappop(waiting)
            free_us += BIT_US * frame_bits(can_id, data, extended=can_id > 0x7FF)
            words = np.frombuffer(data.ljust(8, b"\0"), "<i4")
            sent.append((free_us, can_id, len(data), *words))
        if loop is not None:
            target, layout = loop
            ticks = tick_rows(list(layout.rows["tick_in"]), free_us, len(sent))
            frames = np.array(sent, "<i4").reshape(-1, 5)
            reply = target.run(RunBlock(tick, ticks, frames, np.array([free_us])))
            at = layout.state["current_ma"].at
            current_a = reply.trace[0, at : at + 4] / 1000.0
    return time.perf_counter() - begin_s, time.process_time() - begin_cpu_s


if __name__ == "__main__":
    sys.exit(main())
