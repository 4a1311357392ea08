"""What is measured on a drive: against closed forms, the plant's own rest, and by hand; one process or several.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
import os
from dataclasses import replace

import control
import numpy as np
import pytest

from dashpot.errors import DashpotError, InputError
from dashpot.evaluate import measure as measuring
from dashpot.evaluate.figures import METRICS, ROAD_HZ, Figures, figures_of
from dashpot.evaluate.measure import (
    SETTLE_S,
    Candidate,
    Case,
    Held,
    Workers,
    calibrated,
    measure,
    measure_many,
    passive,
)
from dashpot.evaluate.steady import steady
from dashpot.plant import comfort
from dashpot.plant.car import demo_car
from dashpot.plant.chassis import Inputs, Motion, Plant
from dashpot.plant.quarter import road_intensity
from dashpot.plant.road import isotropic_coherence
from dashpot.plant.scenario import demo_scenario, demo_scenario_path
from dashpot.plant.valve_file import demo_valves
from dashpot.plant.world import World
from dashpot.resources import dbc_dir, demo_dir
from evaluate_kit import linear_valve, quarters_car, straight
from plant_kit import SET_TA

LANE_CHANGE = demo_scenario_path("lane_change")
SHORT = Case(LANE_CHANGE, seed=2, duration_s=5.0)


def test_a_linear_damper_on_white_road_velocity_has_the_closed_forms(tmp_path):
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 600.0, 0.8: 980.0, 1.6: 1800.0})
    road = straight(tmp_path, 32.0)
    seeds = range(1, 9)
    found = measure_many([passive("set TA", 0.8, 0.8)], [Case(road, seed) for seed in seeds])[0]
    intensity = road_intensity(64e-6, 20.0)
    a, b, c, _ = SET_TA.state_space()
    tyre = control.ss(a, b, c[3], 0.0)
    # Closed form over all waves (family: Gobbi and Mastinu 2001 [S]; the domain notes' 360.2 N [X]), which the integral
    # of the tyre's response meets; a road of the standard has only waves of 0.011 to 2.83 cycles/m, so we take its part.
    wide = np.geomspace(1e-3, 1e4, 20_000)
    squared = 2.0 * intensity * np.abs(tyre(2j * np.pi * wide)) ** 2
    assert math.sqrt(np.trapezoid(squared, wide)) == pytest.approx(360.2, abs=0.1)
    assert SET_TA.on_white_velocity(intensity).tyre_n == pytest.approx(360.2, abs=0.05)
    hz = np.linspace(20.0 * 0.011, 20.0 * 2.83, 20_000)
    s = 2j * np.pi * hz
    # The body has no freedom for warp, the diagonal share of an isotropic road with a delay to the rear axle: there the
    # wheels move against a still body. The centre of gravity feels the mean of all wheels [X].
    across, along = isotropic_coherence(hz / 20.0, 1.5), np.cos(2.0 * np.pi * hz / 20.0 * 2.6)
    warp, mean = (1.0 - across) * (1.0 - along) / 4.0, (1.0 + across) * (1.0 + along) / 4.0
    still = 160e3 * (1.0 - 160e3 / (36.0 * s**2 + 980.0 * s + 176e3)) / s
    tyre_n2 = 2.0 * intensity * ((1.0 - warp) * np.abs(tyre(s)) ** 2 + warp * np.abs(still) ** 2)
    accel = 2.0 * intensity * mean * np.abs(s * SET_TA.body_gain(hz) * comfort.wk_gain(hz)) ** 2
    # The body's speed over the road below ROAD_HZ: a Butterworth filter of order two, twice [X].
    smooth = 1.0 / (1.0 + (hz / ROAD_HZ) ** 4)
    speed = 2.0 * intensity * (1.0 - warp) * np.abs(SET_TA.body_gain(hz) - smooth) ** 2
    for name, wanted in (
        ("tyre_variation_percent", 100.0 * math.sqrt(np.trapezoid(tyre_n2, hz)) / (276.0 * 9.80665)),
        ("comfort_m_s2", math.sqrt(np.trapezoid(accel, hz))),
        ("body_speed_mm_s", 1e3 * math.sqrt(np.trapezoid(speed, hz))),
    ):
        power = np.array([getattr(figures, name) for figures in found]) ** 2
        error = power.std(ddof=1) / math.sqrt(len(power))
        # 99.9 % of Student's t with 7 degrees of freedom [S].
        assert abs(power.mean() - wanted**2) < 5.41 * error, name
        assert error < 0.05 * wanted**2
    for figures in found:
        assert figures.tyre_variation_percent == pytest.approx(
            math.sqrt((figures.tyre_variation_front_percent**2 + figures.tyre_variation_rear_percent**2) / 2)
        )


def test_the_steady_state_is_where_the_plant_comes_to_rest():
    car, valves = demo_car(), demo_valves()
    dampers = [valve.damper() for valve in valves]
    plant = Plant(car, dampers)
    for push in (
        (0.0, 0.0, 0.0),
        (0.0, 0.0, 50.0),
        (3.0, 0.0, 20.0),
        (-5.0, 0.0, 40.0),
        (0.0, 6.0, 30.0),
        (-3.0, -4.0, 25.0),
    ):
        inputs = Inputs.of(2, 0.0, *push)
        rest = plant.look(plant.rest(inputs), inputs)
        said = steady(car, dampers, inputs.drive)
        # Gas and the axles' geometry make the plant a little nonlinear: 20 N of 3000, 0.3 mm, a hundredth of a degree [D].
        assert said.tyre_load_n[0] == pytest.approx(rest.tyre_load_n[0], abs=20.0)
        assert said.body[0, 0] == pytest.approx(rest.heave_m[0], abs=3e-4)
        assert said.body[0, 1:] == pytest.approx([rest.roll_rad[0], rest.pitch_rad[0]], abs=2e-4)


def test_held_currents_are_those_of_the_open_loop_bit_for_bit():
    scenario = replace(demo_scenario("brake_rough"), duration_s=4.0)
    world = World(scenario, seed=5, start_a=(0.6, 1.1))
    for periods in (1, 499, 1500):
        world.hold(0.6, 1.1, periods)
    case = Case(demo_scenario_path("brake_rough"), 5, 4.0)
    run = Held(0.6, 1.1).run(measuring._ready(case))
    assert run.motion.rows.dtype == world.motion.dtype
    assert run.motion.rows.tobytes() == world.motion.tobytes()
    said = figures_of(Motion(world.motion, 0.002), world.drive, scenario, SETTLE_S)
    assert said == measure(passive("the same", 0.6, 1.1), case)


def test_equal_forces_at_all_currents_give_equal_figures(tmp_path):
    # c_min = c_max: no current can make a difference [X].
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 980.0, 0.8: 980.0, 1.6: 980.0})
    case = Case(straight(tmp_path, 5.0), 1)
    soft, firm = measure_many([passive("soft", 0.4, 0.4), passive("firm", 1.6, 0.9)], [case])
    assert soft == firm


def known_motion(heights, step_s=0.001):
    """A motion of a standing car from heave, roll and pitch (n, 3), with its static tyre loads."""
    car = demo_car()
    rows = np.zeros((len(heights), 57))
    rows[:, :3] = heights
    rows[:, 7:10] = np.gradient(heights, step_s, axis=0)
    rows[:, 14] = np.gradient(rows[:, 7], step_s)
    rows[:, 29:33] = car.corner_load_n
    return Motion(rows, step_s)


def standing(seconds=20.0):
    """A drive that goes nowhere: no acceleration, level road."""
    scenario = replace(demo_scenario("straight_b"), duration_s=seconds)
    drive = scenario.drive(1)
    still = np.zeros_like(drive.speed_m_s)
    return scenario, replace(
        drive,
        speed_m_s=still,
        accel_long_m_s2=still,
        accel_lat_m_s2=still,
        road_m=np.zeros_like(drive.road_m),
    )


def test_known_motions_have_known_figures():
    scenario, drive = standing()
    car, time_s = drive.car, drive.time_s
    wave = np.sin(2.0 * np.pi * 2.0 * time_s)
    heights = np.outer(wave, (0.004, 0.0, 0.0))
    motion = known_motion(heights)
    motion.rows[:, 29] += 300.0 * wave
    said = figures_of(motion, drive, scenario, 2.0)
    # rms of a sine is its amplitude over sqrt(2); of one wheel's share over four wheels a half of that [X].
    assert said.heave_mm == pytest.approx(4.0 / math.sqrt(2.0), rel=1e-3)
    assert said.body_motion_mm == pytest.approx(said.heave_mm, rel=1e-9)
    assert said.body_speed_mm_s == pytest.approx(4.0 * 4.0 * np.pi / math.sqrt(2.0), rel=1e-3)
    assert said.tyre_variation_percent == pytest.approx(
        100 * 300 / car.corner_load_n[0] / math.sqrt(2) / 2, rel=1e-3
    )
    assert said.tyre_variation_rear_percent == 0.0
    # Wk at 2 Hz: 0.531 of ISO 2631-1 [S].
    assert said.comfort_m_s2 == pytest.approx(0.531 * 0.004 * (4 * np.pi) ** 2 / math.sqrt(2), rel=5e-3)
    assert said.roll_overshoot_percent is None
    assert said.braking_variation_percent is None
    assert said.wet_grip_percent is None
    # A pure roll moves the corners by the half-tracks [X].
    rolled = figures_of(known_motion(np.outer(wave, (0.0, 0.01, 0.0))), drive, scenario, 2.0)
    arms = math.sqrt((car.front.track_m**2 + car.rear.track_m**2) / 8.0)
    assert rolled.body_motion_mm == pytest.approx(10.0 * arms / math.sqrt(2.0), rel=1e-3)
    assert rolled.roll_rate_deg_s == pytest.approx(math.degrees(0.01 * 4 * np.pi) / math.sqrt(2), rel=1e-3)


def test_overshoot_is_over_the_steady_value():
    scenario, drive = standing()
    turn = np.where(drive.time_s > 5.0, 6.0, 0.0)
    drive = replace(drive, accel_lat_m_s2=turn)
    dampers = [valve.damper() for valve in demo_valves()]
    pushes = np.column_stack((np.zeros_like(turn), turn, np.zeros_like(turn)))
    rest = steady(drive.car, dampers, pushes)
    motion = known_motion(1.25 * rest.body)
    motion.rows[:, 29:33] += 1.1 * (rest.tyre_load_n - drive.car.corner_load_n)
    said = figures_of(motion, drive, scenario, 2.0)
    assert said.roll_overshoot_percent == pytest.approx(25.0)
    assert said.pitch_overshoot_percent is None
    # The filter at 5 Hz rings at the step: a Butterworth filter of order two overshoots 4.3 % [S], twice more.
    assert 10.0 < said.transfer_overshoot_percent < 25.0


def test_usable_grip_by_hand():
    scenario, drive = standing()
    drive = replace(drive, accel_long_m_s2=np.full_like(drive.time_s, -9.80665))
    dampers = [valve.damper() for valve in demo_valves()]
    pushes = np.zeros((len(drive.time_s), 3))
    pushes[:, 0] = -9.80665
    motion = known_motion(np.zeros((len(pushes), 3)))
    rest = steady(drive.car, dampers, pushes).tyre_load_n
    # One g of friction 1.25: a wheel may lose a fifth of its load before it gives less [X].
    motion.rows[:, 29:33] = 0.8 * rest
    assert figures_of(motion, drive, scenario, 2.0).braking_grip_percent == pytest.approx(100.0)
    motion.rows[::2, 29:33] = 0.4 * rest[::2]
    assert figures_of(motion, drive, scenario, 2.0).braking_grip_percent == pytest.approx(75.0, abs=0.01)
    wet = replace(drive, friction=np.full_like(drive.time_s, 0.8))
    said = figures_of(motion, wet, scenario, 2.0)
    assert said.wet_grip_percent == pytest.approx(60.0, abs=0.01)
    assert said.wet_variation_percent == pytest.approx(said.tyre_variation_percent, rel=1e-9)


def test_the_firmware_is_measured_and_says_of_itself_that_it_was_whole():
    data = demo_dir() / "data"
    mine = calibrated(
        "mine", data / "vehicle.toml", data / "calibration.toml", dbc=[dbc_dir() / "merlin_t4.dbc"]
    )
    pairs = [mine, passive("held", 0.8, 0.8)]
    case = Case(LANE_CHANGE, 1, 4.5)
    one, other = measure_many(pairs, [case])
    assert one[0].active_percent == 100.0
    assert other[0].active_percent is None
    assert one[0].body_speed_mm_s != other[0].body_speed_mm_s
    assert measure(mine, case) == one[0]


@pytest.fixture(scope="module")
def two():
    with Workers(2) as workers:
        yield workers


def test_two_processes_give_the_figures_of_one(two):
    candidates = [passive("a", 0.4, 0.5), passive("b", 1.2, 0.5)]
    cases = [SHORT, Case(LANE_CHANGE, 3, 4.5)]
    done: list[float] = []
    both = measure_many(candidates, cases, workers=two, progress=done.append)
    again = measure_many(candidates[:1], cases[:1], workers=two)
    assert both == measure_many(candidates, cases)
    assert again[0][0] == both[0][0]
    assert sum(done) == pytest.approx(2 * (5.0 + 4.5))


class Broken:
    cost = 1.0

    def run(self, _ready):
        raise InputError("nothing to see", where="here")


class Gone:
    cost = 1.0

    def run(self, _ready):
        os._exit(3)


def test_an_error_in_a_process_is_told_here(two):
    cases = [SHORT, replace(SHORT, seed=4)]
    with pytest.raises(InputError, match="nothing to see") as told:
        measure_many([Candidate("broken", Broken())], cases, workers=two)
    assert told.value.where == "here"
    with pytest.raises(DashpotError, match="ended from outside"):
        measure_many([Candidate("gone", Gone())], cases, workers=two)


def test_mistakes_are_told():
    with pytest.raises(InputError, match=r"-1 mA; 0 to 5000 mA"):
        passive("mine", -0.001, 0.3)
    with pytest.raises(InputError, match=r"4 s or more are wanted"):
        measure(passive("mine", 0.5, 0.5), Case(LANE_CHANGE, 1, 3.0))
    with pytest.raises(InputError, match="0 processes"):
        measure_many([], [], jobs=0)
    assert set(METRICS) == set(Figures.__dataclass_fields__)
