"""Where each value of a TOML text stands, so that one number can be changed and no other byte.

`tomllib` has read the text before and refuses what is not TOML; this only finds places.
"""

from __future__ import annotations

import re
import tomllib
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Keys and places in lists, from the top of the file.
Path = tuple[str | int, ...]
#: First letter of a value, and the one after its last.
Span = tuple[int, int]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_KEY = re.compile(r"""[A-Za-z0-9_-]+|"(?:\\.|[^"\\\n])*"|'[^'\n]*'""")
_TEXT = re.compile(r'"""(?:\\.|[^\\])*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:\\.|[^"\\\n])*"|\'[^\'\n]*\'', re.DOTALL)
_PLAIN = re.compile(r"[^\s,#\]}]+(?: [0-9]{2}:[^\s,#\]}]+)?")
_NUMBER = re.compile(
    r"(?P<open>[\"']?\s*)(?P<number>[+-]?(?!0[xob])(?:[0-9_]+(?:\.[0-9_]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)"
)


class _Reader:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.spots: dict[Path, Span] = {}
        self._rows: dict[Path, int] = {}

    def read(self) -> dict[Path, Span]:
        table: Path = ()
        self._skip(_BLANK)
        while self.at < len(self.text):
            if self.text.startswith("[", self.at):
                table = self._header()
            else:
                self._pair(table)
            self._skip(_BLANK)
        return self.spots

    def _skip(self, pattern: re.Pattern[str]) -> None:
        match = pattern.match(self.text, self.at)
        self.at = match.end() if match else self.at

    def _header(self) -> Path:
        many = self.text.startswith("[[", self.at)
        self.at += 1 + many
        path = self._keys(())
        self.at += 1 + many
        if many:
            self._rows[path] = self._rows.get(path, -1) + 1
            path = (*path, self._rows[path])
        return path

    def _keys(self, table: Path) -> Path:
        """Read a dotted key; a table of a list is its newest row."""
        path = table
        while True:
            self._skip(_SPACE)
            match = _KEY.match(self.text, self.at)
            if match is None:
                raise ValueError(self.at)
            self.at = match.end()
            word = match[0]
            path = (*path, next(iter(tomllib.loads(f"{word} = 0"))) if word[0] in "\"'" else word)
            self._skip(_SPACE)
            if not self.text.startswith(".", self.at):
                return path
            if path in self._rows:
                path = (*path, self._rows[path])
            self.at += 1

    def _pair(self, table: Path) -> None:
        path = self._keys(table)
        self.at = self.text.index("=", self.at) + 1
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: Path) -> None:
        letter = self.text[self.at]
        if letter == "[":
            self._list(path)
        elif letter == "{":
            self._table(path)
        else:
            match = (_TEXT if letter in "\"'" else _PLAIN).match(self.text, self.at)
            if match is None:
                raise ValueError(self.at)
            self.spots[path] = match.span()
            self.at = match.end()

    def _list(self, path: Path) -> None:
        self.at += 1
        count = 0
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == "]":
                break
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._value((*path, count))
            count += 1
        self.at += 1

    def _table(self, path: Path) -> None:
        self.at += 1
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == "}":
                break
            if self.text[self.at] == ",":
                self.at += 1
                continue
            self._pair(path)
        self.at += 1


def spots(text: str) -> dict[Path, Span]:
    """Find the place of each value that is neither list nor table.

    Args:
        text: a TOML file that `tomllib` reads.

    Raises:
        ValueError: the text has a form that this does not know.

    """
    try:
        return _Reader(text).read()
    except IndexError:
        raise ValueError(len(text)) from None


def number_span(text: str, span: Span) -> Span | None:
    """Narrow a value to its number, without quotes and unit; None where it does not begin with one."""
    match = _NUMBER.match(text, span[0], span[1])
    return match.span("number") if match else None


class Editor:
    """Changes numbers of a text in place: units, comments, spaces and all else stay.

    Args:
        text: a TOML file.
        where: the file, for messages.

    Raises:
        InputError: the text is written in a way that this does not know.

    """

    def __init__(self, text: str, where: str) -> None:
        self.text = text
        self.where = where
        try:
            self._spots = spots(text)
        except ValueError as error:
            raise InputError(
                f"is written in a way that cannot be edited in place, near letter {error}", where=where
            ) from None
        self._leaves = leaves(tomllib.loads(text, parse_float=Decimal))

    def put(self, numbers: Mapping[Path, str]) -> str:
        """Return the text with other numbers at some places.

        Raises:
            InputError: a number could not be changed, or something else would have changed with it.

        """
        edits: list[tuple[Span, str]] = []
        for path, number in numbers.items():
            span = self._spots.get(path)
            place = None if span is None else number_span(self.text, span)
            if place is None:
                where = f"{self.where}: {dotted(path)}"
                raise InputError("is no number that can be changed in place", where=where)
            edits.append((place, number))
        made = self.text
        for (start, end), number in sorted(edits, reverse=True):
            made = made[:start] + number + made[end:]
        self._prove(made, numbers)
        return made

    def _prove(self, made: str, numbers: Mapping[Path, str]) -> None:
        """Read the text again: nothing but the named numbers may differ."""
        before, after = self._leaves, leaves(tomllib.loads(made, parse_float=Decimal))
        stray = [
            path
            for path in before.keys() | after.keys()
            if before.get(path) != after.get(path) and path not in numbers
        ]
        if stray:
            where = f"{self.where}: {dotted(min(stray, key=str))}"
            raise InputError("would change as well; write the file more plainly", where=where)


def leaves(data: Any) -> dict[Path, Any]:
    """Return every value of a parsed file that is neither list nor table."""
    found: dict[Path, Any] = {}

    def walk(value: Any, path: Path) -> None:
        if isinstance(value, dict):
            for key, below in value.items():
                walk(below, (*path, key))
        elif isinstance(value, list):
            for place, below in enumerate(value):
                walk(below, (*path, place))
        else:
            found[path] = value

    walk(data, ())
    return found


def dotted(path: Path) -> str:
    """Write a place as people do: layers.body_load.map.front_left[0][2]; the `at` of a series is left out."""
    text = ""
    for index, part in enumerate(path):
        if isinstance(part, int):
            text += f"[{part}]"
        elif part != "at" or not (index + 1 < len(path) and isinstance(path[index + 1], int)):
            text += f".{part}" if text else part
    return text
