"""A log's channels as the vehicle file makes them, in pieces of fixed length: any log in bounded memory.

A piece has its own stretch of time, and some seconds of context on both sides, so that nothing is cut at its edges.
Stamps that jump by more than JUMP_S forwards, or back by more than BACK_S, end a piece: what lies on the two sides is not
compared. Values are those of the vehicle file as it stands (sign, zero, unit), in people's units; the file's own range
does not apply here, because a wrong unit would hide behind it, only its invalid codes do.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.calibration import units
from dashpot.errors import InputError
from dashpot.logs.decode import SignalLayout, decode_signal, selected
from dashpot.logs.frames import Flag, FrameBlock
from dashpot.logs.survey import Extreme, PeriodHistogram
from dashpot.suggest.series import Trace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.calibration.dbc import Message, Signal
    from dashpot.calibration.vehicle import ChannelSource, Vehicle
    from dashpot.logs import LogReader

    Floats = NDArray[np.float64]
    Longs = NDArray[np.int64]

PIECE_S = 60.0
CONTEXT_S = 4.0
JUMP_S = 2.0
BACK_S = 1.0
#: Units in which everything is computed and shown, by the channel's family: factor from the controller's words.
SHOWN: dict[units.Family, tuple[str, float]] = {
    units.ACCELERATION: ("g", 1e-3),
    units.PRESSURE: ("bar", 1e-2),
    units.ANGLE: ("deg", 0.1),
    units.YAW_RATE: ("deg/s", 0.01),
    units.SPEED: ("m/s", 0.01),
    units.STROKE: ("mm", 1e-3),
}


@dataclass(frozen=True, slots=True)
class Piece:
    """Channels over [start_s, end_s), seconds from the log's first frame, with context around."""

    start_s: float
    end_s: float
    traces: Mapping[str, Trace]


@dataclass(slots=True)
class Arrivals:
    """When one message came: its periods, and what of it could not be used."""

    name: str
    frames: int = 0
    short: int = 0
    out_of_order: int = 0
    periods: PeriodHistogram = field(default_factory=PeriodHistogram)
    gaps: Extreme = field(default_factory=Extreme)
    last_us: int | None = None

    def add(self, stamp_us: Longs) -> None:
        """Take in rising stamps; the step over a jump of the whole log is no gap."""
        steps = np.diff(stamp_us) if self.last_us is None else np.diff(stamp_us, prepend=self.last_us)
        self.periods.add(steps)
        self.gaps.add(steps, stamp_us[len(stamp_us) - len(steps) :])
        self.last_us = int(stamp_us[-1])


@dataclass(slots=True)
class Codes:
    """Raw values of one channel over the whole log."""

    count: int = 0
    invalid: int = 0
    outside: int = 0
    least: int | None = None
    most: int | None = None
    #: Greatest common divisor of the differences of all raw values: 1 where the signal uses each code.
    grain: int = 0

    def add(self, raw: Longs) -> None:
        """Take in raw values that are not the invalid code."""
        if not len(raw):
            return
        low, high = int(raw.min()), int(raw.max())
        origin = low if self.least is None else self.least
        self.grain = int(np.gcd.reduce(np.append(np.abs(raw - origin), self.grain)))
        self.least = low if self.least is None else min(self.least, low)
        self.most = high if self.most is None else max(self.most, high)


@dataclass(frozen=True, slots=True)
class _Channel:
    source: ChannelSource
    layout: SignalLayout
    sign: SignalLayout | None
    slope: float
    shift: float
    low: float
    high: float


class Gatherer:
    """Reads a log once, as an iterable of Piece; iterating again reads it anew.

    Args:
        reader: the log.
        vehicle: its channels; those without a physical family (supply, switches) are left out.
        channel: the CAN channel, None for the only one that has the vehicle's messages.

    Attributes:
        units: unit of each gathered channel by name.
        arrivals: by message name.
        codes: by channel name.
        parts: stretches between jumps; length_s: their whole length.

    """

    def __init__(self, reader: LogReader, vehicle: Vehicle, channel: str | None = None) -> None:
        self.reader = reader
        self.vehicle = vehicle
        self._only = channel
        self.units: dict[str, str] = {}
        self._by_key: dict[int, tuple[Message, list[_Channel]]] = {}
        for source in vehicle.channels:
            if source.family in SHOWN:
                unit, factor = SHOWN[source.family]
                self.units[source.name] = unit
                made = _channel(source, factor)
                key = source.source.message.key
                self._by_key.setdefault(key, (source.source.message, []))[1].append(made)
        self._reset()

    @property
    def first_us(self) -> int:
        """The log's stamp of the first frame that counts."""
        return self._first_us or 0

    def _reset(self) -> None:
        self.arrivals = {message.name: Arrivals(message.name) for message, _ in self._by_key.values()}
        self.codes = {name: Codes() for name in self.units}
        self.parts = 0
        self.length_s = 0.0
        self.seen: dict[str, set[int]] = {}
        self._first_us: int | None = None
        self._newest_us = 0
        self._held: dict[str, list[tuple[Longs, Floats]]] = {name: [] for name in self.units}
        self._part_us = self._start_us = self._reached_us = 0

    def __iter__(self) -> Iterator[Piece]:
        """Yield the pieces.

        Raises:
            InputError: the log cannot be read, holds none of the vehicle's messages, or holds them on more than one
                channel and none was chosen.

        """
        self._reset()
        for block in self.reader:
            mine = self._mine(block)
            if len(mine):
                for part in self._parts(mine):
                    yield from self._take(part)
        if self._only is not None and self._only not in self.reader.channels:
            raise InputError(
                f"has no channel {self._only!r}; it has {', '.join(self.reader.channels)}",
                where=self.reader.path,
            )
        if not any(one.frames for one in self.arrivals.values()):
            self._refuse()
        yield from self._end_part()

    def _mine(self, block: FrameBlock) -> FrameBlock:
        """Return the classic data frames of the chosen channel."""
        keep = block.flags & np.uint8(Flag.ERROR | Flag.REMOTE | Flag.FD) == 0
        if self._only is not None:
            names = self.reader.channels
            keep &= block.channel == (names.index(self._only) if self._only in names else len(names))
        kept = block if keep.all() else block.select(keep)
        for index in np.unique(kept.channel).tolist():
            name = self.reader.channels[index]
            self.seen.setdefault(name, set()).update(np.unique(_keys(kept)[kept.channel == index]).tolist())
        using = [name for name, keys in self.seen.items() if keys & self._by_key.keys()]
        if len(using) > 1:
            raise InputError(
                f"has the vehicle's messages on the channels {' and '.join(using)}; choose one with --channel",
                where=self.reader.path,
            )
        return kept

    def _refuse(self) -> None:
        seen = sorted({key for keys in self.seen.values() for key in keys})
        wanted = sorted(self._by_key)
        raise InputError(
            f"has none of the vehicle's messages; seen {_ids(seen) or 'none'}; the vehicle file reads {_ids(wanted)}; "
            "give the DBC and vehicle file of this bus, or another --channel",
            where=self.reader.path,
        )

    def _parts(self, block: FrameBlock) -> Iterator[FrameBlock | None]:
        """Yield the block in parts without a jump; None where a jump is."""
        if self._first_us is None:
            self._first_us = self._newest_us = self._part_us = self._start_us = int(block.stamp_us[0])
            self.parts = 1
        step = np.diff(block.stamp_us, prepend=self._newest_us)
        self._newest_us = int(block.stamp_us[-1])
        start = 0
        for jump in np.flatnonzero((step > JUMP_S * 1e6) | (step < -BACK_S * 1e6)).tolist():
            if jump > start:
                yield block.select(slice(start, jump))
            yield None
            self._part_us = self._start_us = int(block.stamp_us[jump])
            start = jump
        yield block.select(slice(start, len(block)))

    def _take(self, part: FrameBlock | None) -> Iterator[Piece]:
        if part is None:
            yield from self._end_part()
            self.parts += 1
            for one in self.arrivals.values():
                one.last_us = None
            return
        keys = _keys(part)
        for key, (message, channels) in self._by_key.items():
            rows = np.flatnonzero(keys == key)
            if len(rows):
                self._decode(part.select(rows), message, channels)
        self._reached_us = int(part.stamp_us.max())
        while self._reached_us >= self._start_us + (PIECE_S + CONTEXT_S) * 1e6:
            yield self._piece(self._start_us + round(PIECE_S * 1e6))

    def _decode(self, frames: FrameBlock, message: Message, channels: list[_Channel]) -> None:
        arrivals = self.arrivals[message.name]
        arrivals.frames += len(frames)
        short = frames.length < message.length
        if short.any():
            arrivals.short += int(np.count_nonzero(short))
            frames = frames.select(~short)
        before = arrivals.last_us if arrivals.last_us is not None else self._part_us - 1
        newest = np.maximum.accumulate(np.append(np.int64(before), frames.stamp_us))
        rising = frames.stamp_us > newest[:-1]
        if not rising.all():
            arrivals.out_of_order += int(np.count_nonzero(~rising))
            frames = frames.select(rising)
        if not len(frames):
            return
        arrivals.add(frames.stamp_us)
        for one in channels:
            here = selected(frames.data, one.layout)
            stamp_us, data = frames.stamp_us, frames.data
            if here is not None:
                stamp_us, data = stamp_us[here], data[here]
            if len(data):
                self._values(one, stamp_us, data)

    def _values(self, one: _Channel, stamp_us: Longs, data: NDArray[np.uint8]) -> None:
        name, codes = one.source.name, self.codes[one.source.name]
        raw, _ = decode_signal(data, one.layout)
        codes.count += len(raw)
        invalid = one.source.source.invalid
        if invalid is not None:
            bad = (raw & ((1 << one.layout.length) - 1)) == invalid & ((1 << one.layout.length) - 1)
            if bad.any():
                codes.invalid += int(np.count_nonzero(bad))
                raw, stamp_us, data = raw[~bad], stamp_us[~bad], data[~bad]
        if one.sign is not None:
            minus, _ = decode_signal(data, one.sign)
            raw = np.where(minus != 0, -raw, raw)
        codes.add(raw)
        value = raw.astype(np.float64) * one.slope + one.shift
        codes.outside += int(np.count_nonzero((value < one.low) | (value > one.high)))
        self._held[name].append((stamp_us, value))

    def _end_part(self) -> Iterator[Piece]:
        """Yield what is left of a stretch without jumps."""
        last = [parts[-1][0][-1] for parts in self._held.values() if parts]
        if not last:
            return
        end_us = max(int(max(last)) + 1, self._start_us)
        self.length_s += (end_us - self._part_us) * 1e-6
        yield self._piece(end_us)
        self._held = {name: [] for name in self.units}

    def _piece(self, end_us: int) -> Piece:
        assert self._first_us is not None
        traces = {}
        keep_us = end_us - round(CONTEXT_S * 1e6)
        for name, parts in self._held.items():
            if not parts:
                continue
            stamp_us = np.concatenate([stamps for stamps, _ in parts])
            value = np.concatenate([values for _, values in parts])
            traces[name] = Trace((stamp_us - self._first_us) * 1e-6, value)
            kept = stamp_us >= keep_us
            self._held[name] = [(stamp_us[kept], value[kept])] if kept.any() else []
        piece = Piece((self._start_us - self._first_us) * 1e-6, (end_us - self._first_us) * 1e-6, traces)
        self._start_us = end_us
        return piece


def _keys(block: FrameBlock) -> Longs:
    """Identifiers as `Message.key` has them: bit 29 marks an extended one."""
    return block.can_id.astype(np.int64) | ((block.flags & np.uint8(Flag.EXTENDED)).astype(np.int64) << 29)


def _ids(keys: list[int], most: int = 12) -> str:
    names = [f"{key & 0x1FFFFFFF:0{8 if key >> 29 else 3}X}" for key in keys]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def _channel(source: ChannelSource, factor: float) -> _Channel:
    origin = source.source
    return _Channel(
        source,
        _layout(origin.signal, origin.message),
        None if origin.sign_signal is None else _layout(origin.sign_signal, origin.message),
        float(origin.slope) * factor,
        float(origin.shift) * factor,
        origin.bounds[0] * factor,
        origin.bounds[1] * factor,
    )


def _layout(signal: Signal, message: Message) -> SignalLayout:
    selectors: tuple[Any, ...] = ()
    if signal.mux_ids:
        selectors = ((_layout(message.signals[signal.mux_signal], message), tuple(signal.mux_ids)),)
    return SignalLayout(
        signal.name, signal.start, signal.length, not signal.big_endian, signal.signed, selectors=selectors
    )
