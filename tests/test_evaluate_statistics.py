"""Intervals that hold what they promise, and the front against brute force."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from dashpot.evaluate.statistics import Estimate, estimate, paired, pareto


def test_the_interval_is_that_of_scipy():
    values = [3.1, 2.7, 3.9, 3.3, 2.2]
    found = estimate(values)
    low, high = stats.t.interval(0.95, 4, loc=np.mean(values), scale=stats.sem(values))
    assert (found.low, found.high) == pytest.approx((low, high), rel=1e-12)
    assert found.count == 5
    # Student's table: 2.776 at four degrees of freedom [S].
    assert found.half == pytest.approx(2.776 * np.std(values, ddof=1) / math.sqrt(5), rel=2e-4)


@pytest.mark.parametrize("count", [3, 5, 12])
def test_ninety_five_of_a_hundred_intervals_hold_the_truth(count):
    rng = np.random.default_rng(count)
    drawn = rng.normal(7.0, 2.0, (4000, count))
    held = sum(one.low <= 7.0 <= one.high for one in map(estimate, drawn))
    # Four standard errors of a binomial share of 4000 [X]; both ways.
    assert abs(held / 4000 - 0.95) < 4.0 * math.sqrt(0.95 * 0.05 / 4000)


def test_a_paired_difference_leaves_out_what_both_share():
    rng = np.random.default_rng(5)
    road = rng.normal(0.0, 10.0, 8)
    one, other = road + 1.0 + rng.normal(0.0, 0.1, 8), road
    assert estimate(one).sure == 0 or abs(estimate(one).mean) > 5.0
    assert paired(one, other).sure == 1
    assert paired(other, one).sure == -1
    assert paired(one, one) == Estimate(0.0, 0.0, 8)
    assert paired(one, one).sure == 0


def test_one_seed_has_no_interval():
    alone = estimate([2.5])
    assert (alone.half, alone.low, alone.high, alone.sure) == (None, 2.5, 2.5, 0)
    with pytest.raises(ValueError, match="no values"):
        estimate([])


def test_the_front_is_that_of_brute_force():
    rng = np.random.default_rng(2)
    for count in (0, 1, 2, 9, 60):
        # Coarse numbers, so that there are ties.
        points = [tuple(row) for row in np.round(rng.random((count, 2)), 1)]
        beaten = {
            i
            for i, (x, y) in enumerate(points)
            if any(u <= x and v <= y and (u, v) != (x, y) for u, v in points)
        }
        front = pareto(points)
        assert set(front) == set(range(count)) - beaten
        assert front == sorted(front, key=lambda i: points[i])
