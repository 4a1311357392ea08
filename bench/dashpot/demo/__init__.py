"""The demo: an invented car on an invented circuit, as the log that its bus would leave.

It is the scenario `hollow_fen` in an open loop: the coils hold its currents, so the log is there without the firmware and
the same on every machine. `demo_lap` is the truth, `frames` the bus, `write_demo_log` the candump file; all of it is drawn
from one seed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.logs.candump import write_candump
from dashpot.logs.frames import split_block
from dashpot.plant import kernel
from dashpot.plant.drive import LONGEST_S, STEP_US
from dashpot.plant.scenario import demo_scenario
from dashpot.plant.world import World

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from dashpot.logs.frames import FrameBlock
    from dashpot.plant.car import Car, Floats
    from dashpot.plant.drive import Drive

__all__ = ["DemoLap", "Zone", "demo_lap", "frames", "write_demo_log"]

SCENARIO = "hollow_fen"


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the lap, in metres from the start line."""

    start_m: float
    end_m: float

    def holds(self, lap_distance_m: Floats) -> NDArray[np.bool_]:
        """Return where distances lie in it."""
        inside: NDArray[np.bool_] = (lap_distance_m >= self.start_m) & (lap_distance_m < self.end_m)
        return inside


@dataclass(frozen=True, slots=True)
class DemoLap:
    """Truth of a drive round Hollow Fen, one row a millisecond.

    Attributes:
        world: car and bus at the end of the drive.

    """

    world: World

    @property
    def drive(self) -> Drive:
        """Where the car was and what the driver did."""
        return self.world.drive

    @property
    def car(self) -> Car:
        """The car's data."""
        return self.world.drive.car

    @property
    def stroke_m(self) -> Floats:
        """Strokes of the dampers from ride height, (n, 4)."""
        return self.world.motion[:, kernel.STROKE : kernel.STROKE + 4].astype(np.float64)

    @property
    def rough(self) -> Zone:
        """The rough braking zone."""
        patch = self.world.scenario.ground.patches[0]
        return Zone(patch.start_m, patch.end_m)

    @property
    def kerb(self) -> Zone:
        """The kerb under the left wheels."""
        kerb = self.world.scenario.ground.kerbs[0]
        return Zone(kerb.start_m, kerb.end_m)

    @property
    def damp(self) -> Zone:
        """The damp sector."""
        damp = self.world.scenario.weather.damp[0]
        return Zone(damp.start_m, damp.end_m)


def demo_lap(seed: int = 1, duration_s: float = 90.0) -> DemoLap:
    """Drive from a standing start for `duration_s`.

    Args:
        seed: road, driver and noise are drawn from it; the same seed gives the same numbers on the same machine.
        duration_s: 1 to 900 seconds; a lap takes about 86.

    Raises:
        InputError: seed or duration out of range.

    """
    if seed < 0:
        raise InputError(f"the seed is {seed}; it must be 0 or more", where="demo lap")
    if not 1.0 <= duration_s <= LONGEST_S:
        raise InputError(
            f"the duration is {duration_s} s; 1 to {LONGEST_S:.0f} s can be made", where="demo lap"
        )
    scenario = demo_scenario(SCENARIO)
    held_a = scenario.currents_a
    assert held_a is not None
    world = World(scenario, seed=seed, duration_s=duration_s, period_us=STEP_US, start_a=held_a)
    world.hold(*held_a, world.ticks)
    return DemoLap(world)


def frames(lap: DemoLap) -> Iterator[FrameBlock]:
    """Yield the lap as it went over the bus, in the order in which frames got through.

    Stamps are microseconds from `canbus.START_US` on; the channel is 0 throughout.
    """
    yield from split_block(lap.world.bus.frames())


def write_demo_log(path: Path, seed: int = 1, duration_s: float = 90.0) -> int:
    """Write the demo lap as a candump log of interface can0 and return how many frames it has.

    Raises:
        InputError: seed or duration out of range, or the folder cannot be written.
    """
    return write_candump(path, frames(demo_lap(seed, duration_s)), ("can0",))
