"""The declaration that firmware and bench share, read from a firmware folder's `layout.toml`.

Every place of a word is computed here, once: `tools/gen_layout.py` writes the firmware's constants from it, the packer
fills images by it, and the columns of a trace get their names from it.
"""

from __future__ import annotations

import hashlib
import json
import tomllib
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

# 30 bits: a positive small integer and a viper literal on every interpreter.
VERSION_BITS = 30
AXLES = ("front", "rear")


@dataclass(frozen=True, slots=True)
class Word:
    """A named run of 32-bit words.

    Attributes:
        name: name without index.
        at: index of its first word.
        count: how many words.
        trace: the narrowest type that holds it in a trace, or None when it is not traced.
        doc: what it is, with its unit.
        items: the suffix of each word of a run, as far as the declaration names them.
        least, most: bounds of each word, or None where there is no fixed one.

    """

    name: str
    at: int
    count: int
    trace: str | None
    doc: str
    items: tuple[str, ...]
    least: int | None = None
    most: int | None = None

    @property
    def columns(self) -> list[str]:
        """Names of the single words, in order."""
        return [f"{self.name}.{item}" for item in self.items] if self.items else [self.name]


@dataclass(frozen=True, slots=True)
class Check:
    """One detector with a debounce: `unit` is its limit's, `fault` what it reports."""

    name: str
    fault: str
    unit: str
    doc: str


@dataclass(frozen=True, slots=True)
class Channel:
    """One input of the controller: `name` carries the unit, `limit` bounds what may be mapped on it."""

    name: str
    unit: str
    limit: int
    doc: str


class Layout:
    """Places of all words of one firmware.

    Attributes:
        version: hash of the declaration, `VERSION_BITS` bits.
        corners, layers, modes, faults, crc_kinds, conditions, board_flags, substitutes: the names, in order.
        channels: the inputs, expanded by corner.
        checks: the debounced detectors, expanded by corner or axle.
        state, config: the words by name.
        rows: the fields of each row, in order.
        sizes: named counts.

    """

    def __init__(self, document: Mapping[str, Any]) -> None:
        """Compute all places from a parsed `layout.toml`."""
        canonical = json.dumps(document, sort_keys=True, separators=(",", ":")).encode()
        digest = hashlib.sha256(canonical).digest()
        self.version = int.from_bytes(digest[:4], "big") >> (32 - VERSION_BITS)
        self.corners: tuple[str, ...] = tuple(document["corners"])
        self.layers: tuple[str, ...] = tuple(document["layers"])
        self.modes: tuple[str, ...] = tuple(document["modes"])
        self.faults: tuple[str, ...] = tuple(document["faults"])
        self.crc_kinds: tuple[str, ...] = tuple(document["crc_kinds"])
        self.conditions: tuple[str, ...] = tuple(document["conditions"])
        self.board_flags: tuple[str, ...] = tuple(document["board_flags"])
        self.substitutes: tuple[str, ...] = tuple(document["substitutes"])
        self.channels = self._expand_channels(document["channels"])
        self.checks = self._expand_checks(document["checks"])
        self.rows: dict[str, tuple[str, ...]] = {name: tuple(row) for name, row in document["rows"].items()}
        self.sizes: dict[str, int] = {
            **document["sizes"],
            "corners": len(self.corners),
            "layers": len(self.layers),
            "channels": len(self.channels),
            "checks": len(self.checks),
            "substitutes": len(self.substitutes),
            **{name: len(fields) for name, fields in self.rows.items()},
        }
        self.state = self._place(document["state"])
        self.config = self._place(document["config"])

    @classmethod
    def load(cls, firmware_dir: Path) -> Layout:
        """Read the declaration of the firmware in a folder.

        Raises:
            InputError: the folder holds no readable `layout.toml`.

        """
        path = firmware_dir / "layout.toml"
        try:
            return cls(tomllib.loads(path.read_text(encoding="utf-8")))
        except FileNotFoundError:
            message = "no layout.toml here; name a folder that holds dashpot firmware (layout.toml, dashpot/, boards/)"
            raise InputError(message, where=str(firmware_dir)) from None
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError, KeyError, TypeError) as error:
            raise InputError(f"not a readable firmware declaration ({error})", where=str(path)) from None

    def _expand_channels(self, entries: list[dict[str, Any]]) -> tuple[Channel, ...]:
        channels = []
        for entry in entries:
            names = [f"{entry['name']}.{c}" for c in self.corners] if entry.get("per") else [entry["name"]]
            channels += [Channel(name, entry["unit"], entry["limit"], entry["doc"]) for name in names]
        return tuple(channels)

    def _expand_checks(self, entries: list[dict[str, Any]]) -> tuple[Check, ...]:
        places: dict[str | None, tuple[str, ...]] = {None: (), "corners": self.corners, "axles": AXLES}
        checks = []
        for entry in entries:
            where = places[entry.get("per")]
            names = [f"{entry['name']}.{place}" for place in where] or [entry["name"]]
            checks += [Check(name, entry["fault"], entry["unit"], entry["doc"]) for name in names]
        return tuple(checks)

    def _count(self, expression: str | int) -> int:
        if isinstance(expression, int):
            return expression
        product = 1
        for factor in expression.split("*"):
            product *= self.sizes[factor]
        return product

    def _items(self, expression: str | int, count: int) -> tuple[str, ...]:
        named: dict[str | int, tuple[str, ...]] = {
            "corners": self.corners,
            "channels": tuple(channel.name for channel in self.channels),
            "axles": AXLES,
            "checks": tuple(check.name for check in self.checks),
            "layers": self.layers,
            "layers*corners": tuple(f"{layer}.{corner}" for layer in self.layers for corner in self.corners),
        }
        if expression in named:
            return named[expression]
        return () if count == 1 else tuple(str(i) for i in range(count))

    def _place(self, entries: list[dict[str, Any]]) -> dict[str, Word]:
        words: dict[str, Word] = {}
        at = 0
        for entry in entries:
            expression = entry.get("count", 1)
            count = self._count(expression)
            items = self._items(expression, count)
            words[entry["name"]] = Word(
                entry["name"],
                at,
                count,
                entry.get("trace"),
                entry.get("doc", ""),
                items,
                entry.get("least"),
                entry.get("most"),
            )
            at += count
        return words

    @cached_property
    def trace(self) -> list[Word]:
        """The traced words; they are the first of the state, without a gap."""
        return [word for word in self.state.values() if word.trace]

    @cached_property
    def trace_words(self) -> int:
        """Words of one trace record."""
        return sum(word.count for word in self.trace)

    @cached_property
    def state_words(self) -> int:
        """Words of the controller's state."""
        return sum(word.count for word in self.state.values())

    @cached_property
    def config_words(self) -> int:
        """Words of the fixed part of an image."""
        return sum(word.count for word in self.config.values())

    def channel_index(self, name: str) -> int:
        """Index of a channel by name, such as `lateral_mg` or `stroke_um.front_left`."""
        return [channel.name for channel in self.channels].index(name)

    @cached_property
    def constants(self) -> dict[str, int]:
        """Every constant that a firmware stage may name, such as `_S_NOW_US`."""
        table: dict[str, int] = {
            "_VERSION": self.version,
            "_TRACE_WORDS": self.trace_words,
            "_STATE_WORDS": self.state_words,
            "_CONFIG_WORDS": self.config_words,
        }
        table |= {f"_S_{name.upper()}": word.at for name, word in self.state.items()}
        table |= {f"_C_{name.upper()}": word.at for name, word in self.config.items()}
        table |= {f"_N_{name.upper()}": count for name, count in self.sizes.items()}
        for row, fields in self.rows.items():
            table |= {f"_{row.upper()}_{field.upper()}": i for i, field in enumerate(fields)}
        for i, channel in enumerate(self.channels):
            name, _, corner = channel.name.partition(".")
            if corner in ("", self.corners[0]):
                table[f"_CH_{name.upper()}"] = i
                table[f"_LIMIT_{name.upper()}"] = channel.limit
        table |= {f"_MODE_{name.upper()}": i for i, name in enumerate(self.modes)}
        table |= {f"_FAULT_{name.upper()}": 1 << i for i, name in enumerate(self.faults)}
        table |= {f"_COND_{name.upper()}": 1 << i for i, name in enumerate(self.conditions)}
        table |= {f"_FLAG_{name.upper()}": 1 << i for i, name in enumerate(self.board_flags)}
        table |= {f"_SUBSTITUTE_{name.upper()}": i for i, name in enumerate(self.substitutes)}
        for i, check in enumerate(self.checks):
            name, _, place = check.name.partition(".")
            if place in ("", self.corners[0], AXLES[0]):
                table[f"_CHECK_{name.upper()}"] = i
        table |= {f"_CRC_{name.upper()}": i for i, name in enumerate(self.crc_kinds)}
        # A layer's constant is the place of its four contributions.
        first = self.state["layer_permille"].at
        table |= {f"_L_{name.upper()}": first + i * len(self.corners) for i, name in enumerate(self.layers)}
        table |= {f"_LAYER_{name.upper()}": i for i, name in enumerate(self.layers)}
        return table
