"""Three published laws on the plant's true motion, as candidates beside passive settings and the firmware.

They know what no car's sensors tell: the body's and the wheel's own vertical speeds, without noise or delay. What the
current may do is the calibration's: its limits, its slew a tick, its tick; coil and valve are the plant's as for all
others. So a law that does not earn its place here does not earn it in firmware either.

With v_rel = zs' - zu', body and wheel rates of a corner, up positive:

- skyhook: firm where zs' v_rel >= 0, else soft (Karnopp, Crosby and Harwood 1974, ASME J. Eng. Ind. 96:619
  [S, from memory]).
- acceleration-driven: firm where zs'' v_rel >= 0, else soft (Savaresi, Silani and Bittanti 2005, ASME JDSMC 127:218 [S]).
- mixed: skyhook where zs''^2 - alpha^2 zs'^2 <= 0, else acceleration-driven (Savaresi and Spelta 2007,
  doi 10.1115/1.2745846 [S, formula from memory]).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.evaluate.measure import Ready, Run
from dashpot.plant import kernel
from dashpot.plant.chassis import STEP_S, Motion

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.calibration.image import Image
    from dashpot.plant.car import Floats

SKYHOOK, ACCELERATION, MIXED = "skyhook", "acceleration-driven", "mixed"
LAWS = (SKYHOOK, ACCELERATION, MIXED)
#: Where the mixed law goes over, just above the body's own frequency: 1.8 Hz [M].
ALPHA_RAD_S = 2.0 * math.pi * 1.8


@dataclass(frozen=True, slots=True)
class Limits:
    """What a current may do, each (4,) by corner.

    Attributes:
        least_a, most_a: in which it stays.
        up_a, down_a: most change a tick.
        safe_a: at the start.
        period_us: of the tick.

    """

    least_a: tuple[float, ...]
    most_a: tuple[float, ...]
    up_a: tuple[float, ...]
    down_a: tuple[float, ...]
    safe_a: tuple[float, ...]
    period_us: int

    @classmethod
    def of_image(cls, image: Image) -> Limits:
        """Take the limits of a packed calibration."""

        def four(name: str) -> tuple[float, ...]:
            return tuple(image.word(name, corner) / 1000.0 for corner in range(4))

        return cls(
            four("least_ma"), four("most_ma"), four("slew_up_ma"), four("slew_down_ma"), four("safe_ma"),
            image.word("period_us"),
        )  # fmt: skip


def firm(
    law: str, body_m_s: Floats, body_m_s2: Floats, relative_m_s: Floats, alpha_rad_s: float = ALPHA_RAD_S
) -> NDArray[np.bool_]:
    """Return where a law asks for the firm setting; all arrays have one shape, up is positive.

    Args:
        law: one of LAWS.
        body_m_s: zs', the body's vertical speed at the corner.
        body_m_s2: zs'', its acceleration.
        relative_m_s: zs' - zu', over the wheel's.
        alpha_rad_s: of the mixed law.

    Raises:
        InputError: there is no such law.

    """
    if law not in LAWS:
        raise InputError(f"there is no law {law!r}; there are {', '.join(LAWS)}", where="law")
    sky: NDArray[np.bool_] = body_m_s * relative_m_s >= 0.0
    driven: NDArray[np.bool_] = body_m_s2 * relative_m_s >= 0.0
    if law == SKYHOOK:
        return sky
    if law == ACCELERATION:
        return driven
    return np.where(body_m_s2**2 - (alpha_rad_s * body_m_s) ** 2 <= 0.0, sky, driven)


@dataclass(frozen=True, slots=True)
class Law:
    """A law as a candidate's control.

    Attributes:
        name: one of LAWS.
        soft_a, firm_a: its two currents, front and rear.
        limits: of the calibration.
        alpha_rad_s: of the mixed law.

    """

    name: str
    soft_a: tuple[float, float]
    firm_a: tuple[float, float]
    limits: Limits
    alpha_rad_s: float = ALPHA_RAD_S

    @property
    def cost(self) -> float:
        """Against held currents, measured: a lap of 90 s in 2.9 s and 0.73 s of one core."""
        return 4.0

    def run(self, ready: Ready) -> Run:
        """Drive with a decision a tick on the plant's true motion."""
        plant, inputs, limits = ready.plant, ready.inputs, self.limits
        steps = round(limits.period_us * 1e-6 / STEP_S)
        ticks = round(ready.drive.duration_s * 1e6) // limits.period_us
        least, most = np.array(limits.least_a), np.array(limits.most_a)
        up, down = np.array(limits.up_a), np.array(limits.down_a)
        soft = np.clip(np.repeat(self.soft_a, 2), least, most)
        stiff = np.clip(np.repeat(self.firm_a, 2), least, most)
        x, side = plant.car.corner_x_m, plant.car.corner_y_m
        command = np.clip(np.array(limits.safe_a), least, most)
        state = plant.rest(inputs, [float(current) for current in command])
        rows = np.empty((ticks + 1, kernel.ROW_WORDS), np.float32)
        row = plant.look(state, inputs).rows[0]
        rows[0] = row
        rate, accel, wheel = kernel.RATE, kernel.ACCEL, kernel.RATE + 3
        for tick in range(ticks):
            body = row[rate] + side * row[rate + 1] - x * row[rate + 2]
            body_accel = row[accel] + side * row[accel + 1] - x * row[accel + 2]
            asked = firm(self.name, body, body_accel, body - row[wheel : wheel + 4], self.alpha_rad_s)
            command = np.clip(np.where(asked, stiff, soft), command - down, command + up)
            row = plant.advance(state, command, inputs, steps).rows[-1]
            rows[tick + 1] = row
        return Run(Motion(rows, limits.period_us * 1e-6))
