"""Force over speed and current from half strokes: cells, hysteresis of the current, and the nearest monotone surface."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import isotonic_regression

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.characterise.strokes import Points
    from dashpot.plant.car import Floats

#: Peak speeds nearer than this share are the same speed; currents nearer than this are the same current.
SAME_SPEED = 1.10
SAME_CURRENT_A = 0.015
#: A chain of neighbours wider than this was swept, and is cut into bins.
WIDE_SPEED = 1.35
WIDE_CURRENT_A = 0.060
SWEEP_BINS = 9
#: Turns of the hysteresis against the cells.
TURNS = 4
#: Weight of a cell that was filled in from its neighbours, in half strokes.
FILLED_WEIGHT = 0.05
DYKSTRA_TURNS = 2000
DYKSTRA_N = 1e-7
#: Directions in the order of the tables.
DIRECTIONS = (1.0, -1.0)


@dataclass(frozen=True, slots=True)
class Axes:
    """Speeds and currents of the cells, and which cell each point belongs to (-1 for none)."""

    speed_m_s: Floats
    current_a: Floats
    speed_of: NDArray[np.intp]
    current_of: NDArray[np.intp]
    way_of: NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class Cells:
    """The valve's force at the axes' crossings.

    Attributes:
        force_n: (2, currents, speeds), compression and rebound.
        count: half strokes in each cell; 0 where it was filled in.
        hysteresis_a: half the band between rising and falling current.
        bands: cells that were reached from both sides.

    """

    force_n: Floats
    count: Floats
    hysteresis_a: float
    bands: int


def groups_of(values: Floats, ratio: float, gap: float, widest: float, bins: int) -> Floats:
    """Return the middles of groups of values, rising.

    Args:
        values: what is to be grouped.
        ratio: neighbours whose ratio is below this are together; 1 where only the gap counts.
        gap: neighbours nearer than this are together.
        widest: a group that spans more is cut evenly; a ratio where `ratio` counts, else a difference.
        bins: into how many pieces.

    """
    ordered = np.sort(values)
    if not len(ordered):
        return ordered
    apart = np.diff(ordered) > np.maximum(gap, (ratio - 1.0) * ordered[:-1])
    middles: list[float] = []
    for part in np.split(ordered, np.flatnonzero(apart) + 1):
        span = part[-1] / max(part[0], 1e-9) if ratio > 1.0 else part[-1] - part[0]
        if span <= widest:
            middles.append(float(np.mean(part)))
        elif ratio > 1.0:
            count = max(2, int(np.ceil(np.log(span) / np.log(widest))))
            edges = np.geomspace(part[0], part[-1], 2 * count + 1)
            middles += [float(edge) for edge in edges[1::2]]
        else:
            edges = np.linspace(part[0], part[-1], 2 * bins + 1)
            middles += [float(edge) for edge in edges[1::2]]
    return np.array(middles)


def axes_of(points: Points) -> Axes:
    """Find the speeds and currents that were run."""
    speed = groups_of(points.speed_m_s, SAME_SPEED, 0.002, WIDE_SPEED, 0)
    current = groups_of(points.current_a, 1.0, SAME_CURRENT_A, WIDE_CURRENT_A, SWEEP_BINS)
    return Axes(
        speed,
        current,
        np.argmin(np.abs(np.log(points.speed_m_s[:, None] / speed)), axis=1),
        np.argmin(np.abs(points.current_a[:, None] - current), axis=1),
        np.where(points.direction > 0.0, 0, 1),
    )


class Model:
    """The cells as a continuous surface: over speed monotone as plant.damper's, over current straight, also past the ends."""

    def __init__(self, axes: Axes, force_n: Floats) -> None:
        self.speed_m_s = np.concatenate(([0.0], axes.speed_m_s))
        self.current_a = axes.current_a
        rows = np.zeros((*force_n.shape[:2], len(self.speed_m_s)))
        for way, row in np.ndindex(*force_n.shape[:2]):
            rows[way, row, 1:] = rising(np.maximum(force_n[way, row], 0.0))
        pieces = PchipInterpolator(self.speed_m_s, rows, axis=2).c
        # Lowest power first, (way, current, piece, power); past the last speed with the last slope.
        inside = np.moveaxis(pieces[::-1], (0, 1), (3, 2))
        width = self.speed_m_s[-1] - self.speed_m_s[-2]
        slope = inside[:, :, -1, 1] + width * (2.0 * inside[:, :, -1, 2] + width * 3.0 * inside[:, :, -1, 3])
        last = np.zeros((*rows.shape[:2], 1, 4))
        last[:, :, 0, 0], last[:, :, 0, 1] = rows[:, :, -1], slope
        self.cubics = np.concatenate((inside, last), axis=2)

    def at(self, way: NDArray[np.intp], speed_m_s: Floats, current_a: Floats) -> Floats:
        """Return the force's magnitude for each way, speed and current, arrays of one shape."""
        piece = np.clip(np.searchsorted(self.speed_m_s, speed_m_s, side="right") - 1, 0, None)
        ahead = speed_m_s - self.speed_m_s[piece]

        def of(row: Any) -> Floats:
            c = self.cubics[way, row, piece]
            force: Floats = c[..., 0] + ahead * (c[..., 1] + ahead * (c[..., 2] + ahead * c[..., 3]))
            return force

        grid = self.current_a
        if len(grid) == 1:
            return of(0)
        row = np.clip(np.searchsorted(grid, current_a, side="right") - 1, 0, len(grid) - 2)
        share = (current_a - grid[row]) / (grid[row + 1] - grid[row])
        low = of(row)
        made: Floats = low + share * (of(row + 1) - low)
        return made

    def signed(self, speed_m_s: Floats, current_a: Floats) -> Floats:
        """Return the force, signed, at signed speeds."""
        way = np.where(speed_m_s >= 0.0, 0, 1)
        force: Floats = np.sign(speed_m_s) * self.at(way, np.abs(speed_m_s), current_a)
        return force


def rising(values: Floats, weights: Floats | None = None) -> Floats:
    """Return the nearest values that never fall (isotonic regression)."""
    found: Floats = isotonic_regression(values, weights=weights).x
    return found


def solve(points: Points, valve_n: Floats, axes: Axes, start: Cells | None = None) -> Cells:
    """Average the points of each cell at the cell's own speed and current, and find the hysteresis.

    A point reached from below reads as if its current were less by half the band, one from above as if it were more.

    Args:
        points: the half strokes.
        valve_n: their valve force.
        axes: the cells.
        start: a solution nearby, for speed.

    """
    shape = (2, len(axes.current_a), len(axes.speed_m_s))
    where = (axes.way_of, axes.current_of, axes.speed_of)
    count = np.zeros(shape)
    np.add.at(count, where, 1.0)
    cells = start or Cells(filled(_means(valve_n, where, count, shape), count), count, 0.0, 0)
    for _ in range(2 if start is not None else TURNS):
        model = Model(axes, cells.force_n)
        node = model.at(axes.way_of, axes.speed_m_s[axes.speed_of], axes.current_a[axes.current_of])
        plain = valve_n + node - model.at(axes.way_of, points.speed_m_s, points.current_a)
        band, bands = _hysteresis(plain, points.side, where, shape, axes, cells.force_n)
        seen = seen_of(points, axes, Cells(cells.force_n, count, band, bands), model)
        force = filled(_means(valve_n + node - seen, where, count, shape), count)
        cells = Cells(force, count, band, bands)
    return cells


def seen_of(points: Points, axes: Axes, cells: Cells, model: Model | None = None) -> Floats:
    """Return what the cells say of each point: the force at its speed and current, moved by half the band to its side.

    The slope over current is the cell's own, alike to either side; that of the straight pieces left and right of it
    would bend the mean of both sides.
    """
    where = (axes.way_of, axes.current_of, axes.speed_of)
    plain = (model or Model(axes, cells.force_n)).at(axes.way_of, points.speed_m_s, points.current_a)
    if len(axes.current_a) < 2:
        return plain
    slope = slope_of(cells.force_n, axes.current_a)[where]
    made: Floats = plain + cells.hysteresis_a * points.side * slope
    return made


def slope_of(force_n: Floats, current_a: Floats) -> Floats:
    """Return each cell's slope over current, by parabolas, (2, currents, speeds)."""
    slope: Floats = np.gradient(force_n, current_a, axis=1, edge_order=2 if len(current_a) > 2 else 1)
    return slope


def residuals(points: Points, valve_n: Floats, axes: Axes, cells: Cells) -> Floats:
    """Return what the cells leave of each point."""
    return valve_n - seen_of(points, axes, cells)


def _means(values: Floats, where: Any, count: Floats, shape: tuple[int, int, int]) -> Floats:
    total = np.zeros(shape)
    np.add.at(total, where, values)
    return np.where(count > 0.0, total / np.maximum(count, 1.0), np.nan)


def _hysteresis(
    plain_n: Floats, side: Floats, where: Any, shape: tuple[int, int, int], axes: Axes, force_n: Floats
) -> tuple[float, int]:
    """Return half the band in current by least squares over the cells that were reached from both sides."""
    sums, counts = np.zeros((2, *shape)), np.zeros((2, *shape))
    for i, way in enumerate((-1.0, 1.0)):
        mask = side == way
        cell = tuple(index[mask] for index in where)
        np.add.at(sums[i], cell, plain_n[mask])
        np.add.at(counts[i], cell, 1.0)
    both = (counts[0] > 0.0) & (counts[1] > 0.0)
    if len(axes.current_a) < 2 or not both.any():
        return 0.0, 0
    slope = slope_of(force_n, axes.current_a)
    gap = sums[1][both] / counts[1][both] - sums[0][both] / counts[0][both]
    # Least squares of gap = 2 h slope, the variance of a gap being 1/n + 1/m.
    weight = 1.0 / (1.0 / counts[0][both] + 1.0 / counts[1][both])
    power = float(np.sum(weight * slope[both] ** 2))
    band = float(np.sum(weight * gap * slope[both])) / (2.0 * power) if power > 0.0 else 0.0
    return max(band, 0.0), int(both.sum())


def filled(force_n: Floats, count: Floats) -> Floats:
    """Fill empty cells from the nearest current that has them, by the ratio of what both have.

    Where two currents have no speed in common the ratio is 1, which `doubts` tells of.
    """
    made = force_n.copy()
    have = count > 0.0
    for way, row, column in np.argwhere(~have):
        others = np.flatnonzero(have[way, :, column])
        if not len(others):
            continue
        near = others[np.argmin(np.abs(others - row))]
        common = np.flatnonzero(have[way, row] & have[way, near])
        ratio = 1.0
        if len(common):
            close = common[np.argmin(np.abs(common - column))]
            ratio = float(force_n[way, row, close] / max(force_n[way, near, close], 1e-9))
        made[way, row, column] = ratio * force_n[way, near, column]
    for way, column in np.argwhere(~have.any(axis=1)):
        made[way, :, column] = _from_other(made, int(way), int(column))
    return made


def _from_other(force_n: Floats, way: int, column: int) -> Floats:
    """Return a column that this way lacks, from the other way's and the ratio at the nearest speed both have."""
    other = 1 - way
    known = np.flatnonzero(np.isfinite(force_n[way]).all(axis=0))
    known = known[known != column]
    if not len(known):
        return force_n[other, :, column]
    close = known[np.argmin(np.abs(known - column))]
    column_n: Floats = (
        force_n[other, :, column] * force_n[way, :, close] / np.maximum(force_n[other, :, close], 1e-9)
    )
    return column_n


def monotone(force_n: Floats, weight: Floats, *, firmer: bool, within_n: float = DYKSTRA_N) -> Floats:
    """Return the nearest surface, by weighted least squares, that never falls over speed and goes one way over current.

    Dykstra's alternating projections: each is an isotonic regression along one axis, what it took away is given back
    before the next, so that the limit is the projection on both (Boyle and Dykstra 1986 [S, from memory]).

    Args:
        force_n: (currents, speeds).
        weight: the same shape, positive.
        firmer: the force rises with current, else it falls.
        within_n: change of a turn at which it ends.

    """
    sign = 1.0 if firmer else -1.0
    made = force_n.copy()
    rows, columns = np.zeros_like(made), np.zeros_like(made)
    for _ in range(DYKSTRA_TURNS):
        before = made
        given = made + rows
        made = np.stack([rising(row, w) for row, w in zip(given, weight, strict=True)])
        rows = given - made
        given = made + columns
        made = np.stack(
            [sign * rising(sign * col, w) for col, w in zip(given.T, weight.T, strict=True)], axis=1
        )
        columns = given - made
        if np.max(np.abs(made - before)) < within_n:
            break
    # The last projection was over current: over speed rounding may be left.
    tidy: Floats = np.maximum.accumulate(made, axis=1)
    return tidy
