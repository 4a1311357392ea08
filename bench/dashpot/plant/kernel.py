"""The plant's inner loop, compiled: seven degrees of freedom with four dampers, valves and coils, at a fixed step.

Everything that is called in the loop stands in this one file, because a compiled function is kept by its own file's
date. Numbers come packed in arrays (dashpot.plant.chassis packs them); the constants below name the places.
Classical Runge-Kutta of order four; the valve's lag and the coil are solved exactly over the step, with the wanted
current held and, for the valve, the coil's mean current over the step.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant.compiled import compiled

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Floats

    Whole = NDArray[np.int64]

# States: heave, roll, pitch, four wheels; their rates; the speed that each valve sees.
FREEDOMS = 7
RATES = 7
VALVE_SPEED = 14
STATES = 18

# Body.
MASS, ROLL_INERTIA, PITCH_INERTIA, ROLL_PUSH, ROLL_WEIGHT, TOTAL_MASS, HEIGHT, DRAG, WEIGHT = range(9)
BODY_WORDS = 9

# A corner, one row each.
(
    X, Y, WHEEL_MASS, WHEEL_WEIGHT, SPRING, PRELOAD, BAR, TYRE, TYRE_DAMPING, TYRE_REST, FRICTION, LINK_LATERAL,
    WHEEL_LATERAL, LINK_BRAKE, LINK_DRIVE, DOWNFORCE, GAS_FORCE, GAS_LENGTH, GAS_EXPONENT, SEAL_FRICTION, LAG,
    BUMP_GAP, BUMP_RATE, BUMP_SOFTNESS, DROOP_GAP, DROOP_RATE, DROOP_SOFTNESS,
) = range(27)  # fmt: skip
CORNER_WORDS = 27

# A corner's actuator: share of a difference left after half and a whole step, rising and falling; coil.
(
    RISE_HALF, RISE_WHOLE, FALL_HALF, FALL_WHOLE, COIL_LEFT, COIL_MOST, COIL_DROP,
) = range(7)  # fmt: skip
ACTUATOR_WORDS = 7

# Inputs besides the road: accelerations of the car and its speed.
ACCEL_LONG, ACCEL_LAT, SPEED = range(3)
DRIVE_WORDS = 3

# A row of the answer.
POSITION = 0
RATE = 7
ACCEL = 14
STROKE = 21
STROKE_SPEED = 25
TYRE_LOAD = 29
VALVE_FORCE = 33
DAMPER_FORCE = 37
VALVE_CURRENT = 41
COIL_CURRENT = 45
LAGGED_SPEED = 49
WHEEL_TRAVEL = 53
ROW_WORDS = 57

FRICTION_SPEED_M_S = 0.005
GAS_MOST = 0.9


@compiled
def curve_at(curves: Floats, c: int, which: int, points: int, wheel_m: float) -> tuple[float, float]:
    """Return stroke and ratio of a corner's curve (rows travel, ratio, stroke, slope) at a wheel travel."""
    base = 0
    if points > 1:
        while base + 1 < points and curves[c, which, 0, base + 1] <= wheel_m:
            base += 1
    ahead = wheel_m - curves[c, which, 0, base]
    # Before the first point the ratio holds; after the last one the slope is 0.
    slope = curves[c, which, 3, base] if ahead > 0.0 else 0.0
    ratio = curves[c, which, 1, base]
    return curves[c, which, 2, base] + ahead * (ratio + 0.5 * slope * ahead), ratio + slope * ahead


@compiled
def cubic_at(cubics: Floats, c: int, way: int, row: int, piece: int, ahead: float) -> float:
    """Return one current's force at a distance into a piece of its curve."""
    force: float = cubics[c, way, row, piece, 0] + ahead * (
        cubics[c, way, row, piece, 1]
        + ahead * (cubics[c, way, row, piece, 2] + ahead * cubics[c, way, row, piece, 3])
    )
    return force


@compiled
def valve_at(
    speeds: Floats, counts: Whole, cubics: Floats, c: int, way: int, row: int, share: float, speed: float
) -> float:
    """Return the force of one direction's surface at a speed of 0 or more, a share of the way between two currents."""
    piece = 0
    count = counts[c, way]
    while piece + 1 < count and speeds[c, way, piece + 1] <= speed:
        piece += 1
    ahead = speed - speeds[c, way, piece]
    low = cubic_at(cubics, c, way, row, piece, ahead)
    if share == 0.0:
        return low
    return low + share * (cubic_at(cubics, c, way, row + 1, piece, ahead) - low)


@compiled
def between(currents: Floats, rows: Whole, c: int, current: float) -> tuple[int, float]:
    """Return the row below a current and the share of the way to the next; both ends hold."""
    row = 0
    while row + 2 < rows[c] and currents[c, row + 1] <= current:
        row += 1
    if rows[c] == 1:
        return 0, 0.0
    share = (current - currents[c, row]) / (currents[c, row + 1] - currents[c, row])
    return row, min(max(share, 0.0), 1.0)


@compiled
def stop_at(into: float, rate: float, softness: float) -> float:
    """Return a stop's force at a depth, 0 before it is met."""
    if into <= 0.0:
        return 0.0
    return rate * into * (1.0 + into * softness)


@compiled
def derive(
    y: Floats,
    road: Floats,
    road_rate: Floats,
    drive: Floats,
    current: Floats,
    body: Floats,
    corner: Floats,
    curves: Floats,
    curve_points: Whole,
    speeds: Floats,
    speed_count: Whole,
    cubics: Floats,
    currents: Floats,
    rows: Whole,
    dy: Floats,
    row: Floats,
) -> None:
    """Write the state's derivative, and what the corners do into an answer's row.

    Shapes: y and dy (18,), road and road_rate (4,), drive (3,), current (4,), curves (4 corners, 2: damper and
    spring, 4, points), curve_points (4, 2), speeds (4, 2: compression and rebound, count), cubics (4, 2, currents,
    count, 4), currents (4, currents), row (57,).
    """
    heave, roll, pitch = y[0], y[1], y[2]
    heave_rate, roll_rate, pitch_rate = y[RATES], y[RATES + 1], y[RATES + 2]
    speed2 = drive[SPEED] * drive[SPEED]
    # What the tyres push along: the car's mass and the air.
    push = body[TOTAL_MASS] * drive[ACCEL_LONG] + body[DRAG] * speed2
    lift, roll_moment, pitch_moment = 0.0, 0.0, 0.0
    for c in range(4):
        x, side = corner[c, X], corner[c, Y]
        wheel = y[3 + c] - (heave + side * roll - x * pitch)
        wheel_rate = y[RATES + 3 + c] - (heave_rate + side * roll_rate - x * pitch_rate)
        other = c ^ 1
        other_wheel = y[3 + other] - (heave + corner[other, Y] * roll - corner[other, X] * pitch)

        stroke, ratio = curve_at(curves, c, 0, curve_points[c, 0], wheel)
        spring_stroke, spring_ratio = stroke, ratio
        if curve_points[c, 1] > 0:
            spring_stroke, spring_ratio = curve_at(curves, c, 1, curve_points[c, 1], wheel)
        stroke_speed = ratio * wheel_rate
        seen = stroke_speed
        lag = corner[c, LAG]
        if lag > 0.0:
            seen = y[VALVE_SPEED + c]
            dy[VALVE_SPEED + c] = (stroke_speed - seen) / lag
        else:
            dy[VALVE_SPEED + c] = 0.0
        level, share = between(currents, rows, c, current[c])
        if seen >= 0.0:
            valve = valve_at(speeds, speed_count, cubics, c, 0, level, share, seen)
        else:
            valve = -valve_at(speeds, speed_count, cubics, c, 1, level, share, -seen)
        damper = valve
        if corner[c, SEAL_FRICTION] > 0.0:
            damper += (
                corner[c, SEAL_FRICTION]
                * stroke_speed
                / math.sqrt(stroke_speed * stroke_speed + FRICTION_SPEED_M_S * FRICTION_SPEED_M_S)
            )
        if corner[c, GAS_FORCE] > 0.0:
            left = 1.0 - min(stroke / corner[c, GAS_LENGTH], GAS_MOST)
            damper += corner[c, GAS_FORCE] * left ** -corner[c, GAS_EXPONENT]
        ends = stop_at(stroke - corner[c, BUMP_GAP], corner[c, BUMP_RATE], corner[c, BUMP_SOFTNESS])
        ends -= stop_at(-stroke - corner[c, DROOP_GAP], corner[c, DROOP_RATE], corner[c, DROOP_SOFTNESS])

        held = (
            spring_ratio * (corner[c, PRELOAD] + corner[c, SPRING] * spring_stroke)
            + ratio * (damper + ends)
            + corner[c, BAR] * (wheel - other_wheel)
        )
        if corner[c, FRICTION] > 0.0:
            held += (
                corner[c, FRICTION]
                * wheel_rate
                / math.sqrt(wheel_rate * wheel_rate + FRICTION_SPEED_M_S * FRICTION_SPEED_M_S)
            )
        link = corner[c, LINK_LATERAL] * drive[ACCEL_LAT]
        link += (corner[c, LINK_BRAKE] if push < 0.0 else corner[c, LINK_DRIVE]) * push
        held += link
        tyre = (
            corner[c, TYRE_REST]
            + corner[c, TYRE] * (road[c] - y[3 + c])
            + corner[c, TYRE_DAMPING] * (road_rate[c] - y[RATES + 3 + c])
        )
        tyre = max(tyre, 0.0)
        dy[3 + c] = y[RATES + 3 + c]
        dy[RATES + 3 + c] = (
            tyre - held - corner[c, WHEEL_WEIGHT] + corner[c, WHEEL_LATERAL] * drive[ACCEL_LAT]
        ) / corner[c, WHEEL_MASS]

        on_body = held - corner[c, DOWNFORCE] * speed2
        lift += on_body
        roll_moment += side * on_body
        pitch_moment -= x * on_body

        row[STROKE + c] = stroke
        row[STROKE_SPEED + c] = stroke_speed
        row[TYRE_LOAD + c] = tyre
        row[VALVE_FORCE + c] = valve
        row[DAMPER_FORCE + c] = damper
        row[LAGGED_SPEED + c] = seen
        row[WHEEL_TRAVEL + c] = wheel

    roll_moment += body[ROLL_PUSH] * drive[ACCEL_LAT] + body[ROLL_WEIGHT] * roll
    pitch_moment -= body[TOTAL_MASS] * body[HEIGHT] * drive[ACCEL_LONG]
    dy[0], dy[1], dy[2] = heave_rate, roll_rate, pitch_rate
    dy[RATES] = (lift - body[WEIGHT]) / body[MASS]
    dy[RATES + 1] = roll_moment / body[ROLL_INERTIA]
    dy[RATES + 2] = pitch_moment / body[PITCH_INERTIA]


@compiled
def act(
    command: Floats, coil: Floats, valve: Floats, ring: Floats, place: int, actuator: Floats, applied: Floats
) -> int:
    """Carry coils and valves over one step; write the current at its start, middle and end into applied (3, 4)."""
    length: int = ring.shape[1]
    for c in range(4):
        start = coil[c]
        wanted = command[c]
        if wanted > start:
            end = actuator[c, COIL_MOST] + (start - actuator[c, COIL_MOST]) * actuator[c, COIL_LEFT]
            end = min(end, wanted)
        else:
            end = -actuator[c, COIL_DROP] + (start + actuator[c, COIL_DROP]) * actuator[c, COIL_LEFT]
            end = max(end, wanted, 0.0)
        coil[c] = end
        # The ring has a place for each step of dead time and one for now.
        ring[c, place] = 0.5 * (start + end)
        aim = ring[c, (place + 1) % length]
        gap = valve[c] - aim
        half, whole = actuator[c, FALL_HALF], actuator[c, FALL_WHOLE]
        if gap < 0.0:
            half, whole = actuator[c, RISE_HALF], actuator[c, RISE_WHOLE]
        # Without a lag the new current counts from the step's start on.
        applied[0, c] = aim if whole == 0.0 else valve[c]
        applied[1, c] = aim + gap * half
        applied[2, c] = aim + gap * whole
        valve[c] = applied[2, c]
    return (place + 1) % length


@compiled
def advance(
    y: Floats,
    coil: Floats,
    valve: Floats,
    ring: Floats,
    place: int,
    command: Floats,
    hold: int,
    road: Floats,
    drive: Floats,
    first: int,
    step_s: float,
    actuator: Floats,
    body: Floats,
    corner: Floats,
    curves: Floats,
    curve_points: Whole,
    speeds: Floats,
    speed_count: Whole,
    cubics: Floats,
    currents: Floats,
    rows: Whole,
    out: Floats,
) -> int:
    """Advance the state in place by as many steps as `out` has rows; return the ring's new place.

    The state is y, coil, valve, ring and its place; `command` (m, 4) has wanted currents, a row for each `hold` steps;
    road (n, 4) and drive (n, 3) are on the step grid, and row `first` is now; actuator and what follows is the plant;
    out is (steps, 57), the answer at the end of each step.
    """
    steps = out.shape[0]
    applied = np.empty((3, 4))
    k1, k2, k3, k4 = np.empty(STATES), np.empty(STATES), np.empty(STATES), np.empty(STATES)
    tried = np.empty(STATES)
    middle_road, middle_drive = np.empty(4), np.empty(3)
    rate = np.empty(4)
    scratch = np.empty(ROW_WORDS)
    for n in range(steps):
        here = first + n
        place = act(command[n // hold], coil, valve, ring, place, actuator, applied)
        for c in range(4):
            rate[c] = (road[here + 1, c] - road[here, c]) / step_s
            middle_road[c] = 0.5 * (road[here, c] + road[here + 1, c])
        for j in range(DRIVE_WORDS):
            middle_drive[j] = 0.5 * (drive[here, j] + drive[here + 1, j])
        derive(
            y, road[here], rate, drive[here], applied[0], body, corner, curves, curve_points, speeds,
            speed_count, cubics, currents, rows, k1, scratch,
        )  # fmt: skip
        for j in range(STATES):
            tried[j] = y[j] + 0.5 * step_s * k1[j]
        derive(
            tried, middle_road, rate, middle_drive, applied[1], body, corner, curves, curve_points, speeds,
            speed_count, cubics, currents, rows, k2, scratch,
        )  # fmt: skip
        for j in range(STATES):
            tried[j] = y[j] + 0.5 * step_s * k2[j]
        derive(
            tried, middle_road, rate, middle_drive, applied[1], body, corner, curves, curve_points, speeds,
            speed_count, cubics, currents, rows, k3, scratch,
        )  # fmt: skip
        for j in range(STATES):
            tried[j] = y[j] + step_s * k3[j]
        derive(
            tried, road[here + 1], rate, drive[here + 1], applied[2], body, corner, curves, curve_points, speeds,
            speed_count, cubics, currents, rows, k4, scratch,
        )  # fmt: skip
        for j in range(STATES):
            y[j] += step_s / 6.0 * (k1[j] + 2.0 * (k2[j] + k3[j]) + k4[j])
        row = out[n]
        derive(
            y, road[here + 1], rate, drive[here + 1], applied[2], body, corner, curves, curve_points, speeds,
            speed_count, cubics, currents, rows, k1, row,
        )  # fmt: skip
        for j in range(FREEDOMS):
            row[POSITION + j] = y[j]
            row[RATE + j] = y[RATES + j]
            row[ACCEL + j] = k1[RATES + j]
        for c in range(4):
            row[VALVE_CURRENT + c] = applied[2, c]
            row[COIL_CURRENT + c] = coil[c]
    return place
