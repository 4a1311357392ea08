"""TARGETS.toml: which damping is wanted where, and what of the car neither its file nor a dyno says."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

from dashpot.calibration import units
from dashpot.calibration.findings import Document, Finding
from dashpot.calibration.schema import In, Number, Plain, Series, Strict, completed, refuse_all
from dashpot.calibration.units import Family

_DEGREE = units.ANGLE.factors["rad"] / 10
UNDERSTEER = Family(
    "an understeer gradient",
    "rad/(m/s2)",
    {
        "rad/(m/s2)": Fraction(1),
        "deg/(m/s2)": 1 / _DEGREE,
        "deg/g": 1 / (_DEGREE * units.GRAVITY),
        "rad/g": 1 / units.GRAVITY,
    },
    "1.46 deg/g",
)
_RATIO = (Fraction(2, 100), Fraction(3, 2))


@dataclass(frozen=True, slots=True)
class Ratios(Plain):
    """A list of plain numbers between two bounds."""

    low: Fraction
    high: Fraction

    def parse(self, value: object) -> tuple[float, ...]:
        """Read and bound them."""
        if not isinstance(value, list):
            raise ValueError("should be a list of numbers, such as [0.3, 0.4, 0.5]")  # noqa: TRY004 - pydantic takes ValueError only
        made = []
        for i, number in enumerate(value, 1):
            if isinstance(number, bool) or not isinstance(number, int | Decimal):
                raise ValueError(f"point {i} is {number!r}; a number is wanted")  # noqa: TRY004 - pydantic takes ValueError only
            if not Decimal(number).is_finite() or not self.low <= number <= self.high:
                raise ValueError(
                    f"point {i} is {number}; {float(self.low):g} to {float(self.high):g} is wanted"
                )
            made.append(float(number))
        return tuple(made)


Ratio = Annotated[Fraction, Number(*_RATIO)]
Factor = Annotated[Fraction, Number(Fraction(1, 10), Fraction(3))]


class DampingKeys(Strict):
    """[damping]."""

    stroke_speed: Annotated[Fraction, In(units.STROKE_SPEED, 1, 500)]
    position: Annotated[tuple[int, ...], Series(units.POSITION, rising=True, low=0, high=15)]
    heave: Annotated[tuple[float, ...], Ratios(*_RATIO)]
    reference: int
    rear_to_front: Factor
    least: Ratio


class LoadKeys(Strict):
    """[under_load]."""

    acceleration: Annotated[Fraction, In(units.ACCELERATION, 100, 5000)]
    outer: Ratio
    inner: Ratio
    braking_front: Ratio
    braking_rear: Ratio
    driving_front: Ratio
    driving_rear: Ratio
    least_roll: Ratio
    least_pitch: Ratio
    lateral: Annotated[tuple[int, ...], Series(units.ACCELERATION, rising=True, low=-5000, high=5000)]
    longitudinal: Annotated[tuple[int, ...], Series(units.ACCELERATION, rising=True, low=-5000, high=5000)]


class BandKeys(Strict):
    """A factor for each band of stroke speed."""

    low: Factor
    medium: Factor
    high: Factor

    def each(self) -> tuple[float, float, float]:
        """Give low, medium, high."""
        return float(self.low), float(self.medium), float(self.high)


class RoughKeys(Strict):
    """Factors for the bands in which a rough road moves the wheels."""

    medium: Factor
    high: Factor


class StrokeSpeedKeys(Strict):
    """[stroke_speed]."""

    compression: BandKeys
    rebound: BandKeys
    rough_braking: RoughKeys


class RoadSpeedKeys(Strict):
    """[road_speed]."""

    speed: Annotated[tuple[int, ...], Series(units.SPEED, rising=True, low=0)]
    factor: Annotated[tuple[float, ...], Ratios(Fraction(1, 10), Fraction(3))]


class GripKeys(Strict):
    """[grip]."""

    dry: Annotated[Fraction, In(units.ACCELERATION, 300, 5000)]
    wet_factor: Factor


class StrokeEndKeys(Strict):
    """[stroke_end]."""

    wheel_speed: Annotated[Fraction, In(units.STROKE_SPEED, 100, 10_000)]


class BrakeKeys(Strict):
    """[brakes]."""

    pressure_at_1g: Annotated[Fraction, In(units.PRESSURE, 500, 30_000)]


class SteerKeys(Strict):
    """[steering]."""

    ratio: Annotated[Fraction, Number(Fraction(3), Fraction(40))]
    understeer: Annotated[Fraction, In(UNDERSTEER)]
    speed: Annotated[Fraction, In(units.SPEED, 500, 15_000)]


class TargetsFile(Strict):
    """TARGETS.toml."""

    name: str
    notes: str = ""
    damping: DampingKeys
    under_load: LoadKeys
    stroke_speed: StrokeSpeedKeys
    road_speed: RoadSpeedKeys
    grip: GripKeys
    stroke_end: StrokeEndKeys
    brakes: BrakeKeys | None = None
    steering: SteerKeys | None = None


@dataclass(frozen=True, slots=True)
class UnderLoad:
    """Damping ratios of a corner at `accel_m_s2`, with the load that it carries there."""

    accel_m_s2: float
    outer: float
    inner: float
    braking: tuple[float, float]
    driving: tuple[float, float]
    least_roll: float
    least_pitch: float
    lateral_mg: tuple[int, ...]
    longitudinal_mg: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Steering:
    """How the car answers its steering wheel: yaw rate v d / (ratio (L + understeer v^2))."""

    ratio: float
    understeer_rad_per_m_s2: float
    speed_m_s: float

    def yaw_per_rad(self, speed_m_s: float, wheelbase_m: float) -> float:
        """Return the yaw rate for a radian of the steering wheel, 1/s."""
        answer = wheelbase_m + self.understeer_rad_per_m_s2 * speed_m_s**2
        return speed_m_s / (self.ratio * answer)


@dataclass(frozen=True, slots=True)
class Targets:
    """What a calibration should reach.

    Attributes:
        name: of the targets.
        stroke_speed_m_s: peak stroke speed for which damping at rest and under load is meant.
        positions: of the driver's switch.
        heave: damping ratio of the body's heave at each.
        reference: place of the position that maps and trims count from.
        rear_to_front: damping ratio of a rear corner over that of a front one.
        least: damping ratio of heave that no layer may go below.
        under_load: damping ratios of corners under load.
        bands: factors on the damping ratio at rest, [compression, rebound][low, medium, high].
        rough: factors of medium and high stroke speed while braking on a rough road, both directions.
        speed_m_s: road speeds.
        speed_factor: factors there.
        dry_m_s2: acceleration in the plane on a dry track.
        wet_factor: on a wet one.
        end_speed_m_s: speed of a wheel that the last of the stroke is made for.
        brake_pa_per_m_s2: line pressure for a deceleration, None where it is not known.
        steering: None where it is not known.
        document: the file.

    """

    name: str
    stroke_speed_m_s: float
    positions: tuple[int, ...]
    heave: tuple[float, ...]
    reference: int
    rear_to_front: float
    least: float
    under_load: UnderLoad
    bands: tuple[tuple[float, float, float], tuple[float, float, float]]
    rough: tuple[float, float]
    speed_m_s: tuple[float, ...]
    speed_factor: tuple[float, ...]
    dry_m_s2: float
    wet_factor: float
    end_speed_m_s: float
    brake_pa_per_m_s2: float | None
    steering: Steering | None
    document: Document


def demo_targets_path() -> Path:
    """Return the file of the Merlin T4's targets."""
    return Path(__file__).parent / "data" / "merlin_t4_targets.toml"


def _stand_in() -> dict[str, Any]:
    return Document.read(demo_targets_path()).data


def load_targets(path: Path) -> Targets:
    """Read a file of targets.

    Raises:
        InputError: with every mistake.

    """
    return read_targets(Document.read(path))


def read_targets(document: Document) -> Targets:
    """Read targets from a parsed file.

    Raises:
        InputError: with every mistake.

    """
    file, findings, filled = completed(TargetsFile, document, _stand_in)
    refuse_all(findings, _between(document, file), filled)
    gravity = float(units.GRAVITY)
    damping, load, bands = file.damping, file.under_load, file.stroke_speed
    brakes, steering = file.brakes, file.steering
    return Targets(
        name=file.name,
        stroke_speed_m_s=float(damping.stroke_speed / 1000),
        positions=damping.position,
        heave=damping.heave,
        reference=damping.position.index(damping.reference),
        rear_to_front=float(damping.rear_to_front),
        least=float(damping.least),
        under_load=UnderLoad(
            float(load.acceleration / 1000) * gravity,
            float(load.outer),
            float(load.inner),
            (float(load.braking_front), float(load.braking_rear)),
            (float(load.driving_front), float(load.driving_rear)),
            float(load.least_roll),
            float(load.least_pitch),
            load.lateral,
            load.longitudinal,
        ),
        bands=(bands.compression.each(), bands.rebound.each()),
        rough=(float(bands.rough_braking.medium), float(bands.rough_braking.high)),
        speed_m_s=tuple(speed / 100 for speed in file.road_speed.speed),
        speed_factor=file.road_speed.factor,
        dry_m_s2=float(file.grip.dry / 1000) * gravity,
        wet_factor=float(file.grip.wet_factor),
        end_speed_m_s=float(file.stroke_end.wheel_speed / 1000),
        brake_pa_per_m_s2=None if brakes is None else float(brakes.pressure_at_1g) * 1000.0 / gravity,
        steering=None
        if steering is None
        else Steering(float(steering.ratio), float(steering.understeer), float(steering.speed / 100)),
        document=document,
    )


def _between(document: Document, file: TargetsFile) -> list[Finding]:
    """Find what is wrong between keys."""
    found = []
    damping, load, road = file.damping, file.under_load, file.road_speed
    if len(damping.heave) != len(damping.position):
        message = f"has {len(damping.heave)} ratios, but position has {len(damping.position)} points"
        found.append(document.error("damping.heave", message, ("damping.position",)))
    elif damping.least > min(damping.heave):
        found.append(
            document.error("damping.least", "is above the least heave", ("damping.heave", "damping.position"))
        )
    if damping.reference not in damping.position:
        message = f"{damping.reference} is none of the positions {list(damping.position)}"
        found.append(document.error("damping.reference", message, ("damping.position",)))
    if len(road.factor) != len(road.speed):
        message = f"has {len(road.factor)} points, but speed has {len(road.speed)}"
        found.append(document.error("road_speed.factor", message, ("road_speed.speed",)))
    if 0 not in load.lateral or any(
        a != -b for a, b in zip(load.lateral, reversed(load.lateral), strict=True)
    ):
        message = (
            "must be symmetric about 0 and have it, such as [-1, 0, 1]: right corners mirror the left ones"
        )
        found.append(document.error("under_load.lateral", message))
    if 0 not in load.longitudinal:
        message = "has no 0, the row of the damping at rest"
        found.append(document.error("under_load.longitudinal", message))
    return found
