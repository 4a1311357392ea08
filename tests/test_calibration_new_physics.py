"""The physics of a starting calibration, against closed forms, published examples and the nonlinear plant.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
import scipy.linalg
import scipy.signal

from calibration_new_kit import (
    demo_solver,
    demo_targets,
    quiet,
    quiet_car,
    scaled_car,
    scaled_valve,
    straight_valve,
)
from dashpot.errors import InputError
from dashpot.plant.car import GRAVITY_M_S2, Ratio, demo_car
from dashpot.plant.chassis import Inputs, Plant, linear
from dashpot.plant.damper import LINEAR, Damper, Gas, Surface
from dashpot.plant.valve_file import demo_valves
from dashpot.starting import layers
from dashpot.starting.firmness import DEMANDS, WHOLE, Firmness, coefficient, even_curve, one_way, share_of
from dashpot.starting.loads import Corner, Loading
from dashpot.starting.modes import body_modes, each_alone, heave_alone
from dashpot.starting.solve import Solver
from plant_kit import SET_TA, adjustable, axle, car_of, four_quarters, set_m, worked_case

NO_GAS = (Gas(), Gas())

# Corners.


def test_the_corner_example():
    # 272 kg sprung at 2.0 Hz: 42 953 N/m, ratio 0.5 gives 3418 N s/m at the wheel, 6976 at the damper with MR 0.7 [X].
    corner = Corner.of(272.0, 272.0 * (2 * math.pi * 2.0) ** 2, 220_000.0, 38.0, 0.7)
    assert corner.wheel_rate_n_per_m == pytest.approx(42_953, abs=1)
    assert corner.body_hz == pytest.approx(2.0)
    assert 0.5 * corner.critical_n_s_per_m == pytest.approx(3418, abs=0.5)
    assert 0.5 * corner.damper_critical_n_s_per_m == pytest.approx(6976, abs=1)
    # On its tyre too, the body is slower: springs in series.
    assert corner.ride_hz == pytest.approx(2.0 / math.sqrt(1.0 + 42_953 / 220_000), rel=1e-4)


def test_the_corner_example_through_the_whole_way():
    # The same corner four times in a car, its spring behind MR 0.7, with a valve that is straight over speed and current.
    one = axle(
        motion_ratio=Ratio.constant(0.7),
        spring_n_per_m=42_953.0 / 0.49,
        tyre_n_per_m=220_000.0,
        wheel_mass_kg=38.0,
    )
    car = car_of(4 * 272.0, (1.3, 1.3), one, one)
    solver = Solver(car, (straight_valve(2000.0, 12_000.0),) * 2, demo_targets())
    demand = solver.demand(0, 0.5, solver.rest)
    assert solver.damping(0, demand) == pytest.approx(6976, abs=2)
    # Straight from 2000 at 300 mA to 12 000 at 1600 mA [X]; the curve's currents are in steps of 5 mA.
    assert solver.firm[0].current_ma(demand) == pytest.approx(300 + 1300 * (6976 - 2000) / 10_000, abs=2.5)
    assert solver.ratio(0, demand, solver.rest) == pytest.approx(0.5, rel=1e-9)


def test_set_ta_as_a_car():
    # Turkay and Akcay 2005 [S, from memory]: damped 1.2507 Hz at 0.2178; heave, roll and pitch alike, each alone too.
    system = linear(four_quarters(), (980.0, 980.0))
    for modes in (body_modes(system), each_alone(system)):
        assert modes.hz == pytest.approx([1.2507] * 3, abs=5e-5)
        assert modes.ratio == pytest.approx([0.2178] * 3, abs=5e-5)
    assert SET_TA.modes()[1][0] == pytest.approx(0.2178, abs=5e-5)


def by_hand(c):
    """Mass, damping, stiffness of set [M], written out again with moments about the axes."""
    ms, ixx, iyy, mu = 1500.0, 460.0, 2160.0, 59.0
    places = [(1.4, 0.505), (1.4, -0.505), (-1.7, 0.557), (-1.7, -0.557)]
    k = [35_000.0, 35_000.0, 38_000.0, 38_000.0]
    mass = np.diag([ms, ixx, iyy, mu, mu, mu, mu])
    stiff, damp = np.zeros((7, 7)), np.zeros((7, 7))
    for i, (x, y) in enumerate(places):
        # Body corner z + y phi - x theta, less the wheel.
        row = np.zeros(7)
        row[:3], row[3 + i] = (1.0, y, -x), -1.0
        stiff += k[i] * np.outer(row, row)
        damp += c[i] * np.outer(row, row)
        stiff[3 + i, 3 + i] += 190_000.0
    return mass, damp, stiff


def quadratic_poles(mass, damp, stiff):
    """The poles that swing, upper half, by scipy's generalised eigenvalues."""
    size = len(mass)
    left = np.block([[np.zeros((size, size)), np.eye(size)], [-stiff, -damp]])
    right = scipy.linalg.block_diag(np.eye(size), mass)
    poles = scipy.linalg.eigvals(left, right)
    return poles[poles.imag > 1e-9 * abs(poles)]


@pytest.mark.parametrize("c", [(1000.0, 1000.0, 1100.0, 1100.0), (4000.0, 1200.0, 3500.0, 900.0)])
def test_modes_against_an_independent_eigensolution(c):
    system = linear(set_m(), c)
    mass, damp, stiff = by_hand(c)
    # Set [M]: undamped 1.3801 (roll), 1.4068 (heave), 1.8866 (pitch) Hz [X].
    undamped = np.sqrt(scipy.linalg.eigh(stiff, mass, eigvals_only=True))[:3] / (2 * math.pi)
    assert undamped == pytest.approx([1.3801, 1.4068, 1.8866], abs=5e-5)
    poles = quadratic_poles(mass, damp, stiff)
    slowest = poles[np.argsort(abs(poles))][:3]
    said = body_modes(system)
    ours = sorted(zip(said.hz, said.ratio, strict=True))
    wanted = sorted(zip(abs(slowest) / (2 * math.pi), -slowest.real / abs(slowest), strict=True))
    assert np.array(ours) == pytest.approx(np.array(wanted), rel=1e-9)
    # Each alone: the same matrices with the other two freedoms of the body struck out.
    alone = each_alone(system)
    for body in range(3):
        kept = np.ix_([body, 3, 4, 5, 6], [body, 3, 4, 5, 6])
        poles = quadratic_poles(mass[kept], damp[kept], stiff[kept])
        pole = poles[np.argmin(abs(poles))]
        assert (alone.hz[body], alone.ratio[body]) == pytest.approx(
            (abs(pole) / (2 * math.pi), -pole.real / abs(pole)), rel=1e-9
        )
    assert heave_alone(system) == alone.heave


def test_names_of_modes_stay_while_the_damping_rises():
    # Light damping: ratios grow with it, and roll is the slowest of set [M]; four times the steps change nothing.
    for c in (10.0, 500.0, 2000.0, 3500.0):
        system = linear(set_m(), (c, c))
        said = body_modes(system)
        assert said.hz[1] < said.hz[0] < said.hz[2]
        assert body_modes(system, 0.01).ratio == pytest.approx(said.ratio, abs=1e-9)


def test_a_mode_that_stops_swinging_has_a_ratio_of_one():
    assert each_alone(linear(four_quarters(), (6000.0, 6000.0))).ratio == (1.0, 1.0, 1.0)


# Firmness.


def test_equal_energy_coefficients():
    # A straight damper's is its own; a level force F gives 4 F / (pi V), a square law a v^2 gives 8 a V / (3 pi):
    # equivalent viscous damping of any textbook on vibration [C], after Jacobsen 1930 [M].
    straight = Surface((0.0, 1.0), (0.0,), ((0.0, 3000.0),), LINEAR)
    assert one_way(straight, 0.3, 0.0) == pytest.approx(3000.0, rel=1e-12)
    level = Surface((0.0, 1e-6, 1.0), (0.0,), ((0.0, 100.0, 100.0),), LINEAR)
    assert one_way(level, 0.05, 0.0) == pytest.approx(4 * 100.0 / (math.pi * 0.05), rel=1e-3)
    speed = np.linspace(0.0, 1.0, 101)
    square = Surface(tuple(speed), (0.0,), (tuple(5000.0 * speed**2),), LINEAR)
    assert one_way(square, 0.5, 0.0) == pytest.approx(8 * 5000.0 * 0.5 / (3 * math.pi), rel=1e-3)


@pytest.mark.parametrize("peak", [0.02, 0.05, 0.2])
@pytest.mark.parametrize("current", [0.0, 0.7, 1.6])
def test_energy_of_a_cycle(peak, current):
    # Work of the plant's own damper over a sine, summed step by step, against pi c V^2 / w.
    damper = adjustable(friction_n=0.0, gas=Gas())
    w = 2 * math.pi * 1.7
    time = (np.arange(20_000) + 0.5) / 20_000 * 2 * math.pi / w
    v = peak * np.cos(w * time)
    work = (
        float(np.sum(damper.force_n(v, current) * v)) * time[1]
        - float(np.sum(damper.force_n(v, current) * v)) * time[0]
    )
    assert work == pytest.approx(math.pi * float(coefficient(damper, peak, current)) * peak**2 / w, rel=1e-4)


@pytest.mark.parametrize("index", [0, 1])
def test_equal_steps_of_demand_are_equal_steps_of_force(index):
    valve = demo_valves()[index]
    damper = valve.damper()
    firm = Firmness(damper, DEMANDS, even_curve(damper, 300.0, 1600.0, valve.name))
    share = [float(share_of(damper, ma / 1e3, 0.3, 1.6)) for ma in firm.currents_ma]
    # Half a step of 5 mA of 1300 mA, as the force rises by up to a fifth more than its mean.
    assert share == pytest.approx([demand / WHOLE for demand in DEMANDS], abs=0.003)
    for demand in (0.0, 130.0, 450.0, 731.0, 1000.0):
        for way in ("both", "compression", "rebound"):
            assert firm.demand(firm.damping(demand, 0.05, way), 0.05, way) == pytest.approx(demand, abs=1e-6)
    current_a = firm.current_ma(450.0) / 1e3
    assert firm.damping(450.0, 0.05) == pytest.approx(float(coefficient(damper, 0.05, current_a)), rel=1e-9)
    assert firm.demand(2 * firm.damping(WHOLE, 0.05), 0.05) > WHOLE
    assert firm.demand(0.5 * firm.damping(0, 0.05), 0.05) < 0


def test_a_valve_that_is_firm_at_low_current():
    damper = straight_valve(9000.0, 2000.0).damper()
    curve = even_curve(damper, 300.0, 1600.0, "x")
    assert curve == (1600, 1340, 1080, 820, 560, 300)
    assert Firmness(damper, DEMANDS, curve).damping(250, 0.05) == pytest.approx(2000 + 0.25 * 7000, rel=1e-9)


def test_valves_that_cannot_be_used():
    with pytest.raises(InputError, match="nothing is left to adjust"):
        even_curve(straight_valve(3000.0, 4000.0).damper(), 300.0, 1600.0, "x")
    rows = ((0.0, 2000.0), (0.0, 6000.0), (0.0, 5000.0))
    turning = Surface((0.0, 1.0), (0.3, 0.9, 1.6), rows, LINEAR)
    with pytest.raises(InputError, match="turns round near"):
        even_curve(Damper(turning, turning), 300.0, 1600.0, "x")


# Loads.


def test_load_transfer_of_the_worked_case():
    # [X]: 1 g, 2055.6 and 1622.9 N, 55.88 % in front; on rigid tyres, as the formula has them.
    loaded = Loading(worked_case(1e9), NO_GAS).at(0.0, 9.81)
    moved = [(loaded.tyre_n[2 * i + 1] - loaded.tyre_n[2 * i]) / 2 for i in (0, 1)]
    assert moved == pytest.approx([2055.6, 1622.9], abs=0.6)
    assert moved[0] / sum(moved) == pytest.approx(0.5588, abs=1e-4)
    # Identity: sum dF t = ms ay h_s + mu ay h_u + ms g d phi = 5701.77 N m.
    assert sum(moved) * 1.55 == pytest.approx(5701.77, abs=1.0)
    # The loads carry the car, in every state.
    assert loaded.tyre_n.sum() == pytest.approx(1200.0 * GRAVITY_M_S2, rel=1e-6)


def test_braking_load_transfer():
    # m ax h / L: 1200 kg, 0.48 m, 2.6 m, 1 g: 2173.3 N [X]. The tyres' height over the road is in h.
    car = replace(worked_case(), mass_kg=1200.0, height_m=0.48)
    loading = Loading(car, NO_GAS)
    moved = loading.at(-9.81).tyre_n - loading.at().tyre_n
    assert moved[:2].sum() == pytest.approx(2173.3, abs=0.5)
    assert moved[2:].sum() == pytest.approx(-2173.3, abs=0.5)


def test_a_lifted_wheel_carries_nothing():
    loaded = Loading(demo_car(), NO_GAS).at(0.0, 1.54 * GRAVITY_M_S2)
    assert loaded.tyre_n[0] == 0.0
    assert loaded.tyre_n.sum() == pytest.approx(demo_car().mass_kg * GRAVITY_M_S2, rel=1e-6)
    assert loaded.critical_n_s_per_m.min() > 0.0


def test_downforce_is_carried_by_the_corners():
    # Half of rho A v^2 / 2 on each wheel of an axle: 0.12 and 0.18 m2 at 60 m/s [X].
    loading = Loading(demo_car(), NO_GAS)
    gained = loading.at(0.0, 0.0, 60.0).tyre_n - loading.at().tyre_n
    each = [0.25 * 1.2 * area * 3600.0 for area in (0.12, 0.18)]
    drag = 0.5 * 1.2 * 0.70 * 3600.0
    assert gained.sum() == pytest.approx(2 * sum(each), rel=1e-6)
    assert abs(gained[0] - each[0]) < 0.02 * drag


# The demands.


def test_the_switch_reaches_its_targets():
    solver = demo_solver()
    for position, wanted in zip(solver.positions, (0.32, 0.42, 0.50), strict=True):
        assert position.reached
        # Half a step of 5 permille is a hundredth of the ratio.
        assert position.alone.heave == pytest.approx(wanted, abs=0.004)
        front, rear = (solver.ratio(2 * i, position.demand[i], solver.rest) for i in (0, 1))
        assert rear / front == pytest.approx(1.05, abs=0.015)
    demands = [position.demand for position in solver.positions]
    assert all(a[i] < b[i] for a, b in pairwise(demands) for i in (0, 1))
    assert all(a < b for a, b in zip(solver.least, demands[0], strict=True))


def test_every_cell_reaches_its_target_or_says_why():
    for row in demo_solver().cells:
        for cell in row:
            for corner in range(4):
                assert demo_solver().base[corner // 2] + cell.value[corner] == cell.demand[corner]
                assert cell.room[corner] == 1000 - cell.demand[corner]
                # Half a step of 10 permille.
                assert cell.demand[corner] == pytest.approx(cell.wanted[corner], abs=5.01)
                assert cell.achieved[corner] == pytest.approx(cell.target[corner], rel=0.02)


def test_cells_go_the_way_of_the_load():
    solver = demo_solver()
    load = solver.targets.under_load
    middle = load.longitudinal_mg.index(0)
    straight = solver.cells[len(load.lateral_mg) // 2]
    assert straight[middle].value == (0, 0, 0, 0)
    # A right turn loads the left side, braking the front, driving the rear.
    right = solver.cells[0][middle]
    assert right.value[0] > 0 > right.value[1]
    assert right.value[2] > 0 > right.value[3]
    assert straight[0].value[0] > 0 > straight[0].value[2]
    assert straight[-1].value[2] > 0 > straight[-1].value[0]
    # Past the grip of a dry track nothing new comes.
    assert solver.cells[0][0].share == pytest.approx(1.3 / math.hypot(1.4, 1.4))


def test_a_turn_to_the_other_side_is_the_mirror_image():
    # The solver computes one side; the other side computed on its own must be the same.
    solver = demo_solver()
    for row in solver.cells[:2]:
        for cell in row[:2]:
            other = solver._cell(cell.lateral_mg, cell.longitudinal_mg)
            assert (other.value, other.demand) == (cell.value, cell.demand)
            assert other.loaded.tyre_n == pytest.approx(cell.loaded.tyre_n, rel=1e-6)
            assert other.alone.ratio == pytest.approx(cell.alone.ratio, rel=1e-9)
            assert other.reason == cell.reason


def test_a_car_alike_at_both_ends_gets_the_same_front_and_rear():
    one = replace(demo_car().front, anti_brake=0.0, anti_drive=0.0)
    car = car_of(
        1100.0,
        (1.3, 1.3),
        one,
        one,
        sprung_height_m=0.5,
        roll_kg_m2=demo_car().roll_inertia_kg_m2,
        pitch_kg_m2=1750.0,
    )
    targets = demo_targets(
        ("rear_to_front = 1.05", "rear_to_front = 1"), ("[-1.4, -0.7, 0, 0.7]", "[-0.7, 0, 0.7]")
    )
    solver = Solver(car, (demo_valves()[0],) * 2, targets)
    assert solver.base[0] == solver.base[1]
    for row in solver.cells:
        assert row[1].value[:2] == row[1].value[2:]


@pytest.mark.parametrize("k", [0.5, 3.0])
def test_a_car_k_times_as_heavy_and_stiff_with_k_times_the_force_gets_the_same_currents(k):
    targets = demo_targets(("[-1.4, -0.7, 0, 0.7, 1.4]", "[-1, 0, 1]"), ("[-1.4, -0.7, 0, 0.7]", "[-1, 0]"))
    car, valves = demo_car(), demo_valves()
    solvers = (
        Solver(car, valves, targets),
        Solver(scaled_car(car, k), tuple(scaled_valve(valve, k) for valve in valves), targets),
    )
    said = [
        (
            [position.demand for position in solver.positions], solver.least,
            [[(cell.value, cell.current_ma) for cell in row] for row in solver.cells],
            layers.trims(solver), layers.brake_lead(solver), layers.steer_lead(solver), layers.road_speed(solver),
            [layers.actuator(solver, i).match_ma for i in (0, 1)],
        )
        for solver in solvers
    ]  # fmt: skip
    assert said[0] == said[1]


# Round trip: the nonlinear car, let go, loses amplitude as the table says.

# Stroke speeds stay below this, where the valves' force is straight.
SMALL_M_S = 0.001


def let_go(plant, shape, current_a, seconds=4.0):
    """The first three freedoms of the body over time after a small start in a mode's shape, (n, 3)."""
    count = round(seconds / plant.step_s)
    state = plant.rest(current_a=current_a)
    state.y[:14] += shape
    motion = plant.run(
        state, np.broadcast_to(np.asarray(current_a, float), (1, 4)).copy(), count, Inputs.of(count + 2)
    )
    return motion.rows[:, :3] - plant.rest(current_a=current_a).y[:3]


def log_decrement(x):
    """Damping ratio from peaks a whole cycle apart: d = ln(x1/x3), d / sqrt(4 pi^2 + d^2) [C].

    A damper is firmer in rebound, so half a cycle alone would not do.
    """
    peaks, _ = scipy.signal.find_peaks(abs(x), height=1e-4 * abs(x).max())
    d = np.log(abs(x[peaks[0]]) / abs(x[peaks[2]]))
    return float(d / math.hypot(2 * math.pi, d))


def alike(valve):
    """The valve with its mean force in either direction."""
    both = [np.array(way.force_n) for way in (valve.compression, valve.rebound)]
    mean = replace(valve.compression, force_n=tuple(map(tuple, (both[0] + both[1]) / 2)))
    return replace(valve, compression=mean, rebound=mean)


# A damper alike in both directions: 0.5 % of the ratio. The demo's, half as firm again in rebound: 7 %; the mean of the two
# directions is exact for the energy of a cycle, not for two unlike halves of a strongly damped one.
@pytest.mark.parametrize(
    ("change", "band"), [(alike, 0.005), (lambda valve: valve, 0.07)], ids=["alike", "as it is"]
)
@pytest.mark.parametrize("place", [0, 1, 2])
def test_free_decay_of_the_nonlinear_car(place, change, band):
    # Friction and hysteresis out; the table for a small stroke speed, since a damper is straight only there.
    car = quiet_car(demo_car())
    valves = tuple(quiet(change(valve)) for valve in demo_valves())
    targets = replace(demo_targets(), stroke_speed_m_s=SMALL_M_S)
    solver = Solver(car, valves, targets)
    position = solver.positions[place]
    current_a = np.repeat([solver.firm[i].current_ma(position.demand[i]) / 1e3 for i in (0, 1)], 2)
    plant = Plant(car, [valve.damper() for valve in valves], step_s=0.00025)
    system = solver.linear_of(position.demand)
    poles, vectors = np.linalg.eig(system.a)
    for body in range(3):
        pole = (
            2
            * math.pi
            * position.modes.hz[body]
            * complex(-position.modes.ratio[body], math.sqrt(1 - position.modes.ratio[body] ** 2))
        )
        vector = vectors[:, np.argmin(abs(poles - pole))]
        vector = vector / vector[body]
        free = let_go(plant, 3e-5 * vector.real, current_a)
        assert log_decrement(free[:, body]) == pytest.approx(position.modes.ratio[body], rel=band)


def test_free_decay_at_working_amplitude():
    # A body dropped so that its dampers reach 50 mm/s and more: the first swing's ratio is near the table's at 50 mm/s,
    # above the one at 200 mm/s. The valve gives less damping as it goes faster; band 8 %.
    car = quiet_car(demo_car())
    valves = tuple(quiet(valve) for valve in demo_valves())
    solver = Solver(car, valves, demo_targets())
    position = solver.positions[0]
    current_a = np.repeat([solver.firm[i].current_ma(position.demand[i]) / 1e3 for i in (0, 1)], 2)
    plant = Plant(car, [valve.damper() for valve in valves])
    start = np.zeros(14)
    start[0] = 0.010
    free = let_go(plant, start, current_a, 2.0)[:, 0]
    assert log_decrement(free) == pytest.approx(position.alone.heave, rel=0.08)
