"""Places in the firmware where a check sits, and how to tell what went wrong there."""

from __future__ import annotations

import ast
from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Operand:
    """One value that a check looks at: a constant, or the local variable that still holds it."""

    node: ast.expr
    local: str | None
    constant: object = None

    def value(self, frame_locals: Mapping[str, object]) -> object:
        """The operand's value in the frame of the failed check; None when it was not computed."""
        return self.constant if self.local is None else frame_locals.get(self.local)

    @property
    def text(self) -> str:
        """The operand as the firmware's source has it."""
        return ast.unparse(self.node)


@dataclass(frozen=True, slots=True)
class Site:
    """One check.

    Attributes:
        what: Kind of check, which chooses the message: "binary", "unary", "count", "index", "argument", ...
        node: The checked expression or statement in the firmware's source.
        filename: The firmware file.
        function: Name of the viper function.
        operands: Values that the message shows, in the order which the kind prescribes.
        detail: Operator, pointer type or message, as the kind prescribes.
    """

    what: str
    node: ast.expr | ast.stmt | ast.arg
    filename: str
    function: str
    operands: tuple[Operand, ...] = ()
    detail: str = ""

    @property
    def text(self) -> str:
        """The checked code as the firmware's source has it."""
        return ast.unparse(self.node)


Position = tuple[int | None, int | None, int | None, int | None]
"""Line, end line, column, end column, as `code.co_positions()` gives them."""


class SiteTable:
    """All checks of one loaded firmware, by number and by place."""

    def __init__(self) -> None:
        self.sites: list[Site] = []
        self._natural: dict[str, dict[Position, Site]] = {}

    def add(self, site: Site) -> int:
        """Register a check that reports itself; returns the number by which it does."""
        self.sites.append(site)
        return len(self.sites) - 1

    def add_natural(self, site: Site) -> None:
        """Register a check that CPython makes by itself (an index past the end, a division by zero)."""
        node = site.node
        place = node.lineno, node.end_lineno, node.col_offset, node.end_col_offset
        self._natural.setdefault(site.filename, {})[place] = site

    def at(self, filename: str, position: Position) -> Site | None:
        """The natural check at a place in a file, or None where the firmware's own code stands."""
        return self._natural.get(filename, {}).get(position)
