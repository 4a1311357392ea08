"""Firmness over current: where the currents that can be held begin, and the valve curve that makes it even in force."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from dashpot.plant.car import Floats

#: Currents up to this are no current.
NOTHING_A = 0.020
#: A step of the firmness is a jump where it is this many times as steep as usual.
STEEP = 3.0
#: And where it is at least this share of the whole range.
LEAST_JUMP = 0.08
#: Levels whose firmness differs from the passive stage's by less than this share of the range belong to it.
SAME_STAGE = 0.04
DEMANDS_PERMILLE = tuple(range(0, 1001, 100))


@dataclass(frozen=True, slots=True)
class Levels:
    """What the currents are, from low to high.

    Attributes:
        least: index of the first that can be held.
        passive: indices of the passive stage, empty where none was run without current.
        firmer: the force rises with current.
        jump_share: size of the jump in shares of the firmness' range, 0 for none.

    """

    least: int
    passive: tuple[int, ...]
    firmer: bool
    jump_share: float


def firmness_of(force_n: Floats) -> Floats:
    """Return a current's mean force over ways and speeds, each speed in shares of its own range, (currents,).

    Every speed counts alike, so that a few fast ones do not drown the slow ones.
    """
    mean = force_n.mean(axis=0)
    scale = np.maximum(np.ptp(mean, axis=0), 1e-9)
    share: Floats = ((mean - mean.min(axis=0)) / scale).mean(axis=1)
    return share


def levels_of(current_a: Floats, force_n: Floats, sigma_n: Floats, least_a: float | None) -> Levels:
    """Find the passive stage, the jump and the least current that can be held.

    Going down from the highest current the firmness goes one way, at about one slope. Where it turns round, or
    becomes several times as steep, the jump begins.

    Args:
        current_a: rising levels.
        force_n: (2, currents, speeds).
        sigma_n: standard error of each, the same shape.
        least_a: the least current if it is known, else None.

    """
    count = len(current_a)
    firm = firmness_of(force_n)
    scale = np.maximum(np.ptp(force_n.mean(axis=0), axis=0), 1e-9)
    noise = float(np.sqrt(np.mean((sigma_n.mean(axis=0) / scale) ** 2) / max(force_n.shape[2], 1)))
    upper = slice(count // 2, count) if count > 2 else slice(0, count)
    slopes = np.diff(firm) / np.diff(current_a)
    part = firm[upper]
    firmer = bool(part[-1] >= part[0]) if count > 1 else True
    sign = 1.0 if firmer else -1.0
    powered = int(np.searchsorted(current_a, NOTHING_A))
    if least_a is not None:
        least = int(np.searchsorted(current_a, least_a - NOTHING_A / 2.0))
    else:
        usual = float(np.median(np.abs(slopes[upper.start :]))) if count > 2 else np.inf
        least = count - 1
        while least > 0 and not _jumps(sign, firm, slopes, least - 1, usual, noise):
            least -= 1
        if least == count - 1:
            least = min(powered, count - 1)
    passive: tuple[int, ...] = ()
    jump = 0.0
    if powered > 0:
        near = [0]
        while near[-1] + 1 < least and abs(firm[near[-1] + 1] - firm[0]) <= max(SAME_STAGE, 4.0 * noise):
            near.append(near[-1] + 1)
        passive = tuple(near) if least > 0 else (0,)
        if least > 0:
            jump = float(firm[least] - firm[0])
    return Levels(least, passive, firmer, jump)


def _jumps(sign: float, firm: Floats, slopes: Floats, step: int, usual: float, noise: float) -> bool:
    size = abs(float(firm[step + 1] - firm[step]))
    if size <= max(LEAST_JUMP, 4.0 * noise):
        return bool(sign * slopes[step] < 0.0 and size > max(SAME_STAGE, 4.0 * noise))
    return bool(sign * slopes[step] < 0.0 or abs(slopes[step]) > STEEP * usual)


def share_of(force_n: Floats) -> Floats:
    """Return each current's share of the way from the softest to the firmest, mean over ways and speeds, (currents,).

    The share at one speed is that of the two ways' mean force.
    """
    mean = force_n.mean(axis=0)
    span = mean[-1] - mean[0]
    with np.errstate(invalid="ignore", divide="ignore"):
        shares = np.where(np.abs(span) > 0.0, (mean - mean[0]) / span, np.nan)
    share: Floats = np.nanmean(shares, axis=1)
    # The mean of monotone rows is monotone; the softest has the share 0 whichever way the force goes.
    return share if force_n[:, -1].sum() >= force_n[:, 0].sum() else 1.0 - share


def demand_curve(current_a: Floats, share: Floats) -> Floats:
    """Return the current of each demand in DEMANDS_PERMILLE: equal steps of demand are equal steps of force."""
    order = np.argsort(share, kind="stable")
    rising, at = share[order], current_a[order]
    # Where the force stands still over current, one current of it is as good as another.
    keep = np.concatenate(([True], np.diff(rising) > 1e-9))
    curve: Floats = np.interp(np.array(DEMANDS_PERMILLE) / 1000.0, rising[keep], at[keep])
    return curve


def authority_of(force_n: Floats) -> Floats:
    """Return firmest over softest force for each way and speed, (2, speeds)."""
    ends = np.stack((force_n[:, 0], force_n[:, -1]))
    ratio: Floats = ends.max(axis=0) / np.maximum(ends.min(axis=0), 1e-9)
    return ratio


def match_of(current_a: Floats, force_n: Floats, passive_n: Floats) -> float | None:
    """Return the current whose force is nearest the passive stage's, None where the passive stage is outside."""
    mean = force_n.mean(axis=0)
    goal = passive_n.mean(axis=0)
    scale = np.maximum(np.abs(mean[-1] - mean[0]), 1e-9)
    share = np.sign(mean[-1].sum() - mean[0].sum()) * ((mean - mean[0]) / scale).mean(axis=1)
    at = float(np.sign(mean[-1].sum() - mean[0].sum()) * ((goal - mean[0]) / scale).mean())
    if not -0.02 <= at <= 1.02:
        return None
    return float(np.interp(at, share, current_a))
