"""Errors for people: each becomes one line on stderr and an exit code, never a traceback.

Exit codes of the command: 0 all good, 1 the thing under test failed, 2 the input cannot be used,
70 a mistake in dashpot itself, 130 stopped by Ctrl-C, 141 the reader of our output went away.
"""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar


class DashpotError(Exception):
    """Base of every error that a user can meet.

    Args:
        message: What is wrong, then what would be right; it is shown as one line.
        where: The place, as the user knows it: a path, "file:line", "file: key a.b".
        detail: Further lines for the terminal, for example the firmware's own traceback.
    """

    exit_code: ClassVar[int] = 1
    kind: ClassVar[str] = "error"

    def __init__(self, message: str, *, where: str | Path | None = None, detail: str | None = None) -> None:
        super().__init__(message)
        self.message = message
        self.where = None if where is None else str(where)
        self.detail = detail

    def __str__(self) -> str:
        text = self.message if self.where is None else f"{self.where}: {self.message}"
        return " ".join(text.split())


class InputError(DashpotError):
    """A file, option or value given by the user cannot be used."""

    exit_code = 2


class VerdictError(DashpotError):
    """The work was done and its verdict is that the thing under test failed."""

    exit_code = 1


class FirmwareError(VerdictError):
    """The firmware raised, or broke its contract; `detail` carries its traceback and the inputs it had."""

    kind = "firmware error"
