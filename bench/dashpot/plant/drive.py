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
    SpeedProfile,
    attention,
    corrections_rad,
    drag_per_m,
    pedalled,
    speed_profile,
    top_speed_m_s,
)
from dashpot.plant.road import between
from dashpot.plant.streams import stream

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Car, Floats
    from dashpot.plant.scenario import Scenario

    Whole = NDArray[np.int64]

STEP_US = 1000
STEP_S = STEP_US * 1e-6
# Arrays of one row a millisecond: a quarter of an hour are some 150 MB.
LONGEST_S = 900.0
# The brake light comes on above this line pressure in front.
PEDAL_BAR = 1.0


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
        road, along = np.empty((count, 4)), np.empty((count, 3))
        road[::steps], along[::steps] = self.road_m, drive
        around = np.concatenate((self.road_m[:1], self.road_m, self.road_m[-1:]))
        before, here, after, later = around[:-3], around[1:-2], around[2:-1], around[3:]
        for part in range(1, steps):
            share = part / steps
            road[part::steps] = between(before, here, after, later, share)
            along[part::steps] = drive[:-1] + share * (drive[1:] - drive[:-1])
        return Inputs(road, along)


def integral(values: Floats) -> Floats:
    """Return the integral of values, one a millisecond, by trapezia, from 0."""
    return np.concatenate(([0.0], np.cumsum((values[1:] + values[:-1]) * (STEP_S / 2.0))))


def make_drive(scenario: Scenario, seed: int) -> Drive:
    """Drive a scenario.

    Raises:
        InputError: the road is too long, or the car does not get on.

    """
    brakes, steering = scenario.brakes, scenario.steering
    time_s = np.arange(round(scenario.duration_s / STEP_S) + 1) * STEP_S
    demand, start_m_s = _demand(scenario, seed, time_s)
    accel_long = brakes.lag.filtered(demand, STEP_S)
    # Clipped is rounding only: neither the pedals nor the lag overshoot.
    speed = np.maximum(start_m_s + integral(accel_long), 0.0)
    distance = integral(speed)
    brake_bar = _brake_bar(scenario, demand, speed, time_s)

    lag = steering.lag
    ahead = distance + lag.delay_s * speed
    course = scenario.course
    bend = course.bend_at(ahead) if isinstance(course, Circuit) else course.bend_at(time_s, ahead, speed)
    answer = scenario.car.wheelbase_m + steering.understeer_rad_per_m_s2 * speed**2
    wheel_rad = bend * answer + corrections_rad(scenario.driver, stream(seed, "corrections"), speed, STEP_S)
    yaw_rate = speed * lag.filtered(wheel_rad / answer, STEP_S)

    line = scenario.line
    lap = distance % line.length_m if line.closed else distance
    return Drive(
        name=scenario.name,
        seed=seed,
        car=scenario.car,
        time_s=time_s,
        distance_m=distance,
        lap_distance_m=lap,
        lap_number=1.0 + np.floor(distance / line.length_m) if line.closed else np.ones(len(time_s)),
        sector=line.sector_at(lap) if isinstance(line, Circuit) else np.ones(len(time_s)),
        speed_m_s=speed,
        accel_long_m_s2=accel_long,
        accel_lat_m_s2=speed * yaw_rate,
        yaw_rate_rad_s=yaw_rate,
        steer_deg=np.degrees(wheel_rad) * steering.ratio,
        brake_bar=brake_bar,
        friction=scenario.weather.friction_at(line, distance),
        road_m=_road_m(scenario, seed, distance),
        switches=scenario.switches.at(time_s),
        supply_v=scenario.supply.at(time_s, brake_bar[:, 0] > PEDAL_BAR),
    )


def circuit_speeds(scenario: Scenario, seed: int) -> SpeedProfile:
    """Return the speeds that the driver aims at round the circuit, without pedals and lags, from its start."""
    circuit, performance = scenario.course, scenario.performance
    assert isinstance(circuit, Circuit)
    if circuit.closed:
        # As far as the engine could go; the same points whatever the duration, so that a longer drive begins alike.
        driven_s = scenario.duration_s + scenario.driver.pedal_s
        longest = driven_s * top_speed_m_s(scenario.car, performance)
        grid = np.arange(math.ceil(longest / STEP_M) + 2) * STEP_M
    else:
        grid = np.linspace(0.0, circuit.length_m, len(circuit.curvature_per_m) + 1)
    skill = attention(scenario.driver, stream(seed, "skill"), grid)
    return speed_profile(
        scenario.car,
        performance,
        circuit.bend_at(grid),
        performance.grip * skill * scenario.weather.friction_at(circuit, grid),
        float(grid[1]),
        end_m_s=np.inf if circuit.closed else 0.0,
    )


def _demand(scenario: Scenario, seed: int, time_s: Floats) -> tuple[Floats, float]:
    """Return the longitudinal acceleration that the driver asks for, and the speed at the start."""
    half = round(scenario.driver.pedal_s / STEP_S / 2.0)
    padded = np.arange(-half - 1, len(time_s) + half + 1) * STEP_S
    if isinstance(scenario.course, Circuit):
        aim = circuit_speeds(scenario, seed)
        wanted = np.interp(padded - scenario.driver.standstill_s, aim.time_s, aim.speed_m_s)
        return pedalled(wanted, half, STEP_S), 0.0
    return pedalled(scenario.course.speed_at(padded), half, STEP_S), scenario.course.speed_m_s


def _brake_bar(scenario: Scenario, demand: Floats, speed_m_s: Floats, time_s: Floats) -> Floats:
    coast = scenario.performance.coast_m_s2 + drag_per_m(scenario.car) * speed_m_s**2
    braking = np.maximum(-demand - coast, 0.0)
    gains = np.array([scenario.brakes.front_bar_per_m_s2, scenario.brakes.rear_bar_per_m_s2])
    pressure: Floats = braking[:, None] * gains
    if isinstance(scenario.course, Circuit) and gains[0] > 0.0:
        # On the brake until shortly before the start.
        until = scenario.driver.standstill_s - scenario.driver.pedal_s
        held = np.clip((until - time_s) / 0.15, 0.0, 1.0) * scenario.brakes.holding_bar
        pressure += held[:, None] * gains / gains[0]
    return pressure


def _road_m(scenario: Scenario, seed: int, distance_m: Floats) -> Floats:
    car, course = scenario.car, scenario.course
    speed = 0.0 if isinstance(course, Circuit) else course.speed_m_s
    road = scenario.ground.road(scenario.line, (car.front.track_m + car.rear.track_m) / 2.0, seed, speed)
    # The centre of gravity follows the path; the front axle is ahead of it.
    return road.under_wheels(distance_m + car.to_axle_m[0], car.wheelbase_m)


def straight_of(speed_m_s: float, duration_s: float) -> Line:
    """Return the straight of a manoeuvre, long enough for its duration and some metres more."""
    return Line(float(np.ceil(speed_m_s * duration_s + 20.0)), closed=False)
