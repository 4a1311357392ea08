"""A run's ticks for other programs: CSV, Parquet and MF4, with units and descriptions, in constant memory.

- Parquet keeps the columns' types; unit and doc are in each field's metadata, as in ticks.arrow.
- CSV has the bare names in its first line. What they mean stands beside it in `NAME.csv-metadata.json`, where CSV on the
  Web (W3C Recommendation, 2015) looks for it.
- MF4 (ASAM MDF 4.10) has a channel a column over seconds from the first tick; `log_us` keeps the microseconds.
"""

from __future__ import annotations

import fnmatch
import json
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError
from dashpot.files import atomic_path
from dashpot.runs import TICKS, ColumnInfo, Run
from dashpot.version import __version__

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    import pyarrow as pa

#: Metadata of CSV on the Web: its context, and where it lies beside the file.
CSVW = "http://www.w3.org/ns/csvw"
METADATA = "-metadata.json"
LOG_US = "log_us"
MDF_VERSION = "4.10"
FORMATS = (".csv", ".parquet", ".mf4")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def chosen_columns(run: Run, patterns: Sequence[str]) -> list[ColumnInfo]:
    """Return the run's columns that match a pattern, `log_us` always among them; all of them without patterns.

    Raises:
        InputError: a pattern matches none.

    """
    if not patterns:
        return list(run.columns.values())
    wanted = {LOG_US}
    for pattern in patterns:
        found = fnmatch.filter(run.columns, pattern)
        if not found:
            raise InputError(
                f"no column matches {pattern!r}; there are {', '.join(list(run.columns)[:8])} and others",
                where=run.path / TICKS,
            )
        wanted.update(found)
    return [info for name, info in run.columns.items() if name in wanted]


def export_run(
    run: Run, path: Path, columns: Sequence[ColumnInfo], advance: Callable[[int], None] = lambda _ticks: None
) -> list[Path]:
    """Write columns of a run to a file, in the format of its suffix, and return the files that were made.

    Args:
        run: verified, see `Run.verify`.
        path: a .csv, .parquet or .mf4 file; an earlier one is replaced.
        columns: of `chosen_columns`.
        advance: called with the number of ticks that were written since the call before.

    Raises:
        InputError: the suffix is none of these, the run has no tick, or the file cannot be written.

    """
    writers = {".csv": _write_csv, ".parquet": _write_parquet, ".mf4": _write_mf4}
    write = writers.get(path.suffix.lower())
    if write is None:
        raise InputError(f"{path.suffix or 'no suffix'} is no format; {', '.join(FORMATS)} are", where=path)
    if not run.ticks:
        raise InputError("has no tick to export", where=run.path)
    with ExitStack() as stack:
        aside = stack.enter_context(atomic_path(path))
        if write is not _write_csv:
            write(run, aside, columns, advance)
            return [path]
        beside = path.with_name(path.name + METADATA)
        about = stack.enter_context(atomic_path(beside))
        write(run, aside, columns, advance)
        about.write_text(_csv_metadata(path.name, columns), encoding="utf-8")
        return [path, beside]


def _write_parquet(
    run: Run, path: Path, columns: Sequence[ColumnInfo], advance: Callable[[int], None]
) -> None:
    import pyarrow.parquet as pq

    _write_batches(
        run, columns, advance, lambda schema: pq.ParquetWriter(str(path), schema, compression="zstd")
    )


def _write_csv(run: Run, path: Path, columns: Sequence[ColumnInfo], advance: Callable[[int], None]) -> None:
    import pyarrow.csv as pc

    options = pc.WriteOptions(quoting_style="none")
    _write_batches(
        run, columns, advance, lambda schema: pc.CSVWriter(str(path), schema, write_options=options)
    )


def _write_batches(
    run: Run, columns: Sequence[ColumnInfo], advance: Callable[[int], None], begin: Callable[[pa.Schema], Any]
) -> None:
    """Write the run's batches with one of Arrow's writers, which `begin` makes for the first one's schema."""
    with ExitStack() as stack:
        writer: Any = None
        for batch in run.batches([info.name for info in columns]):
            writer = writer or stack.enter_context(begin(batch.schema))
            writer.write_batch(batch)
            advance(batch.num_rows)


def _csv_metadata(name: str, columns: Sequence[ColumnInfo]) -> str:
    document = {
        "@context": CSVW,
        "url": name,
        "tableSchema": {
            "columns": [
                {
                    "name": info.name,
                    "titles": info.name,
                    "datatype": "integer",
                    "dc:description": info.doc,
                    "schema:unitText": info.unit,
                }
                for info in columns
            ]
        },
    }
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def _write_mf4(run: Run, path: Path, columns: Sequence[ColumnInfo], advance: Callable[[int], None]) -> None:
    from asammdf import MDF, Signal

    with MDF(version=MDF_VERSION) as file:
        start_us = None
        for batch in run.batches([info.name for info in columns]):
            values = {info.name: batch.column(info.name).to_numpy() for info in columns}
            log_us = values[LOG_US]
            first = start_us is None
            if start_us is None:
                start_us = int(log_us[0])
                # Of the log's own clock; without it the file would have the time of the export.
                file.header.start_time = EPOCH + timedelta(microseconds=max(start_us, 0))
            seconds = (log_us - start_us) / 1e6
            if first:
                file.append(
                    [
                        Signal(values[info.name], seconds, unit=info.unit, name=info.name, comment=info.doc)
                        for info in columns
                    ],
                    acq_name="ticks",
                    comment=f"run {run.path.name}: a record a tick",
                    common_timebase=True,
                )
            else:
                file.extend(0, [(seconds, None), *((values[info.name], None) for info in columns)])
            advance(batch.num_rows)
        file.file_history.append(_history(file.header.abs_time))
        file.save(path, overwrite=True, compression=1, add_history_block=False)


def _history(abs_time_ns: int) -> Any:
    """Return the entry that every MDF file must have of its making, with the log's time and not today's."""
    from asammdf.blocks.v4_blocks import FileHistory

    entry = FileHistory()
    entry.comment = (
        "<FHcomment><TX>exported from a run</TX><tool_id>dashpot</tool_id><tool_vendor>dashpot</tool_vendor>"
        f"<tool_version>{__version__}</tool_version></FHcomment>"
    )
    entry.abs_time = abs_time_ns
    entry.tz_offset = entry.daylight_save_time = 0
    return entry
