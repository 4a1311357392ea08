"""Cars, valves and scenarios as files for the tests of `dashpot evaluate`."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from dashpot.plant.damper import LINEAR
from dashpot.plant.valve_file import Direction, Response, demo_valves, write_valve

if TYPE_CHECKING:
    from pathlib import Path

# Four of set TA in one body whose inertias make heave, roll and pitch the quarter car's mode each: each corner is a
# quarter car of its own (Turkay and Akcay, J. Sound Vib. 282, 2005 [S, from memory]).
FOUR_QUARTERS = """
name = "Four quarters"
mass = "1104 kg"
front_share = "50 percent"
wheelbase = "2.6 m"
height = "0.5 m"
roll_inertia = "540 kg m2"
pitch_inertia = "1622.4 kg m2"
"""
AXLE = """
[{0}]
track = "1.5 m"
wheel_mass = "36 kg"
wheel_height = "0.5 m"
roll_centre = "499.9 mm"
spring = "16 N/mm"
motion_ratio = 1
tyre = "160 N/mm"
"""


def quarters_car(folder: Path) -> Path:
    """Write the car of four quarter cars."""
    path = folder / "quarters.toml"
    path.write_text(FOUR_QUARTERS + AXLE.format("front") + AXLE.format("rear"), encoding="utf-8")
    return path


def linear_valve(folder: Path, name: str, slopes: dict[float, float]) -> Path:
    """Write a valve of straight lines: newton a metre a second by ampere; no gas, friction, lag or delay."""
    currents = tuple(slopes)
    forces = tuple((0.0, 2.0 * slope) for slope in slopes.values())
    # Without a current as with the least: a valve without a passive stage of its own.
    way = Direction((0.0, 2.0), currents, forces, forces[0], LINEAR)
    none = Response(0.0, 0.0)
    valve = replace(
        demo_valves()[0], name=name, compression=way, rebound=way, least_a=currents[0], most_a=currents[-1],
        safe_a=currents[1], passive_below_a=0.0, gas_force_n=0.0, gas_rate_n_per_m=0.0, friction_n=0.0, lag_s=0.0, hysteresis_a=0.0, up=none, down=none,
    )  # fmt: skip
    path = folder / f"{name}.toml"
    write_valve(path, valve)
    return path


def straight(folder: Path, seconds: float, *, road: str = "B", valve: str = "linear") -> Path:
    """Write a drive straight on at 20 m/s on a road whose roughness reaches the tyres unsmoothed."""
    path = folder / f"straight_{road}.toml"
    path.write_text(
        f"""
name = "Straight on {road}"
duration = "{seconds} s"
car = "quarters.toml"
valves = {{ front = "{valve}.toml", rear = "{valve}.toml" }}
manoeuvre.straight.speed = "20 m/s"
driver.corrections = "0 deg"
road = {{ class = "{road}", contact = "1 mm" }}
""",
        encoding="utf-8",
    )
    return path
