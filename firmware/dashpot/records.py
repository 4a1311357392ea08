"""Records that outlive a power cut: each is a pair of files, and a write goes to the one that is not in use.

A file is a head (magic, version, sequence number, length, CRC-32) and its payload; the whole file with the highest
sequence number counts. There is no selector that could point nowhere, no rename and nothing to tidy up: all that is
asked of the file system is that writing one file leaves the other alone. A write that was cut short leaves a file that
its CRC gives away (or, on littlefs, the old one), and the other file is then what it was before.

No error of the file system leaves this module as an exception; each becomes one of the codes below.
"""

import struct

from micropython import const

from dashpot.crc import crc32

# 1 to 6 are the codes of `image.Refused`.
FINE = 0
NO_MEMORY = 7
ABSENT = 8  # no such file, or one that was made and never written
TORN = 9  # shorter or longer than its head says, or a wrong CRC
FOREIGN = 10  # another magic or version
TOO_LONG = 11
FAILED = 12  # the file system reports an error; `errno` has it
FULL = 13
READ_ONLY = 14
DIFFERS = 15  # what was read back is not what was written
WAITING = 16  # there is something to write, and it is too soon after the last write
SPENT = 17  # there is something to write, and this boot has used up its writes
NOTHING = 18  # nothing to write

HEAD_BYTES = 20
_HEAD = "<4sIIII"
_CHECKED = "<4sIII"
_CHECKED_BYTES = const(16)
_CHECK_AT = const(16)
_PIECE_BYTES = const(256)
_VERSION_MASK = const(0x3FFFFFFF)
_ENOENT = const(2)
_EPERM = const(1)
_EACCES = const(13)
_ENOSPC = const(28)
_EROFS = const(30)


def version_of(declaration: str) -> int:
    """Give the version of a record: the hash of the text that declares its fields."""
    return crc32(declaration.encode()) & _VERSION_MASK


def seal(magic: bytes, version: int, sequence: int, payload: "bytes | bytearray | memoryview") -> bytearray:
    """Give the head that makes a record of a payload."""
    head = bytearray(HEAD_BYTES)
    struct.pack_into(_CHECKED, head, 0, magic, version, sequence, len(payload))
    check = crc32(payload, crc32(memoryview(head)[:_CHECKED_BYTES])) & 0xFFFFFFFF
    struct.pack_into("<I", head, _CHECK_AT, check)
    return head


def judge(head: "bytes | bytearray | memoryview", magic: bytes, version: int) -> int:
    """Say whether a head belongs to this kind of record: FINE or FOREIGN."""
    found = struct.unpack_from(_HEAD, head, 0)
    return FINE if found[0] == magic and found[1] == version else FOREIGN


class Pair:
    """One kind of record in its two files.

    After `scan`: `codes` says what became of each file, `newest` which one counts (-1: none). `refused` counts files
    that were there and not taken, `failed` writes that did not come to rest; `condition` is the last write's code and
    `errno` the last error number of the file system.
    """

    def __init__(self, folder: str, name: str, magic: bytes, version: int, most_bytes: int) -> None:
        """Name the files; nothing is read yet."""
        base = folder.rstrip("/") + "/" + name
        self.paths = (base + "_a.bin", base + "_b.bin")
        self.magic = magic
        self.version = version
        self.most_bytes = most_bytes
        self.codes = [ABSENT, ABSENT]
        self.sequences = [0, 0]
        self.newest = -1
        self.refused = 0
        self.failed = 0
        self.condition = FINE
        self.errno = 0
        self._lengths = [0, 0]
        self._checks = [0, 0]
        self._head = bytearray(HEAD_BYTES)
        self._piece = memoryview(bytearray(_PIECE_BYTES))

    def scan(self) -> None:
        """Read both files through and find the one that counts."""
        for slot in (0, 1):
            self.look_at(slot)
            if self.codes[slot] not in (FINE, ABSENT):
                self.refused += 1
        self._rank()

    def look_at(self, slot: int) -> int:
        """Read one file through; give and keep its code."""
        try:
            self.codes[slot] = self._look(slot)
        except (OSError, MemoryError) as error:
            self.codes[slot] = self._meaning(error)
        return self.codes[slot]

    def payload(self, slot: int) -> "bytearray | None":
        """Give the payload of a file that `scan` found whole; None, with its code changed, when that fails."""
        code = FINE
        data = bytearray()
        try:
            data = bytearray(self._lengths[slot])
            with open(self.paths[slot], "rb") as file:
                file.readinto(self._head)
                file.readinto(data)
        except (OSError, MemoryError) as error:
            code = self._meaning(error)
        check = crc32(data, crc32(memoryview(self._head)[:_CHECKED_BYTES])) & 0xFFFFFFFF
        if code == FINE and check != self._checks[slot]:
            code = TORN
        if code == FINE:
            return data
        self.codes[slot] = code
        self.refused += 1
        return None

    def load(self) -> "bytearray | None":
        """Give the payload that counts, of the other file if the newest cannot be read, or None."""
        self.scan()
        for _ in self.paths:
            if self.newest >= 0:
                data = self.payload(self.newest)
                if data is not None:
                    return data
                self._rank()
        return None

    def save(self, payload: "bytes | bytearray | memoryview") -> int:
        """Write a payload as the newest, over the file that does not count; give a code."""
        if self.newest < 0:
            code = self.write(0, 1, payload)
            return code if code == FINE else self.write(1, 1, payload)
        return self.write(1 - self.newest, self.sequences[self.newest] + 1, payload)

    def write(self, slot: int, sequence: int, payload: "bytes | bytearray | memoryview") -> int:
        """Write one file and read it back; give a code."""
        head = seal(self.magic, self.version, sequence, payload)
        code = FINE
        if len(payload) > self.most_bytes:
            code = TOO_LONG
        else:
            try:
                with open(self.paths[slot], "wb") as file:
                    file.write(head)
                    file.write(payload)
            except (OSError, MemoryError) as error:
                code = self._meaning(error)
                if code == ABSENT:
                    # The folder is missing.
                    self.errno = _ENOENT
                    code = FAILED
            found = self.look_at(slot)
            if code == FINE and (found != FINE or self._head != head):
                code = DIFFERS
            self._rank()
        self.condition = code
        if code != FINE:
            self.failed += 1
        return code

    def _look(self, slot: int) -> int:
        head = self._head
        piece = self._piece
        with open(self.paths[slot], "rb") as file:
            got = file.readinto(head)
            if not got:
                return ABSENT
            if got < HEAD_BYTES:
                return TORN
            code = judge(head, self.magic, self.version)
            if code != FINE:
                return code
            _, _, sequence, length, check = struct.unpack_from(_HEAD, head, 0)
            if length > self.most_bytes:
                return TOO_LONG
            found = crc32(memoryview(head)[:_CHECKED_BYTES])
            left = length
            while True:
                got = file.readinto(piece)
                if not got:
                    break
                left -= got
                found = crc32(piece[:got], found)
                if left < 0:
                    return TORN
        if left or found & 0xFFFFFFFF != check:
            return TORN
        self.sequences[slot] = sequence
        self._lengths[slot] = length
        self._checks[slot] = check
        return FINE

    def _rank(self) -> None:
        """Find the whole file with the highest sequence number."""
        self.newest = -1
        for slot in (0, 1):
            if self.codes[slot] == FINE and (
                self.newest < 0 or self.sequences[slot] > self.sequences[self.newest]
            ):
                self.newest = slot

    def _meaning(self, error: "OSError | MemoryError") -> int:
        """Give the code of an error, and keep its number."""
        if isinstance(error, MemoryError):
            return NO_MEMORY
        number = error.errno or 0
        if number == _ENOENT:
            return ABSENT
        self.errno = number
        if number == _ENOSPC:
            return FULL
        if number in (_EROFS, _EACCES, _EPERM):
            return READ_ONLY
        return FAILED
