"""What dashpot prints: results on stdout, progress and remarks on stderr, nothing but JSON with `--json`.

rich is imported inside the functions, because it would take a third of the start-up time of a replay.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

import click

if TYPE_CHECKING:
    from rich.console import Console


class Progress(Protocol):
    """What the body of `progress` gets."""

    def advance(self, n: float = 1) -> None:
        """Say that `n` more units are done."""

    def describe(self, label: str) -> None:
        """Say something else of what is being done."""


class _Silent:
    def advance(self, n: float = 1) -> None:
        """Show nothing."""

    def describe(self, label: str) -> None:
        """Show nothing."""


@contextmanager
def progress(total: float | None, label: str, unit: str) -> Iterator[Progress]:
    """Show a bar on stderr while the body runs; silent with `--quiet` or when stderr is no terminal.

    Args:
        total: How many units there are in all; None where that is not known.
        label: What is being done, for example "replay".
        unit: What is counted, for example "frames" or "s"; "B" is shown in kB, MB and so on.
    """
    if quiet() or not sys.stderr.isatty():
        yield _Silent()
        return
    from rich import progress as bars

    amount: bars.ProgressColumn = (
        bars.DownloadColumn() if unit == "B" else bars.TextColumn(f"{{task.completed:,.0f}} {unit}")
    )
    with bars.Progress(
        bars.TextColumn("{task.description}"),
        bars.BarColumn(),
        bars.TaskProgressColumn(),
        amount,
        bars.TimeRemainingColumn(),
        console=_console(stderr=True),
        transient=True,
    ) as display:
        task = display.add_task(label, total=total)

        class Bar:
            def advance(self, n: float = 1) -> None:
                display.advance(task, n)

            def describe(self, label: str) -> None:
                display.update(task, description=label)

        yield Bar()


def table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table on stdout; columns whose cells are all numbers are set to the right.

    Numbers are shown as str() writes them: give a formatted string where digits matter. Strings made of
    digits count as numbers for the alignment; None is an empty cell.
    """
    from rich.table import Table
    from rich.text import Text

    cells = [["" if cell is None else str(cell) for cell in row] for row in rows]
    shown = Table(title=title or None, title_justify="left")
    for index, name in enumerate(columns):
        numeric = bool(cells) and all(_is_number(row[index]) for row in cells)
        shown.add_column(name, justify="right" if numeric else "left", overflow="fold")
    for row in cells:
        shown.add_row(*(Text(cell) for cell in row))
    _console(stderr=False).print(shown)


def print_json(value: Mapping[str, object] | Sequence[object]) -> None:
    """Print one JSON document on stdout, keys in the order given, no NaN or infinity."""
    click.echo(json.dumps(value, indent=2, allow_nan=False, ensure_ascii=False))


def say(text: str) -> None:
    """Print a remark on stderr, unless `--quiet`."""
    if not quiet():
        click.echo(text, err=True)


def warn(text: str) -> None:
    """Print a warning on stderr, also with `--quiet`: whoever asked for silence still needs to know."""
    click.echo(f"dashpot: warning: {text}", err=True)


def quiet() -> bool:
    """Return whether the user gave `dashpot --quiet`."""
    context = click.get_current_context(silent=True)
    return bool(context is not None and context.find_root().params.get("quiet"))


def _is_number(text: str) -> bool:
    if not text:
        return True
    try:
        float(text.replace(",", "").rstrip("%"))
    except ValueError:
        return False
    return True


def _console(*, stderr: bool) -> Console:
    from rich.console import Console

    class PipeConsole(Console):
        def on_broken_pipe(self) -> None:
            # rich would end with exit code 1, which is a verdict here; cli.main knows what to do.
            raise BrokenPipeError

    stream = sys.stderr if stderr else sys.stdout
    # Into a file or pipe nothing is folded, so that every row stays one line for grep.
    width = None if stream.isatty() else 1000
    return PipeConsole(file=stream, width=width, markup=False, highlight=False, emoji=False)
