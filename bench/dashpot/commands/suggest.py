"""`dashpot suggest`: what a recorded log says about vehicle.toml and calibration.toml."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashpot import console
from dashpot.errors import InputError
from dashpot.files import atomic_path

if TYPE_CHECKING:
    from dashpot.calibration import Calibration, Document, Vehicle
    from dashpot.suggest.motion import Motion

DIFF_SUFFIXES = (".diff", ".patch")


@click.command("suggest")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "-v", "--vehicle", "vehicle_path", required=True, metavar="FILE", type=click.Path(path_type=Path),
    help="vehicle.toml of the car.",
)  # fmt: skip
@click.option(
    "-c", "--calibration", "calibration_path", metavar="FILE", type=click.Path(path_type=Path),
    help="calibration.toml, to look at its stops, checks, filters and leads as well.",
)  # fmt: skip
@click.option(
    "--dbc", "dbcs", multiple=True, metavar="FILE", type=click.Path(path_type=Path),
    help="Read this DBC in place of those that the vehicle file names; may be given again.",
)  # fmt: skip
@click.option("--channel", help="The log's CAN channel; needed where several carry the car's messages.")
@click.option(
    "--format", "log_format", help="candump, asc, blf, trc, csv or mf4, where the file does not tell."
)
@click.option("--strict", is_flag=True, help="Stop at the first line or object that cannot be read.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else on stdout.")
@click.option(
    "--out", metavar="FILE", type=click.Path(path_type=Path),
    help="Also write the JSON document (.json), or the diff alone (.diff, .patch).",
)  # fmt: skip
def command(
    log: Path,
    vehicle_path: Path,
    calibration_path: Path | None,
    dbcs: tuple[Path, ...],
    channel: str | None,
    log_format: str | None,
    strict: bool,
    as_json: bool,
    out: Path | None,
) -> None:
    """Check zeros, signs, scales, leads and motion in LOG, and suggest what the car's files could say instead.

    Nothing is changed: suggestions come with their evidence and as a diff. What the log cannot show is listed with
    what it would need. docs/suggest.md explains each figure. Exit code 0 with or without suggestions.
    """
    if out is not None and out.suffix not in (".json", *DIFF_SUFFIXES):
        raise InputError("ends neither in .json nor in .diff or .patch; give one of these", where=out)
    result, motion = suggest_log(
        log, vehicle_path, calibration_path, dbcs=dbcs, channel=channel, log_format=log_format, strict=strict
    )
    if out is not None:
        text = (
            result["diff"]
            if out.suffix in DIFF_SUFFIXES
            else json.dumps(result, indent=2, allow_nan=False) + "\n"
        )
        with atomic_path(out) as path:
            path.write_text(text, encoding="utf-8")
    if as_json:
        console.print_json(result)
        return
    from dashpot.suggest.report import show

    show(result, motion)


def suggest_log(
    log: Path,
    vehicle_path: Path,
    calibration_path: Path | None = None,
    *,
    dbcs: tuple[Path, ...] = (),
    channel: str | None = None,
    log_format: str | None = None,
    strict: bool = False,
) -> tuple[dict[str, Any], dict[str, Motion]]:
    """Read a log twice; return the document under stable keys, ready for JSON, and each corner's motion.

    Raises:
        InputError: a file cannot be read or used, or the log has none of the vehicle's messages.

    """
    from dashpot.calibration import Document, load_pair, load_vehicle
    from dashpot.logs import open_log
    from dashpot.suggest.analysis import Correction, analyse
    from dashpot.suggest.document import differences, document
    from dashpot.suggest.propose import CALIBRATION, VEHICLE, suggest

    calibration: Calibration | None = None
    if calibration_path is None:
        vehicle: Vehicle = load_vehicle(vehicle_path, dbcs or None)
    else:
        vehicle, calibration, _ = load_pair(vehicle_path, calibration_path, dbcs or None)
    reader = open_log(log, format=log_format, strict=strict)
    with console.progress(2 * reader.bytes_total, "suggest", "B") as bar:
        findings = analyse(reader, vehicle, calibration, channel=channel, on_bytes=bar.advance)
    suggestions, remarks = suggest(findings, vehicle, calibration)
    files = {VEHICLE: (vehicle_path, _text(vehicle_path))}
    if calibration_path is not None:
        files[CALIBRATION] = (calibration_path, _text(calibration_path))
    diff, texts, left = differences(suggestions, files)
    mistakes = []
    if VEHICLE in texts:
        mistakes += _vehicle_mistakes(Document(str(vehicle_path), vehicle_path, texts[VEHICLE]), dbcs)
    if CALIBRATION in texts and calibration_path is not None:
        mistakes += _calibration_mistakes(
            Document(str(calibration_path), calibration_path, texts[CALIBRATION])
        )
    result = {
        "log": str(log),
        "vehicle": str(vehicle_path),
        "calibration": None if calibration_path is None else str(calibration_path),
        "problems": {"total": reader.problems.total, "counts": reader.problems.counts},
        **document(findings, suggestions, remarks, Correction(findings).channels),
        "diff": diff,
        "by_hand": [one.key for one in left],
        "diff_mistakes": mistakes,
    }
    return result, findings.motion


def _text(path: Path) -> str:
    return path.read_bytes().decode("utf-8").replace("\r\n", "\n")


def _vehicle_mistakes(document: Document, dbcs: tuple[Path, ...]) -> list[str]:
    from dashpot.calibration import read_vehicle

    _, findings = read_vehicle(document, dbcs or None)
    return [str(finding) for finding in findings if finding.severity == "error"]


def _calibration_mistakes(document: Document) -> list[str]:
    from dashpot.calibration import read_calibration

    _, findings, _ = read_calibration(document)
    return [str(finding) for finding in findings if finding.severity == "error"]
