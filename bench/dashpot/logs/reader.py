"""Opens a log of any format as a stream of frame blocks in constant memory."""

from __future__ import annotations

import io
import re
import zlib
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any, BinaryIO, Protocol

from dashpot.errors import InputError
from dashpot.logs.binarylogs import BlfReader, Mf4Reader
from dashpot.logs.candump import NO_STAMP, CandumpReader
from dashpot.logs.frames import Channels, FrameBlock, Problems
from dashpot.logs.textlogs import AscReader, CsvReader, TrcReader

HEAD_BYTES = 1 << 16
GZIP_MAGIC = b"\x1f\x8b"

SUFFIXES = {
    ".log": "candump",
    ".candump": "candump",
    ".asc": "asc",
    ".blf": "blf",
    ".trc": "trc",
    ".csv": "csv",
    ".mf4": "mf4",
}
_BINARY = {b"LOGG": "blf", b"MDF     ": "mf4", b"UnFinMF ": "mf4"}
_TEXT = (
    # A first frame, or a first line of header.
    ("candump", re.compile(rb"\s*\([-0-9][-0-9.: ]*\)\s+\S+\s")),
    ("screen", re.compile(rb"\s*\S+\s+(?:[RT]X\s+[-B]\s+[-E]\s+)?[0-9A-F]{3,8}\s+\[\d{1,2}\]\s")),
    ("trc", re.compile(rb";(?:\$FILEVERSION|\$STARTTIME|\$COLUMNS|#{8})")),
    ("asc", re.compile(rb"(?:date\s+\w|base\s+(?:hex|dec)\b|begin\s+triggerblock)", re.IGNORECASE)),
    ("csv", re.compile(rb"timestamp\s*,")),
)


class _Format(Protocol):
    def blocks(self, stream: BinaryIO) -> Iterator[FrameBlock]: ...


_READERS: dict[str, type[CandumpReader | AscReader | BlfReader | TrcReader | CsvReader | Mf4Reader]] = {
    "candump": CandumpReader,
    "asc": AscReader,
    "blf": BlfReader,
    "trc": TrcReader,
    "csv": CsvReader,
    "mf4": Mf4Reader,
}
FORMATS = tuple(_READERS)


class _Counted(io.RawIOBase):
    """Counts the bytes that are read from a file, for the progress bar."""

    def __init__(self, raw: io.FileIO) -> None:
        super().__init__()
        self._raw = raw
        self.count = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        count = self._raw.readinto(buffer)
        self.count += count
        return count


class LogReader:
    """A log as an iterable of FrameBlock; iterating again reads the file anew.

    Attributes:
        path: The file.
        format: "candump", "asc", "blf", "trc", "csv" or "mf4".
        channels: Names in the order in which they first appear; complete when the iteration is.
        problems: What could not be read, of the present or last iteration.
        bytes_read, bytes_total: How far the reading is in the file as it lies on disk, gzip or not.
        frames: How many frames were yielded.
    """

    def __init__(self, path: Path, format: str, *, strict: bool = False) -> None:  # noqa: A002 - contract's name
        self.path = path
        self.format = format
        self.strict = strict
        self.channels: list[str] = []
        self.problems = Problems(path, strict)
        self.bytes_read = 0
        self.bytes_total = path.stat().st_size
        self.frames = 0

    def __iter__(self) -> Iterator[FrameBlock]:
        """Yield the frames in file order.

        Raises:
            InputError: There is no frame in the file, or reading cannot go on, or (strict) anything is wrong.
        """
        self.channels.clear()
        self.problems = Problems(self.path, self.strict)
        self.frames = 0
        self.bytes_read = 0
        reader: _Format = _READERS[self.format](Channels(self.path, self.channels), self.problems)
        with ExitStack() as stack:
            counted = _Counted(stack.enter_context(self.path.open("rb", buffering=0)))
            stream: BinaryIO = stack.enter_context(io.BufferedReader(counted, 1 << 16))
            if _is_gzip(self.path):
                stream = stack.enter_context(io.BufferedReader(_Gunzip(stream, self.problems), 1 << 20))
            for block in reader.blocks(stream):
                self.bytes_read = counted.count
                self.frames += len(block)
                yield block
            self.bytes_read = self.bytes_total
        if self.frames == 0:
            raise InputError(self._no_frames(), where=self.path)

    def _no_frames(self) -> str:
        kind = f"holds no CAN frame that could be read as {self.format}"
        if self.problems.first:
            first = self.problems.first[0]
            return f"{kind}; {first.where}: {first.detail}; give another file, or its format with --format"
        if self.format == "mf4":
            return f"{kind}; only MF4 files with recorded bus events will do, decoded signals alone will not"
        return f"{kind}; give a log with frames"


class _Gunzip(io.RawIOBase):
    """A gzip stream that ends, with a problem noted, where the packed file is cut off or damaged.

    gzip.GzipFile would throw away what it unpacked before that place.
    """

    def __init__(self, raw: BinaryIO, problems: Problems) -> None:
        super().__init__()
        self._raw = raw
        self._problems = problems
        self._unpacker = zlib.decompressobj(wbits=31)
        self._packed = b""
        self._inside = False
        self._over = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._over:
            if not self._packed:
                self._packed = self._raw.read(HEAD_BYTES)
                if not self._packed:
                    self._over = True
                    if self._inside:
                        self._problems.add("truncated_file", "the gzip data end too early")
                    return 0
            self._inside = True
            try:
                data = self._unpacker.decompress(self._packed, len(buffer))
            except zlib.error as error:
                self._over = True
                self._problems.add("damaged_file", f"the gzip data are damaged: {error}")
                return 0
            self._packed = self._unpacker.unconsumed_tail
            if self._unpacker.eof:
                # Several gzip files, one behind the other, are one; zeros behind the last are padding.
                self._packed = self._unpacker.unused_data.lstrip(b"\0")
                self._unpacker = zlib.decompressobj(wbits=31)
                self._inside = False
            if data:
                buffer[: len(data)] = data
                return len(data)
        return 0


def open_log(path: Path, *, format: str | None = None, strict: bool = False) -> LogReader:  # noqa: A002 - contract
    """Open a log; the format is found by content, then by suffix, gzip is unpacked on the fly.

    Args:
        path: The file; "run.log.gz" serves as "run.log" does.
        format: One of FORMATS where neither content nor suffix says it.
        strict: Whether the first line or object that cannot be read ends the reading with an InputError.

    Raises:
        InputError: No such file, a folder, empty, of no known format, or a form without time stamps.
    """
    path = Path(path)
    if format is not None and format not in FORMATS:
        raise InputError(f"there is no log format {format!r}; the formats are {', '.join(FORMATS)}")
    if path.is_dir():
        raise InputError("is a folder; give the name of a log file", where=path)
    try:
        head = _head(path)
    except FileNotFoundError:
        raise InputError("no such file; give the path of a recorded log", where=path) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror or error}", where=path) from error
    except (EOFError, zlib.error) as error:
        raise InputError(f"begins like gzip and cannot be unpacked: {error}", where=path) from None
    if not head.strip():
        raise InputError("is empty; give a log with frames", where=path)
    found = format or _detect(path, head)
    if found == "screen":
        raise InputError(NO_STAMP, where=path)
    return LogReader(path, found, strict=strict)


def _is_gzip(path: Path) -> bool:
    with path.open("rb") as stream:
        return stream.read(2) == GZIP_MAGIC


def _head(path: Path) -> bytes:
    """Return the first bytes of what the file holds."""
    if not _is_gzip(path):
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)
    # Not through gzip, which gives nothing at all where a small file is cut off.
    with path.open("rb") as stream:
        return zlib.decompressobj(wbits=31).decompress(stream.read(HEAD_BYTES), HEAD_BYTES)


def _detect(path: Path, head: bytes) -> str:
    for magic, name in _BINARY.items():
        if head.startswith(magic):
            return name
    suffixes = [suffix.lower() for suffix in path.suffixes]
    suffix = suffixes[-2] if len(suffixes) > 1 and suffixes[-1] == ".gz" else "".join(suffixes[-1:])
    named = SUFFIXES.get(suffix)
    if b"\0" in head:
        said = f" {named}" if named else ""
        raise InputError(
            f"is binary and no{said} log that is known here; the formats are {', '.join(FORMATS)} (and gzip of them)",
            where=path,
        )
    lines = [line for line in head.removeprefix(b"\xef\xbb\xbf").splitlines()[:200] if line.strip()]
    for line in lines:
        for name, pattern in _TEXT:
            if pattern.match(line):
                return name
    if named in ("candump", "asc", "trc", "csv"):
        return named
    shown = lines[0][:60].decode("utf-8", "replace")
    raise InputError(
        f"is no log of a known format; it begins with {shown!r}; the formats are {', '.join(FORMATS)} "
        "(and gzip of them), and --format names one",
        where=path,
    )
