"""Means with their confidence, paired differences, and which points no other one beats."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.plant.car import Floats

CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True)
class Estimate:
    """A mean with its interval.

    Attributes:
        mean: of the values.
        half: half the width of the 95 % interval, None for one value.
        count: values.

    """

    mean: float
    half: float | None
    count: int

    @property
    def low(self) -> float:
        """Lower end; the mean itself without an interval."""
        return self.mean - (self.half or 0.0)

    @property
    def high(self) -> float:
        """Upper end."""
        return self.mean + (self.half or 0.0)

    @property
    def sure(self) -> int:
        """-1 where all of the interval is below 0, 1 where it is above, 0 where it is neither or there is none."""
        if self.half is None:
            return 0
        return int(self.low > 0.0) - int(self.high < 0.0)


def estimate(values: Sequence[float] | Floats) -> Estimate:
    """Return the mean and Student's t interval of independent values, one a seed.

    Raises:
        ValueError: there is none.

    """
    from scipy.stats import t

    numbers = np.asarray(values, dtype=np.float64)
    if not len(numbers):
        raise ValueError("no values")
    mean = float(numbers.mean())
    if len(numbers) == 1:
        return Estimate(mean, None, 1)
    error = float(numbers.std(ddof=1)) / math.sqrt(len(numbers))
    share = float(t.ppf(0.5 + CONFIDENCE / 2.0, len(numbers) - 1))
    return Estimate(mean, share * error, len(numbers))


def paired(values: Sequence[float], reference: Sequence[float]) -> Estimate:
    """Return the estimate of the difference seed by seed: what both share of a road does not count."""
    return estimate(np.asarray(values, dtype=np.float64) - np.asarray(reference, dtype=np.float64))


def pareto(points: Sequence[tuple[float, float]]) -> list[int]:
    """Return the places of the points that no other one beats, both numbers being better when less, by the first number.

    A point is beaten by one that is less in one number and no more in the other; of equal points all stay.
    """
    order = sorted(range(len(points)), key=lambda i: points[i])
    front: list[int] = []
    least = math.inf
    for i in order:
        second = points[i][1]
        if second < least or (front and points[front[-1]] == points[i]):
            front.append(i)
            least = min(least, second)
    return front
