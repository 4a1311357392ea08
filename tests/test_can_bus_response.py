"""Response-time analysis and frame lengths against their published examples. Marks as in the domain notes."""

from __future__ import annotations

import pytest

from dashpot.canbits import CRC_POLYNOMIAL, crc15, frame_bits, stuffed_part
from dashpot.errors import InputError
from dashpot.plant.response import Cyclic, least_bits, load, most_bits, response_times


def test_the_published_three_messages_need_the_second_instance() -> None:
    # Davis et al. 2007, their refutation of the older test [S, from memory]: 125 kbit/s, frames of 7 bytes, 1 ms each;
    # periods 2.5, 3.5, 3.5 ms. C's first instance takes 3.0 ms, its second 3.5: a test that stops at the first passes wrongly.
    frame_us = 8 * most_bits(7)
    assert frame_us == 1000
    messages = [
        Cyclic(name, n, period, 0, frame_us)
        for n, (name, period) in enumerate((("A", 2500), ("B", 3500), ("C", 3500)))
    ]
    a, b, c = response_times(messages, bit_us=8)
    assert (a.worst_us, b.worst_us, c.worst_us) == (2000, 3000, 3500)
    assert c.instances_us == (3000, 3500)


def test_five_frames_of_eight_bytes() -> None:
    # [X]: 500 kbit/s, 135 bits each; every one waits for those above it and one below, the last for all.
    messages = [
        Cyclic(str(n), n, 1000 * ms, 0, 2 * most_bits(8)) for n, ms in enumerate((5, 10, 10, 20, 100))
    ]
    assert load(messages) == pytest.approx(0.1242, abs=5e-5)
    assert [r.worst_us for r in response_times(messages, bit_us=2)] == [540, 810, 1080, 1350, 1350]


def test_jitter_of_its_own_is_waited_and_that_of_others_brings_more_frames() -> None:
    # [X] by hand from the formulas: with 9.9 ms of jitter a second frame of high comes before low is done, with 9 ms not.
    high, low = Cyclic("high", 0, 10_000, 9_000, 270), Cyclic("low", 1, 50_000, 400, 270)
    assert [r.worst_us for r in response_times([high, low], bit_us=2)] == [9_000 + 270 + 270, 400 + 270 + 270]
    crowd = Cyclic("high", 0, 10_000, 9_900, 270)
    assert response_times([crowd, low], bit_us=2)[1].worst_us == 400 + 2 * 270 + 270


def test_a_full_bus_has_no_bound_and_two_of_one_priority_no_winner() -> None:
    full = [Cyclic("a", 0, 400, 0, 270), Cyclic("b", 1, 800, 0, 270)]
    with pytest.raises(InputError, match=r"b and what goes before it take 101\.2 %"):
        response_times(full, bit_us=2)
    with pytest.raises(InputError, match="same priority"):
        response_times([full[0], full[0]], bit_us=2)


def test_the_exact_frame_of_the_notes() -> None:
    # [X]: id 0x123, data 01 to 08: CRC-15 0x64EF, 8 stuff bits, 119 bits.
    data = bytes(range(1, 9))
    assert CRC_POLYNOMIAL == 0x4599
    part = stuffed_part(0x123, data, extended=False, remote_length=None)
    assert crc15(part[:-15]) == 0x64EF
    bits = frame_bits(0x123, data)
    assert bits == 119
    assert bits - least_bits(8) == 8


@pytest.mark.parametrize(
    ("extended", "least", "most"), [(False, (47, 111), (55, 135)), (True, (67, 131), (80, 160))]
)
def test_lengths_without_payload_and_with_eight_bytes(
    extended: bool, least: tuple[int, int], most: tuple[int, int]
) -> None:
    # Davis et al. 2007, with the intermission of 3 bits [S].
    assert (least_bits(0, extended=extended), least_bits(8, extended=extended)) == least
    assert (most_bits(0, extended=extended), most_bits(8, extended=extended)) == most
