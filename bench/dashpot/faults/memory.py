"""The firmware's fault memory, read and held against the trace: what happened stands in it, as it was, and nothing else.

Its words are those of firmware/dashpot/fault_memory.py: words of an entry, number of entries; then of each entry code,
count, latched, first and last boot and second, version of the layout, and the snapshot of the first occurrence.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from dashpot.layout import Layout

Words = NDArray[np.int32]

#: Traced words that a snapshot holds, in its order.
SNAPSHOT = (
    "mode", "faults", "channels_lost", "dt_us", "channel", "authority_q10", "demand_permille", "target_ma", "current_ma",
    "measured_ma", "duty_q14", "board_supply_mv", "board_flags", "channels_implausible", "corners_off",
)  # fmt: skip
_HEAD = 2
_FIELDS = 8
#: As far as a count of the journal goes.
_COUNT_MOST = 0x3FFFFFFF


@dataclass(frozen=True, slots=True)
class Entry:
    """One code of the fault memory; the fields are the file's."""

    code: int
    count: int
    latched: int
    first_boot: int
    first_s: int
    last_boot: int
    last_s: int
    layout: int
    snapshot: Words


def entries(words: Words) -> list[Entry]:
    """Take the words of a fault memory apart.

    Raises:
        ValueError: they are no fault memory.

    """
    width, count = (int(word) for word in words[:_HEAD]) if len(words) >= _HEAD else (0, -1)
    if width <= _FIELDS or len(words) != _HEAD + width * count:
        raise ValueError(f"{len(words)} words are no fault memory")
    rows = words[_HEAD:].reshape(count, width)
    found = []
    for row in rows:
        code, number, latched, first_boot, first_s, last_boot, last_s, layout = row[:_FIELDS].tolist()
        found.append(
            Entry(code, number, latched, first_boot, first_s, last_boot, last_s, layout, row[_FIELDS:])
        )
    return found


def places(layout: Layout) -> Words:
    """Return the places in a tick's trace of the words of a snapshot."""
    words = [layout.state[name] for name in SNAPSHOT]
    return np.array([word.at + i for word in words for i in range(word.count)], np.int32)


@dataclass(frozen=True, slots=True)
class Boot:
    """One boot of a recording: its number in the fault memory, its first tick, and the tick after its last."""

    number: int
    first: int
    end: int


def disagreements(
    words: Words, layout: Layout, at_us: NDArray[np.int64], trace: Words, boots: Sequence[Boot]
) -> Iterator[str]:
    """Say in words where a fault memory and a trace disagree.

    What a boot before the last one saw stands in it only if it was written down before that boot ended.

    Args:
        words: the fault memory at the end of the trace.
        layout: places of the traced words.
        at_us: int64[n], time of each tick.
        trace: int32[n, trace_words].
        boots: of the trace, in order.

    """
    try:
        found = {entry.code: entry for entry in entries(words)}
    except ValueError as error:
        yield str(error)
        return
    column = trace[:, layout.state["faults"].at]
    seen = [_firsts(column[boot.first : boot.end]) for boot in boots]
    last = boots[-1]
    for code in sorted({*seen[-1], *found} - ({*seen[-1]} & {*found})):
        name = layout.faults[code] if code < len(layout.faults) else f"code {code}"
        if code not in found:
            yield f"{name} came and does not stand in it"
        elif not any(code in firsts for firsts in seen):
            yield f"{name} stands in it and never came"
    wanted = places(layout)
    latched = layout.faults.index("latched")
    for code, entry in found.items():
        number = next((i for i, boot in enumerate(boots) if boot.number == entry.first_boot), None)
        if number is None or code not in seen[number]:
            continue
        name, boot = layout.faults[code], boots[number]
        tick = boot.first + seen[number][code][0]
        if entry.layout != layout.version:
            yield f"the snapshot of {name} names another layout"
        elif not np.array_equal(entry.snapshot, trace[tick, wanted]):
            unlike = np.flatnonzero(entry.snapshot != trace[tick, wanted])
            yield f"the snapshot of {name} is not the trace of its first tick, from word {int(unlike[0])} on"
        if entry.first_s != _seconds(at_us, boot, tick):
            yield f"{name} came first {_seconds(at_us, boot, tick)} s after the start, it says {entry.first_s}"
        if code in seen[-1]:
            _, final, count = seen[-1][code]
            if entry.last_boot != last.number or entry.last_s != _seconds(at_us, last, last.first + final):
                yield f"the last time of {name} is not the trace's"
            if entry.count < count or (number == len(boots) - 1 and entry.count != min(count, _COUNT_MOST)):
                yield f"{name} came {count} times, it says {entry.count}"
        if entry.latched and not any(latched in firsts for firsts in seen):
            yield f"{name} stands in it as latched, and nothing had latched"


def _firsts(faults: Words) -> dict[int, tuple[int, int, int]]:
    """Return of each code that came its first tick, its last, and how often it came anew."""
    came = int(np.bitwise_or.reduce(faults, initial=0))
    found = {}
    for code in range(came.bit_length()):
        if came >> code & 1:
            bit = (faults >> code & 1).astype(np.int8)
            there = np.flatnonzero(bit)
            found[code] = int(there[0]), int(there[-1]), int(np.count_nonzero(np.diff(bit, prepend=0) == 1))
    return found


def _seconds(at_us: NDArray[np.int64], boot: Boot, tick: int) -> int:
    return int(at_us[tick] - at_us[boot.first]) // 1_000_000
