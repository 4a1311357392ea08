"""How old each channel is, how far the laws may use it, and what stands in for it.

A channel is lost when its last good value is too old, when it stands still while the car moves, when a cross-check has
tripped on it, and for good when that happened too often. Whatever the cause, its trust fades, and comes back once so
many good values have come in a row.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_DT_US = const(1)
_S_FAULTS = const(4)
_S_CHANNELS_LOST = const(5)
_S_CHANNELS_LATCHED = const(6)
_S_CHANNELS_IMPLAUSIBLE = const(7)
_S_CHANNEL = const(16)
_S_PAD = const(101)
_S_TICKS = const(102)
_S_VALUE = const(103)
_S_AGE_US = const(121)
_S_GOOD_RUN = const(139)
_S_TRUST_Q10 = const(175)
_S_STILL_VALUE = const(211)
_S_STILL_US = const(229)
_S_TRUSTED = const(247)
_S_LOSSES = const(265)
_S_REQUIRED_WHOLE = const(452)
_S_REQUIRED_GONE = const(453)
_S_CHANNELS_PART = const(454)
_S_SUBSTITUTE_MG = const(455)
_S_SUBSTITUTE_OK = const(457)
_C_PERIOD_US = const(0)
_C_CHANNEL_ROWS = const(6)
_C_FADE_Q10 = const(168)
_C_RECOVER_Q10 = const(169)
_C_LOSSES_MOST = const(170)
_C_STILL_SPEED_CM_S = const(171)
_N_CHANNELS = const(18)
_N_CHANNEL_ROW = const(9)
_CHANNEL_ROW_CONFIGURED = const(0)
_CHANNEL_ROW_TIMEOUT_US = const(1)
_CHANNEL_ROW_HEAL_GOOD = const(2)
_CHANNEL_ROW_DEFAULT = const(3)
_CHANNEL_ROW_REQUIRED = const(4)
_CHANNEL_ROW_STILL_US = const(7)
_CHANNEL_ROW_SUBSTITUTE = const(8)
_CH_ROAD_SPEED_CM_S = const(6)
_FAULT_LATE_TICK = const(2)
_FAULT_CHANNEL_LOST = const(64)
_FAULT_REQUIRED_LOST = const(128)
_FAULT_SIGNAL_STILL = const(256)
_FAULT_LATCHED = const(1024)
# layout: end

_AGE_MAX_US = const(0x10000000)
_ONE_Q10 = const(1024)
_TICKS_MAX = const(0x3FFFFFFF)


@micropython.viper
def judge(image: ptr32, state: ptr32):
    """Age the channels, ramp their trust, and put substitutes in the place of what is lost."""
    pad = state[_S_PAD]
    dt = state[_S_DT_US]
    faults = state[_S_FAULTS]
    period = image[_C_PERIOD_US]
    if state[_S_TICKS] and dt > period + (period >> 1):
        faults |= _FAULT_LATE_TICK
    if state[_S_TICKS] < _TICKS_MAX:
        state[_S_TICKS] += 1

    lost = 0
    latched = state[_S_CHANNELS_LATCHED]
    unlikely = state[_S_CHANNELS_IMPLAUSIBLE]
    part = 0
    required_lost = 0
    required_part = 0
    # By time, not by ticks, as the authority leaves.
    fade = image[_C_FADE_Q10]
    if dt > period:
        longer = dt
        if longer > period << 4:
            longer = period << 4
        fade = fade * longer // period
    moving = 0
    if state[_S_TRUST_Q10 + _CH_ROAD_SPEED_CM_S] == _ONE_Q10:
        if state[_S_CHANNEL + _CH_ROAD_SPEED_CM_S] << pad >> pad >= image[_C_STILL_SPEED_CM_S]:
            moving = 1
    own = state
    row = ptr32(uint(image) + (_C_CHANNEL_ROWS << 2))
    for channel in range(_N_CHANNELS):
        if row[_CHANNEL_ROW_CONFIGURED]:
            # Not believed, or lost too often; no news: too old, or at one value for too long while the car moves.
            gone = (latched | unlikely) >> channel & 1
            if own[_S_AGE_US] > row[_CHANNEL_ROW_TIMEOUT_US]:
                gone = 1
            still = own[_S_STILL_US]
            if own[_S_VALUE] != own[_S_STILL_VALUE]:
                own[_S_STILL_VALUE] = own[_S_VALUE]
                still = 0
            elif moving and not gone and still < _AGE_MAX_US:
                still += dt
            own[_S_STILL_US] = still
            if row[_CHANNEL_ROW_STILL_US] and still > row[_CHANNEL_ROW_STILL_US]:
                gone = 1
                faults |= _FAULT_SIGNAL_STILL
            if gone:
                own[_S_GOOD_RUN] = 0
            default = row[_CHANNEL_ROW_DEFAULT] << pad >> pad
            required = row[_CHANNEL_ROW_REQUIRED]
            other = row[_CHANNEL_ROW_SUBSTITUTE]
            if other and state[_S_SUBSTITUTE_OK + other - 1]:
                default = state[_S_SUBSTITUTE_MG + other - 1] << pad >> pad
                required = 0
            trust = own[_S_TRUST_Q10]
            if own[_S_GOOD_RUN] >= row[_CHANNEL_ROW_HEAL_GOOD]:
                own[_S_TRUSTED] = 1
                trust += image[_C_RECOVER_Q10]
                if trust > _ONE_Q10:
                    trust = _ONE_Q10
            elif gone:
                if own[_S_TRUSTED]:
                    own[_S_TRUSTED] = 0
                    own[_S_LOSSES] += 1
                    if own[_S_LOSSES] > image[_C_LOSSES_MOST]:
                        latched |= 1 << channel
                trust -= fade
                if trust < 0:
                    trust = 0
                lost |= 1 << channel
                if required:
                    required_lost = 1
            own[_S_TRUST_Q10] = trust
            if trust != _ONE_Q10:
                part = 1
                if required:
                    required_part = 1
            if trust == _ONE_Q10:
                own[_S_CHANNEL] = own[_S_VALUE]
            else:
                held = own[_S_VALUE] << pad >> pad
                own[_S_CHANNEL] = default + ((held - default) * trust >> 10)
        own = ptr32(uint(own) + 4)
        row = ptr32(uint(row) + (_N_CHANNEL_ROW << 2))
    state[_S_CHANNELS_LOST] = lost
    state[_S_CHANNELS_LATCHED] = latched
    if latched:
        faults |= _FAULT_LATCHED
    if lost:
        faults |= _FAULT_CHANNEL_LOST
    if required_lost:
        faults |= _FAULT_REQUIRED_LOST
    state[_S_FAULTS] = faults

    state[_S_CHANNELS_PART] = part
    state[_S_REQUIRED_GONE] = required_lost
    state[_S_REQUIRED_WHOLE] = required_part ^ 1
