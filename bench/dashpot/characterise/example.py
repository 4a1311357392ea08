"""An invented dyno day: three files of the Merlin T4's front valve, to follow the page by [D].

Everything comes from the demo's valve file: the plant's damper and coil, the band between rising and falling current as
a play, and noise of good instruments.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.characterise.strokes import lagged
from dashpot.files import atomic_folder
from dashpot.plant.coil import Coil
from dashpot.plant.valve_file import Valve, demo_valves

if TYPE_CHECKING:
    from pathlib import Path

    from dashpot.plant.car import Floats

SINES, STEPS, SLOW = "sines.csv", "steps.csv", "slow.csv"
#: Currents of the sines, up and down again.
LEVELS_A = (0.0, 0.1, 0.2, 0.3, 0.5, 0.7, 0.9, 1.1, 1.35, 1.6, 1.35, 1.1, 0.9, 0.7, 0.5, 0.3, 0.0)
#: Amplitude in mm, frequency in Hz, cycles: peak speeds of 25 to 804 mm/s.
RUNS = (
    (10.0, 0.4, 1),
    (10.0, 0.8, 2),
    (16.0, 1.0, 2),
    (25.0, 1.27, 2),
    (25.0, 2.2, 3),
    (10.0, 8.0, 6),
    (20.0, 6.4, 6),
)
STEP_PAIRS_A = ((0.5, 1.2), (0.5, 1.5), (0.5, 0.9), (0.5, 1.6))
SLOW_A = 0.5
SUPPLY_V, FREEWHEEL_V = 13.5, 0.7
NOISE = {
    "position": 4e-6,
    "force": 3.0,
    "current": 1.5e-3,
    "temperature": 0.05,
    "voltage": 0.01,
    "duty": 5e-4,
}
HEADER = "time [s],position [mm],force [N],current [A],temperature [degC],voltage [V],duty [%]"


@dataclass(frozen=True, slots=True)
class Drive:
    """What the dyno does: time, position, speed, current; and the oil's temperature."""

    time_s: Floats
    position_m: Floats
    speed_m_s: Floats
    current_a: Floats
    oil_c: Floats


def write_example(folder: Path, seed: int = 1) -> None:
    """Write the three files.

    Raises:
        InputError: the folder exists and is not empty, or cannot be made.

    """
    valve = demo_valves()[0]
    rng = np.random.default_rng(seed)
    with atomic_folder(folder) as aside:
        for name, runs in ((SINES, _sines()), (STEPS, _steps(valve)), (SLOW, _slow())):
            _write(aside / name, valve, runs, rng)


def _sines() -> list[Drive]:
    made, start = [], 0.0
    for number, level in enumerate(LEVELS_A):
        for amplitude_mm, hz, cycles in RUNS:
            time = np.arange(round(500 * cycles / hz) + 1) / 500.0
            angle = 2.0 * np.pi * hz * time
            made.append(
                Drive(
                    start + time,
                    -1e-3 * amplitude_mm * np.cos(angle),
                    1e-3 * amplitude_mm * 2.0 * np.pi * hz * np.sin(angle),
                    np.full(len(time), level),
                    np.full(len(time), 59.0 + 2.0 * number / len(LEVELS_A)),
                )
            )
            # Only whole cycles are recorded; between them the dyno settles.
            start += float(time[-1]) + 0.5
    return made


def _steps(valve: Valve) -> list[Drive]:
    step_s, stroke_m, speed = 5e-4, 0.06, 0.2
    half = round(stroke_m / speed / step_s)
    count = 2 * len(STEP_PAIRS_A) * 3
    time = np.arange(count * half) * step_s
    phase = np.arange(count * half) % (2 * half)
    up = phase < half
    position = np.where(up, phase, 2 * half - phase) * step_s * speed - stroke_m / 2.0
    coil = _coil(valve, 60.0)
    wanted = np.zeros(len(time))
    for number in range(count):
        low, high = STEP_PAIRS_A[number // 6]
        here, there = (low, high) if number % 2 == 0 else (high, low)
        begin = number * half
        # In rebound the other way round every other time, so that either way is stepped in either direction.
        wanted[begin : begin + half // 2] = here
        wanted[begin + half // 2 : begin + half] = there
    current = np.zeros(len(time))
    current[0] = wanted[0]
    for i in range(1, len(time)):
        current[i] = coil.after(float(current[i - 1]), float(wanted[i - 1]), step_s)
    return [Drive(time, position, np.where(up, speed, -speed), current, np.full(len(time), 60.0))]


def _slow() -> list[Drive]:
    time = np.arange(round(100 * 2 / 0.08) + 1) / 100.0
    angle = 2.0 * np.pi * 0.08 * time
    sine = Drive(
        time, -0.02 * np.cos(angle), 0.02 * 2.0 * np.pi * 0.08 * np.sin(angle), np.full(len(time), SLOW_A), np.full(len(time), 60.0)
    )  # fmt: skip
    later = np.arange(4000) / 100.0
    phase = np.arange(4000) % 2000
    up = phase < 1000
    position = np.where(up, phase, 2000 - phase) / 100.0 * 0.004 - 0.02
    triangle = Drive(
        float(time[-1]) + 1.0 + later,
        position,
        np.where(up, 0.004, -0.004),
        np.full(4000, SLOW_A),
        np.full(4000, 60.0),
    )
    return [sine, triangle]


def _coil(valve: Valve, temperature_c: float) -> Coil:
    made = valve.coil(temperature_c)
    return Coil(made.resistance_ohm, made.inductance_h, SUPPLY_V, FREEWHEEL_V, temperature_c)


def _write(path: Path, valve: Valve, runs: list[Drive], rng: np.random.Generator) -> None:
    damper = valve.damper()
    blocks = []
    play = runs[0].current_a[0] - valve.hysteresis_a
    for run in runs:
        step_s = float(run.time_s[1] - run.time_s[0])
        acting: Floats = np.empty(len(run.time_s))
        for i, current in enumerate(run.current_a):
            play = min(max(play, current - valve.hysteresis_a), current + valve.hysteresis_a)
            # The band is one of currents that are held: the jump is no part of it.
            acting[i] = (
                max(play, valve.least_a) if current >= valve.least_a else min(play, valve.passive_below_a)
            )
        acting = _followed(np.maximum(acting, 0.0), valve, step_s)
        force = (
            damper.force_n(lagged(run.speed_m_s, step_s, damper.lag_s), acting)
            + damper.friction_at(run.speed_m_s)
            + damper.gas.at(run.position_m)
        )
        ohm = np.array([_coil(valve, float(celsius)).warm_ohm for celsius in run.oil_c[:1]])
        volts = ohm * run.current_a + valve.inductance_h * np.gradient(run.current_a, step_s)
        supply = np.full(len(run.time_s), SUPPLY_V)
        duty = np.clip((volts + FREEWHEEL_V) / (supply + FREEWHEEL_V), 0.0, 1.0) * (run.current_a > 0.0)
        columns = {
            "position": run.position_m, "force": force, "current": run.current_a, "temperature": run.oil_c,
            "voltage": supply, "duty": duty,
        }  # fmt: skip
        noisy = {
            key: values + NOISE[key] * rng.standard_normal(len(values)) for key, values in columns.items()
        }
        noisy["duty"] = np.clip(noisy["duty"], 0.0, 1.0)
        blocks.append(
            np.stack(
                (run.time_s, 1e3 * noisy["position"], noisy["force"], noisy["current"], noisy["temperature"],
                 noisy["voltage"], 1e2 * noisy["duty"]), axis=1,
            )
        )  # fmt: skip
    with path.open("w", encoding="utf-8") as stream:
        stream.write(f"{HEADER}\n")
        np.savetxt(stream, np.concatenate(blocks), fmt="%.4f,%.4f,%.2f,%.4f,%.2f,%.3f,%.2f")


def _followed(current_a: Floats, valve: Valve, step_s: float) -> Floats:
    """Return the current that acts in the valve: late, then lagged with a time constant of its own each way."""
    made = np.empty(len(current_a))
    acting = float(current_a[0])
    late = {way: round(way.delay_s / step_s) for way in (valve.up, valve.down)}
    for i in range(len(current_a)):
        way = valve.up if current_a[max(i - late[valve.up], 0)] > acting else valve.down
        now = max(i - late[way], 0)
        goal = (float(current_a[now]) + float(current_a[max(now - 1, 0)])) / 2.0
        acting += (goal - acting) * (1.0 - np.exp(-step_s / way.time_s))
        made[i] = acting
    return made
