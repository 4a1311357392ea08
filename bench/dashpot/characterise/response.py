"""How fast the force follows the current: steps of a held current while the rod moves evenly.

Each step is fitted with nothing for a delay, then a first-order lag, both on the current as it was measured, and the
surface turns that valve current into force. So the coil's own rise is not counted twice, and neither a changing speed
nor a curved surface is taken for slowness.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import median_filter
from scipy.optimize import least_squares
from scipy.stats import t as student

from dashpot.characterise.strokes import held_within, lagged, noise_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dashpot.characterise.rod import Rod
    from dashpot.characterise.strokes import Motion
    from dashpot.plant.car import Floats

#: Currents that differ by this are a step, if the change is over in so much time.
STEP_A = 0.100
STEP_TIME_S = 0.060
#: What is looked at around a step.
BEFORE_S, AFTER_S = 0.040, 0.120
#: The speed must be above this and stay within this share of its mean.
SLOWEST_M_S = 0.030
EVEN = 0.35
#: The force must change by so many times its noise.
CLEAR = 8.0
#: A lag and a delay are looked for within these.
TIME_S = (2e-4, 0.2)
DELAY_S = (0.0, 0.08)
STARTS = ((0.001, 0.004), (0.001, 0.015), (0.004, 0.006), (0.010, 0.010), (0.010, 0.040))
#: Samples within delay plus lag, below which neither is to be believed.
LEAST_SAMPLES = 5.0
CONFIDENCE = 0.95
#: No delay is known better than to this share of a sample, no time than to this share of itself: the surface between its
#: currents is drawn straight [D].
LEAST_DELAY_BAND, LEAST_TIME_BAND = 0.2, 0.01


@dataclass(frozen=True, slots=True)
class Step:
    """One step, from its first sample on.

    Attributes:
        time_s: from the start of the current's change.
        current_a, force_n: measured; the force is the valve's, as a magnitude.
        speed_m_s: signed.
        before_a, after_a: currents held around it.
        name: of the file.
        at_s: when, on the file's clock.

    """

    time_s: Floats
    current_a: Floats
    force_n: Floats
    speed_m_s: Floats
    before_a: float
    after_a: float
    name: str
    at_s: float

    @property
    def up(self) -> bool:
        """The current rises."""
        return self.after_a > self.before_a


@dataclass(frozen=True, slots=True)
class Fit:
    """Delay and time constant of one way, in seconds, with half widths of their 95 % bands.

    `t63_s` and `t90_s` are the force's waits after a change of current that takes no time; `seen_t63_s` and
    `seen_t90_s` those after the measured current began to change, the coil's own rise included.
    """

    delay_s: float
    time_s: float
    delay_band_s: float
    time_band_s: float
    t63_s: float
    t63_band_s: float
    t90_s: float
    seen_t63_s: float
    seen_t90_s: float
    steps: int
    step_s: float

    @property
    def coarse(self) -> bool:
        """The samples are too far apart for it."""
        return self.t63_s < LEAST_SAMPLES * self.step_s


def steps_of(motions: Sequence[Motion], rod: Rod) -> tuple[list[Step], int]:
    """Find the steps; return them and the number that could not be used: uneven speed, no room, a force that hardly changes."""
    found: list[Step] = []
    left = 0
    for motion in motions:
        for start, stop in _changes(motion):
            step = _step(motion, start, stop, rod)
            if step is None:
                left += 1
            else:
                found.append(step)
    return found, left


def _changes(motion: Motion) -> list[tuple[int, int]]:
    """Return first and last sample of each quick change of current."""
    quiet = median_filter(motion.current_a, size=3, mode="nearest")
    width = max(1, round(0.005 / motion.step_s))
    moved = np.zeros(len(quiet))
    moved[width:] = np.abs(quiet[width:] - quiet[:-width])
    busy = moved > max(2.0 * held_within(motion.current_a), 0.02)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], busy, [False])).astype(np.int8)))
    changes: list[tuple[int, int]] = []
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        begin, end = max(first - width, 0), min(last, len(quiet) - 1)
        if abs(quiet[end] - quiet[begin]) >= STEP_A and (end - begin) * motion.step_s <= STEP_TIME_S:
            changes.append((begin, end))
    return changes


def _step(motion: Motion, start: int, stop: int, rod: Rod) -> Step | None:
    before, after = round(BEFORE_S / motion.step_s), round(AFTER_S / motion.step_s)
    first, last = start - before, start + after
    turn = np.searchsorted(motion.turns, [first, start])
    if first >= 0 and turn[0] != turn[1]:
        first = max(first, motion.turns[int(turn[1]) - 1])
    ends = [t for t in motion.turns if t > start]
    if ends:
        last = min(last, ends[0])
    if first < 0 or start - first < max(4, before // 4) or last - stop < after // 3:
        return None
    # Near a turn the speed is not even; what is even of the window must still hold the step.
    span = slice(first, last)
    speed = motion.speed_m_s[span]
    at = start - first
    middle = float(np.median(speed))
    even = np.abs(speed - middle) <= EVEN * abs(middle)
    if abs(middle) < SLOWEST_M_S or not even[at]:
        return None
    low = at - int(np.argmin(even[:at][::-1])) if not even[:at].all() else 0
    high = at + int(np.argmin(even[at:])) if not even[at:].all() else len(even)
    if at - low < max(4, before // 4) or high - (stop - first) < after // 3:
        return None
    span = slice(first + low, first + high)
    speed, current = motion.speed_m_s[span], motion.current_a[span]
    sign = float(np.sign(middle))
    force = sign * (motion.force_n[span] - rod.gas_at(motion.position_m[span]) - rod.friction_at(speed))
    at -= low
    before_a = float(np.median(current[:at]))
    tail = max(4, (len(current) - at) // 3)
    after_a = float(np.median(current[-tail:]))
    if abs(after_a - before_a) < STEP_A:
        return None
    # Where the current leaves its band: that is when the change begins.
    gone = np.flatnonzero(
        np.abs(current - before_a) > max(0.05 * abs(after_a - before_a), held_within(current))
    )
    begin = int(gone[gone >= max(at - 2, 0)][0]) - 1 if len(gone[gone >= max(at - 2, 0)]) else at
    change = float(np.mean(force[-tail:]) - np.mean(force[: max(begin, 1)]))
    if abs(change) < CLEAR * noise_of(force):
        return None
    time = motion.time_s[span]
    return Step(time - time[begin], current, force, speed, before_a, after_a, motion.name, float(time[begin]))


def valve_current(step: Step, delay_s: float, time_s: float) -> Floats:
    """Return the current that the valve acts on: the measured one, late and lagged."""
    late = np.interp(step.time_s - delay_s, step.time_s, step.current_a, left=step.before_a)
    return lagged(late, float(np.median(np.diff(step.time_s))), time_s)


def modelled(
    step: Step, delay_s: float, time_s: float, force_of: Callable[[Floats, Floats], Floats]
) -> Floats:
    """Return the fitted force of a step, its level and size fitted to the measured ones."""
    shape = np.abs(force_of(step.speed_m_s, valve_current(step, delay_s, time_s)))
    basis = np.stack((np.ones_like(shape), shape), axis=1)
    found: Floats = np.linalg.lstsq(basis, step.force_n, rcond=None)[0]
    made: Floats = basis @ found
    return made


def fit_steps(steps: Sequence[Step], force_of: Callable[[Floats, Floats], Floats]) -> Fit | None:
    """Fit delay and time constant to the steps of one way.

    Args:
        steps: of one way.
        force_of: the valve's force at signed speeds and currents.

    Returns:
        The fit, None without steps. The bands are by the scatter between steps where there are four or more, else by
        the curvature of the fit; whichever is wider.

    """
    if not steps:
        return None

    def errors(values: Floats, some: Sequence[Step]) -> Floats:
        return np.concatenate(
            [
                (modelled(step, float(values[0]), float(np.exp(values[1])), force_of) - step.force_n)
                / max(float(np.std(step.force_n)), 1e-9)
                for step in some
            ]
        )

    bounds = ([DELAY_S[0], np.log(TIME_S[0])], [DELAY_S[1], np.log(TIME_S[1])])
    starts = [np.array((delay, np.log(time))) for delay, time in STARTS]
    best = min(starts, key=lambda start: float(np.sum(errors(start, steps) ** 2)))

    def solve(some: Sequence[Step], start: Floats) -> object:
        return least_squares(
            errors, start, args=(some,), bounds=bounds, x_scale=(0.002, 0.2), diff_step=1e-3, max_nfev=60
        )

    whole = solve(steps, best)
    delay, time = float(whole.x[0]), float(np.exp(whole.x[1]))  # type: ignore[attr-defined] # scipy has no stubs
    freedom = max(len(whole.fun) - 2 - 2 * len(steps), 1)  # type: ignore[attr-defined] # the same
    jacobian = whole.jac * np.array((1.0, 1.0 / time))  # type: ignore[attr-defined] # the same
    cover = np.linalg.pinv(jacobian.T @ jacobian) * float(np.sum(whole.fun**2)) / freedom  # type: ignore[attr-defined] # the same
    half = 1.96 * np.sqrt(np.array((cover[0, 0], cover[1, 1], max(cover.sum(), 0.0))))
    if len(steps) >= 4:
        each = np.array([solve([step], whole.x).x for step in steps])  # type: ignore[attr-defined] # the same
        alone = np.stack((each[:, 0], np.exp(each[:, 1]), each[:, 0] + np.exp(each[:, 1])))
        factor = float(student.ppf(0.5 + CONFIDENCE / 2.0, len(steps) - 1)) / np.sqrt(len(steps))
        half = np.maximum(half, factor * np.std(alone, axis=1, ddof=1))
    step_s = float(np.median([np.median(np.diff(step.time_s)) for step in steps]))
    half = np.maximum(
        half, (LEAST_DELAY_BAND * step_s, LEAST_TIME_BAND * time, LEAST_TIME_BAND * (delay + time))
    )
    seen = np.array([_crossings(step, modelled(step, delay, time, force_of)) for step in steps])
    return Fit(
        delay, time, float(half[0]), float(half[1]), delay + time, float(half[2]),
        delay + time * float(np.log(10.0)), float(np.nanmedian(seen[:, 0])), float(np.nanmedian(seen[:, 1])),
        len(steps), step_s,
    )  # fmt: skip


def _crossings(step: Step, model_n: Floats) -> tuple[float, float]:
    """Return when the fitted force has made 63.2 and 90 % of its way."""
    start = float(model_n[max(int(np.searchsorted(step.time_s, 0.0)) - 1, 0)])
    share = (model_n - start) / (float(model_n[-1]) - start or 1e-9)
    times = []
    for goal in (1.0 - np.exp(-1.0), 0.9):
        past = np.flatnonzero((share >= goal) & (step.time_s >= 0.0))
        if not len(past) or past[0] == 0:
            times.append(float("nan"))
            continue
        i = int(past[0])
        rise = share[i] - share[i - 1]
        back = (share[i] - goal) / rise if rise > 0.0 else 0.0
        times.append(float(step.time_s[i] - back * (step.time_s[i] - step.time_s[i - 1])))
    return times[0], times[1]
