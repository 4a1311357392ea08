"""What the Merlin T4's sensors make of the truth: filters, zeros, noise.

Noise levels are the usual ones of such sensors [C]; values are in the unit of the DBC signal that carries them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.demo.lap import STEP_S, STEP_US, second_order

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.demo.lap import DemoLap
    from dashpot.demo.path import Floats

CORNERS = ("FL", "FR", "RL", "RR")
# Stroke sensor reading at ride height, counted from full droop: the controller's zero. Also in the DBC's comments.
RIDE_HEIGHT_MM = (79.2, 80.4, 82.1, 81.5)
STROKE_NOISE_MM = 0.012
# Sensors of the inertial unit have a second-order filter of this corner frequency.
ACCEL_FILTER_HZ = 10.0
VERTICAL_FILTER_HZ = 40.0
YAW_FILTER_HZ = 15.0
BUTTERWORTH = math.sqrt(0.5)
KM_H_PER_M_S = 3.6
# Slip of the rear wheels per m/s2 of drive, of all wheels per m/s2 of braking.
DRIVE_SLIP = 0.003
BRAKE_SLIP = 0.002


@dataclass(frozen=True, slots=True)
class Reading:
    """A measured quantity, one value a millisecond.

    Attributes:
        values: (n,) in the signal's unit.
        noise: standard deviation of a sample.
        held: a switch or a code: it is not interpolated.

    """

    values: Floats
    noise: float = 0.0
    held: bool = False

    def sample(self, at_us: NDArray[np.int64], rng: np.random.Generator) -> Floats:
        """Return the noisy value at each time."""
        at = at_us / STEP_US
        if self.held:
            return self.values[np.minimum(at.astype(np.intp), len(self.values) - 1)]
        exact = np.interp(at, np.arange(len(self.values)), self.values)
        return exact + rng.normal(0.0, self.noise, len(at)) if self.noise else exact


def read_sensors(lap: DemoLap) -> dict[str, Reading]:
    """Return every quantity on the bus by the name of its DBC signal; steering with its sign."""
    count = len(lap.time_s)
    steer = lap.steer_deg
    brake_front, brake_rear = lap.brake_bar.T
    braking = brake_front > 1.0
    readings = {
        "LatAccel": Reading(second_order(lap.accel_lat_m_s2, ACCEL_FILTER_HZ, BUTTERWORTH), 0.06),
        "LongAccel": Reading(second_order(lap.accel_long_m_s2, ACCEL_FILTER_HZ, BUTTERWORTH), 0.06),
        "VertAccel": Reading(second_order(lap.motion.accel_vert_m_s2, VERTICAL_FILTER_HZ, BUTTERWORTH), 0.12),
        "YawRate": Reading(second_order(np.degrees(lap.yaw_rate_rad_s), YAW_FILTER_HZ, BUTTERWORTH), 0.06),
        "YawSensorTemp": Reading(31.0 + 0.03 * lap.time_s),
        "BrakeFront": Reading(brake_front, 0.12),
        "BrakeRear": Reading(brake_rear, 0.12),
        "BrakeLight": Reading(braking.astype(np.float64), held=True),
        "PedalTravel": Reading(np.where(braking, 6.0, 0.0) + 7.0 * np.sqrt(brake_front)),
        "Steer": Reading(steer, 0.04),
        "SteerRate": Reading(np.gradient(second_order(steer, 20.0, BUTTERWORTH), STEP_S), 0.4),
        "RoadSpeed": Reading(lap.speed_m_s * KM_H_PER_M_S),
        "SupplyVoltage": Reading(13.9 - 0.15 * braking + 0.05 * np.sin(0.7 * lap.time_s), 0.015),
        # The driver turns to Track while the car still stands.
        "DriverMode": Reading(np.where(lap.time_s < 1.0, 1.0, 2.0), held=True),
        "Ignition": Reading(np.ones(count), held=True),
        "AmbientTemp": Reading(np.full(count, 17.5)),
        "LapDistance": Reading(lap.lap_distance_m, held=True),
        "LapNumber": Reading(1.0 + np.floor(lap.distance_m / lap.circuit.length_m), held=True),
        "Sector": Reading(
            np.searchsorted(lap.circuit.sector_starts_m, lap.lap_distance_m, side="right").astype(np.float64),
            held=True,
        ),
    }
    for name in ("GripSwitch", "FirmnessKnob", "InertialState", "SteerState", "YawState", "RoadSpeedState"):
        readings[name] = Reading(np.zeros(count), held=True)
    for index, corner in enumerate(CORNERS):
        readings[f"Stroke{corner}"] = Reading(
            RIDE_HEIGHT_MM[index] + lap.motion.stroke_m[:, index] * 1e3, STROKE_NOISE_MM
        )
        readings[f"WheelSpeed{corner}"] = Reading(_wheel_speed(lap, index))
        readings |= _temperatures(lap, index)
    return readings


def _wheel_speed(lap: DemoLap, corner: int) -> Floats:
    """Return a wheel's circumferential speed in km/h, 0 at rest."""
    axle, side = divmod(corner, 2)
    # Left wheels are slower in a left turn.
    own = lap.speed_m_s - (1 - 2 * side) * lap.car.half_track_m[axle] * lap.yaw_rate_rad_s
    slip = BRAKE_SLIP * np.minimum(lap.accel_long_m_s2, 0.0)
    if axle == 1:
        slip = slip + DRIVE_SLIP * np.maximum(lap.accel_long_m_s2, 0.0)
    return np.maximum(own * (1.0 + slip), 0.0) * KM_H_PER_M_S


def _temperatures(lap: DemoLap, corner: int) -> dict[str, Reading]:
    """Return a corner's tyre, coil and oil temperatures in degrees Celsius."""
    axle, side = divmod(corner, 2)
    outer = np.maximum((1 - 2 * side) * -lap.accel_lat_m_s2, 0.0)
    rubbing = outer * lap.speed_m_s + np.abs(lap.accel_long_m_s2) * lap.speed_m_s * 0.3
    pumping = lap.motion.stroke_speed_m_s[:, corner] ** 2
    return {
        f"TyreTemp{CORNERS[corner]}": Reading(_warm(48.0 + axle, 0.0045 * rubbing, 90.0), 0.3),
        f"CoilTemp{CORNERS[corner]}": Reading(_warm(34.0, np.full(len(rubbing), 0.45), 120.0), 0.2),
        f"OilTemp{CORNERS[corner]}": Reading(_warm(30.0, 25.0 * pumping, 300.0), 0.05),
    }


def _warm(start: float, heating_per_s: Floats, cooling_s: float) -> Floats:
    """Integrate T' = heating - (T - start) / cooling_s, one value a millisecond."""
    time_s = np.arange(len(heating_per_s)) * STEP_S
    # With the integrating factor exp(t / cooling_s), which LONGEST_S keeps below exp(7).
    growth = np.exp(time_s / cooling_s)
    warmed: Floats = start + np.cumsum(heating_per_s * growth) * STEP_S / growth
    return warmed
