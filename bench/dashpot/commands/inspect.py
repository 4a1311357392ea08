"""`dashpot inspect`: what is in a log, before anything is built on it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from dashpot import console
from dashpot.errors import InputError

ASSUMED_BITRATE = 500_000
_NAMED = 12


@click.command("inspect")
@click.argument("log", type=click.Path(path_type=Path))
@click.option(
    "--dbc",
    "dbcs",
    multiple=True,
    type=click.Path(path_type=Path),
    help="DBC to decode with; may be given again.",
)
@click.option("--channel", help="Look at this channel only; by default at all.")
@click.option(
    "--bitrate",
    type=click.IntRange(1_000, 10_000_000),
    help=f"The bus's bit/s, for its load; {ASSUMED_BITRATE} is assumed.",
)
@click.option(
    "--format", "log_format", help="candump, asc, blf, trc, csv or mf4, where the file does not tell."
)
@click.option("--strict", is_flag=True, help="Stop at the first line or object that cannot be read.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document and nothing else on stdout.")
def command(
    log: Path,
    dbcs: tuple[Path, ...],
    channel: str | None,
    bitrate: int | None,
    log_format: str | None,
    strict: bool,
    as_json: bool,
) -> None:
    """Show what LOG holds: identifiers with period, jitter and gaps, bus load, signals, errors.

    LOG is a candump, ASC, BLF, TRC, CSV or MF4 file, also packed with gzip. Times are in seconds or
    milliseconds, positions in the recording in seconds from its first frame. docs/inspect.md explains each figure.
    """
    from dashpot.logs.decode import load_dbc

    messages = load_dbc(dbcs)
    result = inspect_log(
        log, messages, channel=channel, bitrate=bitrate, log_format=log_format, strict=strict, dbcs=dbcs
    )
    if as_json:
        console.print_json(result)
    else:
        show(result)


def inspect_log(
    log: Path,
    messages: Mapping[tuple[int, bool], Any],
    *,
    channel: str | None = None,
    bitrate: int | None = None,
    log_format: str | None = None,
    strict: bool = False,
    dbcs: tuple[Path, ...] = (),
) -> dict[str, Any]:
    """Read a log once and return its figures under stable keys, ready for JSON.

    Raises:
        InputError: The log cannot be read, has no such channel, or holds none of the messages.
    """
    from dashpot.logs import open_log
    from dashpot.logs.survey import Survey

    reader = open_log(log, format=log_format, strict=strict)
    survey = Survey(reader.channels, messages, bitrate or ASSUMED_BITRATE, only=channel)
    with console.progress(reader.bytes_total, "inspect", "B") as bar:
        done = 0
        for block in reader:
            survey.add(block)
            bar.advance(reader.bytes_read - done)
            done = reader.bytes_read
    if channel is not None and channel not in survey.channels:
        raise InputError(f"has no channel {channel!r}; it has {', '.join(reader.channels)}", where=log)
    surveys = sorted(survey.channels.values(), key=lambda s: reader.channels.index(s.name))
    channels = [one.as_json() for one in surveys]
    for one in channels:
        one["bus_load"]["bitrate_assumed"] = bitrate is None
    seen = {(row["id"], row["extended"]) for one in channels for row in one["ids"] if not row["remote"]}
    if messages and not seen & messages.keys():
        raise InputError(_misfit(seen, messages), where=log)
    return {
        "log": str(log),
        "format": reader.format,
        "bytes": reader.bytes_total,
        "frames": sum(one["frames"] for one in channels),
        "first_us": min(one["first_us"] for one in channels),
        "last_us": max(one["last_us"] for one in channels),
        "problems": {
            "total": reader.problems.total,
            "counts": reader.problems.counts,
            "first": [{"kind": p.kind, "where": p.where, "detail": p.detail} for p in reader.problems.first],
        },
        "channels": channels,
        "dbc": {
            "files": [str(path) for path in dbcs],
            "messages": len(messages),
            "undecoded_ids": [_hex(*key) for key in sorted(seen - messages.keys(), key=_order)]
            if messages
            else [],
            "never_seen": [
                {"message": messages[key].name, "id_hex": _hex(*key), "source": messages[key].source}
                for key in sorted(messages.keys() - seen, key=_order)
            ],
        },
    }


def _order(key: tuple[int, bool]) -> tuple[bool, int]:
    return key[1], key[0]


def _hex(can_id: int, extended: bool) -> str:
    return f"{can_id:0{8 if extended else 3}X}"


def _listed(keys: set[tuple[int, bool]]) -> str:
    names = [_hex(*key) for key in sorted(keys, key=_order)]
    return ", ".join(names[:_NAMED]) + (f" and {len(names) - _NAMED} more" if len(names) > _NAMED else "")


def _misfit(seen: set[tuple[int, bool]], messages: Mapping[tuple[int, bool], Any]) -> str:
    expected = set(messages)
    said = (
        f"the DBC does not fit this log: it has none of the DBC's identifiers; seen {_listed(seen) or 'none'}; "
        f"expected {_listed(expected)}"
    )
    if {can_id for can_id, _ in seen} & {can_id for can_id, _ in expected}:
        return f"{said}; some differ only in being extended (8 digits) or not"
    return f"{said}; give the DBC of this bus, or another --channel"


# --- for people -------------------------------------------------------------------------------------------


def show(result: Mapping[str, Any]) -> None:
    """Print the figures as tables."""
    span_s = (result["last_us"] - result["first_us"]) / 1e6
    click.echo(f"{result['log']}: {result['format']}, {result['frames']} frames over {span_s:.3f} s")
    console.table("Channels", _CHANNEL_COLUMNS, [_channel_row(one) for one in result["channels"]])
    for one in result["channels"]:
        _show_remarks(one)
        console.table(f"Identifiers on {one['name']}", _ID_COLUMNS, [_id_row(row, one) for row in one["ids"]])
    rows = [
        _signal_row(s, row)
        for one in result["channels"]
        for row in one["ids"]
        for s in row.get("signals", [])
    ]
    if rows:
        console.table("Signals", _SIGNAL_COLUMNS, rows)
    dbc = result["dbc"]
    if dbc["messages"]:
        click.echo(f"Not in the DBC: {', '.join(dbc['undecoded_ids']) or 'none'}")
        never = [f"{row['message']} ({row['id_hex']})" for row in dbc["never_seen"]]
        click.echo(f"In the DBC, never seen: {', '.join(never) or 'none'}")
    problems = result["problems"]
    if problems["total"]:
        counted = ", ".join(f"{kind} {count}" for kind, count in problems["counts"].items())
        places = [(p["where"], p["kind"], p["detail"]) for p in problems["first"]]
        console.table(f"Not read as frames, or doubtful: {counted}", ("where", "kind", "what"), places)
    else:
        click.echo("Everything in the file was read.")


_CHANNEL_COLUMNS = (
    "channel",
    "frames",
    "data",
    "remote",
    "error",
    "FD",
    "load mean %",
    "worst 100 ms %",
    "bit/s",
)
_ID_COLUMNS = (
    *(
        "id",
        "message",
        "frames",
        "period ms",
        "p1",
        "p99",
        "deviation",
        "longest gap ms",
        "gap at s",
        "bytes",
    ),
    *("length changes", "short"),
)
_SIGNAL_COLUMNS = (
    "id",
    "message",
    "signal",
    "unit",
    "values",
    "min",
    "mean",
    "max",
    "all ones %",
    "out of range %",
)


def _channel_row(one: Mapping[str, Any]) -> list[object]:
    load = one["bus_load"]
    rate = f"{load['bitrate']}{' assumed' if load['bitrate_assumed'] else ''}"
    kinds = [one[kind] for kind in ("frames", "data", "remote", "error", "fd")]
    return [one["name"], *kinds, _percent(load["mean"]), _percent(load["worst_100ms"]), rate]


def _show_remarks(one: Mapping[str, Any]) -> None:
    back, jumps = one["stamps_backwards"], one["stamp_jumps"]
    if back["count"]:
        at_s = (back["at_us"] - one["first_us"]) / 1e6
        click.echo(
            f"{one['name']}: stamps go backwards {back['count']} times, most by {back['largest_us'] / 1e3:.3f} ms "
            f"at {at_s:.3f} s"
        )
    if jumps["count"]:
        at_s = (jumps["at_us"] - one["first_us"]) / 1e6
        click.echo(
            f"{one['name']}: {jumps['count']} gaps over 1 s without any frame, the longest {jumps['largest_us'] / 1e6:.3f} s, "
            f"up to {at_s:.3f} s; the mean load leaves them out"
        )
    if one["fd"] or one["error"]:
        click.echo(f"{one['name']}: the load leaves out {one['fd']} FD and {one['error']} error frames")


def _id_row(row: Mapping[str, Any], one: Mapping[str, Any]) -> list[object]:
    period = row["period_us"]
    gap_at = row["longest_gap_at_us"]
    return [
        f"{row['id_hex']} remote" if row["remote"] else row["id_hex"],
        row["message"],
        row["count"],
        *(_ms(period[key]) for key in ("median", "p1", "p99", "std")),
        _ms(row["longest_gap_us"]),
        "" if gap_at is None else f"{(gap_at - one['first_us']) / 1e6:.3f}",
        "/".join(row["lengths"]),
        row["length_changes"],
        row["short_frames"],
    ]


def _signal_row(signal: Mapping[str, Any], row: Mapping[str, Any]) -> list[object]:
    figures = ["" if signal[key] is None else f"{signal[key]:.6g}" for key in ("min", "mean", "max")]
    shares = [_percent(signal["all_ones_share"]), _percent(signal["out_of_range_share"])]
    return [row["id_hex"], row["message"], signal["name"], signal["unit"], signal["count"], *figures, *shares]


def _ms(value_us: float | None) -> str:
    return "" if value_us is None else f"{value_us / 1e3:.3f}"


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.2f}"
