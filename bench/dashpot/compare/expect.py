"""expect.toml: which differences are wanted, where, and how large; docs/compare.md."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from dashpot.calibration import units
from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Plain, Strict, completed, refuse_all
from dashpot.calibration.units import Family, parse, shown
from dashpot.compare.pair import FOLLOWING, STAGES

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from fractions import Fraction
    from pathlib import Path

    from dashpot.layout import Layout

ALL = "all"
DIRECTIONS = ("up", "down")
#: Stages that a file may name beside: what the laws see, what they conclude, and what the guard did.
NAMED_STAGES = tuple(stage for stage in STAGES if stage not in ("layers", *FOLLOWING))


@dataclass(frozen=True, slots=True)
class Ends:
    """Two ends, each of which may be open, in a base unit; both belong to it."""

    low: float | None
    high: float | None

    def __contains__(self, value: float) -> bool:
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class TwoEnds(Plain):
    """A table of two ends with a unit, such as `{ from = "60 km/h", to = "140 km/h" }`."""

    family: Family
    keys: tuple[str, str]
    least: int | None = None

    def parse(self, value: object) -> Ends:
        """Read and check them."""
        first, second = self.keys
        example = f'{{ {first} = "{self.family.example}" }}'
        if not isinstance(value, dict):
            raise ValueError(f"should be a table such as {example}")  # noqa: TRY004 - pydantic takes ValueError only
        for key in value:
            if key not in self.keys:
                raise ValueError(f"unknown key {key!r}; {nearest(key, self.keys)}")
        if not value:
            raise ValueError(f"is empty; write {first} or {second} or both, as in {example}")
        ends: list[Fraction | None] = []
        for key in self.keys:
            end = parse(value[key], self.family) if key in value else None
            if end is not None and self.least is not None and end < self.least:
                raise ValueError(f"{key} is {value[key]}, below the least, {shown(self.least, self.family)}")
            ends.append(end)
        low, high = ends
        if low is not None and high is not None and low > high:
            raise ValueError(f"{first} is {value[first]}, above {second}, {value[second]}")
        return Ends(None if low is None else float(low), None if high is None else float(high))


@dataclass(frozen=True, slots=True)
class Names(Plain):
    """A list of texts, or one."""

    def parse(self, value: object) -> tuple[str, ...]:
        """Read them."""
        words = value if isinstance(value, list) else [value]
        for word in words:
            if not isinstance(word, str):
                raise ValueError(f"{word!r} is not a name in quotes")  # noqa: TRY004 - pydantic takes ValueError only
        return tuple(words)


WINDOW, BOUND = ("from", "to"), ("at_least", "at_most")
Speed = Annotated[Ends, TwoEnds(units.SPEED, WINDOW)]
Acceleration = Annotated[Ends, TwoEnds(units.ACCELERATION, WINDOW)]
Time = Annotated[Ends, TwoEnds(units.TIME, WINDOW)]
Current = Annotated[Ends, TwoEnds(units.CURRENT, BOUND, 0)]
Permille = Annotated[Ends, TwoEnds(units.SHARE, BOUND, 0)]
List = Annotated[tuple[str, ...], Names()]


class WantedKeys(Strict):
    """[wanted.NAME]."""

    corners: List = (ALL,)
    layers: List = ()
    stages: List = ()
    modes: List = (ALL,)
    speed: Speed | None = None
    lateral: Acceleration | None = None
    longitudinal: Acceleration | None = None
    time: Time | None = None
    settle: Annotated[Any, In(units.TIME, 0, 60_000_000)] = 100_000
    current: Current | None = None
    demand: Permille | None = None
    share: Permille | None = None
    direction: str | None = None
    in_each: bool = False


class ExpectFile(Strict):
    """expect.toml."""

    name: str
    notes: str = ""
    wanted: dict[str, WantedKeys] = Field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Wanted:
    """One difference that shall be there.

    Attributes:
        name: its table's.
        corners, modes: where.
        layers: whose shares may differ; none where the change is behind the layers, such as a slew.
        stages: which else may differ.
        ranges: by column of the old run, what it must be.
        time_s: seconds of the log from the first tick.
        settle_us: for how long after its window a difference may last.
        current_ma, demand_permille: least and most of the greatest difference at each corner, without sign.
        share_permille: least and most share of the window's ticks in which the current differs, at each corner.
        direction: "up" or "down" where no current may go the other way.
        in_each: whether it must be in every log, else in all of them together.

    """

    name: str
    corners: tuple[str, ...]
    layers: tuple[str, ...]
    stages: tuple[str, ...]
    modes: tuple[str, ...]
    ranges: dict[str, Ends]
    time_s: Ends | None
    settle_us: int
    current_ma: Ends | None
    demand_permille: Ends | None
    share_permille: Ends | None
    direction: str | None
    in_each: bool


@dataclass(frozen=True, slots=True)
class Expectations:
    """A file of wanted differences; with none in it nothing may differ."""

    name: str
    notes: str
    wanted: tuple[Wanted, ...]


def load_expectations(path: Path, layouts: Iterable[Layout]) -> Expectations:
    """Read a file of expectations for the firmwares that are compared.

    Raises:
        InputError: with every mistake.

    """
    return read_expectations(Document.read(path), layouts)


def read_expectations(document: Document, layouts: Iterable[Layout]) -> Expectations:
    """Read expectations from a parsed file; see `load_expectations`."""
    file, findings, filled = completed(ExpectFile, document, lambda: {"name": "expectations"})
    known = list(layouts)
    more: list[Finding] = []

    def wrong(key: str, message: str) -> None:
        more.append(document.error(key, message))

    def names(kind: Callable[[Layout], tuple[str, ...]]) -> tuple[str, ...]:
        return tuple(dict.fromkeys(name for layout in known for name in kind(layout)))

    corners, layers, modes = (
        names(lambda layout: layout.corners),
        names(lambda layout: layout.layers),
        names(lambda layout: layout.modes),
    )
    wanted = []
    for name, keys in file.wanted.items():
        key = f"wanted.{name}"
        lists = {}
        for what, given, there, everything in (
            ("corners", keys.corners, corners, True),
            ("layers", keys.layers, layers, True),
            ("modes", keys.modes, modes, True),
            ("stages", keys.stages, NAMED_STAGES, False),
        ):
            for word in given:
                if word not in there and not (everything and word == ALL):
                    wrong(f"{key}.{what}", f"there is no {word!r}; {nearest(word, there)}")
            lists[what] = there if ALL in given else given
        for what in ("corners", "modes"):
            if not lists[what]:
                wrong(f"{key}.{what}", "is empty; name at least one, or leave the key out for all")
        if keys.direction is not None and keys.direction not in DIRECTIONS:
            wrong(
                f"{key}.direction",
                f"{keys.direction!r} is no direction; {nearest(keys.direction, DIRECTIONS)}",
            )
        if keys.demand is not None and not lists["layers"]:
            wrong(
                f"{key}.demand",
                "a demand is the sum of the layers; name the layers that may differ",
            )
        ranges = {
            "channel.road_speed_cm_s": keys.speed,
            "channel.lateral_mg": keys.lateral,
            "channel.longitudinal_mg": keys.longitudinal,
        }
        time = keys.time
        wanted.append(
            Wanted(
                name,
                lists["corners"],
                lists["layers"],
                lists["stages"],
                lists["modes"],
                {column: ends for column, ends in ranges.items() if ends is not None},
                None if time is None else Ends(_seconds(time.low), _seconds(time.high)),
                int(keys.settle),
                keys.current,
                keys.demand,
                keys.share,
                keys.direction,
                keys.in_each,
            )
        )
    refuse_all(findings, more, filled)
    return Expectations(file.name, file.notes, tuple(wanted))


def _seconds(time_us: float | None) -> float | None:
    return None if time_us is None else time_us / 1e6
