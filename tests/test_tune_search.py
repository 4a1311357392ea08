"""The search against functions whose optimum is known, and what holds whatever the function."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import pytest

from dashpot.tune.score import REFUSED, Score
from dashpot.tune.search import best, search, take_back


@dataclass(frozen=True)
class Box:
    """Levels of a number between two bounds, counted from where the search begins."""

    start: float
    least: float
    most: float
    step: float

    @property
    def low(self):
        return -round((self.start - self.least) / self.step)

    @property
    def high(self):
        return round((self.most - self.start) / self.step)

    def at(self, level):
        return self.start + level * self.step


def least(function, boxes, budget, seed, breaks=lambda _x: 0.0):
    """Return the best x, its score and all judged points."""

    def judge(points):
        made = [[box.at(level) for box, level in zip(boxes, point, strict=True)] for point in points]
        return [Score(max(0.0, breaks(x)), function(x)) for x in made]

    known = search(boxes, judge, budget=budget, seed=seed)
    found = best(known)
    return [box.at(level) for box, level in zip(boxes, found, strict=True)], known[found], known


def sphere(x):
    return sum((one - 1.0) ** 2 for one in x)


def rosenbrock(x):
    return sum(100.0 * (b - a * a) ** 2 + (1.0 - a) ** 2 for a, b in itertools.pairwise(x))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_sphere(seed):
    """Least is 0 at 1 [X]; a plain one in five dimensions, from a corner."""
    x, score, _ = least(sphere, [Box(-3.0, -5.0, 5.0, 0.1)] * 5, 600, seed)
    assert score.objective < 0.06, x


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_rosenbrock(seed):
    """Rosenbrock 1960, An automatic method for finding the greatest or least value of a function [M]: 0 at (1, 1)."""
    x, score, _ = least(rosenbrock, [Box(-1.2, -2.0, 2.0, 0.01), Box(1.0, -2.0, 2.0, 0.01)], 800, seed)
    assert score.objective < 0.01, x
    assert math.dist(x, (1.0, 1.0)) < 0.15


def test_rosenbrock_with_its_optimum_outside():
    """With x below 0.5 the least is (1 - 0.5)^2 = 0.25 at (0.5, 0.25) [X]."""
    x, score, _ = least(rosenbrock, [Box(-1.2, -2.0, 0.5, 0.01), Box(1.0, -2.0, 2.0, 0.01)], 600, 4)
    assert math.dist(x, (0.5, 0.25)) < 0.06
    assert 0.25 - 1e-9 <= score.objective < 0.27


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_constrained_problem(seed):
    """Hock and Schittkowski 1981, problem 22 [M]: least 1 at (1, 1), both constraints active."""
    x, score, _ = least(
        lambda x: (x[0] - 2.0) ** 2 + (x[1] - 1.0) ** 2,
        [Box(-1.0, -4.0, 4.0, 0.01), Box(3.0, -4.0, 4.0, 0.01)],
        500,
        seed,
        lambda x: max(0.0, x[0] + x[1] - 2.0) + max(0.0, x[0] ** 2 - x[1]),
    )
    assert score.violation == 0.0
    assert math.dist(x, (1.0, 1.0)) < 0.03
    # Without its constraints the problem's least is 0: below 1 nothing can keep them.
    assert 1.0 - 1e-9 <= score.objective < 1.05


def test_a_start_on_the_edge_of_its_constraint():
    """Least of x^2 + (y - 3)^2 where x + y may not exceed the start's 0: at (-1.5, 1.5), 4.5 [X: foot of (0, 3)]."""
    x, score, _ = least(
        lambda x: x[0] ** 2 + (x[1] - 3.0) ** 2,
        [Box(0.0, -4.0, 4.0, 0.1)] * 2,
        300,
        2,
        lambda x: max(0.0, x[0] + x[1]),
    )
    assert score.violation <= 1e-12
    assert math.dist(x, (-1.5, 1.5)) < 0.3


def test_one_number_alone():
    x, score, known = least(sphere, [Box(-3.0, -5.0, 5.0, 0.5)], 40, 1)
    assert x == [1.0]
    assert score.objective == 0.0
    assert len(known) <= 21  # all levels that there are


def test_no_point_twice_none_outside_and_never_over_budget():
    boxes = [Box(0.0, -2.0, 1.0, 1.0), Box(0.0, -1.0, 5.0, 1.0), Box(0.0, 0.0, 3.0, 1.0)]
    asked = []

    def judge(points):
        asked.extend(points)
        return [Score(0.0, sum(level**2 for level in point)) for point in points]

    search(boxes, judge, budget=23, seed=5)
    assert asked[0] == (0, 0, 0)
    assert len(asked) == len(set(asked)) == 24
    for point in asked:
        assert all(box.low <= level <= box.high for box, level in zip(boxes, point, strict=True))


def test_the_seed_says_all_and_a_greater_budget_goes_on():
    boxes = [Box(-1.2, -2.0, 2.0, 0.01)] * 3
    runs = [
        list(least(rosenbrock, boxes, budget, seed)[2])
        for budget, seed in ((60, 1), (60, 1), (90, 1), (60, 2))
    ]
    assert runs[0] == runs[1] == runs[2][:61]
    assert runs[0] != runs[3]


def test_nothing_but_the_order_of_scores_counts():
    boxes = [Box(-1.2, -2.0, 2.0, 0.01)] * 2
    plain = least(rosenbrock, boxes, 200, 1)[2]
    bent = least(lambda x: math.log1p(rosenbrock(x)) - 7.0, boxes, 200, 1)[2]
    assert list(plain) == list(bent)


def test_refused_points_are_the_worst_and_do_no_harm():
    def judge(points):
        return [
            Score(REFUSED, REFUSED) if point[0] < 0 else Score(0.0, (point[0] - 4.0) ** 2) for point in points
        ]

    known = search([Box(0.0, -9.0, 9.0, 1.0), Box(0.0, -9.0, 9.0, 1.0)], judge, budget=60, seed=1)
    assert best(known)[0] == 4
    assert sum(score.violation == REFUSED for score in known.values()) > 3


def test_what_is_not_needed_goes_back():
    """Of three numbers the first makes the gain, the second a thousandth of it, the third nothing."""

    def judge(points):
        return [Score(0.0, 1.0 - 0.1 * p[0] - 0.0001 * p[1]) for p in points]

    known = dict(zip(points := [(0, 0, 0), (2, 1, -3)], judge(points), strict=True))
    left, worth = take_back(known, judge)
    assert left == (2, 0, 0)
    assert worth == {0: pytest.approx(0.2)}


def test_what_is_needed_together_stays():
    """Either of two numbers alone can go back, both cannot: the gain is the greater of them [X]."""

    def judge(points):
        return [Score(0.0, 1.0 - 0.1 * max(p[0], p[1])) for p in points]

    known = dict(zip(points := [(0, 0), (2, 2)], judge(points), strict=True))
    left, _ = take_back(known, judge)
    assert known[left].objective == pytest.approx(0.8)


def test_going_back_breaks_no_constraint():
    def judge(points):
        return [Score(0.0 if p[1] else 1.0, 1.0 - 0.1 * p[0]) for p in points]

    known = dict(zip(points := [(0, 0), (2, 5)], judge(points), strict=True))
    assert take_back(known, judge)[0] == (2, 5)
