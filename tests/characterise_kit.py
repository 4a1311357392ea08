"""A damper dyno written out as formulas, apart from the plant: known truth, known noise.

On a sine of stroke speed V sin(wt) the valve's speed is V / sqrt(1 + (w lag)^2) sin(wt - atan(w lag)) [X]; the coil's
current and the valve's answer to a step are exponentials and their cascade, in closed form [X].
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from dashpot.characterise.readings import Readings

# Amplitude m, Hz, whole cycles: peak speeds 50.3, 100.5, 199.5, 345.6 and 502.7 mm/s, v = 2 pi f A [X].
RUNS = ((0.010, 0.8, 1), (0.016, 1.0, 2), (0.025, 1.27, 2), (0.025, 2.2, 2), (0.010, 8.0, 6))
LEVELS = (0.0, 0.15, 0.3, 0.6, 0.9, 1.2, 1.5)


@dataclass(frozen=True)
class Truth:
    """The damper. Firmness is linear in a bent current; the speed's shape is v / (1 + v / knee)^0.6."""

    gas_n: float = 210.0
    length_m: float = 0.30
    friction_n: float = 31.0
    lag_s: float = 0.0022
    band_a: float = 0.018
    least_a: float = 0.3
    most_a: float = 1.5
    passive_a: float = 0.75
    firmer: bool = True
    delay_s: tuple[float, float] = (0.0031, 0.0022)
    time_s: tuple[float, float] = (0.0062, 0.0094)
    ohm: float = 2.35
    henry: float = 0.011
    freewheel_v: float = 0.8
    supply_v: float = 13.2

    def share(self, current):
        x = (np.asarray(current, float) - 0.3) / 1.2
        rise = 1.25 * x - 0.25 * x * np.abs(x)
        return rise if self.firmer else 1.0 - rise

    def shape(self, speed):
        speed = np.asarray(speed, float)
        return speed / (1.0 + speed / 0.25) ** 0.6

    def valve_n(self, way, speed, current):
        """Force at a speed of 0 or more with a current that acts in the valve; way 1 or -1."""
        ratio = np.where(np.asarray(way) > 0, 0.8, 1.2)
        return ratio * (1500.0 + 6500.0 * self.share(current)) * self.shape(speed)

    def passive_n(self, way, speed):
        return self.valve_n(way, speed, self.passive_a)

    def gas_at(self, position):
        return self.gas_n * (self.length_m / (self.length_m - position)) ** 1.3

    @property
    def rate_n_per_m(self):
        return 1.3 * self.gas_n / self.length_m

    def held_n(self, way, speed, current, side):
        """Force at a held current that came from below (-1) or above (1); below least the passive stage."""
        if current < self.least_a - 1e-9:
            return self.passive_n(way, speed)
        # Out of the jump the valve opens to the current itself; the band is one of held currents.
        acting = max(current + side * self.band_a, self.least_a)
        return self.valve_n(way, speed, acting)


@dataclass(frozen=True)
class Noise:
    force_n: float = 6.0
    position_m: float = 3e-6
    current_a: float = 0.0015
    volts: float = 0.01


def readings(name, rng, noise, time, position, force, current, oil_c=62.0, supply_v=13.2, duty=None, **more):
    size = len(time)
    oil = np.broadcast_to(np.asarray(oil_c, float), size)
    return Readings(
        name, np.asarray(time, float), position + noise.position_m * rng.standard_normal(size),
        force + noise.force_n * rng.standard_normal(size), current + noise.current_a * rng.standard_normal(size),
        temperature_c=oil + 0.02 * rng.standard_normal(size),
        voltage_v=None if duty is None else supply_v + noise.volts * rng.standard_normal(size),
        duty=None if duty is None else duty, **more,
    )  # fmt: skip


def sines(truth, rng, noise, *, levels=LEVELS, runs=RUNS, both_ways=True, rate_hz=500.0, oil_c=62.0, rise_k=0.0,
          centre_m=0.0, name="sines.csv", with_coil=True):  # fmt: skip
    """Whole cycles at held currents, up and down again."""
    order = [(level, -1) for level in levels]
    if both_ways:
        order += [(level, 1) for level in levels[-2::-1]]
    parts, start = [], 0.0
    for number, (level, side) in enumerate(order):
        for amplitude, hz, cycles in runs:
            t = np.arange(round(rate_hz * cycles / hz) + 1) / rate_hz
            w = 2 * np.pi * hz
            position = centre_m - amplitude * np.cos(w * t)
            speed = amplitude * w * np.sin(w * t)
            acting = (
                amplitude
                * w
                / np.sqrt(1 + (w * truth.lag_s) ** 2)
                * np.sin(w * t - np.arctan(w * truth.lag_s))
            )
            way = np.sign(acting)
            force = (
                way * truth.held_n(way, np.abs(acting), level, side)
                + truth.friction_n * np.sign(speed)
                + truth.gas_at(position)
            )
            oil = oil_c + rise_k * number / len(order)
            ohm = truth.ohm * (1 + 0.00393 * (oil - 20.0))
            duty = (ohm * level + truth.freewheel_v) / (truth.supply_v + truth.freewheel_v) * (level > 0)
            parts.append(
                (
                    start + t,
                    position,
                    force,
                    np.full(len(t), level),
                    np.full(len(t), oil),
                    np.full(len(t), duty),
                )
            )
            start += t[-1] + 1.0
    time, position, force, current, oil, duty = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    return readings(name, rng, noise, time, position, force, current, oil, truth.supply_v, duty if with_coil else None)  # fmt: skip


def slow(truth, rng, noise, current=0.6, speed=0.003, rate_hz=100.0, name="slow.csv"):
    """Triangles both ways at one speed, at a held current reached from below."""
    half = round(0.036 / speed * rate_hz)
    index = np.arange(4 * half)
    phase = index % (2 * half)
    up = phase < half
    position = np.where(up, phase, 2 * half - phase) / rate_hz * speed - 0.018
    way = np.where(up, 1.0, -1.0)
    force = way * (truth.held_n(way, speed, current, -1) + truth.friction_n) + truth.gas_at(position)
    return readings(name, rng, noise, index / rate_hz, position, force, np.full(len(index), current))


def steps(truth, rng, noise, *, pairs=((0.4, 1.4), (0.4, 1.0), (0.4, 1.2)), rate_hz=4000.0, speed=0.2, coil_s=0.0,
          name="steps.csv"):  # fmt: skip
    """Even strokes with a step of the current in the middle of each; `coil_s` makes the current an exponential.

    Without it the current is driven by the whole supply up and the freewheel voltage down, until it is there.
    """
    time, position, force, current, duty = _clean_steps(truth, pairs, rate_hz, speed, coil_s)
    return readings(name, rng, noise, time, position, force, current, 62.0, truth.supply_v, duty if coil_s == 0.0 else None)  # fmt: skip


@cache
def _clean_steps(truth, pairs, rate_hz, speed, coil_s):
    half = round(0.06 / speed * rate_hz)
    t = np.arange(half) / rate_hz
    step_at = t[half // 2]
    rows, number = [], 0
    for low, high in pairs:
        for _ in range(2):
            for before, after in ((low, high), (high, low)):
                way = 1.0 if number % 2 == 0 else -1.0
                position = way * (speed * t - 0.03)
                current, duty = _current(truth, t - step_at, before, after, coil_s)
                acting = _acting(truth, t - step_at, before, after, coil_s, up=after > before)
                force = way * (truth.valve_n(way, speed, acting) + truth.friction_n) + truth.gas_at(position)
                rows.append((number * half / rate_hz + t, position, force, current, duty))
                number += 1
    return tuple(np.concatenate(parts) for parts in zip(*rows, strict=True))


def _current(truth, t, before, after, coil_s):
    later = np.maximum(t, 0.0)
    if coil_s > 0.0:
        return after + (before - after) * np.exp(-later / coil_s), np.zeros(len(t))
    ohm = truth.ohm * (1 + 0.00393 * 42.0)
    tau = truth.henry / ohm
    goal = truth.supply_v / ohm if after > before else -truth.freewheel_v / ohm
    free = goal + (before - goal) * np.exp(-later / tau)
    moving = (t >= 0.0) & ((free < after) if after > before else (free > after))
    current = np.where(t < 0.0, before, np.where(moving, free, after))
    hold = (ohm * current + truth.freewheel_v) / (truth.supply_v + truth.freewheel_v)
    return current, np.where(moving, 1.0 if after > before else 0.0, hold)


def _acting(truth, t, before, after, coil_s, *, up):
    """The current in the valve: for an exponential current the cascade of two lags after the delay [X]."""
    delay, tau = truth.delay_s[0 if up else 1], truth.time_s[0 if up else 1]
    later = np.maximum(t - delay, 0.0)
    if coil_s > 0.0:
        left = (tau * np.exp(-later / tau) - coil_s * np.exp(-later / coil_s)) / (tau - coil_s)
        return after + (before - after) * left
    # A current of pieces: integrated finely, ten points a sample.
    fine = np.linspace(t[0], t[-1], 10 * len(t))
    current, _ = _current(truth, fine - delay, before, after, coil_s)
    made = np.empty(len(fine))
    made[0] = before
    share = 1.0 - np.exp(-(fine[1] - fine[0]) / tau)
    for i in range(1, len(fine)):
        made[i] = made[i - 1] + (0.5 * (current[i] + current[i - 1]) - made[i - 1]) * share
    return np.interp(t, fine, made)


def dyno_day(seed=1, truth=None, noise=None, **more):
    """A whole recording: sines, slow motion, steps."""
    truth, noise = truth or Truth(), noise or Noise()
    rng = np.random.default_rng(seed)
    return [sines(truth, rng, noise, **more), slow(truth, rng, noise), steps(truth, rng, noise)]


def without(reading, *names):
    """The same file with some columns missing."""
    return replace(reading, **dict.fromkeys(names))
