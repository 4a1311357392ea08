"""What the HTML reports share: one page without any other file, for the screen and for paper, and its tables.

Blue with a tick is good, vermilion with a cross is bad: told apart by every eye, and in black and white by the mark.
"""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence

#: Of a table that is as wide as its cells, not as the page.
SNUG = "snug"

STYLE = """
:root{--ink:#1d2328;--soft:#5b6670;--line:#cfd5da;--good:#0b5f94;--bad:#b3450a;--paper:#fff;--wash:#f4f6f7}
*{box-sizing:border-box;print-color-adjust:exact}
body{margin:0;color:var(--ink);background:var(--wash);font:15px/1.45 "DejaVu Sans",Verdana,system-ui,sans-serif}
main{max-width:1280px;margin:0 auto;padding:28px 36px 60px;background:var(--paper)}
h1{font-size:27px;margin:0 0 4px}
h2{font-size:18px;margin:38px 0 8px;padding-top:12px;border-top:2px solid var(--ink)}
h3{font-size:14px;margin:18px 0 2px;font-family:"DejaVu Sans Mono",monospace}
p{margin:6px 0;max-width:86ch}
.soft{color:var(--soft)}
.verdict{display:inline-block;margin:12px 0;padding:9px 16px;border:2px solid;border-radius:4px;font-size:18px;font-weight:bold}
.good{color:var(--good)}.bad{color:var(--bad)}
.verdict.good{background:#e9f2f8}.verdict.bad{background:#fbece2}
.wide{overflow-x:auto}
table{border-collapse:collapse;font-size:13px;width:100%;margin:8px 0}
th{text-align:left;font-weight:600;border-bottom:1.5px solid var(--ink);padding:4px 9px 4px 0;vertical-align:bottom}
td{border-bottom:1px solid var(--line);padding:4px 9px 4px 0;vertical-align:top}
td.n,th.n{text-align:right;font-variant-numeric:tabular-nums}
td.n{white-space:nowrap}
code{font-family:"DejaVu Sans Mono",monospace;font-size:12px;overflow-wrap:anywhere}
code.word{white-space:nowrap}
.first td:first-child{min-width:17em}
.snug table{width:auto}.snug th,.snug td{padding-right:14px}
.bar{display:inline-block;vertical-align:middle;margin-left:6px}
figure{margin:10px 0 20px}
figcaption{font-size:12.5px;color:var(--soft)}
svg text{font:11px "DejaVu Sans",Verdana,sans-serif;fill:var(--ink)}
.pair{display:grid;grid-template-columns:repeat(2,minmax(0,1fr));gap:0 28px}
.pair svg{width:100%;height:auto}
pre{white-space:pre-wrap;font-size:13px;background:var(--wash);padding:10px 14px;border-left:4px solid var(--bad)}
@media(max-width:800px){main{padding:16px}.pair{grid-template-columns:1fr}}
@media print{
 @page{size:A4;margin:14mm 12mm}
 body{background:#fff;font-size:10.5px}
 main{max-width:none;padding:0}
 table{font-size:9px}code{font-size:8.5px}
 h2,h3{break-after:avoid}tr,figure,pre{break-inside:avoid}thead{display:table-header-group}
 .wide{overflow:visible}
}
"""


def html_page(title: str, parts: Iterable[str]) -> str:
    """Return a page of finished parts."""
    lines = [
        "<!DOCTYPE html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{escape(title)}</title>',
        '<meta name="viewport" content="width=device-width,initial-scale=1">',
        f"<style>{STYLE}</style></head><body><main>",
        *parts,
        "</main></body></html>",
    ]
    return "\n".join(lines) + "\n"


def html_table(
    head: Sequence[str],
    rows: Iterable[Sequence[str]],
    numbers: Collection[int] = (),
    *,
    raw: bool = False,
    style: str = "",
) -> str:
    """Return a table.

    Args:
        head: names of the columns.
        rows: of as many cells each.
        numbers: places of the columns that stand to the right.
        raw: names and cells are HTML already.
        style: classes of the table beside those that all have.

    """

    def line(tag: str, cells: Sequence[str]) -> str:
        return "".join(
            f"<{tag}{' class=n' if at in numbers else ''}>{cell if raw else escape(cell)}</{tag}>"
            for at, cell in enumerate(cells)
        )

    body = "".join(f"<tr>{line('td', row)}</tr>" for row in rows)
    wide = f"wide {style}".strip()
    return f'<div class="{wide}"><table><thead><tr>{line("th", head)}</tr></thead><tbody>{body}</tbody></table></div>'
