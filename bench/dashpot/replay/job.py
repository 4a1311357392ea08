"""One replay from files to a run folder: what `dashpot replay` and `dashpot demo` do."""

from __future__ import annotations

import hashlib
import shutil
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from dashpot import __version__, console, runs
from dashpot.errors import InputError
from dashpot.files import atomic_folder, sha256_file
from dashpot.layout import Layout
from dashpot.logs.reader import open_log
from dashpot.replay.engine import ReplayOptions, replay
from dashpot.replay.images import check_log, load_image, pack_image
from dashpot.replay.report import skipped_of, summarise, time_of
from dashpot.targets import TargetOptions, make_target

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from dashpot.logs.reader import LogReader
    from dashpot.replay.engine import Replayed
    from dashpot.replay.images import ReplayImage
    from dashpot.targets import Target


@dataclass(frozen=True, slots=True)
class Job:
    """What to replay, through what, and where to.

    Attributes:
        log: the recorded log.
        out: the run folder to make.
        firmware: folder of the firmware.
        vehicle, calibration: the files that the image is packed from; None with `image`.
        dbc: DBC files instead of those that the vehicle file names.
        image: a packed image; None with the files above.
        target: name of the target.
        micropython: the interpreter, None to look for it.
        period_us: tick period instead of the calibration's.
        channel: the log's channel to replay.
        max_gap_s: longest silence that is replayed at full length.
        start_us: the controller's clock at the first tick, 0 to 2**30 - 1.
        format: the log's format, None to find out.
        replace: whether an earlier run at `out` may go.

    """

    log: Path
    out: Path
    firmware: Path
    vehicle: Path | None = None
    calibration: Path | None = None
    dbc: tuple[Path, ...] = ()
    image: Path | None = None
    target: str = "host"
    micropython: Path | None = None
    period_us: int | None = None
    channel: str | None = None
    max_gap_s: float = 10.0
    start_us: int = 0
    format: str | None = None
    replace: bool = False


def run_job(job: Job, started: float) -> dict[str, Any]:
    """Replay and store a run.

    Args:
        job: what to do.
        started: time.perf_counter() when the work began, for `wall_s`.

    Returns:
        The summary, see docs/runs.md.

    Raises:
        InputError: something given cannot be used; nothing is stored.
        FirmwareError: the firmware raised, ended or broke the protocol; nothing is stored.

    """
    with atomic_folder(job.out, replace=job.replace) as folder:
        layout = Layout.load(job.firmware)
        reader = open_log(job.log, format=job.format)
        log_hash = _Hash(job.log)
        # The interpreter starts while we import and pack.
        with Starting(job, layout) as starting:
            image = image_of(job, layout)
            with console.progress(reader.bytes_total, "replay", "B") as bar:
                return store_run(
                    folder, job, layout, starting, reader, image, log_hash.result, bar.advance, started
                )


def store_run(
    folder: Path,
    job: Job,
    layout: Layout,
    starting: Starting,
    reader: LogReader,
    image: ReplayImage,
    log_hash: Callable[[], str],
    advance: Callable[[int], None],
    started: float,
) -> dict[str, Any]:
    """Replay into a folder that is there, and return the summary.

    Args:
        folder: of the run.
        job: what to do.
        layout: of the firmware.
        starting: the job's target.
        reader: of the log, at its begin.
        image: what the firmware gets.
        log_hash: gives the log's SHA-256; called when all else is done.
        advance: called with the bytes of the log that were read since the call before.
        started: time.perf_counter() when the work began.

    Raises:
        InputError: something given cannot be used.
        FirmwareError: the firmware raised, ended or broke the protocol.

    """
    target = starting.target()
    target.load(image.data)
    (folder / runs.IMAGE).write_bytes(image.data)
    shutil.copyfile(job.firmware / runs.LAYOUT, folder / runs.LAYOUT)
    options = ReplayOptions(
        period_us=image.period_us,
        channel=job.channel,
        max_gap_us=round(job.max_gap_s * 1e6),
        start_us=job.start_us,
    )
    with runs.RunWriter(folder, layout) as writer:
        done = replay(reader, target, layout, options, writer, advance)
    return describe(folder, job, layout, reader, target, image, options, done, log_hash(), started)


def describe(
    folder: Path,
    job: Job,
    layout: Layout,
    reader: LogReader,
    target: Target,
    image: ReplayImage,
    options: ReplayOptions,
    done: Replayed,
    log_hash: str,
    started: float,
) -> dict[str, Any]:
    """Write manifest and summary into a run folder whose ticks are complete, and return the summary.

    Raises:
        InputError: the log cannot be that of this vehicle.

    """
    counts = done.timeline.counts
    check_log(image, counts.keys, job.log)
    inputs = {"log": {"name": job.log.name, "sha256": log_hash, "bytes": reader.bytes_total}}
    inputs |= {"firmware": {"sha256": firmware_hash(job.firmware)}, **image.inputs}
    channel = job.channel or reader.channels[0]
    manifest = _manifest(job, layout, reader, target, image, options, inputs) | {
        "counts": {
            "ticks": done.statistics.ticks,
            "frames": reader.frames,
            "delivered": counts.delivered,
            "skipped": skipped_of(done.timeline),
            "stamps": time_of(done.timeline),
            "problems": dict(sorted(reader.problems.counts.items())),
        },
        "channel": channel,
        "first_us": done.timeline.first_us,
        "outputs": {runs.TICKS: sha256_file(folder / runs.TICKS)},
    }
    runs.write_json(folder / runs.MANIFEST, manifest)
    summary = summarise(
        done,
        layout,
        reader,
        name=job.log.name,
        channel=channel,
        period_us=options.period_us,
        wall_s=time.perf_counter() - started,
        hashes={role: _hashes(value) for role, value in inputs.items()}
        | {"image": manifest["image"]["sha256"]},
    )
    runs.write_json(folder / runs.SUMMARY, summary)
    return summary


def firmware_hash(folder: Path) -> str:
    """Return one SHA-256 over the names and contents of a firmware's sources and its layout.toml."""
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*.py"))
    digest = hashlib.sha256()
    for name in [*files, runs.LAYOUT]:
        digest.update(f"{sha256_file(folder / name)}  {name}\n".encode())
    return digest.hexdigest()


class Starting:
    """A target that starts in a thread of its own; closed at the end of the context."""

    def __init__(self, job: Job, layout: Layout) -> None:
        self._job = job
        self._layout = layout
        self._target: Target | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="start", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._thread.join()
        if self._target is not None:
            self._target.close()

    def target(self) -> Target:
        """Wait until the firmware has started and return it, or raise what kept it from that."""
        self._thread.join()
        if self._error is not None:
            raise self._error
        assert self._target is not None
        return self._target

    def _run(self) -> None:
        job = self._job
        try:
            target = make_target(job.target, TargetOptions(job.firmware, job.micropython), self._layout)
            self._target = target
            target.start()
        except Exception as error:  # noqa: BLE001 - handed to the thread that asks for the target, which raises it
            self._error = error


class _Hash:
    """The SHA-256 of a file, computed while the replay runs."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._result = ""
        self._error: OSError | None = None
        self._thread = threading.Thread(target=self._run, name="hash", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._result = sha256_file(self._path)
        except OSError as error:
            self._error = error

    def result(self) -> str:
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._result


def image_of(job: Job, layout: Layout) -> ReplayImage:
    """Return the image that a job is to run.

    Raises:
        InputError: both an image and its files are given, or neither.

    """
    if job.image is not None:
        if job.vehicle is not None or job.calibration is not None or job.dbc:
            raise InputError("give either --image, or --vehicle and --calibration", where="--image")
        if job.period_us is not None:
            raise InputError(
                "the tick period is packed into an image; give --vehicle and --calibration instead of --image",
                where="--period-us",
            )
        return load_image(job.image, layout)
    if job.vehicle is None or job.calibration is None:
        missing = "--vehicle" if job.vehicle is None else "--calibration"
        raise InputError("is missing; give --vehicle and --calibration, or --image", where=missing)
    return pack_image(job.vehicle, job.calibration, layout, job.period_us, job.dbc)


def _manifest(
    job: Job,
    layout: Layout,
    reader: LogReader,
    target: Target,
    image: ReplayImage,
    options: ReplayOptions,
    inputs: Mapping[str, Any],
) -> dict[str, Any]:
    """Return what went into a run, without anything that differs from one run to the next of the same inputs."""
    import numpy as np
    import pyarrow as pa

    return {
        "format": runs.FORMAT,
        "versions": {
            "dashpot": __version__,
            "layout": f"{layout.version:#010x}",
            "target": target.name,
            "interpreter": target.interpreter,
            "numpy": np.__version__,
            "pyarrow": pa.__version__,
        },
        "inputs": dict(inputs),
        "image": {"sha256": hashlib.sha256(image.data).hexdigest(), "period_us": image.period_us},
        "arguments": {
            "format": reader.format,
            "channel": job.channel,
            "period_us": job.period_us,
            "max_gap_s": job.max_gap_s,
            "start_us": options.start_us,
        },
    }


def _hashes(value: Any) -> Any:
    """Return the hash of an input, or the hashes of several."""
    return [entry["sha256"] for entry in value] if isinstance(value, list) else value["sha256"]
