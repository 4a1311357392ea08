"""The verdict: each way to fail is planted in a made-up recording and must be found; the good one must pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from dashpot.faults import Judge, Recording, Result, Row
from dashpot.faults.expect import Expect
from dashpot.faults.judge import LATE, LIMIT, NO_STIMULUS, PASS, WRONG
from dashpot.faults.kinds import KINDS
from dashpot.faults.memory import Boot, disagreements, places
from dashpot.faults.plan import PlannedFault
from dashpot.faults.registry import Corner
from dashpot.faults.stimulus import Frames, Stimulus, regular_ticks
from faults_kit import bus, image
from images import LAYOUT

PERIOD_US = 2000
LEAD_US = 200_000
LENGTH_US = 400_000
AFTER_US = 400_000
SAFE_MA = 800
LOST_AT, SAFE_AT = 30_000, 90_000
MODES = {name: i for i, name in enumerate(LAYOUT.modes)}
FAULT = {name: 1 << i for i, name in enumerate(LAYOUT.faults)}
LATERAL = LAYOUT.channel_index("lateral_mg")

EXPECT = Expect(
    codes=("channel_lost", "required_lost"), reaction="safe_hold", lost=("lateral_mg",), detect_us=34_000,
    budget_us=100_000,
)  # fmt: skip


def put(trace: np.ndarray, name: str, rows: slice, value: int) -> None:
    word = LAYOUT.state[name]
    trace[rows, word.at : word.at + word.count] = value


def at(since_us: int) -> int:
    """The tick at a time since the onset."""
    return (LEAD_US + since_us) // PERIOD_US


def reference() -> Recording:
    ticks = regular_ticks(PERIOD_US, LEAD_US + LENGTH_US + AFTER_US)
    trace = np.zeros((len(ticks), LAYOUT.trace_words), np.int32)
    put(trace, "mode", slice(None), MODES["active"])
    put(trace, "authority_q10", slice(None), 1024)
    put(trace, "current_ma", slice(None), 1000)
    return Recording(ticks.at_us, trace)


def held() -> np.ndarray:
    """The trace of a controller that does it right: lost after 30 ms, at the safe current after 90 ms, back at the end."""
    trace = reference().trace.copy()
    lost = slice(at(LOST_AT), at(LENGTH_US))
    put(trace, "mode", lost, MODES["safe_hold"])
    put(trace, "channels_lost", lost, 1 << LATERAL)
    put(trace, "faults", lost, FAULT["channel_lost"] | FAULT["required_lost"])
    put(trace, "authority_q10", lost, 0)
    steps = np.linspace(1000, SAFE_MA, at(SAFE_AT) - at(LOST_AT) + 1).round().astype(int)
    for i, value in enumerate(steps):
        put(trace, "current_ma", slice(at(LOST_AT) + i, at(LOST_AT) + i + 1), int(value))
    put(trace, "current_ma", slice(at(SAFE_AT), at(LENGTH_US)), SAFE_MA)
    # 50 mA a tick back.
    for i in range(4):
        put(trace, "current_ma", slice(at(LENGTH_US) + i, at(LENGTH_US) + i + 1), SAFE_MA + 50 * (i + 1))
    return trace


def frames(count: int = 500) -> Frames:
    at_us = np.arange(count, dtype=np.int64) * 2000
    key = np.full(count, bus().messages["Inertial"].key, np.int32)
    return Frames(at_us, key, np.full(count, 8, np.uint8), np.zeros((count, 8), np.uint8))


def made_row(expect: Expect, kind: str = "drop") -> Row:
    fault = PlannedFault(KINDS[kind], bus().messages["Inertial"], None, "Inertial", "", 0, LENGTH_US)
    return Row("a/row", "a", "here", LEAD_US, LEAD_US, (fault,), expect, AFTER_US)


def judged(
    trace: np.ndarray,
    expect: Expect = EXPECT,
    *,
    kind: str = "drop",
    same: bool = False,
    ticks: np.ndarray | None = None,
) -> Result:
    was = Stimulus(frames(), regular_ticks(PERIOD_US, LEAD_US + LENGTH_US + AFTER_US))
    given = was if same else replace(was, frames=frames(400))
    at_us = reference().at_us if ticks is None else ticks
    return Judge(image()).judge(made_row(expect, kind), reference(), was, Recording(at_us, trace), given)


def test_the_right_reaction_passes_with_its_times() -> None:
    result = judged(held(), replace(EXPECT, recovery_us=(0, 10_000)))
    assert (result.verdict, result.why) == (PASS, ())
    assert result.codes == {"channel_lost": 30.0, "required_lost": 30.0}
    assert (result.detect_ms, result.safe_ms, result.recovery_ms) == (30.0, 90.0, 0.0)
    assert (result.least_ma, result.most_ma) == (SAFE_MA, 1000)
    # 50 mA up in a tick; 80 A/s is 160 mA in 2 ms.
    assert result.slew_share == pytest.approx(50 / 160, abs=1e-4)
    assert result.changed == {"frames": 100, "ticks": 0, "seen": True}


def late_code(trace: np.ndarray) -> None:
    put(trace, "faults", slice(at(30_000), at(36_000)), 0)


def late_safe(trace: np.ndarray) -> None:
    put(trace, "current_ma", slice(at(90_000), at(104_000)), SAFE_MA + 1)


def no_code(trace: np.ndarray) -> None:
    put(trace, "faults", slice(None), FAULT["channel_lost"])


def other_code(trace: np.ndarray) -> None:
    put(
        trace,
        "faults",
        slice(at(200_000), at(202_000)),
        FAULT["channel_lost"] | FAULT["required_lost"] | FAULT["guard_rate"],
    )


def leaves_safe(trace: np.ndarray) -> None:
    """One corner, one tick, one milliampere, just before the end of the fault."""
    trace[at(LENGTH_US) - 1, LAYOUT.state["current_ma"].at + 2] = SAFE_MA + 1


def other_mode(trace: np.ndarray) -> None:
    put(trace, "mode", slice(at(LOST_AT), at(LENGTH_US)), MODES["reduced"])


def other_channel(trace: np.ndarray) -> None:
    put(trace, "channels_lost", slice(at(LOST_AT), at(LENGTH_US)), 3 << LATERAL)


def too_high(trace: np.ndarray) -> None:
    """1600 mA is the most of every corner."""
    corner = LAYOUT.state["current_ma"].at + 3
    for i, value in enumerate(range(1000, 1700, 100)):
        trace[at(LENGTH_US) + 20 + i, corner] = value
    trace[at(LENGTH_US) + 27 :, corner] = 1601


def too_low(trace: np.ndarray) -> None:
    corner = LAYOUT.state["current_ma"].at
    for i, value in enumerate(range(1000, 200, -100)):
        trace[at(LENGTH_US) + 20 + i, corner] = value
    trace[at(LENGTH_US) + 28 :, corner] = 299


def too_fast_up(trace: np.ndarray) -> None:
    """161 mA in a tick where 160 are allowed."""
    trace[at(LENGTH_US) + 10, LAYOUT.state["current_ma"].at] = 1161
    trace[at(LENGTH_US) + 11, LAYOUT.state["current_ma"].at] = 1080


def too_fast_down(trace: np.ndarray) -> None:
    """121 mA in a tick where 120 are allowed."""
    trace[at(LENGTH_US) + 10, LAYOUT.state["current_ma"].at + 1] = 879


PLANTED: dict[str, tuple[Callable[[np.ndarray], None], str, str]] = {
    "late code": (late_code, LATE, "detected after 36 ms, 34 ms are allowed"),
    "late reaction": (late_safe, LATE, "safe_hold complete after 104 ms, 100 ms are allowed"),
    "no code": (no_code, WRONG, "required_lost never came"),
    "another code": (other_code, WRONG, "guard_rate came and was not expected"),
    "not to the end": (leaves_safe, WRONG, "safe_hold was not complete at the end of the fault"),
    "another mode": (other_mode, WRONG, "mode reduced"),
    "another channel": (other_channel, WRONG, "lost at the end of the fault: lateral_mg, longitudinal_mg"),
    "past the most": (too_high, LIMIT, "rear_right at 800 to 1601 mA, the limits are 300 to 1600 mA"),
    "below the least": (too_low, LIMIT, "front_left at 299 to 1000 mA"),
    "too fast up": (too_fast_up, LIMIT, "front_left moved 161 mA"),
    "too fast down": (too_fast_down, LIMIT, "front_right moved -121 mA"),
}


@pytest.mark.parametrize("name", PLANTED)
def test_a_planted_mistake_is_found(name: str) -> None:
    plant, verdict, reason = PLANTED[name]
    trace = held()
    plant(trace)
    result = judged(trace)
    assert result.verdict == verdict
    assert any(reason in why for why in result.why), result.why


def test_the_limits_themselves_are_allowed() -> None:
    trace = held()
    corner = LAYOUT.state["current_ma"].at
    trace[at(LENGTH_US) + 10 :, corner] = 1160
    trace[at(LENGTH_US) + 11 :, corner] = 1040
    result = judged(trace)
    assert (result.verdict, result.slew_share) == (PASS, 1.0)


def test_what_changed_nothing_is_no_stimulus() -> None:
    assert judged(reference().trace, same=True).verdict == NO_STIMULUS


def test_a_controller_that_ignores_a_fault_reacts_wrongly() -> None:
    result = judged(reference().trace)
    assert result.verdict == WRONG
    assert "the controller did the same as without the fault" in result.why


def test_where_nothing_is_to_happen_the_controller_must_have_seen_something() -> None:
    assert judged(reference().trace, Expect()).verdict == NO_STIMULUS
    trace = reference().trace.copy()
    put(trace, "frames_used", slice(at(0), None), 7)
    assert judged(trace, Expect()).verdict == PASS
    assert judged(held(), Expect(may=("channel_lost", "required_lost"))).verdict == WRONG


def test_recovery_has_two_bounds() -> None:
    trace = held()
    put(trace, "authority_q10", slice(at(LENGTH_US), at(LENGTH_US + 100_000)), 500)
    good = judged(trace, replace(EXPECT, recovery_us=(50_000, 150_000)))
    assert (good.verdict, good.recovery_ms) == (PASS, 100.0)
    assert judged(trace, replace(EXPECT, recovery_us=(0, 90_000))).verdict == LATE
    early = judged(trace, replace(EXPECT, recovery_us=(110_000, 150_000)))
    assert (early.verdict, early.why) == (WRONG, ("recovered after 100 ms already, before 110 ms",))
    put(trace, "mode", slice(-1, None), MODES["reduced"])
    never = judged(trace, replace(EXPECT, recovery_us=(0, 150_000)))
    assert (never.verdict, never.recovery_ms) == (WRONG, None)


def test_what_must_stay_latched_may_not_recover() -> None:
    assert judged(held(), replace(EXPECT, latched=True)).verdict == WRONG
    trace = held()
    put(trace, "mode", slice(at(LOST_AT), None), MODES["safe_hold"])
    assert judged(trace, replace(EXPECT, latched=True)).verdict == PASS


def substituted(value: int, layer: int) -> np.ndarray:
    trace = reference().trace.copy()
    brake = LAYOUT.channel_index("brake_kpa")
    inside = slice(at(LOST_AT), at(LENGTH_US))
    put(trace, "mode", inside, MODES["reduced"])
    put(trace, "channels_lost", inside, 1 << brake)
    put(trace, "faults", inside, FAULT["channel_lost"])
    trace[at(SAFE_AT) : at(LENGTH_US), LAYOUT.state["channel"].at + brake] = value
    trace[: at(SAFE_AT), LAYOUT.state["channel"].at + brake] = 6000
    first = LAYOUT.state["layer_permille"].at + 4 * LAYOUT.layers.index("brake_lead")
    trace[at(0) : at(LENGTH_US), first + 1] = layer
    return trace


SUBSTITUTED = Expect(
    codes=("channel_lost",), reaction="substitute", lost=("brake_kpa",), detect_us=34_000, budget_us=134_000
)


def test_a_substitute_must_be_the_vehicles() -> None:
    result = judged(substituted(0, 100), SUBSTITUTED)
    assert (result.verdict, result.safe_ms) == (PASS, 90.0)
    assert judged(substituted(1, 0), SUBSTITUTED).verdict == WRONG


def test_a_dropped_layer_must_give_nothing() -> None:
    expect = replace(SUBSTITUTED, reaction="drop_layer")
    assert judged(substituted(0, 5), expect).verdict == PASS
    result = judged(substituted(0, -6), expect)
    assert result.verdict == WRONG
    assert result.why == ("the layer brake_lead still gives 6 per mille at the end of the fault",)


def test_ticks_that_were_left_out_are_compared_with_the_newest_before() -> None:
    """A run with fewer ticks is no other behaviour by itself."""
    at_us = reference().at_us
    keep = (at_us < LEAD_US) | (at_us >= LEAD_US + 20_000)
    was = Stimulus(frames(), regular_ticks(PERIOD_US, LEAD_US + LENGTH_US + AFTER_US))
    given = replace(was, ticks=was.ticks.select(keep))
    trace = reference().trace[keep].copy()
    put(trace, "faults", slice(at(0), at(0) + 1), FAULT["late_tick"])
    row = made_row(Expect(("late_tick",), detect_us=24_000), "hang")
    result = Judge(image()).judge(row, reference(), was, Recording(at_us[keep], trace), given)
    assert (result.verdict, result.detect_ms, result.changed["ticks"]) == (PASS, 20.0, 10)


# Corners without a current.

FRONT_LEFT = Corner("front_left", 0)
MATCH_MA = 900
OPEN = Expect(
    codes=("coil_open",), reaction="corner_off", lost=(), detect_us=34_000, budget_us=60_000,
)  # fmt: skip


def corner_off() -> np.ndarray:
    """Front left is off from 30 ms to the end of the fault, its partner goes from 1000 to 900 mA in one tick."""
    trace = reference().trace.copy()
    off = slice(at(LOST_AT), at(LENGTH_US))
    put(trace, "mode", off, MODES["reduced"])
    put(trace, "faults", off, FAULT["coil_open"])
    put(trace, "corners_off", off, 1)
    current = LAYOUT.state["current_ma"].at
    trace[off, current] = 0
    trace[off, current + 1] = MATCH_MA
    # Out of no current: the least and one step of the slew, then more steps of it.
    trace[at(LENGTH_US) : at(LENGTH_US) + 5, current] = [460, 620, 780, 940, 1000]
    return trace


def judged_corner(trace: np.ndarray, expect: Expect = OPEN) -> Result:
    fault = PlannedFault(KINDS["coil_open"], FRONT_LEFT, None, "front_left", "", 0, LENGTH_US)
    row = Row("a/row", "a", "here", LEAD_US, LEAD_US, (fault,), expect, AFTER_US)
    was = Stimulus(frames(), regular_ticks(PERIOD_US, LEAD_US + LENGTH_US + AFTER_US))
    opened = was.ticks.inputs["coil_permille_front_left"].copy()
    opened[at(0) : at(LENGTH_US)] = 40_000
    given = replace(was, ticks=was.ticks.with_input("coil_permille_front_left", opened))
    return Judge(image()).judge(row, reference(), was, Recording(reference().at_us, trace), given)


def test_no_current_is_inside_the_limits_where_the_corner_is_off() -> None:
    result = judged_corner(corner_off())
    assert (result.verdict, result.why) == (PASS, ())
    assert (result.safe_ms, result.least_ma) == (30.0, 0)
    assert result.changed == {"frames": 0, "ticks": 200, "seen": True}
    assert result.slew_share == 1.0


def no_bit(trace: np.ndarray) -> None:
    put(trace, "corners_off", slice(at(LOST_AT) + 5, at(LOST_AT) + 6), 0)


def bit_too_long(trace: np.ndarray) -> None:
    put(trace, "corners_off", slice(at(LENGTH_US), at(LENGTH_US) + 1), 1)


def out_too_far(trace: np.ndarray) -> None:
    """461 mA in the first tick, where 300 mA and a step of 160 are allowed."""
    trace[at(LENGTH_US), LAYOUT.state["current_ma"].at] = 461


def other_partner(trace: np.ndarray) -> None:
    trace[at(LOST_AT) : at(LENGTH_US), LAYOUT.state["current_ma"].at + 1] = 899


def others_moved(trace: np.ndarray) -> None:
    trace[at(LOST_AT) : at(LENGTH_US), LAYOUT.state["current_ma"].at + 2] = 999


def both_off(trace: np.ndarray) -> None:
    put(trace, "corners_off", slice(at(LOST_AT), at(LENGTH_US)), 3)
    trace[at(LOST_AT) : at(LENGTH_US), LAYOUT.state["current_ma"].at + 1] = 0
    trace[at(LENGTH_US), LAYOUT.state["current_ma"].at + 1] = 460


CORNERS: dict[str, tuple[Callable[[np.ndarray], None], str, str]] = {
    "no current without the bit": (no_bit, LIMIT, "front_left at 0 to"),
    "a current with the bit": (bit_too_long, LIMIT, "front_left had a current while it was off"),
    "out of it too far": (out_too_far, LIMIT, "front_left moved 161 mA"),
    "another match": (other_partner, WRONG, "corner_off was not complete"),
    "other corners": (others_moved, WRONG, "corner_off was not complete"),
    "a partner that should have the match": (both_off, LIMIT, "front_right moved"),
}


@pytest.mark.parametrize("name", CORNERS)
def test_a_planted_mistake_of_a_corner_is_found(name: str) -> None:
    plant, verdict, reason = CORNERS[name]
    trace = corner_off()
    plant(trace)
    result = judged_corner(trace)
    assert result.verdict == verdict
    assert any(reason in why for why in result.why), result.why


def test_left_and_right_may_not_part_past_their_spread() -> None:
    """1200 mA of the front axle: at 1500 and 301 mA it is 1199, a step on it is 1201."""
    current = LAYOUT.state["current_ma"].at
    apart = corner_off()
    apart[at(LENGTH_US) + 100 :, current] = np.minimum(
        1500, 1000 + 160 * np.arange(len(apart) - at(LENGTH_US) - 100)
    )
    apart[at(LENGTH_US) + 100 :, current + 1] = np.maximum(
        301, 1000 - 120 * np.arange(len(apart) - at(LENGTH_US) - 100)
    )
    assert judged_corner(apart).verdict == PASS
    apart[at(LENGTH_US) + 150 :, current] = 1502
    result = judged_corner(apart)
    assert (result.verdict, result.why) == (
        LIMIT, ("front_left and its partner are 1201 mA apart; that may not grow past 1200 mA",),
    )  # fmt: skip


def test_the_overshoot_is_over_all_that_was_commanded_in_ten_ticks() -> None:
    trace = corner_off()
    measured, command = LAYOUT.state["measured_ma"].at, LAYOUT.state["current_ma"].at
    # Measured before the tick's own command.
    trace[1:, measured : measured + 4] = trace[:-1, command : command + 4]
    assert judged_corner(trace).overshoot_ma == 0
    # Nine ticks after the last command of 1000 mA a current of 1000 is none, after eleven it is.
    trace[at(LOST_AT) + 9, measured] = 1000
    assert judged_corner(trace).overshoot_ma == 0
    trace[at(LOST_AT) + 10, measured] = 70
    assert judged_corner(trace).overshoot_ma == 70


def in_mode(mode: str, current_ma: int, off: int) -> np.ndarray:
    trace = reference().trace.copy()
    inside = slice(at(LOST_AT), at(LENGTH_US))
    put(trace, "mode", inside, MODES[mode])
    put(trace, "faults", inside, FAULT["supply_low"])
    put(trace, "corners_off", inside, off)
    put(trace, "current_ma", inside, current_ma)
    if not current_ma:
        put(trace, "current_ma", slice(at(LENGTH_US), None), 460)
    return trace


def test_derated_currents_and_none_at_all() -> None:
    derate = Expect(codes=("supply_low",), reaction="derate", lost=(), detect_us=34_000, budget_us=60_000)
    # 1200 mA is what the demo's calibration allows; the slew is not looked at when there is no step.
    assert judged_corner(in_mode("reduced", 1000, 0), derate).verdict == PASS
    trace = in_mode("reduced", 1000, 0)
    current = LAYOUT.state["current_ma"].at + 3
    trace[at(LOST_AT) - 2 :, current] = 1120
    trace[at(LOST_AT) - 1 :, current] = 1200
    assert judged_corner(trace, derate).verdict == PASS
    trace[at(LENGTH_US) - 1, current] = 1201
    assert judged_corner(trace, derate).verdict == WRONG
    assert judged_corner(in_mode("active", 1000, 0), derate).verdict == WRONG
    off = replace(derate, reaction="output_off")
    assert judged_corner(in_mode("output_off", 0, 15), off).verdict == PASS
    assert judged_corner(in_mode("safe_hold", 0, 15), off).verdict == WRONG
    assert judged_corner(in_mode("output_off", 0, 14), off).verdict == LIMIT


def test_a_reaction_need_not_stay_longer_than_it_is_asked_to() -> None:
    trace = in_mode("reduced", 1000, 0)
    put(trace, "mode", slice(at(200_000), None), MODES["active"])
    derate = Expect(codes=("supply_low",), reaction="derate", lost=(), detect_us=34_000, budget_us=60_000)
    assert judged_corner(trace, derate).verdict == WRONG
    assert judged_corner(trace, replace(derate, hold_us=200_000)).verdict == PASS


def test_a_corner_of_the_guard_is_off_from_the_very_tick_on() -> None:
    expect = Expect(codes=("memory",), reaction="held_off", lost=(), detect_us=34_000, budget_us=60_000)
    trace = reference().trace.copy()
    inside = slice(at(0), None)
    put(trace, "mode", inside, MODES["safe_hold"])
    put(trace, "faults", inside, FAULT["memory"])
    put(trace, "corners_off", inside, 1)
    current = LAYOUT.state["current_ma"].at
    trace[inside, current : current + 4] = [0, MATCH_MA, 900, 900]
    trace[at(0) + 1 :, current + 2 : current + 4] = SAFE_MA
    assert judged_corner(trace, expect).verdict == PASS
    late = trace.copy()
    late[at(0), current] = 1000
    late[at(0), LAYOUT.state["corners_off"].at] = 0
    result = judged_corner(late, expect)
    assert result.verdict == WRONG
    assert "did not go in the very tick" in result.why[0]


def test_lateral_comes_from_speed_and_yaw_rate() -> None:
    """50 m/s x 20 deg/s are 17.453 m/s2, 1.780 g [X]; the speed of the tick before counts."""
    expect = Expect(
        codes=("channel_lost",),
        reaction="substitute",
        lost=("lateral_mg",),
        detect_us=34_000,
        budget_us=134_000,
    )
    trace = reference().trace.copy()
    inside = slice(at(LOST_AT), at(LENGTH_US))
    put(trace, "mode", inside, MODES["reduced"])
    put(trace, "channels_lost", inside, 1 << LATERAL)
    put(trace, "faults", inside, FAULT["channel_lost"])
    channel = LAYOUT.state["channel"].at
    trace[:, channel + LAYOUT.channel_index("road_speed_cm_s")] = 5000
    trace[:, channel + LAYOUT.channel_index("yaw_cdeg_s")] = 2000
    trace[inside, channel + LATERAL] = 1780
    assert judged(trace, expect).verdict == PASS
    trace[at(LENGTH_US) - 1, channel + LATERAL] = 1782
    assert judged(trace, expect).verdict == WRONG
    # The speed of the very tick is not yet known to it.
    trace[at(LENGTH_US) - 1, channel + LATERAL] = 1780
    trace[at(LENGTH_US) - 1, channel + LAYOUT.channel_index("road_speed_cm_s")] = 6000
    assert judged(trace, expect).verdict == PASS


def test_channels_that_may_be_lost_besides() -> None:
    trace = held()
    other_channel(trace)
    assert judged(trace, replace(EXPECT, may_lose=("longitudinal_mg",))).verdict == PASS
    assert judged(held(), replace(EXPECT, may_lose=("longitudinal_mg",))).verdict == PASS
    assert judged(held(), replace(EXPECT, lost=(), may_lose=("longitudinal_mg",))).verdict == WRONG


# The fault memory.


def remembered(trace: np.ndarray) -> list[list[int]]:
    """Entries as the firmware keeps them of a trace, with plain loops."""
    faults = trace[:, LAYOUT.state["faults"].at]
    rows: dict[int, list[int]] = {}
    before = 0
    for tick, word in enumerate(faults.tolist()):
        second = tick * PERIOD_US // 1_000_000
        for code in range(len(LAYOUT.faults)):
            if word >> code & 1:
                if code not in rows:
                    snapshot = trace[tick, places(LAYOUT)].tolist()
                    rows[code] = [code, 0, 0, 1, second, 1, second, LAYOUT.version, *snapshot]
                if not before >> code & 1:
                    rows[code][1] += 1
                rows[code][6] = second
        before = word
    return [rows[code] for code in sorted(rows)]


def words(rows: list[list[int]]) -> np.ndarray:
    return np.array([8 + len(places(LAYOUT)), len(rows), *(word for row in rows for word in row)], np.int32)


def judged_memory(memory: np.ndarray) -> Result:
    was = Stimulus(frames(), regular_ticks(PERIOD_US, LEAD_US + LENGTH_US + AFTER_US))
    given = replace(was, frames=frames(400))
    recording = Recording(reference().at_us, held(), memory, (1,))
    return Judge(image()).judge(made_row(EXPECT), reference(), was, recording, given)


def test_a_fault_memory_that_agrees_passes() -> None:
    assert judged_memory(words(remembered(held()))).verdict == PASS


SNAPSHOT_AT = 8
FORGERIES: dict[str, tuple[Callable[[list[list[int]]], object], str]] = {
    "an entry is missing": (lambda rows: rows.pop(), "required_lost came and does not stand in it"),
    "one too many": (
        lambda rows: rows.append([LAYOUT.faults.index("memory"), *rows[0][1:]]), "memory stands in it and never came",
    ),
    "a code that nobody knows": (lambda rows: rows.append([99, *rows[0][1:]]), "code 99 stands in it and never came"),
    "another count": (lambda rows: rows[0].__setitem__(1, 2), "channel_lost came 1 times, it says 2"),
    "latched": (lambda rows: rows[0].__setitem__(2, 1), "channel_lost stands in it as latched"),
    "another first time": (lambda rows: rows[0].__setitem__(4, 1), "channel_lost came first 0 s after the start, it says 1"),
    "another last time": (lambda rows: rows[0].__setitem__(6, 1), "the last time of channel_lost"),
    "another boot": (lambda rows: rows[0].__setitem__(5, 2), "the last time of channel_lost"),
    "another layout": (lambda rows: rows[0].__setitem__(7, 1), "names another layout"),
    "another snapshot": (
        lambda rows: rows[1].__setitem__(SNAPSHOT_AT + 5, 7), "the snapshot of required_lost is not the trace of its first tick, from word 5 on",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FORGERIES)
def test_a_fault_memory_that_says_something_else_is_a_wrong_reaction(name: str) -> None:
    forge, reason = FORGERIES[name]
    rows = remembered(held())
    forge(rows)
    result = judged_memory(words(rows))
    assert result.verdict == WRONG
    assert any(why.startswith("fault memory: ") and reason in why for why in result.why), result.why


def test_words_that_are_no_fault_memory_are_a_wrong_reaction() -> None:
    for memory in (np.zeros(0, np.int32), words(remembered(held()))[:-1]):
        (why,) = judged_memory(memory).why
        assert "are no fault memory" in why


def test_what_an_earlier_boot_saw_need_not_stand_in_it() -> None:
    """Only what was written down before a reset is known after it."""
    trace = held()
    rows = remembered(trace)
    second = Boot(2, at(LENGTH_US), len(trace))
    boots = [Boot(1, 0, at(LENGTH_US)), second]
    said = [words([]), words(rows[:1]), words(rows)]
    for memory in said:
        assert not list(disagreements(memory, LAYOUT, reference().at_us, trace, boots))
    rows[0][SNAPSHOT_AT] += 1
    assert list(disagreements(words(rows), LAYOUT, reference().at_us, trace, boots))
    # What the last boot saw must.
    boots = [Boot(1, 0, at(LOST_AT)), Boot(2, at(LOST_AT), len(trace))]
    assert len(list(disagreements(words([]), LAYOUT, reference().at_us, trace, boots))) == 2
