"""Plots as plain SVG: curves, dots and upright lines over two round axes.

The colours are those of Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008 [M]); no
meaning rests on colour alone, since curves differ in dashes and carry their names.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from dashpot.characterise import curve, response
from dashpot.picture import apart

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.characterise.analysis import Result
    from dashpot.characterise.response import Fit, Step
    from dashpot.characterise.strokes import Motion, Points
    from dashpot.plant.car import Floats

INK, SOFT, GRID = "#1d2328", "#5b6670", "#cfd5da"
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#8c510a", "#56b4e9", "#e69f00", "#444444")
DASHES = ("", "7 3", "2 3", "9 3 2 3")
WIDTH, HEIGHT = 560, 330
LEFT, RIGHT, TOP, BOTTOM = 62, 92, 14, 44
#: Dots beyond this many are thinned out evenly.
MOST_DOTS = 1200
#: Letters in pixels, for names that must not meet.
LINE_PX = 13


@dataclass(frozen=True, slots=True)
class Line:
    """A curve, or dots with `dots`; named at its right end where it has a name."""

    x: Floats
    y: Floats
    name: str = ""
    colour: str = INK
    dash: str = ""
    width: float = 1.6
    dots: bool = False


def chart(lines: Sequence[Line], x_label: str, y_label: str, said: str) -> str:
    """Return an SVG.

    Args:
        lines: curves and dots, drawn in this order.
        x_label: with its unit.
        y_label: with its unit.
        said: what it shows, for those who cannot see it.

    """
    x = np.concatenate([line.x for line in lines])
    y = np.concatenate([line.y for line in lines])
    x_ticks, y_ticks = ticks(float(x.min()), float(x.max())), ticks(float(y.min()), float(y.max()))
    x_low, x_high = min(float(x.min()), x_ticks[0]), max(float(x.max()), x_ticks[-1])
    y_low, y_high = min(float(y.min()), y_ticks[0]), max(float(y.max()), y_ticks[-1])
    wide, high = WIDTH - LEFT - RIGHT, HEIGHT - TOP - BOTTOM

    def place(xs: Floats, ys: Floats) -> Floats:
        across = LEFT + wide * (xs - x_low) / (x_high - x_low or 1.0)
        return np.stack((across, TOP + high * (y_high - ys) / (y_high - y_low or 1.0)), axis=1)

    parts = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" role="img" '
            f'aria-label="{escape(said)}" font-family="DejaVu Sans,Verdana,sans-serif" font-size="11" fill="{INK}">'
        ),
    ]
    for value in y_ticks:
        (_, level) = place(np.array([x_low]), np.array([value]))[0]
        parts.append(
            f'<path d="M{LEFT} {level:.1f}H{LEFT + wide}" stroke="{SOFT if value == 0 else GRID}" stroke-width=".7"/>'
        )
        parts.append(f'<text x="{LEFT - 6}" y="{level + 4:.1f}" text-anchor="end">{value:g}</text>')
    for value in x_ticks:
        (across, _) = place(np.array([value]), np.array([y_low]))[0]
        parts.append(
            f'<path d="M{across:.1f} {TOP}V{TOP + high}" stroke="{SOFT if value == 0 else GRID}" stroke-width=".7"/>'
        )
        parts.append(f'<text x="{across:.1f}" y="{TOP + high + 15}" text-anchor="middle">{value:g}</text>')
    for line in lines:
        spots = place(line.x, line.y)
        if line.dots:
            every = max(1, -(-len(spots) // MOST_DOTS))
            dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in spots[::every])
            parts.append(
                f'<path d="{dots}" stroke="{line.colour}" stroke-width="{2.0 * line.width:g}" stroke-linecap="round"/>'
            )
        else:
            points = " ".join(f"{a:.1f},{b:.1f}" for a, b in spots)
            dash = f' stroke-dasharray="{line.dash}"' if line.dash else ""
            parts.append(
                f'<polyline points="{points}" fill="none" stroke="{line.colour}" stroke-width="{line.width:g}"{dash}/>'
            )
    named = [(line, float(place(line.x[-1:], line.y[-1:])[0, 1])) for line in lines if line.name]
    for (line, _), level in zip(
        sorted(named, key=lambda pair: pair[1]),
        apart(sorted(level for _, level in named), LINE_PX, float(TOP)),
        strict=True,
    ):
        parts.append(
            f'<text x="{LEFT + wide + 6}" y="{level + 4:.1f}" fill="{line.colour}">{escape(line.name)}</text>'
        )
    parts += [
        f'<text x="{LEFT + wide / 2:.1f}" y="{HEIGHT - 10}" text-anchor="middle">{escape(x_label)}</text>',
        (
            f'<text transform="translate(14 {TOP + high / 2:.1f}) rotate(-90)" text-anchor="middle">{escape(y_label)}'
            "</text></svg>"
        ),
    ]
    return "".join(parts)


def ticks(low: float, high: float) -> list[float]:
    """Return four to nine round numbers that lie within a range, or round it."""
    span = max(high - low, 1e-9)
    size = 10.0 ** np.floor(np.log10(span / 5.0))
    step = float(
        next(size * factor for factor in (1.0, 2.0, 2.5, 5.0, 10.0) if span / (size * factor) <= 8.0)
    )
    first, last = int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9))
    made = [round(step * i, 9) for i in range(first, last + 1)]
    return made if len(made) > 1 else [low - 1.0, high + 1.0]


def _style(number: int) -> tuple[str, str]:
    return COLOURS[number % len(COLOURS)], DASHES[number // 2 % len(DASHES)]


def force_over_speed(result: Result) -> str:
    """Draw both ways' forces at each current, and the half strokes that they come from."""
    forces = result.forces
    held = result.valve
    fine = np.linspace(0.0, float(forces.speed_m_s[-1]), 60)
    signed = result.points.direction
    lines = [
        Line(
            1e3 * signed * result.points.speed_m_s, signed * result.valve_n, colour=GRID, width=1.3, dots=True
        )
    ]
    speed = np.concatenate((-fine[::-1], fine))
    damper = held.damper()
    for number, current in enumerate(held.compression.current_a):
        colour, dash = _style(number)
        lines.append(
            Line(1e3 * speed, damper.force_n(speed, current), f"{1e3 * current:.0f} mA", colour, dash)
        )
    if forces.passive_n is not None and forces.current_a[0] > curve.NOTHING_A:
        lines.append(Line(1e3 * speed, damper.force_n(speed, 0.0), "no current", INK, "3 3", 2.2))
    return chart(
        lines,
        "stroke speed, mm/s (compression positive)",
        "force of the valve, N",
        "force over stroke speed at each current",
    )


def firmness_over_current(result: Result) -> str:
    """Draw each current's share, the even curve through it, and the passive stage."""
    forces, firmness = result.forces, result.firmness
    demand = np.array(curve.DEMANDS_PERMILLE, dtype=np.float64)
    lines = [
        Line(1e3 * forces.current_a, 1e3 * firmness.share, "share of force", COLOURS[0]),
        Line(1e3 * firmness.curve_a, demand, colour=COLOURS[1], width=3.0, dots=True),
    ]
    if forces.passive_n is not None and forces.current_a[0] > curve.NOTHING_A:
        mean = forces.force_n.mean(axis=0)
        span = mean[-1] - mean[0]
        share = float(np.mean((forces.passive_n.mean(axis=0) - mean[0]) / np.where(span == 0.0, 1.0, span)))
        share = share if forces.firmer else 1.0 - share
        ends = np.array([0.0, 1e3 * max(forces.passive_below_a, 0.02)])
        lines.append(Line(ends, np.full(2, 1e3 * share), colour=INK, width=2.2, dash="3 3"))
        lines.append(
            Line(
                np.array([0.0, 1e3 * forces.current_a[-1]]),
                np.full(2, 1e3 * share),
                "no current",
                SOFT,
                "1 4",
                1.0,
            )
        )
    return chart(
        lines,
        "current, mA",
        "share of the way from softest to firmest, per mille",
        "firmness over current and the demand curve",
    )


def step_of(result: Result, *, up: bool) -> str | None:
    """Draw the largest step of one way with its fit."""
    fit = result.up if up else result.down
    steps = [step for step in result.steps if step.up == up]
    if fit is None or not steps:
        return None
    step = max(steps, key=lambda one: abs(one.after_a - one.before_a))
    return _step(step, fit, result)


def _step(step: Step, fit: Fit, result: Result) -> str:
    time = 1e3 * step.time_s
    model = response.modelled(step, fit.delay_s, fit.time_s, result.models.signed)
    low, high = float(model.min()), float(model.max())
    scaled = low + (step.current_a - step.current_a.min()) / max(float(np.ptp(step.current_a)), 1e-9) * (
        high - low
    )
    return chart(
        [
            Line(time, step.force_n, colour=GRID, width=1.4, dots=True),
            Line(time, scaled, "current", COLOURS[1], "7 3"),
            Line(time, model, "force, fit", COLOURS[0]),
        ],
        f"ms from the current's first change, {1e3 * step.before_a:.0f} to {1e3 * step.after_a:.0f} mA",
        "force of the valve, N", "force and current over a step",
    )  # fmt: skip


def loop_of(result: Result) -> str | None:
    """Draw the loop of the fastest cycle near the middle current."""
    points = result.points
    middle = float(np.median(points.current_a))
    near = np.abs(points.current_a - middle) <= 0.03
    if not near.any():
        return None
    # The loop is wide where the motion is quick: force over speed of one full cycle.
    # The first half stroke of a recording still comes from rest.
    inside = near & (points.start > points.stop - points.start)
    best = max(
        np.flatnonzero(inside if inside.any() else near).tolist(),
        key=lambda i: _quickness(points, result.motions, i),
    )
    motion = result.motions[int(points.motion[best])]
    start = int(points.start[best])
    span = slice(start, min(start + 2 * (int(points.stop[best]) - start), len(motion.time_s)))
    speed = motion.speed_m_s[span]
    valve = motion.force_n[span] - result.rod.gas_at(motion.position_m[span]) - result.rod.friction_at(speed)
    order = np.argsort(speed)
    flat = result.models.signed(speed[order], np.full(len(order), middle))
    return chart(
        [
            Line(1e3 * speed[order], flat, "without lag", COLOURS[1], "7 3"),
            Line(1e3 * speed, valve, "measured", COLOURS[0]),
        ],
        "stroke speed, mm/s", "force of the valve, N", "one cycle of force over stroke speed",
    )  # fmt: skip


def _quickness(points: Points, motions: Sequence[Motion], i: int) -> float:
    motion = motions[int(points.motion[i])]
    return 1.0 / (motion.step_s * float(points.stop[i] - points.start[i]))


def rod_of(result: Result) -> str | None:
    """Draw the slow motion's force over position with gas and friction."""
    points = result.slow
    if not len(points.position_m):
        return None
    order = np.linspace(float(points.position_m.min()), float(points.position_m.max()), 60)
    gas = result.rod.gas_at(order)
    friction = result.rod.friction_n
    return chart(
        [
            Line(1e3 * points.position_m, points.force_n, colour=GRID, width=1.4, dots=True),
            Line(1e3 * order, gas, "gas", COLOURS[0]),
            Line(1e3 * order, gas + friction, "+ friction", COLOURS[1], "7 3"),
            Line(1e3 * order, gas - friction, "- friction", COLOURS[1], "2 3"),
        ],
        "position, mm", "force as read, N", "force over position in slow motion",
    )  # fmt: skip


def residuals_of(result: Result) -> str:
    """Draw what the surface leaves of each half stroke."""
    points = result.points
    seen = np.abs(
        result.models.signed(
            points.direction * points.speed_m_s, points.current_a + result.forces.hysteresis_a * points.side
        )
    )
    lines = [
        Line(
            1e3 * points.speed_m_s[mask],
            result.valve_n[mask] - seen[mask],
            colour=colour,
            width=1.6,
            dots=True,
        )
        for mask, colour in ((points.direction > 0.0, COLOURS[0]), (points.direction < 0.0, COLOURS[1]))
        if mask.any()
    ]
    return chart(lines, "stroke speed, mm/s", "half stroke less surface, N", "residuals over stroke speed")


def all_figures(result: Result) -> dict[str, tuple[str, str]]:
    """Return name: (title, SVG) of every figure that the data have."""
    made: dict[str, tuple[str, str | None]] = {
        "force_over_speed": ("Force over stroke speed; dots are half strokes", force_over_speed(result)),
        "firmness": (
            "Firmness over current; dots are the valve curve's points",
            firmness_over_current(result),
        ),
        "step_up": ("A rising current", step_of(result, up=True)),
        "step_down": ("A falling current", step_of(result, up=False)),
        "loop": ("The quickest cycle near the middle current", loop_of(result)),
        "rod": ("Slow motion: gas and friction", rod_of(result)),
        "residuals": ("What the surface leaves; blue compression, vermilion rebound", residuals_of(result)),
    }
    return {name: (title, svg) for name, (title, svg) in made.items() if svg is not None}
