"""The pieces that both file formats are made of, and how pydantic's errors become findings."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler, ValidationError
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from dashpot.calibration.findings import Document, Finding, nearest, refuse
from dashpot.calibration.units import INT16, Family, half_up, parse, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

POINTS = (2, 16)


class Strict(BaseModel):
    """A table whose keys are all known."""

    model_config = ConfigDict(
        extra="forbid", strict=True, frozen=True, arbitrary_types_allowed=True, defer_build=True
    )


ModelT = TypeVar("ModelT", bound=Strict)


def wrong(problems: Sequence[tuple[str, str]]) -> PydanticCustomError:
    """Make one validation error of several problems, each with a key below the table at hand (or "")."""
    return PydanticCustomError("dashpot", "{said}", {"said": problems[0][1], "problems": list(problems)})


class Plain:
    """An annotation that parses a value by a function of its own."""

    def parse(self, value: object) -> object:
        """Give the value, or raise a ValueError with a message for the user."""
        raise NotImplementedError

    def __get_pydantic_core_schema__(self, _source: Any, _handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(self.parse)


@dataclass(frozen=True, slots=True)
class In(Plain):
    """A value with a unit, as an exact fraction of the family's base unit between `low` and `high`."""

    family: Family
    low: int | None = None
    high: int | None = None

    def parse(self, value: object) -> Fraction:
        """Read and bound it."""
        number = parse(value, self.family)
        if self.low is not None and number < self.low:
            raise ValueError(f"{value} is below the least, {shown(self.low, self.family)}")
        if self.high is not None and number > self.high:
            raise ValueError(f"{value} is above the most, {shown(self.high, self.family)}")
        return number


@dataclass(frozen=True, slots=True)
class Number(Plain):
    """A number without unit between two bounds."""

    low: Fraction
    high: Fraction
    whole: bool = False

    def parse(self, value: object) -> Fraction:
        """Read and bound it."""
        if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
            raise ValueError(
                f"{value!r} is not a number; one from {float(self.low):g} to {float(self.high):g} is wanted"
            )
        number = Fraction(value)
        if not self.low <= number <= self.high:
            raise ValueError(f"{value} is outside {float(self.low):g} to {float(self.high):g}")
        if self.whole and number.denominator != 1:
            raise ValueError(f"{value} is not a whole number")
        return number


@dataclass(frozen=True, slots=True)
class Series(Plain):
    """Numbers with one unit, `{ unit = "bar", at = [0, 5, 20] }`, as whole words of the family's base unit."""

    family: Family
    rising: bool = False
    low: int = INT16[0]
    high: int = INT16[1]

    def parse(self, value: object) -> tuple[int, ...]:
        """Read, convert and check them."""
        example = f'{{ unit = "{self.family.shown}", at = [0, 1, 2] }}'
        if not isinstance(value, dict):
            raise ValueError(f"should be a table such as {example}")  # noqa: TRY004 - pydantic takes ValueError only
        for key in value:
            if key not in ("unit", "at"):
                raise ValueError(f"unknown key {key!r}; {nearest(key, ['unit', 'at'])}")
        unit = value.get("unit", "" if "" in self.family.factors else None)
        if unit is None or "at" not in value:
            raise ValueError(f"{'unit' if unit is None else 'at'} is missing; write it as {example}")
        factor = unit_factor(unit, self.family)
        words = words_of(value["at"], factor, unit, (self.low, self.high))
        low, high = POINTS
        if not low <= len(words) <= high:
            raise ValueError(f"has {len(words)} points; a table has {low} to {high}")
        if self.rising:
            for i in range(1, len(words)):
                if words[i] <= words[i - 1]:
                    later, before = value["at"][i], value["at"][i - 1]
                    less = (
                        "" if Decimal(later) <= Decimal(before) else f", closer than one {self.family.base}"
                    )
                    raise ValueError(
                        f"is not rising: point {i + 1} is {later} after {before}{less}; each must be above the one before"
                    )
        return words


def unit_factor(unit: object, family: Family) -> Fraction:
    """Give the base units in one `unit`.

    Raises:
        ValueError: with a message for the user.

    """
    factor = family.factor(unit) if isinstance(unit, str) else None
    if factor is None:
        raise ValueError(
            f"{unit!r} is not a unit of {family.name.split(' ', 1)[1]}; right are {family.known}"
        )
    return factor


def words_of(values: object, factor: Fraction, unit: str, bounds: tuple[int, int]) -> tuple[int, ...]:
    """Convert a list of numbers to words.

    Raises:
        ValueError: with a message for the user.

    """
    if not isinstance(values, list):
        raise ValueError("should be a list of numbers, such as [0, 1, 2]")  # noqa: TRY004 - pydantic takes ValueError only
    words = []
    for i, value in enumerate(values, 1):
        if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
            raise ValueError(f"point {i} is {value!r}; a number is wanted")
        word = half_up(Fraction(value) * factor)
        if not bounds[0] <= word <= bounds[1]:
            low, high = (f"{float(bound / factor):.6g}" for bound in bounds)
            raise ValueError(
                f"point {i} is {value} {unit}".rstrip()
                + f"; it must lie within {low} to {high} {unit}".rstrip()
            )
        words.append(word)
    return tuple(words)


def validate(
    model: type[ModelT], document: Document, stand_in: Callable[[], dict[str, Any]]
) -> tuple[ModelT | None, list[Finding], set[str]]:
    """Validate a document, find all its mistakes, and go on past them.

    Where a value is wrong, the one of `stand_in` takes its place, only so that the other checks can run.

    Args:
        model: what the document should be.
        document: the file.
        stand_in: gives a right document of the same kind, empty where there is none to help out.

    Returns:
        The validated model, None where it could not be completed; the mistakes; the keys that stand-ins fill.

    """
    data = copy.deepcopy(document.data)
    findings: list[Finding] = []
    filled: set[str] = set()
    for _ in range(50):
        try:
            return model.model_validate(data), findings, filled
        except ValidationError as failure:
            repaired = False
            for error in failure.errors(include_url=False):
                loc = tuple(str(part) for part in error["loc"])
                path = ".".join(loc)
                for key, message in _problems(model, loc, error):
                    finding = document.error(key, message)
                    inside = any(
                        place == path or place.startswith(f"{path}.") or not path for place in filled
                    )
                    if not inside and finding not in findings:
                        findings.append(finding)
                for place in _places(loc, error, filled):
                    changed = _repair(data, place, stand_in(), error["type"])
                    repaired |= changed is not None
                    if error["type"] != "extra_forbidden":
                        filled.add(".".join(changed or place))
            if not repaired:
                break
    return None, findings, filled


def completed(
    model: type[ModelT], document: Document, stand_in: Callable[[], dict[str, Any]]
) -> tuple[ModelT, list[Finding], set[str]]:
    """Validate a document like `validate`, and refuse it at once where it could not be completed.

    Raises:
        InputError: with every mistake, of a document that could not be completed.

    """
    file, findings, filled = validate(model, document, stand_in)
    if file is None:
        refuse(findings)
        raise AssertionError("a file that cannot be completed has mistakes")
    return file, findings, filled


def refuse_all(findings: Iterable[Finding], more: Iterable[Finding], filled: set[str]) -> None:
    """Refuse a document by what `completed` found in it and by what was found later, but where that rests on a stand-in.

    Raises:
        InputError: with every mistake.

    """
    refuse([*findings, *(finding for finding in more if not touches(finding, filled))])


def touches(finding: Finding, filled: set[str]) -> bool:
    """Say whether a finding rests on a key that a stand-in fills."""
    keys = (finding.key, *finding.needs)
    return any(
        key == place or key.startswith(f"{place}.") or place.startswith(f"{key}.")
        for key in keys
        if key
        for place in filled
    )


def _places(loc: tuple[str, ...], error: Any, filled: set[str]) -> list[tuple[str, ...]]:
    """What to repair after an error: the keys of a table that it names, or the whole table when that did not help."""
    if error["type"] != "dashpot":
        return [loc]
    places = [(*loc, *key.split(".")) if key else loc for key, _ in error["ctx"]["problems"]]
    return [loc] if any(".".join(place) in filled for place in places) else places


def _repair(
    data: dict[str, Any], loc: tuple[str, ...], stand_in: dict[str, Any], kind: str
) -> tuple[str, ...] | None:
    """Put the stand-in's value at a place, or drop what cannot be used.

    Returns:
        The place that was changed, None where nothing helps.

    """
    if not loc:
        return None
    *way, last = loc
    here: Any = data
    spare: Any = stand_in
    for part in way:
        here = here.get(part) if isinstance(here, dict) else None
        spare = spare.get(part) if isinstance(spare, dict) else None
    if not isinstance(here, dict):
        return None
    if kind != "extra_forbidden" and isinstance(spare, dict) and last in spare:
        if here.get(last) == spare[last]:
            return None
        here[last] = copy.deepcopy(spare[last])
        return loc
    if kind == "missing":
        # Nothing can stand in for the key: the table it is missing in goes.
        return _repair(data, tuple(way), {}, "incomplete")
    return loc if here.pop(last, None) is not None else None


_SAID: dict[str, str] = {
    "bool_type": "should be true or false",
    "string_type": "should be a text in quotes",
    "int_type": "should be a whole number",
    "list_type": "should be a list",
    "tuple_type": "should be a list",
    "dict_type": "should be a table",
    "model_type": "should be a table",
}


def _problems(model: type[Strict], loc: tuple[str, ...], error: Any) -> list[tuple[str, str]]:
    """Give keys and messages for one of pydantic's errors."""
    path = ".".join(loc)
    kind = error["type"]
    if kind == "extra_forbidden":
        owner = _model_at(model, loc[:-1])
        known = [field.alias or name for name, field in owner.model_fields.items()] if owner else []
        return [(path, f"unknown key; {nearest(loc[-1], known)}")]
    if kind == "missing":
        return [(path, "is missing; every key must be written")]
    if kind == "dashpot":
        problems: list[tuple[str, str]] = error["ctx"]["problems"]
        return [(".".join(filter(None, (path, key))), message) for key, message in problems]
    if kind == "value_error":
        return [(path, str(error["ctx"]["error"]))]
    said = _SAID.get(kind)
    if said is None:
        said = error["msg"][:1].lower() + error["msg"][1:].replace("Input ", "")
    return [(path, f"is {error['input']!r}; {said}" if not isinstance(error["input"], dict | list) else said)]


def _model_at(model: type[Strict], loc: tuple[str, ...]) -> type[Strict] | None:
    """Follow a path of keys through the fields of nested tables."""
    here: Any = model
    for part in loc:
        if not (isinstance(here, type) and issubclass(here, Strict)):
            # A dict of tables: its values have one model, whatever the key.
            here = _table_in(here)
            continue
        fields = {field.alias or name: field.annotation for name, field in here.model_fields.items()}
        here = (
            _table_in(fields[part]) if part in fields and not _is_mapping(fields[part]) else fields.get(part)
        )
    return here if isinstance(here, type) and issubclass(here, Strict) else _table_in(here)


def _is_mapping(annotation: Any) -> bool:
    return getattr(annotation, "__origin__", None) is dict


def _table_in(annotation: Any) -> type[Strict] | None:
    """Find the table type in an annotation such as `Table`, `Table | None` or `dict[str, Table]`."""
    if isinstance(annotation, type) and issubclass(annotation, Strict):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _table_in(part)
        if found:
            return found
    return None
