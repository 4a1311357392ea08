"""Every planted mistake is found and named, and nothing else is; the clean drive gives no alarm.

Mistakes are planted in the demo lap's channels, whose truth is known. Marks as in the domain notes.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
import scipy.stats

from dashpot.calibration import load_calibration, load_vehicle
from dashpot.calibration.model import CORNERS
from dashpot.logs import open_log
from dashpot.resources import demo_dir
from dashpot.suggest.culprit import judge
from dashpot.suggest.gather import Gatherer
from dashpot.suggest.relations import crossed, relations, roll_gradient
from dashpot.suggest.robust import clipped_correlation, scale_between
from dashpot.suggest.table import Table
from demo_data import demo_log

G = 9.80665
WHEELS = tuple(f"wheel_speed.{corner}" for corner in CORNERS)
STROKES = tuple(f"stroke.{corner}" for corner in CORNERS)
FL, FR, RL, RR = STROKES


@cache
def drive():
    """Table, unit of each column, and unit of each signal in the vehicle file."""
    vehicle = load_vehicle(demo_dir() / "data" / "vehicle.toml")
    gatherer = Gatherer(open_log(demo_log()), vehicle)
    table = Table(list(gatherer.units))
    for piece in gatherer:
        table.add(piece)
    signals = {source.name: source.unit for source in vehicle.channels if source.name in gatherer.units}
    return table.arrays(), gatherer.units, signals


def planted(factors=None, swaps=(), units=None):
    """The verdict on the drive with channels wrong by a factor or standing for each other."""
    arrays, shown, signals = drive()
    made = dict(arrays)
    for name, factor in (factors or {}).items():
        made[name] = arrays[name] * factor
        if name == "road_speed":
            made["speed_change"] = arrays["speed_change"] * factor
    for one, other in swaps:
        made[one], made[other] = arrays[other], arrays[one]
    return judge(relations(made, shown), {**signals, **(units or {})})


def named(verdict):
    return [(mistake.kind, set(mistake.channels), mistake.unit) for mistake in verdict.mistakes]


def test_the_clean_drive_gives_no_alarm():
    arrays, shown, _ = drive()
    found = relations(arrays, shown)
    assert all(one.known and not one.missing and not one.astray for one in found)
    assert planted().off == ()
    assert not crossed(arrays, shown)


def test_slopes_are_those_of_the_demo_car():
    """Track 1.52 m, ratio 13.5, wheelbase 2.58 m, understeer 0.0026, 6.4 bar per m/s2, as its files have them [D]."""
    arrays, shown, _ = drive()
    by_name = {one.name: one for one in relations(arrays, shown)}
    assert by_name["wheels_yaw.front"].scale.slope == pytest.approx(1.52, rel=0.03)
    fit = by_name["steer"].extra
    assert fit["ratio_x_wheelbase_m"] == pytest.approx(13.5 * 2.58, rel=0.03)
    assert fit["ratio_x_understeer_s2_m"] == pytest.approx(13.5 * 0.0026, rel=0.15)
    assert by_name["brake"].scale.slope == pytest.approx(6.4 * G, rel=0.06)
    for name in ("longitudinal", "lateral"):
        scale = by_name[name].scale
        assert scale.slope == pytest.approx(1.0, abs=0.02)
        assert scale.low <= scale.slope <= scale.high
    roll = load_calibration(demo_dir() / "data" / "calibration.toml").checks.stroke_roll.roll
    for axle in ("front", "rear"):
        assert roll_gradient(arrays, axle).slope == pytest.approx(float(getattr(roll, axle)) * 1e-3, rel=0.06)


@pytest.mark.parametrize(
    "name", ["lateral", "longitudinal", "brake_pressure", "steer_angle", "yaw_rate", FL, RR]
)
def test_a_wrong_sign(name):
    assert named(planted({name: -1.0})) == [("sign", {name}, "")]


@pytest.mark.parametrize(
    ("name", "taken", "true", "factor"),
    [
        # factor: what a value is too large by, when `true` is read as `taken` [X]
        ("lateral", "m/s2", "g", 1 / G),
        ("road_speed", "m/s", "km/h", 3.6),
        ("road_speed", "km/h", "m/s", 1 / 3.6),
        ("road_speed", "km/h", "mph", 1 / 1.609344),
        ("brake_pressure", "bar", "kPa", 100.0),
        ("brake_pressure", "bar", "psi", 14.5038),
        ("steer_angle", "deg", "rad", np.pi / 180),
        ("yaw_rate", "rad/s", "deg/s", 180 / np.pi),
        (FL, "mm", "in", 1 / 25.4),
        (WHEELS[2], "m/s", "km/h", 3.6),
    ],
)
def test_a_wrong_unit(name, taken, true, factor):
    assert named(planted({name: factor}, units={name: taken})) == [("unit", {name}, true)]


def test_a_wrong_unit_and_sign():
    assert named(planted({"lateral": -1 / G})) == [("sign and unit", {"lateral"}, "g")]


def test_both_accelerations_in_g():
    verdict = planted({"lateral": 1 / G, "longitudinal": 1 / G})
    assert named(verdict) == [("unit", {"lateral", "longitudinal"}, "g")]


@pytest.mark.parametrize(
    "swaps",
    [
        [(FL, FR)], [(RL, RR)], [(FL, FR), (RL, RR)], [(FL, RL), (FR, RR)], [(FL, RR)],
        [(WHEELS[0], WHEELS[1])], [(WHEELS[0], WHEELS[1]), (WHEELS[2], WHEELS[3])],
    ],
)  # fmt: skip
def test_swapped_corners(swaps):
    verdict = planted(swaps=swaps)
    assert named(verdict) == [("swap", {name for pair in swaps for name in pair}, "")]
    for one, other in swaps:
        assert verdict.mistakes[0].partner(one) == other
        assert verdict.mistakes[0].partner(other) == one


def test_swapped_accelerations():
    arrays, shown, _ = drive()
    made = {**arrays, "lateral": arrays["longitudinal"], "longitudinal": -arrays["lateral"]}
    assert crossed(made, shown)
    # What such accelerations say of the strokes is no evidence against the strokes.
    assert planted(swaps=[("lateral", "longitudinal")]).off == ()


def test_a_scale_that_no_unit_explains():
    verdict = planted({WHEELS[2]: 1.12})
    assert named(verdict) == [("scale", {WHEELS[2]}, "")]
    assert verdict.mistakes[0].factor == pytest.approx(1.12, rel=0.02)


def test_two_mistakes_at_once():
    verdict = planted({"yaw_rate": -1.0, RL: -1.0})
    assert sorted(named(verdict)) == [("sign", {"yaw_rate"}, ""), ("sign", {RL}, "")]


def test_what_the_log_does_not_decide_stays_open():
    """Lateral acceleration against speed x yaw rate alone cannot say which of the two is wrong."""
    verdict = planted({"lateral": 1.2})
    assert verdict.mistakes == ()
    assert {some[0].channels for some in verdict.candidates} == {("lateral",), ("yaw_rate",)}


def test_a_signal_of_something_else_does_not_follow():
    arrays, shown, signals = drive()
    noise = np.random.default_rng(1).normal(0.0, 0.5, len(arrays["time_s"]))
    found = {one.name: one for one in relations({**arrays, "lateral": noise}, shown)}
    assert found["lateral"].astray
    assert judge(found.values(), signals).off == ()


def test_too_short_a_drive_says_what_is_wanting():
    arrays, shown, _ = drive()
    still = {name: column[:14] for name, column in arrays.items()}
    for one in relations(still, shown):
        assert not one.known
        assert one.missing, one.name
        assert "needs" in one.missing or "once" in one.missing
    unmapped = {name: unit for name, unit in shown.items() if name not in ("road_speed", "lateral")}
    said = {
        one.name: one.missing
        for one in relations({n: a for n, a in arrays.items() if n in unmapped or n == "time_s"}, unmapped)
    }
    assert "needs lateral and road_speed" in said["lateral"]
    assert said["brake"] == ""


# --- the fit ---------------------------------------------------------------------------------------------


def test_theil_sen_is_scipys_without_noise_in_x():
    """scipy.stats.theilslopes of y on x. [S scipy; Sen 1968]"""
    rng = np.random.default_rng(1)
    x = rng.uniform(-1.0, 1.0, 300)
    y = 2.5 * x + 0.3 + rng.normal(0.0, 0.01, 300)
    y[::17] += 40.0
    found = scale_between(x, y)
    reference = scipy.stats.theilslopes(y, x)
    assert found.slope == pytest.approx(reference.slope, rel=0.02)
    assert found.slope == pytest.approx(2.5, rel=0.02)
    assert found.intercept == pytest.approx(0.3, abs=0.01)
    assert found.low < 2.5 < found.high


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_noise_in_both_does_not_pull_the_slope(sign):
    """A plain slope of y on x is too small by 1 / (1 + noise^2 / signal^2), here 0.8 [X]; the geometric mean is not."""
    rng = np.random.default_rng(2)
    truth = rng.normal(0.0, 1.0, 400)
    x, y = truth + rng.normal(0.0, 0.5, 400), sign * (truth + rng.normal(0.0, 0.5, 400))
    assert abs(scipy.stats.theilslopes(y, x).slope) < 0.85
    found = scale_between(x, y)
    assert found.slope == pytest.approx(sign, rel=0.05)
    assert found.low < sign < found.high


def test_a_mostly_straight_drive_keeps_its_slope():
    rng = np.random.default_rng(3)
    x = np.where(np.arange(4000) % 40 < 2, rng.uniform(-0.5, 0.5, 4000), 0.0) + rng.normal(0.0, 0.01, 4000)
    found = scale_between(x, 3.0 * x + rng.normal(0.0, 0.03, 4000))
    assert found.slope == pytest.approx(3.0, rel=0.05)
    assert found.correlation > 0.9


def test_what_cannot_be_fitted():
    line = np.linspace(0.0, 1.0, 50)
    assert scale_between(line[:19], line[:19]) is None
    assert scale_between(line, np.ones(50)) is None
    assert scale_between(line, np.full(50, np.nan)) is None
    assert clipped_correlation(line, np.ones(50)) == 0.0
    unrelated = scale_between(line, np.abs(line - 0.5))
    assert unrelated is None or abs(unrelated.correlation) < 0.2
