#!/usr/bin/env python3
"""How far `dashpot evaluate` uses further processors: the same measurements with one process and with several.

python3 tools/bench_evaluate.py [--jobs N] [--runs N] [--seconds S] [--seeds N]

Drives two held currents and the demo's calibration, with the real firmware, over some scenarios: once with one process,
once with several, in turn, and prints the median of both and their ratio. Processes are started and warm before the
clock starts, as they are for most of an evaluation. Both must give the same figures.

Wall time counts, so other work on the machine spoils it: the load average is printed beside it.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from statistics import median

from dashpot.evaluate.measure import Case, Workers, calibrated, measure_many, passive
from dashpot.plant.scenario import demo_scenario_path
from dashpot.resources import dbc_dir, demo_dir

SCENARIOS = ("hollow_fen", "brake_rough", "lane_change", "straight_b")
DATA = demo_dir() / "data"


def main() -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--jobs", type=int, default=2, help="processes of the second kind")
    parser.add_argument("--runs", type=int, default=3, help="of each kind, to take the median of")
    parser.add_argument("--seconds", type=float, default=10.0, help="longest drive")
    parser.add_argument("--seeds", type=int, default=2, help="drives of each scenario")
    options = parser.parse_args()
    candidates = [
        passive("soft", 0.3, 0.3),
        passive("firm", 1.2, 1.2),
        calibrated(
            "demo", DATA / "vehicle.toml", DATA / "calibration.toml", dbc=[dbc_dir() / "merlin_t4.dbc"]
        ),
    ]
    cases = [
        Case(demo_scenario_path(name), seed, options.seconds)
        for name in SCENARIOS
        for seed in range(1, options.seeds + 1)
    ]
    walls: dict[int, list[float]] = {1: [], options.jobs: []}
    tables = []
    with Workers(1) as one, Workers(options.jobs) as several:
        for workers in (one, several):
            # Compiled loops are loaded and every process is there.
            measure_many(
                candidates[:2],
                [Case(cases[0].scenario, seed, 4.0) for seed in range(options.jobs)],
                workers=workers,
            )
        for _ in range(options.runs):
            for workers in (one, several):
                start = time.perf_counter()
                tables.append(measure_many(candidates, cases, workers=workers))
                walls[workers.jobs].append(time.perf_counter() - start)
    if any(table != tables[0] for table in tables):
        print("the figures differ between runs", file=sys.stderr)
        return 1
    for jobs, wall in walls.items():
        print(
            f"{jobs} {'process' if jobs == 1 else 'processes'}: {median(wall):6.2f} s, {len(candidates) * len(cases)} drives"
        )
    load = os.getloadavg()[0]
    print(
        f"ratio {median(walls[1]) / median(walls[options.jobs]):.2f} on {os.cpu_count()} processors, load {load:.1f}; "
        "the same figures"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
