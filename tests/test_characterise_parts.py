"""The pieces of characterise against closed forms, scipy and an oracle of their own.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from characterise_kit import Noise, Truth, sines, steps
from dashpot.characterise import curve, electric, figures, loops, response
from dashpot.characterise.rod import Rod, Slow, fit_rod
from dashpot.characterise.strokes import (
    derivative,
    lagged,
    motions_of,
    noise_of,
    points_of,
    turns_of,
)
from dashpot.characterise.surface import Axes, Model, axes_of, filled, groups_of, monotone, rising
from dashpot.plant.damper import Surface

TRUTH = Truth()
NONE = Noise(0.0, 0.0, 0.0, 0.0)


def rod_of(truth: Truth = TRUTH) -> Rod:
    return Rod(truth.gas_n, truth.rate_n_per_m, truth.friction_n, 0.0, 0.0, np.zeros((3, 3)), parted=True)


# Speed


@pytest.mark.parametrize(("amplitude_m", "hz", "peak_mm_s"), [(0.025, 1.0, 157.1), (0.010, 8.0, 502.7)])
@pytest.mark.parametrize("rate_hz", [500.0, 1000.0, 2000.0])
def test_peak_speed_of_a_sine(amplitude_m: float, hz: float, peak_mm_s: float, rate_hz: float) -> None:
    # v = 2 pi f A: domain notes, section 1 [X].
    t = np.arange(round(3 * rate_hz / hz)) / rate_hz
    speed = derivative(-amplitude_m * np.cos(2 * np.pi * hz * t), 1.0 / rate_hz)
    assert 1e3 * np.max(speed[len(t) // 6 : -len(t) // 6]) == pytest.approx(peak_mm_s, rel=1e-3)


def test_speed_of_noisy_slow_and_quick_motion() -> None:
    rng = np.random.default_rng(1)
    for hz, amplitude, most in ((0.08, 0.02, 1e-4), (6.0, 0.02, 4e-3)):
        t = np.arange(round(2 * 1000 / hz)) / 1000.0
        true = amplitude * 2 * np.pi * hz * np.sin(2 * np.pi * hz * t)
        speed = derivative(-amplitude * np.cos(2 * np.pi * hz * t) + 4e-6 * rng.standard_normal(len(t)), 1e-3)
        inner = slice(len(t) // 10, -len(t) // 10)
        assert np.sqrt(np.mean((speed - true)[inner] ** 2)) < most


def test_turns_are_the_motions_own_and_no_scraps() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(2004) / 500.0
    position = np.round(-0.01 * np.cos(2 * np.pi * t), 7) + 2e-6 * rng.standard_normal(len(t))
    # Four cycles from a turn to four samples past the last: eight half strokes between turns each 250 samples apart.
    assert np.array(turns_of(position)) == pytest.approx(250 * np.arange(9), abs=12)
    still = turns_of(2e-6 * rng.standard_normal(500))
    assert still == (0, 499)


def test_noise_of_a_smooth_signal() -> None:
    t = np.arange(4000) / 1000.0
    clean = 500.0 * np.sin(2 * np.pi * 2.0 * t)
    assert noise_of(clean) < 0.01
    noisy = clean + 4.0 * np.random.default_rng(3).standard_normal(len(t))
    assert noise_of(noisy) == pytest.approx(4.0, rel=0.05)


def test_lag_is_the_differential_equations() -> None:
    # tau du/dt = v - u with v joined by straight lines, by scipy's solver.
    rng = np.random.default_rng(4)
    values, step, lag = rng.standard_normal(40), 0.002, 0.0035
    time = step * np.arange(40)
    solved = scipy.integrate.solve_ivp(
        lambda t, u: (np.interp(t, time, values) - u) / lag, (0.0, time[-1]), [values[0]], t_eval=time,
        max_step=step / 10, rtol=1e-8, atol=1e-10,
    )  # fmt: skip
    assert lagged(values, step, lag) == pytest.approx(solved.y[0], abs=1e-5)
    assert lagged(values, step, 0.0) is values


# Isotonic regression


def pooled(values: list[float], weights: list[float]) -> list[float]:
    """Pool adjacent violators, by its textbook rule: while two neighbours fall, their weighted mean takes both places."""
    blocks: list[list[float]] = []
    for value, weight in zip(values, weights, strict=True):
        blocks.append([value, weight, 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            (a, wa, na), (b, wb, nb) = blocks[-2:]
            blocks[-2:] = [[(a * wa + b * wb) / (wa + wb), wa + wb, na + nb]]
    return [value for value, _, count in blocks for _ in range(int(count))]


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.floats(-500.0, 3000.0), st.floats(0.1, 30.0)), min_size=1, max_size=20))
def test_isotonic_is_pool_adjacent_violators(pairs: list[tuple[float, float]]) -> None:
    values, weights = (list(part) for part in zip(*pairs, strict=True))
    assert rising(np.array(values), np.array(weights)) == pytest.approx(pooled(values, weights), abs=1e-6)


@pytest.mark.parametrize("firmer", [True, False])
@pytest.mark.parametrize("seed", range(4))
def test_the_monotone_surface_is_the_nearest_one(seed: int, *, firmer: bool) -> None:
    # The same problem as a quadratic program, solved by its dual with scipy's non-negative least squares.
    rng = np.random.default_rng(seed)
    speed, current = np.arange(1, 5), np.arange(4)[:, None]
    table = 100.0 * speed + (1 if firmer else -1) * 80.0 * current + 120.0 * rng.standard_normal((4, 4))
    weight = rng.uniform(0.5, 5.0, table.shape)
    made = monotone(table, weight, firmer=firmer)
    assert (np.diff(made, axis=1) >= 0.0).all()
    assert ((np.diff(made, axis=0) if firmer else -np.diff(made, axis=0)) >= -1e-5).all()

    rows = []
    for i, j in np.ndindex(4, 4):
        for k, m, sign in ((i, j + 1, 1.0), (i + 1, j, 1.0 if firmer else -1.0)):
            if k < 4 and m < 4:
                row = np.zeros((4, 4))
                row[i, j], row[k, m] = -sign, sign
                rows.append(row.ravel())
    # min |sqrt(W) (v - t)| with A v >= 0 is v = t + W^-1 A' l with the l >= 0 of least |W^-1/2 A' l + W^1/2 t| [X: duality].
    scale = np.sqrt(weight.ravel())
    force, _ = scipy.optimize.nnls(np.array(rows).T / scale[:, None], -scale * table.ravel())
    best = table.ravel() + (np.array(rows).T @ force) / scale**2
    assert made == pytest.approx(best.reshape(4, 4), abs=1e-3)


def test_a_monotone_surface_stays_as_it_is() -> None:
    table = np.array([[10.0, 20.0, 30.0], [15.0, 25.0, 40.0]])
    assert monotone(table, np.ones((2, 3)), firmer=True) == pytest.approx(table, abs=1e-9)


# Surface


def test_the_model_is_the_plants_surface() -> None:
    rng = np.random.default_rng(5)
    speed, current = np.array([0.05, 0.1, 0.3, 0.7]), np.array([0.3, 0.8, 1.6])
    force = np.cumsum(rng.uniform(5.0, 300.0, (2, 3, 4)), axis=2)
    none = np.zeros(0, dtype=np.intp)
    model = Model(Axes(speed, current, none, none, none), force)
    v, i = rng.uniform(0.0, 1.2, 200), rng.uniform(0.3, 1.6, 200)
    for way in range(2):
        plant = Surface((0.0, *speed), tuple(current), tuple((0.0, *row) for row in force[way]))
        assert model.at(np.full(200, way), v, i) == pytest.approx(plant.force_at(v, i), rel=1e-9, abs=1e-9)
    # Past the last current it goes on straight, where the plant holds.
    top, below = (model.at(np.array([0]), np.array([0.2]), np.array([c])) for c in (1.6, 0.8))
    assert model.at(np.array([0]), np.array([0.2]), np.array([2.4])) == pytest.approx(2 * top - below)
    assert model.signed(np.array([-0.2]), np.array([1.6])) == pytest.approx(
        -model.at(np.array([1]), np.array([0.2]), np.array([1.6]))
    )


def test_groups_of_speeds_and_currents() -> None:
    speed = np.array([0.05, 0.0505, 0.1, 0.103, 0.2])
    assert groups_of(speed, 1.10, 0.002, 1.35, 0) == pytest.approx([0.05025, 0.1015, 0.2])
    current = np.array([0.3, 0.301, 0.299, 0.5])
    assert groups_of(current, 1.0, 0.015, 0.06, 9) == pytest.approx([0.3, 0.5])
    swept = groups_of(np.linspace(0.3, 1.2, 400), 1.0, 0.015, 0.06, 9)
    assert swept == pytest.approx(0.35 + 0.1 * np.arange(9))


def test_empty_cells_are_filled_by_ratio() -> None:
    force = np.array([[[100.0, 200.0], [150.0, np.nan]], [[110.0, 220.0], [165.0, 330.0]]])
    count = np.isfinite(force).astype(float)
    made = filled(force, count)
    assert made[0, 1, 1] == pytest.approx(150.0 / 100.0 * 200.0)
    assert made[1] == pytest.approx(force[1])
    # A speed that one way lacks altogether: the other way's, by the ratio at the nearest speed.
    force[0, :, 1] = np.nan
    made = filled(force, np.isfinite(force).astype(float))
    assert made[0, :, 1] == pytest.approx([220.0 * 100.0 / 110.0, 330.0 * 150.0 / 165.0])


# Currents and curve


def two_ways(firm: list[float]) -> np.ndarray:
    return np.stack([np.outer(firm, [1.0, 2.0, 3.5]), np.outer(firm, [1.5, 3.0, 5.0])])


@pytest.mark.parametrize(
    ("current", "firm", "least", "passive", "firmer"),
    [
        # Down to the jump, where the passive stage is as firm as the middle.
        ([0.0, 0.1, 0.3, 0.6, 0.9, 1.2], [60.0, 60.5, 20.0, 45.0, 70.0, 95.0], 2, (0, 1), True),
        # The passive stage is firmer than all, and one level was run inside the jump.
        ([0.0, 0.25, 0.3, 0.6, 0.9, 1.2], [120.0, 70.0, 20.0, 45.0, 70.0, 95.0], 2, (0,), True),
        # Fully soft without a current, and a steep jump up.
        ([0.0, 0.2, 0.25, 0.6, 0.9, 1.2], [8.0, 8.2, 40.0, 60.0, 80.0, 100.0], 2, (0, 1), True),
        # No jump at all.
        ([0.0, 0.3, 0.6, 0.9, 1.2], [20.0, 40.0, 60.0, 80.0, 100.0], 0, (0,), True),
        # Firm without a current, softer with it, no jump.
        ([0.0, 0.3, 0.6, 0.9, 1.2], [100.0, 80.0, 60.0, 40.0, 20.0], 0, (0,), False),
        # Softer with current, and soft where it has none.
        ([0.0, 0.3, 0.6, 0.9, 1.2], [10.0, 100.0, 75.0, 50.0, 25.0], 1, (0,), False),
        # Never run without a current.
        ([0.3, 0.6, 0.9, 1.2], [20.0, 45.0, 70.0, 95.0], 0, (), True),
    ],
)  # fmt: skip
def test_the_jump_is_found(
    current: list[float], firm: list[float], least: int, passive: tuple[int, ...], *, firmer: bool
) -> None:
    force = two_ways(firm)
    found = curve.levels_of(np.array(current), force, np.full(force.shape, 0.1), None)
    assert (found.least, found.passive, found.firmer) == (least, passive, firmer)
    assert (found.jump_share != 0.0) == (least > 0)
    told = curve.levels_of(np.array(current), force, np.full(force.shape, 0.1), current[-2])
    assert told.least == len(current) - 2


def test_noise_is_no_jump() -> None:
    rng = np.random.default_rng(6)
    current = np.linspace(0.0, 1.6, 9)
    for _ in range(50):
        force = two_ways(list(np.linspace(20.0, 100.0, 9))) + rng.standard_normal((2, 9, 3))
        assert curve.levels_of(current, force, np.ones(force.shape), None).least == 0


def test_demand_curve_authority_and_match_in_closed_form() -> None:
    # Firmness grows with the square root of current: equal steps of force are currents 0.09 + 1.35 d, squared [X].
    current = np.linspace(0.3, 1.5, 200)
    force = two_ways(list(100.0 * np.sqrt(current)))
    share = curve.share_of(force)
    low, high = math.sqrt(0.3), math.sqrt(1.5)
    assert share == pytest.approx((np.sqrt(current) - low) / (high - low))
    demand = np.array(curve.DEMANDS_PERMILLE) / 1000.0
    assert curve.demand_curve(current, share) == pytest.approx((low + demand * (high - low)) ** 2, abs=1e-4)
    assert curve.authority_of(force) == pytest.approx(math.sqrt(5.0))
    for at in (0.4, 0.9, 1.4):
        passive = two_ways([100.0 * math.sqrt(at)])[:, 0]
        assert curve.match_of(current, force, passive) == pytest.approx(at, abs=1e-4)
        assert curve.match_of(current, force[:, ::-1], passive) == pytest.approx(1.8 - at, abs=1e-4)
    assert curve.match_of(current, force, two_ways([250.0])[:, 0]) is None
    # A valve that gets softer: demand 0 is its highest current.
    assert curve.demand_curve(current, curve.share_of(force[:, ::-1]))[[0, -1]] == pytest.approx([1.5, 0.3])


# Rod, lag, steps, coil


def test_gas_and_friction_of_slow_motion_in_closed_form() -> None:
    # Half sum and half difference of both ways [X]; a valve force in proportion to speed lies on top.
    position = np.tile(np.linspace(-0.02, 0.02, 50), 4)
    speed = np.repeat([0.004, -0.004, 0.009, -0.009], 50)
    force = TRUTH.gas_at(position) + np.sign(speed) * 31.0 + 2500.0 * speed
    made = Slow(position, speed, force, np.full(200, 0.5), np.zeros(200), np.repeat(np.arange(4), 50), 0.009)
    rod = Rod(0.0, 0.0, 0.0, 0.0, 0.0, np.zeros((3, 3)), parted=True)
    for _ in range(4):
        rod = fit_rod(
            made,
            lambda v, _, rod=rod: (2500.0 * 0.05 + 31.0 - rod.friction_n) / 0.05 * v,
            0.0,
            0.05,
            0.0,
            rod,
        )
    assert rod.gas_n == pytest.approx(TRUTH.gas_n, abs=0.1)
    assert rod.rate_n_per_m == pytest.approx(TRUTH.rate_n_per_m, rel=0.003)
    assert rod.friction_n == pytest.approx(31.0, abs=0.2)
    assert rod.turn_m_s < 1e-4


@pytest.mark.parametrize("lag_s", [0.0, 0.001, 0.004])
def test_the_lag_is_the_phase_whatever_the_curve(lag_s: float) -> None:
    truth = Truth(lag_s=lag_s)
    reading = sines(truth, np.random.default_rng(1), NONE, levels=(0.6, 1.2), rate_hz=1000.0)
    motions, _, _ = motions_of(reading)
    found, error, cycles = loops.speed_lag(motions, points_of(motions, 0.0), rod_of(truth))
    assert found == pytest.approx(lag_s, abs=2e-5)
    assert cycles > 20
    assert np.isfinite(error)


def test_points_are_at_the_valves_peak() -> None:
    reading = sines(TRUTH, np.random.default_rng(1), NONE, levels=(0.9,), both_ways=False)
    motions, _, _ = motions_of(reading)
    points = points_of(motions, TRUTH.lag_s)
    assert points.held.all()
    valve = rod_of().valve_n(points)
    wanted = [TRUTH.held_n(w, s, 0.9, -1) for w, s in zip(points.direction, points.speed_m_s, strict=True)]
    assert valve == pytest.approx(np.array(wanted), rel=0.004)
    # Taken at the stroke's own peak, 8 Hz would read low by 1 - 1 / (1 + (w lag)^2), 1.2 % [X].
    plain = points_of(motions, 0.0)
    quick = plain.peak_m_s > 0.45
    low = rod_of().valve_n(plain)[quick] / [
        TRUTH.held_n(w, s, 0.9, -1)
        for w, s in zip(plain.direction[quick], plain.speed_m_s[quick], strict=True)
    ]
    assert 0.985 < np.mean(low) < 0.997


def test_a_pause_and_a_moving_current_hold_nothing_back() -> None:
    t = np.concatenate((np.arange(1000), 3000 + np.arange(1000))) / 500.0
    position = 0.01 * np.sin(2 * np.pi * t)
    made = sines(TRUTH, np.random.default_rng(1), NONE, levels=(0.9,), both_ways=False)
    current = np.where(np.arange(2000) < 1000, 0.9, 0.9 + 0.4 * np.sin(2 * np.pi * 3.0 * t))
    reading = type(made)("x", t, position, 1000.0 * np.gradient(position, t), current)
    motions, _, lost = motions_of(reading)
    assert (len(motions), lost) == (2, 0)
    points = points_of(motions, 0.0)
    assert points.held[points.motion == 0].all()
    assert not points.held[points.motion == 1].any()


@pytest.mark.parametrize("coil_s", [0.0, 0.004])
def test_steps_are_fitted_through_the_coils_own_rise(coil_s: float) -> None:
    reading = steps(TRUTH, np.random.default_rng(2), Noise(force_n=4.0), coil_s=coil_s, rate_hz=2000.0)
    motions, _, _ = motions_of(reading)
    found, unused = response.steps_of(motions, rod_of())
    assert (len(found), unused) == (12, 0)

    def force_of(speed, current):
        way = np.sign(speed)
        return way * TRUTH.valve_n(way, np.abs(speed), current)

    for up in (True, False):
        fit = response.fit_steps([step for step in found if step.up == up], force_of)
        assert fit.delay_s == pytest.approx(TRUTH.delay_s[0 if up else 1], abs=2e-4)
        assert fit.time_s == pytest.approx(TRUTH.time_s[0 if up else 1], rel=0.04)
        assert not fit.coarse
    assert response.fit_steps([], force_of) is None


def test_resistance_in_closed_form() -> None:
    # Duty (V + Vf) - Vf = R i, R = R20 (1 + 0.00393 (T - 20)): IEC 60028 [S].
    reading = sines(TRUTH, np.random.default_rng(3), Noise(volts=0.02), levels=(0.3, 0.9, 1.5), rise_k=30.0)
    motions, _, _ = motions_of(reading)
    found, why = electric.resistance_of(motions, by_coil=False)
    assert why == ""
    assert found.ohm == pytest.approx(TRUTH.ohm, rel=0.002)
    assert found.freewheel_v == pytest.approx(TRUTH.freewheel_v, abs=0.02)
    # One current alone cannot tell resistance and diode apart: 0.7 V is taken, 0.1 V of 13 off at one third duty.
    motions, _, _ = motions_of(sines(TRUTH, np.random.default_rng(3), NONE, levels=(1.2,), both_ways=False))
    alone, _ = electric.resistance_of(motions, by_coil=False)
    assert alone.freewheel_v == electric.FREEWHEEL_V
    assert alone.ohm == pytest.approx(TRUTH.ohm, rel=0.03)


# Pictures


def test_ticks_are_round_and_inside() -> None:
    for low, high in ((0.0, 1.0), (-3480.0, 2260.0), (0.13, 0.134), (-1e-9, 1e-9), (5.0, 5.0)):
        made = figures.ticks(low, high)
        assert 2 <= len(made) <= 9
        if high - low > 1e-6:
            assert low - 1e-9 <= made[0] < made[-1] <= high + 1e-9


def test_a_chart_is_a_picture_with_its_names() -> None:
    x = np.linspace(0.0, 1.0, 50)
    drawn = figures.chart(
        [figures.Line(x, 3.0 * x, "first & last"), figures.Line(x, x, dots=True)],
        "x, s",
        "y, N",
        "two <lines>",
    )
    assert drawn.startswith("<svg ")
    assert "first &amp; last" in drawn
    assert "two &lt;lines&gt;" in drawn
    assert drawn.count("<polyline") == 1


def test_axes_put_each_point_into_its_cell() -> None:
    reading = sines(TRUTH, np.random.default_rng(1), NONE, levels=(0.3, 0.9), both_ways=False)
    motions, _, _ = motions_of(reading)
    points = points_of(motions, 0.0)
    axes = axes_of(points)
    assert axes.current_a == pytest.approx([0.3, 0.9])
    assert np.abs(axes.current_a[axes.current_of] - points.current_a).max() < 1e-6
    assert np.abs(axes.speed_m_s[axes.speed_of] / points.speed_m_s - 1.0).max() < 0.05
    assert set(axes.way_of) == {0, 1}
