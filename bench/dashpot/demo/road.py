"""Road heights under the four wheels: ISO 8608 roughness, a bumpy braking zone and a kerb.

ISO 8608 [S]: one-sided displacement density Gd(n) = Gd(n0) (n/n0)^-2, n0 = 0.1 cycles/m; Gd(n0) is 16e-6 m3 in the
middle of class A, 64e-6 of B, 256e-6 of C. How the two tracks agree is not in the standard: here their squared
coherence falls from 1 for long waves to 0 for short ones, a half at a wave of four metres [D].
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dashpot.demo.path import Floats, Zone

STEP_M = 0.05
REFERENCE_PER_M = 0.1
CLASS_A_M3 = 16e-6
CLASS_C_M3 = 256e-6
# The waves that the standard classifies by are 0.011 to 2.83 cycles/m; shorter ones shake no body and cost speed noise.
LOWEST_PER_M = 0.011
HIGHEST_PER_M = 2.83
COHERENT_BELOW_PER_M = 0.25
# Waves longer than this make no bump; without them the patch begins and ends at the height of the road.
BUMP_LOWEST_PER_M = 0.15
# Mean over the tyre's contact patch [C].
PATCH_M = 0.12

KERB_HEIGHT_M = 0.055
KERB_RAMP_M = 1.6
KERB_TOOTH_M = 0.006
KERB_PITCH_M = 0.9


@dataclass(frozen=True, slots=True)
class Road:
    """Heights in metres of the left and the right track on a grid of STEP_M round the lap, shape (2, count)."""

    length_m: float
    height_m: Floats

    def at(self, side: int, distance_m: Floats) -> Floats:
        """Interpolate the height of a side, 0 left and 1 right, at any distance; laps repeat."""
        around = np.append(self.height_m[side], self.height_m[side, 0])
        height: Floats = np.interp(distance_m % self.length_m, np.arange(len(around)) * STEP_M, around)
        return height


def rough_tracks(
    count: int, roughness_m3: float, rng: np.random.Generator, *, lowest_per_m: float = LOWEST_PER_M
) -> Floats:
    """Draw two periodic tracks of `count` steps with the density of ISO 8608 and the coherence above.

    Returns:
        Heights in metres, shape (2, count); their mean is 0.

    """
    wave_per_m = np.fft.rfftfreq(count, STEP_M)
    inside = (wave_per_m >= lowest_per_m) & (wave_per_m <= HIGHEST_PER_M)
    density = np.zeros_like(wave_per_m)
    density[inside] = roughness_m3 * (wave_per_m[inside] / REFERENCE_PER_M) ** -2.0
    # A one-sided density G over a bin of 1/(count STEP_M) is a variance; irfft scales by 1/count.
    spread = count * np.sqrt(density / (4.0 * count * STEP_M)) * np.sinc(wave_per_m * PATCH_M)
    drawn = rng.normal(size=(3, len(wave_per_m))) + 1j * rng.normal(size=(3, len(wave_per_m)))
    # Tracks a + b share the part a: coherence^2 = (|a|^2 / (|a|^2 + |b|^2))^2.
    shared = np.sqrt(1.0 / (1.0 + (wave_per_m / COHERENT_BELOW_PER_M) ** 2))
    own = np.sqrt(1.0 - shared)
    tracks = [
        np.fft.irfft(spread * (np.sqrt(shared) * drawn[0] + own * drawn[1 + side]), count) for side in (0, 1)
    ]
    return np.stack(tracks)


def build_road(length_m: float, bumpy: Zone, kerb: Zone, rng: np.random.Generator) -> Road:
    """Draw the road of one lap: class A throughout, class C where it is bumpy, a kerb under the left wheels."""
    count = round(length_m / STEP_M)
    distance = np.arange(count) * STEP_M
    height = rough_tracks(count, CLASS_A_M3, rng)
    patch = rough_tracks(count, CLASS_C_M3, rng, lowest_per_m=BUMP_LOWEST_PER_M)
    height += patch * _window(distance, bumpy, 4.0)
    rise = _window(distance, kerb, KERB_RAMP_M)
    teeth = KERB_TOOTH_M * (1.0 - np.cos(2.0 * math.pi * (distance - kerb.start_m) / KERB_PITCH_M)) / 2.0
    height[0] += rise * (KERB_HEIGHT_M - teeth)
    return Road(length_m, height)


def _window(distance_m: Floats, zone: Zone, ramp_m: float) -> Floats:
    """Return 1 inside the zone, 0 outside, with raised-cosine ramps just inside its ends."""
    depth = np.minimum(distance_m - zone.start_m, zone.end_m - distance_m) / ramp_m
    window: Floats = (1.0 - np.cos(math.pi * np.clip(depth, 0.0, 1.0))) / 2.0
    return window
