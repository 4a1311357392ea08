"""The search: CMA-ES with margin over whole levels, seeded, told by ranks.

Why this one: an evaluation is a drive of the whole loop, so a hundred of them must do; levels are discrete, and a cell is
worth no finer step. The covariance matrix adaptation takes 4 + 3 ln n samples a generation where differential evolution
takes 5 n to 15 n, begins at the calibration that is there, and has an ask and a tell, so that a generation runs in
parallel and a stopped search is repeated from its records. The margin keeps discrete levels from standing still
(Hamano, Saito, Nomura and Shirakawa 2022, CMA-ES with margin, GECCO [M]); the package cmaes has it.

Only the order of the scores is used, so constraints need no penalty's weight: see `Score` and `Sampler.tell`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Protocol

import numpy as np

from dashpot.tune.score import Score

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

#: A point of the search: the level of each knob.
Point = tuple[int, ...]
#: Generations without a point that was not measured before, after which the search begins anew.
STALE_GENERATIONS = 12
#: Then it begins at the best point so far, with twice the population (Auger and Hansen 2005, A restart CMA evolution
#: strategy with increasing population size [M]).
MOST_RESTARTS = 6
SEED_STRIDE = 1_000_003
#: What is left of the constraints' slack after a generation [D].
SLACK_KEPT = 0.7
#: Shares of the gain [D]: what one knob may be worth to go back, and what may be lost by all that go back.
IDLE_SHARE, LOST_SHARE = 0.02, 0.05


class Range(Protocol):
    """The levels of a knob."""

    @property
    def low(self) -> int:
        """Least level."""

    @property
    def high(self) -> int:
        """Greatest level."""


class Sampler:
    """Asks for generations of points and is told their scores.

    Args:
        ranges: of the levels.
        seed: same seed and scores, same points.
        begin: point in the middle of the first generation.
        spread: first standard deviation, as a share of each range.
        population: points a generation, None for 4 + 3 ln n.

    """

    def __init__(
        self, ranges: Sequence[Range], seed: int, begin: Point, spread: float, population: int | None = None
    ) -> None:
        from cmaes import CMAwM

        self._low = np.array([one.low for one in ranges])
        self._high = np.array([one.high for one in ranges])
        span = (self._high - self._low).astype(np.float64)
        mean, bounds, steps = (
            (np.array(begin) - self._low) / span,
            np.tile([0.0, 1.0], (len(span), 1)),
            1.0 / span,
        )
        if len(span) == 1:
            # The package wants two dimensions; the second is not read.
            mean, steps = np.append(mean, 0.5), np.append(steps, 1.0)
            bounds = np.tile([0.0, 1.0], (2, 1))
        self._cma = CMAwM(
            mean=mean,
            sigma=spread,
            bounds=bounds,
            steps=steps,
            seed=seed % (1 << 32),
            population_size=population,
        )
        self._span = span
        self._raw: list[NDArray[np.float64]] = []
        self._slack: float | None = None

    def ask(self) -> list[Point]:
        """Return the next generation; some of its points may be alike."""
        points = []
        self._raw = []
        for _ in range(self._cma.population_size):
            near, raw = self._cma.ask()
            levels = np.rint(near[: len(self._span)] * self._span).astype(int) + self._low
            points.append(tuple(int(level) for level in np.clip(levels, self._low, self._high)))
            self._raw.append(raw)
        return points

    def tell(self, scores: Sequence[Score]) -> None:
        """Tell the scores of the generation, in its order.

        At first what breaks the constraints by less than the median of the first generation counts as keeping them, then
        by ever less: the start often lies on the edge of a constraint, and a search that never looks across it learns
        nothing of the objective (epsilon comparison, Takahama and Sakai 2006 [M]). Which point is best is told without.
        """
        broken = sorted(one.violation for one in scores if math.isfinite(one.violation))
        if self._slack is None:
            self._slack = broken[len(broken) // 2] if broken else 0.0
        eased = [Score(0.0, one.objective) if one.violation <= self._slack else one for one in scores]
        self._slack *= SLACK_KEPT
        places = {one: place for place, one in enumerate(sorted(set(eased)))}
        self._cma.tell([(raw, float(places[one])) for raw, one in zip(self._raw, eased, strict=True)])

    @property
    def population(self) -> int:
        """Points a generation."""
        return int(self._cma.population_size)

    @property
    def narrow(self) -> bool:
        """Whether the distribution has shrunk to nothing."""
        return bool(self._cma.should_stop())


def search(
    ranges: Sequence[Range],
    judge: Callable[[Sequence[Point]], Sequence[Score]],
    *,
    budget: int,
    seed: int,
    spread: float = 0.2,
    population: int | None = None,
) -> dict[Point, Score]:
    """Search for the least score, beginning at level 0 of all knobs.

    Args:
        ranges: levels of the knobs.
        judge: scores points, all of them new and different ones.
        budget: most points to judge besides the start.
        seed: of the samples.
        spread: first standard deviation, as a share of each range.
        population: points of the first generations, None for 4 + 3 ln n.

    Returns:
        Every judged point with its score, in the order of judging, the start first. A greater budget with the same seed
        begins with the same points.

    """
    start: Point = (0,) * len(ranges)
    known: dict[Point, Score] = dict(zip([start], judge([start]), strict=True))
    every = math.prod(one.high - one.low + 1 for one in ranges)
    for restart in range(MOST_RESTARTS):
        sampler = Sampler(ranges, seed + restart * SEED_STRIDE, best(known), spread, population)
        stale = 0
        while stale < STALE_GENERATIONS and not sampler.narrow:
            points = sampler.ask()
            fresh = [point for point in dict.fromkeys(points) if point not in known]
            stale = 0 if fresh else stale + 1
            room = budget + 1 - len(known)
            if fresh:
                known |= dict(zip(fresh[:room], judge(fresh[:room]), strict=True))
            if len(fresh) >= room or len(known) == every:
                return known
            sampler.tell([known[point] for point in points])
        population = 2 * sampler.population
    return known


def best(known: dict[Point, Score]) -> Point:
    """Return the point with the least score, of those alike the one that was judged first."""
    return min(known, key=lambda point: known[point])


def take_back(
    known: dict[Point, Score], judge: Callable[[Sequence[Point]], Sequence[Score]]
) -> tuple[Point, dict[int, float]]:
    """Put back to the start what the best point does not need, so that nothing moves without a reason.

    A knob that the training roads hardly feel drifts with the samples, and would go where nobody looked. So each knob
    that moved goes back alone; those worth less than 2 % of the gain go back together, where 95 % of it stay.

    Args:
        known: what the search judged; what is judged here is added.
        judge: scores points.

    Returns:
        The point that is left, and by how much its objective grows when a knob alone goes back, by the knob's place.

    """
    found = best(known)
    moved = [place for place, level in enumerate(found) if level]

    def without(places: Sequence[int]) -> Point:
        return tuple(0 if place in places else level for place, level in enumerate(found))

    def scores(points: Sequence[Point]) -> list[Score]:
        fresh = [point for point in dict.fromkeys(points) if point not in known]
        if fresh:
            known.update(zip(fresh, judge(fresh), strict=True))
        return [known[point] for point in points]

    alone = dict(zip(moved, scores([without([place]) for place in moved]), strict=True))
    gain = max(0.0, known[(0,) * len(found)].objective - known[found].objective)

    def keeps(one: Score, lost: float) -> bool:
        most = known[found].objective + lost * gain
        return one.violation <= known[found].violation and one.objective <= most

    left = best(known)
    for share, whole in ((IDLE_SHARE, LOST_SHARE), (0.0, 0.0)):
        idle = [place for place, one in alone.items() if keeps(one, share)]
        if idle and keeps(scores([without(idle)])[0], whole):
            left = without(idle)
            break
    worth = {
        place: one.objective - known[found].objective
        for place, one in alone.items()
        if left[place] == found[place] and math.isfinite(one.objective)
    }
    return left, worth
