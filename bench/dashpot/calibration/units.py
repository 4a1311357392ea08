"""Units as people write them, and the controller's fixed integer units they become. All conversions are exact fractions."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

# Standard gravity, m/s2: CGPM 1901, resolution 70 [S].
GRAVITY = Fraction(980665, 100000)
# Degrees in a radian; 17 digits are past every other error here.
_DEGREE = Fraction(180) / Fraction("3.14159265358979324")
_PSI_KPA = Fraction("6.894757293168")  # pound-force per square inch, NIST SP 811 [S]
_MILE_CM = Fraction("160934.4")
_INCH_MM = Fraction("25.4")

INT16 = (-32768, 32767)


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """Units of one quantity; each is one object, compared by identity.

    Attributes:
        name: what is measured, for messages.
        base: the unit that the controller's words have.
        factors: base units in one of each unit; the first is the one that dashpot writes.
        example: how a value is written.

    """

    name: str
    base: str
    factors: dict[str, Fraction]
    example: str

    @property
    def shown(self) -> str:
        """The unit that dashpot itself writes."""
        return next(iter(self.factors))

    @property
    def known(self) -> str:
        """All its units for a message."""
        return ", ".join(unit or '""' for unit in self.factors)

    def factor(self, unit: str) -> Fraction | None:
        """Base units in one `unit`, or None where the unit is not one of this quantity."""
        return self.factors.get(_tidy(unit))


def _of(name: str, base: str, example: str, factors: dict[str, Fraction | int]) -> Family:
    return Family(name, base, {unit: Fraction(value) for unit, value in factors.items()}, example)


TIME = _of("a time", "us", "2 ms", {"ms": 1000, "us": 1, "s": 1_000_000})
ACCELERATION = _of(
    "an acceleration", "mg", "0.8 g", {"g": 1000, "mg": 1, "m/s2": 1000 / GRAVITY, "mm/s2": 1 / GRAVITY}
)
PRESSURE = _of(
    "a pressure",
    "kPa",
    "30 bar",
    {"bar": 100, "kPa": 1, "MPa": 1000, "mbar": Fraction(1, 10), "Pa": Fraction(1, 1000), "psi": _PSI_KPA},
)
PRESSURE_RATE = _of(
    "a pressure rate",
    "bar/s",
    "50 bar/s",
    {"bar/s": 1, "kPa/s": Fraction(1, 100), "MPa/s": 10, "psi/s": _PSI_KPA / 100},
)
ANGLE = _of("an angle", "0.1 deg", "90 deg", {"deg": 10, "rad": 10 * _DEGREE})
YAW_RATE = _of("a rate of turn", "0.01 deg/s", "20 deg/s", {"deg/s": 100, "rad/s": 100 * _DEGREE})
STEER_RATE = _of("a steering rate", "deg/s", "30 deg/s", {"deg/s": 1, "rad/s": _DEGREE})
SPEED = _of(
    "a speed",
    "cm/s",
    "30 km/h",
    {"km/h": Fraction(1000, 36), "m/s": 100, "cm/s": 1, "mm/s": Fraction(1, 10), "mph": _MILE_CM / 3600},
)
STROKE_SPEED = _of(
    "a stroke speed", "mm/s", "50.8 mm/s", {"mm/s": 1, "m/s": 1000, "cm/s": 10, "in/s": _INCH_MM}
)
STROKE = _of(
    "a stroke", "um", "12 mm", {"mm": 1000, "um": 1, "cm": 10_000, "m": 1_000_000, "in": 1000 * _INCH_MM}
)
VOLTAGE = _of("a voltage", "mV", "13.5 V", {"V": 1000, "mV": 1})
CURRENT = _of("a current", "mA", "800 mA", {"mA": 1, "A": 1000})
RESISTANCE = _of("a resistance", "mohm", "2.2 ohm", {"ohm": 1000, "mohm": 1})
INDUCTANCE = _of("an inductance", "uH", "12 mH", {"mH": 1000, "uH": 1, "H": 1_000_000})
SLEW = _of("a slew", "mA/s", "40 A/s", {"A/s": 1000, "mA/s": 1, "mA/ms": 1000})
SHARE = _of("a share", "permille", "150 permille", {"permille": 1, "percent": 10})
BRAKE_GAIN = _of(
    "a gain over pressure rate",
    "permille/(100 bar/s)",
    "40 permille/(100 bar/s)",
    {
        "permille/(100 bar/s)": 1,
        "permille/(bar/s)": 100,
        "permille/(kPa/s)": 10_000,
        "percent/(100 bar/s)": 10,
    },
)
STEER_GAIN = _of(
    "a gain over steering rate",
    "permille/(100 deg/s)",
    "30 permille/(100 deg/s)",
    {"permille/(100 deg/s)": 1, "permille/(deg/s)": 100, "percent/(100 deg/s)": 10},
)
POSITION = _of("a switch position", "", "1", {"": 1})
BITRATE = _of("a bit rate", "bit/s", "500 kbit/s", {"kbit/s": 1000, "bit/s": 1, "Mbit/s": 1_000_000})

# Spellings that people and DBC files use; compared without regard to case only where no two units differ by it.
_SPELLINGS = {
    "m/s^2": "m/s2", "m/s²": "m/s2", "m/s/s": "m/s2", "m/s**2": "m/s2", "g/1000": "mg",
    "unit_meterpersquaresecond": "m/s2", "unit_meterpersecondsquared": "m/s2", "meter/second2": "m/s2",
    "unit_forceofgravi": "g", "gees": "g",
    "°": "deg", "degree": "deg", "degrees": "deg", "unit_degreofarc": "deg", "grad": "deg",
    "°/s": "deg/s", "degree/s": "deg/s", "degrees/s": "deg/s", "deg/sec": "deg/s", "unit_degreofarcpersecon": "deg/s",
    "rad/sec": "rad/s", "radians": "rad", "radian": "rad",
    "kph": "km/h", "kmh": "km/h", "km/hr": "km/h", "unit_kilometerperhour": "km/h", "unit_kilometrperhour": "km/h",
    "unit_bar": "bar", "millimeter": "mm", "millimeters": "mm", "unit_millimeter": "mm", "meter": "m", "inch": "in",
    "volt": "V", "volts": "V", "unit_volt": "V", "ma": "mA", "a": "A", "v": "V", "mv": "mV", "ω": "ohm", "mω": "mohm", "ohms": "ohm", "mh": "mH", "uh": "uH", "µh": "uH",
    "‰": "permille", "per mille": "permille", "%": "percent", "µs": "us", "µm": "um", "sec": "s",
    "kpa": "kPa", "pa": "Pa", "mph": "mph", "unitless": "",
}  # fmt: skip
_UNITS = {
    unit
    for family in (
        TIME, ACCELERATION, PRESSURE, PRESSURE_RATE, ANGLE, YAW_RATE, STEER_RATE, SPEED, STROKE_SPEED, STROKE,
        VOLTAGE, CURRENT, RESISTANCE, INDUCTANCE, SLEW, SHARE, BRAKE_GAIN, STEER_GAIN, POSITION, BITRATE,
    )
    for unit in family.factors
}  # fmt: skip
_QUANTITY = re.compile(r"\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*(.*?)\s*")


def _tidy(unit: str) -> str:
    text = " ".join(unit.split())
    return text if text in _UNITS else _SPELLINGS.get(text.lower(), _lower(text))


def _lower(text: str) -> str:
    lowered = text.lower()
    return lowered if lowered in _UNITS else text


def parse(text: object, family: Family) -> Fraction:
    """Read a value with its unit, such as "12.5 mm".

    Args:
        text: what stands in the file.
        family: the quantity that is wanted.

    Returns:
        The value in the family's base unit, exact.

    Raises:
        ValueError: with a message for the user.

    """
    if isinstance(text, int | Decimal) and not isinstance(text, bool):
        if "" in family.factors and Decimal(text).is_finite():
            return Fraction(text)
        raise ValueError(
            f'a number without a unit; write it as text with one of {family.known}, as in "{family.example}"'
        )
    match = _QUANTITY.fullmatch(text) if isinstance(text, str) else None
    if not match:
        raise ValueError(
            f'{text!r} is not {family.name}; write a number and a unit, as in "{family.example}"'
        )
    factor = family.factor(match[2])
    if factor is None:
        said = f"{match[2]!r} is not a unit of" if match[2] else "a number without a unit of"
        raise ValueError(f"{said} {family.name.split(' ', 1)[1]}; right are {family.known}")
    return Fraction(Decimal(match[1])) * factor


def half_up(value: Fraction) -> int:
    """Nearest whole number; halves go up, as in the firmware."""
    return math.floor(value + Fraction(1, 2))


def decimal_text(value: Fraction) -> str:
    """Write a number in full, without exponent; what does not end within 18 decimals is cut there."""
    if value.denominator == 1:
        return str(value.numerator)
    whole, rest = divmod(abs(value) * 10**18, 10**18)
    return f"{'-' if value < 0 else ''}{int(whole)}.{int(rest):018d}".rstrip("0").rstrip(".")


def shortest(value: Fraction, fits: Callable[[Fraction], bool]) -> Fraction:
    """Find the number with the fewest decimals, near a value, that fits.

    Raises:
        ValueError: there is none with up to 18 decimals.

    """
    for decimals in range(19):
        ten = 10**decimals
        for whole in (half_up(value * ten), math.ceil(value * ten), math.floor(value * ten)):
            if fits(Fraction(whole, ten)):
                return Fraction(whole, ten)
    raise ValueError(f"no decimal near {float(value)} makes the same word again")


def number(word: int, family: Family) -> str:
    """Write a word in the unit that dashpot writes, with the fewest decimals that make the same word again."""
    factor = family.factors[family.shown]
    return decimal_text(shortest(Fraction(word) / factor, lambda value: half_up(value * factor) == word))


def shown(word: int, family: Family) -> str:
    """Write a word of the family's base unit as a value with unit, such as "12 mm"."""
    return f"{number(word, family)} {family.shown}".rstrip()
