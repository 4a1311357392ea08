"""A Cortex-M4 with flash and RAM, on which one viper function at a time is called and its instructions counted."""

from __future__ import annotations

from array import array
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import unicorn
from unicorn import UC_ARCH_ARM, UC_HOOK_BLOCK, UC_MODE_MCLASS, UC_MODE_THUMB
from unicorn.arm_const import (
    UC_ARM_REG_LR,
    UC_ARM_REG_R0,
    UC_ARM_REG_R1,
    UC_ARM_REG_R2,
    UC_ARM_REG_R3,
    UC_ARM_REG_SP,
    UC_CPU_ARM_CORTEX_M4,
)
from unicorn.unicorn_const import UC_PROT_ALL, UC_PROT_READ, UC_PROT_WRITE

if TYPE_CHECKING:
    from cortex.mpy import Routine

FLASH, RAM, STACK = 0x0800_0000, 0x2000_0000, 0x2010_0000
FLASH_BYTES, STACK_BYTES = 0x10_0000, 0x4000
PAGE = 0x1000
RETURN = FLASH + FLASH_BYTES - PAGE

# Places in the runtime's table of functions, `mp_fun_kind_t` in py/nativeglue.h of MicroPython 1.29.
TABLE_WORDS = 50
CONST_NONE = 0
FROM_OBJ, TO_OBJ, FLOOR_DIVIDE = 3, 4, 46
INT_TYPES = (2, 3)  # of `from_obj`: int, uint; the pointers are 4 to 7

# Instructions of one call of the runtime, from its first to its return; see docs/tick-cost.md for where they are from.
FROM_OBJ_INT = 20
FROM_OBJ_BUFFER = 86
TO_OBJ_INT = 10

# Written for this tool: what `//` of the runtime does, as a compiler for Thumb-2 would put it. It wraps where a board's
# does: a negative number is first moved by the divisor.
FLOOR_DIVIDE_CODE = (
    0x2800,  # cmp   r0, #0
    0xDB03,  # blt   negative
    0x2900,  # cmp   r1, #0
    0xDA05,  # bge   divide
    0x3801,  # subs  r0, #1
    0xE002,  # b     away
    # negative:
    0x2900,  # cmp   r1, #0
    0xDB01,  # blt   divide
    0x3001,  # adds  r0, #1
    # away:
    0x1A40,  # subs  r0, r0, r1
    # divide:
    0xFB90, 0xF0F1,  # sdiv  r0, r0, r1
    0x4770,  # bx    lr
)  # fmt: skip


@dataclass
class Cost:
    """What one call took: instructions of the function itself and of the runtime it called, and which calls."""

    instructions: int = 0
    calls: Counter[str] = field(default_factory=Counter)


class Machine:
    """Memory and registers, and the functions and buffers that lie in it."""

    def __init__(self) -> None:
        self.cpu = _processor()
        self.cpu.mem_map(FLASH, FLASH_BYTES, UC_PROT_ALL)
        self.cpu.mem_map(STACK - STACK_BYTES, STACK_BYTES, UC_PROT_READ | UC_PROT_WRITE)
        self.cpu.hook_add(UC_HOOK_BLOCK, self._block)
        self.cost = Cost()
        self._flash_at = FLASH
        self._ram_at = RAM
        self._lengths: dict[tuple[int, int], int] = {}
        self._functions: dict[Routine, int] = {}
        self._buffers: dict[int, tuple[object, int]] = {}
        self._runtime: dict[int, str] = {}
        self._table = self._make_table()

    def call(self, routine: Routine, *arguments: object) -> int | None:
        """Call a function with buffers and integers; buffers come back as it left them. `cost` says what it took."""
        objects = [self._object(value) for value in arguments]
        packed = b"".join(word.to_bytes(4, "little") for word in objects)
        at = STACK - PAGE
        self.cpu.mem_write(at, packed)
        entry = self._function(routine)
        registers = {
            UC_ARM_REG_R0: entry,
            UC_ARM_REG_R1: len(arguments),
            UC_ARM_REG_R2: 0,
            UC_ARM_REG_R3: at,
            UC_ARM_REG_SP: at,
            UC_ARM_REG_LR: RETURN | 1,
        }
        for register, value in registers.items():
            self.cpu.reg_write(register, value)
        self.cost = Cost()
        self.cpu.emu_start(self._word(entry + 8) | 1, RETURN)
        for argument in arguments:
            if isinstance(argument, array | bytearray):
                view = memoryview(argument).cast("B")
                view[:] = self.cpu.mem_read(self._buffers[id(argument)][1], len(view))
        result: int = self.cpu.reg_read(UC_ARM_REG_R0)
        return _signed(result) >> 1 if result & 1 else None

    def _block(self, _cpu: object, address: int, size: int, _data: object) -> None:
        if address in self._runtime:
            self._serve(self._runtime[address])
            return
        length = self._lengths.get((address, size))
        if length is None:
            length = self._lengths[address, size] = self._count(address, size)
        self.cost.instructions += length

    def _count(self, address: int, size: int) -> int:
        """Instructions in a piece of straight-line code; those of 32 bits begin with 0b11101, 0b11110 or 0b11111."""
        code = memoryview(bytes(self.cpu.mem_read(address, size))).cast("H")
        at = count = 0
        while at < len(code):
            at += 2 if code[at] >= 0xE800 else 1
            count += 1
        return count

    def _serve(self, name: str) -> None:
        """Do what a runtime function does that this machine does not have, for the instructions it would take."""
        value = self.cpu.reg_read(UC_ARM_REG_R0)
        kind = self.cpu.reg_read(UC_ARM_REG_R1)
        if name == "from_obj" and kind in INT_TYPES and value & 1:
            self.cpu.reg_write(UC_ARM_REG_R0, (_signed(value) >> 1) & 0xFFFF_FFFF)
            self.cost.instructions += FROM_OBJ_INT
        elif name == "from_obj" and kind not in INT_TYPES and not value & 1:
            self.cost.instructions += FROM_OBJ_BUFFER  # an object is its buffer's address here
        elif name == "to_obj" and kind in INT_TYPES:
            self.cpu.reg_write(UC_ARM_REG_R0, (value << 1 | 1) & 0xFFFF_FFFF)
            self.cost.instructions += TO_OBJ_INT
        else:
            raise RuntimeError(f"viper code called the runtime's {name}, which has no stand-in here")
        self.cost.calls[name] += 1

    def _make_table(self) -> int:
        table = self._flash(bytes(4 * TABLE_WORDS))
        for place in range(TABLE_WORDS):
            # bx lr; `_serve` has done the work by then
            code = FLOOR_DIVIDE_CODE if place == FLOOR_DIVIDE else (0x4770,)
            at = self._flash(array("H", code).tobytes())
            if place != FLOOR_DIVIDE:
                self._runtime[at] = {FROM_OBJ: "from_obj", TO_OBJ: "to_obj"}.get(place, f"entry {place}")
            value = 0 if place == CONST_NONE else at | 1
            self.cpu.mem_write(table + 4 * place, value.to_bytes(4, "little"))
        return table

    def _function(self, routine: Routine) -> int:
        """A function object: type, context, code; the context has names and constants, one of them the table."""
        if routine not in self._functions:
            code = self._flash(routine.code)
            constants = array("I", bytes(4 * routine.constants))
            constants[routine.fun_table_at] = self._table
            pointer = self._flash(constants.tobytes())
            context = self._flash(array("I", (0, 0, 0, pointer)).tobytes())
            self._functions[routine] = self._flash(array("I", (0, context, code)).tobytes())
        return self._functions[routine]

    def _object(self, value: object) -> int:
        if isinstance(value, int):
            return (value << 1 | 1) & 0xFFFF_FFFF
        if not isinstance(value, array | bytearray | bytes):
            raise TypeError(f"{type(value).__name__} is neither an integer nor a buffer")
        data = memoryview(value).cast("B")
        if id(value) not in self._buffers:
            # An unmapped page between two buffers turns most reads past an end into an error.
            size = -(-max(1, len(data)) // PAGE) * PAGE
            self.cpu.mem_map(self._ram_at, size, UC_PROT_READ | UC_PROT_WRITE)
            # At the end of its pages, so that one word further is outside.
            self._buffers[id(value)] = value, self._ram_at + size - (len(data) + 3 & ~3)
            self._ram_at += size + PAGE
        at = self._buffers[id(value)][1]
        self.cpu.mem_write(at, bytes(data))
        return at

    def _flash(self, data: bytes) -> int:
        at = self._flash_at
        self.cpu.mem_write(at, data)
        self._flash_at += len(data) + 3 & ~3
        return at

    def _word(self, at: int) -> int:
        return int.from_bytes(self.cpu.mem_read(at, 4), "little")


def _processor() -> Any:
    """Make an emulator; it is annotated in part only, hence Any."""
    cpu: Any = unicorn.Uc(UC_ARCH_ARM, UC_MODE_THUMB | UC_MODE_MCLASS)  # type: ignore[attr-defined, no-untyped-call] # as said
    cpu.ctl_set_cpu_model(UC_CPU_ARM_CORTEX_M4)
    return cpu


def _signed(word: int) -> int:
    return (word ^ 0x8000_0000) - 0x8000_0000
