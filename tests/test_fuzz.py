"""The fuzz run: it is the same for the same seed, sees what it should see, and finds what is planted."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fuzzing.drives import random_drive
from fuzzing.images import random_image
from fuzzing.invariants import Watch, transitions
from images import FIRMWARE, LAYOUT

TOOL = Path(__file__).resolve().parent.parent / "tools" / "fuzz.py"
SEED = 20


def fuzz(*words: str | Path, code: int = 0) -> str:
    done = subprocess.run(
        [sys.executable, TOOL, *map(str, words)], capture_output=True, text=True, check=False, timeout=300
    )
    assert done.returncode == code, done.stdout + done.stderr
    return done.stdout


def record(*words: str | Path, code: int = 0) -> dict[str, Any]:
    found = json.loads(fuzz("--json", "--seed", str(SEED), *words, code=code))
    assert isinstance(found, dict)
    return found


def test_a_short_run_keeps_its_promises_and_sees_something() -> None:
    found = record("--items", "150000", "--firmware", FIRMWARE)
    assert found["failures"] == []
    assert found["ticks"] + found["frames"] >= 150_000
    assert found["ticks_also_in_cpython"] > 0
    # Every mode, most changes between them, and nearly every fault: no run over a car that stands still.
    assert min(found["modes"].values()) > 0
    assert len(found["changes_of_mode"]) >= 9
    assert sum(count > 0 for count in found["faults"].values()) >= 24


def test_checked_cpython_keeps_them_too() -> None:
    found = record("--items", "6000", "--target", "cpython", "--firmware", FIRMWARE)
    assert found["failures"] == []
    assert found["ticks"] >= 256


def test_the_same_seed_makes_the_same_blocks() -> None:
    for block in range(4):
        images = [random_image(np.random.default_rng([SEED, block]), LAYOUT) for _ in range(2)]
        assert images[0] == images[1]
        drives = [
            random_drive(np.random.default_rng([SEED, block]), images[0], LAYOUT, 300) for _ in range(2)
        ]
        assert drives[0].starts == drives[1].starts
        for one, two in zip(drives[0].parts, drives[1].parts, strict=True):
            assert np.array_equal(one.ticks, two.ticks)
            assert np.array_equal(one.frames, two.frames)


def test_the_table_of_modes_is_read_as_the_firmware_has_it() -> None:
    table = transitions(FIRMWARE, LAYOUT)
    mode, on = LAYOUT.modes.index, {name: 1 << i for i, name in enumerate(LAYOUT.conditions)}
    assert len(table) == 13
    assert table[0] == (mode("start"), mode("output_off"), on["off"], 0)
    assert table[-1] == (mode("output_off"), mode("safe_hold"), 0, on["off"])
    assert (mode("start"), mode("active"), on["ready"], on["hold"] | on["part"]) in table


PLANTED = [
    # A slew limit that is not there: neither in the law nor in the guard.
    ("output.py", "current += row[_C_SLEW_UP_MA]", "current = target", "guard_acts|rose faster"),
    ("output.py", "given = last + row[_C_SLEW_UP_MA]", "given = asked", ""),
    ("output.py", "own[_S_CURRENT_MA] = 0\n            own[_S_GUARDED", "own[_S_CURRENT_MA] = 1\n            own[_S_GUARDED", "in a corner that is off"),
    ("modes.py", "(_MODE_ACTIVE, _MODE_SAFE_HOLD, HOLD, 0)", "(_MODE_ACTIVE, _MODE_SAFE_HOLD, HOLD, PART)", "drives where it must hold"),
    ("modes.py", "hold = state[_S_REQUIRED_GONE]", "hold = 0", "holds for no fault, or a fault that does not hold"),
    ("validity.py", "required_lost = 1", "required_lost = 0", "drives without"),
    ("demand.py", "own[_S_DEMAND_PERMILLE] = firm + clamp", "own[_S_DEMAND_PERMILLE] = firm", "add up to the demand"),
    ("core.py", "drain(words,", "self.last = [now_us]\n        drain(words,", "MemoryError"),
]  # fmt: skip


def with_bugs(folder: Path, *bugs: tuple[str, str, str]) -> Path:
    """A copy of the firmware in which texts are replaced."""
    firmware = folder / "firmware"
    shutil.copytree(FIRMWARE, firmware, ignore=shutil.ignore_patterns("__pycache__"))
    for file, old, new in bugs:
        path = firmware / "dashpot" / file
        text = path.read_text(encoding="utf-8")
        assert old in text, (file, old)
        path.write_text(text.replace(old, new), encoding="utf-8")
    return firmware


@pytest.mark.parametrize(("file", "old", "new", "said"), PLANTED[2:], ids=lambda value: str(value)[:24])
def test_a_planted_bug_is_found_soon(tmp_path: Path, file: str, old: str, new: str, said: str) -> None:
    firmware = with_bugs(tmp_path, (file, old, new))
    found = record("--items", "400000", "--no-sample", "--firmware", firmware, code=1)
    assert found["ticks"] + found["frames"] < 400_000
    assert re.search(said, "\n".join(found["failures"][0]["broken"])), found["failures"][0]


def test_law_and_guard_both_without_the_slew_limit_are_found(tmp_path: Path) -> None:
    firmware = with_bugs(tmp_path, *[bug[:3] for bug in PLANTED[:2]])
    found = record("--items", "400000", "--no-sample", "--firmware", firmware, code=1)
    assert "a current rose faster than it may" in "\n".join(found["failures"][0]["broken"])


def test_what_only_one_interpreter_does_is_found_in_a_sampled_block(tmp_path: Path) -> None:
    # 64 bits wide on the desktop: a product that passes 31 bits comes out right there, and is an error when checked.
    bug = ("validity.py", "state[_S_FAULTS] = faults\n", "state[_S_FAULTS] = faults * 65536 * 32768 >> 31\n")
    firmware = with_bugs(tmp_path, bug)
    found = record("--items", "100000", "--firmware", firmware, code=1)
    assert "raised" in found["failures"][0]["broken"][0]
    assert "validity.py" in found["failures"][0]["detail"]


def test_the_line_that_is_printed_repeats_the_failure(tmp_path: Path) -> None:
    file, old, new, _ = PLANTED[2]
    firmware = with_bugs(tmp_path, (file, old, new))
    said = fuzz("--seed", str(SEED), "--items", "400000", "--no-sample", "--firmware", firmware, code=1)
    assert f"seed {SEED}" in said
    line = re.search(r"^again: python3 tools/fuzz\.py (.*)$", said, re.MULTILINE)
    assert line, said
    again = fuzz(*shlex.split(line[1]), code=1)
    broken = [text for text in said.splitlines() if text.startswith("  tick ")]
    assert broken
    assert [text for text in again.splitlines() if text.startswith("  tick ")] == broken


def test_a_watch_sees_each_planted_word() -> None:
    # A trace that keeps every promise, then one word of it changed at a time.
    from firmware_fixtures import Firmware

    host = Firmware("host")
    try:
        random = np.random.default_rng([SEED, 1])
        image = random_image(random, LAYOUT)
        part = random_drive(random, image, LAYOUT, 200).parts[0]
        trace = host.run(image.data, part)
    finally:
        host.target.close()
    table = transitions(FIRMWARE, LAYOUT)
    assert Watch(LAYOUT, image.words, table).look(part, trace) == []
    for name, value in (
        ("now_us", 7), ("mode", 9), ("current_ma", 6000), ("current_ma", -1), ("demand_permille", 1001), ("duty_q14", 16385),
        ("authority_q10", 1025), ("channel", 500_000), ("board_supply_mv", -3), ("frames_used", 1 << 29), ("measured_ma", 32_001),
        ("corners_off", 16), ("conditions", 15), ("faults", -1), ("channels_lost", 1 << 20), ("wet_permille", 1001),
    ):  # fmt: skip
        changed = trace.copy()
        changed[100, LAYOUT.state[name].at] = value
        broken = Watch(LAYOUT, image.words, table).look(part, changed)
        assert broken, name
        assert {b.tick for b in broken} <= {100, 101}, (name, broken)


def test_ctrl_c_leaves_no_firmware_and_no_folder(tmp_path: Path) -> None:
    environment = os.environ | {"TMPDIR": str(tmp_path)}
    command = [sys.executable, str(TOOL), "--items", "1000000000", "--firmware", str(FIRMWARE)]
    running = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env=environment, text=True
    )
    limit = time.monotonic() + 60
    while not list(tmp_path.glob("dashpot-fuzz-*/host")) and time.monotonic() < limit:
        time.sleep(0.05)
    time.sleep(0.5)
    children = Path(f"/proc/{running.pid}/task/{running.pid}/children").read_text().split()
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=60)
    assert running.returncode == 130, out + err
    assert "Traceback" not in err
    assert "seed" in out
    assert list(tmp_path.iterdir()) == []
    assert not [child for child in children if Path(f"/proc/{child}").exists()]
