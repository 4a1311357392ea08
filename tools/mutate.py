#!/usr/bin/env python3
"""Change the firmware in one small place at a time and see whether the tests notice.

    .venv/bin/python tools/mutate.py [FILE ...] [--resume FILE] [--report FILE] [--json FILE] [--campaign]

Each mutant is a copy of firmware/ with one operator, number, condition or statement changed. tools/mutants.toml has a row
for each file and the tests that must notice; tools/mutants_equivalent.toml names the mutants that cannot be seen from
outside, with a reason each. A mutant that no test notices survives and is listed with its line.

With `--resume FILE` each result is kept in FILE at once; the same command goes on where it was cut, and tries again what
changes of the firmware or the tests have made stale. `--campaign` gives what survives to the demo's fault campaign.
Exit 1 when less than `--least` percent are noticed, or when a mutant named equivalent was noticed or does not exist.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import hashlib
import json
import os
import queue
import random
import resource
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import tomllib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

TOOLS = Path(__file__).resolve().parent
ROOT = TOOLS.parent
sys.path.insert(0, str(ROOT / "bench"))

from dashpot.console import progress  # noqa: E402  (the checkout's own package)
from dashpot.errors import InputError  # noqa: E402
from dashpot.files import atomic_path  # noqa: E402
from mutate_report import (  # noqa: E402  (likewise, and light)
    CAMPAIGN,
    SURVIVED,
    Run,
    Verdict,
    as_json,
    as_markdown,
    tally,
)

TABLE = Path("tools") / "mutants.toml"
EQUIVALENT = Path("tools") / "mutants_equivalent.toml"
#: What a run is made of, copied at its start, so that edits meanwhile change nothing.
PARTS = ("firmware", "bench", "tests", "dbc", "tools", "pyproject.toml")
#: One worker tries so many in a row, first with the tests that noticed the ones before.
CHUNK = 50
FRONT = 8
LEAST_PERCENT = 95.0

SWAPS: dict[type[ast.AST], tuple[str, ...]] = {
    ast.Lt: ("<=", ">="),
    ast.LtE: ("<", ">"),
    ast.Gt: (">=", "<="),
    ast.GtE: (">", "<"),
    ast.Eq: ("!=",),
    ast.NotEq: ("==",),
    ast.Add: ("-",),
    ast.Sub: ("+",),
    ast.Mult: ("+",),
    ast.FloorDiv: ("*",),
    ast.Mod: ("*",),
    ast.LShift: (">>",),
    ast.RShift: ("<<",),
    ast.BitAnd: ("|",),
    ast.BitOr: ("&",),
    ast.BitXor: ("|",),
    ast.And: ("or",),
    ast.Or: ("and",),
    ast.Is: ("is not",),
    ast.IsNot: ("is",),
    ast.In: ("not in",),
    ast.NotIn: ("in",),
}
SYMBOLS: dict[type[ast.AST], str] = {
    ast.Lt: "<",
    ast.LtE: "<=",
    ast.Gt: ">",
    ast.GtE: ">=",
    ast.Eq: "==",
    ast.NotEq: "!=",
    ast.Add: "+",
    ast.Sub: "-",
    ast.Mult: "*",
    ast.FloorDiv: "//",
    ast.Mod: "%",
    ast.LShift: "<<",
    ast.RShift: ">>",
    ast.BitAnd: "&",
    ast.BitOr: "|",
    ast.BitXor: "^",
    ast.And: "and",
    ast.Or: "or",
    ast.Is: "is",
    ast.IsNot: "is not",
    ast.In: "in",
    ast.NotIn: "not in",
}


@dataclass(frozen=True)
class Mutant:
    """One change: `text` of the file becomes `source`; `name` says where and what, without line numbers."""

    file: str
    line: int
    name: str
    source: str


class Source:
    """A file's text, addressed by the lines and UTF-8 columns of its syntax tree."""

    def __init__(self, text: str) -> None:
        self.text = text
        self._starts = [0]
        for line in text.splitlines(keepends=True):
            self._starts.append(self._starts[-1] + len(line))

    def at(self, line: int, column: int) -> int:
        """Index of a place in the text; the firmware is ASCII, so columns are characters."""
        return self._starts[line - 1] + column

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        """Begin and end of a node."""
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self.at(node.lineno, node.col_offset), self.at(node.end_lineno, node.end_col_offset)


def mutants(path: Path) -> list[Mutant]:
    """All mutants of one file in the order of its lines, numbered where the same change stands in a line twice."""
    text = path.read_text(encoding="utf-8")
    source = Source(text)
    found: list[Mutant] = []
    names: dict[str, int] = {}
    for node, begin, end, new in changes(ast.parse(text), source):
        code = text[source.at(node.lineno, 0) :].partition("\n")[0].strip()
        name = f"{path.name}: {code}: {text[begin:end].strip()!r} -> {new!r}"
        names[name] = names.get(name, 0) + 1
        if names[name] > 1:
            name += f" ({names[name]})"
        found.append(Mutant(path.name, node.lineno, name, text[:begin] + new + text[end:]))
    return sorted(found, key=lambda mutant: mutant.line)


def changes(tree: ast.Module, source: Source) -> Iterator[tuple[ast.expr | ast.stmt, int, int, str]]:
    """Places and new texts: (node, begin, end, text)."""
    zeros = zero_constants(tree)
    seen: set[ast.AST] = set()
    for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        for node in ast.walk(function):
            if node in seen:
                continue  # of a function inside another
            seen.add(node)
            if isinstance(node, ast.stmt):
                yield from statement_changes(node, source)
            elif isinstance(node, ast.expr):
                yield from expression_changes(node, source, zeros)


def statement_changes(node: ast.stmt, source: Source) -> Iterator[tuple[ast.expr | ast.stmt, int, int, str]]:
    """Other operators of an assignment, turned conditions, and statements that are left out."""
    if isinstance(node, ast.AugAssign):
        symbol = SYMBOLS[type(node.op)] + "="
        place = source.text.index(symbol, source.span(node.target)[1])
        for new in SWAPS[type(node.op)]:
            yield node, place, place + len(symbol), new + "="
    elif isinstance(node, (ast.If, ast.While)):
        yield from turned(node.test, source)
    if (
        isinstance(node, (ast.AugAssign, ast.Continue, ast.Break, ast.Raise))
        or (isinstance(node, ast.Assign) and isinstance(node.targets[0], (ast.Subscript, ast.Attribute)))
        or (isinstance(node, ast.Expr) and not is_docstring(node))
        or (isinstance(node, ast.Return) and node.value is None)
    ):
        yield (node, *source.span(node), "pass")


def expression_changes(
    node: ast.expr, source: Source, zeros: set[str]
) -> Iterator[tuple[ast.expr | ast.stmt, int, int, str]]:
    """Other operators and numbers in an expression."""
    if isinstance(node, ast.Compare):
        sides = [node.left, *node.comparators]
        for left, operator, right in zip(sides, node.ops, sides[1:], strict=False):
            yield from swaps(node, operator, left, right, source)
    elif isinstance(node, ast.BinOp):
        if not is_sign_idiom(node) and not adds_nothing(node, zeros):
            yield from swaps(node, node.op, node.left, node.right, source)
    elif isinstance(node, ast.BoolOp):
        for left, right in zip(node.values, node.values[1:], strict=False):
            yield from swaps(node, node.op, left, right, source)
        for value in node.values:
            yield from turned(value, source)
    elif isinstance(node, ast.IfExp):
        yield from turned(node.test, source)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        yield node, source.span(node)[0], source.span(node.operand)[0], ""
    elif isinstance(node, ast.Constant) and type(node.value) is int:
        yield (node, *source.span(node), str(node.value + 1))
    elif isinstance(node, ast.Constant) and type(node.value) is bool:
        yield (node, *source.span(node), str(not node.value))


def turned(test: ast.expr, source: Source) -> Iterator[tuple[ast.expr, int, int, str]]:
    """The opposite of a condition that has no operator of its own to change."""
    if isinstance(test, (ast.Name, ast.Subscript, ast.Attribute, ast.Call)):
        begin, end = source.span(test)
        yield test, begin, end, f"not {source.text[begin:end]}"


def swaps(
    node: ast.expr, operator: ast.AST, left: ast.expr, right: ast.expr, source: Source
) -> Iterator[tuple[ast.expr, int, int, str]]:
    """Other operators between two operands."""
    if type(operator) not in SWAPS:
        return
    begin, end = source.span(left)[1], source.span(right)[0]
    symbol = SYMBOLS[type(operator)]
    place = source.text.index(symbol, begin, end)
    for new in SWAPS[type(operator)]:
        yield node, place, place + len(symbol), new


def is_sign_idiom(node: ast.BinOp) -> bool:
    """Whether this is `x << pad >> pad`, which does nothing on one of the two interpreters."""
    return isinstance(node.right, ast.Name) and node.right.id == "pad"


def zero_constants(tree: ast.Module) -> set[str]:
    """Names of the module that are `const(0)`."""
    return {
        target.id
        for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.value) == "const(0)"
        for target in node.targets
        if isinstance(target, ast.Name)
    }


def adds_nothing(node: ast.BinOp, zeros: set[str]) -> bool:
    """Whether this is `x + NAME` with a name that is 0: the first field of a row, by its name."""
    return isinstance(node.op, ast.Add) and isinstance(node.right, ast.Name) and node.right.id in zeros


def is_docstring(node: ast.stmt) -> bool:
    """Whether a statement is a bare string."""
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


@dataclass(frozen=True)
class Table:
    """tools/mutants.toml: for each file the tests that must notice, lists resolved; and the reasons of the equivalent."""

    tests: dict[str, tuple[str, ...]]
    reasons: dict[str, str]

    @classmethod
    def load(cls, tree: Path) -> Table:
        """Read both files.

        Raises:
            InputError: a row names a file or a test file that does not exist.

        """
        read = tomllib.loads((tree / TABLE).read_text(encoding="utf-8"))
        lists: dict[str, list[str]] = read.get("lists", {})
        tests: dict[str, tuple[str, ...]] = {}
        for file, row in read["files"].items():
            tests[file] = tuple(test for entry in row for test in lists.get(entry, [entry]))
            if not (tree / "firmware" / "dashpot" / file).is_file():
                raise InputError(f"there is no firmware/dashpot/{file}", where=f"{TABLE}: {file}")
            for test in tests[file]:
                if not (tree / test_file(test)).is_file():
                    raise InputError(f"there is no {test_file(test)}", where=f"{TABLE}: {file}")
        path = tree / EQUIVALENT
        reasons = tomllib.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
        return cls(tests, reasons)


def test_file(test: str) -> str:
    """Give the file of a test's name."""
    return test.partition("::")[0]


class Memory:
    """Results kept from earlier runs, a line of JSON each; a line that was cut short is left out.

    A result holds as long as the firmware, the helpers of the tests and the tests behind it are what they were: for a
    mutant that was noticed the file of that test, for a survivor all files of its row in the table.
    """

    def __init__(self, path: Path | None, tree: Path) -> None:
        self._tree = tree
        self._firmware = digest(
            tree, [*(tree / "firmware").rglob("*.py"), *(tree / "firmware").glob("*.toml")]
        )
        helpers = [p for p in (tree / "tests").rglob("*.py") if not p.name.startswith("test_")]
        self._helpers = digest(tree, helpers)
        self._files: dict[str, str] = {}
        self._kept: dict[str, dict[str, str]] = {}
        self._noticed: dict[str, str] = {}
        self._stream = None
        if path is None:
            return
        whole = ""
        if path.exists():
            whole, _, _ = path.read_text(encoding="utf-8").rpartition("\n")
            for line in whole.splitlines():
                try:
                    entry = json.loads(line)
                    self._kept[entry["key"]] = entry
                    if entry["by"]:
                        self._noticed[entry["name"]] = entry["by"]
                except (ValueError, KeyError, TypeError):
                    raise InputError("is no file of results; give another for --resume", where=path) from None
        # Written anew, so that the next line begins where a line may begin.
        with atomic_path(path) as aside:
            aside.write_text(whole + "\n" if whole else "", encoding="utf-8")
        self._stream = path.open("a", encoding="utf-8")

    @property
    def firmware(self) -> str:
        """SHA-256 over the firmware's files and their names."""
        return self._firmware

    def get(self, kind: str, mutant: Mutant, tests: Sequence[str]) -> dict[str, str] | None:
        """Return what is known of a mutant, None if nothing that still holds."""
        for key in (self._key(kind, mutant, tests, "noticed"), self._key(kind, mutant, tests, SURVIVED)):
            entry = self._kept.get(key)
            if entry is not None and entry["proof"] == self._proof(entry, tests):
                return entry
        return None

    def hint(self, mutant: Mutant) -> list[str]:
        """Give the test that noticed a mutant of this name last, though of an older firmware."""
        return [self._noticed[mutant.name]] if mutant.name in self._noticed else []

    def put(self, kind: str, mutant: Mutant, tests: Sequence[str], said: dict[str, Any]) -> None:
        """Keep a result at once."""
        if self._stream is None:
            return
        outcome = SURVIVED if said["outcome"] == SURVIVED else "noticed"
        entry = {"key": self._key(kind, mutant, tests, outcome), "outcome": said["outcome"], "by": said["by"]}
        entry |= {"proof": self._proof(entry, tests), "name": mutant.name}
        self._stream.write(json.dumps(entry) + "\n")
        self._stream.flush()

    def close(self) -> None:
        """Close the file."""
        if self._stream is not None:
            self._stream.close()

    def _key(self, kind: str, mutant: Mutant, tests: Sequence[str], outcome: str) -> str:
        rows = tests if outcome == SURVIVED else ()
        said = "\0".join([kind, self._firmware, self._helpers, mutant.name, outcome, *rows])
        return hashlib.sha256(said.encode()).hexdigest()

    def _proof(self, entry: dict[str, str], tests: Sequence[str]) -> str:
        behind = tests if entry["outcome"] == SURVIVED else [entry["by"]]
        files = sorted({test_file(test) for test in behind})
        for name in files:
            if name not in self._files:
                path = self._tree / name
                self._files[name] = digest(self._tree, [path]) if name and path.is_file() else name
        return hashlib.sha256("".join(self._files[name] for name in files).encode()).hexdigest()


def digest(tree: Path, files: Sequence[Path]) -> str:
    """SHA-256 over files and their names."""
    made = hashlib.sha256()
    for path in sorted(files):
        made.update(f"{path.relative_to(tree).as_posix()}\0".encode() + path.read_bytes() + b"\0")
    return made.hexdigest()


class Worker:
    """The other end of tools/mutate_worker.py, with a firmware of its own."""

    def __init__(self, tree: Path, folder: Path, files: Sequence[str]) -> None:
        shutil.copytree(tree / "firmware", folder / "firmware", ignore=shutil.ignore_patterns("__pycache__"))
        (folder / "temporary").mkdir()
        ours, its = socket.socketpair()
        self._said = (folder / "stderr.txt").open("w+", encoding="utf-8")
        self._process = subprocess.Popen(
            [
                sys.executable,
                str(TOOLS / "mutate_worker.py"),
                str(its.fileno()),
                str(tree),
                str(folder),
                *files,
            ],
            cwd=tree,
            env=os.environ
            | {
                "DASHPOT_FIRMWARE": str(folder / "firmware"),
                "TMPDIR": str(folder / "temporary"),
                "OPENBLAS_NUM_THREADS": "1",
                "PYTHONDONTWRITEBYTECODE": "1",
                "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            },
            pass_fds=[its.fileno()],
            stdout=subprocess.DEVNULL,
            stderr=self._said,
            # A session of its own: Ctrl-C reaches only us, and we end it.
            start_new_session=True,
        )
        its.close()
        self._socket = ours
        self._stream = ours.makefile("rw", encoding="utf-8")
        #: Names of the tests that were collected.
        self.tests: list[str] = self._receive()["tests"]

    def ask(self, do: str, **request: Any) -> dict[str, Any]:
        """Send a request and wait for its reply.

        Raises:
            WorkerError: the worker ended or could not do it.

        """
        try:
            self._stream.write(json.dumps({"do": do, **request}) + "\n")
            self._stream.flush()
        except OSError:
            raise WorkerError("a worker ended") from None
        return self._receive()

    def stop(self) -> None:
        """End the worker and all that it started; may be called by another thread."""
        self._process.send_signal(signal.SIGTERM)
        self._process.wait()

    def close(self) -> None:
        """Stop, and close what is open."""
        self.stop()
        with contextlib.suppress(OSError):
            self._stream.close()
        self._socket.close()
        self._said.close()

    def _receive(self) -> dict[str, Any]:
        try:
            line = self._stream.readline()
        except OSError:
            line = ""
        if not line:
            self._process.wait()
            self._said.seek(0)
            raise WorkerError(f"a worker ended\n{self._said.read()}")
        reply: dict[str, Any] = json.loads(line)
        if "error" in reply:
            raise WorkerError(reply["error"])
        return reply


class WorkerError(Exception):
    """A worker ended or could not do what was asked."""


@dataclass
class Crew:
    """Some workers, and the queue from which they take pieces of work."""

    workers: list[Worker]
    stopping: threading.Event = field(default_factory=threading.Event)

    def all(self, pieces: Sequence[Any], work: Callable[[Worker, Any], None]) -> None:
        """Do every piece on some worker.

        Raises:
            WorkerError: of the first worker that failed.

        """
        waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
        for piece in pieces:
            waiting.put(piece)
        ended: queue.SimpleQueue[BaseException | None] = queue.SimpleQueue()

        def serve(worker: Worker) -> None:
            try:
                while not self.stopping.is_set():
                    try:
                        piece = waiting.get_nowait()
                    except queue.Empty:
                        break
                    work(worker, piece)
            except BaseException as error:  # noqa: BLE001  (handed to the thread that waits, which raises it)
                ended.put(error)
            else:
                ended.put(None)

        for worker in self.workers:
            threading.Thread(target=serve, args=(worker,), daemon=True).start()
        for _ in self.workers:
            error = ended.get()
            if error is not None:
                raise error


@dataclass
class Session:
    """One run: what is tried, by whom, and what is known so far."""

    tree: Path
    table: Table
    memory: Memory
    crew: Crew
    said: dict[str, dict[str, str]] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def check_baseline(self, files: Sequence[str], hang_s: float) -> None:
        """Run all tests on the firmware as it is, for their times.

        Raises:
            InputError: one fails.

        """
        entries = list(dict.fromkeys(test for file in files for test in self.table.tests[file]))
        seconds: dict[str, float] = {}

        def work(worker: Worker, test: str) -> None:
            reply = worker.ask("baseline", tests=[test])
            if reply["outcome"] != SURVIVED:
                raise InputError(
                    f"fails on the firmware as it is: {reply['outcome']}", where=reply["by"] or test
                )
            if not reply["seconds"]:
                raise InputError("names no test", where=f"{TABLE}: {test}")
            with self.lock:
                seconds.update(reply["seconds"])

        self.crew.all(entries, work)
        for worker in self.crew.workers:
            worker.ask("limits", seconds=seconds, least_s=hang_s)

    def try_all(self, todo: Sequence[Mutant], advance: Callable[[], None]) -> None:
        """Try mutants, in chunks of neighbours: the test that noticed one often notices the next."""
        chunks: list[list[Mutant]] = []
        for mutant in todo:
            if not chunks or chunks[-1][0].file != mutant.file or len(chunks[-1]) == CHUNK:
                chunks.append([])
            chunks[-1].append(mutant)

        def work(worker: Worker, chunk: list[Mutant]) -> None:
            front: list[str] = []
            for mutant in chunk:
                tests = self.table.tests[mutant.file]
                said = self.memory.get("tests", mutant, tests)
                if said is None:
                    first = dict.fromkeys([*self.memory.hint(mutant), *front])
                    said = worker.ask(
                        "try", file=mutant.file, source=mutant.source, tests=tests,
                        first=[name for name in first if name in worker.tests],
                    )  # fmt: skip
                with self.lock:
                    if "key" not in said:
                        self.memory.put("tests", mutant, tests, said)
                    self.said[mutant.name] = said
                    advance()
                if said["by"]:
                    front = [said["by"], *(name for name in front if name != said["by"])][:FRONT]

        self.crew.all(chunks, work)

    def try_campaign(self, todo: Sequence[Mutant], demo: Path, advance: Callable[[], None]) -> None:
        """Give mutants to the demo's fault campaign.

        Raises:
            InputError: a row fails already on the firmware as it is.

        """
        plan = "bench/dashpot/demo/data/plan.toml"
        kind = f"campaign {digest(self.tree, [self.tree / plan])}"
        asked = []
        for mutant in todo:
            known = self.memory.get(kind, mutant, [plan])
            if known is None:
                asked.append(mutant)
                continue
            self.said[mutant.name] = known
            advance()
        if not asked:
            return
        make_demo(self.tree, demo)
        clean = self.crew.workers[0].ask("campaign", file="", source="", demo=str(demo), seconds=0)
        if clean["outcome"] != SURVIVED:
            raise InputError("fails on the firmware as it is", where=clean["by"] or "campaign")

        def work(worker: Worker, mutant: Mutant) -> None:
            said = worker.ask(
                "campaign", file=mutant.file, source=mutant.source, demo=str(demo), seconds=clean["seconds"]
            )
            if said["outcome"] != SURVIVED and not said["by"]:
                said["by"] = CAMPAIGN + "never ended"
            with self.lock:
                self.memory.put(kind, mutant, [plan], said)
                self.said[mutant.name] = said
                advance()

        self.crew.all(asked, work)


def make_demo(tree: Path, folder: Path) -> None:
    """Write the demo's log, vehicle and calibration.

    Raises:
        WorkerError: the command failed.

    """
    done = subprocess.run(
        [sys.executable, "-m", "dashpot", "demo", "--out", str(folder)],
        cwd=tree, env=os.environ | {"PYTHONPATH": str(tree / "bench")}, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        raise WorkerError(f"dashpot demo failed: {done.stderr}")


def snapshot(root: Path, folder: Path) -> Path:
    """Copy what a run is made of."""
    tree = folder / "tree"
    tree.mkdir()
    for name in PARTS:
        source = root / name
        if source.is_dir():
            ignored = shutil.ignore_patterns("__pycache__", ".*")
            shutil.copytree(source, tree / name, ignore=ignored)
        elif source.exists():
            shutil.copyfile(source, tree / name)
    return tree


def run(options: argparse.Namespace, folder: Path) -> Run:
    """Try what the command line asks for, on a copy of the tree."""
    tree = snapshot(options.root, folder)
    table = Table.load(tree)
    files: list[str] = options.files or list(table.tests)
    for name in files:
        if name not in table.tests:
            known = ", ".join(table.tests)
            raise InputError(f"{name} has no row; there are rows for {known}", where=TABLE)
    everything = {name: mutants(tree / "firmware" / "dashpot" / name) for name in table.tests}
    todo = [mutant for name in files for mutant in everything[name]]
    about: dict[str, Any] = {"files": " ".join(files)}
    if options.sample and options.sample < len(todo):
        drawn = set(random.Random(options.seed).sample(range(len(todo)), options.sample))  # noqa: S311  (no secret)
        about["sample"] = f"{options.sample} of {len(todo)}, drawn with seed {options.seed}"
        todo = [mutant for index, mutant in enumerate(todo) if index in drawn]
    memory = Memory(options.resume, tree)
    about = {"firmware_sha256": memory.firmware, **about, "campaign": "yes" if options.campaign else "no"}
    test_files = list(dict.fromkeys(test_file(test) for name in files for test in table.tests[name]))
    crew = Crew([])
    try:
        for number in range(options.jobs):
            (folder / f"worker{number}").mkdir()
            crew.workers.append(Worker(tree, folder / f"worker{number}", test_files))
        session = Session(tree, table, memory, crew)
        session.check_baseline(files, options.hang)
        with progress(len(todo), "mutants", "mutants") as bar:
            session.try_all(todo, lambda: bar.advance(1))
        if options.campaign:
            left = [
                mutant
                for mutant in todo
                if session.said[mutant.name]["outcome"] == SURVIVED and mutant.name not in table.reasons
            ]
            with progress(len(left), "campaign", "mutants") as bar:
                session.try_campaign(left, folder / "demo", lambda: bar.advance(1))
    finally:
        crew.stopping.set()
        for worker in crew.workers:
            worker.close()
        memory.close()
    verdicts = [
        Verdict(
            mutant.file, mutant.line, mutant.name, session.said[mutant.name]["outcome"],
            session.said[mutant.name]["by"], table.reasons.get(mutant.name, ""),
        )
        for mutant in todo
    ]  # fmt: skip
    there = {mutant.name for found in everything.values() for mutant in found}
    return Run(verdicts, sorted(set(table.reasons) - there), about)


def show(done: Run, least: float) -> int:
    """Print what survived and the score; give the exit code."""
    for verdict in done.survivors:
        print(f"survived: line {verdict.line}: {verdict.name}")
    wrong = [*(verdict.name for verdict in done.wrongly_named), *done.unknown]
    for name in wrong:
        print(f"named equivalent, but noticed or not there: {name}")
    for name in [*done.files, "all"]:
        made = tally([verdict for verdict in done.verdicts if name in ("all", verdict.file)])
        print(
            f"{name}: {made.mutants} mutants: {made.killed} killed, {made.timed_out} timed out, "
            f"{made.survived} survived, {made.equivalent} equivalent, {made.not_viable} not viable: {made.score:.1f} %"
        )
    return 1 if wrong or tally(done.verdicts).score < least else 0


def main() -> int:
    """Try the mutants, write the reports and print the survivors."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument(
        "files", nargs="*", help="file names in firmware/dashpot; all rows of the table by default"
    )
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--sample", type=int, help="only so many, drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--resume", type=Path, help="keep each result here, and take over those that still hold"
    )
    parser.add_argument("--campaign", action="store_true", help="try survivors on the demo's fault campaign")
    parser.add_argument("--report", type=Path, help="write a page in Markdown")
    parser.add_argument("--json", type=Path, help="write all verdicts")
    parser.add_argument(
        "--hang",
        type=float,
        default=5.0,
        help="a test hangs after so many seconds and ten times its own time",
    )
    parser.add_argument(
        "--least", type=float, default=LEAST_PERCENT, help="score that is asked for, in percent"
    )
    parser.add_argument("--root", type=Path, default=ROOT, help="the checkout; this one by default")
    options = parser.parse_args()
    began_s = time.monotonic()
    # A run in the background is told to end by SIGTERM: the same as Ctrl-C.
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        with tempfile.TemporaryDirectory(prefix="dashpot-mutants-") as folder:
            done = run(options, Path(folder))
    except (InputError, WorkerError) as error:
        print(f"mutate.py: {error}", file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        kept = f"; {options.resume} has what was found, the same command goes on" if options.resume else ""
        print(f"mutate.py: stopped{kept}", file=sys.stderr)
        return 130
    if options.report:
        with atomic_path(options.report) as path:
            path.write_text(as_markdown(done), encoding="utf-8")
    if options.json:
        with atomic_path(options.json) as path:
            path.write_text(json.dumps(as_json(done), indent=1) + "\n", encoding="utf-8")
    code = show(done, options.least)
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"took {(time.monotonic() - began_s) / 60:.1f} min, and {(used.ru_utime + used.ru_stime) / 60:.1f} min of "
        "processor time"
    )
    return code


if __name__ == "__main__":
    raise SystemExit(main())
