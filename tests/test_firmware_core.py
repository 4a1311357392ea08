"""Receiving, validity, modes, the output stages and the image, in the real interpreter."""

from __future__ import annotations

import struct
from collections.abc import Iterator

import crccheck.crc
import e2e
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashpot.targets import CLOCK_MASK, RunBlock, tick_rows
from firmware_fixtures import Firmware, checked_module
from images import (
    ALL_LAYERS,
    CORNERS,
    FIRST_ID,
    LAYOUT,
    PERIOD_US,
    ImageBuilder,
    block,
    column,
    direct_signal,
    layer,
    raw_block,
)
from test_firmware_laws import busy_image

ACTIVE, REDUCED, SAFE_HOLD = (LAYOUT.modes.index(name) for name in ("active", "reduced", "safe_hold"))
START = LAYOUT.modes.index("start")


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def fault(trace: np.ndarray, name: str) -> np.ndarray:
    return column(trace, "faults") >> LAYOUT.faults.index(name) & 1


def one_message(**fields: int) -> ImageBuilder:
    """One message of 8 bytes that carries the lateral acceleration in bytes 4 to 7."""
    signal = direct_signal(LAYOUT, "lateral_mg") | {"first": 7, "low_first": 5}
    return ImageBuilder().clear_messages().message([signal], key=0x123, **fields)


def feed(firmware: Firmware, image: ImageBuilder, payloads: list[bytes], key: int = 0x123) -> np.ndarray:
    """Run one tick for each payload."""
    blocks = [raw_block([(key, payload)], now_us=PERIOD_US * (i + 1)) for i, payload in enumerate(payloads)]
    return firmware.run(image.build(), blocks)


def accepted(trace: np.ndarray) -> list[bool]:
    """Which ticks took their frame."""
    return (np.diff(column(trace, "frames_used"), prepend=0) > 0).tolist()


# --- receiving ------------------------------------------------------------------------------------------------------


def test_frames_of_other_ids_count_as_unknown_and_standard_and_extended_ids_differ(
    firmware: Firmware,
) -> None:
    frames = [
        (0x123, bytes(8)),
        (0x124, bytes(8)),
        (0x20000000 | 0x123, bytes(8)),
        (0x1FFFFFFF | 0x20000000, b""),
    ]
    trace = firmware.run(one_message().build(), raw_block(frames, now_us=PERIOD_US))
    assert column(trace, "frames_used")[-1] == 1
    assert column(trace, "frames_unknown")[-1] == 3
    assert column(trace, "frames_bad")[-1] == 0


def test_an_id_past_the_last_message_is_not_looked_up_in_what_follows(firmware: Firmware) -> None:
    # Behind the message rows lie the signal rows, whose first word is a channel's number.
    channel = LAYOUT.channel_index("steer_ddeg")
    image = ImageBuilder().clear_messages().message([direct_signal(LAYOUT, "steer_ddeg")], key=1)
    trace = firmware.run(image.build(), raw_block([(channel, bytes(8))], now_us=PERIOD_US))
    assert column(trace, "frames_unknown")[-1] == 1
    assert column(trace, "frames_used")[-1] == 0


def test_a_short_frame_is_refused_and_a_long_enough_one_taken(firmware: Firmware) -> None:
    trace = feed(firmware, one_message(length=8), [bytes(7), bytes(8), b""])
    assert accepted(trace) == [False, True, False]
    assert column(trace, "frames_bad").tolist() == [1, 1, 2]
    assert fault(trace, "frame_bad").tolist() == [1, 0, 1]


def test_j1850_equals_crccheck(firmware: Firmware) -> None:
    # SAE J1850 [S]: check value of "123456789" is 0x4B.
    assert crccheck.crc.Crc8SaeJ1850.calc(b"123456789") == 0x4B
    rng = np.random.default_rng(5)
    kind = LAYOUT.crc_kinds.index("j1850")
    for crc_byte in (0, 3, 7):
        good, bad = [], []
        for _ in range(100):
            data = rng.bytes(7)
            crc = crccheck.crc.Crc8SaeJ1850.calc(data)
            good.append(data[:crc_byte] + bytes([crc]) + data[crc_byte:])
            flipped = bytearray(good[-1])
            flipped[rng.integers(8)] ^= 1 << rng.integers(8)
            bad.append(bytes(flipped))
        image = one_message(crc_kind=kind, crc_byte=crc_byte)
        assert all(accepted(feed(firmware, image, good)))
        assert not any(accepted(feed(firmware, image, bad)))


def test_crc8h2f_equals_crccheck(firmware: Firmware) -> None:
    # AUTOSAR CRC8H2F [S]: check value of "123456789" is 0xDF.
    assert crccheck.crc.Crc8Autosar.calc(b"123456789") == 0xDF
    rng = np.random.default_rng(6)
    payloads = [
        bytes([crccheck.crc.Crc8Autosar.calc(data), *data]) for data in (rng.bytes(7) for _ in range(100))
    ]
    image = one_message(crc_kind=LAYOUT.crc_kinds.index("h2f"), crc_table=256)
    assert all(accepted(feed(firmware, image, payloads)))
    assert not any(accepted(feed(firmware, image, [bytes([p[0] ^ 1]) + p[1:] for p in payloads])))


def test_end_to_end_profile_1_equals_autosar_e2e(firmware: Firmware) -> None:
    # AUTOSAR E2E profile 1 [S]; the library autosar-e2e protects. Data id 0x123, 8 bytes of zero begin CC 00, 91 01.
    image = one_message(
        crc_kind=LAYOUT.crc_kinds.index("e2e_p1"), crc_init=0, crc_xor=0, data_id=0x123, counter_modulo=15,
        counter_byte=1, counter_mask=0xF, counter_max_delta=1,
    )  # fmt: skip
    rng = np.random.default_rng(8)
    payloads = []
    data = bytearray(8)
    for i in range(40):
        data[2:] = bytes(6) if i < 2 else rng.bytes(6)
        e2e.p01.e2e_p01_protect(data, 0x123, increment_counter=i > 0)
        payloads.append(bytes(data))
    assert payloads[0][:3].hex() == "cc0000"
    assert payloads[1][:3].hex() == "910100"
    assert all(accepted(feed(firmware, image, payloads)))
    plain = bytearray(payloads[0])
    plain[0] = crccheck.crc.Crc8SaeJ1850.calc(bytes([0x23, 0x01]) + bytes(payloads[0][1:]))
    assert plain[0] == 0xB0
    assert accepted(feed(firmware, image, [bytes(plain)])) == [False], "the plain J1850 start value must fail"
    other = one_message(
        crc_kind=LAYOUT.crc_kinds.index("e2e_p1"), crc_init=0, crc_xor=0, data_id=0x124, counter_modulo=15,
        counter_byte=1, counter_mask=0xF, counter_max_delta=1,
    )  # fmt: skip
    assert not any(accepted(feed(firmware, other, payloads)))


def test_end_to_end_profile_2_equals_autosar_e2e(firmware: Firmware) -> None:
    # AUTOSAR E2E profile 2 [S]; ids 0-15 and data 00..07 give BC 02 02 03 04 05 06 07.
    ids = bytes(range(16))
    image = one_message(
        crc_kind=LAYOUT.crc_kinds.index("e2e_p2"), crc_table=256, counter_modulo=16, counter_byte=1, counter_mask=0xF,
        counter_max_delta=1,
    )  # fmt: skip
    image.messages[0]["data_ids"] = image.append(list(ids))
    payloads = []
    data = bytearray(range(8))
    for i in range(40):
        data[2:] = bytes([2, 3, 4, 5, 6, 7]) if i == 0 else np.random.default_rng(i).bytes(6)
        data[1] = data[1] & 0xF0 | (1 if i == 0 else data[1] & 0xF)
        e2e.p02.e2e_p02_protect(data, ids, increment_counter=True)
        payloads.append(bytes(data))
    assert payloads[0].hex() == "bc02020304050607"
    assert all(accepted(feed(firmware, image, payloads)))
    shifted = one_message(
        crc_kind=LAYOUT.crc_kinds.index("e2e_p2"), crc_table=256, counter_modulo=16, counter_byte=1, counter_mask=0xF,
        counter_max_delta=1,
    )  # fmt: skip
    shifted.messages[0]["data_ids"] = shifted.append([*ids[1:], ids[0]])
    assert not any(accepted(feed(firmware, shifted, payloads)))


def test_alive_counter_takes_small_losses_and_refuses_repeats_and_jumps(firmware: Firmware) -> None:
    # Delta 0 repeated, 1 good, 2..max good with loss, above that a wrong sequence, from which counting goes on [S].
    image = one_message(
        counter_modulo=16, counter_byte=2, counter_shift=4, counter_mask=0xF, counter_max_delta=3
    )
    counters = [5, 6, 6, 7, 10, 14, 15, 0, 0, 2, 7, 8, 7, 8, 5, 6, 4]
    payloads = [bytes([0, 0, c << 4 | 0xA, 0, 0, 0, 0, 0]) for c in counters]
    got = accepted(feed(firmware, image, payloads))
    assert got == [
        True,
        True,
        False,
        True,
        True,
        False,
        True,
        True,
        False,
        True,
        False,
        True,
        *[False, True] * 2,
        False,
    ]


def test_a_counter_past_its_end_is_refused(firmware: Firmware) -> None:
    # End-to-end profile 1 counts 0 to 14 in four bits; 15 is no count [S].
    image = one_message(counter_modulo=15, counter_byte=0, counter_mask=0xF, counter_max_delta=14)
    got = accepted(feed(firmware, image, [bytes([0xA0 | c, *[0] * 7]) for c in (13, 14, 15, 0, 15, 1)]))
    assert got == [True, True, False, True, False, True]


def test_a_bad_checksum_does_not_move_the_counter(firmware: Firmware) -> None:
    kind = LAYOUT.crc_kinds.index("j1850")
    image = one_message(crc_kind=kind, crc_byte=0, counter_modulo=16, counter_byte=1, counter_mask=0xF)

    def frame(counter: int, *, good: bool = True) -> bytes:
        body = bytes([counter, 0, 0, 0, 0, 0, 0])
        return bytes([crccheck.crc.Crc8SaeJ1850.calc(body) ^ (not good)]) + body

    got = accepted(feed(firmware, image, [frame(1), frame(9, good=False), frame(2)]))
    assert got == [True, False, True]


def test_invalid_codes_and_values_out_of_range_do_not_update(firmware: Firmware) -> None:
    signal = direct_signal(LAYOUT, "lateral_mg") | {
        "has_invalid": 1, "invalid": -1, "clip_low": -2001, "clip_high": 2001, "range_low": -2000, "range_high": 2000,
    }  # fmt: skip
    image = ImageBuilder().clear_messages().message([signal], key=0x123)
    values = [7, -1, 2000, 2001, -2000, -2001, 2**31 - 1, -(2**31), 9]
    trace = feed(firmware, image, [struct.pack("<iI", value, 0) for value in values])
    lateral = column(trace, "channel")[:, LAYOUT.channel_index("lateral_mg")]
    assert lateral.tolist() == [7, 7, 2000, 2000, -2000, -2000, -2000, -2000, 9]
    assert column(trace, "signals_bad").tolist() == [0, 1, 1, 2, 2, 3, 4, 5, 5]
    assert fault(trace, "signal_bad").tolist() == [0, 1, 0, 1, 0, 1, 1, 1, 0]


def test_a_multiplexed_signal_updates_only_with_its_value(firmware: Firmware) -> None:
    base = direct_signal(LAYOUT, "lateral_mg") | {"first": 7, "low_first": 5}
    other = base | {"channel": LAYOUT.channel_index("longitudinal_mg")}
    mux = {"mux_count": 2, "mux_first": 0, "mux_step": 1, "mux_shift": 4, "mux_mask": 0xFF}
    image = ImageBuilder().clear_messages()
    image.message([base | {"mux_value": 0xAB}, other | {"mux_value": 3}], key=0x123, **mux)
    payloads = [
        bytes([first, second, 0, 0]) + struct.pack("<i", value)
        for first, second, value in [(0x0A, 0xB0, 11), (0x00, 0x3F, 22), (0x0A, 0xC0, 33), (0xFA, 0xBF, 44)]
    ]
    channels = column(feed(firmware, image, payloads), "channel")
    assert channels[:, 0].tolist() == [11, 11, 11, 44]
    assert channels[:, 1].tolist() == [0, 22, 22, 22]


def test_a_signal_of_multiplexer_value_0_is_not_one_for_all(firmware: Firmware) -> None:
    signal = direct_signal(LAYOUT, "lateral_mg") | {"first": 7, "low_first": 5, "mux_value": 0}
    mux = {"mux_count": 1, "mux_first": 0, "mux_step": 1, "mux_mask": 3}
    image = ImageBuilder().clear_messages().message([signal], key=0x123, **mux)
    payloads = [bytes([choice, 0, 0, 0]) + struct.pack("<i", choice + 7) for choice in (0, 1, 2, 3, 4)]
    assert column(feed(firmware, image, payloads), "channel")[:, 0].tolist() == [7, 7, 7, 7, 11]


def test_frames_lost_before_the_ring_are_a_fault_of_that_tick(firmware: Firmware) -> None:
    ticks = block({"lateral_mg": [1, 2, 3]})
    ticks.ticks[1, 2] = 5
    trace = firmware.run(ImageBuilder().build(), ticks)
    assert fault(trace, "ring_overflow").tolist() == [0, 1, 0]


# --- time -----------------------------------------------------------------------------------------------------------


def random_values(ticks: int, seed: int = 1) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    values = {}
    for channel in LAYOUT.channels:
        steps = rng.normal(0, channel.limit / 40, ticks).cumsum()
        values[channel.name] = np.clip(steps, -channel.limit, channel.limit).astype(int)
    return values


@pytest.mark.parametrize("before_wrap_us", [PERIOD_US + 1, 2 * PERIOD_US, 400 * PERIOD_US + 123])
def test_the_clock_may_wrap(firmware: Firmware, before_wrap_us: int) -> None:
    # The wrap falls on a tick, between a frame and its tick, and in between.
    image = busy_image(*ALL_LAYERS).build()
    values = random_values(1000)
    plain = firmware.run(image, block(values))
    wrapping = firmware.run(image, block(values, start_us=2**30 - before_wrap_us))
    assert (np.diff(column(wrapping, "now_us")) < 0).sum() == (before_wrap_us > PERIOD_US)
    begin = LAYOUT.state["dt_us"].at
    assert np.array_equal(plain[:, begin:], wrapping[:, begin:])


def test_a_channel_unheard_for_longer_than_the_clock_stays_lost(firmware: Firmware) -> None:
    # 2**30 us are 17.9 minutes; a silent bus for 20 must not look young again.
    image = ImageBuilder().put("period_us", 10_000)
    first = block({"lateral_mg": 500}, period_us=10_000)
    silent = block({}, ticks=120_000, period_us=10_000, first_tick=1)
    trace = firmware.run(image.build(), [first, silent])
    lost = column(trace, "channels_lost") & 1
    assert not lost[:10].any()
    assert lost[12:].all()


@pytest.mark.parametrize("period_us", [1000, 2000, 5000, 10000])
def test_late_ticks_are_a_fault_from_one_and_a_half_periods(firmware: Firmware, period_us: int) -> None:
    ticks = block({"lateral_mg": [0] * 6}, period_us=period_us)
    ticks.ticks[3:, 0] += period_us // 2
    ticks.ticks[5:, 0] += period_us // 2 + 1
    trace = firmware.run(ImageBuilder().put("period_us", period_us).build(), ticks)
    assert fault(trace, "late_tick").tolist() == [0, 0, 0, 0, 0, 1]


# --- validity and modes ---------------------------------------------------------------------------------------------


def test_start_waits_for_required_channels_and_for_their_good_values(firmware: Firmware) -> None:
    image = (
        ImageBuilder()
        .channel("lateral_mg", required=1, heal_good=4)
        .table("base_table", [0, 1], [1000, 1000])
    )
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    without = {name: value for name, value in everything.items() if name != "lateral_mg"}
    trace = firmware.run(
        image.build(), [block(without, ticks=50), block(everything, ticks=10, first_tick=50)]
    )
    mode = column(trace, "mode")
    assert (mode[:53] == START).all()
    assert (mode[53:] == ACTIVE).all()
    assert (column(trace, "current_ma")[:53] == 800).all(), "the safe current until then"
    assert column(trace, "current_ma")[-1].tolist() == [1600] * 4


def test_a_lost_required_channel_ends_in_the_safe_current_and_comes_back(firmware: Firmware) -> None:
    image = ImageBuilder().channel("lateral_mg", required=1, timeout_us=30_000, heal_good=10)
    image.table("base_table", [0, 1], [1000, 1000]).put("leave_q10", 64).put("return_q10", 4)
    image.fill("slew_up_ma", 100).fill("slew_down_ma", 100)
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    without = {name: value for name, value in everything.items() if name != "lateral_mg"}
    trace = firmware.run(
        image.build(),
        [
            block(everything, ticks=400),
            block(without, ticks=100, first_tick=400),
            block(everything, ticks=400, first_tick=500),
        ],
    )
    mode, current = column(trace, "mode"), column(trace, "current_ma")[:, 0]
    assert (mode[20:400] == ACTIVE).all()
    # The frame was 300 us old at its tick: 300 + 15 x 2000 > 30 000 in the fifteenth tick without it [X].
    first = 400 + int(np.argmax(mode[400:500] == SAFE_HOLD))
    assert first == 400 + 14
    assert (mode[first:500] == SAFE_HOLD).all()
    assert (current[first + 16 : 500] == 800).all(), "1024/64 ticks later the current is the safe one"
    assert (mode[500:509] == SAFE_HOLD).all(), "ten good values"
    assert (mode[509:] == ACTIVE).all()
    assert current[510] < 810, "the way back takes 1024/4 ticks"
    assert current[509 + 256] == 1600
    assert (np.diff(current[509:]) >= 0).all()


def test_a_lost_channel_fades_to_its_default_and_reduces(firmware: Firmware) -> None:
    image = ImageBuilder().channel("road_speed_cm_s", default=5000, timeout_us=20_000)
    image.layers("road_speed").table("road_speed_table", [0, 6000], [0, 600]).put("fade_q10", 64)
    image.put("recover_q10", 128)
    everything = {channel.name: 1000 for channel in LAYOUT.channels if channel.name != "grip_switch"}
    everything |= {"grip_switch": 0, "driver_switch": 0}
    without = {name: value for name, value in everything.items() if name != "road_speed_cm_s"}
    trace = firmware.run(
        image.build(),
        [block(everything, ticks=50), block(without, ticks=60, first_tick=50)],
    )
    mode = column(trace, "mode")
    assert mode[49] == ACTIVE
    assert (mode[62:] == REDUCED).all()
    speed = column(trace, "channel")[:, LAYOUT.channel_index("road_speed_cm_s")]
    assert speed[49] == 1000
    assert speed[-1] == 5000
    assert np.diff(speed).max() <= 4000 * 64 // 1024 + 1
    assert layer(trace, "road_speed")[-1, 0] == 500


def test_layers_fade_with_the_trust_in_their_channel(firmware: Firmware) -> None:
    image = busy_image("body_load").put("fade_q10", 32).channel("lateral_mg", timeout_us=20_000)
    both = {"lateral_mg": 1500, "longitudinal_mg": 1500}
    trace = firmware.run(
        image.build(), [block(both, ticks=20), block({"longitudinal_mg": 1500}, ticks=60, first_tick=20)]
    )
    share = layer(trace, "body_load")[:, 3]
    assert share[19] != 0
    assert share[-1] == 0
    assert np.abs(np.diff(share)).max() <= abs(int(share[19])) * 3 * 32 // 1024 + 2


# --- output ---------------------------------------------------------------------------------------------------------


def test_slew_is_apart_up_and_down_and_for_each_corner(firmware: Firmware) -> None:
    image = ImageBuilder().table("base_table", [0, 1], [0, 1000])
    image.put("slew_up_ma", 10, 20, 40, 80).put("slew_down_ma", 15, 30, 60, 120)
    switch = [0] * 150 + [1] * 150
    trace = firmware.run(image.build(), block({"driver_switch": switch}))
    assert column(trace, "guard_acts")[-1] == 0, "the limiter keeps the slew itself, not the guard behind it"
    current = column(trace, "current_ma")
    steps = np.diff(current, axis=0)
    assert steps.max(axis=0).tolist() == [10, 20, 40, 80]
    assert steps.min(axis=0).tolist() == [-15, -30, -60, -120]
    assert current[149].tolist() == [300] * 4
    assert current[-1].tolist() == [1600] * 4


def test_the_guard_holds_a_valve_curve_that_leaves_the_limits(firmware: Firmware) -> None:
    # The packer refuses such a curve; the guard must not rely on it.
    image = (
        ImageBuilder().table("valve_table", [0, 1000], [-500, 4000]).table("base_table", [0, 1], [0, 1000])
    )
    trace = firmware.run(image.build(), block({"driver_switch": [0] * 20 + [1] * 20}))
    assert column(trace, "current_ma").min() == 300
    assert column(trace, "current_ma").max() == 1600
    assert fault(trace, "guard_range").any()
    assert column(trace, "guard_acts")[-1] > 0


any_bytes = st.one_of(
    st.sampled_from([bytes(8), b"\xff" * 8, b"\x00\x80" * 4, b"\xff\x7f" * 4, b"\x80" + bytes(7)]),
    st.binary(min_size=0, max_size=8),
)
any_key = st.one_of(
    st.integers(FIRST_ID - 1, FIRST_ID + len(LAYOUT.channels)),
    st.sampled_from([0, 0x7FF, 0x20000000, 0x3FFFFFFF]),
)
any_gap_us = st.one_of(
    st.sampled_from([0, 1, 1999, 2000, 3001, 10_000, 2**29 - 1, 2**29, 2**30 - 1]), st.integers(0, 9999)
)
any_tick = st.tuples(any_gap_us, st.lists(st.tuples(any_key, any_bytes, any_gap_us), max_size=12))


def random_block(ticks: list[tuple[int, list[tuple[int, bytes, int]]]], start_us: int) -> RunBlock:
    now = start_us
    frames, log = [], []
    for gap_us, received in ticks:
        now += gap_us
        log.append(now)
        for key, payload, age_us in received:
            words = np.frombuffer(payload.ljust(8, b"\0"), "<i4")
            frames.append(((now - age_us) & CLOCK_MASK, key, len(payload), *words))
    log_us = np.array(log, np.int64)
    rows = tick_rows(LAYOUT.rows["tick_in"], log_us & CLOCK_MASK, [len(received) for _, received in ticks])
    return RunBlock(0, rows, np.array(frames, np.int32).reshape(-1, 5), log_us)


def check_invariants(trace: np.ndarray, image: ImageBuilder) -> None:
    """What must hold whatever the bus says."""

    def words(name: str) -> np.ndarray:
        word = LAYOUT.config[name]
        return np.array(image.words[word.at : word.at + word.count])

    current = column(trace, "current_ma")
    assert (current >= words("least_ma")).all()
    assert (current <= words("most_ma")).all()
    steps = np.diff(current, axis=0, prepend=words("safe_ma")[None, :])
    assert (steps <= words("slew_up_ma")).all()
    assert (steps >= -words("slew_down_ma")).all()
    layers = sum(layer(trace, name) for name in LAYOUT.layers)
    assert np.array_equal(layers, column(trace, "demand_permille"))
    demand = column(trace, "demand_permille")
    assert (demand >= words("demand_min_permille")).all()
    assert (demand <= words("demand_max_permille")).all()
    acts = np.diff(column(trace, "guard_acts"), prepend=0) > 0
    stale = column(trace, "faults") >> LAYOUT.faults.index("command_stale") & 1
    assert not (acts & (stale == 0)).any(), "the stages before the guard keep the limits themselves"


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    ticks=st.lists(any_tick, min_size=1, max_size=40), start_us=st.sampled_from([0, 2**29 - 1, 2**30 - 4001])
)
def test_limits_slew_and_sums_hold_for_any_frames_at_any_times(
    firmware: Firmware, ticks: list[tuple[int, list[tuple[int, bytes, int]]]], start_us: int
) -> None:
    image = busy_image(*ALL_LAYERS).fill("slew_up_ma", 90).fill("slew_down_ma", 130)
    image.put("demand_min_permille", 50, 0, 100, 0).put("demand_max_permille", 900, 1000, 800, 1000)
    check_invariants(firmware.run(image.build(), random_block(ticks, start_us)), image)


def test_limits_hold_on_a_long_random_walk_of_every_channel(firmware: Firmware) -> None:
    image = busy_image(*ALL_LAYERS).fill("slew_up_ma", 90).fill("slew_down_ma", 130)
    for seed in range(3):
        check_invariants(firmware.run(image.build(), block(random_values(5000, seed))), image)


# --- memory ---------------------------------------------------------------------------------------------------------


def test_nothing_is_allocated_on_the_worst_input() -> None:
    # The host board runs every tick under heap lock; gross bytes also see what is freed again.
    running = Firmware("host")
    image = busy_image(*ALL_LAYERS).put("report_ticks", 1)
    rng = np.random.default_rng(2)
    burst = 100
    ticks = 400
    for _ in range(3):
        frames = np.zeros((ticks * burst, 5), np.int32)
        frames[:, 1] = rng.integers(FIRST_ID - 2, FIRST_ID + len(LAYOUT.channels) + 2, len(frames))
        frames[:, 2] = rng.integers(0, 9, len(frames))
        frames[:, 3:] = rng.integers(-(2**31), 2**31, (len(frames), 2))
        rows = tick_rows(LAYOUT.rows["tick_in"], rng.integers(0, 2**30, ticks), burst)
        rows[:, 2] = rng.integers(0, 2, ticks)
        rows[:, 3] = rng.integers(0, 2**15, ticks)
        rows[:, 4] = rng.integers(0, 2**7, ticks)
        rows[:, 5:] = rng.integers(0, 2**16, (ticks, 4))
        running.run(image.build(), RunBlock(0, rows, frames, np.zeros(ticks, np.int64)))
    assert running.alloc_kept_bytes == 0
    assert running.alloc_gross_bytes == 0
    running.target.close()


def test_corners_are_named_in_the_usual_order() -> None:
    assert CORNERS == ("front_left", "front_right", "rear_left", "rear_right")


def test_lost_channels_are_faults_of_every_tick_without_them(firmware: Firmware) -> None:
    image = (
        ImageBuilder()
        .channel("lateral_mg", required=1, timeout_us=20_000)
        .channel("supply_mv", timeout_us=40_000)
    )
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    both = {"lateral_mg", "supply_mv"}
    without = {name: value for name, value in everything.items() if name not in both}
    trace = firmware.run(
        image.build(), [block(everything, ticks=50), block(without, ticks=30, first_tick=50)]
    )
    # 300 us old at its tick, then 2000 more with each: past 20 and 40 ms in the tenth and the twentieth [X].
    assert not column(trace, "channels_lost")[:59].any()
    assert (column(trace, "channels_lost")[59:69] == 1).all()
    assert (column(trace, "channels_lost")[69:] == 1 | 1 << LAYOUT.channel_index("supply_mv")).all()
    assert np.flatnonzero(fault(trace, "required_lost")).tolist() == list(range(59, 80))
    assert np.flatnonzero(fault(trace, "channel_lost")).tolist() == list(range(59, 80))


def test_a_channel_that_the_vehicle_lacks_is_no_loss(firmware: Firmware) -> None:
    image = ImageBuilder().channel("supply_mv", configured=0).channel("vertical_mg", configured=0, required=1)
    everything = {
        channel.name: 0 for channel in LAYOUT.channels if channel.name not in {"supply_mv", "vertical_mg"}
    }
    trace = firmware.run(image.build(), block(everything, ticks=20))
    assert not column(trace, "channels_lost").any()
    assert not column(trace, "faults").any()
    assert column(trace, "mode")[-1] == ACTIVE


class Core:
    """A controller in checked CPython, whose words a test may set."""

    def __init__(self, image: ImageBuilder) -> None:
        core = checked_module("dashpot.core")
        self.controller = core.load(image.build(), core.make_ring(64), core.make_ring(64))
        self.state = self.controller.state
        self.now_us = 0

    def __getitem__(self, name: str) -> int:
        name, _, item = name.partition(".")
        return int(self.state[LAYOUT.state[name].at + (int(item) if item else 0)])

    def __setitem__(self, name: str, value: int) -> None:
        name, _, item = name.partition(".")
        self.state[LAYOUT.state[name].at + (int(item) if item else 0)] = value

    def tick(self) -> None:
        self.now_us += PERIOD_US
        self.controller.tick(self.now_us)


def test_ticks_are_counted_up_to_their_end() -> None:
    core = Core(ImageBuilder())
    for expected in (1, 2, 3):
        core.tick()
        assert core["ticks"] == expected
    core["ticks"] = 2**30 - 2
    for _ in range(3):
        core.tick()
        assert core["ticks"] == 2**30 - 1


def test_ages_and_runs_stop_at_their_end() -> None:
    core = Core(ImageBuilder())
    for _ in range(3):
        core.tick()
        assert core["age_us.0"] == 2**28
    core["age_us.0"] = 2**28 - 1
    core.tick()
    assert core["age_us.0"] == 2**28


@pytest.mark.parametrize(("asked", "last", "given", "acts"), [
    (800, 800, 800, 0), (1600, 1500, 1600, 0), (1601, 1600, 1600, 1), (300, 350, 300, 0), (299, 300, 300, 1),
    (950, 800, 900, 1), (900, 800, 900, 0), (600, 800, 650, 1), (650, 800, 650, 0), (32767, 1550, 1600, 1),
    (-32768, 400, 300, 1),
])  # fmt: skip
def test_the_guard_knows_only_limits_slew_and_its_last_current(
    asked: int, last: int, given: int, acts: int
) -> None:
    image = ImageBuilder().fill("slew_up_ma", 100).fill("slew_down_ma", 150)
    core = Core(image)
    output = checked_module("dashpot.output")
    for corner in range(4):
        core[f"current_ma.{corner}"], core[f"guarded_ma.{corner}"] = 700, 700
    core["current_ma.2"], core["guarded_ma.2"] = asked, last
    output.guard(core.controller.image, core.state, core.controller.limits)
    assert [core[f"current_ma.{corner}"] for corner in range(4)] == [700, 700, given, 700]
    assert core["guarded_ma.2"] == given
    assert core["guard_acts"] == acts
    ranged = asked > 1600 or asked < 300
    reached = min(max(asked, 300), 1600)
    raced = reached > last + 100 or reached < last - 150
    assert core["faults"] == ranged << LAYOUT.faults.index("guard_range") | raced << LAYOUT.faults.index(
        "guard_rate"
    )
    assert core["faults_seen"] == core["faults"]


@pytest.mark.parametrize(("timeout_us", "held"), [(20_299, 9), (20_300, 10), (20_301, 10), (0, 0)])
def test_a_channel_is_lost_once_it_is_older_than_its_timeout_and_not_before(
    firmware: Firmware, timeout_us: int, held: int
) -> None:
    # A frame is 300 us old at its tick and 2000 us older at each that follows.
    image = ImageBuilder().channel("lateral_mg", timeout_us=timeout_us)
    heard, unheard = block({"lateral_mg": 5}, ticks=1), block({}, ticks=20, first_tick=1)
    trace = firmware.run(image.build(), [heard, unheard])
    lost = column(trace, "channels_lost") & 1
    assert (1 + held if timeout_us else 0) == int(np.argmax(lost))
    assert lost[-1] == 1


def test_the_target_is_the_safe_current_until_the_laws_have_authority(firmware: Firmware) -> None:
    image = (
        ImageBuilder()
        .channel("lateral_mg", required=1, heal_good=3)
        .table("base_table", [0, 1], [1000, 1000])
    )
    image.put("safe_ma", 700, 710, 720, 730).put("return_q10", 256)
    trace = firmware.run(image.build(), block({channel.name: [0] * 8 for channel in LAYOUT.channels}))
    assert column(trace, "mode").tolist() == [START] * 2 + [ACTIVE] * 6
    assert column(trace, "authority_q10").tolist() == [0, 0, 256, 512, 768, 1024, 1024, 1024]
    target = column(trace, "target_ma")
    assert target[1].tolist() == [700, 710, 720, 730]
    assert target[2].tolist() == [925, 933, 940, 948]
    assert target[-1].tolist() == [1600] * 4


def test_authority_mixes_to_the_nearest_milliampere(firmware: Firmware) -> None:
    image = (
        ImageBuilder()
        .table("base_table", [0, 1], [1000, 1000])
        .put("return_q10", 1)
        .channel("lateral_mg", required=1)
    )
    image.put("safe_ma", 301, 800, 1300, 1599).fill("least_ma", 300).fill("derate_ma", 1600)
    trace = firmware.run(image.build(), block({channel.name: [0] * 1030 for channel in LAYOUT.channels}))
    share = column(trace, "authority_q10") / 1024
    assert share[0] == 1 / 1024
    assert share[-1] == 1
    safe = np.array([301, 800, 1300, 1599])
    exact = safe + (1600 - safe) * share[:, None]
    assert np.array_equal(column(trace, "target_ma"), np.floor(exact + 0.5))


def put_frame(core: Core, key: int, stamp_us: int, payload: bytes) -> None:
    """Put one frame into the ring of a controller in checked CPython."""
    ring = core.controller.ring
    at = LAYOUT.sizes["ring"] + (ring[0] & 63) * LAYOUT.sizes["frame"]
    low, high = struct.unpack("<2i", payload.ljust(8, b"\0"))
    for i, word in enumerate((stamp_us & CLOCK_MASK, key, len(payload), low, high)):
        ring[at + i] = word
    ring[0] += 1


@pytest.mark.parametrize(
    ("before_us", "age_us"),
    [(0, 0), (1, 1), (1999, 1999), (-1, 0), (-5000, 0), (2**29 - 1, 2**28), (2**28, 2**28), (2**28 - 1, 2**28 - 1), (2**29, 0)],
)  # fmt: skip
def test_a_values_age_is_what_its_frames_stamp_says(before_us: int, age_us: int) -> None:
    # A stamp after the tick, or half the clock's span before it, is one from the future: age 0.
    core = Core(ImageBuilder())
    put_frame(core, FIRST_ID, PERIOD_US - before_us, bytes(8))
    core.tick()
    assert core["age_us.0"] == age_us


def test_each_message_tallies_its_good_and_its_bad_frames() -> None:
    core = Core(ImageBuilder())
    for key, payloads in {
        FIRST_ID: [bytes(8)] * 3,
        FIRST_ID + 2: [bytes(8), bytes(7), b"", bytes(8), bytes(3)],
    }.items():
        for payload in payloads:
            put_frame(core, key, 0, payload)
    core.tick()
    width = LAYOUT.sizes["received"]
    tallies = [tuple(core.controller.received[i * width : i * width + 2]) for i in range(4)]
    assert tallies == [(3, 0), (0, 0), (2, 3), (0, 0)]
    core.controller.received[0] = 2**30 - 1
    core.controller.received[2 * width + 1] = 2**30 - 1
    core["frames_used"] = core["frames_bad"] = core["frames_unknown"] = core["signals_bad"] = 2**30 - 1
    signal = struct.pack("<iI", 16001, 0)
    for key, payload in [(FIRST_ID, bytes(8)), (FIRST_ID + 2, b""), (1, b""), (FIRST_ID + 1, signal)]:
        put_frame(core, key, 0, payload)
    core.tick()
    assert core.controller.received[0] == 0, "counts go round at 2**30"
    assert core.controller.received[2 * width + 1] == 0
    assert (core["frames_used"], core["frames_bad"], core["frames_unknown"], core["signals_bad"]) == (
        1,
        0,
        0,
        0,
    )


def test_good_values_count_in_a_row_only(firmware: Firmware) -> None:
    image = ImageBuilder().channel("lateral_mg", heal_good=3)
    at = LAYOUT.channel_index("lateral_mg")
    good, bad = 7, 16001
    trace = firmware.run(
        image.build(), block({"lateral_mg": [good, good, bad] * 5 + [good, good, good, bad, good]})
    )
    value = column(trace, "channel")[:, at]
    assert value.tolist() == [0] * 17 + [7] * 3, (
        "two of three are never three in a row; one bad value is no loss"
    )
