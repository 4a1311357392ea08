"""A NOR flash in memory, as a block device for MicroPython, whose supply can be cut at any erase or program.

Programming only clears bits; erasing sets a whole block. A cut leaves the piece of work at hand in one of several
states; from then on the device answers nothing but errors, so that whatever runs on changes nothing more.
"""

EIO = 5

# How much of the erase or program at the cut got done.
NOTHING_DONE = 0
HALF_DONE = 1
# Half of it, and of the rest each bit by chance: an interrupted pulse leaves cells anywhere.
HALF_AND_NOISE = 2
FLAVOURS = (NOTHING_DONE, HALF_DONE, HALF_AND_NOISE)


class Flash:
    """Blocks of `block_bytes`; `cut_at` is the number of the erase or program that the cut hits, -1 for none."""

    def __init__(self, blocks, block_bytes, program_bytes, data=None):
        self.blocks = blocks
        self.block_bytes = block_bytes
        self.program_bytes = program_bytes
        self.data = bytearray(data) if data else bytearray(b"\xff" * (blocks * block_bytes))
        self.blank = b"\xff" * block_bytes
        self.erases = 0
        self.programs = 0
        self.programmed_bytes = 0
        self.block_erases = [0] * blocks
        self.dirty_programs = 0
        self.cut_at = -1
        self.flavour = NOTHING_DONE
        self.dead = False
        self.write_error = 0
        self.read_error = 0
        self.noise = 1

    def events(self):
        return self.erases + self.programs

    def after_cut(self):
        """The same flash with its supply back."""
        return Flash(self.blocks, self.block_bytes, self.program_bytes, self.data)

    def readblocks(self, block, buffer, offset=0):
        if self.dead or self.read_error:
            return -(self.read_error or EIO)
        at = block * self.block_bytes + offset
        buffer[:] = self.data[at : at + len(buffer)]
        return 0

    def writeblocks(self, block, buffer, offset=0):
        if self.dead or self.write_error:
            return -(self.write_error or EIO)
        assert offset % self.program_bytes == 0
        assert len(buffer) % self.program_bytes == 0
        assert offset + len(buffer) <= self.block_bytes
        whole = bytes(buffer)
        done = self._survives(len(whole))
        at = block * self.block_bytes + offset
        if self.data[at : at + len(whole)] != self.blank[: len(whole)]:
            self.dirty_programs += 1
        self._clear_bits(at, whole[:done])
        if self.dead and self.flavour == HALF_AND_NOISE:
            self._clear_bits(at + done, bytes([b | self._random() for b in whole[done:]]))
        self.programs += 1
        self.programmed_bytes += len(whole)
        return -EIO if self.dead else 0

    def ioctl(self, operation, argument):
        if operation == 4:
            return self.blocks
        if operation == 5:
            return self.block_bytes
        if operation == 6:
            return self._erase(argument)
        return 0

    def _erase(self, block):
        if self.dead or self.write_error:
            return -(self.write_error or EIO)
        done = self._survives(self.block_bytes)
        at = block * self.block_bytes
        self.data[at : at + done] = self.blank[:done]
        if self.dead and self.flavour == HALF_AND_NOISE:
            for i in range(at + done, at + self.block_bytes):
                self.data[i] |= self._random()
        self.erases += 1
        self.block_erases[block] += 1
        return -EIO if self.dead else 0

    def _survives(self, length):
        """Bytes of a piece of work that get done, all unless the cut is now."""
        if self.events() != self.cut_at:
            return length
        self.dead = True
        return 0 if self.flavour == NOTHING_DONE else length // 2

    def _clear_bits(self, at, new):
        old = self.data[at : at + len(new)]
        if old == self.blank[: len(new)]:
            self.data[at : at + len(new)] = new
        else:
            self.data[at : at + len(new)] = bytes([a & b for a, b in zip(old, new)])  # noqa: B905  # MicroPython has no strict zip

    def _random(self):
        # Numbers of a linear congruence (Park and Miller's) are enough for noise, and the same on every run.
        self.noise = self.noise * 48271 % 0x7FFFFFFF
        return self.noise >> 8 & 0xFF
