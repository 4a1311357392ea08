"""Adds up where two runs differ: the first divergence of each corner, how much, by layer, mode and part of the log."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.compare.pair import MODE, Item, pair_runs
from dashpot.errors import InputError
from dashpot.runs import TICKS

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from dashpot.compare.pair import Chunk, Pair
    from dashpot.runs import Run

#: Equal parts of the log. A run holds no lap distance, and one made from road speed drifts; time does not.
SEGMENTS = 10
#: Stages whose words belong to all corners and come of a current: they are no corner's own cause.
AFTERWARDS = ("guard",)
#: Stages that have words of each corner's own, and that a corner's count of ticks is about.
CORNER_STAGES = ("layers", "demand", "target", "current", "duty")
CURRENT, DEMAND, LAYER = "current_ma", "demand_permille", "layer_permille"


@dataclass(slots=True)
class Sums:
    """How far a 16-bit number of the new run is from that of the old one.

    Attributes:
        ticks: ticks that were compared.
        differ: ticks where it differs.
        greatest: the difference, new less old, that is greatest without its sign; the first of several.
        tick, log_s: where that is, and its time in the log; None where nothing differs.
        squares: sum of the squared differences, exact.

    """

    ticks: int = 0
    differ: int = 0
    greatest: int = 0
    tick: int | None = None
    log_s: float | None = None
    squares: int = 0

    def add(
        self, difference: NDArray[np.int64], ticks: NDArray[np.int64], log_s: NDArray[np.float64]
    ) -> None:
        """Add differences, with the number and the time of their ticks."""
        self.ticks += len(difference)
        differ = int(np.count_nonzero(difference))
        if not differ:
            return
        self.differ += differ
        self.squares += int((difference * difference).sum())
        size = np.abs(difference)
        at = int(size.argmax())
        if size[at] > abs(self.greatest):
            self.greatest, self.tick, self.log_s = int(difference[at]), int(ticks[at]), float(log_s[at])

    @property
    def rms(self) -> float:
        """Root of the mean square over all ticks that were compared, in the number's unit."""
        return math.sqrt(self.squares / self.ticks) if self.ticks else 0.0

    @property
    def share(self) -> float:
        """Ticks that differ as a share of those compared, 0 to 1."""
        return self.differ / self.ticks if self.ticks else 0.0


@dataclass(slots=True)
class Difference:
    """One word that differs.

    Attributes:
        item: which.
        ticks: ticks where it differs.
        first_tick: the first of them.
        log_s: its time, seconds of the log from the first tick.
        old, new: the values there.

    """

    item: Item
    ticks: int
    first_tick: int
    log_s: float
    old: int
    new: int


@dataclass(slots=True)
class CornerChange:
    """What differs at one corner.

    Attributes:
        corner: its name.
        ticks: ticks where a word of its own differs, layers to duty.
        first: the first divergence that reaches it, None where nothing differs.
        current, demand: in mA and per mille.
        layers, modes, segments: per mille by layer; mA by mode ("active", or "active > reduced" where the runs are
            in different ones) and by part of the log.

    """

    corner: str
    ticks: int = 0
    first: Difference | None = None
    current: Sums = field(default_factory=Sums)
    demand: Sums = field(default_factory=Sums)
    layers: dict[str, Sums] = field(default_factory=dict)
    modes: dict[str, Sums] = field(default_factory=dict)
    segments: list[Sums] = field(default_factory=list)


@dataclass(slots=True)
class FaultChange:
    """A fault that is not there in the same ticks of both runs.

    Attributes:
        name: of the firmware.
        differ: ticks where only one run has it.
        old, new: ticks, first and last tick in each, None where it never comes.

    """

    name: str
    differ: int
    old: Span | None
    new: Span | None

    @property
    def kind(self) -> str:
        """Say "appeared", "went" or "moved"."""
        return "appeared" if self.old is None else "went" if self.new is None else "moved"


@dataclass(slots=True)
class Span:
    """Where something is: how many ticks, the first and the last, and their times in the log."""

    ticks: int
    first_tick: int
    last_tick: int
    first_s: float
    last_s: float


@dataclass(slots=True)
class Comparison:
    """Two runs of a log, compared.

    Attributes:
        pair: the runs and what they have in common.
        identical: every byte of both ticks.arrow is the same.
        differences: the words that differ, in the order of the tick.
        first: the first divergence of all, None where no value differs.
        corners: by corner, in order.
        faults: those that appeared, went or moved.
        length: by how many ticks the new run is longer.
        segment_s: first and last time of each part of the log, seconds; empty where the runs are identical.
        cautions: why the figures may not mean what they seem to.

    """

    pair: Pair
    identical: bool
    differences: list[Difference] = field(default_factory=list)
    first: Difference | None = None
    corners: list[CornerChange] = field(default_factory=list)
    faults: list[FaultChange] = field(default_factory=list)
    length: int = 0
    segment_s: list[tuple[float, float]] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """No value differs, neither run is longer and both have the same words."""
        return self.identical or not (
            self.differences or self.length or self.pair.only_old or self.pair.only_new
        )

    def timing(self) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return median, p99, max and mean nanoseconds of a tick of both runs, on the machines that replayed them."""
        old, new = (dict(run.summary.get("tick_ns", {})) for run in (self.pair.old, self.pair.new))
        return old, new


def compare_runs(old: Run, new: Run, *, segments: int = SEGMENTS) -> Comparison:
    """Compare two runs of one log; see `compare_pair`."""
    return compare_pair(pair_runs(old, new), segments=segments)


def compare_pair(
    pair: Pair, *, watch: Callable[[Chunk], None] | None = None, segments: int = SEGMENTS
) -> Comparison:
    """Compare two runs of one log.

    Args:
        pair: the runs; differences are new less old.
        watch: called with each chunk of ticks, in order, also where the runs are identical.
        segments: parts of equal length that the log is cut into.

    Raises:
        InputError: a run is damaged, or they have no column in common.

    """
    old, new = pair.old, pair.new
    for run in (old, new):
        run.verify()
    if "log_us" not in pair.columns or not pair.corners:
        raise InputError("has no column log_us or no corner in common with the other run", where=new.path)
    identical = old.manifest["outputs"][TICKS] == new.manifest["outputs"][TICKS]
    found = Comparison(pair, identical, length=new.ticks - old.ticks, cautions=_cautions(old, new))
    counter = _Counter(pair, segments)
    if identical and watch is None:
        counter.skip()
    else:
        for chunk in pair.chunks():
            counter.add(chunk)
            if watch is not None:
                watch(chunk)
    counter.finish(found)
    return found


def _cautions(old: Run, new: Run) -> list[str]:
    cautions = []
    logs = [run.manifest.get("inputs", {}).get("log", {}) for run in (old, new)]
    if logs[0].get("sha256") != logs[1].get("sha256"):
        cautions.append(
            f"the runs are of different logs, {logs[0].get('name')} and {logs[1].get('name')}: differences of value "
            "come from the logs too"
        )
    periods = [run.manifest.get("image", {}).get("period_us") for run in (old, new)]
    if periods[0] != periods[1]:
        cautions.append(
            f"the tick periods are {periods[0]} and {periods[1]} us: the same tick is another time of the log"
        )
    return cautions


class _Counter:
    """Adds up chunk after chunk."""

    def __init__(self, pair: Pair, segments: int) -> None:
        self.pair = pair
        self.found: dict[int, Difference] = {}
        self.corners = [
            CornerChange(
                corner,
                layers={layer: Sums() for layer in pair.layers if self._has(f"{LAYER}.{layer}.{corner}")},
                segments=[Sums() for _ in range(segments)],
            )
            for corner in pair.corners
        ]
        self.edges = [pair.ticks * i // segments for i in range(segments + 1)]
        self.edge_s: dict[int, float] = {}
        self.ticks = np.empty(0, np.int64)
        self.log_s = np.empty(0)
        self.modes: dict[str, NDArray[np.intp]] = {}
        self.spans: list[dict[str, Span]] = [{}, {}]
        self.fault_ticks: dict[str, int] = {}
        self.first_us = 0

    def _has(self, column: str) -> bool:
        return column in self.pair.columns

    def skip(self) -> None:
        """Count every tick as equal."""
        for change in self.corners:
            for sums in (change.current, change.demand, *change.layers.values()):
                sums.ticks = self.pair.ticks
            for i, sums in enumerate(change.segments):
                sums.ticks = self.edges[i + 1] - self.edges[i]

    def add(self, chunk: Chunk) -> None:
        log_us = chunk.old["log_us"]
        if chunk.first == 0:
            self.first_us = int(log_us[0])
        self.ticks = np.arange(chunk.first, chunk.first + chunk.ticks)
        self.log_s = (log_us - self.first_us) / 1e6
        for edge in self.edges:
            if chunk.first <= edge < chunk.first + chunk.ticks:
                self.edge_s[edge] = float(self.log_s[edge - chunk.first])
        # The last edge is one past the end.
        self.edge_s[chunk.first + chunk.ticks] = float(self.log_s[-1])
        unequal = {
            name: difference
            for name in self.pair.columns
            if (difference := _difference(chunk.old[name], chunk.new[name])) is not None
        }
        own = {corner: np.zeros(chunk.ticks, np.bool_) for corner in self.pair.corners}
        for place, item in enumerate(self.pair.items):
            if item.column in unequal:
                self._item(place, item, chunk, own)
        if MODE in self.pair.columns:
            modes = chunk.old[MODE].astype(np.int64) << 8 | chunk.new[MODE]
            codes = np.flatnonzero(np.bincount(modes)).tolist()
            self.modes = {self._mode(code): np.flatnonzero(modes == code) for code in codes}
        for change in self.corners:
            self._corner(change, chunk, unequal, own[change.corner])
        if "faults" in self.pair.columns:
            self._faults(chunk)

    def _item(self, place: int, item: Item, chunk: Chunk, own: dict[str, NDArray[np.bool_]]) -> None:
        old, new = chunk.old[item.column], chunk.new[item.column]
        differ = item.differ(old, new)
        ticks = int(np.count_nonzero(differ))
        if not ticks:
            return
        if item.corner is not None and item.stage in CORNER_STAGES:
            own[item.corner] |= differ
        known = self.found.get(place)
        if known is not None:
            known.ticks += ticks
            return
        at = int(differ.argmax())
        mask = -1 if item.mask is None else item.mask
        self.found[place] = Difference(
            item, ticks, chunk.first + at, float(self.log_s[at]), int(old[at]) & mask, int(new[at]) & mask
        )

    def _corner(
        self,
        change: CornerChange,
        chunk: Chunk,
        unequal: dict[str, NDArray[np.int64]],
        own: NDArray[np.bool_],
    ) -> None:
        change.ticks += int(np.count_nonzero(own))
        none = np.zeros(chunk.ticks, np.int64)
        current = unequal.get(f"{CURRENT}.{change.corner}", none)
        change.current.add(current, self.ticks, self.log_s)
        change.demand.add(unequal.get(f"{DEMAND}.{change.corner}", none), self.ticks, self.log_s)
        for layer, sums in change.layers.items():
            sums.add(unequal.get(f"{LAYER}.{layer}.{change.corner}", none), self.ticks, self.log_s)
        for i, sums in enumerate(change.segments):
            part = slice(
                max(self.edges[i] - chunk.first, 0), min(max(self.edges[i + 1] - chunk.first, 0), chunk.ticks)
            )
            if part.start < part.stop:
                sums.add(current[part], self.ticks[part], self.log_s[part])
        for mode, here in self.modes.items():
            sums = change.modes.setdefault(mode, Sums())
            sums.add(current[here], self.ticks[here], self.log_s[here])

    def _mode(self, code: int) -> str:
        modes = self.pair.modes
        old, new = (modes[i] if i < len(modes) else str(i) for i in divmod(code, 256))
        return old if old == new else f"{old} > {new}"

    def _faults(self, chunk: Chunk) -> None:
        sides = (chunk.old["faults"], chunk.new["faults"])
        seen = int(np.bitwise_or.reduce(sides[0]) | np.bitwise_or.reduce(sides[1]))
        for i, name in enumerate(self.pair.faults):
            if not seen >> i & 1:
                continue
            bits = [side >> i & 1 != 0 for side in sides]
            self.fault_ticks[name] = self.fault_ticks.get(name, 0) + int(np.count_nonzero(bits[0] ^ bits[1]))
            for spans, bit in zip(self.spans, bits, strict=True):
                ticks = np.flatnonzero(bit)
                if not len(ticks):
                    continue
                first, last = int(ticks[0]), int(ticks[-1])
                first_s, last_s = float(self.log_s[first]), float(self.log_s[last])
                known = spans.get(name)
                if known is None:
                    spans[name] = Span(len(ticks), chunk.first + first, chunk.first + last, first_s, last_s)
                else:
                    known.ticks += len(ticks)
                    known.last_tick, known.last_s = chunk.first + last, last_s

    def finish(self, found: Comparison) -> None:
        """Fill in what was added up."""
        found.differences = [self.found[place] for place in sorted(self.found)]
        found.first = _first(found.differences)
        found.corners = self.corners
        for change in self.corners:
            change.first = _first(
                [
                    difference
                    for difference in found.differences
                    if difference.item.corner == change.corner
                    or (difference.item.corner is None and difference.item.stage not in AFTERWARDS)
                ]
            )
        found.faults = [
            FaultChange(name, differ, self.spans[0].get(name), self.spans[1].get(name))
            for name, differ in self.fault_ticks.items()
            if differ
        ]
        if self.edge_s:
            times = [self.edge_s.get(edge, 0.0) for edge in self.edges]
            found.segment_s = list(pairwise(times))


def _difference(old: NDArray[Any], new: NDArray[Any]) -> NDArray[np.int64] | None:
    """Return new less old, None where they are equal throughout."""
    if np.array_equal(old, new):
        return None
    difference: NDArray[np.int64] = new.astype(np.int64) - old
    return difference


def _first(differences: Sequence[Difference]) -> Difference | None:
    """Return the earliest; of those in one tick the one that the tick makes first."""
    return min(differences, key=lambda difference: difference.first_tick, default=None)
