"""First stage: frames out of the ring, checked and decoded by the image's tables.

Signed words: a 32-bit load fills the board's word with the sign and the desktop's 64-bit word with zeros, so each load
that may be negative is written `x << pad >> pad`, with pad 0 on the board and 32 on the desktop.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_NOW_US = const(0)
_S_DT_US = const(1)
_S_FAULTS = const(4)
_S_FRAMES_USED = const(9)
_S_FRAMES_UNKNOWN = const(10)
_S_FRAMES_BAD = const(11)
_S_SIGNALS_BAD = const(12)
_S_PAD = const(101)
_S_VALUE = const(103)
_S_AGE_US = const(121)
_S_GOOD_RUN = const(139)
_S_FRESH = const(157)
_S_STAMP_US = const(193)
_C_MESSAGES_AT = const(1)
_C_MESSAGES_COUNT = const(2)
_C_SIGNALS_AT = const(3)
_C_CHANNEL_ROWS = const(6)
_N_CHANNELS = const(18)
_N_CHANNEL_ROW = const(9)
_N_MESSAGE = const(21)
_N_SIGNAL = const(24)
_N_RECEIVED = const(3)
_N_RING = const(4)
_N_FRAME = const(5)
_CHANNEL_ROW_RATE_100MS = const(5)
_CHANNEL_ROW_RATE_FLOOR_US = const(6)
_MESSAGE_KEY = const(0)
_MESSAGE_LENGTH = const(1)
_MESSAGE_FIRST_SIGNAL = const(2)
_MESSAGE_SIGNAL_COUNT = const(3)
_MESSAGE_CRC_KIND = const(4)
_MESSAGE_CRC_BYTE = const(5)
_MESSAGE_CRC_TABLE = const(6)
_MESSAGE_CRC_INIT = const(7)
_MESSAGE_CRC_XOR = const(8)
_MESSAGE_DATA_ID = const(9)
_MESSAGE_DATA_IDS = const(10)
_MESSAGE_COUNTER_MODULO = const(11)
_MESSAGE_COUNTER_BYTE = const(12)
_MESSAGE_COUNTER_SHIFT = const(13)
_MESSAGE_COUNTER_MASK = const(14)
_MESSAGE_COUNTER_MAX_DELTA = const(15)
_MESSAGE_MUX_COUNT = const(16)
_MESSAGE_MUX_FIRST = const(17)
_MESSAGE_MUX_STEP = const(18)
_MESSAGE_MUX_SHIFT = const(19)
_MESSAGE_MUX_MASK = const(20)
_SIGNAL_CHANNEL = const(0)
_SIGNAL_MUX_VALUE = const(1)
_SIGNAL_STEP = const(2)
_SIGNAL_FIRST = const(3)
_SIGNAL_COUNT = const(4)
_SIGNAL_SHIFT = const(5)
_SIGNAL_MASK = const(6)
_SIGNAL_FLIP = const(7)
_SIGNAL_LESS = const(8)
_SIGNAL_LOW_COUNT = const(9)
_SIGNAL_LOW_FIRST = const(10)
_SIGNAL_LOW_SHIFT = const(11)
_SIGNAL_SIGN_MASK = const(12)
_SIGNAL_SIGN_BYTE = const(13)
_SIGNAL_HAS_INVALID = const(14)
_SIGNAL_INVALID = const(15)
_SIGNAL_CLIP_LOW = const(16)
_SIGNAL_CLIP_HIGH = const(17)
_SIGNAL_NUM = const(18)
_SIGNAL_DEN = const(19)
_SIGNAL_HALF = const(20)
_SIGNAL_OFFSET = const(21)
_SIGNAL_RANGE_LOW = const(22)
_SIGNAL_RANGE_HIGH = const(23)
_RECEIVED_GOOD = const(0)
_RECEIVED_BAD = const(1)
_RECEIVED_LAST_COUNTER = const(2)
_RING_HEAD = const(0)
_RING_TAIL = const(1)
_RING_OVERFLOW = const(2)
_RING_MASK = const(3)
_FRAME_STAMP_US = const(0)
_FRAME_KEY = const(1)
_FRAME_LENGTH = const(2)
_FRAME_DATA = const(3)
_FAULT_RING_OVERFLOW = const(1)
_FAULT_FRAME_BAD = const(16)
_FAULT_SIGNAL_BAD = const(32)
_FAULT_SIGNAL_RATE = const(512)
_CRC_E2E_P1 = const(3)
_CRC_E2E_P2 = const(4)
# layout: end

_CLOCK_MASK = const(0x3FFFFFFF)  # the microsecond clock wraps at 2**30
_CLOCK_HALF = const(0x20000000)
_AGE_MAX_US = const(0x10000000)  # ages stop here, 268 s, far past every timeout
_RUN_MAX = const(0x7FFF)
_COUNT_MAX = const(0x3FFFFFFF)
_RATE_SPAN_US = const(100_000)
_RATE_SPAN_128US = const(781)  # the same in steps of 128 us, so that a rate times a time stays below 2**30


@micropython.viper
def drain(image: ptr32, state: ptr32, ring: ptr32, received: ptr32, crc_tables: ptr8):
    """Let every channel grow older, then take each waiting frame: find its message, check it, write its channels.

    A frame that fails its length, checksum or counter, and a value that is an invalid code or out of range, counts
    and changes nothing else.
    """
    pad = state[_S_PAD]
    now = state[_S_NOW_US]
    dt = state[_S_DT_US]
    faults = 0
    own = state
    for _ in range(_N_CHANNELS):
        own[_S_FRESH] = 0
        age = own[_S_AGE_US] + dt
        if age > _AGE_MAX_US:
            age = _AGE_MAX_US
        own[_S_AGE_US] = age
        own = ptr32(uint(own) + 4)
    messages = image[_C_MESSAGES_AT]
    signals = image[_C_SIGNALS_AT]
    if ring[_RING_OVERFLOW]:
        faults |= _FAULT_RING_OVERFLOW
        ring[_RING_OVERFLOW] = 0
    byte = ptr8(ring)
    head = ring[_RING_HEAD]
    tail = ring[_RING_TAIL]
    mask = ring[_RING_MASK]
    while tail != head:
        at = _N_RING + (tail & mask) * _N_FRAME
        frame = ptr32(uint(ring) + (at << 2))
        data = ptr8(uint(byte) + (at + _FRAME_DATA << 2))
        tail = (tail + 1) & _CLOCK_MASK
        key = frame[_FRAME_KEY]

        low = 0
        high = image[_C_MESSAGES_COUNT]
        while low < high:
            middle = (low + high) >> 1
            if image[messages + middle * _N_MESSAGE] < key:
                low = middle + 1
            else:
                high = middle
        row = ptr32(uint(image) + (messages + low * _N_MESSAGE << 2))
        if low >= image[_C_MESSAGES_COUNT] or row[_MESSAGE_KEY] != key:
            state[_S_FRAMES_UNKNOWN] = (state[_S_FRAMES_UNKNOWN] + 1) & _COUNT_MAX
            continue
        tally = ptr32(uint(received) + (low * _N_RECEIVED << 2))

        good = 1
        length = row[_MESSAGE_LENGTH]
        if frame[_FRAME_LENGTH] < length:
            good = 0

        modulo = row[_MESSAGE_COUNTER_MODULO]
        counter = 0
        if good and modulo:
            counter = data[row[_MESSAGE_COUNTER_BYTE]] >> row[_MESSAGE_COUNTER_SHIFT]
            counter &= row[_MESSAGE_COUNTER_MASK]
            if counter >= modulo:
                good = 0

        kind = row[_MESSAGE_CRC_KIND]
        if good and kind:
            table = ptr8(uint(crc_tables) + row[_MESSAGE_CRC_TABLE])
            crc_byte = row[_MESSAGE_CRC_BYTE]
            crc = row[_MESSAGE_CRC_INIT]
            if kind == _CRC_E2E_P1:
                data_id = row[_MESSAGE_DATA_ID]
                crc = table[crc ^ (data_id & 0xFF)]
                crc = table[crc ^ (data_id >> 8)]
            for i in range(length):
                if i != crc_byte:
                    crc = table[crc ^ data[i]]
            if kind == _CRC_E2E_P2:
                crc = table[crc ^ image[row[_MESSAGE_DATA_IDS] + counter]]
            if crc ^ row[_MESSAGE_CRC_XOR] != data[crc_byte]:
                good = 0

        if good and modulo:
            # Delta 0 is a repetition; past the cap the sequence is wrong, and counting starts anew from here.
            last = tally[_RECEIVED_LAST_COUNTER] << pad >> pad
            tally[_RECEIVED_LAST_COUNTER] = counter
            if last >= 0:
                delta = counter - last
                if delta < 0:
                    delta += modulo
                if delta == 0 or delta > row[_MESSAGE_COUNTER_MAX_DELTA]:
                    good = 0

        if not good:
            tally[_RECEIVED_BAD] = (tally[_RECEIVED_BAD] + 1) & _COUNT_MAX
            state[_S_FRAMES_BAD] = (state[_S_FRAMES_BAD] + 1) & _COUNT_MAX
            faults |= _FAULT_FRAME_BAD
            continue
        tally[_RECEIVED_GOOD] = (tally[_RECEIVED_GOOD] + 1) & _COUNT_MAX
        state[_S_FRAMES_USED] = (state[_S_FRAMES_USED] + 1) & _COUNT_MAX

        stamp = frame[_FRAME_STAMP_US]
        age = (now - stamp) & _CLOCK_MASK
        if age >= _CLOCK_HALF:
            age = 0
        elif age > _AGE_MAX_US:
            age = _AGE_MAX_US

        chosen = 0
        count = row[_MESSAGE_MUX_COUNT]
        if count:
            at = row[_MESSAGE_MUX_FIRST]
            step = row[_MESSAGE_MUX_STEP] << pad >> pad
            for _ in range(count):
                chosen = chosen << 8 | data[at]
                at += step
            chosen = chosen >> row[_MESSAGE_MUX_SHIFT] & row[_MESSAGE_MUX_MASK]

        count = row[_MESSAGE_SIGNAL_COUNT]
        row = ptr32(uint(image) + (signals + row[_MESSAGE_FIRST_SIGNAL] * _N_SIGNAL << 2))
        for _ in range(count):
            wanted = row[_SIGNAL_MUX_VALUE] << pad >> pad
            if wanted < 0 or wanted == chosen:
                channel = row[_SIGNAL_CHANNEL]
                own = ptr32(uint(state) + (channel << 2))
                step = row[_SIGNAL_STEP] << pad >> pad
                at = row[_SIGNAL_FIRST]
                raw = 0
                for _ in range(row[_SIGNAL_COUNT]):
                    raw = raw << 8 | data[at]
                    at += step
                raw = raw >> row[_SIGNAL_SHIFT] & row[_SIGNAL_MASK]
                raw = (raw ^ row[_SIGNAL_FLIP]) - row[_SIGNAL_LESS]
                low_count = row[_SIGNAL_LOW_COUNT]
                if low_count:
                    if raw > 0x7FFF:
                        raw = 0x7FFF
                    at = row[_SIGNAL_LOW_FIRST]
                    part = 0
                    for _ in range(low_count):
                        part = part << 8 | data[at]
                        at += step
                    raw = raw << 16 | (part >> row[_SIGNAL_LOW_SHIFT] & 0xFFFF)
                if data[row[_SIGNAL_SIGN_BYTE]] & row[_SIGNAL_SIGN_MASK]:
                    raw = 0 - raw

                bad = 0
                if row[_SIGNAL_HAS_INVALID] and raw == row[_SIGNAL_INVALID] << pad >> pad:
                    bad = 1
                bound = row[_SIGNAL_CLIP_LOW] << pad >> pad
                if raw < bound:
                    raw = bound
                bound = row[_SIGNAL_CLIP_HIGH] << pad >> pad
                if raw > bound:
                    raw = bound
                half = row[_SIGNAL_HALF] << pad >> pad
                raw = (raw * (row[_SIGNAL_NUM] << pad >> pad) + half) // row[_SIGNAL_DEN]
                raw += row[_SIGNAL_OFFSET] << pad >> pad
                if raw < row[_SIGNAL_RANGE_LOW] << pad >> pad:
                    bad = 1
                elif raw > row[_SIGNAL_RANGE_HIGH] << pad >> pad:
                    bad = 1

                if bad:
                    faults |= _FAULT_SIGNAL_BAD

                # A change faster than the signal can be is refused; the time since the last good value grows meanwhile,
                # and with it what is allowed, so a step that stays is taken in the end.
                limits = ptr32(uint(image) + (_C_CHANNEL_ROWS + channel * _N_CHANNEL_ROW << 2))
                rate = limits[_CHANNEL_ROW_RATE_100MS]
                if rate and not bad and own[_S_AGE_US] != _AGE_MAX_US:
                    interval = (stamp - own[_S_STAMP_US]) & _CLOCK_MASK
                    if interval >= _CLOCK_HALF:
                        interval = 0
                    least = limits[_CHANNEL_ROW_RATE_FLOOR_US]
                    if interval < least:
                        interval = least
                    if interval < _RATE_SPAN_US:
                        change = raw - (own[_S_VALUE] << pad >> pad)
                        if change < 0:
                            change = 0 - change
                        if change > rate * (interval >> 7) // _RATE_SPAN_128US:
                            bad = 1
                            faults |= _FAULT_SIGNAL_RATE

                if bad:
                    state[_S_SIGNALS_BAD] = (state[_S_SIGNALS_BAD] + 1) & _COUNT_MAX
                    own[_S_GOOD_RUN] = 0
                else:
                    own[_S_VALUE] = raw
                    own[_S_AGE_US] = age
                    own[_S_STAMP_US] = stamp
                    own[_S_FRESH] = 1
                    run = own[_S_GOOD_RUN]
                    if run < _RUN_MAX:
                        own[_S_GOOD_RUN] = run + 1
            row = ptr32(uint(row) + (_N_SIGNAL << 2))
    ring[_RING_TAIL] = tail
    state[_S_FAULTS] = faults
