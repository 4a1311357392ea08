"""Detection times against their closed forms: when the fault shows, and the trip ticks from then on, within one tick.

When a fault shows is taken from the log and the vehicle file, or computed anew from traced values; trip times are those
of the demo's calibration [D]. Rates, limits and periods stand in the demo's files.
"""

from __future__ import annotations

import numpy as np
import pytest

from dashpot.faults.plan import words_of
from faults_kit import PLAN_HEAD, bus, image, recorded, traced
from images import LAYOUT

PERIOD_MS = 2.0
#: Of faults that one limit or one flag shows at once, in the tick of the onset itself.
AT_ONCE = {
    "bus_off": ("bus_off_flag", "", 4),
    "supply_low": ("supply_step", 'severity = "8 V"', 10),
    "supply_high": ("supply_step", 'severity = "17 V"', 10),
    "driver_hot": ("driver_hot", "", 50),
    "coil_open": ("coil_open", 'corner = "front_left"', 10),
    "coil_short": ("over_current", 'corner = "rear_right"', 2),
}
#: Of wrong values: how far, the channel's rate a second, the message, the trip time.
BY_VALUE = {
    "lateral_implausible": ("offset", "lateral", "0.7 g", 0.7 / 40, "Inertial", 200),
    "longitudinal_implausible": ("offset", "longitudinal", "0.7 g", 0.7 / 40, "Inertial", 200),
    "yaw_implausible": ("offset", "yaw_rate", "20 deg/s", 0.0, "Yaw_Rate", 200),
    "steer_implausible": ("offset", "steer_angle", "65 deg", 65 / 2000, "Steering", 200),
    "brake_implausible": ("step", "brake_pressure", "55 bar", 55 / 3000, "Brake_Pressures", 200),
    "stroke_implausible": ("offset", "stroke.front_left", "35 mm", 35 / 3000, "Suspension_Strokes", 200),
}


def one(text: str) -> tuple:
    (found,) = recorded(PLAN_HEAD + text).values()
    return found


def row(kind: str, more: str, length: str = "400 ms") -> str:
    expect = '[rows.t.expect]\nreaction = "none"\n'
    return f'[rows.t]\nfault = "{kind}"\n{more}\nonset = "straight"\nlength = "{length}"\n{expect}'


def first_ms(found: tuple, code: str) -> float:
    """Time from the onset to the first tick with a code."""
    made, recording, _ = found
    hits = (traced(recording, "faults") >> LAYOUT.faults.index(code) & 1 != 0) & (
        recording.at_us >= made.lead_us
    )
    assert hits.any(), f"{code} never came"
    return (int(recording.at_us[np.flatnonzero(hits)[0]]) - made.lead_us) / 1000


@pytest.mark.parametrize("code", AT_ONCE)
def test_what_shows_at_once_takes_its_trip_time(code: str) -> None:
    """The tick of the onset is the first bad one, so the last of n comes n - 1 periods later."""
    kind, more, trip_ms = AT_ONCE[code]
    assert first_ms(one(row(kind, more)), code) == trip_ms - PERIOD_MS


@pytest.mark.parametrize(
    ("kind", "severity", "length", "trip_ms"),
    [("supply_step", 'severity = "5 V"', "400 ms", 10), ("supply_step", 'severity = "20 V"', "400 ms", 2),
     ("driver_hot", "", "2500 ms", 2000)],
)  # fmt: skip
def test_outputs_are_off_after_the_trip_time(kind: str, severity: str, length: str, trip_ms: int) -> None:
    """The codes are those of the nearer limit; the farther one shows in the mode."""
    made, recording, _ = one(row(kind, severity, length=length))
    off = np.flatnonzero(traced(recording, "mode") == LAYOUT.modes.index("output_off"))
    assert (int(recording.at_us[off[0]]) - made.lead_us) / 1000 == trip_ms - PERIOD_MS
    assert not traced(recording, "current_ma")[off[0]].any()


@pytest.mark.parametrize("code", BY_VALUE)
def test_a_wrong_value_takes_its_trip_time_from_the_first_frame_that_is_believed(code: str) -> None:
    """A jump past the channel's rate is refused until so much time has gone since the last good value [D, vehicle.toml]."""
    kind, channel, severity, refused_s, message, trip_ms = BY_VALUE[code]
    found = one(row(kind, f'channel = "{channel}"\nseverity = "{severity}"', length="600 ms"))
    made, _, given = found
    frames = given.frames.at_us[given.frames.key == bus().messages[message].key] - made.lead_us
    last_us = int(frames[frames < 0][-1])
    believed = frames[(frames >= 0) & (frames - last_us >= refused_s * 1e6)]
    tick_ms = PERIOD_MS * -(-int(believed[0]) // 2000)
    assert abs(first_ms(found, code) - (tick_ms + trip_ms - PERIOD_MS)) <= PERIOD_MS


def debounced(bad: np.ndarray, trip: int) -> int:
    """The tick in which an up and down counter first gets to `trip`."""
    level = 0
    for tick, each in enumerate(bad.tolist()):
        level = level + 1 if each else max(0, level - 1)
        if level >= trip:
            return tick
    raise AssertionError("never trips")


def test_a_speed_that_drifts_is_seen_from_the_tick_that_it_is_15_km_h_from_the_wheels() -> None:
    """The mean of the two middle wheels, as traced: an offset of 4.17 m/s, 100 ticks [D]."""
    found = one(row("ramp", 'channel = "road_speed"\nseverity = "10 km/h/s"', length="4 s"))
    made, recording, _ = found
    channels = traced(recording, "channel")
    wheels = np.sort(
        channels[:, [LAYOUT.channel_index(f"wheel_speed_cm_s.{c}") for c in LAYOUT.corners]], axis=1
    )
    away = np.abs(channels[:, LAYOUT.channel_index("road_speed_cm_s")] - wheels[:, 1:3].sum(axis=1) // 2)
    after = recording.at_us >= made.lead_us
    tick = debounced((away > 15 / 3.6 * 100)[after], 100)
    assert abs(first_ms(found, "speed_implausible") - PERIOD_MS * tick) <= PERIOD_MS


def test_a_median_that_goes_away_is_seen_from_the_tick_that_it_is_15_mm_from_the_others() -> None:
    """Medians of 20 mm/s while both filtered accelerations of the tick before are below 0.3 g, computed anew [D]."""
    found = one(row("offset", 'channel = "stroke.front_left"\nseverity = "-20 mm"', length="1800 ms"))
    made, recording, _ = found
    strokes_mm = (
        traced(recording, "channel")[:, [LAYOUT.channel_index(f"stroke_um.{c}") for c in LAYOUT.corners]]
        / 1000
    )
    limit_mg = image().word("straight_mg")
    straight = (np.abs(traced(recording, "lateral_filtered_mg")) < limit_mg) & (
        np.abs(traced(recording, "longitudinal_filtered_mg")) < limit_mg
    )
    step_mm = image().word("straight_step_q4") / 16000
    median = np.zeros(4)
    bad = np.zeros(len(straight), bool)
    for tick in range(1, len(straight)):
        if straight[tick - 1] and recording.at_us[tick] > 100_000:
            median += np.clip(strokes_mm[tick] - median, -step_mm, step_mm)
            bad[tick] = abs(median[0] - median[1:].mean()) > 15
    after = recording.at_us >= made.lead_us
    # The value of some ticks at the jump is not traced, as the channel is lost for a moment.
    assert abs(first_ms(found, "stroke_implausible") - PERIOD_MS * debounced(bad[after], 100)) <= PERIOD_MS


def test_a_current_that_does_not_follow_is_seen_after_15_bad_ticks() -> None:
    """The wanted course is a lag of 6 ms of the command; 10 % and 50 mA away is bad [D], recomputed in floating point."""
    found = one(row("coil_chatter", 'corner = "front_left"\nseverity = "20 ms"', length="600 ms"))
    made, recording, _ = found
    command, measured = traced(recording, "current_ma")[:, 0], traced(recording, "measured_ma")[:, 0]
    volt_ma = traced(recording, "duty_q14")[:, 0]
    share = 1 - np.exp(-2 / 6)
    wanted = 0.0
    bad = np.zeros(len(command), bool)
    for tick in range(1, len(command)):
        wanted += (command[tick - 1] - wanted) * share
        error = abs(wanted - measured[tick])
        # With all of the supply on the coil a low current is no error.
        full = volt_ma[tick - 1] == 16384 and measured[tick] <= wanted
        bad[tick] = error > 50 and error > 0.1 * wanted and not full
    after = recording.at_us >= made.lead_us
    assert abs(first_ms(found, "coil_tracking") - PERIOD_MS * debounced(bad[after], 15)) <= PERIOD_MS


@pytest.mark.parametrize("permille", [500, 1900])
def test_a_resistance_is_seen_a_second_after_its_average_leaves_the_band(permille: int) -> None:
    """An exponential average of 500 ms leaves 0.7 or 1.7 of nominal at -0.5 s ln(1 - part), plus 500 ticks [D, X].

    Each tick's estimate has the noise of whole milliamperes, so the crossing is known to some ticks: 1 % of the time.
    """
    found = one(row("coil_step", f'corner = "rear_left"\nseverity = {permille}', length="2600 ms"))
    part = (1000 - 700) / (1000 - permille) if permille < 1000 else 700 / (permille - 1000)
    expected_ms = -500 * np.log(1 - part) + 1000
    assert first_ms(found, "coil_resistance") == pytest.approx(expected_ms, rel=0.01)


def test_an_overrun_is_the_third_late_tick() -> None:
    found = one(row("slow_ticks", "severity = 3000", length="200 ms"))
    # Ticks at 0, 6, 12, 18 ms; the one at 0 is in time.
    assert first_ms(found, "overrun") == 18.0


@pytest.mark.parametrize("place", ["body_load_table", "report_ticks"])
def test_a_bit_in_memory_is_found_when_the_check_has_come_to_the_end(place: str) -> None:
    """Eight words a tick from the first tick on: the round that reads the word after it turned over tells at its end."""
    words, at = len(image().words), words_of(image())[place].at
    text = f'[rows.t]\nfault = "memory_bit"\nword = "{place}"\nonset = "straight"\n'
    found = one(text)
    made, _, _ = found
    before = made.lead_us // 2000
    # The word is read next at the first multiple of the image's length, plus its place, that lies past what was read.
    read = 8 * before
    round_end = (read // words + (1 if at >= read % words else 2)) * words
    tick = -(-round_end // 8) - 1
    assert abs(first_ms(found, "memory") - PERIOD_MS * (tick - before)) <= PERIOD_MS


def test_a_bit_in_the_guards_limits_takes_the_current_in_that_tick() -> None:
    text = '[rows.t]\nfault = "limits_bit"\nword = "most_ma.rear_left"\nonset = "straight"\n'
    found = one(text)
    made, recording, _ = found
    tick = int(np.searchsorted(recording.at_us, made.lead_us))
    current = traced(recording, "current_ma")[:, 2]
    assert current[tick - 1] > 0
    assert not current[tick:].any()
    assert first_ms(found, "memory") == PERIOD_MS


def test_three_hangs_hold_it_from_the_first_tick_of_the_third_start() -> None:
    found = one('[rows.t]\nfault = "hangs"\nseverity = 3\nonset = "straight"\nlength = "600 ms"\n')
    assert first_ms(found, "held") == 2 * 200 + 50


def test_a_hang_and_a_late_tick_are_seen_when_it_runs_again() -> None:
    found = one(row("hang", "", length="30 ms"))
    assert first_ms(found, "late_tick") == first_ms(found, "command_stale") == 30.0
    # 20 ms from the command before it is not too old, 22 ms is.
    found = one('[rows.t]\nfault = "late_tick"\nseverity = "18 ms"\nonset = "straight"\n')
    assert first_ms(found, "late_tick") == 18.0
    assert not (traced(found[1], "faults") >> LAYOUT.faults.index("command_stale") & 1).any()
