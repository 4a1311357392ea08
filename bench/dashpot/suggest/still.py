"""Zeros of sensors from sections in which the car stands: mean, noise, how sure, and whether it moves over time."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from dashpot.suggest.series import Trace, on_grid, spans

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashpot.suggest.gather import Piece
    from dashpot.suggest.series import Bools, Floats

STANDING_M_S = 0.3
#: Sections shorter than this are braking to a stop, or a moment between two movements.
LEAST_S = 1.0
#: Left out at both ends of a section: the body settles after a stop.
TRIM_S = 0.2
BATCH_S = 0.25
KEPT_BATCHES = 4000
#: Without a road speed, or if it never rests: nothing of the body moves by more than this rms within a second [C].
QUIET = {"g": 0.02, "mm": 0.2, "deg/s": 0.3}
GRID_HZ = 50.0
#: A batch that is this much noisier than the usual one was a door, a driver getting in, an engine start.
DISTURBED = 4.0


class Batch(NamedTuple):
    """A quarter of a second of one channel at rest."""

    at_s: float
    mean: float
    deviation: float
    stop: int


@dataclass(frozen=True, slots=True)
class Rest:
    """A channel at rest.

    Attributes:
        mean: of all batches that nothing disturbed; half_width: of its 95 % interval.
        noise_rms: within batches.
        stops: how many times the car stood; seconds: for how long in all, as far as used.
        drift: last stop less first stop, None with fewer than two a minute apart; drift_half_width likewise.
        disturbed: batches left out.

    """

    mean: float
    half_width: float
    noise_rms: float
    stops: int
    seconds: float
    drift: float | None = None
    drift_half_width: float | None = None
    disturbed: int = 0


@dataclass(slots=True)
class Thinned:
    """The items of a long list, evenly thinned out to a bounded number: every second goes whenever it is full."""

    most: int
    items: list[Batch] = field(default_factory=list)
    every: int = 1
    _seen: int = 0

    def add(self, item: Batch) -> None:
        """Take in an item, or leave it."""
        if self._seen % self.every == 0:
            self.items.append(item)
            if len(self.items) >= self.most:
                self.items = self.items[::2]
                self.every *= 2
        self._seen += 1


class Standing:
    """Gathers what channels read in sections of rest.

    Attributes:
        sections: the first sections, (start, end) in s; count: how many there are; seconds: how long in all.

    """

    def __init__(self) -> None:
        self.sections: deque[tuple[float, float]] = deque(maxlen=200)
        self.count = 0
        self.seconds = 0.0
        self._batches: dict[str, Thinned] = {}

    def add(self, traces: Mapping[str, Trace], start_s: float, end_s: float) -> None:
        """Take in a section; one that goes on where the last one ended is the same stop."""
        if self.sections and start_s - self.sections[-1][1] <= 2.0 * TRIM_S + BATCH_S:
            self.sections[-1] = (self.sections[-1][0], end_s)
        else:
            self.sections.append((start_s, end_s))
            self.count += 1
        self.seconds += end_s - start_s
        for name, (time_s, value) in traces.items():
            kept = self._batches.setdefault(name, Thinned(KEPT_BATCHES))
            edges = np.arange(start_s, end_s + 1e-9, BATCH_S)
            places = np.searchsorted(time_s, edges)
            for first, last, at in zip(places[:-1], places[1:], edges[:-1], strict=True):
                if last - first >= 2:
                    part = value[first:last]
                    kept.add(Batch(float(at), float(part.mean()), float(part.std(ddof=1)), self.count))

    def rest(self, name: str, grain: float) -> Rest | None:
        """Give a channel's figures; None where there are not two batches of it.

        Args:
            name: of the channel.
            grain: its resolution: a mean is not known better than to half of it, where no noise carries it over.

        """
        kept = self._batches.get(name)
        batches = list(kept.items) if kept else []
        if len(batches) < 2:
            return None
        deviations = np.array([batch.deviation for batch in batches])
        calm = deviations <= DISTURBED * max(float(np.median(deviations)), grain)
        chosen = [batch for batch, good in zip(batches, calm, strict=True) if good]
        if len(chosen) < 2:
            return None
        means = np.array([batch.mean for batch in chosen])
        noise = math.sqrt(float(np.mean(deviations[calm] ** 2)))
        stops = sorted({batch.stop for batch in chosen})
        by_stop = [np.array([b.mean for b in chosen if b.stop == stop]) for stop in stops]
        # The same at each stop: pieces are batches. From three stops on, what differs from stop to stop is in it too.
        pieces = np.array([part.mean() for part in by_stop]) if len(stops) >= 3 else means
        floor = grain / 2.0 if noise < grain / 2.0 else 0.0
        half = max(interval(pieces) * (memory(means) if len(stops) < 3 else 1.0), floor)
        drift = drift_half = None
        first, last = by_stop[0], by_stop[-1]
        times = [b.at_s for b in chosen]
        if len(stops) >= 2 and times[-1] - times[0] >= 60.0 and min(len(first), len(last)) >= 2:
            drift = float(last.mean() - first.mean())
            drift_half = max(math.hypot(interval(first), interval(last)), floor)
        every = kept.every if kept else 1
        return Rest(
            float(pieces.mean()),
            half,
            noise,
            len(stops),
            len(chosen) * BATCH_S * every,
            drift,
            drift_half,
            int(np.count_nonzero(~calm)),
        )


def interval(pieces: Floats) -> float:
    """Return half the 95 % interval of the mean of pieces by Student's t: the method of batch means [S].

    Law, Simulation Modeling and Analysis: means of batches longer than the noise's memory are as good as independent.
    """
    from scipy import stats

    count = len(pieces)
    if count < 2:
        return math.inf
    return float(stats.t.ppf(0.975, count - 1) * pieces.std(ddof=1) / math.sqrt(count))


def memory(means: Floats) -> float:
    """Return by how much an interval of batch means widens where neighbouring batches are alike, 1 where they are not.

    sqrt((1 + r) / (1 - r)) with r their correlation (Bartlett 1946 [S]); a few batches do not show it.
    """
    if len(means) < 12 or np.ptp(means) == 0.0:
        return 1.0
    around = means - means.mean()
    r = float(around[:-1] @ around[1:] / (around @ around))
    r = min(max(r, 0.0), 0.9)
    return math.sqrt((1.0 + r) / (1.0 - r))


def standing_sections(piece: Piece) -> list[tuple[float, float]]:
    """Find where the road speed rests at zero, trimmed, within the piece's own time."""
    speed = piece.traces.get("road_speed")
    if speed is None or len(speed.time_s) < 2:
        return []
    grid = _grid(piece)
    return _sections(np.abs(on_grid(speed, grid)) <= STANDING_M_S, grid)


def quiet_sections(piece: Piece, units: Mapping[str, str]) -> list[tuple[float, float]]:
    """Find where accelerations, strokes and yaw rate are all as calm as in a standing car.

    At least one acceleration and, where the vehicle has strokes, one stroke must be there.
    """
    grid = _grid(piece)
    window = round(GRID_HZ)
    if len(grid) < window:
        return []
    calm = np.ones(len(grid), bool)
    seen = set()
    for name, unit in units.items():
        if unit not in QUIET or name not in piece.traces:
            continue
        value = on_grid(piece.traces[name], grid)
        calm &= rolling_deviation(value, window) <= QUIET[unit]
        seen.add(unit)
    wanted = {"g"} | ({"mm"} & set(units.values()))
    return _sections(calm, grid) if wanted <= seen else []


def rolling_deviation(value: Floats, window: int) -> Floats:
    """Return the standard deviation of the window around each place, float64[n]; NaN where it is not whole."""
    result = np.full(len(value), np.nan)
    if len(value) >= window:
        around = np.lib.stride_tricks.sliding_window_view(value, window)
        start = window // 2
        result[start : start + len(around)] = around.std(axis=1)
    return result


def _grid(piece: Piece) -> Floats:
    return piece.start_s + np.arange(int((piece.end_s - piece.start_s) * GRID_HZ) + 1) / GRID_HZ


def _sections(mask: Bools, grid: Floats) -> list[tuple[float, float]]:
    found = []
    for run in spans(mask, round(LEAST_S * GRID_HZ)):
        # At the edge of the piece the section goes on beyond: nothing settles there.
        start = grid[run.start] + (TRIM_S if run.start > 0 else 0.0)
        end = grid[run.stop - 1] - (TRIM_S if run.stop < len(grid) else 0.0)
        found.append((float(start), float(end)))
    return found
