"""Fourth stage: the layers. Each adds its per mille to the firmness demand of each corner, and all are kept apart.

Two passes: what the car's motion and the driver ask for, then what the strokes ask for. The sum of all contributions
is the demand, exactly: the last one, `clamp`, is what the limits took or gave.
"""

import micropython
from micropython import const

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_S_CHANNEL = const(16)
_S_LATERAL_FILTERED_MG = const(34)
_S_LONGITUDINAL_FILTERED_MG = const(35)
_S_STROKE_SPEED_MM_S = const(36)
_S_STEER_RATE_DEG_S = const(40)
_S_BRAKE_RATE_BAR_S = const(41)
_S_WET_PERMILLE = const(43)
_S_DEMAND_PERMILLE = const(81)
_S_PAD = const(101)
_S_TRUST_Q10 = const(175)
_S_LOOKUP_Y = const(521)
_S_BRAKE_LEAD_Q4 = const(529)
_S_STEER_LEAD_Q4 = const(531)
_S_GRIP_PEAK = const(535)
_S_GRIP_EVENT_TICKS = const(536)
_S_GRIP_LOW_RUN = const(537)
_S_GRIP_HIGH_RUN = const(538)
_S_GRIP_WET = const(539)
_S_WET_Q16 = const(540)
_S_ROUGHNESS_Q4 = const(541)
_C_LAYER_ON = const(209)
_C_BODY_LOAD_TABLE = const(226)
_C_BRAKE_RATE_DEAD_BAR_S = const(228)
_C_BRAKE_RATE_GAIN_PERMILLE = const(229)
_C_BRAKE_LEAD_PEAK_PERMILLE = const(231)
_C_BRAKE_DECAY_Q10 = const(233)
_C_STEER_DEAD_DEG_S = const(234)
_C_STEER_GAIN_PERMILLE = const(235)
_C_STEER_PEAK_PERMILLE = const(239)
_C_STEER_DECAY_Q10 = const(240)
_C_STEER_FADE_CM_S = const(241)
_C_BAND_EDGE_MM_S = const(243)
_C_BAND_BLEND_MM_S = const(245)
_C_BAND_TRIM_PERMILLE = const(246)
_C_ROUGH_BRAKE_KPA = const(270)
_C_ROUGH_MM_S = const(272)
_C_ROUGH_Q10 = const(274)
_C_GRIP_ASK_KPA = const(275)
_C_GRIP_LOW_SQ = const(276)
_C_GRIP_HIGH_SQ = const(277)
_C_GRIP_EVENT_MIN_TICKS = const(278)
_C_GRIP_SETTLE_TICKS = const(279)
_C_GRIP_RISE_Q10 = const(280)
_C_GRIP_FALL_Q10 = const(281)
_C_GRIP_EVENTS = const(282)
_C_GRIP_SLOW_IN_Q16 = const(283)
_C_GRIP_SLOW_OUT_Q16 = const(284)
_C_GRIP_SCALE_PERMILLE = const(285)
_C_END_START_UM = const(287)
_C_END_STOP_UM = const(291)
_C_END_PEAK_PERMILLE = const(295)
_C_END_SHAPE_PERMILLE = const(299)
_C_END_LEAD_US = const(300)
_C_END_MOVING_MM_S = const(301)
_C_DEMAND_MIN_PERMILLE = const(302)
_C_DEMAND_MAX_PERMILLE = const(306)
_N_AXLES = const(2)
_N_DIRECTIONS = const(2)
_N_BANDS = const(3)
_N_CORNERS = const(4)
_CH_LATERAL_MG = const(0)
_CH_LONGITUDINAL_MG = const(1)
_CH_BRAKE_KPA = const(3)
_CH_STEER_DDEG = const(4)
_CH_ROAD_SPEED_CM_S = const(6)
_CH_STROKE_UM = const(11)
_CH_GRIP_SWITCH = const(16)
_L_BASE = const(45)
_L_BODY_LOAD = const(49)
_L_BRAKE_LEAD = const(53)
_L_STEER_LEAD = const(57)
_L_STROKE_SPEED = const(61)
_L_ROAD_SPEED = const(65)
_L_GRIP = const(69)
_L_STROKE_END = const(73)
_L_CLAMP = const(77)
_LAYER_BODY_LOAD = const(1)
_LAYER_BRAKE_LEAD = const(2)
_LAYER_STEER_LEAD = const(3)
_LAYER_STROKE_SPEED = const(4)
_LAYER_ROAD_SPEED = const(5)
_LAYER_GRIP = const(6)
_LAYER_STROKE_END = const(7)
# layout: end

_ONE_Q10 = const(1024)
_ONE_Q14 = const(16384)
_ONE_Q16 = const(65536)
_COUNT_MAX = const(0x7FFF)
_SET = const(12)  # trims of a set: two axles, two directions, three bands


@micropython.viper
def lead(image: ptr32, state: ptr32):
    """Base, body load, brake lead, steer lead, road speed, and the evidence of grip."""
    pad = state[_S_PAD]
    speed = state[_S_CHANNEL + _CH_ROAD_SPEED_CM_S] << pad >> pad
    lateral = state[_S_LATERAL_FILTERED_MG] << pad >> pad
    longitudinal = state[_S_LONGITUDINAL_FILTERED_MG] << pad >> pad
    brake = state[_S_CHANNEL + _CH_BRAKE_KPA] << pad >> pad
    steer = state[_S_CHANNEL + _CH_STEER_DDEG] << pad >> pad

    own = state
    for axle in range(_N_AXLES):
        y = state[_S_LOOKUP_Y + axle]
        own[_L_BASE] = y
        own[_L_BASE + 1] = y
        if image[_C_LAYER_ON + _LAYER_ROAD_SPEED]:
            y = state[_S_LOOKUP_Y + _N_AXLES + axle]
            own[_L_ROAD_SPEED] = y
            own[_L_ROAD_SPEED + 1] = y
        own = ptr32(uint(own) + 8)

    # Body load: one place on the two axes serves the maps of all four corners.
    trust = state[_S_TRUST_Q10 + _CH_LATERAL_MG]
    other = state[_S_TRUST_Q10 + _CH_LONGITUDINAL_MG]
    if other < trust:
        trust = other
    if image[_C_LAYER_ON + _LAYER_BODY_LOAD]:
        table = ptr32(uint(image) + (image[_C_BODY_LOAD_TABLE] << 2))
        nx = table[0]
        ny = table[1]
        place = ptr32(uint(table) + 8)
        i = 1
        while i < nx - 1 and lateral >= place[1] << pad >> pad:
            place = ptr32(uint(place) + 4)
            i += 1
        x0 = place[0] << pad >> pad
        x1 = place[1] << pad >> pad
        wx = 0
        if lateral >= x1:
            wx = _ONE_Q14
        elif lateral > x0:
            wx = ((lateral - x0) << 14) // (x1 - x0)
        place = ptr32(uint(table) + (2 + nx << 2))
        j = 1
        while j < ny - 1 and longitudinal >= place[1] << pad >> pad:
            place = ptr32(uint(place) + 4)
            j += 1
        x0 = place[0] << pad >> pad
        x1 = place[1] << pad >> pad
        wy = 0
        if longitudinal >= x1:
            wy = _ONE_Q14
        elif longitudinal > x0:
            wy = ((longitudinal - x0) << 14) // (x1 - x0)
        at = 1 + nx + ny + (i - 1) * ny + j
        own = state
        for _ in range(_N_CORNERS):
            cell = ptr32(uint(table) + (at << 2))
            beside = ptr32(uint(cell) + (ny << 2))
            y0 = cell[0] << pad >> pad
            y1 = beside[0] << pad >> pad
            near = (y0 << 4) + ((y1 - y0) * wx + 512 >> 10)
            y0 = cell[1] << pad >> pad
            y1 = beside[1] << pad >> pad
            far = (y0 << 4) + ((y1 - y0) * wx + 512 >> 10)
            near += (far - near) * wy + 8192 >> 14
            own[_L_BODY_LOAD] = (near + 8 >> 4) * trust >> 10
            own = ptr32(uint(own) + 4)
            at += nx * ny

    # Brake lead: the pressure above its own slow average, and how fast it rises, ahead of the deceleration.
    trust = state[_S_TRUST_Q10 + _CH_BRAKE_KPA]
    if image[_C_LAYER_ON + _LAYER_BRAKE_LEAD]:
        rate = (state[_S_BRAKE_RATE_BAR_S] << pad >> pad) - image[_C_BRAKE_RATE_DEAD_BAR_S]
        if rate < 0:
            rate = 0
        for axle in range(_N_AXLES):
            own = ptr32(uint(state) + (axle << 2))
            row = ptr32(uint(image) + (axle << 2))
            y = own[_S_LOOKUP_Y + 2 * _N_AXLES] << pad >> pad
            y += rate * row[_C_BRAKE_RATE_GAIN_PERMILLE] // 100
            if y > row[_C_BRAKE_LEAD_PEAK_PERMILLE]:
                y = row[_C_BRAKE_LEAD_PEAK_PERMILLE]
            held = own[_S_BRAKE_LEAD_Q4]
            held -= held * image[_C_BRAKE_DECAY_Q10] + 1023 >> 10
            if y << 4 > held:
                held = y << 4
            own[_S_BRAKE_LEAD_Q4] = held
            y = (held >> 4) * trust >> 10
            own = ptr32(uint(own) + (axle << 2))
            own[_L_BRAKE_LEAD] = y
            own[_L_BRAKE_LEAD + 1] = y

    # Steer lead: the outside of the coming turn and its inside, faded in by road speed.
    trust = state[_S_TRUST_Q10 + _CH_STEER_DDEG]
    if image[_C_LAYER_ON + _LAYER_STEER_LEAD]:
        rate = state[_S_STEER_RATE_DEG_S] << pad >> pad
        left = 0
        if rate >= 0:
            left = 1
        else:
            rate = 0 - rate
        rate -= image[_C_STEER_DEAD_DEG_S]
        if rate < 0:
            rate = 0
        x0 = image[_C_STEER_FADE_CM_S]
        x1 = image[_C_STEER_FADE_CM_S + 1]
        fade = _ONE_Q10
        if speed <= x0:
            fade = 0
        elif speed < x1:
            fade = ((speed - x0) << 10) // (x1 - x0)
        for corner in range(_N_CORNERS):
            # A left turn loads the right side, whose corners have odd numbers.
            inside = left ^ (corner & 1)
            y = rate * image[_C_STEER_GAIN_PERMILLE + (corner & 2) + inside] // 100
            if y > image[_C_STEER_PEAK_PERMILLE]:
                y = image[_C_STEER_PEAK_PERMILLE]
            y = y * fade >> 10
            own = ptr32(uint(state) + (corner << 2))
            held = own[_S_STEER_LEAD_Q4]
            held -= held * image[_C_STEER_DECAY_Q10] + 1023 >> 10
            if y << 4 > held:
                held = y << 4
            own[_S_STEER_LEAD_Q4] = held
            own[_L_STEER_LEAD] = (held >> 4) * trust >> 10

    # Grip: an event lasts while grip is asked for; what it reached, as a high percentile, is the evidence.
    if image[_C_LAYER_ON + _LAYER_GRIP]:
        if steer < 0:
            steer = 0 - steer
        asked = 0
        if brake >= image[_C_GRIP_ASK_KPA] or steer >= state[_S_LOOKUP_Y + 3 * _N_AXLES] << pad >> pad:
            asked = 1
        trust = 0
        if (
            state[_S_TRUST_Q10 + _CH_LATERAL_MG] == _ONE_Q10
            and state[_S_TRUST_Q10 + _CH_LONGITUDINAL_MG] == _ONE_Q10
        ):
            if (
                state[_S_TRUST_Q10 + _CH_BRAKE_KPA] == _ONE_Q10
                and state[_S_TRUST_Q10 + _CH_STEER_DDEG] == _ONE_Q10
            ):
                trust = 1
        ticks = state[_S_GRIP_EVENT_TICKS]
        peak = state[_S_GRIP_PEAK]
        if asked and trust:
            square = lateral * lateral + longitudinal * longitudinal
            if ticks >= image[_C_GRIP_SETTLE_TICKS]:
                change = square - peak
                if change > 0:
                    peak += (change >> 10) * image[_C_GRIP_RISE_Q10] + (
                        (change & 1023) * image[_C_GRIP_RISE_Q10] >> 10
                    )
                else:
                    change = 0 - change
                    peak -= (change >> 10) * image[_C_GRIP_FALL_Q10] + (
                        (change & 1023) * image[_C_GRIP_FALL_Q10] >> 10
                    )
            if ticks < _COUNT_MAX:
                ticks += 1
        elif ticks:
            if ticks >= image[_C_GRIP_EVENT_MIN_TICKS] and trust:
                if peak < image[_C_GRIP_LOW_SQ]:
                    state[_S_GRIP_HIGH_RUN] = 0
                    if state[_S_GRIP_LOW_RUN] < _COUNT_MAX:
                        state[_S_GRIP_LOW_RUN] += 1
                elif peak > image[_C_GRIP_HIGH_SQ]:
                    state[_S_GRIP_LOW_RUN] = 0
                    if state[_S_GRIP_HIGH_RUN] < _COUNT_MAX:
                        state[_S_GRIP_HIGH_RUN] += 1
            ticks = 0
            peak = 0
        state[_S_GRIP_EVENT_TICKS] = ticks
        state[_S_GRIP_PEAK] = peak
        if state[_S_GRIP_LOW_RUN] >= image[_C_GRIP_EVENTS]:
            state[_S_GRIP_WET] = 1
        elif state[_S_GRIP_HIGH_RUN] >= image[_C_GRIP_EVENTS]:
            state[_S_GRIP_WET] = 0
        wet = state[_S_GRIP_WET]
        switch = state[_S_CHANNEL + _CH_GRIP_SWITCH] << pad >> pad
        if switch == 1:
            wet = 0
        elif switch == 2:
            wet = 1
        ramp = state[_S_WET_Q16]
        if wet:
            ramp += image[_C_GRIP_SLOW_IN_Q16]
            if ramp > _ONE_Q16:
                ramp = _ONE_Q16
        else:
            ramp -= image[_C_GRIP_SLOW_OUT_Q16]
            if ramp < 0:
                ramp = 0
        state[_S_WET_Q16] = ramp
        state[_S_WET_PERMILLE] = ramp * 1000 >> 16


@micropython.viper
def strokes(image: ptr32, state: ptr32):
    """Stroke-speed trim, what grip takes away, the ramp at the end of the stroke, and the clamp."""
    pad = state[_S_PAD]

    # How far the rough-braking trims hold: brake pressure times the roughness that the strokes show, an axle.
    rough_front = 0
    rough_rear = 0
    for axle in range(_N_AXLES):
        own = ptr32(uint(state) + (axle << 3))
        left = own[_S_STROKE_SPEED_MM_S] << pad >> pad
        right = own[_S_STROKE_SPEED_MM_S + 1] << pad >> pad
        if left < 0:
            left = 0 - left
        if right < 0:
            right = 0 - right
        mean = state[_S_ROUGHNESS_Q4 + axle]
        mean += ((left + right << 3) - mean) * image[_C_ROUGH_Q10] + 512 >> 10
        state[_S_ROUGHNESS_Q4 + axle] = mean
        x = mean >> 4
        x0 = image[_C_ROUGH_MM_S]
        x1 = image[_C_ROUGH_MM_S + 1]
        rough = 0
        if x >= x1:
            rough = _ONE_Q10
        elif x > x0:
            rough = ((x - x0) << 10) // (x1 - x0)
        x = state[_S_CHANNEL + _CH_BRAKE_KPA] << pad >> pad
        x0 = image[_C_ROUGH_BRAKE_KPA]
        x1 = image[_C_ROUGH_BRAKE_KPA + 1]
        if x <= x0:
            rough = 0
        elif x < x1:
            rough = rough * (((x - x0) << 10) // (x1 - x0)) >> 10
        rough = rough * state[_S_TRUST_Q10 + _CH_BRAKE_KPA] >> 10
        if axle == 0:
            rough_front = rough
        else:
            rough_rear = rough

    wet = state[_S_WET_Q16] >> 6
    blend = image[_C_BAND_BLEND_MM_S]
    low_edge = image[_C_BAND_EDGE_MM_S]
    high_edge = image[_C_BAND_EDGE_MM_S + 1]
    for corner in range(_N_CORNERS):
        own = ptr32(uint(state) + (corner << 2))
        row = ptr32(uint(image) + (corner << 2))
        axle = corner >> 1
        trust = own[_S_TRUST_Q10 + _CH_STROKE_UM]
        speed = own[_S_STROKE_SPEED_MM_S] << pad >> pad
        direction = 0
        fast = speed
        if speed < 0:
            direction = 1
            fast = 0 - speed

        trim = 0
        if image[_C_LAYER_ON + _LAYER_STROKE_SPEED]:
            # Which two bands, and how much of the upper one.
            band = 0
            upper = 0
            if fast >= high_edge - blend:
                band = 1
                upper = _ONE_Q10
                if fast < high_edge + blend:
                    upper = ((fast - high_edge + blend) << 10) // (blend << 1)
            elif fast >= low_edge - blend:
                upper = _ONE_Q10
                if fast < low_edge + blend:
                    upper = ((fast - low_edge + blend) << 10) // (blend << 1)
            trims = ptr32(uint(image) + ((axle * _N_DIRECTIONS + direction) * _N_BANDS + band << 2))
            y0 = trims[_C_BAND_TRIM_PERMILLE] << pad >> pad
            y1 = trims[_C_BAND_TRIM_PERMILLE + 1] << pad >> pad
            trim = (y0 << 4) + ((y1 - y0) * upper >> 6)
            rough = rough_rear if axle else rough_front
            if rough:
                y0 = trims[_C_BAND_TRIM_PERMILLE + _SET] << pad >> pad
                y1 = trims[_C_BAND_TRIM_PERMILLE + _SET + 1] << pad >> pad
                y0 = (y0 << 4) + ((y1 - y0) * upper >> 6)
                trim += (y0 - trim) * rough >> 10
            trim = (trim + 8 >> 4) * trust >> 10
        own[_L_STROKE_SPEED] = trim

        firm = own[_L_BASE] << pad >> pad
        firm += own[_L_BODY_LOAD] << pad >> pad
        firm += own[_L_BRAKE_LEAD] << pad >> pad
        firm += own[_L_STEER_LEAD] << pad >> pad
        firm += own[_L_ROAD_SPEED] << pad >> pad
        taken = 0
        if wet and firm > 0 and image[_C_LAYER_ON + _LAYER_GRIP]:
            taken = 0 - (firm * (1000 - image[_C_GRIP_SCALE_PERMILLE + axle]) // 1000 * wet >> 10)
        own[_L_GRIP] = taken
        firm += taken + trim

        # End of stroke: where the stroke will be a little later, toward the stop it is moving to.
        end = 0
        if image[_C_LAYER_ON + _LAYER_STROKE_END] and fast >= image[_C_END_MOVING_MM_S]:
            stroke = own[_S_CHANNEL + _CH_STROKE_UM] << pad >> pad
            ramps = ptr32(uint(image) + (axle * _N_DIRECTIONS + direction << 2))
            if direction:
                stroke = 0 - stroke
            stroke += fast * image[_C_END_LEAD_US] // 1000
            x0 = ramps[_C_END_START_UM] << pad >> pad
            x1 = ramps[_C_END_STOP_UM] << pad >> pad
            ramp = 0
            if stroke >= x1:
                ramp = _ONE_Q10
            elif stroke > x0:
                ramp = ((stroke - x0) << 10) // (x1 - x0)
            ramp += ((ramp * ramp >> 10) - ramp) * image[_C_END_SHAPE_PERMILLE] // 1000
            end = ramp * ramps[_C_END_PEAK_PERMILLE] >> 10
            end = end * trust >> 10
            end -= firm
            if end < 0 or ramp == 0:
                end = 0
        own[_L_STROKE_END] = end
        firm += end

        clamp = 0
        if firm > row[_C_DEMAND_MAX_PERMILLE]:
            clamp = row[_C_DEMAND_MAX_PERMILLE] - firm
        elif firm < row[_C_DEMAND_MIN_PERMILLE]:
            clamp = row[_C_DEMAND_MIN_PERMILLE] - firm
        own[_L_CLAMP] = clamp
        own[_S_DEMAND_PERMILLE] = firm + clamp
