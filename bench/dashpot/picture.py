"""A picture of a run: what one corner felt, what each layer added, what current came of it.

The colours are those of Okabe and Ito's palette for all kinds of colour vision (Color Universal Design, 2008 [M]); no
meaning rests on colour alone, since every band carries its name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from dashpot.errors import InputError
from dashpot.files import atomic_path

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from dashpot.runs import Run

    Values = NDArray[np.float64]

#: Colour of each layer; neighbours in the stack differ in lightness too.
COLOURS = {
    "base": "#c8c8c8",
    "body_load": "#0072b2",
    "brake_lead": "#e69f00",
    "steer_lead": "#cc79a7",
    "stroke_speed": "#009e73",
    "road_speed": "#56b4e9",
    "grip": "#8c510a",
    "stroke_end": "#d55e00",
    "clamp": "#444444",
}
INK = "#222222"
#: A layer that never adds or takes this much in the window is named below the picture and not drawn.
LEAST_SHARE_PERMILLE = 6
#: Points a curve is drawn with; more are not seen.
MOST_POINTS = 1000
SIZE_INCH = (11.0, 9.5)


@dataclass(frozen=True, slots=True)
class Mark:
    """A stretch of time worth naming, seconds from the first tick."""

    start_s: float
    end_s: float
    text: str


def draw(
    run: Run, path: Path, *, corner: str, start_s: float, end_s: float, title: str, marks: Sequence[Mark] = ()
) -> None:
    """Draw a part of a run for one corner as SVG or PNG, by the suffix of `path`.

    The same run gives the same bytes with the same matplotlib.

    Args:
        run: the stored run.
        path: the picture to write.
        corner: "front_left" and so on.
        start_s: where the part begins, seconds from the first tick on the log's clock.
        end_s: where it ends.
        title: first line above the picture.
        marks: stretches to shade and name.

    Raises:
        InputError: the run has no such corner, or no ticks in that time, or the suffix is another one.

    """
    if corner not in run.layout.corners:
        raise InputError(f"there is no corner {corner!r}; there are {', '.join(run.layout.corners)}")
    if path.suffix not in (".svg", ".png"):
        raise InputError("is no picture that can be drawn; end its name in .svg or .png", where=path)
    at_s = run.log_s
    inside = np.flatnonzero((at_s >= start_s) & (at_s <= end_s))
    if len(inside) < 2:
        raise InputError(f"has no ticks between {start_s:g} s and {end_s:g} s", where=run.path)
    rows = inside[:: max(1, len(inside) // MOST_POINTS)]

    import matplotlib as mpl
    from matplotlib.figure import Figure

    # No pyplot: it would look for a display and keep the figure alive.
    style: dict[Any, Any] = {
        "svg.hashsalt": "dashpot", "font.family": "DejaVu Sans", "font.size": 9.5, "axes.edgecolor": "#888888",
        "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK,
        "axes.spines.top": False, "axes.spines.right": False, "axes.linewidth": 0.8,
    }  # fmt: skip
    with mpl.rc_context(style):
        figure = Figure(figsize=SIZE_INCH)
        panels = figure.subplots(
            4, 1, sharex=True, gridspec_kw={"height_ratios": [1.25, 0.9, 2.7, 1.25], "hspace": 0.16}
        )
        figure.subplots_adjust(left=0.085, right=0.865, top=0.9, bottom=0.085)
        time_s = at_s[rows]
        _inputs(panels[0], time_s, run, rows)
        _stroke(panels[1], time_s, run, rows, corner)
        absent = _layers(panels[2], time_s, run, rows, corner)
        _current(panels[3], time_s, run, rows, corner)
        for panel in panels:
            panel.grid(axis="x", color="#dddddd", linewidth=0.6)
            panel.set_axisbelow(True)
            for mark in marks:
                panel.axvspan(mark.start_s, mark.end_s, color="#fbf7c4", linewidth=0, zorder=0)
        for mark in marks:
            panels[0].annotate(
                mark.text, ((mark.start_s + mark.end_s) / 2, 1.0), xycoords=("data", "axes fraction"),
                xytext=(0, 3), textcoords="offset points", ha="center", va="bottom", fontsize=9,
            )  # fmt: skip
        panels[-1].set_xlim(time_s[0], time_s[-1])
        panels[-1].set_xlabel("time from the start of the log, s")
        figure.align_ylabels(panels)
        name = corner.replace("_", "-")
        figure.text(0.085, 0.962, title, fontsize=13, fontweight="bold", ha="left")
        figure.text(
            0.085, 0.937, f"{name} damper: what it felt, what each layer added to its firmness demand, its current",
            fontsize=10, ha="left",
        )  # fmt: skip
        if absent:
            figure.text(
                0.085, 0.02, f"No share worth drawing here: {', '.join(absent)}.", fontsize=8.5, ha="left"
            )
        with atomic_path(path) as aside:
            # Neither date nor version: the same run shall give the same bytes.
            metadata = (
                {"Date": None, "Creator": "dashpot"} if path.suffix == ".svg" else {"Software": "dashpot"}
            )
            figure.savefig(aside, dpi=130, metadata=metadata)


def _name(text: str) -> str:
    return text.replace("_", " ")


def apart(levels: Sequence[float], gap: float, low: float, high: float = math.inf) -> list[float]:
    """Move rising levels apart, so that names at them do not meet, and keep them within bounds."""
    made = list(levels)
    for _ in range(200):
        for i in range(1, len(made)):
            lack = gap - (made[i] - made[i - 1])
            if lack > 1e-9 * gap:
                made[i - 1] -= lack / 2.0
                made[i] += lack / 2.0
        made = [min(max(level, low), high) for level in made]
    return made


def _end_labels(panel: Any, time_s: Values, curves: Sequence[tuple[str, Values, str]]) -> None:
    """Write each curve's name at its right end, moved apart where they would meet."""
    low, high = panel.get_ylim()
    height_pt = panel.get_position().height * SIZE_INCH[1] * 72
    gap = 12.5 * (high - low) / height_pt
    ordered = sorted(curves, key=lambda curve: float(curve[1][-1]))
    places = apart([float(curve[1][-1]) for curve in ordered], gap, low, high)
    for (text, values, colour), place in zip(ordered, places, strict=True):
        panel.annotate(
            text, (time_s[-1], float(values[-1])), xytext=(1.012, (place - low) / (high - low)),
            textcoords="axes fraction", va="center", color=colour, fontsize=9, annotation_clip=False,
            arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip


def _inputs(panel: Any, time_s: Values, run: Run, rows: NDArray[np.intp]) -> None:
    """Draw accelerations in g, and the brake pressure in units that share the axis."""
    curves = [
        ("lateral, g (+ left)", run["channel.lateral_mg"][rows] / 1000, "#0072b2", "-"),
        ("longitudinal, g", run["channel.longitudinal_mg"][rows] / 1000, "#b35900", "--"),
        ("brake, 100 bar", run["channel.brake_kpa"][rows] / 10_000, "#222222", "-."),
    ]
    for _, values, colour, dash in curves:
        panel.plot(time_s, values, color=colour, linestyle=dash, linewidth=1.3)
    panel.axhline(0, color="#888888", linewidth=0.6)
    panel.set_ylabel("g, and\n100 bar")
    panel.margins(y=0.12)
    _end_labels(panel, time_s, [(text, values, colour) for text, values, colour, _ in curves])


def _stroke(panel: Any, time_s: Values, run: Run, rows: NDArray[np.intp], corner: str) -> None:
    stroke_mm = run[f"channel.stroke_um.{corner}"][rows] / 1000
    panel.plot(time_s, stroke_mm, color=INK, linewidth=1.1)
    panel.axhline(0, color="#888888", linewidth=0.6)
    panel.set_ylabel("stroke, mm\n(+ compressed)")
    panel.margins(y=0.12)


def _layers(panel: Any, time_s: Values, run: Run, rows: NDArray[np.intp], corner: str) -> list[str]:
    """Stack what adds above zero and what takes below it; return the layers that are not drawn."""
    above, below = np.zeros(len(time_s)), np.zeros(len(time_s))
    bands: list[_Band] = []
    absent = []
    for layer in run.layout.layers:
        share = run[f"layer_permille.{layer}.{corner}"][rows].astype(np.float64)
        if np.abs(share).max() < LEAST_SHARE_PERMILLE:
            absent.append(_name(layer))
            continue
        colour = COLOURS.get(layer, "#999999")
        adds, takes = np.maximum(share, 0), np.minimum(share, 0)
        for base, part in ((above, adds), (below, takes)):
            if part.any():
                panel.fill_between(time_s, base, base + part, color=colour, linewidth=0)
                bands.append(_Band(_name(layer), base.copy(), part, colour))
        above, below = above + adds, below + takes
    demand = run[f"demand_permille.{corner}"][rows].astype(np.float64)
    panel.plot(time_s, demand, color=INK, linewidth=1.2)
    panel.axhline(0, color=INK, linewidth=0.8)
    panel.set_ylabel("firmness demand, per mille\n(layers stacked, line: their sum)")
    panel.set_ylim(min(-40.0, float(below.min()) * 1.1), float(above.max()) * 1.06)
    _name_bands(panel, time_s, bands)
    _key(panel, bands)
    return absent


class _Band(NamedTuple):
    """One layer's share: `part` above or below `base`, per mille."""

    name: str
    base: Values
    part: Values
    colour: str


def _name_bands(panel: Any, time_s: Values, bands: Sequence[_Band]) -> None:
    """Write each name into its band where the band is thick for long enough to hold it."""
    from matplotlib.patheffects import withStroke

    low, high = panel.get_ylim()
    box = panel.get_position()
    per_pt = (high - low) / (box.height * SIZE_INCH[1] * 72)
    points_per_pt = len(time_s) / (box.width * SIZE_INCH[0] * 72)
    for band in bands:
        width = max(3, round(len(band.name) * 5.6 * points_per_pt))
        if width >= len(time_s):
            continue
        windows = np.lib.stride_tricks.sliding_window_view
        lows, highs = (
            np.minimum(band.base, band.base + band.part),
            np.maximum(band.base, band.base + band.part),
        )
        # The room for a level line of text: between the highest lower edge and the lowest upper edge.
        floor, ceiling = windows(lows, width).max(axis=1), windows(highs, width).min(axis=1)
        room = ceiling - floor
        if room.max() < 12 * per_pt:
            continue
        # Of the places that are nearly as good as the best, the one nearest to the middle.
        good = np.flatnonzero(room > 0.95 * room.max())
        best = int(good[np.argmin(np.abs(good - len(room) // 2))])
        panel.text(
            time_s[best + width // 2], (floor[best] + ceiling[best]) / 2, band.name, ha="center", va="center",
            fontsize=9, color=INK if _is_light(band.colour) else "white", zorder=4,
            path_effects=[withStroke(linewidth=3, foreground=band.colour)],
        )  # fmt: skip


def _key(panel: Any, bands: Sequence[_Band]) -> None:
    """List the drawn layers beside the panel, in the order of the stack."""
    drawn = {band.name: band.colour for band in bands}
    panel.text(
        1.012, 0.97, "demand, the sum", transform=panel.transAxes, va="center", fontsize=9, fontweight="bold"
    )
    for i, (name, colour) in enumerate(reversed(drawn.items())):
        y = 0.87 - 0.1 * i
        panel.text(1.012, y, "\u25a0", transform=panel.transAxes, va="center", fontsize=13, color=colour)
        panel.text(1.036, y, name, transform=panel.transAxes, va="center", fontsize=9)


def _is_light(colour: str) -> bool:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return 0.299 * red + 0.587 * green + 0.114 * blue > 140


def _current(panel: Any, time_s: Values, run: Run, rows: NDArray[np.intp], corner: str) -> None:
    target = run[f"target_ma.{corner}"][rows].astype(np.float64)
    current = run[f"current_ma.{corner}"][rows].astype(np.float64)
    panel.plot(time_s, target, color="#999999", linewidth=1.0, linestyle="--")
    panel.plot(time_s, current, color="#d55e00", linewidth=1.6)
    panel.set_ylabel("current, mA")
    panel.margins(y=0.15)
    _end_labels(panel, time_s, [("current", current, "#d55e00"), ("target", target, "#777777")])
