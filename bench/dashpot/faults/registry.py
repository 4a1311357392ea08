"""The kinds of faults: each is declared once, with its injector, beside its name.

A kind is one function with the decorator `kind` in a module of this package that `kinds` names. It takes the stimulus
of a row and gives a new one; nothing else in the package knows it by name.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from dashpot.calibration import units
from dashpot.faults.bus import Bus, ChannelOnBus, MessageOnBus

if TYPE_CHECKING:
    from dashpot.faults.stimulus import Frames, Longs, Stimulus


class Scope(enum.Enum):
    """What a kind of fault acts on."""

    MESSAGE = "message"
    CHANNEL = "channel"
    AXLE = "two channels of an axle"
    BUS = "the whole bus"
    LOOP = "the controller's loop"
    BOARD = "the board"
    CORNER = "a corner's coil"
    MEMORY = "a word of the controller's memory"


class Effect(enum.Enum):
    """What the detectors make of a kind: from it come the expectations that a plan does not write."""

    LOST = "no good value any more"
    REFUSED = "every frame of the message is refused"
    DOUBTED = "single frames are refused, others go on"
    STILL = "values stand still, in frames that are whole"
    BAD_VALUE = "every value of the channel is refused"
    IGNORED = "nothing of it matters"
    APART = "a value is away from what the other channels say"
    LATE = "a tick comes late"
    RESTART = "the controller begins anew"
    HANG = "the loop stands, until the watchdog ends it"
    SUPPLY = "the supply leaves its band"
    HOT = "the output stage is too hot"
    BUS_FLAG = "the CAN controller says that it is off the bus"
    OPEN = "a coil has no current"
    SHORT = "a coil has more current than it can take"
    RESISTANCE = "a coil's resistance leaves its band"
    MEMORY = "a word of the image, or of the guard's copy of it, is another"
    UNSEEN = "no detector of its own: the plan must say what to expect"


@dataclass(frozen=True, slots=True)
class Corner:
    """A corner: its name and place in the layout."""

    name: str
    index: int


@dataclass(frozen=True, slots=True)
class Word:
    """A word of the image.

    Attributes:
        name: as the layout has it; of a table, one of its values is meant.
        at: its place in the image.
        limit: its place in the guard's copy of the limits, None where it is not one of them.
        corner: place of the corner whose limit it is.

    """

    name: str
    at: int
    limit: int | None
    corner: int


Target: TypeAlias = "MessageOnBus | ChannelOnBus | tuple[ChannelOnBus, ChannelOnBus] | Corner | Word | None"
Level: TypeAlias = "float | str | None"


@dataclass(frozen=True, slots=True)
class Fault:
    """One fault of one row, ready to be injected.

    Attributes:
        kind: what is done.
        target: to what.
        start_us, end_us: from when until when, in the window's time; the end is not part of it.
        level: how hard, as the kind's severity parsed it.

    """

    kind: Kind
    target: Target
    start_us: int
    end_us: int
    level: Level = None

    @property
    def message(self) -> MessageOnBus:
        """The target as a message."""
        assert isinstance(self.target, MessageOnBus)
        return self.target

    @property
    def channel(self) -> ChannelOnBus:
        """The target as a channel."""
        assert isinstance(self.target, ChannelOnBus)
        return self.target

    @property
    def corner(self) -> Corner:
        """The target as a corner."""
        assert isinstance(self.target, Corner)
        return self.target

    @property
    def word(self) -> Word:
        """The target as a word."""
        assert isinstance(self.target, Word)
        return self.target

    @property
    def length_us(self) -> int:
        """How long it lasts."""
        return self.end_us - self.start_us

    @property
    def number(self) -> float:
        """The severity as a number."""
        assert isinstance(self.level, int | float)
        return self.level

    def during(self, at_us: Longs) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        """Return which times lie in the fault."""
        return (at_us >= self.start_us) & (at_us < self.end_us)

    def rows(self, frames: Frames, key: int) -> Longs:
        """Return the places of a message's frames in the time of the fault."""
        return np.flatnonzero((frames.key == key) & self.during(frames.at_us))


Injector = Callable[["Stimulus", Fault, Bus, np.random.Generator], "Stimulus"]


@dataclass(frozen=True, slots=True)
class Severity:
    """How hard a fault is.

    Attributes:
        what: for messages, with an example.
        parse: makes a number or a word of what the plan has, or raises a ValueError with a message for the user.
        default: what is parsed when the plan has none; None where it must have one.

    """

    what: str
    parse: Callable[[object, Target], float | str]
    default: object = None


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of fault."""

    name: str
    scope: Scope
    effect: Effect
    inject: Injector
    severity: Severity | None
    #: Says why it cannot act on a target, None when it can.
    refuse: Callable[[Target], str | None]
    #: Whether it lasts: others happen once, at the onset.
    lasts: bool

    @property
    def doc(self) -> str:
        """What it does, in a line."""
        return (self.inject.__doc__ or "").strip().partition("\n")[0]


KINDS: dict[str, Kind] = {}

#: What the controller's word for the supply holds.
SUPPLY_MOST_MV = 32_767


def kind(
    name: str,
    scope: Scope,
    effect: Effect,
    *,
    severity: Severity | None = None,
    refuse: Callable[[Target], str | None] = lambda _target: None,
    lasts: bool = True,
) -> Callable[[Injector], Injector]:
    """Declare the decorated function as a kind of fault."""

    def declare(inject: Injector) -> Injector:
        assert name not in KINDS
        KINDS[name] = Kind(name, scope, effect, inject, severity, refuse, lasts)
        return inject

    return declare


# Severities.


def whole(what: str, low: int, high: int, default: int | None = None) -> Severity:
    """Return a severity that is a whole number between two bounds."""

    def parse(value: object, _target: Target) -> float:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise ValueError(f"{value!r} is not {what}, a whole number from {low} to {high}")
        return value

    return Severity(what, parse, default)


def duration(what: str, high_us: int = 60_000_000, default: str | None = None) -> Severity:
    """Return a severity that is a time, microseconds."""

    def parse(value: object, _target: Target) -> float:
        time_us = units.half_up(units.parse(value, units.TIME))
        if not 1 <= time_us <= high_us:
            raise ValueError(f"{value} is not {what}, a time from 1 us to {high_us / 1000:g} ms")
        return time_us

    return Severity(what, parse, default)


def voltage(what: str) -> Severity:
    """Return a severity that is a voltage, millivolts."""

    def parse(value: object, _target: Target) -> float:
        millivolts = units.half_up(units.parse(value, units.VOLTAGE))
        if not 0 <= millivolts <= SUPPLY_MOST_MV:
            raise ValueError(f"{value} is not {what}, a voltage from 0 V to {SUPPLY_MOST_MV / 1000:g} V")
        return millivolts

    return Severity(what, parse)


def one_of(what: str, names: Iterable[str], default: str | None = None) -> Severity:
    """Return a severity that is a word out of some."""
    known = tuple(names)

    def parse(value: object, _target: Target) -> str:
        if value not in known:
            raise ValueError(f"{value!r} is not {what}; right are {', '.join(known)}")
        return str(value)

    return Severity(what, parse, default)


def quantity(what: str) -> Severity:
    """Return a severity in the units of the channel."""

    def parse(value: object, target: Target) -> float:
        assert isinstance(target, ChannelOnBus)
        return float(units.parse(value, target.family))

    return Severity(what, parse)


def quantity_per_second(what: str) -> Severity:
    """Return a severity in the units of the channel for each second, written with a "/s" at its end."""

    def parse(value: object, target: Target) -> float:
        assert isinstance(target, ChannelOnBus)
        if target.family is units.POSITION and isinstance(value, int | Decimal):
            return float(Fraction(value))
        if not isinstance(value, str) or not value.endswith("/s"):
            raise ValueError(f'{value!r} is not {what}; write it as in "{target.family.example}/s"')
        return float(units.parse(value[: -len("/s")], target.family))

    return Severity(what, parse)


# Refusals.


def needs_limit(target: Target) -> str | None:
    """Say that a word of which the guard has no copy is no target."""
    if isinstance(target, Word) and target.limit is None:
        return f"the guard has no copy of {target.name}"
    return None


def needs_counter(target: Target) -> str | None:
    """Say that a message without an alive counter is no target."""
    if isinstance(target, MessageOnBus) and target.counter is None:
        return f"message {target.name} has no alive counter"
    return None


def needs_crc(target: Target) -> str | None:
    """Say that a message without a checksum is no target."""
    if isinstance(target, MessageOnBus) and not target.has_crc:
        return f"message {target.name} has no checksum"
    return None
