"""A comparison told: tables on the terminal, one document for programs, JUnit for a build server."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import click

from dashpot import console
from dashpot.compare.measure import Sums
from dashpot.compare.verdict import tell
from dashpot.files import atomic_path

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dashpot.compare.measure import Comparison, CornerChange, Difference, FaultChange, Span
    from dashpot.compare.verdict import Check, Judge

    Compared = Sequence[tuple[str, Comparison, Judge | None]]

SHOWN_FAULTS = 8


def document(
    compared: Compared, missing: Sequence[tuple[str, str]], checks: Sequence[Check]
) -> dict[str, Any]:
    """Return all of it, the content of --json: times in seconds, shares from 0 to 1, differences new less old."""
    return {
        "passed": all(check.passed for check in checks),
        "checks": [
            {"log": check.log, "name": check.name, "passed": check.passed, "fault": check.fault or None}
            for check in checks
        ],
        "missing": [{"log": log, "why": why} for log, why in missing],
        "logs": [_log(name, found, own) for name, found, own in compared],
    }


def _log(name: str, found: Comparison, own: Judge | None) -> dict[str, Any]:
    old, new = found.timing()
    return {
        "log": name,
        "runs": [_run(run) for run in (found.pair.old, found.pair.new)],
        "identical": found.identical,
        "same": found.same,
        "cautions": found.cautions,
        "ticks": found.pair.ticks,
        "length": {"old": found.pair.old.ticks, "new": found.pair.new.ticks, "difference": found.length},
        "only_old": list(found.pair.only_old),
        "only_new": list(found.pair.only_new),
        "first": _divergence(found.first),
        "corners": [_corner(change, found) for change in found.corners],
        "words": [_word(difference) for difference in found.differences],
        "faults": [_fault(fault) for fault in found.faults],
        "tick_ns": {"old": old, "new": new},
        "unexpected": None
        if own is None
        else [_word(own.unexpected[place]) for place in sorted(own.unexpected)],
    }


def _run(run: Any) -> dict[str, Any]:
    inputs = run.manifest.get("inputs", {})
    return {
        "log": inputs.get("log"),
        "firmware": inputs.get("firmware"),
        "calibration": inputs.get("calibration"),
        "image": run.manifest.get("image", {}).get("sha256"),
        "ticks_sha256": run.manifest.get("outputs", {}).get("ticks.arrow"),
    }


def _divergence(first: Difference | None) -> dict[str, Any] | None:
    if first is None:
        return None
    item = first.item
    return {
        "tick": first.first_tick,
        "log_s": first.log_s,
        "stage": item.stage,
        "column": item.column,
        "doc": item.doc,
        "unit": item.unit,
        "old": first.old,
        "new": first.new,
        "old_said": item.said(first.old),
        "new_said": item.said(first.new),
    }


def _word(difference: Difference) -> dict[str, Any]:
    said = _divergence(difference)
    assert said is not None
    return {**said, "corner": difference.item.corner, "ticks": difference.ticks}


def _corner(change: CornerChange, found: Comparison) -> dict[str, Any]:
    return {
        "corner": change.corner,
        "ticks": change.ticks,
        "share": change.ticks / found.pair.ticks if found.pair.ticks else 0.0,
        "first": _divergence(change.first),
        "current_ma": _sums(change.current),
        "demand_permille": _sums(change.demand),
        "layers_permille": {layer: _sums(sums) for layer, sums in change.layers.items()},
        "modes_ma": {mode: _sums(sums) for mode, sums in sorted(change.modes.items())},
        "segments_ma": [
            {"from_s": first, "to_s": last, **_sums(sums)}
            for (first, last), sums in zip(found.segment_s, change.segments, strict=False)
        ],
    }


def _sums(sums: Sums) -> dict[str, Any]:
    return {
        "ticks": sums.ticks,
        "differ": sums.differ,
        "share": sums.share,
        "greatest": sums.greatest,
        "rms": sums.rms,
        "tick": sums.tick,
        "log_s": sums.log_s,
    }


def _fault(fault: FaultChange) -> dict[str, Any]:
    return {
        "name": fault.name,
        "kind": fault.kind,
        "ticks": fault.differ,
        "old": _span(fault.old),
        "new": _span(fault.new),
    }


def _span(span: Span | None) -> dict[str, Any] | None:
    if span is None:
        return None
    return {
        "ticks": span.ticks,
        "first_tick": span.first_tick,
        "first_s": span.first_s,
        "last_tick": span.last_tick,
        "last_s": span.last_s,
    }


def show(
    compared: Compared, missing: Sequence[tuple[str, str]], checks: Sequence[Check], *, judged: bool
) -> None:
    """Print a comparison for people."""
    for name, found, _ in compared:
        _show_log(name, found)
    for name, why in missing:
        click.echo(f"{name}: a run is missing: {why}")
    if judged:
        rows = [
            (check.log or "all logs", check.name, "as expected" if check.passed else check.fault)
            for check in checks
        ]
        console.table("Expectations", ("log", "what", "verdict"), rows)


def _show_log(name: str, found: Comparison) -> None:
    ticks = found.pair.ticks
    if found.identical:
        click.echo(f"{name}: identical bit for bit, {ticks:,} ticks.")
    elif found.same:
        click.echo(f"{name}: every value of {ticks:,} ticks is the same; the files are packed differently.")
    for caution in found.cautions:
        console.warn(f"{name}: {caution}")
    if found.length:
        click.echo(
            f"{name}: lengths differ: {found.pair.old.ticks:,} ticks and {found.pair.new.ticks:,}; the first {ticks:,} are compared."
        )
    for side, words in (("old", found.pair.only_old), ("new", found.pair.only_new)):
        if words:
            click.echo(f"{name}: only the {side} run has {', '.join(words)}")
    if found.first is None:
        return
    click.echo(f"{name}: the runs part {tell(found.first)}.")
    _show_corners(name, found)
    _show_parts(name, found)
    if found.faults:
        rows = [
            (fault.name, fault.kind, f"{fault.differ:,}", _times(fault.old), _times(fault.new))
            for fault in found.faults[:SHOWN_FAULTS]
        ]
        console.table(f"{name}: faults", ("fault", "it", "ticks", "old, s", "new, s"), rows)
    old, new = found.timing()
    if old.get("median") and new.get("median"):
        told = [
            f"{side} " + ", ".join(f"{key} {said.get(key, 0) / 1000:.0f}" for key in ("median", "p99", "max"))
            for side, said in (("old", old), ("new", new))
        ]
        click.echo(f"{name}: a tick took, us, on the machine that replayed: {'; '.join(told)}.")


def _show_corners(name: str, found: Comparison) -> None:
    rows = []
    for change in found.corners:
        first = change.first
        layers = [
            f"{layer} {sums.greatest:+d}"
            for layer, sums in sorted(change.layers.items(), key=lambda pair: -abs(pair[1].greatest))
            if sums.differ
        ]
        rows.append(
            (
                change.corner,
                "" if first is None else f"{first.log_s:.3f}",
                "" if first is None else first.item.stage,
                f"{100 * change.ticks / max(found.pair.ticks, 1):.2f}",
                *_cells(change.current),
                ", ".join(layers),
            )
        )
    console.table(
        f"{name}: current, new less old",
        (
            "corner", "from, s", "first at", "ticks, %", "greatest, mA", "at, s", "rms, mA", "layers, greatest per mille",
        ),
        rows,
    )  # fmt: skip


def _show_parts(name: str, found: Comparison) -> None:
    """One line a mode and a part of the log in which any current differs, one column a corner."""
    modes = sorted({mode for change in found.corners for mode in change.modes})
    parts: list[tuple[str, list[Sums]]] = [
        (mode, [change.modes.get(mode, Sums()) for change in found.corners]) for mode in modes
    ]
    parts += [
        (f"{first:.1f} to {last:.1f} s", [change.segments[i] for change in found.corners])
        for i, (first, last) in enumerate(found.segment_s)
    ]
    rows = [
        (part, *(f"{sums.greatest:+d} ({sums.rms:.2f})" if sums.differ else "" for sums in corners))
        for part, corners in parts
        if any(sums.differ for sums in corners)
    ]
    if rows:
        columns = ("in", *(change.corner for change in found.corners))
        console.table(f"{name}: greatest difference of the current (rms), mA", columns, rows)


def _cells(sums: Sums) -> tuple[str, str, str]:
    if sums.log_s is None:
        return "", "", ""
    return f"{sums.greatest:+d}", f"{sums.log_s:.3f}", f"{sums.rms:.2f}"


def _times(span: Span | None) -> str:
    return "never" if span is None else f"{span.first_s:.3f} to {span.last_s:.3f}"


def write_junit(path: Path, checks: Sequence[Check]) -> None:
    """Write the verdicts as JUnit XML: a suite a log, and one for what is judged over all of them."""
    suites = ET.Element("testsuites", name="dashpot compare")
    for log in dict.fromkeys(check.log for check in checks):
        mine = [check for check in checks if check.log == log]
        failures = sum(not check.passed for check in mine)
        name = log or "all logs"
        suite = ET.SubElement(
            suites, "testsuite", name=_xml_text(name), tests=str(len(mine)), failures=str(failures), errors="0", skipped="0",
        )  # fmt: skip
        for check in mine:
            case = ET.SubElement(suite, "testcase", classname=_xml_text(name), name=_xml_text(check.name))
            if not check.passed:
                failed = ET.SubElement(case, "failure", message=_xml_text(check.fault))
                failed.text = _xml_text(check.fault.replace("; ", "\n"))
    ET.indent(suites)
    text = ET.tostring(suites, encoding="unicode")
    with atomic_path(path) as part:
        part.write_text(f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n', encoding="utf-8")


def _xml_text(text: str) -> str:
    """Take out what XML 1.0 cannot hold."""
    return "".join(c for c in text if c in "\t\n" or (c >= " " and not "\ud800" <= c <= "\udfff"))
