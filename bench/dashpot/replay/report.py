"""What a replay says of itself: the summary for programs, the manifest, the lines for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from dashpot import console
from dashpot.faultwords import fault_words

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from dashpot.layout import Layout
    from dashpot.logs.reader import LogReader
    from dashpot.replay.engine import Replayed
    from dashpot.replay.statistics import Seen
    from dashpot.replay.timeline import Timeline


#: The faults that every replay begins with, since nothing has been received yet.
WAITING_FAULTS = {"channel_lost", "required_lost"}
AT_START = "until the first data came"


def skipped_of(timeline: Timeline) -> dict[str, int]:
    """Return the frames of a log that the controller did not get, by reason."""
    counts = timeline.counts
    return {
        "other_channel": counts.other_channel,
        "remote": counts.remote,
        "error": counts.error,
        "fd": counts.fd,
        "lost": counts.lost,
    }


def time_of(timeline: Timeline) -> dict[str, int | float]:
    """Return what was done to the log's stamps."""
    counts = timeline.counts
    return {
        "backwards": counts.backwards,
        "steps_back": counts.steps_back,
        "jumps": counts.jumps,
        "jumped_s": counts.jumped_us / 1e6,
    }


def summarise(
    done: Replayed, layout: Layout, reader: LogReader, *, name: str, channel: str, period_us: int, wall_s: float,
    hashes: Mapping[str, Any],
) -> dict[str, Any]:  # fmt: skip
    """Return the summary, the content of summary.json and of --json.

    Args:
        done: what was replayed.
        layout: names of the firmware's words.
        reader: the log.
        name: of the log's file.
        channel: the channel that was replayed.
        period_us: tick period.
        wall_s: how long all of it took.
        hashes: the manifest's hashes.

    """
    statistics, timeline = done.statistics, done.timeline
    last = dict(zip([word.name for word in layout.trace], (word.at for word in layout.trace), strict=True))
    log_s = statistics.ticks * period_us / 1e6
    ticks = statistics.ticks
    channels = [channel.name for channel in layout.channels]
    return {
        "log": name,
        "format": reader.format,
        "channel": channel,
        "frames": reader.frames,
        "frames_delivered": timeline.counts.delivered,
        "frames_skipped": skipped_of(timeline),
        "stamps": time_of(timeline),
        "problems": dict(sorted(reader.problems.counts.items())),
        "ticks": ticks,
        "period_us": period_us,
        "log_s": log_s,
        "wall_s": round(wall_s, 3),
        "realtime_factor": round(log_s / wall_s, 2),
        "tick_ns": statistics.tick_ns(),
        "alloc_kept_bytes": statistics.alloc_kept_bytes,
        "alloc_gross_bytes": statistics.alloc_gross_bytes,
        **{
            name: int(statistics.last[last[name]])
            for name in ("frames_used", "frames_unknown", "frames_bad", "signals_bad", "guard_acts")
        },
        "current_ma": {
            corner: {
                "min": int(statistics.current_min_ma[i]),
                "max": int(statistics.current_max_ma[i]),
                "mean": round(int(statistics.current_sum_ma[i]) / ticks, 2),
            }
            for i, corner in enumerate(layout.corners)
        },
        "mode_ticks": dict(zip(layout.modes, statistics.mode_ticks.tolist(), strict=True)),
        "faults": _seen(statistics.seen["faults"], layout.faults, timeline),
        "channels_lost": _seen(statistics.seen["channels_lost"], channels, timeline),
        "channels_latched": _seen(statistics.seen["channels_latched"], channels, timeline),
        "channels_implausible": _seen(statistics.seen["channels_implausible"], channels, timeline),
        "corners_off": _seen(statistics.seen["corners_off"], layout.corners, timeline),
        "hashes": dict(hashes),
    }


def _seen(bits: Mapping[int, Seen], names: Any, timeline: Timeline) -> dict[str, dict[str, int | float]]:
    start_us = timeline.first_us or 0
    return {
        names[bit]: {
            "ticks": seen.ticks,
            "first_tick": seen.first_tick,
            "first_s": (seen.first_log_us - start_us) / 1e6,
            "last_tick": seen.last_tick,
            "last_s": (seen.last_log_us - start_us) / 1e6,
        }
        for bit, seen in sorted(bits.items())
    }


def show(summary: Mapping[str, Any], run: Path) -> None:
    """Print the summary for people on stdout."""
    period_ms = summary["period_us"] / 1000
    on = f", channel {summary['channel']}" if summary["channel"] != "-" else ""
    click.echo(
        f"Replayed {summary['log']} ({summary['format']}{on}): {summary['frames_delivered']:,} of "
        f"{summary['frames']:,} frames in {summary['ticks']:,} ticks of {period_ms:g} ms; {summary['log_s']:.1f} s of "
        f"log in {summary['wall_s']:.2f} s, {summary['realtime_factor']:.0f} x real time."
    )
    tick_ns = summary["tick_ns"]
    kept, gross = summary["alloc_kept_bytes"], summary["alloc_gross_bytes"]
    click.echo(
        f"A tick took {tick_ns['mean'] / 1000:.1f} us (mean; 99 % within {tick_ns['p99'] // 1000} us) on this machine "
        f"and {'took no memory' if kept == gross == 0 else f'kept {kept} and used {gross} bytes of memory in all'}."
    )
    modes = [
        f"{name.replace('_', ' ')} {ticks:,} ticks ({100 * ticks / summary['ticks']:.1f} %)"
        for name, ticks in summary["mode_ticks"].items()
        if ticks
    ]
    click.echo(f"Modes: {', '.join(modes)}.")
    console.table(
        "Current, mA",
        ["corner", "least", "most", "mean"],
        [
            [corner.replace("_", "-"), values["min"], values["max"], f"{values['mean']:.1f}"]
            for corner, values in summary["current_ma"].items()
        ],
    )
    _show_faults(summary)
    for line in oddities(summary):
        click.echo(f" - {line}")
    click.echo(f"The run is in {run}; docs/runs.md says how to read it.")


def _show_faults(summary: Mapping[str, Any]) -> None:
    if not summary["faults"]:
        click.echo("Faults: none.")
        return
    ticks = summary["ticks"]
    seen_at = {name: _stretch(seen, ticks) for name, seen in summary["faults"].items()}
    lost: dict[str, list[str]] = {}
    for name, seen in summary["channels_lost"].items():
        lost.setdefault(_stretch(seen, ticks), []).append(name)
    if set(seen_at) <= WAITING_FAULTS and {*seen_at.values(), *lost} == {AT_START}:
        last_s = max(seen["last_s"] for seen in summary["faults"].values())
        click.echo(
            f"Faults: none after the first {1000 * last_s:.0f} ms, while the first data came in "
            f"({_grouped(lost[AT_START])})."
        )
        return
    click.echo("Faults:")
    for name, when in seen_at.items():
        words = fault_words(name)
        click.echo(f" - {name}, {when}: {words.meaning}.")
        click.echo(f"   Usually: {words.cause}. To do: {words.advice}.")
    for when, names in lost.items():
        click.echo(f" - channels not trusted, {when}: {_grouped(names)}.")
    for key, what in (
        ("channels_implausible", "channels that disagreed with the others"),
        ("channels_latched", "channels that stay lost until a reset"),
        ("corners_off", "corners without any current"),
    ):
        if summary[key]:
            click.echo(f" - {what}: {_grouped(list(summary[key]))}.")


def _stretch(seen: Mapping[str, Any], ticks: int) -> str:
    """Say when something was the case: from the start, all the time, or the times."""
    whole = seen["ticks"] == seen["last_tick"] - seen["first_tick"] + 1
    if whole and seen["first_tick"] == 0:
        return "all the time" if seen["ticks"] == ticks else AT_START
    return _when(seen)


def _when(seen: Mapping[str, Any]) -> str:
    ticks = seen["ticks"]
    if ticks == 1:
        return f"1 tick at {seen['first_s']:.3f} s"
    whole = ticks == seen["last_tick"] - seen["first_tick"] + 1
    return f"{ticks:,} ticks {'from' if whole else 'between'} {seen['first_s']:.3f} {'to' if whole else 'and'} {seen['last_s']:.3f} s"


def _grouped(names: list[str]) -> str:
    """Join names; those that differ in the corner alone become one with their number."""
    groups: dict[str, int] = {}
    for name in names:
        groups[name.partition(".")[0]] = groups.get(name.partition(".")[0], 0) + 1
    return ", ".join(f"{name} ({count} corners)" if count > 1 else name for name, count in groups.items())


def oddities(summary: Mapping[str, Any]) -> list[str]:
    """Return a line for each thing in the log that was not replayed as it stands; empty for a clean log."""
    skipped, stamps = summary["frames_skipped"], summary["stamps"]
    texts = [
        (skipped["other_channel"], "frames of other channels were left out"),
        (skipped["remote"], "remote frames were left out: they carry no data"),
        (skipped["error"], "error frames were left out"),
        (skipped["fd"], "FD frames were left out: the controller's bus is classic CAN"),
        (skipped["lost"], "frames were lost because a tick had more of them than the ring holds"),
        (summary["frames_unknown"], "frames have ids that the image does not use"),
        (summary["frames_bad"], "frames were refused for length, checksum or counter"),
        (summary["signals_bad"], "signal values were invalid or out of range"),
        (stamps["backwards"] - stamps["steps_back"], "frames were stamped before the one ahead of them; they came at once"),
        (stamps["steps_back"], "times the log's clock was set back; time went on from there"),
        (stamps["jumps"], f"silences were shortened, by {stamps['jumped_s']:.1f} s in all (--max-gap-s)"),
        *((count, f"places in the file could not be read: {kind.replace('_', ' ')}") for kind, count in summary["problems"].items()),
    ]  # fmt: skip
    return [f"{count:,} {text}" for count, text in texts if count]
