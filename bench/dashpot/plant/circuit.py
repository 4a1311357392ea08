"""Circuits: straights and corners along a distance, closed or open, and places and zones on them.

Curvature is smoothed along the distance as a driver's line is: two passes of a moving mean give the ramps of
transition curves. Distances count along the line from the start.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.findings import nearest
from dashpot.errors import InputError

if TYPE_CHECKING:
    from dashpot.plant.car import Floats

# Of the grid on which curvature and speed limits are kept; a lap's is the next that fits a whole number of times.
STEP_M = 0.5
# A lap whose end misses its start by more than this share of its length, or by more than this turn, does not close.
GAP_SHARE = 0.002
GAP_DEG = 0.2
# A remedy that changes a straight by less than this does not name it.
LEAST_CHANGE_M = 0.05


@dataclass(frozen=True, slots=True)
class Segment:
    """A piece of the circuit.

    Attributes:
        name: of the piece, its own.
        length_m: along the line.
        turn_rad: by which it turns, + to the left; 0 for a straight.
        sector: name of the sector that begins with it, empty where none does.

    """

    name: str
    length_m: float
    turn_rad: float = 0.0
    sector: str = ""

    @classmethod
    def corner(cls, name: str, radius_m: float, turn_deg: float, sector: str = "") -> Segment:
        """Make a corner from its radius and its angle, + to the left."""
        turn_rad = math.radians(turn_deg)
        return cls(name, radius_m * abs(turn_rad), turn_rad, sector)


@dataclass(frozen=True, slots=True)
class Place:
    """A place on the circuit as people say it: so far after a segment's begin or end, or after the start.

    Attributes:
        offset_m: from there, may be negative.
        segment: its name, empty for the start.
        at_end: from the segment's end instead of its begin.

    """

    offset_m: float = 0.0
    segment: str = ""
    at_end: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """Something with a length along which things lie; a closed one begins again at its end.

    Attributes:
        length_m: of it, or of one lap.
        closed: whether it is a lap.

    """

    length_m: float
    closed: bool

    def away(self, distance_m: Floats, from_m: float) -> Floats:
        """Return how far distances are ahead of a place, on a lap the short way round."""
        away = np.asarray(distance_m, dtype=np.float64) - from_m
        if not self.closed:
            return away
        half = self.length_m / 2.0
        wrapped: Floats = (away + half) % self.length_m - half
        return wrapped

    def window(
        self, distance_m: Floats, start_m: float, end_m: float, blend_m: float, inside: bool
    ) -> Floats:
        """Return 1 between two places and 0 elsewhere, with raised-cosine ramps.

        Args:
            distance_m: any shape.
            start_m: begin; on a lap the end may lie before it.
            end_m: end.
            blend_m: length of each ramp.
            inside: the ramps lie inside the zone, else their middles are at its ends.

        """
        length = self.span(start_m, end_m)
        depth = length / 2.0 - np.abs(self.away(distance_m, start_m + length / 2.0))
        if blend_m <= 0.0:
            return (depth >= 0.0).astype(np.float64)
        share = np.clip(depth / blend_m + (0.0 if inside else 0.5), 0.0, 1.0)
        window: Floats = (1.0 - np.cos(math.pi * share)) / 2.0
        return window

    def span(self, start_m: float, end_m: float) -> float:
        """Return the way from one place on to another."""
        return (end_m - start_m) % self.length_m if self.closed else end_m - start_m

    def locate(self, place: Place) -> float:
        """Return the distance of a place.

        Raises:
            ValueError: there is no such place, with a message for the user.

        """
        if place.segment:
            raise ValueError(
                f'{place.segment!r} is no distance; only a circuit has names, write it as in "120 m"'
            )
        return self.inside(place.offset_m)

    def inside(self, distance_m: float) -> float:
        """Return a distance within the line.

        Raises:
            ValueError: it lies outside of one that is open.

        """
        if self.closed:
            return distance_m % self.length_m
        if not 0.0 <= distance_m <= self.length_m:
            raise ValueError(f"{distance_m:g} m is outside 0 to {self.length_m:g} m")
        return distance_m


@dataclass(frozen=True, slots=True)
class Circuit(Line):
    """A circuit on its grid; see `lay`.

    Attributes:
        segments: in the order of driving.
        curvature_per_m: in the middle of each step of the grid, + to the left, (count,).
        starts_m: where each segment begins.

    """

    segments: tuple[Segment, ...]
    curvature_per_m: Floats
    starts_m: tuple[float, ...]

    @property
    def step_m(self) -> float:
        """Of the grid."""
        return self.length_m / len(self.curvature_per_m)

    @property
    def sectors(self) -> tuple[tuple[str, float], ...]:
        """Name and begin of each sector; one without a name where none is given."""
        found = [(s.sector, at) for s, at in zip(self.segments, self.starts_m, strict=True) if s.sector]
        return tuple(found) or (("", 0.0),)

    def sector_at(self, lap_distance_m: Floats) -> Floats:
        """Return the sector's number at distances of the lap, 1 for the first; before the first begins it is the last."""
        starts = [start for _, start in self.sectors]
        number = np.searchsorted(starts, lap_distance_m, side="right")
        sector: Floats = np.where(number == 0, len(starts), number).astype(np.float64)
        return sector

    def bend_at(self, distance_m: Floats) -> Floats:
        """Return the curvature at any distances, + to the left; laps repeat, an open circuit goes straight past its ends."""
        place = np.asarray(distance_m, dtype=np.float64) / self.step_m - 0.5
        bend: Floats
        if self.closed:
            count = len(self.curvature_per_m)
            around = np.concatenate((self.curvature_per_m, self.curvature_per_m[:1]))
            bend = np.interp(place % count, np.arange(count + 1), around)
        else:
            around = np.concatenate(([0.0], self.curvature_per_m, [0.0]))
            bend = np.interp(place, np.arange(-1, len(self.curvature_per_m) + 1), around)
        return bend

    def trace_m(self) -> tuple[Floats, Floats]:
        """Return x and y of the line at the end of each step, starting at 0 along x."""
        turn = self.curvature_per_m * self.step_m
        heading = np.cumsum(turn) - turn / 2.0
        return np.cumsum(np.cos(heading)) * self.step_m, np.cumsum(np.sin(heading)) * self.step_m

    def locate(self, place: Place) -> float:
        """Return the distance of a place.

        Raises:
            ValueError: there is no such place, with a message for the user.

        """
        if not place.segment:
            return self.inside(place.offset_m)
        names = [segment.name for segment in self.segments]
        if place.segment not in names:
            raise ValueError(f"there is no segment {place.segment!r}; {nearest(place.segment, names)}")
        index = names.index(place.segment)
        start = self.starts_m[index] + (self.segments[index].length_m if place.at_end else 0.0)
        return self.inside(start + place.offset_m)


def lay(segments: tuple[Segment, ...], *, closed: bool, transition_m: float = 13.0) -> Circuit:
    """Lay out segments on a grid.

    Args:
        segments: in the order of driving.
        closed: whether the end is the start again.
        transition_m: the curvature goes from one segment's to the next one's over twice this length.

    Raises:
        InputError: there is nothing to lay, two segments have one name, or the lap does not close, with by how much.

    """
    names = [segment.name for segment in segments]
    twice = sorted({name for name in names if names.count(name) > 1})
    if not segments or twice:
        said = (
            f"two segments are called {twice[0]!r}; each needs its own name" if twice else "has no segments"
        )
        raise InputError(said, where="circuit")
    ends = np.concatenate(([0.0], np.cumsum([segment.length_m for segment in segments])))
    length = float(ends[-1])
    count = round(length / STEP_M)
    half = round(transition_m / STEP_M) // 2
    if count < 4 * half + 4:
        raise InputError(f"{length:g} m are too short for transitions of {transition_m:g} m", where="circuit")
    # From the heading at the step's ends, so that a step with a border inside keeps the turn exact.
    turned = np.concatenate(([0.0], np.cumsum([segment.turn_rad for segment in segments])))
    heading = np.interp(np.linspace(0.0, length, count + 1), ends, turned)
    curvature: Floats = np.diff(heading) / (length / count)
    for _ in range(2):
        curvature = _moving_mean(curvature, half, closed=closed)
    circuit = Circuit(length, closed, segments, curvature, tuple(float(end) for end in ends[:-1]))
    if closed:
        _check_closed(circuit)
    return circuit


def _moving_mean(values: Floats, half: int, *, closed: bool) -> Floats:
    """Return the moving mean over 2 half + 1 values, round the lap or with zeros past the ends."""
    before, after = (
        (values[len(values) - half - 1 :], values[:half]) if closed else (np.zeros(half + 1), np.zeros(half))
    )
    total = np.cumsum(np.concatenate((before, values, after)))
    mean: Floats = (total[2 * half + 1 :] - total[: -2 * half - 1]) / (2 * half + 1)
    return mean


def _check_closed(circuit: Circuit) -> None:
    turned_deg = math.degrees(sum(segment.turn_rad for segment in circuit.segments))
    lap_deg = 360.0 * round(turned_deg / 360.0)
    off_deg = turned_deg - lap_deg
    if abs(off_deg) > GAP_DEG:
        raise InputError(
            f"the lap does not close: its corners turn by {turned_deg:.1f} deg in all, + to the left; that is "
            f"{abs(off_deg):.1f} deg {'more' if off_deg > 0.0 else 'less'} than {lap_deg:.0f} deg",
            where="circuit",
        )
    x, y = circuit.trace_m()
    gap_m = math.hypot(x[-1], y[-1])
    if gap_m > GAP_SHARE * circuit.length_m:
        raise InputError(
            f"the lap does not close: it ends {gap_m:.1f} m from its start ({_side(x[-1], 'ahead of', 'behind')} it, "
            f"{_side(y[-1], 'left', 'right')}){_remedy(circuit, float(x[-1]), float(y[-1]))}",
            where="circuit",
        )


def _side(value: float, positive: str, negative: str) -> str:
    return f"{abs(value):.1f} m {positive if value >= 0.0 else negative}"


def _remedy(circuit: Circuit, x_m: float, y_m: float) -> str:
    """Say which two straights would close the lap with which lengths, where two can."""
    headings = np.cumsum([0.0, *(segment.turn_rad for segment in circuit.segments[:-1])])
    straights = [k for k, segment in enumerate(circuit.segments) if segment.turn_rad == 0.0]
    best, found = math.inf, ""
    for index, first in enumerate(straights):
        for second in straights[index + 1 :]:
            ways = np.array([[math.cos(headings[k]), math.sin(headings[k])] for k in (first, second)]).T
            if abs(np.linalg.det(ways)) < 0.5:
                continue
            change = -np.linalg.solve(ways, [x_m, y_m])
            lengths = [
                circuit.segments[k].length_m + by for k, by in zip((first, second), change, strict=True)
            ]
            if min(lengths) > 0.0 and float(np.abs(change).sum()) < best:
                best = float(np.abs(change).sum())
                named = [
                    f"{circuit.segments[k].name!r} of {to:.1f} m"
                    for k, to, by in zip((first, second), lengths, change, strict=True)
                    if abs(by) >= LEAST_CHANGE_M
                ]
                found = f"; it would with {' and '.join(named)}"
    return found
