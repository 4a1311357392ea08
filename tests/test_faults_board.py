"""Faults behind the board's pins: what they give the board, and the expectations that follow from the image."""

from __future__ import annotations

import numpy as np
import pytest

from dashpot.faults import Row
from dashpot.faults.board_kinds import BUS_OFF, DRIVER_HOT, OVER_CURRENT
from dashpot.faults.expect import HANGS, PATROL_WORDS, Expect
from dashpot.faults.plan import GUARDED_WORDS, words_of
from dashpot.faults.stimulus import Poke
from dashpot.targets.contract import NOMINAL_INPUTS
from faults_kit import END_US, ONSET_US, PLAN_HEAD, bus, image, injected, plan_of, stimulus
from images import FIRMWARE, LAYOUT


def inside(kind: str, target: str = "", severity: object = None) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Times since the onset and inputs in the time of a fault; outside of it the board says what it always does."""
    given = injected(kind, target, severity)
    at_us = given.ticks.at_us
    there = (at_us >= ONSET_US) & (at_us < END_US)
    for name, values in given.ticks.inputs.items():
        assert set(values[~there].tolist()) == {NOMINAL_INPUTS[name]}, name
    assert given.frames.same(stimulus().frames) or kind == "bus_off_reported"
    return at_us[there] - ONSET_US, {name: values[there] for name, values in given.ticks.inputs.items()}


def changed(inputs: dict[str, np.ndarray]) -> set[str]:
    return {name for name, values in inputs.items() if (values != NOMINAL_INPUTS[name]).any()}


def test_a_step_of_the_supply() -> None:
    _, inputs = inside("supply_step", severity="5.25 V")
    assert changed(inputs) == {"supply_mv"}
    assert set(inputs["supply_mv"].tolist()) == {5250}


def test_a_ramp_of_the_supply_goes_stays_and_comes_back() -> None:
    since_us, inputs = inside("supply_ramp", severity="3.5 V")
    supply = inputs["supply_mv"]
    # 10 V in 200 ms each way.
    expected = 13_500 - 10_000 * np.clip(np.minimum(since_us, 600_000 - since_us) / 200_000, 0, 1)
    np.testing.assert_allclose(supply, expected, atol=0.5)
    assert np.count_nonzero(supply == 3500) == 101


@pytest.mark.parametrize(
    ("kind", "target", "flag", "name"),
    [("driver_hot", "", DRIVER_HOT, "driver_hot"), ("bus_off_flag", "", BUS_OFF, "bus_off"),
     ("bus_off_reported", "", BUS_OFF, "bus_off"),
     *[("over_current", c, OVER_CURRENT << i, f"over_current_{c}") for i, c in enumerate(LAYOUT.corners)]],
)  # fmt: skip
def test_flags_are_those_of_the_layout(kind: str, target: str, flag: int, name: str) -> None:
    assert flag == 1 << LAYOUT.board_flags.index(name)
    _, inputs = inside(kind, target)
    assert changed(inputs) == {"flags"}
    assert set(inputs["flags"].tolist()) == {flag}


def test_a_reported_bus_off_has_no_frames() -> None:
    given = injected("bus_off_reported").frames
    assert not ((given.at_us >= ONSET_US) & (given.at_us < END_US)).any()


@pytest.mark.parametrize("corner", LAYOUT.corners)
def test_a_coils_fault_is_in_its_corner(corner: str) -> None:
    """From 40 000 per mille on the host board takes a coil for open, below 100 its turns for bridged."""
    name = f"coil_permille_{corner}"
    for kind, severity, low, high in (
        ("coil_open", None, 40_000, 40_000), ("coil_short", None, 1, 99), ("coil_step", 1800, 1800, 1800),
    ):  # fmt: skip
        _, inputs = inside(kind, corner, severity)
        assert changed(inputs) == {name}
        assert low <= inputs[name].min() <= inputs[name].max() <= high


def test_a_drift_goes_evenly_and_stays() -> None:
    given = injected("coil_drift", "rear_left", 400).ticks
    course = given.inputs["coil_permille_rear_left"]
    at = {since_ms: int(course[(ONSET_US + 1000 * since_ms) // 2000]) for since_ms in (-2, 0, 300, 600, 1000)}
    assert at == {-2: 1000, 0: 1000, 300: 700, 600: 400, 1000: 400}


def test_a_loose_contact_is_bad_half_of_the_time() -> None:
    since_us, inputs = inside("coil_chatter", "front_right", "6 ms")
    course = inputs["coil_permille_front_right"]
    assert set(course.tolist()) == {1000, 4000}
    assert np.array_equal(course == 4000, since_us % 12_000 < 6000)


def test_bits_turn_over_once_where_they_are_named() -> None:
    for kind, place, index in (
        ("memory_bit", "image", LAYOUT.config["slew_up_ma"].at + 3), ("limits_bit", "limits", 15),
    ):  # fmt: skip
        given = injected(kind, "slew_up_ma.rear_right", 31)
        assert given.ticks.pokes == {ONSET_US // 2000: (Poke(place, index, -(1 << 31)),)}
        assert given.ticks.inputs is stimulus().ticks.inputs


def test_words_are_named_as_the_layout_has_them_and_tables_mean_a_value() -> None:
    words = words_of(image())
    assert not any(word.at < 6 and name != "period_us" for name, word in words.items())
    guarded = [word for word in words.values() if word.limit is not None]
    assert sorted(word.limit for word in guarded if word.limit is not None) == list(range(GUARDED_WORDS))
    assert all(word.name.endswith(LAYOUT.corners[word.corner]) for word in guarded)
    assert {word.name.partition(".")[0] for word in guarded} == {
        "safe_ma", "least_ma", "most_ma", "slew_up_ma", "slew_down_ma",
    }  # fmt: skip
    _, currents = image().curve("valve_table", 1)
    assert image().words[words["valve_table.front_right"].at] == currents[-1]
    _, _, maps = image().body_load()
    assert image().words[words["body_load_table"].at] == maps[-1][-1]


def test_what_the_bench_knows_of_the_firmware_is_true() -> None:
    """Numbers that the layout does not carry."""
    boot = (FIRMWARE / "dashpot" / "boot.py").read_text(encoding="utf-8")
    memory = (FIRMWARE / "dashpot" / "memory.py").read_text(encoding="utf-8")
    core = (FIRMWARE / "dashpot" / "core.py").read_text(encoding="utf-8")
    assert f"\nHANGS = {HANGS}\n" in boot
    assert f"\n_WORDS = const({PATROL_WORDS})\n" in memory
    assert f"\n_LIMITS = const({GUARDED_WORDS})\n" in core


# Expectations. Limits and times are those of the demo's calibration.toml [D]; two ticks are 4 ms.


def row(kind: str, more: str = "", length: str | None = "400 ms") -> Row:
    text = f'[rows.t]\nfault = "{kind}"\nonset = "straight"\n{more}\n'
    (made,) = plan_of(PLAN_HEAD + text + (f'length = "{length}"\n' if length else "")).rows[:1]
    return made


def expect(kind: str, more: str = "", length: str | None = "400 ms") -> Expect:
    return row(kind, more, length).expect


@pytest.mark.parametrize(
    ("severity", "reaction", "code", "detect_ms"),
    [("5 V", "output_off", "supply_low", 14), ("6 V", "derate", "supply_low", 14), ("8.9 V", "derate", "supply_low", 14),
     ("9 V", "none", "", None), ("16.5 V", "none", "", None), ("17 V", "derate", "supply_high", 14),
     ("18.1 V", "output_off", "supply_high", 14)],
)  # fmt: skip
def test_a_supply_past_the_nearer_limit_is_derated_past_the_farther_off(
    severity: str, reaction: str, code: str, detect_ms: int | None
) -> None:
    made = expect("supply_step", f'severity = "{severity}"')
    assert (made.reaction, made.codes) == (reaction, (code,) if code else ())
    assert made.detect_us == (None if detect_ms is None else detect_ms * 1000)
    if reaction == "derate":
        # 1300 mA down at 120 mA a tick are 11 ticks.
        assert made.budget_us == 14_000 + 22_000
    if severity == "18.1 V":
        # 18 V trips after 2 ms, the code of both is at the latest that of 16.5 V.
        assert made.budget_us == 6000


def test_a_dip_shorter_than_its_debounce_is_nothing() -> None:
    assert expect("supply_step", 'severity = "5 V"', "8 ms") == Expect()


def test_a_slow_supply_is_seen_at_its_limit_and_held_until_it_heals() -> None:
    made = expect("supply_ramp", 'severity = "7.5 V"', "1500 ms")
    # 6 V in 500 ms: 9 V is 375 ms down, 9.5 V is 333.3 ms before the end.
    assert (made.reaction, made.detect_us, made.hold_us) == ("derate", 375_000 + 14_000, 1_500_000 - 333_333)
    assert row("supply_ramp", 'severity = "7.5 V"', "1500 ms").hold_us == made.hold_us


def test_a_hot_driver_is_derated_and_then_off() -> None:
    assert expect("driver_hot", length="40 ms") == Expect()
    assert expect("driver_hot").reaction == "derate"
    long = expect("driver_hot", length="3 s")
    assert (long.reaction, long.detect_us, long.budget_us) == ("output_off", 54_000, 2_004_000)


def test_an_open_coil_is_latched_and_a_short_heals() -> None:
    opened = expect("coil_open", 'corner = "rear_left"')
    assert (opened.codes, opened.reaction, opened.latched) == (("coil_open", "latched"), "corner_off", True)
    assert (opened.detect_us, opened.budget_us) == (14_000, 36_000)
    short = expect("over_current", 'corner = "rear_left"')
    assert (short.codes, short.reaction, short.latched, short.detect_us) == (
        ("coil_short",),
        "corner_off",
        False,
        6000,
    )


def test_a_resistance_is_told_then_acted_on() -> None:
    told = expect("coil_step", 'corner = "rear_left"\nseverity = 2200', "3 s")
    assert (told.codes, told.reaction) == (("coil_resistance", "latched"), "reduced")
    # -tau ln(1 - 0.751/1.2), 1.7 by 3 % more, and a second [X]; 4 parts of 1024 in 2 ms are a tau of 511 ms.
    assert told.detect_us == pytest.approx(1e6 * (1 - 0.511 * np.log(1 - 0.751 / 1.2)) + 4000, abs=4000)
    acted = expect("coil_step", 'corner = "rear_left"\nseverity = 2200', "8 s")
    assert (acted.codes, acted.reaction, acted.detect_us) == (told.codes, "corner_off", told.detect_us)
    assert acted.budget_us is not None
    assert acted.budget_us - told.detect_us == 4_000_000 + 22_000
    assert expect("coil_step", "severity = 1600") == Expect()


def test_memory_is_found_within_two_rounds_and_limits_at_once() -> None:
    made = expect("memory_bit", 'word = "report_ticks"', None)
    rounds_us = 2 * -(-len(image().words) // 8) * 2000
    assert (made.reaction, made.detect_us, made.latched) == ("safe_hold", rounds_us + 4000, True)
    at_once = row("limits_bit", 'word = "least_ma.rear_left"', None)
    assert (at_once.expect.reaction, at_once.expect.detect_us) == ("held_off", 6000)
    # It happens once and stays: the window is long enough to see that.
    assert at_once.span_us >= at_once.hold_us == (at_once.expect.budget_us or 0) + 100_000


def test_a_hang_is_a_late_tick_then_a_reset_then_a_hold() -> None:
    assert expect("hang", length="10 ms").codes == ("late_tick",)
    old = expect("hang", length="30 ms")
    assert (old.codes, old.may, old.reaction) == (("late_tick", "command_stale"), ("guard_rate",), "none")
    reset = expect("hang", length="60 ms")
    assert (reset.codes, reset.reaction, reset.detect_us) == (
        ("channel_lost", "required_lost"),
        "restart",
        54_000,
    )
    assert expect("hangs", "severity = 2", "1 s").codes == reset.codes
    held = expect("hangs", "severity = 3", "900 ms")
    assert (held.codes, held.latched) == ((*reset.codes, "held", "latched"), True)
    assert held.detect_us == 2 * 300_000 + 50_000 + 8000


def test_slow_ticks_are_an_overrun_past_one_and_a_quarter_periods_and_late_past_one_and_a_half() -> None:
    assert expect("slow_ticks", "severity = 1250") == Expect()
    made = expect("slow_ticks", "severity = 1500")
    assert (made.codes, made.may, made.reaction) == (("overrun",), ("late_tick",), "safe_hold")
    made = expect("slow_ticks", "severity = 2000")
    assert (made.codes, made.reaction) == (("late_tick", "overrun"), "safe_hold")
    assert (made.detect_us, made.budget_us) == (5 * 4000, 100_000)


def test_the_can_controllers_word_is_quicker_than_the_silence() -> None:
    flag = expect("bus_off_flag")
    assert (flag.codes, flag.reaction, flag.detect_us, flag.lost) == (("bus_off",), "safe_hold", 8000, ())
    both = expect("bus_off_reported")
    assert both.codes == ("bus_off", "channel_lost", "required_lost")
    assert expect("bus_off_flag", length="2 ms") == Expect()
    assert set(bus().messages) >= {"Inertial", "Yaw_Rate"}
