"""The command `dashpot codes`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from dashpot import options

if TYPE_CHECKING:
    from dashpot.layout import Layout

KINDS = ("fault", "check", "mode", "condition", "flag", "code")
TITLES = {
    "fault": "Faults, the column `faults` and the bits of Controller_Status",
    "check": "Checks, each of which raises a fault",
    "mode": "Modes",
    "condition": "Conditions, what the mode is chosen by",
    "flag": "Flags that a board says of itself",
    "code": "What became of an image or a record",
}


class Entry(NamedTuple):
    """One code of one kind; texts that its kind does not have are empty."""

    kind: str
    number: int
    name: str
    meaning: str
    cause: str = ""
    advice: str = ""
    fault: str = ""


@click.command(short_help="Look up a fault, check, mode or code of the firmware.")
@click.argument("code", required=False)
@click.option("--kind", type=click.Choice(KINDS), help="Only codes of this kind.")
@options.firmware
@click.option("--json", "as_json", is_flag=True, help="Print the entries as JSON.")
def command(code: str | None, kind: str | None, firmware: Path | None, as_json: bool) -> None:
    """List every code of the firmware, or explain CODE.

    CODE is a name (coil_open, coil_open.front_left), a number as the firmware counts them (22), or a mask of faults as
    the bus carries it (0x400040).
    """
    from dashpot import console
    from dashpot.layout import Layout
    from dashpot.resources import firmware_dir

    entries = [e for e in entries_of(Layout.load(firmware or firmware_dir())) if kind in (None, e.kind)]
    if code is not None:
        entries = find(entries, code)
    if as_json:
        console.print_json([{k: v for k, v in e._asdict().items() if v != ""} for e in entries])
    elif code is None:
        _list(entries)
    else:
        for entry in entries:
            _explain(entry)


def entries_of(layout: Layout) -> list[Entry]:
    """Return every code of a firmware with its words, kind by kind."""
    from dashpot import faultwords as words

    entries = [
        Entry("fault", number, name, *words.fault_words(name)) for number, name in enumerate(layout.faults)
    ]
    entries += [
        Entry("check", number, check.name, words.check_words(check.name), fault=check.fault)
        for number, check in enumerate(layout.checks)
    ]
    for kind, names, table in (
        ("mode", layout.modes, words.MODE_WORDS),
        ("condition", layout.conditions, words.CONDITION_WORDS),
        ("flag", layout.board_flags, words.FLAG_WORDS),
    ):
        entries += [
            Entry(kind, number, name, table.get(name, name.replace("_", " ")))
            for number, name in enumerate(names)
        ]
    entries += [
        Entry("code", code.number, name, code.meaning, advice=code.advice)
        for name, code in words.CODE_WORDS.items()
    ]
    return entries


def find(entries: list[Entry], code: str) -> list[Entry]:
    """Return the entries that a name, a number or a mask of faults means.

    Raises:
        InputError: none does; the message has the nearest names.

    """
    from dashpot.errors import InputError

    asked = code.strip().lower().replace("-", "_")
    if asked.startswith("0x"):
        try:
            mask = int(asked, 16)
        except ValueError:
            raise InputError(f"{code!r} is no mask of faults; one looks like 0x400040") from None
        faults = [e for e in entries if e.kind == "fault"]
        beyond = mask >> len(faults)
        if beyond or not mask:
            raise InputError(f"{code} has {'no bit set' if not mask else 'bits that are no fault'}")
        return [e for e in faults if mask >> e.number & 1]
    if asked.isdecimal():
        found = [e for e in entries if e.number == int(asked)]
    else:
        found = [e for e in entries if asked in (e.name, e.name.partition(".")[0])]
    if not found:
        import difflib

        names = list(dict.fromkeys(name for e in entries for name in (e.name, e.name.partition(".")[0])))
        near = difflib.get_close_matches(asked, names, n=3, cutoff=0.5)
        hint = f"; near are {', '.join(near)}" if near else "; `dashpot codes` lists them all"
        raise InputError(f"the firmware has no code {code!r}{hint}")
    return found


def _list(entries: list[Entry]) -> None:
    from dashpot import console

    for kind in KINDS:
        rows = [
            [e.number, e.name, f"{e.meaning} ({e.fault})" if e.fault else e.meaning]
            for e in entries
            if e.kind == kind
        ]
        if rows:
            console.table(TITLES[kind], ["number", "name", "meaning"], rows)


def _explain(entry: Entry) -> None:
    click.echo(f"{entry.kind} {entry.number}, {entry.name}: {entry.meaning}.")
    if entry.cause:
        click.echo(f"  Usually: {entry.cause}.")
    if entry.advice:
        click.echo(f"  To do: {entry.advice}.")
    if entry.fault:
        click.echo(f"  It raises the fault {entry.fault}.")
