"""A search from files to files on drives that are formulas: records, resuming, verdicts; what Ctrl-C leaves."""

from __future__ import annotations

import difflib
import json
from contextlib import contextmanager
from pathlib import Path

import pytest

from dashpot.calibration import load_pair
from dashpot.errors import InputError
from dashpot.tune import job as module
from dashpot.tune import report
from dashpot.tune.job import StoppedError, run_job
from dashpot.tune.store import Records
from tune_kit import DEMO, TUNE, Formulas, job

FILES = ("evaluations.jsonl", "result.json", "report.html", "calibration.toml")


#: The bench may be edited while these tests run; that its sources count has a test of its own.
STILL = ("tune/search.py",)


@pytest.fixture(autouse=True)
def drives(monkeypatch):
    monkeypatch.setattr(module, "Workers", Formulas)
    monkeypatch.setattr(module, "SOURCES", STILL)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A search that was never stopped: its folder and what it said."""
    folder = tmp_path_factory.mktemp("whole")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "Workers", Formulas)
        patch.setattr(module, "SOURCES", STILL)
        said = run_job(job(folder))
    return folder, said


def content(folder, names=FILES):
    return {name: (folder / name).read_bytes() for name in names}


def rows(folder):
    return [json.loads(line) for line in (folder / "evaluations.jsonl").read_text().splitlines()]


def test_it_finds_what_the_formulas_are_made_for(whole):
    """Least body motion is at a base of 470 and highs of -20 permille; comfort lets the base go to 450 [X]."""
    said = whole[1]
    found = {one["name"]: one["change"] for one in said["moved"]}
    base = 400 + int(found["base: layers.base.front.demand[2] and 1 more"].split()[0])
    assert 430 <= base <= 450
    assert said["training"]["objective"] < 0.95
    assert said["verdict"]["improved"]
    assert said["held_out"]["change"]["high"] < 0
    assert said["broke_constraints"] > 0
    assert not said["training"]["broken"]
    assert said["evaluations"] == said["budget"] == 18


def test_the_result_is_the_starts_file_with_some_numbers(whole):
    folder = whole[0]
    before, after = (
        DEMO.read_text().splitlines(),
        (folder / "out" / "calibration.toml").read_text().splitlines(),
    )
    assert len(before) == len(after)
    changed = [one for one, other in zip(before, after, strict=True) if one != other]
    assert 0 < len(changed) <= 4
    letters = str.maketrans("", "", "-0123456789")
    assert [one.translate(letters) for one in before] == [one.translate(letters) for one in after]
    load_pair(folder / "vehicle.toml", folder / "out" / "calibration.toml")


def test_the_diff_is_that_of_calibration_diff(whole, capsys):
    from dashpot.cli import main

    folder, said = whole
    code = main(
        [
            "calibration",
            "diff",
            str(folder / "calibration.toml"),
            str(folder / "out" / "calibration.toml"),
            "--json",
        ]
    )
    assert code == 1
    assert json.loads(capsys.readouterr().out)["changes"] == said["changes"]
    assert len(said["changes"]) >= 2


def test_the_records_are_a_line_for_each_calibration(whole):
    folder, said = whole
    head, *lines = rows(folder / "out")
    assert (
        head["inputs"] == said["inputs"] == json.loads((folder / "out" / "result.json").read_text())["inputs"]
    )
    training = [line for line in lines if line["roads"] == "training"]
    assert len(training) == 1 + said["evaluations"] + said["taken_back"] == len(said["convergence"])
    assert [line["n"] for line in lines] == list(range(len(lines)))
    assert [line["roads"] for line in lines if line["roads"] != "training"] == ["held_out"] * 2


def test_drives_that_end_in_another_order_change_no_byte(whole, tmp_path, monkeypatch):
    monkeypatch.setattr(Formulas, "backwards", True)
    run_job(job(tmp_path))
    assert content(tmp_path / "out") == content(whole[0] / "out")


@pytest.mark.parametrize("drives_done", [0, 4, 22])
def test_stopped_and_resumed_it_is_the_same_bytes(whole, tmp_path, monkeypatch, drives_done):
    monkeypatch.setattr(Formulas, "stop_after", drives_done)
    with pytest.raises(StoppedError) as stopped:
        run_job(job(tmp_path))
    assert stopped.value.done == max(
        0, sum(row.get("roads") == "training" for row in rows(tmp_path / "out")) - 1
    )
    assert not (tmp_path / "out" / "result.json").exists()
    monkeypatch.setattr(Formulas, "stop_after", None)
    run_job(job(tmp_path, resume=True))
    assert content(tmp_path / "out") == content(whole[0] / "out")


def test_a_torn_last_line_is_measured_again(whole, tmp_path):
    target = job(tmp_path, resume=True)
    target.out.mkdir()
    lines = (whole[0] / "out" / "evaluations.jsonl").read_bytes().splitlines(keepends=True)
    (target.out / "evaluations.jsonl").write_bytes(b"".join(lines[:9]) + lines[9][:40])
    run_job(target)
    assert content(target.out) == content(whole[0] / "out")


def test_resuming_a_whole_search_drives_nothing(whole, tmp_path, monkeypatch):
    target = job(tmp_path, resume=True)
    target.out.mkdir()
    (target.out / "evaluations.jsonl").write_bytes((whole[0] / "out" / "evaluations.jsonl").read_bytes())
    monkeypatch.setattr(Formulas, "stop_after", 0)
    run_job(target)
    assert content(target.out) == content(whole[0] / "out")


def test_a_greater_budget_goes_on(whole, tmp_path):
    target = job(tmp_path, resume=True, budget=24)
    target.out.mkdir()
    (target.out / "evaluations.jsonl").write_bytes((whole[0] / "out" / "evaluations.jsonl").read_bytes())
    more = run_job(target)
    fresh = run_job(job(tmp_path, out="fresh", budget=24))
    assert more == fresh
    assert more["convergence"][:19] == whole[1]["convergence"][:19]
    assert more["training"]["objective"] <= whole[1]["training"]["objective"]


@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda folder: (folder / "tune.toml").write_text(TUNE.replace("seed = 3", "seed = 4")), "search"),
        (lambda folder: (folder / "tune.toml").write_text(TUNE.replace("5 percent", "4 percent")), "constraints"),
        (lambda folder: (folder / "tune.toml").write_text(TUNE.replace("[7, 8]", "[7, 9]")), "held_out"),
        (lambda folder: (folder / "tune.toml").write_text(TUNE.replace("10 permille", "20 permille")), "move"),
        (
            lambda folder: (folder / "calibration.toml").write_text(DEMO.read_text().replace("[240, 320, 400]", "[240, 320, 410]")),
            "calibration",
        ),
        (
            lambda folder: (folder / "vehicle.toml").write_text(
                (folder / "vehicle.toml").read_text().replace("heal_good = 50", "heal_good = 51", 1)
            ),
            "image",
        ),
    ],
)  # fmt: skip
def test_records_of_other_inputs_are_refused(whole, tmp_path, change, named):
    target = job(tmp_path, resume=True)
    target.out.mkdir()
    (target.out / "evaluations.jsonl").write_bytes((whole[0] / "out" / "evaluations.jsonl").read_bytes())
    change(tmp_path)
    with pytest.raises(InputError, match=rf"is of other inputs \(.*{named}.* changed\)"):
        run_job(target)
    assert content(target.out, FILES[:1]) == content(whole[0] / "out", FILES[:1])


def test_the_bench_itself_is_an_input(tmp_path, monkeypatch):
    """What the cars, roads and figures are made of changes the figures; `SOURCES` has it [D]."""
    monkeypatch.undo()
    names = {path.relative_to(Path(module.__file__).parent.parent).as_posix() for path in module.sources()}
    for name in ("plant/kernel.py", "plant/closed_loop.py", "evaluate/figures.py", "evaluate/measure.py"):
        assert name in names
    for name in ("score", "search", "start", "spots", "cells", "plan"):
        assert f"tune/{name}.py" in names
    assert "tune/report.py" not in names


def test_a_broken_line_in_the_middle_is_told(tmp_path):
    path = tmp_path / "evaluations.jsonl"
    with Records(path, {"a": 1}, resume=False) as records:
        records.add("training", (1, 2), "why")
    content = path.read_bytes().splitlines(keepends=True)
    path.write_bytes(content[0] + b'{"roads": 3\n' + content[1])
    with pytest.raises(InputError, match=r"evaluations.jsonl:2: is no record of a search"):
        Records(path, {"a": 1}, resume=True)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="is empty"):
        Records(path, {"a": 1}, resume=True)


def test_two_at_once_in_a_folder_are_one_too_many(tmp_path):
    path = tmp_path / "evaluations.jsonl"
    with (
        Records(path, {}, resume=False) as records,
        pytest.raises(InputError, match="is at work already in another process"),
    ):
        Records(path, {}, resume=True)
    with Records(path, {}, resume=True):
        assert records.count("training") == 0


def test_the_bar_tells_the_best_and_what_is_left(tmp_path, monkeypatch):
    said, done = [], []

    class Bar:
        def advance(self, n=1):
            done.append(n)

        def describe(self, label):
            said.append(label)

    @contextmanager
    def progress(total, _label, _unit):
        yield Bar()
        assert sum(done) <= total

    monkeypatch.setattr(module.console, "progress", progress)
    came = run_job(job(tmp_path, budget=8))
    assert said[0] == "tune, best 1.0000, 8 left"
    assert said[-1].endswith(" 0 left")
    best = min(one["objective"] for one in came["convergence"] if not one["violation"])
    assert f"best {best:.4f}" in said[-1]


def test_folders_in_the_way(tmp_path):
    target = job(tmp_path)
    with pytest.raises(InputError, match="has no records of a search"):
        run_job(job(tmp_path, resume=True))
    target.out.mkdir()
    (target.out / "mine.txt").write_text("mine")
    with pytest.raises(InputError, match="exists and is not empty"):
        run_job(target)
    assert (target.out / "mine.txt").read_text() == "mine"
    (target.out / "evaluations.jsonl").write_text("")
    with pytest.raises(InputError, match="go on with --resume"):
        run_job(target)
    with pytest.raises(InputError, match="cannot be the folder"):
        run_job(job(tmp_path, out="no/such"))


def test_a_start_that_cannot_be_compared_leaves_no_folder(tmp_path):
    target = job(
        tmp_path,
        text=TUNE.replace("body_motion_mm", "stop_force_n").replace("comfort_m_s2", "wet_grip_percent"),
    )
    plain = Formulas.results
    with pytest.MonkeyPatch.context() as patch:

        def zero(self, pairs):
            for place, figures in plain(self, pairs):
                object.__setattr__(figures, "stop_force_n", 0.0)
                yield place, figures

        patch.setattr(Formulas, "results", zero)
        with pytest.raises(InputError, match="stop_force_n is 0 on rough"):
            run_job(target)
    assert not target.out.exists()


def test_candidates_that_the_check_refuses_are_counted_and_never_driven(tmp_path):
    """Edges of bands that cross are refused by `calibration check`: such points are records without drives."""
    crossing = (
        '[move.edges]\ncells = ["layers.stroke_speed.low_medium", "layers.stroke_speed.medium_high"]\n'
        'least = "20 mm/s"\nmost = "200 mm/s"\nstep = "10 mm/s"\n'
    )
    text = TUNE[: TUNE.index("[move.base]")] + crossing + TUNE[TUNE.index("[training") :]
    said = run_job(job(tmp_path, text=text, budget=12))
    refused = [row for row in rows(tmp_path / "out")[1:] if "refused" in row]
    assert said["refused"] == len(refused) > 0
    assert all(row["refused"].startswith("layers.stroke_speed.") for row in refused)
    assert not said["verdict"]["improved"]
    assert said["verdict"]["says"].startswith("No better calibration was found")
    assert (tmp_path / "out" / "calibration.toml").read_bytes() == DEMO.read_bytes()


def verdict(tmp_path, spoil):
    """Search with held-out drives that are spoilt for all but the start."""
    plain = Formulas.results

    def results(self, pairs):
        for place, figures in plain(self, pairs):
            if pairs[place][1].seed >= 7 and figures.comfort_m_s2 != 1.0:
                spoil(figures, pairs[place][1].seed)
            yield place, figures

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Formulas, "results", results)
        return run_job(job(tmp_path, budget=12))


def test_gains_that_held_out_roads_do_not_show_are_none(tmp_path):
    """Two seeds, one better and one worse: the interval has 0 in it."""

    def spoil(figures, seed):
        object.__setattr__(figures, "body_motion_mm", 9.0 if seed == 7 else 13.0)

    said = verdict(tmp_path, spoil)
    assert not said["verdict"]["improved"]
    assert said["verdict"]["says"].startswith("Not shown to be better")
    change = said["held_out"]["change"]
    assert change["low"] < 0 < change["high"]


def test_a_loss_on_held_out_roads_is_called_one(tmp_path):
    def spoil(figures, seed):
        object.__setattr__(figures, "body_motion_mm", 2.0 * figures.body_motion_mm)

    said = verdict(tmp_path, spoil)
    assert said["verdict"]["says"].startswith("Worse: ")
    assert not said["verdict"]["improved"]


def test_a_constraint_that_breaks_on_held_out_roads_is_no_gain(tmp_path):
    def spoil(figures, seed):
        object.__setattr__(figures, "comfort_m_s2", 1.2)

    said = verdict(tmp_path, spoil)
    assert said["held_out"]["change"]["high"] < 0
    assert not said["verdict"]["improved"]
    assert "but comfort_m_s2 got out of bounds" in said["verdict"]["says"]


def test_the_report_shows_every_evaluation_and_the_verdict(whole):
    page = (whole[0] / "out" / "report.html").read_text()
    said = whole[1]
    assert said["verdict"]["says"] in page
    drawn = page.count("<circle") + page.count("l6 6m0 -6l-6 6") + page.count('h6" stroke')
    assert drawn == len(said["convergence"])
    for change in said["changes"]:
        assert change["key"] in page
    assert page.count("<svg") == 1
    assert "no worse by more than 5 % in the mean" in page
    base = next(one for one in said["moved"] if one["name"].startswith("base"))
    assert f"<td class=n>{base['change']}</td><td class=n>{100 * base['worth']:.2f} %</td>" in page
    assert "http" not in page.replace("http-equiv", "")


def test_the_terminal_lists_few_changes_and_counts_many(whole, capsys):
    said = whole[1]
    report.show(said, "out")
    few = capsys.readouterr().out
    assert "Numbers that moved" in few
    assert all(change["after"] in few for change in said["changes"])
    report.show(said | {"changes": said["changes"] * 20}, "out")
    many = capsys.readouterr().out
    assert (
        f"{20 * len(said['changes'])} cells changed; `dashpot calibration diff` and the report list them."
        in many
    )
    assert many.rstrip().splitlines()[-2] == said["verdict"]["says"]


def test_the_text_says_the_same_as_a_diff(whole):
    """Every changed line is one that the search may move."""
    folder = whole[0]
    lines = difflib.unified_diff(
        DEMO.read_text().splitlines(),
        (folder / "out" / "calibration.toml").read_text().splitlines(),
        lineterm="",
        n=0,
    )
    for line in lines:
        if line.startswith("-") and not line.startswith("---"):
            assert line.startswith(
                ("-front = { position", "-rear = { position", "-compression = {", "-rebound = {")
            )
