"""What the controller is given in one row: frames by time, ticks, and what happens between ticks.

Times are int64 microseconds from the start of the row's window. Everything here is a value: injectors make new ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashpot.targets.contract import CLOCK_MASK, NOMINAL_INPUTS, RunBlock, tick_rows

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dashpot.layout import Layout

Longs = NDArray[np.int64]
Ints = NDArray[np.int32]
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
class Poke:
    """Bits of the controller's memory that turn over.

    Attributes:
        place: one of the target's PLACES.
        index: word.
        mask: its bits.

    """

    place: str
    index: int
    mask: int


@dataclass(frozen=True, slots=True)
class Ticks:
    """When the controller's loop runs, what its board tells it, and what happens to it in between.

    Attributes:
        at_us: int64[n], rising.
        inputs: by the name of a NOMINAL_INPUTS, int32[n]: frames lost before the tick, supply, flags, coils.
        starts: by tick, before which the controller starts anew: the cause.
        pokes: by tick, before which bits of its memory turn over.

    """

    at_us: Longs
    inputs: Mapping[str, Ints]
    starts: Mapping[int, str] = field(default_factory=dict)
    pokes: Mapping[int, tuple[Poke, ...]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.at_us)

    @property
    def lost(self) -> Ints:
        """Frames that the ring had no room for before each tick, int32[n]."""
        return self.inputs["lost"]

    def select(self, keep: Mask) -> Ticks:
        """Return the ticks of a mask; what comes before a tick that goes comes before the next that stays."""
        place: Longs = np.cumsum(keep) - keep
        pokes: dict[int, tuple[Poke, ...]] = {}
        for tick, poked in self.pokes.items():
            pokes[int(place[tick])] = (*pokes.get(int(place[tick]), ()), *poked)
        return Ticks(
            self.at_us[keep],
            {name: values[keep] for name, values in self.inputs.items()},
            {int(place[tick]): cause for tick, cause in self.starts.items()},
            pokes,
        )

    def with_input(self, name: str, values: NDArray[Any]) -> Ticks:
        """Return the ticks with another course of one input."""
        return replace(self, inputs={**self.inputs, name: values.astype(np.int32)})

    def with_starts(self, starts: Mapping[int, str]) -> Ticks:
        """Return the ticks with more starts; those past the last tick are left out."""
        inside = {tick: cause for tick, cause in starts.items() if tick < len(self)}
        return replace(self, starts={**self.starts, **inside})

    def with_poke(self, tick: int, poke: Poke) -> Ticks:
        """Return the ticks with one more poke; past the last tick it is left out."""
        if tick >= len(self):
            return self
        return replace(self, pokes={**self.pokes, tick: (*self.pokes.get(tick, ()), poke)})


@dataclass(frozen=True, slots=True)
class Stimulus:
    """All that goes into the controller in one row."""

    frames: Frames
    ticks: Ticks


def regular_ticks(period_us: int, end_us: int) -> Ticks:
    """Return ticks at whole periods from 0 up to `end_us`, on a board with which nothing is wrong."""
    at_us = np.arange(0, end_us + 1, period_us, dtype=np.int64)
    return Ticks(
        at_us, {name: np.full(len(at_us), value, np.int32) for name, value in NOMINAL_INPUTS.items()}
    )


@dataclass(frozen=True, slots=True)
class Delivery:
    """A stimulus in the pieces that a target takes.

    Attributes:
        blocks: in order.
        starts: by number of the block before which the controller starts anew: the cause.
        pokes: by number of the block before which bits turn over, after a start.

    """

    blocks: list[RunBlock]
    starts: dict[int, str] = field(default_factory=dict)
    pokes: dict[int, tuple[Poke, ...]] = field(default_factory=dict)


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
    names = layout.rows["tick_in"]
    table = tick_rows(names, (ticks.at_us + clock_us) & CLOCK_MASK, count)
    for name, values in ticks.inputs.items():
        table[:, names.index(name)] = values
    table[:, names.index("lost")] += over
    rows = frame_rows(frames, layout, clock_us)
    through = np.concatenate([[0], np.cumsum(count)])
    made = Delivery([])
    for first, last in _pieces(len(ticks), sorted({*ticks.starts, *ticks.pokes}), through, run_ticks, ring):
        if first in ticks.starts:
            made.starts[len(made.blocks)] = ticks.starts[first]
        if first in ticks.pokes:
            made.pokes[len(made.blocks)] = ticks.pokes[first]
        piece = slice(through[first], through[last])
        made.blocks.append(RunBlock(first, table[first:last], rows[piece], ticks.at_us[first:last] + log_us))
    return made


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


def _pieces(
    count: int, breaks: Sequence[int], through: NDArray[Any], run_ticks: int, ring: int
) -> Iterator[tuple[int, int]]:
    """Yield ranges of ticks that fit a block; each of `breaks` begins one."""
    first = 0
    while first < count:
        last = min(first + run_ticks, count, *(tick for tick in breaks if tick > first))
        if through[last] - through[first] > ring:
            last = int(np.searchsorted(through, through[first] + ring, "right")) - 1
        yield first, last
        first = last
