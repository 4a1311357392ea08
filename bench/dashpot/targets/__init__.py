"""Where the firmware runs: one contract, a class a place."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashpot.targets.checked import CPythonTarget
from dashpot.targets.contract import (
    CAUSES,
    CLOCK_BITS,
    CLOCK_MASK,
    EXTENDED_KEY,
    NOMINAL_INPUTS,
    PLACES,
    Boot,
    Hello,
    RunBlock,
    RunReply,
    Target,
    TargetOptions,
    tick_rows,
)
from dashpot.targets.host import HostTarget

if TYPE_CHECKING:
    from dashpot.layout import Layout

__all__ = [
    "CAUSES",
    "CLOCK_BITS",
    "CLOCK_MASK",
    "EXTENDED_KEY",
    "NOMINAL_INPUTS",
    "PLACES",
    "TARGETS",
    "Boot",
    "Hello",
    "RunBlock",
    "RunReply",
    "Target",
    "TargetOptions",
    "make_target",
    "tick_rows",
]

TARGETS = {"host": HostTarget, "cpython": CPythonTarget}


def make_target(name: str, options: TargetOptions, layout: Layout) -> Target:
    """Return the target of a name in TARGETS, not yet started.

    Raises:
        InputError: what it needs is not installed.

    """
    return TARGETS[name](options, layout)
