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
HOST = "boards.host"
RING_FRAMES = 64
CORNERS = 4
NOW_US, LOST = 0, 2
HEAD, TAIL, OVERFLOW, FIRST = 0, 1, 2, 4


class Board:
    """A controller whose own code (`core.py`) runs as it is, and whose stages run as machine code.

    Supply, flags and coils are those of the desktop's board, `boards/host.py`, which runs as it is too.

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
        host: Any = firmware.import_module(HOST)
        self._run_coils = host._run_coils  # noqa: SLF001 - only the board itself needs it, and here is another
        self._coils = array("i", bytes(4 * CORNERS))
        for source in sorted((folder / "dashpot").glob("*.py")):
            module = firmware.modules.get(f"dashpot.{source.stem}")
            if module is None:
                continue
            for name, routine in viper_routines(source).items():
                self._replace(core, getattr(module, name), routine)
        self.ring = core.make_ring(RING_FRAMES)
        self.outbox = core.make_ring(RING_FRAMES)
        self.controller = core.load(image, self.ring, self.outbox)

    def tick(self, row: NDArray[np.int32], frames: NDArray[np.int32]) -> None:
        """Run one tick on the row of its inputs and its frames, int32[n, 5], as a run block has them."""
        ring = self.ring
        inputs = array("i", row.tolist())
        ring[HEAD], ring[TAIL] = len(frames), 0
        ring[OVERFLOW] += inputs[LOST]
        ring[FIRST : FIRST + frames.size] = array("i", frames.ravel().tolist())
        self.outbox[TAIL] = self.outbox[HEAD]
        self._run_coils(self.controller.image, self.state, inputs, 0, self._coils)
        self.costs, self.calls = Counter(), Counter()
        self.controller.tick(inputs[NOW_US])

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
