"""Packed images kept from one replay to the next: a replay with the same files need not import and run the packer.

Measured on the log of tools/bench_replay.py (417 s, 2 CPUs): reading two TOML files and a DBC, checking and packing
them costs 0.28 s, of which 0.19 s are imports; with the image kept a replay took 1.7 s instead of 2.0 s.

An entry is found by a hash over all that decides the image: name and bytes of every file, the firmware's layout, the
sources of the packer, the libraries that it uses. Whatever is odd about the cache, the packer runs.
"""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import json
import os
import sys
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashpot import __version__, resources
from dashpot.errors import DashpotError
from dashpot.files import atomic_path

if TYPE_CHECKING:
    from collections.abc import Sequence

FORMAT = 1
#: Entries are some ten kilobytes each.
MOST_ENTRIES = 50
#: A folder to use instead of the user's, or empty for no cache.
VARIABLE = "DASHPOT_CACHE"
LIBRARIES = ("cantools", "pydantic")
PACKAGE = Path(__file__).resolve().parent.parent


@dataclass(frozen=True, slots=True)
class Cache:
    """One place for one image."""

    path: Path

    def read(self) -> dict[str, Any] | None:
        """Return what `write` was given, None where there is nothing, or nothing whole."""
        try:
            text, _, check = self.path.read_text(encoding="utf-8").rpartition("\n")
            if check != hashlib.sha256(text.encode()).hexdigest():
                return None
            document = json.loads(text)
        except (OSError, ValueError):
            return None
        return {**document, "data": base64.b64decode(document["data"])}

    def write(self, document: dict[str, Any]) -> None:
        """Keep a document whose "data" are bytes; where that fails it is as if there were no cache."""
        text = json.dumps(document | {"data": base64.b64encode(document["data"]).decode()})
        folder = self.path.parent
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with atomic_path(self.path) as aside:
                aside.write_text(f"{text}\n{hashlib.sha256(text.encode()).hexdigest()}", encoding="utf-8")
            entries = sorted(folder.glob("*.image"), key=lambda path: path.stat().st_mtime_ns)
            for old in entries[:-MOST_ENTRIES]:
                old.unlink(missing_ok=True)
        except (OSError, DashpotError):
            return


def cache_for(
    vehicle: Path, calibration: Path, layout_version: int, period_us: int | None, dbc: Sequence[Path]
) -> Cache | None:
    """Return the place for the image of these inputs, None where there is no cache or the files are not plain.

    Args:
        vehicle: vehicle.toml.
        calibration: calibration.toml.
        layout_version: hash of the firmware's declaration.
        period_us: tick period instead of the calibration's.
        dbc: DBC files in place of those that the vehicle file names.

    """
    folder = _folder()
    if folder is None:
        return None
    try:
        parts = [[path.name, _sha256(path)] for path in (vehicle, calibration, *(dbc or dbc_places(vehicle)))]
        parts += [[str(path.relative_to(PACKAGE)), _sha256(path)] for path in _sources()]
        libraries = [[name, _age(name)] for name in LIBRARIES]
    except (OSError, ValueError, TypeError, KeyError):
        return None
    everything = [FORMAT, __version__, sys.version, layout_version, period_us, bool(dbc), parts, libraries]
    key = hashlib.sha256(json.dumps(everything).encode()).hexdigest()
    return Cache(folder / f"{key}.image")


def _folder() -> Path | None:
    named = os.environ.get(VARIABLE)
    if named is not None:
        return Path(named) if named else None
    base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")  # noqa: PTH111 - pathlib's raises without a home
    return Path(base) / "dashpot" / "images" if Path(base).is_absolute() else None


def dbc_places(vehicle: Path) -> list[Path]:
    """Return every place where a DBC that a vehicle file names may lie, whether a file is there or not.

    Raises:
        OSError, ValueError, TypeError, KeyError: it cannot be read, or is no vehicle file.

    """
    named = tomllib.loads(vehicle.read_text(encoding="utf-8"))["dbc"]
    names = [
        entry if isinstance(entry, str) else entry["file"]
        for entry in (named if isinstance(named, list) else [named])
    ]
    return [folder / name for name in names for folder in (vehicle.parent, resources.dbc_dir())]


def _sha256(path: Path) -> str:
    """Return the hash of a file, "" where there is none."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except FileNotFoundError:
        return ""


def _sources() -> list[Path]:
    return [
        *sorted((PACKAGE / "calibration").glob("*.py")),
        *sorted((PACKAGE / "replay").glob("image*.py")),
        PACKAGE / "layout.py",
    ]


def _age(library: str) -> int:
    """Return when a library was installed, which costs less than to ask for its version."""
    spec = importlib.util.find_spec(library)
    return Path(spec.origin).stat().st_mtime_ns if spec is not None and spec.origin else 0
