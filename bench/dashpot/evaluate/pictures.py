"""The picture of a trade-off: two numbers of each candidate, both better to the lower left, with their intervals.

A shape and a colour for each kind of candidate; filled when no other candidate beats it in both. Names stand at the
right, a thin line leads to each, so that nothing rests on colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

from dashpot.characterise.figures import COLOURS, GRID, INK, LINE_PX, SOFT, ticks
from dashpot.picture import apart

if TYPE_CHECKING:
    from collections.abc import Sequence

WIDTH, HEIGHT = 640, 380
LEFT, RIGHT, TOP, BOTTOM = 62, 196, 14, 46
SIZE = 5.0
#: Shape and colour by kind.
KINDS = {
    "passive": ("circle", SOFT),
    "best": ("diamond", INK),
    "calibration": ("square", COLOURS[0]),
    "law": ("triangle", COLOURS[1]),
}


@dataclass(frozen=True, slots=True)
class Spot:
    """A candidate in the picture.

    Attributes:
        name: of the candidate.
        kind: of KINDS.
        x, y: its means.
        x_half, y_half: half its intervals, 0 without.
        front: no other candidate beats it in both.

    """

    name: str
    kind: str
    x: float
    y: float
    x_half: float = 0.0
    y_half: float = 0.0
    front: bool = False


def trade_off(spots: Sequence[Spot], line: Sequence[str], x_label: str, y_label: str, said: str) -> str:
    """Return an SVG.

    Args:
        spots: the candidates, at least one.
        line: names of candidates that a line joins, in order.
        x_label: with its unit.
        y_label: with its unit.
        said: what it shows, for those who cannot see it.

    """
    x_low, x_high, x_ticks = _axis([(one.x, one.x_half) for one in spots])
    y_low, y_high, y_ticks = _axis([(one.y, one.y_half) for one in spots])
    wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def across(value: float) -> float:
        return LEFT + wide * (value - x_low) / (x_high - x_low)

    def down(value: float) -> float:
        return TOP + high * (y_high - value) / (y_high - y_low)

    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" role="img" '
            f'aria-label="{escape(said)}" font-family="DejaVu Sans,Verdana,sans-serif" font-size="11" fill="{INK}">'
        ),
    ]
    for value in y_ticks:
        parts.append(
            f'<path d="M{LEFT} {down(value):.1f}h{wide}" stroke="{SOFT if value == 0 else GRID}" stroke-width=".7"/>'
        )
        parts.append(f'<text x="{LEFT - 6}" y="{down(value) + 4:.1f}" text-anchor="end">{value:g}</text>')
    for value in x_ticks:
        parts.append(
            f'<path d="M{across(value):.1f} {TOP}v{high}" stroke="{SOFT if value == 0 else GRID}" stroke-width=".7"/>'
        )
        parts.append(
            f'<text x="{across(value):.1f}" y="{TOP + high + 15}" text-anchor="middle">{value:g}</text>'
        )
    known = {one.name: one for one in spots}
    joined = " ".join(f"{across(known[name].x):.1f},{down(known[name].y):.1f}" for name in line)
    parts.append(
        f'<polyline points="{joined}" fill="none" stroke="{SOFT}" stroke-width="1" stroke-dasharray="4 3"/>'
    )
    ordered = sorted(spots, key=lambda one: down(one.y))
    levels = apart([down(one.y) for one in ordered], LINE_PX, TOP + 4.0, HEIGHT - BOTTOM)
    for one, level in zip(ordered, levels, strict=True):
        _, colour = KINDS[one.kind]
        parts.append(
            f'<path d="M{across(one.x):.1f} {down(one.y):.1f}L{LEFT + wide + 4} {level:.1f}h4" fill="none" '
            f'stroke="{colour}" stroke-width=".5"/>'
        )
        weight = ' font-weight="bold"' if one.kind in {"best", "calibration"} else ""
        parts.append(
            f'<text x="{LEFT + wide + 11}" y="{level + 4:.1f}" fill="{colour}"{weight}>{escape(one.name)}</text>'
        )
    for one in spots:
        x, y = across(one.x), down(one.y)
        _, colour = KINDS[one.kind]
        left, right = (across(min(max(one.x + way * one.x_half, x_low), x_high)) for way in (-1.0, 1.0))
        upper, lower = (down(min(max(one.y + way * one.y_half, y_low), y_high)) for way in (1.0, -1.0))
        bars = f"M{left:.1f} {y:.1f}H{right:.1f}M{x:.1f} {upper:.1f}V{lower:.1f}"
        parts.append(f'<path d="{bars}" stroke="{colour}" stroke-width=".9" opacity=".55"/>')
    parts += [_mark(one, across(one.x), down(one.y)) for one in spots]
    parts += [
        f'<text x="{LEFT + wide / 2:.1f}" y="{HEIGHT - 10}" text-anchor="middle">{escape(x_label)}</text>',
        (
            f'<text transform="translate(14 {TOP + high / 2:.1f}) rotate(-90)" text-anchor="middle">{escape(y_label)}'
            "</text></svg>"
        ),
    ]
    return "".join(parts)


def _axis(values: Sequence[tuple[float, float]]) -> tuple[float, float, list[float]]:
    """Return an axis that holds all means, and their intervals as far as these leave the means apart."""
    means = [value for value, _ in values]
    room = 0.5 * (max(means) - min(means)) or 1.0
    low = min(value - min(half, room) for value, half in values)
    high = max(value + min(half, room) for value, half in values)
    made = ticks(low, high)
    return min(low, made[0]), max(high, made[-1]), made


def _mark(spot: Spot, x: float, y: float) -> str:
    shape, colour = KINDS[spot.kind]
    style = f'fill="{colour if spot.front else "#fff"}" stroke="{colour}" stroke-width="1.4"'
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{SIZE - 0.6:g}" {style}/>'
    shapes: dict[str, list[tuple[float, float]]] = {
        "square": [(-1, -1), (1, -1), (1, 1), (-1, 1)],
        "diamond": [(0, -1.35), (1.35, 0), (0, 1.35), (-1.35, 0)],
        "triangle": [(0, -1.2), (1.15, 0.9), (-1.15, 0.9)],
    }
    points = " ".join(f"{x + SIZE * a:.1f},{y + SIZE * b:.1f}" for a, b in shapes[shape])
    return f'<polygon points="{points}" {style}/>'
