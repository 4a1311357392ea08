"""The report of a study: tables for the terminal, and one HTML page without any other file."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from dashpot.cautions import CAUTIONS
from dashpot.evaluate.laws import LAWS
from dashpot.evaluate.pictures import Spot, trade_off
from dashpot.evaluate.statistics import pareto
from dashpot.evaluate.study import BEST, EQUAL, LADDER
from dashpot.evaluate.verdict import OVERALL, PICTURES, TYRE
from dashpot.htmlpage import html_page, html_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: Columns of the terminal's tables; the page has all.
SHORT = ("body_speed_mm_s", "tyre_variation_percent", "comfort_m_s2", "roll_rate_deg_s", "pitch_rate_deg_s")
LIMITS = (
    "The car, its road and its driver are made, not measured; a real car is another one.",
    "The driver does not feel the dampers: every candidate drives the same speeds, so nothing here is a lap time.",
    "Usable grip takes a friction that does not depend on load, and no tyre that needs a way to answer.",
    "Intervals are over seeds of road, driver and noise alone: of one car, one valve, one temperature.",
    "Many comparisons at 95 % have some that are off by chance: look for what several scenarios say alike.",
    "The laws know the plant's true motion, which no firmware does: they are what a layer could reach at most.",
)


def kind_of(name: str) -> str:
    """Return the kind of a candidate for the pictures."""
    if name == BEST:
        return "best"
    if name == EQUAL or name in LADDER.values():
        return "passive"
    return "law" if name.removesuffix(", best") in LAWS else "calibration"


def picture(said: Mapping[str, Any], scenario: str | None, metric: str) -> str:
    """Return the trade-off of a scenario, or of all with None: changes of tyre load variation and of another metric."""
    places: dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = {}
    table = said["overall"] if scenario is None else said["scenarios"][scenario]
    for name, cells in table.items():
        x, y = (cells.get(which) for which in (TYRE, metric))
        if scenario is not None:
            x, y = ((cell or {}).get("change_percent") for cell in (x, y))
        if x is not None and y is not None:
            places[name] = x, y
    front = {list(places)[place] for place in pareto([(x["mean"], y["mean"]) for x, y in places.values()])}
    spots = [
        Spot(name, kind_of(name), x["mean"], y["mean"], x["half"] or 0.0, y["half"] or 0.0, name in front)
        for name, (x, y) in places.items()
    ]
    if not spots:
        return "<svg/>"
    labels = [f"change of {said['metrics'][which]['label']}, %" for which in (TYRE, metric)]
    where = "all scenarios" if scenario is None else scenario
    return trade_off(
        spots, [name for name in LADDER.values() if name in places], labels[0], labels[1],
        f"{labels[1]} over {labels[0]} against the {BEST}, each candidate on {where}",
    )  # fmt: skip


def change(cell: Mapping[str, Any] | None) -> str:
    """Return a change as "-3.1 ± 0.8", with a star where its interval lies on one side of 0."""
    if cell is None:
        return "-"
    mean = f"{cell['mean']:+.1f}".replace("-", "−")
    half = "" if cell["half"] is None else f" ± {cell['half']:.1f}"
    return f"{mean}{half}{'*' if cell['sure'] else ''}"


def amount(cell: Mapping[str, Any] | None) -> str:
    """Return a value with as many digits as are of use."""
    if cell is None:
        return "-"
    mean = cell["mean"]
    if mean == 0.0 and not cell["half"]:
        return "0"
    digits = 0 if abs(mean) >= 100 else 1 if abs(mean) >= 10 else 2 if abs(mean) >= 1 else 3
    half = "" if cell["half"] is None else f" ± {cell['half']:.{digits}f}"
    return f"{mean:.{digits}f}{half}"


def show(said: Mapping[str, Any]) -> None:
    """Print the tables for people."""
    from dashpot import console

    metrics = said["metrics"]
    head = ["candidate", *(f"{metrics[name]['label']}, %" for name in SHORT)]
    console.table(
        f"Change against the {BEST}, mean over {_counted(said)}; * where the 95 % interval leaves out 0",
        head,
        [[name, *(change(cells.get(metric)) for metric in SHORT)] for name, cells in said["overall"].items()],
    )
    scenario = said["verdict"]["scenario"]
    head = ["candidate", *(_with_unit(metrics[name]) for name in SHORT), "stop hits"]
    console.table(
        f"{scenario}, mean of {len(said['seeds'])} seeds",
        head,
        [
            [name, *(amount(cells.get(metric)) for metric in (*SHORT, "stop_hits"))]
            for name, cells in said["scenarios"][scenario].items()
        ],
    )


def page(said: Mapping[str, Any]) -> str:
    """Return the page."""
    verdict, metrics = said["verdict"], said["metrics"]
    title = "Which setting of the dampers?"
    mark = ("good", "&#10003;") if verdict["beats"] else ("bad", "&#10007;")
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">{escape(_about(said))}</p>',
        f'<div class="verdict {mark[0]}">{mark[1]} {escape(verdict["sentence"])}</div>',
        *(f'<p class="bad">{escape(text)}</p>' for text in doubts(said)),
        f"<h2>Against the {BEST}, over all scenarios</h2>",
        (
            '<p class="soft">Change in percent, mean over the scenarios that have the figure, ± its 95 % interval over the '
            "seeds; * where that leaves out 0. Less is better.</p>"
        ),
        _table(
            ["candidate", *(metrics[name]["label"] for name in OVERALL)],
            [
                [name, *(change(cells.get(metric)) for metric in OVERALL)]
                for name, cells in said["overall"].items()
            ],
        ),
        "<h2>The trade-off</h2>",
        (
            f'<p class="soft">Lower left is better; 0 is the {BEST}. Circles are passive settings from soft to firm; filled '
            "marks are those that no other one beats in both. Bars are 95 % intervals of the change, seed by seed.</p>"
        ),
    ]
    for scenario in (None, *said["scenarios"]) if len(said["scenarios"]) > 1 else tuple(said["scenarios"]):
        figures = "".join(
            f"<figure>{picture(said, scenario, metric)}<figcaption>{escape(scenario or 'All scenarios')}: "
            f"{escape(metrics[metric]['label'])}</figcaption></figure>"
            for metric in PICTURES
        )
        parts.append(f'<div class="pair">{figures}</div>')
    parts += _scenarios(said)
    parts += [
        "<h2>How the candidates came about</h2>",
        f"<p>{escape(_objective(said))}</p>",
        _table(
            ["candidate", "currents front and rear, mA", "shares from soft to firm", "objective", "tried"],
            [_origin(one) for one in said["candidates"]],
        ),
        "<h2>What each figure means</h2>",
        _table(
            ["figure", "unit", "meaning"],
            [
                [
                    one["label"],
                    one["unit"],
                    one["meaning"] + ("; more is better" if one["higher_is_better"] else ""),
                ]
                for one in metrics.values()
            ],
        ),
        "<h2>What this does not show</h2><ul>",
        *(f"<li>{escape(text)}</li>" for text in LIMITS),
        "</ul><h2>What it rests on</h2>",
        _table(["input", "file", "SHA-256"], _inputs(said["inputs"])),
        f"<p>{escape(', '.join(f'{name} {value}' for name, value in said['versions'].items()))}.</p>",
        f"<h2>Cautions</h2><pre>{escape(CAUTIONS)}</pre>",
    ]
    return html_page(title, parts)


def doubts(said: Mapping[str, Any]) -> list[str]:
    """Return what makes the figures doubtful: a controller that was not whole."""
    told = []
    for scenario, table in said["scenarios"].items():
        for name, cells in table.items():
            active = cells.get("active_percent")
            if active is not None and active["mean"] < 100.0:
                told.append(
                    f"On {scenario} the {name} was in its active mode {active['mean']:.1f} % of the time only; "
                    "the rest was held or reduced."
                )
    return told


def _about(said: Mapping[str, Any]) -> str:
    return (
        f"{len(said['candidates'])} candidates on {_counted(said)}, {len(said['seeds'])} seeds each. "
        "Simulated; the firmware is the real one."
    )


def _objective(said: Mapping[str, Any]) -> str:
    one = said["objective"]
    return (
        f"The {BEST}, and the best range of a law, has the least mean of {one['body_speed']:g} x body speed + "
        f"{one['tyre_load_variation']:g} x tyre load variation + {one['weighted_acceleration']:g} x weighted acceleration, "
        f"each over that of {LADDER[0.5]}, on the first {one['training_s']:g} s of all scenarios with seed "
        f"{', '.join(map(str, one['training_seeds']))}, which is not judged. Differential evolution, bounded and seeded."
    )


def _origin(one: Mapping[str, Any]) -> list[str]:
    currents = "; ".join(
        f"{name} {one[name][0]}, {one[name][1]}" for name in ("held", "soft", "firm") if name in one
    )
    shares = ", ".join(f"{share:g}" for share in one.get("shares", ()))
    what = currents or "the firmware makes them"
    return [one["name"], what, shares, str(one.get("objective", "")), str(one.get("tried", ""))]


def _scenarios(said: Mapping[str, Any]) -> list[str]:
    parts = ["<h2>Each scenario</h2>"]
    parts.append(
        '<p class="soft">Mean ± 95 % interval over the seeds; below it the change against the '
        f"{BEST} in percent, seed by seed, * where its interval leaves out 0.</p>"
    )
    for scenario, table in said["scenarios"].items():
        names = list(table)
        rows = []
        for metric, about in said["metrics"].items():
            if not any(metric in cells for cells in table.values()):
                continue
            cells = []
            for name in names:
                cell = table[name].get(metric)
                own = escape(amount(cell))
                if cell is not None and "change_percent" in cell and name != BEST:
                    own += f'<br><span class="soft">{escape(change(cell["change_percent"]))}</span>'
                cells.append(own)
            rows.append([escape(_with_unit(about)), *cells])
        parts += [f"<h3>{escape(scenario)}</h3>", _table(["figure", *names], rows, raw=True)]
    return parts


def _with_unit(metric: Mapping[str, Any]) -> str:
    return f"{metric['label']}, {metric['unit']}" if metric["unit"] else str(metric["label"])


def _inputs(inputs: Mapping[str, Any]) -> list[list[str]]:
    return [
        [role, one.get("name", ""), one["sha256"]]
        for role, entry in inputs.items()
        for one in (entry if isinstance(entry, list) else [entry])
    ]


def _counted(said: Mapping[str, Any]) -> str:
    count = len(said["scenarios"])
    return f"{count} scenario{'s' if count != 1 else ''}"


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], *, raw: bool = False) -> str:
    """Return a table; the first column is text, the others stand to the right; `raw` cells are HTML already."""
    names = [escape(name) for name in head] if raw else head
    return html_table(names, rows, range(1, len(head)), raw=raw)
