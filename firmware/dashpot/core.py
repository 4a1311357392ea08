"""The controller: owns all memory, and runs one tick after another on the time and the frames it is given."""

from array import array

import micropython
from micropython import const

from dashpot import crc, image
from dashpot.debounce import CODES, debounce
from dashpot.demand import lead, strokes
from dashpot.estimate import estimate
from dashpot.maps import look_up
from dashpot.memory import crc32_table, patrol
from dashpot.modes import TRANSITIONS, choose
from dashpot.output import drive, guard
from dashpot.plausible import observe
from dashpot.receive import drain
from dashpot.report import report
from dashpot.validity import judge
from dashpot.valve import control, watch

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_STATE_WORDS = const(588)
_S_NOW_US = const(0)
_S_DT_US = const(1)
_S_CHANNEL = const(16)
_S_DEMAND_PERMILLE = const(81)
_S_TARGET_MA = const(85)
_S_CURRENT_MA = const(89)
_S_PAD = const(101)
_S_TICKS = const(102)
_S_VALUE = const(103)
_S_AGE_US = const(121)
_S_COIL_OHM_Q4 = const(482)
_S_MEMORY_CRC = const(487)
_S_MEMORY_EXPECTED = const(488)
_S_LOOKUP_X = const(513)
_S_LOOKUP_Y = const(521)
_S_GUARDED_MA = const(543)
_S_IMAGE_CRC = const(548)
_C_MESSAGES_COUNT = const(2)
_C_CHANNEL_ROWS = const(6)
_C_BASE_TABLE = const(218)
_C_VALVE_TABLE = const(310)
_C_SAFE_MA = const(314)
_C_COIL_MOHM = const(575)
_C_REPORT_TICKS = const(595)
_N_LOOKUPS = const(8)
_N_CORNERS = const(4)
_N_CHANNELS = const(18)
_N_CHANNEL_ROW = const(9)
_N_RECEIVED = const(3)
_N_RING = const(4)
_N_FRAME = const(5)
_CHANNEL_ROW_DEFAULT = const(3)
_RECEIVED_GOOD = const(0)
_RECEIVED_BAD = const(1)
_RECEIVED_LAST_COUNTER = const(2)
_RING_MASK = const(3)
# layout: end

_CLOCK_MASK = const(0x3FFFFFFF)
_AGE_MAX_US = const(0x10000000)
_LIMITS = const(20)


@micropython.viper
def _word_pad(probe: ptr32) -> int:
    """Bits to shift a 32-bit load of -1 up and down again to have its sign: 0 on a 32-bit board, 32 on the desktop."""
    return 0 if int(probe[0]) < 0 else 32


class Controller:
    """One vehicle's control, from an image.

    Nothing is allocated after `__init__`.
    """

    def __init__(self, words: "array[int]", image_crc: int, ring: "array[int]", outbox: "array[int]") -> None:
        """Take the words and the CRC of an image (see `image.read`) and the rings for frames in and frames out."""
        self.image = words
        self.image_crc = image_crc
        self.ring = ring
        self.outbox = outbox
        self.received = array("i", bytes(4 * _N_RECEIVED * max(1, words[_C_MESSAGES_COUNT])))
        self.state = array("i", bytes(4 * _STATE_WORDS))
        self.crc_tables = crc.crc8_tables()
        self.crc32_table = crc32_table()
        self.check_masks = array("i", [1 << code for code in CODES])
        self.transitions = array("i", [word for row in TRANSITIONS for word in row])
        limits = words[_C_SAFE_MA : _C_SAFE_MA + _LIMITS]
        self.limits = array("i", [~word for word in limits])
        self.memory_expected = _signed(crc.crc32(words) ^ 0xFFFFFFFF)
        self.reset()

    def reset(self) -> None:
        """Begin anew: nothing received, no history, safe currents."""
        state = self.state
        for i in range(_STATE_WORDS):
            state[i] = 0
        state[_S_PAD] = _word_pad(array("i", (-1,)))
        state[_S_IMAGE_CRC] = _signed(self.image_crc)
        state[_S_MEMORY_CRC] = -1
        state[_S_MEMORY_EXPECTED] = self.memory_expected
        words = self.image
        for i in range(_N_CHANNELS):
            state[_S_AGE_US + i] = _AGE_MAX_US
            default = words[_C_CHANNEL_ROWS + i * _N_CHANNEL_ROW + _CHANNEL_ROW_DEFAULT]
            state[_S_VALUE + i] = state[_S_CHANNEL + i] = default
        for i in range(_N_CORNERS):
            state[_S_CURRENT_MA + i] = state[_S_GUARDED_MA + i] = words[_C_SAFE_MA + i]
            state[_S_COIL_OHM_Q4 + i] = words[_C_COIL_MOHM + i] << 4
        received = self.received
        for i in range(words[_C_MESSAGES_COUNT]):
            received[i * _N_RECEIVED + _RECEIVED_GOOD] = 0
            received[i * _N_RECEIVED + _RECEIVED_BAD] = 0
            received[i * _N_RECEIVED + _RECEIVED_LAST_COUNTER] = -1

    def tick(self, now_us: int) -> None:
        """Run one control period that ends at `now_us`, microseconds modulo 2**30, on the frames now in the ring.

        The board writes supply, flags and measured currents into the state before, and takes currents or duties after.
        """
        words = self.image
        state = self.state
        if state[_S_TICKS]:
            state[_S_DT_US] = (now_us - state[_S_NOW_US]) & _CLOCK_MASK
        state[_S_NOW_US] = now_us
        drain(words, state, self.ring, self.received, self.crc_tables)
        observe(words, state)
        watch(words, state)
        patrol(words, len(words), self.crc32_table, state)
        debounce(words, state, self.check_masks)
        judge(words, state)
        choose(words, state, self.transitions)
        estimate(words, state)
        look_up(words, state, _C_BASE_TABLE, _S_LOOKUP_X, _S_LOOKUP_Y, _N_LOOKUPS)
        lead(words, state)
        strokes(words, state)
        look_up(words, state, _C_VALVE_TABLE, _S_DEMAND_PERMILLE, _S_TARGET_MA, _N_CORNERS)
        drive(words, state)
        guard(words, state, self.limits)
        control(words, state)
        if words[_C_REPORT_TICKS] and state[_S_TICKS] % words[_C_REPORT_TICKS] == 0:
            report(state, self.outbox, self.crc_tables)


def _signed(word: int) -> int:
    """Give a word of 32 bits as a signed number."""
    return (word ^ 0x80000000) - 0x80000000


def make_ring(frames: int) -> "array[int]":
    """Allocate a ring for `frames` frames, a power of two."""
    ring = array("i", bytes(4 * (_N_RING + frames * _N_FRAME)))
    ring[_RING_MASK] = frames - 1
    return ring


def load(data: "bytes | bytearray | memoryview", ring: "array[int]", outbox: "array[int]") -> Controller:
    """Make a controller of the bytes of an image.

    Raises:
        image.Refused: the bytes are no whole image for this firmware.

    """
    words = image.read(data)
    return Controller(words, image.check_of(data), ring, outbox)
