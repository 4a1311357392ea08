"""Exported runs, read back by other readers: asammdf, pyarrow, the csv module."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import asammdf
import numpy as np
import pyarrow.parquet as pq
import pytest
from click.testing import CliRunner

from dashpot.commands.export import command
from dashpot.errors import InputError
from dashpot.export import chosen_columns, export_run
from dashpot.runs import BATCH_ROWS, open_run
from test_runs import made, store

# More than a record batch, so that every writer goes on with a second one.
TICKS = BATCH_ROWS + 700


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    half = TICKS // 2
    parts = [made(half), made(TICKS - half, seed=2, first_tick=half)]
    return store(tmp_path_factory.mktemp("export") / "run", parts)


def exported(folder: Path, path: Path, *patterns: str) -> Path:
    run = open_run(folder)
    counts: list[int] = []
    export_run(run, path, chosen_columns(run, patterns), counts.append)
    assert sum(counts) == TICKS
    return path


def test_an_mf4_file_has_the_values_units_and_descriptions(folder: Path, tmp_path: Path) -> None:
    run = open_run(folder)
    with asammdf.MDF(exported(folder, tmp_path / "x.mf4")) as file:
        assert file.version == "4.10"
        for name, info in run.columns.items():
            signal = file.get(name)
            assert np.array_equal(signal.samples, run[name]), name
            assert signal.samples.dtype == run[name].dtype, name
            assert (signal.unit, signal.comment) == (info.unit, info.doc)
        assert np.array_equal(np.rint(signal.timestamps * 1e6), run.log_us - run.log_us[0])


def test_a_parquet_file_has_types_units_and_descriptions(folder: Path, tmp_path: Path) -> None:
    run = open_run(folder)
    table = pq.read_table(exported(folder, tmp_path / "x.parquet"))
    assert table.column_names == list(run.columns)
    for field in table.schema:
        info = run.columns[field.name]
        assert str(field.type) == info.dtype
        assert field.metadata == {b"unit": info.unit.encode(), b"doc": info.doc.encode()}
        assert np.array_equal(table[field.name].to_numpy(), run[field.name])


def test_a_csv_file_has_plain_numbers_and_its_metadata_beside_it(folder: Path, tmp_path: Path) -> None:
    run = open_run(folder)
    path = exported(folder, tmp_path / "x.csv", "current_ma.*", "mode")
    with path.open(newline="", encoding="utf-8") as file:
        head, *rows = list(csv.reader(file))
    assert head[0] == "log_us"
    assert sorted(head) == sorted(
        ["log_us", "mode", *(n for n in run.columns if n.startswith("current_ma."))]
    )
    values = np.array(rows, np.int64)
    for at, name in enumerate(head):
        assert np.array_equal(values[:, at], run[name])
    # CSV on the Web, section 5.2 [S]: the file is found by this name, and describes each column in order.
    about = json.loads((tmp_path / "x.csv-metadata.json").read_text(encoding="utf-8"))
    assert about["@context"] == "http://www.w3.org/ns/csvw"
    assert about["url"] == "x.csv"
    columns = about["tableSchema"]["columns"]
    assert [column["titles"] for column in columns] == head
    assert [column["schema:unitText"] for column in columns] == [run.columns[name].unit for name in head]
    assert [column["dc:description"] for column in columns] == [run.columns[name].doc for name in head]


@pytest.mark.parametrize("suffix", ["csv", "parquet", "mf4"])
def test_the_same_run_gives_the_same_bytes(folder: Path, tmp_path: Path, suffix: str) -> None:
    one, other = (exported(folder, tmp_path / name / f"x.{suffix}") for name in _folders(tmp_path))
    assert one.read_bytes() == other.read_bytes()


def _folders(folder: Path) -> tuple[str, str]:
    for name in ("one", "other"):
        (folder / name).mkdir()
    return "one", "other"


def test_the_command_says_what_it_wrote_and_replaces_nothing_unasked(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    arguments = [str(folder), "--to", str(path), "--columns", "demand_permille.*", "--json"]
    said = json.loads(CliRunner().invoke(command, arguments, catch_exceptions=False).stdout)
    assert said["files"] == [str(path)]
    assert said["ticks"] == TICKS
    assert len(said["columns"]) == 5
    before = path.read_bytes()
    again = CliRunner().invoke(command, arguments)
    assert isinstance(again.exception, InputError)
    assert "--replace" in str(again.exception)
    assert path.read_bytes() == before
    assert CliRunner().invoke(command, [*arguments, "--replace"]).exit_code == 0


@pytest.mark.parametrize(
    ("name", "patterns", "part"),
    [("x.xlsx", [], ".csv, .parquet, .mf4 are"), ("x", [], "no suffix is no format"), ("x.csv", ["curent*"], "no column matches")],
)  # fmt: skip
def test_what_cannot_be_exported_is_said(
    folder: Path, tmp_path: Path, name: str, patterns: list[str], part: str
) -> None:
    run = open_run(folder)
    with pytest.raises(InputError, match=part):
        export_run(run, tmp_path / name, chosen_columns(run, patterns))
    assert not list(tmp_path.iterdir())


def test_a_damaged_run_leaves_no_file(folder: Path, tmp_path: Path) -> None:
    broken = tmp_path / "run"
    broken.mkdir()
    for file in folder.iterdir():
        (broken / file.name).write_bytes(file.read_bytes())
    ticks = broken / "ticks.arrow"
    body = bytearray(ticks.read_bytes())
    body[len(body) // 2] ^= 0xFF
    ticks.write_bytes(body)
    got = CliRunner().invoke(command, [str(broken), "--to", str(tmp_path / "x.mf4")])
    assert isinstance(got.exception, InputError)
    assert not list(tmp_path.glob("*x.mf4*"))


def test_a_run_without_a_tick_is_refused(tmp_path: Path) -> None:
    empty = open_run(store(tmp_path / "run", []))
    with pytest.raises(InputError, match="no tick"):
        export_run(empty, tmp_path / "x.csv", chosen_columns(empty, []))
