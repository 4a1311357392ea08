"""A small car of known zeros, scales and lags, its log written by cantools and python-can, and its files."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import can
import cantools
import numpy as np
from scipy.interpolate import PchipInterpolator

FOLDER = tempfile.TemporaryDirectory(prefix="dashpot-suggest-")
G = 9.80665
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
ROLL_MM_G, PITCH_MM_G = 20.0, 12.0
RATIO, WHEELBASE_M, UNDERSTEER = 14.0, 2.6, 0.002
HALF_TRACK_M = 0.76
BAR_PER_G = 60.0
BRAKE_LEAD_S, STEER_LAG_S = 0.040, 0.090
STOP_S = 6.0

DBC = """VERSION ""
BS_:
BU_: X
BO_ 256 BODY: 8 X
 SG_ Lat : 0|16@1- (0.001,0) [-32|32] "m/s2" X
 SG_ Long : 16|16@1- (0.001,0) [-32|32] "m/s2" X
 SG_ Yaw : 32|16@1- (0.01,0) [-300|300] "deg/s" X
 SG_ Speed : 48|16@1+ (0.01,0) [0|400] "km/h" X
BO_ 257 STROKES: 8 X
 SG_ FL : 7|16@0+ (0.01,0) [0|160] "mm" X
 SG_ FR : 23|16@0+ (0.01,0) [0|160] "mm" X
 SG_ RL : 39|16@0+ (0.01,0) [0|160] "mm" X
 SG_ RR : 55|16@0+ (0.01,0) [0|160] "mm" X
BO_ 258 WHEELS: 8 X
 SG_ WFL : 0|16@1+ (0.01,0) [0|400] "km/h" X
 SG_ WFR : 16|16@1+ (0.01,0) [0|400] "km/h" X
 SG_ WRL : 32|16@1+ (0.01,0) [0|400] "km/h" X
 SG_ WRR : 48|16@1+ (0.01,0) [0|400] "km/h" X
BO_ 259 DRIVER: 4 X
 SG_ Brake : 0|16@1- (0.01,0) [-20|250] "bar" X
 SG_ Steer : 16|16@1- (0.1,0) [-720|720] "deg" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 257 5;
BA_ "GenMsgCycleTime" BO_ 258 20;
BA_ "GenMsgCycleTime" BO_ 259 10;
"""
MESSAGES = {
    "BODY": (10, ("Lat", "Long", "Yaw", "Speed")),
    "STROKES": (5, ("FL", "FR", "RL", "RR")),
    "WHEELS": (20, ("WFL", "WFR", "WRL", "WRR")),
    "DRIVER": (10, ("Brake", "Steer")),
}
NOISE = {
    "Lat": 0.05,
    "Long": 0.05,
    "Yaw": 0.05,
    "Brake": 0.1,
    "Steer": 0.05,
    "FL": 0.02,
    "FR": 0.02,
    "RL": 0.02,
    "RR": 0.02,
}
SIGNALS = {
    "lateral": "BODY.Lat", "longitudinal": "BODY.Long", "yaw_rate": "BODY.Yaw", "road_speed": "BODY.Speed",
    "brake_pressure": "DRIVER.Brake", "steer_angle": "DRIVER.Steer",
    **{f"stroke.{c}": f"STROKES.{s}" for c, s in zip(CORNERS, ("FL", "FR", "RL", "RR"), strict=True)},
    **{f"wheel_speed.{c}": f"WHEELS.{s}" for c, s in zip(CORNERS, ("WFL", "WFR", "WRL", "WRR"), strict=True)},
}  # fmt: skip
WITHOUT = {
    "lateral": "0 g", "longitudinal": "0 g", "yaw_rate": "0 deg/s", "road_speed": "100 km/h", "brake_pressure": "0 bar",
    "steer_angle": "0 deg", **{f"stroke.{c}": "0 mm" for c in CORNERS}, **{f"wheel_speed.{c}": "0 km/h" for c in CORNERS},
}  # fmt: skip
RIDE_MM = 80.0


@dataclass(frozen=True)
class Car:
    """What is not as the files say: offsets of the signals, in their units."""

    offsets: tuple[tuple[str, float], ...] = ()
    seed: int = 1
    length_s: float = 80.0
    #: (signal, from s, to s): the sensor keeps its value.
    stuck: tuple[str, float, float] = ("", 0.0, 0.0)
    #: (message, from s, to s): nothing is sent.
    away: tuple[str, float, float] = ("", 0.0, 0.0)
    drift_mm: float = 0.0


def truth(length_s: float) -> dict[str, np.ndarray]:
    """The drive, one row a millisecond: stands, drives, stands."""
    time = np.arange(round(length_s * 1000)) / 1000.0
    knots_s = np.array([0, STOP_S, 12, 17, 20, 26, 31, 34, 40, 45, 48, 54, 60, 63, 74]) * 1.0
    knots_v = np.array([0, 0, 28, 31, 12, 27, 32, 13, 29, 33, 12, 28, 31, 14, 0]) * 1.0
    # The last knot is where it stands again; a longer drive stands longer.
    speed = np.maximum(
        PchipInterpolator(np.append(knots_s, length_s + 10), np.append(knots_v, 0.0))(time), 0.0
    )
    along = np.gradient(speed, time) / G
    ahead = np.interp(time + BRAKE_LEAD_S, time, along)
    brake = BAR_PER_G * np.maximum(-ahead, 0.0)
    steer = np.zeros(len(time))
    for at, size in (
        (14, 25),
        (18.5, -45),
        (28, -28),
        (32.5, 50),
        (42, 22),
        (46.5, -48),
        (56.5, 30),
        (61.5, -40),
        (66, 30),
    ):
        inside = np.abs(time - at) < 1.0
        steer[inside] += size * 0.5 * (1.0 + np.cos(np.pi * (time[inside] - at)))
    late = np.interp(time - STEER_LAG_S, time, steer)
    yaw = speed * np.radians(late) / (RATIO * (WHEELBASE_M + UNDERSTEER * speed**2))
    lateral = speed * yaw / G
    made = {
        "Lat": lateral * G, "Long": along * G, "Yaw": np.degrees(yaw), "Speed": speed * 3.6, "Brake": brake, "Steer": steer,
    }  # fmt: skip
    for name, side, end in (("FL", 1, -1), ("FR", -1, -1), ("RL", 1, 1), ("RR", -1, 1)):
        made[name] = RIDE_MM - side * ROLL_MM_G * lateral + end * PITCH_MM_G * along
        made[f"W{name}"] = np.maximum(speed - side * HALF_TRACK_M * yaw, 0.0) * 3.6
    return made


@cache
def log(car: Car = Car()) -> Path:
    """Write the car's log; do not change the file."""
    values = truth(car.length_s)
    rng = np.random.default_rng(car.seed)
    moving = values["Speed"] > 1.0
    for name in ("FL", "FR", "RL", "RR"):
        road = np.convolve(rng.normal(0.0, 1.0, len(moving)), np.ones(40) / 40.0, "same")
        values[name] = values[name] + np.where(moving, 8.0 * road, 0.0)
        values[name] = values[name] + np.linspace(0.0, car.drift_mm, len(moving))
    for name, offset in car.offsets:
        values[name] = values[name] + offset
    database = cantools.database.load_string(DBC, database_format="dbc")
    frames = []
    for number, (message, (period_ms, signals)) in enumerate(MESSAGES.items()):
        at = np.arange(number + 1, len(moving), period_ms)
        columns = {}
        for name in signals:
            # The numbers of one signal do not hang on another's.
            noise = np.random.default_rng([car.seed, *name.encode()]).normal(
                0.0, NOISE.get(name, 0.0), len(at)
            )
            columns[name] = values[name][at] + noise
            if name == car.stuck[0]:
                held = (at >= car.stuck[1] * 1000) & (at < car.stuck[2] * 1000)
                columns[name][held] = columns[name][np.argmax(held)]
        definition = database.get_message_by_name(message)
        for row, moment in enumerate(at.tolist()):
            if message == car.away[0] and car.away[1] * 1000 <= moment < car.away[2] * 1000:
                continue
            data = definition.encode({name: float(columns[name][row]) for name in signals}, strict=False)
            frames.append((moment, definition.frame_id, data))
    frames.sort(key=lambda frame: frame[0])
    path = Path(FOLDER.name) / f"{abs(hash(car))}.log"
    with can.CanutilsLogWriter(path) as writer:
        for moment, can_id, data in frames:
            writer.on_message_received(
                can.Message(
                    timestamp=1000.0 + moment / 1000.0, arbitration_id=can_id, is_extended_id=False, data=data
                )
            )
    return path


def vehicle(folder: Path, *, leave: tuple[str, ...] = (), dbc: str = DBC, **keys: dict[str, str]) -> Path:
    """Write vehicle.toml and its DBC into a folder; `keys` are further keys of channels, corners with two underscores."""
    (folder / "car.dbc").write_text(dbc)
    lines = ['name = "Small car"', 'bitrate = "500 kbit/s"', 'dbc = ["car.dbc"]']
    for name, signal in SIGNALS.items():
        if name in leave:
            continue
        table = {"signal": f'"{signal}"', "without": f'"{WITHOUT[name]}"'}
        if name.startswith("stroke."):
            table |= {"zero": f'"{RIDE_MM:g} mm"', "range": '["-80 mm", "80 mm"]'}
        table |= keys.get(name.replace(".", "__"), {})
        lines += ["", f"[channels.{name}]", *(f"{key} = {value}" for key, value in table.items())]
    path = folder / "vehicle.toml"
    path.write_text("\n".join(lines) + "\n")
    return path
