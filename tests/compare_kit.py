"""What the tests of comparisons share: run folders replayed from short logs, and copies with planted words."""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.ipc

from calibration_kit import DEMO
from dashpot import runs
from dashpot.files import sha256_file
from dashpot.replay.job import Job, run_job
from demo_data import demo_log
from images import FIRMWARE

_FOLDER = tempfile.TemporaryDirectory(prefix="dashpot-compare-")
SECONDS = 21.0
CELL = ("[260, 200, 130, 80]", "[260, 200, 160, 80]")
SLEW = ('slew_up = "80 A/s"', 'slew_up = "20 A/s"')
#: The brake lead of both right-hand corners is 30 per mille too high.
LAYER = ("demand.py", "own[_L_BRAKE_LEAD + 1] = y", "own[_L_BRAKE_LEAD + 1] = y + 30")


def calibration(folder: Path, old: str, new: str, name: str = "new.toml") -> Path:
    """A copy of the demo's calibration with a piece exchanged, at every place where it is."""
    text = (DEMO / "calibration.toml").read_text(encoding="utf-8")
    assert old in text
    path = folder / name
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def replayed(
    out: Path,
    *,
    log: Path | None = None,
    firmware: Path = FIRMWARE,
    numbers: Path = DEMO / "calibration.toml",
) -> Path:
    """Replay into a folder."""
    job = Job(
        log=log or demo_log(1, SECONDS), out=out, firmware=firmware, vehicle=DEMO / "vehicle.toml", calibration=numbers
    )  # fmt: skip
    run_job(job, 0.0)
    return out


@cache
def plain() -> Path:
    """The demo drive as it stands; do not change the folder."""
    return replayed(Path(_FOLDER.name) / "plain")


@cache
def one_cell() -> Path:
    """The same with one cell of the front body load 30 per mille higher."""
    folder = Path(_FOLDER.name)
    return replayed(folder / "cell", numbers=calibration(folder, *CELL))


def changed(
    source: Path, out: Path, change: Callable[[dict[str, Any]], None], batch: int | None = None
) -> Path:
    """Copy a run with other columns, a table of arrays that `change` may alter, hash and count put right."""
    shutil.copytree(source, out)
    with pa.memory_map(str(source / runs.TICKS)) as file:
        table = pa.ipc.open_file(file).read_all()
    columns = {name: table[name].to_numpy().copy() for name in table.column_names}
    change(columns)
    schema = pa.schema([field for field in table.schema if field.name in columns], table.schema.metadata)
    made = pa.table([pa.array(columns[field.name], field.type) for field in schema], schema=schema)
    with (
        pa.OSFile(str(out / runs.TICKS), "wb") as sink,
        pa.ipc.new_file(sink, schema, options=pa.ipc.IpcWriteOptions(compression=runs.COMPRESSION)) as writer,
    ):
        writer.write_table(made, max_chunksize=batch or runs.BATCH_ROWS)
    manifest = json.loads((out / runs.MANIFEST).read_text())
    manifest["counts"]["ticks"] = made.num_rows
    manifest["outputs"] = {runs.TICKS: sha256_file(out / runs.TICKS)}
    runs.write_json(out / runs.MANIFEST, manifest)
    return out


def loaded(path: Path) -> dict[str, np.ndarray]:
    """All columns, by pyarrow alone."""
    with pa.memory_map(str(path / runs.TICKS)) as file:
        table = pa.ipc.open_file(file).read_all()
        return {name: table[name].to_numpy().astype(np.int64) for name in table.column_names}
