"""Each kind of fault: what it changes, what it leaves alone, and that what it protects anew is protected.

Values are read back with cantools, checksums with crccheck and autosar-e2e: none of them is this project's.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import crccheck
import e2e
import numpy as np
import pytest

from dashpot.faults import KINDS, Scope
from dashpot.faults.bus import Bits, places
from dashpot.faults.stimulus import Frames, Poke, Stimulus, deliver, join, regular_ticks
from dashpot.plant.merlin_bus import BRAKE_DATA_ID, YAW_DATA_IDS
from dashpot.targets.contract import NOMINAL_INPUTS
from faults_kit import (
    END_US,
    ONSET_US,
    PERIOD_US,
    WINDOW_US,
    bus,
    dbc,
    decoded,
    fault,
    in_fault,
    injected,
    of_message,
    stimulus,
)
from images import LAYOUT

MESSAGE_CASES = [
    ("drop", "Inertial", None), ("thin", "Inertial", 400), ("freeze", "Inertial", None), ("freeze", "Yaw_Rate", None),
    ("freeze", "Wheel_Speeds", None), ("stuck_frame", "Brake_Pressures", None), ("loose", "Inertial", "50 ms"),
    ("delay", "Steering", "7 ms"), ("jitter", "Road_Speed", "9 ms"), ("duplicate", "Yaw_Rate", None),
    ("reorder", "Steering", None), ("corrupt", "Inertial", 2), ("wrong_counter", "Brake_Pressures", 4),
    ("wrong_crc", "Yaw_Rate", None), ("short", "Wheel_Speeds", 3), ("babble_known", "Inertial", 500),
]  # fmt: skip
CHANNEL_CASES = [
    ("out_of_range", "lateral", "high"), ("out_of_range", "steer_angle", "low"), ("invalid_code", "yaw_rate", None),
    ("ramp", "brake_pressure", "30 bar/s"), ("step", "steer_angle", "-55 deg"), ("offset", "longitudinal", "0.2 g"),
    ("noise", "stroke.front_left", "2 mm"), ("sign_flip", "lateral", None), ("stuck_value", "road_speed", None),
    ("swap", "wheel_speed.front", None),
]  # fmt: skip
# The slowest message has one frame in the time of the faults at the least.
LATEST_US = 20_000


def message_of(kind: str, target: str) -> str:
    if target in bus().messages:
        return target
    channel = bus().channels[target if target in bus().channels else f"{target}_left"]
    return bus().message_of(channel).name


def protected(name: str, frames: Frames) -> list[bool]:
    """Whether each frame's checksum is right, by outside references."""
    length = bus().messages[name].length
    right = []
    for payload in frames.data[:, :length]:
        data = bytearray(payload.tobytes())
        if name == "Inertial":
            right.append(crccheck.crc.Crc8SaeJ1850.calc(data[:7]) == data[7])
        elif name == "Road_Speed":
            right.append(crccheck.crc.Crc8Autosar.calc(data[:3]) == data[3])
        elif name == "Brake_Pressures":
            counter = data[1] & 0x0F
            right.append(counter < 15 and e2e.p01.e2e_p01_check(data, BRAKE_DATA_ID))
        else:
            assert name == "Yaw_Rate"
            right.append(e2e.p02.e2e_p02_check(data, bytes(YAW_DATA_IDS)))
    return right


def test_the_untouched_log_is_protected() -> None:
    """The outside references take the demo's frames, so a refusal of theirs means something."""
    for name in ("Inertial", "Road_Speed", "Brake_Pressures", "Yaw_Rate"):
        frames = of_message(stimulus().frames, name)
        assert len(frames) > 50
        assert all(protected(name, frames))


@pytest.mark.parametrize(("kind", "target", "severity"), [*MESSAGE_CASES, *CHANNEL_CASES])
def test_only_the_target_changes_and_only_in_its_time(kind: str, target: str, severity: object) -> None:
    was, given = stimulus(), injected(kind, target, severity)
    key = bus().messages[message_of(kind, target)].key
    assert not given.frames.same(was.frames)
    assert (np.diff(given.frames.at_us) >= 0).all()
    assert given.ticks is was.ticks
    others = [frames.select(frames.key != key) for frames in (was.frames, given.frames)]
    assert others[0].same(others[1])
    for before, after in ((was.frames.at_us < ONSET_US, given.frames.at_us < ONSET_US),
                          (was.frames.at_us >= END_US + LATEST_US, given.frames.at_us >= END_US + LATEST_US)):  # fmt: skip
        assert was.frames.select(before).same(given.frames.select(after))


@pytest.mark.parametrize(("kind", "target", "severity"), [*MESSAGE_CASES, *CHANNEL_CASES])
def test_the_same_seed_gives_the_same(kind: str, target: str, severity: object) -> None:
    assert injected(kind, target, severity, seed=5).frames.same(
        injected(kind, target, severity, seed=5).frames
    )


@pytest.mark.parametrize("kind", ["thin", "jitter", "corrupt", "wrong_crc", "babble_known", "noise"])
def test_another_seed_gives_another(kind: str) -> None:
    (case,) = [case for case in [*MESSAGE_CASES, *CHANNEL_CASES] if case[0] == kind]
    assert not injected(*case, seed=5).frames.same(injected(*case, seed=6).frames)


def test_every_kind_is_tried_here() -> None:
    tried = {case[0] for case in [*MESSAGE_CASES, *CHANNEL_CASES]}
    rest = {name for name, kind in KINDS.items() if kind.scope in (Scope.BUS, Scope.LOOP)}
    board = {name for name, kind in KINDS.items() if kind.scope in (Scope.BOARD, Scope.CORNER, Scope.MEMORY)}
    assert tried | rest | board == set(KINDS)
    assert rest == {
        "babble_foreign", "bus_off", "bus_off_reported", "overflow", "late_tick", "slow_ticks", "hang", "hangs",
        "supply_resets", "reset",
    }  # fmt: skip
    # tests/test_faults_board.py tries those.
    assert board == {
        "supply_step", "supply_ramp", "driver_hot", "bus_off_flag", "coil_open", "coil_short", "coil_step", "coil_drift",
        "coil_chatter", "over_current", "memory_bit", "limits_bit",
    }  # fmt: skip
    assert all(kind.doc for kind in KINDS.values())


# Frames.


def hit(kind: str, target: str, severity: object = None) -> tuple[Frames, Frames]:
    """A message's frames in the time of the fault, before and after."""
    return (
        in_fault(of_message(stimulus().frames, target)),
        in_fault(of_message(injected(kind, target, severity).frames, target)),
    )


def test_drop_leaves_none() -> None:
    was, given = hit("drop", "Inertial")
    assert (len(was), len(given)) == (60, 0)


def test_thin_takes_its_share() -> None:
    was, given = hit("thin", "Suspension_Strokes", 400)
    # 300 draws of 0.4: the mean is 120, five standard deviations are 42 [X].
    assert len(was) == 300
    assert abs(len(was) - len(given) - 120) < 42


def test_loose_is_away_a_third_of_the_time() -> None:
    was, given = hit("loose", "Inertial", "50 ms")
    gone = np.setdiff1d(was.at_us, given.at_us)
    assert (((gone - ONSET_US) % 150_000) < 50_000).all()
    assert (((given.at_us - ONSET_US) % 150_000) >= 50_000).all()
    assert len(gone) == 20


@pytest.mark.parametrize(
    "name", ["Inertial", "Brake_Pressures", "Yaw_Rate", "Road_Speed", "Steering", "Wheel_Speeds"]
)
def test_freeze_keeps_values_and_lets_counter_and_checksum_live(name: str) -> None:
    was, given = hit("freeze", name)
    before = of_message(stimulus().frames, name)
    last = decoded(before.select(before.at_us < ONSET_US), name)[-1]
    alive = {signal for signal in last if signal.endswith(("Counter", "Crc"))}
    for frame, real in zip(decoded(given, name), decoded(was, name), strict=True):
        assert {s: v for s, v in frame.items() if s not in alive} == {
            s: v for s, v in last.items() if s not in alive
        }
        for signal in alive:
            if signal.endswith("Counter"):
                assert frame[signal] == real[signal]
    if bus().messages[name].has_crc:
        assert all(protected(name, given))


def test_stuck_frame_repeats_all_of_it() -> None:
    _, given = hit("stuck_frame", "Brake_Pressures")
    before = of_message(stimulus().frames, "Brake_Pressures")
    last = before.select(before.at_us < ONSET_US).data[-1]
    assert (given.data == last).all()


def test_delay_moves_every_frame_by_its_time() -> None:
    was = of_message(stimulus().frames, "Steering")
    given = of_message(injected("delay", "Steering", "7 ms").frames, "Steering")
    inside = (was.at_us >= ONSET_US) & (was.at_us < END_US)
    assert np.array_equal(given.at_us, was.at_us + 7000 * inside)
    assert np.array_equal(given.data, was.data)


def test_a_delay_past_the_period_keeps_the_order_of_the_frames() -> None:
    was = of_message(stimulus().frames, "Steering")
    given = of_message(injected("delay", "Steering", "25 ms").frames, "Steering")
    assert np.array_equal(given.data, was.data)
    assert (np.diff(given.at_us) >= 0).all()
    # Those right behind the fault wait for the last of it.
    assert np.count_nonzero(np.diff(given.at_us) == 0) == 2


def test_jitter_stays_inside_its_bound() -> None:
    was = of_message(stimulus().frames, "Road_Speed")
    given = of_message(injected("jitter", "Road_Speed", "9 ms").frames, "Road_Speed")
    late_us = given.at_us - was.at_us
    assert late_us.min() >= 0
    assert 0 < late_us.max() <= 9000
    assert len(set(late_us.tolist())) > 10


def test_duplicate_sends_each_frame_again_after_its_time() -> None:
    was, given = hit("duplicate", "Yaw_Rate")
    assert len(given) == 2 * len(was)
    assert np.array_equal(given.at_us[1::2] - given.at_us[::2], np.full(len(was), 400))
    assert np.array_equal(given.data[1::2], given.data[::2])


def test_reorder_crosses_each_pair() -> None:
    was, given = hit("reorder", "Steering")
    assert np.array_equal(was.at_us, given.at_us)
    assert np.array_equal(given.data[::2], was.data[1::2])
    assert np.array_equal(given.data[1::2], was.data[::2])


@pytest.mark.parametrize("bits", [1, 2, 5])
def test_corrupt_turns_over_so_many_bits_inside_the_payload(bits: int) -> None:
    was, given = hit("corrupt", "Road_Speed", bits)
    turned = np.unpackbits(was.data ^ given.data, axis=1)
    assert (turned.sum(axis=1) == bits).all()
    assert not turned[:, 8 * 4 :].any()


def undetected(polynomial: int, bits: int, wrong: int) -> int:
    """Patterns of wrong bits in a code word that leave an 8-bit CRC as it is, counted over syndromes [X]."""
    syndromes = []
    register = 1
    for _ in range(bits):
        syndromes.append(register)
        register = (register << 1) ^ (polynomial | 0x100 if register & 0x80 else 0)
        register &= 0xFF
    total = 0
    for chosen in itertools.combinations(syndromes, wrong - 1):
        rest = 0
        for one in chosen:
            rest ^= one
        total += rest in syndromes and rest not in chosen
    return total


def test_how_many_wrong_bits_the_polynomials_are_sure_to_see() -> None:
    """What the standard plan's groups `bits` and `more_bits` stand on: 64-bit words of 0x1D, 48-bit words of 0x2F."""
    assert undetected(0x1D, 64, 2) == 0
    assert undetected(0x1D, 64, 3) > 0
    assert undetected(0x2F, 48, 2) == 0
    assert undetected(0x2F, 48, 3) == 0


@pytest.mark.parametrize(
    ("name", "step", "modulo"), [("Brake_Pressures", 4, 15), ("Inertial", 0, 16), ("Steering", 7, 16)]
)
def test_wrong_counter_goes_in_its_own_steps_with_a_right_checksum(name: str, step: int, modulo: int) -> None:
    was, given = hit("wrong_counter", name, step)
    (counter,) = [signal for signal in decoded(was, name)[0] if signal.endswith("Counter")]
    before = of_message(stimulus().frames, name)
    first = decoded(before.select(before.at_us < ONSET_US), name)[-1][counter]
    seen = [first, *(frame[counter] for frame in decoded(given, name))]
    assert {(b - a) % modulo for a, b in itertools.pairwise(seen)} == {step}
    if bus().messages[name].has_crc:
        assert all(protected(name, given))


def test_wrong_crc_changes_that_byte_alone_and_always() -> None:
    for name, place in (("Inertial", 7), ("Brake_Pressures", 0), ("Yaw_Rate", 0), ("Road_Speed", 3)):
        was, given = hit("wrong_crc", name)
        changed = was.data != given.data
        assert changed[:, place].all()
        assert not np.delete(changed, place, axis=1).any()
        assert not any(protected(name, given))


def test_short_cuts_length_and_bytes() -> None:
    was, given = hit("short", "Wheel_Speeds", 3)
    assert set(given.length.tolist()) == {5}
    assert np.array_equal(given.data[:, :5], was.data[:, :5])
    assert not given.data[:, 5:].any()


# Values.


def values(
    kind: str, channel: str, signal: str, severity: object = None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A signal in the time of the fault by cantools, before and after, and the frames' times since the onset."""
    name = message_of(kind, channel)
    was, given = (
        in_fault(of_message(frames, name))
        for frames in (stimulus().frames, injected(kind, channel, severity).frames)
    )
    before, after = decoded(was, name), decoded(given, name)
    for old, new in zip(before, after, strict=True):
        alive = {signal, *(s for s in old if s.endswith("Crc")), *(s for s in old if s == "SteerSign")}
        assert {s: v for s, v in old.items() if s not in alive} == {
            s: v for s, v in new.items() if s not in alive
        }
    if bus().messages[name].has_crc:
        assert all(protected(name, given))
    return (
        np.array([frame[signal] for frame in before]),
        np.array([frame[signal] for frame in after]),
        given.at_us - ONSET_US,
    )


def test_out_of_range_is_the_first_value_past_it() -> None:
    # 4 g = 39.2266 m/s2 with steps of 0.002 m/s2; a thousandth of g past it is 39.2364.
    _, given, _ = values("out_of_range", "lateral", "LatAccel", "high")
    np.testing.assert_allclose(given, 39.238, atol=0.001)
    _, given, _ = values("out_of_range", "stroke.rear_left", "StrokeRL", "high")
    # 82.1 mm at rest and a range up to 78 mm.
    np.testing.assert_allclose(given, 160.11, atol=0.011)


def test_out_of_range_has_the_sign_bit_of_its_side() -> None:
    frames = in_fault(of_message(injected("out_of_range", "steer_angle", "low").frames, "Steering"))
    for frame in decoded(frames, "Steering"):
        assert (frame["SteerSign"], frame["SteerAngle"]) == (1, pytest.approx(720.1))


@pytest.mark.parametrize(
    ("channel", "signal", "code"),
    [("lateral", "LatAccel", -32768), ("yaw_rate", "YawRate", -32768), ("brake_pressure", "BrakeFront", 65535),
     ("steer_angle", "SteerAngle", 32767), ("grip_switch", "GripSwitch", 3)],
)  # fmt: skip
def test_invalid_code_is_the_one_of_the_dbc(channel: str, signal: str, code: int) -> None:
    name = message_of("invalid_code", channel)
    frames = in_fault(of_message(injected("invalid_code", channel).frames, name))
    message = dbc().get_message_by_name(name)
    for payload in frames.data:
        raw = message.decode(payload[: message.length].tobytes(), decode_choices=False, scaling=False)
        assert raw[signal] == code
    # The DBC's own table says what the code means.
    assert message.get_signal_by_name(signal).choices[code].name == "No_Signal"


def test_ramp_drifts_by_its_rate() -> None:
    was, given, since_us = values("ramp", "brake_pressure", "BrakeFront", "30 bar/s")
    np.testing.assert_allclose(given - was, 30 * since_us / 1e6, atol=0.006)


def test_step_is_one_value_with_its_sign() -> None:
    was, given, _ = values("step", "steer_angle", "SteerAngle", "-55 deg")
    assert np.ptp(was) > 0
    assert set(given) == {55.0}


def test_offset_is_added() -> None:
    was, given, _ = values("offset", "longitudinal", "LongAccel", "0.2 g")
    np.testing.assert_allclose(given - was, 0.2 * 9.80665, atol=0.0011)


def test_noise_has_its_deviation() -> None:
    was, given, _ = values("noise", "stroke.front_left", "StrokeFL", "2 mm")
    # 300 samples: the deviation of the deviation is 4 % [X], five of them 0.41.
    assert np.std(given - was) == pytest.approx(2.0, abs=0.41)
    assert abs(np.mean(given - was)) < 5 * 2 / np.sqrt(300)


def test_sign_flip_mirrors_about_the_channels_zero() -> None:
    was, given, _ = values("sign_flip", "lateral", "LatAccel")
    np.testing.assert_allclose(given, -was, atol=1e-9)
    was, given, _ = values("sign_flip", "stroke.front_left", "StrokeFL")
    # Ride height, the channel's zero, is 79.2 mm.
    np.testing.assert_allclose(given - 79.2, 79.2 - was, atol=0.0101)


def test_a_sign_flip_of_a_magnitude_turns_its_sign_bit() -> None:
    was, given, _ = values("sign_flip", "steer_angle", "SteerAngle")
    assert np.array_equal(was, given)
    before, after = (
        in_fault(of_message(f, "Steering"))
        for f in (stimulus().frames, injected("sign_flip", "steer_angle").frames)
    )
    signs = [[frame["SteerSign"] for frame in decoded(frames, "Steering")] for frames in (before, after)]
    moved = was > 0
    assert moved.any()
    assert (np.array(signs[0]) != np.array(signs[1]))[moved].all()


def test_stuck_value_stays_as_it_was_at_the_onset() -> None:
    was, given, _ = values("stuck_value", "lateral", "LatAccel")
    before = of_message(stimulus().frames, "Inertial")
    assert set(given) == {decoded(before.select(before.at_us < ONSET_US), "Inertial")[-1]["LatAccel"]}
    assert len(set(was)) > 10


def test_swap_changes_left_and_right_with_their_own_zeros() -> None:
    was, given = (
        in_fault(of_message(f, "Suspension_Strokes"))
        for f in (stimulus().frames, injected("swap", "stroke.front").frames)
    )
    for old, new in zip(
        decoded(was, "Suspension_Strokes"), decoded(given, "Suspension_Strokes"), strict=True
    ):
        assert new["StrokeFL"] - 79.2 == pytest.approx(old["StrokeFR"] - 80.4, abs=0.0051)
        assert new["StrokeFR"] - 80.4 == pytest.approx(old["StrokeFL"] - 79.2, abs=0.0051)
        assert (new["StrokeRL"], new["StrokeRR"]) == (old["StrokeRL"], old["StrokeRR"])


def test_a_value_past_what_the_bits_hold_stops_before_no_signal() -> None:
    _, given, _ = values("offset", "brake_pressure", "BrakeFront", "2000 bar")
    # 65534 counts of 0.01 bar from -5 bar; 65535 is "no signal".
    np.testing.assert_allclose(given, 650.34)


@pytest.mark.parametrize("name", sorted(bus().channels))
def test_values_are_read_and_written_where_cantools_has_them(name: str) -> None:
    channel = bus().channels[name]
    message_name = bus().message_of(channel).name
    message = dbc().get_message_by_name(message_name)
    rng = np.random.default_rng(3)
    data = np.zeros((200, 8), np.uint8)
    data[:, : message.length] = rng.integers(0, 256, (200, message.length))
    (signal,) = [s for s in message.signals if places_of(s) == channel.bits.places]
    raw = [
        message.decode(row[: message.length].tobytes(), decode_choices=False, scaling=False) for row in data
    ]
    assert np.array_equal(np.abs(channel.read_raw(data)), [abs(entry[signal.name]) for entry in raw])
    wanted = rng.integers(channel.raw_low, channel.raw_high + 1, 200)
    changed = data.copy()
    channel.write_raw(changed, wanted)
    for row, old, value in zip(changed, raw, wanted.tolist(), strict=True):
        new = message.decode(row[: message.length].tobytes(), decode_choices=False, scaling=False)
        if channel.sign_bits is None:
            assert new.pop(signal.name) == value
        else:
            assert (new.pop(signal.name), new.pop("SteerSign")) == (abs(value), int(value < 0))
        assert new == {other: number for other, number in old.items() if other in new}


def places_of(signal: object) -> tuple[int, ...]:
    """A cantools signal's bits, least significant first, by the rule of domain.md: big-endian start is the top bit."""
    start, length = signal.start, signal.length
    if signal.byte_order == "little_endian":
        return tuple(range(start, start + length))
    # Number bits from the top of byte 0 on: there a big-endian signal is one run.
    top = start // 8 * 8 + 7 - start % 8
    return tuple((run // 8) * 8 + 7 - run % 8 for run in range(top + length - 1, top - 1, -1))


@dataclass
class DbcSignal:
    start: int
    length: int
    big_endian: bool = True


def test_bits_of_a_known_payload() -> None:
    """`12 34 56 78 9A BC DE F0`: 4|12@1+ x 0.1 is 83.3, 23|16@0- x 0.01 - 10 is 211.36, 35|12@0+ is 2748 [X]."""
    data = np.frombuffer(bytes.fromhex("123456789ABCDEF0"), np.uint8)[None]
    assert Bits(tuple(places(DbcSignal(4, 12, big_endian=False)))).read(data)[0] == 833
    assert Bits(tuple(places(DbcSignal(23, 16))), signed=True).read(data)[0] == 22136
    assert Bits(tuple(places(DbcSignal(35, 12)))).read(data)[0] == 2748


# The bus and the loop.


def test_bus_off_takes_every_frame() -> None:
    given = injected("bus_off")
    assert len(in_fault(given.frames)) == 0
    outside = ~fault("bus_off").during(stimulus().frames.at_us)
    assert stimulus().frames.select(outside).same(given.frames)


def test_foreign_babble_adds_frames_that_nobody_reads() -> None:
    was, given = stimulus().frames, injected("babble_foreign", severity=5000).frames
    own = {message.key for message in bus().messages.values()}
    foreign = np.isin(given.key, np.setdiff1d(given.key, was.key))
    added = given.select(foreign)
    # 5000 a second for 0.6 s.
    assert len(added) == 3000
    assert not own & set(added.key.tolist())
    # Of higher priority than all that the car sends.
    assert added.key.max() < min(was.key.tolist())
    assert given.select(~foreign).same(was)


def test_known_babble_adds_to_the_true_frames() -> None:
    was, given = hit("babble_known", "Inertial", 500)
    assert len(given) == len(was) + 300


def test_overflow_takes_the_newest_frames_of_each_tick_and_counts_them() -> None:
    was, given = stimulus(), injected("overflow", severity=2, end_us=ONSET_US + 6000)
    ticks = np.flatnonzero((was.ticks.at_us >= ONSET_US) & (was.ticks.at_us < ONSET_US + 6000))
    assert len(ticks) == 3
    assert np.array_equal(np.flatnonzero(given.ticks.lost), ticks)
    assert set(given.ticks.lost[ticks].tolist()) == {2}
    for tick in ticks.tolist():
        end_us = int(was.ticks.at_us[tick])
        before, after = (
            f.select((f.at_us > end_us - PERIOD_US) & (f.at_us <= end_us)) for f in (was.frames, given.frames)
        )
        assert before.select(slice(0, max(0, len(before) - 2))).same(after)


def test_a_late_tick_covers_those_it_passes() -> None:
    given = injected("late_tick", severity="5 ms")
    at_us = given.ticks.at_us
    first = int(np.searchsorted(at_us, ONSET_US - 1))
    assert at_us[first - 1 : first + 2].tolist() == [ONSET_US - 2000, ONSET_US + 5000, ONSET_US + 6000]
    assert len(given.ticks) == len(stimulus().ticks) - 2
    assert given.frames is stimulus().frames


def test_slow_ticks_have_the_longer_period_and_then_the_old_one() -> None:
    at_us = injected("slow_ticks", severity=1500).ticks.at_us
    inside = at_us[(at_us >= ONSET_US) & (at_us < END_US)]
    assert set(np.diff(inside).tolist()) == {3000}
    assert set(np.diff(at_us[at_us >= END_US]).tolist()) == {2000}
    assert (np.diff(at_us) > 0).all()


def test_a_short_hang_has_no_ticks_and_loses_no_frames() -> None:
    given = injected("hang", end_us=ONSET_US + 40_000)
    assert not ((given.ticks.at_us >= ONSET_US) & (given.ticks.at_us < ONSET_US + 40_000)).any()
    assert given.frames is stimulus().frames
    assert given.ticks.starts == {}


def test_a_long_hang_ends_with_the_watchdog() -> None:
    """What waits in the ring is lost with the reset."""
    given = injected("hang", severity="80 ms")
    ((again, cause),) = given.ticks.starts.items()
    assert cause == "watchdog"
    assert given.ticks.at_us[again - 1 : again + 1].tolist() == [ONSET_US - 2000, ONSET_US + 80_000]
    inside = in_fault(given.frames)
    assert inside.at_us[0] >= ONSET_US + 80_000


def test_hangs_and_break_downs_are_spread_over_the_time() -> None:
    for kind, cause, off_us in (("hangs", "watchdog", 50_000), ("supply_resets", "brown_out", 20_000)):
        given = injected(kind, severity=3)
        starts = {int(given.ticks.at_us[tick]): cause for tick, cause in given.ticks.starts.items()}
        assert starts == dict.fromkeys([ONSET_US + i * 200_000 + off_us for i in range(3)], cause)
        # In between it runs and hears.
        between = (given.ticks.at_us >= ONSET_US + off_us) & (given.ticks.at_us < ONSET_US + 200_000)
        assert np.count_nonzero(between) == (200_000 - off_us) // PERIOD_US
        heard = given.frames.at_us[(given.frames.at_us >= ONSET_US) & (given.frames.at_us < END_US)]
        assert ((heard - ONSET_US) % 200_000 >= off_us).all()


@pytest.mark.parametrize("cause", ["power_on", "watchdog", "brown_out", "soft", "other"])
def test_a_reset_hears_nothing_and_begins_anew_at_its_end(cause: str) -> None:
    given = injected("reset", severity=cause)
    assert len(in_fault(given.frames)) == 0
    ((again, said),) = given.ticks.starts.items()
    assert said == cause
    assert given.ticks.at_us[again - 1 : again + 1].tolist() == [ONSET_US - 2000, END_US]


# Delivery.


def test_every_tick_gets_the_frames_up_to_its_time() -> None:
    made = deliver(stimulus(), LAYOUT, (100, 400))
    assert max(len(block.ticks) for block in made.blocks) <= 100
    assert max(len(block.frames) for block in made.blocks) <= 400
    ticks = np.concatenate([block.ticks for block in made.blocks])
    rows = np.concatenate([block.frames for block in made.blocks])
    assert np.array_equal(ticks[:, 0], stimulus().ticks.at_us)
    assert int(ticks[:, 1].sum()) == len(rows)
    owner = np.repeat(ticks[:, 0], ticks[:, 1])
    assert (rows[:, 0] <= owner).all()
    assert (rows[:, 0] > owner - PERIOD_US).all()


def test_a_start_and_a_poke_begin_a_block() -> None:
    made = deliver(injected("reset", severity="soft"), LAYOUT, (512, 4000))
    ((number, cause),) = made.starts.items()
    assert (made.blocks[number].ticks[0, 0], cause) == (END_US, "soft")
    made = deliver(injected("memory_bit", "report_ticks"), LAYOUT, (512, 4000))
    ((number, pokes),) = made.pokes.items()
    assert made.blocks[number].ticks[0, 0] == ONSET_US
    assert pokes == (Poke("image", LAYOUT.config["report_ticks"].at, 1),)


def test_what_the_board_says_goes_to_its_column() -> None:
    names = LAYOUT.rows["tick_in"]
    given = injected("supply_step", severity="5 V")
    ticks = np.concatenate([block.ticks for block in deliver(given, LAYOUT, (512, 4000)).blocks])
    inside = (ticks[:, 0] >= ONSET_US) & (ticks[:, 0] < END_US)
    assert set(ticks[inside, names.index("supply_mv")].tolist()) == {5000}
    assert set(ticks[~inside, names.index("supply_mv")].tolist()) == {NOMINAL_INPUTS["supply_mv"]}
    assert set(ticks[:, names.index("coil_permille_rear_left")].tolist()) == {1000}


def test_frames_past_the_ring_are_lost_and_counted() -> None:
    frames = stimulus().frames.select(slice(0, 50))
    crowd = Frames(np.full(50, 1500), frames.key, frames.length, frames.data)
    made = deliver(Stimulus(crowd, regular_ticks(PERIOD_US, 4000)), LAYOUT, (512, 40))
    (block,) = made.blocks
    assert block.ticks[:, :3].tolist() == [[0, 0, 0], [2000, 40, 10], [4000, 0, 0]]
    assert np.array_equal(block.frames[:, 1], frames.key[:40])


def test_the_clock_wraps_where_the_controllers_does() -> None:
    made = deliver(stimulus(), LAYOUT, (512, 4000), clock_us=(1 << 30) - ONSET_US)
    ticks = np.concatenate([block.ticks for block in made.blocks])
    assert ticks[0, 0] == (1 << 30) - ONSET_US
    assert ticks[ONSET_US // PERIOD_US, 0] == 0
    assert ticks[:, 0].min() == 0


def test_taking_a_tick_away_moves_what_came_before_it_to_the_next() -> None:
    ticks = regular_ticks(1, 4).with_starts({2: "soft", 9: "soft"})
    ticks = (
        ticks.with_poke(2, Poke("image", 7, 1))
        .with_poke(3, Poke("image", 8, 1))
        .with_poke(9, Poke("image", 9, 1))
    )
    assert ticks.starts == {2: "soft"}
    kept = ticks.select(np.array([True, True, False, True, True]))
    assert kept.starts == {2: "soft"}
    assert kept.pokes == {2: (Poke("image", 7, 1), Poke("image", 8, 1))}
    assert ticks.select(np.array([False, True, True, True, True])).starts == {1: "soft"}


def test_joining_keeps_the_order_of_the_parts() -> None:
    frames = stimulus().frames.select(slice(0, 4))
    both = join([frames, frames])
    assert np.array_equal(both.at_us, np.repeat(frames.at_us, 2))


def test_the_window_holds_what_the_tests_look_at() -> None:
    assert WINDOW_US > END_US + LATEST_US
