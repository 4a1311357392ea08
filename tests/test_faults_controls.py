"""Negative controls: a firmware with a detector taken out fails the standard plan, each detector by itself.

The plan's rows are cut to those near the detector, so that a control takes a second or two: a plan that fails in some
rows fails as a whole. Each control runs them on the whole firmware first, where they pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from calibration_kit import DEMO, edited
from dashpot.faults.judge import LATE, LIMIT, VERDICTS, WRONG
from demo_data import demo_log
from faults_kit import PLAN_HEAD, broken_firmware, run_file
from images import LAYOUT


@dataclass(frozen=True)
class Control:
    """A piece of the firmware, what takes its place, and rows of the plan that must see it.

    `verdict` is the worst that some row must have, `detector` the code that is watched over.
    """

    detector: str
    file: str
    old: str
    new: str
    rows: tuple[str, ...]
    verdict: str = WRONG


CONTROLS = {
    "ring overflow": Control(
        "ring_overflow", "receive.py", "faults |= _FAULT_RING_OVERFLOW", "faults |= 0", ("overflow/*braking*",)
    ),
    "length": Control(
        "frame_bad", "receive.py", "if frame[_FRAME_LENGTH] < length:", "if length < 0:", ("short/Wheel_Speeds/braking*",)
    ),
    "checksum": Control(
        "frame_bad", "receive.py", "if crc ^ row[_MESSAGE_CRC_XOR] != data[crc_byte]:", "if crc < 0:",
        ("checksum/*braking*", "bits/*braking*"),
    ),
    "repeated counter": Control(
        "frame_bad", "receive.py", "if delta == 0 or delta > row", "if delta > row",
        ("repeated/*braking*", "doubled/*braking*"),
    ),
    "counter that jumps": Control(
        "frame_bad", "receive.py", "if delta == 0 or delta > row[_MESSAGE_COUNTER_MAX_DELTA]:", "if delta == 0:",
        ("counter/*braking*",),
    ),
    "report of bad frames": Control(
        "frame_bad", "receive.py", "faults |= _FAULT_FRAME_BAD", "faults |= 0", ("checksum/*braking*",)
    ),
    "low end of the range": Control(
        "signal_bad", "receive.py", "if raw < row[_SIGNAL_RANGE_LOW] << pad >> pad:", "if False:",
        ("too_low/*braking*",),
    ),
    "high end of the range": Control(
        "signal_bad", "receive.py", "elif raw > row[_SIGNAL_RANGE_HIGH] << pad >> pad:", "elif False:",
        ("too_high/*braking*",),
    ),
    "report of bad signals": Control(
        "signal_bad", "receive.py", "faults |= _FAULT_SIGNAL_BAD", "faults |= 0", ("too_high/*braking*",)
    ),
    "rate": Control(
        "signal_rate", "receive.py", "if rate and not bad", "if rate < 0 and not bad", ("spike/*braking*",)
    ),
    "still": Control(
        "signal_still", "validity.py", "still > row[_CHANNEL_ROW_STILL_US]", "still < 0",
        ("frozen/*braking*", "stuck/*braking*"),
    ),
    "age": Control(
        "channel_lost", "validity.py", "if own[_S_AGE_US] > row[_CHANNEL_ROW_TIMEOUT_US]:", "if own[_S_AGE_US] < 0:", ("lost/*braking*",)
    ),
    "report of lost channels": Control(
        "channel_lost", "validity.py", "faults |= _FAULT_CHANNEL_LOST", "faults |= 0", ("lost/drop/Yaw_Rate/braking*",)
    ),
    "report of required channels": Control(
        "required_lost", "validity.py", "faults |= _FAULT_REQUIRED_LOST", "faults |= 0", ("bus_off/*braking*",)
    ),
    "required channels": Control(
        "required_lost", "validity.py", "                    required_lost = 1", "                    required_lost = 0",
        ("lost_accelerations/*braking*", "bus_off/*braking*"),
    ),
    "latch": Control(
        "latched", "validity.py", "latched |= 1 << channel", "latched |= 0", ("loose/*braking*",)
    ),
    "late tick": Control(
        "late_tick", "validity.py", "faults |= _FAULT_LATE_TICK", "faults |= 0", ("late/*braking*", "pause/*braking*")
    ),
    # The guard watches over the stages before it: without them it acts, and no row expects that.
    "slew limit": Control(
        "guard_rate", "output.py", "elif target < current - row[_C_SLEW_DOWN_MA]:", "elif False:",
        ("coil_open/*front*braking*",),
    ),
    "substitute": Control(
        "channel_lost", "validity.py", "default + ((held - default) * trust >> 10)", "held", ("lost/drop/Brake_Pressures/*",)
    ),
    "substitute of an acceleration": Control(
        "channel_lost", "validity.py", "default = state[_S_SUBSTITUTE_MG + other - 1] << pad >> pad", "default = 0",
        ("lost/drop/Inertial/*braking*",),
    ),
    "safe hold without a substitute": Control(
        "required_lost", "validity.py", "if other and state[_S_SUBSTITUTE_OK + other - 1]:", "if other:",
        ("lost_accelerations/*braking*",),
    ),
    # What a check sees, and what a tripped check leads to.
    "the hardware's own switch": Control(
        "coil_short", "valve.py", "if flags & _FLAG_OVER_CURRENT_FRONT_LEFT << corner:", "if flags < 0:", ("over_current/*braking*400ms",)
    ),
    "a measured current past its limit": Control(
        "coil_short", "valve.py", "if measured > most:", "if False:",
        ("coil_short/*braking*",),
    ),
    "rounds of the memory": Control(
        "memory", "memory.py", "if crc != state[_S_MEMORY_EXPECTED]:", "if False:", ("memory/*braking*",)
    ),
    "the guard's copy": Control(
        "memory", "output.py", "if same << pad >> pad != 0 - 1:", "if False:",
        ("memory_limits/limits_bit/*braking*",),
    ),
    "age of a command": Control(
        "command_stale", "output.py", "if stale > image[_C_COMMAND_EXPIRY_US]:", "if stale < 0:", ("late/*braking*20ms",)
    ),
    "safe currents of an old command": Control(
        "command_stale", "output.py", "given = row[_C_SAFE_MA]", "given = asked", ("slow/*braking*15000",), LATE
    ),
    "derate": Control(
        "supply_low", "output.py", "if weak and target > row[_C_DERATE_MA]:", "if False:", ("supply/*braking/400ms/8V",), LATE
    ),
    "a dead corner's partner": Control(
        "coil_open", "output.py", "target = row[_C_MATCH_MA]", "target = target", ("coil_open/*front*braking*",)
    ),
    "a partner without a match": Control(
        "coil_open", "modes.py", "both |= 1 << corner", "both |= 0", ("coil_open/*rear*braking*",)
    ),
    "output off": Control(
        "supply_high", "modes.py", "        both = _ALL_CORNERS", "        both = dead", ("load_dump/*braking*",)
    ),
    "hold": Control("held", "modes.py", "asked |= _COND_HOLD", "asked |= 0", ("hangs/*braking*", "bus_off_flag/*braking*")),
    "latched checks": Control(
        "latched", "debounce.py", "latched |= masks[check]", "latched |= 0", ("coil_open/*braking*",)
    ),
    "snapshots": Control(
        "channel_lost", "fault_memory.py", "journal[to + i] = state[places[i]]", "journal[to + i] = 0", ("lost/drop/Yaw_Rate/braking*",)
    ),
    "counts": Control(
        "channel_lost", "fault_memory.py", "journal[at + _COUNT] += 1", "journal[at + _COUNT] += 2", ("lost/drop/Yaw_Rate/braking*",)
    ),
}  # fmt: skip

#: Each check by itself: rows of the plan that must miss it.
CHECKS = {
    "lateral": "acceleration_off/offset/lateral/braking*",
    "longitudinal": "acceleration_off/offset/longitudinal/braking*",
    "yaw": "yaw_off/*braking*",
    "steer": "steer_off/*braking*",
    "brake": "braking_without_pressure/*braking*",
    "speed": "speed_drift/*straight*",
    "stroke_offset": "stroke_off_slightly*",
    "stroke_roll": "stroke_off/*braking*",
    "bus_off": "bus_off_flag/*braking/400ms",
    "supply_low": "supply/*braking/400ms/8V",
    "supply_under": "supply/*braking/400ms/5V",
    "supply_high": "supply/*braking/400ms/17V",
    "supply_over": "load_dump/*braking*",
    "driver_hot": "driver_hot/braking/400ms",
    "driver_hot_off": "driver_hot/braking/3000ms",
    "coil_open": "coil_open/*braking*",
    "coil_short": "coil_short/*braking*",
    "coil_resistance": "jump/*braking*",
    "coil_resistance_off": "drift_long/*3000",
    "coil_tracking": "contact/*straight*",
    "overrun": "slow/*braking*3000",
    "memory": "memory/*braking*",
    "held": "hangs/braking/*",
}
#: A row that goes on past the short drive.
LONG = ("coil_resistance_off",)


def places_of(check: str) -> range:
    """The numbers of a check's corners or axles, or its own."""
    numbers = [i for i, each in enumerate(LAYOUT.checks) if each.name.partition(".")[0] == check]
    return range(numbers[0], numbers[-1] + 1)


@pytest.mark.parametrize("check", CHECKS)
def test_without_a_check_the_plan_fails(check: str, tmp_path: Path) -> None:
    places = places_of(check)
    left_out = f"        if trip and ({places.start} > check or check >= {places.stop}):\n"
    firmware = broken_firmware(tmp_path, "debounce.py", "        if trip:\n", left_out)
    if check == "memory":
        # It needs no times from the image, so it is not left out by the loop over them.
        path = firmware / "dashpot" / "debounce.py"
        text = path.read_text(encoding="utf-8")
        old = "if state[_S_SUSPECT + _CHECK_MEMORY] == _BAD or latched & _FAULT_MEMORY:"
        assert text.count(old) == 1
        path.write_text(text.replace(old, "if False:"), encoding="utf-8")
    log = demo_log() if check in LONG else None
    done = run_file(DEMO / "plan.toml", CHECKS[check], firmware=firmware, jobs=2, log=log)
    assert done.failed
    assert WRONG in {result.verdict for result in done.failed}


def test_every_check_has_a_control() -> None:
    assert set(CHECKS) == {check.name.partition(".")[0] for check in LAYOUT.checks}


@pytest.mark.parametrize("name", CONTROLS)
def test_without_it_the_plan_fails(name: str, tmp_path: Path) -> None:
    control = CONTROLS[name]
    firmware = broken_firmware(tmp_path, control.file, control.old, control.new)
    done = run_file(DEMO / "plan.toml", *rows_of(control), firmware=firmware, jobs=2)
    assert done.failed
    assert any(result.verdict == control.verdict for result in done.failed)


@pytest.mark.slow
def test_with_all_of_it_the_same_rows_pass() -> None:
    near = [row for control in CONTROLS.values() for row in rows_of(control)]
    rows = tuple(dict.fromkeys([*near, *(row for check, row in CHECKS.items() if check not in LONG)]))
    done = run_file(DEMO / "plan.toml", *rows, jobs=2)
    assert [(result.row.id, result.verdict, result.why) for result in done.failed] == []


def rows_of(control: Control) -> tuple[str, ...]:
    """The control's rows as far as the short drive reaches."""
    return tuple(row if "braking" in row else row.rstrip("*") + "*braking*" for row in control.rows)


def test_without_the_invalid_code_a_plan_fails(tmp_path: Path) -> None:
    """Every "no signal" of the demo car lies outside its range too, so this takes a range that holds the code."""
    old = '[channels.vertical]\nsignal = "Inertial.VertAccel"\ninvalid = -32768\nrange = ["-4 g", "4 g"]'
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text(edited("vehicle.toml", (old, old.replace("4 g", "16 g"))), encoding="utf-8")
    plan = tmp_path / "plan.toml"
    row = '[rows.t]\nfault = "invalid_code"\nchannel = "vertical"\nonset = "braking"\nlength = "400 ms"\n'
    plan.write_text(PLAN_HEAD + row, encoding="utf-8")
    assert not run_file(plan, vehicle=vehicle).failed
    firmware = broken_firmware(
        tmp_path,
        "receive.py",
        "row[_SIGNAL_HAS_INVALID] and",
        "row[_SIGNAL_HAS_INVALID] < 0 and",
    )
    (result,) = run_file(plan, vehicle=vehicle, firmware=firmware).failed
    assert result.verdict == WRONG


def test_currents_that_come_back_in_a_corner_fail_the_plan(tmp_path: Path) -> None:
    firmware = broken_firmware(tmp_path, "output.py", "if lateral <= image[_C_RETURN_BELOW_MG]:", "if True:")
    plan, rows = DEMO / "plan.toml", "reset_in_corner/*200ms"
    assert not run_file(plan, rows, log=demo_log()).failed
    (result,) = run_file(plan, rows, firmware=firmware, log=demo_log()).failed
    assert (result.verdict, result.why[0].split()[0]) == (WRONG, "recovered")


def test_every_code_has_a_control() -> None:
    mine = {control.detector for control in CONTROLS.values()}
    mine |= {check.fault for check in LAYOUT.checks}
    # Those two are the guard's, see below.
    assert mine | {"guard_range", "axle_unequal"} == set(LAYOUT.faults)


# The last guard. Its codes come only when a stage before it is wrong, here once a channel has been lost; and without the
# guard the campaign sees what then gets out.

STORE = "        own[_S_CURRENT_MA] = current\n    state[_S_COMMAND_FRESH]"
TICKS = LAYOUT.state["ticks"].at
WILD = {
    "guard_range": (
        f"        if mode == _MODE_REDUCED and state[{TICKS}] > 1500:\n            current += 2000\n",
        (("if given > row[_C_MOST_MA]:", "if False:"),),
        "the limits are",
    ),
    "guard_rate": (
        f"        if mode == _MODE_REDUCED and state[{TICKS}] > 1500:\n            current = 300 + 1300 * (state[{TICKS}] & 1)\n",
        (
            ("if given > last + row[_C_SLEW_UP_MA]:", "if False:"),
            ("elif given < last - row[_C_SLEW_DOWN_MA]:", "elif False:"),
        ),
        "mA are allowed",
    ),
    "axle_unequal": (
        f"        if mode == _MODE_REDUCED and state[{TICKS}] > 1500:\n            current = 300 + 1300 * (corner & 1)\n",
        ((" > bound and off >> axle * 2 & 3 == 0:", " > 30000:"),),
        "that may not grow past",
    ),
}


@pytest.mark.parametrize("code", WILD)
def test_the_guard_holds_what_a_wrong_stage_asks_for_and_says_so(code: str, tmp_path: Path) -> None:
    wild, removed, reason = WILD[code]
    firmware = broken_firmware(tmp_path, "output.py", STORE, wild + STORE)
    rows = "lost/drop/Brake_Pressures/braking*"
    (held,) = run_file(DEMO / "plan.toml", rows, firmware=firmware).results
    assert code in held.codes
    # The current is not the laws', and stays inside every limit.
    assert held.verdict == WRONG
    assert held.slew_share <= 1
    path = firmware / "dashpot" / "output.py"
    text = path.read_text(encoding="utf-8")
    for old, new in removed:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    (out,) = run_file(DEMO / "plan.toml", rows, firmware=firmware).results
    assert out.verdict == LIMIT
    assert any(reason in why for why in out.why), out.why


def test_a_firmware_without_slew_and_without_guard_breaks_the_limit(tmp_path: Path) -> None:
    firmware = broken_firmware(
        tmp_path,
        "output.py",
        "            current += row[_C_SLEW_UP_MA]",
        "            current = target",
    )
    path = firmware / "dashpot" / "output.py"
    text = path.read_text(encoding="utf-8")
    for old, new in (
        ("            current -= row[_C_SLEW_DOWN_MA]", "            current = target"),
        ("if given > last + row[_C_SLEW_UP_MA]:", "if False:"),
        ("elif given < last - row[_C_SLEW_DOWN_MA]:", "elif False:"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    # A tick of 22 ms lets authority and road move on by more than the slew of one tick.
    done = run_file(
        DEMO / "plan.toml", "late_and_lost/*braking*", "slow/*braking*3000", firmware=firmware, jobs=2
    )
    assert LIMIT in {result.verdict for result in done.failed}
    assert any("mA are allowed" in why for result in done.failed for why in result.why)


def test_verdicts_have_an_order() -> None:
    assert VERDICTS.index(LIMIT) > VERDICTS.index(WRONG)
