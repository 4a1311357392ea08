"""The examples of docs/vehicle.md and docs/calibration.md are right, and no key is missing there."""

from __future__ import annotations

import re
import tomllib
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from calibration_kit import DEMO, demo_image, edited, layout, vehicle_of
from dashpot.calibration import Document, read_calibration
from dashpot.calibration import units as unit_families
from dashpot.calibration.packing import scalar_texts
from dashpot.calibration.units import Family
from dashpot.calibration.vehicle import ChannelKey, CounterKey, CrcKey, MessageKey, VehicleFile, channel_names

DOCS = Path(__file__).resolve().parent.parent / "docs"


def blocks(name: str) -> list[str]:
    return re.findall(
        r"^```toml\n(.*?)^```", (DOCS / name).read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )


def merged(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    """The demo's document with an example's values in it; axes and maps are exchanged whole."""
    result = dict(base)
    for key, value in more.items():
        both = isinstance(value, dict) and isinstance(base.get(key), dict) and "at" not in value
        result[key] = merged(base[key], value) if both else value
    return result


@pytest.mark.parametrize("text", blocks("calibration.md"), ids=lambda text: text.split("]")[0].strip("["))
def test_examples_of_a_calibration_are_right(text: str) -> None:
    document = Document("docs/calibration.md", None, edited("calibration.toml"))
    before = document.data
    example = tomllib.loads(text, parse_float=Decimal)
    document.data = merged(before, example)
    _, findings, _ = read_calibration(document)
    assert findings == []
    assert example.keys() <= before.keys()


@pytest.mark.parametrize("text", blocks("vehicle.md"), ids=lambda text: text.splitlines()[0])
def test_examples_of_a_vehicle_are_right(text: str, tmp_path: Path) -> None:
    vehicle = vehicle_of(tmp_path, text)
    assert vehicle.channels
    assert vehicle.doubts == ()


def test_every_key_of_a_calibration_is_documented() -> None:
    text = (DOCS / "calibration.md").read_text(encoding="utf-8")
    keys = {part for key in scalar_texts(demo_image()) for part in key.split(".")}
    keys |= set(document_keys(Document("x", None, edited("calibration.toml")).data))
    assert {key for key in keys if not re.search(rf"\b{key}\b", text)} == set()


def document_keys(table: dict[str, Any]) -> set[str]:
    found = set(table)
    for value in table.values():
        if isinstance(value, dict):
            found |= document_keys(value)
    return found


def test_every_key_of_a_vehicle_is_documented() -> None:
    text = (DOCS / "vehicle.md").read_text(encoding="utf-8")
    keys = {
        name
        for model in (VehicleFile, ChannelKey, CounterKey, CrcKey, MessageKey)
        for name in model.model_fields
    }
    keys |= {part for name in channel_names(layout()) for part in name.split(".")} | set(layout().crc_kinds)
    assert {key for key in keys if not re.search(rf"\b{key}\b", text)} == set()


def test_every_unit_is_documented() -> None:
    text = (DOCS / "calibration.md").read_text(encoding="utf-8") + (DOCS / "vehicle.md").read_text(
        encoding="utf-8"
    )
    families = [family for family in vars(unit_families).values() if isinstance(family, Family)]
    assert len(families) == 20
    assert {unit for family in families for unit in family.factors if unit and unit not in text} == set()


def test_the_demo_files_are_where_the_docs_say() -> None:
    assert (DOCS / "../bench/dashpot/demo/data/vehicle.toml").resolve() == (DEMO / "vehicle.toml").resolve()
