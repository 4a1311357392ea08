"""An image for people: its numbers with units, its maps as tables, and what differs between two."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashpot.calibration import units
from dashpot.calibration.model import CORNERS
from dashpot.calibration.packing import scalar_texts
from dashpot.calibration.scalars import CHECKS, ENABLED, SCALARS, TABLES
from dashpot.calibration.units import Family, number
from dashpot.calibration.vehicle import SUBSTITUTES, channel_names

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashpot.calibration.image import Image


@dataclass(frozen=True, slots=True)
class Grid:
    """A table of an image.

    Attributes:
        key: where it stands in calibration.toml.
        value_unit: unit of the cells.
        x_name, x_unit, x: the axis down the side.
        y_name, y_unit, y: the axis across, empty for a table over one axis.
        cells: a row for each x; one cell a row where there is no y.

    """

    key: str
    value_unit: str
    x_name: str
    x_unit: str
    x: tuple[str, ...]
    y_name: str
    y_unit: str
    y: tuple[str, ...]
    cells: tuple[tuple[str, ...], ...]

    def as_json(self) -> dict[str, object]:
        """Fields for `--json`; numbers as numbers."""
        axes: dict[str, object] = {self.x_name: {"unit": self.x_unit, "at": [float(x) for x in self.x]}}
        if self.y:
            axes[self.y_name] = {"unit": self.y_unit, "at": [float(y) for y in self.y]}
        values = [[float(cell) for cell in row] for row in self.cells]
        return {
            "axes": axes,
            "unit": self.value_unit,
            "values": values if self.y else [row[0] for row in values],
        }


def _numbers(words: tuple[int, ...], family: Family) -> tuple[str, ...]:
    return tuple(number(word, family) for word in words)


def grids(image: Image) -> list[Grid]:
    """All tables of an image."""
    found = []
    for table in TABLES:
        xs, ys = image.curve(table.word, table.index)
        cells = tuple((cell,) for cell in _numbers(ys, table.y))
        found.append(
            Grid(
                table.key,
                table.y.shown,
                table.x_name,
                table.x.shown,
                _numbers(xs, table.x),
                table.y_name,
                "",
                (),
                cells,
            )
        )
    xs, ys, maps = image.body_load()
    for corner, cells_of in zip(CORNERS, maps, strict=True):
        rows = tuple(
            _numbers(cells_of[i : i + len(ys)], units.SHARE) for i in range(0, len(cells_of), len(ys))
        )
        found.append(
            Grid(
                f"layers.body_load.map.{corner}", units.SHARE.shown, "lateral", units.ACCELERATION.shown,
                _numbers(xs, units.ACCELERATION), "longitudinal", units.ACCELERATION.shown,
                _numbers(ys, units.ACCELERATION), rows,
            )
        )  # fmt: skip
    return found


def scalars(image: Image) -> list[tuple[str, str, str]]:
    """Key, value with unit, and what it means a tick, of every single number of an image, table by table."""
    texts = {key: text.strip('"') for key, text in scalar_texts(image).items()}
    derived = {s.key: s.codec.derived(image.word(s.word, s.index)) for s in SCALARS}
    derived |= {c.key: c.codec.derived(image.words[c.places(image.layout)[0]]) for c in CHECKS}
    tables: dict[str, int] = {}
    for key in texts:
        tables.setdefault(_table(key), len(tables))
    return [
        (key, texts[key], derived.get(key, "")) for key in sorted(texts, key=lambda key: tables[_table(key)])
    ]


def _table(key: str) -> str:
    return ".".join(key.split(".")[:2])


def channels(image: Image) -> list[dict[str, object]]:
    """Where each mapped channel comes from and what is done without it."""
    rows = image.rows("channel_row")
    signals: dict[int, list[dict[str, int]]] = {}
    for row in image.rows("signal"):
        signals.setdefault(row["channel"], []).append(row)
    sources = image.names.get("sources")
    found = []
    for name, (index, family) in channel_names(image.layout).items():
        row = rows[index]
        if not row["configured"] or index not in signals:
            continue
        signal = signals[index][0]
        source = sources.get(name, {}) if isinstance(sources, dict) else {}
        found.append(
            {
                "channel": name,
                "signal": source.get("signal", ""),
                "id": source.get("id", ""),
                "bits": source.get("layout", ""),
                "scale": " ".join(str(source.get(part, "")) for part in ("scale", "unit")).strip(),
                "offset": source.get("offset", ""),
                "least": units.shown(signal["range_low"], family),
                "most": units.shown(signal["range_high"], family),
                "step": family.base,
                "error": f"{0.5 + float(source.get('error', 0)):.3g} {family.base}".rstrip(),
                "timeout": units.shown(row["timeout_us"], units.TIME),
                "heal_good": row["heal_good"],
                "rate": units.shown(10 * row["rate_100ms"], family) if row["rate_100ms"] else "",
                "still": units.shown(row["still_us"], units.TIME) if row["still_us"] else "",
                "without": _without(image, row, family),
            }
        )
    return found


def _without(image: Image, row: dict[str, int], family: Family) -> str:
    others = {image.layout.substitutes.index(name): text for text, (name, _, _) in SUBSTITUTES.items()}
    if row["substitute"] in others:
        return f"{others[row['substitute']]}, else safe"
    return "safe" if row["required"] else units.shown(row["default"], family)


def messages(image: Image) -> list[dict[str, object]]:
    """The frames that are read, and how they are protected."""
    vehicle = image.names.get("vehicle")
    tables = vehicle.get("messages", {}) if isinstance(vehicle, dict) else {}
    ids = image.names.get("sources")
    names = {}
    for source in ids.values() if isinstance(ids, dict) else ():
        names[source["id"]] = source["signal"].partition(".")[0]
    found = []
    for row in image.rows("message"):
        extended = row["key"] >> 29 & 1
        frame_id = f"{row['key'] & 0x1FFFFFFF:X}{'x' if extended else ''}"
        name = names.get(frame_id, "")
        modulo = row["counter_modulo"]
        found.append(
            {
                "message": name,
                "id": frame_id,
                "bytes": row["length"],
                "period": tables.get(name, {}).get("period", ""),
                "crc": image.layout.crc_kinds[row["crc_kind"]],
                "counter": f"0 to {modulo - 1}, step up to {row['counter_max_delta']}" if modulo else "none",
                "multiplexed": "yes" if row["mux_count"] else "no",
                "signals": row["signal_count"],
            }
        )
    return found


def about(image: Image) -> dict[str, object]:
    """What the image is."""
    calibration = image.names.get("calibration")
    vehicle = image.names.get("vehicle")
    calibration = calibration if isinstance(calibration, dict) else {}
    vehicle = vehicle if isinstance(vehicle, dict) else {}
    return {
        "calibration": calibration.get("name", ""),
        "notes": calibration.get("notes", ""),
        "vehicle": vehicle.get("name", ""),
        "dbc": [entry["file"] for entry in vehicle.get("dbc", [])],
        "format": f"{image.layout.version:08x}",
        "crc32": f"{image.crc32:08x}",
        "bytes": len(image.to_bytes()),
        "words": len(image.words),
        "layers_on": [
            name
            for i, name in enumerate(image.layout.layers)
            if image.word("layer_on", i) or name not in ENABLED
        ],
    }


@dataclass(frozen=True, slots=True)
class Change:
    """One difference: `place` says where in a table, with units, empty elsewhere; None where one side has nothing."""

    key: str
    place: str
    before: str | None
    after: str | None

    def as_json(self) -> dict[str, object]:
        """Fields for `--json`."""
        return {"key": self.key, "place": self.place, "before": self.before, "after": self.after}


def changes(before: Image, after: Image) -> list[Change]:
    """All that differs between two images, in the order of the files; the vehicles only where both have one."""
    found = list(_dict_changes("calibration", _flat(before, "calibration"), _flat(after, "calibration")))
    settings = [{key: text for key, text, _ in scalars(image)} for image in (before, after)]
    found += _dict_changes("", *settings)
    for one, other in zip(grids(before), grids(after), strict=True):
        found += _grid_changes(one, other)
    if "vehicle" in before.names and "vehicle" in after.names:
        for part in ("vehicle", "sources"):
            found += _dict_changes(part, _flat(before, part), _flat(after, part))
        if not found and before.words != after.words:
            at = next(
                i for i, (old, new) in enumerate(zip(before.words, after.words, strict=False)) if old != new
            )
            found.append(Change("words", f"from word {at}", str(before.words[at]), str(after.words[at])))
    return found


def _flat(image: Image, part: str) -> dict[str, str]:
    flat: dict[str, str] = {}

    def walk(path: str, value: Any) -> None:
        if isinstance(value, dict):
            for key, item in value.items():
                walk(f"{path}.{key}" if path else key, item)
        else:
            flat[path] = str(value)

    walk("", image.names.get(part, {}))
    # The reference of the grip layer is among the numbers already.
    flat.pop("dry_reference_mg", None)
    return flat


def _dict_changes(part: str, old: dict[str, str], new: dict[str, str]) -> Iterator[Change]:
    for key in dict.fromkeys((*old, *new)):
        if old.get(key) != new.get(key):
            yield Change(f"{part}: {key}" if part else key, "", old.get(key), new.get(key))


def _with_unit(value: str, unit: str) -> str:
    return f"{value} {unit}".rstrip()


def _grid_changes(one: Grid, other: Grid) -> Iterator[Change]:
    if (one.x, one.y) == (other.x, other.y):
        for i, x in enumerate(one.x):
            for j in range(len(one.cells[i])):
                if one.cells[i][j] != other.cells[i][j]:
                    place = f"{one.x_name} {_with_unit(x, one.x_unit)}"
                    if one.y:
                        place += f", {one.y_name} {_with_unit(one.y[j], one.y_unit)}"
                    unit = one.value_unit
                    yield Change(
                        one.key, place, _with_unit(one.cells[i][j], unit), _with_unit(other.cells[i][j], unit)
                    )
        return
    for name, old, new, unit in (
        (one.x_name, one.x, other.x, one.x_unit),
        (one.y_name, one.y, other.y, one.y_unit),
        ("values", _rows(one), _rows(other), one.value_unit),
    ):
        if old != new:
            yield Change(one.key, name, _with_unit(", ".join(old), unit), _with_unit(", ".join(new), unit))


def _rows(grid: Grid) -> tuple[str, ...]:
    return tuple(" ".join(row) for row in grid.cells)
