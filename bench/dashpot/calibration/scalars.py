"""The one table between the keys of calibration.toml and the config words of an image.

Packing, unpacking, showing, comparing and checking all read it. Tables (curves and maps) are listed at the end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Protocol

from dashpot.calibration import units
from dashpot.calibration.model import CORNERS
from dashpot.calibration.units import decimal_text, shortest

if TYPE_CHECKING:
    from dashpot.calibration.units import Family
    from dashpot.layout import Layout

AXLES = ("front", "rear")
DIRECTIONS = ("compression", "rebound")
BANDS = ("low", "medium", "high")
_INT16_MAX = units.INT16[1]
_SECOND_US = 1_000_000
_SLEW_MAX_MA = 5000
_CREEP_MAX = 16_000


class Codec(Protocol):
    """How the value of a key becomes a word and back."""

    def word(self, value: Fraction, period_us: int) -> int:
        """Give the word for a value in the key's base unit."""

    def text(self, word: int, period_us: int) -> str:
        """Give the shortest value, as TOML, that makes this word again."""

    def problem(self, value: Fraction, period_us: int) -> tuple[str, str] | None:
        """Give a severity and what is wrong with the value at this period."""

    def derived(self, word: int) -> str:
        """Say what the word means a tick, empty where it is the value itself."""


def _quoted(value: Fraction, unit: str) -> str:
    return f'"{decimal_text(value)} {unit}"' if unit else decimal_text(value)


@dataclass(frozen=True, slots=True)
class Whole:
    """The value itself, rounded to the word's unit."""

    family: Family

    def word(self, value: Fraction, period_us: int) -> int:  # noqa: ARG002 (the protocol's)
        """Round, halves up."""
        return units.half_up(value)

    def text(self, word: int, period_us: int) -> str:  # noqa: ARG002 (the protocol's)
        """Write it in the family's unit."""
        text = units.shown(word, self.family)
        return f'"{text}"' if self.family.shown else text

    def problem(self, value: Fraction, period_us: int) -> None:
        """Nothing depends on the period."""

    def derived(self, word: int) -> str:  # noqa: ARG002 (the protocol's)
        """Say nothing more."""
        return ""


class _Timed:
    """A time whose word is a fraction of one a tick."""

    one: int

    def _exact(self, value: Fraction, period_us: int) -> float:
        raise NotImplementedError

    def _time_us(self, word: int, period_us: int) -> Fraction:
        raise NotImplementedError

    def word(self, value: Fraction, period_us: int) -> int:
        """Round the fraction; at least 1."""
        if value == 0:
            return self.one
        return min(self.one, max(1, math.floor(self._exact(value, period_us) + 0.5)))

    def text(self, word: int, period_us: int) -> str:
        """Write the time in milliseconds."""
        if word >= self.one:
            return '"0 ms"'
        time_ms = shortest(
            self._time_us(word, period_us) / 1000,
            lambda ms: ms > 0 and self.word(ms * 1000, period_us) == word,
        )
        return _quoted(time_ms, "ms")

    def problem(self, value: Fraction, period_us: int) -> tuple[str, str] | None:
        """Compare the time that the word gives with the one asked for."""
        if value == 0:
            return None
        word = self.word(value, period_us)
        slowest = self._time_us(1, period_us)
        if self._exact(value, period_us) < 0.5:
            most = decimal_text(shortest(slowest / 1000, lambda _: True))
            return (
                "error",
                f"is longer than this period can count; {most} ms is the most at a period of {period_us} us",
            )
        if word < self.one:
            given = self._time_us(word, period_us)
            if abs(given - value) > value / 10:
                return "warning", f"becomes {float(given / 1000):.4g} ms, as near as this period can count"
        return None


@dataclass(frozen=True, slots=True)
class TimeConstant(_Timed):
    """Time constant of a first-order filter: word = 1024 (1 - exp(-T / tau))."""

    one: int = 1024

    def _exact(self, value: Fraction, period_us: int) -> float:
        return -self.one * math.expm1(-period_us / float(value))

    def _time_us(self, word: int, period_us: int) -> Fraction:
        return Fraction(-period_us / math.log1p(-word / self.one))

    def derived(self, word: int) -> str:
        """Say the share of the difference."""
        return f"{word}/{self.one} of the difference a tick"


@dataclass(frozen=True, slots=True)
class RampTime(_Timed):
    """Time of a whole ramp from 0 to 1: word = one T / time."""

    one: int = 1024

    def _exact(self, value: Fraction, period_us: int) -> float:
        return float(self.one * period_us / value)

    def _time_us(self, word: int, period_us: int) -> Fraction:
        return Fraction(self.one * period_us, word)

    def derived(self, word: int) -> str:
        """Say the step."""
        return f"{word}/{self.one} a tick"


@dataclass(frozen=True, slots=True)
class SlewStep:
    """A slew: word = mA a tick, rounded down so that the asked slew is never exceeded."""

    def word(self, value: Fraction, period_us: int) -> int:
        """Round down; at least 1."""
        return min(_SLEW_MAX_MA, max(1, math.floor(value * period_us / _SECOND_US)))

    def text(self, word: int, period_us: int) -> str:
        """Write it in A/s."""
        slew = shortest(
            Fraction(word * _SECOND_US, period_us) / 1000,
            lambda x: math.floor(x * 1000 * period_us / _SECOND_US) == word,
        )
        return _quoted(slew, "A/s")

    def problem(self, value: Fraction, period_us: int) -> tuple[str, str] | None:
        """Refuse what is less than 1 mA a tick, and say when rounding down takes much."""
        exact = value * period_us / _SECOND_US
        if exact < 1:
            least = Fraction(_SECOND_US, period_us)
            return (
                "error",
                f"is below 1 mA a tick; {float(least):g} mA/s is the least at a period of {period_us} us",
            )
        if exact >= _SLEW_MAX_MA + 1:
            most = Fraction(_SLEW_MAX_MA * _SECOND_US, period_us) / 1000
            return (
                "error",
                f"is above {_SLEW_MAX_MA} mA a tick; {float(most):g} A/s is the most at this period",
            )
        given = Fraction(self.word(value, period_us) * _SECOND_US, period_us)
        if value - given > value / 10:
            return "warning", f"becomes {float(given):g} mA/s: whole mA a tick, rounded down"
        return None

    def derived(self, word: int) -> str:
        """Say the step."""
        return f"{word} mA a tick"


@dataclass(frozen=True, slots=True)
class Ticks:
    """A time in whole ticks."""

    least: int = 0

    def word(self, value: Fraction, period_us: int) -> int:
        """Round to ticks."""
        return min(_INT16_MAX, max(self.least, units.half_up(value / period_us)))

    def text(self, word: int, period_us: int) -> str:
        """Write it in milliseconds."""
        return _quoted(Fraction(word * period_us, 1000), "ms")

    def problem(self, value: Fraction, period_us: int) -> tuple[str, str] | None:
        """Refuse what the firmware cannot count."""
        if value / period_us > _INT16_MAX:
            most = decimal_text(Fraction(_INT16_MAX * period_us, 1000))
            return (
                "error",
                f"is above {_INT16_MAX} ticks; {most} ms is the most at a period of {period_us} us",
            )
        if value and value < Fraction(period_us, 2):
            return "error", f"is below half a tick of {period_us} us; write 0 or at least one period"
        return None

    def derived(self, word: int) -> str:
        """Say the ticks."""
        return f"{word} tick{'' if word == 1 else 's'}"


@dataclass(frozen=True, slots=True)
class Times1024:
    """A number between 0 and 1, times 1024."""

    def word(self, value: Fraction, period_us: int) -> int:  # noqa: ARG002 (the protocol's)
        """Round; at least 1."""
        return max(1, units.half_up(value * 1024))

    def text(self, word: int, period_us: int) -> str:
        """Write it as a number."""
        return decimal_text(
            shortest(Fraction(word, 1024), lambda x: self.word(x, period_us) == word and x * 1024 >= 1)
        )

    def problem(self, value: Fraction, period_us: int) -> None:
        """Nothing depends on the period."""

    def derived(self, word: int) -> str:
        """Say the word."""
        return f"{word}/1024"


@dataclass(frozen=True, slots=True)
class Count:
    """A whole number."""

    def word(self, value: Fraction, period_us: int) -> int:  # noqa: ARG002 (the protocol's)
        """Give it."""
        return units.half_up(value)

    def text(self, word: int, period_us: int) -> str:  # noqa: ARG002 (the protocol's)
        """Write it."""
        return str(word)

    def problem(self, value: Fraction, period_us: int) -> None:
        """Nothing depends on the period."""

    def derived(self, word: int) -> str:  # noqa: ARG002 (the protocol's)
        """Say nothing more."""
        return ""


@dataclass(frozen=True, slots=True)
class CreepStep:
    """A stroke speed of at most a few mm/s: word = um a tick, times 16."""

    def _exact(self, value: Fraction, period_us: int) -> Fraction:
        return value * 1000 * 16 * period_us / _SECOND_US

    def word(self, value: Fraction, period_us: int) -> int:
        """Round; at least 1."""
        return min(_CREEP_MAX, max(1, units.half_up(self._exact(value, period_us))))

    def text(self, word: int, period_us: int) -> str:
        """Write it in mm/s."""
        speed = shortest(
            Fraction(word * _SECOND_US, 16_000 * period_us),
            lambda x: self.word(x, period_us) == word and self.problem(x, period_us) is None,
        )
        return _quoted(speed, "mm/s")

    def problem(self, value: Fraction, period_us: int) -> tuple[str, str] | None:
        """Refuse what the firmware cannot count."""
        exact = self._exact(value, period_us)
        if not Fraction(1, 2) <= exact < _CREEP_MAX + Fraction(1, 2):
            least, most = (Fraction(word * _SECOND_US, 16_000 * period_us) for word in (1, _CREEP_MAX))
            return (
                "error",
                f"cannot be counted; at a period of {period_us} us right is {float(least):.4g} to {float(most):.4g} mm/s",
            )
        return None

    def derived(self, word: int) -> str:
        """Say the step."""
        return f"{decimal_text(Fraction(word, 16))} um a tick"


@dataclass(frozen=True, slots=True)
class CheckKey:
    """One key of a check's row: it goes into `fields` of the rows of every check of that name, corner by corner."""

    key: str
    check: str
    fields: tuple[str, ...]
    codec: Codec

    def places(self, layout: Layout) -> list[int]:
        """Indices of its config words."""
        row, first = layout.rows["check_row"], layout.config["check_rows"].at
        return [
            first + index * len(row) + row.index(field)
            for index, check in enumerate(layout.checks)
            if check.name.partition(".")[0] == self.check
            for field in self.fields
        ]


@dataclass(frozen=True, slots=True)
class Scalar:
    """One key with one word: `word` names the config word, `index` its place in a run."""

    key: str
    word: str
    index: int
    codec: Codec


@dataclass(frozen=True, slots=True)
class TableKey:
    """One curve: its key, the config word that holds its offset, and what its axes are."""

    key: str
    word: str
    index: int
    x_name: str
    x: Family
    y_name: str
    y: Family


def _scalars() -> list[Scalar]:
    share, current = Whole(units.SHARE), Whole(units.CURRENT)
    pressure, speed = Whole(units.PRESSURE), Whole(units.SPEED)
    stroke_speed, stroke = Whole(units.STROKE_SPEED), Whole(units.STROKE)
    tau, ramp, slow, slew = TimeConstant(), RampTime(), RampTime(65536), SlewStep()
    brake, steer, trim, grip, end = (
        f"layers.{name}" for name in ("brake_lead", "steer_lead", "stroke_speed", "grip", "stroke_end")
    )
    rows = [
        Scalar("timing.period", "period_us", 0, Whole(units.TIME)),
        Scalar("filters.lateral", "low_pass_q10", 0, tau),
        Scalar("filters.longitudinal", "low_pass_q10", 1, tau),
        Scalar(f"{brake}.slow_average", "brake_slow_q10", 0, tau),
        Scalar(f"{brake}.rate_dead_band", "brake_rate_dead_bar_s", 0, Whole(units.PRESSURE_RATE)),
        Scalar(f"{brake}.decay", "brake_decay_q10", 0, tau),
    ]
    for i, axle in enumerate(AXLES):
        rows += [
            Scalar(f"{brake}.{axle}.rate_gain", "brake_rate_gain_permille", i, Whole(units.BRAKE_GAIN)),
            Scalar(f"{brake}.{axle}.peak", "brake_lead_peak_permille", i, share),
        ]
    rows.append(Scalar(f"{steer}.rate_dead_band", "steer_dead_deg_s", 0, Whole(units.STEER_RATE)))
    for i, side in enumerate(("front_outer", "front_inner", "rear_outer", "rear_inner")):
        rows.append(Scalar(f"{steer}.{side}", "steer_gain_permille", i, Whole(units.STEER_GAIN)))
    rows += [
        Scalar(f"{steer}.peak", "steer_peak_permille", 0, share),
        Scalar(f"{steer}.decay", "steer_decay_q10", 0, tau),
        Scalar(f"{steer}.fade_from", "steer_fade_cm_s", 0, speed),
        Scalar(f"{steer}.fade_to", "steer_fade_cm_s", 1, speed),
        Scalar(f"{trim}.low_medium", "band_edge_mm_s", 0, stroke_speed),
        Scalar(f"{trim}.medium_high", "band_edge_mm_s", 1, stroke_speed),
        Scalar(f"{trim}.blend", "band_blend_mm_s", 0, stroke_speed),
        Scalar(f"{trim}.rough_pressure_from", "rough_brake_kpa", 0, pressure),
        Scalar(f"{trim}.rough_pressure_to", "rough_brake_kpa", 1, pressure),
        Scalar(f"{trim}.rough_speed_from", "rough_mm_s", 0, stroke_speed),
        Scalar(f"{trim}.rough_speed_to", "rough_mm_s", 1, stroke_speed),
        Scalar(f"{trim}.rough_average", "rough_q10", 0, tau),
    ]
    places = [
        f"{surface}.{axle}.{direction}.{band}"
        for surface in ("normal", "rough_braking")
        for axle in AXLES
        for direction in DIRECTIONS
        for band in BANDS
    ]
    rows += [Scalar(f"{trim}.{place}", "band_trim_permille", i, share) for i, place in enumerate(places)]
    rows += [
        Scalar(f"{grip}.ask_pressure", "grip_ask_kpa", 0, pressure),
        Scalar(f"{grip}.event_least", "grip_event_min_ticks", 0, Ticks(1)),
        Scalar(f"{grip}.settle", "grip_settle_ticks", 0, Ticks()),
        Scalar(f"{grip}.rise", "grip_rise_q10", 0, tau),
        Scalar(f"{grip}.fall", "grip_fall_q10", 0, tau),
        Scalar(f"{grip}.events", "grip_events", 0, Count()),
        Scalar(f"{grip}.into_wet", "grip_slow_in_q16", 0, slow),
        Scalar(f"{grip}.out_of_wet", "grip_slow_out_q16", 0, slow),
        Scalar(f"{grip}.front", "grip_scale_permille", 0, share),
        Scalar(f"{grip}.rear", "grip_scale_permille", 1, share),
        Scalar(f"{end}.shape", "end_shape_permille", 0, share),
        Scalar(f"{end}.lead", "end_lead_us", 0, Whole(units.TIME)),
        Scalar(f"{end}.moving", "end_moving_mm_s", 0, stroke_speed),
    ]
    for i, place in enumerate(f"{axle}.{direction}" for axle in AXLES for direction in DIRECTIONS):
        rows += [
            Scalar(f"{end}.{place}.start", "end_start_um", i, stroke),
            Scalar(f"{end}.{place}.stop", "end_stop_um", i, stroke),
            Scalar(f"{end}.{place}.peak", "end_peak_permille", i, share),
        ]
    for i, corner in enumerate(CORNERS):
        rows += [
            Scalar(f"limits.{corner}.least", "demand_min_permille", i, share),
            Scalar(f"limits.{corner}.most", "demand_max_permille", i, share),
            Scalar(f"valves.{corner}.safe", "safe_ma", i, current),
            Scalar(f"valves.{corner}.least", "least_ma", i, current),
            Scalar(f"valves.{corner}.most", "most_ma", i, current),
            Scalar(f"valves.{corner}.slew_up", "slew_up_ma", i, slew),
            Scalar(f"valves.{corner}.slew_down", "slew_down_ma", i, slew),
            Scalar(f"valves.{corner}.match", "match_ma", i, current),
            Scalar(f"valves.{corner}.derate", "derate_ma", i, current),
            Scalar(f"valves.{corner}.resistance", "coil_mohm", i, Whole(units.RESISTANCE)),
            Scalar(f"valves.{corner}.inductance", "coil_uh", i, Whole(units.INDUCTANCE)),
        ]
    return [
        *rows,
        Scalar("fail_safe.channel_fade", "fade_q10", 0, ramp),
        Scalar("fail_safe.channel_recover", "recover_q10", 0, ramp),
        Scalar("fail_safe.authority_leave", "leave_q10", 0, ramp),
        Scalar("fail_safe.authority_return", "return_q10", 0, ramp),
        Scalar("fail_safe.return_below", "return_below_mg", 0, Whole(units.ACCELERATION)),
        Scalar("fail_safe.losses", "losses_most", 0, Count()),
        Scalar("fail_safe.still_from", "still_speed_cm_s", 0, speed),
        Scalar("fail_safe.command_expiry", "command_expiry_us", 0, Whole(units.TIME)),
        Scalar("fail_safe.axle_spread.front", "axle_spread_ma", 0, current),
        Scalar("fail_safe.axle_spread.rear", "axle_spread_ma", 1, current),
        Scalar("checks.from_speed", "check_from_cm_s", 0, speed),
        Scalar("checks.brake.high_pressure", "brake_high_kpa", 0, pressure),
        Scalar("checks.brake.least_deceleration", "brake_least_mg", 0, Whole(units.ACCELERATION)),
        Scalar("checks.brake.low_pressure", "brake_low_kpa", 0, pressure),
        Scalar("checks.brake.most_deceleration", "brake_most_mg", 0, Whole(units.ACCELERATION)),
        Scalar("checks.stroke_offset.straight_below", "straight_mg", 0, Whole(units.ACCELERATION)),
        Scalar("checks.stroke_offset.straight_rate", "straight_step_q4", 0, CreepStep()),
        Scalar("checks.stroke_roll.roll.front", "roll_um", 0, stroke),
        Scalar("checks.stroke_roll.roll.rear", "roll_um", 1, stroke),
        Scalar("current_control.response", "control_us", 0, Whole(units.TIME)),
        Scalar("current_control.freewheel", "freewheel_mv", 0, Whole(units.VOLTAGE)),
        Scalar("current_control.resistance_average", "resistance_q10", 0, tau),
        Scalar("coils.open.share", "open_permille", 0, share),
        Scalar("coils.resistance.low", "resistance_permille", 0, share),
        Scalar("coils.resistance.high", "resistance_permille", 1, share),
        Scalar("coils.tracking.least", "tracking_least_ma", 0, current),
        Scalar("report.period", "report_ticks", 0, Ticks()),
    ]


def _tables() -> list[TableKey]:
    rows = []
    for i, axle in enumerate(AXLES):
        rows += [
            TableKey(
                f"layers.base.{axle}", "base_table", i, "position", units.POSITION, "demand", units.SHARE
            ),
            TableKey(
                f"layers.road_speed.{axle}",
                "road_speed_table",
                i,
                "speed",
                units.SPEED,
                "demand",
                units.SHARE,
            ),
            TableKey(
                f"layers.brake_lead.{axle}.map",
                "brake_lead_table",
                i,
                "pressure",
                units.PRESSURE,
                "demand",
                units.SHARE,
            ),
        ]
    rows.append(
        TableKey("layers.grip.ask_steer", "grip_ask_table", 0, "speed", units.SPEED, "angle", units.ANGLE)
    )
    rows.append(
        TableKey(
            "checks.steer.yaw_gain", "steer_yaw_table", 0, "speed", units.SPEED, "yaw_rate", units.YAW_RATE
        )
    )
    for i, corner in enumerate(CORNERS):
        rows.append(
            TableKey(
                f"valves.{corner}.curve", "valve_table", i, "demand", units.SHARE, "current", units.CURRENT
            )
        )
    return rows


def _checks() -> list[CheckKey]:
    limits = {
        "checks.lateral": units.ACCELERATION, "checks.longitudinal": units.ACCELERATION,
        "checks.steer": units.ACCELERATION, "checks.speed": units.SPEED,
        "checks.stroke_offset": units.STROKE, "checks.stroke_roll": units.STROKE,
        "board.supply_low": units.VOLTAGE, "board.supply_under": units.VOLTAGE,
        "board.supply_high": units.VOLTAGE, "board.supply_over": units.VOLTAGE,
    }  # fmt: skip
    both = ("limit", "heal_limit")
    rows = []

    def row(key: str, check: str, field: str, codec: Codec) -> None:
        rows.append(CheckKey(key, check, both if field == "limits" else (field,), codec))

    def debounce(table: str, check: str) -> None:
        row(f"{table}.trip", check, "trip_ticks", Ticks())
        row(f"{table}.heal", check, "heal_ticks", Ticks())
        row(f"{table}.heals", check, "heals_most", Count())

    for table in (
        *(f"checks.{name}" for name in ("lateral", "longitudinal", "yaw", "steer", "brake", "speed")),
        "checks.stroke_offset", "checks.stroke_roll", "board.bus_off",
        *(f"board.supply_{name}" for name in ("low", "under", "high", "over")),
        "board.driver_hot", "board.driver_hot_off",
    ):  # fmt: skip
        check = table.partition(".")[2]
        if table in limits:
            row(f"{table}.limit", check, "limit", Whole(limits[table]))
            row(f"{table}.heal_limit", check, "heal_limit", Whole(limits[table]))
        debounce(table, check)
    row("board.overrun.late_ticks", "overrun", "trip_ticks", Count())
    row("board.overrun.heal", "overrun", "heal_ticks", Ticks())
    row("board.overrun.heals", "overrun", "heals_most", Count())
    row("coils.open.from_current", "coil_open", "limits", Whole(units.CURRENT))
    row("coils.open.trip", "coil_open", "trip_ticks", Ticks())
    row("coils.short.limit", "coil_short", "limits", Whole(units.CURRENT))
    debounce("coils.short", "coil_short")
    row("coils.resistance.trip", "coil_resistance", "trip_ticks", Ticks())
    row("coils.resistance.off", "coil_resistance_off", "trip_ticks", Ticks())
    row("coils.tracking.limit", "coil_tracking", "limits", Whole(units.SHARE))
    row("coils.tracking.trip", "coil_tracking", "trip_ticks", Ticks())
    return rows


SCALARS = _scalars()
CHECKS = _checks()
# Checks without a key: they trip in the first tick and never heal.
AT_ONCE = ("memory", "held")
TABLES = _tables()
# Filters of the trackers, by the tracker's channel: the key, the rate's multiplier, the bound of the speed in Q12 units
# a tick. The result is in mm/s, deg/s, bar/s and thousandths of g; the bounds keep the firmware's products below 2**31.
TRACKERS = {
    "stroke_um": ("filters.stroke", 100, 1 << 27),
    "steer_ddeg": ("filters.steer", 10_000, 1 << 19),
    "brake_kpa": ("filters.brake", 1_000, 1 << 23),
    "road_speed_cm_s": ("filters.road_speed", 101_972, 1 << 17),
}
ENABLED = ("body_load", "brake_lead", "steer_lead", "stroke_speed", "road_speed", "grip", "stroke_end")


def beta_q10(alpha_q10: int) -> int:
    """Beta of Benedict and Bordner for a whole alpha, times 1024: alpha**2 / (2 - alpha), at least 1."""
    alpha = Fraction(alpha_q10, 1024)
    return max(1, units.half_up(1024 * alpha * alpha / (2 - alpha)))


COIL_GAIN_MAX = 16


@dataclass(frozen=True, slots=True)
class CoilWords:
    """What the control of a coil's current counts with, each times 1024.

    Attributes:
        zero: share of the current that a tick without voltage leaves, exp(-T R / L).
        gain: share / (1 - exp(-T R / L)), the controller's gain in units of the resistance.
        share: share of an error that goes in a tick, 1 - exp(-T / response).

    """

    zero: int
    gain: int
    share: int

    @classmethod
    def of(cls, period_us: int, mohm: int, uh: int, response_us: int) -> CoilWords:
        """Compute them from period, resistance, inductance and response (0: all of it in one tick)."""
        lost = -math.expm1(-period_us * mohm / (1000 * uh))
        share = -math.expm1(-period_us / response_us) if response_us else 1.0
        return cls(
            zero=min(1023, math.floor(1024 * (1 - lost) + 0.5)),
            gain=math.floor(1024 * share / lost + 0.5),
            share=max(1, math.floor(1024 * share + 0.5)),
        )
