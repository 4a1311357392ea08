"""The command `dashpot faults`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashpot import options

if TYPE_CHECKING:
    from dashpot.faults import Campaign

SHOWN_FAILURES = 20


@click.command(short_help="Try fault after fault on a recorded log and judge each reaction.")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--vehicle", type=click.Path(path_type=Path), required=True,
    help="vehicle.toml: where the bus carries what.",
)  # fmt: skip
@click.option(
    "--calibration", type=click.Path(path_type=Path), help="calibration.toml: maps, limits, valves."
)
@click.option("--image", type=click.Path(path_type=Path), help="A packed image instead of --calibration.")
@click.option(
    "--plan", type=click.Path(path_type=Path), required=True,
    help="plan.toml: which faults, where, when, how long.",
)  # fmt: skip
@options.firmware
@options.target
@options.micropython
@click.option(
    "--jobs", type=click.IntRange(1, 256), help="Firmware processes at once; one a processor by default."
)
@click.option("--rows", multiple=True, metavar="GLOB", help="Only rows whose id matches; may be given again.")
@click.option("--channel", help="The log's channel, where it has several.")
@options.log_format
@click.option("--junit", type=click.Path(path_type=Path), help="Write the verdicts as JUnit XML there too.")
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The folder to make.")
@click.option("--replace", is_flag=True, help="Replace an earlier campaign at --out.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def command(
    log: Path,
    vehicle: Path,
    calibration: Path | None,
    image: Path | None,
    plan: Path,
    firmware: Path | None,
    target: str,
    micropython: Path | None,
    jobs: int | None,
    rows: tuple[str, ...],
    channel: str | None,
    log_format: str | None,
    junit: Path | None,
    out: Path,
    replace: bool,
    as_json: bool,
) -> None:
    """Put the faults of a plan into LOG, one row at a time, and judge what the controller makes of each.

    Exits with 1 when a row does not pass; the folder is written all the same.
    """
    from dashpot import console
    from dashpot.errors import VerdictError
    from dashpot.faults import Job, run_campaign
    from dashpot.faults.results import REPORT, summarise, write_junit, write_results
    from dashpot.files import atomic_folder
    from dashpot.resources import firmware_dir

    job = Job(
        log=log,
        plan=plan,
        firmware=firmware or firmware_dir(),
        vehicle=vehicle,
        calibration=calibration,
        image=image,
        target=target,
        micropython=micropython,
        jobs=jobs,
        rows=rows,
        channel=channel,
        format=log_format,
    )
    with atomic_folder(out, replace=replace) as folder:
        campaign = run_campaign(job)
        write_results(campaign, folder, plan)
    if junit is not None:
        write_junit(campaign, junit)
    if as_json:
        console.print_json(summarise(campaign))
    else:
        show(campaign)
        click.echo(f"The report is {out / REPORT}; docs/faults.md explains it.")
    failed = campaign.failed
    if failed:
        first = failed[0]
        raise VerdictError(
            f"{len(failed)} of {len(campaign.results)} rows failed, the first: {first.verdict}: {first.why[0]}",
            where=first.row.id,
        )


def show(campaign: Campaign) -> None:
    """Print the worst of each group, the detectors and the failed rows on stdout."""
    from dashpot import console
    from dashpot.faults.results import summarise

    said = summarise(campaign)

    def time(entry: dict[str, Any] | None) -> str | None:
        return None if entry is None else f"{entry['ms']:g} of {entry['limit_ms']:g}"

    console.table(
        f"{said['name']}: worst over the rows of each group, ms from the onset",
        ["group", "rows", "passed", "detected", "safe", "recovered", "slew, % of limit"],
        [
            [
                group["group"], group["rows"], group["passed"], time(group["detect"]), time(group["safe"]),
                time(group["recovery"]), f"{100 * group['slew']['share']:.0f}",
            ]
            for group in said["groups"]
        ],
    )  # fmt: skip
    never = [entry["code"] for entry in said["detectors"] if not entry["came"]]
    if never:
        click.echo(f"Detectors that never fired: {', '.join(never)}")
    for result in campaign.failed[:SHOWN_FAILURES]:
        click.echo(f"FAILED {result.row.id}: {result.verdict}: {'; '.join(result.why[:3])}")
    if len(campaign.failed) > SHOWN_FAILURES:
        click.echo(f"and {len(campaign.failed) - SHOWN_FAILURES} more; they are all in the report")
    verdicts = ", ".join(f"{count} {verdict}" for verdict, count in said["verdicts"].items() if count)
    click.echo(f"{said['rows']} rows: {verdicts}.")
