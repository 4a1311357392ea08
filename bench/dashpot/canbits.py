"""How many bits a classic CAN frame takes on the wire, stuff bits and intermission counted exactly.

A frame from start of frame to the end of the CRC sequence has 34 + 8 s bits (extended 54 + 8 s) with s payload
bytes; after five equal bits there follows a stuff bit of the other value, which itself counts for the next five
[S ISO 11898-1]. CRC delimiter, acknowledge slot and delimiter, end of frame and intermission add 13 bits without
stuffing, so a frame has 47 + 8 s to 55 + 10 s bits, extended 67 + 8 s to 80 + 10 s [S Davis, Burns, Bril, Lukkien 2007].

FD frames are not counted here: their two bit rates and their own stuffing would need the data phase's bit rate,
which no log records. Callers count them apart; `classic_frames` says which frames are countable.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from dashpot.logs.frames import CLASSIC_BYTES, Flag, FrameBlock

CRC_POLYNOMIAL = 0x4599
CRC_BITS = 15
#: CRC delimiter 1, acknowledge 2, end of frame 7, intermission 3.
UNSTUFFED_BITS = 13
#: Start of frame, identifier, remote, extension and reserved bits, length code; standard and extended.
HEADER_BITS = (19, 39)

_STUFF_AFTER = 5


def frame_bits(can_id: int, data: bytes, *, extended: bool = False, remote_length: int | None = None) -> int:
    """Return the bits of one classic frame with its 3-bit intermission, computed bit by bit.

    Args:
        can_id: 11 bits, or 29 if extended.
        data: 0 to 8 bytes; none for a remote frame.
        extended: Whether the identifier has 29 bits.
        remote_length: The length that a remote frame asks for; None for a data frame.
    """
    bits = stuffed_part(can_id, data, extended=extended, remote_length=remote_length)
    stuffing = 0
    last, run = 1, 0
    for bit in bits:
        run = run + 1 if bit == last else 1
        last = bit
        if run == _STUFF_AFTER:
            stuffing += 1
            last, run = 1 - bit, 1
    return len(bits) + stuffing + UNSTUFFED_BITS


def stuffed_part(can_id: int, data: bytes, *, extended: bool, remote_length: int | None) -> list[int]:
    """Return the bits from start of frame to the end of the CRC sequence, before stuffing."""
    remote = int(remote_length is not None)
    length = len(data) if remote_length is None else remote_length
    if extended:
        head = [*_bits(can_id >> 18, 11), 1, 1, *_bits(can_id & 0x3FFFF, 18), remote, 0, 0]
    else:
        head = [*_bits(can_id, 11), remote, 0, 0]
    bits = [0, *head, *_bits(length, 4)]
    for byte in data:
        bits += _bits(byte, 8)
    return bits + _bits(crc15(bits), CRC_BITS)


def crc15(bits: list[int]) -> int:
    """Return the CRC sequence over the bits from start of frame to the end of the payload."""
    crc = 0
    for bit in bits:
        feedback = bit ^ (crc >> (CRC_BITS - 1))
        crc = (crc << 1) & 0x7FFF
        if feedback:
            crc ^= CRC_POLYNOMIAL
    return crc


def _bits(value: int, count: int) -> list[int]:
    return [value >> k & 1 for k in range(count - 1, -1, -1)]


def classic_frames(block: FrameBlock) -> NDArray[np.bool_]:
    """Return which frames of a block are classic data or remote frames, the ones that can be counted."""
    classic: NDArray[np.bool_] = block.flags & np.uint8(Flag.ERROR | Flag.FD) == 0
    return classic


def block_bits(block: FrameBlock) -> NDArray[np.int64]:
    """Return for each frame of a block what `frame_bits` returns, int64[n]; 0 for error and FD frames."""
    bits = np.zeros(len(block), np.int64)
    remote = block.flags & np.uint8(Flag.REMOTE) != 0
    payload = np.where(remote, 0, block.length)
    extended = block.flags & np.uint8(Flag.EXTENDED) != 0
    # One group for each number of bytes on the wire, so that all frames of a group go in step.
    group = np.where(classic_frames(block), 2 * payload.astype(np.int64) + extended, -1)
    counts = np.bincount(group + 1, minlength=1)
    for key in np.flatnonzero(counts[1:]).tolist():
        rows = np.flatnonzero(group == key) if counts[key + 1] < len(block) else slice(None)
        bits[rows] = _group_bits(
            block.can_id[rows],
            remote[rows],
            block.length[rows],
            block.data[rows, : key // 2],
            extended=bool(key % 2),
        )
    return bits


def _group_bits(
    can_id: NDArray[np.uint32],
    remote: NDArray[np.bool_],
    length: NDArray[np.uint8],
    data: NDArray[np.uint8],
    *,
    extended: bool,
) -> NDArray[np.int64]:
    """Return the bits of frames that share identifier width and payload length (the columns of `data`)."""
    count, size = data.shape
    wide_id = can_id.astype(np.uint64)
    is_remote = remote.astype(np.uint64)
    if extended:
        head = wide_id >> np.uint64(18) << np.uint64(20) | np.uint64(3 << 18) | wide_id & np.uint64(0x3FFFF)
        head = (head << np.uint64(3) | is_remote << np.uint64(2)) << np.uint64(4)
    else:
        head = (wide_id << np.uint64(3) | is_remote << np.uint64(2)) << np.uint64(4)
    head |= np.minimum(length, CLASSIC_BYTES).astype(np.uint64)
    head_bits = HEADER_BITS[extended]
    # The CRC starts at 0, so zeros in front change nothing: whole bytes can be taken.
    table = _crc_table()
    crc = np.zeros(count, np.uint16)
    for shift in range(-(-head_bits // 8) * 8 - 8, -1, -8):
        byte = (head >> np.uint64(shift)).astype(np.uint8)
        crc = (crc << np.uint16(8)) & np.uint16(0x7FFF) ^ table[byte ^ (crc >> np.uint16(7)).astype(np.uint8)]
    for column in range(size):
        crc = (crc << np.uint16(8)) & np.uint16(0x7FFF) ^ table[
            data[:, column] ^ (crc >> np.uint16(7)).astype(np.uint8)
        ]

    # Stuffing wants whole bytes as well: alternating bits in front, the last one recessive like the idle bus
    # before the start of frame, add no run to it.
    pad = -(head_bits + CRC_BITS) % 8
    stream = np.uint64(0b01010101 & (1 << pad) - 1) << np.uint64(head_bits) | head
    stream_bits = pad + head_bits
    counter = _StuffCounter(count)
    # The header ends within a byte, as the CRC has 15 bits: one bit of it goes with the payload's first.
    left = stream_bits % 8
    for shift in range(stream_bits - 8, left - 1, -8):
        counter.feed((stream >> np.uint64(shift)).astype(np.uint8))
    carry = (stream & np.uint64((1 << left) - 1)).astype(np.uint16)
    for column in range(size):
        pair = carry << np.uint16(8) | data[:, column]
        counter.feed((pair >> np.uint16(left)).astype(np.uint8))
        carry = pair & np.uint16((1 << left) - 1)
    tail = carry.astype(np.uint32) << np.uint32(CRC_BITS) | crc
    counter.feed((tail >> np.uint32(8)).astype(np.uint8))
    counter.feed(tail.astype(np.uint8))
    counter.stuffing += head_bits + 8 * size + CRC_BITS + UNSTUFFED_BITS
    return counter.stuffing


class _StuffCounter:
    """Counts stuff bits of many streams at once, a byte of each at a time."""

    def __init__(self, count: int) -> None:
        # The state is 2 * (run length) + last bit, times 256.
        self._state = np.zeros(count, np.int32)
        self.stuffing = np.zeros(count, np.int64)
        self._next, self._added = _stuff_tables()

    def feed(self, byte: NDArray[np.uint8]) -> None:
        at = self._state + byte
        self._state = self._next[at]
        self.stuffing += self._added[at]


@cache
def _crc_table() -> NDArray[np.uint16]:
    """Return the CRC of each byte, for a register whose top eight bits were xor-ed in."""
    return np.array([crc15(_bits(byte, 8)) for byte in range(256)], np.uint16)


@cache
def _stuff_tables() -> tuple[NDArray[np.int32], NDArray[np.uint8]]:
    """Return next state and added stuff bits by state and byte."""
    following = np.zeros(2 * _STUFF_AFTER * 256, np.int32)
    added = np.zeros(len(following), np.uint8)
    for state in range(2 * _STUFF_AFTER):
        for byte in range(256):
            run, last, stuffing = state // 2, state % 2, 0
            for bit in _bits(byte, 8):
                run = run + 1 if bit == last else 1
                last = bit
                if run == _STUFF_AFTER:
                    stuffing += 1
                    last, run = 1 - bit, 1
            following[256 * state + byte] = 256 * (2 * run + last)
            added[256 * state + byte] = stuffing
    return following, added
