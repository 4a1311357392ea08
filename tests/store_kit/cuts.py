"""Cut the supply at every erase and program of the store's writes, on littlefs, in the real interpreter.

    micropython cuts.py FIRMWARE BLOCKS BLOCK_BYTES PROGRAM_BYTES EVERY IMAGE IMAGE IMAGE [NAME ...]

A scenario is a row of steps, each of which writes one thing. First it runs uncut, and what a start finds after each
step is kept. Then it runs again and again, cut at each event in turn and in each flavour: a start must then find what
was there before the step at hand or what is there after it. From there the step is tried once more, cut a second time
at each of its events (at every EVERYth, beginning elsewhere each time), and the same must hold. Prints one line of
JSON a scenario.
"""

# MicroPython has no pathlib and no strict zip; a scenario need not look at its step.
# ruff: noqa: PTH102, PTH123, B905, ARG002, T201

import gc
import json
import os
import sys
from array import array

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rpartition("/")[0] or ".")

import vfs
from flash import FLAVOURS, Flash

from dashpot import boot, fault_memory, store

BLOCKS, BLOCK_BYTES, PROGRAM_BYTES, EVERY = (int(word) for word in sys.argv[2:6])
FOLDER = "/flash"
SHOWN = 10


def contents(path):
    with open(path, "rb") as file:
        return file.read()


IMAGES = [contents(path) for path in sys.argv[6:9]]
STATE = array("i", bytes(4 * 1024))
FAULTS_WORD = fault_memory.SNAPSHOT[1][0]


class Scenario:
    """Steps, each of which writes one thing; `find` says what a start makes of the flash."""

    steps = 1
    in_one_go = False
    moves = False

    def prepare(self):
        pass


class NewCalibration(Scenario):
    """A new calibration over an old one, with the one before that in the spare slot."""

    def prepare(self):
        for image in IMAGES[:2]:
            self.write(image)

    def write(self, image):
        slots = store.Calibrations(FOLDER)
        slots.choose()
        return slots.write_spare(image)

    def step(self, i):
        return self.write(IMAGES[(i + 2) % 3])

    def find(self):
        found = store.Calibrations(FOLDER).choose()
        return None if found is None else IMAGES.index(bytes(found))


class FirstCalibration(NewCalibration):
    """The first calibration of an empty board."""

    def prepare(self):
        pass


class SixCalibrations(NewCalibration):
    """One calibration after another, so that the file system has to tidy up in between."""

    steps = 6


class Revert(NewCalibration):
    """Back to the calibration before, and forth again."""

    steps = 3

    def step(self, i):
        slots = store.Calibrations(FOLDER)
        slots.choose()
        return slots.revert()


class Flush(Scenario):
    """One fault after another, each written down."""

    steps = 8

    def step(self, i):
        memory = fault_memory.FaultMemory(FOLDER)
        memory.load()
        memory.start(i + 1)
        STATE[FAULTS_WORD] = 1 << (i % 3 * 15) | 1 << i
        STATE[0] = i
        memory.note(STATE, 0)
        memory.note(STATE, 20_000_000)
        return memory.flush()

    def find(self):
        memory = fault_memory.FaultMemory(FOLDER)
        memory.load()
        return [[memory.entry(code), memory.snapshot(code)] for code in range(fault_memory.CODES)]


class Clear(Flush):
    """The fault memory cleared."""

    steps = 1

    def prepare(self):
        for i in range(3):
            Flush.step(self, i)

    def step(self, i):
        memory = fault_memory.FaultMemory(FOLDER)
        memory.load()
        return memory.clear()


class Boots(Scenario):
    """One start after another."""

    steps = 40
    cause = boot.BROWN_OUT

    def step(self, i):
        return boot.BootRecord(FOLDER).begin(self.cause)

    def find(self):
        record = boot.BootRecord(FOLDER)
        record.begin(boot.BROWN_OUT)
        return [record.count, record.stay_safe, record.lost]


class Hangs(Boots):
    """Start after start by the watchdog: at the third it stays safe."""

    steps = 4
    cause = boot.WATCHDOG


class Settled(Boots):
    """After two hangs, a minute without one: they are forgotten, so the next hang does not hold."""

    steps = 1

    def prepare(self):
        for _ in range(boot.HANGS - 1):
            boot.BootRecord(FOLDER).begin(boot.WATCHDOG)

    def step(self, i):
        record = boot.BootRecord(FOLDER)
        record._recall()
        return record.settle(boot.WINDOW_S + 1)

    def find(self):
        record = boot.BootRecord(FOLDER)
        record.begin(boot.WATCHDOG)
        return [record.count, record.stay_safe]


class Moved(Boots):
    """Starts about the time when the file system, to spread its wear, moves the directory to other blocks."""

    steps = 24
    moves = True
    before = 12
    folder = FOLDER

    def prepare(self):
        # On a flash of its own first, to know after how many starts it happens.
        flash = Flash(BLOCKS, BLOCK_BYTES, PROGRAM_BYTES)
        vfs.VfsLfs2.mkfs(flash, progsize=PROGRAM_BYTES)
        probe = self.folder.replace(FOLDER, "/probe")
        vfs.mount(vfs.VfsLfs2(flash, progsize=PROGRAM_BYTES), "/probe")
        self.make_folder(probe)
        boot.BootRecord(probe).begin(boot.BROWN_OUT)
        starts, used = 1, used_blocks(flash)
        while used_blocks(flash) == used:
            boot.BootRecord(probe).begin(boot.BROWN_OUT)
            starts += 1
        vfs.umount("/probe")
        self.make_folder(self.folder)
        for _ in range(starts - self.before):
            boot.BootRecord(self.folder).begin(boot.BROWN_OUT)

    def make_folder(self, folder):
        pass

    def step(self, i):
        return boot.BootRecord(self.folder).begin(boot.BROWN_OUT)

    def find(self):
        record = boot.BootRecord(self.folder)
        record.begin(boot.BROWN_OUT)
        return [record.count, record.stay_safe, record.lost]


class FolderMoved(Moved):
    """The same with a folder that has another one above it."""

    folder = FOLDER + "/kept"

    def make_folder(self, folder):
        os.mkdir(folder)


def used_blocks(flash):
    return sum(1 for erases in flash.block_erases if erases)


class WholeLife(Scenario):
    """A board's life: start, a fault, a new calibration, again and again."""

    steps = 9
    in_one_go = True

    def prepare(self):
        NewCalibration().prepare()

    def step(self, i):
        if i % 3 == 0:
            return Boots().step(i)
        if i % 3 == 1:
            return Flush().step(i)
        return NewCalibration().write(IMAGES[i // 3])

    def find(self):
        return [NewCalibration().find(), Flush().find(), Boots().find()]


SCENARIOS = (
    NewCalibration, FirstCalibration, SixCalibrations, Revert, Flush, Clear, Boots, Hangs, Settled, Moved, FolderMoved,
    WholeLife,
)  # fmt: skip


def mounted(flash):
    vfs.mount(vfs.VfsLfs2(flash, progsize=PROGRAM_BYTES), FOLDER)
    return flash


def unmounted(flash):
    vfs.umount(FOLDER)
    return flash


def found_on(scenario, flash):
    """What a start finds on a copy of a flash; the words of the error when it cannot even mount it."""
    try:
        copy = mounted(flash.after_cut())
    except OSError as error:
        return f"cannot mount: {error!r}"
    try:
        return scenario.find()
    finally:
        unmounted(copy)


def cut_run(scenario, start, first_step, last_step, cut_at, flavour):
    """Run steps on a copy of a flash with one cut; give the dead flash, the step of the cut and that step's code."""
    flash = start.after_cut()
    flash.cut_at, flash.flavour, flash.noise = cut_at, flavour, cut_at + 1
    mounted(flash)
    code = i = 0
    for i in range(first_step, last_step):
        try:
            code = scenario.step(i)
        except Exception as error:  # noqa: BLE001  # none may leave the store; it is shown as a failure
            code = repr(error)
        if flash.dead:
            break
    unmounted(flash)
    assert flash.dead, "no cut"
    return flash, i, code


def uncut_run(scenario, start, first_step, last_step):
    """Run steps on a copy of a flash; give it and what a start finds before and after each."""
    flash = start.after_cut()
    values = [found_on(scenario, flash)]
    mounted(flash)
    for i in range(first_step, last_step):
        code = scenario.step(i)
        assert code == 0, (i, code)
        values.append(found_on_mounted(scenario, flash))
    unmounted(flash)
    return flash, values


def found_on_mounted(scenario, flash):
    unmounted(flash)
    value = found_on(scenario, flash)
    mounted(flash)
    return value


def refused(code):
    """Whether a step that was cut said so by a code."""
    return isinstance(code, int) and code != 0


class Trial:
    """One scenario, cut everywhere, and everywhere again."""

    def __init__(self, scenario):
        self.scenario = scenario
        self.writes = self.erases = self.dirty_programs = 0
        self.first_cuts = self.second_cuts = self.kept = self.done = 0
        self.failures = []

    def run(self):
        """Cut all steps: each from where the one before ended, or all in one go where the scenario says so."""
        scenario = self.scenario
        start = Flash(BLOCKS, BLOCK_BYTES, PROGRAM_BYTES)
        vfs.VfsLfs2.mkfs(start, progsize=PROGRAM_BYTES)
        mounted(start)
        scenario.prepare()
        unmounted(start)
        begin = start
        moved = [False] * BLOCKS
        length = scenario.steps if scenario.in_one_go else 1
        for first_step in range(0, scenario.steps, length):
            flash, values = uncut_run(scenario, begin, first_step, first_step + length)
            for i in range(length):
                assert values[i] != values[i + 1], "a step that nobody sees proves nothing"
            self.cut_all(begin, first_step, length, flash.events(), values)
            self.writes += flash.events()
            self.erases += flash.erases
            self.dirty_programs += flash.dirty_programs
            moved = [old or bool(new) for old, new in zip(moved, flash.block_erases)]
            begin = flash
        if scenario.moves:
            fresh = [new and not old for old, new in zip(start.block_erases, moved)]
            assert any(fresh), "nothing was moved"

    def cut_all(self, begin, first_step, length, events, values):
        for cut_at in range(events):
            for flavour in FLAVOURS:
                dead, i, code = cut_run(
                    self.scenario, begin, first_step, first_step + length, cut_at, flavour
                )
                self.first_cuts += 1
                old, new = values[i - first_step], values[i - first_step + 1]
                found = found_on(self.scenario, dead)
                if not refused(code) or found not in (old, new):
                    self.failures.append(["first", cut_at, flavour, i, code, found])
                elif found == new:
                    self.done += 1
                else:
                    self.kept += 1
                    self.cut_again(dead, i, old, new, cut_at)
            gc.collect()

    def cut_again(self, dead, i, old, new, cut_at):
        """Try a step again that was cut, and cut it again."""
        again, values = uncut_run(self.scenario, dead, i, i + 1)
        if values != [old, new]:
            self.failures.append(["again", cut_at, i, values])
        for second_at in range((self.first_cuts + cut_at) % EVERY, again.events(), EVERY):
            flavour = FLAVOURS[self.second_cuts % len(FLAVOURS)]
            dead_again, _, code = cut_run(self.scenario, dead, i, i + 1, second_at, flavour)
            self.second_cuts += 1
            found = found_on(self.scenario, dead_again)
            if not refused(code) or found not in (old, new):
                self.failures.append(["second", cut_at, second_at, flavour, code, found])

    def report(self):
        return {
            "name": self.scenario.__class__.__name__,
            "writes": self.writes,
            "erases": self.erases,
            "first_cuts": self.first_cuts,
            "second_cuts": self.second_cuts,
            "kept_the_old": self.kept,
            "had_the_new": self.done,
            "dirty_programs": self.dirty_programs,
            "failures": self.failures[:SHOWN],
            "failed": len(self.failures),
        }


for kind in SCENARIOS:
    if not sys.argv[9:] or kind.__name__ in sys.argv[9:]:
        trial = Trial(kind())
        trial.run()
        print(json.dumps(trial.report()))
