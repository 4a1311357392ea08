"""An adjustable damper: a surface of force over stroke speed and current for either direction, and what comes on top.

The surface holds the valve's force alone, as it is when gas force and friction have been taken off a dyno's readings.
Force is positive where it resists compression. Between the currents of the surface the force is linear in current,
outside them it holds; over speed it is monotone (PCHIP: Fritsch and Carlson 1980 [S]) or piecewise linear, and goes
on with its last slope.

Hysteresis: the fluid and the mounts are a spring in series with the valve, so the valve sees the stroke speed through
a first-order lag, tau du/dt = v - u, and the force is f(u, i). That is a Maxwell element whose spring stiffens with
the valve. At a held current it is passive for every monotone f: with the stored energy tau Phi(u), Phi the integral
of f over u, the power f(u) v is d(tau Phi)/dt + f(u) u, and f(u) u is never negative [X]. A first-order lag of the
force, with the same loop for linear valves, loses that for progressive ones. While the current changes, the stored
energy is scaled with the surface; that is at most tau (Phi2 - Phi1), of the order of a joule.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.car import Floats

MONOTONE, LINEAR = "monotone", "linear"
# Friction turns round over some of this stroke speed: 95 % of it is there at three times the value [D].
FRICTION_SPEED_M_S = 0.005
# Of the gas column's length; past that the damper is solid and the bump stop has long been met.
GAS_MOST = 0.9


@dataclass(frozen=True, slots=True)
class Surface:
    """Force of the valve in one direction, as magnitudes.

    Attributes:
        speed_m_s: rising stroke speeds from 0 on, at least two.
        current_a: rising currents, at least one.
        force_n: force of each current (rows) at each speed; 0 at speed 0, never falling over speed.
        shape: "monotone" or "linear" between the speeds.

    Raises:
        InputError: the numbers are not such a surface.

    """

    speed_m_s: tuple[float, ...]
    current_a: tuple[float, ...]
    force_n: tuple[tuple[float, ...], ...]
    shape: str = MONOTONE

    def __post_init__(self) -> None:
        speed, current = np.array(self.speed_m_s), np.array(self.current_a)
        if self.shape not in {MONOTONE, LINEAR}:
            raise InputError(
                f"the shape is {self.shape!r}; {MONOTONE} or {LINEAR} is known", where="damper surface"
            )
        if len(speed) < 2 or speed[0] != 0.0 or not np.all(np.diff(speed) > 0.0):
            raise InputError("stroke speeds must rise from 0", where="damper surface")
        if len(current) < 1 or not np.all(np.diff(current) > 0.0):
            raise InputError("currents must rise", where="damper surface")
        if len(self.force_n) != len(current) or any(len(row) != len(speed) for row in self.force_n):
            raise InputError(
                f"a force is wanted for each of {len(current)} currents and {len(speed)} speeds",
                where="damper surface",
            )
        force = np.array(self.force_n)
        if not np.all(np.isfinite(force)) or not np.all(np.isfinite(speed)):
            raise InputError("forces and speeds must be finite", where="damper surface")
        if np.any(force[:, 0] != 0.0) or np.any(np.diff(force, axis=1) < 0.0):
            raise InputError(
                "the force must be 0 at speed 0 and never fall as the speed rises; a damper that gives "
                "power back is none",
                where="damper surface",
            )

    def cubics(self) -> Floats:
        """Return c0..c3 of f = c0 + d (c1 + d (c2 + d c3)), d above each speed, shape (currents, speeds, 4).

        The last piece goes on past the last speed with its slope.
        """
        x = np.array(self.speed_m_s)
        width = np.diff(x)
        made = np.zeros((len(self.current_a), len(x), 4))
        for row, forces in enumerate(np.array(self.force_n)):
            secant = np.diff(forces) / width
            made[row, :, 0] = forces
            if self.shape == LINEAR:
                made[row, :-1, 1] = secant
                made[row, -1, 1] = secant[-1]
                continue
            slope = _monotone_slopes(width, secant)
            made[row, :, 1] = slope
            made[row, :-1, 2] = (3.0 * secant - 2.0 * slope[:-1] - slope[1:]) / width
            made[row, :-1, 3] = (slope[:-1] + slope[1:] - 2.0 * secant) / width**2
        return made

    def force_at(self, speed_m_s: Floats | float, current_a: Floats | float) -> Floats:
        """Return the force at speeds of 0 or more and currents, broadcast together."""
        speed, current = np.broadcast_arrays(np.asarray(speed_m_s, float), np.asarray(current_a, float))
        cubics = self.cubics()
        piece = np.clip(np.searchsorted(self.speed_m_s, speed, side="right") - 1, 0, None)
        ahead = speed - np.array(self.speed_m_s)[piece]
        row = np.clip(
            np.searchsorted(self.current_a, current, side="right") - 1, 0, max(len(self.current_a) - 2, 0)
        )
        above = np.minimum(row + 1, len(self.current_a) - 1)
        grid = np.array(self.current_a)
        span = np.where(above > row, grid[above] - grid[row], 1.0)
        share = np.clip((current - grid[row]) / span, 0.0, 1.0)

        def of(which: Any) -> Any:
            c = cubics[which, piece]
            return c[..., 0] + ahead * (c[..., 1] + ahead * (c[..., 2] + ahead * c[..., 3]))

        low = of(row)
        force: Floats = low + share * (of(above) - low)
        return force


def _monotone_slopes(width: Floats, secant: Floats) -> Floats:
    """Return PCHIP's slopes for data that never falls: weighted harmonic means, three-point ends (as in scipy)."""
    count = len(width) + 1
    slope = np.zeros(count)
    if count == 2:
        slope[:] = secant[0]
        return slope
    for i in range(1, count - 1):
        before, after = secant[i - 1], secant[i]
        if before > 0.0 and after > 0.0:
            w1, w2 = 2.0 * width[i] + width[i - 1], width[i] + 2.0 * width[i - 1]
            slope[i] = (w1 + w2) / (w1 / before + w2 / after)
    for end, first, second in ((0, 0, 1), (-1, -1, -2)):
        guess = ((2.0 * width[first] + width[second]) * secant[first] - width[first] * secant[second]) / (
            width[first] + width[second]
        )
        # Not below 0, and not so steep that the piece overshoots.
        slope[end] = min(max(guess, 0.0), 3.0 * secant[first])
    return slope


@dataclass(frozen=True, slots=True)
class Valve:
    """How the force follows the current: nothing for a dead time, then a first-order lag, its own each way."""

    dead_s: float = 0.0
    rise_s: float = 0.0
    fall_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Gas:
    """Gas pressure on the rod: force at ride height, length of the gas column over the rod's area, exponent.

    F(s) = F0 (length / (length - s))^exponent, positive, it pushes the rod out; 1.3 is between isothermal and
    adiabatic for nitrogen [C].
    """

    force_n: float = 0.0
    length_m: float = 1.0
    exponent: float = 1.3

    def at(self, stroke_m: Floats | float) -> Floats:
        """Return the force at strokes, any shape."""
        left = 1.0 - np.minimum(np.asarray(stroke_m, float) / self.length_m, GAS_MOST)
        force: Floats = self.force_n * left**-self.exponent
        return force

    @property
    def rate_n_per_m(self) -> float:
        """Stiffness at ride height."""
        return self.force_n * self.exponent / self.length_m


@dataclass(frozen=True, slots=True)
class Damper:
    """A damper.

    Attributes:
        compression: surface in compression.
        rebound: surface in rebound, also in positive numbers.
        gas: gas force on the rod.
        friction_n: of the seals.
        lag_s: lag of the valve's speed behind the stroke speed, 0 for none.
        valve: how the force follows the current.

    """

    compression: Surface
    rebound: Surface
    gas: Gas = field(default_factory=Gas)
    friction_n: float = 0.0
    lag_s: float = 0.0
    valve: Valve = field(default_factory=Valve)

    @classmethod
    def linear(cls, damping_n_s_per_m: float, **more: Any) -> Damper:
        """Make a passive linear damper; `more` are further attributes."""
        surface = Surface((0.0, 1.0), (0.0,), ((0.0, damping_n_s_per_m),), LINEAR)
        return cls(surface, surface, **more)

    @classmethod
    def between(
        cls, soft: Sequence[float], firm: Sequence[float], most_a: float = 1.6, **more: Any
    ) -> Damper:
        """Make an adjustable damper from linear coefficients in compression and rebound, soft at 0 A and firm at `most_a`."""
        made = [
            Surface((0.0, 1.0), (0.0, most_a), ((0.0, low), (0.0, high)), LINEAR)
            for low, high in zip(soft, firm, strict=True)
        ]
        return cls(made[0], made[1], **more)

    def force_n(self, speed_m_s: Floats | float, current_a: Floats | float) -> Floats:
        """Return the valve's force at stroke speeds of either sign, broadcast with the currents; no lag."""
        speed = np.asarray(speed_m_s, float)
        force: Floats = np.where(
            speed >= 0.0,
            self.compression.force_at(np.maximum(speed, 0.0), current_a),
            -self.rebound.force_at(np.maximum(-speed, 0.0), current_a),
        )
        return force

    def friction_at(self, speed_m_s: Floats | float) -> Floats:
        """Return the seals' friction, Coulomb's made smooth: F v / sqrt(v^2 + v0^2)."""
        speed = np.asarray(speed_m_s, float)
        friction: Floats = self.friction_n * speed / np.sqrt(speed**2 + FRICTION_SPEED_M_S**2)
        return friction

    def unpowered_n(self, speed_m_s: Floats | float) -> Floats:
        """Return the valve's force at 0 A."""
        return self.force_n(speed_m_s, 0.0)

    def at_current(self, current_a: float) -> Damper:
        """Return a passive damper with this one's force at a held current: the same at the surface's speeds."""
        compression, rebound = (
            Surface(
                part.speed_m_s,
                (0.0,),
                (tuple(float(force) for force in part.force_at(np.array(part.speed_m_s), current_a)),),
                part.shape,
            )
            for part in (self.compression, self.rebound)
        )
        return Damper(compression, rebound, self.gas, self.friction_n, self.lag_s)

    def damping_n_s_per_m(self, speed_m_s: float, current_a: float) -> float:
        """Return the mean of both directions' force over speed at a stroke speed, for linear analysis."""
        both = self.force_n(speed_m_s, current_a) - self.force_n(-speed_m_s, current_a)
        return float(both) / (2.0 * speed_m_s)

    def stored_j(self, valve_speed_m_s: Floats, current_a: Floats | float) -> Floats:
        """Return the energy in the hysteresis' spring: lag times the integral of the force over the valve's speed."""
        # Gauss-Legendre on each 1/64 of the way; the force is piecewise cubic.
        node, weight = np.polynomial.legendre.leggauss(4)
        edge = np.linspace(0.0, 1.0, 65)
        place = (edge[:-1, None] + (node + 1.0) / 2.0 * np.diff(edge)[:, None]).ravel()
        share = (weight / 2.0 * np.diff(edge)[:, None]).ravel()
        speed = np.asarray(valve_speed_m_s, float)
        force = self.force_n(speed[..., None] * place, np.asarray(current_a, float)[..., None])
        stored: Floats = self.lag_s * speed * (force @ share)
        return stored

    def response_s(self) -> float:
        """Return dead time plus the slower time constant, the wait until 63 % of a change of force is there."""
        return self.valve.dead_s + max(self.valve.rise_s, self.valve.fall_s)


def lag_share(step_s: float, lag_s: float) -> float:
    """Return the share of a difference that is left after a step of a first-order lag, 0 without lag."""
    return math.exp(-step_s / lag_s) if lag_s > 0.0 else 0.0
