"""The modes and what they do to the currents, on real inputs.

`expected_mode` is written down here by hand, from docs/modes.md, and knows nothing of the firmware's table [D].
"""

from __future__ import annotations

import subprocess
import sys
from array import array
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashpot.targets import RunBlock
from firmware_fixtures import Firmware, checked_module
from images import CORNERS, LAYOUT, PERIOD_US, ImageBuilder, block, column, with_inputs
from test_firmware_core import Core

MODES = LAYOUT.modes
START, ACTIVE, REDUCED, SAFE_HOLD, OUTPUT_OFF = (
    MODES.index(name) for name in ("start", "active", "reduced", "safe_hold", "output_off")
)
OFF, HOLD, PART, READY = (1 << LAYOUT.conditions.index(name) for name in ("off", "hold", "part", "ready"))
FLAGS = {name: 1 << i for i, name in enumerate(LAYOUT.board_flags)}
CHANNELS = [channel.name for channel in LAYOUT.channels]
ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def expected_mode(mode: int, off: bool, hold: bool, part: bool, ready: bool) -> int:
    """The next mode, in plain words."""
    if off:
        return OUTPUT_OFF
    if mode == OUTPUT_OFF:
        return SAFE_HOLD  # never straight back to the laws
    if hold:
        return START if mode == START else SAFE_HOLD
    if mode in (START, SAFE_HOLD):
        if not ready:
            return mode
        return REDUCED if part else ACTIVE
    return REDUCED if part else ACTIVE


def test_the_table_is_the_expected_one_for_every_mode_and_all_conditions() -> None:
    modes = checked_module("dashpot.modes")

    def by_table(mode: int, asked: int) -> int:
        for begin, end, needs, without in modes.TRANSITIONS:
            if begin == mode and asked & needs == needs and not asked & without:
                return int(end)
        return mode

    for mode in range(len(MODES)):
        for asked in range(16):
            off, hold, part, ready = (bool(asked & bit) for bit in (OFF, HOLD, PART, READY))
            assert by_table(mode, asked) == expected_mode(mode, off, hold, part, ready), (mode, asked)


# What each check makes of the mode, by docs/modes.md [D]; every coil has five of its own.
CAUSES = {
    "supply_under": OFF, "supply_over": OFF, "driver_hot_off": OFF,
    "bus_off": HOLD, "overrun": HOLD, "memory": HOLD, "held": HOLD,
    "supply_low": PART, "supply_high": PART, "driver_hot": PART,
    "coil_open": PART, "coil_short": PART, "coil_resistance": PART, "coil_resistance_off": PART,
    "coil_tracking": PART,
}  # fmt: skip


@pytest.mark.parametrize("check", [check.name for check in LAYOUT.checks])
def test_what_each_check_makes_of_the_mode_and_of_its_corner(check: str) -> None:
    modes = checked_module("dashpot.modes")
    core = Core(ImageBuilder())
    core[f"tripped.{[check.name for check in LAYOUT.checks].index(check)}"] = 1
    table = array("i", [word for row in modes.TRANSITIONS for word in row])
    modes.choose(core.controller.image, core.state, table)
    kind, _, corner = check.partition(".")
    # What compares signals makes no condition itself: it doubts a channel.
    assert core["conditions"] == CAUSES.get(kind, 0)
    off = 15 if CAUSES.get(kind) == OFF else 0
    if kind.startswith("coil_") and kind != "coil_resistance":  # which is a warning only
        off = 1 << CORNERS.index(corner)
    assert core["corners_off"] == off


# --- taken by real inputs -------------------------------------------------------------------------------------------


def image() -> ImageBuilder:
    """Every condition follows its input in the same tick: all checks trip with one bad tick and heal with one good one."""
    made = ImageBuilder().table("base_table", [0, 1], [1000, 1000])
    made.channel("lateral_mg", required=1, timeout_us=1000).channel("supply_mv", timeout_us=1000)
    made.put("safe_ma", 800, 810, 820, 830)
    quick = {"trip_ticks": 1, "heal_ticks": 1, "heals_most": 100}
    for name in ("bus_off", "held", "driver_hot", "coil_short.rear_left"):
        made.check(name, **quick)
    made.check("overrun", **quick)
    for name, limit in [
        ("supply_low", 9000),
        ("supply_under", 6000),
        ("supply_high", 16_500),
        ("supply_over", 18_000),
    ]:
        made.check(name, limit=limit, heal_limit=limit, **quick)
    return made


# What comes in, and which condition it makes. Nothing else is wrong in such a tick.
INPUTS = {
    "fine": (READY, {}),
    "required lost": (HOLD | PART, {}),
    "other lost": (READY | PART, {}),
    "bus off": (READY | HOLD, {"flags": FLAGS["bus_off"]}),
    "held": (READY | HOLD, {"flags": FLAGS["held"]}),
    "hot": (READY | PART, {"flags": FLAGS["driver_hot"]}),
    "short": (READY | PART, {"flags": FLAGS["over_current_rear_left"]}),
    "low": (READY | PART, {"supply_mv": 8999}),
    "high": (READY | PART, {"supply_mv": 16_501}),
    "under": (READY | PART | OFF, {"supply_mv": 5999}),
    "over": (READY | PART | OFF, {"supply_mv": 18_001}),
    "under and lost": (HOLD | PART | OFF, {"supply_mv": 5999}),
    "under and held": (READY | HOLD | PART | OFF, {"supply_mv": 5999, "flags": FLAGS["held"]}),
    "just not low": (READY, {"supply_mv": 9000}),
    "just not high": (READY, {"supply_mv": 16_500}),
}
LACKS = {"required lost": "lateral_mg", "under and lost": "lateral_mg", "other lost": "supply_mv"}


def drive(kinds: list[str], first_tick: int = 0) -> Iterator[RunBlock]:
    for i, kind in enumerate(kinds):
        values = dict.fromkeys([name for name in CHANNELS if name != LACKS.get(kind)], 0)
        yield with_inputs(block(values, first_tick=first_tick + i), **INPUTS[kind][1])


def conditions(kinds: list[str]) -> np.ndarray:
    return np.array([INPUTS[kind][0] for kind in kinds])


def run(firmware: Firmware, kinds: list[str]) -> np.ndarray:
    """Run ticks of these kinds from a reset, joined to one block where the frames allow."""
    blocks = list(drive(kinds))
    joined = RunBlock(
        0,
        np.concatenate([b.ticks for b in blocks]),
        np.concatenate([b.frames for b in blocks]),
        np.concatenate([b.log_us for b in blocks]),
    )
    return firmware.run(image().build(), joined)


# A way for each row of the table, and one for each that leads nowhere.
WAYS = [
    (["required lost", "under"], [START, OUTPUT_OFF]),
    (["fine"], [ACTIVE]),
    (["other lost"], [REDUCED]),
    (["low"], [REDUCED]),
    (["fine", "over"], [ACTIVE, OUTPUT_OFF]),
    (["fine", "required lost"], [ACTIVE, SAFE_HOLD]),
    (["fine", "bus off"], [ACTIVE, SAFE_HOLD]),
    (["fine", "hot"], [ACTIVE, REDUCED]),
    (["fine", "short"], [ACTIVE, REDUCED]),
    (["other lost", "under"], [REDUCED, OUTPUT_OFF]),
    (["other lost", "held"], [REDUCED, SAFE_HOLD]),
    (["other lost", "fine"], [REDUCED, ACTIVE]),
    (["fine", "bus off", "under"], [ACTIVE, SAFE_HOLD, OUTPUT_OFF]),
    (["fine", "bus off", "fine"], [ACTIVE, SAFE_HOLD, ACTIVE]),
    (["fine", "bus off", "high"], [ACTIVE, SAFE_HOLD, REDUCED]),
    (["under", "fine", "fine"], [OUTPUT_OFF, SAFE_HOLD, ACTIVE]),
    # The first row that fits counts: off before hold before part.
    (["fine", "under and lost", "required lost", "fine"], [ACTIVE, OUTPUT_OFF, SAFE_HOLD, ACTIVE]),
    (["fine", "under and held", "held", "other lost"], [ACTIVE, OUTPUT_OFF, SAFE_HOLD, REDUCED]),
    # Nothing fits: the mode stays.
    (["required lost"] * 3 + ["bus off"] * 2 + ["held"] + ["fine"], [START] * 6 + [ACTIVE]),
    (["under"] * 3 + ["over"], [OUTPUT_OFF] * 4),
    (["fine", "required lost", "required lost", "bus off"], [ACTIVE] + [SAFE_HOLD] * 3),
    (["fine", "just not low", "just not high"], [ACTIVE] * 3),
]


@pytest.mark.parametrize(("kinds", "modes"), WAYS)
def test_a_way_is_taken(firmware: Firmware, kinds: list[str], modes: list[int]) -> None:
    trace = run(firmware, kinds)
    assert column(trace, "conditions").tolist() == conditions(kinds).tolist()
    assert column(trace, "mode").tolist() == modes


def test_the_ways_take_every_row_of_the_table(firmware: Firmware) -> None:
    rows = set()
    for kinds, modes in WAYS:
        for begin, end, asked in zip([START, *modes], modes, conditions(kinds).tolist(), strict=False):
            fits = [
                row for row in checked_module("dashpot.modes").TRANSITIONS
                if row[0] == begin and asked & row[2] == row[2] and not asked & row[3]
            ]  # fmt: skip
            if fits:
                assert fits[0][1] == end
                rows.add(fits[0])
    assert rows == set(checked_module("dashpot.modes").TRANSITIONS)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(kinds=st.lists(st.sampled_from(list(INPUTS)), min_size=1, max_size=60))
def test_any_conditions_lead_along_the_table_only(firmware: Firmware, kinds: list[str]) -> None:
    trace = run(firmware, kinds)
    asked = conditions(kinds)
    assert column(trace, "conditions").tolist() == asked.tolist()
    mode = START
    for got, bits in zip(column(trace, "mode").tolist(), asked.tolist(), strict=True):
        mode = expected_mode(mode, *(bool(bits & bit) for bit in (OFF, HOLD, PART, READY)))
        assert got == mode
    check_currents(trace, image())


def check_currents(trace: np.ndarray, made: ImageBuilder) -> None:
    """What holds in every mode: no current only where a corner is off; else least to most, in steps of the slew."""

    def words(name: str) -> np.ndarray:
        word = LAYOUT.config[name]
        return np.array(made.words[word.at : word.at + word.count])

    current = column(trace, "current_ma")
    off = column(trace, "corners_off")[:, None] >> np.arange(4) & 1
    assert np.array_equal(current == 0, off == 1)
    assert (off[column(trace, "mode") == OUTPUT_OFF] == 1).all()
    least, most, up, down = (words(name) for name in ("least_ma", "most_ma", "slew_up_ma", "slew_down_ma"))
    assert ((current >= least) | (off == 1)).all()
    assert (current <= most).all()
    before = np.vstack([words("safe_ma"), current[:-1]])
    # Out of nothing a current begins at the least.
    before = np.maximum(before, least)
    assert ((current <= before + up) & ((current >= before - down) | (off == 1))).all()


# --- what a mode does -----------------------------------------------------------------------------------------------


def test_output_off_takes_all_currents_at_once_and_gives_them_back_by_slew(firmware: Firmware) -> None:
    made = image().fill("slew_up_ma", 50).fill("slew_down_ma", 40).put("return_q10", 16)
    trace = firmware.run(
        made.build(),
        [
            block(dict.fromkeys(CHANNELS, 0), ticks=100),
            with_inputs(block(dict.fromkeys(CHANNELS, 0), ticks=20, first_tick=100), supply_mv=5000),
            block(dict.fromkeys(CHANNELS, 0), ticks=100, first_tick=120),
        ],
    )
    current, authority = column(trace, "current_ma")[:, 0], column(trace, "authority_q10")
    assert current[99] == 1600
    assert not current[100:120].any(), "in the very tick"
    assert (column(trace, "corners_off")[100:120] == 15).all()
    assert not authority[100:120].any()
    assert column(trace, "mode")[118:122].tolist() == [OUTPUT_OFF, OUTPUT_OFF, SAFE_HOLD, ACTIVE]
    # 300 mA are the least: from there by slew, while the laws come back over 64 ticks.
    assert current[120:125].tolist() == [350, 400, 450, 500, 550]
    assert (np.diff(current[120:]) <= 50).all()
    assert authority[120:125].tolist() == [0, 16, 32, 48, 64]
    assert current[-1] == 1600
    check_currents(trace, made)


@pytest.mark.parametrize(("leave", "back"), [(64, 16), (1024, 1024), (1, 1), (100, 300)])
def test_authority_goes_by_its_own_steps_out_and_back(firmware: Firmware, leave: int, back: int) -> None:
    made = image().put("leave_q10", leave).put("return_q10", back)
    out, home = -(-1024 // leave), -(-1024 // back)
    fine = dict.fromkeys(CHANNELS, 0)
    trace = firmware.run(
        made.build(),
        [
            block(fine, ticks=home + 5),
            with_inputs(block(fine, ticks=out + 5, first_tick=home + 5), flags=FLAGS["bus_off"]),
            block(fine, ticks=home + 5, first_tick=home + out + 10),
        ],
    )
    authority = column(trace, "authority_q10")
    up = np.minimum(1024, back * np.arange(1, home + 6))
    down = np.maximum(0, 1024 - leave * np.arange(1, out + 6))
    assert authority.tolist() == [*up, *down, *up]
    at_rest = home + 5 + out
    assert column(trace, "current_ma")[at_rest].tolist() == [800, 810, 820, 830]


def test_the_way_out_goes_by_time_when_ticks_are_late(firmware: Firmware) -> None:
    # Three periods in one tick are three steps; more than sixteen count as sixteen.
    made = image().put("leave_q10", 10).put("return_q10", 1024).put("command_expiry_us", 1_000_000)
    made.check("overrun", trip_ticks=0)
    fine = dict.fromkeys(CHANNELS, 0)
    gaps = np.array(
        [PERIOD_US] * 10 + [PERIOD_US, 3 * PERIOD_US, 3 * PERIOD_US // 2, 500, 16 * PERIOD_US, 40 * PERIOD_US]
    )
    whole = block(fine, ticks=len(gaps))
    now = np.cumsum(gaps)
    whole.frames[:, 0] = np.repeat(now, len(CHANNELS))
    flags = np.where(np.arange(len(gaps)) < 10, 0, FLAGS["bus_off"])
    trace = firmware.run(made.build(), with_inputs(whole, now_us=now, flags=flags))
    assert np.diff(column(trace, "authority_q10")[9:]).tolist() == [-10, -30, -15, -10, -160, -160]


@pytest.mark.parametrize("dead", CORNERS)
@pytest.mark.parametrize("match", [700, 0])
def test_the_partner_of_a_dead_corner_matches_it(firmware: Firmware, dead: str, match: int) -> None:
    at = CORNERS.index(dead)
    made = image().fill("match_ma", match).fill("slew_down_ma", 100)
    made.check(f"coil_short.{dead}", trip_ticks=2, heal_ticks=10, heals_most=3)
    fine = dict.fromkeys(CHANNELS, 0)
    trace = firmware.run(
        made.build(),
        [
            block(fine, ticks=50),
            with_inputs(block(fine, ticks=50, first_tick=50), flags=FLAGS[f"over_current_{dead}"]),
            block(fine, ticks=50, first_tick=100),
        ],
    )
    current, off = column(trace, "current_ma"), column(trace, "corners_off")
    partner, others = at ^ 1, [i for i in range(4) if i >> 1 != at >> 1]
    # The second bad tick is 51.
    assert not off[:51].any()
    assert not current[51:109, at].any()
    assert (current[:, others] == 1600).all(), "the other axle goes on"
    if match:
        assert (off[51:109] == 1 << at).all()
        assert current[51:61, partner].tolist() == [1500, 1400, 1300, 1200, 1100, 1000, 900, 800, 700, 700]
        assert (current[60:109, partner] == match).all()
    else:
        assert (off[51:109] == (1 << at | 1 << partner)).all()
        assert not current[51:109, partner].any()
    assert (column(trace, "mode")[51:109] == REDUCED).all()
    # Ten good ticks heal it, and both come back.
    assert not off[109:].any()
    assert (current[-1] == 1600).all()
    assert column(trace, "mode")[-1] == ACTIVE
    check_currents(trace, made)


@pytest.mark.parametrize("match", [700, 0])
def test_two_dead_corners_of_an_axle_are_both_off(firmware: Firmware, match: int) -> None:
    made = image().fill("match_ma", match)
    for corner in ("rear_left", "rear_right"):
        made.check(f"coil_short.{corner}", trip_ticks=1, heal_ticks=10, heals_most=3)
    flags = FLAGS["over_current_rear_left"] | FLAGS["over_current_rear_right"]
    trace = firmware.run(made.build(), with_inputs(block(dict.fromkeys(CHANNELS, 0), ticks=20), flags=flags))
    assert (column(trace, "corners_off") == 12).all()
    assert (column(trace, "current_ma")[-1] == [1600, 1600, 0, 0]).all()
    check_currents(trace, made)


def test_a_partner_matches_in_safe_hold_too(firmware: Firmware) -> None:
    made = image().fill("match_ma", 700)
    flags = FLAGS["over_current_rear_left"] | FLAGS["bus_off"]
    trace = firmware.run(made.build(), with_inputs(block(dict.fromkeys(CHANNELS, 0), ticks=20), flags=flags))
    assert column(trace, "mode")[-1] == START
    assert column(trace, "current_ma")[-1].tolist() == [800, 810, 0, 700]


@pytest.mark.parametrize("weak", ["low", "high", "hot"])
def test_a_weak_supply_or_a_hot_driver_limits_every_current(firmware: Firmware, weak: str) -> None:
    made = image().put("derate_ma", 1000, 1100, 1200, 1600).fill("slew_down_ma", 100)
    fine = dict.fromkeys(CHANNELS, 0)
    trace = firmware.run(
        made.build(),
        [
            block(fine, ticks=20),
            with_inputs(block(fine, ticks=20, first_tick=20), **INPUTS[weak][1]),
            block(fine, ticks=20, first_tick=40),
        ],
    )
    assert (column(trace, "mode")[20:40] == REDUCED).all()
    assert (column(trace, "target_ma")[20:40] == [1000, 1100, 1200, 1600]).all()
    assert column(trace, "current_ma")[20:28, 0].tolist() == [1500, 1400, 1300, 1200, 1100, 1000, 1000, 1000]
    assert (column(trace, "current_ma")[-1] == 1600).all()


def test_a_derated_current_below_it_is_left_alone(firmware: Firmware) -> None:
    made = image().table("base_table", [0, 1], [100, 100]).fill("derate_ma", 1000)
    trace = firmware.run(
        made.build(), with_inputs(block(dict.fromkeys(CHANNELS, 0), ticks=20), supply_mv=8000)
    )
    assert (column(trace, "current_ma")[-1] == 430).all()


def test_a_driver_hot_for_long_turns_off(firmware: Firmware) -> None:
    made = image()
    made.check("driver_hot", trip_ticks=5, heal_ticks=5, heals_most=9)
    made.check("driver_hot_off", trip_ticks=50, heal_ticks=5, heals_most=9)
    hot = with_inputs(block(dict.fromkeys(CHANNELS, 0), ticks=60), flags=FLAGS["driver_hot"])
    mode = column(firmware.run(made.build(), hot), "mode")
    assert mode.tolist() == [ACTIVE] * 4 + [REDUCED] * 45 + [OUTPUT_OFF] * 11


@pytest.mark.parametrize("name", ["coil_resistance", "coil_resistance_off", "coil_open", "coil_tracking"])
def test_what_each_coil_check_does_to_its_corner(firmware: Firmware, name: str) -> None:
    # A hot coil first is a warning only: reduced, and no corner is off.
    made = image().put("current_control", 1).put("open_permille", 250)
    made.check(f"{name}.front_right", trip_ticks=1, heal_ticks=1, limit=100, heal_limit=100)
    permille = 40_000 if name == "coil_open" else 3000
    made.put("resistance_q10", 1024).check("coil_short.rear_left", limit=5000)
    trace = firmware.run(
        made.build(),
        [
            block(dict.fromkeys(CHANNELS, 0), ticks=100),
            with_inputs(
                block(dict.fromkeys(CHANNELS, 0), ticks=100, first_tick=100),
                coil_permille_front_right=permille,
            ),
        ],
    )
    assert column(trace, "mode")[99] == ACTIVE
    assert column(trace, "mode")[-1] == REDUCED
    assert column(trace, "corners_off")[-1] == (0 if name == "coil_resistance" else 2)


# --- the page -------------------------------------------------------------------------------------------------------


def test_the_page_has_the_table_of_the_firmware() -> None:
    tool = [sys.executable, ROOT / "tools" / "modes_table.py"]
    done = subprocess.run(
        [*tool, "--check", ROOT / "docs" / "modes.md"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_a_stale_page_is_found(tmp_path: Path) -> None:
    tool = [sys.executable, ROOT / "tools" / "modes_table.py"]
    text = (ROOT / "docs" / "modes.md").read_text(encoding="utf-8")
    for name, changed in {
        "other.md": text.replace("| safe_hold | output_off |", "| safe_hold | active |", 1),
        "none.md": text.replace("<!-- modes: end -->", ""),
    }.items():
        assert changed != text
        page = tmp_path / name
        page.write_text(changed, encoding="utf-8")
        done = subprocess.run([*tool, "--check", page], capture_output=True, text=True, check=False)
        assert done.returncode == 1
        assert name in done.stderr
        assert page.read_text(encoding="utf-8") == changed, "a check changes nothing"


def test_the_tool_can_put_the_table_into_a_page(tmp_path: Path) -> None:
    tool = [sys.executable, ROOT / "tools" / "modes_table.py"]
    text = (ROOT / "docs" / "modes.md").read_text(encoding="utf-8")
    page = tmp_path / "modes.md"
    page.write_text(text.replace("| safe_hold | output_off |", "| safe_hold | active |"), encoding="utf-8")
    subprocess.run([*tool, "--write", page], check=True)
    assert page.read_text(encoding="utf-8") == text
    printed = subprocess.run(tool, capture_output=True, text=True, check=True).stdout
    assert printed in text
