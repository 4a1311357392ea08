"""The binary image: header, config words, rows, tables, and the names that only people need."""

from __future__ import annotations

import json
import struct
import zlib
from array import array
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dashpot.calibration.units import INT16
from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.layout import Layout

MAGIC = b"DPIM"
HEADER = struct.Struct("<4sIIII")
POINTS_MAX = 16
TIMEOUT_MAX_US = 0x08000000
_TRIM = (-1000, 1000)
_TRACKING_MAX_PERMILLE = 100_000
_LIMIT_MAX = 1_000_000
_HEALS_MAX = 100
_VELOCITY_Q12 = (16, 0x08000000)
_PRODUCT_MAX = 0x3FFFFFFF
_INT32_MAX = 0x7FFFFFFF
_NAMES_MAX = 1 << 20


@dataclass(frozen=True, slots=True)
class Image:
    """One image.

    Attributes:
        layout: the declaration that places its words.
        words: all 32-bit words, signed.
        names: the document for people; the firmware ignores it.

    """

    layout: Layout
    words: tuple[int, ...]
    names: dict[str, Any]

    def to_bytes(self) -> bytes:
        """Give the file: the same words and names give the same bytes."""
        body = array("i", self.words)
        if body.itemsize != 4:
            raise InputError("this machine's C int has no 32 bits")
        if struct.pack("=I", 1) != struct.pack("<I", 1):
            body.byteswap()
        names = json.dumps(self.names, sort_keys=True, separators=(",", ":"), ensure_ascii=False).encode()
        head = HEADER.pack(MAGIC, self.layout.version, len(self.words), len(names), 0)[:16]
        payload = body.tobytes() + names
        return head + struct.pack("<I", zlib.crc32(payload, zlib.crc32(head))) + payload

    @property
    def crc32(self) -> int:
        """The image's check value, by which it is known."""
        return int(struct.unpack_from("<I", self.to_bytes(), 16)[0])

    def word(self, name: str, index: int = 0) -> int:
        """One fixed config word."""
        return self.words[self.layout.config[name].at + index]

    def rows(self, name: str) -> list[dict[str, int]]:
        """All message, signal, channel, tracker or check rows, each by field."""
        at, count = {
            "message": (self.word("messages_at"), self.word("messages_count")),
            "signal": (self.word("signals_at"), self.word("signals_count")),
            "channel_row": (self.layout.config["channel_rows"].at, len(self.layout.channels)),
            "tracker_row": (self.layout.config["tracker_rows"].at, self.layout.sizes["trackers"]),
            "check_row": (self.layout.config["check_rows"].at, len(self.layout.checks)),
        }[name]
        fields = self.layout.rows[name]
        size = len(fields)
        return [
            dict(zip(fields, self.words[at + i * size : at + (i + 1) * size], strict=True))
            for i in range(count)
        ]

    def curve(self, name: str, index: int = 0) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Axis and values of a table over one axis."""
        at = self.word(name, index)
        n = self.words[at]
        return self.words[at + 1 : at + 1 + n], self.words[at + 1 + n : at + 1 + 2 * n]

    def body_load(self) -> tuple[tuple[int, ...], tuple[int, ...], tuple[tuple[int, ...], ...]]:
        """Lateral axis, longitudinal axis, and the map of each corner, x-major."""
        at = self.word("body_load_table")
        nx, ny = self.words[at : at + 2]
        xs, ys = self.words[at + 2 : at + 2 + nx], self.words[at + 2 + nx : at + 2 + nx + ny]
        first = at + 2 + nx + ny
        maps = tuple(self.words[first + i * nx * ny : first + (i + 1) * nx * ny] for i in range(4))
        return xs, ys, maps


def read_image(source: bytes | Path, layout: Layout) -> Image:
    """Take an image or refuse it, as the firmware does; nothing is half-read.

    Args:
        source: the bytes, or the file that holds them.
        layout: the declaration of the firmware that the image is for.

    Raises:
        InputError: it is no image, is for another firmware, is damaged, or points outside itself.

    """
    where = "image"
    if isinstance(source, Path):
        where = str(source)
        try:
            source = source.read_bytes()
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=where) from None
    if len(source) < HEADER.size:
        raise InputError(
            f"too short for an image: {len(source)} bytes of at least {HEADER.size}", where=where
        )
    magic, version, word_count, name_bytes, check = HEADER.unpack_from(source)
    if magic != MAGIC:
        raise InputError(
            "not a calibration image; `dashpot calibration pack` makes one from a vehicle and a calibration file",
            where=where,
        )
    if version != layout.version:
        raise InputError(
            f"is for a firmware of format {version:08x}, this one has {layout.version:08x}; pack it again",
            where=where,
        )
    end = HEADER.size + 4 * word_count
    if word_count < layout.config_words or name_bytes > _NAMES_MAX or len(source) != end + name_bytes:
        raise InputError(
            f"has {len(source)} bytes where its header says {end + name_bytes}; it was cut or added to",
            where=where,
        )
    if zlib.crc32(source[HEADER.size :], zlib.crc32(source[:16])) != check:
        raise InputError("is damaged: its CRC-32 does not fit; pack it again", where=where)
    words = struct.unpack_from(f"<{word_count}i", source, HEADER.size)
    place = _fault(words, layout)
    if place is not None:
        raise InputError(
            f"points outside itself or holds a number out of range, at word {place}", where=where
        )
    try:
        names = json.loads(source[end:].decode("utf-8")) if name_bytes else {}
    except ValueError:
        raise InputError("its names are no JSON", where=where) from None
    if not isinstance(names, dict):
        raise InputError("its names are no JSON object", where=where)
    return Image(layout, words, names)


class _WordError(Exception):
    """A word that the firmware would refuse."""

    def __init__(self, place: int) -> None:
        super().__init__(place)
        self.place = place


def _fault(words: Sequence[int], layout: Layout) -> int | None:
    """Follow every offset, count and bound that the firmware follows; give the place of the first wrong one."""
    try:
        _Inspection(words, layout).all()
    except _WordError as fault:
        return fault.place
    return None


class _Inspection:
    """The checks of firmware/dashpot/image.py, on the bench."""

    def __init__(self, words: Sequence[int], layout: Layout) -> None:
        self.words = words
        self.layout = layout
        self.least = layout.config_words

    def need(self, fine: bool, place: int) -> None:
        if not fine:
            raise _WordError(place)

    def word(self, name: str, index: int = 0) -> tuple[int, int]:
        """Place and value of a config word."""
        at = self.layout.config[name].at + index
        return at, self.words[at]

    def all(self) -> None:
        for word in self.layout.config.values():
            for at in range(word.at, word.at + word.count):
                self.need(word.least is None or self.words[at] >= word.least, at)
                self.need(word.most is None or self.words[at] <= word.most, at)
        self.channels()
        self.trackers()
        for name in (
            "base_table",
            "road_speed_table",
            "brake_lead_table",
            "grip_ask_table",
            "steer_yaw_table",
            "valve_table",
        ):
            for i in range(self.layout.config[name].count):
                self.table(self.layout.config[name].at + i)
        for i in range(len(self.layout.corners)):
            at, safe = self.word("safe_ma", i)
            least, most = self.word("least_ma", i)[1], self.word("most_ma", i)[1]
            self.need(least <= safe <= most, at)
            at, match = self.word("match_ma", i)
            self.need(match == 0 or least <= match <= most, at)
            at, derate = self.word("derate_ma", i)
            self.need(safe <= derate <= most, at)
            at, least = self.word("demand_min_permille", i)
            self.need(least <= self.word("demand_max_permille", i)[1], at)
        self.body_load()
        self.pairs()
        self.fail_safe()
        self.messages()

    def channels(self) -> None:
        size = self.layout.sizes["channel_row"]
        for i, channel in enumerate(self.layout.channels):
            at = self.layout.config["channel_rows"].at + i * size
            row = self.row("channel_row", at)
            self.need(row["configured"] in (0, 1) and 0 <= row["timeout_us"] <= TIMEOUT_MAX_US, at)
            self.need(row["configured"] <= row["heal_good"] <= INT16[1], at)
            self.need(abs(row["default"]) <= channel.limit, at)
            self.need(0 <= row["rate_100ms"] <= 2 * channel.limit, at)
            self.need(0 <= row["rate_floor_us"] <= TIMEOUT_MAX_US, at)
            self.need(0 <= row["still_us"] <= TIMEOUT_MAX_US, at)
            # What stands in for an acceleration is one, and of the same axis.
            own = {"lateral_mg": "speed_yaw", "longitudinal_mg": "speed_change"}.get(channel.name, "default")
            self.need(row["substitute"] in (0, self.layout.substitutes.index(own)), at)

    def trackers(self) -> None:
        size = self.layout.sizes["tracker_row"]
        for i in range(self.layout.sizes["trackers"]):
            at = self.layout.config["tracker_rows"].at + i * size
            row = self.row("tracker_row", at)
            self.need(0 <= row["channel"] < len(self.layout.channels), at)
            self.need(1 <= row["alpha_q10"] <= 1024 and 1 <= row["beta_q10"] <= 1024, at)
            self.need(_VELOCITY_Q12[0] <= row["velocity_limit"] <= _VELOCITY_Q12[1], at)
            self.need(0 < row["rate_mul"] <= _PRODUCT_MAX // (row["velocity_limit"] >> 4), at)

    def pairs(self) -> None:
        for name in ("steer_fade_cm_s", "rough_brake_kpa", "rough_mm_s", "band_edge_mm_s"):
            at, low = self.word(name)
            self.need(0 <= low < self.words[at + 1] <= INT16[1], at)
        at, blend = self.word("band_blend_mm_s")
        low, high = (self.word("band_edge_mm_s", i)[1] for i in (0, 1))
        self.need(low >= blend and high - low >= 2 * blend, at)
        limit = self.layout.channels[self.layout.channel_index(f"stroke_um.{self.layout.corners[0]}")].limit
        for i in range(self.layout.config["end_start_um"].count):
            at, start = self.word("end_start_um", i)
            self.need(-limit <= start < self.word("end_stop_um", i)[1] <= limit, at)

    def fail_safe(self) -> None:
        size = self.layout.sizes["check_row"]
        for i, check in enumerate(self.layout.checks):
            most = _TRACKING_MAX_PERMILLE if check.name.startswith("coil_tracking") else _LIMIT_MAX
            at = self.layout.config["check_rows"].at + i * size
            row = self.row("check_row", at)
            self.need(0 <= row["trip_ticks"] <= INT16[1] and 0 <= row["heal_ticks"] <= INT16[1], at)
            self.need(0 <= row["heals_most"] <= _HEALS_MAX, at)
            self.need(0 <= row["limit"] <= most and 0 <= row["heal_limit"] <= most, at)
        for axle in range(self.layout.config["axle_spread_ma"].count):
            left, right = (self.word("safe_ma", 2 * axle + side)[1] for side in (0, 1))
            at, spread = self.word("axle_spread_ma", axle)
            self.need(abs(left - right) <= spread, at)
        at, low = self.word("resistance_permille")
        self.need(low <= self.words[at + 1], at)

    def axis(self, at: int, n: int) -> None:
        self.need(2 <= n <= POINTS_MAX and at >= self.least and at + n <= len(self.words), at)
        for i in range(at, at + n - 1):
            self.need(INT16[0] <= self.words[i] < self.words[i + 1] <= INT16[1], i)

    def table(self, place: int) -> None:
        at = self.words[place]
        self.need(self.least <= at < len(self.words), place)
        n = self.words[at]
        self.axis(at + 1, n)
        self.need(at + 1 + 2 * n <= len(self.words), place)
        for i in range(at + 1 + n, at + 1 + 2 * n):
            self.need(INT16[0] <= self.words[i] <= INT16[1], i)

    def body_load(self) -> None:
        place, at = self.word("body_load_table")
        self.need(self.least <= at < len(self.words) - 1, place)
        nx, ny = self.words[at], self.words[at + 1]
        self.axis(at + 2, nx)
        self.axis(at + 2 + nx, ny)
        first, count = at + 2 + nx + ny, len(self.layout.corners) * nx * ny
        self.need(first + count <= len(self.words), at)
        for i in range(first, first + count):
            self.need(_TRIM[0] <= self.words[i] <= _TRIM[1], i)

    def run(self, at_name: str, count_name: str, row: str) -> tuple[int, int]:
        """Place and number of the rows of one kind."""
        place, at = self.word(at_name)
        count = self.word(count_name)[1]
        self.need(at >= self.least and count >= 0, place)
        self.need(at + count * self.layout.sizes[row] <= len(self.words), place)
        return at, count

    def messages(self) -> None:
        messages, count = self.run("messages_at", "messages_count", "message")
        signals, signal_count = self.run("signals_at", "signals_count", "signal")
        last = -1
        for i in range(count):
            at = messages + i * self.layout.sizes["message"]
            row = self.row("message", at)
            self.need(last < row["key"], at)
            last = row["key"]
            self.message(at, row)
            first, number = row["first_signal"], row["signal_count"]
            self.need(first >= 0 and number >= 0 and first + number <= signal_count, at)
            for which in range(first, first + number):
                self.signal(signals + which * self.layout.sizes["signal"], row["length"])

    def row(self, name: str, at: int) -> dict[str, int]:
        fields = self.layout.rows[name]
        return dict(zip(fields, self.words[at : at + len(fields)], strict=True))

    def message(self, at: int, row: dict[str, int]) -> None:
        length = row["length"]
        self.need(1 <= length <= 8, at)
        self.need(row["crc_table"] in (0, 256) and 0 <= row["crc_byte"] < length, at)
        self.need(0 <= row["crc_init"] <= 0xFF and 0 <= row["data_id"] <= 0xFFFF, at)
        self.need(0 <= row["counter_byte"] < length, at)
        if row["crc_kind"] == self.layout.crc_kinds.index("e2e_p2"):
            ids = row["data_ids"]
            self.need(
                0 < row["counter_modulo"] <= 16 and ids >= self.least and ids + 16 <= len(self.words), at
            )
            self.need(all(0 <= word <= 0xFF for word in self.words[ids : ids + 16]), ids)
        self.gather(at, row["mux_count"], row["mux_first"], row["mux_step"], length)

    def gather(self, at: int, count: int, first: int, step: int, length: int) -> None:
        self.need(0 <= count <= 3 and step in (-1, 0, 1) and 0 <= first < length, at)
        self.need(not count or 0 <= first + (count - 1) * step < length, at)

    def signal(self, at: int, length: int) -> None:
        row = self.row("signal", at)
        self.need(0 <= row["channel"] < len(self.layout.channels), at)
        self.gather(at, row["count"], row["first"], row["step"], length)
        self.gather(at, row["low_count"], row["low_first"], row["step"], length)
        self.need(0 <= row["shift"] < 24 and 0 <= row["low_shift"] < 24, at)
        self.need(0 <= row["sign_byte"] < length and row["den"] > 0, at)
        limit = self.layout.channels[row["channel"]].limit
        self.need(-limit <= row["range_low"] <= row["range_high"] <= limit, at)
        self.need(row["clip_low"] <= row["clip_high"], at)
        for raw in (row["clip_low"], row["clip_high"]):
            scaled = raw * row["num"] + row["half"]
            self.need(row["den"] - _INT32_MAX <= scaled <= _INT32_MAX, at)
            self.need(abs(scaled // row["den"] + row["offset"]) <= _INT32_MAX, at)
