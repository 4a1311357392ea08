"""Half strokes: what a dyno's motion is made of, whatever the test; each is held against its current and its speed."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter, minimum_filter1d
from scipy.signal import find_peaks, lfilter, savgol_filter

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashpot.characterise.readings import Readings
    from dashpot.plant.car import Floats

#: A pause this many sample periods long cuts a file into stretches.
PAUSE = 5.0
LEAST_SAMPLES = 20
#: Widths of the smoothing that gives the speed, and the least number of samples in it.
WINDOWS_S = (0.004, 0.008, 0.016, 0.064, 0.256, 1.0)
WINDOW_SAMPLES = 5
#: A window is at most this share of range / peak speed, which is 1/pi of a sine's period: errs by under 0.1 %.
WINDOW_SHARE = 0.25
#: A turn of the motion must be this far from the next, and this many times the noise of the position.
LEAST_TURN_M = 1e-4
TURN_SIGMAS = 10.0
SCRAP = 0.3
#: Share of the peak speed from which samples count to the peak.
TOP = 0.95
PEAK_QUANTILE = 0.97
#: Share of a half stroke at either end that is no part of its peak: at a triangle's corner the smoothed speed overshoots.
EDGE = 0.15
#: The current must have been held for this long before it.
SETTLE_S = 0.06
#: A current is held while it stays within this, or within so many times its noise.
HELD_A = 0.010
HELD_SIGMAS = 4.0
#: The current before the last change of at least this says from which side it came.
SIDE_A = 0.030


@dataclass(frozen=True, slots=True)
class Motion:
    """A file without pauses: uniform enough to be filtered.

    Attributes:
        name: of the file.
        step_s: sample period.
        time_s, position_m, speed_m_s, force_n, current_a: readings; the speed is the position's derivative or the
            column where that agrees.
        temperature_c, voltage_v, duty: where they were recorded.
        coil_c: of the winding, where it was recorded, else of the oil.
        turns: sample indices that bound the half strokes, both ends included.

    """

    name: str
    step_s: float
    time_s: Floats
    position_m: Floats
    speed_m_s: Floats
    force_n: Floats
    current_a: Floats
    temperature_c: Floats | None
    coil_c: Floats | None
    voltage_v: Floats | None
    duty: Floats | None
    turns: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Points:
    """Half strokes' peaks, an array each; one entry is the mean over the samples near the peak speed.

    Attributes:
        motion: which motion it lies in.
        start, stop: samples of the half stroke.
        direction: 1 compression, -1 rebound.
        peak_m_s: greatest speed.
        speed_m_s: mean speed near the peak, a magnitude, as the valve sees it.
        stroke_speed_m_s: the same as the rod moves.
        position_m, force_n, current_a, temperature_c: means near the peak; the force as read.
        noise_n: noise of one sample of the force.
        samples: how many.
        held: the current was held before and near the peak.
        side: -1 the current came from below, 1 from above, 0 not known.

    """

    motion: NDArray[np.intp]
    start: NDArray[np.intp]
    stop: NDArray[np.intp]
    direction: Floats
    peak_m_s: Floats
    speed_m_s: Floats
    stroke_speed_m_s: Floats
    position_m: Floats
    force_n: Floats
    current_a: Floats
    temperature_c: Floats
    noise_n: Floats
    samples: Floats
    held: NDArray[np.bool_]
    side: Floats

    def where(self, mask: NDArray[np.bool_]) -> Points:
        """Return some of them."""
        return Points(*(getattr(self, name)[mask] for name in self.__slots__))

    def __len__(self) -> int:
        return len(self.motion)


@dataclass(frozen=True, slots=True)
class SpeedCheck:
    """A speed column against the position's derivative: factor between them, and the scatter that is left."""

    name: str
    factor: float
    scatter: float

    @property
    def agrees(self) -> bool:
        """Within 5 %, and no more scatter than a tenth."""
        return abs(self.factor - 1.0) <= 0.05 and self.scatter <= 0.1


def noise_of(values: Floats) -> float:
    """Return the standard deviation of white noise on a smooth signal, from third differences (robust)."""
    third = np.diff(values, 3)
    # White noise of 1 becomes sqrt(1 + 9 + 9 + 1) = sqrt(20); 1.4826 makes a median a standard deviation.
    return float(1.4826 * np.median(np.abs(third - np.median(third))) / np.sqrt(20.0)) if len(third) else 0.0


def motions_of(readings: Readings) -> tuple[list[Motion], SpeedCheck | None, int]:
    """Cut a file at its pauses and find speed and turns.

    Returns:
        The motions; how the speed column compares; samples in stretches too short to use.

    """
    assert readings.current_a is not None
    step_s = float(np.median(np.diff(readings.time_s)))
    cuts = np.flatnonzero(np.diff(readings.time_s) > PAUSE * step_s) + 1
    edges = [0, *cuts.tolist(), len(readings.time_s)]
    made, lost = [], 0
    derived: list[Floats] = []
    spans: list[slice] = []
    for start, stop in pairwise(edges):
        if stop - start < LEAST_SAMPLES:
            lost += stop - start
            continue
        spans.append(slice(start, stop))
        derived.append(derivative(readings.position_m[start:stop], step_s))
    check = _compare(readings, spans, derived)
    for span, speed in zip(spans, derived, strict=True):
        if check is not None and check.agrees:
            assert readings.speed_m_s is not None
            speed = readings.speed_m_s[span]  # noqa: PLW2901 - the better of two for the same span
        made.append(_motion(readings, span, step_s, speed))
    return made, check, lost


def derivative(position_m: Floats, step_s: float) -> Floats:
    """Return the speed by Savitzky-Golay, the window as wide as the motion allows at each sample."""
    turns = turns_of(position_m)
    speed = _smooth(position_m, step_s, WINDOWS_S[0])
    widths = np.zeros(len(position_m))
    for start, stop in pairwise(turns):
        span = float(np.ptp(position_m[start : stop + 1]))
        peak = float(np.max(np.abs(speed[start : stop + 1])))
        widths[start : stop + 1] = WINDOW_SHARE * span / max(peak, 1e-9)
    for window in WINDOWS_S[1:]:
        wide = widths >= window
        if wide.any():
            speed[wide] = _smooth(position_m, step_s, window)[wide]
    return speed


def _smooth(position_m: Floats, step_s: float, window_s: float) -> Floats:
    count = max(WINDOW_SAMPLES, round(window_s / step_s))
    count = min(count, len(position_m) - 1)
    count -= 1 - count % 2
    speed: Floats = savgol_filter(position_m, count, 3, deriv=1, delta=step_s)
    return speed


def turns_of(position_m: Floats) -> tuple[int, ...]:
    """Return the samples at which the motion turns round, and both ends."""
    least = max(LEAST_TURN_M, TURN_SIGMAS * noise_of(position_m))
    high = find_peaks(position_m, prominence=least)[0]
    low = find_peaks(-position_m, prominence=least)[0]
    both = sorted([*((int(i), 1) for i in high), *((int(i), -1) for i in low)])
    # Two samples of one crest may be equally high: the second is no turn.
    inner = [turn for i, (turn, kind) in enumerate(both) if i == 0 or kind != both[i - 1][1]]
    last = len(position_m) - 1
    # What a recording has before its first and after its last turn may be the scrap of a half stroke: it is dropped.
    first = 0
    while inner and _scrap(position_m, first, inner, least):
        first = inner.pop(0)
    while inner and _scrap(position_m, last, inner[::-1], least):
        last = inner.pop()
    return (first, *inner, last)


def _scrap(position_m: Floats, end: int, turns: Sequence[int], least_m: float) -> bool:
    """Say whether the way from an end to the first turn is only a scrap of the way that comes after it."""
    way = abs(float(position_m[turns[0]] - position_m[end]))
    after = abs(float(position_m[turns[1]] - position_m[turns[0]])) if len(turns) > 1 else 0.0
    return way < max(least_m, SCRAP * after)


def _compare(readings: Readings, spans: Sequence[slice], derived: Sequence[Floats]) -> SpeedCheck | None:
    if readings.speed_m_s is None or not spans:
        return None
    own = np.concatenate([readings.speed_m_s[span] for span in spans])
    found = np.concatenate(list(derived))
    power = float(found @ found)
    if power == 0.0:
        return None
    factor = float(own @ found) / power
    rest = own - factor * found
    size = float(np.sqrt(np.mean((factor * found) ** 2)))
    return SpeedCheck(readings.name, factor, float(np.sqrt(np.mean(rest**2))) / max(size, 1e-12))


def _motion(readings: Readings, span: slice, step_s: float, speed: Floats) -> Motion:
    def part(values: Floats | None) -> Floats | None:
        return None if values is None else values[span]

    assert readings.current_a is not None
    temperature = part(readings.temperature_c)
    coil = part(readings.coil_temperature_c)
    return Motion(
        readings.name, step_s, readings.time_s[span], readings.position_m[span], speed, readings.force_n[span],
        readings.current_a[span], temperature, temperature if coil is None else coil, part(readings.voltage_v),
        part(readings.duty), turns_of(readings.position_m[span]),
    )  # fmt: skip


def lagged(values: Floats, step_s: float, lag_s: float) -> Floats:
    """Return a first-order lag of samples that are joined by straight lines, exact, from rest at the first."""
    if lag_s <= 0.0:
        return values
    left = np.exp(-step_s / lag_s)
    gain = lag_s / step_s * (1.0 - left)
    weights = (1.0 - gain, gain - left)
    made: Floats = lfilter(weights, (1.0, -left), values, zi=[(1.0 - weights[0]) * values[0]])[0]
    return made


def held_within(current_a: Floats) -> float:
    """Return by how much a held current may wander."""
    return max(HELD_A, HELD_SIGMAS * noise_of(current_a))


def points_of(motions: Sequence[Motion], lag_s: float) -> Points:
    """Return the peak of each half stroke.

    Args:
        motions: what was recorded.
        lag_s: of the valve's speed behind the stroke speed; the peak is that of the valve's speed.

    """
    rows: list[tuple[float, ...]] = []
    sides = _Sides("", np.zeros(0), 1.0)
    for number, motion in enumerate(motions):
        valve_speed = lagged(motion.speed_m_s, motion.step_s, lag_s)
        quiet = median_filter(motion.current_a, size=3, mode="nearest")
        most = held_within(motion.current_a)
        noise = noise_of(motion.force_n)
        before = max(1, round(SETTLE_S / motion.step_s))
        low = minimum_filter1d(quiet, before + 1, origin=before // 2, mode="nearest")
        high = maximum_filter1d(quiet, before + 1, origin=before // 2, mode="nearest")
        spread = high - low
        # A pause in the recording does not make the valve forget; another file may be of another day.
        sides = sides.onwards(motion.name, quiet, motion.step_s)
        for start, stop in pairwise(motion.turns):
            row = _point(motion, valve_speed, start, stop + 1, noise)
            if row is None:
                continue
            top, numbers = row
            held = float(np.max(spread[top])) <= 2.0 * most
            current = numbers[6]
            rows.append((number, start, stop + 1, *numbers, float(held), sides.of(int(top[0]), current)))
    table = np.array(rows, dtype=np.float64).reshape(-1, 15)
    whole = table[:, :3].astype(np.intp)
    columns = {name: table[:, i] for i, name in enumerate(Points.__slots__) if i > 2 and name != "held"}
    return Points(motion=whole[:, 0], start=whole[:, 1], stop=whole[:, 2], held=table[:, 13] > 0.0, **columns)


def _point(
    motion: Motion, valve_speed: Floats, start: int, stop: int, noise_n: float
) -> tuple[NDArray[np.intp], tuple[float, ...]] | None:
    direction = 1.0 if motion.position_m[stop - 1] > motion.position_m[start] else -1.0
    margin = int(EDGE * (stop - start))
    inner = slice(start + margin, stop - margin)
    along = direction * valve_speed[inner]
    peak = float(np.quantile(along, PEAK_QUANTILE))
    if peak <= 0.0:
        return None
    top = inner.start + np.flatnonzero(along >= TOP * peak)
    force = motion.force_n[top]
    temperature = np.nan if motion.temperature_c is None else float(np.mean(motion.temperature_c[top]))
    return top, (
        direction,
        float(np.quantile(direction * motion.speed_m_s[inner], PEAK_QUANTILE)),
        float(np.mean(along[top - inner.start])),
        float(np.mean(direction * motion.speed_m_s[top])),
        float(np.mean(motion.position_m[top])),
        float(np.mean(force)),
        float(np.mean(motion.current_a[top])),
        temperature,
        noise_n,
        float(len(top)),
    )


class _Sides:
    """From which side a file's current came to where it is."""

    def __init__(self, name: str, current_a: Floats, step_s: float, past_a: Floats | None = None) -> None:
        self.name = name
        self.every = max(1, round(0.01 / step_s))
        past = np.zeros(0) if past_a is None else past_a
        self.offset = len(past)
        self.sparse = np.concatenate((past, current_a[:: self.every]))

    def onwards(self, name: str, current_a: Floats, step_s: float) -> _Sides:
        """Go on with the next motion."""
        return _Sides(name, current_a, step_s, self.sparse if name == self.name else None)

    def of(self, sample: int, current_a: float) -> float:
        """Return -1 where it rose to this current, 1 where it fell to it; from nothing it rose."""
        end = self.offset + sample // self.every
        width = 64
        while end > 0:
            begin = max(0, end - width)
            part = self.sparse[begin:end]
            off = np.flatnonzero(np.abs(part - current_a) > SIDE_A)
            if len(off):
                return float(np.sign(part[off[-1]] - current_a))
            end, width = begin, width * 2
        return -1.0 if current_a > SIDE_A else 0.0
