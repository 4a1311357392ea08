"""The desktop bench of dashpot: read CAN logs, replay them through the firmware, check calibrations."""

from dashpot.version import __version__

__all__ = ["__version__"]
