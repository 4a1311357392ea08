"""The Merlin T4's chassis bus, the demo car's: its messages.

MESSAGES says again what dbc/merlin_t4.dbc says; tests/test_dbc.py holds one to the other through cantools, so that
the simulation needs no DBC parser and the DBC has an independent check.
"""

from __future__ import annotations

from dashpot.plant.canbus import Message, Signal
from dashpot.plant.checksums import H2F_POLYNOMIAL, J1850_POLYNOMIAL, plain, profile_1, profile_2
from dashpot.plant.sensors import CORNERS

BRAKE_DATA_ID = 0x4D21
YAW_DATA_IDS = tuple(bytes.fromhex("3A915CE708B26FD41D83C946F0257BAE"))


def _corner_signals(corner: str, mux: int) -> tuple[Signal, ...]:
    return (
        Signal(f"TyreTemp{corner}", 8, 10, 0.25, -40.0, mux=mux),
        Signal(f"CoilTemp{corner}", 24, 16, 0.1, signed=True, mux=mux),
        Signal(f"OilTemp{corner}", 47, 12, 0.1, -50.0, big_endian=True, mux=mux),
    )


MESSAGES: tuple[Message, ...] = (
    Message(
        "Suspension_Strokes", 0x0C4, 8, 2_000, 300, "stroke",
        tuple(Signal(f"Stroke{corner}", 16 * index, 16, 0.01) for index, corner in enumerate(CORNERS)),
        jitter_us=40,
    ),
    Message(
        "Inertial", 0x0D2, 8, 10_000, 1_100, "inertial",
        (
            Signal("LatAccel", 7, 16, 0.002, signed=True, big_endian=True),
            Signal("LongAccel", 23, 16, 0.002, signed=True, big_endian=True),
            Signal("VertAccel", 39, 16, 0.002, signed=True, big_endian=True),
            Signal("InertialState", 55, 4, big_endian=True),
        ),
        counter=Signal("InertialCounter", 51, 4, big_endian=True),
        checksum=plain(7, J1850_POLYNOMIAL),
    ),
    Message(
        "Brake_Pressures", 0x0E1, 8, 10_000, 3_400, "brake",
        (
            Signal("BrakeLight", 12, 1),
            Signal("BrakeFront", 16, 16, 0.01, -5.0),
            Signal("BrakeRear", 32, 16, 0.01, -5.0),
            Signal("PedalTravel", 48, 8, 0.5),
        ),
        counter=Signal("BrakeCounter", 8, 4),
        counts=15,
        checksum=profile_1(BRAKE_DATA_ID),
    ),
    Message(
        "Steering", 0x0EA, 5, 10_000, 5_700, "steering",
        (
            Signal("SteerSign", 7, 1, big_endian=True, source="Steer", part="sign"),
            Signal("SteerAngle", 6, 15, 0.1, big_endian=True, source="Steer", part="magnitude"),
            Signal("SteerRateSign", 23, 1, big_endian=True, source="SteerRate", part="sign"),
            Signal("SteerRate", 22, 15, 0.5, big_endian=True, part="magnitude"),
            Signal("SteerState", 39, 4, big_endian=True),
        ),
        counter=Signal("SteerCounter", 35, 4, big_endian=True),
    ),
    Message(
        "Yaw_Rate", 0x0F3, 6, 10_000, 1_100, "inertial",
        (
            Signal("YawState", 12, 4),
            Signal("YawRate", 16, 16, 0.01, signed=True),
            Signal("YawSensorTemp", 32, 8, 1.0, -40.0),
        ),
        counter=Signal("YawCounter", 8, 4),
        checksum=profile_2(YAW_DATA_IDS),
    ),
    Message(
        "Wheel_Speeds", 0x1A4, 8, 20_000, 3_400, "brake",
        tuple(Signal(f"WheelSpeed{corner}", 7 + 16 * index, 16, 0.01, big_endian=True) for index, corner in enumerate(CORNERS)),
    ),
    Message(
        "Road_Speed", 0x1B0, 4, 20_000, 3_400, "brake",
        (Signal("RoadSpeed", 0, 16, 0.01), Signal("RoadSpeedState", 20, 4)),
        counter=Signal("RoadSpeedCounter", 16, 4),
        checksum=plain(3, H2F_POLYNOMIAL),
    ),
    Message(
        "Supply_Switches", 0x2D8, 4, 100_000, 21_900, "body",
        (
            Signal("SupplyVoltage", 0, 12, 0.005),
            Signal("DriverMode", 12, 3),
            Signal("GripSwitch", 15, 2),
            Signal("FirmnessKnob", 17, 4, signed=True),
            Signal("Ignition", 21, 1),
            Signal("AmbientTemp", 24, 8, 0.5, -40.0),
        ),
        jitter_us=400,
    ),
    Message(
        "Corner_Temperatures", 0x355, 8, 100_000, 48_600, "stroke",
        tuple(signal for mux, corner in enumerate(CORNERS) for signal in _corner_signals(corner, mux)),
        jitter_us=400,
        mux=Signal("CornerSelect", 0, 2),
        mux_count=4,
    ),
    Message(
        "Lap_Beacon", 0x15A7C0D3, 4, 100_000, 77_200, "lap",
        (Signal("LapDistance", 0, 20, 0.01), Signal("LapNumber", 20, 8), Signal("Sector", 28, 4)),
        jitter_us=900,
        extended=True,
    ),
)  # fmt: skip
