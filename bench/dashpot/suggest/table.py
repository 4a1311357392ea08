"""All channels side by side at ten rows a second, slow movements only: what cross-checks are made on.

Each channel is brought on one grid, smoothed without delay and thinned out; more than MOST_ROWS rows are thinned
further, evenly over the log, so that any length fits.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashpot.calibration.units import GRAVITY
from dashpot.suggest.series import on_grid, slope, smoothed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.suggest.gather import Piece
    from dashpot.suggest.series import Floats

GRID_HZ = 50.0
ROW_HZ = 10.0
SMOOTH_HZ = 2.0
MOST_ROWS = 100_000
SPEED_CHANGE = "speed_change"
G_M_S2 = float(GRAVITY)


class Table:
    """Rows of all channels.

    Attributes:
        columns: the channels' names, and "speed_change", the derivative of the road speed in g, where there is one.
        every: one of so many rows was kept.

    """

    def __init__(self, channels: Sequence[str]) -> None:
        self.columns = [*channels, *([SPEED_CHANGE] if "road_speed" in channels else [])]
        self.every = 1
        self._parts: list[Floats] = []
        self._rows = 0

    def add(self, piece: Piece) -> None:
        """Take in a piece."""
        times = [trace.time_s for trace in piece.traces.values() if len(trace.time_s)]
        if not times:
            return
        first = max(min(float(time[0]) for time in times), piece.start_s - 4.0)
        last = min(max(float(time[-1]) for time in times), piece.end_s + 4.0)
        # Rows fall on whole tenths of a second of the log, whatever the pieces.
        start = int(np.ceil(first * GRID_HZ))
        grid = np.arange(start, int(np.floor(last * GRID_HZ)) + 1) / GRID_HZ
        stride = round(GRID_HZ / ROW_HZ)
        rows = np.flatnonzero(
            (grid >= piece.start_s)
            & (grid < piece.end_s)
            & (np.arange(start, start + len(grid)) % stride == 0)
        )
        if not len(rows):
            return
        made = np.full((len(rows), 1 + len(self.columns)), np.nan)
        made[:, 0] = grid[rows]
        for column, name in enumerate(self.columns, 1):
            trace = piece.traces.get("road_speed" if name == SPEED_CHANGE else name)
            if trace is None:
                continue
            value = on_grid(trace, grid)
            if name == SPEED_CHANGE:
                value = slope(value, GRID_HZ) / G_M_S2
            made[:, column] = smoothed(value, GRID_HZ, SMOOTH_HZ)[rows]
        self._keep(made)

    def _keep(self, made: Floats) -> None:
        kept = made[np.rint(made[:, 0] * ROW_HZ).astype(np.int64) % self.every == 0]
        self._parts.append(kept)
        self._rows += len(kept)
        while self._rows > MOST_ROWS:
            self.every *= 2
            whole = np.concatenate(self._parts)
            self._parts = [whole[np.rint(whole[:, 0] * ROW_HZ).astype(np.int64) % self.every == 0]]
            self._rows = len(self._parts[0])

    def arrays(self) -> dict[str, Floats]:
        """Return "time_s" and each column, float64[rows]."""
        whole = np.concatenate(self._parts) if self._parts else np.zeros((0, 1 + len(self.columns)))
        return {name: whole[:, index] for index, name in enumerate(["time_s", *self.columns])}
