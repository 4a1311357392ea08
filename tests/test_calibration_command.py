"""`dashpot calibration` as a user meets it: what it prints, what it writes, how it ends."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from calibration_kit import DEMO, demo_image, edited, layout
from conftest import RunCli
from dashpot import calibration, resources

FILES = ("-v", str(DEMO / "vehicle.toml"), "-c", str(DEMO / "calibration.toml"))


@pytest.fixture
def image(tmp_path: Path) -> Path:
    path = tmp_path / "demo.img"
    path.write_bytes(demo_image().to_bytes())
    return path


def test_check_of_right_files(run_cli: RunCli) -> None:
    done = run_cli("calibration", "check", *FILES)
    assert (done.returncode, done.stdout, done.stderr) == (0, "no mistakes, no warnings\n", "")


def test_check_lists_every_mistake_and_ends_with_2(run_cli: RunCli, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(
        edited("calibration.toml", ('decay = "180 ms"', 'decay = "180 mm"'), ("events = 3", "evens = 3"))
    )
    done = run_cli("calibration", "check", FILES[0], FILES[1], "-c", bad)
    assert done.returncode == 2
    lines = done.stdout.splitlines()
    assert lines[-1] == "3 mistakes, no warnings"
    assert any(
        line.startswith(f"{bad}:52: layers.brake_lead.decay: error: 'mm' is not a unit of time")
        for line in lines
    )
    assert any("did you mean events" in line for line in lines)
    found = json.loads(run_cli("calibration", "check", "-c", bad, "--json").stdout)
    assert (found["errors"], found["warnings"]) == (3, 0)
    assert {finding["key"] for finding in found["findings"]} == {
        "layers.brake_lead.decay", "layers.grip.events", "layers.grip.evens",
    }  # fmt: skip


def test_check_of_nothing_says_what_to_give(run_cli: RunCli) -> None:
    done = run_cli("calibration", "check")
    assert done.returncode == 2
    assert "--vehicle" in done.stderr


def test_pack_writes_the_image_of_the_library(run_cli: RunCli, tmp_path: Path) -> None:
    done = run_cli("calibration", "pack", *FILES, "--out", "out.img")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out.img").read_bytes() == demo_image().to_bytes()
    assert f"{demo_image().crc32:08x}" in done.stdout


def test_pack_of_bad_files_writes_nothing(run_cli: RunCli, tmp_path: Path) -> None:
    bad = tmp_path / "bad.toml"
    bad.write_text(edited("vehicle.toml", ("Inertial.LatAccel", "Inertial.LatAcel")))
    done = run_cli("calibration", "pack", "-v", bad, "-c", FILES[3], "--out", "out.img")
    assert done.returncode == 2
    assert "LatAccel" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out.img").exists()


def test_pack_with_a_dbc_of_the_users(run_cli: RunCli, tmp_path: Path) -> None:
    shutil.copy(resources.dbc_dir() / "merlin_t4.dbc", tmp_path / "merlin_t4.dbc")
    done = run_cli("calibration", "pack", *FILES, "--dbc", "merlin_t4.dbc", "--out", "out.img")
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out.img").read_bytes() == demo_image().to_bytes()
    done = run_cli("calibration", "pack", *FILES, "--dbc", "none.dbc", "--out", "out2.img")
    assert done.returncode == 2
    assert "none.dbc" in done.stderr


def test_show_of_an_image_has_maps_units_channels_and_ticks(run_cli: RunCli, image: Path) -> None:
    done = run_cli("calibration", "show", image)
    assert done.returncode == 0, done.stderr
    for part in (
        "Merlin T4", "layers.body_load.map.front_left, permille; down: lateral g, across: longitudinal g",
        "160 mA a tick", "Inertial.LatAccel", "7|16@0-", "e2e_p2", "400 ticks", "valves.rear_right.curve",
    ):  # fmt: skip
        assert part in done.stdout


def test_show_as_json_is_complete(run_cli: RunCli, image: Path) -> None:
    shown = json.loads(run_cli("calibration", "show", image, "--json").stdout)
    assert shown["crc32"] == f"{demo_image().crc32:08x}"
    assert shown["values"]["valves.front_left.slew_up"] == {"value": "80 A/s", "tick": "160 mA a tick"}
    assert shown["values"]["checks.lateral.limit"] == {"value": "0.3 g", "tick": ""}
    assert shown["values"]["checks.lateral.trip"] == {"value": "200 ms", "tick": "100 ticks"}
    assert shown["values"]["checks.stroke_offset.straight_rate"] == {
        "value": "20 mm/s",
        "tick": "40 um a tick",
    }
    assert shown["values"]["valves.front_left.resistance"]["value"] == "2.2 ohm"
    assert shown["values"]["valves.front_left.inductance"]["value"] == "12 mH"
    table = shown["tables"]["layers.body_load.map.front_left"]
    assert table["axes"]["lateral"] == {"unit": "g", "at": [-1.4, -0.7, 0, 0.7, 1.4]}
    assert table["values"][0] == [350, 300, 240, 180]
    assert len(shown["tables"]) == 16
    channels = {channel["channel"]: channel for channel in shown["channels"]}
    assert len(channels) == len(layout().channels)
    assert channels["lateral"]["signal"] == "Inertial.LatAccel"
    assert channels["lateral"]["error"].endswith(" mg")
    assert channels["lateral"]["without"] == "speed x yaw rate, else safe"
    assert channels["longitudinal"]["without"] == "speed change, else safe"
    assert channels["road_speed"]["without"] == "250 km/h"
    assert {message["message"]: message["crc"] for message in shown["messages"]}["Yaw_Rate"] == "e2e_p2"


def test_show_of_a_calibration_with_and_without_its_car(run_cli: RunCli, image: Path) -> None:
    alone = json.loads(run_cli("calibration", "show", FILES[3], "--json").stdout)
    assert (alone["vehicle"], alone["channels"]) == ("", [])
    both = json.loads(run_cli("calibration", "show", FILES[3], *FILES[:2], "--json").stdout)
    assert both == json.loads(run_cli("calibration", "show", image, "--json").stdout)


def test_diff_ends_as_diff_does(run_cli: RunCli, image: Path, tmp_path: Path) -> None:
    same = run_cli("calibration", "diff", image, image)
    assert (same.returncode, same.stdout) == (0, "no difference\n")
    other = tmp_path / "other.toml"
    other.write_text(edited("calibration.toml", ("[260, 200, 130, 80]", "[260, 200, 131, 80]")))
    differs = run_cli("calibration", "diff", FILES[3], other)
    assert differs.returncode == 1
    assert "lateral -0.7 g, longitudinal 0 g" in differs.stdout
    assert "131 permille" in differs.stdout
    listed = json.loads(run_cli("calibration", "diff", image, other, "--json").stdout)
    assert listed["different"] is True
    assert listed["changes"][0] == {
        "key": "layers.body_load.map.front_left", "place": "lateral -0.7 g, longitudinal 0 g",
        "before": "130 permille", "after": "131 permille",
    }  # fmt: skip
    assert len(listed["changes"]) == 2
    missing = run_cli("calibration", "diff", image, "nowhere.img")
    assert missing.returncode == 2
    assert "nowhere.img" in missing.stderr
    text = run_cli("calibration", "diff", "--help").stdout
    assert "0 no difference, 1 differences" in " ".join(text.split())


def test_diff_compares_the_cars_of_two_images(run_cli: RunCli, image: Path, tmp_path: Path) -> None:
    vehicle = tmp_path / "vehicle.toml"
    vehicle.write_text(edited("vehicle.toml", ('zero = "79.2 mm"', 'zero = "79.7 mm"')))
    other = calibration.pack(
        calibration.load_vehicle(vehicle), calibration.load_calibration(DEMO / "calibration.toml"), layout()
    )
    (tmp_path / "other.img").write_bytes(other.to_bytes())
    done = run_cli("calibration", "diff", image, "other.img", "--json")
    assert done.returncode == 1
    assert {
        "key": "vehicle: channels.stroke.front_left.zero",
        "place": "",
        "before": "79.2 mm",
        "after": "79.7 mm",
    } in (json.loads(done.stdout)["changes"])


def test_unpack_and_pack_again_give_the_same_image(run_cli: RunCli, image: Path, tmp_path: Path) -> None:
    done = run_cli("calibration", "unpack", image, "--out", "files")
    assert done.returncode == 0, done.stderr
    files = ("-v", "files/vehicle.toml", "-c", "files/calibration.toml")
    assert run_cli("calibration", "pack", *files, "--out", "again.img").returncode == 0
    assert (tmp_path / "again.img").read_bytes() == image.read_bytes()
    assert run_cli("calibration", "unpack", image, "--out", "files").returncode == 2


@pytest.mark.parametrize("content", [b"DPIM", b"DPIM" + bytes(40), b"\0" * 50, b"rubbish", b""])
@pytest.mark.parametrize("command", [["show"], ["unpack", "--out", "files"], ["diff", "bad.img"]])
def test_what_is_no_image_ends_with_2_and_one_line(
    run_cli: RunCli, tmp_path: Path, content: bytes, command: list[str]
) -> None:
    (tmp_path / "bad.img").write_bytes(content)
    done = run_cli("calibration", command[0], "bad.img", *command[1:])
    assert done.returncode == 2
    assert done.stdout == ""
    assert "bad.img" in done.stderr
    assert "Traceback" not in done.stderr
