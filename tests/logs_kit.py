"""Random frames, and blocks as plain rows, for the tests of the log readers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import can
from hypothesis import strategies as st

from dashpot.logs import Flag, FrameBlock

#: stamp_us, can_id, flags, length, channel name, payload
Row = tuple[int, int, int, int, str, bytes]

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
EPOCH_US = 1_600_000_000_000_000


def rows(blocks: Iterable[FrameBlock], names: Sequence[str]) -> list[Row]:
    """The frames of blocks as rows; also checks what holds for every block."""
    out: list[Row] = []
    for block in blocks:
        assert block.data.shape[1] == (64 if block.length.max(initial=0) > 8 else 8)
        for k in range(len(block)):
            payload = block.data[k].tobytes()
            length = int(block.length[k])
            shown = 0 if block.flags[k] & Flag.REMOTE else length
            assert not any(payload[shown:]), "past the payload there must be zeros"
            out.append(
                (
                    int(block.stamp_us[k]),
                    int(block.can_id[k]),
                    int(block.flags[k]),
                    length,
                    names[block.channel[k]],
                    payload[:shown],
                )
            )
    return out


def message_row(message: can.Message, channel: str, stamp_us: int | None = None) -> Row:
    """What a python-can message must look like as a row."""
    flags = (
        (Flag.ERROR if message.is_error_frame else Flag.EXTENDED if message.is_extended_id else 0)
        | (Flag.REMOTE if message.is_remote_frame else 0)
        | (Flag.FD if message.is_fd else 0)
        | (0 if message.is_rx else Flag.TX)
        | (Flag.BRS if message.bitrate_switch else 0)
        | (Flag.ESI if message.error_state_indicator else 0)
    )
    stamp = round(message.timestamp * 1e6) if stamp_us is None else stamp_us
    length = message.dlc if message.is_remote_frame else len(message.data)
    return stamp, message.arbitration_id, int(flags), length, channel, bytes(message.data)


@st.composite
def messages(
    draw: st.DrawFn,
    *,
    start_us: int = EPOCH_US,
    fd: bool = True,
    remote: bool = True,
    direction: bool = True,
    channels: int = 3,
    most: int = 30,
) -> list[can.Message]:
    """Python-can messages with rising stamps of whole microseconds; edges first."""
    count = draw(st.integers(1, most))
    stamp_us = start_us + draw(st.sampled_from((0, 1, 499_999, 999_999)))
    out = []
    for _ in range(count):
        extended = draw(st.booleans())
        is_fd = fd and draw(st.booleans())
        is_remote = remote and not is_fd and draw(st.integers(0, 4)) == 0
        length = draw(st.sampled_from(FD_LENGTHS if is_fd else FD_LENGTHS[:9]))
        out.append(
            can.Message(
                timestamp=stamp_us / 1e6,
                arbitration_id=draw(st.integers(0, (1 << 29) - 1 if extended else (1 << 11) - 1)),
                is_extended_id=extended,
                is_remote_frame=is_remote,
                is_fd=is_fd,
                bitrate_switch=is_fd and draw(st.booleans()),
                error_state_indicator=is_fd and draw(st.booleans()),
                is_rx=not direction or draw(st.booleans()),
                channel=draw(st.integers(0, channels - 1)),
                dlc=length,
                data=None if is_remote else draw(st.binary(min_size=length, max_size=length)),
            )
        )
        stamp_us += draw(st.sampled_from((0, 1, 999, 10_000, 1_000_001)))
    return out
