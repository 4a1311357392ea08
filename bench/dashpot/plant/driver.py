"""The driver and what the car can do: the speed that the road's friction allows, pedals, steering wheel.

The speed comes from the friction ellipse: what a corner allows, then a forward pass (engine, traction, drag) and a
backward pass (braking), both with the rest of the ellipse that cornering leaves; the usual quasi-steady method [C].
The driver uses a share of it, not the same everywhere and not the same each lap. The brake line pressure follows what
the driver asks for at once and the deceleration comes a lag later; the steering wheel leads the path by as much as the
car answers late. Defaults are the Merlin T4 and its driver [D].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.compiled import compiled
from dashpot.plant.lag import Lag

if TYPE_CHECKING:
    from dashpot.plant.car import Car, Floats

# The driver's attention changes over such a distance.
SKILL_STEP_M = 80.0
# Straights are taken as bends of this curvature, so that nothing divides by 0.
LEAST_BEND_PER_M = 1e-6
# Nobody drives with less of the limit, whatever is drawn.
LEAST_SKILL = 0.05


@dataclass(frozen=True, slots=True)
class Performance:
    """What engine, tyres and brakes can do.

    Attributes:
        power_w: at the wheels.
        grip: friction of the tyres on the dry road.
        traction: share of it that drives: one driven axle has no more than its load.
        braking: share of it that brakes.
        rolling_m_s2: deceleration by rolling resistance.
        coast_m_s2: deceleration with neither pedal, engine and rolling; the air comes on top.

    """

    power_w: float = 215_000.0
    grip: float = 1.25
    traction: float = 0.52
    braking: float = 0.95
    rolling_m_s2: float = 0.15
    coast_m_s2: float = 0.7


@dataclass(frozen=True, slots=True)
class Brakes:
    """How line pressure and deceleration belong together.

    Attributes:
        front_bar_per_m_s2: line pressure for a deceleration of the car.
        rear_bar_per_m_s2: the same.
        lag_s: by which the deceleration follows the pressure: caliper, and tyre relaxation of 10-20 ms at 30 m/s.
        holding_bar: in front, while the car stands before the start.

    """

    front_bar_per_m_s2: float = 6.4
    rear_bar_per_m_s2: float = 3.9
    lag_s: float = 0.036
    holding_bar: float = 14.0

    @property
    def lag(self) -> Lag:
        """Two equal first-order lags."""
        return Lag.second(self.lag_s, 1.0)


@dataclass(frozen=True, slots=True)
class Steering:
    """How steering wheel and path belong together.

    Attributes:
        ratio: angle of the steering wheel over that of the front wheels.
        understeer_rad_per_m_s2: more angle of the front wheels for lateral acceleration.
        lag_s: by which the path follows the steering; 50-150 ms is usual [M].
        damping: of that second-order lag.

    """

    ratio: float = 13.5
    understeer_rad_per_m_s2: float = 0.0026
    lag_s: float = 0.099
    damping: float = 0.9

    @property
    def lag(self) -> Lag:
        """From front wheels to path."""
        return Lag.second(self.lag_s, self.damping)


@dataclass(frozen=True, slots=True)
class Driver:
    """The driver.

    Attributes:
        skill: share of the friction limit that is used.
        skill_spread: standard deviation of that along the way, drawn anew for each lap.
        pedal_s: time from one pedal to the other.
        standstill_s: before the start of a lap.
        correction_rad: standard deviation of small corrections, at the front wheels.
        correction_hz: how quick they are.

    """

    skill: float = 0.93
    skill_spread: float = 0.012
    pedal_s: float = 0.36
    standstill_s: float = 1.5
    correction_rad: float = math.radians(0.06)
    correction_hz: float = 0.9


@dataclass(frozen=True, slots=True)
class SpeedProfile:
    """Speed over distance from a standing start: at time_s the car is at distance_m with speed_m_s."""

    time_s: Floats
    distance_m: Floats
    speed_m_s: Floats


def drag_per_m(car: Car) -> float:
    """Return the deceleration by the air over speed squared."""
    return 0.5 * car.aero.air_density_kg_m3 * car.aero.drag_m2 / car.mass_kg


def downforce_per_m(car: Car) -> float:
    """Return the downforce over mass and speed squared."""
    area = car.aero.downforce_front_m2 + car.aero.downforce_rear_m2
    return 0.5 * car.aero.air_density_kg_m3 * area / car.mass_kg


def top_speed_m_s(car: Car, performance: Performance) -> float:
    """Return a speed that the engine cannot pass: P = m v (rolling + drag v^2)."""
    from scipy.optimize import brentq

    drag = max(drag_per_m(car), 1e-5)
    most = (performance.power_w / (car.mass_kg * drag)) ** (1.0 / 3.0)

    def short(speed: float) -> float:
        needed = car.mass_kg * speed * (performance.rolling_m_s2 + drag * speed**2)
        return needed - performance.power_w

    return float(brentq(short, 0.0, most))


def attention(driver: Driver, rng: np.random.Generator, distance_m: Floats) -> Floats:
    """Draw the share of the limit that the driver uses at rising distances, straight between its points."""
    count = math.ceil(float(distance_m[-1]) / SKILL_STEP_M) + 2
    points = np.maximum(rng.normal(driver.skill, driver.skill_spread, count), LEAST_SKILL)
    skill: Floats = np.interp(distance_m, np.arange(count) * SKILL_STEP_M, points)
    return skill


def speed_profile(
    car: Car,
    performance: Performance,
    bend_per_m: Floats,
    grip: Floats,
    step_m: float,
    end_m_s: float = math.inf,
) -> SpeedProfile:
    """Find the speeds that the friction limit allows, from a standing start.

    Args:
        car: mass and aero.
        performance: of the car.
        bend_per_m: curvature of the path every step, (n,).
        grip: friction that is used there, road and skill in, (n,).
        step_m: between the points.
        end_m_s: most speed at the last point.

    Raises:
        InputError: the car does not get on, because it rolls harder than its tyres can drive.

    """
    squared = np.empty(len(bend_per_m))
    limit_speeds(
        np.maximum(np.abs(bend_per_m), LEAST_BEND_PER_M),
        np.require(grip, np.float64, "C"),
        step_m,
        np.array(
            [
                downforce_per_m(car),
                drag_per_m(car),
                performance.rolling_m_s2,
                performance.power_w / car.mass_kg,
                performance.traction,
                performance.braking,
                end_m_s**2,
            ]
        ),
        squared,
    )
    stuck = np.flatnonzero(squared[1:-1] <= 0.0)
    if len(stuck):
        raise InputError(
            f"{(stuck[0] + 1) * step_m:.0f} m after the start the car does not get on: the tyres drive with less than "
            f"{performance.rolling_m_s2:g} m/s2 of rolling resistance; more grip, traction or skill would",
            where="circuit",
        )
    speed = np.sqrt(squared)
    steps_s = 2.0 * step_m / (speed[1:] + speed[:-1])
    return SpeedProfile(np.concatenate(([0.0], np.cumsum(steps_s))), np.arange(len(speed)) * step_m, speed)


@compiled
def limit_speeds(bend: Floats, grip: Floats, step_m: float, car: Floats, squared: Floats) -> None:
    """Write the greatest speeds squared, (n,): with constant acceleration over a step they change by 2 a ds."""
    lift, drag, rolling, power, traction, braking, last2 = car
    count = len(bend)
    allowed = np.empty(count)
    for k in range(count):
        # v^2 bend = grip (g + lift v^2); where downforce grows quicker than the need, any speed goes.
        need = bend[k] - grip[k] * lift
        allowed[k] = grip[k] * GRAVITY_M_S2 / need if need > 0.0 else np.inf
    squared[0] = 0.0
    for k in range(count - 1):
        now = squared[k]
        most = grip[k] * (GRAVITY_M_S2 + lift * now)
        drive = traction * math.sqrt(max(most * most - (now * bend[k]) ** 2, 0.0))
        against = rolling + drag * now
        # Power over the speed at the step's end, so that the engine is never asked for more.
        ahead = now + 2.0 * max(drive - against, 0.0) * step_m
        gained = now + 2.0 * (min(drive, power / math.sqrt(ahead)) - against) * step_m
        squared[k + 1] = max(min(gained, allowed[k + 1]), 0.0)
    squared[count - 1] = min(squared[count - 1], last2)
    for k in range(count - 2, -1, -1):
        then = squared[k + 1]
        most = grip[k + 1] * (GRAVITY_M_S2 + lift * then)
        brake = braking * math.sqrt(max(most * most - (then * bend[k + 1]) ** 2, 0.0))
        squared[k] = min(squared[k], then + 2.0 * (brake + rolling + drag * then) * step_m)


def pedalled(speed_m_s: Floats, half: int, step_s: float) -> Floats:
    """Return the acceleration that pedals ask for so that the speed follows, with time to change them.

    Args:
        speed_m_s: wanted, every step, (n + 2 half + 2,): from half + 1 steps before the first result on.
        half: half the time of the change in steps; a raised cosine goes over it.
        step_s: between the values.

    """
    window = 1.0 + np.cos(np.linspace(-math.pi, math.pi, 2 * half + 3)[1:-1])
    smooth = np.convolve(speed_m_s, window / window.sum(), mode="valid")
    demand: Floats = (smooth[2:] - smooth[:-2]) / (2.0 * step_s)
    return demand


def corrections_rad(driver: Driver, rng: np.random.Generator, speed_m_s: Floats, step_s: float) -> Floats:
    """Draw the driver's small corrections at the front wheels, none at rest.

    White noise through a second-order lag of unit variance: sampled noise of variance 1 has the density T, and
    the lag lets T omega / (4 damping) of it pass [X].
    """
    damping = 0.8
    lag = Lag(driver.correction_hz, damping)
    white = rng.normal(size=len(speed_m_s)) / math.sqrt(step_s * math.pi * lag.hz / (2.0 * damping))
    wander = lag.filtered(white, step_s, start=0.0)
    corrections: Floats = driver.correction_rad * wander * np.clip(speed_m_s / 10.0, 0.0, 1.0)
    return corrections
