"""The tables of calibration.toml. Every key must be written: nothing falls back to a default in silence."""

from __future__ import annotations

from fractions import Fraction
from typing import Annotated, Any

from pydantic import PrivateAttr, model_validator

from dashpot.calibration import units
from dashpot.calibration.findings import Document
from dashpot.calibration.schema import In, Number, Series, Strict, unit_factor, words_of, wrong

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
_SECOND_US = 1_000_000
_INT16_MAX = units.INT16[1]

# Bounds are those of firmware/layout.toml; `pack` checks against the very layout once more.
Period = Annotated[Fraction, In(units.TIME, 1000, 10_000)]
Time = Annotated[Fraction, In(units.TIME, 0, 3600 * _SECOND_US)]
Pressure = Annotated[Fraction, In(units.PRESSURE, 0, _INT16_MAX)]
PressureRate = Annotated[Fraction, In(units.PRESSURE_RATE, 0, _INT16_MAX)]
SteerRate = Annotated[Fraction, In(units.STEER_RATE, 0, _INT16_MAX)]
Speed = Annotated[Fraction, In(units.SPEED, 0, _INT16_MAX)]
StrokeSpeed = Annotated[Fraction, In(units.STROKE_SPEED, 0, _INT16_MAX)]
Moving = Annotated[Fraction, In(units.STROKE_SPEED, 1, _INT16_MAX)]
Blend = Annotated[Fraction, In(units.STROKE_SPEED, 1, 1000)]
Stroke = Annotated[Fraction, In(units.STROKE, -400_000, 400_000)]
Acceleration = Annotated[Fraction, In(units.ACCELERATION, 100, 16_000)]
Cornering = Annotated[Fraction, In(units.ACCELERATION, 10, 16_000)]
Current = Annotated[Fraction, In(units.CURRENT, 0, 5000)]
Slew = Annotated[Fraction, In(units.SLEW, 0)]
Demand = Annotated[Fraction, In(units.SHARE, 0, 1000)]
Trim = Annotated[Fraction, In(units.SHARE, -1000, 1000)]
Threshold = Annotated[Fraction, In(units.SHARE, 100, 1400)]
BrakeGain = Annotated[Fraction, In(units.BRAKE_GAIN, 0, 2000)]
SteerGain = Annotated[Fraction, In(units.STEER_GAIN, 0, 2000)]
Lead = Annotated[Fraction, In(units.TIME, 0, 30_000)]
Alpha = Annotated[Fraction, Number(Fraction(1, 1000), Fraction(1))]
Events = Annotated[Fraction, Number(Fraction(1), Fraction(100), whole=True)]
Heals = Annotated[Fraction, Number(Fraction(0), Fraction(100), whole=True)]
LateTicks = Annotated[Fraction, Number(Fraction(0), Fraction(_INT16_MAX), whole=True)]
Deviation = Annotated[Fraction, In(units.ACCELERATION, 1, 32_000)]
Deceleration = Annotated[Fraction, In(units.ACCELERATION, 0, 16_000)]
Mismatch = Annotated[Fraction, In(units.SPEED, 1, _INT16_MAX)]
Compared = Annotated[Fraction, In(units.SPEED, 100, _INT16_MAX)]
Difference = Annotated[Fraction, In(units.STROKE, 1, 800_000)]
Roll = Annotated[Fraction, In(units.STROKE, 0, 100_000)]
Creep = Annotated[Fraction, In(units.STROKE_SPEED, 0)]
Supply = Annotated[Fraction, In(units.VOLTAGE, 1, _INT16_MAX)]
Freewheel = Annotated[Fraction, In(units.VOLTAGE, 0, 5000)]
Response = Annotated[Fraction, In(units.TIME, 0, _SECOND_US)]
Expiry = Annotated[Fraction, In(units.TIME, 1000, _SECOND_US)]
Resistance = Annotated[Fraction, In(units.RESISTANCE, 100, 50_000)]
Inductance = Annotated[Fraction, In(units.INDUCTANCE, 10, 1_000_000)]
Part = Annotated[Fraction, In(units.SHARE, 0, 1000)]
Relative = Annotated[Fraction, In(units.SHARE, 1, 10_000)]
Watched = Annotated[Fraction, In(units.CURRENT, 1, 5000)]
Shorted = Annotated[Fraction, In(units.CURRENT, 1, 32_766)]


class Curve(Strict):
    """A table over one axis: two series of the same length, the first rising. Tables hold at their edges."""

    @property
    def x(self) -> tuple[int, ...]:
        """Words of the axis."""
        return self._series(0)

    @property
    def y(self) -> tuple[int, ...]:
        """Words of the values."""
        return self._series(1)

    def _series(self, which: int) -> tuple[int, ...]:
        name = list(type(self).model_fields)[which]
        words: tuple[int, ...] = getattr(self, name)
        return words

    @model_validator(mode="after")
    def _same_length(self) -> Curve:
        if len(self.x) != len(self.y):
            axis, values = type(self).model_fields
            raise wrong(
                [(values, f"has {len(self.y)} points, but {axis} has {len(self.x)}; they must be as many")]
            )
        return self


class SwitchCurve(Curve):
    """Demand over the driver's switch."""

    position: Annotated[tuple[int, ...], Series(units.POSITION, rising=True)]
    demand: Annotated[tuple[int, ...], Series(units.SHARE, low=-1000, high=1000)]


class PressureCurve(Curve):
    """Demand over brake pressure."""

    pressure: Annotated[tuple[int, ...], Series(units.PRESSURE, rising=True)]
    demand: Annotated[tuple[int, ...], Series(units.SHARE, low=-1000, high=1000)]


class SpeedCurve(Curve):
    """Demand over road speed."""

    speed: Annotated[tuple[int, ...], Series(units.SPEED, rising=True)]
    demand: Annotated[tuple[int, ...], Series(units.SHARE, low=-1000, high=1000)]


class AskCurve(Curve):
    """Steering angle over road speed."""

    speed: Annotated[tuple[int, ...], Series(units.SPEED, rising=True)]
    angle: Annotated[tuple[int, ...], Series(units.ANGLE, low=0)]


class YawCurve(Curve):
    """Yaw rate for 100 degrees of the steering wheel, over road speed."""

    speed: Annotated[tuple[int, ...], Series(units.SPEED, rising=True)]
    yaw_rate: Annotated[tuple[int, ...], Series(units.YAW_RATE, low=0)]


class ValveCurve(Curve):
    """Current over demand: it rises all the way, or falls all the way; level stretches are allowed."""

    demand: Annotated[tuple[int, ...], Series(units.SHARE, rising=True, low=0, high=1000)]
    current: Annotated[tuple[int, ...], Series(units.CURRENT, low=0)]

    @model_validator(mode="after")
    def _monotonic(self) -> ValveCurve:
        steps = [b - a for a, b in zip(self.current, self.current[1:], strict=False)]
        if any(step > 0 for step in steps) and any(step < 0 for step in steps):
            rises = sum(steps) > 0
            odd = next(i for i, step in enumerate(steps) if step and (step > 0) != rises)
            turn = f"{self.current[odd]} mA is followed by {self.current[odd + 1]} mA"
            raise wrong(
                [("current", f"is not monotonic: point {odd + 1}, {turn}; it must only rise or only fall")]
            )
        return self


class BodyLoadMap(Strict):
    """Demand over lateral and longitudinal acceleration, a map a corner.

    A map has one row for each lateral point, and in it one value for each longitudinal point. A right corner may be
    "mirror": the left one with the lateral axis turned round.
    """

    lateral: Annotated[tuple[int, ...], Series(units.ACCELERATION, rising=True)]
    longitudinal: Annotated[tuple[int, ...], Series(units.ACCELERATION, rising=True)]
    unit: str
    front_left: Any
    front_right: Any
    rear_left: Any
    rear_right: Any
    _maps: tuple[tuple[int, ...], ...] = PrivateAttr(default=())

    @property
    def maps(self) -> tuple[tuple[int, ...], ...]:
        """Per mille of each corner, x-major: index lateral * points of longitudinal + longitudinal."""
        return self._maps

    @model_validator(mode="after")
    def _shapes(self) -> BodyLoadMap:
        try:
            factor = unit_factor(self.unit, units.SHARE)
        except ValueError as error:
            raise wrong([("unit", str(error))]) from None
        problems: list[tuple[str, str]] = []
        maps: dict[str, tuple[int, ...]] = {}
        for corner in CORNERS:
            value = getattr(self, corner)
            other = corner.replace("right", "left")
            try:
                if value == "mirror":
                    maps[corner] = self._mirrored(corner, maps.get(other))
                else:
                    maps[corner] = self._cells(value, factor)
            except ValueError as error:
                problems.append((corner, str(error)))
        if problems:
            raise wrong(problems)
        self._maps = tuple(maps[corner] for corner in CORNERS)
        return self

    def _cells(self, value: object, factor: Fraction) -> tuple[int, ...]:
        rows, columns = len(self.lateral), len(self.longitudinal)
        shape = (
            f"a map here has {rows} rows (one a lateral point) of {columns} values (one a longitudinal point)"
        )
        if not isinstance(value, list) or not all(isinstance(row, list) for row in value):
            if isinstance(value, str):
                shape = f'did you mean "mirror"? Otherwise {shape}'
            raise ValueError(f"should be a list of rows; {shape}")
        if len(value) != rows:
            raise ValueError(f"has {len(value)} rows; {shape}")
        cells: list[int] = []
        for i, row in enumerate(value, 1):
            if len(row) != columns:
                raise ValueError(f"has {len(row)} values in row {i}; {shape}")
            try:
                cells += words_of(row, factor, self.unit, (-1000, 1000))
            except ValueError as error:
                raise ValueError(f"row {i}: {error}") from None
        return tuple(cells)

    def _mirrored(self, corner: str, left: tuple[int, ...] | None) -> tuple[int, ...]:
        if "right" not in corner:
            raise ValueError('only a right corner may be "mirror"; write the map of the left one')
        if not mirrors(self.lateral):
            raise ValueError(
                '"mirror" needs a lateral axis that is symmetric about 0, such as [-1, 0, 1]; write the map instead'
            )
        # A left map with a mistake has its own finding.
        return () if left is None else mirrored(left, len(self.lateral))


def mirrors(axis: tuple[int, ...]) -> bool:
    """Say whether an axis is symmetric about 0."""
    return all(a == -b for a, b in zip(axis, reversed(axis), strict=True))


def mirrored(cells: tuple[int, ...], rows: int) -> tuple[int, ...]:
    """Turn a map's rows round."""
    columns = len(cells) // rows
    return tuple(cells[(rows - 1 - i) * columns + j] for i in range(rows) for j in range(columns))


def _ordered(pairs: list[tuple[str, Fraction, str, Fraction]]) -> list[tuple[str, str]]:
    return [
        (high_key, f"must be above {low_key}")
        for low_key, low, high_key, high in pairs
        if units.half_up(low) >= units.half_up(high)
    ]


class Timing(Strict):
    """[timing]."""

    period: Period

    @model_validator(mode="after")
    def _whole(self) -> Timing:
        if self.period % 10:
            low = self.period // 10 * 10
            raise wrong([("period", f"is not a multiple of 10 us; near are {low} us and {low + 10} us")])
        return self


class Tracker(Strict):
    """An alpha-beta filter; without beta it is alpha**2 / (2 - alpha), after Benedict and Bordner."""

    alpha: Alpha
    beta: Alpha | None = None


class Filters(Strict):
    """[filters]."""

    lateral: Time
    longitudinal: Time
    stroke: Tracker
    steer: Tracker
    brake: Tracker
    road_speed: Tracker


class Base(Strict):
    """[layers.base]: always on."""

    front: SwitchCurve
    rear: SwitchCurve


class BodyLoad(Strict):
    """[layers.body_load]."""

    enabled: bool
    map: BodyLoadMap


class BrakeAxle(Strict):
    """The brake lead of an axle."""

    map: PressureCurve
    rate_gain: BrakeGain
    peak: Demand


class BrakeLead(Strict):
    """[layers.brake_lead]."""

    enabled: bool
    slow_average: Time
    rate_dead_band: PressureRate
    decay: Time
    front: BrakeAxle
    rear: BrakeAxle


class SteerLead(Strict):
    """[layers.steer_lead]."""

    enabled: bool
    rate_dead_band: SteerRate
    front_outer: SteerGain
    front_inner: SteerGain
    rear_outer: SteerGain
    rear_inner: SteerGain
    peak: Demand
    decay: Time
    fade_from: Speed
    fade_to: Speed

    @model_validator(mode="after")
    def _order(self) -> SteerLead:
        problems = _ordered([("fade_from", self.fade_from, "fade_to", self.fade_to)])
        if problems:
            raise wrong(problems)
        return self


class Bands(Strict):
    """Trims of the three bands of stroke speed."""

    low: Trim
    medium: Trim
    high: Trim


class Directions(Strict):
    """Trims of both directions."""

    compression: Bands
    rebound: Bands


class Surface(Strict):
    """Trims of both axles."""

    front: Directions
    rear: Directions


class StrokeSpeedTrim(Strict):
    """[layers.stroke_speed]."""

    enabled: bool
    low_medium: StrokeSpeed
    medium_high: StrokeSpeed
    blend: Blend
    rough_pressure_from: Pressure
    rough_pressure_to: Pressure
    rough_speed_from: StrokeSpeed
    rough_speed_to: StrokeSpeed
    rough_average: Time
    normal: Surface
    rough_braking: Surface

    @model_validator(mode="after")
    def _order(self) -> StrokeSpeedTrim:
        problems = _ordered(
            [
                ("low_medium", self.low_medium, "medium_high", self.medium_high),
                (
                    "rough_pressure_from",
                    self.rough_pressure_from,
                    "rough_pressure_to",
                    self.rough_pressure_to,
                ),
                ("rough_speed_from", self.rough_speed_from, "rough_speed_to", self.rough_speed_to),
            ]
        )
        low, high, blend = (units.half_up(speed) for speed in (self.low_medium, self.medium_high, self.blend))
        widest = min(low, (high - low) // 2)
        if low < high and blend > widest:
            problems.append(("blend", f"reaches past a band; between these edges {widest} mm/s is the most"))
        if problems:
            raise wrong(problems)
        return self


class RoadSpeed(Strict):
    """[layers.road_speed]."""

    enabled: bool
    front: SpeedCurve
    rear: SpeedCurve


class Grip(Strict):
    """[layers.grip]."""

    enabled: bool
    ask_steer: AskCurve
    ask_pressure: Pressure
    dry_reference: Acceleration
    wet_below: Threshold
    dry_above: Threshold
    event_least: Time
    settle: Time
    rise: Time
    fall: Time
    events: Events
    into_wet: Time
    out_of_wet: Time
    front: Demand
    rear: Demand

    @model_validator(mode="after")
    def _order(self) -> Grip:
        if self.wet_below > self.dry_above:
            raise wrong([("dry_above", "must not be below wet_below")])
        return self


class End(Strict):
    """The ramp toward one stop."""

    start: Stroke
    stop: Stroke
    peak: Demand

    @model_validator(mode="after")
    def _order(self) -> End:
        if units.half_up(self.start) >= units.half_up(self.stop):
            raise wrong(
                [
                    (
                        "start",
                        "lies at or beyond stop; the ramp begins nearer to the static position than it ends",
                    )
                ]
            )
        return self


class EndDirections(Strict):
    """The ramps of an axle."""

    compression: End
    rebound: End


class StrokeEnd(Strict):
    """[layers.stroke_end]."""

    enabled: bool
    shape: Demand
    lead: Lead
    moving: Moving
    front: EndDirections
    rear: EndDirections


class Layers(Strict):
    """[layers]."""

    base: Base
    body_load: BodyLoad
    brake_lead: BrakeLead
    steer_lead: SteerLead
    stroke_speed: StrokeSpeedTrim
    road_speed: RoadSpeed
    grip: Grip
    stroke_end: StrokeEnd


class DemandLimit(Strict):
    """[limits.<corner>]."""

    least: Demand
    most: Demand

    @model_validator(mode="after")
    def _order(self) -> DemandLimit:
        if self.least > self.most:
            raise wrong([("least", "is above most")])
        return self


class Limits(Strict):
    """[limits]."""

    front_left: DemandLimit
    front_right: DemandLimit
    rear_left: DemandLimit
    rear_right: DemandLimit


class Valve(Strict):
    """[valves.<corner>]."""

    safe: Current
    least: Current
    most: Current
    slew_up: Slew
    slew_down: Slew
    match: Current
    derate: Current
    resistance: Resistance
    inductance: Inductance
    curve: ValveCurve

    @model_validator(mode="after")
    def _inside(self) -> Valve:
        least, most = units.half_up(self.least), units.half_up(self.most)
        limits = f"the limits are {least} to {most} mA"
        problems = []
        if least > most:
            problems.append(("least", f"is above most: {least} mA and {most} mA"))
        else:
            safe = units.half_up(self.safe)
            if not least <= safe <= most:
                problems.append(("safe", f"{safe} mA lies outside the limits; {limits}"))
            else:
                derate = units.half_up(self.derate)
                if not safe <= derate <= most:
                    problems.append(
                        ("derate", f"{derate} mA is not between safe and most, {safe} to {most} mA")
                    )
            match = units.half_up(self.match)
            if match and not least <= match <= most:
                problems.append(
                    (
                        "match",
                        f"{match} mA lies outside the limits; {limits}, or 0 mA to go without a current as well",
                    )
                )
            outside = [ma for ma in self.curve.current if not least <= ma <= most]
            if outside:
                problems.append(("curve.current", f"{outside[0]} mA lies outside the limits; {limits}"))
        if problems:
            raise wrong(problems)
        return self


class Valves(Strict):
    """[valves]."""

    front_left: Valve
    front_right: Valve
    rear_left: Valve
    rear_right: Valve


class Spread(Strict):
    """Currents that left and right of an axle may differ by."""

    front: Current
    rear: Current


class FailSafe(Strict):
    """[fail_safe]."""

    channel_fade: Time
    channel_recover: Time
    authority_leave: Time
    authority_return: Time
    return_below: Cornering
    losses: Events
    still_from: Speed
    command_expiry: Expiry
    axle_spread: Spread


class Debounce(Strict):
    """How long a check must find fault to trip, how long it must find none to heal, how often it may heal."""

    trip: Time
    heal: Time
    heals: Heals


class Limited(Debounce):
    """A check with a limit, and the one that it is held against once it has tripped."""

    limit: Fraction
    heal_limit: Fraction

    @model_validator(mode="after")
    def _easier(self) -> Limited:
        if units.half_up(self.heal_limit) > units.half_up(self.limit):
            raise wrong([("heal_limit", "is above limit: a check that has just tripped would heal at once")])
        return self


class AccelerationCheck(Limited):
    """A limit in g."""

    limit: Deviation
    heal_limit: Deviation


class SpeedCheck(Limited):
    """A limit in km/h."""

    limit: Mismatch
    heal_limit: Mismatch


class StrokeCheck(Limited):
    """A limit in mm."""

    limit: Difference
    heal_limit: Difference


class AboveCheck(Limited):
    """A supply that is too high."""

    limit: Supply
    heal_limit: Supply


class BelowCheck(Debounce):
    """A supply that is too low: healed above its limit."""

    limit: Supply
    heal_limit: Supply

    @model_validator(mode="after")
    def _easier(self) -> BelowCheck:
        if units.half_up(self.heal_limit) < units.half_up(self.limit):
            raise wrong([("heal_limit", "is below limit: a check that has just tripped would heal at once")])
        return self


class SteerCheck(AccelerationCheck):
    """[checks.steer]."""

    yaw_gain: YawCurve


class BrakeCheck(Debounce):
    """[checks.brake]."""

    high_pressure: Pressure
    least_deceleration: Deceleration
    low_pressure: Pressure
    most_deceleration: Deceleration

    @model_validator(mode="after")
    def _order(self) -> BrakeCheck:
        if units.half_up(self.low_pressure) > units.half_up(self.high_pressure):
            raise wrong([("high_pressure", "must not be below low_pressure")])
        return self


class OffsetCheck(StrokeCheck):
    """[checks.stroke_offset]."""

    straight_below: Deceleration
    straight_rate: Creep


class RollOfAxles(Strict):
    """Right less left stroke of each axle at 1 g to the left."""

    front: Roll
    rear: Roll


class RollCheck(StrokeCheck):
    """[checks.stroke_roll]."""

    roll: RollOfAxles


class Checks(Strict):
    """[checks]."""

    from_speed: Compared
    lateral: AccelerationCheck
    longitudinal: AccelerationCheck
    yaw: Debounce
    steer: SteerCheck
    brake: BrakeCheck
    speed: SpeedCheck
    stroke_offset: OffsetCheck
    stroke_roll: RollCheck


class Overrun(Strict):
    """[board.overrun]."""

    late_ticks: LateTicks
    heal: Time
    heals: Heals


class Board(Strict):
    """[board]."""

    bus_off: Debounce
    supply_low: BelowCheck
    supply_under: BelowCheck
    supply_high: AboveCheck
    supply_over: AboveCheck
    driver_hot: Debounce
    driver_hot_off: Debounce
    overrun: Overrun

    @model_validator(mode="after")
    def _order(self) -> Board:
        under, low = units.half_up(self.supply_under.limit), units.half_up(self.supply_low.limit)
        high, over = units.half_up(self.supply_high.limit), units.half_up(self.supply_over.limit)
        problems = []
        if under > low:
            problems.append(("supply_under.limit", "is above that of supply_low: off before it is derated"))
        if low >= high:
            problems.append(("supply_high.limit", "must be above that of supply_low"))
        if high > over:
            problems.append(("supply_over.limit", "is below that of supply_high: off before it is derated"))
        if problems:
            raise wrong(problems)
        return self


class CurrentControl(Strict):
    """[current_control]."""

    enabled: bool
    response: Response
    freewheel: Freewheel
    resistance_average: Time


class OpenCoil(Strict):
    """[coils.open]."""

    from_current: Watched
    share: Part
    trip: Time


class ShortCoil(Debounce):
    """[coils.short]."""

    limit: Shorted


class CoilResistance(Strict):
    """[coils.resistance]."""

    low: Relative
    high: Relative
    trip: Time
    off: Time

    @model_validator(mode="after")
    def _order(self) -> CoilResistance:
        if units.half_up(self.low) > units.half_up(self.high):
            raise wrong([("high", "must not be below low")])
        return self


class CoilTracking(Strict):
    """[coils.tracking]."""

    limit: Relative
    least: Watched
    trip: Time


class Coils(Strict):
    """[coils]: the same for all corners."""

    open: OpenCoil
    short: ShortCoil
    resistance: CoilResistance
    tracking: CoilTracking


class Report(Strict):
    """[report]."""

    period: Time


class Calibration(Strict):
    """calibration.toml.

    Values with units are exact fractions of the base unit in `units`; series and maps are words.
    """

    name: str
    notes: str = ""
    timing: Timing
    filters: Filters
    layers: Layers
    limits: Limits
    valves: Valves
    fail_safe: FailSafe
    checks: Checks
    board: Board
    current_control: CurrentControl
    coils: Coils
    report: Report
    _document: Document | None = PrivateAttr(default=None)

    @property
    def document(self) -> Document:
        """The file it came from."""
        return self._document or Document("calibration.toml", None, "")

    def attach(self, document: Document) -> None:
        """Remember the file, for the lines in messages."""
        self._document = document

    @property
    def period_us(self) -> int:
        """Tick period."""
        return int(self.timing.period)
