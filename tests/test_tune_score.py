"""Objective, constraints and intervals against sums by hand."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import pytest

from dashpot.errors import InputError
from dashpot.tune.plan import Bound, Road
from dashpot.tune.score import (
    REFUSED,
    Score,
    interval,
    objective,
    objective_change,
    refuse_empty,
    score,
    violations,
)
from tune_kit import figures, tune_of

ROADS = (Road("lap", Path("a.toml"), (1, 2), None, 3.0), Road("kerb", Path("b.toml"), (1, 2), None, 1.0))


def drives(**by_road):
    """Give each road's drives, a list of what differs from plain figures for each seed."""
    return {
        (road, seed): asdict(figures(**one))
        for road, rows in by_road.items()
        for seed, one in enumerate(rows, 1)
    }


def tune(weights, *bounds):
    return replace(tune_of(), weights=weights, bounds=bounds)


START = drives(
    lap=[{"heave_mm": 10.0, "roll_deg": 2.0}, {"heave_mm": 20.0, "roll_deg": 1.0}],
    kerb=[
        {"heave_mm": 5.0, "roll_deg": 1.0, "stop_hits": 3},
        {"heave_mm": 5.0, "roll_deg": 1.0, "stop_hits": 1},
    ],
)
NOW = drives(
    lap=[{"heave_mm": 9.0, "roll_deg": 2.2}, {"heave_mm": 19.0, "roll_deg": 1.2}],
    kerb=[
        {"heave_mm": 6.0, "roll_deg": 1.0, "stop_hits": 2},
        {"heave_mm": 5.0, "roll_deg": 1.0, "stop_hits": 3},
    ],
)


def test_the_objective_is_a_weighted_mean_of_ratios():
    """Heave: lap (0.9 + 0.95) / 2, kerb (1.2 + 1) / 2, roads 3 to 1; roll: lap (1.1 + 1.2) / 2, kerb 1 [X]."""
    heave = (3 * 0.925 + 1.1) / 4
    roll = (3 * 1.15 + 1.0) / 4
    assert objective(NOW, START, tune({"heave_mm": 1.0}), ROADS) == pytest.approx(heave)
    both = tune({"heave_mm": 0.75, "roll_deg": 0.25})
    assert objective(NOW, START, both, ROADS) == pytest.approx(0.75 * heave + 0.25 * roll)
    assert objective(START, START, both, ROADS) == 1.0


def test_what_is_better_higher_is_turned_round():
    start = drives(lap=[{"wet_grip_percent": 90.0}, {"wet_grip_percent": 80.0}])
    now = drives(lap=[{"wet_grip_percent": 100.0}, {"wet_grip_percent": 100.0}])
    assert objective(now, start, tune({"wet_grip_percent": 1.0}), ROADS[:1]) == pytest.approx((0.9 + 0.8) / 2)


def test_what_is_better_higher_and_came_to_nothing_is_out():
    start, now = (drives(lap=[{"wet_grip_percent": grip}] * 2) for grip in (90.0, 0.0))
    assert score(now, start, tune({"wet_grip_percent": 1.0}), ROADS[:1]).violation == REFUSED


def test_a_road_without_a_metric_does_not_count():
    start, now = dict(START), dict(NOW)
    for those in (start, now):
        for seed in (1, 2):
            those["kerb", seed] = those["kerb", seed] | {"heave_mm": None}
    assert objective(now, start, tune({"heave_mm": 1.0}), ROADS) == pytest.approx(0.925)


@pytest.mark.parametrize(
    ("bound", "over"),
    [
        (Bound("roll_deg", ratio=1.2), {}),
        # Mean over roads 1.1125 over 1.1, less 1 [X].
        (Bound("roll_deg", ratio=1.1), {"roll_deg": 1.1125 / 1.1 - 1.0}),
        (Bound("roll_deg", ratio=1.12, in_each=True), {"roll_deg on lap": 1.15 / 1.12 - 1.0}),
        (Bound("stop_hits", no_worse=True), {"stop_hits, no worse": 0.25}),
        # 5 hits where 4 were, on one road [X].
        (Bound("stop_hits", ratio=1.25), {}),
        (Bound("stop_hits", ratio=1.2), {"stop_hits": 5 / 4.8 - 1.0}),
        (Bound("stop_hits", ratio=1.1, in_each=True), {"stop_hits on kerb": 5 / 4.4 - 1.0}),
        (Bound("heave_mm", end=12.0), {"heave_mm on lap, at most 12": 14.0 / 12.0 - 1.0}),
        (Bound("heave_mm", end=14.0), {}),
        (Bound("active_percent", end=100.0), {}),
    ],
)
def test_constraints(bound, over):
    assert violations(NOW, START, tune({"heave_mm": 1.0}, bound), ROADS) == pytest.approx(over)


def test_a_controller_that_gives_up_is_out_whatever_the_file_says():
    now = dict(NOW)
    now["kerb", 2] = now["kerb", 2] | {"active_percent": 90.0}
    assert violations(now, START, tune({"heave_mm": 1.0}), ROADS) == {
        "active_percent, no worse": pytest.approx(10 / 400)
    }


def test_the_order_of_scores():
    """Deb 2000 [M]: kept before broken; kept by objective; broken by how much."""
    order = [
        Score(0.0, 0.9),
        Score(0.0, 1.1),
        Score(0.1, 0.5),
        Score(0.2, 0.1),
        score(None, START, tune({}), ROADS),
    ]
    assert sorted([order[k] for k in (3, 1, 4, 0, 2)]) == order
    assert order[-1].violation == REFUSED


def test_an_interval_of_published_pairs():
    """Student 1908: hours of sleep gained with two drugs, ten patients; mean difference 1.58, t(9) 4.0621 [S].

    Differences as in R's `sleep` data: the 95 % interval is 0.7001142 to 2.4598858 [M].
    """
    one = interval([1.2, 2.4, 1.3, 1.3, 0.0, 1.0, 1.8, 0.8, 4.6, 1.4])
    assert one.mean == pytest.approx(1.58)
    assert (one.low, one.high) == (pytest.approx(0.7001142, abs=1e-6), pytest.approx(2.4598858, abs=1e-6))
    assert interval([1.0]).half == math.inf


def test_the_objectives_interval_pairs_seeds():
    """Samples: (3 x 0.9 + 1.2) / 4 - 1 and (3 x 0.95 + 1) / 4 - 1; t(1) at 97.5 % is 12.7062 [S]."""
    samples = [3.9 / 4 - 1.0, 3.85 / 4 - 1.0]
    change = objective_change(NOW, START, tune({"heave_mm": 1.0}), ROADS)
    mean = sum(samples) / 2
    half = 12.7062 * math.sqrt(2) * (samples[0] - mean) / math.sqrt(2)
    assert change.mean == pytest.approx(mean)
    assert change.half == pytest.approx(half, rel=1e-4)


def test_nothing_can_be_a_share_of_nothing():
    start = drives(lap=[{"stop_force_n": 0.0}, {"stop_force_n": 5.0}])
    with pytest.raises(InputError, match="stop_force_n is 0 on lap"):
        refuse_empty(start, tune({"stop_force_n": 1.0}), ROADS[:1], "training", "tune.toml")
    start = drives(lap=[{"wet_grip_percent": None}] * 2)
    with pytest.raises(InputError, match=r"no road of \[held_out\] has wet_grip_percent"):
        refuse_empty(
            start,
            tune({"heave_mm": 1.0}, Bound("wet_grip_percent", no_worse=True)),
            ROADS[:1],
            "held_out",
            "t",
        )
