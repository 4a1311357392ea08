"""The demo lap on the Merlin T4's bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashpot.demo.lap import STEP_US
from dashpot.demo.sensors import read_sensors
from dashpot.logs.frames import split_block
from dashpot.plant.canbus import Bus
from dashpot.plant.merlin_bus import MESSAGES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashpot.demo.lap import DemoLap
    from dashpot.logs.frames import FrameBlock


def frames(lap: DemoLap) -> Iterator[FrameBlock]:
    """Yield the lap as it goes over the bus, in the order in which frames get through.

    Stamps are microseconds from START_US on; the channel is 0 throughout.
    """
    end_us = (len(lap.time_s) - 1) * STEP_US
    bus = Bus(MESSAGES, read_sensors(lap), seed=lap.seed, end_us=end_us)
    # Long after the last release: every frame is through.
    bus.advance(2 * end_us, np.zeros((1, 0)), 0, 1)
    yield from split_block(bus.frames())
