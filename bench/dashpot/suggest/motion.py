"""Motion of a damper as histograms: stroke, stroke speed by bands, time near the ends, and events at the ends.

Works on (time, stroke) arrays of one corner, stroke in mm, compression positive, piece by piece in constant memory.
Time is what is counted, not samples, so a log with gaps weighs right.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.suggest.series import spans, usual_step_s

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Edges of low, medium and high stroke speed: 2, 6 and 20 in/s [C], domain notes.
BANDS_MM_S = (0.0, 50.8, 152.4, 508.0)
BAND_NAMES = ("low", "medium", "high", "above")
SPEED_STEP_MM_S = 12.7
SPEED_MOST_MM_S = 2032.0
STROKE_STEP_MM = 2.0
STROKE_MOST_MM = 400.0
#: Stroke speed is the slope of a parabola over this long.
WINDOW_S = 0.010
KEPT_EVENTS = 1000
#: Below this nothing moves; it is what is left of rounding.
STILL_MM_S = 0.001


def stroke_speed(time_s: Floats, stroke_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """Return evenly spaced times, strokes and stroke speeds (mm/s) of samples that may jitter.

    The slope is that of a least-squares parabola over WINDOW_S, at least three samples (Savitzky and Golay 1964 [S],
    scipy.signal.savgol_filter): no delay, and exact for a constant acceleration. Gaps leave nothing behind.
    """
    from scipy import signal

    step = usual_step_s(time_s)
    if not step:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    # A quarter more, so that the rounding of usual periods (1, 2, 5 ms) does not hang on their last digit.
    window = max(3, 2 * int(WINDOW_S / step / 2.0 + 0.25) + 1)
    parts: list[tuple[Floats, Floats, Floats]] = []
    whole = np.concatenate((np.diff(time_s) <= 5.0 * step, [False]))
    for run in spans(whole, window):
        time, stroke = time_s[run.start : run.stop + 1], stroke_mm[run.start : run.stop + 1]
        grid = time[0] + np.arange(int((time[-1] - time[0]) / step + 1e-6) + 1) * step
        if len(grid) < window:
            continue
        even = np.interp(grid, time, stroke)
        speed = signal.savgol_filter(even, window, 2, deriv=1, delta=step)
        # Towards an end the parabola lies to one side, and its slope there is a guess.
        inside = slice(window // 2, len(grid) - window // 2)
        parts.append((grid[inside], even[inside], speed[inside]))
    if not parts:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    return tuple(np.concatenate(column) for column in zip(*parts, strict=True))  # type: ignore[return-value]  # three columns


@dataclass(frozen=True, slots=True)
class End:
    """One end of a damper's travel, mm from the static position, in the direction of that end.

    Attributes:
        stop_mm: where the travel ends.
        near_mm: from where on it counts as near: the start of a stroke-end ramp.

    """

    stop_mm: float
    near_mm: float


@dataclass(frozen=True, slots=True)
class EndEvent:
    """One visit to an end.

    Attributes:
        compression: which end.
        at_s: when it came near.
        speed_mm_s: stroke speed then, towards the end.
        gap_mm: least distance left to the stop; below zero past it.
        duration_s: how long it was near.
        energy_j_kg: kinetic energy at that speed for each kg that moves with the damper: v^2 / 2.

    """

    compression: bool
    at_s: float
    speed_mm_s: float
    gap_mm: float
    duration_s: float
    energy_j_kg: float


def end_events(
    time_s: Floats, stroke_mm: Floats, speed_mm_s: Floats, end: End, *, compression: bool
) -> list[EndEvent]:
    """Find the visits to one end on an even grid, as `stroke_speed` gives it."""
    side = 1.0 if compression else -1.0
    towards, speed = side * stroke_mm, side * speed_mm_s
    step = usual_step_s(time_s)
    events = []
    for run in spans(towards >= end.near_mm, 1):
        # The speed just before the ramp's start is what must be stopped; inside it the damper has begun to.
        entry = max(float(speed[run.start]), float(speed[run.start - 1]) if run.start else 0.0, 0.0)
        events.append(
            EndEvent(
                compression,
                float(time_s[run.start]),
                entry,
                float(end.stop_mm - towards[run].max()),
                (run.stop - run.start) * step,
                0.5 * (entry / 1000.0) ** 2,
            )
        )
    return events


def band_times(speed_mm_s: Floats, step_s: Floats | float) -> tuple[Floats, Floats]:
    """Return the time in each band of BAND_NAMES, (4,) s, in compression and in rebound; standing still is neither."""
    weight = np.broadcast_to(np.asarray(step_s, np.float64), speed_mm_s.shape)

    def times(rows: NDArray[np.bool_]) -> Floats:
        return np.bincount(band[rows], weights=weight[rows], minlength=len(BAND_NAMES)).astype(np.float64)

    band = np.searchsorted(BANDS_MM_S[1:], np.abs(speed_mm_s), side="left")
    return times(speed_mm_s > STILL_MM_S), times(speed_mm_s < -STILL_MM_S)


@dataclass(slots=True)
class Motion:
    """Motion of one corner, gathered in pieces.

    Attributes:
        ends: compression and rebound end, each None where it is not known.
        time_s: how long was looked at.
        bands_compression_s, bands_rebound_s: (4,) time in low, medium, high and above it.
        speed_s: time in steps of SPEED_STEP_MM_S from -SPEED_MOST_MM_S on; the outermost hold all beyond.
        stroke_s: time in steps of STROKE_STEP_MM from -STROKE_MOST_MM on, likewise.
        least_mm, most_mm: extremes of the stroke; fastest_compression_mm_s, fastest_rebound_mm_s of its speed.
        near_compression_s, near_rebound_s: time near the ends.
        events: the first KEPT_EVENTS; event_count counts all.

    """

    ends: tuple[End | None, End | None] = (None, None)
    time_s: float = 0.0
    bands_compression_s: Floats = field(default_factory=lambda: np.zeros(len(BAND_NAMES)))
    bands_rebound_s: Floats = field(default_factory=lambda: np.zeros(len(BAND_NAMES)))
    speed_s: Floats = field(default_factory=lambda: np.zeros(round(2 * SPEED_MOST_MM_S / SPEED_STEP_MM_S)))
    stroke_s: Floats = field(default_factory=lambda: np.zeros(round(2 * STROKE_MOST_MM / STROKE_STEP_MM)))
    least_mm: float = np.inf
    most_mm: float = -np.inf
    fastest_compression_mm_s: float = 0.0
    fastest_rebound_mm_s: float = 0.0
    near_compression_s: float = 0.0
    near_rebound_s: float = 0.0
    events: list[EndEvent] = field(default_factory=list)
    event_count: int = 0

    def add(self, time_s: Floats, stroke_mm: Floats, own: tuple[float, float] | None = None) -> None:
        """Take in a piece.

        Args:
            time_s: float64[n], rising.
            stroke_mm: float64[n].
            own: count only from the first time to before the second; what lies around it serves slopes and events.

        """
        time, stroke, speed = stroke_speed(time_s, stroke_mm)
        if not len(time):
            return
        step = usual_step_s(time)
        first, last = own if own is not None else (-np.inf, np.inf)
        for number, end in enumerate(self.ends):
            if end is not None:
                found = [
                    event
                    for event in end_events(time, stroke, speed, end, compression=number == 0)
                    if first <= event.at_s < last
                ]
                self.event_count += len(found)
                self.events += found[: KEPT_EVENTS - len(self.events)]
        mine = (time >= first) & (time < last)
        if not mine.any():
            return
        stroke, speed = stroke[mine], speed[mine]
        self.time_s += step * len(stroke)
        compression, rebound = band_times(speed, step)
        self.bands_compression_s += compression
        self.bands_rebound_s += rebound
        self.speed_s += step * _counts(speed, SPEED_MOST_MM_S, SPEED_STEP_MM_S, len(self.speed_s))
        self.stroke_s += step * _counts(stroke, STROKE_MOST_MM, STROKE_STEP_MM, len(self.stroke_s))
        self.least_mm, self.most_mm = min(self.least_mm, stroke.min()), max(self.most_mm, stroke.max())
        self.fastest_compression_mm_s = max(self.fastest_compression_mm_s, float(speed.max()))
        self.fastest_rebound_mm_s = max(self.fastest_rebound_mm_s, float(-speed.min()))
        pressed, extended = self.ends
        if pressed is not None:
            self.near_compression_s += step * float(np.count_nonzero(stroke >= pressed.near_mm))
        if extended is not None:
            self.near_rebound_s += step * float(np.count_nonzero(-stroke >= extended.near_mm))

    def as_json(self) -> dict[str, Any]:
        """Return the figures under stable keys; empty bins at both sides of a histogram are left out."""
        known = self.time_s > 0.0
        return {
            "time_s": self.time_s,
            "least_mm": float(self.least_mm) if known else None,
            "most_mm": float(self.most_mm) if known else None,
            "fastest_compression_mm_s": self.fastest_compression_mm_s,
            "fastest_rebound_mm_s": self.fastest_rebound_mm_s,
            "bands_mm_s": list(BANDS_MM_S),
            "bands_compression_s": self.bands_compression_s.tolist(),
            "bands_rebound_s": self.bands_rebound_s.tolist(),
            "speed_histogram": _histogram(self.speed_s, SPEED_MOST_MM_S, SPEED_STEP_MM_S),
            "stroke_histogram": _histogram(self.stroke_s, STROKE_MOST_MM, STROKE_STEP_MM),
            "ends": [
                None
                if end is None
                else {
                    "side": side,
                    "stop_mm": end.stop_mm,
                    "near_mm": end.near_mm,
                    "margin_mm": margin,
                    "near_s": near,
                }
                for end, side, margin, near in zip(
                    self.ends,
                    ("compression", "rebound"),
                    self.margins_mm(),
                    (self.near_compression_s, self.near_rebound_s),
                    strict=True,
                )
            ],
            "event_count": self.event_count,
            "events": [
                {
                    "side": "compression" if event.compression else "rebound",
                    "at_s": event.at_s,
                    "speed_mm_s": event.speed_mm_s,
                    "gap_mm": event.gap_mm,
                    "duration_s": event.duration_s,
                    "energy_j_kg": event.energy_j_kg,
                }
                for event in self.events
            ],
        }

    def margins_mm(self) -> tuple[float | None, float | None]:
        """Return the least distance that was left to the compression and to the rebound stop; None where not known."""
        pressed, extended = self.ends
        known = self.time_s > 0.0
        return (
            float(pressed.stop_mm - self.most_mm) if pressed is not None and known else None,
            float(extended.stop_mm + self.least_mm) if extended is not None and known else None,
        )


def _counts(values: Floats, most: float, step: float, bins: int) -> NDArray[np.int64]:
    place = np.clip(np.floor((values + most) / step), 0, bins - 1).astype(np.intp)
    return np.bincount(place, minlength=bins)


def _histogram(seconds: Floats, most: float, step: float) -> dict[str, Any]:
    used = np.flatnonzero(seconds)
    first, last = (int(used[0]), int(used[-1]) + 1) if len(used) else (0, 0)
    return {"from": first * step - most, "step": step, "seconds": seconds[first:last].tolist()}
