"""What the controller is given in one row: frames by time, ticks, and what happens between ticks.

Times are int64 microseconds from the start of the row's window. Everything here is a value: injectors make new ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashpot.targets.contract import CLOCK_MASK, RunBlock, tick_rows

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dashpot.layout import Layout

Longs = NDArray[np.int64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Frames:
    """Frames in the order in which the controller takes them, one array a column, n rows each.

    Attributes:
        at_us: int64[n], never falling.
        key: int32[n], the identifier, with EXTENDED_KEY set where it has 29 bits.
        length: uint8[n], payload bytes, 0 to 8.
        data: uint8[n, 8], zero past the payload.

    """

    at_us: Longs
    key: NDArray[np.int32]
    length: NDArray[np.uint8]
    data: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.at_us)

    def select(self, rows: slice | NDArray[Any]) -> Frames:
        """Return the frames of a slice, a boolean mask or an index array."""
        return Frames(self.at_us[rows], self.key[rows], self.length[rows], self.data[rows])

    def in_order(self) -> Frames:
        """Return the frames by time; those of the same time stay as they are."""
        return self.select(np.argsort(self.at_us, kind="stable"))

    def with_data(self, rows: Longs, data: NDArray[np.uint8]) -> Frames:
        """Return the frames with other payloads, uint8[len(rows), 8], in some rows."""
        changed = self.data.copy()
        changed[rows] = data
        return replace(self, data=changed)

    def same(self, other: Frames) -> bool:
        """Return whether both hold the same frames at the same times."""
        return len(self) == len(other) and all(
            np.array_equal(mine, its)
            for mine, its in (
                (self.at_us, other.at_us),
                (self.key, other.key),
                (self.length, other.length),
                (self.data, other.data),
            )
        )


def join(parts: Sequence[Frames]) -> Frames:
    """Return the frames of all parts by time; at the same time, earlier parts come first."""
    return Frames(
        np.concatenate([part.at_us for part in parts]),
        np.concatenate([part.key for part in parts]),
        np.concatenate([part.length for part in parts]),
        np.concatenate([part.data for part in parts]),
    ).in_order()


@dataclass(frozen=True, slots=True)
class Ticks:
    """When the controller's loop runs, and what its board tells it.

    Attributes:
        at_us: int64[n], rising.
        lost: int32[n], frames that the ring had no room for before the tick.
        reloads: ticks before which the controller starts anew.

    """

    at_us: Longs
    lost: NDArray[np.int32]
    reloads: frozenset[int] = frozenset()

    def __len__(self) -> int:
        return len(self.at_us)

    def select(self, keep: Mask) -> Ticks:
        """Return the ticks of a mask; a reload before a tick that goes is one before the next that stays."""
        place: Longs = np.cumsum(keep) - keep
        reloads = frozenset(int(place[tick]) for tick in self.reloads)
        return Ticks(self.at_us[keep], self.lost[keep], reloads)


@dataclass(frozen=True, slots=True)
class Stimulus:
    """All that goes into the controller in one row."""

    frames: Frames
    ticks: Ticks


def regular_ticks(period_us: int, end_us: int) -> Ticks:
    """Return ticks at whole periods from 0 up to `end_us`."""
    at_us = np.arange(0, end_us + 1, period_us, dtype=np.int64)
    return Ticks(at_us, np.zeros(len(at_us), np.int32))


@dataclass(frozen=True, slots=True)
class Delivery:
    """A stimulus in the pieces that a target takes.

    Attributes:
        blocks: in order.
        reloads: numbers of the blocks before which the image is loaded again.

    """

    blocks: list[RunBlock]
    reloads: frozenset[int] = field(default_factory=frozenset)


def deliver(
    stimulus: Stimulus, layout: Layout, limits: tuple[int, int], *, clock_us: int = 0, log_us: int = 0
) -> Delivery:
    """Cut a stimulus into run blocks.

    Each tick gets the frames up to its time; past the ring's room the newest are lost and counted.

    Args:
        stimulus: frames and ticks.
        layout: places of the words in a tick's and a frame's row.
        limits: most ticks and most frames of a block.
        clock_us: the controller's clock at time 0.
        log_us: the log's clock at time 0, for messages.

    """
    run_ticks, ring = limits
    ticks, frames = stimulus.ticks, stimulus.frames
    owner = np.searchsorted(ticks.at_us, frames.at_us, side="left")
    frames = frames.select(owner < len(ticks))
    owner = owner[owner < len(ticks)]
    count = np.bincount(owner, minlength=len(ticks))
    over = np.maximum(count - ring, 0)
    if over.any():
        rank = np.arange(len(owner)) - (np.cumsum(count) - count)[owner]
        frames = frames.select(rank < ring)
        count = count - over
    table = _tick_table(
        layout,
        {"now_us": (ticks.at_us + clock_us) & CLOCK_MASK, "frames": count, "lost": ticks.lost + over},
    )
    rows = frame_rows(frames, layout, clock_us)
    through = np.concatenate([[0], np.cumsum(count)])
    blocks: list[RunBlock] = []
    reloads = set()
    for first, last in _pieces(len(ticks), sorted(ticks.reloads), through, run_ticks, ring):
        if first in ticks.reloads:
            reloads.add(len(blocks))
        piece = slice(through[first], through[last])
        blocks.append(RunBlock(first, table[first:last], rows[piece], ticks.at_us[first:last] + log_us))
    return Delivery(blocks, frozenset(reloads))


def frame_rows(frames: Frames, layout: Layout, clock_us: int) -> NDArray[np.int32]:
    """Return the frames as the rows of a run block, int32[n, 5]."""
    place = {name: i for i, name in enumerate(layout.rows["frame"])}
    rows = np.empty((len(frames), len(place)), "<i4")
    payload = np.ascontiguousarray(frames.data).view("<i4")
    rows[:, place["stamp_us"]] = (frames.at_us + clock_us) & CLOCK_MASK
    rows[:, place["key"]] = frames.key
    rows[:, place["length"]] = frames.length
    rows[:, place["data"]] = payload[:, 0]
    rows[:, place["data_high"]] = payload[:, 1]
    return rows


def _tick_table(layout: Layout, columns: Mapping[str, NDArray[Any]]) -> NDArray[np.int32]:
    names = layout.rows["tick_in"]
    rows = tick_rows(names, columns["now_us"], columns["frames"])
    for name, values in columns.items():
        rows[:, names.index(name)] = values
    return rows


def _pieces(
    count: int, reloads: Sequence[int], through: NDArray[Any], run_ticks: int, ring: int
) -> Iterator[tuple[int, int]]:
    """Yield ranges of ticks that fit a block and hold no reload but before their first tick."""
    first = 0
    while first < count:
        last = min(first + run_ticks, count, *(tick for tick in reloads if tick > first))
        if through[last] - through[first] > ring:
            last = int(np.searchsorted(through, through[first] + ring, "right")) - 1
        yield first, last
        first = last
