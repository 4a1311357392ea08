"""Last stages: the mode's say over the valve curves' currents, the slew limit, and the last guard.

The guard trusts nothing before it: it knows what it let through last time, the limits and the slew, and no law. It
has a copy of the limits, inverted, and lets no current through where the two disagree.

No current at all is a state of its own, below the least that can be held: the way into it and out of it is one step.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_DT_US = const(1)
_S_MODE = const(2)
_S_FAULTS = const(4)
_S_CORNERS_OFF = const(8)
_S_GUARD_ACTS = const(13)
_S_LATERAL_FILTERED_MG = const(34)
_S_AUTHORITY_Q10 = const(44)
_S_TARGET_MA = const(85)
_S_CURRENT_MA = const(89)
_S_PAD = const(101)
_S_SUSPECT = const(283)
_S_TRIPPED = const(367)
_S_COMMAND_FRESH = const(463)
_S_STALE_US = const(464)
_S_LIMITS_OFF = const(465)
_S_GUARDED_MA = const(543)
_S_FAULTS_SEEN = const(547)
_C_PERIOD_US = const(0)
_C_SAFE_MA = const(314)
_C_LEAST_MA = const(318)
_C_MOST_MA = const(322)
_C_SLEW_UP_MA = const(326)
_C_SLEW_DOWN_MA = const(330)
_C_RETURN_Q10 = const(334)
_C_RETURN_BELOW_MG = const(335)
_C_LEAVE_Q10 = const(336)
_C_MATCH_MA = const(584)
_C_DERATE_MA = const(588)
_C_AXLE_SPREAD_MA = const(592)
_C_COMMAND_EXPIRY_US = const(594)
_N_AXLES = const(2)
_N_CORNERS = const(4)
_MODE_ACTIVE = const(1)
_MODE_REDUCED = const(2)
_MODE_OUTPUT_OFF = const(4)
_FAULT_GUARD_RANGE = const(4)
_FAULT_GUARD_RATE = const(8)
_FAULT_COMMAND_STALE = const(67108864)
_FAULT_AXLE_UNEQUAL = const(134217728)
_CHECK_SUPPLY_LOW = const(13)
_CHECK_SUPPLY_HIGH = const(15)
_CHECK_DRIVER_HOT = const(17)
_CHECK_MEMORY = const(40)
# layout: end

_ONE_Q10 = const(1024)
_COUNT_MAX = const(0x3FFFFFFF)
_STALE_MAX_US = const(0x10000000)


@micropython.viper
def drive(image: ptr32, state: ptr32):
    """Mix the valve curve's current with the safe current by authority, and limit how fast the current moves."""
    pad = state[_S_PAD]
    dt = state[_S_DT_US]
    mode = state[_S_MODE]
    off = state[_S_CORNERS_OFF]
    weak = state[_S_TRIPPED + _CHECK_SUPPLY_LOW] | state[_S_TRIPPED + _CHECK_SUPPLY_HIGH]
    weak |= state[_S_TRIPPED + _CHECK_DRIVER_HOT]
    authority = state[_S_AUTHORITY_Q10]
    if mode == _MODE_ACTIVE or mode == _MODE_REDUCED:
        # A corner is no place for the balance of the car to change.
        lateral = state[_S_LATERAL_FILTERED_MG] << pad >> pad
        if lateral < 0:
            lateral = 0 - lateral
        if lateral <= image[_C_RETURN_BELOW_MG]:
            authority += image[_C_RETURN_Q10]
            if authority > _ONE_Q10:
                authority = _ONE_Q10
    elif mode == _MODE_OUTPUT_OFF:
        authority = 0
    else:
        # By time, not by ticks: a loop that has become slow is no reason to take longer.
        step = image[_C_LEAVE_Q10]
        period = image[_C_PERIOD_US]
        if dt > period:
            if dt > period << 4:
                dt = period << 4
            step = step * dt // period
        authority -= step
        if authority < 0:
            authority = 0
    state[_S_AUTHORITY_Q10] = authority
    for corner in range(_N_CORNERS):
        own = ptr32(uint(state) + (corner << 2))
        row = ptr32(uint(image) + (corner << 2))
        target = own[_S_TARGET_MA] << pad >> pad
        safe = row[_C_SAFE_MA]
        target = safe + ((target - safe) * authority + 512 >> 10)
        if off >> (corner ^ 1) & 1:
            # Its partner has none: the force of this one has to match that.
            target = row[_C_MATCH_MA]
        if weak and target > row[_C_DERATE_MA]:
            target = row[_C_DERATE_MA]
        if off >> corner & 1:
            own[_S_TARGET_MA] = 0
            own[_S_CURRENT_MA] = 0
            continue
        own[_S_TARGET_MA] = target
        current = own[_S_CURRENT_MA] << pad >> pad
        if current < row[_C_LEAST_MA]:
            current = row[_C_LEAST_MA]
        if target > current + row[_C_SLEW_UP_MA]:
            current += row[_C_SLEW_UP_MA]
        elif target < current - row[_C_SLEW_DOWN_MA]:
            current -= row[_C_SLEW_DOWN_MA]
        else:
            current = target
        own[_S_CURRENT_MA] = current
    state[_S_COMMAND_FRESH] = 1


@micropython.viper
def guard(image: ptr32, state: ptr32, limits: ptr32):
    """Check age, range, rate and symmetry of every current again, whoever made it; cut it back and count where it strays.

    Args:
        image: the image's words.
        state: the controller's.
        limits: safe, least, most, slew up and slew down of all corners, every bit inverted.

    """
    pad = state[_S_PAD]
    faults = state[_S_FAULTS]
    off = state[_S_CORNERS_OFF]
    dt = state[_S_DT_US]
    stale = 0
    if state[_S_COMMAND_FRESH] == 0:
        stale = state[_S_STALE_US] + dt
        if stale > _STALE_MAX_US:
            stale = _STALE_MAX_US
    state[_S_COMMAND_FRESH] = 0
    state[_S_STALE_US] = stale
    if dt > stale:
        stale = dt
    expired = 0
    if stale > image[_C_COMMAND_EXPIRY_US]:
        expired = 1
        faults |= _FAULT_COMMAND_STALE
    differ = 0
    row = image
    for corner in range(_N_CORNERS):
        # A number exclusive-ored with its complement has every bit.
        same = row[_C_SAFE_MA] ^ limits[0]
        same &= row[_C_LEAST_MA] ^ limits[_N_CORNERS]
        same &= row[_C_MOST_MA] ^ limits[2 * _N_CORNERS]
        same &= row[_C_SLEW_UP_MA] ^ limits[3 * _N_CORNERS]
        same &= row[_C_SLEW_DOWN_MA] ^ limits[4 * _N_CORNERS]
        if same << pad >> pad != 0 - 1:
            differ |= 1 << corner
            state[_S_SUSPECT + _CHECK_MEMORY] = 1
        row = ptr32(uint(row) + 4)
        limits = ptr32(uint(limits) + 4)
    state[_S_LIMITS_OFF] = differ
    off |= differ
    state[_S_CORNERS_OFF] = off
    for corner in range(_N_CORNERS):
        own = ptr32(uint(state) + (corner << 2))
        row = ptr32(uint(image) + (corner << 2))
        asked = own[_S_CURRENT_MA] << pad >> pad
        last = own[_S_GUARDED_MA] << pad >> pad
        given = asked
        if expired:
            given = row[_C_SAFE_MA]
        if off >> corner & 1:
            # Nothing to limit, and no way there: the supply is taken off at once.
            if asked:
                state[_S_GUARD_ACTS] = (state[_S_GUARD_ACTS] + 1) & _COUNT_MAX
            own[_S_CURRENT_MA] = 0
            own[_S_GUARDED_MA] = 0
            continue
        if last < row[_C_LEAST_MA]:
            last = row[_C_LEAST_MA]
            own[_S_GUARDED_MA] = last
        if given > row[_C_MOST_MA]:
            given = row[_C_MOST_MA]
            faults |= _FAULT_GUARD_RANGE
        elif given < row[_C_LEAST_MA]:
            given = row[_C_LEAST_MA]
            faults |= _FAULT_GUARD_RANGE
        if given > last + row[_C_SLEW_UP_MA]:
            given = last + row[_C_SLEW_UP_MA]
            faults |= _FAULT_GUARD_RATE
        elif given < last - row[_C_SLEW_DOWN_MA]:
            given = last - row[_C_SLEW_DOWN_MA]
            faults |= _FAULT_GUARD_RATE
        if given != asked:
            state[_S_GUARD_ACTS] = (state[_S_GUARD_ACTS] + 1) & _COUNT_MAX
            own[_S_CURRENT_MA] = given
    for axle in range(_N_AXLES):
        # A difference past the limit may not grow: the higher current waits for the lower one. Where it cannot come
        # down fast enough, the lower one waits for it.
        high = ptr32(uint(state) + (axle << 3))
        low = ptr32(uint(high) + 4)
        row = ptr32(uint(image) + (axle << 3))
        if high[_S_CURRENT_MA] < low[_S_CURRENT_MA]:
            low = high
            high = ptr32(uint(low) + 4)
            row = ptr32(uint(row) + 4)
        bound = high[_S_GUARDED_MA] - low[_S_GUARDED_MA]
        if bound < 0:
            bound = 0 - bound
        if bound < image[_C_AXLE_SPREAD_MA + axle]:
            bound = image[_C_AXLE_SPREAD_MA + axle]
        if high[_S_CURRENT_MA] - low[_S_CURRENT_MA] > bound and off >> axle * 2 & 3 == 0:
            faults |= _FAULT_AXLE_UNEQUAL
            state[_S_GUARD_ACTS] = (state[_S_GUARD_ACTS] + 1) & _COUNT_MAX
            given = low[_S_CURRENT_MA] + bound
            least = high[_S_GUARDED_MA] - row[_C_SLEW_DOWN_MA]
            if least < row[_C_LEAST_MA]:
                least = row[_C_LEAST_MA]
            if given < least:
                given = least
                low[_S_CURRENT_MA] = given - bound
            high[_S_CURRENT_MA] = given
    for corner in range(_N_CORNERS):
        state[_S_GUARDED_MA + corner] = state[_S_CURRENT_MA + corner]
    state[_S_FAULTS] = faults
    state[_S_FAULTS_SEEN] |= faults
