"""Random viper functions, checked inline with the needless checks left out, against a plain check of every operation.

The second opinion shares nothing with `dashpot.checked` but Python's parser: it calls a function for each operation.
"""

from __future__ import annotations

import ast
import operator
from array import array
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from checked_code import EDGES, HIGH, LOW, Writer
from dashpot import checked
from dashpot.checked import BoundsError, ViperError, WrapError

SEED = 20_331
FUNCTIONS, CALLS = 240, 25

OPERATORS: dict[type[ast.operator], Callable[[int, int], int]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.FloorDiv: operator.floordiv,
    ast.Mod: operator.mod,
    ast.LShift: operator.lshift,
    ast.RShift: operator.rshift,
    ast.BitAnd: operator.and_,
    ast.BitOr: operator.or_,
    ast.BitXor: operator.xor,
}


class Trap(Exception):  # noqa: N818 # what the second opinion raises, with the kind of violation
    pass


def slow_operation(name: str, left: int, right: int, is_index: bool) -> int:
    if "Shift" in name and not 0 <= right <= 31:
        raise Trap("other")
    if name in ("FloorDiv", "Mod") and right == 0:
        raise Trap("other")
    if name == "FloorDiv" and (left < 0) != (right < 0):
        # How py/smallint.c rounds down: the dividend moves by the divisor less one, in the board's word [S].
        moved = left - right + (1 if left < 0 else -1)
        if not LOW <= moved <= HIGH:
            raise Trap("wrap")
    result = OPERATORS[getattr(ast, name)](left, right)
    # Past 32 bits, an index is outside every buffer.
    if not is_index and not LOW <= result <= HIGH:
        raise Trap("wrap")
    return result


def slow_negation(value: int) -> int:
    if value == LOW:
        raise Trap("wrap")
    return -value


class SlowBuffer:
    def __init__(self, items: array[int] | bytearray, low: int, high: int) -> None:
        self.items, self.low, self.high = items, low, high

    def __getitem__(self, index: int) -> int:
        if not 0 <= index < len(self.items):
            raise Trap("bounds")
        return self.items[index]

    def __setitem__(self, index: int, value: int) -> None:
        if not 0 <= index < len(self.items):
            raise Trap("bounds")
        if not self.low <= value <= self.high:
            raise Trap("wrap")
        self.items[index] = value


class Slow(ast.NodeTransformer):
    """Turn every operation into a call."""

    def visit_BinOp(self, node: ast.BinOp, is_index: bool = False) -> ast.AST:
        self.generic_visit(node)
        name = ast.Constant(type(node.op).__name__)
        return ast.Call(
            ast.Name("slow_operation", ast.Load()), [name, node.left, node.right, ast.Constant(is_index)], []
        )

    def visit_UnaryOp(self, node: ast.UnaryOp) -> ast.AST:
        if isinstance(node.operand, ast.Constant):
            return node
        self.generic_visit(node)
        if isinstance(node.op, ast.USub):
            return ast.Call(ast.Name("slow_negation", ast.Load()), [node.operand], [])
        return node

    def visit_Subscript(self, node: ast.Subscript) -> ast.AST:
        index = node.slice
        node.slice = self.visit_BinOp(index, True) if isinstance(index, ast.BinOp) else self.visit(index)
        return node

    def visit_AugAssign(self, node: ast.AugAssign) -> ast.AST:
        # Indices in the generated functions have no effects, so that working them out twice is the same.
        load = ast.parse(ast.unparse(node.target), mode="eval").body
        return self.visit(ast.Assign([node.target], ast.BinOp(load, node.op, node.value)))

    def visit_arg(self, node: ast.arg) -> ast.AST:
        return ast.arg(node.arg)


def outcome(function: Callable[..., Any], buffers: list[Any], numbers: list[int]) -> tuple[str, object]:
    try:
        return "gave", function(*buffers, *numbers)
    except Trap as trap:
        return "raised", str(trap)
    except WrapError:
        return "raised", "wrap"
    except BoundsError:
        return "raised", "bounds"
    except ViperError:
        return "raised", "other"


def fresh() -> list[Any]:
    return [bytearray([0, 1, 255, 128]), array("H", [0, 1, 65535, 32768]), array("i", [0, -1, HIGH, LOW])]


def next_accepted(writer: Writer, folder: Path, number: int) -> tuple[str, Callable[..., Any]]:
    """The next random function that is not refused before it runs, and its checked form."""
    for attempt in range(50):
        source = writer.function("f")
        name = f"random_{number}_{attempt}"
        (folder / f"{name}.py").write_text(f"import micropython\n@micropython.viper\n{source}\n")
        try:
            return source, checked.load(folder).import_module(name).f
        except ViperError as error:
            refused = error.message
        assert any(part in refused for part in ("31 bits", "a shift count is", "in front of", "by zero")), (
            refused
        )
    raise AssertionError("the writer writes nothing that is accepted")


def slowly(source: str) -> Callable[..., Any]:
    scope: dict[str, Any] = {"slow_operation": slow_operation, "slow_negation": slow_negation}
    tree = Slow().visit(ast.parse(source))
    tree.body[0].returns = None
    exec(compile(ast.fix_missing_locations(tree), "slow", "exec"), scope)
    return scope["f"]


@pytest.mark.parametrize("seed", range(SEED, SEED + 4))
def test_random_functions_agree_with_a_check_of_every_operation(tmp_path: Path, seed: int) -> None:
    writer = Writer(seed)
    seen: dict[object, int] = {}
    for number in range(FUNCTIONS // 4):
        source, fast_function = next_accepted(writer, tmp_path, number)
        slow_function = slowly(source)
        for call in range(CALLS):
            pick = writer.dice.choice
            numbers = [pick(EDGES) if call % 3 else pick([0, 1, 2, 3, 5, 100, -1]) for _ in "abc"]
            fast_buffers, slow_buffers = fresh(), fresh()
            fast = outcome(fast_function, fast_buffers, numbers)
            limits = ((0, 255), (0, 65535), (LOW, HIGH))
            guarded = [SlowBuffer(items, *limit) for items, limit in zip(slow_buffers, limits, strict=True)]
            slow = outcome(slow_function, guarded, numbers)
            assert fast == slow, f"{numbers}\n{source}"
            assert fast_buffers == slow_buffers, f"{numbers}\n{source}"
            kind = slow[1] if slow[0] == "raised" else "gave"
            seen[kind] = seen.get(kind, 0) + 1
    # Each kind of outcome must come up often enough to mean something.
    assert min(seen.get(kind, 0) for kind in ("gave", "wrap", "bounds", "other")) > 50, seen
