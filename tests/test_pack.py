"""The image: what it holds, what is refused, and that it comes back from its own files byte for byte."""

from __future__ import annotations

import json
import math
import struct
import zlib
from decimal import Decimal
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from calibration_kit import DEMO, demo_calibration, demo_image, demo_vehicle, edited, layout
from calibration_random import calibrations
from dashpot import calibration, resources
from dashpot.calibration import Image, Vehicle
from dashpot.calibration.scalars import AT_ONCE, CHECKS, SCALARS, TABLES
from dashpot.calibration.views import changes
from dashpot.errors import InputError

HEADER = 20


@lru_cache(maxsize=2)
def vehicle_from(text: str, folder: Path) -> Vehicle:
    path = folder / "vehicle.toml"
    path.write_text(text, encoding="utf-8")
    return calibration.load_vehicle(path)


def again(image: Image, folder: Path) -> bytes:
    """Unpack, and pack what came out."""
    vehicle, numbers = calibration.unpack(image)
    return calibration.pack(
        vehicle_from(vehicle, folder), calibration.parse_calibration(numbers), layout()
    ).to_bytes()


def test_the_demo_comes_back_from_its_own_files(tmp_path: Path) -> None:
    content = demo_image().to_bytes()
    assert again(calibration.read_image(content, layout()), tmp_path) == content


# A failing file is printed as it is: shrinking a whole file takes minutes and says little more.
@settings(max_examples=60, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(calibrations())
def test_any_calibration_comes_back_from_its_own_files(
    tmp_path_factory: pytest.TempPathFactory, text: str
) -> None:
    numbers = calibration.parse_calibration(text)
    image = calibration.pack(demo_vehicle(), numbers, layout())
    content = image.to_bytes()
    # What is packed is what the firmware takes.
    read = calibration.read_image(content, layout())
    assert read.words == image.words
    assert again(read, tmp_path_factory.getbasetemp()) == content


def test_the_same_files_give_the_same_bytes() -> None:
    vehicle = calibration.load_vehicle(DEMO / "vehicle.toml")
    numbers = calibration.load_calibration(DEMO / "calibration.toml")
    assert calibration.pack(vehicle, numbers, layout()).to_bytes() == demo_image().to_bytes()


def test_an_image_names_no_path_of_the_machine(tmp_path: Path) -> None:
    (tmp_path / "car.dbc").write_bytes((resources.dbc_dir() / "merlin_t4.dbc").read_bytes())
    vehicle = vehicle_from(edited("vehicle.toml", ('"merlin_t4.dbc"', f'"{tmp_path}/car.dbc"')), tmp_path)
    content = calibration.pack(vehicle, demo_calibration(), layout()).to_bytes()
    assert str(tmp_path).encode() not in content
    assert b'"file":"car.dbc"' in content


def test_header_and_order_of_the_parts() -> None:
    image = demo_image()
    content = image.to_bytes()
    magic, version, words, names, crc = struct.unpack_from("<4sIIII", content)
    assert (magic, version, words) == (b"DPIM", layout().version, len(image.words))
    assert len(content) == HEADER + 4 * words + names
    assert crc == zlib.crc32(content[:16] + content[HEADER:])
    document = json.loads(content[HEADER + 4 * words :])
    assert document["calibration"]["name"] == demo_calibration().name
    keys = [row["key"] for row in image.rows("message")]
    assert keys == sorted(keys)
    assert keys[0] == 196
    ids = [row for row in image.rows("message") if row["data_ids"]]
    assert len(ids) == 1
    at = ids[0]["data_ids"]
    # The ids that dbc/merlin_t4.dbc states in its comment.
    assert image.words[at : at + 16] == tuple(bytes.fromhex("3A915CE708B26FD41D83C946F0257BAE"))
    assert at == image.word("data_ids_at")


def test_extended_ids_carry_bit_29(tmp_path: Path) -> None:
    keys = 'signal = "Lap_Beacon.LapDistance"\nunit = "um"\nrange = ["0 mm", "10 mm"]\nwithout = "safe"'
    text = (
        f'name = "x"\nbitrate = "500 kbit/s"\ndbc = ["merlin_t4.dbc"]\n[channels.stroke.front_left]\n{keys}\n'
    )
    image = calibration.pack(vehicle_from(text, tmp_path), demo_calibration(), layout())
    assert [row["key"] for row in image.rows("message")] == [0x15A7C0D3 | 0x20000000]


def test_each_key_reaches_its_own_word() -> None:
    """No two keys share a word, and no config word is left to none."""
    places = [layout().config[scalar.word].at + scalar.index for scalar in SCALARS]
    places += [layout().config[table.word].at + table.index for table in TABLES]
    assert len(places) == len(set(places))
    rows = [place for check in CHECKS for place in check.places(layout())]
    assert len(rows) == len(set(rows))
    # Every check of the firmware has a key for its trip time, but for those that trip at once.
    trip, size = layout().rows["check_row"].index("trip_ticks"), layout().sizes["check_row"]
    trips = {
        layout().config["check_rows"].at + i * size + trip: c.name for i, c in enumerate(layout().checks)
    }
    assert [name for place, name in trips.items() if place not in rows] == list(AT_ONCE)
    others = ("messages_at", "messages_count", "signals_at", "signals_count", "data_ids_at", "channel_rows",
              "tracker_rows", "layer_on", "body_load_table", "grip_low_sq", "grip_high_sq", "check_rows", "current_control",
              "coil_zero_q10", "coil_gain_q10", "coil_share_q10")  # fmt: skip
    for name in others:
        word = layout().config[name]
        places += range(word.at, word.at + word.count)
    assert sorted(places) == list(range(layout().config_words))


def test_numbers_of_the_demo_in_words() -> None:
    image = demo_image()
    # 1024 (1 - exp(-2/16)) and 1024 * 2 / 100 [X].
    assert image.word("low_pass_q10", 0) == round(1024 * (1 - math.exp(-2 / 16))) == 120
    assert image.word("fade_q10") == 20
    assert image.word("grip_slow_in_q16") == round(65536 * 2 / 6000)
    # 80 A/s in 2 ms.
    assert image.word("slew_up_ma", 0) == 160
    assert image.word("steer_fade_cm_s", 0) == round(20_000 / 36)
    assert image.word("grip_low_sq") == round((0.7 * 1300) ** 2)
    assert image.word("grip_high_sq") == round((0.85 * 1300) ** 2)
    assert image.word("end_start_um", 0) == 43_000
    assert image.word("band_edge_mm_s", 0) == 51
    assert [image.word("layer_on", i) for i in range(len(layout().layers))] == [1] * len(layout().layers)
    row = image.rows("tracker_row")[0]
    alpha = row["alpha_q10"] / 1024
    # Benedict and Bordner (1962) [S].
    assert row["beta_q10"] == round(1024 * alpha**2 / (2 - alpha))
    assert [r["channel"] for r in image.rows("tracker_row")] == [
        *(layout().channel_index(f"stroke_um.{corner}") for corner in layout().corners),
        layout().channel_index("steer_ddeg"), layout().channel_index("brake_kpa"),
        layout().channel_index("road_speed_cm_s"),
    ]  # fmt: skip
    assert [(r["rate_mul"], r["velocity_limit"]) for r in image.rows("tracker_row")[3:]] == [
        # 1 cm/s in 1 s is 1.01972 thousandths of g (CGPM 1901 [S]).
        (100, 2**27), (10_000, 2**19), (1000, 2**23), (round(1e5 / 0.980665), 2**17),
    ]  # fmt: skip


def check_row(image: Image, name: str) -> dict[str, int]:
    return image.rows("check_row")[[check.name for check in layout().checks].index(name)]


def test_checks_of_the_demo_in_words() -> None:
    image = demo_image()
    # 200 ms and 2 s at 2 ms a tick [X].
    assert check_row(image, "lateral") == {
        "trip_ticks": 100, "heal_ticks": 1000, "heals_most": 3, "limit": 300, "heal_limit": 200,
    }  # fmt: skip
    assert check_row(image, "supply_low") == {
        "trip_ticks": 5, "heal_ticks": 250, "heals_most": 3, "limit": 9000, "heal_limit": 9500,
    }  # fmt: skip
    for corner in layout().corners:
        assert check_row(image, f"stroke_offset.{corner}")["limit"] == 15_000
        assert check_row(image, f"coil_open.{corner}") == {
            "trip_ticks": 5, "heal_ticks": 0, "heals_most": 0, "limit": 100, "heal_limit": 100,
        }  # fmt: skip
        assert check_row(image, f"coil_resistance.{corner}")["trip_ticks"] == 500
        assert check_row(image, f"coil_resistance_off.{corner}")["trip_ticks"] == 2500
        assert check_row(image, f"coil_tracking.{corner}")["limit"] == 100
    for axle in ("front", "rear"):
        assert check_row(image, f"stroke_roll.{axle}")["limit"] == 25_000
    assert check_row(image, "yaw")["limit"] == check_row(image, "brake")["limit"] == 0
    assert check_row(image, "overrun") == {
        "trip_ticks": 3, "heal_ticks": 500, "heals_most": 3, "limit": 0, "heal_limit": 0,
    }  # fmt: skip
    for name in ("memory", "held"):
        assert check_row(image, name) == {
            "trip_ticks": 1, "heal_ticks": 0, "heals_most": 0, "limit": 0, "heal_limit": 0,
        }  # fmt: skip
    # 20 mm/s is 40 um in 2 ms, times 16.
    assert image.word("straight_step_q4") == 640
    assert [image.word("axle_spread_ma", i) for i in (0, 1)] == [1200, 1200]


def test_coil_words_follow_the_closed_form() -> None:
    """2.2 ohm and 12 mH: 5.45 ms (domain table [X]); a lag's step response sampled at the ticks."""
    image = demo_image()
    zero, share = math.exp(-2 * 2.2 / 12), 1 - math.exp(-2 / 6)
    for i in range(4):
        assert (image.word("coil_mohm", i), image.word("coil_uh", i)) == (2200, 12_000)
        assert image.word("coil_zero_q10", i) == round(1024 * zero) == 710
        assert image.word("coil_share_q10", i) == round(1024 * share) == 290
        assert image.word("coil_gain_q10", i) == round(1024 * share / (1 - zero)) == 946
    assert (image.word("control_us"), image.word("freewheel_mv"), image.word("current_control")) == (
        6000,
        700,
        1,
    )


def test_a_response_of_nothing_settles_in_one_tick() -> None:
    text = edited("calibration.toml", ('response = "6 ms"', 'response = "0 ms"'))
    image = calibration.pack(None, calibration.parse_calibration(text), layout())
    zero = math.exp(-2 * 2.2 / 12)
    assert (image.word("coil_share_q10"), image.word("coil_gain_q10")) == (1024, round(1024 / (1 - zero)))


def test_substitutes_are_in_the_channels_rows(tmp_path: Path) -> None:
    rows = demo_image().rows("channel_row")
    assert [(row["required"], row["substitute"]) for row in rows[:3]] == [(1, 1), (1, 2), (0, 0)]
    assert layout().substitutes == ("default", "speed_yaw", "speed_change")
    plain = vehicle_from(
        edited(
            "vehicle.toml", ('without = "speed x yaw rate"', 'without = "safe"'), ('"speed change"', '"0 g"')
        ),
        tmp_path,
    )
    rows = calibration.pack(plain, demo_calibration(), layout()).rows("channel_row")
    assert [(row["required"], row["substitute"]) for row in rows[:2]] == [(1, 0), (0, 0)]


def test_slews_never_exceed_what_was_asked() -> None:
    for slew in ("1234.5 mA/s", "999999 mA/s", "80 A/s", "501 mA/s"):
        text = edited("calibration.toml", ('slew_up = "80 A/s"', f'slew_up = "{slew}"'))
        image = calibration.pack(None, calibration.parse_calibration(text), layout())
        number, unit = slew.split()
        asked = float(number) * (1000 if unit == "A/s" else 1)
        given = image.word("slew_up_ma", 0) * 1e6 / image.word("period_us")
        assert asked - 500 < given <= asked


def test_a_mirrored_map_is_the_left_one_turned_round() -> None:
    lateral, longitudinal, maps = demo_image().body_load()
    for left, right in ((maps[0], maps[1]), (maps[2], maps[3])):
        shape = (len(lateral), len(longitudinal))
        assert np.array_equal(np.reshape(right, shape), np.reshape(left, shape)[::-1])
    # A left turn (positive) loads the right side; braking (negative) the front.
    front_left, front_right = (np.reshape(m, (len(lateral), len(longitudinal))) for m in maps[:2])
    assert front_right[-1, 0] > front_left[-1, 0]
    assert maps[1][-len(longitudinal)] == front_right[-1, 0] == 350


def test_the_map_is_x_major() -> None:
    lateral, longitudinal, maps = demo_image().body_load()
    document = demo_calibration().document.data["layers"]["body_load"]["map"]
    for i in range(len(lateral)):
        for j in range(len(longitudinal)):
            assert maps[0][i * len(longitudinal) + j] == document["front_left"][i][j]


def test_both_unit_prefixes_of_a_filter_off() -> None:
    text = edited("calibration.toml", ('lateral = "16 ms"', 'lateral = "0 ms"'))
    image = calibration.pack(None, calibration.parse_calibration(text), layout())
    assert image.word("low_pass_q10", 0) == 1024


def resealed(content: bytes, at: int, word: int) -> bytes:
    """Change one word and make the CRC right again."""
    body = bytearray(content)
    struct.pack_into("<i", body, HEADER + 4 * at, word)
    struct.pack_into("<I", body, 16, zlib.crc32(bytes(body[:16]) + bytes(body[HEADER:])))
    return bytes(body)


def refused(content: bytes) -> str:
    with pytest.raises(InputError) as caught:
        calibration.read_image(content, layout())
    assert caught.value.exit_code == 2
    return str(caught.value)


def test_what_is_no_image_is_refused_in_words() -> None:
    content = demo_image().to_bytes()
    assert "too short" in refused(b"")
    assert "too short" in refused(content[:19])
    assert "not a calibration image" in refused(b"GIF8" + content[4:])
    other = content[:4] + struct.pack("<I", layout().version ^ 1) + content[8:]
    assert "format" in refused(other)
    assert "cut or added to" in refused(content[:-1])
    assert "cut or added to" in refused(content + b"\0")
    assert "cut or added to" in refused(content[:8] + struct.pack("<I", 2**31) + content[12:])


@settings(max_examples=150, deadline=None)
@given(st.integers(0, 8 * len(demo_image().to_bytes()) - 1))
def test_any_flipped_bit_is_noticed(bit: int) -> None:
    content = bytearray(demo_image().to_bytes())
    content[bit // 8] ^= 1 << bit % 8
    with pytest.raises(InputError):
        calibration.read_image(bytes(content), layout())


def places() -> dict[str, tuple[int, int]]:
    """Words that must not hold these numbers, whatever the CRC says."""
    image = demo_image()
    config = layout().config
    message = image.word("messages_at")
    signal = image.word("signals_at")
    m = {name: message + i for i, name in enumerate(layout().rows["message"])}
    s = {name: signal + i for i, name in enumerate(layout().rows["signal"])}
    end = len(image.words)
    table = image.word("base_table")
    check = {name: config["check_rows"].at + i for i, name in enumerate(layout().rows["check_row"])}
    body = image.word("body_load_table")
    return {
        "period": (config["period_us"].at, 999),
        "period above": (config["period_us"].at, 10_001),
        "no blend": (config["band_blend_mm_s"].at, 0),
        "tracker's channel": (config["tracker_rows"].at, len(layout().channels)),
        "table inside the scalars": (config["base_table"].at, 3),
        "table past the end": (config["valve_table"].at + 3, end),
        "table negative": (config["grip_ask_table"].at, -1),
        "points": (table, 17),
        "one point": (table, 1),
        "axis falling": (table + 2, -5),
        "axis past 16 bits": (table + 3, 32_768),
        "value past 16 bits": (table + 4, 32_768),
        "map's points": (body, 17),
        "map's value": (end - 1, 1001),
        "safe current": (config["safe_ma"].at, 1601),
        "match between none and the least": (config["match_ma"].at, 299),
        "match above the most": (config["match_ma"].at + 3, 1601),
        "derate below the safe current": (config["derate_ma"].at, 799),
        "derate above the most": (config["derate_ma"].at + 2, 1601),
        "band of resistance": (config["resistance_permille"].at, 1701),
        "trip": (check["trip_ticks"], 32_768),
        "heal": (check["heal_ticks"] + layout().sizes["check_row"], -1),
        "heals": (check["heals_most"], 101),
        "limit of a check": (check["limit"], 1_000_001),
        "second limit of a check": (check["heal_limit"], -1),
        "steering table": (config["steer_yaw_table"].at, 3),
        "substitute": (config["channel_rows"].at + layout().rows["channel_row"].index("substitute"), 3),
        "gain": (config["coil_gain_q10"].at + 1, 0),
        "no slew": (config["slew_down_ma"].at + 2, 0),
        "fade": (config["steer_fade_cm_s"].at, 30_000),
        "ramp": (config["end_start_um"].at + 1, 60_000),
        "messages past the end": (config["messages_count"].at, 1000),
        "messages inside the scalars": (config["messages_at"].at, 5),
        "signals past the end": (config["signals_count"].at, 1000),
        "keys not rising": (m["key"] + layout().sizes["message"], 196),
        "length": (m["length"], 9),
        "first signal": (m["first_signal"], 1000),
        "crc table": (m["crc_table"], 1),
        "crc byte": (m["crc_byte"], 8),
        "counter byte": (m["counter_byte"], -1),
        "multiplexer": (m["mux_count"], 4),
        "channel": (s["channel"], 18),
        "bytes": (s["count"], 4),
        "first byte": (s["first"], 8),
        "step": (s["step"], 2),
        "sign byte": (s["sign_byte"], 8),
        "division by 0": (s["den"], 0),
        "overflow": (s["num"], 2**31 - 1),
        "clip": (s["clip_low"], 2**30),
    }  # fmt: skip


@pytest.mark.parametrize("name", places())
def test_numbers_that_the_firmware_would_refuse_are_refused(name: str) -> None:
    at, word = places()[name]
    content = demo_image().to_bytes()
    assert calibration.read_image(content, layout())
    assert "at word" in refused(resealed(content, at, word))


def unequal_safe_currents() -> bytes:
    """The demo's image with safe currents that differ by more than its axle spread lets the guard pass."""
    spread = resealed(demo_image().to_bytes(), layout().config["axle_spread_ma"].at + 1, 99)
    return resealed(spread, layout().config["safe_ma"].at + 2, 900)


def test_safe_currents_that_the_guard_would_hold_back_are_refused() -> None:
    assert "at word" in refused(unequal_safe_currents())
    within = resealed(unequal_safe_currents(), layout().config["safe_ma"].at + 2, 899)
    assert calibration.read_image(within, layout())


def test_words_that_no_calibration_gives_are_not_unpacked() -> None:
    """A stroke tracker that differs from corner to corner is fine for the firmware, but no key says it."""
    tracker = layout().config["tracker_rows"].at + layout().rows["tracker_row"].index("alpha_q10")
    names = [check.name for check in layout().checks]
    rows, size = layout().config["check_rows"].at, layout().sizes["check_row"]
    limit = rows + names.index("stroke_offset.rear_left") * size + layout().rows["check_row"].index("limit")
    held = rows + names.index("held") * size + layout().rows["check_row"].index("trip_ticks")
    zero = layout().config["coil_zero_q10"].at + 2
    for at, word in ((tracker, 7), (limit, 14_000), (held, 2), (zero, 500)):
        image = calibration.read_image(resealed(demo_image().to_bytes(), at, word), layout())
        with pytest.raises(InputError, match="no calibration gives"):
            calibration.unpack(image)


def test_an_image_without_names_still_loads_but_is_not_unpacked() -> None:
    image = demo_image()
    bare = Image(layout(), image.words, {})
    read = calibration.read_image(bare.to_bytes(), layout())
    assert read.words == image.words
    with pytest.raises(InputError, match="carries no vehicle"):
        calibration.unpack(read)


def test_names_that_are_no_json_are_refused() -> None:
    content = bytearray(demo_image().to_bytes())
    content[-1:] = b"!"
    struct.pack_into("<I", content, 16, zlib.crc32(bytes(content[:16]) + bytes(content[HEADER:])))
    assert "no JSON" in refused(bytes(content))


def test_two_images_differ_only_in_what_was_changed() -> None:
    text = edited(
        "calibration.toml",
        ("[260, 200, 130, 80]", "[260, 200, 135, 80]"),
        ('safe = "800 mA"', 'safe = "810 mA"'),
        (
            'speed = { unit = "km/h", at = [0, 60, 140, 250] }',
            'speed = { unit = "km/h", at = [0, 60, 150, 250] }',
        ),
    )
    other = calibration.pack(demo_vehicle(), calibration.parse_calibration(text), layout())
    found = [(c.key, c.place, c.before, c.after) for c in changes(demo_image(), other)]
    assert found == [
        ("valves.front_left.safe", "", "800 mA", "810 mA"),
        ("layers.road_speed.front", "speed", "0, 60, 140, 250 km/h", "0, 60, 150, 250 km/h"),
        (
            "layers.body_load.map.front_left",
            "lateral -0.7 g, longitudinal 0 g",
            "130 permille",
            "135 permille",
        ),
        (
            "layers.body_load.map.front_right",
            "lateral 0.7 g, longitudinal 0 g",
            "130 permille",
            "135 permille",
        ),
    ]
    assert changes(demo_image(), demo_image()) == []


@settings(max_examples=20, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate))
@given(calibrations(), calibrations())
def test_no_difference_means_the_same_words(one: str, two: str) -> None:
    """And any different word is a difference."""
    images = [calibration.pack(None, calibration.parse_calibration(text), layout()) for text in (one, two)]
    found = changes(*images)
    named = [image.names["calibration"] for image in images]
    assert bool(found) == (images[0].words != images[1].words or named[0] != named[1])


def test_exact_decimals_survive() -> None:
    """0.1 is a tenth, not a float near it: 0.35 bar is 35 kPa, 0.345 bar is 34.5, which goes up."""
    text = edited("calibration.toml", ('ask_pressure = "30 bar"', 'ask_pressure = "0.345 bar"'))
    image = calibration.pack(None, calibration.parse_calibration(text), layout())
    assert image.word("grip_ask_kpa") == 35
    assert Decimal("0.345") * 100 == Decimal("34.5")
