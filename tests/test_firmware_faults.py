"""Detectors of signals that arrive and are wrong: too fast, too still; and the end of coming back.

Thresholds are this project's choices [D]; a stroke faster than 3 m/s and one that is still for 0.5 to 1 s while the
car moves are common practice [C].
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from dashpot.targets import RunBlock
from firmware_fixtures import Firmware
from images import LAYOUT, PERIOD_US, ImageBuilder, block, column

STROKE = "stroke_um.front_left"
AT = LAYOUT.channel_index(STROKE)


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


def fault(trace: np.ndarray, name: str) -> np.ndarray:
    return column(trace, "faults") >> LAYOUT.faults.index(name) & 1


def used(trace: np.ndarray) -> np.ndarray:
    return column(trace, "channel")[:, AT]


def lost(trace: np.ndarray) -> np.ndarray:
    return column(trace, "channels_lost") >> AT & 1


def seen(whole: RunBlock, ticks: list[bool] | np.ndarray) -> RunBlock:
    """Keep the frames of some ticks only; for blocks with one frame a tick."""
    kept = np.asarray(ticks, bool)
    whole.ticks[:, 1] = kept
    return RunBlock(whole.first_tick, whole.ticks, whole.frames[kept], whole.log_us)


# --- rate -----------------------------------------------------------------------------------------------------------


def rate_image(**fields: int) -> ImageBuilder:
    """3 m/s: 300 mm in 100 ms, so 300 000 x 15 // 781 = 5761 um in a tick of 2 ms [X]."""
    row = {"rate_100ms": 300_000, "rate_floor_us": 1000, "timeout_us": 10_000, "heal_good": 5} | fields
    return ImageBuilder().channel(STROKE, **row)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(("step", "refused"), [(5761, False), (5762, True), (400_000, True)])
def test_a_change_past_the_rate_is_refused(firmware: Firmware, step: int, refused: bool, sign: int) -> None:
    values = sign * np.array([0] * 10 + [step] + [0] * 5)
    trace = firmware.run(rate_image().build(), block({STROKE: values}))
    assert fault(trace, "signal_rate")[10] == refused
    assert fault(trace, "signal_bad")[10] == 0
    assert column(trace, "signals_bad")[10] == refused
    assert used(trace)[10] == (0 if refused else values[10])
    assert not lost(trace)[8:].any(), "one value is no loss"


def test_without_a_rate_any_change_passes(firmware: Firmware) -> None:
    trace = firmware.run(
        rate_image(rate_100ms=0).build(), block({STROKE: [0] * 10 + [400_000, -400_000] * 3})
    )
    assert not fault(trace, "signal_rate").any()
    assert used(trace)[-1] == -400_000


def test_a_step_that_stays_is_taken_once_it_could_have_happened(firmware: Firmware) -> None:
    # 50 mm at 3 m/s take 16.7 ms: refused in eight ticks, taken in the ninth [X]. It is lost in between, past 10 ms.
    trace = firmware.run(rate_image().build(), block({STROKE: [0] * 10 + [50_000] * 40}))
    assert fault(trace, "signal_rate")[10:].tolist() == [1] * 8 + [0] * 32
    # The last good frame is 300 us old at its tick, 8300 us in the fourth after it and past 10 ms in the fifth.
    assert lost(trace)[10:19].tolist() == [0] * 4 + [1] * 4 + [0]
    assert used(trace)[-1] == 50_000


def test_the_rate_counts_the_time_since_the_last_good_value(firmware: Firmware) -> None:
    # Every fifth tick has a value: 10 ms allow 300 000 x 78 // 781 = 29 961 um [X].
    for step, refused in [(29_961, False), (29_962, True)]:
        values = np.array([0] * 11 + [step] * 5)
        ticks = np.arange(16) % 5 == 0
        trace = firmware.run(rate_image(timeout_us=50_000).build(), seen(block({STROKE: values}), ticks))
        assert fault(trace, "signal_rate")[15] == refused


def test_after_a_tenth_of_a_second_any_value_is_news(firmware: Firmware) -> None:
    ticks = [True] * 5 + [False] * 50 + [True]
    trace = firmware.run(rate_image().build(), seen(block({STROKE: [0] * 55 + [300_000]}), ticks))
    assert not fault(trace, "signal_rate").any()
    # 98 ms are not enough: 300 000 x 765 // 781 = 293 854 um [X].
    ticks = [True] * 5 + [False] * 48 + [True]
    trace = firmware.run(rate_image().build(), seen(block({STROKE: [0] * 53 + [300_000]}), ticks))
    assert fault(trace, "signal_rate")[53] == 1


def test_frames_that_come_together_get_at_least_the_floor(firmware: Firmware) -> None:
    # Two frames 10 us apart, 1 ms granted: 300 000 x 7 // 781 = 2688 um [X].
    for step, refused in [(2688, False), (2689, True)]:
        whole = block({STROKE: [0] * 10 + [step]})
        whole.ticks[:, 0] = PERIOD_US * np.arange(1, 12)
        whole.frames[10, 0] = whole.frames[9, 0] + 10
        trace = firmware.run(rate_image().build(), whole)
        assert fault(trace, "signal_rate")[10] == refused
        whole.frames[10, 0] = whole.frames[9, 0] - 500
        assert fault(firmware.run(rate_image().build(), whole), "signal_rate")[10] == refused, "out of order"


def test_the_first_value_has_no_rate(firmware: Firmware) -> None:
    trace = firmware.run(rate_image().build(), block({STROKE: [400_000] * 3}))
    assert not fault(trace, "signal_rate").any()
    assert column(trace, "signals_bad")[-1] == 0


# --- still ----------------------------------------------------------------------------------------------------------


def still_image(**fields: int) -> ImageBuilder:
    """Still for 100 ms, 50 ticks, from 10 m/s."""
    return (
        ImageBuilder()
        .channel(STROKE, **({"still_us": 100_000, "heal_good": 5} | fields))
        .put("still_speed_cm_s", 1000)
    )


def test_a_signal_of_a_moving_car_that_stands_still_is_lost(firmware: Firmware) -> None:
    alive = np.arange(50) % 7
    values = np.concatenate([alive, np.full(100, 3), alive])
    trace = firmware.run(still_image().build(), block({STROKE: values, "road_speed_cm_s": 1000}))
    stands = fault(trace, "signal_still")
    # The value last changed in tick 50, the first of the 3s; 50 ticks later it has stood for 100 ms, and then longer.
    assert not stands[:101].any()
    assert stands[101:150].all()
    assert not stands[150:].any()
    assert lost(trace)[101:150].all()
    assert not lost(trace)[155:].any(), "five values that move bring it back"
    assert used(trace)[120] == 0
    assert used(trace)[160] == values[160]


@pytest.mark.parametrize(("speed", "found"), [(0, False), (999, False), (1000, True), (5000, True)])
def test_a_standing_car_may_have_still_signals(firmware: Firmware, speed: int, found: bool) -> None:
    values = {STROKE: np.full(300, 3), "road_speed_cm_s": speed}
    assert fault(firmware.run(still_image().build(), block(values)), "signal_still").any() == found


def test_without_a_trusted_road_speed_still_signals_are_no_fault(firmware: Firmware) -> None:
    image = still_image().channel("road_speed_cm_s", default=5000)
    assert not fault(firmware.run(image.build(), block({STROKE: np.full(300, 3)})), "signal_still").any()


def test_a_signal_that_does_not_come_is_lost_not_still(firmware: Firmware) -> None:
    speed = {"road_speed_cm_s": 5000}
    trace = firmware.run(still_image(timeout_us=10_000).build(), block(speed, ticks=300))
    assert not fault(trace, "signal_still").any()
    heard = block({STROKE: np.arange(20)} | speed)
    trace = firmware.run(
        still_image(timeout_us=10_000).build(), [heard, block(speed, ticks=300, first_tick=20)]
    )
    assert not fault(trace, "signal_still").any()
    assert lost(trace)[30:].all()


def test_without_a_limit_a_signal_may_stand_for_ever(firmware: Firmware) -> None:
    values = {STROKE: np.full(3000, 3), "road_speed_cm_s": 5000}
    assert not fault(firmware.run(still_image(still_us=0).build(), block(values)), "signal_still").any()


# --- latch ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("most", [1, 3])
def test_a_channel_lost_too_often_stays_lost_until_a_reset(firmware: Firmware, most: int) -> None:
    image = ImageBuilder().channel(STROKE, timeout_us=10_000, heal_good=5).put("losses_most", most)
    cycles = most + 3
    ticks = ([True] * 20 + [False] * 20) * cycles
    trace = firmware.run(image.build(), seen(block({STROKE: np.full(40 * cycles, 7)}), ticks))
    gone = lost(trace).reshape(cycles, 40)
    latched = (column(trace, "channels_latched") >> AT & 1).reshape(cycles, 40)
    for cycle in range(cycles):
        came_back = not gone[cycle, 5:20].any()
        assert came_back == (cycle <= most), f"loss {most + 1} is the one too many"
        assert latched[cycle, -1] == (cycle >= most)
    assert np.array_equal(fault(trace, "latched"), latched.ravel())
    fresh = firmware.run(image.build(), block({STROKE: np.full(20, 7)}))
    assert not column(fresh, "channels_latched").any(), "an image that is loaded anew starts anew"


def test_the_wait_for_the_first_values_is_no_loss(firmware: Firmware) -> None:
    image = ImageBuilder().channel(STROKE, heal_good=5).put("losses_most", 1)
    trace = firmware.run(image.build(), seen(block({STROKE: np.full(240, 7)}), [False] * 200 + [True] * 40))
    assert firmware.state("losses")[AT] == 0
    assert not column(trace, "channels_latched").any()


def test_a_latched_required_channel_holds_the_safe_current(firmware: Firmware) -> None:
    image = (
        ImageBuilder().channel("lateral_mg", required=1, timeout_us=10_000, heal_good=2).put("losses_most", 1)
    )
    image.table("base_table", [0, 1], [1000, 1000])
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    without = {name: value for name, value in everything.items() if name != "lateral_mg"}
    blocks = []
    for cycle in range(3):
        blocks.append(block(everything, ticks=50, first_tick=100 * cycle))
        blocks.append(block(without, ticks=50, first_tick=100 * cycle + 50))
    blocks.append(block(everything, ticks=100, first_tick=300))
    trace = firmware.run(image.build(), blocks)
    assert (column(trace, "mode")[250:] == LAYOUT.modes.index("safe_hold")).all()
    assert (column(trace, "current_ma")[-1] == 800).all()


# --- the way back -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("sign", [1, -1])
def test_the_way_back_waits_for_the_end_of_the_corner(firmware: Firmware, sign: int) -> None:
    # Not in mid-corner: below 0.2 g [D].
    image = (
        ImageBuilder()
        .table("base_table", [0, 1], [1000, 1000])
        .put("return_q10", 64)
        .put("return_below_mg", 200)
    )
    image.channel("brake_kpa", required=1, timeout_us=10_000, heal_good=1)
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    without = {name: value for name, value in everything.items() if name != "brake_kpa"}
    trace = firmware.run(
        image.build(),
        [
            block(everything | {"lateral_mg": sign * 200}, ticks=50),
            block(without | {"lateral_mg": sign * 900}, ticks=50, first_tick=50),
            block(everything | {"lateral_mg": sign * 201}, ticks=50, first_tick=100),
            block(
                everything | {"lateral_mg": [sign * 200] * 5 + [sign * 201] * 5 + [0] * 40}, first_tick=150
            ),
        ],
    )
    authority = column(trace, "authority_q10")
    assert authority[49] == 1024
    assert authority[99] == 0
    assert (column(trace, "mode")[100:] == LAYOUT.modes.index("active")).all()
    assert not authority[100:150].any(), "still in the corner"
    assert authority[150:160].tolist() == [64, 128, 192, 256, 320, 320, 320, 320, 320, 320]
    assert authority[-1] == 1024
    assert (column(trace, "current_ma")[140] == 800).all()


def test_full_authority_is_kept_in_a_corner(firmware: Firmware) -> None:
    image = ImageBuilder().put("return_below_mg", 200)
    everything = {channel.name: 0 for channel in LAYOUT.channels}
    trace = firmware.run(image.build(), block(everything | {"lateral_mg": [0] * 5 + [1500] * 50}))
    assert (column(trace, "authority_q10")[1:] == 1024).all()
