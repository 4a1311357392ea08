"""One simulation from files to files: what `dashpot simulate` does.

Beside LOG, a candump log, it writes LOG's name with .truth.arrow and, of a closed loop, with .run: a run folder as a
replay of that log would make it, bit for bit.
"""

from __future__ import annotations

import shutil
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot import console, runs
from dashpot.errors import InputError
from dashpot.files import atomic_folder, atomic_path, sha256_file
from dashpot.layout import Layout
from dashpot.logs.candump import write_candump
from dashpot.logs.frames import split_block
from dashpot.logs.reader import open_log
from dashpot.plant.closed_loop import loop_world, run_loop
from dashpot.plant.response import load as worst_load
from dashpot.plant.response import response_times
from dashpot.plant.scenario import load_scenario
from dashpot.plant.truth import write_truth
from dashpot.plant.world import World
from dashpot.replay import job as replay_job
from dashpot.replay.engine import Replayed, ReplayOptions
from dashpot.replay.statistics import Statistics
from dashpot.replay.timeline import Timeline

if TYPE_CHECKING:
    from dashpot.plant.canbus import Bus
    from dashpot.plant.scenario import Scenario
    from dashpot.targets import RunBlock, RunReply

CHANNEL = "can0"
#: Names that other tools would take for a format which is not written here.
OTHER_FORMATS = (".asc", ".blf", ".trc", ".csv", ".mf4", ".gz")
#: Periods that are held at once in an open loop.
OPEN_PERIODS = 500


@dataclass(frozen=True, slots=True)
class Loop:
    """The firmware of a closed loop; as a replay has it.

    Attributes:
        firmware: folder of the firmware.
        vehicle, calibration: the files that the image is packed from; None with `image`.
        dbc: DBC files instead of those that the vehicle file names.
        image: a packed image; None with the files above.
        target: name of the target.
        micropython: the interpreter, None to look for it.
        start_us: the controller's clock at the first tick.

    """

    firmware: Path
    vehicle: Path | None = None
    calibration: Path | None = None
    dbc: tuple[Path, ...] = ()
    image: Path | None = None
    target: str = "host"
    micropython: Path | None = None
    start_us: int = 0


@dataclass(frozen=True, slots=True)
class Job:
    """What to simulate and where to.

    Attributes:
        scenario: the scenario's file.
        log: the candump log to write.
        loop: the firmware, None for an open loop.
        held_a: front and rear currents of an open loop, None for the scenario's, or none at all where it has none.
        seed, duration_s: instead of the scenario's.
        other_load: share of the bus that messages of others take.
        replace: whether earlier files may go.

    """

    scenario: Path
    log: Path
    loop: Loop | None = None
    held_a: tuple[float, float] | None = None
    seed: int | None = None
    duration_s: float | None = None
    other_load: float = 0.0
    replace: bool = False

    @property
    def truth(self) -> Path:
        """Where the truth goes."""
        return self.log.with_suffix(".truth.arrow")

    @property
    def run(self) -> Path:
        """Where the run goes."""
        return self.log.with_suffix(".run")


def simulate(job: Job, started: float) -> dict[str, Any]:
    """Simulate and write.

    Args:
        job: what to do.
        started: time.perf_counter() when the work began, for `wall_s`.

    Returns:
        What came of it, see docs/simulate.md.

    Raises:
        InputError: something given cannot be used; nothing is written.
        FirmwareError: the firmware raised, ended or broke the protocol; nothing is written.

    """
    _check_outputs(job)
    scenario = load_scenario(job.scenario)
    with ExitStack() as written:
        # In reverse at the end: the log is there when all else is.
        log = written.enter_context(atomic_path(job.log))
        truth = written.enter_context(atomic_path(job.truth))
        if job.loop is None:
            world, held_a = _open_loop(job, scenario)
            said: dict[str, Any] = {"loop": "open", "held_a": {"front": held_a[0], "rear": held_a[1]}}
            ticks = world.ticks + 1
            write_candump(log, split_block(world.bus.frames()), (CHANNEL,))
        else:
            folder = written.enter_context(atomic_folder(job.run, replace=job.replace))
            world, run, coil = _closed_loop(job, job.loop, scenario, folder, log, started)
            said = {"loop": "closed", "coil": coil, "run": run}
            ticks = run["ticks"]
        about = {"scenario": scenario.name, "seed": str(world.drive.seed), "loop": said["loop"]}
        write_truth(truth, world, ticks, about)
        wall_s = time.perf_counter() - started
        paths = {"log": str(job.log), "truth": str(job.truth)}
        return {
            "scenario": {
                "name": scenario.name,
                "file": job.scenario.name,
                "sha256": sha256_file(job.scenario),
            },
            "seed": world.drive.seed,
            "files": paths if job.loop is None else {**paths, "run": str(job.run)},
            "frames": world.bus.delivered,
            "drive_s": world.drive.duration_s,
            "wall_s": round(wall_s, 3),
            "realtime_factor": round(world.drive.duration_s / wall_s, 2),
            "bus": bus_figures(world.bus),
            "motion": motion_figures(world),
            **said,
        }


def bus_figures(bus: Bus) -> dict[str, Any]:
    """Return the load of a bus and each message's longest and greatest possible time from sample to last bit."""
    cyclic = bus.cyclic()
    bounds = response_times(cyclic, bus.bit_us)
    return {
        "load": round(bus.load(), 5),
        "most_load": round(worst_load(cyclic), 5),
        "messages": [
            {"name": one.name, "worst_us": worst_us, "bound_us": bound.worst_us}
            for one, worst_us, bound in zip(cyclic, bus.worst_us(), bounds, strict=True)
        ],
    }


def motion_figures(world: World) -> dict[str, Any]:
    """Return the extremes of the motion at the ticks."""
    from dashpot.plant import kernel
    from dashpot.plant.truth import CORNERS

    def each(first: int) -> Any:
        return world.motion[:, first : first + 4]

    stroke_mm, speed = 1e3 * each(kernel.STROKE), each(kernel.STROKE_SPEED)
    current, load = each(kernel.COIL_CURRENT), each(kernel.TYRE_LOAD)
    return {
        corner: {
            "stroke_mm": [round(float(stroke_mm[:, c].min()), 2), round(float(stroke_mm[:, c].max()), 2)],
            "most_speed_mm_s": round(1e3 * float(np.abs(speed[:, c]).max()), 1),
            "least_tyre_load_n": round(float(load[:, c].min()), 1),
            "coil_ma": [round(1e3 * float(current[:, c].min())), round(1e3 * float(current[:, c].max()))],
        }
        for c, corner in enumerate(CORNERS)
    }


def _check_outputs(job: Job) -> None:
    if job.log.suffix.lower() in OTHER_FORMATS:
        raise InputError(
            f"the log is written as candump text, which {job.log.suffix} is not; give a name that ends in .log",
            where="--out",
        )
    paths = [job.log, job.truth] if job.loop is None else [job.log, job.truth, job.run]
    if not job.replace:
        there = [path for path in paths if path.exists()]
        if there:
            raise InputError("exists already; give another --out, or --replace", where=there[0])


def _open_loop(job: Job, scenario: Scenario) -> tuple[World, tuple[float, float]]:
    held_a = job.held_a or scenario.currents_a or (0.0, 0.0)
    world = World(
        scenario, seed=job.seed, duration_s=job.duration_s, start_a=held_a, other_load=job.other_load
    )
    with console.progress(world.drive.duration_s, "simulate", "s") as bar:
        while world.tick < world.ticks:
            periods = min(OPEN_PERIODS, world.ticks - world.tick)
            world.hold(*held_a, periods)
            bar.advance(periods * world.period_us * 1e-6)
    return world, held_a


def _closed_loop(
    job: Job, loop: Loop, scenario: Scenario, folder: Path, log: Path, started: float
) -> tuple[World, dict[str, Any], str]:
    """Run the loop; write log and run folder. Returns the world, the run's summary and whose coil moved the valves."""
    layout = Layout.load(loop.firmware)
    replayed = replay_job.Job(
        log=job.log, out=job.run, firmware=loop.firmware, vehicle=loop.vehicle, calibration=loop.calibration,
        dbc=loop.dbc, image=loop.image, target=loop.target, micropython=loop.micropython, start_us=loop.start_us,
    )  # fmt: skip
    with replay_job.Starting(replayed, layout) as starting:
        image = replay_job.image_of(replayed, layout)
        world, coils = loop_world(
            scenario,
            layout,
            image.data,
            period_us=image.period_us,
            seed=job.seed,
            duration_s=job.duration_s,
            start_us=loop.start_us,
            other_load=job.other_load,
        )
        target = starting.target()
        target.load(image.data)
        (folder / runs.IMAGE).write_bytes(image.data)
        shutil.copyfile(loop.firmware / runs.LAYOUT, folder / runs.LAYOUT)
        statistics = Statistics(layout)
        with (
            console.progress(world.drive.duration_s, "simulate", "s") as bar,
            runs.RunWriter(folder, layout) as writer,
        ):

            def store(block: RunBlock, reply: RunReply) -> None:
                writer.add(block, reply)
                statistics.add(block, reply)

            run_loop(world, coils, target, layout, store, start_us=loop.start_us, advance=bar.advance)
        write_candump(log, split_block(world.bus.frames()), (CHANNEL,))
        options = ReplayOptions(period_us=image.period_us, start_us=loop.start_us)
        # What a replay makes of the log: its counts go into the run, and must be those of the loop.
        timeline = Timeline(
            layout, period_us=image.period_us, max_gap_us=options.max_gap_us, start_us=loop.start_us,
            run_ticks=target.hello.run_ticks, ring_frames=target.hello.ring_frames, where=job.log,
        )  # fmt: skip
        reader = open_log(log)
        for block in reader:
            for _ in timeline.feed(block, reader.channels, None):
                pass
        for _ in timeline.finish():
            pass
        assert (timeline.ticks, timeline.counts.delivered) == (statistics.ticks, world.bus.delivered)
        summary = replay_job.describe(
            folder, replayed, layout, reader, target, image, options, Replayed(statistics, timeline),
            sha256_file(log), started,
        )  # fmt: skip
    return world, summary, "valve" if coils is None else "board"
