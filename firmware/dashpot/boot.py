"""The boot record: how often the controller started, why, and whether it hangs too often to be let loose again.

Running time counts, not time of day. Without backup memory nothing tells how long a boot lasted that ended within a
minute; it then counts as no time at all, which errs toward staying safe.
"""

import struct

from micropython import const

from dashpot.records import ABSENT, FINE, HEAD_BYTES, NOTHING, Pair, judge, seal, version_of

POWER_ON = 0
WATCHDOG = 1
BROWN_OUT = 2
SOFT = 3
OTHER = 4

# What a reset does to the memory of hangs. Three hangs within 60 s of running time hold the controller in its safe
# current; only a power-on lifts that. When no record can be read although there was one, or none can be written, the
# hold is on after every reset that does not lift it: the hangs cannot be counted then.
POLICY = (
    # cause, counts as a hang, lifts the hold and forgets the hangs
    (POWER_ON, False, True),
    (WATCHDOG, True, False),
    (BROWN_OUT, False, False),
    (SOFT, False, False),
    (OTHER, False, False),
)
HANGS = 3
WINDOW_S = 60

# The ages are the running time since the last hangs, -1 where there is none.
_DECLARATION = "boot: count, cause, hold, age_s, age_s, age_s: int32"
_FIELDS = "<6i"
_FIELDS_BYTES = const(24)
_MAGIC = b"DPBR"
_NO_AGE = const(-1)
_COUNT_MOST = const(0x3FFFFFFF)
_RUN_MOST_S = const(0x0FFFFFFF)
BACKUP_BYTES = HEAD_BYTES + _FIELDS_BYTES


class BootRecord:
    """The record of this boot: `count`, `cause`, `stay_safe`.

    `lost` says that there was a record and none could be read, `kept` that this boot's is written somewhere.
    """

    def __init__(self, folder: str, backup: "bytearray | memoryview | None" = None) -> None:
        """Take the folder of the files and, where the board has it, memory that outlives a reset.

        Args:
            folder: where the files are.
            backup: at least `BACKUP_BYTES`; it need not outlive a loss of power, and what it holds may be anything.

        """
        self.version = version_of(_DECLARATION)
        self.pair = Pair(folder, "boot", _MAGIC, self.version, _FIELDS_BYTES)
        self.backup = backup if backup is not None and len(backup) >= BACKUP_BYTES else None
        self.count = 0
        self.cause = OTHER
        self.stay_safe = False
        self.lost = False
        self.kept = False
        self._ages: "list[int]" = []

    def begin(self, cause: int, least_count: int = 0) -> int:
        """Count this boot and write it down, once; give the code of the write.

        Args:
            cause: one of this module's causes; any other number counts as OTHER.
            least_count: a boot number known from elsewhere, for the case that the record is lost.

        """
        self.cause, counts, lifts = _rule(cause)
        run_s = self._recall()
        self.count = min(max(self.count, least_count) + 1, _COUNT_MOST)
        self._ages = [age + run_s for age in self._ages if age + run_s <= WINDOW_S]
        if lifts:
            self._ages = []
            self.stay_safe = False
        elif self.lost:
            self.stay_safe = True
        if counts:
            self._ages.append(0)
            if len(self._ages) >= HANGS:
                self.stay_safe = True
        # The backup comes first: a hang in the middle of the file system is then counted too.
        backed_up = self._back_up(0)
        code = self.pair.save(self._packed())
        self.kept = backed_up or code == FINE
        if not self.kept and not lifts:
            self.stay_safe = True
        return code

    def settle(self, run_s: int) -> int:
        """Tell, about once a second outside the tick, how long this boot has run; give a code.

        Once the window is over the hangs before it are forgotten: one write in a boot, and only after a hang.
        """
        code = NOTHING
        if run_s > WINDOW_S and self._ages:
            self._ages = []
            code = self.pair.save(self._packed())
        self._back_up(min(run_s, _RUN_MOST_S))
        return code

    def _recall(self) -> int:
        """Take over the newest record; give how long the boot it belongs to is known to have run."""
        found = self.pair.load()
        self.lost = False
        if found is not None and len(found) == _FIELDS_BYTES:
            self._take(found)
        elif any(code != ABSENT for code in self.pair.codes):
            self.lost = True
        backup = self.backup
        if backup is None or judge(backup, _MAGIC, self.version) != FINE:
            return 0
        run_s = struct.unpack_from("<I", backup, 8)[0]
        fields = bytes(memoryview(backup)[HEAD_BYTES:BACKUP_BYTES])
        whole = seal(_MAGIC, self.version, run_s, fields) == bytes(memoryview(backup)[:HEAD_BYTES])
        if not whole or struct.unpack(_FIELDS, fields)[0] < self.count:
            return 0
        self.lost = False
        self._take(fields)
        return run_s

    def _take(self, fields: "bytes | bytearray") -> None:
        self.count, _, hold, first, second, third = struct.unpack(_FIELDS, fields)
        self.stay_safe = bool(hold)
        self._ages = [age for age in (first, second, third) if age != _NO_AGE]

    def _packed(self) -> bytes:
        ages = (self._ages + [_NO_AGE] * HANGS)[:HANGS]
        return struct.pack(_FIELDS, self.count, self.cause, int(self.stay_safe), *ages)

    def _back_up(self, run_s: int) -> bool:
        """Put the record into the backup memory; False where there is none or it does not hold."""
        backup = self.backup
        if backup is None:
            return False
        fields = self._packed()
        record = bytes(seal(_MAGIC, self.version, run_s, fields)) + fields
        backup[:BACKUP_BYTES] = record
        return bytes(memoryview(backup)[:BACKUP_BYTES]) == record


def _rule(cause: int) -> "tuple[int, bool, bool]":
    """Give a cause's row of the policy; that of OTHER for an unknown number."""
    for row in POLICY:
        if row[0] == cause:
            return row
    return _rule(OTHER)
