"""The same firmware in MicroPython and in checked CPython: the same bytes out, and nothing that would wrap."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashpot import checked
from dashpot.errors import InputError
from dashpot.targets import RunBlock
from firmware_fixtures import Firmware
from images import ALL_LAYERS, FIRMWARE, LAYOUT, ImageBuilder, block, sealed
from test_firmware_core import any_tick, check_invariants, random_block, random_values
from test_firmware_laws import busy_image


def same(host: Firmware, cpython: Firmware, image: bytes, blocks: list[RunBlock]) -> np.ndarray:
    ours, theirs = host.run(image, blocks), cpython.run(image, blocks)
    if not np.array_equal(ours, theirs):
        tick, word = np.argwhere(ours != theirs)[0]
        name = [c for w in LAYOUT.trace for c in w.columns][word]
        pytest.fail(
            f"tick {tick}: {name} is {ours[tick, word]} on MicroPython and {theirs[tick, word]} on CPython"
        )
    state = LAYOUT.state
    apart = np.nonzero(host.target.state() != cpython.target.state())[0]
    # The one word that says which of the two it is.
    assert apart.tolist() == [state["pad"].at]
    return ours


@pytest.mark.parametrize("seed", range(3))
def test_random_walks_give_the_same_words(host: Firmware, cpython: Firmware, seed: int) -> None:
    image = busy_image(*ALL_LAYERS).put("report_ticks", 5).fill("slew_up_ma", 60).fill("slew_down_ma", 90)
    image.put("leave_q10", 30).put("return_q10", 10).put("fade_q10", 17).put("recover_q10", 40)
    same(host, cpython, image.build(), [block(random_values(3000, seed), start_us=2**30 - 3_000_000)])


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    ticks=st.lists(any_tick, min_size=1, max_size=30), start_us=st.sampled_from([0, 2**29 - 1, 2**30 - 4001])
)
def test_any_frames_at_any_times_give_the_same_words(
    host: Firmware, cpython: Firmware, ticks: list[tuple[int, list[tuple[int, bytes, int]]]], start_us: int
) -> None:
    image = busy_image(*ALL_LAYERS).put("report_ticks", 1)
    check_invariants(same(host, cpython, image.build(), [random_block(ticks, start_us)]), image)


def extreme_words(rng: np.random.Generator) -> list[int]:
    """An image whose fixed words lie at or near the bounds that the firmware itself declares."""
    bounds = checked.load(FIRMWARE).import_module("dashpot.image")._BOUNDS
    image = busy_image(*ALL_LAYERS)
    tables = (
        "base_table",
        "road_speed_table",
        "brake_lead_table",
        "grip_ask_table",
        "steer_yaw_table",
        "valve_table",
    )
    for name in tables:
        for i in range(LAYOUT.config[name].count):
            x = np.unique(rng.choice([-32768, -32767, -1, 0, 1, 500, 999, 32766, 32767], 6))
            image.table(name, [*x.tolist(), *([32767] if len(x) < 2 and x[0] < 32767 else [])] if len(x) > 1 else [0, 1],
                        rng.choice([-32768, 0, 32767], max(2, len(x))).tolist(), at=i)  # fmt: skip
    axis = [-32768, -1, 0, 32767]
    image.body_load(axis, axis, rng.choice([-1000, 0, 1000], (4, 4, 4)))
    for name in ("stroke_um.front_left", "lateral_mg", "brake_kpa"):
        limit = LAYOUT.channels[LAYOUT.channel_index(name)].limit
        image.channel(name, default=int(rng.choice([-limit, limit])))
    for own, name in enumerate(("lateral_mg", "longitudinal_mg"), 1):
        image.channel(name, substitute=int(rng.choice([0, own])), required=int(rng.integers(2)))
    for check in LAYOUT.checks:
        most = 100_000 if check.name.startswith("coil_tracking") else 1_000_000
        limits = rng.choice([0, 1, 500, 10_000, most], 2).tolist()
        trip, heal = rng.choice([0, 1, 3], 2).tolist()
        row = dict(
            zip(LAYOUT.rows["check_row"], [trip, heal, int(rng.choice([0, 2, 100])), *limits], strict=True)
        )
        image.check(check.name, **row)
    words = np.frombuffer(image.build()[20:], "<i4").copy()
    for place, count, least, most in bounds:
        words[place : place + count] = rng.choice([least, least, most, most, (least + most) // 2], count)
    config = LAYOUT.config

    def ordered(low: str, high: str, middle: str | None = None) -> None:
        for i in range(config[low].count):
            a, b = sorted((words[config[low].at + i], words[config[high].at + i]))
            words[config[low].at + i], words[config[high].at + i] = a, b
            if middle:
                words[config[middle].at + i] = rng.choice([a, b])

    ordered("least_ma", "most_ma", "safe_ma")
    ordered("demand_min_permille", "demand_max_permille")
    safe, most = (words[config[name].at :][:4] for name in ("safe_ma", "most_ma"))
    words[config["derate_ma"].at :][:4] = np.where(rng.integers(2, size=4), safe, most)
    words[config["match_ma"].at :][:4] = np.where(rng.integers(2, size=4), most, 0)
    # The safe currents of an axle may be as far apart as its spread at least.
    words[config["axle_spread_ma"].at :][:2] = rng.choice([0, 5000], 2)
    for axle in range(2):
        words[config["axle_spread_ma"].at + axle] = max(
            words[config["axle_spread_ma"].at + axle], abs(int(safe[2 * axle]) - int(safe[2 * axle + 1]))
        )
    words[config["resistance_permille"].at :][:2].sort()
    words[config["band_edge_mm_s"].at :][:2] = rng.choice([[1000, 3000], [1000, 32767]])
    for tracker in range(LAYOUT.sizes["trackers"]):
        row = config["tracker_rows"].at + tracker * LAYOUT.sizes["tracker_row"]
        words[row + 1 : row + 3] = rng.choice([1, 1024], 2)
    for i in range(4):
        words[config["end_start_um"].at + i], words[config["end_stop_um"].at + i] = [
            (-400000, 400000), (-400000, -399999), (399999, 400000),
        ][rng.integers(3)]  # fmt: skip
    return words.tolist()


def edge_values(rng: np.random.Generator, ticks: int) -> dict[str, np.ndarray]:
    """Values that jump between the limits of every channel."""
    return {
        channel.name: rng.choice([-channel.limit, -1, 0, 1, channel.limit], ticks)
        for channel in LAYOUT.channels
    }


def edge_inputs(rng: np.random.Generator, whole: RunBlock) -> RunBlock:
    """Let the board's own inputs jump between their ends as well."""
    names = LAYOUT.rows["tick_in"]
    ticks = whole.ticks.copy()
    n = len(ticks)
    # Mostly fine, so that the checks do not all stay tripped.
    ticks[:, names.index("supply_mv")] = rng.choice([0, 5999, 13_500, 13_500, 13_500, 32_767], n)
    ticks[:, names.index("flags")] = rng.choice([0, 0, 0, 0, *range(128)], n)
    for corner in LAYOUT.corners:
        permille = rng.choice([0, 1, 99, 100, 1000, 1000, 1629, 39_999, 40_000, 65_535], 6).repeat(
            n // 6 + 1
        )[:n]
        ticks[:, names.index(f"coil_permille_{corner}")] = permille
    return RunBlock(whole.first_tick, ticks, whole.frames, whole.log_us)


@pytest.mark.parametrize("seed", range(25))
def test_nothing_wraps_for_any_image_that_the_firmware_takes(
    host: Firmware, cpython: Firmware, seed: int
) -> None:
    # Edge-first; the seed is in the test's name. Checked CPython raises where a 32-bit board would wrap.
    rng = np.random.default_rng(seed)
    image = sealed(extreme_words(rng), LAYOUT.version)
    try:
        host.target.load(image)
    except InputError as error:
        pytest.fail(f"seed {seed} made an image that is refused: {error}")
    whole = block(edge_values(rng, 250), start_us=2**30 - 200_000)
    same(host, cpython, image, [edge_inputs(rng, whole)])


def test_checked_cpython_would_see_a_wrap() -> None:
    # The check itself must bite: one word past what the firmware accepts overflows the tracker's product.
    firmware = checked.load(FIRMWARE)
    core = firmware.import_module("dashpot.core")
    ring, outbox = core.make_ring(64), core.make_ring(64)
    image = ImageBuilder().build()
    controller = core.load(image, ring, outbox)
    row = LAYOUT.config["tracker_rows"].at
    controller.image[row + LAYOUT.rows["tracker_row"].index("rate_mul")] = 32767
    controller.state[LAYOUT.state["velocity_q12"].at] = 1 << 27
    controller.state[LAYOUT.state["trust_q10"].at + LAYOUT.channel_index("stroke_um.front_left")] = 1024
    controller.state[LAYOUT.state["since_fix"].at] = 1
    controller.state[LAYOUT.state["good_run"].at + LAYOUT.channel_index("stroke_um.front_left")] = 5
    controller.state[LAYOUT.state["age_us"].at + LAYOUT.channel_index("stroke_um.front_left")] = 0
    with pytest.raises(checked.WrapError, match=r"estimate\.py"):
        controller.tick(2000)
