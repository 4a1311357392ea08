#!/usr/bin/env python3
"""Run the firmware on random images, frames, ticks and faults, and see that every tick keeps its promises.

    python3 tools/dev.py setup && .venv/bin/python tools/fuzz.py [--items N] [--seed N] [--jobs N] [--json]

A block is one random image and some 2000 ticks with their frames. After each block every invariant of
tools/fuzzing/invariants.py is looked at in every tick, no tick may take memory, and the first ticks of some blocks run
in checked CPython too and must give the same trace. The seed and the number of a block make it again. Exit 1 when
anything did not hold, with the line that repeats it. docs/proof.md has the figures.
"""

from __future__ import annotations

import argparse
import json
import secrets
import shlex
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

TOOLS = Path(__file__).resolve().parent
sys.path[:0] = [str(TOOLS), str(TOOLS.parent / "bench"), str(TOOLS.parent / "tests")]

from dashpot.console import progress  # noqa: E402  (the checkout's own packages)
from dashpot.errors import DashpotError, FirmwareError  # noqa: E402
from dashpot.layout import Layout  # noqa: E402
from dashpot.resources import firmware_dir  # noqa: E402
from dashpot.targets import TargetOptions, make_target  # noqa: E402
from fuzzing.drives import TICKS, random_drive  # noqa: E402
from fuzzing.images import random_image  # noqa: E402
from fuzzing.invariants import Broken, Watch, transitions  # noqa: E402

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.targets import RunBlock, Target
    from fuzzing.drives import Drive
    from fuzzing.images import RandomImage

#: Ticks and frames together.
ITEMS = {"host": 5_000_000, "cpython": 250_000}
#: One block in so many, and so many of its ticks, run in checked CPython too.
SAMPLE_EVERY, SAMPLE_TICKS = 10, 256
CPYTHON_TICKS = 256
#: Blocks that wait for a worker.
AHEAD = 2


@dataclass(frozen=True)
class Settings:
    """What every block of a run has in common."""

    seed: int
    target: str
    firmware: Path
    layout: Layout
    table: list[tuple[int, int, int, int]]
    sampled: bool

    @property
    def ticks(self) -> int:
        """Ticks of a block."""
        return TICKS if self.target == "host" else CPYTHON_TICKS


@dataclass
class Outcome:
    """What a block came to."""

    block: int
    ticks: int = 0
    frames: int = 0
    sampled: int = 0
    broken: list[str] = field(default_factory=list)
    detail: str = ""
    modes: Counter[str] = field(default_factory=Counter)
    changes: Counter[str] = field(default_factory=Counter)
    faults: Counter[str] = field(default_factory=Counter)


class Worker:
    """A firmware of each kind that is asked for, with a folder for what it keeps."""

    def __init__(self, settings: Settings) -> None:
        self.settings = settings
        self.folder = Path(tempfile.mkdtemp(prefix="dashpot-fuzz-"))
        self.targets: dict[str, Target] = {}

    def target(self, name: str) -> Target:
        """Return a started target; a new one after one that failed."""
        if name not in self.targets:
            store = self.folder / name
            store.mkdir(exist_ok=True)
            options = TargetOptions(self.settings.firmware, store=store)
            self.targets[name] = make_target(name, options, self.settings.layout)
            self.targets[name].start()
        return self.targets[name]

    def drop(self, name: str) -> None:
        """End a target."""
        target = self.targets.pop(name, None)
        if target is not None:
            target.close()

    def close(self) -> None:
        """End all and forget what they kept; may be called from another thread."""
        for name in list(self.targets):
            self.drop(name)
        shutil.rmtree(self.folder, ignore_errors=True)

    def run(self, block: int) -> Outcome:
        """Make a block, run it, and look at it."""
        settings = self.settings
        random = np.random.default_rng([settings.seed, block])
        image = random_image(random, settings.layout)
        drive = random_drive(random, image, settings.layout, settings.ticks)
        outcome = Outcome(block, drive.ticks, drive.frames)
        try:
            trace = self.look(image, drive, outcome)
            if (
                settings.sampled
                and settings.target == "host"
                and block % SAMPLE_EVERY == 0
                and not outcome.broken
            ):
                self.compare(image, drive, trace, outcome)
        except DashpotError as error:
            outcome.broken.append(str(error))
            outcome.detail = error.detail or ""
            for name in list(self.targets):
                self.drop(name)
        return outcome

    def look(self, image: RandomImage, drive: Drive, outcome: Outcome) -> NDArray[np.int32]:
        """Run a drive and check it; return the trace of its first part."""
        settings = self.settings
        target = self.target(settings.target)
        target.load(image.data)
        watch = Watch(settings.layout, image.words, settings.table)
        first = np.empty((0, settings.layout.trace_words), np.int32)
        for number, part in enumerate(drive.parts):
            if number in drive.starts:
                boot = target.restart(drive.starts[number], fresh=number == 0)
                watch.new(1 << settings.layout.board_flags.index("held") if boot.held else 0)
            reply = target.run(part)
            if reply.alloc_kept_bytes or reply.alloc_gross_bytes:
                kept, gross = reply.alloc_kept_bytes, reply.alloc_gross_bytes
                found = [Broken(part.first_tick, f"the ticks kept {kept} and used {gross} bytes of memory")]
            else:
                found = []
            found += watch.look(part, reply.trace)
            self.tally(reply.trace, outcome)
            if number == 0:
                first = reply.trace.copy()
            if found:
                outcome.broken += [f"tick {broken.tick}: {broken.what}" for broken in found]
                break
        return first

    def compare(self, image: RandomImage, drive: Drive, trace: NDArray[np.int32], outcome: Outcome) -> None:
        """Run the first ticks in checked CPython too."""
        part = drive.parts[0]
        ticks = min(SAMPLE_TICKS, len(part.ticks))
        target = self.target("cpython")
        target.load(image.data)
        if 0 in drive.starts:
            target.restart(drive.starts[0], fresh=True)
        theirs = target.run(_head(part, ticks)).trace
        outcome.sampled = ticks
        differ = theirs != trace[:ticks]
        if differ.any():
            tick, word = (int(i) for i in np.argwhere(differ)[0])
            names = [name for traced in self.settings.layout.trace for name in traced.columns]
            outcome.broken.append(
                f"tick {tick}: {names[word]} is {theirs[tick, word]} in CPython and {trace[tick, word]} in MicroPython"
            )

    def tally(self, trace: NDArray[np.int32], outcome: Outcome) -> None:
        """Count what was seen, so that a run that saw nothing does not pass for one that found nothing."""
        layout = self.settings.layout
        modes = trace[:, layout.state["mode"].at]
        for mode, count in zip(*np.unique(modes, return_counts=True), strict=True):
            outcome.modes[layout.modes[mode] if mode < len(layout.modes) else str(mode)] += int(count)
        for before, after in {(int(a), int(b)) for a, b in pairwise(modes) if a != b}:
            if max(before, after) < len(layout.modes):
                outcome.changes[f"{layout.modes[before]} to {layout.modes[after]}"] += 1
        faults = trace[:, layout.state["faults"].at]
        for i, name in enumerate(layout.faults):
            outcome.faults[name] += int((faults >> i & 1).sum())


def _head(part: RunBlock, ticks: int) -> RunBlock:
    frames = int(part.ticks[:ticks, 1].sum())
    return type(part)(part.first_tick, part.ticks[:ticks], part.frames[:frames], part.log_us[:ticks])


class Fuzz:
    """A run over many blocks by a few workers, each in a thread of its own: the firmwares do the work."""

    def __init__(self, settings: Settings, jobs: int) -> None:
        self.settings = settings
        self.jobs = jobs
        self.workers: list[Worker] = []
        self.own = threading.local()
        self.guard = threading.Lock()
        self.total = Outcome(-1)
        self.blocks = 0
        self.failed: list[Outcome] = []

    def run(self, items: int, block: int | None) -> None:
        """Run blocks until there were so many ticks and frames, or the one block; stop after the first that failed."""
        number = 0 if block is None else block
        pool = ThreadPoolExecutor(self.jobs)
        waiting: set[Future[Outcome]] = set()
        try:
            with progress(items, "fuzz", "ticks and frames") as bar:
                while True:
                    enough = (
                        self.items >= items or bool(self.failed) or (block is not None and number > block)
                    )
                    while (
                        not enough and len(waiting) < self.jobs * AHEAD and (block is None or number <= block)
                    ):
                        waiting.add(pool.submit(self.one, number))
                        number += 1
                    if not waiting:
                        break
                    done, waiting = wait(waiting, return_when=FIRST_COMPLETED)
                    for future in done:
                        bar.advance(self.take(future.result()))
                    if self.failed or (block is None and self.items >= items):
                        for future in waiting:
                            future.cancel()
                        break
        finally:
            pool.shutdown(wait=False, cancel_futures=True)
            # A thread that waits for its firmware wakes up when that ends.
            for worker in self.workers:
                worker.close()
            pool.shutdown(wait=True)
            for worker in self.workers:
                worker.close()

    @property
    def items(self) -> int:
        """Ticks and frames so far."""
        return self.total.ticks + self.total.frames

    def one(self, block: int) -> Outcome:
        """Run a block with this thread's own worker."""
        worker: Worker | None = getattr(self.own, "worker", None)
        if worker is None:
            worker = self.own.worker = Worker(self.settings)
            with self.guard:
                self.workers.append(worker)
        return worker.run(block)

    def take(self, outcome: Outcome) -> int:
        """Add a block to the sums and return its ticks and frames."""
        self.blocks += 1
        total = self.total
        total.ticks += outcome.ticks
        total.frames += outcome.frames
        total.sampled += outcome.sampled
        total.modes += outcome.modes
        total.changes += outcome.changes
        total.faults += outcome.faults
        if outcome.broken:
            self.failed.append(outcome)
        return outcome.ticks + outcome.frames


def main() -> int:
    """Run what the command line asks for and return the exit code."""
    options = _options()
    layout = Layout.load(options.firmware)
    seed = secrets.randbelow(1 << 31) if options.seed is None else options.seed
    table = transitions(options.firmware, layout)
    settings = Settings(seed, options.target, options.firmware, layout, table, sampled=not options.no_sample)
    fuzz = Fuzz(settings, 1 if options.block is not None else options.jobs)
    if not options.json:
        print(f"seed {seed}, target {options.target}", flush=True)
    begin = time.monotonic()
    fuzz.run(options.items or ITEMS[options.target], options.block)
    seconds = time.monotonic() - begin
    if options.json:
        print(json.dumps(_record(fuzz, options, seconds), indent=2))
    else:
        _print(fuzz, options, seconds)
    return 1 if fuzz.failed else 0


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").partition("\n")[0], formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--items",
        type=int,
        help=f"ticks and frames in all; {ITEMS['host']:,}, or {ITEMS['cpython']:,} with cpython",
    )
    parser.add_argument(
        "--seed", type=int, help="makes the same blocks again; random, and printed, by default"
    )
    parser.add_argument("--block", type=int, help="only this block")
    parser.add_argument(
        "--target", choices=sorted(ITEMS), default="host", help="the interpreter; cpython checks every access"
    )
    parser.add_argument(
        "--firmware", type=Path, default=firmware_dir(), help="folder of the firmware; ours by default"
    )
    parser.add_argument("--jobs", type=int, default=2, help="firmwares at once; 2 by default")
    parser.add_argument("--no-sample", action="store_true", help="no block in checked CPython as well")
    parser.add_argument("--json", action="store_true", help="print JSON")
    return parser.parse_args()


def _again(outcome: Outcome, fuzz: Fuzz, options: argparse.Namespace) -> str:
    """The line that repeats a block."""
    words = ["python3", "tools/fuzz.py", "--seed", str(fuzz.settings.seed), "--block", str(outcome.block)]
    if options.target != "host":
        words += ["--target", options.target]
    if options.firmware != firmware_dir():
        words += ["--firmware", str(options.firmware)]
    return shlex.join(words)


def _record(fuzz: Fuzz, options: argparse.Namespace, seconds: float) -> dict[str, object]:
    total = fuzz.total
    return {
        "seed": fuzz.settings.seed,
        "target": options.target,
        "blocks": fuzz.blocks,
        "ticks": total.ticks,
        "frames": total.frames,
        "ticks_also_in_cpython": total.sampled,
        "seconds": round(seconds, 1),
        "modes": {name: total.modes[name] for name in fuzz.settings.layout.modes},
        "changes_of_mode": dict(sorted(total.changes.items())),
        "faults": {name: total.faults[name] for name in fuzz.settings.layout.faults},
        "failures": [
            {
                "block": outcome.block,
                "broken": outcome.broken,
                "detail": outcome.detail,
                "again": _again(outcome, fuzz, options),
            }
            for outcome in fuzz.failed
        ],
    }


def _print(fuzz: Fuzz, options: argparse.Namespace, seconds: float) -> None:
    total, layout = fuzz.total, fuzz.settings.layout
    print(
        f"{total.ticks:,} ticks and {total.frames:,} frames in {fuzz.blocks:,} blocks, {seconds:.0f} s, "
        f"{total.ticks / seconds:,.0f} ticks/s; {total.sampled:,} ticks in checked CPython as well"
    )
    print("modes: " + ", ".join(f"{name} {total.modes[name]:,}" for name in layout.modes))
    known = [f"{layout.modes[a]} to {layout.modes[b]}" for a, b, _, _ in fuzz.settings.table]
    known = list(dict.fromkeys(known))
    seen = [name for name in known if total.changes[name]]
    print(f"changes of mode: {len(seen)} of the {len(known)} that the table has")
    never = [name for name in layout.faults if not total.faults[name]]
    print(
        f"faults: {len(layout.faults) - len(never)} of {len(layout.faults)} came; never {', '.join(never) or 'none'}"
    )
    for outcome in fuzz.failed:
        print(f"\nFAILED: seed {fuzz.settings.seed}, block {outcome.block}")
        for line in outcome.broken[:10]:
            print(f"  {line}")
        if outcome.detail:
            print("  " + outcome.detail.replace("\n", "\n  "))
        print(f"again: {_again(outcome, fuzz, options)}")
    if not fuzz.failed:
        print("every tick kept its promises")


if __name__ == "__main__":
    try:
        sys.exit(main())
    except FirmwareError as error:
        sys.exit(f"fuzz.py: {error}\n{error.detail or ''}")
    except DashpotError as error:
        print(f"fuzz.py: {error}", file=sys.stderr)
        sys.exit(error.exit_code)
    except KeyboardInterrupt:
        sys.exit(130)
