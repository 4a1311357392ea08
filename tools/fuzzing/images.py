"""Random images that the firmware takes, edge values first.

Half are wild: every bounded word anywhere within its bounds, random tables, random bit fields. The other half are tame:
a calibration as a car may have it, with a few words changed, so that the laws run and the checks have something to see.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashpot.targets.contract import EXTENDED_KEY
from images import ALL_LAYERS, ImageBuilder  # type: ignore[import-not-found] # tests have no types

if TYPE_CHECKING:
    from collections.abc import Sequence

    import numpy as np

    from dashpot.layout import Layout

INT16 = 32767
#: What the packer lets a table of firmness demands hold.
DEMAND = 1000
LIMIT_MOST = 1_000_000
TIMEOUT_MOST_US = 0x0800_0000
#: Per mille of a current; more would be no limit, and its product with a current no word.
TRACKING_MOST = 100_000
ODD_OFFSET = 100
TICKS_MOST = 32767
POINTS_MOST = 16
#: Channel units a count of the tame messages' signals.
SCALE = {"stroke_um": 25, "brake_kpa": 5, "supply_mv": 10, "road_speed_cm_s": 2, "wheel_speed_cm_s": 2}
GROUPS = (
    ("lateral_mg", "longitudinal_mg", "vertical_mg"),
    ("brake_kpa", "steer_ddeg", "yaw_cdeg_s"),
    ("road_speed_cm_s", "supply_mv", "grip_switch"),
    ("wheel_speed_cm_s.front_left", "wheel_speed_cm_s.front_right", "driver_switch"),
    ("wheel_speed_cm_s.rear_left", "wheel_speed_cm_s.rear_right"),
    ("stroke_um.front_left", "stroke_um.front_right"),
    ("stroke_um.rear_left", "stroke_um.rear_right"),
)
#: Kinds of protection, as the demo's bus has them: checksum in byte 0, counter in the low half of byte 1.
KINDS = ("none", "none", "j1850", "h2f", "e2e_p1", "e2e_p2")
MODULO = {"j1850": 16, "h2f": 16, "e2e_p1": 15, "e2e_p2": 16}


@dataclass(frozen=True)
class Message:
    """A message of an image, as the drive has to write it.

    Attributes:
        key: identifier, with the bit for 29 bits.
        kind: protection, one of KINDS.
        data_id: of profile 1.
        data_ids: of profile 2.
        channels: names carried from byte 2 on, 16 bits each; empty: the payload is random.

    """

    key: int
    kind: str
    data_id: int
    data_ids: tuple[int, ...]
    channels: tuple[str, ...]


@dataclass(frozen=True)
class RandomImage:
    """An image, its words by name, and its messages.

    Attributes:
        data: the bytes.
        words: every fixed word, by name.
        messages: what it listens to.
        wild: whether every word is random.

    """

    data: bytes
    words: dict[str, tuple[int, ...]]
    messages: tuple[Message, ...]
    wild: bool


def random_image(random: np.random.Generator, layout: Layout) -> RandomImage:
    """Make an image that the firmware must take."""
    wild = bool(random.random() < 0.5)
    builder = ImageBuilder(layout).clear_messages()
    maker = _Maker(random, layout, builder)
    if wild:
        maker.everything()
    else:
        maker.car()
        maker.some_words(int(random.integers(0, 6)))
    maker.mend()
    messages = tuple(maker.messages(wild=wild))
    data: bytes = builder.build()
    words = {
        name: tuple(builder.words[word.at : word.at + word.count]) for name, word in layout.config.items()
    }
    return RandomImage(data, words, messages, wild)


class _Maker:
    def __init__(self, random: np.random.Generator, layout: Layout, builder: Any) -> None:
        self.random = random
        self.layout = layout
        self.builder = builder

    def number(self, least: int, most: int) -> int:
        """A number within bounds, an edge as often as not."""
        edges = (least, least, most, min(least + 1, most), max(most - 1, least))
        choice = int(self.random.integers(0, 12))
        if choice < len(edges):
            return edges[choice]
        if choice < 9 and least >= 0 and most > 16:
            # As many small ones as large ones.
            return min(most, least + int(2.0 ** self.random.uniform(0, (most - least).bit_length())) - 1)
        return int(self.random.integers(least, most + 1))

    def chance(self, share: float) -> bool:
        return bool(self.random.random() < share)

    def word(self, name: str, index: int) -> int:
        value: int = self.builder.words[self.layout.config[name].at + index]
        return value

    def rising(self, least: int, most: int, count: int) -> list[int]:
        """So many rising numbers within bounds, often at them."""
        values: set[int] = set()
        while len(values) < count:
            values.add(self.number(least, most))
        return sorted(values)

    def everything(self) -> None:
        """Every bounded word, every table, every row."""
        for word in self.layout.config.values():
            if word.least is not None and word.most is not None:
                for i in range(word.count):
                    if self.chance(0.8):
                        self.builder.put(word.name, self.number(word.least, word.most), at=i)
        if self.chance(0.5):
            self.builder.put("period_us", 2000)
        for name in ("steer_fade_cm_s", "rough_brake_kpa", "rough_mm_s"):
            self.builder.put(name, *self.rising(0, INT16, 2))
        blend = self.word("band_blend_mm_s", 0)
        low = blend + self.number(0, 10_000)
        self.builder.put("band_edge_mm_s", low, low + 2 * blend + self.number(0, 10_000))
        for i in range(self.layout.config["end_start_um"].count):
            start, stop = self.rising(-400_000, 400_000, 2)
            self.builder.put("end_start_um", start, at=i).put("end_stop_um", stop, at=i)
        for name in ("base_table", "road_speed_table", "brake_lead_table"):
            for i in range(self.layout.config[name].count):
                self.table(name, i, DEMAND)
        for name in ("grip_ask_table", "steer_yaw_table", "valve_table"):
            for i in range(self.layout.config[name].count):
                self.table(name, i, INT16)
        self.body_load()
        for channel in self.layout.channels:
            self.channel(channel.name, channel.limit)
        self.checks()
        for i in range(self.layout.sizes["trackers"]):
            self.builder.tracker(i, alpha_q10=self.number(1, 1024), beta_q10=self.number(1, 1024))

    def checks(self) -> None:
        """Any limits; in half of the images most checks are off, as else no mode that drives is ever reached."""
        most_off = self.chance(0.5)
        ticks = (0, 1, 2, 5, 50, TICKS_MOST)
        for check in self.layout.checks:
            most = TRACKING_MOST if check.name.startswith("coil_tracking") else LIMIT_MOST
            self.builder.check(
                check.name,
                trip_ticks=0 if most_off and self.chance(0.8) else int(self.random.choice(ticks)),
                heal_ticks=int(self.random.choice(ticks)),
                heals_most=self.number(0, 4),
                limit=self.number(0, most),
                heal_limit=self.number(0, most),
            )

    def table(self, name: str, index: int, most: int) -> None:
        count = int(self.random.choice((2, 3, 5, POINTS_MOST)))
        values = [self.number(-most, most) for _ in range(count)]
        self.builder.table(name, self.rising(-INT16 - 1, INT16, count), values, at=index)

    def body_load(self) -> None:
        nx, ny = (int(n) for n in self.random.choice((2, 3, 7, POINTS_MOST), 2))
        x, y = self.rising(-INT16 - 1, INT16, nx), self.rising(-INT16 - 1, INT16, ny)
        maps = [self.number(-DEMAND, DEMAND) for _ in range(len(self.layout.corners) * nx * ny)]
        self.builder.body_load(x, y, maps)

    def channel(self, name: str, limit: int) -> None:
        other = {"lateral_mg": "speed_yaw", "longitudinal_mg": "speed_change"}.get(name, "default")
        substitute = self.layout.substitutes.index(other) if self.chance(0.7) else 0
        times = (0, 1, 5000, 20_000, 100_000, 1_000_000, TIMEOUT_MOST_US)
        self.builder.channel(
            name,
            configured=int(self.chance(0.9)),
            timeout_us=int(self.random.choice(times)),
            heal_good=int(self.random.choice((1, 2, 10))),
            default=self.number(-limit, limit),
            required=int(self.chance(0.08)),
            rate_100ms=self.number(0, 2 * limit) if self.chance(0.3) else 0,
            rate_floor_us=int(self.random.choice(times)),
            still_us=int(self.random.choice((0, 0, *times))),
            substitute=substitute,
        )

    def car(self) -> None:
        """A calibration as a car may have it; all layers and checks on, more often than not."""
        builder, random = self.builder, self.random
        builder.layers(*[name for name in ALL_LAYERS if self.chance(0.9)])
        builder.table("base_table", [0, 1, 2], [240, 320, 400])
        builder.table("road_speed_table", [0, 1667, 3889, 6944], [-60, 0, 40, 90])
        builder.table("brake_lead_table", [0, 500, 1500, 4000], [0, 20, 70, 120])
        builder.table("grip_ask_table", [1111, 2222, 4444], [900, 450, 250])
        # As the drive's car turns: see `drives`.
        builder.table("steer_yaw_table", [0, 600], [1000, 1000])
        builder.table("valve_table", [0, 300, 600, 1000], [300, 620, 1000, 1600])
        maps = [int(value) for value in random.integers(-200, 500, 4 * 5 * 4)]
        builder.body_load([-1400, -700, 0, 700, 1400], [-1400, -700, 0, 700], maps)
        builder.put("band_trim_permille", *[int(value) for value in random.integers(-60, 60, 24)])
        builder.fill("brake_lead_peak_permille", 200).fill("brake_rate_gain_permille", 5)
        builder.fill("steer_gain_permille", 5).put("steer_peak_permille", 150)
        builder.fill("grip_scale_permille", 700).put("grip_slow_in_q16", 500)
        builder.put("grip_ask_kpa", 3000).put("grip_low_sq", 1050**2).put("grip_high_sq", 1275**2)
        builder.fill("end_peak_permille", 950).put("end_lead_us", 10000)
        builder.fill("slew_up_ma", 24).fill("slew_down_ma", 40).fill("axle_spread_ma", 1200)
        for name in ("fade_q10", "recover_q10", "return_q10", "leave_q10"):
            builder.put(name, int(random.integers(10, 200)))
        builder.put("return_below_mg", 200).put("losses_most", 3).put("command_expiry_us", 20_000)
        builder.put("current_control", int(self.chance(0.8))).put("open_permille", 250)
        builder.fill("match_ma", int(random.choice((0, 400, 800))))
        builder.put("brake_high_kpa", 3000).put("brake_least_mg", 80)
        builder.put("brake_low_kpa", 200).put("brake_most_mg", 400).put("straight_mg", 300).put(
            "roll_um", 50_000, 50_000
        )
        if self.chance(0.8):
            self.car_checks()
        for channel in self.layout.channels:
            builder.channel(channel.name, timeout_us=50_000, heal_good=3)
        builder.channel("lateral_mg", required=1, substitute=self.layout.substitutes.index("speed_yaw"))
        builder.channel(
            "longitudinal_mg", required=1, substitute=self.layout.substitutes.index("speed_change")
        )
        builder.channel("brake_kpa", required=int(self.chance(0.5)), rate_100ms=4000, still_us=1_000_000)

    def car_checks(self) -> None:
        limits = {
            "lateral": (300, 200), "longitudinal": (400, 300), "steer": (550, 450), "speed": (417, 278),
            "stroke_offset": (15_000, 10_000), "stroke_roll": (25_000, 20_000), "supply_low": (9000, 9500),
            "supply_under": (6000, 6500), "supply_high": (16_500, 16_000), "supply_over": (18_000, 17_500),
            "coil_open": (100, 100), "coil_short": (2500, 2500), "coil_tracking": (100, 100),
        }  # fmt: skip
        for check in self.layout.checks:
            kind = check.name.partition(".")[0]
            limit, heal_limit = limits.get(kind, (0, 0))
            self.builder.check(
                check.name,
                trip_ticks=1 if kind == "memory" else int(self.random.choice((1, 3, 10, 50))),
                heal_ticks=int(self.random.choice((5, 50, 200))),
                heals_most=0 if kind in ("memory", "held") else 3,
                limit=limit,
                heal_limit=heal_limit,
            )

    def some_words(self, count: int) -> None:
        """Change a few bounded words."""
        bounded = [
            word for word in self.layout.config.values() if word.least is not None and word.most is not None
        ]
        for at in self.random.integers(0, len(bounded), count):
            word = bounded[at]
            assert word.least is not None
            assert word.most is not None
            # Blends must keep their room.
            if word.name not in ("band_blend_mm_s", "period_us"):
                self.builder.put(
                    word.name, self.number(word.least, word.most), at=int(self.random.integers(word.count))
                )

    def mend(self) -> None:
        """What the firmware asks of words together: limits in order, safe currents within them."""
        put = self.builder.put
        for i in range(len(self.layout.corners)):
            for low, high in (("demand_min_permille", "demand_max_permille"), ("least_ma", "most_ma")):
                pair = sorted((self.word(low, i), self.word(high, i)))
                put(low, pair[0], at=i)
                put(high, pair[1], at=i)
            least, most = self.word("least_ma", i), self.word("most_ma", i)
            safe = min(max(self.word("safe_ma", i), least), most)
            put("safe_ma", safe, at=i)
            put("derate_ma", min(max(self.word("derate_ma", i), safe), most), at=i)
            if self.word("match_ma", i):
                put("match_ma", min(max(self.word("match_ma", i), least), most), at=i)
        for axle in range(self.layout.sizes["axles"]):
            apart = abs(self.word("safe_ma", 2 * axle) - self.word("safe_ma", 2 * axle + 1))
            put("axle_spread_ma", max(self.word("axle_spread_ma", axle), apart), at=axle)
        band = sorted((self.word("resistance_permille", 0), self.word("resistance_permille", 1)))
        put("resistance_permille", *band)

    def messages(self, *, wild: bool) -> list[Message]:
        """Messages over all channels; in a wild image some carry random bit fields and payloads."""
        made = []
        keys = self.random.choice(0x7FF, len(GROUPS), replace=False)
        for number, channels in enumerate(GROUPS):
            kind = str(self.random.choice(KINDS))
            key = int(keys[number]) | (EXTENDED_KEY | 0x1000 << 8 if self.chance(0.2) else 0)
            ids = tuple(int(value) for value in self.random.integers(0, 256, 16))
            odd = wild and self.chance(0.4)
            message = Message(key, kind, int(self.random.integers(0, 1 << 16)), ids, () if odd else channels)
            signals = (
                self.odd_signals() if odd else [self.plain_signal(name, i) for i, name in enumerate(channels)]
            )
            self.builder.message(signals, key=key, **self.protection(message))
            made.append(message)
        return made

    def protection(self, message: Message) -> dict[str, int]:
        kind = message.kind
        if kind == "none":
            return {}
        profile_1 = kind == "e2e_p1"
        row = {
            "crc_kind": self.layout.crc_kinds.index(kind), "crc_table": 256 if kind in ("h2f", "e2e_p2") else 0,
            "crc_init": 0 if profile_1 else 0xFF, "crc_xor": 0 if profile_1 else 0xFF, "data_id": message.data_id,
            "counter_modulo": MODULO[kind], "counter_byte": 1, "counter_mask": 15,
            "counter_max_delta": int(self.random.integers(1, 5)),
        }  # fmt: skip
        if kind == "e2e_p2":
            row["data_ids"] = self.builder.append(message.data_ids)
        return row

    def plain_signal(self, channel: str, place: int) -> dict[str, int]:
        """A signed little-endian number of 16 bits."""
        limit = self.layout.channels[self.layout.channel_index(channel)].limit
        return {
            "channel": self.layout.channel_index(channel), "step": -1, "first": 3 + 2 * place, "count": 2,
            "mask": 0xFFFF, "flip": 0x8000, "less": 0x8000, "has_invalid": 1, "invalid": -0x8000,
            "clip_low": -0x8000, "clip_high": 0x7FFF, "num": scale_of(channel), "range_low": -limit, "range_high": limit,
        }  # fmt: skip

    def odd_signals(self) -> list[dict[str, int]]:
        """Bit fields that no car has, whose products stay inside a word."""
        return [self.odd_signal() for _ in range(int(self.random.integers(1, 5)))]

    def odd_signal(self) -> dict[str, int]:
        channel = int(self.random.integers(len(self.layout.channels)))
        limit = self.layout.channels[channel].limit
        count, low_count = int(self.random.integers(1, 4)), int(self.random.choice((0, 0, 1, 2, 3)))
        step = int(self.random.choice((-1, 1)))
        room = max(count, low_count) - 1
        first, low_first = (
            int(value)
            for value in self.random.integers(room if step < 0 else 0, 8 if step < 0 else 8 - room, 2)
        )
        bits = int(self.random.integers(1, 17 if low_count else 8 * count + 1))
        signed = self.chance(0.5)
        num, den = self.number(-1000, 1000), self.number(1, 1000)
        # |raw x num + half| and a divisor more stay below 2**31, and so does the quotient with its offset.
        most = (0x7FFF_FFFF - (ODD_OFFSET + 2) * den) // max(1, abs(num)) - 1
        clips = sorted(self.number(-most, most) for _ in range(2))
        ranges = sorted(self.number(-limit, limit) for _ in range(2))
        return {
            "channel": channel, "step": step, "first": first, "count": count,
            "shift": int(self.random.integers(0, max(1, min(24, 8 * count - bits + 1)))), "mask": (1 << bits) - 1,
            "flip": 1 << bits - 1 if signed else 0, "less": 1 << bits - 1 if signed else 0,
            "low_count": low_count, "low_first": low_first, "low_shift": int(self.random.integers(0, 9)),
            "sign_mask": int(self.random.choice((0, 0, 0, 1, 128))), "sign_byte": int(self.random.integers(0, 8)),
            "has_invalid": int(self.chance(0.5)), "invalid": self.number(-100, 100),
            "clip_low": clips[0], "clip_high": clips[1], "num": num, "den": den, "half": self.number(0, den),
            "offset": self.number(-ODD_OFFSET, ODD_OFFSET), "range_low": ranges[0], "range_high": ranges[1],
        }  # fmt: skip


def scale_of(channel: str) -> int:
    """Channel units a count of a tame signal."""
    return SCALE.get(channel.partition(".")[0], 1)


def channels_of(messages: Sequence[Message]) -> set[str]:
    """Every channel that plain signals carry."""
    return {name for message in messages for name in message.channels}
