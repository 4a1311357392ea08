"""Published laws: each switching rule by itself, and what holds for all of them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dashpot.calibration.image import read_image
from dashpot.errors import InputError
from dashpot.evaluate import measure as measuring
from dashpot.evaluate.laws import ACCELERATION, ALPHA_RAD_S, LAWS, MIXED, SKYHOOK, Law, Limits, firm
from dashpot.evaluate.measure import Candidate, Case, measure, measure_many, passive
from dashpot.layout import Layout
from dashpot.replay.images import pack_image
from dashpot.resources import dbc_dir, demo_dir, firmware_dir
from evaluate_kit import linear_valve, quarters_car, straight

FREE = Limits((0.0,) * 4, (5.0,) * 4, (5.0,) * 4, (5.0,) * 4, (0.8,) * 4, 2000)


@pytest.fixture
def road(tmp_path):
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 500.0, 0.8: 980.0, 1.6: 1800.0})
    return Case(straight(tmp_path, 6.0), 1)


def test_the_published_rules():
    # Signs of (zs', zs'', v_rel), one row a case; v_rel = zs' - zu'.
    rows = np.array([[a, b, c] for a in (-1.0, 1.0) for b in (-20.0, 20.0) for c in (-0.5, 0.5)])
    rate, accel, relative = rows.T
    # Karnopp, Crosby and Harwood 1974 [S, from memory]: firm where zs' v_rel >= 0.
    sky = firm(SKYHOOK, rate, accel, relative)
    assert sky.tolist() == [True, False, True, False, False, True, False, True]
    # Savaresi, Silani and Bittanti 2005 [S]: firm where zs'' v_rel >= 0.
    driven = firm(ACCELERATION, rate, accel, relative)
    assert driven.tolist() == [True, False, False, True, True, False, False, True]
    # Savaresi and Spelta 2007 [S, formula from memory]: skyhook where zs''^2 <= alpha^2 zs'^2, else the other.
    assert firm(MIXED, rate, accel, relative, 20.1).tolist() == sky.tolist()
    assert firm(MIXED, rate, accel, relative, 19.9).tolist() == driven.tolist()
    for law in LAWS:
        assert firm(law, np.zeros(1), np.zeros(1), np.zeros(1)).all()
    with pytest.raises(InputError, match="no law 'groundhook'"):
        firm("groundhook", rate, accel, relative)


def test_the_mixed_law_is_skyhook_below_its_frequency_and_the_other_above():
    # A sine of a frequency w has zs'' = w zs' in amplitude [X].
    phase = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False) + 0.001
    relative = np.sin(phase + 0.7)
    for share, other in ((0.01, SKYHOOK), (100.0, ACCELERATION)):
        w = share * ALPHA_RAD_S
        rate, accel = np.sin(phase), w * np.cos(phase)
        same = firm(MIXED, rate, accel, relative) == firm(other, rate, accel, relative)
        assert same.mean() > 0.98


@pytest.mark.parametrize("law", LAWS)
def test_a_law_with_one_current_is_the_passive_setting(law, road):
    # c_min = c_max [X]. The law starts from the safe current, here the same.
    held = measure(passive("held", 0.8, 0.8), road)
    assert measure(Candidate(law, Law(law, (0.8, 0.8), (0.8, 0.8), FREE)), road) == held


def test_a_valve_without_authority_makes_all_laws_alike(tmp_path):
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 980.0, 0.8: 980.0, 1.6: 980.0})
    case = Case(straight(tmp_path, 5.0), 1)
    laws = [Candidate(law, Law(law, (0.4, 0.4), (1.6, 1.6), FREE)) for law in LAWS]
    found = [row[0] for row in measure_many([passive("held", 1.0, 1.0), *laws], [case])]
    assert found[1:] == found[:1] * 3


def test_currents_keep_limits_and_slew(road):
    limits = Limits((0.5,) * 4, (1.2,) * 4, (0.05,) * 4, (0.03,) * 4, (0.8,) * 4, 2000)
    run = Law(SKYHOOK, (0.0, 0.0), (5.0, 5.0), limits).run(measuring._ready(road))
    current = run.motion.coil_current_a.astype(np.float64)
    assert current.min() >= 0.5 - 1e-6
    assert current.max() <= 1.2 + 1e-6
    assert current.max() - current.min() > 0.4
    steps = np.diff(current, axis=0)
    assert steps.max() <= 0.05 + 1e-6
    assert steps.min() >= -0.03 - 1e-6


def test_the_limits_are_those_of_a_calibration():
    data = demo_dir() / "data"
    layout = Layout.load(firmware_dir())
    packed = pack_image(
        data / "vehicle.toml", data / "calibration.toml", layout, None, [dbc_dir() / "merlin_t4.dbc"]
    )
    limits = Limits.of_image(read_image(packed.data, layout))
    # calibration.toml: front 300 to 1600 mA, 2 ms.
    assert (limits.least_a[0], limits.most_a[0], limits.period_us) == (0.3, 1.6, 2000)
    assert all(step > 0.0 for step in limits.up_a + limits.down_a)


def test_skyhook_calms_the_body_where_the_road_is_a_wave(tmp_path):
    # At the body's own frequency the ideal skyhook damps what a passive damper of either end passes on
    # (transmissibility 1 / (2 zeta) against sqrt(1 + 4 zeta^2) / (2 zeta)) [S, any textbook]; two states come near it.
    quarters_car(tmp_path)
    linear_valve(tmp_path, "linear", {0.4: 300.0, 0.8: 980.0, 1.6: 2500.0})
    path = straight(tmp_path, 12.0)
    hz = math.sqrt(16_000.0 / 240.0) / (2.0 * math.pi)
    text = path.read_text(encoding="utf-8").replace(
        'road = { class = "B", contact = "1 mm" }',
        f'road = {{ roughness = "0 m3", sweep = {{ from = "{hz:.3f} Hz", to = "{hz + 0.01:.3f} Hz", over = "10 s", '
        'amplitude = "5 mm", side = "both" } }',
    )
    path.write_text(text, encoding="utf-8")
    sky = Candidate("sky", Law(SKYHOOK, (0.4, 0.4), (1.6, 1.6), FREE))
    found = [
        row[0]
        for row in measure_many([sky, passive("soft", 0.4, 0.4), passive("firm", 1.6, 1.6)], [Case(path, 1)])
    ]
    assert found[0].heave_rate_mm_s < 0.9 * min(found[1].heave_rate_mm_s, found[2].heave_rate_mm_s)
