"""Random drives: ticks, frames and what the board says, for the messages of a random image.

A simple car gives values that agree with each other, so that the checks compare; then faults are put in: values that
stick, jump or drift, frames that fail, repeat or stay away, ticks that are late or early, a clock that wraps, a supply
that sags, coils that break, and starts with a cause.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant import checksums
from dashpot.targets.contract import CAUSES, CLOCK_MASK, NOMINAL_INPUTS, RunBlock, tick_rows
from fuzzing.images import MODULO, scale_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from dashpot.layout import Layout
    from fuzzing.images import Message, RandomImage

    Longs = NDArray[np.int64]

#: Ticks of a drive, most that go to the firmware at once, and frames likewise.
TICKS = 2048
MOST_TICKS = 512
MOST_FRAMES = 4000
#: Most frames of one tick that are made up.
BURST = 60
SUPPLIES_MV = (0, 1, 749, 1000, 5999, 6000, 8999, 9000, 12_000, 16_501, 18_001, 32_767)
COILS = (0, 1, 99, 100, 101, 500, 699, 1701, 2000, 10_000, 39_999, 40_000, 60_000)
SPEED_YAW = 5619


@dataclass(frozen=True)
class Drive:
    """Ticks in the parts in which they are sent, each with the start that comes before it, if any.

    Attributes:
        parts: what `Target.run` gets, in order.
        starts: cause of a start before a part, by the part's number.

    """

    parts: tuple[RunBlock, ...]
    starts: dict[int, str]

    @property
    def ticks(self) -> int:
        """Ticks of all parts."""
        return sum(len(part.ticks) for part in self.parts)

    @property
    def frames(self) -> int:
        """Frames of all parts."""
        return sum(len(part.frames) for part in self.parts)


def random_drive(
    random: np.random.Generator, image: RandomImage, layout: Layout, ticks: int = TICKS
) -> Drive:
    """Make a drive for an image."""
    maker = _Maker(random, image, layout, ticks)
    rows, frames = maker.rows()
    parts = tuple(_parts(rows, frames))
    starts: dict[int, str] = {}
    if random.random() < 0.25:
        starts[0] = "power_on"
        for part in range(1, len(parts)):
            if random.random() < 0.4:
                starts[part] = str(random.choice(list(CAUSES)))
    return Drive(parts, starts)


def _parts(rows: NDArray[np.int32], frames: NDArray[np.int32]) -> Iterator[RunBlock]:
    ends = np.cumsum(rows[:, 1])
    first = 0
    while first < len(rows):
        sent = int(ends[first - 1]) if first else 0
        stop = min(first + MOST_TICKS, int(np.searchsorted(ends, sent + MOST_FRAMES, "right")))
        log_us = np.arange(first, stop, dtype=np.int64)
        yield RunBlock(first, rows[first:stop], frames[sent : int(ends[stop - 1])], log_us)
        first = stop


class _Maker:
    def __init__(self, random: np.random.Generator, image: RandomImage, layout: Layout, ticks: int) -> None:
        self.random = random
        self.image = image
        self.layout = layout
        self.ticks = ticks
        self.period_us = image.words["period_us"][0]
        self.rough = bool(random.random() < 0.6)
        self.dt_us = self.intervals()
        # Half of all drives pass the wrap of the clock.
        length = int(self.dt_us.sum())
        start = (
            int(random.integers(0, 1 << 30))
            if random.random() < 0.5
            else (1 << 30) - int(random.integers(0, length + 1))
        )
        self.now_us = start + np.cumsum(self.dt_us)

    def spans(self, most: int) -> Iterator[slice]:
        """Some stretches of ticks, short and long."""
        for _ in range(int(self.random.integers(0, most + 1))):
            first = int(self.random.integers(0, self.ticks))
            yield slice(first, first + 1 + int(2.0 ** self.random.uniform(0, 11)))

    def intervals(self) -> Longs:
        """Microseconds before each tick."""
        period = self.period_us
        dt = np.full(self.ticks, period, np.int64)
        if self.rough:
            edges = [0, 1, period // 2, period - 1, period + 1, period * 3 // 2, period * 3 // 2 + 1, 2 * period,
                     16 * period, 17 * period, 20_000, 20_001, 1_000_000, (1 << 29) - 1]  # fmt: skip
            odd = self.random.random(self.ticks) < 0.01
            dt[odd] = self.random.choice(edges, int(odd.sum()))
            for span in self.spans(2):
                dt[span] = int(self.random.choice(edges[:10]))
        return dt

    def rows(self) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        """Rows of ticks, and rows of frames."""
        values = self.car()
        self.break_values(values)
        ticks, frames = self.frames(values)
        order = np.argsort(ticks, kind="stable")
        counts = np.bincount(ticks, minlength=self.ticks)
        rows = tick_rows(self.layout.rows["tick_in"], self.now_us & CLOCK_MASK, counts)
        place = self.layout.rows["tick_in"].index
        if self.rough:
            lost = self.random.random(self.ticks) < 0.005
            rows[lost, place("lost")] = self.random.choice((1, 2, 5000), int(lost.sum()))
            for span in self.spans(3):
                rows[span, place("supply_mv")] = int(self.random.choice(SUPPLIES_MV))
            for span in self.spans(3):
                rows[span, place("flags")] |= 1 << int(self.random.integers(len(self.layout.board_flags)))
            coils = [place(name) for name in NOMINAL_INPUTS if name.startswith("coil")]
            for span in self.spans(3):
                rows[span, int(self.random.choice(coils))] = int(self.random.choice(COILS))
        return rows, frames[order]

    def walk(self, step: float, least: float, most: float) -> NDArray[np.float64]:
        """A smooth random walk that turns back at its bounds."""
        knots = self.random.uniform(least, most, self.ticks // 128 + 2)
        raw = np.interp(np.arange(self.ticks) / 128, np.arange(len(knots)), knots)
        return np.asarray(raw + self.random.normal(0, step, self.ticks))

    def car(self) -> dict[str, NDArray[np.float64]]:
        """Values of every channel that agree with each other, by name, in its unit."""
        fast = self.random.random() < 0.8
        speed = np.maximum(0, self.walk(0, 800 if fast else 0, 5000 if fast else 300))
        yaw = self.walk(0, -1500, 1500) * np.minimum(1, 2500 / np.maximum(speed, 1))
        lateral = speed * yaw / SPEED_YAW
        change = np.gradient(speed) / np.maximum(self.period_us, 1) * 1e6 / 980.665 * 1000
        longitudinal = np.clip(change, -1200, 800)
        # The steering that a yaw gain of 10 deg/s for 100 degrees asks for.
        values = {
            "lateral_mg": lateral + self.random.normal(0, 10, self.ticks),
            "longitudinal_mg": longitudinal + self.random.normal(0, 10, self.ticks),
            "vertical_mg": self.random.normal(0, 50, self.ticks),
            "brake_kpa": np.maximum(0, -longitudinal) * 8 + self.random.normal(0, 5, self.ticks) ** 2,
            "steer_ddeg": yaw,
            "yaw_cdeg_s": yaw + self.random.normal(0, 5, self.ticks),
            "road_speed_cm_s": speed,
            "supply_mv": 13_500 + self.random.normal(0, 20, self.ticks),
            "grip_switch": np.repeat(self.random.integers(0, 4, self.ticks // 256 + 1), 256)[: self.ticks],
            "driver_switch": np.repeat(self.random.integers(0, 4, self.ticks // 256 + 1), 256)[: self.ticks],
        }
        for i, corner in enumerate(self.layout.corners):
            values[f"wheel_speed_cm_s.{corner}"] = speed + self.random.normal(0, 10, self.ticks)
            roll = (1 if i & 1 else -1) * 25 * lateral
            values[f"stroke_um.{corner}"] = roll + self.walk(300, -8000, 8000)
        return {name: np.asarray(value, float) for name, value in values.items()}

    def break_values(self, values: dict[str, NDArray[np.float64]]) -> None:
        """Put faults into some channels for some time."""
        names = list(values)
        for span in self.spans(6):
            name = names[int(self.random.integers(len(names)))]
            value = values[name]
            limit = self.layout.channels[self.layout.channel_index(name)].limit
            kind = int(self.random.integers(0, 7))
            if kind == 0:
                value[span] = value[span.start]
            elif kind == 1:
                value[span] += self.random.uniform(-limit, limit)
            elif kind == 2:
                value[span] = self.random.choice((-limit, limit, limit - 1, 0, 2 * limit))
            elif kind == 3:
                value[span] += self.random.normal(0, limit / 8, len(value[span]))
            elif kind == 4:
                value[span] *= -1
            elif kind == 5:
                value[span] += np.arange(len(value[span])) * self.random.uniform(-limit, limit) / 500
            else:
                value[span] = self.random.uniform(-limit, limit, len(value[span]))

    def frames(self, values: dict[str, NDArray[np.float64]]) -> tuple[Longs, NDArray[np.int32]]:
        """The tick and the row of every frame, message by message."""
        ticks, rows = [], []
        for message in self.image.messages:
            every = int(self.random.choice((1, 2, 5, 20)))
            at = np.arange(int(self.random.integers(every)), self.ticks, every)
            here = np.ones(self.ticks, bool)
            for span in self.spans(1 if self.rough else 0):
                here[span] = False
            at = at[here[at]]
            ticks.append(at)
            rows.append(self.message_rows(message, at, values))
        if self.rough:
            at = np.sort(self.random.integers(0, self.ticks, int(self.random.integers(0, 100))))
            burst = int(self.random.integers(0, self.ticks))
            at = np.concatenate([at, np.full(int(self.random.integers(0, BURST)), burst)])
            ticks.append(at)
            rows.append(self.junk_rows(at))
        return np.concatenate(ticks), np.concatenate(rows)

    def message_rows(
        self, message: Message, at: Longs, values: dict[str, NDArray[np.float64]]
    ) -> NDArray[np.int32]:
        data = self.random.integers(0, 256, (len(at), 8)).astype(np.uint8)
        for i, channel in enumerate(message.channels):
            raw = np.clip(np.rint(values[channel][at] / scale_of(channel)), -0x8000, 0x7FFF).astype("<i2")
            data[:, 2 + 2 * i : 4 + 2 * i] = np.ascontiguousarray(raw).view(np.uint8).reshape(-1, 2)
        if message.kind != "none":
            self.protect(message, data)
        rows = np.zeros((len(at), 5), np.int32)
        rows[:, 0] = self.stamps(at)
        rows[:, 1] = message.key
        rows[:, 2] = 8
        if self.rough:
            short = self.random.random(len(at)) < 0.003
            rows[short, 2] = self.random.integers(0, 8, int(short.sum()))
            bad = np.flatnonzero(self.random.random(len(at)) < 0.005)
            data[bad, self.random.integers(0, 8, len(bad))] ^= (
                1 << self.random.integers(0, 8, len(bad))
            ).astype(np.uint8)
        rows[:, 3:] = data.view("<i4")
        return rows

    def protect(self, message: Message, data: NDArray[np.uint8]) -> None:
        steps = np.ones(len(data), np.int64)
        if self.rough:
            odd = self.random.random(len(data)) < 0.005
            steps[odd] = self.random.integers(0, 8, int(odd.sum()))
        data[:, 1] = data[:, 1] & 0xF0 | np.cumsum(steps) % MODULO[message.kind]
        if message.kind == "e2e_p1":
            checksums.profile_1(message.data_id).write(data)
        elif message.kind == "e2e_p2":
            checksums.profile_2(message.data_ids).write(data)
        else:
            polynomial = checksums.J1850_POLYNOMIAL if message.kind == "j1850" else checksums.H2F_POLYNOMIAL
            checksums.plain(0, polynomial).write(data)

    def stamps(self, at: Longs) -> Longs:
        """When the frames were on the bus: before their tick, now and then long before it or after it."""
        back = self.random.integers(0, self.period_us, len(at))
        if self.rough:
            odd = self.random.random(len(at)) < 0.005
            back[odd] = self.random.choice((-5, 0, 100_000, (1 << 28) - 1, 1 << 28, 1 << 29), int(odd.sum()))
        return np.asarray((self.now_us[at] - back) & CLOCK_MASK)

    def junk_rows(self, at: Longs) -> NDArray[np.int32]:
        """Frames of any identifier, also known ones, with any bytes."""
        rows = np.zeros((len(at), 5), np.int32)
        rows[:, 0] = self.stamps(at)
        known = np.array([message.key for message in self.image.messages])
        other = self.random.integers(0, 1 << 29, len(at)) | (self.random.integers(0, 2, len(at)) << 29)
        rows[:, 1] = np.where(self.random.random(len(at)) < 0.3, self.random.choice(known, len(at)), other)
        rows[:, 2] = self.random.integers(0, 9, len(at))
        rows[:, 3:] = self.random.integers(-(1 << 31), 1 << 31, (len(at), 2))
        return rows
