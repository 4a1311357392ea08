"""The report of a campaign: one HTML page without any other file, for the screen and for paper.

Blue with a tick is good, vermilion with a cross is bad: told apart by every eye, and in black and white by the mark.
"""

from __future__ import annotations

from html import escape
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Any

from dashpot.cautions import CAUTIONS
from dashpot.faults.kinds import KINDS
from dashpot.faults.results import summarise
from dashpot.faultwords import fault_words
from dashpot.htmlpage import html_page, html_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from dashpot.faults.campaign import Campaign
    from dashpot.faults.judge import Picture, Result

#: Pictures of failed rows; the rest are listed only.
SHOWN_PICTURES = 40
#: Colours of Okabe and Ito's set, for every kind of colour vision.
MODE_FILL = ("#e8e4da", "#ffffff", "#f3dfa8", "#cfe3f1", "#e7c9bd", "#d9d9d9")

#: How to read a picture.
KEY = (
    '<p class="soft">The corner whose current moved most. Solid: with the fault; dashed grey: without it; dotted: the '
    "safe current; upright: the reaction is complete. The band below is the mode, the shaded time the fault.</p>"
)


def page(campaign: Campaign) -> str:
    """Return the page."""
    said = summarise(campaign)
    title = f"Fault campaign: {campaign.plan.name}"
    parts = [
        *_head(campaign, said, title),
        *_failures(campaign),
        *_groups(campaign, said),
        *_detectors(said),
        *_pictures(campaign),
        *_limits(campaign, said),
        *_evidence(said),
        *_rows(campaign),
        "<h2>Cautions</h2>",
        f"<pre>{escape(CAUTIONS)}</pre>",
    ]
    return html_page(title, parts)


def _mark(good: bool) -> str:
    return '<span class="good">&#10003;</span>' if good else '<span class="bad">&#10007;</span>'


def _table(head: Sequence[tuple[str, bool]], rows: Iterable[Sequence[str]], style: str = "") -> str:
    """Return a table of finished cells; a column with True is of numbers."""
    numbers = {at for at, (_, number) in enumerate(head) if number}
    return html_table([text for text, _ in head], rows, numbers, raw=True, style=style)


def _head(campaign: Campaign, said: dict[str, Any], title: str) -> list[str]:
    rows, failed = said["rows"], len(campaign.failed)
    left_out = said["plan"]["rows"] - rows
    if failed:
        counts = ", ".join(
            f"{count} {name}" for name, count in said["verdicts"].items() if count and name != "pass"
        )
        verdict = f'<div class="verdict bad">&#10007; FAILED: {failed} of {rows} rows ({counts})</div>'
    else:
        verdict = f'<div class="verdict good">&#10003; PASSED: all {rows} rows</div>'
    lines = [f"<h1>{escape(title)}</h1>", verdict]
    if left_out:
        lines.append(
            f'<p class="bad"><b>{left_out} rows of the plan were left out by --rows; this is no whole campaign.</b></p>'
        )
    if campaign.plan.notes:
        lines.append(f"<p>{escape(campaign.plan.notes)}</p>")
    lines.append(
        '<p class="soft">Each row puts one fault, or two, into a recorded log at an onset and runs it through the firmware '
        "beside a run without it. Times count from the onset. A row passes when the injection changed what the "
        "controller did, exactly the expected codes came, the reaction was complete within its budget and stayed, no current "
        "left its limits or moved faster than its slew, and the fault memory holds what happened and nothing else. Figures are the worst over the rows, not the mean.</p>"
    )
    return lines


def _time(entry: dict[str, Any] | None) -> str:
    """Return a worst time with its limit and a bar of the two."""
    if entry is None:
        return '<span class="soft">-</span>'
    ms, limit = entry["ms"], entry["limit_ms"]
    return f"{ms:g} of {limit:g}{_bar(ms / limit if limit else 0)}"


def _bar(share: float) -> str:
    """Return a bar of a share; the line is the whole."""
    width = min(share, 1.25) * 48
    fill = "#0b5f94" if share <= 1 else "#b3450a"
    return (
        '<svg class="bar" width="62" height="10" role="img" aria-label="'
        f'{100 * share:.0f} %"><rect y="2" width="{width:.1f}" height="6" fill="{fill}"/>'
        '<path d="M48 0V10" stroke="#1d2328"/></svg>'
    )


def _groups(campaign: Campaign, said: dict[str, Any]) -> list[str]:
    rows = []
    for group in said["groups"]:
        results = [r for r in campaign.results if r.row.group == group["group"]]
        reactions = dict.fromkeys(r.row.expect.reaction.replace("_", " ") for r in results)
        kinds = dict.fromkeys(fault.kind.name for r in results for fault in r.row.faults)
        whole = group["passed"] == group["rows"]
        note = campaign.plan.notes_of.get(group["group"], "")
        what = f"<b>{escape(group['group'])}</b>"
        if list(kinds) != [group["group"]]:
            what += f" <span class=soft>({escape(', '.join(kinds))})</span>"
        if note:
            what += f'<br><span class="soft">{escape(note)}</span>'
        share = group["slew"]["share"]
        rows.append(
            [
                what,
                escape(", ".join(reactions)),
                f"{_mark(whole)} {group['passed']}/{group['rows']}",
                _time(group["detect"]),
                _time(group["safe"]),
                _time(group["recovery"]),
                f"{100 * share:.0f} %{_bar(share)}",
                str(group["overshoot"]["ma"]) if group["coil"] else '<span class="soft">-</span>',
                f"{group['current_ma'][0]} to {group['current_ma'][1]}",
            ]
        )
    return [
        "<h2>Worst figures by group</h2>",
        ('<p class="soft">Milliseconds: the worst against what is allowed, the bar\'s line. Slew: the fastest step of a '
        "current as a share of its limit a tick. Overshoot, of coils: the most that a measured current was above all that was "
        "commanded in the ten ticks before.</p>"),
        _table(
            [
                ("group", False), ("reaction", False), ("passed", True), ("detected, ms", True), ("safe, ms", True),
                ("recovered, ms", True), ("slew", True), ("overshoot, mA", True), ("current, mA", True),
            ],
            rows,
            "first",
        ),
    ]  # fmt: skip


#: Codes that no fault from outside brings about: they say that a stage of the firmware itself is wrong.
INSIDE = {
    "guard_range": "the last guard; a law or a valve curve would have to be wrong",
    "guard_rate": "the last guard; the slew limit before it would have to be wrong, or a command be too old",
    "axle_unequal": "the last guard; the laws of left and right would have to part",
}


def _detectors(said: dict[str, Any]) -> list[str]:
    rows = []
    for entry in said["detectors"]:
        words = fault_words(entry["code"])
        fired = f"{_mark(True)}&nbsp;fired" if entry["came"] else f"{_mark(False)}&nbsp;never&nbsp;fired"
        if not entry["came"] and entry["code"] in INSIDE:
            fired += f'<br><span class="soft">{escape(INSIDE[entry["code"]])}: a broken firmware proves it in the tests</span>'
        missed = f'<span class="bad">{entry["missed"]}</span>' if entry["missed"] else "0"
        rows.append(
            [
                f"<code class=word>{escape(entry['code'])}</code>",
                escape(words.meaning),
                str(entry["expected"]),
                str(entry["came"]),
                missed,
                _time(entry["detect"]),
                _time(entry["reaction"]),
                fired,
            ]
        )
    return [
        "<h2>Coverage of fault codes</h2>",
        ('<p class="soft">Each code of the firmware; times in milliseconds, the worst against what is allowed, over the rows '
        "that ask for the code.</p>"),
        _table(
            [
                ("code", False), ("what it says", False), ("rows that ask for it", True), ("rows in which it came", True),
                ("missed", True), ("came, ms", True), ("reaction, ms", True), ("", False),
            ],
            rows,
        ),
    ]  # fmt: skip


def _failures(campaign: Campaign) -> list[str]:
    failed = campaign.failed
    if not failed:
        return []
    lines = ["<h2>Failed rows</h2>", KEY]
    for number, result in enumerate(failed):
        lines.append(f'<h3 class="bad">&#10007; {escape(result.row.id)}: {escape(result.verdict)}</h3>')
        lines += [f"<p>{escape(reason)}</p>" for reason in result.why[:12]]
        if result.picture is not None and number < SHOWN_PICTURES:
            lines.append(_figure(campaign, result))
    return lines


def _pictures(campaign: Campaign) -> list[str]:
    """Draw of each group the passed row whose current moved most, of those alike the first."""
    figures = []
    for name in dict.fromkeys(result.row.group for result in campaign.results):
        drawn = [
            (result.picture.moved_ma, result)
            for result in campaign.results
            if result.row.group == name and result.passed and result.picture is not None
        ]
        if drawn:
            figures.append(_figure(campaign, max(drawn, key=lambda pair: pair[0])[1]))
    if not figures:
        return []
    return [
        "<h2>The row of each group whose current moved most</h2>",
        KEY,
        f'<div class="pair">{"".join(figures)}</div>',
    ]


def _figure(campaign: Campaign, result: Result) -> str:
    assert result.picture is not None
    row = result.row
    said = []
    if result.detect_ms is not None:
        said.append(f"detected {result.detect_ms:g} ms")
    if result.safe_ms is not None:
        said.append(f"{row.expect.reaction.replace('_', ' ')} {result.safe_ms:g} ms")
    caption = f"<code>{escape(row.id)}</code><br>{escape(result.picture.corner.replace('_', '-'))}, {', '.join(said) or 'no reaction'}"
    drawing = draw(result.picture, campaign.image.layout.modes, result.safe_ms)
    return f"<figure>{drawing}<figcaption>{caption}</figcaption></figure>"


def draw(picture: Picture, modes: Sequence[str], safe_ms: float | None) -> str:
    """Return a small SVG of one corner's current and the mode around the onset."""
    left, top, width, height, band = 42, 12, 470, 112, 14
    begin, end = picture.at_ms[0], picture.at_ms[-1]
    values = [*picture.current_ma, *picture.without_ma, picture.safe_ma]
    low = min(values) // 100 * 100 - 20
    high = max(-(-max(values) // 100) * 100, low + 120) + 20

    def x(ms: float) -> float:
        return left + width * (ms - begin) / max(end - begin, 1e-9)

    def y(current_ma: float) -> float:
        return top + height * (high - current_ma) / (high - low)

    def line(values: Sequence[int], style: str) -> Iterator[str]:
        for first, last in _runs(picture.at_ms):
            points = [f"{x(picture.at_ms[i]):.1f},{y(values[i]):.1f}" for i in range(first, last)]
            yield f'<polyline points="{" ".join(points)}" fill="none" {style}/>'

    parts = [
        (
            f'<svg viewBox="0 0 {left + width + 18} {top + height + band + 34}" width="{left + width + 18}" role="img" '
            'aria-label="current and mode around the onset">'
        ),
        (
            f'<rect x="{x(0):.1f}" y="{top}" width="{x(min(picture.end_ms, end)) - x(0):.1f}" height="{height}" '
            'fill="#eceff1"/>'
        ),
    ]
    step = 100 if high - low <= 500 else 200 if high - low <= 1000 else 400
    for value in range(-(-low // step) * step, high + 1, step):
        parts.append(f'<path d="M{left} {y(value):.1f}H{left + width}" stroke="#cfd5da" stroke-width=".6"/>')
        parts.append(f'<text x="{left - 5}" y="{y(value) + 4:.1f}" text-anchor="end">{value}</text>')
    parts += [
        f'<path d="M{left} {y(picture.safe_ma):.1f}H{left + width}" stroke="#1d2328" stroke-width=".9" stroke-dasharray="1.5 3"/>',
        *line(picture.without_ma, 'stroke="#7a858d" stroke-width="1.2" stroke-dasharray="5 3"'),
        *line(picture.current_ma, 'stroke="#0b5f94" stroke-width="1.8"'),
    ]
    if safe_ms is not None and safe_ms <= end:
        parts.append(
            f'<path d="M{x(safe_ms):.1f} {top}V{top + height}" stroke="#b3450a" stroke-width="1.2"/>'
        )
        parts.append(f'<text x="{x(safe_ms) + 3:.1f}" y="{top + 10}">{safe_ms:g} ms</text>')
    parts += _band(picture, modes, x, top + height + 3, band)
    for ms in _ruler(begin, end):
        parts.append(
            f'<text x="{x(ms):.1f}" y="{top + height + band + 17}" text-anchor="middle">{ms:g}</text>'
        )
    parts.append(f'<text x="{left + width / 2:.1f}" y="{top + height + band + 30}" text-anchor="middle">')
    parts.append("mA over ms from the onset</text></svg>")
    return "".join(parts)


def _band(picture: Picture, modes: Sequence[str], x: Any, top: float, height: float) -> list[str]:
    """Return the mode over time as named boxes."""
    boxes = []
    for first, last in _runs(picture.at_ms):
        begin = first
        for i in range(first + 1, last + 1):
            if i == last or picture.mode[i] != picture.mode[begin]:
                boxes.append((picture.mode[begin], picture.at_ms[begin], picture.at_ms[min(i, last - 1)]))
                begin = i
    parts = []
    for mode, begin_ms, end_ms in boxes:
        first_x, last_x = x(begin_ms), x(end_ms)
        parts.append(
            f'<rect x="{first_x:.1f}" y="{top}" width="{max(last_x - first_x, 0.5):.1f}" height="{height}" '
            f'fill="{MODE_FILL[mode % len(MODE_FILL)]}" stroke="#5b6670" stroke-width=".6"/>'
        )
        name = modes[mode].replace("_", " ")
        if last_x - first_x > 6.5 * len(name):
            parts.append(
                f'<text x="{(first_x + last_x) / 2:.1f}" y="{top + height - 3:.1f}" text-anchor="middle">{name}</text>'
            )
    return parts


def _runs(at_ms: Sequence[float]) -> list[tuple[int, int]]:
    """Return the stretches of points without a pause between them: nothing is drawn where no tick was."""
    usual = median(later - before for before, later in pairwise(at_ms))
    cuts = [i for i in range(1, len(at_ms)) if at_ms[i] - at_ms[i - 1] > 4 * usual]
    return list(pairwise([0, *cuts, len(at_ms)]))


def _ruler(begin: float, end: float) -> list[float]:
    """Return round times for the axis, five or so."""
    step = next(
        (step for step in (10, 20, 50, 100, 200, 500, 1000, 2000, 5000) if (end - begin) / step <= 8), 10_000
    )
    first = -(-begin // step)
    return [step * i for i in range(int(first), int(end // step) + 1)]


def _limits(campaign: Campaign, said: dict[str, Any]) -> list[str]:
    unjudged = sum(r.row.expect.recovery_us is None and not r.row.expect.latched for r in campaign.results)
    without = ", ".join(f"{name} ({KINDS[name].doc.rstrip('.')})" for name in said["kinds_without_rows"])
    never = [entry["code"] for entry in said["detectors"] if not entry["expected"]]
    lines = ["<h2>What this campaign does not show</h2><ul>"]
    if without:
        lines.append(f"<li>Kinds of faults without a row: {escape(without)}.</li>")
    if never:
        lines.append(f"<li>Codes that no row asks for: {escape(', '.join(never))}.</li>")
    lines += [
        f"<li>The way back was judged in {said['rows'] - unjudged} of {said['rows']} rows; in the others it was only recorded.</li>",
        "<li>Coils are resistances and inductances that the desktop computes; driver, valve and hydraulics are not part of it.</li>",
        (
            "<li>The fault memory of every row was held against its trace, in words and snapshots; power cuts while it is "
            "written are tried elsewhere, with the store.</li>"
        ),
        "<li>One log, of one car, at the onsets of the plan.</li></ul>",
    ]
    return lines


def _evidence(said: dict[str, Any]) -> list[str]:
    rows = [
        [escape(role), escape(each.get("name", "")), f"<code>{each['sha256']}</code>"]
        for role, entry in said["inputs"].items()
        for each in (entry if isinstance(entry, list) else [entry])
    ]
    rows.append(
        [
            "image",
            f"tick period {said['image']['period_us'] / 1000:g} ms",
            f"<code>{said['image']['sha256']}</code>",
        ]
    )
    versions = "; ".join(f"{name} {value}" for name, value in said["versions"].items())
    return [
        "<h2>What it was tried on</h2>",
        _table([("input", False), ("name", False), ("SHA-256", False)], rows),
        f'<p class="soft">{escape(versions)}; target {escape(said["arguments"]["target"])}.</p>',
    ]


def _rows(campaign: Campaign) -> list[str]:
    def ms(value: float | None, limit_us: int | None) -> str:
        if value is None:
            return "-"
        return f"{value:g}" if limit_us is None else f"{value:g} / {limit_us / 1000:g}"

    rows = [
        [
            _mark(result.passed),
            f"<code>{escape(result.row.id)}</code>",
            escape(result.row.expect.reaction.replace("_", " ")),
            f"<code>{escape(' '.join(result.codes))}</code>",
            ms(result.detect_ms, result.row.expect.detect_us),
            ms(result.safe_ms, result.row.expect.budget_us),
            ms(result.recovery_ms, result.row.expect.recovery_us and result.row.expect.recovery_us[1]),
            f"{100 * result.slew_share:.0f}",
        ]
        for result in campaign.results
    ]
    return [
        "<h2>All rows</h2>",
        _table(
            [
                ("", False), ("row", False), ("reaction", False), ("codes that came", False), ("detected / most", True),
                ("safe / budget", True), ("recovered / most", True), ("slew, %", True),
            ],
            rows,
        ),
    ]  # fmt: skip
