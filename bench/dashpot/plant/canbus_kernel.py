"""The bus while the plant runs, compiled: live readings into payloads, then arbitration up to a time.

dashpot.plant.canbus packs the tables; the constants below name their places.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.compiled import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Floats

    Bytes = NDArray[np.uint8]
    Longs = NDArray[np.int64]
    Words = NDArray[np.int32]

# State of the bus: when it is free, frames on the wire or through, frames handed over, of them in the last call,
# end of the first one.
FREE_US, SENT, DELIVERED, FRESH, FIRST_US = range(5)
STATE_WORDS = 5

# A message: its next frame for the bus, its next one to finish, the last one's successor; what it is; its live fields.
(
    NEXT, MADE, STOP, FIRST, PRIORITY, CAN_ID, EXTENDED, KEY, LENGTH, MUX_COUNT, FIELD_FIRST, FIELD_STOP, CRC_BYTE,
    CRC_TABLE, CRC_START, CRC_FINAL, CRC_AFTER,
) = range(17)  # fmt: skip
HEAD_WORDS = 17

# A live signal: where its reading is, what of it, with which multiplexer, counts, and its bits from the lowest.
COLUMN, PART, MUX, LOW, HIGH, BITS, PLACE = range(7)
FIELD_WORDS = PLACE + 64
VALUE, MAGNITUDE, SIGN = range(3)

CRC_POLYNOMIAL = 0x4599
CRC_BITS = 15
STUFF_AFTER = 5
UNSTUFFED_BITS = 13
INTERMISSION_BITS = 3


@compiled
def finish(data: Bytes, head: Longs, after: Bytes, tables: Bytes) -> None:
    """Write the checksum into a payload, if it has one."""
    where = head[CRC_BYTE]
    if where < 0:
        return
    table = tables[head[CRC_TABLE]]
    crc = head[CRC_START]
    for byte in range(head[LENGTH]):
        if byte != where:
            crc = np.int64(table[crc ^ data[byte]])
    if head[CRC_AFTER]:
        crc = np.int64(table[crc ^ after[data[1] & 0x0F]])
    data[where] = crc ^ head[CRC_FINAL]


@compiled
def bits_of(data: Bytes, head: Longs) -> int:
    """Return the bits of a data frame with stuffing and intermission, as dashpot.canbits.frame_bits does."""
    length = head[LENGTH]
    can_id = head[CAN_ID]
    if head[EXTENDED]:
        header = ((can_id >> 18 << 20 | 3 << 18 | can_id & 0x3FFFF) << 3) << 4 | length
        header_bits = 39
    else:
        header = can_id << 3 << 4 | length
        header_bits = 19
    plain = header_bits + 8 * length
    crc, run, last, stuffing = 0, 0, 1, 0
    for place in range(plain + CRC_BITS):
        if place < header_bits:
            bit = header >> (header_bits - 1 - place) & 1
        elif place < plain:
            bit = np.int64(data[(place - header_bits) >> 3]) >> (7 - (place - header_bits & 7)) & 1
        else:
            bit = crc >> (CRC_BITS - 1 - (place - plain)) & 1
        if place < plain:
            feedback = bit ^ crc >> (CRC_BITS - 1)
            crc = crc << 1 & 0x7FFF
            if feedback:
                crc ^= CRC_POLYNOMIAL
        run = run + 1 if bit == last else 1
        last = bit
        if run == STUFF_AFTER:
            stuffing += 1
            last = 1 - bit
            run = 1
    bits: int = plain + CRC_BITS + stuffing + UNSTUFFED_BITS
    return bits


@compiled
def fill(data: Bytes, number: int, readings: Floats, head: Longs, fields: Longs, scales: Floats) -> None:
    """Write the live signals of a message's frame of a number into its payload."""
    for f in range(head[FIELD_FIRST], head[FIELD_STOP]):
        field = fields[f]
        if field[MUX] >= 0 and number % head[MUX_COUNT] != field[MUX]:
            continue
        value = readings[field[COLUMN]]
        if field[PART] == MAGNITUDE:
            value = abs(value)
        elif field[PART] == SIGN:
            value = 1.0 if value < 0.0 else 0.0
        exact = np.rint((value - scales[f, 1]) / scales[f, 0])
        count = np.int64(min(max(exact, np.float64(field[LOW])), np.float64(field[HIGH])))
        for bit in range(field[BITS]):
            place = field[PLACE + bit]
            data[place >> 3] |= np.uint8((count >> bit & 1) << (place & 7))


@compiled
def make(
    now_us: int,
    live: Floats,
    first_us: int,
    step_us: int,
    before: Floats,
    sample_us: Longs,
    data: Bytes,
    bits: Longs,
    head: Longs,
    after: Bytes,
    fields: Longs,
    scales: Floats,
    tables: Bytes,
) -> None:
    """Finish the frames with live readings whose samples lie up to a time; arguments as `advance` has them."""
    count = live.shape[0]
    for m in range(head.shape[0]):
        own = head[m]
        if own[FIELD_FIRST] == own[FIELD_STOP]:
            continue
        while own[MADE] < own[STOP] and sample_us[own[MADE]] <= now_us:
            frame = own[MADE]
            at = (sample_us[frame] - first_us) // step_us
            readings = before if at < 0 else live[min(at, count - 1)]
            fill(data[frame], frame - own[FIRST], readings, own, fields, scales)
            finish(data[frame], own, after[m], tables)
            bits[frame] = bits_of(data[frame], own)
            own[MADE] += 1
    before[:] = live[count - 1]


@compiled
def next_start(release_us: Longs, head: Longs, state: Longs) -> int:
    """Return when the next frame can start, -1 where none is left."""
    earliest = np.int64(-1)
    for m in range(head.shape[0]):
        if head[m, NEXT] < head[m, STOP]:
            waits_us = release_us[head[m, NEXT]]
            if earliest < 0 or waits_us < earliest:
                earliest = waits_us
    return int(max(state[FREE_US], earliest)) if earliest >= 0 else -1


@compiled
def winner_at(start_us: int, release_us: Longs, head: Longs) -> int:
    """Return the message that wins the bus of those that wait at a time."""
    winner = -1
    for m in range(head.shape[0]):
        waiting = head[m, NEXT] < head[m, STOP] and release_us[head[m, NEXT]] <= start_us
        if waiting and (winner < 0 or head[m, PRIORITY] < head[winner, PRIORITY]):
            winner = m
    return winner


@compiled
def write_row(
    row: Words,
    frame: int,
    data: Bytes,
    done_us: Longs,
    head: Longs,
    state: Longs,
    start_us: int,
    clock_mask: int,
) -> None:
    """Write a frame as a target takes it: stamp, key, length, payload in two words."""
    m = np.searchsorted(head[:, STOP], frame, side="right")
    row[0] = (done_us[frame] - state[FIRST_US] + start_us) & clock_mask
    row[1] = head[m, KEY]
    row[2] = head[m, LENGTH]
    for word in range(2):
        packed = np.uint32(0)
        for byte in range(4):
            packed |= np.uint32(data[frame, 4 * word + byte]) << np.uint32(8 * byte)
        row[3 + word] = np.int32(packed)


@compiled
def advance(
    now_us: int,
    live: Floats,
    first_us: int,
    step_us: int,
    before: Floats,
    sample_us: Longs,
    release_us: Longs,
    data: Bytes,
    bits: Longs,
    done_us: Longs,
    order: Longs,
    head: Longs,
    after: Bytes,
    fields: Longs,
    scales: Floats,
    tables: Bytes,
    state: Longs,
    rows: Words,
    bit_us: int,
    start_us: int,
    clock_mask: int,
) -> None:
    """Finish the frames whose samples lie up to a time, let the bus run until then, and hand over what got through.

    Shapes: live (m, columns) at first_us + k step_us, before (columns,) the reading ahead of it, which becomes the
    newest; sample_us, release_us, bits, done_us, order (n,) and data (n, 8) over all frames, head (messages, 17),
    after (messages, 16), fields (fields, 71), scales (fields, 2: scale and offset), state (5,), rows (capacity, 5:
    stamp, key, length, payload). Whenever the bus is free, the waiting frame of the lowest priority value goes;
    nothing interrupts it. A frame that ends after now is on the wire and handed over by a later call.
    """
    make(
        now_us, live, first_us, step_us, before, sample_us, data, bits, head, after, fields, scales, tables,
    )  # fmt: skip
    while True:
        start = next_start(release_us, head, state)
        if start < 0 or start > now_us:
            break
        winner = winner_at(start, release_us, head)
        frame = head[winner, NEXT]
        head[winner, NEXT] += 1
        state[FREE_US] = start + bits[frame] * bit_us
        done_us[frame] = state[FREE_US] - INTERMISSION_BITS * bit_us
        order[state[SENT]] = frame
        if state[SENT] == 0:
            state[FIRST_US] = done_us[frame]
        state[SENT] += 1
    fresh = 0
    while state[DELIVERED] < state[SENT] and done_us[order[state[DELIVERED]]] <= now_us:
        if fresh < rows.shape[0]:
            write_row(rows[fresh], order[state[DELIVERED]], data, done_us, head, state, start_us, clock_mask)
        state[DELIVERED] += 1
        fresh += 1
    state[FRESH] = fresh
