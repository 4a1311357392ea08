"""Lags of first and second order with gain 1, as sensors, brakes and a car's answer to steering have them.

Sampled for an input that goes in straight lines from sample to sample (first-order hold), which is exact for such an
input and near enough for any smooth one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashpot.plant.compiled import compiled

if TYPE_CHECKING:
    from dashpot.plant.car import Floats

BUTTERWORTH = math.sqrt(0.5)
# A lag's coefficients b0 b1 b2 a1 a2, and what it remembers: the last two inputs and outputs.
COEFFICIENTS = 5
MEMORY = 4


@dataclass(frozen=True, slots=True)
class Lag:
    """A lag.

    Attributes:
        hz: natural frequency, or the corner frequency of a first-order lag; infinite for none.
        damping: of a second-order lag; 0 for one of first order.

    """

    hz: float = math.inf
    damping: float = 0.0

    @classmethod
    def first(cls, time_s: float) -> Lag:
        """Make a first-order lag of a time constant."""
        return cls(1.0 / (2.0 * math.pi * time_s) if time_s > 0.0 else math.inf)

    @classmethod
    def second(cls, delay_s: float, damping: float) -> Lag:
        """Make a second-order lag that delays slow signals by a time."""
        return cls(damping / (math.pi * delay_s) if delay_s > 0.0 else math.inf, damping)

    @property
    def delay_s(self) -> float:
        """By how much slow signals come late: the time constant, or 2 damping / omega."""
        return (2.0 * self.damping if self.damping else 1.0) / (2.0 * math.pi * self.hz)

    def coefficients(self, step_s: float) -> Floats:
        """Return b0, b1, b2, a1, a2 of y = b0 x + b1 x' + b2 x'' - a1 y' - a2 y'' at a sampling step, (5,)."""
        if math.isinf(self.hz):
            return np.array([1.0, 0.0, 0.0, 0.0, 0.0])
        omega = 2.0 * math.pi * self.hz
        if self.damping:
            state = np.array([[0.0, 1.0], [-(omega**2), -2.0 * self.damping * omega]])
            drive = np.array([[0.0], [omega**2]])
        else:
            state, drive = np.array([[-omega]]), np.array([[omega]])
        top, bottom = _sampled(state, drive, step_s)
        made = np.zeros(COEFFICIENTS)
        made[: len(top)] = top
        made[3 : 2 + len(bottom)] = bottom[1:]
        return made

    def settled(self, value: float = 0.0) -> Floats:
        """Return the memory of a lag that has stood at a value for long, (4,)."""
        return np.full(MEMORY, value)

    def filtered(self, values: Floats, step_s: float, start: float | None = None) -> Floats:
        """Pass values, one a step, through the lag, which has stood at `start`, or at the first value."""
        out = np.empty(len(values))
        memory = self.settled(float(values[0]) if start is None else start)
        run(np.require(values, np.float64, "C"), self.coefficients(step_s), memory, out)
        return out


@compiled
def run(values: Floats, lag: Floats, memory: Floats, out: Floats) -> None:
    """Pass values (n,) through a lag of coefficients (5,); its memory (4,) goes on; out is (n,)."""
    x1, x2, y1, y2 = memory[0], memory[1], memory[2], memory[3]
    for k in range(len(values)):
        x = values[k]
        y = lag[0] * x + lag[1] * x1 + lag[2] * x2 - lag[3] * y1 - lag[4] * y2
        x2, x1 = x1, x
        y2, y1 = y1, y
        out[k] = y
    memory[0], memory[1], memory[2], memory[3] = x1, x2, y1, y2


def late(values: NDArray[Any], steps: int) -> NDArray[Any]:
    """Return values (n,) that come a number of steps late; the first one holds until then."""
    if steps <= 0:
        return values
    return np.concatenate(
        (np.repeat(values[:1], min(steps, len(values))), values[: max(len(values) - steps, 0)])
    )


def _sampled(state: Floats, drive: Floats, step_s: float) -> tuple[Floats, Floats]:
    """Return numerator and denominator of the first state's answer to an input that is straight between samples.

    Franklin, Powell and Workman, Digital Control of Dynamic Systems [S]: one matrix exponential of the states, the input
    and its slope. scipy.signal's `cont2discrete(method="foh")` gives the same, and takes a second to import.
    """
    from scipy.linalg import expm

    n = len(state)
    block = np.zeros((n + 2, n + 2))
    block[:n, :n], block[:n, n : n + 1] = state * step_s, drive * step_s
    block[n, n + 1] = 1.0
    moved = expm(block)
    step, held, sloped = moved[:n, :n], moved[:n, n : n + 1], moved[:n, n + 1 :]
    into = held - sloped + step @ sloped
    through = float(sloped[0, 0])
    bottom: Floats = np.poly(step)
    watch = np.zeros((1, n))
    watch[0, 0] = 1.0
    top: Floats = np.poly(step - into @ watch) + (through - 1.0) * bottom
    return top, bottom
