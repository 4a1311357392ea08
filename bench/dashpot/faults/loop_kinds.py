"""Faults of the controller's loop: late and missing ticks, hangs, resets."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.faults.registry import Effect, Fault, Scope, duration, kind, one_of, whole
from dashpot.faults.stimulus import Stimulus
from dashpot.targets.contract import CAUSES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.faults.bus import Bus


def _first(stimulus: Stimulus, fault: Fault) -> int:
    """Return the first tick at or after the onset."""
    return int(np.searchsorted(stimulus.ticks.at_us, fault.start_us))


@kind("late_tick", Scope.LOOP, Effect.LATE, severity=duration("how late the tick is"), lasts=False)
def late_tick(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """One tick comes late; those that it covers are left out, the others keep their times."""
    ticks = stimulus.ticks
    first = _first(stimulus, fault)
    if first >= len(ticks):
        return stimulus
    at_us = ticks.at_us.copy()
    at_us[first] += int(fault.number)
    keep = np.ones(len(ticks), bool)
    keep[first + 1 :] = at_us[first + 1 :] > at_us[first]
    return replace(stimulus, ticks=replace(ticks, at_us=at_us).select(keep))


@kind("slow_ticks", Scope.LOOP, Effect.LATE, severity=whole("the period, 1000 is right", 1001, 20_000))
def slow_ticks(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The loop runs at a longer period."""
    ticks = stimulus.ticks
    inside = fault.during(ticks.at_us)
    if not inside.any():
        return stimulus
    rows = np.flatnonzero(inside)
    start_us, end_us = int(ticks.at_us[rows[0]]), int(ticks.at_us[rows[-1]])
    step_us = round(int(ticks.at_us[1] - ticks.at_us[0]) * fault.number / 1000)
    slow_us = np.arange(start_us, end_us + 1, step_us, dtype=np.int64)
    keep = ~inside
    keep[rows[: len(slow_us)]] = True
    at_us = ticks.at_us.copy()
    at_us[rows[: len(slow_us)]] = slow_us
    return replace(stimulus, ticks=replace(ticks, at_us=at_us).select(keep))


#: A watchdog of this project's boards waits for as long [D], domain.md: 50 to 100 ms.
WATCHDOG_US = 50_000


@kind("hang", Scope.LOOP, Effect.HANG, severity=duration("how long the watchdog waits", default="50 ms"))
def hang(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The loop stands still. Before the watchdog's time it goes on as if nothing had been; then the board resets it."""
    if fault.length_us < fault.number:
        ticks = stimulus.ticks
        return replace(stimulus, ticks=ticks.select(~fault.during(ticks.at_us)))
    return _off(stimulus, [fault.start_us], int(fault.number), "watchdog")


@kind("hangs", Scope.LOOP, Effect.HANG, severity=whole("how many times it hangs", 1, 20))
def hangs(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The loop hangs again and again, evenly over the time; each time the watchdog resets it after 50 ms."""
    count = int(fault.number)
    starts_us = [fault.start_us + i * (fault.length_us // count) for i in range(count)]
    return _off(stimulus, starts_us, WATCHDOG_US, "watchdog")


@kind(
    "reset", Scope.LOOP, Effect.RESTART,
    severity=one_of("a cause of a start", CAUSES, default="power_on"),
)  # fmt: skip
def reset(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The controller is off, hears nothing, and then begins anew."""
    return _off(stimulus, [fault.start_us], fault.length_us, str(fault.level))


#: A break-down of the supply keeps the board off for so long.
BROWN_OUT_US = 20_000


@kind("supply_resets", Scope.LOOP, Effect.RESTART, severity=whole("how many times it breaks down", 1, 20))
def supply_resets(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The supply breaks down again and again, evenly over the time; each time the board is off for 20 ms and begins anew."""
    count = int(fault.number)
    starts_us = [fault.start_us + i * (fault.length_us // count) for i in range(count)]
    return _off(stimulus, starts_us, BROWN_OUT_US, "brown_out")


def _off(stimulus: Stimulus, starts_us: Sequence[int], length_us: int, cause: str) -> Stimulus:
    """Take ticks and frames away for a time from each of some on, and begin anew after it."""
    ticks, frames = stimulus.ticks, stimulus.frames
    off_frames, off_ticks = np.zeros(len(frames), bool), np.zeros(len(ticks), bool)
    for start_us in starts_us:
        off_frames |= (frames.at_us >= start_us) & (frames.at_us < start_us + length_us)
        off_ticks |= (ticks.at_us >= start_us) & (ticks.at_us < start_us + length_us)
    kept = ticks.select(~off_ticks)
    again = np.searchsorted(kept.at_us, np.array(starts_us) + length_us)
    return Stimulus(frames.select(~off_frames), kept.with_starts({int(tick): cause for tick in again}))
