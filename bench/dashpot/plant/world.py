"""A scenario's car and its bus in step: currents go in, frames come out.

The clock of the drive starts with the end of the first frame, which is the controller's first tick; until then, under a
millisecond, the car goes on as it stands in the drive's first row. Ticks follow at whole periods and lie on the plant's
grid. Nothing here knows where the currents come from: held ones for an open loop, the firmware's in a closed one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.plant.canbus import START_US, Bus, other_messages
from dashpot.plant.chassis import STEP_S, Plant
from dashpot.plant.drive import STEP_US
from dashpot.plant.merlin_bus import MESSAGES
from dashpot.plant.sensors import MOTION_SIGNALS
from dashpot.plant.valve_file import demo_valves, load_valve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashpot.plant.car import Floats
    from dashpot.plant.coil import Coil
    from dashpot.plant.scenario import Scenario
    from dashpot.plant.valve_file import Valve

PLANT_STEP_US = round(STEP_S * 1e6)


@dataclass(frozen=True, slots=True)
class Held:
    """A reading of one value a millisecond, its noise already in it, which holds until the next.

    Attributes:
        values: (n,).
        first_us: time of the first; it holds before, too.

    """

    values: Floats
    first_us: int = 0

    def sample(self, at_us: NDArray[np.int64], _rng: np.random.Generator) -> Floats:
        """Return the value at each time."""
        return self.values[np.clip((at_us - self.first_us) // STEP_US, 0, len(self.values) - 1)]


def signed(readings: dict[str, Floats]) -> dict[str, Floats]:
    """Return readings with the steering's magnitude and sign as one value each, from which its message takes both."""
    found = dict(readings)
    for name, magnitude in (("Steer", "SteerAngle"), ("SteerRate", "SteerRate")):
        found[name] = readings[magnitude] * (1.0 - 2.0 * readings[f"{name}Sign"])
    return found


def scenario_valves(scenario: Scenario) -> tuple[Valve, Valve]:
    """Return the front and the rear valve: those that a scenario names, or the demo car's."""
    if scenario.valves is None:
        return demo_valves()
    front, rear = scenario.valves
    return load_valve(front), load_valve(rear)


class World:
    """The car of a scenario, its sensors and its bus, advanced together.

    Args:
        scenario: what is driven.
        seed: instead of the scenario's.
        duration_s: instead of the scenario's.
        period_us: the controller's tick.
        coils: instead of the valves' own.
        start_a: of all coils at the start: one, front and rear, or four.
        start_us: the controller's clock at the first tick.
        other_load: share of the bus that messages of others take, beside the car's.

    Attributes:
        scenario, drive, plant, bus: the parts.
        first_us: the bus's time at the end of the first frame, which is the drive's time 0.
        ticks: how many periods the drive has; there is one more tick than that.
        steps: of the plant in a period.
        tick: ticks since the first.
        motion: the plant's rows at each tick so far, float32, (ticks + 1, 57).
        seen: readings of the motion at each millisecond so far, (n, 9), columns as `sensors.MOTION_SIGNALS`.

    Raises:
        InputError: the tick's period does not fit the plant's steps, or the scenario cannot be driven.

    """

    def __init__(
        self,
        scenario: Scenario,
        *,
        seed: int | None = None,
        duration_s: float | None = None,
        period_us: int = 2000,
        coils: Sequence[Coil] | None = None,
        start_a: Sequence[float] | float = 0.0,
        start_us: int = 0,
        other_load: float = 0.0,
    ) -> None:
        if period_us % PLANT_STEP_US:
            raise InputError(
                f"a tick of {period_us} us is no whole number of the plant's steps; a multiple of "
                f"{PLANT_STEP_US} us would be",
                where="period",
            )
        if duration_s is not None:
            scenario = replace(scenario, duration_s=duration_s)
        self.scenario = scenario
        self.period_us = period_us
        self.steps = period_us // PLANT_STEP_US
        self.drive = drive = scenario.drive(seed)
        self.valves = scenario_valves(scenario)
        self.plant = Plant(
            drive.car,
            [valve.damper() for valve in self.valves],
            [valve.coil(scenario.coil_c) for valve in self.valves] if coils is None else coils,
        )
        self._inputs = drive.inputs()
        self.ticks = round(drive.duration_s * 1e6) // period_us
        four = np.repeat(start_a, 2) if np.size(start_a) == 2 else np.broadcast_to(start_a, (4,))
        self._state = self.plant.rest(self._inputs, [float(amps) for amps in four])
        self._sensors = scenario.motion_sensors(drive)
        standing = self._sensors.start(drive.car, self._state)
        self.seen = np.empty((len(drive.time_s), len(MOTION_SIGNALS)))
        self.seen[0] = standing
        self.motion = np.empty(
            (self.ticks + 1, self.plant.look(self._state, self._inputs).rows.shape[1]), np.float32
        )
        self.motion[0] = self.plant.look(self._state, self._inputs).rows[0]
        self.tick = 0

        self._known = readings = signed(scenario.readings(drive))
        messages = [*MESSAGES, *other_messages(other_load, MESSAGES, drive.seed)]
        # The first frame alone, to know when it ends: its readings are those of time 0, whenever that is.
        ahead_us = max(message.period_us + message.phase_us for message in MESSAGES)
        first = {name: Held(values[:1]) for name, values in readings.items()}
        trial = Bus(messages, first, seed=drive.seed, end_us=ahead_us, live=MOTION_SIGNALS)
        self.first_us = trial.begin(standing)
        self.bus = Bus(
            messages,
            {name: Held(values, self.first_us) for name, values in readings.items()},
            seed=drive.seed,
            end_us=self.first_us + round(drive.duration_s * 1e6),
            live=MOTION_SIGNALS,
            start_us=start_us,
        )
        assert self.bus.begin(standing) == self.first_us

    @property
    def log_us(self) -> int:
        """Return the log's time at the first tick."""
        return START_US + self.first_us

    def readings(self) -> dict[str, Held]:
        """Return all that the sensors read, by the names of the messages' readings, of a drive that is over."""
        found = {name: Held(values, self.first_us) for name, values in self._known.items()}
        moved = {name: Held(self.seen[:, place], self.first_us) for place, name in enumerate(MOTION_SIGNALS)}
        return found | moved

    def advance(self, command_a: Floats, hold: int) -> int:
        """Go on under wanted currents (m, 4), each for `hold` steps of the plant, and return how many frames came.

        Args:
            command_a: wanted coil currents in ampere; m hold is a whole number of periods.
            hold: steps that each is held.

        """
        motion = self.plant.run(self._state, command_a, hold, self._inputs)
        before = self._sensors.at_ms
        seen = self._sensors.read(motion)
        self.seen[before + 1 : before + 1 + len(seen)] = seen
        periods = len(motion.rows) // self.steps
        self.motion[self.tick + 1 : self.tick + 1 + periods] = motion.rows[self.steps - 1 :: self.steps]
        self.tick += periods
        return self.bus.advance(
            self.first_us + self.tick * self.period_us, seen, self.first_us + (before + 1) * STEP_US, STEP_US
        )

    def hold(self, front_a: float, rear_a: float, periods: int) -> int:
        """Go on with held currents for a number of periods, and return how many frames came."""
        command = np.array([[front_a, front_a, rear_a, rear_a]])
        return self.advance(command, periods * self.steps)
