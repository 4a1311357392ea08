"""What the tests of tune share: files of a small search, and drives that are formulas of the image instead of a car."""

from __future__ import annotations

import shutil
from dataclasses import fields

from dashpot.calibration import Document, read_image
from dashpot.evaluate.figures import Figures
from dashpot.layout import Layout
from dashpot.resources import dbc_dir, demo_dir, firmware_dir
from dashpot.tune.cells import numbers_of
from dashpot.tune.job import Job
from dashpot.tune.plan import read_tune

LAYOUT = Layout.load(firmware_dir())
DEMO = demo_dir() / "data" / "calibration.toml"

HEAD = """
name = "a test"

[objective]
minimise = "body_motion_mm"

[constraints]
comfort_m_s2 = { worse_by = "5 percent" }

[search]
budget = 18
seed = 3
"""
MOVES = """
[move.base]
cells = "layers.base.*.demand[2]"
together = "axles"
by = "150 permille"
step = "10 permille"

[move.high]
cells = "layers.stroke_speed.normal.front.*.high"
least = "-150 permille"
most = "100 permille"
step = "5 permille"
"""
ROADS = """
[training.rough]
scenario = "straight_c"
seeds = [1]
duration = "4 s"

[held_out.rough]
scenario = "straight_c"
seeds = [7, 8]
duration = "4 s"
"""
TUNE = HEAD + MOVES + ROADS


def tune_of(text=TUNE, calibration=DEMO):
    return read_tune(Document("tune.toml", None, text), numbers_of(Document.read(calibration)))


def job(folder, out="out", text=TUNE, **more):
    """Write the files of a search into a folder and return the job."""
    for name in ("vehicle.toml", "calibration.toml"):
        if not (folder / name).exists():
            shutil.copyfile(demo_dir() / "data" / name, folder / name)
    shutil.copyfile(dbc_dir() / "merlin_t4.dbc", folder / "merlin_t4.dbc")
    (folder / "tune.toml").write_text(text)
    return Job(
        folder / "tune.toml", folder / "calibration.toml", folder / "vehicle.toml", folder / out, **more
    )


def figures(**given):
    """Make figures with plain values where none is given."""
    plain = {one.name: 1.0 for one in fields(Figures)} | {"stop_hits": 0, "active_percent": 100.0}
    return Figures(**(plain | given))


class Formulas:
    """Stands in for the processes that drive: body motion is least at a base of 470 and highs of -20 permille.

    Comfort gets worse with the base. `backwards`: the last drive is over first. `stop_after`: Ctrl-C after so many.
    """

    backwards = False
    stop_after = None

    def __init__(self, _jobs):
        self.done = 0

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def results(self, pairs):
        places = list(enumerate(pairs))
        for place, (candidate, case) in reversed(places) if self.backwards else places:
            if self.done == self.stop_after:
                raise KeyboardInterrupt
            self.done += 1
            image = read_image(candidate.control.image, LAYOUT)
            base = image.curve("base_table", 0)[1][2]
            high = [image.word("band_trim_permille", k) for k in (2, 5)]
            body = 10.0 + 2e-4 * (base - 470) ** 2 + sum(1e-4 * (one + 20) ** 2 for one in high)
            yield (
                place,
                figures(body_motion_mm=body + 0.01 * case.seed, comfort_m_s2=1.0 + 1e-3 * (base - 400)),
            )
