"""Sums over a replay against numpy over the whole of it, and a feeder that ends with the replay."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import cast

import numpy as np
import pytest

from dashpot.layout import Layout
from dashpot.logs.frames import FrameBlock
from dashpot.logs.reader import LogReader
from dashpot.replay.engine import ReplayOptions, replay
from dashpot.replay.statistics import LONGEST_BIN_US, Statistics
from dashpot.runs import RunWriter
from dashpot.targets import Hello, RunBlock, RunReply, Target
from replay_kit import layout, make_frames


def blocks_of(here: Layout, sizes: list[int], seed: int) -> Iterator[tuple[RunBlock, RunReply]]:
    rng = np.random.default_rng(seed)
    first = 0
    for size in sizes:
        trace = rng.integers(0, 2000, (size, here.trace_words)).astype("<i4")
        trace[:, here.state["mode"].at] = rng.integers(0, len(here.modes), size)
        # Rare bits, so that first and last differ and some blocks have none.
        channels = len(here.channels)
        for name, bits in (
            ("faults", len(here.faults)),
            ("channels_lost", channels),
            ("channels_latched", channels),
            ("channels_implausible", channels),
            ("corners_off", len(here.corners)),
        ):
            rare = rng.random((size, bits)) < 0.01
            trace[:, here.state[name].at] = (rare << np.arange(bits)).sum(axis=1)
        tick_us = rng.integers(0, 30, size).astype("<i4")
        log_us = np.arange(first, first + size, dtype=np.int64) * 2000 + 5_000_000
        block = RunBlock(first, np.zeros((size, 3), "<i4"), np.zeros((0, 5), "<i4"), log_us)
        yield block, RunReply(trace, tick_us, int(size), 2 * int(size))
        first += size


@pytest.mark.parametrize("seed", range(5))
def test_sums_are_those_over_all_ticks(seed: int) -> None:
    here = layout()
    parts = list(blocks_of(here, [1, 512, 3, 100, 512], seed))
    statistics = Statistics(here)
    for block, reply in parts:
        statistics.add(block, reply)
    trace = np.concatenate([reply.trace for _, reply in parts])
    tick_us = np.concatenate([reply.tick_us for _, reply in parts])
    log_us = np.concatenate([block.log_us for block, _ in parts])
    at = here.state["current_ma"].at
    current = trace[:, at : at + 4]
    assert statistics.ticks == len(trace)
    assert statistics.current_min_ma.tolist() == current.min(axis=0).tolist()
    assert statistics.current_max_ma.tolist() == current.max(axis=0).tolist()
    assert statistics.current_sum_ma.tolist() == current.sum(axis=0).tolist()
    modes = trace[:, here.state["mode"].at]
    assert statistics.mode_ticks.tolist() == [int((modes == i).sum()) for i in range(len(here.modes))]
    assert statistics.last.tolist() == trace[-1].tolist()
    assert (statistics.alloc_kept_bytes, statistics.alloc_gross_bytes) == (len(trace), 2 * len(trace))
    assert len(statistics.seen) == 5
    for name, seen in statistics.seen.items():
        mask = trace[:, here.state[name].at]
        for bit in range(31):
            rows = np.flatnonzero(mask >> bit & 1)
            if not len(rows):
                assert bit not in seen
                continue
            found = seen[bit]
            assert (found.ticks, found.first_tick, found.last_tick) == (len(rows), rows[0], rows[-1])
            assert (found.first_log_us, found.last_log_us) == (log_us[rows[0]], log_us[rows[-1]])
    said = statistics.tick_ns()
    assert said["median"] == 1000 * np.percentile(tick_us, 50, method="inverted_cdf")
    assert said["p99"] == 1000 * np.percentile(tick_us, 99, method="inverted_cdf")
    assert said["max"] == 1000 * tick_us.max()


def test_percentiles_at_the_edges_of_few_ticks() -> None:
    here = layout()
    statistics = Statistics(here)
    assert statistics.tick_ns() == {"median": 0, "p99": 0, "max": 0, "mean": 0}
    block, reply = next(blocks_of(here, [4], 1))
    # Half of four ticks is two: the median of the inverted distribution is the second.
    statistics.add(block, RunReply(reply.trace, np.array([1, 2, 3, 3_000_000], "<i4"), 0, 0))
    said = statistics.tick_ns()
    assert (said["median"], said["max"]) == (2000, 3_000_000_000)
    assert said["p99"] == 1000 * LONGEST_BIN_US


class Stuck:
    """A target that takes one block and then blocks the sender until it is closed."""

    name = interpreter = "stuck"
    hello = Hello(layout().version, layout().trace_words, 64, 8, layout().state_words, layout().config_words)

    def __init__(self) -> None:
        self.closed = threading.Event()
        self.sent = 0

    def submit(self, _block: RunBlock) -> None:
        self.sent += 1
        if self.sent > 1:
            self.closed.wait(60)

    def collect(self) -> RunReply:
        raise KeyboardInterrupt

    def close(self) -> None:
        self.closed.set()


class Frames:
    """As much of a log reader as a replay uses."""

    path = Path("drive.log")
    bytes_read = 0

    def __init__(self) -> None:
        self.channels = ["can0"]

    def __iter__(self) -> Iterator[FrameBlock]:
        yield make_frames(10.0)


def test_a_stop_wakes_the_sender_and_ends_it(tmp_path: Path) -> None:
    target = Stuck()
    with pytest.raises(KeyboardInterrupt), RunWriter(tmp_path, layout()) as writer:
        replay(cast("LogReader", Frames()), cast("Target", target), layout(), ReplayOptions(2000), writer)
    assert target.closed.is_set()
    # At most one more was under way, and none was sent after it.
    assert target.sent <= 2
    assert "feeder" not in [thread.name for thread in threading.enumerate()]
