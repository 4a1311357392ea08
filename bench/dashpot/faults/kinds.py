"""All kinds of faults: importing this module fills the registry. A new module of kinds is named here."""

from dashpot.faults import board_kinds, bus_kinds, frame_kinds, loop_kinds, signal_kinds
from dashpot.faults.registry import KINDS, Effect, Fault, Kind, Scope

__all__ = [
    "KINDS",
    "Effect",
    "Fault",
    "Kind",
    "Scope",
    "board_kinds",
    "bus_kinds",
    "frame_kinds",
    "loop_kinds",
    "signal_kinds",
]
