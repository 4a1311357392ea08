"""The coils: what measured current, duty and supply tell of them, and the control of the current itself.

The coil is a first-order lag, L di/dt + R i = v. While the driver has the supply off the coil the current runs on
through the freewheel path against its voltage, so the mean voltage of a period is v = duty (V + Vf) - Vf: with duty as
the unknown the plant is linear, and rise and fall differ only by the bounds of v, -Vf and V.

Control by cancellation of the pole, in the sampled form, exact at the ticks: with a = exp(-T R / L) and
b = exp(-T / response), v changes each tick by R (1 - b) / (1 - a) times (error - a x error before), and the current
then follows i' = i + (1 - b)(command - i). The integrator is v itself, so bounding v is the anti-windup. R is
estimated, and a follows it: L, and with it the gain, stays as the coil warms up.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_CORNERS_OFF = const(8)
_S_BOARD_SUPPLY_MV = const(14)
_S_BOARD_FLAGS = const(15)
_S_CURRENT_MA = const(89)
_S_MEASURED_MA = const(93)
_S_DUTY_Q14 = const(97)
_S_PAD = const(101)
_S_SUSPECT = const(283)
_S_TRIPPED = const(367)
_S_COIL_REFERENCE_Q8 = const(466)
_S_COIL_ERROR_MA = const(470)
_S_COIL_VOLT_Q4 = const(474)
_S_COIL_BEFORE_MA = const(478)
_S_COIL_OHM_Q4 = const(482)
_C_CHECK_ROWS = const(337)
_C_OPEN_PERMILLE = const(556)
_C_RESISTANCE_PERMILLE = const(557)
_C_TRACKING_LEAST_MA = const(559)
_C_CURRENT_CONTROL = const(560)
_C_FREEWHEEL_MV = const(561)
_C_COIL_ZERO_Q10 = const(563)
_C_COIL_GAIN_Q10 = const(567)
_C_COIL_SHARE_Q10 = const(571)
_C_COIL_MOHM = const(575)
_C_RESISTANCE_Q10 = const(583)
_N_CORNERS = const(4)
_N_CHECK_ROW = const(5)
_CHECK_ROW_LIMIT = const(3)
_CHECK_ROW_HEAL_LIMIT = const(4)
_FLAG_OVER_CURRENT_FRONT_LEFT = const(8)
_CHECK_COIL_OPEN = const(19)
_CHECK_COIL_SHORT = const(23)
_CHECK_COIL_RESISTANCE = const(27)
_CHECK_COIL_RESISTANCE_OFF = const(31)
_CHECK_COIL_TRACKING = const(35)
# layout: end

_FINE = const(0)
_BAD = const(1)
_NONE = const(2)
_MEASURED_MAX_MA = const(32767)
_ERROR_MAX_MA = const(8000)
_GAIN_MAX_MOHM = const(8000)  # with the greatest error the product stays below 2**31
_SOME_MA = const(16)
_ESTIMATE_FROM_MA = const(200)
_ESTIMATE_MAX_MOHM = const(60000)
_SUPPLY_LEAST_MV = const(1000)
_SUPPLY_MOST_MV = const(32767)


@micropython.viper
def watch(image: ptr32, state: ptr32):
    """See what the coils did in the period that has just ended."""
    pad = state[_S_PAD]
    flags = state[_S_BOARD_FLAGS]
    top = state[_S_BOARD_SUPPLY_MV]
    if top < _SUPPLY_LEAST_MV:
        top = _SUPPLY_LEAST_MV
    elif top > _SUPPLY_MOST_MV:
        top = _SUPPLY_MOST_MV
    for corner in range(_N_CORNERS):
        own = ptr32(uint(state) + (corner << 2))
        row = ptr32(uint(image) + (corner << 2))
        measured = own[_S_MEASURED_MA]
        if measured > _MEASURED_MAX_MA:
            measured = _MEASURED_MAX_MA
        # The hardware's own switch needs no control by this firmware.
        short = _FINE
        if flags & _FLAG_OVER_CURRENT_FRONT_LEFT << corner:
            short = _BAD
        opened = _NONE
        tracking = _NONE
        odd = _NONE
        if image[_C_CURRENT_CONTROL]:
            limits = ptr32(uint(image) + (_C_CHECK_ROWS + corner * _N_CHECK_ROW << 2))
            most = limits[_CHECK_COIL_SHORT * _N_CHECK_ROW + _CHECK_ROW_LIMIT]
            if own[_S_TRIPPED + _CHECK_COIL_SHORT]:
                most = limits[_CHECK_COIL_SHORT * _N_CHECK_ROW + _CHECK_ROW_HEAL_LIMIT]
            if measured > most:
                short = _BAD
            volt_q4 = own[_S_COIL_VOLT_Q4] << pad >> pad
            reference = own[_S_COIL_REFERENCE_Q8] >> 8
            if reference >= limits[_CHECK_COIL_OPEN * _N_CHECK_ROW + _CHECK_ROW_LIMIT] and own[_S_DUTY_Q14]:
                opened = _FINE
                if measured * 1000 < reference * image[_C_OPEN_PERMILLE]:
                    opened = _BAD
            # With all of the supply on the coil the current is as high as it can be, and no error of its control.
            if opened != _BAD and (volt_q4 < top << 4 or measured > reference):
                tracking = _FINE
                error = reference - measured
                if error < 0:
                    error = 0 - error
                share = limits[_CHECK_COIL_TRACKING * _N_CHECK_ROW + _CHECK_ROW_LIMIT]
                if own[_S_TRIPPED + _CHECK_COIL_TRACKING]:
                    share = limits[_CHECK_COIL_TRACKING * _N_CHECK_ROW + _CHECK_ROW_HEAL_LIMIT]
                limit = reference * share // 1000
                if error > image[_C_TRACKING_LEAST_MA] and error > limit:
                    tracking = _BAD

            # From i' = a i + (1 - a) v / R; where the current stands still, a is out of it.
            before = own[_S_COIL_BEFORE_MA]
            zero = row[_C_COIL_ZERO_Q10]
            estimate = own[_S_COIL_OHM_Q4]
            if measured >= _ESTIMATE_FROM_MA and before >= _ESTIMATE_FROM_MA and volt_q4 > 0:
                below = ((measured << 10) - zero * before << 4) // 1000
                if below > 0:
                    sample = volt_q4 * (1024 - zero) // below
                    if sample > _ESTIMATE_MAX_MOHM:
                        sample = _ESTIMATE_MAX_MOHM
                    estimate += ((sample << 4) - estimate) * image[_C_RESISTANCE_Q10] + 512 >> 10
                    own[_S_COIL_OHM_Q4] = estimate
                    nominal = row[_C_COIL_MOHM]
                    odd = _FINE
                    if (estimate >> 4) * 1000 < nominal * image[_C_RESISTANCE_PERMILLE]:
                        odd = _BAD
                    elif (estimate >> 4) * 1000 > nominal * image[_C_RESISTANCE_PERMILLE + 1]:
                        odd = _BAD
            own[_S_COIL_BEFORE_MA] = measured
        own[_S_SUSPECT + _CHECK_COIL_OPEN] = opened
        own[_S_SUSPECT + _CHECK_COIL_SHORT] = short
        own[_S_SUSPECT + _CHECK_COIL_RESISTANCE] = odd
        own[_S_SUSPECT + _CHECK_COIL_RESISTANCE_OFF] = odd
        own[_S_SUSPECT + _CHECK_COIL_TRACKING] = tracking


@micropython.viper
def control(image: ptr32, state: ptr32):
    """Set the duty of each coil until the next tick."""
    if image[_C_CURRENT_CONTROL] == 0:
        return
    pad = state[_S_PAD]
    off = state[_S_CORNERS_OFF]
    top = state[_S_BOARD_SUPPLY_MV]
    if top < _SUPPLY_LEAST_MV:
        top = _SUPPLY_LEAST_MV
    elif top > _SUPPLY_MOST_MV:
        top = _SUPPLY_MOST_MV
    free = image[_C_FREEWHEEL_MV]
    for corner in range(_N_CORNERS):
        own = ptr32(uint(state) + (corner << 2))
        row = ptr32(uint(image) + (corner << 2))
        command = own[_S_CURRENT_MA] << pad >> pad
        reference = own[_S_COIL_REFERENCE_Q8]
        reference += ((command << 8) - reference) * row[_C_COIL_SHARE_Q10] + 512 >> 10
        own[_S_COIL_REFERENCE_Q8] = reference
        measured = own[_S_MEASURED_MA]
        error = command - measured
        if error < 0 - _ERROR_MAX_MA:
            error = 0 - _ERROR_MAX_MA
        last = own[_S_COIL_ERROR_MA] << pad >> pad
        nominal = row[_C_COIL_MOHM]
        gain = nominal * row[_C_COIL_GAIN_Q10] >> 10
        if gain > _GAIN_MAX_MOHM:
            gain = _GAIN_MAX_MOHM
        zero = 1024 - (1024 - row[_C_COIL_ZERO_Q10]) * (own[_S_COIL_OHM_Q4] >> 4) // nominal
        if zero < 0:
            zero = 0
        step_q4 = (error << 10) - zero * last >> 6
        volt_q4 = own[_S_COIL_VOLT_Q4] << pad >> pad
        if own[_S_SUSPECT + _CHECK_COIL_OPEN] == _BAD and measured < _SOME_MA:
            # Without any current there is nothing to control, and what would wind up now would be a jolt at its return:
            # the voltage that a whole coil would need at rest.
            volt_q4 = command * (own[_S_COIL_OHM_Q4] >> 4) // 1000 << 4
        else:
            volt_q4 += step_q4 * gain // 1000
        if volt_q4 > top << 4:
            volt_q4 = top << 4
        elif volt_q4 < 0 - (free << 4):
            volt_q4 = 0 - (free << 4)
        duty = (volt_q4 + (free << 4)) * 1024 // (top + free)
        if command == 0 or off >> corner & 1:
            volt_q4 = 0
            error = 0
            duty = 0
        own[_S_COIL_ERROR_MA] = error
        own[_S_COIL_VOLT_Q4] = volt_q4
        own[_S_DUTY_Q14] = duty
