"""Check values: two 8-bit tables for frames, CRC-32 for images.

8 bits, polynomial 0x1D: SAE J1850 and AUTOSAR CRC8. 8 bits, polynomial 0x2F: AUTOSAR CRC8H2F.
"""

import binascii
from array import array

from micropython import const

_POLY_1D = const(0x1D)
_POLY_2F = const(0x2F)


def crc8_tables() -> bytearray:
    """Give 512 bytes: the table of 0x1D, then that of 0x2F."""
    tables = bytearray(512)
    for base, poly in ((0, _POLY_1D), (256, _POLY_2F)):
        for value in range(256):
            crc = value
            for _ in range(8):
                crc = (crc << 1) ^ poly if crc & 0x80 else crc << 1
                crc &= 0xFF
            tables[base + value] = crc
    return tables


def crc32(data: "bytes | bytearray | memoryview | array[int]", crc: int = 0) -> int:
    """CRC-32 of ISO 3309, as in Ethernet and zlib; feed the result back in to go on."""
    return binascii.crc32(data, crc)
