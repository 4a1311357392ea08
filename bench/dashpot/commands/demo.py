"""The command `dashpot demo`: the main job on an invented car and circuit, from nothing to a picture."""

from __future__ import annotations

import io
import json
import shutil
import time
from contextlib import ExitStack, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

from dashpot import options

if TYPE_CHECKING:
    from dashpot.demo import DemoLap
    from dashpot.faults import Campaign

STARTED = time.perf_counter()
LOG = "hollow_fen.log"
PICTURE = "currents.svg"
RUN = "run"
FAULTS = "faults"
SHORT_PLAN = "plan_short.toml"
CORNER = "front_left"
BITRATE = 500_000
#: Line pressure from which the driver brakes.
BRAKING_BAR = 3.0
BEFORE_S, AFTER_S = 0.6, 1.3


@click.command(short_help="Make, inspect, replay and draw the demo lap; try some faults on it.")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("dashpot-demo"), show_default=True,
    help="Folder to make; an earlier demo there is replaced.",
)  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Draws road, driver and noise."
)
@options.target
@options.micropython
@click.option("--no-faults", is_flag=True, help="Leave the faults out.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
def command(
    out: Path, seed: int, target: str, micropython: Path | None, no_faults: bool, as_json: bool
) -> None:
    """Make the demo lap's CAN log, inspect it, replay it through the firmware, draw what came of it, and try some faults.

    Exits with 1 when a fault did not end as it must; everything is written all the same.
    """
    from dashpot import console
    from dashpot.cautions import print_cautions
    from dashpot.errors import VerdictError
    from dashpot.faults.results import REPORT, summarise
    from dashpot.files import atomic_folder
    from dashpot.replay.job import Job, run_job
    from dashpot.replay.report import show
    from dashpot.resources import dbc_dir, demo_dir, firmware_dir

    print_cautions()
    campaign: Campaign | None = None
    with atomic_folder(out, replace=True, marker=LOG) as folder, ExitStack() as silence:
        if as_json:
            # What is told on the way is for people; the document comes alone.
            silence.enter_context(redirect_stdout(io.StringIO()))
        data = demo_dir() / "data"
        for name in ("vehicle.toml", "calibration.toml", "plan.toml", SHORT_PLAN):
            shutil.copyfile(data / name, folder / name)
        shutil.copyfile(dbc_dir() / "merlin_t4.dbc", folder / "merlin_t4.dbc")
        lap = _write_log(folder / LOG, seed)
        _inspect(folder)
        job = Job(
            log=folder / LOG,
            out=folder / RUN,
            firmware=firmware_dir(),
            vehicle=folder / "vehicle.toml",
            calibration=folder / "calibration.toml",
            target=target,
            micropython=micropython,
        )
        click.echo("\n2. Replay")
        show(run_job(job, time.perf_counter()), out / RUN)
        click.echo("\n3. Picture")
        _draw(folder, lap)
        replay = json.loads((folder / RUN / "summary.json").read_text(encoding="utf-8"))
        if not no_faults and target == "host":
            click.echo("\n4. Faults")
            campaign = _faults(folder, micropython)
            click.echo(f"{_verdict(campaign)}; {out / FAULTS / REPORT} shows each.")
    said = None
    if campaign is not None:
        said = {**summarise(campaign), "report": str(out / FAULTS / REPORT)}
    if as_json:
        console.print_json({"folder": str(out), "replay": replay, "faults": said})
    else:
        _where(out, with_faults=campaign is not None)
    if campaign is not None and campaign.failed:
        first = campaign.failed[0]
        raise VerdictError(f"{_verdict(campaign)}, the first: {first.why[0]}", where=first.row.id)


def _faults(folder: Path, micropython: Path | None) -> Campaign:
    """Run the short plan on the lap."""
    from dashpot.faults import Job, run_campaign
    from dashpot.faults.results import write_results
    from dashpot.resources import firmware_dir

    plan = folder / SHORT_PLAN
    campaign = run_campaign(
        Job(
            log=folder / LOG,
            plan=plan,
            firmware=firmware_dir(),
            vehicle=folder / "vehicle.toml",
            calibration=folder / "calibration.toml",
            micropython=micropython,
        )
    )
    (folder / FAULTS).mkdir()
    write_results(campaign, folder / FAULTS, plan)
    return campaign


def _verdict(campaign: Campaign) -> str:
    rows, failed = len(campaign.results), len(campaign.failed)
    if failed:
        return f"FAILED: {failed} of {rows} faults did not end as they must"
    return f"PASSED: all {rows} faults ended as they must, in time"


def _where(out: Path, *, with_faults: bool) -> None:
    """Say what is where, and what to do next."""
    lines = [
        f"\nAll of it took {time.perf_counter() - STARTED:.1f} s and is in {out}:",
        f" - {PICTURE}: open it in a browser",
        f" - {RUN}/summary.json: the numbers above; {RUN}/ticks.arrow: every tick, see docs/runs.md",
    ]
    if with_faults:
        lines.append(
            f" - {FAULTS}/report.html: what was tried and what came of it; the whole plan is plan.toml,"
        )
        lines.append("   see docs/faults.md")
    lines += [
        " - vehicle.toml, calibration.toml: change them, then replay the same lap with",
        (
            f"   dashpot replay {out / LOG} --vehicle {out / 'vehicle.toml'} --calibration {out / 'calibration.toml'} "
            "--out my-run"
        ),
        "With a log of your own: docs/replay.md.",
    ]
    click.echo("\n".join(lines))


def _write_log(path: Path, seed: int) -> DemoLap:
    from dashpot.demo import demo_lap, frames
    from dashpot.logs.candump import write_candump

    lap = demo_lap(seed)
    count = write_candump(path, frames(lap), ("can0",))
    click.echo(
        f"1. The log: {lap.drive.duration_s:.0f} s of the Merlin T4 at Hollow Fen (both invented, seed {seed}), "
        f"{count:,} frames in {path.name}"
    )
    return lap


def _inspect(folder: Path) -> None:
    """Say in a few lines what the log holds."""
    from dashpot.commands.inspect import inspect_log
    from dashpot.logs.decode import load_dbc

    dbc = folder / "merlin_t4.dbc"
    found = inspect_log(folder / LOG, load_dbc((dbc,)), dbcs=(dbc,), bitrate=BITRATE)
    (bus,) = found["channels"]
    load = bus["bus_load"]
    periods = [
        f"{row['message']} {row['period_us']['median'] / 1000:.0f}"
        for row in bus["ids"]
        if row["period_us"]["median"]
    ]
    click.echo(
        f"   {len(bus['ids'])} ids at a bus load of {100 * load['mean']:.1f} % of {BITRATE // 1000} kbit/s (worst 100 ms "
        f"{100 * load['worst_100ms']:.1f} %), {found['problems']['total']} problems in the file\n"
        f"   message and period in ms: {', '.join(periods)}"
    )


def _draw(folder: Path, lap: DemoLap) -> None:
    """Draw the braking zone and the corner with the kerb."""
    from dashpot.picture import Mark, draw
    from dashpot.runs import open_run

    drive = lap.drive
    on_kerb = np.flatnonzero(lap.kerb.holds(drive.lap_distance_m))
    braking = drive.brake_bar[:, 0] > BRAKING_BAR
    last_brake = int(np.flatnonzero(braking[: on_kerb[0]])[-1])
    free = np.flatnonzero(~braking[:last_brake])
    start_s = float(drive.time_s[free[-1]]) - BEFORE_S
    leaves = on_kerb[np.flatnonzero(np.diff(on_kerb, append=len(drive.time_s) * 2) > 1)[0]]
    kerb = Mark(float(drive.time_s[on_kerb[0]]), float(drive.time_s[leaves]), "left wheels on the kerb")
    draw(
        open_run(folder / RUN),
        folder / PICTURE,
        corner=CORNER,
        start_s=start_s,
        end_s=kerb.end_s + AFTER_S,
        title="Merlin T4 at Hollow Fen: braking, turning in, and the kerb",
        marks=[kerb],
    )
    click.echo(
        f"{PICTURE} shows the {CORNER.replace('_', '-')} damper from {start_s:.1f} to {kerb.end_s + AFTER_S:.1f} s: "
        "the brake lead comes ahead of the deceleration, body load follows, and on the kerb the stroke-end ramp."
    )
