"""The part of a log around each onset, decoded once for all rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashpot import console
from dashpot.errors import InputError
from dashpot.faults.stimulus import Frames, join
from dashpot.logs.frames import CLASSIC_BYTES, Flag
from dashpot.targets.contract import EXTENDED_KEY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from dashpot.logs.frames import FrameBlock
    from dashpot.logs.reader import LogReader

#: Recorders put frames out of order by milliseconds; a larger step is a clock that was set.
STEP_BACK_US = 1_000_000
#: A live bus is never as silent as this.
GAP_US = 1_000_000


def cut_windows(
    reader: LogReader, spans: Mapping[str, tuple[int, int]], channel: str | None
) -> tuple[dict[str, Frames], str]:
    """Read a log once and cut out windows.

    Args:
        reader: the log.
        spans: by name, begin and end of each window, microseconds from the log's first frame.
        channel: the log's channel, None where it has only one.

    Returns:
        The frames of each window, their time counted from its begin, and the name of the channel.

    Raises:
        InputError: the log cannot be read, has several channels and none is chosen, ends before a window does, or its
            clock jumps inside one.

    """
    parts: dict[str, list[Frames]] = {name: [] for name in spans}
    first_us: int | None = None
    last_us = 0
    with console.progress(reader.bytes_total, "read", "B") as bar:
        read = 0
        for block in reader:
            frames = _mine(block, reader, channel)
            bar.advance(reader.bytes_read - read)
            read = reader.bytes_read
            if not len(frames):
                continue
            if first_us is None:
                first_us = int(frames.at_us[0])
            at_us = frames.at_us - first_us
            last_us = int(at_us[-1])
            for name, (begin_us, end_us) in spans.items():
                inside = (at_us >= begin_us) & (at_us < end_us)
                if inside.any():
                    moved = frames.select(inside)
                    parts[name].append(
                        Frames(moved.at_us - first_us - begin_us, moved.key, moved.length, moved.data)
                    )
    if first_us is None:
        raise InputError("has no classic data frame of the channel", where=reader.path)
    windows = {name: _whole(parts[name], name, span, last_us, reader) for name, span in spans.items()}
    return windows, channel or reader.channels[0]


def _mine(block: FrameBlock, reader: LogReader, channel: str | None) -> Frames:
    """Return the classic data frames of the channel, times as the log has them."""
    if len(reader.channels) > 1 and channel is None:
        raise InputError(
            f"has frames of several channels; choose one with --channel: {', '.join(reader.channels)}",
            where=reader.path,
        )
    keep = block.flags & (Flag.REMOTE | Flag.ERROR | Flag.FD) == 0
    if channel is not None and channel in reader.channels:
        keep &= block.channel == reader.channels.index(channel)
    elif channel is not None:
        keep[:] = False
    kept = block.select(keep)
    key = kept.can_id.astype(np.int32)
    key[(kept.flags & Flag.EXTENDED) != 0] |= EXTENDED_KEY
    return Frames(kept.stamp_us, key, kept.length, np.ascontiguousarray(kept.data[:, :CLASSIC_BYTES]))


def _whole(
    parts: Sequence[Frames], name: str, span: tuple[int, int], last_us: int, reader: LogReader
) -> Frames:
    begin_us, end_us = span
    if end_us > last_us:
        raise InputError(
            f"ends {last_us / 1e6:.1f} s after its first frame, but the rows at the onset {name!r} need it until "
            f"{end_us / 1e6:.1f} s; choose an earlier onset or a longer log",
            where=reader.path,
        )
    edges = [np.zeros(1, np.int64), *(part.at_us for part in parts), np.array([end_us - begin_us])]
    steps = np.diff(np.concatenate(edges))
    if steps.min() < -STEP_BACK_US or steps.max() > GAP_US:
        raise InputError(
            f"has a gap or a step of its clock of {float(steps[np.abs(steps).argmax()]) / 1e6:.1f} s near the onset "
            f"{name!r}; choose another onset",
            where=reader.path,
        )
    return join(parts)
