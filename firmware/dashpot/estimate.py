"""Third stage: stroke speeds, rates of steering, brake pressure and road speed by alpha-beta filters; smoothed accelerations.

It also says where the tables over one axis are read.

Alpha-beta tracking after Benedict and Bordner (1962), who give beta = alpha**2 / (2 - alpha). A tracker predicts each
tick and corrects when a sample has come, so a channel slower than the tick keeps its speed between samples.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_CHANNEL = const(16)
_S_LATERAL_FILTERED_MG = const(34)
_S_STROKE_SPEED_MM_S = const(36)
_S_STEER_RATE_DEG_S = const(40)
_S_BRAKE_RATE_BAR_S = const(41)
_S_SPEED_CHANGE_MG = const(42)
_S_PAD = const(101)
_S_VALUE = const(103)
_S_FRESH = const(157)
_S_TRUST_Q10 = const(175)
_S_POSITION_Q4 = const(489)
_S_VELOCITY_Q12 = const(496)
_S_SINCE_FIX = const(503)
_S_LOW_PASS_Q4 = const(510)
_S_BRAKE_SLOW_Q4 = const(512)
_S_LOOKUP_X = const(513)
_C_PERIOD_US = const(0)
_C_TRACKER_ROWS = const(172)
_C_LOW_PASS_Q10 = const(207)
_C_BRAKE_SLOW_Q10 = const(227)
_N_TRACKERS = const(7)
_N_LOW_PASSES = const(2)
_N_AXLES = const(2)
_N_TRACKER_ROW = const(5)
_TRACKER_ROW_CHANNEL = const(0)
_TRACKER_ROW_ALPHA_Q10 = const(1)
_TRACKER_ROW_BETA_Q10 = const(2)
_TRACKER_ROW_RATE_MUL = const(3)
_TRACKER_ROW_VELOCITY_LIMIT = const(4)
_CH_LATERAL_MG = const(0)
_CH_BRAKE_KPA = const(3)
_CH_ROAD_SPEED_CM_S = const(6)
_CH_DRIVER_SWITCH = const(17)
# layout: end

_RESIDUAL_MAX_Q4 = const(0x7FFFF)  # 32 mm of stroke; with alpha at 1 the product stays below 2**30
_POSITION_MAX_Q4 = const(0x1FFFFFFF)
_SINCE_MAX = const(255)
_SPEED_MAX = const(0x7FFF)
_STEER_TRACKER = const(4)
_BRAKE_TRACKER = const(5)


@micropython.viper
def estimate(image: ptr32, state: ptr32):
    """Run seven trackers and two low-passes."""
    pad = state[_S_PAD]
    period_10us = image[_C_PERIOD_US] // 10
    own = state
    row = ptr32(uint(image) + (_C_TRACKER_ROWS << 2))
    for tracker in range(_N_TRACKERS):
        source = ptr32(uint(state) + (row[_TRACKER_ROW_CHANNEL] << 2))
        limit = row[_TRACKER_ROW_VELOCITY_LIMIT]
        since = own[_S_SINCE_FIX]
        position = own[_S_POSITION_Q4] << pad >> pad
        velocity = own[_S_VELOCITY_Q12] << pad >> pad
        if source[_S_TRUST_Q10] == 0:
            since = 0
            velocity = 0
        elif since == 0:
            # The first sample sets the position; a speed needs two.
            if source[_S_FRESH]:
                position = (source[_S_VALUE] << pad >> pad) << 4
                velocity = 0
                since = 1
        else:
            position += (velocity + 128) >> 8
            if source[_S_FRESH]:
                residual = ((source[_S_VALUE] << pad >> pad) << 4) - position
                if residual > _RESIDUAL_MAX_Q4:
                    residual = _RESIDUAL_MAX_Q4
                elif residual < 0 - _RESIDUAL_MAX_Q4:
                    residual = 0 - _RESIDUAL_MAX_Q4
                position += (residual * row[_TRACKER_ROW_ALPHA_Q10] + 512) >> 10
                velocity += (residual * row[_TRACKER_ROW_BETA_Q10] // since + 2) >> 2
                if velocity > limit:
                    velocity = limit
                elif velocity < 0 - limit:
                    velocity = 0 - limit
                since = 1
            elif since < _SINCE_MAX:
                since += 1
            else:
                velocity = 0
            if position > _POSITION_MAX_Q4:
                position = _POSITION_MAX_Q4
            elif position < 0 - _POSITION_MAX_Q4:
                position = 0 - _POSITION_MAX_Q4
        own[_S_SINCE_FIX] = since
        own[_S_POSITION_Q4] = position
        own[_S_VELOCITY_Q12] = velocity
        speed = ((velocity >> 4) * row[_TRACKER_ROW_RATE_MUL] // period_10us + 128) >> 8
        if speed > _SPEED_MAX:
            speed = _SPEED_MAX
        elif speed < 0 - _SPEED_MAX:
            speed = 0 - _SPEED_MAX
        if tracker < _STEER_TRACKER:
            own[_S_STROKE_SPEED_MM_S] = speed
        elif tracker == _STEER_TRACKER:
            state[_S_STEER_RATE_DEG_S] = speed
        elif tracker == _BRAKE_TRACKER:
            state[_S_BRAKE_RATE_BAR_S] = speed
        else:
            state[_S_SPEED_CHANGE_MG] = speed
        own = ptr32(uint(own) + 4)
        row = ptr32(uint(row) + (_N_TRACKER_ROW << 2))

    for axis in range(_N_LOW_PASSES):
        smooth = state[_S_LOW_PASS_Q4 + axis] << pad >> pad
        value = state[_S_CHANNEL + _CH_LATERAL_MG + axis] << pad >> pad
        smooth += ((value << 4) - smooth) * image[_C_LOW_PASS_Q10 + axis] + 512 >> 10
        state[_S_LOW_PASS_Q4 + axis] = smooth
        state[_S_LATERAL_FILTERED_MG + axis] = smooth + 8 >> 4

    brake = state[_S_CHANNEL + _CH_BRAKE_KPA] << pad >> pad
    slow = state[_S_BRAKE_SLOW_Q4] << pad >> pad
    slow += ((brake << 4) - slow) * image[_C_BRAKE_SLOW_Q10] + 512 >> 10
    state[_S_BRAKE_SLOW_Q4] = slow
    speed = state[_S_CHANNEL + _CH_ROAD_SPEED_CM_S]
    for axle in range(_N_AXLES):
        state[_S_LOOKUP_X + axle] = state[_S_CHANNEL + _CH_DRIVER_SWITCH]
        state[_S_LOOKUP_X + _N_AXLES + axle] = speed
        state[_S_LOOKUP_X + 2 * _N_AXLES + axle] = brake - (slow + 8 >> 4)
    state[_S_LOOKUP_X + 3 * _N_AXLES] = speed
    state[_S_LOOKUP_X + 3 * _N_AXLES + 1] = speed
