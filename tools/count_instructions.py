#!/usr/bin/env python3
"""Count the instructions of one control tick on a Cortex-M4, stage by stage, without a board.

    python3 tools/dev.py setup && .venv/bin/python tools/count_instructions.py [--json]

Every viper function is cross-compiled, and its machine code run in the emulator `unicorn` on the loads of
tools/cortex/loads.py. docs/tick-cost.md says what is counted, what is assumed, and what came out.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
from collections import Counter
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

TOOLS = Path(__file__).resolve().parent
sys.path[:0] = [str(TOOLS), str(TOOLS.parent / "bench"), str(TOOLS.parent / "tests")]

from cortex.firmware import Board  # noqa: E402  (the checkout's own packages)
from cortex.loads import Load, loads  # noqa: E402
from images import FIRMWARE  # type: ignore[import-not-found] # noqa: E402  (tests have no types)

GOAL = 30_000
# What the emulated stages leave out of a tick: the bytecode of Controller.tick, and how it gets into a viper function.
# Measured once on a whole interpreter, see docs/tick-cost.md; the second when the tick also writes its own frames.
BYTECODE = 6010
BYTECODE_REPORT = 770
REPORT = "report.report"
CLOCKS_MHZ = {"Cortex-M4": 168, "Cortex-M7": 600}
# Cycles an instruction, assumed: see docs/tick-cost.md.
CYCLES = {"Cortex-M4": 1.4, "Cortex-M7": 1.0}


@dataclass(frozen=True)
class Summary:
    """What one load costs, in instructions.

    Attributes:
        name, what: the load's.
        stages: for each stage its least, median and most over the measured ticks in which it ran.
        whole: the same of whole ticks, with the bytecode around the stages.
        runtime_calls: calls of runtime functions in the last tick, by name.

    """

    name: str
    what: str
    stages: dict[str, tuple[int, int, int]]
    whole: tuple[int, int, int]
    runtime_calls: dict[str, int]

    @property
    def bound(self) -> int:
        """Each stage at its dearest, which no single tick need be."""
        return sum(most for _, _, most in self.stages.values()) + around(self.stages)


def around(stages: Collection[str]) -> int:
    """Instructions of a tick outside its stages."""
    return BYTECODE + (BYTECODE_REPORT if REPORT in stages else 0)


def measure(load: Load, firmware: Path = FIRMWARE) -> Summary:
    """Run a load on the emulated board."""
    board = Board(firmware, load.image)
    ticks: list[Counter[str]] = []
    for row, frames in load.ticks():
        board.tick(row, frames)
        ticks.append(board.costs)
    measured = ticks[load.first :]
    stages = {name: _spread([costs[name] for costs in measured]) for name in measured[-1]}
    whole = _spread([sum(costs.values()) + around(costs) for costs in measured])
    return Summary(load.name, load.what, stages, whole, dict(board.calls))


def _spread(values: list[int]) -> tuple[int, int, int]:
    return min(values), int(statistics.median(values)), max(values)


def microseconds(instructions: int) -> dict[str, float]:
    """Time on each core, with the assumed cycles an instruction."""
    return {core: instructions * CYCLES[core] / clock for core, clock in CLOCKS_MHZ.items()}


def main() -> int:
    """Print the table, or the same as JSON."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--json", action="store_true", help="print JSON instead of the table")
    options = parser.parse_args()
    summaries = [measure(load) for load in loads()]
    if options.json:
        print(json.dumps({summary.name: _record(summary) for summary in summaries}, indent=2))
    else:
        _print_table(summaries)
    return 0


def _record(summary: Summary) -> dict[str, object]:
    return {
        "load": summary.what,
        "stages": {
            name: dict(zip(("min", "median", "max"), spread, strict=True))
            for name, spread in summary.stages.items()
        },
        "bytecode": around(summary.stages),
        "tick": dict(zip(("min", "median", "max"), summary.whole, strict=True)),
        "bound": summary.bound,
        "bound_us": microseconds(summary.bound),
        "goal": GOAL,
        "runtime_calls": summary.runtime_calls,
    }


def _print_table(summaries: list[Summary]) -> None:
    """Medians, and for the last load also the most of each stage."""
    empty, typical, worst = summaries
    print("Instructions of one tick on a Cortex-M4\n")
    for summary in summaries:
        print(f"  {summary.name:8} {summary.what}")
    print(f"\n{'stage':22}{'empty':>9}{'typical':>9}{'worst':>9}{'most':>9}")
    columns = [{name: middle for name, (_, middle, _) in summary.stages.items()} for summary in summaries]
    columns.append({name: most for name, (_, _, most) in worst.stages.items()})
    for name in worst.stages:
        print(f"{name:22}" + "".join(f"{column.get(name, '-'):>9}" for column in columns))
    print(f"{'bytecode, calls':22}" + "".join(f"{around(column):>9}" for column in columns))
    totals = [empty.whole[1], typical.whole[1], worst.whole[1], worst.bound]
    print(f"{'tick':22}" + "".join(f"{total:>9}" for total in totals))
    for core, clock in CLOCKS_MHZ.items():
        times = "".join(f"{microseconds(total)[core]:>9.0f}" for total in totals)
        print(
            f"{f'us, {core}':22}{times}   at {clock} MHz and {CYCLES[core]} cycles an instruction (assumed)"
        )
    print(
        "\nempty, typical, worst: the median of each stage and of whole ticks; most: the dearest of each stage."
    )
    print(f"Goal: {GOAL} in all; the dearest tick is at {worst.bound / GOAL:.2f} of it.")


if __name__ == "__main__":
    sys.exit(main())
