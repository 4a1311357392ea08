#!/usr/bin/env python3
"""Set up this checkout, then run the demo or the checks. Needs nothing but Python 3.11 and its venv module.

python3 tools/dev.py demo          the main job on the demo's data
python3 tools/dev.py test          everything that CI runs
python3 tools/dev.py STEP [ARGS]   one step; `python3 tools/dev.py -h` lists them

All of it goes into .venv of this checkout; remove that folder to start again.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import os
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple, NoReturn

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "dev-stamp"
OLDEST_PYTHON = (3, 11)

# These packages put gc.pyi, array.pyi and the like at the top of site-packages, where they would shadow the
# standard library for the type check of the desktop package: each set gets a folder of its own, and only the
# firmware's type check is pointed there (tools/check_firmware.py).
TYPINGS = {
    "typings-unix": ("micropython-unix-stubs==1.29.*", "micropython-stdlib-stubs==1.29.*"),
    "typings-stm32": ("micropython-stm32-stubs==1.29.*", "micropython-stdlib-stubs==1.29.*"),
}


class Step(NamedTuple):
    """One command of the checks; `needs` is a file without which the step has nothing to do yet."""

    title: str
    command: tuple[str, ...]
    needs: str = "pyproject.toml"


def module(name: str, *arguments: str) -> tuple[str, ...]:
    """Return the command that runs a module in the virtual environment."""
    return (str(PYTHON), "-m", name, *arguments)


def script(path: str, *arguments: str) -> tuple[str, ...]:
    """Return the command that runs a script of this checkout in the virtual environment."""
    return (str(PYTHON), path, *arguments)


# The order is the order of running: what fails soonest comes first.
STEPS = {
    "lint": Step("ruff check", module("ruff", "check")),
    "style": Step("ruff format --check", module("ruff", "format", "--check")),
    "generated": Step(
        "generated code is up to date", script("tools/gen_layout.py", "--check"), needs="tools/gen_layout.py"
    ),
    "modes": Step(
        "the page of modes is up to date",
        script("tools/modes_table.py", "--check", "docs/modes.md"),
        needs="tools/modes_table.py",
    ),
    "types": Step("mypy --strict bench tools", module("mypy")),
    "firmware-types": Step(
        "mypy firmware against the MicroPython stubs", script("tools/check_firmware.py", "types")
    ),
    "cross": Step("mpy-cross for armv7emsp and armv7m", script("tools/check_firmware.py", "cross")),
    "pytest": Step("pytest", module("pytest", "-n", "auto")),
}
OTHERS = {
    "setup": "make or refresh .venv, nothing more",
    "demo": "run `dashpot demo ARGS`",
    "test": "run every step below",
    "format": "let ruff fix and format the sources",
    "wheel": "build the sdist and the wheel into dist/",
}


def main() -> int:
    """Run what the command line asks for and return the exit code."""
    parser = argparse.ArgumentParser(
        description=(__doc__ or "").partition("\n")[0],
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog="commands:\n"
        + "".join(f"  {name:16}{text}\n" for name, text in OTHERS.items())
        + "steps of the checks:\n"
        + "".join(f"  {name:16}{step.title}\n" for name, step in STEPS.items()),
    )
    parser.add_argument("command", choices=[*OTHERS, *STEPS], metavar="COMMAND")
    parser.add_argument(
        "arguments", nargs=argparse.REMAINDER, metavar="ARGS", help="passed on to the command"
    )
    options = parser.parse_args()
    set_up()
    return run(options.command, options.arguments)


def run(name: str, arguments: list[str]) -> int:
    """Run one command or step in the virtual environment, or all steps, and return the exit code."""
    if name == "setup":
        print(f"ready: {VENV}")
        return 0
    if name == "demo":
        return call(module("dashpot", "demo", *arguments), folder=Path.cwd())  # where its --out belongs
    if name == "format":
        return call(module("ruff", "check", "--fix", *arguments)) | call(module("ruff", "format", *arguments))
    if name == "wheel":
        shutil.rmtree(ROOT / "dist", ignore_errors=True)
        return call(module("hatchling", "build", *arguments))
    if name == "pytest" and arguments:
        return call(module("pytest", *arguments))
    if name in STEPS:
        return call((*STEPS[name].command, *arguments))
    return run_steps()


def run_steps() -> int:
    """Run every step, also after a failure, and list the outcome at the end."""
    outcomes = []
    for name, step in STEPS.items():
        print(f"\n=== {name}: {step.title}", flush=True)
        if not (ROOT / step.needs).exists():
            outcomes.append((name, "absent", 0.0))
            print(f"--- {step.needs} does not exist", flush=True)
            continue
        start = time.monotonic()
        code = call(step.command)
        seconds = time.monotonic() - start
        outcomes.append((name, "FAILED" if code else "ok", seconds))
        print(f"--- {name}: {outcomes[-1][1]} in {seconds:.1f} s", flush=True)
    print("\n=== summary")
    for name, outcome, seconds in outcomes:
        print(f"{name:16}{outcome:8}{seconds:7.1f} s")
    failed = [name for name, outcome, _ in outcomes if outcome == "FAILED"]
    if failed:
        print(f"failed: {', '.join(failed)}; one alone: python3 tools/dev.py {failed[0]}")
    return 1 if failed else 0


def set_up() -> None:
    """Make .venv with everything that the demo and the checks need, unless it is up to date."""
    if sys.version_info < OLDEST_PYTHON:
        stop(
            f"this is Python {sys.version.split()[0]}; Python 3.11 or newer is needed (python3.11 tools/dev.py ...)"
        )
    wanted = fingerprint()
    if PYTHON.exists() and STAMP.is_file() and STAMP.read_text() == wanted:
        return
    start = time.monotonic()
    print("setting up .venv; the first time takes a minute or two", flush=True)
    if not PYTHON.exists() or call(module("pip", "--version"), quiet=True) != 0:
        make_venv()
    STAMP.unlink(missing_ok=True)
    pip_install("-e", f"{ROOT}[dev]")
    for folder, packages in TYPINGS.items():
        shutil.rmtree(VENV / folder, ignore_errors=True)
        pip_install("--no-deps", "--target", str(VENV / folder), *packages)
    STAMP.write_text(wanted)
    print(f"set up in {time.monotonic() - start:.0f} s", flush=True)


def fingerprint() -> str:
    """Return a hash of all that .venv depends on: the declaration, the interpreter, the place."""
    parts = (ROOT / "pyproject.toml").read_text(), repr(TYPINGS), sys.version, str(ROOT)
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()


def make_venv() -> None:
    """Make an empty virtual environment, replacing a broken one."""
    # Debian ships venv without ensurepip, which it needs to bring pip.
    if importlib.util.find_spec("venv") is None or importlib.util.find_spec("ensurepip") is None:
        stop(
            "Python's venv module is not installed.\n"
            "  Debian, Ubuntu: sudo apt install python3-venv\n"
            "  Others: install the package of your system that brings venv and ensurepip"
        )
    import venv

    venv.create(VENV, with_pip=True, clear=True, symlinks=True)


def pip_install(*arguments: str) -> None:
    """Install into .venv, or stop with advice."""
    command = module("pip", "install", "-qq", "--disable-pip-version-check", *arguments)
    if call(command) != 0:
        stop(f"pip could not install {arguments[-1]}; see its message above, then run this again")


def call(command: tuple[str, ...], *, quiet: bool = False, folder: Path = ROOT) -> int:
    """Run a command, by default in the checkout's top folder, and return its exit code."""
    environment = {
        name: value for name, value in os.environ.items() if name not in {"PYTHONPATH", "PYTHONHOME"}
    }
    output = subprocess.DEVNULL if quiet else None
    return subprocess.run(
        command, cwd=folder, env=environment, check=False, stdout=output, stderr=output
    ).returncode


def stop(message: str) -> NoReturn:
    """End with a message on stderr."""
    sys.exit(f"dev.py: {message}")


if __name__ == "__main__":
    try:
        sys.exit(main())
    except KeyboardInterrupt:
        sys.exit(130)
