"""Scenario files: a car on a circuit or in a manoeuvre, from TOML; docs/scenario.md has every key.

A scenario is all that a simulated drive is drawn from. `Scenario.drive` makes the truth, `Scenario.readings` and
`Scenario.motion_sensors` what the car's sensors make of it.
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import completed, refuse_all
from dashpot.errors import InputError
from dashpot.plant import scenario_keys as keys
from dashpot.plant.car import GRAVITY_M_S2, Car, load_car
from dashpot.plant.circuit import Circuit, Line, lay
from dashpot.plant.drive import STEP_S, Drive, Switches, make_drive, straight_of
from dashpot.plant.driver import Brakes, Driver, Performance, Steering, downforce_per_m
from dashpot.plant.ground import Bump, Damp, Ground, Kerb, Patch, Sweep, Weather
from dashpot.plant.manoeuvre import Brake, LaneChange, Manoeuvre, Sine, StepSteer
from dashpot.plant.road import CLASS_A_M3, read_profile
from dashpot.plant.sensors import CORNERS, DEFAULT, MotionSensors, Sensor, readings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from dashpot.plant.car import Floats

DATA = Path(__file__).parent / "data"


@dataclass(frozen=True, slots=True)
class SwitchPlan:
    """What is switched when: times in seconds and positions, the first at 0."""

    mode: keys.Steps[int] = ((0.0, 2),)
    grip: keys.Steps[int] = ((0.0, 0),)
    firmness: keys.Steps[int] = ((0.0, 0),)
    ignition: keys.Steps[int] = ((0.0, 1),)

    def at(self, time_s: Floats) -> Switches:
        """Return the positions at times, (n,)."""

        def held(steps: keys.Steps[int]) -> NDArray[np.int64]:
            at_s, values = zip(*steps, strict=True)
            index = np.searchsorted(np.array(at_s), time_s + STEP_S / 1000.0, side="right") - 1
            return np.array(values, dtype=np.int64)[index]

        return Switches(held(self.mode), held(self.grip), held(self.firmness), held(self.ignition))


@dataclass(frozen=True, slots=True)
class Supply:
    """Voltage at the controller's terminals.

    Attributes:
        voltage: times in seconds and volts, straight lines between, held after the last.
        brake_drop_v: while the brake lights are on.
        ripple_v: amplitude of a slow swing, and `ripple_hz` its frequency.
        ripple_hz: see there.

    """

    voltage: keys.Steps[float] = ((0.0, 13.9),)
    brake_drop_v: float = 0.15
    ripple_v: float = 0.05
    ripple_hz: float = 0.11

    def at(self, time_s: Floats, braking: NDArray[np.bool_]) -> Floats:
        """Return the voltage at times, (n,), and while braking, (n,)."""
        at_s, volts = zip(*self.voltage, strict=True)
        swing = self.ripple_v * np.sin(2.0 * math.pi * self.ripple_hz * time_s)
        voltage: Floats = np.interp(time_s, at_s, volts) - self.brake_drop_v * braking + swing
        return np.maximum(voltage, 0.0)


@dataclass(frozen=True, slots=True)
class Scenario:
    """A scenario; see docs/scenario.md.

    Attributes:
        name: of the scenario.
        seed: of road, driver and noise.
        duration_s: of the drive.
        car: the car.
        valves: files of the front and the rear damper's valve, or None.
        course: a circuit or a manoeuvre.
        performance: what engine, tyres and brakes can do.
        brakes: line pressure and deceleration.
        steering: steering wheel and path.
        driver: the driver.
        ground: what lies under the wheels.
        weather: friction and temperature.
        switches: what is switched when.
        supply: voltage.
        sensors: by signal.
        coil_c: temperature of the coils.
        currents_a: front and rear coil currents that a passive run holds, or None.

    """

    name: str
    seed: int
    duration_s: float
    car: Car
    course: Circuit | Manoeuvre
    valves: tuple[Path, Path] | None = None
    performance: Performance = field(default_factory=Performance)
    brakes: Brakes = field(default_factory=Brakes)
    steering: Steering = field(default_factory=Steering)
    driver: Driver = field(default_factory=Driver)
    ground: Ground = field(default_factory=Ground)
    weather: Weather = field(default_factory=Weather)
    switches: SwitchPlan = field(default_factory=SwitchPlan)
    supply: Supply = field(default_factory=Supply)
    sensors: dict[str, Sensor] = field(default_factory=lambda: dict(DEFAULT))
    coil_c: float = 20.0
    currents_a: tuple[float, float] | None = None

    @property
    def line(self) -> Line:
        """The circuit, or the manoeuvre's straight."""
        if isinstance(self.course, Circuit):
            return self.course
        return straight_of(self.course.speed_m_s, self.duration_s)

    def drive(self, seed: int | None = None) -> Drive:
        """Make the truth; another seed gives another road, driver and noise of the same scenario.

        Raises:
            InputError: the seed is negative, or the car does not get on.

        """
        if seed is not None and seed < 0:
            raise InputError(f"the seed is {seed}; it must be 0 or more", where=self.name)
        return make_drive(self, self.seed if seed is None else seed)

    def readings(self, drive: Drive) -> dict[str, Floats]:
        """Return what the sensors make of a drive, (n,) each at 1 ms, by DBC signal; see `dashpot.plant.sensors.readings`."""
        return readings(drive, self.sensors, coil_c=self.coil_c, ambient_c=self.weather.ambient_c)

    def motion_sensors(self, drive: Drive, step_s: float | None = None) -> MotionSensors:
        """Return the sensors of the plant's motion for a drive; step_s is the plant's, its usual one where None."""
        more = {} if step_s is None else {"step_s": step_s}
        return MotionSensors(self.sensors, drive.seed, drive.duration_s, **more)


def load_scenario(path: Path) -> Scenario:
    """Read a scenario file; files that it names are looked for beside it.

    Args:
        path: SCENARIO.toml.

    Raises:
        InputError: with every mistake, each with its line and key.

    """
    return read_scenario(Document.read(path))


def demo_scenario(name: str = "hollow_fen") -> Scenario:
    """Return a scenario that comes with dashpot [D].

    Raises:
        InputError: there is none of that name.

    """
    return load_scenario(demo_scenario_path(name))


def demo_scenario_path(name: str) -> Path:
    """Return the file of a scenario that comes with dashpot.

    Raises:
        InputError: there is none of that name.

    """
    names = demo_scenarios()
    if name not in names:
        raise InputError(f"there is no scenario {name!r}; {nearest(name, names)}", where="scenario")
    return DATA / f"{name}.toml"


def demo_scenarios() -> tuple[str, ...]:
    """Return the names of the scenarios that come with dashpot."""
    return _shipped("duration")


@cache
def _shipped(key: str) -> tuple[str, ...]:
    """Return the names of the files in the package that have a key, by which their kind is known."""
    return tuple(
        path.stem
        for path in sorted(DATA.glob("*.toml"))
        if key in tomllib.loads(path.read_text(encoding="utf-8"))
    )


def _stand_in() -> dict[str, Any]:
    return {
        "name": "scenario",
        "duration": "10 s",
        "car": "merlin_t4",
        "manoeuvre": {
            "straight": {"speed": "20 m/s"}, "brake": {"speed": "20 m/s", "deceleration": "0.5 g"},
            "step_steer": {"speed": "20 m/s", "lateral": "0.5 g"}, "lane_change": {"speed": "20 m/s"},
            "sine": {"speed": "20 m/s", "lateral": "0.5 g", "frequency": "0.5 Hz"},
        },
        "road": {"sweep": {"from": "1 Hz", "to": "2 Hz", "over": "5 s", "amplitude": "1 mm"}},
        "valves": {"front": "merlin_t4_front_valve", "rear": "merlin_t4_rear_valve"},
        "currents": {"front": "0 A", "rear": "0 A"},
    }  # fmt: skip


def read_scenario(document: Document) -> Scenario:
    """Read a scenario from a parsed file.

    Raises:
        InputError: with every mistake.

    """
    file, findings, filled = completed(keys.ScenarioFile, document, _stand_in)
    reader = _Reader(document, file)
    made = reader.scenario()
    refuse_all(findings, reader.findings, filled)
    assert made is not None
    return made


class _Reader:
    """Makes a scenario of a file that is right key by key; what is wrong between keys goes into `findings`."""

    def __init__(self, document: Document, file: keys.ScenarioFile) -> None:
        self.document = document
        self.file = file
        self.findings: list[Finding] = []

    def scenario(self) -> Scenario | None:
        """Return the scenario, or None where it cannot be made."""
        file = self.file
        car, course = self._car(), self._course()
        valves = self._valves()
        if course is None or car is None:
            return None
        line = course if isinstance(course, Circuit) else straight_of(course.speed_m_s, file.duration_s)
        ground, weather = self._ground(line, course), self._weather(line)
        performance = Performance(**keys.written(file.performance))
        if isinstance(course, Manoeuvre):
            self._within_grip(course, car, performance, weather)
        if self.findings:
            return None
        switches, supply = file.switches, file.supply
        return Scenario(
            name=file.name,
            seed=file.seed,
            duration_s=file.duration_s,
            car=car,
            course=course,
            valves=valves,
            performance=performance,
            brakes=Brakes(**keys.written(file.brakes)),
            steering=Steering(**keys.written(file.steering)),
            driver=Driver(**keys.written(file.driver)),
            ground=ground,
            weather=weather,
            switches=SwitchPlan(switches.mode, switches.grip, switches.firmness, switches.ignition),
            supply=Supply(supply.voltage, supply.brake_drop_v, supply.ripple_v, supply.ripple_hz),
            sensors=self._sensors(),
            coil_c=file.coil.temperature_c,
            currents_a=None if file.currents is None else (file.currents.front, file.currents.rear),
        )

    def _wrong(self, key: str, message: str, *needs: str) -> None:
        self.findings.append(self.document.error(key, message, needs))

    def _beside(self, name: str) -> Path:
        folder = self.document.path.parent if self.document.path is not None else Path()
        return folder / name

    def _file(self, key: str, name: str, kind: str, mark: str) -> Path | None:
        """Return a file beside the scenario, or one that comes with dashpot; `mark` is a key that its kind has."""
        if not name.endswith(".toml"):
            known = _shipped(mark)
            if name in known:
                return DATA / f"{name}.toml"
            self._wrong(
                key, f"there is no {kind} {name!r}; {nearest(name, known)}; a file's name ends in .toml"
            )
            return None
        path = self._beside(name)
        if path.is_file():
            return path
        self._wrong(key, f"{path} is no file; a {kind} file is looked for beside the scenario")
        return None

    def _car(self) -> Car | None:
        path = self._file("car", self.file.car, "car", "wheelbase")
        if path is None:
            return None
        try:
            return load_car(path)
        except InputError as error:
            # The car's own mistakes, each with its file and line.
            self.findings += getattr(error, "findings", [self.document.error("car", str(error))])
            return None

    def _valves(self) -> tuple[Path, Path] | None:
        if self.file.valves is None:
            return None
        front = self._file("valves.front", self.file.valves.front, "valve", "compression")
        rear = self._file("valves.rear", self.file.valves.rear, "valve", "compression")
        return None if front is None or rear is None else (front, rear)

    def _course(self) -> Circuit | Manoeuvre | None:
        circuit, manoeuvre = self.file.circuit, self.file.manoeuvre
        if (circuit is None) == (manoeuvre is None):
            said = "is missing" if circuit is None else "is given beside manoeuvre"
            self._wrong("circuit", f"{said}; a scenario has either a circuit or a manoeuvre", "manoeuvre")
            return None
        if circuit is not None:
            try:
                return lay(
                    tuple(row.segment() for row in circuit.segments),
                    closed=circuit.closed,
                    transition_m=circuit.transition_m,
                )
            except InputError as error:
                self._wrong("circuit.segments", error.message, "circuit")
                return None
        assert manoeuvre is not None
        return self._manoeuvre(manoeuvre)

    def _manoeuvre(self, chosen: keys.ManoeuvreKeys) -> Manoeuvre | None:
        known = list(keys.ManoeuvreKeys.model_fields)
        named = [name for name in known if getattr(chosen, name) is not None]
        if len(named) != 1:
            # A wrong name alone has been told already.
            if named or not self.document.data.get("manoeuvre"):
                key = f"manoeuvre.{named[1]}" if named else "manoeuvre"
                self._wrong(
                    key, f"{' and '.join(named) or 'none'} given; one of {', '.join(known)} is wanted"
                )
            return None
        if chosen.straight is not None:
            return Manoeuvre(chosen.straight.speed_m_s)
        if chosen.brake is not None:
            return Brake(**chosen.brake.model_dump())
        if chosen.step_steer is not None:
            return StepSteer(**chosen.step_steer.model_dump())
        if chosen.lane_change is not None:
            return LaneChange(**chosen.lane_change.model_dump())
        sine = chosen.sine
        assert sine is not None
        if (sine.hz is None) == (sine.spacing_m is None):
            self._wrong("manoeuvre.sine", "one of frequency and spacing is wanted")
            return None
        # A whole sine goes round two cones.
        hz = sine.hz if sine.hz is not None else sine.speed_m_s / (2.0 * (sine.spacing_m or 1.0))
        return Sine(sine.speed_m_s, sine.lateral_m_s2, hz, sine.at_s, sine.count)

    def _within_grip(self, course: Manoeuvre, car: Car, performance: Performance, weather: Weather) -> None:
        """Refuse what the tyres cannot give; zones of less friction on the way are not looked at."""
        lift = downforce_per_m(car) * course.speed_m_s**2
        most = performance.grip * weather.grip * (GRAVITY_M_S2 + lift)
        asked = course.asks_m_s2()
        if asked > most:
            self._wrong(
                f"manoeuvre.{course.kind}",
                f"asks for {asked / GRAVITY_M_S2:.2f} g; the tyres give {most / GRAVITY_M_S2:.2f} g here",
                "performance.grip",
                "weather.grip",
                "car",
            )

    def _zone(
        self, line: Line, key: str, row: int, zone: Any, least_m: float = 0.0
    ) -> tuple[float, float] | None:
        """Return begin and end of a zone in metres."""
        try:
            start, end = line.locate(zone.start), line.locate(zone.end)
        except ValueError as error:
            self._wrong(key, f"row {row}: {error}")
            return None
        length = line.span(start, end)
        if length <= 0.0 or length < least_m:
            wanted = f"at least {least_m:g} m are wanted" if least_m else "the end must lie after the begin"
            self._wrong(key, f"row {row}: goes from {start:g} m to {end:g} m; {wanted}")
            return None
        return start, end

    def _ground(self, line: Line, course: Circuit | Manoeuvre) -> Ground:
        road = self.file.road
        heights = {"class": road.in_class, "roughness": road.roughness, "profile": road.profile}
        given = [name for name, written in heights.items() if written is not None]
        if len(given) > 1:
            self._wrong("road", f"has {' and '.join(given)}; one of class, roughness and profile is wanted")
        profile = None
        if road.profile is not None:
            try:
                profile = read_profile(self._beside(road.profile))
            except InputError as error:
                self._wrong("road.profile", str(error))
        patches, kerbs, bumps = [], [], []
        for number, patch in enumerate(road.rough, 1):
            zone = self._zone(line, "road.rough", number, patch, 2.0 * patch.blend_m)
            if zone:
                patches.append(Patch(*zone, patch.roughness_m3, patch.longest_m, patch.blend_m))
        for number, kerb in enumerate(road.kerbs, 1):
            zone = self._zone(line, "road.kerbs", number, kerb, 2.0 * kerb.ramp_m)
            if zone:
                kerbs.append(Kerb(kerb.side, *zone, kerb.height_m, kerb.ramp_m, kerb.tooth_m, kerb.pitch_m))
        for number, bump in enumerate(road.bumps, 1):
            try:
                start = line.locate(bump.start)
                line.inside(start + bump.length_m)
            except ValueError as error:
                self._wrong("road.bumps", f"row {number}: {error}")
                continue
            bumps.append(Bump(bump.side, start, bump.length_m, bump.height_m))
        roughness = road.in_class if road.in_class is not None else road.roughness
        return Ground(
            CLASS_A_M3 if roughness is None else roughness,
            road.waviness,
            profile,
            road.patch_m,
            tuple(patches),
            tuple(kerbs),
            tuple(bumps),
            None if road.sweep is None else self._sweep(road.sweep, course),
        )

    def _sweep(self, sweep: keys.SweepKeys, course: Circuit | Manoeuvre) -> Sweep:
        if type(course) is not Manoeuvre:
            self._wrong("road.sweep", "needs a constant speed on a straight, manoeuvre.straight", "manoeuvre")
        if sweep.to_hz <= sweep.from_hz:
            self._wrong("road.sweep", "must rise: `to` is not above `from`")
        if sweep.start_s + sweep.length_s > self.file.duration_s:
            self._wrong(
                "road.sweep",
                f"ends at {sweep.start_s + sweep.length_s:g} s, after the drive's {self.file.duration_s:g} s",
                "duration",
            )
        height, rate = sweep.amplitude
        return Sweep(sweep.from_hz, sweep.to_hz, sweep.start_s, sweep.length_s, height, rate, sweep.side)

    def _weather(self, line: Line) -> Weather:
        weather = self.file.weather
        damp = []
        for number, row in enumerate(weather.damp, 1):
            zone = self._zone(line, "weather.damp", number, row)
            if zone:
                damp.append(Damp(*zone, row.grip, row.blend_m))
        return Weather(weather.grip, tuple(damp), weather.ambient_c)

    def _sensors(self) -> dict[str, Sensor]:
        sensors = dict(DEFAULT)
        asked = self.file.sensors
        for kind in keys.CORNER_KINDS:
            for corner in CORNERS:
                name = f"{kind}{corner}"
                sensors[name] = keys.changed(sensors[name], asked.get(kind, {}))
        return {name: keys.changed(sensor, asked.get(name, {})) for name, sensor in sensors.items()}
