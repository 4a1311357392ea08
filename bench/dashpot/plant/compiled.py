"""How the inner loops are compiled: numba, with its result kept on the disk where there is a place for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar, cast

import numba

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Compile a function at its first call, in IEEE arithmetic: no fused or reordered operations; a division by 0 gives an infinity.

    A compiled function is kept by its own file's date only, so functions that call each other stay in one module.
    """
    try:
        made = numba.njit(cache=True, error_model="numpy")(function)
    except RuntimeError:
        # Neither the package's folder nor the user's can be written: it is compiled anew by each process.
        made = numba.njit(error_model="numpy")(function)
    return cast("Callable[P, R]", made)
