#!/usr/bin/env python3
"""How long it takes to compare two firmwares over ten minutes of log, against the plain way to do it.

python3 tools/bench_compare.py [--log LOG] [--seconds S] [--runs N] [--jobs N]

Makes once a candump log of the demo drive and a copy of the firmware with one line changed. Measures, each as a process
of its own from its start to its end:

- `dashpot compare --log` with an empty cache, and again with both runs in the cache
- the baseline, named "replay twice": `dashpot replay` with one firmware, then with the other, then a process that loads
  both tables with pyarrow and asks np.array_equal of every column

Ratios are what counts; they come from one and the same run of this script.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median

from dashpot.demo import write_demo_log
from dashpot.resources import demo_dir, firmware_dir

LENGTH_S = 600.0
WANTED_S, WANTED_CACHED_S = 10.0, 2.0
LINE = ("own[_L_BRAKE_LEAD + 1] = y", "own[_L_BRAKE_LEAD + 1] = y + 1")
EQUAL = """
import sys
import numpy as np, pyarrow as pa, pyarrow.ipc
tables = [pa.ipc.open_file(pa.memory_map(path + "/ticks.arrow")).read_all() for path in sys.argv[1:]]
for name in tables[0].column_names:
    if not np.array_equal(*(table[name].to_numpy() for table in tables)):
        print(name)
"""


def main() -> int:
    """Measure and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--log", type=Path, help="the log; made there if it does not exist")
    parser.add_argument("--seconds", type=float, default=LENGTH_S, help="length of the log that is made")
    parser.add_argument("--runs", type=int, default=3, help="how often; the median counts")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="replays at once")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="dashpot-bench-") as name:
        folder = Path(name)
        log = options.log or folder / "bench.log"
        if not log.exists():
            print(f"making {log.name}: {options.seconds:g} s", flush=True)
            write_demo_log(log, duration_s=options.seconds)
        new = changed_firmware(folder)
        walls: dict[str, list[float]] = {"replay twice": [], "compare": [], "compare, cached": []}
        # In turns, so that a machine that slows down does so for all.
        for i in range(options.runs):
            walls["replay twice"].append(baseline(folder / f"baseline{i}", log, new))
            cache = folder / f"cache{i}"
            walls["compare"].append(compare(cache, log, new, options.jobs))
            walls["compare, cached"].append(compare(cache, log, new, options.jobs))
            shutil.rmtree(cache)
        report(walls, options.jobs)
    return 0


def changed_firmware(folder: Path) -> Path:
    """Copy the firmware with one line changed."""
    copy = folder / "firmware"
    shutil.copytree(firmware_dir(), copy, ignore=shutil.ignore_patterns("__pycache__"))
    path = copy / "dashpot" / "demand.py"
    text = path.read_text(encoding="utf-8")
    if text.count(LINE[0]) != 1:
        raise SystemExit(f"{LINE[0]!r} is not once in {path.name}")
    path.write_text(text.replace(*LINE), encoding="utf-8")
    return copy


def baseline(folder: Path, log: Path, new: Path) -> float:
    """Replay both, one after the other, and compare the tables; return seconds."""
    folder.mkdir()
    start = time.perf_counter()
    for name, firmware in (("old", firmware_dir()), ("new", new)):
        run(
            folder / "cache", "replay", str(log), *car(), "--firmware", str(firmware), "--out", str(folder / name)
        )  # fmt: skip
    subprocess.run(
        [sys.executable, "-c", EQUAL, str(folder / "old"), str(folder / "new")],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    wall_s = time.perf_counter() - start
    shutil.rmtree(folder)
    return wall_s


def compare(cache: Path, log: Path, new: Path, jobs: int) -> float:
    """Compare with a cache; return seconds."""
    start = time.perf_counter()
    run(cache, "compare", "--log", str(log), *car(), "--firmware-new", str(new), "--jobs", str(jobs), code=1)
    return time.perf_counter() - start


def car() -> list[str]:
    """Return the options for the demo's car."""
    data = demo_dir() / "data"
    return ["--vehicle", str(data / "vehicle.toml"), "--calibration", str(data / "calibration.toml")]


def run(cache: Path, *arguments: str, code: int = 0) -> None:
    """Run dashpot.

    Raises:
        SystemExit: it ends with another code; its stderr is shown.

    """
    environment = {**os.environ, "DASHPOT_CACHE": str(cache), "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-m", "dashpot", *arguments],
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode != code:
        raise SystemExit(f"dashpot {arguments[0]} ended with {done.returncode}:\n{done.stderr}")


def report(walls: dict[str, list[float]], jobs: int) -> None:
    """Print medians, their spread and ratios."""
    base = median(walls["replay twice"])
    print(f"{jobs} replays at once, {os.cpu_count()} processors, load {os.getloadavg()[0]:.1f}")
    for name, values in walls.items():
        middle = median(values)
        print(f"{name:16} {middle:7.2f} s  {min(values):.2f} to {max(values):.2f}  {base / middle:6.1f} x")
    for name, wanted in (("compare", WANTED_S), ("compare, cached", WANTED_CACHED_S)):
        print(f"{name}: {median(walls[name]):.2f} s, wanted below {wanted:g} s")


if __name__ == "__main__":
    sys.exit(main())
