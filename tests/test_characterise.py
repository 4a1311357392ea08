"""Recovery of a known damper, written out as formulas in characterise_kit, within the stated bands; and the doubts.

Marks as in the domain notes: [S] published, [C] common practice, [M] from memory, [X] computed, [D] design.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from characterise_kit import LEVELS, RUNS, Noise, Truth, dyno_day, readings, sines, slow, steps, without
from dashpot.characterise import analysis
from dashpot.characterise.analysis import Options, Result, characterise
from dashpot.characterise.curve import DEMANDS_PERMILLE
from dashpot.errors import InputError, VerdictError

TRUTH = Truth()
FEW_LEVELS = (0.0, 0.3, 0.7, 1.1, 1.5)
FEW_RUNS = (RUNS[0], *RUNS[2:])


@pytest.fixture(scope="module")
def found() -> Result:
    return characterise(dyno_day(seed=3), Options())


def truth_at(result: Result) -> np.ndarray:
    forces = result.forces
    return np.stack(
        [TRUTH.valve_n(way, forces.speed_m_s[None, :], forces.current_a[:, None]) for way in (1, -1)]
    )


def test_forces_come_back_within_their_bands(found: Result) -> None:
    forces = found.forces
    assert forces.current_a == pytest.approx([0.3, 0.6, 0.9, 1.2, 1.5], abs=1e-3)
    assert len(forces.speed_m_s) == len(RUNS)
    off = np.abs(forces.force_n - truth_at(found))
    assert np.mean(off <= forces.band_n) >= 0.9
    assert (off <= 2.0 * forces.band_n).all()
    # And the bands are of use: 6 N of noise, a handful of half strokes a cell, some samples at each one's peak.
    assert forces.band_n.max() < 4.0
    passive = np.stack([TRUTH.passive_n(way, forces.speed_m_s) for way in (1, -1)])
    assert (np.abs(forces.passive_n - passive) <= 2.0 * forces.passive_band_n).all()
    # Monotone both ways, to the last bit that is written.
    assert (np.diff(forces.force_n, axis=2) >= 0.0).all()
    assert (np.diff(forces.force_n, axis=1) >= -1e-4).all()


def test_rod_lag_and_hysteresis_come_back_within_their_bands(found: Result) -> None:
    rod = found.rod
    gas, rate, friction = 1.96 * rod.sigma()
    assert rod.gas_n == pytest.approx(TRUTH.gas_n, abs=1.5 * gas)
    assert rod.rate_n_per_m == pytest.approx(TRUTH.rate_n_per_m, abs=1.5 * rate)
    assert rod.friction_n == pytest.approx(TRUTH.friction_n, abs=1.5 * friction)
    assert max(gas, friction) < 1.5
    assert found.lag_s == pytest.approx(TRUTH.lag_s, abs=1.5 * found.lag_band_s)
    assert found.lag_band_s < 0.02 * TRUTH.lag_s
    assert found.forces.hysteresis_a == pytest.approx(TRUTH.band_a, abs=2.0 * found.forces.hysteresis_band_a)
    assert found.forces.hysteresis_band_a < 0.001


def test_the_jump_and_the_currents_around_it(found: Result) -> None:
    forces, valve = found.forces, found.valve
    assert forces.firmer
    assert valve.firmer_with_current
    assert (valve.least_a, valve.most_a) == (0.3, 1.5)
    assert forces.passive_below_a == pytest.approx(0.15, abs=1e-3)
    assert forces.between_a == ()
    # The passive stage is as firm as 750 mA; between 600 and 900 mA the surface is a straight line, the truth a bent
    # one: off by up to 0.25/1.44 x 0.15 x 0.15 of a share, 4 mA [X].
    assert found.firmness.match_a == pytest.approx(TRUTH.passive_a, abs=0.006)
    # Half of the demand, rounded to 10 mA [D].
    assert valve.safe_a == pytest.approx(0.83, abs=0.0101)


def test_the_curve_makes_equal_steps_of_force(found: Result) -> None:
    # The truth's share in closed form, inverted: x from 1.25 x - 0.25 x^2 = share [X].
    share = np.array(DEMANDS_PERMILLE) / 1000.0
    x = (1.25 - np.sqrt(1.25**2 - share)) / 0.5
    wanted = 0.3 + 1.2 * x
    # The surface is straight between its currents: at most 0.25 x 0.25^2/4 of a share, 5 mA, off [X].
    assert found.firmness.curve_a == pytest.approx(wanted, abs=0.007)
    # Force itself along the curve, both ways and all speeds.
    forces = found.valve.force_n(np.array([0.1, 0.3, -0.2])[:, None], found.firmness.curve_a[None, :])
    step = np.diff(np.abs(forces), axis=1)
    assert step == pytest.approx(np.broadcast_to(step.mean(axis=1, keepdims=True), step.shape), rel=0.05)
    assert found.firmness.authority == pytest.approx(8000.0 / 1500.0, rel=0.02)


def test_response_and_coil_come_back_within_their_bands(found: Result) -> None:
    for fit, delay, time in (
        (found.up, TRUTH.delay_s[0], TRUTH.time_s[0]),
        (found.down, TRUTH.delay_s[1], TRUTH.time_s[1]),
    ):
        assert fit is not None
        assert fit.steps == 6
        assert fit.delay_s == pytest.approx(delay, abs=1.5 * fit.delay_band_s)
        assert fit.time_s == pytest.approx(time, abs=1.5 * fit.time_band_s)
        assert fit.t63_s == pytest.approx(delay + time, abs=1.5 * fit.t63_band_s)
        assert fit.t63_band_s < 0.05 * fit.t63_s
        # ln 10 time constants to 90 % [X].
        assert fit.t90_s == pytest.approx(fit.delay_s + 2.302585 * fit.time_s)
    # The current falls through the diode far slower than it rises by the supply: only there the coil shows.
    assert found.down.seen_t63_s > found.down.t63_s + 0.001
    assert found.resistance.ohm == pytest.approx(TRUTH.ohm, abs=3.0 * found.resistance.band_ohm)
    assert found.resistance.freewheel_v == pytest.approx(TRUTH.freewheel_v, abs=0.01)
    assert found.inductance.henry == pytest.approx(TRUTH.henry, abs=found.inductance.band_henry)


def test_clean_data_leave_no_doubt(found: Result) -> None:
    assert found.doubts == []
    assert found.assumed == []
    assert found.kinds["current steps up"] == found.kinds["current steps down"] == 6


def test_bands_cover_over_seeds(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis, "REPLICATES", 60)
    # 95 % bands: of 3 seeds x 2 ways x 4 currents x 4 speeds. Errors of one seed go together through friction and lag,
    # so the count of free ones is smaller; both too few and all far inside would be wrong bands [X].
    shares, sizes = [], []
    for seed in range(11, 14):
        result = characterise(dyno_day(seed, levels=FEW_LEVELS, runs=FEW_RUNS)[:2], Options(seed=seed))
        z = (result.forces.force_n - truth_at(result)) / (result.forces.band_n / 1.96)
        shares.append(np.mean(np.abs(z) <= 1.96))
        sizes.append(np.sqrt(np.mean(z**2)))
        rod = result.rod
        assert abs(rod.gas_n - TRUTH.gas_n) <= 3.0 * rod.sigma()[0]
        assert abs(rod.friction_n - TRUTH.friction_n) <= 3.0 * rod.sigma()[2]
        assert abs(result.lag_s - TRUTH.lag_s) <= 1.5 * result.lag_band_s
    assert np.mean(shares) >= 0.88
    assert 0.4 < np.mean(sizes) < 1.4


def test_more_noise_makes_wider_bands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis, "REPLICATES", 25)
    quiet, loud = (
        characterise(dyno_day(5, noise=Noise(force_n=size), levels=FEW_LEVELS, runs=FEW_RUNS)[:2], Options()) for size in (2.0, 20.0)
    )  # fmt: skip
    ratio = np.median(loud.forces.band_n / quiet.forces.band_n)
    assert 3.0 < ratio < 12.0


def test_the_same_data_and_seed_give_the_same_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(analysis, "REPLICATES", 5)
    first, again, other = (
        characterise(dyno_day(2, levels=FEW_LEVELS[:4], runs=FEW_RUNS)[:2], Options(seed=seed)) for seed in (1, 1, 2)
    )  # fmt: skip
    assert np.array_equal(first.forces.force_n, again.forces.force_n)
    assert np.array_equal(first.forces.band_n, again.forces.band_n)
    assert np.array_equal(first.forces.force_n, other.forces.force_n)
    assert not np.array_equal(first.forces.band_n, other.forces.band_n)


@pytest.fixture
def few(monkeypatch: pytest.MonkeyPatch) -> None:
    """The bands are no matter here: few draws."""
    monkeypatch.setattr(analysis, "REPLICATES", 4)


def day(*, keep: tuple[str, ...] = ("slow",), truth: Truth = TRUTH, **more) -> list:
    rng = np.random.default_rng(7)
    more = {"levels": FEW_LEVELS, "runs": FEW_RUNS, **more}
    files = [sines(truth, rng, Noise(), **more)]
    files += [slow(truth, rng, Noise(), current=0.7)] if "slow" in keep else []
    files += [steps(truth, rng, Noise())] if "steps" in keep else []
    return files


def codes(files: list, **options) -> set[str]:
    return {doubt.code for doubt in characterise(files, Options(**options)).doubts}


@pytest.mark.usefixtures("few")
def test_a_valve_that_gets_softer_with_current() -> None:
    truth = replace(TRUTH, firmer=False, passive_a=0.3)
    result = characterise(day(truth=truth), Options())
    assert not result.forces.firmer
    assert not result.valve.firmer_with_current
    assert result.valve.least_a == 0.0 or result.valve.least_a == pytest.approx(0.3, abs=1e-3)
    # Demand still means firmness: it begins at the highest current.
    assert result.firmness.curve_a[0] == pytest.approx(1.5, abs=2e-3)
    assert (np.diff(result.firmness.curve_a) < 0.0).all()
    assert (np.diff(result.forces.force_n, axis=1) <= 1e-4).all()
    assert result.forces.hysteresis_a == pytest.approx(truth.band_a, abs=0.003)


@pytest.mark.usefixtures("few")
def test_a_passive_stage_firmer_than_all() -> None:
    truth = replace(TRUTH, passive_a=1.9)
    result = characterise(day(truth=truth), Options())
    assert result.firmness.match_a is None
    assert result.valve.least_a == pytest.approx(0.3, abs=1e-3)
    assert (np.abs(result.valve.passive_n(0.3)) > np.abs(result.valve.force_n(0.3, 1.5))).all()


@pytest.mark.usefixtures("few")
def test_what_the_user_says_comes_first() -> None:
    options = Options(name="x", least_a=0.7, most_a=1.1, safe_a=0.9, resistance_ohm=3.0, inductance_h=0.02)
    valve = characterise(day(), options).valve
    assert (valve.least_a, valve.most_a, valve.safe_a) == (0.7, 1.1, 0.9)
    assert (valve.resistance_ohm, valve.inductance_h) == (3.0, 0.02)


@pytest.mark.usefixtures("few")
def test_ride_height_moves_the_gas_force() -> None:
    files = day(centre_m=0.0)
    away = characterise(files, Options(reference_m=0.010)).rod
    assert away.gas_n == pytest.approx(TRUTH.gas_at(0.010), abs=1.0)
    # dF/dx of F0 (L/(L - x))^1.3 at x [X].
    assert away.rate_n_per_m == pytest.approx(TRUTH.gas_at(0.010) * 1.3 / 0.290, rel=0.06)


@pytest.mark.usefixtures("few")
def test_doubts_about_what_was_run() -> None:
    assert codes(day(keep=("slow", "steps"))) == set()
    assert "no_zero_current" in codes(day(levels=FEW_LEVELS[1:]))
    assert "one_way" in codes(day(both_ways=False))
    assert "few_speeds" in codes(day(runs=FEW_RUNS[:3]))
    assert "few_currents" in codes(day(levels=(0.0, 0.3, 0.9, 1.5)))
    assert {"no_steps", "no_inductance"} <= codes(day())
    assert "no_slow" in codes(day(keep=()))
    other = day(keep=(), levels=(1.1, 1.5), runs=FEW_RUNS[2:])
    assert "no_overlap" in codes([*day(levels=(0.0, 0.3, 0.7), runs=FEW_RUNS[:2]), *other])


@pytest.mark.usefixtures("few")
def test_doubts_about_oil_and_place() -> None:
    assert "cold" in codes(day(oil_c=24.0))
    assert "drift" in codes(day(rise_k=25.0))
    assert "no_temperature" in codes([without(one, "temperature_c") for one in day()])
    off = codes(day(centre_m=0.02, keep=()))
    assert "not_centred" in off
    assert "not_centred" not in codes(day(centre_m=0.02, keep=()), reference_m=0.02)


@pytest.mark.usefixtures("few")
def test_doubts_about_channels() -> None:
    files = day()
    top = float(np.quantile(files[0].force_n, 0.995))
    clipped = [replace(files[0], force_n=np.minimum(files[0].force_n, top)), *files[1:]]
    assert "clipped" in codes(clipped)
    assert "clipped" not in codes(files)
    # A speed column in other units than it says: 25.4 times too small.
    speed = np.gradient(files[0].position_m, 0.002)
    inch = [replace(files[0], speed_m_s=speed / 25.4), *files[1:]]
    result = characterise(inch, Options())
    assert "speed_column" in {doubt.code for doubt in result.doubts}
    assert result.forces.speed_m_s[-1] == pytest.approx(0.49, rel=0.02)
    assert "no_resistance" in codes([without(one, "voltage_v", "duty") for one in files])
    # The supply's voltage without a duty is no coil voltage.
    said = characterise([without(one, "duty") for one in files], Options())
    assert "it is the supply's" in next(d.text for d in said.doubts if d.code == "no_resistance")
    assert said.valve.resistance_ohm == 2.2
    assert any(text.startswith("resistance") for text in said.assumed)
    rng = np.random.default_rng(1)
    coarse = [*day(), steps(TRUTH, rng, Noise(), rate_hz=400.0)]
    assert "coarse_steps" in codes(coarse)


@pytest.mark.usefixtures("few")
def test_duty_in_place_of_current() -> None:
    files = [without(one, "current_a") for one in day()]
    with pytest.raises(InputError, match="has a duty but no current"):
        characterise(files[:1], Options())
    assert "duty_not_current" in codes(files[:1], resistance_ohm=2.35)


@pytest.mark.usefixtures("few")
def test_wrong_signs_are_refused() -> None:
    files = day()
    turned = [replace(one, force_n=-one.force_n) for one in files]
    with pytest.raises(InputError, match="would give power"):
        characterise(turned, Options())
    speed = -np.gradient(files[0].position_m, 0.002)
    with pytest.raises(InputError, match="opposite sign of the position's change"):
        characterise([replace(files[0], speed_m_s=speed)], Options())


def test_data_without_a_surface_are_a_verdict() -> None:
    with pytest.raises(VerdictError, match="1 peak speeds and 5 held currents"):
        characterise(day(runs=RUNS[:1]), Options())
    with pytest.raises(VerdictError, match="5 peak speeds and 1 held currents"):
        characterise(day(levels=(0.6,), runs=RUNS), Options())
    rng = np.random.default_rng(1)
    t = np.arange(2000) / 500.0
    current = 0.8 + 0.6 * np.sin(2 * np.pi * 3.0 * t)
    shaken = readings("x.csv", rng, Noise(), t, 0.02 * np.sin(9 * t), 0.18 * np.cos(9 * t) * 3000, current)
    with pytest.raises(VerdictError, match="no stroke at a held current"):
        characterise([shaken], Options())


@pytest.mark.usefixtures("few")
def test_a_slow_sweep_of_the_current_will_do() -> None:
    # The current creeps up and down while one sine after another runs: bins of it stand for held currents.
    truth = replace(TRUTH, band_a=0.0)
    rng = np.random.default_rng(3)
    parts, start = [], 0.0
    for amplitude, hz in ((0.02, 2.0), (0.02, 1.0), (0.012, 4.0), (0.02, 3.5)):
        t = np.arange(20_000) / 500.0
        w = 2 * np.pi * hz
        current = 0.3 + 1.2 * (1.0 - np.abs(1.0 - t / 20.0))
        lag = np.arctan(w * truth.lag_s)
        acting = amplitude * w * np.cos(lag) * np.sin(w * t - lag)
        way = np.sign(acting)
        force = way * truth.valve_n(way, np.abs(acting), current) + truth.gas_at(-amplitude * np.cos(w * t))
        force += truth.friction_n * np.sign(np.sin(w * t))
        parts.append((start + t, -amplitude * np.cos(w * t), force, current))
        start += 45.0
    time, position, force, current = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    swept = readings("sweep.csv", rng, Noise(), time, position, force, current)
    result = characterise([swept, slow(truth, rng, Noise())], Options())
    assert len(result.forces.current_a) >= 7
    off = result.forces.force_n / truth_at(result) - 1.0
    assert np.sqrt(np.mean(off**2)) < 0.01


def test_levels_of_the_kit_are_the_ones_that_the_tests_think_of() -> None:
    assert LEVELS[-1] == TRUTH.most_a
    assert TRUTH.least_a in LEVELS
