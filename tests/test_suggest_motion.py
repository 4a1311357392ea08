"""Motion of a damper: sines of known peak speed, bands by closed form, events by energy; pieces give what the whole gives.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashpot.suggest.motion import BANDS_MM_S, End, Motion, band_times, end_events, stroke_speed


def sine(hz, mm, seconds=20.0, rate=500.0):
    time = np.arange(round(seconds * rate)) / rate
    return time, mm * np.sin(2.0 * np.pi * hz * time)


@pytest.mark.parametrize(("hz", "mm", "peak"), [(1.0, 25.0, 157.1), (8.0, 10.0, 502.7)])
@pytest.mark.parametrize("rate", [500.0, 1000.0])
def test_a_sine_has_the_peak_speed_of_its_formula(hz, mm, peak, rate):
    """v = 2 pi f A: 157.1 and 502.7 mm/s [X, domain notes]."""
    time, stroke = sine(hz, mm, rate=rate)
    _, _, speed = stroke_speed(time, stroke)
    assert 2.0 * math.pi * hz * mm == pytest.approx(peak, abs=0.05)
    # The parabola over 10 ms rounds the fastest one off by 0.6 % at most: (2 pi f)^2 w^2 / 40 or so [X].
    assert peak * 0.992 < speed.max() <= peak * 1.001
    assert -speed.min() == pytest.approx(speed.max(), rel=1e-3)


@pytest.mark.parametrize("mm", [10.0, 60.0, 200.0])
def test_time_in_the_bands_by_closed_form(mm):
    """A sine of speed V is below u for the share 2/pi asin(u/V) of its time [X]."""
    time, stroke = sine(1.3, mm, seconds=100.0)
    motion = Motion()
    motion.add(time, stroke)
    most = 2.0 * math.pi * 1.3 * mm
    below = [2.0 / math.pi * math.asin(min(1.0, edge / most)) for edge in (*BANDS_MM_S[1:], math.inf)]
    shares = np.diff([0.0, *below])
    assert motion.time_s == pytest.approx(100.0, abs=0.01)
    for bands in (motion.bands_compression_s, motion.bands_rebound_s):
        assert bands / 50.0 == pytest.approx(shares, abs=0.01)
    assert motion.speed_s.sum() == pytest.approx(motion.time_s)
    assert motion.stroke_s.sum() == pytest.approx(motion.time_s)


def test_an_edge_belongs_to_the_band_below_and_standing_to_none():
    compression, rebound = band_times(np.array([0.0, 50.8, 50.9, -152.4, -152.5, 508.0, -509.0]), 0.5)
    assert compression.tolist() == [0.5, 0.5, 0.5, 0.0]
    assert rebound.tolist() == [0.0, 0.5, 0.5, 0.5]
    weighted, _ = band_times(np.array([10.0, 20.0]), np.array([0.1, 0.3]))
    assert weighted.tolist() == pytest.approx([0.4, 0.0, 0.0, 0.0])


def test_events_have_the_energy_of_the_wheel():
    """36 kg at 1 m/s carries 18 J [X, domain notes]; the gap is what is left to the stop."""
    time = np.arange(0.0, 2.0, 0.001)
    stroke = np.interp(time, [0.0, 0.5, 0.552, 0.6, 0.8, 1.2, 1.5, 1.7, 2.0], [0, 0, 52, 52, 0, 0, -50, 0, 0])
    grid, even, speed = stroke_speed(time, stroke)
    (hit,) = end_events(grid, even, speed, End(55.0, 43.0), compression=True)
    assert hit.at_s == pytest.approx(0.543, abs=0.002)
    assert hit.speed_mm_s == pytest.approx(1000.0, rel=0.01)
    assert 36.0 * hit.energy_j_kg == pytest.approx(18.0, rel=0.02)
    assert hit.gap_mm == pytest.approx(3.0, abs=0.3)
    (out,) = end_events(grid, even, speed, End(60.0, 48.0), compression=False)
    assert out.gap_mm == pytest.approx(10.0, abs=0.3)
    assert not out.compression
    # Past the stop the gap is below zero.
    (past,) = end_events(grid, even, speed, End(50.0, 43.0), compression=True)
    assert past.gap_mm == pytest.approx(-2.0, abs=0.3)


def test_pieces_give_what_the_whole_gives():
    rng = np.random.default_rng(2)
    time = np.arange(0.0, 60.0, 0.002)
    stroke = 30.0 * np.sin(2.0 * time) + np.convolve(
        rng.normal(0.0, 8.0, len(time)), np.ones(15) / 15.0, "same"
    )
    ends = (End(45.0, 32.0), End(45.0, 32.0))
    whole, parts = Motion(ends), Motion(ends)
    whole.add(time, stroke)
    for start, end in ((0.0, 13.0), (13.0, 40.001), (40.001, 60.0)):
        near = (time >= start - 4.0) & (time < end + 4.0)
        parts.add(time[near], stroke[near], own=(start, end))
    for name in ("bands_compression_s", "bands_rebound_s", "speed_s", "stroke_s"):
        assert getattr(parts, name) == pytest.approx(getattr(whole, name), abs=0.005), name
    assert parts.margins_mm() == pytest.approx(whole.margins_mm())
    assert parts.event_count == whole.event_count > 30
    assert sorted(e.at_s for e in parts.events) == pytest.approx(sorted(e.at_s for e in whole.events))


def test_a_gap_is_no_movement():
    """A step over half a second without samples would be 200 mm/s and more."""
    time = np.concatenate((np.arange(0.0, 2.0, 0.002), np.arange(2.5, 4.0, 0.002)))
    stroke = np.where(time < 2.2, 0.0, 100.0)
    _, _, speed = stroke_speed(time, stroke)
    assert np.abs(speed).max() < 1e-6
    motion = Motion()
    motion.add(time, stroke)
    assert motion.time_s == pytest.approx(3.5, abs=0.02)
    assert motion.bands_compression_s.sum() == 0.0


def test_nothing_in_gives_nothing_out():
    motion = Motion((End(50.0, 40.0), None))
    motion.add(np.zeros(0), np.zeros(0))
    motion.add(np.zeros(1), np.zeros(1))
    made = motion.as_json()
    assert (made["time_s"], made["least_mm"], made["event_count"]) == (0.0, None, 0)
    assert made["ends"][0]["margin_mm"] is None
    assert made["ends"][1] is None
    assert made["speed_histogram"]["seconds"] == []


def test_histograms_say_where_they_begin():
    motion = Motion()
    motion.add(np.arange(0.0, 1.0, 0.002), np.full(500, 7.0))
    made = motion.as_json()["stroke_histogram"]
    assert made["from"] <= 7.0 < made["from"] + made["step"]
    # But for the half windows at both ends.
    assert made["seconds"] == pytest.approx([1.0 - 4 * 0.002])
