"""The records of a search: a line for each measured calibration, so that a stopped search goes on where it was.

The first line has a hash of all that the figures depend on. Lines are added whole and in the order of the search; a last
line without its end, from a stop in mid-write, is dropped.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
from typing import TYPE_CHECKING, Any, BinaryIO, Self

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path
    from types import TracebackType

    from dashpot.tune.score import Drives
    from dashpot.tune.search import Point

NAME = "evaluations.jsonl"
FORMAT = 1


def digest(inputs: Mapping[str, Any]) -> str:
    """Return the SHA-256 of inputs in a form that does not depend on the order of keys."""
    return hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest()


class Records:
    """Measured points on disk; a context manager.

    Args:
        path: the file.
        inputs: all that the figures depend on, ready for JSON.
        resume: whether a file is there already, which must be of the same inputs.

    Raises:
        InputError: there is nothing to resume, the file is of other inputs, it is no such file, or another process has it.

    """

    def __init__(self, path: Path, inputs: Mapping[str, Any], *, resume: bool) -> None:
        self.path = path
        self._known: dict[tuple[str, Point], Drives | str] = {}
        head = {"format": FORMAT, "sha256": digest(inputs), "inputs": inputs}
        if resume:
            end = self._read(head)
            self._stream: BinaryIO = path.open("r+b")
            self._claim()
            self._stream.truncate(end)
            self._stream.seek(end)
        else:
            self._stream = path.open("xb")
            self._claim()
            self._write(head)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stream.close()

    def get(self, part: str, point: Point) -> Drives | str | None:
        """Return a point's drives, or why it was refused; None where it was not measured."""
        return self._known.get((part, point))

    def count(self, part: str) -> int:
        """Return how many points of a part are known."""
        return sum(known == part for known, _ in self._known)

    def add(self, part: str, point: Point, came: Drives | str) -> None:
        """Keep what came of a point: its drives, or why it was refused."""
        self._known[part, point] = came
        row: dict[str, Any] = {"n": len(self._known) - 1, "roads": part, "point": point}
        if isinstance(came, str):
            row["refused"] = came
        else:
            row["drives"] = [[road, seed, figures] for (road, seed), figures in came.items()]
        self._write(row)

    def _claim(self) -> None:
        """Keep others out until the file is closed."""
        try:
            fcntl.flock(self._stream, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            self._stream.close()
            raise InputError("is at work already in another process", where=self.path.parent) from None

    def _write(self, row: Mapping[str, Any]) -> None:
        self._stream.write(json.dumps(row, allow_nan=False, separators=(",", ":")).encode() + b"\n")
        self._stream.flush()
        os.fsync(self._stream.fileno())

    def _read(self, head: Mapping[str, Any]) -> int:
        """Read what is there; return where its last whole line ends."""
        try:
            content = self.path.read_bytes()
        except OSError:
            raise InputError(
                "has no records of a search; leave --resume out to begin one", where=self.path.parent
            ) from None
        end = content.rfind(b"\n") + 1
        lines = content[:end].splitlines()
        for number, line in enumerate(lines, 1):
            try:
                row = json.loads(line)
                if number == 1:
                    self._same(row, head)
                else:
                    self._keep(row)
            except (ValueError, KeyError, TypeError):
                raise InputError("is no record of a search", where=f"{self.path}:{number}") from None
        if not lines:
            raise InputError("is empty; remove the folder and begin anew", where=self.path)
        return end

    def _same(self, row: Mapping[str, Any], head: Mapping[str, Any]) -> None:
        if row["format"] == head["format"] and row["sha256"] == head["sha256"]:
            return
        other = [
            key
            for key, value in head["inputs"].items()
            if row["inputs"].get(key) != json.loads(json.dumps(value))
        ]
        raise InputError(
            f"is of other inputs ({', '.join(other) or 'another format'} changed), so its figures do not go with these; "
            "give another --out",
            where=self.path,
        )

    def _keep(self, row: Mapping[str, Any]) -> None:
        key = (str(row["roads"]), tuple(int(level) for level in row["point"]))
        self._known[key] = (
            str(row["refused"])
            if "refused" in row
            else {(road, seed): figures for road, seed, figures in row["drives"]}
        )
