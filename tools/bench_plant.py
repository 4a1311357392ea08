"""How fast the plant runs: simulated seconds per second of CPU time, and as a ratio to scipy's solver in the same run.

Prints one line a case: the whole drive in one call (open loop), a controller period of 2 ms at a time (closed loop,
without a controller), and the reference by solve_ivp on the same car. CPU time, so that a busy machine matters less.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from dashpot.plant import road
from dashpot.plant.car import demo_car
from dashpot.plant.chassis import STEP_S, Inputs, Plant
from dashpot.plant.coil import Coil
from dashpot.plant.damper import Damper, Gas, Surface, Valve
from dashpot.plant.reference import Reference

SPEED_M_S = 30.0
DRIVE_S = 20.0
REFERENCE_S = 0.2
ROUNDS = 5
HOLD = 4


def damper() -> Damper:
    """Return a digressive adjustable damper with all that the plant knows."""
    speed = (0.0, 0.05, 0.15, 0.5, 1.5)
    surface = Surface(
        speed, (0.0, 1.6), ((0.0, 75.0, 200.0, 560.0, 1450.0), (0.0, 360.0, 850.0, 1600.0, 3100.0))
    )
    return Damper(surface, surface, Gas(180.0, 0.22), 25.0, 0.002, Valve(0.002, 0.006, 0.010))


def least_s(work: Callable[[], object], rounds: int) -> float:
    """Return the shortest CPU time of several rounds."""
    best = float("inf")
    for _ in range(rounds):
        start = time.process_time()
        work()
        best = min(best, time.process_time() - start)
    return best


def main() -> None:
    """Measure and print."""
    car, one, coil = demo_car(), damper(), Coil()
    plant = Plant(car, [one, one], coil)
    rng = np.random.default_rng(1)
    count = round(DRIVE_S / STEP_S)
    at_s = np.arange(count + 1) * STEP_S
    track = road.rough(2000.0, road.class_roughness_m3("B"), rng)
    inputs = Inputs.of(
        count + 1,
        track.under_wheels(SPEED_M_S * at_s, car.wheelbase_m),
        3.0 * np.sin(at_s),
        8.0 * np.sin(0.7 * at_s),
        SPEED_M_S,
    )
    commands = np.repeat(rng.uniform(0.0, 1.6, (count // HOLD // 20 + 1, 4)), 20, axis=0)[: count // HOLD]

    def whole() -> None:
        plant.run(plant.rest(), commands, HOLD, inputs)

    def by_period() -> None:
        state = plant.rest()
        for command in commands:
            plant.advance(state, command, inputs, HOLD)

    def reference() -> None:
        slow = Reference(car, (one, one), coil)
        wanted = np.arange(1, round(REFERENCE_S / 0.002) + 1) * 0.002
        short = Inputs(inputs.road_m[:1001], inputs.drive[:1001])
        slow.simulate(
            plant.rest().y, commands[:500], HOLD * STEP_S, short, STEP_S, wanted, rtol=1e-6, atol=1e-8
        )

    # The first call compiles, or loads what is kept from before.
    whole()
    base = REFERENCE_S / least_s(reference, 1)
    print(f"{'solve_ivp':12}{base:10.3f} simulated s per CPU s")
    for name, work in (("open loop", whole), ("by period", by_period)):
        rate = DRIVE_S / least_s(work, ROUNDS)
        print(f"{name:12}{rate:10.1f} simulated s per CPU s, {rate / base:.0f} times solve_ivp")


if __name__ == "__main__":
    main()
