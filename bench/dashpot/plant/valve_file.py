"""What is known of one adjustable valve, and the VALVE.toml that it is read from: force over speed and current, and the rest.

`dashpot characterise` writes such a file from a dyno's readings; a person may as well write one from a data sheet. The
plant's damper and coil come from it, and so does a starting calibration: what the valve does without current, which
currents can be held, which way the force goes.

Forces are those of the valve alone, gas and friction apart, as magnitudes in either direction of the stroke.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import numpy as np
from pydantic import Field

from dashpot.calibration import units as cal_units
from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Number, Plain, Strict, completed, refuse_all, unit_factor
from dashpot.files import atomic_path
from dashpot.plant import coil as plant_coil
from dashpot.plant import damper as plant_damper
from dashpot.plant import units

if TYPE_CHECKING:
    from dashpot.calibration.units import Family
    from dashpot.plant.car import Floats

#: Points of a speed or current axis.
POINTS = (2, 64)
MOST_CURRENT_MA = 5000
#: The gas exponent that the plant's damper has by itself; rate and force then give the column's length.
GAS_EXPONENT = plant_damper.Gas().exponent
#: A gas force without a rate: a column so long that nothing of it is felt.
LONG_COLUMN_M = 1e6
#: Forces that lie this near count as equal where the slope's sign is held against them.
LEVEL_N = 0.5


@dataclass(frozen=True, slots=True)
class Direction:
    """The valve in compression or rebound, magnitudes.

    Attributes:
        speed_m_s: rising stroke speeds from 0 on.
        current_a: rising currents that can be held.
        force_n: force of each current (rows) at each speed.
        passive_n: force at each speed without a current.
        shape: "monotone" or "linear" between the speeds.

    """

    speed_m_s: tuple[float, ...]
    current_a: tuple[float, ...]
    force_n: tuple[tuple[float, ...], ...]
    passive_n: tuple[float, ...]
    shape: str = plant_damper.MONOTONE

    def held(self) -> plant_damper.Surface:
        """Return the surface of the currents that can be held, without the passive stage."""
        return plant_damper.Surface(self.speed_m_s, self.current_a, self.force_n, self.shape)

    def passive(self) -> plant_damper.Surface:
        """Return the passive stage alone."""
        return plant_damper.Surface(self.speed_m_s, (0.0,), (self.passive_n,), self.shape)

    def whole(self, passive_below_a: float) -> plant_damper.Surface:
        """Return the surface from 0 A on: the passive stage, the jump, then the currents that can be held."""
        if self.current_a[0] == 0.0:
            return self.held()
        low = (0.0, passive_below_a) if passive_below_a > 0.0 else (0.0,)
        return plant_damper.Surface(
            self.speed_m_s,
            (*low, *self.current_a),
            (*(self.passive_n,) * len(low), *self.force_n),
            self.shape,
        )


@dataclass(frozen=True, slots=True)
class Response:
    """How the force follows a change of current one way: nothing for the delay, then a first-order lag."""

    delay_s: float
    time_s: float


@dataclass(frozen=True, slots=True)
class Valve:
    """One adjustable valve with its coil.

    Attributes:
        name: of the valve.
        compression: its forces in compression.
        rebound: its forces in rebound.
        least_a: least current that can be held; below it lies the jump, if there is one.
        most_a: most current.
        safe_a: current to hold when something is lost.
        firmer_with_current: the force rises with current, or falls.
        passive_below_a: the passive stage acts from 0 A up to here; between here and `least_a` the force jumps.
        gas_force_n: gas force on the rod at ride height, or at the dyno's middle.
        gas_rate_n_per_m: its change over stroke there.
        friction_n: of the seals.
        lag_s: the loop over stroke speed: the valve's speed lags behind the stroke speed (see plant.damper).
        hysteresis_a: half the band between rising and falling current: this far apart they give the same force.
        up: response to a rising current.
        down: response to a falling current.
        resistance_ohm: of the coil at 20 C.
        inductance_h: of the coil.
        temperature_c: of the oil while the forces were measured.
        notes: free text.
        evidence: what each figure rests on: a name and a text.

    """

    name: str
    compression: Direction
    rebound: Direction
    least_a: float
    most_a: float
    safe_a: float
    firmer_with_current: bool
    passive_below_a: float
    gas_force_n: float
    gas_rate_n_per_m: float
    friction_n: float
    lag_s: float
    hysteresis_a: float
    up: Response
    down: Response
    resistance_ohm: float
    inductance_h: float
    temperature_c: float
    notes: str = ""
    evidence: tuple[tuple[str, str], ...] = ()

    def damper(self) -> plant_damper.Damper:
        """Return the plant's damper.

        The plant has one dead time for both ways: it takes the shorter delay and adds the rest to the other way's
        time constant, so that delay plus time constant, the wait until 63 % is there, stays right each way.
        """
        dead_s = min(self.up.delay_s, self.down.delay_s)
        rate = self.gas_rate_n_per_m
        return plant_damper.Damper(
            self.compression.whole(self.passive_below_a),
            self.rebound.whole(self.passive_below_a),
            plant_damper.Gas(
                self.gas_force_n, self.gas_force_n * GAS_EXPONENT / rate if rate > 0.0 else LONG_COLUMN_M
            ),
            self.friction_n,
            self.lag_s,
            plant_damper.Valve(
                dead_s,
                self.up.delay_s - dead_s + self.up.time_s,
                self.down.delay_s - dead_s + self.down.time_s,
            ),
        )

    def coil(self, temperature_c: float = plant_coil.REFERENCE_C) -> plant_coil.Coil:
        """Return the coil with its winding at a temperature."""
        return plant_coil.Coil(self.resistance_ohm, self.inductance_h, temperature_c=temperature_c)

    def force_n(self, speed_m_s: Floats | float, current_a: Floats | float) -> Floats:
        """Return the valve's force at stroke speeds of either sign, broadcast with the currents; jump included."""
        return self.damper().force_n(speed_m_s, current_a)

    def passive_n(self, speed_m_s: Floats | float) -> Floats:
        """Return the valve's force without a current at stroke speeds of either sign."""
        return self.force_n(speed_m_s, 0.0)

    def firmness_n(self, current_a: float, speed_m_s: float) -> float:
        """Return the mean of both directions' force at a stroke speed."""
        both = self.force_n(speed_m_s, current_a) - self.force_n(-speed_m_s, current_a)
        return float(both) / 2.0


@dataclass(frozen=True, slots=True)
class Reals(Plain):
    """Numbers with one unit, `{ unit = "mm/s", at = [0, 52.4, 157.1] }`, as exact fractions of the base unit."""

    family: Family
    low: int
    high: int

    def parse(self, value: object) -> tuple[Fraction, ...]:
        """Read, convert and check that they rise."""
        example = f'{{ unit = "{self.family.shown}", at = [0, 50, 100] }}'
        if not isinstance(value, dict):
            raise ValueError(f"should be a table such as {example}")  # noqa: TRY004 - pydantic takes ValueError only
        for key in value:
            if key not in ("unit", "at"):
                raise ValueError(f"unknown key {key!r}; {nearest(key, ['unit', 'at'])}")
        for key in ("unit", "at"):
            if key not in value:
                raise ValueError(f"{key} is missing; write it as {example}")
        factor = unit_factor(value["unit"], self.family)
        numbers = [number * factor for number in reals(value["at"])]
        low, high = POINTS
        if not low <= len(numbers) <= high:
            raise ValueError(f"has {len(numbers)} points; an axis has {low} to {high}")
        for i, number in enumerate(numbers):
            if not self.low <= number <= self.high:
                raise ValueError(
                    f"point {i + 1} is {value['at'][i]} {value['unit']}; it must lie within {self.low} to "
                    f"{self.high} {self.family.base}"
                )
            if i and number <= numbers[i - 1]:
                raise ValueError(
                    f"is not rising: point {i + 1} is {value['at'][i]} after {value['at'][i - 1]}"
                )
        return tuple(numbers)


def reals(values: object) -> list[Fraction]:
    """Read a list of plain numbers.

    Raises:
        ValueError: with a message for the user.

    """
    if not isinstance(values, list):
        raise ValueError("should be a list of numbers, such as [0, 1, 2]")  # noqa: TRY004 - pydantic takes ValueError only
    for i, value in enumerate(values, 1):
        if isinstance(value, bool) or not isinstance(value, int | Decimal) or not Decimal(value).is_finite():
            raise ValueError(f"point {i} is {value!r}; a number is wanted")
    return [Fraction(value) for value in values]


class Row(Plain):
    """`passive`: a list of plain numbers in the table's unit."""

    def parse(self, value: object) -> tuple[Fraction, ...]:
        """Read it."""
        return tuple(reals(value))


class Rows(Plain):
    """`force`: a list of lists of plain numbers in the table's unit."""

    def parse(self, value: object) -> tuple[tuple[Fraction, ...], ...]:
        """Read them."""
        if not isinstance(value, list):
            raise ValueError("should be a list with one list of forces for each current")  # noqa: TRY004 - pydantic takes ValueError only
        rows = []
        for i, row in enumerate(value, 1):
            try:
                rows.append(tuple(reals(row)))
            except ValueError as error:
                raise ValueError(f"row {i}: {error}") from None
        return tuple(rows)


class ForceUnit(Plain):
    """`unit` of a table of forces, as newtons in one of it."""

    def parse(self, value: object) -> Fraction:
        """Read it."""
        return unit_factor(value, units.FORCE)


class DirectionKeys(Strict):
    """[compression], [rebound]."""

    speed: Annotated[tuple[Fraction, ...], Reals(cal_units.STROKE_SPEED, 0, 5000)]
    current: Annotated[tuple[Fraction, ...], Reals(cal_units.CURRENT, 0, MOST_CURRENT_MA)]
    unit: Annotated[Fraction, ForceUnit()]
    force: Annotated[tuple[tuple[Fraction, ...], ...], Rows()]
    passive: Annotated[tuple[Fraction, ...], Row()]
    shape: Literal["monotone", "linear"]

    def direction(self) -> Direction:
        """Give it in SI units."""
        return Direction(
            tuple(float(speed / 1000) for speed in self.speed),
            tuple(float(current / 1000) for current in self.current),
            tuple(tuple(float(force * self.unit) for force in row) for row in self.force),
            tuple(float(force * self.unit) for force in self.passive),
            self.shape,
        )


class CurrentKeys(Strict):
    """[currents]."""

    least: Annotated[Fraction, In(cal_units.CURRENT, 0, MOST_CURRENT_MA)]
    most: Annotated[Fraction, In(cal_units.CURRENT, 1, MOST_CURRENT_MA)]
    safe: Annotated[Fraction, In(cal_units.CURRENT, 0, MOST_CURRENT_MA)]
    passive_below: Annotated[Fraction, In(cal_units.CURRENT, 0, MOST_CURRENT_MA)]
    with_current: Literal["firmer", "softer"]
    hysteresis: Annotated[Fraction, In(cal_units.CURRENT, 0, 1000)]


class RodKeys(Strict):
    """[rod]."""

    gas_force: Annotated[Fraction, In(units.FORCE, 0, 5000)]
    gas_rate: Annotated[Fraction, In(units.STIFFNESS, 0, 100_000)]
    friction: Annotated[Fraction, In(units.FORCE, 0, 2000)]


class WayKeys(Strict):
    """One way of [response]."""

    delay: Annotated[Fraction, In(cal_units.TIME, 0, 200_000)]
    time: Annotated[Fraction, In(cal_units.TIME, 0, 500_000)]

    def response(self) -> Response:
        """Give it in seconds."""
        return Response(float(self.delay / 1_000_000), float(self.time / 1_000_000))


class ResponseKeys(Strict):
    """[response]."""

    up: WayKeys
    down: WayKeys
    speed_lag: Annotated[Fraction, In(cal_units.TIME, 0, 50_000)]


class CoilKeys(Strict):
    """[coil]."""

    resistance: Annotated[Fraction, In(cal_units.RESISTANCE, 100, 100_000)]
    inductance: Annotated[Fraction, In(cal_units.INDUCTANCE, 10, 1_000_000)]


class ValveKeys(Strict):
    """VALVE.toml."""

    name: str
    notes: str = ""
    oil_temperature_c: Annotated[Fraction, Number(Fraction(-40), Fraction(250))]
    currents: CurrentKeys
    compression: DirectionKeys
    rebound: DirectionKeys
    rod: RodKeys
    response: ResponseKeys
    coil: CoilKeys
    evidence: dict[str, str] = Field(default_factory=dict)


def _stand_in() -> dict[str, Any]:
    way = {
        "speed": {"unit": "mm/s", "at": [0, 100]}, "current": {"unit": "mA", "at": [300, 1600]}, "unit": "N",
        "force": [[0, 100], [0, 500]], "passive": [0, 300], "shape": "monotone",
    }  # fmt: skip
    return {
        "name": "valve", "oil_temperature_c": 60,
        "currents": {
            "least": "300 mA", "most": "1600 mA", "safe": "800 mA", "passive_below": "0 mA",
            "with_current": "firmer", "hysteresis": "0 mA",
        },
        "compression": way, "rebound": dict(way),
        "rod": {"gas_force": "0 N", "gas_rate": "0 N/mm", "friction": "0 N"},
        "response": {
            "up": {"delay": "0 ms", "time": "0 ms"}, "down": {"delay": "0 ms", "time": "0 ms"}, "speed_lag": "0 ms",
        },
        "coil": {"resistance": "2.2 ohm", "inductance": "12 mH"},
    }  # fmt: skip


def load_valve(path: Path) -> Valve:
    """Read a valve file.

    Args:
        path: VALVE.toml.

    Raises:
        InputError: with every mistake, each with its line and key.

    """
    return read_valve(Document.read(path))


def read_valve(document: Document) -> Valve:
    """Read a valve from a parsed file.

    Raises:
        InputError: with every mistake.

    """
    file, findings, filled = completed(ValveKeys, document, _stand_in)
    refuse_all(findings, _doubtful(document, file), filled)
    currents = file.currents
    return Valve(
        name=file.name,
        compression=file.compression.direction(),
        rebound=file.rebound.direction(),
        least_a=float(currents.least / 1000),
        most_a=float(currents.most / 1000),
        safe_a=float(currents.safe / 1000),
        firmer_with_current=currents.with_current == "firmer",
        passive_below_a=float(currents.passive_below / 1000),
        gas_force_n=float(file.rod.gas_force),
        gas_rate_n_per_m=float(file.rod.gas_rate),
        friction_n=float(file.rod.friction),
        lag_s=float(file.response.speed_lag / 1_000_000),
        hysteresis_a=float(currents.hysteresis / 1000),
        up=file.response.up.response(),
        down=file.response.down.response(),
        resistance_ohm=float(file.coil.resistance / 1000),
        inductance_h=float(file.coil.inductance / 1_000_000),
        temperature_c=float(file.oil_temperature_c),
        notes=file.notes,
        evidence=tuple(file.evidence.items()),
    )


def _doubtful(document: Document, file: ValveKeys) -> list[Finding]:
    """Find what is wrong between keys."""
    currents = file.currents
    found = []
    if currents.least >= currents.most:
        found.append(document.error("currents.least", "is not below most", ("currents.most",)))
    elif not currents.least <= currents.safe <= currents.most:
        message = "is outside least to most; a current that can be held is wanted"
        found.append(document.error("currents.safe", message, ("currents.least", "currents.most")))
    if currents.passive_below >= currents.least and currents.least > 0:
        message = "is not below least; the passive stage ends before the first current that can be held"
        found.append(document.error("currents.passive_below", message, ("currents.least",)))
    if currents.least == 0 and currents.passive_below:
        message = 'there is no passive stage below a least current of 0; write "0 mA"'
        found.append(document.error("currents.passive_below", message, ("currents.least",)))
    for name, way in (("compression", file.compression), ("rebound", file.rebound)):
        found += _doubtful_way(document, name, way, currents)
    return found


def _doubtful_way(document: Document, name: str, way: DirectionKeys, currents: CurrentKeys) -> list[Finding]:
    found = []
    force, passive = f"{name}.force", f"{name}.passive"
    axes = (f"{name}.speed", f"{name}.current")
    if way.speed[0] != 0:
        found.append(document.error(axes[0], "does not begin with 0"))
    if (way.current[0], way.current[-1]) != (currents.least, currents.most):
        message = (
            f"spans {float(way.current[0]):g} to {float(way.current[-1]):g} mA; it must span least to most, "
            f"{float(currents.least):g} to {float(currents.most):g} mA"
        )
        found.append(document.error(axes[1], message, ("currents.least", "currents.most")))
    if len(way.passive) != len(way.speed):
        message = f"has {len(way.passive)} forces; one for each of {len(way.speed)} speeds is wanted"
        found.append(document.error(passive, message, axes))
    if len(way.force) != len(way.current):
        message = f"has {len(way.force)} rows; one for each of {len(way.current)} currents is wanted"
        found.append(document.error(force, message, axes))
    rows = [(force, f"row {i}: ", row) for i, row in enumerate(way.force, 1)]
    for key, where, row in [*rows, (passive, "", way.passive)]:
        if len(row) != len(way.speed):
            if key == force:
                message = f"{where}has {len(row)} forces; one for each of {len(way.speed)} speeds is wanted"
                found.append(document.error(key, message, axes))
        elif row[0] != 0:
            found.append(
                document.error(key, f"{where}the force at speed 0 is {float(row[0]):g}; it must be 0")
            )
        else:
            falls = next((i for i in range(1, len(row)) if row[i] < row[i - 1]), None)
            if falls is not None:
                message = (
                    f"{where}falls from {float(row[falls - 1]):g} to {float(row[falls]):g} as the speed rises; "
                    "a damper that gives power back is none"
                )
                found.append(document.error(key, message))
    if not found and currents.least == 0 and way.passive != way.force[0]:
        message = "differs from the forces at 0 mA, though 0 mA is the least current that can be held"
        found.append(document.error(passive, message, (force, "currents.least")))
    return found or _turns(document, name, way, currents)


def _turns(document: Document, name: str, way: DirectionKeys, currents: CurrentKeys) -> list[Finding]:
    """Find where the force goes against `with_current`."""
    table = np.array([[float(force * way.unit) for force in row] for row in way.force])
    step = np.diff(table, axis=0)
    against = -step if currents.with_current == "firmer" else step
    if np.all(against <= LEVEL_N):
        return []
    row, column = np.unravel_index(int(np.argmax(against)), against.shape)
    message = (
        f"between {float(way.current[row]):g} and {float(way.current[row + 1]):g} mA the force at "
        f"{float(way.speed[column]):g} mm/s goes from {table[row, column]:g} to {table[row + 1, column]:g} N, but "
        f"with_current says {currents.with_current}"
    )
    return [document.error(f"{name}.force", message, ("currents.with_current", f"{name}.unit"))]


def write_valve(path: Path, valve: Valve) -> None:
    """Write a valve file that `load_valve` reads, with six significant digits.

    Raises:
        InputError: the place cannot be written.

    """
    with atomic_path(path) as aside:
        aside.write_text(valve_text(valve), encoding="utf-8")


def valve_text(valve: Valve) -> str:
    """Return the text of a valve file."""
    way = "firmer" if valve.firmer_with_current else "softer"
    lines = [
        "# An adjustable valve and its coil. Forces are the valve's alone, without gas and friction, as magnitudes.",
        f"name = {_quoted(valve.name)}",
    ]
    if valve.notes:
        lines.append(f"notes = {_quoted(valve.notes)}")
    lines += [
        f"oil_temperature_c = {_digits(valve.temperature_c)}  # while the forces were measured",
        "",
        "[currents]",
        *_aligned(
            ("least", _with(valve.least_a * 1e3, "mA"), "the least that can be held; never creep through a jump below it"),
            ("most", _with(valve.most_a * 1e3, "mA"), ""),
            ("safe", _with(valve.safe_a * 1e3, "mA"), "to hold when something is lost: medium-firm"),
            ("passive_below", _with(valve.passive_below_a * 1e3, "mA"), "the passive stage acts from 0 up to here; from here to least the force jumps"),
            ("with_current", _quoted(way), "firmer or softer as the current rises"),
            ("hysteresis", _with(valve.hysteresis_a * 1e3, "mA"), "half the band between rising and falling current"),
        ),
    ]  # fmt: skip
    for name, direction in (("compression", valve.compression), ("rebound", valve.rebound)):
        lines += ["", f"[{name}]", *_direction_lines(direction)]
    lines += [
        "",
        "[rod]",
        *_aligned(
            ("gas_force", _with(valve.gas_force_n, "N"), "pushes the rod out, at ride height or the dyno's middle"),
            ("gas_rate", _with(valve.gas_rate_n_per_m / 1e3, "N/mm"), "its rise over the stroke there"),
            ("friction", _with(valve.friction_n, "N"), "of the seals"),
        ),
        "",
        "# From a step of the coil's current to the force: nothing for `delay`, then a first-order lag of `time`.",
        "[response]",
        *(
            f'{key} = {{ delay = {_with(one.delay_s * 1e3, "ms")}, time = {_with(one.time_s * 1e3, "ms")} }}'
            for key, one in (("up", valve.up), ("down", valve.down))
        ),
        f"speed_lag = {_with(valve.lag_s * 1e3, 'ms')}  # of the valve's speed behind the stroke speed: the loop over speed",
        "",
        "[coil]",
        f"resistance = {_with(valve.resistance_ohm, 'ohm')}  # at 20 C",
        f"inductance = {_with(valve.inductance_h * 1e3, 'mH')}",
    ]  # fmt: skip
    if valve.evidence:
        lines += ["", "# What each figure rests on.", "[evidence]"]
        lines += [f"{_quoted(key)} = {_quoted(text)}" for key, text in valve.evidence]
    return "\n".join(lines) + "\n"


def _direction_lines(direction: Direction) -> list[str]:
    cells = [[_digits(force) for force in row] for row in direction.force_n]
    width = max(len(cell) for row in cells for cell in row)
    rows = [", ".join(cell.rjust(width) for cell in row) for row in cells]
    passive = ", ".join(_digits(force) for force in direction.passive_n)
    currents = [_digits(current * 1e3) for current in direction.current_a]
    return [
        f'speed = {{ unit = "mm/s", at = [{", ".join(_digits(speed * 1e3) for speed in direction.speed_m_s)}] }}',
        f'current = {{ unit = "mA", at = [{", ".join(currents)}] }}',
        f'shape = "{direction.shape}"  # between the speeds; monotone or linear',
        'unit = "N"',
        "force = [",
        *(f"    [{row}],  # {current} mA" for row, current in zip(rows, currents, strict=True)),
        "]",
        f"passive = [{passive}]  # without a current",
    ]


def _aligned(*rows: tuple[str, str, str]) -> list[str]:
    width = max(len(f"{key} = {value}") for key, value, _ in rows)
    return [
        f"{f'{key} = {value}'.ljust(width)}  # {said}" if said else f"{key} = {value}"
        for key, value, said in rows
    ]


def _digits(value: float) -> str:
    """Write six significant digits without an exponent."""
    text = format(Decimal(f"{value:.6g}"), "f")
    return "0" if float(text) == 0.0 else text


def _with(value: float, unit: str) -> str:
    return f'"{_digits(value)} {unit}"'


def _quoted(text: str) -> str:
    """Write a TOML basic string."""
    made = text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n").replace("\t", "\\t")
    return '"' + "".join(letter if letter.isprintable() else f"\\u{ord(letter):04X}" for letter in made) + '"'


def demo_valves() -> tuple[Valve, Valve]:
    """Return front and rear valve of the Merlin T4, invented like the car [D]."""
    data = Path(__file__).parent / "data"
    return load_valve(data / "merlin_t4_front_valve.toml"), load_valve(data / "merlin_t4_rear_valve.toml")
