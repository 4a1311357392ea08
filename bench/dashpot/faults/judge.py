"""The verdict on one row: what the controller did against what it did without the fault and what was expected.

Reactions, each complete when it holds from some tick to the end of the fault:

- none: mode and lost channels are at every tick what they are without the fault;
- substitute: the lost channels have reached their substitutes, the mode is reduced;
- drop_layer: the same, and at the end of the fault the layer that lives on the channel gives nothing any more;
- reduced: the mode is reduced;
- derate: the mode is reduced and no current is above what a weak supply or a hot driver allows;
- corner_off: the corner has no current, its partner none or the one that matches, the others are as without the fault;
- restart: after each start the mode is start and every current the safe one;
- safe_hold: the mode is safe hold and every current the safe one;
- held_off: the mode is safe hold, the corner has no current from the very tick on, its partner none or the one that
  matches, and the others have the safe one;
- output_off: the mode is output off and no corner has any current.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dashpot.faults.expect import REACTIONS, RESTART_TICKS
from dashpot.faults.kinds import Scope
from dashpot.faults.memory import Boot, disagreements
from dashpot.faults.registry import Corner, Word

if TYPE_CHECKING:
    from dashpot.calibration import Image
    from dashpot.faults.plan import Row
    from dashpot.faults.stimulus import Longs, Stimulus

Words = NDArray[np.int32]
Mask = NDArray[np.bool_]

PASS = "pass"  # noqa: S105 - a verdict, no password
NO_STIMULUS = "no stimulus"
WRONG = "wrong reaction"
LATE = "late"
LIMIT = "limit broken"
RAISED = "firmware error"
#: From the best to the worst.
VERDICTS = (PASS, LATE, WRONG, NO_STIMULUS, LIMIT, RAISED)
#: A layer that gives less than this is off.
OFF_PERMILLE = 5
#: The layer that a channel alone keeps alive; for strokes in its own corner.
LAYER_OF = {"brake_kpa": "brake_lead", "steer_ddeg": "steer_lead", "stroke_um": "stroke_end"}
#: A measured current may be above the command by what the command came down in the last ticks: so many are looked at.
FOLLOWED_TICKS = 10
PICTURE_POINTS = 300
SHOWN_BEFORE_US = 100_000


@dataclass(frozen=True, slots=True)
class Recording:
    """What a controller did.

    Attributes:
        at_us: int64[n], time of each tick in the window.
        trace: int32[n, trace_words].
        memory: words of the fault memory at the end.
        boots: numbers of its starts, in order: the first, then those of the stimulus.

    """

    at_us: Longs
    trace: Words
    memory: Words = field(default_factory=lambda: np.zeros(0, np.int32))
    boots: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """A row around its onset, for one corner: times in ms from the onset, currents in mA, modes.

    `moved_ma` is the most that the current differs from the one without the fault.
    """

    corner: str
    at_ms: list[float]
    current_ma: list[int]
    without_ma: list[int]
    mode: list[int]
    safe_ma: int
    moved_ma: int
    end_ms: float


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a row; times in milliseconds from the onset, None where it never came.

    Attributes:
        row: what was done and expected.
        verdict: one of VERDICTS.
        why: reasons, empty for a pass.
        changed: what the injection changed: frames that differ, ticks that differ, whether the controller saw it.
        codes: faults that are not there without the injection, and when each came first.
        detect_ms: when the last of the expected codes had come.
        safe_ms: when the reaction was complete.
        recovery_ms: when all was as without the fault again, from the end of the fault.
        least_ma, most_ma: the currents' extremes from the onset on, over all corners.
        slew_share: the fastest step of a current as a share of its limit.
        overshoot_ma: the most that a measured current was above all that was commanded in the ten ticks before.
        picture: the corner whose current moved most.

    """

    row: Row
    verdict: str
    why: tuple[str, ...]
    changed: dict[str, int | bool]
    codes: dict[str, float]
    detect_ms: float | None
    safe_ms: float | None
    recovery_ms: float | None
    least_ma: int
    most_ma: int
    slew_share: float
    overshoot_ma: int
    picture: Picture | None

    @property
    def passed(self) -> bool:
        """Whether the row passed."""
        return self.verdict == PASS


class Judge:
    """Judges rows of one image.

    Args:
        image: the image under test: its limits, safe currents, substitutes.

    """

    def __init__(self, image: Image) -> None:
        self._image = image
        self._layout = image.layout
        corners = len(image.layout.corners)

        def words(name: str) -> Words:
            return np.array([image.word(name, i) for i in range(corners)], np.int32)

        self.safe_ma, self.least_ma, self.most_ma = words("safe_ma"), words("least_ma"), words("most_ma")
        self.up_ma, self.down_ma = words("slew_up_ma"), words("slew_down_ma")
        self.spread_ma = [image.word("axle_spread_ma", i) for i in range(corners // 2)]
        self.match_ma, self.derate_ma = words("match_ma"), words("derate_ma")
        rows = image.rows("channel_row")
        names = [channel.name for channel in image.layout.channels]
        self._index = {name: i for i, name in enumerate(names)}
        self._defaults = np.array([row["default"] for row in rows], np.int32)
        self.substitutes = [image.layout.substitutes[row["substitute"]] for row in rows]

    def column(self, recording: Recording, name: str) -> Words:
        """Return a traced word: int32[n] for a single one, int32[n, count] for a run."""
        word = self._layout.state[name]
        part = recording.trace[:, word.at : word.at + word.count]
        return part[:, 0] if word.count == 1 else part

    def unready(self, reference: Recording, lead_us: int) -> str | None:
        """Say why the controller does not work whole at the onset without any fault, None when it does."""
        last = int(np.searchsorted(reference.at_us, lead_us)) - 1
        mode = self._layout.modes[int(self.column(reference, "mode")[last])]
        authority = int(self.column(reference, "authority_q10")[last])
        if mode == "active" and authority == 1024:
            return None
        return f"mode {mode}, {authority * 100 // 1024} % of the laws in the currents"

    def judge(
        self, row: Row, reference: Recording, was: Stimulus, recording: Recording, given: Stimulus
    ) -> Result:
        """Judge one row.

        Args:
            row: what was done and expected.
            reference: what the controller did without the fault, at least as long.
            was: what it was given then.
            recording: what it did with the fault.
            given: what it was given then.

        """
        return _Judgement(self, row, reference, was, recording, given).result()

    def defaults(self) -> Words:
        """Return each channel's substitute."""
        return self._defaults

    def bit(self, channel: str) -> int:
        """Return a channel's place by its layout name."""
        return self._index[channel]


class _Judgement:
    """One row under judgement."""

    def __init__(
        self,
        judge: Judge,
        row: Row,
        reference: Recording,
        was: Stimulus,
        recording: Recording,
        given: Stimulus,
    ) -> None:
        self.judge = judge
        self.layout = judge._layout  # noqa: SLF001 - two halves of one module
        self.row = row
        self.lead_us = row.lead_us
        # Nothing before it is looked at, and a lead is long.
        first = int(np.searchsorted(recording.at_us, row.lead_us - SHOWN_BEFORE_US))
        self.recording = Recording(recording.at_us[first:], recording.trace[first:])
        self.at_us = self.recording.at_us
        self.starts = [tick - first for tick in given.ticks.starts]
        self.whole = recording
        # The reference's tick that was the newest at each tick.
        self.twin = np.searchsorted(reference.at_us, self.at_us, side="right") - 1
        self.reference = Recording(reference.at_us[self.twin], reference.trace[self.twin])
        self.was, self.given = was, given
        self.hold_us = self.lead_us + row.hold_us
        self.end_us = self.lead_us + row.end_us
        self.after = self.at_us >= self.lead_us
        self.held = self.after & (self.at_us < self.hold_us)
        if row.expect.reaction == "restart":
            self.held = self.after & self._after_starts()
        self.late: list[str] = []
        self.wrong: list[str] = []

    def _after_starts(self) -> Mask:
        """Return the ticks just after each start."""
        rows = np.arange(len(self.at_us))
        near = np.zeros(len(rows), bool)
        for start in self.starts:
            near |= (rows >= start) & (rows < start + RESTART_TICKS)
        return near

    def column(self, name: str) -> Words:
        return self.judge.column(self.recording, name)

    def ref(self, name: str) -> Words:
        return self.judge.column(self.reference, name)

    def ms(self, at_us: int | np.int64, from_us: int | None = None) -> float:
        return (int(at_us) - (self.lead_us if from_us is None else from_us)) / 1000

    def result(self) -> Result:
        changed = self._changed()
        if not changed["seen"] and self.row.expect.codes:
            self.wrong.append("the controller did the same as without the fault")
        codes, detect_ms = self._detection()
        safe_ms = self._reaction()
        recovery_ms = self._recovery()
        self._memory()
        least, most, share, broken = self._limits()
        if broken:
            verdict, why = LIMIT, broken
        elif not changed["frames"] and not changed["ticks"]:
            verdict, why = NO_STIMULUS, ["the injection changed no frame and no tick"]
        elif not changed["seen"] and not self.row.expect.codes:
            verdict, why = NO_STIMULUS, ["the controller did the same as without it"]
        elif self.wrong:
            verdict, why = WRONG, self.wrong
        else:
            verdict, why = (LATE, self.late) if self.late else (PASS, [])
        return Result(
            row=self.row,
            verdict=verdict,
            why=tuple(why),
            changed=changed,
            codes=codes,
            detect_ms=detect_ms,
            safe_ms=safe_ms,
            recovery_ms=recovery_ms,
            least_ma=least,
            most_ma=most,
            slew_share=share,
            overshoot_ma=self._overshoot(),
            picture=self._picture(),
        )

    def _changed(self) -> dict[str, int | bool]:
        """Count what the injection changed, and look whether the controller did anything else for it."""
        was, given = self.was, self.given
        frames = _differing(was, given)
        before, after = was.ticks, given.ticks
        ticks = len(after.starts) + len(after.pokes)
        twin = np.minimum(np.searchsorted(before.at_us, after.at_us), len(before) - 1)
        common = before.at_us[twin] == after.at_us
        there = int(np.count_nonzero(common))
        ticks += len(before) + len(after) - 2 * there
        unlike = np.zeros(len(after), bool)
        for name, values in after.inputs.items():
            unlike |= before.inputs[name][twin] != values
        ticks += int(np.count_nonzero(unlike & common))
        seen = bool((self.recording.trace[self.after] != self.reference.trace[self.after]).any())
        return {"frames": frames, "ticks": ticks, "seen": bool(frames or ticks) and seen}

    def _detection(self) -> tuple[dict[str, float], float | None]:
        new = self.column("faults") & ~self.ref("faults")
        first: dict[str, float] = {}
        for bit, name in enumerate(self.layout.faults):
            hits = np.flatnonzero(self.after & (new >> bit & 1 != 0))
            if len(hits):
                first[name] = self.ms(self.at_us[hits[0]])
        expect = self.row.expect
        missing = [code for code in expect.codes if code not in first]
        if missing:
            self.wrong.append(f"{_listed(missing)} never came")
        surplus = [code for code in first if code not in {*expect.codes, *expect.may}]
        if surplus:
            self.wrong.append(f"{_listed(surplus)} came and was not expected")
        detect_ms = None
        if expect.codes and not missing:
            detect_ms = max(first[code] for code in expect.codes)
            if expect.detect_us is not None and detect_ms * 1000 > expect.detect_us:
                self.late.append(
                    f"detected after {detect_ms:g} ms, {expect.detect_us / 1000:g} ms are allowed"
                )
        return first, detect_ms

    def _reaction(self) -> float | None:
        expect = self.row.expect
        complete = _REACTIONS[expect.reaction](self)
        if expect.reaction == "none":
            off = np.flatnonzero(self.after & ~complete)
            if len(off):
                self.wrong.append(
                    f"{self._did(int(off[0]))} after {self.ms(self.at_us[off[0]]):g} ms; no reaction was expected"
                )
            return None
        held = np.flatnonzero(self.held)
        if not len(held):
            self.wrong.append("no tick came during the fault")
            return None
        self._lost(int(held[-1]))
        off = held[~complete[held]]
        if len(off) and off[-1] == held[-1]:
            self.wrong.append(
                f"{expect.reaction} was not complete at the end of the fault: {self._did(int(held[-1]))}"
            )
            return None
        first = off[-1] + 1 if len(off) else held[0]
        safe_ms = self.ms(self.at_us[first])
        if expect.budget_us is not None and safe_ms * 1000 > expect.budget_us:
            self.late.append(
                f"{expect.reaction} complete after {safe_ms:g} ms, {expect.budget_us / 1000:g} ms are allowed"
            )
        if expect.reaction == "drop_layer":
            self._layers(int(held[-1]))
        return safe_ms

    def _did(self, tick: int) -> str:
        """Say what state the controller is in."""
        mode = self.layout.modes[int(self.column("mode")[tick])]
        current = ", ".join(str(value) for value in self.column("current_ma")[tick].tolist())
        lost = self._lost_names(tick)
        return f"mode {mode}, {_listed(lost) or 'no channel'} lost, currents {current} mA"

    def _lost_names(self, tick: int) -> list[str]:
        new = int(self.column("channels_lost")[tick]) & ~int(self.ref("channels_lost")[tick])
        return [channel.name for i, channel in enumerate(self.layout.channels) if new >> i & 1]

    def _lost(self, last: int) -> None:
        """Check which channels are lost at the end of the fault."""
        expect = self.row.expect
        if expect.lost is None:
            return
        lost = self._lost_names(last)
        if not set(expect.lost) <= set(lost) <= {*expect.lost, *expect.may_lose}:
            self.wrong.append(
                f"lost at the end of the fault: {_listed(lost) or 'none'}; expected {_listed(expect.lost)}"
            )

    def _layers(self, last: int) -> None:
        """Check that the layers which live on the lost channels give nothing any more."""
        contributions = self.column("layer_permille")[last].reshape(len(self.layout.layers), -1)
        for name in self.row.expect.lost or self._lost_names(last):
            base, _, corner = name.partition(".")
            if base not in LAYER_OF:
                continue
            layer = contributions[self.layout.layers.index(LAYER_OF[base])]
            mine = layer[self.layout.corners.index(corner)] if corner else layer
            if np.abs(mine).max() > OFF_PERMILLE:
                self.wrong.append(
                    f"the layer {LAYER_OF[base]} still gives {int(np.abs(mine).max())} per mille at the end of the fault"
                )

    def _recovery(self) -> float | None:
        same = self.after.copy()
        for name in ("mode", "channels_lost", "authority_q10"):
            same &= self.column(name) == self.ref(name)
        rest = np.flatnonzero(self.at_us >= self.end_us)
        off = rest[~same[rest]]
        expect = self.row.expect
        recovered = bool(len(rest)) and (not len(off) or off[-1] < rest[-1])
        recovery_ms = None
        if recovered:
            first = off[-1] + 1 if len(off) else rest[0]
            recovery_ms = max(0.0, self.ms(self.at_us[first], self.end_us))
        if expect.latched and recovered:
            self.wrong.append(f"recovered after {recovery_ms:g} ms; it must stay until it is cleared")
        if expect.recovery_us is None:
            return recovery_ms
        least_ms, most_ms = (time / 1000 for time in expect.recovery_us)
        if recovery_ms is None:
            self.wrong.append(
                f"did not recover within {self.ms(self.at_us[-1], self.end_us):g} ms after the fault"
            )
        elif recovery_ms < least_ms:
            self.wrong.append(f"recovered after {recovery_ms:g} ms already, before {least_ms:g} ms")
        elif recovery_ms > most_ms:
            self.late.append(f"recovered after {recovery_ms:g} ms, {most_ms:g} ms are allowed")
        return recovery_ms

    def _memory(self) -> None:
        """Hold the fault memory against the whole trace, from the power-on on."""
        whole = self.whole
        if not whole.boots:
            return
        firsts = [0, *sorted(self.given.ticks.starts)]
        boots = [
            Boot(number, first, end)
            for number, first, end in zip(whole.boots, firsts, [*firsts[1:], len(whole.at_us)], strict=True)
        ]
        found = disagreements(whole.memory, self.layout, whole.at_us, whole.trace, boots)
        self.wrong += [f"fault memory: {said}" for said in found]

    def _overshoot(self) -> int:
        """Return how far the measured currents were above what was commanded a little before, mA."""
        rows = np.flatnonzero(self.after)
        measured, command = self.column("measured_ma")[rows], self.column("current_ma")
        highest = command[np.maximum(rows - 1, 0)]
        for back in range(2, FOLLOWED_TICKS + 1):
            highest = np.maximum(highest, command[np.maximum(rows - back, 0)])
        return max(0, int((measured - highest).max()))

    def _limits(self) -> tuple[int, int, float, list[str]]:
        """Check every current and every step of one from the onset on.

        No current is inside the limits where the trace says that the corner is off, and only there; the way into it is
        one step, the way out of it one to the least current and its slew. A step over a start is the board's, whose
        outputs were off, and not the controller's.
        """
        judge = self.judge
        rows = np.flatnonzero(self.after)
        past = np.maximum(rows - 1, 0)
        current, before = self.column("current_ma")[rows], self.column("current_ma")[past]
        off_bits = np.arange(len(self.layout.corners))
        flags = self.column("corners_off")
        off = (flags[rows, None] >> off_bits & 1).astype(bool)
        was_off = (flags[past, None] >> off_bits & 1).astype(bool)
        broken = []
        for corner, name in enumerate(self.layout.corners):
            on = current[~off[:, corner], corner]
            low, high = (int(on.min()), int(on.max())) if len(on) else (judge.safe_ma[corner],) * 2
            if low < judge.least_ma[corner] or high > judge.most_ma[corner]:
                broken.append(
                    f"{name} at {low} to {high} mA, the limits are {judge.least_ma[corner]} to {judge.most_ma[corner]} mA"
                )
            if current[off[:, corner], corner].any():
                broken.append(f"{name} had a current while it was off")
        for axle, most_ma in enumerate(judge.spread_ma):
            left, right = 2 * axle, 2 * axle + 1
            apart = np.abs(current[:, left] - current[:, right])
            grown = (apart > most_ma) & (apart > np.abs(before[:, left] - before[:, right]))
            grown &= ~(off | was_off)[:, [left, right]].any(axis=1) & ~np.isin(rows, self.starts)
            if grown.any():
                broken.append(
                    f"{self.layout.corners[left]} and its partner are {int(apart[grown].max())} mA apart; that may not grow "
                    f"past {most_ma} mA"
                )
        # Out of none a current begins at the least; the way into none is free.
        step = np.where(off, 0, current - np.where(was_off, judge.least_ma, before))
        whole = ~np.isin(rows, self.starts)
        share = np.maximum(step / judge.up_ma, -step / judge.down_ma)[whole]
        worst = float(share.max(initial=0.0))
        if worst > 1:
            tick, corner = (int(i) for i in np.unravel_index(int(share.argmax()), share.shape))
            at_ms = self.ms(self.at_us[rows[whole][tick]])
            broken.append(
                f"{self.layout.corners[corner]} moved {int(step[whole][tick, corner])} mA in the tick at {at_ms:g} ms; "
                f"+{judge.up_ma[corner]} and -{judge.down_ma[corner]} mA are allowed"
            )
        return int(current.min()), int(current.max()), round(worst, 4), broken

    def _picture(self) -> Picture:
        current, without = self.column("current_ma"), self.ref("current_ma")
        shown = (self.at_us >= self.lead_us - SHOWN_BEFORE_US) & self._shown_until()
        rows = np.flatnonzero(shown)
        moved = np.abs(current[rows] - without[rows]).max(axis=0)
        corner = int(moved.argmax())
        rows = rows[:: max(1, -(-len(rows) // PICTURE_POINTS))]
        return Picture(
            corner=self.layout.corners[corner],
            at_ms=[self.ms(at) for at in self.at_us[rows]],
            current_ma=current[rows, corner].tolist(),
            without_ma=without[rows, corner].tolist(),
            mode=self.column("mode")[rows].tolist(),
            safe_ma=int(self.judge.safe_ma[corner]),
            moved_ma=int(moved[corner]),
            end_ms=self.ms(self.end_us),
        )

    def _shown_until(self) -> Mask:
        shown: Mask = self.at_us <= self.end_us + min(self.row.after_us, 500_000)
        return shown

    # What each reaction is; see the module's text.

    def none(self) -> Mask:
        mode: Mask = self.column("mode") == self.ref("mode")
        lost: Mask = self.column("channels_lost") == self.ref("channels_lost")
        return mode & lost

    def reduced(self) -> Mask:
        return self._in_mode("reduced")

    def _in_mode(self, mode: str) -> Mask:
        inside: Mask = self.column("mode") == self.layout.modes.index(mode)
        return inside

    def substitute(self) -> Mask:
        held = np.flatnonzero(self.held)
        names = self.row.expect.lost
        if names is None:
            names = tuple(self._lost_names(int(held[-1])) if len(held) else ())
        complete: Mask = self.reduced() if names else np.zeros(len(self.at_us), bool)
        value, lost = self.column("channel"), self.column("channels_lost")
        for name in names:
            place = self.judge.bit(name)
            # The firmware's product is in whole numbers.
            most_off = 1 if self.judge.substitutes[place] == "speed_yaw" else 0
            near = np.abs(value[:, place] - self._stand_in(place)) <= most_off
            complete = np.logical_and(complete, near & (lost >> place & 1 != 0))
        return complete

    def _stand_in(self, place: int) -> Words:
        """Return what stands in for a channel at each tick: its default, or what the other channels say.

        [X] speed in cm/s times yaw rate in 0.01 deg/s is an acceleration; g is 980.665 cm/s2. The controller takes the
        speed, and its change, of the tick before.
        """
        from_others = self.judge.substitutes[place]
        if from_others == "speed_change":
            return _before(self.column("speed_change_mg"))
        if from_others == "speed_yaw":
            value = self.column("channel")
            speed = _before(value[:, self.judge.bit("road_speed_cm_s")]).astype(np.float64)
            yaw_rad_s = np.deg2rad(value[:, self.judge.bit("yaw_cdeg_s")] / 100)
            return np.rint(speed * yaw_rad_s / 980.665 * 1000).astype(np.int32)
        return np.full(len(self.at_us), self.judge.defaults()[place], np.int32)

    def derate(self) -> Mask:
        over = self.column("current_ma") - self.judge.derate_ma
        below: Mask = over.max(axis=1) <= 0
        return below & self.reduced()

    def output_off(self) -> Mask:
        none: Mask = (self.column("current_ma") == 0).all(axis=1)
        return none & self._in_mode("output_off")

    def _corner(self) -> int:
        """Return the corner that the row's fault is about."""
        for fault in self.row.faults:
            if isinstance(fault.target, Corner):
                return fault.target.index
            if isinstance(fault.target, Word):
                return fault.target.corner
        raise AssertionError("the plan lets only faults of a corner ask for one")

    def corner_off(self) -> Mask:
        mine = self._corner()
        partner = mine ^ 1
        current, match_ma = self.column("current_ma"), int(self.judge.match_ma[partner])
        off = 1 << mine | (0 if match_ma else 1 << partner)
        alone = all(fault.kind.scope in (Scope.CORNER, Scope.MEMORY) for fault in self.row.faults)
        complete: Mask = self.reduced() & (self.column("corners_off") == off)
        complete &= (current[:, mine] == 0) & (current[:, partner] == match_ma)
        others = [i for i in range(len(self.layout.corners)) if i not in (mine, partner)]
        if alone:
            complete &= (current[:, others] == self.ref("current_ma")[:, others]).all(axis=1)
        return complete

    def held_off(self) -> Mask:
        mine = self._corner()
        if (self.column("current_ma")[self.after, mine] != 0).any():
            self.wrong.append("the corner's current did not go in the very tick, or came back")
        wanted = self.judge.safe_ma.copy()
        wanted[mine] = 0
        wanted[mine ^ 1] = self.judge.match_ma[mine ^ 1]
        complete: Mask = (self.column("current_ma") == wanted).all(axis=1)
        return complete & self._in_mode("safe_hold")

    def _safe(self, mode: str) -> Mask:
        at_safe: Mask = (self.column("current_ma") == self.judge.safe_ma).all(axis=1)
        return at_safe & self._in_mode(mode)

    def safe_hold(self) -> Mask:
        return self._safe("safe_hold")

    def restart(self) -> Mask:
        return self._safe("start")


_REACTIONS: dict[str, Callable[[_Judgement], Mask]] = {
    "none": _Judgement.none,
    "substitute": _Judgement.substitute,
    "drop_layer": _Judgement.substitute,
    "reduced": _Judgement.reduced,
    "derate": _Judgement.derate,
    "corner_off": _Judgement.corner_off,
    "restart": _Judgement.restart,
    "safe_hold": _Judgement.safe_hold,
    "held_off": _Judgement.held_off,
    "output_off": _Judgement.output_off,
}
assert tuple(_REACTIONS) == REACTIONS


def _before(values: Words) -> Words:
    """Return of each tick the value of the one before."""
    return np.concatenate([values[:1], values[:-1]])


def _differing(was: Stimulus, given: Stimulus) -> int:
    """Count frames that are in one stimulus and not in the other; a changed one counts once."""

    def rows(stimulus: Stimulus) -> NDArray[np.int64]:
        frames = stimulus.frames
        payload = np.ascontiguousarray(frames.data).view(np.int64).ravel()
        return np.column_stack([frames.at_us, frames.key, frames.length, payload])

    before, after = rows(was), rows(given)
    # Most rows change a part of the frames only, from the onset on.
    common = min(len(before), len(after))
    unlike = np.flatnonzero((before[:common] != after[:common]).any(axis=1))
    first = int(unlike[0]) if len(unlike) else common
    mine, its = (set(map(tuple, table[first:].tolist())) for table in (before, after))
    return max(len(mine - its), len(its - mine))


def _listed(names: Any) -> str:
    return ", ".join(names)
