"""A small hand-made image and logs for the tests of targets, replay and runs, independent of the packer.

One message of four 16-bit accelerations and pressures, one of four strokes; every layer on. Enough to move the
currents, small enough to reason about.
"""

from __future__ import annotations

import json
import os
import struct
import zlib
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from dashpot.layout import Layout
from dashpot.logs.frames import FrameBlock
from dashpot.resources import firmware_dir

# Nothing of the tests in the user's cache, and no image of an earlier run in the tests; also for their processes.
os.environ["DASHPOT_CACHE"] = ""

FIRMWARE = firmware_dir()
BODY_ID = 0x100
STROKE_ID = 0x18FF0001
PERIOD_US = 2000


@cache
def layout() -> Layout:
    return Layout.load(FIRMWARE)


class ImageBuilder:
    """Fills the words of an image by their names."""

    def __init__(self) -> None:
        self.layout = layout()
        self.words = [0] * self.layout.config_words

    def put(self, name: str, *values: int) -> None:
        word = self.layout.config[name]
        wanted = values * word.count if len(values) == 1 else values
        assert len(wanted) == word.count, name
        self.words[word.at : word.at + word.count] = wanted

    def append(self, *values: int) -> int:
        at = len(self.words)
        self.words += values
        return at

    def row(self, kind: str, **fields: int) -> list[int]:
        names = self.layout.rows[kind]
        assert set(fields) <= set(names)
        return [fields.get(name, 0) for name in names]

    def bytes(self, names: dict[str, Any]) -> bytes:
        text = json.dumps(names, sort_keys=True, separators=(",", ":")).encode()
        payload = struct.pack(f"<{len(self.words)}i", *self.words) + text
        head = struct.pack("<4sIII", b"DPIM", self.layout.version, len(self.words), len(text))
        return head + struct.pack("<I", zlib.crc32(head + payload)) + payload


def signal(builder: ImageBuilder, channel: str, byte: int) -> list[int]:
    """A signed 16-bit little-endian signal, one channel unit a count; strokes ten."""
    stroke = channel.startswith("stroke_um")
    limit = builder.layout.channels[builder.layout.channel_index(channel)].limit
    most = min(limit // (10 if stroke else 1), 32767)
    return builder.row(
        "signal", channel=builder.layout.channel_index(channel), mux_value=-1, step=-1, first=byte + 1, count=2,
        mask=0xFFFF, flip=0x8000, less=0x8000, clip_low=-32768, clip_high=32767, num=10 if stroke else 1, den=1,
        range_low=-most * (10 if stroke else 1), range_high=most * (10 if stroke else 1),
    )  # fmt: skip


def make_image(
    *,
    period_us: int = PERIOD_US,
    required: tuple[str, ...] = ("lateral_mg",),
    names: dict[str, Any] | None = None,
) -> bytes:
    b = ImageBuilder()
    corners = b.layout.corners
    body = ("lateral_mg", "longitudinal_mg", "brake_kpa", "road_speed_cm_s")
    strokes = tuple(f"stroke_um.{corner}" for corner in corners)
    b.put("period_us", period_us)
    b.put("fade_q10", 64)
    b.put("recover_q10", 64)
    b.put("low_pass_q10", 200)
    b.put("losses_most", 100)
    b.put("return_below_mg", 16_000)
    b.put("still_speed_cm_s", 1000)
    b.put("layer_on", 1)
    for name in (
        "brake_slow_q10", "brake_decay_q10", "steer_decay_q10", "rough_q10", "grip_rise_q10", "grip_fall_q10",
        "return_q10", "leave_q10",
    ):  # fmt: skip
        b.put(name, 20)
    b.put("steer_fade_cm_s", 500, 800)
    b.put("band_edge_mm_s", 51, 152)
    b.put("band_blend_mm_s", 10)
    b.put("band_trim_permille", 40)
    b.put("rough_brake_kpa", 1000, 2000)
    b.put("rough_mm_s", 100, 200)
    b.put("brake_lead_peak_permille", 300)
    b.put("grip_ask_kpa", 500)
    b.put("grip_low_sq", 490_000)
    b.put("grip_high_sq", 722_500)
    b.put("grip_events", 3)
    b.put("grip_slow_in_q16", 30)
    b.put("grip_slow_out_q16", 30)
    b.put("grip_scale_permille", 700)
    b.put("end_start_um", 30_000)
    b.put("end_stop_um", 40_000)
    b.put("end_peak_permille", 500)
    b.put("end_moving_mm_s", 20)
    b.put("demand_max_permille", 1000)
    b.put("safe_ma", 600)
    b.put("least_ma", 200)
    b.put("most_ma", 1600)
    b.put("slew_up_ma", 40)
    b.put("slew_down_ma", 40)
    # No check is on, and the board controls the currents by itself.
    b.put("check_from_cm_s", 500)
    b.put("straight_step_q4", 16)
    b.put("resistance_permille", 700, 1700)
    b.put("tracking_least_ma", 50)
    b.put("coil_gain_q10", 1024)
    b.put("coil_share_q10", 1024)
    b.put("coil_mohm", 2200)
    b.put("coil_uh", 12_000)
    b.put("resistance_q10", 8)
    b.put("match_ma", 600)
    b.put("derate_ma", 1600)
    b.put("axle_spread_ma", 1600)
    b.put("command_expiry_us", 500_000)
    rows: list[int] = []
    for channel in b.layout.channels:
        known = channel.name in body + strokes
        rows += b.row(
            "channel_row", configured=int(known), timeout_us=100_000, heal_good=3,
            required=int(channel.name in required),
        )  # fmt: skip
    b.put("channel_rows", *rows)
    trackers = [*strokes, "steer_ddeg", "brake_kpa", "road_speed_cm_s"]
    rates = {
        "steer_ddeg": (10_000, 1 << 19),
        "brake_kpa": (1000, 1 << 23),
        "road_speed_cm_s": (101_972, 1 << 17),
    }
    rows = []
    for name in trackers:
        rate, limit = rates.get(name, (100, 1 << 27))
        rows += b.row(
            "tracker_row", channel=b.layout.channel_index(name), alpha_q10=512, beta_q10=171, rate_mul=rate // 100,
            velocity_limit=limit,
        )  # fmt: skip
    b.put("tracker_rows", *rows)
    flat = b.append(2, 0, 10, 100, 100)
    for name in ("base_table", "road_speed_table", "grip_ask_table", "brake_lead_table", "steer_yaw_table"):
        b.put(name, flat)
    b.put("body_load_table", b.append(2, 2, -1000, 1000, -1000, 1000, *([-300, -100, 100, 300] * 4)))
    b.put("valve_table", b.append(2, 0, 1000, 200, 1600))
    signals = [signal(b, name, 2 * i) for i, name in enumerate(body)]
    signals += [signal(b, name, 2 * i) for i, name in enumerate(strokes)]
    b.put("signals_at", b.append(*(word for row in signals for word in row)))
    b.put("signals_count", len(signals))
    keys = (BODY_ID, STROKE_ID | 0x20000000)
    messages = [
        b.row("message", key=key, length=8, first_signal=4 * i, signal_count=4) for i, key in enumerate(keys)
    ]
    b.put("messages_at", b.append(*(word for row in messages for word in row)))
    b.put("messages_count", len(messages))
    b.put("data_ids_at", len(b.words))
    return b.bytes(names or {})


def make_frames(seconds: float = 4.0, *, first_us: int = 0, seed: int = 1) -> FrameBlock:
    """Return frames of both messages every 2 ms, half a millisecond apart, sines and noise in them."""
    pairs = int(seconds * 500)
    rng = np.random.default_rng(seed)
    at_s = np.arange(pairs) * 0.002
    body = np.stack(
        [
            900 * np.sin(2 * np.pi * 0.5 * at_s),
            700 * np.cos(2 * np.pi * 0.4 * at_s),
            np.maximum(0, 6000 * np.sin(2 * np.pi * 0.3 * at_s)),
            4000 + 500 * np.sin(at_s),
        ],
        axis=1,
    )
    strokes = 2000 * np.sin(2 * np.pi * 1.5 * at_s)[:, None] + rng.normal(0, 30, (pairs, 4))
    data = np.empty((2 * pairs, 8), np.uint8)
    data[0::2] = np.ascontiguousarray(body.astype("<i2")).view(np.uint8)
    data[1::2] = np.ascontiguousarray(strokes.astype("<i2")).view(np.uint8)
    stamps = first_us + np.repeat(np.arange(pairs) * 2000, 2)
    stamps[1::2] += 500
    return FrameBlock(
        stamp_us=stamps.astype(np.int64),
        can_id=np.tile(np.array([BODY_ID, STROKE_ID], np.uint32), pairs),
        flags=np.tile(np.array([0, 1], np.uint8), pairs),
        length=np.full(2 * pairs, 8, np.uint8),
        channel=np.zeros(2 * pairs, np.uint8),
        data=data,
    )


def write_log(path: Path, block: FrameBlock, channel: str = "can0") -> Path:
    """Write frames as candump text, with this file's own hand, so that the reader is checked too."""
    lines = []
    for stamp, can_id, flags, length, data in zip(
        block.stamp_us.tolist(), block.can_id.tolist(), block.flags.tolist(), block.length.tolist(), block.data,
        strict=True,
    ):  # fmt: skip
        name = f"{can_id:08X}" if flags & 1 else f"{can_id:03X}"
        sign = "-" if stamp < 0 else ""
        whole, part = divmod(abs(stamp), 1_000_000)
        lines.append(f"({sign}{whole}.{part:06d}) {channel} {name}#{data[:length].tobytes().hex().upper()}\n")
    path.write_text("".join(lines))
    return path
