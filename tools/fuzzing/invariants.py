"""What must hold in every tick, whatever was fed; written from what the stages promise, not from their code.

The only thing taken from the firmware is the table of modes, and what the modes must not be is stated beside it.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.targets.contract import CLOCK_MASK

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from dashpot.layout import Layout
    from dashpot.targets.contract import RunBlock

    Longs = NDArray[np.int64]
    Flags = NDArray[np.bool_]

#: What the desktop's coils can carry at most, and from which resistance on they carry nothing (boards/host.py).
COIL_MOST_MA = 32_000
OPEN_PERMILLE = 40_000
FULL_DUTY = 16_384
Q10 = 1024
#: A ramp goes by time, up to this many periods in a tick.
LATE_MOST = 16


@dataclass(frozen=True)
class Broken:
    """An invariant that did not hold: which, and in which tick of the drive first."""

    tick: int
    what: str


def transitions(folder: Path, layout: Layout) -> list[tuple[int, int, int, int]]:
    """Read the table of modes of a firmware: from, to, needs, must not.

    Its rows name modes and conditions, which are read by their names.
    """
    names = {f"_MODE_{name.upper()}": i for i, name in enumerate(layout.modes)}
    names |= {name.upper(): 1 << i for i, name in enumerate(layout.conditions)}

    def value(node: ast.expr) -> int:
        if isinstance(node, ast.BinOp):
            return value(node.left) | value(node.right)
        if isinstance(node, ast.Name):
            return names[node.id]
        if isinstance(node, ast.Constant) and isinstance(node.value, int):
            return node.value
        raise ValueError(f"modes.py: {ast.unparse(node)} is no part of a transition")

    source = (folder / "dashpot" / "modes.py").read_text(encoding="utf-8")
    for node in ast.parse(source).body:
        if (
            isinstance(node, ast.Assign)
            and isinstance(node.targets[0], ast.Name)
            and node.targets[0].id == "TRANSITIONS"
            and isinstance(node.value, ast.Tuple)
        ):
            rows = [row.elts for row in node.value.elts if isinstance(row, ast.Tuple)]
            return [(value(a), value(b), value(c), value(d)) for a, b, c, d in rows]
    raise ValueError("modes.py has no table TRANSITIONS")


class Watch:
    """Looks at a drive part by part; `new` where the controller starts.

    Args:
        layout: places of the traced words.
        words: the image's fixed words, by name.
        table: the firmware's table of modes.

    """

    def __init__(
        self, layout: Layout, words: dict[str, tuple[int, ...]], table: Sequence[tuple[int, int, int, int]]
    ) -> None:
        self.layout = layout
        self.words = {name: np.array(values, np.int64) for name, values in words.items()}
        self.table = table
        self.channel_rows = self.words["channel_rows"].reshape(len(layout.channels), -1)
        self.held = 0
        self.first = True
        self.last: NDArray[np.int32] = np.zeros(layout.trace_words, np.int32)

    def new(self, held: int = 0) -> None:
        """Forget what was before: the controller starts; `held` are the flags that the board adds by itself."""
        self.held = held
        self.first = True

    def look(self, part: RunBlock, trace: NDArray[np.int32]) -> list[Broken]:
        """Return what did not hold in a part, its first tick each."""
        if self.first:
            self.last = self.start()
        view = _View(self, part, trace)
        self.first = False
        self.last = trace[-1].copy()
        found = []
        for what, wrong in view.all():
            bad = wrong if wrong.ndim == 1 else wrong.any(axis=1)
            if bad.any():
                found.append(Broken(part.first_tick + int(np.argmax(bad)), what))
        return sorted(found, key=lambda broken: broken.tick)

    def start(self) -> NDArray[np.int32]:
        """The record before the first tick: safe currents, nothing else."""
        row = np.zeros(self.layout.trace_words, np.int32)
        at = self.layout.state["current_ma"].at
        row[at : at + len(self.layout.corners)] = self.words["safe_ma"]
        return row


class _View:
    """The columns of a part, and of the tick before each of its ticks."""

    def __init__(self, watch: Watch, part: RunBlock, trace: NDArray[np.int32]) -> None:
        self.layout = watch.layout
        self.words = watch.words
        self.watch = watch
        self.trace = trace
        self.before = np.concatenate([watch.last[None], trace[:-1]])
        rows = part.ticks.astype(np.int64)
        self.inputs = {name: rows[:, i] for i, name in enumerate(self.layout.rows["tick_in"])}
        self.begin = np.zeros(len(trace), bool)
        self.begin[0] = watch.first

    def get(self, name: str, *, before: bool = False) -> Longs:
        word = self.layout.state[name]
        part = (self.before if before else self.trace)[:, word.at : word.at + word.count].astype(np.int64)
        return part[:, 0] if word.count == 1 else part

    def fault(self, *names: str) -> Flags:
        mask = sum(1 << self.layout.faults.index(name) for name in names)
        return np.asarray((self.get("faults") & mask) != 0)

    def condition(self, name: str) -> Flags:
        return np.asarray((self.get("conditions") >> self.layout.conditions.index(name) & 1) == 1)

    def mode(self, *names: str) -> Flags:
        return np.asarray(np.isin(self.get("mode"), [self.layout.modes.index(name) for name in names]))

    def word(self, name: str) -> int:
        return int(self.words[name][0])

    def all(self) -> Iterator[tuple[str, Flags]]:
        """Every invariant with the ticks, or ticks and corners, in which it does not hold."""
        yield from self.time_and_inputs()
        yield from self.counts()
        yield from self.channels()
        yield from self.modes()
        yield from self.faults()
        yield from self.demands()
        yield from self.currents()
        yield from self.coils()

    def time_and_inputs(self) -> Iterator[tuple[str, Flags]]:
        for word in self.layout.trace:
            assert word.trace is not None
            bounds = np.iinfo(word.trace)
            part = self.trace[:, word.at : word.at + word.count]
            yield f"{word.name} is no {word.trace}", (part < bounds.min) | (part > bounds.max)
        now, dt, supply, flags = (
            self.get(name) for name in ("now_us", "dt_us", "board_supply_mv", "board_flags")
        )
        yield "now_us is not the time of the tick", now != self.inputs["now_us"]
        passed = (now - self.get("now_us", before=True)) & CLOCK_MASK
        yield "dt_us is not the time since the tick before", np.where(self.begin, dt != 0, dt != passed)
        yield "board_supply_mv is not what the board said", supply != self.inputs["supply_mv"]
        yield "board_flags are not what the board said", flags != self.inputs["flags"] | self.watch.held

    def counts(self) -> Iterator[tuple[str, Flags]]:
        for name in ("frames_used", "frames_unknown", "frames_bad", "signals_bad", "guard_acts"):
            yield f"{name} went back", ~self.begin & (self.get(name) < self.get(name, before=True))
        names = ("frames_used", "frames_unknown", "frames_bad")
        taken = sum(self.get(name) - np.where(self.begin, 0, self.get(name, before=True)) for name in names)
        yield "not every frame was counted once", np.asarray(taken != self.inputs["frames"])
        kept = self.get("channels_latched", before=True) & ~self.get("channels_latched")
        yield "a latched channel came back", ~self.begin & (kept != 0)

    def channels(self) -> Iterator[tuple[str, Flags]]:
        limits = np.array([channel.limit for channel in self.layout.channels], np.int64)
        yield "a channel is beyond what it may be", np.abs(self.get("channel")) > limits
        place = {name: i for i, name in enumerate(self.layout.rows["channel_row"])}
        rows = self.watch.channel_rows
        configured = int((rows[:, place["configured"]] << np.arange(len(rows))).sum())
        for name in ("channels_lost", "channels_latched"):
            yield f"{name} names a channel that the vehicle lacks", (self.get(name) & ~configured) != 0
        lost = self.get("channels_lost")
        believed = self.get("channels_implausible") & configured & ~lost
        yield "a channel that is not believed is not lost", believed != 0
        # Without its substitute a lost required channel leaves no mode that drives.
        index = self.layout.channel_index
        speed, yaw = index("road_speed_cm_s"), index("yaw_cdeg_s")
        lost_before = np.where(self.begin, 0, self.get("channels_lost", before=True))
        gone = {
            0: np.ones(len(lost), bool),
            1: (lost_before >> speed | lost_before >> yaw) & 1 == 1,
            2: lost_before >> speed & 1 == 1,
        }
        drives = self.mode("active", "reduced")
        for i, channel in enumerate(self.layout.channels):
            if rows[i, place["configured"]] and rows[i, place["required"]]:
                without = gone[int(rows[i, place["substitute"]])]
                yield f"drives without {channel.name}", drives & without & (lost >> i & 1 == 1)

    def modes(self) -> Iterator[tuple[str, Flags]]:
        mode = self.get("mode")
        before = np.where(self.begin, self.layout.modes.index("start"), self.get("mode", before=True))
        asked = self.get("conditions")
        expected = before.copy()
        open_ = np.ones(len(mode), bool)
        for source, target, needs, bars in self.watch.table:
            fits = open_ & (before == source) & (asked & needs == needs) & (asked & bars == 0)
            expected[fits] = target
            open_ &= ~fits
        yield "the mode did not follow the table of modes", mode != expected
        off, hold, part = (self.condition(name) for name in ("off", "hold", "part"))
        yield "a mode with current where outputs must be off", off & ~self.mode("output_off")
        yield "a mode that drives where it must hold", hold & self.mode("active", "reduced")
        yield "active although something is missing", part & self.mode("active")
        ready = self.condition("ready")
        began = self.mode("active", "reduced") & ~np.isin(
            before, [self.layout.modes.index(n) for n in ("active", "reduced")]
        )
        yield "drives before every required channel is whole", began & ~ready

    def faults(self) -> Iterator[tuple[str, Flags]]:
        off, hold, part = (self.condition(name) for name in ("off", "hold", "part"))
        known = (1 << len(self.layout.faults)) - 1
        yield "a fault without a name", (self.get("faults") & ~known) != 0
        holds = self.fault("required_lost", "bus_off", "overrun", "memory", "held")
        yield "holds for no fault, or a fault that does not hold", hold != holds
        yield "off for no fault", off & ~self.fault("supply_low", "supply_high", "driver_hot")
        weak = self.fault("supply_low", "supply_high", "driver_hot")
        yield "the supply or the driver is bad and nothing is missing", weak & ~part & ~off
        dead = self.fault("coil_open", "coil_short", "coil_tracking")
        yield "a coil is dead and nothing is missing", dead & ~part
        yield "a coil is dead and no corner is off", dead & (self.get("corners_off") == 0)
        coils = self.fault("coil_open", "coil_short", "coil_tracking", "coil_resistance")
        yield (
            "a corner is off for no fault",
            (self.get("corners_off") != 0) & ~coils & ~self.mode("output_off"),
        )
        yield "output off with a corner on", self.mode("output_off") & (self.get("corners_off") != 15)
        yield (
            "channel_lost without a lost channel, or the other way",
            self.fault("channel_lost") != (self.get("channels_lost") != 0),
        )
        yield "required_lost without channel_lost", self.fault("required_lost") & ~self.fault("channel_lost")
        yield "memory, although nothing changed it", self.fault("memory")
        dt, period = self.get("dt_us"), self.word("period_us")
        yield "late_tick is wrong", self.fault("late_tick") != (~self.begin & (dt > period + period // 2))
        yield "command_stale is wrong", self.fault("command_stale") != (dt > self.word("command_expiry_us"))
        yield "ring_overflow is wrong", self.fault("ring_overflow") != (self.inputs["lost"] > 0)
        yield (
            "a latched channel and no fault latched",
            (self.get("channels_latched") != 0) & ~self.fault("latched"),
        )

    def demands(self) -> Iterator[tuple[str, Flags]]:
        demand = self.get("demand_permille")
        layers = self.get("layer_permille").reshape(len(demand), len(self.layout.layers), -1)
        yield "layers do not add up to the demand", layers.sum(axis=1) != demand
        low, high = self.words["demand_min_permille"], self.words["demand_max_permille"]
        yield "a demand is outside its limits", (demand < low) | (demand > high)
        for i, name in enumerate(self.layout.layers):
            if not self.words["layer_on"][i] and name not in ("base", "clamp"):
                yield f"{name} is off and contributes", layers[:, i] != 0
        wet = self.get("wet_permille")
        yield "wet_permille is no share", (wet < 0) | (wet > 1000)

    def currents(self) -> Iterator[tuple[str, Flags]]:
        authority, before = self.get("authority_q10"), self.get("authority_q10", before=True)
        before = np.where(self.begin, 0, before)
        yield "authority is no share", (authority < 0) | (authority > Q10)
        yield "authority rose faster than it may", authority > before + self.word("return_q10")
        drives = self.mode("active", "reduced")
        yield "authority rose in a mode that does not drive", ~drives & (authority > before)
        yield "authority fell in a mode that drives", drives & (authority < before)
        yield "authority with outputs off", self.mode("output_off") & (authority != 0)
        fastest = before - LATE_MOST * self.word("leave_q10")
        yield "authority fell faster than it may", self.mode("start", "safe_hold") & (authority < fastest)
        slowest = np.maximum(before - self.word("leave_q10"), 0)
        yield "authority fell slower than it must", self.mode("start", "safe_hold") & (authority > slowest)

        off = (self.get("corners_off")[:, None] >> np.arange(len(self.layout.corners)) & 1) == 1
        current = self.get("current_ma")
        least, most, safe = (self.words[name] for name in ("least_ma", "most_ma", "safe_ma"))
        yield "a current in a corner that is off", off & (current != 0)
        yield "a current is outside its limits", ~off & ((current < least) | (current > most))
        # Off counts as the least that can be held.
        last = np.maximum(self.get("current_ma", before=True), least)
        yield "a current rose faster than it may", ~off & (current > last + self.words["slew_up_ma"])
        yield "a current fell faster than it may", ~off & (current < last - self.words["slew_down_ma"])

        target = self.get("target_ma")
        partner_off = off[:, [1, 0, 3, 2]]
        calm = (authority == 0)[:, None] & ~off & ~partner_off
        yield "no authority and another target than the safe current", calm & (target != safe)
        yield (
            "a target other than the match of a dead partner",
            (~off & partner_off & ~self.weak()[:, None] & (target != self.words["match_ma"])),
        )
        yield (
            "more than the supply allows",
            self.weak()[:, None] & ~off & (target > np.maximum(self.words["derate_ma"], 0)),
        )
        away = np.abs(current - safe) > np.abs(last - safe)
        yield "away from the safe current without authority", calm & away
        both = ~off[:, 0::2] & ~off[:, 1::2]
        apart = np.abs(current[:, 0::2] - current[:, 1::2])
        apart_last = np.abs(last[:, 0::2] - last[:, 1::2])
        yield (
            "left and right came further apart than they may",
            both & (apart > np.maximum(self.words["axle_spread_ma"], apart_last)),
        )

    def weak(self) -> Flags:
        """Ticks in which the supply or the driver limit the current for sure."""
        return self.fault("supply_low", "supply_high", "driver_hot")

    def coils(self) -> Iterator[tuple[str, Flags]]:
        measured, before = self.get("measured_ma"), self.get("measured_ma", before=True)
        duty, duty_before = self.get("duty_q14"), self.get("duty_q14", before=True)
        current = self.get("current_ma")
        if not self.word("current_control"):
            yield "measured is not what the board was told", measured != self.get("current_ma", before=True)
            yield "a duty without control", duty != 0
            return
        before, duty_before = (np.where(self.begin[:, None], 0, column) for column in (before, duty_before))
        yield "a duty is no share", (duty < 0) | (duty > FULL_DUTY)
        yield "a duty in a corner without current", (current == 0) & (duty != 0)
        # A current never passes what the voltage drives through the resistance in the end, see boards/host.py.
        names = [f"coil_permille_{corner}" for corner in self.layout.corners]
        permille = np.stack([self.inputs[name] for name in names], axis=1)
        mohm = np.maximum(self.words["coil_mohm"] * permille // 1000, 1)
        free, supply = self.word("freewheel_mv"), self.inputs["supply_mv"][:, None]
        end = np.clip(
            ((duty_before * (supply + free) >> 14) - free) * 1000 // mohm, -COIL_MOST_MA, COIL_MOST_MA
        )
        opened = permille >= OPEN_PERMILLE
        yield "a current in an open coil", opened & (measured != 0)
        yield (
            "a coil has more than the supply can drive",
            ~opened & (measured > np.maximum(np.maximum(before, end), 0) + 1),
        )
        yield (
            "a coil lost its current too fast",
            ~opened & (measured < np.maximum(np.minimum(before, end), 0) - 1),
        )
