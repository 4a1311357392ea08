"""What is compared on what: scenarios found, their car and valves known, candidates made."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError
from dashpot.evaluate.measure import Candidate, Case, calibrated, passive
from dashpot.evaluate.search import GENERATIONS
from dashpot.files import sha256_file
from dashpot.plant.car import load_car
from dashpot.plant.scenario import DATA, demo_scenario_path, load_scenario
from dashpot.plant.valve_file import load_valve
from dashpot.resources import dbc_dir, demo_dir, firmware_dir

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.scenario import Scenario
    from dashpot.plant.valve_file import Valve

#: Those that come with dashpot and are driven without --scenarios; the circuit first.
USUAL = (
    "hollow_fen", "hollow_fen_wet", "straight_b", "straight_c", "brake_rough", "lane_change", "slalom", "step_steer",
    "kerb_strike", "bump",
)  # fmt: skip
DEMO_CAR = DATA / "merlin_t4.toml"
DEMO_VALVES = (DATA / "merlin_t4_front_valve.toml", DATA / "merlin_t4_rear_valve.toml")
DEMO_DBC = "merlin_t4.dbc"
STARTING = "starting calibration"
#: Training drives have these seeds, those that are judged 1, 2 and so on.
FIRST_TRAINING_SEED = 1001
MOST_SEEDS = 200


@dataclass(frozen=True, slots=True)
class Job:
    """What `dashpot evaluate` is asked for.

    Attributes:
        scenarios: scenario files, and folders of them; none for the usual ones.
        car: CAR.toml instead of the scenarios'.
        vehicle: vehicle.toml; None for the demo car's.
        dbc: instead of those that the vehicle file names.
        starting: the starting calibration; None to compute it.
        targets: for that; None for the demo car's.
        calibrations: further ones.
        firmware: folder of the firmware; None for ours.
        micropython: the interpreter, None to look for it.
        seeds: judged, 1 to this.
        training_seeds: for the searches.
        longest_s: of each drive.
        training_s: of each training drive.
        generations: of the search for the best passive setting.
        laws: whether the published laws are candidates.
        jobs: processes at once.

    """

    scenarios: tuple[Path, ...] = ()
    car: Path | None = None
    vehicle: Path | None = None
    dbc: tuple[Path, ...] = ()
    starting: Path | None = None
    targets: Path | None = None
    calibrations: tuple[Path, ...] = ()
    firmware: Path | None = None
    micropython: Path | None = None
    seeds: int = 5
    training_seeds: int = 1
    longest_s: float = 90.0
    training_s: float = 30.0
    generations: int = GENERATIONS
    laws: bool = False
    jobs: int = 1


@dataclass(frozen=True, slots=True)
class Course:
    """A scenario of the study: its file and what was read from it."""

    path: Path
    scenario: Scenario

    @property
    def name(self) -> str:
        """As tables have it."""
        return self.scenario.name


@dataclass(frozen=True, slots=True)
class Setting:
    """All that a study has before anything is driven.

    Attributes:
        job: what was asked for.
        courses: the scenarios, in order.
        car: the car's file.
        valves: the valves' files, front and rear.
        front, rear: the valves.
        inputs: name and SHA-256 of each file, by role.

    """

    job: Job
    courses: tuple[Course, ...]
    car: Path
    valves: tuple[Path, Path]
    front: Valve
    rear: Valve
    inputs: dict[str, Any] = field(default_factory=dict)

    def judged(self, course: Course) -> list[Case]:
        """Return the drives of a scenario that are judged, a seed each."""
        job = self.job
        return [Case(course.path, seed, job.longest_s, job.car) for seed in range(1, job.seeds + 1)]

    def training(self) -> tuple[Case, ...]:
        """Return the drives that settings are searched on; none of them is judged."""
        job = self.job
        seeds = range(FIRST_TRAINING_SEED, FIRST_TRAINING_SEED + job.training_seeds)
        most_s = min(job.training_s, job.longest_s)
        return tuple(Case(course.path, seed, most_s, job.car) for course in self.courses for seed in seeds)

    def current_a(self, valve: Valve, share: float) -> float:
        """Return the current of a share of the way from a valve's softest held current, 0, to its firmest, 1."""
        soft, firm = (
            (valve.least_a, valve.most_a) if valve.firmer_with_current else (valve.most_a, valve.least_a)
        )
        # Whole milliampere, as one would set them.
        return round(soft + share * (firm - soft), 3)

    def held(self, name: str, front: float, rear: float) -> Candidate:
        """Return the passive setting of two shares."""
        return passive(name, self.current_a(self.front, front), self.current_a(self.rear, rear))


def settle(job: Job) -> Setting:
    """Read what a study needs.

    Raises:
        InputError: a file cannot be used, or the scenarios have different cars or valves.

    """
    if not 1 <= job.seeds <= MOST_SEEDS:
        raise InputError(f"{job.seeds} seeds; 1 to {MOST_SEEDS} can be judged", where="--seeds")
    courses = tuple(Course(path, load_scenario(path)) for path in scenario_files(job.scenarios))
    names = [course.name for course in courses]
    for course in courses:
        if names.count(course.name) > 1:
            raise InputError(
                f"two scenarios have the name {course.name!r}; each needs its own", where=course.path
            )
    if job.car is not None:
        load_car(job.car)
    cars = [job.car or _named(course.path, "car") for course in courses]
    valves = [course.scenario.valves or DEMO_VALVES for course in courses]
    for course, car, pair in zip(courses, cars, valves, strict=True):
        if not car.samefile(cars[0]):
            raise InputError(
                f"has the car {car.name}, {courses[0].path.name} has {cars[0].name}; give --car, or scenarios of one car",
                where=course.path,
            )
        if any(not one.samefile(other) for one, other in zip(pair, valves[0], strict=True)):
            raise InputError(
                f"has other valves than {courses[0].path.name}; give scenarios of one car", where=course.path
            )
    front, rear = (load_valve(path) for path in valves[0])
    inputs = {
        "scenarios": [_hashed(course.path) for course in courses],
        "car": _hashed(cars[0]),
        "valves": [_hashed(path) for path in valves[0]],
    }
    return Setting(job, courses, cars[0], valves[0], front, rear, inputs)


def scenario_files(given: Sequence[Path]) -> list[Path]:
    """Return scenario files from files and folders; without any the usual ones.

    In a folder a file is one when it has a duration; cars and valves beside it have none.

    Raises:
        InputError: there is no such file or folder, or a folder without a scenario.

    """
    if not given:
        return [demo_scenario_path(name) for name in USUAL]
    found: list[Path] = []
    for path in given:
        if not path.is_dir():
            if not path.is_file():
                raise InputError(
                    "no such file or folder; scenario files, or folders of them, are wanted", where=path
                )
            found.append(path)
            continue
        inside = [one for one in sorted(path.glob("*.toml")) if "duration" in _keys(one)]
        if not inside:
            raise InputError("holds no scenario, a .toml file with a duration", where=path)
        found += inside
    return list(dict.fromkeys(found))


def starting_candidate(setting: Setting, out: Path) -> Candidate:
    """Return the starting calibration, as it is given or computed into `out`.

    Raises:
        InputError: a file cannot be used, or targets for another car than the demo's are missing.

    """
    job = setting.job
    if job.starting is not None:
        setting.inputs["starting"] = _hashed(job.starting)
        return _calibration(setting, STARTING, job.starting)
    from dashpot.starting.job import Job as StartingJob
    from dashpot.starting.job import run_job

    targets = job.targets
    if targets is None:
        if not setting.car.samefile(DEMO_CAR):
            raise InputError(
                "is no file of the demo's; give --targets TARGETS.toml for its starting calibration, or --starting",
                where=setting.car,
            )
        targets = Path(__file__).parent.parent / "starting" / "data" / "merlin_t4_targets.toml"
    vehicle, dbc = _vehicle(job)
    run_job(StartingJob(setting.car, *setting.valves, vehicle, targets, dbc, out))
    setting.inputs["targets"] = _hashed(targets)
    return _calibration(setting, STARTING, out)


def other_candidates(setting: Setting) -> list[Candidate]:
    """Return the candidates of further calibrations, named by their files.

    Raises:
        InputError: a file cannot be used, or two have one name.

    """
    made: dict[str, Candidate] = {}
    for path in setting.job.calibrations:
        if path.stem in made or path.stem == STARTING:
            raise InputError(f"two candidates have the name {path.stem!r}; rename a file", where=path)
        made[path.stem] = _calibration(setting, path.stem, path)
    setting.inputs["calibrations"] = [_hashed(path) for path in setting.job.calibrations]
    return list(made.values())


def _calibration(setting: Setting, name: str, path: Path) -> Candidate:
    vehicle, dbc = _vehicle(setting.job)
    setting.inputs.setdefault("vehicle", _hashed(vehicle))
    job = setting.job
    folder = job.firmware or firmware_dir()
    return calibrated(name, vehicle, path, firmware=folder, dbc=dbc, micropython=job.micropython)


def _vehicle(job: Job) -> tuple[Path, tuple[Path, ...]]:
    """Return vehicle.toml and DBC files; the demo's where none is given, since the bus is that of the demo car."""
    if job.vehicle is not None:
        return job.vehicle, job.dbc
    return demo_dir() / "data" / "vehicle.toml", job.dbc or (dbc_dir() / DEMO_DBC,)


def _named(scenario: Path, key: str) -> Path:
    """Return the file that a scenario, which has been read already, names with a key."""
    name = str(_keys(scenario)[key])
    return scenario.parent / name if name.endswith(".toml") else DATA / f"{name}.toml"


def _keys(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(f"cannot be read as TOML ({error})", where=path) from None


def _hashed(path: Path) -> dict[str, str]:
    return {"name": path.name, "sha256": sha256_file(path)}
