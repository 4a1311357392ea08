"""Speed of the log readers, of the decode and of the bit count, each beside the general library for it.

Run it as `python tools/bench_logs.py [--frames N]`; it prints frames a second and the ratio, best of three runs.
The log is made here: 8 identifiers, one of them extended, 8-byte payloads. Ratios of one run are comparable,
absolute figures are the machine's.
"""

from __future__ import annotations

import argparse
import gc
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import can
import cantools
import numpy as np

from dashpot.canbits import block_bits, frame_bits
from dashpot.logs import FrameBlock, join_blocks, open_log, write_candump
from dashpot.logs.decode import decode_signal, message_layout
from dashpot.logs.frames import split_block

ROUNDS = 3
REFERENCE_FRAMES = 200_000
IDENTIFIERS = (0x101, 0x102, 0x120, 0x130, 0x210, 0x301, 0x400, 0x18FF1234)
DBC = """VERSION ""
BS_:
BU_: X
BO_ 257 M: 8 X
 SG_ a : 0|12@1+ (0.1,0) [0|0] "" X
 SG_ b : 23|16@0- (0.01,-10) [0|0] "" X
 SG_ c : 32|16@1- (1,0) [0|0] "" X
 SG_ d : 55|16@0+ (0.5,0) [0|0] "" X
"""


def make_block(count: int) -> FrameBlock:
    """Return frames whose payloads are random."""
    rng = np.random.default_rng(1)
    which = rng.integers(0, len(IDENTIFIERS), count)
    return FrameBlock(
        1_436_509_052_249_713 + np.cumsum(rng.integers(1, 834, count)),
        np.array(IDENTIFIERS, np.uint32)[which],
        (which == len(IDENTIFIERS) - 1).astype(np.uint8),
        np.full(count, 8, np.uint8),
        np.zeros(count, np.uint8),
        rng.integers(0, 256, (count, 8), dtype=np.uint8),
    )


def best(work: Callable[[], int]) -> float:
    """Return frames a second of processor time, of the fastest of some rounds; `work` returns how many it did."""
    rates = []
    for _ in range(ROUNDS):
        gc.collect()
        # All of it is one thread's work, so processor time is fair also on a machine that does other things.
        start = time.process_time()
        frames = work()
        rates.append(frames / (time.process_time() - start))
    return max(rates)


def write_with_python_can(writer: Any, block: FrameBlock) -> None:
    """Write a block as a user of python-can would."""
    with writer:
        for k in range(len(block)):
            writer.on_message_received(
                can.Message(
                    timestamp=int(block.stamp_us[k]) / 1e6,
                    arbitration_id=int(block.can_id[k]),
                    is_extended_id=bool(block.flags[k]),
                    channel=0,
                    data=block.data[k].tobytes(),
                )
            )


def ours(path: Path) -> Callable[[], int]:
    """Return the work of reading a log here."""
    return lambda: sum(map(len, open_log(path)))


def theirs(reader: Any, path: Path) -> Callable[[], int]:
    """Return the work of reading a log with python-can."""
    return lambda: sum(1 for _ in reader(path))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=1_000_000)
    count = parser.parse_args().frames
    block = make_block(count)
    few = block.select(slice(0, REFERENCE_FRAMES))
    print(f"{'what':<34}{'here':>14}{'library':>14}{'ratio':>9}")

    def line(name: str, here: float, library: float) -> None:
        print(f"{name:<34}{here:>14,.0f}{library:>14,.0f}{here / library:>8.1f}x")

    with tempfile.TemporaryDirectory() as folder:
        log = Path(folder) / "a.log"
        write_candump(log, split_block(block))
        line("read candump, frames/s", best(ours(log)), best(theirs(can.CanutilsLogReader, log)))
        for suffix, writer, reader in (
            ("asc", can.ASCWriter, can.ASCReader),
            ("blf", can.BLFWriter, can.BLFReader),
            ("trc", can.TRCWriter, can.TRCReader),
            ("csv", can.CSVWriter, can.CSVReader),
        ):
            path = Path(folder) / f"a.{suffix}"
            write_with_python_can(writer(path), few)
            line(f"read {suffix}, frames/s", best(ours(path)), best(theirs(reader, path)))
        log_again = Path(folder) / "b.log"

        def write_here() -> int:
            return write_candump(log_again, split_block(block))

        def write_there() -> int:
            write_with_python_can(can.CanutilsLogWriter(log_again), few)
            return len(few)

        line("write candump, frames/s", best(write_here), best(write_there))

    database = cantools.database.load_string(DBC, database_format="dbc")
    assert isinstance(database, cantools.database.can.Database)
    message = database.get_message_by_name("M")
    layout = message_layout(message)
    payloads = join_blocks([block]).data

    def decode_here() -> int:
        for signal in layout.signals:
            decode_signal(payloads, signal)
        return len(payloads)

    def decode_there() -> int:
        for k in range(len(few)):
            message.decode(few.data[k].tobytes(), decode_choices=False)
        return len(few)

    line("decode 4 signals, frames/s", best(decode_here), best(decode_there))

    def bits_here() -> int:
        return sum(len(block_bits(part)) for part in split_block(block))

    def bits_there() -> int:
        for k in range(5000):
            frame_bits(int(few.can_id[k]), few.data[k].tobytes(), extended=bool(few.flags[k]))
        return 5000

    line("count bits (here: bit by bit)", best(bits_here), best(bits_there))


if __name__ == "__main__":
    main()
