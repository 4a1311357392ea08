"""One drive round Hollow Fen: the truth behind the demo log, as arrays over time, from a seed.

The chain is causal, so that the log has the delays of a car: the speed profile becomes the driver's demand; the brake
line pressure follows the demand at once, the deceleration 36 ms later (caliper, tyre relaxation); the steering wheel
turns about 100 ms before the path bends. Lateral acceleration is speed x yaw rate, longitudinal acceleration the
derivative of speed, exactly. Numbers of car and driver are this project's own [D] unless marked otherwise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.demo.body import FullCar, Motion, move
from dashpot.demo.path import DRAG_KG_PER_M, MASS_KG, STEP_M, Circuit, build_circuit, drive
from dashpot.demo.road import build_road
from dashpot.errors import InputError

if TYPE_CHECKING:
    from dashpot.demo.path import Floats

STEP_US = 1000
STEP_S = STEP_US * 1e-6
# Arrays of one row a millisecond: ten minutes are some 100 MB.
LONGEST_S = 600.0
STANDSTILL_S = 1.5

SKILL = 0.93
SKILL_SPREAD = 0.012
# Time over which the driver goes from one pedal to the other.
PEDAL_S = 0.36
# Engine braking and rolling resistance, without the brake.
COAST_M_S2 = 0.7
# Lag from line pressure to deceleration: two equal first-order lags of 18 ms, tyre relaxation 10-20 ms among them.
BRAKE_LAG_HZ, BRAKE_LAG_DAMPING = 1.0 / (2.0 * math.pi * 0.018), 1.0
BRAKE_BAR_PER_M_S2 = (6.4, 3.9)
HOLDING_BAR = 14.0

STEER_RATIO = 13.5
UNDERSTEER_RAD_PER_M_S2 = 0.0026
# The path answers the steering with 2 x damping / (2 pi f) = 99 ms of delay.
STEER_LAG_HZ, STEER_LAG_DAMPING = 2.9, 0.9
STEER_LEAD_S = 0.099
# Small corrections that no driver does without: spread and bandwidth.
CORRECTION_RAD = math.radians(0.06)
CORRECTION_HZ = 0.9


@dataclass(frozen=True, slots=True)
class DemoLap:
    """Truth of a drive, one row a millisecond (STEP_US); corner columns are front-left, front-right, rear-left, rear-right.

    Attributes:
        seed: what it was drawn from.
        circuit: the lap's geometry and zones.
        car: the car's data.
        time_s: (n,), from the start of the log.
        distance_m: (n,), from the start line, running on over laps.
        speed_m_s: (n,).
        accel_long_m_s2: (n,), + forwards, the derivative of speed.
        accel_lat_m_s2: (n,), + to the left, speed x yaw rate.
        yaw_rate_rad_s: (n,), + to the left.
        steer_deg: (n,), steering wheel, + to the left.
        brake_bar: (n, 2), line pressure, front and rear.
        friction: (n,), of the road where the car is, against the dry road.
        motion: strokes, their speeds, roll, pitch, vertical acceleration.

    """

    seed: int
    circuit: Circuit
    car: FullCar
    time_s: Floats
    distance_m: Floats
    speed_m_s: Floats
    accel_long_m_s2: Floats
    accel_lat_m_s2: Floats
    yaw_rate_rad_s: Floats
    steer_deg: Floats
    brake_bar: Floats
    friction: Floats
    motion: Motion

    @property
    def lap_distance_m(self) -> Floats:
        """Distance from the start line within the lap, (n,)."""
        return self.distance_m % self.circuit.length_m


def demo_lap(seed: int = 1, duration_s: float = 90.0) -> DemoLap:
    """Drive from a standing start for `duration_s`.

    Args:
        seed: road, driver and noise are drawn from it; the same seed gives the same numbers on the same machine.
        duration_s: 1 to 600 seconds; a lap takes about 86.

    Raises:
        InputError: seed or duration out of range.

    """
    if seed < 0:
        raise InputError(f"the seed is {seed}; it must be 0 or more", where="demo lap")
    if not 1.0 <= duration_s <= LONGEST_S:
        raise InputError(
            f"the duration is {duration_s} s; 1 to {LONGEST_S:.0f} s can be made", where="demo lap"
        )
    circuit, car = build_circuit(), FullCar()
    time_s = np.arange(round(duration_s / STEP_S) + 1) * STEP_S

    demand = _accel_demand(circuit, stream(seed, "skill"), time_s)
    accel_long = second_order(demand, BRAKE_LAG_HZ, BRAKE_LAG_DAMPING)
    speed = np.maximum(_integral(accel_long), 0.0)
    distance = _integral(speed)
    brake_bar = _brake_pressure(demand, speed, time_s)

    ahead = distance + STEER_LEAD_S * speed
    answer = car.wheelbase_m + UNDERSTEER_RAD_PER_M_S2 * speed**2
    wheel_rad = circuit.at(circuit.curvature_per_m, ahead) * answer
    wheel_rad += _corrections(stream(seed, "corrections"), speed)
    bend = second_order(wheel_rad / answer, STEER_LAG_HZ, STEER_LAG_DAMPING)
    yaw_rate = speed * bend
    accel_lat = speed * yaw_rate

    road = build_road(circuit.length_m, circuit.bumpy, circuit.kerb, stream(seed, "road"))
    # The centre of gravity follows the path; the front axle is ahead of it and the rear behind.
    front, rear = distance + car.to_axle_m[0], distance - car.to_axle_m[1]
    road_m = np.column_stack([road.at(side, axle) for axle in (front, rear) for side in (0, 1)])
    return DemoLap(
        seed=seed,
        circuit=circuit,
        car=car,
        time_s=time_s,
        distance_m=distance,
        speed_m_s=speed,
        accel_long_m_s2=accel_long,
        accel_lat_m_s2=accel_lat,
        yaw_rate_rad_s=yaw_rate,
        steer_deg=np.degrees(wheel_rad) * STEER_RATIO,
        brake_bar=brake_bar,
        friction=circuit.at(circuit.friction, distance),
        motion=move(car, road_m, accel_long, accel_lat, STEP_S),
    )


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Return a random generator for one purpose: a new purpose does not move the numbers of the others."""
    return np.random.default_rng([seed, *purpose.encode()])


def second_order(values: Floats, natural_hz: float, damping: float) -> Floats:
    """Pass values, one a millisecond, through a second-order lag of gain 1 that starts settled.

    Semi-implicit steps: stable and, below a tenth of the sampling rate, as good as exact for this purpose.
    """
    omega = 2.0 * math.pi * natural_hz * STEP_S
    position, velocity = float(values[0]), 0.0
    # Implicit in the damping, so that no choice of values can make it ring by itself.
    keep = 1.0 / (1.0 + 2.0 * damping * omega)
    result = []
    for value in values.tolist():
        velocity = (velocity + omega * omega * (value - position)) * keep
        position += velocity
        result.append(position)
    return np.array(result)


def _integral(values: Floats) -> Floats:
    return np.concatenate(([0.0], np.cumsum((values[1:] + values[:-1]) * (STEP_S / 2.0))))


def _accel_demand(circuit: Circuit, rng: np.random.Generator, time_s: Floats) -> Floats:
    """Return the longitudinal acceleration that the driver asks for."""
    points = rng.normal(SKILL, SKILL_SPREAD, round(circuit.length_m / 80.0))
    around = np.append(points, points[0])
    places = np.linspace(0.0, circuit.length_m, len(around))
    skill = np.interp(np.arange(len(circuit.curvature_per_m)) * STEP_M, places, around)
    profile = drive(circuit, skill, float(time_s[-1]) + PEDAL_S)
    half = round(PEDAL_S / STEP_S / 2.0)
    padded = np.arange(-half - 1, len(time_s) + half + 1) * STEP_S
    speed = np.interp(padded - STANDSTILL_S, profile.time_s, profile.speed_m_s)
    window = 1.0 + np.cos(np.linspace(-math.pi, math.pi, 2 * half + 1))
    smooth = np.convolve(speed, window / window.sum(), mode="valid")
    demand: Floats = (smooth[2:] - smooth[:-2]) / (2.0 * STEP_S)
    return demand


def _brake_pressure(demand: Floats, speed_m_s: Floats, time_s: Floats) -> Floats:
    coast = COAST_M_S2 + DRAG_KG_PER_M / MASS_KG * speed_m_s**2
    braking = np.maximum(-demand - coast, 0.0)
    # Held on the brake until shortly before the start.
    held = np.clip((STANDSTILL_S - PEDAL_S - time_s) / 0.15, 0.0, 1.0) * HOLDING_BAR
    return np.column_stack(
        [gain * braking + held * gain / BRAKE_BAR_PER_M_S2[0] for gain in BRAKE_BAR_PER_M_S2]
    )


def _corrections(rng: np.random.Generator, speed_m_s: Floats) -> Floats:
    """Return the driver's small corrections at the front wheels, none at rest."""
    points = rng.normal(size=math.ceil(len(speed_m_s) * STEP_S * 2.0 * CORRECTION_HZ) + 2)
    at = np.arange(len(speed_m_s)) * STEP_S * 2.0 * CORRECTION_HZ
    wander = second_order(np.interp(at, np.arange(len(points)), points), 2.0 * CORRECTION_HZ, 0.8)
    corrections: Floats = CORRECTION_RAD * wander * np.clip(speed_m_s / 10.0, 0.0, 1.0)
    return corrections
