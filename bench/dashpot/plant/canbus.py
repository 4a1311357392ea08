"""A CAN bus with true timing: which message goes out when, with which bits, and when it has got through.

A message's samples are taken with its period and the clock error of its unit; its frames are released with some
jitter and then fight for the bus by identifier, bit-exact in length. The stamp is the time at which the frame's last
bit was over, as a recorder would have it. Everything that does not depend on the car's motion is made ahead; frames
with live readings are finished while the plant runs (dashpot.plant.canbus_kernel). Each purpose has its own stream of
random numbers, so a message more moves no other's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from dashpot.canbits import block_bits
from dashpot.logs.frames import CLASSIC_BYTES, Flag, FrameBlock
from dashpot.plant import canbus_kernel as kernel
from dashpot.plant.checksums import TABLES, crc8
from dashpot.plant.response import Cyclic, most_bits
from dashpot.plant.streams import stream
from dashpot.targets.contract import CLOCK_MASK, EXTENDED_KEY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from dashpot.plant.car import Floats
    from dashpot.plant.checksums import Checksum

    Longs = NDArray[np.int64]

BIT_US = 2  # 500 kbit/s
# The log's first instant: a round number of seconds after 1970 that stands for no date.
START_US = 1_000_000_000 * 1_000_000
# Crystals of different units run apart by some tens of parts per million [C].
CLOCK_ERROR_PPM = 25.0
#: Most frames that one call of `Bus.advance` hands over.
MOST_ROWS = 4000
# Periods of messages that are none of the car's data, and where their identifiers may lie: below the controller's own.
OTHER_PERIODS_US = (10_000, 20_000, 50_000, 100_000)
OTHER_IDS = (0x080, 0x6A0)


@dataclass(frozen=True, slots=True)
class Signal:
    """Where a value lies in a frame and how it is scaled, in the words of a DBC.

    Attributes:
        name: as in the DBC.
        start: start bit; least significant if little-endian, most significant if big-endian.
        bits: width.
        scale: physical value of a count.
        offset: physical value of count 0.
        signed: two's complement.
        big_endian: byte order.
        source: name of the reading, when it is not the signal's own.
        part: what of the reading it carries: "value", "magnitude", or "sign" (1 when negative).
        mux: the multiplexer's value with which it is there, or None.

    """

    name: str
    start: int
    bits: int
    scale: float = 1.0
    offset: float = 0.0
    signed: bool = False
    big_endian: bool = False
    source: str = ""
    part: str = "value"
    mux: int | None = None

    @property
    def reading(self) -> str:
        """Name of the reading that it carries."""
        return self.source or self.name

    def places(self) -> list[int]:
        """Return the DBC bit numbers of the signal, least significant first."""
        if not self.big_endian:
            return list(range(self.start, self.start + self.bits))
        places = [self.start]
        while len(places) < self.bits:
            places.append(places[-1] - 1 if places[-1] % 8 else places[-1] + 15)
        return places[::-1]

    def bounds(self) -> tuple[int, int]:
        """Return the least and the most count that a value can have.

        In signals of more than a byte the last code, all ones or the most negative, is left to "no signal".
        """
        span = 1 << self.bits
        return (1 - span // 2, span // 2 - 1) if self.signed else (0, span - 1 - (self.bits > 8))

    def counts(self, physical: Floats) -> Longs:
        """Quantise; a value past the range stays at its end."""
        counts: Longs = np.clip(np.rint((physical - self.offset) / self.scale), *self.bounds()).astype(
            np.int64
        )
        return counts

    def part_of(self, reading: Floats) -> Floats:
        """Return what of a reading the signal carries."""
        if self.part == "magnitude":
            return np.abs(reading)
        if self.part == "sign":
            return (reading < 0.0).astype(np.float64)
        return reading

    def pack(self, data: NDArray[np.uint8], counts: Longs, rows: NDArray[np.intp] | slice) -> None:
        """Write counts (n,) into the given rows of zeroed payloads."""
        for bit, place in enumerate(self.places()):
            data[rows, place // 8] |= ((counts >> bit & 1) << place % 8).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Message:
    """A cyclic message.

    Attributes:
        name: as in the DBC.
        can_id: identifier, 29 bits if extended.
        length: payload bytes.
        period_us: time between releases.
        phase_us: release of the first.
        unit: the sender, for its clock error.
        signals: what it carries besides counter, checksum and multiplexer; with none the payload is random.
        jitter_us: a release is late by 0 to this.
        extended: 29-bit identifier.
        counter: where the alive counter is, or None.
        counts: how many values the counter takes.
        checksum: over the finished payload, or None.
        mux: the multiplexer, which steps through `mux_count` values, or None.

    """

    name: str
    can_id: int
    length: int
    period_us: int
    phase_us: int
    unit: str
    signals: tuple[Signal, ...]
    jitter_us: int = 150
    extended: bool = False
    counter: Signal | None = None
    counts: int = 16
    checksum: Checksum | None = None
    mux: Signal | None = None
    mux_count: int = 1


class Readable(Protocol):
    """A reading that is known ahead."""

    def sample(self, at_us: Longs, rng: np.random.Generator) -> Floats:
        """Return the values at the given times."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """When a message's samples are taken and when its frames come to wait for the bus, (n,) each.

    Attributes:
        sample_us: rising.
        release_us: later by the jitter.
        period_us: of the sender's own clock.

    """

    sample_us: Longs
    release_us: Longs
    period_us: float


def cycle_of(message: Message, seed: int, end_us: int) -> Cycle:
    """Return the times of a message from 0 to an end."""
    clock = 1.0 + CLOCK_ERROR_PPM * 1e-6 * float(stream(seed, f"clock {message.unit}").normal())
    period_us = message.period_us * clock
    sample_us = np.arange(message.phase_us, end_us, period_us).astype(np.int64)
    late_us = stream(seed, f"jitter {message.name}").integers(0, message.jitter_us + 1, len(sample_us))
    return Cycle(sample_us, sample_us + late_us, period_us)


def payloads(
    message: Message, readings: Mapping[str, Readable], seed: int, at_us: Longs, live: Sequence[str] = ()
) -> NDArray[np.uint8]:
    """Return the payloads (n, length) of a message whose samples are taken at the given times.

    Bits of live readings are left at 0, and with them the checksum.
    """
    if not message.signals:
        drawn = stream(seed, f"payload {message.name}").integers(0, 256, (len(at_us), message.length))
        return drawn.astype(np.uint8)
    rng = stream(seed, f"noise {message.name}")
    data = np.zeros((len(at_us), message.length), np.uint8)
    number = np.arange(len(at_us))
    sampled: dict[str, Floats] = {}
    for signal in message.signals:
        if signal.reading in live:
            continue
        if signal.reading not in sampled:
            sampled[signal.reading] = readings[signal.reading].sample(at_us, rng)
        value = signal.part_of(sampled[signal.reading])
        if signal.mux is None:
            signal.pack(data, signal.counts(value), slice(None))
        else:
            rows = np.flatnonzero(number % message.mux_count == signal.mux)
            signal.pack(data, signal.counts(value[rows]), rows)
    if message.mux is not None:
        message.mux.pack(data, number % message.mux_count, slice(None))
    if message.counter is not None:
        message.counter.pack(data, number % message.counts, slice(None))
    if message.checksum is not None and not _live_signals(message, live):
        message.checksum.write(data)
    return data


def bus_priority(can_id: int, *, extended: bool) -> int:
    """Return a number that orders data frames as they win the bus, lowest first.

    The first 11 bits decide; where they are equal, a standard frame beats an extended one (its RTR and IDE bits are
    dominant, the other's SRR and IDE recessive).
    """
    if not extended:
        return can_id << 19
    return can_id >> 18 << 19 | 1 << 18 | can_id & 0x3FFFF


def other_messages(share: float, taken: Sequence[Message], seed: int, bit_us: int = BIT_US) -> list[Message]:
    """Return messages of random payload that load the bus by a share of its time, at most.

    Raises:
        ValueError: there are not enough identifiers.

    """
    rng = stream(seed, "other messages")
    used = {message.can_id for message in taken}
    free = [can_id for can_id in range(*OTHER_IDS) if can_id not in used]
    made: list[Message] = []
    while True:
        period_us = int(rng.choice(OTHER_PERIODS_US))
        share -= most_bits(CLASSIC_BYTES) * bit_us / period_us
        if share < 0.0:
            return made
        can_id = free.pop(int(rng.integers(len(free))))
        made.append(
            Message(
                f"Other_{can_id:03X}", can_id, CLASSIC_BYTES, period_us, int(rng.integers(period_us)),
                f"other {can_id:03X}", (), jitter_us=300,
            )
        )  # fmt: skip


class Bus:
    """The bus over one drive.

    Args:
        messages: all of the bus; no two share an identifier.
        readings: what is known ahead, by name.
        seed: draws clocks, jitter and noise.
        end_us: no sample is taken at or after this.
        live: names of the readings that come while the plant runs, a column each of what `advance` is given.
        start_us: the controller's clock at the end of the first frame, for the rows.
        bit_us: time of a bit.

    Attributes:
        messages, cycles, bit_us: as given, and their times.
        first_us: end of the first frame, once there is one.

    """

    def __init__(
        self,
        messages: Sequence[Message],
        readings: Mapping[str, Readable],
        *,
        seed: int,
        end_us: int,
        live: Sequence[str] = (),
        start_us: int = 0,
        bit_us: int = BIT_US,
    ) -> None:
        self.messages = tuple(messages)
        self.cycles = [cycle_of(message, seed, end_us) for message in messages]
        self.first_us: int | None = None
        self._start_us = start_us
        self.bit_us = bit_us
        counts = [len(cycle.sample_us) for cycle in self.cycles]
        first = np.concatenate(([0], np.cumsum(counts)))
        total = int(first[-1])
        self._sample_us = np.concatenate([cycle.sample_us for cycle in self.cycles])
        self._release_us = np.concatenate([cycle.release_us for cycle in self.cycles])
        self._data = np.zeros((total, CLASSIC_BYTES), np.uint8)
        self._bits = np.zeros(total, np.int64)
        self._done_us = np.zeros(total, np.int64)
        self._order = np.zeros(total, np.int64)
        self._message = np.repeat(np.arange(len(messages)), counts)
        self._state = np.zeros(kernel.STATE_WORDS, np.int64)
        self._rows = np.zeros((MOST_ROWS, 5), np.int32)
        self._before = np.zeros(len(live))
        self._head = np.zeros((len(messages), kernel.HEAD_WORDS), np.int64)
        self._after = np.zeros((len(messages), 16), np.uint8)
        fields: list[list[int]] = []
        scales: list[tuple[float, float]] = []
        for m, message in enumerate(messages):
            rows = slice(first[m], first[m + 1])
            self._data[rows, : message.length] = payloads(
                message, readings, seed, self.cycles[m].sample_us, live
            )
            own = _live_signals(message, live)
            self._head[m] = self._head_of(message, rows, (len(fields), len(fields) + len(own)))
            if message.checksum is not None and message.checksum.after:
                self._after[m] = np.frombuffer(message.checksum.after, np.uint8)
            fields += [_field(signal, message, live) for signal in own]
            scales += [(signal.scale, signal.offset) for signal in own]
        self._fields = np.array(fields, np.int64).reshape(-1, kernel.FIELD_WORDS)
        self._scales = np.array(scales).reshape(-1, 2)
        self._tables = np.stack([TABLES[polynomial] for polynomial in sorted(TABLES)])
        still = self._head[self._message, kernel.FIELD_STOP] == self._head[self._message, kernel.FIELD_FIRST]
        self._bits[still] = block_bits(self._block(np.flatnonzero(still)))

    def begin(self, readings: Floats) -> int:
        """Run until the first frame is through, the live readings standing still, and return when that is."""
        self._before[:] = readings
        standing = np.asarray(readings, np.float64).reshape(1, -1)
        now_us = int(self._release_us.min())
        while self.first_us is None:
            self.advance(now_us, standing, now_us, 1)
            now_us += self.bit_us
        return self.first_us

    def advance(self, now_us: int, live: Floats, first_us: int, step_us: int) -> int:
        """Run to a time and return how many frames got through since the call before; `rows` has them.

        A sample takes the newest reading that is no younger than itself; ahead of the first one it takes the last of
        the call before.

        Args:
            now_us: until when.
            live: readings while the plant went there, (m, columns).
            first_us: time of their first row.
            step_us: time between two rows.

        """
        state = self._state
        kernel.advance(
            now_us, live, first_us, step_us, self._before, self._sample_us, self._release_us, self._data, self._bits,
            self._done_us, self._order, self._head, self._after, self._fields, self._scales, self._tables, state,
            self._rows, self.bit_us, self._start_us & CLOCK_MASK, CLOCK_MASK,
        )  # fmt: skip
        if self.first_us is None and state[kernel.DELIVERED]:
            self.first_us = int(state[kernel.FIRST_US])
        return int(state[kernel.FRESH])

    def rows(self, count: int) -> NDArray[np.int32]:
        """Return the frames that the last `advance` handed over as a target takes them, (count, 5); valid until the next."""
        return self._rows[:count]

    @property
    def delivered(self) -> int:
        """Frames that got through so far."""
        return int(self._state[kernel.DELIVERED])

    def frames(self, count: int | None = None) -> FrameBlock:
        """Return the frames that got through, in order; stamps are microseconds from START_US on, the channel is 0."""
        return self._block(self._order[: self.delivered if count is None else count], START_US)

    def samples_us(self) -> tuple[NDArray[np.int64], Longs]:
        """Return the message's number and the time of the sample of each frame that got through, in order."""
        order = self._order[: self.delivered]
        return self._message[order], self._sample_us[order]

    def worst_us(self) -> list[int]:
        """Return each message's longest time from sample to last bit."""
        order = self._order[: self.delivered]
        took = self._done_us[order] - self._sample_us[order]
        worst = np.zeros(len(self.messages), np.int64)
        np.maximum.at(worst, self._message[order], took)
        return [int(one) for one in worst]

    def cyclic(self) -> list[Cyclic]:
        """Return the messages as the response-time analysis takes them.

        Samples are taken at whole microseconds, which is up to one of jitter more; periods are those of the units' clocks.
        """
        return [
            Cyclic(
                message.name, bus_priority(message.can_id, extended=message.extended), int(cycle.period_us),
                message.jitter_us + 1, most_bits(message.length, extended=message.extended) * self.bit_us,
            )
            for message, cycle in zip(self.messages, self.cycles, strict=True)
        ]  # fmt: skip

    def load(self) -> float:
        """Return the share of the bus's time that the frames took so far, intermissions included."""
        order = self._order[: self.delivered]
        if not len(order):
            return 0.0
        return float(self._bits[order].sum()) * self.bit_us / float(self._done_us[order[-1]])

    def _head_of(self, message: Message, rows: slice, fields: tuple[int, int]) -> Longs:
        head = np.zeros(kernel.HEAD_WORDS, np.int64)
        head[kernel.NEXT] = head[kernel.MADE] = rows.start
        head[kernel.STOP] = rows.stop
        head[kernel.PRIORITY] = bus_priority(message.can_id, extended=message.extended)
        head[kernel.CAN_ID] = message.can_id
        head[kernel.EXTENDED] = message.extended
        head[kernel.KEY] = message.can_id | (EXTENDED_KEY if message.extended else 0)
        head[kernel.LENGTH] = message.length
        head[kernel.FIRST] = rows.start
        head[kernel.MUX_COUNT] = message.mux_count
        head[kernel.FIELD_FIRST], head[kernel.FIELD_STOP] = fields
        head[kernel.CRC_BYTE] = -1
        checksum = message.checksum
        if checksum is not None:
            ahead = np.frombuffer(checksum.before, np.uint8).reshape(1, -1)
            head[kernel.CRC_BYTE] = checksum.byte
            head[kernel.CRC_TABLE] = sorted(TABLES).index(checksum.polynomial)
            head[kernel.CRC_START] = crc8(ahead, checksum.polynomial, start=checksum.start, final=0)[0]
            head[kernel.CRC_FINAL] = checksum.final
            head[kernel.CRC_AFTER] = bool(checksum.after)
        return head

    def _block(self, order: NDArray[np.int64], start_us: int = 0) -> FrameBlock:
        head = self._head[self._message[order]]
        return FrameBlock(
            stamp_us=start_us + self._done_us[order],
            can_id=head[:, kernel.CAN_ID].astype(np.uint32),
            flags=np.where(head[:, kernel.EXTENDED] != 0, Flag.EXTENDED, 0).astype(np.uint8),
            length=head[:, kernel.LENGTH].astype(np.uint8),
            channel=np.zeros(len(order), np.uint8),
            data=self._data[order],
        )


def _live_signals(message: Message, live: Sequence[str]) -> list[Signal]:
    return [signal for signal in message.signals if signal.reading in live]


def _field(signal: Signal, message: Message, live: Sequence[str]) -> list[int]:
    """Return a live signal's row for the kernel."""
    field = [0] * kernel.FIELD_WORDS
    field[kernel.COLUMN] = list(live).index(signal.reading)
    field[kernel.PART] = ("value", "magnitude", "sign").index(signal.part)
    field[kernel.MUX] = -1 if message.mux is None or signal.mux is None else signal.mux
    field[kernel.LOW], field[kernel.HIGH] = signal.bounds()
    field[kernel.BITS] = signal.bits
    places = signal.places()
    field[kernel.PLACE : kernel.PLACE + len(places)] = places
    return field
