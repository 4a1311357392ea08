"""TUNE.toml: what shall get better, what must not get worse, which numbers may move, on which roads; docs/tune.md."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from dashpot.calibration import units
from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Number, Plain, Strict, completed, refuse_all
from dashpot.calibration.units import Family, decimal_text, parse
from dashpot.errors import InputError
from dashpot.evaluate.figures import METRICS, Metric
from dashpot.plant.scenario import DATA, demo_scenarios, load_scenario
from dashpot.tune.cells import AXIS, Cell, Numbers, axle_twin, listed, side_twin

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST_KNOBS = 100
MOST_LEVELS = 10_000
#: Fewer seeds give no interval.
LEAST_HELD_OUT_SEEDS = 2
#: Units that a bound on a figure may have, by the figure's own, and figures in one base unit.
FIGURE_UNITS: dict[str, tuple[Family, float]] = {
    "mm": (units.STROKE, 1e-3),
    "deg": (units.ANGLE, 0.1),
    "deg/s": (units.STEER_RATE, 1.0),
    "m/s2": (units.ACCELERATION, float(units.GRAVITY) * 1e-3),
    "%": (units.SHARE, 0.1),
    "ms": (units.TIME, 1e-3),
    "N": (Family("a force", "N", {"N": Fraction(1), "kN": Fraction(1000)}, "500 N"), 1.0),
    "": (units.POSITION, 1.0),
}
CHANGES = ("add", "scale")
TOGETHER = ("axles", "sides", "all")


@dataclass(frozen=True, slots=True)
class Words(Plain):
    """One text or a list of texts, each of `known` where that is not empty."""

    known: tuple[str, ...] = ()

    def parse(self, value: object) -> tuple[str, ...]:
        """Read and check them."""
        words = value if isinstance(value, list) else [value]
        for word in words:
            if not isinstance(word, str) or not word.strip():
                raise ValueError(f"{word!r} is not a name in quotes")
            if self.known and word not in self.known:
                raise ValueError(f"{word!r} is unknown; {nearest(word, self.known)}")
        if not words:
            raise ValueError("is empty; name at least one")
        return tuple(words)


@dataclass(frozen=True, slots=True)
class Seeds(Plain):
    """Whole numbers, each once."""

    def parse(self, value: object) -> tuple[int, ...]:
        """Read and check them."""
        if not isinstance(value, list) or not value:
            raise ValueError("should be a list of whole numbers, such as [1, 2, 3]")
        for seed in value:
            if isinstance(seed, bool) or not isinstance(seed, int) or not 0 <= seed < 1 << 31:
                raise ValueError(f"{seed!r} is not a seed; a whole number of 0 or more is wanted")
        if len(set(value)) < len(value):
            raise ValueError("names a seed twice")
        return tuple(value)


Weight = Annotated[Fraction, Number(Fraction(1, 1000), Fraction(1000))]
Share = Annotated[Fraction, In(units.SHARE, 0, 1000)]
Duration = Annotated[Fraction, In(units.TIME, 1_000_000, 900_000_000)]


class ObjectiveKeys(Strict):
    """[objective]."""

    minimise: str | None = None
    weights: dict[str, Weight] | None = None


class ConstraintKeys(Strict):
    """[constraints.METRIC]."""

    worse_by: Share | None = None
    no_worse: bool = False
    at_most: Any = None
    at_least: Any = None
    in_each: bool = False


class SearchKeys(Strict):
    """[search]."""

    budget: Annotated[Fraction, Number(Fraction(1), Fraction(100_000), whole=True)] = Fraction(100)
    seed: Annotated[Fraction, Number(Fraction(0), Fraction((1 << 31) - 1), whole=True)] = Fraction(1)
    spread: Annotated[Fraction, In(units.SHARE, 10, 500)] = Fraction(200)
    population: Annotated[Fraction, Number(Fraction(4), Fraction(1000), whole=True)] | None = None


class MoveKeys(Strict):
    """[move.NAME]."""

    cells: Annotated[tuple[str, ...], Words()]
    change: Annotated[tuple[str, ...], Words(CHANGES)] = ("add",)
    together: Annotated[tuple[str, ...], Words(TOGETHER)] = ()
    step: str
    by: str | None = None
    least: str | None = None
    most: str | None = None


class RoadKeys(Strict):
    """[training.NAME] and [held_out.NAME]."""

    scenario: str
    seeds: Annotated[tuple[int, ...], Seeds()]
    duration: Duration | None = None
    weight: Weight = Fraction(1)


class TuneFile(Strict):
    """TUNE.toml."""

    name: str
    notes: str = ""
    objective: ObjectiveKeys
    constraints: dict[str, ConstraintKeys] = Field(default_factory=dict)
    search: SearchKeys = SearchKeys()
    move: dict[str, MoveKeys]
    training: dict[str, RoadKeys]
    held_out: dict[str, RoadKeys]


@dataclass(frozen=True, slots=True)
class Knob:
    """One number that the search turns: a change from the start, the same for all its cells.

    Attributes:
        name: of the move, with its cells.
        cells: what it changes.
        scale: whether cells are multiplied, else added to.
        step: of one level, in base units, or as a share.
        low, high: levels; the start is level 0.

    """

    name: str
    cells: tuple[Cell, ...]
    scale: bool
    step: Fraction
    low: int
    high: int

    def value(self, cell: Cell, level: int) -> Fraction:
        """Return what a cell is at a level, in base units."""
        return cell.start * (1 + level * self.step) if self.scale else cell.start + level * self.step

    def shown(self, level: int) -> str:
        """Write a level for people."""
        amount = level * self.step
        if self.scale:
            return f"{float(100 * amount):+g} %"
        family = self.cells[0].family
        return f"{float(amount / family.factors[family.shown]):+g} {family.shown}".rstrip()


@dataclass(frozen=True, slots=True)
class Road:
    """A scenario with its seeds."""

    name: str
    scenario: Path
    seeds: tuple[int, ...]
    duration_s: float | None
    weight: float


@dataclass(frozen=True, slots=True)
class Bound:
    """What a metric must keep.

    Attributes:
        metric: its name.
        ratio: most that it may get worse, as a ratio to the start's, of what is counted for its sum over the drives; None
            where that is not asked.
        no_worse: whether the sum over all drives may not get worse at all.
        end: most, or of what is better higher least, of its mean on any road, in the figure's unit.
        in_each: whether `ratio` holds on each road, else for their mean.

    """

    metric: str
    ratio: float | None = None
    no_worse: bool = False
    end: float | None = None
    in_each: bool = False


@dataclass(frozen=True, slots=True)
class Tune:
    """A tune file that fits its calibration."""

    name: str
    notes: str
    weights: dict[str, float]
    bounds: tuple[Bound, ...]
    budget: int
    seed: int
    spread: float
    population: int | None
    knobs: tuple[Knob, ...]
    training: tuple[Road, ...]
    held_out: tuple[Road, ...]


def _stand_in() -> dict[str, Any]:
    return {
        "name": "tune", "objective": {"minimise": ""}, "move": {}, "training": {}, "held_out": {},
    }  # fmt: skip


def read_tune(document: Document, numbers: Numbers) -> Tune:
    """Read a tune file for a calibration.

    Args:
        document: the file.
        numbers: of the calibration that the search starts from.

    Raises:
        InputError: with every mistake.

    """
    file, findings, filled = completed(TuneFile, document, _stand_in)
    reader = _Reader(document, file, numbers)
    tune = reader.tune()
    refuse_all(findings, reader.findings, filled)
    return tune


class _Reader:
    """Makes a tune of a file that is right key by key; what is wrong between keys goes into `findings`."""

    def __init__(self, document: Document, file: TuneFile, numbers: Numbers) -> None:
        self.document = document
        self.file = file
        self.numbers = numbers
        self.findings: list[Finding] = []

    def tune(self) -> Tune:
        file, search = self.file, self.file.search
        training, held_out = self._roads("training", file.training), self._roads("held_out", file.held_out)
        self._apart(training, held_out)
        return Tune(
            name=file.name,
            notes=file.notes,
            weights=self._weights(),
            bounds=tuple(
                bound for name, keys in file.constraints.items() if (bound := self._bound(name, keys))
            ),
            budget=int(search.budget),
            seed=int(search.seed),
            spread=float(search.spread) / 1000,
            population=None if search.population is None else int(search.population),
            knobs=self._knobs(),
            training=training,
            held_out=held_out,
        )

    def _wrong(self, key: str, message: str) -> None:
        self.findings.append(self.document.error(key, message))

    def _metric(self, key: str, name: str) -> Metric | None:
        metric = METRICS.get(name)
        if metric is None:
            self._wrong(key, f"there is no metric {name!r}; {nearest(name, METRICS)}")
        return metric

    def _weights(self) -> dict[str, float]:
        objective = self.file.objective
        if (objective.minimise is None) == (not objective.weights):
            self._wrong("objective", "has either `minimise`, one metric, or `weights` of several")
            return {}
        weights = (
            {objective.minimise: Fraction(1)} if objective.minimise is not None else objective.weights or {}
        )
        key = "objective.minimise" if objective.minimise is not None else "objective.weights"
        for name in weights:
            metric = self._metric(key, name)
            if metric is not None and metric.sums:
                self._wrong(
                    key,
                    f"{name} counts what may not happen at all, so there is no share of the start; bound it in [constraints]",
                )
        total = sum(weights.values())
        return {name: float(weight / total) for name, weight in weights.items()}

    def _bound(self, name: str, keys: ConstraintKeys) -> Bound | None:
        key = f"constraints.{name}"
        metric = self._metric(key, name)
        if metric is None:
            return None
        better, end_key, end = (
            ("higher", "at_least", keys.at_least) if metric.higher else ("lower", "at_most", keys.at_most)
        )
        if (keys.at_most if metric.higher else keys.at_least) is not None:
            self._wrong(key, f"of {name} the {better} is the better; the bound to write is {end_key}")
            return None
        if keys.worse_by is None and not keys.no_worse and end is None:
            self._wrong(key, f"bounds nothing; write worse_by, no_worse or {end_key}")
        ratio = None if keys.worse_by is None else 1.0 + float(keys.worse_by) / 1000
        return Bound(name, ratio, keys.no_worse, self._end(f"{key}.{end_key}", end, metric), keys.in_each)

    def _end(self, key: str, value: Any, metric: Metric) -> float | None:
        if value is None:
            return None
        family, factor = FIGURE_UNITS[metric.unit]
        try:
            return float(parse(value, family)) * factor
        except ValueError as error:
            self._wrong(key, str(error))
            return None

    def _roads(self, part: str, roads: Mapping[str, RoadKeys]) -> tuple[Road, ...]:
        if not roads:
            self._wrong(part, f"is empty; write at least one [{part}.NAME] with a scenario and seeds")
        made = []
        for name, keys in roads.items():
            path = self._scenario(f"{part}.{name}.scenario", keys.scenario)
            if path is not None:
                duration_s = None if keys.duration is None else float(keys.duration) / 1e6
                made.append(Road(name, path, keys.seeds, duration_s, float(keys.weight)))
        return tuple(made)

    def _scenario(self, key: str, name: str) -> Path | None:
        if name.endswith(".toml"):
            folder = self.document.path.parent if self.document.path is not None else Path()
            path = folder / name
        elif name in demo_scenarios():
            path = DATA / f"{name}.toml"
        else:
            self._wrong(
                key,
                f"there is no scenario {name!r}; {nearest(name, demo_scenarios())}; a file's name ends in .toml",
            )
            return None
        try:
            load_scenario(path)
        except InputError as error:
            self.findings += getattr(error, "findings", [self.document.error(key, str(error))])
            return None
        return path

    def _apart(self, training: tuple[Road, ...], held_out: tuple[Road, ...]) -> None:
        """Held-out drives are others than those of the training, and as many seeds on each road."""
        seen = {(road.scenario.resolve(), seed) for road in training for seed in road.seeds}
        for road in held_out:
            key = f"held_out.{road.name}.seeds"
            both = [seed for seed in road.seeds if (road.scenario.resolve(), seed) in seen]
            if both:
                self._wrong(
                    key,
                    f"{both[0]} is a seed of the same scenario in training: held out is what the search has not seen",
                )
            if len(road.seeds) < LEAST_HELD_OUT_SEEDS:
                self._wrong(
                    key,
                    f"has {len(road.seeds)} seed; an interval takes at least {LEAST_HELD_OUT_SEEDS}, better five or more",
                )
            elif len(road.seeds) != len(held_out[0].seeds):
                self._wrong(
                    key,
                    f"has {len(road.seeds)} seeds, {held_out[0].name} has {len(held_out[0].seeds)}; drives are paired, so as many are wanted on each road",
                )

    def _knobs(self) -> tuple[Knob, ...]:
        owner: dict[str, str] = {}
        knobs: list[Knob] = []
        if not self.file.move:
            self._wrong("move", "is empty; write at least one [move.NAME] with cells and a step")
        for name, keys in self.file.move.items():
            cells = self._cells(name, keys)
            for cell in cells:
                if owner.setdefault(cell.key, name) != name:
                    self._wrong(
                        f"move.{name}.cells", f"{cell.key} is moved by move.{owner[cell.key]} already"
                    )
            if not cells or self._mixed(name, keys, cells):
                continue
            for group in _groups(cells, keys.together):
                knob = self._knob(name, keys, group)
                if knob is not None:
                    knobs.append(knob)
        if len(knobs) > MOST_KNOBS:
            self._wrong(
                "move",
                f"{len(knobs)} numbers move by themselves; {MOST_KNOBS} are the most. Let cells move together",
            )
        return tuple(knobs)

    def _cells(self, name: str, keys: MoveKeys) -> list[Cell]:
        key = f"move.{name}.cells"
        found: dict[str, Cell] = {}
        for pattern in keys.cells:
            cells, locked = self.numbers.matching(pattern)
            for why in dict.fromkeys(locked.values()):
                if why == AXIS and cells:
                    continue
                named = [k for k, reason in locked.items() if reason == why]
                said = named[0] if len(named) == 1 else f"{named[0]} and {len(named) - 1} more of {pattern!r}"
                self._wrong(key, f"{said}: not for a search, {why}")
            if not cells and not locked:
                self._wrong(key, f"no number of the calibration is named {pattern!r}; {self._near(pattern)}")
            found |= {cell.key: cell for cell in cells}
        return list(found.values())

    def _near(self, pattern: str) -> str:
        cells, _ = self.numbers.matching(f"{pattern}*")
        if cells:
            return f"write {listed(cells[:1])}, or {pattern}* for all of it"
        if pattern.split("[", maxsplit=1)[0].endswith("_right"):
            return 'is it "mirror" in the file? Then its left one moves both'
        return nearest(pattern, self.numbers.names())

    def _mixed(self, name: str, keys: MoveKeys, cells: list[Cell]) -> bool:
        other = next((cell for cell in cells if cell.family is not cells[0].family), None)
        needed = keys.change != ("scale",) or keys.least or keys.most
        if other is None or not needed:
            return False
        self._wrong(
            f"move.{name}.cells",
            f"{cells[0].key} is {cells[0].family.name}, {other.key} is {other.family.name}: one step cannot serve both",
        )
        return True

    def _knob(self, name: str, keys: MoveKeys, cells: tuple[Cell, ...]) -> Knob | None:
        scale = keys.change == ("scale",)
        family = cells[0].family
        step = self._amount(f"move.{name}.step", keys.step, units.SHARE if scale else family)
        by = self._amount(f"move.{name}.by", keys.by, units.SHARE if scale else family)
        least = self._amount(f"move.{name}.least", keys.least, family)
        most = self._amount(f"move.{name}.most", keys.most, family)
        if step is None:
            return None
        if by is None and (least is None or most is None):
            self._wrong(f"move.{name}", "has no bounds; write `by`, or `least` and `most`")
            return None
        if step <= 0 or (not scale and step < 1):
            shown = decimal_text(1 / family.factors[family.shown])
            said = (
                "above 0"
                if scale
                else f"at least {shown} {family.shown}".rstrip() + ", what the controller counts in"
            )
            self._wrong(f"move.{name}.step", f"{keys.step} is no step; it must be {said}")
            return None
        if scale:
            step, by = step / 1000, None if by is None else by / 1000
        low, high = (
            (-MOST_LEVELS, MOST_LEVELS) if by is None else (-math.floor(by / step), math.floor(by / step))
        )
        for cell in cells:
            inside = _levels(cell, step, scale, (least, most))
            if inside is None:
                self._wrong(f"move.{name}", f"{cell.key} begins outside its own least or most")
                return None
            low, high = max(low, inside[0]), min(high, inside[1])
        if low == high:
            self._wrong(
                f"move.{name}", f"{listed(list(cells))} cannot move: no whole step lies between the bounds"
            )
            return None
        if high - low > MOST_LEVELS:
            self._wrong(f"move.{name}.step", f"makes {high - low} levels; {MOST_LEVELS} are the most")
            return None
        what = cells[0].key if len(cells) == 1 else f"{cells[0].key} and {len(cells) - 1} more"
        return Knob(f"{name}: {what}", cells, scale, step, low, high)

    def _amount(self, key: str, text: str | None, family: Family) -> Fraction | None:
        if text is None:
            return None
        try:
            return parse(_plain(text) if "" in family.factors else text, family)
        except ValueError as error:
            self._wrong(key, str(error))
            return None


def _plain(text: str) -> object:
    """Give a plain number in quotes as a number: a count has no unit."""
    try:
        return int(text)
    except ValueError:
        return text


def _groups(cells: list[Cell], together: tuple[str, ...]) -> list[tuple[Cell, ...]]:
    """Put cells that move together into one group, in the order of the file."""
    groups: dict[str, list[Cell]] = {}
    for cell in cells:
        name = "" if "all" in together else side_twin(cell) if "sides" in together else cell.key
        groups.setdefault(axle_twin(name) if "axles" in together else name, []).append(cell)
    return [tuple(group) for group in groups.values()]


def _levels(
    cell: Cell, step: Fraction, scale: bool, bounds: tuple[Fraction | None, Fraction | None]
) -> tuple[int, int] | None:
    """Return the levels that keep a cell in its bounds and its schema's, None where the start is outside."""
    low = cell.low if bounds[0] is None else max(bounds[0], cell.low)
    high = cell.high if bounds[1] is None else min(bounds[1], cell.high)
    if not low <= cell.start <= high:
        return None
    if not scale:
        return math.ceil((low - cell.start) / step), math.floor((high - cell.start) / step)
    # A factor below 0 would turn the cell's sign round.
    least, most = -math.floor(1 / step), MOST_LEVELS
    if cell.start == 0:
        return least, most
    ends = sorted(((low / cell.start - 1) / step, (high / cell.start - 1) / step))
    return max(least, math.ceil(ends[0])), min(most, math.floor(ends[1]))
