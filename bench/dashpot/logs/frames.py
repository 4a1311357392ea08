"""What every log format becomes: blocks of frames in columns, and the list of what could not be read."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from decimal import ROUND_HALF_UP, Decimal, InvalidOperation
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from dashpot.errors import InputError

BLOCK_FRAMES = 1 << 16
CLASSIC_BYTES = 8
FD_BYTES = 64
STANDARD_IDS = 1 << 11
EXTENDED_IDS = 1 << 29
MAX_CHANNELS = 255
SHOWN_PROBLEMS = 10

#: Name of the channel in formats that do not record one.
NO_CHANNEL = "-"


class Flag:
    """Bits of FrameBlock.flags. BRS (faster data phase) and ESI (sender is error passive) belong to FD frames.

    Plain numbers, since an enum's `|` would take longer than the rest of a frame.
    """

    EXTENDED: Final = 1
    REMOTE: Final = 2
    ERROR: Final = 4
    FD: Final = 8
    TX: Final = 16
    BRS: Final = 32
    ESI: Final = 64


@dataclass(frozen=True, slots=True)
class FrameBlock:
    """Up to BLOCK_FRAMES frames in file order, one array a column, n rows each.

    Attributes:
        stamp_us: int64[n], microseconds as the file has them: since 1970 or since the start of the recording.
        can_id: uint32[n], the identifier, 11 or 29 bits, no flag bits. Of an error frame: the error class bits.
        flags: uint8[n], bits of Flag.
        length: uint8[n], payload bytes, 0 to 64; of a remote frame the length that it asks for.
        channel: uint8[n], index into the reader's list of channels.
        data: uint8[n, 8], or uint8[n, 64] where a payload of the block is longer than 8; zero past the payload.
    """

    stamp_us: NDArray[np.int64]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    channel: NDArray[np.uint8]
    data: NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.stamp_us)

    def select(self, rows: slice | NDArray[Any]) -> FrameBlock:
        """Return the frames of a slice, a boolean mask or an index array."""
        return FrameBlock(
            self.stamp_us[rows],
            self.can_id[rows],
            self.flags[rows],
            self.length[rows],
            self.channel[rows],
            self.data[rows],
        )


def split_block(block: FrameBlock) -> Iterator[FrameBlock]:
    """Yield a block of any length in parts of at most BLOCK_FRAMES."""
    for start in range(0, len(block), BLOCK_FRAMES):
        yield block.select(slice(start, start + BLOCK_FRAMES))


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing in a file that could not be read: its kind, the place ("line 12") and the words for it."""

    kind: str
    where: str
    detail: str


@dataclass(slots=True)
class Problems:
    """What a file held that is no frame: a count of each kind, and the first few with their place.

    Kinds are stable names: unreadable_line, truncated_line, unterminated_line, odd_payload, short_payload,
    long_payload, id_out_of_range, no_stamp, skipped_event, truncated_file, damaged_file.
    """

    path: Path
    strict: bool = False
    counts: dict[str, int] = field(default_factory=dict)
    first: list[Problem] = field(default_factory=list)

    @property
    def total(self) -> int:
        """How many problems there are in all."""
        return sum(self.counts.values())

    def add(
        self, kind: str, detail: str, *, line: int | None = None, offset: int | None = None, count: int = 1
    ) -> None:
        """Count a problem; the first few are kept with their place.

        Raises:
            InputError: The reader is strict, and this is more than an event of a kind that holds no frame.
        """
        if line is not None:
            where = f"line {line}"
        else:
            where = "no place known" if offset is None else f"offset {offset}"
        if self.strict and kind != "skipped_event":
            place = f"{self.path}:{line}" if line is not None else f"{self.path}: {where}"
            raise InputError(detail, where=place)
        self.counts[kind] = self.counts.get(kind, 0) + count
        if len(self.first) < SHOWN_PROBLEMS:
            self.first.append(Problem(kind, where, detail))


class LineError(ValueError):
    """A line, or a frame in it, that cannot be taken; `kind` as in Problems."""

    def __init__(self, kind: str, detail: str) -> None:
        super().__init__(detail)
        self.kind = kind
        self.detail = detail


@dataclass(slots=True)
class Channels:
    """Channel names in the order in which they first appear."""

    path: Path
    names: list[str]
    index: dict[str, int] = field(default_factory=dict)

    def of(self, name: str) -> int:
        """Return the index of a name, new or known.

        Raises:
            InputError: More than 255 different names, so the column that was taken for it is something else.
        """
        known = self.index.get(name)
        if known is not None:
            return known
        if len(self.names) >= MAX_CHANNELS:
            raise InputError(
                f"has more than {MAX_CHANNELS} different channel names; the file is damaged or of another format",
                where=self.path,
            )
        self.names.append(name)
        self.index[name] = len(self.names) - 1
        return self.index[name]


class BlockBuilder:
    """Collects single frames into blocks, for formats that are read a frame at a time."""

    def __init__(self) -> None:
        self._frames: list[Frame] = []
        self.add = self._frames.append

    def __len__(self) -> int:
        return len(self._frames)

    @property
    def full(self) -> bool:
        """Whether it is time to take the block."""
        return len(self._frames) >= BLOCK_FRAMES

    def take(self) -> FrameBlock:
        """Return all frames collected, of which there must be some, and start anew."""
        stamp_us, can_id, flags, length, channel, data = zip(*self._frames, strict=True)
        self._frames.clear()
        width = FD_BYTES if max(map(len, data)) > CLASSIC_BYTES else CLASSIC_BYTES
        joined = b"".join([payload.ljust(width, b"\0") for payload in data])
        return FrameBlock(
            np.array(stamp_us, np.int64),
            np.array(can_id, np.uint32),
            np.array(flags, np.uint8),
            np.array(length, np.uint8),
            np.array(channel, np.uint8),
            np.frombuffer(joined, np.uint8).reshape(len(data), width),
        )


#: stamp_us, can_id, flags, length, channel, payload
Frame = tuple[int, int, int, int, int, bytes]


def join_blocks(blocks: Sequence[FrameBlock]) -> FrameBlock:
    """Return the frames of several blocks as one; the payload column is as wide as the widest."""
    width = max((block.data.shape[1] for block in blocks), default=CLASSIC_BYTES)
    rows = sum(map(len, blocks))
    data = np.zeros((rows, width), np.uint8)
    at = 0
    for block in blocks:
        data[at : at + len(block), : block.data.shape[1]] = block.data
        at += len(block)

    def column(name: str, dtype: Any) -> NDArray[Any]:
        parts = [getattr(block, name) for block in blocks]
        return np.concatenate(parts) if parts else np.zeros(0, dtype)

    return FrameBlock(
        column("stamp_us", np.int64),
        column("can_id", np.uint32),
        column("flags", np.uint8),
        column("length", np.uint8),
        column("channel", np.uint8),
        data,
    )


_PLACES = {1_000_000: 6, 1000: 3}
_PLAIN_DIGITS = 18


def decimal_us(text: str, *, unit_us: int = 1_000_000) -> int:
    """Return a decimal number, given in units of `unit_us`, as whole microseconds, without a float on the way.

    Half a microsecond is rounded away from zero.

    Raises:
        ValueError: The text is no finite decimal number, or past the 64-bit range.
    """
    # Nearly all numbers of a log are plain ones, and Decimal is slow.
    whole, _, part = text.partition(".")
    digits = whole + part
    if len(part) == _PLACES.get(unit_us) and len(digits) <= _PLAIN_DIGITS and digits.isdigit():
        return int(digits)
    try:
        # Decimal would take the underscores of Python's own numbers.
        value = Decimal(text.replace("_", "?"))
    except InvalidOperation:
        raise ValueError(f"{text!r} is no number") from None
    # The exponent is checked before anything is computed: "1e999999" must not become a million digits.
    if not value.is_finite() or value.adjusted() > 18:
        raise ValueError(f"{text!r} is no time")
    stamp_us = int((value * unit_us).to_integral_value(rounding=ROUND_HALF_UP))
    if not -(1 << 62) < stamp_us < 1 << 62:
        raise ValueError(f"{text!r} is no time")
    return stamp_us


def check_id(can_id: int, *, extended: bool) -> int:
    """Return the identifier.

    Raises:
        LineError: It does not fit 11 bits, or 29 if extended.
    """
    if 0 <= can_id < (EXTENDED_IDS if extended else STANDARD_IDS):
        return can_id
    bits = 29 if extended else 11
    raise LineError("id_out_of_range", f"identifier {can_id:X} does not fit {bits} bits")
