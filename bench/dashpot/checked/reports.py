"""From a failed check to the firmware's error: which check, which values, which line."""

from __future__ import annotations

from itertools import islice
from types import TracebackType

from dashpot.checked.buffers import WIDTHS
from dashpot.checked.errors import BoundsError, ViperError, WrapError
from dashpot.checked.folding import evaluate
from dashpot.checked.intervals import HIGH, LOW
from dashpot.checked.kinds import ITEM_RANGE
from dashpot.checked.sites import Operand, Position, Site, SiteTable


class ViolationSignal(BaseException):
    """Carries the number of a failed inline check to the handler around the function."""

    def __init__(self, number: int, message: str = "") -> None:
        self.number = number
        self.message = message
        super().__init__(number, message)


NATURAL = (ViolationSignal, IndexError, OverflowError, ValueError, TypeError, ZeroDivisionError, NameError)
"""What the handler around a viper function looks at; everything else passes through it untouched."""


def _position(traceback: TracebackType) -> Position:
    positions = traceback.tb_frame.f_code.co_positions()
    return next(islice(positions, traceback.tb_lasti // 2, None), (None, None, None, None))


def wrapped(value: int) -> int:
    """What 32 bits keep of an integer, as the board goes on with it."""
    return (value - LOW) % 2**32 + LOW


class Reporter:
    """Makes the errors of one loaded firmware, and keeps them even if the firmware swallows them."""

    def __init__(self, table: SiteTable) -> None:
        self.table = table
        self.violations: list[ViperError] = []

    def bad(self, number: int) -> int:
        """Report the failed inline check `number`; never returns."""
        raise ViolationSignal(number)

    def translate(self, caught: BaseException) -> ViperError | None:
        """The firmware's error for an exception caught around a viper function; None to let it pass."""
        traceback = caught.__traceback__
        if traceback is None or isinstance(caught, ViperError):
            return None
        error: ViperError | None = None
        if isinstance(caught, ViolationSignal):
            error = self._describe(self.table.sites[caught.number], traceback, caught.message)
        elif traceback.tb_next is None:
            error = self._natural(caught, traceback)
        if error is not None:
            traceback.tb_next = None
            error.origin = traceback
            self.violations.append(error)
        return error

    def settle(self, error: ViperError) -> None:
        """Leave in an error's traceback the failed line only, not the handler that raised it."""
        error.__traceback__ = error.origin

    def _natural(self, caught: BaseException, traceback: TracebackType) -> ViperError | None:
        frame = traceback.tb_frame
        filename, function = frame.f_code.co_filename, frame.f_code.co_name
        if isinstance(caught, UnboundLocalError):
            # CPython says which local only in the message: "... local variable 'x' ...".
            name = str(caught).partition("'")[2].partition("'")[0]
            message = f"local {name} is read before it is set; on the board it is garbage"
            return ViperError(message, filename=filename, lineno=traceback.tb_lineno, function=function)
        site = self.table.at(filename, _position(traceback))
        if site is None:
            return None
        if site.what == "divide":
            return self._describe(site, traceback, "") if isinstance(caught, ZeroDivisionError) else None
        if isinstance(caught, IndexError | OverflowError | ValueError | TypeError):
            what = "index" if isinstance(caught, IndexError) else site.what
            return self._describe(site, traceback, str(caught), what)
        return None

    def _describe(self, site: Site, traceback: TracebackType, message: str, what: str = "") -> ViperError:
        scope = traceback.tb_frame.f_locals
        kind, text = _explain(
            what or site.what, site, [operand.value(scope) for operand in site.operands], message
        )
        return kind(text, filename=site.filename, lineno=traceback.tb_lineno, function=site.function)


def _shown(operand: Operand, value: object) -> str:
    text = operand.text
    return text if text == str(value) else f"{text} = {value}"


def _explain(what: str, site: Site, values: list[object], message: str) -> tuple[type[ViperError], str]:
    source = site.text
    if what in ("binary", "unary"):
        return WrapError, _explain_wrap(source, site.detail, values)
    if what == "count":
        return ViperError, f"{source}: shift by {values[1]}; a board shifts by 0 to 31 only"
    if what == "divide":
        return ViperError, f"{source}: {values[0]} {site.detail} 0; the board gives 0 and the desktop crashes"
    if what == "floor":
        return (
            WrapError,
            f"{source}: {values[0]} // {values[1]}; the board's rounding down would wrap on the way",
        )
    if what in ("index", "load"):
        return BoundsError, _explain_index(source, site, values)
    if what == "store":
        return _explain_store(source, site, values, message)
    if what == "move":
        return BoundsError, f"{source}: {message}"
    if what == "stop":
        return WrapError, f"range end {values[0]} with step {site.detail}: the count would pass 32 bits"
    if what == "end":
        return ViperError, f"the end of a function -> {site.detail} was reached; the board gives 0"
    return ViperError, f"{source}: {message or f'{values[0]!r} is negative, which a uint cannot be'}"


def _explain_wrap(source: str, symbol: str, values: list[object]) -> str:
    numbers = [value for value in values if isinstance(value, int)]
    result = evaluate(symbol, numbers)
    sum_text = f"{numbers[0]} {symbol} {numbers[1]}" if len(numbers) == 2 else f"{symbol}({numbers[0]})"
    if LOW <= result <= HIGH:
        return f"{source}: {sum_text} = {result}, which a uint cannot be"
    return f"{source}: {sum_text} = {result} is outside {LOW}..{HIGH}; a board would go on with {wrapped(result)}"


def _explain_index(source: str, site: Site, values: list[object]) -> str:
    index, buffer = values[0], values[1]
    size = len(buffer) if hasattr(buffer, "__len__") else 0
    index_text = _shown(site.operands[0], index)
    return f"{source}: index {index_text} is outside 0..{size - 1} ({site.detail}, {size * WIDTHS[site.detail]} bytes)"


def _explain_store(
    source: str, site: Site, values: list[object], message: str
) -> tuple[type[ViperError], str]:
    index, buffer = values[0], values[1]
    if isinstance(index, int) and hasattr(buffer, "__len__") and index >= len(buffer):
        # Both are wrong, and the buffer complained of the value first.
        return BoundsError, _explain_index(source, site, values)
    low, high = ITEM_RANGE[site.detail]
    value = values[2] if len(values) > 2 else None
    if isinstance(value, int) and not low <= value <= high:
        bits = 8 * WIDTHS[site.detail]
        return WrapError, (
            f"{source} = {value} does not fit {site.detail} ({low}..{high}); the board would keep "
            f"{value & ((1 << bits) - 1)}: mask it if that is meant"
        )
    return ViperError, f"{source}: cannot be stored to: {message}"
