"""The cautions, in one place: the demo and every command which drives a board print them."""

from __future__ import annotations

import click

CAUTIONS = """\
CAUTIONS: experimental; not for public roads.
 - Support the car and keep the area clear before anything is powered.
 - On the car's bus the controller only listens, unless you tell it otherwise.
 - Coils get hot and draw high current: fuse them, and keep hands and cables away.
 - Follow local codes; leave to licensed practice what they reserve to it."""


def print_cautions() -> None:
    """Print the cautions on stderr, also with `--quiet`, so that `--json` on stdout stays parseable."""
    click.echo(CAUTIONS, err=True)
