"""Zeros at rest: means with an honest interval, noise, drift, and what disturbs them; marks as in the domain notes."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
import scipy.stats

from dashpot.suggest.gather import Piece
from dashpot.suggest.series import Trace
from dashpot.suggest.still import (
    BATCH_S,
    LEAST_S,
    Standing,
    Thinned,
    interval,
    quiet_sections,
    standing_sections,
)
from dashpot.suggest.timing import Stillness, nice_ms, rolling_floor


def rest_of(stops, name="x", grain=0.001):
    """Rest over stops: (start, samples at 100 Hz)."""
    standing = Standing()
    for start, value in stops:
        time = start + np.arange(len(value)) / 100.0
        standing.add({name: Trace(time, value)}, start, start + len(value) / 100.0)
    return standing.rest(name, grain)


def test_mean_and_noise_are_those_of_the_samples():
    value = 3.0 + np.random.default_rng(1).normal(0.0, 0.2, 4000)
    rest = rest_of([(0.0, value)])
    assert rest.mean == pytest.approx(value.mean(), abs=1e-3)
    assert rest.noise_rms == pytest.approx(0.2, rel=0.05)
    # White noise: the interval is 1.96 sigma / sqrt(n) [X].
    assert rest.half_width == pytest.approx(1.96 * 0.2 / math.sqrt(4000), rel=0.25)
    assert rest.stops == 1
    assert rest.seconds == pytest.approx(40.0, abs=BATCH_S)
    assert rest.drift is None


@pytest.mark.parametrize("memory", [0.0, 0.9])
def test_the_interval_holds_the_truth_as_often_as_it_says(memory):
    """95 % of 200 standing sections, 91 to 99 % are let pass; noise that remembers (AR(1), 0.1 s) as well. [X]"""
    rng = np.random.default_rng(2)
    inside = 0
    for _ in range(200):
        white = rng.normal(0.0, 1.0, 2200)
        value = scipy.signal.lfilter([math.sqrt(1.0 - memory**2)], [1.0, -memory], white)[200:]
        rest = rest_of([(0.0, value)])
        inside += abs(rest.mean) <= rest.half_width
    assert 0.88 * 200 <= inside <= 0.99 * 200


def test_half_a_grain_is_the_least_that_is_known():
    rest = rest_of([(0.0, np.full(500, 0.25))], grain=0.1)
    assert (rest.mean, rest.half_width, rest.noise_rms) == (0.25, 0.05, 0.0)


def test_student_t_is_scipys():
    pieces = np.array([1.0, 1.4, 0.9, 1.1, 1.3])
    low, high = scipy.stats.t.interval(0.95, 4, loc=pieces.mean(), scale=scipy.stats.sem(pieces))
    assert interval(pieces) == pytest.approx((high - low) / 2.0)
    assert interval(pieces[:1]) == math.inf


def test_a_door_that_is_shut_is_left_out():
    rng = np.random.default_rng(3)
    value = rng.normal(0.0, 0.01, 3000)
    value[1000:1100] += rng.normal(2.0, 1.0, 100)
    rest = rest_of([(0.0, value)])
    assert rest.disturbed >= 4
    assert abs(rest.mean) < 0.002


def test_stops_apart_show_drift_and_widen_the_interval():
    rng = np.random.default_rng(4)
    stops = [(at, at / 100.0 + rng.normal(0.0, 0.02, 400)) for at in (0.0, 100.0, 200.0)]
    rest = rest_of(stops)
    assert rest.stops == 3
    assert rest.drift == pytest.approx(2.0, abs=0.01)
    assert 0.0 < rest.drift_half_width < 0.02
    assert rest.mean == pytest.approx(1.0, abs=0.01)
    # Three stops at 0, 1 and 2: t(2) x 1 / sqrt(3) [X].
    assert rest.half_width == pytest.approx(scipy.stats.t.ppf(0.975, 2) / math.sqrt(3.0), rel=0.02)
    assert rest_of(stops[:1]).drift is None


def test_a_section_that_goes_on_is_the_same_stop():
    value = np.random.default_rng(5).normal(0.0, 0.1, 6000)
    whole = rest_of([(0.0, value)])
    parts = rest_of([(k * 10.0, value[k * 1000 : (k + 1) * 1000]) for k in range(6)])
    assert parts.stops == whole.stops == 1
    assert parts.mean == pytest.approx(whole.mean, abs=1e-9)


def test_long_lists_are_thinned_evenly():
    kept = Thinned(100)
    for k in range(12_345):
        kept.add(k)
    assert len(kept.items) < 100
    assert set(np.diff(kept.items)) == {kept.every}
    assert kept.items[0] == 0


def piece(speed_m_s, start=0.0, **more):
    time = start + np.arange(len(speed_m_s)) / 100.0
    traces = {
        "road_speed": Trace(time, speed_m_s),
        **{name: Trace(time, value) for name, value in more.items()},
    }
    return Piece(start, start + len(speed_m_s) / 100.0, traces)


def test_sections_of_rest_are_trimmed_and_not_too_short():
    speed = np.concatenate(
        (np.full(300, 10.0), np.zeros(400), np.full(300, 10.0), np.zeros(90), np.full(200, 10.0))
    )
    (section,) = standing_sections(piece(speed))
    assert section == pytest.approx((3.2, 6.8), abs=0.06)
    assert standing_sections(piece(np.zeros(round(100 * LEAST_S) - 5))) == []
    # At the edge of a piece nothing is trimmed: it goes on beyond.
    longer = piece(np.zeros(600))
    (whole,) = standing_sections(Piece(0.0, 5.0, longer.traces))
    assert whole == pytest.approx((0.0, 5.0), abs=0.03)


def test_quiet_needs_accelerations_and_strokes():
    rng = np.random.default_rng(6)
    units = {"road_speed": "m/s", "lateral": "g", "stroke.front_left": "mm"}
    shake = np.where((np.arange(1500) < 500) | (np.arange(1500) >= 1000), 1.0, 0.0)
    lateral = rng.normal(0.0, 0.005, 1500) + shake * rng.normal(0.0, 0.2, 1500)
    stroke = rng.normal(0.0, 0.02, 1500) + shake * rng.normal(0.0, 2.0, 1500)
    made = piece(np.full(1500, 3.0), lateral=lateral, **{"stroke.front_left": stroke})
    (section,) = quiet_sections(made, units)
    assert 5.0 < section[0] < section[1] < 10.0
    assert section[1] - section[0] > 3.0
    del made.traces["stroke.front_left"]
    assert quiet_sections(made, units) == []


def test_stillness_counts_driving_only():
    time = np.arange(0.0, 40.0, 0.01)
    value = np.random.default_rng(7).integers(0, 1000, len(time)).astype(float)
    value[:1000] = 5.0
    value[2000:2150] = 7.0
    speed = Trace(time, np.where(time < 11.0, 0.0, 20.0))
    still = Stillness()
    still.add(Trace(time, value), speed, 0.0, 40.0)
    assert still.longest_s == pytest.approx(1.5, abs=0.03)
    assert still.at_s == pytest.approx(20.0, abs=0.02)
    assert still.stuck("g")
    assert not still.stuck("deg")
    dead = Stillness()
    dead.add(Trace(time, np.zeros(len(time))), None, 0.0, 40.0)
    assert dead.stuck("deg")


def test_what_is_kept_up_for_a_time():
    values = np.array([0.0, 5.0, 0.0, 3.0, 3.5, 4.0, 0.0, np.nan, 9.0, np.nan])
    assert [rolling_floor(values, count) for count in (1, 2, 3, 4, 20)] == [9.0, 3.5, 3.0, 0.0, 0.0]
    # By brute force.
    rng = np.random.default_rng(8)
    values = rng.uniform(0.0, 1.0, 200)
    for count in (1, 7, 20):
        brute = max(values[k : k + count].min() for k in range(200 - count + 1))
        assert rolling_floor(values, count) == pytest.approx(brute)


def test_periods_are_rounded_to_what_a_sender_is_set_to():
    assert [nice_ms(us) for us in (9_996.0, 20_040.0, 2_003.0, 1_250.0)] == [10.0, 20.0, 2.0, 1.2]
