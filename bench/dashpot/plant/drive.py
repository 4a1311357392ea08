"""One drive: the truth over time of where the car is and what driver and road do, from a seed.

The chain is causal, so that a log made from it has the delays of a car: wanted speed, pedals, brake line pressure,
and a lag later the deceleration; bend ahead, steering wheel, and a lag later the yaw rate. Lateral acceleration is
speed x yaw rate, longitudinal acceleration the derivative of speed, exactly: v[k+1] - v[k] = T (a[k] + a[k+1]) / 2.
How the body and the wheels move is not in here: that is the plant's answer to `Drive.inputs`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.plant.chassis import STEP_S as PLANT_STEP_S
from dashpot.plant.chassis import Inputs
from dashpot.plant.circuit import STEP_M, Circuit, Line
from dashpot.plant.driver import (
    Brakes,
    Driver,
    Performance,
    Steering,
    attention,
    corrections_rad,
    drag_per_m,
    pedalled,
    speed_profile,
    top_speed_m_s,
)
from dashpot.plant.ground import Ground, Weather
from dashpot.plant.manoeuvre import Manoeuvre
from dashpot.plant.streams import stream

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Car, Floats

    Whole = NDArray[np.int64]

STEP_US = 1000
STEP_S = STEP_US * 1e-6
# Arrays of one row a millisecond: a quarter of an hour are some 150 MB.
LONGEST_S = 900.0


@dataclass(frozen=True, slots=True)
class Switches:
    """What driver and body unit switch, one row a millisecond, all (n,) whole numbers as in the car's DBC.

    Attributes:
        driver_mode: 0 road, 1 sport, 2 track.
        grip_switch: 0 automatic, 1 dry, 2 wet.
        firmness_knob: -5 to 5.
        ignition: 0 or 1.

    """

    driver_mode: Whole
    grip_switch: Whole
    firmness_knob: Whole
    ignition: Whole


@dataclass(frozen=True, slots=True)
class Drive:
    """Truth of a drive, one row a millisecond (STEP_US), row 0 at time 0.

    Corner columns are front-left, front-right, rear-left, rear-right.

    Attributes:
        name: of the scenario.
        seed: what it was drawn from.
        car: the car.
        time_s: (n,).
        distance_m: of the body's centre of gravity from the start line, running on over laps, (n,).
        lap_distance_m: the same within the lap, (n,).
        lap_number: 1 for the first, (n,).
        sector: 1 for the first, (n,).
        speed_m_s: (n,).
        accel_long_m_s2: + forwards, (n,).
        accel_lat_m_s2: + to the left, (n,).
        yaw_rate_rad_s: + to the left, (n,).
        steer_deg: of the steering wheel, + to the left, (n,).
        brake_bar: line pressure, front and rear, (n, 2).
        friction: of the road under the car against the dry road, (n,).
        road_m: heights under the four wheels, (n, 4).
        switches: of the driver and the body unit.
        supply_v: at the controller's terminals, (n,).

    """

    name: str
    seed: int
    car: Car
    time_s: Floats
    distance_m: Floats
    lap_distance_m: Floats
    lap_number: Floats
    sector: Floats
    speed_m_s: Floats
    accel_long_m_s2: Floats
    accel_lat_m_s2: Floats
    yaw_rate_rad_s: Floats
    steer_deg: Floats
    brake_bar: Floats
    friction: Floats
    road_m: Floats
    switches: Switches
    supply_v: Floats

    @property
    def duration_s(self) -> float:
        """From the first row to the last."""
        return float(self.time_s[-1])

    def inputs(self, step_s: float = PLANT_STEP_S) -> Inputs:
        """Return what the plant wants, on its own step grid; (n - 1) * steps + 1 rows, 1 ms being `steps` of them.

        Road heights between the milliseconds are cubic (Catmull-Rom), all else straight; row k * steps is row k of
        the drive unchanged.

        Raises:
            InputError: a millisecond is no whole number of steps.

        """
        steps = round(STEP_S / step_s)
        if steps < 1 or abs(steps * step_s - STEP_S) > 1e-12:
            raise InputError(
                f"a step of {step_s * 1e3:g} ms does not divide 1 ms; 0.5 or 0.25 ms would", where=self.name
            )
        drive = np.column_stack((self.accel_long_m_s2, self.accel_lat_m_s2, self.speed_m_s))
        count = (len(self.time_s) - 1) * steps + 1
        road, between = np.empty((count, 4)), np.empty((count, 3))
        road[::steps], between[::steps] = self.road_m, drive
        around = np.concatenate((self.road_m[:1], self.road_m, self.road_m[-1:]))
        before, here, after, later = around[:-3], around[1:-2], around[2:-1], around[3:]
        for part in range(1, steps):
            share = part / steps
            road[part::steps] = here + 0.5 * share * (
                after
                - before
                + share
                * (
                    2.0 * before
                    - 5.0 * here
                    + 4.0 * after
                    - later
                    + share * (3.0 * (here - after) + later - before)
                )
            )
            between[part::steps] = drive[:-1] + share * (drive[1:] - drive[:-1])
        return Inputs(road, between)


def integral(values: Floats) -> Floats:
    """Return the integral of values, one a millisecond, by trapezia, from 0."""
    return np.concatenate(([0.0], np.cumsum((values[1:] + values[:-1]) * (STEP_S / 2.0))))


@dataclass(frozen=True, slots=True)
class Trip:
    """What a drive is made from; see `Scenario` for where it comes from.

    Attributes:
        name: of the scenario.
        seed: of all that is drawn.
        duration_s: of the drive.
        car: the car.
        course: a circuit or a manoeuvre.
        performance: of the car.
        brakes: of the car.
        steering: of the car.
        driver: the driver.
        ground: what lies under the wheels.
        weather: friction.

    """

    name: str
    seed: int
    duration_s: float
    car: Car
    course: Circuit | Manoeuvre
    performance: Performance
    brakes: Brakes
    steering: Steering
    driver: Driver
    ground: Ground
    weather: Weather

    @property
    def line(self) -> Line:
        """The circuit, or the manoeuvre's straight with room to its end."""
        if isinstance(self.course, Circuit):
            return self.course
        return straight_of(self.course.speed_m_s, self.duration_s)

    def make(self, switches: Switches, supply_v: Floats) -> Drive:
        """Drive it; switches and supply are (n,), see `times_s`."""
        time_s = self.times_s()
        demand, start_m_s = self._demand(time_s)
        accel_long = self.brakes.lag.filtered(demand, STEP_S)
        # Clipped is rounding only: neither the pedals nor the lag overshoot.
        speed = np.maximum(start_m_s + integral(accel_long), 0.0)
        distance = integral(speed)

        lag = self.steering.lag
        ahead = distance + lag.delay_s * speed
        answer = self.car.wheelbase_m + self.steering.understeer_rad_per_m_s2 * speed**2
        if isinstance(self.course, Circuit):
            bend = self.course.bend_at(ahead)
        else:
            bend = self.course.bend_at(time_s, ahead, speed)
        wheel_rad = bend * answer + corrections_rad(
            self.driver, stream(self.seed, "corrections"), speed, STEP_S
        )
        yaw_rate = speed * lag.filtered(wheel_rad / answer, STEP_S)
        line = self.line
        lap = distance % line.length_m if line.closed else distance
        return Drive(
            name=self.name,
            seed=self.seed,
            car=self.car,
            time_s=time_s,
            distance_m=distance,
            lap_distance_m=lap,
            lap_number=1.0 + np.floor(distance / line.length_m) if line.closed else np.ones(len(time_s)),
            sector=line.sector_at(lap) if isinstance(line, Circuit) else np.ones(len(time_s)),
            speed_m_s=speed,
            accel_long_m_s2=accel_long,
            accel_lat_m_s2=speed * yaw_rate,
            yaw_rate_rad_s=yaw_rate,
            steer_deg=np.degrees(wheel_rad) * self.steering.ratio,
            brake_bar=self._brake_bar(demand, speed, time_s),
            friction=self.weather.friction_at(line, distance),
            road_m=self._road_m(line, distance),
            switches=switches,
            supply_v=supply_v,
        )

    def times_s(self) -> Floats:
        """Return the times of the rows, (n,)."""
        times: Floats = np.arange(round(self.duration_s / STEP_S) + 1) * STEP_S
        return times

    def profile(self) -> tuple[Floats, Floats]:
        """Return times and speeds of a drive round the circuit without pedals and lags, from its start."""
        circuit = self.course
        assert isinstance(circuit, Circuit)
        if circuit.closed:
            # As far as the engine could go; the same points whatever the duration, so that a longer drive begins alike.
            longest = (self.duration_s + self.driver.pedal_s) * top_speed_m_s(self.car, self.performance)
            grid = np.arange(math.ceil(longest / STEP_M) + 2) * STEP_M
        else:
            grid = np.linspace(0.0, circuit.length_m, len(circuit.curvature_per_m) + 1)
        skill = attention(self.driver, stream(self.seed, "skill"), grid)
        grip = self.performance.grip * skill * self.weather.friction_at(circuit, grid)
        found = speed_profile(
            self.car,
            self.performance,
            circuit.bend_at(grid),
            grip,
            float(grid[1]),
            end_m_s=np.inf if circuit.closed else 0.0,
        )
        return found.time_s, found.speed_m_s

    def _demand(self, time_s: Floats) -> tuple[Floats, float]:
        """Return the longitudinal acceleration that the driver asks for, and the speed at the start."""
        half = round(self.driver.pedal_s / STEP_S / 2.0)
        padded = np.arange(-half - 1, len(time_s) + half + 1) * STEP_S
        if isinstance(self.course, Circuit):
            wanted = np.interp(padded - self.driver.standstill_s, *self.profile())
            return pedalled(wanted, half, STEP_S), 0.0
        return pedalled(self.course.speed_at(padded), half, STEP_S), self.course.speed_m_s

    def _brake_bar(self, demand: Floats, speed_m_s: Floats, time_s: Floats) -> Floats:
        coast = self.performance.coast_m_s2 + drag_per_m(self.car) * speed_m_s**2
        braking = np.maximum(-demand - coast, 0.0)
        gains = np.array([self.brakes.front_bar_per_m_s2, self.brakes.rear_bar_per_m_s2])
        held = np.zeros(len(time_s))
        if isinstance(self.course, Circuit):
            # On the brake until shortly before the start.
            until = self.driver.standstill_s - self.driver.pedal_s
            held = np.clip((until - time_s) / 0.15, 0.0, 1.0) * self.brakes.holding_bar / gains[0]
        pressure: Floats = (braking + held)[:, None] * gains
        return pressure

    def _road_m(self, line: Line, distance_m: Floats) -> Floats:
        speed = 0.0 if isinstance(self.course, Circuit) else self.course.speed_m_s
        track = (self.car.front.track_m + self.car.rear.track_m) / 2.0
        road = self.ground.road(line, track, self.seed, speed)
        # The centre of gravity follows the path; the front axle is ahead of it.
        return road.under_wheels(distance_m + self.car.to_axle_m[0], self.car.wheelbase_m)


def straight_of(speed_m_s: float, duration_s: float) -> Line:
    """Return the straight of a manoeuvre, long enough for its duration and some metres more."""
    return Line(float(np.ceil(speed_m_s * duration_s + 20.0)), closed=False)
