"""The decode cases of the packer's tests once more, through the real firmware in the real interpreter.

tests/test_decode_rows.py holds a plain-Python reading of the rows to cantools [S], crccheck [S] and autosar-e2e [S] on
the same payloads; here the firmware is held to that reading, value by value.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration_kit import DEMO, demo_image, demo_vehicle, vehicle_of
from cars import CARS, Car
from dashpot import calibration
from dashpot.calibration import Image
from firmware_fixtures import Firmware
from images import LAYOUT, PERIOD_US, column, raw_block
from rows import Receiver
from test_decode_rows import payloads


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def compare(firmware: Firmware, image: Image, frames: Iterable[tuple[int, bytes]]) -> int:
    """Feed frames to both, one a tick; give the number of values that arrived."""
    receiver = Receiver(image)
    firmware.target.load(image.to_bytes())
    expected = firmware.state("value").copy()
    counts = {"unknown": 0, "bad": 0, "used": 0}
    refused = arrived = 0
    for i, (key, data) in enumerate(frames):
        outcome = receiver.feed(key, data)
        counts[outcome.kind] += 1
        refused += len(outcome.refused)
        arrived += len(outcome.values)
        for channel, value in outcome.values.items():
            expected[channel] = value
        trace = firmware.run(None, raw_block([(key, data)], now_us=PERIOD_US * (i + 1)))
        got = firmware.state("value")
        assert np.array_equal(got, expected), (i, hex(key), data.hex(), got.tolist(), expected.tolist())
        assert [column(trace, f"frames_{kind}")[0] for kind in counts] == list(counts.values())
        assert column(trace, "signals_bad")[0] == refused
    return arrived


@pytest.mark.parametrize("car", CARS, ids=lambda car: car.dbc)
def test_real_cars_decode_the_same_in_the_firmware(firmware: Firmware, car: Car, tmp_path: Path) -> None:
    vehicle = vehicle_of(tmp_path, car.vehicle_toml(), car.dbc_path)
    image = calibration.pack(vehicle, calibration.load_calibration(DEMO / "calibration.toml"), LAYOUT)
    frames = [
        (made.message.key, data)
        for made in vehicle.messages
        for data in payloads(150, made.message.length, made.message.key)
    ]
    assert compare(firmware, image, frames) > 100 * len(vehicle.channels)


def without_rates(image: Image) -> Image:
    """Give the image without limits on how fast a signal changes: payloads at random know none."""
    words = list(image.words)
    size, fields = LAYOUT.sizes["channel_row"], LAYOUT.rows["channel_row"]
    for channel in range(len(LAYOUT.channels)):
        words[LAYOUT.config["channel_rows"].at + channel * size + fields.index("rate_100ms")] = 0
    return replace(image, words=tuple(words))


def test_the_demo_vehicle_decodes_the_same_in_the_firmware(firmware: Firmware) -> None:
    image = without_rates(demo_image())
    rng = np.random.default_rng(9)
    frames = []
    for made in demo_vehicle().messages:
        for data in payloads(200, made.message.length, made.message.key):
            frames.append((made.message.key, data))
            if rng.random() < 0.2:
                frames.append((made.message.key ^ 0x20000000, data))
            if rng.random() < 0.2:
                frames.append((made.message.key, data[: rng.integers(len(data))]))
    assert compare(firmware, image, frames) > 1000
