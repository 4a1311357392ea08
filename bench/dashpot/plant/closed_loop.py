"""The closed loop: the real firmware and the simulated car in lock step, a tick at a time.

In each tick the firmware gets the frames that have got through since the one before, gives currents or duties, and the
car goes on under them for a period. The board's own inputs are those of a replay (`NOMINAL_INPUTS`), so a replay of the
log gives the same currents bit for bit.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.board_coils import FOLLOWER, board_coils
from dashpot.plant.world import PLANT_STEP_US, World
from dashpot.targets.contract import CLOCK_MASK, RunBlock, RunReply, tick_rows

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from dashpot.layout import Layout
    from dashpot.plant.board_coils import BoardCoils
    from dashpot.plant.scenario import Scenario
    from dashpot.targets import Target

#: Ticks that are stored in one go.
CHUNK_TICKS = 512
#: Frames that a chunk has room for at first; it grows.
CHUNK_FRAMES = 4096


class Chunk:
    """Ticks with their replies, kept until they are stored together.

    Args:
        trace_words: words of a tick's record.

    """

    def __init__(self, layout: Layout, trace_words: int, frame_words: int) -> None:
        self._ticks = tick_rows(list(layout.rows["tick_in"]), np.zeros(CHUNK_TICKS), 0)
        self._trace = np.empty((CHUNK_TICKS, trace_words), np.int32)
        self._tick_us = np.empty(CHUNK_TICKS, np.int32)
        self._frames = np.empty((CHUNK_FRAMES, frame_words), np.int32)
        self._log_us = np.empty(CHUNK_TICKS, np.int64)
        self._first_tick = 0
        self._ticks_done = 0
        self._frames_done = 0
        self._kept = self._gross = 0
        #: Ticks and frames up to the last tick that got a frame: a log ends with its last frame.
        self._full = 0

    def __len__(self) -> int:
        return self._ticks_done

    def block(self, now_us: int, log_us: int, frames: NDArray[np.int32]) -> RunBlock:
        """Return the block of the next tick."""
        at, count = self._ticks_done, len(frames)
        row = self._ticks[at : at + 1]
        row[0, 0], row[0, 1] = now_us, count
        self._log_us[at] = log_us
        if self._frames_done + count > len(self._frames):
            self._frames = np.concatenate((self._frames, np.empty_like(self._frames)))
        own = self._frames[self._frames_done : self._frames_done + count]
        own[:] = frames
        return RunBlock(self._first_tick + at, row, own, self._log_us[at : at + 1], lock_step=True)

    def add(self, block: RunBlock, reply: RunReply) -> NDArray[np.int32]:
        """Take the reply to a block and return the tick's record, which stays valid until `clear`."""
        at = self._ticks_done
        self._trace[at] = reply.trace[0]
        self._tick_us[at] = reply.tick_us[0]
        self._kept += reply.alloc_kept_bytes
        self._gross += reply.alloc_gross_bytes
        self._ticks_done += 1
        self._frames_done += len(block.frames)
        if len(block.frames):
            self._full = self._ticks_done
        record: NDArray[np.int32] = self._trace[at]
        return record

    def whole(self, *, end: bool = False) -> tuple[RunBlock, RunReply]:
        """Return all ticks as one block and its reply; at the end of the log only those up to the last frame."""
        count = self._full if end else self._ticks_done
        block = RunBlock(
            self._first_tick, self._ticks[:count], self._frames[: self._frames_done], self._log_us[:count]
        )
        return block, RunReply(self._trace[:count], self._tick_us[:count], self._kept, self._gross)

    def clear(self) -> None:
        """Begin with the tick after the last."""
        self._first_tick += self._ticks_done
        self._ticks_done = self._frames_done = self._full = 0
        self._kept = self._gross = 0


def loop_world(
    scenario: Scenario,
    layout: Layout,
    image: bytes,
    *,
    period_us: int,
    seed: int | None = None,
    duration_s: float | None = None,
    start_us: int = 0,
    other_load: float = 0.0,
) -> tuple[World, BoardCoils | None]:
    """Return the world for a firmware with an image, and the board's coils where it controls the current itself.

    Raises:
        InputError: the tick's period does not fit the plant's steps, or the scenario cannot be driven.

    """
    coils = board_coils(layout, image, period_us // PLANT_STEP_US, PLANT_STEP_US * 1e-6)
    world = World(
        scenario,
        seed=seed,
        duration_s=duration_s,
        period_us=period_us,
        coils=None if coils is None else [FOLLOWER] * 4,
        start_us=start_us,
        other_load=other_load,
    )
    return world, coils


def run_loop(
    world: World,
    coils: BoardCoils | None,
    target: Target,
    layout: Layout,
    store: Callable[[RunBlock, RunReply], None],
    *,
    start_us: int = 0,
    advance: Callable[[float], None] = lambda _seconds: None,
) -> int:
    """Run a whole drive and return its number of ticks.

    Args:
        world: at its start.
        coils: the board's, None where the plant's own follow the current that is asked for.
        target: started and loaded.
        layout: of the firmware.
        store: gets blocks of ticks with their replies, in order.
        start_us: the controller's clock at the first tick.
        advance: called with seconds of the drive that were done since the call before.

    Raises:
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    current_at, duty_at = layout.state["current_ma"].at, layout.state["duty_q14"].at
    chunk = Chunk(layout, target.hello.trace_words, layout.sizes["frame"])
    command_a = np.empty((1, 4))
    # The first tick has the first frame, which `World` has waited for.
    fresh = 1
    while True:
        at_us = world.tick * world.period_us
        block = chunk.block((at_us + start_us) & CLOCK_MASK, world.log_us + at_us, world.bus.rows(fresh))
        record = chunk.add(block, target.run(block))
        last = world.tick == world.ticks
        if len(chunk) == CHUNK_TICKS or last:
            part, reply = chunk.whole(end=last)
            if len(part.ticks):
                store(part, reply)
            advance(len(chunk) * world.period_us * 1e-6)
            # The record lies in the chunk, which keeps its numbers until the next tick.
            chunk.clear()
        if last:
            return world.tick + 1
        if coils is None:
            command_a[0] = record[current_at : current_at + 4] / 1000.0
            fresh = world.advance(command_a, world.steps)
        else:
            fresh = world.advance(coils.run(record[duty_at : duty_at + 4]), 1)
