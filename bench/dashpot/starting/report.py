"""The report of a starting calibration: one set of blocks for the terminal, Markdown, HTML, and the same facts as JSON."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from dashpot.calibration.model import CORNERS
from dashpot.calibration.scalars import ENABLED
from dashpot.htmlpage import html_page, html_table
from dashpot.plant.car import GRAVITY_M_S2
from dashpot.plant.metrics import braking_transfer_n, steady_roll_rad, steady_transfer
from dashpot.starting import layers
from dashpot.starting.doubts import doubts
from dashpot.starting.modes import NAMES
from dashpot.starting.solve import AXLES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dashpot.plant.car import Car
    from dashpot.starting.draft import Draft
    from dashpot.starting.modes import BodyModes
    from dashpot.starting.solve import Cell, Solver

NOTES = (
    "Damping ratios are those of the valve's force alone; friction of joints and seals comes on top and is told above.",
    "A corner's ratio is MR^2 c over 2 sqrt(k m), m the sprung mass that it carries, k its wheel rate without the tyre [C].",
    "Heave, roll and pitch: the car of seven degrees of freedom with the other two body motions held; true modes beside.",
    "c is that of a linear damper which takes the same energy from a sine of the stated peak stroke speed [M].",
    "Load transfer is steady; targets between rest and the stated acceleration go in proportion to it [D].",
    "The shares of leads, ramps and trims, filters, and the limits of checks are choices [D] or usual values [C].",
)


@dataclass(frozen=True, slots=True)
class Block:
    """A part of the report: a text, or a table with its heading."""

    title: str
    text: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


def friction_ratio(solver: Solver, axle: int) -> float:
    """Return what seals and joints add to a corner's damping ratio at the targets' stroke speed.

    Coulomb friction F takes from a sine of peak speed V the energy of c = 4 F / (pi V) (Jacobsen 1930 [M]).
    """
    part, corner = solver.car.axles[axle], solver.corners[axle]
    ratio = float(part.motion_ratio.at(0.0))
    speed = solver.speed_m_s
    seals = 4.0 * solver.dampers[axle].friction_n / (math.pi * speed)
    joints = 4.0 * part.friction_n / (math.pi * speed / ratio)
    return (ratio**2 * seals + joints) / corner.critical_n_s_per_m


def facts(draft: Draft, found: Sequence[str] = ()) -> dict[str, Any]:
    """Return everything that the report says as one document; `found` are further warnings."""
    solver = draft.solver
    car, targets = solver.car, solver.targets
    made = [layers.actuator(solver, axle) for axle in (0, 1)]
    return {
        "car": car.name,
        "targets": targets.name,
        "valves": [valve.name for valve in solver.valves],
        "stroke_speed_mm_s": 1e3 * targets.stroke_speed_m_s,
        "corners": {name: _corner(solver, axle) for axle, name in enumerate(AXLES)},
        "load_transfer": _transfer(car),
        "switch": [
            {
                "position": at,
                "target": one.target,
                "reached": one.reached,
                "demand_permille": list(one.demand),
                "current_ma": [solver.firm[axle].current_ma(one.demand[axle]) for axle in (0, 1)],
                "alone": _three(one.alone),
                "modes": _three(one.modes),
            }
            for at, one in zip(targets.positions, solver.positions, strict=True)
        ],
        "least_demand_permille": list(solver.least),
        "safe": {
            "current_ma": [one.safe_ma for one in made],
            "firmness": [round(one.safe_share, 4) for one in made],
            "unpowered_firmness": [round(one.passive_share, 4) for one in made],
            "alone": _three(solver.alone_at([one.safe_ma for one in made])),
        },
        "map": [_cell(cell) for row in solver.cells for cell in row],
        "layers": {
            name: {"enabled": not draft.missing(name), "lacks": draft.missing(name)} for name in ENABLED
        },
        "warnings": [*doubts(draft), *found],
        "notes": list(NOTES),
    }


def _three(modes: BodyModes) -> dict[str, Any]:
    return {
        name: {"hz": round(hz, 4), "ratio": round(ratio, 4)}
        for name, hz, ratio in zip(NAMES, modes.hz, modes.ratio, strict=True)
    }


def _corner(solver: Solver, axle: int) -> dict[str, Any]:
    from dashpot.plant.quarter import QuarterCar

    corner, part = solver.corners[axle], solver.car.axles[axle]
    ratio = float(part.motion_ratio.at(0.0))
    soft, firm = solver.firm[axle].range(solver.speed_m_s)
    base = solver.damping(axle, solver.base[axle])
    quarter = QuarterCar(
        corner.sprung_kg, part.wheel_mass_kg, corner.wheel_rate_n_per_m, ratio**2 * base, part.tyre_n_per_m
    )
    whole = corner.sprung_kg + part.wheel_mass_kg
    return {
        "sprung_kg": round(corner.sprung_kg, 2),
        "motion_ratio": ratio,
        "wheel_rate_n_per_m": round(corner.wheel_rate_n_per_m, 1),
        "body_hz": round(corner.body_hz, 4),
        "on_tyre_hz": round(corner.ride_hz, 4),
        "wheel_hz": round(corner.wheel_hz, 4),
        "critical_at_wheel_n_s_per_m": round(corner.critical_n_s_per_m, 1),
        "critical_at_damper_n_s_per_m": round(corner.damper_critical_n_s_per_m, 1),
        "softest_n_s_per_m": round(soft, 1),
        "firmest_n_s_per_m": round(firm, 1),
        "authority": round(firm / soft, 3),
        "ratio_at_rest": round(solver.at_rest[axle], 4),
        "ratio_with_tyre": round(float(quarter.modes()[1][0]), 4),
        "ratio_from_total_mass": round(
            ratio**2 * base / (2.0 * math.sqrt(corner.wheel_rate_n_per_m * whole)), 4
        ),
        "ratio_without_motion_ratio": round(base / corner.critical_n_s_per_m, 4),
        "friction_adds": round(friction_ratio(solver, axle), 4),
    }


def _transfer(car: Car) -> dict[str, Any]:
    front, rear = steady_transfer(car, GRAVITY_M_S2)
    return {
        "lateral_n_per_g": {
            name: {
                "roll": round(one.roll_n, 1),
                "geometric": round(one.geometric_n, 1),
                "unsprung": round(one.unsprung_n, 1),
                "total": round(one.total_n, 1),
            }
            for name, one in zip(AXLES, (front, rear), strict=True)
        },
        "front_share": round(front.total_n / (front.total_n + rear.total_n), 4),
        "roll_deg_per_g": round(math.degrees(steady_roll_rad(car, GRAVITY_M_S2)), 3),
        "longitudinal_n_per_g": round(braking_transfer_n(car, -GRAVITY_M_S2), 1),
    }


def _cell(cell: Cell) -> dict[str, Any]:
    return {
        "lateral_g": cell.lateral_mg / 1000,
        "longitudinal_g": cell.longitudinal_mg / 1000,
        "share": round(cell.share, 4),
        "alone": _three(cell.alone),
        "modes": _three(cell.modes),
        "corners": {
            name: {
                "tyre_n": round(float(cell.loaded.tyre_n[i]), 1),
                "target": round(cell.target[i], 4),
                "achieved": round(cell.achieved[i], 4),
                "value_permille": cell.value[i],
                "demand_permille": cell.demand[i],
                "wanted_permille": round(cell.wanted[i], 1),
                "current_ma": round(cell.current_ma[i], 1),
                "left_permille": cell.room[i],
                "reason": cell.reason[i],
            }
            for i, name in enumerate(CORNERS)
        },
    }


def blocks(said: dict[str, Any], *, whole: bool) -> Iterator[Block]:
    """Yield the report's parts from its facts; `whole` has a row for each corner of each cell, with its reason."""
    yield Block("Corners at rest", (), ("", *AXLES), _corner_rows(said["corners"]))
    moved = said["load_transfer"]
    rows = [
        (f"{name}, lateral", *(f"{one[key]:.0f}" for key in ("roll", "geometric", "unsprung", "total")))
        for name, one in moved["lateral_n_per_g"].items()
    ]
    yield Block(
        "Load transfer, N a g",
        (
            f"Roll {moved['roll_deg_per_g']:.2f} deg/g, {100 * moved['front_share']:.1f} % of the lateral transfer in front.",
            f"Braking moves {moved['longitudinal_n_per_g']:.0f} N/g to the front.",
        ),
        ("axle", "through springs", "geometric", "wheels", "total"),
        tuple(rows),
    )
    yield Block(
        "Driver's switch",
        (),
        ("position", "target", *NAMES, "demand front", "rear", "mA front", "rear"),
        _switch_rows(said),
    )
    yield from (_whole_map(said) if whole else (_short_map(said),))
    rows = [
        (name, "on" if one["enabled"] else "off", ", ".join(one["lacks"]))
        for name, one in said["layers"].items()
    ]
    yield Block("Layers", (), ("layer", "", "lacks"), tuple(rows))
    yield Block("Warnings", tuple(said["warnings"]) or ("None.",))
    yield Block("How to read this", tuple(said["notes"]))


def _corner_rows(corners: dict[str, Any]) -> tuple[tuple[str, ...], ...]:
    said = (
        ("sprung mass, kg", "sprung_kg", "{:.1f}"),
        ("wheel rate, N/mm", "wheel_rate_n_per_m", "{:.1f}"),
        ("body, Hz", "body_hz", "{:.2f}"),
        ("body on the tyre too, Hz", "on_tyre_hz", "{:.2f}"),
        ("wheel, Hz", "wheel_hz", "{:.1f}"),
        ("critical damping at the wheel, N s/m", "critical_at_wheel_n_s_per_m", "{:.0f}"),
        ("critical damping at the damper, N s/m", "critical_at_damper_n_s_per_m", "{:.0f}"),
        ("softest the valve holds, N s/m", "softest_n_s_per_m", "{:.0f}"),
        ("firmest, N s/m", "firmest_n_s_per_m", "{:.0f}"),
        ("damping ratio at rest", "ratio_at_rest", "{:.3f}"),
        ("the same of the quarter car with its tyre", "ratio_with_tyre", "{:.3f}"),
        ("friction adds", "friction_adds", "{:.3f}"),
        ("(it would read, from the total mass)", "ratio_from_total_mass", "{:.3f}"),
        ("(it would read, without the motion ratio)", "ratio_without_motion_ratio", "{:.3f}"),
    )
    scale = {"wheel_rate_n_per_m": 1e-3}
    return tuple(
        (text, *(form.format(corners[axle][key] * scale.get(key, 1.0)) for axle in AXLES))
        for text, key, form in said
    )


def _switch_rows(said: dict[str, Any]) -> tuple[tuple[str, ...], ...]:
    rows = [
        (
            str(one["position"]),
            f"{one['target']:.2f}" + ("" if one["reached"] else " (out of reach)"),
            *(f"{one['alone'][name]['ratio']:.3f}" for name in NAMES),
            *(str(demand) for demand in one["demand_permille"]),
            *(f"{ma:.0f}" for ma in one["current_ma"]),
        )
        for one in said["switch"]
    ]
    safe = said["safe"]
    held = (
        "safe",
        "",
        *(f"{safe['alone'][name]['ratio']:.3f}" for name in NAMES),
        *(f"{1000 * share:.0f}" for share in safe["firmness"]),
        *(str(ma) for ma in safe["current_ma"]),
    )
    return (*rows, held)


def _least(modes: dict[str, Any]) -> float:
    return min(float(one["ratio"]) for one in modes.values())


def _short_map(said: dict[str, Any]) -> Block:
    rows = [
        (
            f"{cell['lateral_g']:g}",
            f"{cell['longitudinal_g']:g}",
            *(f"{cell['alone'][name]['ratio']:.2f}" for name in NAMES),
            f"{_least(cell['modes']):.2f}",
            *(
                f"{one['achieved']:.2f} of {one['target']:.2f}, {one['demand_permille']}, {one['current_ma']:.0f} mA"
                for one in cell["corners"].values()
            ),
            str(min(one["left_permille"] for one in cell["corners"].values())),
        )
        for cell in said["map"]
    ]
    return Block(
        "Body load: damping ratios, demand and current of each corner",
        (),
        ("lat g", "long g", *NAMES, "least mode", "FL", "FR", "RL", "RR", "left"),
        tuple(rows),
    )


def _whole_map(said: dict[str, Any]) -> Iterator[Block]:
    for cell in said["map"]:
        held = (
            f" Past the grip of a dry track: computed at {cell['share']:.2f} of it."
            if cell["share"] < 1.0
            else ""
        )
        alone = ", ".join(f"{name} {cell['alone'][name]['ratio']:.3f}" for name in NAMES)
        true = ", ".join(
            f"{cell['modes'][name]['ratio']:.3f} at {cell['modes'][name]['hz']:.2f} Hz" for name in NAMES
        )
        yield Block(
            f"Body load at {cell['lateral_g']:g} g lateral, {cell['longitudinal_g']:g} g longitudinal",
            (f"Each alone: {alone}. True modes: {true}.{held}",),
            ("corner", "target", "achieved", "cell", "demand", "mA", "left", "why"),
            tuple(
                (
                    name.replace("_", " "),
                    f"{one['target']:.3f}",
                    f"{one['achieved']:.3f}",
                    str(one["value_permille"]),
                    str(one["demand_permille"]),
                    f"{one['current_ma']:.0f}",
                    str(one["left_permille"]),
                    one["reason"],
                )
                for name, one in cell["corners"].items()
            ),
        )


def markdown(said: dict[str, Any]) -> str:
    """Return the report as Markdown."""
    lines = [f"# Starting calibration: {said['car']}", "", _about(said), ""]
    for block in blocks(said, whole=True):
        lines += [f"## {block.title}", ""]
        if block.columns:
            lines += [*(f"{line}\n" for line in block.text), f"| {' | '.join(block.columns)} |"]
            lines.append("|" + "---|" * len(block.columns))
            lines += [f"| {' | '.join(cell.replace('|', '/') for cell in row)} |" for row in block.rows]
        else:
            lines += [f"- {line}" for line in block.text]
        lines.append("")
    return "\n".join(lines)


def _about(said: dict[str, Any]) -> str:
    return (
        f"Targets {said['targets']}; valves {said['valves'][0]} and {said['valves'][1]}; damping at "
        f"{said['stroke_speed_mm_s']:g} mm/s. Computed, not driven."
    )


def page(said: dict[str, Any]) -> str:
    """Return the report as one HTML page without any other file."""
    title = f"Starting calibration: {said['car']}"
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">{escape(_about(said))}</p>',
    ]
    for block in blocks(said, whole=True):
        parts.append(f"<h2>{escape(block.title)}</h2>")
        if not block.columns:
            parts += ["<ul>", *(f"<li>{escape(line)}</li>" for line in block.text), "</ul>"]
            continue
        parts += [f"<p>{escape(line)}</p>" for line in block.text]
        parts.append(html_table(block.columns, block.rows))
    return html_page(title, parts)


def show(said: dict[str, Any]) -> None:
    """Print the report."""
    import click

    from dashpot import console

    click.echo(_about(said))
    for block in blocks(said, whole=False):
        if block.columns:
            console.table(block.title, block.columns, block.rows)
            for line in block.text:
                click.echo(line)
        elif block.title == "Warnings":
            for line in said["warnings"]:
                console.warn(line)
