"""`dashpot compare` as users call it: run folders, logs, firmwares of git refs, the cache, exit codes, files."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from calibration_kit import DEMO
from compare_kit import CELL, LAYER, calibration, changed, one_cell, plain
from dashpot.cli import main
from dashpot.compare import replays
from dashpot.runs import MANIFEST, TICKS, open_run
from demo_data import demo_log
from faults_kit import broken_firmware
from images import FIRMWARE

SECONDS = 4.0


@pytest.fixture(scope="module")
def kept(tmp_path_factory):
    """A cache for the whole module, so that each run is made once."""
    return tmp_path_factory.mktemp("cache")


@pytest.fixture(autouse=True)
def _cache(monkeypatch, kept):
    monkeypatch.setenv("DASHPOT_CACHE", str(kept))


@pytest.fixture
def dashpot(capsys):
    """Run a command in this process; give exit code, stdout and stderr."""

    def run(*arguments):
        code = main([str(argument) for argument in arguments])
        said = capsys.readouterr()
        return code, said.out, said.err

    return run


def of_log(*more, log=None):
    return (
        "compare", "--log", log or demo_log(1, SECONDS), "--vehicle", DEMO / "vehicle.toml",
        "--calibration", DEMO / "calibration.toml", "--jobs", 1, *more,
    )  # fmt: skip


# Two runs.


def test_identical_runs_exit_0(dashpot):
    code, out, err = dashpot("compare", plain(), plain())
    assert (code, err) == (0, "")
    assert "identical bit for bit, 10,5" in out


def test_runs_that_differ_exit_1_and_say_where(dashpot, tmp_path):
    code, out, err = dashpot("compare", plain(), one_cell(), "--junit", tmp_path / "junit.xml")
    assert code == 1
    assert (
        "the runs part in tick 325, 0.650 s, at layers: layer_permille.body_load.front_left was 1 per mille"
        in out
    )
    assert "body_load +13" in out
    assert err.count("\n") == 1
    suite = ET.parse(tmp_path / "junit.xml").getroot().find("testsuite")
    assert (suite.get("tests"), suite.get("failures")) == ("3", "1")
    assert "12 words differ" in suite.find("testcase/failure").get("message")


def test_json_has_what_the_library_found(dashpot):
    code, out, _ = dashpot("compare", plain(), one_cell(), "--json", "--segments", 4)
    said = json.loads(out)
    assert (code, said["passed"], said["missing"]) == (1, False, [])
    log = said["logs"][0]
    assert (log["identical"], log["ticks"], log["length"]["difference"]) == (
        False,
        open_run(plain()).ticks,
        0,
    )
    assert log["first"]["stage"] == "layers"
    assert (log["first"]["old"], log["first"]["new"], log["first"]["unit"]) == (1, 2, "per mille")
    front = log["corners"][0]
    assert (front["corner"], front["current_ma"]["greatest"], len(front["segments_ma"])) == (
        "front_left",
        17,
        4,
    )
    assert sum(part["differ"] for part in front["segments_ma"]) == front["current_ma"]["differ"]
    assert log["tick_ns"]["new"]["median"] > 0


def test_expectations_decide(dashpot, tmp_path):
    expect = tmp_path / "expect.toml"
    text = 'name = "x"\n[wanted.cell]\ncorners = ["front_left", "front_right"]\nlayers = ["body_load"]\n'
    expect.write_text(text)
    code, out, err = dashpot("compare", plain(), one_cell(), "--expect", expect)
    assert (code, err) == (0, "")
    assert out.count("as expected") == 4
    code, _, err = dashpot("compare", plain(), plain(), "--expect", expect)
    assert code == 1
    assert "all logs: cell: front_left: the current does not differ" in err
    expect.write_text(text.replace("body_load", "body_laod"))
    code, out, err = dashpot("compare", plain(), one_cell(), "--expect", expect)
    assert (code, out) == (2, "")
    assert "expect.toml:4: wanted.cell.layers: there is no 'body_laod'; did you mean body_load" in err


def test_folders_of_runs_are_paired_by_name_and_missing_ones_told(dashpot, tmp_path):
    for side, names in (("old", ("a", "b", "c")), ("new", ("b", "c", "d"))):
        for name in names:
            shutil.copytree(plain(), tmp_path / side / name)
    code, out, _ = dashpot("compare", tmp_path / "old", tmp_path / "new", "--json")
    said = json.loads(out)
    assert code == 1
    assert [log["log"] for log in said["logs"] if log["identical"]] == ["b", "c"]
    assert [entry["log"] for entry in said["missing"]] == ["a", "d"]
    shutil.rmtree(tmp_path / "old" / "a")
    shutil.rmtree(tmp_path / "new" / "d")
    assert dashpot("compare", tmp_path / "old", tmp_path / "new")[0] == 0


# Logs.


def test_one_cell_over_two_logs_and_again_from_the_cache(dashpot, tmp_path, kept, monkeypatch):
    new = calibration(tmp_path, *CELL)
    both = of_log(demo_log(2, SECONDS), "--calibration-new", new, "--json")
    code, out, _ = dashpot(*both)
    assert code == 1
    first = json.loads(out)
    assert [log["log"] for log in first["logs"]] == [demo_log(seed, SECONDS).name for seed in (1, 2)]
    for log in first["logs"]:
        assert log["runs"][0]["firmware"] == log["runs"][1]["firmware"]
        assert log["runs"][0]["calibration"] != log["runs"][1]["calibration"]
        assert log["first"]["stage"] == "layers"

    def never(*_):
        raise AssertionError("replayed again")

    monkeypatch.setattr(replays, "_replay", never)
    assert json.loads(dashpot(*both)[1]) == first
    assert len(list((kept / "runs").iterdir())) >= 4


def test_without_a_cache_nothing_is_left(dashpot, tmp_path, monkeypatch):
    monkeypatch.setenv("DASHPOT_CACHE", "")
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    code, out, _ = dashpot(*of_log("--firmware-new", FIRMWARE))
    assert code == 0
    assert "identical bit for bit" in out
    assert list(tmp_path.glob("dashpot-compare-*")) == []


def test_a_run_of_the_cache_is_that_of_replay(dashpot, tmp_path, kept):
    """The compared runs are what `dashpot replay` makes, byte for byte."""
    dashpot(*of_log("--firmware-new", FIRMWARE))
    code, _, _ = dashpot(
        "replay", demo_log(1, SECONDS), "--vehicle", DEMO / "vehicle.toml", "--calibration",
        DEMO / "calibration.toml", "--out", tmp_path / "run",
    )  # fmt: skip
    assert code == 0
    for name in (TICKS, MANIFEST, "image.bin", "layout.toml"):
        assert any(
            (run / name).read_bytes() == (tmp_path / "run" / name).read_bytes()
            for run in (kept / "runs").iterdir()
        )


def test_a_broken_firmware_of_a_folder(dashpot, tmp_path):
    code, out, _ = dashpot(*of_log("--firmware-new", broken_firmware(tmp_path, *LAYER), "--json"))
    assert code == 1
    log = json.loads(out)["logs"][0]
    assert log["first"]["column"] == "layer_permille.brake_lead.front_right"
    assert log["runs"][0]["firmware"] != log["runs"][1]["firmware"]


def test_a_firmware_that_raises_is_a_missing_run(dashpot, tmp_path):
    raising = broken_firmware(tmp_path, "core.py", "        words = self.image\n        state = self.state\n        if", "        raise ValueError('no')\n        if")  # fmt: skip
    code, out, err = dashpot(*of_log("--firmware-new", raising, "--json"))
    said = json.loads(out)
    assert (code, said["logs"]) == (1, [])
    assert said["missing"][0]["why"].startswith("new: ")
    assert "raised" in err


# Firmwares of git refs.


def git(folder, *words):
    return subprocess.run(["git", "-C", folder, *words], check=True, capture_output=True, text=True).stdout


@pytest.fixture
def repository(tmp_path):
    """Two commits of the firmware, the second with a broken layer, and a working tree with another change."""
    folder = tmp_path / "repo"
    shutil.copytree(FIRMWARE, folder / "control", ignore=shutil.ignore_patterns("__pycache__"))
    git(tmp_path, "init", "-q", "repo")
    git(folder, "config", "user.name", "Nobody")
    git(folder, "config", "user.email", "nobody@example.org")
    git(folder, "add", "control")
    git(folder, "commit", "-q", "-m", "one")
    git(folder, "tag", "first")
    file = folder / "control" / "dashpot" / LAYER[0]
    file.write_text(file.read_text().replace(*LAYER[1:]))
    git(folder, "commit", "-q", "-a", "-m", "two")
    file.write_text(file.read_text() + "# not committed\n")
    return folder


def test_two_refs_are_compared_and_the_tree_is_not_touched(dashpot, repository, monkeypatch):
    monkeypatch.chdir(repository / "control")
    before = git(repository, "status", "--porcelain"), git(repository, "rev-parse", "HEAD")
    kept_text = (repository / "control" / "dashpot" / LAYER[0]).read_text()
    code, out, _ = dashpot(*of_log("--firmware", "git:first", "--firmware-new", "git:HEAD", "--json"))
    assert code == 1
    assert json.loads(out)["logs"][0]["first"]["column"] == "layer_permille.brake_lead.front_right"
    assert dashpot(*of_log("--firmware", FIRMWARE, "--firmware-new", "git:first:control"))[0] == 0
    assert before == (git(repository, "status", "--porcelain"), git(repository, "rev-parse", "HEAD"))
    assert (repository / "control" / "dashpot" / LAYER[0]).read_text() == kept_text


def test_each_firmware_has_its_own_layout(dashpot, repository, monkeypatch):
    """A ref whose layout moves two faults and says so to its stages: another version, other bits, the same run."""
    git(repository, "checkout", "-q", "-f", "-b", "other", "first")
    layout = repository / "control" / "layout.toml"
    text = layout.read_text()
    for one, other in (('"frame_bad",', '"channel_lost",'), ("0, safe current", "0, the safe current")):
        text = text.replace(one, "@").replace(other, one).replace("@", other)
    layout.write_text(text)
    tool = Path(__file__).resolve().parent.parent / "tools" / "gen_layout.py"
    subprocess.run([sys.executable, tool, "--firmware", repository / "control"], check=True)
    git(repository, "commit", "-q", "-a", "-m", "layout")
    monkeypatch.chdir(repository)
    code, out, err = dashpot(*of_log("--firmware", "git:first", "--firmware-new", "git:other", "--json"))
    assert (code, err) == (0, "")
    log = json.loads(out)["logs"][0]
    assert (log["same"], log["identical"], log["words"]) == (True, False, [])
    assert log["runs"][0]["image"] != log["runs"][1]["image"]


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ("git:nowhere", "there is no such ref"),
        ("git:first:elsewhere", "there is no such ref, or folder"),
        ("git:", "names no ref"),
        ("git:--help", "there is no such ref"),
        ("nothing", "no layout.toml here"),
    ],
)
def test_refs_that_are_not_there(dashpot, repository, monkeypatch, said, told):
    monkeypatch.chdir(repository)
    code, out, err = dashpot(*of_log("--firmware-new", said))
    assert (code, out) == (2, "")
    assert told in err
    assert err.count("\n") == 1


def test_a_ref_of_no_repository(dashpot, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    code, _, err = dashpot(*of_log("--firmware-new", "git:HEAD"))
    assert code == 2
    assert "git" in err


# Bad calls.


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["run"], "1 run folders; give two"),
        (["run", "other"], "no such run folder"),
        (["run", "other", "--calibration", "c.toml"], "--log: is missing"),
        (["--log", "x.log"], "what is new"),
        (["--log", "x.log", "--calibration", "c.toml"], "nothing is new"),
        (
            ["--log", "x.log", "--calibration", "c.toml", "--calibration-new", "d.toml"],
            "--vehicle: is missing",
        ),
    ],
)
def test_calls_that_cannot_be_meant(dashpot, tmp_path, monkeypatch, arguments, told):
    monkeypatch.chdir(tmp_path)
    code, out, err = dashpot("compare", *arguments)
    assert (code, out) == (2, "")
    assert told in err


def test_a_log_that_is_not_there_and_one_of_another_car(dashpot, tmp_path):
    code, _, err = dashpot(*of_log("--firmware-new", FIRMWARE, log=tmp_path / "nothing.log"))
    assert code == 2
    assert "nothing.log" in err
    other = tmp_path / "other.log"
    other.write_text("(1.000000) can0 7FF#00\n")
    code, out, err = dashpot(*of_log("--firmware-new", FIRMWARE, "--json", log=other))
    assert (code, out) == (2, "")
    assert "none of its frames has an id" in err
    code, out, _ = dashpot(*of_log(other, "--firmware-new", FIRMWARE, "--json"))
    assert code == 1
    assert [log["identical"] for log in json.loads(out)["logs"]] == [True]
    assert "none of its frames has an id" in json.loads(out)["missing"][0]["why"]


def test_a_torn_run_is_bad_input(dashpot, tmp_path):
    torn = changed(plain(), tmp_path / "torn", lambda _: None)
    with (torn / TICKS).open("r+b") as stream:
        stream.truncate(5000)
    code, out, err = dashpot("compare", plain(), torn)
    assert (code, out) == (2, "")
    assert "damaged" in err
    (torn / MANIFEST).unlink()
    assert dashpot("compare", plain(), torn)[0] == 2


def test_the_cache_keeps_the_newest_and_those_in_use(tmp_path, monkeypatch):
    monkeypatch.setenv("DASHPOT_CACHE", str(tmp_path))
    monkeypatch.setattr(replays, "MOST_BYTES", 250)
    with replays.Cache() as cache:
        for age, name in enumerate(("new", "old", "used")):
            run = Path(cache.path, "runs", name)
            run.mkdir()
            (run / "data").write_bytes(bytes(100))
            os.utime(run, (1000 - age, 1000 - age))
        cache.prune([cache.path / "runs" / "used"])
        assert {path.name for path in (cache.path / "runs").iterdir()} == {"new", "used"}
