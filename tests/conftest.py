"""Fixtures that every test may use."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

RunCli = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture
def run_cli(tmp_path: Path) -> RunCli:
    """Return a function which runs `dashpot ARGS` as a process of its own, by default in tmp_path."""

    def run(*arguments: str | os.PathLike[str], cwd: Path = tmp_path) -> subprocess.CompletedProcess[str]:
        command = [sys.executable, "-m", "dashpot", *map(os.fspath, arguments)]
        return subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False)

    return run
