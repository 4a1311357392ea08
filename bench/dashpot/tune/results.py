"""What came of a search: the verdict on held-out roads, the evidence, the changed numbers."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashpot.evaluate.figures import METRICS
from dashpot.files import atomic_path
from dashpot.tune.score import (
    REFUSED,
    WHOLE,
    Interval,
    having,
    metric_change,
    objective,
    objective_change,
    values_of,
    violations,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from dashpot.calibration.views import Change
    from dashpot.tune.plan import Road, Tune
    from dashpot.tune.score import Drives, Score
    from dashpot.tune.search import Point
    from dashpot.tune.start import Packed, Start

CALIBRATION, RESULT, REPORT = "calibration.toml", "result.json", "report.html"


@dataclass(frozen=True, slots=True)
class Outcome:
    """A search that is over.

    Attributes:
        tune: what was asked.
        start: where it began.
        known: every judged point, in order.
        evaluations: points of the search itself, without the start and without those of `take_back`.
        point: the best.
        worth: by how much the objective grows when a knob alone goes back.
        packed: its file.
        changes: what differs from the start.
        drives: of start and result, by part.

    """

    tune: Tune
    start: Start
    known: Mapping[Point, Score]
    evaluations: int
    point: Point
    worth: Mapping[int, float]
    packed: Packed
    changes: Sequence[Change]
    drives: Mapping[str, tuple[Drives, Drives]]


def facts(outcome: Outcome, inputs: Mapping[str, Any]) -> dict[str, Any]:
    """Return everything as one document, ready for JSON; the same search gives the same one."""
    tune, known = outcome.tune, outcome.known
    parts = {
        part: _part(tune, roads, *outcome.drives[part])
        for part, roads in (("training", tune.training), ("held_out", tune.held_out))
    }
    asked = list(dict.fromkeys((*tune.weights, *(bound.metric for bound in tune.bounds), WHOLE.metric)))
    return {
        "tune": tune.name,
        "notes": tune.notes,
        "calibration": outcome.start.path.name,
        "vehicle": outcome.start.vehicle.document.path.name if outcome.start.vehicle.document.path else "",
        "seed": tune.seed,
        "budget": tune.budget,
        "evaluations": outcome.evaluations,
        "taken_back": len(known) - 1 - outcome.evaluations,
        "refused": sum(score.violation == REFUSED for score in known.values()),
        "broke_constraints": sum(0.0 < score.violation < REFUSED for score in known.values()),
        "objective": dict(tune.weights),
        "asked": asked,
        "verdict": _verdict(outcome, parts["held_out"]),
        **parts,
        "changes": [change.as_json() for change in outcome.changes],
        "moved": [
            {
                "name": knob.name,
                "change": knob.shown(level),
                "from": knob.shown(knob.low),
                "to": knob.shown(knob.high),
                "at_bound": level in (knob.low, knob.high),
                "worth": outcome.worth.get(place),
            }
            for place, (knob, level) in enumerate(zip(tune.knobs, outcome.point, strict=True))
        ],
        "doubts": [str(doubt.message) for doubt in outcome.start.doubts],
        "convergence": [
            {
                "objective": None if score.violation == REFUSED else score.objective,
                "violation": None if score.violation == REFUSED else score.violation,
            }
            for score in known.values()
        ],
        "inputs": dict(inputs),
    }


def _part(tune: Tune, roads: Sequence[Road], before: Drives, after: Drives) -> dict[str, Any]:
    rows = []
    for name, metric in METRICS.items():
        for road in having(before, name, roads):
            change = metric_change(after, before, name, road)
            first, last = (values_of(drives, name, [road]) for drives in (before, after))
            rows.append(
                {
                    "metric": name,
                    "label": metric.label,
                    "unit": metric.unit,
                    "higher_is_better": metric.higher,
                    "road": road.name,
                    "seeds": len(road.seeds),
                    "start": sum(first) / len(first),
                    "result": sum(last) / len(last),
                    "change": _interval(change),
                }
            )
    same_seeds = len({len(road.seeds) for road in roads}) == 1
    return {
        "objective": objective(after, before, tune, roads),
        "change": _interval(objective_change(after, before, tune, roads)) if same_seeds else None,
        "broken": violations(after, before, tune, roads),
        "metrics": rows,
    }


def _interval(one: Interval) -> dict[str, float | None]:
    ends = (one.low, one.high) if math.isfinite(one.half) else (None, None)
    return {"mean": one.mean, "low": ends[0], "high": ends[1]}


def _verdict(outcome: Outcome, held: Mapping[str, Any]) -> dict[str, Any]:
    change, broken = held["change"], held["broken"]
    if not any(outcome.point):
        says = (
            f"No better calibration was found in {outcome.evaluations} evaluations: the start stays as it is."
        )
        return {"improved": False, "says": says}
    figures = (
        f"the objective changed by {100 * change['mean']:+.2f} % "
        f"(95 %: {100 * change['low']:+.2f} to {100 * change['high']:+.2f} %), less is better"
    )
    if broken:
        says = f"Not improved: on roads that the search did not see {figures}, but {_list(broken)} got out of bounds. Keep the start."
    elif change["high"] < 0.0:
        says = f"Improved: on roads that the search did not see {figures}, and every constraint holds there. It is a simulation; drive it with care."
    elif change["low"] > 0.0:
        says = f"Worse: on roads that the search did not see {figures}. What the training gained was luck of its roads. Keep the start."
    else:
        says = f"Not shown to be better: on roads that the search did not see {figures}, which chance alone could give. Keep the start, or judge on more seeds."
    return {"improved": not broken and change["high"] < 0.0, "says": says}


def _list(broken: Mapping[str, float]) -> str:
    return ", ".join(broken)


def write(said: Mapping[str, Any], folder: Path) -> None:
    """Write result.json and report.html."""
    from dashpot.tune.report import page

    with atomic_path(folder / RESULT) as aside:
        aside.write_text(json.dumps(said, indent=2, allow_nan=False) + "\n", encoding="utf-8")
    with atomic_path(folder / REPORT) as aside:
        aside.write_text(page(said), encoding="utf-8")
