"""What a row expects of the controller, and what follows from the kind of fault where the plan does not say.

Times [D] as in the project's table of faults: a message is lost after its timeout (three periods unless the vehicle
file says otherwise), the safe currents stand 100 ms after the fault, a substitute 100 ms after the loss is noticed. A
check with a debounce trips after its trip ticks, counted from the tick in which the fault shows.
The time from a fault to a possible hazard is taken as 150 ms: a quarter period of the body at 1.4 to 1.9 Hz is 130 to
180 ms [X]. ISO 26262-1 [S] demands detection and reaction together inside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from dashpot.faults.board_kinds import NOMINAL_MV, NOMINAL_PERMILLE, ramp_us
from dashpot.faults.kinds import Effect, Fault, Scope
from dashpot.faults.loop_kinds import BROWN_OUT_US, WATCHDOG_US

if TYPE_CHECKING:
    from dashpot.calibration import Image
    from dashpot.faults.bus import Bus

#: Reactions that the bench can judge, from the least to the most. What each means is in `judge`.
REACTIONS = (
    "none", "substitute", "drop_layer", "reduced", "derate", "corner_off", "restart", "safe_hold", "held_off", "output_off",
)  # fmt: skip
#: Reactions in which a corner has a say of its own.
OF_A_CORNER = ("corner_off", "held_off")
SAFE_BUDGET_US = 100_000
FADE_BUDGET_US = 100_000
#: A fault is seen at the first tick after it, and that one may be just past.
SLACK_TICKS = 2
#: After a restart the controller is held to its safe currents for as long at least.
RESTART_TICKS = 10
#: So many hangs within a minute hold the controller until a power-on, as firmware/dashpot/boot.py has it.
HANGS = 3
#: Words of the image that the firmware's periodic check takes a tick, as firmware/dashpot/memory.py has it.
PATROL_WORDS = 8
#: Channels whose loss takes a layer away; the loss of the others puts a substitute into the layers.
LEADS = ("brake_kpa", "steer_ddeg", "stroke_um")
#: Channels that a check compares with others by a limit in the channel's own unit.
COMPARED = {"lateral_mg": "lateral", "longitudinal_mg": "longitudinal", "road_speed_cm_s": "speed"}
#: What stands in for a channel needs these.
SOURCES = {"speed_yaw": ("road_speed_cm_s", "yaw_cdeg_s"), "speed_change": ("road_speed_cm_s",)}
#: Sensors of a car agree to less than a limit: twice of it is surely seen.
SURELY = 2
#: The estimate of a resistance is this near, per mille.
RESISTANCE_ERROR = 30
_REPLACING = ("substitute", "drop_layer")
_LOSSES = (Effect.LOST, Effect.REFUSED, Effect.BAD_VALUE)
#: Cross-checks that a value which stands still may trip before its own limit does, and channels behind them.
IMPLAUSIBLE = (
    "lateral_implausible", "longitudinal_implausible", "yaw_implausible", "steer_implausible", "brake_implausible",
    "speed_implausible", "stroke_implausible",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Expect:
    """What must come of a row.

    Attributes:
        codes: faults that the firmware must report.
        may: faults that it may report as well; any other is wrong.
        reaction: one of REACTIONS.
        lost: channels by the layout's names that must be lost at the end of the fault, and no others; None: any.
        may_lose: channels that may be lost besides them.
        detect_us: time from the onset in which all codes must have come, None for no limit.
        budget_us: time from the onset in which the reaction must be complete, None for no limit.
        hold_us: time from the onset until which it must stay, None for the end of the fault.
        recovery_us: least and most time from the end of the fault until all is as without it; None: not judged.
        latched: it must not recover within the window.

    """

    codes: tuple[str, ...] = ()
    may: tuple[str, ...] = ()
    reaction: str = "none"
    lost: tuple[str, ...] | None = None
    may_lose: tuple[str, ...] = ()
    detect_us: int | None = None
    budget_us: int | None = None
    hold_us: int | None = None
    recovery_us: tuple[int, int] | None = None
    latched: bool = False


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """What the image says of a channel; `sources` are those that stand in for it."""

    name: str
    timeout_us: int
    required: bool
    still_us: int
    sources: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CheckRow:
    """What the image says of a check, its times in microseconds; a trip time of 0 switches it off."""

    fault: str
    trip_us: int
    heal_us: int
    heals: int
    limit: int
    heal_limit: int

    @property
    def codes(self) -> tuple[str, ...]:
        """What the firmware reports once it has tripped: what never heals is latched at once."""
        return (self.fault, "latched") if self.heals == 0 else (self.fault,)


class Expecter:
    """Makes expectations from the image's times.

    Args:
        image: the image under test.
        bus: the car's bus.

    """

    def __init__(self, image: Image, bus: Bus) -> None:
        self._image = image
        self._bus = bus
        layout = image.layout
        self.period_us = image.word("period_us")
        self.slack_us = SLACK_TICKS * self.period_us
        names = [channel.name for channel in layout.channels]
        self.channels = {
            index: ChannelRow(
                name,
                row["timeout_us"],
                bool(row["required"]),
                row["still_us"],
                SOURCES.get(layout.substitutes[row["substitute"]], ()),
            )
            for index, (name, row) in enumerate(zip(names, image.rows("channel_row"), strict=True))
            if row["configured"]
        }
        self.checks = {
            check.name: CheckRow(
                check.fault,
                row["trip_ticks"] * self.period_us,
                row["heal_ticks"] * self.period_us,
                row["heals_most"],
                row["limit"],
                row["heal_limit"],
            )
            for check, row in zip(layout.checks, image.rows("check_row"), strict=True)
        }
        #: From the loss of the laws' grounds to the safe currents; the last step of the slew is in the slack.
        self.leave_us = -(-1024 // image.word("leave_q10")) * self.period_us
        corners = range(len(layout.corners))
        slowest = min(image.word("slew_down_ma", i) for i in corners)
        widest = max(image.word("most_ma", i) - image.word("least_ma", i) for i in corners)
        #: The longest way of a current.
        self.slew_us = -(-widest // slowest) * self.period_us

    def expected(self, fault: Fault) -> Expect:
        """Return what follows from a fault's kind, target and length; its start is taken as 0.

        Raises:
            ValueError: nothing follows; the message says what the plan must write or change.

        """
        makers: dict[Effect, Callable[[Fault], Expect]] = {
            Effect.LOST: self._lost,
            Effect.REFUSED: self._lost,
            Effect.BAD_VALUE: self._lost,
            Effect.STILL: self._still,
            Effect.APART: self._apart,
            Effect.LATE: self._late,
            Effect.HANG: self._hang,
            Effect.SUPPLY: self._supply,
            Effect.HOT: self._hot,
            Effect.BUS_FLAG: self._bus_flag,
            Effect.OPEN: self._open,
            Effect.SHORT: self._short,
            Effect.RESISTANCE: self._resistance,
            Effect.MEMORY: self._memory,
        }
        effect = fault.kind.effect
        if effect in makers:
            return makers[effect](fault)
        if effect is Effect.DOUBTED:
            return Expect(("frame_bad",), detect_us=2 * fault.message.period_us + self.slack_us)
        if effect is Effect.IGNORED:
            return Expect()
        if effect is Effect.RESTART:
            return self._restart(fault.length_us if fault.kind.name == "reset" else BROWN_OUT_US)
        raise ValueError(
            f"{fault.kind.name} has no detector of its own; write expect.reaction and expect.codes"
        )

    def together(self, faults: Sequence[Fault]) -> Expect:
        """Return what is expected of two faults at once; what neither takes away alone both may.

        Raises:
            ValueError: as `expected`.

        """
        first, second = (self.expected(fault) for fault in faults)
        made = both(first, second, faults[1].start_us)
        losses = [fault for fault in faults if fault.kind.effect in _LOSSES]
        when = {row.name: fault.start_us + row.timeout_us for fault in losses for row in self._carried(fault)}
        gone_us = self._required_gone_us(when)
        if gone_us is None or REACTIONS.index(made.reaction) >= REACTIONS.index("safe_hold"):
            return made
        detect_us = max(made.detect_us or 0, gone_us + self.slack_us)
        return replace(
            made,
            codes=(*made.codes, "required_lost"),
            reaction="safe_hold",
            detect_us=detect_us,
            budget_us=gone_us + self.slack_us + self.leave_us,
        )

    # The bus.

    def _required_gone_us(self, when: dict[str, int]) -> int | None:
        """Return when the first channel is gone that the car cannot do without, from when each channel is lost."""
        times = []
        for row in self.channels.values():
            if row.required and row.name in when:
                others = [when[name] for name in row.sources if name in when]
                if not row.sources or others:
                    times.append(max(when[row.name], min(others, default=0)))
        return min(times, default=None)

    def _lost(self, fault: Fault) -> Expect:
        """A fault after which no good value of some channels comes."""
        length_us, slack_us = fault.length_us, self.slack_us
        gone = self._carried(fault)
        required_us = self._required_gone_us({row.name: row.timeout_us for row in gone})
        extra = {Effect.LOST: (), Effect.REFUSED: ("frame_bad",), Effect.BAD_VALUE: ("signal_bad",)}
        codes = extra.get(fault.kind.effect, ())
        named_us = max(row.timeout_us for row in gone) if required_us is None else required_us
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
        required = required_us is not None
        budget_us = max(SAFE_BUDGET_US, detect_us) if required else detect_us + FADE_BUDGET_US
        whole = fault.kind.scope is not Scope.BUS
        return Expect(
            (*codes, *self._lost_codes(required=required)),
            may=self._on_return(fault),
            reaction=self._reaction(gone, required=required),
            lost=tuple(row.name for row in gone) if whole else None,
            detect_us=detect_us,
            budget_us=budget_us,
        )

    def _still(self, fault: Fault) -> Expect:
        """Values that stand still for longer than those of a moving car can; the onset must be in motion."""
        length_us = fault.length_us
        gone = [row for row in self._carried(fault) if row.still_us]
        if not gone:
            raise ValueError(
                f"nothing sees a {fault.kind.name} of this target, whose channels have no limit for standing still; "
                "write expect.reaction and expect.codes"
            )
        detect_us = max(row.still_us for row in gone) + self.slack_us
        if length_us < detect_us:
            raise ValueError(
                f"a length of {length_us / 1000:g} ms is too short; take {detect_us / 1000:g} ms or more"
            )
        required = self._required_gone_us({row.name: row.still_us for row in gone}) is not None
        return Expect(
            ("signal_still", *self._lost_codes(required=required)),
            # What the value has moved meanwhile comes in one step when it is free again; and others may see it too.
            may=("signal_rate", *IMPLAUSIBLE),
            reaction=self._reaction(gone, required=required),
            lost=tuple(row.name for row in gone),
            # A stroke that stands still may show as a roll, which does not tell the sides of an axle apart.
            may_lose=tuple(_partner(row.name) for row in gone if "stroke" in row.name),
            detect_us=detect_us,
            budget_us=detect_us + FADE_BUDGET_US,
        )

    def _apart(self, fault: Fault) -> Expect:
        """A value that others contradict. Two limits away it is surely seen, a limit away perhaps."""
        row = self.channels[fault.channel.index]
        if row.name not in COMPARED:
            raise ValueError(
                f"what sees a {fault.kind.name} of {fault.channel.name} hangs on the drive; write expect.reaction and "
                "expect.codes"
            )
        check = self.checks[COMPARED[row.name]]
        away = abs(fault.number) * (fault.length_us / 1e6 if fault.kind.name == "ramp" else 1)
        if away < SURELY * check.limit:
            raise ValueError(
                f"{fault.kind.name} takes the value {away:g} away, which the check's limit of {check.limit} may see or "
                f"not: take {SURELY * check.limit} or more, or write expect.reaction"
            )
        shows_us = round(SURELY * check.limit / abs(fault.number) * 1e6) if fault.kind.name == "ramp" else 0
        # A jump may be faster than the channel's rate: it is refused for a frame or two.
        shows_us += 3 * self._longest_period(fault)
        detect_us = shows_us + check.trip_us + self.slack_us
        if fault.length_us < detect_us:
            raise ValueError(
                f"a length of {fault.length_us / 1000:g} ms is too short; take {detect_us / 1000:g} ms or more"
            )
        required = self._required_gone_us({row.name: 0}) is not None
        return Expect(
            (*check.codes, *self._lost_codes(required=required)),
            may=("signal_rate",),
            reaction=self._reaction([row], required=required),
            lost=(row.name,),
            detect_us=detect_us,
            budget_us=detect_us + FADE_BUDGET_US,
        )

    @staticmethod
    def _reaction(gone: Sequence[ChannelRow], *, required: bool) -> str:
        """The least that is safe when some channels are lost."""
        if required:
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
    def _lost_codes(*, required: bool) -> tuple[str, ...]:
        return ("channel_lost", "required_lost") if required else ("channel_lost",)

    def _bus_flag(self, fault: Fault) -> Expect:
        """The controller's own word; without frames the channels are lost as well, in their time."""
        check = self.checks["bus_off"]
        silent = fault.kind.scope is Scope.BUS
        if not self._surely(fault.length_us, check):
            return self._lost(fault) if silent else Expect()
        detect_us = check.trip_us + self.slack_us
        made = Expect(check.codes, reaction="safe_hold", detect_us=detect_us, budget_us=SAFE_BUDGET_US)
        if not silent:
            return replace(made, lost=())
        try:
            return both(made, self._lost(fault), 0)
        except ValueError:
            # Whether a channel is missed in so short a time is by chance, and nothing hangs on it.
            return replace(made, may=("channel_lost", "required_lost", *self._on_return(fault)))

    # The loop.

    def _restart(self, first_us: int) -> Expect:
        """The controller begins anew, first after a time, and knows nothing yet."""
        limit_us = first_us + self.slack_us
        codes = self._lost_codes(required=any(row.required for row in self.channels.values()))
        return Expect(codes, reaction="restart", detect_us=limit_us, budget_us=limit_us)

    def _late(self, fault: Fault) -> Expect:
        """A late tick is counted, an old command ends in the safe currents for as long; several in a row are too much."""
        if not fault.kind.lasts:
            return self._one_late(int(fault.number))
        step_us = round(self.period_us * fault.number / 1000)
        check = self.checks["overrun"]
        trip = check.trip_us // self.period_us
        # A tick is late past one and a half periods, and one of too many past one and a quarter.
        if step_us <= self.period_us + self.period_us // 4:
            return Expect()
        # Where the loop is right again, the first tick may come up to a period later than that.
        one = Expect(may=("late_tick",))
        if step_us > self.period_us + self.period_us // 2:
            one = self._one_late(step_us - self.period_us)
        detect_us = (trip + SLACK_TICKS) * step_us
        if not trip or fault.length_us < trip * step_us:
            return one
        if fault.length_us < detect_us:
            raise ValueError(
                f"a length of {fault.length_us / 1000:g} ms is too short; take {detect_us / 1000:g} ms or more"
            )
        return replace(
            one,
            codes=(*one.codes, *check.codes),
            reaction="safe_hold",
            detect_us=detect_us,
            budget_us=SAFE_BUDGET_US,
        )

    def _one_late(self, late_us: int) -> Expect:
        stale = late_us + self.period_us > self._image.word("command_expiry_us")
        codes = ("late_tick", "command_stale") if stale else ("late_tick",)
        # On its way to the safe currents the guard keeps to the slew, and says so.
        return Expect(
            codes, may=("guard_rate",) if stale else (), detect_us=late_us + self.period_us + self.slack_us
        )

    def _hang(self, fault: Fault) -> Expect:
        """Up to the watchdog's time a late tick; then a reset, and after three in a minute it stays safe."""
        if fault.kind.name == "hang":
            if fault.length_us < fault.number:
                return self._one_late(fault.length_us)
            return self._restart(int(fault.number))
        count = int(fault.number)
        made = self._restart(WATCHDOG_US)
        if count < HANGS:
            return made
        third_us = (HANGS - 1) * (fault.length_us // count) + WATCHDOG_US
        return replace(
            made,
            codes=(*made.codes, *self.checks["held"].codes),
            detect_us=third_us + 2 * self.slack_us,
            latched=True,
        )

    # The board.

    def _surely(self, shows_us: int, check: CheckRow) -> bool:
        """Return whether a check trips on what shows for a time; between yes and no there is no expectation."""
        if not check.trip_us or shows_us < check.trip_us:
            return False
        if shows_us < check.trip_us + self.slack_us:
            raise ValueError(
                f"{check.fault} shows for {shows_us / 1000:g} ms, which may be noticed or not: take up to "
                f"{(check.trip_us - self.period_us) / 1000:g} ms or from {(check.trip_us + self.slack_us) / 1000:g} ms on"
            )
        return True

    def _supply(self, fault: Fault) -> Expect:
        """Two limits on either side: past the nearer the currents are limited, past the farther there are none."""
        low = fault.number < NOMINAL_MV
        names = ("supply_low", "supply_under") if low else ("supply_high", "supply_over")
        made = Expect()
        for name, reaction in zip(names, ("derate", "output_off"), strict=True):
            check = self.checks[name]
            if (fault.number >= check.limit) if low else (fault.number <= check.limit):
                continue
            begin_us, end_us, healed_us = 0, fault.length_us, fault.length_us
            if fault.kind.name == "supply_ramp":
                begin_us = self._crossed_us(fault, check.limit)
                end_us = fault.length_us - begin_us
                healed_us = fault.length_us - self._crossed_us(fault, check.heal_limit)
            if self._surely(end_us - begin_us, check):
                detect_us = begin_us + check.trip_us + self.slack_us
                made = Expect(
                    check.codes,
                    reaction=reaction,
                    lost=(),
                    # Both limits have one code; the first says it.
                    detect_us=made.detect_us or detect_us,
                    budget_us=detect_us + (self.slew_us if reaction == "derate" else 0),
                    hold_us=healed_us,
                )
        return made

    def _crossed_us(self, fault: Fault, millivolts: int) -> int:
        return round(ramp_us(fault) * (NOMINAL_MV - millivolts) / (NOMINAL_MV - fault.number))

    def _hot(self, fault: Fault) -> Expect:
        """The flag for some time limits the currents, for long it takes them away."""
        hot, off = self.checks["driver_hot"], self.checks["driver_hot_off"]
        if not self._surely(fault.length_us, hot):
            return Expect()
        detect_us = hot.trip_us + self.slack_us
        made = Expect(
            hot.codes, reaction="derate", lost=(), detect_us=detect_us, budget_us=detect_us + self.slew_us
        )
        if self._surely(fault.length_us, off):
            made = replace(made, reaction="output_off", budget_us=off.trip_us + self.slack_us)
        return made

    # Coils.

    def _corner_off(self, check: CheckRow, shows_us: int) -> Expect:
        """A check that takes a corner's current away; its partner goes to the matching one by its slew."""
        detect_us = shows_us + check.trip_us + self.slack_us
        return Expect(
            check.codes,
            reaction="corner_off",
            lost=(),
            detect_us=detect_us,
            budget_us=detect_us + self.slew_us,
            latched=check.heals == 0,
        )

    def _check_of(self, name: str, fault: Fault) -> CheckRow:
        return self.checks[f"{name}.{fault.corner.name}"]

    def _open(self, fault: Fault) -> Expect:
        check = self._check_of("coil_open", fault)
        if not self._surely(fault.length_us, check):
            return Expect()
        # What it asked for in vain also counts as an error of the current.
        return replace(self._corner_off(check, 0), may=("coil_tracking",))

    def _short(self, fault: Fault) -> Expect:
        check = self._check_of("coil_short", fault)
        if not self._surely(fault.length_us, check):
            return Expect()
        flag = fault.kind.name == "over_current"
        if not flag and fault.length_us > check.heal_us:
            raise ValueError(
                f"a short of more than {check.heal_us / 1000:g} ms is tried again and again; write expect.reaction"
            )
        # Into bridged turns the current needs a tick to rise.
        made = self._corner_off(check, 0 if flag else self.period_us)
        return made if flag else replace(made, may=("coil_tracking", "coil_resistance", "latched"))

    def _resistance(self, fault: Fault) -> Expect:
        """The estimate follows the resistance by its own average; out of its band for long it is told, then acted on."""
        warn, off = (self._check_of(name, fault) for name in ("coil_resistance", "coil_resistance_off"))
        early_us, late_us = (
            self._leaves_band_us(fault, -RESISTANCE_ERROR),
            self._leaves_band_us(fault, RESISTANCE_ERROR),
        )
        if early_us is None:
            return Expect()
        if late_us is None:
            raise ValueError(
                f"{fault.kind.name} comes so near to the band's edge that it may be noticed or not"
            )
        shows_us = fault.length_us - late_us
        if not self._surely(shows_us, warn):
            return Expect()
        detect_us = late_us + warn.trip_us + self.slack_us
        made = Expect(
            warn.codes,
            reaction="reduced",
            lost=(),
            detect_us=detect_us,
            budget_us=detect_us,
            latched=warn.heals == 0,
        )
        if fault.length_us - early_us < off.trip_us or not off.trip_us:
            return made
        self._surely(shows_us, off)
        acted = self._corner_off(off, late_us)
        return replace(acted, codes=made.codes, detect_us=made.detect_us)

    def _leaves_band_us(self, fault: Fault, error: int) -> int | None:
        """Return when the estimate leaves its band, widened by so many per mille; None: not in the time of the fault."""
        low, high = (self._image.word("resistance_permille", i) for i in range(2))
        share = self._image.word("resistance_q10") / 1024
        estimate = float(NOMINAL_PERMILLE)
        for at_us in range(0, fault.length_us, self.period_us):
            there = 1.0 if fault.kind.name == "coil_step" else at_us / fault.length_us
            estimate += (NOMINAL_PERMILLE + (fault.number - NOMINAL_PERMILLE) * there - estimate) * share
            if not low * (1000 - error) / 1000 <= estimate <= high * (1000 + error) / 1000:
                return at_us
        return None

    # Memory.

    def _memory(self, fault: Fault) -> Expect:
        """A word of the guard's limits counts at once, any other when the periodic check has come by."""
        check, word = self.checks["memory"], fault.word
        if word.limit is not None:
            detect_us = check.trip_us + self.slack_us
            budget_us = SAFE_BUDGET_US
        else:
            # It may have gone by just before: then it is the end of the next round.
            detect_us = 2 * -(-len(self._image.words) // PATROL_WORDS) * self.period_us + self.slack_us
            budget_us = detect_us + self.leave_us + self.slack_us
        return Expect(
            check.codes,
            reaction="safe_hold" if word.limit is None else "held_off",
            lost=(),
            detect_us=detect_us,
            budget_us=budget_us,
            hold_us=budget_us + SAFE_BUDGET_US,
            latched=True,
        )


def both(first: Expect, second: Expect, later_us: int) -> Expect:
    """Return what is expected of two faults at once, the second one `later_us` after the first.

    The reaction is the greater of the two, in the time of the fault that asks for it.
    """

    def shifted(time_us: int | None) -> int | None:
        return None if time_us is None else time_us + later_us

    asked = [
        (first.reaction, first.budget_us, first.hold_us),
        (second.reaction, shifted(second.budget_us), shifted(second.hold_us)),
    ]
    greater, budget_us, hold_us = max(asked, key=lambda each: (REACTIONS.index(each[0]), each[1] or 0))
    if all(reaction in _REPLACING for reaction, *_ in asked):
        # Both sets of channels must have their substitutes.
        budget_us = max(budget or 0 for _, budget, _ in asked)
    known = None if first.lost is None or second.lost is None else {*first.lost, *second.lost}
    times = [time for time in (first.detect_us, shifted(second.detect_us)) if time is not None]
    return Expect(
        codes=tuple(dict.fromkeys((*first.codes, *second.codes))),
        may=tuple(dict.fromkeys((*first.may, *second.may))),
        reaction=greater,
        lost=None if known is None else tuple(sorted(known)),
        may_lose=(*first.may_lose, *second.may_lose),
        detect_us=max(times, default=None),
        budget_us=budget_us,
        hold_us=hold_us,
        latched=first.latched or second.latched,
    )


def _partner(name: str) -> str:
    """Return the channel of the other side of an axle."""
    return name.replace("_left", "_right") if name.endswith("_left") else name.replace("_right", "_left")
