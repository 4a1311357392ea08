"""Faults of one message's frames: what a broken node, wire or gateway does to them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.faults.registry import (
    Effect,
    Fault,
    Scope,
    duration,
    kind,
    needs_counter,
    needs_crc,
    whole,
)
from dashpot.faults.stimulus import Frames, Stimulus, join

if TYPE_CHECKING:
    from dashpot.faults.bus import Bus
    from dashpot.faults.stimulus import Longs


def _with_frames(stimulus: Stimulus, frames: Frames) -> Stimulus:
    return replace(stimulus, frames=frames)


def _without(frames: Frames, rows: Longs) -> Frames:
    keep = np.ones(len(frames), bool)
    keep[rows] = False
    return frames.select(keep)


def _last_before(frames: Frames, fault: Fault) -> int | None:
    """Return the place of the message's last frame before the fault."""
    rows = np.flatnonzero((frames.key == fault.message.key) & (frames.at_us < fault.start_us))
    return int(rows[-1]) if len(rows) else None


@kind("drop", Scope.MESSAGE, Effect.LOST)
def drop(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The message does not come."""
    frames = stimulus.frames
    return _with_frames(stimulus, _without(frames, fault.rows(frames, fault.message.key)))


@kind("thin", Scope.MESSAGE, Effect.UNSEEN, severity=whole("frames lost of a thousand", 1, 1000))
def thin(stimulus: Stimulus, fault: Fault, _bus: Bus, rng: np.random.Generator) -> Stimulus:
    """Some frames of the message, by chance, do not come."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    return _with_frames(stimulus, _without(frames, rows[rng.integers(0, 1000, len(rows)) < fault.number]))


@kind("freeze", Scope.MESSAGE, Effect.STILL)
def freeze(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The sensor stands still: the last payload repeats, with the counter and the checksum alive."""
    frames, message = stimulus.frames, fault.message
    last = _last_before(frames, fault)
    rows = fault.rows(frames, message.key)
    if last is None:
        return stimulus
    data = np.repeat(frames.data[last : last + 1], len(rows), axis=0)
    if message.counter is not None:
        message.counter.write(data, message.counter.read(frames.data[rows]))
    message.protect(data)
    return _with_frames(stimulus, frames.with_data(rows, data))


@kind("stuck_frame", Scope.MESSAGE, Effect.REFUSED, refuse=needs_counter)
def stuck_frame(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The node repeats its last frame, counter and checksum included."""
    frames = stimulus.frames
    last = _last_before(frames, fault)
    rows = fault.rows(frames, fault.message.key)
    if last is None:
        return stimulus
    return _with_frames(
        stimulus, frames.with_data(rows, np.repeat(frames.data[last : last + 1], len(rows), axis=0))
    )


@kind("loose", Scope.MESSAGE, Effect.UNSEEN, severity=duration("how long it is away each time"))
def loose(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A loose contact: the message is away for some time, there for twice that time, away again."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    away_us = int(fault.number)
    away = (frames.at_us[rows] - fault.start_us) % (3 * away_us) < away_us
    return _with_frames(stimulus, _without(frames, rows[away]))


def _late(stimulus: Stimulus, rows: Longs, late_us: Longs, key: int) -> Stimulus:
    """Delay frames of a message; a frame waits for the one before it."""
    frames = stimulus.frames
    at_us = frames.at_us.copy()
    at_us[rows] += late_us
    mine = np.flatnonzero(frames.key == key)
    at_us[mine] = np.maximum.accumulate(at_us[mine])
    return _with_frames(stimulus, replace(frames, at_us=at_us).in_order())


@kind("delay", Scope.MESSAGE, Effect.UNSEEN, severity=duration("how late each frame is"))
def delay(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """Each frame of the message comes later by the same time."""
    rows = fault.rows(stimulus.frames, fault.message.key)
    late_us = np.full(len(rows), int(fault.number), np.int64)
    return _late(stimulus, rows, late_us, fault.message.key)


@kind("jitter", Scope.MESSAGE, Effect.UNSEEN, severity=duration("how late a frame is at most"))
def jitter(stimulus: Stimulus, fault: Fault, _bus: Bus, rng: np.random.Generator) -> Stimulus:
    """Each frame of the message comes later by a time of its own, by chance."""
    rows = fault.rows(stimulus.frames, fault.message.key)
    late_us = rng.integers(0, int(fault.number) + 1, len(rows))
    return _late(stimulus, rows, late_us, fault.message.key)


@kind(
    "duplicate", Scope.MESSAGE, Effect.DOUBTED, refuse=needs_counter,
    severity=duration("how long after a frame its double comes", default="400 us"),
)  # fmt: skip
def duplicate(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """Each frame of the message comes twice."""
    frames = stimulus.frames
    doubles = frames.select(fault.rows(frames, fault.message.key))
    late = replace(doubles, at_us=doubles.at_us + int(fault.number))
    return _with_frames(stimulus, join([frames, late]))


@kind("reorder", Scope.MESSAGE, Effect.DOUBTED, refuse=needs_counter)
def reorder(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """Of each two frames of the message the second comes first."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    rows = rows[: len(rows) // 2 * 2]
    crossed = rows.reshape(-1, 2)[:, ::-1].ravel()
    return _with_frames(stimulus, frames.with_data(rows, frames.data[crossed]))


@kind(
    "corrupt", Scope.MESSAGE, Effect.REFUSED, refuse=needs_crc,
    severity=whole("how many bits are wrong", 1, 64, default=1),
)  # fmt: skip
def corrupt(stimulus: Stimulus, fault: Fault, _bus: Bus, rng: np.random.Generator) -> Stimulus:
    """Bits of each frame of the message, by chance, are turned over."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    bits = 8 * fault.message.length
    count = min(int(fault.number), bits)
    data = frames.data[rows]
    for payload in data:
        for bit in rng.permutation(bits)[:count].tolist():
            payload[bit // 8] ^= 1 << bit % 8
    return _with_frames(stimulus, frames.with_data(rows, data))


@kind(
    "wrong_counter", Scope.MESSAGE, Effect.REFUSED, refuse=needs_counter,
    severity=whole("the counter's step from frame to frame", 0, 255),
)  # fmt: skip
def wrong_counter(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The alive counter goes on in steps of its own; the checksum is right."""
    frames, message = stimulus.frames, fault.message
    last = _last_before(frames, fault)
    rows = fault.rows(frames, message.key)
    if last is None or message.counter is None:
        return stimulus
    data = frames.data[rows]
    first = int(message.counter.read(frames.data[last : last + 1])[0])
    message.counter.write(data, (first + int(fault.number) * np.arange(1, len(rows) + 1)) % message.modulo)
    message.protect(data)
    return _with_frames(stimulus, frames.with_data(rows, data))


@kind("wrong_crc", Scope.MESSAGE, Effect.REFUSED, refuse=needs_crc)
def wrong_crc(stimulus: Stimulus, fault: Fault, _bus: Bus, rng: np.random.Generator) -> Stimulus:
    """The checksum of each frame of the message is another one, by chance."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    data = frames.data[rows]
    data[:, fault.message.crc_byte] ^= rng.integers(1, 256, len(rows)).astype(np.uint8)
    return _with_frames(stimulus, frames.with_data(rows, data))


@kind("short", Scope.MESSAGE, Effect.REFUSED, severity=whole("how many bytes are missing", 1, 8, default=1))
def short(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """Each frame of the message ends early."""
    frames = stimulus.frames
    rows = fault.rows(frames, fault.message.key)
    length = frames.length.copy()
    left = max(0, fault.message.length - int(fault.number))
    length[rows] = left
    data = frames.data[rows]
    data[:, left:] = 0
    return _with_frames(stimulus, replace(frames.with_data(rows, data), length=length))
