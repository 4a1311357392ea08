"""What is wrong in a file, where, and what would be right: all of it in one go."""

from __future__ import annotations

import difflib
import re
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Finding:
    """One mistake or one doubt.

    Attributes:
        severity: "error" when the files cannot be packed, "warning" when they can but look wrong.
        file: the file's name as the user gave it.
        key: dotted path of the key, empty for the file as a whole.
        message: what is wrong; what would be right.
        line: line of the key, 0 where it is not known.
        needs: further keys that the finding rests on.

    """

    severity: str
    file: str
    key: str
    message: str
    line: int = 0
    needs: tuple[str, ...] = ()

    @property
    def where(self) -> str:
        """The place, as in "car.toml:12: valves.front_left.safe"."""
        place = f"{self.file}:{self.line}" if self.line else self.file
        return f"{place}: {self.key}" if self.key else place

    def __str__(self) -> str:
        return f"{self.where}: {self.severity}: {self.message}"

    def as_json(self) -> dict[str, object]:
        """Fields for `--json`."""
        return {
            "severity": self.severity, "file": self.file, "line": self.line or None, "key": self.key,
            "message": self.message,
        }  # fmt: skip


class MistakesError(InputError):
    """Files that cannot be used, with every mistake in `findings`."""

    def __init__(self, findings: Sequence[Finding]) -> None:
        errors = [finding for finding in findings if finding.severity == "error"]
        first = errors[0]
        if len(errors) == 1:
            super().__init__(first.message, where=first.where)
        else:
            lines = "\n".join(f"  {finding.where}: {finding.message}" for finding in errors)
            files = ", ".join(dict.fromkeys(finding.file for finding in errors))
            super().__init__(f"{len(errors)} mistakes", where=files, detail=lines)
        self.findings = list(findings)


def refuse(findings: Iterable[Finding]) -> None:
    """Raise when there is an error among the findings.

    Raises:
        MistakesError: with all of them.

    """
    listed = list(findings)
    if any(finding.severity == "error" for finding in listed):
        raise MistakesError(listed)


def nearest(word: str, known: Iterable[str], count: int = 3) -> str:
    """Say which known names a word may have meant, for the end of a message; all of them when none is near."""
    names = sorted(set(known))
    lowered = {name.lower(): name for name in names}
    close = [
        lowered[match]
        for match in difflib.get_close_matches(word.lower(), list(lowered), n=count, cutoff=0.5)
    ]
    if close:
        return f"did you mean {' or '.join(close)}?"
    if not names:
        return "there is none"
    shown = ", ".join(names[:12]) + (" and others" if len(names) > 12 else "")
    return f"there are {shown}"


class Document:
    """A TOML file with the lines of its keys.

    Numbers with a decimal point are exact decimals. Attributes: `name` as the user gave it, `path`, `data`.
    """

    def __init__(self, name: str, path: Path | None, text: str) -> None:
        """Parse a text.

        Raises:
            MistakesError: it is not TOML.

        """
        self.name = name
        self.path = path
        self._lines = key_lines(text)
        try:
            self.data: dict[str, Any] = tomllib.loads(text, parse_float=Decimal)
        except tomllib.TOMLDecodeError as error:
            said = str(error)
            place = re.search(r"at line (\d+), column", said)
            line = int(place[1]) if place else text.count("\n") + 1
            raise MistakesError(
                [Finding("error", name, "", f"not TOML: {said[:1].lower()}{said[1:]}", line)]
            ) from None

    @classmethod
    def read(cls, path: Path) -> Document:
        """Read a file.

        Raises:
            InputError: it cannot be read, or is no text.
            MistakesError: it is not TOML.

        """
        try:
            text = path.read_bytes().decode("utf-8")
        except OSError as error:
            raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from None
        except UnicodeDecodeError as error:
            message = f"not a text in UTF-8 (byte {error.start}); a TOML file is wanted"
            raise InputError(message, where=str(path)) from None
        return cls(str(path), path, text.replace("\r\n", "\n"))

    def line(self, key: str) -> int:
        """Line of a key or of the nearest table around it, 0 where there is none."""
        while key:
            if key in self._lines:
                return self._lines[key]
            key = key.rpartition(".")[0]
        return 0

    def error(self, key: str, message: str, needs: Sequence[str] = ()) -> Finding:
        """Make an error about a key of this file."""
        return Finding("error", self.name, key, message, self.line(key), tuple(needs))

    def warning(self, key: str, message: str, needs: Sequence[str] = ()) -> Finding:
        """Make a warning about a key of this file."""
        return Finding("warning", self.name, key, message, self.line(key), tuple(needs))


_HEADER = re.compile(r"\s*\[\[?([^\[\]]+)\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:[\w-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[\w-]+|"[^"]*"|'[^']*'))*)\s*=(.*)""")
_QUIET = re.compile(r'"(?:\\.|[^"\\])*"|\'[^\']*\'|#.*')


def key_lines(text: str) -> dict[str, int]:
    """Find the line of each key and table, 1 for the first; keys inside an inline table are not told apart."""
    lines: dict[str, int] = {}
    table = ""
    depth = 0
    quotes = ""
    for number, line in enumerate(text.splitlines(), 1):
        if quotes:
            if line.count(quotes) % 2:
                quotes = ""
            continue
        rest = line
        if depth == 0:
            header = _HEADER.fullmatch(line)
            if header:
                table = _plain(header[1])
                lines.setdefault(table, number)
                continue
            key = _KEY.match(line)
            if not key:
                continue
            lines.setdefault(f"{table}.{_plain(key[1])}" if table else _plain(key[1]), number)
            rest = key[2]
        for triple in ('"""', "'''"):
            if rest.count(triple) % 2:
                quotes = triple
        bare = _QUIET.sub("", rest)
        depth = max(0, depth + bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}"))
    return lines


def _plain(key: str) -> str:
    return ".".join(part.strip().strip("\"'") for part in key.split("."))
