"""Damping ratios of heave, roll and pitch by the car of seven degrees of freedom, in two ways.

`each_alone` holds the other two freedoms of the body and lets the wheels go: what a roll, say, is damped by, with all
four dampers as they are. That is what a target means, and it has a clear name at any setting.

`body_modes` gives the true modes. Where front and rear, or left and right, are damped apart, these are no longer heave,
roll and pitch but the bounce of an end or side, and the least damped of them says how long the car goes on moving.
A mode keeps the name that it has without damping: the damping is raised step by step, and each mode is followed by its
shape (modal assurance criterion, Allemang and Brown 1982 [M]) and its pole. Naming the damped modes at once would go
wrong where they are firm: past some damping what swings is body and wheels together on the tyres.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.chassis import Linear

NAMES = ("heave", "roll", "pitch")
_WHEELS = (3, 4, 5, 6)
# Damping is raised in steps of this modal damping ratio; a quarter of it changes no ratio of the tests' cars by 1e-9.
STEP = 0.04


@dataclass(frozen=True, slots=True)
class BodyModes:
    """Heave, roll and pitch, in this order.

    Attributes:
        hz: |eigenvalue| / 2 pi; where a mode does not swing any more, its undamped frequency.
        ratio: damping ratio; 1 where a mode does not swing any more.

    """

    hz: tuple[float, float, float]
    ratio: tuple[float, float, float]

    @property
    def heave(self) -> float:
        """Heave's damping ratio."""
        return self.ratio[0]

    @property
    def roll(self) -> float:
        """Roll's damping ratio."""
        return self.ratio[1]

    @property
    def pitch(self) -> float:
        """Pitch's damping ratio."""
        return self.ratio[2]


def body_modes(system: Linear, step: float = STEP) -> BodyModes:
    """Return the body's three true modes of a linear car, by the names they have without damping."""
    found = _followed(system, range(7), 3, step)
    hz, ratio = zip(*found, strict=True)
    return BodyModes((hz[0], hz[1], hz[2]), (ratio[0], ratio[1], ratio[2]))


def each_alone(system: Linear, step: float = STEP) -> BodyModes:
    """Return heave, roll and pitch, each with the body held in the other two."""
    found = [_followed(system, (body, *_WHEELS), 1, step)[0] for body in range(3)]
    hz, ratio = zip(*found, strict=True)
    return BodyModes((hz[0], hz[1], hz[2]), (ratio[0], ratio[1], ratio[2]))


def heave_alone(system: Linear, step: float = STEP) -> float:
    """Return heave's damping ratio of `each_alone`, for searches."""
    return _followed(system, (0, *_WHEELS), 1, step)[0][1]


def _followed(system: Linear, freedoms: Sequence[int], bodies: int, step: float) -> list[tuple[float, float]]:
    """Return frequency and damping ratio of the modes of the first `bodies` of some freedoms; the others are held."""
    from scipy.optimize import linear_sum_assignment

    kept = np.ix_(freedoms, freedoms)
    root = np.sqrt(np.diag(system.mass)[list(freedoms)])
    # In root-mass coordinates a shape's squares are its shares of the kinetic energy.
    stiffness, damping = (part[kept] / np.outer(root, root) for part in (system.stiffness, system.damping))
    squared, shapes = np.linalg.eigh(stiffness)
    _, named = linear_sum_assignment(-(shapes[:bodies] ** 2))
    undamped = np.sqrt(np.maximum(squared, 0.0))
    poles: Any = 1j * undamped
    earlier = poles
    before: Any = np.vstack((shapes, 1j * shapes)) / math.sqrt(2.0)
    labels: Any = np.arange(len(root))
    most = float(np.max(np.diag(shapes.T @ damping @ shapes) / np.maximum(2.0 * undamped, 1e-9)))
    steps = max(1, math.ceil(most / step))
    for part in range(1, steps + 1):
        there, moved = _swinging(stiffness, damping * (part / steps))
        # Shape tells apart what swings at the same rate, the way of the pole what has the same shape.
        ahead = 2.0 * poles - earlier
        apart = np.abs(ahead[:, None] - there) / np.abs(there) - np.abs(before.conj().T @ moved) ** 2
        old, new = linear_sum_assignment(apart)
        labels, before, poles, earlier = labels[old], moved[:, new], there[new], poles[old]
    pole_of = dict(zip(labels.tolist(), poles.tolist(), strict=True))
    found = []
    for mode in named.tolist():
        pole = pole_of.get(mode)
        if pole is None:
            found.append((float(undamped[mode]) / (2.0 * math.pi), 1.0))
        else:
            found.append((abs(pole) / (2.0 * math.pi), -pole.real / abs(pole)))
    return found


def _swinging(stiffness: Any, damping: Any) -> tuple[Any, Any]:
    """Return the poles that swing, upper half, and their shapes with rates, unit columns."""
    size = len(stiffness)
    matrix = np.block([[np.zeros((size, size)), np.eye(size)], [-stiffness, -damping]])
    poles, vectors = np.linalg.eig(matrix)
    up = poles.imag > 1e-9 * np.abs(poles)
    # Positions times a rate, so that both halves weigh alike.
    moved = np.vstack((vectors[:size, up] * np.abs(poles[up]), vectors[size:, up]))
    return poles[up], moved / np.linalg.norm(moved, axis=0)
