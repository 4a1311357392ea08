"""The periodic check of the image in memory: a few words each tick, all of it in well under a second.

CRC-32 as in `crc`, by a table of 256 words; it is kept inverted between ticks, as the algorithm has it inside.
"""

from array import array

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_SUSPECT = const(283)
_S_MEMORY_AT = const(486)
_S_MEMORY_CRC = const(487)
_S_MEMORY_EXPECTED = const(488)
_CHECK_MEMORY = const(40)
# layout: end

# Of CRC-32, reflected, without its top bit.
_POLYNOMIAL = const(0x6DB88320)
_WORDS = const(8)


def crc32_table() -> "array[int]":
    """Make the table of the reflected CRC-32."""
    top = 1 << 31
    table = array("i", bytes(4 * 256))
    for index in range(256):
        crc = index
        for _ in range(8):
            crc = crc >> 1 ^ (_POLYNOMIAL | top) if crc & 1 else crc >> 1
        table[index] = (crc ^ top) - top
    return table


@micropython.viper
def patrol(image: ptr32, words: int, table: ptr32, state: ptr32):
    """Take the next words of the image into the CRC, and compare it at the end."""
    at = state[_S_MEMORY_AT]
    crc = state[_S_MEMORY_CRC]
    for _ in range(_WORDS):
        crc ^= image[at]
        crc = table[crc & 0xFF] ^ (crc >> 8 & 0xFFFFFF)
        crc = table[crc & 0xFF] ^ (crc >> 8 & 0xFFFFFF)
        crc = table[crc & 0xFF] ^ (crc >> 8 & 0xFFFFFF)
        crc = table[crc & 0xFF] ^ (crc >> 8 & 0xFFFFFF)
        at += 1
        if at == words:
            state[_S_SUSPECT + _CHECK_MEMORY] = 0
            if crc != state[_S_MEMORY_EXPECTED]:
                state[_S_SUSPECT + _CHECK_MEMORY] = 1
            at = 0
            crc = 0 - 1
            state[_S_MEMORY_CRC] = crc
            crc = state[_S_MEMORY_CRC]
    state[_S_MEMORY_AT] = at
    state[_S_MEMORY_CRC] = crc
