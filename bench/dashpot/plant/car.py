"""A car's data for the plant, and the CAR.toml that it is read from.

Conventions: x forwards, y to the left, z up; roll phi with the left side up, pitch theta with the nose down; corners
front-left, front-right, rear-left, rear-right; stroke and wheel travel positive in compression, 0 at ride height,
where the car stands still with driver and fuel. Motion ratio is damper travel over wheel travel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Plain, Strict, completed, refuse_all, unit_factor
from dashpot.calibration.units import SHARE, parse
from dashpot.plant import units

if TYPE_CHECKING:
    from collections.abc import Sequence

Floats = NDArray[np.floating[Any]]

# Standard gravity: CGPM 1901, resolution 70 [S].
GRAVITY_M_S2 = 9.80665
AIR_DENSITY_KG_M3 = 1.2
RATIO_RANGE = (0.2, 3.0)
RATIO_POINTS = (2, 16)


@dataclass(frozen=True, slots=True)
class Stop:
    """A bump or droop stop on the damper's rod.

    Attributes:
        gap_m: stroke from ride height to first touch, positive for either stop.
        stiffness_n_per_m: at first touch.
        progression_m: stiffness rises by its first value over each such length; infinite for a linear stop.

    """

    gap_m: float
    stiffness_n_per_m: float
    progression_m: float = math.inf

    def force_n(self, stroke_m: Floats | float) -> Floats:
        """Return the force at strokes toward this stop, any shape."""
        into = np.maximum(np.asarray(stroke_m, dtype=np.float64) - self.gap_m, 0.0)
        force: Floats = self.stiffness_n_per_m * into * (1.0 + into / (2.0 * self.progression_m))
        return force


@dataclass(frozen=True, slots=True)
class Ratio:
    """A motion ratio, constant or piecewise linear over wheel travel; held past its ends.

    Attributes:
        wheel_m: rising wheel travels.
        ratio: damper (or spring) travel over wheel travel there.

    """

    wheel_m: tuple[float, ...]
    ratio: tuple[float, ...]

    @classmethod
    def constant(cls, ratio: float) -> Ratio:
        """Make a ratio that does not change with travel."""
        return cls((0.0,), (ratio,))

    def at(self, wheel_m: Floats | float) -> Floats:
        """Return the ratio at wheel travels, any shape."""
        ratio: Floats = np.asarray(np.interp(wheel_m, self.wheel_m, self.ratio))
        return ratio

    def slope_at(self, wheel_m: float) -> float:
        """Return the change of the ratio per metre of wheel travel, that of the segment above at a breakpoint."""
        index = int(np.searchsorted(self.wheel_m, wheel_m, side="right"))
        if index in {0, len(self.wheel_m)}:
            return 0.0
        below, above = index - 1, index
        return (self.ratio[above] - self.ratio[below]) / (self.wheel_m[above] - self.wheel_m[below])

    def strokes_at_points(self) -> Floats:
        """Return the stroke at each breakpoint, the integral of the ratio from ride height, exact."""
        x, r = np.array(self.wheel_m), np.array(self.ratio)
        from_first = np.concatenate(([0.0], np.cumsum(np.diff(x) * (r[1:] + r[:-1]) / 2.0)))
        zero: Floats = from_first - self._raw(0.0, x, r, from_first)
        return zero

    def stroke_m(self, wheel_m: Floats | float) -> Floats:
        """Return the stroke at wheel travels, any shape."""
        x, r = np.array(self.wheel_m), np.array(self.ratio)
        return self._raw(wheel_m, x, r, self.strokes_at_points())

    @staticmethod
    def _raw(wheel_m: Floats | float, x: Floats, r: Floats, strokes: Floats) -> Floats:
        wheel = np.asarray(wheel_m, dtype=np.float64)
        inside = np.clip(wheel, x[0], x[-1])
        base = np.clip(np.searchsorted(x, inside, side="right") - 1, 0, len(x) - 1)
        ahead = inside - x[base]
        stroke: Floats = (
            strokes[base]
            + ahead * (r[base] + np.interp(inside, x, r)) / 2.0
            + np.where(wheel < x[0], r[0], r[-1]) * (wheel - inside)
        )
        return stroke


@dataclass(frozen=True, slots=True)
class Axle:
    """What the two wheels of an axle share.

    Attributes:
        track_m: between the wheels.
        wheel_mass_kg: unsprung mass of one wheel.
        wheel_height_m: height of its centre of gravity.
        roll_centre_m: height of the roll centre.
        spring_n_per_m: rate of one spring.
        bar_n_per_m: force at each wheel for a metre of difference between left and right wheel travel.
        motion_ratio: of the damper.
        tyre_n_per_m: vertical stiffness of one tyre.
        tyre_damping_n_s_per_m: its vertical damping.
        friction_n: of the joints, at the wheel.
        anti_brake: share of the load transfer that goes past the springs in braking: anti-dive at the front,
            anti-lift at the rear.
        anti_drive: the same in driving: anti-squat at the rear.
        bump_stop: in compression, or None.
        droop_stop: in rebound, or None.
        spring_ratio: motion ratio of the spring where it is not on the damper, else None.

    """

    track_m: float
    wheel_mass_kg: float
    wheel_height_m: float
    roll_centre_m: float
    spring_n_per_m: float
    bar_n_per_m: float
    motion_ratio: Ratio
    tyre_n_per_m: float
    tyre_damping_n_s_per_m: float = 0.0
    friction_n: float = 0.0
    anti_brake: float = 0.0
    anti_drive: float = 0.0
    bump_stop: Stop | None = None
    droop_stop: Stop | None = None
    spring_ratio: Ratio | None = None

    @property
    def unsprung_mass_kg(self) -> float:
        """Both wheels."""
        return 2.0 * self.wheel_mass_kg

    @property
    def ratio_of_spring(self) -> Ratio:
        """The spring's own motion ratio, or the damper's."""
        return self.spring_ratio or self.motion_ratio

    def wheel_rate_n_per_m(self) -> float:
        """Return MR^2 k at ride height, without what a changing motion ratio adds under load."""
        return float(self.ratio_of_spring.at(0.0)) ** 2 * self.spring_n_per_m

    def roll_stiffness_n_m_per_rad(self) -> float:
        """Return the moment per radian of body roll against the axle, springs and bar."""
        return (self.wheel_rate_n_per_m() / 2.0 + self.bar_n_per_m) * self.track_m**2


@dataclass(frozen=True, slots=True)
class Aero:
    """Areas times coefficients; downforce is taken at the axles and has the drag's moment in it, as wind tunnels give it [C]."""

    downforce_front_m2: float = 0.0
    downforce_rear_m2: float = 0.0
    drag_m2: float = 0.0
    air_density_kg_m3: float = AIR_DENSITY_KG_M3


@dataclass(frozen=True, slots=True)
class Car:
    """A car's data.

    Attributes:
        name: of the car.
        mass_kg: all of it, driver and fuel in.
        front_share: of the mass on the front axle.
        wheelbase_m: between the axles.
        height_m: of the whole car's centre of gravity.
        roll_inertia_kg_m2: of the body without wheels, about its own centre of gravity.
        pitch_inertia_kg_m2: the same.
        front: front axle.
        rear: rear axle.
        aero: downforce and drag.

    """

    name: str
    mass_kg: float
    front_share: float
    wheelbase_m: float
    height_m: float
    roll_inertia_kg_m2: float
    pitch_inertia_kg_m2: float
    front: Axle
    rear: Axle
    aero: Aero = Aero()

    @property
    def axles(self) -> tuple[Axle, Axle]:
        """Front and rear."""
        return self.front, self.rear

    @property
    def sprung_mass_kg(self) -> float:
        """The body."""
        return self.mass_kg - self.front.unsprung_mass_kg - self.rear.unsprung_mass_kg

    @property
    def axle_sprung_kg(self) -> tuple[float, float]:
        """The body's mass over each axle."""
        front = self.mass_kg * self.front_share - self.front.unsprung_mass_kg
        return front, self.sprung_mass_kg - front

    @property
    def to_axle_m(self) -> tuple[float, float]:
        """Distance from the body's centre of gravity to each axle."""
        front, rear = self.axle_sprung_kg
        return self.wheelbase_m * rear / self.sprung_mass_kg, self.wheelbase_m * front / self.sprung_mass_kg

    @property
    def sprung_height_m(self) -> float:
        """Height of the body's centre of gravity."""
        wheels = sum(axle.unsprung_mass_kg * axle.wheel_height_m for axle in self.axles)
        return (self.mass_kg * self.height_m - wheels) / self.sprung_mass_kg

    @property
    def roll_arm_m(self) -> float:
        """Height of the body's centre of gravity above the roll axis."""
        below = sum(
            mass * axle.roll_centre_m for mass, axle in zip(self.axle_sprung_kg, self.axles, strict=True)
        )
        return self.sprung_height_m - below / self.sprung_mass_kg

    @property
    def corner_x_m(self) -> Floats:
        """Place of each wheel ahead of the body's centre of gravity, (4,)."""
        ahead, behind = self.to_axle_m
        return np.array([ahead, ahead, -behind, -behind])

    @property
    def corner_y_m(self) -> Floats:
        """Place of each wheel to the left, (4,)."""
        return np.array([sign * axle.track_m / 2.0 for axle in self.axles for sign in (1.0, -1.0)])

    @property
    def corner_sprung_n(self) -> Floats:
        """The body's weight on each corner at rest, (4,)."""
        return np.repeat(np.array(self.axle_sprung_kg) * GRAVITY_M_S2 / 2.0, 2)

    @property
    def corner_load_n(self) -> Floats:
        """Tyre load at rest, (4,)."""
        wheels = np.array([axle.wheel_mass_kg for axle in self.axles])
        return self.corner_sprung_n + np.repeat(wheels * GRAVITY_M_S2, 2)

    def each_wheel(self, values: Sequence[float]) -> Floats:
        """Repeat front and rear for the wheels, (4,)."""
        return np.repeat(np.asarray(values, dtype=np.float64), 2)


class RatioKey(Plain):
    """`motion_ratio`: a number, or `{ unit = "mm", wheel = [-60, 0, 60], ratio = [0.74, 0.78, 0.83] }`."""

    def parse(self, value: object) -> Ratio:
        """Read a constant or a curve."""
        low, high = RATIO_RANGE
        if not isinstance(value, dict):
            return Ratio.constant(_number(value, low, high))
        for key in value:
            if key not in ("unit", "wheel", "ratio"):
                raise ValueError(f"unknown key {key!r}; {nearest(key, ['unit', 'wheel', 'ratio'])}")
        for key in ("unit", "wheel", "ratio"):
            if key not in value:
                raise ValueError(
                    f'{key} is missing; write it as {{ unit = "mm", wheel = [-60, 0, 60], ratio = [0.74, 0.78, 0.83] }}'
                )
        scale = unit_factor(value["unit"], units.LENGTH) / 1000
        wheels, ratios = value["wheel"], value["ratio"]
        if not isinstance(wheels, list) or not isinstance(ratios, list) or len(wheels) != len(ratios):
            raise ValueError("wheel and ratio must be lists of the same length")
        least, most = RATIO_POINTS
        if not least <= len(wheels) <= most:
            raise ValueError(f"has {len(wheels)} points; a curve has {least} to {most}")
        travels = [_number(wheel, -1e4, 1e4) * float(scale) for wheel in wheels]
        for i in range(1, len(travels)):
            if travels[i] <= travels[i - 1]:
                raise ValueError(f"is not rising: point {i + 1} is {wheels[i]} after {wheels[i - 1]}")
        return Ratio(tuple(travels), tuple(_number(ratio, low, high) for ratio in ratios))


def _number(value: object, low: float, high: float) -> float:
    if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
        raise ValueError(f"{value!r} is not a number; one from {low:g} to {high:g} is wanted")
    if not low <= value <= high:
        raise ValueError(f"{value} is outside {low:g} to {high:g}")
    return float(value)


@dataclass(frozen=True, slots=True)
class Bar:
    """An anti-roll bar as it was written: at the wheels, or as a moment of the axle."""

    at_wheel_n_per_m: float | None = None
    roll_n_m_per_rad: float | None = None

    def wheel_n_per_m(self, track_m: float) -> float:
        """Return the force at each wheel for a metre of difference; F t = K phi with phi = difference / t."""
        if self.at_wheel_n_per_m is not None:
            return self.at_wheel_n_per_m
        assert self.roll_n_m_per_rad is not None
        return self.roll_n_m_per_rad / track_m**2


class BarKey(Plain):
    """`bar`: "8 N/mm" at the wheels, or "300 N m/deg" of the axle."""

    def parse(self, value: object) -> Bar:
        """Read it in whichever unit it has."""
        text = value.strip() if isinstance(value, str) else ""
        if any(text.endswith(unit) for unit in units.ROLL_STIFFNESS.factors):
            bar = Bar(roll_n_m_per_rad=float(parse(value, units.ROLL_STIFFNESS)))
        else:
            try:
                bar = Bar(at_wheel_n_per_m=float(parse(value, units.STIFFNESS)))
            except ValueError as error:
                raise ValueError(f"{error}; or a roll stiffness: {units.ROLL_STIFFNESS.known}") from None
        if (bar.at_wheel_n_per_m or 0.0) < 0.0 or (bar.roll_n_m_per_rad or 0.0) < 0.0:
            raise ValueError(f"{value} is below the least, 0")
        return bar


class StopKey(Strict):
    """`bump_stop`, `droop_stop`."""

    gap: Annotated[Fraction, In(units.LENGTH, 0, 500)]
    stiffness: Annotated[Fraction, In(units.STIFFNESS, 1, 100_000_000)]
    progression: Annotated[Fraction, In(units.LENGTH, 1, 1000)] | None = None

    def stop(self) -> Stop:
        """Give the stop in SI units."""
        progression = math.inf if self.progression is None else float(self.progression / 1000)
        return Stop(float(self.gap / 1000), float(self.stiffness), progression)


class AxleKeys(Strict):
    """[front], [rear]."""

    track: Annotated[Fraction, In(units.LENGTH, 500, 4000)]
    wheel_mass: Annotated[Fraction, In(units.MASS, 1, 1000)]
    wheel_height: Annotated[Fraction, In(units.LENGTH, 0, 1000)]
    roll_centre: Annotated[Fraction, In(units.LENGTH, -500, 1000)]
    spring: Annotated[Fraction, In(units.STIFFNESS, 1000, 1_000_000)]
    bar: Annotated[Bar, BarKey()] = Bar(at_wheel_n_per_m=0.0)
    motion_ratio: Annotated[Ratio, RatioKey()]
    spring_ratio: Annotated[Ratio, RatioKey()] | None = None
    tyre: Annotated[Fraction, In(units.STIFFNESS, 10_000, 2_000_000)]
    tyre_damping: Annotated[Fraction, In(units.DAMPING, 0, 5000)] = Fraction(0)
    friction: Annotated[Fraction, In(units.FORCE, 0, 2000)] = Fraction(0)
    anti_brake: Annotated[Fraction, In(SHARE, -1000, 1500)] = Fraction(0)
    anti_drive: Annotated[Fraction, In(SHARE, -1000, 1500)] = Fraction(0)
    bump_stop: StopKey | None = None
    droop_stop: StopKey | None = None

    def axle(self) -> Axle:
        """Give the axle in SI units."""
        track_m = float(self.track / 1000)
        return Axle(
            track_m=track_m,
            wheel_mass_kg=float(self.wheel_mass),
            wheel_height_m=float(self.wheel_height / 1000),
            roll_centre_m=float(self.roll_centre / 1000),
            spring_n_per_m=float(self.spring),
            bar_n_per_m=self.bar.wheel_n_per_m(track_m),
            motion_ratio=self.motion_ratio,
            tyre_n_per_m=float(self.tyre),
            tyre_damping_n_s_per_m=float(self.tyre_damping),
            friction_n=float(self.friction),
            anti_brake=float(self.anti_brake / 1000),
            anti_drive=float(self.anti_drive / 1000),
            bump_stop=self.bump_stop.stop() if self.bump_stop else None,
            droop_stop=self.droop_stop.stop() if self.droop_stop else None,
            spring_ratio=self.spring_ratio,
        )


class AeroKeys(Strict):
    """[aero]."""

    downforce_front: Annotated[Fraction, In(units.AREA, -5, 20)] = Fraction(0)
    downforce_rear: Annotated[Fraction, In(units.AREA, -5, 20)] = Fraction(0)
    drag: Annotated[Fraction, In(units.AREA, 0, 20)] = Fraction(0)
    air_density: Annotated[Fraction, In(units.DENSITY, 0, 3)] = Fraction(12, 10)


class CarFile(Strict):
    """CAR.toml."""

    name: str
    notes: str = ""
    mass: Annotated[Fraction, In(units.MASS, 100, 50_000)]
    front_share: Annotated[Fraction, In(SHARE, 200, 800)] | None = None
    to_front_axle: Annotated[Fraction, In(units.LENGTH, 100, 10_000)] | None = None
    wheelbase: Annotated[Fraction, In(units.LENGTH, 1000, 10_000)]
    height: Annotated[Fraction, In(units.LENGTH, 100, 3000)]
    roll_inertia: Annotated[Fraction, In(units.INERTIA, 10, 1_000_000)]
    pitch_inertia: Annotated[Fraction, In(units.INERTIA, 10, 1_000_000)]
    aero: AeroKeys = Field(default_factory=AeroKeys)
    front: AxleKeys
    rear: AxleKeys


def _stand_in() -> dict[str, Any]:
    axle = {
        "track": "1.5 m", "wheel_mass": "38 kg", "wheel_height": "0.3 m", "roll_centre": "50 mm",
        "spring": "50 N/mm", "motion_ratio": 1, "tyre": "220 N/mm", "bar": "0 N/mm",
    }  # fmt: skip
    return {
        "name": "car", "mass": "1250 kg", "wheelbase": "2.6 m", "height": "0.5 m", "roll_inertia": "560 kg m2",
        "pitch_inertia": "1750 kg m2", "front": axle, "rear": dict(axle),
    }  # fmt: skip


def load_car(path: Path) -> Car:
    """Read a car file.

    Args:
        path: CAR.toml.

    Raises:
        InputError: with every mistake, each with its line and key.

    """
    return read_car(Document.read(path))


def read_car(document: Document) -> Car:
    """Read a car from a parsed file.

    Raises:
        InputError: with every mistake.

    """
    file, findings, filled = completed(CarFile, document, _stand_in)
    refuse_all(findings, _doubtful(document, file), filled)
    wheelbase_m = float(file.wheelbase / 1000)
    if file.front_share is not None:
        front_share = float(file.front_share / 1000)
    else:
        assert file.to_front_axle is not None
        front_share = 1.0 - float(file.to_front_axle / 1000) / wheelbase_m
    return Car(
        name=file.name,
        mass_kg=float(file.mass),
        front_share=front_share,
        wheelbase_m=wheelbase_m,
        height_m=float(file.height / 1000),
        roll_inertia_kg_m2=float(file.roll_inertia),
        pitch_inertia_kg_m2=float(file.pitch_inertia),
        front=file.front.axle(),
        rear=file.rear.axle(),
        aero=Aero(
            float(file.aero.downforce_front),
            float(file.aero.downforce_rear),
            float(file.aero.drag),
            float(file.aero.air_density),
        ),
    )


def _doubtful(document: Document, file: CarFile) -> list[Finding]:
    """Find what is wrong between keys."""
    found = []
    if (file.front_share is None) == (file.to_front_axle is None):
        said = "is missing" if file.front_share is None else "is given beside to_front_axle"
        message = f"{said}; write one of front_share and to_front_axle"
        found.append(document.error("front_share", message, ("to_front_axle",)))
        return found
    if file.to_front_axle is not None and file.to_front_axle >= file.wheelbase:
        found.append(
            document.error("to_front_axle", "is not less than the wheelbase", ("wheelbase", "to_front_axle"))
        )
        return found
    share = (
        file.front_share / 1000
        if file.front_share is not None
        else 1 - (file.to_front_axle or Fraction(0)) / file.wheelbase
    )
    for name, axle, part in (("front", file.front, share), ("rear", file.rear, 1 - share)):
        on_axle = file.mass * part
        if 2 * axle.wheel_mass >= on_axle * Fraction(2, 3):
            message = (
                f"two wheels of {float(axle.wheel_mass):g} kg leave little of the {float(on_axle):.0f} kg on this axle; "
                "the mass of one wheel is wanted"
            )
            found.append(document.error(f"{name}.wheel_mass", message, ("mass", "front_share")))
        if axle.roll_centre >= file.height:
            message = "is above the centre of gravity; the roll centre's height over the road is wanted"
            found.append(document.error(f"{name}.roll_centre", message, ("height",)))
    return found


def demo_car() -> Car:
    """Return the Merlin T4, the demo's invented car [D]."""
    return load_car(Path(__file__).parent / "data" / "merlin_t4.toml")
