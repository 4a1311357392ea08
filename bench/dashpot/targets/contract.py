"""What every target offers: take an image, take blocks of ticks with their frames, hand back the trace.

A target is asked in two ways: `run` waits for the reply; `submit` and `collect` let one thread send blocks ahead
while another takes the replies, in the order of sending.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

Words = NDArray[np.int32]

#: The microsecond clock of the interpreter and of the board wraps at this many bits.
CLOCK_BITS = 30
CLOCK_MASK = (1 << CLOCK_BITS) - 1
#: Set in a frame's key when its identifier has 29 bits.
EXTENDED_KEY = 0x20000000


#: What a board's own inputs say while nothing is wrong with it: inputs of a tick by name.
NOMINAL_INPUTS = {
    "lost": 0,
    "supply_mv": 13_500,
    "flags": 0,
    "coil_permille_front_left": 1000,
    "coil_permille_front_right": 1000,
    "coil_permille_rear_left": 1000,
    "coil_permille_rear_right": 1000,
}


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


#: Why a controller starts; the numbers are those of firmware/dashpot/boot.py.
CAUSES = {"power_on": 0, "watchdog": 1, "brown_out": 2, "soft": 3, "other": 4}
#: Where bits can be turned over.
PLACES = {"image": 0, "limits": 1}


@dataclass(frozen=True, slots=True)
class Boot:
    """What a controller says when it starts.

    Attributes:
        held: it stays at its safe currents until a power-on, as it hung too often.
        count: number of this start.
        condition: code of the last write that failed, 0 if none did.

    """

    held: bool
    count: int
    condition: int


@dataclass(frozen=True, slots=True)
class RunBlock:
    """Consecutive ticks and their frames, as they go over the wire.

    Attributes:
        first_tick: number of the first tick, counted from the start of the replay.
        ticks: int32[n, 9], a row a tick: now_us modulo 2**30, frames of this tick, frames lost before it, supply in mV,
            the board's flags, each coil's resistance per mille of its nominal one (from 40 000 on it is open).
        frames: int32[m, 5], a row a frame: stamp_us modulo 2**30, key, length, payload bytes 0-3, payload bytes 4-7.
        log_us: int64[n], time of each tick on the log's own clock; stays on this side.
        lock_step: the next block waits for this one's reply: the firmware does not tidy its heap before the block, and
            counts as kept all that the ticks took.

    """

    first_tick: int
    ticks: Words
    frames: Words
    log_us: NDArray[np.int64]
    lock_step: bool = False


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


def tick_rows(names: Sequence[str], now_us: ArrayLike, frames: ArrayLike) -> Words:
    """Return rows of ticks whose board has nothing to say.

    Args:
        names: the fields of a row, as the layout has them.
        now_us: time of each tick, modulo 2**30.
        frames: frames of each tick.

    Returns:
        int32[n, len(names)].

    """
    rows = np.empty((len(np.atleast_1d(now_us)), len(names)), "<i4")
    for place, name in enumerate(names):
        rows[:, place] = {"now_us": now_us, "frames": frames}.get(name, NOMINAL_INPUTS.get(name))
    return rows


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

    def restart(self, cause: str, *, fresh: bool = False) -> Boot:
        """Reset the controller as a board would be, for one of CAUSES; `fresh` as if it had never run."""

    def journal(self) -> Words:
        """Return the fault memory as its file has it, int32[n]; after a `restart`."""

    def poke(self, place: str, index: int, mask: int) -> None:
        """Turn bits over in the firmware's copy of the image or of the guard's limits (PLACES)."""

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
        store: folder where the firmware keeps what outlives a reset; None: nothing does, and `restart` is not to be had.

    """

    firmware_dir: Path
    micropython: Path | None = None
    store: Path | None = None

    @property
    def arguments(self) -> list[str]:
        """What follows on the firmware's command line."""
        return [] if self.store is None else [str(self.store)]
