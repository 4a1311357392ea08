"""The driver and the drive: speeds by the friction limit, pedals, steering, laps.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import scipy.signal

from dashpot.errors import InputError
from dashpot.plant.car import Aero, demo_car
from dashpot.plant.circuit import Segment, lay
from dashpot.plant.drive import STEP_S, circuit_speeds
from dashpot.plant.driver import (
    Driver,
    Performance,
    corrections_rad,
    drag_per_m,
    speed_profile,
    top_speed_m_s,
)
from dashpot.plant.ground import Damp, Ground, Weather
from dashpot.plant.manoeuvre import Brake, LaneChange, Manoeuvre, Sine, StepSteer
from dashpot.plant.scenario import Scenario, demo_scenario

G = 9.80665
STEADY = Driver(skill=1.0, skill_spread=0.0, correction_rad=0.0)
# No air, no rolling: what is left is friction alone.
BARE = replace(demo_car(), aero=Aero())
FREE = Performance(grip=1.1, traction=1.0, braking=1.0, rolling_m_s2=0.0, power_w=1e6)


def scenario(course, duration_s=10.0, **more) -> Scenario:
    data = {"car": demo_car(), "ground": Ground(roughness_m3=0.0), "driver": STEADY}
    return Scenario("test", 1, duration_s, course=course, **(data | more))


@cache
def lap():
    """Two laps and more of Hollow Fen."""
    return replace(demo_scenario(), duration_s=220.0).drive()


def lag_between(early, late, most_s=0.3):
    """Delay of one signal behind another by the peak of their cross-correlation, in seconds, between the samples."""
    early, late = early - early.mean(), late - late.mean()
    full = scipy.signal.correlate(late, early)
    lags = scipy.signal.correlation_lags(len(late), len(early))
    near = np.abs(lags) <= most_s / STEP_S
    full, lags = full[near], lags[near]
    top = int(np.argmax(full))
    before, peak, after = full[top - 1 : top + 2]
    return (lags[top] + 0.5 * (before - after) / (before - 2.0 * peak + after)) * STEP_S


def test_cornering_speed_without_downforce():
    # v = sqrt(mu g R) [X]: along a bend with a long straight before it.
    bend = np.concatenate((np.zeros(800), np.full(200, 1.0 / 60.0)))
    profile = speed_profile(BARE, FREE, bend, np.full(1000, FREE.grip), 0.5)
    assert profile.speed_m_s[820:] == pytest.approx(math.sqrt(1.1 * G * 60.0), rel=1e-9)
    # A quarter of the friction gives half the speed.
    slow = speed_profile(BARE, FREE, bend, np.full(1000, FREE.grip / 4.0), 0.5)
    assert slow.speed_m_s[820:] == pytest.approx(profile.speed_m_s[820:] / 2.0, rel=1e-9)


def test_cornering_speed_with_downforce():
    # m v^2 / R = mu (m g + rho A v^2 / 2) [X].
    car = replace(demo_car(), aero=Aero(0.8, 1.2, 0.0))
    bend = np.full(4000, 1.0 / 80.0)
    profile = speed_profile(car, FREE, bend, np.full(4000, 1.1), 0.5)
    lift = 0.5 * 1.2 * 2.0 / car.mass_kg
    assert profile.speed_m_s[-1] == pytest.approx(math.sqrt(1.1 * G / (1.0 / 80.0 - 1.1 * lift)), rel=1e-3)
    # Enough of it, and no bend is too tight for any speed: only the engine is the limit.
    winged = replace(demo_car(), aero=Aero(20.0, 20.0, 0.7))
    fast = speed_profile(winged, FREE, bend, np.full(4000, 1.1), 0.5)
    assert np.all(np.isfinite(fast.speed_m_s))
    assert fast.speed_m_s[-1] > 2.0 * profile.speed_m_s[-1]


def test_stopping_distance():
    # v^2 / (2 mu g) [X]: backwards from the end of an open road.
    profile = speed_profile(BARE, FREE, np.zeros(2001), np.full(2001, 0.9), 0.5, end_m_s=0.0)
    to_go = profile.distance_m[-1] - profile.distance_m
    braking = np.argmax(profile.speed_m_s) < np.arange(2001)
    assert braking.sum() > 500
    assert to_go[braking] == pytest.approx(profile.speed_m_s[braking] ** 2 / (2.0 * 0.9 * G), rel=1e-6)


def test_the_engine_is_never_asked_for_more_than_it_has():
    car, performance = demo_car(), Performance()
    profile = speed_profile(car, performance, np.zeros(4000), np.full(4000, 1.25), 0.5)
    accel = np.diff(profile.speed_m_s**2) / (2.0 * 0.5)
    speed = (profile.speed_m_s[1:] + profile.speed_m_s[:-1]) / 2.0
    against = performance.rolling_m_s2 + drag_per_m(car) * speed**2
    power = car.mass_kg * speed * (accel + against)
    assert power.max() <= performance.power_w * 1.0001
    # And it is used: from where the tyres no longer are the limit.
    assert power[profile.speed_m_s[1:] > 35.0].min() > 0.99 * performance.power_w
    # P = F v at the top speed [X].
    top = top_speed_m_s(car, performance)
    assert car.mass_kg * top * (performance.rolling_m_s2 + drag_per_m(car) * top**2) == pytest.approx(
        215_000.0
    )
    assert 0.9 * top < profile.speed_m_s[-1] < top


def test_the_profile_stays_inside_the_friction_ellipse():
    bend = demo_scenario().course.bend_at(np.arange(9600) * 0.5)
    performance = Performance(traction=1.0, braking=1.0, power_w=2e6)
    profile = speed_profile(BARE, performance, bend, np.full(9600, 1.2), 0.5)
    middle = (profile.speed_m_s[1:] ** 2 + profile.speed_m_s[:-1] ** 2) / 2.0
    # What the tyres give: rolling resistance slows by itself.
    along = np.diff(profile.speed_m_s**2) / (2.0 * 0.5) + performance.rolling_m_s2
    across = middle * (bend[1:] + bend[:-1]) / 2.0
    used = np.hypot(along, across) / (1.2 * G)
    assert used.max() < 1.03
    assert np.mean(used > 0.97) > 0.5


@pytest.mark.parametrize("seed", range(4))
def test_any_road_can_be_driven(seed):
    # Random open roads with hairpins, in any weather: what holds on each of them.
    rng = np.random.default_rng(seed)
    pieces = []
    for k in range(12):
        pieces.append(Segment(f"S{k}", float(rng.uniform(20.0, 200.0))))
        pieces.append(
            Segment.corner(f"C{k}", float(rng.uniform(6.0, 120.0)), float(rng.uniform(-180.0, 180.0)))
        )
    road = lay(tuple(pieces), closed=False)
    weather = Weather(float(rng.uniform(0.3, 1.0)))
    made = scenario(road, 60.0, weather=weather, driver=replace(STEADY, skill=0.9, skill_spread=0.03))
    aim = circuit_speeds(made, 1)
    assert np.all(aim.speed_m_s[1:-1] > 0.0)
    assert np.all(np.diff(aim.time_s) > 0.0)
    drive = made.drive()
    assert np.isfinite(drive.steer_deg).all()
    # Nowhere is more used than the tyres have, but for what a step of 0.5 m and the pedals smear.
    used = np.hypot(drive.accel_long_m_s2, drive.accel_lat_m_s2)
    assert used.max() < 1.25 * weather.grip * G * 1.15


def test_a_car_that_cannot_start_says_so():
    made = replace(demo_scenario(), weather=Weather(0.05), driver=Driver(skill=0.1, skill_spread=0.0))
    with pytest.raises(InputError, match="0 m after the start the car does not get on"):
        made.drive()


def test_accelerations_are_those_of_speed_and_yaw_exactly():
    drive = lap()
    assert np.array_equal(drive.accel_lat_m_s2, drive.speed_m_s * drive.yaw_rate_rad_s)
    mean = (drive.accel_long_m_s2[1:] + drive.accel_long_m_s2[:-1]) / 2.0
    assert np.abs(np.diff(drive.speed_m_s) / STEP_S - mean).max() < 1e-9
    mean = (drive.speed_m_s[1:] + drive.speed_m_s[:-1]) / 2.0
    assert np.abs(np.diff(drive.distance_m) - mean * STEP_S).max() < 1e-9
    assert drive.speed_m_s.min() >= 0.0
    standing = drive.time_s < 1.2
    assert np.all(drive.speed_m_s[standing] == 0.0)
    assert drive.brake_bar[0] == pytest.approx([14.0, 14.0 * 3.9 / 6.4])


def test_steady_circle():
    # ay = v^2 / R, yaw = v / R; steering wheel = ratio (L / R + K ay) [X].
    circle = lay((Segment.corner("Ring", 60.0, 360.0),), closed=True)
    made = scenario(circle, 40.0, car=BARE, driver=replace(STEADY, skill=0.8))
    drive = made.drive()
    steady = slice(30_000, None)
    speed = drive.speed_m_s[steady]
    assert speed == pytest.approx(math.sqrt(0.8 * 1.25 * G * 60.0), rel=0.01)
    assert drive.accel_lat_m_s2[steady] == pytest.approx(speed**2 / 60.0, rel=1e-6)
    wheel = 13.5 * np.degrees(BARE.wheelbase_m / 60.0 + 0.0026 * speed**2 / 60.0)
    assert drive.steer_deg[steady] == pytest.approx(wheel, rel=1e-6)
    right = scenario(lay((Segment.corner("Ring", 60.0, -360.0),), closed=True), 40.0, car=BARE).drive()
    assert right.accel_lat_m_s2[-1] < -5.0
    assert right.steer_deg[-1] < 0.0


@pytest.mark.parametrize("lag_s", [0.02, 0.036, 0.09])
def test_the_deceleration_follows_the_pressure_by_the_declared_lag(lag_s):
    base = demo_scenario()
    made = replace(base, duration_s=90.0, brakes=replace(base.brakes, lag_s=lag_s))
    drive = made.drive()
    # What the pressure does and what the car does beyond coasting.
    coast = 0.7 + drag_per_m(drive.car) * drive.speed_m_s**2
    asked = drive.brake_bar[:, 0] / 6.4
    done = np.maximum(-drive.accel_long_m_s2 - coast, 0.0)
    moving = slice(3000, None)
    assert lag_between(asked[moving], done[moving]) == pytest.approx(lag_s, abs=0.002)
    assert drive.brake_bar[:, 1] == pytest.approx(drive.brake_bar[:, 0] * 3.9 / 6.4)


@pytest.mark.parametrize("lag_s", [0.05, 0.099])
def test_the_path_follows_the_steering_by_the_declared_lag_and_the_car_the_line(lag_s):
    base = demo_scenario()
    made = replace(base, duration_s=90.0, steering=replace(base.steering, lag_s=lag_s))
    drive = made.drive()
    moving = drive.speed_m_s > 8.0
    answer = drive.car.wheelbase_m + 0.0026 * drive.speed_m_s**2
    bend = np.radians(drive.steer_deg) / 13.5 / answer
    driven = drive.yaw_rate_rad_s / np.maximum(drive.speed_m_s, 1.0)
    assert lag_between(bend[moving], driven[moving]) == pytest.approx(lag_s, abs=0.006)
    line = made.course.bend_at(drive.distance_m)
    assert np.abs(driven - line)[moving].std() < 0.04 * line[moving].std()


def test_pedals_take_their_time():
    slow, quick = (
        scenario(Brake(30.0, 6.0, 2.0), car=BARE, driver=replace(STEADY, pedal_s=s)).drive()
        for s in (0.8, 0.2)
    )
    for drive, pedal_s in ((slow, 0.8), (quick, 0.2)):
        rising = (drive.brake_bar[:, 0] > 0.0) & (drive.brake_bar[:, 0] < 0.999 * drive.brake_bar[:, 0].max())
        begin = int(np.argmax(rising))
        build_s = float(np.argmax(~rising[begin:])) * STEP_S
        assert 0.6 * pedal_s < build_s < 1.05 * pedal_s


@pytest.mark.parametrize("decel", [3.0, 9.0])
def test_braking_to_a_standstill(decel):
    # v t + v lag + v^2 / 2 a [X]: a symmetric pedal change moves nothing in the mean.
    drive = scenario(Brake(30.0, decel, 2.0), 16.0, car=BARE).drive()
    assert drive.accel_long_m_s2.min() == pytest.approx(-decel, rel=1e-6)
    assert drive.distance_m[-1] == pytest.approx(30.0 * (2.0 + 0.036) + 30.0**2 / (2.0 * decel), abs=1e-3)
    assert drive.speed_m_s[-1] == pytest.approx(0.0, abs=1e-9)
    assert drive.brake_bar[:, 0].max() == pytest.approx(6.4 * (decel - 0.7), rel=1e-6)


def test_step_steer_settles_where_it_was_told():
    drive = scenario(StepSteer(25.0, 7.0, 1.0, 0.15), 6.0).drive()
    assert drive.accel_lat_m_s2[-1] == pytest.approx(7.0, rel=1e-4)
    assert np.all(drive.accel_lat_m_s2[:1000] == 0.0)
    # Half of it is there half the ramp and about the lag later.
    half_s = float(np.argmax(drive.accel_lat_m_s2 > 3.5)) * STEP_S
    assert half_s == pytest.approx(1.0 + 0.075 + 0.099, abs=0.02)
    assert np.all(drive.speed_m_s == 25.0)


def test_sines_come_back_to_the_straight():
    drive = scenario(Sine(20.0, 5.0, 0.25, 1.0, 2), 12.0).drive()
    crossings = np.flatnonzero(np.diff(np.sign(drive.steer_deg)) != 0)
    inside = crossings[(crossings > 1200) & (crossings < 8800)]
    assert np.diff(inside) * STEP_S == pytest.approx(2.0, abs=0.01)
    # A slow sine passes the steering's lag nearly whole.
    gain = abs(
        1.0 / complex(1.0 - (0.25 * math.tau / drive_omega()) ** 2, 2 * 0.9 * 0.25 * math.tau / drive_omega())
    )
    assert drive.accel_lat_m_s2.max() == pytest.approx(5.0 * gain, rel=0.01)
    assert abs(drive.accel_lat_m_s2[-1]) < 1e-3


def drive_omega():
    """Natural frequency of the steering's lag: 2 damping / omega is its delay [X]."""
    return 2.0 * 0.9 / 0.099


def test_a_lane_change_ends_on_the_other_lane():
    # Integrating yaw gives the offset, and a heading of 0 after it [X].
    there = LaneChange(22.0, 30.0, 3.5, 40.0, 15.0, 0.0)
    drive = scenario(there, 8.0).drive()
    heading = np.cumsum(drive.yaw_rate_rad_s) * STEP_S
    aside = np.cumsum(np.sin(heading) * drive.speed_m_s) * STEP_S
    assert aside[-1] == pytest.approx(3.5, abs=0.1)
    assert abs(heading[-1]) < 0.002
    back = scenario(replace(there, back_m=40.0), 8.0).drive()
    heading = np.cumsum(back.yaw_rate_rad_s) * STEP_S
    assert (np.cumsum(np.sin(heading) * back.speed_m_s) * STEP_S)[-1] == pytest.approx(0.0, abs=0.1)


def test_an_open_circuit_ends_in_a_standstill_at_its_end():
    road = lay(
        (Segment("Up", 200.0), Segment.corner("Bend", 40.0, 90.0), Segment("Top", 150.0)), closed=False
    )
    drive = scenario(road, 60.0).drive()
    assert road.length_m - 1.0 < drive.distance_m[-1] <= road.length_m + 0.01
    assert drive.speed_m_s[-1] == 0.0
    assert np.all(drive.lap_number == 1.0)
    assert math.degrees(np.sum(drive.yaw_rate_rad_s) * STEP_S) == pytest.approx(90.0, abs=0.5)


def test_laps_vary_a_little_and_seeds_do_more():
    drive = lap()
    starts = [int(np.argmax(drive.lap_number == number)) for number in (2.0, 3.0)]
    second = slice(*starts)
    lap_s = (starts[1] - starts[0]) * STEP_S
    # The demo's lap is 2405 m at some 29 m/s [D].
    assert 75.0 < lap_s < 90.0
    # From the damp sector's end on the first lap's standing start is forgotten.
    at = np.arange(1000.0, 2300.0, 5.0)
    one = np.interp(at, drive.distance_m, drive.speed_m_s)
    two = np.interp(at, drive.lap_distance_m[second], drive.speed_m_s[second])
    assert 0.05 < (one - two).std() < 1.0
    other = demo_scenario().drive(seed=2)
    mine = demo_scenario().drive()
    assert 0.05 < (np.interp(at, other.distance_m, other.speed_m_s) - one).std() < 1.0
    assert not np.array_equal(other.road_m, mine.road_m)


def test_the_same_seed_gives_the_same_drive_and_a_longer_one_begins_alike():
    short, again = (replace(demo_scenario(), duration_s=40.0).drive() for _ in range(2))
    long = lap()
    for name in ("speed_m_s", "yaw_rate_rad_s", "steer_deg", "brake_bar", "road_m", "friction", "supply_v"):
        first = getattr(short, name)
        assert first.tobytes() == getattr(again, name).tobytes()
        assert first.tobytes() == getattr(long, name)[: len(first)].tobytes()


def test_a_longer_manoeuvre_begins_alike():
    short, long = (replace(demo_scenario("brake_rough"), duration_s=s).drive() for s in (6.0, 8.0))
    for name in ("speed_m_s", "yaw_rate_rad_s", "brake_bar", "road_m"):
        first = getattr(short, name)
        assert first.tobytes() == getattr(long, name)[: len(first)].tobytes()


def test_the_road_is_the_same_each_lap():
    drive = lap()
    second = drive.lap_number == 2.0
    for wheel in range(4):
        first = np.interp(np.arange(100.0, 2300.0), drive.distance_m, drive.road_m[:, wheel])
        again = np.interp(np.arange(100.0, 2300.0), drive.lap_distance_m[second], drive.road_m[second, wheel])
        assert np.abs(first - again).max() < 2e-3
        assert np.corrcoef(first, again)[0, 1] > 0.999


def test_damp_and_wet_lower_the_limit():
    made = demo_scenario()
    dry = replace(made, weather=Weather()).drive()
    damp = made.drive()
    inside = (damp.lap_distance_m > 1420.0) & (damp.lap_distance_m < 1950.0)
    assert damp.friction[inside] == pytest.approx(0.6)
    combined = [np.hypot(d.accel_lat_m_s2, d.accel_long_m_s2) for d in (dry, damp)]
    there = (dry.lap_distance_m > 1420.0) & (dry.lap_distance_m < 1950.0)
    assert combined[1][inside].max() == pytest.approx(0.6 * combined[0][there].max(), rel=0.15)
    # Without downforce cornering speed goes by the root of the friction [X].
    slowest = [d.speed_m_s[r].min() for d, r in ((dry, there), (damp, inside))]
    assert slowest[1] / slowest[0] == pytest.approx(math.sqrt(0.6), rel=0.06)
    wet = demo_scenario("hollow_fen_wet").drive()
    assert np.hypot(wet.accel_lat_m_s2, wet.accel_long_m_s2).max() < 0.7 * combined[0].max()


def test_zones_of_friction_blend_over_their_ends():
    line = lay((Segment.corner("Ring", 100.0, 360.0),), closed=True)
    weather = Weather(0.9, (Damp(100.0, 200.0, 0.5, 20.0), Damp(600.0, 50.0, 0.7, 0.0)))
    at = np.array([80.0, 100.0, 120.0, 150.0, 200.0, 300.0, 610.0, 10.0])
    assert weather.friction_at(line, at) == pytest.approx([0.9, 0.7, 0.5, 0.5, 0.7, 0.9, 0.7, 0.7])
    # A later zone covers an earlier one.
    covered = Weather(0.9, (Damp(100.0, 200.0, 0.5, 20.0), Damp(140.0, 180.0, 0.8, 0.0)))
    assert covered.friction_at(line, np.array([130.0, 160.0, 185.0])) == pytest.approx([0.5, 0.8, 0.5])


def test_corrections_have_their_spread_and_rest_at_a_standstill():
    driver = Driver()
    speed = np.full(1_000_000, 30.0)
    wander = corrections_rad(driver, np.random.default_rng(5), speed, STEP_S)
    # Variance of white noise through a second-order lag, S omega / (4 damping) [X].
    assert wander.std() == pytest.approx(math.radians(0.06), rel=0.05)
    frequency, density = scipy.signal.welch(wander, 1.0 / STEP_S, nperseg=32_768)
    assert density[frequency < 1.8].sum() > 0.85 * density.sum()
    assert np.all(corrections_rad(driver, np.random.default_rng(5), np.zeros(1000), STEP_S) == 0.0)


def test_inputs_of_the_plant_keep_the_milliseconds_and_go_smoothly_between():
    drive = replace(demo_scenario(), duration_s=30.0).drive()
    for steps in (1, 2, 4):
        inputs = drive.inputs(STEP_S / steps)
        assert len(inputs.road_m) == (len(drive.time_s) - 1) * steps + 1
        assert np.array_equal(inputs.road_m[::steps], drive.road_m)
        assert np.array_equal(inputs.drive[::steps, 2], drive.speed_m_s)
        assert np.array_equal(inputs.drive[::steps, 0], drive.accel_long_m_s2)
    # Between them against a sine of 80 Hz, near the highest that the roads have at 30 m/s.
    time_s = np.arange(2001) * STEP_S
    sine = replace(
        drive, time_s=time_s, road_m=np.repeat(np.sin(math.tau * 80.0 * time_s)[:, None], 4, axis=1)
    )
    half = replace_rows(sine, 2001).inputs()
    exact = np.sin(math.tau * 80.0 * np.arange(4001) * STEP_S / 2.0)
    assert np.abs(half.road_m[10:-10, 0] - exact[10:-10]).max() < 0.01
    with pytest.raises(InputError, match="does not divide"):
        drive.inputs(0.0003)


def replace_rows(drive, count):
    return replace(
        drive,
        **{name: getattr(drive, name)[:count] for name in ("accel_long_m_s2", "accel_lat_m_s2", "speed_m_s")},
    )


def test_a_straight_at_constant_speed_is_nothing_else():
    drive = scenario(Manoeuvre(20.0), 5.0).drive()
    assert np.all(drive.speed_m_s == 20.0)
    assert not np.any(drive.accel_lat_m_s2)
    assert not np.any(drive.brake_bar)
    assert not np.any(drive.road_m)
    assert drive.distance_m[-1] == pytest.approx(100.0)


def test_a_negative_seed_is_refused():
    with pytest.raises(InputError, match="0 or more"):
        demo_scenario("bump").drive(seed=-1)
