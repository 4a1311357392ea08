"""The command `dashpot demo`: the main job on an invented car and circuit, from nothing to a picture."""

from __future__ import annotations

import shutil
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click
import numpy as np

if TYPE_CHECKING:
    from dashpot.demo import DemoLap

STARTED = time.perf_counter()
LOG = "hollow_fen.log"
PICTURE = "currents.svg"
RUN = "run"
CORNER = "front_left"
BITRATE = 500_000
#: Line pressure from which the driver brakes.
BRAKING_BAR = 3.0
BEFORE_S, AFTER_S = 0.6, 1.3


@click.command(short_help="Make, inspect, replay and draw the demo lap.")
@click.option(
    "--out", type=click.Path(path_type=Path), default=Path("dashpot-demo"), show_default=True,
    help="Folder to make; an earlier demo there is replaced.",
)  # fmt: skip
@click.option(
    "--seed", type=click.IntRange(0), default=1, show_default=True, help="Draws road, driver and noise."
)
@click.option(
    "--target", type=click.Choice(["host", "cpython"]), default="host", show_default=True,
    help="host: the MicroPython interpreter; cpython: checked, slow.",
)  # fmt: skip
@click.option("--micropython", type=click.Path(path_type=Path), help="The interpreter, 1.28 or newer.")
def command(out: Path, seed: int, target: str, micropython: Path | None) -> None:
    """Make the demo lap's CAN log, inspect it, replay it through the firmware and draw what came of it."""
    from dashpot.cautions import print_cautions
    from dashpot.files import atomic_folder
    from dashpot.replay.job import Job, run_job
    from dashpot.replay.report import show
    from dashpot.resources import dbc_dir, demo_dir, firmware_dir

    print_cautions()
    with atomic_folder(out, replace=True, marker=LOG) as folder:
        data = demo_dir() / "data"
        for path in (data / "vehicle.toml", data / "calibration.toml", dbc_dir() / "merlin_t4.dbc"):
            shutil.copyfile(path, folder / path.name)
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
    click.echo(f"""
All of it took {time.perf_counter() - STARTED:.1f} s and is in {out}:
 - {PICTURE}: open it in a browser
 - {RUN}/summary.json: the numbers above; {RUN}/ticks.arrow: every tick, see docs/runs.md
 - vehicle.toml, calibration.toml: change them, then replay the same lap with
   dashpot replay {out / LOG} --vehicle {out / "vehicle.toml"} --calibration {out / "calibration.toml"} --out my-run
With a log of your own: docs/replay.md.""")


def _write_log(path: Path, seed: int) -> DemoLap:
    from dashpot.demo import demo_lap, frames
    from dashpot.logs.candump import write_candump

    lap = demo_lap(seed)
    count = write_candump(path, frames(lap), ("can0",))
    click.echo(
        f"1. The log: {lap.time_s[-1]:.0f} s of the Merlin T4 at Hollow Fen (both invented, seed {seed}), "
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

    on_kerb = np.flatnonzero(lap.circuit.kerb.holds(lap.lap_distance_m))
    braking = lap.brake_bar[:, 0] > BRAKING_BAR
    last_brake = int(np.flatnonzero(braking[: on_kerb[0]])[-1])
    free = np.flatnonzero(~braking[:last_brake])
    start_s = float(lap.time_s[free[-1]]) - BEFORE_S
    leaves = on_kerb[np.flatnonzero(np.diff(on_kerb, append=len(lap.time_s) * 2) > 1)[0]]
    kerb = Mark(float(lap.time_s[on_kerb[0]]), float(lap.time_s[leaves]), "left wheels on the kerb")
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
