"""Negative controls: a firmware with a detector taken out fails the standard plan, each detector by itself.

The plan's rows are cut to those near the detector, so that a control takes a second or two: a plan that fails in some
rows fails as a whole. Each control runs them on the whole firmware first, where they pass.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from calibration_kit import DEMO, edited
from dashpot.faults.judge import LIMIT, VERDICTS, WRONG
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
        "frame_bad", "receive.py", "if ring[frame + _FRAME_LENGTH] < length:", "if length < 0:", ("short/Wheel_Speeds/braking*",)
    ),
    "checksum": Control(
        "frame_bad", "receive.py", "if crc ^ image[row + _MESSAGE_CRC_XOR] != byte[data + crc_byte]:", "if crc < 0:",
        ("checksum/*braking*", "bits/*braking*"),
    ),
    "repeated counter": Control(
        "frame_bad", "receive.py", "if delta == 0 or delta > image", "if delta > image",
        ("repeated/*braking*", "doubled/*braking*"),
    ),
    "counter that jumps": Control(
        "frame_bad", "receive.py", "if delta == 0 or delta > image[row + _MESSAGE_COUNTER_MAX_DELTA]:", "if delta == 0:",
        ("counter/*braking*",),
    ),
    "report of bad frames": Control(
        "frame_bad", "receive.py", "faults |= _FAULT_FRAME_BAD", "faults |= 0", ("checksum/*braking*",)
    ),
    "low end of the range": Control(
        "signal_bad", "receive.py", "if raw < image[signal + _SIGNAL_RANGE_LOW] << pad >> pad:", "if False:",
        ("too_low/*braking*",),
    ),
    "high end of the range": Control(
        "signal_bad", "receive.py", "elif raw > image[signal + _SIGNAL_RANGE_HIGH] << pad >> pad:", "elif False:",
        ("too_high/*braking*",),
    ),
    "report of bad signals": Control(
        "signal_bad", "receive.py", "faults |= _FAULT_SIGNAL_BAD", "faults |= 0", ("too_high/*braking*",)
    ),
    "rate": Control(
        "signal_rate", "receive.py", "if rate and not bad", "if rate < 0 and not bad", ("spike/*braking*",)
    ),
    "still": Control(
        "signal_still", "validity.py", "still > image[row + _CHANNEL_ROW_STILL_US]", "still < 0",
        ("frozen/*braking*", "stuck/*braking*"),
    ),
    "age": Control(
        "channel_lost", "validity.py", "if age > image[row + _CHANNEL_ROW_TIMEOUT_US]:", "if age < 0:", ("lost/*braking*",)
    ),
    "report of lost channels": Control(
        "channel_lost", "validity.py", "faults |= _FAULT_CHANNEL_LOST", "faults |= 0", ("lost/drop/Yaw_Rate/braking*",)
    ),
    "report of required channels": Control(
        "required_lost", "validity.py", "faults |= _FAULT_REQUIRED_LOST", "faults |= 0", ("lost/drop/Inertial/braking*",)
    ),
    "required channels": Control(
        "required_lost", "validity.py", "                    required_lost = 1", "                    required_lost = 0",
        ("lost/drop/Inertial/braking*", "bus_off/*braking*"),
    ),
    "latch": Control(
        "latched", "validity.py", "latched |= 1 << channel", "latched |= 0", ("loose/*braking*",)
    ),
    "late tick": Control(
        "late_tick", "validity.py", "faults |= _FAULT_LATE_TICK", "faults |= 0", ("late/*braking*", "pause/*braking*")
    ),
    # The guard watches over the stages before it: without them it acts, and no row expects that.
    "slew limit": Control(
        "guard_rate", "output.py", "elif target < current - image[_C_SLEW_DOWN_MA + corner]:", "elif False:",
        ("late_and_lost/*braking*",),
    ),
    "substitute": Control(
        "channel_lost", "validity.py", "default + ((held - default) * trust >> 10)", "held", ("lost/drop/Brake_Pressures/*",)
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", CONTROLS)
def test_without_it_the_plan_fails(name: str, tmp_path: Path) -> None:
    control = CONTROLS[name]
    firmware = broken_firmware(tmp_path, control.file, control.old, control.new)
    done = run_file(DEMO / "plan.toml", *rows_of(control), firmware=firmware, jobs=2)
    assert done.failed
    assert any(result.verdict == control.verdict for result in done.failed)


@pytest.mark.slow
def test_with_all_of_it_the_same_rows_pass() -> None:
    rows = tuple(dict.fromkeys(row for control in CONTROLS.values() for row in rows_of(control)))
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
        "image[signal + _SIGNAL_HAS_INVALID]\n",
        "image[signal + _SIGNAL_HAS_INVALID] < 0\n",
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
    """guard_range cannot be reached by one change: the valve curve is inside the limits, and the packer sees to that."""
    assert {control.detector for control in CONTROLS.values()} | {"guard_range"} == set(LAYOUT.faults)


def test_a_firmware_without_slew_and_without_guard_breaks_the_limit(tmp_path: Path) -> None:
    firmware = broken_firmware(
        tmp_path,
        "output.py",
        "            current += image[_C_SLEW_UP_MA + corner]",
        "            current = target",
    )
    path = firmware / "dashpot" / "output.py"
    text = path.read_text(encoding="utf-8")
    for old, new in (
        ("            current -= image[_C_SLEW_DOWN_MA + corner]", "            current = target"),
        ("if given > last + image[_C_SLEW_UP_MA + corner]:", "if False:"),
        ("elif given < last - image[_C_SLEW_DOWN_MA + corner]:", "elif False:"),
    ):
        assert text.count(old) == 1
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8")
    # A tick of 22 ms lets authority and road move on by more than the slew of one tick.
    done = run_file(DEMO / "plan.toml", "late_and_lost/*braking*", firmware=firmware, jobs=2)
    assert LIMIT in {result.verdict for result in done.failed}
    assert any("mA are allowed" in why for result in done.failed for why in result.why)


def test_verdicts_have_an_order() -> None:
    assert VERDICTS.index(LIMIT) > VERDICTS.index(WRONG)
