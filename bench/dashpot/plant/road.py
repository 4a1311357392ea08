"""Roads: ISO 8608 roughness with two tracks, profile files, bumps and kerbs, and the rear axle's delay.

ISO 8608 [S]: one-sided displacement density Gd(n) = Gd(n0) (n/n0)^-w, n0 = 0.1 cycles/m, w = 2; in the middle of the
classes A to H Gd(n0) is 16e-6 m3 times 1, 4, 16 and so on.

A track is a sum of sines on every line of a Fourier grid, each with the class's amplitude and a random phase. Filtered
white noise gives the right density only in the mean: of the few long waves in a road of a lap's length, which carry
most of the variance, it draws some at half and some at twice their size. With fixed amplitudes each road is of its
class, and by the number of sines it is Gaussian too (Shinozuka and Deodatis 1991 [S, from memory]). A road repeats
after its length.

How the two tracks agree is not in the standard. Here the road is isotropic, the same in every direction (Dodds and
Robson 1973, Kamash and Robson 1978 [S, from memory]): the cross density of two tracks a distance t apart is then
g(n) Gd(n) with g = 2 (x/2)^(w/2) K_(w/2)(x) / Gamma(w/2), x = 2 pi n t, for w = 2 just x K_1(x) [X: the integral of
the surface's density over the lateral waves]. Long waves lift both wheels alike, short ones each for itself. Each
pair of sines has the phase difference arccos g, to a random side.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.findings import nearest
from dashpot.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    from dashpot.plant.car import Floats

REFERENCE_PER_M = 0.1
CLASS_A_M3 = 16e-6
CLASSES = "ABCDEFGH"
# The waves that the standard classifies by.
LOWEST_PER_M = 0.011
HIGHEST_PER_M = 2.83
STEP_M = 0.05
LONGEST_POINTS = 20_000_000
# Units that a profile file's columns may be in, as a suffix of their names.
_METRES = {"m": 1.0, "cm": 0.01, "mm": 0.001, "um": 1e-6}


def class_roughness_m3(name: str) -> float:
    """Return Gd(n0) in the middle of a class "A" to "H".

    Raises:
        InputError: there is no such class.

    """
    if len(name) != 1 or name.upper() not in CLASSES:
        raise InputError(f"{name!r} is no class of roads; ISO 8608 has A to H", where="road")
    return CLASS_A_M3 * float(1 << 2 * CLASSES.index(name.upper()))


@dataclass(frozen=True, slots=True)
class Road:
    """Heights of the left and the right track on an even grid, shape (2, count); it repeats after its length.

    Attributes:
        step_m: of the grid.
        height_m: left and right.

    """

    step_m: float
    height_m: Floats

    @property
    def length_m(self) -> float:
        """After which it repeats."""
        return self.step_m * int(self.height_m.shape[1])

    def at(self, side: int, distance_m: Floats) -> Floats:
        """Return the height of a side, 0 left and 1 right, at any distances: cubic between the points (Catmull-Rom)."""
        track = self.height_m[side]
        count = len(track)
        place = np.asarray(distance_m, dtype=np.float64) / self.step_m
        base = np.floor(place)
        share = place - base
        index = base.astype(np.int64)
        before, here, after, later = (track[(index + k) % count] for k in (-1, 0, 1, 2))
        return between(before, here, after, later, share)

    def under_wheels(self, distance_m: Floats, wheelbase_m: float) -> Floats:
        """Return heights under the four wheels, (n, 4), for distances of the front axle; the rear follows."""
        rear = np.asarray(distance_m) - wheelbase_m
        return np.stack([self.at(side, d) for d in (distance_m, rear) for side in (0, 1)], axis=1)

    def added(self, left_m: Floats | float, right_m: Floats | float) -> Road:
        """Return a road with heights added to its tracks, each (count,) or one number."""
        more = np.stack([np.broadcast_to(side, self.height_m.shape[1]) for side in (left_m, right_m)])
        return Road(self.step_m, self.height_m + more)

    def grid_m(self) -> Floats:
        """Return the distances of the points, (count,)."""
        grid: Floats = np.arange(self.height_m.shape[1], dtype=np.float64) * self.step_m
        return grid


def between(before: Floats, here: Floats, after: Floats, later: Floats, share: Floats | float) -> Floats:
    """Return the value at a share of the way from `here` to `after`, by Catmull and Rom's cubic through four points."""
    value: Floats = here + 0.5 * share * (
        after
        - before
        + share
        * (2.0 * before - 5.0 * here + 4.0 * after - later + share * (3.0 * (here - after) + later - before))
    )
    return value


def isotropic_coherence(wave_per_m: Floats | float, track_m: float, waviness: float = 2.0) -> Floats:
    """Return the cross density of two tracks over the density of one, 1 for long waves and 0 for short ones."""
    from scipy.special import gamma, kv

    x = np.atleast_1d(2.0 * math.pi * np.asarray(wave_per_m, dtype=np.float64) * track_m)
    order = waviness / 2.0
    coherence = np.ones_like(x)
    some = x > 1e-9
    coherence[some] = 2.0 * (x[some] / 2.0) ** order * kv(order, x[some]) / gamma(order)
    # K_1 loses its last digits at small arguments.
    clipped: Floats = np.clip(coherence, 0.0, 1.0)
    return clipped


def flat(length_m: float, step_m: float = STEP_M) -> Road:
    """Return a level road.

    Raises:
        InputError: length or step cannot be used.

    """
    return Road(step_m, np.zeros((2, _points(length_m, step_m))))


def rough(
    length_m: float,
    roughness_m3: float,
    rng: np.random.Generator,
    *,
    track_m: float = 1.5,
    waviness: float = 2.0,
    lowest_per_m: float = LOWEST_PER_M,
    highest_per_m: float = HIGHEST_PER_M,
    patch_m: float = 0.0,
    step_m: float = STEP_M,
) -> Road:
    """Draw a road of a roughness.

    Args:
        length_m: after which it repeats; its reciprocal is the longest wave.
        roughness_m3: Gd(n0), see `class_roughness_m3`.
        rng: draws the phases.
        track_m: between left and right.
        waviness: w, 2 in the standard's classes.
        lowest_per_m: no longer waves.
        highest_per_m: no shorter ones.
        patch_m: heights are means over such a length, as a tyre's contact feels them.
        step_m: of the grid.

    Raises:
        InputError: the grid cannot carry the waves.

    """
    count = _points(length_m, step_m)
    if highest_per_m > 0.5 / step_m:
        raise InputError(
            f"a grid of {step_m:g} m carries waves up to {0.5 / step_m:g} cycles/m, not {highest_per_m:g}",
            where="road",
        )
    wave = np.fft.rfftfreq(count, step_m)
    inside = (wave >= lowest_per_m) & (wave <= highest_per_m) & (wave > 0.0)
    inside[-1] &= count % 2 == 1
    if not inside.any():
        raise InputError(
            f"a road of {length_m:g} m has no wave from {lowest_per_m:g} to {highest_per_m:g} cycles/m",
            where="road",
        )
    density = roughness_m3 * (wave[inside] / REFERENCE_PER_M) ** -waviness
    # A sine's variance is its line's share of the density; irfft wants half its amplitude times the count.
    size = count * np.sqrt(density / (2.0 * count * step_m)) * np.sinc(wave[inside] * patch_m)
    phase = rng.uniform(-math.pi, math.pi, inside.sum())
    apart = np.arccos(isotropic_coherence(wave[inside], track_m, waviness))
    apart *= rng.choice((-1.0, 1.0), inside.sum())
    spectrum = np.zeros((2, len(wave)), dtype=np.complex128)
    spectrum[:, inside] = size * np.exp(1j * np.stack((phase, phase + apart)))
    return Road(step_m, np.fft.irfft(spectrum, count))


def _points(length_m: float, step_m: float) -> int:
    if not (math.isfinite(length_m) and step_m > 0.0 and 4.0 * step_m <= length_m):
        raise InputError(f"{length_m:g} m in steps of {step_m:g} m is no road", where="road")
    count = round(length_m / step_m)
    if count > LONGEST_POINTS:
        raise InputError(f"{count} points are too many; {LONGEST_POINTS} can be made", where="road")
    return count


def cosine_bump(distance_m: Floats, start_m: float, length_m: float, height_m: float) -> Floats:
    """Return h (1 - cos(2 pi x / L)) / 2 along a bump and 0 elsewhere [C]; a negative height is a hole."""
    x = np.clip((distance_m - start_m) / length_m, 0.0, 1.0)
    bump: Floats = height_m * (1.0 - np.cos(2.0 * math.pi * x)) / 2.0
    return bump


def kerb(
    distance_m: Floats,
    start_m: float,
    length_m: float,
    height_m: float,
    *,
    ramp_m: float = 1.6,
    tooth_m: float = 0.0,
    pitch_m: float = 0.9,
) -> Floats:
    """Return a kerb's height: raised-cosine ramps at both ends, teeth of a depth and pitch cut into its top [C].

    Args:
        distance_m: (n,).
        start_m: begin of the first ramp.
        length_m: with both ramps.
        height_m: of the top.
        ramp_m: of each ramp.
        tooth_m: depth of the teeth.
        pitch_m: between them.

    Raises:
        InputError: it is all ramp.

    """
    if length_m < 2.0 * ramp_m:
        raise InputError(f"a kerb of {length_m:g} m has no room for ramps of {ramp_m:g} m", where="road")
    depth = np.minimum(distance_m - start_m, start_m + length_m - distance_m) / ramp_m
    rise = (1.0 - np.cos(math.pi * np.clip(depth, 0.0, 1.0))) / 2.0
    teeth = tooth_m * (1.0 - np.cos(2.0 * math.pi * (distance_m - start_m) / pitch_m)) / 2.0
    top: Floats = rise * (height_m - teeth)
    return top


def read_profile(path: Path, step_m: float = STEP_M) -> Road:
    """Read a profile: CSV with columns such as distance_m, left_mm, right_mm; a single height is under both tracks.

    Args:
        path: the file; its distances rise, they need not be even.
        step_m: grid onto which it is brought, by straight lines between its points.

    Raises:
        InputError: with file and line.

    """
    try:
        with path.open(encoding="utf-8", newline="") as file:
            reader = csv.reader(file)
            header = [name.strip().lower() for name in next(reader, [])]
            columns = _columns(header, path)
            rows = [_row(row, columns, path, reader.line_num) for row in reader if any(map(str.strip, row))]
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=path) from None
    except UnicodeDecodeError as error:
        raise InputError(f"not a text in UTF-8 (byte {error.start})", where=path) from None
    except csv.Error as error:
        raise InputError(f"not a CSV file: {error}", where=path) from None
    if len(rows) < 2:
        raise InputError(f"has {len(rows)} points; a profile wants at least two", where=path)
    profile = np.array([values for _, values in rows])
    steps = np.diff(profile[:, 0])
    if not np.all(steps > 0.0):
        line = rows[int(np.argmax(steps <= 0.0)) + 1][0]
        raise InputError("the distance does not rise", where=f"{path}:{line}")
    start, end = float(profile[0, 0]), float(profile[-1, 0])
    grid = start + np.arange(_points(end - start, step_m)) * step_m
    return Road(step_m, np.stack([np.interp(grid, profile[:, 0], profile[:, k]) for k in (1, 2)]))


def _columns(header: list[str], path: Path) -> list[tuple[int, float]]:
    """Find the places and scales of distance, left and right."""
    found: dict[str, tuple[int, float]] = {}
    for place, name in enumerate(header):
        quantity, _, unit = name.rpartition("_")
        if quantity not in {"distance", "left", "right", "height"}:
            known = ["distance_m", "left_mm", "right_mm", "height_mm"]
            raise InputError(f"unknown column {name!r}; {nearest(name, known)}", where=f"{path}:1")
        if unit not in _METRES:
            raise InputError(
                f"column {name!r} has no unit that is known; end it with one of {', '.join(_METRES)}",
                where=f"{path}:1",
            )
        if quantity in found:
            raise InputError(f"two columns of {quantity}", where=f"{path}:1")
        found[quantity] = (place, _METRES[unit])
    if "height" in found:
        found = {"left": found["height"], "right": found["height"]} | found
    for quantity in ("distance", "left", "right"):
        if quantity not in found:
            raise InputError(
                f"no column of {quantity}; wanted are distance_m, left_mm, right_mm", where=f"{path}:1"
            )
    return [found[quantity] for quantity in ("distance", "left", "right")]


def _row(row: list[str], columns: list[tuple[int, float]], path: Path, line: int) -> tuple[int, list[float]]:
    values = []
    for place, scale in columns:
        text = row[place].strip() if place < len(row) else ""
        try:
            value = float(text)
        except ValueError:
            raise InputError(
                f"{text!r} is not a number" if text else "a value is missing", where=f"{path}:{line}"
            ) from None
        if not math.isfinite(value):
            raise InputError(f"{text!r} is not a height or a distance", where=f"{path}:{line}")
        values.append(value * scale)
    return line, values
