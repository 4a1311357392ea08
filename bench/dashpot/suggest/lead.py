"""How far one signal runs ahead of another, event by event: brake pressure before deceleration, steering before lateral.

The correlation at a lag compares x(t) with y(t + lag): a positive lag means that x leads. Every lag is normalised by
the very stretch of y that it uses, so a short window does not pull the peak towards zero as plain cross-correlation does.
Numerator: scipy.signal.correlate; the peak between two grid points: a parabola through the three highest.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.suggest.series import Trace, on_grid, slope, smoothed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

GRID_HZ = 200.0
#: Both signals pass the same filter without delay; the lag is that of what moves the body, not of noise.
SMOOTH_HZ = 8.0
#: A lag is looked for from the effect running ahead by this to its running behind by this.
LEAST_S, MOST_S = -0.15, 0.4
#: Below this correlation an event says nothing about the lag.
CORRELATED = 0.85
#: The window around the fastest moment of an event.
BEFORE_S, AFTER_S = 0.8, 1.2
ON_SHARE = 0.15
SHORTEST_S = 0.4
BOOTSTRAPS = 999


@dataclass(frozen=True, slots=True)
class Lag:
    """Where the correlation of two signals peaks, and how high; `inside` is False at an end of the lags tried."""

    lag_s: float
    correlation: float
    inside: bool


@dataclass(frozen=True, slots=True)
class Event:
    """One event: when the cause moved fastest, by how much it moved, and by how much it led."""

    at_s: float
    size: float
    lag_s: float
    correlation: float


@dataclass(frozen=True, slots=True)
class Lead:
    """The lead over all events.

    Attributes:
        events: those that count.
        skipped: events too unlike each other for a lag.
        median_s: their median lag, None without events.
        low_s, high_s: 95 % interval of the median by bootstrap over events, None with fewer than three.
        p10_s, p90_s: spread of single events.

    """

    events: tuple[Event, ...]
    skipped: int = 0
    median_s: float | None = None
    low_s: float | None = None
    high_s: float | None = None
    p10_s: float | None = None
    p90_s: float | None = None


def correlation_curve(x: Floats, y: Floats, before: int) -> Floats:
    """Return the correlation of x with each stretch of y that is as long, float64[len(y) - len(x) + 1].

    Args:
        x: float64[n], the window of the cause.
        y: float64[m], m >= n, the effect from `before` samples ahead of the window on; only its length is used here.
        before: samples of y ahead of the window, so that entry k belongs to a lag of k - before samples.

    Raises:
        ValueError: y is shorter than x, or `before` does not lie within it.

    """
    from scipy import signal

    count = len(x)
    if len(y) < count or not 0 <= before <= len(y) - count:
        raise ValueError("the effect must cover the window of the cause")
    centred = x - x.mean()
    # Centred as a whole first: sums of squares of small differences keep their digits.
    around = y - y.mean()
    raw = signal.correlate(around, centred, mode="valid")
    sums = np.concatenate(([0.0], np.cumsum(around)))
    squares = np.concatenate(([0.0], np.cumsum(around * around)))
    mean = (sums[count:] - sums[:-count]) / count
    spread = np.maximum((squares[count:] - squares[:-count]) / count - mean * mean, 0.0)
    scale = np.sqrt(spread * count * float(centred @ centred))
    # Where y stands still there is no correlation.
    moves = scale > 1e-12 * max(float(scale.max(initial=0.0)), 1e-300)
    curve: Floats = np.divide(raw, scale, out=np.zeros(len(raw)), where=moves)
    return curve


def peak(curve: Floats, before: int, rate_hz: float) -> Lag:
    """Find the highest point of a correlation curve, between samples by a parabola."""
    top = int(np.argmax(curve))
    inside = 0 < top < len(curve) - 1
    shift, height = 0.0, float(curve[top])
    if inside:
        left, middle, right = curve[top - 1 : top + 2]
        bend = left - 2.0 * middle + right
        if bend < 0.0:
            shift = float(0.5 * (left - right) / bend)
            height = float(middle - 0.25 * (left - right) * shift)
    return Lag((top + shift - before) / rate_hz, min(height, 1.0), inside)


def lag_between(
    x: Floats, y: Floats, rate_hz: float, window: slice, *, least_s: float = LEAST_S, most_s: float = MOST_S
) -> Lag | None:
    """Measure the lag of y behind x over a window of a common grid; None where y does not cover it or nothing moves."""
    start, stop = window.start, window.stop
    before, after = round(-least_s * rate_hz), round(most_s * rate_hz)
    if start < before or stop + after > len(y) or stop - start < 3:
        return None
    cause, effect = x[window], y[start - before : stop + after]
    if not (np.isfinite(cause).all() and np.isfinite(effect).all()) or not np.ptp(cause):
        return None
    return peak(correlation_curve(cause, effect, before), before, rate_hz)


def onsets(value: Floats, rate_hz: float, least_rate: float, *, apart_s: float, both: bool) -> list[int]:
    """Find where a signal moves fastest: peaks of its rate above `least_rate`, at least `apart_s` from each other."""
    from scipy import signal

    rate = slope(value, rate_hz)
    rate = np.abs(rate) if both else rate
    found, _ = signal.find_peaks(
        np.nan_to_num(rate, nan=0.0), height=least_rate, distance=max(1, round(apart_s * rate_hz))
    )
    return [int(place) for place in found]


def measure(
    cause: Trace,
    effect: Trace,
    *,
    least_rate: float,
    both: bool,
    while_on: bool = False,
    onset: Trace | None = None,
    own: tuple[float, float] | None = None,
) -> tuple[list[Event], int]:
    """Measure the lag of the effect behind the cause around each fast movement of the cause.

    Args:
        cause: the signal ahead.
        effect: the other one, turned so that both rise together.
        least_rate: unit of the cause a second from which a movement is an event.
        both: whether falling movements count as well.
        while_on: compare only while the cause is on, above ON_SHARE of the event's rise. For a cause that rests at zero
            while the effect goes on moving: a driver who lifts slows the car before the brake does, and over a fixed
            window that would pass for a shorter lead.
        onset: the signal whose fast movements are the events, with `least_rate` in its unit; the cause itself by default.
        own: take only events from the first time to before the second.

    Returns:
        The events, and how many were left out because the two signals were not alike.

    """
    if len(cause.time_s) < 2 or len(effect.time_s) < 2:
        return [], 0
    start = max(cause.time_s[0], effect.time_s[0])
    stop = min(cause.time_s[-1], effect.time_s[-1])
    if stop - start < BEFORE_S + AFTER_S:
        return [], 0
    grid = start + np.arange(int((stop - start) * GRID_HZ) + 1) / GRID_HZ
    x = smoothed(on_grid(cause, grid), GRID_HZ, SMOOTH_HZ)
    y = smoothed(on_grid(effect, grid), GRID_HZ, SMOOTH_HZ)
    moves = x if onset is None else smoothed(on_grid(onset, grid), GRID_HZ, SMOOTH_HZ)
    events, skipped = [], 0
    for place in onsets(moves, GRID_HZ, least_rate, apart_s=AFTER_S, both=both):
        at = float(grid[place])
        if own is not None and not own[0] <= at < own[1]:
            continue
        window = on_window(x, place) if while_on else _around(place)
        found = lag_between(x, y, GRID_HZ, window) if window is not None else None
        if found is None or not found.inside or found.correlation < CORRELATED:
            skipped += 1
            continue
        events.append(Event(at, float(np.ptp(x[window])), found.lag_s, found.correlation))
    return events, skipped


def _around(place: int) -> slice:
    return slice(place - round(BEFORE_S * GRID_HZ), place + round(AFTER_S * GRID_HZ))


def on_window(value: Floats, place: int) -> slice | None:
    """Return where a signal stays above ON_SHARE of its rise around a place of the grid; None where it is not whole."""
    around = _around(place)
    if around.start < 0 or around.stop > len(value) or not np.isfinite(value[around]).all():
        return None
    base, top = float(value[around.start : place].min()), float(value[place : around.stop].max())
    on = value > base + ON_SHARE * (top - base)
    # The fastest moment may be the very first, before the threshold.
    place += int(np.argmax(on[place : around.stop]))
    before, after = np.flatnonzero(~on[:place]), np.flatnonzero(~on[place:])
    if not on[place] or not len(before) or not len(after):
        return None
    start, stop = int(before[-1]) + 1, place + int(after[0])
    return slice(start, stop) if stop - start >= round(SHORTEST_S * GRID_HZ) else None


def summarise(events: Sequence[Event], skipped: int = 0, seed: int = 1) -> Lead:
    """Put events together: median, its 95 % interval by bootstrap over whole events, and the spread."""
    if not events:
        return Lead((), skipped)
    lags = np.array([event.lag_s for event in events])
    low, high = interval_of_median(lags, seed)
    p10, p90 = (float(q) for q in np.quantile(lags, (0.1, 0.9)))
    return Lead(tuple(events), skipped, float(np.median(lags)), low, high, p10, p90)


def interval_of_median(values: Floats, seed: int = 1) -> tuple[float | None, float | None]:
    """Return the 95 % interval of the median by percentile bootstrap over the values; None for fewer than three.

    Each value stands for a block of its own (an event, a stretch), so what is alike within a block does not count twice.
    """
    from scipy import stats

    if len(values) < 3:
        return None, None
    if np.ptp(values) == 0.0:
        return float(values[0]), float(values[0])
    found = stats.bootstrap(
        (values,), np.median, n_resamples=BOOTSTRAPS, method="percentile", rng=np.random.default_rng(seed)
    )
    return float(found.confidence_interval.low), float(found.confidence_interval.high)


def brake_lead(brake_bar: Trace, longitudinal: Trace, *, least_bar_s: float = 60.0) -> Lead:
    """Measure the lead of brake pressure over deceleration, braking by braking.

    Args:
        brake_bar: pressure, rising when the driver brakes.
        longitudinal: acceleration forwards in any unit, as the controller has it.
        least_bar_s: pressure rate from which it is a braking.

    """
    slowing = Trace(longitudinal.time_s, -longitudinal.value)
    return summarise(*measure(brake_bar, slowing, least_rate=least_bar_s, both=False, while_on=True))
