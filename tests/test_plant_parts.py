"""Damper, coil and car file of the plant: passivity, closed forms, and what a wrong file says.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
import scipy.integrate
import scipy.interpolate
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot.errors import InputError
from dashpot.plant import metrics
from dashpot.plant.car import RatioKey, load_car
from dashpot.plant.chassis import STEP_S, Inputs, Plant
from dashpot.plant.coil import Coil
from dashpot.plant.damper import LINEAR, MONOTONE, Damper, Surface
from plant_kit import adjustable, bumpy, drive, rich_car


@st.composite
def surfaces(draw, shape=None):
    speeds = draw(st.integers(2, 7))
    currents = draw(st.integers(1, 4))
    steps = st.floats(0.01, 0.5)
    speed = np.concatenate(([0.0], np.cumsum([draw(steps) for _ in range(speeds - 1)])))
    current = np.cumsum([draw(st.floats(0.1, 1.0)) for _ in range(currents)])
    rises = st.one_of(st.just(0.0), st.floats(0.1, 900.0))
    force = [
        tuple(np.concatenate(([0.0], np.cumsum([draw(rises) for _ in range(speeds - 1)]))))
        for _ in range(currents)
    ]
    kind = shape or draw(st.sampled_from([MONOTONE, LINEAR]))
    return Surface(tuple(speed), tuple(current), tuple(force), kind)


@settings(max_examples=150, deadline=None)
@given(
    surfaces(),
    surfaces(),
    st.lists(st.floats(-4.0, 4.0), min_size=2, max_size=20),
    st.floats(-1.0, 5.0),
)
def test_the_valve_never_gives_power(compression, rebound, speeds, current):
    damper = Damper(compression, rebound)
    speed = np.array(sorted(speeds))
    force = damper.force_n(speed, current)
    assert (force * speed >= 0.0).all()
    # And it never falls as the speed rises, to rounding.
    assert (np.diff(force) >= -1e-9 * np.abs(force).max()).all()


@settings(max_examples=100, deadline=None)
@given(surfaces(MONOTONE), st.floats(0.0, 1.0))
def test_monotone_is_scipys_pchip(surface, share):
    speed = np.linspace(0.0, surface.speed_m_s[-1], 41)
    for current, forces in zip(surface.current_a, surface.force_n, strict=True):
        curve = scipy.interpolate.PchipInterpolator(surface.speed_m_s, forces)
        if len(forces) > 2:
            assert surface.force_at(speed, current) == pytest.approx(curve(speed), rel=1e-9, abs=1e-7)
    if len(surface.current_a) > 1:
        low, high = surface.current_a[:2]
        between = surface.force_at(speed, low + share * (high - low))
        ends = surface.force_at(speed, low), surface.force_at(speed, high)
        assert between == pytest.approx(ends[0] + share * (ends[1] - ends[0]), rel=1e-9, abs=1e-7)
    # Currents hold at the ends, speeds go on with the last slope.
    assert np.array_equal(surface.force_at(speed, -9.0), surface.force_at(speed, surface.current_a[0]))
    last = surface.speed_m_s[-1]
    beyond = surface.force_at(np.array([last, last + 1.0, last + 2.0]), surface.current_a[0])
    assert np.diff(beyond)[0] == pytest.approx(np.diff(beyond)[1], rel=1e-9, abs=1e-9)


def test_the_compiled_loop_has_the_same_surface():
    # Slow sine strokes without hysteresis trace the surface in the simulation.
    damper = replace(adjustable(), lag_s=0.0)
    motion = drive(rich_car(), [damper] * 2, bumpy(2001, size_m=0.02), 0.6, start_a=0.6)
    assert np.abs(motion.stroke_speed_m_s).max() > 0.6
    assert motion.valve_force_n == pytest.approx(damper.force_n(motion.stroke_speed_m_s, 0.6), abs=1e-8)
    total = (
        motion.valve_force_n + damper.friction_at(motion.stroke_speed_m_s) + damper.gas.at(motion.stroke_m)
    )
    assert motion.damper_force_n == pytest.approx(total, abs=1e-8)


@pytest.mark.parametrize("progressive", [False, True])
def test_passivity_with_hysteresis(progressive):
    # Energy into the damper = what its spring stores more + heat, and the heat is never negative [X]; the stored
    # energy's own integral comes from Gauss points, the power's from the run.
    damper = adjustable()
    if progressive:
        speed = (0.0, 0.2, 0.5, 1.0)
        part = Surface(speed, (0.0, 1.6), ((0.0, 80.0, 500.0, 2000.0), (0.0, 160.0, 1000.0, 4000.0)))
        damper = replace(damper, compression=part, rebound=part, lag_s=0.004)
    motion = drive(rich_car(), [damper] * 2, bumpy(8001, seed=4), 0.9, start_a=0.9)
    heat = metrics.dissipated_w(motion)
    assert (heat >= 0.0).all()
    # Power does come back for moments: that is the hysteresis.
    power = metrics.valve_power_w(motion)
    assert (power < 0.0).any()
    stored = metrics.stored_j(motion, (damper,) * 4)
    assert (stored >= 0.0).all()
    taken = scipy.integrate.cumulative_simpson(power, dx=STEP_S, axis=0, initial=0.0)
    lost = scipy.integrate.cumulative_simpson(heat, dx=STEP_S, axis=0, initial=0.0)
    balance = taken - lost - (stored - stored[0])
    assert np.abs(balance).max() < 2e-3 * taken[-1].min()
    # At no time has more come back than was stored at the start.
    assert (taken + stored[0] > -1e-3).all()


def test_passivity_while_the_current_jumps():
    commands = np.repeat(np.random.default_rng(8).uniform(0.0, 1.6, (100, 4)), 10, axis=0)
    motion = drive(rich_car(), [adjustable()] * 2, bumpy(4001), commands)
    assert (metrics.dissipated_w(motion) >= 0.0).all()
    without = drive(rich_car(), [replace(adjustable(), lag_s=0.0)] * 2, bumpy(4001), commands)
    assert (metrics.valve_power_w(without) >= 0.0).all()


def test_hysteresis_is_a_loop_of_the_lags_width():
    # On a sine of stroke speed the valve sees amplitude / sqrt(1 + (w tau)^2), late by atan(w tau) [X].
    lag, hz, c = 0.004, 8.0, 2000.0
    damper = Damper.linear(c, lag_s=lag)
    motion = drive(rich_car(), [damper] * 2, bumpy(8001, size_m=0.004))
    v, f = motion.stroke_speed_m_s[:, 0], motion.valve_force_n[:, 0]
    spectrum = np.fft.rfft(np.stack((v, f)) * np.hanning(len(v)), axis=1)
    at = np.argmin(np.abs(np.fft.rfftfreq(len(v), STEP_S) - hz))
    ratio = spectrum[1, at - 4 : at + 5].sum() / spectrum[0, at - 4 : at + 5].sum()
    assert ratio == pytest.approx(c / (1 + 2j * math.pi * hz * lag), rel=0.1)


def test_damping_coefficient_and_passive_twin():
    damper = adjustable()
    assert damper.damping_n_s_per_m(0.05, 1.6) == pytest.approx((300.0 + 420.0) / 0.1)
    speed = np.array([-1.5, -0.15, 0.05, 0.5, 1.5])
    assert damper.at_current(0.8).force_n(speed, 0.0) == pytest.approx(damper.force_n(speed, 0.8))
    assert damper.unpowered_n(0.5) == pytest.approx(480.0)
    assert damper.response_s() == pytest.approx(0.012)
    soft_to_firm = Damper.between((1000.0, 1500.0), (3000.0, 5000.0))
    assert soft_to_firm.force_n(np.array([0.1, -0.1]), 0.8) == pytest.approx([200.0, -325.0])


@pytest.mark.parametrize(
    ("said", "arguments"),
    [
        ("never fall", ((0.0, 0.1, 0.2), (0.0,), ((0.0, 200.0, 150.0),))),
        ("0 at speed 0", ((0.0, 0.1), (0.0,), ((5.0, 200.0),))),
        ("rise from 0", ((0.1, 0.2), (0.0,), ((0.0, 1.0),))),
        ("currents must rise", ((0.0, 0.2), (1.0, 1.0), ((0.0, 1.0), (0.0, 1.0)))),
        ("for each of 2 currents and 2 speeds", ((0.0, 0.2), (0.0, 1.0), ((0.0, 1.0),))),
        ("finite", ((0.0, 0.2), (0.0,), ((0.0, math.inf),))),
        ("'spline'", ((0.0, 0.2), (0.0,), ((0.0, 1.0),), "spline")),
    ],
)
def test_a_surface_that_is_none_is_refused(said, arguments):
    with pytest.raises(InputError, match=said):
        Surface(*arguments)


def test_both_directions_share_their_currents():
    one = Surface((0.0, 1.0), (0.0, 1.0), ((0.0, 1.0), (0.0, 2.0)))
    two = Surface((0.0, 1.0), (0.0, 1.6), ((0.0, 1.0), (0.0, 2.0)))
    with pytest.raises(InputError, match="the same currents"):
        Plant(rich_car(), [Damper(one, two)] * 2)


COIL = Coil(2.2, 12e-3, 13.5, 0.7)


def test_coil_in_closed_form():
    # Domain notes [X]: 3.32 ohm at 150 C, tau 5.45 ms, rise to 1.0 A 0.97 ms, diode freewheel from 1.6 A 9.8 ms.
    assert replace(COIL, temperature_c=150.0).warm_ohm == pytest.approx(3.32, abs=0.005)
    assert replace(COIL, temperature_c=-40.0).warm_ohm / 2.2 == pytest.approx(0.764, abs=5e-4)
    assert replace(COIL, temperature_c=180.0).warm_ohm / 2.2 == pytest.approx(1.629, abs=5e-4)
    assert COIL.time_constant_s == pytest.approx(5.45e-3, abs=5e-6)
    assert COIL.rise_s(0.0, 1.0) == pytest.approx(0.97e-3, abs=5e-6)
    assert COIL.fall_s(1.6, 0.0) == pytest.approx(9.8e-3, abs=5e-5)
    # Ripple in mA at duty 0.5.
    ripple = [1e3 * COIL.ripple_a(0.5, hz) for hz in (1e3, 2e3, 5e3, 20e3)]
    assert ripple == pytest.approx([281.0, 141.0, 56.0, 14.0], abs=0.5)
    assert COIL.regulator(1e-3) == pytest.approx((12.0, 2200.0))


@pytest.mark.parametrize(
    ("start", "wanted", "drive_v"), [(0.0, 1.0, 13.5), (0.4, 1.5, 13.5), (1.6, 0.0, -0.7), (1.2, 0.5, -0.7)]
)
def test_coil_against_scipys_solver(start, wanted, drive_v):
    # L di/dt = V - R i on the way up, -Vd - R i on the way down, until the wanted current is there [S: any textbook].
    time = np.linspace(0.0, 0.012, 25)
    solved = scipy.integrate.solve_ivp(
        lambda _, i: (drive_v - 2.2 * i) / 12e-3, (0.0, 0.012), [start], t_eval=time, rtol=1e-10, atol=1e-12
    ).y[0]
    solved = np.minimum(solved, wanted) if wanted > start else np.maximum(solved, wanted)
    assert [COIL.after(start, wanted, t) for t in time] == pytest.approx(solved, abs=1e-8)
    way = COIL.rise_s(start, wanted) if wanted > start else COIL.fall_s(start, wanted)
    assert COIL.after(start, wanted, 0.999 * way) != wanted
    assert COIL.after(start, wanted, 1.001 * way) == wanted
    halfway = COIL.after(start, wanted, way / 3)
    assert COIL.after(halfway, wanted, way / 3) == pytest.approx(COIL.after(start, wanted, 2 * way / 3))


def test_coil_at_its_limits():
    assert COIL.rise_s(0.0, 7.0) == math.inf
    assert COIL.rise_s(1.0, 0.5) == COIL.fall_s(0.5, 1.0) == 0.0
    assert COIL.after(0.0, 7.0, 1.0) == pytest.approx(13.5 / 2.2)
    # The driver cannot pull below nothing.
    assert COIL.after(0.3, -1.0, 1.0) == 0.0
    assert COIL.fall_s(1.6, 0.0) > 5 * COIL.rise_s(0.0, 1.6)


CAR = """
name = "some car"
mass = "1250 kg"
front_share = "52 percent"
wheelbase = "2600 mm"
height = "0.48 m"
roll_inertia = "500 kg m2"
pitch_inertia = "1700 kg*m^2"
[front]
track = "1.5 m"
wheel_mass = "36 kg"
wheel_height = "300 mm"
roll_centre = "50 mm"
spring = "60 N/mm"
motion_ratio = 0.8
tyre = "220 kN/m"
[rear]
track = "1.5 m"
wheel_mass = "80 lb"
wheel_height = "300 mm"
roll_centre = "-20 mm"
spring = "400 lbf/in"
bar = "300 N m/deg"
motion_ratio = { unit = "mm", wheel = [-60, 0, 60], ratio = [0.74, 0.78, 0.83] }
tyre = "220 N/mm"
bump_stop = { gap = "40 mm", stiffness = "50 N/mm", progression = "10 mm" }
"""


def written(tmp_path, text=CAR):
    path = tmp_path / "car.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_car_file_with_all_sorts_of_units(tmp_path):
    car = load_car(written(tmp_path))
    assert (car.mass_kg, car.front_share, car.wheelbase_m) == (1250.0, 0.52, 2.6)
    assert car.rear.wheel_mass_kg == pytest.approx(36.287, abs=1e-3)
    # 400 lbf/in is 70.05 N/mm: NIST SP 811 [S].
    assert car.rear.spring_n_per_m == pytest.approx(70_051.0, abs=1.0)
    assert car.front.tyre_n_per_m == car.rear.tyre_n_per_m == 220_000.0
    # 300 N m/deg is 17 189 N m/rad, over the track squared [X].
    assert car.rear.bar_n_per_m == pytest.approx(300 * 180 / math.pi / 1.5**2)
    assert float(car.rear.motion_ratio.at(0.03)) == pytest.approx(0.805)
    assert car.rear.bump_stop is not None
    assert (car.rear.bump_stop.gap_m, car.rear.bump_stop.progression_m) == (0.04, 0.01)
    assert sum(car.axle_sprung_kg) == pytest.approx(car.sprung_mass_kg)
    other = load_car(
        written(tmp_path, CAR.replace('front_share = "52 percent"', 'to_front_axle = "1248 mm"'))
    )
    assert other.front_share == pytest.approx(0.52)
    assert car.corner_load_n.sum() == pytest.approx(1250 * 9.80665)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('mass = "1250 kg"', "mass = 1250", r'car.toml:3: mass: .*without a unit.*"1252 kg"'),
        ('mass = "1250 kg"', 'mass = "1250 N"', "car.toml:3: mass: 'N' is not a unit of mass; right are kg"),
        ('mass = "1250 kg"', 'mass = "10 kg"', "mass: 10 kg is below the least, 100 kg"),
        ('tyre = "220 kN/m"', 'tire = "220 kN/m"', r"front.tire: unknown key; did you mean tyre"),
        ('roll_centre = "50 mm"\n', "", "front.roll_centre: is missing"),
        ('roll_centre = "50 mm"', 'roll_centre = "50 cm"', "front.roll_centre: is above the centre of gravity"),
        ('wheel_mass = "36 kg"', 'wheel_mass = "240 kg"', "front.wheel_mass: two wheels of 240 kg"),
        ('front_share = "52 percent"\n', "", "front_share: is missing; write one of"),
        ('height = "0.48 m"', 'height = "0.48 m"\nto_front_axle = "1.2 m"', "given beside to_front_axle"),
        ('front_share = "52 percent"', 'to_front_axle = "2700 mm"', "not less than the wheelbase"),
        ("motion_ratio = 0.8", 'motion_ratio = "0.8"', "front.motion_ratio: '0.8' is not a number"),
        ("motion_ratio = 0.8", "motion_ratio = 8", "front.motion_ratio: 8 is outside 0.2 to 3"),
        ("wheel = [-60, 0, 60]", "wheel = [-60, 0, 0]", "rear.motion_ratio: is not rising: point 3"),
        ("wheel = [-60, 0, 60]", "wheel = [-60, 60]", "rear.motion_ratio: wheel and ratio must be lists"),
        ("wheel = [-60, 0, 60]", "travel = [-60, 60]", "rear.motion_ratio: unknown key 'travel'"),
        ('bar = "300 N m/deg"', 'bar = "300"', "rear.bar: a number without a unit of stiffness.*or a roll stiffness"),
        ('bar = "300 N m/deg"', 'bar = "-1 N/mm"', "rear.bar: -1 N/mm is below the least, 0"),
        ("[front]", "[fornt]", r"fornt: unknown key; did you mean front"),
        ("gap =", "gpa =", r"rear.bump_stop.gpa: unknown key; did you mean gap\?"),
    ],
)  # fmt: skip
def test_a_wrong_car_file_says_where_and_what_would_be_right(tmp_path, old, new, said):
    assert old in CAR
    with pytest.raises(InputError) as caught:
        load_car(written(tmp_path, CAR.replace(old, new, 1)))
    # A misspelt key is also a missing one: then the lines of both are in the detail.
    assert re.search(said, f"{caught.value}\n{caught.value.detail or ''}")
    assert caught.value.exit_code == 2


def test_all_mistakes_at_once(tmp_path):
    text = CAR.replace("36 kg", "36 N").replace("2600 mm", "2600 mn").replace("[-60, 0, 60]", "[-60]")
    with pytest.raises(InputError) as caught:
        load_car(written(tmp_path, text))
    detail = caught.value.detail or ""
    assert all(key in detail for key in ("wheelbase", "front.wheel_mass", "rear.motion_ratio"))


def test_no_car_file(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        load_car(tmp_path / "none.toml")


def test_a_ratio_curve_has_at_least_two_points():
    with pytest.raises(ValueError, match="has 1 points"):
        RatioKey().parse({"unit": "mm", "wheel": [0], "ratio": [1]})
    with pytest.raises(ValueError, match="unit is missing"):
        RatioKey().parse({"wheel": [0, 1], "ratio": [1, 1]})


def test_inputs_spread_one_track_over_the_wheels():
    inputs = Inputs.of(3, np.array([0.0, 0.1, 0.2]), speed_m_s=10.0)
    assert inputs.road_m.tolist() == [[0.0] * 4, [0.1] * 4, [0.2] * 4]
    assert inputs.drive[:, 2].tolist() == [10.0] * 3
