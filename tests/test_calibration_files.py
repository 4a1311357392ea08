"""Every mistake in a vehicle or calibration file: its place, what is wrong, what would be right; all in one go."""

from __future__ import annotations

import copy
import random
import re
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from calibration_kit import (
    DEMO,
    Made,
    demo_calibration,
    demo_vehicle,
    edited,
    layout,
    vehicle_text,
    write_dbc,
)
from dashpot import calibration
from dashpot.calibration import Document, Finding, MistakesError
from dashpot.calibration.findings import key_lines
from dashpot.errors import InputError

CURVE = 'current = { unit = "mA", at = [320, 560, 900, 1280, 1600] }'


def found_in(folder: Path, vehicle: str | None, numbers: str | None) -> list[Finding]:
    """All findings in files with these texts; None takes the demo's file."""
    paths = []
    for name, text in (("vehicle.toml", vehicle), ("calibration.toml", numbers)):
        path = folder / name
        path.write_text(text if text is not None else edited(name), encoding="utf-8")
        paths.append(path)
    return calibration.read_pair(paths[0], paths[1], layout=layout())[2]


def only(findings: list[Finding]) -> Finding:
    assert len(findings) == 1, "\n".join(map(str, findings))
    return findings[0]


def test_the_demo_files_have_no_finding(tmp_path: Path) -> None:
    assert found_in(tmp_path, None, None) == []


# What is exchanged in the demo's calibration; the key and words that the one finding must have.
CALIBRATION_MISTAKES = {
    "unknown key": ('shape = "500 permille"', 'shape = "500 permille"\nshap = 1', "layers.stroke_end.shap", ["unknown key", "shape"]),
    "unknown section": ("[report]", '[reports]\nperiod = "1 ms"\n[report]', "reports", ["unknown key", "report"]),
    "missing key": ('decay = "180 ms"\n', "", "layers.brake_lead.decay", ["missing"]),
    "wrong unit": ('ask_pressure = "30 bar"', 'ask_pressure = "30 mm"', "layers.grip.ask_pressure", ["'mm'", "bar", "kPa", "psi"]),
    "no unit": ('ask_pressure = "30 bar"', "ask_pressure = 30", "layers.grip.ask_pressure", ["without a unit", '"30 bar"']),
    "no number": ('ask_pressure = "30 bar"', 'ask_pressure = "lots"', "layers.grip.ask_pressure", ["'lots'", "number and a unit"]),
    "no flag": ("enabled = true\nask_steer", "enabled = 1\nask_steer", "layers.grip.enabled", ["true or false"]),
    "wrong unit of an axis": ('pressure = { unit = "bar", at = [0, 5, 15, 40] }', 'pressure = { unit = "baar", at = [0, 5, 15, 40] }', "layers.brake_lead.front.map.pressure", ["'baar'", "bar, kPa"]),
    "key of an axis": ('pressure = { unit = "bar", at = [0, 5, 15, 40] }', 'pressure = { units = "bar", at = [0, 5, 15, 40] }', "layers.brake_lead.front.map.pressure", ["'units'", "unit"]),
    "axis not rising": ('at = [0, 5, 15, 40] }, demand = { unit = "permille", at = [0, 20', 'at = [0, 15, 15, 40] }, demand = { unit = "permille", at = [0, 20', "layers.brake_lead.front.map.pressure", ["not rising", "point 3", "15 after 15"]),
    "axis points closer than a unit": ('at = [0, 5, 15, 40] }, demand = { unit = "permille", at = [0, 20', 'at = [0, 5, 5.001, 40] }, demand = { unit = "permille", at = [0, 20', "layers.brake_lead.front.map.pressure", ["not rising", "closer than one kPa"]),
    "values too few": ("at = [0, 20, 70, 120]", "at = [0, 20, 70]", "layers.brake_lead.front.map.demand", ["3 points", "pressure has 4"]),
    "axis too long": ('position = { at = [0, 1, 2] }, demand = { unit = "permille", at = [240, 320, 400] }', f'position = {{ at = {list(range(17))} }}, demand = {{ unit = "permille", at = [240, 320, 400] }}', "layers.base.front.position", ["17 points", "2 to 16"]),
    "map with a short row": ("    [260, 200, 130, 80],\n", "    [260, 200, 130],\n", "layers.body_load.map.front_left", ["3 values in row 2", "5 rows", "4 values"]),
    "map without a row": ("    [260, 200, 130, 80],\n", "", "layers.body_load.map.front_left", ["4 rows", "5 rows"]),
    "map value past 1000": ("[350, 300, 240, 180]", "[1350, 300, 240, 180]", "layers.body_load.map.front_left", ["row 1", "1350 permille", "-1000 to 1000"]),
    "misspelt mirror": ('front_right = "mirror"', 'front_right = "miror"', "layers.body_load.map.front_right", ["mirror"]),
    "past 16 bits": ('at = [0, 60, 140, 250] }, demand = { unit = "permille", at = [-60, 0, 40', 'at = [0, 60, 140, 2500] }, demand = { unit = "permille", at = [-60, 0, 40', "layers.road_speed.front.speed", ["point 4", "2500 km/h", "1179.6"]),
    "infinite": ('at = [0, 60, 140, 250] }, demand = { unit = "permille", at = [-60, 0, 40', 'at = [0, 60, 140, inf] }, demand = { unit = "permille", at = [-60, 0, 40', "layers.road_speed.front.speed", ["point 4", "number is wanted"]),
    "valve curve not monotonic": (CURVE, CURVE.replace("900", "1300"), "valves.front_left.curve.current", ["not monotonic", "1300 mA is followed by 1280 mA"]),
    "valve curve outside the limits": (CURVE, CURVE.replace("1600", "1700"), "valves.front_left.curve.current", ["1700 mA", "300 to 1600 mA"]),
    "safe current outside": ('safe = "800 mA"', 'safe = "1.7 A"', "valves.front_left.safe", ["1700 mA", "300 to 1600 mA"]),
    "least above most": ('least = "300 mA"', 'least = "1.7 A"', "valves.front_left.least", ["above most"]),
    "slew too small": ('slew_up = "80 A/s"', 'slew_up = "499 mA/s"', "valves.front_left.slew_up", ["1 mA a tick", "500 mA/s"]),
    "demand limits": ('front_left = { least = "50 permille"', 'front_left = { least = "1001 permille"', "limits.front_left.least", ["above the most", "1000 permille"]),
    "demand limits crossed": ('front_left = { least = "50 permille", most = "1000 permille" }', 'front_left = { least = "50 permille", most = "49 permille" }', "limits.front_left.least", ["above most"]),
    "ramp beyond the stop": ('start = "43 mm"', 'start = "55 mm"', "layers.stroke_end.front.compression.start", ["at or beyond stop"]),
    "period too short": ('period = "2 ms"', 'period = "990 us"', "timing.period", ["below the least", "1 ms"]),
    "period too long": ('period = "2 ms"', 'period = "0.01001 s"', "timing.period", ["above the most", "10 ms"]),
    "period not in tens": ('period = "2 ms"', 'period = "2.005 ms"', "timing.period", ["multiple of 10 us", "2000 us and 2010 us"]),
    "time too long for the period": ('authority_return = "2 s"', 'authority_return = "5 s"', "fail_safe.authority_return", ["2048 ms is the most"]),
    "bands crossed": ('low_medium = "50.8 mm/s"', 'low_medium = "160 mm/s"', "layers.stroke_speed.medium_high", ["above low_medium"]),
    "blend too wide": ('blend = "15 mm/s"', 'blend = "52 mm/s"', "layers.stroke_speed.blend", ["past a band", "50 mm/s"]),
    "no blend": ('blend = "15 mm/s"', 'blend = "0 mm/s"', "layers.stroke_speed.blend", ["below the least", "1 mm/s"]),
    "fade turned round": ('fade_to = "35 km/h"', 'fade_to = "20 km/h"', "layers.steer_lead.fade_to", ["above fade_from"]),
    "thresholds turned round": ('dry_above = "850 permille"', 'dry_above = "650 permille"', "layers.grip.dry_above", ["below wet_below"]),
    "alpha": ("stroke = { alpha = 0.4 }", "stroke = { alpha = 1.4 }", "filters.stroke.alpha", ["1.4", "to 1"]),
    "events": ("events = 3", "events = 2.5", "layers.grip.events", ["whole number"]),
    "no tracker of the road speed": ("road_speed = { alpha = 0.8 }\n", "", "filters.road_speed", ["missing"]),
    "match below least": ('match = "900 mA"', 'match = "200 mA"', "valves.front_left.match", ["200 mA", "300 to 1600 mA", "0 mA"]),
    "match above most": ('match = "900 mA"', 'match = "1601 mA"', "valves.front_left.match", ["1601 mA", "300 to 1600 mA"]),
    "derate below safe": ('derate = "1200 mA"', 'derate = "799 mA"', "valves.front_left.derate", ["799 mA", "800 to 1600 mA"]),
    "derate above most": ('derate = "1200 mA"', 'derate = "1.7 A"', "valves.front_left.derate", ["1700 mA", "800 to 1600 mA"]),
    "resistance of a wire": ('resistance = "2.2 ohm"', 'resistance = "99 mohm"', "valves.front_left.resistance", ["below the least", "0.1 ohm"]),
    "resistance in another unit": ('resistance = "2.2 ohm"', 'resistance = "2.2 mH"', "valves.front_left.resistance", ["'mH'", "ohm, mohm"]),
    "inductance": ('inductance = "12 mH"', 'inductance = "1.1 H"', "valves.front_left.inductance", ["above the most", "1000 mH"]),
    "axle spread": ('safe = "800 mA"', 'safe = "900 mA"', "fail_safe.axle_spread.front", ["99 mA", "900 mA left and 800 mA right"]),
    "expiry at the period": ('command_expiry = "20 ms"', 'command_expiry = "2 ms"', "fail_safe.command_expiry", ["tick period, 2 ms", "expired"]),
    "expiry too long": ('command_expiry = "20 ms"', 'command_expiry = "1.1 s"', "fail_safe.command_expiry", ["above the most", "1000 ms"]),
    "healing limit above": ('lateral = { limit = "0.3 g", heal_limit = "0.2 g"', 'lateral = { limit = "0.3 g", heal_limit = "0.31 g"', "checks.lateral.heal_limit", ["above limit", "heal at once"]),
    "healing limit of the steering": ('heal_limit = "0.45 g"', 'heal_limit = "0.56 g"', "checks.steer.heal_limit", ["above limit"]),
    "healing limit below": ('supply_low = { limit = "9 V", heal_limit = "9.5 V"', 'supply_low = { limit = "9 V", heal_limit = "8.9 V"', "board.supply_low.heal_limit", ["below limit", "heal at once"]),
    "healing limit of a high supply": ('heal_limit = "16 V"', 'heal_limit = "16.6 V"', "board.supply_high.heal_limit", ["above limit"]),
    "off before derated, low": ('supply_under = { limit = "6 V", heal_limit = "6.5 V"', 'supply_under = { limit = "9.1 V", heal_limit = "9.5 V"', "board.supply_under.limit", ["above that of supply_low"]),
    "off before derated, high": ('supply_over = { limit = "18 V", heal_limit = "17.5 V"', 'supply_over = { limit = "16 V", heal_limit = "15.5 V"', "board.supply_over.limit", ["below that of supply_high"]),
    "supplies crossed": ('supply_low = { limit = "9 V", heal_limit = "9.5 V"', 'supply_low = { limit = "16.5 V", heal_limit = "17 V"', "board.supply_high.limit", ["above that of supply_low"]),
    "limit in another unit": ('speed = { limit = "15 km/h"', 'speed = { limit = "15 g"', "checks.speed.limit", ["'g'", "km/h"]),
    "no limit": ('lateral = { limit = "0.3 g", heal_limit', "lateral = { heal_limit", "checks.lateral.limit", ["missing"]),
    "a limit where there is none": ("yaw = { trip", 'yaw = { limit = "1 g", trip', "checks.yaw.limit", ["unknown key", "trip"]),
    "trip that cannot be counted": ('driver_hot_off = { trip = "2 s"', 'driver_hot_off = { trip = "66 s"', "board.driver_hot_off.trip", ["32767 ticks", "65534 ms"]),
    "trip below half a tick": ('bus_off = { trip = "4 ms"', 'bus_off = { trip = "900 us"', "board.bus_off.trip", ["half a tick", "write 0"]),
    "heals": ('late_ticks = 3, heal = "1 s", heals = 3', 'late_ticks = 3, heal = "1 s", heals = 101', "board.overrun.heals", ["101", "0 to 100"]),
    "late ticks": ("late_ticks = 3", "late_ticks = 2.5", "board.overrun.late_ticks", ["whole number"]),
    "brake pressures crossed": ('low_pressure = "2 bar"', 'low_pressure = "31 bar"', "checks.brake.high_pressure", ["below low_pressure"]),
    "cross-checks at a standstill": ('from_speed = "30 km/h"', 'from_speed = "3 km/h"', "checks.from_speed", ["below the least", "3.6 km/h"]),
    "straight rate": ('straight_rate = "20 mm/s"', 'straight_rate = "0.01 mm/s"', "checks.stroke_offset.straight_rate", ["cannot be counted", "0.03125 to 500 mm/s"]),
    "roll": ('roll = { front = "49 mm"', 'roll = { front = "-49 mm"', "checks.stroke_roll.roll.front", ["below the least", "0 mm"]),
    "gain of the steering negative": ("at = [0, 15.5, 28.4", "at = [0, -15.5, 28.4", "checks.steer.yaw_gain.yaw_rate", ["point 2", "-15.5 deg/s"]),
    "response too fast": ('response = "6 ms"\nfree', 'response = "0 ms"\nfree', "current_control.response", ["too fast", "front_left", "1000 ms", "16 is the most"]),
    "response too long": ('response = "6 ms"', 'response = "1.1 s"', "current_control.response", ["above the most"]),
    "resistance band": ('low = "700 permille", high', 'low = "1701 permille", high', "coils.resistance.high", ["below low"]),
    "short at the most current": ('short = { limit = "2500 mA"', 'short = { limit = "1.6 A"', "coils.short.limit", ["most current", "1600 mA"]),
}  # fmt: skip


# What else has to be changed for the mistake to be the only one.
WITH_IT = {
    "axle spread": [('axle_spread = { front = "1200 mA"', 'axle_spread = { front = "99 mA"')],
    "response too fast": [('resistance = "2.2 ohm"', 'resistance = "100 mohm"'), ('inductance = "12 mH"', 'inductance = "100 mH"')],
}  # fmt: skip


@pytest.mark.parametrize("name", CALIBRATION_MISTAKES)
def test_a_mistake_in_a_calibration_is_named_with_its_place_and_remedy(name: str, tmp_path: Path) -> None:
    old, new, key, words = CALIBRATION_MISTAKES[name]
    text = edited("calibration.toml", *WITH_IT.get(name, ()), (old, new))
    finding = only([found for found in found_in(tmp_path, None, text) if found.severity == "error"])
    assert finding.key == key
    for word in words:
        assert word in finding.message
    assert finding.file.endswith("calibration.toml")
    # The line is that of the key, or of the table that lacks it.
    line = text.splitlines()[finding.line - 1]
    last = key.rpartition(".")[2]
    assert last in line or "[" in line or key.split(".")[-2] in line


def test_only_right_corners_over_a_symmetric_axis_are_mirrored(tmp_path: Path) -> None:
    left = re.sub(
        r"(?s)\nfront_left = \[.*?\n\]\n", '\nfront_left = "mirror"\n', edited("calibration.toml"), count=1
    )
    assert "only a right corner" in only(found_in(tmp_path, None, left)).message
    lopsided = edited(
        "calibration.toml", ("at = [-1.4, -0.7, 0, 0.7, 1.4]", "at = [-1.4, -0.7, 0, 0.7, 1.5]")
    )
    findings = found_in(tmp_path, None, lopsided)
    assert [found.key for found in findings] == [
        f"layers.body_load.map.{axle}_right" for axle in ("front", "rear")
    ]
    assert all("symmetric" in found.message for found in findings)


VEHICLE_MISTAKES = {
    "unknown key": ('sign_bit = "Steering.SteerSign"', 'sing_bit = "Steering.SteerSign"', "channels.steer_angle.sing_bit", ["unknown key", "sign_bit"]),
    "unknown channel": ("[channels.supply]", "[channels.suply]", "channels.suply", ["unknown key", "supply"]),
    "unknown corner": ("[channels.stroke.front_left]", "[channels.stroke.frontleft]", "channels.stroke.frontleft", ["unknown key", "front_left"]),
    "signal not in the DBC": ("Inertial.VertAccel", "Inertial.VertAcel", "channels.vertical.signal", ["'VertAcel'", "VertAccel"]),
    "message not in the DBC": ("Inertial.VertAccel", "Inertal.VertAccel", "channels.vertical.signal", ["'Inertal'", "merlin_t4.dbc", "Inertial"]),
    "signal without message": ('"Inertial.VertAccel"', '"VertAccel"', "channels.vertical.signal", ["Message.Signal", "Inertial.VertAccel"]),
    "signal mapped twice": ("Inertial.VertAccel", "Inertial.LongAccel", "channels.vertical.signal", ["channels.longitudinal already"]),
    "unit of another quantity": ("[channels.vertical]", '[channels.vertical]\nunit = "bar"', "channels.vertical.unit", ["'bar'", "m/s2"]),
    "signal of another quantity": ("Inertial.VertAccel", "Steering.SteerRate", "channels.vertical", ["'deg/s'", "unit = one of g"]),
    "sign": ("[channels.vertical]", "[channels.vertical]\nsign = 2", "channels.vertical.sign", ["1 and -1"]),
    "invalid code past the signal": ("invalid = 4095", "invalid = 4096", "channels.supply.signal", ["4096", "0 to 4095"]),
    "range turned round": ('range = ["0 V", "20.4 V"]', 'range = ["20.4 V", "0 V"]', "channels.supply.range", ["below the second"]),
    "range in another unit": ('range = ["0 V", "20.4 V"]', 'range = ["0 V", "20.4 A"]', "channels.supply.range", ["'A'", "V, mV"]),
    "range with one value": ('range = ["0 V", "20.4 V"]', 'range = ["0 V"]', "channels.supply.range", ["two are wanted"]),
    "range past the channel": ('range = ["0 V", "20.4 V"]', 'range = ["0 V", "33 V"]', "channels.supply.range", ["32.767 V"]),
    "rate in a wrong unit": ("[channels.vertical]", '[channels.vertical]\nrate = "3 bar"', "channels.vertical.rate", ["bar", "g"]),
    "rate that is none": ("[channels.vertical]", '[channels.vertical]\nrate = "0 g"', "channels.vertical.rate", ["0 g", "in one second"]),
    "rate past the channel": ("[channels.vertical]", '[channels.vertical]\nrate = "321 g"', "channels.vertical.rate", ["321 g", "320 g"]),
    "still in a wrong unit": ("[channels.vertical]", '[channels.vertical]\nstill = "3 g"', "channels.vertical.still", ["g", "ms"]),
    "timeout below the period": ("[channels.vertical]", '[channels.vertical]\ntimeout = "9 ms"', "channels.vertical.timeout", ["9 ms", "10 ms", "30 ms"]),
    "nothing instead": ('without = "13 V"\n', "", "channels.supply.without", ["missing"]),
    "speed x yaw rate for another": ('without = "0 g"', 'without = "speed x yaw rate"', "channels.vertical.without", ["channels.lateral only"]),
    "speed change for another": ('without = "speed x yaw rate"', 'without = "speed change"', "channels.lateral.without", ["channels.longitudinal only"]),
    "misspelt substitute": ('without = "speed x yaw rate"', 'without = "speed x yaw"', "channels.lateral.without", ["'speed x yaw'", '"safe"', '"speed x yaw rate"']),
    "odd instead": ('without = "13 V"', 'without = "sane"', "channels.supply.without", ["'sane'", '"safe"']),
    "sign bit of several bits": ("Steering.SteerSign", "Steering.SteerState", "channels.steer_angle.sign_bit", ["4 bits", "one bit"]),
    "counter not in the DBC": ('signal = "RoadSpeedCounter"', 'signal = "Counter"', "messages.Road_Speed.counter", ["'Counter'", "RoadSpeedCounter"]),
    "no counter for end-to-end": ('counter = { signal = "BrakeCounter", max_delta = 3 }\n', "", "messages.Brake_Pressures.counter", ["missing", "e2e_p1", "BrakeCounter"]),
    "counter too narrow": ('signal = "BrakeCounter"', 'signal = "BrakeLight"', "messages.Brake_Pressures.counter", ["1 bits", "4"]),
    "step past the counter": ('signal = "BrakeCounter", max_delta = 3', 'signal = "BrakeCounter", max_delta = 15', "messages.Brake_Pressures.counter", ["15", "below"]),
    "crc kind": ('kind = "h2f"', 'kind = "h2g"', "messages.Road_Speed.crc", ["'h2g'", "h2f"]),
    "crc without a place": ('kind = "h2f", signal = "RoadSpeedCrc"', 'kind = "h2f"', "messages.Road_Speed.crc", ["signal or by byte"]),
    "crc of 4 bits": ('signal = "RoadSpeedCrc"', 'signal = "RoadSpeedState"', "messages.Road_Speed.crc", ["4 bits", "8 bits"]),
    "crc byte outside": ('signal = "RoadSpeedCrc"', "byte = 4", "messages.Road_Speed.crc", ["byte 4", "4 bytes"]),
    "data id missing": (", data_id = 0x4D21", "", "messages.Brake_Pressures.crc", ["data_id is missing"]),
    "data ids too few": (" 0xAE,", "", "messages.Yaw_Rate.crc", ["15 ids", "16"]),
    "data id with a plain crc": ('kind = "h2f", signal', 'kind = "h2f", data_id = 3, signal', "messages.Road_Speed.crc", ["does not go with"]),
    "message not in the DBC, own table": ("[messages.Road_Speed]", '[messages.Road_Sped]\nperiod = "1 s"\n[messages.Road_Speed]', "messages.Road_Sped", ["'Road_Sped'", "Road_Speed"]),
    "DBC missing": ('dbc = ["merlin_t4.dbc"]', 'dbc = ["other.dbc"]', "dbc", ["other.dbc", "no such file"]),
    "DBC of another hash": ('dbc = ["merlin_t4.dbc"]', f'dbc = [{{ file = "merlin_t4.dbc", sha256 = "{"0" * 64}" }}]', "dbc", ["not the file", "000000"]),
    "no DBC": ('dbc = ["merlin_t4.dbc"]', "dbc = []", "dbc", ["at least one"]),
    "bit rate": ('bitrate = "500 kbit/s"', 'bitrate = "500 kB"', "bitrate", ["'kB'", "kbit/s"]),
}  # fmt: skip


@pytest.mark.parametrize("name", VEHICLE_MISTAKES)
def test_a_mistake_in_a_vehicle_is_named_with_its_place_and_remedy(name: str, tmp_path: Path) -> None:
    old, new, key, words = VEHICLE_MISTAKES[name]
    findings = found_in(tmp_path, edited("vehicle.toml", (old, new)), None)
    errors = [
        found for found in findings if found.severity == "error" and found.file.endswith("vehicle.toml")
    ]
    finding = only(errors)
    assert finding.key == key
    assert finding.line > 0
    for word in words:
        assert word in finding.message


def without_channel(name: str, following: str) -> str:
    demo = edited("vehicle.toml")
    return demo[: demo.index(f"[channels.{name}]")] + demo[demo.index(f"[channels.{following}]") :]


def test_a_substitute_needs_its_channels(tmp_path: Path) -> None:
    findings = found_in(tmp_path, without_channel("yaw_rate", "road_speed"), None)
    finding = only([found for found in findings if found.severity == "error"])
    assert finding.key == "channels.lateral.without"
    assert "needs channels.yaw_rate" in finding.message
    findings = found_in(tmp_path, without_channel("road_speed", "wheel_speed.front_left"), None)
    assert {found.key for found in findings if found.severity == "error"} >= {
        "channels.lateral.without", "channels.longitudinal.without",
    }  # fmt: skip


def test_a_check_that_never_compares_is_a_doubt(tmp_path: Path) -> None:
    text = without_channel("yaw_rate", "road_speed").replace(
        'without = "speed x yaw rate"', 'without = "safe"'
    )
    findings = [found for found in found_in(tmp_path, text, None) if found.file.endswith("calibration.toml")]
    assert {found.key for found in findings} == {
        f"checks.{name}.trip" for name in ("lateral", "yaw", "steer")
    }
    assert all(found.severity == "warning" and "yaw_rate" in found.message for found in findings)
    off = edited("calibration.toml", ('yaw = { trip = "200 ms"', 'yaw = { trip = "0 ms"'))
    assert "checks.yaw.trip" not in {found.key for found in found_in(tmp_path, text, off)}


def test_an_enabled_layer_needs_its_channels(tmp_path: Path) -> None:
    demo = edited("vehicle.toml")
    start = demo.index("[channels.brake_pressure]")
    without_brake = demo[:start] + demo[demo.index("[channels.steer_angle]") :]
    findings = [found for found in found_in(tmp_path, without_brake, None) if found.severity == "error"]
    assert {found.key for found in findings} == {
        f"layers.{n}.enabled" for n in ("brake_lead", "stroke_speed", "grip")
    }
    assert all("brake_pressure" in found.message and "enabled = false" in found.message for found in findings)
    off = edited("calibration.toml")
    for layer in ("brake_lead", "stroke_speed", "grip"):
        at = off.index(f"[layers.{layer}]")
        off = off[:at] + off[at:].replace("enabled = true", "enabled = false", 1)
    assert [found for found in found_in(tmp_path, without_brake, off) if found.severity == "error"] == []


def test_a_timeout_below_the_tick_period_is_refused(tmp_path: Path) -> None:
    slow = edited(
        "calibration.toml",
        ('period = "2 ms"', 'period = "10 ms"'),
        ('slew_up = "80 A/s"', 'slew_up = "81 A/s"'),
    )
    keys = {found.key for found in found_in(tmp_path, None, slow) if found.severity == "error"}
    # Strokes come each 2 ms: three periods are 6 ms.
    assert {f"channels.stroke.{corner}.timeout" for corner in ("front_left", "rear_right")} <= keys


def test_all_mistakes_of_both_files_are_reported_at_once(tmp_path: Path) -> None:
    numbers = edited(
        "calibration.toml",
        ('decay = "180 ms"', 'decay = "180 mm"'),
        ('safe = "800 mA"', 'safe = "1.7 A"'),
        ('peak = "120 permille"', 'peek = "120 permille"'),
        ("[350, 300, 240, 180]", "[350, 300, 240]"),
        ('slew_down = "60 A/s"', 'slew_down = "60 mA/s"'),
    )
    vehicle = edited(
        "vehicle.toml",
        ("Inertial.VertAccel", "Inertial.VertAcel"),
        ("0xAE,", ""),
        ('without = "13 V"', "wihtout = 3"),
    )
    keys = {found.key for found in found_in(tmp_path, vehicle, numbers)}
    assert keys >= {
        "layers.brake_lead.decay", "valves.front_left.safe", "layers.steer_lead.peek", "layers.body_load.map.front_left",
        "valves.front_left.slew_down", "channels.vertical.signal", "messages.Yaw_Rate.crc", "channels.supply.wihtout",
    }  # fmt: skip
    with pytest.raises(MistakesError) as caught:
        calibration.load_calibration(tmp_path / "calibration.toml")
    assert caught.value.exit_code == 2
    assert "mistakes" in str(caught.value)
    assert caught.value.detail is not None
    assert caught.value.detail.count("\n") + 1 == len(caught.value.findings) >= 5


def test_a_stand_in_makes_no_finding_of_its_own(tmp_path: Path) -> None:
    """Where a key is wrong, the checks that rest on it stay silent."""
    text = edited(
        "calibration.toml", ('least = "300 mA"', 'least = "300 mm"'), ('safe = "800 mA"', 'safe = "250 mA"')
    )
    findings = found_in(tmp_path, None, text)
    assert [found.key for found in findings if found.severity == "error"] == ["valves.front_left.least"]


@pytest.mark.parametrize(
    ("old", "new", "key", "word"),
    [
        (CURVE, CURVE.replace("320, 560, 900, 1280, 1600", "700, 750, 800, 850, 900"), "valves.front_left.curve", "authority"),
        ('front_left = { least = "50 permille", most = "1000 permille" }', 'front_left = { least = "400 permille", most = "500 permille" }', "layers.brake_lead.front.peak", "demand limits of front_left"),
        ('safe = "800 mA"', 'safe = "900 mA"', "valves.front_right.safe", "firmer on one side"),
        ('authority_return = "2 s"', 'authority_return = "1500 ms"', "fail_safe.authority_return", "2048 ms"),
        ('at = [0, 5, 15, 40] }, demand = { unit = "permille", at = [0, 20', 'at = [0, 5, 15, 40] }, demand = { unit = "permille", at = [5, 20', "layers.brake_lead.front.map.demand", "begin with 0"),
        ('tracking = { limit = "100 permille", least = "50 mA", trip = "30 ms"', 'tracking = { limit = "100 permille", least = "50 mA", trip = "28 ms"', "coils.tracking.trip", "5 response times, 30 ms"),
        ('yaw = { trip = "200 ms", heal = "2 s"', 'yaw = { trip = "200 ms", heal = "198 ms"', "checks.yaw.heal", "slower than tripping"),
        ('command_expiry = "20 ms"', 'command_expiry = "3 ms"', "fail_safe.command_expiry", "two tick periods"),
        ('from_current = "100 mA"', 'from_current = "301 mA"', "coils.open.from_current", "300 mA"),
        ('match = "900 mA"', 'match = "0 mA"', "valves.front_right.match", "900 mA, but 0 mA on the left"),
        ("[current_control]\nenabled = true", "[current_control]\nenabled = false", "current_control.enabled", "not watched"),
        ('response = "6 ms"', 'response = "1 ms"', "current_control.response", "shorter than the tick period"),
        ('inductance = "12 mH"', 'inductance = "60 mH"', "current_control.response", "8 ohm"),
    ],
    ids=[
        "authority", "lead past the limits", "uneven safe currents", "coarse time", "lead at rest", "hasty tracking",
        "hasty healing", "hasty expiry", "open coil unseen", "one side off", "coils unwatched", "hasty response", "gain",
    ],
)  # fmt: skip
def test_doubts_are_warnings_and_do_not_stop_the_packing(
    old: str, new: str, key: str, word: str, tmp_path: Path
) -> None:
    findings = found_in(tmp_path, None, edited("calibration.toml", (old, new)))
    assert all(found.severity == "warning" for found in findings)
    assert key in {found.key for found in findings}
    assert word in next(found.message for found in findings if found.key == key)
    vehicle, numbers, doubts = calibration.load_pair(tmp_path / "vehicle.toml", tmp_path / "calibration.toml")
    assert doubts == findings
    calibration.pack(vehicle, numbers, layout())


@pytest.mark.parametrize(
    ("signals", "keys", "words"),
    [
        ([Made("A", 0, 32, unit="mm")], "", ["floating-point"]),
        ([Made("A", 0, 40, unit="mm")], "", ["40 bits", "1 to 32"]),
        ([Made("A", 56, 16, unit="mm")], "", ["does not fit the 8 bytes"]),
        ([Made("A", 0, 16, unit="mm", scale="0")], "", ["scale 0"]),
        ([Made("A", 0, 16, unit="mm")], "", ["range is missing"]),
        ([Made("A", 0, 8, unit="mm", offset="4000", bounds="[0|1]")], 'range = ["0 mm", "9 mm"]', ["lies in the range"]),
        ([Made("A", 0, 15, unit="mm"), Made("S", 15, 1)], 'range = ["-9 m", "9 m"]\nsign_bit = "S"\ninvalid = 5', ["wider than"]),
        ([Made("A", 0, 15, unit="mm"), Made("S", 15, 1)], 'range = ["-9 mm", "9 mm"]\nsign_bit = "S"\ninvalid = 5', ["invalid code 5", "both sides"]),
        ([Made("A", 0, 15, unit="mm", offset="1"), Made("S", 15, 1)], 'range = ["-9 mm", "9 mm"]\nsign_bit = "S"', ["offset"]),
    ],
    ids=["float", "too long", "outside", "scale 0", "no range", "never in range", "wide", "invalid with sign", "sign with offset"],
)  # fmt: skip
def test_signals_that_cannot_be_read_are_refused_in_words(
    signals: list[Made], keys: str, words: list[str], tmp_path: Path
) -> None:
    tail = "SIG_VALTYPE_ 291 A : 1;\n" if words == ["floating-point"] else ""
    write_dbc(tmp_path, *signals, tail=tail)
    if words[0] in ("floating-point", "40 bits", "does not fit the 8 bytes", "scale 0"):
        keys = 'range = ["0 mm", "9 mm"]'
    text = vehicle_text(stroke__front_left=f'signal = "Frame.A"\nwithout = "safe"\n{keys}')
    finding = next(found for found in found_in(tmp_path, text, None) if found.file.endswith("vehicle.toml"))
    for word in words:
        assert word in finding.message


def test_nested_multiplexing_is_refused_in_words(tmp_path: Path) -> None:
    write_dbc(
        tmp_path,
        Made("Outer", 0, 8, mux="M"),
        Made("Inner", 8, 8, mux="m1M"),
        Made("A", 16, 8, unit="mm", mux="m2"),
        tail="SG_MUL_VAL_ 291 Inner Outer 1-1;\nSG_MUL_VAL_ 291 A Inner 2-2;\n",
    )
    text = vehicle_text(stroke__front_left='signal = "Frame.A"\nwithout = "safe"\nrange = ["0 mm", "9 mm"]')
    finding = next(found for found in found_in(tmp_path, text, None) if found.key == "messages.Frame")
    assert "Inner is itself multiplexed by Outer" in finding.message


def test_a_dbc_that_is_not_quite_right_is_read_with_a_warning(tmp_path: Path) -> None:
    """Seen in files from the field: a comment without its object, an extended id without its mark."""
    path = write_dbc(
        tmp_path,
        Made("A", 0, 8, unit="mm"),
        tail='CM_ 291 "lost";\n\nBO_ 506855454 Odd: 1 Car\n SG_ B : 0|8@1+ (1,0) [0|0] "" Other\n',
    )
    text = vehicle_text(stroke__front_left='signal = "Frame.A"\nwithout = "safe"\nrange = ["0 mm", "9 mm"]')
    findings = [found for found in found_in(tmp_path, text, None) if found.file.endswith("vehicle.toml")]
    assert only(findings).severity == "warning"
    assert "read without comments" in findings[0].message
    path.write_text("rubbish\n", encoding="ascii")
    finding = only(
        [
            f
            for f in found_in(tmp_path, text, None)
            if f.file.endswith("vehicle.toml") and f.severity == "error"
        ]
    )
    assert "not a DBC file" in finding.message


def test_a_table_that_no_channel_reads_is_a_doubt(tmp_path: Path) -> None:
    text = edited(
        "vehicle.toml", ("[channels.lateral]", '[messages.Lap_Beacon]\nperiod = "1 s"\n\n[channels.lateral]')
    )
    finding = only(found_in(tmp_path, text, None))
    assert (finding.severity, finding.key) == ("warning", "messages.Lap_Beacon")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a = \n", ["not TOML", "line 1"]),
        (b"[timing\nperiod = 1\n", ["not TOML"]),
        (b"\xff\xfe", ["UTF-8"]),
        (b"", ["missing"]),
        (b"a = 1\na = 2\n", ["not TOML"]),
    ],
    ids=["syntax", "header", "binary", "empty", "twice"],
)
def test_files_that_are_no_toml(content: bytes, words: list[str], tmp_path: Path) -> None:
    path = tmp_path / "calibration.toml"
    path.write_bytes(content)
    with pytest.raises(InputError) as caught:
        calibration.load_calibration(path)
    for word in words:
        assert word in f"{caught.value} {caught.value.detail}"


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml: cannot be read"):
        calibration.load_calibration(tmp_path / "nowhere.toml")


def test_lines_of_keys_past_strings_lists_and_comments() -> None:
    text = 'a = 1 # b = 2\n[t] # x\nlist = [\n  "k = 1",\n  { m = 2 },\n]\nlong = """\nno = 1\n"""\n[t.u]\n"q r".s = 3\nz=4\n'
    assert key_lines(text) == {
        "a": 1,
        "t": 2,
        "t.list": 3,
        "t.long": 7,
        "t.u": 10,
        "t.u.q r.s": 11,
        "t.u.z": 12,
    }


def test_check_finds_the_same_on_loaded_files() -> None:
    assert calibration.check(demo_vehicle(), demo_calibration()) == []


def test_values_in_other_units_give_the_same_words() -> None:
    """Factors [S]: g CGPM 1901; psi, mph and inch NIST SP 811."""
    other = edited(
        "calibration.toml",
        ('ask_pressure = "30 bar"', 'ask_pressure = "435.1131 psi"'),
        ('dry_reference = "1.3 g"', 'dry_reference = "12.748645 m/s^2"'),
        ('fade_from = "20 km/h"', 'fade_from = "12.427424 mph"'),
        ('low_medium = "50.8 mm/s"', 'low_medium = "2 in/s"'),
        ('start = "43 mm"', 'start = "1.6929134 in"'),
        ('safe = "800 mA"', 'safe = "0.8 A"'),
        ('peak = "120 permille"', 'peak = "12 %"'),
        ('period = "2 ms"', 'period = "2000 us"'),
        ('slew_up = "80 A/s"', 'slew_up = "80 mA/ms"'),
        ('front_outer = "40 permille/(100 deg/s)"', 'front_outer = "0.4 permille/(deg/s)"'),
    )
    document = Document("other", None, other)
    numbers, findings, _ = calibration.read_calibration(document)
    assert findings == []
    assert numbers is not None
    one, two = (calibration.pack(None, numbers, layout()) for numbers in (demo_calibration(), numbers))
    assert one.words == two.words


def test_the_demo_maps_every_channel() -> None:
    assert [channel.index for channel in demo_vehicle().channels] == list(range(len(layout().channels)))
    assert DEMO.name == "data"


JUNK: list[Any] = [
    0, -1, 10**30, Decimal("1.5"), Decimal("nan"), Decimal("-inf"), True, "", "x", "1 mm", "-5 bar", "0 ms", "mirror", [],
    {}, [1], ["a"], [[1]], {"unit": "g"}, {"unit": "bar", "at": [1, 2, 3]}, {"at": [True]}, {"unit": 3, "at": 3}, "a.b", ".",
    "safe", {"low": 1}, [[]],
]  # fmt: skip


def spoilt(data: dict[str, Any], chance: random.Random) -> dict[str, Any]:
    """A document with some values dropped or exchanged for rubbish, and some keys too many."""
    tables: list[dict[str, Any]] = [copy.deepcopy(data)]
    for table in tables:
        tables += [value for value in table.values() if isinstance(value, dict)]
    for _ in range(chance.randint(1, 4)):
        table = chance.choice([table for table in tables if table])
        key = chance.choice([*table, "odd"])
        if chance.random() < 0.2:
            table.pop(key, None)
        else:
            table[key] = copy.deepcopy(chance.choice(JUNK))
    return tables[0]


@pytest.mark.parametrize("seed", range(4))
def test_rubbish_in_any_place_is_found_and_nothing_raises(seed: int) -> None:
    chance = random.Random(seed)
    vehicle_document = Document("vehicle.toml", None, edited("vehicle.toml"))
    numbers_document = Document("calibration.toml", None, edited("calibration.toml"))
    right = (vehicle_document.data, numbers_document.data)
    spoilt_files = 0
    for _ in range(40):
        vehicle_document.data, numbers_document.data = (spoilt(data, chance) for data in right)
        vehicle, found = calibration.read_vehicle(vehicle_document)
        numbers, more, _ = calibration.read_calibration(numbers_document)
        found += [*more, *calibration.check(vehicle, numbers)]
        if any(finding.severity == "error" for finding in found):
            spoilt_files += 1
            continue
        # What has no mistake packs to an image that is taken.
        assert vehicle is not None
        assert numbers is not None
        calibration.read_image(calibration.pack(vehicle, numbers, layout()).to_bytes(), layout())
    assert spoilt_files > 20
