"""Faults of the controller's loop: late and missing ticks, and a reset."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.faults.registry import Effect, Fault, Scope, duration, kind, whole
from dashpot.faults.stimulus import Stimulus

if TYPE_CHECKING:
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


@kind("hang", Scope.LOOP, Effect.LATE)
def hang(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The loop stands still, and goes on as if nothing had been; frames wait in the ring."""
    ticks = stimulus.ticks
    return replace(stimulus, ticks=ticks.select(~fault.during(ticks.at_us)))


@kind("reset", Scope.LOOP, Effect.RESTART)
def reset(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The controller is off, hears nothing, and then begins anew."""
    ticks, frames = stimulus.ticks, stimulus.frames
    kept = ticks.select(~fault.during(ticks.at_us))
    again = int(np.searchsorted(kept.at_us, fault.end_us))
    reloads = kept.reloads | ({again} if again < len(kept) else set())
    return Stimulus(frames.select(~fault.during(frames.at_us)), replace(kept, reloads=frozenset(reloads)))
