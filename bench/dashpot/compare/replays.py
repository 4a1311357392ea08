"""The runs that a comparison needs: replayed through each firmware and calibration, or found again from an earlier time.

A run is kept under a hash of all that decides it: the bench's own sources, firmware, image, log, target, options. A
firmware of a git ref is exported into the same cache by `git archive`; the user's tree is only read.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import shutil
import subprocess
import tarfile
import tempfile
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Self

from dashpot import __version__, console, runs
from dashpot.errors import DashpotError, FirmwareError, InputError
from dashpot.files import atomic_folder, sha256_file
from dashpot.layout import Layout
from dashpot.logs.reader import open_log
from dashpot.replay.imagecache import PACKAGE, VARIABLE
from dashpot.replay.job import Starting, firmware_hash, image_of, store_run

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from dashpot.replay.images import ReplayImage
    from dashpot.replay.job import Job

FORMAT = 1
GIT = "git:"
#: Bytes of kept runs; the longest unused go. An hour's run takes some 100 MB.
MOST_BYTES = 4 << 30
GIT_S = 60.0


@dataclass(frozen=True, slots=True)
class Made:
    """A run that was wanted: its folder, and whether it was there already; or what kept it from being made."""

    path: Path
    cached: bool
    error: DashpotError | None = None


class Cache:
    """Where runs and exported firmwares are kept; a folder that goes at the end where the user wants no cache."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self.path = Path()

    def __enter__(self) -> Self:
        named = os.environ.get(VARIABLE)
        base = os.environ.get("XDG_CACHE_HOME") or os.path.expanduser("~/.cache")  # noqa: PTH111 - pathlib's raises without a home
        if named:
            folder = Path(named).absolute()
        elif named is None and Path(base).is_absolute():
            folder = Path(base) / "dashpot"
        else:
            folder = self._aside()
        try:
            for name in ("runs", "firmware"):
                (folder / name).mkdir(parents=True, exist_ok=True)
        except OSError:
            folder = self._aside()
            for name in ("runs", "firmware"):
                (folder / name).mkdir()
        self.path = folder
        return self

    def __exit__(self, *_: object) -> None:
        self._stack.close()

    def _aside(self) -> Path:
        return Path(self._stack.enter_context(tempfile.TemporaryDirectory(prefix="dashpot-compare-")))

    def prune(self, keep: Sequence[Path]) -> None:
        """Remove the runs that were longest unused while there are too many bytes; those in `keep` stay."""
        kept = {path.name for path in keep}
        sized = []
        for folder in (self.path / "runs").iterdir():
            try:
                size = sum(file.stat().st_size for file in folder.iterdir())
                sized.append((folder.stat().st_mtime_ns, size, folder))
            except OSError:
                continue
        total = sum(size for _, size, _ in sized)
        for _, size, folder in sorted(sized):
            if total <= MOST_BYTES:
                return
            if folder.name not in kept:
                shutil.rmtree(folder, ignore_errors=True)
                total -= size


def firmware_of(said: str, cache: Cache) -> Path:
    """Return the folder of a firmware that is given as a folder, `git:REF` or `git:REF:FOLDER`.

    Raises:
        InputError: there is no such folder, ref or firmware in it, or this is no git repository.

    """
    if not said.startswith(GIT):
        return _checked(Path(said))
    ref, _, inside = said.removeprefix(GIT).partition(":")
    if not ref:
        raise InputError("names no ref; write git:REF, such as git:HEAD or git:v1.2", where=said)
    commit = (
        _git(said, "rev-parse", "--verify", "--quiet", "--end-of-options", f"{ref}^{{commit}}")
        .decode()
        .strip()
    )
    if not inside:
        names = _git(said, "ls-tree", "-r", "--name-only", "--full-tree", commit).decode().splitlines()
        places = [name.rpartition("/")[0] for name in names if name.rpartition("/")[2] == runs.LAYOUT]
        if len(places) != 1:
            found = (
                f"{len(places)} folders with a {runs.LAYOUT}: {', '.join(places[:6])}" if places else "none"
            )
            raise InputError(f"holds {found}; name the firmware's folder, git:{ref}:FOLDER", where=said)
        inside = places[0]
    spot = f"{commit}:{inside.strip('/')}"
    tree = _git(said, "rev-parse", "--verify", "--quiet", "--end-of-options", spot).decode().strip()
    folder = cache.path / "firmware" / tree
    if not folder.is_dir():
        # At the top, since git archive takes a tree without its folder only there.
        top = _git(said, "rev-parse", "--show-toplevel").decode().rstrip("\n")
        packed = _git(said, "archive", "--format=tar", tree, where=top)
        try:
            with atomic_folder(folder) as part, tarfile.open(fileobj=io.BytesIO(packed)) as archive:
                archive.extractall(part, filter="data")
        except InputError:
            # Another compare may have exported the same tree meanwhile.
            if not folder.is_dir():
                raise
    return _checked(folder)


def _checked(folder: Path) -> Path:
    if not (folder / runs.LAYOUT).is_file():
        # It says what is wrong with the folder.
        Layout.load(folder)
    return folder


def _git(said: str, *words: str, where: str | None = None) -> bytes:
    try:
        done = subprocess.run(
            ["git", "--no-optional-locks", *words],  # noqa: S607 - the user's own git
            cwd=where,
            capture_output=True,
            check=False,
            timeout=GIT_S,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise InputError(f"git cannot be run ({error}); give a folder", where=said) from None
    if done.returncode:
        told = " ".join(done.stderr.decode(errors="replace").split())
        raise InputError(
            told or "there is no such ref, or folder in it, in the git repository of this folder", where=said
        )
    return done.stdout


def make_runs(jobs: Sequence[Job], cache: Cache, workers: int) -> list[Made]:
    """Return the run of each job, replayed where the cache does not have it, `workers` at a time.

    A replay that the firmware ends is told in its `error`, and so is a log that cannot be replayed: the others go on.
    `out` of the jobs is not used.

    Raises:
        InputError: a vehicle, calibration or firmware cannot be used.

    """
    sources = _sources()
    layouts: dict[bytes, Layout] = {}
    images: dict[tuple[Path, Path | None], tuple[ReplayImage, str]] = {}
    logs: dict[Path, str] = {}
    todo: dict[Path, tuple[Job, ReplayImage, str]] = {}
    paths = []
    for job in jobs:
        kind = (job.firmware, job.calibration)
        if kind not in images:
            text = (job.firmware / runs.LAYOUT).read_bytes()
            if text not in layouts:
                layouts[text] = Layout.load(job.firmware)
            images[kind] = (image_of(job, layouts[text]), firmware_hash(job.firmware))
        image, firmware = images[kind]
        if job.log not in logs:
            logs[job.log] = _log_hash(job.log)
        path = cache.path / "runs" / _key(job, image, firmware, logs[job.log], sources)
        paths.append(path)
        if not (path / runs.MANIFEST).is_file():
            todo.setdefault(path, (job, image, logs[job.log]))
    errors = _replay_all(todo, workers)
    for path in paths:
        if path.is_dir():
            os.utime(path)
    cache.prune(paths)
    return [Made(path, path not in todo, errors.get(path)) for path in paths]


def _log_hash(log: Path) -> str:
    try:
        return sha256_file(log)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=log) from None


def _replay_all(todo: dict[Path, tuple[Job, ReplayImage, str]], workers: int) -> dict[Path, DashpotError]:
    """Replay what is wanted; return what went wrong, by run folder."""
    errors: dict[Path, DashpotError] = {}
    total = sum(job.log.stat().st_size for job, _, _ in todo.values())
    lock = threading.Lock()
    stop = threading.Event()
    with (
        console.progress(total, f"replay {len(todo)} runs", "B") as bar,
        ThreadPoolExecutor(workers) as pool,
    ):

        def advance(count: int) -> None:
            if stop.is_set():
                raise InputError("stopped")
            with lock:
                bar.advance(count)

        waiting = {
            path: pool.submit(_replay, replace(job, out=path), image, log_hash, advance)
            for path, (job, image, log_hash) in todo.items()
        }
        try:
            for path, future in waiting.items():
                try:
                    future.result()
                except (FirmwareError, InputError) as error:
                    # Another compare may have made the same run meanwhile.
                    if not (path / runs.MANIFEST).is_file():
                        errors[path] = error
        finally:
            stop.set()
            for future in waiting.values():
                future.cancel()
    return errors


def _replay(job: Job, image: ReplayImage, log_hash: str, advance: Callable[[int], None]) -> None:
    """Replay into `job.out`, as `dashpot.replay.job.run_job` does, under a bar that is shared."""
    started = time.perf_counter()
    with atomic_folder(job.out) as folder:
        layout = Layout.load(job.firmware)
        reader = open_log(job.log, format=job.format)
        with Starting(job, layout) as starting:
            store_run(folder, job, layout, starting, reader, image, lambda: log_hash, advance, started)


def _key(job: Job, image: ReplayImage, firmware: str, log_hash: str, sources: str) -> str:
    interpreter = None if job.micropython is None else sha256_file(job.micropython)
    everything = [
        FORMAT, __version__, sources, firmware, hashlib.sha256(image.data).hexdigest(), dict(image.inputs), job.log.name,
        log_hash, job.target, interpreter, job.period_us, job.channel, job.max_gap_s, job.start_us, job.format,
    ]  # fmt: skip
    return hashlib.sha256(json.dumps(everything, sort_keys=True).encode()).hexdigest()


def _sources() -> str:
    """Return a hash over the bench's sources that a run depends on."""
    files = [PACKAGE / "runs.py", PACKAGE / "layout.py"]
    for part in ("replay", "logs", "targets", "checked"):
        files += sorted((PACKAGE / part).glob("*.py"))
    return hashlib.sha256(b"".join(path.read_bytes() for path in files)).hexdigest()
