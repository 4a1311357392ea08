"""The command `dashpot simulate`."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashpot import options

if TYPE_CHECKING:
    from dashpot.plant.simulate import Job, Loop

STARTED = time.perf_counter()


@click.command(short_help="Simulate a car's drive: a CAN log, with or without the firmware in the loop.")
@click.argument("scenario", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="The candump log to write.")
@click.option(
    "--passive", is_flag=True,
    help="Open loop: held currents, the scenario's or --current-ma. What happens without a calibration anyway.",
)  # fmt: skip
@click.option(
    "--current-ma", type=click.FloatRange(0.0, 5000.0), nargs=2, metavar="FRONT REAR",
    help="Currents that an open loop holds; 0 0 is the valves' passive stage.",
)  # fmt: skip
@click.option(
    "--vehicle", type=click.Path(path_type=Path), help="vehicle.toml: which signal feeds which channel."
)
@click.option(
    "--calibration", type=click.Path(path_type=Path),
    help="calibration.toml: maps, limits, valves. Closes the loop with the firmware.",
)  # fmt: skip
@options.dbc
@click.option("--image", type=click.Path(path_type=Path), help="A packed image instead of the two.")
@options.firmware
@options.target
@options.micropython
@options.start_us
@click.option(
    "--seed", type=click.IntRange(0), help="Instead of the scenario's: another road, driver and noise."
)
@click.option(
    "--duration", type=click.FloatRange(0.1, 900.0), metavar="SECONDS", help="Instead of the scenario's."
)
@click.option(
    "--other-load", type=click.FloatRange(0.0, 60.0), default=0.0, show_default=True, metavar="PERCENT",
    help="Of the bus, taken by messages that are none of the car's data.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace earlier files at --out.")
@click.option("--json", "as_json", is_flag=True, help="Print what came of it as JSON.")
def command(
    scenario: Path,
    out: Path,
    passive: bool,
    current_ma: tuple[float, float] | None,
    vehicle: Path | None,
    calibration: Path | None,
    dbc: tuple[Path, ...],
    image: Path | None,
    firmware: Path | None,
    target: str,
    micropython: Path | None,
    start_us: int,
    seed: int | None,
    duration: float | None,
    other_load: float,
    replace: bool,
    as_json: bool,
) -> None:
    """Drive SCENARIO.toml and write what the car's bus would carry, and the truth beside it.

    Without a calibration the coils hold their currents; with one, the firmware drives them, tick by tick, and the run
    is stored too. docs/simulate.md has the files.
    """
    from dashpot import console
    from dashpot.errors import InputError
    from dashpot.plant.simulate import Job, Loop, simulate
    from dashpot.resources import firmware_dir

    loop: Loop | None = None
    asked = [
        name
        for name, value in (
            ("--vehicle", vehicle), ("--calibration", calibration), ("--dbc", dbc), ("--image", image),
            ("--firmware", firmware), ("--micropython", micropython),
        )
        if value
    ]  # fmt: skip
    if asked:
        if passive or current_ma is not None:
            raise InputError(
                f"is given beside {', '.join(asked)}; either the currents are held or the firmware makes them",
                where="--passive" if passive else "--current-ma",
            )
        loop = Loop(
            firmware or firmware_dir(), vehicle, calibration, dbc, image, target, micropython, start_us
        )
    held_a = None if current_ma is None else (current_ma[0] / 1000.0, current_ma[1] / 1000.0)
    job = Job(scenario, out, loop, held_a, seed, duration, other_load / 100.0, replace)
    said = simulate(job, STARTED)
    if as_json:
        console.print_json(said)
    else:
        show(said, job)


def show(said: dict[str, Any], job: Job) -> None:
    """Print what came of it for people."""
    from dashpot import console
    from dashpot.replay.report import show as show_run

    bus = said["bus"]
    click.echo(
        f"Simulated {said['scenario']['name']}, seed {said['seed']}, {said['loop']} loop: {said['drive_s']:.1f} s in "
        f"{said['wall_s']:.2f} s, {said['realtime_factor']:.0f} x real time; {said['frames']:,} frames in {job.log}, a "
        f"bus load of {100 * bus['load']:.1f} %."
    )
    tight = max(bus["messages"], key=lambda message: message["worst_us"])
    click.echo(
        f"Latest frame: {tight['name']}, {tight['worst_us'] / 1000:.2f} ms after its sample; the response-time analysis "
        f"allows {tight['bound_us'] / 1000:.2f} ms."
    )
    if said["loop"] == "open":
        held = said["held_a"]
        click.echo(f"Currents held: front {1000 * held['front']:.0f} mA, rear {1000 * held['rear']:.0f} mA.")
    console.table(
        "Motion",
        ["corner", "stroke, mm", "most speed, mm/s", "least tyre load, N", "current, mA"],
        [
            [
                corner.replace("_", "-"),
                "{:.1f} to {:.1f}".format(*one["stroke_mm"]),
                one["most_speed_mm_s"],
                one["least_tyre_load_n"],
                "{} to {}".format(*one["coil_ma"]),
            ]
            for corner, one in said["motion"].items()
        ],
    )
    if said["loop"] == "closed":
        show_run(said["run"], job.run)
    click.echo(f"The truth is in {job.truth}; docs/simulate.md says how to read it.")
