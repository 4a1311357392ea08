"""What the store must do, in one file for two interpreters: each `check_` gets a `Kit` and raises on a mistake.

The real interpreter runs one check with `micropython checks.py FIRMWARE FOLDER IMAGES... NAME`; the tests call the same
functions in CPython on the checked firmware. The numbers are this project's own choices [D] unless a line says otherwise.
"""

# MicroPython has no pathlib, no strict zip, no pairwise and no stars in a list.
# ruff: noqa: PTH102, PTH123, B905, RUF005, RUF007, T201

import struct
import sys
from array import array

ENTRY_FIELDS = 7
WRAP_US = 1 << 30
MOST_COUNT = (1 << 30) - 1


class Kit:
    """The firmware's modules, an empty folder, three images that the firmware takes."""

    def __init__(self, modules, folder, images):
        self.records, self.image, self.store, self.boot, self.faults, self.micropython, self.gc = modules
        self.folder = folder
        self.images = images
        self.word = self.faults.SNAPSHOT[1][0]

    def path(self, name):
        return self.folder + "/" + name

    def read(self, name):
        try:
            with open(self.path(name), "rb") as file:
                return file.read()
        except OSError:
            return None

    def write(self, name, data):
        with open(self.path(name), "wb") as file:
            file.write(data)

    def pair(self, most_bytes=64):
        return self.records.Pair(self.folder, "x", b"TEST", 77, most_bytes)

    def calibrations(self):
        slots = self.store.Calibrations(self.folder)
        slots.found = slots.choose()
        return slots

    def memory(self, boot_count=1):
        memory = self.faults.FaultMemory(self.folder)
        memory.load()
        memory.start(boot_count)
        return memory

    def state(self, faults=0, fill=0):
        state = array("i", [fill + i for i in range(512)])
        state[self.word] = faults
        return state

    def begun(self, cause, backup=None, least=0):
        record = self.boot.BootRecord(self.folder, backup)
        record.code = record.begin(cause, least) if least else record.begin(cause)
        return record

    def failing_open(self, error):
        """Make every `open` of the records raise, until the function that this gives is called."""

        def refuse(*_):
            raise error

        self.records.open = refuse

        def again():
            self.records.open = open

        return again


def flipped(data, bit):
    changed = bytearray(data)
    changed[bit >> 3] ^= 1 << (bit & 7)
    return bytes(changed)


# Records


def check_head_as_declared(kit):
    # CRC-32 of "123456789" is 0xCBF43926 [S].
    assert kit.records.version_of("123456789") == 0xCBF43926 & 0x3FFFFFFF
    pair = kit.pair()
    assert pair.save(b"hello") == kit.records.FINE
    data = kit.read("x_a.bin")
    assert data[:16] == b"TEST" + struct.pack("<III", 77, 1, 5)
    assert data[20:] == b"hello"
    # Computed with zlib.crc32 [X].
    assert struct.unpack("<I", data[16:20])[0] == 0xB8DB4F66
    assert kit.read("x_b.bin") is None


def check_newest_counts(kit):
    pair = kit.pair()
    assert (pair.newest, pair.codes, pair.sequences) == (-1, [kit.records.ABSENT] * 2, [0, 0])
    assert pair.load() is None
    assert pair.codes == [kit.records.ABSENT] * 2
    assert (pair.newest, pair.refused, pair.failed, pair.errno) == (-1, 0, 0, 0)
    for i in range(7):
        before = kit.read("x_b.bin" if i % 2 == 0 else "x_a.bin")
        assert pair.save(b"payload %d" % i) == kit.records.FINE
        assert pair.newest == i % 2
        assert pair.sequences[i % 2] == i + 1
        # The file that counted until now stays as it is.
        assert kit.read("x_b.bin" if i % 2 == 0 else "x_a.bin") == before
        fresh = kit.pair()
        assert bytes(fresh.load()) == b"payload %d" % i
        assert (fresh.newest, fresh.sequences[i % 2], fresh.refused) == (i % 2, i + 1, 0)
    assert (pair.condition, pair.failed) == (kit.records.FINE, 0)


def check_a_file_cut_anywhere_is_refused(kit):
    pair = kit.pair(400)
    assert pair.save(b"old") == 0
    # Longer than the piece that it is read by.
    assert pair.save(bytes(range(100)) * 3) == 0
    whole = kit.read("x_b.bin")
    assert len(whole) == 320
    for length in range(len(whole)):
        kit.write("x_b.bin", whole[:length])
        fresh = kit.pair(400)
        assert bytes(fresh.load()) == b"old"
        assert fresh.codes == [0, kit.records.TORN if length else kit.records.ABSENT]
        assert fresh.refused == (1 if length else 0)
    for tail in (b"\0", b"\xff" * 300):
        kit.write("x_b.bin", whole + tail)
        fresh = kit.pair(400)
        assert bytes(fresh.load()) == b"old"
        assert fresh.codes == [0, kit.records.TORN]
    # What is written next goes over the torn one.
    assert fresh.save(b"new") == 0
    assert fresh.newest == 1
    assert bytes(kit.pair().load()) == b"new"


def check_any_flipped_bit_is_refused(kit):
    pair = kit.pair()
    assert pair.save(b"old") == 0
    assert pair.save(b"new!") == 0
    whole = kit.read("x_b.bin")
    for bit in range(8 * len(whole)):
        kit.write("x_b.bin", flipped(whole, bit))
        fresh = kit.pair()
        # CRC-32 finds every single wrong bit [S, ISO 3309].
        assert bytes(fresh.load()) == b"old"
        code = fresh.codes[1]
        if bit < 64:
            assert code == kit.records.FOREIGN
        elif 96 <= bit < 128:
            assert code in (kit.records.TORN, kit.records.TOO_LONG)
        else:
            assert code == kit.records.TORN
        assert fresh.refused == 1


def check_both_files_bad(kit):
    for data in (b"", b"\0", b"\xff" * 20, b"\0" * 100, b"X" * 1000):
        kit.write("x_a.bin", data)
        kit.write("x_b.bin", data)
        pair = kit.pair()
        assert pair.load() is None
        assert pair.newest == -1
        assert pair.refused == (2 if data else 0)
        assert pair.save(b"y") == 0
        assert pair.newest == 0
        assert bytes(kit.pair().load()) == b"y"


def check_length_limit(kit):
    pair = kit.pair(8)
    assert pair.save(b"12345678") == 0
    assert bytes(kit.pair(8).load()) == b"12345678"
    assert pair.save(b"123456789") == kit.records.TOO_LONG
    assert kit.read("x_b.bin") is None
    assert (pair.condition, pair.failed, pair.newest) == (kit.records.TOO_LONG, 1, 0)
    short = kit.pair(7)
    assert short.load() is None
    assert short.codes == [kit.records.TOO_LONG, kit.records.ABSENT]
    assert pair.save(b"") == 0
    assert bytes(kit.pair(8).load()) == b""
    assert pair.condition == 0


def check_errors_become_codes(kit):
    records = kit.records
    cases = [
        (OSError(28, "full"), records.FULL, 28),
        (OSError(30, "read only"), records.READ_ONLY, 30),
        (OSError(13, "denied"), records.READ_ONLY, 13),
        (OSError(1, "denied"), records.READ_ONLY, 1),
        (OSError(5, "broken"), records.FAILED, 5),
        (OSError(19, "no device"), records.FAILED, 19),
        (OSError(), records.FAILED, 0),
        (MemoryError(), records.NO_MEMORY, 0),
        (OSError(2, "no such"), records.FAILED, 2),
    ]
    assert kit.pair().save(b"old") == 0
    for error, code, number in cases:
        pair = kit.pair()
        assert bytes(pair.load()) == b"old"
        again = kit.failing_open(error)
        assert pair.save(b"new") == code
        assert (pair.condition, pair.errno, pair.failed) == (code, number, 1)
        blind = kit.pair()
        assert blind.load() is None
        read_code = records.ABSENT if number == 2 else code
        assert blind.codes == [read_code] * 2
        assert blind.refused == (0 if number == 2 else 2)
        assert pair.payload(0) is None
        assert pair.codes[0] == read_code
        again()
        assert bytes(kit.pair().load()) == b"old"


def check_a_file_that_changes_between_two_looks(kit):
    pair = kit.pair()
    assert pair.save(b"old") == 0
    assert pair.save(b"new") == 0
    pair.scan()
    assert pair.refused == 0
    newer, older = kit.read("x_b.bin"), kit.read("x_a.bin")
    kit.write("x_b.bin", flipped(newer, 8 * 21))
    assert pair.payload(1) is None
    assert pair.codes == [0, kit.records.TORN]
    assert pair.refused == 1
    kit.write("x_b.bin", older)
    pair.scan()
    kit.write("x_b.bin", newer)
    assert pair.payload(1) is None


def check_a_file_that_fails_at_the_second_look(kit):
    for image in kit.images[:2]:
        assert kit.calibrations().write_spare(image) == 0
    for data in (b"old", b"new"):
        pair = kit.pair()
        pair.load()
        assert pair.save(data) == 0

    def third_fails(*arguments):
        # Both files are read through, then the newest is read again.
        opened.append(arguments)
        if len(opened) == 3:
            raise OSError(5, "broken")
        return open(*arguments)

    kit.records.open = third_fails
    opened = []
    pair = kit.pair()
    assert bytes(pair.load()) == b"old"
    assert (pair.codes, pair.newest, pair.refused) == ([0, kit.records.FAILED], 0, 1)
    opened = []
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (kit.images[0], 0)
    assert slots.codes == [0, kit.records.FAILED]
    kit.records.open = open


def check_a_tie_goes_to_the_first(kit):
    pair = kit.pair()
    assert pair.write(0, 5, b"first") == 0
    assert pair.write(1, 5, b"second") == 0
    assert bytes(kit.pair().load()) == b"first"


def check_what_was_written_is_read_back(kit):
    # File systems that say yes and write something else, or nothing.
    real_open = open

    class Liar:
        change = None

        def __init__(self, path, mode):
            # Without a change, nothing reaches the file.
            self.file = real_open(path, mode if self.change else "rb")

        def __enter__(self):
            return self

        def __exit__(self, *_):
            self.file.close()

        def readinto(self, buffer):
            return self.file.readinto(buffer)

        def write(self, data):
            return self.file.write(self.change(bytes(data))) if self.change else len(data)

    class Empty(Liar):
        def change(self, data):
            return data[:0]

    class Short(Liar):
        def change(self, data):
            return data[:-1]

    class Zeros(Liar):
        def change(self, data):
            return b"\0" * len(data)

    pair = kit.pair()
    assert pair.save(b"old") == 0
    for liar in (Empty, Short, Zeros):
        kit.records.open = liar
        assert pair.save(b"new") == kit.records.DIFFERS
        kit.records.open = open
        assert pair.newest == 0
        assert bytes(kit.pair().load()) == b"old"
    # A whole record is there, but it is the one before.
    assert pair.save(b"one") == 0
    kit.records.open = Liar
    assert pair.write(1, 9, b"two") == kit.records.DIFFERS
    kit.records.open = open


def check_a_file_that_cannot_be_written(kit):
    # A folder in the file's place, where the first would go: the second is taken, there is nothing to lose.
    make_folder(kit.path("x_a.bin"))
    pair = kit.pair()
    assert pair.load() is None
    assert pair.codes == [kit.records.FAILED, kit.records.ABSENT]
    assert pair.save(b"one") == 0
    assert (pair.newest, pair.sequences[1]) == (1, 1)
    # But never the one that counts.
    assert pair.save(b"two") == kit.records.FAILED
    assert pair.errno == 21
    assert bytes(kit.pair().load()) == b"one"
    nowhere = kit.records.Pair(kit.path("no/such"), "x", b"TEST", 77, 64)
    assert nowhere.load() is None
    assert nowhere.codes == [kit.records.ABSENT] * 2
    assert nowhere.save(b"one") == kit.records.FAILED
    assert nowhere.errno == 2


def make_folder(path):
    import os

    os.mkdir(path)


def check_folders_are_named_with_or_without_a_slash(kit):
    assert kit.pair().save(b"one") == 0
    for folder in (kit.folder, kit.folder + "/"):
        assert bytes(kit.records.Pair(folder, "x", b"TEST", 77, 64).load()) == b"one"
    assert kit.records.Pair("/", "x", b"TEST", 77, 64).paths == ("/x_a.bin", "/x_b.bin")
    assert kit.records.Pair("", "x", b"TEST", 77, 64).paths == ("/x_a.bin", "/x_b.bin")


# Calibrations


def check_no_calibration(kit):
    slots = kit.store.Calibrations(kit.folder)
    assert (slots.running, slots.codes, slots.details) == (-1, [kit.records.ABSENT] * 2, [0, 0])
    slots = kit.calibrations()
    assert slots.details == [0, 0]
    assert slots.found is None
    assert slots.running == -1
    assert slots.codes == [kit.records.ABSENT] * 2
    assert slots.revert() == kit.records.ABSENT


def check_new_calibration(kit):
    first, second, third = kit.images
    slots = kit.calibrations()
    assert slots.write_spare(first) == 0
    assert slots.running == -1
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (first, 0)
    running = kit.read("slot_a.bin")
    # However often, it is the slot that does not run.
    for image in (second, third, second):
        assert slots.write_spare(image) == 0
        assert kit.read("slot_a.bin") == running
        assert slots.running == 0
        assert slots.pair.sequences == [1, 2]
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (second, 1)
    assert slots.codes == [0, 0]
    assert slots.write_spare(memoryview(bytearray(third))) == 0
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (third, 0)


def check_a_second_calibration_before_the_first_start(kit):
    first, second, _ = kit.images
    slots = kit.calibrations()
    assert slots.write_spare(first) == 0
    kept = kit.read("slot_a.bin")
    assert slots.write_spare(second) == 0
    assert kit.read("slot_a.bin") == kept
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (second, 1)


def check_a_bad_image_touches_nothing(kit):
    image = kit.image
    good = kit.images[0]
    bad = [
        (b"", image.TOO_SHORT),
        (good[:19], image.TOO_SHORT),
        (b"X" + good[1:], image.WRONG_MAGIC),
        (flipped(good, 40), image.WRONG_VERSION),
        (good + b"\0", image.WRONG_LENGTH),
        (flipped(good, 8 * 30), image.WRONG_CRC),
    ]
    slots = kit.calibrations()
    for data, code in bad:
        assert slots.write_spare(data) == code
        assert kit.read("slot_a.bin") is None
        assert kit.read("slot_b.bin") is None
    assert slots.write_spare(good) == 0
    slots = kit.calibrations()
    before = kit.read("slot_a.bin")
    for data, code in bad:
        assert slots.write_spare(data) == code
        assert kit.read("slot_a.bin") == before
        assert kit.read("slot_b.bin") is None
    assert slots.pair.condition == 0


def check_the_other_slot_when_the_newest_is_bad(kit):
    first, second, _ = kit.images
    for image in (first, second):
        assert kit.calibrations().write_spare(image) == 0
    whole = kit.read("slot_b.bin")
    # Torn or foreign.
    for data, code in (
        (whole[:-1], kit.records.TORN),
        (flipped(whole, 8 * 40), kit.records.TORN),
        (b"rubbish" * 9, kit.records.FOREIGN),
        (b"", kit.records.ABSENT),
    ):
        kit.write("slot_b.bin", data)
        slots = kit.calibrations()
        assert (bytes(slots.found), slots.running, slots.codes) == (first, 0, [0, code])
    # A whole record of an image that this firmware does not take.
    slots = kit.calibrations()
    for data, code in (
        (flipped(second, 40), kit.image.WRONG_VERSION),
        (second[:-1], kit.image.WRONG_LENGTH),
        (flipped(second, 8 * 30), kit.image.WRONG_CRC),
        (b"", kit.image.TOO_SHORT),
    ):
        assert slots.pair.write(1, 9, data) == 0
        again = kit.calibrations()
        assert (bytes(again.found), again.running, again.codes) == (first, 0, [0, code])
        if code == kit.image.WRONG_VERSION:
            assert again.details == [0, struct.unpack("<I", data[4:8])[0]]
    # And the other one bad as well.
    kit.write("slot_a.bin", b"?")
    slots = kit.calibrations()
    assert (slots.found, slots.running) == (None, -1)
    assert slots.codes == [kit.records.TORN, kit.image.TOO_SHORT]
    # From there a new one is taken, beside the record that is whole.
    kept = kit.read("slot_b.bin")
    assert slots.write_spare(first) == 0
    assert kit.read("slot_b.bin") == kept
    assert bytes(kit.calibrations().found) == first


def check_a_whole_old_slot_is_found_when_the_newest_is_refused_in_either_place(kit):
    first, second, third = kit.images
    for image in (first, second, third):
        assert kit.calibrations().write_spare(image) == 0
    slots = kit.calibrations()
    assert slots.running == 0
    assert slots.pair.write(0, 7, flipped(third, 40)) == 0
    slots = kit.calibrations()
    assert (bytes(slots.found), slots.running) == (second, 1)
    assert slots.codes == [kit.image.WRONG_VERSION, 0]


def check_revert(kit):
    first, second, _ = kit.images
    assert kit.calibrations().write_spare(first) == 0
    slots = kit.calibrations()
    assert slots.revert() == kit.records.ABSENT
    assert bytes(kit.calibrations().found) == first
    assert kit.calibrations().write_spare(second) == 0
    # There and back, over starts.
    for i in range(6):
        slots = kit.calibrations()
        assert bytes(slots.found) == (second, first)[i % 2]
        assert slots.revert() == 0
        assert slots.running == 1 - i % 2
    # A second time in the same boot: it stays with what runs; the image that was to run is still there.
    slots = kit.calibrations()
    assert bytes(slots.found) == second
    for i in range(5):
        assert slots.revert() == 0
        assert bytes(kit.calibrations().found) == (first, second)[i % 2]
        assert abs(slots.pair.sequences[0] - slots.pair.sequences[1]) == 1
    assert slots.revert() == 0
    assert bytes(kit.calibrations().found) == second


def check_revert_of_a_pending_calibration(kit):
    first, second, _ = kit.images
    assert kit.calibrations().write_spare(first) == 0
    slots = kit.calibrations()
    assert slots.write_spare(second) == 0
    assert slots.revert() == 0
    assert bytes(kit.calibrations().found) == first
    # The first slot ever has sequence number 1, so there is room below.
    assert kit.calibrations().pair.sequences == [1, 0]
    # Of two with the same number, which no write leaves, the other one is still the way back.
    slots = kit.calibrations()
    assert slots.pair.write(1, 1, second) == 0
    slots = kit.calibrations()
    assert bytes(slots.found) == first
    assert slots.revert() == 0
    assert bytes(kit.calibrations().found) == second


def check_revert_refuses_what_the_firmware_refuses(kit):
    first, second, _ = kit.images
    for image in (first, second):
        assert kit.calibrations().write_spare(image) == 0
    slots = kit.calibrations()
    assert slots.pair.write(0, 1, flipped(first, 40)) == 0
    before = kit.read("slot_a.bin")
    assert slots.revert() == kit.image.WRONG_VERSION
    assert kit.read("slot_a.bin") == before
    kit.write("slot_a.bin", before[:-1])
    assert slots.revert() == kit.records.TORN
    assert bytes(kit.calibrations().found) == second


def check_no_memory_for_an_image(kit):
    assert kit.calibrations().write_spare(kit.images[0]) == 0
    read = kit.image.read

    def refuse(_):
        raise MemoryError

    kit.image.read = refuse
    slots = kit.calibrations()
    assert (slots.found, slots.codes[0]) == (None, kit.records.NO_MEMORY)
    assert slots.details == [0, 0]
    assert slots.write_spare(kit.images[1]) == kit.records.NO_MEMORY
    kit.image.read = read
    assert bytes(kit.calibrations().found) == kit.images[0]


# Faults


def check_a_faults_first_and_last(kit):
    memory = kit.memory(5)
    memory.note(kit.state(0), 1000)
    assert memory.due() == kit.records.NOTHING
    memory.note(kit.state(1 << 4, fill=100), 2_501_000)
    memory.note(kit.state(1 << 4, fill=200), 4_000_999)
    assert memory.entry(4)["last_s"] == 3
    memory.note(kit.state(1 << 4, fill=200), 4_001_000)
    entry = memory.entry(4)
    layout = struct.unpack("<I", kit.images[0][4:8])[0]
    assert entry == {
        "count": 1, "latched": 0, "first_boot": 5, "first_s": 2, "last_boot": 5, "last_s": 4, "layout": layout,
    }  # fmt: skip
    memory.note(kit.state(0), 6_000_000)
    memory.note(kit.state(1 << 4, fill=300), 8_001_000)
    entry = memory.entry(4)
    assert (entry["count"], entry["first_s"], entry["last_s"]) == (2, 2, 8)
    wanted = [100 + first + i for first, count in kit.faults.SNAPSHOT for i in range(count)]
    wanted[1] = 1 << 4
    assert memory.snapshot(4) == wanted
    assert len(wanted) == kit.faults.SNAPSHOT_WORDS
    assert all(memory.entry(code)["count"] == 0 for code in range(31) if code != 4)
    assert memory.newest_boot() == 5


def check_every_code_alone_and_all_together(kit):
    memory = kit.memory()
    for code in range(kit.faults.CODES):
        memory.note(kit.state(1 << code, fill=1000 * code), 1000 * code)
        assert [memory.entry(c)["count"] for c in range(31)] == [1] * (code + 1) + [0] * (30 - code)
        assert memory.snapshot(code)[2] == 1000 * code + kit.faults.SNAPSHOT[2][0]
    memory.note(kit.state(0), 40_000)
    memory.note(kit.state((1 << 31) - 1, fill=7), 41_000)
    assert [memory.entry(c)["count"] for c in range(31)] == [2] * 31
    memory.note(kit.state((1 << 31) - 1), 42_000)
    memory.note(kit.state(1 << 30), 43_000)
    memory.note(kit.state((1 << 31) - 1), 44_000)
    assert [memory.entry(c)["count"] for c in range(31)] == [3] * 30 + [2]


def check_a_fault_that_stays_is_written_as_it_comes_and_as_it_goes(kit):
    memory = kit.memory()
    flushes = []
    for second in range(300):
        memory.note(kit.state(1 << 6 if 20 <= second < 200 else 0), second * 1_000_000)
        if memory.flush() == 0:
            flushes.append(second)
    assert flushes == [20, 200]
    assert kit.memory().entry(6)["last_s"] == 199


def check_what_comes_in_one_tick_has_one_snapshot(kit):
    memory = kit.memory()
    for fill, faults in (
        (100, 1 << 3 | 1 << 9 | 1 << 30),
        (200, 1 << 9 | 1 << 2 | 1 << 5),
        (300, 1 << 0 | 1 << 1),
    ):
        memory.note(kit.state(faults, fill), 10_000 * fill)

    def fills():
        # The word after the mask of faults, less its own place.
        at = kit.faults.SNAPSHOT[2][0]
        return [(c, memory.snapshot(c)[2] - at) for c in range(31) if memory.entry(c)["count"]]

    wanted = [(0, 300), (1, 300), (2, 200), (3, 100), (5, 200), (9, 100), (30, 100)]
    assert fills() == wanted
    assert memory.flush() == 0
    memory = kit.memory(2)
    assert fills() == wanted
    memory.note(kit.state(1 << 9 | 1 << 4 | 1 << 6, 400), 0)
    memory.note(kit.state(1 << 7, 500), 1_000_000)
    wanted = sorted(wanted + [(4, 400), (6, 400), (7, 500)])
    assert fills() == wanted
    assert memory.flush() == 0
    memory = kit.memory(3)
    assert fills() == wanted
    assert memory.clear() == 0
    assert fills() == []
    memory.note(kit.state(3, 600), 0)
    assert fills() == [(0, 600), (1, 600)]
    # What only latched has none.
    memory.latch(1 << 8)
    assert set(memory.snapshot(8)) == {0}


def check_negative_words_in_a_snapshot(kit):
    memory = kit.memory()
    state = kit.state(2, fill=-5000)
    state[kit.faults.SNAPSHOT[-1][0]] = -(1 << 31)
    memory.note(state, 0)
    assert memory.snapshot(1)[-1] == -(1 << 31)
    assert memory.snapshot(1)[0] == -5000 + kit.faults.SNAPSHOT[0][0]


def check_time_over_the_clocks_wrap(kit):
    memory = kit.memory()
    start = WRAP_US - 1_500_000
    memory.note(kit.state(), start)
    total = 0
    while total < 3000:
        total += 7
        memory.note(kit.state(), (start + total * 1_000_000) % WRAP_US)
    assert memory.seconds() == total
    # A pause of nearly a whole turn of the clock, with nearly a second left over.
    memory.note(kit.state(), (start + total * 1_000_000 + 999_999) % WRAP_US)
    assert memory.seconds() == total
    memory.note(kit.state(), (start + total * 1_000_000 + 999_999 + WRAP_US - 1) % WRAP_US)
    assert memory.seconds() == total + (999_999 + WRAP_US - 1) // 1_000_000


def check_counts_hold_at_their_end(kit):
    memory = kit.memory()
    memory.note(kit.state(1), 0)
    at = list(memory.journal).index(1, 9)
    assert memory.entry(0)["count"] == memory.journal[at] == 1
    memory.journal[at] = MOST_COUNT - 1
    for i in range(4):
        memory.note(kit.state(i % 2), 1000 * i)
    assert memory.entry(0)["count"] == MOST_COUNT


def check_faults_are_kept(kit):
    memory = kit.memory(3)
    memory.note(kit.state(1 << 7 | 1 << 30, fill=50), 0)
    memory.note(kit.state(0), 1_000_000)
    memory.latch(1 << 30)
    assert memory.latched() == 1 << 30
    assert memory.flush() == 0
    kept = [[memory.entry(code), memory.snapshot(code)] for code in range(31)]
    again = kit.memory(4)
    assert [[again.entry(code), again.snapshot(code)] for code in range(31)] == kept
    assert again.latched() == 1 << 30
    assert (again.due(), again.seconds(), again.writes) == (kit.records.NOTHING, 0, 0)
    assert again.newest_boot() == 3
    # The file holds what happened, not what did not.
    width = ENTRY_FIELDS + kit.faults.SNAPSHOT_WORDS + 1
    data = kit.read("faults_a.bin")
    assert len(data) == kit.records.HEAD_BYTES + 4 * (2 + 2 * width)
    assert struct.unpack_from("<3i", data, kit.records.HEAD_BYTES) == (width, 2, 7)
    # A later occurrence changes the last, not the first, nor the snapshot.
    again.note(kit.state(1 << 7, fill=900), 0)
    entry = again.entry(7)
    assert (entry["count"], entry["first_boot"], entry["last_boot"]) == (2, 3, 4)
    assert again.snapshot(7) == kept[7][1]


def check_latches(kit):
    memory = kit.memory()
    memory.latch(0)
    assert memory.due() == kit.records.NOTHING
    memory.latch(1 << 3 | 1 << 0)
    assert memory.latched() == 9
    memory.note(kit.state(0), 0)
    memory.note(kit.state(0), 1_000_000)
    assert memory.flush() == 0
    # The same again is nothing new.
    memory.latch(9)
    assert memory.due() == kit.records.NOTHING
    again = kit.memory()
    assert again.latched() == 9
    assert again.entry(3)["count"] == 0
    assert again.clear() == 0
    assert again.latched() == 0
    assert kit.memory().latched() == 0


def check_the_ration_of_writes(kit):
    memory = kit.memory()
    written = []
    quiet, loud = kit.state(0), kit.state(1)
    # Each second of the first two hours, then every tenth.
    seconds = list(range(7201)) + list(range(7211, 86_400 * 3, 10))
    for i, second in enumerate(seconds):
        memory.note(loud if i % 2 else quiet, second * 1_000_000 % WRAP_US)
        due = memory.due()
        code = memory.flush()
        assert code == due
        if code == 0:
            written.append(second)
    # 10 s, then twice as long each time, to an hour.
    waits = [b - a for a, b in zip(written, written[1:])]
    assert written[0] == 1
    assert waits[:10] == [10, 20, 40, 80, 160, 320, 640, 1280, 2560, 3600]
    assert set(waits[9:]) == {3600}
    assert sum(second < 86_400 for second in written) == 32
    assert len(written) == memory.writes == kit.faults.WRITES_MOST
    assert memory.flush() == kit.records.SPENT
    # What never happened before still gets through, but not more often than every ten seconds.
    now = 86_400 * 3
    memory.note(kit.state(4), now * 1_000_000 % WRAP_US)
    assert memory.flush() == 0
    memory.note(kit.state(12), (now + 1) * 1_000_000 % WRAP_US)
    assert memory.flush() == kit.records.WAITING
    memory.note(kit.state(12), (now + 9) * 1_000_000 % WRAP_US)
    assert memory.flush() == kit.records.WAITING
    memory.note(kit.state(12), (now + 10) * 1_000_000 % WRAP_US)
    assert memory.flush() == 0
    assert memory.flush() == kit.records.NOTHING
    assert memory.writes == kit.faults.WRITES_MOST + 2


def check_what_is_new_does_not_wait_for_the_long_ration(kit):
    memory = kit.memory()
    for second in range(2000):
        memory.note(kit.state(second % 2), second * 1_000_000)
        memory.flush()
    before = memory.writes
    memory.note(kit.state(2), 2_000_000_000 % WRAP_US)
    assert memory.flush() == 0
    assert memory.writes == before + 1
    memory.latch(1)
    for second in range(2001, 2009):
        memory.note(kit.state(2), second * 1_000_000 % WRAP_US)
        assert memory.flush() == kit.records.WAITING
    memory.note(kit.state(2), 2_010_000_000 % WRAP_US)
    assert memory.flush() == 0


def check_the_first_write_comes_early_but_not_at_once(kit):
    memory = kit.memory()
    memory.note(kit.state(1), 0)
    assert memory.flush() == kit.records.WAITING
    memory.note(kit.state(1), 999_999)
    assert memory.flush() == kit.records.WAITING
    memory.note(kit.state(1), 1_000_000)
    assert memory.flush() == 0


def check_a_failed_flush_is_tried_again_within_the_ration(kit):
    memory = kit.memory()
    memory.note(kit.state(1), 0)
    again = kit.failing_open(OSError(28, "full"))
    tried = []
    for second in range(1, 3000):
        memory.note(kit.state(1), second * 1_000_000 % WRAP_US)
        code = memory.flush()
        assert code in (kit.records.FULL, kit.records.WAITING)
        if code == kit.records.FULL:
            tried.append(second)
    assert tried == [1, 11, 31, 71, 151, 311, 631, 1271, 2551]
    again()
    assert kit.memory().entry(0)["count"] == 0
    for second in range(3000, 6000):
        memory.note(kit.state(1), second * 1_000_000 % WRAP_US)
        if memory.flush() == 0:
            break
    assert second == 2551 + 2560
    assert kit.memory().entry(0)["count"] == 1


def check_clear(kit):
    memory = kit.memory(1)
    memory.note(kit.state(5), 0)
    memory.note(kit.state(5), 1_000_000)
    assert memory.flush() == 0
    again = kit.failing_open(OSError(30, "read only"))
    assert memory.clear() == kit.records.READ_ONLY
    again()
    assert memory.entry(0)["count"] == 1
    assert kit.memory().entry(0)["count"] == 1
    memory.latch(1)
    assert memory.clear() == 0
    assert memory.due() == kit.records.NOTHING
    assert (memory.latched(), memory.newest_boot()) == (0, 0)
    for code in (0, 2):
        assert set(memory.entry(code).values()) == {0}
        assert set(memory.snapshot(code)) == {0}
        assert kit.memory().entry(code)["count"] == 0
    assert kit.memory().pair.refused == 0
    # The clock goes on, and what is still there counts anew, in this boot.
    assert memory.seconds() == 1
    memory.note(kit.state(4, fill=7), 2_000_000)
    entry = memory.entry(2)
    assert (entry["count"], entry["first_s"], entry["first_boot"]) == (1, 2, 1)
    assert memory.entry(0)["count"] == 0


def check_a_torn_fault_record(kit):
    memory = kit.memory(1)
    memory.note(kit.state(1), 0)
    memory.note(kit.state(1), 1_000_000)
    assert memory.flush() == 0
    memory.note(kit.state(3), 12_000_000)
    assert memory.flush() == 0
    whole = kit.read("faults_b.bin")
    kit.write("faults_b.bin", whole[:-7])
    torn = kit.memory()
    assert (torn.entry(0)["count"], torn.entry(1)["count"]) == (1, 0)
    assert (torn.pair.codes, torn.pair.refused) == ([0, kit.records.TORN], 1)
    kit.write("faults_a.bin", whole[:7])
    torn = kit.memory()
    assert torn.entry(0)["count"] == 0
    assert torn.pair.refused == 2
    assert torn.newest_boot() == 0


def check_a_fault_record_of_another_firmware(kit):
    words = ENTRY_FIELDS + kit.faults.SNAPSHOT_WORDS
    pair = kit.memory().pair

    def loaded(*record):
        assert pair.save(bytes(array("i", record))) == 0
        return kit.memory()

    fields = [3, 1, 10, 20, 30, 40, 123456]
    for snapshot in (words - ENTRY_FIELDS - 1, words - ENTRY_FIELDS, words - ENTRY_FIELDS + 3, 0):
        width = 1 + ENTRY_FIELDS + snapshot
        row = fields + list(range(1, snapshot + 1))
        body = [9] + row + [30] + row
        memory = loaded(width, 2, *body)
        for code in (9, 30):
            assert [memory.entry(code)[name] for name in kit.faults.FIELDS] == fields
            kept = min(snapshot, kit.faults.SNAPSHOT_WORDS)
            wanted = list(range(1, kept + 1)) + [0] * (kit.faults.SNAPSHOT_WORDS - kept)
            assert memory.snapshot(code) == wanted
        assert memory.entry(10)["count"] == memory.entry(8)["count"] == 0
        assert memory.pair.refused == 0
        assert memory.newest_boot() == 30
    for code in (-1, 31):
        row = [code] + fields + [2] + fields
        memory = loaded(8, 2, *row)
        assert memory.pair.refused == 1
        assert [memory.entry(c)["count"] for c in range(31)] == [3 if c == 2 else 0 for c in range(31)]
    wrong = [
        [], [8], [8, 1], [8, 1, 2] + fields[:-1], [8, 2, 2] + fields, [7, 1, 2] + fields[:-1], [8, -1], [8, 0, 0],
        [0, 5], [-8, -1, 1] + fields[:-1],
    ]  # fmt: skip
    for record in wrong:
        memory = loaded(*record)
        assert memory.pair.refused == 1, record
        assert [memory.entry(c)["count"] for c in range(31)] == [0] * 31
    assert pair.save(bytes(array("i", [8, 1, 2] + fields)) + b"x") == 0
    memory = kit.memory()
    assert (memory.pair.refused, memory.entry(2)["count"]) == (1, 0)
    assert loaded(8, 0).pair.refused == 0


def check_a_copy_is_of_one_moment(kit):
    memory = kit.memory()
    memory.note(kit.state(1), 0)
    memory.note(kit.state(1), 1_000_000)
    pack = kit.faults._pack
    calls = []

    def disturbed(journal, out):
        words = pack(journal, out)
        calls.append(words)
        if latching:
            memory.latch(1 << len(calls))
        elif len(calls) < disturbances:
            # A tick that comes while the entries are copied.
            memory.note(kit.state(1 | len(calls) % 2 << 1), 1_000_000)
        return words

    kit.faults._pack = disturbed
    disturbances, latching = 2, False
    assert memory.flush() == 0
    assert len(calls) == 2
    # What came in between is in the copy and still marked for the next write.
    assert kit.memory().entry(1)["count"] == 1
    assert memory.due() == kit.records.WAITING
    # It does not try for ever.
    calls.clear()
    disturbances = 99
    memory.note(kit.state(4), 30_000_000)
    assert memory.flush() == 0
    assert len(calls) == 4
    calls.clear()
    latching = True
    memory.note(kit.state(4 | 8), 60_000_000)
    assert memory.flush() == 0
    assert len(calls) == 4
    kit.faults._pack = pack


def check_a_tick_allocates_nothing(kit):
    memory = kit.memory()
    quiet, loud = kit.state(0), kit.state((1 << 31) - 1, fill=1)
    memory.note(loud, 0)
    kit.gc.collect()
    kit.micropython.heap_lock()
    kept = kit.gc.mem_alloc()
    total = kit.micropython.mem_total()
    now = 0
    for i in range(500):
        now = (now + 3_000_001) & (WRAP_US - 1)
        memory.note(loud if i & 1 else quiet, now)
        memory.latch(1 << 29)
        memory.due()
    total = kit.micropython.mem_total() - total
    kept = kit.gc.mem_alloc() - kept
    kit.micropython.heap_unlock()
    assert (kept, total) == (0, 0)
    assert memory.entry(30)["count"] == 251
    assert memory.latched() == 1 << 29


# Boots


def check_boots_are_counted(kit):
    for i in range(5):
        record = kit.begun(kit.boot.BROWN_OUT if i else kit.boot.POWER_ON)
        assert (record.count, record.code, record.kept) == (i + 1, 0, True)
        assert (record.stay_safe, record.lost) == (False, False)
        assert record.cause == (kit.boot.BROWN_OUT if i else kit.boot.POWER_ON)
    assert kit.begun(kit.boot.SOFT, least=3).count == 6
    assert kit.begun(kit.boot.SOFT, least=100).count == 101


def check_the_policy_is_total(kit):
    boot = kit.boot
    causes = [row[0] for row in boot.POLICY]
    assert causes == [boot.POWER_ON, boot.WATCHDOG, boot.BROWN_OUT, boot.SOFT, boot.OTHER] == list(range(5))
    for odd in (-1, 5, 1000):
        assert kit.begun(odd).cause == boot.OTHER
    assert kit.begun(boot.WATCHDOG).cause == boot.WATCHDOG


def check_three_hangs_hold_until_power_on(kit):
    boot = kit.boot
    for _ in range(2):
        assert [kit.begun(boot.WATCHDOG).stay_safe for _ in range(5)] == [False, False, True, True, True]
        for cause in (boot.BROWN_OUT, boot.SOFT, boot.OTHER, 77, boot.WATCHDOG):
            assert kit.begun(cause).stay_safe
        record = kit.begun(boot.SOFT)
        record.settle(1000)
        assert record.stay_safe
        assert kit.begun(boot.SOFT).stay_safe
        assert not kit.begun(boot.POWER_ON).stay_safe
        # And the hangs before it are forgotten.
        assert not kit.begun(boot.WATCHDOG).stay_safe
        assert not kit.begun(boot.POWER_ON).stay_safe


def check_other_resets_neither_count_nor_forgive(kit):
    boot = kit.boot
    assert not kit.begun(boot.WATCHDOG).stay_safe
    for _ in range(4):
        for cause in (boot.BROWN_OUT, boot.SOFT, boot.OTHER):
            assert not kit.begun(cause).stay_safe
    assert not kit.begun(boot.WATCHDOG).stay_safe
    assert not kit.begun(boot.SOFT).stay_safe
    assert kit.begun(boot.WATCHDOG).stay_safe


def check_a_minute_without_a_hang_forgives(kit):
    boot = kit.boot
    for run_s, forgiven in ((0, False), (60, False), (61, True)):
        kit.begun(boot.POWER_ON)
        kit.begun(boot.WATCHDOG)
        record = kit.begun(boot.WATCHDOG)
        files = kit.read("boot_a.bin"), kit.read("boot_b.bin")
        assert record.settle(run_s) == (0 if forgiven else kit.records.NOTHING)
        assert ((kit.read("boot_a.bin"), kit.read("boot_b.bin")) != files) == forgiven
        # Written once, and not at all without a hang.
        files = kit.read("boot_a.bin"), kit.read("boot_b.bin")
        if forgiven:
            for later in range(62, 70):
                assert record.settle(later) == kit.records.NOTHING
        assert (kit.read("boot_a.bin"), kit.read("boot_b.bin")) == files
        assert kit.begun(boot.WATCHDOG).stay_safe == (not forgiven)
    record = kit.begun(boot.POWER_ON)
    assert record.settle(100) == kit.records.NOTHING


def check_the_window_slides_with_backup_memory(kit):
    boot = kit.boot
    # Seconds that the boots before each hang ran, and which hang holds.
    for runs, holds in (
        ((5, 30, 30), 3),
        ((5, 30, 31), None),
        ((5, 60, 0), 3),
        ((5, 61, 0), None),
        ((5, 40, 40, 21), None),
        ((5, 40, 40, 20), 4),
        ((0, 0, 0), 3),
    ):
        backup = bytearray(b"\xa5" * 64)
        assert not kit.begun(boot.POWER_ON, backup).stay_safe
        record = kit.begun(boot.SOFT, backup)
        held = None
        for i, run_s in enumerate(runs):
            for second in range(run_s + 1):
                record.settle(second)
            record = kit.begun(boot.WATCHDOG, backup)
            if record.stay_safe and held is None:
                held = i + 1
        # The hangs two apart decide: 40 + 20 s hold, 40 + 21 s and 40 + 40 s do not.
        assert held == holds, (runs, held)
        assert backup[boot.BACKUP_BYTES :] == b"\xa5" * (64 - boot.BACKUP_BYTES)


def check_a_torn_boot_record_is_safe(kit):
    boot = kit.boot
    for cause in range(5):
        for _ in range(3):
            kit.begun(boot.POWER_ON)
        count = kit.begun(boot.POWER_ON).count
        one, two = kit.read("boot_a.bin"), kit.read("boot_b.bin")
        # One torn: the other serves.
        kit.write("boot_a.bin", one[:-1])
        record = kit.begun(cause)
        assert (record.stay_safe, record.lost, record.pair.refused) == (False, False, 1)
        assert count - 1 <= record.count - 1 <= count
        # Both: the count begins at what else is known, and only a power-on is trusted.
        kit.write("boot_a.bin", one[:-1])
        kit.write("boot_b.bin", flipped(two, 8 * 25))
        record = kit.begun(cause, least=40)
        assert (record.stay_safe, record.lost) == (cause != boot.POWER_ON, True)
        assert record.count == 41
        assert record.pair.refused == 2
        # That hold is written down.
        assert kit.begun(boot.SOFT).stay_safe == (cause != boot.POWER_ON)
    # A record that is whole, but not this one's.
    for path in ("boot_a.bin", "boot_b.bin"):
        kit.write(path, b"")
    pair = kit.boot.BootRecord(kit.folder).pair
    assert pair.save(b"short") == 0
    record = kit.begun(boot.SOFT)
    assert (record.lost, record.stay_safe, record.count) == (True, True, 1)


def check_a_first_start_is_no_loss(kit):
    for cause in range(5):
        for path in ("boot_a.bin", "boot_b.bin"):
            kit.write(path, b"")
        record = kit.begun(cause)
        assert (record.stay_safe, record.lost, record.count) == (False, False, 1)


def check_a_boot_that_cannot_be_written(kit):
    boot = kit.boot
    assert not kit.begun(boot.POWER_ON).stay_safe
    for error, code in ((OSError(5, "x"), kit.records.FAILED), (OSError(30, "x"), kit.records.READ_ONLY),
                        (MemoryError(), kit.records.NO_MEMORY)):  # fmt: skip
        for cause in range(5):
            again = kit.failing_open(error)
            record = kit.begun(cause)
            assert (record.code, record.kept) == (code, False)
            assert record.stay_safe == (cause != boot.POWER_ON)
            assert record.settle(61) in (code, kit.records.NOTHING)
            again()
    # Backup memory serves instead.
    backup = bytearray(boot.BACKUP_BYTES)
    again = kit.failing_open(OSError(5, "x"))
    assert not kit.begun(boot.POWER_ON, backup).stay_safe
    assert [kit.begun(boot.WATCHDOG, backup).stay_safe for _ in range(3)] == [False, False, True]
    record = kit.begun(boot.SOFT, backup)
    assert (record.stay_safe, record.kept, record.lost, record.count) == (True, True, False, 5)
    again()


def check_backup_memory_may_hold_anything(kit):
    boot = kit.boot
    assert boot.BACKUP_BYTES == 44
    backup = bytearray(boot.BACKUP_BYTES)
    kit.begun(boot.POWER_ON, backup)
    assert struct.unpack("<I", backup[8:12])[0] == 0
    kit.begun(boot.WATCHDOG, backup)
    record = kit.begun(boot.WATCHDOG, backup)
    record.settle(100)
    record = kit.begun(boot.WATCHDOG, backup)
    record.settle(59)
    good = bytes(backup)
    assert not record.stay_safe
    count = record.count
    files = kit.read("boot_a.bin"), kit.read("boot_b.bin")
    assert struct.unpack("<I", good[8:12])[0] == 59
    for bit in range(8 * boot.BACKUP_BYTES):
        kit.write("boot_a.bin", files[0])
        kit.write("boot_b.bin", files[1])
        torn = bytearray(flipped(good, bit))
        record = kit.begun(boot.SOFT, torn)
        # The flash's record is taken; no running time is known.
        assert (record.count, record.stay_safe, record.lost, record._ages) == (count + 1, False, False, [0])
    kit.write("boot_a.bin", files[0])
    kit.write("boot_b.bin", files[1])
    assert kit.begun(boot.SOFT, bytearray(good))._ages == [59]
    # Too small: as if there was none.
    assert kit.boot.BootRecord(kit.folder, bytearray(boot.BACKUP_BYTES - 1)).backup is None


def check_backup_memory_left_behind_by_the_flash(kit):
    boot = kit.boot
    backup = bytearray(boot.BACKUP_BYTES)
    kit.begun(boot.POWER_ON, backup)
    kit.begun(boot.WATCHDOG, backup).settle(50)
    old = bytearray(backup)
    # A boot without it: the flash is newer then.
    assert kit.begun(boot.WATCHDOG).count == 3
    record = kit.begun(boot.SOFT, old)
    assert (record.count, record._ages) == (4, [0, 0])
    # A backup that is ahead of the flash, whose write was cut short.
    files = kit.read("boot_a.bin"), kit.read("boot_b.bin")
    kit.begun(boot.WATCHDOG, old)
    kit.write("boot_a.bin", files[0])
    kit.write("boot_b.bin", files[1])
    record = kit.begun(boot.SOFT, old)
    assert (record.count, record.stay_safe) == (6, True)
    # Both files lost, the backup whole.
    kit.write("boot_a.bin", b"?")
    kit.write("boot_b.bin", b"?")
    record = kit.begun(boot.SOFT, old)
    assert (record.count, record.stay_safe, record.lost) == (7, True, False)
    # A power-on lifts the hold, whatever a battery kept.
    assert not kit.begun(boot.POWER_ON, old).stay_safe


def check_backup_memory_that_does_not_hold(kit):
    class Rom(bytearray):
        """Takes every write and keeps none."""

        def __setitem__(self, place, value):
            pass

    boot = kit.boot
    again = kit.failing_open(OSError(5, "x"))
    record = kit.begun(boot.SOFT, Rom(boot.BACKUP_BYTES))
    assert (record.kept, record.stay_safe) == (False, True)
    again()


def check_boot_count_ends(kit):
    kit.begun(kit.boot.POWER_ON, least=MOST_COUNT - 2)
    assert kit.begun(kit.boot.SOFT).count == MOST_COUNT
    assert kit.begun(kit.boot.SOFT).count == MOST_COUNT


# All together


def check_a_boards_life(kit):
    boot = kit.boot
    store = kit.store.Store(kit.folder, bytearray(64))
    assert store.start(boot.POWER_ON) is None
    assert (store.record.count, store.record.stay_safe) == (1, False)
    assert store.calibrations.write_spare(kit.images[0]) == 0
    for second in range(5):
        store.faults.note(kit.state(second % 2), second * 1_000_000)
        store.idle()
    assert (store.condition(), store.refused(), store.faults.writes) == (0, 0, 1)
    backup = store.record.backup
    assert struct.unpack_from("<I", backup, 8)[0] == 4
    store = kit.store.Store(kit.folder, backup)
    assert bytes(store.start(boot.WATCHDOG)) == kit.images[0]
    assert (store.record.count, store.record._ages) == (2, [0])
    assert store.faults.entry(0)["first_boot"] == 1
    store.faults.note(kit.state(2), 0)
    assert store.faults.entry(1)["first_boot"] == 2
    # A boot record that is lost goes on from the newest boot that a fault knows of.
    store.faults.note(kit.state(2), 1_000_000)
    store.idle()
    for path in ("boot_a.bin", "boot_b.bin"):
        kit.write(path, b"?")
    store = kit.store.Store(kit.folder)
    store.start(boot.POWER_ON)
    assert (store.record.count, store.record.lost, store.refused()) == (3, True, 2)


def check_the_condition_is_the_last_writes(kit):
    boot = kit.boot
    store = kit.store.Store(kit.folder)
    again = kit.failing_open(OSError(28, "full"))
    assert store.start(boot.POWER_ON) is None
    assert store.condition() == kit.records.FULL
    store.faults.note(kit.state(1), 0)
    store.faults.note(kit.state(1), 1_000_000)
    store.idle()
    assert store.calibrations.write_spare(kit.images[0]) == kit.records.FULL
    again()
    assert store.calibrations.write_spare(kit.images[0]) == 0
    assert store.condition() == kit.records.FULL
    store.record.begin(boot.POWER_ON)
    assert store.condition() == kit.records.FULL
    store.faults.note(kit.state(1), 20_000_000)
    store.idle()
    assert store.condition() == 0
    again = kit.failing_open(OSError(5, "x"))
    assert store.calibrations.write_spare(kit.images[0]) == kit.records.FAILED
    again()
    assert store.condition() == kit.records.FAILED


CHECKS = [name for name in globals() if name.startswith("check_")]


def main():
    sys.path.insert(0, sys.argv[1])
    import gc

    import micropython

    from dashpot import boot, fault_memory, image, records, store

    images = []
    for path in sys.argv[3:6]:
        with open(path, "rb") as file:
            images.append(file.read())
    modules = records, image, store, boot, fault_memory, micropython, gc
    globals()[sys.argv[6]](Kit(modules, sys.argv[2], images))
    print("fine")


if __name__ == "__main__" and sys.implementation.name == "micropython":
    main()
