"""From figures to statements: means with their intervals, differences to the best passive setting, and a verdict."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.evaluate.figures import METRICS
from dashpot.evaluate.setup import STARTING
from dashpot.evaluate.statistics import Estimate, estimate, paired
from dashpot.evaluate.study import BEST, EQUAL, LADDER, currents_ma
from dashpot.plant.circuit import Circuit

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashpot.evaluate.figures import Figures
    from dashpot.evaluate.study import Study

BODY, TYRE, COMFORT = "body_speed_mm_s", "tyre_variation_percent", "comfort_m_s2"
#: Tyre load variation counts as equal while all of the interval of its difference lies below this [D].
EQUAL_PERCENT = 1.0
#: What the overall table shows: each as a change in percent of the best passive setting's, mean over the scenarios.
OVERALL = (
    BODY, TYRE, COMFORT, "heave_rate_mm_s", "roll_rate_deg_s", "pitch_rate_deg_s", "body_motion_mm", "stroke_use_percent",
    "braking_variation_percent", "wet_variation_percent",
)  # fmt: skip
#: The two pictures: tyre load variation against these.
PICTURES = (BODY, COMFORT)
#: Below this a value is 0 and no change is a share of it.
LEAST = 1e-9


def summarise(study: Study) -> dict[str, Any]:
    """Return all that result.json holds, without versions: the same study gives the same."""
    scenarios = [course.name for course in study.setting.courses]
    names = [one.name for one in study.candidates]
    judged = verdict(study)
    return {
        "verdict": judged,
        "seeds": list(range(1, study.setting.job.seeds + 1)),
        "confidence_percent": 95,
        "reference": BEST,
        "candidates": [
            {"name": one.name, **currents_ma(one), **_searched(study, one.name)} for one in study.candidates
        ],
        "objective": {
            "body_speed": study.weights.body,
            "tyre_load_variation": study.weights.tyre,
            "weighted_acceleration": study.weights.comfort,
            "training_seeds": sorted({case.seed for case in study.setting.training()}),
            "training_s": study.setting.job.training_s,
        },
        "metrics": {
            name: {"label": one.label, "unit": one.unit, "meaning": one.meaning, "higher_is_better": one.higher}
            for name, one in METRICS.items()
        },
        "overall": {name: overall(study, name) for name in names},
        "scenarios": {
            scenario: {name: _cells(study.figures[name][scenario], study.figures[BEST][scenario]) for name in names}
            for scenario in scenarios
        },
    }  # fmt: skip


def change_percent(one: Sequence[float], other: Sequence[float]) -> Estimate | None:
    """Return the estimate of the change seed by seed, as a share of the other's mean; None where that is 0."""
    size = float(np.mean(np.abs(other)))
    if size < LEAST:
        return None
    found = paired(one, other)
    scale = 100.0 / size
    return Estimate(scale * found.mean, None if found.half is None else scale * found.half, found.count)


def changes_of(study: Study, name: str) -> dict[str, tuple[Estimate, int]]:
    """Return a candidate's change to the best passive setting in percent, seed by seed the mean over the scenarios.

    By metric, with the number of scenarios that have it.
    """
    found: dict[str, tuple[Estimate, int]] = {}
    for metric in OVERALL:
        each = []
        for course in study.setting.courses:
            own, best = (_values(study.figures[which][course.name], metric) for which in (name, BEST))
            size = float(np.mean(best)) if best else 0.0
            if own and size > LEAST:
                each.append(100.0 * (np.array(own) - np.array(best)) / size)
        if each:
            found[metric] = estimate(np.mean(each, axis=0)), len(each)
    return found


def overall(study: Study, name: str) -> dict[str, dict[str, Any]]:
    """Return `changes_of` for JSON."""
    return {metric: _said(one, scenarios=count) for metric, (one, count) in changes_of(study, name).items()}


def verdict(study: Study) -> dict[str, Any]:
    """Return whether the starting calibration beats the best passive setting, with a sentence that says so."""
    course = next(
        (one for one in study.setting.courses if isinstance(one.scenario.course, Circuit)),
        study.setting.courses[0],
    )
    body, tyre = _against(study, course.name, BEST)
    better, equal = body.sure < 0, _no_more(tyre)
    better_passive = _better_passive(study, course.name)
    beats = better and equal
    said = {
        "scenario": course.name,
        "beats": beats,
        "body_speed_percent": _said(body),
        "tyre_load_variation_percent": _said(tyre),
        "equal_below_percent": EQUAL_PERCENT,
        "passive_better_in_both": better_passive,
    }
    sentence = _sentence(
        course.name, body, tyre, beats=beats, better=better, equal=equal, passive=better_passive
    )
    if EQUAL in study.figures:
        body, tyre = _against(study, course.name, EQUAL)
        said["against_equal_tyre_load"] = {
            "beats": body.sure < 0 and _no_more(tyre),
            "body_speed_percent": _said(body),
            "tyre_load_variation_percent": _said(tyre),
        }
        sentence += (
            f" Against the calmest passive setting that had no more tyre load variation in training it has {_change(body)} "
            f"body speed and {_change(tyre)} tyre load variation."
        )
    else:
        sentence += " In training no passive setting had as little tyre load variation."
    return {**said, "sentence": sentence + _everywhere(study)}


def _against(study: Study, scenario: str, other: str) -> tuple[Estimate, Estimate]:
    """Return the changes of body speed and tyre load variation of the starting calibration against another candidate."""
    own, theirs = (study.figures[name][scenario] for name in (STARTING, other))
    body, tyre = (
        change_percent(_values(own, metric), _values(theirs, metric)) or Estimate(0.0, None, len(own))
        for metric in (BODY, TYRE)
    )
    return body, tyre


def _no_more(tyre: Estimate) -> bool:
    return tyre.half is not None and tyre.high < EQUAL_PERCENT


def _sentence(
    where: str,
    body: Estimate,
    tyre: Estimate,
    *,
    beats: bool,
    better: bool,
    equal: bool,
    passive: Sequence[str],
) -> str:
    measured = (
        f"On {where} the starting calibration has {_change(body)} body speed and {_change(tyre)} tyre load variation "
        "against the best single passive setting"
    )
    if body.half is None:
        return f"{measured}: one seed has no confidence interval, so this is no verdict."
    if beats:
        end = "it beats that setting in body control at equal or better tyre load variation"
    else:
        reasons = []
        if not better:
            reasons.append(
                "its body speed is higher" if body.low > 0.0 else "it is not surely better in body control"
            )
        if not equal:
            reasons.append(
                "its tyre load variation is higher"
                if tyre.low > 0.0
                else f"that its tyre load variation is no more than {EQUAL_PERCENT:g} % higher is not sure"
            )
        end = f"it does not beat that setting: {', and '.join(reasons)}"
    more = (
        f"Better in both at once: {', '.join(passive)}"
        if passive
        else "No passive setting that was driven is better in both at once"
    )
    return f"{measured}: {end}. {more}."


def _everywhere(study: Study) -> str:
    """Return a sentence on all scenarios together, nothing where there is one only."""
    changes = changes_of(study, STARTING)
    if len(study.setting.courses) < 2 or not {BODY, TYRE} <= changes.keys():
        return ""
    body, tyre = (changes[metric][0] for metric in (BODY, TYRE))
    return (
        f" Over all {len(study.setting.courses)} scenarios it has {_change(body)} body speed and {_change(tyre)} tyre load "
        "variation."
    )


def _change(value: Estimate) -> str:
    """Return words as in "3.1 ± 1.1 % less"."""
    size = abs(value.mean)
    way = "less" if value.mean < 0.0 else "more"
    if value.half is None:
        return f"{size:.1f} % {way}"
    return f"{size:.1f} ± {value.half:.1f} % {way}"


def _better_passive(study: Study, scenario: str) -> list[str]:
    """Return the passive settings whose means are below the starting calibration's in both numbers of the verdict."""

    def means(name: str) -> tuple[float, ...]:
        return tuple(
            float(np.mean(_values(study.figures[name][scenario], metric))) for metric in (BODY, TYRE)
        )

    own = means(STARTING)
    return [
        name
        for name in (*LADDER.values(), BEST, EQUAL)
        if name in study.figures and all(other < mine for other, mine in zip(means(name), own, strict=True))
    ]


def _values(figures: Sequence[Figures], metric: str) -> list[float]:
    """Return a metric's values over the seeds, none where a seed has none."""
    found = [one.value(metric) for one in figures]
    return (
        []
        if any(value is None for value in found)
        else [float(value) for value in found if value is not None]
    )


def _cells(own: Sequence[Figures], best: Sequence[Figures]) -> dict[str, Any]:
    said: dict[str, Any] = {}
    for metric in METRICS:
        values = _values(own, metric)
        if not values:
            continue
        said[metric] = _said(estimate(values))
        against = _values(best, metric) if METRICS[metric].ratio else []
        change = change_percent(values, against) if against else None
        if change is not None:
            said[metric]["change_percent"] = _said(change)
    return said


def _said(value: Estimate, **more: Any) -> dict[str, Any]:
    """Return an estimate for JSON, with five figures that count."""
    return {
        "mean": digits(value.mean),
        "half": None if value.half is None else digits(value.half),
        "sure": value.sure,
        **more,
    }


def digits(value: float) -> float:
    """Return a number with five figures that count."""
    return float(f"{value:.5g}")


def _searched(study: Study, name: str) -> Mapping[str, Any]:
    found = study.searched.get(name)
    if found is None:
        return {}
    return {"shares": list(found.shares), "objective": digits(found.objective), "tried": len(found.tried)}
