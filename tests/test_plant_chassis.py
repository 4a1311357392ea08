"""The nonlinear car: against a slow reference, load transfer against published numbers, lift-off, stops, closed loop.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from dashpot.errors import InputError
from dashpot.plant import metrics
from dashpot.plant.car import GRAVITY_M_S2, Aero, Ratio, Stop, demo_car
from dashpot.plant.chassis import STEP_S, Inputs, Plant, linear
from dashpot.plant.coil import Coil
from dashpot.plant.damper import Damper, Gas, Valve
from dashpot.plant.reference import Reference
from plant_kit import adjustable, axle, bumpy, car_of, drive, equal_rows, rich_car, worked_case

FIRM = Damper.linear(4000.0)
# The domain notes' worked cases [X] round g so.
ROUND_G_M_S2 = 9.81
WANTED_S = 0.002 * np.arange(1, 61)


@cache
def reference_case():
    """Bumps, turns and braking on the rich car while each damper's current jumps about: scipy's answer, once."""
    fine = bumpy(round(0.15 / 0.0000625) + 1, 0.0000625)
    commands = np.repeat(np.random.default_rng(3).uniform(0.0, 1.6, (3, 4)), 20, axis=0)
    damper = adjustable()
    reference = Reference(rich_car(), (damper, damper), Coil())
    inputs = Inputs(fine.road_m[::8], fine.drive[::8])
    answer = reference.simulate(np.zeros(18), commands, 0.002, inputs, 0.0005, WANTED_S, rtol=1e-6, atol=1e-8)
    return fine, commands, answer


def error_against_reference(step_s):
    """Greatest errors over the greatest values, of positions, rates and the valves' speeds, and of the currents in ampere."""
    fine, commands, answer = reference_case()
    every, hold = round(step_s / 0.0000625), round(0.002 / step_s)
    plant = Plant(rich_car(), [adjustable()] * 2, step_s=step_s)
    motion = plant.run(plant.rest(), commands, hold, Inputs(fine.road_m[::every], fine.drive[::every]))
    rows = motion.rows[hold - 1 :: hold]

    def error(mine, other):
        return np.abs(mine - other).max() / np.abs(other).max()

    return (
        error(rows[:, :7], answer.y[:, :7]),
        error(rows[:, 7:14], answer.y[:, 7:14]),
        error(rows[:, 49:53], answer.y[:, 14:]),
        np.abs(rows[:, 41:45] - answer.valve_a).max(),
    )


def test_the_loop_agrees_with_scipys_solver():
    # Written apart: scipy's PCHIP, splines and DOP853. At the plant's step, with a damper of 8 kN s/m at a wheel of
    # 36 kg and bump stops met, positions are within 0.04 % and rates within 0.07 % of their peaks.
    position, rate, valve_speed, current = error_against_reference(STEP_S)
    assert position < 5e-4
    assert rate < 8e-4
    assert valve_speed < 8e-4
    # Coil and valve change at steps: half a millisecond of a change that takes six.
    assert current < 0.008
    assert Plant(rich_car(), [adjustable()] * 2).stiffness_of_step() > 0.35


def test_the_error_goes_with_the_step():
    # Inputs are straight lines between steps, so the error falls with the square of the step.
    coarse, fine = error_against_reference(2 * STEP_S), error_against_reference(STEP_S / 2)
    for big, small in zip(coarse[:3], fine[:3], strict=True):
        assert big / small > 8.0


def test_the_loop_is_of_fourth_order_with_smooth_inputs():
    # Free vibration of the linear car; the exact answer by the matrix exponential.
    import scipy.linalg

    car = worked_case()
    system = linear(car, (4000.0, 4000.0))
    errors = []
    start = np.array([0.02, 0.01, -0.005, 0.0, 0.01, 0.0, 0.0] + [0.0] * 7)
    for step_s in (0.002, 0.001, 0.0005):
        plant = Plant(car, [FIRM, FIRM], step_s=step_s)
        state = plant.rest()
        state.y[:14] = start
        steps = round(0.2 / step_s)
        motion = plant.advance(state, np.zeros(4), Inputs.of(steps + 1), steps)
        exact = scipy.linalg.expm(system.a * 0.2) @ start
        errors.append(np.abs(motion.rows[-1, :14] - exact).max())
    assert errors[0] / errors[1] > 12.0
    assert errors[1] / errors[2] > 12.0


def test_the_car_stands_still_at_rest():
    for car in (rich_car(), demo_car(), worked_case()):
        motion = drive(car, [adjustable()] * 2, Inputs.of(401))
        assert np.abs(motion.rows[:, :7]).max() < 1e-12
        assert motion.tyre_load_n[-1] == pytest.approx(car.corner_load_n, rel=1e-12)
        assert motion.tyre_load_n[-1].sum() == pytest.approx(car.mass_kg * GRAVITY_M_S2, rel=1e-12)


def barton():
    """Barton and Fieldhouse, Automotive Chassis Engineering, 2018, ch. 3 [S]; the stiffness's split is not given there."""
    both = {"track_m": 1.46, "spring_n_per_m": 1000.0}
    front, rear = (
        axle(
            wheel_mass_kg=mass / 2,
            wheel_height_m=height,
            roll_centre_m=centre,
            bar_n_per_m=28_650.0 * share / 1.46**2 - 500.0,
            **both,
        )
        # The book's roll pair shares as 1556 to 671.
        for mass, height, centre, share in (
            (140.0, 0.28, 0.07, 1556 / 2227),
            (180.0, 0.30, 0.32, 671 / 2227),
        )
    )
    arm = 0.365 + 0.54 * 0.07 + 0.46 * 0.32
    return car_of(1280.0, (2.5 * 0.46, 2.5 * 0.54), front, rear, sprung_height_m=arm)


def test_load_transfer_of_the_published_example():
    car = barton()
    assert car.roll_arm_m == pytest.approx(0.365)
    assert metrics.steady_roll_rad(car, 1.0) == pytest.approx(0.0194, abs=5e-5)
    assert math.degrees(metrics.steady_roll_rad(car, 9.81)) == pytest.approx(10.9, abs=0.05)
    front, rear = metrics.steady_transfer(car, 0.6 * 9.81)
    assert (front.geometric_n, rear.geometric_n) == pytest.approx((195.0, 760.0), abs=0.5)
    assert (front.unsprung_n, rear.unsprung_n) == pytest.approx((158.0, 218.0), abs=0.5)
    # The book prints 1556 and 671 N, which is 0.7 % below what its own formula gives.
    assert (front.roll_n, rear.roll_n) == pytest.approx((1556.0, 671.0), rel=8e-3)
    assert (front.roll_n + rear.roll_n) / 2227.0 == pytest.approx(1.007, abs=1e-3)


def test_load_transfer_of_the_worked_case():
    # [X], 1 g.
    car = worked_case()
    assert car.roll_arm_m == pytest.approx(0.426)
    assert math.degrees(metrics.steady_roll_rad(car, ROUND_G_M_S2)) == pytest.approx(1.7097, abs=1e-4)
    front, rear = metrics.steady_transfer(car, ROUND_G_M_S2)
    assert (front.total_n, rear.total_n) == pytest.approx((2055.6, 1622.9), abs=0.1)
    assert front.total_n / (front.total_n + rear.total_n) == pytest.approx(0.5588, abs=5e-5)


def test_the_simulation_settles_at_the_formulas_load_transfer():
    # Very hard tyres stand for the formula's rigid ones; 1 g to the left in a steady turn.
    turn = Inputs.of(9, accel_lat_m_s2=ROUND_G_M_S2)
    hard = worked_case(tyre_n_per_m=2e7)
    motion = drive(hard, [FIRM, FIRM], turn)
    transfer = metrics.load_transfer(motion, hard)
    assert math.degrees(motion.roll_rad[-1]) == pytest.approx(1.7097, rel=0.01)
    assert (transfer.front_n[-1], transfer.rear_n[-1]) == pytest.approx((2055.6, 1622.9), rel=1e-3)
    assert transfer.front_share == pytest.approx(0.5588, abs=5e-4)
    # Tyres of 250 N/mm give way: the body rolls further and the axles share more evenly.
    ramp = Inputs.of(8001, accel_lat_m_s2=ROUND_G_M_S2 * np.clip(np.arange(8001) * STEP_S, 0, 1))
    soft = metrics.load_transfer(drive(worked_case(), [FIRM, FIRM], ramp), worked_case())
    assert (soft.front_n[-1], soft.rear_n[-1]) == pytest.approx((2055.6, 1622.9), rel=0.04)
    assert soft.front_share < 0.5588


@pytest.mark.parametrize("car", [worked_case(), rich_car(), demo_car()], ids=["worked", "rich", "demo"])
def test_moment_identity_in_a_steady_turn(car):
    # sum dF t = ms ay h_s + mu ay h_u + ms g d phi [X]: whatever springs, bars, curves and tyres do.
    accel = 4.0
    ramp = Inputs.of(12001, accel_lat_m_s2=accel * np.clip(np.arange(12001) * STEP_S, 0, 1))
    motion = drive(car, [FIRM, FIRM], ramp)
    assert np.abs(motion.rates[-1]).max() < 1e-4
    transfer = metrics.load_transfer(motion, car)
    found = transfer.front_n[-1] * car.front.track_m + transfer.rear_n[-1] * car.rear.track_m
    wheels = sum(one.unsprung_mass_kg * one.wheel_height_m for one in car.axles)
    wanted = accel * (car.sprung_mass_kg * car.sprung_height_m + wheels)
    wanted += car.sprung_mass_kg * GRAVITY_M_S2 * car.roll_arm_m * motion.roll_rad[-1]
    assert found == pytest.approx(wanted, rel=1e-4)
    # In a left turn the body leans to the right, its left side comes up, and the right wheels carry more.
    assert motion.roll_rad[-1] > 0.0
    assert transfer.front_n[-1] > 0.0
    assert transfer.rear_n[-1] > 0.0
    assert 0.0 < transfer.front_share < 1.0


def test_identity_of_the_worked_case():
    car = worked_case()
    roll = metrics.steady_roll_rad(car, ROUND_G_M_S2)
    front, rear = metrics.steady_transfer(car, ROUND_G_M_S2)
    assert 1.55 * (front.total_n + rear.total_n) == pytest.approx(5701.77, abs=0.1)
    wanted = ROUND_G_M_S2 * (1040 * 0.5 + 160 * 0.3 + 1040 * 0.426 * roll)
    assert wanted == pytest.approx(5701.77, abs=0.1)


@pytest.mark.parametrize("anti", [0.0, 0.4, 1.0])
def test_braking_moves_m_a_h_over_l_whatever_the_links_do(anti):
    # 1 g, m 1200, h 0.48, L 2.6: 2173.3 N [X].
    one = axle(wheel_mass_kg=40.0, wheel_height_m=0.3, anti_brake=anti, anti_drive=anti)
    height = (1200 * 0.48 - 160 * 0.3) / 1040
    car = car_of(1040.0, (1.25, 1.35), one, one, sprung_height_m=height)
    assert metrics.braking_transfer_n(car, -ROUND_G_M_S2) == pytest.approx(2173.3, abs=0.05)
    ramp = np.clip(np.arange(8001) * STEP_S, 0, 1)
    braked = drive(car, [FIRM, FIRM], Inputs.of(8001, accel_long_m_s2=-ROUND_G_M_S2 * ramp))
    assert metrics.load_transfer(braked, car).forward_n[-1] == pytest.approx(2173.3, rel=1e-4)
    driven = drive(car, [FIRM, FIRM], Inputs.of(8001, accel_long_m_s2=0.3 * ROUND_G_M_S2 * ramp))
    assert metrics.load_transfer(driven, car).forward_n[-1] == pytest.approx(-0.3 * 2173.3, rel=1e-4)
    # Full anti-dive and anti-lift leave the springs alone: only the tyres give.
    travel = braked.wheel_travel_m[-1]
    spring_share = 2 * 30_000.0 * travel[0] / 2173.3
    assert spring_share == pytest.approx(1.0 - anti, abs=2e-4)
    assert (braked.pitch_rad[-1] > 0.0, driven.pitch_rad[-1] < 0.0) == (True, True)


def test_downforce_and_drag_at_speed():
    # q = rho v^2 / 2: 50 m/s and 1.2 kg/m3 make 1500 Pa; the drag is a push on the rear tyres' links.
    car = replace(worked_case(), aero=Aero(0.3, 0.5, 0.8))
    speed = 50.0 * np.clip(np.arange(8001) * STEP_S, 0, 1)
    motion = drive(car, [FIRM, FIRM], Inputs.of(8001, speed_m_s=speed))
    gained = motion.tyre_load_n[-1] - car.corner_load_n
    assert gained == pytest.approx([225.0, 225.0, 375.0, 375.0], rel=1e-4)
    anti = replace(car, rear=replace(car.rear, anti_drive=1.0))
    squat = drive(anti, [FIRM, FIRM], Inputs.of(8001, speed_m_s=speed))
    lifted = 1500.0 * 0.8 * car.height_m / car.wheelbase_m
    assert squat.tyre_load_n[-1] == pytest.approx(car.corner_load_n + gained, rel=1e-4)
    rate = 2 * car.rear.wheel_rate_n_per_m()
    assert motion.wheel_travel_m[-1, 2] - squat.wheel_travel_m[-1, 2] == pytest.approx(
        lifted / rate, rel=1e-3
    )


def test_a_wheel_that_leaves_the_road_falls():
    # The road drops away by a metre: the tyres push no more, and the whole car with released springs falls as one.
    car = worked_case()
    road = np.where(np.arange(401) < 2, 0.0, -1.0)
    motion = drive(car, [FIRM, FIRM], Inputs.of(401, road))
    in_air = motion.tyre_load_n[3:, :] == 0.0
    assert in_air.all()
    assert motion.tyre_load_n.min() == 0.0
    momentum = car.sprung_mass_kg * motion.rates[:, 0] + 40.0 * motion.rates[:, 3:].sum(axis=1)
    fall = np.diff(momentum[4:]) / STEP_S
    assert fall == pytest.approx(np.full(len(fall), -car.mass_kg * GRAVITY_M_S2), rel=1e-9)
    assert metrics.lifted_s(motion) == pytest.approx(np.full(4, in_air.shape[0] * STEP_S), abs=2e-3)


def test_stops_end_the_stroke():
    stop = Stop(0.03, 50_000.0, 0.01)
    # 5 mm in: 50 N/mm rising by its first value each 10 mm, F = k x (1 + x / 2p) [X].
    assert stop.force_n(0.035) == pytest.approx(50_000 * 0.005 * 1.25)
    assert stop.force_n(0.03) == 0.0
    one = axle(spring_n_per_m=20_000.0, bump_stop=stop, droop_stop=Stop(0.04, 100_000.0))
    car = car_of(1000.0, (1.3, 1.3), one, one)
    road = 0.025 * np.sin(2 * np.pi * 1.3 * np.arange(6001) * STEP_S)
    with_stops = drive(car, [Damper.linear(500.0)] * 2, Inputs.of(6001, road))
    free = replace(one, bump_stop=None, droop_stop=None)
    without = drive(replace(car, front=free, rear=free), [Damper.linear(500.0)] * 2, Inputs.of(6001, road))
    assert without.stroke_m.max() > 0.05
    assert with_stops.stroke_m.max() < 0.75 * without.stroke_m.max()
    use = metrics.stroke_use(with_stops, car)[0]
    assert use.bump_hits >= 2
    assert use.droop_hits >= 1
    assert use.compression_share > 1.0
    assert use.hardest_bump_n == pytest.approx(float(stop.force_n(use.compression_m)))
    assert metrics.stroke_use(without, replace(car, front=free, rear=free))[0].bump_hits == 0


def test_motion_ratio_is_damper_over_wheel_travel():
    from scipy.integrate import quad

    ratio = Ratio((-0.06, -0.01, 0.05), (0.70, 0.78, 0.90))
    for wheel in (-0.09, -0.06, -0.03, 0.0, 0.02, 0.05, 0.08):
        stroke, _ = quad(lambda w: float(ratio.at(w)), 0.0, wheel, points=[-0.06, -0.01, 0.05], epsabs=1e-13)
        assert float(ratio.stroke_m(wheel)) == pytest.approx(stroke, abs=1e-12)
    one = axle(motion_ratio=ratio)
    car = car_of(1000.0, (1.3, 1.3), one, one)
    motion = drive(car, [FIRM, FIRM], bumpy(2001, size_m=0.02))
    assert motion.stroke_m == pytest.approx(ratio.stroke_m(motion.wheel_travel_m), abs=1e-12)
    moved = np.gradient(motion.stroke_m, STEP_S, axis=0)[1:-1]
    assert motion.stroke_speed_m_s[1:-1] == pytest.approx(moved, abs=0.01)


def test_wheel_rate_is_ratio_squared_times_spring():
    one = axle(motion_ratio=Ratio.constant(0.7), spring_n_per_m=42_953.0 / 0.49)
    assert one.wheel_rate_n_per_m() == pytest.approx(42_953.0)
    # Corner example of the domain notes [X]: 272 kg at 2.0 Hz, c_d 6976 at MR 0.7 is a damping ratio of 0.5.
    from dashpot.plant.quarter import QuarterCar

    car = car_of(4 * 272.0, (1.3, 1.3), one, one)
    assert QuarterCar.of_corner(car, 0, 6976.0).damping_ratio == pytest.approx(0.5, abs=1e-4)


def test_a_period_at_a_time_is_the_whole_run_bit_for_bit():
    car, damper = rich_car(), adjustable()
    inputs = bumpy(801)
    commands = np.random.default_rng(5).uniform(0.0, 1.6, (200, 4))
    plant = Plant(car, [damper, damper])
    whole = plant.run(plant.rest(), commands, 4, inputs)
    state = plant.rest()
    half = None
    for k, command in enumerate(commands):
        part = plant.advance(state, command, inputs, 4)
        assert np.array_equal(part.rows, whole.rows[4 * k : 4 * k + 4])
        if k == 99:
            half = state.copy()
    assert half is not None
    again = plant.run(half, commands[100:], 4, inputs)
    assert np.array_equal(again.rows, whole.rows[400:])


def test_equal_settings_are_a_passive_car_bit_for_bit():
    # c_min = c_max: the currents may do what they like [D].
    car, damper = rich_car(), equal_rows()
    inputs = bumpy(2001)
    commands = np.random.default_rng(6).uniform(0.0, 1.6, (500, 4))
    active = drive(car, [damper, damper], inputs, commands)
    passive = drive(car, [damper.at_current(0.7)] * 2, inputs)
    assert np.array_equal(active.rows[:, :41], passive.rows[:, :41])
    other = drive(car, [adjustable()] * 2, inputs, commands)
    assert not np.array_equal(other.rows[:, :41], passive.rows[:, :41])


def test_unpowered_means_the_force_at_0_a():
    # Without a command the car is that of the surface's 0 A row.
    car, inputs = rich_car(), bumpy(1001)
    damper = adjustable()
    assert np.array_equal(
        drive(car, [damper] * 2, inputs).rows[:, :41],
        drive(car, [damper.at_current(0.0)] * 2, inputs).rows[:, :41],
    )


def test_more_current_is_more_damping_here():
    inputs = bumpy(2001)
    soft, firm = (
        drive(rich_car(), [adjustable()] * 2, inputs, current, start_a=current) for current in (0.0, 1.6)
    )
    assert firm.stroke_speed_m_s.std() < 0.8 * soft.stroke_speed_m_s.std()
    assert (firm.valve_current_a == 1.6).all()


def test_the_valve_waits_and_then_lags():
    # Ideal coil; 3 ms dead, 6 ms up and 10 ms down: 1 - exp(-t / tau) from the dead time on [X].
    damper = adjustable(valve=Valve(0.003, 0.006, 0.010))
    coil = Coil(inductance_h=1e-7)
    commands = np.repeat([[1.0] * 4, [0.0] * 4], 40, axis=0)
    inputs = Inputs.of(321)
    plant = Plant(rich_car(), [damper, damper], coil)
    current = plant.run(plant.rest(), commands, 4, inputs).valve_current_a[:, 0]
    time = STEP_S * np.arange(1, 161)
    rise = np.where(time > 0.003, 1.0 - np.exp(-(time - 0.003) / 0.006), 0.0)
    # The first step's mean current is half the new one: a quarter of a millisecond later than the ideal coil.
    assert current[:160] == pytest.approx(rise, abs=0.045)
    assert (current[:6] == 0.0).all()
    fall = np.where(time > 0.003, np.exp(-(time - 0.003) / 0.010), 1.0)
    assert current[160:] == pytest.approx(fall, abs=0.03)


def test_the_coil_limits_the_valve():
    # Rise to 1.0 A in 0.97 ms, fall from 1.6 A in 9.8 ms [X], now in the loop.
    damper = adjustable(valve=Valve())
    plant = Plant(rich_car(), [damper, damper])
    commands = np.repeat([[1.6] * 4, [0.0] * 4], 10, axis=0)
    coil_a = plant.run(plant.rest(), commands, 4, Inputs.of(81)).coil_current_a[:, 2]
    coil = Coil()
    for k in range(40):
        assert coil_a[k] == pytest.approx(coil.after(0.0, 1.6, (k + 1) * STEP_S), abs=1e-12)
        assert coil_a[40 + k] == pytest.approx(coil.after(1.6, 0.0, (k + 1) * STEP_S), abs=1e-12)
    weak = Coil(supply_v=6.0, temperature_c=150.0)
    plant.set_coils(weak)
    most = plant.run(plant.rest(), np.full((100, 4), 2.5), 4, Inputs.of(401)).coil_current_a.max()
    assert most == pytest.approx(6.0 / 3.324, rel=1e-3)


def test_gas_carries_its_part_and_stiffens():
    gas = Gas(300.0, 0.2, 1.3)
    # F0 (L / (L - s))^n and its slope at rest F0 n / L [X].
    assert float(gas.at(0.05)) == pytest.approx(300.0 * (0.2 / 0.15) ** 1.3)
    assert gas.rate_n_per_m == pytest.approx(300.0 * 1.3 / 0.2)
    assert float(gas.at(1e-6) - gas.at(-1e-6)) / 2e-6 == pytest.approx(gas.rate_n_per_m, rel=1e-6)
    plain, charged = Damper.linear(2000.0), Damper.linear(2000.0, gas=gas)
    inputs = Inputs.of(4001, accel_lat_m_s2=5.0 * np.clip(np.arange(4001) * STEP_S, 0, 1))
    assert (
        drive(worked_case(), [charged] * 2, inputs).roll_rad[-1]
        < drive(worked_case(), [plain] * 2, inputs).roll_rad[-1]
    )


def test_steady_start_stays_steady():
    car = demo_car()
    inputs = Inputs.of(2001, np.array([[0.02, 0.0, 0.0, 0.01]]), -3.0, 6.0, 40.0)
    motion = drive(car, [adjustable()] * 2, inputs)
    assert np.abs(motion.rates).max() < 1e-5


def _too_far():
    plant = Plant(rich_car(), [FIRM] * 2)
    plant.run(plant.rest(), np.zeros((5, 4)), 4, Inputs.of(20))


@pytest.mark.parametrize(
    ("said", "make"),
    [
        ("too long for these dampers", lambda: Plant(rich_car(), [adjustable()] * 2, step_s=0.002)),
        ("3 dampers", lambda: Plant(rich_car(), [FIRM] * 3)),
        ("3 coils", lambda: Plant(rich_car(), [FIRM] * 2, [Coil()] * 3)),
        ("alone lifts a corner", lambda: Plant(rich_car(), [Damper.linear(1.0, gas=Gas(9000.0))] * 2)),
        (
            "no balance",
            lambda: Plant(rich_car(), [FIRM] * 2).rest(Inputs.of(1, accel_lat_m_s2=40.0)),
        ),
        ("21 are needed", _too_far),
        (r"\(n, 4\) and \(n, 3\)", lambda: Inputs(np.zeros((5, 3)), np.zeros((5, 3)))),
    ],
)
def test_what_cannot_be_is_said(said, make):
    with pytest.raises(InputError, match=said):
        make()


def test_metrics_of_a_known_motion():
    # A sine of a tenth of the load: variation 0.1 / sqrt(2); damper power c v^2 / 2 [X].
    car = worked_case()
    motion = drive(car, [FIRM, FIRM], Inputs.of(4001))
    time = np.arange(4000) * STEP_S
    motion.rows[:, 29:33] = car.corner_load_n * (1.0 + 0.1 * np.sin(2 * np.pi * 5 * time))[:, None]
    assert metrics.tyre_load_variation(motion) == pytest.approx([0.1 / math.sqrt(2)] * 4, rel=1e-9)
    # A slow trend is taken out.
    motion.rows[:, 29:33] += 1000.0 * time[:, None]
    assert metrics.tyre_load_variation(motion)[0] > 0.1
    wanted = 0.1 * car.corner_load_n / math.sqrt(2) / motion.tyre_load_n.mean(axis=0)
    assert metrics.tyre_load_variation(motion, 0.4) == pytest.approx(wanted, rel=0.05)
    speed = 0.3 * np.sin(2 * np.pi * 5 * time)
    motion.rows[:, 25:29] = motion.rows[:, 49:53] = speed[:, None]
    motion.rows[:, 33:37] = 4000.0 * speed[:, None]
    assert metrics.damper_power_w(motion) == pytest.approx([4000.0 * 0.09 / 2] * 4, rel=1e-9)
    motion.rows[:, 14] = 1.7 * np.sin(2 * np.pi * 8.0 * time)
    # Wk at 8 Hz is 1.036 (ISO 2631-1, table 3 [S]); two seconds go to the filter.
    longer = type(motion)(np.vstack((motion.rows, motion.rows, motion.rows)), STEP_S)
    assert metrics.weighted_accel_m_s2(longer) == pytest.approx(1.036 * 1.7 / math.sqrt(2), rel=2e-3)
    assert metrics.body_rms(motion) == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
