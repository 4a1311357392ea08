"""What the car's sensors make of the truth, by the name of the DBC signal that carries the value and in its unit.

Each sensor is a chain: scale error and offset, filter, dead time, noise, range, steps of its converter. What depends on
the drive alone is made in one go (`readings`); what depends on the plant's motion goes through `MotionSensors`, which
can be fed the motion a tick at a time or all at once and gives the same numbers. Noise levels are the usual ones of
such sensors [C], filters those that the car's DBC tells of; the set is the Merlin T4's [D].
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.plant import kernel
from dashpot.plant.chassis import STEP_S as PLANT_STEP_S
from dashpot.plant.compiled import compiled
from dashpot.plant.drive import PEDAL_BAR, STEP_S
from dashpot.plant.lag import BUTTERWORTH, MEMORY, Lag, late
from dashpot.plant.streams import stream

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from dashpot.plant.car import Car, Floats
    from dashpot.plant.chassis import Motion, State
    from dashpot.plant.drive import Drive

    Whole = NDArray[np.int64]

CORNERS = ("FL", "FR", "RL", "RR")
STROKES = tuple(f"Stroke{corner}" for corner in CORNERS)
OIL = tuple(f"OilTemp{corner}" for corner in CORNERS)
# What MotionSensors gives, in the order of its columns.
MOTION_SIGNALS = (*STROKES, "VertAccel", *OIL)
# Stroke reading at ride height, counted from full droop: the controller's zero. Also in the DBC's comments.
RIDE_HEIGHT_MM = (79.2, 80.4, 82.1, 81.5)
KM_H_PER_M_S = 3.6
# Slip of the rear wheels per m/s2 of drive, of all wheels per m/s2 of braking.
DRIVE_SLIP = 0.003
BRAKE_SLIP = 0.002
# Oil warms by the square of the stroke speed and cools over minutes [D].
OIL_START_C = 30.0
OIL_K_PER_M2_S = 25.0
OIL_COOLING_S = 300.0


@dataclass(frozen=True, slots=True)
class Sensor:
    """A sensor; values in the unit of its signal.

    Attributes:
        low: least reading.
        high: greatest reading.
        bits: of its converter over that range, 0 for none.
        noise: standard deviation of a reading, before the converter.
        lag: its filter.
        zero: reading at a true 0.
        scale: reading over truth, 1 when right.
        dead_s: by which its readings come late besides the filter.

    """

    low: float
    high: float
    bits: int = 0
    noise: float = 0.0
    lag: Lag = field(default_factory=Lag)
    zero: float = 0.0
    scale: float = 1.0
    dead_s: float = 0.0

    @property
    def step(self) -> float:
        """Of the converter, 0 for none."""
        return (self.high - self.low) / ((1 << self.bits) - 1) if self.bits else 0.0

    def converted(self, values: Floats) -> Floats:
        """Bring values into the range and onto the converter's steps, any shape."""
        inside: Floats = np.clip(values, self.low, self.high)
        if self.bits:
            inside = self.low + np.rint((inside - self.low) / self.step) * self.step
        return inside

    def read(self, truth: Floats, rng: np.random.Generator) -> Floats:
        """Return readings of a truth, one a millisecond, (n,); the filter has stood at the first value."""
        seen = self.lag.filtered(self.zero + self.scale * truth, STEP_S)
        seen = late(seen, round(self.dead_s / STEP_S))
        if self.noise:
            seen = seen + rng.normal(0.0, self.noise, len(seen))
        return self.converted(seen)


def _corners(prefix: str, sensor: Sensor) -> dict[str, Sensor]:
    return {f"{prefix}{corner}": sensor for corner in CORNERS}


# Ranges as in the DBC, so that a reading always fits its frame.
DEFAULT: dict[str, Sensor] = {
    **{
        name: Sensor(0.0, 160.0, bits=14, noise=0.012, zero=zero)
        for name, zero in zip(STROKES, RIDE_HEIGHT_MM, strict=True)
    },
    "LatAccel": Sensor(-40.0, 40.0, noise=0.06, lag=Lag(10.0, BUTTERWORTH)),
    "LongAccel": Sensor(-40.0, 40.0, noise=0.06, lag=Lag(10.0, BUTTERWORTH)),
    "VertAccel": Sensor(-40.0, 40.0, noise=0.12, lag=Lag(40.0, BUTTERWORTH)),
    "YawRate": Sensor(-300.0, 300.0, noise=0.06, lag=Lag(15.0, BUTTERWORTH)),
    "YawSensorTemp": Sensor(-40.0, 125.0),
    "BrakeFront": Sensor(-5.0, 250.0, noise=0.12),
    "BrakeRear": Sensor(-5.0, 250.0, noise=0.12),
    "PedalTravel": Sensor(0.0, 100.0),
    "SteerAngle": Sensor(-720.0, 720.0, noise=0.04),
    "SteerRate": Sensor(-2000.0, 2000.0, noise=0.4, lag=Lag(20.0, BUTTERWORTH)),
    **_corners("WheelSpeed", Sensor(0.0, 400.0)),
    "RoadSpeed": Sensor(0.0, 400.0),
    "SupplyVoltage": Sensor(0.0, 20.47, noise=0.015),
    "AmbientTemp": Sensor(-40.0, 80.0),
    **_corners("TyreTemp", Sensor(-40.0, 200.0, noise=0.3)),
    **_corners("CoilTemp", Sensor(-40.0, 200.0, noise=0.2)),
    **_corners("OilTemp", Sensor(-50.0, 200.0, noise=0.05)),
}
# Good, in the signals that tell a sensor's state.
STATES = ("InertialState", "SteerState", "YawState", "RoadSpeedState")


def truths(drive: Drive, coil_c: float = 20.0, ambient_c: float = 17.5) -> dict[str, Floats]:
    """Return what perfect sensors would read of a drive, (n,) each, by signal; what hangs on the motion is not in it.

    Args:
        drive: the truth.
        coil_c: temperature of the coils.
        ambient_c: temperature of the air.

    """
    count = len(drive.time_s)
    front, rear = drive.brake_bar.T
    found = {
        "LatAccel": drive.accel_lat_m_s2,
        "LongAccel": drive.accel_long_m_s2,
        "YawRate": np.degrees(drive.yaw_rate_rad_s),
        "YawSensorTemp": ambient_c + 13.5 + 0.03 * drive.time_s,
        "BrakeFront": front,
        "BrakeRear": rear,
        "PedalTravel": np.where(front > PEDAL_BAR, 6.0, 0.0) + 7.0 * np.sqrt(front),
        "SteerAngle": drive.steer_deg,
        "SteerRate": np.gradient(drive.steer_deg, STEP_S),
        "RoadSpeed": drive.speed_m_s * KM_H_PER_M_S,
        "SupplyVoltage": drive.supply_v,
        "AmbientTemp": np.full(count, ambient_c),
    }
    for index, corner in enumerate(CORNERS):
        axle, side = divmod(index, 2)
        found[f"WheelSpeed{corner}"] = _wheel_speed(drive, axle, side)
        outer = np.maximum((1 - 2 * side) * -drive.accel_lat_m_s2, 0.0)
        rubbing = (outer + np.abs(drive.accel_long_m_s2) * 0.3) * drive.speed_m_s
        found[f"TyreTemp{corner}"] = _warmed(48.0 + axle, 0.0045 * rubbing, 90.0)
        found[f"CoilTemp{corner}"] = np.full(count, coil_c)
    return found


def readings(
    drive: Drive, sensors: Mapping[str, Sensor] = DEFAULT, *, coil_c: float = 20.0, ambient_c: float = 17.5
) -> dict[str, Floats]:
    """Return what the bus would carry of a drive, (n,) each at 1 ms, by DBC signal and in its unit.

    Everything but counters, checksums, the multiplexer and what `MotionSensors` gives. Steering comes as magnitude and
    sign (0 left, 1 right), as its message has it.

    Args:
        drive: the truth.
        sensors: by signal.
        coil_c: temperature of the coils.
        ambient_c: temperature of the air.

    """
    found = {
        name: sensors[name].read(truth, stream(drive.seed, f"sensor {name}"))
        for name, truth in truths(drive, coil_c, ambient_c).items()
    }
    for value, sign in (("SteerAngle", "SteerSign"), ("SteerRate", "SteerRateSign")):
        found[sign] = (found[value] < 0.0).astype(np.float64)
        found[value] = np.abs(found[value])
    found |= {
        "BrakeLight": (drive.brake_bar[:, 0] > PEDAL_BAR).astype(np.float64),
        "DriverMode": drive.switches.driver_mode.astype(np.float64),
        "GripSwitch": drive.switches.grip_switch.astype(np.float64),
        "FirmnessKnob": drive.switches.firmness_knob.astype(np.float64),
        "Ignition": drive.switches.ignition.astype(np.float64),
        "LapDistance": drive.lap_distance_m,
        "LapNumber": drive.lap_number,
        "Sector": drive.sector,
    }
    return found | {name: np.zeros(len(drive.time_s)) for name in STATES}


def _wheel_speed(drive: Drive, axle: int, side: int) -> Floats:
    """Return a wheel's circumferential speed in km/h, 0 at rest; left wheels are slower in a left turn."""
    half = drive.car.axles[axle].track_m / 2.0
    own = drive.speed_m_s - (1 - 2 * side) * half * drive.yaw_rate_rad_s
    slip = BRAKE_SLIP * np.minimum(drive.accel_long_m_s2, 0.0)
    if axle == 1:
        slip = slip + DRIVE_SLIP * np.maximum(drive.accel_long_m_s2, 0.0)
    return np.maximum(own * (1.0 + slip), 0.0) * KM_H_PER_M_S


def _warmed(start_c: float, heating_k_per_s: Floats, cooling_s: float) -> Floats:
    """Integrate T' = heating - (T - start) / cooling_s, one value a millisecond: a first-order lag of the heating."""
    lag = Lag.first(cooling_s)
    warmed: Floats = start_c + cooling_s * lag.filtered(heating_k_per_s, STEP_S, start=0.0)
    return warmed


# A row for each signal of MOTION_SIGNALS, as the compiled pass wants them.
(SCALE, ZERO, NOISE, LOW, HIGH, CONVERTER) = range(6)
# A compiled function is kept by its own file's date, so the plant's columns come as an argument.
_COLUMNS = np.array([kernel.STROKE, kernel.ACCEL, kernel.STROKE_SPEED])


class MotionSensors:
    """Sensors of what the plant does: strokes, vertical acceleration, oil temperatures.

    Call `start` once, then `read` with the plant's motion as it comes; a reading is made each millisecond. The columns
    are those of MOTION_SIGNALS.

    Args:
        sensors: by signal.
        seed: of the noise, which is drawn ahead.
        duration_s: for which there is noise.
        step_s: of the motion.

    Raises:
        InputError: a millisecond is no whole number of steps.

    """

    signals = MOTION_SIGNALS

    def __init__(
        self,
        sensors: Mapping[str, Sensor],
        seed: int,
        duration_s: float,
        step_s: float = PLANT_STEP_S,
    ) -> None:
        each = [sensors[name] for name in MOTION_SIGNALS]
        self.step_s = step_s
        self._steps = round(STEP_S / step_s)
        if self._steps < 1 or abs(self._steps * step_s - STEP_S) > 1e-12:
            raise InputError(f"a step of {step_s * 1e3:g} ms does not divide 1 ms", where="sensors")
        count = round(duration_s / STEP_S) + 1
        self._noise = np.stack(
            [stream(seed, f"sensor {name}").normal(size=count) for name in MOTION_SIGNALS], axis=1
        )
        self._words = np.array([[s.scale, s.zero, s.noise, s.low, s.high, s.step] for s in each])
        self._lags = np.stack([sensor.lag.coefficients(step_s) for sensor in each])
        dead = [round(sensor.dead_s / step_s) for sensor in each]
        self._dead = np.array(dead, dtype=np.int64)
        self._ring = np.zeros((len(each), max(dead) + 1))
        self._memory = np.zeros((len(each), MEMORY))
        self._oil_c = np.full(4, OIL_START_C)
        self._oil = np.array([math.exp(-step_s / OIL_COOLING_S), OIL_K_PER_M2_S * OIL_COOLING_S, OIL_START_C])
        self._done = np.zeros(2, dtype=np.int64)

    @property
    def at_ms(self) -> int:
        """Milliseconds that have been read."""
        return int(self._done[0]) // self._steps

    def start(self, car: Car, state: State) -> Floats:
        """Settle on the plant's first state and return the readings at time 0, (9,)."""
        truth = np.concatenate((strokes_mm(car, state.y), [0.0], self._oil_c))
        seen = self._words[:, ZERO] + self._words[:, SCALE] * truth
        self._memory[:] = seen[:, None]
        self._ring[:] = seen[:, None]
        self._done[:] = 0
        out = np.empty(len(MOTION_SIGNALS))
        convert(seen, self._noise[0], self._words, out)
        return out

    def read(self, motion: Motion) -> Floats:
        """Go on by a piece of motion and return the readings of the milliseconds that end in it, (m, 9).

        Raises:
            InputError: the motion has another step, or goes on for longer than there is noise.

        """
        if motion.step_s != self.step_s:
            raise InputError(
                f"the motion's step is {motion.step_s * 1e3:g} ms, {self.step_s * 1e3:g} ms was agreed",
                where="sensors",
            )
        begun, steps = int(self._done[0]), len(motion.rows)
        ends = (begun + steps) // self._steps
        if ends >= len(self._noise):
            raise InputError(
                f"the motion goes on past the {(len(self._noise) - 1) * STEP_S:g} s that the sensors were made for",
                where="sensors",
            )
        out = np.empty((ends - begun // self._steps, len(MOTION_SIGNALS)))
        sense(
            motion.rows, _COLUMNS, self._steps, self._words, self._lags, self._memory, self._dead, self._ring, self._noise,
            self._oil, self._oil_c, self._done, out,
        )  # fmt: skip
        return out


def strokes_mm(car: Car, positions: Floats) -> Floats:
    """Return the strokes in mm, 0 at ride height, for heave, roll, pitch and four wheels, (4,)."""
    heave, roll, pitch = positions[:3]
    body = heave + car.corner_y_m * roll - car.corner_x_m * pitch
    travel = positions[3:7] - body
    return np.array([float(car.axles[c // 2].motion_ratio.stroke_m(travel[c])) * 1e3 for c in range(4)])


@compiled
def convert(seen: Floats, noise: Floats, words: Floats, out: Floats) -> None:
    """Write readings of filtered values: noise, range, converter; all (9,)."""
    for k in range(len(seen)):
        value = seen[k] + words[k, NOISE] * noise[k]
        value = min(max(value, words[k, LOW]), words[k, HIGH])
        step = words[k, CONVERTER]
        if step > 0.0:
            value = words[k, LOW] + np.rint((value - words[k, LOW]) / step) * step
        out[k] = value


@compiled
def sense(
    rows: Floats,
    columns: Whole,
    steps: int,
    words: Floats,
    lags: Floats,
    memory: Floats,
    dead: Whole,
    ring: Floats,
    noise: Floats,
    oil: Floats,
    oil_c: Floats,
    done: Whole,
    out: Floats,
) -> None:
    """Pass the plant's rows (n, 57) through the sensors; every `steps` of them make a row of out (m, 9).

    Columns are those of the first stroke, the vertical acceleration and the first stroke speed. Memory (9, 4), ring (9, places), oil_c (4,) and done (steps, place in the ring) are the state and go on.
    """
    count = words.shape[0]
    places = ring.shape[1]
    seen = np.empty(count)
    made = 0
    for n in range(rows.shape[0]):
        place = done[1]
        for k in range(count):
            if k < 4:
                truth = 1e3 * rows[n, columns[0] + k]
            elif k == 4:
                truth = rows[n, columns[1]]
            else:
                speed = rows[n, columns[2] + k - 5]
                warm = oil[2] + oil[1] * speed * speed
                oil_c[k - 5] = warm + (oil_c[k - 5] - warm) * oil[0]
                truth = oil_c[k - 5]
            x = words[k, ZERO] + words[k, SCALE] * truth
            y = (
                lags[k, 0] * x
                + lags[k, 1] * memory[k, 0]
                + lags[k, 2] * memory[k, 1]
                - lags[k, 3] * memory[k, 2]
                - lags[k, 4] * memory[k, 3]
            )
            memory[k, 1], memory[k, 0] = memory[k, 0], x
            memory[k, 3], memory[k, 2] = memory[k, 2], y
            ring[k, place] = y
            seen[k] = ring[k, (place + places - dead[k]) % places]
        done[0] += 1
        done[1] = (place + 1) % places
        if done[0] % steps == 0:
            convert(seen, noise[done[0] // steps], words, out[made])
            made += 1
