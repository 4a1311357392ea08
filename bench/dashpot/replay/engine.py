"""Replays a log through a target: one thread reads the log and sends, the calling one takes and stores the replies.

So the log is parsed and the trace stored while the firmware runs, and the firmware never waits while there is log.
"""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

from dashpot.errors import InputError
from dashpot.replay.statistics import Statistics
from dashpot.replay.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from dashpot.layout import Layout
    from dashpot.logs.frames import FrameBlock
    from dashpot.logs.reader import LogReader
    from dashpot.runs import RunWriter
    from dashpot.targets import RunBlock, Target

#: How long the reading thread may take to see that it shall stop: it looks after each block of the log.
JOIN_S = 10.0


@dataclass(frozen=True, slots=True)
class ReplayOptions:
    """How a log is laid on the controller's time.

    Attributes:
        period_us: tick period.
        channel: the log's channel to replay; None where it has only one.
        max_gap_us: longest silence that is replayed at full length.
        start_us: the controller's clock at the first tick, microseconds modulo 2**30.

    """

    period_us: int
    channel: str | None = None
    max_gap_us: int = 10_000_000
    start_us: int = 0


@dataclass(frozen=True, slots=True)
class Replayed:
    """What a replay added up: the ticks' side and the log's side."""

    statistics: Statistics
    timeline: Timeline


def replay(
    reader: LogReader,
    target: Target,
    layout: Layout,
    options: ReplayOptions,
    writer: RunWriter,
    advance: Callable[[int], None] = lambda _bytes: None,
) -> Replayed:
    """Replay a whole log through a started target that has its image.

    Args:
        reader: the log.
        target: started and loaded; it is closed when anything goes wrong.
        layout: the target's declaration.
        options: channel and times.
        writer: gets every block with its reply, in order.
        advance: called with the bytes of the log that were read since the call before.

    Raises:
        InputError: the log cannot be read, or has several channels and none is chosen.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    timeline = Timeline(
        layout,
        period_us=options.period_us,
        max_gap_us=options.max_gap_us,
        start_us=options.start_us,
        run_ticks=target.hello.run_ticks,
        ring_frames=target.hello.ring_frames,
        where=reader.path,
    )
    statistics = Statistics(layout)
    feeder = _Feeder(reader, target, timeline, options.channel)
    feeder.start()
    try:
        read = 0
        while (block := feeder.next_sent()) is not None:
            reply = target.collect()
            writer.add(block, reply)
            statistics.add(block, reply)
            if reader.bytes_read != read:
                advance(reader.bytes_read - read)
                read = reader.bytes_read
    except BaseException:
        # The feeder may wait in a write: only the end of the firmware wakes it.
        feeder.stop()
        target.close()
        raise
    finally:
        feeder.join(JOIN_S)
    return Replayed(statistics, timeline)


class _Feeder(threading.Thread):
    """Reads the log and submits its blocks; what was submitted can be taken from `next_sent`."""

    def __init__(self, reader: LogReader, target: Target, timeline: Timeline, channel: str | None) -> None:
        super().__init__(name="feeder", daemon=True)
        self._reader = reader
        self._target = target
        self._timeline = timeline
        self._channel = channel
        self._sent: queue.SimpleQueue[RunBlock | BaseException | None] = queue.SimpleQueue()
        self._stopped = threading.Event()

    def next_sent(self) -> RunBlock | None:
        """Return the next block whose reply is due, None after the last.

        Raises:
            DashpotError: what ended the reading.

        """
        item = self._sent.get()
        if isinstance(item, BaseException):
            raise item
        return item

    def stop(self) -> None:
        """Read and send no more."""
        self._stopped.set()

    def run(self) -> None:
        """Feed until the log ends, anything goes wrong or somebody says stop."""
        try:
            self._feed()
        except BaseException as error:  # noqa: BLE001 - handed to the thread that takes the replies, which raises it
            self._sent.put(error)
        else:
            self._sent.put(None)

    def _feed(self) -> None:
        reader, timeline = self._reader, self._timeline
        blocks = iter(reader)
        for frames in blocks:
            if self._channel is None and len(reader.channels) > 1:
                self._refuse_channels(frames, blocks)
            if not self._submit(timeline.feed(frames, reader.channels, self._channel)):
                return
        if timeline.first_us is None:
            raise self._no_frames()
        self._submit(timeline.finish())

    def _submit(self, blocks: Iterator[RunBlock]) -> bool:
        for block in blocks:
            if self._stopped.is_set():
                return False
            self._target.submit(block)
            self._sent.put(block)
        return True

    def _refuse_channels(self, frames: FrameBlock, rest: Iterator[FrameBlock]) -> NoReturn:
        """Count the frames of all channels to the end of the log, and say which there are."""
        self._timeline.count_channels(frames, self._reader.channels)
        for block in rest:
            if self._stopped.is_set():
                break
            self._timeline.count_channels(block, self._reader.channels)
        raise InputError(
            f"has frames of {len(self._reader.channels)} channels; choose one with --channel: {self._channels()}",
            where=self._reader.path,
        )

    def _no_frames(self) -> InputError:
        counts = self._timeline.counts
        where = self._reader.path
        if self._channel is not None and self._channel not in self._reader.channels:
            return InputError(f"has no channel {self._channel!r}; it has {self._channels()}", where=where)
        return InputError(
            f"holds no classic data frame to replay, but {counts.fd} FD, {counts.remote} remote and {counts.error} "
            "error frames; the controller's bus is classic CAN",
            where=where,
        )

    def _channels(self) -> str:
        counts = self._timeline.counts.channels
        return ", ".join(f"{name} ({count} frames)" for name, count in counts.most_common())
