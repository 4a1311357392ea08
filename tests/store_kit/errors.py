"""What the store makes of a littlefs that is read-only, full, broken or not there, in the real interpreter.

micropython errors.py FIRMWARE IMAGE IMAGE IMAGE
"""

# MicroPython has no pathlib.
# ruff: noqa: PTH107, PTH123, T201

import os
import sys
from array import array

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rpartition("/")[0] or ".")

import vfs
from flash import EIO, Flash

from dashpot import boot, fault_memory, records, store

FOLDER = "/flash"
STATE = array("i", bytes(4096))
FAULTS_WORD = fault_memory.SNAPSHOT[1][0]
IMAGES = []
for path in sys.argv[2:5]:
    with open(path, "rb") as file:
        IMAGES.append(file.read())


def mounted(flash, readonly=False):
    vfs.mount(vfs.VfsLfs2(flash, progsize=256), FOLDER, readonly=readonly)
    return flash


def made(blocks=32):
    flash = Flash(blocks, 4096, 256)
    vfs.VfsLfs2.mkfs(flash, progsize=256)
    return mounted(flash)


def live(code):
    """A board's start, fault, new calibration and revert: each write must come to this code and none may raise."""
    whole = store.Store(FOLDER)
    found = whole.start(boot.BROWN_OUT)
    assert whole.record.stay_safe == (code != 0), code
    assert whole.record.pair.condition == code
    STATE[FAULTS_WORD] = 6
    whole.faults.note(STATE, 0)
    whole.faults.note(STATE, 1_000_000)
    assert whole.faults.flush() == code, code
    whole.faults.note(STATE, 100_000_000)
    whole.idle()
    assert whole.calibrations.write_spare(IMAGES[1]) == code
    assert whole.condition() == code
    assert whole.faults.clear() == code
    return whole, found


# Nothing is mounted.
whole, found = live(records.FAILED)
assert found is None
assert whole.calibrations.codes in ([records.ABSENT] * 2, [records.FAILED] * 2)

# All well, to have something to lose.
flash = made()
live(0)
calibrations = store.Calibrations(FOLDER)
assert calibrations.choose() == IMAGES[1]
vfs.umount(FOLDER)
kept = bytes(flash.data)

# Read-only: what is there still runs.
mounted(flash, readonly=True)
whole, found = live(records.READ_ONLY)
assert found == IMAGES[1]
assert whole.calibrations.revert() == records.ABSENT
assert whole.record.count == 2
vfs.umount(FOLDER)
assert flash.data == kept

# Programming fails.
mounted(flash)
flash.write_error = EIO
whole, found = live(records.FAILED)
assert found == IMAGES[1]
assert whole.record.pair.errno == EIO
vfs.umount(FOLDER)
assert flash.data == kept
flash.write_error = 0

# Reading fails, after the file system was mounted.
mounted(flash)
flash.read_error = EIO
whole, found = live(records.FAILED)
assert found is None
assert whole.calibrations.codes == [records.FAILED] * 2
assert whole.refused() == 6
flash.read_error = 0
assert whole.start(boot.POWER_ON) == IMAGES[1]
assert not whole.record.stay_safe
vfs.umount(FOLDER)

# Full: the calibration does not fit beside the one that runs, and that one still does. Small records may fit.
flash = made()
whole = store.Store(FOLDER)
whole.start(boot.POWER_ON)
assert whole.calibrations.write_spare(IMAGES[0]) == 0
with open(FOLDER + "/ballast", "wb") as file:
    blocks = 0
    try:
        while blocks < 64:
            file.write(bytes(4096))
            file.flush()
            blocks += 1
    except OSError:
        pass
assert blocks < 64
whole = store.Store(FOLDER)
assert whole.start(boot.POWER_ON) == IMAGES[0]
assert whole.calibrations.write_spare(IMAGES[1]) == records.FULL
assert whole.condition() == records.FULL
assert whole.calibrations.pair.errno == 28
whole = store.Store(FOLDER)
assert whole.start(boot.POWER_ON) == IMAGES[0]
os.remove(FOLDER + "/ballast")
assert whole.calibrations.write_spare(IMAGES[1]) == 0
assert whole.calibrations.choose() == IMAGES[1]
assert whole.condition() == 0
vfs.umount(FOLDER)
print("fine")
