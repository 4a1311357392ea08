"""What the firmware refuses to load: every bound, every offset, every relation, one at a time."""

from __future__ import annotations

import struct
import zlib
from collections.abc import Callable, Iterator

import numpy as np
import pytest

from dashpot.errors import InputError
from firmware_fixtures import Firmware, checked_module
from images import ALL_LAYERS, CORNERS, FIRST_ID, LAYOUT, ImageBuilder, block, column, direct_signal, sealed
from test_firmware_core import random_values
from test_firmware_laws import busy_image

TAKEN, TOO_SHORT, WRONG_MAGIC, WRONG_VERSION, WRONG_LENGTH, WRONG_CRC, WRONG_CONTENT = range(7)
# Words whose bounds also depend on their neighbours; they have tests of their own below.
RELATED = {
    "least_ma", "most_ma", "demand_min_permille", "demand_max_permille", "band_blend_mm_s", "match_ma", "derate_ma",
    "resistance_permille", "axle_spread_ma",
}  # fmt: skip


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def refusal(firmware: Firmware, image: bytes) -> int:
    """Code with which the firmware refuses an image; TAKEN if it takes it."""
    try:
        firmware.target.load(image)
    except InputError as error:
        return int(str(error).split("(code ")[1].split(",")[0])
    return TAKEN


def test_an_image_is_taken_whole_or_refused(firmware: Firmware) -> None:
    image = busy_image(*ALL_LAYERS).build()
    assert refusal(firmware, image) == TAKEN
    assert refusal(firmware, b"") == TOO_SHORT
    assert refusal(firmware, image[:19]) == TOO_SHORT
    assert refusal(firmware, b"X" + image[1:]) == WRONG_MAGIC
    words = np.frombuffer(image[20:], "<i4").tolist()
    assert refusal(firmware, sealed(words, LAYOUT.version ^ 1)) == WRONG_VERSION
    assert refusal(firmware, image[:20]) == WRONG_LENGTH
    assert refusal(firmware, image[:-4]) == WRONG_LENGTH
    assert refusal(firmware, image + b"\0") == WRONG_LENGTH
    assert refusal(firmware, sealed(words[: LAYOUT.config_words - 1], LAYOUT.version)) == WRONG_LENGTH
    assert refusal(firmware, sealed(words, LAYOUT.version, names=b'{"name":"x"}')) == TAKEN


@pytest.mark.parametrize("seed", range(3))
def test_any_flipped_bit_is_refused(firmware: Firmware, seed: int) -> None:
    # A CRC-32 finds every single wrong bit [S, ISO 3309].
    image = busy_image(*ALL_LAYERS).build()
    rng = np.random.default_rng(seed)
    header = rng.integers(0, 8 * 20, 40)
    for bit in [*header, *rng.integers(0, 8 * len(image), 80)]:
        torn = bytearray(image)
        torn[bit >> 3] ^= 1 << (bit & 7)
        assert refusal(firmware, bytes(torn)) != TAKEN, bit


def test_the_images_checksum_is_zlibs(firmware: Firmware) -> None:
    # CRC-32 of "123456789" is 0xCBF43926 [S].
    assert zlib.crc32(b"123456789") == 0xCBF43926
    image = ImageBuilder().build()
    firmware.run(image, block({"lateral_mg": 0}))
    assert int(firmware.state("image_crc")[0]) & 0xFFFFFFFF == struct.unpack_from("<I", image, 16)[0]


BOUNDED = [
    (word.name, i, word.least, word.most)
    for word in LAYOUT.config.values()
    if word.least is not None and word.most is not None
    for i in range(word.count)
]


@pytest.mark.parametrize(("name", "i", "least", "most"), BOUNDED)
def test_every_bound_of_the_declaration_is_kept(
    firmware: Firmware, name: str, i: int, least: int, most: int
) -> None:
    for value in (least - 1, most + 1, 2**31 - 1, -(2**31)):
        assert refusal(firmware, busy_image(*ALL_LAYERS).put(name, value, at=i).build()) == WRONG_CONTENT
    if name not in RELATED:
        for value in (least, most):
            assert refusal(firmware, busy_image(*ALL_LAYERS).put(name, value, at=i).build()) == TAKEN


def first_message(**fields: int) -> Callable[[ImageBuilder], object]:
    return lambda image: image.messages[0].update(fields)


def first_signal(**fields: int) -> Callable[[ImageBuilder], object]:
    return lambda image: image.signals[0].update(fields)


def put(name: str, *values: int, at: int = 0) -> Callable[[ImageBuilder], object]:
    return lambda image: image.put(name, *values, at=at)


def place(name: str, words: list[int], at: int = 0) -> Callable[[ImageBuilder], object]:
    return lambda image: image.put(name, image.append(words), at=at)


def channel(name: str, **fields: int) -> Callable[[ImageBuilder], object]:
    return lambda image: image.channel(name, **fields)


def tracker(i: int, **fields: int) -> Callable[[ImageBuilder], object]:
    return lambda image: image.tracker(i, **fields)


def check(name: str, **fields: int) -> Callable[[ImageBuilder], object]:
    return lambda image: image.check(name, **fields)


CHECK = LAYOUT.rows["check_row"]
P2 = LAYOUT.crc_kinds.index("e2e_p2")
END = LAYOUT.config_words + 100_000
FLAT = [2, -1, 1, *[0] * 2]
MAP = [0] * 16


def wide_signal(sign: int) -> dict[str, int]:
    """A signal whose scaled value fits 31 bits, but not with its offset."""
    wide = {"num": 4000, "den": 1, "clip_low": -500_000, "clip_high": 500_000}
    return direct_signal(LAYOUT, "lateral_mg") | wide | {"offset": sign * 200_000_000}


WRONG: list[tuple[str, Callable[[ImageBuilder], object]]] = [
    *[(f"message {field} {value}", first_message(**{field: value})) for field, value in [
        ("length", 0), ("length", 9), ("crc_table", 1), ("crc_table", 255), ("crc_table", 512), ("crc_byte", -1),
        ("crc_byte", 8), ("crc_init", -1), ("crc_init", 256), ("data_id", -1), ("data_id", 65536),
        ("counter_byte", -1), ("counter_byte", 8), ("mux_first", 8), ("mux_first", -1),
    ]],
    ("message mux of four bytes", first_message(mux_count=4, mux_step=1)),
    ("message mux of -1 bytes", first_message(mux_count=-1, mux_step=1)),
    ("message mux past the payload", first_message(mux_count=2, mux_first=7, mux_step=1)),
    ("message mux before the payload", first_message(mux_count=2, mux_first=0, mux_step=-1)),
    ("message mux in steps of two", first_message(mux_count=2, mux_first=0, mux_step=2)),
    ("crc byte past a shorter message", first_message(length=4, crc_byte=4)),
    ("profile 2 without counter", first_message(crc_kind=P2, data_ids=LAYOUT.config_words)),
    ("profile 2 with too large a counter", first_message(crc_kind=P2, counter_modulo=17, data_ids=LAYOUT.config_words)),
    ("profile 2 ids among the fixed words", first_message(crc_kind=P2, counter_modulo=16, data_ids=5)),
    ("profile 2 ids outside", first_message(crc_kind=P2, counter_modulo=16, data_ids=END)),
    ("profile 2 id 256", lambda i: i.messages[0].update(
        crc_kind=P2, counter_modulo=16, data_ids=i.append([*range(15), 256]))),
    ("profile 2 id -1", lambda i: i.messages[0].update(
        crc_kind=P2, counter_modulo=16, data_ids=i.append([-1, *range(15)]))),
    ("two messages with one key", lambda i: i.messages[1].update(key=FIRST_ID)),
    ("negative key", first_message(key=-1)),
    *[(f"signal {field} {value}", first_signal(**{field: value})) for field, value in [
        ("channel", -1), ("channel", len(LAYOUT.channels)), ("count", 4), ("count", -1), ("first", 8), ("first", 0),
        ("low_count", 4), ("low_first", 8), ("low_first", 0), ("step", 2), ("step", -2), ("shift", 24), ("shift", -1),
        ("low_shift", 24), ("low_shift", -1), ("sign_byte", 8), ("sign_byte", -1), ("den", 0), ("den", -1),
        ("num", 2**30), ("half", 2**31 - 1), ("range_low", -16001), ("range_high", 16001),
    ]],
    # Rounding down on a board moves a negative dividend by the divisor: this one would wrap there.
    ("signal whose division would wrap", first_signal(
        clip_low=-32768, clip_high=32767, num=65535, den=1_000_000, range_low=-2147, range_high=2147)),
    ("signal past a shorter message", first_message(length=3)),
    ("signal clipped the wrong way", first_signal(clip_low=5, clip_high=4)),
    ("signal with range the wrong way", first_signal(range_low=5, range_high=4)),
    ("table offset among the fixed words", put("base_table", LAYOUT.config_words - 1)),
    ("table offset outside", put("road_speed_table", END)),
    ("negative table offset", put("valve_table", -1, at=3)),
    ("table of one point", place("base_table", [1, 0, 0])),
    ("table of seventeen points", place("base_table", [17, *range(17), *range(17)])),
    ("axis that stands still", place("brake_lead_table", [3, 0, 5, 5, 0, 0, 0], at=1)),
    ("axis that falls", place("valve_table", [2, 5, 4, 0, 0], at=2)),
    ("axis past 16 bits", place("grip_ask_table", [2, 0, 32768, 0, 0])),
    ("axis before 16 bits", place("grip_ask_table", [2, -32769, 0, 0, 0])),
    ("value past 16 bits", place("base_table", [2, 0, 1, 0, 32768])),
    ("value before 16 bits", place("base_table", [2, 0, 1, -32769, 0], at=1)),
    ("map offset among the fixed words", put("body_load_table", 3)),
    ("map offset outside", put("body_load_table", END)),
    ("map of one column", place("body_load_table", [1, 2, 0, 0, 1, *[0] * 8])),
    ("map of seventeen rows", place("body_load_table", [2, 17, 0, 1, *range(17), *[0] * 136])),
    ("map value 1001", place("body_load_table", [2, 2, 0, 1, 0, 1, *MAP[:-1], 1001])),
    ("map value -1001", place("body_load_table", [2, 2, 0, 1, 0, 1, -1001, *MAP[1:]])),
    ("steer fade without length", put("steer_fade_cm_s", 700, 700)),
    ("steer fade below zero", put("steer_fade_cm_s", -1, 700)),
    ("steer fade past 16 bits", put("steer_fade_cm_s", 600, 32768)),
    ("rough brake ramp without length", put("rough_brake_kpa", 700, 700)),
    ("rough ramp without length", put("rough_mm_s", 200, 100)),
    ("bands the wrong way", put("band_edge_mm_s", 152, 51)),
    ("blend wider than the low band", put("band_blend_mm_s", 52)),
    ("blend wider than half the medium band", put("band_edge_mm_s", 60, 160, at=0)),
    ("stroke end without length", put("end_start_um", 42000)),
    ("stroke end past the channel", put("end_stop_um", 400_001, at=3)),
    ("stroke end before the channel", put("end_start_um", -400_001, at=2)),
    ("safe below least", put("safe_ma", 299)),
    ("safe above most", put("safe_ma", 1601, at=3)),
    ("match below least", put("match_ma", 299)),
    ("match above most", put("match_ma", 1601, at=3)),
    ("derate below safe", put("derate_ma", 799)),
    ("derate above most", put("derate_ma", 1601, at=3)),
    ("safe currents further apart than the front may be",
     lambda i: i.put("safe_ma", 700, 801).put("axle_spread_ma", 100)),
    ("and the rear", lambda i: i.put("safe_ma", 801, 700, at=2).put("axle_spread_ma", 100, at=1)),
    ("resistance band the wrong way", put("resistance_permille", 1001, 1000)),
    *[(f"check {name} {field} {value}", check(name, **{field: value}))
      for name in ("lateral", "held") for field, most in zip(CHECK, (32767, 32767, 100, 10**6, 10**6), strict=True)
      for value in (-1, most + 1)],
    ("demand limits crossed", lambda i: i.put("demand_min_permille", 501).put("demand_max_permille", 500)),
    ("channel configured 2", channel("lateral_mg", configured=2)),
    ("channel configured -1", channel("driver_switch", configured=-1)),
    ("channel timeout -1", channel("lateral_mg", timeout_us=-1)),
    ("channel timeout past the ages", channel("lateral_mg", timeout_us=0x08000001)),
    ("channel heal 0", channel("lateral_mg", heal_good=0)),
    *[(f"channel {field} {value}", channel("lateral_mg", **{field: value})) for field, value in [
        ("rate_100ms", -1), ("rate_100ms", 32_001), ("rate_floor_us", -1), ("rate_floor_us", 0x08000001),
        ("still_us", -1), ("still_us", 0x08000001), ("substitute", -1), ("substitute", len(LAYOUT.substitutes)),
    ]],
    ("stroke rate past the channel", channel("stroke_um.rear_left", rate_100ms=800_001)),
    ("channel heal past its count", channel("lateral_mg", heal_good=32768)),
    *[(f"channel {name} default {value}", channel(name, default=value)) for name, value in [
        ("lateral_mg", 16001), ("longitudinal_mg", -16001), ("vertical_mg", 16001), ("brake_kpa", 32768),
        ("steer_ddeg", 16001), ("yaw_cdeg_s", -32768), ("stroke_um.front_left", 400_001),
        ("stroke_um.rear_right", -400_001), ("supply_mv", 32768), ("wheel_speed_cm_s.rear_right", 32768), ("grip_switch", 256), ("driver_switch", -256),
    ]],
    *[(f"tracker {field} {value}", tracker(i, **{field: value})) for i, field, value in [
        (0, "channel", -1), (5, "channel", len(LAYOUT.channels)), (1, "alpha_q10", 0), (1, "alpha_q10", 1025),
        (2, "beta_q10", 0), (2, "beta_q10", 1025), (3, "velocity_limit", 15), (3, "velocity_limit", 2**27 + 1),
        (4, "rate_mul", 0), (4, "rate_mul", 32768), (0, "rate_mul", 129),
    ]],
    ("substitute that is none", lambda i: i.channel("lateral_mg", substitute=3)),
    ("substitute below none", lambda i: i.channel("lateral_mg", substitute=-1)),
    ("substitute of the other axis", lambda i: i.channel("lateral_mg", substitute=2)),
    ("the same the other way round", lambda i: i.channel("longitudinal_mg", substitute=1)),
    ("substitute of no acceleration", lambda i: i.channel("vertical_mg", substitute=3)),
    *[
        (
            f"tracking of {corner}, {field}",
            lambda i, c=corner, f=field: i.check(f"coil_tracking.{c}", **{f: 100_001}),
        )
        for corner in CORNERS
        for field in ("limit", "heal_limit")
    ],
    ("value past 31 bits upwards", lambda i: i.message([wide_signal(1)], key=5)),
    ("value past 31 bits downwards", lambda i: i.message([wide_signal(-1)], key=5)),
]  # fmt: skip


def changed(change: Callable[[ImageBuilder], object]) -> bytes:
    """An image with every layer on and one change."""
    image = busy_image(*ALL_LAYERS)
    if change is dict(WRONG).get("blend wider than half the medium band"):
        image.put("band_blend_mm_s", 51)
    assert change(image) is not False
    return image.build()


@pytest.mark.parametrize("change", [change for _, change in WRONG], ids=[name for name, _ in WRONG])
def test_everything_that_a_stage_relies_on_is_checked(
    firmware: Firmware, change: Callable[[ImageBuilder], object]
) -> None:
    assert refusal(firmware, changed(change)) == WRONG_CONTENT


RIGHT: list[tuple[str, Callable[[ImageBuilder], object]]] = [
    ("message of one byte", lambda i: i.message([], key=5, length=1)),
    ("table of sixteen points", place("base_table", [16, *range(16), *range(16)])),
    ("table at the ends of 16 bits", place("base_table", [2, -32768, 32767, -32768, 32767])),
    ("map values at their ends", place("body_load_table", [2, 2, 0, 1, 0, 1, -1000, *MAP[2:], 1000])),
    ("ramps one unit long", put("steer_fade_cm_s", 0, 1)),
    ("blend as wide as the low band", put("band_edge_mm_s", 10, 30)),
    ("stroke end over the whole channel", lambda i: i.put("end_start_um", -400_000).put("end_stop_um", 400_000)),
    ("safe equals least", put("safe_ma", 300)),
    ("safe equals most", lambda i: i.put("safe_ma", 1600).put("derate_ma", 1600)),
    ("least equals most", lambda i: i.fill("least_ma", 800).fill("most_ma", 800).fill("derate_ma", 800)),
    ("match current at its ends", put("match_ma", 300, 1600, 0, 300)),
    ("derate at its ends", put("derate_ma", 800, 1600)),
    ("axle spread that the safe currents just keep", lambda i: i.put("safe_ma", 700, 800).put("axle_spread_ma", 100)),
    ("axles without any spread", put("axle_spread_ma", 0, 0)),
    ("resistance band of one value", put("resistance_permille", 1000, 1000)),
    ("check at its ends", check("lateral", **dict(zip(CHECK, (32767, 32767, 100, 10**6, 10**6), strict=True)))),
    ("demand limits equal", lambda i: i.fill("demand_min_permille", 500).fill("demand_max_permille", 500)),
    ("currents at their ends", lambda i: i.fill("least_ma", 0).fill("most_ma", 5000)),
    ("channel at its ends", channel("stroke_um.front_left", default=-400_000, timeout_us=0x08000000, heal_good=32767)),
    ("channel that never times out late", channel("steer_ddeg", default=16000, timeout_us=0, heal_good=1)),
    ("channel default at its end", channel("brake_kpa", default=32767)),
    ("channel rate at its end", channel("stroke_um.rear_left", rate_100ms=800_000, rate_floor_us=0x08000000)),
    ("channel still at its end", channel("lateral_mg", rate_100ms=32_000, still_us=0x08000000)),
    ("empty row of a channel that the vehicle lacks", channel("vertical_mg", configured=0, timeout_us=0, heal_good=0)),
    ("tracker at its ends", tracker(0, alpha_q10=1024, beta_q10=1024, velocity_limit=2**27, rate_mul=127)),
    ("tracker at its other ends", tracker(0, channel=0, alpha_q10=1, beta_q10=1, velocity_limit=16, rate_mul=1)),
    ("signal with whole shifts", first_signal(shift=23, low_shift=23)),
    ("signal at its ends", first_signal(range_low=-16000, range_high=16000)),
    ("signal of one value", first_signal(range_low=3, range_high=3, clip_low=3, clip_high=3)),
    ("signal whose division just fits", first_signal(
        clip_low=-32752, clip_high=32752, num=65535, den=1_000_000, half=500_000, range_low=-2145, range_high=2145)),
    ("crc bytes at their ends", first_message(crc_byte=7, counter_byte=7, crc_init=255, data_id=65535, crc_table=256)),
    ("profile 2 behind the fixed words", lambda i: i.messages[0].update(
        crc_kind=P2, counter_modulo=16, data_ids=i.append([0, 255, *range(14)]))),
    ("profile 2 with a counter of one", lambda i: i.messages[0].update(
        crc_kind=P2, counter_modulo=1, data_ids=i.append([0, 255, *range(14)]))),
    ("mux of three bytes at the end", first_message(mux_count=3, mux_first=5, mux_step=1)),
    ("mux of three bytes backwards", first_message(mux_count=3, mux_first=2, mux_step=-1)),
    ("no messages at all", lambda i: i.clear_messages()),
    ("both substitutes", lambda i: i.channel("lateral_mg", substitute=1).channel("longitudinal_mg", substitute=2)),
    ("tracking at its end", lambda i: i.check("coil_tracking.rear_right", limit=100_000, heal_limit=100_000)),
]  # fmt: skip


@pytest.mark.parametrize("change", [change for _, change in RIGHT], ids=[name for name, _ in RIGHT])
def test_what_lies_just_inside_is_taken(firmware: Firmware, change: Callable[[ImageBuilder], object]) -> None:
    assert refusal(firmware, changed(change)) == TAKEN


def test_checked_cpython_takes_and_refuses_the_same() -> None:
    # All of them at once: no interpreter to talk to, so it takes a second.
    image = checked_module("dashpot.image")
    for _, change in RIGHT:
        image.read(changed(change))
    for name, change in WRONG:
        with pytest.raises(image.Refused) as caught:
            image.read(changed(change))
        assert caught.value.code == WRONG_CONTENT, name


def test_tables_that_end_past_the_image_are_refused(firmware: Firmware) -> None:
    # The last words of an image, cut shorter and sealed again.
    for name, words in [("base_table", FLAT), ("body_load_table", [2, 2, 0, 1, 0, 1, *MAP])]:
        for missing in range(len(words) + 1):
            image = ImageBuilder().clear_messages()
            at = image.append(words)
            image.put(name, at)
            whole = np.frombuffer(image.build()[20:], "<i4").tolist()
            assert len(whole) == at + len(words)
            # The rows of messages and signals are empty; their offsets must not be what is refused.
            for offset in ("messages_at", "signals_at", "data_ids_at"):
                whole[LAYOUT.config[offset].at] = LAYOUT.config_words
            cut = whole[: len(whole) - missing]
            assert refusal(firmware, sealed(cut, LAYOUT.version)) == (WRONG_CONTENT if missing else TAKEN)


@pytest.mark.parametrize("name", ["messages", "signals"])
def test_rows_outside_the_image_are_refused(firmware: Firmware, name: str) -> None:
    image = ImageBuilder()
    words = np.frombuffer(image.build()[20:], "<i4").copy()
    at, count = LAYOUT.config[f"{name}_at"].at, LAYOUT.config[f"{name}_count"].at
    width = LAYOUT.sizes[name.removesuffix("s")]
    rows = int(words[count])
    for place_, value in [
        (at, LAYOUT.config_words - 1),
        (at, -1),
        (at, len(words)),
        (count, -1),
        (count, 10**6),
    ]:
        changed = words.copy()
        changed[place_] = value
        assert refusal(firmware, sealed(changed.tolist(), LAYOUT.version)) == WRONG_CONTENT
    # One row more than there is room for.
    changed = words.copy()
    changed[at] = len(words) - width * rows + 1
    assert refusal(firmware, sealed(changed.tolist(), LAYOUT.version)) == WRONG_CONTENT


def test_a_message_may_not_reach_past_the_signal_rows(firmware: Firmware) -> None:
    for first, number in [(-1, 1), (0, -1), (len(LAYOUT.channels), 1), (len(LAYOUT.channels) - 1, 2)]:
        image = ImageBuilder()
        image.messages[-1].update(first_signal=first, signal_count=number)
        assert refusal(firmware, image.build()) == WRONG_CONTENT


def test_a_sealed_image_with_a_wild_word_never_leads_outside_its_limits(firmware: Firmware) -> None:
    # Whatever is in the words, the firmware refuses them or runs on them inside its limits.
    whole = np.frombuffer(busy_image(*ALL_LAYERS).build()[20:], "<i4")
    rng = np.random.default_rng(4)
    ticks = block(random_values(40))
    wild = [0, 1, -1, 17, 255, 4096, 32768, -32769, 2**30 - 1, 2**31 - 1, -(2**31)]
    taken = 0
    for at in range(len(whole)):
        for value in rng.choice(wild, 2, replace=False):
            words = whole.copy()
            words[at] = value
            if refusal(firmware, sealed(words.tolist(), LAYOUT.version)) == TAKEN:
                taken += 1
                current = column(firmware.run(None, ticks), "current_ma")
                assert current.min() >= 0
                assert current.max() <= 5000
    assert 0 < taken < 2 * len(whole)


def test_the_builders_signal_is_what_it_says() -> None:
    row = direct_signal(LAYOUT, "lateral_mg")
    assert row["channel"] == 0
    assert row["clip_high"] == LAYOUT.channels[0].limit + 1
