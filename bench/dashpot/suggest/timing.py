"""When messages come, and what of the values is used: periods, gaps, ages; stuck and coarse channels."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.suggest.relations import MOVING_M_S

if TYPE_CHECKING:
    from dashpot.suggest.gather import Arrivals, Piece
    from dashpot.suggest.series import Floats, Trace

#: A value that stands for so long while the car drives, and far longer than it usually does, is stuck [C].
STUCK_S = {"g": 1.0, "mm": 1.0, "deg/s": 3.0, "m/s": 5.0}
FAR_LONGER = 20.0


@dataclass(slots=True)
class Stillness:
    """How long a channel keeps one value while the car drives.

    Attributes:
        longest_s, at_s: the longest time, and when it began.
        changes: how often the value changed; driven_s: how long was looked at.

    """

    longest_s: float = 0.0
    at_s: float = 0.0
    changes: int = 0
    driven_s: float = 0.0

    @property
    def usual_s(self) -> float:
        """Mean time between two changes."""
        return self.driven_s / (self.changes + 1)

    def add(self, trace: Trace, speed: Trace | None, start_s: float, end_s: float) -> None:
        """Take in a piece; what goes beyond its end is seen as far as the context reaches."""
        time, value = trace
        if len(time) < 2:
            return
        change = np.flatnonzero(np.diff(value)) + 1
        starts = np.concatenate(([0], change))
        first, last = time[starts], np.append(time[change], time[-1])
        driving = (first >= start_s) & (first < end_s)
        if speed is not None:
            for moment in (first, last):
                driving &= np.abs(np.interp(moment, speed.time_s, speed.value)) > MOVING_M_S
        if not driving.any():
            return
        lengths = (last - first)[driving]
        self.driven_s += float(lengths.sum())
        self.changes += len(lengths) - 1
        longest = int(np.argmax(lengths))
        if lengths[longest] > self.longest_s:
            self.longest_s, self.at_s = float(lengths[longest]), float(first[driving][longest])

    def stuck(self, unit: str) -> bool:
        """Whether it stood still for so long that the sensor must have."""
        if self.driven_s < 10.0:
            return False
        if self.changes == 0:
            return True
        return self.longest_s > STUCK_S.get(unit, np.inf) and self.longest_s > FAR_LONGER * self.usual_s


@dataclass(slots=True)
class Stills:
    """Stillness of all channels."""

    by_channel: dict[str, Stillness] = field(default_factory=dict)

    def add(self, piece: Piece) -> None:
        """Take in a piece."""
        speed = piece.traces.get("road_speed")
        for name, trace in piece.traces.items():
            one = self.by_channel.setdefault(name, Stillness())
            one.add(
                trace, speed if speed is not None and len(speed.time_s) else None, piece.start_s, piece.end_s
            )


def nice_ms(period_us: float) -> float:
    """Round a measured period to what a sender is set to: whole milliseconds from 5 ms on, tenths below."""
    ms = period_us / 1000.0
    return float(round(ms)) if ms >= 5.0 else round(ms, 1)


def arrivals_json(one: Arrivals, first_us: int) -> dict[str, Any]:
    """Figures of a message under stable keys."""
    gap_at = one.gaps.at_us
    return {
        "message": one.name,
        "frames": one.frames,
        "short": one.short,
        "out_of_order": one.out_of_order,
        "period_us": {"median": one.periods.quantile(0.5), "p999": one.periods.quantile(0.999)},
        # The newest value is on average half a period old, and as old as the longest gap at worst.
        "mean_age_us": None
        if one.periods.quantile(0.5) is None
        else (one.periods.quantile(0.5) or 0.0) / 2.0,
        "longest_gap_us": one.gaps.largest if gap_at is not None else None,
        "longest_gap_at_s": None if gap_at is None else (gap_at - first_us) * 1e-6,
    }


def rolling_floor(values: Floats, count: int) -> float:
    """Return the most that a series stays above for `count` samples in a row, 0 for none."""
    from scipy import ndimage

    if len(values) < count or count < 1:
        return 0.0
    filled = np.nan_to_num(values, nan=0.0)
    floor = ndimage.minimum_filter1d(filled, count, mode="constant", cval=0.0)
    return float(floor.max())
