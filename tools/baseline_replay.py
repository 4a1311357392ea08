#!/usr/bin/env python3
"""The replay as one would first write it: python-can, cantools, a pipe to plain MicroPython, CSV.

The baseline of tools/bench_replay.py. It does the same job on the same log, tick for tick, without the checks: reads
frames with python-can's reader, decodes each with cantools' `decode_message`, sends the latest values of each tick as
a line of text to tools/baseline_laws.py, waits for the currents and demands, and writes them as CSV. With --ahead it
does not wait, and a thread of its own takes what comes back: what one would write second.

python3 tools/baseline_replay.py LOG DBC OUT.csv [--seconds S] [--ahead] [--micropython PATH]
"""

from __future__ import annotations

import argparse
import csv
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import cantools

PERIOD_S = 0.002
ZEROS = {"StrokeFL": 79.2, "StrokeFR": 80.4, "StrokeRL": 82.1, "StrokeRR": 81.5}
G = 9.80665


def main() -> int:
    """Replay a log and say how long a second of it took."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("log", type=Path)
    parser.add_argument("dbc", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--seconds", type=float, default=float("inf"), help="stop after this much of the log")
    parser.add_argument("--ahead", action="store_true", help="send without waiting for the answers")
    parser.add_argument("--micropython", default=str(Path(sys.executable).parent / "micropython"))
    options = parser.parse_args()
    start = time.perf_counter()
    database = cantools.database.load_file(options.dbc)
    assert isinstance(database, cantools.database.Database)
    laws = Path(__file__).with_name("baseline_laws.py")
    child = subprocess.Popen(
        [options.micropython, str(laws)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert child.stdin is not None
    assert child.stdout is not None
    to_laws, from_laws = child.stdin, child.stdout
    file = options.out.open("w", newline="")
    writer = csv.writer(file)
    writer.writerow(
        [f"{what}_{corner}" for what in ("current", "demand") for corner in ("fl", "fr", "rl", "rr")]
    )

    def take_all() -> None:
        for line in from_laws:
            writer.writerow(line.split())

    taker = threading.Thread(target=take_all, daemon=True)
    if options.ahead:
        taker.start()

    def tick_with(line: str) -> None:
        to_laws.write(line)
        if not options.ahead:
            to_laws.flush()
            writer.writerow(from_laws.readline().split())

    values: dict[str, float] = {}
    fresh: set[str] = set()
    first = None
    tick = frames = 0
    for message in can.LogReader(options.log):
        if first is None:
            first = message.timestamp
        # Floats keep epoch stamps to a quarter of a microsecond only: compare with a little room.
        while message.timestamp - first > tick * PERIOD_S + 1e-6:
            tick_with(line_of(values, fresh))
            fresh.clear()
            tick += 1
        if tick * PERIOD_S >= options.seconds:
            break
        frames += 1
        decoded = database.decode_message(message.arbitration_id, bytes(message.data), decode_choices=False)
        assert isinstance(decoded, dict)
        for name, value in decoded.items():
            assert isinstance(value, int | float)
            values[name] = float(value)
            fresh.add(name)
    else:
        tick_with(line_of(values, fresh))
        tick += 1
    to_laws.close()
    if options.ahead:
        taker.join()
    child.wait()
    file.close()
    print(
        f"{frames} frames, {tick} ticks, {tick * PERIOD_S:.3f} s of log in {time.perf_counter() - start:.3f} s"
    )
    return 0


def line_of(values: dict[str, float], fresh: set[str]) -> str:
    """Return the latest values of a tick as text: accelerations in g, bar, deg, km/h, strokes in mm, switches."""
    steer = values.get("SteerAngle", 0.0) * (-1.0 if values.get("SteerSign", 0.0) else 1.0)
    strokes = [values.get(name, zero) - zero for name, zero in ZEROS.items()]
    row = [
        values.get("LatAccel", 0.0) / G, values.get("LongAccel", 0.0) / G, values.get("BrakeFront", 0.0), steer,
        values.get("RoadSpeed", 250.0), *strokes, values.get("DriverMode", 1.0), values.get("GripSwitch", 0.0),
        "SteerAngle" in fresh, "BrakeFront" in fresh, "StrokeFL" in fresh,
    ]  # fmt: skip
    return " ".join(f"{float(value):.4f}" for value in row) + "\n"


if __name__ == "__main__":
    sys.exit(main())
