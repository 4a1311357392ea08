"""The controller's own frames, for a logger: dbc/damper_controller.dbc says what is in them.

They go into a ring of their own; a board sends from it only where its bus is open for sending.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_VERSION = const(471093882)
_S_NOW_US = const(0)
_S_MODE = const(2)
_S_STROKE_SPEED_MM_S = const(36)
_S_LAYER_PERMILLE = const(45)
_S_DEMAND_PERMILLE = const(81)
_S_CURRENT_MA = const(89)
_S_TICKS = const(102)
_S_FAULTS_SEEN = const(547)
_S_IMAGE_CRC = const(548)
_S_REPORT_COUNTER = const(549)
_S_SHARE_SELECT = const(550)
_S_SHARE_TICK = const(551)
_S_SHARE_PERMILLE = const(552)
_N_CORNERS = const(4)
_N_LAYERS = const(9)
_N_RING = const(4)
_N_FRAME = const(5)
_RING_HEAD = const(0)
_RING_TAIL = const(1)
_RING_OVERFLOW = const(2)
_RING_MASK = const(3)
_FRAME_STAMP_US = const(0)
_FRAME_KEY = const(1)
_FRAME_LENGTH = const(2)
_FRAME_DATA = const(3)
# layout: end

_STATUS_ID = const(0x6A0)
_CURRENTS_ID = const(0x6A1)
_DEMAND_ID = const(0x6A3)
_SPEEDS_ID = const(0x6A4)
_SHARES_ID = const(0x6A5)
_IDENTITY_ID = const(0x6A6)
_BYTES = const(8)
_GROUPS = const(3)  # frames that the shares of one corner take
_POSITION_MASK = const(0x3FFFFFFF)


@micropython.viper
def report(state: ptr32, outbox: ptr32, crc_tables: ptr8):
    """Write status, currents, demands, stroke speeds and one group of layer shares; the identity once a round.

    The shares of all corners take twelve calls and belong to one tick, the one they were latched in.
    """
    select = state[_S_SHARE_SELECT]
    if select == 0:
        state[_S_SHARE_TICK] = state[_S_TICKS] & 0xFF
        for i in range(_N_LAYERS * _N_CORNERS):
            state[_S_SHARE_PERMILLE + i] = state[_S_LAYER_PERMILLE + i]

    byte = ptr8(outbox)
    half = ptr16(outbox)
    mask = outbox[_RING_MASK]
    head = outbox[_RING_HEAD]
    kind = 0
    while kind < 6:
        if kind == 5 and select != 0:
            break
        if ((head - outbox[_RING_TAIL]) & _POSITION_MASK) > mask:
            outbox[_RING_OVERFLOW] += 1
            kind += 1
            continue
        frame = _N_RING + (head & mask) * _N_FRAME
        outbox[frame + _FRAME_STAMP_US] = state[_S_NOW_US]
        outbox[frame + _FRAME_LENGTH] = _BYTES
        data = frame + _FRAME_DATA
        if kind == 0:
            outbox[frame + _FRAME_KEY] = _STATUS_ID
            outbox[data] = state[_S_FAULTS_SEEN]
            half[(data << 1) + 2] = state[_S_TICKS] & 0xFFFF
            byte[(data << 2) + 6] = state[_S_MODE] | state[_S_REPORT_COUNTER] << 4
            crc = 0xFF
            for i in range(_BYTES - 1):
                crc = crc_tables[crc ^ byte[(data << 2) + i]]
            byte[(data << 2) + 7] = crc ^ 0xFF
        elif kind == 5:
            outbox[frame + _FRAME_KEY] = _IDENTITY_ID
            outbox[data] = state[_S_IMAGE_CRC]
            outbox[data + 1] = _VERSION
        elif kind == 4:
            outbox[frame + _FRAME_KEY] = _SHARES_ID
            byte[data << 2] = select
            byte[(data << 2) + 1] = state[_S_SHARE_TICK]
            corner = select // _GROUPS
            layer = (select - corner * _GROUPS) * 3
            for i in range(3):
                share = state[_S_SHARE_PERMILLE + (layer + i) * _N_CORNERS + corner]
                half[(data << 1) + 1 + i] = share & 0xFFFF
        else:
            first = _S_CURRENT_MA
            key = _CURRENTS_ID
            if kind == 2:
                first = _S_DEMAND_PERMILLE
                key = _DEMAND_ID
            elif kind == 3:
                first = _S_STROKE_SPEED_MM_S
                key = _SPEEDS_ID
            outbox[frame + _FRAME_KEY] = key
            for i in range(_N_CORNERS):
                half[(data << 1) + i] = state[first + i] & 0xFFFF
        head = (head + 1) & _POSITION_MASK
        kind += 1
    outbox[_RING_HEAD] = head
    state[_S_FAULTS_SEEN] = 0
    state[_S_REPORT_COUNTER] = (state[_S_REPORT_COUNTER] + 1) & 15
    select += 1
    if select == _N_CORNERS * _GROUPS:
        select = 0
    state[_S_SHARE_SELECT] = select
