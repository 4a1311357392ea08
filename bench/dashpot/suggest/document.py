"""The findings as one document with stable keys, ready for JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from dashpot.suggest.patch import Edit, changed, diff
from dashpot.suggest.propose import CALIBRATION, VEHICLE, Remark, Suggestion
from dashpot.suggest.timing import arrivals_json

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from dashpot.suggest.analysis import Findings
    from dashpot.suggest.lead import Lead
    from dashpot.suggest.relations import Relation
    from dashpot.suggest.still import Rest
    from dashpot.suggest.zeros import Zero

SHOWN_EVENTS = 200


def document(
    findings: Findings, suggestions: Sequence[Suggestion], remarks: Sequence[Remark], corrected: Sequence[str]
) -> dict[str, Any]:
    """Put all figures under stable keys.

    Args:
        findings: of the log.
        suggestions: what was made of them.
        remarks: what no key mends.
        corrected: channels that leads, motion and margins were computed with as suggested, not as they stand.

    """
    gatherer = findings.gatherer
    first_us = gatherer.first_us
    return {
        "length_s": gatherer.length_s,
        "parts": gatherer.parts,
        "messages": [arrivals_json(one, first_us) for one in gatherer.arrivals.values()],
        "channels": [
            {
                "channel": name,
                "unit": findings.units.get(name),
                "values": codes.count,
                "invalid": codes.invalid,
                "out_of_range": codes.outside,
                "grain_codes": codes.grain,
            }
            for name, codes in gatherer.codes.items()
        ],
        "standing": {
            "by": "quiet" if findings.by_quiet else "road_speed",
            "sections": findings.standing.count,
            "seconds": findings.standing.seconds,
            "first": [list(section) for section in findings.standing.sections],
        },
        "zeros": [_zero(zero) for zero in findings.zeros],
        "cross_checks": [_relation(one) for one in findings.relations],
        "roll_mm_g": {
            axle: {"slope": scale.slope, "low": finite(scale.low), "high": finite(scale.high)}
            for axle, scale in findings.rolls.items()
        },
        "leads": {
            name: {"says": pair.says, "missing": missing, **_lead(lead)}
            for name, (pair, lead, missing) in findings.leads.items()
        },
        "motion": {corner: motion.as_json() for corner, motion in findings.motion.items()},
        "margins": [
            {
                "check": row.name,
                "unit": row.unit,
                "limit": row.limit,
                "sustained": row.sustained,
                "most": row.most,
                "seconds": row.seconds,
            }
            for row in (findings.margins.rows.values() if findings.margins is not None else ())
        ],
        "corrected_channels": list(corrected),
        "suggestions": [
            {
                "file": one.file,
                "key": one.key,
                "now": one.now,
                "new": one.new,
                "confidence": one.confidence,
                "why": one.why,
                "evidence": list(one.evidence),
            }
            for one in suggestions
        ],
        "remarks": [
            {"about": one.about, "says": one.says, "evidence": list(one.evidence)} for one in remarks
        ],
        "missing": [{"about": about, "says": says} for about, says in missing(findings)],
    }


def missing(findings: Findings) -> list[tuple[str, str]]:
    """Everything that could not be judged, and what a log must have for it."""
    found = [(f"zero of {zero.channel}", zero.missing) for zero in findings.zeros if zero.missing]
    found += [(one.says, one.missing) for one in findings.relations if one.missing]
    found += [(pair.says, said) for pair, _, said in findings.leads.values() if said]
    return found


def differences(
    suggestions: Sequence[Suggestion], files: dict[str, tuple[Path, str]]
) -> tuple[str, dict[str, str], list[Suggestion]]:
    """Write the suggestions as one diff.

    Args:
        suggestions: all of them.
        files: path and text by "vehicle" and "calibration".

    Returns:
        The diff, the changed texts by file, and the suggestions whose place in the file was not found.

    """
    whole, texts, left = "", {}, []
    for kind in (VEHICLE, CALIBRATION):
        mine = [one for one in suggestions if one.file == kind]
        if not mine or kind not in files:
            continue
        path, text = files[kind]
        after, lost = changed(text, [Edit(one.key, one.new) for one in mine])
        texts[kind] = after
        keys = {edit.key for edit in lost}
        left += [one for one in mine if one.key in keys]
        whole += diff(text, after, path.name)
    return whole, texts, left


def _zero(zero: Zero) -> dict[str, Any]:
    return {
        "channel": zero.channel,
        "unit": zero.unit,
        "where": zero.where,
        "off": zero.off,
        "too_noisy": zero.noisy,
        "missing": zero.missing,
        **(_rest(zero.rest) if zero.rest is not None else {}),
    }


def _rest(rest: Rest) -> dict[str, Any]:
    return {
        "mean": rest.mean,
        "half_width": finite(rest.half_width),
        "noise_rms": rest.noise_rms,
        "sections": rest.stops,
        "seconds": rest.seconds,
        "drift": rest.drift,
        "drift_half_width": finite(rest.drift_half_width),
        "disturbed": rest.disturbed,
    }


def _relation(one: Relation) -> dict[str, Any]:
    scale = one.scale
    return {
        "check": one.name,
        "says": one.says,
        "good": None if scale is None else one.good(scale.slope),
        "right": list(one.band) if one.band is not None else None,
        "unit": one.unit,
        "missing": one.missing,
        "astray": one.astray,
        "slope": None if scale is None else scale.slope,
        "low": None if scale is None else finite(scale.low),
        "high": None if scale is None else finite(scale.high),
        "correlation": None if scale is None else scale.correlation,
        "rows": 0 if scale is None else scale.points,
        **one.extra,
    }


def _lead(lead: Lead | None) -> dict[str, Any]:
    if lead is None:
        return {"events": 0}
    return {
        "events": len(lead.events),
        "skipped": lead.skipped,
        "median_s": lead.median_s,
        "low_s": lead.low_s,
        "high_s": lead.high_s,
        "p10_s": lead.p10_s,
        "p90_s": lead.p90_s,
        "first": [
            {"at_s": e.at_s, "size": e.size, "lag_s": e.lag_s, "correlation": e.correlation}
            for e in lead.events[:SHOWN_EVENTS]
        ],
    }


def finite(value: float | None) -> float | None:
    """Return a number that JSON can hold, None for what is not."""
    return value if value is not None and math.isfinite(value) else None
