"""The demo log for any test that needs one: written once a process, removed at its end."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

from dashpot.demo import DemoLap, demo_lap, frames
from dashpot.logs.candump import write_candump

_FOLDER = tempfile.TemporaryDirectory(prefix="dashpot-demo-")


@cache
def demo_truth(seed: int = 1, duration_s: float = 90.0) -> DemoLap:
    """Return the truth of a drive."""
    return demo_lap(seed, duration_s)


@cache
def demo_log(seed: int = 1, duration_s: float = 90.0) -> Path:
    """Return the path of a drive's candump log; do not change the file."""
    path = Path(_FOLDER.name) / f"hollow_fen_{seed}_{duration_s:g}.log"
    write_candump(path, frames(demo_truth(seed, duration_s)), ("can0",))
    return path
