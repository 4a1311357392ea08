"""The command `dashpot evaluate`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from dashpot import options

if TYPE_CHECKING:
    from dashpot.evaluate.setup import Job

_FILE = click.Path(path_type=Path, dir_okay=False)
REPORT, RESULT = "report.html", "result.json"
#: `--quick`: seeds judged, longest drive, longest training drive, generations of the search.
QUICK = (2, 8.0, 6.0, 0)


@click.command(short_help="Compare passive settings, calibrations and laws on simulated drives.")
@click.option(
    "--scenarios", multiple=True, type=click.Path(path_type=Path),
    help="A scenario file, or a folder of them; may be given again. Ten of the demo car's by default.",
)  # fmt: skip
@click.option("--car", type=_FILE, help="CAR.toml instead of the scenarios'.")
@click.option("--vehicle", type=_FILE, help="vehicle.toml; the demo car's by default.")
@click.option(
    "--dbc",
    multiple=True,
    type=_FILE,
    help="DBC instead of those that the vehicle file names; may be given again.",
)
@click.option("--starting", type=_FILE, help="The starting calibration; computed by default.")
@click.option("--targets", type=_FILE, help="TARGETS.toml to compute it with; the demo car's by default.")
@click.option(
    "--calibration",
    "calibrations",
    multiple=True,
    type=_FILE,
    help="A further candidate; may be given again.",
)
@click.option(
    "--laws", is_flag=True, help="Skyhook, acceleration-driven and mixed laws on the true motion, too."
)
@click.option(
    "--seeds", type=click.IntRange(1, 200), help="Drives of each scenario that are judged.  [default: 5]"
)
@click.option(
    "--training-seeds", type=click.IntRange(1, 20), default=1, show_default=True,
    help="Further drives on which the best passive setting is searched.",
)  # fmt: skip
@click.option(
    "--duration", type=click.FloatRange(4.0, 900.0), metavar="SECONDS", help="Longest drive.  [default: 90]"
)
@click.option("--quick", is_flag=True, help="Two seeds of 8 s and a short search: to see how it works.")
@options.firmware
@options.micropython
@click.option(
    "--jobs",
    type=click.IntRange(1),
    help="Processes at once, one a processor by default. The result is the same.",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder to make.")
@click.option("--replace", is_flag=True, help="Replace an earlier result at --out.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def command(
    scenarios: tuple[Path, ...],
    car: Path | None,
    vehicle: Path | None,
    dbc: tuple[Path, ...],
    starting: Path | None,
    targets: Path | None,
    calibrations: tuple[Path, ...],
    laws: bool,
    seeds: int | None,
    training_seeds: int,
    duration: float | None,
    quick: bool,
    firmware: Path | None,
    micropython: Path | None,
    jobs: int | None,
    out: Path,
    replace: bool,
    as_json: bool,
) -> None:
    """Drive candidates over roads and manoeuvres and say which is better, and how sure that is.

    Candidates are passive settings from soft to firm and the best of them, the starting calibration and any others
    with the real firmware. The verdict does not change the exit code; docs/evaluate.md explains the figures.
    """
    import os

    from dashpot import console
    from dashpot.errors import InputError
    from dashpot.evaluate.setup import Job

    if starting is not None and targets is not None:
        raise InputError("is given beside --starting; targets are for computing one", where="--targets")
    usual = Job()
    job = Job(
        scenarios=scenarios, car=car, vehicle=vehicle, dbc=dbc, starting=starting, targets=targets,
        calibrations=calibrations, firmware=firmware, micropython=micropython,
        seeds=seeds or (QUICK[0] if quick else usual.seeds),
        training_seeds=training_seeds,
        longest_s=duration or (QUICK[1] if quick else usual.longest_s),
        training_s=QUICK[2] if quick else usual.training_s,
        generations=QUICK[3] if quick else usual.generations,
        laws=laws, jobs=jobs or os.cpu_count() or 1,
    )  # fmt: skip
    said = run(job, out, replace=replace)
    if as_json:
        console.print_json(said)
        return
    from dashpot.evaluate.report import doubts, show

    show(said)
    for text in doubts(said):
        console.warn(text)
    click.echo(said["verdict"]["sentence"])
    click.echo(f"{out / REPORT} has all figures and the pictures.")


def run(job: Job, out: Path, *, replace: bool = False) -> dict[str, Any]:
    """Run a study and write its folder; return what result.json holds."""
    import json
    import platform

    import numpy as np

    from dashpot import __version__, console
    from dashpot.evaluate import study
    from dashpot.evaluate.report import page, picture
    from dashpot.evaluate.setup import settle
    from dashpot.evaluate.verdict import PICTURES, summarise
    from dashpot.files import atomic_folder
    from dashpot.replay.job import firmware_hash
    from dashpot.resources import firmware_dir

    setting = settle(job)
    with atomic_folder(out, replace=replace, marker=RESULT) as folder:
        known = study.prepare(setting, folder)
        with console.progress(study.total_work(setting, known), "evaluate", "s") as bar:
            done = study.run(setting, known, bar.advance)
        firmware = {"name": "firmware", "sha256": firmware_hash(job.firmware or firmware_dir())}
        said = {
            "format": 1,
            **summarise(done),
            "inputs": {**setting.inputs, "firmware": firmware},
            "versions": {
                "dashpot": __version__,
                "numpy": np.__version__,
                "python": platform.python_version(),
            },
        }
        (folder / REPORT).write_text(page(said), encoding="utf-8")
        for metric in PICTURES:
            (folder / f"{metric}.svg").write_text(picture(said, None, metric) + "\n", encoding="utf-8")
        (folder / RESULT).write_text(json.dumps(said, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    return said
