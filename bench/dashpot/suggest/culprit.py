"""Which channel is wrong, and how: the fewest mistakes that make all cross-checks come out right.

A cross-check that fails says that one of its channels is wrong. Each mistake (a sign, a unit, two sides swapped, some
other scale) would move all cross-checks of its channels in a known way; a mistake is the culprit when undoing it makes
every check good. Where more than one would do, the log does not say which, and nothing is changed.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING

from dashpot.calibration import units as unitfile
from dashpot.calibration.model import CORNERS
from dashpot.suggest.relations import ENDS, SIDES

if TYPE_CHECKING:
    from dashpot.calibration.units import Family
    from dashpot.suggest.relations import Relation

#: Two estimates of one channel's scale, each by another check, are the same within this.
NEAR = 1.25
FAMILY: dict[str, Family] = {
    "lateral": unitfile.ACCELERATION,
    "longitudinal": unitfile.ACCELERATION,
    "brake_pressure": unitfile.PRESSURE,
    "steer_angle": unitfile.ANGLE,
    "yaw_rate": unitfile.YAW_RATE,
    "road_speed": unitfile.SPEED,
    **{f"wheel_speed.{corner}": unitfile.SPEED for corner in CORNERS},
    **{f"stroke.{corner}": unitfile.STROKE for corner in CORNERS},
}
#: Channels that often come from one unit, and so are wrong together.
GROUPS = (
    ("lateral", "longitudinal"),
    tuple(f"wheel_speed.{corner}" for corner in CORNERS),
    tuple(f"stroke.{corner}" for corner in CORNERS),
)


@dataclass(frozen=True, slots=True)
class Mistake:
    """One thing that is wrong.

    Attributes:
        kind: "sign", "unit", "sign and unit", "swap" or "scale".
        channels: the channels; with "swap" the two (or two pairs) that stand for each other.
        factor: the channel as it is, divided by what it should be; 1 with "swap".
        unit: with "unit" the unit that the signal has in truth.

    """

    kind: str
    channels: tuple[str, ...]
    factor: float = 1.0
    unit: str = ""

    def partner(self, channel: str) -> str:
        """The channel that this one should be."""
        if self.kind == "swap":
            for left, right in _pairs(self.channels):
                if channel == left:
                    return right
                if channel == right:
                    return left
        return channel


@dataclass(frozen=True, slots=True)
class Verdict:
    """What the cross-checks say together.

    Attributes:
        mistakes: the one set of mistakes that explains all; empty where all is well, or nothing explains it.
        candidates: where several sets would do: all of them.
        off: names of the checks that fail.

    """

    off: tuple[str, ...] = ()
    mistakes: tuple[Mistake, ...] = ()
    candidates: tuple[tuple[Mistake, ...], ...] = field(default=())


def _pairs(channels: Sequence[str]) -> list[tuple[str, str]]:
    return list(zip(channels[::2], channels[1::2], strict=True))


def judge(relations: Iterable[Relation], present: Mapping[str, str]) -> Verdict:
    """Find the mistakes.

    Args:
        relations: cross-checks; those that the log says nothing about do not count.
        present: the unit that the vehicle file gives each mapped channel's signal.

    """
    listed = list(relations)
    # What an acceleration that follows nothing says of the strokes is no evidence.
    doubtful = {one.name for one in listed if one.astray} & {"lateral", "longitudinal"}
    known = [
        one
        for one in listed
        if one.scale is not None and not ("~" in one.name and doubtful & one.powers.keys())
    ]
    slopes = {one.name: one.scale.slope for one in known if one.scale is not None}
    off = tuple(one.name for one in known if not one.good(slopes[one.name]))
    if not off:
        return Verdict()
    touched = {channel for one in known if one.name in off for channel in one.powers}
    simple = [one for one in _mistakes(present) if touched & set(one.channels)]
    plain = [one for one in simple if one.kind != "sign and unit"]
    scales = _scales(known, slopes, off)
    tiers: tuple[Iterable[tuple[Mistake, ...]], ...] = (
        [(one,) for one in plain],
        [(one,) for one in simple],
        [(one,) for one in scales],
        itertools.combinations(plain, 2),
        itertools.product(scales, plain),
    )
    for tries in tiers:
        explains = [some for some in tries if _explains(some, known, slopes)]
        if explains:
            distinct = _distinct(explains)
            if len(distinct) == 1:
                return Verdict(off, distinct[0])
            return Verdict(off, (), tuple(distinct))
    return Verdict(off)


def _mistakes(present: Mapping[str, str]) -> list[Mistake]:
    """All simple mistakes of the channels that are there."""
    singles = [(name,) for name in present if name in FAMILY]
    groups = [tuple(name for name in group if name in present) for group in GROUPS]
    found = []
    for channels in [*singles, *(group for group in groups if len(group) > 1)]:
        found.append(Mistake("sign", channels, -1.0))
        for factor, unit in _other_units(channels, present):
            found.append(Mistake("unit", channels, factor, unit))
            found.append(Mistake("sign and unit", channels, -factor, unit))
    for kind in ("wheel_speed", "stroke"):
        front, rear = ([f"{kind}.{axle}_{side}" for side in ("left", "right")] for axle in ("front", "rear"))
        ends = [front[0], rear[0], front[1], rear[1]]
        wanted = [front, rear, [*front, *rear]]
        if kind == "stroke":
            wanted += [ends, ends[:2], ends[2:], [front[0], rear[1]], [front[1], rear[0]]]
        found += [Mistake("swap", tuple(names)) for names in wanted if set(names) <= present.keys()]
    return found


def _other_units(channels: Sequence[str], present: Mapping[str, str]) -> list[tuple[float, str]]:
    """Units that the signal may have in place of the one it is taken to have, with the factor of the mistake."""
    family = FAMILY[channels[0]]
    taken = family.factor(present[channels[0]])
    if taken is None or any(family.factor(present[name]) != taken for name in channels):
        return []
    return [
        (float(Fraction(taken) / factor), unit) for unit, factor in family.factors.items() if factor != taken
    ]


def _scales(known: Sequence[Relation], slopes: Mapping[str, float], off: Sequence[str]) -> list[Mistake]:
    """Scales that no unit explains: of each channel of each failing check whose slope should be 1."""
    found = []
    for one in known:
        # Slopes without a unit should be 1; a band in rad m or bar/g has no middle to scale to.
        if one.name not in off or one.band is None or one.unit:
            continue
        for channel, power in one.powers.items():
            slope = slopes[one.name] if one.signed else abs(slopes[one.name])
            factor = math.copysign(abs(slope) ** (1.0 / power), slope)
            found.append(Mistake("scale", (channel,), factor))
            for group in GROUPS:
                members = tuple(name for name in group if name in {c for r in known for c in r.powers})
                if one.signed and channel in members and len(members) > 1:
                    found.append(Mistake("scale", members, factor))
    return found


def _explains(some: Sequence[Mistake], known: Sequence[Relation], slopes: Mapping[str, float]) -> bool:
    """Whether all checks come out right when these mistakes are undone."""
    if (
        len(some) > 1
        and set(some[0].channels) & set(some[1].channels)
        and "swap" not in (some[0].kind, some[1].kind)
    ):
        return False
    undone = [(one, _undone(one, some, slopes)) for one in known]
    return all(slope is None or one.good(slope) for one, slope in undone)


def _undone(one: Relation, some: Sequence[Mistake], slopes: Mapping[str, float]) -> float | None:
    """The slope that a check would have without the mistakes; None where that check was not made."""
    slope: float | None = slopes[one.name]
    for mistake in some:
        if mistake.kind == "swap":
            slope = _swapped(one, mistake, slopes)
    if slope is None:
        return None
    for mistake in some:
        for channel, power in one.powers.items():
            if mistake.kind != "swap" and channel in mistake.channels:
                slope /= math.copysign(abs(mistake.factor) ** power, mistake.factor if power % 2 else 1.0)
    return slope


def _swapped(one: Relation, mistake: Mistake, slopes: Mapping[str, float]) -> float | None:
    """The slope of a check whose channel another one stands for."""
    slope = slopes[one.name]
    name = one.name
    if name.startswith("wheels_yaw."):
        return -slope if any(channel in mistake.channels for channel in one.powers) else slope
    if name.startswith("strokes."):
        return slope
    channel = next((c for c in one.powers if c in mistake.channels), None)
    if channel is None:
        return slope
    other = mistake.partner(channel)
    found = slopes.get(name.replace(channel, other))
    if found is None or "~" not in name:
        return found
    axis = name.rpartition("~")[2]
    # Slopes of strokes carry the expected sign of their own corner: by its side for one axis, by its end for the other.
    expected = SIDES if axis == "lateral" else ENDS
    return found * expected[channel.partition(".")[2]] * expected[other.partition(".")[2]]


def _distinct(explains: Sequence[tuple[Mistake, ...]]) -> list[tuple[Mistake, ...]]:
    """Leave out sets that accuse more channels than they need, and a scale that another check gave as well."""
    fewest = min(sum(len(one.channels) for one in some) for some in explains)
    found: list[tuple[Mistake, ...]] = []
    for some in explains:
        if _wider(some, explains, fewest):
            continue
        if not any(_alike(some, other) for other in found):
            found.append(some)
    return found


def _wider(some: Sequence[Mistake], explains: Sequence[tuple[Mistake, ...]], fewest: int) -> bool:
    """Whether a set holds another one that explains as much: nobody is accused without need."""
    mine = {channel for one in some for channel in one.channels}
    if sum(len(one.channels) for one in some) == fewest:
        return False
    return any({channel for one in other for channel in one.channels} < mine for other in explains)


def _alike(some: Sequence[Mistake], other: Sequence[Mistake]) -> bool:
    return all(
        a.channels == b.channels
        and a.kind == b.kind
        and (a.factor == b.factor if a.kind != "scale" else 1 / NEAR < a.factor / b.factor < NEAR)
        for a, b in zip(some, other, strict=True)
    )
