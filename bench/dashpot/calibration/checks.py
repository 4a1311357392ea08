"""What no single key shows: a calibration against its car, and numbers that are allowed but look wrong."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashpot.calibration.findings import Document, Finding, MistakesError, refuse
from dashpot.calibration.mapping import read_vehicle
from dashpot.calibration.model import CORNERS
from dashpot.calibration.packing import numbers, read_calibration, value_at
from dashpot.calibration.scalars import AXLES, ENABLED, TABLES
from dashpot.calibration.schema import touches
from dashpot.calibration.units import TIME, half_up, shown

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
        for doubts in (_authority, _leads, _safe_currents, _coverage):
            found += doubts(calibration)
    if vehicle is not None and calibration is not None:
        found += _channels(vehicle, calibration)
        found += _timeouts(vehicle, calibration)
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
