"""The report of a valve: one HTML page without any other file, for the screen and for paper."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING, Any

from dashpot.cautions import CAUTIONS
from dashpot.characterise.results import figures_of, force_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

STYLE = """
:root{--ink:#1d2328;--soft:#5b6670;--line:#cfd5da;--good:#0b5f94;--bad:#b3450a;--wash:#f4f6f7}
*{box-sizing:border-box;print-color-adjust:exact}
body{margin:0;color:var(--ink);background:var(--wash);font:15px/1.45 "DejaVu Sans",Verdana,system-ui,sans-serif}
main{max-width:1240px;margin:0 auto;padding:28px 36px 60px;background:#fff}
h1{font-size:27px;margin:0 0 4px}
h2{font-size:18px;margin:38px 0 8px;padding-top:12px;border-top:2px solid var(--ink)}
p,li{max-width:86ch}
.soft{color:var(--soft)}.bad{color:var(--bad)}
.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:13px;margin:8px 0}
th{text-align:left;font-weight:600;border-bottom:1.5px solid var(--ink);padding:4px 14px 4px 0}
td{border-bottom:1px solid var(--line);padding:4px 14px 4px 0}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums;white-space:nowrap}
.pair{display:grid;grid-template-columns:repeat(2,minmax(0,1fr));gap:8px 28px}
.pair svg{width:100%;height:auto}
figure{margin:8px 0}figcaption{font-size:12.5px;color:var(--soft)}
pre{white-space:pre-wrap;font-size:13px;background:var(--wash);padding:10px 14px;border-left:4px solid var(--bad)}
code{font-family:"DejaVu Sans Mono",monospace;font-size:12px;overflow-wrap:anywhere}
@media(max-width:800px){main{padding:16px}.pair{grid-template-columns:1fr}}
@media print{@page{size:A4;margin:14mm 12mm}body{background:#fff;font-size:11px}main{max-width:none;padding:0}
 table{font-size:9.5px}h2{break-after:avoid}tr,figure,pre{break-inside:avoid}.wide{overflow:visible}}
"""


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
        "<!DOCTYPE html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        f"<style>{STYLE}</style></head><body><main>",
        f"<h1>{escape(title)}</h1>",
        f'<p class="soft">Forces are the valve\'s alone, gas and friction apart. ± are {escape(said["bands"])}.</p>',
        *_doubts(said),
        "<h2>Figures</h2>",
        _table(["figure", "value", "±", "unit"], figures_of(dict(said)), {1, 2}),
        "<h2>Valve curve</h2>",
        (
            f'<p class="soft">Equal steps of demand are equal steps of force, evened over {escape(curve["evened_over"])}. With '
            f"current the valve gets {said['surface']['with_current']}.</p>"
        ),
        _table(
            ["demand, per mille", "current, mA", "±"],
            [
                [str(demand), f"{current:.0f}", f"{band:.1f}"]
                for demand, current, band in zip(
                    curve["demand_permille"], curve["current_ma"], curve["band_ma"], strict=True
                )
            ],
            {0, 1, 2},
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
        parts += [f"<h2>Forces in {name}, N</h2>", _table(head, rows, set(range(len(head))))]
    parts += [
        "<h2>Authority</h2>",
        '<p class="soft">Firmest over softest force at each stroke speed.</p>',
        _authority(said),
        "<h2>What it rests on</h2>",
        _table(["file", "SHA-256"], [[one["name"], one["sha256"]] for one in inputs], set()),
        f"<p>{escape(', '.join(f'{count} {kind}' for kind, count in said['tests'].items()))}. Seed {said['seed']}.</p>",
        "<h2>Cautions</h2>",
        f"<pre>{escape(CAUTIONS)}</pre>",
        "</main></body></html>",
    ]
    return "\n".join(parts) + "\n"


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
    return _table(["mm/s", *(f"{speed:.0f}" for speed in speeds)], rows, set(range(1, len(speeds) + 1)))


def _table(head: Sequence[str], rows: Iterable[Sequence[str]], numbers: set[int]) -> str:
    def cell(tag: str, index: int, text: str) -> str:
        return f"<{tag}{' class=n' if index in numbers else ''}>{escape(text)}</{tag}>"

    lines = [
        '<div class="wide"><table><thead><tr>',
        *(cell("th", i, text) for i, text in enumerate(head)),
        "</tr></thead><tbody>",
    ]
    lines += [f"<tr>{''.join(cell('td', i, text) for i, text in enumerate(row))}</tr>" for row in rows]
    lines.append("</tbody></table></div>")
    return "".join(lines)
