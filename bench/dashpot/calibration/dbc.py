"""Messages and signals of DBC files, as plain records; cantools reads the files."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import re
import sys
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError

if TYPE_CHECKING:
    from types import ModuleType


_STANDARD_MAX = 0x7FF
_EXTENDED = 0x80000000  # how a DBC marks an extended id


@dataclass(frozen=True, slots=True)
class Signal:
    """One signal as the DBC has it.

    Attributes:
        start: DBC start bit: least significant bit when little-endian, most significant when big-endian.
        scale, offset: physical value = raw * scale + offset, exact as written.
        minimum, maximum: physical bounds, None where the DBC gives none.
        mux_ids: multiplexer values under which it is sent, empty when always.
        mux_signal: name of its multiplexer, empty when always sent.

    """

    name: str
    start: int
    length: int
    big_endian: bool
    signed: bool
    is_float: bool
    scale: Fraction
    offset: Fraction
    minimum: Fraction | None
    maximum: Fraction | None
    unit: str
    mux_ids: tuple[int, ...]
    mux_signal: str

    @property
    def layout(self) -> str:
        """As the DBC writes it, such as "7|16@0-"."""
        return f"{self.start}|{self.length}@{int(not self.big_endian)}{'-' if self.signed else '+'}"


@dataclass(frozen=True, slots=True)
class Message:
    """One message as the DBC has it."""

    name: str
    file: str
    frame_id: int
    extended: bool
    length: int
    cycle_us: int | None
    signals: dict[str, Signal]

    @property
    def key(self) -> int:
        """The id as the firmware compares it: bit 29 marks an extended one."""
        return self.frame_id | (0x20000000 if self.extended else 0)


@dataclass(frozen=True, slots=True)
class Dbc:
    """One file; `doubt` says what of it could not be read, empty when all was."""

    file: str
    sha256: str
    messages: tuple[Message, ...]
    doubt: str = ""


def _cantools_database() -> ModuleType:
    """Import cantools.database without the package's own __init__.

    That one imports python-can and, with it, every log format's library: 0.92 s here against 0.07 s for the database
    alone (CPython 3.11, cantools 45), and a replay packs its image at each start. A later `import cantools` finds the
    modules loaded here and runs as ever.
    """
    loaded = sys.modules.get("cantools.database")
    if loaded is not None:
        return loaded
    spec = importlib.util.find_spec("cantools")
    if spec is None:
        raise InputError("the package cantools is missing; install dashpot again")
    bare = "cantools" not in sys.modules
    if bare:
        sys.modules["cantools"] = importlib.util.module_from_spec(spec)
    try:
        return importlib.import_module("cantools.database")
    finally:
        if bare:
            del sys.modules["cantools"]


def load(path: Path) -> Dbc:
    """Read a DBC file.

    Signals are not checked against the length of their message here; `decode` does it for those that are used.

    Raises:
        InputError: it cannot be read or is no DBC.

    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from None
    # DBC files are written in the Windows code page; the few bytes it lacks occur in comments only.
    text = content.decode("cp1252", "replace")
    doubt = ""
    try:
        parsed = _parse(text)
    except ValueError as error:
        try:
            parsed = _parse(_without_the_odd(text))
        except ValueError:
            raise InputError(f"not a DBC file that can be read: {error}", where=str(path)) from None
        doubt = (
            f"{path.name} is not right ({error}); it was read without comments and messages of impossible ids"
        )
    messages = tuple(_message(message, path.name) for message in parsed.messages)
    return Dbc(path.name, hashlib.sha256(content).hexdigest(), messages, doubt)


def _parse(text: str) -> Any:
    """Give cantools' database.

    Raises:
        ValueError: cantools cannot read the text.

    """
    database = _cantools_database()
    errors = sys.modules["cantools.database.errors"]
    try:
        return database.load_string(text, "dbc", strict=False)
    except (errors.Error, ValueError, KeyError, TypeError, IndexError) as error:
        said = " ".join(str(error).split()).removeprefix("DBC: ").strip('"')
        raise ValueError(said) from None


_COMMENT = re.compile(r'^CM_ .*?"\s*;[ \t]*$', re.MULTILINE | re.DOTALL)
_BLOCK = re.compile(r"^BO_ (\d+) .*\n(?:[ \t]*SG_ .*\n)*", re.MULTILINE)


def _without_the_odd(text: str) -> str:
    """Leave out what goes wrong most often in files from the field, and what nobody here needs."""

    def kept(block: re.Match[str]) -> str:
        number = int(block[1])
        return block[0] if number <= _STANDARD_MAX or number & _EXTENDED else ""

    return _BLOCK.sub(kept, _COMMENT.sub("", text))


def _message(message: Any, file: str) -> Message:
    cycle_ms = message.cycle_time
    return Message(
        name=message.name,
        file=file,
        frame_id=message.frame_id,
        extended=message.is_extended_frame,
        length=message.length,
        cycle_us=round(cycle_ms * 1000) if cycle_ms else None,
        signals={signal.name: _signal(signal) for signal in message.signals},
    )


def _signal(signal: Any) -> Signal:
    return Signal(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        big_endian=signal.byte_order == "big_endian",
        signed=signal.is_signed,
        is_float=signal.is_float,
        scale=_exact(signal.scale),
        offset=_exact(signal.offset),
        minimum=None if signal.minimum is None else _exact(signal.minimum),
        maximum=None if signal.maximum is None else _exact(signal.maximum),
        unit=signal.unit or "",
        mux_ids=tuple(signal.multiplexer_ids or ()),
        mux_signal=signal.multiplexer_signal or "",
    )


def _exact(number: float) -> Fraction:
    """The decimal that the DBC wrote: the shortest that gives this float."""
    return Fraction(Decimal(str(number)))
