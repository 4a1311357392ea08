"""The command `dashpot compare`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from dashpot import options

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.compare.expect import Expectations
    from dashpot.compare.measure import Comparison
    from dashpot.compare.verdict import Judge
    from dashpot.replay.job import Job


@click.command(short_help="Show what a change of firmware or calibration does to the currents.")
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--log", "logs", multiple=True, type=click.Path(path_type=Path),
    help="Replay this log and compare; further ones may follow, with or without --log.",
)  # fmt: skip
@click.option("--vehicle", type=click.Path(path_type=Path), help="vehicle.toml of the logs' car.")
@click.option("--calibration", type=click.Path(path_type=Path), help="calibration.toml, the old one.")
@click.option("--calibration-new", type=click.Path(path_type=Path), help="The new one; the old by default.")
@click.option(
    "--firmware",
    metavar="DIR|git:REF",
    help="The old firmware; ours by default. git:REF:DIR where there are several.",
)
@click.option("--firmware-new", metavar="DIR|git:REF", help="The new one; the old by default.")
@options.dbc
@options.target
@options.micropython
@click.option("--channel", help="The logs' channel to replay, where they have several.")
@click.option(
    "--format", "log_format", type=click.Choice(["candump", "asc", "blf", "trc", "csv", "mf4"]),
    help="The logs' format; found out by default.",
)  # fmt: skip
@click.option("--jobs", type=click.IntRange(1, 256), help="Replays at once; one a processor by default.")
@click.option("--expect", type=click.Path(path_type=Path), help="expect.toml: which differences are wanted.")
@click.option(
    "--segments",
    type=click.IntRange(1, 1000),
    default=10,
    show_default=True,
    help="Equal parts to cut each log into.",
)
@click.option("--junit", type=click.Path(path_type=Path), help="Write the verdicts as JUnit XML.")
@click.option("--json", "as_json", is_flag=True, help="Print everything as one JSON document.")
def command(
    paths: tuple[Path, ...],
    logs: tuple[Path, ...],
    vehicle: Path | None,
    calibration: Path | None,
    calibration_new: Path | None,
    firmware: str | None,
    firmware_new: str | None,
    dbc: tuple[Path, ...],
    target: str,
    micropython: Path | None,
    channel: str | None,
    log_format: str | None,
    jobs: int | None,
    expect: Path | None,
    segments: int,
    junit: Path | None,
    as_json: bool,
) -> None:
    """Compare two runs, OLD and NEW, or two folders of runs; with --log, two firmwares or calibrations over logs.

    Exits with 0 when nothing differs or exactly what --expect wants, with 1 otherwise.
    """
    import os

    from dashpot import console
    from dashpot.compare.replays import Cache
    from dashpot.compare.report import document, show, write_junit
    from dashpot.compare.verdict import judge
    from dashpot.errors import InputError, VerdictError
    from dashpot.replay.job import Job
    from dashpot.resources import firmware_dir

    with Cache() as cache:
        if logs:
            _need_change(calibration, calibration_new, firmware, firmware_new)
            template = Job(
                log=logs[0],
                out=Path(),
                firmware=Path(),
                vehicle=vehicle,
                calibration=calibration,
                dbc=dbc,
                target=target,
                micropython=micropython,
                channel=channel,
                format=log_format,
            )
            old = firmware or str(firmware_dir())
            pairs, missing, expectations = _replayed(
                template, (*logs, *paths), (old, firmware_new or old), calibration_new, cache, jobs or os.cpu_count() or 1, expect,
            )  # fmt: skip
        elif len(paths) == 2:
            if vehicle or calibration or calibration_new or firmware or firmware_new:
                raise InputError(
                    "is missing: two runs need no vehicle, calibration or firmware", where="--log"
                )
            pairs, missing = _stored(*paths)
            expectations = _expectations(expect, [path for _, *both in pairs for path in both])
        else:
            raise InputError(
                f"{len(paths)} run folders; give two, or --log with --vehicle and --calibration",
                where="dashpot compare",
            )
        compared = _compare(pairs, expectations, segments)
        checks = judge(expectations, compared, missing)
        if junit is not None:
            write_junit(junit, checks)
        if as_json:
            console.print_json(document(compared, missing, checks))
        else:
            show(compared, missing, checks, judged=expectations is not None)
    failed = [check for check in checks if not check.passed]
    if failed:
        first = failed[0]
        raise VerdictError(
            f"{first.fault}" + (f" (and {len(failed) - 1} more)" if len(failed) > 1 else ""),
            where=f"{first.log or 'all logs'}: {first.name}",
        )


def _need_change(
    calibration: Path | None, calibration_new: Path | None, firmware: str | None, firmware_new: str | None
) -> None:
    from dashpot.errors import InputError

    if calibration_new is None and firmware_new is None:
        raise InputError(
            "nothing is new; give --calibration-new or --firmware-new or both"
            if calibration is not None or firmware is not None
            else "give --vehicle, --calibration, and what is new: --calibration-new or --firmware-new",
            where="dashpot compare --log",
        )


def _replayed(
    template: Job,
    logs: tuple[Path, ...],
    firmwares: tuple[str, str],
    calibration_new: Path | None,
    cache: object,
    workers: int,
    expect: Path | None,
) -> tuple[list[tuple[str, Path, Path]], list[tuple[str, str]], Expectations | None]:
    """Make both runs of each log; return those that are there, those that are not, and the expectations.

    Raises:
        InputError: something given cannot be used, or none of the logs can be replayed.

    """
    from dataclasses import replace

    from dashpot.compare.replays import Cache, firmware_of, make_runs
    from dashpot.errors import InputError

    assert isinstance(cache, Cache)
    old, new = (firmware_of(said, cache) for said in firmwares)
    # Before the replays: a mistake in it shall not cost their time.
    expectations = _expectations(expect, (old, new))
    both = []
    for log in logs:
        both.append(replace(template, log=log, firmware=old))
        both.append(
            replace(template, log=log, firmware=new, calibration=calibration_new or template.calibration)
        )
    made = make_runs(both, cache, workers)
    pairs, missing = [], []
    names = _names(logs)
    for name, first, second in zip(names, made[0::2], made[1::2], strict=True):
        why = [f"{side}: {one.error}" for side, one in (("old", first), ("new", second)) if one.error]
        if why:
            missing.append((name, "; ".join(why)))
        else:
            pairs.append((name, first.path, second.path))
    errors = [one.error for one in made if one.error]
    if not pairs and all(isinstance(error, InputError) for error in errors):
        raise errors[0]
    return pairs, missing, expectations


def _names(logs: tuple[Path, ...]) -> list[str]:
    """Return the logs' names, with their folders where the names alone are not told apart."""
    names = [log.name for log in logs]
    return names if len(set(names)) == len(names) else [str(log) for log in logs]


def _stored(old: Path, new: Path) -> tuple[list[tuple[str, Path, Path]], list[tuple[str, str]]]:
    """Pair two runs, or the runs of two folders by their names."""
    from dashpot.runs import MANIFEST

    if _is_run(old) or _is_run(new) or not (old.is_dir() and new.is_dir()):
        return [(new.name or str(new), old, new)], []
    inside = [{path.parent.name for path in folder.glob(f"*/{MANIFEST}")} for folder in (old, new)]
    if not inside[0] | inside[1]:
        return [(new.name or str(new), old, new)], []
    pairs = [(name, old / name, new / name) for name in sorted(inside[0] & inside[1])]
    missing = [(name, f"only {old} has it") for name in sorted(inside[0] - inside[1])]
    missing += [(name, f"only {new} has it") for name in sorted(inside[1] - inside[0])]
    return pairs, missing


def _is_run(path: Path) -> bool:
    from dashpot.runs import MANIFEST

    return (path / MANIFEST).is_file()


def _expectations(expect: Path | None, folders: Sequence[Path]) -> Expectations | None:
    """Read the expectations for the layouts of firmwares or runs; None where there is no file."""
    if expect is None:
        return None
    # Only here: what reads the file takes a third of a second to import.
    from dashpot.compare.expect import load_expectations
    from dashpot.layout import Layout

    return load_expectations(expect, [Layout.load(folder) for folder in folders])


def _compare(
    pairs: list[tuple[str, Path, Path]], expectations: Expectations | None, segments: int
) -> list[tuple[str, Comparison, Judge | None]]:
    from dashpot.compare.measure import compare_pair
    from dashpot.compare.pair import pair_runs
    from dashpot.compare.verdict import Judge
    from dashpot.runs import open_run

    compared = []
    for name, old, new in pairs:
        pair = pair_runs(open_run(old), open_run(new))
        own = None if expectations is None else Judge(pair, expectations.wanted)
        compared.append((name, compare_pair(pair, watch=own, segments=segments), own))
    return compared
