"""Holds the differences of one or many logs against what was expected: nothing else may differ, and all of that must."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.compare.measure import CURRENT, DEMAND, Difference
from dashpot.compare.pair import FOLLOWING, MODE

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashpot.compare.expect import Ends, Expectations, Wanted
    from dashpot.compare.measure import Comparison
    from dashpot.compare.pair import Chunk, Item, Pair

#: Cuts the sum of the layers to what a demand may be: it follows from the others.
CLAMP = "clamp"
#: What a coil measures follows the current, and so does the voltage that its control asks for. Both are whole numbers in
#: one loop, so a trace of an earlier difference may come again long after. Measured on the demo drive with one cell of
#: the body load changed, more than a second after the currents were the same: 1 mA and 4 of 16384; twice that at most.
MEASURED = "measured_ma"
TRACES = {MEASURED: 2, "duty_q14": 8}


@dataclass(slots=True)
class Seen:
    """What a wanted difference came to at one corner.

    Attributes:
        window, changed: ticks in the window, and those of them in which the current differs.
        current_ma, demand_permille: greatest difference without its sign, the time to settle counted in.
        against: ticks in which the current went the other way.

    """

    window: int = 0
    changed: int = 0
    current_ma: int = 0
    demand_permille: int = 0
    against: int = 0

    def __add__(self, other: Seen) -> Seen:
        return Seen(
            self.window + other.window,
            self.changed + other.changed,
            max(self.current_ma, other.current_ma),
            max(self.demand_permille, other.demand_permille),
            self.against + other.against,
        )


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that was judged: of which log (None: all), its name, and what is wrong with it, "" where nothing is."""

    log: str | None
    name: str
    fault: str

    @property
    def passed(self) -> bool:
        """Whether nothing is wrong."""
        return not self.fault


@dataclass
class Judge:
    """Takes the chunks of one comparison and keeps what was wanted apart from what was not.

    Attributes:
        pair: the runs.
        wanted: what is expected.
        unexpected: words that differ where nobody wants it, each with the first such tick.
        seen: by name of the wanted difference and corner.

    """

    pair: Pair
    wanted: tuple[Wanted, ...]
    unexpected: dict[int, Difference] = field(default_factory=dict)
    seen: dict[str, dict[str, Seen]] = field(default_factory=dict)
    _last: dict[str, int] = field(default_factory=dict)
    _first_us: int = 0

    def __post_init__(self) -> None:
        for want in self.wanted:
            self.seen[want.name] = {corner: Seen() for corner in want.corners}

    def __call__(self, chunk: Chunk) -> None:
        """Judge some more ticks."""
        if chunk.first == 0:
            self._first_us = int(chunk.old["log_us"][0])
        log_s = (chunk.old["log_us"] - self._first_us) / 1e6
        allowed, since = {}, {}
        for want in self.wanted:
            window = self._window(want, chunk, log_s)
            allowed[want.name], since[want.name] = self._settled(want, window, chunk)
            for corner, seen in self.seen[want.name].items():
                self.seen[want.name][corner] = seen + _seen(want, corner, chunk, window, allowed[want.name])
        for place, item in enumerate(self.pair.items):
            old, new = chunk.old[item.column], chunk.new[item.column]
            if np.array_equal(old, new):
                continue
            alone = item.differ(old, new)
            trace = TRACES.get(item.column.partition(".")[0])
            small = trace is not None and np.abs(new.astype(np.int64) - old) <= trace
            for want in self.wanted:
                if covers(want, item):
                    alone &= ~(allowed[want.name] | (since[want.name] & small))
            ticks = int(np.count_nonzero(alone))
            if not ticks:
                continue
            known = self.unexpected.get(place)
            if known is not None:
                known.ticks += ticks
                continue
            at = int(alone.argmax())
            mask = -1 if item.mask is None else item.mask
            self.unexpected[place] = Difference(
                item, ticks, chunk.first + at, float(log_s[at]), int(old[at]) & mask, int(new[at]) & mask
            )

    def _window(self, want: Wanted, chunk: Chunk, log_s: NDArray[np.float64]) -> NDArray[np.bool_]:
        inside = np.ones(chunk.ticks, np.bool_)
        for column, ends in want.ranges.items():
            values = chunk.old.get(column)
            if values is None:
                return np.zeros(chunk.ticks, np.bool_)
            inside &= _between(values, ends)
        if want.time_s is not None:
            inside &= _between(log_s, want.time_s)
        if MODE in chunk.old:
            codes = [self.pair.modes.index(mode) for mode in want.modes if mode in self.pair.modes]
            inside &= np.isin(chunk.old[MODE], codes)
        return inside

    def _settled(
        self, want: Wanted, window: NDArray[np.bool_], chunk: Chunk
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the window and the ticks after it in which a difference may last; and all ticks since it began."""
        period_us = max(1, int(self.pair.old.manifest.get("image", {}).get("period_us", 1)))
        ticks = np.arange(chunk.first, chunk.first + chunk.ticks)
        never = -(1 << 62)
        last = np.where(window, ticks, never)
        last[0] = max(last[0], self._last.get(want.name, never))
        last = np.maximum.accumulate(last)
        self._last[want.name] = int(last[-1])
        return ticks - last <= -(-want.settle_us // period_us), last > never


def covers(want: Wanted, item: Item) -> bool:
    """Say whether a wanted difference, in its window, may show in a word."""
    if item.corner is not None and item.corner not in want.corners:
        return False
    base, _, rest = item.column.partition(".")
    if item.stage == "layers":
        layer = rest.partition(".")[0]
        return layer in want.layers or (layer == CLAMP and bool(want.layers))
    if item.stage in FOLLOWING or base == MEASURED:
        return True
    return item.stage in want.stages


def judge(
    expectations: Expectations | None,
    compared: Sequence[tuple[str, Comparison, Judge | None]],
    missing: Sequence[tuple[str, str]],
) -> list[Check]:
    """Judge all logs.

    Args:
        expectations: what is wanted; None: nothing may differ.
        compared: each log with what was found and its judge.
        missing: logs that have only one run or none, and why.

    """
    checks = []
    for log, found, own in compared:
        checks.append(Check(log, "length", _length(found)))
        names = [*found.pair.only_old, *found.pair.only_new]
        checks.append(Check(log, "words", f"only one run has {', '.join(names[:6])}" if names else ""))
        checks.append(
            Check(log, "nothing differs" if own is None else "nothing else differs", _unexpected(found, own))
        )
    checks += [Check(log, "both runs", why) for log, why in missing]
    if expectations is None:
        return checks
    for want in expectations.wanted:
        sides = [(log, own.seen[want.name]) for log, _, own in compared if own is not None]
        if want.in_each:
            checks += [Check(log, want.name, wrong(want, seen)) for log, seen in sides]
        else:
            total = {corner: Seen() for corner in want.corners}
            for _, seen in sides:
                total = {corner: total[corner] + seen[corner] for corner in want.corners}
            checks.append(Check(None, want.name, wrong(want, total)))
    return checks


def wrong(want: Wanted, seen: dict[str, Seen]) -> str:
    """Say what a wanted difference lacks, "" where nothing."""
    if not any(one.window for one in seen.values()):
        return "no tick lies in its window: these logs cannot show it"
    faults = []
    for corner, one in seen.items():
        share = 1000 * one.changed / one.window if one.window else 0.0
        if want.demand_permille is not None:
            faults += _bounds(
                corner, "the demand differs by", one.demand_permille, "per mille", want.demand_permille
            )
        if want.current_ma is not None:
            faults += _bounds(corner, "the current differs by", one.current_ma, "mA", want.current_ma)
        elif not one.current_ma and want.demand_permille is None:
            faults.append(f"{corner}: the current does not differ")
        if want.share_permille is not None:
            faults += _bounds(
                corner, "the current differs in", share, "per mille of the window", want.share_permille
            )
        if one.against:
            faults.append(
                f"{corner}: the current goes the other way than {want.direction} in {one.against} ticks"
            )
    return "; ".join(faults)


def _bounds(corner: str, said: str, value: float, unit: str, ends: Ends) -> list[str]:
    if value in ends:
        return []
    low = ends.low is not None and value < ends.low
    bound = f"at least {ends.low:g}" if low else f"at most {ends.high:g}"
    return [f"{corner}: {said} {value:g} {unit}, wanted is {bound}"]


def _seen(
    want: Wanted, corner: str, chunk: Chunk, window: NDArray[np.bool_], allowed: NDArray[np.bool_]
) -> Seen:
    def difference(base: str) -> NDArray[np.int64]:
        column = f"{base}.{corner}"
        if column not in chunk.old:
            return np.zeros(chunk.ticks, np.int64)
        found: NDArray[np.int64] = chunk.new[column].astype(np.int64) - chunk.old[column]
        return found

    current, demand = difference(CURRENT)[allowed], difference(DEMAND)[allowed]
    against = {"up": current < 0, "down": current > 0}.get(want.direction or "")
    return Seen(
        int(np.count_nonzero(window)),
        int(np.count_nonzero(difference(CURRENT)[window])),
        int(np.abs(current).max(initial=0)),
        int(np.abs(demand).max(initial=0)),
        0 if against is None else int(np.count_nonzero(against)),
    )


def _between(values: NDArray[Any], ends: Ends) -> NDArray[np.bool_]:
    inside = np.ones(len(values), np.bool_)
    if ends.low is not None:
        inside &= values >= ends.low
    if ends.high is not None:
        inside &= values <= ends.high
    return inside


def _length(found: Comparison) -> str:
    if not found.length:
        return ""
    more = "more" if found.length > 0 else "fewer"
    return f"the new run has {abs(found.length)} ticks {more}: {found.pair.new.ticks} after {found.pair.old.ticks}"


def _unexpected(found: Comparison, own: Judge | None) -> str:
    differences = found.differences if own is None else [own.unexpected[i] for i in sorted(own.unexpected)]
    first = min(differences, key=lambda difference: difference.first_tick, default=None)
    if first is None:
        return ""
    return f"{len(differences)} words differ; first {tell(first)}"


def tell(difference: Difference) -> str:
    """Say where two runs part, and at what."""
    item = difference.item
    return (
        f"in tick {difference.first_tick}, {difference.log_s:.3f} s, at {item.stage}: {item.column} was "
        f"{item.said(difference.old)} and is {item.said(difference.new)}"
    )
