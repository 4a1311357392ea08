"""The cache of packed images: what it gives is what the packer gives, and nothing that decides an image is overlooked."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from dashpot import runs
from dashpot.cli import main
from dashpot.errors import InputError
from dashpot.replay import imagecache, images
from dashpot.replay.imagecache import MOST_ENTRIES, cache_for
from dashpot.replay.images import ReplayImage, pack_image
from dashpot.resources import dbc_dir, demo_dir
from demo_data import demo_log
from replay_kit import layout


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """A folder with the demo car's files, its DBC among them."""
    folder = tmp_path / "car"
    folder.mkdir()
    for path in (
        *(demo_dir() / "data").glob("*e.toml"),
        demo_dir() / "data" / "calibration.toml",
        dbc_dir() / "merlin_t4.dbc",
    ):
        shutil.copyfile(path, folder / path.name)
    return folder


@pytest.fixture
def kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The cache's folder, not yet made."""
    folder = tmp_path / "kept"
    monkeypatch.setenv(imagecache.VARIABLE, str(folder))
    return folder


@pytest.fixture
def packed(monkeypatch: pytest.MonkeyPatch) -> list[bool]:
    """Grows by one whenever the packer runs."""
    calls: list[bool] = []
    pack = images._pack

    def counted(*arguments: object) -> tuple[ReplayImage, list[str]]:
        calls.append(True)
        return pack(*arguments)  # type: ignore[arg-type]  # the arguments are passed on as they come

    monkeypatch.setattr(images, "_pack", counted)
    return calls


def image_of(car: Path, period_us: int | None = None, dbc: tuple[Path, ...] = ()) -> ReplayImage:
    return pack_image(car / "vehicle.toml", car / "calibration.toml", layout(), period_us, dbc)


def test_the_second_time_gives_the_same_without_the_packer(car: Path, kept: Path, packed: list[bool]) -> None:
    first = image_of(car)
    assert len(packed) == 1
    assert len(list(kept.iterdir())) == 1
    second = image_of(car)
    assert len(packed) == 1
    assert second == first
    assert json.dumps(second.inputs) == json.dumps(first.inputs)


def test_where_the_files_lie_does_not_matter(car: Path, kept: Path, packed: list[bool]) -> None:
    first = image_of(car)
    moved = car.rename(car.with_name("elsewhere"))
    second = image_of(moved)
    assert len(packed) == 1
    assert second == replace(first, dbcs=second.dbcs)
    assert moved / "merlin_t4.dbc" in second.dbcs
    assert all(path.is_file() for path in second.dbcs)
    assert kept.is_dir()


def edit(name: str, old: str, new: str) -> Callable[[Path], None]:
    def act(car: Path) -> None:
        text = (car / name).read_text()
        assert old in text
        (car / name).write_text(text.replace(old, new, 1))

    return act


@pytest.mark.parametrize(
    "change",
    [
        edit("vehicle.toml", '"-4 g", "4 g"', '"-3 g", "3 g"'),
        edit("vehicle.toml", "# ", "#  "),
        edit("calibration.toml", "240, 320, 400", "241, 320, 400"),
        edit("merlin_t4.dbc", "(0.002,0)", "(0.004,0)"),
        lambda car: (car / "merlin_t4.dbc").unlink(),
        lambda car: (car / "calibration.toml").write_bytes((car / "calibration.toml").read_bytes() + b"\n"),
    ],
)
@pytest.mark.usefixtures("kept")
def test_any_change_of_a_file_packs_anew(
    car: Path, packed: list[bool], change: Callable[[Path], None]
) -> None:
    image_of(car)
    change(car)
    image_of(car)
    assert len(packed) == 2


@pytest.mark.usefixtures("kept")
def test_a_dbc_that_appears_beside_the_vehicle_file_is_read(car: Path, packed: list[bool]) -> None:
    dbc = car / "merlin_t4.dbc"
    text = dbc.read_text()
    dbc.unlink()
    from_dashpot = image_of(car)
    dbc.write_text(text.replace("(0.002,0)", "(0.004,0)"))
    assert image_of(car).data != from_dashpot.data
    assert len(packed) == 2


@pytest.mark.usefixtures("kept")
def test_period_layout_option_and_sources_are_part_of_the_key(
    car: Path, packed: list[bool], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    arguments = (car / "vehicle.toml", car / "calibration.toml")
    keys = {
        cache_for(*arguments, 1, None, ()),
        cache_for(*arguments, 2, None, ()),
        cache_for(*arguments, 1, 1000, ()),
    }
    keys.add(cache_for(*arguments, 1, None, (car / "merlin_t4.dbc",)))
    source = tmp_path / "packing.py"
    source.write_text("# another packer")
    monkeypatch.setattr(imagecache, "PACKAGE", tmp_path)
    monkeypatch.setattr(imagecache, "_sources", lambda: [source])
    keys.add(cache_for(*arguments, 1, None, ()))
    monkeypatch.setattr(imagecache, "_age", lambda _library: 1)
    keys.add(cache_for(*arguments, 1, None, ()))
    monkeypatch.setattr(imagecache, "__version__", "9")
    keys.add(cache_for(*arguments, 1, None, ()))
    assert None not in keys
    assert len(keys) == 7
    assert not packed


def test_the_sources_of_the_key_are_those_that_pack() -> None:
    names = {path.relative_to(imagecache.PACKAGE).as_posix() for path in imagecache._sources()}
    assert {
        "layout.py",
        "replay/images.py",
        "replay/imagecache.py",
        "calibration/packing.py",
        "calibration/dbc.py",
    } <= names


@pytest.mark.parametrize(
    "spoil",
    [
        lambda raw: raw[:-1],
        lambda raw: raw[: len(raw) // 2],
        lambda _: b"",
        lambda _: b"\xff\xfe",
        lambda _: b"{}\n",
        lambda raw: raw.replace(b'"period_us": 2000', b'"period_us": 1000'),
    ],
)
def test_a_spoilt_entry_is_packed_anew(
    car: Path, kept: Path, packed: list[bool], spoil: Callable[[bytes], bytes]
) -> None:
    first = image_of(car)
    (entry,) = kept.iterdir()
    raw = entry.read_bytes()
    assert spoil(raw) != raw
    entry.write_bytes(spoil(raw))
    assert image_of(car) == first
    assert len(packed) == 2
    assert entry.read_bytes() == raw


def test_a_cache_that_cannot_be_written_is_none(
    car: Path, packed: list[bool], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("not a folder")
    monkeypatch.setenv(imagecache.VARIABLE, str(tmp_path / "file" / "deep"))
    assert image_of(car) == image_of(car)
    assert len(packed) == 2


def test_it_can_be_switched_off(
    car: Path, packed: list[bool], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(imagecache.VARIABLE, "")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    image_of(car)
    image_of(car)
    assert len(packed) == 2
    assert not (tmp_path / "home").exists()


@pytest.mark.parametrize(
    ("variable", "below"), [("XDG_CACHE_HOME", "dashpot/images"), ("HOME", ".cache/dashpot/images")]
)
def test_it_lies_where_caches_lie(
    car: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, variable: str, below: str
) -> None:
    monkeypatch.delenv(imagecache.VARIABLE)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setenv(variable, str(tmp_path / "home"))
    image_of(car)
    assert len(list((tmp_path / "home" / below).iterdir())) == 1


@pytest.mark.usefixtures("kept")
def test_doubts_are_said_again(car: Path, packed: list[bool], capsys: pytest.CaptureFixture[str]) -> None:
    edit("calibration.toml", "[320, 560, 900, 1280, 1600]", "[320, 330, 340, 350, 360]")(car)
    said = []
    for _ in range(2):
        image_of(car)
        said.append(capsys.readouterr().err)
    assert len(packed) == 1
    assert said[0] == said[1]
    assert "little authority" in said[0]


def test_mistakes_are_not_kept(car: Path, kept: Path) -> None:
    edit("vehicle.toml", "Inertial.LatAccel", "Inertial.LatAcel")(car)
    for _ in range(2):
        with pytest.raises(InputError, match="LatAcel"):
            image_of(car)
    assert not kept.exists()


@pytest.mark.usefixtures("kept")
def test_files_that_cannot_be_read_are_the_packers_to_explain(car: Path) -> None:
    (car / "vehicle.toml").write_text("dbc = [")
    with pytest.raises(InputError, match="not TOML"):
        image_of(car)
    (car / "vehicle.toml").unlink()
    with pytest.raises(InputError, match="cannot be read"):
        image_of(car)


def test_old_entries_go(car: Path, kept: Path) -> None:
    kept.mkdir()
    for i in range(MOST_ENTRIES + 5):
        (kept / f"{i}.image").write_text("old")
    (kept / "notes.txt").write_text("not ours")
    image_of(car)
    assert len(list(kept.glob("*.image"))) == MOST_ENTRIES
    assert (kept / "notes.txt").exists()


@pytest.mark.usefixtures("kept")
def test_a_run_with_a_kept_image_has_the_same_bytes(
    car: Path, packed: list[bool], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("one", "two"):
        arguments = [
            "replay", str(demo_log(duration_s=5.0)), "--vehicle", str(car / "vehicle.toml"),
            "--calibration", str(car / "calibration.toml"), "--out", str(tmp_path / name),
        ]  # fmt: skip
        assert main(arguments) == 0
    capsys.readouterr()
    assert len(packed) == 1
    for name in (runs.TICKS, runs.MANIFEST, runs.IMAGE):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
