"""The last guard when the stages before it are wrong, the check of the memory, and what a board's starts do.

The guard's rules are checked from outside, on its output alone; they are this project's own [D]. CRC-32 is zlib's [S].
"""

from __future__ import annotations

import math
import shutil
import tempfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashpot.targets import Target, TargetOptions, make_target
from firmware_fixtures import Firmware, checked_module
from images import CORNERS, FIRMWARE, LAYOUT, PERIOD_US, ImageBuilder, block, column, with_inputs
from test_firmware_core import Core

CHANNELS = [channel.name for channel in LAYOUT.channels]
EVERYTHING = dict.fromkeys(CHANNELS, 0)
MODES = LAYOUT.modes
LIMITS = ("safe_ma", "least_ma", "most_ma", "slew_up_ma", "slew_down_ma")
FAULT = {name: 1 << i for i, name in enumerate(LAYOUT.faults)}


def fault(trace: np.ndarray, name: str) -> np.ndarray:
    return column(trace, "faults") >> LAYOUT.faults.index(name) & 1


@pytest.fixture(scope="module")
def firmware() -> Iterator[Firmware]:
    running = Firmware("host")
    yield running
    running.target.close()


# --- the guard alone ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Limits:
    """Limits of one pair of axles, as the image has them; lists are in the order of the corners."""

    safe: list[int]
    least: list[int]
    most: list[int]
    up: list[int]
    down: list[int]
    spread: list[int]

    def image(self) -> ImageBuilder:
        image = (
            ImageBuilder().put("safe_ma", *self.safe).put("least_ma", *self.least).put("most_ma", *self.most)
        )
        image.put("slew_up_ma", *self.up).put("slew_down_ma", *self.down).put("axle_spread_ma", *self.spread)
        return image.fill("match_ma", 0).put("derate_ma", *self.most).put("command_expiry_us", 20_000)


@st.composite
def any_limits(draw: st.DrawFn) -> Limits:
    def four(numbers: st.SearchStrategy[int]) -> list[int]:
        return draw(st.lists(numbers, min_size=4, max_size=4))

    least = four(st.sampled_from([0, 1, 300, 500]))
    most = [low + more for low, more in zip(least, four(st.sampled_from([0, 1, 700, 4500])), strict=True)]
    safe = [draw(st.integers(low, high)) for low, high in zip(least, most, strict=True)]
    apart = [abs(safe[0] - safe[1]), abs(safe[2] - safe[3])]
    slews = st.sampled_from([1, 7, 50, 400, 5000])
    # The image asks for a spread that has room for the safe currents.
    spread = [min(5000, low + draw(st.sampled_from([0, 1, 100, 5000]))) for low in apart]
    return Limits(safe, least, most, four(slews), four(slews), spread)


class Guard:
    """The guard in checked CPython, on words of the state that a test writes as it likes."""

    def __init__(self, limits: Limits) -> None:
        self.limits = limits
        self.core = Core(limits.image())
        self.stage = checked_module("dashpot.output").guard
        self.last = list(limits.safe)
        self.off = 0
        self.core["ticks"] = 1

    def __call__(
        self, asked: list[int], *, off: int = 0, fresh: bool = True, dt_us: int = PERIOD_US
    ) -> list[int]:
        """Give what it lets through, after holding it to every rule."""
        core, limits = self.core, self.limits
        core["faults"], core["corners_off"], core["dt_us"], core["command_fresh"] = 0, off, dt_us, int(fresh)
        for corner in range(4):
            core[f"current_ma.{corner}"] = asked[corner]
        acts = core["guard_acts"]
        self.stage(core.controller.image, core.state, core.controller.limits)
        out = [core[f"current_ma.{corner}"] for corner in range(4)]
        # What a step counts from: out of nothing it is the least current.
        begin = [max(last, least) for last, least in zip(self.last, limits.least, strict=True)]
        expired = bool(core["faults"] & FAULT["command_stale"])
        for corner in range(4):
            if off >> corner & 1:
                assert out[corner] == 0
                continue
            assert limits.least[corner] <= out[corner] <= limits.most[corner]
            assert -limits.down[corner] <= out[corner] - begin[corner] <= limits.up[corner]
        for axle in (0, 1):
            left, right = 2 * axle, 2 * axle + 1
            if not off >> left & 3:
                allowed = max(limits.spread[axle], abs(begin[left] - begin[right]))
                assert abs(out[left] - out[right]) <= allowed
        if not expired and self.harmless(asked, begin, off):
            assert out == asked, "it leaves alone what breaks no rule"
            assert core["guard_acts"] == acts
            assert core["faults"] == 0
        assert [core[f"guarded_ma.{corner}"] for corner in range(4)] == out
        assert (core["guard_acts"] > acts) == (out != asked)
        self.last, self.off = out, off
        return out

    def harmless(self, asked: list[int], begin: list[int], off: int) -> bool:
        """Whether the currents asked for keep every rule by themselves."""
        limits = self.limits
        for corner in range(4):
            if off >> corner & 1:
                if asked[corner]:
                    return False
            elif not (
                limits.least[corner] <= asked[corner] <= limits.most[corner]
                and -limits.down[corner] <= asked[corner] - begin[corner] <= limits.up[corner]
            ):
                return False
        for axle in (0, 1):
            left, right = 2 * axle, 2 * axle + 1
            apart = abs(asked[left] - asked[right])
            if not off >> left & 3 and apart > max(limits.spread[axle], abs(begin[left] - begin[right])):
                return False
        return True


any_current = st.one_of(
    st.sampled_from([-32_768, -1, 0, 1, 299, 300, 301, 799, 800, 801, 5000, 32_767]), st.integers(-100, 5100)
)
any_call = st.tuples(
    st.lists(any_current, min_size=4, max_size=4),
    st.one_of(st.just(0), st.integers(0, 15)),
    st.booleans(),
    st.sampled_from([0, 1999, PERIOD_US, 20_000, 20_001, 2**30 - 1]),
)


@settings(max_examples=300, deadline=None)
@given(limits=any_limits(), calls=st.lists(any_call, min_size=1, max_size=30))
def test_whatever_is_asked_for_every_rule_is_kept(
    limits: Limits, calls: list[tuple[list[int], int, bool, int]]
) -> None:
    guard = Guard(limits)
    for asked, off, fresh, dt_us in calls:
        guard(asked, off=off, fresh=fresh, dt_us=dt_us)


@settings(max_examples=100, deadline=None)
@given(limits=any_limits(), calls=st.lists(any_call, max_size=10))
@example(
    # Unlike slews, and no room between left and right.
    limits=Limits([800] * 4, [300] * 4, [1600] * 4, [100] * 4, [20, 100, 20, 100], [100, 0]),
    calls=[([1600] * 4, 0, True, PERIOD_US)] * 10,
)
def test_without_commands_every_corner_reaches_its_safe_current(
    limits: Limits, calls: list[tuple[list[int], int, bool, int]]
) -> None:
    guard = Guard(limits)
    for asked, off, fresh, dt_us in calls:
        guard(asked, off=off, fresh=fresh, dt_us=dt_us)
    # No more than the way at the slowest slew; and then twice that, where a corner waits for its partner.
    ticks = 20 + 2 * max(-(-5000 // min(limits.up[corner], limits.down[corner])) for corner in range(4))
    if ticks > 2000:
        return
    for _ in range(ticks):
        out = guard(list(guard.last), fresh=False)
    assert out == limits.safe
    assert guard.core["faults"] & FAULT["command_stale"]


@pytest.mark.parametrize("expiry_us", [1000, 6000, 6001, 20_000, 1_000_000])
def test_a_command_is_stale_after_exactly_its_expiry(expiry_us: int) -> None:
    limits = Limits([800] * 4, [300] * 4, [1600] * 4, [100] * 4, [100] * 4, [5000] * 2)
    guard = Guard(limits)
    at = LAYOUT.config["command_expiry_us"].at
    guard.core.controller.image[at] = expiry_us
    for _ in range(10):
        out = guard([min(1600, last + 100) for last in guard.last], dt_us=min(expiry_us, PERIOD_US))
    assert out == [1600] * 4
    # k ticks without one are k periods; the first of them past the expiry is expiry // period + 1 [X].
    first = expiry_us // PERIOD_US + 1
    for tick in range(1, first + 3):
        guard([1600] * 4, fresh=False)
        stale = bool(guard.core["faults"] & FAULT["command_stale"])
        assert stale == (tick >= first), tick
        assert (guard.core["current_ma.0"] < 1600) == (tick >= first)
    # One command, and it counts anew.
    guard([800] * 4)
    assert not guard.core["faults"] & FAULT["command_stale"] or expiry_us < PERIOD_US


@pytest.mark.parametrize(("dt_us", "stale"), [(20_000, False), (20_001, True), (2**30 - 1, True)])
def test_a_loop_that_stood_still_has_no_fresh_command(dt_us: int, stale: bool) -> None:
    guard = Guard(Limits([800] * 4, [300] * 4, [1600] * 4, [100] * 4, [100] * 4, [5000] * 2))
    for _ in range(3):
        guard([last + 100 for last in guard.last])
    out = guard([1200] * 4, dt_us=dt_us)
    assert out == [1000 if stale else 1200] * 4
    assert bool(guard.core["faults"] & FAULT["command_stale"]) == stale


def test_a_difference_may_shrink_and_not_grow() -> None:
    limits = Limits([800] * 4, [300] * 4, [1600] * 4, [50] * 4, [50] * 4, [200, 5000])
    guard = Guard(limits)
    assert guard([850, 750, 850, 750]) == [850, 750, 850, 750]
    assert guard([900, 700, 900, 700]) == [900, 700, 900, 700], "200 are allowed"
    unequal = FAULT["axle_unequal"]
    # The higher one waits for the lower one.
    assert guard([950, 650, 950, 650]) == [850, 650, 950, 650]
    assert guard.core["faults"] == unequal
    assert guard([851, 650, 900, 700]) == [850, 650, 900, 700]
    assert guard.core["faults"] == unequal
    assert guard([840, 690, 900, 700]) == [840, 690, 900, 700]
    assert guard.core["faults"] == 0
    # Both up, both down: no rule of the axle.
    assert guard([890, 740, 900, 700]) == [890, 740, 900, 700]
    # The other way round.
    assert guard([840, 790, 900, 700]) == [840, 790, 900, 700]
    assert guard([790, 840, 900, 700]) == [790, 840, 900, 700]
    assert guard([740, 890, 900, 700]) == [740, 890, 900, 700]
    assert guard([690, 940, 900, 700]) == [690, 890, 900, 700]
    assert guard.core["faults"] == unequal


def test_a_difference_may_change_sides_and_not_grow() -> None:
    guard = Guard(Limits([800] * 4, [300] * 4, [1600] * 4, [5000] * 4, [5000] * 4, [100, 100]))
    assert guard([0, 1200, 800, 0], off=9) == [0, 1200, 800, 0]
    # A corner that was off begins at the least: 900 and 500 apart.
    assert guard([1600, 700, 300, 800]) == [1600, 700, 300, 800]
    assert guard([699, 1600, 801, 300]) == [699, 1599, 800, 300]


def test_a_corner_that_is_off_has_no_partner_to_be_equal_to() -> None:
    guard = Guard(Limits([800] * 4, [300] * 4, [1600] * 4, [500] * 4, [500] * 4, [0, 0]))
    assert guard([0, 1300, 800, 800], off=1) == [0, 1300, 800, 800]
    # Back: from the least, and the other one may not go further away.
    assert guard([800, 1300, 800, 800]) == [800, 1300, 800, 800]
    assert guard([300, 1600, 800, 800])[1] <= 1300 + 0
    assert guard([0, 0, 0, 0], off=15) == [0] * 4


def let_through(
    limits: Limits, asked: list[int], last: list[int], off: int, expired: bool
) -> tuple[list[int], int, int]:
    """What the guard has to let through, how often that is not what was asked for, and the faults, in plain words."""
    begin = [max(before, least) for before, least in zip(last, limits.least, strict=True)]
    out, acts, faults = [0] * 4, 0, FAULT["command_stale"] * expired
    for i in range(4):
        if not off >> i & 1:
            wanted = limits.safe[i] if expired else asked[i]
            inside = min(max(wanted, limits.least[i]), limits.most[i])
            out[i] = min(max(inside, begin[i] - limits.down[i]), begin[i] + limits.up[i])
            faults |= FAULT["guard_range"] * (inside != wanted) | FAULT["guard_rate"] * (out[i] != inside)
        acts += out[i] != asked[i]
    for axle in (0, 1):
        low, high = sorted((2 * axle, 2 * axle + 1), key=lambda i: out[i])
        bound = max(limits.spread[axle], abs(begin[high] - begin[low]))
        if not off >> 2 * axle & 3 and out[high] - out[low] > bound:
            faults |= FAULT["axle_unequal"]
            acts += 1
            out[high] = max(out[low] + bound, begin[high] - limits.down[high], limits.least[high])
            out[low] = max(out[low], out[high] - bound)
    return out, acts, faults


def random_limits(rng: np.random.Generator) -> Limits:
    least = rng.choice([0, 1, 300, 500], 4)
    most = least + rng.choice([0, 1, 700, 4500], 4)
    safe = rng.integers(least, most + 1)
    spread = np.minimum(5000, np.abs(safe[::2] - safe[1::2]) + rng.choice([0, 1, 100, 5000], 2))
    up, down = rng.choice([1, 7, 50, 400, 5000], (2, 4))
    return Limits(*(words.tolist() for words in (safe, least, most, up, down, spread)))


def test_random_commands_get_through_as_the_reference_lets_them() -> None:
    rng = np.random.default_rng(4)
    met = 0
    for _ in range(40):
        guard = Guard(random_limits(rng))
        expiry_us, stale_us = 20_000, 0
        for _ in range(20):
            if rng.random() < 0.3:
                # As far apart as corners that were off may be.
                guard.last = rng.integers(guard.limits.least, np.array(guard.limits.most) + 1).tolist()
                for i, last in enumerate(guard.last):
                    guard.core[f"guarded_ma.{i}"] = last
            # From where they are, or from where the other side is, to a little further, in all corners or in some.
            last = np.array(guard.last)[[1, 0, 3, 2] if rng.random() < 0.3 else [0, 1, 2, 3]]
            asked = last + rng.choice([-5000, -60, -1, 0, 1, 60, 5000], 4) * rng.integers(0, 2, 4)
            asked = np.where(rng.random(4) < 0.1, rng.integers(-32_768, 32_768, 4), asked).tolist()
            off = int(rng.choice([0, 0, 0, *range(1, 16)]))
            fresh, dt_us = (
                bool(rng.random() < 0.6),
                int(rng.choice([0, PERIOD_US, 20_000, 20_001], p=[0.1, 0.7, 0.1, 0.1])),
            )
            stale_us = 0 if fresh else stale_us + dt_us
            wanted, more, faults = let_through(
                guard.limits, asked, guard.last, off, max(stale_us, dt_us) > expiry_us
            )
            acts = guard.core["guard_acts"]
            assert guard(asked, off=off, fresh=fresh, dt_us=dt_us) == wanted
            assert (guard.core["guard_acts"] - acts, guard.core["faults"]) == (more, faults)
            met |= faults
    assert met == sum(FAULT[name] for name in ("guard_range", "guard_rate", "axle_unequal", "command_stale"))


# --- what comes before it ------------------------------------------------------------------------------------------


def driven(words: dict[str, Any], image: dict[str, Any]) -> dict[str, object]:
    """Authority, targets and currents after a tick of the mode's say, in plain words."""
    authority = words["authority_q10"]
    if words["mode"] in (MODES.index("active"), MODES.index("reduced")):
        if abs(words["lateral_filtered_mg"]) <= image["return_below_mg"]:
            authority = min(1024, authority + image["return_q10"])
    elif words["mode"] == MODES.index("output_off"):
        authority = 0
    else:
        periods = min(max(words["dt_us"] / PERIOD_US, 1), 16)
        authority = max(0, authority - math.floor(image["leave_q10"] * periods))
    target, current = [0] * 4, [0] * 4
    for i in range(4):
        if words["corners_off"] >> i & 1:
            continue
        safe = image["safe_ma"][i]
        target[i] = safe + math.floor((words["target_ma"][i] - safe) * authority / 1024 + 0.5)
        if words["corners_off"] >> (i ^ 1) & 1:
            target[i] = image["match_ma"][i]
        if words["weak"]:
            target[i] = min(target[i], image["derate_ma"][i])
        begin = max(words["current_ma"][i], image["least_ma"][i])
        current[i] = min(max(target[i], begin - image["slew_down_ma"][i]), begin + image["slew_up_ma"][i])
    return {"authority_q10": authority, "target_ma": target, "current_ma": current, "command_fresh": 1}


def test_random_states_are_driven_as_the_reference_drives_them() -> None:
    rng = np.random.default_rng(9)
    core = Core(ImageBuilder())
    drive = checked_module("dashpot.output").drive
    weak_checks = [
        [c.name for c in LAYOUT.checks].index(n) for n in ("supply_low", "supply_high", "driver_hot")
    ]

    def put(store: dict[str, Any], words: Any, name: str, value: int | np.ndarray) -> None:
        store[name] = value if isinstance(value, int) else value.tolist()
        at = (LAYOUT.config if words is core.controller.image else LAYOUT.state)[name].at
        for i, word in enumerate(np.atleast_1d(value).tolist()):
            words[at + i] = word

    for _ in range(800):
        image: dict[str, Any] = {}
        least = rng.choice([0, 300], 4)
        for name, value in {
            "safe_ma": rng.integers(300, 1600, 4), "least_ma": least, "match_ma": rng.integers(300, 1600, 4),
            "derate_ma": rng.integers(300, 1600, 4), "slew_up_ma": rng.choice([1, 30, 400, 5000], 4),
            "slew_down_ma": rng.choice([1, 30, 400, 5000], 4), "return_q10": int(rng.choice([1, 64, 1024])),
            "return_below_mg": int(rng.choice([10, 200])), "leave_q10": int(rng.choice([1, 10, 33, 1024])),
        }.items():  # fmt: skip
            put(image, core.controller.image, name, value)
        # Half a milliampere counts as one: halves and what lies beside them, with a share of 1/1024.
        apart = rng.choice([-513, -512, -511, 511, 512, 513], 4)
        target = np.where(rng.random(4) < 0.3, np.array(image["safe_ma"]) + apart, rng.integers(0, 2000, 4))
        words: dict[str, Any] = {}
        for name, value in {
            "mode": int(rng.integers(len(MODES))), "authority_q10": int(rng.choice([0, 1, 500, 1000, 1023, 1024])),
            "lateral_filtered_mg": int(rng.choice([-201, -200, -10, 0, 10, 11, 200, 201])),
            "dt_us": int(rng.choice([0, 1999, 2000, 2001, 3000, 31_999, 32_000, 32_001, 50_000, 2**29])),
            "corners_off": int(rng.choice([0, 0, 0, *range(16)])), "target_ma": target,
            "current_ma": rng.integers(0, 1700, 4),
        }.items():  # fmt: skip
            put(words, core.state, name, value)
        tripped = rng.random(3) < 0.1
        for check, bad in zip(weak_checks, tripped.tolist(), strict=True):
            core[f"tripped.{check}"] = int(bad)
        words["weak"] = int(tripped.any())
        core["command_fresh"] = 0
        drive(core.controller.image, core.state)
        for name, value in driven(words, image).items():
            word = LAYOUT.state[name]
            got = core.state[word.at : word.at + word.count].tolist()
            assert got == np.atleast_1d(value).tolist(), name


# --- limits that have been turned over ------------------------------------------------------------------------------


def memory_image() -> ImageBuilder:
    image = ImageBuilder().table("base_table", [0, 1], [1000, 1000]).check("memory", trip_ticks=1)
    image.put("safe_ma", 800, 810, 820, 830).fill("slew_up_ma", 100).fill("slew_down_ma", 100)
    return image.fill("match_ma", 700)


@pytest.mark.parametrize("place", ["image", "limits"])
@pytest.mark.parametrize("number", range(20))
def test_a_limit_that_differs_from_its_copy_takes_the_corners_current(
    firmware: Firmware, number: int, place: str
) -> None:
    at, corner = LAYOUT.config["safe_ma"].at, number % 4
    partner = corner ^ 1
    for bit in (0, 13, 31):
        firmware.run(memory_image().build(), block(EVERYTHING, ticks=30))
        mask = 1 << bit if bit < 31 else -(1 << 31)
        firmware.target.poke(place, number + (at if place == "image" else 0), mask)
        trace = firmware.run(None, block(EVERYTHING, ticks=40, first_tick=30))
        current = column(trace, "current_ma")
        assert not current[:, corner].any(), "in the very tick"
        assert not column(trace, "duty_q14")[:, corner].any()
        assert (column(trace, "corners_off")[0] >> corner & 1) == 1
        # The fault comes a tick later, and with it the safe currents; the partner goes to its matching current.
        assert fault(trace, "memory").tolist() == [0] + [1] * 39
        assert (column(trace, "mode")[1:] == MODES.index("safe_hold")).all()
        for other in set(range(4)) - {corner}:
            wanted = 700 if other == partner else 800 + 10 * other
            assert current[-1, other] == wanted
            assert np.abs(np.diff(current[:, other], prepend=1600)).max() <= 100
        # Nothing heals it, not even the bit's return.
        firmware.target.poke(place, number + (at if place == "image" else 0), mask)
        trace = firmware.run(None, block(EVERYTHING, ticks=400, first_tick=70))
        assert fault(trace, "memory").all()
        assert (column(trace, "mode") == MODES.index("safe_hold")).all()
        assert not column(trace, "guard_acts")[-1] > column(trace, "guard_acts")[0], (
            "the stages before it know"
        )


def test_every_bit_of_a_limit_and_of_its_copy_counts() -> None:
    core = Core(memory_image())
    image, limits = core.controller.image, core.controller.limits
    guard = checked_module("dashpot.output").guard
    first = LAYOUT.config["safe_ma"].at
    for number in range(20):
        for words, at in ((image, first + number), (limits, number)):
            whole = words[at]
            for bit in (*range(12), 31):
                words[at] = int(np.int32(whole) ^ np.int32(1 << bit if bit < 31 else -(1 << 31)))
                core["corners_off"] = 0
                guard(image, core.state, limits)
                assert core["limits_off"] == core["corners_off"] == 1 << number % 4
            words[at] = whole
    core["corners_off"] = 0
    guard(image, core.state, limits)
    assert core["limits_off"] == core["corners_off"] == 0


def test_all_corners_turned_over_at_once_leave_no_current(firmware: Firmware) -> None:
    firmware.run(memory_image().build(), block(EVERYTHING, ticks=30))
    for corner in range(4):
        firmware.target.poke("limits", 8 + corner, 1 << corner)
    trace = firmware.run(None, block(EVERYTHING, ticks=40, first_tick=30))
    assert not column(trace, "current_ma").any()
    assert (column(trace, "corners_off") == 15).all()


# --- the check of the whole image -----------------------------------------------------------------------------------


def words_of(image: bytes) -> np.ndarray:
    return np.frombuffer(image[20:], "<i4")


@pytest.mark.parametrize("seed", range(6))
def test_the_patrols_crc_is_zlibs(seed: int) -> None:
    rng = np.random.default_rng(seed)
    memory = checked_module("dashpot.memory")
    core = Core(ImageBuilder())
    table = core.controller.crc32_table
    for count in (8, 9, 15, 16, 600, int(rng.integers(8, 2000))):
        words = rng.integers(-(2**31), 2**31, count).astype("<i4")
        image = core.controller.image[:0]
        image.extend(words.tolist())
        core["memory_at"], core["memory_crc"] = 0, -1
        core["memory_expected"] = int(np.int32(np.uint32(zlib.crc32(words.tobytes()) ^ 0xFFFFFFFF)))
        check = [c.name for c in LAYOUT.checks].index("memory")
        for wrong in (0, 1):
            if wrong:
                core["memory_at"], core["memory_crc"] = 0, -1
                at = int(rng.integers(count))
                image[at] = int(np.int32(image[at]) ^ np.int32(1 << int(rng.integers(31))))
            core[f"suspect.{check}"] = 2
            seen = []
            for _ in range(-(-count // 8)):
                memory.patrol(image, count, table, core.state)
                seen.append(core[f"suspect.{check}"])
            assert seen[:-1] == [2] * (len(seen) - 1), "nothing is known before the end"
            assert seen[-1] == wrong


def test_the_real_interpreters_crc_is_zlibs_all_the_way(firmware: Firmware) -> None:
    image = memory_image().build()
    data, n = image[20:], len(words_of(image))
    firmware.target.load(image)
    assert int(firmware.state("memory_expected")[0]) & 0xFFFFFFFF == zlib.crc32(data) ^ 0xFFFFFFFF
    for tick in range(1, n // 8 + 1):
        trace = firmware.run(None, block(EVERYTHING, first_tick=tick))
        if 8 * tick < n:
            assert int(firmware.state("memory_at")[0]) == 8 * tick
            assert (
                int(firmware.state("memory_crc")[0]) & 0xFFFFFFFF
                == zlib.crc32(data[: 32 * tick]) ^ 0xFFFFFFFF
            )
        assert not fault(trace, "memory").any()
    trace = firmware.run(None, block(EVERYTHING, ticks=10 * n // 8, first_tick=n))
    assert not fault(trace, "memory").any(), "a whole image is whole pass after pass"


@pytest.mark.parametrize("seed", range(12))
def test_a_bit_that_has_turned_over_is_found_by_the_end_of_a_pass(firmware: Firmware, seed: int) -> None:
    # The patrol reads eight words a tick. A word that it has yet to come to is found at the end of this pass, one that it
    # has just read at the end of the next: at worst in two passes less a tick [X].
    image = memory_image().build()
    n = len(words_of(image))
    rng = np.random.default_rng(seed)
    # Words that do not send a stage elsewhere when they are wrong; any word is as good for the patrol.
    spans = [
        ("coil_mohm", "report_ticks"),
        ("check_rows", "check_from_cm_s"),
        ("end_start_um", "demand_min_permille"),
    ]
    places = [at for begin, end in spans for at in range(LAYOUT.config[begin].at, LAYOUT.config[end].at)]
    for run in range(4):
        before = int(rng.integers(1, 2 * n // 8))
        place = int(rng.choice(places))
        if run == 0:
            # The worst: just read.
            place = LAYOUT.config["data_ids_at"].at
            before = 1 + place // 8
        firmware.run(image, block(EVERYTHING, ticks=before))
        firmware.target.poke("image", place, 1)
        at = 8 * before % n
        assert int(firmware.state("memory_at")[0]) == at
        # Ticks until the word after `place` is read, then until the end of that pass; the pass goes on in the same tick.
        end = n if place >= at else 2 * n
        ticks = -(-(end - at) // 8)
        trace = firmware.run(None, block(EVERYTHING, ticks=ticks + 60, first_tick=before))
        # A turned bit of a check's row may trip that check as well; the memory's own fault has its own time.
        assert int(np.argmax(fault(trace, "memory"))) == ticks - 1
        assert (column(trace, "mode")[ticks - 1 :] == MODES.index("safe_hold")).all()
        assert fault(trace, "memory")[ticks - 1 :].all()
        assert ticks <= -(-2 * n // 8)


@pytest.mark.parametrize("field", LAYOUT.rows["check_row"])
def test_the_memorys_check_can_not_be_turned_off_by_what_it_is_to_find(
    firmware: Firmware, field: str
) -> None:
    image = memory_image().build()
    n = len(words_of(image))
    row = [check.name for check in LAYOUT.checks].index("memory") * LAYOUT.sizes["check_row"]
    place = LAYOUT.config["check_rows"].at + row + LAYOUT.rows["check_row"].index(field)
    for mask in (1, 1 << 14, -(1 << 31)):
        firmware.run(image, block(EVERYTHING, ticks=5))
        firmware.target.poke("image", place, mask)
        trace = firmware.run(None, block(EVERYTHING, ticks=2 * n // 8 + 300, first_tick=5))
        assert fault(trace, "memory")[-300:].all()
        assert (column(trace, "mode")[-300:] == MODES.index("safe_hold")).all()


# --- firmware that is broken before the guard -----------------------------------------------------------------------

STATE = {name: word.at for name, word in LAYOUT.state.items()}
COMMAND = f"state[{STATE['command_fresh']}] = 1"


def broken_firmware(folder: Path, instead: str) -> Path:
    """A copy of the firmware that does something else where its laws' currents are made."""
    copy = folder / "firmware"
    shutil.copytree(FIRMWARE, copy)
    path = copy / "dashpot" / "core.py"
    source = path.read_text(encoding="utf-8")
    line = "        drive(words, state)\n"
    assert source.count(line) == 1
    path.write_text(
        source.replace(line, "".join(f"        {part}\n" for part in instead.splitlines())), encoding="utf-8"
    )
    return copy


@pytest.fixture
def broken(tmp_path: Path) -> Iterator[Callable[[str], Target]]:
    targets: list[Target] = []

    def start(instead: str) -> Target:
        target = make_target("host", TargetOptions(broken_firmware(tmp_path, instead)), LAYOUT)
        target.start()
        targets.append(target)
        return target

    yield start
    for target in targets:
        target.close()


def guard_image() -> ImageBuilder:
    image = ImageBuilder().put("safe_ma", 800, 850, 900, 950).put("command_expiry_us", 20_000)
    image.put("slew_up_ma", 40, 50, 60, 70).put("slew_down_ma", 35, 45, 55, 65).put(
        "axle_spread_ma", 150, 250
    )
    return (
        image.put("least_ma", 300, 310, 320, 330)
        .put("most_ma", 1600, 1590, 1580, 1570)
        .fill("derate_ma", 1570)
    )


def check_rules(trace: np.ndarray, image: ImageBuilder) -> None:
    """Range, rate and symmetry of every tick, whatever made the currents."""

    def words(name: str) -> np.ndarray:
        word = LAYOUT.config[name]
        return np.array(image.words[word.at : word.at + word.count])

    current = column(trace, "current_ma")
    assert (current >= words("least_ma")).all()
    assert (current <= words("most_ma")).all()
    before = np.vstack([words("safe_ma"), current[:-1]])
    assert (current - before <= words("slew_up_ma")).all()
    assert (before - current <= words("slew_down_ma")).all()
    apart, was = (np.abs(c[:, ::2] - c[:, 1::2]) for c in (current, before))
    assert (apart <= np.maximum(was, words("axle_spread_ma"))).all()


def ran(target: Target, image: ImageBuilder, ticks: int) -> np.ndarray:
    target.load(image.build())
    traces = []
    for first in range(0, ticks, 200):
        reply = target.run(block(EVERYTHING, ticks=min(200, ticks - first), first_tick=first))
        traces.append(reply.trace.copy())
    return np.concatenate(traces)


def test_laws_that_give_no_command_lose_their_current_in_time(broken: Callable[[str], Target]) -> None:
    # They drive the currents up for 100 ticks, then fall silent.
    current = STATE["current_ma"]
    silent = f"""if state[{STATE["ticks"]}] <= 100:
    for corner in range(4):
        state[{current} + corner] = 1500
    {COMMAND}"""
    trace = ran(broken(silent), guard_image(), 300)
    got = column(trace, "current_ma")
    assert got[99].tolist() == [1500] * 4
    # 20 ms are ten periods: the eleventh tick without a command is past them [X].
    assert np.flatnonzero(fault(trace, "command_stale")).tolist() == list(range(110, 300))
    assert (got[100:110] == 1500).all()
    slowest = 110 + max(
        -(-(1500 - safe) // slew) for safe, slew in zip((800, 850, 900, 950), (35, 45, 55, 65), strict=True)
    )
    assert (got[slowest:] == [800, 850, 900, 950]).all()
    check_rules(trace, guard_image())


WILD = f"""for corner in range(4):
    wild = (state[{STATE["ticks"]}] * 1103515245 + corner * 40503 * state[{STATE["ticks"]}] >> 7) & 0xFFFF
    state[{STATE["current_ma"]} + corner] = wild - 32768 if state[{STATE["ticks"]}] % 3 else wild >> 4
{COMMAND}"""


def test_wild_commands_stay_inside_every_limit(broken: Callable[[str], Target]) -> None:
    trace = ran(broken(WILD), guard_image(), 3000)
    check_rules(trace, guard_image())
    seen = int(np.bitwise_or.reduce(column(trace, "faults")))
    for name in ("guard_range", "guard_rate", "axle_unequal"):
        assert seen & FAULT[name]
    assert not seen & FAULT["command_stale"]
    assert np.ptp(column(trace, "current_ma")) > 300, "it lets through what it may"


def test_left_and_right_that_are_pulled_apart_stop_at_the_spread(broken: Callable[[str], Target]) -> None:
    apart = f"""for corner in range(4):
    state[{STATE["current_ma"]} + corner] = 1500 if corner & 1 else 400
{COMMAND}"""
    trace = ran(broken(apart), guard_image(), 200)
    got = column(trace, "current_ma")
    check_rules(trace, guard_image())
    assert fault(trace, "axle_unequal")[50:].all()
    assert (got[-1, 1] - got[-1, 0], got[-1, 3] - got[-1, 2]) == (150, 250)
    assert got[-1, 0] == 400, "the lower one has its way, the higher one waits"


def test_a_drive_that_ignores_the_mode_gets_no_current_past_it(broken: Callable[[str], Target]) -> None:
    # Corners that are off have none, whatever is asked for.
    target = broken(f"for corner in range(4):\n    state[{STATE['current_ma']} + corner] = 1500\n{COMMAND}")
    image = guard_image().check("supply_over", trip_ticks=1, heal_ticks=1, limit=18_000, heal_limit=18_000)
    target.load(image.build())
    trace = target.run(
        with_inputs(block(EVERYTHING, ticks=50), supply_mv=np.where(np.arange(50) < 25, 13_500, 19_000))
    ).trace
    assert column(trace, "current_ma")[24].min() > 1000
    assert not column(trace, "current_ma")[25:].any()


# --- the fault memory and the board's starts ------------------------------------------------------------------------


@pytest.fixture
def board(tmp_path: Path) -> Iterator[Target]:
    target = make_target("host", TargetOptions(FIRMWARE, store=tmp_path / "store"), LAYOUT)
    (tmp_path / "store").mkdir()
    target.start()
    yield target
    target.close()


def board_image() -> ImageBuilder:
    image = (
        ImageBuilder()
        .table("base_table", [0, 1], [1000, 1000])
        .put("current_control", 1)
        .put("open_permille", 250)
    )
    image.check("held", trip_ticks=1).check(
        "supply_low", trip_ticks=3, heal_ticks=3, heals_most=9, limit=9000, heal_limit=9500
    )
    for corner in CORNERS:
        image.check(f"coil_short.{corner}", limit=32_767)
    return image


def test_the_snapshot_is_the_trace_of_the_first_tick(board: Target) -> None:
    memory = checked_module("dashpot.fault_memory")
    board.load(board_image().build())
    board.restart("power_on", fresh=True)
    rng = np.random.default_rng(2)
    values = {name: rng.integers(-200, 200, 100) for name in CHANNELS if not name.endswith("switch")}
    inputs = {"supply_mv": np.where(np.arange(100) < 60, 12_345, 8765), "flags": 8 + 64}
    trace = board.run(
        with_inputs(block(values | {"grip_switch": 0, "driver_switch": 0}), **inputs)
    ).trace.copy()
    first = int(np.argmax(fault(trace, "supply_low")))
    assert first == 62
    words = board.journal().tolist()
    width, entries = words[:2]
    rows = {words[2 + i * width]: words[3 + i * width : 2 + (i + 1) * width] for i in range(entries)}
    got = rows[LAYOUT.faults.index("supply_low")]
    assert dict(zip(memory.FIELDS, got, strict=False))["count"] == 1
    snapshot = iter(got[len(memory.FIELDS) :])
    places = {word.at: word.name for word in LAYOUT.state.values()}
    kept = {}
    for place, count in memory.SNAPSHOT:
        kept[places[place]] = [next(snapshot) for _ in range(count)]
    for name, snap in kept.items():
        assert snap == np.atleast_1d(column(trace, name)[first]).tolist(), name
    assert {
        "measured_ma",
        "duty_q14",
        "board_supply_mv",
        "board_flags",
        "channels_implausible",
        "corners_off",
    } <= set(kept)
    assert kept["board_supply_mv"] == [8765]
    assert kept["board_flags"] == [72]
    assert min(kept["measured_ma"]) > 0


def test_three_hangs_hold_the_safe_current_until_a_power_on(board: Target) -> None:
    # Three watchdog resets within 60 s stay safe until a power cycle [D, domain notes].
    def seconds(count: int) -> np.ndarray:
        blocks = [block(EVERYTHING, ticks=200, first_tick=200 * i) for i in range(3 * count)]
        traces = [board.run(each).trace.copy() for each in blocks]
        return np.concatenate(traces)

    board.load(board_image().build())
    assert not board.restart("power_on", fresh=True).held
    held = 1 << LAYOUT.board_flags.index("held")
    boots = []
    for hang in range(1, 5):
        boot = board.restart("watchdog")
        boots.append(boot.count)
        assert boot.held == (hang >= 3)
        trace = seconds(2)
        assert (column(trace, "board_flags") == (held if hang >= 3 else 0)).all()
        assert fault(trace, "held").all() == (hang >= 3)
        assert fault(trace, "held").any() == (hang >= 3)
        if hang >= 3:
            assert (column(trace, "mode") == MODES.index("start")).all()
            assert (column(trace, "current_ma") == 800).all()
        else:
            assert column(trace, "mode")[-1] == MODES.index("active")
    assert np.diff(boots).tolist() == [1, 1, 1]
    for cause in ("soft", "brown_out", "other"):
        assert board.restart(cause).held, "only a power-on frees"
    assert not board.restart("power_on").held
    trace = seconds(1)
    assert column(trace, "mode")[-1] == MODES.index("active")
    assert column(trace, "current_ma")[-1].tolist() == [1600] * 4
    codes = board.journal().tolist()
    assert LAYOUT.faults.index("held") in codes[2 :: codes[0]], "it is remembered"


def test_a_start_begins_anew(board: Target) -> None:
    board.load(board_image().build())
    board.restart("power_on", fresh=True)
    board.run(block(EVERYTHING, ticks=100))
    assert board.state()[LAYOUT.state["ticks"].at] == 100
    board.restart("soft")
    state = board.state()
    assert state[LAYOUT.state["ticks"].at] == 0
    trace = board.run(block(EVERYTHING, ticks=2)).trace
    assert column(trace, "measured_ma")[0].tolist() == [0] * 4
    assert column(trace, "frames_used")[0] == len(CHANNELS)


def test_hangs_a_minute_apart_hold_nothing() -> None:
    with tempfile.TemporaryDirectory() as folder:
        target = make_target("host", TargetOptions(FIRMWARE, store=Path(folder)), LAYOUT)
        target.start()
        try:
            period_us = 10_000
            target.load(board_image().put("period_us", period_us).build())
            target.restart("power_on", fresh=True)
            # 61 s of running time in between.
            for _ in range(5):
                assert not target.restart("watchdog").held
                for first in range(0, 6200, 200):
                    target.run(block({}, ticks=200, period_us=period_us, first_tick=first))
        finally:
            target.close()
