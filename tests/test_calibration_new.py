"""`dashpot calibration new` end to end: what it writes, what it says, what it refuses.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from calibration_new_kit import (
    CAR,
    DBC,
    FRONT,
    REAR,
    TARGETS,
    VEHICLE,
    channels,
    demo_draft,
    demo_solver,
    demo_targets,
    edited,
    straight_valve,
    with_axles,
    without,
)
from dashpot import calibration, resources, runs
from dashpot.calibration import check, load_vehicle, parse_calibration
from dashpot.cli import main
from dashpot.errors import InputError
from dashpot.layout import Layout
from dashpot.plant.car import Ratio, demo_car
from dashpot.plant.valve_file import Response, demo_valves, write_valve
from dashpot.starting import layers
from dashpot.starting.doubts import doubts
from dashpot.starting.draft import Draft, text
from dashpot.starting.job import Job, run_job
from dashpot.starting.report import facts, markdown, page
from dashpot.starting.solve import Solver
from dashpot.starting.targets import load_targets
from demo_data import demo_log

# One row, one column: what a test of the rest needs of the map.
SMALL = (("[-1.4, -0.7, 0, 0.7, 1.4]", "[-1, 0, 1]"), ("[-1.4, -0.7, 0, 0.7]", "[-1, 0]"))
DEMO = resources.demo_dir() / "data"


def command_line(out: Path, **changed: Path) -> list[str]:
    paths = {
        "car": CAR,
        "valve": FRONT,
        "valve-rear": REAR,
        "vehicle": VEHICLE,
        "targets": TARGETS,
        "dbc": DBC,
    }
    options = [word for name, path in (paths | changed).items() for word in (f"--{name}", str(path))]
    return ["calibration", "new", *options, "--out", str(out)]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo car's starting calibration and both reports, by the command itself."""
    folder = tmp_path_factory.mktemp("made")
    assert (
        main([*command_line(folder / "calibration.toml"), "--report", str(folder / "report.html"), "--json"])
        == 0
    )
    return folder


def small(car=None, valves=None, targets=None, known=None) -> Draft:
    """A draft with a small map."""
    solver = Solver(car or demo_car(), valves or demo_valves(), targets or demo_targets(*SMALL))
    return Draft(solver, channels() if known is None else known, "vehicle.toml")


# What it writes.


def test_the_demo_cars_file_is_right(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = str(made / "calibration.toml")
    assert main(["calibration", "check", "-v", str(VEHICLE), "--dbc", str(DBC), "-c", path]) == 0
    assert capsys.readouterr().out == "no mistakes, no warnings\n"
    assert (
        main(
            [
                "calibration",
                "pack",
                "-v",
                str(VEHICLE),
                "--dbc",
                str(DBC),
                "-c",
                path,
                "-o",
                str(made / "x.img"),
            ]
        )
        == 0
    )


def test_it_has_the_demos_layout(made: Path) -> None:
    ours = tomllib.loads((made / "calibration.toml").read_text())
    theirs = tomllib.loads((DEMO / "calibration.toml").read_text())

    def keys(table, before=""):
        for key, value in table.items():
            yield f"{before}{key}"
            if isinstance(value, dict):
                yield from keys(value, f"{before}{key}.")

    # The same keys in nearly the same order: what a person knows from the one is found in the other.
    assert set(keys(ours)) == set(keys(theirs))
    assert list(ours) == list(theirs)
    assert list(ours["layers"]) == list(theirs["layers"])


def test_every_block_says_why(made: Path) -> None:
    lines = (made / "calibration.toml").read_text().splitlines()
    assert max(map(len, lines)) <= 200
    for table in (
        "filters", "layers.base", "layers.body_load", "layers.body_load.map", "layers.brake_lead", "layers.steer_lead",
        "layers.stroke_speed", "layers.stroke_speed.rough_braking.front", "layers.road_speed", "layers.grip",
        "layers.stroke_end", "limits", "valves.front_left", "valves.rear_left", "checks", "checks.steer",
        "checks.stroke_offset", "checks.stroke_roll", "current_control",
    ):  # fmt: skip
        assert lines[lines.index(f"[{table}]") - 1].startswith("# "), table
    rows = [line for line in lines if re.match(r"    \[.*\],  # -?[\d.]+ g:", line)]
    assert len(rows) == 10


def test_numbers_of_the_car_against_the_demos_own(made: Path) -> None:
    # The demo's calibration has these from its own linear car and log, which share no code with the plant.
    ours = calibration.load_calibration(made / "calibration.toml")
    theirs = calibration.load_calibration(DEMO / "calibration.toml")
    # v x 100 deg / 13.5 / (2.58 + 0.0026 v^2) [X].
    assert ours.checks.steer.yaw_gain.x == theirs.checks.steer.yaw_gain.x
    assert ours.checks.steer.yaw_gain.y == theirs.checks.steer.yaw_gain.y
    for axle in ("front", "rear"):
        roll = float(getattr(ours.checks.stroke_roll.roll, axle))
        assert roll == pytest.approx(float(getattr(theirs.checks.stroke_roll.roll, axle)), abs=1500)
        # A valve that without a current is as firm as at 900 mA, and one that is firmer than all: those of the demo too.
        assert getattr(ours.valves, f"{axle}_left").match == getattr(theirs.valves, f"{axle}_left").match
    # Right corners are as the left ones turned round.
    maps = ours.layers.body_load.map
    count = len(maps.lateral)
    for left in (0, 2):
        rows = np.array(maps.maps[left]).reshape(count, -1)
        assert np.array_equal(rows[::-1], np.array(maps.maps[left + 1]).reshape(count, -1))


def test_the_file_says_what_the_solver_found(made: Path) -> None:
    solver = demo_solver()
    said = calibration.load_calibration(made / "calibration.toml")
    for axle, name in enumerate(("front", "rear")):
        assert getattr(said.layers.base, name).y == tuple(one.demand[axle] for one in solver.positions)
    cells = [cell for row in solver.cells for cell in row]
    for corner in range(4):
        assert said.layers.body_load.map.maps[corner] == tuple(cell.value[corner] for cell in cells)
    assert said.valves.front_left.curve.y == solver.firm[0].currents_ma


def test_the_same_files_give_the_same_bytes(made: Path, tmp_path: Path) -> None:
    assert main([*command_line(tmp_path / "c.toml"), "--report", str(tmp_path / "r.html"), "--json"]) == 0
    assert (tmp_path / "c.toml").read_bytes() == (made / "calibration.toml").read_bytes()
    assert (tmp_path / "r.html").read_bytes() == (made / "report.html").read_bytes()


def test_the_firmware_runs_on_it(made: Path, tmp_path: Path) -> None:
    out = tmp_path / "run"
    log = demo_log(duration_s=8.0)
    line = ["replay", str(log), "--vehicle", str(VEHICLE), "--calibration", str(made / "calibration.toml")]
    assert main([*line, "--dbc", str(DBC), "--out", str(out)]) == 0
    run = runs.open_run(out)
    assert run.summary["mode_ticks"]["active"] > 0.8 * run.ticks
    # Nothing after the first data came in, within the first 20 ms.
    assert max(one["last_tick"] for one in run.summary["faults"].values()) <= 10
    layout = Layout.load(resources.firmware_dir())
    solver = demo_solver()
    # Standing still after the start, in whatever position the switch is: base and the trim of 0 km/h, and the current of that.
    at = int(np.searchsorted(run.log_s - run.log_s[0], 1.0))
    position = int(run["channel.driver_switch"][at])
    slow = layers.road_speed(solver)
    for corner, name in enumerate(layout.corners):
        axle = corner // 2
        base = run[f"layer_permille.base.{name}"][at]
        assert base == solver.positions[position].demand[axle]
        assert run[f"layer_permille.road_speed.{name}"][at] == slow[axle][0]
        assert run[f"layer_permille.body_load.{name}"][at] == pytest.approx(0, abs=15)
        current = run[f"current_ma.{name}"]
        assert current.min() >= 300
        assert current.max() <= 1600
        # Once the authority is back, the current is the curve's, but for what the slew has not done yet.
        late = slice(run.ticks - 1000, run.ticks)
        wanted = np.interp(
            run[f"demand_permille.{name}"][late], solver.firm[axle].demands, solver.firm[axle].currents_ma
        )
        assert np.median(abs(current[late] - wanted)) < 10


# The report.


def test_the_report_has_every_cell_with_its_reason(made: Path) -> None:
    said = facts(demo_draft())
    html, plain = (made / "report.html").read_text(), markdown(said)
    assert len(said["map"]) == 20
    for cell in said["map"]:
        for one in cell["corners"].values():
            assert one["reason"] in plain
            assert "wanted" in one["reason"]
            assert one["left_permille"] == 1000 - one["demand_permille"]
    assert html.count("<h2>Body load at") == plain.count("## Body load at") == 20
    assert page(said) == html
    assert "<script" not in html


def test_load_transfer_in_the_report() -> None:
    # Moment identity: sum dF t = ms ay h_s + mu ay h_u + ms g d phi [X], from the report's own figures.
    car = demo_car()
    said = facts(demo_draft())["load_transfer"]
    moved = [said["lateral_n_per_g"][name]["total"] for name in ("front", "rear")]
    g = 9.80665
    phi = np.radians(said["roll_deg_per_g"])
    wheels = sum(axle.unsprung_mass_kg * axle.wheel_height_m for axle in car.axles)
    pushed = (car.sprung_mass_kg * car.sprung_height_m + wheels) * g
    wanted = pushed + car.sprung_mass_kg * g * car.roll_arm_m * phi
    assert moved[0] * 1.52 + moved[1] * 1.50 == pytest.approx(wanted, rel=2e-4)
    assert said["longitudinal_n_per_g"] == pytest.approx(1252 * g * 0.47 / 2.58, abs=0.1)


def test_what_the_usual_mistakes_would_read() -> None:
    front = facts(demo_draft())["corners"]["front"]
    # c / (2 sqrt(k m)) with the wheel's 38 kg in m; MR^2 left out [X].
    whole = (front["sprung_kg"] / (front["sprung_kg"] + 38.0)) ** 0.5
    assert front["ratio_from_total_mass"] == pytest.approx(front["ratio_at_rest"] * whole, abs=2e-4)
    assert front["ratio_without_motion_ratio"] == pytest.approx(front["ratio_at_rest"] / 0.78**2, abs=2e-4)
    # The tyre in series takes from it: c (kt / (k + kt))^2 over the ride rate's critical damping, roughly [X].
    share = 220_000 / (220_000 + front["wheel_rate_n_per_m"])
    assert front["ratio_with_tyre"] == pytest.approx(front["ratio_at_rest"] * share**1.5, rel=0.05)
    # 38 N of seals behind 0.78 and 30 N of joints at 50 mm/s: 4 F / (pi V) [X].
    seals = 4 * 38 / (np.pi * 0.05) * 0.78**2
    joints = 4 * 30 * 0.78 / (np.pi * 0.05)
    assert front["friction_adds"] == pytest.approx(
        (seals + joints) / front["critical_at_wheel_n_s_per_m"], abs=2e-4
    )


def test_the_demo_car_has_no_warnings() -> None:
    assert facts(demo_draft())["warnings"] == []


def test_what_the_terminal_shows(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    targets = tmp_path / "targets.toml"
    targets.write_text(edited(TARGETS, *SMALL, ("0.50]", "0.95]")))
    assert main(command_line(tmp_path / "c.toml", targets=targets)) == 0
    said = capsys.readouterr()
    for part in (
        "Corners at rest",
        "Load transfer",
        "Driver's switch",
        "Body load",
        "out of reach",
        "stroke_end",
    ):
        assert part in said.out
    assert "dashpot: warning: switch position 2: heave 0.95 is out of reach" in said.err


# Warnings: each usual mistake is found, and named with figures.


def warned(draft: Draft) -> str:
    return "\n".join(doubts(draft))


def test_an_inverted_motion_ratio() -> None:
    car = demo_car()
    upside_down = replace(car, front=replace(car.front, motion_ratio=Ratio.constant(1.0 / 0.78)))
    draft = small(upside_down, (straight_valve(600.0, 9000.0),) * 2)
    # MR^2 k with 1.28: 49.3 x 1.644 = 81 N/mm on 272 kg is 2.74 Hz [X]; the right one without the gas is 1.67.
    assert "front motion ratio 1.28205 is above 1" in warned(draft)
    assert "0.78 would give 1.67 Hz in place of 2.74 Hz" in warned(draft)
    assert "one motion ratio or spring looks wrong" in warned(draft)
    assert "rear motion ratio" not in warned(draft)


def test_a_forgotten_motion_ratio_and_unsprung_mass() -> None:
    car = with_axles(demo_car(), motion_ratio=Ratio.constant(1.0), wheel_mass_kg=8.0)
    said = warned(small(car))
    assert "front motion ratio is 1" in said
    assert "front wheel_mass 8 kg is 2.6 % of its corner" in said
    assert "from the total mass" in said


def test_a_spring_in_the_wrong_unit() -> None:
    car = with_axles(demo_car(), spring_n_per_m=8.6e5)
    assert "front body frequency 6.97 Hz is not within 0.9 to 5 Hz" in warned(
        small(car, (straight_valve(5000.0, 60_000.0),) * 2)
    )


def test_no_authority_left() -> None:
    weak = (straight_valve(1200.0, 3600.0),) * 2
    draft = small(valves=weak)
    position = draft.solver.positions[2]
    assert not position.reached
    assert position.demand == (1000, 1000)
    assert position.alone.heave < 0.50
    said = warned(draft)
    assert "switch position 2: heave 0.50 is out of reach, " in said
    assert "at the firmest that valves and tyres allow" in said
    assert "no authority left: front base demand 970 at position 0 is 30 permille" in said
    # Cells past the valve stay at its end and say where that is.
    cell = draft.solver.cells[0][0]
    assert cell.wanted[0] > 1000
    assert (cell.demand[0], cell.room[0]) == (1000, 0)
    assert cell.achieved[0] < cell.target[0]
    assert "past the valve's authority, which ends at" in cell.reason[0]
    assert re.search(r"body load wants more than the valve has in \d+ of 24 cells", said)
    # And the file is right all the same.
    assert [
        one
        for one in check(load_vehicle(VEHICLE, DBC), parse_calibration(text(draft)))
        if one.severity == "error"
    ] == []


def test_a_valve_too_firm_for_the_targets() -> None:
    draft = small(valves=(straight_valve(6000.0, 20_000.0),) * 2)
    assert [position.demand for position in draft.solver.positions] == [(0, 0)] * 3
    assert "is out of reach, 0.57 at the softest" in warned(draft)
    assert "body load wants softer than the least demand" in warned(draft)


def test_a_soft_safe_current_a_soft_passive_stage_and_a_slow_valve() -> None:
    way = straight_valve(1500.0, 9000.0).compression
    soft = straight_valve(
        1500.0, 9000.0, safe_a=0.35, compression=replace(way, passive_n=(0.0, 300.0)),
        rebound=replace(way, passive_n=(0.0, 300.0)), up=Response(0.02, 0.08), temperature_c=20.0,
    )  # fmt: skip
    draft = small(valves=(soft, soft))
    said = warned(draft)
    assert "the safe currents are soft: heave 0.1" in said
    assert "front valve without a current is softer than any that can be held" in said
    assert "front valve needs 100 ms for its force" in said
    assert "measured with oil at 20 C" in said
    assert layers.actuator(draft.solver, 0).match_ma == 0


def test_a_car_without_bars() -> None:
    draft = small(with_axles(demo_car(), bar_n_per_m=0.0))
    steeper = facts(draft)["load_transfer"]["roll_deg_per_g"]
    assert steeper > facts(demo_draft())["load_transfer"]["roll_deg_per_g"]
    # Without bars roll swings slower, so the same dampers damp it more.
    assert draft.solver.positions[1].alone.roll > demo_solver().positions[1].alone.roll
    tall = replace(demo_car(), height_m=0.9)
    soft = with_axles(tall, bar_n_per_m=0.0, roll_centre_m=0.0, spring_n_per_m=30_000.0)
    narrow = demo_targets(
        ("[-1.4, -0.7, 0, 0.7, 1.4]", "[-0.3, 0, 0.3]"), SMALL[1], ('dry = "1.3 g"', 'dry = "0.5 g"')
    )
    assert "deg/g; no bar is given" in warned(small(soft, targets=narrow))


def test_roll_and_pitch_below_their_least() -> None:
    targets = demo_targets(
        *SMALL, ("least_roll = 0.35", "least_roll = 0.6"), ("least_pitch = 0.40", "least_pitch = 0.7")
    )
    said = warned(small(targets=targets))
    assert re.search(
        r"roll is damped less than 0.60 in 4 cells under load, least at -1 g lateral, 0 g .*: 0\.4", said
    )
    assert "pitch is damped less than 0.70 in 3 cells under load" in said


# Valves of other kinds.


def test_a_valve_that_softens_with_current() -> None:
    valve = straight_valve(11_000.0, 1800.0, safe_a=1.0)
    draft = small(valves=(valve, valve))
    made = parse_calibration(text(draft))
    current = made.valves.front_left.curve.y
    assert current[0] == 1600
    assert current[-1] == 300
    assert [one for one in check(load_vehicle(VEHICLE, DBC), made) if one.severity == "error"] == []
    # More damping is less current, cell by cell.
    cell = draft.solver.cells[0][1]
    assert cell.demand[0] > cell.demand[1]
    assert cell.current_ma[0] < cell.current_ma[1]


@pytest.mark.parametrize(("resistance", "inductance"), [(2.2, 12e-3), (5.0, 60e-3), (1.0, 2e-3), (12.0, 0.4)])
def test_coils_of_all_sizes_are_controlled_as_fast_as_the_firmware_can(resistance, inductance) -> None:
    valve = replace(demo_valves()[0], resistance_ohm=resistance, inductance_h=inductance)
    draft = Draft(Solver(demo_car(), (valve, valve), demo_targets(*SMALL)), channels(), "vehicle.toml")
    found = check(load_vehicle(VEHICLE, DBC), parse_calibration(text(draft)))
    assert [str(one) for one in found] == []


def test_slews_follow_the_valve() -> None:
    # 1300 mA in 2 + 3 x 6 and 2.5 + 3 x 8 ms, to steps of 5 A/s [X]; a valve half as fast is given half of it.
    quick = layers.actuator(demo_solver(), 0)
    assert (quick.slew_up, quick.slew_down) == (65, 50)
    slow = replace(demo_valves()[0], up=Response(0.004, 0.011), down=Response(0.005, 0.016))
    later = layers.actuator(Solver(demo_car(), (slow, slow), demo_targets(*SMALL)), 0)
    assert (later.slew_up, later.slew_down) == (35, 25)


def test_a_valve_that_blows_off_and_one_whose_range_begins_at_nothing() -> None:
    # Above 200 mm/s the current changes nothing any more; 0 A is a current like the others.
    speed, soft, firm = (
        (0.0, 0.1, 0.2, 0.25, 1.0),
        (0.0, 200.0, 500.0, 1200.0, 2000.0),
        (0.0, 800.0, 1200.0, 1200.0, 2000.0),
    )
    way = replace(
        straight_valve(1.0, 2.0).compression,
        speed_m_s=speed,
        current_a=(0.0, 1.6),
        force_n=(soft, firm),
        passive_n=soft,
    )
    valve = straight_valve(1500.0, 9000.0, compression=way, rebound=way, least_a=0.0, passive_below_a=0.0)
    draft = small(valves=(valve, valve))
    written = text(draft)
    made = parse_calibration(written)
    assert made.valves.front_left.curve.y[0] == 0
    assert made.valves.front_left.match == 0
    assert "No current is one of its settings" in written
    assert [one for one in check(load_vehicle(VEHICLE, DBC), made) if one.severity == "error"] == []


def test_names_cannot_break_the_file() -> None:
    odd = 'a "car" \\ with\na line\x7f and\ttabs'
    valve = replace(demo_valves()[0], name=odd)
    made = parse_calibration(
        text(
            Draft(
                Solver(replace(demo_car(), name=odd), (valve, valve), demo_targets(*SMALL)), channels(), odd
            )
        )
    )
    assert made.notes.startswith('Computed from a "car" \\ with a line')


# What is not known.


def test_layers_that_lack_a_channel_are_off() -> None:
    known = frozenset(
        name for name in channels() if not name.startswith(("stroke.", "steer")) and name != "driver_switch"
    )
    draft = small(known=known)
    written = text(draft)
    made = parse_calibration(written)
    on = {name: getattr(made.layers, name).enabled for name in facts(draft)["layers"]}
    assert on == {
        "body_load": True, "brake_lead": True, "steer_lead": False, "stroke_speed": False, "road_speed": True,
        "grip": False, "stroke_end": False,
    }  # fmt: skip
    assert "# Off: it lacks the four strokes." in written
    assert "# Off: it lacks steer_angle." in written
    assert "# yaw is off: it lacks steer_angle." in written
    # One setting where there is no switch.
    assert len(set(made.layers.base.front.y)) == 1
    assert (made.checks.yaw.trip, made.checks.stroke_roll.trip) == (0, 0)
    assert made.checks.lateral.trip > 0


def test_a_vehicle_file_with_few_channels_goes_through(tmp_path: Path) -> None:
    lacking = ("stroke.front_left", "steer_angle", "driver_switch", "brake_pressure")
    parts = VEHICLE.read_text().split("\n\n")
    kept = [part for part in parts if not any(f"[channels.{name}]" in part for name in lacking)]
    assert len(parts) - len(kept) == len(lacking)
    (tmp_path / "vehicle.toml").write_text("\n\n".join(kept))
    targets = tmp_path / "targets.toml"
    targets.write_text(edited(TARGETS, *SMALL))
    line = command_line(tmp_path / "c.toml", vehicle=tmp_path / "vehicle.toml", targets=targets)
    assert main([*line, "--json"]) == 0
    written = (tmp_path / "c.toml").read_text()
    assert "# Off: it lacks stroke.front_left and brake_pressure." in written
    assert (
        main(
            [
                "calibration",
                "check",
                "-v",
                str(tmp_path / "vehicle.toml"),
                "--dbc",
                str(DBC),
                "-c",
                str(tmp_path / "c.toml"),
            ]
        )
        == 0
    )


def test_targets_without_brakes_and_steering(tmp_path: Path) -> None:
    path = tmp_path / "targets.toml"
    path.write_text(without(TARGETS, "brakes"))
    path.write_text(without(path, "steering"))
    draft = small(targets=load_targets(path))
    made = parse_calibration(text(draft))
    assert not made.layers.brake_lead.enabled
    assert not made.layers.steer_lead.enabled
    assert not made.layers.grip.enabled
    assert (made.checks.steer.trip, made.checks.yaw.trip, made.checks.brake.trip) == (0, 0, 0)
    assert "# Off: it lacks [brakes] in the targets." in text(draft)
    assert check(load_vehicle(VEHICLE, DBC), made) == []


def test_a_car_without_stops_has_no_ramps() -> None:
    draft = small(with_axles(demo_car(), bump_stop=None))
    assert "it lacks bump_stop and droop_stop of both axles in the car file" in text(draft)
    assert check(load_vehicle(VEHICLE, DBC), parse_calibration(text(draft))) == []


# The end of the stroke.


def test_ramps_take_the_wheels_energy() -> None:
    # 38 kg at 1 m/s: 19 J, over half of the firm force [X].
    for axle in (0, 1):
        for way in (0, 1):
            ramp = layers.ramp(demo_solver(), axle, way)
            assert ramp is not None
            assert ramp.energy_j == pytest.approx(19.0)
            assert ramp.taken_j >= 0.95 * 19.0
            assert ramp.stop_mm == (45, 70)[way]
    fast = small(targets=demo_targets(*SMALL, ('wheel_speed = "1 m/s"', 'wheel_speed = "3 m/s"')))
    assert "end of stroke, front compression: the damper takes" in warned(fast)


def test_leads_ask_for_half_of_body_load() -> None:
    solver = demo_solver()
    lead = layers.brake_lead(solver)
    # 63 bar are 1 g: 1.3 g at the map's end.
    assert lead.bar[-1] == pytest.approx(63 * 1.3, abs=0.5)
    middle = len(solver.targets.under_load.lateral_mg) // 2
    hardest = solver.cells[middle][0]  # -1.4 g, held at 1.3 g by the grip
    assert lead.demand[0][-1] == pytest.approx(hardest.value[0] / 2, abs=5)
    # A rear corner that gets lighter never asks for as much.
    assert all(rear <= 0.25 * front for front, rear in zip(*lead.demand, strict=True))
    # Slope of body load at half of 1.3 g, over 30 ms of 100 bar/s, which are 3 bar.
    assert lead.rate_gain[0] == pytest.approx(2 * lead.demand[0][2] / lead.bar[2] * 0.1 * lead.lead_ms, abs=1)
    steer = layers.steer_lead(solver)
    assert steer.gain[0] > 0
    assert steer.gain[1] == steer.gain[3] == 0
    more = layers.steer_lead(
        Solver(demo_car(), demo_valves(), demo_targets(*SMALL, ("ratio = 13.5", "ratio = 27")))
    )
    # Half the answer to the steering wheel, half the lead.
    assert more.gain[0] == pytest.approx(steer.gain[0] / 2, abs=1)


# Mistakes.


def test_all_mistakes_of_the_targets_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad = tmp_path / "targets.toml"
    bad.write_text(
        edited(
            TARGETS, ("[0.32, 0.42, 0.50]", "[0.32, 0.42]"), ("reference = 1 ", "reference = 7 "), ("outer =", "outter ="),
            ('"1.2 g"', '"1.2 kg"'), ("[-1.4, -0.7, 0, 0.7]", "[-1.4, -0.7]"), ("[0, 60, 140, 250]", "[0, 60, 250]"),
            ("[-1.4, -0.7, 0, 0.7, 1.4]", "[-1, 0, 0.5]"), ("least = 0.22", "least = 22"),
        )
    )  # fmt: skip
    assert main(command_line(tmp_path / "c.toml", targets=bad)) == 2
    said = capsys.readouterr().err
    for part in (
        "damping.heave: has 2 ratios, but position has 3 points", "damping.reference: 7 is none of the positions",
        "outter", "did you mean outer?", "'kg' is not a unit of acceleration", "under_load.longitudinal: has no 0", "road_speed.factor: has 4 points",
        "under_load.lateral: must be symmetric about 0", "damping.least: 22 is outside 0.02 to 1.5",
    ):  # fmt: skip
        assert part in said
    assert "Traceback" not in said
    assert not (tmp_path / "c.toml").exists()


@pytest.mark.parametrize(
    ("ratios", "said"),
    [
        ("0.3", "should be a list of numbers"),
        ('[0.3, "x", 0.5]', "point 2 is 'x'"),
        ("[0.3, 0.4, 5]", "0.02 to 1.5 is wanted"),
    ],
)
def test_a_list_of_ratios(ratios: str, said: str) -> None:
    with pytest.raises(InputError, match=re.escape(said)):
        demo_targets(("[0.32, 0.42, 0.50]", ratios))


def test_nothing_is_overwritten_unasked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    there, targets = tmp_path / "calibration.toml", tmp_path / "targets.toml"
    there.write_text("mine")
    targets.write_text(edited(TARGETS, *SMALL))
    assert main(command_line(there, targets=targets)) == 2
    assert "somebody may have edited it" in capsys.readouterr().err
    assert there.read_text() == "mine"
    assert main([*command_line(there, targets=targets), "--replace", "--json"]) == 0
    assert calibration.load_calibration(there).layers.base.front.y == demo_solver_base()


def demo_solver_base() -> tuple[int, ...]:
    return tuple(position.demand[0] for position in demo_solver().positions)


@pytest.mark.parametrize("name", ["car", "valve", "valve-rear", "vehicle", "targets"])
def test_a_missing_file_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    line = command_line(tmp_path / "c.toml", **{name: tmp_path / "none.toml"})
    assert main(line) == 2
    assert "none.toml: cannot be read" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_report_of_another_kind(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*command_line(tmp_path / "c.toml"), "--report", str(tmp_path / "r.pdf")]) == 2
    assert "must end in .md or .html" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_both_files_or_neither(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    targets = tmp_path / "targets.toml"
    targets.write_text(edited(TARGETS, *SMALL))
    assert (
        main([*command_line(tmp_path / "c.toml", targets=targets), "--report", str(tmp_path / "no" / "r.md")])
        == 2
    )
    assert "no such folder" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == [targets]


def test_a_valve_without_authority_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    write_valve(tmp_path / "valve.toml", straight_valve(3000.0, 3300.0))
    assert main(command_line(tmp_path / "c.toml", valve=tmp_path / "valve.toml")) == 2
    assert "straight: the damping goes from 3000 to 3300 N s/m only" in capsys.readouterr().err
    assert not (tmp_path / "c.toml").exists()


def test_a_map_past_tipping_is_refused(tmp_path: Path) -> None:
    targets = tmp_path / "targets.toml"
    targets.write_text(
        edited(TARGETS, ("[-1.4, -0.7, 0, 0.7, 1.4]", "[-3, 0, 3]"), ('dry = "1.3 g"', 'dry = "3 g"'))
    )
    job = Job(CAR, FRONT, REAR, VEHICLE, targets, (DBC,), tmp_path / "c.toml")
    with pytest.raises(InputError, match="finds no balance"):
        run_job(job)
    assert not (tmp_path / "c.toml").exists()


def test_one_valve_serves_both_axles(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    targets = tmp_path / "targets.toml"
    targets.write_text(edited(TARGETS, *SMALL))
    line = command_line(tmp_path / "c.toml", targets=targets)
    at = line.index("--valve-rear")
    del line[at : at + 2]
    assert main([*line, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["valves"] == ["Merlin T4 front", "Merlin T4 front"]
