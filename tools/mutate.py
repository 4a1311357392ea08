#!/usr/bin/env python3
"""Change the firmware in one small place at a time and see whether the tests notice.

    python3 tools/dev.py setup && .venv/bin/python tools/mutate.py [FILE ...] [--jobs N] [--sample N] [--seed N]

Each mutant is a copy of firmware/ with one operator, number, condition or statement changed. The tests named in TESTS
run on it; a mutant that no test notices survives and is listed with its line. A survivor is no error when the change
cannot be seen from outside; tools/mutants_equivalent.toml names those with a reason each. Exit 1 when a survivor is
left, or when a named one was killed or does not exist.
"""

from __future__ import annotations

import argparse
import ast
import concurrent.futures
import os
import random
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

TOOLS = Path(__file__).resolve().parent
ROOT = TOOLS.parent
sys.path.insert(0, str(ROOT / "bench"))

from dashpot.console import progress  # noqa: E402  (the checkout's own package)

FIRMWARE = ROOT / "firmware"
EQUIVALENT = TOOLS / "mutants_equivalent.toml"
# What decides about a current: the stages from the ring to the guard, and the door for images.
SAFETY = ("receive.py", "validity.py", "output.py", "image.py")
TESTS = tuple(
    f"tests/test_firmware_{name}.py" for name in ("core", "faults", "laws", "image", "decode", "report")
)
TIMEOUT_S = 240

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
    ast.LShift: (">>",),
    ast.RShift: ("<<",),
    ast.BitAnd: ("|",),
    ast.BitOr: ("&",),
    ast.BitXor: ("|",),
    ast.And: ("or",),
    ast.Or: ("and",),
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
    ast.LShift: "<<",
    ast.RShift: ">>",
    ast.BitAnd: "&",
    ast.BitOr: "|",
    ast.BitXor: "^",
    ast.And: "and",
    ast.Or: "or",
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
    """All mutants of one file, numbered where the same change stands in the same line of code twice."""
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
    return found


def changes(tree: ast.Module, source: Source) -> Iterator[tuple[ast.expr | ast.stmt, int, int, str]]:
    """Places and new texts: (node, begin, end, text)."""
    zeros = zero_constants(tree)
    for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        for node in ast.walk(function):
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
            elif isinstance(node, ast.Constant) and type(node.value) is int:
                yield (node, *source.span(node), str(node.value + 1))
            elif isinstance(node, ast.AugAssign):
                begin, end = source.span(node)
                symbol = SYMBOLS[type(node.op)] + "="
                place = source.text.index(symbol, source.span(node.target)[1])
                for new in SWAPS[type(node.op)]:
                    yield node, place, place + len(symbol), new + "="
                yield node, begin, end, "pass"
            elif (isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Subscript)) or (
                isinstance(node, (ast.Continue, ast.Expr)) and not is_docstring(node)
            ):
                yield (node, *source.span(node), "pass")


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


def survives(mutant: Mutant) -> bool:
    """Whether all tests pass on a mutant. A hang counts as noticed."""
    with tempfile.TemporaryDirectory(prefix="dashpot-mutant-") as folder:
        firmware = Path(folder) / "firmware"
        shutil.copytree(FIRMWARE, firmware)
        (firmware / "dashpot" / mutant.file).write_text(mutant.source, encoding="utf-8")
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "-p",
            "no:cacheprovider",
            "-p",
            "no:randomly",
            *TESTS,
        ]
        environment = os.environ | {"DASHPOT_FIRMWARE": str(firmware), "HYPOTHESIS_STORAGE_DIRECTORY": folder}
        try:
            done = subprocess.run(
                command, cwd=ROOT, env=environment, capture_output=True, timeout=TIMEOUT_S, check=False
            )
        except subprocess.TimeoutExpired:
            return False
    return done.returncode == 0


def main() -> int:
    """Run the mutants and print the survivors."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("files", nargs="*", default=SAFETY, help="file names in firmware/dashpot")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--sample", type=int, help="only so many, drawn at random")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    reasons: dict[str, str] = (
        tomllib.loads(EQUIVALENT.read_text(encoding="utf-8")) if EQUIVALENT.exists() else {}
    )
    todo = [mutant for name in options.files for mutant in mutants(FIRMWARE / "dashpot" / name)]
    unknown = set(reasons) - {
        mutant.name for name in SAFETY for mutant in mutants(FIRMWARE / "dashpot" / name)
    }
    if options.sample and options.sample < len(todo):
        todo = random.Random(options.seed).sample(todo, options.sample)  # noqa: S311  (no secret)
        print(f"{options.sample} mutants drawn with seed {options.seed}")
    survivors, killed_though_named = [], []
    with (
        concurrent.futures.ThreadPoolExecutor(options.jobs) as pool,
        progress(len(todo), "mutants", "mutants") as bar,
    ):
        for mutant, lives in zip(todo, pool.map(survives, todo), strict=True):
            bar.advance(1)
            if lives and mutant.name not in reasons:
                survivors.append(mutant)
                print(f"survived: line {mutant.line}: {mutant.name}", flush=True)
            elif not lives and mutant.name in reasons:
                killed_though_named.append(mutant.name)
    equivalent = sum(mutant.name in reasons for mutant in todo)
    killed = len(todo) - len(survivors) - equivalent
    print(f"{len(todo)} mutants: {killed} killed, {len(survivors)} survived, {equivalent} named equivalent")
    for name in [*killed_though_named, *sorted(unknown)]:
        print(f"named equivalent, but killed or not there: {name}")
    return 1 if survivors or killed_though_named or unknown else 0


if __name__ == "__main__":
    raise SystemExit(main())
