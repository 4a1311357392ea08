"""Firmness of a valve in force: how much damping a demand gives, and which demand gives a damping.

A damper's force is no straight line over speed, so a damping coefficient belongs to a stroke speed. Taken here: the
linear damper that takes the same energy out of a sine of that peak stroke speed (Jacobsen 1930, Trans. ASME 52 [M]),
c = (1 / (pi V)) x integral of F(V cos p) cos p dp over the cycle; one direction alone is half of it.

The force is linear in current between the currents of the surface, so the coefficient is too, and with a valve
curve of straight pieces it is piecewise linear in the demand: solved exactly, without iteration.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.car import Floats
    from dashpot.plant.damper import Damper, Surface

# Gauss-Legendre over a quarter cycle: the surface's pieces are cubic, so this is far below the valve's own errors.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)
_ANGLES = (_NODES + 1.0) * math.pi / 4.0
_SHARES = _WEIGHTS * math.pi / 4.0 * np.cos(_ANGLES)
# Middles of the bands of stroke speed, at which the curve makes the steps of firmness even.
EVEN_AT_M_S = (0.0254, 0.1016, 0.25)
DEMANDS = (0, 200, 400, 600, 800, 1000)
WHOLE = 1000
# Currents are written in steps of this.
STEP_MA = 5
# Less than this factor from soft to firm leaves an adjustable damper little to say [D].
LEAST_RANGE = 1.5
# Of the softest coefficient: a band in which a valve has blown off says nothing of its current [D].
LEAST_CHANGE = 0.05


def one_way(surface: Surface, speed_m_s: float, current_a: Floats | float) -> Floats:
    """Return the equal-energy coefficient of one direction at a peak stroke speed, for currents of any shape."""
    current = np.asarray(current_a, dtype=np.float64)
    force = surface.force_at(speed_m_s * np.cos(_ANGLES), current[..., None])
    made: Floats = 4.0 / (math.pi * speed_m_s) * (force @ _SHARES)
    return made


def coefficient(damper: Damper, speed_m_s: float, current_a: Floats | float) -> Floats:
    """Return the equal-energy coefficient of both directions together."""
    made: Floats = (
        one_way(damper.compression, speed_m_s, current_a) + one_way(damper.rebound, speed_m_s, current_a)
    ) / 2.0
    return made


def share_of(damper: Damper, current_a: Floats | float, soft_a: float, firm_a: float) -> Floats:
    """Return the firmness of currents: 0 at the softest, 1 at the firmest.

    It is the mean over the middles of the bands, but for those where current makes less than LEAST_CHANGE.
    """
    parts = []
    for speed in EVEN_AT_M_S:
        soft, firm = (float(coefficient(damper, speed, one)) for one in (soft_a, firm_a))
        if firm - soft > LEAST_CHANGE * soft:
            parts.append((coefficient(damper, speed, current_a) - soft) / (firm - soft))
    mean: Floats = np.mean(parts, axis=0)
    return mean


def share_table(damper: Damper, soft_ma: float, firm_ma: float) -> tuple[Floats, Floats]:
    """Return currents from the softest to the firmest, and their firmness; between them it is a straight line."""
    low, high = sorted((soft_ma, firm_ma))
    bends = [ma for current in damper.compression.current_a if low < (ma := 1000.0 * current) < high]
    grid = np.array([low, *bends, high])
    if soft_ma > firm_ma:
        grid = grid[::-1]
    return grid, share_of(damper, grid / 1000.0, soft_ma / 1000.0, firm_ma / 1000.0)


def even_curve(damper: Damper, least_ma: float, most_ma: float, where: str) -> tuple[int, ...]:
    """Return currents for DEMANDS that make equal steps of demand equal steps of force.

    Args:
        damper: with its surfaces.
        least_ma: softest or firmest current that may be held.
        most_ma: the other end.
        where: the valve, for messages.

    Raises:
        InputError: the force does not rise or fall all the way between the two, or hardly.

    """
    ends = [float(coefficient(damper, EVEN_AT_M_S[1], ma / 1000.0)) for ma in (least_ma, most_ma)]
    rising = ends[1] > ends[0]
    soft_ma, firm_ma = (least_ma, most_ma) if rising else (most_ma, least_ma)
    if max(ends) < LEAST_RANGE * min(ends):
        raise InputError(
            f"the damping goes from {min(ends):.0f} to {max(ends):.0f} N s/m only between {least_ma:.0f} and "
            f"{most_ma:.0f} mA; at least {LEAST_RANGE:g} times as much when firm is wanted: nothing is left to adjust",
            where=where,
        )
    grid, share = share_table(damper, soft_ma, firm_ma)
    if np.any(np.diff(share) < -1e-9):
        turn = grid[int(np.argmin(np.diff(share)))]
        raise InputError(
            f"the force turns round near {turn:.0f} mA; between least and most it must only rise or only fall",
            where=where,
        )
    found = np.interp(np.array(DEMANDS) / WHOLE, share, grid)
    low, high = math.ceil(least_ma / STEP_MA) * STEP_MA, math.floor(most_ma / STEP_MA) * STEP_MA
    return tuple(min(max(round(ma / STEP_MA) * STEP_MA, low), high) for ma in found.tolist())


@dataclass(frozen=True, slots=True)
class Firmness:
    """A damper with its valve curve.

    Attributes:
        damper: with its surfaces.
        demands: permille, rising from 0 to 1000.
        currents_ma: of each, only rising or only falling.

    """

    damper: Damper
    demands: tuple[int, ...]
    currents_ma: tuple[int, ...]
    _knots: dict[tuple[str, float], tuple[Floats, Floats]] = field(
        default_factory=dict, repr=False, compare=False
    )

    def current_ma(self, demand: float) -> float:
        """Return the current of a demand, as the firmware reads the curve."""
        return float(np.interp(demand, self.demands, self.currents_ma))

    def damping(self, demand: float, speed_m_s: float, way: str = "both") -> float:
        """Return the coefficient at the damper for a demand; way is "both", "compression" or "rebound"."""
        x, y = self._table(way, speed_m_s)
        return float(np.interp(demand, x, y))

    def demand(self, damping_n_s_per_m: float, speed_m_s: float, way: str = "both") -> float:
        """Return the least demand that gives a coefficient; below 0 or above 1000 where the valve cannot.

        Outside it goes on with the mean slope, so that the size of what is missing can be told.
        """
        x, y = self._table(way, speed_m_s)
        slope = (y[-1] - y[0]) / WHOLE
        if damping_n_s_per_m < y[0]:
            return float((damping_n_s_per_m - y[0]) / slope)
        if damping_n_s_per_m > y[-1]:
            return float(WHOLE + (damping_n_s_per_m - y[-1]) / slope)
        at = max(1, int(np.searchsorted(y, damping_n_s_per_m, side="left")))
        if y[at] == y[at - 1]:
            return float(x[at - 1])
        return float(x[at - 1] + (x[at] - x[at - 1]) * (damping_n_s_per_m - y[at - 1]) / (y[at] - y[at - 1]))

    def range(self, speed_m_s: float) -> tuple[float, float]:
        """Return the coefficients at demand 0 and 1000."""
        return self.damping(0, speed_m_s), self.damping(WHOLE, speed_m_s)

    def _table(self, way: str, speed_m_s: float) -> tuple[Floats, Floats]:
        """Return demands and coefficients at every bend: those of the curve and those of the surface."""
        key = (way, speed_m_s)
        if key not in self._knots:
            x = np.unique(np.concatenate((self.demands, self._bends())))
            current_a = np.interp(x, self.demands, self.currents_ma) / 1000.0
            if way == "both":
                y = coefficient(self.damper, speed_m_s, current_a)
            else:
                y = one_way(getattr(self.damper, way), speed_m_s, current_a)
            # A direction may turn a little where the mean does not.
            self._knots[key] = x, np.maximum.accumulate(y)
        return self._knots[key]

    def _bends(self) -> Sequence[float]:
        """Return the demands at which the curve passes a current of the surface."""
        found = []
        for (x0, x1), (i0, i1) in zip(pairwise(self.demands), pairwise(self.currents_ma), strict=True):
            for current_a in self.damper.compression.current_a:
                ma = 1000.0 * current_a
                if min(i0, i1) < ma < max(i0, i1):
                    found.append(x0 + (x1 - x0) * (ma - i0) / (i1 - i0))
        return found
