"""The control laws, in the real interpreter, against references outside the project.

Marks as in the domain notes: [S] published source, [C] common practice, [X] computed from a formula named beside it,
[D] this project's own choice.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from firmware_fixtures import Firmware
from images import ALL_LAYERS, CORNERS, PERIOD_US, ImageBuilder, block, column, layer

STROKES = [f"stroke_um.{corner}" for corner in CORNERS]


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def held(firmware: Firmware, image: ImageBuilder, **values: object) -> np.ndarray:
    """Trace of one tick after values were held for long enough that every filter has settled."""
    return firmware.run(image.build(), block(dict(values), ticks=600))[-1:]


# --- maps -----------------------------------------------------------------------------------------------------------


def test_body_load_equals_scipys_interpolator_within_one_unit(firmware: Firmware) -> None:
    # scipy.interpolate.RegularGridInterpolator, linear [S]; tables hold at their edges [D].
    rng = np.random.default_rng(7)
    x = np.array([-1600, -900, -350, 0, 10, 700, 1500])
    y = np.array([-1300, -600, -1, 0, 450, 1200])
    maps = rng.integers(-1000, 1001, (4, len(x), len(y)))
    image = ImageBuilder().layers("body_load").body_load(x.tolist(), y.tolist(), maps)
    lateral = np.concatenate([rng.integers(-2500, 2501, 20_000), np.repeat(x, len(y)), x - 1, x + 1])
    longitudinal = np.concatenate([rng.integers(-2000, 2001, 20_000), np.tile(y, len(x)), y[:1].repeat(14)])
    trace = firmware.run(image.build(), block({"lateral_mg": lateral, "longitudinal_mg": longitudinal}))
    assert np.array_equal(column(trace, "lateral_filtered_mg"), lateral)
    points = np.stack([np.clip(lateral, x[0], x[-1]), np.clip(longitudinal, y[0], y[-1])], axis=1)
    for corner in range(4):
        expected = RegularGridInterpolator((x, y), maps[corner].astype(float))(points)
        assert np.abs(layer(trace, "body_load")[:, corner] - expected).max() < 1.0


@pytest.mark.parametrize("falling", [False, True])
def test_the_valve_curve_equals_numpys_interpolation_within_one_milliampere(
    firmware: Firmware, *, falling: bool
) -> None:
    # numpy.interp [S]; a valve whose force falls with current has a falling curve and needs no other code [D].
    x, y = [0, 120, 130, 600, 1000], [300, 310, 700, 990, 1600]
    image = ImageBuilder().table("base_table", [-100, 1100], [-100, 1100])
    image.table("valve_table", x, y[::-1] if falling else y)
    demand = np.arange(0, 255)
    trace = firmware.run(
        image.table("base_table", [0, 255], [-10, 1010]).build(), block({"driver_switch": demand})
    )
    got = column(trace, "demand_permille")[:, 0]
    assert (got.min(), got.max()) == (0, 1000), "the demand is held within 0 and 1000"
    expected = np.interp(got, x, y[::-1] if falling else y)
    assert np.abs(column(trace, "target_ma")[:, 0] - expected).max() < 1.0


def test_road_speed_trim_holds_at_its_edges(firmware: Firmware) -> None:
    image = ImageBuilder().layers("road_speed").table("road_speed_table", [1000, 5000], [-50, 150])
    trace = firmware.run(image.build(), block({"road_speed_cm_s": [0, 1000, 3000, 5000, 30000]}))
    assert layer(trace, "road_speed")[:, 0].tolist() == [-50, -50, 50, 150, 150]


# --- filters --------------------------------------------------------------------------------------------------------


def alpha_beta(alpha: float) -> float:
    """Benedict and Bordner's relation [S, from memory]: beta = alpha^2 / (2 - alpha)."""
    return alpha * alpha / (2 - alpha)


@pytest.mark.parametrize("alpha", [0.25, 0.5, 0.75])
def test_alpha_beta_noise_is_the_published_one(firmware: Firmware, alpha: float) -> None:
    # sigma_v^2 = sigma_x^2 2 beta^2 / (T^2 alpha (4 - 2 alpha - beta)) [S, Benedict and Bordner, from memory]; for
    # alpha 0.5 and T 1 ms that is 198.0/s times sigma_x [X].
    beta = alpha_beta(alpha)
    period_us = 1000
    image = ImageBuilder().put("period_us", period_us)
    for tracker in range(4):
        image.tracker(tracker, alpha_q10=round(1024 * alpha), beta_q10=round(1024 * beta))
    rng = np.random.default_rng(3)
    sigma_um = 200.0
    noise = rng.normal(0, sigma_um, (4, 30_000)).round().astype(int)
    trace = firmware.run(image.build(), block(dict(zip(STROKES, noise, strict=True)), period_us=period_us))
    sigma_mm_s = column(trace, "stroke_speed_mm_s")[100:].std()
    expected = sigma_um * 1e-3 * np.sqrt(2 * beta**2 / (1e-6 * alpha * (4 - 2 * alpha - beta)))
    if alpha == 0.5:
        assert expected == pytest.approx(198.0 * sigma_um * 1e-3, rel=1e-3)
    assert sigma_mm_s == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize("period_us", [1000, 2000, 10000])
def test_alpha_beta_lag_is_the_published_one(firmware: Firmware, period_us: int) -> None:
    # Lag of the speed under constant acceleration: a T (2 alpha - beta) / (2 beta); 2.5 ms at alpha 0.5, T 1 ms [X].
    alpha = 0.5
    beta = alpha_beta(alpha)
    lag_s = period_us * 1e-6 * (2 * alpha - beta) / (2 * beta)
    assert lag_s == pytest.approx(2.5e-3 * period_us / 1000)
    acceleration_mm_s2 = 4000.0
    t = period_us * 1e-6 * np.arange(1, 1 + int(0.35e6 / period_us))
    image = ImageBuilder().put("period_us", period_us)
    stroke = (0.5 * acceleration_mm_s2 * t**2 * 1e3).round().astype(int)
    trace = firmware.run(image.build(), block({STROKES[0]: stroke}, period_us=period_us))
    speed = column(trace, "stroke_speed_mm_s")[:, 0]
    late = acceleration_mm_s2 * t - speed
    settled = late[len(late) // 2 :]
    assert settled.mean() == pytest.approx(acceleration_mm_s2 * lag_s, abs=0.6)


def test_a_slow_stroke_sensor_keeps_its_speed_between_samples(firmware: Firmware) -> None:
    # A constant 300 mm/s seen only every fifth tick reads as that in every tick once settled [D].
    ticks = 2000
    whole = block({STROKES[0]: np.arange(ticks) * 600})
    seen = np.arange(ticks) % 5 == 0
    whole.ticks[:, 1] = seen
    sparse = type(whole)(0, whole.ticks, whole.frames[seen], whole.log_us)
    speed = column(firmware.run(ImageBuilder().build(), sparse), "stroke_speed_mm_s")[:, 0]
    assert set(speed[500:660]) <= {299, 300, 301}


def test_steer_and_brake_rates_have_their_units(firmware: Firmware) -> None:
    ticks = np.arange(300)
    values = {"steer_ddeg": ticks * 4, "brake_kpa": ticks * 80}
    trace = firmware.run(ImageBuilder().build(), block(values))
    # 0.4 deg and 0.8 bar in 2 ms.
    assert column(trace, "steer_rate_deg_s")[-50:].tolist() == pytest.approx([200] * 50, abs=1)
    assert column(trace, "brake_rate_bar_s")[-50:].tolist() == pytest.approx([400] * 50, abs=1)


def test_low_pass_steps_like_its_closed_form(firmware: Firmware) -> None:
    # First order, share a a tick: y = x (1 - (1 - a)^n) [X].
    share = 61
    image = ImageBuilder().fill("low_pass_q10", share)
    image.channel("lateral_mg", default=0)
    trace = firmware.run(image.build(), block({"lateral_mg": [0] + [1500] * 200}))
    expected = 1500 * (1 - (1 - share / 1024) ** np.arange(201))
    assert np.abs(column(trace, "lateral_filtered_mg") - expected).max() < 2


# --- layers ---------------------------------------------------------------------------------------------------------


def test_brake_lead_comes_with_the_pressure_and_decays_while_it_is_held(firmware: Firmware) -> None:
    image = ImageBuilder().layers("brake_lead").fill("brake_lead_peak_permille", 400)
    image.table("brake_lead_table", [0, 5000], [0, 300], at=0).table(
        "brake_lead_table", [0, 5000], [0, 100], at=1
    )
    pressure = np.concatenate([np.zeros(50), np.linspace(0, 6000, 50), np.full(900, 6000), np.zeros(200)])
    lead = layer(firmware.run(image.build(), block({"brake_kpa": pressure})), "brake_lead")
    assert not lead[:50].any()
    front, rear = lead[:, 0], lead[:, 2]
    # The slow average takes 20/1024 a tick: tau 101 ms, so 100 ms of ramp leave x = 60 (1-(1-a)^50)/a kPa of it [X].
    share = 20 / 1024
    ahead = 120 * (1 - (1 - share) ** 50) / share
    assert front[99] == pytest.approx(300 * ahead / 5000, rel=0.05)
    assert rear[99] == pytest.approx(100 * ahead / 5000, rel=0.08)
    assert np.array_equal(lead[:, 0], lead[:, 1])
    assert np.array_equal(lead[:, 2], lead[:, 3])
    assert front[700] < 5, "a held pressure is no lead"
    assert (np.diff(front[100:]) <= 0).all()


def test_brake_rate_alone_gives_lead_and_the_peak_bounds_it(firmware: Firmware) -> None:
    image = ImageBuilder().layers("brake_lead").put("brake_rate_gain_permille", 50, 10)
    image.put("brake_rate_dead_bar_s", 100).put("brake_lead_peak_permille", 120, 400)
    trace = firmware.run(image.build(), block({"brake_kpa": np.arange(150) * 80}))
    # 400 bar/s, 300 above the dead band: 150 in front, held at its peak 120; 30 behind [X].
    assert layer(trace, "brake_lead")[-1].tolist() == pytest.approx([120, 120, 30, 30], abs=1)


@pytest.mark.parametrize(("rate_ddeg", "outer"), [(4, (1, 3)), (-4, (0, 2))])
def test_steer_lead_loads_the_outside_of_the_coming_turn(
    firmware: Firmware, rate_ddeg: int, outer: tuple[int, int]
) -> None:
    image = ImageBuilder().layers("steer_lead").put("steer_gain_permille", 60, 10, 40, 20)
    image.put("steer_dead_deg_s", 50).put("steer_peak_permille", 300)
    steer = np.arange(200) * rate_ddeg
    lead = layer(
        firmware.run(image.build(), block({"steer_ddeg": steer, "road_speed_cm_s": 3000})), "steer_lead"
    )[-1]
    # 200 deg/s, 150 above the dead band.
    inner = tuple(corner ^ 1 for corner in outer)
    assert [lead[outer[0]], lead[outer[1]]] == pytest.approx([90, 60], abs=2)
    assert [lead[inner[0]], lead[inner[1]]] == pytest.approx([15, 30], abs=2)


@pytest.mark.parametrize(("speed", "share"), [(0, 0.0), (600, 0.0), (900, 0.5), (1200, 1.0), (9000, 1.0)])
def test_steer_lead_fades_with_road_speed(firmware: Firmware, speed: int, share: float) -> None:
    # 600 and 1200 cm/s are 21.6 and 43.2 km/h; leads fade out below 20-30 km/h [C].
    image = (
        ImageBuilder().layers("steer_lead").fill("steer_gain_permille", 100).put("steer_peak_permille", 300)
    )
    steer = np.arange(200) * 4
    lead = layer(
        firmware.run(image.build(), block({"steer_ddeg": steer, "road_speed_cm_s": speed})), "steer_lead"
    )
    assert lead[-1, 0] == pytest.approx(200 * share, abs=2)


def band_image() -> ImageBuilder:
    """Different trims in every band, direction and axle, normal and rough."""
    normal = [[[10, 20, 30], [-10, -20, -30]], [[40, 50, 60], [-40, -50, -60]]]
    rough = [[[10, -100, -200], [-10, -110, -210]], [[40, -120, -220], [-40, -130, -230]]]
    trims = np.array([normal, rough]).ravel().tolist()
    image = ImageBuilder().layers("stroke_speed").put("band_trim_permille", *trims)
    return image.table("base_table", [0, 1], [500, 500])


def test_bands_follow_common_practice_and_blend_across_their_edges(firmware: Firmware) -> None:
    # 0-2, 2-6 and over 6 in/s are the low, medium and high band: 50.8 and 152.4 mm/s [C].
    for speed, expected in [
        (20, 10),
        (40, 10),
        (51, 15),
        (62, 20),
        (100, 20),
        (152, 25),
        (163, 30),
        (900, 30),
    ]:
        stroke = np.arange(250) * speed * PERIOD_US // 1000
        trace = firmware.run(band_image().build(), block({STROKES[0]: stroke, STROKES[2]: -stroke}))
        assert column(trace, "stroke_speed_mm_s")[-1, 0] == pytest.approx(speed, abs=1)
        got = layer(trace, "stroke_speed")[-1]
        assert got[0] == pytest.approx(expected, abs=1), speed
        assert got[2] == pytest.approx(-(expected + 30), abs=1), speed


def test_rough_braking_takes_demand_away_and_only_then(firmware: Firmware) -> None:
    # A 12 Hz, 3 mm sine has a mean absolute speed of 4 f A = 144 mm/s [X].
    t = np.arange(1500) * PERIOD_US * 1e-6
    stroke = (3000 * np.sin(2 * np.pi * 12 * t)).astype(int)
    strokes = dict.fromkeys(STROKES, stroke)
    image = band_image().build()
    rolling = layer(firmware.run(image, block(strokes | {"brake_kpa": 0})), "stroke_speed")[500:]
    braking = layer(firmware.run(image, block(strokes | {"brake_kpa": 4000})), "stroke_speed")[500:]
    smooth = dict.fromkeys(STROKES, stroke // 10)
    even = layer(firmware.run(image, block(smooth | {"brake_kpa": 4000})), "stroke_speed")[500:]
    assert rolling[:, 0].min() >= -31
    assert even[:, 0].min() >= -31
    assert braking[:, 0].min() < -80
    assert braking[:, 0].mean() < rolling[:, 0].mean() - 30


@pytest.mark.parametrize("sign", [1, -1])
def test_stroke_end_acts_only_toward_the_stop(firmware: Firmware, sign: int) -> None:
    image = ImageBuilder().layers("stroke_end").fill("end_peak_permille", 900)
    image.put("end_start_um", 30000, 20000, 30000, 20000).put("end_stop_um", 40000, 30000, 40000, 30000)
    start, stop = (30000, 40000) if sign > 0 else (20000, 30000)
    there = np.arange(0, 42001, 200)
    stroke = sign * np.concatenate([there, there[::-1]])
    trace = firmware.run(image.build(), block({STROKES[0]: stroke}))
    end = layer(trace, "stroke_end")[:, 0]
    going, coming = end[: len(there)], end[len(there) + 10 :]
    expected = 900 * np.clip((there - start) / (stop - start), 0, 1)
    assert np.abs(going - expected).max() <= 2
    assert not coming.any(), "moving away from the stop needs no help"


def test_stroke_end_looks_ahead_by_speed_and_squares_its_shape(firmware: Firmware) -> None:
    image = ImageBuilder().layers("stroke_end").fill("end_peak_permille", 1000)
    image.put("end_lead_us", 10000).put("end_shape_permille", 1000)
    # 500 mm/s: 1 mm a tick, and 5 mm further in 10 ms; ramp 30 to 42 mm.
    stroke = np.arange(0, 40001, 1000)
    trace = firmware.run(image.build(), block({STROKES[1]: stroke}))
    ahead = np.clip((stroke + 5000 - 30000) / 12000, 0, 1) ** 2
    assert np.abs(layer(trace, "stroke_end")[5:, 1] - 1000 * ahead[5:]).max() <= 3


def test_stroke_end_is_a_floor_for_the_demand_not_an_addition(firmware: Firmware) -> None:
    image = (
        ImageBuilder()
        .layers("stroke_end")
        .fill("end_peak_permille", 600)
        .table("base_table", [0, 1], [400, 400])
    )
    stroke = np.arange(0, 42001, 200)
    trace = firmware.run(image.build(), block({STROKES[0]: stroke}))
    ramp = 600 * np.clip((stroke - 30000) / 12000, 0, 1)
    assert np.abs(column(trace, "demand_permille")[:, 0] - np.maximum(400, ramp)).max() <= 2


def grip_image() -> ImageBuilder:
    """Wet below 0.7 and dry above 0.85 of a dry reference of 1.5 g, three events [D]."""
    image = ImageBuilder().layers("grip").table("base_table", [0, 1], [600, 600])
    image.put("grip_ask_kpa", 3000).put("grip_low_sq", 1050**2).put("grip_high_sq", 1275**2)
    image.put("grip_event_min_ticks", 100).put("grip_settle_ticks", 20).put("grip_events", 3)
    image.put("grip_rise_q10", 100).put("grip_fall_q10", 5)
    image.put("grip_slow_in_q16", 65536 // 500).put("grip_slow_out_q16", 65536 // 1000)
    return image.put("grip_scale_permille", 700, 500)


def braking(decelerations_mg: list[int], *, switch: int = 0) -> dict[str, np.ndarray]:
    """Brake events of 0.6 s with 0.6 s between."""
    pressure, deceleration = [], []
    for value in decelerations_mg:
        pressure += [0] * 300 + [5000] * 300
        deceleration += [0] * 300 + [-value] * 300
    pressure += [0] * 900
    deceleration += [0] * 900
    values = {"brake_kpa": pressure, "longitudinal_mg": deceleration, "lateral_mg": 0, "steer_ddeg": 0}
    return values | {"road_speed_cm_s": 3000, "grip_switch": switch, "driver_switch": 0}


def test_three_weak_events_make_it_wet_and_three_strong_ones_dry_again(firmware: Firmware) -> None:
    trace = firmware.run(grip_image().build(), block(braking([900, 900])))
    assert not column(trace, "wet_permille").any(), "two events are no evidence"
    trace = firmware.run(grip_image().build(), block(braking([900, 900, 900])))
    assert column(trace, "wet_permille")[-1] == 1000
    assert layer(trace, "grip")[-1].tolist() == pytest.approx([-180, -180, -300, -300], abs=1)
    assert np.diff(column(trace, "wet_permille")).max() <= 2, "it comes slowly"
    trace = firmware.run(None, block(braking([1400, 1400, 1400]), first_tick=2700))
    assert column(trace, "wet_permille")[-1] < 400
    trace = firmware.run(None, block(braking([]), first_tick=5400))
    assert column(trace, "wet_permille")[-1] == 0


def test_a_slow_lap_is_no_wet_lap(firmware: Firmware) -> None:
    # Gentle braking asks for no grip: 1000 kPa stay below the threshold of 3000 [D].
    values = braking([400] * 6)
    values["brake_kpa"] = np.minimum(values["brake_kpa"], 1000)
    assert not column(firmware.run(grip_image().build(), block(values)), "wet_permille").any()


def test_events_between_the_thresholds_change_nothing(firmware: Firmware) -> None:
    assert not column(firmware.run(grip_image().build(), block(braking([1150] * 6))), "wet_permille").any()


def test_the_drivers_switch_wins(firmware: Firmware) -> None:
    wet = firmware.run(grip_image().build(), block(braking([1400] * 3, switch=2)))
    assert column(wet, "wet_permille")[-1] == 1000
    dry = firmware.run(grip_image().build(), block(braking([900] * 4, switch=1)))
    assert not column(dry, "wet_permille").any()


def test_steering_asks_for_grip_by_its_speed_table(firmware: Firmware) -> None:
    image = grip_image().table("grip_ask_table", [1000, 5000], [900, 300])
    turn = [0] * 300 + [700] * 300
    values = braking([]) | {
        "steer_ddeg": turn * 3,
        "lateral_mg": ([0] * 300 + [800] * 300) * 3,
        "brake_kpa": 0,
    }
    del values["longitudinal_mg"]
    values |= {"longitudinal_mg": 0, "road_speed_cm_s": 3000}
    values["steer_ddeg"] = np.append(values["steer_ddeg"], [0] * 600)
    values["lateral_mg"] = np.append(values["lateral_mg"], [0] * 600)
    assert column(firmware.run(image.build(), block(values)), "wet_permille")[-1] > 900
    values["road_speed_cm_s"] = 1200
    assert not column(firmware.run(image.build(), block(values)), "wet_permille").any()


@pytest.mark.parametrize("name", ALL_LAYERS)
def test_a_layer_that_is_off_adds_nothing(firmware: Firmware, name: str) -> None:
    rng = np.random.default_rng(11)
    values = {c.name: rng.integers(-c.limit // 8, c.limit // 8, 800) for c in ImageBuilder().layout.channels}
    values |= {"grip_switch": 2, "driver_switch": 0}
    on = busy_image(*ALL_LAYERS).build()
    off = busy_image(*(other for other in ALL_LAYERS if other != name)).build()
    assert layer(firmware.run(on, block(values)), name).any()
    assert not layer(firmware.run(off, block(values)), name).any()


def busy_image(*layers: str) -> ImageBuilder:
    """An image in which each of the layers that is on does something."""
    image = band_image().layers(*layers) if "stroke_speed" in layers else ImageBuilder().layers(*layers)
    image.table("base_table", [0, 1], [500, 500])
    image.body_load([-1500, 0, 1500], [-1500, 0, 1500], 100 * np.arange(36).reshape(4, 3, 3) % 700 - 200)
    image.table("road_speed_table", [0, 6000], [-50, 100]).table("brake_lead_table", [0, 5000], [0, 200])
    image.fill("brake_lead_peak_permille", 200).fill("brake_rate_gain_permille", 5)
    image.fill("steer_gain_permille", 5).put("steer_peak_permille", 150)
    image.fill("grip_scale_permille", 700).put("grip_slow_in_q16", 500)
    image.put("grip_ask_kpa", 3000).put("grip_low_sq", 1050**2).put("grip_high_sq", 1275**2)
    return image.fill("end_peak_permille", 950).put("end_lead_us", 10000).put("end_shape_permille", 500)
