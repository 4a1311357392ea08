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
from dashpot.faults.plan import PlannedFault
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
