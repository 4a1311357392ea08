"""How near the controller's cross-checks come to their limits on a log without faults."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.model import CORNERS
from dashpot.suggest.series import on_grid, slope, smoothed
from dashpot.suggest.table import G_M_S2
from dashpot.suggest.timing import rolling_floor

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashpot.calibration.model import Calibration
    from dashpot.suggest.gather import Piece
    from dashpot.suggest.series import Floats, Trace

GRID_HZ = 100.0
#: The road speed's own steps, far below what moves a car.
SPEED_SMOOTH_HZ = 5.0
#: A limit below this many times what a clean log sustains would trip one day [D].
LEAST_MARGIN = 1.25


@dataclass(slots=True)
class Margin:
    """One check: the limit of the calibration, and the most that the log keeps up for the check's trip time."""

    name: str
    unit: str
    limit: float
    trip_s: float
    sustained: float = 0.0
    most: float = 0.0
    seconds: float = 0.0

    @property
    def short(self) -> bool:
        """Whether the limit is too near."""
        return self.seconds >= 10.0 and self.sustained * LEAST_MARGIN > self.limit


@dataclass(slots=True)
class Margins:
    """All checks whose channels are there."""

    calibration: Calibration
    rows: dict[str, Margin] = field(default_factory=dict)

    def add(self, piece: Piece) -> None:
        """Take in a piece."""
        grid = (
            np.arange(round((piece.start_s - 1.0) * GRID_HZ), round((piece.end_s + 1.0) * GRID_HZ)) / GRID_HZ
        )
        at = {name: on_grid(trace, grid) for name, trace in piece.traces.items() if len(trace.time_s) > 1}
        own = (grid >= piece.start_s) & (grid < piece.end_s)
        speed = at.get("road_speed")
        if speed is None:
            return
        checks = self.calibration.checks
        from_m_s = float(checks.from_speed) / 100.0
        driving = speed >= from_m_s
        for name, unit, factor, residual in self._residuals(at, speed):
            check = getattr(checks, name)
            row = self.rows.setdefault(
                name, Margin(name, unit, float(check.limit) * factor, float(check.trip) * 1e-6)
            )
            here = np.where(driving & own, np.abs(residual), np.nan)
            known = np.isfinite(here)
            if known.any():
                row.seconds += np.count_nonzero(known) / GRID_HZ
                row.most = max(row.most, float(np.nanmax(here)))
                row.sustained = max(row.sustained, rolling_floor(here, max(1, round(row.trip_s * GRID_HZ))))

    def _residuals(self, at: Mapping[str, Floats], speed: Floats) -> list[tuple[str, str, float, Floats]]:
        """Name, unit, factor from words and what the check compares with its limit."""
        found = []
        lateral, yaw = at.get("lateral"), at.get("yaw_rate")
        if lateral is not None and yaw is not None:
            found.append(("lateral", "g", 1e-3, lateral - speed * np.radians(yaw) / G_M_S2))
        if "longitudinal" in at:
            change = slope(smoothed(speed, GRID_HZ, SPEED_SMOOTH_HZ), GRID_HZ) / G_M_S2
            found.append(("longitudinal", "g", 1e-3, at["longitudinal"] - change))
        wheels = [at[f"wheel_speed.{corner}"] for corner in CORNERS if f"wheel_speed.{corner}" in at]
        if len(wheels) == len(CORNERS):
            middle = np.sort(np.array(wheels), axis=0)[1:3].mean(axis=0)
            found.append(("speed", "km/h", 0.036, (speed - middle) * 3.6))
        if lateral is not None and "steer_angle" in at:
            curve = self.calibration.checks.steer.yaw_gain
            gain = np.interp(speed, np.array(curve.x) / 100.0, np.array(curve.y) / 100.0)
            steered = speed * np.radians(at["steer_angle"] / 100.0 * gain) / G_M_S2
            found.append(("steer", "g", 1e-3, lateral - steered))
        return found


def yaw_gain_deg_s(speed_m_s: Floats, fit: Mapping[str, float]) -> Floats:
    """Return the yaw rate that 100 degrees of steering wheel give at each speed, by a fit of `relations.understeer`."""
    over = fit["ratio_x_wheelbase_m"] + fit["ratio_x_understeer_s2_m"] * speed_m_s**2
    result: Floats = speed_m_s * 100.0 / over
    return result


def derivative(trace: Trace) -> tuple[Floats, Floats]:
    """Times and the change of a speed in g, smoothed without delay."""
    grid = np.arange(np.ceil(trace.time_s[0] * GRID_HZ), np.floor(trace.time_s[-1] * GRID_HZ) + 1) / GRID_HZ
    return grid, slope(on_grid(trace, grid), GRID_HZ) / G_M_S2
