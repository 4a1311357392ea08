"""The command `dashpot replay`."""

from __future__ import annotations

import time
from pathlib import Path

import click

from dashpot import options

STARTED = time.perf_counter()


@click.command(short_help="Replay a recorded CAN log through the firmware.")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--vehicle", type=click.Path(path_type=Path), help="vehicle.toml: which signal feeds which channel."
)
@click.option(
    "--calibration", type=click.Path(path_type=Path), help="calibration.toml: maps, limits, valves."
)
@options.dbc
@click.option("--image", type=click.Path(path_type=Path), help="A packed image instead of the two.")
@options.firmware
@options.target
@click.option(
    "--period-us", type=click.IntRange(1000, 10_000), help="Tick period instead of the calibration's."
)
@click.option("--channel", help="The log's channel to replay, where it has several.")
@options.micropython
@click.option(
    "--max-gap-s", type=click.FloatRange(0.01, 86_400), default=10.0, show_default=True,
    help="Longer silences are shortened to this.",
)  # fmt: skip
@options.start_us
@options.log_format
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The run folder to make.")
@click.option("--replace", is_flag=True, help="Replace an earlier run at --out.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def command(
    log: Path,
    vehicle: Path | None,
    calibration: Path | None,
    dbc: tuple[Path, ...],
    image: Path | None,
    firmware: Path | None,
    target: str,
    period_us: int | None,
    channel: str | None,
    micropython: Path | None,
    max_gap_s: float,
    start_us: int,
    log_format: str | None,
    out: Path,
    replace: bool,
    as_json: bool,
) -> None:
    """Replay LOG (candump, ASC, BLF, TRC, CSV or MF4, gzip too) through the firmware and store a run folder."""
    from dashpot import console
    from dashpot.replay.job import Job, run_job
    from dashpot.replay.report import show
    from dashpot.resources import firmware_dir

    job = Job(
        log=log,
        out=out,
        firmware=firmware or firmware_dir(),
        vehicle=vehicle,
        calibration=calibration,
        dbc=dbc,
        image=image,
        target=target,
        micropython=micropython,
        period_us=period_us,
        channel=channel,
        max_gap_s=max_gap_s,
        start_us=start_us,
        format=log_format,
        replace=replace,
    )
    summary = run_job(job, STARTED)
    if as_json:
        console.print_json(summary)
    else:
        show(summary, out)
