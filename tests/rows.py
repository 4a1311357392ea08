"""What the rows of an image mean, in plain Python: an independent reading of firmware/layout.toml.

The packer's tests run rows through this against cantools, crccheck and autosar-e2e; the firmware's tests may feed the
same cases to the real firmware and compare.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dashpot.calibration import Image


@dataclass
class Outcome:
    """What one frame did: "unknown", "bad" or "used"; good values and refused channels by channel index."""

    kind: str
    values: dict[int, int] = field(default_factory=dict)
    refused: set[int] = field(default_factory=set)


def crc8(data: bytes, polynomial: int, start: int) -> int:
    """Bit by bit, without a table: most significant bit first, nothing reflected, no final xor."""
    crc = start
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ polynomial if crc & 0x80 else crc << 1) & 0xFF
    return crc


class Receiver:
    """The message and signal rows of an image, and the counters seen so far."""

    def __init__(self, image: Image) -> None:
        self.image = image
        self.messages = {row["key"]: row for row in image.rows("message")}
        self.signals = image.rows("signal")
        self.kinds = image.layout.crc_kinds
        self.last: dict[int, int] = {}

    def feed(self, key: int, data: bytes) -> Outcome:
        """Take one frame."""
        row = self.messages.get(key)
        if row is None:
            return Outcome("unknown")
        if len(data) < row["length"] or not self._crc_fits(row, data) or not self._counts(row, data):
            return Outcome("bad")
        chosen = None
        if row["mux_count"]:
            chosen = gathered(row, data, "mux_count", "mux_first", "mux_step", "mux_shift") & row["mux_mask"]
        outcome = Outcome("used")
        for signal in self.signals[row["first_signal"] : row["first_signal"] + row["signal_count"]]:
            if signal["mux_value"] not in (-1, chosen):
                continue
            value = self.value(signal, data)
            if value is None:
                outcome.refused.add(signal["channel"])
            else:
                outcome.values[signal["channel"]] = value
        return outcome

    def _counter(self, row: dict[str, int], data: bytes) -> int:
        return data[row["counter_byte"]] >> row["counter_shift"] & row["counter_mask"]

    def _crc_fits(self, row: dict[str, int], data: bytes) -> bool:
        kind = self.kinds[row["crc_kind"]]
        if kind == "none":
            return True
        covered = bytes(byte for i, byte in enumerate(data[: row["length"]]) if i != row["crc_byte"])
        if kind == "e2e_p1":
            covered = row["data_id"].to_bytes(2, "little") + covered
        if kind == "e2e_p2":
            covered += bytes([self.image.words[row["data_ids"] + self._counter(row, data)]])
        polynomial = {0: 0x1D, 256: 0x2F}[row["crc_table"]]
        return crc8(covered, polynomial, row["crc_init"]) ^ row["crc_xor"] == data[row["crc_byte"]]

    def _counts(self, row: dict[str, int], data: bytes) -> bool:
        modulo = row["counter_modulo"]
        if not modulo:
            return True
        counter = self._counter(row, data)
        if counter >= modulo:
            return False
        last = self.last.get(row["key"])
        self.last[row["key"]] = counter
        return last is None or 1 <= (counter - last) % modulo <= row["counter_max_delta"]

    @staticmethod
    def value(signal: dict[str, int], data: bytes) -> int | None:
        """Decode one signal row; None when the value is refused. Every intermediate must fit 32 bits."""
        high = gathered(signal, data, "count", "first", "step", "shift") & signal["mask"]
        raw = (high ^ signal["flip"]) - signal["less"]
        if signal["low_count"]:
            low = gathered(signal, data, "low_count", "low_first", "step", "low_shift") & 0xFFFF
            raw = min(raw, 0x7FFF) << 16 | low
        if data[signal["sign_byte"]] & signal["sign_mask"]:
            raw = -raw
        invalid = bool(signal["has_invalid"]) and raw == signal["invalid"]
        clipped = max(signal["clip_low"], min(signal["clip_high"], raw))
        product = clipped * signal["num"] + signal["half"]
        assert -(2**31) < product < 2**31
        value = product // signal["den"] + signal["offset"]
        assert -(2**31) < value < 2**31
        return value if not invalid and signal["range_low"] <= value <= signal["range_high"] else None


def gathered(row: dict[str, int], data: bytes, count: str, first: str, step: str, shift: str) -> int:
    """Bytes from `first` on, the first one most significant, shifted down."""
    assert row[count] <= 3
    number = 0
    for i in range(row[count]):
        number = number << 8 | data[row[first] + i * row[step]]
    return number >> row[shift]
