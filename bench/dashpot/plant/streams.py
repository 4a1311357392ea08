"""Random numbers by purpose: what is drawn for one thing never moves the numbers of another."""

from __future__ import annotations

import numpy as np


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Return the generator of one purpose; the same seed and purpose give the same numbers."""
    return np.random.default_rng([seed, *purpose.encode()])
