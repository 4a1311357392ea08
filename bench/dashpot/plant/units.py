"""Units of a car file's quantities, in the way of dashpot.calibration.units."""

from __future__ import annotations

from fractions import Fraction

from dashpot.calibration.units import Family

_POUND_KG = Fraction("0.45359237")
_POUND_FORCE_N = Fraction("4.4482216152605")  # NIST SP 811 [S]
_INCH_M = Fraction("0.0254")
_DEGREE = Fraction(180) / Fraction("3.14159265358979324")


def _of(name: str, base: str, example: str, factors: dict[str, Fraction | int]) -> Family:
    return Family(name, base, {unit: Fraction(value) for unit, value in factors.items()}, example)


MASS = _of("a mass", "kg", "1252 kg", {"kg": 1, "g": Fraction(1, 1000), "t": 1000, "lb": _POUND_KG})
LENGTH = _of(
    "a length",
    "mm",
    "12 mm",
    {"mm": 1, "m": 1000, "cm": 10, "in": 1000 * _INCH_M},
)
INERTIA = _of(
    "a moment of inertia",
    "kg m2",
    "560 kg m2",
    dict.fromkeys(("kg m2", "kgm2", "kg*m2", "kg.m2", "kg m^2", "kg*m^2", "kgm^2", "kg m²"), 1),
)
STIFFNESS = _of(
    "a stiffness",
    "N/m",
    "50 N/mm",
    {
        "N/mm": 1000,
        "N/m": 1,
        "kN/m": 1000,
        "lbf/in": _POUND_FORCE_N / _INCH_M,
        "lb/in": _POUND_FORCE_N / _INCH_M,
    },
)
ROLL_STIFFNESS = _of(
    "a roll stiffness",
    "N m/rad",
    "300 N m/deg",
    {
        "N m/deg": _DEGREE,
        "N m/rad": 1,
        "Nm/deg": _DEGREE,
        "Nm/rad": 1,
        "kN m/rad": 1000,
        "kNm/rad": 1000,
    },
)
DAMPING = _of(
    "a damping coefficient",
    "N s/m",
    "50 N s/m",
    {"N s/m": 1, "Ns/m": 1, "N/(m/s)": 1, "N s/mm": 1000, "Ns/mm": 1000, "kN s/m": 1000, "kNs/m": 1000},
)
FORCE = _of("a force", "N", "40 N", {"N": 1, "kN": 1000, "lbf": _POUND_FORCE_N})
AREA = _of("an area", "m2", "0.7 m2", {"m2": 1, "m^2": 1, "m²": 1})
DENSITY = _of("a density", "kg/m3", "1.2 kg/m3", {"kg/m3": 1, "kg/m^3": 1, "kg/m³": 1})
