"""From frames with a log's stamps to ticks: which frames of a log the controller sees, and when.

The first accepted frame is the start. Ticks follow it at whole periods, and a tick gets every frame stamped up to
its time. Time never goes back for the controller: a frame that the log has out of order is delivered with the newest
time so far, a clock that was set back goes on from there, and a long silence is shortened.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dashpot.errors import InputError
from dashpot.logs.frames import Flag, FrameBlock
from dashpot.targets.contract import CLOCK_MASK, EXTENDED_KEY, RunBlock, tick_rows

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from dashpot.layout import Layout

#: Recorders put frames out of order by milliseconds; a step back of more is a clock that was set, or a second recording.
STEP_BACK_US = 1_000_000
#: Every jump costs up to the longest silence in ticks: a clock that jumps all the time would never end.
MOST_JUMPS = 1000
#: The span between the first and the last stamp that whole numbers of 64 bits hold with room to spare.
MOST_STAMP_US = 1 << 61

Longs = NDArray[np.int64]


@dataclass(slots=True)
class FrameCounts:
    """What the log held, by what became of it.

    Attributes:
        delivered: frames that the controller got.
        lost: frames past the ring's capacity in one tick.
        remote, error, fd: frames of the chosen channel that carry no classic payload.
        other_channel: frames of other channels, whatever their kind.
        backwards: frames stamped before a frame ahead of them.
        steps_back: backward steps taken for a clock that was set back.
        jumps: forward steps that were shortened.
        jumped_us: what they were shortened by, in all.
        channels: frames of each channel.
        keys: frames of each id of the chosen channel, classic data frames only; a 29-bit id has EXTENDED_KEY set.

    """

    delivered: int = 0
    lost: int = 0
    remote: int = 0
    error: int = 0
    fd: int = 0
    other_channel: int = 0
    backwards: int = 0
    steps_back: int = 0
    jumps: int = 0
    jumped_us: int = 0
    channels: Counter[str] = field(default_factory=Counter)
    keys: Counter[int] = field(default_factory=Counter)


class Timeline:
    """Turns frame blocks into run blocks, in constant memory.

    Args:
        layout: places of the words of a tick's and a frame's row.
        period_us: tick period.
        max_gap_us: longest silence that is replayed at full length.
        start_us: the controller's clock at the first tick.
        run_ticks: most ticks in a run block.
        ring_frames: most frames in a run block, and so in a tick.
        where: the log, for messages.

    Attributes:
        counts: what became of the frames.
        first_us, last_us: the log's stamps of the first and the newest accepted frame; None before the first.
        ticks: how many ticks were yielded.

    """

    def __init__(
        self,
        layout: Layout,
        *,
        period_us: int,
        max_gap_us: int,
        start_us: int,
        run_ticks: int,
        ring_frames: int,
        where: Path | None = None,
    ) -> None:
        self._where = where
        self.counts = FrameCounts()
        self.first_us: int | None = None
        self.last_us = 0
        self.ticks = 0
        self._period_us = period_us
        self._max_gap_us = max_gap_us
        self._start_us = start_us
        self._run_ticks = run_ticks
        self._ring_frames = ring_frames
        self._tick_at = {name: i for i, name in enumerate(layout.rows["tick_in"])}
        self._frame_at = {name: i for i, name in enumerate(layout.rows["frame"])}
        # Time since the first frame without any lifting, then with it: they differ after frames out of order.
        self._plain_us = 0
        self._newest_us = 0
        # The log's clock less ours: at the newest frame, at the newest tick, and (our time, difference) of each
        # change between the two.
        self._shift_us = 0
        self._tick_shift_us = 0
        self._shifts: deque[tuple[int, int]] = deque()
        self._held_rows = np.empty((0, len(self._frame_at)), "<i4")
        self._held_tick = np.empty(0, np.int64)

    def feed(self, block: FrameBlock, channels: list[str], channel: str | None) -> Iterator[RunBlock]:
        """Take a block of the log and yield the run blocks that are complete with it.

        Args:
            block: frames in file order.
            channels: the reader's channel names so far.
            channel: the chosen channel, None for all.

        Raises:
            InputError: the stamps jump too often for any replay.

        """
        rows = self._accept(block, channels, channel)
        if not len(rows.stamp_us):
            return
        at_us = self._place(rows.stamp_us)
        tick = -(-at_us // self._period_us)
        words = np.concatenate([self._held_rows, self._frame_rows(rows, at_us)])
        tick = np.concatenate([self._held_tick, tick])
        # More frames may still come for the last tick.
        last = int(tick[-1])
        ready = int(np.searchsorted(tick, last))
        self._held_rows, self._held_tick = words[ready:].copy(), tick[ready:].copy()
        yield from self._emit(words[:ready], tick[:ready], last)

    def finish(self) -> Iterator[RunBlock]:
        """Yield what is left at the end of the log: the tick of the last frames."""
        if self.first_us is None:
            return
        rows, tick = self._held_rows, self._held_tick
        yield from self._emit(rows, tick, int(tick[-1]) + 1)
        self._held_rows, self._held_tick = rows[:0], tick[:0]

    def count_channels(self, block: FrameBlock, channels: list[str]) -> None:
        """Add a block to the counts of frames by channel; `feed` does so itself."""
        per_channel = np.bincount(block.channel, minlength=len(channels))
        for name, count in zip(channels, per_channel.tolist(), strict=True):
            self.counts.channels[name] += count

    def _accept(self, block: FrameBlock, channels: list[str], channel: str | None) -> FrameBlock:
        """Count the frames by kind and return those that the controller gets."""
        counts = self.counts
        self.count_channels(block, channels)
        if channel is not None and len(channels) > 1:
            mine = (
                block.channel == channels.index(channel)
                if channel in channels
                else np.zeros(len(block), bool)
            )
            kept = int(np.count_nonzero(mine))
            if kept < len(block):
                counts.other_channel += len(block) - kept
                block = block.select(mine)
        odd = block.flags & (Flag.REMOTE | Flag.ERROR | Flag.FD)
        if odd.any():
            error = (odd & Flag.ERROR) != 0
            remote = ~error & ((odd & Flag.REMOTE) != 0)
            counts.error += int(np.count_nonzero(error))
            counts.remote += int(np.count_nonzero(remote))
            counts.fd += int(np.count_nonzero((odd != 0) & ~error & ~remote))
            block = block.select(odd == 0)
        return block

    def _place(self, stamp_us: Longs) -> Longs:
        """Return our time of each frame: microseconds since the first, rising."""
        counts = self.counts
        if int(np.abs(stamp_us).max()) > MOST_STAMP_US:
            raise InputError(
                "has stamps past any calendar; it is damaged, or its time column is another one",
                where=self._where,
            )
        if self.first_us is None:
            self.first_us = self.last_us = self._shift_us = self._tick_shift_us = int(stamp_us[0])
        step = np.diff(stamp_us, prepend=self.last_us)
        self.last_us = int(stamp_us[-1])
        if step.min() >= 0 and step.max() <= self._max_gap_us and self._plain_us == self._newest_us:
            at_us = stamp_us - self._shift_us
            self._plain_us = self._newest_us = int(at_us[-1])
            return at_us
        forward = step > self._max_gap_us
        back = step < -STEP_BACK_US
        cut = np.where(forward, step - self._max_gap_us, 0) + np.where(back, step, 0)
        plain_us = self._plain_us + np.cumsum(step - cut)
        at_us = np.maximum(np.maximum.accumulate(plain_us), self._newest_us)
        counts.backwards += int(np.count_nonzero(step < 0))
        counts.steps_back += int(np.count_nonzero(back))
        counts.jumps += int(np.count_nonzero(forward))
        counts.jumped_us += int(cut[forward].sum())
        if counts.jumps + counts.steps_back > MOST_JUMPS:
            raise InputError(
                f"its stamps jump more than {MOST_JUMPS} times by over {self._max_gap_us / 1e6:g} s forwards or "
                f"{STEP_BACK_US / 1e6:g} s back; choose one channel, split the log, or record it again",
                where=self._where,
            )
        for i in np.flatnonzero(cut).tolist():
            self._shift_us += int(cut[i])
            self._shifts.append((int(at_us[i]), self._shift_us))
        self._plain_us, self._newest_us = int(plain_us[-1]), int(at_us[-1])
        return at_us

    def _frame_rows(self, block: FrameBlock, at_us: Longs) -> NDArray[np.int32]:
        place = self._frame_at
        rows = np.empty((len(block), len(place)), "<i4")
        key = block.can_id.astype(np.int32)
        extended = (block.flags & Flag.EXTENDED) != 0
        if extended.any():
            key |= np.where(extended, np.int32(EXTENDED_KEY), np.int32(0))
        self._count_keys(key)
        rows[:, place["stamp_us"]] = (at_us + self._start_us) & CLOCK_MASK
        rows[:, place["key"]] = key
        rows[:, place["length"]] = block.length
        payload = np.ascontiguousarray(block.data[:, :8]).view("<i4")
        rows[:, place["data"]] = payload[:, 0]
        rows[:, place["data_high"]] = payload[:, 1]
        return rows

    def _count_keys(self, key: NDArray[np.int32]) -> None:
        standard = key < 1 << 11
        counted = np.bincount(key[standard])
        for i in np.flatnonzero(counted).tolist():
            self.counts.keys[i] += int(counted[i])
        if not standard.all():
            keys, number = np.unique(key[~standard], return_counts=True)
            self.counts.keys.update(dict(zip(keys.tolist(), number.tolist(), strict=True)))

    def _emit(self, rows: NDArray[np.int32], tick: Longs, stop: int) -> Iterator[RunBlock]:
        """Yield the ticks from the next one to `stop`, with their frames."""
        # A long silence is cut into parts, so that memory stays bounded.
        largest = 1 << 16
        for start in range(self.ticks, stop, largest):
            end = min(start + largest, stop)
            first, last = np.searchsorted(tick, (start, end))
            yield from self._emit_part(rows[first:last], tick[first:last], start, end)
        self.ticks = stop

    def _emit_part(self, rows: NDArray[np.int32], tick: Longs, start: int, stop: int) -> Iterator[RunBlock]:
        ring = self._ring_frames
        count = np.bincount(tick - start, minlength=stop - start)
        lost = np.maximum(count - ring, 0)
        if lost.any():
            # The oldest fill the ring.
            rank = np.arange(len(tick)) - (np.cumsum(count) - count)[tick - start]
            rows = rows[rank < ring]
            count = count - lost
            self.counts.lost += int(lost.sum())
        self.counts.delivered += len(rows)
        at_us = np.arange(start, stop, dtype=np.int64) * self._period_us
        table = tick_rows(list(self._tick_at), (at_us + self._start_us) & CLOCK_MASK, count)
        table[:, self._tick_at["lost"]] = lost
        log_us = self._log_us(at_us)
        through = np.concatenate([[0], np.cumsum(count)])
        first = 0
        while first < stop - start:
            # As many ticks as the block may have, or until the next one would overfill it with frames.
            end = min(first + self._run_ticks, stop - start)
            if through[end] - through[first] > ring:
                end = int(np.searchsorted(through, through[first] + ring, "right")) - 1
            yield RunBlock(
                first_tick=start + first,
                ticks=table[first:end],
                frames=rows[through[first] : through[end]],
                log_us=log_us[first:end],
            )
            first = end

    def _log_us(self, at_us: Longs) -> Longs:
        """Return the log's clock at our times, which only grow from call to call."""
        shift_us = np.full(len(at_us), self._tick_shift_us, np.int64)
        while self._shifts and self._shifts[0][0] <= at_us[-1]:
            when_us, self._tick_shift_us = self._shifts.popleft()
            shift_us[np.searchsorted(at_us, when_us) :] = self._tick_shift_us
        return at_us + shift_us
