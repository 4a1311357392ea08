"""The numbers of a calibration that a search may move, and the reason for each that it may not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from dashpot.calibration import units
from dashpot.calibration.model import CORNERS, BodyLoadMap, Calibration, Curve
from dashpot.calibration.schema import In, Number, Series, Strict, unit_factor
from dashpot.calibration.units import Family, decimal_text, half_up, parse
from dashpot.tune.spots import Path, dotted, leaves

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashpot.calibration import Document

#: What no search moves, by the first words of its key, with the reason.
LOCKED: dict[str, str] = {
    "limits": "it bounds what all layers together may ask for",
    "valves": "it is the valve's own curve, safe current, limit or coil",
    "fail_safe": "it says how the controller goes to its safe currents",
    "checks": "it decides when a channel is doubted",
    "board": "it decides when supply, driver and bus are doubted",
    "coils": "it decides when a coil is switched off",
    "current_control": "it belongs to the coil, not to the car",
    "layers.stroke_end": "this layer keeps the damper off its stops",
    "filters": "the checks see what the filters give",
    "timing": "every time in the firmware is counted in it",
    "report": "it does nothing to the car",
}
#: Breakpoints are left out where a pattern names values beside them.
AXIS = "a table's breakpoints stay: its values move"
_OTHER = "it is no number of a layer"
#: A number that a step leaves without end is written with so many decimals.
_DECIMALS = 9


@dataclass(frozen=True, slots=True)
class Cell:
    """One number that may move.

    Attributes:
        key: as people write it, such as "layers.body_load.map.front_left[0][2]".
        path: its place in the file.
        family: its quantity.
        unit: base units in the unit that the file has.
        start: the value, in base units.
        low, high: what the file's schema allows, in base units.
        rows: rows of the map that it stands in, 0 elsewhere.

    """

    key: str
    path: Path
    family: Family
    unit: Fraction
    start: Fraction
    low: Fraction
    high: Fraction
    rows: int = 0

    def text(self, value: Fraction) -> str:
        """Write a value in the file's own unit, without it.

        What no decimal ends is rounded to nine places.
        """
        number = value / self.unit
        ten = 10**_DECIMALS
        return decimal_text(
            number if (number * ten).denominator == 1 else Fraction(half_up(number * ten), ten)
        )


@dataclass(frozen=True, slots=True)
class Numbers:
    """All numbers of a calibration: those that may move by key, and the reason of the others."""

    cells: dict[str, Cell]
    locked: dict[str, str]

    def matching(self, pattern: str) -> tuple[list[Cell], dict[str, str]]:
        """Return the cells that a pattern names, in the order of the file, and the locked numbers among what it names.

        `*` stands for any letters, `[*]` for any place in a row of a map or in a series.
        """
        wanted = _regex(pattern)
        return (
            [cell for key, cell in self.cells.items() if wanted.fullmatch(key)],
            {key: why for key, why in self.locked.items() if wanted.fullmatch(key)},
        )

    def names(self) -> list[str]:
        """Return the keys of all cells with their places as `[*]`, each once."""
        return list(dict.fromkeys(re.sub(r"\[\d+\]", "[*]", key) for key in self.cells))


def _regex(pattern: str) -> re.Pattern[str]:
    parts = re.split(r"(\[\*\]|\*)", pattern.strip())
    kinds = {"[*]": r"\[\d+\]", "*": ".*"}
    return re.compile("".join(kinds.get(part, re.escape(part)) for part in parts))


def why_locked(key: str) -> str | None:
    """Return why a search may not move a key, None where it may; of any key of a calibration or of its image."""
    for prefix, reason in LOCKED.items():
        if key == prefix or key.startswith(f"{prefix}."):
            return reason
    return None if key.startswith("layers.") else _OTHER


def numbers_of(document: Document) -> Numbers:
    """Sort the numbers of a calibration that has passed its check."""
    cells: dict[str, Cell] = {}
    locked: dict[str, str] = {}
    for path, value in leaves(document.data).items():
        if isinstance(value, bool) or (isinstance(value, str) and path[-1] in {"unit", "name", "notes"}):
            continue
        key = dotted(path)
        why = why_locked(key)
        if why is None:
            made = _cell(document.data, key, path, value)
            if isinstance(made, Cell):
                cells[key] = made
                continue
            if made is None:
                continue
            why = made
        locked[key] = why
    return Numbers(cells, locked)


def _cell(data: Any, key: str, path: Path, value: Any) -> Cell | str | None:
    """Make the cell at a place; the reason where it stays, None where it is no number at all."""
    owner, field, rest = _owner(path)
    if owner is BodyLoadMap:
        if field not in CORNERS:
            return AXIS
        if isinstance(value, str):
            return None
        table = _at(data, path[: len(path) - len(rest) - 1])
        return _counted(key, path, value, table["unit"], (units.SHARE, -1000, 1000), rows=len(table[field]))
    how = _how(owner, field)
    if isinstance(how, Series):
        assert issubclass(owner, Curve)
        if field == next(iter(owner.model_fields)):
            return AXIS
        return _counted(
            key, path, value, _at(data, path[:-2]).get("unit", ""), (how.family, how.low, how.high)
        )
    if isinstance(how, Number):
        return Cell(key, path, units.POSITION, Fraction(1), Fraction(value), how.low, how.high)
    if isinstance(how, In):
        start = parse(value, how.family)
        match = re.fullmatch(r"\s*[-+\d.eE_]+\s*(.*?)\s*", value)
        factor = how.family.factor(match[1]) if match else None
        assert factor is not None
        low, high = (
            Fraction(end if end is not None else sign * 10**9) for end, sign in ((how.low, -1), (how.high, 1))
        )
        return Cell(key, path, how.family, factor, start, low, high)
    return None


def _counted(
    key: str, path: Path, value: Decimal | int, unit: str, kind: tuple[Family, int, int], rows: int = 0
) -> Cell:
    family, low, high = kind
    factor = unit_factor(unit, family)
    return Cell(key, path, family, factor, Fraction(value) * factor, Fraction(low), Fraction(high), rows)


def _at(data: Any, path: Path) -> Any:
    for part in path:
        data = data[part]
    return data


def _owner(path: Path) -> tuple[type[Strict], str, Path]:
    """Follow a path through the model: the table that declares the value, its field there, the rest of the path."""
    here: type[Strict] = Calibration
    for index, part in enumerate(path):
        assert isinstance(part, str)
        below = here.model_fields[part].annotation
        if not (isinstance(below, type) and issubclass(below, Strict)):
            return here, part, path[index + 1 :]
        here = below
    raise AssertionError(f"{dotted(path)} is a table")


def _how(owner: type[Strict], field: str) -> object:
    """Return how a field is read."""
    return next(
        (one for one in owner.model_fields[field].metadata if isinstance(one, In | Number | Series)), None
    )


def axle_twin(key: str) -> str:
    """Return what is the same of both axles of a key."""
    return re.sub(r"\b(front|rear)(?=[._\[]|$)", "axle", key)


def side_twin(cell: Cell) -> str:
    """Return what is the same of both sides of a cell of a map: right corners have their rows turned round."""
    match = re.fullmatch(r"(.*\.(?:front|rear)_)(left|right)\[(\d+)\](.*)", cell.key)
    if match is None:
        return cell.key
    row = int(match[3]) if match[2] == "left" else cell.rows - 1 - int(match[3])
    return f"{match[1]}side[{row}]{match[4]}"


def listed(cells: Iterator[Cell] | list[Cell]) -> str:
    """Write some keys for a message."""
    keys = [cell.key for cell in cells]
    return ", ".join(keys[:3]) + (f" and {len(keys) - 3} more" if len(keys) > 3 else "")
