"""The truth beside a simulated log: where the car was and what its dampers did at each tick, as an Arrow file.

A column's unit and meaning stand in its field's metadata, as in a run folder; docs/simulate.md describes the file.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.plant import kernel
from dashpot.plant.drive import STEP_US
from dashpot.runs import ColumnInfo

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from dashpot.plant.world import World

FORMAT = 1
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
BATCH_ROWS = 1 << 16

#: Of the drive: column, name of its array, unit, doc.
_DRIVE = (
    ("distance_m", "m", "way of the body's centre of gravity from the start line, running on over laps"),
    ("lap_distance_m", "m", "the same within the lap"),
    ("lap_number", "", "1 for the first"),
    ("sector", "", "1 for the first"),
    ("speed_m_s", "m/s", "speed"),
    ("accel_long_m_s2", "m/s2", "acceleration forwards"),
    ("accel_lat_m_s2", "m/s2", "acceleration to the left"),
    ("yaw_rate_rad_s", "rad/s", "to the left"),
    ("steer_deg", "deg", "steering wheel, to the left"),
    ("friction", "", "of the road under the car against the dry road"),
    ("supply_v", "V", "at the controller's terminals, as the bus tells of it"),
)
#: Of the plant: column, place in its row, unit, doc; for the body, then for each corner.
_BODY = (
    ("heave_m", kernel.POSITION, "m", "height of the body's centre of gravity over rest"),
    ("roll_rad", kernel.POSITION + 1, "rad", "left side up"),
    ("pitch_rad", kernel.POSITION + 2, "rad", "nose down"),
    ("accel_vert_m_s2", kernel.ACCEL, "m/s2", "of the body's centre of gravity, up"),
)
_CORNER = (
    ("stroke_m", kernel.STROKE, "m", "of the damper from ride height, compression positive"),
    ("stroke_speed_m_s", kernel.STROKE_SPEED, "m/s", "its rate"),
    ("tyre_load_n", kernel.TYRE_LOAD, "N", "vertical load of the tyre"),
    ("valve_force_n", kernel.VALVE_FORCE, "N", "force of the valve at the damper"),
    ("damper_force_n", kernel.DAMPER_FORCE, "N", "valve, seals and gas together"),
    ("coil_current_a", kernel.COIL_CURRENT, "A", "current in the coil"),
    ("valve_current_a", kernel.VALVE_CURRENT, "A", "current that the valve's force has reached"),
)


def truth_columns(world: World, ticks: int) -> Iterator[tuple[ColumnInfo, NDArray[Any]]]:
    """Yield the columns of the first ticks of a world with their values, (ticks,) each."""
    drive = world.drive
    at_us = np.arange(ticks, dtype=np.int64) * world.period_us
    yield ColumnInfo("log_us", "int64", "us", "time of the tick on the log's own clock"), world.log_us + at_us
    yield ColumnInfo("time_s", "float64", "s", "time since the first tick"), at_us / 1e6
    grid_us = np.arange(len(drive.time_s)) * STEP_US

    def at_ticks(values: NDArray[Any]) -> NDArray[np.float32]:
        found: NDArray[np.float32] = np.interp(at_us, grid_us, values).astype(np.float32)
        return found

    for name, unit, doc in _DRIVE:
        values = getattr(drive, name)
        # Counts and the way within the lap jump: the newest value, not one in between.
        held = values[at_us // STEP_US].astype(np.float32)
        steps = name in {"lap_distance_m", "lap_number", "sector"}
        yield ColumnInfo(name, "float32", unit, doc), held if steps else at_ticks(values)
    for axle, values in zip(("front", "rear"), drive.brake_bar.T, strict=True):
        yield ColumnInfo(f"brake_bar.{axle}", "float32", "bar", "line pressure"), at_ticks(values)
    for corner, values in zip(CORNERS, drive.road_m.T, strict=True):
        doc = "height of the road under the wheel"
        yield ColumnInfo(f"road_m.{corner}", "float32", "m", doc), at_ticks(values)
    for name, place, unit, doc in _BODY:
        yield ColumnInfo(name, "float32", unit, doc), world.motion[:ticks, place]
    for name, place, unit, doc in _CORNER:
        for index, corner in enumerate(CORNERS):
            yield ColumnInfo(f"{name}.{corner}", "float32", unit, doc), world.motion[:ticks, place + index]


def write_truth(path: Path, world: World, ticks: int, about: Mapping[str, str]) -> None:
    """Write the truth of the first ticks; `about` goes into the schema's metadata."""
    import pyarrow as pa
    import pyarrow.ipc

    columns = list(truth_columns(world, ticks))
    schema = pa.schema(
        [
            pa.field(info.name, pa.type_for_alias(info.dtype), False, {"unit": info.unit, "doc": info.doc})
            for info, _ in columns
        ],
        {"dashpot.truth": str(FORMAT), **about},
    )
    options = pa.ipc.IpcWriteOptions(compression="lz4", use_threads=False)
    with pa.OSFile(str(path), "wb") as sink, pa.ipc.new_file(sink, schema, options=options) as writer:
        for start in range(0, ticks, BATCH_ROWS):
            rows = slice(start, min(start + BATCH_ROWS, ticks))
            # Not pa.array(): it imports pandas where that is installed.
            arrays = [
                pa.Array.from_buffers(
                    field.type, rows.stop - start, [None, pa.py_buffer(np.ascontiguousarray(values[rows]))]
                )
                for field, (_, values) in zip(schema, columns, strict=True)
            ]
            writer.write_batch(pa.record_batch(arrays, schema=schema))
