"""The words for the firmware's fault bits: what each means, and what to do about it.

The firmware sends bits, the bench owns the words; tests/test_runs.py proves that every bit has some.
"""

from __future__ import annotations

from typing import NamedTuple


class FaultWords(NamedTuple):
    """What a fault bit means, in a clause, and what to do, as an order."""

    meaning: str
    advice: str


FAULT_WORDS: dict[str, FaultWords] = {
    "ring_overflow": FaultWords(
        "frames came faster than the ring could hold, and the newest were lost",
        "look for a log whose clock stands still, or a node that floods the bus",
    ),
    "late_tick": FaultWords(
        "a tick came more than one and a half periods after the one before",
        "on a board, find what holds up the loop; in a replay this must not happen",
    ),
    "guard_range": FaultWords(
        "the last guard cut a current that was outside its limits",
        "keep this log: a law or the valve curve asked for what the calibration forbids",
    ),
    "guard_rate": FaultWords(
        "the last guard held back a current that moved faster than its slew",
        "keep this log: a stage ahead of the guard let a step through",
    ),
    "frame_bad": FaultWords(
        "a frame failed its length, checksum or counter",
        "compare the message's checksum and counter in the vehicle file with the car's; a few are bus errors",
    ),
    "signal_bad": FaultWords(
        "a signal was an invalid code or outside its range",
        "look at the signal with `dashpot inspect`; check its scale, its sign and its range in the vehicle file",
    ),
    "channel_lost": FaultWords(
        "a channel that the vehicle has was not trusted, and its default stood in for it",
        "see which one in the column channels_lost; check that its message is in the log and its timeout is not short",
    ),
    "required_lost": FaultWords(
        "a channel that the vehicle cannot do without was not trusted: safe currents",
        "check that its message is in the log all the time; at the start of a log this is normal until data comes",
    ),
    "signal_still": FaultWords(
        "a signal of a moving car stood at one value for longer than it may, and was taken for lost",
        "look for a sensor that is stuck or a node that repeats its last value; lengthen `still` if the signal is fine",
    ),
    "signal_rate": FaultWords(
        "a signal changed faster than it can, and the value was refused",
        "look at the signal for spikes and a loose contact; raise `rate` in the vehicle file if the change was real",
    ),
    "latched": FaultWords(
        "a channel was lost more often than it may come back, and stays lost until a reset",
        "see which one in the column channels_latched; mend the sensor or its wiring before the next run",
    ),
}


def fault_words(name: str) -> FaultWords:
    """Return the words for a fault; a fault of a newer firmware gets its bare name."""
    return FAULT_WORDS.get(
        name, FaultWords(name.replace("_", " "), "see firmware/layout.toml for its meaning")
    )
