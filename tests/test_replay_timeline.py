"""Stamps to ticks: checked against a loop over single frames that follows docs/replay.md word by word."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dashpot.errors import InputError
from dashpot.logs.frames import Flag, FrameBlock
from dashpot.replay.timeline import MOST_JUMPS, STEP_BACK_US, Timeline
from dashpot.targets import RunBlock
from replay_kit import layout

PERIOD_US = 2000
GAP_US = 50_000
CLOCK = 1 << 30


@dataclass
class Expected:
    """What a replay of some stamps gives, tick by tick."""

    frames_of: dict[int, list[int]] = field(default_factory=dict)
    at_us: list[int] = field(default_factory=list)
    log_us: list[int] = field(default_factory=list)
    backwards: int = 0
    steps_back: int = 0
    jumps: int = 0


def one_by_one(stamps: list[int], period_us: int = PERIOD_US, gap_us: int = GAP_US) -> Expected:
    """The rules of docs/replay.md, frame by frame."""
    done = Expected()
    plain = newest = 0
    offset = stamps[0]
    offsets = []
    for i, stamp in enumerate(stamps):
        step = stamp - stamps[i - 1] if i else 0
        if step < 0:
            done.backwards += 1
        if step > gap_us:
            done.jumps += 1
            offset += step - gap_us
            step = gap_us
        elif step < -STEP_BACK_US:
            done.steps_back += 1
            offset += step
            step = 0
        plain += step
        newest = max(newest, plain)
        done.at_us.append(newest)
        offsets.append(offset)
        tick = -(-newest // period_us)
        done.frames_of.setdefault(tick, []).append(i)
    for tick in range(max(done.frames_of) + 1):
        reached = [offsets[i] for i in range(len(stamps)) if done.at_us[i] <= tick * period_us]
        done.log_us.append(tick * period_us + (reached[-1] if reached else stamps[0]))
    return done


def block_of(stamps: list[int], flags: int = 0) -> FrameBlock:
    """Frames with their number in the payload."""
    n = len(stamps)
    data = np.zeros((n, 8), np.uint8)
    data[:, :4] = np.arange(n, dtype="<u4").view(np.uint8).reshape(n, 4)
    return FrameBlock(
        np.array(stamps, np.int64),
        np.full(n, 0x123, np.uint32),
        np.full(n, flags, np.uint8),
        np.full(n, 8, np.uint8),
        np.zeros(n, np.uint8),
        data,
    )


def make(
    *,
    start_us: int = 0,
    run_ticks: int = 512,
    ring_frames: int = 4095,
    gap_us: int = GAP_US,
    where: Path | None = None,
) -> Timeline:
    return Timeline(
        layout(), period_us=PERIOD_US, max_gap_us=gap_us, start_us=start_us, run_ticks=run_ticks,
        ring_frames=ring_frames, where=where,
    )  # fmt: skip


def play(
    timeline: Timeline, blocks: list[FrameBlock], channels: list[str], channel: str | None = None
) -> list[RunBlock]:
    out = [run for block in blocks for run in timeline.feed(block, channels, channel)]
    return out + list(timeline.finish())


def joined(runs: list[RunBlock]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        np.concatenate([run.ticks for run in runs]),
        np.concatenate([run.frames for run in runs]),
        np.concatenate([run.log_us for run in runs]),
    )


STEPS = st.lists(
    st.one_of(
        st.sampled_from([0, 1, PERIOD_US - 1, PERIOD_US, PERIOD_US + 1, GAP_US, GAP_US + 1, -1, -PERIOD_US]),
        st.sampled_from([-STEP_BACK_US, -STEP_BACK_US - 1, 3_600_000_000, -3_600_000_000]),
        st.integers(-5000, 20_000),
    ),
    max_size=60,
)


@settings(max_examples=300, deadline=None)
@given(
    first=st.sampled_from([0, 1, -1, -7_000_000, 1_700_000_000_000_000]),
    steps=STEPS,
    cuts=st.lists(st.integers(0, 60), max_size=4),
    run_ticks=st.sampled_from([1, 2, 512]),
    start_us=st.sampled_from([0, CLOCK - 1, CLOCK - 5000]),
)
@example(first=0, steps=[], cuts=[], run_ticks=512, start_us=0)
@example(first=-1, steps=[GAP_US + 1, -STEP_BACK_US - 1, 0], cuts=[1, 2], run_ticks=1, start_us=CLOCK - 1)
def test_blocks_give_what_single_frames_give(
    first: int, steps: list[int], cuts: list[int], run_ticks: int, start_us: int
) -> None:
    stamps = np.cumsum([first, *steps]).tolist()
    expected = one_by_one(stamps)
    block = block_of(stamps)
    edges = sorted({0, len(stamps), *(cut for cut in cuts if cut < len(stamps))})
    blocks = [block.select(slice(a, b)) for a, b in pairwise(edges)]
    timeline = make(start_us=start_us, run_ticks=run_ticks)
    runs = play(timeline, blocks, ["can0"])
    ticks, frames, log_us = joined(runs)
    assert all(0 < len(run.ticks) <= run_ticks for run in runs)
    assert [run.first_tick for run in runs] == np.cumsum([0] + [len(run.ticks) for run in runs[:-1]]).tolist()
    assert ticks[:, 0].tolist() == [(k * PERIOD_US + start_us) % CLOCK for k in range(len(expected.log_us))]
    assert ticks[:, 1].tolist() == [len(expected.frames_of.get(k, [])) for k in range(len(ticks))]
    assert not ticks[:, 2].any()
    assert frames[:, 3].tolist() == list(range(len(stamps)))
    assert frames[:, 0].tolist() == [(at + start_us) % CLOCK for at in expected.at_us]
    assert log_us.tolist() == expected.log_us
    counts = timeline.counts
    assert (counts.backwards, counts.steps_back, counts.jumps) == (
        expected.backwards,
        expected.steps_back,
        expected.jumps,
    )
    assert counts.delivered == len(stamps)
    assert timeline.ticks == len(ticks)


def test_a_tick_gets_the_frame_stamped_at_its_very_time() -> None:
    ticks, _, _ = joined(play(make(), [block_of([0, 2000, 2001, 4000])], ["can0"]))
    assert ticks[:, 1].tolist() == [1, 1, 2]


def test_the_oldest_fill_the_ring_and_the_rest_is_lost() -> None:
    timeline = make(ring_frames=3)
    ticks, frames, _ = joined(play(timeline, [block_of([0, 1, 1, 1, 1, 1, 2001])], ["can0"]))
    assert ticks[:, 1:3].tolist() == [[1, 0], [3, 2], [1, 0]]
    assert frames[:, 3].tolist() == [0, 1, 2, 3, 6]
    assert (timeline.counts.lost, timeline.counts.delivered) == (2, 5)


def test_a_run_block_never_has_more_frames_than_the_ring() -> None:
    stamps = np.sort(np.random.default_rng(1).integers(0, 400_000, 3000)).tolist()
    runs = play(make(ring_frames=40), [block_of(stamps)], ["can0"])
    assert max(len(run.frames) for run in runs) <= 40
    assert all(int(run.ticks[:, 1].sum()) == len(run.frames) for run in runs)
    assert sum(len(run.frames) for run in runs) + int(sum(run.ticks[:, 2].sum() for run in runs)) == 3000


def test_kinds_of_frames_are_counted_once_each() -> None:
    stamps = list(range(0, 12_000, 1000))
    block = block_of(stamps)
    flags = [
        0,
        Flag.REMOTE,
        Flag.ERROR,
        Flag.FD,
        Flag.ERROR | Flag.REMOTE,
        Flag.FD | Flag.ERROR,
        Flag.EXTENDED,
        0,
        0,
        0,
        Flag.TX,
        0,
    ]
    block.flags[:] = flags
    block.channel[:] = [0] * 7 + [1, 1, 1, 0, 0]
    timeline = make()
    _, frames, _ = joined(play(timeline, [block], ["can0", "can1"], "can0"))
    counts = timeline.counts
    assert (counts.remote, counts.error, counts.fd, counts.other_channel, counts.delivered) == (1, 3, 1, 3, 4)
    assert dict(counts.channels) == {"can0": 9, "can1": 3}
    assert frames[:, 3].tolist() == [0, 6, 10, 11]
    assert frames[:, 1].tolist() == [0x123, 0x20000123, 0x123, 0x123]
    assert dict(counts.keys) == {0x123: 3, 0x20000123: 1}


def test_a_frame_with_no_payload_to_replay_does_not_start_the_clock() -> None:
    block = block_of([0, 5_000_000])
    block.flags[0] = Flag.ERROR
    timeline = make()
    ticks, _, log_us = joined(play(timeline, [block], ["can0"]))
    assert (timeline.first_us, len(ticks), log_us.tolist()) == (5_000_000, 1, [5_000_000])


def test_a_clock_that_jumps_all_the_time_is_refused() -> None:
    stamps = [0, 10_000_000] * (MOST_JUMPS // 2 + 2)
    with pytest.raises(InputError, match="jump more than") as caught:
        play(make(where=Path("drive.log")), [block_of(stamps)], ["can0"])
    assert caught.value.where == "drive.log"


def test_stamps_past_any_calendar_are_refused() -> None:
    with pytest.raises(InputError, match="past any calendar"):
        play(make(), [block_of([0, (1 << 61) + 1])], ["can0"])


def test_a_silence_of_a_day_takes_bounded_memory() -> None:
    timeline = make(gap_us=86_400_000_000, run_ticks=512)
    ticks = most = 0
    for run in [*timeline.feed(block_of([0, 3_600_000_000]), ["can0"], None), *timeline.finish()]:
        ticks += len(run.ticks)
        # The whole array behind a block's view.
        most = max(most, run.ticks.base.nbytes if run.ticks.base is not None else run.ticks.nbytes)
    assert ticks == 1_800_001
    assert most <= 4 * len(layout().rows["tick_in"]) * (1 << 16)
