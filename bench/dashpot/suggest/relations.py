"""What must hold between the channels of any car: cross-checks, each with a slope that the log shows.

A relation has a slope of 1, a slope within a band that all cars lie in, or only a sign. `powers` says how a channel
that is wrong by a factor moves the slope: by factor ** power.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.model import CORNERS
from dashpot.suggest.lead import peak
from dashpot.suggest.robust import Scale, scale_between
from dashpot.suggest.series import spans
from dashpot.suggest.table import G_M_S2, ROW_HZ, SPEED_CHANGE

if TYPE_CHECKING:
    from dashpot.suggest.series import Bools, Floats

    Arrays = Mapping[str, Floats]

#: Rows from this speed on, m/s: slower, wheel sensors and yaw rate say little.
MOVING_M_S = 5.0
#: Rank correlation below which a pair does not follow one another.
FOLLOWS = 0.7
PARTLY = 0.3
LEAST_ROWS = 100
#: Between the 5th and 95th of a hundred: a channel that moves by less was not asked.
ASKED = {"g": 0.15, "deg/s": 4.0, "bar": 5.0, "deg": 10.0, "m/s": 4.0, "mm": 4.0}
#: Slopes of 1 are right within this.
ONE = (1 / 1.08, 1.08)
#: Wheel speeds: slip and a worn tyre.
WHEEL = (0.94, 1.06)
#: Front or only line pressure over deceleration, bar/g, road to race cars [C].
BRAKE_BAR_G = (20.0, 200.0)
#: Steering wheel angle over curvature, rad m: ratio 8 to 20, wheelbase 2 to 3.5 m, and understeer at speed [C].
STEER_RAD_M = (15.0, 250.0)
#: Track, m [C].
TRACK_M = (0.8, 2.5)
#: Left and right of an axle roll alike; front and rear roll by the same angle, at other tracks and motion ratios [C].
PARTNERS = (0.5, 2.0)
SAME_SIDE = (0.25, 4.0)
STEER_LAG_S = 0.4
#: Lag and understeer are found from each other, so often.
STEER_ROUNDS = 3
#: A turn is clear above this share of the drive's strongest.
CLEAR_TURN = 0.3

SIDES = {"front_left": 1.0, "front_right": -1.0, "rear_left": 1.0, "rear_right": -1.0}
ENDS = {"front_left": -1.0, "front_right": -1.0, "rear_left": 1.0, "rear_right": 1.0}


@dataclass(frozen=True, slots=True)
class Relation:
    """One cross-check on one log.

    Attributes:
        name: stable.
        says: what is compared, for people.
        powers: of the channels in it.
        band: of a good slope; None where only the sign counts (a good slope is above 0).
        signed: False where only the size counts.
        unit: of the slope.
        scale: what the log shows, None where it cannot be said; then `missing` says what is wanting, or `astray` that
            both moved and did not follow one another.

    """

    name: str
    says: str
    powers: Mapping[str, int]
    band: tuple[float, float] | None
    unit: str = ""
    signed: bool = True
    scale: Scale | None = None
    missing: str = ""
    astray: str = ""
    extra: Mapping[str, float] = field(default_factory=dict)

    @property
    def known(self) -> bool:
        """Whether the log says anything."""
        return self.scale is not None

    def good(self, slope: float) -> bool:
        """Whether a slope is that of a right car."""
        if self.band is None:
            return slope > 0.0
        size = abs(slope)
        return (slope > 0.0 or not self.signed) and self.band[0] <= size <= self.band[1]


def moving(arrays: Arrays) -> Bools:
    """Rows in which the car drives; all rows without a road speed."""
    speed = arrays.get("road_speed")
    if speed is None:
        return np.ones(len(arrays["time_s"]), bool)
    result: Bools = np.abs(speed) > MOVING_M_S
    return result


def relations(arrays: Arrays, units: Mapping[str, str]) -> list[Relation]:
    """Compare all channels of a table.

    Args:
        arrays: "time_s" and columns as `Table.arrays` gives them, zeros taken off where they are known.
        units: unit of each channel.

    """
    found = [_longitudinal(arrays, units), _lateral(arrays, units)]
    wheels = [_wheel(arrays, units, corner) for corner in CORNERS]
    found += [wheel for wheel in wheels if wheel is not None]
    found += [
        one
        for one in (_axle_yaw(arrays, units, axle, found) for axle in ("front", "rear"))
        if one is not None
    ]
    found += [_steer(arrays, units), _brake(arrays, units)]
    found += _strokes(arrays, units)
    return found


def _wanting(names: list[str], units: Mapping[str, str]) -> str:
    absent = [name for name in names if name not in units]
    return f"needs {' and '.join(absent)} in the vehicle file and in the log" if absent else ""


def _compare(
    relation: Callable[..., Relation],
    x: Floats,
    y: Floats,
    rows: Bools,
    asked: tuple[float, float],
    what: str,
) -> Relation:
    """Fit, and say what is wrong where nothing comes of it; `asked` are least spreads of x and y."""
    rows = rows & np.isfinite(x) & np.isfinite(y)
    count = int(np.count_nonzero(rows))
    if count < LEAST_ROWS:
        return relation(
            missing=f"needs {LEAST_ROWS / ROW_HZ:.0f} s of {what}; the log has {count / ROW_HZ:.1f} s"
        )
    scale = scale_between(x[rows], y[rows])
    if scale is not None and abs(scale.correlation) >= FOLLOWS and scale.slope:
        return relation(scale=scale)
    spread = [float(np.subtract(*np.quantile(one[rows], (0.95, 0.05)))) for one in (x, y)]
    if spread[0] < asked[0]:
        return relation(
            missing=f"needs more movement: {what}; the log's spread is {spread[0]:.3g}, {asked[0]:.3g} is needed"
        )
    said = "does not move" if spread[1] < asked[1] else "moves"
    correlation = 0.0 if scale is None else scale.correlation
    return relation(astray=f"{said} and does not follow it (correlation {correlation:.2f} over {count} rows)")


def _longitudinal(arrays: Arrays, units: Mapping[str, str]) -> Relation:
    def make(**more: object) -> Relation:
        return Relation(
            "longitudinal", "longitudinal acceleration against the change of road speed",
            {"longitudinal": 1, "road_speed": -1}, ONE, **more,  # type: ignore[arg-type]  # the three kinds of outcome
        )  # fmt: skip

    wanting = _wanting(["longitudinal", "road_speed"], units)
    if wanting:
        return make(missing=wanting)
    return _compare(
        make, arrays[SPEED_CHANGE], arrays["longitudinal"], moving(arrays), (ASKED["g"], 0.02),
        "driving with braking and acceleration",
    )  # fmt: skip


def _lateral(arrays: Arrays, units: Mapping[str, str]) -> Relation:
    def make(**more: object) -> Relation:
        return Relation(
            "lateral", "lateral acceleration against speed x yaw rate",
            {"lateral": 1, "road_speed": -1, "yaw_rate": -1}, ONE, **more,  # type: ignore[arg-type]  # as above
        )  # fmt: skip

    wanting = _wanting(["lateral", "road_speed", "yaw_rate"], units)
    if wanting:
        return make(missing=wanting)
    x = arrays["road_speed"] * np.radians(arrays["yaw_rate"]) / G_M_S2
    return _compare(make, x, arrays["lateral"], moving(arrays), (ASKED["g"], 0.02), "driving through turns")


def _wheel(arrays: Arrays, units: Mapping[str, str], corner: str) -> Relation | None:
    name = f"wheel_speed.{corner}"
    if name not in units:
        return None

    def make(**more: object) -> Relation:
        return Relation(
            name, f"{corner.replace('_', '-')} wheel against the road speed",
            {name: 1, "road_speed": -1}, WHEEL, **more,  # type: ignore[arg-type]  # as above
        )  # fmt: skip

    wanting = _wanting(["road_speed"], units)
    if wanting:
        return make(missing=wanting)
    return _compare(
        make,
        arrays["road_speed"],
        arrays[name],
        moving(arrays),
        (ASKED["m/s"], 0.5),
        "driving at different speeds",
    )


def _axle_yaw(arrays: Arrays, units: Mapping[str, str], axle: str, found: list[Relation]) -> Relation | None:
    names = [f"wheel_speed.{axle}_left", f"wheel_speed.{axle}_right"]
    if not set(names) <= units.keys():
        return None

    def make(**more: object) -> Relation:
        return Relation(
            f"wheels_yaw.{axle}", f"{axle} wheels, right less left, against yaw rate",
            {names[0]: 0, names[1]: 0, "yaw_rate": -1}, TRACK_M, "m", **more,  # type: ignore[arg-type]  # as above
        )  # fmt: skip

    wanting = _wanting(["yaw_rate", "road_speed"], units)
    ratios = {one.name: one for one in found if one.name in names}
    if wanting:
        return make(missing=wanting)
    if not all(one.scale is not None and one.good(one.scale.slope) for one in ratios.values()):
        return make(missing="is judged once both wheels follow the road speed")
    rows = moving(arrays)
    # Each wheel's own size is taken out: at 50 m/s one per mille of it is as much as a slight bend.
    sides = []
    for name in names:
        ratio = np.nanmedian(arrays[name][rows] / arrays["road_speed"][rows]) if rows.any() else 1.0
        sides.append(arrays[name] / (ratio or 1.0))
    return _compare(
        make, np.radians(arrays["yaw_rate"]), sides[1] - sides[0], rows, (math.radians(ASKED["deg/s"]), 0.1),
        "driving through turns",
    )  # fmt: skip


def _steer(arrays: Arrays, units: Mapping[str, str]) -> Relation:
    def make(**more: object) -> Relation:
        return Relation(
            "steer", "steering angle against curvature (yaw rate / speed)",
            {"steer_angle": 1, "road_speed": 1, "yaw_rate": -1}, STEER_RAD_M, "rad m", **more,  # type: ignore[arg-type]  # as above
        )  # fmt: skip

    wanting = _wanting(["steer_angle", "yaw_rate", "road_speed"], units)
    if wanting:
        return make(missing=wanting)
    rows = moving(arrays)
    time, speed = arrays["time_s"], np.where(rows, arrays["road_speed"], np.nan)
    curvature = np.radians(arrays["yaw_rate"]) / speed
    steer = np.radians(arrays["steer_angle"])
    lag, asked = 0.0, steer
    fit: dict[str, float] = {}
    for _ in range(STEER_ROUNDS):
        # The car answers late: the angle that belongs to this curvature was `lag` ago.
        lag = slow_lag(time, asked, curvature)
        earlier = np.interp(time - lag, time, steer)
        fit = understeer(speed, curvature, earlier)
        if not fit:
            break
        # How late is only seen on the curvature that the angle asks for at that speed, which takes the fit.
        over = fit["ratio_x_wheelbase_m"] + fit["ratio_x_understeer_s2_m"] * speed**2
        asked = steer / np.where(np.abs(over) > 1.0, over, np.nan)
    earlier = np.interp(time - lag, time, steer)
    made = _compare(make, curvature, earlier, rows, (0.002, math.radians(0.5)), "driving through turns")
    if made.scale is None:
        return made
    return make(scale=made.scale, extra={"lag_s": lag, **fit})


def slow_lag(time_s: Floats, cause: Floats, effect: Floats) -> float:
    """Lag of the effect over the whole table, up to STEER_LAG_S, where their correlation is greatest; 0 where it is not."""
    step = 1.0 / ROW_HZ
    curve = np.zeros(round(STEER_LAG_S * ROW_HZ) + 2)
    # One row ahead as well, for the parabola at a lag of nearly nothing.
    for place, rows in enumerate(range(-1, len(curve) - 1)):
        first, second = (cause, effect) if rows >= 0 else (effect, cause)
        count = len(cause) - abs(rows)
        x, y = first[:count], second[abs(rows) :]
        apart = time_s[abs(rows) :] - time_s[:count]
        good = np.isfinite(x) & np.isfinite(y) & (apart < (abs(rows) + 0.5) * step)
        if np.count_nonzero(good) >= LEAST_ROWS and np.ptp(x[good]) and np.ptp(y[good]):
            curve[place] = abs(float(np.corrcoef(x[good], y[good])[0, 1]))
    found = peak(curve, 1, ROW_HZ)
    return max(found.lag_s, 0.0) if found.inside else 0.0


def understeer(speed: Floats, curvature: Floats, steer_rad: Floats) -> dict[str, float]:
    """Fit steer / curvature = ratio x (wheelbase + understeer x v^2) by Theil-Sen over v^2, in clear turns."""
    from scipy import stats

    size = np.abs(curvature)
    good = np.isfinite(size) & np.isfinite(steer_rad)
    if np.count_nonzero(good) < LEAST_ROWS:
        return {}
    # Tight or fast: a slight bend gives no ratio, and a drive that is mostly straight is full of them.
    clear = np.zeros(len(size), bool)
    for measure in (size, size * speed**2):
        clear |= good & (measure > CLEAR_TURN * np.quantile(measure[good], 0.98))
    if np.count_nonzero(clear) < LEAST_ROWS // 2:
        return {}
    ratio, squared = steer_rad[clear] / curvature[clear], speed[clear] ** 2
    kept = np.unique(np.linspace(0, len(ratio) - 1, min(len(ratio), 700)).round().astype(np.intp))
    if np.ptp(squared[kept]) == 0.0:
        return {}
    fit = stats.theilslopes(ratio[kept], squared[kept])
    return {
        "ratio_x_wheelbase_m": float(fit.intercept),
        "ratio_x_understeer_s2_m": float(fit.slope),
        "slowest_m_s": float(np.abs(speed[clear]).min()),
        "fastest_m_s": float(np.abs(speed[clear]).max()),
    }


def braking(arrays: Arrays) -> Bools:
    """Rows in which the brake is on by more than a fifth of what it reaches, whatever its sign, zero and unit."""
    pressure = arrays["brake_pressure"]
    rows = moving(arrays) & np.isfinite(pressure)
    if not rows.any():
        return rows
    # Most of any drive is without the brake, so the median is that.
    off = np.abs(pressure - np.median(pressure[rows]))
    result: Bools = rows & (off > 0.2 * np.quantile(off[rows], 0.99))
    return result


def _brake(arrays: Arrays, units: Mapping[str, str]) -> Relation:
    witness = "longitudinal" if "longitudinal" in units else "road_speed"

    def make(**more: object) -> Relation:
        return Relation(
            "brake", "brake pressure against deceleration",
            {"brake_pressure": 1, witness: -1}, BRAKE_BAR_G, "bar/g", **more,  # type: ignore[arg-type]  # as above
        )  # fmt: skip

    wanting = _wanting(["brake_pressure", witness], units)
    if wanting:
        return make(missing=wanting)
    slowing = -arrays["longitudinal" if witness == "longitudinal" else SPEED_CHANGE]
    # Within brakings only: engine and drag slow the car without the brake.
    rows = braking(arrays) if len(slowing) else np.zeros(0, bool)
    return _compare(make, slowing, arrays["brake_pressure"], rows, (0.1, 0.5), "braking")


def _strokes(arrays: Arrays, units: Mapping[str, str]) -> list[Relation]:
    found = []
    for corner in CORNERS:
        if f"stroke.{corner}" in units:
            found += _stroke(arrays, units, corner)
    by_name = {one.name: one for one in found}
    for one, other, band in (
        ("front_left", "front_right", PARTNERS),
        ("rear_left", "rear_right", PARTNERS),
        ("front_left", "rear_left", SAME_SIDE),
        ("front_right", "rear_right", SAME_SIDE),
    ):
        first, second = (by_name.get(f"stroke.{corner}~lateral") for corner in (one, other))
        if first is not None and second is not None and first.scale is not None and second.scale is not None:
            found.append(_sizes(one, other, band, first.scale, second.scale))
    return found


def _sizes(one: str, other: str, band: tuple[float, float], first: Scale, second: Scale) -> Relation:
    """Two strokes' answers to the same lateral acceleration, by size: a unit that one of them has for itself."""
    slope = first.slope / second.slope
    correlation = min(abs(first.correlation), abs(second.correlation))
    return Relation(
        f"strokes.{one}.{other}",
        f"{one.replace('_', '-')} against {other.replace('_', '-')} stroke for the same lateral acceleration",
        {f"stroke.{one}": 1, f"stroke.{other}": -1},
        band,
        signed=False,
        scale=Scale(slope, slope, slope, 0.0, correlation, first.points),
    )


def _stroke(arrays: Arrays, units: Mapping[str, str], corner: str) -> list[Relation]:
    """A stroke's answers to both accelerations at once: braking in a turn would mix them up."""
    name, people = f"stroke.{corner}", corner.replace("_", "-")
    axes = [axis for axis in ("lateral", "longitudinal") if axis in units]
    signs = {"lateral": -SIDES[corner], "longitudinal": ENDS[corner]}
    says = {
        "lateral": f"{people} stroke against lateral acceleration (a turn to the left loads the right side)",
        "longitudinal": f"{people} stroke against longitudinal acceleration (braking loads the front)",
    }

    def make(axis: str, **more: object) -> Relation:
        return Relation(f"{name}~{axis}", says[axis], {name: 1, axis: 1}, None, "mm/g", **more)  # type: ignore[arg-type]  # as above

    absent = [
        make(axis, missing=_wanting([axis], units))
        for axis in ("lateral", "longitudinal")
        if axis not in axes
    ]
    rows = moving(arrays) & np.isfinite(arrays[name])
    for axis in axes:
        rows = rows & np.isfinite(arrays[axis])
    count = int(np.count_nonzero(rows))
    if not axes or count < LEAST_ROWS:
        said = f"needs {LEAST_ROWS / ROW_HZ:.0f} s of driving; the log has {count / ROW_HZ:.1f} s"
        return absent + [make(axis, missing=said) for axis in axes]
    matrix = np.column_stack([arrays[axis][rows] for axis in axes] + [np.ones(count)])
    fit, rest, kept = _trimmed(matrix, arrays[name][rows])
    made = []
    for index, axis in enumerate(axes):
        others = [place for place in range(len(axes) + 1) if place != index]
        own = (
            matrix[kept][:, index]
            - matrix[kept][:, others]
            @ np.linalg.lstsq(matrix[kept][:, others], matrix[kept][:, index], rcond=None)[0]
        )
        partial = float(np.corrcoef(own, own * fit[index] + rest[kept])[0, 1]) if np.ptp(own) else 0.0
        slope = float(fit[index]) * signs[axis]
        spread = float(np.subtract(*np.quantile(matrix[:, index], (0.95, 0.05))))
        if abs(partial) >= PARTLY:
            error = (
                float(np.std(rest[kept]) / (np.std(own) * math.sqrt(max(len(own) / ROW_HZ, 1.0))))
                if np.ptp(own)
                else math.inf
            )
            made.append(
                make(
                    axis,
                    scale=Scale(slope, slope - 2 * error, slope + 2 * error, float(fit[-1]), partial, count),
                )
            )
        elif spread < ASKED["g"]:
            made.append(
                make(axis, missing=f"needs turns and brakings; the acceleration's spread is {spread:.3g} g")
            )
        else:
            made.append(
                make(
                    axis,
                    missing=f"is not clear (partial correlation {partial:.2f}): the car hardly moves that way",
                )
            )
    return absent + made


def _trimmed(matrix: Floats, values: Floats) -> tuple[Floats, Floats, Bools]:
    """Least squares without what lies farther off than three deviations, three times over: a kerb is no roll.

    Returns:
        The fit, what is left of all values, and which of them were kept.

    """
    kept = np.ones(len(values), bool)
    for _ in range(3):
        tried = np.linalg.lstsq(matrix[kept], values[kept], rcond=None)[0]
        near = np.abs(values - matrix @ tried)
        kept = near <= 3.0 * max(1.4826 * float(np.median(near)), 1e-9)
    fit: Floats = np.linalg.lstsq(matrix[kept], values[kept], rcond=None)[0].astype(np.float64)
    return fit, values - matrix @ fit, kept


def roll_gradient(arrays: Arrays, axle: str) -> Scale | None:
    """Right less left stroke of an axle, mm, at 1 g to the left, in steady corners; None where it cannot be said."""
    names = [f"stroke.{axle}_left", f"stroke.{axle}_right", "lateral"]
    if not set(names) <= arrays.keys():
        return None
    left, right, lateral = (arrays[name] for name in names)
    rows = moving(arrays) & np.isfinite(left) & np.isfinite(right) & np.isfinite(lateral)
    found = scale_between(lateral[rows], (right - left)[rows])
    return found if found is not None and abs(found.correlation) >= FOLLOWS else None


def straight(arrays: Arrays, least_s: float) -> list[slice]:
    """Stretches of rows, each at least `least_s`, in which the car drives straight on."""
    rows = moving(arrays)
    for name, most in (("yaw_rate", 1.0), ("lateral", 0.06)):
        if name in arrays:
            rows = rows & (np.abs(arrays[name]) <= most)
    return spans(rows, max(1, round(least_s * ROW_HZ)))


def crossed(arrays: Arrays, units: Mapping[str, str]) -> bool:
    """Whether each acceleration follows what the other one should: the two stand for each other."""
    if not {"lateral", "longitudinal", "yaw_rate", "road_speed"} <= units.keys():
        return False
    rows = moving(arrays)
    turning = arrays["road_speed"] * np.radians(arrays["yaw_rate"])
    across = [
        scale_between(x[rows], arrays[name][rows])
        for x, name in ((arrays[SPEED_CHANGE], "lateral"), (turning, "longitudinal"))
    ]
    return all(one is not None and abs(one.correlation) >= FOLLOWS for one in across)
