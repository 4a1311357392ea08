"""Leads and lags: against scipy.signal.correlate, against known delays and filters, and what must not fool them.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot.suggest import lead
from dashpot.suggest.series import Trace, on_grid, slope, smoothed, spans


def pulses(time_s, seed=1, every=5.0):
    """Smooth rises and falls as of a driver, one every few seconds."""
    rng = np.random.default_rng(seed)
    value = np.zeros(len(time_s))
    for at in np.arange(3.0, time_s[-1] - 3.0, every):
        value += rng.uniform(20.0, 60.0) / (
            1.0 + np.exp(np.clip(-(time_s - at) / rng.uniform(0.04, 0.1), -50.0, 50.0))
        )
        value -= value[-1] / (1.0 + np.exp(np.clip(-(time_s - at - 1.5) / 0.12, -50.0, 50.0)))
    return value


def test_the_curve_is_scipys_correlation_normalised_by_each_stretch():
    """scipy.signal.correlate gives the sums, numpy.corrcoef the whole. [S scipy, numpy]"""
    rng = np.random.default_rng(3)
    x, y = rng.normal(size=80), rng.normal(3.0, 2.0, size=200)
    curve = lead.correlation_curve(x, y, 50)
    sums = scipy.signal.correlate(y, x - x.mean(), mode="valid")
    for k in (0, 17, 50, 120):
        part = y[k : k + 80]
        assert curve[k] == pytest.approx(np.corrcoef(x, part)[0, 1], abs=1e-12)
        assert curve[k] * np.std(part) * np.std(x) * 80 == pytest.approx(sums[k], rel=1e-9)
    for bad in ((x, y[:70], 0), (x, y, 121), (x, y, -1)):
        with pytest.raises(ValueError, match="cover"):
            lead.correlation_curve(*bad)


def test_where_the_effect_stands_still_there_is_no_correlation():
    y = np.concatenate((np.zeros(100), np.sin(np.arange(100) / 5.0)))
    curve = lead.correlation_curve(np.sin(np.arange(50) / 5.0), y, 0)
    assert (curve[:50] == 0.0).all()
    assert curve.max() > 0.99


@given(st.floats(-0.1, 0.3), st.integers(0, 1000))
@settings(max_examples=25, deadline=None)
def test_a_known_delay_is_found_between_samples(delay_s, seed):
    """Both signals at 100 Hz with phases of their own; the truth is an exact shift. [X]"""
    time = np.arange(0.0, 30.0, 0.01)
    later = time + 0.0037
    cause = Trace(time, pulses(time, seed))
    effect = Trace(later, np.interp(later - delay_s, time, cause.value))
    found = lead.summarise(*lead.measure(cause, effect, least_rate=60.0, both=False))
    assert len(found.events) >= 3
    assert found.median_s == pytest.approx(delay_s, abs=0.0015)


@pytest.mark.parametrize(("order", "corner_hz"), [(1, 8.0), (2, 10.0), (2, 5.0)])
def test_the_lag_of_a_filter_is_its_group_delay(order, corner_hz):
    """Butterworth: the group delay at low frequencies by scipy.signal.group_delay. [S scipy]"""
    rate = 1000.0
    b, a = scipy.signal.butter(order, corner_hz, fs=rate)
    _, delay = scipy.signal.group_delay((b, a), w=[0.5], fs=rate)
    expected_s = float(delay[0]) / rate
    if order == 2:
        # sqrt(2) / (2 pi f) [X]
        assert expected_s == pytest.approx(math.sqrt(2.0) / (2.0 * math.pi * corner_hz), rel=0.01)
    time = np.arange(0.0, 40.0, 1.0 / rate)
    value = pulses(time)
    filtered = scipy.signal.lfilter(b, a, value)
    found = lead.summarise(
        *lead.measure(
            Trace(time[::10], value[::10]), Trace(time[::10], filtered[::10]), least_rate=60.0, both=True
        )
    )
    assert found.median_s == pytest.approx(expected_s, abs=0.1 * expected_s + 0.001)


def test_a_driver_who_lifts_before_braking_does_not_shorten_the_lead():
    """Deceleration by drag begins before the brake does; the truth is 60 ms."""
    time = np.arange(0.0, 60.0, 0.01)
    pedal = np.zeros(len(time))
    for at in range(5, 55, 7):
        pedal += np.interp(time, [at, at + 0.5, at + 1.5, at + 2.0], [0.0, 50.0, 30.0, 0.0])
    throttle_off = np.zeros(len(time))
    for at in range(5, 55, 7):
        throttle_off += np.interp(time, [at - 0.3, at, at + 2.0, at + 2.4], [0.0, 0.6, 0.6, 0.0])
    slowing = np.interp(time - 0.06, time, pedal) / 60.0 + throttle_off
    found = lead.brake_lead(Trace(time, pedal), Trace(time, -slowing))
    assert len(found.events) == 8
    assert found.median_s == pytest.approx(0.06, abs=0.003)
    naive = lead.summarise(
        *lead.measure(Trace(time, pedal), Trace(time, slowing), least_rate=60.0, both=False)
    )
    assert naive.median_s is None or naive.median_s < 0.05


def test_noise_and_unlike_signals_give_no_lag():
    time = np.arange(0.0, 40.0, 0.01)
    cause = Trace(time, pulses(time))
    other = Trace(time, np.random.default_rng(1).normal(size=len(time)))
    events, skipped = lead.measure(cause, other, least_rate=60.0, both=False)
    assert events == []
    assert skipped >= 3
    assert lead.summarise(events, skipped) == lead.Lead((), skipped)


def test_own_time_counts_each_event_once():
    time = np.arange(0.0, 60.0, 0.01)
    cause = Trace(time, pulses(time))
    effect = Trace(time, np.interp(time - 0.05, time, cause.value))
    whole, _ = lead.measure(cause, effect, least_rate=60.0, both=True)
    parts = []
    for start, end in ((0.0, 17.3), (17.3, 41.0), (41.0, 60.0)):
        near = (time >= start - 4.0) & (time < end + 4.0)
        some, _ = lead.measure(
            Trace(time[near], cause.value[near]), Trace(time[near], effect.value[near]),
            least_rate=60.0, both=True, own=(start, end),
        )  # fmt: skip
        parts += some
    assert [e.at_s for e in parts] == pytest.approx([e.at_s for e in whole], abs=0.011)


def test_the_interval_covers_the_median_as_often_as_it_says():
    """Of 120 samples of 25 normal values about 95 % of the intervals hold the truth; 87 to 100 % are let pass. [X binomial]"""
    rng = np.random.default_rng(5)
    inside = 0
    for seed in range(120):
        low, high = lead.interval_of_median(rng.normal(1.0, 0.2, 25), seed)
        inside += low <= 1.0 <= high
    assert 0.87 * 120 <= inside <= 120
    assert lead.interval_of_median(np.array([1.0, 2.0])) == (None, None)
    assert lead.interval_of_median(np.ones(5)) == (1.0, 1.0)
    values = rng.normal(size=9)
    assert lead.interval_of_median(values, 3) == lead.interval_of_median(values, 3)


# --- the grid --------------------------------------------------------------------------------------------


def test_a_grid_invents_nothing_over_a_gap():
    time = np.concatenate((np.arange(0.0, 1.0, 0.01), np.arange(1.2, 2.0, 0.01)))
    grid = np.arange(-0.1, 2.1, 0.005)
    value = on_grid(Trace(time, 3.0 * time), grid)
    known = ((grid >= 0.0) & (grid <= time[99])) | ((grid >= 1.2 - 1e-12) & (grid <= time[-1]))
    assert np.array_equal(np.isfinite(value), known)
    assert value[known] == pytest.approx(3.0 * grid[known])
    assert np.isnan(on_grid(Trace(time[:1], time[:1]), grid)).all()


def test_smoothing_delays_nothing_and_halves_at_its_corner():
    """Twice a Butterworth of -3 dB at its corner is one half of the amplitude. [X]"""
    time = np.arange(0.0, 20.0, 0.005)
    for hz, gain in ((8.0, 0.5), (0.5, 1.0)):
        value = np.sin(2.0 * np.pi * hz * time)
        got = smoothed(value, 200.0, 8.0)[1000:3000]
        assert got == pytest.approx(gain * value[1000:3000], abs=0.01)
    assert slope(2.0 * time, 200.0) == pytest.approx(np.full(len(time), 2.0))
    assert np.isnan(slope(np.ones(1), 1.0)).all()


@given(st.lists(st.booleans(), max_size=60), st.integers(1, 5))
@settings(max_examples=60, deadline=None)
def test_spans_are_all_runs_of_their_length(mask, least):
    found = spans(np.array(mask, bool), least)
    for run in found:
        assert run.stop - run.start >= least
        assert all(mask[run])
        assert run.start == 0 or not mask[run.start - 1]
        assert run.stop == len(mask) or not mask[run.stop]
    covered = {k for run in found for k in range(run.start, run.stop)}
    for k, value in enumerate(mask):
        if value and k not in covered:
            start = k
            while start > 0 and mask[start - 1]:
                start -= 1
            end = k
            while end < len(mask) and mask[end]:
                end += 1
            assert end - start < least
