"""Run folders: what is written is what is read, also by other readers, and a broken folder says what is broken."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot import runs
from dashpot.errors import FirmwareError, InputError
from dashpot.files import sha256_file
from dashpot.runs import BATCH_ROWS, OWN_COLUMNS, RunWriter, open_run, trace_columns, unit_of
from dashpot.targets import RunBlock, RunReply
from replay_kit import FIRMWARE, layout


def made(ticks: int, seed: int = 1, first_tick: int = 0) -> tuple[RunBlock, RunReply]:
    """Ticks with random words, each within the range of its type, its ends among them."""
    rng = np.random.default_rng(seed)
    trace = np.empty((ticks, layout().trace_words), "<i4")
    for i, column in enumerate(trace_columns(layout())):
        bounds = np.iinfo(column.dtype)
        trace[:, i] = rng.integers(bounds.min, bounds.max, ticks, endpoint=True)
        trace[:2, i] = [bounds.min, bounds.max][:ticks]
    rows = rng.integers(0, 1 << 30, (ticks, 3)).astype("<i4")
    log_us = np.arange(first_tick, first_tick + ticks, dtype=np.int64) * 2000 - 10_000
    block = RunBlock(first_tick, rows, np.empty((0, 5), "<i4"), log_us)
    return block, RunReply(trace, rng.integers(0, 1000, ticks).astype("<i4"), 0, 0)


def store(folder: Path, parts: list[tuple[RunBlock, RunReply]]) -> Path:
    folder.mkdir()
    with RunWriter(folder, layout()) as writer:
        for block, reply in parts:
            writer.add(block, reply)
    shutil.copyfile(FIRMWARE / "layout.toml", folder / runs.LAYOUT)
    ticks = sum(len(block.ticks) for block, _ in parts)
    outputs = {runs.TICKS: sha256_file(folder / runs.TICKS)}
    runs.write_json(
        folder / runs.MANIFEST, {"format": runs.FORMAT, "counts": {"ticks": ticks}, "outputs": outputs}
    )
    runs.write_json(folder / runs.SUMMARY, {"ticks": ticks})
    return folder


@pytest.fixture
def run(tmp_path: Path) -> Path:
    return store(tmp_path / "run", [made(1000)])


def test_what_was_written_is_read(tmp_path: Path) -> None:
    block, reply = made(5000)
    run = open_run(store(tmp_path / "run", [(block, reply)]))
    assert (run["log_us"] == block.log_us).all()
    assert (run["frames"] == block.ticks[:, 1]).all()
    assert (run["lost"] == block.ticks[:, 2]).all()
    assert (run.tick_us == reply.tick_us).all()
    for i, column in enumerate(trace_columns(layout())):
        values = run[column.name]
        assert values.dtype == np.dtype(column.dtype)
        assert (values == reply.trace[:, i]).all(), column.name
    assert run.log_s[0] == 0
    assert run.log_s[-1] == pytest.approx(4999 * 0.002)


def test_how_the_ticks_came_does_not_show(tmp_path: Path) -> None:
    ticks = BATCH_ROWS + 700
    block, reply = made(ticks)
    whole = store(tmp_path / "whole", [(block, reply)])
    edges = [0, 1, 512, 40_000, BATCH_ROWS - 1, BATCH_ROWS + 2, ticks]
    parts = []
    for a, b in pairwise(edges):
        one = RunBlock(a, block.ticks[a:b], block.frames, block.log_us[a:b])
        parts.append((one, RunReply(reply.trace[a:b], reply.tick_us[a:b], 0, 0)))
    split = store(tmp_path / "split", parts)
    for name in (runs.TICKS, runs.TIMING):
        assert (whole / name).read_bytes() == (split / name).read_bytes()
    read = open_run(split)
    assert (read["now_us"] == reply.trace[:, 0]).all()
    with pa.memory_map(str(split / runs.TICKS)) as file:
        reader = pa.ipc.open_file(file)
        assert [reader.get_batch(i).num_rows for i in range(reader.num_record_batches)] == [BATCH_ROWS, 700]


def test_other_readers_find_names_types_units_and_no_nulls(run: Path) -> None:
    with pa.memory_map(str(run / runs.TICKS)) as file:
        table = pa.ipc.open_file(file).read_all()
    assert table.schema.metadata == {b"dashpot.run": b"1"}
    assert table.num_rows == 1000
    field = table.schema.field("current_ma.front_left")
    assert (str(field.type), field.nullable) == ("int16", False)
    assert field.metadata == {b"unit": b"mA", b"doc": b"current commanded"}
    assert table.schema.field("channel.stroke_um.rear_right").metadata[b"unit"] == b"um"
    assert b"compression positive" in table.schema.field("channel.stroke_um.rear_right").metadata[b"doc"]
    table.validate(full=True)
    assert table.column("lost").null_count == 0


def test_every_column_says_what_it_is() -> None:
    columns = trace_columns(layout())
    assert len(columns) == layout().trace_words
    assert len({column.name for column in columns} | {own[0] for own in OWN_COLUMNS}) == len(columns) + len(
        OWN_COLUMNS
    )
    for column in columns:
        assert column.doc, column.name
    wanted = {
        "now_us": "us", "lateral_filtered_mg": "g/1000", "stroke_speed_mm_s.rear_left": "mm/s", "mode": "",
        "steer_rate_deg_s": "deg/s", "brake_rate_bar_s": "bar/s", "layer_permille.grip.front_left": "per mille",
        "authority_q10": "1/1024", "channel.road_speed_cm_s": "cm/s", "channel.supply_mv": "mV", "frames_used": "",
        "channel.steer_ddeg": "0.1 deg", "channel.driver_switch": "", "current_ma.rear_right": "mA",
    }  # fmt: skip
    units = {column.name: column.unit for column in columns}
    assert {name: units[name] for name in wanted} == wanted


@pytest.mark.parametrize(
    ("name", "unit"), [("mm_s", ""), ("x_mm_s", "mm/s"), ("us", ""), ("a_us", "us"), ("focus", "")]
)
def test_a_unit_is_a_suffix_behind_a_name(name: str, unit: str) -> None:
    assert unit_of(name) == unit


@settings(max_examples=60, deadline=None)
@given(
    column=st.sampled_from([(i, c) for i, c in enumerate(trace_columns(layout())) if c.dtype != "int32"]),
    past=st.sampled_from([1, 2, 1 << 15, 1 << 30]),
    below=st.booleans(),
    row=st.integers(0, 9),
)
def test_a_word_past_its_type_is_refused_and_never_cut(
    tmp_path_factory: pytest.TempPathFactory,
    column: tuple[int, runs.ColumnInfo],
    past: int,
    below: bool,
    row: int,
) -> None:
    index, info = column
    block, reply = made(10, first_tick=70)
    bounds = np.iinfo(info.dtype)
    reply.trace[row, index] = bounds.min - past if below else bounds.max + past
    with (
        pytest.raises(
            FirmwareError, match=rf"{info.name} is .* in tick {70 + row}, which is no {info.dtype}"
        ),
        RunWriter(tmp_path_factory.mktemp("run"), layout()) as writer,
    ):
        writer.add(block, reply)


# Broken folders.


def spoil(name: str, change: Callable[[bytes], bytes]) -> Callable[[Path], None]:
    def act(run: Path) -> None:
        (run / name).write_bytes(change((run / name).read_bytes()))

    return act


def drop(name: str) -> Callable[[Path], None]:
    return lambda run: (run / name).unlink()


@pytest.mark.parametrize(
    ("act", "where", "said"),
    [
        (drop(runs.MANIFEST), "run", "is no run folder"),
        (drop(runs.SUMMARY), runs.SUMMARY, "is missing"),
        (drop(runs.LAYOUT), "run", r"no layout\.toml"),
        (drop(runs.TICKS), runs.TICKS, "is missing"),
        (spoil(runs.MANIFEST, lambda _: b"{"), runs.MANIFEST, "cannot be read"),
        (spoil(runs.MANIFEST, lambda _: b"[]"), runs.MANIFEST, "is not what dashpot writes"),
        (spoil(runs.MANIFEST, lambda _: b'{"format": 9}'), runs.MANIFEST, "has run format 9"),
        (spoil(runs.MANIFEST, lambda _: b'{"format": 1}'), runs.MANIFEST, "has no count of ticks"),
        (spoil(runs.TICKS, lambda raw: raw[: len(raw) // 2]), runs.TICKS, "is damaged"),
        (spoil(runs.TICKS, lambda _: b""), runs.TICKS, "is damaged"),
        (spoil(runs.TICKS, lambda _: b"rubbish" * 100), runs.TICKS, "is damaged"),
        (
            spoil(runs.LAYOUT, lambda raw: raw.replace(b'"front_left"', b'"front_west"')),
            runs.TICKS, "columns are not those of the layout.toml",
        ),
    ],
)  # fmt: skip
def test_a_broken_folder_says_what_is_broken(
    run: Path, act: Callable[[Path], None], where: str, said: str
) -> None:
    act(run)
    with pytest.raises(InputError, match=said) as caught:
        open_run(run)
    assert (caught.value.where or "").endswith(where)


def test_no_folder_at_all(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such run folder"):
        open_run(tmp_path / "nothing")


def test_fewer_ticks_than_the_manifest_has(run: Path) -> None:
    runs.write_json(run / runs.MANIFEST, {"format": runs.FORMAT, "counts": {"ticks": 1001}})
    with pytest.raises(InputError, match=r"holds 1000 ticks where manifest\.json has 1001"):
        open_run(run)["mode"]


def test_a_changed_byte_is_found_by_the_hash(run: Path) -> None:
    open_run(run).verify()
    raw = bytearray((run / runs.TICKS).read_bytes())
    raw[len(raw) // 2] ^= 1
    (run / runs.TICKS).write_bytes(raw)
    with pytest.raises(InputError, match="is not the file that"):
        open_run(run).verify()


def test_timing_may_be_missing_until_it_is_asked_for(run: Path) -> None:
    (run / runs.TIMING).unlink()
    opened = open_run(run)
    assert len(opened["mode"]) == 1000
    with pytest.raises(InputError, match="is missing"):
        _ = opened.tick_us


def test_a_column_that_is_not_there_names_near_ones(run: Path) -> None:
    with pytest.raises(InputError, match=r"no column 'current_ma'; near are current_ma\.front_left"):
        open_run(run)["current_ma"]
    with pytest.raises(InputError, match=r"no column 'nonsense'$"):
        open_run(run)["nonsense"]


def test_an_error_while_writing_closes_the_files(tmp_path: Path) -> None:
    folder = tmp_path / "run"
    folder.mkdir()
    block, reply = made(BATCH_ROWS)

    def broken() -> None:
        with RunWriter(folder, layout()) as writer:
            writer.add(block, reply)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        broken()
    with pytest.raises(InputError):
        open_run(store_rest(folder, BATCH_ROWS))


def store_rest(folder: Path, ticks: int) -> Path:
    shutil.copyfile(FIRMWARE / "layout.toml", folder / runs.LAYOUT)
    runs.write_json(folder / runs.MANIFEST, {"format": runs.FORMAT, "counts": {"ticks": ticks}})
    runs.write_json(folder / runs.SUMMARY, {})
    return folder


def test_json_is_for_people_too(tmp_path: Path) -> None:
    runs.write_json(tmp_path / "x.json", {"b": 1, "a": "µ"})
    assert (tmp_path / "x.json").read_text(encoding="utf-8") == '{\n  "b": 1,\n  "a": "µ"\n}\n'
    with pytest.raises(ValueError, match="JSON"):
        json.dumps(runs.write_json(tmp_path / "y.json", {"a": float("nan")}))
