"""Decode rows: how the firmware gets a channel's value out of a frame, from what the DBC and the vehicle file say.

The meaning of each field is in firmware/layout.toml and in docs/vehicle.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dashpot.calibration.dbc import Message, Signal

INT32_MAX = 0x7FFFFFFF
# The most bytes that the firmware gathers into one number of 24 bits.
GATHER_MAX = 3
SIGNAL_BITS_MAX = 32
# The scaling may be off by this share of a channel's unit at the worst raw value, on top of the half unit of rounding.
ERROR_MAX = Fraction(1, 4)
# High parts of an unsigned 32-bit signal stop here, so raw values from 0x7FFF0000 on are not told apart.
_SATURATED = 0x7FFF0000


@dataclass(frozen=True, slots=True)
class Gather:
    """A run of bytes, the one with the most significant bits first, and what to shift and mask off."""

    count: int
    first: int
    step: int
    shift: int
    mask: int


def gather(signal: Signal, length: int, skip: int = 0, bits: int | None = None) -> Gather:
    """Say which bytes hold `bits` bits of a signal from its bit `skip` on.

    Raises:
        ValueError: with a message for the user: it does not fit the message.

    """
    bits = signal.length - skip if bits is None else bits
    if signal.big_endian:
        # Counted from the most significant bit of byte 0 on, the bits of a big-endian signal follow one another.
        last = signal.start // 8 * 8 + 7 - signal.start % 8 + signal.length - 1 - skip
        low_byte, shift = last // 8, 7 - last % 8
        step = 1
    else:
        low_byte, shift = divmod(signal.start + skip, 8)
        step = -1
    count = (shift + bits + 7) // 8
    first = low_byte - step * (count - 1)
    if not 0 <= min(first, low_byte) <= max(first, low_byte) < length:
        raise ValueError(
            f"signal {signal.name} ({signal.layout}) does not fit the {length} bytes of its message"
        )
    return Gather(count, first, step, shift, (1 << bits) - 1)


@dataclass(frozen=True, slots=True)
class Scaling:
    """Integer scaling of raw values to a channel's unit.

    `error` bounds |value - exact| over all raw values that pass, before the rounding to whole units (which adds 1/2).
    """

    num: int
    den: int
    half: int
    offset: int
    clip_low: int
    clip_high: int
    range_low: int
    range_high: int
    error: Fraction

    def value(self, raw: int) -> int:
        """What the firmware makes of a raw value, whether it passes the range or not."""
        raw = max(self.clip_low, min(self.clip_high, raw))
        return (raw * self.num + self.half) // self.den + self.offset


def scaling(slope: Fraction, shift: Fraction, raws: tuple[int, int], bounds: tuple[int, int]) -> Scaling:
    """Find integers that compute round-half-up(raw * slope + shift) in 32 bits.

    Args:
        slope: channel units a raw count, not 0.
        shift: channel units at raw 0.
        raws: least and greatest raw value of the signal.
        bounds: least and greatest good value, channel units.

    Raises:
        ValueError: with a message for the user.

    """
    ends = sorted(((bounds[0] - 2 - shift) / slope, (bounds[1] + 2 - shift) / slope))
    low, high = max(raws[0], math.floor(ends[0])), min(raws[1], math.ceil(ends[1]))
    if low > high:
        raise ValueError("no value that the signal can have lies in the range")
    largest = max(abs(low), abs(high), 1)
    up = shift + Fraction(1, 2)
    offset = math.floor(up)
    ratio = _ratio(slope, largest)
    if ratio is None or largest * abs(ratio - slope) > ERROR_MAX:
        raise ValueError(
            f"a step of {float(slope):.3g} channel units a bit cannot be computed in 32 bits over this range; "
            "narrow the range"
        )
    num, den = ratio.numerator, ratio.denominator
    # Whole numbers under the floor: cutting the fraction of `half` changes no result.
    half = math.floor((up - offset) * den)
    passing = _passing(num, half, (bounds[0] - offset) * den, (bounds[1] - offset + 1) * den)
    clip_low, clip_high = max(raws[0], passing[0] - 1), min(raws[1], passing[1] + 1)
    if passing[0] > passing[1] or clip_low > clip_high or passing[0] > raws[1] or passing[1] < raws[0]:
        raise ValueError("no value that the signal can have lies in the range")
    result = Scaling(
        num, den, half, offset, clip_low, clip_high, bounds[0], bounds[1], abs(ratio - slope) * largest
    )
    # A board's floor division moves a negative dividend by the divisor before it divides.
    moved = [raw * num + half - (den if raw * num + half < 0 else 0) for raw in (clip_low, clip_high)]
    words = (offset, clip_low, clip_high, *moved)
    if any(abs(word) > INT32_MAX for word in words):
        raise ValueError("the signal's numbers do not fit 32 bits; narrow the range")
    return result


def _ratio(slope: Fraction, largest: int) -> Fraction | None:
    """The fraction nearest to a slope for which raw * num + half stays inside 32 bits, with room for the division."""

    def fits(ratio: Fraction) -> bool:
        return ratio != 0 and largest * abs(ratio.numerator) + 2 * ratio.denominator <= INT32_MAX

    if fits(slope):
        return slope
    low, high = 1, INT32_MAX
    while low < high:
        middle = (low + high + 1) // 2
        if fits(slope.limit_denominator(middle)):
            low = middle
        else:
            high = middle - 1
    ratio = slope.limit_denominator(low)
    return ratio if fits(ratio) else None


def _passing(num: int, half: int, least: int, beyond: int) -> tuple[int, int]:
    """Raw values for which least <= raw * num + half < beyond."""
    if num > 0:
        return -((half - least) // num), -((half - beyond) // num) - 1
    return (half - beyond) // -num + 1, (half - least) // -num


@dataclass(frozen=True, slots=True)
class Source:
    """Where a channel comes from: a signal of a message, and how it is turned into the channel's unit."""

    message: Message
    signal: Signal
    sign_signal: Signal | None
    invalid: int | None
    slope: Fraction
    shift: Fraction
    bounds: tuple[int, int]


def raw_limits(source: Source) -> tuple[int, int]:
    """Least and greatest raw value."""
    bits = source.signal.length
    if source.signal.signed:
        return -(1 << bits - 1), (1 << bits - 1) - 1
    top = (1 << bits) - 1
    return (-top if source.sign_signal else 0), top


def signal_rows(source: Source, channel: int) -> tuple[list[dict[str, int]], Scaling]:
    """Make the rows of one channel: one, or one for each multiplexer value under which its signal is sent.

    Args:
        source: where it comes from.
        channel: its index.

    Returns:
        The rows by field, and the scaling they hold.

    Raises:
        ValueError: with a message for the user.

    """
    signal, length = source.signal, source.message.length
    _refuse_odd(signal)
    whole = gather(signal, length)
    low = None
    if whole.count > GATHER_MAX:
        low = gather(signal, length, 0, 16)
        whole = gather(signal, length, 16)
    bits = whole.mask.bit_length()
    flip = 1 << bits - 1 if signal.signed else 0
    raws = raw_limits(source)
    scale = scaling(source.slope, source.shift, (raws[0], min(raws[1], INT32_MAX)), source.bounds)
    if raws[1] > INT32_MAX and scale.clip_high > _SATURATED:
        raise ValueError(
            "raw values from 0x7FFF0000 on are not told apart; narrow the range to leave them out"
        )
    sign = gather(source.sign_signal, length) if source.sign_signal else None
    invalid = _invalid_word(source, scale)
    row = {
        "channel": channel,
        "mux_value": -1,
        "step": whole.step, "first": whole.first, "count": whole.count, "shift": whole.shift, "mask": whole.mask,
        "flip": flip, "less": flip,
        "low_count": low.count if low else 0,
        "low_first": low.first if low else 0,
        "low_shift": low.shift if low else 0,
        "sign_mask": 1 << sign.shift if sign else 0,
        "sign_byte": sign.first if sign else 0,
        "has_invalid": int(invalid is not None), "invalid": invalid or 0,
        "clip_low": scale.clip_low, "clip_high": scale.clip_high,
        "num": scale.num, "den": scale.den, "half": scale.half, "offset": scale.offset,
        "range_low": scale.range_low, "range_high": scale.range_high,
    }  # fmt: skip
    return [row | {"mux_value": value} for value in signal.mux_ids or (-1,)], scale


def _refuse_odd(signal: Signal) -> None:
    if signal.is_float:
        raise ValueError(
            f"signal {signal.name} is a floating-point number; the controller reads whole numbers only"
        )
    if not 1 <= signal.length <= SIGNAL_BITS_MAX:
        raise ValueError(f"signal {signal.name} has {signal.length} bits; 1 to {SIGNAL_BITS_MAX} can be read")


def _invalid_word(source: Source, scale: Scaling) -> int | None:
    if source.invalid is None:
        return None
    low, high = raw_limits(source)
    code = source.invalid
    if source.signal.signed and high < code < 1 << source.signal.length:
        # The same bits, written without a sign.
        code -= 1 << source.signal.length
    if not low <= code <= high:
        raise ValueError(
            f"the invalid code {source.invalid} is not one of the signal's raw values, {low} to {high}"
        )
    if code > INT32_MAX:
        # Such a raw value never passes the range.
        return None
    if source.sign_signal and any(
        scale.range_low <= scale.value(raw) <= scale.range_high for raw in (code, -code)
    ):
        raise ValueError(
            f"the invalid code {source.invalid} must lie outside the range, on both sides, since a sign bit may be set with it"
        )
    return code


def multiplexer(message: Message, signals: list[Signal]) -> Gather | None:
    """Say which bits select among the multiplexed ones of some signals; None when none is multiplexed.

    Raises:
        ValueError: with a message for the user.

    """
    names = sorted({signal.mux_signal for signal in signals if signal.mux_ids})
    if not names:
        return None
    if len(names) > 1:
        raise ValueError(f"needs the multiplexers {' and '.join(names)} at once; one a message can be read")
    selector = message.signals[names[0]]
    if selector.mux_ids:
        raise ValueError(
            f"multiplexer {selector.name} is itself multiplexed by {selector.mux_signal}; only one level can be read"
        )
    if selector.signed or selector.is_float:
        raise ValueError(f"multiplexer {selector.name} is not an unsigned number; others cannot be read")
    found = gather(selector, message.length)
    if found.count > GATHER_MAX:
        raise ValueError(
            f"multiplexer {selector.name} spans {found.count} bytes; {GATHER_MAX} at most can be read"
        )
    return found


def within_byte(signal: Signal, length: int, what: str) -> Gather:
    """Give the place of a signal that must lie inside one byte.

    Raises:
        ValueError: with a message for the user.

    """
    place = gather(signal, length)
    if place.count != 1 or signal.mux_ids:
        raise ValueError(
            f"{what} {signal.name} ({signal.layout}) must lie within one byte and not be multiplexed"
        )
    return place
