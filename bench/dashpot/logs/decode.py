"""Signals out of payloads, a whole column at a time; cantools reads the DBC and is the reference for the values.

`decode_signal` is the one function that touches bits; all callers that need a signal of many frames use it.
A `SignalLayout` says where the bits are, in the DBC's own numbering: bit b is byte b // 8, mask 1 << b % 8; the
start of a little-endian signal is its least significant bit, that of a big-endian one its most significant.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashpot.errors import InputError

if TYPE_CHECKING:
    from cantools.database.can import Database, Message, Signal

WORD_BITS = 64
FLOAT_TYPES: dict[int, tuple[type[Any], type[Any]]] = {
    16: (np.uint16, np.float16),
    32: (np.uint32, np.float32),
    64: (np.uint64, np.float64),
}
_VALUE_TABLES = re.compile(r'^VAL_\s(?:"[^"]*"|[^;"])*;', re.MULTILINE)
#: An all-ones code of fewer bits is an everyday value: a counter, a switch.
SHORTEST_INVALID_CODE = 8


@dataclass(frozen=True, slots=True)
class SignalLayout:
    """Where a signal's bits are and what they mean; value = raw * scale + offset.

    Attributes:
        minimum, maximum: The DBC's limits of the value; None where it gives none (or both as 0).
        selectors: For a multiplexed signal each multiplexer on the way with the raw values that select it.
    """

    name: str
    start: int
    length: int
    little_endian: bool
    signed: bool
    is_float: bool = False
    scale: float = 1
    offset: float = 0
    minimum: float | None = None
    maximum: float | None = None
    unit: str = ""
    selectors: tuple[tuple[SignalLayout, tuple[int, ...]], ...] = ()

    @property
    def first_byte(self) -> int:
        """Index of the lowest byte that holds a bit of the signal."""
        return self.start // 8

    @property
    def last_byte(self) -> int:
        """Index of the highest byte that holds a bit of the signal."""
        if self.little_endian:
            return (self.start + self.length - 1) // 8
        return (self.network_start + self.length - 1) // 8

    @property
    def bytes_needed(self) -> int:
        """How long a payload must be to hold the signal and its multiplexers."""
        return max([self.last_byte, *(layout.last_byte for layout, _ in self.selectors)]) + 1

    @property
    def network_start(self) -> int:
        """Position of the most significant bit of a big-endian signal, counted from the payload's first bit on."""
        return self.start // 8 * 8 + 7 - self.start % 8


@dataclass(frozen=True, slots=True)
class MessageLayout:
    """A message of a DBC: what a frame with its identifier holds."""

    name: str
    can_id: int
    extended: bool
    length: int
    signals: tuple[SignalLayout, ...]
    source: str


def decode_signal(
    data: NDArray[np.uint8], layout: SignalLayout
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return raw and scaled values of one signal in n payloads.

    Args:
        data: uint8[n, 8], or uint8[n, 64] for FD frames; payloads shorter than the signal are the caller's
            to leave out (see SignalLayout.bytes_needed), as are those of other multiplexed contents
            (see `selected`).
        layout: The signal.

    Returns:
        raw: int64[n], sign-extended where signed. Of an unsigned 64-bit signal and of a float the bit pattern.
        value: float64[n], raw * scale + offset, or the float's value scaled likewise.

    Raises:
        ValueError: The signal does not lie within the payload's columns, or is longer than 64 bits.
    """
    word = _bits(data, layout)
    shift = np.uint64(WORD_BITS - layout.length)
    if layout.is_float:
        as_int, as_float = FLOAT_TYPES[layout.length]
        # A signalling not-a-number in the payload is a value like others here, no reason for a warning.
        with np.errstate(invalid="ignore"):
            number = word.astype(as_int).view(as_float).astype(np.float64)
        return word.view(np.int64), number * layout.scale + layout.offset
    raw = word.view(np.int64)
    if layout.signed:
        raw = (word << shift).view(np.int64) >> np.int64(shift)
    number = (word if layout.length == WORD_BITS and not layout.signed else raw).astype(np.float64)
    return raw, number * layout.scale + layout.offset


def selected(data: NDArray[np.uint8], layout: SignalLayout) -> NDArray[np.bool_] | None:
    """Return which payloads hold a multiplexed signal, bool[n]; None where the signal is in every payload."""
    rows: NDArray[np.bool_] | None = None
    for multiplexer, values in layout.selectors:
        raw, _ = decode_signal(data, multiplexer)
        here = np.isin(raw, values)
        rows = here if rows is None else rows & here
    return rows


def invalid_codes(raw: NDArray[np.int64], layout: SignalLayout) -> NDArray[np.bool_]:
    """Return which raw values are the all-ones code that marks a signal as not available, bool[n].

    It is looked for in unsigned integer signals of eight bits and more.
    """
    if layout.signed or layout.is_float or layout.length < SHORTEST_INVALID_CODE:
        return np.zeros(len(raw), np.bool_)
    ones = -1 if layout.length == WORD_BITS else (1 << layout.length) - 1
    found: NDArray[np.bool_] = raw == ones
    return found


def out_of_range(value: NDArray[np.float64], layout: SignalLayout) -> NDArray[np.bool_]:
    """Return which values lie outside the DBC's limits or are not a number, bool[n].

    A value at a limit is inside, also where the limit is a rounded decimal: half a step of the scale is allowed.
    """
    slack = abs(layout.scale) / 2 if not layout.is_float else 0.0
    outside = np.isnan(value)
    if layout.minimum is not None:
        outside |= value < layout.minimum - slack
    if layout.maximum is not None:
        outside |= value > layout.maximum + slack
    return outside


def _bits(data: NDArray[np.uint8], layout: SignalLayout) -> NDArray[np.uint64]:
    """Return the signal's bits at the low end of a word each, zeros above."""
    columns = data.shape[1]
    if not 1 <= layout.length <= WORD_BITS or layout.last_byte >= columns:
        raise ValueError(f"signal {layout.name} does not lie within {columns} bytes")
    # A window of eight bytes; only in an FD frame can a long signal touch a ninth.
    first = min(layout.first_byte, columns - 8)
    window = np.ascontiguousarray(data[:, first : first + 8])
    mask = np.uint64((1 << layout.length) - 1)
    if layout.little_endian:
        word = window.view("<u8")[:, 0].astype(np.uint64)
        shift = layout.start - 8 * first
        word >>= np.uint64(shift)
        if shift + layout.length > WORD_BITS:
            word |= data[:, first + 8].astype(np.uint64) << np.uint64(WORD_BITS - shift)
        return word & mask
    word = window.view(">u8")[:, 0].astype(np.uint64)
    end = layout.network_start - 8 * first + layout.length
    if end <= WORD_BITS:
        return word >> np.uint64(WORD_BITS - end) & mask
    ninth = data[:, first + 8] >> np.uint8(8 - (end - WORD_BITS))
    return (word << np.uint64(end - WORD_BITS) | ninth) & mask


# --- DBC files -------------------------------------------------------------------------------------------


def load_dbc(paths: Sequence[Path]) -> dict[tuple[int, bool], MessageLayout]:
    """Return the messages of DBC files by identifier and whether it is extended.

    Where two files define the same identifier, the first one's message stands.

    Raises:
        InputError: A file is missing or is no DBC, or has no message with a signal.
    """
    messages: dict[tuple[int, bool], MessageLayout] = {}
    for path in paths:
        for layout in _messages(path):
            messages.setdefault((layout.can_id, layout.extended), layout)
    return messages


def _messages(path: Path) -> list[MessageLayout]:
    import cantools

    if path.is_dir():
        raise InputError("is a folder; give the name of a DBC file", where=path)
    try:
        text = path.read_text("cp1252", errors="replace")
    except FileNotFoundError:
        raise InputError("no such file; give the path of a DBC", where=path) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=path) from error
    try:
        try:
            database = _load_text(text)
        except (ValueError, cantools.Error) as error:
            if "VAL_" not in str(error):
                raise
            # Some real files name values of signals that they do not have; names of values are not needed here.
            database = _load_text(_VALUE_TABLES.sub("", text))
    except (ValueError, KeyError, IndexError, AttributeError, cantools.Error) as error:
        said = " ".join(str(error).split())
        raise InputError(f"is no DBC that cantools can read: {said}", where=path) from error
    layouts = [message_layout(message, path.name) for message in database.messages]
    if not any(layout.signals for layout in layouts):
        raise InputError("has no message with a signal; give a DBC with BO_ and SG_ lines", where=path)
    return layouts


def _load_text(text: str) -> Database:
    from cantools.database import load_string
    from cantools.database.can import Database

    # Not strict: real files have overlapping signals, and reading is no place to argue.
    database = load_string(text, database_format="dbc", strict=False)
    if not isinstance(database, Database):
        raise TypeError("cantools made something else of a DBC")
    return database


def message_layout(message: Message, source: str = "") -> MessageLayout:
    """Return the layout of a message as cantools has read it."""
    by_name = {signal.name: signal for signal in message.signals}

    def selectors(signal: Signal) -> Iterable[tuple[SignalLayout, tuple[int, ...]]]:
        while signal.multiplexer_ids is not None and signal.multiplexer_signal is not None:
            ids = tuple(signal.multiplexer_ids)
            signal = by_name[signal.multiplexer_signal]
            yield _plain(signal, ()), ids

    signals = tuple(_plain(signal, tuple(selectors(signal))) for signal in message.signals)
    return MessageLayout(
        message.name, message.frame_id, message.is_extended_frame, message.length, signals, source
    )


def _plain(signal: Signal, selectors: tuple[tuple[SignalLayout, tuple[int, ...]], ...]) -> SignalLayout:
    return SignalLayout(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        little_endian=signal.byte_order == "little_endian",
        signed=signal.is_signed,
        is_float=signal.is_float,
        scale=signal.scale,
        offset=signal.offset,
        minimum=None if signal.minimum is None else float(signal.minimum),
        maximum=None if signal.maximum is None else float(signal.maximum),
        unit=signal.unit or "",
        selectors=selectors,
    )
