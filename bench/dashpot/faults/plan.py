"""plan.toml: which faults to try, where, when and how long, and what must come of each. docs/faults.md explains it."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from dashpot.calibration import units
from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Number, Plain, Strict, completed, refuse_all
from dashpot.faults.expect import OF_A_CORNER, REACTIONS, SLACK_TICKS, Expect, Expecter
from dashpot.faults.kinds import KINDS, Effect, Fault, Kind, Scope
from dashpot.faults.registry import Corner, Word

if TYPE_CHECKING:
    from pathlib import Path

    from dashpot.calibration import Image
    from dashpot.faults.bus import Bus, ChannelOnBus, MessageOnBus
    from dashpot.faults.registry import Level, Target

MOST_ROWS = 20_000
_SECOND_US = 1_000_000
#: How long the window goes on after a recovery is due.
_PAST_RECOVERY_US = 100_000
#: And how long after the end of what must stay.
_PAST_HOLD_US = 20_000
_AXLES = ("front", "rear")


class Several(Plain):
    """One value or a list of values, each read by another annotation or taken as it is."""

    def __init__(self, inner: Plain | None = None) -> None:
        self._inner = inner

    def parse(self, value: object) -> tuple[object, ...]:
        """Read one or all."""
        values = value if isinstance(value, list) else [value]
        if not values:
            raise ValueError("is an empty list; at least one value is wanted")
        if self._inner is None:
            return tuple(values)
        return tuple(self._inner.parse(each) for each in values)


@dataclass(frozen=True, slots=True)
class TimeAs(Plain):
    """A time that keeps its text, for the ids of rows."""

    high_us: int = 60 * _SECOND_US

    def parse(self, value: object) -> tuple[str, int]:
        """Read and bound it."""
        time_us = units.half_up(In(units.TIME, 0, self.high_us).parse(value))
        return str(value), time_us


class Text(Plain):
    """A text in quotes."""

    def parse(self, value: object) -> str:
        """Take it."""
        if not isinstance(value, str):
            raise ValueError(f"is {value!r}; should be a text in quotes")  # noqa: TRY004 - pydantic takes ValueError only
        return value


class Span(Plain):
    """A number of milliseconds, or two: least and most."""

    def parse(self, value: object) -> tuple[Fraction, Fraction]:
        """Read it."""
        number = Number(Fraction(0), Fraction(60_000))
        if not isinstance(value, list):
            return Fraction(0), number.parse(value)
        if len(value) != 2:
            raise ValueError("should be the most, or a list of the least and the most")
        least, most = (number.parse(each) for each in value)
        if least > most:
            raise ValueError("the first value must not be above the second")
        return least, most


Milliseconds = Annotated[Fraction, Number(Fraction(0), Fraction(60_000))]
Texts = Annotated[tuple[str, ...], Several(Text())]
Times = Annotated[tuple[tuple[str, int], ...], Several(TimeAs())]


class ExpectKey(Strict):
    """[rows.<name>.expect]: what differs from what follows from the kind of fault."""

    codes: Texts | None = None
    may: Texts | None = None
    reaction: str | None = None
    detect_ms: Milliseconds | None = None
    budget_ms: Milliseconds | None = None
    recovery_ms: Annotated[tuple[Fraction, Fraction], Span()] | None = None
    latched: bool | None = None


class FaultKey(Strict):
    """One fault of a row; what is a list is tried one by one."""

    fault: Texts
    message: Texts | None = None
    channel: Texts | None = None
    corner: Texts | None = None
    word: Texts | None = None
    length: Times | None = None
    severity: Annotated[tuple[Any, ...], Several()] | None = None


class SecondKey(FaultKey):
    """[rows.<name>.second]: a fault on top of the first."""

    later: Annotated[Fraction, In(units.TIME, 0, 60 * _SECOND_US)] = Fraction(0)


class RowsKey(FaultKey):
    """[rows.<name>]."""

    onset: Texts
    notes: str = ""
    after: Annotated[Fraction, In(units.TIME, 1000, 60 * _SECOND_US)] | None = None
    second: SecondKey | None = None
    expect: ExpectKey = Field(default_factory=ExpectKey)


class OnsetAs(Plain):
    """A time, or a table with a time and a lead of its own."""

    def parse(self, value: object) -> Onset:
        """Read and bound it."""
        table = value if isinstance(value, dict) else {"at": value}
        for key in table:
            if key not in ("at", "lead"):
                raise ValueError(f"unknown key {key!r}; {nearest(key, ['at', 'lead'])}")
        if "at" not in table:
            raise ValueError('at is missing; write a time, or { at = "17 s", lead = "5 s" }')
        lead_us = units.half_up(LEAD.parse(table["lead"])) if "lead" in table else None
        return Onset(units.half_up(In(units.TIME, 0).parse(table["at"])), lead_us)


@dataclass(frozen=True, slots=True)
class Onset:
    """Where in the log a fault begins, from its first frame; the lead is the plan's where it is None."""

    at_us: int
    lead_us: int | None


LEAD = In(units.TIME, 100_000, 60 * _SECOND_US)


class PlanFile(Strict):
    """plan.toml."""

    name: str
    notes: str = ""
    seed: Annotated[int, Field(ge=0)] = 1
    lead: Annotated[Fraction, LEAD] = Fraction(3 * _SECOND_US)
    after: Annotated[Fraction, In(units.TIME, 1000, 60 * _SECOND_US)] = Fraction(_SECOND_US // 2)
    onsets: dict[str, Annotated[Onset, OnsetAs()]]
    rows: dict[str, RowsKey]


_STAND_IN: dict[str, Any] = {"name": "plan", "onsets": {}, "rows": {}}


@dataclass(frozen=True, slots=True)
class PlannedFault:
    """One fault of one row.

    Attributes:
        kind, target, level: as in `Fault`.
        where: the target's name, empty for the bus and the loop.
        how: the severity as the plan has it, empty without one.
        later_us: time from the row's onset.
        length_us: how long it lasts.

    """

    kind: Kind
    target: Target
    level: Level
    where: str
    how: str
    later_us: int
    length_us: int

    def at(self, onset_us: int) -> Fault:
        """Return it in a window whose onset is at a time."""
        start_us = onset_us + self.later_us
        return Fault(self.kind, self.target, start_us, start_us + self.length_us, self.level)

    def __str__(self) -> str:
        parts = [self.kind.name, self.where, self.how]
        return " ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a plan.

    Attributes:
        id: stable and readable: group, target, onset, length, severity.
        group: name of its table in the plan.
        onset: name of the onset.
        onset_us: time from the log's first frame.
        lead_us: time before the onset in which the controller settles.
        faults: one, or two at once.
        expect: what must come of it.
        after_us: time from the end of the faults to the end of the window.

    """

    id: str
    group: str
    onset: str
    onset_us: int
    lead_us: int
    faults: tuple[PlannedFault, ...]
    expect: Expect
    after_us: int

    @property
    def end_us(self) -> int:
        """Time from the onset to the end of its last fault."""
        return max(fault.later_us + fault.length_us for fault in self.faults)

    @property
    def hold_us(self) -> int:
        """Time from the onset to the end of its reaction: while all its lasting faults are there, or as it says itself."""
        return _hold_us(self.faults) if self.expect.hold_us is None else self.expect.hold_us

    @property
    def span_us(self) -> int:
        """Time from the onset to the end of the window."""
        return self.end_us + self.after_us


@dataclass(frozen=True, slots=True)
class Plan:
    """A plan whose rows are all made.

    Attributes:
        name, notes, seed: as in the file.
        notes_of: what the plan says of each group.
        rows: in the file's order.

    """

    name: str
    notes: str
    seed: int
    notes_of: dict[str, str]
    rows: tuple[Row, ...]


def load_plan(path: Path, bus: Bus, image: Image) -> Plan:
    """Read a plan and make its rows.

    Args:
        path: plan.toml.
        bus: the car's bus.
        image: the image under test; expectations that the plan does not write follow from its times.

    Raises:
        InputError: with every mistake in the file.

    """
    return read_plan(Document.read(path), bus, image)


def read_plan(document: Document, bus: Bus, image: Image) -> Plan:
    """Make a plan of a document; see `load_plan`."""
    file, findings, filled = completed(PlanFile, document, lambda: _STAND_IN)
    maker = _Maker(document, file, bus, image)
    rows = maker.rows()
    refuse_all(findings, maker.findings, filled)
    return Plan(
        name=file.name,
        notes=file.notes,
        seed=file.seed,
        notes_of={name: group.notes for name, group in file.rows.items()},
        rows=tuple(rows),
    )


@dataclass
class _Maker:
    document: Document
    file: PlanFile
    bus: Bus
    image: Image
    findings: list[Finding] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.expecter = Expecter(self.image, self.bus)

    def error(self, key: str, message: str) -> None:
        finding = self.document.error(key, message)
        if finding not in self.findings:
            self.findings.append(finding)

    def rows(self) -> list[Row]:
        rows: dict[str, Row] = {}
        for name, place in self.file.onsets.items():
            lead_us = self._lead_us(place)
            if place.at_us < lead_us:
                lead = units.shown(lead_us, units.TIME)
                self.error(f"onsets.{name}", f"comes before the lead of {lead} is over; choose a later time")
        if not self.file.rows:
            self.error("rows", "holds no table; a plan has at least one [rows.<name>]")
        for name, group in self.file.rows.items():
            key = f"rows.{name}"
            self._check_expect(f"{key}.expect", group.expect)
            onsets = [onset for onset in group.onset if self._known_onset(key, onset)]
            firsts = self._faults(key, group, 0)
            seconds = [None] if group.second is None else self._seconds(key, group.second)
            for first, second, onset in itertools.product(firsts, seconds, onsets):
                row = self._row(key, name, group, onset, first, second)
                if row is None:
                    continue
                if row.id in rows:
                    self.error(key, f"makes the row {row.id} twice; take a value out of its lists")
                rows[row.id] = row
                if len(rows) > MOST_ROWS:
                    self.error(key, f"makes more than {MOST_ROWS} rows in all; shorten its lists")
                    return list(rows.values())
        return list(rows.values())

    def _lead_us(self, onset: Onset) -> int:
        return units.half_up(self.file.lead) if onset.lead_us is None else onset.lead_us

    def _known_onset(self, key: str, onset: str) -> bool:
        if onset in self.file.onsets:
            return True
        written = self.document.data.get("onsets")
        if isinstance(written, dict) and onset in written:
            # It is there and wrong, which is told at its own place.
            return False
        self.error(f"{key}.onset", f"no onset {onset!r} in [onsets]; {nearest(onset, self.file.onsets)}")
        return False

    def _seconds(self, key: str, second: SecondKey) -> list[PlannedFault]:
        return self._faults(f"{key}.second", second, units.half_up(second.later))

    def _faults(self, key: str, table: FaultKey, later_us: int) -> list[PlannedFault]:
        """Every fault that one table's lists make."""
        found = []
        for name in table.fault:
            kind = KINDS.get(name)
            if kind is None:
                self.error(f"{key}.fault", f"unknown fault {name!r}; {nearest(name, KINDS)}")
                continue
            targets = self._targets(key, kind, table)
            lengths = self._lengths(key, kind, table)
            for (where, target), (how, given), length_us in itertools.product(
                targets, self._severities(key, kind, table), lengths
            ):
                refused = kind.refuse(target)
                if refused:
                    self.error(key, f"{kind.name} is not possible: {refused}; take it out of the list")
                    continue
                level: Level = None
                if kind.severity is not None:
                    try:
                        level = kind.severity.parse(given, target)
                    except ValueError as error:
                        self.error(f"{key}.severity", str(error))
                        continue
                found.append(PlannedFault(kind, target, level, where, how, later_us, length_us))
        return found

    def _lengths(self, key: str, kind: Kind, table: FaultKey) -> list[int]:
        if not kind.lasts:
            if table.length is not None:
                self.error(f"{key}.length", f"{kind.name} happens once and has no length; remove the key")
            return [self.image.word("period_us")]
        if table.length is None:
            self.error(key, f'length is missing; {kind.name} lasts, as in length = "500 ms"')
            return []
        return [time_us for _, time_us in table.length]

    def _severities(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, object]]:
        if kind.severity is None:
            if table.severity is not None:
                self.error(f"{key}.severity", f"{kind.name} has no severity; remove the key")
            return [("", None)]
        if table.severity is None:
            if kind.severity.default is None:
                self.error(key, f"severity is missing; {kind.name} takes {kind.severity.what}")
                return []
            return [("", kind.severity.default)]
        return [(str(value), value) for value in table.severity]

    # Targets.

    def _targets(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, Target]]:
        wanted = {
            Scope.MESSAGE: {"message"},
            Scope.CHANNEL: {"channel", "corner"},
            Scope.AXLE: {"channel"},
            Scope.CORNER: {"corner"},
            Scope.MEMORY: {"word"},
        }.get(kind.scope, set())
        for name in ("message", "channel", "corner", "word"):
            if getattr(table, name) is not None and name not in wanted:
                self.error(f"{key}.{name}", f"{kind.name} acts on {kind.scope.value}; remove the key")
        if kind.scope is Scope.MESSAGE:
            return self._messages(key, kind, table)
        if kind.scope is Scope.CHANNEL:
            return self._channels(key, kind, table)
        if kind.scope is Scope.AXLE:
            return self._axles(key, kind, table)
        if kind.scope is Scope.CORNER:
            return self._corners(key, table)
        if kind.scope is Scope.MEMORY:
            return self._words(key, kind, table)
        return [("", None)]

    def _missing(self, key: str, kind: Kind, name: str) -> None:
        self.error(key, f"{name} is missing; {kind.name} acts on one")

    def _messages(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, Target]]:
        if table.message is None:
            self._missing(key, kind, "message")
            return []
        found: dict[str, MessageOnBus] = {}
        every = self.bus.messages
        groups = {
            "all": every,
            "required": {n: m for n, m in every.items() if self._required(m.channels)},
            "optional": {n: m for n, m in every.items() if not self._required(m.channels)},
            "counter": {n: m for n, m in every.items() if m.counter is not None},
            "crc": {n: m for n, m in every.items() if m.has_crc},
        }
        for name in table.message:
            if name in groups:
                found |= groups[name]
            elif name in every:
                found[name] = every[name]
            else:
                self.error(
                    f"{key}.message",
                    f"no channel comes with a message {name!r}; {nearest(name, [*every, *groups])}",
                )
        return list(found.items())

    def _required(self, channels: Sequence[int]) -> bool:
        return any(self.expecter.channels[index].required for index in channels)

    def _channels(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, Target]]:
        if table.channel is None:
            self._missing(key, kind, "channel")
            return []
        found: dict[str, ChannelOnBus] = {}
        every = self.bus.channels
        groups = {
            "all": every,
            "required": {n: c for n, c in every.items() if self._required([c.index])},
            "optional": {n: c for n, c in every.items() if not self._required([c.index])},
        }
        cornered = {name.partition(".")[0] for name in every if "." in name}
        corners = [name for name, _ in self._corners(key, table)]
        for name in table.channel:
            if name in cornered:
                found |= {f"{name}.{c}": every[f"{name}.{c}"] for c in corners if f"{name}.{c}" in every}
            elif table.corner is not None:
                self.error(
                    f"{key}.corner",
                    f"channel {name!r} has no corners; those that have are {', '.join(cornered)}",
                )
            elif name in groups:
                found |= groups[name]
            elif name in every:
                found[name] = every[name]
            else:
                self.error(
                    f"{key}.channel",
                    f"the vehicle maps no channel {name!r}; {nearest(name, [*every, *cornered, *groups])}",
                )
        return list(found.items())

    def _corners(self, key: str, table: FaultKey) -> list[tuple[str, Target]]:
        """The corners that a table names; all where it names none."""
        every = self.image.layout.corners
        for corner in table.corner or ():
            if corner not in every:
                self.error(f"{key}.corner", f"no corner {corner!r}; {nearest(corner, every)}")
        return [
            (corner, Corner(corner, every.index(corner)))
            for corner in dict.fromkeys(table.corner or every)
            if corner in every
        ]

    def _words(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, Target]]:
        if table.word is None:
            self._missing(key, kind, "word")
            return []
        every = words_of(self.image)
        for name in table.word:
            if name not in every:
                self.error(f"{key}.word", f"the image has no word {name!r}; {nearest(name, every)}")
        return [(name, every[name]) for name in dict.fromkeys(table.word) if name in every]

    def _axles(self, key: str, kind: Kind, table: FaultKey) -> list[tuple[str, Target]]:
        if table.channel is None:
            self._missing(key, kind, "channel")
            return []
        every = self.bus.channels
        axles: dict[str, Target] = {}
        for name in dict.fromkeys(name.partition(".")[0] for name in every if "." in name):
            for axle in _AXLES:
                sides = [every.get(f"{name}.{axle}_{side}") for side in ("left", "right")]
                if sides[0] is not None and sides[1] is not None:
                    axles[f"{name}.{axle}"] = (sides[0], sides[1])
        found = {}
        for name in table.channel:
            if name in axles:
                found[name] = axles[name]
            else:
                self.error(
                    f"{key}.channel",
                    f"no axle {name!r} whose two channels are mapped; {nearest(name, axles)}",
                )
        return list(found.items())

    # Rows.

    def _row(
        self,
        key: str,
        name: str,
        group: RowsKey,
        onset: str,
        first: PlannedFault,
        second: PlannedFault | None,
    ) -> Row | None:
        faults = (first,) if second is None else (first, second)
        expect = self._expect(key, group.expect, faults)
        if expect is None:
            return None
        end_us = _hold_us(faults) if expect.hold_us is None else expect.hold_us
        after_us = units.half_up(group.after if group.after is not None else self.file.after)
        if expect.recovery_us is not None:
            after_us = max(after_us, expect.recovery_us[1] + _PAST_RECOVERY_US)
        # What is to stay for longer than the fault itself needs the time to do so.
        after_us = max(
            after_us, end_us - max(fault.later_us + fault.length_us for fault in faults) + _PAST_HOLD_US
        )
        slack_us = SLACK_TICKS * self.expecter.period_us
        restart = any(fault.kind.effect in (Effect.RESTART, Effect.HANG) for fault in faults)
        for what, limit_us in (("budget", expect.budget_us), ("detection", expect.detect_us)):
            late = limit_us is not None and limit_us > end_us + (
                after_us if expect.reaction == "none" else slack_us
            )
            if late and limit_us is not None and not restart:
                self.error(
                    f"{key}.length",
                    f"the faults are over after {end_us / 1000:g} ms, before the {what} of {limit_us / 1000:g} ms; "
                    "make them longer, or write a shorter time in expect",
                )
                return None
        parts = [name, *_parts(first, name)]
        parts.insert(len(parts) - _tail(first), onset)
        text = "/".join(_plain(part) for part in parts)
        if second is not None:
            text += "+" + "/".join(
                _plain(part) for part in [second.kind.name, *_parts(second, second.kind.name)]
            )
        place = self.file.onsets[onset]
        return Row(text, name, onset, place.at_us, self._lead_us(place), faults, expect, after_us)

    def _expect(self, key: str, given: ExpectKey, faults: Sequence[PlannedFault]) -> Expect | None:
        """What follows from the kinds, with what the plan writes in its place."""
        if given.reaction is not None and given.reaction not in REACTIONS:
            return None
        made = [fault.at(0) for fault in faults]
        try:
            expect = self.expecter.expected(made[0]) if len(made) == 1 else self.expecter.together(made)
        except ValueError as error:
            if given.reaction is None:
                self.error(key, str(error))
                return None
            expect = Expect()
        changes: dict[str, Any] = {}
        if given.reaction is not None and given.reaction != expect.reaction:
            # Times that belong to another reaction mean nothing here.
            changes |= {"reaction": given.reaction, "budget_us": None, "hold_us": None, "lost": None}
        if given.codes is not None:
            changes["codes"] = given.codes
        if given.may is not None:
            changes["may"] = given.may
        for name in ("detect", "budget"):
            value = getattr(given, f"{name}_ms")
            if value is not None:
                changes[f"{name}_us"] = units.half_up(value * 1000)
        if given.recovery_ms is not None:
            least, most = given.recovery_ms
            changes |= {
                "recovery_us": (units.half_up(least * 1000), units.half_up(most * 1000)),
                "latched": False,
            }
        if given.latched is not None:
            changes["latched"] = given.latched
        expect = replace(expect, **changes)
        if expect.reaction in OF_A_CORNER and not any(isinstance(f.target, Corner | Word) for f in faults):
            self.error(f"{key}.expect.reaction", f"{expect.reaction} needs a fault of a corner")
            return None
        if expect.reaction != "none" and expect.budget_us is None:
            self.error(f"{key}.expect", f"budget_ms is missing; the reaction {expect.reaction} has a time")
            return None
        return expect

    def _check_expect(self, key: str, expect: ExpectKey) -> None:
        faults = self.image.layout.faults
        for name in ("codes", "may"):
            for code in getattr(expect, name) or ():
                if code not in faults:
                    self.error(
                        f"{key}.{name}", f"this firmware has no fault code {code!r}; {nearest(code, faults)}"
                    )
        if expect.reaction is not None and expect.reaction not in REACTIONS:
            self.error(
                f"{key}.reaction",
                f"this firmware has no reaction {expect.reaction!r}; right are {', '.join(REACTIONS)}",
            )
        if expect.latched and expect.recovery_ms is not None:
            self.error(f"{key}.latched", "goes with no recovery_ms; what is latched does not recover")


def words_of(image: Image) -> dict[str, Word]:
    """Return the words of an image that a bit can turn over in, by name.

    Of a table it is its last value: its place, its size and its axis are not, as the firmware would read elsewhere by
    them. Rows are left out.
    """
    layout = image.layout
    guarded = layout.config["safe_ma"].at
    end = guarded + GUARDED_WORDS
    found = {}
    for config in layout.config.values():
        if config.name.endswith(_NO_VALUES):
            continue
        for i, name in enumerate(config.columns):
            at = config.at + i
            limit, corner = (
                (at - guarded, (at - guarded) % len(layout.corners)) if guarded <= at < end else (None, 0)
            )
            found[name] = Word(name, at, limit, corner)
            if config.name == "body_load_table":
                xs, ys, maps = image.body_load()
                at = image.words[at] + 2 + len(xs) + len(ys) + sum(map(len, maps)) - 1
                found[name] = Word(name, at, None, 0)
            elif config.name.endswith("_table"):
                axis, _ = image.curve(config.name, i)
                found[name] = Word(name, image.words[at] + 2 * len(axis), None, 0)
    return found


#: Safe, least, most and both slews of every corner, of which the guard has a copy.
GUARDED_WORDS = 20
_NO_VALUES = ("_at", "_count", "_rows")


def _hold_us(faults: Sequence[PlannedFault]) -> int:
    """What happens once does not end the others."""
    ends = [(not fault.kind.lasts, fault.later_us + fault.length_us) for fault in faults]
    return min(ends)[1]


def _parts(fault: PlannedFault, group: str) -> Iterator[str]:
    """Parts of a row's id that one fault gives: kind where the group's name does not say it, target, length, severity."""
    if fault.kind.name != group:
        yield fault.kind.name
    if fault.where:
        yield fault.where
    if fault.kind.lasts:
        yield f"{fault.length_us / 1000:g}ms"
    if fault.how:
        yield fault.how


def _tail(fault: PlannedFault) -> int:
    """How many parts follow the target."""
    return int(fault.kind.lasts) + bool(fault.how)


def _plain(part: str) -> str:
    return part.replace(" ", "").replace("/", "_per_")
