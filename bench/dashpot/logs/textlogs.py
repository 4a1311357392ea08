"""ASC, TRC and CSV logs, a line at a time, with stamps taken from the text as whole microseconds.

python-can's readers are the reference (tests compare), with these differences on purpose:

- Stamps never go through a float; negative ones (before the trigger) are read, where python-can skips the line.
- ASC: the stamps are those of the file; the date of the header is not added, since it has no zone. With a
  header `timestamps relative` each stamp counts from the line before, and they are added up.
- A payload shorter than its length code says is a problem with its line, not a shorter frame.
- Channels are named as in the file, in every format: ASC, TRC and BLF number them from 1.
- TRC: error frames are frames, not skipped. Its start time is added to the stamps, as python-can does.
- CSV is python-can's own: it records no channel and no direction.
"""

from __future__ import annotations

import re
from base64 import b64decode
from collections.abc import Iterator
from typing import BinaryIO

from dashpot.errors import InputError
from dashpot.logs.frames import (
    CLASSIC_BYTES,
    EXTENDED_IDS,
    FD_BYTES,
    NO_CHANNEL,
    STANDARD_IDS,
    BlockBuilder,
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

CHUNK_BYTES = 1 << 20
MAX_LINE_BYTES = 1 << 16
FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)

# The usual line of a data frame. Whatever does not fit, or only nearly, is left to the reader's own methods.
_ASC_DATA = re.compile(
    r"(\d{1,9})\.(\d{6}) +(\d+) +([0-9A-Fa-f]{1,8})(x?) +(Rx|Tx) +d +([0-8])((?: [0-9A-Fa-f]{2})*)(?: +Length.*)?"
)
_TRC_COLUMNS = "N,O,T,B,I,d,R,L,D"
_TRC_DATA = re.compile(
    r"\d+ +(\d{1,12})\.(\d{3}) DT +(\d+) +([0-9A-Fa-f]{4}|[0-9A-Fa-f]{7,8}) (Rx|Tx) - +([0-8]) *((?: [0-9A-Fa-f]{2})*)"
)
_ASC_STAMP = re.compile(r"-?\d+\.\d+")
_ASC_BASE = re.compile(r"base\s+(hex|dec)(?:\s+timestamps\s+(absolute|relative))?", re.IGNORECASE)
_TRC_DAYS_TO_1970 = 25_569
_CSV_DATA = re.compile(
    r"(\d{1,12})\.(\d{1,6}),0x([0-9a-f]{1,8}),([01]),0,0,([0-8]),([A-Za-z0-9+/]*={0,2})", re.ASCII
)
_CSV_HEADER = "timestamp,arbitration_id,extended,remote,error,dlc,data"


class LineReader:
    """Base of the line formats: reads lines, counts them, turns each into a frame or a problem."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        self.channels = channels
        self.problems = problems
        self.line = 0

    def blocks(self, stream: BinaryIO) -> Iterator[FrameBlock]:
        """Yield the frames of a stream that is at its beginning.

        Raises:
            InputError: The header asks for something that cannot be read.
        """
        rest = b""
        while data := stream.read(CHUNK_BYTES):
            text = rest + data
            end = text.rfind(b"\n") + 1
            rest = text[end:]
            if end:
                yield from self._block(text[: end - 1], cut=False)
            if len(rest) > MAX_LINE_BYTES:
                raise InputError(
                    f"a line of more than {MAX_LINE_BYTES} bytes; this is no text log",
                    where=f"{self.channels.path}:{self.line + 1}",
                )
        if rest:
            yield from self._block(rest, cut=True)

    def _block(self, text: bytes, *, cut: bool) -> Iterator[FrameBlock]:
        """Yield the frames of some lines; `cut` says that they are one line without an end."""
        if self.line == 0:
            text = text.removeprefix(b"\xef\xbb\xbf")
        builder = BlockBuilder()
        # Latin-1 never fails; whatever is not ASCII stands in comments and names.
        for raw in text.decode("latin-1").split("\n"):
            self.line += 1
            line = raw.strip()
            if not line:
                continue
            try:
                frame = self.frame(line)
            except LineError as error:
                self._problem(error.kind, error.detail, cut=cut)
                continue
            except (ValueError, IndexError) as error:
                self._problem("unreadable_line", f"{line[:60]!r}: {error}", cut=cut)
                continue
            if frame is None:
                continue
            if cut:
                self.problems.add(
                    "unterminated_line",
                    "the last line has no line end and may be cut off; its frame is taken as it stands",
                    line=self.line,
                )
            builder.add(frame)
        if len(builder):
            yield from split_block(builder.take())

    def _problem(self, kind: str, detail: str, *, cut: bool) -> None:
        if cut:
            kind, detail = "truncated_line", f"the last line is cut off: {detail}"
        self.problems.add(kind, detail, line=self.line)

    def frame(self, text: str) -> Frame | None:
        """Return the frame of one line, stripped and not blank, or None for a line that is none by design.

        Raises:
            LineError, ValueError, IndexError: The line should be a frame and cannot be read.
        """
        raise NotImplementedError


def _bytes(tokens: list[str], count: int, most: int, *, base: int = 16) -> bytes:
    if count > most:
        raise LineError("long_payload", f"a payload of {count} bytes; {most} is the most here")
    if len(tokens) < count:
        raise LineError("short_payload", f"{len(tokens)} payload bytes where the length says {count}")
    if base == 16:
        try:
            payload = bytes.fromhex(" ".join(tokens[:count]))
        except ValueError:
            payload = b""
        # Tokens of one digit, or of three, do not come out as one byte each.
        if len(payload) == count:
            return payload
    return bytes([int(token, base) for token in tokens[:count]])


class AscReader(LineReader):
    """ASC logs; statistics, status lines and other events are counted as skipped."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        super().__init__(channels, problems)
        self._base = 16
        self._relative = False
        self._plain = True
        self._last_us = 0

    def frame(self, text: str) -> Frame | None:  # noqa: D102 - see LineReader
        if self._plain and (match := _ASC_DATA.fullmatch(text)):
            whole, part, channel, id_text, mark, way, count, data = match.groups()
            can_id = int(id_text, 16)
            if can_id < (EXTENDED_IDS if mark else STANDARD_IDS) and len(data) == 3 * int(count):
                flags = (Flag.EXTENDED if mark else 0) | (Flag.TX if way == "Tx" else 0)
                payload = bytes.fromhex(data)
                return int(whole + part), can_id, flags, len(payload), self.channels.of(channel), payload
        tokens = text.split()
        if _ASC_STAMP.fullmatch(tokens[0]) is None:
            self._header(text)
            return None
        stamp_us = decimal_us(tokens[0])
        if self._relative:
            stamp_us += self._last_us
        self._last_us = stamp_us
        if len(tokens) < 2:
            raise LineError("unreadable_line", "nothing behind the time stamp")
        if tokens[1].upper() == "CANFD":
            return self._fd(stamp_us, tokens[2:])
        if tokens[1].isdigit() and len(tokens) > 2:
            if tokens[2].lower() == "errorframe":
                return stamp_us, 0, Flag.ERROR, 0, self.channels.of(tokens[1]), b""
            if len(tokens) > 3 and tokens[3] in ("Rx", "Tx", "TxRq"):
                return self._classic(stamp_us, tokens)
        if text.lower().endswith("start of measurement"):
            return None
        self.problems.add("skipped_event", f"an event that is no frame: {text[:60]!r}", line=self.line)
        return None

    def _header(self, text: str) -> None:
        """Take in a line without a stamp."""
        match = _ASC_BASE.match(text)
        if match is not None:
            self._base = 16 if match[1].lower() == "hex" else 10
            self._relative = (match[2] or "").lower() == "relative"
            self._plain = self._base == 16 and not self._relative
        elif not re.match(r"//|date\b|(no )?internal events|begin trigger|end trigger", text, re.IGNORECASE):
            raise LineError("unreadable_line", f"no ASC line: {text[:60]!r}")

    def _id(self, text: str) -> tuple[int, int]:
        if text[-1] in "xX":
            return check_id(int(text[:-1], self._base), extended=True), Flag.EXTENDED
        return check_id(int(text, self._base), extended=False), 0

    def _classic(self, stamp_us: int, tokens: list[str]) -> Frame | None:
        channel, id_text, way, kind = tokens[1], tokens[2], tokens[3], tokens[4].lower()
        if way == "TxRq":
            # A request to send: the frame itself has a line of its own.
            self.problems.add("skipped_event", "a transmit request", line=self.line)
            return None
        can_id, flags = self._id(id_text)
        flags |= Flag.TX if way == "Tx" else 0
        if kind == "r":
            # Before version 8.5 of the format there was no length behind the r.
            length = int(tokens[5], self._base) if len(tokens) > 5 and tokens[5].isdigit() else 0
            return stamp_us, can_id, flags | Flag.REMOTE, min(length, 8), self.channels.of(channel), b""
        if kind != "d":
            raise LineError("unreadable_line", f"{kind!r} where d (data) or r (remote) belongs")
        length = min(int(tokens[5], self._base), CLASSIC_BYTES)
        payload = _bytes(tokens[6:], length, CLASSIC_BYTES, base=self._base)
        return stamp_us, can_id, flags, length, self.channels.of(channel), payload

    def _fd(self, stamp_us: int, tokens: list[str]) -> Frame:
        channel, way = tokens[0], tokens[1]
        tx = Flag.TX if way == "Tx" else 0
        if tokens[2].lower() == "errorframe":
            return stamp_us, 0, Flag.ERROR | tx, 0, self.channels.of(channel), b""
        can_id, flags = self._id(tokens[2])
        flags |= tx
        # A symbolic name may stand between the identifier and the two switch bits.
        rest = tokens[3:] if tokens[3] in ("0", "1") and tokens[4] in ("0", "1") else tokens[4:]
        brs, esi, code, length = rest[0] == "1", rest[1] == "1", int(rest[2], 16), int(rest[3])
        behind = rest[4 + length :]
        bits = int(behind[2], 16) if len(behind) > 2 else None
        if (length == 0 and code > 0) if bits is None else bits & 0x10:
            asked = FD_LENGTHS[code] if bits is not None and bits & 0x1000 else min(code, 8)
            return stamp_us, can_id, flags | Flag.REMOTE, asked, self.channels.of(channel), b""
        # Some tools write classic frames in this form; some leave the flags of real FD frames at 0.
        if bits is None or bits & 0x1000 or length > CLASSIC_BYTES or brs or esi:
            flags |= Flag.FD | (Flag.BRS if brs else 0) | (Flag.ESI if esi else 0)
        payload = _bytes(rest[4:], length, FD_BYTES if flags & Flag.FD else CLASSIC_BYTES)
        return stamp_us, can_id, flags, length, self.channels.of(channel), payload


class TrcReader(LineReader):
    """TRC logs of the versions 1.0, 1.1, 1.3, 2.0 and 2.1."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        super().__init__(channels, problems)
        self._version = "1.0"
        self._start_us = 0
        self._columns: dict[str, int] = {}
        self._plain = False

    def frame(self, text: str) -> Frame | None:  # noqa: D102 - see LineReader
        if text.startswith(";"):
            self._header(text)
            return None
        if self._plain and (match := _TRC_DATA.fullmatch(text)):
            whole, part, channel, id_text, way, count, data = match.groups()
            can_id, extended = int(id_text, 16), len(id_text) > 4
            if can_id < (EXTENDED_IDS if extended else STANDARD_IDS) and len(data) == 3 * int(count):
                flags = (Flag.EXTENDED if extended else 0) | (Flag.TX if way == "Tx" else 0)
                payload = bytes.fromhex(data)
                stamp_us = self._start_us + int(whole + part)
                return stamp_us, can_id, flags, len(payload), self.channels.of(channel), payload
        if self._version.startswith("2."):
            return self._frame_v2(text.split(maxsplit=len(self._columns) - 1))
        return self._frame_v1(text.split())

    def _header(self, text: str) -> None:
        name, _, value = text.partition("=")
        where = f"{self.channels.path}:{self.line}"
        if name == ";$FILEVERSION":
            if value not in ("1.0", "1.1", "1.3", "2.0", "2.1"):
                raise InputError(
                    f"TRC version {value} cannot be read; 1.0, 1.1, 1.3, 2.0 and 2.1 can", where=where
                )
            self._version = value
        elif name == ";$STARTTIME":
            try:
                self._start_us = (
                    decimal_us(value, unit_us=86_400_000_000) - _TRC_DAYS_TO_1970 * 86_400_000_000
                )
            except ValueError as error:
                raise InputError(
                    f"the start time {error}; it must be days since 1899-12-30", where=where
                ) from None
        elif name == ";$COLUMNS":
            self._columns = {column: index for index, column in enumerate(value.split(","))}
            self._plain = value == _TRC_COLUMNS
            missing = [c for c in "OTId" if c not in self._columns]
            if missing or not {"l", "L"} & self._columns.keys():
                raise InputError(
                    f"the columns {value} cannot be read; O, T, I, d and l or L must be there", where=where
                )

    def _frame_v2(self, cells: list[str]) -> Frame | None:
        columns = self._columns
        if not columns:
            raise InputError(
                "a frame before any ;$COLUMNS line; version 2 of the format must have one",
                where=f"{self.channels.path}:{self.line}",
            )
        kind = cells[columns["T"]]
        stamp_us = self._start_us + decimal_us(cells[columns["O"]], unit_us=1000)
        channel = self.channels.of(cells[columns["B"]] if "B" in columns else NO_CHANNEL)
        if kind == "ER":
            return stamp_us, 0, Flag.ERROR, 0, channel, b""
        if kind not in ("DT", "RR", "FD", "FB", "FE", "BI"):
            self.problems.add("skipped_event", f"a line of type {kind} is no frame", line=self.line)
            return None
        can_id, flags = _trc_id(cells[columns["I"]])
        flags |= Flag.TX if cells[columns["d"]] == "Tx" else 0
        if kind not in ("DT", "RR"):
            flags |= (
                Flag.FD
                | (Flag.BRS if kind in ("FB", "FE") else 0)
                | (Flag.ESI if kind in ("FE", "BI") else 0)
            )
        if "l" in columns:
            length = int(cells[columns["l"]])
        else:
            length = (
                FD_LENGTHS[int(cells[columns["L"]])] if flags & Flag.FD else min(int(cells[columns["L"]]), 8)
            )
        if kind == "RR":
            return stamp_us, can_id, flags | Flag.REMOTE, min(length, 8), channel, b""
        tokens = cells[columns["D"]].split() if length and len(cells) > columns["D"] else []
        payload = _bytes(tokens, length, FD_BYTES if flags & Flag.FD else CLASSIC_BYTES)
        return stamp_us, can_id, flags, length, channel, payload

    def _frame_v1(self, cells: list[str]) -> Frame | None:
        # 1.0: number time id length data; 1.1: number time type id ...; 1.3: number time bus type id - ...
        stamp_us = self._start_us + decimal_us(cells[1], unit_us=1000)
        at = {"1.0": 2, "1.1": 3, "1.3": 4}[self._version]
        kind = cells[at - 1] if at > 2 else "Rx"
        channel = self.channels.of(cells[2] if at == 4 else NO_CHANNEL)
        if kind == "Error":
            return stamp_us, 0, Flag.ERROR, 0, channel, b""
        if kind not in ("Rx", "Tx") or cells[at] == "FFFFFFFF":
            self.problems.add("skipped_event", "a bus event that is no frame", line=self.line)
            return None
        can_id, flags = _trc_id(cells[at])
        flags |= Flag.TX if kind == "Tx" else 0
        rest = cells[at + 2 :] if at == 4 else cells[at + 1 :]
        length = min(int(rest[0]), CLASSIC_BYTES)
        if rest[1:2] == ["RTR"]:
            return stamp_us, can_id, flags | Flag.REMOTE, length, channel, b""
        return stamp_us, can_id, flags, length, channel, _bytes(rest[1:], length, CLASSIC_BYTES)


def _trc_id(text: str) -> tuple[int, int]:
    """Return identifier and flags: four digits are a standard identifier, eight an extended one."""
    extended = len(text) > 4
    return check_id(int(text, 16), extended=extended), Flag.EXTENDED if extended else 0


class CsvReader(LineReader):
    """CSV logs as python-can writes them."""

    def frame(self, text: str) -> Frame | None:  # noqa: D102 - see LineReader
        if self.line == 1:
            if text != _CSV_HEADER:
                raise InputError(
                    f"the columns of this CSV cannot be read; they must be {_CSV_HEADER}",
                    where=f"{self.channels.path}:1",
                )
            return None
        if match := _CSV_DATA.fullmatch(text):
            whole, part, id_text, extended, count, data = match.groups()
            can_id = int(id_text, 16)
            payload = b64decode(data)
            if can_id < (EXTENDED_IDS if extended == "1" else STANDARD_IDS) and len(payload) == int(count):
                stamp_us = int(whole + part.ljust(6, "0"))
                flags = Flag.EXTENDED if extended == "1" else 0
                return stamp_us, can_id, flags, len(payload), self.channels.of(NO_CHANNEL), payload
        stamp, id_text, extended, remote, error, length_text, data = text.split(",")
        stamp_us = decimal_us(stamp)
        length = int(length_text)
        flags = (
            (Flag.EXTENDED if extended == "1" else 0)
            | (Flag.REMOTE if remote == "1" else 0)
            | (Flag.ERROR if error == "1" else 0)
        )
        if flags & Flag.ERROR:
            flags &= ~Flag.EXTENDED
        can_id = int(id_text, 16)
        if not flags & Flag.ERROR:
            check_id(can_id, extended=bool(flags & Flag.EXTENDED))
        payload = b"" if flags & Flag.REMOTE else b64decode(data, validate=True)
        if len(payload) > CLASSIC_BYTES:
            # The format has no mark for FD; only an FD frame can be this long.
            flags |= Flag.FD
        if len(payload) > FD_BYTES or length > FD_BYTES:
            raise LineError("long_payload", f"a payload of {max(len(payload), length)} bytes; 64 is the most")
        if not flags & Flag.REMOTE and len(payload) < length:
            raise LineError("short_payload", f"{len(payload)} payload bytes where the length says {length}")
        return (
            stamp_us,
            can_id & 0x1FFF_FFFF,
            flags,
            length,
            self.channels.of(NO_CHANNEL),
            payload[:length],
        )
