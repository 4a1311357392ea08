"""From files to files: read car, valves, vehicle and targets, compute, check what came of it, write."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from dashpot import console
from dashpot.calibration import check, load_vehicle, parse_calibration
from dashpot.calibration.findings import refuse
from dashpot.errors import InputError
from dashpot.files import atomic_path
from dashpot.plant.car import load_car
from dashpot.plant.valve_file import load_valve
from dashpot.starting.draft import Draft, text
from dashpot.starting.report import facts, markdown, page
from dashpot.starting.solve import Solver
from dashpot.starting.targets import load_targets

if TYPE_CHECKING:
    from pathlib import Path

WRITERS = {".md": markdown, ".html": page}


@dataclass(frozen=True, slots=True)
class Job:
    """Files of a starting calibration: car, valves, vehicle, targets, DBCs in place of the vehicle's, and the outputs."""

    car: Path
    valve_front: Path
    valve_rear: Path
    vehicle: Path
    targets: Path
    dbc: tuple[Path, ...]
    out: Path
    replace: bool = False
    report: Path | None = None


def run_job(job: Job) -> dict[str, Any]:
    """Write the calibration and its report, and return the report's facts.

    Raises:
        InputError: a file has a mistake, an output is in the way, or the numbers cannot be a calibration.

    """
    if job.out.exists() and not job.replace:
        raise InputError(
            "exists already, and somebody may have edited it; give another path or --replace", where=job.out
        )
    if job.report is not None and job.report.suffix not in WRITERS:
        raise InputError("the report's name must end in .md or .html", where=job.report)
    car = load_car(job.car)
    valves = load_valve(job.valve_front), load_valve(job.valve_rear)
    vehicle = load_vehicle(job.vehicle, job.dbc or None)
    targets = load_targets(job.targets)
    load = targets.under_load
    # Cells of one side; the other side mirrors them.
    cells = (len(load.lateral_mg) // 2 + 1) * len(load.longitudinal_mg)
    with console.progress(len(targets.positions) + 1 + cells, "calibration", "steps") as display:
        solver = Solver(car, valves, targets, display.advance)
        draft = Draft(solver, frozenset(vehicle.mapped()), job.vehicle.name)
        written = text(draft)
        calibration = parse_calibration(written, str(job.out))
        found = check(vehicle, calibration)
        refuse(found)
        said = facts(draft, [f"{finding.key}: {finding.message}" for finding in found])
    with atomic_path(job.out) as aside:
        aside.write_text(written, encoding="utf-8")
        if job.report is not None:
            # Inside, so that there is both or neither.
            with atomic_path(job.report) as beside:
                beside.write_text(WRITERS[job.report.suffix](said), encoding="utf-8")
    return said
