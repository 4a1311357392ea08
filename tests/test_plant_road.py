"""Roads by ISO 8608, their tracks and files; weighting by ISO 2631-1.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.integrate
import scipy.signal

from dashpot.errors import InputError
from dashpot.plant import comfort, road
from dashpot.plant.quarter import road_intensity
from plant_kit import SET_TA

# ISO 8608 [S]: middle of each class in 1e-6 m3.
CLASSES = {"A": 16, "B": 64, "C": 256, "D": 1024, "E": 4096, "F": 16_384, "G": 65_536, "H": 262_144}


def test_the_classes_middles():
    assert {name: road.class_roughness_m3(name) * 1e6 for name in CLASSES} == pytest.approx(CLASSES)
    assert road.class_roughness_m3("c") == road.class_roughness_m3("C")


@pytest.mark.parametrize(("name", "spread_mm"), [("A", 3.806), ("B", 7.613), ("C", 15.226)])
def test_heights_of_a_class(name, spread_mm):
    # s_z^2 = Gd(n0) n0^2 (1/n1 - 1/n2) for 0.011 to 2.83 cycles/m [X]: each road, not just their mean.
    for seed in range(3):
        one = road.rough(20_000.0, road.class_roughness_m3(name), np.random.default_rng(seed))
        # The sum over the grid's lines stands for the integral, better than one in a hundred at this length.
        assert one.height_m.std(axis=1) * 1e3 == pytest.approx([spread_mm] * 2, rel=0.005)
        assert abs(one.height_m.mean()) < 1e-12


def test_level_and_slope_by_welchs_periodogram():
    one = road.rough(40_000.0, 64e-6, np.random.default_rng(2))
    wave, density = scipy.signal.welch(one.height_m, 1 / one.step_m, nperseg=16_384, axis=1)
    inside = (wave > 0.03) & (wave < 2.5)
    for track in density:
        slope, level = np.polyfit(np.log10(wave[inside] / 0.1), np.log10(track[inside]), 1)
        # One-sided; within 5 % of 64e-6 m3 at 0.1 cycles/m, slope -2 within 0.05.
        assert slope == pytest.approx(-2.0, abs=0.05)
        assert 10**level == pytest.approx(64e-6, rel=0.05)
    steep = road.rough(
        20_000.0, 64e-6, np.random.default_rng(2), waviness=2.5, lowest_per_m=0.05, highest_per_m=2.0
    )
    wave, density = scipy.signal.welch(steep.height_m[0], 1 / steep.step_m, nperseg=16_384, window="blackman")
    inside = (wave > 0.1) & (wave < 1.5)
    assert np.polyfit(np.log(wave[inside]), np.log(density[inside]), 1)[0] == pytest.approx(-2.5, abs=0.05)
    assert density[wave > 2.2].max() < 1e-4 * 64e-6 * 20**-2.5


def test_heights_are_gaussian():
    # By the number of sines: kurtosis 3 within its spread, no skew [X].
    heights = road.rough(40_000.0, 64e-6, np.random.default_rng(3), lowest_per_m=0.05).height_m
    scaled = heights / heights.std(axis=1, keepdims=True)
    assert np.mean(scaled**4, axis=1) == pytest.approx([3.0, 3.0], abs=0.2)
    assert np.mean(scaled**3, axis=1) == pytest.approx([0.0, 0.0], abs=0.15)


@pytest.mark.parametrize("waviness", [1.6, 2.0, 2.6])
def test_coherence_is_that_of_an_isotropic_surface(waviness):
    # Independent: the surface's density over all directions, (nx^2 + ny^2)^-((w+1)/2), integrated over lateral waves.
    track = 1.5
    for wave in (0.02, 0.1, 0.3):

        def density(lateral, wave=wave):
            return (wave**2 + lateral**2) ** (-(waviness + 1) / 2)

        own, _ = scipy.integrate.quad(density, 0.0, np.inf, epsabs=0.0, epsrel=1e-10)
        cross, _ = scipy.integrate.quad(
            density, 0.0, np.inf, weight="cos", wvar=2 * math.pi * track, epsabs=1e-9 * own
        )
        assert road.isotropic_coherence(wave, track, waviness)[0] == pytest.approx(cross / own, abs=1e-6)
    assert road.isotropic_coherence(0.0, track, waviness)[0] == 1.0
    assert road.isotropic_coherence(5.0, track, waviness)[0] < 1e-9


def test_tracks_agree_as_the_model_says():
    one = road.rough(200_000.0, 64e-6, np.random.default_rng(4), track_m=1.6)
    wave, cross = scipy.signal.csd(*one.height_m, fs=1 / one.step_m, nperseg=4096)
    _, own = scipy.signal.welch(one.height_m, fs=1 / one.step_m, nperseg=4096)
    inside = (wave > 0.03) & (wave < 1.0)
    ratio = (cross / np.sqrt(own[0] * own[1]))[inside]
    assert ratio.real == pytest.approx(road.isotropic_coherence(wave[inside], 1.6), abs=0.1)
    assert np.abs(ratio.imag).max() < 0.1
    # Narrow tracks agree, wide ones do not.
    narrow, wide = (
        road.rough(4000.0, 64e-6, np.random.default_rng(4), track_m=t, lowest_per_m=0.1).height_m
        for t in (0.05, 8.0)
    )
    assert np.corrcoef(narrow)[0, 1] > 0.95
    assert abs(np.corrcoef(wide)[0, 1]) < 0.15


def test_same_seed_same_road():
    first, again, other = (
        road.rough(500.0, 64e-6, np.random.default_rng(seed)).height_m for seed in (7, 7, 8)
    )
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_a_contact_patch_takes_the_short_waves():
    # Mean over 0.2 m: sin(pi n p) / (pi n p) on each wave [X].
    sharp, felt = (
        road.rough(2000.0, 64e-6, np.random.default_rng(1), patch_m=patch).height_m[0] for patch in (0.0, 0.2)
    )
    for line in (400, 2000, 4000):
        ratio = np.fft.rfft(felt)[line] / np.fft.rfft(sharp)[line]
        assert ratio == pytest.approx(np.sinc(line / 2000.0 * 0.2), abs=1e-9)


def test_the_rear_wheels_follow():
    one = road.rough(300.0, 64e-6, np.random.default_rng(5))
    distance = np.arange(0.0, 400.0, 0.37)
    under = one.under_wheels(distance, 2.58)
    behind = one.under_wheels(distance - 2.58, 2.58)
    assert np.array_equal(under[:, 2:], behind[:, :2])
    # It repeats after its length, and between the points it runs smoothly through them.
    assert one.at(0, np.array([12.34 + 300.0])) == pytest.approx(one.at(0, np.array([12.34])), abs=1e-12)
    assert one.at(1, one.grid_m()) == pytest.approx(one.height_m[1], abs=1e-12)
    wave = road.Road(0.05, np.tile(np.sin(2 * math.pi * np.arange(200) / 50), (2, 1)))
    at = np.linspace(0.0, 10.0, 977)
    assert wave.at(0, at) == pytest.approx(np.sin(2 * math.pi * at / 2.5), abs=2e-4)


def test_bumps_and_kerbs():
    at = np.linspace(0.0, 20.0, 2001)
    bump = road.cosine_bump(at, 5.0, 2.0, 0.08)
    assert bump.max() == pytest.approx(0.08)
    assert at[bump.argmax()] == pytest.approx(6.0)
    assert (bump[(at < 5.0) | (at > 7.0)] == 0.0).all()
    # Steepest at a quarter of the length: pi h / L [X].
    assert np.gradient(bump, at).max() == pytest.approx(math.pi * 0.08 / 2.0, rel=1e-3)
    kerb = road.kerb(at, 4.0, 10.0, 0.05, ramp_m=1.0, tooth_m=0.01, pitch_m=0.5)
    assert kerb.max() == pytest.approx(0.05)
    top = kerb[(at > 5.5) & (at < 12.5)]
    assert top.min() == pytest.approx(0.04, abs=1e-6)
    assert (kerb[(at < 4.0) | (at > 14.0)] == 0.0).all()
    flat = road.flat(20.0)
    both = flat.added(road.cosine_bump(flat.grid_m(), 5.0, 2.0, 0.08), 0.0)
    assert both.height_m[0].max() == pytest.approx(0.08, rel=1e-3)
    assert not both.height_m[1].any()


def test_a_profile_file(tmp_path):
    path = tmp_path / "profile.csv"
    path.write_text("distance_m, left_mm, right_cm\n10, 0, 0\n11, 10, -1\n\n14, 40, 2\n", encoding="utf-8")
    read = road.read_profile(path)
    assert read.length_m == pytest.approx(4.0)
    assert read.height_m[0] == pytest.approx(0.010 * read.grid_m())
    assert read.height_m[1, 20] == pytest.approx(-0.01)
    one = tmp_path / "one.csv"
    one.write_text("height_um,distance_cm\n0,0\n5000,100\n", encoding="utf-8")
    both = road.read_profile(one, 0.1)
    assert both.height_m[0] == pytest.approx(0.005 * both.grid_m())
    assert np.array_equal(both.height_m[0], both.height_m[1])


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("distance_m,left_mm\n0,1\n1,2\n", r"profile.csv:1: no column of right"),
        ("distance_m,left_mm,rihgt_mm\n0,1,1\n", r"profile.csv:1: unknown column 'rihgt_mm'; did you mean right_mm"),
        ("distance_m,left_mm,right\n0,1,1\n", r"profile.csv:1: unknown column 'right'|has no unit"),
        ("distance_m,left_mm,right_ft\n0,1,1\n", r"profile.csv:1: column 'right_ft' has no unit that is known"),
        ("distance_m,height_mm\n0,1\n1,x\n", r"profile.csv:3: 'x' is not a number"),
        ("distance_m,height_mm\n0,1\n1\n", r"profile.csv:3: a value is missing"),
        ("distance_m,height_mm\n0,1\n1,nan\n", r"profile.csv:3: 'nan' is not a height"),
        ("distance_m,height_mm\n0,1\n2,1\n1,1\n", r"profile.csv:4: the distance does not rise"),
        ("distance_m,height_mm,height_mm\n0,1,1\n", r"profile.csv:1: two columns of height"),
        ("distance_m,height_mm\n0,1\n", r"has 1 points"),
        ("", r"profile.csv:1: no column of distance"),
        ("distance_m,height_mm\n0,1\n0.01,2\n", r"is no road"),
    ],
)  # fmt: skip
def test_a_wrong_profile_says_where(tmp_path, text, said):
    path = tmp_path / "profile.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=said):
        road.read_profile(path)


def test_no_profile_and_no_text(tmp_path):
    with pytest.raises(InputError, match="cannot be read"):
        road.read_profile(tmp_path / "none.csv")
    (tmp_path / "binary.csv").write_bytes(b"distance_m,height_mm\n\xff\xfe\n")
    with pytest.raises(InputError, match="not a text in UTF-8"):
        road.read_profile(tmp_path / "binary.csv")


@pytest.mark.parametrize(
    ("said", "make"),
    [
        ("'J' is no class", lambda: road.class_roughness_m3("J")),
        ("'AB' is no class", lambda: road.class_roughness_m3("AB")),
        ("carries waves up to 2.5", lambda: road.rough(100.0, 1e-6, np.random.default_rng(1), step_m=0.2)),
        ("has no wave", lambda: road.rough(5.0, 1e-6, np.random.default_rng(1), highest_per_m=0.1)),
        ("is no road", lambda: road.flat(-3.0)),
        ("is no road", lambda: road.flat(math.nan)),
        ("too many", lambda: road.flat(1e9)),
        ("no room for ramps", lambda: road.kerb(np.zeros(3), 0.0, 2.0, 0.05)),
    ],
)
def test_what_is_no_road_is_refused(said, make):
    with pytest.raises(InputError, match=said):
        make()


# ISO 2631-1:1997, table 3 [S]: gain of Wk times 1000.
WK_TABLE = {
    0.5: 418, 1: 482, 2: 531, 4: 967, 5: 1039, 6.3: 1054, 8: 1036, 10: 988, 16: 769, 20: 636, 31.5: 405, 63: 186, 80: 132,
}  # fmt: skip


def test_weighting_gains_of_the_table():
    assert {hz: round(1000 * float(comfort.wk_gain(hz))) for hz in WK_TABLE} == WK_TABLE


@pytest.mark.parametrize(
    ("rate_hz", "error"), [(250.0, 0.012), (500.0, 0.0006), (1000.0, 1e-4), (2000.0, 1e-4)]
)
def test_the_digital_filter_keeps_the_gains(rate_hz, error):
    sections = comfort.wk_filter(rate_hz)
    assert sections.shape == (4, 6)
    hz = np.geomspace(0.3, 80.0, 200)
    gain = np.abs(scipy.signal.sosfreqz(sections, hz, fs=rate_hz)[1])
    assert np.abs(gain / comfort.wk_gain(hz) - 1.0).max() < error
    for section in sections:
        assert np.abs(np.roots(section[3:])).max() < 1.0
    # At 80 Hz all of it is exact; a bilinear transform at 500 samples a second would be 14 % low there.
    assert gain[-1] == pytest.approx(float(comfort.wk_gain(80.0)), rel=1e-6)


def test_weighted_rms_of_sines():
    rate_hz = 1000.0
    time = np.arange(20_000) / rate_hz
    for hz in (1.0, 4.0, 8.0, 31.5, 80.0):
        accel = 2.0 * np.sin(2 * math.pi * hz * time)
        assert comfort.weighted_rms(accel, rate_hz) == pytest.approx(
            2.0 * WK_TABLE[hz] / 1000 / math.sqrt(2), rel=5e-3
        )
    both = np.stack((accel, 2.0 * accel), axis=1)
    weighted = comfort.weighted(both, rate_hz)
    assert weighted[:, 1] == pytest.approx(2.0 * weighted[:, 0], abs=1e-12)


def test_set_ta_on_class_b():
    # Set TA at 20 m/s: a_w 0.591 m/s2 [X], from the transfer function and the standard's gains.
    hz = np.geomspace(0.01, 500.0, 50_000)
    s = 2j * math.pi * hz
    density = 2.0 * road_intensity(64e-6, 20.0) * np.abs(s * SET_TA.body_gain(hz) * comfort.wk_gain(hz)) ** 2
    assert math.sqrt(np.trapezoid(density, hz)) == pytest.approx(0.591, abs=5e-4)


def test_too_slow_and_too_short():
    with pytest.raises(InputError, match="100 samples a second carry no weighting"):
        comfort.wk_filter(100.0)
    with pytest.raises(InputError, match="1 s are too short"):
        comfort.weighted_rms(np.zeros(500), 500.0)
