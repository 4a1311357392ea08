"""Second stage: how old each channel is, how far the laws may use it, and the mode that follows.

Modes, with their entries and exits:

- start: from reset only; to active or reduced once every required channel is trusted
- active: every channel that the vehicle has is trusted whole
- reduced: one or more channels are on their way to or from their default; the required ones are trusted
- safe_hold: a required channel is lost; back to active or reduced once all required ones are trusted whole again
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_DT_US = const(1)
_S_MODE = const(2)
_S_FAULTS = const(3)
_S_CHANNELS_LOST = const(4)
_S_CHANNELS_LATCHED = const(5)
_S_CHANNEL = const(11)
_S_PAD = const(87)
_S_TICKS = const(88)
_S_VALUE = const(89)
_S_AGE_US = const(107)
_S_GOOD_RUN = const(125)
_S_FRESH = const(143)
_S_TRUST_Q10 = const(161)
_S_STILL_VALUE = const(197)
_S_STILL_US = const(215)
_S_TRUSTED = const(233)
_S_LOSSES = const(251)
_C_PERIOD_US = const(0)
_C_CHANNEL_ROWS = const(6)
_C_FADE_Q10 = const(150)
_C_RECOVER_Q10 = const(151)
_C_LOSSES_MOST = const(152)
_C_STILL_SPEED_CM_S = const(153)
_N_CHANNELS = const(18)
_N_CHANNEL_ROW = const(8)
_CHANNEL_ROW_CONFIGURED = const(0)
_CHANNEL_ROW_TIMEOUT_US = const(1)
_CHANNEL_ROW_HEAL_GOOD = const(2)
_CHANNEL_ROW_DEFAULT = const(3)
_CHANNEL_ROW_REQUIRED = const(4)
_CHANNEL_ROW_STILL_US = const(7)
_CH_ROAD_SPEED_CM_S = const(6)
_MODE_START = const(0)
_MODE_ACTIVE = const(1)
_MODE_REDUCED = const(2)
_MODE_SAFE_HOLD = const(3)
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
    """Age the channels, ramp their trust, substitute defaults, and choose the mode."""
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
    part = 0
    required_lost = 0
    required_part = 0
    moving = 0
    if state[_S_TRUST_Q10 + _CH_ROAD_SPEED_CM_S] == _ONE_Q10:
        if state[_S_CHANNEL + _CH_ROAD_SPEED_CM_S] << pad >> pad >= image[_C_STILL_SPEED_CM_S]:
            moving = 1
    row = _C_CHANNEL_ROWS
    for channel in range(_N_CHANNELS):
        if image[row + _CHANNEL_ROW_CONFIGURED]:
            age = state[_S_AGE_US + channel]
            if not state[_S_FRESH + channel]:
                age += dt
                if age > _AGE_MAX_US:
                    age = _AGE_MAX_US
                state[_S_AGE_US + channel] = age
            # No news: too old, or at one value for too long while the car moves. And lost too often: no way back.
            gone = latched >> channel & 1
            if age > image[row + _CHANNEL_ROW_TIMEOUT_US]:
                gone = 1
            still = state[_S_STILL_US + channel]
            if state[_S_VALUE + channel] != state[_S_STILL_VALUE + channel]:
                state[_S_STILL_VALUE + channel] = state[_S_VALUE + channel]
                still = 0
            elif moving and not gone and still < _AGE_MAX_US:
                still += dt
            state[_S_STILL_US + channel] = still
            if image[row + _CHANNEL_ROW_STILL_US] and still > image[row + _CHANNEL_ROW_STILL_US]:
                gone = 1
                faults |= _FAULT_SIGNAL_STILL
            if gone:
                state[_S_GOOD_RUN + channel] = 0
            trust = state[_S_TRUST_Q10 + channel]
            if state[_S_GOOD_RUN + channel] >= image[row + _CHANNEL_ROW_HEAL_GOOD]:
                state[_S_TRUSTED + channel] = 1
                trust += image[_C_RECOVER_Q10]
                if trust > _ONE_Q10:
                    trust = _ONE_Q10
            elif gone:
                if state[_S_TRUSTED + channel]:
                    state[_S_TRUSTED + channel] = 0
                    state[_S_LOSSES + channel] += 1
                    if state[_S_LOSSES + channel] > image[_C_LOSSES_MOST]:
                        latched |= 1 << channel
                trust -= image[_C_FADE_Q10]
                if trust < 0:
                    trust = 0
                lost |= 1 << channel
                if image[row + _CHANNEL_ROW_REQUIRED]:
                    required_lost = 1
            state[_S_TRUST_Q10 + channel] = trust
            if trust != _ONE_Q10:
                part = 1
                if image[row + _CHANNEL_ROW_REQUIRED]:
                    required_part = 1
            default = image[row + _CHANNEL_ROW_DEFAULT] << pad >> pad
            held = state[_S_VALUE + channel] << pad >> pad
            state[_S_CHANNEL + channel] = default + ((held - default) * trust >> 10)
        row += _N_CHANNEL_ROW
    state[_S_CHANNELS_LOST] = lost
    state[_S_CHANNELS_LATCHED] = latched
    if latched:
        faults |= _FAULT_LATCHED
    if lost:
        faults |= _FAULT_CHANNEL_LOST
    if required_lost:
        faults |= _FAULT_REQUIRED_LOST
    state[_S_FAULTS] = faults

    mode = state[_S_MODE]
    if required_lost:
        # Before the first run a missing channel is no loss: the controller is still in its start.
        if mode != _MODE_START:
            mode = _MODE_SAFE_HOLD
    elif mode == _MODE_START or mode == _MODE_SAFE_HOLD:
        if not required_part:
            mode = _MODE_REDUCED if part else _MODE_ACTIVE
    else:
        mode = _MODE_REDUCED if part else _MODE_ACTIVE
    state[_S_MODE] = mode
