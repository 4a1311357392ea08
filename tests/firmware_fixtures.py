"""The firmware in a process of its own, kept for a whole test module."""

from __future__ import annotations

import functools
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot import checked
from dashpot.targets import RunBlock, TargetOptions, make_target
from images import FIRMWARE, LAYOUT

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray


@functools.cache
def checked_module(name: str) -> Any:
    """Give a module of the firmware in checked CPython, which no type checker sees; loaded once, as that takes seconds."""
    return _checked_firmware().import_module(name)


@functools.cache
def _checked_firmware() -> checked.Firmware:
    return checked.load(FIRMWARE)


class Firmware:
    """A started target; `run` gives it an image and blocks, and joins the traces."""

    def __init__(self, name: str) -> None:
        self._store = tempfile.TemporaryDirectory()
        self.target = make_target(name, TargetOptions(FIRMWARE, store=Path(self._store.name)), LAYOUT)
        self.target.start()
        self.alloc_kept_bytes = 0
        self.alloc_gross_bytes = 0

    def run(self, image: bytes | None, blocks: RunBlock | Iterable[RunBlock]) -> NDArray[np.int32]:
        """Load an image (None: go on with the one that runs) and run blocks of any length.

        Returns:
            int32[ticks, trace_words].

        """
        if image is not None:
            self.target.load(image)
        traces = []
        for whole in [blocks] if isinstance(blocks, RunBlock) else blocks:
            for part in self._pieces(whole):
                reply = self.target.run(part)
                self.alloc_kept_bytes += reply.alloc_kept_bytes
                self.alloc_gross_bytes += reply.alloc_gross_bytes
                traces.append(reply.trace.copy())
        return np.concatenate(traces)

    def state(self, name: str) -> NDArray[np.int32]:
        """Words of the controller's state by name."""
        word = LAYOUT.state[name]
        return self.target.state()[word.at : word.at + word.count]

    def _pieces(self, block: RunBlock) -> Iterable[RunBlock]:
        hello = self.target.hello
        ends = np.cumsum(block.ticks[:, 1])
        begin = 0
        while begin < len(block.ticks):
            taken = ends[begin - 1] if begin else 0
            end = min(begin + hello.run_ticks, int(np.searchsorted(ends, taken + hello.ring_frames, "right")))
            yield RunBlock(
                block.first_tick + begin,
                block.ticks[begin:end],
                block.frames[taken : ends[end - 1]],
                block.log_us[begin:end],
            )
            begin = end
