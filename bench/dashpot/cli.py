"""The command `dashpot`: finds subcommands, and turns every error into one clear line and an exit code."""

from __future__ import annotations

import importlib
import os
import pkgutil
import sys
import traceback
from collections.abc import Sequence

import click

from dashpot import commands
from dashpot.errors import DashpotError
from dashpot.version import __version__

EXIT_INPUT = 2
EXIT_INTERNAL = 70  # EX_SOFTWARE of sysexits.h
EXIT_STOPPED = 130  # 128 + SIGINT, as shells report it
EXIT_PIPE = 141  # 128 + SIGPIPE
#: Letters of a message; a parser may quote a whole broken file.
MESSAGE_MOST = 2000


class LazyGroup(click.Group):
    """Loads a subcommand's module only when it is asked for, so that one command does not pay for all."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click hands it over
        """Return the names of the modules in dashpot.commands."""
        return sorted(module.name for module in pkgutil.iter_modules(commands.__path__))

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import dashpot.commands.<name> and return its `command`, or None where there is no such module."""
        if cmd_name not in self.list_commands(ctx):
            return None
        command = importlib.import_module(f"dashpot.commands.{cmd_name}").command
        if not isinstance(command, click.Command):
            raise TypeError(f"dashpot.commands.{cmd_name}.command is no click command")
        return command


@click.group(cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, message="%(prog)s %(version)s")
@click.option("-q", "--quiet", is_flag=True, help="No progress bar and no remarks; warnings stay.")
@click.option(
    "--debug",
    is_flag=True,
    envvar="DASHPOT_DEBUG",
    help="Show the traceback of any error (or DASHPOT_DEBUG=1).",
)
def root(quiet: bool, debug: bool) -> None:
    """Replay recorded CAN logs through the damper controller's firmware.

    Experimental. Not for public roads. See README.md for the cautions.
    """


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; see dashpot.errors for the codes.

    Args:
        argv: The arguments without the program's name; those of the process by default.
    """
    arguments = list(sys.argv[1:] if argv is None else argv)
    # Known before parsing, because parsing itself can fail.
    debug = "--debug" in arguments or os.environ.get("DASHPOT_DEBUG", "") not in {"", "0"}
    try:
        code = _run(arguments)
        sys.stdout.flush()
    except BrokenPipeError:
        return _leave_quietly()
    except KeyboardInterrupt:
        click.echo("\ndashpot: stopped; nothing was written", err=True)
        return EXIT_STOPPED
    except Exception as error:  # noqa: BLE001 - the outermost frame: a user gets a line, not a traceback
        if debug:
            traceback.print_exc()
        return _report(error)
    return code


def _run(arguments: list[str]) -> int:
    # click's own main() would map Ctrl-C and a closed pipe to exit code 1, which is a verdict here.
    try:
        with root.make_context("dashpot", arguments) as context:
            root.invoke(context)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.Abort:
        raise KeyboardInterrupt from None
    except click.ClickException as error:
        error.show()
        return error.exit_code
    return 0


def _report(error: Exception) -> int:
    """Print one line about the error and return its exit code."""
    if isinstance(error, DashpotError):
        click.echo(f"dashpot: {error.kind}: {_printable(str(error))}", err=True)
        if error.detail:
            click.echo(error.detail.rstrip("\n"), err=True)
        return error.exit_code
    if isinstance(error, OSError) and error.strerror:
        place = "" if error.filename is None else f"{os.fsdecode(error.filename)}: "
        click.echo(f"dashpot: error: {place}{error.strerror}", err=True)
        return EXIT_INPUT
    said = " ".join(str(error).split())
    click.echo(
        f"dashpot: error: a mistake in dashpot itself, {type(error).__name__}: {said} "
        "(dashpot --debug shows the traceback)",
        err=True,
    )
    return EXIT_INTERNAL


def _printable(text: str) -> str:
    """What a message may quote of a broken file, without what would upset a terminal or hide the message."""
    shown = "".join(letter if letter.isprintable() else "?" for letter in text)
    return shown if len(shown) <= MESSAGE_MOST else f"{shown[:MESSAGE_MOST]} ..."


def _leave_quietly() -> int:
    """Our reader is gone: point stdout at nothing, so that the flush at exit cannot complain."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, sys.stdout.fileno())
    os.close(nowhere)
    return EXIT_PIPE
