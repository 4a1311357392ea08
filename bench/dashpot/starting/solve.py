"""From targets to demands: the base, and every cell of the body-load map with its reason.

The driver's switch sets the damping ratio of the body's heave, by the car of seven degrees of freedom (each_alone). The map sets
the damping ratio of corners with the load that they carry: target(ay, ax) goes in proportion from the ratio at rest
to those of `under_load`. A cell is the corner's demand there less its demand at rest. Points past the grip of a dry
track cannot be driven: they take the values of the point on the way there at which the grip ends.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

from dashpot.plant.car import GRAVITY_M_S2
from dashpot.starting.firmness import DEMANDS, WHOLE, Firmness, coefficient, even_curve
from dashpot.starting.loads import Corner, Loaded, Loading, corners_of
from dashpot.starting.modes import BodyModes, body_modes, each_alone, heave_alone

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dashpot.plant.car import Car
    from dashpot.plant.chassis import Linear
    from dashpot.plant.damper import Damper
    from dashpot.plant.valve_file import Valve
    from dashpot.starting.targets import Targets

# Steps in which demands are written, permille.
BASE_STEP, CELL_STEP = 5, 10
# Corner damping ratios between which the switch's are looked for.
_RATIOS = (0.02, 1.5)
_SCANNED = 13
AXLES = ("front", "rear")
T = TypeVar("T")


def rounded(value: float, step: int) -> int:
    """Round to a step, halves up."""
    return math.floor(value / step + 0.5) * step


@dataclass(frozen=True, slots=True)
class Position:
    """One position of the switch.

    Attributes:
        target: damping ratio of heave that was asked for.
        wanted: demands of front and rear before any limit.
        demand: as written.
        alone: heave, roll and pitch that they give, each alone.
        modes: the true modes.
        reached: the target is within the valves' authority and within what the tyres allow.

    """

    target: float
    wanted: tuple[float, float]
    demand: tuple[int, int]
    alone: BodyModes
    modes: BodyModes
    reached: bool


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the body-load map, for all four corners.

    Attributes:
        lateral_mg: of the map's axis.
        longitudinal_mg: the same.
        share: of that acceleration at which it was computed, less than 1 past the grip.
        loaded: the car there.
        target: damping ratio of each corner.
        wanted: demand that gives it, before any limit; below 0 or above 1000 where the valve cannot.
        demand: as it comes to with the base, within the limits.
        value: what the map says.
        current_ma: of each valve.
        achieved: damping ratio of each corner.
        room: demand that is left above, to each corner's most.
        alone: heave, roll and pitch with these currents, each alone.
        modes: the true modes.
        reason: of each corner, in words.

    """

    lateral_mg: int
    longitudinal_mg: int
    share: float
    loaded: Loaded
    target: tuple[float, ...]
    wanted: tuple[float, ...]
    demand: tuple[int, ...]
    value: tuple[int, ...]
    current_ma: tuple[float, ...]
    achieved: tuple[float, ...]
    room: tuple[int, ...]
    alone: BodyModes
    modes: BodyModes
    reason: tuple[str, ...]


class Solver:
    """A car with its valves, asked for demands.

    Args:
        car: the car.
        valves: front and rear.
        targets: what is wanted.
        advance: told of each position and each cell that is done; see `steps`.

    Raises:
        InputError: a valve cannot be adjusted, or the car turns over.

    """

    def __init__(
        self,
        car: Car,
        valves: tuple[Valve, Valve],
        targets: Targets,
        advance: Callable[[], None] = lambda: None,
    ) -> None:
        self.car, self.valves, self.targets = car, valves, targets
        self._advance = advance
        self._heaves: dict[float, float] = {}
        self.dampers: tuple[Damper, Damper] = (valves[0].damper(), valves[1].damper())
        front, rear = (
            Firmness(damper, DEMANDS, even_curve(damper, valve.least_a * 1e3, valve.most_a * 1e3, valve.name))
            for valve, damper in zip(valves, self.dampers, strict=True)
        )
        self.firm = (front, rear)
        self.loading = Loading(car, (self.dampers[0].gas, self.dampers[1].gas))
        self.rest = self.loading.at()
        self.corners: tuple[Corner, Corner] = corners_of(car, self.rest)
        self.speed_m_s = targets.stroke_speed_m_s

    def damping(self, axle: int, demand: float) -> float:
        """Return the coefficient at the damper at the targets' stroke speed."""
        return self.firm[axle].damping(demand, self.speed_m_s)

    def ratio(self, corner: int, demand: float, loaded: Loaded) -> float:
        """Return a corner's damping ratio, MR^2 c over its critical damping."""
        c = self.damping(corner // 2, demand)
        return float(loaded.ratio[corner] ** 2 * c / loaded.critical_n_s_per_m[corner])

    def demand(self, corner: int, ratio: float, loaded: Loaded) -> float:
        """Return the demand for a corner's damping ratio, past 0 to 1000 where the valve cannot."""
        c = ratio * float(loaded.critical_n_s_per_m[corner] / loaded.ratio[corner] ** 2)
        return self.firm[corner // 2].demand(c, self.speed_m_s)

    def linear(self, damper_n_s_per_m: Sequence[float]) -> Linear:
        """Return the linear car at ride height for damping at the dampers, of front and rear or four corners."""
        from dashpot.plant.chassis import linear

        return linear(self.loading.free, damper_n_s_per_m, **self.loading.gas_terms())

    def linear_of(self, demands: Sequence[float]) -> Linear:
        """Return the linear car for demands, of front and rear or four corners."""
        each = 1 if len(demands) == 2 else 2
        return self.linear([self.damping(i // each, demand) for i, demand in enumerate(demands)])

    def alone(self, demands: Sequence[float]) -> BodyModes:
        """Return heave, roll and pitch for demands of front and rear."""
        return each_alone(self.linear_of(demands))

    def alone_at(self, ma: Sequence[float]) -> BodyModes:
        """Return heave, roll and pitch for currents of front and rear."""
        return each_alone(self.linear([
            float(coefficient(damper, self.speed_m_s, current / 1e3))
            for damper, current in zip(self.dampers, ma, strict=True)
        ]))  # fmt: skip

    def _split(self, ratio: float) -> tuple[float, float]:
        """Return demands of front and rear for a front corner's damping ratio."""
        front, rear = ratio, ratio * self.targets.rear_to_front
        return self.demand(0, front, self.rest), self.demand(2, rear, self.rest)

    def _heave(self, ratio: float) -> float:
        """Return the damping ratio of heave for a front corner's."""
        if ratio not in self._heaves:
            demands = [_within(demand) for demand in self._split(ratio)]
            self._heaves[ratio] = heave_alone(self.linear_of(demands))
        return self._heaves[ratio]

    def position(self, heave: float) -> Position:
        """Find the demands that give the body's heave a damping ratio, both axles in the targets' proportion.

        The search goes up from the softest: past some firmness the tyres take over and heave is damped less again.
        """
        from scipy.optimize import brentq

        low, high = _RATIOS
        scanned = [low * (high / low) ** (i / (_SCANNED - 1)) for i in range(_SCANNED)]
        above = next((i for i, ratio in enumerate(scanned) if self._heave(ratio) >= heave), None)
        reached = above is not None and above > 0
        if above is None:
            ratio = max(scanned, key=self._heave)
        elif above == 0:
            ratio = low
        else:
            ratio = float(
                brentq(
                    lambda ratio: self._heave(ratio) - heave, scanned[above - 1], scanned[above], xtol=1e-6
                )
            )
        wanted = self._split(ratio)
        demand = tuple(rounded(_within(one), BASE_STEP) for one in wanted)
        system = self.linear_of(demand)
        self._advance()
        return Position(
            heave, wanted, (demand[0], demand[1]), each_alone(system), body_modes(system), reached
        )

    @cached_property
    def positions(self) -> tuple[Position, ...]:
        """The switch's positions."""
        return tuple(self.position(heave) for heave in self.targets.heave)

    @cached_property
    def least(self) -> tuple[int, int]:
        """The demands below which no layer may go."""
        return self.position(self.targets.least).demand

    @property
    def base(self) -> tuple[int, int]:
        """The demands of the reference position."""
        return self.positions[self.targets.reference].demand

    @cached_property
    def at_rest(self) -> tuple[float, float]:
        """The corners' damping ratios at rest in the reference position."""
        return self.ratio(0, self.base[0], self.rest), self.ratio(2, self.base[1], self.rest)

    def clipped(self, axle: int, demand: float) -> float:
        """Keep a demand within the limits of its axle."""
        return min(max(demand, float(self.least[axle])), float(WHOLE))

    @cached_property
    def cells(self) -> tuple[tuple[Cell, ...], ...]:
        """The map, a row for each lateral point."""
        load = self.targets.under_load
        half = len(load.lateral_mg) // 2
        # Lateral points from 0 to the left; those to the right are their mirror images, exactly.
        left = [[self._cell(ay, ax) for ax in load.longitudinal_mg] for ay in load.lateral_mg[half:]]
        right = [[_mirrored(cell) for cell in row] for row in reversed(left[1:])]
        return tuple(tuple(row) for row in (*right, *left))

    def target_at(self, corner: int, accel_lat_m_s2: float, accel_long_m_s2: float) -> tuple[float, str]:
        """Return a corner's damping ratio under load, and what it is made of."""
        load, axle = self.targets.under_load, corner // 2
        rest = self.at_rest[axle]
        across = min(abs(accel_lat_m_s2) / load.accel_m_s2, 1.0)
        along = min(abs(accel_long_m_s2) / load.accel_m_s2, 1.0)
        # To the left the right corners are outside.
        outside = (accel_lat_m_s2 > 0.0) == (corner % 2 == 1)
        turning = load.outer if outside else load.inner
        pushing = (load.braking if accel_long_m_s2 < 0.0 else load.driving)[axle]
        parts = [f"{rest:.2f} at rest"]
        if across:
            parts.append(f"{across * (turning - rest):+.2f} {'outer' if outside else 'inner'}")
        if along:
            parts.append(
                f"{along * (pushing - rest):+.2f} {'braking' if accel_long_m_s2 < 0.0 else 'driving'}"
            )
        return rest + across * (turning - rest) + along * (pushing - rest), ", ".join(parts)

    def _cell(self, lateral_mg: int, longitudinal_mg: int) -> Cell:
        ay, ax = (mg / 1000.0 * GRAVITY_M_S2 for mg in (lateral_mg, longitudinal_mg))
        size = math.hypot(ay, ax)
        share = min(1.0, self.targets.dry_m_s2 / size) if size else 1.0
        ay, ax = ay * share, ax * share
        loaded = self.loading.at(ax, ay) if size else self.rest
        target, wanted, demand, value, current, achieved, room, reason = [], [], [], [], [], [], [], []
        for corner in range(4):
            axle = corner // 2
            base = self.base[axle]
            ratio, made = self.target_at(corner, ay, ax)
            asked = float(base) if not size else self.demand(corner, ratio, loaded)
            kept = self.clipped(axle, asked)
            cell = rounded(kept - base, CELL_STEP)
            while base + cell > WHOLE:
                cell -= CELL_STEP
            total = max(base + cell, self.least[axle])
            target.append(ratio)
            wanted.append(asked)
            value.append(cell)
            demand.append(total)
            current.append(self.firm[axle].current_ma(total))
            achieved.append(self.ratio(corner, total, loaded))
            room.append(WHOLE - total)
            reason.append(self._reason(corner, loaded, ratio, made, asked, kept))
        system = self.linear_of(demand)
        self._advance()
        return Cell(
            lateral_mg, longitudinal_mg, share, loaded, tuple(target), tuple(wanted), tuple(demand), tuple(value),
            tuple(current), tuple(achieved), tuple(room), each_alone(system), body_modes(system),
            tuple(reason),
        )  # fmt: skip

    def _reason(self, corner: int, loaded: Loaded, ratio: float, made: str, asked: float, kept: float) -> str:
        said = (
            f"{loaded.tyre_n[corner]:.0f} N on the tyre, {loaded.carried_kg[corner]:.0f} kg sprung, critical "
            f"{loaded.critical_n_s_per_m[corner]:.0f} N s/m at the wheel; {ratio:.2f} wanted ({made})"
        )
        if kept < asked:
            most = self.ratio(corner, WHOLE, loaded)
            return f"{said}; past the valve's authority, which ends at {most:.2f}"
        if kept > asked:
            floor = self.ratio(corner, kept, loaded)
            return f"{said}; softer than the least demand, which gives {floor:.2f}"
        return said


def _within(demand: float) -> float:
    return min(max(demand, 0.0), float(WHOLE))


_TURNED = (1, 0, 3, 2)


def _mirrored(cell: Cell) -> Cell:
    """Return the cell of the turn to the other side."""
    loaded = cell.loaded
    order = list(_TURNED)
    turned = Loaded(
        loaded.accel_long_m_s2, -loaded.accel_lat_m_s2, loaded.speed_m_s, loaded.tyre_n[order], loaded.wheel_m[order],
        loaded.carried_kg[order], loaded.rate_n_per_m[order], loaded.ratio[order],
    )  # fmt: skip

    def turn(part: tuple[T, ...]) -> tuple[T, ...]:
        return tuple(part[i] for i in _TURNED)

    return replace(
        cell,
        lateral_mg=-cell.lateral_mg,
        loaded=turned,
        target=turn(cell.target),
        wanted=turn(cell.wanted),
        demand=turn(cell.demand),
        value=turn(cell.value),
        current_ma=turn(cell.current_ma),
        achieved=turn(cell.achieved),
        room=turn(cell.room),
        reason=turn(cell.reason),
    )
