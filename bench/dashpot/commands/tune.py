"""The command `dashpot tune`."""

from __future__ import annotations

import os
from pathlib import Path

import click

from dashpot import options

EXIT_NOT_BETTER = 1


@click.command(short_help="Search for better numbers of a calibration on simulated roads.")
@click.argument("tune", type=click.Path(path_type=Path), metavar="TUNE.toml")
@click.option(
    "--calibration", type=click.Path(path_type=Path), required=True, help="calibration.toml to start from."
)
@click.option("--vehicle", type=click.Path(path_type=Path), required=True, help="vehicle.toml of the car.")
@click.option(
    "--out", type=click.Path(path_type=Path), required=True, help="Folder for the records and the results."
)
@options.dbc
@options.firmware
@options.micropython
@click.option(
    "--jobs", type=click.IntRange(1, 256),
    help="Processes at once, one a processor by default. The result is the same.",
)  # fmt: skip
@click.option("--budget", type=click.IntRange(1, 100_000), help="Calibrations to try, instead of the file's.")
@click.option("--seed", type=click.IntRange(0, (1 << 31) - 1), help="Of the search, instead of the file's.")
@click.option(
    "--resume", is_flag=True, help="Go on with a search that was stopped, or with a greater budget."
)
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
@click.pass_context
def command(
    context: click.Context,
    tune: Path,
    calibration: Path,
    vehicle: Path,
    out: Path,
    dbc: tuple[Path, ...],
    firmware: Path | None,
    micropython: Path | None,
    jobs: int | None,
    budget: int | None,
    seed: int | None,
    resume: bool,
    as_json: bool,
) -> None:
    """Search chosen numbers of a calibration for a stated aim, and judge the result on roads that it did not see.

    No limit, valve, check or fail-safe number can be moved. docs/tune.md has the file. Ctrl-C keeps what is done; the
    same command with --resume goes on.

    Exit code: 0 better on held-out roads, 1 not shown to be better, 2 a file has a mistake.
    """
    from dashpot import console
    from dashpot.cli import EXIT_STOPPED
    from dashpot.tune.job import Job, StoppedError, run_job

    at_once = jobs or os.cpu_count() or 1
    job = Job(tune, calibration, vehicle, out, dbc, firmware, micropython, at_once, budget, seed, resume)
    try:
        said = run_job(job)
    except StoppedError as stopped:
        click.echo(
            f"\ndashpot: stopped after {stopped.done} of {stopped.budget} evaluations; they are kept in {out}, and the same "
            "command with --resume goes on",
            err=True,
        )
        context.exit(EXIT_STOPPED)
    if as_json:
        console.print_json(said)
    else:
        from dashpot.tune.report import show

        show(said, out)
    context.exit(0 if said["verdict"]["improved"] else EXIT_NOT_BETTER)
