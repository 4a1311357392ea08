"""Sensors of the simulated car: filters, noise, converters, zeros; the drive's and the motion's readings.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import cantools
import numpy as np
import pytest
import scipy.signal
from cantools.database import Database

from dashpot.errors import InputError
from dashpot.plant import kernel
from dashpot.plant.chassis import STEP_S as PLANT_STEP_S
from dashpot.plant.chassis import Inputs, Motion, Plant
from dashpot.plant.drive import STEP_S
from dashpot.plant.lag import BUTTERWORTH, Lag, late
from dashpot.plant.scenario import demo_scenario
from dashpot.plant.sensors import (
    CORNERS,
    DEFAULT,
    MOTION_SIGNALS,
    RIDE_HEIGHT_MM,
    MotionSensors,
    Sensor,
    readings,
    strokes_mm,
    truths,
)
from dashpot.resources import dbc_dir
from plant_kit import adjustable

CLEAN = Sensor(-1e6, 1e6)


def rng(seed=1):
    return np.random.default_rng(seed)


@cache
def drive():
    return replace(demo_scenario(), duration_s=60.0).drive()


def quiet(**lag) -> dict[str, Sensor]:
    """Perfect sensors of the motion, but for what is given."""
    return {name: replace(CLEAN, **lag) for name in MOTION_SIGNALS}


@cache
def ride():
    """Some seconds of the demo car on its road."""
    inputs = replace(demo_scenario(), duration_s=12.0).drive().inputs()
    plant = Plant(demo_scenario().car, [adjustable(), adjustable()])
    start = plant.rest(inputs)
    state = start.copy()
    return start, plant.run(state, np.full(((len(inputs.road_m) - 1) // 4, 4), 0.8), 4, inputs)


def sine_gain(filtered, hz):
    """Complex gain of a sine of amplitude 1 that has settled."""
    late_half = len(filtered) // 2
    time = np.arange(len(filtered)) * STEP_S
    waves = np.column_stack((np.sin(math.tau * hz * time), np.cos(math.tau * hz * time)))[late_half:]
    in_phase, ahead = np.linalg.lstsq(waves, filtered[late_half:], rcond=None)[0]
    return in_phase + 1j * ahead


@pytest.mark.parametrize("hz", [0.5, 2.0, 8.0, 20.0, 60.0, 110.0])
@pytest.mark.parametrize(
    "lag",
    [Lag(10.0), Lag(40.0), Lag(10.0, BUTTERWORTH), Lag(40.0, BUTTERWORTH), Lag(15.0, 0.5), Lag(3.0, 1.4)],
)
def test_a_filter_has_the_analog_ones_gain_and_phase(lag, hz):
    # scipy.signal.freqs of the continuous transfer function; a first-order hold lowers it by sinc^2 of f T.
    omega = math.tau * lag.hz
    under = [1.0, 2.0 * lag.damping * omega, omega**2] if lag.damping else [1.0, omega]
    _, (exact,) = scipy.signal.freqs([under[-1]], under, worN=[math.tau * hz])
    time = np.arange(6000) * STEP_S
    made = sine_gain(lag.filtered(np.sin(math.tau * hz * time), STEP_S), hz)
    assert abs(made) == pytest.approx(abs(exact), rel=0.045 if hz > 30.0 else 0.005)
    assert np.angle(made / exact) == pytest.approx(0.0, abs=0.02)


def test_a_butterworth_filter_is_scipys():
    top, bottom = scipy.signal.butter(2, math.tau * 10.0, analog=True)
    _, exact = scipy.signal.freqs(top, bottom, worN=[math.tau * 10.0])
    time = np.arange(4000) * STEP_S
    made = sine_gain(Lag(10.0, BUTTERWORTH).filtered(np.sin(math.tau * 10.0 * time), STEP_S), 10.0)
    assert abs(made) == pytest.approx(abs(exact[0]), rel=0.002)
    assert abs(exact[0]) == pytest.approx(math.sqrt(0.5))


@pytest.mark.parametrize("time_s", [0.005, 0.02, 0.1])
def test_step_response_of_a_first_order_lag(time_s):
    # 1 - exp(-t / T) [X]; the step lies within the sample before the first 1, so by half a sample late.
    step = np.concatenate((np.zeros(10), np.ones(1000)))
    answer = Lag.first(time_s).filtered(step, STEP_S)
    after = (np.arange(1010) - 10) * STEP_S + STEP_S / 2.0
    exact = np.where(after > 0.0, 1.0 - np.exp(-np.maximum(after, 0.0) / time_s), 0.0)
    assert np.abs(answer - exact).max() < 0.3 * (STEP_S / time_s) ** 2 + 1e-9
    assert np.all(np.diff(answer) >= 0.0)


@pytest.mark.parametrize(
    "lag", [Lag.first(0.03), Lag.second(0.036, 1.0), Lag.second(0.099, 0.9), Lag(10.0, BUTTERWORTH)]
)
def test_a_ramp_comes_late_by_the_lags_delay(lag):
    ramp = np.arange(3000) * STEP_S
    behind = ramp - lag.filtered(ramp, STEP_S)
    assert behind[-1] == pytest.approx(lag.delay_s, rel=1e-6)


def test_no_lag_changes_nothing_and_a_settled_one_stays():
    values = rng().normal(size=500)
    assert np.array_equal(Lag().filtered(values, STEP_S), values)
    assert Lag.first(0.0).delay_s == 0.0
    for lag in (Lag(0.05), Lag(0.2, BUTTERWORTH), Lag(100.0, 0.3)):
        assert lag.filtered(np.full(50_000, 7.25), STEP_S) == pytest.approx(7.25, rel=1e-9)


def test_late_holds_the_first_value():
    assert late(np.arange(5), 2).tolist() == [0, 0, 0, 1, 2]
    assert late(np.arange(5), 0).tolist() == [0, 1, 2, 3, 4]
    assert late(np.arange(3), 7).tolist() == [0, 0, 0]


def test_noise_has_its_rms_and_no_colour():
    noisy = Sensor(-10.0, 10.0, noise=0.06).read(np.zeros(200_000), rng())
    # The spread of an estimate from n samples is 1 / sqrt(2 n) [X]: four times that.
    assert noisy.std() == pytest.approx(0.06, rel=4.0 / math.sqrt(400_000))
    assert abs(np.corrcoef(noisy[1:], noisy[:-1])[0, 1]) < 0.01
    assert abs(noisy.mean()) < 4.0 * 0.06 / math.sqrt(200_000)


@pytest.mark.parametrize("bits", [6, 8, 10, 12])
def test_a_converters_error_is_a_twelfth_of_its_step_squared(bits):
    # q / sqrt(12) for a signal over many steps [X].
    sensor = Sensor(-2.0, 2.0, bits=bits)
    truth = 1.9 * np.sin(np.arange(200_000) * 0.0137)
    error = sensor.read(truth, rng()) - truth
    assert error.std() == pytest.approx(sensor.step / math.sqrt(12.0), rel=0.03)
    assert np.abs(error).max() <= sensor.step / 2.0 * (1.0 + 1e-9)
    codes = (sensor.read(truth, rng()) + 2.0) / sensor.step
    assert np.abs(codes - np.rint(codes)).max() < 1e-6
    assert sensor.step == 4.0 / (2**bits - 1)


def test_a_reading_stays_in_the_range():
    sensor = Sensor(-1.0, 3.0, bits=8, noise=0.5)
    read = sensor.read(np.linspace(-5.0, 9.0, 5000), rng())
    assert read.min() == -1.0
    assert read.max() == 3.0


def test_zero_scale_and_dead_time():
    truth = np.arange(100.0)
    read = replace(CLEAN, zero=80.0, scale=1.02, dead_s=0.005).read(truth, rng())
    assert read[5:] == pytest.approx(80.0 + 1.02 * truth[:-5])
    assert read[:5] == pytest.approx(80.0)


def test_noise_is_behind_the_filter():
    # A filter on noise would make it smaller and coloured.
    filtered = Sensor(-10.0, 10.0, noise=0.06, lag=Lag(5.0, BUTTERWORTH)).read(np.zeros(100_000), rng())
    assert filtered.std() == pytest.approx(0.06, rel=0.02)


def test_every_signal_of_the_cars_bus_has_a_reading():
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc")
    assert isinstance(database, Database)
    signals = {signal.name: signal for message in database.messages for signal in message.signals}
    made = readings(drive())
    made |= dict.fromkeys(MOTION_SIGNALS, np.zeros(1))
    protection = {name for name in signals if name.endswith(("Crc", "Counter"))} | {"CornerSelect"}
    assert made.keys() == signals.keys() - protection
    for name, values in made.items():
        signal = signals[name]
        assert signal.minimum is not None
        assert signal.maximum is not None
        assert values.min() >= signal.minimum
        assert values.max() <= signal.maximum
        if name in DEFAULT and name not in ("SteerAngle", "SteerRate"):
            assert signal.minimum <= DEFAULT[name].low < DEFAULT[name].high <= signal.maximum
    for values in made.values():
        assert len(values) in (1, len(drive().time_s))


def test_the_channels_agree_with_each_other():
    lap = drive()
    made = readings(lap)
    moving = made["RoadSpeed"] > 30.0
    slope = np.gradient(made["RoadSpeed"] / 3.6, STEP_S)
    lagged = Lag(10.0, BUTTERWORTH).filtered(slope, STEP_S)
    assert (made["LongAccel"] - lagged)[moving].std() == pytest.approx(0.06, rel=0.1)
    turning = np.radians(made["YawRate"]) * made["RoadSpeed"] / 3.6
    assert np.corrcoef(turning[moving], made["LatAccel"][moving])[0, 1] > 0.99
    signed = made["SteerAngle"] * (1.0 - 2.0 * made["SteerSign"])
    assert np.corrcoef(signed[moving], made["YawRate"][moving])[0, 1] > 0.8
    assert (signed - lap.steer_deg).std() == pytest.approx(0.04, rel=0.05)
    assert np.corrcoef(made["BrakeFront"][moving], made["LongAccel"][moving])[0, 1] < -0.7
    assert np.all(made["BrakeLight"][made["BrakeFront"] > 2.0] == 1.0)
    # In a left turn the left wheels are slower, by the track's share of the yaw rate [X].
    coasting = moving & (np.abs(lap.accel_long_m_s2) < 0.5) & (lap.yaw_rate_rad_s > 0.2)
    apart = (made["WheelSpeedFR"] - made["WheelSpeedFL"])[coasting] / 3.6
    assert apart == pytest.approx(lap.car.front.track_m * lap.yaw_rate_rad_s[coasting], rel=0.01)
    # Driven wheels slip when they drive, all when they brake.
    driving = moving & (lap.accel_long_m_s2 > 2.0)
    assert np.all((made["WheelSpeedRL"] + made["WheelSpeedRR"])[driving] > 1.99 * made["RoadSpeed"][driving])
    braking = moving & (lap.accel_long_m_s2 < -5.0)
    assert np.all((made["WheelSpeedFL"] + made["WheelSpeedFR"])[braking] < 1.99 * made["RoadSpeed"][braking])
    assert made["SupplyVoltage"].std() < 0.2
    assert set(made["DriverMode"][:999]) == {1.0}
    assert set(made["DriverMode"][1000:]) == {2.0}


def test_tyres_and_oil_warm_by_their_closed_forms():
    # T' = heat - (T - T0) / tau gives T0 + heat tau (1 - exp(-t / tau)) [X].
    still = replace(drive(), accel_lat_m_s2=np.full(60_001, -8.0), accel_long_m_s2=np.zeros(60_001))
    still = replace(still, speed_m_s=np.full(60_001, 30.0))
    # A right turn has the left tyres outside.
    tyre = truths(still)["TyreTempFL"]
    heat = 0.0045 * 8.0 * 30.0
    assert tyre == pytest.approx(48.0 + heat * 90.0 * (1.0 - np.exp(-still.time_s / 90.0)), abs=0.001)
    assert truths(still)["TyreTempFR"] == pytest.approx(48.0)
    rows = np.zeros((40_000, kernel.ROW_WORDS))
    rows[:, kernel.STROKE_SPEED] = 0.3
    sensors = MotionSensors(quiet(), 1, 20.0)
    start, _ = ride()
    sensors.start(demo_scenario().car, start)
    oil = sensors.read(Motion(rows, PLANT_STEP_S))[:, 5]
    time_s = np.arange(1, 20_001) * STEP_S
    assert oil == pytest.approx(30.0 + 25.0 * 0.09 * 300.0 * (1.0 - np.exp(-time_s / 300.0)), rel=1e-9)


def test_motion_sensors_give_the_same_a_tick_at_a_time_and_all_at_once():
    start, motion = ride()
    made = {
        **DEFAULT,
        "StrokeFR": replace(DEFAULT["StrokeFR"], lag=Lag(100.0), dead_s=0.003),
        "VertAccel": replace(DEFAULT["VertAccel"], dead_s=0.001, bits=12),
    }
    whole, parts = (MotionSensors(made, 7, 12.0) for _ in range(2))
    car = demo_scenario().car
    assert whole.start(car, start).tobytes() == parts.start(car, start).tobytes()
    at_once = whole.read(motion)
    assert whole.at_ms == 12_000
    pieces, place = [], 0
    # Periods of the controller and stranger lengths, halves of a millisecond among them.
    for steps in [4] * 500 + [1, 2, 3, 5, 7] * 200:
        pieces.append(parts.read(Motion(motion.rows[place : place + steps], PLANT_STEP_S)))
        place += steps
    piecemeal = np.concatenate(pieces)
    assert piecemeal.tobytes() == at_once[: len(piecemeal)].tobytes()
    assert parts.at_ms == len(piecemeal) == place // 2


def test_strokes_are_the_plants_over_the_zero_at_ride_height():
    start, motion = ride()
    car = demo_scenario().car
    sensors = MotionSensors(
        {**quiet(), **{f"Stroke{c}": replace(DEFAULT[f"Stroke{c}"], noise=0.0) for c in CORNERS}}, 1, 12.0
    )
    first = sensors.start(car, start)
    made = sensors.read(motion)
    exact = np.array(RIDE_HEIGHT_MM) + 1e3 * motion.stroke_m[1::2]
    step = 160.0 / (2**14 - 1)
    assert np.abs(made[:, :4] - np.clip(exact, 0.0, 160.0)).max() <= 0.5 * step * 1.000001
    assert (
        np.abs(first[:4] - np.array(RIDE_HEIGHT_MM) - strokes_mm(car, start.y)).max() <= 0.5 * step * 1.000001
    )
    # The stroke from the positions is the one that the plant itself gives, half a millisecond on.
    assert strokes_mm(car, motion.rows[-1]) == pytest.approx(1e3 * motion.stroke_m[-1], abs=1e-9)


def test_noise_and_filter_of_the_motion_sensors():
    count = 100_000
    time = np.arange(1, 2 * count + 1) * PLANT_STEP_S
    rows = np.zeros((2 * count, kernel.ROW_WORDS))
    rows[:, kernel.ACCEL] = np.sin(math.tau * 40.0 * time)
    rows[:, kernel.STROKE : kernel.STROKE + 4] = 0.01
    sensors = MotionSensors(
        {**DEFAULT, **{f"Stroke{c}": replace(DEFAULT[f"Stroke{c}"], bits=0) for c in CORNERS}}, 3, 100.0
    )
    start, _ = ride()
    sensors.start(demo_scenario().car, start)
    made = sensors.read(Motion(rows, PLANT_STEP_S))
    assert made[1000:, :4].std(axis=0) == pytest.approx([0.012] * 4, rel=0.02)
    # Independent of each other.
    assert np.abs(np.corrcoef(made[1000:, :4].T) - np.eye(4)).max() < 0.02
    # At its corner frequency a Butterworth filter lets through the root of a half; the noise is uncorrelated.
    turns = math.tau * 40.0 * np.arange(1, count + 1) * STEP_S
    accel = made[:, 4]
    gain = 2.0 * np.hypot((accel * np.sin(turns))[1000:].mean(), (accel * np.cos(turns))[1000:].mean())
    assert gain == pytest.approx(math.sqrt(0.5), rel=0.01)


def test_dead_time_of_the_motion_sensors():
    start, motion = ride()
    car = demo_scenario().car
    prompt, tardy = MotionSensors(quiet(), 1, 12.0), MotionSensors(quiet(dead_s=0.004), 1, 12.0)
    prompt.start(car, start)
    tardy.start(car, start)
    one, two = prompt.read(motion), tardy.read(motion)
    assert np.array_equal(two[4:], one[:-4])


def test_a_sensor_does_not_move_anothers_noise():
    lap = drive()
    plain = readings(lap)
    other = readings(lap, {**DEFAULT, "YawRate": replace(DEFAULT["YawRate"], noise=5.0, lag=Lag(1.0))})
    assert not np.array_equal(plain["YawRate"], other["YawRate"])
    assert all(np.array_equal(plain[name], other[name]) for name in plain if name != "YawRate")


def test_what_the_motion_sensors_refuse():
    start, motion = ride()
    short = MotionSensors(DEFAULT, 1, 5.0)
    short.start(demo_scenario().car, start)
    with pytest.raises(InputError, match="past the 5 s"):
        short.read(motion)
    with pytest.raises(InputError, match=r"0\.25 ms was agreed"):
        MotionSensors(DEFAULT, 1, 20.0, 0.00025).read(motion)
    with pytest.raises(InputError, match="does not divide"):
        MotionSensors(DEFAULT, 1, 20.0, 0.0003)


def test_the_plants_rest_reads_ride_height():
    car = demo_scenario().car
    plant = Plant(car, [adjustable(), adjustable()])
    sensors = MotionSensors(
        {
            **quiet(),
            **{f"Stroke{c}": replace(CLEAN, zero=z) for c, z in zip(CORNERS, RIDE_HEIGHT_MM, strict=True)},
        },
        1,
        1.0,
    )
    assert sensors.start(car, plant.rest(Inputs.of(2)))[:4] == pytest.approx(RIDE_HEIGHT_MM, abs=1e-6)
