"""What the data cannot carry, each with what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.characterise.rod import SLOW_M_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dashpot.characterise.analysis import Forces
    from dashpot.characterise.response import Fit
    from dashpot.characterise.rod import Rod
    from dashpot.characterise.strokes import Motion, Points, SpeedCheck

FEW_SPEEDS = 4
FEW_CURRENTS = 4
#: Oil below this is cold, and a rise of more than the second is a drift.
COLD_C = 40.0
DRIFT_K = 10.0
#: A clipped channel stands at its extreme for so many samples while the rod moves.
CLIPPED_SAMPLES = 6
#: The middle of the strokes may lie this share of the longest stroke off ride height.
OFF_CENTRE = 0.2
#: A peak needs so many samples.
PEAK_SAMPLES = 3.0
#: More empty cells than this share: the currents were run at different speeds.
EMPTY = 0.25
#: A band of more than this share of the force is rough.
ROUGH = 0.10


@dataclass(frozen=True, slots=True)
class Doubt:
    """A short name that scripts can hold on to, and words."""

    code: str
    text: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """What the doubts are drawn from."""

    motions: Sequence[Motion]
    checks: Sequence[SpeedCheck]
    points: Points
    slow_m_s: float
    forces: Forces
    rod: Rod
    cycles: int
    up: Fit | None
    down: Fit | None
    unused_steps: int
    no_ohm: str
    no_henry: str
    lost: int
    reference_m: float
    told: Sequence[str]


def doubts_of(evidence: Evidence) -> list[Doubt]:
    """Return every doubt, the weightiest first."""
    return [
        *_forces(evidence),
        *_oil(evidence),
        *_channels(evidence),
        *_rod(evidence),
        *_times(evidence),
    ]


def _forces(evidence: Evidence) -> Iterator[Doubt]:
    forces = evidence.forces
    if forces.passive_n is None:
        yield Doubt(
            "no_zero_current",
            "no run without a current: what the valve does when it loses its current is not known; run every speed at 0 A",
        )
    if forces.bands == 0:
        yield Doubt(
            "one_way",
            "each current was reached from one side only: hysteresis is hidden, and forces may be off by half its band; run the "
            "currents up and down again",
        )
    speeds, currents = len(forces.speed_m_s), len(forces.current_a)
    if speeds < FEW_SPEEDS:
        yield Doubt(
            "few_speeds",
            f"only {speeds} peak speeds: the shape between them is a guess; run {FEW_SPEEDS} or more",
        )
    if currents < FEW_CURRENTS:
        yield Doubt("few_currents", f"only {currents} currents that can be held: run {FEW_CURRENTS} or more")
    empty = float(np.mean(forces.count == 0))
    if empty > EMPTY:
        yield Doubt(
            "no_overlap",
            f"{100 * empty:.0f} % of the cells of speed and current were never run and are filled in from their neighbours; "
            "run the same speeds at every current",
        )
    if forces.between_a:
        listed = ", ".join(f"{1000 * current:.0f}" for current in forces.between_a)
        yield Doubt(
            "in_the_jump", f"currents inside the jump were left out: {listed} mA; no valve can be held there"
        )
    rough = forces.band_n > ROUGH * np.maximum(forces.force_n, 1.0)
    if rough.any():
        yield Doubt(
            "rough",
            f"{int(rough.sum())} of {rough.size} forces are known to no better than {100 * ROUGH:.0f} %; record more cycles",
        )


def _oil(evidence: Evidence) -> Iterator[Doubt]:
    celsius = evidence.points.temperature_c[evidence.points.held]
    celsius = celsius[np.isfinite(celsius)]
    if not len(celsius):
        yield Doubt(
            "no_temperature", "no temperature was recorded: cold oil cannot be told from a firm valve"
        )
        return
    mean, span = float(np.mean(celsius)), float(np.ptp(celsius))
    if mean < COLD_C:
        yield Doubt(
            "cold",
            f"the oil had {mean:.0f} C on average: cold, so firmer than on the car; warm it above {COLD_C:.0f} C",
        )
    if span > DRIFT_K:
        yield Doubt(
            "drift",
            f"the oil's temperature changed by {span:.0f} K between the strokes: forces at different times are of different "
            "dampers; warm up first and pause between the runs",
        )


def _channels(evidence: Evidence) -> Iterator[Doubt]:
    for name in evidence.told:
        yield Doubt(
            "duty_not_current",
            f"{name}: the current was computed from duty, voltage and --resistance; it errs with the coil's temperature, "
            "0.4 % a kelvin",
        )
    for check in evidence.checks:
        if not check.agrees:
            yield Doubt(
                "speed_column",
                f"{check.name}: the speed column is {check.factor:.3g} times the position's change, with {100 * check.scatter:.0f} "
                "% of scatter; it is not used",
            )
    clipped = sum(_clipped(motion) for motion in evidence.motions)
    if clipped:
        yield Doubt(
            "clipped",
            f"the force stands still at its extreme for {clipped} samples while the rod moves: the cell's range ended",
        )
    points = evidence.points
    few = points.held & (points.samples < PEAK_SAMPLES)
    if few.any():
        yield Doubt(
            "coarse_peaks",
            f"{int(few.sum())} half strokes have fewer than {PEAK_SAMPLES:.0f} samples at their peak speed; record faster",
        )
    if evidence.lost:
        yield Doubt(
            "pauses", f"{evidence.lost} samples lie in pieces too short to use, between gaps in the time"
        )


def _clipped(motion: Motion) -> int:
    force = motion.force_n
    count = 0
    for extreme in (float(np.max(force)), float(np.min(force))):
        at = np.concatenate(([0], (force == extreme).astype(np.int8), [0]))
        edges = np.flatnonzero(np.diff(at))
        runs = [
            (first, last)
            for first, last in zip(edges[::2], edges[1::2], strict=True)
            if last - first >= CLIPPED_SAMPLES and float(np.ptp(motion.position_m[first:last])) > 0.0
        ]
        count += sum(int(last - first) for first, last in runs)
    return count


def _rod(evidence: Evidence) -> Iterator[Doubt]:
    points = evidence.points
    if not evidence.rod.parted:
        yield Doubt(
            "no_slow",
            f"the slowest motion peaks at {1000 * evidence.slow_m_s / 1.15:.0f} mm/s: gas and friction cannot be told from the valve "
            "there and are rough; add a slow sweep, a few mm/s both ways",
        )
    elif evidence.slow_m_s > SLOW_M_S:
        yield Doubt(
            "hardly_slow",
            f"the slowest motion peaks at {1000 * evidence.slow_m_s / 1.15:.0f} mm/s, where the valve already works: friction is less sure; "
            "a few mm/s are better",
        )
    ends = [
        (motion.position_m[start], motion.position_m[stop])
        for motion in evidence.motions
        for start, stop in zip(motion.turns[:-1], motion.turns[1:], strict=True)
    ]
    if ends and len(points):
        table = np.array(ends)
        middle = float(np.median(table.mean(axis=1))) - evidence.reference_m
        longest = float(np.max(np.abs(np.diff(table, axis=1))))
        if abs(middle) > OFF_CENTRE * longest:
            yield Doubt(
                "not_centred",
                f"the strokes' middle lies {1000 * middle:.1f} mm off ride height: the gas force there is extrapolated; --ride-height "
                "says where ride height is on the dyno's scale",
            )
    if evidence.rod.gas_n < 0.0 or evidence.rod.rate_n_per_m < 0.0:
        yield Doubt(
            "gas_sign",
            f"the gas force comes out as {evidence.rod.gas_n:.0f} N with {evidence.rod.rate_n_per_m / 1000:.2f} N/mm, which no gas does: "
            "was the force zeroed with the rod in, or is its sign wrong?",
        )


def _times(evidence: Evidence) -> Iterator[Doubt]:
    for name, fit in (("rising", evidence.up), ("falling", evidence.down)):
        if fit is None:
            yield Doubt(
                "no_steps",
                f"no usable step of a {name} current: the response is assumed; step the current while the rod moves evenly, with 100 ms on "
                "either side",
            )
        elif fit.coarse:
            yield Doubt(
                "coarse_steps",
                f"a sample every {1000 * fit.step_s:.2g} ms is too slow for a response of {1000 * fit.t63_s:.1f} ms ({name} current); record "
                f"at {5000.0 / max(1000 * fit.t63_s, 0.1):.0f} Hz or more",
            )
    if evidence.unused_steps:
        yield Doubt(
            "unused_steps",
            f"{evidence.unused_steps} steps of the current could not be used: uneven speed, too near a turn, or no change of force",
        )
    if not evidence.cycles:
        yield Doubt(
            "no_cycles", "no whole sine cycle at a held current: the lag over stroke speed is not known"
        )
    if evidence.no_ohm:
        yield Doubt("no_resistance", f"the coil's resistance cannot be found: {evidence.no_ohm}")
    if evidence.no_henry:
        yield Doubt("no_inductance", f"the coil's inductance cannot be found: {evidence.no_henry}")
