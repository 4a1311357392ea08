"""The coil from voltage, duty and current: resistance at 20 C, inductance from the currents' rise and fall.

The mean voltage across a switched coil is duty x supply - (1 - duty) x freewheel voltage. While a current is held it is
R i; over a change its integral less that of R i is L times the change.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.characterise.strokes import held_within
from dashpot.plant.coil import COPPER_PER_K, REFERENCE_C

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.characterise.response import Step
    from dashpot.characterise.strokes import Motion
    from dashpot.plant.car import Floats

#: Pieces of held current that are averaged, and the least current that tells of a resistance.
PIECE_S = 0.5
LEAST_A = 0.15
#: A diode's, where the data cannot tell it from the resistance [C].
FREEWHEEL_V = 0.7
MOST_FREEWHEEL_V = 3.0
#: Currents this far apart tell the two from each other.
APART_A = 0.4
#: Samples that a current's change must have for an inductance.
CHANGE_SAMPLES = 4
CHANGE_S = 0.03
#: Share of a change at either end that is left out.
EDGE = 0.05
#: The integral over few samples errs by itself, and the same way each time [X: 1 % at five samples a change].
LEAST_BAND = 0.02
#: Without a duty the voltage must be proportional to the current within this, else it is the supply's.
PROPORTIONAL = 0.3


@dataclass(frozen=True, slots=True)
class Resistance:
    """Of the coil.

    Attributes:
        ohm: at 20 C.
        band_ohm: half width of its 95 % band.
        freewheel_v: voltage against which the current runs on; 0 without a duty.
        temperature_c: mean of the temperatures it was measured at.
        by_coil: the winding's own temperature was recorded, else the oil's stands for it.
        pieces: how many held pieces.

    """

    ohm: float
    band_ohm: float
    freewheel_v: float
    temperature_c: float
    by_coil: bool
    pieces: int


@dataclass(frozen=True, slots=True)
class Inductance:
    """Of the coil, with half the width of its 95 % band and the number of changes it is from."""

    henry: float
    band_henry: float
    changes: int


def resistance_of(motions: Sequence[Motion], *, by_coil: bool) -> tuple[Resistance | None, str]:
    """Return the resistance, or None and why not."""
    rows = []
    switched = True
    for motion in motions:
        if motion.voltage_v is None or motion.coil_c is None:
            continue
        switched = motion.duty is not None
        duty = np.ones(len(motion.time_s)) if motion.duty is None else motion.duty
        width = max(4, round(PIECE_S / motion.step_s))
        most = held_within(motion.current_a)
        for start in range(0, len(duty) - width + 1, width):
            span = slice(start, start + width)
            current = motion.current_a[span]
            if np.ptp(current) > 4.0 * most or np.mean(current) < LEAST_A:
                continue
            rows.append(
                (
                    np.mean(duty[span] * motion.voltage_v[span]),
                    np.mean(current),
                    np.mean(1.0 - duty[span]),
                    np.mean(motion.coil_c[span]),
                )
            )
    if len(rows) < 3:
        return None, "there is no voltage with a temperature beside a held current"
    volts, current, off, celsius = np.array(rows, dtype=np.float64).T
    warm = current * (1.0 + COPPER_PER_K * (celsius - REFERENCE_C))
    if not switched and np.ptp(current) > APART_A:
        ratio = volts / warm
        if np.std(ratio) > PROPORTIONAL * np.mean(ratio):
            return (
                None,
                "the voltage does not follow the current, so it is the supply's; a duty is needed beside it",
            )
    freewheel = FREEWHEEL_V if switched else 0.0
    free = switched and bool(np.ptp(current) > APART_A)
    basis = np.stack((warm, off), axis=1) if free else warm[:, None]
    found = np.linalg.lstsq(basis, volts if free else volts - freewheel * off, rcond=None)[0]
    if free and not 0.0 <= found[1] <= MOST_FREEWHEEL_V:
        # No diode does that: what is recorded as voltage or duty is off; held at the nearest that one does.
        freewheel = float(np.clip(found[1], 0.0, MOST_FREEWHEEL_V))
        basis = warm[:, None]
        found = np.linalg.lstsq(basis, volts - freewheel * off, rcond=None)[0]
    elif free:
        freewheel = float(found[1])
    rest = volts - found[0] * warm - freewheel * off
    unknowns = basis.shape[1]
    cover = np.linalg.pinv(basis.T @ basis) * float(rest @ rest) / max(len(volts) - unknowns, 1)
    return (
        Resistance(
            float(found[0]), 1.96 * float(np.sqrt(cover[0, 0])), freewheel, float(np.mean(celsius)), by_coil, len(rows),
        ),
        "",
    )  # fmt: skip


def inductance_of(
    motions: Sequence[Motion], steps: Sequence[Step], coil: Resistance | None
) -> tuple[Inductance | None, str]:
    """Return the inductance, or None and why not."""
    if coil is None:
        return None, "it needs the resistance first"
    found = []
    coarse = 0
    for step in steps:
        motion = next(
            (m for m in motions if m.name == step.name and m.time_s[0] <= step.at_s <= m.time_s[-1]), None
        )
        if motion is None or motion.voltage_v is None or motion.duty is None or motion.coil_c is None:
            continue
        first = int(np.searchsorted(motion.time_s, step.at_s))
        last = min(first + round(CHANGE_S / motion.step_s), len(motion.time_s) - 1)
        share = (motion.current_a[first : last + 1] - step.before_a) / (step.after_a - step.before_a)
        # Only what lies inside the change: at its ends the voltage jumps between two samples.
        begin = first + int(np.argmax(share > EDGE))
        end = first + int(np.argmax(share > 1.0 - EDGE))
        if end - begin < CHANGE_SAMPLES:
            coarse += 1
            continue
        one = _from_change(motion, slice(begin, end), motion.current_a[begin:end], coil)
        if one is not None:
            found.append(one)
    if not found:
        if coarse:
            return (
                None,
                f"the samples are too far apart: fewer than {CHANGE_SAMPLES} in a change of the current",
            )
        return None, "there is no step of the current with voltage and duty beside it"
    values = np.array(found)
    spread = float(np.std(values, ddof=1)) if len(values) > 1 else float(values[0])
    middle = float(np.median(values))
    band = max(1.96 * 1.25 * spread / float(np.sqrt(len(values))), LEAST_BAND * middle)
    return Inductance(middle, band, len(values)), ""


def _from_change(motion: Motion, span: slice, current: Floats, coil: Resistance) -> float | None:
    assert motion.voltage_v is not None
    assert motion.duty is not None
    assert motion.coil_c is not None
    duty = motion.duty[span]
    ohm = coil.ohm * (1.0 + COPPER_PER_K * (motion.coil_c[span] - REFERENCE_C))
    drive = duty * motion.voltage_v[span] - (1.0 - duty) * coil.freewheel_v - ohm * current
    flux = np.concatenate(([0.0], np.cumsum((drive[1:] + drive[:-1]) / 2.0 * motion.step_s)))
    basis = np.stack((current - current[0], np.ones_like(current)), axis=1)
    found = np.linalg.lstsq(basis, flux, rcond=None)[0]
    return float(found[0]) if found[0] > 0.0 else None
