"""One debounce for every check: so many bad ticks trip it, so many good ones heal it, so many heals are allowed.

The level counts up with each bad tick and down with each good one. Once tripped, good ticks count toward healing and a
bad one begins that count anew; ticks in which there is nothing to compare count as nothing. A check that has healed as
often as it may stays tripped until a reset. `trip_ticks` 0 switches a check off.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_FAULTS = const(4)
_S_CHANNELS_IMPLAUSIBLE = const(7)
_S_SUSPECT = const(283)
_S_LEVEL = const(325)
_S_TRIPPED = const(367)
_S_HEALS = const(409)
_S_FAULTS_LATCHED = const(451)
_C_CHECK_ROWS = const(337)
_N_CORNERS = const(4)
_N_CHECKS = const(42)
_N_CHECK_ROW = const(5)
_CHECK_ROW_TRIP_TICKS = const(0)
_CHECK_ROW_HEAL_TICKS = const(1)
_CHECK_ROW_HEALS_MOST = const(2)
_CH_LATERAL_MG = const(0)
_CH_LONGITUDINAL_MG = const(1)
_CH_BRAKE_KPA = const(3)
_CH_STEER_DDEG = const(4)
_CH_YAW_CDEG_S = const(5)
_CH_ROAD_SPEED_CM_S = const(6)
_CH_STROKE_UM = const(11)
_FAULT_LATCHED = const(1024)
_FAULT_MEMORY = const(536870912)
_CHECK_LATERAL = const(0)
_CHECK_LONGITUDINAL = const(1)
_CHECK_YAW = const(2)
_CHECK_STEER = const(3)
_CHECK_BRAKE = const(4)
_CHECK_SPEED = const(5)
_CHECK_STROKE_OFFSET = const(6)
_CHECK_STROKE_ROLL = const(10)
_CHECK_MEMORY = const(40)
_CHECK_CODES = (
    11,  # lateral
    12,  # longitudinal
    13,  # yaw
    14,  # steer
    15,  # brake
    16,  # speed
    17,  # stroke_offset.front_left
    17,  # stroke_offset.front_right
    17,  # stroke_offset.rear_left
    17,  # stroke_offset.rear_right
    17,  # stroke_roll.front
    17,  # stroke_roll.rear
    18,  # bus_off
    19,  # supply_low
    19,  # supply_under
    20,  # supply_high
    20,  # supply_over
    21,  # driver_hot
    21,  # driver_hot_off
    22,  # coil_open.front_left
    22,  # coil_open.front_right
    22,  # coil_open.rear_left
    22,  # coil_open.rear_right
    23,  # coil_short.front_left
    23,  # coil_short.front_right
    23,  # coil_short.rear_left
    23,  # coil_short.rear_right
    24,  # coil_resistance.front_left
    24,  # coil_resistance.front_right
    24,  # coil_resistance.rear_left
    24,  # coil_resistance.rear_right
    24,  # coil_resistance_off.front_left
    24,  # coil_resistance_off.front_right
    24,  # coil_resistance_off.rear_left
    24,  # coil_resistance_off.rear_right
    25,  # coil_tracking.front_left
    25,  # coil_tracking.front_right
    25,  # coil_tracking.rear_left
    25,  # coil_tracking.rear_right
    28,  # overrun
    29,  # memory
    30,  # held
)
# layout: end

_BAD = const(1)
_NONE = const(2)

CODES = _CHECK_CODES


@micropython.viper
def debounce(image: ptr32, state: ptr32, masks: ptr32):
    """Turn what the checks see into tripped checks, faults, and the channels that are not to be believed."""
    faults = state[_S_FAULTS]
    latched = state[_S_FAULTS_LATCHED]
    own = state
    for check in range(_N_CHECKS):
        suspect = own[_S_SUSPECT]
        level = own[_S_LEVEL]
        # Nearly always there is nothing to count.
        if suspect & _BAD | level | own[_S_TRIPPED]:
            row = ptr32(uint(image) + (_C_CHECK_ROWS + check * _N_CHECK_ROW << 2))
            trip = row[_CHECK_ROW_TRIP_TICKS]
            if trip:
                if own[_S_TRIPPED]:
                    if own[_S_HEALS] >= row[_CHECK_ROW_HEALS_MOST]:
                        latched |= masks[check]
                    elif suspect == _BAD:
                        level = 0
                    elif suspect != _NONE:
                        level += 1
                        if level >= row[_CHECK_ROW_HEAL_TICKS]:
                            level = 0
                            own[_S_TRIPPED] = 0
                            own[_S_HEALS] += 1
                elif suspect == _BAD:
                    level += 1
                    if level >= trip:
                        level = 0
                        own[_S_TRIPPED] = 1
                elif suspect != _NONE:
                    level -= 1
                own[_S_LEVEL] = level
                if own[_S_TRIPPED]:
                    faults |= masks[check]
        own = ptr32(uint(own) + 4)
    # A wrong memory may hold wrong times for its own check: none is asked, and there is no way back.
    if state[_S_SUSPECT + _CHECK_MEMORY] == _BAD or latched & _FAULT_MEMORY:
        state[_S_TRIPPED + _CHECK_MEMORY] = 1
        latched |= _FAULT_MEMORY
        faults |= _FAULT_MEMORY
    if latched:
        faults |= _FAULT_LATCHED
    state[_S_FAULTS] = faults
    state[_S_FAULTS_LATCHED] = latched

    unlikely = state[_S_TRIPPED + _CHECK_LATERAL] << _CH_LATERAL_MG
    unlikely |= state[_S_TRIPPED + _CHECK_LONGITUDINAL] << _CH_LONGITUDINAL_MG
    unlikely |= state[_S_TRIPPED + _CHECK_YAW] << _CH_YAW_CDEG_S
    unlikely |= state[_S_TRIPPED + _CHECK_STEER] << _CH_STEER_DDEG
    unlikely |= state[_S_TRIPPED + _CHECK_BRAKE] << _CH_BRAKE_KPA
    unlikely |= state[_S_TRIPPED + _CHECK_SPEED] << _CH_ROAD_SPEED_CM_S
    for corner in range(_N_CORNERS):
        # Which sensor of an axle is wrong the roll does not tell: both.
        wrong = state[_S_TRIPPED + _CHECK_STROKE_OFFSET + corner]
        wrong |= state[_S_TRIPPED + _CHECK_STROKE_ROLL + (corner >> 1)]
        unlikely |= wrong << _CH_STROKE_UM + corner
    state[_S_CHANNELS_IMPLAUSIBLE] = unlikely
