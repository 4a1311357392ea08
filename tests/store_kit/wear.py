"""Count what the store costs a flash, on littlefs, in the real interpreter.

    micropython wear.py FIRMWARE BLOCKS BLOCK_BYTES PROGRAM_BYTES

Prints JSON: a day in which a fault comes and goes every second, and a thousand starts one after another.
"""

# ruff: noqa: T201  # the figures go to whoever started it

import json
import sys
from array import array

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rpartition("/")[0] or ".")

import vfs
from flash import Flash

from dashpot import boot, fault_memory

BLOCKS, BLOCK_BYTES, PROGRAM_BYTES = (int(word) for word in sys.argv[2:5])
FOLDER = "/flash"
DAY_S = 86400
BOOTS = 1000


def fresh():
    flash = Flash(BLOCKS, BLOCK_BYTES, PROGRAM_BYTES)
    vfs.VfsLfs2.mkfs(flash, progsize=PROGRAM_BYTES)
    flash = flash.after_cut()
    vfs.mount(vfs.VfsLfs2(flash, progsize=PROGRAM_BYTES), FOLDER)
    return flash


def summed(flash, **more):
    vfs.umount(FOLDER)
    return dict(
        erases=flash.erases,
        programs=flash.programs,
        programmed_bytes=flash.programmed_bytes,
        worst_block_erases=max(flash.block_erases),
        **more,
    )


def worst_day():
    """A day in which faults come and go each second, and every forty minutes one that never was before joins them."""
    flash = fresh()
    state = array("i", bytes(4096))
    word = fault_memory.SNAPSHOT[1][0]
    memory = fault_memory.FaultMemory(FOLDER)
    memory.load()
    memory.start(1)
    for second in range(DAY_S):
        seen = min(fault_memory.CODES, second // 2400 + 1)
        state[word] = (1 << seen) - 1 if second % 2 else 0
        memory.note(state, second * 1_000_000 & 0x3FFFFFFF)
        memory.flush()
    return summed(flash, writes=memory.writes)


def boots():
    """A thousand starts, each ended by a brown-out at once."""
    flash = fresh()
    for _ in range(BOOTS):
        boot.BootRecord(FOLDER).begin(boot.BROWN_OUT)
    return summed(flash, writes=BOOTS)


print(json.dumps({"worst_day": worst_day(), "boots": boots()}))
