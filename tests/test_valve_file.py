"""The valve file: what is read, written, refused, and what the plant makes of it.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashpot.calibration.findings import Document
from dashpot.errors import InputError
from dashpot.plant.car import demo_car
from dashpot.plant.valve_file import (
    Direction,
    Response,
    demo_valves,
    load_valve,
    read_valve,
    valve_text,
    write_valve,
)

DATA = Path(__file__).resolve().parent.parent / "bench" / "dashpot" / "plant" / "data"
FRONT = (DATA / "merlin_t4_front_valve.toml").read_text(encoding="utf-8")


def said_of(text: str) -> str:
    with pytest.raises(InputError) as failure:
        read_valve(Document("valve.toml", None, text))
    return f"{failure.value} {failure.value.detail or ''}"


def changed(pattern: str, new: str, count: int = 1) -> str:
    text, found = re.subn(pattern, new, FRONT, count=count, flags=re.MULTILINE)
    assert found
    return text


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    front, rear = demo_valves()
    for valve in (front, rear, replace(rear, notes='a "quote",\na line', evidence=(("gas force", "±3 N"),))):
        path = tmp_path / "valve.toml"
        write_valve(path, valve)
        assert load_valve(path) == valve
        assert valve_text(load_valve(path)) == path.read_text(encoding="utf-8")


def test_units_are_converted() -> None:
    # 1 lbf = 4.4482216152605 N, 1 in = 25.4 mm: NIST SP 811 [S].
    text = changed(r'^gas_force = "190 N"', 'gas_force = "10 lbf"')
    text = text.replace(
        'unit = "mm/s", at = [0, 25, 50, 100, 200, 350, 500, 800, 1200]',
        'unit = "in/s", at = [0, 1, 2, 4, 8, 14, 20, 32, 48]',
        1,
    )
    text = text.replace('unit = "mA", at = [300, 500, 700, 900, 1100, 1350, 1600]',
                        'unit = "A", at = [0.3, 0.5, 0.7, 0.9, 1.1, 1.35, 1.6]', 1)  # fmt: skip
    valve = read_valve(Document("valve.toml", None, text))
    assert valve.gas_force_n == pytest.approx(44.482216152605, rel=1e-12)
    assert valve.compression.speed_m_s[1:3] == pytest.approx((0.0254, 0.0508), rel=1e-12)
    assert valve.compression.current_a == valve.rebound.current_a


def test_the_demo_valves_do_what_the_demo_calibration_says() -> None:
    # bench/dashpot/demo/data/calibration.toml: a front valve falls to a passive stage as firm as 900 mA, a rear one
    # to a stage firmer than any current that can be held [D].
    front, rear = demo_valves()
    speed = np.array([-1.2, -0.3, -0.05, 0.05, 0.3, 1.2])
    assert front.passive_n(speed) == pytest.approx(front.force_n(speed, 0.9), rel=1e-9)
    currents = np.linspace(0.3, 1.6, 27)[:, None]
    assert (np.abs(rear.passive_n(speed)) > np.abs(rear.force_n(speed, currents))).all()
    for valve in (front, rear):
        assert valve.firmer_with_current
        assert (np.diff(np.abs(valve.force_n(speed, currents)), axis=0) > 0.0).all()


def test_the_demo_valves_damp_heave_from_soft_to_firm() -> None:
    # zeta = c_d MR^2 / (2 sqrt(k_w m)) of each corner, k_w = MR^2 k_s [X]; 0.2 to 0.9 are the car's span [D]; race
    # dampers lie at 0.5 to 0.7 at low stroke speed, falling above it [C].
    car = demo_car()
    for axle, sprung_kg, valve in zip(car.axles, car.axle_sprung_kg, demo_valves(), strict=True):
        ratio = axle.motion_ratio.ratio[0]
        critical = 2.0 * math.sqrt(ratio**2 * axle.spring_n_per_m * sprung_kg / 2.0)

        def zeta(speed, current, valve=valve, ratio=ratio, critical=critical):
            return valve.damper().damping_n_s_per_m(speed, current) * ratio**2 / critical

        assert zeta(0.1, 0.3) == pytest.approx(0.2, abs=0.02)
        assert zeta(0.1, 1.6) == pytest.approx(0.9, abs=0.03)
        assert 0.45 < zeta(0.1, 0.8) < 0.55
        for current in (0.3, 0.8, 1.6):
            assert zeta(0.05, current) > zeta(0.1, current) > zeta(0.4, current)


def test_the_jump_lies_between_the_passive_stage_and_the_least_current() -> None:
    front, _ = demo_valves()
    passive, least = float(front.passive_n(0.2)), float(front.force_n(0.2, 0.3))
    assert float(front.force_n(0.2, 0.21)) == passive == pytest.approx(685.0)
    assert float(front.force_n(0.2, 0.255)) == pytest.approx((passive + least) / 2.0)
    without = replace(front, passive_below_a=0.0)
    assert float(without.force_n(0.2, 0.15)) == pytest.approx((passive + least) / 2.0)
    # A valve that can be held at 0 A has no jump.
    part = Direction((0.0, 1.0), (0.0, 1.0), ((0.0, 100.0), (0.0, 300.0)), (0.0, 100.0), "linear")
    assert part.whole(0.0) == part.held()
    assert part.passive().force_at(0.5, 0.7) == pytest.approx(50.0)


def test_plant_parts_keep_the_waits_the_gas_and_the_coil() -> None:
    front, _ = demo_valves()
    valve = replace(front, up=Response(0.004, 0.006), down=Response(0.001, 0.009))
    made = valve.damper()
    assert made.valve.dead_s + made.valve.rise_s == pytest.approx(0.010)
    assert made.valve.dead_s + made.valve.fall_s == pytest.approx(0.010)
    assert made.valve.dead_s == 0.001
    assert made.gas.rate_n_per_m == pytest.approx(valve.gas_rate_n_per_m)
    still = replace(valve, gas_rate_n_per_m=0.0).damper().gas
    assert still.at(np.array([-0.05, 0.0, 0.05])) == pytest.approx([valve.gas_force_n] * 3, rel=1e-6)
    # Copper, IEC 60028 [S]: 2.2 ohm becomes 3.32 ohm at 150 C (domain notes, section 2 [X]).
    assert valve.coil(150.0).warm_ohm == pytest.approx(3.32, abs=0.005)
    assert valve.coil().warm_ohm == 2.2


@pytest.mark.parametrize(
    ("pattern", "new", "said"),
    [
        (r"^safe = .*$", 'safe = "200 mA"', "currents.safe: is outside least to most"),
        (r"^safe = ", "save = ", "did you mean safe?"),
        (r'^least = "300 mA"', 'least = "300"', "a number without a unit of current"),
        (r'^least = "300 mA"', 'least = "1700 mA"', "currents.least: is not below most"),
        (r'^least = "300 mA"', 'least = "350 mA"', "compression.current: spans 300 to 1600 mA; it must span least to most, 350"),
        (r'^passive_below = "210 mA"', 'passive_below = "300 mA"', "is not below least"),
        (r'^with_current = "firmer"', 'with_current = "softer"', "between 300 and 500 mA the force at 1200 mm/s goes from 810 to 1230 N"),
        (r"^    \[   0,   40,", "    [   0,   99,", "row 1: falls from 99 to 80 as the speed rises"),
        (r"^    \[   0,   40,", "    [   3,   40,", "row 1: the force at speed 0 is 3; it must be 0"),
        (r"^    \[   0,   40,", "    [   0, ", "row 1: has 8 forces; one for each of 9 speeds"),
        (r"^    \[   0,   40,.*\n", "", "has 6 rows; one for each of 7 currents"),
        (r"^passive = \[0, 115, ", "passive = [0, ", "compression.passive: has 8 forces"),
        (r"^    \[   0,   40,", '    [   0,   "40",', "row 1: point 2 is '40'; a number is wanted"),
        (r"at = \[0, 25, 50,", "at = [0, 50, 25,", "is not rising: point 3 is 25 after 50"),
        (r"at = \[0, 25, 50,", "at = [5, 25, 50,", "compression.speed: does not begin with 0"),
        (r"at = \[300, 500, 700,", "at = [300, 500, 9000,", "point 3 is 9000 mA; it must lie within 0 to 5000 mA"),
        (r'^unit = "N"', 'unit = "kg"', "'kg' is not a unit of force; right are N, kN, lbf"),
        (r'^resistance = "2.2 ohm"', 'resistance = "2.2 mohm"', "below the least"),
        (r'^shape = "monotone"', 'shape = "cubic"', "shape"),
    ],
)  # fmt: skip
def test_mistakes_are_named(pattern: str, new: str, said: str) -> None:
    assert said in said_of(changed(pattern, new))


def test_all_mistakes_come_at_once_with_their_lines() -> None:
    text = changed(r"^safe = .*$", 'safe = "200 mA"')
    text = re.sub(r'^friction = "38 N"', 'friction = "38 kg"', text, flags=re.MULTILINE)
    said = said_of(text)
    assert "2 mistakes" in said
    for key, line in (("currents.safe", "safe ="), ("rod.friction", "friction =")):
        number = next(i for i, row in enumerate(text.splitlines(), 1) if row.startswith(line))
        assert f"valve.toml:{number}: {key}" in said


def test_a_valve_held_at_no_current_has_no_other_passive_stage() -> None:
    text = FRONT.replace('least = "300 mA"', 'least = "0 mA"').replace("at = [300, 500", "at = [0, 500")
    said = said_of(text)
    assert 'there is no passive stage below a least current of 0; write "0 mA"' in said
    assert "differs from the forces at 0 mA" in said
