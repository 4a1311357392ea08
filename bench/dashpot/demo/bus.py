"""The Merlin T4's chassis bus: which message goes out when, with which bits, and when it has got through.

The table MESSAGES says again what dbc/merlin_t4.dbc says; tests/test_dbc.py holds one to the other through cantools,
so that the demo needs no DBC parser and the DBC has an independent check. Frames are released with their period, the
clock error of their unit and some jitter, then fight for the bus by identifier, bit-exact in length; the stamp is the
time at which the frame's last bit was over, as a recorder would have it.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.canbits import block_bits
from dashpot.demo import protect
from dashpot.demo.lap import STEP_US, stream
from dashpot.demo.sensors import CORNERS, Reading, read_sensors
from dashpot.logs.frames import CLASSIC_BYTES, Flag, FrameBlock, join_blocks, split_block

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

    from dashpot.demo.lap import DemoLap
    from dashpot.demo.path import Floats

BIT_US = 2  # 500 kbit/s
INTERMISSION_BITS = 3
# The log's first instant: a round number of seconds after 1970 that stands for no date.
START_US = 1_000_000_000 * 1_000_000
# Crystals of different units run apart by some tens of parts per million [C].
CLOCK_ERROR_PPM = 25.0


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

    def places(self) -> list[int]:
        """Return the DBC bit numbers of the signal, least significant first."""
        if not self.big_endian:
            return list(range(self.start, self.start + self.bits))
        places = [self.start]
        while len(places) < self.bits:
            places.append(places[-1] - 1 if places[-1] % 8 else places[-1] + 15)
        return places[::-1]

    def counts(self, physical: Floats) -> NDArray[np.int64]:
        """Quantise; a value past the range stays at its end.

        In signals of more than a byte the last code, all ones or the most negative, is left to "no signal".
        """
        span = 1 << self.bits
        low, high = (1 - span // 2, span // 2 - 1) if self.signed else (0, span - 1 - (self.bits > 8))
        counts: NDArray[np.int64] = np.clip(np.rint((physical - self.offset) / self.scale), low, high).astype(
            np.int64
        )
        return counts

    def pack(
        self, data: NDArray[np.uint8], counts: NDArray[np.int64], rows: NDArray[np.intp] | slice
    ) -> None:
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
        signals: what it carries besides counter, checksum and multiplexer.
        jitter_us: a release is late by 0 to this.
        extended: 29-bit identifier.
        counter: where the alive counter is, or None.
        counts: how many values the counter takes.
        protect: writes the checksum into finished payloads, or None.
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
    protect: Callable[[NDArray[np.uint8]], None] | None = None
    mux: Signal | None = None
    mux_count: int = 1


BRAKE_DATA_ID = 0x4D21
YAW_DATA_IDS = tuple(bytes.fromhex("3A915CE708B26FD41D83C946F0257BAE"))


def _corner_signals(corner: str, mux: int) -> tuple[Signal, ...]:
    return (
        Signal(f"TyreTemp{corner}", 8, 10, 0.25, -40.0, mux=mux),
        Signal(f"CoilTemp{corner}", 24, 16, 0.1, signed=True, mux=mux),
        Signal(f"OilTemp{corner}", 47, 12, 0.1, -50.0, big_endian=True, mux=mux),
    )


MESSAGES: tuple[Message, ...] = (
    Message(
        "Suspension_Strokes", 0x0C4, 8, 2_000, 300, "stroke",
        tuple(Signal(f"Stroke{corner}", 16 * index, 16, 0.01) for index, corner in enumerate(CORNERS)),
        jitter_us=40,
    ),
    Message(
        "Inertial", 0x0D2, 8, 10_000, 1_100, "inertial",
        (
            Signal("LatAccel", 7, 16, 0.002, signed=True, big_endian=True),
            Signal("LongAccel", 23, 16, 0.002, signed=True, big_endian=True),
            Signal("VertAccel", 39, 16, 0.002, signed=True, big_endian=True),
            Signal("InertialState", 55, 4, big_endian=True),
        ),
        counter=Signal("InertialCounter", 51, 4, big_endian=True),
        protect=lambda data: protect.protect_plain(data, 7, protect.J1850_POLYNOMIAL),
    ),
    Message(
        "Brake_Pressures", 0x0E1, 8, 10_000, 3_400, "brake",
        (
            Signal("BrakeLight", 12, 1),
            Signal("BrakeFront", 16, 16, 0.01, -5.0),
            Signal("BrakeRear", 32, 16, 0.01, -5.0),
            Signal("PedalTravel", 48, 8, 0.5),
        ),
        counter=Signal("BrakeCounter", 8, 4),
        counts=15,
        protect=lambda data: protect.protect_profile_1(data, BRAKE_DATA_ID),
    ),
    Message(
        "Steering", 0x0EA, 5, 10_000, 5_700, "steering",
        (
            Signal("SteerSign", 7, 1, big_endian=True, source="Steer", part="sign"),
            Signal("SteerAngle", 6, 15, 0.1, big_endian=True, source="Steer", part="magnitude"),
            Signal("SteerRateSign", 23, 1, big_endian=True, source="SteerRate", part="sign"),
            Signal("SteerRate", 22, 15, 0.5, big_endian=True, part="magnitude"),
            Signal("SteerState", 39, 4, big_endian=True),
        ),
        counter=Signal("SteerCounter", 35, 4, big_endian=True),
    ),
    Message(
        "Yaw_Rate", 0x0F3, 6, 10_000, 1_100, "inertial",
        (
            Signal("YawState", 12, 4),
            Signal("YawRate", 16, 16, 0.01, signed=True),
            Signal("YawSensorTemp", 32, 8, 1.0, -40.0),
        ),
        counter=Signal("YawCounter", 8, 4),
        protect=lambda data: protect.protect_profile_2(data, YAW_DATA_IDS),
    ),
    Message(
        "Wheel_Speeds", 0x1A4, 8, 20_000, 3_400, "brake",
        tuple(Signal(f"WheelSpeed{corner}", 7 + 16 * index, 16, 0.01, big_endian=True) for index, corner in enumerate(CORNERS)),
    ),
    Message(
        "Road_Speed", 0x1B0, 4, 20_000, 3_400, "brake",
        (Signal("RoadSpeed", 0, 16, 0.01), Signal("RoadSpeedState", 20, 4)),
        counter=Signal("RoadSpeedCounter", 16, 4),
        protect=lambda data: protect.protect_plain(data, 3, protect.H2F_POLYNOMIAL),
    ),
    Message(
        "Supply_Switches", 0x2D8, 4, 100_000, 21_900, "body",
        (
            Signal("SupplyVoltage", 0, 12, 0.005),
            Signal("DriverMode", 12, 3),
            Signal("GripSwitch", 15, 2),
            Signal("FirmnessKnob", 17, 4, signed=True),
            Signal("Ignition", 21, 1),
            Signal("AmbientTemp", 24, 8, 0.5, -40.0),
        ),
        jitter_us=400,
    ),
    Message(
        "Corner_Temperatures", 0x355, 8, 100_000, 48_600, "stroke",
        tuple(signal for mux, corner in enumerate(CORNERS) for signal in _corner_signals(corner, mux)),
        jitter_us=400,
        mux=Signal("CornerSelect", 0, 2),
        mux_count=4,
    ),
    Message(
        "Lap_Beacon", 0x15A7C0D3, 4, 100_000, 77_200, "lap",
        (Signal("LapDistance", 0, 20, 0.01), Signal("LapNumber", 20, 8), Signal("Sector", 28, 4)),
        jitter_us=900,
        extended=True,
    ),
)  # fmt: skip


def payloads(
    message: Message, readings: dict[str, Reading], lap: DemoLap, at_us: NDArray[np.int64]
) -> NDArray[np.uint8]:
    """Return the finished payloads (n, length) of a message whose samples are taken at the given times."""
    rng = stream(lap.seed, f"noise {message.name}")
    data = np.zeros((len(at_us), message.length), np.uint8)
    number = np.arange(len(at_us))
    sampled: dict[str, Floats] = {}
    for signal in message.signals:
        source = signal.source or signal.name
        if source not in sampled:
            sampled[source] = readings[source].sample(at_us, rng)
        value = sampled[source]
        if signal.part == "magnitude":
            value = np.abs(value)
        elif signal.part == "sign":
            value = (value < 0.0).astype(np.float64)
        if signal.mux is None:
            signal.pack(data, signal.counts(value), slice(None))
        else:
            rows = np.flatnonzero(number % message.mux_count == signal.mux)
            signal.pack(data, signal.counts(value[rows]), rows)
    if message.mux is not None:
        message.mux.pack(data, number % message.mux_count, slice(None))
    if message.counter is not None:
        message.counter.pack(data, number % message.counts, slice(None))
    if message.protect is not None:
        message.protect(data)
    return data


def frames(lap: DemoLap) -> Iterator[FrameBlock]:
    """Yield the lap as it goes over the bus, in the order in which frames get through.

    Stamps are microseconds from START_US on; the channel is 0 throughout.
    """
    readings = read_sensors(lap)
    released = join_blocks([_released(message, readings, lap) for message in MESSAGES])
    priority = bus_priority(released.can_id, released.flags)
    order = np.lexsort((priority, released.stamp_us))
    released, priority = released.select(order), priority[order]
    done_us = arbitrate(released.stamp_us, priority, block_bits(released))
    sent = replace(released, stamp_us=START_US + done_us)
    yield from split_block(sent.select(np.argsort(done_us, kind="stable")))


def _released(message: Message, readings: dict[str, Reading], lap: DemoLap) -> FrameBlock:
    """Return a message's frames with the times at which its unit wants to send them, from the start of the log."""
    end_us = (len(lap.time_s) - 1) * STEP_US
    clock = 1.0 + CLOCK_ERROR_PPM * 1e-6 * float(stream(lap.seed, f"clock {message.unit}").normal())
    sample_us = np.arange(message.phase_us, end_us, message.period_us * clock).astype(np.int64)
    late_us = stream(lap.seed, f"jitter {message.name}").integers(0, message.jitter_us + 1, len(sample_us))
    count = len(sample_us)
    data = np.zeros((count, CLASSIC_BYTES), np.uint8)
    data[:, : message.length] = payloads(message, readings, lap, sample_us)
    return FrameBlock(
        stamp_us=sample_us + late_us,
        can_id=np.full(count, message.can_id, np.uint32),
        flags=np.full(count, int(Flag.EXTENDED) if message.extended else 0, np.uint8),
        length=np.full(count, message.length, np.uint8),
        channel=np.zeros(count, np.uint8),
        data=data,
    )


def bus_priority(can_id: NDArray[np.uint32], flags: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Return the order in which data frames win the bus, lowest first, each (n,).

    The first 11 bits decide; where they are equal, a standard frame beats an extended one (its RTR and IDE bits are
    dominant, the other's SRR and IDE recessive).
    """
    wide = can_id.astype(np.int64)
    extended = wide >> 18 << 19 | 1 << 18 | wide & 0x3FFFF
    return np.where(flags & int(Flag.EXTENDED), extended, wide << 19)


def arbitrate(
    release_us: NDArray[np.int64], priority: NDArray[np.int64], bits: NDArray[np.int64]
) -> NDArray[np.int64]:
    """Return when each frame's last bit is over.

    Whenever the bus is free, the waiting frame of the lowest priority value goes; nothing interrupts it.

    Args:
        release_us: (n,), rising.
        priority: (n,), of bus_priority.
        bits: (n,), exact length of each frame with the intermission that follows it.

    """
    releases, priorities = release_us.tolist(), priority.tolist()
    taken_us = (bits * BIT_US).tolist()
    done = [0] * len(releases)
    waiting: list[tuple[int, int]] = []
    now, following = 0, 0
    while waiting or following < len(releases):
        if not waiting:
            now = max(now, releases[following])
        while following < len(releases) and releases[following] <= now:
            heapq.heappush(waiting, (priorities[following], following))
            following += 1
        _, frame = heapq.heappop(waiting)
        now += taken_us[frame]
        done[frame] = now - INTERMISSION_BITS * BIT_US
    return np.array(done, np.int64)
