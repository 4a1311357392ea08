"""Take an image or refuse it: nothing is half-loaded, and no number in it can send a stage outside its memory."""

import struct
from array import array

from micropython import const

from dashpot.crc import crc32

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_VERSION = const(471093882)
_CONFIG_WORDS = const(596)
_C_MESSAGES_AT = const(1)
_C_MESSAGES_COUNT = const(2)
_C_SIGNALS_AT = const(3)
_C_SIGNALS_COUNT = const(4)
_C_CHANNEL_ROWS = const(6)
_C_TRACKER_ROWS = const(172)
_C_BASE_TABLE = const(218)
_C_BODY_LOAD_TABLE = const(226)
_C_STEER_FADE_CM_S = const(241)
_C_BAND_EDGE_MM_S = const(243)
_C_BAND_BLEND_MM_S = const(245)
_C_ROUGH_BRAKE_KPA = const(270)
_C_ROUGH_MM_S = const(272)
_C_END_START_UM = const(287)
_C_END_STOP_UM = const(291)
_C_DEMAND_MIN_PERMILLE = const(302)
_C_DEMAND_MAX_PERMILLE = const(306)
_C_VALVE_TABLE = const(310)
_C_SAFE_MA = const(314)
_C_LEAST_MA = const(318)
_C_MOST_MA = const(322)
_C_CHECK_ROWS = const(337)
_C_RESISTANCE_PERMILLE = const(557)
_C_MATCH_MA = const(584)
_C_DERATE_MA = const(588)
_C_AXLE_SPREAD_MA = const(592)
_N_TRACKERS = const(7)
_N_LOOKUPS = const(8)
_N_AXLES = const(2)
_N_DIRECTIONS = const(2)
_N_CORNERS = const(4)
_N_CHANNELS = const(18)
_N_CHECKS = const(42)
_N_SUBSTITUTES = const(3)
_N_CHANNEL_ROW = const(9)
_N_CHECK_ROW = const(5)
_N_TRACKER_ROW = const(5)
_N_MESSAGE = const(21)
_N_SIGNAL = const(24)
_CHANNEL_ROW_CONFIGURED = const(0)
_CHANNEL_ROW_TIMEOUT_US = const(1)
_CHANNEL_ROW_HEAL_GOOD = const(2)
_CHANNEL_ROW_DEFAULT = const(3)
_CHANNEL_ROW_RATE_100MS = const(5)
_CHANNEL_ROW_RATE_FLOOR_US = const(6)
_CHANNEL_ROW_STILL_US = const(7)
_CHANNEL_ROW_SUBSTITUTE = const(8)
_CHECK_ROW_TRIP_TICKS = const(0)
_CHECK_ROW_HEAL_TICKS = const(1)
_CHECK_ROW_HEALS_MOST = const(2)
_CHECK_ROW_LIMIT = const(3)
_CHECK_ROW_HEAL_LIMIT = const(4)
_TRACKER_ROW_CHANNEL = const(0)
_TRACKER_ROW_ALPHA_Q10 = const(1)
_TRACKER_ROW_BETA_Q10 = const(2)
_TRACKER_ROW_RATE_MUL = const(3)
_TRACKER_ROW_VELOCITY_LIMIT = const(4)
_MESSAGE_KEY = const(0)
_MESSAGE_LENGTH = const(1)
_MESSAGE_FIRST_SIGNAL = const(2)
_MESSAGE_SIGNAL_COUNT = const(3)
_MESSAGE_CRC_KIND = const(4)
_MESSAGE_CRC_BYTE = const(5)
_MESSAGE_CRC_TABLE = const(6)
_MESSAGE_CRC_INIT = const(7)
_MESSAGE_DATA_ID = const(9)
_MESSAGE_DATA_IDS = const(10)
_MESSAGE_COUNTER_MODULO = const(11)
_MESSAGE_COUNTER_BYTE = const(12)
_MESSAGE_MUX_COUNT = const(16)
_MESSAGE_MUX_FIRST = const(17)
_MESSAGE_MUX_STEP = const(18)
_SIGNAL_CHANNEL = const(0)
_SIGNAL_STEP = const(2)
_SIGNAL_FIRST = const(3)
_SIGNAL_COUNT = const(4)
_SIGNAL_SHIFT = const(5)
_SIGNAL_LOW_COUNT = const(9)
_SIGNAL_LOW_FIRST = const(10)
_SIGNAL_LOW_SHIFT = const(11)
_SIGNAL_SIGN_BYTE = const(13)
_SIGNAL_CLIP_LOW = const(16)
_SIGNAL_CLIP_HIGH = const(17)
_SIGNAL_NUM = const(18)
_SIGNAL_DEN = const(19)
_SIGNAL_HALF = const(20)
_SIGNAL_OFFSET = const(21)
_SIGNAL_RANGE_LOW = const(22)
_SIGNAL_RANGE_HIGH = const(23)
_CH_LATERAL_MG = const(0)
_LIMIT_LATERAL_MG = const(16000)
_CH_BRAKE_KPA = const(3)
_LIMIT_BRAKE_KPA = const(32767)
_CH_STEER_DDEG = const(4)
_LIMIT_STEER_DDEG = const(16000)
_CH_STROKE_UM = const(11)
_LIMIT_STROKE_UM = const(400000)
_CH_GRIP_SWITCH = const(16)
_LIMIT_GRIP_SWITCH = const(255)
_SUBSTITUTE_SPEED_YAW = const(1)
_CHECK_COIL_TRACKING = const(35)
_CRC_E2E_P2 = const(4)
_BOUNDS = (
    (0, 1, 1000, 10000),  # period_us
    (168, 1, 1, 1024),  # fade_q10
    (169, 1, 1, 1024),  # recover_q10
    (170, 1, 1, 100),  # losses_most
    (171, 1, 1, 32767),  # still_speed_cm_s
    (207, 2, 1, 1024),  # low_pass_q10
    (209, 9, 0, 1),  # layer_on
    (227, 1, 1, 1024),  # brake_slow_q10
    (228, 1, 0, 32767),  # brake_rate_dead_bar_s
    (229, 2, 0, 2000),  # brake_rate_gain_permille
    (231, 2, 0, 1000),  # brake_lead_peak_permille
    (233, 1, 1, 1024),  # brake_decay_q10
    (234, 1, 0, 32767),  # steer_dead_deg_s
    (235, 4, 0, 2000),  # steer_gain_permille
    (239, 1, 0, 1000),  # steer_peak_permille
    (240, 1, 1, 1024),  # steer_decay_q10
    (245, 1, 1, 1000),  # band_blend_mm_s
    (246, 24, -1000, 1000),  # band_trim_permille
    (274, 1, 1, 1024),  # rough_q10
    (275, 1, 0, 32767),  # grip_ask_kpa
    (276, 1, 0, 536870911),  # grip_low_sq
    (277, 1, 0, 536870911),  # grip_high_sq
    (278, 1, 0, 32767),  # grip_event_min_ticks
    (279, 1, 0, 32767),  # grip_settle_ticks
    (280, 1, 1, 1024),  # grip_rise_q10
    (281, 1, 1, 1024),  # grip_fall_q10
    (282, 1, 1, 100),  # grip_events
    (283, 1, 1, 65536),  # grip_slow_in_q16
    (284, 1, 1, 65536),  # grip_slow_out_q16
    (285, 2, 0, 1000),  # grip_scale_permille
    (295, 4, 0, 1000),  # end_peak_permille
    (299, 1, 0, 1000),  # end_shape_permille
    (300, 1, 0, 30000),  # end_lead_us
    (301, 1, 1, 32767),  # end_moving_mm_s
    (302, 4, 0, 1000),  # demand_min_permille
    (306, 4, 0, 1000),  # demand_max_permille
    (318, 4, 0, 5000),  # least_ma
    (322, 4, 0, 5000),  # most_ma
    (326, 4, 1, 5000),  # slew_up_ma
    (330, 4, 1, 5000),  # slew_down_ma
    (334, 1, 1, 1024),  # return_q10
    (335, 1, 10, 16000),  # return_below_mg
    (336, 1, 1, 1024),  # leave_q10
    (547, 1, 100, 32767),  # check_from_cm_s
    (548, 1, 0, 32767),  # brake_high_kpa
    (549, 1, 0, 16000),  # brake_least_mg
    (550, 1, 0, 32767),  # brake_low_kpa
    (551, 1, 0, 16000),  # brake_most_mg
    (552, 1, 0, 16000),  # straight_mg
    (553, 1, 1, 16000),  # straight_step_q4
    (554, 2, 0, 100000),  # roll_um
    (556, 1, 0, 1000),  # open_permille
    (557, 2, 1, 10000),  # resistance_permille
    (559, 1, 1, 5000),  # tracking_least_ma
    (560, 1, 0, 1),  # current_control
    (561, 1, 0, 5000),  # freewheel_mv
    (562, 1, 0, 1000000),  # control_us
    (563, 4, 0, 1023),  # coil_zero_q10
    (567, 4, 1, 16384),  # coil_gain_q10
    (571, 4, 1, 1024),  # coil_share_q10
    (575, 4, 100, 50000),  # coil_mohm
    (579, 4, 10, 1000000),  # coil_uh
    (583, 1, 1, 1024),  # resistance_q10
    (584, 4, 0, 5000),  # match_ma
    (588, 4, 0, 5000),  # derate_ma
    (592, 2, 0, 5000),  # axle_spread_ma
    (594, 1, 1000, 1000000),  # command_expiry_us
    (595, 1, 0, 32767),  # report_ticks
)
# layout: end

_MAGIC = b"DPIM"
_HEADER = const(20)
_LIMIT_MAX = const(1_000_000)
_TRACKING_MAX_PERMILLE = const(100_000)
_TICKS_MAX = const(32767)
_HEALS_MAX = const(100)
_POINTS_MAX = const(16)
_LENGTH_MAX = const(8)
_TIMEOUT_MAX_US = const(0x08000000)
_VELOCITY_MIN_Q12 = const(16)
_VELOCITY_MAX_Q12 = const(0x08000000)

TOO_SHORT = 1
WRONG_MAGIC = 2
WRONG_VERSION = 3
WRONG_LENGTH = 4
WRONG_CRC = 5
WRONG_CONTENT = 6


class Refused(Exception):
    """An image that this firmware does not take; `code` says why, `detail` where."""

    def __init__(self, code: int, detail: int = 0) -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


def read(data: "bytes | bytearray | memoryview") -> "array[int]":
    """Give the words of an image.

    Raises:
        Refused: with one of the codes of this module.

    """
    if len(data) < _HEADER:
        raise Refused(TOO_SHORT)
    magic, version, word_count, name_bytes, check = struct.unpack_from("<4sIIII", data, 0)
    if magic != _MAGIC:
        raise Refused(WRONG_MAGIC)
    if version != _VERSION:
        raise Refused(WRONG_VERSION, version)
    end = _HEADER + 4 * word_count
    if word_count < _CONFIG_WORDS or len(data) != end + name_bytes:
        raise Refused(WRONG_LENGTH)
    view = memoryview(data)
    if crc32(view[_HEADER:], crc32(view[:16])) & 0xFFFFFFFF != check:
        raise Refused(WRONG_CRC)
    words = array("i", bytes(view[_HEADER:end]))
    _inspect(words)
    return words


def check_of(data: "bytes | bytearray | memoryview") -> int:
    """Give the CRC-32 that an image carries, its name on the bus."""
    return struct.unpack_from("<I", data, _HEADER - 4)[0]


def _need(fine: bool, place: int) -> None:
    if not fine:
        raise Refused(WRONG_CONTENT, place)


def _inspect(words: "array[int]") -> None:
    """Follow every offset, count, byte index and divisor that the stages rely on."""
    for place, count, least, most in _BOUNDS:
        for i in range(place, place + count):
            _need(least <= words[i] <= most, i)
    _inspect_inputs(words)
    for i in range(_N_LOOKUPS):
        _inspect_table(words, _C_BASE_TABLE + i)
    for i in range(_N_CORNERS):
        _inspect_table(words, _C_VALVE_TABLE + i)
        least = words[_C_LEAST_MA + i]
        most = words[_C_MOST_MA + i]
        _need(least <= words[_C_SAFE_MA + i] <= most, _C_SAFE_MA + i)
        _need(words[_C_MATCH_MA + i] == 0 or least <= words[_C_MATCH_MA + i] <= most, _C_MATCH_MA + i)
        _need(words[_C_SAFE_MA + i] <= words[_C_DERATE_MA + i] <= most, _C_DERATE_MA + i)
        _need(
            words[_C_DEMAND_MIN_PERMILLE + i] <= words[_C_DEMAND_MAX_PERMILLE + i], _C_DEMAND_MIN_PERMILLE + i
        )
    _inspect_body_load(words)
    _inspect_pairs(words)
    _inspect_fail_safe(words)
    _inspect_messages(words)


def _limit(channel: int) -> int:
    """Greatest value that a channel may carry, either way."""
    if channel < _CH_BRAKE_KPA:
        return _LIMIT_LATERAL_MG
    if channel == _CH_STEER_DDEG:
        return _LIMIT_STEER_DDEG
    if _CH_STROKE_UM <= channel < _CH_STROKE_UM + _N_CORNERS:
        return _LIMIT_STROKE_UM
    if channel >= _CH_GRIP_SWITCH:
        return _LIMIT_GRIP_SWITCH
    return _LIMIT_BRAKE_KPA


def _inspect_inputs(words: "array[int]") -> None:
    """Check the rows of the channels and of the trackers."""
    for channel in range(_N_CHANNELS):
        row = _C_CHANNEL_ROWS + channel * _N_CHANNEL_ROW
        limit = _limit(channel)
        configured = words[row + _CHANNEL_ROW_CONFIGURED]
        _need(0 <= configured <= 1, row)
        _need(0 <= words[row + _CHANNEL_ROW_TIMEOUT_US] <= _TIMEOUT_MAX_US, row + _CHANNEL_ROW_TIMEOUT_US)
        # A channel that the vehicle lacks never heals, so its row may be empty.
        _need(configured <= words[row + _CHANNEL_ROW_HEAL_GOOD] <= 32767, row + _CHANNEL_ROW_HEAL_GOOD)
        _need(-limit <= words[row + _CHANNEL_ROW_DEFAULT] <= limit, row + _CHANNEL_ROW_DEFAULT)
        _need(0 <= words[row + _CHANNEL_ROW_RATE_100MS] <= 2 * limit, row + _CHANNEL_ROW_RATE_100MS)
        _need(
            0 <= words[row + _CHANNEL_ROW_RATE_FLOOR_US] <= _TIMEOUT_MAX_US, row + _CHANNEL_ROW_RATE_FLOOR_US
        )
        _need(0 <= words[row + _CHANNEL_ROW_STILL_US] <= _TIMEOUT_MAX_US, row + _CHANNEL_ROW_STILL_US)
        # What stands in for an acceleration is one, and of the same axis.
        other = words[row + _CHANNEL_ROW_SUBSTITUTE]
        fits = other == 0 or (
            _SUBSTITUTE_SPEED_YAW <= other < _N_SUBSTITUTES
            and channel == _CH_LATERAL_MG + other - _SUBSTITUTE_SPEED_YAW
        )
        _need(fits, row + _CHANNEL_ROW_SUBSTITUTE)
    for i in range(_N_TRACKERS):
        row = _C_TRACKER_ROWS + i * _N_TRACKER_ROW
        _need(0 <= words[row + _TRACKER_ROW_CHANNEL] < _N_CHANNELS, row + _TRACKER_ROW_CHANNEL)
        _need(1 <= words[row + _TRACKER_ROW_ALPHA_Q10] <= 1024, row + _TRACKER_ROW_ALPHA_Q10)
        _need(1 <= words[row + _TRACKER_ROW_BETA_Q10] <= 1024, row + _TRACKER_ROW_BETA_Q10)
        limit = words[row + _TRACKER_ROW_VELOCITY_LIMIT]
        _need(_VELOCITY_MIN_Q12 <= limit <= _VELOCITY_MAX_Q12, row + _TRACKER_ROW_VELOCITY_LIMIT)
        _need(
            0 < words[row + _TRACKER_ROW_RATE_MUL] <= 0x3FFFFFFF // (limit >> 4), row + _TRACKER_ROW_RATE_MUL
        )


def _inspect_axis(words: "array[int]", at: int, n: int) -> None:
    _need(2 <= n <= _POINTS_MAX and at >= _CONFIG_WORDS and at + n <= len(words), at)
    for i in range(at, at + n - 1):
        _need(-32768 <= words[i] < words[i + 1] <= 32767, i)


def _inspect_table(words: "array[int]", place: int) -> None:
    at = words[place]
    _need(_CONFIG_WORDS <= at < len(words), place)
    n = words[at]
    _inspect_axis(words, at + 1, n)
    _need(at + 1 + 2 * n <= len(words), place)
    for i in range(at + 1 + n, at + 1 + 2 * n):
        _need(-32768 <= words[i] <= 32767, i)


def _inspect_body_load(words: "array[int]") -> None:
    at = words[_C_BODY_LOAD_TABLE]
    _need(_CONFIG_WORDS <= at < len(words) - 1, _C_BODY_LOAD_TABLE)
    nx = words[at]
    ny = words[at + 1]
    _inspect_axis(words, at + 2, nx)
    _inspect_axis(words, at + 2 + nx, ny)
    first = at + 2 + nx + ny
    _need(first + _N_CORNERS * nx * ny <= len(words), at)
    for i in range(first, first + _N_CORNERS * nx * ny):
        _need(-1000 <= words[i] <= 1000, i)


def _inspect_pairs(words: "array[int]") -> None:
    """Check that every ramp has a length, since a stage divides by it."""
    for at in (_C_STEER_FADE_CM_S, _C_ROUGH_BRAKE_KPA, _C_ROUGH_MM_S, _C_BAND_EDGE_MM_S):
        _need(0 <= words[at] < words[at + 1] <= 32767, at)
    blend = words[_C_BAND_BLEND_MM_S]
    low = words[_C_BAND_EDGE_MM_S]
    _need(low >= blend and words[_C_BAND_EDGE_MM_S + 1] - low >= 2 * blend, _C_BAND_BLEND_MM_S)
    for i in range(_N_AXLES * _N_DIRECTIONS):
        start = words[_C_END_START_UM + i]
        _need(-_LIMIT_STROKE_UM <= start < words[_C_END_STOP_UM + i] <= _LIMIT_STROKE_UM, _C_END_START_UM + i)


def _inspect_fail_safe(words: "array[int]") -> None:
    """Check the debounced checks, and that the two safe currents of an axle do not break its symmetry."""
    for i in range(_N_CHECKS):
        row = _C_CHECK_ROWS + i * _N_CHECK_ROW
        _need(0 <= words[row + _CHECK_ROW_TRIP_TICKS] <= _TICKS_MAX, row + _CHECK_ROW_TRIP_TICKS)
        _need(0 <= words[row + _CHECK_ROW_HEAL_TICKS] <= _TICKS_MAX, row + _CHECK_ROW_HEAL_TICKS)
        _need(0 <= words[row + _CHECK_ROW_HEALS_MOST] <= _HEALS_MAX, row + _CHECK_ROW_HEALS_MOST)
        _need(0 <= words[row + _CHECK_ROW_LIMIT] <= _LIMIT_MAX, row + _CHECK_ROW_LIMIT)
        _need(0 <= words[row + _CHECK_ROW_HEAL_LIMIT] <= _LIMIT_MAX, row + _CHECK_ROW_HEAL_LIMIT)
    for axle in range(_N_AXLES):
        left = _C_SAFE_MA + axle * 2
        _need(abs(words[left] - words[left + 1]) <= words[_C_AXLE_SPREAD_MA + axle], _C_AXLE_SPREAD_MA + axle)
    for i in range(_N_CORNERS):
        row = _C_CHECK_ROWS + (_CHECK_COIL_TRACKING + i) * _N_CHECK_ROW
        for field in (_CHECK_ROW_LIMIT, _CHECK_ROW_HEAL_LIMIT):
            _need(words[row + field] <= _TRACKING_MAX_PERMILLE, row + field)
    low = words[_C_RESISTANCE_PERMILLE]
    _need(low <= words[_C_RESISTANCE_PERMILLE + 1], _C_RESISTANCE_PERMILLE)


def _inspect_messages(words: "array[int]") -> None:
    count = words[_C_MESSAGES_COUNT]
    messages = words[_C_MESSAGES_AT]
    signals = words[_C_SIGNALS_AT]
    signal_count = words[_C_SIGNALS_COUNT]
    _need(count >= 0 and messages >= _CONFIG_WORDS, _C_MESSAGES_AT)
    _need(messages + count * _N_MESSAGE <= len(words), _C_MESSAGES_COUNT)
    _need(signal_count >= 0 and signals >= _CONFIG_WORDS, _C_SIGNALS_AT)
    _need(signals + signal_count * _N_SIGNAL <= len(words), _C_SIGNALS_COUNT)
    last = -1
    for i in range(count):
        row = messages + i * _N_MESSAGE
        _need(last < words[row + _MESSAGE_KEY], row)
        last = words[row + _MESSAGE_KEY]
        length = words[row + _MESSAGE_LENGTH]
        _need(1 <= length <= _LENGTH_MAX, row + _MESSAGE_LENGTH)
        first = words[row + _MESSAGE_FIRST_SIGNAL]
        number = words[row + _MESSAGE_SIGNAL_COUNT]
        _need(first >= 0 and number >= 0 and first + number <= signal_count, row + _MESSAGE_FIRST_SIGNAL)
        _need(words[row + _MESSAGE_CRC_TABLE] in (0, 256), row + _MESSAGE_CRC_TABLE)
        _need(0 <= words[row + _MESSAGE_CRC_BYTE] < length, row + _MESSAGE_CRC_BYTE)
        _need(0 <= words[row + _MESSAGE_CRC_INIT] <= 0xFF, row + _MESSAGE_CRC_INIT)
        _need(0 <= words[row + _MESSAGE_DATA_ID] <= 0xFFFF, row + _MESSAGE_DATA_ID)
        _need(0 <= words[row + _MESSAGE_COUNTER_BYTE] < length, row + _MESSAGE_COUNTER_BYTE)
        if words[row + _MESSAGE_CRC_KIND] == _CRC_E2E_P2:
            ids = words[row + _MESSAGE_DATA_IDS]
            _need(0 < words[row + _MESSAGE_COUNTER_MODULO] <= 16, row + _MESSAGE_COUNTER_MODULO)
            _need(_CONFIG_WORDS <= ids and ids + 16 <= len(words), row + _MESSAGE_DATA_IDS)
            for at in range(ids, ids + 16):
                _need(0 <= words[at] <= 0xFF, at)
        _inspect_gather(
            words,
            row,
            row + _MESSAGE_MUX_FIRST,
            words[row + _MESSAGE_MUX_COUNT],
            words[row + _MESSAGE_MUX_STEP],
            length,
        )
        for place in range(first, first + number):
            _inspect_signal(words, signals + place * _N_SIGNAL, length)


def _inspect_gather(words: "array[int]", row: int, place: int, count: int, step: int, length: int) -> None:
    """Check that a run of bytes lies inside the payload."""
    _need(0 <= count <= 3 and step in (-1, 0, 1), row)
    first = words[place]
    _need(0 <= first < length, place)
    if count:
        _need(0 <= first + (count - 1) * step < length, place)


def _inspect_signal(words: "array[int]", row: int, length: int) -> None:
    _need(0 <= words[row + _SIGNAL_CHANNEL] < _N_CHANNELS, row + _SIGNAL_CHANNEL)
    step = words[row + _SIGNAL_STEP]
    _inspect_gather(words, row, row + _SIGNAL_FIRST, words[row + _SIGNAL_COUNT], step, length)
    _inspect_gather(words, row, row + _SIGNAL_LOW_FIRST, words[row + _SIGNAL_LOW_COUNT], step, length)
    for field in (_SIGNAL_SHIFT, _SIGNAL_LOW_SHIFT):
        _need(0 <= words[row + field] < 24, row + field)
    _need(0 <= words[row + _SIGNAL_SIGN_BYTE] < length, row + _SIGNAL_SIGN_BYTE)
    num = words[row + _SIGNAL_NUM]
    half = words[row + _SIGNAL_HALF]
    den = words[row + _SIGNAL_DEN]
    _need(den > 0, row + _SIGNAL_DEN)
    limit = _limit(words[row + _SIGNAL_CHANNEL])
    low = words[row + _SIGNAL_RANGE_LOW]
    _need(-limit <= low <= words[row + _SIGNAL_RANGE_HIGH] <= limit, row + _SIGNAL_RANGE_LOW)
    low = words[row + _SIGNAL_CLIP_LOW]
    high = words[row + _SIGNAL_CLIP_HIGH]
    _need(low <= high, row + _SIGNAL_CLIP_LOW)
    # Floor division on a board first moves a negative dividend by the divisor, so there must be room for that.
    for raw in (low, high):
        _need(den - 0x7FFFFFFF <= raw * num + half <= 0x7FFFFFFF, row + _SIGNAL_NUM)
        value = (raw * num + half) // den + words[row + _SIGNAL_OFFSET]
        _need(-0x7FFFFFFF <= value <= 0x7FFFFFFF, row + _SIGNAL_OFFSET)
