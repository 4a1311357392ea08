"""What every target offers: take an image, take blocks of ticks with their frames, hand back the trace.

A target is asked in two ways: `run` waits for the reply; `submit` and `collect` let one thread send blocks ahead
while another takes the replies, in the order of sending.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from pathlib import Path

Words = NDArray[np.int32]

#: The microsecond clock of the interpreter and of the board wraps at this many bits.
CLOCK_BITS = 30
CLOCK_MASK = (1 << CLOCK_BITS) - 1
#: Set in a frame's key when its identifier has 29 bits.
EXTENDED_KEY = 0x20000000


@dataclass(frozen=True, slots=True)
class Hello:
    """What a firmware says of itself when it starts.

    Attributes:
        version: hash of the layout it was generated from.
        trace_words: words of one tick's record.
        ring_frames: most frames that one block may carry.
        run_ticks: most ticks that one block may carry.
        state_words: words of the controller's state.
        config_words: words of the fixed part of an image.

    """

    version: int
    trace_words: int
    ring_frames: int
    run_ticks: int
    state_words: int
    config_words: int


@dataclass(frozen=True, slots=True)
class RunBlock:
    """Consecutive ticks and their frames, as they go over the wire.

    Attributes:
        first_tick: number of the first tick, counted from the start of the replay.
        ticks: int32[n, 3], a row a tick: now_us modulo 2**30, frames of this tick, frames lost before it.
        frames: int32[m, 5], a row a frame: stamp_us modulo 2**30, key, length, payload bytes 0-3, payload bytes 4-7.
        log_us: int64[n], time of each tick on the log's own clock; stays on this side.

    """

    first_tick: int
    ticks: Words
    frames: Words
    log_us: NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class RunReply:
    """What came back for one block.

    Attributes:
        trace: int32[n, trace_words], a row a tick; valid until the target is asked again.
        tick_us: int32[n], microseconds that each tick took, resolution 1 us; valid as long.
        alloc_kept_bytes: heap bytes kept over the ticks of the block.
        alloc_gross_bytes: heap bytes taken at any time in the ticks of the block.

    """

    trace: Words
    tick_us: Words
    alloc_kept_bytes: int
    alloc_gross_bytes: int


class Target(Protocol):
    """Where the firmware runs.

    Every method raises `FirmwareError` when the firmware raises, dies, is silent or breaks the protocol, and
    `InputError` when the firmware, the layout and the image do not belong together.
    """

    @property
    def name(self) -> str:
        """Short name, as the option --target has it."""

    @property
    def interpreter(self) -> str:
        """The interpreter's own words for its version; the same on every machine with that interpreter."""

    @property
    def hello(self) -> Hello:
        """What the firmware said when it started; known after `start`."""

    def start(self) -> None:
        """Start the firmware and check that it belongs to the layout."""

    def load(self, image: bytes) -> None:
        """Give the firmware an image; the controller starts anew."""

    def run(self, block: RunBlock) -> RunReply:
        """Run one block and wait for its reply."""

    def submit(self, block: RunBlock) -> None:
        """Send one block; may wait until the firmware has taken earlier ones."""

    def collect(self) -> RunReply:
        """Wait for the reply to the oldest block that was sent and not collected."""

    def state(self) -> Words:
        """Return all words of the controller's state, int32[state_words]."""

    def close(self) -> None:
        """End the firmware, whatever it does; may be called at any time, from the thread that collects."""


@dataclass(frozen=True, slots=True)
class TargetOptions:
    """How to find and start a target.

    Attributes:
        firmware_dir: folder with main.py, dashpot/, boards/ and layout.toml.
        micropython: the interpreter for the target `host`; None looks for it.

    """

    firmware_dir: Path
    micropython: Path | None = None
