"""The numbers of every layer but the body-load map, each from the car, the valves and the targets.

Where a number is a choice and no result it says so, as [D] for this project's own and [C] for what is usual.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.car import GRAVITY_M_S2
from dashpot.starting.firmness import EVEN_AT_M_S, STEP_MA, WHOLE, coefficient, share_of, share_table
from dashpot.starting.solve import CELL_STEP, rounded

if TYPE_CHECKING:
    from dashpot.plant.car import Stop
    from dashpot.starting.solve import Solver

PERIOD_S = 0.002
# Control of the current, beside the valve's own response [D]; slower where a coil asks for it (see `control_ms`).
CONTROL_MS = (6, 8, 10, 12, 15, 20, 30, 40, 60, 80, 100)
# The firmware's control stops at this gain (docs/valve.md).
MOST_GAIN_OHM = 7.5
# Age of a value on the bus when it is used: 0 to 10 ms [C], the end of it.
BUS_AGE_S = 0.010
# Lateral acceleration lags the steering by 50 to 150 ms [M].
LATERAL_LAG_S = 0.100
# A lead asks for this share of what body load will ask for, since body load comes in while the lead goes [D].
HANDOVER = 0.5
# Part of a dry track's grip from which grip counts as asked for [D].
ASKED = 0.4
# The ramp before a stop: at least, and at most of the gap [D].
RAMP_LEAST_M, RAMP_MOST_SHARE = 0.006, 0.4
# Most demand toward a bump stop and a droop stop [D].
END_PEAK = (950, 700)
KMH = 3.6


@dataclass(frozen=True, slots=True)
class BrakeLead:
    """The brake lead; pairs are front and rear."""

    bar: tuple[int, ...]
    demand: tuple[tuple[int, ...], tuple[int, ...]]
    rate_gain: tuple[int, int]
    peak: tuple[int, int]
    slow_ms: int
    decay_ms: int
    lead_ms: int


@dataclass(frozen=True, slots=True)
class SteerLead:
    """The steer lead: gains of front outer, front inner, rear outer, rear inner."""

    gain: tuple[int, int, int, int]
    peak: int
    decay_ms: int
    lead_ms: int


@dataclass(frozen=True, slots=True)
class Trims:
    """Trims of stroke speed: [front, rear][compression, rebound][low, medium, high].

    Attributes:
        normal: on any road.
        rough: while braking on a rough one.
        short: trims that the valve's authority or the least demand cut, in words.

    """

    normal: tuple[tuple[tuple[int, int, int], ...], ...]
    rough: tuple[tuple[tuple[int, int, int], ...], ...]
    short: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Ramp:
    """The last of the stroke toward one stop.

    Attributes:
        start_mm: from ride height.
        stop_mm: where the stop is met.
        peak: most demand.
        energy_j: of the wheel.
        taken_j: what the damper takes of it on the ramp.

    """

    start_mm: int
    stop_mm: int
    peak: int
    energy_j: float
    taken_j: float


@dataclass(frozen=True, slots=True)
class Actuator:
    """A valve in the calibration's words.

    Attributes:
        least_ma, most_ma, safe_ma, match_ma, derate_ma: currents.
        slew_up, slew_down: A/s.
        safe_share: firmness of the safe current, 0 the softest and 1 the firmest that can be held.
        passive_share: the same of the valve without a current; below 0 or above 1 outside that range.

    """

    least_ma: int
    most_ma: int
    safe_ma: int
    match_ma: int
    derate_ma: int
    slew_up: int
    slew_down: int
    safe_share: float
    passive_share: float


def actuator_s(solver: Solver) -> float:
    """Return the wait from a value on the bus until most of the force is there: tick, current, valve; the slower axle."""
    slowest = max(
        max(valve.up.delay_s + valve.up.time_s, valve.down.delay_s + valve.down.time_s)
        for valve in solver.valves
    )
    return 1.5 * PERIOD_S + control_ms(solver) / 1e3 + slowest


def control_ms(solver: Solver) -> int:
    """Return the fastest response of the current's control whose gain the firmware has, 6 ms or more."""
    for response in CONTROL_MS:
        gains = [
            valve.resistance_ohm
            * -math.expm1(-PERIOD_S / (response / 1e3))
            / -math.expm1(-PERIOD_S * valve.resistance_ohm / valve.inductance_h)
            for valve in solver.valves
        ]
        if max(gains) <= MOST_GAIN_OHM:
            return response
    return CONTROL_MS[-1]


def actuator(solver: Solver, axle: int) -> Actuator:
    """Take over what the valve's file knows, and choose the slews and the currents of failures."""
    valve, damper = solver.valves[axle], solver.dampers[axle]
    least, most = math.ceil(valve.least_a * 1e3), math.floor(valve.most_a * 1e3)
    safe = min(max(round(valve.safe_a * 1e3), least), most)
    soft, firm = (ma / 1e3 for ma in (least, most))
    if not valve.firmer_with_current:
        soft, firm = firm, soft

    def slew(delay_s: float, time_s: float) -> int:
        # The span in the time in which the force does 95 % of a step: three time constants.
        wait = max(delay_s + 3.0 * time_s, PERIOD_S)
        return max(5, rounded((most - least) / 1e3 / wait, 5))

    # The force falls back at the dyno's speed of the middle band, unpowered and held.
    passive = float(share_of(damper, 0.0, soft, firm))
    unpowered = float(coefficient(damper, EVEN_AT_M_S[1], 0.0))
    ends = sorted(float(coefficient(damper, EVEN_AT_M_S[1], end)) for end in (soft, firm))
    match = 0
    if least > 0 and ends[0] <= unpowered <= ends[1]:
        grid, share = share_table(damper, 1e3 * soft, 1e3 * firm)
        match = min(max(rounded(float(np.interp(passive, share, grid)), STEP_MA), least), most)
    return Actuator(
        least,
        most,
        safe,
        match,
        max(safe, rounded(0.75 * most, STEP_MA)),
        slew(valve.up.delay_s, valve.up.time_s),
        slew(valve.down.delay_s, valve.down.time_s),
        float(share_of(damper, safe / 1e3, soft, firm)),
        passive,
    )


def under(solver: Solver, corner: int, accel_lat_m_s2: float = 0.0, accel_long_m_s2: float = 0.0) -> float:
    """Return what body load adds to a corner's demand at an acceleration, permille."""
    loaded = solver.loading.at(accel_long_m_s2, accel_lat_m_s2)
    ratio, _ = solver.target_at(corner, accel_lat_m_s2, accel_long_m_s2)
    return solver.clipped(corner // 2, solver.demand(corner, ratio, loaded)) - solver.base[corner // 2]


def brake_lead(solver: Solver) -> BrakeLead:
    """Ask in advance for what body load will ask for when the deceleration is there.

    Pressure gives deceleration by the targets' figure. The rate's gain is the slope of that demand over pressure times
    the time that a lead has to win: bus, tick, current and valve.
    """
    lead_s = actuator_s(solver) + BUS_AGE_S
    bar_per_m_s2 = (solver.targets.brake_pa_per_m_s2 or 0.0) / 1e5
    accels = [share * solver.targets.dry_m_s2 for share in (0.0, 0.25, 0.5, 1.0)]
    pitch_s = 1.0 / solver.positions[solver.targets.reference].alone.hz[2]
    demand, gain, peak = [], [], []
    for corner in (0, 2):
        asked = [max(0.0, under(solver, corner, 0.0, -accel)) if accel else 0.0 for accel in accels]
        demand.append(tuple(rounded(HANDOVER * one, 5) for one in asked))
        peak.append(rounded(HANDOVER * max(asked), 5))
        slope = asked[2] / (accels[2] * bar_per_m_s2) if bar_per_m_s2 else 0.0
        gain.append(rounded(slope * lead_s * 100.0, 1))
    bar = [rounded(accel * bar_per_m_s2, 1) for accel in accels]
    return BrakeLead(
        # A brake that needs hardly any pressure must not make two points one.
        tuple(max(one, k) for k, one in enumerate(bar)),
        (demand[0], demand[1]),
        (gain[0], gain[1]),
        (peak[0], peak[1]),
        max(50, rounded(500.0 * pitch_s, 10)),
        max(20, rounded(250.0 * pitch_s, 10)),
        rounded(1e3 * lead_s, 1),
    )


def steer_lead(solver: Solver) -> SteerLead:
    """Ask in advance for what body load will ask for when the lateral acceleration is there, outside and inside.

    A steering rate over the time that a lead has to win is an angle, and that is an acceleration at the targets' speed.
    """
    lead_s = actuator_s(solver) + BUS_AGE_S + LATERAL_LAG_S
    steering, half = solver.targets.steering, 0.5 * solver.targets.dry_m_s2
    coming = 0.0
    if steering is not None:
        yaw = steering.yaw_per_rad(steering.speed_m_s, solver.car.wheelbase_m)
        coming = math.radians(100.0) * lead_s * steering.speed_m_s * yaw
    roll_s = 1.0 / solver.positions[solver.targets.reference].alone.hz[1]
    # In a turn to the left the right corners are outside.
    gains, most = [], 0.0
    for corner in (1, 0, 3, 2):
        gains.append(rounded(HANDOVER * max(0.0, under(solver, corner, half)) / half * coming, 1))
        most = max(most, under(solver, corner, solver.targets.dry_m_s2))
    return SteerLead(
        (gains[0], gains[1], gains[2], gains[3]),
        rounded(HANDOVER * most, 5),
        max(20, rounded(250.0 * roll_s, 10)),
        rounded(1e3 * lead_s, 1),
    )


def trims(solver: Solver) -> Trims:
    """Find the trim of each band and direction: the demand that gives its damping ratio less the demand at rest.

    While braking on a rough road the sum of base and body load at half the acceleration of `under_load` is what the
    second set starts from, so that the bands' ratios are those of the targets there too. At low stroke speed the body
    still wants its control: there the second set is the first.
    """
    targets = solver.targets
    braking = -0.5 * targets.under_load.accel_m_s2
    normal, rough, short = [], [], []
    for axle, name in enumerate(("front", "rear")):
        corner = 2 * axle
        critical = solver.corners[axle].damper_critical_n_s_per_m
        ratio, base = solver.at_rest[axle], float(solver.base[axle])
        braked = solver.clipped(axle, base + under(solver, corner, 0.0, braking))
        sets: tuple[list[tuple[int, int, int]], list[tuple[int, int, int]]] = ([], [])
        for way, factors in zip(("compression", "rebound"), targets.bands, strict=True):
            made: tuple[list[int], list[int]] = ([], [])
            wanted = [(factor, base, 0) for factor in factors]
            wanted += [
                (factor * less, braked, 1) for factor, less in zip(factors[1:], targets.rough, strict=True)
            ]
            for k, (factor, start, which) in enumerate(wanted):
                speed = EVEN_AT_M_S[k if which == 0 else k - 2]
                asked = solver.firm[axle].demand(factor * ratio * critical, speed, way)
                kept = solver.clipped(axle, asked)
                made[which].append(rounded(kept - start, CELL_STEP))
                if abs(kept - asked) > CELL_STEP:
                    edge = "softest" if kept > asked else "firmest"
                    short.append(
                        f"{'rough braking, ' if which else ''}{name} {way} at {1e3 * speed:.0f} mm/s: "
                        f"{factor * ratio:.2f} wanted, the {edge} allowed gives "
                        f"{solver.firm[axle].damping(kept, speed, way) / critical:.2f}"
                    )
            sets[0].append((made[0][0], made[0][1], made[0][2]))
            sets[1].append((made[0][0], made[1][0], made[1][1]))
        normal.append(tuple(sets[0]))
        rough.append(tuple(sets[1]))
    return Trims(tuple(normal), tuple(rough), tuple(short))


def road_speed(solver: Solver) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return the trims of front and rear over the targets' speeds, with the downforce on the corners."""
    made: list[list[int]] = [[], []]
    for speed, factor in zip(solver.targets.speed_m_s, solver.targets.speed_factor, strict=True):
        loaded = solver.loading.at(0.0, 0.0, speed)
        for axle in (0, 1):
            asked = solver.demand(2 * axle, factor * solver.at_rest[axle], loaded)
            made[axle].append(rounded(solver.clipped(axle, asked) - solver.base[axle], BASE_TRIM))
    return tuple(made[0]), tuple(made[1])


BASE_TRIM = 5


def ramp(solver: Solver, axle: int, way: int) -> Ramp | None:
    """Return the ramp toward a stop, way 0 in compression and 1 in rebound; None where the car file has no stop.

    The wheel's energy at the targets' speed over half of the firm force is the way that the damper needs.
    """
    part = solver.car.axles[axle]
    stop: Stop | None = (part.bump_stop, part.droop_stop)[way]
    if stop is None:
        return None
    wheel = solver.targets.end_speed_m_s
    energy = 0.5 * part.wheel_mass_kg * wheel**2
    surface = (solver.dampers[axle].compression, solver.dampers[axle].rebound)[way]
    peak = END_PEAK[way]
    speed = wheel * float(part.motion_ratio.at(0.0))
    force = float(surface.force_at(speed, solver.firm[axle].current_ma(peak) / 1e3)) / 2.0
    length = min(max(energy / force, RAMP_LEAST_M), max(RAMP_MOST_SHARE * stop.gap_m, RAMP_LEAST_M))
    end = max(1, math.floor(1e3 * stop.gap_m + 1e-9))
    start = end - max(1, rounded(1e3 * length, 1))
    return Ramp(start, end, peak, energy, min(energy, force * (end - start) / 1e3))


def wet_share(solver: Solver, axle: int) -> int:
    """Return what is left of the demand when it is wet, permille."""
    base = solver.base[axle]
    if base <= 0:
        return WHOLE
    asked = solver.demand(2 * axle, solver.targets.wet_factor * solver.at_rest[axle], solver.rest)
    return min(max(rounded(WHOLE * solver.clipped(axle, asked) / base, 10), 100), WHOLE)


def ask_steer(solver: Solver) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Return road speeds in km/h and the steering angles in degrees from which grip is asked for."""
    steering = solver.targets.steering
    speeds = (40, 80, 160)
    if steering is None:
        return speeds, (90, 45, 25)
    wanted = ASKED * solver.targets.dry_m_s2
    angles = [
        math.degrees(wanted / (speed / KMH * steering.yaw_per_rad(speed / KMH, solver.car.wheelbase_m)))
        for speed in speeds
    ]
    return speeds, tuple(min(rounded(angle, 1), 720) for angle in angles)


def yaw_gain(solver: Solver) -> tuple[tuple[int, ...], tuple[float, ...]]:
    """Return road speeds in km/h and the yaw rate in deg/s that 100 degrees of the steering wheel give."""
    steering = solver.targets.steering
    speeds = (0, 20, 40, 60, 80, 110, 150, 200, 250)
    if steering is None:
        return speeds, (0.0,) * len(speeds)
    return speeds, tuple(
        min(round(100.0 * steering.yaw_per_rad(speed / KMH, solver.car.wheelbase_m), 1), 300.0)
        for speed in speeds
    )


def stroke_roll_mm(solver: Solver, axle: int) -> float:
    """Return right less left stroke at 1 g to the left: that of half a g, doubled, for the stops do not count yet."""
    wheel = solver.loading.at(0.0, 0.5 * GRAVITY_M_S2).wheel_m
    ratio = solver.car.axles[axle].motion_ratio
    left, right = (float(ratio.stroke_m(float(wheel[2 * axle + side]))) for side in (0, 1))
    return 2e3 * (right - left)


def stroke_offset_mm(solver: Solver, accel_m_s2: float) -> float:
    """Return how far squat or dive takes a stroke from the median of the other three."""
    worst = 0.0
    for accel in (-accel_m_s2, accel_m_s2):
        wheel = solver.loading.at(accel, 0.0).wheel_m
        strokes = [
            1e3 * float(solver.car.axles[c // 2].motion_ratio.stroke_m(float(wheel[c]))) for c in range(4)
        ]
        for c in range(4):
            others = sorted(strokes[:c] + strokes[c + 1 :])
            worst = max(worst, abs(strokes[c] - others[1]))
    return worst
