"""vehicle.toml: which messages and signals of the car's bus feed which channel, and what to do without them."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import Field

from dashpot.calibration import dbc as dbcfile
from dashpot.calibration import units
from dashpot.calibration.decode import Scaling, Source
from dashpot.calibration.findings import Document, Finding, nearest
from dashpot.calibration.schema import In, Plain, Strict
from dashpot.calibration.units import Family

if TYPE_CHECKING:
    from dashpot.layout import Layout

# People's name, the layout's name, unit family. Corners follow a dot in both.
_CHANNELS: dict[str, tuple[str, Family]] = {
    "lateral": ("lateral_mg", units.ACCELERATION),
    "longitudinal": ("longitudinal_mg", units.ACCELERATION),
    "vertical": ("vertical_mg", units.ACCELERATION),
    "brake_pressure": ("brake_kpa", units.PRESSURE),
    "steer_angle": ("steer_ddeg", units.ANGLE),
    "yaw_rate": ("yaw_cdeg_s", units.YAW_RATE),
    "road_speed": ("road_speed_cm_s", units.SPEED),
    "wheel_speed": ("wheel_speed_cm_s", units.SPEED),
    "stroke": ("stroke_um", units.STROKE),
    "supply": ("supply_mv", units.VOLTAGE),
    "grip_switch": ("grip_switch", units.POSITION),
    "driver_switch": ("driver_switch", units.POSITION),
}
# What can stand in for a channel that is lost: the text in the file, the layout's name for it, the channel it is for,
# and the channels it is made of.
SUBSTITUTES: dict[str, tuple[str, str, tuple[str, ...]]] = {
    "speed x yaw rate": ("speed_yaw", "lateral", ("road_speed", "yaw_rate")),
    "speed change": ("speed_change", "longitudinal", ("road_speed",)),
}
DEFAULT_HEAL_GOOD = 10
DEFAULT_MAX_DELTA = 3
TIMEOUT_MAX_US = 120_000_000  # the firmware takes timeouts up to 2**27 us


@dataclass(frozen=True, slots=True)
class DbcFile:
    """One DBC file, pinned by its hash where one is given."""

    file: str
    sha256: str = ""


class DbcFiles(Plain):
    """`dbc`: names, or tables with a name and a hash."""

    def parse(self, value: object) -> tuple[DbcFile, ...]:
        """Read the list."""
        entries = value if isinstance(value, list) else [value]
        files = []
        for entry in entries:
            table = {"file": entry} if isinstance(entry, str) else entry
            if not isinstance(table, dict) or not all(isinstance(part, str) for part in table.values()):
                raise ValueError('should be a list of file names, such as ["car.dbc"]')
            for name in table:
                if name not in ("file", "sha256"):
                    raise ValueError(f"unknown key {name!r}; {nearest(name, ['file', 'sha256'])}")
            if not table.get("file"):
                raise ValueError("file is missing; name the DBC file")
            files.append(DbcFile(**table))
        if not files:
            raise ValueError("names no file; at least one DBC is needed")
        return tuple(files)


class CounterKey(Strict):
    """`counter` of a message."""

    signal: str
    max_delta: Annotated[int, Field(ge=1)] = DEFAULT_MAX_DELTA


class CrcKey(Strict):
    """`crc` of a message."""

    kind: str
    signal: str | None = None
    byte: Annotated[int, Field(ge=0, le=7)] | None = None
    data_id: Annotated[int, Field(ge=0, le=0xFFFF)] | None = None
    data_ids: list[Annotated[int, Field(ge=0, le=0xFF)]] | None = None


class MessageKey(Strict):
    """[messages.<name>]."""

    period: Annotated[Fraction, In(units.TIME, 10, 60_000_000)] | None = None
    counter: CounterKey | None = None
    crc: CrcKey | None = None


class ChannelKey(Strict):
    """[channels.<name>]."""

    signal: str
    unit: str | None = None
    sign: int = 1
    zero: Any = None
    sign_bit: str | None = None
    invalid: int | None = None
    range: list[Any] | None = None
    timeout: Annotated[Fraction, In(units.TIME, 10, TIMEOUT_MAX_US)] | None = None
    heal_good: Annotated[int, Field(ge=1, le=32_767)] = DEFAULT_HEAL_GOOD
    rate: Any = None
    still: Annotated[Fraction, In(units.TIME, 10, TIMEOUT_MAX_US)] | None = None
    without: Any


class CornerKeys(Strict):
    """Four channels, one a corner."""

    front_left: ChannelKey | None = None
    front_right: ChannelKey | None = None
    rear_left: ChannelKey | None = None
    rear_right: ChannelKey | None = None


class ChannelKeys(Strict):
    """[channels]."""

    lateral: ChannelKey | None = None
    longitudinal: ChannelKey | None = None
    vertical: ChannelKey | None = None
    brake_pressure: ChannelKey | None = None
    steer_angle: ChannelKey | None = None
    yaw_rate: ChannelKey | None = None
    road_speed: ChannelKey | None = None
    wheel_speed: CornerKeys | None = None
    stroke: CornerKeys | None = None
    supply: ChannelKey | None = None
    grip_switch: ChannelKey | None = None
    driver_switch: ChannelKey | None = None


class VehicleFile(Strict):
    """vehicle.toml."""

    name: str
    notes: str = ""
    bitrate: Annotated[Fraction, In(units.BITRATE, 1000, 1_000_000)]
    dbc: Annotated[tuple[DbcFile, ...], DbcFiles()]
    messages: dict[str, MessageKey] = Field(default_factory=dict)
    channels: ChannelKeys


@dataclass(frozen=True, slots=True)
class ChannelSource:
    """One mapped channel, ready for the image.

    Attributes:
        name: people's name, such as "stroke.front_left".
        index: place in the layout's channels.
        family: its units.
        source: signal and scaling as asked for.
        rows: its decode rows by field.
        scaling: the scaling they hold.
        unit: unit of the signal.
        timeout_us, heal_good, default, required, rate_100ms, rate_floor_us, still_us, substitute: the channel row.
        document: its table in canonical form.

    """

    name: str
    index: int
    family: Family
    source: Source
    rows: list[dict[str, int]]
    scaling: Scaling
    unit: str
    timeout_us: int
    heal_good: int
    default: int
    required: bool
    rate_100ms: int
    rate_floor_us: int
    still_us: int
    substitute: int
    document: dict[str, object]


@dataclass(frozen=True, slots=True)
class MessageSource:
    """One message that carries channels, ready for the image.

    Attributes:
        message: as the DBC has it.
        row: its message row by field, without the places of its signals and data ids.
        data_ids: 16 bytes for end-to-end profile 2, else empty.
        document: its table in canonical form.

    """

    message: dbcfile.Message
    row: dict[str, int]
    data_ids: tuple[int, ...]
    document: dict[str, object]


@dataclass(frozen=True, slots=True)
class Vehicle:
    """A car's bus, mapped.

    Attributes:
        name: of the car.
        bitrate: bit/s.
        channels: in the layout's order.
        messages: by key.
        canonical: the whole document in canonical form, as an image carries it.
        document: the file it came from.
        doubts: warnings.
        broken: channels that have a mistake; empty in what `load_vehicle` returns.

    """

    name: str
    bitrate: int
    channels: tuple[ChannelSource, ...]
    messages: tuple[MessageSource, ...]
    canonical: dict[str, object]
    document: Document
    doubts: tuple[Finding, ...] = ()
    broken: frozenset[str] = frozenset()

    def mapped(self) -> set[str]:
        """People's names of the mapped channels."""
        return {channel.name for channel in self.channels}


def channel_names(layout: Layout) -> dict[str, tuple[int, Family]]:
    """Give index and units of each channel by people's name, in the layout's order."""
    people = {layout_name: (name, family) for name, (layout_name, family) in _CHANNELS.items()}
    table = {}
    for index, channel in enumerate(layout.channels):
        base, dot, corner = channel.name.partition(".")
        name, family = people[base]
        table[f"{name}{dot}{corner}"] = (index, family)
    return table
