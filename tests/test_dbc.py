"""The two DBC files: clean for a strict parser, and the same bus that the demo writes and the firmware serves."""

from __future__ import annotations

import re
import tomllib

import cantools
import crccheck
import e2e
import numpy as np
import pytest
from cantools.database import Database, Message, UnsupportedDatabaseFormatError

from dashpot.plant import canbus, checksums, merlin_bus
from dashpot.plant.sensors import RIDE_HEIGHT_MM
from dashpot.resources import dbc_dir, firmware_dir

CAR, CONTROLLER = dbc_dir() / "merlin_t4.dbc", dbc_dir() / "damper_controller.dbc"


def load(name: str) -> Database:
    database = cantools.database.load_file(dbc_dir() / name, strict=True)
    assert isinstance(database, Database)
    return database


@pytest.fixture(scope="module")
def car() -> Database:
    return load("merlin_t4.dbc")


@pytest.fixture(scope="module")
def controller() -> Database:
    return load("damper_controller.dbc")


def test_strict_parsing_would_notice_a_mistake() -> None:
    # Two signals on the same bits: a parser that lets this pass proves nothing about the files.
    text = CAR.read_text().replace("StrokeFR : 16|16@1+", "StrokeFR : 15|16@1+")
    with pytest.raises(UnsupportedDatabaseFormatError, match="overlapping"):
        cantools.database.load_string(text, "dbc", strict=True)


@pytest.mark.parametrize("name", ["merlin_t4.dbc", "damper_controller.dbc"])
def test_every_signal_has_a_receiver_and_a_range_that_its_bits_hold(name: str) -> None:
    receiver = {"merlin_t4.dbc": "Damper_Controller", "damper_controller.dbc": "Logger"}[name]
    for message in load(name).messages:
        assert message.send_type == "Cyclic"
        assert message.cycle_time
        assert message.comment
        for signal in message.signals:
            assert signal.receivers == [receiver], signal.name
            low = -(1 << (signal.length - 1)) if signal.is_signed else 0
            high = low + (1 << signal.length) - 1
            assert signal.minimum is not None
            assert signal.maximum is not None
            assert signal.minimum < signal.maximum
            tolerance = abs(signal.scale) / 2
            assert low * signal.scale + signal.offset <= signal.minimum + tolerance, signal.name
            assert signal.maximum <= high * signal.scale + signal.offset + tolerance, signal.name


def test_the_car_has_the_kinds_of_messages_that_the_decoder_must_meet(car: Database) -> None:
    assert {message.cycle_time for message in car.messages} == {2, 10, 20, 100}
    assert {signal.byte_order for message in car.messages for signal in message.signals} == {
        "little_endian",
        "big_endian",
    }
    assert [message.name for message in car.messages if message.is_multiplexed()] == ["Corner_Temperatures"]
    assert [message.name for message in car.messages if message.is_extended_frame] == ["Lap_Beacon"]
    assert car.dbc.attributes["Baudrate"].value == 500_000


def test_frame_ids_of_the_two_files_do_not_meet(car: Database, controller: Database) -> None:
    assert {message.frame_id for message in controller.messages} <= set(range(0x6A0, 0x6B0))
    assert not {message.frame_id for message in controller.messages} & {
        message.frame_id for message in car.messages
    }


def declared(message: canbus.Message) -> dict[str, tuple[object, ...]]:
    signals = list(message.signals)
    signals += [signal for signal in (message.counter, message.mux) if signal is not None]
    return {
        signal.name: (
            signal.start,
            signal.bits,
            "big_endian" if signal.big_endian else "little_endian",
            signal.signed,
            signal.scale,
            signal.offset,
            None if signal.mux is None else [signal.mux],
        )
        for signal in signals
    }


def parsed(message: Message) -> dict[str, tuple[object, ...]]:
    return {
        signal.name: (
            signal.start,
            signal.length,
            signal.byte_order,
            signal.is_signed,
            signal.scale,
            signal.offset,
            signal.multiplexer_ids,
        )
        for signal in message.signals
        # The checksum has no row in the table: a function writes it.
        if not signal.name.endswith("Crc")
    }


@pytest.mark.parametrize("message", merlin_bus.MESSAGES, ids=lambda message: message.name)
def test_the_demo_bus_is_the_one_in_the_dbc(message: canbus.Message, car: Database) -> None:
    theirs = car.get_message_by_name(message.name)
    assert (theirs.frame_id, theirs.is_extended_frame) == (message.can_id, message.extended)
    assert (theirs.length, theirs.cycle_time) == (message.length, message.period_us / 1000)
    assert parsed(theirs) == declared(message)


def test_the_demo_bus_has_every_message_of_the_dbc(car: Database) -> None:
    assert {message.name for message in car.messages} == {message.name for message in merlin_bus.MESSAGES}


@pytest.mark.parametrize("message", merlin_bus.MESSAGES, ids=lambda message: message.name)
def test_packed_counts_come_back_from_cantools(message: canbus.Message, car: Database) -> None:
    random = np.random.default_rng(20)
    theirs = car.get_message_by_name(message.name)
    for mux in range(message.mux_count):
        present = [signal for signal in message.signals if signal.mux in {None, mux}]
        for edge in (0, 1, None, None, None):
            data = np.zeros((1, message.length), np.uint8)
            expected = {}
            for signal in present:
                low = -(1 << (signal.bits - 1)) if signal.signed else 0
                high = low + (1 << signal.bits) - 1
                count = int(random.integers(low, high, endpoint=True)) if edge is None else (low, high)[edge]
                signal.pack(data, np.array([count]), slice(None))
                expected[signal.name] = count
            if message.mux is not None:
                message.mux.pack(data, np.array([mux]), slice(None))
            raw = theirs.decode(data[0].tobytes(), decode_choices=False, scaling=False)
            assert {name: raw[name] for name in expected} == expected


def test_crc_kinds_against_published_check_values() -> None:
    rows = np.frombuffer(b"123456789", np.uint8)[None, :]
    # [S] AUTOSAR Specification of CRC Routines, also domain notes section 4.
    assert checksums.crc8(rows, checksums.J1850_POLYNOMIAL)[0] == 0x4B
    assert checksums.crc8(rows, checksums.H2F_POLYNOMIAL)[0] == 0xDF


def test_end_to_end_profiles_against_published_vectors() -> None:
    # [S] AUTOSAR E2E protocol specification, example layouts of profiles 1 and 2.
    first = np.zeros((2, 8), np.uint8)
    first[1, 1] = 1
    checksums.profile_1(0x123).write(first)
    assert first[0].tobytes().hex() == "cc00000000000000"
    assert first[1].tobytes().hex() == "9101000000000000"
    second = np.arange(8, dtype=np.uint8)[None, :].copy()
    second[0, 1] = 2
    checksums.profile_2(range(16)).write(second)
    assert second[0].tobytes().hex() == "bc02020304050607"


def test_checksums_agree_with_crccheck_and_autosar_e2e() -> None:
    random = np.random.default_rng(21)
    data = random.integers(0, 256, (300, 8)).astype(np.uint8)
    data[:, 1] = data[:, 1] & 0xF0 | np.arange(300) % 15
    plain, profile_1, profile_2 = data.copy(), data.copy(), data.copy()
    checksums.plain(7, checksums.J1850_POLYNOMIAL).write(plain)
    checksums.profile_1(merlin_bus.BRAKE_DATA_ID).write(profile_1)
    checksums.profile_2(merlin_bus.YAW_DATA_IDS).write(profile_2)
    for row in range(len(data)):
        assert plain[row, 7] == crccheck.crc.Crc8SaeJ1850.calc(plain[row, :7].tobytes())
        assert e2e.p01.e2e_p01_check(bytearray(profile_1[row].tobytes()), merlin_bus.BRAKE_DATA_ID)
        assert e2e.p02.e2e_p02_check(bytearray(profile_2[row].tobytes()), bytes(merlin_bus.YAW_DATA_IDS))


def test_comments_name_the_data_ids_and_the_ride_height_in_use(car: Database) -> None:
    brake = car.get_message_by_name("Brake_Pressures").comment
    yaw = car.get_message_by_name("Yaw_Rate").comment
    strokes = car.get_message_by_name("Suspension_Strokes").comment
    assert brake is not None
    assert yaw is not None
    assert strokes is not None
    assert re.findall(r"0x[0-9A-F]{4}", brake) == [f"0x{merlin_bus.BRAKE_DATA_ID:04X}"]
    assert bytes.fromhex(yaw.partition("0 to 15: ")[2].partition(" (hex)")[0]) == bytes(
        merlin_bus.YAW_DATA_IDS
    )
    assert tuple(map(float, re.findall(r"[FR][LR] (\d+\.\d+)", strokes))) == RIDE_HEIGHT_MM


def test_the_controllers_frames_follow_the_firmware_layout(controller: Database) -> None:
    layout = tomllib.loads((firmware_dir() / "layout.toml").read_text())
    status = controller.get_message_by_name("Controller_Status")
    modes = status.get_signal_by_name("Mode").choices
    assert modes is not None
    assert {int(number): str(name).lower() for number, name in modes.items()} == dict(
        enumerate(layout["modes"])
    )
    faults = status.get_signal_by_name("FaultBits").comment
    assert faults is not None
    assert dict(re.findall(r"(\d+) (\w+)", faults)) == {
        str(bit): name for bit, name in enumerate(layout["faults"])
    }

    shares = controller.get_message_by_name("Layer_Shares")
    names = ["".join(word.capitalize() for word in layer.split("_")) for layer in layout["layers"]]
    seen = []
    for select in range(12):
        found = [signal for signal in shares.signals if signal.multiplexer_ids == [select]]
        assert [(signal.start, signal.length, signal.is_signed) for signal in found] == [
            (16, 16, True),
            (32, 16, True),
            (48, 16, True),
        ]
        seen += [signal.name for signal in found]
    assert seen == [f"Share{corner}{name}" for corner in ("FL", "FR", "RL", "RR") for name in names]
