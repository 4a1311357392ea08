"""Faults behind the board's pins: supply, output stage, coils, the CAN controller's state, and memory.

The host board computes each coil as a resistance and an inductance under the duty that the firmware sets, so a fault of
a coil goes through the firmware's own control. What a valve makes of the current is not in it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.faults.registry import Effect, Fault, Scope, duration, kind, needs_limit, voltage, whole
from dashpot.faults.stimulus import Poke, Stimulus
from dashpot.targets.contract import NOMINAL_INPUTS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.faults.bus import Bus
    from dashpot.faults.stimulus import Mask

NOMINAL_MV = NOMINAL_INPUTS["supply_mv"]
NOMINAL_PERMILLE = 1000
#: From here the host board takes a coil for open.
OPEN_PERMILLE = 40_000
#: Below 100 it takes the turns for bridged, without inductance; 5 % of 2.2 ohm are a wire.
BRIDGED_PERMILLE = 50
#: Bits of the board's flags, as firmware/layout.toml has them.
BUS_OFF, DRIVER_HOT = 1 << 0, 1 << 1
OVER_CURRENT = 1 << 3


def _supply(stimulus: Stimulus, fault: Fault, millivolts: NDArray[np.float64]) -> Stimulus:
    """Put a course of the supply, a value a tick, into the time of the fault."""
    ticks = stimulus.ticks
    inside = fault.during(ticks.at_us)
    return replace(
        stimulus,
        ticks=ticks.with_input("supply_mv", np.where(inside, np.rint(millivolts), ticks.inputs["supply_mv"])),
    )


def ramp_us(fault: Fault) -> int:
    """Return how long a slow supply takes each way; in between it stays for as long."""
    return fault.length_us // 3


@kind("supply_step", Scope.BOARD, Effect.SUPPLY, severity=voltage("the voltage that the supply has"))
def supply_step(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The supply drops or jumps to a level and comes back at the end: cranking, a weak battery, a load dump."""
    return _supply(stimulus, fault, np.full(len(stimulus.ticks), fault.number))


@kind("supply_ramp", Scope.BOARD, Effect.SUPPLY, severity=voltage("the voltage that the supply goes to"))
def supply_ramp(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The supply goes to a level in a third of the time, stays for a third, and comes back in a third."""
    since_us = stimulus.ticks.at_us - fault.start_us
    each = ramp_us(fault)
    share = np.clip(np.minimum(since_us, fault.length_us - since_us) / each, 0, 1)
    return _supply(stimulus, fault, NOMINAL_MV + (fault.number - NOMINAL_MV) * share)


def _flag(stimulus: Stimulus, inside: Mask, flag: int) -> Stimulus:
    ticks = stimulus.ticks
    flags = ticks.inputs["flags"]
    return replace(stimulus, ticks=ticks.with_input("flags", np.where(inside, flags | flag, flags)))


@kind("driver_hot", Scope.BOARD, Effect.HOT)
def driver_hot(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The output stage says that it is too hot."""
    return _flag(stimulus, fault.during(stimulus.ticks.at_us), DRIVER_HOT)


@kind("bus_off_flag", Scope.BOARD, Effect.BUS_FLAG)
def bus_off_flag(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The CAN controller says that it is off the bus, and frames still come: its word must count."""
    return _flag(stimulus, fault.during(stimulus.ticks.at_us), BUS_OFF)


@kind("bus_off_reported", Scope.BUS, Effect.BUS_FLAG)
def bus_off_reported(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """No frame comes, and the CAN controller says that it is off the bus."""
    frames = stimulus.frames
    silent = replace(stimulus, frames=frames.select(~fault.during(frames.at_us)))
    return _flag(silent, fault.during(stimulus.ticks.at_us), BUS_OFF)


# Coils. A tick's word is the resistance in the period that ends with the tick.


def _coil(stimulus: Stimulus, fault: Fault, permille: NDArray[np.float64]) -> Stimulus:
    ticks = stimulus.ticks
    name = f"coil_permille_{fault.corner.name}"
    inside = fault.during(ticks.at_us)
    return replace(
        stimulus, ticks=ticks.with_input(name, np.where(inside, np.rint(permille), ticks.inputs[name]))
    )


@kind("coil_open", Scope.CORNER, Effect.OPEN)
def coil_open(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The wire to a coil is off."""
    return _coil(stimulus, fault, np.full(len(stimulus.ticks), float(OPEN_PERMILLE)))


@kind("coil_short", Scope.CORNER, Effect.SHORT)
def coil_short(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A coil's turns are bridged: 5 % of its resistance and no inductance."""
    return _coil(stimulus, fault, np.full(len(stimulus.ticks), float(BRIDGED_PERMILLE)))


@kind(
    "coil_step", Scope.CORNER, Effect.RESISTANCE,
    severity=whole("the resistance, 1000 is nominal", 100, OPEN_PERMILLE - 1),
)  # fmt: skip
def coil_step(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A coil's resistance jumps: a bad contact, or some bridged turns."""
    return _coil(stimulus, fault, np.full(len(stimulus.ticks), fault.number))


@kind(
    "coil_drift", Scope.CORNER, Effect.RESISTANCE,
    severity=whole("the resistance that it comes to, 1000 is nominal", 100, OPEN_PERMILLE - 1),
)  # fmt: skip
def coil_drift(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A coil's resistance goes evenly to another one over the time of the fault, and stays: it gets warm, or a contact rots."""
    share = np.clip((stimulus.ticks.at_us - fault.start_us) / fault.length_us, 0, 1)
    stays = replace(fault, end_us=int(stimulus.ticks.at_us[-1]) + 1)
    return _coil(stimulus, stays, NOMINAL_PERMILLE + (fault.number - NOMINAL_PERMILLE) * share)


#: A contact that comes and goes has this resistance while it is bad.
BAD_CONTACT_PERMILLE = 4000


@kind(
    "coil_chatter", Scope.CORNER, Effect.UNSEEN,
    severity=duration("how long the contact is bad, and how long it is good", 1_000_000),
)  # fmt: skip
def coil_chatter(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A loose contact: four times the resistance for some time, the nominal one for as long, and so on."""
    bad = (stimulus.ticks.at_us - fault.start_us) // int(fault.number) % 2 == 0
    return _coil(stimulus, fault, np.where(bad, float(BAD_CONTACT_PERMILLE), float(NOMINAL_PERMILLE)))


@kind("over_current", Scope.CORNER, Effect.SHORT)
def over_current(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """The hardware says that it has switched a coil's current off."""
    return _flag(stimulus, fault.during(stimulus.ticks.at_us), OVER_CURRENT << fault.corner.index)


# Memory.


def _poke(stimulus: Stimulus, fault: Fault, poke: Poke) -> Stimulus:
    ticks = stimulus.ticks
    return replace(stimulus, ticks=ticks.with_poke(int(np.searchsorted(ticks.at_us, fault.start_us)), poke))


_BIT = whole("the bit that turns over", 0, 31, default=0)


@kind("memory_bit", Scope.MEMORY, Effect.MEMORY, severity=_BIT, lasts=False)
def memory_bit(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A bit of the image in memory turns over, and stays so."""
    return _poke(stimulus, fault, Poke("image", fault.word.at, _mask(fault)))


@kind("limits_bit", Scope.MEMORY, Effect.MEMORY, severity=_BIT, refuse=needs_limit, lasts=False)
def limits_bit(stimulus: Stimulus, fault: Fault, _bus: Bus, _rng: np.random.Generator) -> Stimulus:
    """A bit of the last guard's own copy of its limits turns over, and stays so."""
    assert fault.word.limit is not None
    return _poke(stimulus, fault, Poke("limits", fault.word.limit, _mask(fault)))


def _mask(fault: Fault) -> int:
    """Return the bit as a signed word of 32 bits has it."""
    mask = 1 << int(fault.number)
    return mask if mask < 1 << 31 else mask - (1 << 32)
