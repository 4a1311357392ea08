"""The best setting of two numbers, such as held currents front and rear: bounded, seeded, the same on any number of processes.

The objective is stated, so that one can quarrel with it: the mean over the training drives of

    w_body body speed / its reference + w_tyre tyre load variation / its reference + w_comfort weighted acceleration / its reference

the references being those of the middle setting on the same drive. 1 is as good as the middle setting, less is better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np

from dashpot.evaluate.measure import work

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dashpot.evaluate.figures import Figures
    from dashpot.evaluate.measure import Candidate, Case, Workers
    from dashpot.plant.car import Floats

#: Settings a generation, a power of two for Sobol's points, and generations after the first of differential evolution
#: (Storn and Price 1997 [S]).
MEMBERS, GENERATIONS = 16, 4


@dataclass(frozen=True, slots=True)
class Weights:
    """Of the objective; their sum is 1."""

    body: float = 0.5
    tyre: float = 0.5
    comfort: float = 0.0

    def of(self, figures: Sequence[Figures], reference: Sequence[Figures]) -> float:
        """Return the objective of a candidate's figures over the training drives against the middle setting's."""
        body, tyre, comfort = ratios(figures, reference)
        return self.body * body + self.tyre * tyre + self.comfort * comfort


def ratios(figures: Sequence[Figures], reference: Sequence[Figures]) -> tuple[float, float, float]:
    """Return body speed, tyre load variation and weighted acceleration over the reference's, means over the drives."""
    parts = [
        (
            one.body_speed_mm_s / least(other.body_speed_mm_s),
            one.tyre_variation_percent / least(other.tyre_variation_percent),
            one.comfort_m_s2 / least(other.comfort_m_s2),
        )
        for one, other in zip(figures, reference, strict=True)
    ]
    body, tyre, comfort = (float(mean) for mean in np.mean(parts, axis=0))
    return body, tyre, comfort


def least(value: float) -> float:
    """Return a divisor that is not 0: on a road without anything to feel all are alike."""
    return max(value, 1e-9)


@dataclass(frozen=True, slots=True)
class Tried:
    """A setting of the search: its two shares from 0, soft, to 1, firm, its objective, body speed and tyre load as `ratios`."""

    shares: tuple[float, float]
    objective: float
    body: float
    tyre: float


def calmest(tried: Sequence[Tried], most_tyre: float) -> Tried | None:
    """Return the setting of least body speed among those with no more tyre load variation, None where there is none."""
    allowed = [one for one in tried if one.tyre <= most_tyre]
    return min(allowed, key=lambda one: (one.body, one.shares)) if allowed else None


class Make(Protocol):
    """Makes the candidate of two shares."""

    def __call__(self, first: float, second: float) -> Candidate:
        """Return it."""


@dataclass(frozen=True, slots=True)
class Search:
    """What a search is about.

    Attributes:
        cases: the training drives.
        weights: of the objective.
        seed: of the draws.
        generations: after the first.

    """

    cases: tuple[Case, ...]
    weights: Weights
    seed: int
    generations: int = GENERATIONS

    def work(self, candidate: Candidate) -> float:
        """Return the most work of one search, for progress."""
        each = sum(work(candidate, case) for case in self.cases)
        return each * MEMBERS * (self.generations + 1)

    def best(
        self,
        make: Make,
        reference: Sequence[Figures],
        workers: Workers,
        progress: Callable[[float], None] = lambda _work: None,
    ) -> tuple[tuple[float, float], list[Tried]]:
        """Return the best shares and all that was tried, in the order of trying.

        Args:
            make: the candidate of two shares.
            reference: figures of the middle setting on the training drives.
            workers: to measure with.
            progress: called with the work done.

        """
        from scipy.optimize import differential_evolution

        from dashpot.evaluate.measure import measure_many

        known: dict[tuple[float, float], Tried] = {}

        def judged(shares: Floats) -> Floats:
            # Hundredths are as fine as a knob is turned; shares are (2, members).
            wanted = [(round(float(a), 2), round(float(b), 2)) for a, b in shares.T]
            fresh = list(dict.fromkeys(pair for pair in wanted if pair not in known))
            if fresh:
                found = measure_many(
                    [make(*pair) for pair in fresh], self.cases, workers=workers, progress=progress
                )
                for pair, row in zip(fresh, found, strict=True):
                    body, tyre, _ = ratios(row, reference)
                    known[pair] = Tried(pair, self.weights.of(row, reference), body, tyre)
            return np.array([known[pair].objective for pair in wanted])

        differential_evolution(
            judged, [(0.0, 1.0)] * 2, seed=self.seed, popsize=MEMBERS // 2, maxiter=self.generations, tol=0.0,
            init="sobol", polish=False, vectorized=True, updating="deferred",
        )  # fmt: skip
        tried = list(known.values())
        return min(tried, key=lambda one: (one.objective, one.shares)).shares, tried
