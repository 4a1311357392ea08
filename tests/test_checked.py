"""`dashpot.checked`: every check has a planted violation that it must catch, on the very line that is at fault."""

from __future__ import annotations

import gc
import os
import subprocess
import sys
import textwrap
import time
import traceback
from array import array
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest

import dashpot
from dashpot import checked
from dashpot.checked import BoundsError, ViperError, WrapError

LOW, HIGH = -(2**31), 2**31 - 1
HEAD = "import micropython\nfrom micropython import const\n_K = const(7)\nG = 5\n"

Load = Callable[[str], ModuleType]


@pytest.fixture
def load(tmp_path: Path) -> Load:
    """A function that loads one viper function, or a few, written without their decorator."""

    def load_text(text: str) -> ModuleType:
        body = textwrap.dedent(text).replace("def ", "@micropython.viper\ndef ")
        (tmp_path / "planted.py").write_text(HEAD + body, encoding="utf-8")
        return checked.load(tmp_path).import_module("planted")

    return load_text


def line_of(error: BaseException) -> str:
    """The source line to which an exception's traceback leads."""
    return traceback.extract_tb(error.__traceback__)[-1].line or ""


def signed(*items: int) -> array[int]:
    return array("i", items)


# name, function f with "# here" on the line at fault, arguments, error, part of the message
RUN_TIME: list[tuple[str, str, tuple[object, ...], type[ViperError], str]] = [
    ("add", "def f(a: int, b: int) -> int:\n    return a + b # here", (HIGH, 1), WrapError, "2147483648"),
    ("subtract", "def f(a: int, b: int) -> int:\n    return a - b # here", (LOW, 1), WrapError, "go on with 2147483647"),
    ("multiply", "def f(a: int, b: int) -> int:\n    return a * b # here", (65536, 32768), WrapError, "65536 * 32768"),
    ("negate", "def f(a: int) -> int:\n    return -(a + 0) # here", (LOW,), WrapError, "-(a + 0): -(-2147483648)"),
    ("floor wraps below", "def f(a: int, b: int) -> int:\n    return a // b # here", (LOW, 2), WrapError, "rounding down"),
    ("floor wraps above", "def f(a: int, b: int) -> int:\n    return a // b # here", (HIGH, -3), WrapError, "rounding down"),
    ("floor of a product", "def f(a: int, b: int) -> int:\n    return a * 65535 // b # here", (-32768, 1000000), WrapError, "rounding down"),
    ("floor by a constant", "def f(a: int) -> int:\n    return a // 10 # here", (LOW + 8,), WrapError, "rounding down"),
    ("divide the least", "def f(a: int, b: int) -> int:\n    return a // b # here", (LOW, -1), WrapError, "2147483648"),
    ("shift out", "def f(a: int) -> int:\n    return a << 1 # here", (0x40000000,), WrapError, "a << 1"),
    ("shift out negative", "def f(a: int, k: int) -> int:\n    return a << k # here", (-3, 31), WrapError, "-3 << 31"),
    ("inner", "def f(a: int, b: int) -> int:\n    x = (a +  # here\n        b) - b\n    return x", (HIGH, 1), WrapError, "a + b"),
    ("augmented", "def f(a: int) -> int:\n    a += _K # here\n    return a", (HIGH - 6,), WrapError, "2147483641 + 7"),
    ("loop sum", "def f(p: ptr32, n: int) -> int:\n    s = 0\n    for i in range(n):\n        s += p[i] # here\n    return s",
     (signed(HIGH, 1), 2), WrapError, "s + p[i]: 2147483647 + 1"),
    ("condition", "def f(a: int) -> int:\n    if a > 0 and a + 1 > 0: # here\n        return 1\n    return 0", (HIGH,), WrapError, "a + 1"),
    ("while", "def f(a: int) -> int:\n    while a * 4 < 10: # here\n        a = a * 2\n    return a", (-3,), WrapError, "a * 4"),
    ("argument of a call", "def f(a: int) -> int:\n    return int(abs(a - 1)) # here", (LOW,), WrapError, "a - 1"),
    ("returned by a call", "def f(a):\n    x = int(a()) # here", (lambda: 2**31,), ViperError, "2147483648 is outside"),
    ("loop count", "def f(a: int):\n    for i in range(0, a, 0x10000000):\n        x = i * 2 # here", (0x60000001,), WrapError, "i * 2"),
    ("loop count down", "def f(a: int):\n    for i in range(0, a, -0x10000000):\n        x = i * 2 # here", (-0x60000001,), WrapError, "i * 2"),
    ("either value", "def f(a: int, b: int) -> int:\n    x = b or a & 1\n    return x + 1 # here", (1, HIGH), WrapError, "x + 1"),
    ("value from a later line",
     "def f(a: int):\n    x = 0\n    y = 0\n    for i in range(3):\n        z = x * 2 # here\n        x = y\n        y = a",
     (HIGH,), WrapError, "2147483647 * 2"),
    ("inverted index", "def f(p: ptr8, a: int) -> int:\n    return p[~(a & 3)] # here", (bytearray(9), 0), BoundsError, "= -1"),
    ("raise", "def f(a: int):\n    raise ValueError(a + 1) # here", (HIGH,), WrapError, "a + 1"),
    ("range end", "def f(a: int):\n    for i in range(0, a, 16): # here\n        break", (HIGH - 3,), WrapError, "step 16"),
    ("range end down", "def f(a: int):\n    for i in range(0, a, -2): # here\n        break", (LOW,), WrapError, "step -2"),
    ("uint below zero", "def f(a: uint, b: uint) -> uint:\n    return a - b # here", (3, 5), WrapError, "-2, which a uint cannot be"),
    ("uint of a negative", "def f(a: int) -> uint:\n    return uint(a) # here", (-1,), ViperError, "-1 is negative"),
    ("negative shift", "def f(a: int, k: int) -> int:\n    return a << k # here", (1, -1), ViperError, "shift by -1"),
    ("long shift", "def f(a: int, k: int) -> int:\n    return a >> k # here", (1, 32), ViperError, "shift by 32"),
    ("zero divisor", "def f(a: int, b: int) -> int:\n    return a // b # here", (4, 0), ViperError, "the board gives 0"),
    ("zero modulus", "def f(a: int, b: int) -> int:\n    a %= b # here\n    return a", (4, 0), ViperError, "4 % 0"),
    ("load past the end", "def f(p: ptr16, i: int) -> int:\n    return p[i] # here", (array("H", [1, 2]), 2), BoundsError, "i = 2 is outside 0..1"),
    ("load in front", "def f(p: ptr16, i: int) -> int:\n    return p[i] # here", (array("H", [1, 2]), -1), BoundsError, "i = -1 is outside 0..1"),
    ("load far", "def f(p: ptr8, i: int) -> int:\n    return p[i + 1] # here", (bytearray(4), HIGH), BoundsError, "i + 1 = 2147483648"),
    ("load by constant", "def f(p: ptr8) -> int:\n    return p[_K] # here", (bytearray(4),), BoundsError, "_K = 7 is outside 0..3"),
    ("load by a sum", "def f(p: ptr32, i: int) -> int:\n    return p[i * 2 - _K] # here", (signed(1), 3), BoundsError, "i * 2 - _K = -1"),
    ("load from nothing", "def f(p: ptr8) -> int:\n    return p[0] # here", (bytearray(),), BoundsError, "0 bytes"),
    ("store past the end", "def f(p: ptr32, i: int):\n    p[i] = 1 # here", (signed(0), 1), BoundsError, "i = 1 is outside 0..0"),
    ("store in front", "def f(p: ptr32, i: int):\n    p[i] = 1 # here", (signed(0), -1), BoundsError, "i = -1"),
    ("augmented past the end", "def f(p: ptr8, i: int):\n    p[i] += 1 # here", (bytearray(1), 1), BoundsError, "i = 1"),
    ("augmented in front", "def f(p: ptr8, i: int):\n    p[i - 1] |= 1 # here", (bytearray(1), 0), BoundsError, "i - 1 = -1"),
    ("exchange", "def f(p: ptr8, i: int):\n    p[i], p[0] = p[0], p[1] # here", (bytearray(2), 2), BoundsError, "i = 2"),
    ("rest of a word", "def f(p: ptr16) -> int:\n    return p[2] # here", (bytearray(5),), BoundsError, "2 is outside 0..1 (ptr16, 4 bytes)"),
    ("recast", "def f(p: ptr8) -> int:\n    q = ptr32(p)\n    return q[1] # here", (bytearray(7),), BoundsError, "outside 0..0"),
    ("recast on the way", "def f(p: ptr8, i: int) -> int:\n    return ptr32(p)[i] # here", (bytearray(4), 1), BoundsError, "i = 1"),
    ("moved past the end", "def f(p: ptr32, i: int) -> int:\n    q = ptr32(uint(p) + (i << 2)) # here\n    return q[0]", (signed(1, 2), 3), BoundsError, "moved by 12 bytes, out of a buffer of 8"),
    ("moved in front", "def f(p: ptr8, i: int) -> int:\n    q = ptr8(uint(p) + i) # here\n    return q[0]", (bytearray(4), -1), BoundsError, "moved by -1 bytes"),
    ("moved between words", "def f(p: ptr32, i: int) -> int:\n    q = ptr32(uint(p) + i) # here\n    return q[0]", (signed(1, 2), 2), BoundsError, "no multiple of 4"),
    ("moved, then past the end", "def f(p: ptr32, i: int) -> int:\n    q = ptr32(uint(p) + 4)\n    return q[i] # here", (signed(1, 2), 1), BoundsError, "i = 1"),
    ("moved, then before", "def f(p: ptr32, i: int) -> int:\n    q = ptr32(uint(p) + 4)\n    return q[i] # here", (signed(1, 2), -1), BoundsError, "i = -1"),
    ("moved, then too great", "def f(p: ptr8, v: int):\n    q = ptr8(uint(p) + 1)\n    q[0] = v # here", (bytearray(2), 256), WrapError, "256 does not fit ptr8"),
    ("byte too great", "def f(p: ptr8, v: int):\n    p[0] = v # here", (bytearray(1), 256), WrapError, "256 does not fit ptr8"),
    ("byte below zero", "def f(p: ptr8, v: int):\n    p[0] = v - 1 # here", (bytearray(1), 0), WrapError, "would keep 255"),
    ("half word too great", "def f(p: ptr16, v: int):\n    p[0] = v # here", (array("H", [0]), 65536), WrapError, "65536 does not fit"),
    ("half word below zero", "def f(p: ptr16, v: int):\n    p[0] = v # here", (bytearray(2), -2), WrapError, "would keep 65534"),
    ("augmented byte", "def f(p: ptr8):\n    p[0] += 1 # here", (bytearray(b"\xff"),), WrapError, "p[0] = 256"),
    ("augmented word", "def f(p: ptr32):\n    p[0] += 1 # here", (signed(HIGH),), WrapError, "p[0] + 1: 2147483647 + 1"),
    ("store to bytes", "def f(p: ptr8):\n    p[0] = 1 # here", (b"ab",), ViperError, "cannot be stored to"),
    ("store to a read-only view", "def f(p: ptr16):\n    p[0] = 1 # here", (memoryview(b"abcd"),), ViperError, "cannot be stored to"),
    ("integer for a pointer", "def f(p: ptr8): # here\n    p[0] = 1", (0x20000000,), ViperError, "takes for an address"),
    ("None for a pointer", "def f(p: ptr16): # here\n    p[0] = 1", (None,), ViperError, "NoneType is no buffer"),
    ("list for a pointer", "def f(p: ptr32): # here\n    p[0] = 1", ([1],), ViperError, "list is no buffer"),
    ("long array", "def f(p: ptr32): # here\n    p[0] = 1", (array("l", [1]),), ViperError, "another size on the board"),
    ("odd address", "def f(p: ptr16): # here\n    p[0] = 1", (memoryview(bytearray(8))[1:],), ViperError, "multiple of 2"),
    ("odd read-only address", "def f(p: ptr32) -> int: # here\n    return p[0]", (memoryview(bytes(16))[2:],), ViperError, "multiple of 4"),
    ("strided view", "def f(p: ptr8): # here\n    p[0] = 1", (memoryview(bytearray(8))[::2],), ViperError, "not contiguous"),
    ("integer cast to a pointer", "def f(a):\n    p = ptr8(a) # here", (64,), ViperError, "takes for an address"),
    ("None for an integer", "def f(a: int): # here\n    pass", (None,), ViperError, "None is no integer"),
    ("float for an integer", "def f(a: int): # here\n    pass", (2.0,), ViperError, "2.0 is no integer"),
    ("integer past 32 bits", "def f(a: int): # here\n    pass", (2**31,), ViperError, "would cut it"),
    ("negative uint argument", "def f(a: uint): # here\n    pass", (-1,), ViperError, "-1 is outside 0.."),
    ("text as integer", "def f(a):\n    x = int(a) # here", ("12",), ViperError, "'12' is no integer"),
    ("end without a result", "def f(a: int) -> int:\n    if a: # here\n        return 1", (0,), ViperError, "end of a function -> int"),
    ("read before set", "def f(a: int) -> int:\n    if a:\n        x = 1\n    return x # here", (0,), ViperError, "local x is read before it is set"),
    ("loop never ran", "def f(a: int) -> int:\n    for i in range(a):\n        pass\n    return i # here", (0,), ViperError, "local i"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("source", "arguments", "error", "part"),
    [case[1:] for case in RUN_TIME],
    ids=[case[0] for case in RUN_TIME],
)
def test_planted_violation_is_caught_on_its_line(
    load: Load, source: str, arguments: tuple[object, ...], error: type[ViperError], part: str
) -> None:
    with pytest.raises(ViperError) as caught:
        load(source).f(*arguments)
    assert type(caught.value) is error
    assert part in str(caught.value)
    assert "# here" in caught.value.source_line
    assert "# here" in line_of(caught.value)
    assert f"planted.py:{caught.value.lineno} in f()" in str(caught.value)


# name, function f with "# here" on the line at fault, part of the message
REFUSED: list[tuple[str, str, str]] = [
    ("great literal", "def f(a: int) -> int:\n    return a + 0x40000000 # here", "31 bits"),
    ("great negative literal", "def f(a: int) -> int:\n    return a + -0x40000001 # here", "31 bits"),
    ("great constant", "def f(a: int) -> int:\n    return a + (_K << 28) # here", "31 bits"),
    ("negative constant index", "def f(p: ptr8) -> int:\n    return p[-1] # here", "in front of the buffer"),
    ("constant zero divisor", "def f(a: int) -> int:\n    return a // 0 # here", "division by zero"),
    ("constant long shift", "def f(a: int) -> int:\n    return a >> 32 # here", "0 to 31"),
    ("float", "def f(a: int) -> int:\n    return int(a * 1.5) # here", "float"),
    ("true division", "def f(a: int) -> int:\n    return int(a / 2) # here", "no such operator"),
    ("power", "def f(a: int) -> int:\n    return a ** 2 # here", "no such operator"),
    ("default", "def f(a: int = 1) -> int: # here\n    return a", "without defaults"),
    ("star", "def f(*a) -> int: # here\n    return 1", "no *args"),
    ("keywords", "def f(**a) -> int: # here\n    return 1", "no **kwargs"),
    ("keyword only", "def f(*, a: int) -> int: # here\n    return a", "positional"),
    ("unknown type", "def f(a: float): # here\n    pass", "no viper type"),
    ("loop over a pointer", "def f(p: ptr8):\n    for x in p: # here\n        pass", "the board crashes"),
    ("loop over an integer", "def f(a: int):\n    for x in a: # here\n        pass", "the board crashes"),
    ("pointer arithmetic", "def f(p: ptr8) -> int:\n    q = ptr8(p + 1) # here\n    return q[0]", "arithmetic on a pointer"),
    ("pointer moved by an object", "def f(p: ptr8) -> int:\n    q = ptr8(uint(p) + G) # here\n    return q[0]", "moves on by an integer"),
    ("pointer moved to another type", "def f(p: ptr8) -> int:\n    q = ptr32(uint(p) + 4) # here\n    return q[0]", "address"),
    ("pointer comparison", "def f(p: ptr8, q: ptr8):\n    if p == q: # here\n        pass", "compares integers, not ptr8"),
    ("pointer address", "def f(p: ptr8) -> int:\n    return int(p) # here", "address"),
    ("pointer returned", "def f(p: ptr8):\n    return p # here", "return of ptr8"),
    ("pointer result", "def f(p: ptr8) -> ptr8: # here\n    return p", "bare address"),
    ("pointer handed on", "def f(p: ptr8):\n    print(p) # here", "bare address"),
    ("integer as buffer", "def f(a: int):\n    p = ptr8(a) # here", "not a buffer"),
    ("type changes", "def f(p: ptr8):\n    x = 1\n    x = p # here", "local x is int"),
    ("type changes to object", "def f(a: int):\n    x = a\n    x = abs(a) # here", "here becomes object"),
    ("bool in arithmetic", "def f(a: int) -> int:\n    x = a < 3\n    return x + a # here", "cannot do bool + int"),
    ("global without cast", "def f(a: int) -> int:\n    return a + G # here", "cannot do int + object"),
    ("object index", "def f(p: ptr8) -> int:\n    return p[G] # here", "indexed by an integer, not by object"),
    ("object stored", "def f(p: ptr8):\n    p[0] = G # here", "stores integers"),
    ("return of bool", "def f(a: int) -> int:\n    return a < 3 # here", "return of bool"),
    ("return without type", "def f(a: int):\n    return a # here", "return of int in a function that gives object"),
    ("empty return", "def f(a: int) -> int:\n    if a:\n        return # here\n    return 1", "the board gives 0"),
    ("branch types", "def f(a: int) -> int:\n    return 1 if a else G # here", "one branch is int, the other object"),
    ("not as value", "def f(a: int):\n    x = not a # here", "in conditions only"),
    ("mixed and", "def f(a: int):\n    x = a and G # here", "needs one type"),
    ("int against uint", "def f(a: int, b: uint):\n    if a < b: # here\n        pass", "int against uint"),
    ("negated local", "def f(a: int) -> int:\n    return -a # here", "changes the variable itself; write 0 - x"),
    ("inverted local", "def f(a: int) -> int:\n    return ~int(a) # here", "changes the variable itself; write -1 ^ x"),
    ("negated uint", "def f(a: uint) -> int:\n    return -(a >> 1) # here", "do not fit a uint"),
    ("variable step", "def f(a: int):\n    for i in range(0, 9, a): # here\n        pass", "constant other than 0"),
    ("zero step", "def f(a: int):\n    for i in range(0, 9, 0): # here\n        pass", "constant other than 0"),
    ("object bound", "def f(a):\n    for i in range(len(a)): # here\n        pass", "write int(...)"),
    ("read first", "def f(a: int) -> int:\n    x = y # here\n    y = 1\n    return x", "before anything is assigned"),
    ("try", "def f(a: int):\n    try: # here\n        pass\n    finally:\n        pass", "not in viper code"),
    ("lambda", "def f(a: int):\n    x = lambda: 1 # here", "not in viper code"),
    ("walrus", "def f(a: int):\n    if (b := a): # here\n        pass", "not in viper code"),
    ("comprehension", "def f(a: int):\n    x = [i for i in range(3)] # here", "not in viper code"),
    ("keyword call", "def f(a: int):\n    print(a, end=G) # here", "positional arguments only"),
    ("slice of a pointer", "def f(p: ptr8):\n    x = p[0:1] # here", "not by slice"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("source", "part"), [case[1:] for case in REFUSED], ids=[case[0] for case in REFUSED]
)
def test_what_viper_cannot_do_is_refused_before_it_runs(load: Load, source: str, part: str) -> None:
    with pytest.raises(ViperError) as caught:
        load(source)
    assert part in str(caught.value)
    assert "# here" in caught.value.source_line


# The same functions just inside the limit: a check that always fails would pass the tests above.
ALLOWED: list[tuple[str, str, tuple[object, ...], object]] = [
    ("add", "def f(a: int, b: int) -> int:\n    return a + b", (HIGH - 1, 1), HIGH),
    ("subtract", "def f(a: int, b: int) -> int:\n    return a - b", (LOW + 1, 1), LOW),
    ("multiply", "def f(a: int, b: int) -> int:\n    return a * b", (65536, -32768), LOW),
    ("shift", "def f(a: int, k: int) -> int:\n    return a << k", (-1, 31), LOW),
    ("shift right", "def f(a: int, k: int) -> int:\n    return a >> k", (LOW, 31), -1),
    ("pad", "def f(p: ptr32, k: int) -> int:\n    return p[0] << k >> k", (signed(LOW), 0), LOW),
    ("negate", "def f(a: int) -> int:\n    return -(a + 0)", (LOW + 1,), HIGH),
    ("floor below", "def f(a: int, b: int) -> int:\n    return a // b", (LOW + 1, 2), -(2**30)),
    ("floor above", "def f(a: int, b: int) -> int:\n    return a // b", (HIGH - 2, -3), -715827882),
    ("floor of equal signs", "def f(a: int, b: int) -> int:\n    return a // b", (LOW, LOW), 1),
    ("floor by a constant", "def f(a: int) -> int:\n    return a // 10", (LOW + 9,), -214748364),
    ("literals", "def f(a: int) -> int:\n    return a + 0x3fffffff + -0x40000000", (0,), -1),
    ("last item", "def f(p: ptr16, i: int) -> int:\n    return p[i]", (array("H", [1, 65535]), 1), 65535),
    ("signed array, unsigned load", "def f(p: ptr16) -> int:\n    return p[0]", (array("h", [-1]),), 65535),
    ("unsigned array, signed load", "def f(p: ptr32) -> int:\n    return p[0]", (array("I", [2**32 - 1]),), -1),
    ("bytes", "def f(p: ptr8) -> int:\n    return p[1]", (b"ab",), 98),
    ("even view", "def f(p: ptr16) -> int:\n    return p[0]", (memoryview(bytearray(b"abcd"))[2:],), 0x6463),
    ("range end", "def f(a: int) -> int:\n    for i in range(0, a, 16):\n        break\n    return i", (HIGH - 15,), 0),
    ("bool parameter", "def f(a: bool) -> int:\n    return 3 if a else 4", (True,), 3),
    ("bool for int", "def f(a: int) -> int:\n    return a", (True,), 1),
    ("bool result", "def f(a: int) -> bool:\n    return bool(a)", (7,), True),
    ("object arithmetic", "def f(a, b):\n    return a * b", (2.5, 2), 5.0),
    ("global cast", "def f(a: int) -> int:\n    return a + int(G)", (1,), 6),
    ("zero filled loop", "def f(a: int) -> int:\n    s = 0\n    for i in range(a, 0, -2):\n        s += i\n    return s", (5,), 9),
]  # fmt: skip


@pytest.mark.parametrize(
    ("source", "arguments", "result"), [case[1:] for case in ALLOWED], ids=[case[0] for case in ALLOWED]
)
def test_the_same_just_inside_the_limit_runs(
    load: Load, source: str, arguments: tuple[object, ...], result: object
) -> None:
    assert load(source).f(*arguments) == result


def test_arguments_are_positional_and_complete(load: Load) -> None:
    module = load("def f(a: int) -> int:\n    return a")
    for call in (module.f, lambda: module.f(1, 2), lambda: module.f(a=1)):
        with pytest.raises(TypeError):
            call()


def test_store_and_count_reach_the_buffer_itself(load: Load) -> None:
    text = """
        def f(a: ptr8, b: ptr16, c: ptr32):
            a[0] = 200
            b[1] = 40000
            c[0] = -5
            p = ptr8(c)
            p[4] = 7
    """
    octets, halves, words = bytearray(2), bytearray(4), signed(0, 0)
    load(text).f(octets, halves, words)
    assert octets == b"\xc8\0"
    assert halves == (40000 << 16).to_bytes(4, "little")
    assert words == signed(-5, 7)


def test_error_of_a_nested_call_keeps_its_own_line(load: Load) -> None:
    text = """
        def inner(p: ptr8, i: int) -> int:
            return p[i]  # inner

        def f(b, i: int) -> int:
            x = int(inner(b, i))  # outer
            return x
    """
    with pytest.raises(BoundsError) as caught:
        load(text).f(bytearray(2), 2)
    lines = [entry.line or "" for entry in traceback.extract_tb(caught.value.__traceback__)]
    assert lines[-1].endswith("# inner")
    assert lines[-2].endswith("# outer")
    assert len(lines) == 3


def test_exceptions_that_are_no_violation_pass_untouched(load: Load) -> None:
    text = """
        def f(a, kind: int) -> int:
            if kind == 0:
                raise ValueError("mine")
            if kind == 1:
                x = a[5]
            if kind == 2:
                y = absent
            return int(a(kind))
    """
    module = load(text)
    with pytest.raises(ValueError, match=r"^mine$"):
        module.f([], 0)
    with pytest.raises(IndexError, match=r"^list index"):
        module.f([], 1)
    with pytest.raises(NameError, match="absent") as missing:
        module.f([], 2)
    with pytest.raises(TypeError, match="not callable"):
        module.f([], 3)
    assert not isinstance(missing.value, ViperError)


def test_docstring_and_name_stay(load: Load) -> None:
    function = load('def f(a: int) -> int:\n    """Say so."""\n    return a').f
    assert (function.__doc__, function.__name__) == ("Say so.", "f")


def test_methods_are_checked(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text(
        "import micropython\nclass C:\n    k = 3\n    @micropython.viper\n"
        "    def f(self, a: int) -> int:\n        return a * int(self.k)\n"
    )
    method = checked.load(tmp_path).import_module("m").C().f
    assert method(5) == 15
    with pytest.raises(WrapError):
        method(HIGH)


def test_viper_by_another_spelling_is_refused(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text(
        "from micropython import viper\n@viper\ndef f(a: int) -> int:\n    return a\n"
    )
    with pytest.raises(SyntaxError, match=r"exact spelling @micropython\.viper"):
        checked.load(tmp_path).import_module("m")


def test_native_and_plain_functions_are_left_alone(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text(
        "import micropython\n@micropython.native\ndef f(a, b=2):\n    return a * b\ndef g(a):\n    return a / 2\n"
    )
    module = checked.load(tmp_path).import_module("m")
    assert module.f(2**31) == 2**32
    assert module.g(1) == 0.5


def write_firmware(folder: Path, value: int) -> Path:
    package = folder / "dashpot"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("")
    (package / "core.py").write_text(
        f"from . import part\nfrom .part import value\nVALUE = {value} + value\n"
    )
    (package / "part.py").write_text("import dashpot.names as names\nvalue = names.ONE\n")
    (package / "names.py").write_text("ONE = 1\n")
    (folder / "boards").mkdir()
    (folder / "boards" / "host.py").write_text("from dashpot import core\n")
    return folder


def test_firmwares_are_apart_from_each_other_and_from_the_bench(tmp_path: Path) -> None:
    before = dict(sys.modules)
    first = checked.load(write_firmware(tmp_path / "one", 100))
    second = checked.load(write_firmware(tmp_path / "two", 200))
    assert first.import_module("boards.host").core.VALUE == 101
    assert second.import_module("dashpot.core").VALUE == 201
    assert first.import_module("dashpot.core") is first.modules["dashpot"].core
    assert sys.modules["dashpot"] is dashpot
    assert set(sys.modules) - set(before) <= {"array", "struct"}


def test_only_what_micropython_has_can_be_imported(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text("import array, binascii, struct, sys, time, gc, micropython\n")
    checked.load(tmp_path).import_module("m")
    for name in ("machine", "dataclasses", "typing", "numpy", "dashpot.files"):
        (tmp_path / "m.py").write_text(f"import {name}\n")
        with pytest.raises(ModuleNotFoundError, match=name.partition(".")[0]):
            checked.load(tmp_path).import_module("m")
    (tmp_path / "m.py").write_text("from sys import nonsense\n")
    with pytest.raises(ImportError):
        checked.load(tmp_path).import_module("m")


def test_a_module_that_failed_is_not_kept(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text("raise ValueError('once')\n")
    firmware = checked.load(tmp_path)
    with pytest.raises(ValueError, match="once"):
        firmware.import_module("m")
    (tmp_path / "m.py").write_text("X = 1\n")
    assert firmware.import_module("m").X == 1


def test_micropython_modules_have_their_own_calls(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text("import gc, micropython, sys, time\n")
    firmware = checked.load(tmp_path)
    module = firmware.import_module("m")
    assert (module.gc.mem_alloc(), module.gc.mem_free(), module.micropython.mem_total()) == (0, 0, 0)
    assert module.gc.threshold() == -1
    module.gc.threshold(1000)
    assert module.gc.threshold() == 1000
    assert isinstance(gc.get_threshold(), tuple)
    assert not hasattr(gc, "mem_alloc")
    assert not hasattr(time, "ticks_us")
    assert (module.micropython.heap_lock(), module.micropython.heap_lock()) == (1, 2)
    assert (module.micropython.heap_unlock(), module.micropython.heap_unlock()) == (1, 0)
    assert module.micropython.opt_level() == 0
    assert module.sys.argv is sys.argv
    assert module.sys.modules is firmware.modules


def test_ticks_wrap_at_two_to_the_thirty(tmp_path: Path) -> None:
    # [S] MicroPython's documentation of time.ticks_diff: the difference is signed, within half a period.
    (tmp_path / "m.py").write_text("import time\n")
    clock = checked.load(tmp_path).import_module("m").time
    period = 2**30
    assert clock.ticks_add(period - 1, 1) == 0
    assert clock.ticks_add(0, -1) == period - 1
    assert clock.ticks_diff(5, period - 5) == 10
    assert clock.ticks_diff(period - 5, 5) == -10
    assert clock.ticks_diff(period // 2, 0) == -period // 2
    assert 0 <= clock.ticks_us() < period
    with pytest.raises(OverflowError):
        clock.ticks_add(0, period // 2)


def test_a_swallowed_violation_is_remembered(tmp_path: Path) -> None:
    (tmp_path / "m.py").write_text(
        "import micropython\n@micropython.viper\ndef f(a: int) -> int:\n    return a + 1\n"
        "def g(a):\n    try:\n        return f(a)\n    except OverflowError:\n        return None\n"
    )
    firmware = checked.load(tmp_path)
    module = firmware.import_module("m")
    assert module.g(HIGH - 1) == HIGH
    assert not firmware.violations
    assert module.g(HIGH) is None
    assert [type(each) for each in firmware.violations] == [WrapError]


def run_checked(folder: Path, *arguments: str, stdin: bytes = b"") -> subprocess.CompletedProcess[bytes]:
    package = str(Path(dashpot.__file__).parent.parent)
    return subprocess.run(
        [sys.executable, "-m", "dashpot.checked", str(folder), *arguments],
        input=stdin,
        capture_output=True,
        check=False,
        env={**os.environ, "PYTHONPATH": package},
    )


BOARD = """
import sys
import micropython

@micropython.viper
def total(p: ptr8, n: int) -> int:
    s = 0
    for i in range(n):
        s += p[i]
    return s

def main():
    block = bytearray(4)
    count = int(sys.argv[1])
    while sys.stdin.buffer.readinto(block):
        sys.stdout.buffer.write(bytes([total(block, count) & 0xFF, 10, 13]))
    return int(sys.argv[2])
"""


def test_runner_hands_over_arguments_and_binary_streams(tmp_path: Path) -> None:
    (tmp_path / "boards").mkdir()
    (tmp_path / "boards" / "host.py").write_text(BOARD)
    done = run_checked(tmp_path, "boards.host", "4", "3", stdin=b"\x01\x02\x03\x04\xff\x01\r\n")
    assert (done.stdout, done.stderr, done.returncode) == (b"\x0a\n\r\x17\n\r", b"", 3)
    assert run_checked(tmp_path, "boards.host", "4", "0").returncode == 0


def test_runner_answers_while_its_input_is_open(tmp_path: Path) -> None:
    (tmp_path / "host.py").write_text(BOARD)
    command = [sys.executable, "-m", "dashpot.checked", str(tmp_path), "host", "4", "0"]
    environment = {**os.environ, "PYTHONPATH": str(Path(dashpot.__file__).parent.parent)}
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=environment) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.write(b"\1\1\1\1")
        process.stdin.flush()
        assert process.stdout.read(3) == b"\4\n\r"
        process.stdin.close()
    assert process.returncode == 0


def test_runner_shows_the_firmware_s_traceback_only(tmp_path: Path) -> None:
    (tmp_path / "host.py").write_text(BOARD)
    done = run_checked(tmp_path, "host", "5", "0", stdin=b"abcd")
    assert done.returncode == 1
    text = done.stderr.decode()
    assert "BoundsError" in text
    assert "s += p[i]" in text
    assert "i = 4 is outside 0..3" in text
    assert "checked/" not in text
    assert text.count("  File ") == 2


def test_runner_reports_a_violation_that_the_firmware_hid(tmp_path: Path) -> None:
    hidden = BOARD.replace(
        "    while sys",
        "    try:\n        total(block, 9)\n    except Exception:\n        pass\n    while sys",
    )
    (tmp_path / "host.py").write_text(hidden)
    done = run_checked(tmp_path, "host", "4", "0")
    assert done.returncode == 1
    assert b"caught and hid" in done.stderr
    assert b"BoundsError" in done.stderr


@pytest.mark.parametrize("arguments", [(), ("host",)], ids=["nothing", "no module"])
def test_runner_wants_folder_and_module(tmp_path: Path, arguments: tuple[str, ...]) -> None:
    done = run_checked(tmp_path / "absent", *arguments)
    assert done.returncode == 2
    assert b"usage:" in done.stderr


def test_the_real_firmware_loads() -> None:
    from dashpot.resources import firmware_dir

    firmware = checked.load(firmware_dir())
    firmware.import_module("boards.host")
    assert "dashpot.core" in firmware.modules
