"""Cars, valves and targets for the tests of the starting calibration."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

from dashpot import resources
from dashpot.calibration import Document, load_vehicle
from dashpot.plant import car as plant_car
from dashpot.plant.car import Axle, Car, demo_car
from dashpot.plant.damper import LINEAR
from dashpot.plant.valve_file import Direction, Response, Valve, demo_valves
from dashpot.starting.draft import Draft
from dashpot.starting.solve import Solver
from dashpot.starting.targets import Targets, demo_targets_path, load_targets, read_targets

PLANT = Path(plant_car.__file__).parent / "data"
CAR, FRONT, REAR = (PLANT / f"merlin_t4{end}.toml" for end in ("", "_front_valve", "_rear_valve"))
TARGETS = demo_targets_path()
VEHICLE = resources.demo_dir() / "data" / "vehicle.toml"
DBC = resources.dbc_dir() / "merlin_t4.dbc"


def straight_valve(soft: float, firm: float, **more) -> Valve:
    """A valve whose force goes straight over speed and current: c from `soft` at 300 mA to `firm` at 1600 mA."""
    way = Direction((0.0, 1.0), (0.3, 1.6), ((0.0, soft), (0.0, firm)), (0.0, (soft + firm) / 2.0), LINEAR)
    data = {
        "name": "straight", "compression": way, "rebound": way, "least_a": 0.3, "most_a": 1.6, "safe_a": 0.9,
        "firmer_with_current": firm > soft, "passive_below_a": 0.1, "gas_force_n": 0.0, "gas_rate_n_per_m": 0.0,
        "friction_n": 0.0, "lag_s": 0.0, "hysteresis_a": 0.0, "up": Response(0.002, 0.006),
        "down": Response(0.002, 0.008), "resistance_ohm": 2.2, "inductance_h": 12e-3, "temperature_c": 60.0,
    }  # fmt: skip
    return Valve(**(data | more))


def demo_targets(*changes: tuple[str, str]) -> Targets:
    """The demo's targets with pieces of the text exchanged; each must be there."""
    return read_targets(Document("targets.toml", None, edited(TARGETS, *changes)))


def edited(path: Path, *changes: tuple[str, str]) -> str:
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{old!r} is not in {path.name}"
        text = text.replace(old, new, 1)
    return text


def without(path: Path, table: str) -> str:
    """The text of a file without one of its tables."""
    head, found, rest = path.read_text(encoding="utf-8").partition(f"[{table}]\n")
    assert found
    return head + rest[rest.index("\n[") + 1 :] if "\n[" in rest else head


@cache
def channels() -> frozenset[str]:
    return frozenset(load_vehicle(VEHICLE, DBC).mapped())


@cache
def demo_solver() -> Solver:
    return Solver(demo_car(), demo_valves(), load_targets(TARGETS))


@cache
def demo_draft() -> Draft:
    return Draft(demo_solver(), channels(), "vehicle.toml")


def with_axles(car: Car, **changes) -> Car:
    """A car with both axles changed."""
    return replace(car, front=replace(car.front, **changes), rear=replace(car.rear, **changes))


def quiet(valve: Valve) -> Valve:
    """A valve without seals' friction and hysteresis."""
    return replace(valve, friction_n=0.0, lag_s=0.0)


def quiet_car(car: Car) -> Car:
    return with_axles(car, friction_n=0.0)


def scaled_axle(axle: Axle, k: float) -> Axle:
    stops = {
        name: replace(stop, stiffness_n_per_m=k * stop.stiffness_n_per_m)
        for name in ("bump_stop", "droop_stop")
        if (stop := getattr(axle, name)) is not None
    }
    return replace(
        axle, wheel_mass_kg=k * axle.wheel_mass_kg, spring_n_per_m=k * axle.spring_n_per_m,
        bar_n_per_m=k * axle.bar_n_per_m, tyre_n_per_m=k * axle.tyre_n_per_m,
        tyre_damping_n_s_per_m=k * axle.tyre_damping_n_s_per_m, friction_n=k * axle.friction_n, **stops,
    )  # fmt: skip


def scaled_car(car: Car, k: float) -> Car:
    """All masses, inertias, stiffnesses and areas of the air times k."""
    aero = car.aero
    return replace(
        car, mass_kg=k * car.mass_kg, roll_inertia_kg_m2=k * car.roll_inertia_kg_m2,
        pitch_inertia_kg_m2=k * car.pitch_inertia_kg_m2, front=scaled_axle(car.front, k),
        rear=scaled_axle(car.rear, k),
        aero=replace(
            aero, downforce_front_m2=k * aero.downforce_front_m2, downforce_rear_m2=k * aero.downforce_rear_m2,
            drag_m2=k * aero.drag_m2,
        ),
    )  # fmt: skip


def scaled_valve(valve: Valve, k: float) -> Valve:
    """All forces times k."""

    def way(part: Direction) -> Direction:
        return replace(
            part,
            force_n=tuple(tuple(k * force for force in row) for row in part.force_n),
            passive_n=tuple(k * force for force in part.passive_n),
        )

    return replace(
        valve, compression=way(valve.compression), rebound=way(valve.rebound), gas_force_n=k * valve.gas_force_n,
        gas_rate_n_per_m=k * valve.gas_rate_n_per_m, friction_n=k * valve.friction_n,
    )  # fmt: skip
