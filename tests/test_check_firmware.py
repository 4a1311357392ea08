"""The firmware's checks must bite: each planted mistake has to be found, and good code has to pass."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest

import check_firmware

GOOD = """
from array import array

import micropython
from micropython import const

_CORNERS = const(4)


@micropython.viper
def total(p: ptr32, q: ptr8, n: int) -> int:
    s = 0
    i = 0
    while i < n:
        s += p[i] + q[i]
        i += 1
    return s


@micropython.viper
def clear(p: ptr32):
    p[0] = 0


@micropython.viper
def clear_and_add(p: ptr32, n: int) -> int:
    clear(p)
    return int(total(p, b"1234", n))


class Core:
    def __init__(self) -> None:
        self.values = array("i", [0] * _CORNERS)
        self.view = memoryview(bytearray(_CORNERS))

    def tick(self, now_us: int) -> int:
        return total(self.values, self.view, _CORNERS) + clear_and_add(self.values, _CORNERS) + now_us
"""

PLANTED = {
    "an int, which viper would take as an address": (
        "total(4096, bytearray(4), 1)",
        r'Argument 1 to "total" has incompatible type "int"; expected "ptr32 \|',
    ),
    "a list, which is no buffer": (
        "total(array('i', [0]), [1, 2], 1)",
        r'Argument 2 to "total" has incompatible type "list\[int\]"',
    ),
    "floats, which a pointer would read as bits": (
        "total(array('f', [0.5]), bytearray(4), 1)",
        r'Argument 1 to "total" has incompatible type "array\[float\]"',
    ),
    "a forgotten argument": ("total(array('i', [0]), bytearray(4))", r'Missing positional argument "n"'),
    "a method that takes microseconds, not text": ('Core().tick("now")', r'Argument 1 to "tick"'),
    "a slip inside a function without annotations": (
        "def loose(p): return Core().tock",
        r'no attribute "tock"',
    ),
    "a name that does not exist": ("gone(1)", r'Name "gone" is not defined'),
    "what CPython's gc has and MicroPython's lacks": ("gc.freeze()", r'Module has no attribute "freeze"'),
    "what array lacks on the board's side of the buffer": ("Core().values.lenght", r'no attribute "lenght"'),
}


def firmware(folder: Path, **files: str) -> Path:
    for name, text in files.items():
        path = folder / f"{name.replace('__', '/')}.py"
        path.parent.mkdir(exist_ok=True)
        path.write_text(text)
    return folder


def test_good_viper_code_passes_both_checks(tmp_path: Path) -> None:
    root = firmware(tmp_path, core=GOOD, boards__board="import pyb\n", boards__host="import termios\n")
    assert check_firmware.check_types(root) == []
    assert check_firmware.cross_compile(root) == []


def test_every_planted_type_error_is_found_where_it_stands(tmp_path: Path) -> None:
    lines = ["import gc", "from array import array", "from core import Core, total"]
    first = len(lines) + 1
    lines += [statement for statement, _ in PLANTED.values()]
    found = check_firmware.check_types(firmware(tmp_path, core=GOOD, wrong="\n".join(lines) + "\n"))
    assert len(found) == len(PLANTED), found
    for number, (what, (_, message)) in enumerate(PLANTED.items(), start=first):
        own = [line for line in found if f"wrong.py:{number}: error: " in line]
        assert len(own) == 1, what
        assert own[0].startswith("[unix stm32] ")
        assert re.search(message, own[0]), own[0]


@pytest.mark.parametrize("name", ["board", "host"])
def test_a_board_sees_only_its_own_port(tmp_path: Path, name: str) -> None:
    # pyb exists on stm32 only, termios on unix only.
    wrong = {"board": "import termios\n", "host": "import pyb\n"}[name]
    found = check_firmware.check_types(firmware(tmp_path, **{f"boards__{name}": wrong}))
    assert any("Cannot find implementation or library stub" in line for line in found)


def test_what_only_viper_refuses_is_found_by_the_cross_compiler(tmp_path: Path) -> None:
    # Types as such are right, but viper has no floats.
    wrong = "import micropython\n\n\n@micropython.viper\ndef half(n: int) -> int:\n    return int(n * 0.5)\n"
    root = firmware(tmp_path, sub__half=wrong)
    found = check_firmware.cross_compile(root)
    assert [line.partition(": ")[0] for line in found] == ["[armv7emsp] sub/half.py", "[armv7m] sub/half.py"]
    assert "ViperTypeError" in found[0]


def test_a_syntax_error_fails_both_checks(tmp_path: Path) -> None:
    root = firmware(tmp_path, broken="def half(:\n")
    assert check_firmware.check_types(root)
    assert len(check_firmware.cross_compile(root)) == 2


def test_missing_stubs_are_a_failure_with_advice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "prefix", str(tmp_path))
    found = check_firmware.check_types(firmware(tmp_path, core=GOOD))
    assert len(found) == 1
    assert "dev.py setup" in found[0]


@pytest.mark.parametrize("check", ["types", "cross"])
def test_the_exit_code_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], check: str
) -> None:
    root = firmware(tmp_path, core=GOOD)
    monkeypatch.setattr(sys, "argv", ["check_firmware.py", check, "--root", str(root)])
    assert check_firmware.main() == 0
    assert capsys.readouterr().out == ""
    (root / "core.py").write_text("def half(:\n")
    assert check_firmware.main() == 1
    assert "core.py" in capsys.readouterr().out
