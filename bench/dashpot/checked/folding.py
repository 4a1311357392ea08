"""Constants of a firmware module, folded as MicroPython folds them when it compiles."""

from __future__ import annotations

import ast

from dashpot.checked import intervals

LITERAL_LIMIT = 0x40000000
"""Small integers of a 32-bit MicroPython have 31 bits: from here on (and below its negative) viper gets an object."""

SYMBOLS: dict[type[ast.AST], str] = {
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
    ast.USub: "-",
    ast.Invert: "~",
    ast.UAdd: "+",
}
"""Operators that viper has for integers."""


_BY_SYMBOL = {SYMBOLS[op]: op for op in (ast.Add, ast.Mult, ast.FloorDiv, ast.Mod, ast.LShift, ast.Sub)}


def exact(op: ast.operator, left: int, right: int) -> int:
    """`left op right` in unbounded integers; shift counts are 0..31 and divisors are not 0."""
    if isinstance(op, ast.Mod):
        return left % right
    if isinstance(op, ast.BitAnd):
        return left & right
    if isinstance(op, ast.BitOr):
        return left | right
    if isinstance(op, ast.BitXor):
        return left ^ right
    return intervals.binary(op, (left, left), (right, right))[0]


def evaluate(symbol: str, operands: list[int]) -> int:
    """Result of one operation of `SYMBOLS` in unbounded integers, by its sign."""
    if len(operands) == 1:
        return -operands[0]
    return exact(_BY_SYMBOL[symbol](), *operands)


def _fold_binary(node: ast.BinOp, consts: dict[str, int]) -> int | None:
    left, right = fold(node.left, consts), fold(node.right, consts)
    if left is None or right is None or type(node.op) not in SYMBOLS:
        return None
    if isinstance(node.op, ast.FloorDiv | ast.Mod) and right == 0:
        return None
    if isinstance(node.op, ast.LShift | ast.RShift) and not 0 <= right <= 31:
        return None
    return exact(node.op, left, right)


def fold(node: ast.expr, consts: dict[str, int]) -> int | None:
    """Value of a constant integer expression over literals and `consts`; None when it is not one."""
    if isinstance(node, ast.Constant):
        return node.value if type(node.value) is int else None
    if isinstance(node, ast.Name):
        return consts.get(node.id)
    if isinstance(node, ast.UnaryOp) and type(node.op) in SYMBOLS:
        operand = fold(node.operand, consts)
        return None if operand is None else intervals.unary(node.op, (operand, operand))[0]
    return _fold_binary(node, consts) if isinstance(node, ast.BinOp) else None


def module_consts(tree: ast.Module) -> dict[str, int]:
    """The integers that a module declares with `NAME = const(...)`; MicroPython writes them into the code."""
    consts: dict[str, int] = {}
    for node in tree.body:
        if not (isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and node.value.args):
            continue
        target = node.targets[0]
        if isinstance(target, ast.Name) and ast.unparse(node.value.func) in ("const", "micropython.const"):
            value = fold(node.value.args[0], consts)
            if value is not None:
                consts[target.id] = value
    return consts
