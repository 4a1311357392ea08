"""The report of a valve: one HTML page without any other file, for the screen and for paper."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from dashpot.cautions import CAUTIONS
from dashpot.characterise.results import figures_of, force_table
from dashpot.htmlpage import SNUG, html_page, html_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence


def page(
    said: Mapping[str, Any], figures: Mapping[str, tuple[str, str]], inputs: Sequence[dict[str, str]]
) -> str:
    """Return the page.

    Args:
        said: from `results.summarise`.
        figures: name: (title, SVG).
        inputs: name and sha256 of each file.

    """
    title = f"Valve: {said['name']}"
    curve = said["valve_curve"]
    parts = [
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">Forces are the valve\'s alone, gas and friction apart. ± are {escape(said["bands"])}.</p>',
        *_doubts(said),
        "<h2>Figures</h2>",
        html_table(["figure", "value", "±", "unit"], figures_of(dict(said)), {1, 2}, style=SNUG),
        "<h2>Valve curve</h2>",
        (
            f'<p class="soft">Equal steps of demand are equal steps of force, evened over {escape(curve["evened_over"])}. With '
            f"current the valve gets {said['surface']['with_current']}.</p>"
        ),
        html_table(
            ["demand, per mille", "current, mA", "±"],
            [
                [str(demand), f"{current:.0f}", f"{band:.1f}"]
                for demand, current, band in zip(
                    curve["demand_permille"], curve["current_ma"], curve["band_ma"], strict=True
                )
            ],
            {0, 1, 2},
            style=SNUG,
        ),
        "<h2>Pictures</h2>",
        '<div class="pair">',
        *(
            f"<figure>{svg}<figcaption>{escape(caption)}</figcaption></figure>"
            for caption, svg in figures.values()
        ),
        "</div>",
    ]
    for way, name in enumerate(said["surface"]["ways"]):
        head, rows = force_table(dict(said), way)
        parts += [f"<h2>Forces in {name}, N</h2>", html_table(head, rows, range(len(head)), style=SNUG)]
    parts += [
        "<h2>Authority</h2>",
        '<p class="soft">Firmest over softest force at each stroke speed.</p>',
        _authority(said),
        "<h2>What it rests on</h2>",
        html_table(["file", "SHA-256"], [[one["name"], one["sha256"]] for one in inputs], style=SNUG),
        f"<p>{escape(', '.join(f'{count} {kind}' for kind, count in said['tests'].items()))}. Seed {said['seed']}.</p>",
        "<h2>Cautions</h2>",
        f"<pre>{escape(CAUTIONS)}</pre>",
    ]
    return html_page(title, parts)


def _doubts(said: Mapping[str, Any]) -> list[str]:
    lines = []
    if said["assumed"]:
        lines.append('<h2 class="bad">Assumed, not measured</h2><ul>')
        lines += [f"<li>{escape(text)}</li>" for text in said["assumed"]]
        lines.append("</ul>")
    if said["doubts"]:
        lines.append('<h2 class="bad">What these data cannot carry</h2><ul>')
        lines += [
            f"<li><code>{escape(doubt['code'])}</code> {escape(doubt['text'])}</li>"
            for doubt in said["doubts"]
        ]
        lines.append("</ul>")
    return lines


def _authority(said: Mapping[str, Any]) -> str:
    authority, speeds = said["authority"], said["surface"]["speed_mm_s"]
    rows = [
        [name, *(f"{ratio:.2f} ±{band:.2f}" for ratio, band in zip(ratios, bands, strict=True))]
        for name, ratios, bands in zip(
            said["surface"]["ways"], authority["ratio"], authority["band"], strict=True
        )
    ]
    return html_table(
        ["mm/s", *(f"{speed:.0f}" for speed in speeds)], rows, range(1, len(speeds) + 1), style=SNUG
    )
