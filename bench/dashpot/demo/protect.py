"""Counters and checksums of the demo bus, many frames at a time.

SAE J1850: polynomial 0x1D, start 0xFF, final xor 0xFF. AUTOSAR "8H2F": polynomial 0x2F, start 0xFF, final xor 0xFF.
AUTOSAR end-to-end profile 1: polynomial 0x1D with effective start and final xor 0, over the data id (low byte first)
and then the data without the checksum byte; counter 0 to 14. Profile 2: 8H2F over the data without the checksum byte
and then the data id that belongs to the counter; counter 0 to 15. In both the checksum is byte 0 and the counter the
low nibble of byte 1. [S] AUTOSAR "Specification of CRC Routines" and "E2E Protocol Specification".
"""

from __future__ import annotations

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


_TABLES = {polynomial: _table(polynomial) for polynomial in (J1850_POLYNOMIAL, H2F_POLYNOMIAL)}


def crc8(
    rows: NDArray[np.uint8], polynomial: int, *, start: int = 0xFF, final: int = 0xFF
) -> NDArray[np.uint8]:
    """Return the CRC of each row of bytes (n, bytes), most significant bit first."""
    table = _TABLES[polynomial]
    value = np.full(len(rows), start, np.uint8)
    for column in range(rows.shape[1]):
        value = table[value ^ rows[:, column]]
    return value ^ np.uint8(final)


def protect_plain(data: NDArray[np.uint8], crc_byte: int, polynomial: int) -> None:
    """Write the CRC over all other bytes, in ascending order, into `crc_byte` of each row."""
    data[:, crc_byte] = crc8(np.delete(data, crc_byte, axis=1), polynomial)


def protect_profile_1(data: NDArray[np.uint8], data_id: int) -> None:
    """Write the checksum of end-to-end profile 1, both bytes of the data id in it, into byte 0 of each row."""
    data_id_rows = np.tile(np.array([data_id & 0xFF, data_id >> 8], np.uint8), (len(data), 1))
    data[:, 0] = crc8(np.hstack((data_id_rows, data[:, 1:])), J1850_POLYNOMIAL, start=0, final=0)


def protect_profile_2(data: NDArray[np.uint8], data_ids: Sequence[int]) -> None:
    """Write the checksum of end-to-end profile 2 into byte 0 of each row, by the counter in byte 1."""
    chosen = np.array(data_ids, np.uint8)[data[:, 1] & 0x0F]
    data[:, 0] = crc8(np.column_stack((data[:, 1:], chosen)), H2F_POLYNOMIAL)
