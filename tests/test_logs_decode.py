"""The numpy decode against cantools, signal by signal."""

from __future__ import annotations

import math
import re
from pathlib import Path

import cantools
import numpy as np
import pytest
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot.errors import InputError
from dashpot.logs.decode import (
    SignalLayout,
    decode_signal,
    invalid_codes,
    load_dbc,
    message_layout,
    out_of_range,
    selected,
)
from dashpot.resources import dbc_dir


def check_against_cantools(database: Database, payloads: np.ndarray, message_name: str) -> int:
    """Every signal of every payload, present or not and its value; the count of values compared."""
    message = database.get_message_by_name(message_name)
    layout = message_layout(message)
    ours = {}
    for signal in layout.signals:
        rows = selected(payloads, signal)
        raw, value = decode_signal(payloads, signal)
        ours[signal.name] = (np.ones(len(raw), np.bool_) if rows is None else rows, raw, value)
    compared = 0
    for k in range(len(payloads)):
        payload = payloads[k, : message.length].tobytes()
        try:
            expected = message.decode(payload, decode_choices=False, scaling=True)
            expected_raw = message.decode(payload, decode_choices=False, scaling=False)
        except cantools.database.DecodeError:
            continue  # a multiplexer value that the DBC does not know: cantools gives the whole frame up
        for name, (rows, raw, value) in ours.items():
            assert bool(rows[k]) == (name in expected), (name, payload.hex())
            if not rows[k]:
                continue
            signal = message.get_signal_by_name(name)
            want, got = float(expected[name]), float(value[k])
            if math.isnan(want):
                assert math.isnan(got)
            elif abs(expected_raw[name]) < 1 << 53:
                assert got == want, (name, payload.hex())
            else:
                assert got == pytest.approx(want, rel=1e-15)
            if not signal.is_float:
                assert int(raw[k]) % (1 << 64) == int(expected_raw[name]) % (1 << 64)
            compared += 1
    return compared


@st.composite
def _dbcs(draw: st.DrawFn) -> str:
    """Messages of one signal each; cantools cannot unpack overlapping ones."""
    columns = draw(st.sampled_from([8, 8, 8, 64]))
    lines: list[str] = []
    types = []
    for k in range(8):
        little = draw(st.booleans())
        kind = draw(st.sampled_from(["int", "int", "int", "float", "double"]))
        length = {"int": draw(st.integers(1, 64)), "float": 32, "double": 64}[kind]
        # The position of the first bit in the order in which the signal's bits follow one another.
        first = draw(st.integers(0, 8 * columns - length))
        start = first if little else first // 8 * 8 + 7 - first % 8
        sign = draw(st.sampled_from("+-")) if kind == "int" else "-"
        scaling = draw(st.sampled_from(["1,0", "0.1,0", "0.01,-10", "-2,5", "1E-3,273.15"]))
        lines.append(f"BO_ {k + 1} M{k}: {columns} X")
        lines.append(f' SG_ s : {start}|{length}@{int(little)}{sign} ({scaling}) [0|0] "u" X')
        if kind != "int":
            types.append(f"SIG_VALTYPE_ {k + 1} s : {1 if kind == 'float' else 2};")
    return "\n".join(['VERSION ""', "BS_:", "BU_: X", *lines, *types, ""])


@given(_dbcs(), st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_any_layout(dbc: str, seed: int) -> None:
    database = cantools.database.load_string(dbc, database_format="dbc", strict=False)
    columns = database.messages[0].length
    payloads = np.random.default_rng(seed).integers(0, 256, (20, columns), dtype=np.uint8)
    payloads[0], payloads[1], payloads[2] = 0, 0xFF, 0x80
    for message in database.messages:
        assert check_against_cantools(database, payloads, message.name) == 20


MULTIPLEXED = """VERSION ""
BS_:
BU_: X
BO_ 291 M: 8 X
 SG_ top M : 0|4@1+ (1,0) [0|0] "" X
 SG_ a m0 : 8|16@1- (0.1,0) [0|0] "" X
 SG_ b m1 : 15|12@0+ (1,-3) [0|0] "" X
 SG_ inner m2M : 8|2@1+ (1,0) [0|0] "" X
 SG_ c m3 : 16|8@1+ (1,0) [0|0] "" X
 SG_ d m1 : 24|8@1- (1,0) [0|0] "" X
 SG_ always : 56|8@1+ (1,0) [0|0] "" X
SG_MUL_VAL_ 291 a top 0-0;
SG_MUL_VAL_ 291 b top 1-1,4-6;
SG_MUL_VAL_ 291 inner top 2-2;
SG_MUL_VAL_ 291 c inner 3-3;
SG_MUL_VAL_ 291 d inner 1-2;
"""


def test_multiplexed_in_two_steps() -> None:
    database = cantools.database.load_string(MULTIPLEXED, database_format="dbc")
    rng = np.random.default_rng(2)
    payloads = rng.integers(0, 256, (400, 8), dtype=np.uint8)
    payloads[:, 0] = rng.integers(0, 7, 400)
    assert check_against_cantools(database, payloads, "M") > 400


def test_the_demo_cars_dbcs() -> None:
    rng = np.random.default_rng(6)
    paths = sorted(dbc_dir().glob("*.dbc"))
    assert paths
    for path in paths:
        database = cantools.database.load_file(path)
        for message in database.messages:
            payloads = rng.integers(0, 256, (60, 8), dtype=np.uint8)
            payloads[:20, 0] &= 3  # low multiplexer values, so that the contents are met
            assert check_against_cantools(database, payloads, message.name) > 0


def test_real_cars_of_opendbc() -> None:
    """Every message of some real cars' DBCs. [S opendbc]"""
    opendbc = pytest.importorskip("opendbc", reason="the package opendbc is not installed")
    folder = Path(opendbc.__file__).parent / "dbc"
    rng = np.random.default_rng(8)
    for name in ("vw_mqb.dbc", "tesla_can.dbc", "toyota_prius_2010_pt.dbc", "mercedes_benz_e350_2010.dbc"):
        path = folder / name
        # Names of values are left out, because some belong to signals that the file does not have.
        text = re.sub(r'^VAL_\s(?:"[^"]*"|[^;"])*;', "", path.read_text("cp1252"), flags=re.MULTILINE)
        database = cantools.database.load_string(text, database_format="dbc", strict=False)
        compared = 0
        for message in database.messages:
            payloads = np.zeros((6, 8), np.uint8)
            payloads[:, : message.length] = rng.integers(0, 256, (6, message.length), dtype=np.uint8)
            if all(signal.bytes_needed <= message.length for signal in message_layout(message).signals):
                compared += check_against_cantools(database, payloads, message.name)
        assert compared > 300
        ours = load_dbc([path])
        assert {(m.frame_id, m.is_extended_frame) for m in database.messages} == set(ours)


def test_worked_examples() -> None:
    """`12 34 56 78 9A BC DE F0`: 4|12@1+ x0.1, 23|16@0- x0.01-10, 35|12@0+. [X domain.md section 4]"""
    data = np.frombuffer(bytes.fromhex("123456789ABCDEF0"), np.uint8).reshape(1, 8)
    assert decode_signal(data, SignalLayout("a", 4, 12, True, False, scale=0.1))[1][0] == pytest.approx(83.3)
    second = SignalLayout("b", 23, 16, False, True, scale=0.01, offset=-10)
    assert decode_signal(data, second)[1][0] == pytest.approx(211.36)
    raw, value = decode_signal(data, SignalLayout("c", 35, 12, False, False))
    assert (raw[0], value[0]) == (2748, 2748)


def test_invalid_codes_and_range() -> None:
    byte = SignalLayout("a", 0, 8, True, False, scale=0.5, minimum=0, maximum=100)
    raw, value = decode_signal(
        np.array([[0, *[0] * 7], [200, *[0] * 7], [201, *[0] * 7], [255, *[0] * 7]], np.uint8), byte
    )
    assert invalid_codes(raw, byte).tolist() == [False, False, False, True]
    assert out_of_range(value, byte).tolist() == [False, False, True, True]
    full = np.full((1, 8), 0xFF, np.uint8)
    for length, signed, found in (
        (7, False, False),
        (8, False, True),
        (64, False, True),
        (8, True, False),
        (64, True, False),
    ):
        layout = SignalLayout("x", 0, length, True, signed)
        assert invalid_codes(decode_signal(full, layout)[0], layout).tolist() == [found]
    real = SignalLayout("f", 0, 32, True, True, is_float=True)
    assert out_of_range(decode_signal(full, real)[1], real).tolist() == [True]  # not a number


def test_a_signal_past_the_payload_is_refused() -> None:
    with pytest.raises(ValueError, match="does not lie within 8 bytes"):
        decode_signal(np.zeros((1, 8), np.uint8), SignalLayout("x", 60, 8, True, False))
    with pytest.raises(ValueError, match="does not lie within 8 bytes"):
        decode_signal(np.zeros((1, 8), np.uint8), SignalLayout("x", 59, 8, False, False))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (None, "no such file"),
        ("not a dbc", "no DBC that cantools can read"),
        ('VERSION ""\n', "no message with a signal"),
    ],
)
def test_bad_dbc(tmp_path: Path, content: str | None, said: str) -> None:
    path = tmp_path / "a.dbc"
    if content is not None:
        path.write_text(content)
    with pytest.raises(InputError, match=said) as caught:
        load_dbc([path])
    assert str(caught.value).startswith(str(path))
    with pytest.raises(InputError, match="folder"):
        load_dbc([tmp_path])
