"""The search for the best setting, what a study is set up from, and what its verdict says."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from dashpot.cli import main
from dashpot.errors import InputError
from dashpot.evaluate import measure as measuring
from dashpot.evaluate.figures import Figures
from dashpot.evaluate.measure import Candidate, Case, Held, Workers, passive
from dashpot.evaluate.pictures import Spot, trade_off
from dashpot.evaluate.report import amount, change
from dashpot.evaluate.search import MEMBERS, Search, Tried, Weights, calmest
from dashpot.evaluate.setup import DEMO_CAR, STARTING, USUAL, Job, scenario_files, settle
from dashpot.evaluate.study import BEST, EQUAL, LADDER, Study
from dashpot.evaluate.verdict import BODY, TYRE, change_percent, changes_of, summarise, verdict
from dashpot.plant.scenario import demo_scenario, demo_scenario_path
from evaluate_kit import linear_valve, quarters_car, straight

LANE_CHANGE = demo_scenario_path("lane_change")
HOLLOW_FEN = demo_scenario_path("hollow_fen")
NOTHING = Figures(
    tyre_variation_percent=10.0, tyre_variation_front_percent=10.0, tyre_variation_rear_percent=10.0,
    body_speed_mm_s=50.0, heave_rate_mm_s=20.0, roll_rate_deg_s=2.0, pitch_rate_deg_s=2.0, body_motion_mm=5.0, heave_mm=2.0,
    roll_deg=0.1, pitch_deg=0.1, roll_overshoot_percent=None, pitch_overshoot_percent=-3.0, transfer_overshoot_percent=1.0,
    comfort_m_s2=0.3, stroke_use_percent=50.0, stop_hits=0, stop_force_n=0.0, lifted_ms=0.0, braking_variation_percent=None,
    braking_grip_percent=None, wet_variation_percent=None, wet_grip_percent=None, active_percent=None,
)  # fmt: skip


def bowl(front, rear):
    """Figures whose objective is a bowl with its bottom at 0.3 and 0.7."""
    height = 1.0 + (front - 0.3) ** 2 + 2.0 * (rear - 0.7) ** 2
    return replace(NOTHING, body_speed_mm_s=50.0 * height, tyre_variation_percent=10.0 * height)


def test_the_search_finds_the_bottom_of_a_bowl(monkeypatch):
    measured = []

    def measure_many(candidates, cases, *, workers, progress):
        measured.extend(one.name for one in candidates)
        return [[bowl(*map(float, one.name.split()))] * len(cases) for one in candidates]

    monkeypatch.setattr(measuring, "measure_many", measure_many)
    search = Search((Case(LANE_CHANGE, 1001, 5.0),), Weights(), seed=3, generations=8)

    def make(front, rear):
        return Candidate(f"{front} {rear}", Held(front, rear))

    shares, tried = search.best(make, [NOTHING], Workers(1))
    assert shares == pytest.approx((0.3, 0.7), abs=0.1)
    best = min(tried, key=lambda one: one.objective)
    assert best.shares == shares
    assert best.objective == pytest.approx(1.0 + (shares[0] - 0.3) ** 2 + 2.0 * (shares[1] - 0.7) ** 2)
    assert len(measured) == len(set(measured)) == len(tried) <= 9 * MEMBERS
    assert all(0.0 <= share <= 1.0 for one in tried for share in one.shares)
    assert search.best(make, [NOTHING], Workers(1)) == (shares, tried)


def test_the_calmest_with_no_more_tyre_load():
    tried = [
        Tried((0.1, 0.1), 1.0, 1.2, 0.9),
        Tried((0.5, 0.5), 1.0, 1.0, 1.0),
        Tried((0.9, 0.9), 1.0, 0.8, 1.2),
    ]
    assert calmest(tried, 1.0) is tried[1]
    assert calmest(tried, 0.95) is tried[0]
    assert calmest(tried, 0.8) is None


def test_the_objective_is_the_stated_one():
    twice = replace(NOTHING, body_speed_mm_s=100.0, tyre_variation_percent=15.0, comfort_m_s2=0.15)
    assert Weights(0.5, 0.3, 0.2).of([twice, NOTHING], [NOTHING, NOTHING]) == pytest.approx(
        (0.5 * 2.0 + 0.3 * 1.5 + 0.2 * 0.5 + 1.0) / 2.0
    )


def study_of(own, best, quarter=(), equal=()):
    """A study on the demo circuit from (body, tyre) a seed."""

    def row(pairs):
        return [replace(NOTHING, body_speed_mm_s=body, tyre_variation_percent=tyre) for body, tyre in pairs]

    course = SimpleNamespace(name="Hollow Fen", scenario=demo_scenario("hollow_fen"))
    figures = {name: {"Hollow Fen": row([(90.0, 20.0)] * len(own))} for name in LADDER.values()}
    figures |= {STARTING: {"Hollow Fen": row(own)}, BEST: {"Hollow Fen": row(best)}}
    if quarter:
        figures[LADDER[0.25]] = {"Hollow Fen": row(quarter)}
    if equal:
        figures[EQUAL] = {"Hollow Fen": row(equal)}
    job = Job(seeds=len(own))
    setting = SimpleNamespace(job=job, courses=(course,), training=lambda: (Case(HOLLOW_FEN, 1001),))
    candidates = tuple(Candidate(name, Held(0.8, 0.8)) for name in figures)
    return Study(setting, candidates, figures, {}, Weights())


def test_verdicts():
    best = [(50.0, 10.0), (60.0, 12.0), (55.0, 11.0)]
    better = [(body - 3.0, tyre - 0.1) for body, tyre in best]
    said = verdict(study_of(better, best))
    assert said["beats"]
    assert said["sentence"].startswith(
        "On Hollow Fen the starting calibration has 5.5 ± 0.0 % less body speed and 0.9 ± 0.0"
    )
    assert "it beats that setting in body control" in said["sentence"]
    assert "No passive setting that was driven is better in both at once." in said["sentence"]

    grips_less = [(body - 3.0, tyre + 0.5) for body, tyre in best]
    said = verdict(study_of(grips_less, best))
    assert not said["beats"]
    assert "does not beat that setting: its tyre load variation is higher." in said["sentence"]

    noisy = [(body + d, tyre) for (body, tyre), d in zip(best, (-9.0, 2.0, 1.0), strict=True)]
    said = verdict(study_of(noisy, best))
    assert not said["beats"]
    assert "it is not surely better in body control" in said["sentence"]

    slower = [(body + 3.0, tyre) for body, tyre in best]
    assert (
        "does not beat that setting: its body speed is higher." in verdict(study_of(slower, best))["sentence"]
    )

    unsure = [(body - 3.0, tyre + d) for (body, tyre), d in zip(best, (-0.9, 0.9, 0.0), strict=True)]
    said = verdict(study_of(unsure, best))
    assert not said["beats"]
    assert "is not sure" in said["sentence"]

    said = verdict(study_of(better, best, quarter=[(40.0, 9.0)] * 3))
    assert said["passive_better_in_both"] == ["passive 25 %"]
    assert "Better in both at once: passive 25 %." in said["sentence"]

    assert "against_equal_tyre_load" not in said
    assert "In training no passive setting had as little" in said["sentence"]
    said = verdict(study_of(grips_less, best, equal=[(body + 5.0, tyre) for body, tyre in grips_less]))
    assert not said["beats"]
    assert said["against_equal_tyre_load"]["beats"]
    assert "in training it has 8.8 ± 0.0 % less body speed and 0.0 ± 0.0 % more tyre load" in said["sentence"]

    said = verdict(study_of(better[:1], best[:1]))
    assert not said["beats"]
    assert "one seed has no confidence interval" in said["sentence"]


def test_changes_are_taken_seed_by_seed():
    best = [(50.0, 10.0), (100.0, 30.0)]
    own = [(45.0, 11.0), (90.0, 29.0)]
    study = study_of(own, best)
    found = changes_of(study, STARTING)[BODY][0]
    # -5 and -10 of a mean of 75 [X].
    assert found.mean == pytest.approx(-10.0)
    assert changes_of(study, BEST)[BODY][0].mean == 0.0
    assert change_percent([1.0], [0.0]) is None
    said = summarise(study)
    cells = said["scenarios"]["Hollow Fen"][STARTING]
    assert cells[BODY]["change_percent"]["mean"] == pytest.approx(-10.0)
    assert cells[TYRE]["mean"] == pytest.approx(20.0)
    # An overshoot is a share already: a change of it would be a share of a share.
    assert "change_percent" not in cells["pitch_overshoot_percent"]
    assert "roll_overshoot_percent" not in cells
    assert json.loads(json.dumps(said, allow_nan=False)) == said


def test_cells_are_legible():
    assert change({"mean": -3.14, "half": 0.75, "sure": -1}) == "\u22123.1 ± 0.8*"
    assert change({"mean": 0.2, "half": None, "sure": 0}) == "+0.2"
    assert change(None) == amount(None) == "-"
    assert amount({"mean": 123.4, "half": 5.6}) == "123 ± 6"
    assert amount({"mean": 0.0, "half": 0.0}) == "0"


def test_the_picture_tells_names_and_stays_inside():
    rng = np.random.default_rng(4)
    kinds = ["passive", "best", "calibration", "law"]
    spots = [
        Spot(f"<{i}>", kinds[i % 4], *map(float, rng.normal(0.0, 9.0, 2)), 400.0, 1.0, front=i % 3 == 0)
        for i in range(16)
    ]
    svg = trade_off(spots, ["<0>", "<4>"], "across, %", "up, %", "a test & more")
    assert "a test &amp; more" in svg
    for spot in spots:
        assert f"&lt;{spot.name[1:-1]}&gt;</text>" in svg
    numbers = [float(part.split()[0]) for part in svg.split('d="M')[1:]]
    assert min(numbers) >= 0.0
    assert max(numbers) <= 640.0
    same = trade_off([Spot("one", "best", 1.0, 1.0)], [], "x", "y", "alone")
    assert "nan" not in same


def test_scenarios_are_found(tmp_path):
    assert [path.stem for path in scenario_files([])] == list(USUAL)
    shutil.copy(LANE_CHANGE, tmp_path / "b.toml")
    shutil.copy(demo_scenario_path("bump"), tmp_path / "a.toml")
    shutil.copy(DEMO_CAR, tmp_path / "car.toml")
    assert [path.name for path in scenario_files([tmp_path])] == ["a.toml", "b.toml"]
    assert scenario_files([LANE_CHANGE, LANE_CHANGE]) == [LANE_CHANGE]
    setting = settle(Job(scenarios=(tmp_path,), seeds=2))
    assert setting.car == DEMO_CAR
    assert [case.seed for case in setting.judged(setting.courses[0])] == [1, 2]
    assert {case.seed for case in setting.training()} == {1001}
    # The demo's valves: 300 to 1600 mA, firmer with current.
    assert setting.held("x", 0.0, 1.0) == passive("x", 0.3, 1.6)


def test_mistakes_are_told(tmp_path):
    with pytest.raises(InputError, match="no such file or folder"):
        scenario_files([tmp_path / "nothing.toml"])
    with pytest.raises(InputError, match="holds no scenario"):
        scenario_files([tmp_path])
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 600.0, 0.8: 980.0, 1.6: 1800.0})
    other = straight(tmp_path, 6.0)
    with pytest.raises(InputError, match=r"has the car quarters.toml, lane_change.toml has merlin_t4.toml"):
        settle(Job(scenarios=(LANE_CHANGE, other)))
    with pytest.raises(InputError, match="other valves than"):
        settle(Job(scenarios=(LANE_CHANGE, other), car=DEMO_CAR))
    twin = tmp_path / "twin.toml"
    shutil.copy(LANE_CHANGE, twin)
    with pytest.raises(InputError, match="two scenarios have the name"):
        settle(Job(scenarios=(LANE_CHANGE, twin)))
    with pytest.raises(InputError, match="0 seeds"):
        settle(Job(scenarios=(LANE_CHANGE,), seeds=0))


def test_bad_commands_say_so_and_leave_nothing(tmp_path, capsys):
    def told(*words: str) -> str:
        assert main(["evaluate", "--out", str(tmp_path / "out"), *words]) == 2
        assert list(tmp_path.glob("*out*")) == []
        return capsys.readouterr().err

    quarters = quarters_car(tmp_path)
    assert "--targets: is given beside --starting" in told("--starting", "a.toml", "--targets", "b.toml")
    assert "give --targets TARGETS.toml" in told("--scenarios", str(LANE_CHANGE), "--car", str(quarters))
    assert "nothing.toml" in told(
        "--scenarios", str(LANE_CHANGE), "--calibration", str(tmp_path / "nothing.toml")
    )
    assert "scenario" in told("--scenarios", str(Path(DEMO_CAR)))
    assert "none.toml" in told("--scenarios", str(LANE_CHANGE), "--car", str(tmp_path / "none.toml"))
    assert "none.toml" in told("--scenarios", str(LANE_CHANGE), "--vehicle", str(tmp_path / "none.toml"))


def test_ctrl_c_leaves_nothing(tmp_path, monkeypatch):
    def stopped(*_words, **_more):
        raise KeyboardInterrupt

    monkeypatch.setattr("dashpot.evaluate.study.run", stopped)
    assert (
        main(
            [
                "evaluate",
                "--scenarios",
                str(LANE_CHANGE),
                "--quick",
                "--jobs",
                "1",
                "--out",
                str(tmp_path / "out"),
            ]
        )
        == 130
    )
    assert list(tmp_path.iterdir()) == []
