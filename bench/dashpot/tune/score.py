"""How good a calibration is beside the one that the search starts from: its objective and what it breaks."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.errors import InputError
from dashpot.evaluate.figures import METRICS
from dashpot.tune.plan import Bound

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashpot.tune.plan import Road, Tune

#: Figures of each drive, by road and seed; None where a drive has no such thing, whatever the calibration.
Drives = dict[tuple[str, int], dict[str, float | None]]
CONFIDENCE = 0.95
#: What a refused calibration has: no other is worse.
REFUSED = math.inf
#: The controller must stay at work: falling to its safe currents is no tuning.
WHOLE = Bound("active_percent", no_worse=True)


@dataclass(frozen=True, slots=True, order=True)
class Score:
    """What the search compares; the lesser is the better.

    Attributes:
        violation: sum of what the constraints are broken by, each over its bound; 0 where they hold.
        objective: weighted metrics over the start's, 1 for the start itself.

    Whatever keeps the constraints comes before all that breaks them, and of two that break them the one that breaks
    them less (Deb 2000, An efficient constraint handling method for genetic algorithms, rules 1 to 3 [M]).

    """

    violation: float
    objective: float


def having(start: Drives, metric: str, roads: Sequence[Road]) -> list[Road]:
    """Return the roads on which a metric exists."""
    return [road for road in roads if all(start[road.name, seed][metric] is not None for seed in road.seeds)]


def worse(metric: str, now: float, before: float) -> float:
    """Return a figure over another one, above 1 where it is worse."""
    return before / now if METRICS[metric].higher else now / before


def _ratio(drives: Drives, start: Drives, metric: str, drive: tuple[str, int]) -> float:
    now, before = drives[drive][metric], start[drive][metric]
    assert now is not None
    assert before is not None
    # What is better higher and came to nothing is worse than any share.
    return worse(metric, now, before) if now or not METRICS[metric].higher else REFUSED


def ratios(drives: Drives, start: Drives, metric: str, roads: Sequence[Road]) -> dict[str, float]:
    """Return a metric over the start's on each road that has it: the mean over its seeds, each against the same seed."""
    return {
        road.name: float(np.mean([_ratio(drives, start, metric, (road.name, seed)) for seed in road.seeds]))
        for road in having(start, metric, roads)
    }


def _mean(by_road: Mapping[str, float], roads: Sequence[Road]) -> float:
    weights = {road.name: road.weight for road in roads}
    return float(np.average(list(by_road.values()), weights=[weights[name] for name in by_road]))


def objective(drives: Drives, start: Drives, tune: Tune, roads: Sequence[Road]) -> float:
    """Return the objective; 1 is the start."""
    return sum(
        weight * _mean(ratios(drives, start, metric, roads), roads) for metric, weight in tune.weights.items()
    )


def violations(drives: Drives, start: Drives, tune: Tune, roads: Sequence[Road]) -> dict[str, float]:
    """Return by how much each constraint is broken, over its bound; only those that are."""
    return {
        name: over
        for bound in (*tune.bounds, WHOLE)
        for name, over in _over(bound, drives, start, roads)
        if over > 0.0
    }


def _over(bound: Bound, drives: Drives, start: Drives, roads: Sequence[Road]) -> list[tuple[str, float]]:
    metric, made = bound.metric, []
    here = having(start, metric, roads)
    sign = -1.0 if METRICS[metric].higher else 1.0
    if bound.ratio is not None and METRICS[metric].sums:
        for some in [[road] for road in here] if bound.in_each else [here]:
            now, most = (sum(values_of(those, metric, some)) for those in (drives, start))
            most *= bound.ratio
            made.append(
                (_where(metric, some[0].name if bound.in_each else ""), (now - most) / max(most, 1.0))
            )
    elif bound.ratio is not None and here:
        by_road = ratios(drives, start, metric, here)
        asked = by_road if bound.in_each else {"": _mean(by_road, here)}
        made += [(_where(metric, name), ratio / bound.ratio - 1.0) for name, ratio in asked.items()]
    if bound.no_worse and here:
        now, before = (sum(values_of(those, metric, here)) for those in (drives, start))
        made.append((f"{metric}, no worse", sign * (now - before) / max(abs(before), 1.0)))
    if bound.end is not None:
        limit = "at least" if METRICS[metric].higher else "at most"
        for road in here:
            mean = float(np.mean(values_of(drives, metric, [road])))
            over = sign * (mean - bound.end) / max(abs(bound.end), 1e-9)
            made.append((f"{_where(metric, road.name)}, {limit} {bound.end:g}", over))
    return made


def _where(metric: str, road: str) -> str:
    return f"{metric} on {road}" if road else metric


def values_of(drives: Drives, metric: str, roads: Sequence[Road]) -> list[float]:
    """Return a metric of each drive on roads that have it, in order."""
    values = [drives[road.name, seed][metric] for road in roads for seed in road.seeds]
    return [value for value in values if value is not None]


def score(drives: Drives | None, start: Drives, tune: Tune, roads: Sequence[Road]) -> Score:
    """Return the score of a calibration, the worst of all where it was refused (None)."""
    if drives is None:
        return Score(REFUSED, REFUSED)
    made = Score(sum(violations(drives, start, tune, roads).values()), objective(drives, start, tune, roads))
    return made if math.isfinite(made.violation + made.objective) else Score(REFUSED, REFUSED)


def refuse_empty(start: Drives, tune: Tune, roads: Sequence[Road], part: str, where: str) -> None:
    """Refuse roads on which nothing can be compared with the start.

    Raises:
        InputError: no road has a metric that is asked for, or one that is asked relative to the start is 0 there.

    """
    for name in dict.fromkeys((*tune.weights, *(bound.metric for bound in tune.bounds))):
        if not having(start, name, roads):
            raise InputError(f"no road of [{part}] has {name}; add one on which it happens", where=where)
    bounded = [bound.metric for bound in tune.bounds if bound.ratio is not None]
    relative = (*tune.weights, *(name for name in bounded if not METRICS[name].sums))
    for name in dict.fromkeys(relative):
        for road in having(start, name, roads):
            least = min(values_of(start, name, [road]))
            if not least > 0.0:
                raise InputError(
                    f"{name} is {least:g} on {road.name} with the calibration to start from: nothing can be a share of "
                    "that. Bound it by no_worse or at_most, or take another road",
                    where=where,
                )


@dataclass(frozen=True, slots=True)
class Interval:
    """Mean of paired differences and half the width of its interval at 95 %."""

    mean: float
    half: float

    @property
    def low(self) -> float:
        """Lower end."""
        return self.mean - self.half

    @property
    def high(self) -> float:
        """Upper end."""
        return self.mean + self.half


def interval(differences: Sequence[float]) -> Interval:
    """Return the mean of paired differences with Student's interval; one difference has an endless one.

    t(0.975, n - 1) s / sqrt(n): Student 1908, The probable error of a mean [M]; quantile of scipy.
    """
    from scipy.stats import t

    values = np.asarray(differences, dtype=np.float64)
    count = len(values)
    if count < 2:
        return Interval(float(values.mean()), math.inf)
    quantile = float(t.ppf(0.5 + CONFIDENCE / 2.0, count - 1))
    return Interval(float(values.mean()), quantile * float(values.std(ddof=1)) / math.sqrt(count))


def objective_change(drives: Drives, start: Drives, tune: Tune, roads: Sequence[Road]) -> Interval:
    """Return how the objective changed, less is better: the k-th seeds of all roads are one sample."""
    samples = []
    for k in range(len(roads[0].seeds)):
        total = 0.0
        for metric, weight in tune.weights.items():
            here = having(start, metric, roads)
            by_road = {road.name: _ratio(drives, start, metric, (road.name, road.seeds[k])) for road in here}
            total += weight * _mean(by_road, here)
        samples.append(total - 1.0)
    return interval(samples)


def metric_change(drives: Drives, start: Drives, metric: str, road: Road) -> Interval:
    """Return how a metric changed on a road, in its own unit, seed by seed."""
    return interval(
        [
            now - before
            for now, before in zip(
                values_of(drives, metric, [road]), values_of(start, metric, [road]), strict=True
            )
        ]
    )
