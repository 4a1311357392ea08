"""A TOML file with some values changed, as text and as a diff: comments, order and everything else stay.

Nothing is written: the text is for a person, and for the check that the changed file would still be whole.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable
from dataclasses import dataclass

from dashpot.calibration.findings import key_lines

_VALUE = re.compile(r"""\s*("(?:\\.|[^"\\])*"|'[^']*'|\[[^\[\]]*\]|[^\s,}#\[\]{]+)""")


@dataclass(frozen=True, slots=True)
class Edit:
    """One value to set: the dotted key, and what to write as TOML."""

    key: str
    literal: str


def changed(text: str, edits: Iterable[Edit]) -> tuple[str, list[Edit]]:
    """Return the text with the values set, and the edits whose place could not be found."""
    left = []
    for edit in edits:
        made = _set(text, edit)
        if made is None:
            left.append(edit)
        else:
            text = made
    return text, left


def diff(before: str, after: str, name: str) -> str:
    """Return a unified diff that `patch` and `git apply` take; empty where nothing changed."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), f"a/{name}", f"b/{name}"
    )
    return "".join(
        line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n" for line in lines
    )


def _set(text: str, edit: Edit) -> str | None:
    lines = text.splitlines(keepends=True)
    known = key_lines(text)
    parts = edit.key.split(".")
    for depth in range(len(parts), 0, -1):
        number = known.get(".".join(parts[:depth]))
        if number is None:
            continue
        line, rest = lines[number - 1], parts[depth:]
        if line.lstrip().startswith("["):
            if len(rest) != 1:
                break
            lines.insert(_after(lines, number), f"{rest[0]} = {edit.literal}\n")
            return "".join(lines)
        made = _in_line(line, rest, edit.literal)
        if made is None:
            return None
        lines[number - 1] = made
        return "".join(lines)
    ending = "" if text.endswith("\n") or not text else "\n"
    return f"{text}{ending}\n[{'.'.join(parts[:-1])}]\n{parts[-1]} = {edit.literal}\n"


def _after(lines: list[str], header: int) -> int:
    """Where a new key of a table goes: behind its `signal`, else right below its header (lines counted from 1)."""
    for number in range(header, len(lines)):
        if lines[number].lstrip().startswith("["):
            break
        if re.match(r"\s*signal\s*=", lines[number]):
            return number + 1
    return header


def _in_line(line: str, rest: list[str], literal: str) -> str | None:
    """Set a value within a line: the line's own value, or a key of the inline table that it holds."""
    at = line.index("=") + 1
    for name in rest:
        place = _key_within(line, at, name)
        if place is None:
            return None
        at = place
    value = _VALUE.match(line, at)
    if value is None:
        return None
    return line[: value.start(1)] + literal + line[value.end(1) :]


def _key_within(line: str, at: int, name: str) -> int | None:
    """Find a key of the inline table that begins at `at`; return where its value begins."""
    opening = re.compile(r"\s*\{").match(line, at)
    if opening is None:
        return None
    depth, place = 0, opening.end()
    key = re.compile(rf"\s*{re.escape(name)}\s*=")
    fresh = True
    while place < len(line):
        if depth == 0 and fresh:
            found = key.match(line, place)
            if found:
                return found.end()
        fresh = False
        sign = line[place]
        if sign in "\"'":
            place = line.index(sign, place + 1)
        elif sign in "{[":
            depth += 1
        elif sign in "}]":
            if depth == 0:
                return None
            depth -= 1
        elif sign == ",":
            fresh = True
        place += 1
    return None
