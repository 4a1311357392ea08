"""Signals on an even time grid: what correlation, filters and derivatives need.

All functions take plain (time, value) arrays, seconds from any origin and any unit, so that they serve a log's channels
and a run's columns alike. What is not known is NaN: over a gap nothing is invented.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]


class Trace(NamedTuple):
    """One signal as it was sampled.

    Attributes:
        time_s: float64[n], rising.
        value: float64[n].

    """

    time_s: Floats
    value: Floats


#: A step of this many usual ones is a gap, and the grid has nothing there.
GAP_PERIODS = 5.0


def usual_step_s(time_s: Floats) -> float:
    """Return the median time between two samples, 0 for fewer than two."""
    return float(np.median(np.diff(time_s))) if len(time_s) > 1 else 0.0


def on_grid(trace: Trace, grid_s: Floats) -> Floats:
    """Return the signal at other times, float64[len(grid_s)], by straight lines, which delay nothing.

    NaN outside the samples and over gaps of more than GAP_PERIODS usual steps.
    """
    time_s, value = trace
    if len(time_s) < 2:
        return np.full(len(grid_s), np.nan)
    result = np.interp(grid_s, time_s, value, left=np.nan, right=np.nan)
    steps = np.diff(time_s)
    for gap in np.flatnonzero(steps > GAP_PERIODS * np.median(steps)):
        result[(grid_s > time_s[gap]) & (grid_s < time_s[gap + 1])] = np.nan
    return result


def spans(mask: Bools, least: int) -> list[slice]:
    """Return the runs of True of at least `least` items."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [
        slice(int(start), int(end))
        for start, end in zip(edges[::2], edges[1::2], strict=True)
        if end - start >= least
    ]


def smoothed(value: Floats, rate_hz: float, corner_hz: float) -> Floats:
    """Pass a grid through a second-order Butterworth filter there and back: no delay, -6 dB at the corner.

    Runs between NaN are filtered each for itself; those shorter than one period of the corner become NaN.
    """
    from scipy import signal

    sections = signal.butter(2, corner_hz, fs=rate_hz, output="sos")
    result = np.full(len(value), np.nan)
    least = max(16, int(rate_hz / corner_hz))
    for run in spans(np.isfinite(value), least):
        result[run] = signal.sosfiltfilt(sections, value[run])
    return result


def slope(value: Floats, rate_hz: float) -> Floats:
    """Return the time derivative of a grid by central differences, which delay nothing; NaN beside NaN."""
    if len(value) < 2:
        return np.full(len(value), np.nan)
    derived: Floats = np.gradient(value) * rate_hz
    return derived
