"""What pushes and rubs on the rod besides the valve: gas and friction, from slow motion both ways.

At a position and a low speed the force is gas + friction + valve in compression, gas - friction - valve in rebound:
half the sum and half the difference part them, and position gives the gas its rate. The valve's own small force at
these speeds is taken from its surface, so surface and rod are found in turns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import minimize_scalar

from dashpot.plant.valve_file import GAS_EXPONENT

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from dashpot.characterise.strokes import Motion, Points
    from dashpot.plant.car import Floats

#: Motion whose peak is not above this is slow: a valve adds little there. Where there is none, up to the second will do.
SLOW_M_S = 0.012
ROUGHLY_SLOW_M_S = 0.030
#: Averages taken of each slow half stroke.
BLOCKS = 60
#: Blocks at either end that are left out: at a triangle's corner the smoothed speed is none.
CORNER = 3
#: The valve's force in slow motion is this sure: its curve below the lowest speed is drawn [D].
DRAWN_SHARE = 0.03
#: Friction may turn round over a stroke speed up to this.
MOST_TURN_M_S = 0.010
#: The turn is looked for where the speeds of the slow motion differ at least so much.
TURN_SPREAD = 1.7


@dataclass(frozen=True, slots=True)
class Rod:
    """Gas and friction.

    Attributes:
        gas_n: gas force at the reference position.
        rate_n_per_m: its rise with position there.
        friction_n: of the seals.
        turn_m_s: stroke speed over which friction turns round: F v / sqrt(v^2 + turn^2).
        reference_m: position that the gas force is given at.
        covariance: of gas, rate and friction, (3, 3).
        parted: gas, rate and friction were found from motion that was slow; else all three are rough.

    """

    gas_n: float
    rate_n_per_m: float
    friction_n: float
    turn_m_s: float
    reference_m: float
    covariance: Floats
    parted: bool

    def gas_at(self, position_m: Floats) -> Floats:
        """Return the gas force at positions."""
        return _gas(self.gas_n, self.rate_n_per_m, position_m - self.reference_m)

    def friction_at(self, speed_m_s: Floats) -> Floats:
        """Return the friction at signed speeds."""
        return self.friction_n * turned(speed_m_s, self.turn_m_s)

    def valve_n(self, points: Points) -> Floats:
        """Return the valve's force at points, a magnitude."""
        friction = self.friction_at(points.stroke_speed_m_s)
        valve: Floats = points.direction * (points.force_n - self.gas_at(points.position_m)) - friction
        return valve

    def sigma(self) -> Floats:
        """Return the standard errors of gas, rate and friction."""
        errors: Floats = np.sqrt(np.diag(self.covariance))
        return errors


def turned(speed_m_s: Floats, turn_m_s: float) -> Floats:
    """Return the share and sign of the friction at speeds."""
    if turn_m_s <= 0.0:
        return np.sign(speed_m_s)
    share: Floats = speed_m_s / np.sqrt(speed_m_s**2 + turn_m_s**2)
    return share


def _gas(force_n: float, rate_n_per_m: float, stroke_m: Floats) -> Floats:
    """Return F0 (1 - s / L)^-n with the rate n F0 / L, or a straight line where that is no gas spring."""
    if force_n <= 0.0 or rate_n_per_m <= 0.0:
        return force_n + rate_n_per_m * stroke_m
    left = 1.0 - np.minimum(stroke_m * rate_n_per_m / (GAS_EXPONENT * force_n), 0.9)
    gas: Floats = force_n * left**-GAS_EXPONENT
    return gas


@dataclass(frozen=True, slots=True)
class Slow:
    """Averages over pieces of slow half strokes."""

    position_m: Floats
    speed_m_s: Floats
    force_n: Floats
    current_a: Floats
    side: Floats
    group: NDArray[np.intp]
    peak_m_s: float


def slow_of(motions: Sequence[Motion], points: Points) -> Slow:
    """Return the slow motion; where there is none, that of the lowest peak speed."""
    held = points.where(points.held)
    least = float(np.min(held.peak_m_s)) if len(held) else 0.0
    most = SLOW_M_S if least <= SLOW_M_S else 1.15 * least
    chosen = held.where(held.peak_m_s <= most)
    parts: list[Floats] = []
    for number in range(len(chosen)):
        motion = motions[int(chosen.motion[number])]
        span = slice(int(chosen.start[number]), int(chosen.stop[number]))
        table = np.stack(
            (motion.position_m[span], motion.speed_m_s[span], motion.force_n[span], motion.current_a[span])
        )
        count = min(BLOCKS, table.shape[1])
        edges = np.linspace(0, table.shape[1], count + 1).astype(np.intp)
        means = (np.add.reduceat(table, edges[:-1], axis=1) / np.diff(edges))[:, CORNER:-CORNER]
        count = means.shape[1]
        parts.append(np.vstack((means, np.full(count, chosen.side[number]), np.full(count, float(number)))))
    made = np.hstack(parts) if parts else np.zeros((6, 0))
    return Slow(made[0], made[1], made[2], made[3], made[4], made[5].astype(np.intp), most)


def fit_rod(
    slow: Slow,
    valve_n: Callable[[Floats, Floats], Floats],
    hysteresis_a: float,
    first_m_s: float,
    reference_m: float,
    start: Rod | None = None,
) -> Rod:
    """Fit gas and friction to slow motion.

    Args:
        slow: the motion.
        valve_n: the valve's force, signed, at signed speeds and currents.
        hysteresis_a: half the band between rising and falling current.
        first_m_s: lowest speed of the surface. A newton more of friction is one less of the surface there, and in
            proportion below: fitted together the two do not have to creep towards each other.
        reference_m: position at which the gas force is wanted.
        start: an earlier fit, for the curvature of the gas force.

    Returns:
        The rod; its covariance is the larger of the plain and the one by half strokes, which holds where the errors
        of a half stroke go together.

    """
    stroke = slow.position_m - reference_m
    rest = slow.force_n - valve_n(slow.speed_m_s, slow.current_a + hysteresis_a * slow.side)
    below = np.clip(slow.speed_m_s / first_m_s, -1.0, 1.0)
    if start is not None:
        rest = (
            rest
            - start.friction_n * below
            - (_gas(start.gas_n, start.rate_n_per_m, stroke) - start.gas_n - start.rate_n_per_m * stroke)
        )

    def solve(turn_m_s: float) -> tuple[Floats, Floats, Floats]:
        basis = np.stack((np.ones_like(stroke), stroke, turned(slow.speed_m_s, turn_m_s) - below), axis=1)
        found: Floats = np.linalg.lstsq(basis, rest, rcond=None)[0]
        return found, rest - basis @ found, basis

    fast = np.abs(slow.speed_m_s)
    low, high = np.quantile(fast, (0.1, 0.9)) if len(fast) else (0.0, 0.0)
    turn = 0.0
    if high > TURN_SPREAD * max(low, 1e-6):
        best = minimize_scalar(
            lambda value: float(np.sum(solve(value)[1] ** 2)), bounds=(0.0, MOST_TURN_M_S), method="bounded",
            options={"xatol": 1e-5},
        )  # fmt: skip
        turn = float(best.x) if best.fun < float(np.sum(solve(0.0)[1] ** 2)) else 0.0
    found, residual, basis = solve(turn)
    gas, rate, friction = (float(value) for value in found)
    parted = slow.peak_m_s <= 1.15 * ROUGHLY_SLOW_M_S
    if turn > 0.0:
        # The turn was fitted as well: what it may have taken from the friction belongs to the friction's error.
        part = slow.speed_m_s**2 + turn**2
        basis = np.column_stack((basis, -friction * slow.speed_m_s * turn / part**1.5))
    cover = _covariance(basis, residual, slow.group)[:3, :3]
    # What the surface says below its lowest speed is drawn, not measured.
    drawn = np.abs(valve_n(slow.speed_m_s, slow.current_a))
    cover[2, 2] += (DRAWN_SHARE * float(np.mean(drawn))) ** 2
    return Rod(gas, rate, max(friction, 0.0), turn, reference_m, cover, parted)


def _covariance(basis: Floats, residual: Floats, group: NDArray[np.intp]) -> Floats:
    """Return the larger, by its diagonal, of the plain covariance and the one that holds groups together."""
    count, unknowns = basis.shape
    inverse = np.linalg.pinv(basis.T @ basis)
    plain: Floats = inverse * float(residual @ residual) / max(count - unknowns, 1)
    scores = np.zeros((int(group.max()) + 1 if count else 0, unknowns))
    np.add.at(scores, group, basis * residual[:, None])
    groups = len(scores)
    if groups <= unknowns:
        return plain
    together: Floats = inverse @ (scores.T @ scores) @ inverse * groups / (groups - unknowns)
    scale = np.sqrt(np.maximum(np.diag(plain) / np.maximum(np.diag(together), 1e-30), 1.0))
    larger: Floats = together * np.outer(scale, scale)
    return larger
