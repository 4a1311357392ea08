"""Outputs appear whole or not at all."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest

from dashpot.errors import InputError
from dashpot.files import atomic_folder, atomic_path, sha256_file


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_file_appears_only_when_the_body_ends(tmp_path: Path) -> None:
    target = tmp_path / "run.tar.gz"
    with atomic_path(target) as aside:
        assert aside.parent == tmp_path  # another file system would make the rename a copy
        assert aside.name.endswith("run.tar.gz")
        aside.write_text("new")
        assert not target.exists()
    assert target.read_text() == "new"
    assert names(tmp_path) == ["run.tar.gz"]


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, ValueError])
def test_a_stopped_body_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, stop: type[BaseException]
) -> None:
    target = tmp_path / "out.bin"
    target.write_text("old")
    with pytest.raises(stop), atomic_path(target) as aside:
        aside.write_text("half")
        raise stop
    assert target.read_text() == "old"
    assert names(tmp_path) == ["out.bin"]


def test_a_body_that_writes_nothing_is_a_mistake_of_the_program(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), atomic_path(tmp_path / "out.bin"):
        pass
    assert names(tmp_path) == []


def test_file_places_that_cannot_be_written_are_named(tmp_path: Path) -> None:
    with (
        pytest.raises(InputError, match="no such folder") as caught,
        atomic_path(tmp_path / "no" / "out.bin"),
    ):
        pytest.fail("the body must not run")
    assert caught.value.where == str(tmp_path / "no")
    with pytest.raises(InputError, match="is a folder"), atomic_path(tmp_path):
        pytest.fail("the body must not run")


@pytest.mark.parametrize("stop", [KeyboardInterrupt, SystemExit, ValueError])
def test_a_stopped_body_leaves_no_folder(tmp_path: Path, stop: type[BaseException]) -> None:
    with pytest.raises(stop), atomic_folder(tmp_path / "run") as aside:
        (aside / "deep").mkdir()
        (aside / "deep" / "column.bin").write_text("half")
        raise stop
    assert names(tmp_path) == []


def test_a_folder_appears_whole_and_with_ordinary_rights(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.mkdir()
    with atomic_folder(tmp_path / "run") as aside:
        (aside / "manifest.json").write_text("{}")
        assert not (tmp_path / "run").exists()
    assert names(tmp_path) == ["plain", "run"]
    assert names(tmp_path / "run") == ["manifest.json"]
    assert (tmp_path / "run").stat().st_mode == plain.stat().st_mode


def test_an_empty_folder_is_taken_over(tmp_path: Path) -> None:
    (tmp_path / "run").mkdir()
    with atomic_folder(tmp_path / "run") as aside:
        (aside / "x").touch()
    assert names(tmp_path / "run") == ["x"]
    assert names(tmp_path) == ["run"]


def test_a_full_folder_is_replaced_only_on_demand_and_only_if_it_is_ours(tmp_path: Path) -> None:
    run = tmp_path / "run"
    run.mkdir()
    (run / "photo.jpg").touch()
    with pytest.raises(InputError, match="exists already"), atomic_folder(run):
        pytest.fail("the body must not run")
    with pytest.raises(InputError, match=r"no manifest\.json"), atomic_folder(run, replace=True):
        pytest.fail("the body must not run")
    assert names(run) == ["photo.jpg"]

    (run / "manifest.json").touch()
    with atomic_folder(run, replace=True) as aside:
        (aside / "new").touch()
        assert names(run) == ["manifest.json", "photo.jpg"]  # the old run stands until the new one is whole
    assert names(run) == ["new"]
    assert names(tmp_path) == ["run"]


def test_a_failed_replacement_keeps_the_old_folder(tmp_path: Path) -> None:
    run = tmp_path / "run"
    run.mkdir()
    (run / "manifest.json").write_text("old")
    with pytest.raises(KeyboardInterrupt), atomic_folder(run, replace=True) as aside:
        (aside / "manifest.json").write_text("half")
        raise KeyboardInterrupt
    assert (run / "manifest.json").read_text() == "old"
    assert names(tmp_path) == ["run"]


def test_a_folder_put_there_meanwhile_is_not_overwritten(tmp_path: Path) -> None:
    run = tmp_path / "run"
    with pytest.raises(InputError, match="exists already"), atomic_folder(run):
        run.mkdir()
        (run / "somebody.txt").touch()
    assert names(run) == ["somebody.txt"]
    assert names(tmp_path) == ["run"]


def test_a_file_or_link_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    (tmp_path / "link").symlink_to(tmp_path)
    for name in ("file", "link"):
        with pytest.raises(InputError, match="not a folder"), atomic_folder(tmp_path / name, replace=True):
            pytest.fail("the body must not run")


def test_sha256_of_known_bytes(tmp_path: Path) -> None:
    file = tmp_path / "abc"
    file.write_bytes(b"abc")
    # [S] FIPS 180-2, appendix B.1: the digest of "abc".
    assert sha256_file(file) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    file.write_bytes(bytes(3_000_001))
    assert sha256_file(file) == hashlib.sha256(bytes(3_000_001)).hexdigest()
