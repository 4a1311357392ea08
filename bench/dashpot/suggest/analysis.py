"""A whole log, read twice: first zeros and cross-checks, then leads, motion and margins with the mistakes undone."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.model import CORNERS
from dashpot.suggest.culprit import Mistake, Verdict, judge
from dashpot.suggest.gather import SHOWN, Gatherer, Piece
from dashpot.suggest.lead import Event, Lead, measure, summarise
from dashpot.suggest.margins import Margins, derivative
from dashpot.suggest.motion import End, Motion
from dashpot.suggest.relations import MOVING_M_S, Relation, crossed, relations, roll_gradient
from dashpot.suggest.series import Trace
from dashpot.suggest.still import Standing, quiet_sections, standing_sections
from dashpot.suggest.table import G_M_S2, Table
from dashpot.suggest.timing import Stills
from dashpot.suggest.zeros import Zero, driving_zeros, standing_zeros

if TYPE_CHECKING:
    from dashpot.calibration.model import Calibration
    from dashpot.calibration.vehicle import Vehicle
    from dashpot.logs import LogReader
    from dashpot.suggest.robust import Scale
    from dashpot.suggest.series import Floats

Traces = Mapping[str, Trace]
Fit = Mapping[str, float]
KEPT_EVENTS = 2000


@dataclass(frozen=True, slots=True)
class Pair:
    """Two signals, of which one comes before the other.

    Attributes:
        name: stable.
        says: for people.
        channels: that it is made of.
        cause: the signal ahead, from a piece's channels and the fit of the steering.
        effect: the other, likewise.
        least_rate: from which on it is an event; unit of the cause, or of `onset`, a second.
        onset: the channel whose fast movements are the events, empty for the cause itself.
        needs: what a log must have for it.
        braking: events are brakings, looked at while the brake is on; else movements both ways.

    """

    name: str
    says: str
    channels: tuple[str, ...]
    cause: Callable[[Traces, Fit], Trace]
    effect: Callable[[Traces, Fit], Trace]
    least_rate: float
    needs: str
    braking: bool = False
    onset: str = ""


def _speed_yaw(traces: Traces, _: Fit) -> Trace:
    time_s, yaw = traces["yaw_rate"]
    return Trace(time_s, _speed_at(traces, time_s) * np.radians(yaw) / G_M_S2)


def _speed_at(traces: Traces, time_s: Floats) -> Floats:
    speed: Floats = np.interp(time_s, *traces["road_speed"])
    return speed


def _asked(traces: Traces, fit: Fit) -> Trace:
    """The curvature that the steering asks for; without a fit, in parts of it, which a lag does not mind.

    A steering angle against a lateral acceleration would not do: a car that slows into the bend and speeds up out of it
    answers the same angle with less, then with more, and that passes for a longer or shorter lag.
    """
    time_s, angle = traces["steer_angle"]
    speed = _speed_at(traces, time_s)
    over = fit.get("ratio_x_wheelbase_m", USUAL_RATIO_M) + fit.get("ratio_x_understeer_s2_m", 0.0) * speed**2
    return Trace(time_s, np.radians(angle) / np.maximum(over, 1.0))


def _bent_by_lateral(traces: Traces, _: Fit) -> Trace:
    time_s, lateral = traces["lateral"]
    return Trace(time_s, lateral * G_M_S2 / _driving_speed(traces, time_s) ** 2)


def _bent_by_yaw(traces: Traces, _: Fit) -> Trace:
    time_s, yaw = traces["yaw_rate"]
    return Trace(time_s, np.radians(yaw) / _driving_speed(traces, time_s))


def _driving_speed(traces: Traces, time_s: Floats) -> Floats:
    """Speed, NaN where there is too little of it to divide by."""
    speed = _speed_at(traces, time_s)
    return np.where(speed > MOVING_M_S, speed, np.nan)


def _speed_change(traces: Traces, _: Fit) -> Trace:
    return Trace(*derivative(traces["road_speed"]))


def _slowing(traces: Traces, _: Fit) -> Trace:
    time_s, value = traces["longitudinal"]
    return Trace(time_s, -value)


def _plain(name: str) -> Callable[[Traces, Fit], Trace]:
    return lambda traces, _: traces[name]


#: Ratio x wheelbase of a usual car [C], where the log does not show it.
USUAL_RATIO_M = 40.0
PAIRS = (
    Pair(
        "brake_lead", "brake pressure ahead of deceleration", ("brake_pressure", "longitudinal"),
        _plain("brake_pressure"), _slowing, 60.0, "brakings of 60 bar/s and more", braking=True,
    ),
    Pair(
        "steer_lead", "steering ahead of lateral acceleration", ("steer_angle", "road_speed", "lateral"),
        _asked, _bent_by_lateral, 25.0, "steering of 25 deg/s and more", onset="steer_angle",
    ),
    Pair(
        "steer_yaw", "steering ahead of yaw rate", ("steer_angle", "road_speed", "yaw_rate"),
        _asked, _bent_by_yaw, 25.0, "steering of 25 deg/s and more", onset="steer_angle",
    ),
    Pair(
        "lateral_lag", "speed x yaw rate ahead of lateral acceleration", ("yaw_rate", "road_speed", "lateral"),
        _speed_yaw, _plain("lateral"), 0.4, "turns of 0.4 g/s and more",
    ),
    Pair(
        "longitudinal_lag", "change of road speed ahead of longitudinal acceleration", ("road_speed", "longitudinal"),
        _speed_change, _plain("longitudinal"), 1.0, "brakings or starts of 1 g/s and more",
    ),
)  # fmt: skip


@dataclass(slots=True)
class Findings:
    """All that a log shows.

    Attributes:
        gatherer: the log's counts.
        units: of the channels that the log has.
        absent: mapped channels without a value in the log.
        standing: the sections of rest, by road speed, or by quiet (`by_quiet`).
        zeros, relations, verdict: what they say.
        stills: how long channels stand still.
        leads: by pair name, with what was wanting where there was no event.
        motion: by corner; margins: with a calibration.
        rolls: right less left stroke at 1 g, by axle.
        steer_fit: of `relations.understeer`.

    """

    gatherer: Gatherer
    units: dict[str, str]
    absent: list[str]
    standing: Standing
    by_quiet: bool
    zeros: list[Zero]
    relations: list[Relation]
    verdict: Verdict
    stills: Stills
    leads: dict[str, tuple[Pair, Lead | None, str]] = field(default_factory=dict)
    motion: dict[str, Motion] = field(default_factory=dict)
    margins: Margins | None = None
    rolls: dict[str, Scale] = field(default_factory=dict)

    @property
    def steer_fit(self) -> Mapping[str, float]:
        """Fit of the steering, empty where there is none."""
        one = next(relation for relation in self.relations if relation.name == "steer")
        return one.extra if "ratio_x_wheelbase_m" in one.extra else {}


def analyse(
    reader: LogReader,
    vehicle: Vehicle,
    calibration: Calibration | None = None,
    *,
    channel: str | None = None,
    on_bytes: Callable[[int], None] = lambda _: None,
) -> Findings:
    """Read a log twice and return what it shows.

    Args:
        reader: the log.
        vehicle: as it stands.
        calibration: likewise; without it there are no margins, and stops are the ends of the vehicle file's ranges.
        channel: the CAN channel.
        on_bytes: called with the bytes read since the last call.

    Raises:
        InputError: the log cannot be read or does not fit the vehicle.

    """
    gatherer = Gatherer(reader, vehicle, channel)
    table = Table(list(gatherer.units))
    standing, quiet, stills = Standing(), Standing(), Stills()
    done = 0
    for piece in gatherer:
        table.add(piece)
        for start, end in standing_sections(piece):
            standing.add(piece.traces, start, end)
        for start, end in quiet_sections(piece, gatherer.units):
            quiet.add(piece.traces, start, end)
        stills.add(piece)
        on_bytes(reader.bytes_read - done)
        done = reader.bytes_read
    units = {name: unit for name, unit in gatherer.units.items() if _has_values(gatherer, name)}
    by_quiet = not standing.count and quiet.count > 0
    arrays = {
        name: one for name, one in table.arrays().items() if name not in gatherer.units or name in units
    }
    found = standing_zeros(units, grains(gatherer), quiet if by_quiet else standing)
    _take_off(arrays, found)
    driving = driving_zeros(units, arrays)
    _take_off(arrays, driving)
    order = list(units)
    found = sorted([*found, *driving], key=lambda zero: order.index(zero.channel))
    checks, verdict = _judged(arrays, units, vehicle)
    findings = Findings(
        gatherer, units, [name for name in gatherer.units if name not in units],
        quiet if by_quiet else standing, by_quiet, found, checks, verdict, stills,
    )  # fmt: skip
    for axle in ("front", "rear"):
        scale = roll_gradient(_corrected_columns(arrays, verdict.mistakes), axle)
        if scale is not None:
            findings.rolls[axle] = scale
    _second_reading(findings, calibration, on_bytes)
    return findings


def _take_off(arrays: dict[str, Floats], found: list[Zero]) -> None:
    for zero in found:
        if zero.off and zero.rest is not None:
            arrays[zero.channel] = arrays[zero.channel] - zero.rest.mean


def _judged(
    arrays: Mapping[str, Floats], units: Mapping[str, str], vehicle: Vehicle
) -> tuple[list[Relation], Verdict]:
    """Cross-check the table, with the two accelerations changed over where each follows what the other should."""
    names = {source.name: source.unit for source in vehicle.channels}
    present = {name: names[name] for name in units}
    if not crossed(arrays, units):
        checks = relations(arrays, units)
        return checks, judge(checks, present)
    swap = Mistake("swap", ("lateral", "longitudinal"))
    first = relations(arrays, units)
    checks = relations(_corrected_columns(arrays, (swap,)), units)
    rest = judge(checks, present)
    # The two checks that failed are shown as they are; whatever else is wrong was found with them put right.
    shown = [old if old.name in swap.channels else new for old, new in zip(first, checks, strict=True)]
    return shown, Verdict((*swap.channels, *rest.off), (swap, *rest.mistakes), rest.candidates)


def _has_values(gatherer: Gatherer, name: str) -> bool:
    codes = gatherer.codes[name]
    return codes.count > codes.invalid


def grains(gatherer: Gatherer) -> dict[str, float]:
    """Resolution of each channel in its unit: what its values are all multiples of."""
    return {
        source.name: abs(float(source.source.slope))
        * SHOWN[source.family][1]
        * max(gatherer.codes[source.name].grain, 1)
        for source in gatherer.vehicle.channels
        if source.family in SHOWN
    }


def _corrected_columns(arrays: Mapping[str, Floats], mistakes: tuple[Mistake, ...]) -> dict[str, Floats]:
    made = dict(arrays)
    for mistake in mistakes:
        if mistake.kind == "swap":
            made |= {name: arrays[mistake.partner(name)] for name in mistake.channels}
    for mistake in mistakes:
        if mistake.kind != "swap":
            made |= {name: made[name] / mistake.factor for name in mistake.channels}
    return made


class Correction:
    """Undoes surely wrong zeros and the one set of mistakes that explains all; changes nothing else."""

    def __init__(self, findings: Findings) -> None:
        self._zeros = {
            zero.channel: zero.rest.mean for zero in findings.zeros if zero.off and zero.rest is not None
        }
        self._mistakes = findings.verdict.mistakes

    @property
    def channels(self) -> list[str]:
        """Channels that it changes."""
        return sorted(self._zeros.keys() | {name for one in self._mistakes for name in one.channels})

    def apply(self, piece: Piece) -> Piece:
        """Return the piece as it would be with everything put right."""
        values = {
            name: Trace(trace.time_s, trace.value - self._zeros.get(name, 0.0))
            for name, trace in piece.traces.items()
        }
        made = dict(values)
        for mistake in self._mistakes:
            if mistake.kind == "swap":
                made |= {
                    name: values[mistake.partner(name)]
                    for name in mistake.channels
                    if mistake.partner(name) in values
                }
        for mistake in self._mistakes:
            if mistake.kind != "swap":
                for name in mistake.channels:
                    if name in made:
                        made[name] = Trace(made[name].time_s, made[name].value / mistake.factor)
        return Piece(piece.start_s, piece.end_s, made)


def _second_reading(
    findings: Findings, calibration: Calibration | None, on_bytes: Callable[[int], None]
) -> None:
    gatherer, reader = findings.gatherer, findings.gatherer.reader
    correction = Correction(findings)
    events: dict[str, list[Event]] = {pair.name: [] for pair in PAIRS}
    skipped = dict.fromkeys(events, 0)
    findings.motion = {
        corner: Motion(_ends(corner, findings, calibration))
        for corner in CORNERS
        if f"stroke.{corner}" in findings.units
    }
    findings.margins = None if calibration is None else Margins(calibration)
    usable = [pair for pair in PAIRS if set(pair.channels) <= findings.units.keys()]
    done = 0
    for raw in gatherer:
        piece = correction.apply(raw)
        own = (piece.start_s, piece.end_s)
        for pair in usable:
            if not all(len(piece.traces.get(name, ((), ()))[0]) > 1 for name in pair.channels):
                continue
            found, left = measure(
                pair.cause(piece.traces, findings.steer_fit), pair.effect(piece.traces, findings.steer_fit),
                least_rate=pair.least_rate, both=not pair.braking, while_on=pair.braking, onset=piece.traces[pair.onset] if pair.onset else None, own=own,
            )  # fmt: skip
            events[pair.name] += found[: KEPT_EVENTS - len(events[pair.name])]
            skipped[pair.name] += left
        for corner, motion in findings.motion.items():
            trace = piece.traces.get(f"stroke.{corner}")
            if trace is not None:
                motion.add(*trace, own=own)
        if findings.margins is not None:
            findings.margins.add(piece)
        on_bytes(reader.bytes_read - done)
        done = reader.bytes_read
    for pair in PAIRS:
        findings.leads[pair.name] = _lead(pair, findings, events[pair.name], skipped[pair.name])


def _lead(pair: Pair, findings: Findings, events: list[Event], skipped: int) -> tuple[Pair, Lead | None, str]:
    absent = [name for name in pair.channels if name not in findings.units]
    if absent:
        return pair, None, f"needs {' and '.join(absent)} in the vehicle file and in the log"
    if not events:
        if skipped:
            return pair, None, f"{skipped} events, but the two signals are not alike in any of them"
        return pair, None, f"needs {pair.needs}; the log has none"
    return pair, summarise(events, skipped), ""


def _ends(corner: str, findings: Findings, calibration: Calibration | None) -> tuple[End | None, End | None]:
    """The stops and ramps of the calibration; without one the ends of the vehicle file's range, near from 90 % on."""
    if calibration is not None:
        axle = getattr(calibration.layers.stroke_end, corner.partition("_")[0])
        compression, rebound = (
            End(float(side.stop) * 1e-3, float(side.start) * 1e-3)
            for side in (axle.compression, axle.rebound)
        )
        return compression, rebound
    source = next(one for one in findings.gatherer.vehicle.channels if one.name == f"stroke.{corner}")
    low, high = (bound * 1e-3 for bound in source.source.bounds)
    return End(high, 0.9 * high) if high > 0 else None, End(-low, -0.9 * low) if low < 0 else None
