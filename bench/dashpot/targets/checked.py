"""The target `cpython`: the same firmware files in CPython, every access and every intermediate checked."""

from __future__ import annotations

import os
import platform
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import dashpot
from dashpot.targets.pipe import PipeTarget

if TYPE_CHECKING:
    from dashpot.layout import Layout
    from dashpot.targets.contract import TargetOptions


class CPythonTarget(PipeTarget):
    """The firmware under `dashpot.checked`."""

    def __init__(self, options: TargetOptions, layout: Layout) -> None:
        package = str(Path(dashpot.__file__).resolve().parent.parent)
        # The child must find this very package, also where it is not installed.
        paths = [package, *filter(None, [os.environ.get("PYTHONPATH")])]
        super().__init__(
            name="cpython",
            interpreter=f"{platform.python_version()}; {platform.python_implementation()}, checked",
            command=[
                sys.executable,
                "-m",
                "dashpot.checked",
                str(options.firmware_dir),
                "boards.host",
                *options.arguments,
            ],
            layout=layout,
            environment={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        )
