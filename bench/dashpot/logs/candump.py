"""Candump logs: `(stamp) interface id#data`, read in bulk, and written in bulk.

The reader takes the file in chunks. Lines of equal length that have their brackets, blanks, interface name and
`#` at the same columns share a layout; all lines of a layout are converted together, eight characters to a
64-bit word. A line that fits no layout, or whose digits turn out to be none, goes through `parse_line`, which is
the reference: the bulk path never decides that a line is bad.

`parse_line` follows python-can's CanutilsLogReader and can-utils: ids of more than three digits are extended,
`R` or `R8` is a remote frame, `##` with a hex digit of flags an FD frame, a trailing ` R` or ` T` the direction.
On purpose different from python-can: every id with bit 29 is an error frame, whatever its class (python-can wants
a bus error); `_9` to `_F` after eight bytes (a raw length code) is taken and ignored; dots between bytes are
allowed; ids out of range are a problem. Of the forms for the screen, those with a stamp are read.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from dashpot.errors import InputError
from dashpot.files import atomic_path
from dashpot.logs.frames import (
    CLASSIC_BYTES,
    EXTENDED_IDS,
    FD_BYTES,
    STANDARD_IDS,
    Channels,
    Flag,
    Frame,
    FrameBlock,
    LineError,
    Problems,
    check_id,
    decimal_us,
    split_block,
)

# 1, 2, 4 and 8 MiB were measured within 5 % of each other; 2 MiB keeps the peak memory low.
CHUNK_BYTES = 1 << 21
MAX_LINE_BYTES = 1 << 16
LONGEST_LAYOUT = 512
LAYOUTS_A_LENGTH = 64
ODD_LINES_A_LENGTH = 16
ERROR_BIT = 0x2000_0000

U64 = NDArray[np.uint64]

NO_STAMP = "has no time stamps (candump's form for the screen); record with `candump -L` or `candump -l`"

_LOG = re.compile(rb"\(([^()]*)\)\s+(\S+)\s+([0-9A-Fa-f]+)#(\S*)(?:\s+([RrTt]))?")
_SCREEN = re.compile(
    rb"(?:\(([^()]*)\)\s+)?(\S+)\s+(?:([RT])X\s+([-B])\s+([-E])\s+)?([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})"
    rb"\s+\[(\d{1,2})\]\s*(.*)"
)
_DATE = re.compile(rb"(\d{4}-\d\d-\d\d) (\d\d:\d\d:\d\d)(\.\d+)?")
_REGULAR = re.compile(
    rb"\((?P<whole>[0-9]{1,16})\.(?P<part>[0-9]{1,9})\) (?P<channel>\S+) "
    rb"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#"
    rb"(?:(?P<data>(?:[0-9A-Fa-f]{2}){0,8})|#(?P<fd>[0-9A-Fa-f])(?P<fddata>(?:[0-9A-Fa-f]{2}){0,64}))"
    rb"(?P<way> [RT])?\r?"
)


# --- one line at a time: the reference ------------------------------------------------------------------


def parse_line(line: bytes, channels: Channels) -> Frame | None:
    """Return the frame of one line, or None for a blank line or a comment (#, ; or //).

    Raises:
        LineError: The line is something else.
    """
    text = line.strip()
    if not text or text[:1] in b"#;" or text[:2] == b"//":
        return None
    match = _LOG.fullmatch(text)
    if match is None:
        return _parse_screen_line(text, channels)
    stamp, channel, id_text, body, way = match.groups()
    stamp_us = _stamp_us(stamp)
    can_id, flags = _identifier(id_text)
    if way in (b"T", b"t"):
        flags |= Flag.TX
    length, payload, more = _body(body)
    return stamp_us, can_id, flags | more, length, channels.of(channel.decode("utf-8", "replace")), payload


def _stamp_us(stamp: bytes) -> int:
    date = _DATE.fullmatch(stamp)
    try:
        if date is None:
            return decimal_us(stamp.decode("ascii", "replace"))
        # The date has no zone; it is read as UTC, so that a log gives the same stamps on every machine.
        day = datetime.fromisoformat(f"{date[1].decode()}T{date[2].decode()}").replace(tzinfo=UTC)
        return int(day.timestamp()) * 1_000_000 + decimal_us(f"0{(date[3] or b'.0').decode()}")
    except ValueError as error:
        raise LineError("unreadable_line", f"the time stamp {error}") from None


def _identifier(text: bytes) -> tuple[int, int]:
    """Return identifier and flags."""
    can_id = int(text, 16)
    if len(text) <= 3:
        return check_id(can_id, extended=False), 0
    if len(text) > 8:
        raise LineError("id_out_of_range", f"identifier {text.decode()} has more than 8 digits")
    if can_id & ERROR_BIT:
        return can_id & (EXTENDED_IDS - 1), Flag.ERROR
    # Bits 30 and 31 are the socket interface's own flags and may stand in the text.
    return can_id & (EXTENDED_IDS - 1), Flag.EXTENDED


def _body(body: bytes) -> tuple[int, bytes, int]:
    """Return length, payload and flags of what stands behind the first `#`."""
    if body[:1] in (b"R", b"r"):
        count = body[1:].split(b"_")[0]
        if count and not (count.isdigit() and len(count) == 1 and int(count) <= CLASSIC_BYTES):
            raise LineError("unreadable_line", "a remote frame's length is one digit, 0 to 8")
        return int(count or b"0"), b"", Flag.REMOTE
    flags = 0
    most = CLASSIC_BYTES
    if body[:1] == b"#":
        try:
            bits = int(body[1:2], 16)
        except ValueError:
            raise LineError("unreadable_line", "after ## there must be one hex digit of FD flags") from None
        flags = Flag.FD | (Flag.BRS if bits & 1 else 0) | (Flag.ESI if bits & 2 else 0)
        most = FD_BYTES
        body = body[2:]
    elif len(body) == 18 and body[16:17] == b"_":
        body = body[:16]
    payload = _payload(body.replace(b".", b""), most)
    return len(payload), payload, flags


def _payload(digits: bytes, most: int) -> bytes:
    if len(digits) % 2:
        raise LineError("odd_payload", "the payload has an odd number of hex digits")
    try:
        payload = bytes.fromhex(digits.decode("ascii"))
    except ValueError:
        raise LineError("unreadable_line", "the payload is not all hex digits") from None
    if len(payload) > most:
        raise LineError("long_payload", f"a payload of {len(payload)} bytes; {most} is the most here")
    return payload


def _parse_screen_line(text: bytes, channels: Channels) -> Frame:
    match = _SCREEN.fullmatch(text)
    if match is None:
        raise LineError("unreadable_line", f"no candump line: {text[:60].decode('utf-8', 'replace')!r}")
    stamp, channel, way, brs, esi, id_text, count, rest = match.groups()
    if stamp is None:
        raise LineError("no_stamp", NO_STAMP)
    stamp_us = _stamp_us(stamp)
    can_id, flags = _identifier(id_text)
    length = int(count)
    flags |= (
        (Flag.TX if way == b"T" else 0)
        | (Flag.FD if len(count) == 2 else 0)  # candump's own mark: [08] is FD, [8] is not
        | (Flag.BRS if brs == b"B" else 0)
        | (Flag.ESI if esi == b"E" else 0)
    )
    most = FD_BYTES if flags & Flag.FD else CLASSIC_BYTES
    if length > most:
        raise LineError("long_payload", f"a payload of {length} bytes; {most} is the most here")
    if rest.startswith(b"remote request"):
        return stamp_us, can_id, flags | Flag.REMOTE, length, channels.of(channel.decode()), b""
    payload = _payload(b"".join(rest.split()[:length]), most)
    if len(payload) != length:
        raise LineError("short_payload", f"{len(payload)} bytes where [{length}] promises more")
    return stamp_us, can_id, flags, length, channels.of(channel.decode("utf-8", "replace")), payload


# --- all lines of a layout at once ----------------------------------------------------------------------


def _every(byte: int) -> np.uint64:
    """Return a word of eight equal bytes."""
    return np.uint64(byte * 0x0101_0101_0101_0101)


_LOW_NIBBLES = _every(0x0F)
_ONES = _every(0x01)
_TOP_BITS = _every(0x80)
_CHAR_ZEROS = _every(0x30)
# Added to a byte below 0x80, each sets the top bit from a certain character on.
_FROM_0 = _every(0x80 - 0x30)
_FROM_COLON = _every(0x80 - 0x3A)
_FROM_A = _every(0x80 - 0x41)
_FROM_G = _every(0x80 - 0x47)
_NO_CASE = _every(0xDF)
_BYTES_0246 = np.uint64(0x00FF_00FF_00FF_00FF)
_BYTES_0145 = np.uint64(0x0000_FFFF_0000_FFFF)
_LOW_HALF = np.uint64(0xFFFF_FFFF)


def _not_digits(word: U64) -> U64:
    """Return a word that is 0 where all eight characters are decimal digits."""
    low = word & ~_TOP_BITS
    return (((low + _FROM_0) & ~(low + _FROM_COLON)) ^ _TOP_BITS | word) & _TOP_BITS


def _not_hex(word: U64) -> U64:
    """Return a word that is 0 where all eight characters are hex digits."""
    low = word & ~_TOP_BITS
    upper = low & _NO_CASE
    good = ((low + _FROM_0) & ~(low + _FROM_COLON)) | ((upper + _FROM_A) & ~(upper + _FROM_G))
    return (good ^ _TOP_BITS | word) & _TOP_BITS


def _from_digits(word: U64) -> U64:
    """Return the number that eight decimal digits stand for, the first in the lowest byte."""
    word = word & _LOW_NIBBLES
    word = (word * np.uint64(1 + (10 << 8))) >> np.uint64(8) & _BYTES_0246
    word = (word * np.uint64(1 + (100 << 16))) >> np.uint64(16) & _BYTES_0145
    return (word * np.uint64(1 + (10_000 << 32))) >> np.uint64(32)


def _from_hex(word: U64) -> U64:
    """Return the four bytes that eight hex digits stand for, the first in the lowest byte."""
    nibbles = (word & _LOW_NIBBLES) + (word >> np.uint64(6) & _ONES) * np.uint64(9)
    pairs = (nibbles << np.uint64(4) | nibbles >> np.uint64(8)) & _BYTES_0246
    pairs = (pairs | pairs >> np.uint64(8)) & _BYTES_0145
    return (pairs | pairs >> np.uint64(16)) & _LOW_HALF


@dataclass(slots=True)
class _Rows:
    """Equally long lines, gathered: n rows of `width` bytes, a multiple of 8 that is at least their length."""

    bytes_: NDArray[np.uint8]
    count: int
    width: int

    def word(self, end: int, chars: int) -> U64:
        """Return the `chars` (1 to 8) characters before column `end`, '0' in front of them up to eight."""
        column = np.ndarray(
            (self.count,), "<u8", buffer=self.bytes_, offset=max(0, end - 8), strides=(self.width,)
        )
        if end < 8:
            column = column << np.uint64(8 * (8 - end))
        if chars < 8:
            keep = np.uint64((1 << 64) - (1 << 8 * (8 - chars)))
            return (column & keep) | (_CHAR_ZEROS & ~keep)
        return column.astype(np.uint64)

    def number(self, start: int, chars: int) -> tuple[NDArray[np.int64], U64]:
        """Return a decimal number of 1 to 16 digits, and a word that is 0 where they all are digits."""
        end = start + chars
        low = self.word(end, min(chars, 8))
        bad = _not_digits(low)
        value = _from_digits(low)
        if chars > 8:
            high = self.word(end - 8, chars - 8)
            bad |= _not_digits(high)
            value += _from_digits(high) * np.uint64(100_000_000)
        return value.view(np.int64), bad


@dataclass(slots=True)
class _Converted:
    """The frames of the rows that fit a layout; `good` says which rows those are."""

    good: NDArray[np.bool_]
    stamp_us: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    data: NDArray[np.uint8]


class _Layout:
    """Where the fields of a line are, and the characters around them."""

    def __init__(self, match: re.Match[bytes]) -> None:
        line = match.string
        fd = match["fd"] is not None
        data = "fddata" if fd else "data"
        self.channel = match["channel"].decode("utf-8", "replace")
        self.whole = match.span("whole")
        self.part = match.span("part")
        self.id = match.span("id")
        self.fd_column = match.end("fd") if fd else None
        self.data = match.start(data)
        self.length = len(match[data]) // 2
        self.flags = (
            (Flag.EXTENDED if len(match["id"]) == 8 else 0)
            | (Flag.FD if fd else 0)
            | (Flag.TX if match["way"] == b" T" else 0)
        )
        self.words = -(-len(line) // 8)
        fixed = bytearray(b"\xff" * len(line))
        for field in ("whole", "part", "id", "fd", data):
            start, end = match.span(field)
            if start >= 0:
                fixed[start:end] = bytes(end - start)
        size = 8 * self.words
        mask = np.frombuffer(bytes(fixed).ljust(size, b"\0"), "<u8")
        expected = np.frombuffer(line.ljust(size, b"\0"), "<u8") & mask
        self.fixed = [(k, mask[k], expected[k]) for k in range(self.words) if mask[k]]

    def fits(self, rows: _Rows) -> NDArray[np.bool_]:
        """Return which rows have the layout's fixed characters where they belong."""
        words = rows.bytes_.view("<u8").reshape(rows.count, self.words)
        differs: U64 = np.zeros(rows.count, np.uint64)
        for k, mask, expected in self.fixed:
            differs |= (words[:, k] & mask) ^ expected
        fits: NDArray[np.bool_] = differs == 0
        return fits

    def convert(self, rows: _Rows) -> _Converted:
        """Return the frames of rows that fit; the fields are yet to be checked for digits."""
        whole, bad = rows.number(self.whole[0], self.whole[1] - self.whole[0])
        digits = self.part[1] - self.part[0]
        part, bad_part = rows.number(self.part[0], digits)
        bad |= bad_part
        if digits <= 6:
            part *= 10 ** (6 - digits)
        else:
            part = (part + 10 ** (digits - 6) // 2) // 10 ** (digits - 6)
        id_digits = self.id[1] - self.id[0]
        word = rows.word(self.id[1], id_digits)
        bad |= _not_hex(word)
        can_id = _from_hex(word).astype(np.uint32).byteswap()
        flags = np.full(rows.count, self.flags, np.uint8)
        good = None
        if id_digits == 3:
            good = can_id < STANDARD_IDS
        else:
            error = can_id & np.uint32(ERROR_BIT) != 0
            if error.any():
                flags[error] ^= np.uint8(Flag.EXTENDED | Flag.ERROR)
            can_id &= np.uint32(EXTENDED_IDS - 1)
        if self.fd_column is not None:
            word = rows.word(self.fd_column, 1)
            bad |= _not_hex(word)
            # One digit at the end of eight: the last of the four bytes.
            bits = _from_hex(word) >> np.uint64(24)
            flags |= ((bits & 1) * Flag.BRS + (bits >> 1 & 1) * Flag.ESI).astype(np.uint8)
        width = CLASSIC_BYTES if self.length <= CLASSIC_BYTES else FD_BYTES
        data = np.zeros((rows.count, width // 4), "<u4")
        for first in range(0, self.length, 4):
            count = min(4, self.length - first)
            word = rows.word(self.data + 2 * (first + count), 2 * count)
            bad |= _not_hex(word)
            data[:, first // 4] = _from_hex(word) >> np.uint64(8 * (4 - count))
        fields_good = bad == 0
        # Sixteen digits of seconds do not fit 64 bits of microseconds.
        fields_good &= whole < 1 << 42
        return _Converted(
            fields_good if good is None else fields_good & good,
            whole * 1_000_000 + part,
            can_id,
            flags,
            data.view(np.uint8),
        )


class _Chunk:
    """The frames of one chunk of whole lines, filled in by groups of lines."""

    def __init__(self, lines: int) -> None:
        self.kept = np.zeros(lines, np.bool_)
        self.stamp_us = np.empty(lines, np.int64)
        self.can_id = np.empty(lines, np.uint32)
        self.flags = np.empty(lines, np.uint8)
        self.length = np.empty(lines, np.uint8)
        # More names than a FrameBlock can have are refused when all are known, in file order.
        self.channel = np.empty(lines, np.uint16)
        self.data = np.empty((lines, CLASSIC_BYTES), np.uint8)
        # Names are numbered here as they are met, and by first row once the chunk is complete.
        self.first_row: dict[str, int] = {}

    def widen(self, width: int) -> None:
        if width > self.data.shape[1]:
            wide = np.zeros((len(self.data), width), np.uint8)
            wide[:, : self.data.shape[1]] = self.data
            self.data = wide

    def put(self, rows: NDArray[np.intp], layout: _Layout, frames: _Converted) -> None:
        name = layout.channel
        row = int(rows[0])
        self.first_row[name] = min(row, self.first_row.get(name, row))
        self.kept[rows] = True
        self.stamp_us[rows] = frames.stamp_us
        self.can_id[rows] = frames.can_id
        self.flags[rows] = frames.flags
        self.length[rows] = layout.length
        self.channel[rows] = list(self.first_row).index(name)
        width = frames.data.shape[1]
        self.widen(width)
        if width == CLASSIC_BYTES and self.data.shape[1] == CLASSIC_BYTES:
            self.data.view("<u8")[rows, 0] = frames.data.view("<u8")[:, 0]
        else:
            self.data[rows, :width] = frames.data
            self.data[rows, width:] = 0

    def put_one(self, row: int, name: str, frame: Frame) -> None:
        stamp_us, can_id, flags, length, _, payload = frame
        self.first_row[name] = min(row, self.first_row.get(name, row))
        self.kept[row] = True
        self.stamp_us[row] = stamp_us
        self.can_id[row] = can_id
        self.flags[row] = flags
        self.length[row] = length
        self.channel[row] = list(self.first_row).index(name)
        self.widen(CLASSIC_BYTES if len(payload) <= CLASSIC_BYTES else FD_BYTES)
        self.data[row] = np.frombuffer(payload.ljust(self.data.shape[1], b"\0"), np.uint8)

    def block(self, channels: Channels) -> FrameBlock:
        numbered = np.zeros(max(1, len(self.first_row)), np.uint8)
        names = list(self.first_row)
        for name in sorted(names, key=self.first_row.__getitem__):
            numbered[names.index(name)] = channels.of(name)
        kept: slice | NDArray[np.bool_] = slice(None) if self.kept.all() else self.kept
        return FrameBlock(
            self.stamp_us[kept],
            self.can_id[kept],
            self.flags[kept],
            self.length[kept],
            numbered[self.channel[kept]],
            self.data[kept],
        )


class CandumpReader:
    """Turns a stream of candump text into blocks; see the module's words."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        self._channels = channels
        self._problems = problems
        self._layouts: dict[int, list[_Layout]] = {}
        # The slow path's own numbering; _Chunk keeps the names.
        self._names = Channels(channels.path, [])
        self._line = 0

    def blocks(self, stream: BinaryIO) -> Iterator[FrameBlock]:
        """Yield the frames of a stream that is at its beginning.

        Raises:
            InputError: A line is longer than 64 KiB, so this is no text log.
        """
        rest = b""
        offset = 0
        while data := stream.read(CHUNK_BYTES):
            text = rest + data
            end = text.rfind(b"\n") + 1
            rest = text[end:]
            if len(rest) > MAX_LINE_BYTES:
                line = self._line + text.count(b"\n", 0, end) + 1
                raise InputError(
                    f"line {line} is longer than {MAX_LINE_BYTES} bytes; this is no candump log",
                    where=f"{self._channels.path}: offset {offset + end}",
                )
            offset += end
            if end:
                for block in split_block(self._convert(text, end)):
                    yield _narrow(block)
        if rest:
            yield from self._last_line(rest)

    def _last_line(self, line: bytes) -> Iterator[FrameBlock]:
        """Read what stands behind the last line end: a recording that was cut off, or a file edited by hand."""
        self._line += 1
        try:
            frame = parse_line(line, self._names)
        except LineError as error:
            self._problems.add("truncated_line", f"the last line is cut off: {error.detail}", line=self._line)
            return
        if frame is None:
            return
        self._problems.add(
            "unterminated_line",
            "the last line has no line end and may be cut off; its frame is taken as it stands",
            line=self._line,
        )
        chunk = _Chunk(1)
        chunk.put_one(0, self._names.names[frame[4]], frame)
        yield chunk.block(self._channels)

    def _convert(self, text: bytes, end: int) -> FrameBlock:
        # Room behind the last line, since rows are gathered in whole words.
        array = np.frombuffer(text[:end] + bytes(LONGEST_LAYOUT + 8), np.uint8)
        ends = np.flatnonzero(array[:end] == ord("\n"))
        starts = np.concatenate((np.zeros(1, np.intp), ends[:-1] + 1))
        lengths = np.minimum(ends - starts, LONGEST_LAYOUT).astype(np.uint16)
        chunk = _Chunk(len(ends))
        odd: list[NDArray[np.intp]] = []
        for length in np.flatnonzero(np.bincount(lengths)).tolist():
            rows = np.flatnonzero(lengths == length)
            if 0 < length < LONGEST_LAYOUT:
                rows = self._convert_length(array, starts, rows, length, chunk)
            if length:
                odd.append(rows)
        for row in np.sort(np.concatenate(odd)).tolist() if odd else ():
            line = text[int(starts[row]) : int(ends[row])]
            try:
                frame = parse_line(line, self._names)
            except LineError as error:
                self._problems.add(error.kind, error.detail, line=self._line + row + 1)
                continue
            if frame is not None:
                chunk.put_one(row, self._names.names[frame[4]], frame)
        self._line += len(ends)
        return chunk.block(self._channels)

    def _convert_length(
        self,
        array: NDArray[np.uint8],
        starts: NDArray[np.intp],
        rows: NDArray[np.intp],
        length: int,
        chunk: _Chunk,
    ) -> NDArray[np.intp]:
        """Convert the lines of one length by their layouts, and return those that fit none."""
        layouts = self._layouts.setdefault(length, [])
        for layout in layouts:
            rows = _apply(layout, array, starts, rows, chunk)
            if not len(rows):
                return rows
        odd = 0
        while odd < min(len(rows), ODD_LINES_A_LENGTH) and len(layouts) < LAYOUTS_A_LENGTH:
            row = int(rows[odd])
            start = int(starts[row])
            match = _REGULAR.fullmatch(array[start : start + length].tobytes())
            if match is None:
                odd += 1
                continue
            layouts.append(_Layout(match))
            left = _apply(layouts[-1], array, starts, rows, chunk)
            if len(left) > odd and left[odd] == row:
                odd += 1
            rows = left
        return rows


def _apply(
    layout: _Layout, array: NDArray[np.uint8], starts: NDArray[np.intp], rows: NDArray[np.intp], chunk: _Chunk
) -> NDArray[np.intp]:
    """Convert the lines that have this layout, and return the others."""
    width = 8 * layout.words
    # A view of one item a byte position: indexing it copies whole rows.
    windows = np.ndarray((len(array) - width + 1,), f"V{width}", buffer=array, strides=(1,))
    gathered = _Rows(windows[starts[rows]].view(np.uint8), len(rows), width)
    fits = layout.fits(gathered)
    if not fits.all():
        if not fits.any():
            return rows
        kept = gathered.bytes_.view(f"V{width}")[fits]
        gathered = _Rows(kept.view(np.uint8), len(kept), width)
    frames = layout.convert(gathered)
    if not frames.good.all():
        good = frames.good
        frames = _Converted(
            good[good], frames.stamp_us[good], frames.can_id[good], frames.flags[good], frames.data[good]
        )
        fits[fits] = good
    if len(frames.good):
        chunk.put(rows[fits], layout, frames)
    return rows[~fits]


def _narrow(block: FrameBlock) -> FrameBlock:
    """Return the block with 8 payload columns where no payload is longer."""
    if block.data.shape[1] == CLASSIC_BYTES or block.length.max(initial=0) > CLASSIC_BYTES:
        return block
    data = np.ascontiguousarray(block.data[:, :CLASSIC_BYTES])
    return FrameBlock(block.stamp_us, block.can_id, block.flags, block.length, block.channel, data)


# --- writing ---------------------------------------------------------------------------------------------

_DIGIT_BYTES = np.array(list(b"0123456789ABCDEF"), np.uint8)
_HEX_PAIRS = np.stack((_DIGIT_BYTES.repeat(16), np.tile(_DIGIT_BYTES, 16)), axis=1)


def write_candump(path: Path, blocks: Iterable[FrameBlock], channels: Sequence[str] | None = None) -> int:
    """Write frames as a candump log, in one step: on any error the path stays as it was.

    Frames with Flag.TX get a trailing ` T`; the reader and python-can's take received for granted.

    Args:
        path: Where to.
        blocks: The frames; a LogReader serves.
        channels: Names by index; those of `blocks` if it has any (a LogReader), else ("can0",).

    Returns:
        How many frames were written.

    Raises:
        InputError: The folder cannot be written, or a channel's name has a blank in it.
        IndexError: A frame's channel has no name.
    """
    frames = 0
    with atomic_path(path) as aside, aside.open("wb") as out:
        for block in blocks:
            names = channels if channels is not None else getattr(blocks, "channels", ("can0",))
            out.write(format_candump(block, names).data)
            frames += len(block)
    return frames


def format_candump(block: FrameBlock, channels: Sequence[str]) -> NDArray[np.uint8]:
    """Return the text of a block as candump lines, in order, as one array of bytes."""
    if len(block) == 0:
        return np.zeros(0, np.uint8)
    # Frames whose lines have the same length and columns are made together, then put in their places.
    wide_stamp = np.abs(block.stamp_us) >= 10_000_000_000 * 1_000_000
    shape = (
        block.flags.astype(np.int64) << 24
        | block.length.astype(np.int64) << 16
        | block.channel.astype(np.int64) << 8
        | (block.stamp_us < 0).astype(np.int64) << 1
        | wide_stamp
    )
    shapes, group = np.unique(shape, return_inverse=True)
    parts: list[tuple[NDArray[np.intp], NDArray[np.uint8]]] = []
    line_bytes = np.empty(len(block), np.int64)
    for k in range(len(shapes)):
        rows = np.flatnonzero(group == k)
        text = _lines(block.select(rows), channels, wide=bool(wide_stamp[rows[0]]))
        parts.append((rows, text))
        line_bytes[rows] = text.shape[1]
    ends = np.cumsum(line_bytes)
    out = np.empty(int(ends[-1]), np.uint8)
    for rows, text in parts:
        width = text.shape[1]
        windows = np.ndarray((len(out) - width + 1,), f"V{width}", buffer=out, strides=(1,))
        windows[ends[rows] - width] = text.view(f"V{width}")[:, 0]
    return out


def _lines(block: FrameBlock, channels: Sequence[str], *, wide: bool) -> NDArray[np.uint8]:
    """Return the lines of frames that share flags, length, channel and sign, one a row."""
    flags = int(block.flags[0])
    length = int(block.length[0])
    name = channels[int(block.channel[0])]
    if not name or name.split() != [name]:
        raise InputError(f"the channel name {name!r} cannot stand in a candump log; give one without blanks")
    whole, part = np.divmod(np.abs(block.stamp_us), 1_000_000)
    error = bool(flags & Flag.ERROR)
    id_digits = 8 if error or flags & Flag.EXTENDED else 3
    can_id = block.can_id | np.uint32(ERROR_BIT) if error else block.can_id
    columns: list[NDArray[np.uint8] | bytes] = [
        b"(-" if block.stamp_us[0] < 0 else b"(",
        _decimal(whole, 13 if wide else 10),
        b".",
        _decimal(part, 6),
        f") {name} ".encode(),
        _hex_digits(can_id, id_digits),
        b"#",
    ]
    if flags & Flag.REMOTE:
        columns.append(b"R%d" % length if length else b"R")
    else:
        if flags & Flag.FD:
            bits = (1 if flags & Flag.BRS else 0) | (2 if flags & Flag.ESI else 0)
            columns.append(b"#%d" % bits)
        columns.append(_HEX_PAIRS[block.data[:, :length]].reshape(len(block), 2 * length))
    columns.append(b" T\n" if flags & Flag.TX else b"\n")
    text = np.empty(
        (len(block), sum(c.shape[1] if isinstance(c, np.ndarray) else len(c) for c in columns)), np.uint8
    )
    at = 0
    for column in columns:
        if isinstance(column, bytes):
            text[:, at : at + len(column)] = np.frombuffer(column, np.uint8)
            at += len(column)
        else:
            text[:, at : at + column.shape[1]] = column
            at += column.shape[1]
    return text


def _decimal(value: NDArray[np.int64], digits: int) -> NDArray[np.uint8]:
    text = np.empty((len(value), digits), np.uint8)
    for column in range(digits - 1, -1, -1):
        value, digit = np.divmod(value, 10)
        text[:, column] = digit + ord("0")
    return text


def _hex_digits(value: NDArray[Any], digits: int) -> NDArray[np.uint8]:
    shifts = np.arange(4 * (digits - 1), -1, -4, dtype=np.uint32)
    text: NDArray[np.uint8] = _DIGIT_BYTES[(value[:, None] >> shifts) & 15]
    return text
