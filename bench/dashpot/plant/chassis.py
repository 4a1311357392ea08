"""The full car: seven degrees of freedom, nonlinear in time and linear for analysis.

Heave z, roll phi and pitch theta of the body, vertical travel of four wheels; body height at a corner is
z + y phi - x theta. All forces are whole ones (weight, preload and gas included); positions count from rest at ride
height. Load transfer is inertial:

- lateral: each axle's share of the body's side force goes through the roll centre, m_s,i ay z_rc,i / t_i on each
  wheel past the springs; the rest rolls the body about the roll axis, with its weight helping, m_s g d phi; the wheels'
  own side force acts at their height (Milliken and Milliken's force-based roll centre [C], the formula of
  Barton and Fieldhouse 2018, ch. 3 [S]). The weight's moment takes the body's roll as that over the road, tyres
  included, and lets the roll axis lie still.
- longitudinal: the tyres push the car's mass and the drag; anti-dive, anti-lift and anti-squat let their share of
  F h / L go past the springs, the body pitches by the rest. The drag's own moment is in the downforce at the axles.

Tyres push only: a wheel may lift off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.plant import kernel
from dashpot.plant.car import GRAVITY_M_S2, Car, Stop
from dashpot.plant.coil import Coil
from dashpot.plant.damper import Damper, lag_share

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashpot.plant.car import Floats

# Half a millisecond: see tests/test_plant_chassis.py for the error against a reference with the stiffest damper.
STEP_S = 0.0005
# Past this the stiffest part would leave the range where Runge-Kutta 4 is stable (2.78) or even accurate (1).
MOST_STIFF = 1.0
_NO_STOP = Stop(1e3, 0.0)


def _plain(values: Floats) -> Floats:
    """Return an array of doubles, contiguous and writable, the same one where it is such."""
    return np.require(values, np.float64, ("C", "W"))


@dataclass(frozen=True, slots=True)
class Inputs:
    """What the road and the driver do, on the plant's step grid; row 0 is the start.

    Attributes:
        road_m: heights under the wheels, (n, 4).
        drive: longitudinal acceleration in m/s2 (+ forwards), lateral in m/s2 (+ to the left), speed in m/s, (n, 3).

    """

    road_m: Floats
    drive: Floats

    def __post_init__(self) -> None:
        # One layout only: the inner loop is compiled for each kind of array anew.
        for name in ("road_m", "drive"):
            object.__setattr__(self, name, _plain(getattr(self, name)))
        if (
            self.road_m.ndim != 2
            or self.road_m.shape[1] != 4
            or self.drive.shape[1:] != (kernel.DRIVE_WORDS,)
        ):
            raise InputError(
                f"road and drive are {self.road_m.shape} and {self.drive.shape}; (n, 4) and (n, 3) are wanted",
                where="plant",
            )

    @classmethod
    def of(
        cls,
        count: int,
        road_m: Floats | float = 0.0,
        accel_long_m_s2: Floats | float = 0.0,
        accel_lat_m_s2: Floats | float = 0.0,
        speed_m_s: Floats | float = 0.0,
    ) -> Inputs:
        """Make inputs of `count` rows; what is one number stands still. A road of one column is under every wheel."""
        road = np.asarray(road_m, dtype=np.float64)
        if road.ndim == 1:
            road = road[:, None]
        drive = np.empty((count, kernel.DRIVE_WORDS))
        drive[:, kernel.ACCEL_LONG] = accel_long_m_s2
        drive[:, kernel.ACCEL_LAT] = accel_lat_m_s2
        drive[:, kernel.SPEED] = speed_m_s
        return cls(np.broadcast_to(road, (count, 4)), drive)


@dataclass(slots=True)
class State:
    """Where the plant is; `Plant.advance` changes it in place.

    Attributes:
        y: seven positions, their rates, the four speeds that the valves see, (18,).
        coil_a: coil currents, (4,).
        valve_a: currents that the valves' forces have reached, (4,).
        ring_a: coil currents of the last steps for the dead time, (4, steps).
        place: the ring's present place.
        at: steps done, the row of the inputs.

    """

    y: Floats
    coil_a: Floats
    valve_a: Floats
    ring_a: Floats
    place: int = 0
    at: int = 0

    def copy(self) -> State:
        """Return a state that goes its own way."""
        return State(
            self.y.copy(),
            self.coil_a.copy(),
            self.valve_a.copy(),
            self.ring_a.copy(),
            self.place,
            self.at,
        )


@dataclass(frozen=True, slots=True)
class Motion:
    """The plant's answer, one row at the end of each step; `rows` is (n, 57), all else are views of it."""

    rows: Floats
    step_s: float

    def _part(self, first: int, count: int = 4) -> Floats:
        part: Floats = self.rows[:, first : first + count]
        return part

    @property
    def heave_m(self) -> Floats:
        """Height of the body's centre of gravity over rest, (n,)."""
        height: Floats = self.rows[:, 0]
        return height

    @property
    def roll_rad(self) -> Floats:
        """Left side up, (n,)."""
        roll: Floats = self.rows[:, 1]
        return roll

    @property
    def pitch_rad(self) -> Floats:
        """Nose down, (n,)."""
        pitch: Floats = self.rows[:, 2]
        return pitch

    @property
    def wheel_m(self) -> Floats:
        """Heights of the wheels over rest, (n, 4)."""
        return self._part(kernel.POSITION + 3)

    @property
    def rates(self) -> Floats:
        """Rates of heave, roll, pitch and the wheels, (n, 7)."""
        return self._part(kernel.RATE, kernel.FREEDOMS)

    @property
    def accels(self) -> Floats:
        """Accelerations of heave, roll, pitch and the wheels, (n, 7)."""
        return self._part(kernel.ACCEL, kernel.FREEDOMS)

    @property
    def accel_vert_m_s2(self) -> Floats:
        """Vertical acceleration of the body's centre of gravity, (n,)."""
        accel: Floats = self.rows[:, kernel.ACCEL]
        return accel

    @property
    def stroke_m(self) -> Floats:
        """Strokes of the dampers, (n, 4)."""
        return self._part(kernel.STROKE)

    @property
    def stroke_speed_m_s(self) -> Floats:
        """Stroke speeds, (n, 4)."""
        return self._part(kernel.STROKE_SPEED)

    @property
    def tyre_load_n(self) -> Floats:
        """Vertical tyre loads, never negative, (n, 4)."""
        return self._part(kernel.TYRE_LOAD)

    @property
    def valve_force_n(self) -> Floats:
        """The valves' forces at the dampers, (n, 4)."""
        return self._part(kernel.VALVE_FORCE)

    @property
    def damper_force_n(self) -> Floats:
        """Valve, seals and gas together at the dampers, (n, 4)."""
        return self._part(kernel.DAMPER_FORCE)

    @property
    def valve_current_a(self) -> Floats:
        """Currents that the valves' forces have reached, (n, 4)."""
        return self._part(kernel.VALVE_CURRENT)

    @property
    def coil_current_a(self) -> Floats:
        """Coil currents, (n, 4)."""
        return self._part(kernel.COIL_CURRENT)

    @property
    def valve_speed_m_s(self) -> Floats:
        """Speeds that the valves see, after the hysteresis' lag, (n, 4)."""
        return self._part(kernel.LAGGED_SPEED)

    @property
    def wheel_travel_m(self) -> Floats:
        """Travel of the wheels against the body, compression positive, (n, 4)."""
        return self._part(kernel.WHEEL_TRAVEL)


class Plant:
    """A car with dampers, valves and coils that can be advanced a controller period at a time.

    Args:
        car: the car.
        dampers: front and rear, or one a corner.
        coils: the same, or one for all.
        step_s: step of the integration.

    Raises:
        InputError: the parts do not fit together or the step is too long for them.

    """

    def __init__(
        self,
        car: Car,
        dampers: Sequence[Damper],
        coils: Coil | Sequence[Coil] = Coil(),  # noqa: B008 - frozen
        *,
        step_s: float = STEP_S,
    ) -> None:
        if len(dampers) not in {2, 4}:
            raise InputError(f"{len(dampers)} dampers; two axles or four corners want theirs", where=car.name)
        self.car = car
        self.dampers = tuple(dampers) if len(dampers) == 4 else tuple(d for d in dampers for _ in range(2))
        self.step_s = step_s
        self._body = np.array(
            [
                car.sprung_mass_kg,
                car.roll_inertia_kg_m2,
                car.pitch_inertia_kg_m2,
                car.sprung_mass_kg * car.sprung_height_m,
                car.sprung_mass_kg * GRAVITY_M_S2 * car.roll_arm_m,
                car.mass_kg,
                car.height_m,
                0.5 * car.aero.air_density_kg_m3 * car.aero.drag_m2,
                car.sprung_mass_kg * GRAVITY_M_S2,
            ]
        )
        self._corner = np.stack([self._pack_corner(c) for c in range(4)])
        self._curves, self._curve_points = self._pack_curves()
        self._pack_surfaces()
        self._dead_steps = [round(damper.valve.dead_s / step_s) for damper in self.dampers]
        self._actuator = np.zeros((4, kernel.ACTUATOR_WORDS))
        for c, damper in enumerate(self.dampers):
            for place, time_s in (
                (kernel.RISE_HALF, damper.valve.rise_s),
                (kernel.FALL_HALF, damper.valve.fall_s),
            ):
                self._actuator[c, place] = lag_share(step_s / 2.0, time_s)
                self._actuator[c, place + 1] = lag_share(step_s, time_s)
        self.set_coils(coils)
        stiff = self.stiffness_of_step()
        if stiff > MOST_STIFF:
            raise InputError(
                f"the step of {step_s * 1e3:g} ms is too long for these dampers; {step_s / stiff * 1e3:.2g} ms would do",
                where=car.name,
            )

    def set_coils(self, coils: Coil | Sequence[Coil]) -> None:
        """Give the coils another supply or temperature; their currents stay as they are."""
        four = [coils] * 4 if isinstance(coils, Coil) else list(coils)
        if len(four) == 2:
            four = [four[0], four[0], four[1], four[1]]
        if len(four) != 4:
            raise InputError(
                f"{len(four)} coils; one, two axles or four corners want theirs", where=self.car.name
            )
        for c, coil in enumerate(four):
            self._actuator[c, kernel.COIL_LEFT] = math.exp(-self.step_s / coil.time_constant_s)
            self._actuator[c, kernel.COIL_MOST] = coil.most_a
            self._actuator[c, kernel.COIL_DROP] = coil.freewheel_v / coil.warm_ohm
        self.coils = tuple(four)

    def stiffness_of_step(self) -> float:
        """Return the step times the fastest rate: the wheel against its stiffest damping and friction, or the hysteresis."""
        fastest = 0.0
        for c, damper in enumerate(self.dampers):
            axle = self.car.axles[c // 2]
            ratio2 = max(axle.motion_ratio.ratio) ** 2
            steepest = max(
                float((cubic[:, :, 1]).max())
                for cubic in (damper.compression.cubics(), damper.rebound.cubics())
            )
            rate = ratio2 * steepest / axle.wheel_mass_kg
            if damper.lag_s > 0.0:
                # The lag and the mass swing together, at the root of the product of their rates.
                rate = max(1.0 / damper.lag_s, math.sqrt(rate / damper.lag_s))
            seals = (
                ratio2 * damper.friction_n + axle.friction_n
            ) / kernel.FRICTION_SPEED_M_S + axle.tyre_damping_n_s_per_m
            fastest = max(fastest, rate + seals / axle.wheel_mass_kg)
        return fastest * self.step_s

    def rest(self, inputs: Inputs | None = None, current_a: float | Sequence[float] = 0.0) -> State:
        """Return the state in which the car stands, or goes steadily under the inputs' first row.

        Args:
            inputs: road heights, accelerations and speed; at rest on a level road when there are none.
            current_a: of all coils and valves.

        Raises:
            InputError: there is no such state, because the car would turn over.

        """
        y = np.zeros(kernel.STATES)
        if inputs is not None:
            y[: kernel.FREEDOMS] = self._settled(inputs.road_m[0], inputs.drive[0], current_a)
        current = np.broadcast_to(np.asarray(current_a, dtype=np.float64), (4,))
        length = max(self._dead_steps) + 1
        return State(y, current.copy(), current.copy(), np.repeat(current[:, None], length, axis=1))

    def _settled(self, road_m: Floats, drive: Floats, current_a: float | Sequence[float]) -> Floats:
        from scipy.optimize import root

        y, dy, row = np.zeros(kernel.STATES), np.empty(kernel.STATES), np.empty(kernel.ROW_WORDS)
        current = np.broadcast_to(np.asarray(current_a, dtype=np.float64), (4,)).copy()
        weight = np.concatenate((self._body[:3], self._corner[:, kernel.WHEEL_MASS]))
        road, push, still = np.ascontiguousarray(road_m), np.ascontiguousarray(drive), np.zeros(4)

        def unbalanced(q: Floats) -> Floats:
            y[: kernel.FREEDOMS] = q
            kernel.derive(
                y, road, still, push, current, self._body, self._corner, self._curves, self._curve_points, self._speeds,
                self._speed_count, self._cubics, self._currents, self._current_count, dy, row,
            )  # fmt: skip
            unmet: Floats = dy[kernel.RATES : kernel.RATES + kernel.FREEDOMS] * weight
            return unmet

        mean = float(road_m.mean())
        start = np.concatenate(([mean, 0.0, 0.0], road_m))
        found = root(unbalanced, start, tol=1e-12)
        worst = float(np.abs(unbalanced(found.x)).max())
        if worst > 1e-3:
            raise InputError(
                f"the car finds no balance at {drive[0]:.3g} and {drive[1]:.3g} m/s2", where=self.car.name
            )
        settled: Floats = found.x
        return settled

    def look(self, state: State, inputs: Inputs) -> Motion:
        """Return the motion at a state's own time as one row; the road's rate is that of the step ahead."""
        row, dy = np.zeros((1, kernel.ROW_WORDS)), np.empty(kernel.STATES)
        here, ahead = inputs.road_m[state.at], inputs.road_m[min(state.at + 1, len(inputs.road_m) - 1)]
        kernel.derive(
            state.y, here, (ahead - here) / self.step_s, inputs.drive[state.at], state.valve_a, self._body, self._corner,
            self._curves, self._curve_points, self._speeds, self._speed_count, self._cubics, self._currents,
            self._current_count, dy, row[0],
        )  # fmt: skip
        row[0, kernel.POSITION : kernel.ACCEL] = state.y[: 2 * kernel.FREEDOMS]
        row[0, kernel.ACCEL : kernel.STROKE] = dy[kernel.RATES : kernel.RATES + kernel.FREEDOMS]
        row[0, kernel.VALVE_CURRENT : kernel.COIL_CURRENT] = state.valve_a
        row[0, kernel.COIL_CURRENT : kernel.LAGGED_SPEED] = state.coil_a
        return Motion(row, self.step_s)

    def advance(self, state: State, command_a: Floats, inputs: Inputs, steps: int) -> Motion:
        """Advance a state in place under held commands, as a controller period does.

        Args:
            state: the state; `state.at` is the row of the inputs for its time.
            command_a: wanted coil currents in ampere, (4,).
            inputs: on the step grid, with a row more than the last step.
            steps: to go.

        Raises:
            InputError: the inputs end before.

        """
        return self._advance(state, command_a.reshape(1, 4), steps, inputs, steps)

    def run(self, state: State, commands_a: Floats, hold: int, inputs: Inputs) -> Motion:
        """Advance a state in place under a series of commands, each held for `hold` steps; commands_a is (m, 4)."""
        return self._advance(state, commands_a, hold, inputs, len(commands_a) * hold)

    def _advance(self, state: State, commands_a: Floats, hold: int, inputs: Inputs, steps: int) -> Motion:
        if state.at + steps >= len(inputs.road_m) or state.at + steps >= len(inputs.drive):
            raise InputError(
                f"the inputs have {min(len(inputs.road_m), len(inputs.drive))} rows; "
                f"{state.at + steps + 1} are needed",
                where="plant",
            )
        commands_a = _plain(commands_a)
        out = np.empty((steps, kernel.ROW_WORDS))
        state.place = kernel.advance(
            state.y, state.coil_a, state.valve_a, state.ring_a, state.place, commands_a, hold, inputs.road_m,
            inputs.drive, state.at, self.step_s, self._actuator, self._body, self._corner, self._curves,
            self._curve_points, self._speeds, self._speed_count, self._cubics, self._currents, self._current_count, out,
        )  # fmt: skip
        state.at += steps
        return Motion(out, self.step_s)

    def _pack_corner(self, c: int) -> Floats:
        car, damper = self.car, self.dampers[c]
        index, side = c // 2, 1.0 - 2.0 * (c % 2)
        axle = car.axles[index]
        packed = np.zeros(kernel.CORNER_WORDS)
        ratio = float(axle.motion_ratio.at(0.0))
        sprung_n = float(car.corner_sprung_n[c])
        preload_n = (sprung_n - ratio * damper.gas.force_n) / float(axle.ratio_of_spring.at(0.0))
        if preload_n < 0.0:
            raise InputError(
                f"the gas force of {damper.gas.force_n:g} N alone lifts a corner of {sprung_n:.0f} N",
                where=car.name,
            )
        bump, droop = axle.bump_stop or _NO_STOP, axle.droop_stop or _NO_STOP
        # Force through the links of one wheel for each newton that the tyres push along.
        link = car.height_m / (2.0 * car.wheelbase_m) * (-1.0 if index == 0 else 1.0)
        for place, value in {
            kernel.X: float(car.corner_x_m[c]),
            kernel.Y: float(car.corner_y_m[c]),
            kernel.WHEEL_MASS: axle.wheel_mass_kg,
            kernel.WHEEL_WEIGHT: axle.wheel_mass_kg * GRAVITY_M_S2,
            kernel.SPRING: axle.spring_n_per_m,
            kernel.PRELOAD: preload_n,
            kernel.BAR: axle.bar_n_per_m,
            kernel.TYRE: axle.tyre_n_per_m,
            kernel.TYRE_DAMPING: axle.tyre_damping_n_s_per_m,
            kernel.TYRE_REST: float(car.corner_load_n[c]),
            kernel.FRICTION: axle.friction_n,
            kernel.LINK_LATERAL: -side * car.axle_sprung_kg[index] * axle.roll_centre_m / axle.track_m,
            kernel.WHEEL_LATERAL: side * axle.unsprung_mass_kg * axle.wheel_height_m / axle.track_m,
            kernel.LINK_BRAKE: link * axle.anti_brake,
            kernel.LINK_DRIVE: link * axle.anti_drive,
            kernel.DOWNFORCE: 0.25
            * car.aero.air_density_kg_m3
            * (car.aero.downforce_front_m2, car.aero.downforce_rear_m2)[index],
            kernel.GAS_FORCE: damper.gas.force_n,
            kernel.GAS_LENGTH: damper.gas.length_m,
            kernel.GAS_EXPONENT: damper.gas.exponent,
            kernel.SEAL_FRICTION: damper.friction_n,
            kernel.LAG: damper.lag_s,
            kernel.BUMP_GAP: bump.gap_m,
            kernel.BUMP_RATE: bump.stiffness_n_per_m,
            kernel.BUMP_SOFTNESS: 0.5 / bump.progression_m,
            kernel.DROOP_GAP: droop.gap_m,
            kernel.DROOP_RATE: droop.stiffness_n_per_m,
            kernel.DROOP_SOFTNESS: 0.5 / droop.progression_m,
        }.items():
            packed[place] = value
        return packed

    def _pack_curves(self) -> tuple[Floats, NDArray[np.int64]]:
        each = [(axle.motion_ratio, axle.spring_ratio) for axle in self.car.axles for _ in range(2)]
        most = max(len(ratio.ratio) for pair in each for ratio in pair if ratio is not None)
        curves, points = np.zeros((4, 2, 4, most)), np.zeros((4, 2), dtype=np.int64)
        for c, pair in enumerate(each):
            for which, ratio in enumerate(pair):
                if ratio is None:
                    continue
                count = len(ratio.ratio)
                points[c, which] = count
                curves[c, which, 0, :count] = ratio.wheel_m
                curves[c, which, 1, :count] = ratio.ratio
                curves[c, which, 2, :count] = ratio.strokes_at_points()
                curves[c, which, 3, : count - 1] = np.diff(ratio.ratio) / np.diff(ratio.wheel_m)
        return curves, points

    def _pack_surfaces(self) -> None:
        both = [(damper.compression, damper.rebound) for damper in self.dampers]
        for compression, rebound in both:
            if compression.current_a != rebound.current_a:
                raise InputError("compression and rebound must have the same currents", where="damper")
        speeds = max(len(part.speed_m_s) for pair in both for part in pair)
        rows = max(len(pair[0].current_a) for pair in both)
        self._speeds = np.full((4, 2, speeds), np.inf)
        self._speed_count = np.zeros((4, 2), dtype=np.int64)
        self._cubics = np.zeros((4, 2, rows, speeds, 4))
        self._currents = np.zeros((4, rows))
        self._current_count = np.zeros(4, dtype=np.int64)
        for c, pair in enumerate(both):
            self._currents[c, : len(pair[0].current_a)] = pair[0].current_a
            self._current_count[c] = len(pair[0].current_a)
            for which, part in enumerate(pair):
                count = len(part.speed_m_s)
                self._speeds[c, which, :count] = part.speed_m_s
                self._speed_count[c, which] = count
                self._cubics[c, which, : len(part.current_a), :count] = part.cubics()


@dataclass(frozen=True, slots=True)
class Linear:
    """The linear car about a place: M q'' + C q' + K q = G u + H u', and its state space x' = A x + B u, y = C x + D u.

    Freedoms q: heave, roll, pitch, four wheels. Inputs: four road heights, their four rates, longitudinal and lateral
    acceleration. States: q and q'. Outputs: four strokes, four stroke speeds, body accelerations (heave, roll,
    pitch), changes of the four tyre loads.

    Attributes:
        mass, damping, stiffness: (7, 7).
        push: (7, 10).
        a: (14, 14).
        b: (14, 10).
        c: (15, 14).
        d: (15, 10).

    """

    mass: Floats
    damping: Floats
    stiffness: Floats
    push: Floats
    a: Floats
    b: Floats
    c: Floats
    d: Floats

    def undamped_hz(self) -> Floats:
        """Return the seven undamped natural frequencies, rising."""
        root = np.sqrt(np.diag(self.mass))
        squared = np.linalg.eigvalsh(self.stiffness / np.outer(root, root))
        hz: Floats = np.sqrt(np.maximum(squared, 0.0)) / (2.0 * math.pi)
        return hz

    def modes(self) -> tuple[Floats, Floats]:
        """Return |eigenvalue| / 2 pi in hertz and damping ratio of each eigenvalue with an imaginary part of 0 or more."""
        poles = np.linalg.eigvals(self.a)
        upper = poles[poles.imag >= 0.0]
        order = np.argsort(np.abs(upper))
        size = np.abs(upper[order])
        return size / (2.0 * math.pi), -upper[order].real / size


ROAD, ROAD_RATE, LONG, LAT = slice(0, 4), slice(4, 8), 8, 9


def linear(
    car: Car,
    damping_n_s_per_m: Sequence[float] | Floats,
    *,
    gas_n_per_m: Sequence[float] = (0.0, 0.0),
    gas_n: Sequence[float] = (0.0, 0.0),
    wheel_m: Sequence[float] | Floats = (0.0, 0.0, 0.0, 0.0),
) -> Linear:
    """Linearise a car about wheel travels, without friction; driving and braking are taken alike (mean of the anti shares).

    Args:
        car: the car.
        damping_n_s_per_m: slope of force over speed at the dampers, of front and rear or four corners.
        gas_n_per_m: stiffness of the gas at the dampers, front and rear.
        gas_n: gas force there, which the springs then carry less of, front and rear.
        wheel_m: wheel travels at which motion ratios, springs and stops are taken, (4,).

    """
    given = list(damping_n_s_per_m)
    damping = np.array(given, dtype=np.float64) if len(given) == 4 else car.each_wheel(given)
    x, side = car.corner_x_m, car.corner_y_m
    # Wheel travels from the freedoms.
    travel = np.hstack((np.stack((-np.ones(4), -side, x), axis=1), np.eye(4)))
    springs, dampers = np.zeros((4, 4)), np.zeros((4, 4))
    ratio = np.array([float(car.axles[c // 2].motion_ratio.at(wheel_m[c])) for c in range(4)])
    for c in range(4):
        axle, at = car.axles[c // 2], float(wheel_m[c])
        springs[c, c] += _wheel_rate(car, c, at, gas_n[c // 2], gas_n_per_m[c // 2]) + axle.bar_n_per_m
        springs[c, c ^ 1] -= axle.bar_n_per_m
        dampers[c, c] = ratio[c] ** 2 * damping[c]
    stiffness, rate = travel.T @ springs @ travel, travel.T @ dampers @ travel
    tyre = car.each_wheel([axle.tyre_n_per_m for axle in car.axles])
    tyre_damping = car.each_wheel([axle.tyre_damping_n_s_per_m for axle in car.axles])
    stiffness[3:, 3:] += np.diag(tyre)
    rate[3:, 3:] += np.diag(tyre_damping)
    stiffness[1, 1] -= car.sprung_mass_kg * GRAVITY_M_S2 * car.roll_arm_m
    mass = np.diag(
        [car.sprung_mass_kg, car.roll_inertia_kg_m2, car.pitch_inertia_kg_m2]
        + [axle.wheel_mass_kg for axle in car.axles for _ in range(2)]
    )
    push = np.zeros((kernel.FREEDOMS, 10))
    push[3:, ROAD], push[3:, ROAD_RATE] = np.diag(tyre), np.diag(tyre_damping)
    sign = np.sign(side)
    links = np.zeros((4, 2))
    antis = car.each_wheel([(axle.anti_brake + axle.anti_drive) / 2.0 for axle in car.axles])
    links[:, 0] = -np.sign(x) * antis * car.mass_kg * car.height_m / (2.0 * car.wheelbase_m)
    through = [
        mass * axle.roll_centre_m / axle.track_m
        for mass, axle in zip(car.axle_sprung_kg, car.axles, strict=True)
    ]
    links[:, 1] = -sign * car.each_wheel(through)
    push[:, LONG : LAT + 1] = -travel.T @ links
    push[2, LONG] -= car.mass_kg * car.height_m
    push[1, LAT] += car.sprung_mass_kg * car.sprung_height_m
    own = [axle.unsprung_mass_kg * axle.wheel_height_m / axle.track_m for axle in car.axles]
    push[3:, LAT] += sign * car.each_wheel(own)

    size = kernel.FREEDOMS
    inverse = np.diag(1.0 / np.diag(mass))
    a = np.block([[np.zeros((size, size)), np.eye(size)], [-inverse @ stiffness, -inverse @ rate]])
    b = np.vstack((np.zeros((size, push.shape[1])), inverse @ push))
    strokes = ratio[:, None] * travel
    none = np.zeros((4, size))
    wheels = np.hstack((np.zeros((4, 3)), np.eye(4)))
    c_out = np.vstack(
        (
            np.hstack((strokes, none)),
            np.hstack((none, strokes)),
            a[size : size + 3],
            np.hstack((-tyre[:, None] * wheels, -tyre_damping[:, None] * wheels)),
        )
    )
    d = np.zeros((15, push.shape[1]))
    d[8:11] = b[size : size + 3]
    d[11:, ROAD], d[11:, ROAD_RATE] = np.diag(tyre), np.diag(tyre_damping)
    return Linear(mass, rate, stiffness, push, a, b, c_out, d)


def _wheel_rate(car: Car, c: int, wheel_m: float, gas_n: float, gas_n_per_m: float) -> float:
    """Return the stiffness at a wheel: MR^2 k of spring, gas and stops, and what a changing ratio makes of their force."""
    axle = car.axles[c // 2]
    damper, spring = axle.motion_ratio, axle.ratio_of_spring
    ratio, spring_ratio = float(damper.at(wheel_m)), float(spring.at(wheel_m))
    stroke = float(damper.stroke_m(wheel_m))
    preload = (float(car.corner_sprung_n[c]) - float(damper.at(0.0)) * gas_n) / float(spring.at(0.0))
    spring_n = preload + axle.spring_n_per_m * float(spring.stroke_m(wheel_m))
    ends_n, ends_rate = gas_n + gas_n_per_m * stroke, gas_n_per_m
    for stop, toward in ((axle.bump_stop, 1.0), (axle.droop_stop, -1.0)):
        if stop is not None and toward * stroke > stop.gap_m:
            into = toward * stroke - stop.gap_m
            ends_n += toward * float(stop.force_n(toward * stroke))
            ends_rate += stop.stiffness_n_per_m * (1.0 + into / stop.progression_m)
    return (
        spring_ratio**2 * axle.spring_n_per_m
        + spring.slope_at(wheel_m) * spring_n
        + ratio**2 * ends_rate
        + damper.slope_at(wheel_m) * ends_n
    )
