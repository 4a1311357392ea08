"""The run folder: what a replay leaves behind. docs/runs.md describes it for readers in any language.

- manifest.json: what went in: hashes, versions, arguments, counts; the same inputs give the same bytes
- ticks.arrow: a row a tick, a column a word; the same inputs give the same bytes
- timing.arrow: how long each tick took on the machine that replayed
- summary.json: what `dashpot replay --json` prints
- image.bin: the image that the firmware got
- layout.toml: the declaration that names the columns
"""

from __future__ import annotations

import json
import re
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, Self

import numpy as np
from numpy.typing import NDArray

from dashpot.errors import FirmwareError, InputError
from dashpot.files import sha256_file
from dashpot.layout import Layout

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from types import TracebackType

    import pyarrow as pa

    from dashpot.targets.contract import RunBlock, RunReply, Words

FORMAT = 1
MANIFEST = "manifest.json"
TICKS = "ticks.arrow"
TIMING = "timing.arrow"
SUMMARY = "summary.json"
IMAGE = "image.bin"
LAYOUT = "layout.toml"

#: Rows of a record batch. Fixed, so that the bytes of a file do not depend on how the firmware was fed.
BATCH_ROWS = 1 << 16
COMPRESSION = "lz4"

#: Columns that come from the bench and not from the firmware: name, type, unit, doc.
OWN_COLUMNS = (
    ("log_us", "int64", "us", "time of the tick on the log's own clock"),
    ("frames", "int32", "", "frames delivered to the tick"),
    ("lost", "int32", "", "frames of the log that the ring had no room for before this tick"),
)
UNITS = {
    "us": "us", "ms": "ms", "ma": "mA", "mv": "mV", "kpa": "kPa", "permille": "per mille", "mg": "g/1000", "um": "um",
    "q10": "1/1024", "mm_s": "mm/s", "deg_s": "deg/s", "bar_s": "bar/s", "cm_s": "cm/s",
}  # fmt: skip


class ColumnInfo(NamedTuple):
    """A column of ticks.arrow: its name, numpy type, unit ("" for none) and what it is."""

    name: str
    dtype: str
    unit: str
    doc: str


def trace_columns(layout: Layout) -> list[ColumnInfo]:
    """Return the columns that the firmware's record of a tick has, in order."""
    channel_of = {f"channel.{channel.name}": channel for channel in layout.channels}
    columns = []
    for word in layout.trace:
        assert word.trace is not None
        for name in word.columns:
            channel = channel_of.get(name)
            if channel is None:
                columns.append(ColumnInfo(name, word.trace, unit_of(word.name), word.doc))
            else:
                doc = f"{channel.doc}; as the laws used it, after substitution"
                columns.append(ColumnInfo(name, word.trace, channel.unit, doc))
    return columns


def unit_of(name: str) -> str:
    """Return the unit that a word's name ends with, "" for none."""
    for suffix in (re.sub(r"^.*_([a-z]+_s)$", r"\1", name), name.rpartition("_")[2]):
        if suffix in UNITS and suffix != name:
            return UNITS[suffix]
    return ""


class _Segment(NamedTuple):
    """Neighbouring trace words of one narrow type, and the columns in the making."""

    first: int
    stop: int
    columns: NDArray[Any]


class RunWriter:
    """Writes ticks.arrow and timing.arrow as the replies come; a context manager.

    Args:
        folder: an existing folder.
        layout: names and types of the trace.

    """

    def __init__(self, folder: Path, layout: Layout) -> None:
        self._folder = folder
        self._columns = trace_columns(layout)
        self._own = [np.empty(BATCH_ROWS, dtype) for _, dtype, _, _ in OWN_COLUMNS]
        self._tick_us = np.empty(BATCH_ROWS, "<i4")
        self._segments = self._make_segments()
        self._rows = 0
        self._first_tick = 0
        # (writer, schema, file) of ticks.arrow and timing.arrow, once the first rows are there.
        self._files: list[tuple[Any, Any, Any]] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if kind is None:
            if self._rows or not self._files:
                self._flush()
            for writer, _, _ in self._files:
                writer.close()
        for _, _, sink in self._files:
            sink.close()

    def add(self, block: RunBlock, reply: RunReply) -> None:
        """Store the reply to a block.

        Raises:
            FirmwareError: a word does not fit the type that the layout declares for it.

        """
        taken = 0
        ticks = len(block.ticks)
        while taken < ticks:
            some = min(ticks - taken, BATCH_ROWS - self._rows)
            part = slice(taken, taken + some)
            to = slice(self._rows, self._rows + some)
            for column, values in zip(
                self._own, (block.log_us[part], block.ticks[part, 1], block.ticks[part, 2]), strict=True
            ):
                column[to] = values
            self._tick_us[to] = reply.tick_us[part]
            for segment in self._segments:
                words = reply.trace[part, segment.first : segment.stop]
                self._check_range(words, segment, block.first_tick + taken)
                segment.columns[:, to] = words.T
            taken += some
            self._rows += some
            if self._rows == BATCH_ROWS:
                self._flush()

    def _make_segments(self) -> list[_Segment]:
        segments = []
        first = 0
        types = [column.dtype for column in self._columns]
        for at in range(1, len(types) + 1):
            if at == len(types) or types[at] != types[first]:
                segments.append(_Segment(first, at, np.empty((at - first, BATCH_ROWS), types[first])))
                first = at
        return segments

    def _check_range(self, words: Words, segment: _Segment, first_tick: int) -> None:
        if segment.columns.dtype.itemsize >= words.dtype.itemsize:
            return
        bounds = np.iinfo(segment.columns.dtype)
        if words.min() >= bounds.min and words.max() <= bounds.max:
            return
        row, column = np.argwhere((words < bounds.min) | (words > bounds.max))[0]
        raise FirmwareError(
            f"the firmware's word {self._columns[segment.first + column].name} is {words[row, column]} in tick "
            f"{first_tick + row}, which is no {segment.columns.dtype}, as firmware/layout.toml declares it"
        )

    def _open(self) -> None:
        import pyarrow as pa
        import pyarrow.ipc

        options = pa.ipc.IpcWriteOptions(compression=COMPRESSION, use_threads=False)
        infos = [ColumnInfo(*own) for own in OWN_COLUMNS] + self._columns
        ticks = pa.schema(
            [
                pa.field(
                    info.name, pa.type_for_alias(info.dtype), False, {"unit": info.unit, "doc": info.doc}
                )
                for info in infos
            ],
            {"dashpot.run": str(FORMAT)},
        )
        doc = "microseconds that the tick took on the machine that replayed, resolution 1 us"
        timing = pa.schema([pa.field("tick_us", pa.int32(), False, {"unit": "us", "doc": doc})])
        for name, schema in ((TICKS, ticks), (TIMING, timing)):
            sink = pa.OSFile(str(self._folder / name), "wb")
            self._files.append((pa.ipc.new_file(sink, schema, options=options), schema, sink))

    def _flush(self) -> None:
        import pyarrow as pa

        if not self._files:
            self._open()
        rows = self._rows
        ticks = [column[:rows] for column in self._own]
        ticks += [column[:rows] for segment in self._segments for column in segment.columns]
        for (writer, schema, _), arrays in zip(self._files, (ticks, [self._tick_us[:rows]]), strict=True):
            # Not pa.array(): it imports pandas where that is installed, 0.3 s here.
            columns = [
                pa.Array.from_buffers(field.type, rows, [None, pa.py_buffer(values)])
                for field, values in zip(schema, arrays, strict=True)
            ]
            writer.write_batch(pa.record_batch(columns, schema=schema))
        self._rows = 0


class Run:
    """A stored run, columns read on demand.

    `run["current_ma.front_left"]` reads one column; `run.columns` says which there are.

    Attributes:
        path: the run folder.
        manifest: what went into the run, see docs/runs.md.
        summary: what came out of it, as `dashpot replay --json` prints it.
        layout: the declaration of the firmware that ran.
        columns: unit and meaning of every column, by name.
        ticks: how many ticks there are.

    """

    def __init__(self, path: Path) -> None:
        """Open a run folder; see `open_run`."""
        self.path = path
        if not path.is_dir():
            raise InputError("no such run folder", where=path)
        if not (path / MANIFEST).is_file():
            raise InputError(
                f"is no run folder, it holds no {MANIFEST}; `dashpot replay` makes one", where=path
            )
        self.manifest = _read_json(path / MANIFEST)
        number = self.manifest.get("format")
        if number != FORMAT:
            raise InputError(
                f"has run format {number!r}, this dashpot reads {FORMAT}; replay the log again",
                where=path / MANIFEST,
            )
        self.summary = _read_json(path / SUMMARY)
        self.layout = Layout.load(path)
        self.columns = _read_schema(path / TICKS)
        try:
            self.ticks = int(self.manifest["counts"]["ticks"])
        except (KeyError, TypeError, ValueError):
            raise InputError("has no count of ticks; replay the log again", where=path / MANIFEST) from None
        expected = [own[0] for own in OWN_COLUMNS] + [info.name for info in trace_columns(self.layout)]
        if list(self.columns) != expected:
            raise InputError(
                f"its columns are not those of the {LAYOUT} beside it; replay the log again",
                where=path / TICKS,
            )

    def __getitem__(self, name: str) -> NDArray[Any]:
        """Return a column, one value a tick.

        Raises:
            InputError: there is no such column, or the file is damaged.

        """
        if name not in self.columns:
            near = [known for known in self.columns if name.partition(".")[0] in known]
            hint = f"; near are {', '.join(near[:6])}" if near else ""
            raise InputError(f"has no column {name!r}{hint}", where=self.path / TICKS)
        values = _read_column(self.path / TICKS, list(self.columns).index(name))
        if len(values) != self.ticks:
            raise InputError(
                f"holds {len(values)} ticks where {MANIFEST} has {self.ticks}; replay the log again",
                where=self.path / TICKS,
            )
        return values

    def batches(self, names: Sequence[str]) -> Iterator[pa.RecordBatch]:
        """Yield columns piece by piece, some 65,536 ticks at a time, in the order of the file.

        Raises:
            InputError: the file is damaged.

        """
        order = list(self.columns)
        with _arrow_file(
            self.path / TICKS, included_fields=sorted(order.index(name) for name in names)
        ) as reader:
            for number in range(reader.num_record_batches):
                yield reader.get_batch(number)

    def verify(self) -> None:
        """Compare the stored ticks with the hash that the manifest has of them.

        Raises:
            InputError: they differ, or the manifest has no hash.

        """
        wanted = self.manifest.get("outputs", {}).get(TICKS)
        if wanted != sha256_file(self.path / TICKS):
            raise InputError(
                f"is not the file that {MANIFEST} was written for; replay the log again",
                where=self.path / TICKS,
            )

    @property
    def log_us(self) -> NDArray[np.int64]:
        """Time of each tick on the log's own clock, int64[ticks], microseconds."""
        return self["log_us"]

    @property
    def log_s(self) -> NDArray[np.float64]:
        """Seconds from the first tick to each tick on the log's clock, float64[ticks]."""
        log_us = self.log_us
        return (log_us - log_us[0]) / 1e6 if len(log_us) else log_us.astype(np.float64)

    @property
    def tick_us(self) -> NDArray[np.int32]:
        """How long each tick took, int32[ticks], microseconds."""
        return _read_column(self.path / TIMING, 0)


def open_run(path: Path | str) -> Run:
    """Open a run folder.

    Raises:
        InputError: the folder is no run, of another format, or damaged; `where` names the file.

    """
    return Run(Path(path))


def write_json(path: Path, document: dict[str, Any]) -> None:
    """Write a JSON document for people and programs: sorted keys are up to the caller, no NaN, a line end."""
    path.write_text(
        json.dumps(document, indent=2, allow_nan=False, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def _read_json(path: Path) -> dict[str, Any]:
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise InputError("is missing from the run folder; replay the log again", where=path) from None
    except (OSError, ValueError) as error:
        raise InputError(f"cannot be read ({error}); replay the log again", where=path) from None
    if not isinstance(document, dict):
        raise InputError("is not what dashpot writes; replay the log again", where=path)
    return document


@contextmanager
def _arrow_file(path: Path, **options: Any) -> Iterator[Any]:
    """Yield an Arrow file reader over a memory map; damage found in the body is an InputError too."""
    import pyarrow as pa
    import pyarrow.ipc

    try:
        with pa.memory_map(str(path)) as mapped:
            yield pa.ipc.open_file(mapped, options=pa.ipc.IpcReadOptions(use_threads=False, **options))
    except FileNotFoundError:
        raise InputError("is missing from the run folder; replay the log again", where=path) from None
    except (OSError, pa.ArrowException) as error:
        raise InputError(f"is damaged ({error}); replay the log again", where=path) from None


def _read_schema(path: Path) -> dict[str, ColumnInfo]:
    with _arrow_file(path) as reader:
        columns = {}
        for field in reader.schema:
            said = {key.decode(): value.decode() for key, value in (field.metadata or {}).items()}
            columns[field.name] = ColumnInfo(
                field.name, str(field.type), said.get("unit", ""), said.get("doc", "")
            )
        return columns


def _read_column(path: Path, index: int) -> NDArray[Any]:
    """Return one column; only its own bytes are read."""
    with _arrow_file(path, included_fields=[index]) as reader:
        batches = [reader.get_batch(i).column(0) for i in range(reader.num_record_batches)]
        dtype = reader.schema.field(0).type.to_pandas_dtype()
        parts = [batch.to_numpy(zero_copy_only=True) for batch in batches]
        return np.concatenate(parts) if parts else np.empty(0, dtype)
