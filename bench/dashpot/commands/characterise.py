"""The command `dashpot characterise`: from a dyno's files to a valve file and a report."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.calibration.units import Family
    from dashpot.characterise.analysis import Options, Result

#: Rows of doubts and the like are told in full; the table of forces shows the mean of both ways.
_FILE = click.Path(path_type=Path, dir_okay=False)


@click.command(short_help="Find what a valve does from damper-dyno files.")
@click.argument("dyno", nargs=-1, type=_FILE)
@click.option(
    "--out", type=click.Path(path_type=Path), help="The folder to make: valve.toml, report.html, result.json."
)
@click.option(
    "--columns", type=_FILE, help="TOML file that says which column is what, in which unit and sign."
)
@click.option("--name", default="valve", show_default=True, help="Name of the valve.")
@click.option(
    "--ride-height", metavar="LENGTH", help='Position that is ride height, as in "12 mm"; 0 by default.'
)
@click.option(
    "--least", metavar="CURRENT", help='Least current that can be held, as in "300 mA"; found by default.'
)
@click.option("--most", metavar="CURRENT", help="Most current to use; the highest that was run by default.")
@click.option("--safe", metavar="CURRENT", help="Safe current; that of half the demand by default.")
@click.option(
    "--resistance", metavar="OHM", help='Of the coil at 20 C, as in "2.2 ohm", in place of what is found.'
)
@click.option("--inductance", metavar="HENRY", help='Of the coil, as in "12 mH", in place of what is found.')
@click.option(
    "--oil",
    type=click.FloatRange(-40, 250),
    metavar="CELSIUS",
    help="Oil temperature where no column has it.",
)
@click.option(
    "--speed",
    metavar="SPEED",
    help='Stroke speed at which the valve curve is even, as in "100 mm/s"; all speeds by default.',
)
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Of the draws for the bands."
)
@click.option("--plots", is_flag=True, help="Write each picture as an SVG of its own too.")
@click.option("--strict", is_flag=True, help="Exit with 1 when anything is assumed or in doubt.")
@click.option("--replace", is_flag=True, help="Replace an earlier result at --out.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.option(
    "--example", type=click.Path(path_type=Path), help="Write an invented dyno day into this folder instead."
)
def command(
    dyno: tuple[Path, ...],
    out: Path | None,
    columns: Path | None,
    name: str,
    ride_height: str | None,
    least: str | None,
    most: str | None,
    safe: str | None,
    resistance: str | None,
    inductance: str | None,
    oil: float | None,
    speed: str | None,
    seed: int,
    plots: bool,
    strict: bool,
    replace: bool,
    as_json: bool,
    example: Path | None,
) -> None:
    """Find force over speed and current, response, coil and valve curve from DYNO files of one valve.

    Exits with 1 when the data cannot carry a valve file; docs/characterise.md says what to record.
    """
    from dashpot.calibration import units as cal_units
    from dashpot.characterise.analysis import Options
    from dashpot.errors import InputError, VerdictError
    from dashpot.plant import units

    if example is not None:
        from dashpot.characterise.example import write_example

        if dyno or out is not None:
            raise InputError("--example only writes files; give neither files nor --out beside it")
        write_example(example)
        click.echo(f"{example} has an invented dyno day; docs/characterise.md goes on from there.")
        return
    if not dyno:
        raise InputError("there is no dyno file; give one or more, or --example FOLDER for an invented set")
    if out is None:
        raise InputError("give --out, the folder to make")
    options = Options(
        name=name,
        reference_m=_option("--ride-height", ride_height, units.LENGTH, 1e-3) or 0.0,
        least_a=_option("--least", least, cal_units.CURRENT, 1e-3),
        most_a=_option("--most", most, cal_units.CURRENT, 1e-3),
        safe_a=_option("--safe", safe, cal_units.CURRENT, 1e-3),
        resistance_ohm=_option("--resistance", resistance, cal_units.RESISTANCE, 1e-3),
        inductance_h=_option("--inductance", inductance, cal_units.INDUCTANCE, 1e-6),
        oil_c=oil,
        speed_m_s=_option("--speed", speed, cal_units.STROKE_SPEED, 1e-3),
        seed=seed,
    )
    said = run(dyno, out, columns, options, plots=plots, replace=replace)
    if as_json:
        from dashpot import console

        console.print_json(said)
    else:
        show(said, out)
    doubted = len(said["assumed"]) + len(said["doubts"])
    if strict and doubted:
        raise VerdictError(f"{doubted} figures are assumed or in doubt", where=out)


def _option(name: str, text: str | None, family: Family, scale: float) -> float | None:
    from dashpot.calibration.units import parse
    from dashpot.errors import InputError

    if text is None:
        return None
    try:
        return float(parse(text, family)) * scale
    except ValueError as error:
        raise InputError(str(error), where=name) from None


def run(
    dyno: Sequence[Path], out: Path, columns: Path | None, options: Options, *, plots: bool, replace: bool
) -> dict[str, Any]:
    """Read, analyse and write the folder; return what result.json holds."""
    from dashpot import console
    from dashpot.characterise.analysis import characterise
    from dashpot.characterise.figures import all_figures
    from dashpot.characterise.readings import MOST_ROWS, load_columns, read_dyno
    from dashpot.characterise.report import page
    from dashpot.characterise.results import REPORT, RESULT, VALVE, summarise
    from dashpot.files import atomic_folder, sha256_file

    with atomic_folder(out, replace=replace, marker=RESULT) as folder:
        told = load_columns(columns) if columns is not None else None
        files = []
        left = MOST_ROWS
        with console.progress(
            sum(path.stat().st_size for path in dyno if path.is_file()), "read", "B"
        ) as bar:
            for path in dyno:
                files.append(read_dyno(path, told, left, bar))
                left -= len(files[-1].time_s)
        with console.progress(100, "characterise", "%") as bar:
            result = characterise(files, options, bar)
        inputs = [{"name": path.name, "sha256": sha256_file(path)} for path in dyno]
        said = {**summarise(result), "inputs": inputs}
        _write_valve(result, said, inputs, folder / VALVE)
        figures = all_figures(result)
        (folder / REPORT).write_text(page(said, figures, inputs), encoding="utf-8")
        if plots:
            for key, (_, svg) in figures.items():
                (folder / f"{key}.svg").write_text(svg + "\n", encoding="utf-8")
        (folder / RESULT).write_text(json.dumps(said, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
    return said


def _write_valve(result: Result, said: dict[str, Any], inputs: Sequence[dict[str, str]], path: Path) -> None:
    from dataclasses import replace

    from dashpot.characterise.results import evidence_of
    from dashpot.plant.valve_file import load_valve, write_valve

    write_valve(path, replace(result.valve, evidence=evidence_of(said, inputs)))
    # What is written must be what others read.
    load_valve(path)


def show(said: dict[str, Any], out: Path) -> None:
    """Print figures, forces and the valve curve on stdout, doubts on stderr."""
    from dashpot import console
    from dashpot.characterise.results import REPORT, VALVE, figures_of, force_table

    console.table(f"{said['name']}: ± is a 95 % band", ["figure", "value", "±", "unit"], figures_of(said))
    for way, name in enumerate(said["surface"]["ways"]):
        head, rows = force_table(said, way)
        console.table(f"Force of the valve in {name}, N", head, rows)
    curve = said["valve_curve"]
    console.table(
        f"Valve curve, even in force over {curve['evened_over']}",
        ["demand, per mille", *map(str, curve["demand_permille"])],
        [["current, mA", *(f"{current:.0f}" for current in curve["current_ma"])]],
    )
    ratios = [ratio for way in said["authority"]["ratio"] for ratio in way]
    click.echo(f"Authority, firmest over softest: {min(ratios):.1f} to {max(ratios):.1f}.")
    for text in said["assumed"]:
        console.warn(f"assumed, not measured: {text}")
    for doubt in said["doubts"]:
        console.warn(doubt["text"])
    click.echo(f"{out / VALVE} is the valve file; {out / REPORT} shows all of it.")
