"""Options that several commands have: what runs the firmware, and with what."""

from __future__ import annotations

from pathlib import Path

import click

_FILE = click.Path(path_type=Path)

dbc = click.option(
    "--dbc", multiple=True, type=_FILE,
    help="DBC instead of those that the vehicle file names; may be given again.",
)  # fmt: skip
firmware = click.option("--firmware", type=_FILE, help="Folder of the firmware; ours by default.")
target = click.option(
    "--target", type=click.Choice(["host", "cpython"]), default="host", show_default=True,
    help="host: the MicroPython interpreter; cpython: checked, slow.",
)  # fmt: skip
micropython = click.option("--micropython", type=_FILE, help="The interpreter, 1.28 or newer.")
start_us = click.option(
    "--start-us", type=click.IntRange(0, (1 << 30) - 1), default=0, show_default=True,
    help="The controller's clock at the first tick; it wraps at 2^30.",
)  # fmt: skip
log_format = click.option(
    "--format", "log_format", type=click.Choice(["candump", "asc", "blf", "trc", "csv", "mf4"]),
    help="The log's format; found out by default.",
)  # fmt: skip
