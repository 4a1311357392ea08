"""Runs a plan: each row through the firmware, in several processes, against a run without the fault."""

from __future__ import annotations

import fnmatch
import hashlib
import os
import queue
import tempfile
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot import __version__, console
from dashpot.calibration import load_vehicle, read_image
from dashpot.calibration.findings import nearest
from dashpot.errors import FirmwareError, InputError
from dashpot.faults.bus import Bus, bus_of
from dashpot.faults.judge import RAISED, Judge, Recording, Result
from dashpot.faults.plan import Plan, Row, load_plan
from dashpot.faults.stimulus import Frames, Stimulus, deliver, regular_ticks
from dashpot.faults.windows import cut_windows
from dashpot.files import sha256_file
from dashpot.layout import Layout
from dashpot.logs.reader import open_log
from dashpot.replay.images import check_log, load_image, pack_image
from dashpot.replay.job import firmware_hash
from dashpot.targets import TargetOptions, make_target

if TYPE_CHECKING:
    from dashpot.calibration import Image
    from dashpot.replay.images import ReplayImage
    from dashpot.targets import Target


@dataclass(frozen=True, slots=True)
class Job:
    """What to try, on what.

    Attributes:
        log: the recorded log.
        plan: plan.toml.
        firmware: folder of the firmware.
        vehicle: vehicle.toml; it says where the bus carries what.
        calibration: calibration.toml, None with `image`.
        image: a packed image, None with `calibration`.
        target: name of the target.
        micropython: the interpreter, None to look for it.
        jobs: firmware processes at once, None for one a processor.
        rows: only rows whose id matches one of these patterns; all when empty.
        channel: the log's channel.
        format: the log's format, None to find out.

    """

    log: Path
    plan: Path
    firmware: Path
    vehicle: Path
    calibration: Path | None = None
    image: Path | None = None
    target: str = "host"
    micropython: Path | None = None
    jobs: int | None = None
    rows: tuple[str, ...] = ()
    channel: str | None = None
    format: str | None = None


@dataclass(frozen=True, slots=True)
class Campaign:
    """A plan that was run.

    Attributes:
        plan: the plan.
        results: of the rows that were run, in the plan's order.
        image: the image under test.
        manifest: what went into it: hashes and versions; the same inputs give the same.

    """

    plan: Plan
    results: tuple[Result, ...]
    image: Image
    manifest: dict[str, Any]

    @property
    def failed(self) -> list[Result]:
        """Rows that did not pass."""
        return [result for result in self.results if not result.passed]


def run_campaign(job: Job) -> Campaign:
    """Run a plan.

    Raises:
        InputError: something given cannot be used.
        FirmwareError: the firmware failed already without a fault; in a row it is that row's verdict.

    """
    layout = Layout.load(job.firmware)
    packed = _image(job, layout)
    image = read_image(packed.data, layout)
    vehicle = load_vehicle(job.vehicle, layout=layout)
    bus = bus_of(vehicle, layout)
    _check_fit(bus, image, job)
    plan = load_plan(job.plan, bus, image)
    rows = _chosen(plan, job)
    reader = open_log(job.log, format=job.format)
    spans: dict[str, tuple[int, int]] = {}
    for row in rows:
        begin_us = row.onset_us - row.lead_us
        end_us = max(spans.get(row.onset, (0, 0))[1], row.onset_us + row.span_us)
        spans[row.onset] = (begin_us, end_us)
    windows, channel = cut_windows(reader, spans, job.channel)
    for window in windows.values():
        keys, counts = np.unique(window.key, return_counts=True)
        check_log(packed, dict(zip(keys.tolist(), counts.tolist(), strict=True)), job.log)
    run = _Run(job, layout, image, packed.data, bus, plan, spans, windows)
    references = run.all(list(spans), run.reference, "reference")
    leads = {row.onset: row.lead_us for row in rows}
    for name, reference in zip(spans, references, strict=True):
        unready = run.judge.unready(reference.recording, leads[name])
        if unready:
            raise InputError(
                f"at the onset {name!r} the controller is not whole even without a fault ({unready}); give it a "
                "longer lead, or choose another onset",
                where=job.plan,
            )
        run.references[name] = reference
    results = run.all(rows, run.row, "faults")
    manifest = _manifest(job, layout, plan, packed, rows, channel, run.interpreter)
    return Campaign(plan, tuple(results), image, manifest)


@dataclass(frozen=True, slots=True)
class _Reference:
    stimulus: Stimulus
    recording: Recording


@dataclass
class _Run:
    """One campaign: what its worker threads share and do not change."""

    job: Job
    layout: Layout
    image: Image
    data: bytes
    bus: Bus
    plan: Plan
    spans: dict[str, tuple[int, int]]
    windows: dict[str, Frames]
    references: dict[str, _Reference] = field(default_factory=dict)
    interpreter: str = ""

    def __post_init__(self) -> None:
        self.judge = Judge(self.image)
        self.period_us = self.image.word("period_us")

    def all(self, items: Sequence[Any], work: Callable[[Bench, Any], Any], label: str) -> list[Any]:
        """Do some work on every item, each thread with a firmware of its own, and give the results in order."""
        jobs = min(self.job.jobs or _processors(), len(items))
        waiting: queue.SimpleQueue[int] = queue.SimpleQueue()
        for index in range(len(items)):
            waiting.put(index)
        done: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()
        stop = threading.Event()

        def serve() -> None:
            bench = Bench(self.job, self.layout, self.data, stop)
            index = -1
            try:
                while not stop.is_set():
                    try:
                        index = waiting.get_nowait()
                    except queue.Empty:
                        return
                    done.put((index, work(bench, items[index])))
            except BaseException as error:  # noqa: BLE001 - handed to the thread that collects, which raises it
                done.put((index, error))
            finally:
                self.interpreter = bench.interpreter or self.interpreter
                bench.close()

        threads = [threading.Thread(target=serve, name=f"{label} {i}", daemon=True) for i in range(jobs)]
        results: list[Any] = [None] * len(items)
        try:
            with console.progress(len(items), label, "rows") as bar:
                for thread in threads:
                    thread.start()
                for _ in items:
                    index, result = done.get()
                    if isinstance(result, BaseException):
                        raise result
                    results[index] = result
                    bar.advance(1)
        finally:
            stop.set()
            for thread in threads:
                if thread.ident is not None:
                    thread.join()
        return results

    def reference(self, bench: Bench, onset: str) -> _Reference:
        """Run a window as it is."""
        begin_us, end_us = self.spans[onset]
        stimulus = Stimulus(self.windows[onset], regular_ticks(self.period_us, end_us - begin_us))
        return _Reference(stimulus, bench.run(stimulus, begin_us))

    def row(self, bench: Bench, row: Row) -> Result:
        """Inject, run and judge one row."""
        reference = self.references[row.onset]
        span_us = row.lead_us + row.span_us
        frames = reference.stimulus.frames
        was = Stimulus(frames.select(frames.at_us <= span_us), regular_ticks(self.period_us, span_us))
        given = inject(was, row, self.plan, self.bus)
        try:
            recording = bench.run(given, self.spans[row.onset][0])
        except FirmwareError as error:
            bench.close()
            return _raised(row, error)
        return self.judge.judge(row, reference.recording, was, recording, given)


def inject(stimulus: Stimulus, row: Row, plan: Plan, bus: Bus) -> Stimulus:
    """Put a row's faults into a stimulus; the same plan, row and stimulus give the same."""
    digest = hashlib.sha256(f"{plan.seed}/{row.id}".encode()).digest()
    rng = np.random.default_rng(int.from_bytes(digest[:8], "big"))
    for planned in row.faults:
        fault = planned.at(row.lead_us)
        stimulus = fault.kind.inject(stimulus, fault, bus, rng)
    return stimulus


class Bench:
    """One firmware process and its store, kept from row to row; both are new when they are first needed.

    Args:
        job: where the firmware is and what runs it.
        layout: its declaration.
        data: the image's bytes.
        stop: set when nothing is wanted any more.

    """

    def __init__(self, job: Job, layout: Layout, data: bytes, stop: threading.Event | None = None) -> None:
        self._job = job
        self._layout = layout
        self._data = data
        self._stop = stop or threading.Event()
        self._target: Target | None = None
        self._store: tempfile.TemporaryDirectory[str] | None = None
        self.interpreter = ""

    def run(self, stimulus: Stimulus, log_us: int = 0) -> Recording:
        """Start the controller anew and give it a stimulus.

        Raises:
            FirmwareError: the firmware raised, ended or broke the protocol.

        """
        target = self._started()
        hello = target.hello
        delivery = deliver(stimulus, self._layout, (hello.run_ticks, hello.ring_frames), log_us=log_us)
        trace = np.empty((len(stimulus.ticks), hello.trace_words), np.int32)
        target.load(self._data)
        boots = [target.restart("power_on", fresh=True).count]
        for number, block in enumerate(delivery.blocks):
            if self._stop.is_set():
                raise KeyboardInterrupt
            if number in delivery.starts:
                boots.append(target.restart(delivery.starts[number]).count)
            for poke in delivery.pokes.get(number, ()):
                target.poke(poke.place, poke.index, poke.mask)
            first = block.first_tick
            trace[first : first + len(block.ticks)] = target.run(block).trace
        return Recording(stimulus.ticks.at_us, trace, target.journal(), tuple(boots))

    def close(self) -> None:
        """End the process, and forget what it kept; the next run starts another."""
        target, self._target = self._target, None
        if target is not None:
            target.close()
        store, self._store = self._store, None
        if store is not None:
            store.cleanup()

    def _started(self) -> Target:
        if self._target is None:
            job = self._job
            self._store = tempfile.TemporaryDirectory(prefix="dashpot-store-")
            options = TargetOptions(job.firmware, job.micropython, Path(self._store.name))
            target = make_target(job.target, options, self._layout)
            # Known before it starts, so that a failed start is closed too.
            self._target = target
            target.start()
            self.interpreter = f"{target.name}: {target.interpreter}"
        return self._target


def _raised(row: Row, error: FirmwareError) -> Result:
    return Result(
        row=row, verdict=RAISED, why=(str(error), *(error.detail or "").splitlines()),
        changed={"frames": 0, "ticks": 0, "seen": True}, codes={}, detect_ms=None, safe_ms=None, recovery_ms=None,
        least_ma=0, most_ma=0, slew_share=0.0, overshoot_ma=0, picture=None,
    )  # fmt: skip


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _image(job: Job, layout: Layout) -> ReplayImage:
    if (job.image is None) == (job.calibration is None):
        raise InputError("give --calibration or --image, one of the two", where="--calibration")
    if job.image is not None:
        return load_image(job.image, layout)
    assert job.calibration is not None
    return pack_image(job.vehicle, job.calibration, layout, None)


def _check_fit(bus: Bus, image: Image, job: Job) -> None:
    """Refuse an image of another car: faults would hit other messages than it reads."""
    mine = {(channel.key, channel.index) for channel in bus.channels.values()}
    rows = image.rows("signal")
    its = {
        (message["key"], signal["channel"])
        for message in image.rows("message")
        for signal in rows[message["first_signal"] : message["first_signal"] + message["signal_count"]]
    }
    if mine != its:
        raise InputError("was packed for another vehicle file than --vehicle", where=job.image or job.vehicle)


def _chosen(plan: Plan, job: Job) -> list[Row]:
    if not job.rows:
        return list(plan.rows)
    rows = [row for row in plan.rows if any(fnmatch.fnmatchcase(row.id, pattern) for pattern in job.rows)]
    for pattern in job.rows:
        if not any(fnmatch.fnmatchcase(row.id, pattern) for row in plan.rows):
            raise InputError(
                f"no row of the plan matches {pattern!r}; {nearest(pattern, [row.id for row in plan.rows])}",
                where="--rows",
            )
    return rows


def _manifest(
    job: Job,
    layout: Layout,
    plan: Plan,
    packed: ReplayImage,
    rows: Sequence[Row],
    channel: str,
    interpreter: str,
) -> dict[str, Any]:
    def entry(path: Path) -> dict[str, Any]:
        return {"name": path.name, "sha256": sha256_file(path)}

    inputs: dict[str, Any] = {
        "firmware": {"sha256": firmware_hash(job.firmware)},
        "log": entry(job.log),
        "plan": entry(job.plan),
        "vehicle": entry(job.vehicle),
        **({} if job.image is None else {"image": entry(job.image)}),
        **{name: value for name, value in packed.inputs.items() if name != "vehicle"},
    }
    return {
        "format": 1,
        "versions": {
            "dashpot": __version__,
            "layout": f"{layout.version:#010x}",
            "interpreter": interpreter,
            "numpy": np.__version__,
        },
        "inputs": inputs,
        "image": {"sha256": hashlib.sha256(packed.data).hexdigest(), "period_us": packed.period_us},
        "arguments": {
            "target": job.target, "rows": list(job.rows), "channel": channel, "format": job.format,
        },
        "plan": {"name": plan.name, "seed": plan.seed, "rows": len(plan.rows), "run": len(rows)},
    }  # fmt: skip
