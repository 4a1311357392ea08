"""What the checked run raises when the firmware does something a 32-bit board would not survive."""

from __future__ import annotations

import linecache
from types import TracebackType


class ViperError(Exception):
    """The firmware broke a rule of viper code, or of the board that runs it.

    `str()` gives file:line, the function, what is wrong with the values at that moment, and the source line.
    """

    def __init__(self, message: str, *, filename: str, lineno: int, function: str = "") -> None:
        self.message = message
        self.filename = filename
        self.lineno = lineno
        self.function = function
        self.origin: TracebackType | None = None
        self.source_line = linecache.getline(filename, lineno).strip()
        super().__init__(message)

    def __str__(self) -> str:
        where = f"{self.filename}:{self.lineno}"
        if self.function:
            where += f" in {self.function}()"
        text = f"{where}: {self.message}"
        return f"{text}\n    {self.source_line}" if self.source_line else text


class WrapError(ViperError, OverflowError):
    """An integer left the range that the board holds: 32 bits, or the width of the memory it is stored in."""


class BoundsError(ViperError, IndexError):
    """A pointer access outside its buffer, at either end."""
