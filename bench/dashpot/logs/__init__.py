"""Frame streams from recorded logs: candump, ASC, BLF, TRC, CSV and MF4, each plain or packed with gzip."""

from __future__ import annotations

from dashpot.logs.candump import write_candump
from dashpot.logs.frames import (
    BLOCK_FRAMES,
    NO_CHANNEL,
    Flag,
    FrameBlock,
    Problem,
    Problems,
    join_blocks,
)
from dashpot.logs.reader import FORMATS, LogReader, open_log

__all__ = [
    "BLOCK_FRAMES",
    "FORMATS",
    "NO_CHANNEL",
    "Flag",
    "FrameBlock",
    "LogReader",
    "Problem",
    "Problems",
    "join_blocks",
    "open_log",
    "write_candump",
]
