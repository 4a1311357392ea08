"""Two runs side by side: which columns mean the same, at which stage of the tick they are made, and their values in step."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    import pyarrow as pa
    from numpy.typing import NDArray

    from dashpot.layout import Layout
    from dashpot.runs import Run

#: In the order in which a tick makes them (firmware/dashpot/core.py): the first that differs is where a difference
#: comes from. What the board measures is written before the tick, so it is ahead of all that the tick computes.
STAGES = (
    "time", "received", "board", "channels", "faults", "mode", "estimates", "layers", "demand", "target", "current",
    "guard", "duty", "other",
)  # fmt: skip
STAGE_OF = {
    "log_us": "time", "now_us": "time", "dt_us": "time",
    "frames": "received", "lost": "received", "frames_used": "received", "frames_unknown": "received",
    "frames_bad": "received", "signals_bad": "received",
    "board_supply_mv": "board", "board_flags": "board", "measured_ma": "board",
    "channels_lost": "channels", "channels_latched": "channels", "channels_implausible": "channels",
    "channel": "channels",
    "faults": "faults",
    "mode": "mode", "conditions": "mode", "corners_off": "mode",
    "authority_q10": "mode",
    "lateral_filtered_mg": "estimates", "longitudinal_filtered_mg": "estimates", "stroke_speed_mm_s": "estimates",
    "steer_rate_deg_s": "estimates", "brake_rate_bar_s": "estimates", "speed_change_mg": "estimates",
    "wet_permille": "estimates",
    "layer_permille": "layers", "demand_permille": "demand", "target_ma": "target",
    "current_ma": "current",
    "guard_acts": "guard", "duty_q14": "duty",
}  # fmt: skip
#: Faults that the last guard reports: they come of a current, the others ahead of it.
GUARD_FAULTS = ("guard_range", "guard_rate", "command_stale", "axle_unequal")
CHANNEL_MASKS = ("channels_lost", "channels_latched", "channels_implausible")
#: What follows from a change of a layer or of a current.
FOLLOWING = ("demand", "target", "current", "duty")
MODE = "mode"


@dataclass(frozen=True, slots=True)
class Item:
    """A word, or the bits of one, that is compared.

    Attributes:
        column: the run's column.
        stage: of STAGES.
        corner: whose it is, None where it is all corners'.
        mask: the bits that count, None for a number.
        unit, doc: of the column.
        names: what the bits, or the values of a mode, are called, in order; empty for a number.

    """

    column: str
    stage: str
    corner: str | None
    mask: int | None
    unit: str
    doc: str
    names: tuple[str, ...] = ()

    def differ(self, old: NDArray[Any], new: NDArray[Any]) -> NDArray[np.bool_]:
        """Return where two runs' values of the column are not the same, as far as this item goes."""
        unequal: NDArray[np.bool_] = (
            old != new if self.mask is None else (old.astype(np.int64) ^ new) & self.mask != 0
        )
        return unequal

    def said(self, value: int) -> str:
        """Write a value for people: with its unit, or by its names."""
        if self.mask is not None:
            bits = [name for i, name in enumerate(self.names) if (value & self.mask) >> i & 1]
            return ", ".join(bits) or "none"
        if self.names:
            return self.names[value] if 0 <= value < len(self.names) else str(value)
        return f"{value} {self.unit}".rstrip()


@dataclass(frozen=True, slots=True)
class Chunk:
    """Some ticks of both runs.

    Attributes:
        first: number of the first tick.
        ticks: how many.
        old, new: values by column, those of `new` in the terms of the old run's layout.

    """

    first: int
    ticks: int
    old: dict[str, NDArray[Any]]
    new: dict[str, NDArray[Any]]


@dataclass(frozen=True)
class Pair:
    """Two runs and what can be compared of them.

    Attributes:
        old, new: the runs.
        columns: columns that both have, in the order of the old run.
        items: what is compared, in the order of STAGES and columns.
        corners, layers, modes, faults: names of the old run, then those that only the new one has.
        only_old, only_new: columns, layers, modes, faults that only one has, as words such as "fault overrun".
        ticks: ticks that both have.

    """

    old: Run
    new: Run
    columns: tuple[str, ...]
    items: tuple[Item, ...]
    corners: tuple[str, ...]
    layers: tuple[str, ...]
    modes: tuple[str, ...]
    faults: tuple[str, ...]
    only_old: tuple[str, ...]
    only_new: tuple[str, ...]
    ticks: int
    _translate: dict[str, Callable[[NDArray[Any]], NDArray[Any]]] = field(default_factory=dict)

    def chunks(self) -> Iterator[Chunk]:
        """Yield the ticks that both have, in order, some ten thousand at a time: memory does not grow with the run.

        Raises:
            InputError: a run is damaged, or holds less than its manifest says.

        """
        first = 0
        for old, new in _in_step(self.old, self.new, self.columns):
            for name, translate in self._translate.items():
                if name in new:
                    new[name] = translate(new[name])
            ticks = len(old[self.columns[0]])
            yield Chunk(first, ticks, old, new)
            first += ticks
        if first != self.ticks:
            short = min((self.old, self.new), key=lambda run: run.ticks)
            raise InputError(
                f"holds {first} ticks where its manifest has {self.ticks}; replay the log again",
                where=short.path,
            )


def pair_runs(old: Run, new: Run) -> Pair:
    """Find what two runs have in common: by name, so that their firmwares' layouts may differ."""
    columns = tuple(name for name in old.columns if name in new.columns)
    a, b = old.layout, new.layout
    only_old = [f"column {name}" for name in old.columns if name not in new.columns]
    only_new = [f"column {name}" for name in new.columns if name not in old.columns]
    for kind, mine, other in (("fault", a.faults, b.faults), ("mode", a.modes, b.modes)):
        only_old += [f"{kind} {name}" for name in mine if name not in other]
        only_new += [f"{kind} {name}" for name in other if name not in mine]
    corners = tuple(name for name in a.corners if name in b.corners)
    translate = {}
    names = _mask_names(a)
    for column, others in _mask_names(b).items():
        both = _joined(names.get(column, ()), others)
        if both != names.get(column) or both[: len(others)] != others:
            translate[column] = _bits(both, others)
        names[column] = both
    modes = _joined(a.modes, b.modes)
    if b.modes != modes[: len(b.modes)]:
        places = np.array([modes.index(name) for name in b.modes], np.uint8)
        translate[MODE] = lambda values: places[np.minimum(values, len(places) - 1)]
    items = [
        item
        for name in columns
        for item in _items(old, name, corners, modes if name == MODE else names.get(name, ()))
    ]
    items.sort(key=lambda item: STAGES.index(item.stage))
    return Pair(
        old,
        new,
        columns,
        tuple(items),
        corners,
        tuple(name for name in a.layers if name in b.layers),
        modes,
        names["faults"],
        tuple(only_old),
        tuple(only_new),
        min(old.ticks, new.ticks),
        translate,
    )


def _mask_names(layout: Layout) -> dict[str, tuple[str, ...]]:
    """Return the names of the bits of each column that is a mask."""
    channels = tuple(channel.name for channel in layout.channels)
    return {
        "faults": layout.faults,
        "conditions": layout.conditions,
        "board_flags": layout.board_flags,
        "corners_off": layout.corners,
        **dict.fromkeys(CHANNEL_MASKS, channels),
    }


def _joined(first: Sequence[str], second: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys([*first, *second]))


def _bits(both: tuple[str, ...], mine: tuple[str, ...]) -> Callable[[NDArray[Any]], NDArray[Any]]:
    """Return a function that moves the bits of `mine` to where `both` has their names."""
    moves = [(i, both.index(name)) for i, name in enumerate(mine)]

    def moved(values: NDArray[Any]) -> NDArray[Any]:
        wide = values.astype(np.int64)
        out = np.zeros_like(wide)
        for here, there in moves:
            out |= (wide >> here & 1) << there
        return out

    return moved


def _items(run: Run, name: str, corners: tuple[str, ...], names: tuple[str, ...]) -> Iterator[Item]:
    """Yield what is compared of a column: a number, or the bits that belong together."""
    info = run.columns[name]
    base, _, rest = name.partition(".")
    stage = STAGE_OF.get(base, "other")
    last = rest.rpartition(".")[2]
    if not names or name == MODE:
        corner = last if last in corners else None
        yield Item(name, stage, corner, None, info.unit, info.doc, names)
        return
    groups: dict[tuple[str, str | None], int] = {}
    for i, bit in enumerate(names):
        end = bit.rpartition(".")[2]
        key = (
            "guard" if name == "faults" and bit in GUARD_FAULTS else stage,
            end if end in corners else None,
        )
        groups[key] = groups.get(key, 0) | 1 << i
    for (where, corner), mask in groups.items():
        yield Item(name, where, corner, mask, info.unit, info.doc, names)


def _in_step(
    old: Run, new: Run, columns: tuple[str, ...]
) -> Iterator[tuple[dict[str, NDArray[Any]], dict[str, NDArray[Any]]]]:
    """Yield equally long pieces of both runs until the shorter one ends."""
    sides = (_arrays(old, columns), _arrays(new, columns))
    parts: list[dict[str, NDArray[Any]]] = [{}, {}]
    while True:
        for i, side in enumerate(sides):
            while not parts[i] or not len(parts[i][columns[0]]):
                following = next(side, None)
                if following is None:
                    return
                parts[i] = following
        ticks = min(len(part[columns[0]]) for part in parts)
        yield tuple({name: values[:ticks] for name, values in part.items()} for part in parts)  # type: ignore[misc]  # two of them
        parts = [{name: values[ticks:] for name, values in part.items()} for part in parts]


def _arrays(run: Run, columns: tuple[str, ...]) -> Iterator[dict[str, NDArray[Any]]]:
    for batch in run.batches(columns):
        yield {name: _values(batch.column(name), run.columns[name].dtype) for name in columns}


def _values(array: pa.Array, dtype: str) -> NDArray[Any]:
    """Return an Arrow array without nulls as numpy. Its own to_numpy() imports pandas where that is installed, 0.5 s."""
    if not len(array):
        return np.empty(0, dtype)
    return np.frombuffer(array.buffers()[1], dtype, len(array), array.offset * np.dtype(dtype).itemsize)
