"""Checksums of CAN messages, many frames at a time.

SAE J1850: polynomial 0x1D, start 0xFF, final xor 0xFF. AUTOSAR "8H2F": polynomial 0x2F, start 0xFF, final xor 0xFF.
AUTOSAR end-to-end profile 1: polynomial 0x1D with effective start and final xor 0, over the data id (low byte first)
and then the data without the checksum byte; counter 0 to 14. Profile 2: 8H2F over the data without the checksum byte
and then the data id that belongs to the counter; counter 0 to 15. In both the checksum is byte 0 and the counter the
low nibble of byte 1. [S] AUTOSAR "Specification of CRC Routines" and "E2E Protocol Specification".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

J1850_POLYNOMIAL = 0x1D
H2F_POLYNOMIAL = 0x2F


def _table(polynomial: int) -> NDArray[np.uint8]:
    values = np.arange(256)
    for _ in range(8):
        values = np.where(values & 0x80, (values << 1) ^ polynomial, values << 1) & 0xFF
    return values.astype(np.uint8)


TABLES = {polynomial: _table(polynomial) for polynomial in (J1850_POLYNOMIAL, H2F_POLYNOMIAL)}


def crc8(
    rows: NDArray[np.uint8], polynomial: int, *, start: int = 0xFF, final: int = 0xFF
) -> NDArray[np.uint8]:
    """Return the CRC of each row of bytes (n, bytes), most significant bit first."""
    table = TABLES[polynomial]
    value = np.full(len(rows), start, np.uint8)
    for column in range(rows.shape[1]):
        value = table[value ^ rows[:, column]]
    return value ^ np.uint8(final)


@dataclass(frozen=True, slots=True)
class Checksum:
    """A checksum of one byte over a frame's payload.

    Attributes:
        byte: where it is; it covers all other bytes, in ascending order.
        polynomial: of the CRC.
        start, final: first value of the register, and what it is xor-ed with at the end.
        before: bytes that are taken in ahead of the payload.
        after: one byte for each count of the counter in the low nibble of byte 1, taken in behind the payload.

    """

    byte: int
    polynomial: int
    start: int = 0xFF
    final: int = 0xFF
    before: bytes = b""
    after: bytes = b""

    def write(self, data: NDArray[np.uint8]) -> None:
        """Write the checksum into each payload (n, length)."""
        ahead = np.broadcast_to(np.frombuffer(self.before, np.uint8), (len(data), len(self.before)))
        parts = [ahead, np.delete(data, self.byte, axis=1)]
        if self.after:
            parts.append(np.frombuffer(self.after, np.uint8)[data[:, 1] & 0x0F][:, None])
        data[:, self.byte] = crc8(np.hstack(parts), self.polynomial, start=self.start, final=self.final)


def plain(byte: int, polynomial: int) -> Checksum:
    """Return the CRC over all other bytes."""
    return Checksum(byte, polynomial)


def profile_1(data_id: int) -> Checksum:
    """Return the checksum of end-to-end profile 1, with both bytes of the data id in it."""
    return Checksum(0, J1850_POLYNOMIAL, 0, 0, before=data_id.to_bytes(2, "little"))


def profile_2(data_ids: Sequence[int]) -> Checksum:
    """Return the checksum of end-to-end profile 2, with a data id for each of 16 counts."""
    return Checksum(0, H2F_POLYNOMIAL, after=bytes(data_ids))
