"""The keys of a scenario file, with their units and bounds; dashpot.plant.scenario makes a Scenario of them.

Every number with a unit becomes a float in SI units (deg C for temperatures, bar for pressures). Tables that only
change defaults hold what was written and nothing else.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any, Generic, TypeVar

from pydantic import Field, ValidationError
from pydantic_core import PydanticCustomError

from dashpot.calibration import units as known
from dashpot.calibration.findings import nearest
from dashpot.calibration.schema import Number, Plain, Strict, wrong
from dashpot.calibration.units import GRAVITY, Family, parse
from dashpot.plant.circuit import Place, Segment
from dashpot.plant.drive import LONGEST_S
from dashpot.plant.ground import SIDES
from dashpot.plant.lag import Lag
from dashpot.plant.road import class_roughness_m3
from dashpot.plant.sensors import DEFAULT, Sensor

if TYPE_CHECKING:
    from collections.abc import Callable

    from dashpot.calibration.schema import ModelT


def _of(name: str, base: str, example: str, factors: dict[str, Fraction | int]) -> Family:
    return Family(name, base, {unit: Fraction(value) for unit, value in factors.items()}, example)


_DEGREE = Fraction(180) / Fraction("3.14159265358979324")
LENGTH_M = _of(
    "a length", "m", "120 m", {"m": 1, "km": 1000, "mm": Fraction(1, 1000), "cm": Fraction(1, 100)}
)
POWER = _of("a power", "W", "215 kW", {"kW": 1000, "W": 1})
FREQUENCY = _of("a frequency", "Hz", "10 Hz", {"Hz": 1})
ROUGHNESS = _of("a roughness", "m3", "64e-6 m3", {"m3": 1, "m^3": 1, "m³": 1})
TEMPERATURE = _of("a temperature", "degC", "20 degC", {"degC": 1, "C": 1, "°C": 1})
LINE_GAIN = _of(
    "a pressure for a deceleration", "bar/(m/s2)", "6.4 bar/(m/s2)", {"bar/(m/s2)": 1, "bar/g": 1 / GRAVITY}
)
UNDERSTEER = _of(
    "an understeer gradient", "rad/(m/s2)", "1.5 deg/g", {"deg/g": 1 / (GRAVITY * _DEGREE), "rad/(m/s2)": 1}
)
NO_UNIT = _of("a number", "", "1.5", {"": 1})


@dataclass(frozen=True, slots=True)
class Si(Plain):
    """A value with a unit, as a float: base units of the family times `scale`, between `low` and `high`."""

    family: Family
    low: float
    high: float
    scale: Fraction = Fraction(1)

    def parse(self, value: object) -> float:
        """Read and bound it."""
        number = float(parse(value, self.family) * self.scale)
        if not self.low <= number <= self.high:
            bound, side = (
                (self.low, "below the least") if number < self.low else (self.high, "above the most")
            )
            # In the unit that was written.
            unit = re.sub(r"^[-+\d.eE\s]*", "", str(value)).strip()
            factor = self.family.factor(unit) or self.family.factors[self.family.shown]
            raise ValueError(
                f"{value} is {side}, {float(Fraction(bound) / (factor * self.scale)):.6g} {unit}".rstrip()
            )
        return number


_MILLI, _MICRO = Fraction(1, 1000), Fraction(1, 1_000_000)
_MG = GRAVITY / 1000


def _time(low: float, high: float) -> Si:
    return Si(known.TIME, low, high, _MICRO)


def _length(low: float, high: float) -> Si:
    return Si(LENGTH_M, low, high)


def _accel(low: float, high: float) -> Si:
    return Si(known.ACCELERATION, low, high, _MG)


def _speed(low: float, high: float) -> Si:
    return Si(known.SPEED, low, high, Fraction(1, 100))


def _share(low: float, high: float) -> Si:
    return Si(known.SHARE, low, high, _MILLI)


@dataclass(frozen=True, slots=True)
class OneOf(Plain):
    """A word from a list."""

    words: tuple[str, ...]

    def parse(self, value: object) -> str:
        """Take it as it is."""
        if not isinstance(value, str) or value not in self.words:
            raise ValueError(f"{value!r} is not known; {nearest(str(value), self.words)}")
        return value


@dataclass(frozen=True, slots=True)
class PlaceKey(Plain):
    """A place: "640 m", "Mill", "Mill end", "Mill + 20 m", "Mill end - 5 m"."""

    def parse(self, value: object) -> Place:
        """Read it."""
        text = value.strip() if isinstance(value, str) else ""
        if not text:
            raise ValueError(f'{value!r} is no place; right are "640 m", "Mill + 20 m", "Mill end - 5 m"')
        if re.match(r"[-+]?[\d.]", text):
            return Place(float(parse(text, LENGTH_M)))
        way = re.fullmatch(r"(.*?)\s*([-+])\s*([\d.][^+-]*)", text)
        name, offset = (text, 0.0) if way is None else (way[1], float(parse(way[3], LENGTH_M)))
        if way is not None and way[2] == "-":
            offset = -offset
        short = re.fullmatch(r"(.+?)\s+end", name)
        return Place(offset, short[1] if short else name, at_end=short is not None)


@dataclass(frozen=True, slots=True)
class Whole(Plain):
    """A whole number between two bounds."""

    low: int
    high: int

    def parse(self, value: object) -> int:
        """Read and bound it."""
        return int(Number(Fraction(self.low), Fraction(self.high), whole=True).parse(value))


ValueT = TypeVar("ValueT")
Steps = tuple[tuple[float, ValueT], ...]


@dataclass(frozen=True, slots=True)
class Over(Plain, Generic[ValueT]):
    """A value for the whole drive, or `[["0 s", value], ["10 s", value]]` with rising times from 0 on."""

    read: Callable[[object], ValueT]

    def parse(self, value: object) -> Steps[ValueT]:
        """Give times in seconds and values."""
        if not isinstance(value, list):
            return ((0.0, self.read(value)),)
        made: list[tuple[float, ValueT]] = []
        for number, pair in enumerate(value, 1):
            if not isinstance(pair, list) or len(pair) != 2:
                raise ValueError(
                    f'point {number} should be a time and a value, as in [["0 s", ...], ["10 s", ...]]'
                )
            at_s = _time(0.0, 1e5).parse(pair[0])
            if (not made and at_s != 0.0) or (made and at_s <= made[-1][0]):
                raise ValueError(
                    f"point {number} is at {pair[0]}; the first is at 0 s, each later than the one before"
                )
            made.append((at_s, self.read(pair[1])))
        if not made:
            raise ValueError("has no points")
        return tuple(made)


@dataclass(frozen=True, slots=True)
class Rows(Plain):
    """A list of tables of one kind."""

    model: type[Strict]

    def parse(self, value: object) -> tuple[Any, ...]:
        """Read each; a mistake names its row and, where it has one, its name."""
        if not isinstance(value, list):
            raise ValueError("should be a list of tables, [{ ... }, { ... }]")  # noqa: TRY004 - pydantic takes ValueError only
        made, problems = [], []
        for number, row in enumerate(value, 1):
            named = f" ({row['name']})" if isinstance(row, dict) and isinstance(row.get("name"), str) else ""
            try:
                made.append(self.model.model_validate(row))
            except ValidationError as failure:
                problems += [f"row {number}{named}: {said}" for said in _said(self.model, failure)]
        if problems:
            raise wrong([("", said) for said in problems])
        return tuple(made)


def _said(model: type[ModelT], failure: ValidationError) -> list[str]:
    """Say what is wrong in a row."""
    names = [field.alias or name for name, field in model.model_fields.items()]
    said = []
    for error in failure.errors(include_url=False):
        key = ".".join(str(part) for part in error["loc"])
        match error["type"]:
            case "extra_forbidden":
                said.append(f"unknown key {key!r}; {nearest(key, names)}")
            case "missing":
                said.append(f"{key}: is missing")
            case "value_error":
                said.append(f"{key}: {error['ctx']['error']}" if key else str(error["ctx"]["error"]))
            case "dashpot":
                said.append(f"{key}: {error['ctx']['said']}")
            case _:
                said.append(f"{key}: {error['msg'][:1].lower()}{error['msg'][1:]}".replace("input ", ""))
    return said


class SegmentKeys(Strict):
    """A row of `circuit.segments`: a straight has a length, a corner radius and turn."""

    name: str
    length_m: Annotated[float, _length(1.0, 20_000.0)] | None = Field(default=None, alias="length")
    radius_m: Annotated[float, _length(3.0, 5000.0)] | None = Field(default=None, alias="radius")
    turn_rad: Annotated[float, Si(known.ANGLE, -2 * math.pi, 2 * math.pi, 1 / (10 * _DEGREE))] | None = Field(
        default=None, alias="turn"
    )
    sector: str = ""

    def model_post_init(self, _context: object, /) -> None:
        """Refuse what is neither straight nor corner."""
        if not self.name.strip():
            raise ValueError("name is empty")
        if (self.length_m is None) == (self.radius_m is None) or (self.radius_m is None) != (
            self.turn_rad is None
        ):
            raise ValueError("a straight has a length, a corner has a radius and a turn")

    def segment(self) -> Segment:
        """Give the segment."""
        if self.length_m is not None:
            return Segment(self.name, self.length_m, sector=self.sector)
        assert self.radius_m is not None
        assert self.turn_rad is not None
        return Segment(self.name, self.radius_m * abs(self.turn_rad), self.turn_rad, self.sector)


class CircuitKeys(Strict):
    """[circuit]."""

    closed: bool = True
    transition_m: Annotated[float, _length(1.0, 200.0)] = Field(default=13.0, alias="transition")
    segments: Annotated[tuple[SegmentKeys, ...], Rows(SegmentKeys)]


_SPEED = _speed(1.0, 120.0)
_LATERAL = _accel(-25.0, 25.0)
_AT = _time(0.0, 600.0)


class StraightKeys(Strict):
    """[manoeuvre.straight]."""

    speed_m_s: Annotated[float, _SPEED] = Field(alias="speed")


class BrakeKeys(Strict):
    """[manoeuvre.brake]."""

    speed_m_s: Annotated[float, _SPEED] = Field(alias="speed")
    decel_m_s2: Annotated[float, _accel(0.1, 30.0)] = Field(alias="deceleration")
    at_s: Annotated[float, _AT] = Field(default=1.0, alias="at")


class StepSteerKeys(Strict):
    """[manoeuvre.step_steer]."""

    speed_m_s: Annotated[float, _SPEED] = Field(alias="speed")
    lateral_m_s2: Annotated[float, _LATERAL] = Field(alias="lateral")
    at_s: Annotated[float, _AT] = Field(default=1.0, alias="at")
    ramp_s: Annotated[float, _time(0.01, 60.0)] = Field(default=0.2, alias="ramp")


class SineKeys(Strict):
    """[manoeuvre.sine]."""

    speed_m_s: Annotated[float, _SPEED] = Field(alias="speed")
    lateral_m_s2: Annotated[float, _LATERAL] = Field(alias="lateral")
    hz: Annotated[float, Si(FREQUENCY, 0.01, 5.0)] | None = Field(default=None, alias="frequency")
    spacing_m: Annotated[float, _length(1.0, 200.0)] | None = Field(default=None, alias="spacing")
    at_s: Annotated[float, _AT] = Field(default=1.0, alias="at")
    count: Annotated[int, Whole(1, 1000)] = 5


class LaneChangeKeys(Strict):
    """[manoeuvre.lane_change]."""

    speed_m_s: Annotated[float, _SPEED] = Field(alias="speed")
    at_m: Annotated[float, _length(0.0, 5000.0)] = Field(default=30.0, alias="at")
    offset_m: Annotated[float, _length(-20.0, 20.0)] = Field(default=3.5, alias="offset")
    there_m: Annotated[float, _length(1.0, 500.0)] = Field(default=40.0, alias="there")
    stay_m: Annotated[float, _length(0.0, 500.0)] = Field(default=15.0, alias="stay")
    back_m: Annotated[float, _length(0.0, 500.0)] = Field(default=40.0, alias="back")


class ManoeuvreKeys(Strict):
    """[manoeuvre.NAME], one of them."""

    straight: StraightKeys | None = None
    brake: BrakeKeys | None = None
    step_steer: StepSteerKeys | None = None
    sine: SineKeys | None = None
    lane_change: LaneChangeKeys | None = None


class PerformanceKeys(Strict):
    """[performance]."""

    power_w: Annotated[float, Si(POWER, 1000, 2_000_000)] | None = Field(default=None, alias="power")
    grip: Annotated[float, Si(NO_UNIT, 0.1, 4)] | None = None
    traction: Annotated[float, _share(0.05, 1.0)] | None = None
    braking: Annotated[float, _share(0.05, 1.0)] | None = None
    rolling_m_s2: Annotated[float, _accel(0.0, 2.0)] | None = Field(default=None, alias="rolling")
    coast_m_s2: Annotated[float, _accel(0.0, 5.0)] | None = Field(default=None, alias="coast")


class BrakesKeys(Strict):
    """[brakes]."""

    front_bar_per_m_s2: Annotated[float, Si(LINE_GAIN, 0, 50)] | None = Field(default=None, alias="front")
    rear_bar_per_m_s2: Annotated[float, Si(LINE_GAIN, 0, 50)] | None = Field(default=None, alias="rear")
    lag_s: Annotated[float, _time(0.0, 0.5)] | None = Field(default=None, alias="lag")
    holding_bar: Annotated[float, Si(known.PRESSURE, 0, 100, Fraction(1, 100))] | None = Field(
        default=None, alias="holding"
    )


class SteeringKeys(Strict):
    """[steering]."""

    ratio: Annotated[float, Si(NO_UNIT, 1, 40)] | None = None
    understeer_rad_per_m_s2: Annotated[float, Si(UNDERSTEER, -0.01, 0.05)] | None = Field(
        default=None, alias="understeer"
    )
    lag_s: Annotated[float, _time(0.0, 1.0)] | None = Field(default=None, alias="lag")
    damping: Annotated[float, Si(NO_UNIT, 0.3, 3)] | None = None


class DriverKeys(Strict):
    """[driver]."""

    skill: Annotated[float, _share(0.1, 1.2)] | None = None
    skill_spread: Annotated[float, _share(0.0, 0.2)] | None = None
    pedal_s: Annotated[float, _time(0.02, 5.0)] | None = Field(default=None, alias="pedal_time")
    standstill_s: Annotated[float, _time(0.0, 600.0)] | None = Field(default=None, alias="standstill")
    correction_rad: Annotated[float, Si(known.ANGLE, 0, 0.2, 1 / (10 * _DEGREE))] | None = Field(
        default=None, alias="corrections"
    )
    correction_hz: Annotated[float, Si(FREQUENCY, 0.1, 5)] | None = Field(
        default=None, alias="correction_rate"
    )


class ClassKey(Plain):
    """A class of ISO 8608, "A" to "H", as its roughness."""

    def parse(self, value: object) -> float:
        """Look it up."""
        if not isinstance(value, str) or len(value) != 1 or value.upper() not in "ABCDEFGH":
            raise ValueError(f'{value!r} is no class of roads; ISO 8608 has "A" to "H"')
        return class_roughness_m3(value)


_CLASS = ClassKey()
_ROUGHNESS = Si(ROUGHNESS, 0, 1)
_SIDE = OneOf(tuple(SIDES))
_PLACE = PlaceKey()


class PatchKeys(Strict):
    """A row of `road.rough`."""

    start: Annotated[Place, _PLACE] = Field(alias="from")
    end: Annotated[Place, _PLACE] = Field(alias="to")
    in_class: Annotated[float, _CLASS] | None = Field(default=None, alias="class")
    roughness: Annotated[float, _ROUGHNESS] | None = None
    longest_m: Annotated[float, _length(0.5, 100.0)] = Field(default=6.7, alias="longest")
    blend_m: Annotated[float, _length(0.0, 50.0)] = Field(default=4.0, alias="blend")

    def model_post_init(self, _context: object, /) -> None:
        """Refuse two roughnesses and none."""
        if (self.in_class is None) == (self.roughness is None):
            raise ValueError("one of class and roughness is wanted")

    @property
    def roughness_m3(self) -> float:
        """Whichever was written."""
        written = self.in_class if self.in_class is not None else self.roughness
        assert written is not None
        return written


class KerbKeys(Strict):
    """A row of `road.kerbs`."""

    side: Annotated[str, _SIDE]
    start: Annotated[Place, _PLACE] = Field(alias="from")
    end: Annotated[Place, _PLACE] = Field(alias="to")
    height_m: Annotated[float, _length(-0.3, 0.3)] = Field(alias="height")
    ramp_m: Annotated[float, _length(0.1, 50.0)] = Field(default=1.6, alias="ramp")
    tooth_m: Annotated[float, _length(0.0, 0.1)] = Field(default=0.0, alias="tooth")
    pitch_m: Annotated[float, _length(0.1, 20.0)] = Field(default=0.9, alias="pitch")


class BumpKeys(Strict):
    """A row of `road.bumps`."""

    side: Annotated[str, _SIDE] = "both"
    start: Annotated[Place, _PLACE] = Field(alias="at")
    length_m: Annotated[float, _length(0.2, 200.0)] = Field(alias="length")
    height_m: Annotated[float, _length(-0.5, 0.5)] = Field(alias="height")


class AmplitudeKey(Plain):
    """A height, held over the sweep, or a speed, with the height falling as the frequency rises."""

    def parse(self, value: object) -> tuple[float | None, float | None]:
        """Give height in metres or speed in m/s."""
        text = value.strip() if isinstance(value, str) else ""
        if "/" in text:
            return None, Si(known.STROKE_SPEED, 0, 5, _MILLI).parse(value)
        try:
            return _length(0.0, 0.3).parse(value), None
        except ValueError as error:
            raise ValueError(f'{error}; or a speed, as in "0.1 m/s"') from None


class SweepKeys(Strict):
    """[road.sweep]."""

    from_hz: Annotated[float, Si(FREQUENCY, 0.05, 50)] = Field(alias="from")
    to_hz: Annotated[float, Si(FREQUENCY, 0.05, 50)] = Field(alias="to")
    start_s: Annotated[float, _AT] = Field(default=1.0, alias="at")
    length_s: Annotated[float, _time(0.5, 600.0)] = Field(alias="over")
    amplitude: Annotated[tuple[float | None, float | None], AmplitudeKey()]
    side: Annotated[str, _SIDE] = "both"


class RoadKeys(Strict):
    """[road]."""

    in_class: Annotated[float, _CLASS] | None = Field(default=None, alias="class")
    roughness: Annotated[float, _ROUGHNESS] | None = None
    profile: str | None = None
    waviness: Annotated[float, Si(NO_UNIT, 1, 4)] = 2.0
    patch_m: Annotated[float, _length(0.0, 0.5)] = Field(default=0.12, alias="contact")
    rough: Annotated[tuple[PatchKeys, ...], Rows(PatchKeys)] = ()
    kerbs: Annotated[tuple[KerbKeys, ...], Rows(KerbKeys)] = ()
    bumps: Annotated[tuple[BumpKeys, ...], Rows(BumpKeys)] = ()
    sweep: SweepKeys | None = None


class DampKeys(Strict):
    """A row of `weather.damp`."""

    start: Annotated[Place, _PLACE] = Field(alias="from")
    end: Annotated[Place, _PLACE] = Field(alias="to")
    grip: Annotated[float, _share(0.05, 1.5)]
    blend_m: Annotated[float, _length(0.0, 200.0)] = Field(default=20.0, alias="blend")


class WeatherKeys(Strict):
    """[weather]."""

    grip: Annotated[float, _share(0.05, 1.5)] = 1.0
    ambient_c: Annotated[float, Si(TEMPERATURE, -40, 60)] = Field(default=17.5, alias="ambient")
    damp: Annotated[tuple[DampKeys, ...], Rows(DampKeys)] = ()


@dataclass(frozen=True, slots=True)
class Named:
    """Reads a switch's position by its name, as the car's DBC has them, or by its number."""

    names: tuple[str, ...]

    def __call__(self, value: object) -> int:
        """Give the number."""
        if isinstance(value, str) and value.lower() in self.names:
            return self.names.index(value.lower())
        if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < len(self.names):
            return value
        raise ValueError(f"{value!r} is not known; {nearest(str(value), self.names)}")


MODES = ("road", "sport", "track")
GRIPS = ("auto", "dry", "wet")


class SwitchKeys(Strict):
    """[switches]."""

    mode: Annotated[Steps[int], Over(Named(MODES))] = ((0.0, 2),)
    grip: Annotated[Steps[int], Over(Named(GRIPS))] = ((0.0, 0),)
    firmness: Annotated[Steps[int], Over(Whole(-5, 5).parse)] = ((0.0, 0),)
    ignition: Annotated[Steps[int], Over(Named(("off", "on")))] = ((0.0, 1),)


_VOLT = Si(known.VOLTAGE, 0, 40, _MILLI)


class SupplyKeys(Strict):
    """[supply]."""

    voltage: Annotated[Steps[float], Over(_VOLT.parse)] = ((0.0, 13.9),)
    brake_drop_v: Annotated[float, Si(known.VOLTAGE, 0, 5, _MILLI)] = Field(default=0.15, alias="brake_drop")
    ripple_v: Annotated[float, Si(known.VOLTAGE, 0, 5, _MILLI)] = Field(default=0.05, alias="ripple")
    ripple_hz: Annotated[float, Si(FREQUENCY, 0, 100)] = Field(default=0.11, alias="ripple_rate")


class CoilKeys(Strict):
    """[coil]."""

    temperature_c: Annotated[float, Si(TEMPERATURE, -40, 200)] = Field(default=20.0, alias="temperature")


class ValveKeys(Strict):
    """[valves]."""

    front: str
    rear: str


_CURRENT = Si(known.CURRENT, 0, 5, _MILLI)


class CurrentKeys(Strict):
    """[currents]."""

    front: Annotated[float, _CURRENT]
    rear: Annotated[float, _CURRENT]


# The unit that the DBC gives each kind of signal.
_DEG_C = (TEMPERATURE, Fraction(1))
_SIGNALS: dict[str, tuple[Family, Fraction]] = {
    "Stroke": (known.STROKE, _MILLI),
    "LatAccel": (known.ACCELERATION, _MG),
    "LongAccel": (known.ACCELERATION, _MG),
    "VertAccel": (known.ACCELERATION, _MG),
    "YawRate": (known.YAW_RATE, Fraction(1, 100)),
    "YawSensorTemp": _DEG_C,
    "BrakeFront": (known.PRESSURE, Fraction(1, 100)),
    "BrakeRear": (known.PRESSURE, Fraction(1, 100)),
    "PedalTravel": (known.SHARE, Fraction(1, 10)),
    "SteerAngle": (known.ANGLE, Fraction(1, 10)),
    "SteerRate": (known.STEER_RATE, Fraction(1)),
    "WheelSpeed": (known.SPEED, Fraction(36, 1000)),
    "RoadSpeed": (known.SPEED, Fraction(36, 1000)),
    "SupplyVoltage": (known.VOLTAGE, _MILLI),
    "AmbientTemp": _DEG_C,
    "TyreTemp": _DEG_C,
    "CoilTemp": _DEG_C,
    "OilTemp": _DEG_C,
}
CORNER_KINDS = ("Stroke", "WheelSpeed", "TyreTemp", "CoilTemp", "OilTemp")


@dataclass(frozen=True, slots=True)
class SensorKey(Plain):
    """[sensors.SIGNAL]: what differs from the car's own sensor, as a function of it."""

    family: Family
    scale: Fraction

    def parse(self, value: object) -> dict[str, Any]:
        """Give the fields of a Sensor that were written; the filter's two parts apart."""
        if not isinstance(value, dict):
            raise ValueError("should be a table")  # noqa: TRY004 - pydantic takes ValueError only
        readers: dict[str, Callable[[object], object]] = {
            "range": self._range,
            "bits": Whole(0, 24).parse,
            "noise": Si(self.family, 0.0, 1e6, self.scale).parse,
            "filter": Si(FREQUENCY, 0.01, 450.0).parse,
            "damping": Si(NO_UNIT, 0.0, 5.0).parse,
            "zero": Si(self.family, -1e6, 1e6, self.scale).parse,
            "scale": _share(-10.0, 10.0).parse,
            "dead_time": _time(0.0, 1.0).parse,
        }
        made: dict[str, Any] = {}
        problems = []
        for key, written in value.items():
            if key not in readers:
                problems.append((key, f"unknown key; {nearest(key, readers)}"))
                continue
            try:
                made[key] = readers[key](written)
            except ValueError as error:
                problems.append((key, str(error)))
        if problems:
            raise wrong(problems)
        return made

    def _range(self, value: object) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise ValueError(
                f'should be two values, as in ["{self.family.example}", "{self.family.example}"]'
            )
        low, high = (Si(self.family, -1e6, 1e6, self.scale).parse(end) for end in value)
        if low >= high:
            raise ValueError(f"{value[0]} is not below {value[1]}")
        return low, high


def changed(sensor: Sensor, written: dict[str, Any]) -> Sensor:
    """Return a sensor with what was written."""
    low, high = written.get("range", (sensor.low, sensor.high))
    lag = sensor.lag
    if "filter" in written or "damping" in written:
        lag = Lag(written.get("filter", lag.hz), written.get("damping", lag.damping))
    return Sensor(
        low,
        high,
        bits=written.get("bits", sensor.bits),
        noise=written.get("noise", sensor.noise),
        lag=lag,
        zero=written.get("zero", sensor.zero),
        scale=written.get("scale", sensor.scale),
        dead_s=written.get("dead_time", sensor.dead_s),
    )


def _kind(signal: str) -> str:
    return next((kind for kind in CORNER_KINDS if signal.startswith(kind)), signal)


class SensorsKey(Plain):
    """[sensors]: a table for each signal of the car, or for a kind of corner signal on all four corners."""

    def parse(self, value: object) -> dict[str, dict[str, Any]]:
        """Give what was written, by signal or kind."""
        if not isinstance(value, dict):
            raise ValueError("should be a table")  # noqa: TRY004 - pydantic takes ValueError only
        made: dict[str, dict[str, Any]] = {}
        problems: list[tuple[str, str]] = []
        for name, table in value.items():
            if name not in CORNER_KINDS and name not in DEFAULT:
                problems.append((name, f"unknown key; {nearest(name, (*CORNER_KINDS, *DEFAULT))}"))
                continue
            try:
                made[name] = SensorKey(*_SIGNALS[_kind(name)]).parse(table)
            except PydanticCustomError as error:
                problems += [(f"{name}.{key}", said) for key, said in (error.context or {})["problems"]]
            except ValueError as error:
                problems.append((name, str(error)))
        if problems:
            raise wrong(problems)
        return made


class ScenarioFile(Strict):
    """SCENARIO.toml."""

    name: str
    notes: str = ""
    seed: Annotated[int, Whole(0, 2**31 - 1)] = 1
    duration_s: Annotated[float, _time(1.0, LONGEST_S)] = Field(alias="duration")
    car: str
    valves: ValveKeys | None = None
    currents: CurrentKeys | None = None
    circuit: CircuitKeys | None = None
    manoeuvre: ManoeuvreKeys | None = None
    performance: PerformanceKeys = Field(default_factory=PerformanceKeys)
    brakes: BrakesKeys = Field(default_factory=BrakesKeys)
    steering: SteeringKeys = Field(default_factory=SteeringKeys)
    driver: DriverKeys = Field(default_factory=DriverKeys)
    road: RoadKeys = Field(default_factory=RoadKeys)
    weather: WeatherKeys = Field(default_factory=WeatherKeys)
    switches: SwitchKeys = Field(default_factory=SwitchKeys)
    supply: SupplyKeys = Field(default_factory=SupplyKeys)
    coil: CoilKeys = Field(default_factory=CoilKeys)
    sensors: Annotated[dict[str, dict[str, Any]], SensorsKey()] = Field(default_factory=dict)


def written(keys: Strict) -> dict[str, Any]:
    """Return what was written in a table that only changes defaults."""
    return keys.model_dump(exclude_none=True)
