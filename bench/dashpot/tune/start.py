"""The calibration that a search starts from, its points as files, and the proof that no limit moved."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashpot.calibration import Document, check, load_pair, pack, read_calibration, read_image
from dashpot.calibration.views import changes
from dashpot.errors import InputError
from dashpot.tune.cells import why_locked
from dashpot.tune.spots import Editor

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dashpot.calibration import Finding, Image, Vehicle
    from dashpot.calibration.views import Change
    from dashpot.layout import Layout
    from dashpot.tune.plan import Knob
    from dashpot.tune.search import Point


@dataclass(frozen=True, slots=True)
class Packed:
    """A point's file: its text, its image and the tick's period."""

    text: str
    image: Image
    period_us: int


class Start:
    """The calibration to start from, with the car that it is for.

    Attributes:
        path: calibration.toml.
        vehicle: the car.
        document: the file.
        packed: its text and image.
        doubts: warnings about both files.

    """

    def __init__(self, path: Path, vehicle: Path, dbc: Sequence[Path], layout: Layout) -> None:
        """Read both files.

        Raises:
            InputError: with every mistake in both.

        """
        self.path = path
        self.layout = layout
        self.vehicle: Vehicle
        self.doubts: list[Finding]
        self.vehicle, calibration, self.doubts = load_pair(vehicle, path, dbc, layout)
        self.document = Document.read(path)
        # Bytes as they are: the result keeps the line ends of the file.
        text = path.read_bytes().decode("utf-8")
        self._editor = Editor(text, path.name)
        self.packed = Packed(text, pack(self.vehicle, calibration, layout), calibration.period_us)

    def at(self, knobs: Sequence[Knob], point: Point) -> Packed | str:
        """Return a point's file, or why `dashpot calibration check` refuses it."""
        text = self.text(knobs, point)
        calibration, found, _ = read_calibration(
            Document(self.path.name, self.path, text.replace("\r\n", "\n"))
        )
        if calibration is not None:
            found += check(self.vehicle, calibration)
        wrong = [finding for finding in found if finding.severity == "error"]
        if wrong or calibration is None:
            return f"{wrong[0].key}: {wrong[0].message}"
        image = pack(self.vehicle, calibration, self.layout)
        # What is measured must be what a board takes.
        read_image(image.to_bytes(), self.layout)
        return Packed(text, image, calibration.period_us)

    def text(self, knobs: Sequence[Knob], point: Point) -> str:
        """Return a point as a file: the start's with some numbers changed in place."""
        numbers = {
            cell.path: cell.text(knob.value(cell, level))
            for knob, level in zip(knobs, point, strict=True)
            if level
            for cell in knob.cells
        }
        return self._editor.put(numbers)

    def changes(self, image: Image) -> list[Change]:
        """Return what differs from the start."""
        return changes(self.packed.image, image)


def moved_locks(found: Sequence[Change]) -> None:
    """Refuse a result in which anything differs that a search may not move.

    Raises:
        InputError: with the keys.

    """
    moved = [change.key for change in found if why_locked(change.key) is not None]
    if moved:
        raise InputError(f"would move {', '.join(moved)}, which no search may: {why_locked(moved[0])}")
