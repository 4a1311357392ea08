"""Find the files that travel with the package: in a wheel under dashpot/_data, in a checkout at its top."""

from __future__ import annotations

from pathlib import Path

from dashpot.errors import InputError

_PACKAGE = Path(__file__).resolve().parent
_WHEEL_DATA = _PACKAGE / "_data"
_CHECKOUT = _PACKAGE.parent.parent


def firmware_dir() -> Path:
    """Return the folder with the firmware's main.py, dashpot/ and boards/."""
    return _find("firmware")


def dbc_dir() -> Path:
    """Return the folder with the demo car's DBC and the controller's own."""
    return _find("dbc")


def demo_dir() -> Path:
    """Return the folder with the demo's vehicle.toml and calibration.toml, which lies inside the package."""
    return _PACKAGE / "demo"


def _find(name: str) -> Path:
    # The wheel's copy first: a checkout has no _data, and an installed package must not look outside itself.
    for top in (_WHEEL_DATA, _CHECKOUT):
        if (top / name).is_dir():
            return top / name
    raise InputError(
        f"the folder {name} is missing from this installation; install dashpot again", where=_PACKAGE
    )
