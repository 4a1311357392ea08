"""Campaigns end to end on the demo drive: verdicts, closed forms, files, jobs, exit codes, Ctrl-C."""

from __future__ import annotations

import csv
import json
import math
import os
import re
import signal
import subprocess
import sys
import time
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import pyarrow as pa
import pytest

from calibration_kit import DEMO
from conftest import RunCli
from dashpot.cli import main
from dashpot.faults import Campaign
from dashpot.faults.page import draw
from dashpot.faults.results import COLUMNS
from demo_data import demo_log
from faults_kit import (
    PLAN_HEAD,
    broken_firmware,
    bus,
    decoded,
    image,
    of_message,
    run_file,
    run_plan,
    short_log,
    stimulus,
)
from images import FIRMWARE, LAYOUT

ROW = '[rows.lost]\nfault = "drop"\nmessage = "Inertial"\nonset = "braking"\nlength = "400 ms"\n'
MIXED = (
    PLAN_HEAD
    + """
[rows.lost]
fault = "drop"
message = ["Inertial", "Brake_Pressures"]
onset = ["straight", "braking"]
length = "1 s"
[rows.bits]
fault = "corrupt"
message = "crc"
severity = 1
onset = "braking"
length = "500 ms"
[rows.impostor]
fault = "babble_known"
message = "Inertial"
severity = 200
onset = "right"
length = "200 ms"
[rows.impostor.expect]
codes = ["frame_bad"]
may = ["signal_bad", "signal_rate"]
reaction = "none"
[rows.reset]
fault = "reset"
onset = "braking"
length = "100 ms"
[rows.late]
fault = "late_tick"
severity = "5 ms"
onset = "braking"
"""
)


# The whole plan, and its time against what can be computed.


@pytest.fixture(scope="module")
def standard(tmp_path_factory: pytest.TempPathFactory) -> Campaign:
    """The standard plan on the whole lap."""
    return run_file(DEMO / "plan.toml", jobs=2, log=demo_log())


@pytest.mark.slow
def test_the_standard_plan_passes(standard: Campaign) -> None:
    assert [(result.row.id, result.verdict, result.why) for result in standard.failed] == []
    assert len(standard.results) == len(standard.plan.rows) >= 900


@pytest.mark.slow
def test_every_detector_that_can_be_reached_from_outside_fires(standard: Campaign) -> None:
    came = {code for result in standard.results for code in result.codes}
    # The last guard acts only when a stage before it is wrong: test_faults_controls breaks one. On its way to the safe
    # currents after an old command it keeps to the slew, and says so.
    assert came - {"guard_rate"} == set(LAYOUT.faults) - {"guard_range", "guard_rate", "axle_unequal"}
    asked = {code for result in standard.results for code in result.row.expect.codes}
    assert asked == came - {"guard_rate"}


@pytest.mark.slow
def test_every_row_changed_something_that_the_controller_saw(standard: Campaign) -> None:
    assert all(result.changed["seen"] for result in standard.results)
    assert all(result.changed["frames"] or result.changed["ticks"] for result in standard.results)
    assert all(result.slew_share <= 1 for result in standard.results)


def test_the_short_plan_passes() -> None:
    done = run_file(DEMO / "plan_short.toml", jobs=2, log=demo_log())
    assert [(result.row.id, result.verdict, result.why) for result in done.failed] == []


PHASES = "\n".join(f'at{i} = "{13_400 + i} ms"' for i in range(10))


@pytest.mark.parametrize(
    ("kind", "name", "timeout_us"),
    [("drop", "Inertial", 30_000), ("wrong_crc", "Brake_Pressures", 30_000), ("drop", "Road_Speed", 60_000),
     ("short", "Suspension_Strokes", 6_000)],
)  # fmt: skip
def test_detection_takes_the_timeout_from_the_last_good_frame(
    tmp_path: Path, kind: str, name: str, timeout_us: int
) -> None:
    """n x period + debounce: three periods from the last good frame on, and the next tick [C, X]. Ten phases."""
    plan = f'name = "t"\nlead = "3.2 s"\n[onsets]\n{PHASES}\n[rows.t]\nfault = "{kind}"\nmessage = "{name}"\n'
    onsets = ", ".join(f'"at{i}"' for i in range(10))
    done = run_plan(tmp_path, f'{plan}onset = [{onsets}]\nlength = "1 s"\n')
    seen = set()
    for i, result in enumerate(done.results):
        onset_us = 13_400_000 + i * 1000
        frames = stimulus().frames.at_us[stimulus().frames.key == bus().messages[name].key] + 13_000_000
        last_us = int(frames[frames < onset_us][-1])
        # Ticks of this row are at whole periods from the window's begin, which is the onset less the lead.
        begin_us = onset_us - 3_200_000
        first = (last_us + timeout_us - begin_us) // 2000 + 1
        expected_ms = (begin_us + 2000 * first - onset_us) / 1000
        assert abs(result.codes["channel_lost"] - expected_ms) <= 2.0
        seen.add(expected_ms)
        if kind != "drop":
            bad_us = int(frames[frames >= onset_us][0])
            tick_ms = (begin_us + 2000 * -(-(bad_us - begin_us) // 2000) - onset_us) / 1000
            assert abs(result.codes["frame_bad"] - tick_ms) <= 2.0
    # A message of the tick's own period has one phase only.
    assert len(seen) > 1 or timeout_us == 6000


def test_a_reaction_takes_its_fade_from_the_loss(tmp_path: Path) -> None:
    """The fade of 100 ms in 2 ms steps of trust, 1024/fade_q10 ticks; authority in 1024/leave_q10, then the slew [X]."""
    silent = '[rows.silent]\nfault = "bus_off"\nonset = "braking"\nlength = "400 ms"\n'
    done = run_plan(tmp_path, PLAN_HEAD + ROW.replace("Inertial", "Yaw_Rate") + silent)
    yaw, held = done.results
    fade_ms = 2.0 * -(-1024 // image().word("fade_q10"))
    assert yaw.safe_ms is not None
    # The held value may round to the substitute some ticks early.
    assert -20 <= yaw.safe_ms - (yaw.codes["channel_lost"] + fade_ms - 2.0) <= 2.0
    leave_ms = 2.0 * -(-1024 // image().word("leave_q10"))
    assert held.safe_ms is not None
    assert -8 <= held.safe_ms - (held.codes["required_lost"] + leave_ms - 2.0) <= 2.0


def test_still_takes_its_limit(tmp_path: Path) -> None:
    """500 ms from the tick that brought the last change of either acceleration, and the next tick [D, X]."""
    done = run_plan(tmp_path, PLAN_HEAD + ROW.replace('"drop"', '"freeze"').replace("400 ms", "700 ms"))
    (result,) = done.results
    inertial = of_message(stimulus().frames, "Inertial")
    before = inertial.select(inertial.at_us < 400_000)
    frames = decoded(before, "Inertial")
    expected = []
    for name in ("LatAccel", "LongAccel"):
        # The controller sees whole thousandths of g: five counts of 0.002 m/s2 are one.
        seen = [math.floor(frame[name] / 9.80665e-3 + 0.5) for frame in frames]
        changes = [i for i in range(1, len(seen)) if seen[i] != seen[i - 1]]
        # Ticks and the window of the kit are both at whole periods of 2 ms; its onset of 13.4 s is at 400 ms.
        tick_ms = 2 * -(-int(before.at_us[changes[-1]]) // 2000)
        expected.append(tick_ms - 400 + 502)
    assert abs(result.codes["signal_still"] - min(expected)) <= 2.0


# Jobs, seeds, files.


def folder_bytes(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def go(plan: Path, out: Path, *options: str) -> int:
    return main([
        "faults", str(short_log()), "--vehicle", str(DEMO / "vehicle.toml"), "--calibration", str(DEMO / "calibration.toml"),
        "--firmware", str(FIRMWARE), "--plan", str(plan), "--out", str(out), *options,
    ])  # fmt: skip


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "my_plan.toml"
    path.write_text(MIXED, encoding="utf-8")
    return path


def test_the_same_plan_gives_the_same_bytes_with_any_number_of_jobs(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert go(plan, tmp_path / "one", "--jobs", "1") == 0
    said = capsys.readouterr().out
    assert go(plan, tmp_path / "three", "--jobs", "3") == 0
    assert capsys.readouterr().out.replace("three", "one") == said
    one, three = folder_bytes(tmp_path / "one"), folder_bytes(tmp_path / "three")
    assert set(one) == {
        "image.bin", "junit.xml", "manifest.json", "plan.toml", "report.html", "results.json", "rows.arrow", "rows.csv",
    }  # fmt: skip
    assert one == three


def test_a_row_alone_is_the_row_among_others(plan: Path) -> None:
    """No state is left over from the row before in the same process."""
    whole = {result.row.id: result for result in run_file(plan).results}
    alone = run_file(plan, "bits/corrupt/Yaw_Rate*")
    assert len(alone.results) == 1
    assert alone.results[0] == whole[alone.results[0].row.id]


@pytest.mark.slow
def test_the_checked_interpreter_gives_the_same(tmp_path: Path) -> None:
    text = PLAN_HEAD.replace("3.2 s", "2.8 s") + ROW.replace("400 ms", "140 ms") + 'after = "20 ms"\n'
    host = run_plan(tmp_path, text, jobs=1)
    checked = run_plan(tmp_path, text, jobs=1, target="cpython")
    assert host.results == checked.results
    assert host.results[0].passed


def test_rows_are_the_same_in_every_file(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert go(plan, out) == 0
    results = json.loads((out / "results.json").read_text())
    with (out / "rows.csv").open(newline="") as stream:
        table = list(csv.DictReader(stream))
    with pa.memory_map(str(out / "rows.arrow")) as source:
        arrow = pa.ipc.open_file(source).read_all().to_pylist()
    assert list(table[0]) == list(arrow[0]) == list(COLUMNS)
    assert (
        [row["id"] for row in table]
        == [row["id"] for row in arrow]
        == [row["id"] for row in results["results"]]
    )
    for text, row, full in zip(table, arrow, results["results"], strict=True):
        assert row["verdict"] == full["verdict"] == text["verdict"] == "pass"
        assert (
            row["detect_ms"] == full["detect_ms"] == (float(text["detect_ms"]) if text["detect_ms"] else None)
        )
        assert row["budget_ms"] == full["expect"]["budget_ms"]
        assert row["came"].split() == list(full["codes"])
        assert (row["seen"], text["seen"]) == (True, "true")
    assert results["rows"] == 11
    assert results["verdicts"]["pass"] == 11
    fired = {entry["code"]: entry["came"] for entry in results["detectors"]}
    assert set(fired) == set(LAYOUT.faults)
    assert fired["guard_range"] == 0
    assert fired["late_tick"] == 1


def test_the_evidence_names_what_it_was_tried_on(plan: Path, tmp_path: Path, run_cli: RunCli) -> None:
    out = tmp_path / "out"
    assert go(plan, out) == 0
    said = json.loads((out / "manifest.json").read_text())
    sums = subprocess.run(
        ["sha256sum", str(short_log()), str(plan), str(DEMO / "vehicle.toml"), str(DEMO / "calibration.toml"), str(out / "image.bin")],
        capture_output=True, text=True, check=True,
    ).stdout.split()[::2]  # fmt: skip
    inputs = said["inputs"]
    assert [inputs[name]["sha256"] for name in ("log", "plan", "vehicle", "calibration")] == sums[:4]
    assert said["image"]["sha256"] == sums[4]
    page = (out / "report.html").read_text()
    for digest in (*sums, inputs["firmware"]["sha256"]):
        assert digest in page


class Tags(HTMLParser):
    """Counts tags and what they link to, and holds that they close."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.count: dict[str, int] = {}
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.count[tag] = self.count.get(tag, 0) + 1
        self.links += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href")]
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        self.open.remove(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_report_is_whole_in_one_file(plan: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert go(plan, out) == 0
    page = (out / "report.html").read_text()
    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    assert tags.links == []
    assert "@import" not in page
    assert "url(" not in page
    assert tags.count["figure"] == 5
    assert "PASSED: all 11 rows" in page
    assert "not for public roads" in page
    for result in json.loads((out / "results.json").read_text())["results"]:
        assert result["id"] in page
    assert "never&nbsp;fired" in page
    assert "What this campaign does not show" in page


def check_junit(path: Path) -> ET.Element:
    """What the common readers of JUnit XML need: suites, suites' counts, cases with a class name, a name and a time."""
    root = ET.parse(path).getroot()
    assert root.tag == "testsuites"
    for suite in root:
        assert suite.tag == "testsuite"
        assert set(suite.attrib) == {"name", "tests", "failures", "errors", "skipped", "time"}
        assert int(suite.attrib["tests"]) == len(suite)
        assert int(suite.attrib["failures"]) == len(suite.findall("testcase/failure"))
        assert int(suite.attrib["errors"]) == len(suite.findall("testcase/error"))
        assert float(suite.attrib["time"]) == pytest.approx(
            sum(float(case.attrib["time"]) for case in suite), abs=0.01
        )
        for case in suite:
            assert case.tag == "testcase"
            assert set(case.attrib) == {"classname", "name", "time"}
            for child in case:
                assert child.tag in ("failure", "error")
                assert set(child.attrib) == {"type", "message"}
    return root


def test_junit_has_a_case_a_row(plan: Path, tmp_path: Path) -> None:
    assert go(plan, tmp_path / "out", "--junit", str(tmp_path / "verdicts.xml")) == 0
    assert (tmp_path / "verdicts.xml").read_bytes() == (tmp_path / "out" / "junit.xml").read_bytes()
    root = check_junit(tmp_path / "verdicts.xml")
    assert [suite.attrib["name"] for suite in root] == ["lost", "bits", "impostor", "reset", "late"]
    assert not root.findall(".//failure")
    assert sum(len(suite) for suite in root) == 11


# Failures and mistakes.


def test_a_failed_row_ends_with_1_and_all_files(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "p.toml"
    plan.write_text(PLAN_HEAD + ROW + "[rows.lost.expect]\nbudget_ms = 40\n", encoding="utf-8")
    assert go(plan, tmp_path / "out", "--junit", str(tmp_path / "j.xml")) == 1
    said = capsys.readouterr()
    assert "FAILED lost/drop/Inertial/braking/400ms: late: substitute complete after" in said.out
    assert "1 of 1 rows failed" in said.err
    assert said.err.count("\n") == 1
    (failure,) = check_junit(tmp_path / "j.xml").findall(".//failure")
    assert failure.attrib["type"] == "late"
    assert "40 ms are allowed" in failure.attrib["message"]
    page = (tmp_path / "out" / "report.html").read_text()
    assert "FAILED: 1 of 1 rows (1 late)" in page
    assert "Failed rows" in page


def test_a_firmware_that_raises_fails_its_rows_and_no_others(tmp_path: Path) -> None:
    old = "        if good and modulo:\n            counter = data"
    new = f"        if frame[_FRAME_LENGTH] < 4:\n            good = 1 // (modulo - modulo)\n{old}"
    firmware = broken_firmware(tmp_path, "receive.py", old, new)
    text = PLAN_HEAD + ROW + ROW.replace("rows.lost", "rows.short").replace('"drop"', '"short"\nseverity = 6')
    done = run_plan(tmp_path, text, firmware=firmware)
    assert [result.verdict for result in done.results] == ["pass", "firmware error"]
    assert any(
        "ZeroDivisionError" in why or "division" in why or "signal" in why for why in done.results[1].why
    )


def test_json_is_the_summary(plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert go(plan, tmp_path / "out", "--json", "--rows", "lost*") == 0
    said = json.loads(capsys.readouterr().out)
    assert said["passed"] is True
    assert said["rows"] == 4
    assert said["plan"] == {"name": "test", "seed": 1, "rows": 11, "run": 4}
    assert "7 rows of the plan were left out" in (tmp_path / "out" / "report.html").read_text()


@pytest.mark.parametrize(
    ("options", "parts"),
    [
        (["--rows", "nothing*"], ["--rows", "no row of the plan matches 'nothing*'"]),
        (["--image", "car.img"], ["--calibration", "one of the two"]),
        (["--channel", "can7"], ["channel"]),
    ],
)
def test_a_wrong_option_is_one_line_and_2(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], parts: list[str]
) -> None:
    assert go(plan, tmp_path / "out", *options) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    for part in parts:
        assert part in said
    assert not (tmp_path / "out").exists()
    assert not list(tmp_path.glob(".part-*"))


def test_a_packed_image_serves_and_another_cars_is_refused(
    plan: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    car = tmp_path / "car.img"
    car.write_bytes(image().to_bytes())
    base = [
        "faults",
        str(short_log()),
        "--vehicle",
        str(DEMO / "vehicle.toml"),
        "--firmware",
        str(FIRMWARE),
        "--plan",
        str(plan),
        "--rows",
        "late*",
    ]
    assert main([*base, "--image", str(car), "--out", str(tmp_path / "out")]) == 0
    other = tmp_path / "vehicle.toml"
    text = (DEMO / "vehicle.toml").read_text()
    other.write_text(
        text[: text.index("[channels.vertical]")] + text[text.index("[channels.brake_pressure]") :]
    )
    base[3] = str(other)
    capsys.readouterr()
    assert main([*base, "--image", str(car), "--out", str(tmp_path / "out2")]) == 2
    assert "packed for another vehicle file" in capsys.readouterr().err


def test_an_onset_past_the_log_or_before_the_controller_works_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plan = tmp_path / "p.toml"
    for old, new, parts in (
        ('"13.4 s"', '"20.9 s"', ["ends 21.0 s after its first frame", "'braking'"]),
        ('lead = "3.2 s"', 'lead = "1 s"', ["not whole even without a fault", "longer lead"]),
    ):
        plan.write_text((PLAN_HEAD + ROW).replace(old, new), encoding="utf-8")
        assert go(plan, tmp_path / "out") == 2
        said = capsys.readouterr().err
        for part in parts:
            assert part in said


def test_a_gap_in_the_log_near_an_onset_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = short_log().read_text().splitlines(keepends=True)
    start = float(re.match(r"\((\d+\.\d+)\)", lines[0])[1])  # type: ignore[index]  # every line of a candump log begins so
    holed = tmp_path / "holed.log"
    holed.write_text(
        "".join(line for line in lines if not 12 < float(line[1 : line.index(")")]) - start < 13.5)
    )
    plan = tmp_path / "p.toml"
    plan.write_text(PLAN_HEAD + ROW, encoding="utf-8")
    code = main([
        "faults", str(holed), "--vehicle", str(DEMO / "vehicle.toml"), "--calibration", str(DEMO / "calibration.toml"),
        "--firmware", str(FIRMWARE), "--plan", str(plan), "--out", str(tmp_path / "out"),
    ])  # fmt: skip
    assert code == 2
    assert "gap or a step of its clock of 1.5 s near the onset 'braking'" in capsys.readouterr().err


def test_ctrl_c_leaves_nothing(tmp_path: Path) -> None:
    plan = tmp_path / "p.toml"
    lengths = ", ".join(f'"{500 + i} ms"' for i in range(2000))
    plan.write_text(PLAN_HEAD + ROW.replace('"400 ms"', f"[{lengths}]"), encoding="utf-8")
    command = [
        sys.executable, "-m", "dashpot", "faults", str(short_log()), "--vehicle", str(DEMO / "vehicle.toml"),
        "--calibration", str(DEMO / "calibration.toml"), "--firmware", str(FIRMWARE), "--plan", str(plan),
        "--out", str(tmp_path / "out"), "--jobs", "2",
    ]  # fmt: skip
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True) as child:
        children = Path(f"/proc/{child.pid}/task/{child.pid}/children")
        firmware = []
        deadline = time.monotonic() + 60
        # Both firmware processes of the reference and then those of the rows.
        while len(firmware) < 2 and time.monotonic() < deadline:
            firmware = threads_children(child.pid) if children.exists() else []
            time.sleep(0.02)
        assert len(firmware) >= 2
        child.send_signal(signal.SIGINT)
        _, said = child.communicate(timeout=60)
    assert child.returncode == 130
    assert "stopped; nothing was written" in said
    assert "Traceback" not in said
    assert sorted(path.name for path in tmp_path.iterdir()) == ["p.toml"]
    deadline = time.monotonic() + 10
    while any(alive(pid) for pid in firmware) and time.monotonic() < deadline:
        time.sleep(0.02)
    assert not any(alive(pid) for pid in firmware)


def threads_children(pid: int) -> list[int]:
    """Processes that any thread of a process started: only the interpreters that stay, not those asked for a version."""
    found = []
    for task in Path(f"/proc/{pid}/task").iterdir():
        try:
            numbers = (task / "children").read_text().split()
        except OSError:
            continue
        for number in numbers:
            try:
                if "main.py" in Path(f"/proc/{number}/cmdline").read_text():
                    found.append(int(number))
            except OSError:
                continue
    return found


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return "Z" not in Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0]


def test_a_picture_has_no_line_where_no_tick_was(tmp_path: Path) -> None:
    """A board that is off has no current to draw: 100 ms of reset cut both lines and the band."""
    done = run_plan(tmp_path, MIXED, "reset*", "bits*")
    drawn = {
        result.row.group: draw(result.picture, LAYOUT.modes, None)
        for result in done.results
        if result.picture
    }
    for group, lines, boxes in (("bits", 2, {"active", "reduced"}), ("reset", 4, {"active", "start"})):
        assert drawn[group].count("<polyline") == lines
        assert {name for name in LAYOUT.modes if f">{name}</text>" in drawn[group]} == boxes
