"""How one signal scales with another, in spite of outliers and of noise in both."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.suggest.series import Floats

#: Theil-Sen looks at all pairs of points; of more points than this, as many are taken from each part of their span.
MOST_POINTS = 200
BINS = 20
#: For the correlation, values beyond these shares of all are brought in to them: an outlier does not decide.
CLIP = (0.005, 0.995)


@dataclass(frozen=True, slots=True)
class Scale:
    """y = slope x + intercept.

    Attributes:
        slope: geometric mean of Theil-Sen's slope of y on x and of the inverse of that of x on y, with its sign.
        low, high: from the one interval's lower to the other's upper end. Noise in x pulls the first slope towards
            zero, noise in y pushes the second away from it; the true one lies between (errors in variables).
        intercept: median of y - slope x.
        correlation: Pearson's, of values clipped at CLIP. Not of ranks: on a drive that is mostly straight they are noise.
        points: how many there were.

    """

    slope: float
    low: float
    high: float
    intercept: float
    correlation: float
    points: int


def scale_between(x: Floats, y: Floats) -> Scale | None:
    """Fit y = slope x + intercept over points in the order of time; None where nothing moves or too little is there.

    Slopes and their 95 % intervals are those of scipy.stats.theilslopes (Sen 1968 [S]); the intervals, which take points as
    independent, are widened by sqrt((1 + r) / (1 - r)) with r the correlation of neighbouring residuals (Bartlett 1946 [S]).
    """
    from scipy import stats

    good = np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    count = len(x)
    if count < 20 or np.ptp(x) == 0.0 or np.ptp(y) == 0.0:
        return None
    correlation = clipped_correlation(x, y)
    kept = _spread(x, y, math.copysign(1.0, correlation))
    a, b = x[kept], y[kept]
    there, back = stats.theilslopes(b, a), stats.theilslopes(a, b)
    if not math.isfinite(correlation) or there.slope * back.slope <= 0.0:
        return Scale(0.0, -math.inf, math.inf, float(np.median(b)), correlation, count)
    sign = math.copysign(1.0, there.slope)
    first, second = abs(there.slope), 1.0 / abs(back.slope)
    slope = sign * math.sqrt(first * second)
    wider = _memory(a, b - slope * a)
    half = wider * (there.high_slope - there.low_slope) / 2.0
    half_back = wider * (back.high_slope - back.low_slope) / 2.0
    least = max(min(first, second) - half, 0.0)
    divisor = abs(back.slope) - half_back
    most = max(first + half, 1.0 / divisor if divisor > 0.0 else math.inf)
    low, high = sorted((sign * least, sign * most))
    return Scale(slope, low, high, float(np.median(b - slope * a)), correlation, count)


def clipped_correlation(x: Floats, y: Floats) -> float:
    """Return Pearson's correlation of two signals without what sticks out, 0 where one of them stands still."""
    a, b = (np.clip(one, *np.quantile(one, CLIP)) for one in (x, y))
    if np.ptp(a) == 0.0 or np.ptp(b) == 0.0:
        return 0.0
    return float(np.corrcoef(a, b)[0, 1])


def _spread(x: Floats, y: Floats, sign: float) -> NDArray[np.intp]:
    """Choose points in the order of time: as many from each part of the span, so that straight driving does not drown turns.

    The span is that of x and y together: choosing by x alone would choose its noise too.
    """
    if len(x) <= MOST_POINTS:
        return np.arange(len(x))
    along = x / x.std() + sign * y / y.std()
    low, high = np.quantile(along, CLIP)
    width = (high - low) / BINS
    place = (
        np.clip((along - low) / width, 0, BINS - 1).astype(np.intp) if width else np.zeros(len(x), np.intp)
    )
    share = MOST_POINTS // BINS
    chosen = []
    for part in range(BINS):
        rows = np.flatnonzero(place == part)
        chosen.append(
            rows[np.unique(np.linspace(0, len(rows) - 1, min(share, len(rows))).round().astype(np.intp))]
        )
    return np.sort(np.concatenate(chosen))


def _memory(x: Floats, residual: Floats) -> float:
    """Factor by which residuals that hang together widen an interval."""
    weight = (x - np.median(x)) * (residual - np.median(residual))
    # Of ranks, so that one outlier does not decide.
    ranks = weight.argsort().argsort().astype(np.float64)
    r = float(np.corrcoef(ranks[:-1], ranks[1:])[0, 1])
    r = min(max(r, 0.0), 0.95)
    return math.sqrt((1.0 + r) / (1.0 - r))
