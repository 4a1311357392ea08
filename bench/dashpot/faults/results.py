"""What a campaign leaves behind: rows for programs, the report for people, JUnit for a build server."""

from __future__ import annotations

import csv
import json
import shutil
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

from dashpot import runs
from dashpot.faults.judge import RAISED, VERDICTS, Result
from dashpot.faults.kinds import KINDS, Scope
from dashpot.files import atomic_path

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from dashpot.faults.campaign import Campaign

MANIFEST = "manifest.json"
RESULTS = "results.json"
ROWS = "rows"
REPORT = "report.html"
JUNIT = "junit.xml"
PLAN = "plan.toml"
IMAGE = "image.bin"

#: Columns of rows.csv and rows.arrow with the type of each; lists are written with a blank between.
COLUMNS: dict[str, type] = {
    "id": str, "group": str, "fault": str, "onset": str, "length_ms": float, "verdict": str, "why": str,
    "reaction": str, "codes": str, "came": str, "detect_ms": float, "detect_most_ms": float, "safe_ms": float,
    "budget_ms": float, "recovery_ms": float, "recovery_most_ms": float, "least_ma": int, "most_ma": int,
    "slew_share": float, "overshoot_ma": int, "frames_changed": int, "ticks_changed": int, "seen": bool,
}  # fmt: skip


def record(result: Result) -> dict[str, Any]:
    """Return a row of results.json."""
    row, expect = result.row, result.row.expect
    recovery = expect.recovery_us
    return {
        "id": row.id,
        "group": row.group,
        "faults": [
            {
                "kind": fault.kind.name,
                "target": fault.where or None,
                "severity": fault.how or None,
                "later_ms": fault.later_us / 1000,
                "length_ms": fault.length_us / 1000 if fault.kind.lasts else None,
            }
            for fault in row.faults
        ],
        "onset": row.onset,
        "onset_s": row.onset_us / 1e6,
        "expect": {
            "codes": list(expect.codes),
            "may": list(expect.may),
            "reaction": expect.reaction,
            "lost": None if expect.lost is None else list(expect.lost),
            "detect_ms": _ms(expect.detect_us),
            "budget_ms": _ms(expect.budget_us),
            "recovery_ms": None if recovery is None else [recovery[0] / 1000, recovery[1] / 1000],
            "may_lose": list(expect.may_lose),
            "hold_ms": _ms(expect.hold_us),
            "latched": expect.latched,
        },
        "verdict": result.verdict,
        "why": list(result.why),
        "stimulus": dict(result.changed),
        "codes": dict(result.codes),
        "detect_ms": result.detect_ms,
        "safe_ms": result.safe_ms,
        "recovery_ms": result.recovery_ms,
        "current_ma": [result.least_ma, result.most_ma],
        "slew_share": result.slew_share,
        "overshoot_ma": result.overshoot_ma,
    }


def cells(result: Result) -> dict[str, Any]:
    """Return a row of rows.csv: one plain value for each of COLUMNS, None where there is none."""
    row, expect = result.row, result.row.expect
    return {
        "id": row.id,
        "group": row.group,
        "fault": " and ".join(str(fault) for fault in row.faults),
        "onset": row.onset,
        "length_ms": row.end_us / 1000,
        "verdict": result.verdict,
        "why": "; ".join(result.why),
        "reaction": expect.reaction,
        "codes": " ".join(expect.codes),
        "came": " ".join(result.codes),
        "detect_ms": result.detect_ms,
        "detect_most_ms": _ms(expect.detect_us),
        "safe_ms": result.safe_ms,
        "budget_ms": _ms(expect.budget_us),
        "recovery_ms": result.recovery_ms,
        "recovery_most_ms": None if expect.recovery_us is None else expect.recovery_us[1] / 1000,
        "least_ma": result.least_ma,
        "most_ma": result.most_ma,
        "slew_share": result.slew_share,
        "overshoot_ma": result.overshoot_ma,
        "frames_changed": result.changed["frames"],
        "ticks_changed": result.changed["ticks"],
        "seen": result.changed["seen"],
    }


def summarise(campaign: Campaign) -> dict[str, Any]:
    """Return the campaign in figures: verdicts, the worst of each group, and which detectors fired."""
    results = campaign.results
    return {
        "name": campaign.plan.name,
        "passed": not campaign.failed,
        "rows": len(results),
        "verdicts": {verdict: sum(r.verdict == verdict for r in results) for verdict in VERDICTS},
        "groups": [group_of(campaign, name) for name in dict.fromkeys(r.row.group for r in results)],
        "detectors": detectors(campaign),
        "kinds_without_rows": sorted(
            set(KINDS) - {fault.kind.name for result in results for fault in result.row.faults}
        ),
        "failed": [{"id": r.row.id, "verdict": r.verdict, "why": list(r.why)} for r in campaign.failed],
        **campaign.manifest,
    }


def group_of(campaign: Campaign, name: str) -> dict[str, Any]:
    """Return the worst figures over the rows of a group, each with the row that has it."""
    mine = [result for result in campaign.results if result.row.group == name]
    fastest = max(mine, key=lambda result: result.slew_share)
    highest = max(mine, key=lambda result: result.overshoot_ma)
    return {
        "group": name,
        "rows": len(mine),
        "passed": sum(result.passed for result in mine),
        "detect": _worst((r, r.detect_ms, r.row.expect.detect_us) for r in mine),
        "safe": _worst((r, r.safe_ms, r.row.expect.budget_us) for r in mine),
        "recovery": _worst((r, r.recovery_ms, (r.row.expect.recovery_us or (0, None))[1]) for r in mine),
        "slew": {"share": fastest.slew_share, "id": fastest.row.id},
        "overshoot": {"ma": highest.overshoot_ma, "id": highest.row.id},
        "coil": any(fault.kind.scope is Scope.CORNER for result in mine for fault in result.row.faults),
        "current_ma": [min(r.least_ma for r in mine), max(r.most_ma for r in mine)],
    }


def _worst(rows: Iterable[tuple[Result, float | None, int | None]]) -> dict[str, Any] | None:
    """Return the time that comes nearest to its limit or passes it furthest; those without a limit do not count."""
    best: tuple[float, dict[str, Any]] | None = None
    for result, ms, limit_us in rows:
        if ms is None or limit_us is None:
            continue
        share = 1000 * ms / max(limit_us, 1)
        if best is None or share > best[0]:
            best = (share, {"ms": ms, "limit_ms": limit_us / 1000, "id": result.row.id})
    return None if best is None else best[1]


def detectors(campaign: Campaign) -> list[dict[str, Any]]:
    """Return for each fault code of the firmware in how many rows it was asked for and came, and how late at worst."""
    table = []
    for code in campaign.image.layout.faults:
        asked = [result for result in campaign.results if code in result.row.expect.codes]
        came = [result for result in campaign.results if code in result.codes]
        table.append(
            {
                "code": code,
                "expected": len(asked),
                "came": len(came),
                "missed": sum(code not in result.codes for result in asked),
                "detect": _worst(
                    (r, r.codes[code], r.row.expect.detect_us) for r in asked if code in r.codes
                ),
                "reaction": _worst((r, r.safe_ms, r.row.expect.budget_us) for r in asked),
            }
        )
    return table


def write_results(campaign: Campaign, folder: Path, plan: Path) -> None:
    """Write all files of a campaign into a folder; the same campaign gives the same bytes."""
    from dashpot.faults.page import page

    runs.write_json(folder / MANIFEST, campaign.manifest)
    document = {**summarise(campaign), "results": [record(result) for result in campaign.results]}
    runs.write_json(folder / RESULTS, document)
    table = [cells(result) for result in campaign.results]
    _write_csv(folder / f"{ROWS}.csv", table)
    _write_arrow(folder / f"{ROWS}.arrow", table)
    (folder / REPORT).write_text(page(campaign), encoding="utf-8")
    write_junit(campaign, folder / JUNIT)
    shutil.copyfile(plan, folder / PLAN)
    (folder / IMAGE).write_bytes(campaign.image.to_bytes())


def write_junit(campaign: Campaign, path: Path) -> None:
    """Write the verdicts as JUnit XML: a suite a group, a case a row, its time the log's time that was replayed."""
    suites = ET.Element("testsuites", name=campaign.plan.name)
    for name in dict.fromkeys(result.row.group for result in campaign.results):
        mine = [result for result in campaign.results if result.row.group == name]
        times = [(result.row.lead_us + result.row.span_us) / 1e6 for result in mine]
        errors = sum(result.verdict == RAISED for result in mine)
        failures = sum(not result.passed for result in mine) - errors
        suite = ET.SubElement(
            suites, "testsuite", name=name, tests=str(len(mine)), failures=str(failures), errors=str(errors),
            skipped="0", time=f"{sum(times):.3f}",
        )  # fmt: skip
        for result, time_s in zip(mine, times, strict=True):
            case = ET.SubElement(suite, "testcase", classname=name, name=result.row.id, time=f"{time_s:.3f}")
            if not result.passed:
                kind = "error" if result.verdict == RAISED else "failure"
                said = _xml_text(result.why[0] if result.why else result.verdict)
                failed = ET.SubElement(case, kind, type=result.verdict, message=said)
                failed.text = _xml_text("\n".join(result.why))
    ET.indent(suites)
    text = ET.tostring(suites, encoding="unicode")
    with atomic_path(path) as part:
        part.write_text(f'<?xml version="1.0" encoding="utf-8"?>\n{text}\n', encoding="utf-8")


def _xml_text(text: str) -> str:
    """Take out what XML 1.0 cannot hold."""
    return "".join(c for c in text if c in "\t\n" or c >= " ")


def _write_csv(path: Path, table: Sequence[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(COLUMNS), lineterminator="\n")
        writer.writeheader()
        for row in table:
            writer.writerow(
                {name: json.dumps(value) if isinstance(value, bool) else value for name, value in row.items()}
            )


def _write_arrow(path: Path, table: Sequence[dict[str, Any]]) -> None:
    import pyarrow as pa

    types = {str: pa.string(), float: pa.float64(), int: pa.int64(), bool: pa.bool_()}
    schema = pa.schema([(name, types[kind]) for name, kind in COLUMNS.items()])
    columns = {name: [row[name] for row in table] for name in COLUMNS}
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, schema) as writer:
        writer.write_table(pa.table(columns, schema=schema))


def _ms(time_us: int | None) -> float | None:
    return None if time_us is None else time_us / 1000
