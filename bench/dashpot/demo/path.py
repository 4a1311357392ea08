"""The circuit Hollow Fen and the speed at which the Merlin T4 goes round it.

The lap is a list of straights and corners; curvature is smoothed along the distance as a driver's line is. The speed
comes from the friction limit: what a corner allows, then a forward pass (engine, traction) and a backward pass
(braking), both with the rest of the friction ellipse that cornering leaves. Circuit and car are invented [D]; the
method is the usual quasi-steady one [C].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating[Any]]

GRAVITY_M_S2 = 9.80665

STEP_M = 0.5
# Curvature changes over twice this distance: two passes of a moving mean give the ramp of a transition curve.
TRANSITION_M = 13.0

# The car, as far as the speed profile needs it [D].
MASS_KG = 1260.0
POWER_W = 215_000.0
DRAG_KG_PER_M = 0.42  # 0.5 x air density 1.2 x drag area 0.70 m2
ROLLING_M_S2 = 0.15
DRY_GRIP = 1.25
TRACTION_SHARE = 0.52  # one driven axle
BRAKING_SHARE = 0.95
DAMP_FACTOR = 0.6


@dataclass(frozen=True, slots=True)
class Segment:
    """A piece of the circuit; a straight has angle 0, a corner turns `angle_deg`, positive to the left."""

    name: str
    length_m: float
    angle_deg: float = 0.0


def _corner(name: str, radius_m: float, angle_deg: float) -> Segment:
    return Segment(name, radius_m * math.radians(abs(angle_deg)), angle_deg)


# The lengths of "Long Dyke" and "Start" close the loop; tests/test_demo_lap.py holds them to it.
CIRCUIT: tuple[Segment, ...] = (
    Segment("Start", 426.2),
    _corner("Mill", 70.0, -90.0),
    Segment("Mill Exit", 60.0),
    _corner("Reed", 100.0, 55.0),
    Segment("Washboard", 210.0),
    _corner("Heron", 28.0, -145.0),
    Segment("Heron Exit", 100.0),
    _corner("Alder", 75.0, 50.0),
    Segment("Alder Exit", 100.0),
    _corner("Kerb", 55.0, -80.0),
    Segment("Towpath", 110.0),
    _corner("Sluice 1", 50.0, 70.0),
    Segment("Sluice A", 80.0),
    _corner("Sluice 2", 45.0, -95.0),
    Segment("Sluice B", 70.0),
    _corner("Sluice 3", 70.0, 55.0),
    Segment("Sluice C", 90.0),
    _corner("Sluice 4", 60.0, -90.0),
    Segment("Long Dyke", 280.4),
    _corner("Osier", 65.0, -90.0),
    Segment("Finish", 60.0),
)
SECTOR_STARTS = ("Start", "Towpath", "Long Dyke")


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the lap, in metres from the start line."""

    start_m: float
    end_m: float

    def holds(self, distance_m: Floats) -> NDArray[np.bool_]:
        """Say for each lap distance whether it lies in the zone."""
        return (distance_m >= self.start_m) & (distance_m < self.end_m)


@dataclass(frozen=True, slots=True)
class Circuit:
    """One lap in steps of STEP_M.

    Attributes:
        length_m: length of the lap.
        curvature_per_m: 1/m, positive to the left.
        friction: friction of the road against the dry road, 1 or less.
        bumpy: the rough braking zone.
        kerb: the kerb under the left wheels.
        damp: the damp sector.
        sector_starts_m: where each of the three sectors begins.

    """

    length_m: float
    curvature_per_m: Floats
    friction: Floats
    bumpy: Zone
    kerb: Zone
    damp: Zone
    sector_starts_m: tuple[float, ...]

    def at(self, values: Floats, distance_m: Floats) -> Floats:
        """Interpolate values of the lap's grid at any distance; laps repeat."""
        around = np.append(values, values[0])
        found: Floats = np.interp(distance_m % self.length_m, np.arange(len(around)) * STEP_M, around)
        return found


def _smooth_around(values: Floats, width_m: float) -> Floats:
    """Return the moving mean of periodic values over an odd number of grid steps."""
    half = round(width_m / STEP_M) // 2
    around = np.concatenate((values[-half - 1 :], values, values[:half]))
    total = np.cumsum(around)
    mean: Floats = (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)
    return mean


def _span(name: str) -> Zone:
    start = 0.0
    for segment in CIRCUIT:
        if segment.name == name:
            return Zone(start, start + segment.length_m)
        start += segment.length_m
    raise KeyError(name)


def build_circuit() -> Circuit:
    """Lay out the lap on its grid."""
    ends = np.cumsum([segment.length_m for segment in CIRCUIT])
    count = round(float(ends[-1]) / STEP_M)
    distance = (np.arange(count) + 0.5) * STEP_M
    # From the heading at the step's ends, so that a step with a border inside keeps the turn exact.
    turned = np.concatenate(([0.0], np.cumsum([math.radians(segment.angle_deg) for segment in CIRCUIT])))
    heading = np.interp(np.arange(count + 1) * STEP_M, np.concatenate(([0.0], ends)), turned)
    curvature = _smooth_around(_smooth_around(np.diff(heading) / STEP_M, TRANSITION_M), TRANSITION_M)

    washboard, kerb, heron = _span("Washboard"), _span("Kerb"), _span("Heron")
    damp = Zone(_span("Sluice 1").start_m - 40.0, _span("Sluice 4").end_m + 10.0)
    friction = np.where(damp.holds(distance), DAMP_FACTOR, 1.0)
    return Circuit(
        length_m=count * STEP_M,
        curvature_per_m=curvature,
        friction=_smooth_around(friction, 20.0),
        bumpy=Zone(washboard.end_m - 75.0, heron.start_m + 8.0),
        kerb=Zone(kerb.end_m - 22.0, kerb.end_m - 12.0),
        damp=damp,
        sector_starts_m=tuple(_span(name).start_m for name in SECTOR_STARTS),
    )


def trace(curvature_per_m: Floats) -> tuple[Floats, Floats]:
    """Return x and y of the line in metres, starting along x."""
    heading = (np.cumsum(curvature_per_m) - curvature_per_m / 2) * STEP_M
    return np.cumsum(np.cos(heading)) * STEP_M, np.cumsum(np.sin(heading)) * STEP_M


@dataclass(frozen=True, slots=True)
class SpeedProfile:
    """Speed over distance from a standing start: at time_s the car is at distance_m with speed_m_s."""

    time_s: Floats
    distance_m: Floats
    speed_m_s: Floats


def drive(circuit: Circuit, skill: Floats, duration_s: float) -> SpeedProfile:
    """Find the speed profile that the friction limit allows.

    Args:
        circuit: the lap.
        skill: share of the limit that the driver uses, on the lap's grid.
        duration_s: the profile covers at least this time.

    """
    # No lap of this circuit is faster than 40 m/s on average; a lap more covers the braking ahead.
    laps = math.ceil(duration_s * 40.0 / circuit.length_m) + 1
    bend = np.tile(np.abs(circuit.curvature_per_m), laps)
    limit = np.tile(DRY_GRIP * GRAVITY_M_S2 * circuit.friction * skill, laps)
    # Squared speeds: with constant acceleration over a step they change by 2 a ds.
    allowed = (limit / np.maximum(bend, 1e-6)).tolist()
    bends, limits = bend.tolist(), limit.tolist()
    count = len(bends)

    squared = [0.0] * count
    for i in range(count - 1):
        now = squared[i]
        left = _left(now * bends[i], limits[i])
        engine = POWER_W / (MASS_KG * math.sqrt(now)) if now > 1.0 else math.inf
        gain = min(engine, TRACTION_SHARE * left) - ROLLING_M_S2 - DRAG_KG_PER_M / MASS_KG * now
        squared[i + 1] = min(now + 2.0 * gain * STEP_M, allowed[i + 1])
    for i in range(count - 2, -1, -1):
        then = squared[i + 1]
        loss = BRAKING_SHARE * _left(then * bends[i + 1], limits[i + 1])
        squared[i] = min(squared[i], then + 2.0 * loss * STEP_M)

    speed = np.sqrt(np.array(squared))
    steps_s = 2.0 * STEP_M / (speed[1:] + speed[:-1])
    return SpeedProfile(np.concatenate(([0.0], np.cumsum(steps_s))), np.arange(count) * STEP_M, speed)


def _left(lateral_m_s2: float, limit_m_s2: float) -> float:
    """Return the longitudinal acceleration that the friction ellipse leaves."""
    return math.sqrt(max(limit_m_s2**2 - lateral_m_s2**2, 0.0))
