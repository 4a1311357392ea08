"""What only a mutant showed to be unchecked; tools/mutate.py says which of them each test notices."""

from __future__ import annotations

import struct
from collections.abc import Iterator
from pathlib import Path

import crccheck.crc
import numpy as np
import pytest

from dashpot import checked
from dashpot.errors import InputError
from firmware_fixtures import Firmware
from images import (
    CORNERS,
    FIRMWARE,
    FIRST_ID,
    LAYOUT,
    PERIOD_US,
    ImageBuilder,
    block,
    column,
    direct_signal,
    raw_block,
    sealed,
)
from test_firmware_core import Core, put_frame

KEY = 0x123
# The firmware's code for an image with a word that a stage cannot rely on.
CONTENT = 6
STROKE = "stroke_um.front_left"
AT = LAYOUT.channel_index(STROKE)
CHECKS = [check.name for check in LAYOUT.checks]


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def one_message(signal: dict[str, int], **fields: int) -> ImageBuilder:
    return ImageBuilder().clear_messages().message([signal], key=KEY, **fields)


def feed(firmware: Firmware, image: ImageBuilder, payloads: list[bytes]) -> np.ndarray:
    """Run one tick for each payload."""
    blocks = [raw_block([(KEY, data)], now_us=PERIOD_US * (i + 1)) for i, data in enumerate(payloads)]
    return firmware.run(image.build(), blocks)


def lateral(trace: np.ndarray) -> list[int]:
    values: list[int] = column(trace, "channel")[:, LAYOUT.channel_index("lateral_mg")].tolist()
    return values


def accepted(trace: np.ndarray) -> list[bool]:
    taken: list[bool] = (np.diff(column(trace, "frames_used"), prepend=0) > 0).tolist()
    return taken


def test_a_multiplexer_inside_the_payload_is_read_from_its_own_bytes(firmware: Firmware) -> None:
    # Bytes 2 and 3, 12 bits from the fifth on; everything around it is set.
    signal = direct_signal(LAYOUT, "lateral_mg") | {"first": 7, "low_first": 5, "mux_value": 0x5A3}
    mux = {"mux_count": 2, "mux_first": 2, "mux_step": 1, "mux_shift": 4, "mux_mask": 0xFFF}
    payloads = [
        bytes([0xFF, 0xFF, *choice]) + struct.pack("<i", value)
        for choice, value in [((0x5A, 0x3F), 1), ((0x5A, 0x4F), 2), ((0x5A, 0x30), 3), ((0xDA, 0x3F), 4)]
    ]
    assert lateral(feed(firmware, one_message(signal, **mux), payloads)) == [1, 1, 3, 3]


def test_a_message_without_a_multiplexer_has_none_but_the_value_0(firmware: Firmware) -> None:
    for wanted, got in [(1, [0, 0]), (0, [5, 6])]:
        signal = direct_signal(LAYOUT, "lateral_mg") | {"mux_value": wanted}
        payloads = [struct.pack("<iI", value, 0) for value in (5, 6)]
        assert lateral(feed(firmware, one_message(signal), payloads)) == got


def test_a_repeated_counter_is_refused_even_where_any_jump_is_allowed(firmware: Firmware) -> None:
    image = one_message(
        direct_signal(LAYOUT, "lateral_mg"),
        counter_modulo=15, counter_byte=7, counter_mask=0xF, counter_max_delta=15,
    )  # fmt: skip
    got = accepted(feed(firmware, image, [bytes([*[0] * 7, count]) for count in (3, 3, 2, 1, 1, 14, 14)]))
    assert got == [True, False, True, True, False, True, False]


class OtherStart(crccheck.crc.Crc8SaeJ1850):
    """J1850 of a start value that is neither 0 nor all ones, nothing turned at the end."""

    _initvalue = 0xA5
    _xor_output = 0


@pytest.mark.parametrize("data_id", [0x12F7, 0xEDF7])
def test_the_data_id_is_mixed_into_any_start_value(firmware: Firmware, data_id: int) -> None:
    # crccheck [S]; profile 1 itself starts at 0, where mixing and setting are the same.
    image = one_message(
        direct_signal(LAYOUT, "lateral_mg") | {"first": 7, "low_first": 5},
        crc_kind=LAYOUT.crc_kinds.index("e2e_p1"), crc_init=0xA5, crc_xor=0, data_id=data_id,
    )  # fmt: skip
    rng = np.random.default_rng(3)
    bodies = [rng.bytes(3) + struct.pack("<i", i) for i in range(20)]
    payloads = [bytes([OtherStart.calc(data_id.to_bytes(2, "little") + body)]) + body for body in bodies]
    assert all(accepted(feed(firmware, image, payloads)))
    assert not any(accepted(feed(firmware, image, [bytes([p[0] ^ 4]) + p[1:] for p in payloads])))


def test_a_long_signal_may_begin_inside_a_byte(firmware: Firmware) -> None:
    # 30 bits from the fourth on, signed, little-endian; the bits around it are set.
    signal = direct_signal(LAYOUT, "lateral_mg") | {
        "first": 4, "count": 3, "shift": 3, "mask": 0x3FFF, "flip": 0x2000, "less": 0x2000,
        "low_first": 2, "low_count": 3, "low_shift": 3,
    }  # fmt: skip
    values = [0, 1, -1, 7, 12345, -12345, 16000, -16000]
    payloads = []
    for value in values:
        word = (value & (1 << 30) - 1) << 3 | 0b111 | ~((1 << 33) - 1) & (1 << 64) - 1
        payloads.append(word.to_bytes(8, "little"))
    assert lateral(feed(firmware, one_message(signal), payloads)) == values


def test_a_sign_may_have_a_bit_of_its_own(firmware: Firmware) -> None:
    signal = direct_signal(LAYOUT, "lateral_mg") | {
        "first": 7, "low_first": 5, "sign_byte": 2, "sign_mask": 0x20,
    }  # fmt: skip
    payloads = [bytes([0xFF, 0xFF, sign, 0xFF]) + struct.pack("<i", 1234) for sign in (0xDF, 0x20, 0, 0xFF)]
    assert lateral(feed(firmware, one_message(signal), payloads)) == [1234, -1234, 1234, -1234]


@pytest.mark.parametrize("high", [0x7FFF, 0x8000, 0x8001, 0xFFFF])
def test_an_unsigned_long_signal_stops_at_31_bits(firmware: Firmware, high: int) -> None:
    # The high part stops at 0x7FFF and the low one is kept: 0x7FFF0005 // 1024 = 2097088 [X].
    signal = direct_signal(LAYOUT, "lateral_mg") | {
        "flip": 0, "less": 0, "clip_low": 0, "clip_high": 2**31 - 1, "den": 1024, "offset": 7 - 2_097_088,
    }  # fmt: skip
    payload = struct.pack("<HHI", 5, high, 0)
    assert lateral(feed(firmware, one_message(signal), [payload])) == [7]


# --- how fast and how still a signal may be --------------------------------------------------------------------------


def test_a_value_exactly_a_tenth_of_a_second_after_the_last_is_news(firmware: Firmware) -> None:
    image = ImageBuilder().channel(STROKE, rate_100ms=1000, rate_floor_us=1000)
    for gap, refused in [(49, 1), (50, 0)]:
        steps = [block({STROKE: 0}), block({}, ticks=gap - 1, first_tick=1)]
        trace = firmware.run(image.build(), [*steps, block({STROKE: 5000}, first_tick=gap)])
        assert column(trace, "faults")[-1] >> LAYOUT.faults.index("signal_rate") & 1 == refused


def test_a_bad_value_ends_the_run_of_its_own_channel(firmware: Firmware) -> None:
    image = ImageBuilder().channel(STROKE, heal_good=3)
    limit = LAYOUT.channels[AT].limit
    trace = firmware.run(image.build(), block({STROKE: [7, 7, limit + 1, 7, 7, limit + 1, 7, 7, 7]}))
    assert column(trace, "channel")[:, AT].tolist() == [0] * 8 + [7]


@pytest.mark.parametrize("still_us", [40_000, 160_000])
def test_a_signal_stands_still_for_its_own_limit(firmware: Firmware, still_us: int) -> None:
    # The timeouts of its neighbours are 100 ms.
    image = ImageBuilder().channel(STROKE, still_us=still_us).put("still_speed_cm_s", 1000)
    trace = firmware.run(image.build(), block({STROKE: np.full(120, 3), "road_speed_cm_s": 2000}))
    stands = column(trace, "faults") >> LAYOUT.faults.index("signal_still") & 1
    ticks = still_us // PERIOD_US
    # The value is new in tick 0 and has stood for its limit in tick `ticks`; after that it is past it.
    assert stands.tolist() == [0] * (ticks + 1) + [1] * (119 - ticks)


def test_runs_and_still_times_stop_at_their_end() -> None:
    core = Core(ImageBuilder().channel("road_speed_cm_s", heal_good=1))
    at = LAYOUT.channel_index("road_speed_cm_s")
    core["good_run.0"] = 2**15 - 2
    for run in (2**15 - 1, 2**15 - 1, 2**15 - 1):
        put_frame(core, FIRST_ID, core.now_us + PERIOD_US, bytes(8))
        put_frame(core, FIRST_ID + at, core.now_us + PERIOD_US, struct.pack("<q", 32767))
        core.tick()
        assert core["good_run.0"] == run
    core["still_us.0"] = 2**28
    put_frame(core, FIRST_ID, core.now_us + PERIOD_US, bytes(8))
    put_frame(core, FIRST_ID + at, core.now_us + PERIOD_US, struct.pack("<q", 32767))
    core.tick()
    assert core["still_us.0"] == 2**28


def test_trust_fades_by_time_when_ticks_are_late() -> None:
    # Three periods in one tick are three steps; less than one is one, more than sixteen count as sixteen.
    core = Core(ImageBuilder().channel(STROKE, timeout_us=1000).put("fade_q10", 10))
    for _ in range(3):
        put_frame(core, FIRST_ID + AT, core.now_us + PERIOD_US, bytes(8))
        core.tick()
    assert core[f"trust_q10.{AT}"] == 1024
    for gap_us, lost in [
        (PERIOD_US, 10), (3 * PERIOD_US, 30), (PERIOD_US * 3 // 2, 15), (500, 10), (17 * PERIOD_US - 1, 160),
        (16 * PERIOD_US, 160), (40 * PERIOD_US, 160), (15 * PERIOD_US, 150),
    ]:  # fmt: skip
        before = core[f"trust_q10.{AT}"]
        core.now_us += gap_us
        core.controller.tick(core.now_us)
        assert before - core[f"trust_q10.{AT}"] == lost


def test_a_refusal_says_its_code_and_a_place_only_where_there_is_one() -> None:
    image = checked.load(FIRMWARE).import_module("dashpot.image")
    assert (image.Refused(3).code, image.Refused(3).detail, image.Refused(3).args) == (3, 0, (3, 0))
    assert image.Refused(6, 17).args == (6, 17)


# --- what the firmware says about an image that it refuses -----------------------------------------------------------


def refused_at(firmware: Firmware, image: bytes) -> tuple[int, int]:
    """Code and place with which the firmware refuses an image."""
    with pytest.raises(InputError) as caught:
        firmware.target.load(image)
    code, _, place = str(caught.value).partition("(code ")[2].rstrip(")").partition(", detail ")
    return int(code), int(place)


def field_place(row: str, at: int, index: int, field: str) -> int:
    return at + index * LAYOUT.sizes[row] + LAYOUT.rows[row].index(field)


CHANNEL_FIELDS = {
    "timeout_us": -1, "heal_good": 0, "default": 16001, "rate_100ms": -1, "rate_floor_us": -1, "still_us": -1,
    "substitute": 3,
}  # fmt: skip
TRACKER_FIELDS = {"channel": -1, "alpha_q10": 0, "beta_q10": 0, "rate_mul": 0, "velocity_limit": 0}
MESSAGE_FIELDS = {
    "length": 0, "crc_table": 1, "crc_byte": -1, "crc_init": -1, "data_id": -1, "counter_byte": -1, "mux_first": 8,
    "first_signal": -1,
}  # fmt: skip
SIGNAL_FIELDS = {
    "channel": -1, "first": 8, "low_first": 8, "shift": 24, "low_shift": 24, "sign_byte": 8, "den": 0,
    "range_low": 16001, "clip_low": 2**31 - 1, "num": 2**30,
}  # fmt: skip


@pytest.mark.parametrize(("field", "value"), CHANNEL_FIELDS.items())
def test_a_refusal_names_the_word_of_a_channels_row(firmware: Firmware, field: str, value: int) -> None:
    image = ImageBuilder().channel("longitudinal_mg", **{field: value}).build()
    rows = LAYOUT.config["channel_rows"].at
    expected = field_place("channel_row", rows, LAYOUT.channel_index("longitudinal_mg"), field)
    assert refused_at(firmware, image) == (CONTENT, expected)


def test_a_channel_is_configured_or_not(firmware: Firmware) -> None:
    image = ImageBuilder().channel("longitudinal_mg", configured=2, heal_good=5).build()
    index = LAYOUT.channel_index("longitudinal_mg")
    expected = field_place("channel_row", LAYOUT.config["channel_rows"].at, index, "configured")
    assert refused_at(firmware, image) == (CONTENT, expected)


@pytest.mark.parametrize("field", LAYOUT.rows["check_row"])
def test_a_refusal_names_the_word_of_a_checks_row(firmware: Firmware, field: str) -> None:
    image = ImageBuilder().check("overrun", **{field: -1}).build()
    expected = field_place("check_row", LAYOUT.config["check_rows"].at, CHECKS.index("overrun"), field)
    assert refused_at(firmware, image) == (CONTENT, expected)


def test_a_refusal_names_the_axle_and_the_tracking_limit(firmware: Firmware) -> None:
    image = ImageBuilder().put("safe_ma", 700, 700, 700, 800).fill("axle_spread_ma", 99)
    assert refused_at(firmware, image.build()) == (CONTENT, LAYOUT.config["axle_spread_ma"].at + 1)
    name = "coil_tracking.rear_left"
    image = ImageBuilder().check(name, heal_limit=100_001)
    expected = field_place("check_row", LAYOUT.config["check_rows"].at, CHECKS.index(name), "heal_limit")
    assert refused_at(firmware, image.build()) == (CONTENT, expected)


@pytest.mark.parametrize(("field", "value"), TRACKER_FIELDS.items())
def test_a_refusal_names_the_word_of_a_trackers_row(firmware: Firmware, field: str, value: int) -> None:
    image = ImageBuilder().tracker(2, **{field: value}).build()
    expected = field_place("tracker_row", LAYOUT.config["tracker_rows"].at, 2, field)
    assert refused_at(firmware, image) == (CONTENT, expected)


@pytest.mark.parametrize(("field", "value"), MESSAGE_FIELDS.items())
def test_a_refusal_names_the_word_of_a_messages_row(firmware: Firmware, field: str, value: int) -> None:
    image = ImageBuilder()
    image.messages[2][field] = value
    data = image.build()
    expected = field_place("message", config_word(data, "messages_at"), 2, field)
    assert refused_at(firmware, data) == (CONTENT, expected)


@pytest.mark.parametrize(("field", "value"), SIGNAL_FIELDS.items())
def test_a_refusal_names_the_word_of_a_signals_row(firmware: Firmware, field: str, value: int) -> None:
    image = ImageBuilder()
    image.signals[2][field] = value
    data = image.build()
    expected = field_place("signal", config_word(data, "signals_at"), 2, field)
    assert refused_at(firmware, data) == (CONTENT, expected)


def config_word(data: bytes, name: str) -> int:
    """A word of an image by its name."""
    words: list[int] = np.frombuffer(data[20:], "<i4").tolist()
    return words[LAYOUT.config[name].at]


@pytest.mark.parametrize(("name", "item", "value"), [
    ("safe_ma", 2, 299), ("safe_ma", 1, 1601), ("match_ma", 2, 299), ("match_ma", 1, 1601), ("derate_ma", 3, 799),
    ("derate_ma", 1, 1601), ("demand_min_permille", 3, 1000), ("base_table", 1, 5),
    ("road_speed_table", 1, 5), ("valve_table", 3, 5), ("body_load_table", 0, 5), ("steer_fade_cm_s", 0, 5000),
    ("rough_mm_s", 0, 5000), ("band_blend_mm_s", 0, 60), ("end_start_um", 2, 42_000), ("end_start_um", 1, 42_000),
])  # fmt: skip
def test_a_refusal_names_the_word_of_the_calibration(
    firmware: Firmware, name: str, item: int, value: int
) -> None:
    image = ImageBuilder().fill("demand_max_permille", 999).put(name, value, at=item).build()
    assert refused_at(firmware, image) == (CONTENT, LAYOUT.config[name].at + item)


@pytest.mark.parametrize("name", ["steer_fade_cm_s", "rough_brake_kpa", "rough_mm_s", "band_edge_mm_s"])
def test_a_ramp_may_end_at_16_bits(firmware: Firmware, name: str) -> None:
    firmware.target.load(ImageBuilder().put(name, 32767, at=1).build())
    image = ImageBuilder().put(name, 32768, at=1).build()
    assert refused_at(firmware, image) == (CONTENT, LAYOUT.config[name].at)


@pytest.mark.parametrize(
    "tail", [[2], [3, 0, 1], [2, 0, 1], [2, 0, 1, 0], [3, 0, 1, 2, 0, 0], [4, 0, 1, 2, 3, 0, 0, 0]]
)
def test_a_table_that_ends_past_the_image_is_refused(firmware: Firmware, tail: list[int]) -> None:
    words = np.frombuffer(ImageBuilder().build()[20:], "<i4").tolist()
    place = LAYOUT.config["base_table"].at
    words[place] = len(words)
    axis_ends_inside = len(tail) > tail[0]
    expected = place if axis_ends_inside else len(words) + 1
    assert refused_at(firmware, sealed([*words, *tail], LAYOUT.version)) == (CONTENT, expected)


def test_an_image_without_tables_has_the_right_length_and_the_wrong_content(firmware: Firmware) -> None:
    words = np.frombuffer(ImageBuilder().build()[20:], "<i4").tolist()[: LAYOUT.config_words]
    assert refused_at(firmware, sealed(words, LAYOUT.version))[0] == CONTENT


class MapFirst(ImageBuilder):
    """The map of the body load comes right after the fixed words."""

    def _defaults(self) -> None:
        self.body_load([-1, 1], [-1, 1], np.zeros((4, 2, 2)))
        place = self.words[LAYOUT.config["body_load_table"].at]
        super()._defaults()
        self.put("body_load_table", place)


def test_the_map_may_come_first(firmware: Firmware) -> None:
    image = MapFirst().build()
    assert config_word(image, "body_load_table") == LAYOUT.config_words
    firmware.target.load(image)


def test_what_stands_before_a_table_is_none_of_its_values(firmware: Firmware) -> None:
    words = np.frombuffer(ImageBuilder().build()[20:], "<i4").tolist()
    words[LAYOUT.config["base_table"].at] = len(words) + 1
    firmware.target.load(sealed([*words, 100_000, 2, 0, 1, 0, 0], LAYOUT.version))


def test_a_map_whose_head_ends_the_image_is_refused_for_its_axis(firmware: Firmware) -> None:
    words = np.frombuffer(ImageBuilder().build()[20:], "<i4").tolist()
    place = LAYOUT.config["body_load_table"].at
    for head, expected in [([2, 2], len(words) + 2), ([2], place)]:
        words[place] = len(words)
        assert refused_at(firmware, sealed([*words, *head], LAYOUT.version)) == (CONTENT, expected)


@pytest.mark.parametrize(("name", "value"), [("signals_at", 5), ("signals_count", -1)])
def test_signal_rows_lie_past_the_fixed_words(firmware: Firmware, name: str, value: int) -> None:
    words = np.frombuffer(ImageBuilder().build()[20:], "<i4").tolist()
    words[LAYOUT.config[name].at] = value
    expected = LAYOUT.config["signals_at"].at
    assert refused_at(firmware, sealed(words, LAYOUT.version)) == (CONTENT, expected)


def profile_2(ids: int, modulo: int = 16) -> ImageBuilder:
    """An image whose third message has the end-to-end profile with sixteen data ids."""
    image = ImageBuilder()
    image.messages[2] |= {
        "crc_kind": LAYOUT.crc_kinds.index("e2e_p2"), "counter_modulo": modulo, "data_ids": ids,
    }  # fmt: skip
    return image


@pytest.mark.parametrize(("field", "changed"), [
    ("counter_modulo", {"ids": LAYOUT.config_words, "modulo": 17}), ("data_ids", {"ids": LAYOUT.config_words - 1}),
])  # fmt: skip
def test_a_refusal_names_the_word_of_the_profile(
    firmware: Firmware, field: str, changed: dict[str, int]
) -> None:
    data = profile_2(**changed).build()
    expected = field_place("message", config_word(data, "messages_at"), 2, field)
    assert refused_at(firmware, data) == (CONTENT, expected)


class IdsFirst(ImageBuilder):
    """Sixteen data ids come right after the fixed words."""

    def _defaults(self) -> None:
        self.append(list(range(16)))
        super()._defaults()


def test_data_ids_may_stand_first_and_last(firmware: Firmware) -> None:
    image = IdsFirst()
    image.messages[2] |= profile_2(LAYOUT.config_words).messages[2]
    firmware.target.load(image.build())
    length = len(ImageBuilder().build()[20:]) // 4
    words = np.frombuffer(profile_2(length).build()[20:], "<i4").tolist()
    firmware.target.load(sealed([*words, *range(16)], LAYOUT.version))
    assert refused_at(firmware, sealed([*words, *range(15)], LAYOUT.version))[0] == CONTENT


def test_a_signal_has_one_of_the_channels(firmware: Firmware) -> None:
    image = ImageBuilder()
    image.signals[2]["channel"] = len(LAYOUT.channels)
    data = image.build()
    expected = field_place("signal", config_word(data, "signals_at"), 2, "channel")
    assert refused_at(firmware, data) == (CONTENT, expected)


@pytest.mark.parametrize(("fields", "taken"), [
    ({"clip_low": 2 - 2**31}, True), ({"clip_low": 1 - 2**31}, False),
    ({"clip_high": 2**31 - 1}, True), ({"clip_high": 2**31 - 1, "half": 1}, False),
])  # fmt: skip
def test_a_scaled_signal_stays_inside_32_bits_to_the_last(
    firmware: Firmware, fields: dict[str, int], taken: bool
) -> None:
    image = ImageBuilder()
    image.signals[2] |= fields
    data = image.build()
    if taken:
        firmware.target.load(data)
    else:
        expected = field_place("signal", config_word(data, "signals_at"), 2, "num")
        assert refused_at(firmware, data) == (CONTENT, expected)


@pytest.mark.parametrize(("fields", "most"), [
    ({"clip_low": 0, "clip_high": 1, "half": 5}, 2**31 - 7), ({"clip_low": -1, "clip_high": 0}, 2 - 2**31),
])  # fmt: skip
def test_a_signal_stays_inside_31_bits_with_its_offset_to_the_last(
    firmware: Firmware, fields: dict[str, int], most: int
) -> None:
    # 1 + 5 + 2**31 - 7 and -1 - (2**31 - 2) are the ends [X].
    for offset, taken in [(most, True), (most + (1 if most > 0 else -1), False)]:
        image = ImageBuilder()
        image.signals[2] |= fields | {"num": 1, "den": 1, "offset": offset}
        data = image.build()
        if taken:
            firmware.target.load(data)
        else:
            expected = field_place("signal", config_word(data, "signals_at"), 2, "offset")
            assert refused_at(firmware, data) == (CONTENT, expected)


# --- what outlives a reset --------------------------------------------------------------------------------------------


def test_a_boot_record_that_has_not_begun_is_neither_lost_nor_kept(tmp_path: Path) -> None:
    record = checked.load(FIRMWARE).import_module("dashpot.boot").BootRecord(str(tmp_path))
    assert (record.lost, record.kept, record.stay_safe, record.count) == (False, False, False, 0)


def test_a_second_choice_forgets_the_first(tmp_path: Path) -> None:
    store = checked.load(FIRMWARE).import_module("dashpot.store")
    slots = store.Calibrations(str(tmp_path))
    assert slots.write_spare(ImageBuilder().build()) == 0
    assert slots.choose() is not None
    assert slots.running == 0
    slots.details = [5, 6]
    for path in tmp_path.iterdir():
        path.unlink()
    assert slots.choose() is None
    assert (slots.running, slots.details) == (-1, [0, 0])


# --- what a tripped check says ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("check", "channels"), [
    ("lateral", ["lateral_mg"]), ("longitudinal", ["longitudinal_mg"]), ("yaw", ["yaw_cdeg_s"]),
    ("steer", ["steer_ddeg"]), ("brake", ["brake_kpa"]), ("speed", ["road_speed_cm_s"]),
    *[(f"stroke_offset.{corner}", [f"stroke_um.{corner}"]) for corner in CORNERS],
    *[(f"stroke_roll.{axle}", [f"stroke_um.{axle}_{side}" for side in ("left", "right")]) for axle in ("front", "rear")],
])  # fmt: skip
def test_a_tripped_check_doubts_its_own_channels(check: str, channels: list[str]) -> None:
    core = Core(ImageBuilder())
    core[f"tripped.{CHECKS.index(check)}"] = 1
    core.tick()
    assert core["channels_implausible"] == sum(1 << LAYOUT.channel_index(channel) for channel in channels)


def test_a_memory_that_was_wrong_once_stays_wrong() -> None:
    core = Core(ImageBuilder())
    at = CHECKS.index("memory")
    bit = 1 << LAYOUT.faults.index("memory")
    for suspect in (1, 0, 0):
        core[f"suspect.{at}"] = suspect
        core.tick()
        assert core["faults"] & bit
        assert core["faults_latched"] & bit
        assert core[f"tripped.{at}"] == 1
