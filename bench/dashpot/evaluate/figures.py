"""What is measured on one drive, as numbers with units, and what each number means.

Three choices of this project [D] stand behind most of them:

- Body control is the speed of the body's corners, heave, roll and pitch in one number, over the road's own long waves,
  so a hill does not count. Body motion beside it is counted from the steady attitude of the momentary accelerations
  (`dashpot.evaluate.steady`): a body that rolls late is as far from it as one that swings, so read it with the overshoots.
- Tyre load is counted from the steady load in the same way, as a share of the wheel's static load.
- Usable grip is the share of the asked-for tyre force that the momentary load can carry, with a friction that does not
  depend on load: each wheel is asked in proportion to its steady load and gives no more than friction times load.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.evaluate.steady import steady
from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.chassis import Motion
from dashpot.plant.comfort import weighted
from dashpot.plant.metrics import lifted_s, stroke_use
from dashpot.plant.world import scenario_valves

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Car, Floats
    from dashpot.plant.drive import Drive
    from dashpot.plant.scenario import Scenario

#: Waves of the road longer than this at the car's speed lift the body anyway; shorter ones it should not follow.
ROAD_HZ = 0.7
#: Load transfer up to here; above it is the wheels' own hop.
TRANSFER_HZ = 5.0
#: Braking counts from here on.
BRAKING_M_S2 = 3.0
#: Of friction times gravity: less is no demand on grip.
ASKED_SHARE = 0.3
#: Friction below this share of the dry road's is wet.
WET_BELOW = 0.9
#: Shorter stretches say nothing.
LEAST_S = 0.5
#: Steady values below these have no overshoot worth a figure.
LEAST_ANGLE_RAD = math.radians(0.3)
LEAST_TRANSFER_SHARE = 0.05


def _metric(
    label: str, unit: str, meaning: str, *, sums: bool = False, higher: bool = False, ratio: bool = True
) -> Any:
    """Return a field of `Figures`.

    `sums`: of several drives the sum counts; `higher`: more is better; `ratio`: a change of it is a share of it.
    """
    return field(
        metadata={
            "label": label, "unit": unit, "meaning": meaning, "sums": sums, "higher": higher, "ratio": ratio,
        }
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figures:
    """What was measured on a drive; None where the drive has no such thing. Less is better unless said otherwise."""

    tyre_variation_percent: float = _metric(
        "tyre load variation", "%", "rms of tyre load about its steady load over static load, all wheels"
    )
    tyre_variation_front_percent: float = _metric("tyre load variation, front", "%", "the same, front wheels")
    tyre_variation_rear_percent: float = _metric("tyre load variation, rear", "%", "the same, rear wheels")
    body_speed_mm_s: float = _metric(
        "body speed", "mm/s", "rms of the vertical speeds of the body's corners: body control in one number"
    )
    heave_rate_mm_s: float = _metric("heave rate", "mm/s", "rms")
    roll_rate_deg_s: float = _metric("roll rate", "deg/s", "rms")
    pitch_rate_deg_s: float = _metric("pitch rate", "deg/s", "rms")
    body_motion_mm: float = _metric(
        "body motion", "mm", "rms of the heights of the body's corners about the steady attitude"
    )
    heave_mm: float = _metric("heave", "mm", "rms of heave about the steady height")
    roll_deg: float = _metric("roll", "deg", "rms of roll about the steady roll")
    pitch_deg: float = _metric("pitch", "deg", "rms of pitch about the steady pitch")
    roll_overshoot_percent: float | None = _metric(
        "roll overshoot",
        "%",
        "greatest roll over the greatest steady roll, less 100 %",
        ratio=False,
    )
    pitch_overshoot_percent: float | None = _metric(
        "pitch overshoot",
        "%",
        "greatest pitch over the greatest steady pitch, less 100 %",
        ratio=False,
    )
    transfer_overshoot_percent: float | None = _metric(
        "load transfer overshoot", "%",
        "greatest load transfer below 5 Hz over the greatest steady one, less 100 %: lateral, or along where there is none", ratio=False,
    )  # fmt: skip
    comfort_m_s2: float = _metric(
        "weighted acceleration", "m/s2", "rms of the body's vertical acceleration by ISO 2631-1 Wk"
    )
    stroke_use_percent: float = _metric("stroke use", "%", "greatest share of a stop's gap at any corner")
    stop_hits: int = _metric("stop hits", "", "times that a stop was met", sums=True)
    stop_force_n: float = _metric("hardest stop", "N", "greatest force of a bump stop")
    lifted_ms: float = _metric("wheels off the road", "ms", "time summed over the wheels", sums=True)
    braking_variation_percent: float | None = _metric(
        "tyre load variation in braking", "%",
        "all wheels, while braking harder than 3 m/s2, on rough patches where the road has some",
    )  # fmt: skip
    braking_grip_percent: float | None = _metric(
        "usable grip in braking", "%", "there, of the force that is asked for", higher=True
    )
    wet_variation_percent: float | None = _metric(
        "tyre load variation in the wet", "%", "all wheels, where friction is under 90 % of the dry road's"
    )
    wet_grip_percent: float | None = _metric(
        "usable grip in the wet", "%", "there, of the force that is asked for", higher=True
    )
    active_percent: float | None = _metric(
        "controller whole",
        "%",
        "share of the time in mode `active`; nothing for held currents",
        higher=True,
        ratio=False,
    )

    def value(self, name: str) -> float | None:
        """Return the value of a metric, None where the drive has none."""
        found: float | None = getattr(self, name)
        return found


@dataclass(frozen=True, slots=True)
class Metric:
    """What a figure is: its field's name, and the rest as in `_metric`."""

    name: str
    label: str
    unit: str
    meaning: str
    sums: bool
    higher: bool
    ratio: bool


METRICS: dict[str, Metric] = {one.name: Metric(one.name, **one.metadata) for one in fields(Figures)}


def figures_of(
    motion: Motion, drive: Drive, scenario: Scenario, settle_s: float, active_percent: float | None = None
) -> Figures:
    """Return the figures of a drive.

    Args:
        motion: of the plant; rows begin with time 0.
        drive: the truth of the drive.
        scenario: what was driven.
        settle_s: from the start, not counted.
        active_percent: what the controller said of itself.

    """
    car, step_s = drive.car, motion.step_s
    # The drive has a row a millisecond, the motion one a tick.
    count = len(motion.rows)
    at = np.minimum(np.rint(np.arange(count) * (step_s * 1e3)).astype(np.int64), len(drive.time_s) - 1)
    pushes = np.column_stack((drive.accel_long_m_s2, drive.accel_lat_m_s2, drive.speed_m_s))[at]
    rest = steady(car, [valve.damper() for valve in scenario_valves(scenario)], pushes)
    road = _smooth_road(car, drive.road_m[at], step_s)
    attitude = motion.rows[:, :3].astype(np.float64) - road
    speeds = motion.rates[:, :3].astype(np.float64) - np.gradient(road, step_s, axis=0)
    load = motion.tyre_load_n.astype(np.float64)
    varied = (load - rest.tyre_load_n) / car.corner_load_n
    friction = drive.friction[at]
    counted = np.arange(count) >= round(settle_s / step_s)
    braking = counted & (pushes[:, 0] < -BRAKING_M_S2) & _on_patches(scenario, drive.distance_m[at])
    wet = counted & (friction < WET_BELOW)
    grip = _Grip(car, pushes, load, rest.tyre_load_n, scenario.performance.grip * friction, step_s)
    settled = Motion(motion.rows[counted], step_s)
    use = stroke_use(settled, car)
    beyond = (attitude - rest.body)[counted]
    speeds = speeds[counted]
    comfort = weighted(motion.accel_vert_m_s2.astype(np.float64), 1.0 / step_s)
    return Figures(
        tyre_variation_percent=100.0 * _rms(varied[counted]),
        tyre_variation_front_percent=100.0 * _rms(varied[counted, :2]),
        tyre_variation_rear_percent=100.0 * _rms(varied[counted, 2:]),
        body_speed_mm_s=1e3 * _rms(_at_corners(speeds, car)),
        heave_rate_mm_s=1e3 * _rms(speeds[:, 0]),
        roll_rate_deg_s=math.degrees(_rms(speeds[:, 1])),
        pitch_rate_deg_s=math.degrees(_rms(speeds[:, 2])),
        body_motion_mm=1e3 * _rms(_at_corners(beyond, car)),
        heave_mm=1e3 * _rms(beyond[:, 0]),
        roll_deg=math.degrees(_rms(beyond[:, 1])),
        pitch_deg=math.degrees(_rms(beyond[:, 2])),
        roll_overshoot_percent=_overshoot(attitude[counted, 1], rest.body[counted, 1], LEAST_ANGLE_RAD),
        pitch_overshoot_percent=_overshoot(attitude[counted, 2], rest.body[counted, 2], LEAST_ANGLE_RAD),
        transfer_overshoot_percent=_transfer_overshoot(load, rest.tyre_load_n, counted, step_s),
        comfort_m_s2=_rms(comfort[counted]),
        stroke_use_percent=100.0 * max(max(one.compression_share, one.rebound_share) for one in use),
        stop_hits=sum(one.bump_hits + one.droop_hits for one in use),
        stop_force_n=max(one.hardest_bump_n for one in use),
        lifted_ms=1e3 * float(lifted_s(settled).sum()),
        braking_variation_percent=_share(varied, braking, step_s),
        braking_grip_percent=grip.share(braking),
        wet_variation_percent=_share(varied, wet, step_s),
        wet_grip_percent=grip.share(wet),
        active_percent=active_percent,
    )


@dataclass(frozen=True, slots=True)
class _Grip:
    car: Car
    pushes: Floats
    load_n: Floats
    steady_n: Floats
    friction: Floats
    step_s: float

    def share(self, where: NDArray[np.bool_]) -> float | None:
        """Return usable over asked-for force in percent, over the rows where grip is asked for."""
        asked_m_s2 = np.hypot(self.pushes[:, 0], self.pushes[:, 1])
        where = where & (asked_m_s2 > ASKED_SHARE * self.friction * GRAVITY_M_S2)
        if where.sum() * self.step_s < LEAST_S:
            return None
        steady_n = self.steady_n[where]
        used = self.car.mass_kg * asked_m_s2[where] / steady_n.sum(axis=1)
        asked_n = used[:, None] * steady_n
        given_n = np.minimum(self.friction[where, None] * self.load_n[where], asked_n)
        return 100.0 * float(given_n.sum() / asked_n.sum())


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values, dtype=np.float64))))


def _share(varied: Floats, where: NDArray[np.bool_], step_s: float) -> float | None:
    return 100.0 * _rms(varied[where]) if where.sum() * step_s >= LEAST_S else None


def _at_corners(body: Floats, car: Car) -> Floats:
    """Return heights or speeds at the body's corners from heave, roll and pitch (n, 3), (n, 4)."""
    heights: Floats = (
        body[:, :1] + np.outer(body[:, 1], car.corner_y_m) - np.outer(body[:, 2], car.corner_x_m)
    )
    return heights


def _smooth_road(car: Car, road_m: Floats, step_s: float) -> Floats:
    """Return height, roll and pitch of the road under the wheels without its short waves, (n, 3)."""
    tracks = (car.front.track_m, car.rear.track_m)
    plane = np.column_stack(
        (
            road_m.mean(axis=1),
            ((road_m[:, 0] - road_m[:, 1]) / tracks[0] + (road_m[:, 2] - road_m[:, 3]) / tracks[1]) / 2.0,
            (road_m[:, 2:].sum(axis=1) - road_m[:, :2].sum(axis=1)) / (2.0 * car.wheelbase_m),
        )
    )
    return _low_pass(plane, ROAD_HZ, step_s)


def _low_pass(values: Floats, hz: float, step_s: float) -> Floats:
    """Return values below a frequency, without delay: a Butterworth filter of order two forwards and backwards."""
    from scipy.signal import butter, sosfiltfilt

    # The start is reflected over a whole period of the corner frequency, as far as the record goes.
    pad = min(round(1.0 / (hz * step_s)), len(values) - 1)
    passed: Floats = sosfiltfilt(butter(2, hz, fs=1.0 / step_s, output="sos"), values, axis=0, padlen=pad)
    return passed


def _overshoot(values: Floats, steady_values: Floats, least: float) -> float | None:
    most = float(np.abs(steady_values).max())
    return 100.0 * (float(np.abs(values).max()) / most - 1.0) if most > least else None


def _transfer_overshoot(
    load_n: Floats, steady_n: Floats, counted: NDArray[np.bool_], step_s: float
) -> float | None:
    """Return the overshoot of the load transfer across, or along where there is none across."""
    least_n = LEAST_TRANSFER_SHARE * float(steady_n[0].sum())
    for sign in (np.array([-1.0, 1.0, -1.0, 1.0]), np.array([1.0, 1.0, -1.0, -1.0])):
        # From the load at rest in the first row; across there is none.
        moved, still = (0.5 * ((load - steady_n[0]) @ sign) for load in (load_n, steady_n))
        found = _overshoot(_low_pass(moved, TRANSFER_HZ, step_s)[counted], still[counted], least_n)
        if found is not None:
            return found
    return None


def _on_patches(scenario: Scenario, distance_m: Floats) -> NDArray[np.bool_]:
    """Return where the car is on a rough patch; everywhere where the road has none."""
    patches = scenario.ground.patches
    if not patches:
        return np.ones(len(distance_m), np.bool_)
    windows = [
        scenario.line.window(distance_m, patch.start_m, patch.end_m, patch.blend_m, inside=True)
        for patch in patches
    ]
    inside: NDArray[np.bool_] = np.max(windows, axis=0) > 0.0
    return inside
