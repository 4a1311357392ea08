"""Candidates driven through cases: one measurement, or many in several processes.

    soft = passive("soft", 0.3, 0.3)
    mine = calibrated("mine", Path("vehicle.toml"), Path("calibration.toml"))
    case = Case(demo_scenario_path("lane_change"), seed=3)
    figures = measure(soft, case)
    table = measure_many([soft, mine], [case], jobs=2)  # table[candidate][case]

The same candidate and case give the same figures, whatever the number of processes.
"""

from __future__ import annotations

import multiprocessing
import signal
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, Self

import numpy as np

from dashpot.errors import DashpotError, InputError
from dashpot.evaluate.figures import Figures, figures_of
from dashpot.layout import Layout
from dashpot.plant.car import load_car
from dashpot.plant.chassis import STEP_S, Motion, Plant
from dashpot.plant.closed_loop import loop_world, run_loop
from dashpot.plant.scenario import load_scenario
from dashpot.plant.world import scenario_valves
from dashpot.resources import firmware_dir

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from dashpot.plant.chassis import Inputs
    from dashpot.plant.drive import Drive
    from dashpot.plant.scenario import Scenario
    from dashpot.replay.images import ReplayImage
    from dashpot.targets import RunBlock, RunReply

#: Tick of what has no firmware; that of the demo's calibrations.
PERIOD_US = 2000
#: From the start of a drive: the controller wakes up, filters settle. Manoeuvres begin after 3 s.
SETTLE_S = 2.0
#: Shortest drive that is measured.
LEAST_S = SETTLE_S + 2.0
MOST_A = 5.0


@dataclass(frozen=True, slots=True)
class Case:
    """One drive.

    Attributes:
        scenario: SCENARIO.toml.
        seed: of road, driver and noise, None for the scenario's.
        duration_s: at most, None for all of the scenario.
        car: CAR.toml instead of the scenario's.

    """

    scenario: Path
    seed: int | None = None
    duration_s: float | None = None
    car: Path | None = None


@dataclass(slots=True)
class Ready:
    """A case made ready: the drive and the plant with its inputs, for whoever makes the currents."""

    scenario: Scenario
    drive: Drive
    plant: Plant
    inputs: Inputs


@dataclass(frozen=True, slots=True)
class Run:
    """What came of a drive: the motion at ticks from time 0 on, float32, and the controller's share of active time."""

    motion: Motion
    active_percent: float | None = None


class Control(Protocol):
    """Where the currents come from; frozen and small, since it travels between processes."""

    @property
    def cost(self) -> float:
        """Work for a second of a drive, 1 for held currents."""

    def run(self, ready: Ready) -> Run:
        """Drive from the first row to the last."""


@dataclass(frozen=True, slots=True)
class Held:
    """Currents that are held, in ampere."""

    front_a: float
    rear_a: float

    @property
    def cost(self) -> float:
        """The plant alone."""
        return 1.0

    def run(self, ready: Ready) -> Run:
        """Drive with held currents from the start on."""
        four = [self.front_a, self.front_a, self.rear_a, self.rear_a]
        steps = round(PERIOD_US * 1e-6 / STEP_S)
        ticks = round(ready.drive.duration_s * 1e6) // PERIOD_US
        state = ready.plant.rest(ready.inputs, four)
        first = ready.plant.look(state, ready.inputs).rows
        moved = ready.plant.run(state, np.array([four]), ticks * steps, ready.inputs).rows
        rows = np.concatenate((first, moved[steps - 1 :: steps])).astype(np.float32)
        return Run(Motion(rows, PERIOD_US * 1e-6))


@dataclass(frozen=True, slots=True)
class Controlled:
    """A packed calibration and the firmware that runs it.

    Attributes:
        image: the packed bytes.
        period_us: its tick.
        firmware: folder of the firmware.
        target: "host", or "cpython", which is checked and slow.
        micropython: the interpreter, None to look for it.

    """

    image: bytes
    period_us: int
    firmware: Path
    target: str = "host"
    micropython: Path | None = None

    @property
    def cost(self) -> float:
        """Against held currents, measured: a lap of 90 s in 7.6 s and 0.73 s of one core."""
        return 10.0

    def run(self, ready: Ready) -> Run:
        """Drive with the real firmware in lock step."""
        from dashpot.targets import TargetOptions, make_target

        layout = _layout(self.firmware)
        world, coils = loop_world(
            ready.scenario, layout, self.image, period_us=self.period_us, seed=ready.drive.seed
        )
        target = make_target(self.target, TargetOptions(self.firmware, self.micropython), layout)
        modes: list[NDArray[np.int32]] = []
        at = layout.state["mode"].at

        def store(_block: RunBlock, reply: RunReply) -> None:
            modes.append(reply.trace[:, at].copy())

        target.start()
        try:
            target.load(self.image)
            run_loop(world, coils, target, layout, store)
        finally:
            target.close()
        settled = np.concatenate(modes)[round(SETTLE_S * 1e6) // self.period_us :]
        active = 100.0 * float(np.mean(settled == layout.modes.index("active")))
        return Run(Motion(world.motion, self.period_us * 1e-6), active)


@dataclass(frozen=True, slots=True)
class Candidate:
    """What is compared: a name and where its currents come from."""

    name: str
    control: Control


def passive(name: str, front_a: float, rear_a: float) -> Candidate:
    """Return a passive setting.

    Raises:
        InputError: a current is below 0 or above 5 A.

    """
    for current in (front_a, rear_a):
        if not 0.0 <= current <= MOST_A:
            raise InputError(
                f"a held current of {1e3 * current:g} mA; 0 to {1e3 * MOST_A:g} mA can be held", where=name
            )
    return Candidate(name, Held(float(front_a), float(rear_a)))


def calibrated(
    name: str,
    vehicle: Path,
    calibration: Path,
    *,
    firmware: Path | None = None,
    dbc: Sequence[Path] = (),
    micropython: Path | None = None,
) -> Candidate:
    """Return a calibration's candidate, packed now.

    Args:
        name: of the candidate.
        vehicle: vehicle.toml.
        calibration: calibration.toml.
        firmware: folder of the firmware, ours by default.
        dbc: instead of those that the vehicle file names.
        micropython: the interpreter, None to look for it.

    Raises:
        InputError: with every mistake in the files.

    """
    from dashpot.replay.images import pack_image

    folder = firmware or firmware_dir()
    return of_image(name, pack_image(vehicle, calibration, _layout(folder), None, dbc), folder, micropython)


def of_image(
    name: str, image: ReplayImage, firmware: Path | None = None, micropython: Path | None = None
) -> Candidate:
    """Return the candidate of a packed image, as `dashpot.replay.images` gives it."""
    folder = firmware or firmware_dir()
    return Candidate(name, Controlled(image.data, image.period_us, folder, micropython=micropython))


def measure(candidate: Candidate, case: Case) -> Figures:
    """Drive a candidate through a case and return what was measured.

    Raises:
        InputError: the case cannot be driven, or is too short to measure.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    ready = _ready(case)
    run = candidate.control.run(ready)
    return figures_of(run.motion, ready.drive, ready.scenario, SETTLE_S, run.active_percent)


def work(candidate: Candidate, case: Case) -> float:
    """Return the work of a measurement in seconds of a drive with held currents, for progress."""
    return candidate.control.cost * _scenario(case).duration_s


class Workers:
    """Processes that measure, kept for several calls; with one job it is this process.

    Use as a context: at its end the processes are gone, after Ctrl-C as well.

    Args:
        jobs: processes at once.

    Raises:
        InputError: `jobs` is below 1.

    """

    def __init__(self, jobs: int) -> None:
        if jobs < 1:
            raise InputError(f"{jobs} processes; 1 or more are wanted", where="jobs")
        self.jobs = jobs
        self._pool: ProcessPoolExecutor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(cancel_futures=True)
            self._pool = None

    def results(self, pairs: Sequence[tuple[Candidate, Case]]) -> Iterator[tuple[int, Figures]]:
        """Yield place and figures of each pair as they come; the first error ends it."""
        if self.jobs == 1 or len(pairs) < 2:
            for place, pair in enumerate(pairs):
                yield place, measure(*pair)
            return
        if self._pool is None:
            # Not forked from here: a progress bar's thread may be running.
            known = multiprocessing.get_all_start_methods()
            context = multiprocessing.get_context("forkserver" if "forkserver" in known else "spawn")
            context.set_forkserver_preload(["dashpot.evaluate.warm"])
            self._pool = ProcessPoolExecutor(self.jobs, context, _end_at_once)
        waiting = {self._pool.submit(measure, *pair): place for place, pair in enumerate(pairs)}
        try:
            for done in as_completed(waiting):
                yield waiting[done], done.result()
        except BrokenProcessPool:
            raise DashpotError(
                "a process that measured was ended from outside; run it again, with fewer --jobs"
            ) from None
        finally:
            for future in waiting:
                future.cancel()


def measure_many(
    candidates: Sequence[Candidate],
    cases: Sequence[Case],
    *,
    jobs: int = 1,
    progress: Callable[[float], None] = lambda _work: None,
    workers: Workers | None = None,
) -> list[list[Figures]]:
    """Measure every candidate in every case.

    Args:
        candidates: what is compared.
        cases: the drives.
        jobs: processes at once; with 1 it is this one.
        progress: called with the `work` that was done since the call before.
        workers: instead of `jobs`, for many calls.

    Returns:
        A list for each candidate with the figures of each case. It does not depend on `jobs`.

    Raises:
        InputError: a case cannot be driven, or is too short.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    if workers is None:
        with Workers(jobs) as own:
            return measure_many(candidates, cases, progress=progress, workers=own)
    # By case, so that a process makes a drive once for several candidates; the slow ones first within it.
    order = sorted(range(len(candidates)), key=lambda i: -candidates[i].control.cost)
    places = [(i, k) for k in range(len(cases)) for i in order]
    pairs = [(candidates[i], cases[k]) for i, k in places]
    found: dict[tuple[int, int], Figures] = {}
    for place, figures in workers.results(pairs):
        found[places[place]] = figures
        progress(work(*pairs[place]))
    return [[found[i, k] for k in range(len(cases))] for i in range(len(candidates))]


def _end_at_once() -> None:
    # Ctrl-C reaches every process of the terminal; only the first one has something to say then.
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@lru_cache(maxsize=8)
def _layout(firmware: Path) -> Layout:
    return Layout.load(firmware)


@lru_cache(maxsize=64)
def _scenario(case: Case) -> Scenario:
    scenario = load_scenario(case.scenario)
    if case.car is not None:
        scenario = replace(scenario, car=load_car(case.car))
    if case.duration_s is not None:
        scenario = replace(scenario, duration_s=min(case.duration_s, scenario.duration_s))
    if scenario.duration_s < LEAST_S:
        raise InputError(
            f"a drive of {scenario.duration_s:g} s; the first {SETTLE_S:g} s do not count, so {LEAST_S:g} s or more "
            "are wanted",
            where=case.scenario,
        )
    return scenario


# A few only: a lap's drive takes some 30 MB.
@lru_cache(maxsize=3)
def _ready(case: Case) -> Ready:
    scenario = _scenario(case)
    drive = scenario.drive(case.seed)
    valves = scenario_valves(scenario)
    plant = Plant(
        drive.car, [valve.damper() for valve in valves], [valve.coil(scenario.coil_c) for valve in valves]
    )
    return Ready(scenario, drive, plant, drive.inputs())
