"""What the checks cost: viper-style functions in checked CPython against the same functions unchecked.

Prints nanoseconds a call or an item, and the ratio, for a few kinds of work. Run it on a quiet machine.
"""

from __future__ import annotations

import sys
import tempfile
import time
from array import array
from collections.abc import Callable
from pathlib import Path

from dashpot import checked

SOURCE = """
import micropython
from micropython import const

_FIRST = const(4)
_N = const(16)


@micropython.viper
def call(a: ptr32, b: ptr16, c: ptr8, d: ptr32):
    a[0] = 1


@micropython.viper
def total(table: ptr32, count: int) -> int:
    total = 0
    for i in range(count):
        total += table[i]
    return total


@micropython.viper
def smooth(state: ptr32, raw: ptr16, count: int):
    for i in range(count):
        value = (raw[i & 15] ^ 0x8000) - 0x8000
        held = state[_FIRST + (i & 15)]
        held += (value * 256 - held) >> 3
        state[_FIRST + (i & 15)] = held


@micropython.viper
def search(table: ptr32, key: int, count: int) -> int:
    found = 0
    for _ in range(count):
        low = 0
        high = 16
        while low < high:
            middle = (low + high) >> 1
            if table[middle] < key:
                low = middle + 1
            else:
                high = middle
        found = (found + low) & 0xFF
    return found


@micropython.viper
def octets(data: ptr8, count: int) -> int:
    crc = 0
    for i in range(count):
        crc = data[(crc ^ i) & 0xFF]
    return crc
"""
ITEMS = 4000
ROUNDS = 15


def least_ns(work: Callable[[], object], items: int) -> float:
    """Shortest time of several rounds, in nanoseconds an item."""
    best = float("inf")
    for _ in range(ROUNDS):
        start = time.perf_counter_ns()
        work()
        best = min(best, time.perf_counter_ns() - start)
    return best / items


def plain_module() -> dict[str, Callable[..., object]]:
    """The same functions without decorator and annotations, as Python runs them."""
    source = SOURCE.replace("@micropython.viper\n", "").replace("import micropython\n", "")
    source = source.replace("from micropython import const\n", "const = int\n")
    names: dict[str, Callable[..., object]] = {}
    code = compile(f"from __future__ import annotations\n{source}", "plain", "exec")
    exec(code, names)  # noqa: S102 # the text is the one above
    return names


def main() -> int:
    """Print the table."""
    table, state = array("i", range(ITEMS)), array("i", [0] * 32)
    raw, data = array("H", [40000] * 16), bytearray(range(256))

    def repeat(call: Callable[..., object]) -> None:
        for _ in range(1000):
            call(table, raw, data, state)

    plain = plain_module()
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "work.py").write_text(SOURCE, encoding="utf-8")
        module = checked.load(folder).import_module("work")
        rows: list[tuple[str, int, Callable[[Callable[..., object]], object], str]] = [
            ("call with four pointers", 1000, repeat, "call"),
            ("sum over a table", ITEMS, lambda f: f(table, ITEMS), "total"),
            ("filter: 3 accesses, 7 operations", ITEMS, lambda f: f(state, raw, ITEMS), "smooth"),
            ("binary search of 16", ITEMS, lambda f: f(table, 9, ITEMS), "search"),
            ("table CRC over bytes", ITEMS, lambda f: f(data, ITEMS), "octets"),
        ]
        print(
            f"{'work':34}{'plain ns':>10}{'checked ns':>12}{'ratio':>8}   (CPython {sys.version.split()[0]})"
        )
        for title, items, work, name in rows:
            bare = least_ns(lambda work=work, name=name: work(plain[name]), items)  # type: ignore[misc] # bound now
            full = least_ns(lambda work=work, name=name: work(getattr(module, name)), items)  # type: ignore[misc] # bound now
            print(f"{title:34}{bare:10.1f}{full:12.1f}{full / bare:8.2f}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
