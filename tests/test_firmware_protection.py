"""Checksums, counters and end-to-end protection: the firmware's receiver against other people's frames and checks.

The references, none of which is this project's:

- opendbc [S]: 23 messages of a real car, each recorded with all 16 values of its counter (`opendbc.can.tests`), the
  data ids that it publishes for them and its own check of end-to-end profile 2; and a second car's twelve frames.
- autosar-e2e [S]: `e2e_p01_check` and `e2e_p02_check`. They judge a frame by itself: what two frames in a row mean is
  the receiver's rule of AUTOSAR's protocol specification [S], written out in `Reference`. Where counting goes on after
  a jump is this project's choice [D]: from the jump's counter.
- crccheck [S]: CRC-8/SAE-J1850, CRC-8/AUTOSAR (0x2F), and CRC-8/GSM-A, which is profile 1's (0x1D, from 0, no last xor).

Random frames come from the seed in the test's name.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import crccheck.crc
import e2e
import numpy as np
import pytest
from opendbc.can.tests import test_checksums as opendbc_frames
from opendbc.car.chrysler.chryslercan import fca_giorgio_checksum
from opendbc.car.volkswagen.mqbcan import VOLKSWAGEN_MQB_MEB_CONSTANTS, volkswagen_mqb_meb_checksum

from calibration_kit import demo_calibration, layout, vehicle_of
from cars import CARS
from dashpot import calibration
from dashpot.targets import CLOCK_MASK, RunBlock, tick_rows
from firmware_fixtures import Firmware
from images import LAYOUT, PERIOD_US, ImageBuilder, column, direct_signal, raw_block
from rows import Receiver
from test_decode_rows import Reference as CantoolsReference
from test_firmware_decode import compare

# Every accepted frame of a message of at least 4 bytes shows on this channel: its bytes 2 and 3, without the highest bit.
CARRIER = "yaw_cdeg_s"
COUNT = {"counter_byte": 1, "counter_mask": 0xF}
PROFILE_1 = COUNT | {
    "crc_kind": LAYOUT.crc_kinds.index("e2e_p1"), "crc_init": 0, "crc_xor": 0, "counter_modulo": 15,
}  # fmt: skip
PROFILE_2 = COUNT | {"crc_kind": LAYOUT.crc_kinds.index("e2e_p2"), "crc_table": 256, "counter_modulo": 16}
TARGETS = ("host", "cpython")


@pytest.fixture(scope="module", params=TARGETS)
def firmware(request: pytest.FixtureRequest) -> Iterator[Firmware]:
    running = Firmware(request.param)
    yield running
    running.target.close()


# --- what is received, and what is made of it ------------------------------------------------------------------------


@dataclass(frozen=True)
class Message:
    """A protected message: its row, profile 2's data ids, and how a frame of it is judged without the counter."""

    key: int
    length: int
    check: Callable[[bytes], bool]
    row: dict[str, int]
    ids: bytes = b""

    def counter(self, data: bytes) -> int:
        return data[self.row["counter_byte"]] & 0xF


@dataclass
class Reference:
    """Outside checks of single frames, and the rule for what follows what.

    Delta 0 is a repetition, 1 is good, up to the most allowed is good with some lost, above that a wrong sequence [S].
    """

    messages: dict[int, Message]
    last: dict[int, int] = field(default_factory=dict)

    def accepts(self, key: int, data: bytes) -> bool:
        message = self.messages[key]
        if len(data) < message.length or not message.check(data[: message.length]):
            return False
        modulo = message.row.get("counter_modulo", 0)
        if not modulo:
            return True
        counter, last = message.counter(data), self.last.get(key)
        self.last[key] = counter
        return last is None or 1 <= (counter - last) % modulo <= message.row["counter_max_delta"]


@dataclass(frozen=True)
class Receiving:
    """An image, and the keys whose frames show on the carrier."""

    image: bytes
    carriers: frozenset[int]


def image_of(messages: Iterable[Message], **mistake: int) -> Receiving:
    """Give an image that receives the messages; `mistake` overwrites a field of every row."""
    image = ImageBuilder().clear_messages().channel(CARRIER, timeout_us=60_000_000)
    carrier = direct_signal(LAYOUT, CARRIER) | {
        "first": 3, "count": 2, "mask": 0x7FFF, "flip": 0, "less": 0, "low_count": 0, "low_first": 0,
    }  # fmt: skip
    carriers = set()
    for message in messages:
        places = {"data_ids": image.append(list(message.ids))} if message.ids else {}
        fields = {"key": message.key, "length": message.length} | message.row | places | mistake
        shown = message.length >= 4
        image.message([carrier] if shown else [], **fields)
        carriers |= {message.key} if shown else set()
    return Receiving(image.build(), frozenset(carriers))


def one_a_tick(frames: Sequence[tuple[int, bytes]]) -> RunBlock:
    """Spread frames over ticks, each received 100 us before its tick."""
    now = PERIOD_US * np.arange(1, len(frames) + 1)
    rows = raw_block(frames, now_us=0).frames
    rows[:, 0] = now - 100 & CLOCK_MASK
    ticks = tick_rows(LAYOUT.rows["tick_in"], now & CLOCK_MASK, 1)
    return RunBlock(0, ticks, rows, now)


def accepted(firmware: Firmware, receiving: Receiving, frames: Sequence[tuple[int, bytes]]) -> list[bool]:
    """Feed a frame a tick; say which were taken. A frame is taken or counted as bad, and only a taken one is seen."""
    trace = firmware.run(receiving.image, one_a_tick(frames))
    used, bad, unknown = (
        np.diff(column(trace, f"frames_{kind}"), prepend=0) for kind in ("used", "bad", "unknown")
    )
    assert not unknown.any()
    assert np.array_equal(used + bad, np.ones(len(frames)))
    carried, expected = column(trace, "channel")[:, LAYOUT.channel_index(CARRIER)].tolist(), 0
    for i, (key, data) in enumerate(frames):
        if used[i] and key in receiving.carriers:
            expected = int.from_bytes(data[2:4], "little") & 0x7FFF
        assert carried[i] == expected, (i, data.hex())
    return [bool(taken) for taken in used]


def differences(
    firmware: Firmware, receiving: Receiving, messages: Iterable[Message], frames: Sequence[tuple[int, bytes]]
) -> list[tuple[int, str]]:
    """Give the frames that the firmware and the outside references judge differently, by their places."""
    reference = Reference({message.key: message for message in messages})
    expected = [reference.accepts(*frame) for frame in frames]
    got = accepted(firmware, receiving, frames)
    return [(i, frames[i][1].hex()) for i in range(len(frames)) if got[i] != expected[i]]


def every_pair(modulo: int) -> list[int]:
    """Give counters in an order in which each follows each, itself too, exactly once (a de Bruijn walk)."""
    walk = [0]
    left = [list(range(modulo)) for _ in range(modulo)]
    tour: list[int] = []
    while walk:
        if left[walk[-1]]:
            walk.append(left[walk[-1]].pop())
        else:
            tour.append(walk.pop())
    assert len(set(pairwise(tour))) == len(tour) - 1 == modulo**2
    return tour


def flipped(data: bytes, *bits: int) -> bytes:
    """Change bits, numbered from the lowest of byte 0."""
    number = int.from_bytes(data, "little")
    for bit in bits:
        number ^= 1 << bit
    return number.to_bytes(len(data), "little")


# --- frames of real cars ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Recorded:
    """A message and the frames of it that opendbc keeps."""

    name: str
    message: Message
    frames: tuple[bytes, ...]


class Collector:
    """Stands in for `self` in opendbc's own tests of its checksums, and keeps the frames they would check."""

    def __init__(self) -> None:
        self.profile_2: list[tuple[str, int, tuple[bytes, ...]]] = []
        self.giorgio: list[tuple[str, int, tuple[bytes, ...]]] = []
        tests = opendbc_frames.TestCanChecksums
        for name in dir(tests):
            if name.startswith(("test_volkswagen_mqb_crc_", "test_fca_giorgio_")):
                getattr(tests, name)(self)

    def verify_volkswagen_mqb_crc(self, name: str, address: int, frames: list[bytes], **_: str) -> None:
        self.profile_2.append((name, address, tuple(frames)))

    def verify_fca_giorgio_crc(self, name: str, address: int, frames: list[bytes]) -> None:
        self.giorgio.append((name, address, tuple(frames)))


def profile_2_check(address: int) -> Callable[[bytes], bool]:
    """Give opendbc's check of a message's frames."""
    return lambda data: volkswagen_mqb_meb_checksum(address, None, bytearray(data)) == data[0]


@cache
def recorded() -> tuple[Recorded, ...]:
    """Give the 23 messages with their frames in the order of the counter; how much may be lost differs a message."""
    made = []
    for i, (name, address, frames) in enumerate(Collector().profile_2):
        ids = bytes(VOLKSWAGEN_MQB_MEB_CONSTANTS[address])
        row = PROFILE_2 | {"counter_max_delta": 1 + i % 15}
        message = Message(address, len(frames[0]), profile_2_check(address), row, ids)
        made.append(Recorded(name, message, frames))
    return tuple(made)


def recorded_messages() -> list[Message]:
    return [entry.message for entry in recorded()]


def recorded_frames() -> list[tuple[int, bytes]]:
    """All frames: every message's first, then every message's second, and so on."""
    return [(entry.message.key, entry.frames[i]) for i in range(16) for entry in recorded()]


def test_the_recorded_frames_are_what_three_references_take_them_for() -> None:
    assert len(recorded()) >= 23
    assert len(recorded_frames()) >= 368
    assert {entry.message.length for entry in recorded()} == {4, 8}
    assert len({entry.message.ids for entry in recorded()}) > 20
    for entry in recorded():
        assert [data[1] & 0xF for data in entry.frames] == list(range(16))
        for counter, data in enumerate(entry.frames):
            assert entry.message.check(data)
            assert e2e.p02.e2e_p02_check(data, entry.message.ids)
            covered = data[1:] + entry.message.ids[counter : counter + 1]
            assert crccheck.crc.Crc8Autosar.calc(covered) == data[0]


def test_every_recorded_frame_is_taken(firmware: Firmware) -> None:
    frames = recorded_frames()
    # With no loss allowed: each frame is the next one.
    strict = image_of(recorded_messages(), counter_max_delta=1)
    assert accepted(firmware, strict, frames) == [True] * len(frames)
    # Twice round, so that every counter wraps from 15 to 0.
    assert accepted(firmware, strict, frames * 2) == [True] * len(frames) * 2


def test_a_wrong_data_id_refuses_its_one_frame(host: Firmware) -> None:
    """The planted mistakes: one bit of one id, for each counter and each message once."""
    messages, frames = recorded_messages(), recorded_frames()
    for counter in range(16):
        i = counter * 7 % len(messages)
        ids = bytearray(messages[i].ids)
        ids[counter] ^= 1 << counter % 8
        wrong = [*messages]
        wrong[i] = replace(messages[i], ids=bytes(ids))
        got = differences(host, image_of(wrong, counter_max_delta=15), messages, frames)
        assert [place for place, _ in got] == [counter * len(messages) + i]


def all_flips() -> list[tuple[int, bytes]]:
    """Every recorded frame with every single bit of it changed."""
    return [(key, flipped(data, bit)) for key, data in recorded_frames() for bit in range(8 * len(data))]


def test_any_one_changed_bit_is_refused(host: Firmware) -> None:
    flips, frames = all_flips(), recorded_frames()
    assert len(flips) >= 23_040
    messages = {message.key: message for message in recorded_messages()}
    # opendbc's own check takes none of them either.
    assert not any(messages[key].check(data) for key, data in flips)
    # Nothing was received before, so no counter can be wrong: the checksum alone refuses. Then all that is whole is
    # taken: refused frames left the counters alone.
    got = accepted(host, image_of(messages.values(), counter_max_delta=1), flips + frames)
    assert not any(got[: len(flips)])
    assert all(got[len(flips) :])


@pytest.mark.parametrize("seed", [1, 2])
def test_some_changed_bits_are_refused_on_both_interpreters(firmware: Firmware, seed: int) -> None:
    chance = random.Random(seed)
    flips = chance.sample(all_flips(), 400)
    hidden = chance.choice(recorded_frames())
    place = chance.randrange(len(flips))
    # One whole frame lies among them, and is found.
    got = accepted(firmware, image_of(recorded_messages()), [*flips[:place], hidden, *flips[place:]])
    assert [i for i, taken in enumerate(got) if taken] == [place]


@pytest.mark.parametrize("seed", [3])
def test_bursts_and_noise_are_judged_as_opendbc_judges_them(host: Firmware, seed: int) -> None:
    """Changes that an 8-bit checksum may miss: the two must miss the same ones."""
    chance = random.Random(seed)
    messages = {message.key: message for message in recorded_messages()}
    frames = []
    for key, data in recorded_frames() * 20:
        bits = chance.sample(range(8 * len(data)), chance.choice((2, 3, 4, 8)))
        frames.append((key, flipped(data, *bits) if chance.random() < 0.5 else chance.randbytes(len(data))))
    missed = sum(messages[key].check(data) for key, data in frames)
    # About one in 256 of what is random.
    assert 5 < missed < len(frames) / 64
    assert differences(host, image_of(messages.values()), messages.values(), frames) == []
    for mistake in ({"crc_kind": LAYOUT.crc_kinds.index("h2f")}, {"crc_xor": 0}, {"crc_init": 0}):
        assert differences(host, image_of(messages.values(), **mistake), messages.values(), frames)


def counter_walk(entries: Sequence[Recorded]) -> list[tuple[int, bytes]]:
    """Recorded frames, the messages in turn, so that in each message each counter follows each counter once."""
    return [(entry.message.key, entry.frames[counter]) for counter in every_pair(16) for entry in entries]


def test_counters_of_recorded_frames_may_repeat_lose_and_wrap_as_allowed(host: Firmware) -> None:
    messages, walk = recorded_messages(), counter_walk(recorded())
    assert {message.row["counter_max_delta"] for message in messages} == set(range(1, 16))
    reference = Reference({message.key: message for message in messages})
    expected = [reference.accepts(*frame) for frame in walk]
    # Of 256 pairs, 16 for each delta that is allowed, and the very first frame.
    for message in messages:
        taken = sum(ok for (key, _), ok in zip(walk, expected, strict=True) if key == message.key)
        assert taken == 16 * message.row["counter_max_delta"] + 1
    assert accepted(host, image_of(messages), walk) == expected


@pytest.mark.parametrize(
    "mistake",
    [
        {"counter_max_delta": 1},
        {"counter_max_delta": 14},
        {"counter_modulo": 15},
        {"counter_modulo": 0x7FFF},
        {"counter_mask": 0x7},
        {"counter_shift": 1},
        {"counter_byte": 2},
    ],
    ids=str,
)
def test_mistakes_in_counting_are_found(host: Firmware, mistake: dict[str, int]) -> None:
    # Without the checksum, so that a wrong place of the counter cannot show by its data id.
    messages, walk = recorded_messages()[::4], counter_walk(recorded()[::4])
    plain = image_of(messages, crc_kind=0)
    assert differences(host, plain, messages, walk) == []
    assert differences(host, image_of(messages, crc_kind=0, **mistake), messages, walk)


def test_counters_count_on_both_interpreters(firmware: Firmware) -> None:
    """One message's walk, with its repetition, losses, jumps and wraps named."""
    entry = next(entry for entry in recorded() if entry.message.row["counter_max_delta"] == 3)
    walk = [(entry.message.key, entry.frames[counter]) for counter in every_pair(16)]
    assert differences(firmware, image_of([entry.message]), [entry.message], walk) == []
    named = {
        "repeated": ([4, 4], False), "next": ([4, 5], True), "wrapped": ([15, 0], True),
        "two lost": ([4, 7], True), "two lost over the wrap": ([14, 1], True),
        "three lost": ([4, 8], False), "three lost over the wrap": ([14, 2], False), "one back": ([4, 3], False),
    }  # fmt: skip
    for name, (counters, last_taken) in named.items():
        frames = [(entry.message.key, entry.frames[counter]) for counter in counters]
        assert accepted(firmware, image_of([entry.message]), frames) == [True, last_taken], name


def giorgio_check(address: int) -> Callable[[bytes], bool]:
    """Give opendbc's check of the second car's frames."""
    return lambda data: fca_giorgio_checksum(address, None, bytearray(data)) == data[-1]


def test_twelve_recorded_frames_of_a_second_car_are_judged_as_opendbc_judges_them(firmware: Firmware) -> None:
    """Polynomial 0x1D from 0, frames of 4 to 8 bytes, checksum last, a last xor of its own a message [S opendbc]."""
    messages: list[Message] = []
    frames: list[tuple[int, bytes]] = []
    flips: list[tuple[int, bytes]] = []
    for _, address, datas in Collector().giorgio:
        length = len(datas[0])
        row = COUNT | {
            "crc_kind": LAYOUT.crc_kinds.index("j1850"), "crc_byte": length - 1, "crc_init": 0,
            # The last xor is what opendbc's function makes of zeros.
            "crc_xor": fca_giorgio_checksum(address, None, bytearray(length)),
            "counter_modulo": 16, "counter_byte": length - 2, "counter_max_delta": 1,
        }  # fmt: skip
        messages.append(Message(address, length, giorgio_check(address), row))
        frames += [(address, data) for data in datas]
        flips += [(address, flipped(data, bit)) for data in datas for bit in range(8 * length)]
    assert (len(frames), {message.length for message in messages}) == (12, {4, 6, 7, 8})
    # One record's checksum is another than its publisher computes; opendbc's own test cannot see that, because its
    # parser keeps the frame before when a checksum is wrong.
    judged = {message.key: message for message in messages}
    assert [data.hex() for key, data in frames if not judged[key].check(data)] == ["7bf0026e"]
    assert differences(firmware, image_of(messages), messages, flips + frames) == []
    assert sum(accepted(firmware, image_of(messages), flips + frames)) == 11
    assert differences(firmware, image_of(messages, crc_xor=0xFF), messages, frames)


def test_recorded_frames_through_a_vehicle_file_decode_as_in_cantools(
    firmware: Firmware, tmp_path: Path
) -> None:
    """As a user has it: opendbc's DBC, its data ids in vehicle.toml, three of the recorded messages with values."""
    car = next(car for car in CARS if car.dbc == "vw_mqb.dbc")
    text = car.vehicle_toml()
    entries = [entry for entry in recorded() if f"[messages.{entry.name}]\n" in text]
    assert {entry.name for entry in entries} == {"ESP_02", "ESP_05", "LWI_01"}
    for entry in entries:
        table = f"[messages.{entry.name}]\n"
        keys = (
            'counter = { signal = "COUNTER", max_delta = 1 }\n'
            f'crc = {{ kind = "e2e_p2", signal = "CHECKSUM", data_ids = {list(entry.message.ids)} }}\n'
        )
        text = text.replace(table, table + keys)
    vehicle = vehicle_of(tmp_path, text, car.dbc_path)
    image = calibration.pack(vehicle, demo_calibration(), layout())
    frames = [(entry.message.key, entry.frames[i]) for i in range(16) for entry in entries]
    # The plain reading of the rows against cantools [S], which also takes every frame as used ...
    rows, cantools_says = Receiver(image), CantoolsReference(vehicle, car.dbc_path)
    names = {entry.message.key: entry.name for entry in entries}
    compared = sum(cantools_says.compare(rows, data, names[key]) for key, data in frames)
    assert compared == 16 * 5
    # ... and the firmware against that reading, value by value, with changed bits between.
    mixed = [pair for key, data in frames for pair in ((key, flipped(data, data[0] % 64)), (key, data))]
    assert compare(firmware, image, mixed) == compared


# --- end-to-end profiles against autosar-e2e -------------------------------------------------------------------------


@dataclass(frozen=True)
class Sender:
    """Protects frames of a message with autosar-e2e."""

    message: Message
    data_id: int = 0

    def protected(self, chance: random.Random, counter: int, *, data_id: int = 0, ids: bytes = b"") -> bytes:
        """Give a random frame with this counter, protected by the library; with another id when asked."""
        message = self.message
        frame = bytearray(chance.randbytes(message.length))
        place = message.row["counter_byte"]
        frame[place] = frame[place] & 0xF0 | counter
        if message.ids:
            e2e.p02.e2e_p02_protect(frame, ids or message.ids, increment_counter=False)
        else:
            e2e.p01.e2e_p01_protect(
                frame, data_id or self.data_id, offset=message.row["crc_byte"], increment_counter=False
            )
        return bytes(frame)


def profile_1_senders(chance: random.Random) -> list[Sender]:
    """Lengths 2 to 8, the header at the front and further on. Both bytes of the id are in the CRC: E2E_P01_DATAID_BOTH."""
    senders = []
    for i, (length, place) in enumerate((n, p) for n in range(2, 9) for p in {0, 1, n - 2} if p <= n - 2):
        data_id = (0, 0xFFFF, 0xFF, 0xFF00)[i] if i < 4 else chance.randrange(0x10000)
        row = PROFILE_1 | {"crc_byte": place, "counter_byte": place + 1, "data_id": data_id, "counter_max_delta": 1 + i % 14}  # fmt: skip

        def check(data: bytes, data_id: int = data_id, place: int = place) -> bool:
            return bool(e2e.p01.e2e_p01_check(bytearray(data), data_id, offset=place))

        senders.append(Sender(Message(0x300 + i, length, check, row), data_id))
    return senders


def profile_2_senders(chance: random.Random) -> list[Sender]:
    """Lengths 2 to 8 twice; the library has the checksum in byte 0 and the counter in byte 1."""
    senders = []
    for i, length in enumerate([*range(2, 9)] * 2):
        ids = (bytes(16), b"\xff" * 16, bytes(range(16)))[i] if i < 3 else chance.randbytes(16)
        row = PROFILE_2 | {"counter_max_delta": 1 + i % 15}

        def check(data: bytes, ids: bytes = ids) -> bool:
            return bool(e2e.p02.e2e_p02_check(data, ids))

        senders.append(Sender(Message(0x400 + i, length, check, row, ids)))
    return senders


def story(
    senders: Sequence[Sender], chance: random.Random, count: int
) -> tuple[list[tuple[int, bytes]], list[str]]:
    """Make frames of all senders in turn, mostly right, and say of each what was done to it."""
    frames, kinds = [], []
    last = dict.fromkeys(range(len(senders)), 0)
    for _ in range(count):
        for i, sender in enumerate(senders):
            message = sender.message
            modulo, most = message.row["counter_modulo"], message.row["counter_max_delta"]
            kind = chance.choice(KINDS)
            step = {"lost": chance.randint(1, most), "jumped": chance.randint(min(most + 1, modulo - 1), modulo - 1), "repeated": 0}.get(kind, 1)  # fmt: skip
            counter = (last[i] + step) % modulo
            data = sender.protected(chance, counter)
            if kind == "bit":
                data = flipped(data, chance.randrange(8 * message.length))
            elif kind == "bits":
                data = flipped(data, *chance.sample(range(8 * message.length), chance.randint(2, 8)))
            elif kind == "counter":
                data = flipped(data, 8 * message.row["counter_byte"] + chance.randrange(4))
            elif kind == "id":
                ids = bytes(byte ^ chance.randrange(256) for byte in message.ids)
                data = sender.protected(chance, counter, data_id=chance.randrange(1, 0x10000), ids=ids)
            elif kind == "noise":
                data = chance.randbytes(message.length)
            elif kind == "short":
                data = data[: chance.randrange(message.length)]
            elif kind == "long":
                data += chance.randbytes(8 - message.length)
            if kind in {"next", "lost", "jumped", "repeated", "long"}:
                last[i] = counter
            frames.append((message.key, data))
            kinds.append(kind)
    return frames, kinds


KINDS = (
    "next", "next", "next", "next", "lost", "jumped", "repeated", "bit", "bits", "counter", "id", "noise", "short",
    "long",
)  # fmt: skip
SENDERS = {"profile 1": profile_1_senders, "profile 2": profile_2_senders}


def enough(messages: Iterable[Message], frames: Sequence[tuple[int, bytes]], kinds: Sequence[str]) -> None:
    """Hold that a story has what it is for: of each kind some that are refused or some that are taken, or both."""
    reference = Reference({message.key: message for message in messages})
    seen = Counter((kind, reference.accepts(*frame)) for frame, kind in zip(frames, kinds, strict=True))
    for kind in ("next", "lost", "long"):
        assert seen[kind, True] > 10, seen
    for kind in set(KINDS) - {"next", "lost", "long"}:
        assert seen[kind, False] > 10, seen


@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize("profile", SENDERS)
def test_end_to_end_verdicts_are_those_of_autosar_e2e(firmware: Firmware, profile: str, seed: int) -> None:
    chance = random.Random(seed)
    senders = SENDERS[profile](chance)
    messages = [sender.message for sender in senders]
    frames, kinds = story(senders, chance, 250 if firmware.target.name == "host" else 25)
    enough(messages, frames, kinds)
    assert differences(firmware, image_of(messages), messages, frames) == []


PLANTED: dict[str, list[dict[str, int]]] = {
    "profile 1": [
        {"crc_init": 0xFF, "crc_xor": 0xFF}, {"crc_xor": 1}, {"crc_table": 256}, {"data_id": 0x123},
        {"crc_kind": LAYOUT.crc_kinds.index("j1850")}, {"crc_kind": 0}, {"counter_modulo": 16},
        {"counter_max_delta": 14}, {"counter_modulo": 0},
    ],
    "profile 2": [
        {"crc_init": 0}, {"crc_xor": 0}, {"crc_table": 0}, {"crc_kind": LAYOUT.crc_kinds.index("h2f")}, {"crc_kind": 0},
        {"counter_modulo": 15}, {"counter_max_delta": 15}, {"counter_shift": 1},
    ],
}  # fmt: skip


@pytest.mark.parametrize(
    ("profile", "mistake"), [(p, m) for p, mistakes in PLANTED.items() for m in mistakes], ids=str
)
def test_mistakes_in_an_end_to_end_receiver_are_found(
    host: Firmware, profile: str, mistake: dict[str, int]
) -> None:
    chance = random.Random(13)
    senders = SENDERS[profile](chance)
    messages = [sender.message for sender in senders]
    frames, _ = story(senders, chance, 40)
    assert differences(host, image_of(messages), messages, frames) == []
    assert differences(host, image_of(messages, **mistake), messages, frames)


def test_profile_1_counter_15_is_no_count_though_its_checksum_fits(firmware: Firmware) -> None:
    # Profile 1 counts 0 to 14 [S]; the checksum comes from crccheck's CRC-8/GSM-A [S].
    data_id = 0x4D21
    row = PROFILE_1 | {"crc_byte": 0, "data_id": data_id, "counter_max_delta": 14}
    frames = []
    for counter in range(16):
        body = bytes([0xA0 | counter, *range(6)])
        frames.append(bytes([crccheck.crc.Crc8GsmA.calc(data_id.to_bytes(2, "little") + body)]) + body)
    verdicts = [e2e.p01.e2e_p01_check(bytearray(frame), data_id) for frame in frames]
    assert verdicts == [True] * 15 + [False]
    image = image_of([Message(0x300, 8, bool, row)])
    assert accepted(firmware, image, [(0x300, frame) for frame in frames]) == verdicts
    planted = image_of([Message(0x300, 8, bool, row)], counter_modulo=16)
    assert accepted(firmware, planted, [(0x300, frame) for frame in frames]) == [True] * 16


@pytest.mark.parametrize("mode", ["LOW", "ALT", "NIBBLE"])
def test_other_modes_of_profile_1_are_not_taken_for_ours(host: Firmware, mode: str) -> None:
    """The library's other ways to put the id into the CRC; the firmware has E2E_P01_DATAID_BOTH only."""
    chance = random.Random(14)
    data_id = 0x4D21
    row = PROFILE_1 | {"crc_byte": 0, "data_id": data_id, "counter_max_delta": 14}
    message = Message(0x300, 8, lambda data: bool(e2e.p01.e2e_p01_check(bytearray(data), data_id)), row)
    frames = []
    for i in range(300):
        data = bytearray(chance.randbytes(8))
        data[1] = data[1] & 0xF0 | i % 15
        way = getattr(e2e.p01, f"E2E_P01_DATAID_{mode}")
        e2e.p01.e2e_p01_protect(data, data_id, data_id_mode=way, increment_counter=False)
        assert e2e.p01.e2e_p01_check(data, data_id, data_id_mode=way)
        frames.append((0x300, bytes(data)))
    got = accepted(host, image_of([message]), frames)
    reference = Reference({0x300: message})
    assert got == [reference.accepts(*frame) for frame in frames]
    # ALT with an even counter has the low byte only, as LOW has.
    assert sum(got) <= 3


# --- CRC-8 against crccheck ------------------------------------------------------------------------------------------


CRCS: dict[str, tuple[Callable[[bytes], int], dict[str, int]]] = {
    "j1850": (crccheck.crc.Crc8SaeJ1850.calc, {"crc_table": 0}),
    "h2f": (crccheck.crc.Crc8Autosar.calc, {"crc_table": 256}),
}


def with_checksum(kind: str, data: bytes, place: int) -> bytes:
    """Put crccheck's checksum over all other bytes into one byte."""
    before, after = data[:place], data[place + 1 :]
    return before + bytes([CRCS[kind][0](before + after)]) + after


def crc_messages(kind: str) -> list[Message]:
    """Every length with every place of the checksum."""
    messages: list[Message] = []
    for length in range(1, 9):
        for place in range(length):

            def check(data: bytes, place: int = place) -> bool:
                return with_checksum(kind, data, place) == data

            row = {"crc_kind": LAYOUT.crc_kinds.index(kind), "crc_byte": place} | CRCS[kind][1]
            messages.append(Message(0x500 + len(messages), length, check, row))
    return messages


def crc_frames(
    kind: str, messages: Iterable[Message], chance: random.Random, count: int
) -> list[tuple[int, bytes]]:
    """Make frames with the right checksum, with one bit changed, and with any."""
    frames = []
    for message in messages:
        for _ in range(count):
            data = chance.randbytes(message.length)
            right = with_checksum(kind, data, message.row["crc_byte"])
            wrong = flipped(right, chance.randrange(8 * message.length))
            frames += [(message.key, right), (message.key, wrong), (message.key, data)]
    return frames


@pytest.mark.parametrize("kind", CRCS)
def test_checksums_of_every_length_and_place_are_those_of_crccheck(firmware: Firmware, kind: str) -> None:
    # "123456789" [S]: 0x4B and 0xDF.
    assert CRCS[kind][0](b"123456789") == {"j1850": 0x4B, "h2f": 0xDF}[kind]
    messages = crc_messages(kind)
    frames = crc_frames(kind, messages, random.Random(15), 25 if firmware.target.name == "host" else 3)
    assert differences(firmware, image_of(messages), messages, frames) == []
    mistakes = [{"crc_init": 0}, {"crc_xor": 0}, {"crc_table": 256 - CRCS[kind][1]["crc_table"]}, {"crc_kind": 0}]  # fmt: skip
    for mistake in mistakes:
        assert differences(firmware, image_of(messages, **mistake), messages, frames[:300]), mistake


@pytest.mark.parametrize("kind", CRCS)
def test_every_word_of_the_checksum_table_is_right(host: Firmware, kind: str) -> None:
    """A byte alone runs through all 256 words; of its 256 checksums the firmware takes crccheck's and no other."""
    message = next(m for m in crc_messages(kind) if (m.length, m.row["crc_byte"]) == (2, 1))
    calculate = CRCS[kind][0]
    frames = [(message.key, bytes([value, crc])) for value in range(256) for crc in range(256)]
    trace = host.run(image_of([message]).image, raw_blocks_of(frames, 256))
    used = np.diff(column(trace, "frames_used"), prepend=0)
    assert used.tolist() == [1] * 256
    right = [(message.key, bytes([value, calculate(bytes([value]))])) for value in range(256)]
    assert all(accepted(host, image_of([message]), right))


def raw_blocks_of(frames: Sequence[tuple[int, bytes]], size: int) -> list[RunBlock]:
    """Put `size` frames into each tick."""
    return [
        raw_block(frames[i : i + size], now_us=PERIOD_US * (i // size + 1))
        for i in range(0, len(frames), size)
    ]
