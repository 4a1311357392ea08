"""From what a log shows to suggestions: a key, what it says now, what it could say, and why. Nothing is applied."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.calibration import units as unitfile
from dashpot.calibration.model import CORNERS
from dashpot.suggest.culprit import FAMILY
from dashpot.suggest.gather import SHOWN
from dashpot.suggest.margins import yaw_gain_deg_s
from dashpot.suggest.timing import nice_ms
from dashpot.suggest.zeros import TOLERANCE

if TYPE_CHECKING:
    from dashpot.calibration.model import Calibration
    from dashpot.calibration.vehicle import ChannelSource, Vehicle
    from dashpot.suggest.analysis import Findings
    from dashpot.suggest.culprit import Mistake
    from dashpot.suggest.zeros import Zero

FIRM, LIKELY, WEAK = "firm", "likely", "weak"
VEHICLE, CALIBRATION = "vehicle", "calibration"
#: An offset so many half-widths of its interval away is firm, or likely.
FIRM_WIDTHS, LIKELY_WIDTHS = 5.0, 2.0
#: Rolls and yaw gains that differ by more than this are worth a change [D].
ROLL_APART, GAIN_APART = 1.10, 1.15
#: Noise of the stroke speed, as a share of the edge of the low band [D].
SPEED_NOISE = 0.1
#: A period that the vehicle file has wrong by more than this.
PERIOD_APART = 0.05
LONG_TIMEOUT_PERIODS = 10
#: A factor between two units is recognised within this.
UNIT_NEAR = 1.03


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One key that could say something else.

    Attributes:
        file: "vehicle" or "calibration".
        key: dotted.
        now: what the file has as TOML, or what holds without the key, in brackets.
        new: TOML.
        confidence: "firm", "likely" or "weak", as docs/suggest.md defines them.
        why: one sentence; evidence: the figures.

    """

    file: str
    key: str
    now: str
    new: str
    confidence: str
    why: str
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Remark:
    """Something to look at that no key mends, or of which the log does not say which key."""

    about: str
    says: str
    evidence: tuple[str, ...] = ()


def suggest(
    findings: Findings, vehicle: Vehicle, calibration: Calibration | None
) -> tuple[list[Suggestion], list[Remark]]:
    """Put together what the findings say."""
    made = [*_channels(findings, vehicle), *_periods(findings, vehicle), *_timeouts(findings, vehicle)]
    remarks = [*_unclear(findings), *_odd_values(findings, vehicle), *_gaps(findings, vehicle)]
    if calibration is not None:
        made += [
            *_rolls(findings, calibration), *_yaw_gain(findings, calibration), *_filter(findings, calibration),
            *_decays(findings, calibration), *_limits(findings, calibration),
        ]  # fmt: skip
        remarks += _stops(findings)
    return made, remarks


# --- channels -------------------------------------------------------------------------------------------


def _channels(findings: Findings, vehicle: Vehicle) -> Iterator[Suggestion]:
    zeros = {zero.channel: zero for zero in findings.zeros}
    sources = {source.name: source for source in vehicle.channels}
    by_channel: dict[str, list[Mistake]] = {}
    for mistake in findings.verdict.mistakes:
        for name in mistake.channels:
            by_channel.setdefault(name, []).append(mistake)
    for name in findings.units:
        yield from _channel(findings, vehicle, sources, zeros, name, by_channel.get(name, []))


def _channel(
    findings: Findings,
    vehicle: Vehicle,
    sources: Mapping[str, ChannelSource],
    zeros: Mapping[str, Zero],
    name: str,
    mistakes: list[Mistake],
) -> Iterator[Suggestion]:
    key = f"channels.{name}"
    origin = name
    sure, why, evidence = _verdict_words(findings)
    for mistake in mistakes:
        if mistake.kind == "swap":
            origin = mistake.partner(name)
    own, table = _table(vehicle, name), _table(vehicle, origin)
    source = sources[origin]
    if origin != name:
        yield from _exchanged(name, origin, own, table, (sure, why, evidence))
    sign, unit = int(table.get("sign", 1)), source.unit
    taken = source.family.factor(unit) or Fraction(1)
    true = taken
    for mistake in mistakes:
        if mistake.kind in ("sign", "sign and unit"):
            yield Suggestion(
                VEHICLE, f"{key}.sign", str(own["sign"]) if "sign" in own else "(1)", str(-sign), sure,
                f"{name} has the wrong sign: {why}", evidence,
            )  # fmt: skip
        if mistake.kind in ("unit", "sign and unit"):
            true = source.family.factors[mistake.unit]
            now = _toml(own["unit"]) if "unit" in own else f'("{unit}", by the DBC)'
            yield Suggestion(
                VEHICLE, f"{key}.unit", now, _toml(mistake.unit), sure,
                f"{name} is in {mistake.unit}, {_times(mistake.factor)}: {why}", evidence,
            )  # fmt: skip
    zero = zeros.get(origin)
    off = zero is not None and zero.off
    needed = (
        off or ("zero" in table and true != taken) or (origin != name and ("zero" in table or "zero" in own))
    )
    if not needed:
        return
    yield _zero(
        name,
        source,
        table,
        own,
        zero,
        (sign, taken, true),
        off=off,
        mistakes=mistakes,
        words=(sure, why, evidence),
    )


def _exchanged(
    name: str,
    origin: str,
    own: Mapping[str, Any],
    table: Mapping[str, Any],
    words: tuple[str, str, tuple[str, ...]],
) -> Iterator[Suggestion]:
    """What belongs to the signal goes with it; its zero is dealt with apart, and its sign where neither is wrong."""
    for part in ("signal", "sign_bit", "unit", "sign", "invalid", "range"):
        new = table.get(part, 1 if part == "sign" and "sign" in own else None)
        if new is not None and new != own.get(part):
            now = _toml(own[part]) if part in own else "(not there)"
            yield Suggestion(
                VEHICLE, f"channels.{name}.{part}", now, _toml(new), words[0],
                f"{name} and {origin} stand for each other: {words[1]}", words[2],
            )  # fmt: skip


def _zero(
    name: str,
    source: ChannelSource,
    table: Mapping[str, Any],
    own: Mapping[str, Any],
    zero: Zero | None,
    how: tuple[int, Fraction, Fraction],
    *,
    off: bool,
    mistakes: list[Mistake],
    words: tuple[str, str, tuple[str, ...]],
) -> Suggestion:
    """The reading at rest, written as the zero of this channel."""
    sign, taken, true = how
    unit, factor = SHOWN[source.family]
    present = unitfile.parse(table["zero"], source.family) if "zero" in table else Fraction(0)
    rest = zero.rest if zero is not None and off else None
    mean = Fraction(rest.mean / factor).limit_denominator(10**9) if rest is not None else Fraction(0)
    reading = (present + sign * mean) / taken * true
    shown = source.family.shown if "zero" not in table else str(table["zero"]).split()[-1]
    word = source.family.factor(shown)
    assert word is not None
    fine = (
        max(rest.half_width if rest is not None else 0.0, TOLERANCE[unit] / 50.0)
        / factor
        * float(true / taken)
    )
    step = Fraction(10) ** math.floor(math.log10(fine / float(word)))
    value = unitfile.decimal_text(unitfile.half_up(reading / word / step) * step)
    now = _toml(own["zero"]) if "zero" in own else f"(0 {shown})"
    new = _toml(f"{value} {shown}")
    if rest is None or zero is None:
        return Suggestion(
            VEHICLE,
            f"channels.{name}.zero",
            now,
            new,
            words[0],
            f"goes with the other change: {words[1]}",
            words[2],
        )
    evidence = [
        (
            f"{zero.where}: {rest.mean:+.4g} {unit} (95 %: +-{rest.half_width:.2g}) in {rest.stops} section{'s' * (rest.stops != 1)}, {rest.seconds:.1f} s; "
            f"noise {rest.noise_rms:.2g} {unit} rms"
        )
    ]
    if rest.drift is not None:
        evidence.append(
            f"drift from the first stop to the last: {rest.drift:+.3g} {unit}, +-{rest.drift_half_width or 0.0:.2g}"
        )
    if "range" in own:
        evidence.append(
            "its range is written in the file and counts from the zero: look whether it moves along"
        )
    if name.startswith("stroke."):
        evidence.append("right only if the car stood level, on its wheels, with driver and fuel as in use")
    if mistakes:
        evidence.append("counted together with the other changes of this channel")
    what = "reads" if zero.where == "standing" else "reads, in the middle,"
    return Suggestion(
        VEHICLE, f"channels.{name}.zero", now, new, _zero_confidence(zero),
        f"{name} {what} {rest.mean:+.4g} {unit} where it should read 0", tuple(evidence),
    )  # fmt: skip


def _zero_confidence(zero: Zero) -> str:
    assert zero.rest is not None
    rest = zero.rest
    widths = (abs(rest.mean) - TOLERANCE[zero.unit]) / max(rest.half_width, 1e-12)
    steady = rest.drift is None or abs(rest.drift) <= max(TOLERANCE[zero.unit], rest.drift_half_width or 0.0)
    if widths >= FIRM_WIDTHS and steady and (rest.stops >= 3 or rest.seconds >= 10.0):
        return FIRM
    return LIKELY if widths >= LIKELY_WIDTHS and steady else WEAK


def _verdict_words(findings: Findings) -> tuple[str, str, tuple[str, ...]]:
    """Confidence, reason and figures of what the cross-checks found."""
    off = findings.verdict.off
    by_name = {one.name: one for one in findings.relations}
    evidence = []
    for name in off:
        one = by_name[name]
        if one.scale is None:
            evidence.append(f"{one.says}: each follows what the other one should")
            continue
        unit = f" {one.unit}" if one.unit else ""
        wanted = "above 0" if one.band is None else f"{one.band[0]:.3g} to {one.band[1]:.3g}"
        evidence.append(
            f"{one.says}: {one.scale.slope:.4g}{unit} ({one.scale.low:.4g} to {one.scale.high:.4g}, correlation "
            f"{one.scale.correlation:.2f}, {one.scale.points} rows); right is {wanted}"
        )
    # What stays good counts as well: it clears the other channels.
    clear = [n for n in by_name if by_name[n].known and n not in off]
    evidence.append(
        f"{len(clear)} other cross-checks come out right as they are, and all do after the change"
    )
    sure = FIRM if len(off) >= 2 else LIKELY
    if len(findings.verdict.mistakes) > 1:
        sure = LIKELY if sure == FIRM else WEAK
    return (
        sure,
        f"{len(off)} of {len(off) + len(clear)} cross-checks fail, and this alone mends them",
        tuple(evidence),
    )


def _times(factor: float) -> str:
    size = abs(factor)
    return (
        f"so values are {size:.4g} times too large"
        if size > 1.0
        else f"so values are {1.0 / size:.4g} times too small"
    )


def _table(vehicle: Vehicle, name: str) -> Mapping[str, Any]:
    table: Any = vehicle.document.data.get("channels", {})
    for part in name.split("."):
        table = table.get(part, {})
    return table if isinstance(table, dict) else {}


def _toml(value: object) -> str:
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, list):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return str(value)


# --- times ----------------------------------------------------------------------------------------------


def _periods(findings: Findings, vehicle: Vehicle) -> Iterator[Suggestion]:
    for made in vehicle.messages:
        one = findings.gatherer.arrivals.get(made.message.name)
        median = one.periods.quantile(0.5) if one is not None else None
        if one is None or median is None or one.periods.count < 100:
            continue
        now_us = float(unitfile.parse(made.document["period"], unitfile.TIME))
        new_ms = nice_ms(median)
        if new_ms <= 0 or abs(median / now_us - 1.0) <= PERIOD_APART:
            continue
        table = vehicle.document.data.get("messages", {}).get(made.message.name, {})
        now = _toml(table["period"]) if "period" in table else f"({made.document['period']}, by the DBC)"
        yield Suggestion(
            VEHICLE, f"messages.{made.message.name}.period", now, _toml(f"{new_ms:g} ms"),
            FIRM if one.periods.count >= 1000 else LIKELY,
            f"{made.message.name} comes every {median / 1000:.3g} ms, and time-outs count three periods",
            ((f"median of {one.periods.count} periods {median / 1000:.4g} ms, 999 of 1000 within "
             f"{(one.periods.quantile(0.999) or 0.0) / 1000:.4g} ms"),),
        )  # fmt: skip


def _timeouts(findings: Findings, vehicle: Vehicle) -> Iterator[Suggestion]:
    for source in vehicle.channels:
        table = _table(vehicle, source.name)
        one = findings.gatherer.arrivals.get(source.source.message.name)
        median = one.periods.quantile(0.5) if one is not None else None
        if one is None or median is None or one.periods.count < 100 or "timeout" not in table:
            continue
        three_ms, periods = 3.0 * nice_ms(median), source.timeout_us / median
        if 2.5 <= periods <= LONG_TIMEOUT_PERIODS:
            continue
        what = (
            "would be lost with one late frame"
            if periods < 2.5
            else "is trusted for long after the last frame"
        )
        yield Suggestion(
            VEHICLE, f"channels.{source.name}.timeout", _toml(table["timeout"]), _toml(f"{three_ms:g} ms"),
            LIKELY if periods < 2.5 else WEAK,
            f"{source.name} {what}: its time-out is {periods:.3g} periods",
            (f"measured period {median / 1000:.4g} ms, longest gap {one.gaps.largest / 1000:.4g} ms",),
        )  # fmt: skip


def _gaps(findings: Findings, vehicle: Vehicle) -> Iterator[Remark]:
    for made in vehicle.messages:
        one = findings.gatherer.arrivals.get(made.message.name)
        timeouts = [s.timeout_us for s in vehicle.channels if s.source.message.name == made.message.name]
        if one is None or not timeouts or one.gaps.at_us is None:
            continue
        if one.gaps.largest > min(timeouts):
            yield Remark(
                made.message.name,
                f"was away for {one.gaps.largest / 1000:.4g} ms, longer than a time-out of {min(timeouts) / 1000:.4g} ms: "
                "this drive would have lost it",
                ("dashpot inspect shows where",),
            )
        if one.short or one.out_of_order:
            yield Remark(
                made.message.name,
                f"{one.short} frames shorter than the DBC's message and {one.out_of_order} out of order were left out",
            )


# --- what no key mends ----------------------------------------------------------------------------------


def _unclear(findings: Findings) -> Iterator[Remark]:
    verdict = findings.verdict
    _, _, evidence = _verdict_words(findings) if verdict.off else ("", "", ())
    if verdict.candidates:
        sets = [" with ".join(_mistake_words(one) for one in some) for some in verdict.candidates]
        yield Remark(
            "cross-checks",
            f"{len(verdict.off)} fail, and the log does not say which of these it is: {'; or '.join(sets)}",
            evidence,
        )
    elif verdict.off and not verdict.mistakes:
        yield Remark(
            "cross-checks",
            f"{len(verdict.off)} fail, and neither one mistake nor two explain all of them: look at the channels one by one",
            evidence,
        )
    for mistake in verdict.mistakes:
        if mistake.kind == "scale":
            yield Remark(
                ", ".join(mistake.channels),
                f"{_mistake_words(mistake)}{_ratio_words(mistake)}: look at the DBC's scale and the sensor's data sheet, for wheels "
                "at the tyre's circumference",
                evidence,
            )
    for one in findings.relations:
        if one.astray:
            yield Remark(
                one.name,
                f"{one.says}: one {one.astray}; a wrong signal, byte order or start bit, or a dead sensor",
            )


def _mistake_words(mistake: Mistake) -> str:
    names = " and ".join(mistake.channels)
    if mistake.kind == "swap":
        return f"{names} swapped"
    if mistake.kind == "sign":
        return f"the sign of {names}"
    size = abs(mistake.factor)
    turned = ", turned round" if mistake.factor < 0 else ""
    if mistake.kind == "scale":
        return f"{names} reads {size:.4g} times what it should{turned}"
    return f"{names} in {mistake.unit}{turned}"


def _ratio_words(mistake: Mistake) -> str:
    """Say which two units are this factor apart: one that was converted twice, or by the DBC in the wrong way."""
    factors = FAMILY[mistake.channels[0]].factors
    for one, other in itertools.permutations(factors, 2):
        ratio = float(factors[one] / factors[other])
        if 1.0 / UNIT_NEAR < abs(mistake.factor) / ratio < UNIT_NEAR:
            return f" (a {one} is {ratio:.4g} {other}: perhaps converted once too often)"
    return ", which is no factor between units"


def _odd_values(findings: Findings, vehicle: Vehicle) -> Iterator[Remark]:
    for name in findings.absent:
        yield Remark(name, "is mapped, and the log has no value of it")
    for zero in findings.zeros:
        if zero.noisy and zero.rest is not None:
            yield Remark(
                zero.channel,
                f"is too noisy to be zeroed {zero.where}: {zero.rest.noise_rms:.3g} {zero.unit} rms",
            )
        elif zero.rest is not None and zero.rest.drift is not None:
            size, half = abs(zero.rest.drift), zero.rest.drift_half_width or 0.0
            if size - half > TOLERANCE[zero.unit]:
                yield Remark(
                    zero.channel,
                    f"drifts: {zero.rest.drift:+.3g} {zero.unit} (+-{half:.2g}) from the first stop to the last",
                )
    for source in vehicle.channels:
        codes = findings.gatherer.codes.get(source.name)
        if codes is None or not codes.count or source.name not in findings.units:
            continue
        still, unit = findings.stills.by_channel.get(source.name), findings.units[source.name]
        if still is not None and still.stuck(unit):
            what = (
                f"keeps one value through {still.driven_s:.0f} s of driving"
                if still.changes == 0
                else f"keeps one value for {still.longest_s:.3g} s of driving from {still.at_s:.3f} s on, {still.longest_s / still.usual_s:.0f} "
                "times as long as usual"
            )
            yield Remark(source.name, f"is stuck: it {what}")
        if codes.grain > 1 and codes.count >= 1000:
            size = codes.grain * abs(float(source.source.slope)) * SHOWN[source.family][1]
            yield Remark(
                source.name,
                f"moves in steps of {codes.grain} codes: its resolution is {size:.3g} {unit}, not the DBC's",
            )
        good = codes.count - codes.invalid
        if codes.outside > 0.001 * good:
            yield Remark(
                source.name, f"is outside its range in {100.0 * codes.outside / good:.2g} % of the frames"
            )
        if codes.invalid > 0.001 * codes.count:
            yield Remark(
                source.name,
                f"sends its invalid code in {100.0 * codes.invalid / codes.count:.2g} % of the frames",
            )


# --- calibration ----------------------------------------------------------------------------------------


def _rolls(findings: Findings, calibration: Calibration) -> Iterator[Suggestion]:
    for axle, scale in findings.rolls.items():
        now = float(getattr(calibration.checks.stroke_roll.roll, axle)) * 1e-3
        apart = max(scale.slope / now, now / scale.slope) if now > 0.0 < scale.slope else math.inf
        inside = scale.low <= now <= scale.high
        if scale.slope <= 0.0 or apart <= ROLL_APART or inside:
            continue
        yield Suggestion(
            CALIBRATION, f"checks.stroke_roll.roll.{axle}", _toml(f"{now:g} mm"), _toml(f"{scale.slope:.1f} mm"), LIKELY,
            f"the {axle} axle's strokes differ by {scale.slope:.1f} mm at 1 g to the left",
            (f"{scale.low:.1f} to {scale.high:.1f} mm by Theil-Sen over {scale.points} rows, correlation {scale.correlation:.2f}",),
        )  # fmt: skip


def _yaw_gain(findings: Findings, calibration: Calibration) -> Iterator[Suggestion]:
    fit = findings.steer_fit
    if not fit or "steer" in findings.verdict.off:
        return
    curve = calibration.checks.steer.yaw_gain
    speed, now = np.array(curve.x) / 100.0, np.array(curve.y) / 100.0
    seen = (speed >= fit["slowest_m_s"]) & (speed <= fit["fastest_m_s"]) & (now > 0.0)
    measured = yaw_gain_deg_s(speed, fit)
    if np.count_nonzero(seen) < 2 or not (measured[seen] > 0.0).all():
        return
    apart = np.maximum(measured[seen] / now[seen], now[seen] / measured[seen])
    if float(np.median(apart)) <= GAIN_APART:
        return
    values = [round(float(m if s else n), 1) for m, n, s in zip(measured, now, seen, strict=True)]
    yield Suggestion(
        CALIBRATION, "checks.steer.yaw_gain.yaw_rate.at", _toml([float(one) for one in now]), _toml(values), LIKELY,
        f"100 degrees of steering wheel give another yaw rate than the check expects, {100 * (float(np.median(apart)) - 1):.0f} % in the middle",
        ((f"ratio x wheelbase {fit['ratio_x_wheelbase_m']:.1f} m, ratio x understeer {fit['ratio_x_understeer_s2_m']:.3g} s2/m, from "
         f"{fit['slowest_m_s'] * 3.6:.0f} to {fit['fastest_m_s'] * 3.6:.0f} km/h; other points are left as they are; values in deg/s"),),
    )  # fmt: skip


def speed_noise_gain(alpha: float, period_s: float) -> float:
    """Return by how much an alpha-beta filter turns white noise of a position into noise of the speed, 1/s.

    Benedict and Bordner 1962 [S, from memory]: beta = alpha^2/(2 - alpha), variance 2 beta^2/(T^2 alpha (4 - 2 alpha - beta)).
    """
    beta = alpha * alpha / (2.0 - alpha)
    return math.sqrt(2.0) * beta / (period_s * math.sqrt(alpha * (4.0 - 2.0 * alpha - beta)))


def _filter(findings: Findings, calibration: Calibration) -> Iterator[Suggestion]:
    rests = [
        z.rest
        for z in findings.zeros
        if z.channel.startswith("stroke.") and z.rest is not None and not z.noisy
    ]
    if not rests:
        return
    noise = max(rest.noise_rms for rest in rests)
    alpha = float(calibration.filters.stroke.alpha)
    period_s = calibration.period_us * 1e-6
    most = SPEED_NOISE * float(calibration.layers.stroke_speed.low_medium)
    now = noise * speed_noise_gain(alpha, period_s)
    if now <= most:
        return
    fits = [a / 20.0 for a in range(1, 21) if noise * speed_noise_gain(a / 20.0, period_s) <= most]
    if not fits or fits[-1] >= alpha:
        return
    yield Suggestion(
        CALIBRATION, "filters.stroke.alpha", f"{alpha:g}", f"{fits[-1]:g}", WEAK,
        f"the strokes' noise makes {now:.3g} mm/s of stroke speed in a standing car, over a tenth of the low band",
        ((f"noise at rest {noise:.3g} mm rms; with {fits[-1]:g} it makes {noise * speed_noise_gain(fits[-1], period_s):.3g} mm/s, "
         "and the speed lags more"),),
    )  # fmt: skip


def _decays(findings: Findings, calibration: Calibration) -> Iterator[Suggestion]:
    for layer, follows in (("brake_lead", "deceleration"), ("steer_lead", "lateral acceleration")):
        _, lead, _ = findings.leads[layer]
        if lead is None or lead.p90_s is None or lead.high_s is None:
            continue
        now_s = float(getattr(calibration.layers, layer).decay) * 1e-6
        if now_s >= lead.p90_s:
            continue
        new_ms = math.ceil(lead.p90_s * 100.0) * 10
        yield Suggestion(
            CALIBRATION, f"layers.{layer}.decay", _toml(f"{now_s * 1000:g} ms"), _toml(f"{new_ms} ms"),
            LIKELY if len(lead.events) >= 10 else WEAK,
            f"the lead goes back before the {follows} is there",
            (f"measured lead {1000 * (lead.median_s or 0.0):.0f} ms in the middle, {1000 * lead.p90_s:.0f} ms in one of ten, {len(lead.events)} events",),
        )  # fmt: skip


def _limits(findings: Findings, calibration: Calibration) -> Iterator[Suggestion]:
    if findings.margins is None:
        return
    clean = not findings.verdict.off
    for row in findings.margins.rows.values():
        if not row.short or not clean:
            continue
        new = _up(1.5 * row.sustained)
        document = calibration.document
        yield Suggestion(
            CALIBRATION, f"checks.{row.name}.limit", _toml(f"{row.limit:.4g} {row.unit}"), _toml(f"{new:.4g} {row.unit}"), WEAK,
            f"the check {row.name} is near its limit without a fault: this log keeps {row.sustained:.3g} {row.unit} up for its trip time",
            (f"{row.seconds:.0f} s compared, most {row.most:.3g} {row.unit}; a wider limit sees less: first look why the two differ",
             f"line {document.line(f'checks.{row.name}')} of {document.name}"),
        )  # fmt: skip


def _up(value: float) -> float:
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / step) * step


def _stops(findings: Findings) -> Iterator[Remark]:
    for corner in CORNERS:
        motion = findings.motion.get(corner)
        if motion is None:
            continue
        for side, margin, end in zip(
            ("compression", "rebound"), motion.margins_mm(), motion.ends, strict=True
        ):
            if margin is not None and margin < 0.0 and end is not None:
                axle = corner.partition("_")[0]
                yield Remark(
                    f"layers.stroke_end.{axle}.{side}.stop",
                    f"is {end.stop_mm:g} mm, and the {corner.replace('_', '-')} damper went {-margin:.1f} mm beyond it: the zero is off, "
                    "or the stop is farther out",
                    (f"{motion.event_count} visits to its ends",),
                )
