"""The store's checks, each in the real interpreter and in checked CPython (tests/store_kit/checks.py has them)."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from dashpot.checked import load
from dashpot.targets.host import find_micropython
from images import FIRMWARE, ImageBuilder
from store_kit import checks

KIT = Path(__file__).parent / "store_kit"
TIMEOUT_S = 120


@pytest.fixture(scope="module")
def images() -> list[bytes]:
    """Three calibrations that differ in a current."""
    return [ImageBuilder().fill("safe_ma", 800 + i).build() for i in range(3)]


@pytest.mark.parametrize("name", checks.CHECKS)
def test_in_the_real_interpreter(name: str, tmp_path: Path, images: list[bytes]) -> None:
    paths = [tmp_path / f"image_{i}.bin" for i in range(3)]
    for path, data in zip(paths, images, strict=True):
        path.write_bytes(data)
    folder = tmp_path / "flash"
    folder.mkdir()
    command = [find_micropython()[0], KIT / "checks.py", FIRMWARE, folder, *paths, name]
    done = subprocess.run(
        [str(word) for word in command], capture_output=True, text=True, timeout=TIMEOUT_S, check=False
    )
    assert (done.returncode, done.stdout) == (0, "fine\n"), done.stdout + done.stderr


@pytest.mark.parametrize("name", checks.CHECKS)
def test_in_checked_cpython(name: str, tmp_path: Path, images: list[bytes]) -> None:
    firmware = load(FIRMWARE)
    names = ("records", "image", "store", "boot", "fault_memory")
    modules = [firmware.import_module(f"dashpot.{module}") for module in names]
    modules += [firmware.import_module("micropython"), firmware.import_module("gc")]
    getattr(checks, name)(checks.Kit(modules, str(tmp_path), images))
    assert not firmware.violations
