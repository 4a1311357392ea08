"""Vehicle and calibration files: check them, pack them into an image, take an image apart again.

Everything that is wrong in a file is found in one go; see `MistakesError`.
"""

from dashpot.calibration.checks import check, load_pair, read_pair
from dashpot.calibration.findings import Document, Finding, MistakesError
from dashpot.calibration.image import Image, read_image
from dashpot.calibration.mapping import load_vehicle, read_vehicle
from dashpot.calibration.model import Calibration
from dashpot.calibration.packing import load_calibration, pack, parse_calibration, read_calibration, unpack
from dashpot.calibration.vehicle import Vehicle

__all__ = [
    "Calibration",
    "Document",
    "Finding",
    "Image",
    "MistakesError",
    "Vehicle",
    "check",
    "load_calibration",
    "load_pair",
    "load_vehicle",
    "pack",
    "parse_calibration",
    "read_calibration",
    "read_image",
    "read_pair",
    "read_vehicle",
    "unpack",
]
