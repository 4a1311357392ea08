"""The link to a firmware in a child process: int32 little-endian words over its stdin and stdout.

Commands and replies are four words and a payload; firmware/boards/host.py is the other end. Nothing here can
deadlock: the child reads a whole block before it runs and writes a whole reply after it, the thread that submits
blocks only while the child's stdin is full, and the thread that collects never waits for the one that submits while
a reply is due.
"""

from __future__ import annotations

import fcntl
import os
import select
import subprocess
import tempfile
import threading
from collections import deque
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from dashpot.errors import FirmwareError, InputError
from dashpot.faultwords import LOAD_REFUSALS
from dashpot.targets.contract import (
    CAUSES,
    CLOCK_MASK,
    EXTENDED_KEY,
    PLACES,
    Boot,
    Hello,
    RunBlock,
    RunReply,
    Words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.layout import Layout

HELLO_MAGIC = 0x44504831
HELLO_WORDS = 8
HEAD_WORDS = 4
LOAD, RUN, STATE, QUIT, START, JOURNAL, POKE, RAISED = 1, 2, 3, 4, 6, 7, 8, 9

#: Linux lets an unprivileged process have pipes of this size; two of them let the child run on while we are busy.
PIPE_BYTES = 1 << 20
#: A child that loads its modules takes well under a second; a loaded machine may take longer.
START_S = 30.0
#: The checked target takes milliseconds a tick, so a block takes seconds; a hung tick never ends.
REPLY_S = 180.0
#: How long a child may take to end after QUIT before it is killed.
QUIT_S = 2.0
SHOWN_FRAMES = 40
SHOWN_TEXT = 8000


class PipeTarget:
    """A firmware in a child process.

    Args:
        name: the target's name.
        interpreter: version text of the interpreter.
        command: argument list that starts the firmware.
        layout: the declaration that this side works with.
        environment: variables of the child; None for our own.

    """

    def __init__(
        self,
        *,
        name: str,
        interpreter: str,
        command: Sequence[str],
        layout: Layout,
        environment: dict[str, str] | None = None,
    ) -> None:
        self.name = name
        self.interpreter = interpreter
        self._command = list(command)
        self._layout = layout
        self._environment = environment
        self._child: subprocess.Popen[bytes] | None = None
        self._hello: Hello | None = None
        self._said: BinaryIO | None = None
        self._pending: deque[RunBlock] = deque()
        self._buffer = np.empty(0, "<i4")
        # Guards the order on the wire: what is in _pending is what was written, in that order.
        self._writing = threading.Lock()

    @property
    def hello(self) -> Hello:
        """What the firmware said when it started."""
        if self._hello is None:
            raise RuntimeError("the target was not started")
        return self._hello

    def start(self) -> None:
        """Start the child and check its hello.

        Raises:
            InputError: the command cannot be run, or the firmware was generated from another layout.toml.
            FirmwareError: the child ended or wrote something else.

        """
        # A file, not a pipe: nobody has to drain it.
        self._said = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the child, see close()
        try:
            # A session of its own, so that Ctrl-C reaches only us, and we end the child in our own time.
            self._child = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._said,
                bufsize=0,
                env=self._environment,
                start_new_session=True,
            )
        except OSError as error:
            self._said.close()
            raise InputError(f"cannot be started: {error.strerror}", where=self._command[0]) from None
        for stream in (self._child.stdin, self._child.stdout):
            assert stream is not None
            _enlarge(stream.fileno())
        head = self._read_words(HELLO_WORDS, START_S, "before its first word")
        if head[0] != HELLO_MAGIC:
            self._fail("the firmware did not start; it wrote this instead of its first words", head.tobytes())
        version, trace_words, ring_frames, run_ticks, state_words, config_words = (int(w) for w in head[1:7])
        self._hello = Hello(version, trace_words, ring_frames, run_ticks, state_words, config_words)
        if version != self._layout.version:
            raise InputError(
                f"the firmware's code was generated from another layout.toml (hash {version:#x}) than the one beside "
                f"it (hash {self._layout.version:#x}); run tools/gen_layout.py, or take the folder whole"
            )
        expected = (self._layout.trace_words, self._layout.state_words, self._layout.config_words)
        if (trace_words, state_words, config_words) != expected or ring_frames < 1 or run_ticks < 1:
            self._fail(f"the firmware's first words do not match its layout.toml: {head.tolist()}")

    def load(self, image: bytes) -> None:
        """Give the firmware an image.

        Raises:
            InputError: the firmware refuses it; the message has the reason.

        """
        padded = image + bytes(-len(image) % 4)
        self._write(np.array([LOAD, len(image), 0, 0], "<i4").tobytes() + padded)
        head = self._read_head("while it took the image")
        if head[0] != LOAD:
            self._unexpected(head)
        code, detail = int(head[1]), int(head[2])
        if code:
            reason = LOAD_REFUSALS.get(code, f"reason {code}")
            raise InputError(f"the firmware refuses the image: {reason} (code {code}, detail {detail})")

    def run(self, block: RunBlock) -> RunReply:
        """Run one block and wait for its reply."""
        self.submit(block)
        return self.collect()

    def submit(self, block: RunBlock) -> None:
        """Send one block; waits while the pipe is full."""
        hello = self.hello
        if not 0 < len(block.ticks) <= hello.run_ticks or len(block.frames) > hello.ring_frames:
            raise ValueError(
                f"a block of {len(block.ticks)} ticks and {len(block.frames)} frames is too large"
            )
        # Rows of another width would be read as other numbers, and the child would wait for the rest, or never end.
        widths = (block.ticks.shape[1], block.frames.shape[1])
        if widths != (self._layout.sizes["tick_in"], self._layout.sizes["frame"]):
            raise ValueError(f"a block whose rows have {widths} words is of another layout")
        with self._writing:
            self._pending.append(block)
            head = np.array([RUN, len(block.ticks), len(block.frames), int(block.lock_step)], "<i4")
            self._write(head.tobytes() + block.ticks.tobytes() + block.frames.tobytes())

    def collect(self) -> RunReply:
        """Wait for the reply to the oldest block.

        Raises:
            FirmwareError: the firmware raised, ended, fell silent or answered something else. Its detail has the
                firmware's text and the inputs of the tick.

        """
        block = self._pending[0]
        head = self._read_head("while it ran", block)
        if head[0] != RUN or head[1] != len(block.ticks):
            self._unexpected(head, block)
        ticks = len(block.ticks)
        words = self._read_words(
            ticks * (self.hello.trace_words + 1), REPLY_S, "in the middle of a reply", block
        )
        self._pending.popleft()
        traced = ticks * self.hello.trace_words
        return RunReply(
            trace=words[:traced].reshape(ticks, self.hello.trace_words),
            tick_us=words[traced:],
            alloc_kept_bytes=int(head[2]),
            alloc_gross_bytes=int(head[3]),
        )

    def state(self) -> Words:
        """Return all words of the controller's state."""
        self._write(np.array([STATE, 0, 0, 0], "<i4").tobytes())
        head = self._read_head("when asked for its state")
        if head[0] != STATE or head[1] != self.hello.state_words:
            self._unexpected(head)
        return self._read_words(self.hello.state_words, REPLY_S, "in the middle of its state").copy()

    def restart(self, cause: str, *, fresh: bool = False) -> Boot:
        """Reset the controller as a board would be; the target was given a store, and an image is loaded."""
        head = self._ask((START, CAUSES[cause], int(fresh), 0), "while it started anew")
        return Boot(bool(head[1]), int(head[2]), int(head[3]))

    def journal(self) -> Words:
        """Return the fault memory as its file has it; after a `restart`."""
        head = self._ask((JOURNAL, 0, 0, 0), "when asked for its fault memory")
        return self._read_words(int(head[1]), REPLY_S, "in the middle of its fault memory").copy()

    def poke(self, place: str, index: int, mask: int) -> None:
        """Turn bits over in the firmware's copy of the image or of the guard's limits."""
        self._ask((POKE, PLACES[place], index, mask), "while its memory was changed")

    def _ask(self, command: tuple[int, int, int, int], doing: str) -> Words:
        """Send a command without a payload and return the head of its reply."""
        self._write(np.array(command, "<i4").tobytes())
        head = self._read_head(doing)
        if head[0] != command[0]:
            self._unexpected(head)
        return head

    def close(self) -> None:
        """Ask the child to end; kill it if it does not."""
        child = self._child
        if child is None:
            return
        self._child = None
        assert child.stdin is not None
        assert child.stdout is not None
        try:
            if not self._pending and child.poll() is None:
                _write_all(child.stdin.fileno(), np.array([QUIT, 0, 0, 0], "<i4").tobytes())
                child.wait(QUIT_S)
        except (OSError, subprocess.TimeoutExpired):
            pass  # it is killed below
        finally:
            # Dead first, then closed: a thread that waits in a write gets its error from the dead child.
            child.kill()
            child.wait()
            with self._writing:
                child.stdin.close()
            child.stdout.close()
            if self._said is not None:
                self._said.close()

    # Below: the wire.

    def _write(self, data: bytes) -> None:
        child = self._child
        if child is None or child.stdin is None:
            raise FirmwareError("the firmware was ended")
        try:
            _write_all(child.stdin.fileno(), data)
        except BrokenPipeError:
            # Whoever reads the replies finds out why, and says it better.
            return

    def _read_head(self, doing: str, block: RunBlock | None = None) -> Words:
        head = self._read_words(HEAD_WORDS, REPLY_S, doing, block).copy()
        if head[0] == RAISED:
            self._raised(head, block)
        return head

    def _read_words(self, count: int, limit_s: float, doing: str, block: RunBlock | None = None) -> Words:
        if len(self._buffer) < count:
            self._buffer = np.empty(count, "<i4")
        words = self._buffer[:count]
        view = words.data.cast("B") if count else memoryview(b"")
        got = 0
        child = self._child
        assert child is not None
        assert child.stdout is not None
        number = child.stdout.fileno()
        while got < len(view):
            if not select.select([number], [], [], limit_s)[0]:
                self._fail(f"the firmware was silent for {limit_s:.0f} s {doing}", block=block)
            some = os.readv(number, [view[got:]])
            if not some:
                self._fail(f"the firmware ended {doing}", bytes(view[:got]), block=block)
            got += some
        return words

    def _rest(self, start: bytes) -> str:
        """Return as text what the child wrote and writes until it ends, stdout then stderr."""
        child = self._child
        assert child is not None
        assert child.stdout is not None
        number = child.stdout.fileno()
        parts = [start]
        while len(b"".join(parts)) < SHOWN_TEXT and select.select([number], [], [], QUIT_S)[0]:
            some = os.read(number, SHOWN_TEXT)
            if not some:
                break
            parts.append(some)
        if self._said is not None:
            self._said.seek(0)
            parts.append(self._said.read()[-SHOWN_TEXT:])
        return _printable(b"".join(parts)[-SHOWN_TEXT:])

    def _ended(self) -> str:
        child = self._child
        assert child is not None
        try:
            code = child.wait(QUIT_S)
        except subprocess.TimeoutExpired:
            return ""
        if code < 0:
            return f" (signal {-code})"
        return f" (exit code {code})"

    def _fail(self, message: str, start: bytes = b"", block: RunBlock | None = None) -> None:
        text = self._rest(start)
        detail = text
        if block is not None:
            last = block.first_tick + len(block.ticks) - 1
            message += (
                f", in one of the ticks {block.first_tick} to {last}, log time {seconds(block.log_us[0])} to "
                f"{seconds(block.log_us[-1])} s; --target cpython names the very tick and line"
            )
        raise FirmwareError(message + self._ended(), detail=detail or None)

    def _unexpected(self, head: Words, block: RunBlock | None = None) -> None:
        self._fail("the firmware wrote something else than a reply", head.tobytes(), block)

    def _raised(self, head: Words, block: RunBlock | None) -> None:
        """Read the rest of an exception report and raise it."""
        done, text_bytes = int(head[1]), int(head[2])
        reporting = "while it reported an exception"
        if block is not None:
            self._read_words(done * self.hello.trace_words, REPLY_S, reporting, block)
        raw = self._read_words((text_bytes + 3) // 4, REPLY_S, reporting, block)
        text = raw.tobytes()[:text_bytes].decode("utf-8", "replace").strip()
        message = f"the firmware raised {text.splitlines()[-1].strip() if text else 'without a text'}"
        if block is None:
            raise FirmwareError(message, detail=text or None)
        at = min(done, len(block.ticks) - 1)
        raise FirmwareError(
            f"{message} in tick {block.first_tick + at}, log time {seconds(block.log_us[at])} s",
            detail=f"{text}\n{describe_inputs(block, at)}",
        )


def describe_inputs(block: RunBlock, at: int) -> str:
    """Return lines of text with the inputs of the tick `at` of a block: its time, then its frames."""
    now_us, count, lost = (int(word) for word in block.ticks[at, :3])
    first = int(block.ticks[:at, 1].sum())
    lines = [f"inputs of this tick: now_us {now_us}, {count} frames, {lost} lost before it"]
    for stamp_us, key, length, low, high in block.frames[first : first + min(count, SHOWN_FRAMES)].tolist():
        payload = (low & 0xFFFFFFFF | (high & 0xFFFFFFFF) << 32).to_bytes(8, "little")[:length]
        name = f"{key & ~EXTENDED_KEY:08X}" if key & EXTENDED_KEY else f"{key:03X}"
        # Wrapped difference, as the firmware takes it.
        age_us = (now_us - stamp_us) & CLOCK_MASK
        lines.append(f"  frame {name} [{length}] {payload.hex(' ').upper()}  {age_us} us before the tick")
    if count > SHOWN_FRAMES:
        lines.append(f"  and {count - SHOWN_FRAMES} more frames")
    return "\n".join(lines)


def seconds(log_us: int | np.int64) -> str:
    """Return a time in microseconds as seconds with all six digits."""
    sign = "-" if log_us < 0 else ""
    whole, part = divmod(abs(int(log_us)), 1_000_000)
    return f"{sign}{whole}.{part:06d}"


def _write_all(number: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(number, view) :]


def _enlarge(number: int) -> None:
    """Make a pipe as large as this system allows; a small one only costs speed."""
    if not hasattr(fcntl, "F_SETPIPE_SZ"):
        return
    try:
        fcntl.fcntl(number, fcntl.F_SETPIPE_SZ, PIPE_BYTES)
    except OSError:
        return


def _printable(raw: bytes) -> str:
    """Return bytes as text, with control bytes but line ends and tabs taken out."""
    text = raw.decode("utf-8", "replace")
    return "".join(c for c in text if c.isprintable() or c in "\n\t").strip()
