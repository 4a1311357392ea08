"""BLF and MF4 logs.

BLF is unpacked container by container; runs of equal objects, which is nearly all of a file, are taken as one
structured numpy view. The layouts are those of python-can's BLFReader, which is the reference. Stamps are the
start time of the header, in milliseconds, plus the object's own whole nanoseconds or tens of microseconds.

MF4 goes through python-can's MF4Reader and so through asammdf; its stamps are float seconds, rounded to the
nearest microsecond (an epoch in a float64 is exact to a quarter of one).
"""

from __future__ import annotations

import gc
import shutil
import struct
import sys
import tempfile
import zlib
from collections.abc import Generator, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

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
    FrameBlock,
    LineError,
    Problems,
    check_id,
    split_block,
)
from dashpot.logs.textlogs import FD_LENGTHS

_FILE_HEADER = struct.Struct("<4sL8xQQLL8H8H")
_OBJECT = struct.Struct("<4sHHLL")
_STAMP = struct.Struct("<L4xQ")
_MESSAGE = struct.Struct("<HBBL8s")
_ERROR_EXT = struct.Struct("<HHLBBBxLLH2x8s")
_FD_MESSAGE = struct.Struct("<HBBLLBBB5x64s")
_FD_MESSAGE_64 = struct.Struct("<BBBBLLLLLLLHBBL")

_CONTAINER = 10
_MESSAGES = (1, 86)
_ERROR_FRAME_EXT = 73
_FD = 100
_FD_64 = 101
_ERROR_FRAME = 2
_TEN_US = 1
_EXTENDED_BIT = 0x8000_0000
# A container holds 128 KiB by custom; this leaves room and still stops a length field of rubbish.
_MOST_OBJECT_BYTES = 1 << 28

#: Offsets in an object of type 1 or 86 that has a header of version 1.
_PLAIN_FIELDS = {
    "signature": ("<u4", 0),
    "version": ("<u2", 6),
    "size": ("<u4", 8),
    "type": ("<u4", 12),
    "flags": ("<u4", 16),
    "stamp": ("<u8", 24),
    "channel": ("<u2", 32),
    "way": ("u1", 34),
    "dlc": ("u1", 35),
    "id": ("<u4", 36),
    "data": ("<u8", 40),
}
_PLAIN_BYTES = 48
_LOBJ = int.from_bytes(b"LOBJ", "little")
_SHORTEST_RUN = 8


@cache
def _plain_object(size: int) -> np.dtype[Any]:
    return np.dtype(
        {
            "names": list(_PLAIN_FIELDS),
            "formats": [kind for kind, _ in _PLAIN_FIELDS.values()],
            "offsets": [offset for _, offset in _PLAIN_FIELDS.values()],
            "itemsize": size,
        }
    )


class BlfReader:
    """Turns a stream of BLF into blocks; see the module's words."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        self._channels = channels
        self._problems = problems
        self._builder = BlockBuilder()
        self._start_us = 0
        self._skipped: dict[int, int] = {}

    def blocks(self, stream: BinaryIO) -> Iterator[FrameBlock]:
        """Yield the frames of a stream that is at its beginning, up to the place where it is damaged.

        Raises:
            InputError: The header itself is damaged.
        """
        head = stream.read(_FILE_HEADER.size)
        if len(head) < _FILE_HEADER.size or head[:4] != b"LOGG":
            raise InputError(
                "the BLF header is cut off or damaged; record the log again", where=self._channels.path
            )
        fields = _FILE_HEADER.unpack(head)
        stream.read(max(0, fields[1] - _FILE_HEADER.size))
        self._start_us = _systemtime_us(fields[6:14])
        offset = max(fields[1], _FILE_HEADER.size)
        rest = b""
        while base := stream.read(_OBJECT.size):
            if len(base) < _OBJECT.size:
                self._problems.add("truncated_file", "the file ends within an object's header", offset=offset)
                break
            signature, _, _, size, kind = _OBJECT.unpack(base)
            if signature != b"LOBJ" or not _OBJECT.size <= size <= _MOST_OBJECT_BYTES:
                self._problems.add(
                    "damaged_file", "no object begins here; the rest is not read", offset=offset
                )
                break
            body = stream.read(size - _OBJECT.size)
            cut = len(body) < size - _OBJECT.size
            stream.read(size % 4)
            if kind == _CONTAINER:
                data, fault = _unpack_container(body)
                if fault and not cut:
                    self._problems.add(
                        "damaged_file", f"a container cannot be unpacked: {fault}", offset=offset
                    )
                rest = yield from self._container(rest + data, offset)
            elif not cut:
                self._skipped[kind] = self._skipped.get(kind, 0) + 1
            if cut:
                self._problems.add("truncated_file", "the file ends within a container", offset=offset)
                break
            offset += size + size % 4
        else:
            if len(rest) >= _OBJECT.size:
                self._problems.add(
                    "truncated_file", f"{len(rest)} bytes of an unfinished object at the end", offset=offset
                )
            elif offset < fields[2]:
                self._problems.add(
                    "truncated_file",
                    f"the header promises {fields[2]} bytes; the file ends here",
                    offset=offset,
                )
        if len(self._builder):
            yield self._builder.take()
        for kind, count in sorted(self._skipped.items()):
            self._problems.add("skipped_event", f"{count} objects of type {kind}, no frames", count=count)

    def _container(self, data: bytes, offset: int) -> Generator[FrameBlock, None, bytes]:
        """Yield the frames of one container's text; the generator's value is the unfinished rest."""
        at = 0
        while True:
            found = data.find(b"LOBJ", at, at + 8)
            if found < 0:
                if len(data) - at < 8:
                    return data[at:]
                self._problems.add(
                    "damaged_file", "no object where one must begin within a container", offset=offset
                )
                found = data.find(b"LOBJ", at)
                if found < 0:
                    return b""
            at = found
            if len(data) - at < _OBJECT.size:
                return data[at:]
            _, _, version, size, kind = _OBJECT.unpack_from(data, at)
            if not _OBJECT.size <= size <= _MOST_OBJECT_BYTES:
                self._problems.add("damaged_file", f"an object of {size} bytes", offset=offset)
                at += 4
                continue
            if at + size > len(data):
                return data[at:]
            if kind in _MESSAGES and size in (_PLAIN_BYTES, _PLAIN_BYTES + 8) and version == 1:
                run = self._run(data, at, size)
                if run is not None:
                    if len(self._builder):
                        yield self._builder.take()
                    yield from split_block(run)
                    at += len(run) * size
                    continue
            try:
                self._object(data, at, version, size, kind)
            except LineError as error:
                self._problems.add(error.kind, error.detail, offset=offset)
            except (struct.error, IndexError) as error:
                self._problems.add(
                    "damaged_file", f"an object of type {kind} is damaged: {error}", offset=offset
                )
            if self._builder.full:
                yield self._builder.take()
            at += size

    def _run(self, data: bytes, at: int, size: int) -> FrameBlock | None:
        """Return the equal data and remote frames that follow one another from here, if there are several."""
        count = (len(data) - at) // size
        if count < _SHORTEST_RUN:
            return None
        objects: NDArray[Any] = np.frombuffer(data, _plain_object(size), count, at)
        plain = (
            (objects["signature"] == _LOBJ)
            & (objects["size"] == size)
            & (objects["version"] == 1)
            & (objects["type"] == objects["type"][0])
            & (objects["channel"] == objects["channel"][0])
            & ((objects["id"] >= _EXTENDED_BIT) | (objects["id"] < STANDARD_IDS))
        )
        count = count if plain.all() else int(np.argmin(plain))
        if count < _SHORTEST_RUN:
            return None
        objects = objects[:count]
        nanos = np.where(objects["flags"] == _TEN_US, objects["stamp"] * np.uint64(10_000), objects["stamp"])
        remote = objects["way"] & 0x80 != 0
        length = np.minimum(objects["dlc"], CLASSIC_BYTES)
        used = np.where(remote, 0, length).astype(np.uint64)
        # A shift by 64 is no shift at all, so the full payload is a case of its own.
        mask = np.where(used == 8, ~np.uint64(0), (np.uint64(1) << (used % 8 * 8)) - np.uint64(1))
        flags = (
            (objects["id"] >> 31).astype(np.uint8) * np.uint8(Flag.EXTENDED)
            | remote.astype(np.uint8) * np.uint8(Flag.REMOTE)
            | (objects["way"] & 1) * np.uint8(Flag.TX)
        )
        channel = self._channels.of(str(int(objects["channel"][0])))
        return FrameBlock(
            ((nanos + np.uint64(500)) // np.uint64(1000)).astype(np.int64) + self._start_us,
            objects["id"] & np.uint32(EXTENDED_IDS - 1),
            flags,
            length,
            np.full(count, channel, np.uint8),
            (objects["data"] & mask).astype("<u8").view(np.uint8).reshape(count, CLASSIC_BYTES),
        )

    def _object(self, data: bytes, at: int, version: int, size: int, kind: int) -> None:
        if kind not in (*_MESSAGES, _ERROR_FRAME_EXT, _FD, _FD_64, _ERROR_FRAME) or version not in (1, 2):
            self._skipped[kind] = self._skipped.get(kind, 0) + 1
            return
        unit, ticks = _STAMP.unpack_from(data, at + _OBJECT.size)
        nanos = ticks * 10_000 if unit == _TEN_US else ticks
        stamp_us = self._start_us + (nanos + 500) // 1000
        body = at + (32 if version == 1 else 40)
        flags = 0
        if kind == _ERROR_FRAME:
            (channel,) = struct.unpack_from("<H", data, body)
            self._builder.add((stamp_us, 0, Flag.ERROR, 0, self._channels.of(str(channel)), b""))
            return
        if kind in _MESSAGES:
            channel, way, dlc, can_id, payload = _MESSAGE.unpack_from(data, body)
            flags = (Flag.REMOTE if way & 0x80 else 0) | (Flag.TX if way & 1 else 0)
            length = min(dlc, CLASSIC_BYTES)
        elif kind == _ERROR_FRAME_EXT:
            channel, _, _, _, _, dlc, _, can_id, _, payload = _ERROR_EXT.unpack_from(data, body)
            flags = Flag.ERROR
            length = min(dlc, CLASSIC_BYTES)
        elif kind == _FD:
            channel, way, dlc, can_id, _, _, bits, valid, payload = _FD_MESSAGE.unpack_from(data, body)
            flags = (
                (Flag.REMOTE if way & 0x80 else 0)
                | (Flag.TX if way & 1 else 0)
                | _fd_flags(bits & 1, bits & 2, bits & 4)
            )
            length = min(valid, FD_BYTES)
        else:
            fields = _FD_MESSAGE_64.unpack_from(data, body)
            channel, dlc, valid, can_id, bits, way, more = (fields[k] for k in (0, 1, 2, 4, 6, 12, 13))
            flags = (
                (Flag.REMOTE if bits & 0x10 else 0)
                | (Flag.TX if way else 0)
                | _fd_flags(bits & 0x1000, bits & 0x2000, bits & 0x4000)
            )
            length = min(valid, FD_BYTES)
            first = body + _FD_MESSAGE_64.size
            # The length code may promise more than the object holds; what is missing is zero.
            payload = data[first : max(first, min(first + length, at + (more or size)))].ljust(length, b"\0")
        if flags & Flag.REMOTE:
            length = FD_LENGTHS[min(dlc, 15)] if flags & Flag.FD else min(dlc, CLASSIC_BYTES)
            payload = b""
        if not flags & Flag.ERROR:
            if can_id & _EXTENDED_BIT:
                flags |= Flag.EXTENDED
            else:
                check_id(can_id, extended=False)
        channel_index = self._channels.of(str(channel))
        self._builder.add(
            (stamp_us, can_id & (EXTENDED_IDS - 1), flags, length, channel_index, payload[:length])
        )


def _fd_flags(fd: int, brs: int, esi: int) -> int:
    if not fd:
        return 0
    return Flag.FD | (Flag.BRS if brs else 0) | (Flag.ESI if esi else 0)


def _unpack_container(body: bytes) -> tuple[bytes, str]:
    """Return what a container holds, as far as it can be unpacked, and what is wrong with it."""
    if len(body) < 16:
        return b"", "its header is cut off"
    method = int.from_bytes(body[:2], "little")
    if method == 0:
        return body[16:], ""
    if method != 2:
        return b"", f"packing method {method} is unknown"
    unpacker = zlib.decompressobj()
    try:
        data = unpacker.decompress(body[16:])
    except zlib.error as error:
        return b"", str(error)
    return data, "" if unpacker.eof else "its packed data ends too early"


def _systemtime_us(fields: tuple[int, ...]) -> int:
    """Return microseconds since 1970 of year, month, weekday, day, hour, minute, second, millisecond; 0 if unset."""
    year, month, _, day, hour, minute, second, milli = fields
    try:
        moment = datetime(year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError:
        return 0
    return int(moment.timestamp()) * 1_000_000 + milli * 1000


class Mf4Reader:
    """Turns an MF4 file with recorded bus events into blocks; see the module's words."""

    def __init__(self, channels: Channels, problems: Problems) -> None:
        self._channels = channels
        self._problems = problems

    def blocks(self, stream: BinaryIO) -> Iterator[FrameBlock]:
        """Yield the frames of a stream that is at its beginning, ordered by time.

        Raises:
            InputError: asammdf is not installed, or cannot read the file.
        """
        with tempfile.TemporaryDirectory() as folder:
            path = self._channels.path
            with path.open("rb") as plain:
                packed = plain.read(2) == b"\x1f\x8b"
            if packed:
                # asammdf jumps about in the file, so it needs an unpacked one.
                path = Path(folder) / "log.mf4"
                with path.open("wb") as out:
                    shutil.copyfileobj(stream, out, 1 << 20)
            yield from self._blocks(path)

    def _blocks(self, path: Path) -> Iterator[FrameBlock]:
        try:
            from can.io.mf4 import MF4Reader as Library
        except ImportError as error:
            raise InputError(
                f"reading MF4 needs python-can and asammdf: {error}", where=self._channels.path
            ) from None
        builder = BlockBuilder()
        with _no_unraisable():
            reader, said = _open_mf4(Library, path)
        if reader is None:
            raise InputError(
                f"asammdf cannot read it; it is damaged or cut off ({said})", where=self._channels.path
            )
        try:
            messages = iter(reader)
            while True:
                try:
                    message = next(messages)
                except StopIteration:
                    break
                except Exception as error:  # noqa: BLE001 - asammdf has no base class for what damaged files raise
                    self._problems.add("damaged_file", f"asammdf stopped reading: {_said(error)}")
                    break
                try:
                    builder.add(self._frame(message))
                except LineError as error:
                    self._problems.add(error.kind, error.detail)
                if builder.full:
                    yield builder.take()
        finally:
            reader.stop()
        if len(builder):
            yield builder.take()

    def _frame(self, message: Any) -> tuple[int, int, int, int, int, bytes]:
        flags = (
            (Flag.ERROR if message.is_error_frame else Flag.EXTENDED if message.is_extended_id else 0)
            | (Flag.REMOTE if message.is_remote_frame else 0)
            | (0 if message.is_rx else Flag.TX)
            | _fd_flags(message.is_fd, message.bitrate_switch, message.error_state_indicator)
        )
        if not message.is_error_frame:
            check_id(message.arbitration_id, extended=message.is_extended_id)
        channel = NO_CHANNEL if message.channel is None else str(message.channel)
        payload = b"" if message.is_remote_frame else bytes(message.data[:FD_BYTES])
        length = min(message.dlc, CLASSIC_BYTES) if message.is_remote_frame else len(payload)
        return (
            round(message.timestamp * 1e6),
            message.arbitration_id,
            flags,
            length,
            self._channels.of(channel),
            payload,
        )


def _open_mf4(library: type[Any], path: Path) -> tuple[Any, str]:
    """Return the library's reader, or None and what it says against the file."""
    try:
        return library(path), ""
    except Exception as error:  # noqa: BLE001 - asammdf has no base class for what damaged files raise
        return None, _said(error)


def _said(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


@contextmanager
def _no_unraisable() -> Iterator[None]:
    """Keep Python from printing what asammdf's finaliser raises after its constructor has failed."""
    before = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        yield
        # The half-made object is in a cycle with its own locks.
        gc.collect()
    finally:
        sys.unraisablehook = before
