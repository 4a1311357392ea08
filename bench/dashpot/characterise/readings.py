"""Dyno files: text with a column a quantity, every unit declared, read in blocks; a mistake is named with its line."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from itertools import islice
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from dashpot.calibration import units as cal_units
from dashpot.calibration.findings import Document, nearest, refuse
from dashpot.calibration.schema import Strict, validate
from dashpot.errors import InputError
from dashpot.plant import units

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path
    from typing import TextIO

    from dashpot.calibration.units import Family
    from dashpot.console import Progress
    from dashpot.plant.car import Floats

#: Rows of all files together; about a gigabyte of work at eight columns.
MOST_ROWS = 4_000_000
BLOCK_LINES = 50_000
#: Rows below which there is nothing to find.
LEAST_ROWS = 50

DUTY = cal_units.Family(
    "a duty", "permille", {"%": Fraction(10), "percent": Fraction(10), "permille": Fraction(1), "1": Fraction(1000)}, "50 %"
)  # fmt: skip
#: Quantity: its units, and SI units in one base unit.
FAMILIES: dict[str, tuple[Family, float]] = {
    "time": (cal_units.TIME, 1e-6),
    "position": (units.LENGTH, 1e-3),
    "speed": (cal_units.STROKE_SPEED, 1e-3),
    "force": (units.FORCE, 1.0),
    "current": (cal_units.CURRENT, 1e-3),
    "voltage": (cal_units.VOLTAGE, 1e-3),
    "duty": (DUTY, 1e-3),
}
TEMPERATURES = ("temperature", "coil_temperature")
#: Unit: factor to degrees Celsius, and what is taken away before it.
DEGREES = {"degC": (1.0, 0.0), "°C": (1.0, 0.0), "C": (1.0, 0.0), "K": (1.0, 273.15), "degF": (5 / 9, 32.0), "°F": (5 / 9, 32.0), "F": (5 / 9, 32.0)}  # fmt: skip
QUANTITIES = ("time", "position", "speed", "force", "current", *TEMPERATURES, "voltage", "duty")
NEEDED = ("time", "position", "force")
SPELLINGS = {
    "t": "time", "stroke": "position", "displacement": "position", "travel": "position", "velocity": "speed",
    "stroke_speed": "speed", "load": "force", "oil_temperature": "temperature", "temp": "temperature",
    "supply": "voltage", "pwm": "duty", "duty_cycle": "duty",
}  # fmt: skip
_HEADER = re.compile(r"\s*(.*?)\s*(?:[\[(]\s*(.*?)\s*[\])])?\s*")


@dataclass(frozen=True, slots=True)
class Readings:
    """One file in SI units, each array of the same length, None where there is no such column.

    Compression is positive: in position, in speed, and as the force that resists it.
    """

    name: str
    time_s: Floats
    position_m: Floats
    force_n: Floats
    current_a: Floats | None
    speed_m_s: Floats | None = None
    temperature_c: Floats | None = None
    coil_temperature_c: Floats | None = None
    voltage_v: Floats | None = None
    duty: Floats | None = None
    ignored: tuple[str, ...] = ()


class ColumnKeys(Strict):
    """A table of the columns file: which column, in which unit, which way round."""

    column: str
    unit: str
    sign: Literal[1, -1] = 1


class ColumnsFile(Strict):
    """COLUMNS.toml."""

    separator: Literal[",", ";", "\t"] | None = None
    decimal: Literal[".", ","] | None = None
    time: ColumnKeys | None = None
    position: ColumnKeys | None = None
    speed: ColumnKeys | None = None
    force: ColumnKeys | None = None
    current: ColumnKeys | None = None
    temperature: ColumnKeys | None = None
    coil_temperature: ColumnKeys | None = None
    voltage: ColumnKeys | None = None
    duty: ColumnKeys | None = None

    def of(self, quantity: str) -> ColumnKeys | None:
        """Return the table of a quantity."""
        keys: ColumnKeys | None = getattr(self, quantity)
        return keys


def load_columns(path: Path) -> ColumnsFile:
    """Read a columns file.

    Raises:
        InputError: with every mistake.

    """
    document = Document.read(path)
    file, findings, _ = validate(ColumnsFile, document, dict)
    for quantity in QUANTITIES:
        keys = file.of(quantity) if file else None
        if keys is not None:
            try:
                scale_of(quantity, keys.unit)
            except ValueError as error:
                findings.append(document.error(f"{quantity}.unit", str(error)))
    refuse(findings)
    assert file is not None
    return file


def scale_of(quantity: str, unit: str) -> tuple[float, float]:
    """Return factor and offset: SI value = (number - offset) x factor.

    Raises:
        ValueError: with a message for the user.

    """
    if quantity in TEMPERATURES:
        if unit not in DEGREES:
            raise ValueError(f"{unit!r} is not a unit of temperature; right are {', '.join(DEGREES)}")
        return DEGREES[unit]
    family, si = FAMILIES[quantity]
    factor = family.factor(unit)
    if factor is None:
        raise ValueError(
            f"{unit!r} is not a unit of {family.name.split(' ', 1)[1]}; right are {family.known}"
        )
    return float(factor) * si, 0.0


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a quantity stands, and how it becomes SI."""

    index: int
    factor: float
    offset: float


@dataclass(slots=True)
class _Head:
    """What the first lines of a file say."""

    separator: str
    decimal: str
    cells: int
    places: dict[str, _Place]
    ignored: tuple[str, ...]
    lines: int
    held: list[str]


def read_dyno(
    path: Path, columns: ColumnsFile | None = None, most_rows: int = MOST_ROWS, bar: Progress | None = None
) -> Readings:
    """Read a dyno file.

    Args:
        path: the file; comma, semicolon or tab between the cells, a header with a unit for each used column.
        columns: what the header does not say.
        most_rows: more rows than this are refused.
        bar: is told of the bytes read.

    Raises:
        InputError: the file cannot be read or used, with the line.

    """
    try:
        with path.open(encoding="utf-8-sig") as stream:
            head = _head(path, stream, columns or ColumnsFile())
            blocks = list(_blocks(path, stream, head, most_rows, bar))
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"is not a text in UTF-8 (byte {error.start} of a block); a CSV file is wanted", where=path
        ) from None
    table = np.concatenate(blocks) if blocks else np.zeros((0, len(head.places)))
    if len(table) < LEAST_ROWS:
        raise InputError(f"has {len(table)} rows of readings; at least {LEAST_ROWS} are needed", where=path)
    columns_si: dict[str, Any] = {
        quantity: (table[:, i] - place.offset) * place.factor
        for i, (quantity, place) in enumerate(head.places.items())
    }
    return Readings(
        name=str(path),
        time_s=columns_si["time"],
        position_m=columns_si["position"],
        force_n=columns_si["force"],
        current_a=columns_si.get("current"),
        speed_m_s=columns_si.get("speed"),
        temperature_c=columns_si.get("temperature"),
        coil_temperature_c=columns_si.get("coil_temperature"),
        voltage_v=columns_si.get("voltage"),
        duty=columns_si.get("duty"),
        ignored=head.ignored,
    )


def _head(path: Path, stream: TextIO, columns: ColumnsFile) -> _Head:
    """Read the header, and the row of units below it where there is one."""
    count = 0
    line = ""
    for line in stream:
        count += 1
        if line.strip() and not line.startswith("#"):
            break
    else:
        raise InputError("is empty; a header and rows of readings are wanted", where=path)
    separator: str = columns.separator or max([",", ";", "\t"], key=line.count)
    decimal = columns.decimal or "."
    if decimal == separator:
        raise InputError(f"{decimal!r} cannot be both decimal sign and separator", where=path)
    names, written = _split(line, separator)
    held: list[str] = []
    if not any(written):
        second = stream.readline()
        _, below = _split(second, separator, bare=True)
        if second and len(below) == len(names) and not any(_is_number(unit) for unit in below):
            written = below
            count += 1
        elif second:
            held.append(second)
    places, ignored = _places(f"{path}:{count}", names, written, columns)
    if not columns.decimal and separator != ",":
        # A decimal comma shows in the first row of numbers.
        if not held:
            held.append(stream.readline())
        decimal = "," if "," in held[0] and "." not in held[0] else "."
    return _Head(separator, decimal, len(names), places, ignored, count, held)


def _split(line: str, separator: str, *, bare: bool = False) -> tuple[list[str], list[str]]:
    """Return names and units of a header's cells; `bare` cells are units with or without brackets."""
    names, written = [], []
    for cell in line.rstrip("\r\n").split(separator):
        text = cell.strip().strip('"').strip()
        found = _HEADER.fullmatch(text)
        assert found
        if bare:
            written.append(found[2] if found[2] is not None else text)
        else:
            names.append(found[1])
            written.append(found[2] or "")
    return names, written


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True


def _places(
    where: str, names: Sequence[str], written: Sequence[str], columns: ColumnsFile
) -> tuple[dict[str, _Place], tuple[str, ...]]:
    """Find the column of each quantity."""
    tidy = [re.sub(r"[\s_-]+", "_", name.strip().lower()) for name in names]
    known = [SPELLINGS.get(name, name) for name in tidy]
    places: dict[str, _Place] = {}
    used: set[int] = set()
    for quantity in QUANTITIES:
        keys = columns.of(quantity)
        if keys is not None:
            if keys.column not in names:
                raise InputError(
                    f"there is no column {keys.column!r} for the {quantity}; {nearest(keys.column, names)}", where=where
                )  # fmt: skip
            index, unit, sign = names.index(keys.column), keys.unit, keys.sign
        elif quantity in known:
            index, sign = known.index(quantity), 1
            unit = written[index]
            if known.count(quantity) > 1:
                raise InputError(f"two columns could be the {quantity}; say which in --columns", where=where)
            if not unit:
                raise InputError(
                    f"the column {names[index]!r} declares no unit; write it as "
                    f"{quantity} [{_units_of(quantity)[0]}], or say so in --columns",
                    where=where,
                )
        else:
            continue
        try:
            factor, offset = scale_of(quantity, unit)
        except ValueError as error:
            raise InputError(f"column {names[index]!r}: {error}", where=where) from None
        places[quantity] = _Place(index, sign * factor, offset)
        used.add(index)
    for quantity in NEEDED:
        if quantity not in places:
            raise InputError(
                f"there is no column for the {quantity}; write one as {quantity} [{_units_of(quantity)[0]}], or name "
                f"it in --columns; there are {', '.join(name or '(no name)' for name in names)}",
                where=where,
            )
    if "current" not in places and "duty" not in places:
        raise InputError("there is no column for the current; write one as current [A]", where=where)
    return places, tuple(name for i, name in enumerate(names) if i not in used)


def _units_of(quantity: str) -> list[str]:
    return list(DEGREES) if quantity in TEMPERATURES else list(FAMILIES[quantity][0].factors)


def _blocks(
    path: Path, stream: TextIO, head: _Head, most_rows: int, bar: Progress | None
) -> Iterator[Floats]:
    """Read the rows, block by block."""
    wanted = [place.index for place in head.places.values()]
    time_at = list(head.places).index("time")
    line, rows, last = head.lines + 1, 0, -np.inf
    first = head.held
    while lines := [*first, *islice(stream, BLOCK_LINES)]:
        first = []
        texts = [text.replace(",", ".") for text in lines] if head.decimal == "," else lines
        if not any(text.strip() for text in texts):
            line += len(lines)
            continue
        place = _Lines(path, texts, line, head)
        try:
            block: Floats = np.loadtxt(
                texts, delimiter=head.separator, usecols=wanted, ndmin=2, comments=None
            )
        except (ValueError, IndexError):
            place.refuse_first(wanted)
            raise
        if not np.isfinite(block).all():
            place.refuse_first(wanted)
        rows += len(block)
        if rows > most_rows:
            raise InputError(
                f"more than {most_rows} rows in all; record at a lower rate or leave tests out, "
                "the files are held in memory",
                where=path,
            )
        time = block[:, time_at] * head.places["time"].factor
        back = np.flatnonzero(np.diff(time, prepend=last) <= 0.0)
        if len(back):
            raise InputError(
                f"the time does not rise: {block[back[0], time_at]:g} comes after an equal or later one",
                where=f"{path}:{place.line_of(int(back[0]))}",
            )
        last = time[-1]
        yield block
        line += len(lines)
        if bar is not None:
            bar.advance(sum(map(len, lines)))


@dataclass(slots=True)
class _Lines:
    """A block's lines, to say which one is wrong."""

    path: Path
    texts: list[str]
    first: int
    head: _Head

    def line_of(self, row: int) -> int:
        """Return the line of a row; empty lines are no rows."""
        full = [i for i, text in enumerate(self.texts) if text.strip()]
        return self.first + full[row]

    def refuse_first(self, wanted: Sequence[int]) -> None:
        """Raise for the first line that cannot be read."""
        separator = self.head.separator
        for i, text in enumerate(self.texts):
            if not text.strip():
                continue
            where = f"{self.path}:{self.first + i}"
            cells = text.rstrip("\r\n").split(separator)
            if len(cells) <= max(wanted):
                raise InputError(f"{len(cells)} cells; the header has {self.head.cells} columns", where=where)
            for index in wanted:
                cell = cells[index].strip()
                self._check(cell, index + 1, where)

    @staticmethod
    def _check(cell: str, column: int, where: str) -> None:
        if not cell:
            raise InputError(f"column {column} is empty; every row needs all of its readings", where=where)
        try:
            number = float(cell)
        except ValueError:
            raise InputError(f"column {column} is {cell!r}; a number is wanted", where=where) from None
        if not np.isfinite(number):
            raise InputError(f"column {column} is {cell}; a finite number is wanted", where=where)
