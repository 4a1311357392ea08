"""Cars and dampers for the plant's tests, and short ways to run them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from dashpot.plant.car import Axle, Car, Ratio, Stop
from dashpot.plant.chassis import STEP_S, Inputs, Plant
from dashpot.plant.damper import Damper, Gas, Surface, Valve
from dashpot.plant.quarter import QuarterCar

# Set TA: Turkay and Akcay, J. Sound Vib. 282, 2005 [S, from memory].
SET_TA = QuarterCar(240.0, 36.0, 16_000.0, 980.0, 160_000.0)


def axle(**more) -> Axle:
    data = {
        "track_m": 1.5, "wheel_mass_kg": 36.0, "wheel_height_m": 0.3, "roll_centre_m": 0.05, "spring_n_per_m": 30_000.0,
        "bar_n_per_m": 0.0, "motion_ratio": Ratio.constant(1.0), "tyre_n_per_m": 160_000.0,
    }  # fmt: skip
    return Axle(**(data | more))


def car_of(
    sprung_kg, to_axle_m, front, rear, *, sprung_height_m=0.5, roll_kg_m2=500.0, pitch_kg_m2=1700.0, **more
) -> Car:
    """A car from the body's data, as textbooks give it."""
    ahead, behind = to_axle_m
    wheelbase = ahead + behind
    mass = sprung_kg + front.unsprung_mass_kg + rear.unsprung_mass_kg
    on_front = sprung_kg * behind / wheelbase + front.unsprung_mass_kg
    wheels = sum(one.unsprung_mass_kg * one.wheel_height_m for one in (front, rear))
    return Car(
        "test car", mass, on_front / mass, wheelbase, (sprung_kg * sprung_height_m + wheels) / mass, roll_kg_m2, pitch_kg_m2,
        front, rear, **more,
    )  # fmt: skip


def four_quarters() -> Car:
    """Four of set TA in one body whose inertias make heave, roll and pitch the quarter car's mode each."""
    one = axle(spring_n_per_m=16_000.0, roll_centre_m=0.5)
    return car_of(960.0, (1.3, 1.3), one, one, roll_kg_m2=960.0 * 0.75**2, pitch_kg_m2=960.0 * 1.3**2)


def set_m() -> Car:
    """Set [M] of the domain notes; the roll axis goes through the body's centre of gravity."""
    wheel = {"wheel_mass_kg": 59.0, "tyre_n_per_m": 190_000.0, "roll_centre_m": 0.5}
    front = axle(track_m=1.010, spring_n_per_m=35_000.0, **wheel)
    rear = axle(track_m=1.114, spring_n_per_m=38_000.0, **wheel)
    return car_of(1500.0, (1.4, 1.7), front, rear, roll_kg_m2=460.0, pitch_kg_m2=2160.0)


def worked_case(tyre_n_per_m=250_000.0) -> Car:
    """The domain notes' worked case of load transfer [X]: K_phi 90 and 60 kN m/rad."""
    both = {"track_m": 1.55, "wheel_mass_kg": 40.0, "tyre_n_per_m": tyre_n_per_m, "spring_n_per_m": 30_000.0}
    front, rear = (
        axle(roll_centre_m=height, bar_n_per_m=stiffness / 1.55**2 - 15_000.0, **both)
        for height, stiffness in ((0.05, 90_000.0), (0.10, 60_000.0))
    )
    return car_of(1040.0, (2.6 * 0.48, 2.6 * 0.52), front, rear)


def rich_car() -> Car:
    """Everything at once: curves, stops, friction, anti-dive, downforce, tyre damping."""
    from dashpot.plant.car import Aero

    more = {
        "bar_n_per_m": 8_000.0, "tyre_damping_n_s_per_m": 60.0, "friction_n": 30.0, "anti_brake": 0.25, "anti_drive": 0.1,
        "bump_stop": Stop(0.03, 80_000.0, 0.01), "droop_stop": Stop(0.05, 150_000.0), "spring_n_per_m": 50_000.0,
    }  # fmt: skip
    curve = Ratio((-0.08, -0.02, 0.03, 0.08), (0.70, 0.76, 0.80, 0.86))
    front = axle(motion_ratio=curve, **more)
    rear = axle(motion_ratio=Ratio.constant(0.82), spring_ratio=Ratio((-0.1, 0.1), (0.7, 0.9)), **more)
    return car_of(1100.0, (1.3, 1.28), front, rear, aero=Aero(0.3, 0.5, 0.7))


def adjustable(**more) -> Damper:
    """Digressive, soft at 0 A; the firm setting gives 8 kN s/m at the start."""
    speed = (0.0, 0.05, 0.15, 0.5, 1.5)
    compression = ((0.0, 60.0, 170.0, 480.0, 1200.0), (0.0, 300.0, 700.0, 1300.0, 2600.0))
    rebound = ((0.0, 90.0, 240.0, 650.0, 1700.0), (0.0, 420.0, 1000.0, 1900.0, 3600.0))
    data = {
        "gas": Gas(180.0, 0.22), "friction_n": 25.0, "lag_s": 0.002, "valve": Valve(0.002, 0.006, 0.010),
    }  # fmt: skip
    return Damper(
        Surface(speed, (0.0, 1.6), compression), Surface(speed, (0.0, 1.6), rebound), **(data | more)
    )


def equal_rows(rows=3) -> Damper:
    """An adjustable damper with c_min = c_max: the current changes nothing."""
    one = adjustable()
    parts = [
        Surface(part.speed_m_s, tuple(0.8 * k for k in range(rows)), (part.force_n[1],) * rows)
        for part in (one.compression, one.rebound)
    ]
    return replace(one, compression=parts[0], rebound=parts[1])


def drive(car, dampers, inputs, command_a=0.0, *, hold=4, step_s=STEP_S, start_a=0.0, **rest):
    """Run a plant over its inputs; command_a is one number or (m, 4)."""
    plant = Plant(car, dampers, step_s=step_s, **rest)
    count = (len(inputs.road_m) - 1) // hold
    commands = np.ascontiguousarray(np.broadcast_to(np.asarray(command_a, dtype=float), (count, 4)))
    return plant.run(plant.rest(inputs, start_a), commands, hold, inputs)


def bumpy(count, step_s=STEP_S, seed=1, size_m=0.012) -> Inputs:
    """Smooth random heights, the wheels apart, with turns and braking at 30 m/s."""
    rng = np.random.default_rng(seed)
    time = np.arange(count) * step_s
    waves = rng.uniform(0.7, 14.0, (8, 4)), rng.uniform(-np.pi, np.pi, (8, 4))
    road = sum(
        np.sin(2 * np.pi * hz * time[:, None] + phase) / (1 + hz / 3)
        for hz, phase in zip(*waves, strict=True)
    )
    return Inputs.of(count, size_m * road, 6.0 * np.sin(1.3 * time), 9.0 * np.sin(2.1 * time), 30.0)
