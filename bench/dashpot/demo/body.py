"""Linear full car: how road, cornering and braking become strokes at the dampers.

Seven degrees of freedom: heave z, roll phi (left side up), pitch theta (nose down) and four wheels. The body height
at a corner is z + y phi - x theta. Springs, dampers, anti-roll bars and tyres are linear and nothing ends the travel;
load transfer enters as moments on the body: forward transfer m h ax less the anti-dive share, lateral m d ay about
the roll axis, as in the steady state of any chassis textbook [C]. The model is integrated exactly for inputs held
over a step (matrix exponential).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.demo.path import GRAVITY_M_S2

if TYPE_CHECKING:
    from dashpot.demo.path import Floats

FREEDOMS = 7
INPUTS = 6  # four road heights, roll moment, pitch moment


@dataclass(frozen=True, slots=True)
class FullCar:
    """A car's data at the wheels; pairs are front and rear, stiffness and damping of one wheel.

    The defaults are the Merlin T4 [D]: heave, pitch and roll between 1.4 and 1.9 Hz, damping ratio about 0.45.
    """

    mass_kg: float = 1100.0
    roll_inertia_kg_m2: float = 560.0
    pitch_inertia_kg_m2: float = 1750.0
    wheel_mass_kg: float = 38.0
    spring_n_per_m: tuple[float, float] = (30_000.0, 33_000.0)
    damping_n_s_per_m: tuple[float, float] = (2600.0, 2750.0)
    # Force at each wheel for a metre of difference between left and right.
    bar_n_per_m: tuple[float, float] = (8000.0, 3000.0)
    tyre_n_per_m: float = 220_000.0
    to_axle_m: tuple[float, float] = (1.30, 1.28)
    half_track_m: tuple[float, float] = (0.76, 0.75)
    roll_arm_m: float = 0.36
    height_m: float = 0.47
    anti_dive: float = 0.25
    motion_ratio: tuple[float, float] = (0.78, 0.82)

    @property
    def wheelbase_m(self) -> float:
        """Distance between the axles."""
        return sum(self.to_axle_m)

    @property
    def total_mass_kg(self) -> float:
        """Body and wheels."""
        return self.mass_kg + 4.0 * self.wheel_mass_kg

    def deflection(self) -> Floats:
        """Return the matrix from the seven freedoms to the four compressions at the wheels, shape (4, 7)."""
        (a, b), (front, rear) = self.to_axle_m, self.half_track_m
        ahead, left = np.array([a, a, -b, -b]), np.array([front, -front, rear, -rear])
        return np.hstack((np.stack((-np.ones(4), -left, ahead), axis=1), np.eye(4)))

    def matrices(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Return mass, damping, stiffness (7, 7) and input (7, 6) of M q'' + C q' + K q = G u."""
        mass = np.diag(
            [self.mass_kg, self.roll_inertia_kg_m2, self.pitch_inertia_kg_m2] + [self.wheel_mass_kg] * 4
        )
        springs, dampers = np.zeros((4, 4)), np.zeros((4, 4))
        for axle in (0, 1):
            pair = slice(2 * axle, 2 * axle + 2)
            bar = self.bar_n_per_m[axle] * np.array([[1.0, -1.0], [-1.0, 1.0]])
            springs[pair, pair] = self.spring_n_per_m[axle] * np.eye(2) + bar
            dampers[pair, pair] = self.damping_n_s_per_m[axle] * np.eye(2)
        to_corner = self.deflection()
        stiffness = to_corner.T @ springs @ to_corner
        stiffness[range(3, FREEDOMS), range(3, FREEDOMS)] += self.tyre_n_per_m
        # The rolled body's weight rolls it further.
        stiffness[1, 1] -= self.mass_kg * GRAVITY_M_S2 * self.roll_arm_m
        inputs = np.zeros((FREEDOMS, INPUTS))
        inputs[3:, :4] = self.tyre_n_per_m * np.eye(4)
        inputs[1, 4] = inputs[2, 5] = 1.0
        return mass, to_corner.T @ dampers @ to_corner, stiffness, inputs

    def undamped_hz(self) -> Floats:
        """Return the seven undamped natural frequencies, rising."""
        mass, _, stiffness, _ = self.matrices()
        root = np.sqrt(np.diag(mass))
        return np.sqrt(np.linalg.eigvalsh(stiffness / np.outer(root, root))) / (2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Motion:
    """The car's answer, one row a step.

    Attributes:
        stroke_m: compression at the dampers, (n, 4).
        stroke_speed_m_s: its rate, (n, 4).
        accel_vert_m_s2: vertical acceleration of the body at its centre of gravity, (n,).
        roll_rad: left side up, (n,).
        pitch_rad: nose down, (n,).

    """

    stroke_m: Floats
    stroke_speed_m_s: Floats
    accel_vert_m_s2: Floats
    roll_rad: Floats
    pitch_rad: Floats


def expm(matrix: Floats) -> Floats:
    """Return the matrix exponential by scaling, a Taylor series and squaring."""
    halvings = max(0, math.ceil(math.log2(max(float(np.abs(matrix).sum(axis=1).max()), 1e-300))) + 4)
    small = matrix / 2.0**halvings
    result = term = np.eye(len(matrix))
    for order in range(1, 13):
        term = term @ small / order
        result = result + term
    for _ in range(halvings):
        result = result @ result
    return result


def move(
    car: FullCar,
    road_m: Floats,
    accel_long_m_s2: Floats,
    accel_lat_m_s2: Floats,
    step_s: float,
) -> Motion:
    """Drive the car over road heights (n, 4) under accelerations (n,), starting at rest on the first height."""
    mass, damping, stiffness, inputs = car.matrices()
    inverse = np.linalg.inv(mass)
    size = 2 * FREEDOMS
    a = np.zeros((size, size))
    a[:FREEDOMS, FREEDOMS:] = np.eye(FREEDOMS)
    a[FREEDOMS:, :FREEDOMS] = -inverse @ stiffness
    a[FREEDOMS:, FREEDOMS:] = -inverse @ damping
    b = np.vstack((np.zeros((FREEDOMS, INPUTS)), inverse @ inputs))
    exact = expm(step_s * np.block([[a, b], [np.zeros((INPUTS, size + INPUTS))]]))
    step, push = exact[:size, :size], exact[:size, size:]

    roll_moment = car.mass_kg * car.roll_arm_m * accel_lat_m_s2
    pitch_moment = -car.total_mass_kg * car.height_m * (1.0 - car.anti_dive) * accel_long_m_s2
    u = np.column_stack((road_m, roll_moment, pitch_moment))
    states = np.empty((len(u), size))
    states[0] = -np.linalg.solve(a, b @ u[0])
    pushed = u @ push.T
    scratch = np.empty(size)
    for k in range(len(u) - 1):
        np.dot(step, states[k], out=scratch)
        np.add(scratch, pushed[k], out=states[k + 1])

    ratio = np.repeat(car.motion_ratio, 2)
    to_corner = car.deflection().T * ratio
    accel = states @ a[FREEDOMS].T + u @ b[FREEDOMS].T
    return Motion(
        stroke_m=states[:, :FREEDOMS] @ to_corner,
        stroke_speed_m_s=states[:, FREEDOMS:] @ to_corner,
        accel_vert_m_s2=accel,
        roll_rad=states[:, 1].copy(),
        pitch_rad=states[:, 2].copy(),
    )
