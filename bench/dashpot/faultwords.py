"""The words for what the firmware only numbers: faults, checks, modes, conditions, flags of the board, refusals.

The firmware sends codes, the bench owns the words; tests/test_faultwords.py proves every table total, neither more
nor less than firmware/layout.toml, image.py and records.py have.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from dashpot.layout import Layout


class FaultWords(NamedTuple):
    """What a fault means and what usually makes it, each a clause, and what to do, as an order."""

    meaning: str
    cause: str
    advice: str


class CodeWords(NamedTuple):
    """Number, meaning and advice of a code with which an image or a record is refused."""

    number: int
    meaning: str
    advice: str


#: Faults by name, see `faults` in firmware/layout.toml.
FAULT_WORDS: dict[str, FaultWords] = {
    "ring_overflow": FaultWords(
        "frames came faster than the ring could hold, and the newest were lost",
        "a node that floods the bus, or a log whose clock stands still",
        "look at the busiest identifiers with `dashpot inspect`; find the node that sends them",
    ),
    "late_tick": FaultWords(
        "a tick came more than one and a half periods after the one before",
        "something on the board that holds up the loop, such as a flash write or a debug print",
        "on a board, find what holds up the loop; in a replay this must not happen",
    ),
    "guard_range": FaultWords(
        "the last guard cut a current that was outside its limits",
        "a valve curve with points outside `least` and `most`, or memory that changed",
        "keep this log: a law or the valve curve asked for what the calibration forbids",
    ),
    "guard_rate": FaultWords(
        "the last guard held back a current that moved faster than its slew",
        "a stage ahead of the guard that let a step through, or a command that ran out",
        "keep this log, and see whether command_stale came with it",
    ),
    "frame_bad": FaultWords(
        "a frame failed its length, checksum or counter",
        "bus errors if it is a few; another checksum, data id or counter than the vehicle file says if it is all",
        "compare the message's checksum and counter in the vehicle file with the car's",
    ),
    "signal_bad": FaultWords(
        "a signal was an invalid code or outside its range",
        "a sensor that reports its own fault, or a wrong scale, sign or range in the vehicle file",
        "look at the signal with `dashpot inspect`; check its scale, its sign and its range in the vehicle file",
    ),
    "channel_lost": FaultWords(
        "a channel that the vehicle has was not trusted, and something else stood in for it",
        "its message stopped, or another fault beside this one took the trust away",
        "see which one in the column channels_lost; check that its message is in the log and its timeout is not short",
    ),
    "required_lost": FaultWords(
        "a channel that the vehicle cannot do without was not trusted: safe currents",
        "its message is missing or stopped, and no substitute is at hand",
        "check that its message is in the log all the time; at the start of a log this is normal until data comes",
    ),
    "signal_still": FaultWords(
        "a signal of a moving car stood at one value for longer than it may, and was taken for lost",
        "a sensor that is stuck, or a node that repeats its last value",
        "mend the sensor; lengthen `still` in the vehicle file if the signal is fine",
    ),
    "signal_rate": FaultWords(
        "a signal changed faster than it can, and the value was refused",
        "spikes from a loose contact, or a `rate` that is too low for this car",
        "look at the signal for spikes; raise `rate` in the vehicle file if the change was real",
    ),
    "latched": FaultWords(
        "something was lost or wrong more often than it may come back, and stays so until a reset",
        "a loose contact or a sensor that fails again and again, or a fault of a kind that never heals by itself",
        "see channels_latched and the faults beside this one; mend the cause before the next run",
    ),
    "lateral_implausible": FaultWords(
        "lateral acceleration disagreed with speed x yaw rate, and with the steering where that could tell",
        "a sensor turned, loose or with an offset, or a wrong sign in the vehicle file",
        "compare the three in the run; check sign and zero of `lateral` first, then the sensor's mount",
    ),
    "longitudinal_implausible": FaultWords(
        "longitudinal acceleration disagreed with the change of road speed",
        "a sensor turned or with an offset, a wrong sign, or a road speed from wheels that spin or lock",
        "compare it with speed_change_mg in the run; check sign and zero of `longitudinal`",
    ),
    "yaw_implausible": FaultWords(
        "the yaw rate disagreed with lateral acceleration and with the steering",
        "a sensor with an offset, a wrong sign, or another unit than the vehicle file says",
        "check sign and scale of `yaw_rate`: a left turn is positive",
    ),
    "steer_implausible": FaultWords(
        "the steering disagreed with the yaw rate and with lateral acceleration",
        "a steering angle whose zero was lost, a wrong sign, or a `yaw_gain` that is not this car's; also a long slide",
        "check zero and sign of `steer`; fit `yaw_gain` to a lap on a dry road",
    ),
    "brake_implausible": FaultWords(
        "there was brake pressure without deceleration, or deceleration without brake pressure",
        "a pressure sensor that is stuck or in the wrong circuit; also ice, or an impact",
        "compare brake pressure and longitudinal acceleration in the run; check the sensor's scale and zero",
    ),
    "speed_implausible": FaultWords(
        "the road speed disagreed with the two middle wheel speeds",
        "another tyre than the scale was made for, a wheel sensor that drops teeth, or a wrong unit",
        "check the scale of road and wheel speeds; they must agree while coasting straight on",
    ),
    "stroke_implausible": FaultWords(
        "a stroke disagreed with the other three",
        "a stroke sensor that slipped on its mount, is turned round or swapped with another corner",
        "see which corners in channels_implausible; check zero, sign and corner of the sensors at rest",
    ),
    "bus_off": FaultWords(
        "the CAN controller is off the bus",
        "a short or an open end on the bus lines, or another bit rate",
        "check wiring, termination and bit rate; the controller holds safe currents meanwhile",
    ),
    "supply_low": FaultWords(
        "the supply is too low for full currents, or for any",
        "a weak battery, a bad ground or a long thin wire; cranking of the engine",
        "measure at the controller's plug under load",
    ),
    "supply_high": FaultWords(
        "the supply is too high for full currents, or for any",
        "a regulator that fails, a battery cut off while charging, or a jump start with 24 V",
        "measure the supply with the engine running; mend the regulator",
    ),
    "driver_hot": FaultWords(
        "the output stage says that it is too hot",
        "too little air or a bad contact to its heat sink, or a coil that takes too much current",
        "look for coil faults beside this one; improve the cooling",
    ),
    "coil_open": FaultWords(
        "a coil had no current where there must be some: its corner is off",
        "an unplugged valve or a broken wire",
        "measure the coil at the controller's plug; corners_off says which one",
    ),
    "coil_short": FaultWords(
        "a coil took more current than it can, or the hardware switched it off: its corner is off",
        "chafed wires, or a burnt winding",
        "measure the coil and its wires against each other and against ground",
    ),
    "coil_resistance": FaultWords(
        "a coil's resistance is outside its band; when that lasts, its corner is off",
        "a corroded plug if it is high, bridged turns if it is low; another valve than the calibration says",
        "measure the coil when cold; set `resistance` of the valve if the coil is right",
    ),
    "coil_tracking": FaultWords(
        "a current did not follow its command: the corner is off",
        "a driver that fails, or `resistance` and `inductance` of the valve far from the coil's",
        "compare measured_ma with current_ma in the run; check the values of the valve",
    ),
    "command_stale": FaultWords(
        "the last guard got no new command in time and went to the safe currents",
        "the laws stood still, or two ticks were too far apart",
        "keep this log: a stage ahead of the guard was not run; on a board see late_tick and overrun",
    ),
    "axle_unequal": FaultWords(
        "the last guard held back a difference between left and right that would have grown too large",
        "maps that treat left and right very differently, or a stage ahead of the guard that is wrong",
        "raise `axle_spread` in the calibration if the maps mean it; else keep this log",
    ),
    "overrun": FaultWords(
        "tick after tick came more than a quarter of a period late: safe currents",
        "a board that is too slow for its period, or a loop that hangs",
        "lengthen the period or find what holds up the loop",
    ),
    "memory": FaultWords(
        "the image in memory is not what was loaded: safe currents until a reset",
        "memory that fails, or a stage that writes where it must not",
        "restart; if it comes again, change the board and keep the log",
    ),
    "held": FaultWords(
        "the board asked for safe currents until a power-on",
        "three resets by the watchdog within a minute",
        "find what made it hang before the power is switched off and on",
    ),
}

#: Checks by name without their corner or axle, see `checks` in firmware/layout.toml.
CHECK_WORDS: dict[str, str] = {
    "lateral": "lateral acceleration against speed x yaw rate; the steering says which of the two is wrong",
    "longitudinal": "longitudinal acceleration against the change of road speed",
    "yaw": "yaw rate against both lateral acceleration and the steering",
    "steer": "the lateral acceleration that the steering should give, against the yaw rate's and the measured one",
    "brake": "brake pressure against deceleration, both ways",
    "speed": "road speed against the mean of the two middle wheel speeds",
    "stroke_offset": "a corner's mean stroke while driving straight on, against the other three",
    "stroke_roll": "left less right stroke of an axle, against lateral acceleration and the other axle",
    "bus_off": "the board says that its CAN controller is off the bus",
    "supply_low": "supply below the limit for full currents",
    "supply_under": "supply below the limit for any current: outputs off",
    "supply_high": "supply above the limit for full currents",
    "supply_over": "supply above the limit for any current: outputs off",
    "driver_hot": "the board says that its output stage is hot: currents limited",
    "driver_hot_off": "it has said so for long: outputs off",
    "coil_open": "measured current far below the one that must flow by now",
    "coil_short": "measured current above the limit, or switched off by the hardware",
    "coil_resistance": "estimated resistance outside its band",
    "coil_resistance_off": "outside its band for long: the corner off",
    "coil_tracking": "measured current away from where the control should have it",
    "overrun": "ticks that came more than a quarter of a period late",
    "memory": "the image's CRC, and the guard's second copy of the limits",
    "held": "the board asks to stay safe until a power-on",
}

#: Why an image is refused (1 to 6, firmware/dashpot/image.py) and what becomes of a record
#: (from 7 on, firmware/dashpot/records.py), by the constants' names in lower case.
CODE_WORDS: dict[str, CodeWords] = {
    "fine": CodeWords(0, "it is taken, or written", "nothing"),
    "too_short": CodeWords(1, "it is too short", "send the whole file; pack it again"),
    "wrong_magic": CodeWords(2, "it is no image", "send a file that `dashpot calibration pack` wrote"),
    "wrong_version": CodeWords(
        3,
        "it was packed for another version of the firmware",
        "pack it again with the dashpot of this firmware",
    ),
    "wrong_length": CodeWords(
        4, "its length does not match its header", "send it again; pack it again if that fails"
    ),
    "wrong_crc": CodeWords(5, "its CRC is wrong", "send it again; pack it again if that fails"),
    "wrong_content": CodeWords(
        6,
        "a number in it is out of bounds",
        "pack it with `dashpot calibration pack`; the detail is the word's place",
    ),
    "no_memory": CodeWords(
        7, "it does not fit the firmware's memory", "take shorter tables or fewer signals"
    ),
    "absent": CodeWords(
        8, "there is no such record", "nothing on a new board; else see why it was never written"
    ),
    "torn": CodeWords(
        9,
        "the record was cut short, or its CRC is wrong",
        "nothing after a power cut, the other file counts; else check the flash",
    ),
    "foreign": CodeWords(
        10,
        "the record is of another kind or version",
        "nothing after an update, it is written anew; send the calibration again",
    ),
    "too_long": CodeWords(11, "the record is longer than one can be", "send a smaller image"),
    "failed": CodeWords(
        12, "the file system reports an error", "look its number up in errno; check the flash"
    ),
    "full": CodeWords(13, "the file system is full", "remove files that are not the controller's"),
    "read_only": CodeWords(14, "the file system cannot be written", "mount it for writing"),
    "differs": CodeWords(
        15, "what was read back is not what was written", "change the flash, it is worn out or fails"
    ),
    "waiting": CodeWords(
        16, "something is to be written, and it is too soon after the last write", "nothing, wait"
    ),
    "spent": CodeWords(
        17,
        "something is to be written, and this boot has used up its writes",
        "find the fault that comes and goes",
    ),
    "nothing": CodeWords(18, "there is nothing to write", "nothing"),
}

#: Modes by name, see `modes` in firmware/layout.toml.
MODE_WORDS: dict[str, str] = {
    "start": "after a reset: safe currents until every required channel is there",
    "active": "everything that the car has works",
    "reduced": "something is missing and replaced, and the rest works",
    "safe_hold": "every current at its safe value",
    "output_off": "no current at all",
}

#: What the table of modes asks for, see `conditions` in firmware/layout.toml.
CONDITION_WORDS: dict[str, str] = {
    "off": "a current would be wrong or cannot be made: supply beyond its limits, or driver hot for long",
    "hold": "the laws cannot be trusted: a required channel lost, bus off, overrun, memory, or held by the board",
    "part": "something is missing: a channel not whole, the supply weak, the driver hot, or a corner without drive",
    "ready": "every required channel, or its substitute, is whole",
}

#: What a board says of itself, see `board_flags` in firmware/layout.toml.
FLAG_WORDS: dict[str, str] = {
    "bus_off": "the CAN controller is off the bus",
    "driver_hot": "the output stage is too hot",
    "held": "too many resets by the watchdog: stay safe until a power-on",
    "over_current_front_left": "the hardware switched the front-left coil off",
    "over_current_front_right": "the hardware switched the front-right coil off",
    "over_current_rear_left": "the hardware switched the rear-left coil off",
    "over_current_rear_right": "the hardware switched the rear-right coil off",
}

#: Why LOAD is refused, by code.
LOAD_REFUSALS = {words.number: words.meaning for words in CODE_WORDS.values() if 0 < words.number <= 7}


def fault_words(name: str) -> FaultWords:
    """Return the words for a fault; a fault of a newer firmware gets its bare name."""
    bare = FaultWords(name.replace("_", " "), "not known here", "see firmware/layout.toml for its meaning")
    return FAULT_WORDS.get(name, bare)


def check_words(name: str) -> str:
    """Return the words for a check, with its corner or axle where it has one: `coil_open.front_left`."""
    kind, _, place = name.partition(".")
    words = CHECK_WORDS.get(kind, kind.replace("_", " "))
    return f"{place.replace('_', '-')}: {words}" if place else words


def wordless(layout: Layout, codes: Mapping[str, int]) -> list[str]:
    """Return a line for each name or number that the firmware has and the tables here lack, or the other way round.

    Args:
        layout: the firmware's declaration.
        codes: the firmware's codes of refusals and records, by name in lower case.

    """
    kinds = dict.fromkeys(check.name.partition(".")[0] for check in layout.checks)
    pairs: list[tuple[str, Iterable[str], Iterable[str]]] = [
        ("fault", layout.faults, FAULT_WORDS),
        ("check", kinds, CHECK_WORDS),
        ("mode", layout.modes, MODE_WORDS),
        ("condition", layout.conditions, CONDITION_WORDS),
        ("flag", layout.board_flags, FLAG_WORDS),
        ("code", codes, CODE_WORDS),
    ]
    lines = []
    for kind, theirs, ours in pairs:
        lines += [f"{kind} {name} has no words" for name in theirs if name not in set(ours)]
        lines += [f"the firmware has no {kind} {name}" for name in ours if name not in set(theirs)]
    lines += [
        f"code {name} is {codes[name]} in the firmware and {words.number} here"
        for name, words in CODE_WORDS.items()
        if name in codes and codes[name] != words.number
    ]
    return lines
