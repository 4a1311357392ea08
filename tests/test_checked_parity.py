"""The same viper functions in the real MicroPython interpreter and in checked CPython, over edge-first random input.

Inputs that the checked run refuses are left out: there the interpreter, whose viper integers have 64 bits, goes on
with a number that no board would have.
"""

from __future__ import annotations

import json
import random
import subprocess
from array import array
from pathlib import Path
from typing import Any

import pytest

from checked_code import EDGES, Writer
from dashpot import checked
from dashpot.checked import ViperError
from dashpot.errors import InputError
from dashpot.targets.host import find_micropython

SEED = 20_260
PER_FUNCTION = 200
RANDOM_FUNCTIONS, RANDOM_CALLS = 120, 15

# What follows a name in HEADS are its arguments' kinds: i any integer, s a small one, k a shift count, n not zero,
# b bool, P the pad of a signed load, o/h/w buffers of 8, 16 and 32 bits.
FUNCTIONS = """
import micropython
from micropython import const

_K = const(5)
_MASK = const(0xff)


@micropython.viper
def sums__iii(a: int, b: int, c: int) -> int:
    return a + b - c + _K


@micropython.viper
def products__ss(a: int, b: int) -> int:
    return a * b + (a - b) * _K


@micropython.viper
def quotient__in(a: int, b: int) -> int:
    return a // b


@micropython.viper
def remainder__in(a: int, b: int) -> int:
    return a % b


@micropython.viper
def halves__i(a: int) -> int:
    return (a // 2) ^ (a // -3) ^ (a % 7) ^ (a % -7) ^ (a >> 1)


@micropython.viper
def shifts__sk(a: int, k: int) -> int:
    return (a << k) + (a >> k)


@micropython.viper
def bits__ii(a: int, b: int) -> int:
    return (a & b) ^ (a | b) ^ ~(a | b) ^ (b & _MASK)


@micropython.viper
def signs__ii(a: int, b: int) -> int:
    return -(a >> 1) + +b - ~(a ^ b)


@micropython.viper
def precedence__ssk(a: int, b: int, k: int) -> int:
    return a + b << k & 0xffff | a ^ b - 3 * a


@micropython.viper
def order__iii(a: int, b: int, c: int) -> int:
    r = 0
    if a < b < c:
        r |= 1
    if a <= b == c:
        r |= 2
    if a != b > c >= a:
        r |= 4
    if not a < b:
        r |= 8
    return r


@micropython.viper
def logic__iii(a: int, b: int, c: int) -> int:
    r = 0
    if a and b or not c:
        r |= 1
    if not (a or b) and c > 0:
        r |= 2
    if (a < 0 or b < 0) and not (c == a):
        r |= 4
    return r


@micropython.viper
def values__ii(a: int, b: int) -> int:
    x = a and b
    y = a or b
    return (x ^ y) + int(a < b)


@micropython.viper
def choice__iii(a: int, b: int, c: int) -> int:
    return (a if a > b else b) ^ (1 if c else 2 if a == b else 3)


@micropython.viper
def truth__ib(a: int, b: bool) -> bool:
    return a > 3 if b else a < 3


@micropython.viper
def up__ss(a: int, b: int) -> int:
    s = 0
    for i in range(a & 31, b & 63, 3):
        s = s * 3 + i & 0xfffff
    return s


@micropython.viper
def down__s(a: int) -> int:
    s = 0
    last = -99
    for i in range(a & 31, -5, -4):
        s += i * i
        last = i
    return s * 100 + last


@micropython.viper
def inner__s(a: int) -> int:
    s = 0
    n = a & 7
    for i in range(n):
        n = 2
        for j in range(i, 6):
            if j == 4:
                break
            if (i + j) & 1:
                continue
            s += 10 * i + j
        else:
            s += 1000
        i += 50
        s += i
    return s + n


@micropython.viper
def until__i(a: int) -> int:
    n = 0
    while a:
        a >>= 1
        n += 1
        if n > 40:
            break
        if a == -1:
            continue
    else:
        n += 100
    return n


@micropython.viper
def changed__isk(a: int, b: int, k: int) -> int:
    a ^= b
    a |= 1
    a &= 0xffffff
    a += b
    a -= 3
    a >>= k
    a //= 3
    a %= 1001
    a *= -2
    a <<= 2
    return a


@micropython.viper
def exchange__iii(a: int, b: int, c: int) -> int:
    a, b = b, a
    a, b, c = c, a, b
    x = y = a
    return (x & 0xffff) * 3 + (y & 0xff) + (b >> 3) - (c >> 4)


@micropython.viper
def octets__osi(p: ptr8, a: int, v: int) -> int:
    p[a & 3] = v & 255
    p[0] += 1 if p[0] < 255 else 0
    p[1] ^= p[a & 3]
    p[2] >>= 1
    p[3] |= 0x81
    return p[0] + p[1] * 256 + p[2] * 65536


@micropython.viper
def half_words__hsi(p: ptr16, a: int, v: int) -> int:
    p[a & 3] = v & 0xffff
    p[1] //= 3
    p[2] &= p[1] | v
    p[3] = (p[3] << 3) & 0xffff
    return ((p[a & 3] ^ 0x8000) - 0x8000) * 2 + p[0]


@micropython.viper
def words__wPsi(p: ptr32, pad: int, a: int, v: int) -> int:
    p[a & 3] = v
    x = p[0] << pad >> pad
    y = p[a & 3] << pad >> pad
    p[1] = x >> 3
    p[2] += 1
    p[3] = (y & 0xff) - 128
    return (x >> 1) - (y >> 1)


@micropython.viper
def fields__wP(p: ptr32, pad: int) -> int:
    s = 0
    for i in range(4):
        v = p[i]
        s += (((v >> 16 & 0xffff) ^ 0x8000) - 0x8000) + (v & 0xff)
    return s


@micropython.viper
def recast__wos(p: ptr32, q: ptr8, a: int) -> int:
    byte = ptr8(p)
    half = ptr16(p)
    word = ptr32(q)
    byte[a & 15] = q[1]
    half[a & 7] ^= 0x5555
    word[0] = 0x01020304
    same = byte
    return same[0] + half[1] + q[3] + byte[15]


@micropython.viper
def either__ooi(p: ptr8, q: ptr8, a: int) -> int:
    r = p if a > 0 else q
    r[0] = 9
    return r[1]


@micropython.viper
def object_calls__i(a: int) -> int:
    return int(abs(a >> 1)) + int(max(a, 3))


@micropython.viper
def nothing__ws(p: ptr32, a: int):
    if a < 0:
        return
    p[0] = a


@micropython.viper
def unsigned__uu(a: uint, b: uint) -> uint:
    x = a if a > b else b
    return (x >> 3) + (a & b)


@micropython.viper
def search__hi(p: ptr16, key: int) -> int:
    low = 0
    high = 4
    while low < high:
        middle = (low + high) >> 1
        if p[middle] < key:
            low = middle + 1
        else:
            high = middle
    return low
"""

DRIVER = """
import json, sys
from array import array
import functions

MAKE = {"o": bytearray, "h": lambda x: array("H", x), "w": lambda x: array("i", x)}

with open(sys.argv[1]) as source:
    cases = json.load(source)
results = []
for name, arguments in cases:
    values = [MAKE[a[0]](a[1]) if isinstance(a, list) else a for a in arguments]
    result = getattr(functions, name)(*values)
    results.append([result, [list(v) for v in values if not isinstance(v, (int, bool))]])
print(json.dumps(results))
"""
MAKE = {"o": bytearray, "h": lambda items: array("H", items), "w": lambda items: array("i", items)}
ITEM_EDGES = {
    "o": [0, 1, 127, 128, 255],
    "h": [0, 1, 32767, 32768, 65535],
    "w": [0, 1, -1, 65535, 65536, -65536, 2**31 - 1, -(2**31)],
}


def argument(kind: str, dice: random.Random, edges: bool) -> Any:
    if kind in MAKE:
        low, high = {"o": (0, 255), "h": (0, 65535), "w": (-(2**31), 2**31 - 1)}[kind]
        return [kind, [dice.choice(ITEM_EDGES[kind]) if edges else dice.randint(low, high) for _ in range(4)]]
    if kind == "P":
        return "pad"
    if kind == "b":
        return dice.random() < 0.5
    if kind == "k":
        return dice.choice([0, 1, 2, 15, 16, 30, 31])
    if kind == "s":
        return dice.choice([x for x in EDGES if abs(x) < 40000]) if edges else dice.randint(-30000, 30000)
    value = dice.choice(EDGES) if edges else dice.randint(-(2**31), 2**31 - 1) >> dice.randrange(24)
    if kind == "u":
        return abs(value) & 0x7FFFFFFF
    return value or 1 if kind == "n" else value


def with_pad(arguments: list[Any], pad: int) -> list[Any]:
    return [pad if value == "pad" else value for value in arguments]


@pytest.fixture(scope="module")
def micropython() -> Path:
    try:
        return find_micropython()[0]
    except InputError as missing:
        pytest.skip(str(missing))


def compare(folder: Path, micropython: Path, cases: list[Any], expected: list[Any]) -> None:
    """Run the cases in MicroPython and hold its results and buffers against those of the checked run."""
    (folder / "driver.py").write_text(DRIVER)
    (folder / "cases.json").write_text(json.dumps(cases))
    command = [micropython, "-X", "heapsize=64m", "driver.py", "cases.json"]
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert not done.returncode, done.stdout[-1000:]
    given = json.loads(done.stdout)
    differing = [each for each in zip(cases, expected, given, strict=True) if each[1] != each[2]]
    assert not differing, differing[:3]


@pytest.mark.parametrize("seed", [SEED])
def test_functions_give_the_same_in_both_interpreters(tmp_path: Path, micropython: Path, seed: int) -> None:
    (tmp_path / "functions.py").write_text(FUNCTIONS)
    module = checked.load(tmp_path).import_module("functions")
    dice = random.Random(seed)
    cases, expected = [], []
    names = [name for name in vars(module) if "__" in name.strip("_")]
    assert len(names) == FUNCTIONS.count("@micropython.viper")
    for name in names:
        accepted = 0
        for attempt in range(PER_FUNCTION):
            arguments = [
                argument(kind, dice, attempt < PER_FUNCTION // 2) for kind in name.partition("__")[2]
            ]
            values = [MAKE[a[0]](a[1]) if isinstance(a, list) else a for a in with_pad(arguments, 0)]
            try:
                result = getattr(module, name)(*values)
            except ViperError:
                continue
            accepted += 1
            cases.append([name, with_pad(arguments, 32)])
            expected.append([result, [list(value) for value in values if not isinstance(value, int)]])
        assert accepted > PER_FUNCTION // 10, f"{name}: {accepted} inputs only"

    compare(tmp_path, micropython, cases, expected)


@pytest.mark.parametrize("seed", [SEED, SEED + 1])
def test_random_functions_give_the_same_in_both_interpreters(
    tmp_path: Path, micropython: Path, seed: int
) -> None:
    # Signed words need a pad that differs between the two; the functions above have it.
    writer = Writer(seed, "oh")
    modules, cases, expected = [], [], []
    while len(modules) < RANDOM_FUNCTIONS:
        name = f"random{len(modules)}"
        (tmp_path / f"{name}.py").write_text(
            f"import micropython\n@micropython.viper\n{writer.function(name)}\n"
        )
        try:
            function = getattr(checked.load(tmp_path).import_module(name), name)
        except ViperError:
            continue
        modules.append(name)
        for call in range(RANDOM_CALLS):
            numbers = [writer.dice.choice(EDGES if call % 3 else [0, 1, 2, 3, 5, 100, -1]) for _ in "abc"]
            arguments = [["o", [0, 1, 255, 128]], ["h", [0, 1, 65535, 32768]], ["w", [0]], *numbers]
            values = [MAKE[a[0]](a[1]) if isinstance(a, list) else a for a in arguments]
            try:
                result = function(*values)
            except ViperError:
                continue
            cases.append([name, arguments])
            expected.append([result, [list(value) for value in values if not isinstance(value, int)]])
    assert len(cases) > RANDOM_FUNCTIONS
    (tmp_path / "functions.py").write_text("".join(f"from {name} import {name}\n" for name in modules))
    compare(tmp_path, micropython, cases, expected)


def verdict_of_micropython(micropython: Path, source: str, folder: Path) -> str:
    """The message with which MicroPython refuses a function when it compiles it; empty if it takes it."""
    (folder / "one.py").write_text(source)
    done = subprocess.run([micropython, "one.py"], cwd=folder, capture_output=True, text=True, check=False)
    return done.stdout.strip().rpartition("\n")[2] if done.returncode else ""


# Whatever viper itself refuses when it compiles, the checked run refuses too.
REFUSED_BY_VIPER = [
    "def f(a: int) -> int:\n    return a ** 2",
    "def f(a: int) -> int:\n    return int(a / 2)",
    "def f(a: int) -> int:\n    x = a < 3\n    return x",
    "def f(a: int) -> int:\n    x = a < 3\n    return x + a",
    "def f(a: int) -> int:\n    x = 0\n    x = a < 3\n    return x",
    "def f(a: int) -> int:\n    return a + G",
    "def f(p: ptr8) -> int:\n    return p[G]",
    "def f(p: ptr8):\n    p[0] = G",
    "def f(p: ptr8) -> int:\n    q = ptr8(p + 1)\n    return q[0]",
    "def f(p: ptr8):\n    return p",
    "def f(a: int):\n    return a",
    "def f(a) -> int:\n    return a",
    "def f(a: int):\n    x = not a\n    return x",
    "def f(a: int, b: uint):\n    if a < b:\n        pass",
    "def f(a: int) -> int:\n    x = 0\n    for i in range(0, 9, a):\n        x += i\n    return x",
    "def f(p: ptr8):\n    x = p[0:1]",
    "def f(a: float):\n    pass",
]


@pytest.mark.parametrize("source", REFUSED_BY_VIPER)
def test_what_the_real_viper_refuses_is_refused(tmp_path: Path, micropython: Path, source: str) -> None:
    text = f"import micropython\nG = 1\n@micropython.viper\n{source}\n"
    assert "Viper" in verdict_of_micropython(micropython, text, tmp_path) or "float" in source
    with pytest.raises(ViperError):
        checked.load(tmp_path).import_module("one")
