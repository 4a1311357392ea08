"""`dashpot inspect`: its figures against numpy, cantools and brute force; its words to bad input."""

from __future__ import annotations

import json
import tracemalloc
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot import cli
from dashpot.canbits import frame_bits
from dashpot.commands.inspect import inspect_log
from dashpot.logs import Flag, FrameBlock, join_blocks, write_candump
from dashpot.logs.decode import load_dbc
from dashpot.logs.survey import PeriodHistogram, Survey

DBC = """VERSION ""
BS_:
BU_: X
BO_ 291 MOTION: 8 X
 SG_ speed : 0|16@1+ (0.01,0) [0|300] "m/s" X
 SG_ lateral : 23|16@0- (0.001,0) [-4|4] "g" X
 SG_ kind M : 32|8@1+ (1,0) [0|255] "" X
 SG_ warm m0 : 40|8@1+ (1,-40) [-40|150] "degC" X
 SG_ cold m1 : 40|8@1- (1,0) [-128|127] "degC" X
BO_ 2566871614 WIDE: 4 X
 SG_ f : 0|32@1- (1,0) [0|0] "" X
BO_ 1000 NEVER: 8 X
 SG_ x : 0|8@1+ (1,0) [0|0] "" X
SIG_VALTYPE_ 2566871614 f : 1;
"""


@pytest.fixture
def dbc(tmp_path: Path) -> Path:
    path = tmp_path / "car.dbc"
    path.write_text(DBC)
    return path


def random_block(count: int, seed: int, *, start_us: int = 0) -> FrameBlock:
    """Frames of 0x123, 0x18FF5A3E (extended) and 0x7FF on two channels."""
    rng = np.random.default_rng(seed)
    which = rng.integers(0, 3, count)
    data = rng.integers(0, 256, (count, 8), dtype=np.uint8)
    data[:, 4] &= 1
    length = np.choose(which, [8, 4, rng.integers(0, 9, count)]).astype(np.uint8)
    data[np.arange(8) >= length[:, None]] = 0
    floats = rng.normal(size=count).astype("<f4").view(np.uint8).reshape(count, 4)
    data[which == 1, :4] = floats[which == 1]
    return FrameBlock(
        start_us + np.cumsum(rng.integers(0, 2000, count)),
        np.choose(which, [0x123, 0x18FF5A3E, 0x7FF]).astype(np.uint32),
        np.where(which == 1, Flag.EXTENDED, 0).astype(np.uint8),
        length,
        rng.integers(0, 2, count).astype(np.uint8),
        data,
    )


def survey_of(blocks: list[FrameBlock], messages: Any = None) -> dict[str, Any]:
    survey = Survey(["a", "b"], messages or {}, 500_000)
    for block in blocks:
        survey.add(block)
    return {name: channel.as_json() for name, channel in sorted(survey.channels.items())}


def same(one: Any, two: Any) -> None:
    """Assert that two JSON values are equal, floats but for rounding."""
    if isinstance(one, dict):
        assert one.keys() == two.keys()
        for key in one:
            same(one[key], two[key])
    elif isinstance(one, list):
        assert len(one) == len(two)
        for a, b in zip(one, two, strict=True):
            same(a, b)
    elif isinstance(one, float):
        assert one == pytest.approx(two, rel=1e-9, abs=1e-9)
    else:
        assert one == two


# --- figures ---------------------------------------------------------------------------------------------


@given(st.lists(st.one_of(st.integers(0, 3000), st.integers(0, 1 << 40)), min_size=1, max_size=300))
@settings(max_examples=150, deadline=None)
def test_quantiles_against_numpy(periods: list[int]) -> None:
    """numpy's inverted_cdf is the same definition. [S numpy.quantile]"""
    histogram = PeriodHistogram()
    for start in range(0, len(periods), 70):
        histogram.add(np.array(periods[start : start + 70], np.int64))
    for share in (0.01, 0.5, 0.99):
        exact = float(np.quantile(np.array(periods), share, method="inverted_cdf"))
        assert histogram.quantile(share) == pytest.approx(exact, rel=1e-3 if exact >= 1024 else 0)


@given(st.lists(st.integers(1, 400), min_size=1, max_size=6), st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_blocks_of_any_size_give_the_same(sizes: list[int], seed: int) -> None:
    whole = random_block(sum(sizes), seed)
    ends = np.cumsum(sizes)
    parts = [whole.select(slice(end - size, end)) for end, size in zip(ends, sizes, strict=True)]

    same(survey_of(parts), survey_of([whole]))


def test_figures_by_brute_force() -> None:
    block = random_block(4000, 1)
    for name, index in (("a", 0), ("b", 1)):
        one = survey_of([block])[name]
        rows = np.flatnonzero(block.channel == index)
        assert one["frames"] == one["data"] == len(rows)
        stamps = block.stamp_us[rows]
        bits = [
            frame_bits(
                int(block.can_id[k]),
                block.data[k, : block.length[k]].tobytes(),
                extended=bool(block.flags[k] & Flag.EXTENDED),
            )
            for k in rows
        ]
        load = one["bus_load"]
        assert load["bits"] == sum(bits)
        assert load["mean"] == pytest.approx(sum(bits) / 500_000 / (np.ptp(stamps) / 1e6))
        windows = [sum(np.array(bits)[(stamps > t - 100_000) & (stamps <= t)]) for t in stamps]
        assert load["worst_100ms"] == pytest.approx(max(windows) / 50_000)
        assert windows[int(np.searchsorted(stamps, load["worst_100ms_end_us"], side="right")) - 1] == max(
            windows
        )
        for row in one["ids"]:
            some = rows[block.can_id[rows] == row["id"]]
            steps = np.diff(block.stamp_us[some])
            assert row["count"] == len(some)
            assert row["period_us"]["mean"] == pytest.approx(steps.mean())
            assert row["period_us"]["std"] == pytest.approx(steps.std())
            assert (row["period_us"]["min"], row["period_us"]["max"]) == (steps.min(), steps.max())
            assert row["longest_gap_us"] == steps.max()
            assert row["longest_gap_at_us"] == block.stamp_us[some][1:][np.argmax(steps)]
            lengths = block.length[some].astype(int)
            assert row["length_changes"] == np.count_nonzero(np.diff(lengths))
            assert row["lengths"] == {
                str(n): int(np.sum(lengths == n)) for n in sorted(set(lengths.tolist()))
            }
            assert row["extended"] == (row["id"] > 0x7FF)


def test_signals_against_cantools(dbc: Path, tmp_path: Path) -> None:
    """[S cantools]"""
    block = random_block(3000, 2)
    block.data[:40, :2] = 0xFF
    path = tmp_path / "a.log"
    write_candump(path, [block], ["can0", "can1"])
    result = inspect_log(path, load_dbc([dbc]), dbcs=(dbc,))
    database = cantools.database.load_string(DBC, database_format="dbc")
    values: dict[tuple[str, str], list[float]] = {}
    for k in range(len(block)):
        if block.can_id[k] in (0x123, 0x18FF5A3E):
            message = database.get_message_by_frame_id(int(block.can_id[k]))
            decoded = message.decode(block.data[k, : message.length].tobytes(), decode_choices=False)
            for name, value in decoded.items():
                values.setdefault((f"can{block.channel[k]}", name), []).append(float(value))
    compared = 0
    for one in result["channels"]:
        for row in one["ids"]:
            assert row["message"] == {0x123: "MOTION", 0x18FF5A3E: "WIDE", 0x7FF: None}[row["id"]]
            for signal in row.get("signals", []):
                got = values[one["name"], signal["name"]]
                ones = {"speed": 655.35, "warm": 215, "kind": 255}.get(signal["name"])
                limits = {"speed": (0, 300), "lateral": (-4, 4), "warm": (-40, 150)}.get(
                    signal["name"], (-1e99, 1e99)
                )
                kept = [v for v in got if v != ones]
                assert signal["count"] == len(got)
                assert (signal["min"], signal["max"]) == (min(kept), max(kept))
                assert signal["mean"] == pytest.approx(np.mean(kept))
                assert signal["all_ones_share"] == pytest.approx(np.mean([v == ones for v in got]))
                outside = [not limits[0] <= v <= limits[1] for v in got]
                assert signal["out_of_range_share"] == pytest.approx(np.mean(outside))
                invalid = [a or v == ones for a, v in zip(outside, got, strict=True)]
                assert signal["invalid_share"] == pytest.approx(np.mean(invalid))
                compared += 1
    assert compared == 12
    assert result["dbc"]["undecoded_ids"] == ["7FF"]
    assert [row["message"] for row in result["dbc"]["never_seen"]] == ["NEVER"]


def test_a_known_cycle(tmp_path: Path) -> None:
    """Ten-millisecond frames with one gap, one step back, one jump and one change of length."""
    stamps = np.arange(1000, dtype=np.int64) * 10_000
    stamps[500:] += 25_000
    stamps[700] -= 15_000
    stamps[900:] += 3_000_000
    length = np.full(1000, 8, np.uint8)
    length[300] = 7
    block = FrameBlock(
        stamps,
        np.full(1000, 0x100, np.uint32),
        np.zeros(1000, np.uint8),
        length,
        np.zeros(1000, np.uint8),
        np.zeros((1000, 8), np.uint8),
    )
    path = tmp_path / "a.log"
    write_candump(path, [block])
    (one,) = inspect_log(path, {}, bitrate=250_000)["channels"]
    (row,) = one["ids"]
    assert row["period_us"]["median"] == 10_000
    assert row["longest_gap_us"] == 3_010_000
    assert row["longest_gap_at_us"] == int(stamps[900])
    assert row["stamps_backwards"] == 1
    assert row["length_changes"] == 2
    assert one["stamps_backwards"] == {"count": 1, "largest_us": 5_000, "at_us": int(stamps[700])}
    assert one["stamp_jumps"] == {"count": 1, "largest_us": 3_010_000, "at_us": int(stamps[900])}
    # Eight zero bytes: every frame has the same bits but the one that is shorter.
    assert one["bus_load"]["bitrate"] == 250_000
    assert one["bus_load"]["bits"] == 999 * frame_bits(0x100, bytes(8)) + frame_bits(0x100, bytes(7))


def test_error_remote_and_fd_frames_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(
        "(1.0) can0 123#0011\n(1.1) can0 123#R2\n(1.2) can0 20000080#0000000000000000\n"
        f"(1.3) can0 123##1{'00' * 12}\n(1.4) can0 00000123#00\n(1.5) can0 123#001\n"
    )
    result = inspect_log(path, {})
    (one,) = result["channels"]
    assert {k: one[k] for k in ("frames", "data", "remote", "error", "fd")} == {
        "frames": 5,
        "data": 3,
        "remote": 1,
        "error": 1,
        "fd": 1,
    }
    assert [(row["id_hex"], row["remote"], row["count"]) for row in one["ids"]] == [
        ("123", False, 2),
        ("123", True, 1),
        ("00000123", False, 1),
    ]
    bits = frame_bits(0x123, b"\0\x11") + frame_bits(0x123, b"", remote_length=2)
    assert one["bus_load"]["bits"] == bits + frame_bits(0x123, b"\0", extended=True)
    assert result["problems"]["counts"] == {"odd_payload": 1}
    assert result["problems"]["first"][0]["where"] == "line 6"


def test_short_frames_are_counted_and_decoded_as_far_as_they_go(dbc: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1.0) can0 123#6400\n(1.1) can0 123#C800000001050000\n")
    (one,) = inspect_log(path, load_dbc([dbc]))["channels"]
    (row,) = one["ids"]
    assert row["short_frames"] == 1
    counts = {signal["name"]: signal["count"] for signal in row["signals"]}
    assert counts == {"speed": 2, "lateral": 1, "kind": 1, "warm": 0, "cold": 1}
    assert [s["mean"] for s in row["signals"] if s["name"] == "speed"] == [1.5]


def test_memory_does_not_grow() -> None:
    # Equal blocks one after the other in time, so that all histograms are complete after the first few.
    def peak(repeats: int) -> int:
        survey = Survey(["a", "b"], {}, 500_000)
        block = random_block(20_000, 3)
        span = int(block.stamp_us[-1])
        tracemalloc.start()
        for k in range(repeats):
            later = FrameBlock(
                block.stamp_us + k * span, block.can_id, block.flags, block.length, block.channel, block.data
            )
            survey.add(later)
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return top

    assert peak(24) < 1.1 * peak(4)


# --- the command -----------------------------------------------------------------------------------------


Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    """Run `dashpot inspect ARGS` in this process: exit code, stdout, stderr."""

    def call(*arguments: object) -> tuple[int, str, str]:
        code = cli.main(["inspect", *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def test_as_a_process(run_cli: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "a.log").write_text("(1.0) can0 123#00\n")
    done = run_cli("inspect", "a.log", "--json")
    assert (done.returncode, done.stderr) == (0, "")
    assert json.loads(done.stdout)["frames"] == 1


def test_json_and_tables(run: Run, dbc: Path, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    write_candump(path, [random_block(500, 5)], ["can0", "can1"])
    code, out, err = run(path, "--dbc", dbc, "--json")
    assert (code, err) == (0, "")
    result = json.loads(out)
    assert result["frames"] == 500
    assert list(result) == [
        "log",
        "format",
        "bytes",
        "frames",
        "first_us",
        "last_us",
        "problems",
        "channels",
        "dbc",
    ]
    code, out, err = run(path, "--dbc", dbc, "--channel", "can1", "--bitrate", "250000")
    assert (code, err) == (0, "")
    for word in ("can1", "18FF5A3E", "MOTION", "lateral", "NEVER (3E8)", "Not in the DBC: 7FF", "250000"):
        assert word in out
    assert "Identifiers on can0" not in out
    assert "assumed" not in out


def test_what_is_wrong_is_shown(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text(
        "(5.0) can0 123#00\n(4.5) can0 123#00\nrubbish\n(9.0) can0 123#00\n(9.1) can0 20000004#0001000000000000\n"
    )
    code, out, _ = run(path)
    assert code == 0
    assert "stamps go backwards 1 times, most by 500.000 ms at -0.500 s" in out
    assert "1 gaps over 1 s without any frame, the longest 4.500 s" in out
    assert "leaves out 0 FD and 1 error frames" in out
    assert "unreadable_line 1" in out
    assert "line 3" in out
    code, _, err = run(path, "--strict")
    assert code == 2
    assert f"{path}:3: " in err


@pytest.mark.parametrize(
    ("text", "options", "said"),
    [
        ("(1.0) can0 7FF#00\n", [], "the DBC does not fit this log"),
        ("(1.0) can0 7FF#00\n", [], "seen 7FF; expected 123, 3E8, 18FF5A3E"),
        ("(1.0) can0 00000123#00\n", [], "differ only in being extended"),
        ("(1.0) can0 123#00\n", ["--channel", "can7"], "has no channel 'can7'; it has can0"),
        ("(1.0) can0 123#R\n", [], "the DBC does not fit this log"),
        ("", [], "is empty"),
        ("(1.0) can0 123#00\n", ["--format", "pdf"], "the formats are candump"),
    ],
)
def test_bad_input_ends_with_2(
    run: Run, dbc: Path, tmp_path: Path, text: str, options: list[str], said: str
) -> None:
    path = tmp_path / "a.log"
    path.write_text(text)
    code, out, err = run(path, "--dbc", dbc, *options)
    assert (code, out) == (2, "")
    assert said in err
    assert err.count("\n") == 1


def test_missing_files(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "a.log"
    path.write_text("(1.0) can0 123#00\n")
    for arguments in ((tmp_path / "none.log",), (path, "--dbc", tmp_path / "none.dbc"), (tmp_path,)):
        code, out, err = run(*arguments)
        assert (code, out) == (2, "")
        assert str(arguments[-1]) in err


def test_other_formats_inspect_the_same(tmp_path: Path) -> None:
    """The same frames through python-can's BLF writer. [S python-can]"""
    import can

    block = random_block(300, 8, start_us=1_600_000_000_000_000)
    path = tmp_path / "a.log"
    write_candump(path, [block], ["1", "2"])
    with can.BLFWriter(tmp_path / "a.blf") as writer:
        for k in range(len(block)):
            writer.on_message_received(
                can.Message(
                    timestamp=block.stamp_us[k] / 1e6,
                    arbitration_id=int(block.can_id[k]),
                    is_extended_id=bool(block.flags[k]),
                    data=block.data[k, : block.length[k]].tobytes(),
                    channel=int(block.channel[k]),
                )
            )
    one, two = inspect_log(path, {}), inspect_log(tmp_path / "a.blf", {})
    same(one["channels"], two["channels"])
    assert (one["format"], two["format"]) == ("candump", "blf")


def test_join_blocks_widens() -> None:
    block = random_block(3, 1)
    wide = FrameBlock(
        block.stamp_us, block.can_id, block.flags, block.length, block.channel, np.full((3, 64), 7, np.uint8)
    )
    joined = join_blocks([block, wide])
    assert joined.data.shape == (6, 64)
    assert np.array_equal(joined.data[:3, :8], block.data)
    assert not joined.data[:3, 8:].any()
    assert np.array_equal(joined.can_id, np.tile(block.can_id, 2))
