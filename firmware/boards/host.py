"""The desktop as a board: frames, ticks and time come over standard input, traces go to standard output.

Time is virtual: the bench says when each tick is, so a replay runs as fast as the machine and always the same. The
words of the protocol are little-endian and 32 bits wide; a command is four words and its payload, so is a reply.

The coils are first-order lags of the image's resistance and inductance; the bench says how far each one's resistance
is off, and what the supply is. Given a folder, the board keeps its boot record and fault memory there.
"""

import gc
import io
import os
import sys
import time
from array import array

import micropython
from dashpot.store import Store
from micropython import const

from dashpot import boot, core, image

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_VERSION = const(471093882)
_TRACE_WORDS = const(101)
_STATE_WORDS = const(588)
_CONFIG_WORDS = const(596)
_S_BOARD_SUPPLY_MV = const(14)
_S_BOARD_FLAGS = const(15)
_S_CURRENT_MA = const(89)
_S_MEASURED_MA = const(93)
_S_DUTY_Q14 = const(97)
_S_FAULTS_LATCHED = const(451)
_C_PERIOD_US = const(0)
_C_CURRENT_CONTROL = const(560)
_C_FREEWHEEL_MV = const(561)
_C_COIL_MOHM = const(575)
_C_COIL_UH = const(579)
_N_CORNERS = const(4)
_N_RING = const(4)
_N_FRAME = const(5)
_N_TICK_IN = const(9)
_RING_HEAD = const(0)
_RING_TAIL = const(1)
_RING_OVERFLOW = const(2)
_TICK_IN_NOW_US = const(0)
_TICK_IN_FRAMES = const(1)
_TICK_IN_LOST = const(2)
_TICK_IN_SUPPLY_MV = const(3)
_TICK_IN_FLAGS = const(4)
_TICK_IN_COIL_PERMILLE_FRONT_LEFT = const(5)
_FLAG_HELD = const(4)
# layout: end

_HELLO = const(0x44504831)
_LOAD = const(1)
_RUN = const(2)
_STATE = const(3)
_QUIT = const(4)
_SENT = const(5)
_START = const(6)
_JOURNAL = const(7)
_POKE = const(8)
_RAISED = const(9)
_POKED_IMAGE = const(0)
_POKED_LIMITS = const(1)
_NO_MEMORY = const(7)
_RING_FRAMES = const(4096)
_RUN_TICKS = const(512)
_OPEN_PERMILLE = const(40000)  # from here a coil has no current at all
_SHORT_PERMILLE = const(100)  # below this the turns are bridged, and the inductance is gone as well
_COIL_MAX_MA = const(32000)
_LAG_MAX_MOHM = const(20000)
_LAG_SCALE = const(8000)
_LAG_MAX = const(16000)


@micropython.viper
def _record(state: ptr32, out: ptr32, at: int):
    """Copy the traced words of the state."""
    for i in range(_TRACE_WORDS):
        out[at + i] = state[i]


@micropython.viper
def _run_coils(image: ptr32, state: ptr32, inputs: ptr32, at: int, coils: ptr32):
    """Let each coil's current run on for a period, under the duty that was set at its begin.

    exp(-x), x = T R / L, is the fourth power of the second Pade approximant of exp(-x / 4), within 0.1 % of 1.
    """
    supply = inputs[at + _TICK_IN_SUPPLY_MV]
    state[_S_BOARD_SUPPLY_MV] = supply
    state[_S_BOARD_FLAGS] = inputs[at + _TICK_IN_FLAGS]
    free = image[_C_FREEWHEEL_MV]
    for corner in range(_N_CORNERS):
        if image[_C_CURRENT_CONTROL] == 0:
            state[_S_MEASURED_MA + corner] = state[_S_CURRENT_MA + corner]
            continue
        permille = inputs[at + _TICK_IN_COIL_PERMILLE_FRONT_LEFT + corner]
        if permille >= _OPEN_PERMILLE:
            coils[corner] = 0
            state[_S_MEASURED_MA + corner] = 0
            continue
        mohm = image[_C_COIL_MOHM + corner] * permille // 1000
        if mohm < 1:
            mohm = 1
        lag = mohm
        if lag > _LAG_MAX_MOHM:
            lag = _LAG_MAX_MOHM
        lag = lag * image[_C_PERIOD_US] // image[_C_COIL_UH + corner] * (_LAG_SCALE // 1000) >> 2
        if lag > _LAG_MAX or permille < _SHORT_PERMILLE:
            lag = _LAG_MAX
        middle = 12 * _LAG_SCALE * _LAG_SCALE + lag * lag
        left = (middle - 6 * _LAG_SCALE * lag >> 11) * 4096 // (middle + 6 * _LAG_SCALE * lag >> 11)
        left = left * left >> 12
        left = left * left >> 12
        volt_mv = (state[_S_DUTY_Q14 + corner] * (supply + free) >> 14) - free
        target = volt_mv * 1000 // mohm
        if target > _COIL_MAX_MA:
            target = _COIL_MAX_MA
        elif target < 0 - _COIL_MAX_MA:
            target = 0 - _COIL_MAX_MA
        current_q8 = target << 8
        current_q8 -= ((target << 8) - coils[corner] >> 5) * left >> 7
        if current_q8 < 0:
            current_q8 = 0
        coils[corner] = current_q8
        state[_S_MEASURED_MA + corner] = current_q8 >> 8


class Host:
    """One bench at the other end of two byte streams."""

    def __init__(self, source: "io.BufferedReader", sink: "io.BufferedWriter", folder: str = "") -> None:
        """Allocate everything that a run needs; `folder` is where the board keeps what outlives a reset."""
        self.source = source
        self.sink = sink
        self.command = array("i", bytes(16))
        self.ring = core.make_ring(_RING_FRAMES)
        self.frames = memoryview(self.ring)[_N_RING:]
        self.outbox = core.make_ring(_RING_FRAMES)
        self.ticks = array("i", bytes(4 * _N_TICK_IN * _RUN_TICKS))
        self.trace = array("i", bytes(4 * _TRACE_WORDS * _RUN_TICKS))
        self.tick_us = array("i", bytes(4 * _RUN_TICKS))
        self.coils = array("i", bytes(4 * _N_CORNERS))
        self.folder = folder
        self.backup = bytearray(boot.BACKUP_BYTES)
        self.store: "Store | None" = None
        self.held = 0
        self.controller: "core.Controller | None" = None
        self.done = 0
        self.alloc_kept = 0
        self.alloc_gross = 0

    def serve(self) -> int:
        """Obey commands until the bench quits or goes away; 1 after an exception of the control core."""
        hello = (_HELLO, _VERSION, _TRACE_WORDS, _RING_FRAMES - 1, _RUN_TICKS, _STATE_WORDS, _CONFIG_WORDS, 0)
        self._send(array("i", hello))
        while self._fill(self.command):
            kind = self.command[0]
            if kind == _LOAD:
                self._load(self.command[1])
            elif kind == _RUN:
                try:
                    self._run(self.command[1], self.command[2], self.command[3])
                except Exception as error:  # noqa: BLE001  # whatever the control core raises is the bench's to show
                    self._raised(error)
                    return 1
            elif kind == _STATE and self.controller:
                self._reply(_STATE, _STATE_WORDS, 0)
                self._send(self.controller.state)
            elif kind == _SENT:
                self._sent()
            elif kind == _START and self.controller and self.folder:
                self._start(self.controller, self.command[1], self.command[2])
            elif kind == _JOURNAL and self.store:
                self._journal(self.store)
            elif kind == _POKE and self.controller:
                self._poke(self.controller, self.command[1], self.command[2], self.command[3])
            else:
                return 0
        return 0

    def _fill(self, buffer: "array[int] | bytearray | memoryview") -> bool:
        """Read until the buffer is full; False when the stream has ended."""
        count = self.source.readinto(buffer)
        return bool(count)

    def _send(self, buffer: "array[int] | bytes | memoryview") -> None:
        self.sink.write(buffer)
        self.sink.flush()

    def _reply(self, kind: int, first: int, second: int, third: int = 0) -> None:
        self.sink.write(array("i", (kind, first, second, third)))

    def _load(self, length: int) -> None:
        code = 0
        detail = 0
        self.controller = None
        self.store = None
        self.held = 0
        gc.collect()
        try:
            data = bytearray((length + 3) & ~3)
            self._fill(data)
            self.controller = core.load(memoryview(data)[:length], self.ring, self.outbox)
        except image.Refused as refused:
            code = refused.code
            detail = refused.detail
        except MemoryError:
            code = _NO_MEMORY
        self._clear()
        self._reply(_LOAD, code, detail)
        self.sink.flush()

    def _clear(self) -> None:
        """Forget what waits in the rings, and let the currents of the coils be gone."""
        for ring in (self.ring, self.outbox):
            ring[_RING_HEAD] = ring[_RING_TAIL] = ring[_RING_OVERFLOW] = 0
        for corner in range(_N_CORNERS):
            self.coils[corner] = 0

    def _start(self, controller: "core.Controller", cause: int, fresh: int) -> None:
        """Reset the board, for one of the causes of `boot`; `fresh` 1: as it was when new."""
        store = Store(self.folder, self.backup)
        if fresh:
            for index in range(boot.BACKUP_BYTES):
                self.backup[index] = 0
            for pair in (store.record.pair, store.faults.pair, store.calibrations.pair):
                for path in pair.paths:
                    _remove(path)
        store.start(cause)
        self.store = store
        self.held = _FLAG_HELD if store.record.stay_safe else 0
        controller.reset()
        self._clear()
        self._reply(_START, self.held, store.record.count, store.condition())
        self.sink.flush()

    def _journal(self, store: "Store") -> None:
        """Hand over the fault memory, in the words of its file."""
        words = memoryview(store.faults.words())
        self._reply(_JOURNAL, len(words), store.faults.latched())
        self._send(words)

    def _poke(self, controller: "core.Controller", place: int, index: int, mask: int) -> None:
        """Turn bits of the memory over, as radiation or a wild pointer would."""
        word = controller.image[index] if place == _POKED_IMAGE else controller.limits[index]
        word = ((word ^ mask) & 0xFFFFFFFF ^ 0x80000000) - 0x80000000
        if place == _POKED_IMAGE:
            controller.image[index] = word
        elif place == _POKED_LIMITS:
            controller.limits[index] = word
        self._reply(_POKE, place, index)
        self.sink.flush()

    def _sent(self) -> None:
        """Hand over the frames that the controller wrote since the last time, and forget them."""
        outbox = self.outbox
        count = outbox[_RING_HEAD] - outbox[_RING_TAIL]
        self._reply(_SENT, count, outbox[_RING_OVERFLOW])
        self._send(memoryview(outbox)[_N_RING : _N_RING + count * _N_FRAME])
        outbox[_RING_HEAD] = outbox[_RING_TAIL] = outbox[_RING_OVERFLOW] = 0

    def _run(self, ticks: int, frames: int, lock_step: int) -> None:
        """Run a block; in lock step the bench waits for it, so nothing is done that takes longer than a tick."""
        ring = self.ring
        self.done = 0
        if self.controller is None:
            raise RuntimeError("ticks before an image was loaded")
        self._fill(memoryview(self.ticks)[: ticks * _N_TICK_IN])
        if frames:
            self._fill(self.frames[: frames * _N_FRAME])
        ring[_RING_HEAD] = ring[_RING_TAIL] = 0
        if not lock_step:
            gc.collect()
        micropython.heap_lock()
        try:
            self._tick_all(self.controller, ticks, lock_step)
        finally:
            micropython.heap_unlock()
        if self.store:
            self.store.idle()
        self._reply(_RUN, ticks, self.alloc_kept, self.alloc_gross)
        self.sink.write(memoryview(self.trace)[: ticks * _TRACE_WORDS])
        self._send(memoryview(self.tick_us)[:ticks])

    def _tick_all(self, controller: "core.Controller", ticks: int, lock_step: int) -> None:
        ring = self.ring
        state = controller.state
        store = self.store
        row = 0
        # The heap lock misses what is allocated and freed, or raised and caught; these two counts do not.
        # The first looks at the whole heap; in lock step the second stands for both, and is never less.
        if not lock_step:
            self.alloc_kept = gc.mem_alloc()
        self.alloc_gross = micropython.mem_total()
        for i in range(ticks):
            ring[_RING_OVERFLOW] += self.ticks[row + _TICK_IN_LOST]
            ring[_RING_HEAD] += self.ticks[row + _TICK_IN_FRAMES]
            _run_coils(controller.image, state, self.ticks, row, self.coils)
            state[_S_BOARD_FLAGS] |= self.held
            begin = time.ticks_us()
            controller.tick(self.ticks[row + _TICK_IN_NOW_US])
            if store:
                store.faults.note(state, self.ticks[row + _TICK_IN_NOW_US])
                if state[_S_FAULTS_LATCHED]:
                    store.faults.latch(state[_S_FAULTS_LATCHED])
            self.tick_us[i] = time.ticks_diff(time.ticks_us(), begin)
            _record(state, self.trace, i * _TRACE_WORDS)
            self.done = i + 1
            row += _N_TICK_IN
        self.alloc_gross = micropython.mem_total() - self.alloc_gross
        self.alloc_kept = self.alloc_gross if lock_step else gc.mem_alloc() - self.alloc_kept

    def _raised(self, error: BaseException) -> None:
        text = _described(error)
        padded = text + bytes(-len(text) & 3)
        self._reply(_RAISED, self.done, len(text))
        self.sink.write(memoryview(self.trace)[: self.done * _TRACE_WORDS])
        self._send(padded)


def _described(error: BaseException) -> bytes:
    """Give an exception's traceback as text, on either interpreter."""
    if hasattr(sys, "print_exception"):
        text = io.StringIO()
        sys.print_exception(error, text)
        return text.getvalue().encode()
    import traceback  # CPython only

    return "".join(traceback.format_exception(error)).encode()


def _remove(path: str) -> None:
    try:
        os.remove(path)
    except OSError:
        pass  # it was never there


def main() -> int:
    """Serve the bench on the standard streams; a folder for what outlives a reset may follow on the command line."""
    folder = sys.argv[1] if len(sys.argv) > 1 else ""
    return Host(sys.stdin.buffer, sys.stdout.buffer, folder).serve()
