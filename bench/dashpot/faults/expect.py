"""What a row expects of the controller, and what follows from the kind of fault where the plan does not say.

Times [D] as in the project's table of faults: a message is lost after its timeout (three periods unless the vehicle
file says otherwise), the safe currents stand 100 ms after the fault, a substitute 100 ms after the loss is noticed.
The time from a fault to a possible hazard is taken as 150 ms: a quarter period of the body at 1.4 to 1.9 Hz is 130 to
180 ms [X]. ISO 26262-1 [S] demands detection and reaction together inside it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from dashpot.faults.kinds import Effect, Fault, Scope

if TYPE_CHECKING:
    from dashpot.calibration import Image
    from dashpot.faults.bus import Bus

#: Reactions that the bench can judge, from the least to the most. What each means is in `judge`.
REACTIONS = ("none", "substitute", "drop_layer", "reduced", "restart", "safe_hold")
SAFE_BUDGET_US = 100_000
FADE_BUDGET_US = 100_000
#: A fault is seen at the first tick after it, and that one may be just past.
SLACK_TICKS = 2
#: After a restart the controller is held to its safe currents for as long at least.
RESTART_TICKS = 10
#: Channels whose loss takes a layer away; the loss of the others puts a substitute into the layers.
LEADS = ("brake_kpa", "steer_ddeg", "stroke_um")


@dataclass(frozen=True, slots=True)
class Expect:
    """What must come of a row.

    Attributes:
        codes: faults that the firmware must report.
        may: faults that it may report as well; any other is wrong.
        reaction: one of REACTIONS.
        lost: channels by the layout's names that must be lost at the end of the fault, and no others; None: any.
        detect_us: time from the onset in which all codes must have come, None for no limit.
        budget_us: time from the onset in which the reaction must be complete, None for no limit.
        recovery_us: least and most time from the end of the fault until all is as without it; None: not judged.
        latched: it must not recover within the window.

    """

    codes: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    reaction: str = "none"
    lost: tuple[str, ...] | None = None
    detect_us: int | None = None
    budget_us: int | None = None
    recovery_us: tuple[int, int] | None = None
    latched: bool = False


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """What the image says of a channel."""

    name: str
    timeout_us: int
    required: bool
    still_us: int


class Expecter:
    """Makes expectations from the image's times.

    Args:
        image: the image under test.
        bus: the car's bus.

    """

    def __init__(self, image: Image, bus: Bus) -> None:
        self._bus = bus
        self.period_us = image.word("period_us")
        names = [channel.name for channel in image.layout.channels]
        self.channels = {
            index: ChannelRow(name, row["timeout_us"], bool(row["required"]), row["still_us"])
            for index, (name, row) in enumerate(zip(names, image.rows("channel_row"), strict=True))
            if row["configured"]
        }

    def expected(self, fault: Fault) -> Expect:
        """Return what follows from a fault's kind, target and length; its start is taken as 0.

        Raises:
            ValueError: nothing follows; the message says what the plan must write or change.

        """
        effect, slack_us = fault.kind.effect, SLACK_TICKS * self.period_us
        length_us = fault.end_us - fault.start_us
        if effect in (Effect.LOST, Effect.REFUSED, Effect.BAD_VALUE):
            return self._lost(fault, length_us)
        if effect is Effect.STILL:
            return self._still(fault, length_us)
        if effect is Effect.DOUBTED:
            return Expect(("frame_bad",), detect_us=2 * fault.message.period_us + slack_us)
        if effect is Effect.IGNORED:
            return Expect()
        if effect is Effect.LATE:
            late_us = length_us if fault.level is None or fault.kind.lasts else fault.number
            return Expect(("late_tick",), detect_us=int(late_us) + slack_us)
        if effect is Effect.RESTART:
            codes = self._lost_codes(self.channels.values())
            limit_us = length_us + slack_us
            return Expect(codes, reaction="restart", detect_us=limit_us, budget_us=limit_us)
        raise ValueError(
            f"{fault.kind.name} has no detector of its own; write expect.reaction and expect.codes"
        )

    def _lost(self, fault: Fault, length_us: int) -> Expect:
        """A fault after which no good value of some channels comes."""
        gone = self._carried(fault)
        required = [row for row in gone if row.required]
        extra = {Effect.LOST: (), Effect.REFUSED: ("frame_bad",), Effect.BAD_VALUE: ("signal_bad",)}
        codes = extra[fault.kind.effect]
        slack_us = SLACK_TICKS * self.period_us
        named_us = max(row.timeout_us for row in required or gone)
        least_us = min(row.timeout_us for row in gone)
        between_us = self._longest_period(fault)
        if length_us + between_us + slack_us <= least_us:
            # Gone before anybody misses it. A value of a refused frame may come a period after the onset.
            detect_us = between_us + slack_us if codes else None
            return Expect(codes, may=self._on_return(fault), detect_us=detect_us)
        detect_us = named_us + slack_us
        if length_us < detect_us:
            raise ValueError(
                f"a length of {length_us / 1000:g} ms may be noticed or not, by chance: take up to "
                f"{max(0, least_us - between_us - slack_us) / 1000:g} ms or from {detect_us / 1000:g} ms on, or write "
                "expect.reaction"
            )
        budget_us = max(SAFE_BUDGET_US, detect_us) if required else detect_us + FADE_BUDGET_US
        whole = fault.kind.scope is not Scope.BUS
        return Expect(
            (*codes, *self._lost_codes(gone)),
            may=self._on_return(fault),
            reaction=self._reaction(gone),
            lost=tuple(row.name for row in gone) if whole else None,
            detect_us=detect_us,
            budget_us=budget_us,
        )

    def _still(self, fault: Fault, length_us: int) -> Expect:
        """Values that stand still for longer than those of a moving car can; the onset must be in motion."""
        gone = [row for row in self._carried(fault) if row.still_us]
        if not gone:
            raise ValueError(
                f"nothing sees a {fault.kind.name} of this target, whose channels have no limit for standing still; "
                "write expect.reaction and expect.codes"
            )
        slack_us = SLACK_TICKS * self.period_us
        detect_us = max(row.still_us for row in gone) + slack_us
        if length_us < detect_us:
            raise ValueError(
                f"a length of {length_us / 1000:g} ms is too short; take {detect_us / 1000:g} ms or more"
            )
        return Expect(
            ("signal_still", *self._lost_codes(gone)),
            # What the value has moved meanwhile comes in one step when it is free again.
            may=("signal_rate",),
            reaction=self._reaction(gone),
            lost=tuple(row.name for row in gone),
            detect_us=detect_us,
            budget_us=detect_us + FADE_BUDGET_US,
        )

    @staticmethod
    def _reaction(gone: Sequence[ChannelRow]) -> str:
        """The least that is safe when some channels are lost."""
        if any(row.required for row in gone):
            return "safe_hold"
        leads = [row for row in gone if row.name.partition(".")[0] in LEADS]
        return "drop_layer" if len(leads) == len(gone) else "substitute"

    def _on_return(self, fault: Fault) -> tuple[str, ...]:
        """A counter that went on while nobody saw it is out of sequence once when its message is back."""
        if fault.kind.scope is Scope.MESSAGE:
            counted = fault.message.counter is not None
        else:
            counted = fault.kind.scope is Scope.BUS and any(m.counter for m in self._bus.messages.values())
        return ("frame_bad",) if counted else ()

    def _carried(self, fault: Fault) -> list[ChannelRow]:
        """Channels that a fault takes away."""
        if fault.kind.scope is Scope.MESSAGE:
            return [self.channels[index] for index in fault.message.channels]
        if fault.kind.scope is Scope.CHANNEL:
            return [self.channels[fault.channel.index]]
        return list(self.channels.values())

    def _longest_period(self, fault: Fault) -> int:
        if fault.kind.scope is Scope.MESSAGE:
            return fault.message.period_us
        if fault.kind.scope is Scope.CHANNEL:
            return self._bus.message_of(fault.channel).period_us
        return max(message.period_us for message in self._bus.messages.values())

    @staticmethod
    def _lost_codes(rows: Iterable[ChannelRow]) -> tuple[str, ...]:
        return ("channel_lost", *(("required_lost",) if any(row.required for row in rows) else ()))


def both(first: Expect, second: Expect, later_us: int) -> Expect:
    """Return what is expected of two faults at once, the second one `later_us` after the first.

    The reaction is the greater of the two, in the time of the fault that asks for it.
    """

    def shifted(time_us: int | None) -> int | None:
        return None if time_us is None else time_us + later_us

    greater, budget_us = max(
        ((first.reaction, first.budget_us), (second.reaction, shifted(second.budget_us))),
        key=lambda pair: (REACTIONS.index(pair[0]), pair[1] or 0),
    )
    known = None if first.lost is None or second.lost is None else {*first.lost, *second.lost}
    times = [time for time in (first.detect_us, shifted(second.detect_us)) if time is not None]
    return Expect(
        codes=tuple(dict.fromkeys((*first.codes, *second.codes))),
        may=tuple(dict.fromkeys((*first.may, *second.may))),
        reaction=greater,
        lost=None if known is None else tuple(sorted(known)),
        detect_us=max(times, default=None),
        budget_us=budget_us,
    )
