"""Where the car would be if every turn, braking and driving lasted: the linear car without rates, row by row.

What a damper can change is only what goes beyond this. So body motion and tyre load are measured from here, and two
settings are compared on what they do, not on how fast the corner was driven.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant import chassis
from dashpot.plant.chassis import linear

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.car import Car, Floats
    from dashpot.plant.damper import Damper

BODY = 3


@dataclass(frozen=True, slots=True)
class Steady:
    """Steady attitude and tyre loads.

    Attributes:
        body: heave (m), roll and pitch (rad) on a level road, (n, 3).
        tyre_load_n: (n, 4), never negative.

    """

    body: Floats
    tyre_load_n: Floats


def steady(car: Car, dampers: Sequence[Damper], drive: Floats) -> Steady:
    """Return the steady state of each row.

    Springs, bars, gas, tyres, anti-dive and the like and downforce count; stops, a changing motion ratio and the
    dampers do not.

    Args:
        car: the car.
        dampers: front and rear, for their gas.
        drive: longitudinal and lateral acceleration in m/s2, speed in m/s, (n, 3).

    """
    gas = [damper.gas for damper in dampers]
    model = linear(
        car, (0.0, 0.0), gas_n=[one.force_n for one in gas], gas_n_per_m=[one.rate_n_per_m for one in gas]
    )
    x, side = car.corner_x_m, car.corner_y_m
    travel = np.hstack((np.stack((-np.ones(4), -side, x), axis=1), np.eye(4)))
    # Newton through the links of each wheel for a newton that the tyres push along, as in the plant.
    lever = -np.sign(x) * car.height_m / (2.0 * car.wheelbase_m)
    brake, power = (
        -travel.T @ (lever * car.each_wheel([getattr(axle, name) for axle in car.axles]))
        for name in ("anti_brake", "anti_drive")
    )
    pitching = np.zeros(len(model.stiffness))
    pitching[2] = -car.mass_kg * car.height_m
    down = 0.25 * car.aero.air_density_kg_m3
    downforce = car.each_wheel([down * car.aero.downforce_front_m2, down * car.aero.downforce_rear_m2])
    pressing = np.zeros(len(model.stiffness))
    pressing[:BODY] = -downforce.sum(), -side @ downforce, x @ downforce

    along, across, speed2 = drive[:, 0], drive[:, 1], drive[:, 2] ** 2
    push_n = car.mass_kg * along + 0.5 * car.aero.air_density_kg_m3 * car.aero.drag_m2 * speed2
    forces = (
        np.outer(across, model.push[:, chassis.LAT])
        + np.outer(along, pitching)
        + np.outer(np.minimum(push_n, 0.0), brake)
        + np.outer(np.maximum(push_n, 0.0), power)
        + np.outer(speed2, pressing)
    )
    freedoms = np.linalg.solve(model.stiffness, forces.T).T
    tyre = car.each_wheel([axle.tyre_n_per_m for axle in car.axles])
    load = np.maximum(car.corner_load_n - tyre * freedoms[:, BODY:], 0.0)
    return Steady(freedoms[:, :BODY], load)
