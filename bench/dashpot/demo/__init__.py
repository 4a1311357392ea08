"""The demo: an invented car on an invented circuit, as the log that its bus would leave.

`demo_lap` is the truth, `frames` the bus, `write_demo_log` the candump file. All of it is drawn from one seed. It is a
stand-in for a plant: good enough that every channel agrees with every other, and no more than that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashpot.demo.bus import frames
from dashpot.demo.lap import DemoLap, demo_lap
from dashpot.logs.candump import write_candump

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["DemoLap", "demo_lap", "frames", "write_demo_log"]


def write_demo_log(path: Path, seed: int = 1, duration_s: float = 90.0) -> int:
    """Write the demo lap as a candump log of interface can0 and return how many frames it has.

    Raises:
        InputError: seed or duration out of range, or the folder cannot be written.
    """
    return write_candump(path, frames(demo_lap(seed, duration_s)), ("can0",))
