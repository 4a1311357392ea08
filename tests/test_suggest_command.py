"""`dashpot suggest`: known zeros, signs, units and lags come back; the diff mends the file; bad input is one clear line."""

from __future__ import annotations

import hashlib
import json
import re
import subprocess
import tracemalloc
from functools import cache

import numpy as np
import pytest

import suggest_kit as kit
from dashpot import cli
from dashpot.calibration import load_vehicle
from dashpot.commands.suggest import suggest_log
from dashpot.logs import open_log, write_candump
from dashpot.resources import demo_dir
from dashpot.suggest.gather import Gatherer
from dashpot.suggest.propose import speed_noise_gain
from demo_data import demo_log

DATA = demo_dir() / "data"
OFFSETS = (
    ("Lat", 0.5), ("Long", -0.4), ("Yaw", 1.2), ("Brake", 2.1), ("Steer", 4.0),
    ("FL", 3.0), ("FR", -2.2), ("RL", 1.7), ("RR", -5.0),
)  # fmt: skip
OFF = kit.Car(offsets=OFFSETS)


@cache
def demo_result():
    return suggest_log(demo_log(), DATA / "vehicle.toml", DATA / "calibration.toml")[0]


@pytest.fixture
def run(capsys):
    def call(*arguments):
        code = cli.main(["suggest", *map(str, arguments)])
        out, err = capsys.readouterr()
        return code, out, err

    return call


def by_key(result):
    return {one["key"]: one for one in result["suggestions"]}


def patched(folder, result):
    """Apply the diff with the very tool that the report names."""
    done = subprocess.run(
        ["patch", "-p1"], cwd=folder, input=result["diff"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr


# --- the clean drives -------------------------------------------------------------------------------------


def test_the_demo_gets_no_suggestion():
    result = demo_result()
    assert result["suggestions"] == []
    assert result["diff"] == ""
    assert result["missing"] == []
    # The one thing to look at is true: the wheel on the kerb goes past the stop that the calibration has.
    assert [one["about"] for one in result["remarks"]] == ["layers.stroke_end.front.compression.stop"]


def test_leads_of_the_demo_are_those_of_its_truth():
    """Sums of group delays [X]: brake 2 x 18 ms and a 10 Hz filter, 58.5 ms; steering to yaw 2 x 0.9 / (2 pi 2.9) and a 15 Hz
    filter, 113.8 ms, to lateral 121.3 ms; filters alone 22.5 ms and 22.5 - 15 ms."""
    leads = demo_result()["leads"]
    for name, expected_ms, within_ms in (
        ("brake_lead", 58.5, 6.0),
        ("steer_yaw", 113.8, 6.0),
        ("steer_lead", 121.3, 6.0),
        ("longitudinal_lag", 22.5, 2.0),
        ("lateral_lag", 7.5, 2.0),
    ):
        one = leads[name]
        assert 1000 * one["median_s"] == pytest.approx(expected_ms, abs=within_ms), name
        assert one["low_s"] <= one["median_s"] <= one["high_s"]
        assert one["p10_s"] <= one["median_s"] <= one["p90_s"]
        assert one["events"] >= 8
    assert leads["brake_lead"]["events"] == 10


def test_the_small_car_gets_no_suggestion(tmp_path):
    result, _ = suggest_log(kit.log(), kit.vehicle(tmp_path))
    assert (result["suggestions"], result["remarks"], result["missing"]) == ([], [], [])
    leads = result["leads"]
    assert leads["brake_lead"]["median_s"] == pytest.approx(kit.BRAKE_LEAD_S, abs=0.003)
    assert leads["steer_yaw"]["median_s"] == pytest.approx(kit.STEER_LAG_S, abs=0.003)
    assert leads["steer_lead"]["median_s"] == pytest.approx(kit.STEER_LAG_S, abs=0.003)
    assert leads["longitudinal_lag"]["median_s"] == pytest.approx(0.0, abs=0.002)
    assert result["standing"]["sections"] == 2
    for axle in ("front", "rear"):
        assert result["roll_mm_g"][axle]["slope"] == pytest.approx(2.0 * kit.ROLL_MM_G, rel=0.02)
    checks = {one["check"]: one for one in result["cross_checks"]}
    assert checks["wheels_yaw.rear"]["slope"] == pytest.approx(2.0 * kit.HALF_TRACK_M, rel=0.02)
    assert checks["brake"]["slope"] == pytest.approx(kit.BAR_PER_G, rel=0.02)
    assert checks["steer"]["lag_s"] == pytest.approx(kit.STEER_LAG_S, abs=0.003)
    assert checks["steer"]["ratio_x_wheelbase_m"] == pytest.approx(kit.RATIO * kit.WHEELBASE_M, rel=0.03)
    assert checks["steer"]["ratio_x_understeer_s2_m"] == pytest.approx(kit.RATIO * kit.UNDERSTEER, rel=0.03)
    for corner, end in zip(kit.CORNERS, (-1, -1, 1, 1), strict=True):
        assert checks[f"stroke.{corner}~longitudinal"]["slope"] == pytest.approx(kit.PITCH_MM_G, rel=0.05)
        assert end * checks[f"stroke.{corner}~longitudinal"]["correlation"] > 0.9


# --- what is planted comes back ---------------------------------------------------------------------------


def test_zeros_come_back_and_the_diff_mends_them(tmp_path):
    path = kit.vehicle(tmp_path)
    result, _ = suggest_log(kit.log(OFF), path)
    found = by_key(result)
    expected = {
        "lateral": (0.5 / kit.G, "g", 0.002), "longitudinal": (-0.4 / kit.G, "g", 0.004), "yaw_rate": (1.2, "deg/s", 0.02),
        "brake_pressure": (2.1, "bar", 0.05), "steer_angle": (4.0, "deg", 0.1),
        "stroke.front_left": (83.0, "mm", 0.1), "stroke.front_right": (77.8, "mm", 0.1),
        "stroke.rear_left": (81.7, "mm", 0.1), "stroke.rear_right": (75.0, "mm", 0.1),
    }  # fmt: skip
    assert set(found) == {f"channels.{name}.zero" for name in expected}
    for name, (value, unit, within) in expected.items():
        one = found[f"channels.{name}.zero"]
        number, wrote = one["new"].strip('"').split()
        assert wrote == unit
        assert float(number) == pytest.approx(value, abs=within), name
        assert one["confidence"] == "firm"
        assert one["evidence"]
    zero = next(z for z in result["zeros"] if z["channel"] == "lateral")
    assert abs(zero["mean"] - 0.5 / kit.G) <= zero["half_width"] + 0.001
    assert zero["noise_rms"] == pytest.approx(kit.NOISE["Lat"] / kit.G, rel=0.1)
    patched(tmp_path, result)
    again, _ = suggest_log(kit.log(OFF), path)
    assert again["suggestions"] == []


@pytest.mark.parametrize(
    ("keys", "suggested"),
    [
        (
            {"lateral": {"sign": "-1"}, "stroke__rear_left": {"sign": "-1"}},
            {"channels.lateral.sign": "1", "channels.stroke.rear_left.sign": "1"},
        ),
        (
            {"road_speed": {"unit": '"m/s"', "range": '["0 m/s", "110 m/s"]'}},
            {"channels.road_speed.unit": '"km/h"'},
        ),
        (
            {
                "stroke__front_left": {"signal": '"STROKES.FR"'},
                "stroke__front_right": {"signal": '"STROKES.FL"'},
            },
            {
                "channels.stroke.front_left.signal": '"STROKES.FL"',
                "channels.stroke.front_right.signal": '"STROKES.FR"',
            },
        ),
        (
            {
                "lateral": {"signal": '"BODY.Long"', "sign": "-1"},
                "longitudinal": {"signal": '"BODY.Lat"'},
            },
            {"channels.lateral.signal": '"BODY.Lat"', "channels.longitudinal.signal": '"BODY.Long"'},
        ),
    ],
)
def test_a_wrong_file_is_mended_by_its_diff(tmp_path, keys, suggested):
    """Zeros are off as well, so that the changes of one channel must go together."""
    path = kit.vehicle(tmp_path, **keys)
    result, _ = suggest_log(kit.log(OFF), path)
    found = {key: one["new"] for key, one in by_key(result).items()}
    for key, new in suggested.items():
        assert found.get(key) == new, (key, found)
    assert result["diff_mistakes"] == []
    assert result["by_hand"] == []
    patched(tmp_path, result)
    again, _ = suggest_log(kit.log(OFF), path)
    assert [(one["key"], one["new"], one["why"]) for one in again["suggestions"]] == []
    zeros = {z["channel"]: z["mean"] for z in again["zeros"]}
    for name in ("lateral", "longitudinal", "stroke.front_left", "stroke.rear_left"):
        assert abs(zeros[name]) < 0.05, name


def test_stuck_coarse_drifting_and_lost_signals_are_told(tmp_path):
    coarse = kit.DBC.replace("SG_ RR : 55|16@0+ (0.01,0) [0|160]", "SG_ RR : 55|16@0+ (0.001,0) [0|160]")
    car = kit.Car(stuck=("Lat", 30.0, 33.0), away=("WHEELS", 40.0, 40.5), drift_mm=4.0)
    path = kit.vehicle(tmp_path, leave=("stroke.rear_right",))
    result, _ = suggest_log(kit.log(car), path)
    said = {one["about"]: one["says"] for one in result["remarks"]}
    assert "stuck" in said["lateral"]
    assert "from 30." in said["lateral"]
    assert "away for 5" in said["WHEELS"]
    assert "drifts" in said["stroke.front_left"]
    drift = float(re.search(r"drifts: \+([\d.]+) mm", said["stroke.front_left"])[1])
    # From the middle of the first stop to that of the last, some 74 of 80 s of 4 mm.
    assert drift == pytest.approx(4.0 * 74 / 80, abs=0.25)
    # A sensor of 0.01 mm in a signal of 0.001 mm.
    other = tmp_path / "coarse"
    other.mkdir()
    kit.vehicle(other, dbc=coarse, stroke__rear_right={"zero": '"8 mm"', "range": '["-8 mm", "8 mm"]'})
    lines = kit.log().read_text().splitlines(keepends=True)
    stepped = tmp_path / "stepped.log"
    stepped.write_text("".join(_stepped(line) for line in lines))
    remarks = {
        one["about"]: one["says"] for one in suggest_log(stepped, other / "vehicle.toml")[0]["remarks"]
    }
    assert "steps of 10 codes" in remarks["stroke.rear_right"]


def _stepped(line):
    """Round the last two bytes of a STROKES frame to whole tens."""
    return re.sub(r"( 101#\w{12})(\w{4})", lambda m: f"{m[1]}{int(m[2], 16) // 10 * 10:04X}", line)


def test_wrong_periods_and_timeouts(tmp_path):
    dbc = kit.DBC.replace('"GenMsgCycleTime" BO_ 257 5', '"GenMsgCycleTime" BO_ 257 4')
    path = kit.vehicle(tmp_path, dbc=dbc, lateral={"timeout": '"12 ms"'}, yaw_rate={"timeout": '"500 ms"'})
    found = by_key(suggest_log(kit.log(), path)[0])
    assert found["messages.STROKES.period"]["new"] == '"5 ms"'
    assert found["channels.lateral.timeout"]["new"] == '"30 ms"'
    assert found["channels.yaw_rate.timeout"]["new"] == '"30 ms"'
    assert found["channels.yaw_rate.timeout"]["confidence"] == "weak"
    assert len(found) == 3


def test_the_calibration_is_held_against_the_log(tmp_path):
    text = (DATA / "calibration.toml").read_text()
    for old, new in (
        ('roll = { front = "49 mm"', 'roll = { front = "80 mm"'),
        ('decay = "180 ms"', 'decay = "20 ms"'),
        ('limit = "0.55 g"\nheal_limit = "0.45 g"', 'limit = "0.3 g"\nheal_limit = "0.2 g"'),
        ("stroke = { alpha = 0.4 }", "stroke = { alpha = 1 }"),
        ("45.2, 43.5, 38.8, 34] }", "30, 28, 25, 20] }"),
        ("37.4, 42.6,", "25, 28,"),
        ("15.5, 28.4,", "10, 19,"),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    calibration = tmp_path / "calibration.toml"
    calibration.write_text(text)
    result, _ = suggest_log(demo_log(), DATA / "vehicle.toml", calibration)
    found = by_key(result)
    assert set(found) == {
        "checks.stroke_roll.roll.front", "filters.stroke.alpha", "layers.brake_lead.decay", "checks.steer.limit", "checks.steer.yaw_gain.yaw_rate.at",
    }  # fmt: skip
    assert float(found["checks.stroke_roll.roll.front"]["new"].strip('" m')) == pytest.approx(49.3, abs=1.5)
    assert found["layers.brake_lead.decay"]["new"] == '"60 ms"'
    # Back to what the demo's own file has, computed from the demo car, within a tenth where the log has turns.
    # 0.0126 mm of noise make 8.9 mm/s in a filter of alpha 1 at 2 ms, 707/s, and 4.9 with 0.9 [X].
    alpha = float(found["filters.stroke.alpha"]["new"])
    assert 0.0126 * speed_noise_gain(alpha, 0.002) <= 5.1 < 0.0126 * speed_noise_gain(alpha + 0.05, 0.002)
    gains = json.loads(found["checks.steer.yaw_gain.yaw_rate.at"]["new"])
    assert gains[4:6] == pytest.approx([42.6, 45.2], rel=0.1)
    assert gains[0] == 0.0
    assert result["diff_mistakes"] == []
    patched(tmp_path, result)
    again, _ = suggest_log(demo_log(), DATA / "vehicle.toml", calibration)
    assert set(by_key(again)) <= {"checks.steer.limit"}


# --- nothing is guessed, nothing is written ---------------------------------------------------------------


def test_what_is_missing_is_said(tmp_path):
    path = kit.vehicle(tmp_path, leave=("road_speed", "yaw_rate", "stroke.front_left"))
    result, _ = suggest_log(kit.log(), path)
    said = {one["about"]: one["says"] for one in result["missing"]}
    assert "needs road_speed and yaw_rate" in said["lateral acceleration against speed x yaw rate"]
    assert "needs road_speed" in said["steering ahead of yaw rate"]
    # Without a road speed the quiet of accelerations and strokes says when the car stands.
    assert result["standing"]["by"] == "quiet"
    assert result["standing"]["sections"] == 2
    lateral = next(z for z in result["zeros"] if z["channel"] == "lateral")
    assert abs(lateral["mean"]) < 0.002
    assert result["suggestions"] == []


def test_a_drive_without_stand_or_straight_says_so(tmp_path):
    lines = kit.log().read_text().splitlines(keepends=True)
    start, end = 1000.0 + 27.3, 1000.0 + 29.2
    short = tmp_path / "short.log"
    short.write_text("".join(line for line in lines if start <= float(line[1:].split(")")[0]) < end))
    result, _ = suggest_log(short, kit.vehicle(tmp_path))
    said = [one["says"] for one in result["missing"]]
    assert any("needs a section of 1.5 s in which the car stands" in one for one in said)
    assert any("needs 3 s of straight driving" in one for one in said)
    assert any("needs brakings" in one for one in said)
    assert (result["suggestions"], result["diff"]) == ([], "")
    assert not any(one["good"] is False for one in result["cross_checks"])


def test_files_are_never_changed_and_output_is_whole(tmp_path, run):
    path = kit.vehicle(tmp_path)
    before = {
        one: hashlib.sha256(one.read_bytes()).hexdigest()
        for one in (path, tmp_path / "car.dbc", kit.log(OFF))
    }
    code, out, err = run(kit.log(OFF), "--vehicle", path, "--out", tmp_path / "s.json")
    assert (code, err) == (0, "")
    for word in (
        "[firm] vehicle: channels.lateral.zero", "nothing was changed", "patch -p1", "Zeros", "Cross-checks", "Leads", "Motion",
        "Stroke speed, -508 mm/s", "+zero",
    ):  # fmt: skip
        assert word in out, word
    assert {one: hashlib.sha256(one.read_bytes()).hexdigest() for one in before} == before
    written = json.loads((tmp_path / "s.json").read_text())
    code, out, err = run(kit.log(OFF), "--vehicle", path, "--json", "--out", tmp_path / "s.diff")
    assert (code, err) == (0, "")
    # Same input, same document, byte for byte.
    assert json.loads(out) == written
    assert out == json.dumps(written, indent=2, ensure_ascii=False) + "\n"
    assert (tmp_path / "s.diff").read_text() == written["diff"]
    assert list(written) == [
        "log", "vehicle", "calibration", "problems", "length_s", "parts", "messages", "channels", "standing", "zeros",
        "cross_checks", "roll_mm_g", "leads", "motion", "margins", "corrected_channels", "suggestions", "remarks", "missing", "diff",
        "by_hand", "diff_mistakes",
    ]  # fmt: skip


# --- odd logs ---------------------------------------------------------------------------------------------


def test_pieces_and_jumps_change_nothing(tmp_path, monkeypatch):
    """A clock that jumps ends a part; what lies on the two sides is not compared."""
    whole = demo_result()
    monkeypatch.setattr("dashpot.suggest.gather.PIECE_S", 21.7)
    small, _ = suggest_log(demo_log(), DATA / "vehicle.toml", DATA / "calibration.toml")
    assert small["suggestions"] == []
    for name, one in whole["leads"].items():
        assert small["leads"][name]["events"] == one["events"]
        assert small["leads"][name]["median_s"] == pytest.approx(one["median_s"], abs=0.001)
    for corner, one in whole["motion"].items():
        other = small["motion"][corner]
        assert other["bands_compression_s"] == pytest.approx(one["bands_compression_s"], abs=0.1)
        assert other["event_count"] == one["event_count"]
    monkeypatch.undo()
    lines = kit.log().read_text().splitlines(keepends=True)
    jumped = tmp_path / "jumped.log"
    jumped.write_text("".join(_moved(line) for line in lines))
    result, _ = suggest_log(jumped, kit.vehicle(tmp_path))
    assert result["parts"] == 3
    assert result["length_s"] == pytest.approx(80.0, abs=0.1)
    assert result["suggestions"] == []
    assert all(one["longest_gap_us"] < 50_000 for one in result["messages"])


def _moved(line):
    """An hour later from 25 s on, and 50 s back from 52 s on."""
    stamp, rest = line[1:].split(")", 1)
    moment = float(stamp)
    moment += 3600.0 if 1025.0 <= moment < 1052.0 else -50.0 if moment >= 1052.0 else 0.0
    return f"({moment:.6f}){rest}"


def test_memory_is_bounded(tmp_path):
    """Once a piece is full, four times the log takes no more memory."""
    block = next(iter(open_log(kit.log())))
    vehicle = load_vehicle(kit.vehicle(tmp_path))

    def peak(repeats):
        span = int(block.stamp_us[-1] - block.stamp_us[0]) + 1000

        class Long:
            path, channels, bytes_read = kit.log(), ["vcan0"], 0

            def __iter__(self):
                for k in range(repeats):
                    yield type(block)(
                        block.stamp_us + k * span,
                        block.can_id,
                        block.flags,
                        block.length,
                        block.channel,
                        block.data,
                    )

        tracemalloc.start()
        pieces = sum(1 for _ in Gatherer(Long(), vehicle))
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert pieces >= repeats
        return top

    assert peak(24) < 1.1 * peak(6)


def test_truncated_log(tmp_path, run):
    content = kit.log().read_bytes()
    cut = tmp_path / "cut.log"
    cut.write_bytes(content[: len(content) // 3 - 5])
    code, out, err = run(cut, "--vehicle", kit.vehicle(tmp_path), "--json")
    assert (code, err) == (0, "")
    result = json.loads(out)
    assert result["problems"]["total"] == 1
    assert 20.0 < result["length_s"] < 30.0
    code, _, err = run(cut, "--vehicle", kit.vehicle(tmp_path), "--strict")
    assert code == 2
    assert "cut.log:" in err


@pytest.mark.parametrize(
    ("what", "said"),
    [
        ("empty", "is empty; give a log with frames"),
        ("none", "no such file"),
        (
            "other bus",
            "has none of the vehicle's messages; seen 7FF; the vehicle file reads 100, 101, 102, 103",
        ),
        ("error frames", "has none of the vehicle's messages; seen none"),
        ("channel", "has no channel 'can9'; it has vcan0"),
        (
            "two channels",
            "has the vehicle's messages on the channels vcan0 and can1; choose one with --channel",
        ),
        ("wrong dbc", "no message 'BODY' in merlin_t4.dbc"),
        ("out", "ends neither in .json nor in .diff or .patch"),
        ("no folder", "no such folder"),
        ("calibration", "not TOML"),
        ("format", "the formats are candump"),
    ],
)
def test_bad_input_ends_with_2(tmp_path, run, what, said):
    path, log, more = kit.vehicle(tmp_path), tmp_path / "a.log", []
    frame = "(1.0) vcan0 100#0000000000000000\n"
    log.write_text({"empty": "", "other bus": "(1.0) vcan0 7FF#00\n", "error frames": "(1.0) vcan0 20000080#0000000000000000\n",
                    "two channels": frame + "(1.1) can1 100#0000000000000000\n"}.get(what, frame))  # fmt: skip
    if what == "none":
        log = tmp_path / "nowhere.log"
    elif what == "channel":
        more = ["--channel", "can9"]
    elif what == "wrong dbc":
        from dashpot.resources import dbc_dir

        more = ["--dbc", dbc_dir() / "merlin_t4.dbc"]
    elif what in ("out", "no folder"):
        more = ["--out", tmp_path / ("x.txt" if what == "out" else "nowhere/x.json")]
    elif what == "calibration":
        (tmp_path / "c.toml").write_text("= 3\n")
        more = ["--calibration", tmp_path / "c.toml"]
    elif what == "format":
        more = ["--format", "pdf"]
    code, out, err = run(log, "--vehicle", path, *more)
    assert code == 2, err
    assert said in err
    assert out == ""
    assert len(list(tmp_path.iterdir())) <= 4


def test_a_log_of_one_frame_is_no_error(tmp_path, run):
    log = tmp_path / "a.log"
    log.write_text("(1.0) vcan0 100#0000000000000000\n(1.1) can1 7FF#00\n")
    code, out, err = run(log, "--vehicle", kit.vehicle(tmp_path))
    assert (code, err) == (0, "")
    assert "No change is suggested." in out
    assert "Cannot be judged from this log" in out
    assert "stroke.front_left: is mapped, and the log has no value of it" in out


def test_the_chosen_channel_is_read(tmp_path):
    block = next(iter(open_log(kit.log())))
    reversed_data = block.data[:, ::-1].copy()
    other = type(block)(
        block.stamp_us, block.can_id, block.flags, block.length, np.ones_like(block.channel), reversed_data
    )
    path = tmp_path / "two.log"
    write_candump(path, [block, other], ["can0", "can1"])
    gatherer = Gatherer(open_log(path), load_vehicle(kit.vehicle(tmp_path)), "can0")
    alone = Gatherer(open_log(kit.log()), gatherer.vehicle)
    for piece, same in zip(gatherer, alone, strict=True):
        for name, trace in piece.traces.items():
            assert np.array_equal(trace.value, same.traces[name].value)
