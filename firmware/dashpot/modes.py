"""The modes, with every legal way from one to another in one table, and which corners get no current.

- start: after a reset; safe currents until every required channel is there
- active: everything that the car has works
- reduced: something is missing and replaced, and the rest works
- safe_hold: every current at its safe value
- output_off: no current at all
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_MODE = const(2)
_S_CONDITIONS = const(3)
_S_CORNERS_OFF = const(8)
_S_TRIPPED = const(367)
_S_REQUIRED_WHOLE = const(452)
_S_REQUIRED_GONE = const(453)
_S_CHANNELS_PART = const(454)
_S_LIMITS_OFF = const(465)
_C_MATCH_MA = const(584)
_N_CORNERS = const(4)
_MODE_START = const(0)
_MODE_ACTIVE = const(1)
_MODE_REDUCED = const(2)
_MODE_SAFE_HOLD = const(3)
_MODE_OUTPUT_OFF = const(4)
_COND_OFF = const(1)
_COND_HOLD = const(2)
_COND_PART = const(4)
_COND_READY = const(8)
_CHECK_BUS_OFF = const(12)
_CHECK_SUPPLY_LOW = const(13)
_CHECK_SUPPLY_UNDER = const(14)
_CHECK_SUPPLY_HIGH = const(15)
_CHECK_SUPPLY_OVER = const(16)
_CHECK_DRIVER_HOT = const(17)
_CHECK_DRIVER_HOT_OFF = const(18)
_CHECK_COIL_OPEN = const(19)
_CHECK_COIL_SHORT = const(23)
_CHECK_COIL_RESISTANCE = const(27)
_CHECK_COIL_RESISTANCE_OFF = const(31)
_CHECK_COIL_TRACKING = const(35)
_CHECK_OVERRUN = const(39)
_CHECK_MEMORY = const(40)
_CHECK_HELD = const(41)
# layout: end

OFF = _COND_OFF
HOLD = _COND_HOLD
PART = _COND_PART
READY = _COND_READY

# From, to, what must hold, what must not. The first row that fits counts; where none fits, the mode stays.
TRANSITIONS = (
    (_MODE_START, _MODE_OUTPUT_OFF, OFF, 0),
    (_MODE_START, _MODE_ACTIVE, READY, HOLD | PART),
    (_MODE_START, _MODE_REDUCED, READY, HOLD),
    (_MODE_ACTIVE, _MODE_OUTPUT_OFF, OFF, 0),
    (_MODE_ACTIVE, _MODE_SAFE_HOLD, HOLD, 0),
    (_MODE_ACTIVE, _MODE_REDUCED, PART, 0),
    (_MODE_REDUCED, _MODE_OUTPUT_OFF, OFF, 0),
    (_MODE_REDUCED, _MODE_SAFE_HOLD, HOLD, 0),
    (_MODE_REDUCED, _MODE_ACTIVE, 0, PART),
    (_MODE_SAFE_HOLD, _MODE_OUTPUT_OFF, OFF, 0),
    (_MODE_SAFE_HOLD, _MODE_ACTIVE, READY, HOLD | PART),
    (_MODE_SAFE_HOLD, _MODE_REDUCED, READY, HOLD),
    (_MODE_OUTPUT_OFF, _MODE_SAFE_HOLD, 0, OFF),
)
_ROWS = const(13)
_FIELDS = const(4)
_ALL_CORNERS = const(15)


@micropython.viper
def choose(image: ptr32, state: ptr32, table: ptr32):
    """Sum up the conditions, take one step of the table, and say which corners are off."""
    hold = state[_S_REQUIRED_GONE]
    hold |= state[_S_TRIPPED + _CHECK_BUS_OFF] | state[_S_TRIPPED + _CHECK_OVERRUN]
    hold |= state[_S_TRIPPED + _CHECK_MEMORY] | state[_S_TRIPPED + _CHECK_HELD]
    off = state[_S_TRIPPED + _CHECK_SUPPLY_UNDER] | state[_S_TRIPPED + _CHECK_SUPPLY_OVER]
    off |= state[_S_TRIPPED + _CHECK_DRIVER_HOT_OFF]
    part = state[_S_CHANNELS_PART]
    part |= state[_S_TRIPPED + _CHECK_SUPPLY_LOW] | state[_S_TRIPPED + _CHECK_SUPPLY_HIGH]
    part |= state[_S_TRIPPED + _CHECK_DRIVER_HOT]

    dead = state[_S_LIMITS_OFF]
    own = state
    for corner in range(_N_CORNERS):
        wrong = own[_S_TRIPPED + _CHECK_COIL_OPEN] | own[_S_TRIPPED + _CHECK_COIL_SHORT]
        wrong |= own[_S_TRIPPED + _CHECK_COIL_RESISTANCE_OFF]
        wrong |= own[_S_TRIPPED + _CHECK_COIL_TRACKING]
        part |= wrong | own[_S_TRIPPED + _CHECK_COIL_RESISTANCE]
        dead |= wrong << corner
        own = ptr32(uint(own) + 4)
    # Where no current matches a corner without one, its partner goes without as well.
    both = dead
    if dead:
        for corner in range(_N_CORNERS):
            if dead >> (corner ^ 1) & 1 and image[_C_MATCH_MA + corner] == 0:
                both |= 1 << corner

    asked = 0
    if off:
        asked |= _COND_OFF
    if hold:
        asked |= _COND_HOLD
    if part:
        asked |= _COND_PART
    if state[_S_REQUIRED_WHOLE]:
        asked |= _COND_READY
    state[_S_CONDITIONS] = asked
    mode = state[_S_MODE]
    row = table
    for _ in range(_ROWS):
        if row[0] == mode:
            needs = row[2]
            if asked & needs == needs and asked & row[3] == 0:
                mode = row[1]
                break
        row = ptr32(uint(row) + (_FIELDS << 2))
    state[_S_MODE] = mode
    if mode == _MODE_OUTPUT_OFF:
        both = _ALL_CORNERS
    state[_S_CORNERS_OFF] = both
