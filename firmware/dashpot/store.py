"""What the controller keeps: its calibration in two slots, its fault memory and its boot record.

A calibration is an image (see `image.read`) in one file of a pair (see `records`); the higher sequence number of two
images that this firmware takes runs. So a slot becomes the running one by the very write that completes it, and a cut
anywhere before leaves the other. The slot that runs is never written. `revert` writes the other slot's sequence number
anew, above or below that of the one that runs.
"""

from micropython import const

from dashpot import image
from dashpot.boot import BootRecord
from dashpot.fault_memory import FaultMemory
from dashpot.records import ABSENT, FINE, NO_MEMORY, Pair, version_of

_MAGIC = b"DPSL"
_DECLARATION = "slot: image"
_MOST_BYTES = const(65536)


class Calibrations:
    """The two slots.

    After `choose`: `running` is the slot that runs (-1: none), `codes` what became of each slot. The code of a slot
    that was not needed speaks of its record only: FINE there does not say that the firmware takes the image in it.
    """

    def __init__(self, folder: str) -> None:
        """Name the files; nothing is read yet."""
        self.pair = Pair(folder, "slot", _MAGIC, version_of(_DECLARATION), _MOST_BYTES)
        self.running = -1
        self.codes = [ABSENT, ABSENT]
        self.details = [0, 0]

    def choose(self) -> "bytearray | None":
        """Give the newest image that the firmware takes, or the other one, or None: then the built-in safe current."""
        pair = self.pair
        pair.scan()
        self.codes = list(pair.codes)
        self.details = [0, 0]
        self.running = -1
        first = max(pair.newest, 0)
        for slot in (first, 1 - first):
            if self.codes[slot] == FINE:
                data = self._taken_from(slot)
                if data is not None:
                    self.running = slot
                    return data
        return None

    def write_spare(self, data: "bytes | bytearray | memoryview") -> int:
        """Put an image into the slot that does not run, as the one to run from the next start; give a code.

        An image that the firmware would refuse changes nothing.
        """
        code, _ = taken(data)
        if code != FINE:
            return code
        stays = self.running if self.running >= 0 else self.pair.newest
        if stays < 0:
            return self.pair.write(0, 1, data)
        return self.pair.write(1 - stays, self.pair.sequences[stays] + 1, data)

    def revert(self) -> int:
        """Run the other slot from the next start, or stay with the running one if that was to happen; give a code."""
        pair = self.pair
        if self.running < 0:
            return ABSENT
        spare = 1 - self.running
        code = pair.look_at(spare)
        if code != FINE:
            return code
        data = self._taken_from(spare)
        if data is None:
            return self.codes[spare]
        running = pair.sequences[self.running]
        sequence = running + 1 if pair.sequences[spare] <= running else running - 1
        return pair.write(spare, sequence, data)

    def _taken_from(self, slot: int) -> "bytearray | None":
        """Give a slot's image if the firmware takes it, and note its code."""
        data = self.pair.payload(slot)
        if data is None:
            self.codes[slot] = self.pair.codes[slot]
            return None
        self.codes[slot], self.details[slot] = taken(data)
        return data if self.codes[slot] == FINE else None


def taken(data: "bytes | bytearray | memoryview") -> "tuple[int, int]":
    """Say whether the firmware takes an image: (FINE or the reason's code, detail)."""
    try:
        image.read(data)
    except image.Refused as refused:
        return refused.code, refused.detail
    except MemoryError:
        return NO_MEMORY, 0
    return FINE, 0


class Store:
    """All of it, for a board: `start` once, `idle` about once a second outside the tick."""

    def __init__(self, folder: str, backup: "bytearray | memoryview | None" = None) -> None:
        """Take the folder on the board's file system and, where there is some, its backup memory."""
        self.calibrations = Calibrations(folder)
        self.faults = FaultMemory(folder)
        self.record = BootRecord(folder, backup)

    def start(self, cause: int) -> "bytearray | None":
        """Count this boot, recall the faults and give the calibration to run, or None.

        `record.stay_safe` then says whether it may run at all.
        """
        self.faults.load()
        self.record.begin(cause, self.faults.newest_boot())
        self.faults.start(self.record.count)
        return self.calibrations.choose()

    def idle(self) -> None:
        """Write down what is due; `condition` says how that went."""
        self.faults.flush()
        self.record.settle(self.faults.seconds())

    def condition(self) -> int:
        """Give the code of the last write that failed and was not followed by a good one of its kind, else FINE."""
        for pair in self._pairs():
            if pair.condition != FINE:
                return pair.condition
        return FINE

    def refused(self) -> int:
        """Give how many files were there and not taken, since the start."""
        return sum([pair.refused for pair in self._pairs()])

    def _pairs(self) -> "tuple[Pair, Pair, Pair]":
        return self.record.pair, self.calibrations.pair, self.faults.pair
