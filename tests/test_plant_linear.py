"""Modes, invariants and responses of the linear car, against closed forms, python-control and scipy.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
from dataclasses import replace

import control
import numpy as np
import pytest
import scipy.integrate
import scipy.linalg
import scipy.signal

from dashpot.plant import kernel
from dashpot.plant.chassis import Inputs, Plant, linear
from dashpot.plant.damper import Damper
from dashpot.plant.quarter import (
    QuarterCar,
    road_intensity,
    skyhook_transmissibility,
    transmissibility,
)
from plant_kit import SET_TA, adjustable, axle, car_of, drive, four_quarters, rich_car, set_m

ALL_WHEELS = np.array([1.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
CLASSES_M3 = {"A": 16e-6, "B": 64e-6, "C": 256e-6}


def gain(system, hz, column):
    """From a combination of inputs to all outputs at a frequency, by plain linear algebra."""
    s = 2j * math.pi * hz
    return (
        system.c @ np.linalg.solve(s * np.eye(len(system.a)) - system.a, system.b @ column)
        + system.d @ column
    )


def test_quarter_car_modes():
    # Set TA (Turkay and Akcay 2005 [S, from memory]): 1.2382 and 11.1352 Hz undamped, [X].
    undamped = replace(SET_TA, damping_n_s_per_m=0.0)
    assert undamped.modes()[0] == pytest.approx([1.2382, 11.1352], abs=5e-5)
    hz, ratio = SET_TA.modes()
    assert hz == pytest.approx([1.2507, 11.0247], abs=5e-5)
    assert ratio == pytest.approx([0.2178, 0.2013], abs=5e-5)


def test_the_full_car_has_the_quarter_cars_modes():
    # Heave, roll and pitch are the quarter car each; in warp the wheels move against a body that stands still.
    system = linear(four_quarters(), (980.0, 980.0))
    warp = math.sqrt((16_000.0 + 160_000.0) / 36.0) / (2 * math.pi)
    body, wheel = replace(SET_TA, damping_n_s_per_m=0.0).modes()[0]
    assert system.undamped_hz() == pytest.approx(sorted([body, wheel, warp] + [body, wheel] * 2), rel=1e-9)
    hz, ratio = system.modes()
    for mode in zip(*SET_TA.modes(), strict=True):
        near = [k for k in range(7) if (hz[k], ratio[k]) == pytest.approx(mode, rel=1e-7)]
        assert len(near) == 3


@pytest.mark.parametrize("damping", [0.0, 100.0, 980.0, 3000.0, 20_000.0])
def test_two_invariant_points(damping):
    # Hedrick and Butsuen 1990, doi 10.1243/PIME_PROC_1990_204_128_02 [S]: whatever the suspension's force.
    car = four_quarters()
    system = linear(car, (damping, damping))
    at_wheel = math.sqrt(160_000.0 / 36.0) / (2 * math.pi)
    at_body = math.sqrt(160_000.0 / 276.0) / (2 * math.pi)
    assert (at_wheel, at_body) == pytest.approx((10.6103, 3.8320), abs=5e-5)
    s = 2j * math.pi * at_wheel
    assert abs(gain(system, at_wheel, ALL_WHEELS)[8] / s**2) == pytest.approx(0.15, abs=1e-6)
    assert np.abs(gain(system, at_body, ALL_WHEELS)[:4]) == pytest.approx([1.15] * 4, abs=1e-6)
    quarter = replace(SET_TA, damping_n_s_per_m=damping)
    assert abs(quarter.body_gain(at_wheel)) == pytest.approx(0.15, abs=1e-6)
    assert abs(quarter.travel_gain(at_body)) == pytest.approx(1.15, abs=1e-6)


# Closed forms, derived symbolically [X]; class: travel mm, body m/s2, damper m/s, tyre N, power W.
TABLE = {
    "A": (2.982, 0.3543, 0.0718, 180.1, 5.053),
    "B": (5.965, 0.7085, 0.1436, 360.2, 20.21),
    "C": (11.930, 1.4171, 0.2872, 720.3, 80.85),
}


@pytest.mark.parametrize("road", TABLE)
def test_closed_forms_on_white_road_velocity(road):
    intensity = road_intensity(CLASSES_M3[road], 20.0)
    said = SET_TA.on_white_velocity(intensity)
    # The table's last digits.
    values = (said.travel_m * 1e3, said.accel_m_s2, said.damper_m_s, said.tyre_n, said.power_w)
    for value, wanted in zip(values, TABLE[road], strict=True):
        assert value == pytest.approx(wanted, rel=4e-4)
    # Against the Lyapunov equation, solved by scipy and by python-control (its `lyap` needs nothing else).
    a, b, c, _ = SET_TA.state_space()
    wanted = np.array([said.travel_m, said.accel_m_s2, said.damper_m_s, said.tyre_n])
    spread = scipy.linalg.solve_continuous_lyapunov(a, -intensity * b @ b.T)
    assert np.sqrt(np.diag(c @ spread @ c.T)) == pytest.approx(wanted, rel=1e-9)
    assert np.sqrt(np.diag(c @ control.lyap(a, intensity * b @ b.T) @ c.T)) == pytest.approx(wanted, rel=1e-9)
    assert said.power_w == pytest.approx(SET_TA.damping_n_s_per_m * said.damper_m_s**2, rel=1e-12)


def test_damper_power_depends_on_the_tyre_alone():
    # kt W / 2 whatever c, ks and the masses [X].
    for quarter in (SET_TA, QuarterCar(300.0, 50.0, 40_000.0, 3000.0, 160_000.0)):
        assert quarter.on_white_velocity(0.01).power_w == pytest.approx(800.0, rel=1e-12)
        said = quarter.on_white_velocity(0.01)
        assert quarter.damping_n_s_per_m * said.damper_m_s**2 == pytest.approx(800.0, rel=1e-9)


def test_simulated_rms_values_on_white_road_velocity():
    # 200 s of the full car, all wheels on one track; 20 batches of 10 s give the standard error. Class B at 20 m/s.
    step_s, seconds, batches = 0.001, 200.0, 20
    intensity = road_intensity(64e-6, 20.0)
    rng = np.random.default_rng(11)
    count = round(seconds / step_s)
    # sigma = sqrt(W / dt), held over a step.
    velocity = rng.normal(0.0, math.sqrt(intensity / step_s), count)
    road = np.concatenate(([0.0], np.cumsum(velocity) * step_s))
    motion = drive(four_quarters(), [Damper.linear(980.0)] * 2, Inputs.of(count + 1, road), step_s=step_s)
    said = SET_TA.on_white_velocity(intensity)
    for values, rms in (
        (motion.stroke_m[:, 0], said.travel_m),
        (motion.accel_vert_m_s2, said.accel_m_s2),
        (motion.stroke_speed_m_s[:, 3], said.damper_m_s),
        (motion.tyre_load_n[:, 2] - 276.0 * 9.80665, said.tyre_n),
    ):
        power = np.mean(values.reshape(batches, -1) ** 2, axis=1)
        error = power.std(ddof=1) / math.sqrt(batches)
        # 99.9 % of Student's t with 19 degrees of freedom.
        assert abs(power.mean() - rms**2) < 3.88 * error
        assert error < 0.1 * rms**2
    power = np.mean((motion.valve_force_n * motion.stroke_speed_m_s)[:, 1].reshape(batches, -1), axis=1)
    assert abs(power.mean() - 160_000.0 * intensity / 2) < 3.88 * power.std(ddof=1) / math.sqrt(batches)


@pytest.mark.parametrize("ratio", [0.0, 0.2, 0.5, 1.3])
def test_one_degree_of_freedom(ratio):
    # Any textbook of vibration [S]: transmissibility 1 at sqrt(2) for every damping; skyhook 1 / (2 zeta) at 1.
    assert transmissibility(math.sqrt(2.0), ratio) == pytest.approx(1.0, abs=1e-12)
    if ratio:
        assert skyhook_transmissibility(1.0, ratio) == pytest.approx(1.0 / (2 * ratio), abs=1e-12)
        system = control.tf([2 * ratio, 1], [1, 2 * ratio, 1])
        for r in (0.3, 1.0, 2.0, 6.0):
            assert transmissibility(r, ratio) == pytest.approx(abs(system(1j * r)), rel=1e-12)
            assert skyhook_transmissibility(r, ratio) == pytest.approx(
                abs(control.tf([1], [1, 2 * ratio, 1])(1j * r)), rel=1e-12
            )


def test_the_full_car_on_hard_light_wheels_is_one_degree_of_freedom():
    hard = axle(wheel_mass_kg=0.01, tyre_n_per_m=1e9, spring_n_per_m=16_000.0, roll_centre_m=0.5)
    car = car_of(960.0, (1.3, 1.3), hard, hard)
    natural = math.sqrt(4 * 16_000.0 / 960.0)
    for zeta in (0.1, 0.7):
        system = linear(car, [2 * zeta * natural * 240.0] * 2)
        for r in (0.5, 1.0, math.sqrt(2.0), 4.0):
            hz = natural * r / (2 * math.pi)
            lifted = abs(gain(system, hz, ALL_WHEELS)[8]) / (natural * r) ** 2
            assert lifted == pytest.approx(float(transmissibility(r, zeta)), rel=1e-3)


def hessian(energy, size, step=1e-4):
    """The matrix of second derivatives of a quadratic energy at rest."""
    unit = np.eye(size) * step
    return np.array(
        [
            [
                (
                    energy(unit[i] + unit[j])
                    - energy(unit[i] - unit[j])
                    - energy(unit[j] - unit[i])
                    + energy(-unit[i] - unit[j])
                )
                / (4 * step**2)
                for j in range(size)
            ]
            for i in range(size)
        ]
    )


def test_seven_modes_of_set_m():
    # Set [M] of the domain notes; frequencies [X]. Independent: the energy of each spring written out, its Hessian by
    # differences, and LAPACK's generalised eigenproblem.
    def energy(q):
        z, roll, pitch, *wheels = q
        total = 0.0
        for k, (x, y, rate) in enumerate(
            ((1.4, 0.505, 35e3), (1.4, -0.505, 35e3), (-1.7, 0.557, 38e3), (-1.7, -0.557, 38e3))
        ):
            total += rate * (z + y * roll - x * pitch - wheels[k]) ** 2 / 2 + 190e3 * wheels[k] ** 2 / 2
        return total

    masses = np.diag([1500.0, 460.0, 2160.0] + [59.0] * 4)
    independent = np.sqrt(scipy.linalg.eigh(hessian(energy, 7), masses, eigvals_only=True)) / (2 * math.pi)
    found = linear(set_m(), (1000.0, 1100.0)).undamped_hz()
    assert found == pytest.approx([1.3801, 1.4068, 1.8866, 9.8351, 9.8505, 9.9062, 9.9280], abs=5e-5)
    assert found == pytest.approx(independent, rel=1e-8)


def test_damped_modes_against_python_control():
    system = linear(set_m(), (1000.0, 1100.0))
    hz, ratio = system.modes()
    wn, zeta, _ = control.damp(control.ss(system.a, system.b, system.c, system.d), doprint=False)
    order = np.argsort(wn)
    assert np.repeat(hz, 2) == pytest.approx(wn[order] / (2 * math.pi), rel=1e-9)
    assert np.repeat(ratio, 2) == pytest.approx(zeta[order], rel=1e-6)


def test_symmetric_full_car_and_half_car():
    # Left and right alike: heave and pitch of the full car are those of a half car of two masses and two wheels [X].
    def energy(q):
        z, pitch, front, rear = q
        return (
            2
            * (
                35e3 * (z - 1.4 * pitch - front) ** 2
                + 38e3 * (z + 1.7 * pitch - rear) ** 2
                + 190e3 * (front**2 + rear**2)
            )
            / 2
        )

    half = np.sqrt(
        scipy.linalg.eigh(hessian(energy, 4), np.diag([1500.0, 2160.0, 118.0, 118.0]), eigvals_only=True)
    ) / (2 * math.pi)
    full = linear(set_m(), (0.0, 0.0)).undamped_hz()
    for hz in half:
        assert np.min(np.abs(full - hz)) < 1e-7


def test_frequency_response_against_python_control():
    car = rich_car()
    system = linear(car, (4000.0, 3500.0), gas_n=(180.0, 150.0), gas_n_per_m=(1000.0, 900.0))
    there = control.ss(system.a, system.b, system.c, system.d)
    omega = 2 * math.pi * np.array([0.3, 1.5, 4.0, 12.0, 40.0])
    response = control.frequency_response(there, omega).frdata
    # From the equations of motion themselves: (K + s C - w^2 M) q = push u.
    for k, w in enumerate(omega):
        q = np.linalg.solve(system.stiffness + 1j * w * system.damping - w**2 * system.mass, system.push)
        assert response[8:11, :, k] == pytest.approx(-(w**2) * q[:3], rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("wheel_m", [0.0, 0.011, -0.05, 0.047])
def test_stiffness_is_the_compiled_forces_derivative(wheel_m):
    # Motion ratio curves, preload, gas and stops: the analysis against differences of the simulation's forces.
    car, gas = rich_car(), adjustable().gas
    damper = replace(adjustable(), lag_s=0.0, friction_n=0.0)
    plant = Plant(car, [damper, damper])
    smooth = replace(car, front=replace(car.front, friction_n=0.0), rear=replace(car.rear, friction_n=0.0))
    row, dy = np.empty(kernel.ROW_WORDS), np.empty(kernel.STATES)

    def forces(y):
        kernel.derive(
            y, np.zeros(4), np.zeros(4), np.zeros(3), np.zeros(4), plant._body, plant._corner, plant._curves, plant._curve_points,
            plant._speeds, plant._speed_count, plant._cubics, plant._currents, plant._current_count, dy, row,
        )  # fmt: skip
        mass = [car.sprung_mass_kg, car.roll_inertia_kg_m2, car.pitch_inertia_kg_m2, 36.0, 36.0, 36.0, 36.0]
        return dy[7:14] * mass

    here = np.zeros(kernel.STATES)
    here[0] = -wheel_m
    system = linear(
        smooth,
        (0.0, 0.0),
        wheel_m=[wheel_m] * 4,
        gas_n=(gas.force_n,) * 2,
        # At a depth the gas is stiffer; its force there and its rate here make the same derivative only at rest.
        gas_n_per_m=(gas.rate_n_per_m,) * 2,
    )
    step = 1e-6
    slopes = np.stack(
        [(forces(here + step * unit) - forces(here - step * unit)) / (2 * step) for unit in np.eye(18)[:7]],
        axis=1,
    )
    scale = np.sqrt(np.outer(np.diag(system.stiffness), np.diag(system.stiffness)))
    assert -slopes / scale == pytest.approx(system.stiffness / scale, abs=1e-6 if wheel_m == 0.0 else 0.01)


def test_simulation_in_the_linear_range_against_scipys_lsim():
    # Tyre damping, bars, anti-dive, load transfer: small inputs of all kinds, two seconds.
    car = replace(set_m(), front=replace(set_m().front, bar_n_per_m=5e3, anti_brake=0.3, anti_drive=0.3, roll_centre_m=0.1,
                  tyre_damping_n_s_per_m=100.0))  # fmt: skip
    count, step_s = 4001, 0.0005
    time = np.arange(count) * step_s
    road = 0.002 * np.stack([np.sin(2 * np.pi * hz * time) for hz in (1.0, 2.3, 5.0, 11.0)], axis=1)
    inputs = Inputs.of(count, road, 0.5 * np.sin(3 * time), 0.5 * np.sin(5 * time))
    motion = drive(car, [Damper.linear(1000.0), Damper.linear(1100.0)], inputs)
    system = linear(car, (1000.0, 1100.0))
    rates = 0.002 * np.stack(
        [2 * np.pi * hz * np.cos(2 * np.pi * hz * time) for hz in (1.0, 2.3, 5.0, 11.0)], axis=1
    )
    u = np.hstack((road, rates, inputs.drive[:, :2]))
    plant = scipy.signal.StateSpace(system.a, system.b, system.c, system.d)
    _, y, _ = scipy.signal.lsim(plant, u, time)
    assert motion.stroke_m == pytest.approx(y[1:, :4], abs=2e-7)
    assert motion.stroke_speed_m_s == pytest.approx(y[1:, 4:8], abs=2e-5)
    assert motion.accels[:, :3] == pytest.approx(y[1:, 8:11], abs=2e-3)
    assert motion.tyre_load_n - car.corner_load_n == pytest.approx(y[1:, 11:], abs=2.0)


def test_a_quarter_car_is_made_of_a_corner():
    car = four_quarters()
    assert QuarterCar.of_corner(car, 3, 980.0) == SET_TA
    assert SET_TA.damping_ratio == pytest.approx(980.0 / (2 * math.sqrt(16_000.0 * 240.0)))
