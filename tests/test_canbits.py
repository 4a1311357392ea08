"""Frame bits against published lengths, an example worked by hand, and each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashpot.canbits import block_bits, classic_frames, crc15, frame_bits, stuffed_part
from dashpot.logs import Flag, FrameBlock


def block(frames: list[tuple[int, bytes, bool, int | None]]) -> FrameBlock:
    data = np.zeros((len(frames), 8), np.uint8)
    for k, (_, payload, _, _) in enumerate(frames):
        data[k, : len(payload)] = np.frombuffer(payload, np.uint8)
    return FrameBlock(
        np.zeros(len(frames), np.int64),
        np.array([f[0] for f in frames], np.uint32),
        np.array(
            [(Flag.EXTENDED if f[2] else 0) | (Flag.REMOTE if f[3] is not None else 0) for f in frames],
            np.uint8,
        ),
        np.array([len(f[1]) if f[3] is None else f[3] for f in frames], np.uint8),
        np.zeros(len(frames), np.uint8),
        data,
    )


_frames = st.one_of(
    st.tuples(
        st.one_of(st.sampled_from([0, 0x7FF, 0x555, 0x7C0, 0x078]), st.integers(0, 0x7FF)),
        st.one_of(
            st.binary(max_size=8),
            st.sampled_from([bytes(8), b"\xff" * 8, b"\x0f" * 8, b"\x3c\x3c" * 4, b"\xc3" * 8, b"\xaa" * 8]),
        ),
        st.just(value=False),
        st.none(),
    ),
    st.tuples(
        st.one_of(st.sampled_from([0, 0x1FFFFFFF, 0x15555555, 0x1F07C1F0]), st.integers(0, 0x1FFFFFFF)),
        st.one_of(st.binary(max_size=8), st.sampled_from([bytes(8), b"\xff" * 8, b"\x87\x83\xe1\xf0" * 2])),
        st.just(value=True),
        st.none(),
    ),
    st.tuples(st.integers(0, 0x7FF), st.just(b""), st.just(value=False), st.integers(0, 8)),
    st.tuples(st.integers(0, 0x1FFFFFFF), st.just(b""), st.just(value=True), st.integers(0, 8)),
)


def test_the_exact_example() -> None:
    """Id 0x123, data 01..08: CRC-15 0x64EF, 8 stuff bits, 119 bits. [X domain.md section 4]"""
    data = bytes(range(1, 9))
    bits = stuffed_part(0x123, data, extended=False, remote_length=None)
    assert crc15(bits[:-15]) == 0x64EF
    assert len(bits) == 98
    assert frame_bits(0x123, data) == 119 == 47 + 8 * 8 + 8
    assert block_bits(block([(0x123, data, False, None)])).tolist() == [119]


@given(_frames)
@settings(max_examples=500, deadline=None)
def test_published_bounds(frame: tuple[int, bytes, bool, int | None]) -> None:
    """47 + 8 s to 55 + 10 s, extended 67 + 8 s to 80 + 10 s. [S Davis, Burns, Bril, Lukkien 2007]"""
    can_id, data, extended, remote_length = frame
    bits = frame_bits(can_id, data, extended=extended, remote_length=remote_length)
    size = len(data)
    low, high = (67 + 8 * size, 80 + 10 * size) if extended else (47 + 8 * size, 55 + 10 * size)
    assert low <= bits <= high


@given(st.lists(_frames, min_size=1, max_size=30))
@settings(max_examples=200, deadline=None)
@example([(0, b"", False, None), (0x1FFFFFFF, b"\xff" * 8, True, None), (0, b"", True, 8)])
def test_block_equals_frame_by_frame(frames: list[tuple[int, bytes, bool, int | None]]) -> None:
    assert block_bits(block(frames)).tolist() == [
        frame_bits(i, d, extended=x, remote_length=n) for i, d, x, n in frames
    ]


def test_crc15_against_crccheck() -> None:
    """crccheck's CRC-15/CAN works on whole bytes; zeros in front change nothing. [S crccheck]"""
    from crccheck.crc import Crc15Can

    rng = np.random.default_rng(4)
    assert Crc15Can.calc(b"123456789") == 0x059E  # the catalogue's check value
    for size in range(9):
        for _ in range(20):
            can_id, data = int(rng.integers(0, 0x800)), rng.bytes(size)
            bits = stuffed_part(can_id, data, extended=False, remote_length=None)
            value = int("".join(map(str, bits[:-15])), 2)
            expected = Crc15Can.calc(value.to_bytes((len(bits) - 15 + 7) // 8, "big"))
            assert int("".join(map(str, bits[-15:])), 2) == expected


def test_no_run_of_six_is_left() -> None:
    """The rule itself, from the outside: stuffing the counted places leaves no six equal bits. [S ISO 11898-1]"""
    rng = np.random.default_rng(9)
    for _ in range(300):
        data = bytes(rng.choice([0, 0xFF, 0x0F, 0xF0, 0x1F, 0x83], 8).tolist())
        can_id = int(rng.integers(0, 0x800))
        bits = stuffed_part(can_id, data, extended=False, remote_length=None)
        text = "".join(map(str, bits))
        sent = ""
        for bit in text:
            sent += bit
            if sent.endswith(("00000", "11111")):
                sent += "1" if bit == "0" else "0"
        assert "000000" not in sent
        assert "111111" not in sent
        assert frame_bits(can_id, data) == len(sent) + 13


@pytest.mark.parametrize("flag", [Flag.ERROR, Flag.FD])
def test_error_and_fd_frames_count_apart(flag: Flag) -> None:
    both = block([(0x123, b"\1", False, None)] * 2)
    both.flags[1] |= flag
    assert classic_frames(both).tolist() == [True, False]
    assert block_bits(both).tolist() == [frame_bits(0x123, b"\1"), 0]
