"""The desktop as a board: frames, ticks and time come over standard input, traces go to standard output.

Time is virtual: the bench says when each tick is, so a replay runs as fast as the machine and always the same. The
words of the protocol are little-endian and 32 bits wide; a command is four words and its payload, so is a reply.
"""

import gc
import io
import sys
import time
from array import array

import micropython
from micropython import const

from dashpot import core, image

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_VERSION = const(1071837629)
_TRACE_WORDS = const(87)
_STATE_WORDS = const(363)
_CONFIG_WORDS = const(314)
_N_RING = const(4)
_N_FRAME = const(5)
_N_TICK_IN = const(3)
_RING_HEAD = const(0)
_RING_TAIL = const(1)
_RING_OVERFLOW = const(2)
_TICK_IN_NOW_US = const(0)
_TICK_IN_FRAMES = const(1)
_TICK_IN_LOST = const(2)
# layout: end

_HELLO = const(0x44504831)
_LOAD = const(1)
_RUN = const(2)
_STATE = const(3)
_QUIT = const(4)
_SENT = const(5)
_RAISED = const(9)
_NO_MEMORY = const(7)
_RING_FRAMES = const(4096)
_RUN_TICKS = const(512)


@micropython.viper
def _record(state: ptr32, out: ptr32, at: int):
    """Copy the traced words of the state."""
    for i in range(_TRACE_WORDS):
        out[at + i] = state[i]


class Host:
    """One bench at the other end of two byte streams."""

    def __init__(self, source: "io.BufferedReader", sink: "io.BufferedWriter") -> None:
        """Allocate everything that a run needs."""
        self.source = source
        self.sink = sink
        self.command = array("i", bytes(16))
        self.ring = core.make_ring(_RING_FRAMES)
        self.frames = memoryview(self.ring)[_N_RING:]
        self.outbox = core.make_ring(_RING_FRAMES)
        self.ticks = array("i", bytes(4 * _N_TICK_IN * _RUN_TICKS))
        self.trace = array("i", bytes(4 * _TRACE_WORDS * _RUN_TICKS))
        self.tick_us = array("i", bytes(4 * _RUN_TICKS))
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
                    self._run(self.command[1], self.command[2])
                except Exception as error:  # noqa: BLE001  # whatever the control core raises is the bench's to show
                    self._raised(error)
                    return 1
            elif kind == _STATE and self.controller:
                self._reply(_STATE, _STATE_WORDS, 0)
                self._send(self.controller.state)
            elif kind == _SENT:
                self._sent()
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
        for ring in (self.ring, self.outbox):
            ring[_RING_HEAD] = ring[_RING_TAIL] = ring[_RING_OVERFLOW] = 0
        self._reply(_LOAD, code, detail)
        self.sink.flush()

    def _sent(self) -> None:
        """Hand over the frames that the controller wrote since the last time, and forget them."""
        outbox = self.outbox
        count = outbox[_RING_HEAD] - outbox[_RING_TAIL]
        self._reply(_SENT, count, outbox[_RING_OVERFLOW])
        self._send(memoryview(outbox)[_N_RING : _N_RING + count * _N_FRAME])
        outbox[_RING_HEAD] = outbox[_RING_TAIL] = outbox[_RING_OVERFLOW] = 0

    def _run(self, ticks: int, frames: int) -> None:
        ring = self.ring
        self.done = 0
        if self.controller is None:
            raise RuntimeError("ticks before an image was loaded")
        self._fill(memoryview(self.ticks)[: ticks * _N_TICK_IN])
        if frames:
            self._fill(self.frames[: frames * _N_FRAME])
        ring[_RING_HEAD] = ring[_RING_TAIL] = 0
        gc.collect()
        micropython.heap_lock()
        try:
            self._tick_all(self.controller, ticks)
        finally:
            micropython.heap_unlock()
        self._reply(_RUN, ticks, self.alloc_kept, self.alloc_gross)
        self.sink.write(memoryview(self.trace)[: ticks * _TRACE_WORDS])
        self._send(memoryview(self.tick_us)[:ticks])

    def _tick_all(self, controller: "core.Controller", ticks: int) -> None:
        ring = self.ring
        row = 0
        # The heap lock misses what is allocated and freed, or raised and caught; these two counts do not.
        self.alloc_kept = gc.mem_alloc()
        self.alloc_gross = micropython.mem_total()
        for i in range(ticks):
            ring[_RING_OVERFLOW] += self.ticks[row + _TICK_IN_LOST]
            ring[_RING_HEAD] += self.ticks[row + _TICK_IN_FRAMES]
            begin = time.ticks_us()
            controller.tick(self.ticks[row + _TICK_IN_NOW_US])
            self.tick_us[i] = time.ticks_diff(time.ticks_us(), begin)
            _record(controller.state, self.trace, i * _TRACE_WORDS)
            self.done = i + 1
            row += _N_TICK_IN
        self.alloc_gross = micropython.mem_total() - self.alloc_gross
        self.alloc_kept = gc.mem_alloc() - self.alloc_kept

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


def main() -> int:
    """Serve the bench on the standard streams."""
    return Host(sys.stdin.buffer, sys.stdout.buffer).serve()
