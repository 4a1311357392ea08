"""Hand-made images for the firmware's tests: every word within reach, nothing from the packer under test elsewhere.

The numbers are this project's own choices unless a test says otherwise beside them.
"""

from __future__ import annotations

import math
import os
import struct
import zlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from dashpot.layout import Layout
from dashpot.resources import firmware_dir
from dashpot.targets.contract import CLOCK_MASK, RunBlock, tick_rows

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

# Mutation runs put a changed copy here.
FIRMWARE = Path(os.environ.get("DASHPOT_FIRMWARE") or firmware_dir())
LAYOUT = Layout.load(FIRMWARE)
CORNERS = LAYOUT.corners
PERIOD_US = 2000
FIRST_ID = 0x100
ALL_LAYERS = ("body_load", "brake_lead", "steer_lead", "stroke_speed", "road_speed", "grip", "stroke_end")


class ImageBuilder:
    """An image word by word; starts as a whole and harmless calibration with every layer off.

    Every channel has a message of its own with one 32-bit little-endian signed signal in the channel's unit, so a
    test feeds values directly (see `frames`); the channels' trust follows at once and the low-passes pass all.
    """

    def __init__(self, layout: Layout = LAYOUT) -> None:
        self.layout = layout
        self.words = [0] * layout.config_words
        self.tail: list[int] = []
        self.messages: list[dict[str, int]] = []
        self.signals: list[dict[str, int]] = []
        self._defaults()

    def put(self, name: str, *values: int, at: int = 0) -> ImageBuilder:
        """Set consecutive words of a name."""
        word = self.layout.config[name]
        assert at + len(values) <= word.count, name
        self.words[word.at + at : word.at + at + len(values)] = [int(v) for v in values]
        return self

    def fill(self, name: str, value: int) -> ImageBuilder:
        """Set all words of a name to one value."""
        return self.put(name, *[value] * self.layout.config[name].count)

    def table(self, name: str, x: Sequence[int], y: Sequence[int], at: int | None = None) -> ImageBuilder:
        """Give a name, or one of its words, a table over one axis."""
        place = self._append([len(x), *x, *y])
        places = range(self.layout.config[name].count) if at is None else [at]
        for i in places:
            self.put(name, place, at=i)
        return self

    def body_load(self, x: Sequence[int], y: Sequence[int], maps: ArrayLike) -> ImageBuilder:
        """Give the body load its axes and its maps, int[4, nx, ny]."""
        values = np.asarray(maps, int).ravel().tolist()
        return self.put("body_load_table", self._append([len(x), len(y), *x, *y, *values]))

    def layers(self, *names: str) -> ImageBuilder:
        """Switch these layers on."""
        for name in names:
            self.put("layer_on", 1, at=self.layout.layers.index(name))
        return self

    def channel(self, name: str, **fields: int) -> ImageBuilder:
        """Change fields of a channel's row."""
        return self._row("channel_rows", "channel_row", self.layout.channel_index(name), fields)

    def tracker(self, index: int, **fields: int) -> ImageBuilder:
        """Change fields of a tracker's row."""
        return self._row("tracker_rows", "tracker_row", index, fields)

    def check(self, name: str, **fields: int) -> ImageBuilder:
        """Change fields of a check's row."""
        index = [check.name for check in self.layout.checks].index(name)
        return self._row("check_rows", "check_row", index, fields)

    def coils(
        self, *, mohm: int = 2200, uh: int = 12_000, response_us: int = 6000, freewheel_mv: int = 700
    ) -> ImageBuilder:
        """Give all corners a coil, and the words that its control takes from it."""
        period_us = self.words[self.layout.config["period_us"].at]
        zero = math.exp(-period_us * mohm / uh / 1000)
        share = 1 - math.exp(-period_us / response_us)
        self.put("control_us", response_us).put("freewheel_mv", freewheel_mv).put("resistance_q10", 8)
        self.fill("coil_mohm", mohm).fill("coil_uh", uh)
        self.fill("coil_zero_q10", min(1023, round(1024 * zero)))
        self.fill("coil_share_q10", round(1024 * share))
        return self.fill("coil_gain_q10", round(1024 * share / (1 - zero)))

    def message(self, signals: Sequence[dict[str, int]], **fields: int) -> ImageBuilder:
        """Add a message with its signals; fields as in the layout's rows."""
        row = dict.fromkeys(self.layout.rows["message"], 0)
        row |= {"length": 8, "crc_init": 0xFF, "crc_xor": 0xFF, "counter_max_delta": 3} | fields
        row |= {"first_signal": len(self.signals), "signal_count": len(signals)}
        self.messages.append(row)
        for signal in signals:
            empty = dict.fromkeys(self.layout.rows["signal"], 0)
            self.signals.append(empty | {"mux_value": -1, "step": -1, "num": 1, "den": 1} | signal)
        return self

    def clear_messages(self) -> ImageBuilder:
        """Take away all messages."""
        self.messages.clear()
        self.signals.clear()
        return self

    def build(self) -> bytes:
        """Give the image."""
        words, tail = list(self.words), list(self.tail)

        def place(name: str, count: int) -> None:
            words[self.layout.config[name].at] = count

        place("messages_at", len(words) + len(tail))
        place("messages_count", len(self.messages))
        self.messages.sort(key=lambda row: row["key"])
        for row in self.messages:
            tail += [row[field] for field in self.layout.rows["message"]]
        place("signals_at", len(words) + len(tail))
        place("signals_count", len(self.signals))
        for row in self.signals:
            tail += [row[field] for field in self.layout.rows["signal"]]
        place("data_ids_at", len(words) + len(tail))
        return sealed([*words, *tail], self.layout.version)

    def append(self, words: Sequence[int]) -> int:
        """Put words behind the fixed ones and give their offset."""
        return self._append(list(words))

    def _append(self, words: list[int]) -> int:
        place = self.layout.config_words + len(self.tail)
        self.tail += words
        return place

    def _row(self, name: str, row: str, index: int, fields: dict[str, int]) -> ImageBuilder:
        width = self.layout.sizes[row]
        for field, value in fields.items():
            self.put(name, value, at=index * width + self.layout.rows[row].index(field))
        return self

    def _defaults(self) -> None:
        self.put("period_us", PERIOD_US)
        for i, channel in enumerate(self.layout.channels):
            self.channel(channel.name, configured=1, timeout_us=100_000, heal_good=1)
            self.message([direct_signal(self.layout, channel.name)], key=FIRST_ID + i)
        names = [*(f"stroke_um.{c}" for c in CORNERS), "steer_ddeg", "brake_kpa", "road_speed_cm_s"]
        muls = [100, 100, 100, 100, 10000, 1000, 101972]
        limits = [1 << 27] * 4 + [1 << 19, 1 << 23, 1 << 17]
        for i, (name, mul, limit) in enumerate(zip(names, muls, limits, strict=True)):
            index = self.layout.channel_index(name)
            self.tracker(i, channel=index, alpha_q10=512, beta_q10=171, rate_mul=mul, velocity_limit=limit)
        for name in ("fade_q10", "recover_q10", "low_pass_q10", "return_q10", "leave_q10"):
            self.fill(name, 1024)
        for name in ("brake_slow_q10", "brake_decay_q10", "steer_decay_q10", "rough_q10"):
            self.fill(name, 20)
        self.put("return_below_mg", 16000).put("losses_most", 100).put("still_speed_cm_s", 32767)
        for name in (
            "grip_rise_q10",
            "grip_fall_q10",
            "grip_events",
            "grip_slow_in_q16",
            "grip_slow_out_q16",
        ):
            self.fill(name, 1)
        for name in ("base_table", "road_speed_table", "brake_lead_table"):
            self.table(name, [0, 1], [0, 0])
        self.table("grip_ask_table", [0, 1], [16000, 16000])
        self.table("steer_yaw_table", [0, 1], [0, 0])
        self.body_load([-1, 1], [-1, 1], np.zeros((4, 2, 2)))
        self.put("steer_fade_cm_s", 600, 1200)
        # 2 and 6 in/s [C].
        self.put("band_edge_mm_s", 51, 152).put("band_blend_mm_s", 10)
        self.put("rough_brake_kpa", 1000, 3000).put("rough_mm_s", 60, 200)
        self.fill("end_start_um", 30000).fill("end_stop_um", 42000).put("end_moving_mm_s", 20)
        self.fill("grip_scale_permille", 1000)
        self.fill("demand_max_permille", 1000)
        self.table("valve_table", [0, 1000], [300, 1600])
        self.fill("safe_ma", 800).fill("least_ma", 300).fill("most_ma", 1600)
        self.fill("slew_up_ma", 2000).fill("slew_down_ma", 2000)
        # No check is on; the last guard has room for every pair of currents, and half a second of patience.
        self.put("check_from_cm_s", 500).put("straight_step_q4", 16).put("resistance_permille", 700, 1700)
        self.fill("axle_spread_ma", 5000).put("command_expiry_us", 500_000).put("tracking_least_ma", 50)
        self.fill("match_ma", 800).fill("derate_ma", 1200)
        self.coils()


def direct_signal(layout: Layout, channel: str) -> dict[str, int]:
    """Row of a 32-bit signed little-endian signal at byte 0 which carries a channel's value as it is."""
    limit = layout.channels[layout.channel_index(channel)].limit
    return {
        "channel": layout.channel_index(channel),
        "step": -1,
        "first": 3,
        "count": 2,
        "mask": 0xFFFF,
        "flip": 0x8000,
        "less": 0x8000,
        "low_count": 2,
        "low_first": 1,
        "clip_low": -limit - 1,
        "clip_high": limit + 1,
        "range_low": -limit,
        "range_high": limit,
    }


def sealed(words: Sequence[int], version: int, names: bytes = b"") -> bytes:
    """Put a header with a right CRC before words."""
    payload = struct.pack(f"<{len(words)}i", *words) + names
    head = b"DPIM" + struct.pack("<III", version, len(words), len(names))
    return head + struct.pack("<I", zlib.crc32(head + payload)) + payload


def block(
    values: dict[str, ArrayLike],
    *,
    ticks: int | None = None,
    period_us: int = PERIOD_US,
    start_us: int = 0,
    first_tick: int = 0,
    layout: Layout = LAYOUT,
) -> RunBlock:
    """Make ticks that receive one frame for each named channel in each tick, as `ImageBuilder` maps them.

    Args:
        values: by channel name, in the channel's unit, one value a tick or one for all.
        ticks: how many, if no value is an array.

    """
    arrays = {name: np.atleast_1d(np.asarray(value, np.int64)) for name, value in values.items()}
    n = max([ticks or 1, *(len(a) for a in arrays.values())])
    now = start_us + period_us * np.arange(first_tick + 1, first_tick + n + 1)
    rows = np.zeros((n, len(arrays), 5), np.int32)
    for i, (name, value) in enumerate(arrays.items()):
        rows[:, i, 0] = (now - 300) & CLOCK_MASK
        rows[:, i, 1] = FIRST_ID + layout.channel_index(name)
        rows[:, i, 2] = 8
        rows[:, i, 3] = value
    ticks_in = tick_rows(layout.rows["tick_in"], now & CLOCK_MASK, len(arrays))
    return RunBlock(first_tick, ticks_in, rows.reshape(-1, 5), now)


def with_inputs(whole: RunBlock, *, layout: Layout = LAYOUT, **inputs: ArrayLike) -> RunBlock:
    """Give a block whose board says this in each tick: fields of `tick_in`, one value a tick or one for all."""
    ticks = whole.ticks.copy()
    for name, value in inputs.items():
        ticks[:, layout.rows["tick_in"].index(name)] = value
    return RunBlock(whole.first_tick, ticks, whole.frames, whole.log_us)


def raw_block(frames: Sequence[tuple[int, bytes]], *, now_us: int, layout: Layout = LAYOUT) -> RunBlock:
    """Make one tick that receives these frames, (key, payload)."""
    rows = np.zeros((len(frames), 5), np.int32)
    for row, (key, payload) in zip(rows, frames, strict=True):
        row[:3] = (now_us - 100) & CLOCK_MASK, key, len(payload)
        row[3:] = np.frombuffer(payload.ljust(8, b"\0"), "<i4")
    ticks = tick_rows(layout.rows["tick_in"], now_us & CLOCK_MASK, len(frames))
    return RunBlock(0, ticks, rows, np.array([now_us]))


def column(trace: NDArray[np.int32], name: str, layout: Layout = LAYOUT) -> NDArray[np.int32]:
    """Columns of a traced word: int32[n] for a single one, int32[n, count] for a run."""
    word = layout.state[name]
    part = trace[:, word.at : word.at + word.count]
    return part[:, 0] if word.count == 1 else part


def layer(trace: NDArray[np.int32], name: str, layout: Layout = LAYOUT) -> NDArray[np.int32]:
    """Contributions of a layer, int32[n, 4]."""
    at = layout.state["layer_permille"].at + len(layout.corners) * layout.layers.index(name)
    return trace[:, at : at + len(layout.corners)]
