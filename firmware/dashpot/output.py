"""Last stages: the mode's say over the valve curves' currents, the slew limit, and the last guard.

The guard trusts nothing before it: it knows what it let through last time, the limits and the slew, and no law.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_MODE = const(2)
_S_FAULTS = const(3)
_S_GUARD_ACTS = const(10)
_S_LATERAL_FILTERED_MG = const(29)
_S_AUTHORITY_Q10 = const(38)
_S_TARGET_MA = const(79)
_S_CURRENT_MA = const(83)
_S_PAD = const(87)
_S_GUARDED_MA = const(318)
_S_FAULTS_SEEN = const(322)
_C_SAFE_MA = const(290)
_C_LEAST_MA = const(294)
_C_MOST_MA = const(298)
_C_SLEW_UP_MA = const(302)
_C_SLEW_DOWN_MA = const(306)
_C_RETURN_Q10 = const(310)
_C_RETURN_BELOW_MG = const(311)
_C_LEAVE_Q10 = const(312)
_N_CORNERS = const(4)
_MODE_ACTIVE = const(1)
_MODE_REDUCED = const(2)
_FAULT_GUARD_RANGE = const(4)
_FAULT_GUARD_RATE = const(8)
# layout: end

_ONE_Q10 = const(1024)
_COUNT_MAX = const(0x3FFFFFFF)


@micropython.viper
def drive(image: ptr32, state: ptr32):
    """Mix the valve curve's current with the safe current by authority, and limit how fast the current moves."""
    pad = state[_S_PAD]
    mode = state[_S_MODE]
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
    else:
        authority -= image[_C_LEAVE_Q10]
        if authority < 0:
            authority = 0
    state[_S_AUTHORITY_Q10] = authority
    for corner in range(_N_CORNERS):
        target = state[_S_TARGET_MA + corner] << pad >> pad
        safe = image[_C_SAFE_MA + corner]
        target = safe + ((target - safe) * authority + 512 >> 10)
        state[_S_TARGET_MA + corner] = target
        current = state[_S_CURRENT_MA + corner] << pad >> pad
        if target > current + image[_C_SLEW_UP_MA + corner]:
            current += image[_C_SLEW_UP_MA + corner]
        elif target < current - image[_C_SLEW_DOWN_MA + corner]:
            current -= image[_C_SLEW_DOWN_MA + corner]
        else:
            current = target
        state[_S_CURRENT_MA + corner] = current


@micropython.viper
def guard(image: ptr32, state: ptr32):
    """Check range and rate of every current again, whoever made it; cut it back and count where it strays."""
    pad = state[_S_PAD]
    faults = state[_S_FAULTS]
    for corner in range(_N_CORNERS):
        asked = state[_S_CURRENT_MA + corner] << pad >> pad
        last = state[_S_GUARDED_MA + corner] << pad >> pad
        given = asked
        if given > image[_C_MOST_MA + corner]:
            given = image[_C_MOST_MA + corner]
            faults |= _FAULT_GUARD_RANGE
        elif given < image[_C_LEAST_MA + corner]:
            given = image[_C_LEAST_MA + corner]
            faults |= _FAULT_GUARD_RANGE
        if given > last + image[_C_SLEW_UP_MA + corner]:
            given = last + image[_C_SLEW_UP_MA + corner]
            faults |= _FAULT_GUARD_RATE
        elif given < last - image[_C_SLEW_DOWN_MA + corner]:
            given = last - image[_C_SLEW_DOWN_MA + corner]
            faults |= _FAULT_GUARD_RATE
        if given != asked:
            state[_S_GUARD_ACTS] = (state[_S_GUARD_ACTS] + 1) & _COUNT_MAX
            state[_S_CURRENT_MA + corner] = given
        state[_S_GUARDED_MA + corner] = given
    state[_S_FAULTS] = faults
    state[_S_FAULTS_SEEN] |= faults
