"""The findings for people, on the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click
import numpy as np

from dashpot import console

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from dashpot.suggest.motion import Motion
    from dashpot.suggest.series import Floats

_BARS = " ▁▂▃▄▅▆▇█"
#: The histogram shown: to the top of the high band on both sides.
SHOWN_MM_S = 508.0
COLUMNS = 40


def show(result: Mapping[str, Any], motion: Mapping[str, Motion]) -> None:
    """Print a document of `dashpot.suggest.document`."""
    standing = result["standing"]
    click.echo(
        f"{result['log']}: {result['length_s']:.1f} s in {result['parts']} part{'s' * (result['parts'] != 1)}, "
        f"{standing['sections']} standing section{'s' * (standing['sections'] != 1)} of {standing['seconds']:.1f} s in all"
    )
    console.table(
        "Zeros", _ZERO_COLUMNS, [_zero_row(zero) for zero in result["zeros"] if not zero["missing"]]
    )
    console.table(
        "Cross-checks",
        _CHECK_COLUMNS,
        [_check_row(one) for one in result["cross_checks"] if not one["missing"]],
    )
    leads = [_lead_row(one) for one in result["leads"].values() if one["events"]]
    if leads:
        console.table("Leads", _LEAD_COLUMNS, leads)
    console.table("Messages", _MESSAGE_COLUMNS, [_message_row(one) for one in result["messages"]])
    if result["margins"]:
        console.table(
            "Checks of the calibration, on this log", _MARGIN_COLUMNS, _margin_rows(result["margins"])
        )
    _show_motion(result["motion"], motion)
    if result["corrected_channels"]:
        click.echo(
            f"Leads, motion and checks are computed with the suggestions for {', '.join(result['corrected_channels'])}."
        )
    _listed("To look at", [(one["about"], one["says"], one["evidence"]) for one in result["remarks"]])
    _listed("Cannot be judged from this log", [(one["about"], one["says"], []) for one in result["missing"]])
    _suggestions(result)


def _suggestions(result: Mapping[str, Any]) -> None:
    made = result["suggestions"]
    if not made:
        click.echo("\nNo change is suggested.")
        return
    click.echo(f"\nSuggestions ({len(made)}); nothing was changed")
    for one in made:
        click.echo(f"  [{one['confidence']}] {one['file']}: {one['key']} = {one['new']}, now {one['now']}")
        click.echo(f"      {one['why']}")
        for line in one["evidence"]:
            click.echo(f"      - {line}")
    if result["diff"]:
        click.echo("\nAs a diff, for `patch -p1` in the folder of the files:\n")
        click.echo(result["diff"], nl=False)
    for key in result["by_hand"]:
        click.echo(f"{key} was not found on a line of its own: set it by hand.")
    for line in result["diff_mistakes"]:
        click.echo(f"With all of it the files would not pass their check: {line}")


def _listed(title: str, rows: Iterable[tuple[str, str, Sequence[str]]]) -> None:
    listed = list(rows)
    if not listed:
        return
    click.echo(f"\n{title}")
    for about, says, evidence in listed:
        click.echo(f"  {about}: {says}")
        for line in evidence:
            click.echo(f"      - {line}")


_ZERO_COLUMNS = (
    "channel",
    "reads",
    "+- 95 %",
    "unit",
    "noise rms",
    "sections",
    "s",
    "where",
    "drift",
    "verdict",
)


def _zero_row(zero: Mapping[str, Any]) -> list[object]:
    verdict = "too noisy" if zero["too_noisy"] else "off" if zero["off"] else "fine"
    drift = "" if zero["drift"] is None else f"{zero['drift']:+.3g}"
    figures = [
        f"{zero['mean']:.4f}",
        _number(zero["half_width"], ".2g"),
        zero["unit"],
        f"{zero['noise_rms']:.2g}",
    ]
    return [
        zero["channel"],
        *figures,
        zero["sections"],
        f"{zero['seconds']:.1f}",
        zero["where"],
        drift,
        verdict,
    ]


_CHECK_COLUMNS = ("what", "slope", "from", "to", "right is", "unit", "correlation", "verdict")


def _check_row(one: Mapping[str, Any]) -> list[object]:
    right = "above 0" if one["right"] is None else f"{one['right'][0]:.3g} to {one['right'][1]:.3g}"
    if one["astray"]:
        return [one["says"], "", "", "", right, one["unit"], "", "does not follow"]
    slopes = [_number(one[key], ".4g") for key in ("slope", "low", "high")]
    return [
        one["says"], *slopes, right, one["unit"], f"{one['correlation']:.2f}", "fine" if one["good"] else "FAILS",
    ]  # fmt: skip


_LEAD_COLUMNS = ("what", "ms", "from", "to", "1 in 10 below", "1 in 10 above", "events", "left out")


def _lead_row(one: Mapping[str, Any]) -> list[object]:
    times = [one[key] for key in ("median_s", "low_s", "high_s", "p10_s", "p90_s")]
    return [
        one["says"],
        *("" if t is None else f"{1000 * t:.1f}" for t in times),
        one["events"],
        one["skipped"],
    ]


_MESSAGE_COLUMNS = (
    "message",
    "frames",
    "period ms",
    "mean age ms",
    "longest gap ms",
    "at s",
    "short",
    "out of order",
)


def _message_row(one: Mapping[str, Any]) -> list[object]:
    times = [one["period_us"]["median"], one["mean_age_us"], one["longest_gap_us"]]
    at = one["longest_gap_at_s"]
    return [
        one["message"], one["frames"], *("" if t is None else f"{t / 1000:.3f}" for t in times),
        "" if at is None else f"{at:.3f}", one["short"], one["out_of_order"],
    ]  # fmt: skip


_MARGIN_COLUMNS = ("check", "kept up for the trip time", "limit", "unit", "limit is", "most", "s compared")


def _margin_rows(rows: Sequence[Mapping[str, Any]]) -> list[list[object]]:
    return [
        [
            row["check"], f"{row['sustained']:.3g}", f"{row['limit']:.3g}", row["unit"],
            f"{row['limit'] / row['sustained']:.1f} times that" if row["sustained"] else "", f"{row['most']:.3g}",
            f"{row['seconds']:.0f}",
        ]
        for row in rows
    ]  # fmt: skip


_MOTION_COLUMNS = (
    *("corner", "least mm", "most mm", "left to compression stop", "to rebound stop", "near, s"),
    *("fastest compression mm/s", "rebound", "visits", "hardest: mm/s", "gap mm", "J/kg"),
)
_BAND_COLUMNS = ("corner", "direction", "low %", "medium %", "high %", "above %")


def _show_motion(document: Mapping[str, Any], motion: Mapping[str, Motion]) -> None:
    if not document:
        return
    rows, bands = [], []
    for corner, one in document.items():
        ends = [end for end in one["ends"] if end is not None]
        margins = ["" if end is None else _number(end["margin_mm"], ".1f") for end in one["ends"]]
        near = sum(end["near_s"] for end in ends)
        hardest = max(one["events"], key=lambda event: event["energy_j_kg"], default=None)
        event = ["", "", ""] if hardest is None else [
            f"{hardest['speed_mm_s']:.0f}", f"{hardest['gap_mm']:.1f}", f"{hardest['energy_j_kg']:.3f}",
        ]  # fmt: skip
        rows.append([
            corner, _number(one["least_mm"], ".1f"), _number(one["most_mm"], ".1f"), *margins, f"{near:.2f}",
            f"{one['fastest_compression_mm_s']:.0f}", f"{one['fastest_rebound_mm_s']:.0f}", one["event_count"], *event,
        ])  # fmt: skip
        for direction in ("compression", "rebound"):
            shares = [
                100.0 * s / one["time_s"] if one["time_s"] else 0.0 for s in one[f"bands_{direction}_s"]
            ]
            bands.append([corner, direction, *(f"{share:.2f}" for share in shares)])
    console.table("Motion", _MOTION_COLUMNS, rows)
    console.table("Time by stroke speed: to 50.8, 152.4, 508 mm/s, above", _BAND_COLUMNS, bands)
    click.echo(
        f"Stroke speed, {-SHOWN_MM_S:g} mm/s (rebound) to {SHOWN_MM_S:g} mm/s (compression), height by the logarithm of time"
    )
    for corner, one in motion.items():
        click.echo(f"  {corner:12}|{bars(one.speed_s)}|")


def bars(seconds: Floats) -> str:
    """Draw the middle of a stroke-speed histogram as COLUMNS characters; a little time is still seen."""
    from dashpot.suggest.motion import SPEED_MOST_MM_S, SPEED_STEP_MM_S

    edge = round((SPEED_MOST_MM_S - SHOWN_MM_S) / SPEED_STEP_MM_S)
    shown = seconds[edge : len(seconds) - edge].reshape(COLUMNS, -1).sum(axis=1)
    if not shown.any():
        return " " * COLUMNS
    # Four decades below the highest column are the lowest visible ones.
    level = 1.0 + np.log10(np.maximum(shown / shown.max(), 1e-9)) / 4.0
    place = np.where(shown > 0, np.clip(np.ceil(level * (len(_BARS) - 1)), 1, len(_BARS) - 1), 0).astype(int)
    return "".join(_BARS[k] for k in place)


def _number(value: float | None, form: str) -> str:
    return "" if value is None else f"{value:{form}}"
