"""The bench's reader and the firmware's agree on every image: both take it, or both refuse it for its content."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

import pytest

from calibration_kit import demo_image, layout
from dashpot import calibration
from dashpot.errors import InputError
from firmware_fixtures import Firmware
from test_pack import places, resealed, unequal_safe_currents

CONTENT = 6  # the code of the host protocol for a table, row or number that is not right


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def firmware_code(firmware: Firmware, content: bytes) -> int:
    try:
        firmware.target.load(content)
    except InputError as error:
        found = re.search(r"code (\d+)", str(error))
        assert found is not None
        return int(found[1])
    return 0


def bench_takes(content: bytes) -> bool:
    try:
        calibration.read_image(content, layout())
    except InputError:
        return False
    return True


def test_the_firmware_takes_what_was_packed(firmware: Firmware) -> None:
    assert firmware_code(firmware, demo_image().to_bytes()) == 0


@pytest.mark.parametrize("name", places())
def test_both_refuse_the_same_numbers(firmware: Firmware, name: str) -> None:
    at, word = places()[name]
    assert firmware_code(firmware, resealed(demo_image().to_bytes(), at, word)) == CONTENT


def test_the_firmware_refuses_unequal_safe_currents(firmware: Firmware) -> None:
    assert firmware_code(firmware, unequal_safe_currents()) == CONTENT


def test_both_agree_on_any_changed_word(firmware: Firmware) -> None:
    content = demo_image().to_bytes()
    words = demo_image().words
    chance = random.Random(17)
    taken = 0
    for at in [*range(layout().config_words), *chance.sample(range(layout().config_words, len(words)), 500)]:
        near = words[at] + chance.choice([-1, 1, 2, 50])
        value = chance.choice(
            [near, near, 0, -1, 1, 1024, 1025, 32_767, 32_768, -32_769, 2**31 - 1, -(2**31)]
        )
        changed = resealed(content, at, value)
        code = firmware_code(firmware, changed)
        assert code in (0, CONTENT)
        assert bench_takes(changed) == (code == 0), (at, words[at], value)
        taken += code == 0
    assert 100 < taken < 700
