"""What a replay adds up while the ticks come, in constant memory."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from dashpot.layout import Layout
    from dashpot.targets.contract import RunBlock, RunReply

#: Ticks of this many microseconds or more share the last bin; the longest is kept exactly.
LONGEST_BIN_US = 1 << 16


@dataclass(slots=True)
class Seen:
    """A bit of a mask: in how many ticks it was set, and the first and the last of them."""

    ticks: int
    first_tick: int
    first_log_us: int
    last_tick: int
    last_log_us: int


class Statistics:
    """Sums and extremes over all ticks.

    Attributes:
        ticks: how many ticks there were.
        current_min_ma, current_max_ma, current_sum_ma: of each corner.
        mode_ticks: ticks in each mode.
        seen: for each traced mask its bits that were ever set, by index.
        last: the last tick's record.
        alloc_kept_bytes, alloc_gross_bytes: over all ticks.

    """

    def __init__(self, layout: Layout) -> None:
        corners = len(layout.corners)
        self._current = slice(layout.state["current_ma"].at, layout.state["current_ma"].at + corners)
        self._mode = layout.state["mode"].at
        channels = len(layout.channels)
        self._masks = {
            "faults": len(layout.faults),
            "channels_lost": channels,
            "channels_latched": channels,
            "channels_implausible": channels,
            "corners_off": corners,
        }
        self._mask_at = {name: layout.state[name].at for name in self._masks}
        self.seen: dict[str, dict[int, Seen]] = {name: {} for name in self._masks}
        self.ticks = 0
        self.current_min_ma = np.full(corners, np.iinfo(np.int32).max, np.int64)
        self.current_max_ma = np.full(corners, np.iinfo(np.int32).min, np.int64)
        self.current_sum_ma = np.zeros(corners, np.int64)
        self.mode_ticks = np.zeros(len(layout.modes), np.int64)
        self.last = np.zeros(layout.trace_words, np.int32)
        self.alloc_kept_bytes = 0
        self.alloc_gross_bytes = 0
        self._time_bins = np.zeros(LONGEST_BIN_US + 1, np.int64)
        self._time_max_us = 0
        self._time_sum_us = 0

    def add(self, block: RunBlock, reply: RunReply) -> None:
        """Take the reply to a block into the sums."""
        trace = reply.trace
        self.ticks += len(trace)
        current = trace[:, self._current]
        np.minimum(self.current_min_ma, current.min(axis=0), out=self.current_min_ma)
        np.maximum(self.current_max_ma, current.max(axis=0), out=self.current_max_ma)
        self.current_sum_ma += current.sum(axis=0, dtype=np.int64)
        self.mode_ticks += np.bincount(trace[:, self._mode], minlength=len(self.mode_ticks))
        for name, bits in self._masks.items():
            self._add_mask(trace[:, self._mask_at[name]], bits, self.seen[name], block)
        self.last[:] = trace[-1]
        self.alloc_kept_bytes += reply.alloc_kept_bytes
        self.alloc_gross_bytes += reply.alloc_gross_bytes
        bins = np.bincount(np.clip(reply.tick_us, 0, LONGEST_BIN_US))
        self._time_bins[: len(bins)] += bins
        self._time_max_us = max(self._time_max_us, int(reply.tick_us.max()))
        self._time_sum_us += int(reply.tick_us.sum(dtype=np.int64))

    def tick_ns(self) -> dict[str, int]:
        """Return median, 99th percentile, mean and longest time of a tick in ns, as fine as the clock of 1 us lets.

        The percentile of a histogram: the least time that this share of the ticks did not exceed.
        """
        if not self.ticks:
            return {"median": 0, "p99": 0, "max": 0, "mean": 0}
        through = np.cumsum(self._time_bins)

        def at(share: float) -> int:
            return int(np.searchsorted(through, share * self.ticks)) * 1000

        return {
            "median": at(0.5),
            "p99": at(0.99),
            "max": self._time_max_us * 1000,
            "mean": round(self._time_sum_us * 1000 / self.ticks),
        }

    @staticmethod
    def _add_mask(mask: NDArray[np.int32], bits: int, seen: dict[int, Seen], block: RunBlock) -> None:
        ever = int(np.bitwise_or.reduce(mask))
        for bit in range(bits):
            if not ever >> bit & 1:
                continue
            rows = np.flatnonzero(mask >> bit & 1)
            first, last = int(rows[0]), int(rows[-1])
            known = seen.get(bit)
            if known is None:
                known = seen[bit] = Seen(0, block.first_tick + first, int(block.log_us[first]), 0, 0)
            known.ticks += len(rows)
            known.last_tick, known.last_log_us = block.first_tick + last, int(block.log_us[last])
