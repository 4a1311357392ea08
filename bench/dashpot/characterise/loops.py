"""The loop of force over speed: how far the valve's speed lags behind the stroke speed.

On a sine of valve speed any single-valued force has its fundamental in phase with it [X: the integral of f(A sin p) cos p
over a cycle is 0]. A first-order lag of the speed turns the phase by atan(omega tau), so the phase between the
fundamentals of stroke speed and valve force gives tau whatever the curve. A spring in phase with the stroke would look
the same; the gas has been taken away before. So would a delay between the dyno's channels, which stays in.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.characterise.rod import Rod
    from dashpot.characterise.strokes import Motion, Points
    from dashpot.plant.car import Floats

#: A cycle's halves must have peak speeds within this share, and the speed be a sine within this share.
SAME_PEAK = 0.10
SINE = 0.05
HARMONICS = 9
#: Cycles below this many samples are too coarse for a phase.
LEAST_SAMPLES = 16
#: And of slow ones no more than these are used: what counts is the quick ones' phase.
MOST_SAMPLES = 160
#: No lag is known better than to these shares of itself and of a sample [D].
LEAST_SHARE, LEAST_SAMPLE = 0.005, 0.005
#: Slower cycles have no phase worth the name.
LEAST_HZ = 0.4


def speed_lag(motions: Sequence[Motion], points: Points, rod: Rod) -> tuple[float, float, int]:
    """Return the lag, its standard error (infinite where there is no cycle), and the number of cycles."""
    rows = []
    for i in range(len(points) - 1):
        if (
            points.motion[i] == points.motion[i + 1]
            and points.stop[i] - 1 == points.start[i + 1]
            and points.held[i]
            and points.held[i + 1]
            and abs(points.peak_m_s[i] - points.peak_m_s[i + 1]) <= SAME_PEAK * points.peak_m_s[i]
        ):
            row = _cycle(motions[int(points.motion[i])], int(points.start[i]), int(points.stop[i + 1]), rod)
            if row is not None:
                rows.append(row)
    if not rows:
        return 0.0, float("inf"), 0
    omega, tangent, weight = np.array(rows).T
    power = float(np.sum(weight * omega**2))
    lag = float(np.sum(weight * omega * tangent)) / power
    rest = tangent - lag * omega
    # By the scatter of the cycles, each with its own weight.
    error = float(np.sqrt(np.sum((weight * omega * rest) ** 2))) / power
    error *= float(np.sqrt(len(rows) / max(len(rows) - 1, 1)))
    step_s = float(np.median([motion.step_s for motion in motions]))
    error = max(error, LEAST_SHARE * lag, LEAST_SAMPLE * step_s)
    return max(lag, 0.0), error if len(rows) > 1 else float("inf"), len(rows)


def _cycle(motion: Motion, start: int, stop: int, rod: Rod) -> tuple[float, float, float] | None:
    """Return angular speed, tangent of the force's lag and weight of one cycle, None where it is no sine."""
    every = max(1, (stop - start) // MOST_SAMPLES)
    span = slice(start, stop, every)
    count = len(motion.time_s[span])
    period_s = _turn_s(motion, stop - 1) - _turn_s(motion, start)
    if count < LEAST_SAMPLES or 1.0 / period_s < LEAST_HZ:
        return None
    speed = motion.speed_m_s[span]
    omega = 2.0 * np.pi / period_s
    angle = omega * (motion.time_s[span] - motion.time_s[start])
    basis = np.stack(
        [
            np.ones(count),
            *(f(k * angle) for k in range(1, min(HARMONICS, count // 6) + 1) for f in (np.cos, np.sin)),
        ],
        axis=1,
    )
    valve = motion.force_n[span] - rod.gas_at(motion.position_m[span]) - rod.friction_at(speed)
    pair: Floats = np.stack((speed, valve), axis=1)
    found: Floats = np.linalg.lstsq(basis, pair, rcond=None)[0]
    v, f = (complex(found[1, i], -found[2, i]) for i in range(2))
    rest = speed - (basis[:, 1:3] @ found[1:3, 0])
    if float(np.std(rest)) > SINE * abs(v) or abs(f) == 0.0:
        return None
    turned = v / f
    if turned.real <= 0.0:
        return None
    return omega, turned.imag / turned.real, abs(f) ** 2 * count


def _turn_s(motion: Motion, sample: int) -> float:
    """Return when the speed goes through 0 near a turn, between the samples; the sample's own time at an end."""
    for i in (sample - 1, sample, sample - 2, sample + 1):
        if 0 < i < len(motion.time_s) - 2:
            before, after = float(motion.speed_m_s[i]), float(motion.speed_m_s[i + 1])
            if before * after < 0.0:
                return float(motion.time_s[i]) + motion.step_s * before / (before - after)
    return float(motion.time_s[sample])
