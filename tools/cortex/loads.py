"""Three loads for one tick: an empty one, a typical one, and the worst that a 500 kbit/s bus can bring in 2 ms.

Their images are made by hand (tests/images.py), so that they reach every branch without the packer's leave.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.targets.contract import RunBlock, tick_rows
from images import ALL_LAYERS, LAYOUT, PERIOD_US, ImageBuilder  # type: ignore[import-not-found] # tests have no types

if TYPE_CHECKING:
    from numpy.typing import NDArray

BITRATE = 500_000
# Shortest standard frame of 8 bytes with its intermission: 47 + 8 x 8 bits, no stuff bits (domain notes [S]).
FRAME_BITS = 111
# A frame may end just when the tick begins to count, so one more fits than the period holds.
MOST_FRAMES = BITRATE * PERIOD_US // 1_000_000 // FRAME_BITS + 1
SIGNALS = 4
SIGNAL_BITS = 12
FIRST_KEY = 0x100
DATA_ID = 0x123
COUNTER_MODULO = 15
# First ticks of a load that only bring the controller into its state.
SETTLED = 20
# No check's limit may be higher.
LIMIT_MOST = 1_000_000
TRACKING_MOST = 100_000
CORNERS = LAYOUT.corners
# Which channels a message carries: four signals of 12 bits behind a byte of checksum and a counter.
MESSAGES = (
    tuple(f"stroke_um.{corner}" for corner in CORNERS),
    ("lateral_mg", "longitudinal_mg", "vertical_mg", "yaw_cdeg_s"),
    ("brake_kpa", "steer_ddeg", "road_speed_cm_s", "supply_mv"),
    tuple(f"wheel_speed_cm_s.{corner}" for corner in CORNERS),
    ("grip_switch", "driver_switch", "lateral_mg", "longitudinal_mg"),
)
KINDS = ("j1850", "e2e_p1", "none", "none", "none")
WORST_MESSAGES = 16
WORST_KINDS = ("e2e_p1",) * WORST_MESSAGES
# Channel units a count, where it is not one.
SCALE = {
    "stroke_um": 25,
    "brake_kpa": 5,
    "steer_ddeg": 2,
    "road_speed_cm_s": 4,
    "wheel_speed_cm_s": 4,
    "supply_mv": 10,
}


@dataclass(frozen=True)
class Load:
    """An image, ticks with their frames, and from which tick on they count.

    Attributes:
        name: empty, typical or worst.
        what: a line for people.
        image: bytes for the firmware.
        block: ticks and frames from the start of the controller on.
        first: first tick that is measured; those before bring the controller there.

    """

    name: str
    what: str
    image: bytes
    block: RunBlock
    first: int

    def ticks(self) -> list[tuple[NDArray[np.int32], NDArray[np.int32]]]:
        """For each tick: the row of its inputs, and its frames int32[n, 5]."""
        ends = np.cumsum(self.block.ticks[:, 1])
        return [
            (row, self.block.frames[end - row[1] : end])
            for row, end in zip(self.block.ticks, ends, strict=True)
        ]


def loads() -> list[Load]:
    """Make all three."""
    image = _typical_image().build()
    tick = np.arange(80)
    values = _drive(tick * PERIOD_US / 1e6)
    every = np.full(len(tick), len(MESSAGES))
    silent_from = len(tick) - 4
    until = np.where(tick < silent_from, every, 0)
    # The bus falls silent for a while, so that channels are lost and come back.
    tick = np.arange(100)
    full = np.where((tick < 60) | (tick >= 80), MOST_FRAMES, 0)
    typical = f"{len(MESSAGES)} frames of {SIGNALS} signals, two with checksum and counter"
    worst = f"{MOST_FRAMES} frames of {SIGNALS} signals, all with end-to-end profile 1, tables of 16 points, own frames"
    return [
        Load("empty", "no frame", image, _block(values, until, KINDS), silent_from),
        Load("typical", typical, image, _block(values, every, KINDS), SETTLED),
        Load("worst", worst, _worst_image().build(), _block(_ramps(tick), full, WORST_KINDS), SETTLED),
    ]


def _message(image: ImageBuilder, number: int, crc: str) -> None:
    signals = []
    for i, channel in enumerate(MESSAGES[number % len(MESSAGES)]):
        bit = 16 + SIGNAL_BITS * i
        limit = LAYOUT.channels[LAYOUT.channel_index(channel)].limit
        signals.append(
            {
                "channel": LAYOUT.channel_index(channel),
                "step": -1,
                "first": bit // 8 + 1,
                "count": 2,
                "shift": bit % 8,
                "mask": 0xFFF,
                "flip": 0x800,
                "less": 0x800,
                "has_invalid": 1,
                "invalid": -0x800,
                "clip_low": -0x800,
                "clip_high": 0x7FF,
                "num": _scale(channel),
                "range_low": -limit,
                "range_high": limit,
            }
        )
    checked = {
        "crc_kind": LAYOUT.crc_kinds.index(crc),
        "crc_init": 0 if crc == "e2e_p1" else 0xFF,
        "crc_xor": 0 if crc == "e2e_p1" else 0xFF,
        "data_id": DATA_ID,
        "counter_modulo": COUNTER_MODULO,
        "counter_byte": 1,
        "counter_mask": 15,
    }
    image.message(signals, key=FIRST_KEY + number, **(checked if crc != "none" else {}))


def _typical_image() -> ImageBuilder:
    """All layers on, tables as long as the demo car's."""
    image = ImageBuilder().layers(*ALL_LAYERS).clear_messages()
    for number, kind in enumerate(KINDS):
        _message(image, number, kind)
    image.table("base_table", [0, 1, 2], [240, 320, 400])
    image.table("road_speed_table", [0, 1667, 3889, 6944], [-60, 0, 40, 90])
    image.table("brake_lead_table", [0, 500, 1500, 4000], [0, 20, 70, 120])
    image.table("grip_ask_table", [1111, 2222, 4444], [900, 450, 250])
    image.table("valve_table", [0, 300, 600, 1000], [300, 620, 1000, 1600])
    maps = 100 * np.arange(80).reshape(4, 5, 4) % 700 - 200
    image.body_load([-1400, -700, 0, 700, 1400], [-1400, -700, 0, 700], maps)
    image.fill("brake_lead_peak_permille", 200)
    for check in LAYOUT.checks:
        high = TRACKING_MOST if check.name.startswith("coil_tracking") else LIMIT_MOST
        if check.name in ("supply_low", "supply_under"):
            high = 6000
        image.check(check.name, trip_ticks=100, heal_ticks=1000, heals_most=3, limit=high, heal_limit=high)
    image.put("straight_mg", 300).put("current_control", 1)
    return _strengths(image)


def _worst_image() -> ImageBuilder:
    """All layers on, tables of 16 points read at their far end, valve curves that the last guard must cut."""
    image = ImageBuilder().layers(*ALL_LAYERS).clear_messages()
    for number, kind in enumerate(WORST_KINDS):
        _message(image, number, kind)
    axis = [*range(-1000, -860, 10), -400, 400]
    rise = list(range(0, 160, 10))
    for name in ("base_table", "road_speed_table", "brake_lead_table"):
        image.table(name, [*range(-700, 0, 50), 0, 8000], rise)
    image.table("grip_ask_table", [*range(-700, 0, 50), 0, 8000], rise)
    image.table("valve_table", [*range(15), 1000], [*range(300, 315), 8000])
    image.body_load(axis, axis, 37 * np.arange(4 * 256).reshape(4, 16, 16) % 200 - 100)
    image.put("steer_fade_cm_s", 0, 32767).put("rough_mm_s", 0, 3000).put("rough_brake_kpa", 0, 32767)
    image.put("report_ticks", 1).fill("brake_lead_peak_permille", 50)
    for channel in LAYOUT.channels:
        image.channel(channel.name, timeout_us=8000, required=1)
    image.fill("fade_q10", 200).fill("recover_q10", 200)
    # Every check counts up and none trips, but for the one whose finding would spare the next one its work.
    for check in LAYOUT.checks:
        limit = LIMIT_MOST if check.name == "longitudinal" else 0
        image.check(
            check.name, trip_ticks=32767, heal_ticks=1000, heals_most=3, limit=limit, heal_limit=limit
        )
    image.table("steer_yaw_table", [*range(-700, 0, 50), 0, 8000], rise)
    image.put("straight_mg", 16000).put("brake_most_mg", 0).put("brake_low_kpa", 32767).put(
        "brake_high_kpa", 32767
    )
    image.put("current_control", 1).put("resistance_permille", 1, 1)
    # Left and right differ by more than the last guard allows, each tick again.
    image.put("most_ma", 1500, 1600, 1500, 1600).fill("axle_spread_ma", 50).fill("derate_ma", 1500)
    return _strengths(image)


def _strengths(image: ImageBuilder) -> ImageBuilder:
    trims = [10, 20, 30, -10, -20, -30] * 4
    image.put("band_trim_permille", *trims)
    image.fill("brake_rate_gain_permille", 20)
    image.fill("steer_gain_permille", 20).put("steer_peak_permille", 150)
    image.fill("grip_scale_permille", 700).put("grip_ask_kpa", 1000).put("grip_high_sq", (1 << 29) - 1)
    image.fill("end_start_um", 20000).fill("end_stop_um", 48000)
    return image.fill("end_peak_permille", 950).put("end_lead_us", 8000).put("end_shape_permille", 500)


def _drive(t: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
    """A corner under braking on a wavy road: values by channel, in its unit."""
    values = {
        "lateral_mg": 700 * np.sin(3 * t),
        "longitudinal_mg": -300 + 100 * np.cos(5 * t),
        "brake_kpa": 2000 + 500 * np.sin(9 * t),
        "steer_ddeg": 300 * np.sin(6 * t),
        "road_speed_cm_s": 3000 - 300 * t,
        "supply_mv": 13_500 + 0 * t,
        "grip_switch": 0 * t,
        "driver_switch": 1 + 0 * t,
    }
    for i, corner in enumerate(CORNERS):
        values[f"stroke_um.{corner}"] = 8000 * np.sin(9 * t + i) + 500 * np.sin(70 * t + 2 * i)
    return values


def _ramps(tick: NDArray[np.int64]) -> dict[str, NDArray[np.float64]]:
    """Every stroke in its ramp and in a blend of bands, all leads at work, tables read between their last two points."""
    values = {
        "lateral_mg": 300 - tick,
        "longitudinal_mg": 300 - tick,
        "brake_kpa": 2000 + 20 * tick,
        "steer_ddeg": 1000 - 5 * tick,
        "road_speed_cm_s": 3000 + tick,
        "grip_switch": 2 + 0 * tick,
        "driver_switch": 1 + 0 * tick,
    }
    # 50 mm/s: in the lower blend, which is tried after the upper one.
    values |= {f"stroke_um.{corner}": 25_000 + 100 * tick for corner in CORNERS}
    return {name: value.astype(float) for name, value in values.items()}


def _block(
    values: dict[str, NDArray[np.float64]], frames_of: NDArray[np.int64], kinds: tuple[str, ...]
) -> RunBlock:
    """Ticks that receive the first messages, `frames_of` each, with these kinds of checksum."""
    counts = {name: np.rint(value / _scale(name)).astype(int) & 0xFFF for name, value in values.items()}
    now = PERIOD_US * np.arange(1, len(frames_of) + 1)
    rows = []
    for tick, count in enumerate(frames_of.tolist()):
        for number in range(count):
            carried = [
                counts[name][tick] if name in counts else 0 for name in MESSAGES[number % len(MESSAGES)]
            ]
            bits = sum(int(raw) << 16 + SIGNAL_BITS * i for i, raw in enumerate(carried))
            payload = bytearray(bits.to_bytes(8, "little"))
            if kinds[number] != "none":
                payload[1] = tick % COUNTER_MODULO
                payload[0] = _checksum(kinds[number], bytes(payload[1:]))
            stamp_us = int(now[tick]) - PERIOD_US * (count - number) // (count + 1)
            rows.append((stamp_us, FIRST_KEY + number, 8, *np.frombuffer(payload, "<i4").tolist()))
    ticks = tick_rows(LAYOUT.rows["tick_in"], now, frames_of)
    return RunBlock(0, ticks, np.array(rows, np.int32), now)


def _scale(channel: str) -> int:
    return SCALE.get(channel.partition(".")[0], 1)


def _checksum(kind: str, data: bytes) -> int:
    """CRC of polynomial 0x1D: SAE J1850's, or that of end-to-end profile 1 with its data id in front."""
    profile_1 = kind == "e2e_p1"
    value = 0 if profile_1 else 0xFF
    for byte in DATA_ID.to_bytes(2, "little") + data if profile_1 else data:
        value ^= byte
        for _ in range(8):
            value = (value << 1 ^ (0x1D if value & 0x80 else 0)) & 0xFF
    return value if profile_1 else value ^ 0xFF
