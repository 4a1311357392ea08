"""`dashpot calibration`: check, pack, show, compare and unpack what the controller is told about car and tuning."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashpot import console, files, resources
from dashpot.errors import InputError
from dashpot.layout import Layout

if TYPE_CHECKING:
    from dashpot.calibration import Image
    from dashpot.calibration.views import Grid

EXIT_DIFFERENT = 1
EXIT_MISTAKES = 2
_FILE = click.Path(path_type=Path, dir_okay=False)

_vehicle = click.option(
    "-v", "--vehicle", "vehicle_path", type=_FILE, metavar="FILE", help="vehicle.toml of the car."
)
_calibration = click.option(
    "-c", "--calibration", "calibration_path", type=_FILE, metavar="FILE", help="calibration.toml."
)
_dbc = click.option(
    "--dbc",
    type=_FILE,
    multiple=True,
    metavar="FILE",
    help="Read this DBC in place of those that the vehicle file names.",
)
_firmware = click.option(
    "--firmware",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="DIR",
    help="Firmware that the image is for; the one that came with dashpot by default.",
)
_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")


def _layout(firmware: Path | None) -> Layout:
    return Layout.load(firmware or resources.firmware_dir())


@click.group()
def command() -> None:
    """Check, pack, show and compare vehicle and calibration files.

    docs/vehicle.md and docs/calibration.md explain both formats.
    """


@command.command()
@_vehicle
@_calibration
@_dbc
@_firmware
@_json
@click.pass_context
def check(
    context: click.Context,
    vehicle_path: Path | None,
    calibration_path: Path | None,
    dbc: tuple[Path, ...],
    firmware: Path | None,
    as_json: bool,
) -> None:
    """List everything that is wrong or doubtful in a vehicle file, a calibration, or both together.

    Exit code: 0 without mistakes (warnings may remain), 2 with mistakes.
    """
    from dashpot.calibration import read_pair

    if vehicle_path is None and calibration_path is None:
        raise InputError("nothing to check; give --vehicle, --calibration or both")
    _, _, found = read_pair(vehicle_path, calibration_path, dbc, _layout(firmware))
    errors = sum(finding.severity == "error" for finding in found)
    if as_json:
        listed = [finding.as_json() for finding in found]
        console.print_json({"errors": errors, "warnings": len(found) - errors, "findings": listed})
    else:
        for finding in found:
            click.echo(str(finding))
        click.echo(f"{_count(errors, 'mistake')}, {_count(len(found) - errors, 'warning')}")
    context.exit(EXIT_MISTAKES if errors else 0)


def _count(number: int, what: str) -> str:
    return f"{number or 'no'} {what}{'' if number == 1 else 's'}"


@command.command()
@_vehicle
@_calibration
@_dbc
@_firmware
@click.option("-o", "--out", type=_FILE, required=True, metavar="IMAGE", help="Where to write the image.")
@_json
def pack(
    vehicle_path: Path | None,
    calibration_path: Path | None,
    dbc: tuple[Path, ...],
    firmware: Path | None,
    out: Path,
    as_json: bool,
) -> None:
    """Write one image of a car and a calibration, as the firmware loads it.

    The same files give the same bytes. With a mistake in a file nothing is written and the exit code is 2.
    """
    from dashpot import calibration

    layout = _layout(firmware)
    vehicle, numbers, doubts = calibration.load_pair(
        _needed(vehicle_path, "--vehicle"), _needed(calibration_path, "--calibration"), dbc, layout
    )
    for doubt in doubts:
        console.warn(f"{doubt.where}: {doubt.message}")
    image = calibration.pack(vehicle, numbers, layout)
    # What was written must be what the firmware takes.
    content = image.to_bytes()
    calibration.read_image(content, layout)
    with files.atomic_path(out) as aside:
        aside.write_bytes(content)
    if as_json:
        console.print_json({
            "image": str(out), "bytes": len(content), "words": len(image.words), "crc32": f"{image.crc32:08x}",
            "format": f"{layout.version:08x}", "warnings": len(doubts),
        })  # fmt: skip
    else:
        click.echo(f"{out}: {len(content)} bytes, CRC-32 {image.crc32:08x}, format {layout.version:08x}")


def _needed(path: Path | None, option: str) -> Path:
    if path is None:
        raise InputError(f"{option} is missing; it takes both --vehicle and --calibration to pack")
    return path


def _read(path: Path, vehicle_path: Path | None, dbc: tuple[Path, ...], layout: Layout) -> Image:
    """Read an image, or make one of a calibration file, without a car where none is given."""
    from dashpot import calibration

    try:
        with path.open("rb") as stream:
            start = stream.read(4)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    if b"DPIM".startswith(start[:4]) or b"\0" in start:
        return calibration.read_image(path, layout)
    if vehicle_path is None:
        return calibration.pack(None, calibration.load_calibration(path), layout)
    vehicle, numbers, _ = calibration.load_pair(vehicle_path, path, dbc, layout)
    return calibration.pack(vehicle, numbers, layout)


@command.command()
@click.argument("source", type=_FILE, metavar="IMAGE|CALIBRATION")
@_vehicle
@_dbc
@_firmware
@_json
def show(
    source: Path, vehicle_path: Path | None, dbc: tuple[Path, ...], firmware: Path | None, as_json: bool
) -> None:
    """Show an image or a calibration file as tables with units.

    An image carries its car; beside a calibration file, --vehicle shows the car too. "A tick" is what the firmware
    counts with. The error bound is half a unit of rounding plus what the scaling to whole numbers may be off.
    """
    from dashpot.calibration import views

    image = _read(source, vehicle_path, dbc, _layout(firmware))
    if as_json:
        console.print_json({
            **views.about(image),
            "values": {key: {"value": text, "tick": tick} for key, text, tick in views.scalars(image)},
            "tables": {grid.key: grid.as_json() for grid in views.grids(image)},
            "messages": views.messages(image),
            "channels": views.channels(image),
        })  # fmt: skip
        return
    for name, value in views.about(image).items():
        shown = ", ".join(value) if isinstance(value, list) else value
        click.echo(f"{name.replace('_', ' ')}: {shown}")
    console.table("Values", ["key", "value", "a tick"], views.scalars(image))
    for grid in views.grids(image):
        _show_grid(grid)
    _show_records("Messages", views.messages(image))
    _show_records("Channels", views.channels(image))


def _show_grid(grid: Grid) -> None:
    # The heading stands above the table, since a title would be folded to the width of a small one.
    down = f"{grid.x_name} {grid.x_unit}".rstrip()
    if grid.y:
        click.echo(f"{grid.key}, {grid.value_unit}; down: {down}, across: {grid.y_name} {grid.y_unit}")
        console.table("", ["", *grid.y], [(x, *row) for x, row in zip(grid.x, grid.cells, strict=True)])
    else:
        click.echo(grid.key)
        rows = [(down, *grid.x), (f"{grid.y_name} {grid.value_unit}", *(row[0] for row in grid.cells))]
        console.table("", ["point", *(str(i) for i in range(1, len(grid.x) + 1))], rows)


def _show_records(title: str, records: list[dict[str, object]]) -> None:
    if records:
        console.table(title, list(records[0]), [tuple(record.values()) for record in records])


@command.command()
@click.argument("before", type=_FILE, metavar="A")
@click.argument("after", type=_FILE, metavar="B")
@_vehicle
@_dbc
@_firmware
@_json
@click.pass_context
def diff(
    context: click.Context,
    before: Path,
    after: Path,
    vehicle_path: Path | None,
    dbc: tuple[Path, ...],
    firmware: Path | None,
    as_json: bool,
) -> None:
    """List what differs between two images or calibration files: each cell with both values, units and axis points.

    The cars are compared where both sides have one; --vehicle gives one to calibration files.

    Exit code, as with diff: 0 no difference, 1 differences, 2 a file cannot be read.
    """
    from dashpot.calibration import views

    layout = _layout(firmware)
    one, other = (_read(path, vehicle_path, dbc, layout) for path in (before, after))
    found = views.changes(one, other)
    if as_json:
        console.print_json({"different": bool(found), "changes": [change.as_json() for change in found]})
    elif found:
        rows = [(change.key, change.place, change.before or "-", change.after or "-") for change in found]
        console.table("", ["key", "at", str(before), str(after)], rows)
    else:
        click.echo("no difference")
    if ("vehicle" in one.names) != ("vehicle" in other.names):
        console.say("one side has no vehicle: only the calibrations were compared")
    context.exit(EXIT_DIFFERENT if found else 0)


@command.command()
@click.argument("image", type=_FILE, metavar="IMAGE")
@_firmware
@click.option(
    "-o",
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    metavar="DIR",
    help="New folder for vehicle.toml and calibration.toml.",
)
def unpack(image: Path, firmware: Path | None, out: Path) -> None:
    """Write the files that pack to this very image.

    The DBC files are not in the image: vehicle.toml names them with their SHA-256. Put them beside it to pack again.
    """
    from dashpot import calibration

    vehicle, numbers = calibration.unpack(calibration.read_image(image, _layout(firmware)))
    with files.atomic_folder(out) as aside:
        (aside / "vehicle.toml").write_text(vehicle, encoding="utf-8")
        (aside / "calibration.toml").write_text(numbers, encoding="utf-8")
    click.echo(f"{out}: vehicle.toml, calibration.toml")


@command.command()
@click.option("--car", "car_path", type=_FILE, required=True, metavar="CAR", help="Data of the car.")
@click.option(
    "--valve", "valve_path", type=_FILE, required=True, metavar="VALVE",
    help="The adjustable valve, of the front axle where the rear has another.",
)  # fmt: skip
@click.option("--valve-rear", type=_FILE, metavar="VALVE", help="The valve of the rear axle.")
@click.option(
    "--vehicle", "vehicle_path", type=_FILE, required=True, metavar="VEHICLE",
    help="vehicle.toml: layers whose channels it lacks are off.",
)  # fmt: skip
@click.option(
    "--targets", "targets_path", type=_FILE, required=True, metavar="TARGETS", help="Damping that is wanted."
)
@_dbc
@click.option("-o", "--out", type=_FILE, required=True, metavar="CALIBRATION", help="Where to write it.")
@click.option("--replace", is_flag=True, help="Replace a file that is there.")
@click.option("--report", type=_FILE, metavar="FILE", help="Write a report too, .md or .html.")
@_json
def new(
    car_path: Path,
    valve_path: Path,
    valve_rear: Path | None,
    vehicle_path: Path,
    targets_path: Path,
    dbc: tuple[Path, ...],
    out: Path,
    replace: bool,
    report: Path | None,
    as_json: bool,
) -> None:
    """Compute a starting calibration from a car's data, its valves, its channels and the damping that is wanted.

    docs/starting-calibration.md explains the files and how each number comes about. Warnings do not stop it.
    """
    from dashpot.starting.job import Job, run_job
    from dashpot.starting.report import show

    said = run_job(
        Job(
            car_path,
            valve_path,
            valve_rear or valve_path,
            vehicle_path,
            targets_path,
            dbc,
            out,
            replace,
            report,
        )
    )
    if as_json:
        console.print_json(said)
    else:
        show(said)
        click.echo(f"{out}: {_count(len(said['warnings']), 'warning')}")
