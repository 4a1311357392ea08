"""ISO 2631-1 frequency weighting Wk of vertical acceleration, as a digital filter.

Parameters as in ISO 8041 [S]: band limits 0.4 and 100 Hz (Butterworth), transition 12.5 Hz with Q 0.63, upward step
2.37 and 3.35 Hz with Q 0.91. Each of the four analogue sections becomes a second-order section of its own: poles where
exp(s T) puts them, and a numerator whose gain is the analogue one at 0, at a middle frequency and at the highest one
that counts (after Vicanek 2016, "Matched second order digital filters" [S, from memory]). The bilinear transform
would cramp the gain toward half the sampling rate, -14 % at 80 Hz and 500 samples a second.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Floats

HIGHEST_HZ = 80.0
# Errors against the standard from 0.3 to 80 Hz, measured: 1.1 % at this rate, 0.05 % at 500, under 0.01 % at 1000.
SLOWEST_HZ = 250.0
# The high-pass at 0.4 Hz has settled.
SETTLE_S = 2.0


@dataclass(frozen=True, slots=True)
class Section:
    """(b0 + b1 s + b2 s^2) / (a0 + a1 s + a2 s^2), and the frequency at which its middle is matched."""

    numerator: tuple[float, float, float]
    denominator: tuple[float, float, float]
    middle_hz: float

    def gain(self, hz: Floats | float) -> NDArray[np.complex128]:
        """Return its complex gain."""
        s = 2j * math.pi * np.asarray(hz, dtype=np.float64)
        above = self.numerator[0] + s * (self.numerator[1] + s * self.numerator[2])
        below = self.denominator[0] + s * (self.denominator[1] + s * self.denominator[2])
        gain: NDArray[np.complex128] = np.asarray(above / below)
        return gain


def _resonance(hz: float, quality: float) -> tuple[float, float, float]:
    w = 2.0 * math.pi * hz
    return 1.0, 1.0 / (quality * w), 1.0 / w**2


def _wk_sections() -> tuple[Section, ...]:
    low, high = _resonance(0.4, math.sqrt(0.5)), _resonance(100.0, math.sqrt(0.5))
    step_up, step_down = _resonance(2.37, 0.91), _resonance(3.35, 0.91)
    ratio = (2.37 / 3.35) ** 2
    first, second, third = (ratio * part for part in step_up)
    return (
        Section((0.0, 0.0, low[2]), low, 1.0),
        Section((first, second, third), step_down, 3.35),
        Section((1.0, 1.0 / (2.0 * math.pi * 12.5), 0.0), _resonance(12.5, 0.63), 16.0),
        Section((1.0, 0.0, 0.0), high, 50.0),
    )


WK = _wk_sections()


def wk_gain(hz: Floats | float) -> Floats:
    """Return the gain that the standard defines."""
    gain = np.ones_like(np.asarray(hz, dtype=np.float64))
    for section in WK:
        gain = gain * np.abs(section.gain(hz))
    return gain


def wk_filter(rate_hz: float) -> Floats:
    """Return Wk as second-order sections for a sampling rate, (4, 6), as scipy.signal has them.

    Raises:
        InputError: the rate is too low for frequencies up to 80 Hz.

    """
    if not rate_hz >= SLOWEST_HZ:
        raise InputError(
            f"{rate_hz:g} samples a second carry no weighting up to {HIGHEST_HZ:g} Hz; "
            f"{SLOWEST_HZ:g} or more are needed",
            where="ISO 2631-1",
        )
    return np.stack([_matched(section, rate_hz) for section in WK])


def _matched(section: Section, rate_hz: float) -> Floats:
    poles = np.exp(np.roots(section.denominator[::-1]) / rate_hz)
    below = np.real(np.poly(poles))
    if section.numerator[:2] == (0.0, 0.0):
        # Both zeros stay at 0 Hz; the gain far above is 1.
        double_zero = np.array([1.0, -2.0, 1.0])
        scale = _size(section, HIGHEST_HZ) / abs(
            _digital(double_zero, HIGHEST_HZ, rate_hz) / _digital(below, HIGHEST_HZ, rate_hz)
        )
        return np.concatenate((scale * double_zero, below))
    points = np.array([0.0, section.middle_hz, HIGHEST_HZ])
    wanted = np.array([(_size(section, hz) * abs(_digital(below, hz, rate_hz))) ** 2 for hz in points])
    # |B|^2 is linear in the autocorrelation of b: r0 + 2 r1 cos w + 2 r2 cos 2w.
    w = 2.0 * math.pi * points / rate_hz
    r0, r1, r2 = np.linalg.solve(
        np.stack((np.ones(3), 2.0 * np.cos(w), 2.0 * np.cos(2.0 * w)), axis=1), wanted
    )
    return np.concatenate((_factor(r0, r1, r2, math.sqrt(wanted[0])), below))


def _size(section: Section, hz: float) -> float:
    return float(np.abs(section.gain(hz)))


def _digital(coefficients: Floats, hz: float, rate_hz: float) -> complex:
    z = np.exp(-2j * math.pi * hz / rate_hz)
    return complex(coefficients[0] + z * (coefficients[1] + z * coefficients[2]))


def _factor(r0: float, r1: float, r2: float, total: float) -> Floats:
    """Return b with b0 + b1 + b2 = total and the given autocorrelation, zeros inside the unit circle."""
    # Without r2 there is but one zero.
    outer = [] if abs(r2) < 1e-14 * abs(r0) else [r2]
    zeros = np.roots([*outer, r1, r0, r1, *outer])
    inside = np.sort_complex(zeros[np.argsort(np.abs(zeros))][: len(zeros) // 2])
    b = np.real(np.poly(inside))
    b = np.concatenate((b, np.zeros(3 - len(b))))
    scaled: Floats = b * (total / b.sum())
    return scaled


def weighted(accel_m_s2: Floats, rate_hz: float) -> Floats:
    """Return an acceleration weighted by Wk, along the first axis."""
    from scipy.signal import sosfilt

    answer: Floats = sosfilt(wk_filter(rate_hz), accel_m_s2, axis=0)
    return answer


def weighted_rms(accel_m_s2: Floats, rate_hz: float, settle_s: float = SETTLE_S) -> float:
    """Return the root mean square of the weighted acceleration (n,), without the filter's first seconds.

    Raises:
        InputError: the record is shorter than that.

    """
    skip = round(settle_s * rate_hz)
    if len(accel_m_s2) <= skip:
        raise InputError(
            f"{len(accel_m_s2) / rate_hz:g} s are too short; the filter settles in {settle_s:g} s",
            where="ISO 2631-1",
        )
    return float(np.sqrt(np.mean(weighted(accel_m_s2, rate_hz)[skip:] ** 2)))
