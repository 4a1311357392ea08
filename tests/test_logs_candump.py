"""The bulk candump reader against its own line reader, python-can and can-utils; the writer against both."""

from __future__ import annotations

import io
import subprocess
import tempfile
from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashpot.errors import InputError
from dashpot.logs import Flag, FrameBlock, candump, open_log, write_candump
from dashpot.logs.frames import Channels, LineError, Problems
from logs_kit import Row, message_row, messages, rows


def read_bulk(text: bytes, chunk_bytes: int = candump.CHUNK_BYTES) -> tuple[list[Row], Problems, list[str]]:
    names: list[str] = []
    problems = Problems(Path("x.log"))
    reader = candump.CandumpReader(Channels(Path("x.log"), names), problems)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(candump, "CHUNK_BYTES", chunk_bytes)
        blocks = list(reader.blocks(io.BytesIO(text)))
    return rows(blocks, names), problems, names


def read_by_line(text: bytes) -> tuple[list[Row], dict[str, int], list[str]]:
    """The reference: parse_line on every line."""
    channels = Channels(Path("x.log"), [])
    out: list[Row] = []
    kinds: dict[str, int] = {}
    for line in text.split(b"\n"):
        try:
            frame = candump.parse_line(line, channels)
        except LineError as error:
            kinds[error.kind] = kinds.get(error.kind, 0) + 1
            continue
        if frame is not None:
            stamp_us, can_id, flags, length, channel, payload = frame
            out.append((stamp_us, can_id, int(flags), length, channels.names[channel], payload))
    return out, kinds, channels.names


# --- lines ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (
            b"(1436509052.249713) can0 123#11223344",
            (1436509052249713, 0x123, 0, 4, "can0", b"\x11\x22\x33\x44"),
        ),
        (b"(0.0) vcan0 001#", (0, 1, 0, 0, "vcan0", b"")),
        (b"(0000000000.000001) can0 7FF#aAbB", (1, 0x7FF, 0, 2, "can0", b"\xaa\xbb")),
        (b"(1.5) 1 00000123#00", (1_500_000, 0x123, Flag.EXTENDED, 1, "1", b"\0")),
        (b"(1.5) can0 1FFFFFFF#00", (1_500_000, 0x1FFFFFFF, Flag.EXTENDED, 1, "can0", b"\0")),
        (b"(-1.5) can0 123#00", (-1_500_000, 0x123, 0, 1, "can0", b"\0")),
        (b"(1.9999995) can0 123#00", (2_000_000, 0x123, 0, 1, "can0", b"\0")),
        (b"(1.123456499) can0 123#00", (1_123_456, 0x123, 0, 1, "can0", b"\0")),
        (b"(3) can0 123#00", (3_000_000, 0x123, 0, 1, "can0", b"\0")),
        (b"(1.5) can0 123#R", (1_500_000, 0x123, Flag.REMOTE, 0, "can0", b"")),
        (b"(1.5) can0 123#r8", (1_500_000, 0x123, Flag.REMOTE, 8, "can0", b"")),
        (b"(1.5) can0 123#R5 T", (1_500_000, 0x123, Flag.REMOTE | Flag.TX, 5, "can0", b"")),
        (b"(1.5) can0 123#0102 R", (1_500_000, 0x123, 0, 2, "can0", b"\1\2")),
        (b"(1.5) can0 123#0102 t\r", (1_500_000, 0x123, Flag.TX, 2, "can0", b"\1\2")),
        (b"  (1.5)   can0\t123#0102  ", (1_500_000, 0x123, 0, 2, "can0", b"\1\2")),
        (b"(1.5) can0 123##0", (1_500_000, 0x123, Flag.FD, 0, "can0", b"")),
        (b"(1.5) can0 123##1AA", (1_500_000, 0x123, Flag.FD | Flag.BRS, 1, "can0", b"\xaa")),
        (
            b"(1.5) can0 123##3" + b"5A" * 64,
            (1_500_000, 0x123, Flag.FD | Flag.BRS | Flag.ESI, 64, "can0", b"Z" * 64),
        ),
        # can-utils: a raw length code above 8 behind eight bytes, and dots between bytes [S can-utils, lib.h]
        (
            b"(1.5) can0 123#1122334455667788_E",
            (1_500_000, 0x123, 0, 8, "can0", bytes.fromhex("1122334455667788")),
        ),
        (b"(1.5) can0 123#11.22.33", (1_500_000, 0x123, 0, 3, "can0", b"\x11\x22\x33")),
        # error frames of the Linux socket interface: bit 29, the class in the identifier [S linux/can/error.h]
        (b"(1.5) can0 20000080#0000000000000000", (1_500_000, 0x80, Flag.ERROR, 8, "can0", bytes(8))),
        (b"(1.5) can0 20000004#0001000000000000", (1_500_000, 4, Flag.ERROR, 8, "can0", b"\0\1" + bytes(6))),
        # candump's forms for the screen with -ta, -tA and -x
        (
            b" (1436509052.249713)  can0  123   [2]  11 22",
            (1436509052249713, 0x123, 0, 2, "can0", b"\x11\x22"),
        ),
        (b" (1.5)  can0  00000123   [0] ", (1_500_000, 0x123, Flag.EXTENDED, 0, "can0", b"")),
        (b" (1.5)  can0  123   [4]  remote request", (1_500_000, 0x123, Flag.REMOTE, 4, "can0", b"")),
        (b" (1.5)  can0  TX - -  123   [1]  7F   '.'", (1_500_000, 0x123, Flag.TX, 1, "can0", b"\x7f")),
        (b" (1.5)  can0  RX B E  123  [02]  01 02", (1_500_000, 0x123, 8 | 32 | 64, 2, "can0", b"\1\2")),
        (
            b" (2015-07-10 06:17:32.249713)  can0  123   [1]  11",
            (1436509052249713, 0x123, 0, 1, "can0", b"\x11"),
        ),
        (
            b" (1.5)  can0  20000080   [8]  00 00 00 00 00 00 00 00   ERRORFRAME",
            (1_500_000, 0x80, Flag.ERROR, 8, "can0", bytes(8)),
        ),
    ],
)
def test_line_forms(line: bytes, expected: Row) -> None:
    for text in (line + b"\n", b"# a comment\n\n" + line + b"\r\n\n; one\n// two\n"):
        got, problems, _ = read_bulk(text)
        assert got == [expected]
        assert problems.total == 0


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        (b"(1.5) can0 123#112", "odd_payload"),
        (b"(1.5) can0 123#11223344556677889900", "long_payload"),
        (b"(1.5) can0 123##0" + b"00" * 65, "long_payload"),
        (b"(1.5) can0 800#00", "id_out_of_range"),
        (b"(1.5) can0 123456789#00", "id_out_of_range"),
        (b"(1.5) can0 123#GG", "unreadable_line"),
        (b"(1.5) can0 123##", "unreadable_line"),
        (b"(1.5) can0 123#R9", "unreadable_line"),
        (b"(1.5.6) can0 123#00", "unreadable_line"),
        (b"(nan) can0 123#00", "unreadable_line"),
        (b"(1e400) can0 123#00", "unreadable_line"),
        (b"(9999999999999999.0) can0 123#00", "unreadable_line"),
        (b"(1.5) can0", "unreadable_line"),
        (b"(1.5) can0 123", "unreadable_line"),
        (b"\xff\xfe\x80 what", "unreadable_line"),
        (b"x" * 5000, "unreadable_line"),
        (b"can0  123   [2]  11 22", "no_stamp"),
        (b" (1.5)  can0  123   [3]  11 22", "short_payload"),
        (b" (1.5)  can0  123   [9]  11 22", "long_payload"),
    ],
)
def test_bad_lines_are_counted_with_their_line(line: bytes, kind: str) -> None:
    good = b"(1.0) can0 123#00\n"
    got, problems, _ = read_bulk(good * 3 + line + b"\n" + good)
    assert len(got) == 4
    assert problems.counts == {kind: 1}
    assert (problems.first[0].kind, problems.first[0].where) == (kind, "line 4")
    assert problems.first[0].detail


def test_last_line_without_end() -> None:
    good = b"(1.0) can0 123#0011\n"
    got, problems, _ = read_bulk(good + b"(2.0) can0 123#00")
    assert [row[0] for row in got] == [1_000_000, 2_000_000]
    assert problems.counts == {"unterminated_line": 1}
    got, problems, _ = read_bulk(good + b"(2.0) can0 123#001")
    assert [row[0] for row in got] == [1_000_000]
    assert problems.counts == {"truncated_line": 1}
    assert problems.first[0].where == "line 2"


def test_a_line_without_any_end_is_refused() -> None:
    with pytest.raises(InputError, match="line 2 is longer"):
        read_bulk(b"(1.0) can0 123#00\n" + b"x" * 100_000)


# --- many lines ----------------------------------------------------------------------------------------

_hex = st.sampled_from("0123456789abcdefABCDEF")
_stamps = st.one_of(
    st.sampled_from(
        ["0.0", "0000000001.000000", "1436509052.249713", "9999999999.999999", "4611686018428.0", "-0.5"]
    ),
    st.builds("{}.{:06d}".format, st.integers(0, 10**10), st.integers(0, 999_999)),
    st.builds("{}.{}".format, st.integers(0, 10**16), st.integers(0, 10**9)),
)
_bodies = st.one_of(
    st.binary(max_size=8).map(lambda b: b.hex().upper()),
    st.sampled_from(["", "R", "R8", "##1", "1122334455667788", "FFFFFFFFFFFFFFFF", "0000000000000000"]),
    st.builds("#{}{}".format, _hex, st.binary(max_size=64).map(bytes.hex)),
    st.text(_hex, max_size=18),
)
_lines = st.one_of(
    st.builds(
        "({}) {} {}#{}{}{}".format,
        _stamps,
        st.sampled_from(["can0", "can1", "vcan0", "1"]),
        st.one_of(
            st.text(_hex, min_size=3, max_size=3), st.text(_hex, min_size=8, max_size=8), st.text(_hex)
        ),
        _bodies,
        st.sampled_from(["", "", " R", " T", " X"]),
        st.sampled_from(["", "", "", "\r"]),
    ).map(str.encode),
    st.sampled_from([b"", b"# comment", b"\r", b"()", b"(1.0) can0 123#", b"can0  123   [2]  11 22"]),
    st.binary(max_size=60).map(lambda b: b.replace(b"\n", b"?")),
)
_REGULAR = [b"(1436509052.249713) can0 123#1122334455667788"] * 9


@st.composite
def _texts(draw: st.DrawFn) -> bytes:
    lines = draw(st.lists(_lines, max_size=25))
    if draw(st.booleans()):
        lines += _REGULAR
        lines = draw(st.permutations(lines))
    spoilt = []
    for line in lines:
        if line and draw(st.integers(0, 5)) == 0:
            at = draw(st.integers(0, len(line) - 1))
            byte = draw(st.sampled_from(b"\0\t /0159:;@AFGZ_`afgz#()\x7f\x80\xb1\xff\x10\x11"))
            line = line[:at] + bytes([byte]) + line[at + 1 :]  # noqa: PLW2901 - spoils one character
        spoilt.append(line)
    return b"".join(line + b"\n" for line in spoilt)


@given(_texts(), st.sampled_from([1, 7, 64, 300, 1 << 21]))
@settings(max_examples=400, deadline=None)
@example(b"(1436509052.249713) can0 123#1122334455667788\n" * 40, 64)
def test_bulk_equals_line_by_line(text: bytes, chunk_bytes: int) -> None:
    expected, kinds, names = read_by_line(text)
    got, problems, bulk_names = read_bulk(text, chunk_bytes)
    assert got == expected
    assert problems.counts == kinds
    assert bulk_names == [name for name in names if any(row[4] == name for row in expected)]


@given(messages())
@settings(max_examples=100, deadline=None)
def test_equals_python_can_frame_by_frame(sent: list[can.Message]) -> None:
    """python-can's CanutilsLogWriter writes, both readers read. [S python-can]"""
    out = io.StringIO()
    writer = can.CanutilsLogWriter(out)
    for message in sent:
        writer.on_message_received(message)
    text = out.getvalue()
    reference = [message_row(m, str(m.channel)) for m in can.CanutilsLogReader(io.StringIO(text))]
    got, problems, _ = read_bulk(text.encode())
    assert got == reference
    assert problems.total == 0
    # The text has no length of remote frames; all else comes back as it was sent.
    kept = [message_row(m, f"can{m.channel}") for m in sent]
    assert got == [row if not row[2] & Flag.REMOTE else (*row[:3], 0, *row[4:]) for row in kept]


def test_equals_python_can_on_unusual_lines() -> None:
    """Every form that python-can's reader takes at all, in one file, lines in any order. [S python-can]"""
    lines = [
        "(1436509052.249713) can0 123#1122334455667788",
        "(0.0) vcan0 001#",
        "(1436509052.3) slcan12 7ff#aAbBcC",
        "(12.000001) can0 123#R",
        "(12.000002) can0 00000123#r8",
        "(12.000003) can1 1FFFFFFF#R5 T",
        "(12.000004) can1 000#0102 R",
        "   (12.000005)   can1\t7FF#0102   t  ",
        "(12.000006) can0 123##0",
        "(12.000007) can0 123##1AA",
        "(12.000008) can0 1ABCDEF0##3" + "5a" * 64,
        "(12.000009) 1 0123#00",
        "(-12.5) 3 123#00",
        "",
    ]
    rng = np.random.default_rng(7)
    text = "\n".join(lines[k] for k in rng.integers(0, len(lines), 3000)) + "\n"
    text += "\r\n".join(lines) + "\r\n"
    reference = [message_row(m, str(m.channel)) for m in can.CanutilsLogReader(io.StringIO(text))]
    got, problems, _ = read_bulk(text.encode())
    assert len(got) > 2500
    assert got == reference
    assert problems.total == 0


def test_all_lengths_digits_and_channels_in_bulk() -> None:
    """Enough lines of every layout that the bulk path takes them, checked against the numbers written."""
    rng = np.random.default_rng(20)
    count = 20_000
    length = rng.integers(0, 9, count).astype(np.uint8)
    extended = rng.random(count) < 0.3
    data = rng.integers(0, 256, (count, 8), dtype=np.uint8)
    data[np.arange(8) >= length[:, None]] = 0
    can_id = np.where(extended, rng.integers(0, 1 << 29, count), rng.integers(0, 1 << 11, count)).astype(
        np.uint32
    )
    stamp_us = rng.integers(0, 10**16, count)
    channel = rng.integers(0, 3, count)
    lines = [
        "({}.{:06d}) can{} {:0{}X}#{}\n".format(
            *divmod(int(s), 1_000_000), c, i, 8 if x else 3, d[:n].tobytes().hex()
        )
        for s, c, i, x, d, n in zip(stamp_us, channel, can_id, extended, data, length, strict=True)
    ]
    names: list[str] = []
    problems = Problems(Path("x.log"))
    reader = candump.CandumpReader(Channels(Path("x.log"), names), problems)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(candump, "parse_line", None)  # the bulk path must need no help
        blocks = list(reader.blocks(io.BytesIO("".join(lines).encode())))
    for name, expected in (("stamp_us", stamp_us), ("can_id", can_id), ("length", length), ("data", data)):
        assert np.array_equal(np.concatenate([getattr(block, name) for block in blocks]), expected), name
    got_channel = np.concatenate([block.channel for block in blocks])
    assert np.array_equal(np.array([int(name[3:]) for name in names])[got_channel], channel)
    assert names[0] == f"can{channel[0]}"
    assert np.array_equal(np.concatenate([b.flags for b in blocks]) == Flag.EXTENDED, extended)
    assert problems.total == 0


# --- writing -------------------------------------------------------------------------------------------


@st.composite
def _blocks(draw: st.DrawFn) -> FrameBlock:
    count = draw(st.integers(1, 40))
    kinds = draw(
        st.lists(
            st.sampled_from([0, 1, 2, 3, 4, 8, 8 | 32, 9 | 64, 8 | 32 | 64, 16, 17, 18]),
            min_size=count,
            max_size=count,
        )
    )
    stamp = st.one_of(
        st.sampled_from([0, 1, -1, -(10**9), 10**16 - 1, 10**16, (1 << 62) - 1]),
        st.integers(-(10**12), 10**16),
    )
    flags = np.array(kinds, np.uint8)
    fd_lengths = st.sampled_from([0, 1, 5, 8, 12, 20, 64])
    lengths = [draw(fd_lengths if kind & Flag.FD else st.integers(0, 8)) for kind in kinds]
    width = 64 if max(lengths) > 8 else 8
    data = np.zeros((count, width), np.uint8)
    for k, (kind, length) in enumerate(zip(kinds, lengths, strict=True)):
        if not kind & Flag.REMOTE:
            data[k, :length] = np.frombuffer(draw(st.binary(min_size=length, max_size=length)), np.uint8)
    ids = [draw(st.integers(0, 0x1FFFFFFF if kind & 5 else 0x7FF)) for kind in kinds]
    return FrameBlock(
        np.array([draw(stamp) for _ in kinds], np.int64),
        np.array(ids, np.uint32),
        flags,
        np.array(lengths, np.uint8),
        np.array([draw(st.integers(0, 2)) for _ in kinds], np.uint8),
        data,
    )


@given(_blocks())
@settings(max_examples=200, deadline=None)
def test_written_frames_come_back(block: FrameBlock) -> None:
    names = ["can0", "vcan1", "b"]
    text = candump.format_candump(block, names).tobytes()
    got, problems, _ = read_bulk(text)
    assert got == rows([block], names)
    assert problems.total == 0
    # python-can sees the same, but for error frames and stamps that a float cannot hold. [S python-can]
    read = list(can.CanutilsLogReader(io.StringIO(text.decode())))
    for message, row in zip(read, got, strict=True):
        if not row[2] & Flag.ERROR:
            assert message_row(message, str(message.channel), row[0]) == row
        if abs(row[0]) < 10**15 and not row[2] & Flag.ERROR:
            assert round(message.timestamp * 1e6) == row[0]


def test_write_and_open(tmp_path: Path) -> None:
    block = FrameBlock(
        np.array([1_000_000, 2_000_000]),
        np.array([0x123, 0x456], np.uint32),
        np.array([0, 1], np.uint8),
        np.array([2, 1], np.uint8),
        np.array([0, 1], np.uint8),
        np.array([[1, 2, 0, 0, 0, 0, 0, 0], [3, 0, 0, 0, 0, 0, 0, 0]], np.uint8),
    )
    path = tmp_path / "a.log"
    assert write_candump(path, [block], ["can0", "can1"]) == 2
    assert path.read_text() == "(0000000001.000000) can0 123#0102\n(0000000002.000000) can1 00000456#03\n"
    log = open_log(path)
    again = tmp_path / "b.log"
    assert write_candump(again, log) == 2
    assert again.read_bytes() == path.read_bytes()
    with pytest.raises(InputError, match="without blanks"):
        write_candump(tmp_path / "c.log", [block], ["can 0", "can1"])
    assert not (tmp_path / "c.log").exists()


def test_can_utils_reads_what_we_write(tmp_path: Path) -> None:
    """log2asc of can-utils converts our file; its ASC holds our frames. [S can-utils]"""
    log2asc = pytest.importorskip("shutil").which("log2asc")
    if log2asc is None:
        pytest.skip("log2asc of the Debian package can-utils is not on the PATH")
    rng = np.random.default_rng(3)
    count = 300
    flags = rng.choice(np.array([0, 1, 8, 9, 8 | 32], np.uint8), count)
    length = np.where(flags & 8, rng.choice([0, 8, 12, 64], count), rng.integers(0, 9, count)).astype(
        np.uint8
    )
    data = rng.integers(0, 256, (count, 64), dtype=np.uint8)
    data[np.arange(64) >= length[:, None]] = 0
    block = FrameBlock(
        10**15 + np.cumsum(rng.integers(1, 10**6, count)),
        np.where(flags & 1, rng.integers(0, 1 << 29, count), rng.integers(0, 1 << 11, count)).astype(
            np.uint32
        ),
        flags,
        length,
        rng.integers(0, 2, count).astype(np.uint8),
        data,
    )
    path = tmp_path / "a.log"
    write_candump(path, [block], ["can0", "can1"])
    for options in ([], ["-f"], ["-n"]):
        asc = tmp_path / "a.asc"
        subprocess.run(
            [log2asc, *options, "-I", path, "-O", asc, "can0", "can1"], check=True, capture_output=True
        )
        log = open_log(asc)
        got = rows(log, log.channels)
        expected = rows([block], ["1", "2"])
        start = expected[0][0]
        assert got == [(row[0] - start, *row[1:]) for row in expected]
        assert log.problems.total == 0


def test_stop_leaves_nothing(tmp_path: Path) -> None:
    def broken() -> object:
        yield FrameBlock(
            *(np.zeros(1, t) for t in (np.int64, np.uint32, *[np.uint8] * 3)), np.zeros((1, 8), np.uint8)
        )
        raise KeyboardInterrupt

    with tempfile.TemporaryDirectory() as folder:
        with pytest.raises(KeyboardInterrupt):
            write_candump(Path(folder) / "a.log", broken())
        assert list(Path(folder).iterdir()) == []
