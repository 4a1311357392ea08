"""MicroPython's own modules, as far as CPython lacks them.

What differs from a board, on purpose:

- The heap is CPython's. `heap_lock()` and `heap_unlock()` count only (both return the depth); `mem_total()`,
  `mem_current()`, `mem_peak()`, `gc.mem_alloc()` and `gc.mem_free()` return 0. Allocation is proven on MicroPython.
- `micropython.schedule(f, x)` calls `f(x)` at once.
- Tick clocks wrap at 2**30 as on a board; the desktop interpreter's wrap much later.
- `machine` and the other modules of the hardware are absent.
"""

from __future__ import annotations

import gc as real_gc
import sys as real_sys
import time as real_time
import traceback
from collections.abc import Callable
from types import ModuleType
from typing import IO, NoReturn, TypeVar

_Function = TypeVar("_Function", bound=Callable[..., object])
_T = TypeVar("_T")

TICKS_PERIOD = 2**30
TICKS_HALF = TICKS_PERIOD // 2


class Overlay(ModuleType):
    """A module that answers as another one does, with some names added or replaced."""

    def __init__(self, under: ModuleType, **names: object) -> None:
        super().__init__(under.__name__, under.__doc__)
        self.__dict__.update(names)
        self._under = under

    def __getattr__(self, name: str) -> object:
        return getattr(self._under, name)


def micropython_module() -> ModuleType:
    """The module `micropython` of version 1.28."""
    module = ModuleType("micropython", "MicroPython's own module, for CPython.")
    depth = 0
    level = 0

    def const(value: _T) -> _T:
        return value

    def native(function: _Function) -> _Function:
        return function

    def viper(function: Callable[..., object]) -> NoReturn:
        # A function spelt the right way was rewritten before its module ran, and has lost its decorator.
        raise SyntaxError(
            f"{function}: MicroPython knows viper by the exact spelling @micropython.viper only"
        )

    def heap_lock() -> int:
        nonlocal depth
        depth += 1
        return depth

    def heap_unlock() -> int:
        nonlocal depth
        depth -= 1
        return depth

    def heap_locked() -> bool:
        return depth > 0

    def opt_level(new: int | None = None) -> int | None:
        nonlocal level
        if new is None:
            return level
        level = new
        return None

    def schedule(function: Callable[[object], object], argument: object) -> None:
        function(argument)

    def nothing(*_: object) -> None:
        """Accept and ignore; what a board prints here would disturb a binary stream."""

    def zero() -> int:
        return 0

    module.__dict__.update(
        const=const,
        native=native,
        bytecode=native,
        viper=viper,
        heap_lock=heap_lock,
        heap_unlock=heap_unlock,
        heap_locked=heap_locked,
        opt_level=opt_level,
        schedule=schedule,
        mem_total=zero,
        mem_current=zero,
        mem_peak=zero,
        stack_use=zero,
        mem_info=nothing,
        qstr_info=nothing,
        kbd_intr=nothing,
        alloc_emergency_exception_buf=nothing,
    )
    return module


def gc_module() -> ModuleType:
    """CPython's `gc` with MicroPython's calls; `threshold()` remembers and changes nothing."""
    remembered = -1

    def threshold(amount: int | None = None) -> int | None:
        nonlocal remembered
        if amount is None:
            return remembered
        remembered = amount
        return None

    return Overlay(real_gc, threshold=threshold, mem_alloc=lambda: 0, mem_free=lambda: 0)


def ticks_diff(later: int, earlier: int) -> int:
    """Signed distance between two ticks, -2**29 to 2**29 - 1."""
    return (later - earlier + TICKS_HALF) % TICKS_PERIOD - TICKS_HALF


def ticks_add(ticks: int, delta: int) -> int:
    """A tick moved by `delta`, which must lie within half a period."""
    if not -TICKS_HALF < delta < TICKS_HALF:
        raise OverflowError("ticks interval overflow")
    return (ticks + delta) % TICKS_PERIOD


def time_module() -> ModuleType:
    """CPython's `time` with MicroPython's tick clocks, which wrap at 2**30."""
    return Overlay(
        real_time,
        ticks_ms=lambda: real_time.monotonic_ns() // 1_000_000 % TICKS_PERIOD,
        ticks_us=lambda: real_time.monotonic_ns() // 1_000 % TICKS_PERIOD,
        ticks_cpu=lambda: real_time.monotonic_ns() % TICKS_PERIOD,
        ticks_diff=ticks_diff,
        ticks_add=ticks_add,
        sleep_ms=lambda ms: real_time.sleep(ms / 1e3),
        sleep_us=lambda us: real_time.sleep(us / 1e6),
    )


def sys_module(modules: dict[str, ModuleType]) -> ModuleType:
    """CPython's `sys` with MicroPython's `print_exception`, and the firmware's own `modules`."""

    def print_exception(error: BaseException, file: IO[str] | None = None) -> None:
        traceback.print_exception(error, file=file or real_sys.stdout)

    return Overlay(real_sys, modules=modules, print_exception=print_exception)
