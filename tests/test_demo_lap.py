"""The demo lap, looked at from outside: its log goes through python-can and cantools, and must add up as a car's does.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import can
import cantools
import crccheck
import e2e
import numpy as np
import pytest
from cantools.database import Database

from dashpot.canbits import block_bits
from dashpot.demo import Zone, demo_lap, frames, write_demo_log
from dashpot.errors import InputError
from dashpot.plant import canbus
from dashpot.plant.chassis import linear
from dashpot.plant.sensors import RIDE_HEIGHT_MM
from dashpot.resources import dbc_dir
from demo_data import demo_log, demo_truth

if TYPE_CHECKING:
    from pathlib import Path

CORNERS = ("FL", "FR", "RL", "RR")
GRAVITY_M_S2 = 9.80665
BIT_S = 2e-6


@dataclass(frozen=True)
class Decoded:
    """A log as an outsider has it: per message the stamps in seconds from the log's start and the payloads; signals."""

    stamp_s: dict[str, np.ndarray[Any, np.dtype[np.float64]]]
    payload: dict[str, list[bytes]]
    signal: dict[str, tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]]
    order: list[tuple[float, str]]

    def at(self, name: str, time_s: Any) -> Any:
        """Interpolate a signal."""
        return np.interp(time_s, *self.signal[name])


@cache
def decoded() -> Decoded:
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc", strict=True)
    assert isinstance(database, Database)
    stamps: dict[str, list[float]] = {}
    payload: dict[str, list[bytes]] = {}
    values: dict[str, list[tuple[float, Any]]] = {}
    order = []
    with can.LogReader(demo_log()) as reader:
        for frame in reader:
            message = database.get_message_by_frame_id(frame.arbitration_id)
            assert message.is_extended_frame == frame.is_extended_id
            assert frame.dlc == message.length
            stamp_s = frame.timestamp - canbus.START_US / 1e6
            stamps.setdefault(message.name, []).append(stamp_s)
            payload.setdefault(message.name, []).append(bytes(frame.data))
            order.append((stamp_s, message.name))
            for name, value in message.decode(frame.data, decode_choices=False).items():
                values.setdefault(name, []).append((stamp_s, value))
    signal = {name: tuple(np.array(pairs, float).T) for name, pairs in values.items()}
    for part, sign in (("SteerAngle", "SteerSign"), ("SteerRate", "SteerRateSign")):
        time_s, magnitude = signal[part]
        signal[part.replace("Angle", "")] = (time_s, magnitude * (1.0 - 2.0 * signal[sign][1]))
    return Decoded({name: np.array(list_) for name, list_ in stamps.items()}, payload, signal, order)


def lag_ms(first: Any, second: Any, longest_ms: int = 250) -> int:
    """Return by how many milliseconds the second of two signals, one value a millisecond, follows the first."""
    first, second = first - first.mean(), second - second.mean()
    span = slice(longest_ms, len(first) - longest_ms)
    scores = [
        float(np.dot(first[span], second[span.start + lag : span.stop + lag]))
        for lag in range(-longest_ms, longest_ms + 1)
    ]
    return int(np.argmax(scores)) - longest_ms


# The bus


def test_every_message_keeps_its_period_and_none_is_lost() -> None:
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc", strict=True)
    log = decoded()
    for message in database.messages:
        period_s = message.cycle_time / 1000
        steps = np.diff(log.stamp_s[message.name])
        assert abs(len(steps) + 1 - 90.0 / period_s) <= 1, message.name
        # Crystals are good to 100 ppm; jitter and waiting on the bus move a frame by under 1.5 ms.
        assert steps.mean() == pytest.approx(period_s, rel=2e-4), message.name
        assert np.abs(steps - period_s).max() < 1.5e-3, message.name
        assert steps.std() > 5e-6, message.name


def test_alive_counters_step_by_one_and_wrap_where_their_kind_does() -> None:
    counts = {
        "InertialCounter": 16,
        "BrakeCounter": 15,
        "SteerCounter": 16,
        "YawCounter": 16,
        "RoadSpeedCounter": 16,
    }
    for name, wrap in counts.items():
        values = decoded().signal[name][1]
        assert set(values) == set(range(wrap)), name
        assert (np.diff(values) % wrap == 1).all(), name


def test_the_multiplexed_message_shows_each_corner_in_turn() -> None:
    assert (np.diff(decoded().signal["CornerSelect"][1]) % 4 == 1).all()
    for corner in CORNERS:
        assert len(decoded().signal[f"OilTemp{corner}"][1]) == 225


def test_checksums_of_the_log_satisfy_crccheck_and_autosar_e2e() -> None:
    payload = decoded().payload
    for data in payload["Inertial"]:
        assert crccheck.crc.Crc8SaeJ1850.calc(data[:7]) == data[7]
    for data in payload["Road_Speed"]:
        # CRC-8 AUTOSAR, polynomial 0x2F, start and final xor 0xFF.
        assert crccheck.crc.Crc8Autosar.calc(data[:3]) == data[3]
    for data in payload["Brake_Pressures"]:
        assert e2e.p01.e2e_p01_check(bytearray(data), 0x4D21)
    for data in payload["Yaw_Rate"]:
        assert e2e.p02.e2e_p02_check(bytearray(data), bytes.fromhex("3A915CE708B26FD41D83C946F0257BAE"))


def frame_bits_between(message: Any) -> tuple[int, int]:
    # [S] Davis, Burns, Bril, Lukkien 2007: with the intermission of 3 bits.
    if message.is_extended_frame:
        return 67 + 8 * message.length, 80 + 10 * message.length
    return 47 + 8 * message.length, 55 + 10 * message.length


def test_bus_load_lies_between_the_published_frame_lengths_and_leaves_room() -> None:
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc", strict=True)
    least = (
        sum(frame_bits_between(message)[0] * 1000 / message.cycle_time for message in database.messages)
        * BIT_S
    )
    most = (
        sum(frame_bits_between(message)[1] * 1000 / message.cycle_time for message in database.messages)
        * BIT_S
    )
    assert 0.15 < least < most < 0.5
    bits = sum(int(block_bits(block).sum()) for block in frames(demo_truth()))
    assert least < bits * BIT_S / 90.0 < most


def test_frames_never_overlap_and_sometimes_wait_for_each_other() -> None:
    database = cantools.database.load_file(dbc_dir() / "merlin_t4.dbc", strict=True)
    shortest_s = {message.name: frame_bits_between(message)[0] * BIT_S for message in database.messages}
    order = decoded().order
    gaps = np.diff([stamp for stamp, _ in order])
    # From last bit to last bit there is at least the intermission and the whole following frame; half a microsecond
    # is what python-can's float seconds may lose.
    assert (gaps > np.array([shortest_s[name] for _, name in order[1:]]) - 0.5e-6).all()
    # A frame that had to wait follows at once, to the bit.
    exact_us = np.concatenate([block_bits(block) * canbus.BIT_US for block in frames(demo_truth())])
    gaps_us = np.rint(gaps * 1e6)
    assert (gaps_us >= exact_us[1:]).all()
    assert 0.02 < (gaps_us == exact_us[1:]).mean() < 0.5


# The car, from the log alone


def test_lateral_acceleration_is_speed_times_yaw_rate() -> None:
    time_s = decoded().signal["LatAccel"][0]
    product = decoded().at("RoadSpeed", time_s) / 3.6 * np.radians(decoded().at("YawRate", time_s))
    lateral = decoded().signal["LatAccel"][1]
    assert np.corrcoef(product, lateral)[0, 1] > 0.995
    assert np.dot(product, lateral) / np.dot(product, product) == pytest.approx(1.0, abs=0.03)
    assert np.abs(lateral).max() / GRAVITY_M_S2 == pytest.approx(1.2, abs=0.15)


def test_longitudinal_acceleration_is_the_derivative_of_speed() -> None:
    time_s = np.arange(0.1, 89.9, 0.01)
    step = 0.06
    slope = (
        (decoded().at("RoadSpeed", time_s + step) - decoded().at("RoadSpeed", time_s - step))
        / 3.6
        / (2 * step)
    )
    measured = decoded().at("LongAccel", time_s)
    assert np.corrcoef(slope, measured)[0, 1] > 0.98
    assert np.dot(slope, measured) / np.dot(slope, slope) == pytest.approx(1.0, abs=0.03)


def test_brake_pressure_comes_30_to_100_ms_before_deceleration() -> None:
    # [M] engineering estimate in the domain notes, section 2. The car is held on the brake before the start.
    time_s = np.arange(3.0, 89.5, 0.001)
    pressure = decoded().at("BrakeFront", time_s)
    deceleration = np.maximum(-decoded().at("LongAccel", time_s), 0.0)
    assert 30 <= lag_ms(pressure, deceleration) <= 100
    assert np.corrcoef(pressure[:-60], deceleration[60:])[0, 1] > 0.97


def test_lateral_acceleration_lags_the_steering_wheel_by_50_to_150_ms() -> None:
    # [M] domain notes, section 2.
    time_s = np.arange(3.0, 89.5, 0.001)
    assert 50 <= lag_ms(decoded().at("Steer", time_s), decoded().at("LatAccel", time_s)) <= 150


def test_steering_and_yaw_rate_have_the_same_sign() -> None:
    time_s, steer = decoded().signal["Steer"]
    # A little later, because the car answers the wheel.
    yaw = decoded().at("YawRate", time_s + 0.1)
    turning = (np.abs(steer) > 8.0) & (np.abs(yaw) > 2.0)
    assert turning.mean() > 0.3
    assert (np.sign(steer[turning]) == np.sign(yaw[turning])).mean() > 0.99
    assert (steer[turning] > 0).any()
    assert (steer[turning] < 0).any()


def test_steering_wheel_speed_is_the_derivative_of_its_angle() -> None:
    time_s = np.arange(0.1, 89.8, 0.01)
    slope = (decoded().at("Steer", time_s + 0.03) - decoded().at("Steer", time_s - 0.03)) / 0.06
    assert np.corrcoef(slope, decoded().at("SteerRate", time_s))[0, 1] > 0.97


def strokes_mm(time_s: Any) -> Any:
    """Return the four strokes from ride height, (4, n)."""
    return np.array(
        [
            decoded().at(f"Stroke{corner}", time_s) - zero
            for corner, zero in zip(CORNERS, RIDE_HEIGHT_MM, strict=True)
        ]
    )


def test_load_moves_to_the_front_in_braking_and_to_the_outside_in_a_turn() -> None:
    time_s = decoded().signal["LatAccel"][0]
    lateral = decoded().signal["LatAccel"][1] / GRAVITY_M_S2
    along = decoded().signal["LongAccel"][1] / GRAVITY_M_S2
    stroke = strokes_mm(time_s)
    braking = stroke[:, (along < -0.6) & (np.abs(lateral) < 0.2)].mean(axis=1)
    assert (braking[:2] > 8.0).all()
    assert (braking[2:] < -8.0).all()
    left, right = (stroke[:, sign * lateral > 0.7].mean(axis=1) for sign in (1.0, -1.0))
    assert (left[[1, 3]] > 8.0).all()
    assert (left[[0, 2]] < -8.0).all()
    assert (right[[0, 2]] > 8.0).all()
    assert (right[[1, 3]] < -8.0).all()
    # At rest the car stands at ride height, but for the unevenness under its wheels.
    assert np.abs(stroke[:, time_s < 1.0].mean(axis=1)).max() < 1.0


def stroke_speeds_mm_s(time_s: Any) -> Any:
    return (strokes_mm(time_s + 0.004) - strokes_mm(time_s - 0.004)) / 0.008


def zone_mask(time_s: Any, zone: Zone, margin_m: float = 0.0) -> Any:
    distance = np.interp(time_s, *decoded().signal["LapDistance"])
    return (distance >= zone.start_m - margin_m) & (distance < zone.end_m + margin_m) & (time_s < 85.0)


def test_stroke_speeds_are_low_on_the_lap_and_medium_to_high_in_the_bumpy_zone() -> None:
    # [C] low, medium, high: 0-50.8, 50.8-152.4, 152.4-508 mm/s.
    time_s = np.arange(5.0, 85.0, 0.002)
    speed = np.abs(stroke_speeds_mm_s(time_s))
    bumpy = zone_mask(time_s, demo_truth().rough)
    assert 15.0 < np.median(speed[:, ~bumpy]) < 50.8
    rough = speed[:, bumpy]
    assert np.median(rough) > 50.8
    assert (rough > 152.4).mean() > 0.15
    assert (rough > 508.0).mean() < 0.03
    # Braking there is what makes the patch a test of the rough-braking trim.
    assert (decoded().at("BrakeFront", time_s[bumpy]) > 20.0).mean() > 0.7


def test_the_kerb_sends_the_left_dampers_alone_towards_their_stop() -> None:
    time_s = np.arange(5.0, 89.0, 0.002)
    stroke = strokes_mm(time_s)
    kerb = zone_mask(time_s, demo_truth().kerb, margin_m=6.0)
    # The bump stop is 80.8 mm above ride height; the ramp's region begins about 50 mm [D].
    assert 60.0 < stroke[0, kerb].max() < 78.0
    assert stroke[0, ~kerb].max() < 52.0
    assert stroke[[1, 3]][:, kerb].max() < 10.0
    assert stroke_speeds_mm_s(time_s)[0, kerb].max() > 508.0
    # A stroke sensor that moves faster than 3 m/s would be taken for broken (domain notes, section 5).
    assert np.abs(stroke_speeds_mm_s(time_s)).max() < 2500.0


def test_strokes_stay_inside_the_damper_for_other_seeds_too() -> None:
    for seed in (2, 3, 4):
        stroke = demo_truth(seed).stroke_m * 1e3 + np.array(RIDE_HEIGHT_MM)
        assert stroke.min() > 5.0
        assert stroke.max() < 158.0


def test_the_damp_sector_has_six_tenths_of_the_grip() -> None:
    time_s = np.arange(5.0, 85.0, 0.01)
    used = np.hypot(decoded().at("LatAccel", time_s), decoded().at("LongAccel", time_s)) / GRAVITY_M_S2
    inside = zone_mask(time_s, demo_truth().damp, margin_m=-25.0)
    outside = ~zone_mask(time_s, demo_truth().damp, margin_m=40.0)
    assert np.percentile(used[inside], 95) / np.percentile(used[outside], 95) == pytest.approx(0.6, abs=0.06)
    # Gentler on the brake as well: the pedal, not only the tyre, knows of the water.
    pressure = decoded().at("BrakeFront", time_s)
    assert pressure[inside].max() < 0.7 * pressure[outside].max()


def test_wheels_agree_with_the_road_speed_and_turn_slower_inside() -> None:
    time_s = np.arange(5.0, 85.0, 0.02)
    road = decoded().at("RoadSpeed", time_s)
    wheel = np.array([decoded().at(f"WheelSpeed{corner}", time_s) for corner in CORNERS])
    assert np.abs(wheel.mean(axis=0) / road - 1.0).max() < 0.03
    left = decoded().at("LatAccel", time_s) > 5.0
    assert (wheel[[0, 2]][:, left] < wheel[[1, 3]][:, left]).all()


def test_supply_and_switches_are_those_of_a_running_car() -> None:
    supply = decoded().signal["SupplyVoltage"][1]
    assert 13.0 < supply.min() < supply.max() < 14.5
    assert decoded().signal["DriverMode"][1].tolist().count(1) == 10
    assert set(decoded().signal["GripSwitch"][1]) == {0}
    assert decoded().signal["LapNumber"][1].tolist()[::899] == [1, 2]
    assert set(decoded().signal["Sector"][1]) == {1, 2, 3}


def test_decoded_signals_are_the_truth_within_noise_and_filter_lag() -> None:
    lap = demo_truth()
    # The drive's clock starts with the end of the first frame.
    start_s = lap.world.first_us / 1e6
    time_s = np.arange(2.0, 89.0, 0.002)
    for index, stroke in enumerate(strokes_mm(time_s + 0.0004)):
        truth = np.interp(time_s - start_s, lap.drive.time_s, lap.stroke_m[:, index] * 1e3)
        # A sample waits up to half a millisecond for the bus: at 1 m/s half a millimetre.
        assert np.abs(stroke - truth).max() < 1.0
        assert np.std(stroke - truth) < 0.08
    assert decoded().at("RoadSpeed", 60.0) == pytest.approx(
        np.interp(60.0 - start_s, lap.drive.time_s, lap.drive.speed_m_s) * 3.6, abs=0.5
    )


# Determinism and arguments


def sha256(file: Path) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()


def test_the_same_seed_gives_the_same_bytes_and_another_seed_others(tmp_path: Path) -> None:
    names = ("first", "second", "other")
    for name, seed in zip(names, (7, 7, 8), strict=True):
        assert write_demo_log(tmp_path / name, seed, duration_s=6.0) == 6180
    first, second, other = (sha256(tmp_path / name) for name in names)
    assert first == second
    assert first != other


def test_a_longer_drive_begins_like_the_shorter_one() -> None:
    short, long = demo_lap(7, 5.0), demo_lap(7, 9.0)
    count = len(short.drive.time_s)
    assert np.array_equal(short.drive.speed_m_s, long.drive.speed_m_s[:count])
    # The last millisecond's road is drawn towards the next one, which the shorter drive does not have.
    assert np.array_equal(short.stroke_m[:-1], long.stroke_m[: count - 1])


@pytest.mark.parametrize(("seed", "duration_s"), [(-1, 90.0), (1, 0.9), (1, 901.0), (1, float("nan"))])
def test_a_drive_that_cannot_be_made_is_refused(seed: int, duration_s: float) -> None:
    with pytest.raises(InputError, match=r"seed|duration"):
        demo_lap(seed, duration_s)


def test_the_merlins_body_modes_are_where_the_design_puts_them() -> None:
    # [D] heave, roll and pitch between 1.4 and 1.9 Hz; the dampers do not change undamped frequencies.
    body = linear(demo_truth().car, (0.0, 0.0)).undamped_hz()[:3]
    assert (body > 1.4).all()
    assert (body < 1.9).all()
