"""What a log holds, gathered block by block in constant memory: periods, gaps, bus load, signals.

Periods go into a histogram of bounded size: exact below 1024 us, above it 1024 steps to each doubling, each with
the mean of what fell into it; so a quantile is right within 0.1 %, and exact where the period is constant. Mean,
deviation, least and most are exact. Steps back in time are counted apart and are no periods.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dashpot.canbits import block_bits
from dashpot.logs.decode import (
    MessageLayout,
    SignalLayout,
    decode_signal,
    invalid_codes,
    out_of_range,
    selected,
)
from dashpot.logs.frames import Flag, FrameBlock

WINDOW_US = 100_000
#: A step forward of more than this on a whole channel is a jump: the bus was off, or the clock was set.
JUMP_US = 1_000_000

_STEPS = 1024
_STEP_BITS = 10
_EXTENDED_KEY = 1 << 29
_REMOTE_KEY = 1 << 30

JsonDict = dict[str, Any]


class PeriodHistogram:
    """Quantiles of non-negative whole microseconds in bounded memory; see the module's words."""

    def __init__(self) -> None:
        self.count = 0
        self._low = 0
        self._bins = np.zeros(0, np.int64)
        self._sums = np.zeros(0, np.float64)

    def add(self, periods_us: NDArray[np.int64]) -> None:
        """Take in periods, int64[n], none below zero."""
        if not len(periods_us):
            return
        bins = _bin_of(periods_us)
        low, high = int(bins.min()), int(bins.max()) + 1
        if not len(self._bins):
            self._low = low
        new_low = min(low, self._low)
        new_high = max(high, self._low + len(self._bins))
        if new_high - new_low > len(self._bins):
            around = (self._low - new_low, new_high - self._low - len(self._bins))
            self._bins, self._sums = np.pad(self._bins, around), np.pad(self._sums, around)
            self._low = new_low
        here = slice(low - self._low, high - self._low)
        self._bins[here] += np.bincount(bins - low)
        self._sums[here] += np.bincount(bins - low, weights=periods_us)
        self.count += len(periods_us)

    def quantile(self, share: float) -> float | None:
        """Return the value that `share` (0 to 1) of all periods do not exceed, in us; None without any."""
        if not self.count:
            return None
        rank = max(1, math.ceil(share * self.count))
        index = int(np.searchsorted(np.cumsum(self._bins), rank))
        return float(self._sums[index] / self._bins[index])


def _bin_of(periods_us: NDArray[np.int64]) -> NDArray[np.int64]:
    # frexp is exact for whole numbers below 2**53, some 285 years.
    doubling = np.frexp(periods_us.astype(np.float64))[1].astype(np.int64) - (_STEP_BITS + 1)
    np.maximum(doubling, 0, out=doubling)
    bins: NDArray[np.int64] = (periods_us >> doubling) + doubling * _STEPS
    return bins


@dataclass(slots=True)
class Moments:
    """Count, mean and deviation, put together from parts without losing digits (Chan, Golub, LeVeque 1983)."""

    count: int = 0
    mean: float = 0.0
    _squares: float = 0.0

    def add(self, values: NDArray[Any]) -> None:
        """Take in values."""
        if not len(values):
            return
        mean = float(values.mean())
        squares = float(np.square(values - mean).sum())
        total = self.count + len(values)
        step = mean - self.mean
        self._squares += squares + step * step * self.count * len(values) / total
        self.mean += step * len(values) / total
        self.count = total

    @property
    def deviation(self) -> float | None:
        """Standard deviation of all values; None without any."""
        return math.sqrt(self._squares / self.count) if self.count else None


@dataclass(slots=True)
class Extreme:
    """How often something happened, the largest, and the stamp at which that was."""

    count: int = 0
    largest: int = 0
    at_us: int | None = None

    def add(self, sizes: NDArray[np.int64], stamps_us: NDArray[np.int64]) -> None:
        """Take in happenings with their sizes (above zero) and stamps."""
        if not len(sizes):
            return
        self.count += len(sizes)
        where = int(np.argmax(sizes))
        if sizes[where] > self.largest:
            self.largest = int(sizes[where])
            self.at_us = int(stamps_us[where])


@dataclass(slots=True)
class SignalSurvey:
    """Values of one signal: least, most and mean leave out the all-ones code and what is not a number."""

    layout: SignalLayout
    count: int = 0
    all_ones: int = 0
    outside: int = 0
    invalid: int = 0
    minimum: float = math.inf
    maximum: float = -math.inf
    moments: Moments = field(default_factory=Moments)

    def add(self, data: NDArray[np.uint8]) -> None:
        """Take in payloads that are long enough."""
        rows = selected(data, self.layout)
        if rows is not None:
            data = data[rows]
        if not len(data):
            return
        raw, value = decode_signal(data, self.layout)
        ones = invalid_codes(raw, self.layout)
        outside = out_of_range(value, self.layout)
        self.count += len(raw)
        self.all_ones += int(np.count_nonzero(ones))
        self.outside += int(np.count_nonzero(outside))
        self.invalid += int(np.count_nonzero(ones | outside))
        kept = ~ones & np.isfinite(value)
        if not kept.all():
            value = value[kept]
        if len(value):
            self.minimum = min(self.minimum, float(value.min()))
            self.maximum = max(self.maximum, float(value.max()))
            self.moments.add(value)

    def as_json(self) -> JsonDict:
        """Return the figures under stable keys."""
        known = self.moments.count > 0
        return {
            "name": self.layout.name,
            "unit": self.layout.unit,
            "count": self.count,
            "min": self.minimum if known else None,
            "max": self.maximum if known else None,
            "mean": self.moments.mean if known else None,
            "invalid_share": self.invalid / self.count if self.count else None,
            "all_ones_share": self.all_ones / self.count if self.count else None,
            "out_of_range_share": self.outside / self.count if self.count else None,
        }


class IdSurvey:
    """Frames of one identifier on one channel; remote frames are a survey of their own."""

    def __init__(self, can_id: int, *, extended: bool, remote: bool, message: MessageLayout | None) -> None:
        self.can_id = can_id
        self.extended = extended
        self.remote = remote
        self.message = message
        self.count = 0
        self.first_us = 0
        self.last_us = 0
        self.lengths: dict[int, int] = {}
        self.length_changes = 0
        self.short = 0
        self.periods = PeriodHistogram()
        self.moments = Moments()
        self.shortest_us: int | None = None
        self.gaps = Extreme()
        self.backwards = Extreme()
        self.signals = [SignalSurvey(layout) for layout in message.signals] if message and not remote else []
        self._last_length = -1

    def add(self, stamp_us: NDArray[np.int64], length: NDArray[np.uint8], data: NDArray[np.uint8]) -> None:
        """Take in frames in file order."""
        before = stamp_us[0] if self.count == 0 else self.last_us
        steps = np.diff(stamp_us, prepend=before)
        if self.count == 0:
            self.first_us = int(stamp_us[0])
            steps = steps[1:]
        at = stamp_us[len(stamp_us) - len(steps) :]
        back = steps < 0
        if back.any():
            self.backwards.add(-steps[back], at[back])
            steps, at = steps[~back], at[~back]
        self.periods.add(steps)
        self.moments.add(steps)
        self.gaps.add(steps, at)
        if len(steps):
            shortest = int(steps.min())
            self.shortest_us = shortest if self.shortest_us is None else min(shortest, self.shortest_us)
        self.count += len(stamp_us)
        self.last_us = int(stamp_us[-1])
        self._lengths(length)
        for signal in self.signals:
            long_enough = length >= signal.layout.bytes_needed
            if signal.layout.bytes_needed <= data.shape[1]:
                signal.add(data if long_enough.all() else data[long_enough])

    def _lengths(self, length: NDArray[np.uint8]) -> None:
        counts = np.bincount(length)
        for value in np.flatnonzero(counts).tolist():
            self.lengths[value] = self.lengths.get(value, 0) + int(counts[value])
        first = self._last_length if self._last_length >= 0 else int(length[0])
        self.length_changes += int(
            np.count_nonzero(np.diff(length.astype(np.int16), prepend=np.int16(first)))
        )
        self._last_length = int(length[-1])
        if self.message is not None and not self.remote:
            self.short += int(np.count_nonzero(length < self.message.length))

    def as_json(self) -> JsonDict:
        """Return the figures under stable keys."""
        known = self.moments.count > 0
        out: JsonDict = {
            "id": self.can_id,
            "id_hex": f"{self.can_id:0{8 if self.extended else 3}X}",
            "extended": self.extended,
            "remote": self.remote,
            "message": None if self.message is None else self.message.name,
            "count": self.count,
            "first_us": self.first_us,
            "last_us": self.last_us,
            "period_us": {
                "median": self.periods.quantile(0.5),
                "p1": self.periods.quantile(0.01),
                "p99": self.periods.quantile(0.99),
                "mean": self.moments.mean if known else None,
                "std": self.moments.deviation,
                "min": self.shortest_us,
                "max": self.gaps.largest if known else None,
            },
            "longest_gap_us": self.gaps.largest if known else None,
            "longest_gap_at_us": self.gaps.at_us,
            "stamps_backwards": self.backwards.count,
            "lengths": {str(value): self.lengths[value] for value in sorted(self.lengths)},
            "length_changes": self.length_changes,
            "short_frames": self.short,
        }
        if self.signals:
            out["signals"] = [signal.as_json() for signal in self.signals]
        return out


class LoadMeter:
    """Bus load by exact bit counts: the mean, and the worst WINDOW_US that end with a frame."""

    def __init__(self, bitrate: int) -> None:
        self._bitrate = bitrate
        self.bits = 0
        self.worst_bits = 0
        self.worst_at_us: int | None = None
        # Stamps of the last window with the bits at each: no more entries than a window has microseconds.
        self._stamps = np.zeros(0, np.int64)
        self._bits = np.zeros(0, np.int64)

    def add(self, stamp_us: NDArray[np.int64], bits: NDArray[np.int64]) -> None:
        """Take in frames in file order; a stamp that goes back counts as the latest before it."""
        self.bits += int(bits.sum())
        stamps = np.maximum.accumulate(np.concatenate((self._stamps, stamp_us)))
        amounts = np.concatenate((self._bits, bits))
        firsts = np.flatnonzero(np.diff(stamps, prepend=stamps[0] - 1))
        stamps, amounts = stamps[firsts], np.add.reduceat(amounts, firsts)
        total = np.concatenate((np.zeros(1, np.int64), np.cumsum(amounts)))
        outside = np.searchsorted(stamps, stamps - WINDOW_US, side="right")
        windows = total[1:] - total[outside]
        worst = int(np.argmax(windows))
        if windows[worst] > self.worst_bits:
            self.worst_bits = int(windows[worst])
            self.worst_at_us = int(stamps[worst])
        kept = stamps > stamps[-1] - WINDOW_US
        self._stamps, self._bits = stamps[kept], amounts[kept]

    def as_json(self, observed_us: int) -> JsonDict:
        """Return the figures under stable keys; loads are shares of 1."""
        return {
            "bitrate": self._bitrate,
            "bits": self.bits,
            "mean": self.bits * 1e6 / (self._bitrate * observed_us) if observed_us else None,
            "worst_100ms": self.worst_bits * 1e6 / (self._bitrate * WINDOW_US),
            "worst_100ms_end_us": self.worst_at_us,
        }


class ChannelSurvey:
    """All frames of one channel."""

    def __init__(self, name: str, bitrate: int, messages: Mapping[tuple[int, bool], MessageLayout]) -> None:
        self.name = name
        self._messages = messages
        self.ids: dict[int, IdSurvey] = {}
        self.frames = 0
        self.kinds = {"data": 0, "remote": 0, "error": 0, "fd": 0}
        self.first_us = 0
        self.last_us = 0
        self.observed_us = 0
        self.backwards = Extreme()
        self.jumps = Extreme()
        self.load = LoadMeter(bitrate)

    def add(self, block: FrameBlock, bits: NDArray[np.int64]) -> None:
        """Take in frames in file order, with their bits on the wire."""
        self._times(block.stamp_us)
        self.load.add(block.stamp_us, bits)
        error = block.flags & np.uint8(Flag.ERROR) != 0
        remote = ~error & (block.flags & np.uint8(Flag.REMOTE) != 0)
        fd = ~error & (block.flags & np.uint8(Flag.FD) != 0)
        errors, remotes = int(np.count_nonzero(error)), int(np.count_nonzero(remote))
        self.kinds["error"] += errors
        self.kinds["remote"] += remotes
        self.kinds["data"] += len(block) - errors - remotes
        self.kinds["fd"] += int(np.count_nonzero(fd))
        key = block.can_id.astype(np.int64)
        key += (block.flags & np.uint8(Flag.EXTENDED) != 0) * np.int64(_EXTENDED_KEY)
        key += remote * np.int64(_REMOTE_KEY)
        rows = np.flatnonzero(~error) if errors else np.arange(len(block))
        rows = rows[np.argsort(key[rows], kind="stable")]
        if not len(rows):
            return
        key = key[rows]
        bounds = [0, *(np.flatnonzero(np.diff(key)) + 1).tolist(), len(rows)]
        for start, end in pairwise(bounds):
            some = rows[start:end]
            self._id(int(key[start])).add(block.stamp_us[some], block.length[some], block.data[some])

    def _id(self, key: int) -> IdSurvey:
        found = self.ids.get(key)
        if found is None:
            can_id, extended = key & (_EXTENDED_KEY - 1), bool(key & _EXTENDED_KEY)
            message = self._messages.get((can_id, extended))
            found = IdSurvey(can_id, extended=extended, remote=bool(key & _REMOTE_KEY), message=message)
            self.ids[key] = found
        return found

    def _times(self, stamp_us: NDArray[np.int64]) -> None:
        if self.frames == 0:
            self.first_us = self.last_us = int(stamp_us[0])
        steps = np.diff(stamp_us, prepend=np.int64(self.last_us))
        back = steps < 0
        self.backwards.add(-steps[back], stamp_us[back])
        jump = steps > JUMP_US
        self.jumps.add(steps[jump], stamp_us[jump])
        self.observed_us += int(steps[~back & ~jump].sum())
        self.frames += len(stamp_us)
        self.last_us = int(stamp_us[-1])

    def as_json(self) -> JsonDict:
        """Return the figures under stable keys."""
        surveys = sorted(self.ids.values(), key=lambda s: (s.extended, s.can_id, s.remote))
        return {
            "name": self.name,
            "frames": self.frames,
            **self.kinds,
            "first_us": self.first_us,
            "last_us": self.last_us,
            "observed_us": self.observed_us,
            "stamps_backwards": _extreme(self.backwards),
            "stamp_jumps": _extreme(self.jumps),
            "bus_load": self.load.as_json(self.observed_us),
            "ids": [survey.as_json() for survey in surveys],
        }


def _extreme(extreme: Extreme) -> JsonDict:
    return {"count": extreme.count, "largest_us": extreme.largest, "at_us": extreme.at_us}


class Survey:
    """All channels of a log, or one of them."""

    def __init__(
        self,
        names: list[str],
        messages: Mapping[tuple[int, bool], MessageLayout],
        bitrate: int,
        *,
        only: str | None = None,
    ) -> None:
        self._names = names
        self._messages = messages
        self._bitrate = bitrate
        self._only = only
        self.channels: dict[str, ChannelSurvey] = {}

    def add(self, block: FrameBlock) -> None:
        """Take in a block whose channel indices belong to the list of names."""
        bits = block_bits(block)
        counts = np.bincount(block.channel)
        for index in np.flatnonzero(counts).tolist():
            name = self._names[index]
            if self._only is not None and name != self._only:
                continue
            if name not in self.channels:
                self.channels[name] = ChannelSurvey(name, self._bitrate, self._messages)
            if counts[index] == len(block):
                self.channels[name].add(block, bits)
            else:
                rows = np.flatnonzero(block.channel == index)
                self.channels[name].add(block.select(rows), bits[rows])
