"""From a tune file to a better calibration: what `dashpot tune` does, in a folder that a stopped search can go on in."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import asdict, dataclass, replace
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashpot import console
from dashpot.calibration import Document
from dashpot.errors import InputError
from dashpot.evaluate.measure import Candidate, Case, Controlled, Workers
from dashpot.files import atomic_path, sha256_file
from dashpot.layout import Layout
from dashpot.plant.scenario import DATA
from dashpot.replay.job import firmware_hash
from dashpot.resources import firmware_dir
from dashpot.tune.cells import numbers_of
from dashpot.tune.plan import Knob, Road, Tune, read_tune
from dashpot.tune.results import CALIBRATION, Outcome, facts, write
from dashpot.tune.score import Drives, Score, refuse_empty, score
from dashpot.tune.search import best, search, take_back
from dashpot.tune.spots import leaves
from dashpot.tune.start import Packed, Start, moved_locks
from dashpot.tune.store import NAME, Records
from dashpot.version import __version__

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.console import Progress
    from dashpot.evaluate.figures import Figures
    from dashpot.tune.search import Point

LIBRARIES = ("cmaes", "numba", "numpy", "scipy")
#: Files of the bench that figures and the way of the search come from.
SOURCES = (
    "evaluate/*.py", "plant/*.py",
    *(f"tune/{name}.py" for name in ("cells", "plan", "score", "search", "spots", "start")),
)  # fmt: skip
TRAINING, HELD_OUT = "training", "held_out"


@dataclass(frozen=True, slots=True)
class Job:
    """What to tune and where to.

    Attributes:
        tune: TUNE.toml.
        calibration, vehicle: the calibration to start from and its car.
        out: folder of records and results.
        dbc: DBC files instead of those that the vehicle file names.
        firmware: its folder, None for ours.
        micropython: the interpreter, None to look for it.
        jobs: processes at once.
        budget, seed: instead of the tune file's.
        resume: go on with the records in `out`.

    """

    tune: Path
    calibration: Path
    vehicle: Path
    out: Path
    dbc: tuple[Path, ...] = ()
    firmware: Path | None = None
    micropython: Path | None = None
    jobs: int = 1
    budget: int | None = None
    seed: int | None = None
    resume: bool = False


class StoppedError(KeyboardInterrupt):
    """Ctrl-C, with how far the search had come."""

    def __init__(self, done: int, budget: int) -> None:
        super().__init__()
        self.done = done
        self.budget = budget


def run_job(job: Job) -> dict[str, Any]:
    """Search, judge the result on held-out roads, write it, and return what came of it.

    The same files, seed and budget give the same files, whatever `jobs` and however often it was stopped and resumed.

    Raises:
        InputError: a file has a mistake, asks for what no search may move, or the folder is in the way.
        StoppedError: Ctrl-C; the records stay.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    firmware = job.firmware or firmware_dir()
    layout = Layout.load(firmware)
    start = Start(job.calibration, job.vehicle, job.dbc, layout)
    tune = read_tune(Document.read(job.tune), numbers_of(start.document))
    tune = replace(
        tune,
        budget=tune.budget if job.budget is None else job.budget,
        seed=tune.seed if job.seed is None else job.seed,
    )
    inputs = inputs_of(tune, start, firmware)
    made = _make_folder(job)
    with Records(job.out / NAME, inputs, resume=job.resume) as records:
        try:
            outcome = _search(job, tune, start, records, firmware)
        except KeyboardInterrupt:
            raise StoppedError(max(0, records.count(TRAINING) - 1), tune.budget) from None
        except BaseException:
            # Nothing of worth is lost when even the start could not be measured as asked.
            if made and records.count(TRAINING) <= 1:
                shutil.rmtree(job.out)
            raise
    said = facts(outcome, inputs)
    with atomic_path(job.out / CALIBRATION) as aside:
        aside.write_bytes(outcome.packed.text.encode())
    write(said, job.out)
    return said


def _make_folder(job: Job) -> bool:
    """Make the folder, where it is not to be resumed; say whether it was not there before."""
    if job.resume:
        return False
    made = not job.out.exists()
    try:
        job.out.mkdir(exist_ok=True)
        there = any(job.out.iterdir())
    except OSError as error:
        raise InputError(f"cannot be the folder of the results: {error.strerror}", where=job.out) from None
    if (job.out / NAME).is_file():
        raise InputError("has a search already; go on with --resume, or give another --out", where=job.out)
    if there:
        raise InputError("exists and is not empty; give another --out", where=job.out)
    return made


def _search(job: Job, tune: Tune, start: Start, records: Records, firmware: Path) -> Outcome:
    # The start, the search, each knob alone, and what goes back together, twice at most.
    most = 1 + tune.budget + len(tune.knobs) + 2
    drives = most * count(tune.training) + 2 * count(tune.held_out)
    zero = (0,) * len(tune.knobs)
    with console.progress(drives, "tune", "drives") as bar, Workers(job.jobs) as workers:
        driver = Driver(tune, start, records, workers, bar, firmware, job.micropython)
        first = driver.drives(TRAINING, [zero])[0]
        assert first is not None
        refuse_empty(first, tune, tune.training, TRAINING, str(job.tune))
        held = driver.drives(HELD_OUT, [zero])[0]
        assert held is not None
        refuse_empty(held, tune, tune.held_out, HELD_OUT, str(job.tune))
        known: dict[Point, Score] = {}

        def judge(points: Sequence[Point]) -> list[Score]:
            scores = [score(drives, first, tune, tune.training) for drives in driver.drives(TRAINING, points)]
            known.update(zip(points, scores, strict=True))
            now = known[best(known)]
            left = max(0, tune.budget + 1 - len(known))
            bar.describe(f"tune, best {now.objective:.4f}, {left} left")
            return scores

        searched = search(
            tune.knobs,
            judge,
            budget=tune.budget,
            seed=tune.seed,
            spread=tune.spread,
            population=tune.population,
        )
        evaluations = len(searched) - 1
        result, worth = take_back(searched, judge)
        packed = start.at(tune.knobs, result)
        assert isinstance(packed, Packed)
        found = start.changes(packed.image)
        moved_locks(found)
        # These are in the records; the bar has had them.
        trained = records.get(TRAINING, result)
        after = driver.drives(HELD_OUT, [result])[0]
        assert isinstance(trained, dict)
        assert after is not None
    drives_of = {TRAINING: (first, trained), HELD_OUT: (held, after)}
    return Outcome(tune, start, searched, evaluations, result, worth, packed, found, drives_of)


def count(roads: Sequence[Road]) -> int:
    """Return how many drives some roads make."""
    return sum(len(road.seeds) for road in roads)


class Driver:
    """Drives points through roads, or takes what the records have of them.

    Args:
        tune: its roads and knobs.
        start: makes the points' files.
        records: get each point when all its drives are over, in the order of the search.
        workers: processes that drive.
        bar: hears of each drive.
        firmware: folder of the firmware.
        micropython: the interpreter.

    """

    def __init__(
        self,
        tune: Tune,
        start: Start,
        records: Records,
        workers: Workers,
        bar: Progress,
        firmware: Path,
        micropython: Path | None,
    ) -> None:
        self.start = start
        self.knobs: Sequence[Knob] = tune.knobs
        self.roads = {TRAINING: tune.training, HELD_OUT: tune.held_out}
        self.records = records
        self.workers = workers
        self.bar = bar
        self.firmware = firmware
        self.micropython = micropython
        self.shown: set[tuple[str, Point]] = set()

    def drives(self, part: str, points: Sequence[Point]) -> list[Drives | None]:
        """Return each point's drives on the roads of a part, None where its file was refused."""
        fresh = [point for point in points if self.records.get(part, point) is None]
        # Those of the records once, like the others.
        resumed = {(part, point) for point in points if point not in fresh} - self.shown
        self.bar.advance(len(resumed) * count(self.roads[part]))
        self.shown |= {(part, point) for point in points}
        if fresh:
            self._measure(part, fresh)
        came = [self.records.get(part, point) for point in points]
        return [None if isinstance(one, str) else one for one in came]

    def _measure(self, part: str, points: Sequence[Point]) -> None:
        places = [(road.name, seed) for road in self.roads[part] for seed in road.seeds]
        cases = [
            Case(road.scenario, seed, road.duration_s) for road in self.roads[part] for seed in road.seeds
        ]
        files = [self.start.at(self.knobs, point) for point in points]
        # Point by point, so that a stop loses little; making a drive anew takes 5 % of driving it (measured, lap of 40 s).
        pairs, owner = [], []
        for i, packed in enumerate(files):
            if isinstance(packed, Packed):
                candidate = self._candidate(packed)
                pairs += [(candidate, case) for case in cases]
                owner += [(i, k) for k in range(len(cases))]
        came: list[dict[tuple[str, int], Figures]] = [{} for _ in points]
        next_up = self._keep(part, points, files, came, places, 0)
        for place, figures in self.workers.results(pairs):
            i, k = owner[place]
            came[i][places[k]] = figures
            self.bar.advance()
            next_up = self._keep(part, points, files, came, places, next_up)
        assert next_up == len(points)

    def _candidate(self, packed: Packed) -> Candidate:
        control = Controlled(
            packed.image.to_bytes(), packed.period_us, self.firmware, micropython=self.micropython
        )
        return Candidate("point", control)

    def _keep(
        self,
        part: str,
        points: Sequence[Point],
        files: Sequence[Packed | str],
        came: Sequence[dict[tuple[str, int], Figures]],
        places: Sequence[tuple[str, int]],
        next_up: int,
    ) -> int:
        """Give the records every point that is whole, in order; return the first that is not."""
        while next_up < len(points):
            packed = files[next_up]
            if isinstance(packed, str):
                self.records.add(part, points[next_up], packed)
            elif len(came[next_up]) == len(places):
                self.records.add(
                    part, points[next_up], {place: asdict(came[next_up][place]) for place in places}
                )
            else:
                break
            next_up += 1
        return next_up


def sources() -> list[Path]:
    """Return the files of `SOURCES`."""
    package = Path(__file__).parent.parent
    return [path for name in SOURCES for path in sorted(package.glob(name))]


def inputs_of(tune: Tune, start: Start, firmware: Path) -> dict[str, Any]:
    """Return all that the figures and the way of the search depend on; neither budget nor jobs are among it."""
    bench = hashlib.sha256()
    for path in sources():
        bench.update(f"{sha256_file(path)}  {path.parent.name}/{path.name}\n".encode())
    return {
        "dashpot": __version__,
        "bench": bench.hexdigest(),
        "libraries": {name: version(name) for name in LIBRARIES},
        "firmware": firmware_hash(firmware),
        "calibration": sha256_file(start.path),
        "image": hashlib.sha256(start.packed.image.to_bytes()).hexdigest(),
        "search": {"seed": tune.seed, "spread": tune.spread, "population": tune.population},
        "objective": tune.weights,
        "constraints": [asdict(bound) for bound in tune.bounds],
        "move": [
            {
                "name": knob.name,
                "cells": [cell.key for cell in knob.cells],
                "scale": knob.scale,
                "step": str(knob.step),
                "levels": [knob.low, knob.high],
            }
            for knob in tune.knobs
        ],
        TRAINING: [_road(road) for road in tune.training],
        HELD_OUT: [_road(road) for road in tune.held_out],
    }


def _road(road: Road) -> dict[str, Any]:
    return {
        "name": road.name,
        "scenario": road.scenario.name,
        "files": _files(road.scenario),
        "seeds": list(road.seeds),
        "duration_s": road.duration_s,
        "weight": road.weight,
    }


def _files(scenario: Path) -> dict[str, str]:
    """Return the hashes of a scenario and of the files that it names."""
    found = {scenario.name: sha256_file(scenario)}
    for value in leaves(Document.read(scenario).data).values():
        if isinstance(value, str):
            for path in (scenario.parent / value, DATA / f"{value}.toml"):
                if value and path.is_file():
                    found[value] = sha256_file(path)
                    break
    return found
