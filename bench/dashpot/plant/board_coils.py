"""The coils of the desktop board, as firmware/boards/host.py has them, with the steps of the plant in between.

There the control of the current has the image's resistance and inductance for its coil, and a duty for its output: what
the firmware measures is what that coil carries. So in a closed loop that coil is the one that moves the valve: its
current between two ticks is solved here exactly, where the board rounds to milliampere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.coil import Coil
from dashpot.plant.compiled import compiled
from dashpot.targets.contract import NOMINAL_INPUTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.layout import Layout
    from dashpot.plant.car import Floats

DUTY_WHOLE = 1 << 14
# What the plant carries instead of a coil of its own: it follows a command within the step.
FOLLOWER = Coil(resistance_ohm=1.0, inductance_h=1e-9, supply_v=1000.0)


@dataclass(frozen=True, slots=True)
class BoardCoils:
    """Four coils under duties that hold for a period.

    Attributes:
        supply_v: across the driver.
        freewheel_v: against which the current dies down.
        ohm: resistances, (4,).
        left: share of a difference that is left after one step of the plant, (4,).
        steps: of the plant in a period.
        current_a: now, (4,); `run` changes it.

    """

    supply_v: float
    freewheel_v: float
    ohm: Floats
    left: Floats
    steps: int
    current_a: Floats = field(default_factory=lambda: np.zeros(4))

    def run(self, duty_q14: NDArray[np.int32]) -> Floats:
        """Run on for a period and return the currents at the end of each step, (steps, 4)."""
        out = np.empty((self.steps, 4))
        run_coils(
            duty_q14, self.supply_v, self.freewheel_v, self.ohm, self.left, DUTY_WHOLE, self.current_a, out
        )
        return out


def board_coils(layout: Layout, image: bytes, steps: int, step_s: float) -> BoardCoils | None:
    """Return the coils that an image gives the board, None where it leaves the current to the driver stage.

    Args:
        layout: of the image.
        image: as the firmware gets it.
        steps: of the plant in a tick.
        step_s: of the plant.

    """
    from dashpot.calibration.image import read_image

    known = read_image(image, layout)
    if not known.word("current_control"):
        return None
    ohm = np.array([known.word("coil_mohm", corner) for corner in range(4)]) / 1000.0
    henry = np.array([known.word("coil_uh", corner) for corner in range(4)]) / 1e6
    return BoardCoils(
        supply_v=NOMINAL_INPUTS["supply_mv"] / 1000.0,
        freewheel_v=known.word("freewheel_mv") / 1000.0,
        ohm=ohm,
        left=np.array([math.exp(-step_s * r / h) for r, h in zip(ohm, henry, strict=True)]),
        steps=steps,
    )


@compiled
def run_coils(
    duty_q14: NDArray[np.int32],
    supply_v: float,
    freewheel_v: float,
    ohm: Floats,
    left: Floats,
    whole: int,
    current_a: Floats,
    out: Floats,
) -> None:
    """Let currents (4,) run on under duties (4,), parts of `whole`; write them after each step into out (steps, 4)."""
    for corner in range(4):
        volt = duty_q14[corner] * (supply_v + freewheel_v) / whole - freewheel_v
        target = volt / ohm[corner]
        for step in range(out.shape[0]):
            current = target + (current_a[corner] - target) * left[corner]
            current_a[corner] = max(current, 0.0)
            out[step, corner] = current_a[corner]
