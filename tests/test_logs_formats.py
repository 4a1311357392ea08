"""ASC, BLF, TRC, CSV and MF4 against python-can's writers and readers; detection; bad files."""

from __future__ import annotations

import gzip
import io
import struct
import subprocess
import time
import warnings
import zlib
from pathlib import Path
from shutil import which

import can
import numpy as np
import pytest
from hypothesis import given, settings

from dashpot.errors import InputError
from dashpot.logs import NO_CHANNEL, Flag, LogReader, open_log
from dashpot.logs.binarylogs import BlfReader
from dashpot.logs.frames import Channels, Problems, decimal_us
from dashpot.logs.textlogs import AscReader, CsvReader, LineReader, TrcReader
from logs_kit import Row, message_row, messages, rows


def read_stream(kind: type[LineReader | BlfReader], content: bytes) -> tuple[list[Row], Problems]:
    names: list[str] = []
    problems = Problems(Path("x"))
    blocks = list(kind(Channels(Path("x"), names), problems).blocks(io.BytesIO(content)))
    return rows(blocks, names), problems


def read_file(path: Path, content: bytes | str, **options: object) -> tuple[list[Row], LogReader]:
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    log = open_log(path, **options)
    return rows(log, log.channels), log


class _KeptText(io.StringIO):
    """A text file that python-can may close and reconfigure, as it does with real ones."""

    name = "x.trc"

    def reconfigure(self, newline: str) -> None:
        self.newline = newline

    def close(self) -> None:
        self.kept = self.getvalue()
        super().close()


class _KeptBytes(io.BytesIO):
    def close(self) -> None:
        self.kept = self.getvalue()
        super().close()


# --- python-can writes, we read ------------------------------------------------------------------------


@given(messages())
@settings(max_examples=100, deadline=None)
def test_asc_comes_back(sent: list[can.Message]) -> None:
    out = _KeptText()
    with can.ASCWriter(out) as writer:
        for message in sent:
            writer.on_message_received(message)
    got, problems = read_stream(AscReader, out.kept.encode())
    start = round(sent[0].timestamp * 1e6)
    assert got == [message_row(m, str(m.channel + 1), round(m.timestamp * 1e6) - start) for m in sent]
    assert problems.total == 0
    # The reader's own view of the same text, where it does not call an empty FD frame a remote one. [S python-can]
    read = list(can.ASCReader(io.StringIO(out.kept)))
    for message, row in zip(read, got, strict=True):
        if not (row[2] & Flag.FD and row[3] == 0):
            assert message_row(message, str(message.channel + 1)) == row


@given(messages())
@settings(max_examples=100, deadline=None)
def test_blf_comes_back(sent: list[can.Message]) -> None:
    out = _KeptBytes()
    with can.BLFWriter(out) as writer:
        for message in sent:
            writer.on_message_received(message)
    got, problems = read_stream(BlfReader, out.kept)
    assert got == [message_row(m, str(m.channel + 1)) for m in sent]
    assert problems.total == 0
    assert got == [message_row(m, str(m.channel + 1)) for m in can.BLFReader(io.BytesIO(out.kept))]


def test_blf_of_many_containers_in_runs() -> None:
    rng = np.random.default_rng(5)
    sent = [
        can.Message(
            timestamp=1.6e9 + k / 1000,
            arbitration_id=int(rng.integers(0, 1 << 11)),
            is_extended_id=bool(rng.random() < 0.5),
            is_remote_frame=bool(rng.random() < 0.1),
            is_rx=bool(rng.random() < 0.5),
            channel=int(k > 5000),
            dlc=(n := int(rng.integers(0, 9))),
            data=rng.bytes(n),
        )
        for k in range(10_000)
    ]
    for level in (-1, 0):
        out = _KeptBytes()
        with can.BLFWriter(out, compression_level=level) as writer:
            for k, message in enumerate(sent):
                writer.on_message_received(message)
                if k in (3000, 7000):
                    writer.log_event("a marker", message.timestamp)
        got, problems = read_stream(BlfReader, out.kept)
        assert got == [message_row(m, str(m.channel + 1)) for m in sent]
        assert problems.counts == {"skipped_event": 2}


@given(messages(fd=False, remote=False))
@settings(max_examples=100, deadline=None)
def test_trc_comes_back(sent: list[can.Message]) -> None:
    out = _KeptText()
    with can.TRCWriter(out) as writer:
        for message in sent:
            writer.on_message_received(message)
    got, problems = read_stream(TrcReader, out.kept.encode())
    assert problems.total == 0
    # The header's start is a float of days, good to a microsecond; all else is exact.
    start = round(sent[0].timestamp * 1e6)
    assert abs(got[0][0] - start) <= 1
    assert [(r[0] - got[0][0], *r[1:]) for r in got] == [
        message_row(m, str(m.channel + 1), round(m.timestamp * 1e6) - start) for m in sent
    ]
    # python-can's reader gives the file's channel numbers, which are its writer's plus one. [S python-can]
    for message, row in zip(can.TRCReader(io.StringIO(out.kept)), got, strict=True):
        assert message_row(message, str(message.channel), row[0]) == row
        assert abs(message.timestamp * 1e6 - row[0]) <= 1


@given(messages(fd=False, direction=False))
@settings(max_examples=100, deadline=None)
def test_csv_comes_back(sent: list[can.Message]) -> None:
    out = _KeptText()
    with can.CSVWriter(out) as writer:
        for message in sent:
            writer.on_message_received(message)
    got, problems = read_stream(CsvReader, out.kept.encode())
    assert got == [message_row(m, NO_CHANNEL) for m in sent]
    assert problems.total == 0
    assert got == [message_row(m, NO_CHANNEL) for m in can.CSVReader(io.StringIO(out.kept))]


def test_mf4_comes_back(tmp_path: Path) -> None:
    """asammdf stores the frames. [S python-can, asammdf]"""
    start = time.time() + 1
    sent = [
        can.Message(
            timestamp=start + k * 0.01,
            arbitration_id=0x123 + k,
            is_extended_id=k % 3 == 1,
            is_fd=k % 4 == 2,
            bitrate_switch=k % 8 == 2,
            is_rx=k % 5 > 0,
            channel=k % 2,
            data=bytes(range(k % 9)),
        )
        for k in range(40)
    ]
    sent.append(
        can.Message(
            timestamp=start + 1,
            arbitration_id=5,
            is_extended_id=False,
            is_remote_frame=True,
            dlc=3,
            channel=1,
        )
    )
    sent.append(can.Message(timestamp=start + 2, is_error_frame=True, is_extended_id=False, channel=0))
    path = tmp_path / "a.mf4"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what asammdf and its dependencies warn of is not under test
        with can.MF4Writer(path) as writer:
            for message in sent:
                writer.on_message_received(message)
        packed = tmp_path / "b.mf4.gz"
        packed.write_bytes(gzip.compress(path.read_bytes()))
        for file in (path, packed):
            log = open_log(file)
            assert log.format == "mf4"
            got = rows(log, log.channels)
            assert [row[1:] for row in got] == [message_row(m, str(m.channel))[1:] for m in sent]
            assert all(abs(row[0] - m.timestamp * 1e6) <= 1 for row, m in zip(got, sent, strict=True))
            assert log.problems.total == 0


def test_mf4_without_frames(tmp_path: Path) -> None:
    """A file of decoded signals, written by asammdf alone."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from asammdf import MDF, Signal

        path = tmp_path / "signals.mf4"
        with MDF(version="4.10") as mdf:
            mdf.append([Signal(np.arange(5.0), np.arange(5.0), name="speed")])
            mdf.save(path)
        with pytest.raises(InputError, match="recorded bus events"):
            list(open_log(path))
        cut = tmp_path / "cut.mf4"
        cut.write_bytes(path.read_bytes()[:80])
        with pytest.raises(InputError, match="asammdf cannot read it"):
            list(open_log(cut))


# --- ASC in particular ---------------------------------------------------------------------------------

ASC_HEAD = "date Mon Sep 30 15:06:13.191 2017\nbase hex  timestamps {}\nno internal events logged\n// version 9.0.0\n"


def test_asc_absolute_and_relative_stamps() -> None:
    lines = (
        "  -0.250000 1  123 Rx d 1 00\n   0.000000 Start of measurement\n   0.500000 1 Statistic: D 0 R 0\n"
    )
    lines += "   0.000001 2  123x Tx d 1 00 Length = 0 BitCount = 64 ID = 123x\n   1.000000 1  ErrorFrame\n"
    got, problems = read_stream(AscReader, (ASC_HEAD.format("absolute") + lines).encode())
    assert got == [
        (-250_000, 0x123, 0, 1, "1", b"\0"),
        (1, 0x123, Flag.EXTENDED | Flag.TX, 1, "2", b"\0"),
        (1_000_000, 0, Flag.ERROR, 0, "1", b""),
    ]
    assert problems.counts == {"skipped_event": 1}
    # Relative: each stamp counts from the event before, whatever it was.
    got, _ = read_stream(AscReader, (ASC_HEAD.format("relative") + lines).encode())
    assert [row[0] for row in got] == [-250_000, 250_001, 1_250_001]


def test_asc_in_decimal() -> None:
    text = "base dec  timestamps absolute\n 0.1 1 291 Rx d 2 10 255\n 0.2 1 291x Rx r 8\n 0.3 1 291 Rx r\n"
    got, problems = read_stream(AscReader, text.encode())
    assert got == [
        (100_000, 291, 0, 2, "1", b"\x0a\xff"),
        (200_000, 291, Flag.EXTENDED | Flag.REMOTE, 8, "1", b""),
        (300_000, 291, Flag.REMOTE, 0, "1", b""),
    ]
    assert problems.total == 0


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        # Before version 8.5 of the format there was no length behind the r.
        (
            "2.520002 3  200 Tx   r Length = 1704000 BitCount = 145 ID = 888",
            (2_520_002, 0x200, Flag.TX | Flag.REMOTE, 0, "3", b""),
        ),
        ("3.501000 1 ErrorFrame ECC: 10100010", (3_501_000, 0, Flag.ERROR, 0, "1", b"")),
        (
            "30.8 CANFD   5 Tx ErrorFrame Not Acknowledge error",
            (30_800_000, 0, Flag.ERROR | Flag.TX, 0, "5", b""),
        ),
        (
            "30.300981 CANFD   3 Tx     50005x     0 0 5 0 140000 73 200050 7a60 46500250",
            (30_300_981, 0x50005, Flag.EXTENDED | Flag.TX | Flag.REMOTE, 5, "3", b""),
        ),
        # The flags say no FD, the length says otherwise; a symbolic name in between.
        (
            "31.5 CANFD   4 Rx  1C4D80A7x  Name_2  1 0 9 12 "
            + "b1 " * 12
            + " 1331984 11 0 46500250 460a0250",
            (31_500_000, 0x1C4D80A7, Flag.EXTENDED | Flag.FD | Flag.BRS, 12, "4", b"\xb1" * 12),
        ),
        (
            "0.1 CANFD   1 Rx        123      0 0 2  2 11 22   130000  130        0 0 0 0 0 0",
            (100_000, 0x123, 0, 2, "1", b"\x11\x22"),
        ),
        (
            "0.1 CANFD   1 Rx        123      0 0 2  2 11 22   130000  130     1000 0 0 0 0 0",
            (100_000, 0x123, Flag.FD, 2, "1", b"\x11\x22"),
        ),
        ("0.1 1 123 Rx d f " + "00 " * 8, (100_000, 0x123, 0, 8, "1", bytes(8))),
    ],
)
def test_asc_lines_of_other_tools(line: str, expected: Row) -> None:
    """Forms that recorders of several makes write. [C]"""
    got, problems = read_stream(AscReader, f"base hex  timestamps absolute\n  {line}\n".encode())
    assert got == [expected]
    assert problems.total == 0


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("0.1 1 123 Rx d 8 00 11", "short_payload"),
        ("0.1 1 800 Rx d 1 00", "id_out_of_range"),
        ("0.1 1 123 Rx d 1 100", "unreadable_line"),
        ("0.1 1 123 Rx d", "unreadable_line"),
        ("0.1 1 123 Rx q 1 00", "unreadable_line"),
        ("0.1 CANFD 1 Rx 123 1 0 f 64 00 11", "short_payload"),
        ("what is this", "unreadable_line"),
        ("0.1", "unreadable_line"),
        ("0.1 CAN 1 Status:chip status error active", "skipped_event"),
        ("0.1 J1939TP FEE3p 6 0 0 - Rx d 23 A0 0F", "skipped_event"),
        ("0.1 1 123 TxRq d 1 00", "skipped_event"),
    ],
)
def test_asc_lines_that_are_no_frames(line: str, kind: str) -> None:
    text = "base hex  timestamps absolute\n0.05 1 123 Rx d 1 00\n" + line + "\n0.2 1 123 Rx d 1 00\n"
    got, problems = read_stream(AscReader, text.encode())
    assert [row[0] for row in got] == [50_000, 200_000]
    assert problems.counts == {kind: 1}
    assert problems.first[0].where == "line 3"
    got, problems = read_stream(AscReader, text.removesuffix("\n0.2 1 123 Rx d 1 00\n").encode())
    assert len(got) == 1
    assert problems.counts == {"truncated_line" if kind != "skipped_event" else kind: 1}


def test_asc_by_can_utils(tmp_path: Path) -> None:
    """log2asc writes; candump and ASC of the same frames read back the same. [S can-utils]"""
    log2asc = which("log2asc")
    if log2asc is None:
        pytest.skip("log2asc of the Debian package can-utils is not on the PATH")
    text = (
        "(1436509052.249713) can0 123#1122334455667788\n(1436509052.349713) can1 18FF1234#R8\n"
        "(1436509052.449713) can0 123##1112233445566778899AABBCC\n(1436509052.500000) can0 7FF#R\n"
        "(1436509053.449713) can0 20000080#0000000000000000\n(1436509053.549713) can0 123##3\n"
    )
    (tmp_path / "a.log").write_text(text)
    expected, _ = read_file(tmp_path / "a.log", text)
    command = [log2asc, "-I", tmp_path / "a.log", "-O", tmp_path / "a.asc", "can0", "can1"]
    subprocess.run(command, check=True, capture_output=True)
    log = open_log(tmp_path / "a.asc")
    got = rows(log, log.channels)
    # An error frame has no payload and no class in ASC.
    expected = [
        (s, 0, f, 0, c, b"") if f & Flag.ERROR else (s, i, f, n, c, d) for s, i, f, n, c, d in expected
    ]
    assert got == [
        (row[0] - expected[0][0], *row[1:4], {"can0": "1", "can1": "2"}[row[4]], row[5]) for row in expected
    ]


# --- TRC in particular ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            (
                "     1)      17      0300 8 00 00 00 00 04 00 00 00\n     2)      18  18EFC034 1 FF\n"
                "     3)      19      0301 2 RTR\n     4)      20  FFFFFFFF 4 00 00 00 08 BUSHEAVY\n"
            ),
            [
                (17_000, 0x300, 0, 8, NO_CHANNEL, bytes(4) + b"\4" + bytes(3)),
                (18_000, 0x18EFC034, Flag.EXTENDED, 1, NO_CHANNEL, b"\xff"),
                (19_000, 0x301, Flag.REMOTE, 2, NO_CHANNEL, b""),
            ],
        ),
        (
            (
                ";$FILEVERSION=1.1\n;$STARTTIME=25570.0\n     1)      17.5  Rx      0300 1 7F\n"
                "     2)      18.0  Tx      0300 1 80\n     3)      19.0  Error     0008 4 00 19 08 08\n"
                "     4)      20.0  Warng FFFFFFFF 4 00 00 00 08 BUSHEAVY\n"
            ),
            [
                (86_400_017_500, 0x300, 0, 1, NO_CHANNEL, b"\x7f"),
                (86_400_018_000, 0x300, Flag.TX, 1, NO_CHANNEL, b"\x80"),
                (86_400_019_000, 0, Flag.ERROR, 0, NO_CHANNEL, b""),
            ],
        ),
        (
            (
                ";$FILEVERSION=1.3\n;$STARTTIME=25569.5\n     1)      17.535 2  Rx        0300 -  2    00 FE\n"
                "     2)      18.000 1  Rx    18EFC034 -  0\n     3)      18.000 1  Error         - -  0\n"
            ),
            [
                (43_200_017_535, 0x300, 0, 2, "2", b"\0\xfe"),
                (43_200_018_000, 0x18EFC034, Flag.EXTENDED, 0, "1", b""),
                (43_200_018_000, 0, Flag.ERROR, 0, "1", b""),
            ],
        ),
        (
            ";$FILEVERSION=2.0\n;$STARTTIME=25569\n;$COLUMNS=N,O,T,I,d,l,D\n"
            "      1      1059.900 DT      0300 Rx 2  00 FE\n      2      1060.000 FB      0301 Tx 12 "
            + "00 " * 12
            + "\n      3      1061.000 RR      0302 Rx 4\n      4      1062.000 ST           Rx    00 00 00 08\n",
            [
                (1_059_900, 0x300, 0, 2, NO_CHANNEL, b"\0\xfe"),
                (1_060_000, 0x301, Flag.FD | Flag.BRS | Flag.TX, 12, NO_CHANNEL, bytes(12)),
                (1_061_000, 0x302, Flag.REMOTE, 4, NO_CHANNEL, b""),
            ],
        ),
        (
            (
                ";$FILEVERSION=2.1\n;$STARTTIME=25569\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
                "      1      1059.900 DT 1      0300 Rx -  2    00 FE\n"
                "      2      1060.000 FD 2  00000301 Rx -  9    00 01 02 03 04 05 06 07 08 09 0A 0B\n"
                "      3      1061.000 ER 1         - Rx -  5    04 00 02 00 00\n"
            ),
            [
                (1_059_900, 0x300, 0, 2, "1", b"\0\xfe"),
                (1_060_000, 0x301, Flag.EXTENDED | Flag.FD, 12, "2", bytes(range(12))),
                (1_061_000, 0, Flag.ERROR, 0, "1", b""),
            ],
        ),
    ],
)
def test_trc_versions(text: str, expected: list[Row]) -> None:
    """Lines after the format's published description. [S PEAK CAN TRC File Format, as python-can cites it]"""
    got, problems = read_stream(TrcReader, text.replace("\n", "\r\n").encode())
    assert got == expected
    assert set(problems.counts) <= {"skipped_event"}
    sent = [m for m in can.TRCReader(io.StringIO(text)) if m is not None]
    for message, row in zip(sent, [row for row in got if not row[2] & Flag.ERROR], strict=True):
        assert message.arbitration_id == row[1]
        assert bytes(message.data) == row[5]
        assert abs(message.timestamp * 1e6 - row[0]) <= 1


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (";$FILEVERSION=3.0\n", "TRC version 3.0"),
        (";$FILEVERSION=2.1\n;$STARTTIME=soon\n", "days since"),
        (";$FILEVERSION=2.1\n;$COLUMNS=N,O,T\n", "columns"),
        (";$FILEVERSION=2.1\n      1      1059.900 DT 1      0300 Rx -  2    00 FE\n", "COLUMNS"),
    ],
)
def test_trc_headers_that_cannot_be_read(text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        read_stream(TrcReader, text.encode())
    assert str(caught.value).startswith(f"x:{text.count(chr(10))}: ")


def test_csv_of_another_kind(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="timestamp,arbitration_id"):
        read_file(tmp_path / "a.csv", "timestamp,id,data\n1,2,3\n")
    got, log = read_file(
        tmp_path / "b.csv",
        "timestamp,arbitration_id,extended,remote,error,dlc,data\n"
        "1.0,0x123,0,0,0,2,AAE=\n1.0,0x123,0,0,0,2,AA\n1.0,0x123,0,0\n1.0,0x800,0,0,0,0,\n1.0,0x1,0,0,0,4,AAE=\n",
    )
    assert got == [(1_000_000, 0x123, 0, 2, NO_CHANNEL, b"\0\1")]
    assert log.problems.counts == {"unreadable_line": 2, "id_out_of_range": 1, "short_payload": 1}


# --- damaged BLF ---------------------------------------------------------------------------------------


def _blf(count: int = 10_000) -> bytes:
    out = _KeptBytes()
    with can.BLFWriter(out) as writer:
        for k in range(count):
            writer.on_message_received(
                can.Message(
                    timestamp=1.6e9 + k / 1000,
                    arbitration_id=k % 2048,
                    is_extended_id=False,
                    data=bytes(8),
                    channel=0,
                )
            )
    return out.kept


def test_blf_cut_anywhere_gives_the_frames_before() -> None:
    whole = _blf()
    reference, _ = read_stream(BlfReader, whole)
    assert len(reference) == 10_000
    found = []
    for size in [145, 166, *range(200, len(whole), len(whole) // 10), len(whole) - 5]:
        got, problems = read_stream(BlfReader, whole[:size])
        assert got == reference[: len(got)]
        assert problems.counts.get("truncated_file", 0) == 1
        assert problems.first[0].where.startswith("offset ")
        found.append(len(got))
    assert found == sorted(found)
    assert found[-1] > 9000
    with pytest.raises(InputError, match="header"):
        read_stream(BlfReader, whole[:50])


def test_blf_with_a_rotten_container() -> None:
    whole = bytearray(_blf())
    second = whole.index(b"LOBJ", 200)
    whole[second + 100 : second + 140] = bytes(40)
    got, problems = read_stream(BlfReader, bytes(whole))
    assert problems.counts["damaged_file"] >= 1
    assert problems.first[0].where == f"offset {second}"
    # The containers before and after it are read.
    assert got[0][0] == 1_600_000_000_000_000
    assert got[-1][0] == 1_600_000_009_999_000
    assert 5_000 < len(got) < 10_000


def test_blf_objects_by_hand() -> None:
    """Objects that python-can's writer never makes; layouts as its reader has them. [S python-can]"""

    def thing(kind: int, body: bytes, *, version: int = 1, unit: int = 2, stamp: int = 5_000_499) -> bytes:
        head = struct.pack("<LBxHQ", unit, 0, 0, stamp) + (bytes(8) if version == 2 else b"")
        size = 16 + len(head) + len(body)
        text = struct.pack("<4sHHLL", b"LOBJ", 16 + len(head), version, size, kind) + head + body
        return text + bytes(len(body) % 4)

    payload = bytes(range(1, 9))
    fd64 = struct.pack("<BBBBLLLLLLLHBBL", 2, 13, 32, 0, 0x80000123, 0, 0x3000, 0, 0, 0, 0, 0, 1, 0, 0)
    inside = b"".join(
        [
            thing(1, struct.pack("<HBBL8s", 1, 0, 3, 0x123, payload), unit=1, stamp=7),
            thing(86, struct.pack("<HBBL8sLBBH", 1, 0x81, 8, 0x123, payload, 0, 0, 0, 0), version=2),
            thing(2, struct.pack("<HH", 2, 0)),
            thing(101, fd64 + bytes(range(32))),
            thing(101, fd64[:2] + b"\x05" + fd64[3:] + b"\x01\x02"),
            thing(101, fd64[:1] + b"\x66" + fd64[2:12] + struct.pack("<L", 0x3010) + fd64[16:]),
            thing(1, struct.pack("<HBBL8s", 1, 0, 3, 0x15555555, payload)),
            thing(11, bytes(16)),
        ]
    )
    packed = zlib.compress(inside)
    container = struct.pack("<4sHHLL", b"LOBJ", 16, 1, 32 + len(packed), 10)
    container += struct.pack("<H6xL4x", 2, len(inside)) + packed + bytes((32 + len(packed)) % 4)
    head = struct.pack("<4sL8xQQLL8H8H", b"LOGG", 144, 0, 0, 0, 0, *[0] * 16).ljust(144, b"\0")
    got, problems = read_stream(BlfReader, head + container)
    assert got == [
        (70, 0x123, 0, 3, "1", b"\1\2\3"),
        (5_000, 0x123, Flag.REMOTE | Flag.TX, 8, "1", b""),
        (5_000, 0, Flag.ERROR, 0, "2", b""),
        (5_000, 0x123, Flag.EXTENDED | Flag.FD | Flag.BRS | Flag.TX, 32, "2", bytes(range(32))),
        (5_000, 0x123, Flag.EXTENDED | Flag.FD | Flag.BRS | Flag.TX, 5, "2", b"\1\2\0\0\0"),
        # A length code past the last one is read as the longest, as python-can does.
        (5_000, 0x123, Flag.EXTENDED | Flag.FD | Flag.BRS | Flag.TX | Flag.REMOTE, 64, "2", b""),
    ]
    assert problems.counts == {"skipped_event": 1, "id_out_of_range": 1}


# --- finding the format, and files that are none ---------------------------------------------------------

CANDUMP = "(1.000000) can0 123#0011\n(2.000000) can0 123#0022\n"


@pytest.mark.parametrize(
    ("name", "content", "expected"),
    [
        ("a.log", CANDUMP, "candump"),
        ("no_suffix", CANDUMP, "candump"),
        ("wrong.asc", CANDUMP, "candump"),
        ("commented.txt", "# from the car\n\n" + CANDUMP, "candump"),
        ("bom.log", "\ufeff" + ASC_HEAD.format("absolute") + "0.1 1 123 Rx d 1 00\n", "asc"),
        ("wrong.log", ASC_HEAD.format("absolute") + "0.1 1 123 Rx d 1 00\n", "asc"),
        ("headless.asc", "0.1 1 123 Rx d 1 00\n", "asc"),
        ("headless.trc", "     1)      17      0300 1 00\n", "trc"),
        ("wrong.csv", ";$FILEVERSION=1.1\n     1)      17.5  Rx      0300 1 7F\n", "trc"),
        ("x", "timestamp,arbitration_id,extended,remote,error,dlc,data\n1.0,0x1,0,0,0,0,\n", "csv"),
        ("x.log", _blf(3), "blf"),
    ],
)
def test_format_by_content_then_suffix(
    tmp_path: Path, name: str, content: str | bytes, expected: str
) -> None:
    got, log = read_file(tmp_path / name, content)
    assert log.format == expected
    assert got
    assert log.bytes_read == log.bytes_total == (tmp_path / name).stat().st_size
    raw = content if isinstance(content, bytes) else content.encode()
    packed, log = read_file(tmp_path / f"{name}.gz", gzip.compress(raw))
    assert log.format == expected
    assert packed == got
    assert log.bytes_read == log.bytes_total


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("empty.log", b"", "is empty"),
        ("blank.log", b"\n \n", "is empty"),
        ("rubbish.log", bytes(range(256)) * 40, "is binary"),
        ("rubbish", b"\x7fELF\2\1\1\0", "is binary"),
        ("prose.txt", b"dear diary\n", "no log of a known format"),
        ("prose.log", b"dear diary\n", "line 1: no candump line"),
        ("comments.log", b"# nothing\n", "holds no CAN frame"),
        ("screen.log", b"  can0  123   [2]  11 22\n", "candump -L"),
        ("header.asc", ASC_HEAD.format("absolute").encode(), "holds no CAN frame"),
        ("short.blf", b"LOGG", "header"),
        ("short.mf4", b"MDF     4.10", "asammdf cannot read it"),
        ("short.gz", b"\x1f\x8b", "is empty"),
        ("bad.gz", b"\x1f\x8bnot really gzip at all", "cannot be unpacked"),
        ("bits.log", b"(1.0) can0 12\x003#00\n", "is binary"),
    ],
)
def test_files_that_are_no_logs(tmp_path: Path, name: str, content: bytes, said: str) -> None:
    path = tmp_path / name
    with pytest.raises(InputError, match=said) as caught:
        read_file(path, content)
    assert str(caught.value).startswith(str(path))
    assert caught.value.exit_code == 2


def test_missing_folder_and_unknown_format(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        open_log(tmp_path / "none.log")
    with pytest.raises(InputError, match="folder"):
        open_log(tmp_path)
    with pytest.raises(InputError, match="the formats are"):
        open_log(tmp_path, format="pdf")


def test_strict_ends_at_the_first_problem(tmp_path: Path) -> None:
    text = CANDUMP + "(3.0) can0 123#001\n" + CANDUMP
    got, log = read_file(tmp_path / "a.log", text)
    assert len(got) == 4
    assert log.problems.counts == {"odd_payload": 1}
    with pytest.raises(InputError, match=r"a\.log:3: the payload has an odd number"):
        read_file(tmp_path / "a.log", text, strict=True)


def test_gzip_cut_off(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    text = "".join(f"({k}.0) can0 123#{rng.bytes(8).hex()}\n" for k in range(5000))
    packed = gzip.compress(text.encode())
    for size in (len(packed) - 4, len(packed) // 2):
        got, log = read_file(tmp_path / "a.log.gz", packed[:size])
        assert log.problems.counts["truncated_file"] == 1
        assert got == rows(open_log(tmp_path / "a.log.gz"), ["can0"])
        assert 0 < len(got) <= 5000
    spoilt = bytearray(packed)
    spoilt[len(packed) // 2] ^= 0xFF
    _, log = read_file(tmp_path / "a.log.gz", bytes(spoilt))
    assert log.problems.counts.get("damaged_file", 0) + log.problems.counts.get("truncated_file", 0) == 1


def test_read_twice(tmp_path: Path) -> None:
    _, log = read_file(tmp_path / "a.log", CANDUMP + "bad\n")
    assert rows(log, log.channels) == rows(log, log.channels)
    assert log.channels == ["can0"]
    assert log.problems.total == 1
    assert log.frames == 2


def test_many_names_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="255 different channel names"):
        read_file(tmp_path / "a.log", "".join(f"(1.0) can{k} 123#00\n" for k in range(300)))


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("1436509052.249713", 1_000_000, 1436509052249713),
        ("-0.0000005", 1_000_000, -1),
        ("0.0000004999", 1_000_000, 0),
        ("1059.9", 1000, 1_059_900),
        ("1e-06", 1_000_000, 1),
    ],
)
def test_decimal_us(text: str, unit: int, expected: int) -> None:
    assert decimal_us(text, unit_us=unit) == expected


@pytest.mark.parametrize("text", ["", "x", "nan", "inf", "1e999999", "9e18", "1_0"])
def test_decimal_us_refuses(text: str) -> None:
    with pytest.raises(ValueError, match=r"no (number|time)"):
        decimal_us(text)


def test_memory_is_constant(tmp_path: Path) -> None:
    """Four times the log, the same peak."""
    import tracemalloc

    line = b"(1436509052.249713) can0 123#1122334455667788\n"
    peaks = []
    for count in (200_000, 800_000):
        path = tmp_path / f"{count}.log"
        path.write_bytes(line * count)
        tracemalloc.start()
        assert sum(len(block) for block in open_log(path)) == count
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]
    assert peaks[1] < 40e6
