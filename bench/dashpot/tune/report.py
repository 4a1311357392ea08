"""What came of a search, for people: on the terminal and as one HTML page without any other file."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from dashpot.evaluate.figures import METRICS
from dashpot.htmlpage import html_page, html_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

PARTS = {"training": "Training roads", "held_out": "Held-out roads"}
SIZE = (960, 300)
MARGIN = (64, 20, 14, 40)  # left, right, top, bottom
COLUMNS = ("road", "metric", "start", "result", "change", "95 %", "seeds")
MOVED = ("number", "change", "worth", "from", "to", "")
#: More changed cells than this are not listed on the terminal.
SHOWN_CHANGES = 20
#: Columns of numbers.
NUMBERS = ("start", "result", "change", "95 %", "seeds", "worth", "from", "to")
NOTES = (
    "The objective is a weighted mean of figures over the start's with the same road and seed; 1 is the start, less is better.",
    "Start and result drive the same roads, drivers and noise: differences are taken seed by seed, intervals are Student's.",
    "Each row has its own interval; with many rows some leave 0 by chance. The verdict rests on the objective alone.",
    "Worth: by how much the objective of the training grows when this number alone goes back to the start.",
    "The training's gain is too good by nature, since the search chose it. Held-out roads say what stays.",
    "The car, its tyres and its roads are simulated.",
)


def _number(value: float) -> str:
    return f"{value:.4g}"


def rows_of(part: Mapping[str, Any], asked: Sequence[str] | None = None) -> list[tuple[str, ...]]:
    """Return the rows of a table of metrics, those of `asked` or all."""
    rows: list[tuple[str, ...]] = []
    for one in part["metrics"]:
        if asked is not None and one["metric"] not in asked:
            continue
        change, unit = one["change"], one["unit"]
        ends = "" if change["low"] is None else f"{change['low']:+.3g} to {change['high']:+.3g}"
        better = " (higher is better)" if one["higher_is_better"] else ""
        rows.append(
            (
                one["road"],
                f"{one['label']}{', ' + unit if unit else ''}{better}",
                _number(one["start"]),
                _number(one["result"]),
                f"{change['mean']:+.3g}",
                ends,
                str(one["seeds"]),
            )
        )
    return rows


def objective_line(said: Mapping[str, Any], part: str) -> str:
    """Return the objective of a part in words."""
    one = said[part]
    change = one["change"]
    ends = (
        ""
        if change is None or change["low"] is None
        else f", change {100 * change['mean']:+.2f} % (95 %: {100 * change['low']:+.2f} to {100 * change['high']:+.2f} %)"
    )
    broken = "; broken: " + ", ".join(one["broken"]) if one["broken"] else "; constraints hold"
    return f"{PARTS[part]}: objective {one['objective']:.4f} of the start's{ends}{broken}."


def about(said: Mapping[str, Any]) -> str:
    """Return what was searched in words."""
    return (
        f"{said['evaluations']} calibrations of a budget of {said['budget']}, seed {said['seed']}; {said['refused']} refused "
        f"by the check, {said['broke_constraints']} broke constraints; {said['taken_back']} more to take back what is not needed."
    )


def show(said: Mapping[str, Any], out: object) -> None:
    """Print the result."""
    import click

    from dashpot import console

    click.echo(f"{said['tune']}: {about(said)}")
    for part, name in PARTS.items():
        console.table(name, COLUMNS, rows_of(said[part], said["asked"]))
        click.echo(objective_line(said, part))
    console.table("Numbers that moved", MOVED, [row for row in moved_rows(said) if row[2]])
    if 0 < len(said["changes"]) <= SHOWN_CHANGES:
        console.table("Changes", ("key", "at", "start", "result"), _change_rows(said))
    elif said["changes"]:
        click.echo(
            f"{len(said['changes'])} cells changed; `dashpot calibration diff` and the report list them."
        )
    click.echo(said["verdict"]["says"])
    click.echo(f"{out}: calibration.toml, report.html, result.json")


def moved_rows(said: Mapping[str, Any]) -> list[tuple[str, ...]]:
    """Return a row for each number that the search turned; worth is empty where it is back at the start."""
    return [
        (
            one["name"],
            one["change"],
            "" if one["worth"] is None else f"{100 * one['worth']:.2f} %",
            one["from"],
            one["to"],
            "at its bound" if one["at_bound"] else "",
        )
        for one in said["moved"]
    ]


def _change_rows(said: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [(one["key"], one["place"], one["before"] or "-", one["after"] or "-") for one in said["changes"]]


def page(said: Mapping[str, Any]) -> str:
    """Return the report as one HTML page."""
    title = f"Tuning: {said['tune']}"
    good = said["verdict"]["improved"]
    mark, style = ("&#10003;", "good") if good else ("&#10007;", "bad")
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<div class="verdict {style}">{mark} {escape(said["verdict"]["says"])}</div>',
        f"<p>{escape(said['notes'])}</p>" if said["notes"] else "",
        f'<p class="soft">From {escape(said["calibration"])}. {escape(about(said))}</p>',
    ]
    parts += ["<h2>What was asked</h2>", _table(("metric", "asked"), asked_rows(said))]
    for part, name in PARTS.items():
        parts += [
            f"<h2>{name}</h2>",
            f"<p>{escape(objective_line(said, part))}</p>",
            _table(COLUMNS, rows_of(said[part], said["asked"])),
        ]
    parts += [
        "<h2>How the search went</h2>",
        picture(said["convergence"]),
        "<h2>What changed</h2>",
        _table(("key", "at", "start", "result"), _change_rows(said))
        if said["changes"]
        else "<p>Nothing.</p>",
        _table(MOVED, moved_rows(said)),
    ]
    for part, name in PARTS.items():
        parts += [f"<h2>All figures: {name.lower()}</h2>", _table(COLUMNS, rows_of(said[part]))]
    parts += [
        "<h2>How to read this</h2>",
        "<ul>",
        *(f"<li>{escape(line)}</li>" for line in NOTES),
        *(f"<li>Doubt about the start: {escape(line)}</li>" for line in said["doubts"]),
        "</ul>",
    ]
    return html_page(title, parts)


def _table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    return html_table(head, rows, [at for at, name in enumerate(head) if name in NUMBERS])


def asked_rows(said: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return objective and constraints in words."""
    rows = [
        (METRICS[name].label, f"objective, weight {weight:.3g}") for name, weight in said["objective"].items()
    ]
    for bound in said["inputs"]["constraints"]:
        metric = METRICS[bound["metric"]]
        words = []
        if bound["ratio"] is not None:
            where = "on each road" if bound["in_each"] else "in the mean"
            words.append(f"no worse by more than {100 * (bound['ratio'] - 1):.3g} % {where}")
        if bound["no_worse"]:
            words.append("no worse at all, summed")
        if bound["end"] is not None:
            words.append(f"at {'least' if metric.higher else 'most'} {bound['end']:g} {metric.unit}".rstrip())
        rows.append((metric.label, "; ".join(words)))
    return rows


def picture(steps: Sequence[Mapping[str, Any]]) -> str:
    """Draw each evaluation's objective and the best so far as SVG.

    Args:
        steps: in order; objective and violation, None where the file was refused.

    """
    values = [one["objective"] for one in steps if one["objective"] is not None]
    # A few very bad points would press the rest into a line.
    low, high = min(values), min(max(values), 2.0 * sorted(values)[len(values) // 2] - min(values))
    low, high = min(low, 1.0), max(high, 1.0, low + 1e-6)
    low, high = low - 0.08 * (high - low), high + 0.08 * (high - low)
    left, right, top, bottom = MARGIN
    width, height = SIZE[0] - left - right, SIZE[1] - top - bottom

    def x(n: int) -> float:
        return left + width * n / max(1, len(steps) - 1)

    def y(value: float) -> float:
        return float(top + height * (high - min(value, high)) / (high - low))

    lines = [
        f'<figure><svg viewBox="0 0 {SIZE[0]} {SIZE[1]}" width="100%" role="img" aria-label="objective of each evaluation">'
    ]
    for k in range(5):
        value = low + (high - low) * k / 4
        lines.append(
            f'<path d="M{left} {y(value):.1f}H{SIZE[0] - right}" stroke="#cfd5da"/>'
            f'<text x="{left - 8}" y="{y(value) + 4:.1f}" text-anchor="end">{value:.4f}</text>'
        )
    lines.append(
        f'<path d="M{left} {y(1.0):.1f}H{SIZE[0] - right}" stroke="#1d2328" stroke-dasharray="5 4"/>'
    )
    found: float | None = None
    way: list[str] = []
    for n, one in enumerate(steps):
        value, broken = one["objective"], one["violation"]
        if value is None:
            lines.append(f'<path d="M{x(n) - 3:.1f} {top}h6" stroke="#b3450a" stroke-width="2"/>')
            continue
        if broken:
            d = f"M{x(n) - 3:.1f} {y(value) - 3:.1f}l6 6m0 -6l-6 6"
            lines.append(f'<path d="{d}" stroke="#b3450a" fill="none"/>')
            continue
        lines.append(f'<circle cx="{x(n):.1f}" cy="{y(value):.1f}" r="2.6" fill="#0b5f94"/>')
        if found is None or value < found:
            way.append(
                f"{'M' if found is None else 'H'}{x(n):.1f}{' ' if found is None else 'V'}{y(value):.1f}"
            )
            found = value
    if way:
        way.append(f"H{x(len(steps) - 1):.1f}")
        lines.append(f'<path d="{"".join(way)}" stroke="#0b5f94" stroke-width="2" fill="none"/>')
    base = SIZE[1] - bottom
    marks = sorted({0, (len(steps) - 1) // 2, len(steps) - 1})
    lines += [f'<text x="{x(n):.1f}" y="{base + 18}" text-anchor="middle">{n}</text>' for n in marks]
    lines.append(
        f'<text x="{left + width / 2:.1f}" y="{base + 34}" text-anchor="middle">evaluation</text></svg>'
    )
    lines.append(
        "<figcaption>Objective of each evaluation; the start is 0 and has 1 (dashed). Dots keep the constraints, crosses "
        "break them, marks at the top were refused by the check or lie higher. The line is the best that keeps them.</figcaption></figure>"
    )
    return "".join(lines)
