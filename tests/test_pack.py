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
from dashpot.calibration.scalars import SCALARS, TABLES
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
    others = ("messages_at", "messages_count", "signals_at", "signals_count", "data_ids_at", "channel_rows",
              "tracker_rows", "layer_on", "body_load_table", "grip_low_sq", "grip_high_sq")  # fmt: skip
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
    ]  # fmt: skip
    assert [(r["rate_mul"], r["velocity_limit"]) for r in image.rows("tracker_row")[3:]] == [
        (100, 2**27), (10_000, 2**19), (1000, 2**23),
    ]  # fmt: skip


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


def test_words_that_no_calibration_gives_are_not_unpacked() -> None:
    """A stroke tracker that differs from corner to corner is fine for the firmware, but no key says it."""
    at = layout().config["tracker_rows"].at + layout().rows["tracker_row"].index("alpha_q10")
    image = calibration.read_image(resealed(demo_image().to_bytes(), at, 7), layout())
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
