"""What the tests of fault campaigns share: the demo car's bus, a piece of its log, plans from texts, broken firmware."""

from __future__ import annotations

import shutil
from functools import cache
from pathlib import Path

import cantools
import numpy as np

from calibration_kit import DEMO, demo_calibration, demo_vehicle
from dashpot import calibration, resources
from dashpot.calibration import Document, Image
from dashpot.faults import (
    KINDS,
    Bench,
    Campaign,
    Fault,
    Job,
    Plan,
    Recording,
    Row,
    inject,
    read_plan,
    run_campaign,
)
from dashpot.faults.bus import Bus, bus_of
from dashpot.faults.plan import words_of
from dashpot.faults.registry import Corner, Level, Target
from dashpot.faults.stimulus import Frames, Stimulus, regular_ticks
from dashpot.faults.windows import cut_windows
from dashpot.logs.reader import open_log
from demo_data import demo_log
from images import FIRMWARE, LAYOUT

PERIOD_US = 2000
#: A drive that ends after the first right-hand corner: enough for most rows, and quick to read.
SHORT_S = 21.0
BEGIN_US = 13_000_000
ONSET_US = 1_000_000
END_US = 1_600_000
WINDOW_US = 2_200_000


@cache
def image() -> Image:
    return calibration.pack(demo_vehicle(), demo_calibration(), LAYOUT)


@cache
def bus() -> Bus:
    return bus_of(demo_vehicle(), LAYOUT)


@cache
def dbc() -> cantools.database.Database:
    return cantools.database.load_file(resources.dbc_dir() / "merlin_t4.dbc")


@cache
def short_log() -> Path:
    return demo_log(1, SHORT_S)


@cache
def stimulus() -> Stimulus:
    """Braking and turning in, 2.2 s of it; the faults of the tests are from 1.0 to 1.6 s."""
    windows, _ = cut_windows(open_log(short_log()), {"w": (BEGIN_US, BEGIN_US + WINDOW_US)}, None)
    return Stimulus(windows["w"], regular_ticks(PERIOD_US, WINDOW_US))


def fault(kind: str, target: str = "", severity: object = None, end_us: int = END_US) -> Fault:
    """A fault as a plan would make it."""
    made = KINDS[kind]
    found: Target = None
    if target in bus().messages:
        found = bus().messages[target]
    elif target in bus().channels:
        found = bus().channels[target]
    elif target in LAYOUT.corners:
        found = Corner(target, LAYOUT.corners.index(target))
    elif target in words_of(image()):
        found = words_of(image())[target]
    elif target:
        left, right = (bus().channels[f"{target}_{side}"] for side in ("left", "right"))
        found = (left, right)
    level: Level = None
    if made.severity is not None:
        level = made.severity.parse(made.severity.default if severity is None else severity, found)
    return Fault(made, found, ONSET_US, end_us, level)


def injected(
    kind: str, target: str = "", severity: object = None, seed: int = 1, end_us: int = END_US
) -> Stimulus:
    what = fault(kind, target, severity, end_us)
    return what.kind.inject(stimulus(), what, bus(), np.random.default_rng(seed))


def of_message(frames: Frames, name: str) -> Frames:
    return frames.select(frames.key == bus().messages[name].key)


def in_fault(frames: Frames) -> Frames:
    return frames.select((frames.at_us >= ONSET_US) & (frames.at_us < END_US))


def decoded(frames: Frames, name: str) -> list[dict[str, float]]:
    """Values by signal as cantools reads them, a dictionary a frame."""
    message = dbc().get_message_by_name(name)
    return [
        message.decode(payload[: message.length].tobytes(), decode_choices=False) for payload in frames.data
    ]


def plan_of(text: str, name: str = "plan.toml") -> Plan:
    return read_plan(Document(name, None, text), bus(), image())


PLAN_HEAD = """
name = "test"
lead = "3.2 s"
[onsets]
straight = "11.5 s"
braking = "13.4 s"
right = { at = "16.5 s", lead = "4.5 s" }
"""


def run_plan(
    folder: Path, text: str, *rows: str, firmware: Path = FIRMWARE, jobs: int = 1, target: str = "host"
) -> Campaign:
    """Run a plan on the short drive."""
    path = folder / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return run_file(path, *rows, firmware=firmware, jobs=jobs, target=target)


def run_file(
    plan: Path,
    *rows: str,
    firmware: Path = FIRMWARE,
    jobs: int = 1,
    target: str = "host",
    log: Path | None = None,
    vehicle: Path = DEMO / "vehicle.toml",
    calibration_file: Path = DEMO / "calibration.toml",
) -> Campaign:
    return run_campaign(
        Job(
            log=log or short_log(),
            plan=plan,
            firmware=firmware,
            vehicle=vehicle,
            calibration=calibration_file,
            target=target,
            jobs=jobs,
            rows=rows,
        )
    )


def broken_firmware(folder: Path, file: str, old: str, new: str) -> Path:
    """A copy of the firmware with one piece of one file exchanged."""
    copy = folder / "firmware"
    shutil.copytree(FIRMWARE, copy, ignore=shutil.ignore_patterns("__pycache__"))
    path = copy / "dashpot" / file
    text = path.read_text(encoding="utf-8")
    assert text.count(old) == 1, f"{old!r} is {text.count(old)} times in {file}"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return copy


def recorded(
    text: str, *, firmware: Path = FIRMWARE, log: Path | None = None
) -> dict[str, tuple[Row, Recording, Stimulus]]:
    """Run the rows of a plan without any verdict: by id the row, what the controller did, and what it was given."""
    plan = plan_of(text)
    job = Job(log=log or short_log(), plan=DEMO, firmware=firmware, vehicle=DEMO / "vehicle.toml")
    bench = Bench(job, LAYOUT, image().to_bytes())
    found = {}
    try:
        for row in plan.rows:
            begin_us = row.onset_us - row.lead_us
            span_us = row.lead_us + row.span_us
            windows, _ = cut_windows(open_log(job.log), {"w": (begin_us, begin_us + span_us)}, None)
            given = inject(Stimulus(windows["w"], regular_ticks(PERIOD_US, span_us)), row, plan, bus())
            found[row.id] = row, bench.run(given, begin_us), given
    finally:
        bench.close()
    return found


def traced(recording: Recording, name: str) -> np.ndarray:
    """A traced word of a recording, a column or several."""
    word = LAYOUT.state[name]
    part = recording.trace[:, word.at : word.at + word.count]
    return part[:, 0] if word.count == 1 else part
