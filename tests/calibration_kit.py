"""What the calibration tests share: the demo's files, vehicles from texts, DBC files made on the spot."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

from dashpot import calibration, resources
from dashpot.calibration import Calibration, Image, Vehicle
from dashpot.layout import Layout

DEMO = resources.demo_dir() / "data"


@cache
def layout() -> Layout:
    """The declaration of this checkout's firmware."""
    return Layout.load(resources.firmware_dir())


@cache
def demo_calibration() -> Calibration:
    return calibration.load_calibration(DEMO / "calibration.toml")


@cache
def demo_vehicle() -> Vehicle:
    return calibration.load_vehicle(DEMO / "vehicle.toml")


@cache
def demo_image() -> Image:
    return calibration.pack(demo_vehicle(), demo_calibration(), layout())


def edited(name: str, *changes: tuple[str, str]) -> str:
    """Text of one of the demo's files with pieces of it exchanged; each piece must be there."""
    text = (DEMO / name).read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, f"{old!r} is not in the demo's {name}"
        text = text.replace(old, new, 1)
    return text


def vehicle_of(folder: Path, text: str, dbc: Path | None = None) -> Vehicle:
    """Read a vehicle file with this text."""
    path = folder / "vehicle.toml"
    path.write_text(text, encoding="utf-8")
    return calibration.load_vehicle(path, dbc)


def image_of(folder: Path, text: str, dbc: Path | None = None) -> Image:
    """Pack a vehicle file with this text and the demo's calibration."""
    return calibration.pack(vehicle_of(folder, text, dbc), demo_calibration(), layout())


@dataclass(frozen=True)
class Made:
    """A DBC signal made for a test; `mux` is "M", "m3" or empty."""

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    scale: str = "1"
    offset: str = "0"
    unit: str = ""
    mux: str = ""
    bounds: str = "[0|0]"

    def line(self) -> str:
        mux = f" {self.mux}" if self.mux else ""
        order = f"{int(not self.big_endian)}{'-' if self.signed else '+'}"
        scaling = f"({self.scale},{self.offset}) {self.bounds}"
        return f' SG_ {self.name}{mux} : {self.start}|{self.length}@{order} {scaling} "{self.unit}" Other\n'


def write_dbc(folder: Path, *signals: Made, frame_id: int = 0x123, length: int = 8, tail: str = "") -> Path:
    """A DBC with one message, "Frame", of 20 ms; an id above 11 bits makes it extended."""
    number = frame_id | (0x80000000 if frame_id > 0x7FF else 0)
    path = folder / "made.dbc"
    path.write_text(
        'VERSION ""\n\nNS_ :\n\nBS_:\n\nBU_: Car Other\n\n'
        f"BO_ {number} Frame: {length} Car\n{''.join(signal.line() for signal in signals)}\n"
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 20;\n'
        f"{tail}",
        encoding="ascii",
    )
    return path


def vehicle_text(**channels: str) -> str:
    """A vehicle file for a made DBC; dots in channel names are written as two underscores."""
    head = 'name = "made"\nbitrate = "500 kbit/s"\ndbc = ["made.dbc"]\n'
    return head + "".join(
        f"\n[channels.{name.replace('__', '.')}]\n{keys}\n" for name, keys in channels.items()
    )
