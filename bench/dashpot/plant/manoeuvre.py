"""Manoeuvres for comparing dampers and calibrations: what speed and what bend is asked for, over time or distance.

They begin with the car already rolling steadily and go along a straight of their own. A lane change is a smooth path
[D] in the manner of the double lane change of ISO 3888-1, whose lanes are 3.5 m apart with 30 m for the way there and
25 m each for the stay and the way back [M]. A real car uses some of the lanes' width and begins early, which a path
does by longer ways and a shorter stay; nothing here judges cones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dashpot.plant.car import Floats


@dataclass(frozen=True, slots=True)
class Manoeuvre:
    """Straight on at a constant speed; the others are made from it.

    Attributes:
        speed_m_s: at which it begins.

    """

    speed_m_s: float

    @property
    def kind(self) -> str:
        """Its name in a scenario file."""
        return "straight"

    def asks_m_s2(self) -> float:
        """Return the greatest acceleration of the car that it asks for."""
        return 0.0

    def speed_at(self, time_s: Floats) -> Floats:
        """Return the speed that is wanted, before pedals and lags, (n,)."""
        return np.full(len(time_s), self.speed_m_s)

    def bend_at(self, time_s: Floats, distance_m: Floats, speed_m_s: Floats) -> Floats:  # noqa: ARG002 - one contract for all
        """Return the curvature that is steered for at times and at the distances ahead, + to the left, (n,)."""
        return np.zeros(len(time_s))


@dataclass(frozen=True, slots=True)
class Brake(Manoeuvre):
    """Brake in a straight line to a standstill.

    Attributes:
        decel_m_s2: deceleration.
        at_s: when it begins.

    """

    decel_m_s2: float
    at_s: float

    @property
    def kind(self) -> str:
        """Its name in a scenario file."""
        return "brake"

    def asks_m_s2(self) -> float:
        """Return the deceleration."""
        return self.decel_m_s2

    def speed_at(self, time_s: Floats) -> Floats:
        """Return the speed, falling from a time on."""
        falling: Floats = np.maximum(
            self.speed_m_s - self.decel_m_s2 * np.maximum(time_s - self.at_s, 0.0), 0.0
        )
        return falling


@dataclass(frozen=True, slots=True)
class StepSteer(Manoeuvre):
    """Turn the steering wheel within a short time and hold it.

    Attributes:
        lateral_m_s2: acceleration that it settles at, + to the left.
        at_s: when it begins.
        ramp_s: time of turning.

    """

    lateral_m_s2: float
    at_s: float
    ramp_s: float

    @property
    def kind(self) -> str:
        """Its name in a scenario file."""
        return "step_steer"

    def asks_m_s2(self) -> float:
        """Return the size of the lateral acceleration."""
        return abs(self.lateral_m_s2)

    def bend_at(self, time_s: Floats, distance_m: Floats, speed_m_s: Floats) -> Floats:  # noqa: ARG002 - as above
        """Return the curvature of the steady circle, reached in a straight ramp."""
        share = np.clip((time_s - self.at_s) / self.ramp_s, 0.0, 1.0)
        bend: Floats = self.lateral_m_s2 / self.speed_m_s**2 * share
        return bend


@dataclass(frozen=True, slots=True)
class Sine(Manoeuvre):
    """Weave: sines of the steering wheel, whole ones.

    Attributes:
        lateral_m_s2: amplitude of the acceleration that slow ones would have.
        hz: of the sines.
        at_s: when they begin.
        count: how many.

    """

    lateral_m_s2: float
    hz: float
    at_s: float
    count: int

    @property
    def kind(self) -> str:
        """Its name in a scenario file."""
        return "sine"

    def asks_m_s2(self) -> float:
        """Return the size of the lateral acceleration."""
        return abs(self.lateral_m_s2)

    def bend_at(self, time_s: Floats, distance_m: Floats, speed_m_s: Floats) -> Floats:  # noqa: ARG002 - as above
        """Return the curvature."""
        turns = np.clip((time_s - self.at_s) * self.hz, 0.0, float(self.count))
        bend: Floats = self.lateral_m_s2 / self.speed_m_s**2 * np.sin(2.0 * math.pi * turns)
        return bend


@dataclass(frozen=True, slots=True)
class LaneChange(Manoeuvre):
    """To the next lane and back, on a path; the car is steered so that it follows it.

    Attributes:
        at_m: where it begins.
        offset_m: of the other lane, + to the left.
        there_m: length of the way over.
        stay_m: on the other lane.
        back_m: length of the way back; 0 to stay over there.

    """

    at_m: float
    offset_m: float
    there_m: float
    stay_m: float
    back_m: float

    @property
    def kind(self) -> str:
        """Its name in a scenario file."""
        return "lane_change"

    def asks_m_s2(self) -> float:
        """Return the greatest lateral acceleration on the path."""
        along = np.linspace(0.0, self.at_m + self.there_m + self.stay_m + self.back_m, 10_001)
        return float(np.abs(self.bend_at(along, along, along)).max()) * self.speed_m_s**2

    def bend_at(self, time_s: Floats, distance_m: Floats, speed_m_s: Floats) -> Floats:  # noqa: ARG002 - as above
        """Return the path's curvature y'' / (1 + y'^2)^(3/2); distances are taken along the straight."""
        slope, curve = np.zeros(len(distance_m)), np.zeros(len(distance_m))
        for start, length, way in (
            (self.at_m, self.there_m, 1.0),
            (self.at_m + self.there_m + self.stay_m, self.back_m, -1.0),
        ):
            if length <= 0.0:
                continue
            # y = offset (x - sin(2 pi x) / 2 pi): its curvature begins and ends with 0.
            x = np.clip((distance_m - start) / length, 0.0, 1.0)
            slope += way * self.offset_m / length * (1.0 - np.cos(2.0 * math.pi * x))
            curve += way * self.offset_m * 2.0 * math.pi / length**2 * np.sin(2.0 * math.pi * x)
        bend: Floats = curve / (1.0 + slope**2) ** 1.5
        return bend
