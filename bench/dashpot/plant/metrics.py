"""What is measured on a run of the plant: grip, comfort, stroke, power, load transfer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.comfort import weighted_rms

if TYPE_CHECKING:
    from dashpot.plant.car import Car, Floats
    from dashpot.plant.chassis import Motion
    from dashpot.plant.damper import Damper


@dataclass(frozen=True, slots=True)
class StrokeUse:
    """How a corner used its stroke.

    Attributes:
        compression_m: deepest stroke, at least 0.
        rebound_m: longest extension, at least 0.
        rms_m: about the mean.
        compression_share: deepest stroke over the bump stop's gap, 0 without one.
        rebound_share: longest extension over the droop stop's gap, 0 without one.
        bump_hits: times that the bump stop was met.
        droop_hits: the same of the droop stop.
        hardest_bump_n: greatest force of the bump stop.

    """

    compression_m: float
    rebound_m: float
    rms_m: float
    compression_share: float
    rebound_share: float
    bump_hits: int
    droop_hits: int
    hardest_bump_n: float


def tyre_load_variation(motion: Motion, trend_s: float = 0.0) -> Floats:
    """Return rms of the tyre load about its mean, over the mean, of each wheel, (4,).

    Args:
        motion: of the car.
        trend_s: take a running mean over such a time instead, so that cornering and braking do not count; 0 for one mean.

    """
    load = motion.tyre_load_n
    mean = load.mean(axis=0)
    width = round(trend_s / motion.step_s)
    if width > 1:
        sums = np.cumsum(np.vstack((np.zeros(4), load)), axis=0)
        half = width // 2
        low = np.clip(np.arange(len(load)) - half, 0, None)
        high = np.clip(np.arange(len(load)) + half + 1, None, len(load))
        about: Floats = (sums[high] - sums[low]) / (high - low)[:, None]
    else:
        about = mean
    share: Floats = np.sqrt(np.mean((load - about) ** 2, axis=0)) / mean
    return share


def lifted_s(motion: Motion) -> Floats:
    """Return the time that each wheel was off the road, (4,)."""
    time: Floats = (motion.tyre_load_n <= 0.0).sum(axis=0) * motion.step_s
    return time


def weighted_accel_m_s2(motion: Motion) -> float:
    """Return the body's vertical acceleration at its centre of gravity, weighted by ISO 2631-1 Wk, rms."""
    return weighted_rms(motion.accel_vert_m_s2, 1.0 / motion.step_s)


def body_rms(motion: Motion) -> Floats:
    """Return rms of heave (m), roll and pitch (rad) about their means, (3,)."""
    spread: Floats = motion.rows[:, :3].std(axis=0)
    return spread


def stroke_use(motion: Motion, car: Car) -> tuple[StrokeUse, ...]:
    """Return how each corner used its stroke, four."""
    made = []
    for corner in range(4):
        axle = car.axles[corner // 2]
        stroke = motion.stroke_m[:, corner]
        deep, long = max(float(stroke.max()), 0.0), max(float(-stroke.min()), 0.0)
        bump, droop = axle.bump_stop, axle.droop_stop
        made.append(
            StrokeUse(
                deep,
                long,
                float(stroke.std()),
                deep / bump.gap_m if bump else 0.0,
                long / droop.gap_m if droop else 0.0,
                _hits(stroke > bump.gap_m) if bump else 0,
                _hits(-stroke > droop.gap_m) if droop else 0,
                float(bump.force_n(deep)) if bump else 0.0,
            )
        )
    return tuple(made)


def _hits(met: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> int:
    return int(met[0]) + int(np.count_nonzero(met[1:] & ~met[:-1]))


def damper_power_w(motion: Motion) -> Floats:
    """Return the mean power that goes into valves and seals of each damper, without the gas, (4,).

    What the hysteresis' spring holds at the end is in it; over seconds that is nothing.
    """
    power: Floats = np.mean(valve_power_w(motion), axis=0)
    return power


def valve_power_w(motion: Motion) -> Floats:
    """Return the power into each valve with its hysteresis, (n, 4); it is negative only while the hysteresis gives back."""
    power: Floats = motion.valve_force_n * motion.stroke_speed_m_s
    return power


def dissipated_w(motion: Motion) -> Floats:
    """Return the power that each valve turns to heat, (n, 4), never negative for a passive damper."""
    power: Floats = motion.valve_force_n * motion.valve_speed_m_s
    return power


def stored_j(motion: Motion, dampers: tuple[Damper, ...]) -> Floats:
    """Return the energy in each hysteresis' spring, (n, 4), at the currents that the valves have."""
    each = [
        damper.stored_j(motion.valve_speed_m_s[:, c], motion.valve_current_a[:, c])
        for c, damper in enumerate(dampers)
    ]
    return np.stack(each, axis=1)


@dataclass(frozen=True, slots=True)
class LoadTransfer:
    """Load that went from the left to the right wheel of each axle and from the rear to the front axle, newton.

    Attributes:
        front_n: half the difference right less left, front, (n,).
        rear_n: the same, rear.
        forward_n: what the front axle gained over rest.

    """

    front_n: Floats
    rear_n: Floats
    forward_n: Floats

    @property
    def front_share(self) -> float:
        """The front axle's share of the mean lateral transfer.

        Without lateral transfer there is none: the value is then not a number.
        """
        front, rear = float(self.front_n.mean()), float(self.rear_n.mean())
        return front / (front + rear) if front + rear else float("nan")


def load_transfer(motion: Motion, car: Car) -> LoadTransfer:
    """Return the load transfer of a run."""
    load = motion.tyre_load_n
    rest = car.corner_load_n
    return LoadTransfer(
        (load[:, 1] - load[:, 0]) / 2.0,
        (load[:, 3] - load[:, 2]) / 2.0,
        load[:, :2].sum(axis=1) - rest[:2].sum(),
    )


@dataclass(frozen=True, slots=True)
class Transfer:
    """Lateral load transfer of an axle in a steady turn, by its ways, newton."""

    geometric_n: float
    unsprung_n: float
    roll_n: float

    @property
    def total_n(self) -> float:
        """All of it."""
        return self.geometric_n + self.unsprung_n + self.roll_n


def steady_roll_rad(car: Car, accel_lat_m_s2: float) -> float:
    """Return the body's roll in a steady turn on rigid tyres: phi = ms ay d / (sum K - ms g d)."""
    pushed = car.sprung_mass_kg * car.roll_arm_m
    stiffness = sum(axle.roll_stiffness_n_m_per_rad() for axle in car.axles)
    return pushed * accel_lat_m_s2 / (stiffness - pushed * GRAVITY_M_S2)


def steady_transfer(car: Car, accel_lat_m_s2: float) -> tuple[Transfer, Transfer]:
    """Return front and rear load transfer in a steady turn on rigid tyres (Barton and Fieldhouse 2018, ch. 3 [S])."""
    roll = steady_roll_rad(car, accel_lat_m_s2)
    made = []
    for axle, sprung in zip(car.axles, car.axle_sprung_kg, strict=True):
        made.append(
            Transfer(
                sprung * accel_lat_m_s2 * axle.roll_centre_m / axle.track_m,
                axle.unsprung_mass_kg * accel_lat_m_s2 * axle.wheel_height_m / axle.track_m,
                axle.roll_stiffness_n_m_per_rad() * roll / axle.track_m,
            )
        )
    return made[0], made[1]


def braking_transfer_n(car: Car, accel_long_m_s2: float) -> float:
    """Return the load that goes to the front axle, -m ax h / L."""
    return -car.mass_kg * accel_long_m_s2 * car.height_m / car.wheelbase_m
