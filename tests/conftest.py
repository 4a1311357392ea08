"""Fixtures that every test may use."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from firmware_fixtures import Firmware

RunCli = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def run_cli(tmp_path: Path) -> RunCli:
    """Return a function which runs `dashpot ARGS` as a process of its own, by default in tmp_path."""

    def run(*arguments: str | os.PathLike[str], cwd: Path = tmp_path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "dashpot", *map(os.fspath, arguments)]
        return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)

    return run


@pytest.fixture(scope="module")
def host() -> Iterator[Firmware]:
    """Give the firmware in the real interpreter, one process for a module's tests."""
    yield from _running("host")


@pytest.fixture(scope="module")
def cpython() -> Iterator[Firmware]:
    """Give the firmware in checked CPython, one process for a module's tests."""
    yield from _running("cpython")


def _running(target: str) -> Iterator[Firmware]:
    # Only here: a mutation run says where the firmware is after this file was read.
    from firmware_fixtures import Firmware

    running = Firmware(target)
    yield running
    running.target.close()
