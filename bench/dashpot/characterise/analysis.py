"""All of it in turn: speed, rod and surface in rounds, then curve, response, coil, bands and doubts."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.characterise import curve, doubts, electric, loops, response
from dashpot.characterise.rod import SLOW_M_S, Rod, Slow, fit_rod, slow_of
from dashpot.characterise.strokes import Motion, Points, SpeedCheck, motions_of, points_of
from dashpot.characterise.surface import (
    DIRECTIONS,
    FILLED_WEIGHT,
    Axes,
    Cells,
    Model,
    axes_of,
    monotone,
    residuals,
    rising,
    seen_of,
    solve,
)
from dashpot.errors import InputError, VerdictError
from dashpot.plant.valve_file import Direction, Response, Valve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from dashpot.characterise.doubts import Doubt
    from dashpot.characterise.electric import Inductance, Resistance
    from dashpot.characterise.readings import Readings
    from dashpot.characterise.response import Fit, Step
    from dashpot.console import Progress
    from dashpot.plant.car import Floats

#: Rounds of surface against rod, and those after which the lag is found anew.
ROUNDS = 5
LAG_ROUNDS = (1, 3)
REPLICATES = 120
LEAST_SPEEDS = 2
LEAST_CURRENTS = 2
#: Change of an isotonic turn that a replicate is content with.
REPLICATE_N = 0.01
#: Half of a 95 % band of a normal error.
BAND = 1.96
#: What stands in the valve file where the data do not say; each is told of. A 6 ms valve [C]; the demo's coil [D].
ASSUMED_DELAY_S, ASSUMED_TIME_S = 0.002, 0.006
ASSUMED_OHM, ASSUMED_HENRY, ASSUMED_OIL_C = 2.2, 12e-3, 20.0
SAFE_DEMAND_PERMILLE = 500


@dataclass(frozen=True, slots=True)
class Options:
    """What the user says beside the data; None is left to the data.

    Attributes:
        name: of the valve.
        reference_m: position on the dyno's scale that is ride height.
        least_a, most_a, safe_a: currents.
        resistance_ohm, inductance_h: of the coil at 20 C.
        oil_c: temperature of the oil where no column has it.
        speed_m_s: stroke speed at which the valve curve is even; None for the mean over all speeds.
        seed: of the draws for the bands.

    """

    name: str = "valve"
    reference_m: float = 0.0
    least_a: float | None = None
    most_a: float | None = None
    safe_a: float | None = None
    resistance_ohm: float | None = None
    inductance_h: float | None = None
    oil_c: float | None = None
    speed_m_s: float | None = None
    seed: int = 1


@dataclass(frozen=True, slots=True)
class Forces:
    """The held currents' surface and the passive stage, each with half the width of its 95 % band.

    Shapes: speeds (k,), currents (n,), forces (2, n, k) in compression and rebound, passive (2, k) or None.
    """

    speed_m_s: Floats
    current_a: Floats
    force_n: Floats
    band_n: Floats
    count: Floats
    passive_n: Floats | None
    passive_band_n: Floats | None
    passive_below_a: float
    between_a: tuple[float, ...]
    firmer: bool
    jump_share: float
    hysteresis_a: float
    hysteresis_band_a: float
    bands: int


@dataclass(frozen=True, slots=True)
class Firmness:
    """Share of each current, the demand curve, authority (2, k) and the current that matches no current, with bands."""

    share: Floats
    curve_a: Floats
    curve_band_a: Floats
    authority: Floats
    authority_band: Floats
    match_a: float | None
    match_band_a: float


@dataclass(frozen=True, slots=True)
class Result:
    """What was found."""

    options: Options
    valve: Valve
    forces: Forces
    firmness: Firmness
    rod: Rod
    lag_s: float
    lag_band_s: float
    cycles: int
    up: Fit | None
    down: Fit | None
    resistance: Resistance | None
    inductance: Inductance | None
    doubts: list[Doubt]
    assumed: list[str]
    kinds: dict[str, int]
    points: Points
    valve_n: Floats
    steps: list[Step]
    slow: Slow
    motions: list[Motion] = field(repr=False)
    models: _Models = field(repr=False)


@dataclass(frozen=True, slots=True)
class _Models:
    """The surface as it was read, before it is made monotone: above and below the jump."""

    held: Model
    low: Model | None
    edge_a: float

    def signed(self, speed_m_s: Floats, current_a: Floats) -> Floats:
        """Return the force, signed."""
        force = self.held.signed(speed_m_s, current_a)
        if self.low is None:
            return force
        made: Floats = np.where(current_a < self.edge_a, self.low.signed(speed_m_s, current_a), force)
        return made


@dataclass(frozen=True, slots=True)
class _Found:
    """The state of the rounds."""

    points: Points
    valve_n: Floats
    axes: Axes
    cells: Cells
    low: Points
    low_axes: Axes | None
    low_cells: Cells | None
    levels: curve.Levels
    levels_a: Floats
    models: _Models


def characterise(files: Sequence[Readings], options: Options, bar: Progress | None = None) -> Result:
    """Find what a valve does from dyno files.

    Args:
        files: read by `readings.read_dyno`; all of one valve.
        options: what the user says.
        bar: is told of the work, 100 in all.

    Raises:
        InputError: signs or columns that cannot be right.
        VerdictError: the data cannot carry a surface: too few speeds, currents or ways.

    """
    currents, told = _currents(files, options)
    motions: list[Motion] = []
    checks: list[SpeedCheck] = []
    lost = 0
    for one in currents:
        made, check, short = motions_of(one)
        motions += made
        checks += [check] if check is not None else []
        lost += short
    _refuse_signs(motions, checks)
    points = points_of(motions, 0.0)
    advance = bar.advance if bar is not None else lambda _: None
    advance(20)
    slow = slow_of(motions, points)
    rod = Rod(
        float(np.mean(slow.force_n)) if len(slow.force_n) else 0.0,
        0.0,
        0.0,
        0.0,
        options.reference_m,
        np.zeros((3, 3)),
        True,
    )
    lag_s, lag_error, cycles = 0.0, float("inf"), 0
    found = None
    for turn in range(ROUNDS):
        fast = points.where(points.held & (points.peak_m_s > slow.peak_m_s))
        found = _surface(fast, rod.valve_n(fast), options)
        rod = fit_rod(
            slow,
            found.models.signed,
            found.cells.hysteresis_a,
            float(found.axes.speed_m_s[0]),
            options.reference_m,
            rod if turn else None,
        )
        if turn in LAG_ROUNDS:
            lag_s, lag_error, cycles = loops.speed_lag(motions, points, rod)
            points = points_of(motions, lag_s)
        advance(6)
    # Where nothing was slow, the slowest speed was kept for the rod; now it is a speed of the surface as well.
    least_m_s = slow.peak_m_s if slow.peak_m_s <= SLOW_M_S else 0.0
    everything = points.where(points.held & (points.peak_m_s > least_m_s))
    valve_n = rod.valve_n(everything)
    found = _surface(everything, valve_n, options)
    forces, firmness = _with_bands(found, rod, options)
    advance(18)
    steps, unused = response.steps_of(motions, rod)
    up, down = _responses(steps, found, forces)
    resistance, no_ohm = electric.resistance_of(
        motions, by_coil=any(one.coil_temperature_c is not None for one in files)
    )
    inductance, no_henry = electric.inductance_of(motions, steps, resistance)
    advance(20)
    evidence = doubts.Evidence(
        motions=motions, checks=checks, points=points, slow_m_s=slow.peak_m_s, forces=forces, rod=rod, cycles=cycles,
        up=up, down=down, unused_steps=unused, no_ohm=no_ohm, no_henry=no_henry, lost=lost,
        reference_m=options.reference_m, told=told,
    )  # fmt: skip
    said = doubts.doubts_of(evidence)
    kinds = _kinds(points, slow.peak_m_s, steps)
    lag_band = BAND * lag_error if np.isfinite(lag_error) else 0.0
    valve, assumed = _valve(options, forces, firmness, rod, lag_s, up, down, resistance, inductance, motions)
    return Result(
        options, valve, forces, firmness, rod, lag_s, lag_band, cycles, up, down, resistance, inductance, said, assumed,
        kinds, found.points, found.valve_n, steps, slow, motions, found.models,
    )  # fmt: skip


def _currents(files: Sequence[Readings], options: Options) -> tuple[list[Readings], list[str]]:
    """Return the files with a current each, computed from duty where there is nothing better."""
    made, told = [], []
    for one in files:
        if one.current_a is not None:
            made.append(one)
            continue
        if one.duty is None or one.voltage_v is None or options.resistance_ohm is None:
            raise InputError(
                "has a duty but no current; the current of one duty falls by a third as the coil warms up, so record the "
                "current, or give voltage, duty and --resistance to have it computed roughly",
                where=one.name,
            )
        made.append(replace(one, current_a=one.duty * one.voltage_v / options.resistance_ohm))
        told.append(one.name)
    return made, told


def _refuse_signs(motions: Sequence[Motion], checks: Sequence[SpeedCheck]) -> None:
    """Raise where force and motion do not belong together."""
    for check in checks:
        if check.factor < 0.0:
            raise InputError(
                "the speed column has the opposite sign of the position's change; compression is positive in both: give "
                "sign = -1 in --columns",
                where=check.name,
            )
    work = 0.0
    for motion in motions:
        force = motion.force_n - np.mean(motion.force_n)
        work += float(np.sum(force * motion.speed_m_s)) * motion.step_s
    if work < 0.0 and motions:
        raise InputError(
            "the damper would give power: force and speed have opposite signs; compression is positive in position, and "
            "force is positive where it resists compression: give sign = -1 in --columns",
            where=motions[0].name,
        )


def _surface(fast: Points, valve_n: Floats, options: Options) -> _Found:
    """Find cells above and below the jump."""
    if not len(fast):
        raise VerdictError(
            "there is no stroke at a held current above the slow ones; sines at held currents are wanted"
        )
    rough_axes = axes_of(fast)
    if len(rough_axes.speed_m_s) < LEAST_SPEEDS or len(rough_axes.current_a) < LEAST_CURRENTS:
        raise VerdictError(
            f"the data have {len(rough_axes.speed_m_s)} peak speeds and {len(rough_axes.current_a)} held currents; a "
            f"surface needs at least {LEAST_SPEEDS} and {LEAST_CURRENTS}"
        )
    if len(np.unique(rough_axes.way_of)) < len(DIRECTIONS):
        raise VerdictError("the data have strokes one way only; compression and rebound are wanted")
    still = replace(fast, side=np.zeros(len(fast)))
    rough = solve(still, valve_n, rough_axes)
    scatter = _scatter(residuals(still, valve_n, rough_axes, rough), rough_axes)
    sigma = scatter[:, None, :] / np.sqrt(np.maximum(rough.count, 1.0))
    levels = curve.levels_of(rough_axes.current_a, rough.force_n, sigma, options.least_a)
    if len(rough_axes.current_a) - levels.least < LEAST_CURRENTS:
        levels = replace(levels, least=len(rough_axes.current_a) - LEAST_CURRENTS)
    level = rough_axes.current_of
    most = options.most_a if options.most_a is not None else np.inf
    is_held = (level >= levels.least) & (rough_axes.current_a[level] <= most + curve.NOTHING_A)
    if levels.least > 0:
        is_held &= ~_through_the_jump(fast, rough_axes, levels.least)
    held = fast.where(is_held)
    axes = axes_of(held)
    if len(axes.current_a) < LEAST_CURRENTS:
        raise VerdictError("fewer than two held currents are left between the least and the most")
    cells = solve(held, valve_n[is_held], axes)
    model = Model(axes, cells.force_n)
    below = level < levels.least
    low = replace(fast.where(below), side=np.zeros(int(below.sum())))
    low_axes = low_cells = low_model = None
    edge = -1.0
    if len(low) and len(axes_of(low).speed_m_s) >= 1:
        low_axes = axes_of(low)
        low_cells = solve(low, valve_n[below], low_axes)
        low_model = Model(low_axes, low_cells.force_n)
        edge = float(low_axes.current_a[-1] + axes.current_a[0]) / 2.0
    return _Found(
        held,
        valve_n[is_held],
        axes,
        cells,
        low,
        low_axes,
        low_cells,
        levels,
        rough_axes.current_a,
        _Models(model, low_model, edge),
    )


def _through_the_jump(fast: Points, axes: Axes, least: int) -> NDArray[np.bool_]:
    """Say which points of the least current came from below, where there are others that came from above.

    From below the least current is reached through the jump, and where the valve then stands the band does not say.
    """
    at_least = axes.current_of == least
    shape = (2, len(axes.speed_m_s))
    from_above = np.zeros(shape, dtype=bool)
    chosen = at_least & (fast.side > 0.0)
    from_above[axes.way_of[chosen], axes.speed_of[chosen]] = True
    left: NDArray[np.bool_] = at_least & (fast.side < 0.0) & from_above[axes.way_of, axes.speed_of]
    return left


def _scatter(rest_n: Floats, axes: Axes) -> Floats:
    """Return the standard deviation of a half stroke for each way and speed, (2, speeds)."""
    shape = (2, len(axes.speed_m_s))
    where = (axes.way_of, axes.speed_of)
    squares, count, cells = np.zeros(shape), np.zeros(shape), np.zeros((2, len(axes.current_a), shape[1]))
    np.add.at(squares, where, rest_n**2)
    np.add.at(count, where, 1.0)
    np.add.at(cells, (axes.way_of, axes.current_of, axes.speed_of), 1.0)
    freedom = count - (cells > 0.0).sum(axis=1)
    all_freedom = float(freedom.sum())
    whole = float(np.sqrt(squares.sum() / max(all_freedom, 1.0)))
    # Few repeats say little of their own scatter: they share that of all speeds, as if it were four repeats more.
    made: Floats = np.sqrt((squares + 4.0 * whole**2) / (np.maximum(freedom, 0.0) + 4.0))
    return made


def _final(found: _Found, cells: Cells, within_n: float) -> Floats:
    weight = np.where(cells.count > 0.0, cells.count, FILLED_WEIGHT)
    return np.stack(
        [
            monotone(
                np.maximum(cells.force_n[i], 0.0), weight[i], firmer=found.levels.firmer, within_n=within_n
            )
            for i in range(2)
        ]
    )


def _passive(found: _Found, low_cells: Cells | None) -> Floats | None:
    """Return the passive stage at the surface's speeds, (2, k)."""
    if not found.levels.passive:
        return None
    speed = found.axes.speed_m_s
    if low_cells is None or found.low_axes is None:
        return np.empty((2, 0))
    model = Model(found.low_axes, low_cells.force_n)
    nothing = np.full(len(speed), found.low_axes.current_a[0])
    return np.stack([rising(model.at(np.full(len(speed), way), speed, nothing)) for way in range(2)])


def _with_bands(found: _Found, rod: Rod, options: Options) -> tuple[Forces, Firmness]:
    """Make surface and curve final, with bands from draws of the scatter and of the rod's error."""
    rng = np.random.default_rng(options.seed)
    held = _Draws(found.points, found.axes, found.cells, rod)
    low = None
    if found.low_axes is not None and found.low_cells is not None:
        low = _Draws(found.low, found.low_axes, found.low_cells, rod)
    force = _final(found, found.cells, 1e-6)
    passive = _passive(found, found.low_cells)
    current = found.axes.current_a
    own = {"force": force, "hysteresis": found.cells.hysteresis_a, **_figures(found, force, passive, options)}
    many: dict[str, list[Any]] = {key: [] for key in (*own, "passive")}
    for _ in range(REPLICATES):
        shift = rng.multivariate_normal(np.zeros(3), rod.covariance, check_valid="ignore")
        cells = held.draw(rng, shift)
        one = _final(found, cells, REPLICATE_N)
        stage = _passive(found, low.draw(rng, shift)) if low is not None else passive
        many["force"].append(one)
        many["hysteresis"].append(cells.hysteresis_a)
        many["passive"].append(stage)
        for key, value in _figures(found, one, stage, options).items():
            many[key].append(value)
    if passive is not None and not passive.size:
        passive = force[:, 0]
        many["passive"] = [one[:, 0] for one in many["force"]]
    band: dict[str, Any] = {
        key: BAND * np.std(np.array(values, dtype=np.float64), axis=0)
        for key, values in many.items()
        if values and all(value is not None for value in values)
    }
    levels, levels_a = found.levels, found.levels_a
    below = 0.0
    between: tuple[float, ...] = ()
    if levels.least > 0:
        below = float(levels_a[levels.passive[-1]]) if levels.passive else 0.0
        between = tuple(float(levels_a[i]) for i in range(levels.least) if i not in levels.passive)
    forces = Forces(
        found.axes.speed_m_s, current, force, band["force"], found.cells.count, passive, band.get("passive"),
        below if below > curve.NOTHING_A else 0.0, between, levels.firmer, levels.jump_share,
        found.cells.hysteresis_a, float(band["hysteresis"]), found.cells.bands,
    )  # fmt: skip
    match = own["match"]
    firmness = Firmness(
        own["share"], own["curve"], band["curve"], own["authority"], band["authority"], match,
        float(band["match"]) if match is not None and "match" in band else 0.0,
    )  # fmt: skip
    return forces, firmness


class _Draws:
    """Draws cells as another recording of the same valve would have given them."""

    def __init__(self, points: Points, axes: Axes, cells: Cells, rod: Rod) -> None:
        self.points, self.axes, self.cells = points, axes, cells
        self.seen = seen_of(points, axes, cells)
        valve_n = rod.valve_n(points)
        scatter = _scatter(residuals(points, valve_n, axes, cells), axes)
        # Not less than the samples' own noise leaves in their mean.
        floor = points.noise_n / np.sqrt(points.samples)
        self.sigma = np.maximum(scatter[axes.way_of, axes.speed_of], floor)
        stroke = points.position_m - rod.reference_m
        self.basis = np.stack((points.direction, points.direction * stroke, np.ones(len(stroke))), axis=1)

    def draw(self, rng: np.random.Generator, shift: Floats) -> Cells:
        """Return cells with a new scatter and the rod off by `shift`."""
        valve_n = self.seen + self.sigma * rng.standard_normal(len(self.seen)) - self.basis @ shift
        return solve(self.points, valve_n, self.axes, self.cells)


def _figures(found: _Found, force_n: Floats, passive_n: Floats | None, options: Options) -> dict[str, Any]:
    current = found.axes.current_a
    at = force_n
    if options.speed_m_s is not None:
        model = Model(found.axes, force_n)
        grid = np.full(len(current), options.speed_m_s)
        at = np.stack([model.at(np.full(len(current), way), grid, current) for way in range(2)])[:, :, None]
    share = curve.share_of(at)
    match = None
    if passive_n is not None and passive_n.size:
        match = curve.match_of(current, force_n, passive_n)
    return {
        "share": share, "curve": curve.demand_curve(current, share), "authority": curve.authority_of(force_n), "match": match,
    }  # fmt: skip


def _responses(steps: Sequence[Step], found: _Found, forces: Forces) -> tuple[Fit | None, Fit | None]:
    """Fit both ways, by steps between currents that can be held where there are any."""
    least = float(forces.current_a[0]) - curve.NOTHING_A
    made = []
    for up in (True, False):
        some = [step for step in steps if step.up == up]
        inside = [step for step in some if min(step.before_a, step.after_a) >= least]
        made.append(response.fit_steps(inside or some, found.models.signed))
    return made[0], made[1]


def _kinds(points: Points, slow_m_s: float, steps: Sequence[Step]) -> dict[str, int]:
    held = points.held
    slow = points.peak_m_s <= slow_m_s
    return {
        "half strokes at a held current": int(np.sum(held & ~slow)),
        "slow half strokes": int(np.sum(held & slow)),
        "half strokes with a moving current": int(np.sum(~held)),
        "current steps up": sum(step.up for step in steps),
        "current steps down": sum(not step.up for step in steps),
    }


def _valve(
    options: Options,
    forces: Forces,
    firmness: Firmness,
    rod: Rod,
    lag_s: float,
    up: Fit | None,
    down: Fit | None,
    resistance: Resistance | None,
    inductance: Inductance | None,
    motions: Sequence[Motion],
) -> tuple[Valve, list[str]]:
    """Put the figures into a valve file's form, and list what is assumed."""
    assumed: list[str] = []
    speed = (0.0, *(round(float(v), 4) for v in forces.speed_m_s))
    current = tuple(round(float(i), 3) for i in forces.current_a)
    passive = forces.passive_n
    if passive is None:
        passive = forces.force_n[:, 0]
        assumed.append(
            "passive: never run without a current; the forces of the least current stand in its place"
        )
    ways = [
        Direction(
            speed,
            current,
            tuple((0.0, *(round(float(f), 1) for f in row)) for row in forces.force_n[i]),
            (0.0, *(round(float(f), 1) for f in (forces.force_n[i, 0] if current[0] == 0.0 else passive[i]))),
        )
        for i in range(2)
    ]
    answers = []
    for name, fit in (("up", up), ("down", down)):
        other = down if name == "up" else up
        if fit is not None:
            answers.append(Response(round(fit.delay_s, 5), round(fit.time_s, 5)))
        elif other is not None:
            answers.append(Response(round(other.delay_s, 5), round(other.time_s, 5)))
            assumed.append(f"response {name}: no step that way; the other way's stands in its place")
        else:
            answers.append(Response(ASSUMED_DELAY_S, ASSUMED_TIME_S))
            assumed.append(
                f"response {name}: no step of the current; that of a valve of the 6 ms class stands in its place"
            )
    oil = options.oil_c
    recorded = [
        float(np.mean(motion.temperature_c)) for motion in motions if motion.temperature_c is not None
    ]
    if recorded:
        oil = round(float(np.mean(recorded)), 1)
    elif oil is None:
        oil = ASSUMED_OIL_C
        assumed.append(f"oil temperature: not recorded; {ASSUMED_OIL_C:g} C written, --oil says better")
    ohm = options.resistance_ohm
    if ohm is None:
        ohm = round(resistance.ohm, 3) if resistance else ASSUMED_OHM
        if resistance is None:
            assumed.append(f"resistance: not measured; {ASSUMED_OHM:g} ohm written, --resistance says better")
    henry = options.inductance_h
    if henry is None:
        henry = round(inductance.henry, 5) if inductance else ASSUMED_HENRY
        if inductance is None:
            assumed.append(
                f"inductance: not measured; {1000 * ASSUMED_HENRY:g} mH written, --inductance says better"
            )
    middle = float(np.interp(SAFE_DEMAND_PERMILLE, curve.DEMANDS_PERMILLE, firmness.curve_a))
    safe = options.safe_a if options.safe_a is not None else round(middle, 2)
    valve = Valve(
        name=options.name,
        compression=ways[0],
        rebound=ways[1],
        least_a=current[0],
        most_a=current[-1],
        safe_a=min(max(safe, current[0]), current[-1]),
        firmer_with_current=forces.firmer,
        passive_below_a=min(round(forces.passive_below_a, 3), current[0]) if current[0] > 0.0 else 0.0,
        gas_force_n=max(round(rod.gas_n, 1), 0.0),
        gas_rate_n_per_m=max(round(rod.rate_n_per_m, 1), 0.0),
        friction_n=round(rod.friction_n, 1),
        lag_s=round(lag_s, 5),
        hysteresis_a=round(forces.hysteresis_a, 4),
        up=answers[0],
        down=answers[1],
        resistance_ohm=ohm,
        inductance_h=henry,
        temperature_c=oil,
        notes="Found by dashpot characterise; look at its report before you rely on it.",
    )
    return valve, assumed
