"""What is usually wrong in car data and first calibrations, looked for in this one: each doubt with its figures."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.metrics import steady_roll_rad
from dashpot.starting import layers
from dashpot.starting.firmness import WHOLE
from dashpot.starting.solve import AXLES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashpot.starting.draft import Draft
    from dashpot.starting.solve import Solver

# A damper that moves more than its wheel is built seldom; a ratio written upside down is met often [C].
MOST_RATIO = 1.05
# Body frequencies: soft road cars at 0.9 Hz, cars with much downforce up to 5 Hz [C].
BODY_HZ = (0.9, 5.0)
# Front and rear body frequencies further apart than this are rather a ratio or a unit than a choice [D].
APART = 1.5
# An unsprung mass below this share of its corner was rather left out [D].
LEAST_UNSPRUNG = 0.04
# Authority: firmest over softest coefficient; room of the base to either end, permille [D].
LEAST_AUTHORITY = 2.0
LEAST_ROOM = 50
# Oil below this while the forces were measured was cold [D].
WARM_OIL_C = 35.0
# Largest roll in a turn that is not rather a missing bar, deg/g [C].
MOST_ROLL_DEG = 8.0


def doubts(draft: Draft) -> list[str]:
    """Return every doubt in words, the car's first."""
    solver = draft.solver
    return [
        *_car(solver), *_valves(solver), *_positions(solver), *_cells(solver), *_safe(solver), *_layers(draft),
    ]  # fmt: skip


def _car(solver: Solver) -> Iterator[str]:
    car = solver.car
    for axle, name, corner in zip(car.axles, AXLES, solver.corners, strict=True):
        ratio = float(axle.motion_ratio.at(0.0))
        if ratio > MOST_RATIO:
            other = corner.body_hz / ratio**2
            yield (
                f"{name} motion ratio {ratio:g} is above 1: damper travel over wheel travel is wanted. Upside down, "
                f"{1.0 / ratio:.2f} would give {other:.2f} Hz in place of {corner.body_hz:.2f} Hz"
            )
        elif ratio == 1.0 and axle.spring_ratio is None:
            yield f"{name} motion ratio is 1: right for a strut that stands upright, else the ratio was forgotten"
        if not BODY_HZ[0] <= corner.body_hz <= BODY_HZ[1]:
            yield (
                f"{name} body frequency {corner.body_hz:.2f} Hz is not within {BODY_HZ[0]:g} to {BODY_HZ[1]:g} Hz: look at "
                "spring, its unit, and motion ratio"
            )
        share = axle.wheel_mass_kg / (axle.wheel_mass_kg + corner.sprung_kg)
        if share < LEAST_UNSPRUNG:
            yield (
                f"{name} wheel_mass {axle.wheel_mass_kg:g} kg is {100 * share:.1f} % of its corner: with the unsprung mass left "
                "out, damping ratios would come from the total mass"
            )
    front, rear = (corner.body_hz for corner in solver.corners)
    if max(front, rear) > APART * min(front, rear):
        yield f"body frequencies are {front:.2f} Hz front and {rear:.2f} Hz rear: one motion ratio or spring looks wrong"
    roll = math.degrees(steady_roll_rad(car, GRAVITY_M_S2))
    if roll > MOST_ROLL_DEG:
        bars = "no bar is given" if not any(axle.bar_n_per_m for axle in car.axles) else "bars are given"
        yield f"the body rolls {roll:.1f} deg/g; {bars}, and damping does not hold a steady turn"


def _valves(solver: Solver) -> Iterator[str]:
    for valve, name, firm in zip(solver.valves, AXLES, solver.firm, strict=True):
        soft, hard = firm.range(solver.speed_m_s)
        if hard < LEAST_AUTHORITY * soft:
            yield (
                f"{name} valve goes from {soft:.0f} to {hard:.0f} N s/m only; from the softest to the firmest target takes "
                f"{max(solver.targets.heave) / solver.targets.least:.1f} times"
            )
        if valve.temperature_c < WARM_OIL_C:
            yield f"{name} valve was measured with oil at {valve.temperature_c:g} C: warm it gives less force"


def _positions(solver: Solver) -> Iterator[str]:
    told: set[str] = set()
    for at, position in zip(solver.targets.positions, solver.positions, strict=True):
        if not position.reached:
            side = "softest" if position.alone.heave > position.target else "firmest"
            yield (
                f"switch position {at}: heave {position.target:.2f} is out of reach, {position.alone.heave:.2f} at the {side} "
                "that valves and tyres allow"
            )
        for axle, name in enumerate(AXLES):
            room = min(position.demand[axle], WHOLE - position.demand[axle])
            if room < LEAST_ROOM and name not in told:
                told.add(name)
                yield (
                    f"no authority left: {name} base demand {position.demand[axle]} at position {at} is {room} permille from the "
                    "end of the valve's range"
                )


def _cells(solver: Solver) -> Iterator[str]:
    load = solver.targets.under_load
    cells = [cell for row in solver.cells for cell in row]
    parts = [(cell, corner) for cell in cells for corner in range(4)]
    hard = [(cell, corner) for cell, corner in parts if cell.wanted[corner] > WHOLE]
    if hard:
        cell, corner = max(hard, key=lambda part: part[0].wanted[part[1]])
        yield (
            f"body load wants more than the valve has in {len(hard)} of {len(parts)} cells, most at {_at(cell.lateral_mg, cell.longitudinal_mg)}: "
            f"{cell.target[corner]:.2f} wanted, {cell.achieved[corner]:.2f} is all"
        )
    soft = [part for part in parts if part[0].wanted[part[1]] < solver.least[part[1] // 2] - 5]
    if soft:
        yield f"body load wants softer than the least demand in {len(soft)} of {len(parts)} cells: they stay there"
    firmest = [max(position.demand[axle] for position in solver.positions) for axle in (0, 1)]
    over = [
        (cell, corner)
        for cell, corner in parts
        if firmest[corner // 2] + cell.value[corner] > WHOLE >= cell.wanted[corner]
    ]
    if over:
        yield f"in the firmest switch position {len(over)} of {len(parts)} cells reach the end of the valve's range"
    for name, least, which in (("roll", load.least_roll, 1), ("pitch", load.least_pitch, 2)):
        below = []
        for cell in cells:
            ay, ax = abs(cell.loaded.accel_lat_m_s2), abs(cell.loaded.accel_long_m_s2)
            pushed = ay if name == "roll" else ax
            if pushed >= 0.7 * load.accel_m_s2 and cell.alone.ratio[which] < least:
                below.append(cell)
        if below:
            cell = min(below, key=lambda one: one.alone.ratio[which])
            yield (
                f"{name} is damped less than {least:.2f} in {len(below)} cells under load, least at "
                f"{_at(cell.lateral_mg, cell.longitudinal_mg)}: {cell.alone.ratio[which]:.2f}"
            )
    lifted = [cell for cell in cells if cell.loaded.tyre_n.min() <= 0.0]
    if lifted:
        cell = lifted[0]
        yield f"a wheel leaves the road in {len(lifted)} cells, as at {_at(cell.lateral_mg, cell.longitudinal_mg)}"


def _at(lateral_mg: int, longitudinal_mg: int) -> str:
    return f"{lateral_mg / 1000:g} g lateral, {longitudinal_mg / 1000:g} g longitudinal"


def _safe(solver: Solver) -> Iterator[str]:
    made = [layers.actuator(solver, axle) for axle in (0, 1)]
    safe = solver.alone_at([one.safe_ma for one in made])
    softest = min(position.alone.heave for position in solver.positions)
    if safe.heave < softest:
        yield (
            f"the safe currents are soft: heave {safe.heave:.2f}, less than {softest:.2f} in the softest switch position; "
            "medium-firm is wanted"
        )
    for one, name, valve in zip(made, AXLES, solver.valves, strict=True):
        if one.passive_share < 0.0:
            yield f"{name} valve without a current is softer than any that can be held: a dead corner is nearly undamped"
        wait = max(valve.up.delay_s + valve.up.time_s, valve.down.delay_s + valve.down.time_s)
        quarter = 0.25 / max(solver.positions[solver.targets.reference].alone.hz)
        if wait > 0.5 * quarter:
            yield (
                f"{name} valve needs {1e3 * wait:.0f} ms for its force; a quarter swing of the body is {1e3 * quarter:.0f} ms: "
                "leads and ramps come late"
            )


def _layers(draft: Draft) -> Iterator[str]:
    solver = draft.solver
    for said in layers.trims(solver).short:
        yield f"stroke-speed trim short, {said}"
    if not draft.missing("stroke_end"):
        for axle, name in enumerate(AXLES):
            for way, word in enumerate(("compression", "rebound")):
                ramp = layers.ramp(solver, axle, way)
                if ramp and ramp.taken_j < 0.8 * ramp.energy_j:
                    yield (
                        f"end of stroke, {name} {word}: the damper takes {ramp.taken_j:.0f} of {ramp.energy_j:.0f} J in "
                        f"{ramp.stop_mm - ramp.start_mm} mm; the stop gets the rest"
                    )
