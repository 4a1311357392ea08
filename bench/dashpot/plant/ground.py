"""What lies under the wheels along a line: roughness, rough patches, kerbs, bumps, a sweep of sines, and friction.

Numbers come from a scenario file; heights from dashpot.plant.road.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.plant import road
from dashpot.plant.road import Road
from dashpot.plant.streams import stream

if TYPE_CHECKING:
    from dashpot.plant.car import Floats
    from dashpot.plant.circuit import Line

SIDES = {"left": (1.0, 0.0), "right": (0.0, 1.0), "both": (1.0, 1.0), "opposite": (1.0, -1.0)}
# A tyre feels the mean over its contact patch [C].
PATCH_M = 0.12
# A road that is no lap is drawn in whole lengths of this, so that a longer drive begins on the same road.
DRAWN_M = 1000.0


@dataclass(frozen=True, slots=True)
class Patch:
    """A rough zone.

    Attributes:
        start_m: begin, and `end_m` its end.
        end_m: see there.
        roughness_m3: Gd(n0), added to the road's own.
        longest_m: no longer waves, so that the patch has the road's height at its ends.
        blend_m: ramps just inside the ends.

    """

    start_m: float
    end_m: float
    roughness_m3: float
    longest_m: float = 6.7
    blend_m: float = 4.0


@dataclass(frozen=True, slots=True)
class Kerb:
    """A kerb that wheels go over.

    Attributes:
        side: "left", "right" or "both".
        start_m: begin, and `end_m` its end, ramps included.
        end_m: see there.
        height_m: of its top.
        ramp_m: of each ramp.
        tooth_m: depth of the teeth cut into it.
        pitch_m: between the teeth.

    """

    side: str
    start_m: float
    end_m: float
    height_m: float
    ramp_m: float = 1.6
    tooth_m: float = 0.0
    pitch_m: float = 0.9


@dataclass(frozen=True, slots=True)
class Bump:
    """A single bump, h (1 - cos) / 2; a negative height is a hole."""

    side: str
    start_m: float
    length_m: float
    height_m: float


@dataclass(frozen=True, slots=True)
class Sweep:
    """Sines of rising frequency, as felt at the manoeuvre's constant speed: each octave takes the same time.

    Attributes:
        from_hz: at the start.
        to_hz: at its end.
        start_s: when it begins.
        length_s: how long it takes.
        height_m: amplitude, held, or None.
        rate_m_s: amplitude of the road's vertical speed, held, or None: the height then falls with the frequency.
        side: "left", "right", "both" or "opposite".

    """

    from_hz: float
    to_hz: float
    start_s: float
    length_s: float
    height_m: float | None = None
    rate_m_s: float | None = None
    side: str = "both"

    def height_at(self, time_s: Floats) -> Floats:
        """Return heights at times, any shape; 0 outside of the sweep."""
        inside = np.clip(np.asarray(time_s, dtype=np.float64) - self.start_s, 0.0, self.length_s)
        octaves = math.log(self.to_hz / self.from_hz)
        hz = self.from_hz * np.exp(octaves * inside / self.length_s)
        turns = (hz - self.from_hz) * self.length_s / octaves if octaves else self.from_hz * inside
        size = self.height_m if self.height_m is not None else (self.rate_m_s or 0.0) / (2.0 * math.pi * hz)
        # A period's ramp at each end, so that nothing jumps.
        edge = np.minimum(inside * self.from_hz, (self.length_s - inside) * self.to_hz)
        heights: Floats = size * np.clip(edge, 0.0, 1.0) * np.sin(2.0 * math.pi * turns)
        return heights


@dataclass(frozen=True, slots=True)
class Ground:
    """All of it.

    Attributes:
        roughness_m3: Gd(n0) of the whole road, 0 for a smooth one.
        waviness: its exponent.
        profile: heights from a file instead, or None; they repeat after their length.
        patch_m: contact patch of the tyres.
        patches: rough zones.
        kerbs: and their places.
        bumps: the same.
        sweep: of sines, or None.

    """

    roughness_m3: float = road.CLASS_A_M3
    waviness: float = 2.0
    profile: Road | None = None
    patch_m: float = PATCH_M
    patches: tuple[Patch, ...] = ()
    kerbs: tuple[Kerb, ...] = ()
    bumps: tuple[Bump, ...] = ()
    sweep: Sweep | None = None

    def road(self, line: Line, track_m: float, seed: int, speed_m_s: float = 0.0) -> Road:
        """Draw the road.

        Args:
            line: along which it lies; on a lap it is the same road each time.
            track_m: between left and right wheels.
            seed: of the roughness.
            speed_m_s: at which a sweep is driven over.

        Raises:
            InputError: the line is too long.

        """
        length = line.length_m if line.closed else DRAWN_M * math.ceil(line.length_m / DRAWN_M)
        count = max(round(length / road.STEP_M), 16)
        step = length / count
        made = self._base(count, step, track_m, seed)
        grid = made.grid_m()
        for index, patch in enumerate(self.patches):
            waves = road.rough(
                length,
                patch.roughness_m3,
                stream(seed, f"patch {index}"),
                track_m=track_m,
                lowest_per_m=1.0 / patch.longest_m,
                patch_m=self.patch_m,
                step_m=step,
            )
            window = line.window(grid, patch.start_m, patch.end_m, patch.blend_m, inside=True)
            made = made.added(*(waves.height_m * window))
        for kerb in self.kerbs:
            width = line.span(kerb.start_m, kerb.end_m)
            # From its middle on, so that it may lie across the start line.
            along = line.away(grid, kerb.start_m + width / 2.0) + width / 2.0
            top = road.kerb(
                along,
                0.0,
                width,
                kerb.height_m,
                ramp_m=kerb.ramp_m,
                tooth_m=kerb.tooth_m,
                pitch_m=kerb.pitch_m,
            )
            made = made.added(*(top * share for share in SIDES[kerb.side]))
        for bump in self.bumps:
            along = line.away(grid, bump.start_m + bump.length_m / 2.0) + bump.length_m / 2.0
            top = road.cosine_bump(along, 0.0, bump.length_m, bump.height_m)
            made = made.added(*(top * share for share in SIDES[bump.side]))
        if self.sweep is not None and speed_m_s > 0.0:
            waves_m = self.sweep.height_at(grid / speed_m_s)
            made = made.added(*(waves_m * share for share in SIDES[self.sweep.side]))
        return made

    def _base(self, count: int, step_m: float, track_m: float, seed: int) -> Road:
        if self.profile is not None:
            grid = np.arange(count) * step_m
            return Road(step_m, np.stack([self.profile.at(side, grid) for side in (0, 1)]))
        if self.roughness_m3 == 0.0:
            return Road(step_m, np.zeros((2, count)))
        return road.rough(
            count * step_m,
            self.roughness_m3,
            stream(seed, "road"),
            track_m=track_m,
            waviness=self.waviness,
            patch_m=self.patch_m,
            step_m=step_m,
        )


@dataclass(frozen=True, slots=True)
class Damp:
    """A damp or wet zone.

    Attributes:
        start_m: begin, and `end_m` its end.
        end_m: see there.
        grip: friction against the dry road.
        blend_m: way over which the friction changes, half of it on either side of an end.

    """

    start_m: float
    end_m: float
    grip: float
    blend_m: float = 20.0


@dataclass(frozen=True, slots=True)
class Weather:
    """Friction of the road against the dry one, and temperature.

    Attributes:
        grip: of the whole road.
        damp: zones with less, or more, than that.
        ambient_c: temperature of the air.

    """

    grip: float = 1.0
    damp: tuple[Damp, ...] = ()
    ambient_c: float = 17.5

    def friction_at(self, line: Line, distance_m: Floats) -> Floats:
        """Return the friction at distances, (n,); a later zone covers an earlier one."""
        grip = np.full(len(distance_m), self.grip)
        for zone in self.damp:
            window = line.window(distance_m, zone.start_m, zone.end_m, zone.blend_m, inside=False)
            grip += (zone.grip - grip) * window
        return grip
