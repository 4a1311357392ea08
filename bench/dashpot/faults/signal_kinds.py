"""Faults of one value: the frame around it is whole, its counter and checksum are right."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dashpot.faults.bus import Bus, ChannelOnBus
from dashpot.faults.registry import (
    Effect,
    Fault,
    Scope,
    Severity,
    Target,
    kind,
    quantity,
    quantity_per_second,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from dashpot.faults.stimulus import Frames, Longs, Stimulus

Floats = NDArray[np.float64]


def _rows(frames: Frames, fault: Fault, channel: ChannelOnBus) -> Longs:
    """Return the places of the frames that carry a channel in the time of the fault."""
    rows = fault.rows(frames, channel.key)
    return rows[channel.carried(frames.data[rows])]


def _rewritten(
    stimulus: Stimulus, rows: Longs, data: NDArray[np.uint8], bus: Bus, channel: ChannelOnBus
) -> Stimulus:
    bus.message_of(channel).protect(data)
    return replace(stimulus, frames=stimulus.frames.with_data(rows, data))


def _set_raw(stimulus: Stimulus, fault: Fault, bus: Bus, raw: int) -> Stimulus:
    channel = fault.channel
    rows = _rows(stimulus.frames, fault, channel)
    data = stimulus.frames.data[rows]
    channel.write_raw(data, np.full(len(rows), raw, np.int64))
    return _rewritten(stimulus, rows, data, bus, channel)


def _map(stimulus: Stimulus, fault: Fault, bus: Bus, change: Callable[[Floats, Longs], Floats]) -> Stimulus:
    """Rewrite a channel's values: `change` gets them and the time since the onset, microseconds."""
    channel, frames = fault.channel, stimulus.frames
    rows = _rows(frames, fault, channel)
    data = frames.data[rows]
    channel.write(data, change(channel.read(data), frames.at_us[rows] - fault.start_us))
    return _rewritten(stimulus, rows, data, bus, channel)


def _side(value: object, target: Target) -> str:
    assert isinstance(target, ChannelOnBus)
    if value not in ("low", "high"):
        raise ValueError(f"{value!r} is not a side of the range; right are low and high")
    if target.outside(str(value)) is None:
        raise ValueError(f"no value that {target.name} can have lies past the {value} end of its range")
    return str(value)


def _needs_invalid(target: Target) -> str | None:
    assert isinstance(target, ChannelOnBus)
    return None if target.invalid is not None else f'{target.name} has no code for "no signal"'


@kind("out_of_range", Scope.CHANNEL, Effect.BAD_VALUE, severity=Severity("a side of the range", _side))
def out_of_range(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value is the first one past its range."""
    raw = fault.channel.outside(str(fault.level))
    assert raw is not None
    return _set_raw(stimulus, fault, bus, raw)


@kind("invalid_code", Scope.CHANNEL, Effect.BAD_VALUE, refuse=_needs_invalid)
def invalid_code(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value is the code that means "no signal"."""
    assert fault.channel.invalid is not None
    return _set_raw(stimulus, fault, bus, fault.channel.invalid)


@kind("ramp", Scope.CHANNEL, Effect.APART, severity=quantity_per_second("how fast it drifts"))
def ramp(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value drifts away from the truth, faster and faster wrong."""
    return _map(stimulus, fault, bus, lambda value, since_us: value + fault.number * since_us / 1e6)


@kind("step", Scope.CHANNEL, Effect.UNSEEN, severity=quantity("the value that it jumps to"))
def step(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value jumps to one of its own and stays there."""
    return _map(stimulus, fault, bus, lambda value, _: np.full_like(value, fault.number))


@kind("offset", Scope.CHANNEL, Effect.APART, severity=quantity("what is added"))
def offset(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value is wrong by the same amount all the time."""
    return _map(stimulus, fault, bus, lambda value, _: value + fault.number)


@kind("noise", Scope.CHANNEL, Effect.UNSEEN, severity=quantity("the noise's standard deviation"))
def noise(stimulus: Stimulus, fault: Fault, bus: Bus, rng: np.random.Generator) -> Stimulus:
    """White noise of normal distribution lies over the value."""
    return _map(stimulus, fault, bus, lambda value, _: value + rng.normal(0.0, fault.number, len(value)))


@kind("sign_flip", Scope.CHANNEL, Effect.UNSEEN)
def sign_flip(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value has the other sign."""
    return _map(stimulus, fault, bus, lambda value, _: -value)


@kind("stuck_value", Scope.CHANNEL, Effect.STILL)
def stuck_value(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The value stays as it was at the onset, while others in its message go on."""
    channel, frames = fault.channel, stimulus.frames
    before = np.flatnonzero((frames.key == channel.key) & (frames.at_us < fault.start_us))
    before = before[channel.carried(frames.data[before])]
    if not len(before):
        return stimulus
    return _set_raw(stimulus, fault, bus, int(channel.read_raw(frames.data[before[-1:]])[0]))


def _needs_one_message(target: Target) -> str | None:
    assert isinstance(target, tuple)
    left, right = target
    if left.key != right.key:
        return f"{left.name} and {right.name} come with two messages; only values of one can be swapped"
    return None


@kind("swap", Scope.AXLE, Effect.UNSEEN, refuse=_needs_one_message)
def swap(stimulus: Stimulus, fault: Fault, bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """Left and right change places."""
    assert isinstance(fault.target, tuple)
    left, right = fault.target
    rows = _rows(stimulus.frames, fault, left)
    data = stimulus.frames.data[rows]
    left_value, right_value = left.read(data), right.read(data)
    left.write(data, right_value)
    right.write(data, left_value)
    return _rewritten(stimulus, rows, data, bus, left)
