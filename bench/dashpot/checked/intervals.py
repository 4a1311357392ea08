"""Ranges of integer expressions, worked out before the firmware runs.

The transformer asks here which results can leave 32 bits at all, and leaves out the checks that can never fail.
An interval is `(low, high)`, both included. Every function returns a range that contains every possible result;
it may be wider than needed, never narrower.
"""

from __future__ import annotations

import ast

Interval = tuple[int, int]

LOW = -(2**31)
HIGH = 2**31 - 1
INT32: Interval = (LOW, HIGH)


def join(first: Interval | None, second: Interval | None) -> Interval | None:
    """Smallest interval that holds both; None stands for "no value yet"."""
    if first is None:
        return second
    if second is None:
        return first
    return min(first[0], second[0]), max(first[1], second[1])


def clamp(interval: Interval, low: int = LOW, high: int = HIGH) -> Interval:
    """What is left of an interval once a check has refused everything outside low..high."""
    clamped = max(interval[0], low), min(interval[1], high)
    return clamped if clamped[0] <= clamped[1] else (low, high)


def _corners(values: list[int]) -> Interval:
    return min(values), max(values)


def _bits(*bounds: int) -> int:
    """Bits below the sign bit that hold all these values in two's complement."""
    return max((value if value >= 0 else ~value).bit_length() for value in bounds)


def _divisors(right: Interval) -> list[int]:
    """Corner divisors of both signs, without 0 (which raises on its own)."""
    found = []
    if right[0] < 0:
        found += [right[0], min(right[1], -1)]
    if right[1] > 0:
        found += [max(right[0], 1), right[1]]
    return found


def _modulo(left: Interval, right: Interval) -> Interval:
    low = min(right[0] + 1, 0)
    high = max(right[1] - 1, 0)
    if left[0] >= 0 and right[0] > 0:
        high = min(high, left[1])
    return low, high


def _and(left: Interval, right: Interval) -> Interval:
    if left[0] >= 0 and right[0] >= 0:
        return 0, min(left[1], right[1])
    if left[0] >= 0:
        return 0, left[1]
    if right[0] >= 0:
        return 0, right[1]
    return -(1 << _bits(*left, *right)), max(left[1], right[1], 0)


def _or_xor(left: Interval, right: Interval) -> Interval:
    bits = _bits(*left, *right)
    return (0 if left[0] >= 0 and right[0] >= 0 else -(1 << bits)), (1 << bits) - 1


def binary(op: ast.operator, left: Interval, right: Interval) -> Interval:
    """Range of `left op right` in unbounded integers.

    Shift counts are taken as 0..31 and divisors as anything but 0, because other values are refused at run time.
    """
    if isinstance(op, ast.Add):
        return left[0] + right[0], left[1] + right[1]
    if isinstance(op, ast.Sub):
        return left[0] - right[1], left[1] - right[0]
    if isinstance(op, ast.Mult):
        return _corners([a * b for a in left for b in right])
    if isinstance(op, ast.FloorDiv):
        divisors = _divisors(right)
        return _corners([a // b for a in left for b in divisors]) if divisors else INT32
    if isinstance(op, ast.Mod):
        return _modulo(left, right)
    if isinstance(op, ast.LShift | ast.RShift):
        counts = clamp(right, 0, 31)
        if isinstance(op, ast.LShift):
            return _corners([a << k for a in left for k in counts])
        return _corners([a >> k for a in left for k in counts])
    if isinstance(op, ast.BitAnd):
        return _and(left, right)
    return _or_xor(left, right)


def unary(op: ast.unaryop, operand: Interval) -> Interval:
    """Range of `-x`, `~x` or `+x` in unbounded integers."""
    if isinstance(op, ast.USub):
        return -operand[1], -operand[0]
    if isinstance(op, ast.Invert):
        return ~operand[1], ~operand[0]
    return operand


def stepped(start: Interval, stop: Interval, step: int) -> Interval:
    """Range of the loop variable of `range(start, stop, step)`, for a loop that runs at least once."""
    if step > 0:
        return start[0], max(start[0], stop[1] - 1)
    return min(start[1], stop[0] + 1), start[1]
