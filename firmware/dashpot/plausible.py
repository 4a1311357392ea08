"""Cross-checks: does what one channel says agree with what the others say; and what the board says of itself.

Each check only says in `suspect` what it sees in this tick: 0 fine, 1 bad, 2 nothing to compare. `debounce` decides.
The checks look at values as received, not at substitutes, so that a channel that has come right again is seen to.

Lateral acceleration has three witnesses: the sensor, speed x yaw rate, and the steering with the car's own yaw gain.
The one that disagrees with both others is at fault. Where the sensor disagrees with the yaw rate and the steering, the
roughest of the three, with neither, it is the one that is farther from the steering; where all three disagree, all
three are. A steering that has been found wrong has no say any more.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_DT_US = const(1)
_S_BOARD_SUPPLY_MV = const(14)
_S_BOARD_FLAGS = const(15)
_S_CHANNEL = const(16)
_S_LATERAL_FILTERED_MG = const(34)
_S_SPEED_CHANGE_MG = const(42)
_S_PAD = const(101)
_S_TICKS = const(102)
_S_VALUE = const(103)
_S_AGE_US = const(121)
_S_TRUST_Q10 = const(175)
_S_SUSPECT = const(283)
_S_TRIPPED = const(367)
_S_SUBSTITUTE_MG = const(455)
_S_SUBSTITUTE_OK = const(457)
_S_STRAIGHT_Q4 = const(459)
_S_LOOKUP_Y = const(521)
_C_PERIOD_US = const(0)
_C_CHANNEL_ROWS = const(6)
_C_CHECK_ROWS = const(337)
_C_CHECK_FROM_CM_S = const(547)
_C_BRAKE_HIGH_KPA = const(548)
_C_BRAKE_LEAST_MG = const(549)
_C_BRAKE_LOW_KPA = const(550)
_C_BRAKE_MOST_MG = const(551)
_C_STRAIGHT_MG = const(552)
_C_STRAIGHT_STEP_Q4 = const(553)
_C_ROLL_UM = const(554)
_N_LOOKUPS = const(8)
_N_CORNERS = const(4)
_N_CHANNELS = const(18)
_N_CHANNEL_ROW = const(9)
_N_CHECK_ROW = const(5)
_CHANNEL_ROW_CONFIGURED = const(0)
_CHANNEL_ROW_TIMEOUT_US = const(1)
_CHECK_ROW_LIMIT = const(3)
_CH_LATERAL_MG = const(0)
_LIMIT_LATERAL_MG = const(16000)
_CH_LONGITUDINAL_MG = const(1)
_CH_BRAKE_KPA = const(3)
_CH_STEER_DDEG = const(4)
_CH_YAW_CDEG_S = const(5)
_CH_ROAD_SPEED_CM_S = const(6)
_CH_WHEEL_SPEED_CM_S = const(7)
_CH_STROKE_UM = const(11)
_FLAG_BUS_OFF = const(1)
_FLAG_DRIVER_HOT = const(2)
_FLAG_HELD = const(4)
_CHECK_LATERAL = const(0)
_CHECK_LONGITUDINAL = const(1)
_CHECK_YAW = const(2)
_CHECK_STEER = const(3)
_CHECK_BRAKE = const(4)
_CHECK_SPEED = const(5)
_CHECK_STROKE_OFFSET = const(6)
_CHECK_STROKE_ROLL = const(10)
_CHECK_BUS_OFF = const(12)
_CHECK_SUPPLY_LOW = const(13)
_CHECK_SUPPLY_HIGH = const(15)
_CHECK_SUPPLY_OVER = const(16)
_CHECK_DRIVER_HOT = const(17)
_CHECK_DRIVER_HOT_OFF = const(18)
_CHECK_OVERRUN = const(39)
_CHECK_HELD = const(41)
# layout: end

_FINE = const(0)
_BAD = const(1)
_NONE = const(2)
_TRUSTED_Q10 = const(1024)
# cm/s times 0.01 deg/s to thousandths of g: 9.80665 m/s2 x 18000/pi = 56188.0; here per tenth of that.
_SPEED_YAW_PER_MG = const(5619)
_POSITION_MAX_Q4 = const(0x1FFFFFFF)


@micropython.viper
def observe(image: ptr32, state: ptr32):
    """Compare, and prepare the substitutes of both accelerations."""
    pad = state[_S_PAD]
    dt = state[_S_DT_US]
    for check in range(_CHECK_BUS_OFF):
        state[_S_SUSPECT + check] = _NONE

    # Which channels have a value that is not too old.
    known = 0
    own = state
    row = ptr32(uint(image) + (_C_CHANNEL_ROWS << 2))
    for channel in range(_N_CHANNELS):
        if own[_S_AGE_US] <= row[_CHANNEL_ROW_TIMEOUT_US] and row[_CHANNEL_ROW_CONFIGURED]:
            known |= 1 << channel
        own = ptr32(uint(own) + 4)
        row = ptr32(uint(row) + (_N_CHANNEL_ROW << 2))

    from_cm_s = image[_C_CHECK_FROM_CM_S]
    lateral = state[_S_VALUE + _CH_LATERAL_MG] << pad >> pad
    longitudinal = state[_S_VALUE + _CH_LONGITUDINAL_MG] << pad >> pad
    yaw = state[_S_VALUE + _CH_YAW_CDEG_S] << pad >> pad
    speed = state[_S_CHANNEL + _CH_ROAD_SPEED_CM_S] << pad >> pad
    speed_whole = 0
    if state[_S_TRUST_Q10 + _CH_ROAD_SPEED_CM_S] == _TRUSTED_Q10:
        speed_whole = known >> _CH_ROAD_SPEED_CM_S & 1
    compare = 0
    if speed_whole and speed >= from_cm_s:
        compare = 1
    change = state[_S_SPEED_CHANGE_MG] << pad >> pad
    turn = (speed * yaw + (_SPEED_YAW_PER_MG >> 1)) // _SPEED_YAW_PER_MG

    # No more than the channels themselves may carry.
    if turn > _LIMIT_LATERAL_MG:
        turn = _LIMIT_LATERAL_MG
    elif turn < 0 - _LIMIT_LATERAL_MG:
        turn = 0 - _LIMIT_LATERAL_MG
    if change > _LIMIT_LATERAL_MG:
        change = _LIMIT_LATERAL_MG
    elif change < 0 - _LIMIT_LATERAL_MG:
        change = 0 - _LIMIT_LATERAL_MG

    yaw_whole = 0
    if state[_S_TRUST_Q10 + _CH_YAW_CDEG_S] == _TRUSTED_Q10:
        yaw_whole = known >> _CH_YAW_CDEG_S & 1
    state[_S_SUBSTITUTE_OK] = speed_whole & yaw_whole
    state[_S_SUBSTITUTE_MG] = turn
    state[_S_SUBSTITUTE_OK + 1] = speed_whole
    state[_S_SUBSTITUTE_MG + 1] = change

    # Road speed against the wheels; the two in the middle, as one may lock or spin. Long before they differ by the
    # limit, the change of speed is no witness against the longitudinal acceleration.
    doubt = 0
    wheels = known >> _CH_WHEEL_SPEED_CM_S & 15
    if wheels == 15 and known >> _CH_ROAD_SPEED_CM_S & 1:
        total = 0
        least = state[_S_VALUE + _CH_WHEEL_SPEED_CM_S] << pad >> pad
        most = least
        for corner in range(_N_CORNERS):
            value = state[_S_VALUE + _CH_WHEEL_SPEED_CM_S + corner] << pad >> pad
            total += value
            if value < least:
                least = value
            elif value > most:
                most = value
        total = total - least - most >> 1
        value = state[_S_VALUE + _CH_ROAD_SPEED_CM_S] << pad >> pad
        if value >= from_cm_s or total >= from_cm_s:
            value -= total
            if value < 0:
                value = 0 - value
            state[_S_SUSPECT + _CHECK_SPEED] = _FINE
            at = _C_CHECK_ROWS + _CHECK_SPEED * _N_CHECK_ROW + _CHECK_ROW_LIMIT
            if value > image[at + state[_S_TRIPPED + _CHECK_SPEED]]:
                state[_S_SUSPECT + _CHECK_SPEED] = _BAD
            if value * 3 > image[at]:
                doubt = 1

    if compare:
        if known >> _CH_LATERAL_MG & known >> _CH_YAW_CDEG_S & 1:
            value = lateral - turn
            if value < 0:
                value = 0 - value
            at = _C_CHECK_ROWS + _CHECK_LATERAL * _N_CHECK_ROW + _CHECK_ROW_LIMIT
            lateral_yaw = _FINE
            if value > image[at + state[_S_TRIPPED + _CHECK_LATERAL]]:
                lateral_yaw = _BAD
            state[_S_SUSPECT + _CHECK_LATERAL] = lateral_yaw
            if known >> _CH_STEER_DDEG & 1:
                steer = state[_S_VALUE + _CH_STEER_DDEG] << pad >> pad
                asked = (state[_S_LOOKUP_Y + _N_LOOKUPS - 1] << pad >> pad) * steer // 1000
                if asked > 32767:
                    asked = 32767
                elif asked < 0 - 32767:
                    asked = 0 - 32767
                asked = (speed * asked + (_SPEED_YAW_PER_MG >> 1)) // _SPEED_YAW_PER_MG
                at = _C_CHECK_ROWS + _CHECK_STEER * _N_CHECK_ROW + _CHECK_ROW_LIMIT
                limit = image[at + state[_S_TRIPPED + _CHECK_STEER]]
                value = lateral - asked
                if value < 0:
                    value = 0 - value
                lateral_steer = _FINE
                if value > limit:
                    lateral_steer = _BAD
                other = turn - asked
                if other < 0:
                    other = 0 - other
                yaw_steer = _FINE
                if other > limit:
                    yaw_steer = _BAD
                state[_S_SUSPECT + _CHECK_STEER] = lateral_steer & yaw_steer
                if state[_S_TRIPPED + _CHECK_STEER] == 0:
                    if lateral_steer == _FINE and yaw_steer == _FINE:
                        if other > value:
                            yaw_steer = _BAD
                        else:
                            lateral_steer = _BAD
                    state[_S_SUSPECT + _CHECK_LATERAL] = lateral_yaw & lateral_steer
                    state[_S_SUSPECT + _CHECK_YAW] = lateral_yaw & yaw_steer
        if known >> _CH_LONGITUDINAL_MG & 1 and not doubt:
            value = longitudinal - change
            if value < 0:
                value = 0 - value
            at = _C_CHECK_ROWS + _CHECK_LONGITUDINAL * _N_CHECK_ROW + _CHECK_ROW_LIMIT
            state[_S_SUSPECT + _CHECK_LONGITUDINAL] = _FINE
            if value > image[at + state[_S_TRIPPED + _CHECK_LONGITUDINAL]]:
                state[_S_SUSPECT + _CHECK_LONGITUDINAL] = _BAD
            # The brake is judged by the deceleration, so only while that itself is beyond doubt.
            elif known >> _CH_BRAKE_KPA & 1 and state[_S_TRIPPED + _CHECK_LONGITUDINAL] == 0:
                brake = state[_S_VALUE + _CH_BRAKE_KPA] << pad >> pad
                state[_S_SUSPECT + _CHECK_BRAKE] = _FINE
                if brake > image[_C_BRAKE_HIGH_KPA]:
                    if 0 - longitudinal < image[_C_BRAKE_LEAST_MG]:
                        state[_S_SUSPECT + _CHECK_BRAKE] = _BAD
                elif brake < image[_C_BRAKE_LOW_KPA]:
                    if 0 - longitudinal > image[_C_BRAKE_MOST_MG]:
                        state[_S_SUSPECT + _CHECK_BRAKE] = _BAD

        if known >> _CH_STROKE_UM & 15 == 15 and known >> _CH_LATERAL_MG & 1:
            # Roll: on one axle only, and the axle farther off. A kerb or a bank of the road shows on both.
            smooth = state[_S_LATERAL_FILTERED_MG] << pad >> pad
            front = state[_S_VALUE + _CH_STROKE_UM] << pad >> pad
            front -= state[_S_VALUE + _CH_STROKE_UM + 1] << pad >> pad
            front += image[_C_ROLL_UM] * smooth // 1000
            rear = state[_S_VALUE + _CH_STROKE_UM + 2] << pad >> pad
            rear -= state[_S_VALUE + _CH_STROKE_UM + 3] << pad >> pad
            rear += image[_C_ROLL_UM + 1] * smooth // 1000
            value = front - rear
            if value < 0:
                value = 0 - value
            if front < 0:
                front = 0 - front
            if rear < 0:
                rear = 0 - rear
            at = _C_CHECK_ROWS + _CHECK_STROKE_ROLL * _N_CHECK_ROW + _CHECK_ROW_LIMIT
            limit = image[at + state[_S_TRIPPED + _CHECK_STROKE_ROLL]]
            state[_S_SUSPECT + _CHECK_STROKE_ROLL] = _FINE
            if value > limit and front > limit and front >= rear:
                state[_S_SUSPECT + _CHECK_STROKE_ROLL] = _BAD
            limit = image[at + _N_CHECK_ROW + state[_S_TRIPPED + _CHECK_STROKE_ROLL + 1]]
            state[_S_SUSPECT + _CHECK_STROKE_ROLL + 1] = _FINE
            if value > limit and rear > limit and rear > front:
                state[_S_SUSPECT + _CHECK_STROKE_ROLL + 1] = _BAD

            # Offset: medians while driving straight on. A median creeps up or down by a step, whatever the bump.
            bound = image[_C_STRAIGHT_MG]
            along = state[_S_LATERAL_FILTERED_MG + 1] << pad >> pad
            if smooth < bound and 0 - smooth < bound and along < bound and 0 - along < bound:
                step = image[_C_STRAIGHT_STEP_Q4]
                total = 0
                others = 0
                for corner in range(_N_CORNERS):
                    mean = state[_S_STRAIGHT_Q4 + corner] << pad >> pad
                    value = ((state[_S_VALUE + _CH_STROKE_UM + corner] << pad >> pad) << 4) - mean
                    if value > step:
                        value = step
                    elif value < 0 - step:
                        value = 0 - step
                    mean += value
                    state[_S_STRAIGHT_Q4 + corner] = mean
                    if state[_S_TRIPPED + _CHECK_STROKE_OFFSET + corner] == 0:
                        total += mean
                        others += 1
                farthest = 0
                for corner in range(_N_CORNERS):
                    # So many times a stroke less the sum of the unsuspected is as many times its distance from the
                    # mean of the others among them. It needs two others, and only the farthest can be the wrong one.
                    value = (state[_S_STRAIGHT_Q4 + corner] << pad >> pad) * others - total
                    if value < 0:
                        value = 0 - value
                    at = _C_CHECK_ROWS + (_CHECK_STROKE_OFFSET + corner) * _N_CHECK_ROW + _CHECK_ROW_LIMIT
                    if state[_S_TRIPPED + _CHECK_STROKE_OFFSET + corner]:
                        if others > 1:
                            state[_S_SUSPECT + _CHECK_STROKE_OFFSET + corner] = _FINE
                            if value > image[at + 1] * others << 4:
                                state[_S_SUSPECT + _CHECK_STROKE_OFFSET + corner] = _BAD
                    elif others > 2:
                        state[_S_SUSPECT + _CHECK_STROKE_OFFSET + corner] = _FINE
                        if value > farthest:
                            farthest = value
                            if value > image[at] * (others - 1) << 4:
                                for other in range(corner):
                                    if state[_S_TRIPPED + _CHECK_STROKE_OFFSET + other] == 0:
                                        state[_S_SUSPECT + _CHECK_STROKE_OFFSET + other] = _FINE
                                state[_S_SUSPECT + _CHECK_STROKE_OFFSET + corner] = _BAD

    # What the board says of itself.
    flags = state[_S_BOARD_FLAGS]
    state[_S_SUSPECT + _CHECK_BUS_OFF] = flags & _FLAG_BUS_OFF
    hot = _FINE
    if flags & _FLAG_DRIVER_HOT:
        hot = _BAD
    state[_S_SUSPECT + _CHECK_DRIVER_HOT] = hot
    state[_S_SUSPECT + _CHECK_DRIVER_HOT_OFF] = hot
    state[_S_SUSPECT + _CHECK_HELD] = _FINE
    if flags & _FLAG_HELD:
        state[_S_SUSPECT + _CHECK_HELD] = _BAD
    supply = state[_S_BOARD_SUPPLY_MV]
    for check in range(_CHECK_SUPPLY_LOW, _CHECK_SUPPLY_OVER + 1):
        limit = image[_C_CHECK_ROWS + check * _N_CHECK_ROW + _CHECK_ROW_LIMIT + state[_S_TRIPPED + check]]
        state[_S_SUSPECT + check] = _FINE
        if check < _CHECK_SUPPLY_HIGH:
            if supply < limit:
                state[_S_SUSPECT + check] = _BAD
        elif supply > limit:
            state[_S_SUSPECT + check] = _BAD
    state[_S_SUSPECT + _CHECK_OVERRUN] = _FINE
    # The estimates count ticks, so a loop that is a quarter too slow is as much out of them.
    if state[_S_TICKS] and dt > image[_C_PERIOD_US] + (image[_C_PERIOD_US] >> 2):
        state[_S_SUSPECT + _CHECK_OVERRUN] = _BAD
