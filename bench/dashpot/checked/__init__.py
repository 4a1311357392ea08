"""Run the firmware's very files in CPython, where a 32-bit board's silent faults become errors.

Every pointer access is checked against its buffer and every integer against 32 bits. `python -m dashpot.checked
FOLDER MODULE [ARGS...]` runs a firmware by its `main()`; `load(FOLDER).import_module(NAME)` gives its modules to tests.
"""

from dashpot.checked.errors import BoundsError, ViperError, WrapError
from dashpot.checked.firmware import Firmware, load

__all__ = ["BoundsError", "Firmware", "ViperError", "WrapError", "load"]
