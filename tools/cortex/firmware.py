"""The firmware with its viper functions on the emulated board, and everything else in CPython."""

from __future__ import annotations

from array import array
from collections import Counter
from typing import TYPE_CHECKING, Any

from cortex.machine import Machine
from cortex.mpy import Routine, viper_routines
from dashpot import checked

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

CORE = "dashpot.core"
RING_FRAMES = 64
HEAD, TAIL, OVERFLOW, FIRST = 0, 1, 2, 4


class Board:
    """A controller whose own code (`core.py`) runs as it is, and whose stages run as machine code.

    Attributes:
        costs: instructions of each stage in the last tick, by `module.function`, in the order of the calls.
        calls: calls of the runtime by all stages of the last tick.

    """

    def __init__(self, folder: Path, image: bytes) -> None:
        """Cross-compile all stages of a firmware folder and load an image."""
        self.machine = Machine()
        self.costs: Counter[str] = Counter()
        self.calls: Counter[str] = Counter()
        firmware = checked.load(folder)
        core: Any = firmware.import_module(CORE)
        for source in sorted((folder / "dashpot").glob("*.py")):
            module = firmware.modules.get(f"dashpot.{source.stem}")
            if module is None:
                continue
            for name, routine in viper_routines(source).items():
                self._replace(core, getattr(module, name), routine)
        self.ring = core.make_ring(RING_FRAMES)
        self.outbox = core.make_ring(RING_FRAMES)
        self.controller = core.load(image, self.ring, self.outbox)

    def tick(self, now_us: int, frames: NDArray[np.int32], lost: int = 0) -> None:
        """Put frames into the ring, int32[n, 5] as a run block has them, and run one tick."""
        ring = self.ring
        ring[HEAD], ring[TAIL] = len(frames), 0
        ring[OVERFLOW] += lost
        ring[FIRST : FIRST + frames.size] = array("i", frames.ravel().tolist())
        self.outbox[TAIL] = self.outbox[HEAD]
        self.costs, self.calls = Counter(), Counter()
        self.controller.tick(now_us)

    @property
    def state(self) -> array[int]:
        """All words of the controller's state."""
        words: array[int] = self.controller.state
        return words

    def _replace(self, core: Any, function: Callable[..., object], routine: Routine) -> None:
        for name in [name for name, value in vars(core).items() if value is function]:
            setattr(core, name, self._emulated(routine))

    def _emulated(self, routine: Routine) -> Callable[..., int | None]:
        def stage(*arguments: object) -> int | None:
            result = self.machine.call(routine, *arguments)
            # A table look-up runs twice, for the layers and for the valve curves.
            again = f"{routine.name} (2nd)" if routine.name in self.costs else routine.name
            self.costs[again] = self.machine.cost.instructions
            self.calls += self.machine.cost.calls
            return result

        return stage
