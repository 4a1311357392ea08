"""Real cars' messages from the package opendbc, mapped as a user would: the cases of the decode tests.

Each car is a vehicle file's channels; the DBC is read from the installed package. Signals that opendbc marks as
estimated or unscaled are fine here: the test is about bits and numbers, not about the cars.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")


@dataclass(frozen=True)
class Car:
    """Channels as TOML keys by people's name; `signal` is Message.Signal."""

    name: str
    dbc: str
    channels: dict[str, str]
    message_keys: str = ""

    @property
    def dbc_path(self) -> Path:
        return Path(str(files("opendbc") / "dbc" / self.dbc))

    def vehicle_toml(self) -> str:
        head = f'name = "{self.name}"\nbitrate = "500 kbit/s"\ndbc = ["{self.dbc}"]\n{self.message_keys}'
        tables = (f"\n[channels.{name}]\n{keys}\n" for name, keys in self.channels.items())
        return head + "".join(tables)


def channel(signal: str, least: str, most: str, more: str = "") -> str:
    """One channel's keys; a safe substitute is needed by every channel and plays no part here."""
    return f'signal = "{signal}"\nrange = ["{least}", "{most}"]\nwithout = "safe"\ntimeout = "1 s"\n{more}'


def wheels(message: str, names: tuple[str, ...], most: str, more: str = "") -> dict[str, str]:
    """Four wheel speeds of one message."""
    return {
        f"wheel_speed.{corner}": channel(f"{message}.{name}", "0 km/h", most, more)
        for corner, name in zip(CORNERS, names, strict=True)
    }


def periods(*messages: str) -> str:
    """opendbc's files have no cycle times."""
    return "".join(f'\n[messages.{message}]\nperiod = "20 ms"\n' for message in messages)


CARS = [
    Car(
        "first car",
        "hyundai_2015_ccan.dbc",
        {
            "lateral": channel("ESP12.LAT_ACCEL", "-1.1 g", "1.1 g"),
            "longitudinal": channel("ESP12.LONG_ACCEL", "-1.1 g", "1.1 g", "sign = -1"),
            "brake_pressure": channel("ESP12.CYL_PRES", "0 bar", "300 bar", "invalid = 4095"),
            "yaw_rate": channel("ESP12.YAW_RATE", "-40 deg/s", "40 deg/s", 'unit = "deg/s"'),
            "steer_angle": channel("SAS11.SAS_Angle", "-780 deg", "780 deg", "invalid = 0x7FFF"),
            **wheels("WHL_SPD11", ("WHL_SPD_FL", "WHL_SPD_FR", "WHL_SPD_RL", "WHL_SPD_RR"), "400 km/h"),
            **{
                f"stroke.{corner}": channel(f"ECS12.Height_{short}", "-120 mm", "120 mm", "invalid = 255")
                for corner, short in zip(CORNERS, ("FL", "FR", "RL", "RR"), strict=True)
            },
        },
        periods("ESP12", "SAS11", "WHL_SPD11", "ECS12"),
    ),
    Car(
        "second car",
        "vw_mqb.dbc",
        {
            "lateral": channel("ESP_02.ESP_Querbeschleunigung", "-1.26 g", "1.26 g", "invalid = 255"),
            "longitudinal": channel("ESP_02.ESP_Laengsbeschl", "-15.9 m/s2", "15.8 m/s2", 'unit = "m/s2"'),
            "brake_pressure": channel("ESP_05.ESP_Bremsdruck", "-30 bar", "276 bar", "invalid = 1022"),
            # Magnitudes with a separate sign bit.
            "yaw_rate": channel(
                "ESP_02.ESP_Gierrate", "-160 deg/s", "160 deg/s", 'sign_bit = "ESP_02.ESP_VZ_Gierrate"'
            ),
            "steer_angle": channel(
                "LWI_01.LWI_Lenkradwinkel", "-800 deg", "800 deg", 'sign_bit = "LWI_VZ_Lenkradwinkel"\nsign = -1'
            ),
            **wheels(
                "ESP_19",
                ("ESP_VL_Radgeschw_02", "ESP_VR_Radgeschw_02", "ESP_HL_Radgeschw_02", "ESP_HR_Radgeschw_02"),
                "490 km/h",
            ),
        },
        periods("ESP_02", "ESP_05", "LWI_01", "ESP_19"),
    ),
    Car(
        "third car",
        "ford_cgea1_2_ptcan_2011.dbc",
        {
            # 9 bits, big-endian, the first of them the lowest of a byte.
            "stroke.front_left": channel("Suspension_Stat.SuspFrnt_L_Actl", "-199 mm", "198 mm", "sign = -1"),
            "stroke.rear_left": channel(
                "Suspension_Stat.SuspRear_L_Actl", "-150 mm", "150 mm", 'zero = "12.5 mm"\ninvalid = 511'
            ),
        },
        periods("Suspension_Stat"),
    ),
    Car(
        "fourth car",
        "ford_lincoln_base_pt.dbc",
        {
            "lateral": channel("BrakeSnData_3.VehLatComp_A_Actl", "-17 m/s2", "17 m/s2"),
            "longitudinal": channel("BrakeSnData_3.VehLongComp_A_Actl", "-1.8 g", "1.8 g"),
            "yaw_rate": channel("BrakeSnData_3.VehYawComp_W_Actl", "-70 deg/s", "70 deg/s"),
            "steer_angle": channel("SteeringPinion_Data.StePinComp_An_Est", "-1500 deg", "1500 deg"),
            "stroke.front_left": channel("Suspension_Data.SuspFrnt_L_Actl", "-190 mm", "190 mm"),
            "stroke.front_right": channel("Suspension_Data.SuspFrntRight_L_Actl", "-190 mm", "190 mm"),
            "stroke.rear_left": channel("Suspension_Data.SuspRear_L_Actl", "-190 mm", "190 mm"),
            "stroke.rear_right": channel("Suspension_Data.SuspRearRight_L_Actl", "-190 mm", "190 mm"),
        },
    ),
    Car(
        "fifth car",
        "fca_giorgio.dbc",
        {
            "lateral": channel("ABS_2.LATERAL_ACCEL", "-2 g", "2 g"),
            "longitudinal": channel("ABS_2.LONG_ACCEL", "-2 g", "2 g"),
            # A negative scale.
            "yaw_rate": channel("ABS_2.YAW_RATE", "-2.8 rad/s", "2.8 rad/s"),
            **wheels("ABS_1", ("WHEEL_SPEED_FL", "WHEEL_SPEED_FR", "WHEEL_SPEED_RL", "WHEEL_SPEED_RR"), "300 km/h"),
        },
        periods("ABS_1", "ABS_2"),
    ),
    Car(
        "sixth car",
        "toyota_prius_2010_pt.dbc",
        {
            "longitudinal": channel("ACCELEROMETER.ACCEL_X", "-1.6 g", "1.6 g"),
            "steer_angle": channel("STEER_ANGLE_SENSOR.STEER_ANGLE", "-500 deg", "500 deg"),
            **wheels(
                "WHEEL_SPEEDS",
                ("WHEEL_SPEED_FL", "WHEEL_SPEED_FR", "WHEEL_SPEED_RL", "WHEEL_SPEED_RR"),
                "250 mph",
            ),
        },
        periods("ACCELEROMETER", "STEER_ANGLE_SENSOR", "WHEEL_SPEEDS"),
    ),
    Car(
        "seventh car",
        "mercedes_benz_e350_2010.dbc",
        {
            "steer_angle": channel("STEER_SENSOR.STEER_ANGLE", "-500 deg", "500 deg"),
            **wheels(
                "WHEEL_SPEEDS",
                ("WHEEL_SPEED_FL", "WHEEL_SPEED_FR", "WHEEL_SPEED_RL", "WHEEL_SPEED_RR"),
                "70 mph",
            ),
        },
        periods("STEER_SENSOR", "WHEEL_SPEEDS"),
    ),
]  # fmt: skip
