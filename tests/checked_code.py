"""Random viper functions, for the tests of the checked run."""

from __future__ import annotations

import random

LOW, HIGH = -(2**31), 2**31 - 1
EDGES = [
    0,
    1,
    -1,
    2,
    -2,
    7,
    8,
    31,
    32,
    255,
    256,
    -256,
    32767,
    32768,
    -32768,
    65535,
    65536,
    46340,
    46341,
    HIGH,
    LOW,
    HIGH - 1,
    LOW + 1,
]
CONSTANTS = [
    0,
    1,
    2,
    3,
    5,
    7,
    8,
    15,
    31,
    255,
    256,
    4096,
    32768,
    65535,
    65536,
    0x3FFFFFFF,
    -1,
    -2,
    -5,
    -256,
    -32768,
    -0x40000000,
]
NAMES = ("a", "b", "c", "x", "y")


class Writer:
    """Writes random functions of three integers and three pointers, and uses the pointers named."""

    def __init__(self, seed: int, pointers: str = "ohw") -> None:
        self.dice = random.Random(seed)
        self.pointers = pointers

    def expression(self, depth: int) -> str:
        kind = self.dice.random()
        if depth == 0 or kind < 0.15:
            return self.dice.choice([*NAMES, *NAMES, str(self.dice.choice(CONSTANTS))])
        if kind < 0.75:
            return self.operation(depth)
        if kind < 0.82:
            # Not on a bare local: see MicroPython issue 14397.
            return f"{self.dice.choice('-~+')}({self.dice.choice(NAMES)} + {self.expression(depth - 1)})"
        if kind < 0.92:
            return f"{self.dice.choice(self.pointers)}[{self.index(depth - 1)}]"
        return (
            f"({self.expression(depth - 1)} if {self.condition(depth - 1)} else {self.expression(depth - 1)})"
        )

    def operation(self, depth: int) -> str:
        op = self.dice.choice(["+", "-", "*", "//", "%", "<<", ">>", "&", "|", "^", "+", "-", "&"])
        right = self.expression(depth - 1)
        if op in ("<<", ">>"):
            right = self.dice.choice([f"({right} & 15)", str(self.dice.randrange(32)), right])
        elif op in ("//", "%"):
            right = self.dice.choice([f"({right} | 1)", str(self.dice.choice([-7, -1, 1, 3, 1000])), right])
        left = self.expression(depth - 1)
        left = (
            f"({left} + {self.dice.choice(NAMES)})"
            if left.lstrip("-").isdigit() and right.lstrip("-").isdigit()
            else left
        )
        if right == "0" and op in ("//", "%"):
            right = "3"
        return f"({left} {op} {right})"

    def index(self, depth: int) -> str:
        return self.dice.choice(
            [f"{self.expression(depth)} & 3", self.expression(depth), str(self.dice.randrange(5)), "i"]
        )

    def condition(self, depth: int) -> str:
        first = f"{self.expression(depth)} {self.dice.choice(['<', '<=', '==', '!=', '>', '>='])} {self.expression(depth)}"
        kind = self.dice.random()
        if kind < 0.2:
            return f"not {first} or {self.dice.choice(NAMES)}"
        if kind < 0.35:
            return f"{self.expression(depth)} <= {self.dice.choice(NAMES)} < {self.expression(depth)}"
        return first

    def statement(self, depth: int) -> list[str]:
        kind = self.dice.random()
        name = self.dice.choice(NAMES)
        target = name if kind < 0.7 else f"{self.dice.choice(self.pointers)}[{self.index(1)}]"
        if depth and kind < 0.12:
            return [f"if {self.condition(2)}:", *self.block(depth - 1), "else:", *self.block(depth - 1)]
        if depth and kind < 0.24:
            bounds = self.dice.choice(
                ["3", f"{name} & 7", f"2, {name} & 15, 3", f"{name} & 7, -2, -1", f"{name} >> 29"]
            )
            return [f"for i in range({bounds}):", *self.block(depth - 1)]
        if kind < 0.45 or kind > 0.85:
            op = self.dice.choice(["+", "-", "*", "&", "|", "^", ">>", "<<", "//", "%"])
            right = (
                str(self.dice.choice([1, 2, 3, 7])) if op in ("<<", ">>", "//", "%") else self.expression(2)
            )
            return [f"{target} {op}= {right}"]
        if kind > 0.8:
            return [f"{target} = {self.expression(2)} & 255"]
        return [f"{target} = {self.expression(3)}"]

    def block(self, depth: int) -> list[str]:
        lines = [line for _ in range(self.dice.randrange(1, 4)) for line in self.statement(depth)]
        return [f"    {line}" for line in lines]

    def function(self, name: str) -> str:
        body = ["x = 0", "y = a", "i = 0"]
        for _ in range(self.dice.randrange(2, 6)):
            body += self.statement(2)
        body.append("return x ^ y ^ i")
        head = f"def {name}(o: ptr8, h: ptr16, w: ptr32, a: int, b: int, c: int) -> int:"
        return "\n".join([head, *(f"    {line}" for line in body)])
