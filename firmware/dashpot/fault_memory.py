"""The fault memory: what happened first and last, how often, and how things stood when it first did.

The tick fills a journal in memory and allocates nothing; `flush`, outside the tick, writes it down. Flash wears out, so
writes are rationed: see `FaultMemory.flush`. Only an explicit `clear` forgets.
"""

from array import array

import micropython
from micropython import const

from dashpot.records import FINE, NOTHING, SPENT, WAITING, Pair, version_of

# layout: begin (tools/gen_layout.py writes these from layout.toml)
_VERSION = const(471093882)
_S_DT_US = const(1)
_S_MODE = const(2)
_S_FAULTS = const(4)
_S_CHANNELS_LOST = const(5)
_S_CHANNELS_IMPLAUSIBLE = const(7)
_S_CORNERS_OFF = const(8)
_S_BOARD_SUPPLY_MV = const(14)
_S_BOARD_FLAGS = const(15)
_S_CHANNEL = const(16)
_S_AUTHORITY_Q10 = const(44)
_S_DEMAND_PERMILLE = const(81)
_S_TARGET_MA = const(85)
_S_CURRENT_MA = const(89)
_S_MEASURED_MA = const(93)
_S_DUTY_Q14 = const(97)
_N_CORNERS = const(4)
_N_CHANNELS = const(18)
# layout: end

CODES = 31

# The trace words that are kept as they were at a fault's first occurrence, and how many of each.
SNAPSHOT = (
    (_S_MODE, 1),
    (_S_FAULTS, 1),
    (_S_CHANNELS_LOST, 1),
    (_S_DT_US, 1),
    (_S_CHANNEL, _N_CHANNELS),
    (_S_AUTHORITY_Q10, 1),
    (_S_DEMAND_PERMILLE, _N_CORNERS),
    (_S_TARGET_MA, _N_CORNERS),
    (_S_CURRENT_MA, _N_CORNERS),
    (_S_MEASURED_MA, _N_CORNERS),
    (_S_DUTY_Q14, _N_CORNERS),
    (_S_BOARD_SUPPLY_MV, 1),
    (_S_BOARD_FLAGS, 1),
    (_S_CHANNELS_IMPLAUSIBLE, 1),
    (_S_CORNERS_OFF, 1),
)
_SNAPSHOT_WORDS = const(9 + _N_CHANNELS + 5 * _N_CORNERS)
SNAPSHOT_WORDS = _SNAPSHOT_WORDS

# Words of an entry; `layout` is the version of the layout that its snapshot belongs to.
FIELDS = ("count", "latched", "first_boot", "first_s", "last_boot", "last_s", "layout")
_COUNT = const(0)
_LATCHED = const(1)
_FIRST_BOOT = const(2)
_FIRST_S = const(3)
_LAST_BOOT = const(4)
_LAST_S = const(5)
_LAYOUT = const(6)
_FIELDS = const(7)
# In the journal, an entry also says which code's place has its snapshot: what comes in one tick shares one.
_PLACE = const(7)
_ENTRY = const(8)

# Words of the journal before its entries.
_BEFORE = const(0)  # faults of the tick before
_DISTURBED = const(1)  # an entry changed since a copy began
_STALE = const(2)  # there is something to write
_URGENT = const(3)  # and it happened, or latched, for the first time
_SECONDS = const(4)  # since this boot
_REST_US = const(5)
_NOW_US = const(6)
_STARTED = const(7)
_BOOT = const(8)
_ENTRIES = const(9)
_CODES = const(31)
_SNAPSHOTS = const(_ENTRIES + _CODES * _ENTRY)

# In the file: words of an entry with its code before it, number of entries, then those of codes that happened.
_DECLARATION = "faults: entry_words, entries; code, count, latched, first_boot, first_s, last_boot, last_s, layout, snapshot"
_MAGIC = b"DPFM"
_FILE_HEAD = const(2)
_ROW = const(1 + _FIELDS + _SNAPSHOT_WORDS)
_WORD_BYTES = const(4)
_MOST_BYTES = const(16384)
_COUNT_MOST = const(0x3FFFFFFF)
_CLOCK_MASK = const(0x3FFFFFFF)
_COPY_TRIES = const(4)
_YES = const(1)
_NO = const(0)

# The ration of flash writes: the first a second after the start, so that what comes together is written together, then
# 10 s later, and each further wait is twice as long. What never happened before waits 10 s only.
FIRST_WAIT_S = 1
WAIT_S = 10
WAIT_MOST_S = 3600
WRITES_MOST = 48


@micropython.viper
def _note(journal: ptr32, places: ptr32, state: ptr32, now_us: int):
    """Keep the clock and put the tick's faults into the journal."""
    if journal[_STARTED] == 0:
        journal[_STARTED] = _YES
        journal[_NOW_US] = now_us
    rest = journal[_REST_US] + ((now_us - journal[_NOW_US]) & _CLOCK_MASK)
    journal[_NOW_US] = now_us
    if rest >= 1000000:
        whole = rest // 1000000
        rest -= whole * 1000000
        journal[_SECONDS] += whole
    journal[_REST_US] = rest
    faults = state[_S_FAULTS]
    before = journal[_BEFORE]
    if faults | before:
        shared = -1
        journal[_DISTURBED] = _YES
        for code in range(_CODES):
            bit = 1 << code
            if faults & bit:
                at = _ENTRIES + code * _ENTRY
                if not before & bit:
                    if journal[at + _COUNT] == 0:
                        journal[_URGENT] = _YES
                        journal[at + _FIRST_BOOT] = journal[_BOOT]
                        journal[at + _FIRST_S] = journal[_SECONDS]
                        journal[at + _LAYOUT] = _VERSION
                        if shared < 0:
                            shared = code
                            to = _SNAPSHOTS + code * _SNAPSHOT_WORDS
                            for i in range(_SNAPSHOT_WORDS):
                                journal[to + i] = state[places[i]]
                        journal[at + _PLACE] = shared
                    if journal[at + _COUNT] < _COUNT_MOST:
                        journal[at + _COUNT] += 1
                    journal[_STALE] = _YES
                journal[at + _LAST_BOOT] = journal[_BOOT]
                journal[at + _LAST_S] = journal[_SECONDS]
            elif before & bit:
                journal[_STALE] = _YES
        journal[_BEFORE] = faults


@micropython.viper
def _latch(journal: ptr32, mask: int):
    """Mark codes as latched."""
    for code in range(_CODES):
        bit = 1 << code
        at = _ENTRIES + code * _ENTRY + _LATCHED
        if mask & bit and journal[at] == 0:
            journal[at] = _YES
            journal[_STALE] = _YES
            journal[_URGENT] = _YES
            journal[_DISTURBED] = _YES


@micropython.viper
def _pack(journal: ptr32, out: ptr32) -> int:
    """Copy the entries that say something; give the number of words."""
    to = _FILE_HEAD
    entries = 0
    for code in range(_CODES):
        at = _ENTRIES + code * _ENTRY
        if journal[at + _COUNT] | journal[at + _LATCHED]:
            out[to] = code
            to += 1
            for i in range(_FIELDS):
                out[to + i] = journal[at + i]
            to += _FIELDS
            at = _SNAPSHOTS + journal[at + _PLACE] * _SNAPSHOT_WORDS
            for i in range(_SNAPSHOT_WORDS):
                out[to + i] = journal[at + i]
            to += _SNAPSHOT_WORDS
            entries += 1
    out[0] = _ROW
    out[1] = entries
    return to


class FaultMemory:
    """The journal in memory and its record in two files.

    `writes` counts the writes of this boot that were tried, whatever came of them.
    """

    def __init__(self, folder: str) -> None:
        """Allocate everything; nothing is read yet."""
        self.pair = Pair(folder, "faults", _MAGIC, version_of(_DECLARATION), _MOST_BYTES)
        self.journal = array("i", bytes(_WORD_BYTES * (_SNAPSHOTS + CODES * _SNAPSHOT_WORDS)))
        self.places = array("i", [first + i for first, count in SNAPSHOT for i in range(count)])
        self.writes = 0
        self._out = bytearray(_WORD_BYTES * (_FILE_HEAD + CODES * _ROW))
        self._own_places()
        self._tried_s = 0
        self._wait_s = FIRST_WAIT_S

    def load(self) -> None:
        """Read what was kept, once, before the first tick; without a whole record the memory is empty, and `pair.codes` says why."""
        journal = self.journal
        data = self.pair.load()
        if data is None:
            return
        words = array("i", bytes(data[: len(data) // _WORD_BYTES * _WORD_BYTES]))
        if len(words) < _FILE_HEAD or len(words) * _WORD_BYTES != len(data):
            self.pair.refused += 1
            return
        width = words[0]
        entries = words[1]
        if width <= _FIELDS or entries < 0 or len(words) != _FILE_HEAD + entries * width:
            self.pair.refused += 1
            return
        # An older firmware's snapshot may have another length; its entry says which layout it belongs to.
        common = min(width - 1 - _FIELDS, _SNAPSHOT_WORDS)
        for entry in range(entries):
            at = _FILE_HEAD + entry * width
            code = words[at]
            if 0 <= code < CODES:
                for i in range(_FIELDS):
                    journal[_ENTRIES + code * _ENTRY + i] = words[at + 1 + i]
                for i in range(common):
                    journal[_SNAPSHOTS + code * _SNAPSHOT_WORDS + i] = words[at + 1 + _FIELDS + i]
            else:
                self.pair.refused += 1

    def start(self, boot_count: int) -> None:
        """Say which boot this is, before the first tick."""
        self.journal[_BOOT] = boot_count

    def newest_boot(self) -> int:
        """Give the highest boot number that any entry names."""
        return max([self.entry(code)["last_boot"] for code in range(CODES)])

    def note(self, state: "array[int]", now_us: int) -> None:
        """Take the faults of a tick, in the tick: microseconds modulo 2**30; allocates nothing."""
        _note(self.journal, self.places, state, now_us)

    def latch(self, mask: int) -> None:
        """Mark codes as latched, in the tick; they stay so over resets until `clear`. Allocates nothing."""
        _latch(self.journal, mask)

    def latched(self) -> int:
        """Give the mask of latched codes."""
        mask = 0
        for code in range(CODES):
            if self.journal[_ENTRIES + code * _ENTRY + _LATCHED]:
                mask |= 1 << code
        return mask

    def seconds(self) -> int:
        """Give the seconds that this boot has run, by the ticks it noted."""
        return self.journal[_SECONDS]

    def entry(self, code: int) -> "dict[str, int]":
        """Give the fields of one code; a count of 0 says that it never happened."""
        at = _ENTRIES + code * _ENTRY
        return {name: self.journal[at + i] for i, name in enumerate(FIELDS)}

    def snapshot(self, code: int) -> "list[int]":
        """Give the words of `SNAPSHOT` as they were at the first occurrence."""
        at = _SNAPSHOTS + self.journal[_ENTRIES + code * _ENTRY + _PLACE] * _SNAPSHOT_WORDS
        return [self.journal[at + i] for i in range(SNAPSHOT_WORDS)]

    def due(self) -> int:
        """Say whether `flush` would write now: FINE, else NOTHING, WAITING or SPENT."""
        journal = self.journal
        if not journal[_STALE]:
            return NOTHING
        wait_s = self._wait_s
        if journal[_URGENT]:
            wait_s = min(wait_s, WAIT_S)
        elif self.writes >= WRITES_MOST:
            return SPENT
        return FINE if journal[_SECONDS] - self._tried_s >= wait_s else WAITING

    def flush(self) -> int:
        """Write the journal down if something changed and the ration allows; give a code.

        Called outside the tick, when the loop may stand still for as long as the flash takes to erase a block. The
        tick may come in between: what it changes meanwhile goes into the next write.
        """
        code = self.due()
        if code != FINE:
            return code
        journal = self.journal
        journal[_STALE] = _NO
        journal[_URGENT] = _NO
        words = self._copy()
        self._tried_s = journal[_SECONDS]
        self._wait_s = min(max(2 * self._wait_s, WAIT_S), WAIT_MOST_S)
        self.writes += 1
        code = self.pair.save(memoryview(self._out)[: _WORD_BYTES * words])
        if code != FINE:
            journal[_STALE] = _YES
        return code

    def clear(self) -> int:
        """Forget all faults, on an explicit command only; a fault that is still there counts anew. Gives a code.

        Nothing is forgotten unless the empty record is written.
        """
        code = self.pair.save(bytes(array("i", (_ROW, 0))))
        if code == FINE:
            journal = self.journal
            for i in range(_ENTRIES, len(journal)):
                journal[i] = 0
            self._own_places()
            journal[_BEFORE] = 0
            journal[_STALE] = _NO
        return code

    def words(self) -> "array[int]":
        """Give a copy of the journal as `flush` would write it, for a bench."""
        length = self._copy()
        return array("i", bytes(memoryview(self._out)[: _WORD_BYTES * length]))

    def _copy(self) -> int:
        """Copy the journal for the file, again if a tick came in between, but not for ever; give the words."""
        tries = _COPY_TRIES
        while True:
            self.journal[_DISTURBED] = _NO
            words = _pack(self.journal, self._out)
            tries -= 1
            if not self.journal[_DISTURBED] or not tries:
                return words

    def _own_places(self) -> None:
        """Point each code at its own place for a snapshot."""
        for code in range(CODES):
            self.journal[_ENTRIES + code * _ENTRY + _PLACE] = code
