"""Faults of the whole bus, and of the ring behind it."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.faults.registry import Effect, Fault, Scope, kind, whole
from dashpot.faults.stimulus import Frames, Stimulus, join

if TYPE_CHECKING:
    from dashpot.faults.bus import Bus

#: No bus of 1 Mbit/s carries more; the shortest frame has 47 bits.
MOST_FRAMES_S = 21_000
_STANDARD_IDS = 1 << 11
_TOP_PRIORITY_IDS = 16


def _flood(
    fault: Fault, key: np.ndarray[tuple[int], np.dtype[np.int32]], length: int, rng: np.random.Generator
) -> Frames:
    """Return frames of random payload spread evenly over the time of the fault."""
    count = len(key)
    at_us = fault.start_us + np.arange(count, dtype=np.int64) * (fault.end_us - fault.start_us) // max(
        count, 1
    )
    data = np.zeros((count, 8), np.uint8)
    data[:, :length] = rng.integers(0, 256, (count, length))
    return Frames(at_us, key, np.full(count, length, np.uint8), data)


def _count(fault: Fault) -> int:
    return max(1, round(fault.number * (fault.end_us - fault.start_us) / 1e6))


@kind(
    "babble_foreign",
    Scope.BUS,
    Effect.IGNORED,
    severity=whole("frames a second", 1, MOST_FRAMES_S, default=2000),
)
def babble_foreign(stimulus: Stimulus, fault: Fault, bus: Bus, rng: np.random.Generator) -> Stimulus:
    """A node floods the bus with identifiers of high priority that the controller does not use."""
    own = {message.key for message in bus.messages.values()}
    foreign = [number for number in range(_STANDARD_IDS) if number not in own][:_TOP_PRIORITY_IDS]
    key = rng.choice(np.array(foreign, np.int32), _count(fault))
    return replace(stimulus, frames=join([stimulus.frames, _flood(fault, key, 8, rng)]))


@kind(
    "babble_known",
    Scope.MESSAGE,
    Effect.UNSEEN,
    severity=whole("frames a second", 1, MOST_FRAMES_S, default=2000),
)
def babble_known(stimulus: Stimulus, fault: Fault, _bus: Bus, rng: np.random.Generator) -> Stimulus:
    """A node floods the bus with a message's own identifier and random payloads; the true frames still come."""
    key = np.full(_count(fault), fault.message.key, np.int32)
    return replace(stimulus, frames=join([stimulus.frames, _flood(fault, key, fault.message.length, rng)]))


@kind("bus_off", Scope.BUS, Effect.LOST)
def bus_off(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """No frame at all reaches the controller."""
    frames = stimulus.frames
    return replace(stimulus, frames=frames.select(~fault.during(frames.at_us)))


@kind(
    "overflow", Scope.BUS, Effect.UNSEEN, severity=whole("frames lost before each tick", 1, 10_000, default=8)
)
def overflow(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The ring has no room: the newest frames before each tick are lost, and the board counts them."""
    frames, ticks = stimulus.frames, stimulus.ticks
    hit = np.flatnonzero(fault.during(ticks.at_us))
    lost = ticks.lost.copy()
    lost[hit] += int(fault.number)
    owner = np.searchsorted(ticks.at_us, frames.at_us, side="left")
    # Places counted from the end of each tick's frames.
    last = np.searchsorted(owner, owner, side="right") - 1
    gone = np.isin(owner, hit) & (last - np.arange(len(frames)) < fault.number)
    return Stimulus(frames.select(~gone), ticks.with_input("lost", lost))
