"""Run a firmware in CPython, checked: `python -m dashpot.checked FOLDER MODULE [ARGS...]`."""

from __future__ import annotations

import io
import os
import sys
import traceback
from pathlib import Path
from types import TracebackType
from typing import Any

from dashpot.checked.firmware import Firmware

USAGE = "usage: python -m dashpot.checked FOLDER MODULE [ARGS...]"
_OWN_FOLDER = str(Path(__file__).parent)


class _Through(io.BufferedWriter):
    """Binary output that is never held back, as MicroPython's is not: the other end may be waiting for it."""

    def write(self, data: Any, /) -> int:
        written = super().write(data)
        self.flush()
        return written


def _without_own_frames(trace: TracebackType | None) -> TracebackType | None:
    """The part of a traceback that lies in the firmware: not the frames that brought it there."""
    while trace is not None and trace.tb_frame.f_code.co_filename.startswith(_OWN_FOLDER):
        trace = trace.tb_next
    return trace


def _report(error: BaseException) -> None:
    trace = _without_own_frames(error.__traceback__)
    traceback.print_exception(type(error), error, trace or error.__traceback__, file=sys.stderr)


def run(folder: Path, name: str, arguments: list[str]) -> int:
    """Import a firmware module, call its `main()` and give the exit code.

    The firmware sees `sys.argv` as [module file, arguments...], and standard input and output in binary, unbuffered.
    Returns `main()`'s own code if that is an integer, else 0; 1 after an exception, whose traceback is on stderr, or
    when the firmware swallowed a violation; 130 after Ctrl-C.
    """
    firmware = Firmware(folder)
    sys.path.insert(0, str(folder))
    sys.stdout = io.TextIOWrapper(_Through(io.FileIO(1, "wb", closefd=False)), write_through=True)
    sys.argv = [str(folder / f"{name.replace('.', '/')}.py"), *arguments]
    try:
        result = firmware.import_module(name).main()
    except SystemExit:
        raise
    except KeyboardInterrupt:
        return 130
    except Exception as error:  # noqa: BLE001 # whatever the firmware raises is what the caller wants to see
        _report(error)
        return 1
    if isinstance(result, int) and result:
        return result
    for violation in firmware.violations:
        sys.stderr.write("The firmware caught and hid this:\n")
        _report(violation)
    return 1 if firmware.violations else 0


def main() -> int:
    """Read the command line and run."""
    if len(sys.argv) < 3:
        sys.stderr.write(f"{USAGE}\n")
        return 2
    folder = Path(sys.argv[1])
    if not folder.is_dir():
        sys.stderr.write(f"{folder}: no such folder; {USAGE}\n")
        return 2
    return run(folder, sys.argv[2], sys.argv[3:])


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    sys.stderr.flush()
    # Nothing is left to tidy up, and tearing the interpreter down takes longer than a short replay.
    os._exit(code)
