"""A study from scenarios to figures: candidates searched on training drives, all of them driven on others."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashpot.evaluate.laws import LAWS, Law, Limits
from dashpot.evaluate.measure import Candidate, Controlled, Held, Workers, measure_many, work
from dashpot.evaluate.search import Search, Weights, calmest, ratios
from dashpot.evaluate.setup import STARTING, other_candidates, starting_candidate
from dashpot.layout import Layout

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from dashpot.evaluate.figures import Figures
    from dashpot.evaluate.search import Tried
    from dashpot.evaluate.setup import Setting

BEST = "passive best"
#: The calmest passive setting with no more tyre load variation than the starting calibration, on the training drives.
EQUAL = "passive, equal tyre load"
#: Shares of the passive settings that draw the line in the pictures; the ends are the softest and the firmest.
LADDER = {
    0.0: "passive soft",
    0.25: "passive 25 %",
    0.5: "passive 50 %",
    0.75: "passive 75 %",
    1.0: "passive firm",
}
MIDDLE = LADDER[0.5]
SEARCH_SEED = 20
#: A law takes four times as long to drive, so its search is shorter, and left out where the other one has no generations.
LAW_GENERATIONS = 1


@dataclass(frozen=True, slots=True)
class Searched:
    """What a search found: shares from soft to firm, the objective, and how many settings were tried."""

    shares: tuple[float, float]
    objective: float
    tried: tuple[Tried, ...]


@dataclass(frozen=True, slots=True)
class Study:
    """A study that was run.

    Attributes:
        setting: what it began with.
        candidates: in the order of the tables.
        figures: of each candidate, by scenario's name, one for each seed.
        searched: by candidate's name.
        weights: of the searches.

    """

    setting: Setting
    candidates: tuple[Candidate, ...]
    figures: dict[str, dict[str, list[Figures]]]
    searched: dict[str, Searched]
    weights: Weights


class Progress:
    """Shares the bar between parts of which some may turn out shorter than announced."""

    def __init__(self, advance: Callable[[float], None]) -> None:
        self._advance = advance
        self._left = 0.0

    def part(self, amount: float) -> None:
        """Begin a part; what was left of the one before is done."""
        self._advance(self._left)
        self._left = amount

    def __call__(self, amount: float) -> None:
        """Some of the part is done."""
        amount = min(amount, self._left)
        self._left -= amount
        self._advance(amount)


def prepare(setting: Setting, folder: Path) -> list[Candidate]:
    """Return the candidates that need no search; the computed starting calibration goes into `folder`.

    Raises:
        InputError: a file cannot be used.

    """
    ladder = [setting.held(name, share, share) for share, name in LADDER.items()]
    return [*ladder, starting_candidate(setting, folder / "starting.toml"), *other_candidates(setting)]


def total_work(setting: Setting, known: list[Candidate]) -> float:
    """Return the work that a study announces to its progress bar."""
    cases = [case for course in setting.courses for case in setting.judged(course)]
    passive = known[0]
    search = _search(setting)
    total = search.work(passive) + sum(work(passive, case) for case in search.cases)
    starting = next(one for one in known if one.name == STARTING)
    total += sum(work(starting, case) for case in search.cases)
    total += sum(work(one, case) for one in [*known, passive, passive] for case in cases)
    if setting.job.laws:
        law, short = _law(setting, known, LAWS[0], 0.0, 1.0), _search(setting, laws=True)
        driven = sum(work(law, case) for case in cases)
        total += len(LAWS) * (short.work(law) + 2 * driven if short.generations else driven)
    return total


def run(setting: Setting, known: list[Candidate], advance: Callable[[float], None]) -> Study:
    """Search, then drive all candidates on the judged seeds.

    Args:
        setting: from `settle`.
        known: from `prepare`.
        advance: called with the work done.

    Raises:
        InputError: a scenario cannot be driven.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    search = _search(setting)
    progress = Progress(advance)
    searched: dict[str, Searched] = {}
    middle = next(one for one in known if one.name == MIDDLE)
    with Workers(setting.job.jobs) as workers:
        progress.part(sum(work(middle, case) for case in search.cases))
        reference = measure_many([middle], search.cases, workers=workers, progress=progress)[0]
        progress.part(search.work(middle))
        shares, tried = search.best(
            lambda front, rear: setting.held("tried", front, rear), reference, workers, progress
        )
        searched[BEST] = _found(shares, tried)
        held = [setting.held(BEST, *shares)]
        starting = next(one for one in known if one.name == STARTING)
        progress.part(sum(work(starting, case) for case in search.cases))
        trained = measure_many([starting], search.cases, workers=workers, progress=progress)[0]
        equal = calmest(tried, ratios(trained, reference)[1])
        if equal is not None:
            searched[EQUAL] = _found(equal.shares, tried)
            held.append(setting.held(EQUAL, *equal.shares))
        candidates = [*known[: len(LADDER)], *held, *known[len(LADDER) :]]
        if setting.job.laws:
            short = _search(setting, laws=True)
            for name in LAWS:
                whole = _law(setting, known, name, 0.0, 1.0)
                candidates.append(whole)
                if not short.generations:
                    continue
                progress.part(short.work(whole))
                shares, tried = short.best(
                    lambda soft, firm, name=name: _law(setting, known, name, soft, firm),
                    reference, workers, progress,
                )  # fmt: skip
                best = _law(setting, known, name, *shares)
                searched[f"{name}, best"] = _found(shares, tried)
                candidates.append(Candidate(f"{name}, best", best.control))
        cases = [case for course in setting.courses for case in setting.judged(course)]
        progress.part(sum(work(one, case) for one in candidates for case in cases))
        table = measure_many(candidates, cases, workers=workers, progress=progress)
        progress.part(0.0)
    seeds = setting.job.seeds
    figures = {
        one.name: {
            course.name: row[place * seeds : (place + 1) * seeds]
            for place, course in enumerate(setting.courses)
        }
        for one, row in zip(candidates, table, strict=True)
    }
    return Study(setting, tuple(candidates), figures, searched, search.weights)


def _search(setting: Setting, *, laws: bool = False) -> Search:
    generations = min(LAW_GENERATIONS, setting.job.generations) if laws else setting.job.generations
    return Search(setting.training(), Weights(), SEARCH_SEED, generations)


def _found(shares: tuple[float, float], tried: list[Tried]) -> Searched:
    objective = next(one.objective for one in tried if one.shares == shares)
    return Searched(shares, objective, tuple(tried))


def _law(setting: Setting, known: list[Candidate], name: str, soft: float, firm: float) -> Candidate:
    """Return a law between two shares, within the first calibration's limits."""
    from dashpot.calibration.image import read_image

    control = next(one.control for one in known if isinstance(one.control, Controlled))
    limits = Limits.of_image(read_image(control.image, Layout.load(control.firmware)))
    valves = (setting.front, setting.rear)
    low, high = (
        (setting.current_a(valves[0], share), setting.current_a(valves[1], share)) for share in (soft, firm)
    )
    return Candidate(name, Law(name, low, high, limits))


def currents_ma(candidate: Candidate) -> dict[str, list[int]]:
    """Return what there is to say of a candidate's currents, front and rear."""
    control = candidate.control
    if isinstance(control, Held):
        return {"held": [round(1e3 * control.front_a), round(1e3 * control.rear_a)]}
    if isinstance(control, Law):
        return {
            "soft": [round(1e3 * current) for current in control.soft_a],
            "firm": [round(1e3 * current) for current in control.firm_a],
        }
    return {}
