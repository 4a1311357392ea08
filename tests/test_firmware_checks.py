"""Cross-checks, their debounce, and the substitutes, on both interpreters.

Limits and times here are this project's own choices [D]; what a check compares is held to formulas outside the firmware:
numpy with the standard acceleration of gravity 9.80665 m/s2 (ISO 80000-3 [S]), and closed forms [X].
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot.targets import RunBlock
from firmware_fixtures import Firmware, checked_module
from images import CORNERS, LAYOUT, PERIOD_US, ImageBuilder, block, column, with_inputs
from test_firmware_core import Core
from test_firmware_parity import same

G = 9.80665
# cm/s at which 0.01 deg/s of yaw rate are 0.001 g: G x 18000 / pi / 10 [X].
SPEED = 5619
GRAIN = 16.5  # mg, see the test of the change of speed
FINE, BAD, NONE = range(3)
WHEELS = [f"wheel_speed_cm_s.{corner}" for corner in CORNERS]
STROKES = [f"stroke_um.{corner}" for corner in CORNERS]
CHECKS = [check.name for check in LAYOUT.checks]
CHANNELS = [channel.name for channel in LAYOUT.channels]


@pytest.fixture(scope="module", params=["host", "cpython"])
def firmware(request: pytest.FixtureRequest) -> Firmware:
    return request.getfixturevalue(request.param)  # type: ignore[no-any-return]  # pytest gives Any


def fault(trace: np.ndarray, name: str) -> np.ndarray:
    return column(trace, "faults") >> LAYOUT.faults.index(name) & 1


def implausible(trace: np.ndarray) -> list[set[str]]:
    """Channels that a check has tripped on, of each tick."""
    return [
        {c.name for i, c in enumerate(LAYOUT.channels) if mask >> i & 1}
        for mask in column(trace, "channels_implausible").tolist()
    ]


# --- every check: its limit, its trip and its heal ------------------------------------------------------------------


def driving(**values: object) -> dict[str, object]:
    """A car that drives straight on at `SPEED`, with a steering that asks for as many mg as it is tenths of a degree."""
    return {"road_speed_cm_s": SPEED, "lateral_mg": 0, "yaw_cdeg_s": 0, "longitudinal_mg": 0} | values


@dataclass(frozen=True)
class Case:
    """A check fed by one number: `apart` turns it into what the bus and the board say."""

    name: str
    apart: Callable[[np.ndarray], tuple[dict[str, object], dict[str, object]]]
    channels: frozenset[str]
    limits: dict[str, tuple[int, int]]
    limit: int = 300
    heal_limit: int = 200
    falls: bool = False
    words: dict[str, tuple[int, ...]] = field(default_factory=dict)

    def image(self, trip: int, heal: int, heals: int) -> ImageBuilder:
        image = ImageBuilder().put("check_from_cm_s", 1000).table("steer_yaw_table", [0, 1], [1000, 1000])
        # All that these numbers feed has limits; only the check at hand is on.
        for name, (limit, heal_limit) in self.limits.items():
            image.check(name, limit=limit, heal_limit=heal_limit)
        for name, values in self.words.items():
            image.put(name, *values)
        return image.check(self.name, trip_ticks=trip, heal_ticks=heal, heals_most=heals)

    def run(self, firmware: Firmware, image: ImageBuilder, numbers: list[int]) -> np.ndarray:
        """Trace after four ticks in which the channels get their trust."""
        good = self.heal_limit
        values, inputs = self.apart(np.array([good] * 4 + numbers))
        return firmware.run(image.build(), with_inputs(block(values, ticks=4 + len(numbers)), **inputs))[4:]


def bus(
    **make: Callable[[np.ndarray], object] | int,
) -> Callable[[np.ndarray], tuple[dict[str, object], dict[str, object]]]:
    """Values of channels made of the number, the rest as in `driving`."""
    return lambda x: (
        driving(**{name: value(x) if callable(value) else value for name, value in make.items()}),
        {},
    )


def board(
    **make: Callable[[np.ndarray], object],
) -> Callable[[np.ndarray], tuple[dict[str, object], dict[str, object]]]:
    """The board's inputs, made of the number."""
    return lambda x: (driving(), {name: value(x) for name, value in make.items()})


def flag(name: str) -> Callable[[np.ndarray], tuple[dict[str, object], dict[str, object]]]:
    bit = 1 << LAYOUT.board_flags.index(name)
    return board(flags=lambda x: np.where(x > 300, bit, 0))


FAR = (10**6, 10**6)
OWN = (300, 200)
CASES = {
    case.name + note: case
    for note, case in [
        ("", Case("lateral", bus(lateral_mg=lambda x: x), frozenset({"lateral_mg"}), {"lateral": OWN})),
        (" to the right", Case("lateral", bus(lateral_mg=lambda x: -x), frozenset({"lateral_mg"}), {"lateral": OWN})),
        (" by yaw, no steering", Case("lateral", bus(yaw_cdeg_s=lambda x: x), frozenset({"lateral_mg"}), {"lateral": OWN})),
        ("", Case("longitudinal", bus(longitudinal_mg=lambda x: x), frozenset({"longitudinal_mg"}), {"longitudinal": OWN})),
        (" backwards", Case("longitudinal", bus(longitudinal_mg=lambda x: -x), frozenset({"longitudinal_mg"}),
                            {"longitudinal": OWN})),
        # Found by the two other witnesses: whichever limit is passed last decides. It has no second limit of its own.
        ("", Case("yaw", bus(yaw_cdeg_s=lambda x: x, steer_ddeg=0), frozenset({"yaw_cdeg_s"}),
                  {"lateral": (300, 0), "steer": (290, 0)}, heal_limit=300)),
        ("", Case("steer", bus(steer_ddeg=lambda x: x), frozenset({"steer_ddeg"}), {"lateral": OWN, "steer": OWN})),
        (" to the right", Case("steer", bus(steer_ddeg=lambda x: -x), frozenset({"steer_ddeg"}),
                               {"lateral": OWN, "steer": OWN})),
        (" without deceleration", Case("brake", bus(longitudinal_mg=lambda x: x - 500, brake_kpa=3001),
                                       frozenset({"brake_kpa"}), {"longitudinal": FAR}, heal_limit=300,
                                       words={"brake_high_kpa": (3000,), "brake_least_mg": (200,)})),
        (" by pressure", Case("brake", bus(brake_kpa=lambda x: x), frozenset({"brake_kpa"}), {"longitudinal": FAR},
                              heal_limit=300, words={"brake_high_kpa": (300,), "brake_least_mg": (1,)})),
        (" without pressure", Case("brake", bus(longitudinal_mg=lambda x: -x, brake_kpa=99), frozenset({"brake_kpa"}),
                                   {"longitudinal": FAR}, heal_limit=300,
                                   words={"brake_high_kpa": (3000,), "brake_low_kpa": (100,), "brake_most_mg": (300,)})),
        ("", Case("speed", bus(**dict.fromkeys(WHEELS, lambda x: SPEED + x)), frozenset({"road_speed_cm_s"}), {"speed": OWN})),
        (" the other way", Case("speed", bus(**dict.fromkeys(WHEELS, lambda x: SPEED - x)), frozenset({"road_speed_cm_s"}),
                                {"speed": OWN})),
        *[("", Case(f"stroke_roll.{axle}", bus(**dict.fromkeys(STROKES, 0) | {STROKES[2 * i]: lambda x: x}),
                    frozenset(STROKES[2 * i : 2 * i + 2]), {f"stroke_roll.{axle}": OWN}))
          for i, axle in enumerate(("front", "rear"))],
        *[(" the other way", Case(f"stroke_roll.{axle}", bus(**dict.fromkeys(STROKES, 0) | {STROKES[2 * i + 1]: lambda x: x}),
                                  frozenset(STROKES[2 * i : 2 * i + 2]), {f"stroke_roll.{axle}": OWN}))
          for i, axle in enumerate(("front", "rear"))],
        # With a step as large as any, the median is the value itself; a fourth that is off by x is so from three at 0.
        *[("", Case(f"stroke_offset.{corner}", bus(**dict.fromkeys(STROKES, 0) | {f"stroke_um.{corner}": lambda x: x}),
                    frozenset({f"stroke_um.{corner}"}), {f"stroke_offset.{c}": OWN if c == corner else FAR for c in CORNERS},
                    words={"straight_mg": (150,), "straight_step_q4": (16000,)})) for corner in CORNERS],
        ("", Case("stroke_offset.rear_left", bus(**dict.fromkeys(STROKES, 0) | {STROKES[2]: lambda x: -x}),
                  frozenset({STROKES[2]}), {f"stroke_offset.{c}": OWN if c == "rear_left" else FAR for c in CORNERS},
                  words={"straight_mg": (150,), "straight_step_q4": (16000,)})),
        ("", Case("bus_off", flag("bus_off"), frozenset(), {}, heal_limit=300)),
        ("", Case("driver_hot", flag("driver_hot"), frozenset(), {}, heal_limit=300)),
        ("", Case("driver_hot_off", flag("driver_hot"), frozenset(), {}, heal_limit=300)),
        ("", Case("held", flag("held"), frozenset(), {}, heal_limit=300)),
        *[("", Case(name, board(supply_mv=lambda x: 13_000 - x), frozenset(), {name: (12_700, 12_800)}))
          for name in ("supply_low", "supply_under")],
        *[("", Case(name, board(supply_mv=lambda x: 13_000 + x), frozenset(), {name: (13_300, 13_200)}))
          for name in ("supply_high", "supply_over")],
        *[("", Case(f"coil_short.{corner}", board(flags=lambda x, bit=bit: np.where(x > 300, bit, 0)), frozenset(), {},
                    heal_limit=300))
          for corner in CORNERS
          for bit in [1 << LAYOUT.board_flags.index(f"over_current_{corner}")]],
    ]
}  # fmt: skip


def of_the_check(trace: np.ndarray, case: Case) -> np.ndarray:
    return fault(trace, LAYOUT.checks[CHECKS.index(case.name)].fault)


@pytest.mark.parametrize("name", CASES)
def test_a_check_trips_after_exactly_its_ticks_past_its_limit(firmware: Firmware, name: str) -> None:
    case = CASES[name]
    image = case.image(trip=5, heal=3, heals=10)
    good, edge, bad = case.heal_limit, case.limit, case.limit + 1
    trace = case.run(firmware, image, [edge] * 20)
    assert not of_the_check(trace, case).any(), "at its limit it never trips"
    trace = case.run(firmware, image, [bad] * 4 + [good] * 10)
    assert not of_the_check(trace, case).any(), "one tick short of the trip"
    trace = case.run(firmware, image, [bad] * 5)
    assert of_the_check(trace, case).tolist() == [0] * 4 + [1]
    assert implausible(trace)[3:] == [set(), case.channels]
    # The level counts down by one with each good tick: after 4 bad and 3 good ones, 4 bad ones are missing.
    trace = case.run(firmware, image, [bad] * 4 + [good] * 3 + [bad] * 4)
    assert of_the_check(trace, case).tolist() == [0] * 10 + [1]


@pytest.mark.parametrize("name", CASES)
def test_a_check_heals_only_within_its_second_limit_and_so_many_ticks_in_a_row(
    firmware: Firmware, name: str
) -> None:
    case = CASES[name]
    image = case.image(trip=1, heal=4, heals=10)
    good, bad = case.heal_limit, case.limit + 1
    just = case.heal_limit + 1
    trace = case.run(firmware, image, [bad] + [just] * 12 + [good] * 3 + [just] + [good] * 4)
    assert of_the_check(trace, case).tolist() == [1] * 20 + [0]
    assert implausible(trace)[-2:] == [case.channels, set()]
    assert not fault(trace, "latched").any()


@pytest.mark.parametrize("name", CASES)
def test_a_check_that_healed_as_often_as_it_may_stays_tripped(host: Firmware, name: str) -> None:
    case = CASES[name]
    good, bad = case.heal_limit, case.limit + 1
    for heals in (0, 1, 3):
        trace = case.run(host, case.image(trip=1, heal=2, heals=heals), [bad, good, good, good] * (heals + 3))
        wanted = [1, 1, 0, 0] * heals + [1] * 12
        assert of_the_check(trace, case).tolist() == wanted
        latched = fault(trace, "latched").tolist()
        # It is known to be latched in the tick after it tripped for the last time.
        assert latched == [0] * (4 * heals + 1) + [1] * 11
        bit = 1 << LAYOUT.faults.index(LAYOUT.checks[CHECKS.index(case.name)].fault)
        assert int(host.state("faults_latched")[0]) == bit
    host.run(case.image(trip=1, heal=2, heals=1).build(), block(driving(), ticks=3))
    assert not host.state("faults_latched").any(), "only a reset forgets"


@pytest.mark.parametrize("name", CASES)
def test_a_check_without_a_trip_time_is_off(host: Firmware, name: str) -> None:
    case = CASES[name]
    trace = case.run(host, case.image(trip=0, heal=2, heals=3), [case.limit + 1] * 30)
    assert not of_the_check(trace, case).any()
    assert implausible(trace)[-1] == set()


def test_slow_ticks_in_a_row_are_an_overrun(firmware: Firmware) -> None:
    image = ImageBuilder().check("overrun", trip_ticks=3, heal_ticks=5, heals_most=9)

    def run(late: list[int]) -> list[int]:
        steps = np.where(late, PERIOD_US * 5 // 4 + 1, PERIOD_US * 5 // 4)
        return fault(
            firmware.run(image.build(), with_inputs(block({}, ticks=len(late)), now_us=np.cumsum(steps))),
            "overrun",
        ).tolist()

    assert not any(run([0] * 30)), "one and a quarter periods are not too slow"
    # The first tick has no tick before it.
    assert run([1] * 4) == [0] * 3 + [1]
    assert not any(run([0] + [1, 1, 0, 0] * 5))
    assert run([0, 1, 1, 0, 1, 1]) == [0] * 5 + [1]
    assert run([0, 1, 1, 1] + [0] * 4 + [1] + [0] * 6) == [0] * 3 + [1] * 10 + [0] * 2


def reference_debounce(seen: list[int], trip: int, heal: int, heals_most: int) -> list[int]:
    """What a debounced check says, in plain words; a tick with nothing to compare is no evidence either way."""
    level = heals = 0
    tripped = False
    out = []
    for suspect in seen:
        if tripped:
            if heals < heals_most and suspect != NONE:
                level = 0 if suspect == BAD else level + 1
                if level >= heal and suspect == FINE:
                    tripped, level, heals = False, 0, heals + 1
        elif suspect == BAD:
            level += 1
            if level >= trip:
                tripped, level = True, 0
        elif suspect == FINE:
            level = max(0, level - 1)
        out.append(int(tripped))
    return out


def debounced(seen: list[int], trip: int, heal: int, heals_most: int, check: str) -> list[int]:
    core = Core(ImageBuilder().check(check, trip_ticks=trip, heal_ticks=heal, heals_most=heals_most))
    stage = checked_module("dashpot.debounce").debounce
    out = []
    at = CHECKS.index(check)
    for suspect in seen:
        core[f"suspect.{at}"] = suspect
        stage(core.controller.image, core.state, core.controller.check_masks)
        out.append(core[f"tripped.{at}"])
    return out


@settings(max_examples=60, deadline=None)
@given(
    seen=st.lists(st.tuples(st.sampled_from([FINE, BAD, NONE]), st.integers(1, 6)), max_size=25),
    trip=st.integers(1, 7),
    heal=st.integers(1, 7),
    heals_most=st.integers(0, 3),
    # The memory's own check is not debounced.
    check=st.sampled_from([check for check in CHECKS if check != "memory"]),
)
def test_any_sequence_is_debounced_like_the_reference(
    seen: list[tuple[int, int]], trip: int, heal: int, heals_most: int, check: str
) -> None:
    ticks = [suspect for suspect, count in seen for _ in range(count)]
    assert debounced(ticks, trip, heal, heals_most, check) == reference_debounce(
        ticks, trip, heal, heals_most
    )


def test_nothing_to_compare_is_no_evidence() -> None:
    # Four bad ticks on each side of a long time in which nothing could be compared are eight.
    for gap in (1, 50):
        assert debounced([BAD] * 4 + [NONE] * gap + [BAD] * 4, 8, 3, 9, "stroke_offset.rear_left")[-1] == 1
        assert debounced([BAD] + [FINE] * 2 + [NONE] * gap + [FINE], 1, 3, 9, "steer")[-2:] == [1, 0]


def test_a_good_tick_takes_back_one_bad_one() -> None:
    for good in (1, 3):
        assert debounced([BAD] * 4 + [FINE] * good + [BAD] * (good + 1), 5, 3, 9, "steer")[-2:] == [0, 1]
    assert not any(debounced([FINE] * 9 + [BAD] * 4, 5, 3, 9, "steer"))


# --- what is compared -----------------------------------------------------------------------------------------------


class Stage:
    """The stage of the cross-checks alone, in checked CPython, on channels that are all there."""

    def __init__(self, image: ImageBuilder | None = None) -> None:
        image = image or ImageBuilder()
        for name in CHECKS[:12]:
            image.check(name, trip_ticks=1, heal_ticks=1)
        self.core = Core(image.put("check_from_cm_s", 1000))
        self.observe = checked_module("dashpot.plausible").observe
        for channel in range(len(LAYOUT.channels)):
            self.core[f"age_us.{channel}"] = 0
            self.core[f"trust_q10.{channel}"] = 1024

    def __call__(self, words: dict[str, int] | None = None, **values: int) -> dict[str, int]:
        """Give what each check sees; `values` of channels by name, a dot written as two underscores."""
        for name, value in values.items():
            channel = LAYOUT.channel_index(name.replace("__", "."))
            self.core[f"value.{channel}"] = self.core[f"channel.{channel}"] = value
        for name, value in (words or {}).items():
            self.core[name] = value
        self.observe(self.core.controller.image, self.core.state)
        return {name: self.core[f"suspect.{i}"] for i, name in enumerate(CHECKS)}

    def lack(self, *names: str) -> None:
        for name in names:
            self.core[f"age_us.{LAYOUT.channel_index(name)}"] = 100_001


@pytest.mark.parametrize(
    ("speed", "yaw_per_steer", "steer", "yaw"),
    [
        (10_000, 32_767, 16_000, 32_767),
        (10_000, 32_767, -16_000, -32_767),
        (10_000, 2048, 16_000, 32_767),
        (10_000, 2048, -16_000, -32_767),
        (3000, 1, 1000, 1),
        (3000, 1, -1000, -1),
        (2500, 1, 1000, 1),
        (5000, 1500, 3001, 4501),
    ],
)
def test_the_steering_asks_for_a_lateral_acceleration(
    speed: int, yaw_per_steer: int, steer: int, yaw: int
) -> None:
    # A yaw rate by the table, within 16 bits, times speed; to the nearest mg [X]. Yaw says none, the sensor 1 mg of it: the
    # nearer of them decides.
    asked = round(speed * yaw / SPEED)
    lateral = (asked > 0) - (asked < 0)
    for limit in (abs(asked - lateral), abs(asked - lateral) - 1):
        if limit < 0:
            continue
        stage = Stage(ImageBuilder().check("steer", limit=limit, heal_limit=limit))
        got = stage(
            {f"lookup_y.{LAYOUT.sizes['lookups'] - 1}": yaw_per_steer},
            road_speed_cm_s=speed, steer_ddeg=steer, lateral_mg=lateral,
        )  # fmt: skip
        assert got["steer"] == int(abs(asked - lateral) > limit)


def test_all_eight_ways_in_which_three_witnesses_can_disagree() -> None:
    # The limit of lateral against yaw is 300 mg, that of the steering 200 mg against either.
    image = ImageBuilder().table("steer_yaw_table", [0, 1], [1000, 1000])
    image.check("lateral", limit=300, heal_limit=300).check("steer", limit=200, heal_limit=200)
    # lateral, yaw, steering (all in mg) -> what is at fault
    cases = {
        (0, 0, 0): set(),
        (100, -150, 0): set(),
        (0, 250, 0): set(),  # only yaw and steering are apart
        (250, 0, 0): set(),  # only lateral and steering are
        (0, 100, 400): {"steer"},
        (-180, 190, 0): {"yaw"},  # only lateral and yaw are: the one farther from the steering
        (-190, 180, 0): {"lateral"},
        (-190, 190, 0): {"lateral"},
        (0, 400, 0): {"yaw"},
        (400, 0, 0): {"lateral"},
        (400, 0, -400): {"lateral", "yaw", "steer"},
    }
    stage = Stage(image)
    seen = set()
    for (lateral, yaw, steer), wrong in cases.items():
        for sign in (1, -1):
            got = stage(
                {f"lookup_y.{LAYOUT.sizes['lookups'] - 1}": 1000},
                road_speed_cm_s=SPEED, lateral_mg=sign * lateral, yaw_cdeg_s=sign * yaw, steer_ddeg=sign * steer,
            )  # fmt: skip
            assert {name for name in ("lateral", "yaw", "steer") if got[name] == BAD} == wrong, (
                lateral,
                yaw,
                steer,
            )
            assert NONE not in {got["lateral"], got["yaw"], got["steer"]}
        seen.add((abs(lateral - yaw) > 300, abs(lateral - steer) > 200, abs(yaw - steer) > 200))
    assert len(seen) == 8


def test_random_witnesses_are_judged_as_the_reference_judges_them() -> None:
    # All near their limits: two of the three agree, or who is farther from the steering.
    image = ImageBuilder().check("lateral", limit=4, heal_limit=2).check("steer", limit=3, heal_limit=1)
    stage = Stage(image)
    rng = np.random.default_rng(12)
    met = set()
    for _ in range(1500):
        lateral, yaw, steer = rng.integers(-5, 6, 3).tolist()
        doubted, wrong = (bool(tripped) for tripped in rng.random(2) < 0.3)
        got = stage(
            {
                f"lookup_y.{LAYOUT.sizes['lookups'] - 1}": 1000,
                f"tripped.{CHECKS.index('lateral')}": int(doubted),
                f"tripped.{CHECKS.index('steer')}": int(wrong),
            },
            road_speed_cm_s=SPEED, lateral_mg=lateral, yaw_cdeg_s=yaw, steer_ddeg=steer,
        )  # fmt: skip
        apart, bound = abs(lateral - yaw) > (2 if doubted else 4), 1 if wrong else 3
        off, yaw_off = abs(lateral - steer), abs(yaw - steer)
        wanted = {"lateral": int(apart), "yaw": NONE, "steer": int(off > bound and yaw_off > bound)}
        if not wrong:
            close = off <= bound and yaw_off <= bound
            wanted["lateral"] = int(apart and (off >= yaw_off if close else off > bound))
            wanted["yaw"] = int(apart and (yaw_off > off if close else yaw_off > bound))
        assert {name: got[name] for name in wanted} == wanted
        met.add(tuple(wanted.values()))
    assert len(met) == 9


def test_random_decelerations_are_judged_as_the_reference_judges_them() -> None:
    # Against the change of speed; and, where that says nothing against it, the brake by it.
    image = ImageBuilder().check("longitudinal", limit=4, heal_limit=2)
    image.put("brake_high_kpa", 30).put("brake_least_mg", 3).put("brake_low_kpa", 10).put("brake_most_mg", 6)
    stage = Stage(image)
    wheels = dict.fromkeys((wheel.replace(".", "__") for wheel in WHEELS), 2000)
    rng = np.random.default_rng(13)
    met = set()
    for _ in range(1500):
        change = int(rng.integers(-12, 5))
        longitudinal = change + int(rng.integers(-5, 6))
        brake = int(rng.choice([0, 9, 10, 11, 29, 30, 31, 40]))
        doubted = bool(rng.random() < 0.3)
        got = stage(
            {"speed_change_mg": change, f"tripped.{CHECKS.index('longitudinal')}": int(doubted)},
            road_speed_cm_s=2000, longitudinal_mg=longitudinal, brake_kpa=brake, **wheels,
        )  # fmt: skip
        wanted = {"longitudinal": int(abs(longitudinal - change) > (2 if doubted else 4)), "brake": NONE}
        if not doubted and not wanted["longitudinal"]:
            wanted["brake"] = int((brake > 30 and -longitudinal < 3) or (brake < 10 and -longitudinal > 6))
        assert {name: got[name] for name in wanted} == wanted
        met.add(tuple(wanted.values()))
    assert met == {(FINE, NONE), (BAD, NONE), (FINE, FINE), (FINE, BAD)}


def test_random_strokes_roll_as_the_reference_has_it() -> None:
    # Left less right, and what the car rolls at this lateral acceleration: both axles apart, and the one farther off.
    image = ImageBuilder().put("roll_um", 8000, 6000)
    for i, axle in enumerate(("front", "rear")):
        image.check(f"stroke_roll.{axle}", limit=4 + i, heal_limit=2 + i)
    stage = Stage(image)
    rng = np.random.default_rng(14)
    at = CHECKS.index("stroke_roll.front")
    met = set()
    for _ in range(1500):
        lateral, tripped = int(rng.choice([-1001, -1, 0, 1, 999])), (rng.random(2) < 0.3).tolist()
        rolls = [-(8000 * lateral // 1000), -(6000 * lateral // 1000)]
        base, apart = rng.integers(-9, 10, 2), rng.integers(-7, 8, 2)
        strokes = [v for i in (0, 1) for v in (int(base[i]) + rolls[i] + int(apart[i]), int(base[i]))]
        got = stage(
            {"lateral_filtered_mg": lateral, **{f"tripped.{at + i}": int(t) for i, t in enumerate(tripped)}},
            road_speed_cm_s=2000, lateral_mg=lateral,
            **{f"stroke_um__{corner}": stroke for corner, stroke in zip(CORNERS, strokes, strict=True)},
        )  # fmt: skip
        off = np.abs(apart)
        wanted = []
        for i, farther in enumerate((off[0] >= off[1], off[1] > off[0])):
            bound = (2 if tripped[i] else 4) + i
            wanted.append(int(farther and off[i] > bound and abs(apart[0] - apart[1]) > bound))
        assert [got["stroke_roll.front"], got["stroke_roll.rear"]] == wanted
        met.add(tuple(wanted))
    assert met == {(FINE, FINE), (BAD, FINE), (FINE, BAD)}


def test_a_steering_found_wrong_has_no_say_between_the_other_two() -> None:
    image = (
        ImageBuilder().check("lateral", limit=300, heal_limit=300).check("steer", limit=200, heal_limit=100)
    )
    stage = Stage(image)
    steer = CHECKS.index("steer")
    got = stage({f"tripped.{steer}": 1}, road_speed_cm_s=SPEED, lateral_mg=0, yaw_cdeg_s=400, steer_ddeg=0)
    assert (got["lateral"], got["yaw"]) == (BAD, NONE)


def test_without_steering_the_lateral_sensor_is_the_one_at_fault() -> None:
    stage = Stage(ImageBuilder().check("lateral", limit=300, heal_limit=300))
    stage.lack("steer_ddeg")
    got = stage(road_speed_cm_s=SPEED, lateral_mg=0, yaw_cdeg_s=301)
    assert (got["lateral"], got["yaw"], got["steer"]) == (BAD, NONE, NONE)


def test_speed_times_yaw_is_the_lateral_acceleration_of_physics() -> None:
    # a = v omega [S, any text on mechanics]; in mg within its rounding and that of its constant: G x 18000 / pi / 10 is
    # 5618.80, used as 5619, 3.6e-5 more [X].
    stage = Stage()
    rng = np.random.default_rng(11)
    speeds = np.concatenate([[0, 1000, 32_767, 32_767, 8000], rng.integers(0, 12_000, 400)])
    yaws = np.concatenate([[32_767, -1, 3000, -32_767, 1], rng.integers(-9000, 9001, 400)])
    exact = 1000 * (speeds / 100) * np.deg2rad(yaws / 100) / G
    got = []
    for speed, yaw in zip(speeds.tolist(), yaws.tolist(), strict=True):
        stage(road_speed_cm_s=speed, yaw_cdeg_s=yaw)
        assert stage.core["substitute_ok.0"] == 1
        got.append(stage.core["substitute_mg.0"])
    inside = np.abs(exact) <= 15_999
    assert inside.sum() > 350
    assert (np.abs(np.array(got) - exact) <= 0.5 + 3.7e-5 * np.abs(exact))[inside].all()
    # No more than the channel itself may carry.
    assert {got[i] for i in np.flatnonzero(exact > 16_001)} == {16_000}
    assert {got[i] for i in np.flatnonzero(exact < -16_001)} == {-16_000}


@pytest.mark.parametrize("change", [-32_768, -16_001, -16_000, -15_999, 0, 15_999, 16_000, 16_001, 32_767])
def test_a_change_of_speed_stands_in_as_far_as_the_channel_goes(change: int) -> None:
    stage = Stage()
    stage({"speed_change_mg": change}, road_speed_cm_s=SPEED)
    assert stage.core["substitute_mg.1"] == min(max(change, -16_000), 16_000)


@pytest.mark.parametrize("lacks", ["road_speed_cm_s", "yaw_cdeg_s"])
def test_a_substitute_needs_its_sources_whole(lacks: str) -> None:
    at = LAYOUT.channel_index(lacks)
    stage = Stage()
    stage(road_speed_cm_s=SPEED, yaw_cdeg_s=100)
    assert [stage.core[f"substitute_ok.{i}"] for i in range(2)] == [1, 1]
    for word, value in [(f"trust_q10.{at}", 1023), (f"age_us.{at}", 100_001)]:
        stage = Stage()
        stage({word: value}, road_speed_cm_s=SPEED, yaw_cdeg_s=100)
        assert [stage.core[f"substitute_ok.{i}"] for i in range(2)] == [0, int(lacks == "yaw_cdeg_s")]


@pytest.mark.parametrize("name", CHECKS[:12])
def test_a_check_without_its_channels_or_speed_has_nothing_to_compare(name: str) -> None:
    whole = {channel.name.replace(".", "__"): 0 for channel in LAYOUT.channels} | {"road_speed_cm_s": 1000}
    image = ImageBuilder().put("straight_mg", 150)
    needs = {
        "lateral": {"road_speed_cm_s", "lateral_mg", "yaw_cdeg_s"},
        "longitudinal": {"road_speed_cm_s", "longitudinal_mg"},
        "yaw": {"road_speed_cm_s", "lateral_mg", "yaw_cdeg_s", "steer_ddeg"},
        "steer": {"road_speed_cm_s", "lateral_mg", "yaw_cdeg_s", "steer_ddeg"},
        "brake": {"road_speed_cm_s", "longitudinal_mg", "brake_kpa"},
        "speed": {"road_speed_cm_s", *WHEELS},
    }.get(name, {"road_speed_cm_s", "lateral_mg", *STROKES})
    # 10 m/s from all witnesses of the speed, so that nothing disagrees.
    whole |= dict.fromkeys([wheel.replace(".", "__") for wheel in WHEELS], 1000)
    assert Stage(image)(**whole)[name] == FINE
    for channel in LAYOUT.channels:
        stage = Stage(image)
        stage.lack(channel.name)
        assert (stage(**whole)[name] == NONE) == (channel.name in needs), channel.name
    if name == "speed":
        slow = Stage(image)(
            **whole | dict.fromkeys([w.replace(".", "__") for w in WHEELS], 999) | {"road_speed_cm_s": 999}
        )
    else:
        slow = Stage(image)(**whole | {"road_speed_cm_s": 999})
    assert slow[name] == NONE


def test_a_channel_counts_until_it_is_older_than_its_timeout() -> None:
    at = LAYOUT.channel_index("yaw_cdeg_s")
    for age, seen in [(100_000, FINE), (100_001, NONE)]:
        got = Stage()({f"age_us.{at}": age}, road_speed_cm_s=2000)
        assert got["lateral"] == seen


NEEDS = {"lateral_mg": "lateral", "longitudinal_mg": "longitudinal", "brake_kpa": "brake", "steer_ddeg": "steer",
         "yaw_cdeg_s": "lateral", "road_speed_cm_s": "speed"} | dict.fromkeys(WHEELS, "speed") | dict.fromkeys(
             STROKES, "stroke_roll.front")  # fmt: skip


@pytest.mark.parametrize(("channel", "check"), NEEDS.items())
def test_every_channel_counts_by_its_own_timeout_and_only_if_there_is_one(channel: str, check: str) -> None:
    at = LAYOUT.channel_index(channel)

    def seen(late_us: int, configured: int = 1) -> int:
        image = ImageBuilder()
        for i, name in enumerate(CHANNELS):
            image.channel(name, timeout_us=10_000 + 1000 * i)
        stage = Stage(image.channel(channel, configured=configured))
        ages = {f"age_us.{i}": 10_000 + 1000 * i + (late_us if i == at else 0) for i in range(len(CHANNELS))}
        speeds = dict.fromkeys(["road_speed_cm_s", *(wheel.replace(".", "__") for wheel in WHEELS)], 2000)
        return stage(ages, **speeds)[check]

    assert [seen(0), seen(1), seen(-5000, configured=0)] == [FINE, NONE, NONE]


def test_the_speed_of_the_wheels_is_the_mean_of_the_middle_two() -> None:
    # numpy's sort as the reference; one wheel may lock and another spin.
    rng = np.random.default_rng(3)
    limit = 100
    stage = Stage(ImageBuilder().check("speed", limit=limit, heal_limit=limit))
    ways = set()
    for _ in range(1500):
        wheels = rng.integers(1500, 3000) + rng.integers(-150, 151, 4)
        wheels[rng.integers(4)] = rng.choice([0, 9000, wheels[0]])
        middle = int(np.sort(wheels)[1:3].sum()) // 2
        speed = middle + int(rng.choice([-limit - 1, -limit, 0, limit, limit + 1]))
        got = stage(
            road_speed_cm_s=speed,
            **{w.replace(".", "__"): int(v) for w, v in zip(WHEELS, wheels, strict=True)},
        )
        assert got["speed"] == int(abs(speed - middle) > limit)
        ways.add(got["speed"])
    assert ways == {FINE, BAD}


def test_standing_wheels_or_a_standing_speed_are_seen_while_the_other_moves() -> None:
    stage = Stage(ImageBuilder().check("speed", limit=400, heal_limit=400))
    wheels = {w.replace(".", "__"): 0 for w in WHEELS}
    assert stage(road_speed_cm_s=1000, **wheels)["speed"] == BAD
    assert stage(road_speed_cm_s=999, **wheels)["speed"] == NONE
    assert stage(road_speed_cm_s=0, **dict.fromkeys(wheels, 1000))["speed"] == BAD
    assert stage(road_speed_cm_s=0, **dict.fromkeys(wheels, 999))["speed"] == NONE


def test_a_doubtful_speed_is_no_witness_against_the_longitudinal_sensor() -> None:
    # From a third of the limit on.
    stage = Stage(
        ImageBuilder()
        .check("speed", limit=300, heal_limit=200)
        .check("longitudinal", limit=50, heal_limit=50)
    )
    wheels = [w.replace(".", "__") for w in WHEELS]
    for apart, seen in [(0, BAD), (100, BAD), (101, NONE), (-100, BAD), (-101, NONE)]:
        got = stage(longitudinal_mg=51, road_speed_cm_s=2000, **dict.fromkeys(wheels, 2000 + apart))
        assert got["longitudinal"] == seen
        assert got["speed"] == FINE


@pytest.mark.parametrize(("step_cm_s", "every"), [(2, 1), (-2, 1), (1, 1), (10, 5), (-10, 5), (1, 4), (0, 1)])
def test_the_change_of_speed_of_a_ramp_is_its_slope(firmware: Firmware, step_cm_s: int, every: int) -> None:
    # slope / G [X]; an alpha-beta filter has no error on a ramp once it has settled [S, Benedict and Bordner], but for the
    # grain of its position, a sixteenth of 1 cm/s: half of that in a tick of 2 ms is 15.6 cm/s2, 15.9 mg [X].
    ticks = 300
    speed = 3000 + step_cm_s * (np.arange(ticks) // every)
    whole = block({"road_speed_cm_s": speed})
    kept = np.arange(ticks) % every == 0
    whole.ticks[:, 1] = kept
    trace = firmware.run(ImageBuilder().build(), RunBlock(0, whole.ticks, whole.frames[kept], whole.log_us))
    exact = 1000 * step_cm_s / 100 / (every * PERIOD_US * 1e-6) / G
    assert np.abs(column(trace, "speed_change_mg")[200:] - exact).max() <= GRAIN


def test_the_longitudinal_sensor_is_held_to_the_ramp(firmware: Firmware) -> None:
    image = ImageBuilder().put("check_from_cm_s", 1000)
    image.check("longitudinal", trip_ticks=10, heal_ticks=10, heals_most=5, limit=200, heal_limit=150)
    speed = 3000 + 2 * np.arange(300)
    # 1019.7 mg, 1 g being 980.665 cm/s2 [X].
    for sensor, wrong in [(1020, False), (1203, False), (1237, True), (837, False), (803, True)]:
        values = np.where(np.arange(300) < 100, 1020, sensor)
        trace = firmware.run(image.build(), block({"road_speed_cm_s": speed, "longitudinal_mg": values}))
        # The filter swings in while the limit is not yet passed for long.
        assert fault(trace, "longitudinal_implausible")[100:].any() == wrong
        if wrong:
            assert int(np.argmax(fault(trace, "longitudinal_implausible")[100:])) == 9


def test_the_brake_is_not_judged_by_a_deceleration_in_doubt() -> None:
    image = ImageBuilder().put("brake_high_kpa", 3000).put("brake_least_mg", 200)
    image.check("speed", limit=10**6, heal_limit=10**6)
    stage = Stage(image.check("longitudinal", limit=100, heal_limit=100))
    assert stage(road_speed_cm_s=2000, brake_kpa=5000)["brake"] == BAD
    assert stage(road_speed_cm_s=2000, brake_kpa=5000, longitudinal_mg=101)["brake"] == NONE
    at = CHECKS.index("longitudinal")
    assert (
        stage({f"tripped.{at}": 1}, road_speed_cm_s=2000, brake_kpa=5000, longitudinal_mg=0)["brake"] == NONE
    )


@pytest.mark.parametrize(
    ("front", "rear", "bad"),
    [
        ((0, 0), (0, 0), set()),
        ((301, 0), (0, 0), {"front"}),
        ((300, 0), (0, 0), set()),
        ((0, 301), (0, 0), {"front"}),
        ((0, 0), (301, 0), {"rear"}),
        ((0, 0), (0, 301), {"rear"}),
        # A kerb, or a road that leans, shows on both axles.
        ((2000, 0), (2000, 0), set()),
        ((2000, 0), (1700, 0), set()),
        ((2000, 0), (1699, 0), {"front"}),
        ((1699, 0), (2000, 0), {"rear"}),
        # One goes each way: the one that is farther off, and the front at a draw.
        ((400, 0), (0, 301), {"front"}),
        ((302, 0), (0, 301), {"front"}),
        ((301, 0), (0, 302), {"rear"}),
        ((301, 0), (0, 301), {"front"}),
        # Far apart, but neither is off by itself.
        ((300, 0), (0, 300), set()),
    ],
)
@pytest.mark.parametrize("lateral", [0, 1000, -1500])
def test_roll_is_seen_on_one_axle_only(
    front: tuple[int, int], rear: tuple[int, int], bad: set[str], lateral: int
) -> None:
    # Rolling by itself is no fault: at 1 g to the left the right side is 8 mm deeper in front and 6 mm behind.
    image = ImageBuilder().put("roll_um", 8000, 6000)
    for axle in ("front", "rear"):
        image.check(f"stroke_roll.{axle}", limit=300, heal_limit=300)
    deeper = [8 * lateral, 6 * lateral]
    strokes = [front[0], front[1] + deeper[0], rear[0], rear[1] + deeper[1]]
    values = {f"stroke_um__{c}": v for c, v in zip(CORNERS, strokes, strict=True)}
    got = Stage(image)({"lateral_filtered_mg": lateral}, road_speed_cm_s=2000, lateral_mg=lateral, **values)
    assert {axle for axle in ("front", "rear") if got[f"stroke_roll.{axle}"] == BAD} == bad


@pytest.mark.parametrize("stroke", [-9000, -3, -2, 0, 2, 3, 9000])
def test_a_median_creeps_by_a_step_at_most_either_way(stroke: int) -> None:
    stage = Stage(ImageBuilder().put("straight_mg", 150).put("straight_step_q4", 40))
    for tick in (1, 2):
        stage(road_speed_cm_s=2000, stroke_um__rear_left=stroke)
        moved = min(max(16 * stroke, -40 * tick), 40 * tick)
        assert [stage.core[f"straight_q4.{i}"] for i in range(4)] == [0, 0, moved, 0]


def test_an_offset_is_found_in_the_time_that_the_median_takes(host: Firmware) -> None:
    # A corner off by D from the others, which stay: its median climbs by `step` a tick and passes the limit after
    # floor(16 limit / step) + 1 ticks, the last of which is the first bad one [X].
    step, limit, trip = 40, 6000, 25
    image = ImageBuilder().put("check_from_cm_s", 1000).put("straight_mg", 150).put("straight_step_q4", step)
    for corner in CORNERS:
        image.check(
            f"stroke_offset.{corner}",
            trip_ticks=trip,
            heal_ticks=trip,
            heals_most=5,
            limit=limit,
            heal_limit=3000,
        )
    rng = np.random.default_rng(5)
    for at, corner in enumerate(CORNERS):
        for offset in (9000, -9000):
            values = driving(
                **dict.fromkeys(STROKES, 0) | {f"stroke_um.{corner}": [0] * 10 + [offset] * 4000 + [0] * 3000}
            )
            trace = host.run(image.build(), block(values))
            expected = 10 + 16 * limit // step + trip - 1
            seen = fault(trace, "stroke_implausible")
            assert int(np.argmax(seen)) == expected
            assert implausible(trace)[expected] == {STROKES[at]}
            # Back: from 9000 down to 3000, then the heal time.
            healed = expected + int(np.argmin(seen[expected:]))
            assert healed == 4010 + math.ceil(16 * 6000 / step) - 1 + trip - 1
    # The same with bumps of 20 mm about the offset: a median is not moved by how far a bump goes, its mean walk is.
    bumps = rng.choice([-20_000, 20_000], (4, 6000))
    values = driving(**{name: bumps[i] + (9000 if i == 1 else 0) for i, name in enumerate(STROKES)})
    assert not fault(host.run(image.build(), block(values)), "stroke_implausible").any()
    noise = rng.normal(0, 2000, (4, 6000)).astype(int)
    values = driving(**{name: noise[i] + (9000 if i == 1 else 0) for i, name in enumerate(STROKES)})
    trace = host.run(image.build(), block(values))
    assert implausible(trace)[-1] == {STROKES[1]}
    straight = host.state("straight_q4") / 16
    # The median of normal noise, within the walk of a step counter about it: a few steps.
    assert np.abs(straight - np.array([0, 9000, 0, 0])).max() < 400


@pytest.mark.parametrize(
    "turn", [{"lateral_mg": 150}, {"lateral_mg": -150}, {"longitudinal_mg": 150}, {"longitudinal_mg": -150}]
)
def test_an_offset_is_looked_for_while_driving_straight_on_only(host: Firmware, turn: dict[str, int]) -> None:
    image = ImageBuilder().put("check_from_cm_s", 1000).put("straight_mg", 150).put("straight_step_q4", 1000)
    for corner in CORNERS:
        image.check(
            f"stroke_offset.{corner}", trip_ticks=5, heal_ticks=5, heals_most=5, limit=6000, heal_limit=3000
        )
    strokes = dict.fromkeys(STROKES, 0) | {STROKES[1]: 9000}
    host.run(image.build(), block(driving(**strokes | turn), ticks=500))
    # The channels were not filtered yet in the first tick or two.
    assert np.abs(host.state("straight_q4")).max() <= 2000
    just = {name: value - (value > 0) + (value < 0) for name, value in turn.items()}
    trace = host.run(image.build(), block(driving(**strokes | just), ticks=500))
    assert implausible(trace)[-1] == {STROKES[1]}


def expected_offsets(strokes: np.ndarray, tripped: np.ndarray, limit: int, heal_limit: int) -> list[int]:
    """Which strokes are off, in numpy: each against the mean of the others that nobody suspects; one at a time."""
    trusted = ~tripped
    seen = []
    distance = np.zeros(4)
    for corner in range(4):
        others = trusted.copy()
        others[corner] = False
        distance[corner] = (
            round(abs(strokes[corner] - strokes[others].mean()), 6) if others.sum() >= 2 else np.nan
        )
    for corner in range(4):
        if tripped[corner]:
            seen.append(NONE if trusted.sum() < 2 else int(distance[corner] > heal_limit))
        elif trusted.sum() < 3:
            seen.append(NONE)
        else:
            farthest = int(np.argmax(np.where(trusted, distance, -1)))
            seen.append(int(corner == farthest and distance[corner] > limit))
    return seen


def test_one_stroke_at_a_time_is_off_against_those_that_nobody_suspects() -> None:
    limit, heal_limit = 6000, 4000
    image = ImageBuilder().put("straight_mg", 150).put("straight_step_q4", 16_000)
    for corner in CORNERS:
        image.check(f"stroke_offset.{corner}", limit=limit, heal_limit=heal_limit)
    at = [CHECKS.index(f"stroke_offset.{corner}") for corner in CORNERS]
    rng = np.random.default_rng(8)
    stage = Stage(image)
    ways = set()
    for _ in range(2000):
        # A third of a micrometre must not matter: the means are of two or three.
        strokes = rng.choice([0, 0, 0, 3, 6000, 6003, 12_006, -6003, 20_000], 4) + rng.choice([-6, 0, 6], 4)
        tripped = rng.random(4) < 0.25
        words = {f"tripped.{i}": int(t) for i, t in zip(at, tripped, strict=True)}
        words |= {f"straight_q4.{i}": 16 * int(stroke) for i, stroke in enumerate(strokes)}
        values = {f"stroke_um__{c}": int(v) for c, v in zip(CORNERS, strokes, strict=True)}
        got = stage(words, road_speed_cm_s=2000, **values)
        wanted = expected_offsets(strokes.astype(float), tripped, limit, heal_limit)
        assert [got[f"stroke_offset.{corner}"] for corner in CORNERS] == wanted, (strokes, tripped)
        ways.add((int(tripped.sum()), tuple(sorted(wanted))))
    assert len(ways) >= 10


# --- what stands in -------------------------------------------------------------------------------------------------


def lateral_image(**words: int) -> ImageBuilder:
    """A required lateral acceleration with speed x yaw in its place; trust fades in 16 ticks, comes back in 32."""
    image = ImageBuilder().put("check_from_cm_s", 1000).put("fade_q10", 64).put("recover_q10", 32)
    image.channel(
        "lateral_mg", required=1, substitute=LAYOUT.substitutes.index("speed_yaw"), timeout_us=10_000, **words
    )
    image.channel("longitudinal_mg", required=1, substitute=LAYOUT.substitutes.index("speed_change"))
    return image.table("base_table", [0, 1], [1000, 1000])


LATERAL = LAYOUT.channel_index("lateral_mg")
REDUCED, SAFE_HOLD, ACTIVE = (LAYOUT.modes.index(name) for name in ("reduced", "safe_hold", "active"))
EVERYTHING = {channel.name: 0 for channel in LAYOUT.channels} | {"road_speed_cm_s": SPEED, "yaw_cdeg_s": 600}


def test_speed_times_yaw_stands_in_for_the_lateral_acceleration(firmware: Firmware) -> None:
    image = lateral_image()
    here = EVERYTHING | {"lateral_mg": 500}
    gone = {name: value for name, value in here.items() if name != "lateral_mg"}
    trace = firmware.run(
        image.build(),
        [block(here, ticks=60), block(gone, ticks=60, first_tick=60), block(here, ticks=60, first_tick=120)],
    )
    value = column(trace, "channel")[:, LATERAL]
    assert value[59] == 500
    # Lost in the fifth tick without it: then from 500 to 600 in 16 ticks, linearly, and back in 32 [X].
    lost = 60 + 4
    share = np.clip(1 - np.arange(1, 57) / 16, 0, 1)
    assert np.array_equal(value[lost : lost + 56], 600 + np.floor(-100 * share))
    share = np.clip(np.arange(1, 61) / 32, 0, 1)
    assert np.array_equal(value[120:], 600 + np.floor(-100 * share))
    # It is required, but not gone.
    mode = column(trace, "mode")
    assert set(mode[lost:120].tolist()) == {REDUCED}
    assert not fault(trace, "required_lost").any()
    assert fault(trace, "channel_lost")[lost:120].all()
    assert mode[-1] == ACTIVE


@pytest.mark.parametrize("source", ["road_speed_cm_s", "yaw_cdeg_s"])
def test_without_its_sources_a_substitute_is_gone(firmware: Firmware, source: str) -> None:
    image = lateral_image(default=77).channel(source, timeout_us=10_000)
    gone = {name: value for name, value in EVERYTHING.items() if name != "lateral_mg"}
    less = {name: value for name, value in gone.items() if name != source}
    trace = firmware.run(
        image.build(),
        [
            block(EVERYTHING, ticks=60),
            block(gone, ticks=60, first_tick=60),
            block(less, ticks=60, first_tick=120),
        ],
    )
    mode, value = column(trace, "mode"), column(trace, "channel")[:, LATERAL]
    assert set(mode[70:124].tolist()) == {REDUCED}
    assert value[123] == 600
    # In the fifth tick without its source the value falls to the default, the mode to the safe current.
    assert (value[124:] == 77).all()
    assert (mode[124:] == SAFE_HOLD).all()
    assert fault(trace, "required_lost")[124:].all()
    assert (column(trace, "current_ma")[-1] == 800).all()


def test_the_change_of_speed_stands_in_for_the_longitudinal_acceleration(firmware: Firmware) -> None:
    image = lateral_image().channel("longitudinal_mg", timeout_us=10_000)
    speed = 3000 + 2 * np.arange(300)
    here = {name: np.full(100, value) for name, value in EVERYTHING.items()} | {
        "road_speed_cm_s": speed[:100]
    }
    gone = {name: value for name, value in EVERYTHING.items() if name != "longitudinal_mg"} | {
        "road_speed_cm_s": speed[100:]
    }
    trace = firmware.run(image.build(), [block(here), block(gone, first_tick=100)])
    value = column(trace, "channel")[:, LAYOUT.channel_index("longitudinal_mg")]
    assert np.abs(value[150:] - 1000 * 10 / G).max() <= GRAIN
    assert set(column(trace, "mode")[150:].tolist()) == {REDUCED}


def test_an_implausible_channel_is_replaced_and_comes_back(firmware: Firmware) -> None:
    # The sensor goes wrong by 400 mg at tick 60: 20 ticks later it is not believed, the substitute comes in, the mode
    # is reduced; it is right again from tick 140 on, heals 30 ticks later, and is trusted again 32 ticks after that.
    image = lateral_image(heal_good=1)
    image.check("lateral", trip_ticks=20, heal_ticks=30, heals_most=3, limit=300, heal_limit=200)
    image.table("steer_yaw_table", [0, 1], [1000, 1000])
    good, bad = [620] * 60, [1000] * 80
    values = EVERYTHING | {"steer_ddeg": 600, "lateral_mg": good + bad + [620] * 100}
    trace = firmware.run(image.build(), block(values))
    assert np.flatnonzero(fault(trace, "lateral_implausible")).tolist() == list(range(79, 169))
    value, mode = column(trace, "channel")[:, LATERAL], column(trace, "mode")
    assert (value[60:79] == 1000).all(), "believed until then"
    assert (value[79 + 15 : 169] == 600).all()
    assert set(mode[79:200].tolist()) == {REDUCED}
    # One good value, then 32 ticks of ramp, the first of them in the tick of the heal.
    assert (value[169 + 31 :] == 620).all()
    assert (mode[169 + 31 :] == ACTIVE).all()


def random_drive(seed: int, ticks: int = 2500) -> tuple[dict[str, np.ndarray], dict[str, np.ndarray]]:
    """A car's channels that mostly agree, with offsets, jumps and board troubles thrown in."""
    rng = np.random.default_rng(seed)

    def walk(scale: float, low: float, high: float) -> np.ndarray:
        return np.clip(np.cumsum(rng.normal(0, scale, ticks)) + (low + high) / 2, low, high)

    def wrong(scale: float) -> np.ndarray:
        return np.repeat(rng.choice([0, 0, 0, 0, -1, 1], ticks // 100 + 1), 100)[:ticks] * scale

    speed = walk(8, 300, 6000)
    lateral = walk(15, -1200, 1200)
    yaw = lateral * SPEED / np.maximum(speed, 300)
    along = np.gradient(speed) / (PERIOD_US * 1e-6) / (G / 10)
    values = {
        "road_speed_cm_s": speed + wrong(500), "lateral_mg": lateral + wrong(600), "yaw_cdeg_s": yaw + wrong(3000),
        "steer_ddeg": lateral + wrong(600), "longitudinal_mg": np.clip(along, -9000, 9000) + wrong(700),
        "brake_kpa": np.clip(-along * 5, 0, 9000) + np.abs(wrong(6000)),
    }  # fmt: skip
    values |= {name: speed + rng.normal(0, 20, ticks) + wrong(300) for name in WHEELS}
    values |= {
        name: rng.normal(0, 1500, ticks) + 4 * lateral * (-1) ** (i + 1) + wrong(15_000)
        for i, name in enumerate(STROKES)
    }
    inputs = {
        "supply_mv": 13_500 + wrong(5000) + wrong(4000),
        "flags": np.where(rng.random(ticks) < 0.02, rng.integers(0, 128, ticks), 0),
        **{f"coil_permille_{c}": 1000 + np.abs(wrong(700)) + 39_000 * (wrong(1) > 0) for c in CORNERS},
    }
    return (
        {name: np.clip(np.rint(v), -16_000, 16_000).astype(int) for name, v in values.items()},
        {name: np.rint(v).astype(int) for name, v in inputs.items()},
    )


@pytest.mark.parametrize("seed", range(3))
def test_a_drive_with_every_check_on_gives_the_same_words(
    host: Firmware, cpython: Firmware, seed: int
) -> None:
    image = lateral_image().put("current_control", 1).table("steer_yaw_table", [300, 6000], [2000, 900])
    image.put("brake_high_kpa", 4000).put("brake_least_mg", 200).put("brake_low_kpa", 300).put(
        "brake_most_mg", 900
    )
    image.put("straight_mg", 200).put("straight_step_q4", 400).put("roll_um", 8000, 8000).fill(
        "match_ma", 700
    )
    image.put("open_permille", 250)
    limits = {"supply_low": (9000, 9500), "supply_under": (6000, 6500), "supply_high": (16_500, 16_000),
              "supply_over": (18_000, 17_500), "stroke": (8000, 5000), "coil_open": (100, 100), "coil_short": (2500, 100),
              "coil_tracking": (100, 100)}  # fmt: skip
    for check in LAYOUT.checks:
        limit = limits.get(
            check.name.split(".")[0], limits["stroke"] if "stroke" in check.name else (300, 200)
        )
        image.check(
            check.name, trip_ticks=7, heal_ticks=15, heals_most=50, limit=limit[0], heal_limit=limit[1]
        )
    values, inputs = random_drive(seed)
    trace = same(host, cpython, image.build(), [with_inputs(block(values), **inputs)])
    seen = int(np.bitwise_or.reduce(column(trace, "faults")))
    names = {name for i, name in enumerate(LAYOUT.faults) if seen >> i & 1}
    assert len(names & {check.fault for check in LAYOUT.checks}) >= 10, "the drive has to trip most checks"


# --- the page -------------------------------------------------------------------------------------------------------


def test_the_page_has_every_check() -> None:
    page = (Path(__file__).resolve().parents[1] / "docs" / "checks.md").read_text(encoding="utf-8")
    named = {
        name.strip()
        for row in page.splitlines()
        if row.startswith("| ")
        for name in row.split("|")[1].split(",")
    }
    missing = {check.name.partition(".")[0] for check in LAYOUT.checks} - named
    assert not missing
