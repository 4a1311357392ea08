"""calibration.toml as text: the layout and units that a person edits, with the reason of each block beside it."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashpot.calibration.checks import COMPARES, NEEDS
from dashpot.calibration.model import CORNERS
from dashpot.plant.car import GRAVITY_M_S2
from dashpot.starting import layers
from dashpot.starting.firmness import EVEN_AT_M_S, WHOLE
from dashpot.starting.solve import AXLES, Solver, rounded

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

# Guards start where a healthy coil or supply is not: domain notes, section 5 [C], [D].
_SHORT_SHARE = 1.5
_SPREAD_SHARE = 0.9
# What squat and roll make of a healthy stroke, and room above it [D].
_OFFSET_LEAST_MM, _OFFSET_ROOM = 10.0, 1.5
_STRAIGHT_G = 0.3


@dataclass(frozen=True, slots=True)
class Draft:
    """Everything that the text is made from.

    Attributes:
        solver: car, valves and targets.
        channels: names of the channels that the vehicle maps; see `dashpot.calibration.checks.NEEDS`.
        vehicle: name of the vehicle file.

    """

    solver: Solver
    channels: frozenset[str]
    vehicle: str

    def missing(self, layer: str) -> list[str]:
        """Return what a layer lacks: channels, and what only the car's or the targets' file can say."""
        found = [name for name in NEEDS[layer] if name not in self.channels]
        targets, car = self.solver.targets, self.solver.car
        if layer == "brake_lead" and targets.brake_pa_per_m_s2 is None:
            found.append("[brakes] in the targets")
        if layer in {"steer_lead", "grip"} and targets.steering is None:
            found.append("[steering] in the targets")
        if layer == "stroke_end" and any(
            axle.bump_stop is None or axle.droop_stop is None for axle in car.axles
        ):
            found.append("bump_stop and droop_stop of both axles in the car file")
        return found

    def uncompared(self, check: str) -> list[str]:
        """Return what a cross-check lacks."""
        found = [name for name in COMPARES[check] if name not in self.channels]
        if check in {"steer", "yaw"} and self.solver.targets.steering is None:
            found.append("[steering] in the targets")
        if check == "brake" and self.solver.targets.brake_pa_per_m_s2 is None:
            found.append("[brakes] in the targets")
        return found


def text(draft: Draft) -> str:
    """Return the file."""
    return (
        "\n".join(
            (
                *_head(draft),
                *_layers(draft),
                *_valves(draft),
                *_fail_safe(draft),
                *_checks(draft),
                *_board(draft),
            )
        )
        + "\n"
    )


def _quoted(said: str) -> str:
    return (
        '"'
        + "".join(
            {"\\": "\\\\", '"': '\\"'}.get(letter, letter if letter.isprintable() else " ") for letter in said
        )
        + '"'
    )


def _series(values: Iterable[float], unit: str = "") -> str:
    head = f'unit = "{unit}", ' if unit else ""
    return f"{{ {head}at = [{', '.join(f'{value:g}' for value in values)}] }}"


def _note(*sentences: str) -> list[str]:
    """Make a comment of sentences."""
    said = "".join(letter if letter.isprintable() else " " for letter in " ".join(sentences))
    return textwrap.wrap(said, 116, initial_indent="# ", subsequent_indent="# ")


def _switch(draft: Draft, layer: str) -> list[str]:
    missing = draft.missing(layer)
    if not missing:
        return [f"[layers.{layer}]", "enabled = true"]
    return [f"# Off: it lacks {_listed(missing)}.", f"[layers.{layer}]", "enabled = false"]


def _listed(names: Sequence[str]) -> str:
    strokes = [name for name in names if name.startswith("stroke.")]
    short = [name for name in names if not name.startswith("stroke.")]
    if len(strokes) == len(CORNERS):
        short.insert(0, "the four strokes")
    else:
        short = strokes + short
    return ", ".join(short[:-1]) + (" and " if len(short) > 1 else "") + short[-1]


def _head(draft: Draft) -> list[str]:
    solver = draft.solver
    car, targets = solver.car, solver.targets
    front, rear = solver.corners
    carried = (
        f"{name} corner carries {one.sprung_kg:.0f} kg of body on {one.wheel_rate_n_per_m / 1e3:.1f} N/mm: "
        f"{one.body_hz:.2f} Hz, critical damping {one.damper_critical_n_s_per_m:.0f} N s/m at the damper"
        for name, one in (("A front", front), ("a rear", rear))
    )
    return [
        *_note(
            f"A starting calibration of {car.name}, computed from its data; it has not been driven.",
            "docs/calibration.md explains every key, docs/starting-calibration.md how each number comes about.",
        ),
        *_note(
            "; ".join(carried) + ".",
            f"Damping ratios are meant at a stroke speed of {1e3 * targets.stroke_speed_m_s:g} mm/s.",
        ),
        "",
        f"name = {_quoted(f'{targets.name}, starting point')}",
        f"notes = {_quoted(f'Computed from {car.name}, valves {solver.valves[0].name} and {solver.valves[1].name}.')}",
        "",
        "[timing]",
        f'period = "{layers.PERIOD_S * 1e3:g} ms"',
        "",
        *_note("16 ms go with an accelerometer of 10 Hz; more alpha is less lag and more noise [D]."),
        "[filters]",
        'lateral = "16 ms"',
        'longitudinal = "16 ms"',
        "stroke = { alpha = 0.4 }",
        "steer = { alpha = 0.5 }",
        "brake = { alpha = 0.5 }",
        "road_speed = { alpha = 0.8 }",
        "",
    ]


def _layers(draft: Draft) -> list[str]:
    return [
        *_base(draft), *_body_load(draft), *_brake_lead(draft), *_steer_lead(draft), *_stroke_speed(draft),
        *_road_speed(draft), *_grip(draft), *_stroke_end(draft), *_limits(draft),
    ]  # fmt: skip


def _base(draft: Draft) -> list[str]:
    solver = draft.solver
    said, positions = solver.targets.positions, solver.positions
    if "driver_switch" not in draft.channels:
        here = positions[solver.targets.reference]
        positions = (here,) * len(said)
        lines = _note(
            f"{draft.vehicle} maps no driver_switch, so there is one setting.",
            f"Damping ratios of the body, each motion alone: heave {here.alone.heave:.2f}, roll {here.alone.roll:.2f},",
            f"pitch {here.alone.pitch:.2f}.",
        )
    else:
        lines = ["# Damping ratios of the body, each motion alone, at the positions of the driver's switch:"]
        lines += [
            f"# {at}: heave {one.alone.heave:.2f} of {one.target:.2f}, roll {one.alone.roll:.2f}, pitch {one.alone.pitch:.2f}"
            + ("" if one.reached else "; the target is out of reach")
            for at, one in zip(said, positions, strict=True)
        ]
    lines.append("[layers.base]")
    for axle, name in enumerate(AXLES):
        demand = _series((one.demand[axle] for one in positions), "permille")
        lines.append(f"{name} = {{ position = {_series(said)}, demand = {demand} }}")
    return [*lines, ""]


def _body_load(draft: Draft) -> list[str]:
    solver = draft.solver
    load = solver.targets.under_load
    g = load.accel_m_s2 / GRAVITY_M_S2
    lines = [
        *_note(
            "A corner's damping ratio with the load that it carries goes",
            f"from {solver.at_rest[0]:.2f} front and {solver.at_rest[1]:.2f} rear at rest",
            f"to {load.outer:.2f} outside and {load.inner:.2f} inside of a turn, {load.braking[0]:.2f} front and",
            f"{load.braking[1]:.2f} rear under braking, {load.driving[0]:.2f} and {load.driving[1]:.2f} under driving, at {g:.2g} g.",
            f"Counted from position {solver.targets.positions[solver.targets.reference]} of the switch.",
        ),
        *_switch(draft, "body_load"),
        "",
        *_note(
            "One row a lateral point, one value a longitudinal point. In a right turn (lateral negative) the left side is",
            "loaded, under braking (longitudinal negative) the front. Beside each row: load of the tyre at longitudinal 0,",
            "and the damping ratios that come of the row.",
        ),
        "[layers.body_load.map]",
        f"lateral = {_series((mg / 1000 for mg in load.lateral_mg), 'g')}",
        f"longitudinal = {_series((mg / 1000 for mg in load.longitudinal_mg), 'g')}",
        'unit = "permille"',
    ]
    middle = load.longitudinal_mg.index(0)
    for axle, name in enumerate(AXLES):
        corner = 2 * axle
        lines.append(f"{name}_left = [")
        rows = [[str(cell.value[corner]) for cell in row] for row in solver.cells]
        width = max(len(cell) for row in rows for cell in row)
        for row, cells in zip(solver.cells, rows, strict=True):
            here = row[middle]
            side = "" if not here.lateral_mg else " outer," if here.lateral_mg < 0 else " inner,"
            ratios = ", ".join(f"{cell.achieved[corner]:.2f}" for cell in row)
            lines.append(
                f"    [{', '.join(cell.rjust(width) for cell in cells)}],  # {here.lateral_mg / 1000:g} g:{side} "
                f"{here.loaded.tyre_n[corner]:.0f} N; {ratios}"
            )
        lines += ["]", f'{name}_right = "mirror"']
    return [*lines, ""]


def _brake_lead(draft: Draft) -> list[str]:
    lead = layers.brake_lead(draft.solver)
    bar, known = lead.bar, draft.solver.targets.brake_pa_per_m_s2 is not None
    if not known:
        bar = tuple(range(len(bar)))
    lines = [
        *_note(
            "Half of what body load asks for at the deceleration that the pressure will give; the rate's gain wins",
            f"{lead.lead_ms} ms (bus, tick, current, valve). The lead goes with a quarter of a pitch swing, the average",
            "with half of one.",
        ),
        *_switch(draft, "brake_lead"),
        f'slow_average = "{lead.slow_ms} ms"',
        'rate_dead_band = "60 bar/s"',
        f'decay = "{lead.decay_ms} ms"',
        "",
    ]
    for axle, name in enumerate(AXLES):
        demand = _series(lead.demand[axle] if known else (0,) * len(bar), "permille")
        lines += [
            f"[layers.brake_lead.{name}]",
            f"map = {{ pressure = {_series(bar, 'bar')}, demand = {demand} }}",
            f'rate_gain = "{lead.rate_gain[axle]} permille/(100 bar/s)"',
            f'peak = "{lead.peak[axle]} permille"',
            "",
        ]
    return lines


def _steer_lead(draft: Draft) -> list[str]:
    lead = layers.steer_lead(draft.solver)
    steering = draft.solver.targets.steering
    speed = f" at {steering.speed_m_s * layers.KMH:.0f} km/h" if steering else ""
    lines = [
        *_note(
            f"Half of what body load will ask for after {lead.lead_ms} ms of steering{speed}: the lateral acceleration's lag and",
            "the valve's. It goes with a quarter of a roll swing. Inside corners get softer, which a lead cannot ask for.",
        ),
        *_switch(draft, "steer_lead"),
        'rate_dead_band = "40 deg/s"',
    ]
    for name, gain in zip(("front_outer", "front_inner", "rear_outer", "rear_inner"), lead.gain, strict=True):
        lines.append(f'{name} = "{gain} permille/(100 deg/s)"')
    return [
        *lines, f'peak = "{lead.peak} permille"', f'decay = "{lead.decay_ms} ms"', 'fade_from = "20 km/h"',
        'fade_to = "35 km/h"', "",
    ]  # fmt: skip


def _stroke_speed(draft: Draft) -> list[str]:
    solver = draft.solver
    trims = layers.trims(solver)
    full = (solver.targets.brake_pa_per_m_s2 or 6.4e5) / 1e5 * solver.targets.dry_m_s2
    pressure = [max(1, rounded(share * full, 1)) for share in (0.1, 0.3)]
    if pressure[1] <= pressure[0]:
        pressure[1] = pressure[0] + 1
    lines = [
        *_note(
            "Edges at 2 and 6 in/s. By so much the valve's own force over speed differs from what the targets ask for in",
            f"each band, at {', '.join(f'{1e3 * speed:.0f}' for speed in EVEN_AT_M_S)} mm/s and the demand at rest.",
        ),
        *_switch(draft, "stroke_speed"),
        'low_medium = "50.8 mm/s"',
        'medium_high = "152.4 mm/s"',
        'blend = "15 mm/s"',
        f'rough_pressure_from = "{pressure[0]} bar"',
        f'rough_pressure_to = "{pressure[1]} bar"',
        'rough_speed_from = "60 mm/s"',
        'rough_speed_to = "140 mm/s"',
        'rough_average = "120 ms"',
        "",
    ]
    for name, sets in (("normal", trims.normal), ("rough_braking", trims.rough)):
        if name == "rough_braking":
            lines += _note(
                "While braking over a rough patch: from the demand that braking has raised, so that the wheels follow the road."
            )
        for axle, ways in zip(AXLES, sets, strict=True):
            lines.append(f"[layers.stroke_speed.{name}.{axle}]")
            for way, bands in zip(("compression", "rebound"), ways, strict=True):
                low, medium, high = bands
                lines.append(
                    f'{way} = {{ low = "{low} permille", medium = "{medium} permille", high = "{high} permille" }}'
                )
            lines.append("")
    return lines


def _road_speed(draft: Draft) -> list[str]:
    solver = draft.solver
    front, rear = layers.road_speed(solver)
    speeds = [round(speed * layers.KMH) for speed in solver.targets.speed_m_s]
    fast = solver.loading.at(0.0, 0.0, solver.targets.speed_m_s[-1])
    gained = fast.tyre_n - solver.rest.tyre_n
    lines = [
        f"# At {speeds[-1]} km/h the air puts {gained[0]:.0f} N on a front and {gained[2]:.0f} N on a rear corner.",
        *_switch(draft, "road_speed"),
    ]
    for name, made in zip(AXLES, (front, rear), strict=True):
        lines.append(
            f"{name} = {{ speed = {_series(speeds, 'km/h')}, demand = {_series(made, 'permille')} }}"
        )
    return [*lines, ""]


def _grip(draft: Draft) -> list[str]:
    solver = draft.solver
    speeds, angles = layers.ask_steer(solver)
    dry_g = solver.targets.dry_m_s2 / GRAVITY_M_S2
    pressure = rounded(
        layers.ASKED * solver.targets.dry_m_s2 * (solver.targets.brake_pa_per_m_s2 or 6.4e5) / 1e5, 1
    )
    return [
        *_note(
            f"Grip is asked for from {100 * layers.ASKED:.0f} percent of {dry_g:.2g} g on, by angle or pressure.",
            f"What is left in the wet makes {solver.targets.wet_factor:g} times the damping ratio at rest.",
        ),
        *_switch(draft, "grip"),
        f"ask_steer = {{ speed = {_series(speeds, 'km/h')}, angle = {_series(angles, 'deg')} }}",
        f'ask_pressure = "{pressure} bar"',
        f'dry_reference = "{dry_g:.3g} g"',
        'wet_below = "700 permille"',
        'dry_above = "850 permille"',
        'event_least = "800 ms"',
        'settle = "300 ms"',
        'rise = "60 ms"',
        'fall = "2 s"',
        "events = 3",
        'into_wet = "6 s"',
        'out_of_wet = "6 s"',
        f'front = "{layers.wet_share(solver, 0)} permille"',
        f'rear = "{layers.wet_share(solver, 1)} permille"',
        "",
    ]


def _stroke_end(draft: Draft) -> list[str]:
    solver = draft.solver
    lead = min(30, rounded(1e3 * layers.actuator_s(solver), 1))
    speed = solver.targets.end_speed_m_s
    lines = [
        *_note(
            "Distances from ride height; a ramp ends where the stop is met. It is as long as half of the firm force needs",
            f"to stop a wheel at {speed:g} m/s, and looks {lead} ms ahead, the time until the force is there.",
        ),
        *_switch(draft, "stroke_end"),
        'shape = "500 permille"',
        f'lead = "{lead} ms"',
        'moving = "30 mm/s"',
        "",
    ]
    for axle, name in enumerate(AXLES):
        lines.append(f"[layers.stroke_end.{name}]")
        for way, word in enumerate(("compression", "rebound")):
            ramp = layers.ramp(solver, axle, way)
            start, stop, peak = (ramp.start_mm, ramp.stop_mm, ramp.peak) if ramp else (40, 50, 0)
            said = f"  # {ramp.taken_j:.0f} of {ramp.energy_j:.0f} J" if ramp else "  # no stop is known"
            lines.append(
                f'{word} = {{ start = "{start} mm", stop = "{stop} mm", peak = "{peak} permille" }}{said}'
            )
        lines.append("")
    return lines


def _limits(draft: Draft) -> list[str]:
    least = draft.solver.least
    lines = [
        f"# Never softer than a damping ratio of {draft.solver.targets.least:.2f} in heave.",
        "[limits]",
    ]
    for i, corner in enumerate(CORNERS):
        lines.append(f'{corner} = {{ least = "{least[i // 2]} permille", most = "{WHOLE} permille" }}')
    return [*lines, ""]


def _valves(draft: Draft) -> list[str]:
    solver = draft.solver
    lines = []
    for i, corner in enumerate(CORNERS):
        axle = i // 2
        valve, made, firm = solver.valves[axle], layers.actuator(solver, axle), solver.firm[axle]
        if i % 2 == 0:
            at = 1e3 * EVEN_AT_M_S[1]
            low, high = firm.range(EVEN_AT_M_S[1])
            lines += [
                *_note(
                    f"{valve.name}: equal steps of demand are equal steps of force, {low:.0f} to {high:.0f} N s/m at {at:.0f} mm/s.",
                    f"The safe current is {made.safe_share:.2f} of the way up. {_passive(made)}",
                    "The slews cross the span in the time in which the force does 95 percent of a step.",
                ),
            ]
        curve = (
            f"{{ demand = {_series(firm.demands, 'permille')}, current = {_series(firm.currents_ma, 'mA')} }}"
        )
        lines += [
            f"[valves.{corner}]",
            f'safe = "{made.safe_ma} mA"',
            f'least = "{made.least_ma} mA"',
            f'most = "{made.most_ma} mA"',
            f'slew_up = "{made.slew_up} A/s"',
            f'slew_down = "{made.slew_down} A/s"',
            f'match = "{made.match_ma} mA"',
            f'derate = "{made.derate_ma} mA"',
            f'resistance = "{valve.resistance_ohm:g} ohm"',
            f'inductance = "{valve.inductance_h * 1e3:g} mH"',
            f"curve = {curve}",
            "",
        ]
    return lines


def _passive(made: layers.Actuator) -> str:
    if made.least_ma == 0:
        return "No current is one of its settings: the partner of a dead corner goes without as well."
    if made.match_ma:
        return f"Without a current it is as firm as at {made.match_ma} mA: the partner of a dead corner goes there."
    side = "firmer" if made.passive_share > 0.5 else "softer"
    return f"Without a current it is {side} than any that can be held: the partner of a dead corner goes without as well."


def _fail_safe(draft: Draft) -> list[str]:
    made = [layers.actuator(draft.solver, axle) for axle in (0, 1)]
    spread = [rounded(_SPREAD_SHARE * (one.most_ma - one.least_ma), 50) for one in made]
    return [
        "[fail_safe]",
        'channel_fade = "100 ms"',
        'channel_recover = "500 ms"',
        'authority_leave = "60 ms"',
        'authority_return = "2 s"',
        'return_below = "0.2 g"',
        "losses = 3",
        'still_from = "20 km/h"',
        'command_expiry = "20 ms"',
        f'axle_spread = {{ front = "{spread[0]} mA", rear = "{spread[1]} mA" }}  # nine tenths of least to most',
        "",
    ]


def _checks(draft: Draft) -> list[str]:
    solver = draft.solver
    speeds, rates = layers.yaw_gain(solver)
    targets = solver.targets
    offset = max(_OFFSET_LEAST_MM, _OFFSET_ROOM * layers.stroke_offset_mm(solver, _STRAIGHT_G * GRAVITY_M_S2))
    rolls = [min(100, max(0, rounded(layers.stroke_roll_mm(solver, axle), 1))) for axle in (0, 1)]
    roll_limit = max(15, rounded(0.5 * max(rolls), 1))
    per_g = (targets.brake_pa_per_m_s2 or 6.4e5) / 1e5 * GRAVITY_M_S2
    high = max(2, rounded(0.45 * per_g, 1))
    steering = targets.steering
    said = (
        f"# Ratio {steering.ratio:g}, wheelbase {solver.car.wheelbase_m:g} m, understeer {steering.understeer_rad_per_m_s2:g} rad/(m/s2)."
        if steering
        else "# No steering ratio is known."
    )
    gains = rates if steering else [0] * len(speeds)

    def trip(check: str, time: str) -> str:
        return "0 ms" if draft.uncompared(check) else time

    off = [
        f"# {check} is off: it lacks {_listed(draft.uncompared(check))}."
        for check in COMPARES
        if draft.uncompared(check)
    ]
    heal = 'heal = "2 s", heals = 3'
    return [
        *_note(
            "Times and limits are usual ones [C] until a clean log of this car says better; strokes and yaw gain are computed."
        ),
        *off,
        "[checks]",
        'from_speed = "30 km/h"',
        f'lateral = {{ limit = "0.3 g", heal_limit = "0.2 g", trip = "{trip("lateral", "200 ms")}", {heal} }}',
        f'longitudinal = {{ limit = "0.3 g", heal_limit = "0.25 g", trip = "{trip("longitudinal", "200 ms")}", {heal} }}',
        f'yaw = {{ trip = "{trip("yaw", "200 ms")}", {heal} }}',
        f'speed = {{ limit = "15 km/h", heal_limit = "10 km/h", trip = "{trip("speed", "200 ms")}", {heal} }}',
        "",
        said,
        "[checks.steer]",
        'limit = "0.55 g"',
        'heal_limit = "0.45 g"',
        f'trip = "{trip("steer", "200 ms")}"',
        'heal = "2 s"',
        "heals = 3",
        f"yaw_gain = {{ speed = {_series(speeds, 'km/h')}, yaw_rate = {_series(gains, 'deg/s')} }}",
        "",
        f"# {high} bar should slow the car by {high / per_g:.2f} g.",
        "[checks.brake]",
        f'high_pressure = "{high} bar"',
        'least_deceleration = "0.08 g"',
        'low_pressure = "2 bar"',
        'most_deceleration = "0.4 g"',
        f'trip = "{trip("brake", "200 ms")}"',
        'heal = "2 s"',
        "heals = 3",
        "",
        f"# {offset / _OFFSET_ROOM:.1f} mm of squat or dive at {_STRAIGHT_G:g} g, and half as much again.",
        "[checks.stroke_offset]",
        f'limit = "{rounded(offset, 1)} mm"',
        f'heal_limit = "{rounded(0.8 * offset, 1)} mm"',
        f'straight_below = "{_STRAIGHT_G:g} g"',
        'straight_rate = "20 mm/s"',
        f'trip = "{trip("stroke_offset", "200 ms")}"',
        'heal = "500 ms"',
        "heals = 3",
        "",
        "# Right less left stroke at 1 g, from the balance at half a g; the limit is half of it.",
        "[checks.stroke_roll]",
        f'limit = "{roll_limit} mm"',
        f'heal_limit = "{rounded(0.8 * roll_limit, 1)} mm"',
        f'roll = {{ front = "{rolls[0]} mm", rear = "{rolls[1]} mm" }}',
        f'trip = "{trip("stroke_roll", "200 ms")}"',
        'heal = "2 s"',
        "heals = 3",
        "",
    ]


def _board(draft: Draft) -> list[str]:
    solver = draft.solver
    made = [layers.actuator(solver, axle) for axle in (0, 1)]
    response = layers.control_ms(solver)
    taus = sorted(1e3 * valve.inductance_h / valve.resistance_ohm for valve in solver.valves)
    short = rounded(_SHORT_SHARE * max(one.most_ma for one in made) + 49, 100)
    watched = max(50, min(100, *(one.least_ma for one in made)))
    return [
        "[board]",
        'bus_off = { trip = "4 ms", heal = "1 s", heals = 3 }',
        'supply_low = { limit = "9 V", heal_limit = "9.5 V", trip = "10 ms", heal = "500 ms", heals = 3 }',
        'supply_under = { limit = "6 V", heal_limit = "6.5 V", trip = "10 ms", heal = "500 ms", heals = 3 }',
        'supply_high = { limit = "16.5 V", heal_limit = "16 V", trip = "10 ms", heal = "500 ms", heals = 3 }',
        'supply_over = { limit = "18 V", heal_limit = "17.5 V", trip = "2 ms", heal = "500 ms", heals = 3 }',
        'driver_hot = { trip = "50 ms", heal = "2 s", heals = 3 }',
        'driver_hot_off = { trip = "2 s", heal = "2 s", heals = 3 }',
        'overrun = { late_ticks = 3, heal = "1 s", heals = 3 }',
        "",
        f"# The coils' own time constants: {taus[0]:.1f} and {taus[1]:.1f} ms. Tracking trips after five response times.",
        "[current_control]",
        "enabled = true",
        f'response = "{response} ms"',
        'freewheel = "0.7 V"',
        'resistance_average = "500 ms"',
        "",
        "[coils]",
        f'open = {{ from_current = "{watched} mA", share = "250 permille", trip = "10 ms" }}',
        f'short = {{ limit = "{short} mA", trip = "2 ms", heal = "1 s", heals = 3 }}',
        'resistance = { low = "700 permille", high = "1700 permille", trip = "1 s", off = "5 s" }',
        f'tracking = {{ limit = "100 permille", least = "50 mA", trip = "{5 * response} ms" }}',
        "",
        "[report]",
        'period = "10 ms"',
    ]
