"""What no single key shows: a calibration against its car, and numbers that are allowed but look wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashpot.calibration.findings import Document, Finding, MistakesError, refuse
from dashpot.calibration.mapping import read_vehicle
from dashpot.calibration.model import CORNERS
from dashpot.calibration.packing import coil_words, numbers, read_calibration, value_at
from dashpot.calibration.scalars import AXLES, ENABLED, TABLES
from dashpot.calibration.schema import touches
from dashpot.calibration.units import CURRENT, TIME, half_up, shown

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from dashpot.calibration.model import Calibration
    from dashpot.calibration.vehicle import Vehicle
    from dashpot.layout import Layout

_STROKES = tuple(f"stroke.{corner}" for corner in CORNERS)
# What a layer cannot work without.
NEEDS: dict[str, tuple[str, ...]] = {
    "body_load": ("lateral", "longitudinal"),
    "brake_lead": ("brake_pressure",),
    "steer_lead": ("steer_angle", "road_speed"),
    "stroke_speed": (*_STROKES, "brake_pressure"),
    "road_speed": ("road_speed",),
    "grip": ("lateral", "longitudinal", "road_speed", "steer_angle", "brake_pressure"),
    "stroke_end": _STROKES,
}
# What a cross-check compares: without one of them it never does.
COMPARES: dict[str, tuple[str, ...]] = {
    "lateral": ("lateral", "road_speed", "yaw_rate"),
    "longitudinal": ("longitudinal", "road_speed"),
    "yaw": ("lateral", "road_speed", "yaw_rate", "steer_angle"),
    "steer": ("lateral", "road_speed", "yaw_rate", "steer_angle"),
    "brake": ("brake_pressure", "longitudinal", "road_speed"),
    "speed": ("road_speed", *(f"wheel_speed.{corner}" for corner in CORNERS)),
    "stroke_offset": ("lateral", "road_speed", *_STROKES),
    "stroke_roll": ("lateral", "road_speed", *_STROKES),
}
# A detector that heals sooner than it trips flickers.
_HEALING = (
    *(f"checks.{name}" for name in COMPARES),
    *(f"board.{name}" for name in ("bus_off", "supply_low", "supply_under", "supply_high", "supply_over")),
    "board.driver_hot", "board.driver_hot_off", "coils.short",
)  # fmt: skip
# A first-order lag is within 1 % after five time constants [X].
_SETTLED = 5
# Above this gain the firmware's control of the current answers slower than asked (firmware/dashpot/valve.py).
_GAIN_MAX_MOHM = 8000
# A valve curve that uses less of the span between the limits leaves the laws little to say.
_AUTHORITY_LEAST = 0.6
# Safe currents of an axle further apart than this share of their span would pull the car to one side.
_SAFE_APART = 0.05


def check(vehicle: Vehicle | None, calibration: Calibration | None) -> list[Finding]:
    """Find all mistakes and doubts in a car and its calibration, beyond what reading the files has refused.

    Either may be None: then only the other is looked at. Errors come first.
    """
    found: list[Finding] = []
    if vehicle is not None:
        found += vehicle.doubts
    if calibration is not None:
        found += numbers(calibration)
        for doubts in (_authority, _leads, _safe_currents, _coverage, _detectors, _coils, _partners):
            found += doubts(calibration)
    if vehicle is not None and calibration is not None:
        found += _channels(vehicle, calibration)
        found += _timeouts(vehicle, calibration)
        found += _comparisons(vehicle, calibration)
    return sorted(found, key=lambda finding: finding.severity != "error")


def _channels(vehicle: Vehicle, calibration: Calibration) -> Iterator[Finding]:
    document = calibration.document
    mapped = vehicle.mapped()
    for layer in ENABLED:
        if not value_at(calibration, f"layers.{layer}.enabled"):
            continue
        missing = [name for name in NEEDS[layer] if name not in mapped and name not in vehicle.broken]
        if missing:
            yield document.error(
                f"layers.{layer}.enabled",
                f"the layer needs {', '.join(missing)}, which {vehicle.document.name} does not map; "
                f"add [channels.{missing[0]}] there or set enabled = false",
            )
    base = calibration.layers.base
    if "driver_switch" not in mapped | vehicle.broken:
        for axle in AXLES:
            if len(set(getattr(base, axle).y)) > 1:
                yield document.warning(
                    f"layers.base.{axle}",
                    f"{vehicle.document.name} maps no driver_switch: the value at position 0 always holds",
                )


def _timeouts(vehicle: Vehicle, calibration: Calibration) -> Iterator[Finding]:
    for channel in vehicle.channels:
        if channel.timeout_us < calibration.period_us:
            yield vehicle.document.error(
                f"channels.{channel.name}.timeout",
                f"{shown(channel.timeout_us, TIME)} is shorter than the tick period, "
                f"{shown(calibration.period_us, TIME)}: the channel would be lost between two ticks",
            )


def _comparisons(vehicle: Vehicle, calibration: Calibration) -> Iterator[Finding]:
    known = vehicle.mapped() | vehicle.broken
    for check, channels in COMPARES.items():
        missing = [name for name in channels if name not in known]
        if missing and getattr(calibration.checks, check).trip:
            yield calibration.document.warning(
                f"checks.{check}.trip",
                f"the check never compares: {vehicle.document.name} does not map {', '.join(missing)}; "
                'map it, or switch the check off with "0 ms"',
            )


def _detectors(calibration: Calibration) -> Iterator[Finding]:
    for key in _HEALING:
        detector = value_at(calibration, key)
        if detector.trip and detector.heals and detector.heal < detector.trip:
            yield calibration.document.warning(
                f"{key}.heal", "is shorter than trip: healing should be slower than tripping", [f"{key}.trip"]
            )
    period = calibration.period_us
    expiry = half_up(calibration.fail_safe.command_expiry)
    if period < expiry < 2 * period:
        yield calibration.document.warning(
            "fail_safe.command_expiry",
            "is below two tick periods: one late tick sends the currents to the safe ones",
            ["timing.period"],
        )


def _coils(calibration: Calibration) -> Iterator[Finding]:
    document, coils, control = calibration.document, calibration.coils, calibration.current_control
    watched = [coils.open.trip, coils.tracking.trip, coils.resistance.trip, coils.resistance.off]
    if not control.enabled:
        if any(watched):
            yield document.warning(
                "current_control.enabled",
                "is false: open coils, resistance and tracking are not watched; of a short only the hardware tells",
                ["coils"],
            )
        return
    if coils.tracking.trip and coils.tracking.trip < _SETTLED * control.response:
        yield document.warning(
            "coils.tracking.trip",
            f"is below {_SETTLED} response times, {shown(half_up(_SETTLED * control.response), TIME)}: "
            "an error that the control is about to settle would count",
            ["current_control.response"],
        )
    if control.response < calibration.period_us:
        yield document.warning(
            "current_control.response", "is shorter than the tick period", ["timing.period"]
        )
    valves = {corner: value_at(calibration, f"valves.{corner}") for corner in CORNERS}
    # Of each doubt the corner where it is greatest.
    corner = max(CORNERS, key=lambda name: valves[name].most)
    if coils.short.trip and half_up(coils.short.limit) <= half_up(valves[corner].most):
        yield document.error(
            "coils.short.limit",
            f"is not above the most current of {corner}, {shown(half_up(valves[corner].most), CURRENT)}: "
            "a good coil would trip it",
            [f"valves.{corner}.most"],
        )
    corner = min(CORNERS, key=lambda name: valves[name].least)
    if coils.open.trip and half_up(coils.open.from_current) > max(1, half_up(valves[corner].least)):
        yield document.warning(
            "coils.open.from_current",
            f"is above the least current of {corner}, {shown(half_up(valves[corner].least), CURRENT)}: "
            "below it an open coil is not seen",
            [f"valves.{corner}.least"],
        )
    gains = {
        name: half_up(valves[name].resistance) * coil_words(calibration, name).gain >> 10 for name in CORNERS
    }
    corner = max(CORNERS, key=lambda name: gains[name])
    if gains[corner] > _GAIN_MAX_MOHM:
        yield document.warning(
            "current_control.response",
            f"asks for a gain of {gains[corner] / 1000:.3g} ohm at {corner}; the firmware stops at "
            f"{_GAIN_MAX_MOHM / 1000:g} ohm and answers slower",
            ["timing.period", f"valves.{corner}"],
        )


def _partners(calibration: Calibration) -> Iterator[Finding]:
    for axle in AXLES:
        left, right = (
            half_up(value_at(calibration, f"valves.{axle}_{side}.match")) for side in ("left", "right")
        )
        if (left == 0) != (right == 0):
            yield calibration.document.warning(
                f"valves.{axle}_right.match",
                f"is {right} mA, but {left} mA on the left: one side goes without a current when its partner does, "
                "the other does not",
                [f"valves.{axle}_left.match"],
            )


def _authority(calibration: Calibration) -> Iterator[Finding]:
    for corner in CORNERS:
        valve = value_at(calibration, f"valves.{corner}")
        key = f"valves.{corner}.curve"
        needs = [f"valves.{corner}.least", f"valves.{corner}.most"]
        span = half_up(valve.most) - half_up(valve.least)
        used = max(valve.curve.y) - min(valve.curve.y)
        if span and used < _AUTHORITY_LEAST * span:
            share = round(100 * used / span)
            yield calibration.document.warning(
                key,
                f"spans {share} % of least to most: the layers have little authority over this valve",
                needs,
            )
        if valve.curve.x[0] > 0 or valve.curve.x[-1] < 1000:
            yield calibration.document.warning(
                key,
                f"covers demand {valve.curve.x[0]} to {valve.curve.x[-1]} permille; outside it the current stays level",
            )


def _leads(calibration: Calibration) -> Iterator[Finding]:
    """A lead that alone fills the range between the demand limits drowns every other layer."""
    layers = calibration.layers
    for corner in CORNERS:
        limit = value_at(calibration, f"limits.{corner}")
        room = half_up(limit.most) - half_up(limit.least)
        axle = corner.split("_", 1)[0]
        peaks = []
        if layers.brake_lead.enabled:
            peaks.append((f"layers.brake_lead.{axle}.peak", half_up(getattr(layers.brake_lead, axle).peak)))
        if layers.steer_lead.enabled:
            peaks.append(("layers.steer_lead.peak", half_up(layers.steer_lead.peak)))
        for key, peak in peaks:
            if peak > room:
                yield calibration.document.warning(
                    key,
                    f"{peak} permille alone is more than the {room} permille between the demand limits of {corner}",
                    [f"limits.{corner}"],
                )


def _safe_currents(calibration: Calibration) -> Iterator[Finding]:
    for axle in AXLES:
        left, right = (value_at(calibration, f"valves.{axle}_{side}") for side in ("left", "right"))
        span = max(1, half_up(left.most) - half_up(left.least))
        if abs(half_up(left.safe) - half_up(right.safe)) > _SAFE_APART * span:
            yield calibration.document.warning(
                f"valves.{axle}_right.safe",
                f"{half_up(right.safe)} mA differs from {half_up(left.safe)} mA on the left: "
                f"the {axle} axle would be firmer on one side when safe",
                [f"valves.{axle}_left.safe"],
            )


def _coverage(calibration: Calibration) -> Iterator[Finding]:
    """Tables hold at their edges, so a table of the pressure above its average should begin at 0."""
    for table in TABLES:
        if table.word == "brake_lead_table":
            curve = value_at(calibration, table.key)
            if curve.x[0] <= 0 and curve.y[0] != 0:
                yield calibration.document.warning(
                    f"{table.key}.demand", "does not begin with 0: the lead would never decay to nothing"
                )


def read_pair(
    vehicle_path: Path | None,
    calibration_path: Path | None,
    dbc: Sequence[Path] | None = None,
    layout: Layout | None = None,
) -> tuple[Vehicle | None, Calibration | None, list[Finding]]:
    """Read a car, a calibration or both, and find everything that is wrong with them, in one go.

    Args:
        vehicle_path: vehicle.toml, None to leave it out.
        calibration_path: calibration.toml, None to leave it out.
        dbc: DBC files to read in place of those that the vehicle file names.
        layout: the firmware's declaration; that of the installed firmware by default.

    Returns:
        What could be read (use it only where there is no error), and all findings, errors first.

    Raises:
        InputError: a file cannot be read at all.

    """
    found: list[Finding] = []
    vehicle, calibration = None, None
    if vehicle_path is not None:
        try:
            vehicle, more = read_vehicle(Document.read(vehicle_path), dbc or None, layout)
            found += more
        except MistakesError as failure:
            found += failure.findings
    if calibration_path is not None:
        try:
            calibration, more, filled = read_calibration(Document.read(calibration_path))
            found += more
            more = check(vehicle, calibration)
            found += [finding for finding in more if finding not in found and not touches(finding, filled)]
        except MistakesError as failure:
            found += failure.findings
    in_order = [str(path) for path in (vehicle_path, calibration_path)]
    return (
        vehicle,
        calibration,
        sorted(
            found,
            key=lambda finding: (finding.severity != "error", in_order.index(finding.file), finding.line),
        ),
    )


def load_pair(
    vehicle_path: Path,
    calibration_path: Path,
    dbc: Sequence[Path] | None = None,
    layout: Layout | None = None,
) -> tuple[Vehicle, Calibration, list[Finding]]:
    """Read a car and a calibration that go together.

    Returns:
        Both, and the warnings.

    Raises:
        InputError: with every mistake in both files.

    """
    vehicle, calibration, found = read_pair(vehicle_path, calibration_path, dbc, layout)
    refuse(found)
    assert vehicle is not None
    assert calibration is not None
    return vehicle, calibration, found
