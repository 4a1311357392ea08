"""Zeros: what each channel reads where it should read nothing, with where that was seen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from dashpot.suggest.relations import moving, straight
from dashpot.suggest.series import spans
from dashpot.suggest.still import Rest, Standing, interval
from dashpot.suggest.table import ROW_HZ, SPEED_CHANGE

if TYPE_CHECKING:
    from dashpot.suggest.series import Floats

    Arrays = Mapping[str, Floats]

#: An offset up to this is no matter (road camber, a tilted pit, how the driver sits), in the channel's unit [D].
TOLERANCE = {"g": 0.02, "deg/s": 0.3, "bar": 0.5, "deg": 1.5, "m/s": 0.15, "mm": 1.0}
#: Above this noise (rms) a mean says nothing [D]: an engine that shakes, a car that is being worked on.
NOISE_LIMIT = {"g": 0.1, "deg/s": 1.0, "bar": 1.0, "deg": 2.0, "m/s": 0.1, "mm": 0.5}
#: Channels whose zero shows in driving only.
DRIVING = ("brake_pressure", "steer_angle")
#: Straight driving: so long at a time, so long in all.
STRAIGHT_S = 1.0
STRAIGHT_ALL_S = 3.0
#: The throttle is open: nobody brakes then.
PUSHING_G = 0.05


@dataclass(frozen=True, slots=True)
class Zero:
    """What a channel reads at its zero.

    Attributes:
        channel, unit: which, and the unit of all figures.
        where: "standing", "straight driving" or "driving without brake".
        rest: the figures, None where there is nothing to judge; then `missing` says what is wanting.
        noisy: whether the noise is above the limit, so that nothing is concluded.

    """

    channel: str
    unit: str
    where: str
    rest: Rest | None = None
    missing: str = ""
    noisy: bool = False

    @property
    def off(self) -> bool:
        """Whether it is surely beyond the tolerance."""
        if self.rest is None or self.noisy:
            return False
        return abs(self.rest.mean) - self.rest.half_width > TOLERANCE[self.unit]


def standing_zeros(units: Mapping[str, str], grains: Mapping[str, float], standing: Standing) -> list[Zero]:
    """Judge the channels that should read 0 in a standing car.

    Args:
        units: unit of each channel that the log has.
        grains: resolution of each.
        standing: sections of rest.

    """
    found = []
    for name, unit in units.items():
        if name in DRIVING:
            continue
        rest = standing.rest(name, grains[name])
        if rest is None:
            found.append(
                Zero(name, unit, "standing", missing="needs a section of 1.5 s in which the car stands")
            )
        else:
            found.append(Zero(name, unit, "standing", rest, noisy=rest.noise_rms > NOISE_LIMIT[unit]))
    return found


def driving_zeros(units: Mapping[str, str], arrays: Arrays) -> list[Zero]:
    """Judge brake pressure and steering: a driver who waits has the foot on the brake, and the wheel turned anywhere.

    Args:
        units: unit of each channel that the log has.
        arrays: the slow table with the zeros of the other channels taken off.

    """
    found = []
    if "brake_pressure" in units:
        found.append(
            _from_rows(
                "brake_pressure",
                units,
                "driving without brake",
                _pushing(arrays),
                arrays,
                "driving with an open throttle",
            )
        )
    if "steer_angle" in units:
        rows = straight(arrays, STRAIGHT_S) if {"yaw_rate", "lateral"} & units.keys() else []
        what = f"straight driving, {STRAIGHT_S:g} s at a time"
        found.append(_from_rows("steer_angle", units, "straight driving", rows, arrays, what))
    return found


def _pushing(arrays: Arrays) -> list[slice]:
    witness = arrays.get(SPEED_CHANGE, arrays.get("longitudinal"))
    if witness is None:
        return []
    return spans(moving(arrays) & (witness > PUSHING_G), round(ROW_HZ / 2))


def _from_rows(
    name: str, units: Mapping[str, str], where: str, runs: list[slice], arrays: Arrays, what: str
) -> Zero:
    value, unit = arrays[name], units[name]
    parts = [value[run][np.isfinite(value[run])] for run in runs]
    parts = [part for part in parts if len(part)]
    seconds = sum(map(len, parts)) / ROW_HZ
    if seconds < STRAIGHT_ALL_S:
        return Zero(
            name, unit, where, missing=f"needs {STRAIGHT_ALL_S:g} s of {what}; the log has {seconds:.1f} s"
        )
    # Seconds are pieces: rows of the slow table hang together for half of one.
    size = round(ROW_HZ)
    pieces = np.array([part[at : at + size].mean() for part in parts for at in range(0, len(part), size)])
    # The same for the noise: the spread of the middle half, not of the moments in which something happens.
    noise = 1.4826 * float(np.median(np.abs(np.concatenate([part - np.median(part) for part in parts]))))
    # The median: a piece in which the driver corrects, or still lifts off the brake, is no zero.
    middle = float(np.median(pieces))
    near = pieces[
        np.abs(pieces - middle) <= 3.0 * max(1.4826 * float(np.median(np.abs(pieces - middle))), 1e-9)
    ]
    # The median of normal pieces is 1.2533 times as uncertain as their mean [X: sqrt(pi / 2)].
    half = 1.2533 * interval(near if len(near) >= 2 else pieces)
    return Zero(
        name, unit, where, Rest(middle, half, noise, len(parts), seconds), noisy=noise > NOISE_LIMIT[unit]
    )
