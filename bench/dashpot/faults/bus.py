"""The car's bus as an injector needs it: where values, counters and checksums lie, to read them and write them anew.

Values are placed and scaled by the DBC and the vehicle file, not by the image's decode rows: a mistake of the packer
must not cancel itself out. Counters and checksums are those that the vehicle file names.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from dashpot.calibration.decode import raw_limits
from dashpot.plant.checksums import H2F_POLYNOMIAL, J1850_POLYNOMIAL, crc8

if TYPE_CHECKING:
    from dashpot.calibration import Vehicle
    from dashpot.calibration.dbc import Signal
    from dashpot.calibration.units import Family
    from dashpot.calibration.vehicle import ChannelSource, MessageSource
    from dashpot.layout import Layout

Bytes = NDArray[np.uint8]
Longs = NDArray[np.int64]


def places(signal: Signal) -> list[int]:
    """Return the DBC bit numbers of a signal, least significant first.

    [S] DBC: bit b is byte b // 8, mask 1 << b % 8; a big-endian start is the most significant bit, and from bit 0 of
    a byte the next one is bit 7 of the byte after it.
    """
    if not signal.big_endian:
        return list(range(signal.start, signal.start + signal.length))
    found = [signal.start]
    while len(found) < signal.length:
        found.append(found[-1] - 1 if found[-1] % 8 else found[-1] + 15)
    return found[::-1]


@dataclass(frozen=True, slots=True)
class Bits:
    """A whole number in a payload.

    Attributes:
        places: DBC bit numbers, least significant first.
        signed: two's complement.

    """

    places: tuple[int, ...]
    signed: bool = False

    def read(self, data: Bytes) -> Longs:
        """Return the number in each payload, int64[n] from uint8[n, 8]."""
        value = np.zeros(len(data), np.int64)
        for bit, place in enumerate(self.places):
            value |= (data[:, place // 8] >> np.uint8(place % 8) & np.uint8(1)).astype(np.int64) << bit
        if self.signed:
            top = 1 << len(self.places) - 1
            value = (value ^ top) - top
        return value

    def write(self, data: Bytes, value: Longs) -> None:
        """Write numbers, int64[n], into payloads; bits past the width are left out."""
        for bit, place in enumerate(self.places):
            mask = np.uint8(1 << place % 8)
            data[:, place // 8] &= ~mask
            data[:, place // 8] |= (value >> bit & 1).astype(np.uint8) * mask


@dataclass(frozen=True, slots=True)
class ChannelOnBus:
    """A channel of the controller where it lies on the bus.

    Attributes:
        name: people's name, such as "stroke.front_left".
        index: place among the layout's channels.
        key: id of its message.
        family: units that people write it in.
        bits: where its raw value is.
        sign_bits: the bit of its own that is set when the value is negative, or None.
        mux: the multiplexer and the values under which it is sent, or None.
        slope, shift: channel units = raw * slope + shift.
        raw_low, raw_high: raw values that the bits can hold, the sign bit included.
        invalid: raw code that means "no signal", or None.
        good_low, good_high: least and greatest good value, channel units.

    """

    name: str
    index: int
    key: int
    family: Family
    bits: Bits
    sign_bits: Bits | None
    mux: tuple[Bits, tuple[int, ...]] | None
    slope: Fraction
    shift: Fraction
    raw_low: int
    raw_high: int
    invalid: int | None
    good_low: int
    good_high: int

    def carried(self, data: Bytes) -> NDArray[np.bool_]:
        """Return which payloads carry the channel."""
        if self.mux is None:
            return np.ones(len(data), bool)
        bits, values = self.mux
        return np.isin(bits.read(data), values)

    def read_raw(self, data: Bytes) -> Longs:
        """Return raw values, a separate sign counted in."""
        raw = self.bits.read(data)
        if self.sign_bits is not None:
            raw = np.where(self.sign_bits.read(data) != 0, -raw, raw)
        return raw

    def write_raw(self, data: Bytes, raw: Longs) -> None:
        """Write raw values; what the bits cannot hold becomes the nearest that they can."""
        raw = np.clip(raw, self.raw_low, self.raw_high)
        if self.sign_bits is None:
            self.bits.write(data, raw)
            return
        self.bits.write(data, np.abs(raw))
        self.sign_bits.write(data, (raw < 0).astype(np.int64))

    def read(self, data: Bytes) -> NDArray[np.float64]:
        """Return values in the channel's unit."""
        raw: NDArray[np.float64] = self.read_raw(data).astype(np.float64)
        return raw * float(self.slope) + float(self.shift)

    def write(self, data: Bytes, value: NDArray[np.float64]) -> None:
        """Write values in the channel's unit as the nearest raw ones, never as the code that means "no signal"."""
        raw = np.rint((value - float(self.shift)) / float(self.slope))
        raw = np.clip(raw, self.raw_low, self.raw_high).astype(np.int64)
        if self.invalid is not None:
            inward = -1 if self.invalid >= (self.raw_low + self.raw_high) // 2 else 1
            raw[raw == self.invalid] += inward
        self.write_raw(data, raw)

    def outside(self, side: str) -> int | None:
        """Return the raw value just past the good range on the side "low" or "high", None where there is none."""
        # A whole unit past the bound, so that no rounding brings it back.
        bound = self.good_high + 1 if side == "high" else self.good_low - 1
        exact = (bound - self.shift) / self.slope
        up = (self.slope > 0) == (side == "high")
        raw = math.ceil(exact) if up else math.floor(exact)
        if raw == self.invalid:
            raw += 1 if up else -1
        return raw if self.raw_low <= raw <= self.raw_high else None


@dataclass(frozen=True, slots=True)
class MessageOnBus:
    """A message that carries channels, and how it is protected.

    Attributes:
        name: as in the DBC.
        key: id, with EXTENDED_KEY set when it has 29 bits.
        length: payload bytes.
        period_us: time between two of them.
        counter: where the alive counter is, or None.
        modulo: how many values it takes.
        max_delta: the largest step that is still good.
        crc_kind: "none" or as in the layout's crc_kinds.
        crc_byte: place of the checksum.
        data_ids: the ids of end-to-end profiles: one of 16 bits for profile 1, sixteen of 8 bits for profile 2.
        channels: indices of the channels that it carries.

    """

    name: str
    key: int
    length: int
    period_us: int
    counter: Bits | None
    modulo: int
    max_delta: int
    crc_kind: str
    crc_byte: int
    data_ids: tuple[int, ...]
    channels: tuple[int, ...]

    @property
    def has_crc(self) -> bool:
        """Whether it carries a checksum."""
        return self.crc_kind != "none"

    def crc(self, data: Bytes) -> Bytes:
        """Return the right checksum of each payload, uint8[n] from uint8[n, 8].

        [S] AUTOSAR "Specification of CRC Routines" and "E2E Protocol Specification", profiles 1 and 2.
        """
        body = np.delete(data[:, : self.length], self.crc_byte, axis=1)
        if self.crc_kind == "e2e_p1":
            (data_id,) = self.data_ids
            head = np.tile(np.array([data_id & 0xFF, data_id >> 8], np.uint8), (len(data), 1))
            return crc8(np.hstack((head, body)), J1850_POLYNOMIAL, start=0, final=0)
        if self.crc_kind == "e2e_p2":
            assert self.counter is not None
            chosen = np.array(self.data_ids, np.uint8)[self.counter.read(data)]
            return crc8(np.column_stack((body, chosen)), H2F_POLYNOMIAL)
        return crc8(body, J1850_POLYNOMIAL if self.crc_kind == "j1850" else H2F_POLYNOMIAL)

    def protect(self, data: Bytes) -> None:
        """Write the right checksum into payloads, where the message has one."""
        if self.has_crc:
            data[:, self.crc_byte] = self.crc(data)


@dataclass(frozen=True, slots=True)
class Bus:
    """What of a car's bus feeds the controller.

    Attributes:
        messages: by name.
        channels: by people's name, in the layout's order.
        bitrate: bit/s.

    """

    messages: dict[str, MessageOnBus]
    channels: dict[str, ChannelOnBus]
    bitrate: int

    def message_of(self, channel: ChannelOnBus) -> MessageOnBus:
        """Return the message that carries a channel."""
        return next(message for message in self.messages.values() if message.key == channel.key)


def bus_of(vehicle: Vehicle, layout: Layout) -> Bus:
    """Return a mapped car's bus."""
    channels = {channel.name: _channel(channel) for channel in vehicle.channels}
    return Bus(
        {made.message.name: _message(made, vehicle, layout) for made in vehicle.messages},
        channels,
        vehicle.bitrate,
    )


def _channel(channel: ChannelSource) -> ChannelOnBus:
    source = channel.source
    low, high = raw_limits(source)
    mux = None
    if source.signal.mux_ids:
        selector = source.message.signals[source.signal.mux_signal]
        mux = (Bits(tuple(places(selector))), source.signal.mux_ids)
    return ChannelOnBus(
        name=channel.name,
        index=channel.index,
        key=source.message.key,
        family=channel.family,
        bits=Bits(tuple(places(source.signal)), source.signal.signed),
        sign_bits=Bits(tuple(places(source.sign_signal))) if source.sign_signal else None,
        mux=mux,
        slope=source.slope,
        shift=source.shift,
        raw_low=low,
        raw_high=high,
        invalid=_signed(source.invalid, len(places(source.signal)), signed=source.signal.signed),
        good_low=source.bounds[0],
        good_high=source.bounds[1],
    )


def _signed(code: int | None, bits: int, *, signed: bool) -> int | None:
    """An invalid code may be written without the sign that its bits have."""
    if code is None or not signed or code < 1 << bits - 1:
        return code
    return code - (1 << bits)


def _message(made: MessageSource, vehicle: Vehicle, layout: Layout) -> MessageOnBus:
    row = made.row
    counter = None
    if row["counter_modulo"]:
        first = 8 * row["counter_byte"] + row["counter_shift"]
        counter = Bits(tuple(range(first, first + row["counter_mask"].bit_length())))
    kind = layout.crc_kinds[row["crc_kind"]]
    return MessageOnBus(
        name=made.message.name,
        key=made.message.key,
        length=made.message.length,
        period_us=_period_us(made),
        counter=counter,
        modulo=row["counter_modulo"],
        max_delta=row["counter_max_delta"],
        crc_kind=kind,
        crc_byte=row["crc_byte"],
        data_ids=(row["data_id"],) if kind == "e2e_p1" else made.data_ids,
        channels=tuple(c.index for c in vehicle.channels if c.source.message.key == made.message.key),
    )


def _period_us(made: MessageSource) -> int:
    from dashpot.calibration import units

    return units.half_up(units.parse(str(made.document["period"]), units.TIME))
