"""How late a frame can be on a CAN bus: response-time analysis, and the bounds of a frame's length.

R. I. Davis, A. Burns, R. J. Bril and J. J. Lukkien, "Controller Area Network (CAN) schedulability analysis: Refuted,
revisited and revised", Real-Time Systems 35 (2007) [S]. A frame that has won the bus is not interrupted, so a message
can be late through one of its own earlier frames: every instance in the busy period is looked at, not the first alone.
Times are whole microseconds, so that each ceiling is exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Bits without the payload: least, and most with all stuff bits; standard and extended identifier.
_LEAST, _MOST = (47, 67), (55, 80)


def least_bits(length: int, *, extended: bool = False) -> int:
    """Return the bits of a data frame of `length` bytes with its intermission, without a stuff bit."""
    return _LEAST[extended] + 8 * length


def most_bits(length: int, *, extended: bool = False) -> int:
    """Return the most bits that a data frame of `length` bytes can take, with its intermission."""
    return _MOST[extended] + 10 * length


@dataclass(frozen=True, slots=True)
class Cyclic:
    """A cyclic message as the analysis sees it.

    Attributes:
        name: for people.
        priority: the lowest wins; no two messages of a bus share it.
        period_us: least time between two events that make a frame.
        jitter_us: most time from the event until the frame waits for the bus.
        frame_us: most time that the frame takes, with its intermission.

    """

    name: str
    priority: int
    period_us: int
    jitter_us: int
    frame_us: int


@dataclass(frozen=True, slots=True)
class Response:
    """What the analysis says of a message.

    Attributes:
        name: of the message.
        worst_us: most time from the event to the end of the frame.
        instances_us: the same of each instance in the busy period; the first is not always the worst.
        busy_us: length of the busy period.

    """

    name: str
    worst_us: int
    instances_us: tuple[int, ...]
    busy_us: int


def load(messages: Sequence[Cyclic]) -> float:
    """Return the share of the bus's time that is taken."""
    return float(_load(messages))


def response_times(messages: Sequence[Cyclic], bit_us: int) -> list[Response]:
    """Return the worst response time of each message, in the order given.

    Args:
        messages: all of the bus.
        bit_us: time of a bit: a frame of higher priority that comes within it still goes first.

    Raises:
        InputError: two messages share a priority, or a message and those above it fill the bus, so that it may wait
            without end.

    """
    if len({message.priority for message in messages}) < len(messages):
        raise InputError("two messages have the same priority, so none of them can win", where="CAN bus")
    return [_response(message, messages, bit_us) for message in messages]


def _response(own: Cyclic, messages: Sequence[Cyclic], bit_us: int) -> Response:
    above = [message for message in messages if message.priority < own.priority]
    if _load([*above, own]) >= 1:
        raise InputError(
            f"{own.name} and what goes before it take {100 * load([*above, own]):.1f} % of the bus; under 100 % "
            "is needed for a bound",
            where="CAN bus",
        )
    blocking_us = max((m.frame_us for m in messages if m.priority > own.priority), default=0)
    busy_us = own.frame_us
    while True:
        longer = blocking_us + sum(_arrivals(m, busy_us) * m.frame_us for m in [*above, own])
        if longer == busy_us:
            break
        busy_us = longer
    instances = []
    waited_us = blocking_us
    for number in range(_arrivals(own, busy_us)):
        waited_us = max(waited_us, blocking_us + number * own.frame_us)
        while True:
            longer = blocking_us + number * own.frame_us
            longer += sum(_arrivals(m, waited_us + bit_us) * m.frame_us for m in above)
            if longer == waited_us:
                break
            waited_us = longer
        instances.append(own.jitter_us + waited_us - number * own.period_us + own.frame_us)
    return Response(own.name, max(instances), tuple(instances), busy_us)


def _load(messages: Sequence[Cyclic]) -> Fraction:
    return sum((Fraction(message.frame_us, message.period_us) for message in messages), Fraction(0))


def _arrivals(message: Cyclic, within_us: int) -> int:
    """Return how many frames of a message can come to wait within a time."""
    return -(-(within_us + message.jitter_us) // message.period_us)
