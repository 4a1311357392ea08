"""Scenario files: circuits, places, the ground, mistakes; the page about them is right.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
import pickle
import re
import tomllib
from dataclasses import replace
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.signal
from pydantic import BaseModel

from dashpot.calibration.findings import Document
from dashpot.errors import InputError
from dashpot.plant import scenario_keys as keys
from dashpot.plant.circuit import Line, Place, Segment, lay
from dashpot.plant.ground import Bump, Ground, Kerb, Patch, Sweep
from dashpot.plant.lag import Lag
from dashpot.plant.manoeuvre import Brake, LaneChange, Sine, StepSteer
from dashpot.plant.scenario import (
    DATA,
    Scenario,
    demo_scenario,
    demo_scenario_path,
    demo_scenarios,
    load_scenario,
    read_scenario,
)
from dashpot.plant.sensors import DEFAULT

DOCS = Path(__file__).resolve().parent.parent / "docs" / "scenario.md"
LAP = demo_scenario_path("hollow_fen").read_text(encoding="utf-8")
STEP = demo_scenario_path("step_steer").read_text(encoding="utf-8")


def read(text: str) -> Scenario:
    return read_scenario(Document("my.toml", None, text))


def mistakes(text: str) -> str:
    with pytest.raises(InputError) as caught:
        read(text)
    assert caught.value.exit_code == 2
    return f"{caught.value}\n{caught.value.detail or ''}"


def edited(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


# --- what comes with dashpot ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", demo_scenarios())
def test_what_comes_with_dashpot_can_be_driven(name):
    made = replace(demo_scenario(name), duration_s=6.0)
    drive = made.drive()
    assert all(np.isfinite(values).all() for values in made.readings(drive).values())
    assert np.isfinite(drive.inputs().road_m).all()
    assert made.valves is not None
    assert made.currents_a is not None
    # A scenario and its drive can be handed to another process.
    assert pickle.loads(pickle.dumps(made)).drive().speed_m_s.tobytes() == drive.speed_m_s.tobytes()


def test_the_set_of_scenarios():
    assert set(demo_scenarios()) == {
        "brake_rough", "bump", "hollow_fen", "hollow_fen_wet", "kerb_strike", "lane_change", "slalom", "step_steer",
        "straight_b", "straight_c", "swept_sine",
    }  # fmt: skip
    with pytest.raises(InputError, match="did you mean hollow_fen"):
        demo_scenario("holow_fen")


def test_hollow_fen_is_the_demos_lap():
    # Length, turn and zones of the demo's circuit [D].
    made = demo_scenario()
    circuit = made.course
    assert circuit.length_m == pytest.approx(2405.0, abs=0.5)
    assert math.degrees(circuit.curvature_per_m.sum() * circuit.step_m) == pytest.approx(-360.0, abs=1e-6)
    x, y = circuit.trace_m()
    assert math.hypot(x[-1], y[-1]) < 1.0
    assert [name for name, _ in circuit.sectors] == ["Mere", "Sluice", "Osier"]
    (patch,), (kerb,), (damp,) = made.ground.patches, made.ground.kerbs, made.weather.damp
    assert [patch.start_m, patch.end_m] == pytest.approx([827.15, 910.15], abs=0.01)
    assert [kerb.start_m, kerb.end_m] == pytest.approx([1293.25, 1303.25], abs=0.01)
    assert [damp.start_m, damp.end_m] == pytest.approx([1385.25, 1972.40], abs=0.01)
    assert circuit.sector_at(np.array([0.0, 1320.0, 2000.0])).tolist() == [1.0, 2.0, 3.0]
    # Heron is the tightest corner, a right-hander of 28 m radius.
    heron = circuit.locate(Place(0.0, "Heron")) + 35.0
    assert circuit.bend_at(np.array([heron, heron + circuit.length_m])) == pytest.approx(
        [-1 / 28.0] * 2, rel=1e-6
    )


def test_the_wet_lap_has_the_dry_ones_circuit():
    dry, wet = demo_scenario(), demo_scenario("hollow_fen_wet")
    assert np.array_equal(dry.course.curvature_per_m, wet.course.curvature_per_m)
    assert dry.ground == wet.ground
    assert wet.weather.grip < 1.0
    assert set(wet.drive().switches.grip_switch) == {0, 2}


# --- circuits ------------------------------------------------------------------------------------------------------


def oval(front_m=300.0, back_m=300.0, turn_deg=180.0):
    return (
        Segment("Front", front_m, sector="One"),
        Segment.corner("North", 60.0, turn_deg),
        Segment("Back", back_m, sector="Two"),
        Segment.corner("South", 60.0, 180.0),
    )


def test_a_lap_closes_or_tells_by_how_much():
    assert lay(oval(), closed=True).length_m == pytest.approx(600.0 + 2.0 * math.pi * 60.0)
    with pytest.raises(InputError, match=r"ends 20\.0 m from its start \(20\.0 m ahead of it"):
        lay(oval(front_m=320.0), closed=True)
    with pytest.raises(InputError, match=r"350\.0 deg in all.*10\.0 deg less than 360 deg"):
        lay(oval(turn_deg=170.0), closed=True)
    # Open, all of that is fine.
    assert not lay(oval(front_m=320.0, turn_deg=170.0), closed=False).closed


def test_the_remedy_closes_the_lap():
    said = mistakes(edited(LAP, ('"Alder Exit", length = "100 m"', '"Alder Exit", length = "130 m"')))
    lengths = dict(re.findall(r"'([\w ]+)' of ([\d.]+) m", said))
    assert lengths
    text = edited(LAP, ('"Alder Exit", length = "100 m"', '"Alder Exit", length = "130 m"'))
    for name, length in lengths.items():
        text = re.sub(
            rf'name = "{name}", length = "[\d.]+ m"', f'name = "{name}", length = "{length} m"', text
        )
    x, y = read(text).course.trace_m()
    assert math.hypot(x[-1], y[-1]) < 1.0


def test_curvature_of_a_corner_and_its_transitions():
    circuit = lay(oval(), closed=True, transition_m=10.0)
    at = np.arange(0.0, circuit.length_m, 0.1)
    bend = circuit.bend_at(at)
    # Each transition keeps the turn: half of it is at the border of the segments.
    assert bend.sum() * 0.1 == pytest.approx(2.0 * math.pi, rel=1e-3)
    assert circuit.bend_at(np.array([300.0, 300.0 + 30.0 * math.pi])) == pytest.approx(
        [1 / 120.0, 1 / 60.0], rel=0.03
    )
    assert not bend[(at > 12.0) & (at < 288.0)].any()
    assert np.abs(np.diff(bend)).max() < 0.1 * (1 / 60.0) / 10.0 * 1.1


def test_the_last_sector_goes_on_to_where_the_first_begins():
    late = (Segment("Front", 300.0), *oval()[1:])
    circuit = lay(late, closed=True)
    assert circuit.sector_at(np.array([0.0, 480.0, 500.0])).tolist() == [1.0, 1.0, 1.0]
    two = lay((late[0], replace(late[1], sector="A"), *late[2:]), closed=True)
    assert two.sector_at(np.array([0.0, 299.0, 301.0, 500.0])).tolist() == [2.0, 2.0, 1.0, 2.0]
    nameless = lay(tuple(replace(piece, sector="") for piece in oval()), closed=True)
    assert nameless.sector_at(np.array([0.0, 500.0])).tolist() == [1.0, 1.0]


def test_places():
    circuit = lay(oval(), closed=True)
    key = keys.PlaceKey()
    half = 60.0 * math.pi
    for text, metres in (
        ("120 m", 120.0), ("0.12 km", 120.0), ("Back", 300.0 + half), ("Back end", 600.0 + half),
        ("Back + 40 m", 340.0 + half), ("North end - 5 m", 295.0 + half), ("Front - 10 m", circuit.length_m - 10.0),
    ):  # fmt: skip
        assert circuit.locate(key.parse(text)) == pytest.approx(metres)
    assert key.parse("Sluice 1 - 40 m") == Place(-40.0, "Sluice 1")
    assert key.parse("Sluice 4 end + 10 m") == Place(10.0, "Sluice 4", at_end=True)
    for wrong, said in (
        ("", "no place"),
        (4, "no place"),
        ("Back + 4 kg", "not a unit of length"),
        ("12", "without a unit"),
    ):
        with pytest.raises(ValueError, match=said):
            key.parse(wrong)
    with pytest.raises(ValueError, match="did you mean North"):
        circuit.locate(Place(0.0, "Nort"))
    with pytest.raises(ValueError, match="outside 0 to"):
        lay(oval(), closed=False).locate(Place(-1.0))
    with pytest.raises(ValueError, match="is no distance"):
        Line(100.0, closed=False).locate(Place(0.0, "North"))


def test_windows_go_round_the_start_line():
    line = Line(1000.0, closed=True)
    at = np.array([940.0, 955.0, 970.0, 0.0, 20.0, 55.0, 500.0])
    inside = line.window(at, 950.0, 40.0, 10.0, inside=True)
    assert inside == pytest.approx([0.0, 0.5, 1.0, 1.0, 1.0, 0.0, 0.0])
    across = line.window(np.array([945.0, 950.0, 955.0, 40.0]), 950.0, 40.0, 10.0, inside=False)
    assert across == pytest.approx([0.0, 0.5, 1.0, 0.5])


def test_what_is_no_circuit():
    with pytest.raises(InputError, match="no segments"):
        lay((), closed=False)
    with pytest.raises(InputError, match="two segments are called 'A'"):
        lay((Segment("A", 100.0), Segment("A", 100.0)), closed=False)
    with pytest.raises(InputError, match="too short for transitions"):
        lay((Segment("A", 20.0),), closed=False)


# --- the ground ----------------------------------------------------------------------------------------------------

STRAIGHT = Line(1000.0, closed=False)


def test_a_kerb_and_a_bump_lie_where_they_should():
    ground = Ground(
        roughness_m3=0.0,
        kerbs=(Kerb("left", 100.0, 110.0, 0.05, ramp_m=1.0),),
        bumps=(Bump("right", 200.0, 4.0, 0.03), Bump("opposite", 300.0, 2.0, 0.01)),
    )
    road = ground.road(STRAIGHT, 1.5, 1)
    left, right = (
        (lambda m: float(road.at(0, np.array([m]))[0])),
        (lambda m: float(road.at(1, np.array([m]))[0])),
    )
    assert [left(99.9), left(100.5), left(105.0), left(110.1)] == pytest.approx(
        [0.0, 0.025, 0.05, 0.0], abs=1e-4
    )
    assert right(105.0) == 0.0
    # h (1 - cos(2 pi x / L)) / 2 [C].
    assert [right(201.0), right(202.0), right(204.0)] == pytest.approx([0.015, 0.03, 0.0], abs=1e-6)
    assert [left(301.0), right(301.0)] == pytest.approx([0.01, -0.01], abs=1e-6)


def test_a_kerb_may_lie_across_the_start_line():
    ground = Ground(roughness_m3=0.0, kerbs=(Kerb("both", 995.0, 5.0, 0.05, ramp_m=1.0),))
    road = ground.road(Line(1000.0, closed=True), 1.5, 1)
    assert road.at(0, np.array([998.0, 0.0, 2.0, 20.0])) == pytest.approx([0.05, 0.05, 0.05, 0.0], abs=1e-6)


def test_the_rear_wheels_follow_the_front_ones_and_left_is_left():
    made = replace(
        demo_scenario("kerb_strike"), ground=replace(demo_scenario("kerb_strike").ground, roughness_m3=0.0)
    )
    drive = made.drive()
    assert not drive.road_m[:, [1, 3]].any()
    first = [float(np.argmax(drive.road_m[:, wheel] > 0.02)) * 1e-3 for wheel in (0, 2)]
    assert first[1] - first[0] == pytest.approx(made.car.wheelbase_m / 30.0, abs=0.0015)
    # The front axle is ahead of the centre of gravity, which is at 0 in the beginning.
    assert first[0] == pytest.approx((90.0 + 0.7 - made.car.to_axle_m[0]) / 30.0, abs=0.01)


def test_a_rough_zone_has_its_class():
    # Within the zone the density is the zone's on top of the road's, by Welch's periodogram; ISO 8608 [S].
    line = Line(4000.0, closed=False)
    ground = Ground(roughness_m3=16e-6, patches=(Patch(1000.0, 3000.0, 256e-6),))
    road = ground.road(line, 1.5, 1)
    for start, end, level in ((1010.0, 2990.0, 272e-6), (3010.0, 3990.0, 16e-6)):
        piece = road.height_m[:, round(start / road.step_m) : round(end / road.step_m)]
        wave, density = scipy.signal.welch(piece, 1.0 / road.step_m, nperseg=4096, axis=1)
        inside = (wave > 0.25) & (wave < 1.5)
        measured = np.exp(np.log(density[:, inside] * (wave[inside] / 0.1) ** 2).mean())
        assert measured == pytest.approx(level, rel=0.25)
    # It begins and ends at the height of the road.
    plain = Ground(roughness_m3=16e-6).road(line, 1.5, 1)
    outside = road.grid_m() < 1000.0
    assert np.array_equal(road.height_m[:, outside], plain.height_m[:, outside])
    more, at = road.height_m - plain.height_m, road.grid_m()
    assert np.abs(more[:, (at > 1000.0) & (at < 1000.3)]).max() < 3e-4
    # No waves longer than 6.7 m: s_z^2 = Gd(n0) n0^2 (1/n1 - 1/n2) [X].
    spread_m = math.sqrt(256e-6 * 0.01 * (6.7 - 1.0 / 2.83))
    assert more[:, (at > 1010.0) & (at < 2990.0)].std() == pytest.approx(spread_m, rel=0.05)


def test_a_sweep_has_its_frequencies_and_its_amplitude():
    sweep = Sweep(1.0, 16.0, 1.0, 40.0, rate_m_s=0.1)
    time = np.arange(0.0, 42.0, 1e-3)
    height = sweep.height_at(time)
    assert not height[time < 1.0].any()
    assert not height[time > 41.0].any()
    crossings = time[:-1][(height[:-1] < 0.0) & (height[1:] >= 0.0)]
    period, middle = np.diff(crossings), (crossings[1:] + crossings[:-1]) / 2.0
    # f = f0 (f1 / f0)^(t / T) [X].
    assert 1.0 / period == pytest.approx(16.0 ** ((middle - 1.0) / 40.0), rel=0.02)
    inside = (time > 3.0) & (time < 40.0)
    # The speed's amplitude stays.
    speed = np.abs(np.gradient(height, 1e-3))[inside]
    for part in np.array_split(speed, 8):
        assert part.max() == pytest.approx(0.1, rel=0.03)
    held = replace(sweep, rate_m_s=None, height_m=0.004).height_at(time)[inside]
    for part in np.array_split(np.abs(held), 8):
        assert part.max() == pytest.approx(0.004, rel=0.03)


def test_the_swept_sine_is_felt_at_its_frequencies():
    drive = replace(demo_scenario("swept_sine"), duration_s=44.0).drive()
    assert np.array_equal(drive.road_m[:, 0], drive.road_m[:, 1])
    # At 23 s, after 20 of 40 s, halfway in octaves: sqrt(0.5 x 20) Hz [X].
    piece = drive.road_m[22_500:23_500, 0]
    crossings = np.flatnonzero((piece[:-1] < 0.0) & (piece[1:] >= 0.0))
    assert 1e3 / np.diff(crossings).mean() == pytest.approx(math.sqrt(10.0), rel=0.08)


def test_a_profile_is_under_the_wheels(tmp_path):
    (tmp_path / "ramp.csv").write_text("distance_m,left_mm,right_mm\n0,0,0\n50,0,0\n60,40,20\n400,40,20\n")
    text = edited(STEP, ('class = "A"', 'profile = "ramp.csv"'))
    (tmp_path / "my.toml").write_text(text)
    drive = load_scenario(tmp_path / "my.toml").drive()
    there = int(np.argmax(drive.distance_m > 100.0))
    assert drive.road_m[there] == pytest.approx([0.04, 0.02, 0.04, 0.02], abs=1e-6)


# --- files ---------------------------------------------------------------------------------------------------------


def test_every_key_reaches_the_scenario():
    made = read(
        """
        name = "All"
        seed = 9
        duration = "30 s"
        car = "merlin_t4"
        [valves]
        front = "merlin_t4_front_valve"
        rear = "merlin_t4_rear_valve"
        [currents]
        front = "0.5 A"
        rear = "600 mA"
        [manoeuvre.straight]
        speed = "72 km/h"
        [performance]
        power = "150 kW"
        grip = 1.1
        traction = "50 percent"
        braking = "900 permille"
        rolling = "0.2 m/s2"
        coast = "0.1 g"
        [brakes]
        front = "58.8399 bar/g"
        rear = "3 bar/(m/s2)"
        lag = "50 ms"
        holding = "1 MPa"
        [steering]
        ratio = 15
        understeer = "1 deg/g"
        lag = "80 ms"
        damping = 1
        [driver]
        skill = "90 percent"
        skill_spread = "2 percent"
        pedal_time = "0.5 s"
        standstill = "2 s"
        corrections = "0.1 deg"
        correction_rate = "1 Hz"
        [weather]
        grip = "70 percent"
        ambient = "4 degC"
        [switches]
        mode = "road"
        grip = [["0 s", "dry"], ["10 s", "wet"]]
        firmness = -2
        ignition = [["0 s", "on"], ["20 s", "off"]]
        [supply]
        voltage = [["0 s", "14 V"], ["10 s", "10 V"]]
        brake_drop = "0 V"
        ripple = "0 V"
        [coil]
        temperature = "60 degC"
        [sensors.Stroke]
        bits = 10
        [sensors.StrokeRR]
        bits = 8
        zero = "1 in"
        [sensors.RoadSpeed]
        noise = "1 m/s"
        filter = "5 Hz"
        [sensors.VertAccel]
        range = ["-2 g", "2 g"]
        scale = "99 percent"
        dead_time = "3 ms"
        """
    )
    g = 9.80665
    assert (made.name, made.seed, made.duration_s, made.car.name) == ("All", 9, 30.0, "Merlin T4")
    assert [path.name for path in made.valves] == ["merlin_t4_front_valve.toml", "merlin_t4_rear_valve.toml"]
    assert made.currents_a == (0.5, 0.6)
    assert made.course.speed_m_s == 20.0
    p = made.performance
    assert [p.power_w, p.grip, p.traction, p.braking, p.rolling_m_s2, p.coast_m_s2] == pytest.approx(
        [150_000.0, 1.1, 0.5, 0.9, 0.2, 0.1 * g]
    )
    b = made.brakes
    assert [b.front_bar_per_m_s2, b.rear_bar_per_m_s2, b.lag_s, b.holding_bar] == pytest.approx(
        [6.0, 3.0, 0.05, 10.0]
    )
    s = made.steering
    assert [s.ratio, s.understeer_rad_per_m_s2, s.lag_s, s.damping] == pytest.approx(
        [15.0, math.radians(1.0) / g, 0.08, 1.0]
    )
    d = made.driver
    assert [
        d.skill,
        d.skill_spread,
        d.pedal_s,
        d.standstill_s,
        d.correction_rad,
        d.correction_hz,
    ] == pytest.approx([0.9, 0.02, 0.5, 2.0, math.radians(0.1), 1.0])
    assert (made.weather.grip, made.weather.ambient_c, made.coil_c) == (0.7, 4.0, 60.0)
    sensors = made.sensors
    assert [sensors[f"Stroke{c}"].bits for c in ("FL", "FR", "RL", "RR")] == [10, 10, 10, 8]
    assert sensors["StrokeRR"].zero == pytest.approx(25.4)
    assert sensors["StrokeFL"].zero == DEFAULT["StrokeFL"].zero
    assert (sensors["RoadSpeed"].noise, sensors["RoadSpeed"].lag) == (pytest.approx(3.6), Lag(5.0))
    vertical = sensors["VertAccel"]
    assert [vertical.low, vertical.high, vertical.scale, vertical.dead_s] == pytest.approx(
        [-2 * g, 2 * g, 0.99, 0.003]
    )
    assert vertical.lag == DEFAULT["VertAccel"].lag
    drive = made.drive()
    assert set(drive.switches.driver_mode) == {0}
    assert set(drive.switches.firmness_knob) == {-2}
    assert [drive.switches.grip_switch[k] for k in (0, 9_999, 10_000)] == [1, 1, 2]
    assert [drive.switches.ignition[k] for k in (0, 20_000)] == [1, 0]
    assert drive.supply_v[[0, 5_000, 10_000, 30_000]] == pytest.approx([14.0, 12.0, 10.0, 10.0])
    readings = made.readings(drive)
    assert readings["CoilTempFL"].mean() == pytest.approx(60.0, abs=0.1)
    assert readings["AmbientTemp"].tolist()[0] == 4.0


@pytest.mark.parametrize(
    ("text", "course"),
    [
        ('brake]\nspeed = "36 km/h"\ndeceleration = "5 m/s2"\nat = "2 s"', Brake(10.0, 5.0, 2.0)),
        ('step_steer]\nspeed = "30 m/s"\nlateral = "-5 m/s2"', StepSteer(30.0, -5.0, 1.0, 0.2)),
        ('sine]\nspeed = "18 m/s"\nlateral = "5 m/s2"\nspacing = "18 m"', Sine(18.0, 5.0, 0.5, 1.0, 5)),
        ('lane_change]\nspeed = "20 m/s"\noffset = "-3 m"', LaneChange(20.0, 30.0, -3.0, 40.0, 15.0, 40.0)),
    ],
)
def test_manoeuvres(text, course):
    made = read(f'name = "M"\nduration = "5 s"\ncar = "merlin_t4"\n[manoeuvre.{text}\n').course
    assert type(made) is type(course)
    assert made.kind == text.split("]")[0]
    for name in course.__dataclass_fields__:
        assert getattr(made, name) == pytest.approx(getattr(course, name))


@pytest.mark.parametrize(
    ("text", "changes", "said"),
    [
        (LAP, [("seed = 1", "sead = 1")], r"my\.toml:4: sead: unknown key; did you mean seed"),
        (LAP, [("seed = 1", "seed = -1")], r"my\.toml:4: seed: -1 is outside"),
        (LAP, [('"120 s"', '"120 m"')], r"duration: 'm' is not a unit of time; right are ms, us, s"),
        (LAP, [('"120 s"', '"20 min"')], r"duration: 'min' is not a unit"),
        (LAP, [('"120 s"', '"1200 s"')], r"duration: 1200 s is above the most, 900 s"),
        (LAP, [('"13 m"', "13")], r"transition: a number without a unit"),
        (LAP, [('radius = "100 m"', 'radios = "100 m"')], r"row 4 \(Reed\): unknown key 'radios'; did you mean radius"),
        (LAP, [('"426.2 m"', '"426.2 kg"')], r"row 1 \(Start\): length: 'kg' is not a unit of length"),
        (LAP, [('"100 m", turn = "55 deg"', '"100 m"')], r"row 4.*a corner has a radius and a turn"),
        (LAP, [('"210 m"', '"250 m"')], r"does not close: it ends 40\.0 m from its start"),
        (LAP, [('"-145 deg"', '"-140 deg"')], r"turn by -355\.0 deg in all.*5\.0 deg more than -360 deg"),
        (LAP, [('"Mill Exit"', '"Mill"')], r"two segments are called 'Mill'"),
        (LAP, [('"Washboard end -', '"Washbord end -')], r"road\.rough: row 1: there is no segment 'Washbord'; did you mean"),
        (LAP, [("Kerb end - 12 m", "Kerb end - 21 m")], r"road\.kerbs: row 1: goes from .* at least 3\.2 m are wanted"),
        (LAP, [('side = "left"', 'side = "lft"')], r"side: 'lft' is not known; did you mean left"),
        (LAP, [('grip = "60 percent"', 'grip = "60 bar"')], r"weather\.damp: row 1: grip: 'bar' is not a unit of share"),
        (LAP, [('"merlin_t4" ', '"merlin" ')], r"car: there is no car 'merlin'; did you mean merlin_t4"),
        (LAP, [('"merlin_t4" ', '"my_car.toml" ')], r"my_car\.toml is no file"),
        (LAP, [('"merlin_t4_front_valve"', '"front.toml"')], r"valves\.front: front\.toml is no file"),
        (LAP, [('class = "A"             #', 'class = "K" #')], r"road\.class: 'K' is no class"),
        (STEP, [("step_steer]", "stepsteer]")], r"manoeuvre\.stepsteer: unknown key; did you mean step_steer"),
        (STEP, [('"0.9 g" ', '"1.9 g" ')], r"asks for 1\.90 g; the tyres give 1\.27 g here"),
        (STEP, [('"0.9 g" ', '"0.9 bar" ')], r"lateral: 'bar' is not a unit of acceleration"),
        (STEP, [('speed = "30 m/s"', "")], r"step_steer\.speed: is missing"),
        (STEP, [('class = "A"', 'class = "A"\nroughness = "1e-6 m3"')], r"class and roughness; one of class"),
        (STEP, [('class = "A"', 'profile = "none.csv"')], r"road\.profile: none\.csv: cannot be read"),
        (STEP, [('class = "A"', 'bumps = [{ at = "Mill", length = "2 m", height = "3 mm" }]')], r"'Mill' is no distance"),
        (STEP, [('class = "A"', 'bumps = [{ at = "900 m", length = "2 m", height = "3 mm" }]')], r"900 m is outside 0 to"),
        (STEP, [('class = "A"', 'bumps = { at = "9 m" }')], r"should be a list of tables"),
        (STEP, [('class = "A"', 'sweep = { from = "1 Hz", to = "2 Hz", over = "2 s", amplitude = "1 mm" }')], r"needs a constant speed"),
        (STEP, [("[road]", '[manoeuvre.straight]\nspeed = "9 m/s"\n[road]')], r"straight and step_steer given; one of"),
        (STEP, [("[driver]", '[switches]\nmode = "trak"\n[driver]')], r"switches\.mode: 'trak' is not known; did you mean track"),
        (STEP, [("[driver]", '[switches]\ngrip = [["1 s", "dry"]]\n[driver]')], r"the first is at 0 s"),
        (STEP, [("[driver]", "[switches]\nfirmness = 9\n[driver]")], r"9 is outside -5 to 5"),
        (STEP, [("[driver]", "[sensors.LatAcel]\nbits = 3\n[driver]")], r"sensors\.LatAcel: unknown key; did you mean LatAccel"),
        (STEP, [("[driver]", "[sensors.LatAccel]\nnois = 3\n[driver]")], r"sensors\.LatAccel\.nois: unknown key; did you mean noise"),
        (STEP, [("[driver]", '[sensors.LatAccel]\nnoise = "3 V"\n[driver]')], r"noise: 'V' is not a unit of acceleration"),
        (STEP, [("[driver]", '[sensors.LatAccel]\nrange = ["1 g", "0 g"]\n[driver]')], r"1 g is not below 0 g"),
        (LAP + '\n[manoeuvre.straight]\nspeed = "9 m/s"\n', [], r"circuit: is given beside manoeuvre"),
        ('name = "x"\nduration = "5 s"\ncar = "merlin_t4"\n', [], r"either a circuit or a manoeuvre"),
        (LAP, [('"Finish"', '"Finish')], r"my\.toml:42: not TOML"),
    ],
)  # fmt: skip
def test_mistakes_are_told_with_place_and_remedy(text, changes, said):
    assert re.search(said, mistakes(edited(text, *changes)))


def test_all_mistakes_are_told_at_once():
    text = edited(
        LAP,
        ("seed = 1", 'seed = "x"'),
        ('"120 s"', '"120 m"'),
        ("Washboard end -", "Bord end -"),
        ('front = "800 mA"', 'front = "9 A"'),
    )
    said = mistakes(text)
    assert "4 mistakes" in said
    for key in ("seed", "duration", "road.rough", "currents.front"):
        assert f": {key}: " in said


def test_a_cars_own_mistakes_have_its_own_lines(tmp_path):
    car = (DATA / "merlin_t4.toml").read_text(encoding="utf-8")
    (tmp_path / "my_car.toml").write_text(edited(car, ('wheelbase = "2.58 m"', 'wheelbase = "2.58 V"')))
    (tmp_path / "my.toml").write_text(edited(STEP, ('car = "merlin_t4"', 'car = "my_car.toml"')))
    with pytest.raises(InputError, match=r"my_car\.toml:\d+: wheelbase: 'V' is not a unit of length"):
        load_scenario(tmp_path / "my.toml")


def test_a_file_that_is_not_there():
    with pytest.raises(InputError, match="cannot be read"):
        load_scenario(Path("no_such_file.toml"))


# --- the page ------------------------------------------------------------------------------------------------------


def blocks() -> list[str]:
    return re.findall(r"^```toml\n(.*?)^```", DOCS.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def merged(base: dict[str, Any], more: dict[str, Any]) -> dict[str, Any]:
    result = dict(base)
    for key, value in more.items():
        both = (
            isinstance(value, dict)
            and isinstance(base.get(key), dict)
            and key not in {"circuit", "manoeuvre"}
        )
        result[key] = merged(base[key], value) if both else value
    return result


@pytest.mark.parametrize("text", blocks(), ids=lambda text: text.splitlines()[0].strip("[]"))
def test_the_pages_examples_are_right(text):
    example = tomllib.loads(text, parse_float=Decimal)
    base = blocks()[0] if "manoeuvre" in example else LAP
    document = Document("docs/scenario.md", None, base)
    document.data = merged(document.data, example)
    # A base of its own tells what an example says of it.
    made = read_scenario(document)
    assert made.duration_s > 0.0
    assert made.line.length_m > 100.0


def known_keys() -> set[str]:
    """Every key that a file may have, from the models themselves."""
    models = [
        value for value in vars(keys).values()
        if isinstance(value, type) and issubclass(value, keys.Strict) and value is not keys.Strict
    ]  # fmt: skip
    assert all(issubclass(model, BaseModel) for model in models)
    found = {field.alias or name for model in models for name, field in model.model_fields.items()}
    return found | sensor_keys()


@cache
def sensor_keys() -> set[str]:
    said = mistakes(f"{STEP}\n[sensors.LatAccel]\nzzzzzzzz = 1\n")
    listed = re.search(r"zzzzzzzz: unknown key; there are ([\w, ]+)", said)
    assert listed
    return set(listed[1].split(", "))


def test_the_page_has_every_key_and_no_other():
    text = DOCS.read_text(encoding="utf-8")
    words = set(re.findall(r"`\[?([\w.]+)\]?`", text))
    told = {part for word in words for part in word.split(".")}
    known = known_keys()
    assert known - told - {"front", "rear"} == set()
    # The first cells of the tables are keys, scenarios or tables of manoeuvres, all of them real.
    cells = {
        part for row in re.findall(r"^\| (`[^|]+) \|", text, re.MULTILINE) for word in re.findall(r"`\[?([\w.]+)\]?`", row)
        for part in word.split(".")
    }  # fmt: skip
    assert cells - known - set(demo_scenarios()) == set()
    assert set(demo_scenarios()) <= words
    assert set(keys.CORNER_KINDS) <= words


def test_the_page_has_the_defaults():
    text = DOCS.read_text(encoding="utf-8")
    rows = dict(
        re.findall(
            r"^\| `((?:driver|performance|brakes|steering)\.\w+)`[^|]*\|[^|]+\| ([^|]+) \|",
            text,
            re.MULTILINE,
        )
    )
    base = read(blocks()[0])
    for key, shown in rows.items():
        table, name = key.split(".")
        if key == "brakes.front":
            assert shown == "6.4 and 3.9 bar/(m/s2)"
            continue
        value = shown if re.search(r"[a-z]", shown) else Decimal(shown)
        document = Document("x", None, blocks()[0])
        document.data = merged(document.data, {table: {name: value}})
        made, plain = getattr(read_scenario(document), table), getattr(base, table)
        assert all(
            getattr(made, field) == pytest.approx(getattr(plain, field))
            for field in plain.__dataclass_fields__
        ), key
    assert len(rows) == 19


def test_the_pages_python_runs(monkeypatch):
    (code,) = re.findall(r"^```python\n(.*?)^```", DOCS.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    space: dict[str, Any] = {}
    exec(compile(code, "docs/scenario.md", "exec"), space)
    assert len(space["readings"]["LatAccel"]) == len(space["drive"].time_s)
    assert space["drive"].seed == 3
