"""From a vehicle file and its DBC files to the rows of an image, with everything that is wrong on the way."""

from __future__ import annotations

import functools
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from dashpot import resources
from dashpot.calibration import dbc as dbcfile
from dashpot.calibration import units
from dashpot.calibration.decode import Gather, Source, multiplexer, signal_rows, within_byte
from dashpot.calibration.findings import Document, Finding, nearest, refuse
from dashpot.calibration.schema import touches, validate
from dashpot.calibration.units import Family, half_up, parse, shown
from dashpot.calibration.vehicle import (
    SUBSTITUTES,
    TIMEOUT_MAX_US,
    ChannelKey,
    ChannelSource,
    CornerKeys,
    CrcKey,
    MessageKey,
    MessageSource,
    Vehicle,
    VehicleFile,
    channel_names,
)
from dashpot.errors import InputError
from dashpot.layout import Layout

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

DEFAULT_TIMEOUT_PERIODS = 3
_NIBBLE = 4
# What fills a broken key of the whole file, so that the others are checked too.
_STAND_IN: dict[str, Any] = {"name": "car", "bitrate": "500 kbit/s", "dbc": ["?"], "channels": {}}

# End-to-end profiles: AUTOSAR's E2E protocol specification [S]; the CRCs: AUTOSAR's CRC library specification [S].
_CRC_TABLES = {"j1850": 0, "h2f": 256, "e2e_p1": 0, "e2e_p2": 256}
_CRC_ENDS = {"j1850": 0xFF, "h2f": 0xFF, "e2e_p1": 0, "e2e_p2": 0xFF}
_COUNTER_MODULO = {"e2e_p1": 15, "e2e_p2": 16}


def load_vehicle(
    path: Path, dbc_override: Sequence[Path] | Path | None = None, layout: Layout | None = None
) -> Vehicle:
    """Read a vehicle file and the DBC files it names.

    Args:
        path: vehicle.toml.
        dbc_override: read these DBC files in place of those it names.
        layout: the firmware's declaration; that of the installed firmware by default.

    Raises:
        InputError: with every mistake.

    """
    vehicle, findings = read_vehicle(Document.read(path), dbc_override, layout)
    refuse(findings)
    assert vehicle is not None
    return vehicle


def read_vehicle(
    document: Document, dbc_override: Sequence[Path] | Path | None = None, layout: Layout | None = None
) -> tuple[Vehicle | None, list[Finding]]:
    """Read a vehicle document as far as its mistakes allow.

    Returns:
        The vehicle without what is broken in it, None where nothing can be said; all mistakes and doubts.

    Raises:
        InputError: an override cannot be read.

    """
    file, findings, dropped = validate(VehicleFile, document, lambda: _STAND_IN)
    if file is None:
        return None, findings
    build = _Build(document, file, layout or Layout.load(resources.firmware_dir()), dropped)
    build.load_dbcs(dbc_override)
    vehicle = build.vehicle()
    return vehicle, [*findings, *(finding for finding in build.findings if not touches(finding, dropped))]


T = TypeVar("T")


class _UnreadError(ValueError):
    """Something is not there, but it may be in a DBC that could not be read: no finding of its own."""


@dataclass
class _Build:
    document: Document
    file: VehicleFile
    layout: Layout
    dropped: set[str]
    findings: list[Finding] = field(default_factory=list)
    dbcs: list[dbcfile.Dbc] = field(default_factory=list)
    dbcs_whole: bool = True

    def error(self, key: str, message: str) -> None:
        self.findings.append(self.document.error(key, message))

    def attempt(self, key: str, what: Callable[[], T]) -> T | None:
        """Call, and make a ValueError a mistake of the key."""
        try:
            return what()
        except _UnreadError:
            return None
        except ValueError as error:
            self.error(key, str(error))
            return None

    def load_dbcs(self, override: Sequence[Path] | Path | None) -> None:
        if override is not None:
            paths = [override] if isinstance(override, Path) else list(override)
            self.dbcs = [dbcfile.load(path) for path in paths]
            self._dbc_doubts()
            wanted = {entry.sha256 for entry in self.file.dbc if entry.sha256}
            given = {dbc.sha256 for dbc in self.dbcs}
            if wanted and not wanted <= given:
                self.error("dbc", self._other_hash(min(wanted - given), ", ".join(d.file for d in self.dbcs)))
            return
        for entry in self.file.dbc:
            try:
                dbc = dbcfile.load(self._find(entry.file))
            except InputError as error:
                self.error("dbc", f"{entry.file}: {error.message}")
                self.dbcs_whole = False
                continue
            if entry.sha256 and entry.sha256 != dbc.sha256:
                self.error("dbc", self._other_hash(entry.sha256, entry.file))
            self.dbcs.append(dbc)
        self._dbc_doubts()

    def _dbc_doubts(self) -> None:
        self.findings += [self.document.warning("dbc", dbc.doubt) for dbc in self.dbcs if dbc.doubt]

    @staticmethod
    def _other_hash(wanted: str, name: str) -> str:
        return f"{name} is not the file that was packed: SHA-256 {wanted[:16]}... is wanted; find it, or remove sha256"

    def _find(self, name: str) -> Path:
        """A DBC lies beside the vehicle file, or is one of those that dashpot brings."""
        if self.document.path is not None:
            beside = self.document.path.parent / name
            if beside.is_file():
                return beside
        if "/" not in name and "\\" not in name and (resources.dbc_dir() / name).is_file():
            return resources.dbc_dir() / name
        raise InputError("no such file beside the vehicle file")

    def message(self, name: str) -> dbcfile.Message:
        """Find a message by name.

        Raises:
            ValueError: with a message for the user.

        """
        found = [message for dbc in self.dbcs for message in dbc.messages if message.name == name]
        if len(found) > 1:
            files = " and ".join(message.file for message in found)
            raise ValueError(f"message {name!r} is in {files}; name the one DBC that the car uses")
        if not found:
            if not self.dbcs_whole:
                raise _UnreadError
            known = [message.name for dbc in self.dbcs for message in dbc.messages]
            raise ValueError(f"no message {name!r} in {self._dbc_names()}; {nearest(name, known)}")
        return found[0]

    def _dbc_names(self) -> str:
        return ", ".join(dbc.file for dbc in self.dbcs) or "the DBC"

    def signal(self, name: str) -> tuple[dbcfile.Message, dbcfile.Signal]:
        """Find a signal by "Message.Signal".

        Raises:
            ValueError: with a message for the user.

        """
        message_name, dot, signal_name = name.partition(".")
        if not dot:
            owners = [m.name for dbc in self.dbcs for m in dbc.messages if name in m.signals]
            hint = (
                f"; did you mean {' or '.join(f'{owner}.{name}' for owner in owners[:3])}?" if owners else ""
            )
            raise ValueError(f"{name!r} is not of the form Message.Signal{hint}")
        message = self.message(message_name)
        return message, self.signal_in(message, signal_name)

    @staticmethod
    def signal_in(message: dbcfile.Message, name: str) -> dbcfile.Signal:
        """Find a signal of a message; its name may be given with the message's before it.

        Raises:
            ValueError: with a message for the user.

        """
        short = name.removeprefix(f"{message.name}.")
        if short not in message.signals:
            raise ValueError(
                f"no signal {short!r} in message {message.name}; {nearest(short, message.signals)}"
            )
        return message.signals[short]

    def vehicle(self) -> Vehicle:
        """Put all together."""
        names = channel_names(self.layout)
        keys = self._channel_keys()
        messages: dict[str, MessageSource] = {}
        channels: list[ChannelSource] = []
        broken = {
            name for name in names if touches(self.document.error(f"channels.{name}", ""), self.dropped)
        }
        used: dict[str, str] = {}
        for name in names:
            key = keys.get(name)
            if key is None:
                continue
            before = len(self.findings)
            channel = self._channel(name, key, names[name], used) if self.dbcs else None
            if channel is None or len(self.findings) > before:
                broken.add(name)
                continue
            channels.append(channel)
        for channel in channels:
            message = channel.source.message
            if message.name not in messages:
                signals = [c.source.signal for c in channels if c.source.message is message]
                made = self._message(message, signals)
                if made is not None:
                    messages[message.name] = made
        self._check_messages(messages)
        ordered = tuple(sorted(messages.values(), key=lambda made: made.message.key))
        doubts = tuple(finding for finding in self.findings if finding.severity == "warning")
        return Vehicle(
            name=self.file.name,
            bitrate=half_up(self.file.bitrate),
            channels=tuple(channels),
            messages=ordered,
            canonical=self._canonical(channels, ordered),
            document=self.document,
            doubts=doubts,
            broken=frozenset(broken),
        )

    def _channel_keys(self) -> dict[str, ChannelKey]:
        keys: dict[str, ChannelKey] = {}
        for name in type(self.file.channels).model_fields:
            value = getattr(self.file.channels, name)
            if isinstance(value, ChannelKey):
                keys[name] = value
            elif isinstance(value, CornerKeys):
                corners = {corner: getattr(value, corner) for corner in type(value).model_fields}
                keys |= {f"{name}.{corner}": key for corner, key in corners.items() if key is not None}
        return keys

    def _channel(
        self, name: str, key: ChannelKey, place: tuple[int, Family], used: dict[str, str]
    ) -> ChannelSource | None:
        at = f"channels.{name}"
        index, family = place
        found = self.attempt(f"{at}.signal", lambda: self.signal(key.signal))
        if found is None:
            return None
        message, signal = found
        if key.signal in used:
            self.error(
                f"{at}.signal",
                f"{key.signal} feeds channels.{used[key.signal]} already; each signal feeds one",
            )
        used.setdefault(key.signal, name)
        if message.length > 8 or message.length < 1:
            self.error(
                f"{at}.signal", f"message {message.name} has {message.length} bytes; 1 to 8 can be read"
            )
        unit, factor = self._unit(at, key, signal, family)
        if key.sign not in (1, -1):
            self.error(f"{at}.sign", f"is {key.sign}; right are 1 and -1")
        sign_signal = self._sign_bit(at, key, message, signal)
        zero = Fraction(0)
        if key.zero is not None:
            zero = self.attempt(f"{at}.zero", lambda: parse(key.zero, family)) or zero
        bounds = self._bounds(at, key, signal, family, index, (factor or Fraction(1), zero))
        timing = self._timing(at, key, message)
        default = self._default(at, key, family, name)
        if factor is None or bounds is None or timing is None or key.sign not in (1, -1):
            return None
        if not signal.scale:
            self.error(f"{at}.signal", f"signal {signal.name} has the scale 0 in the DBC")
            return None
        source = Source(
            message, signal, sign_signal, key.invalid,
            slope=key.sign * signal.scale * factor,
            shift=key.sign * (signal.offset * factor - zero),
            bounds=bounds,
        )  # fmt: skip
        made = self.attempt(f"{at}.signal", lambda: signal_rows(source, index))
        if made is None:
            return None
        rows, scale = made
        rate = self._rate(at, key, family, index)
        other = SUBSTITUTES.get(key.without) if isinstance(key.without, str) else None
        required = key.without == "safe" or other is not None
        document = _channel_document(source, key, family, timing)
        document["without"] = key.without if required else _value(default, family)
        return ChannelSource(
            name, index, family, source, rows, scale, unit, timing, key.heal_good, default, required,
            rate_100ms=rate,
            # Frames of one message may follow each other closer than its period; half of it is taken for granted.
            rate_floor_us=(self._period(message) or 0) // 2 if rate else 0,
            still_us=half_up(key.still) if key.still is not None else 0,
            substitute=self.layout.substitutes.index(other[0]) if other else 0,
            document=document,
        )  # fmt: skip

    def _unit(
        self, at: str, key: ChannelKey, signal: dbcfile.Signal, family: Family
    ) -> tuple[str, Fraction | None]:
        """The unit of the signal and the channel's units in one of it."""
        if family is units.POSITION:
            # Switches count positions, whatever the DBC calls them.
            if key.unit:
                self.error(f"{at}.unit", "a switch has no unit; remove the key")
            return "", Fraction(1)
        if key.unit is not None:
            factor = family.factor(key.unit)
            if factor is None:
                what = family.name.split(" ", 1)[1]
                self.error(f"{at}.unit", f"{key.unit!r} is not a unit of {what}; right are {family.known}")
            return key.unit, factor
        factor = family.factor(signal.unit)
        if factor is None:
            said = (
                f"has the unit {signal.unit!r}, which is none of" if signal.unit else "has no unit, and it is"
            )
            self.error(
                at, f"signal {signal.name} {said} {family.name} in the DBC; add unit = one of {family.known}"
            )
        return signal.unit, factor

    def _sign_bit(
        self, at: str, key: ChannelKey, message: dbcfile.Message, signal: dbcfile.Signal
    ) -> dbcfile.Signal | None:
        if key.sign_bit is None:
            return None
        name = key.sign_bit
        found: dbcfile.Signal | None = self.attempt(f"{at}.sign_bit", lambda: self.signal_in(message, name))
        if found is None:
            return None
        if found.length != 1 or found.mux_ids not in ((), signal.mux_ids):
            self.error(
                f"{at}.sign_bit",
                f"{found.name} has {found.length} bits; one bit, sent with the signal, is wanted",
            )
        if signal.signed or signal.offset:
            which = "is signed itself" if signal.signed else "has an offset"
            self.error(
                f"{at}.sign_bit",
                f"signal {signal.name} {which}; a sign bit goes with an unsigned one without offset",
            )
        return found

    def _bounds(
        self,
        at: str,
        key: ChannelKey,
        signal: dbcfile.Signal,
        family: Family,
        index: int,
        how: tuple[Fraction, Fraction],
    ) -> tuple[int, int] | None:
        """Least and greatest good value, channel units."""
        limit = self.layout.channels[index].limit
        factor, zero = how
        if key.range is not None:
            if len(key.range) != 2:
                self.error(
                    f"{at}.range",
                    f'has {len(key.range)} values; two are wanted, as in ["-2 {family.shown}", ...]',
                )
                return None
            given = key.range
            parsed = self.attempt(f"{at}.range", lambda: [parse(end, family) for end in given])
            if parsed is None:
                return None
            low, high = (half_up(end) for end in parsed)
            if low >= high:
                self.error(f"{at}.range", "the first value must be below the second")
                return None
            if low < -limit or high > limit:
                most = shown(limit, family)
                self.error(f"{at}.range", f"is wider than this channel can hold, -{most} to {most}")
                return None
            return low, high
        if signal.minimum is None or signal.maximum is None or signal.minimum >= signal.maximum:
            self.error(
                at,
                f"range is missing, and the DBC gives none for {signal.name}; add range = [least, greatest]",
            )
            return None
        ends = [key.sign * (end * factor - zero) for end in (signal.minimum, signal.maximum)]
        if key.sign_bit is not None:
            top = max(abs(end) for end in ends)
            ends = [-top, top]
        low, high = sorted(half_up(end) for end in ends)
        return max(-limit, low), min(limit, high)

    def _timing(self, at: str, key: ChannelKey, message: dbcfile.Message) -> int | None:
        """Timeout, us."""
        period = self._period(message)
        if period is None:
            self.error(
                at,
                f"message {message.name} has no cycle time in the DBC; add [messages.{message.name}] with a period",
            )
            return None
        if key.timeout is None:
            timeout = DEFAULT_TIMEOUT_PERIODS * period
            if timeout > TIMEOUT_MAX_US:
                self.error(at, f"three periods of {message.name} are above the most, 120 s; add timeout")
                return None
            return timeout
        timeout = half_up(key.timeout)
        if timeout < period:
            self.error(
                f"{at}.timeout",
                f"{shown(timeout, units.TIME)} is shorter than the message's period of {shown(period, units.TIME)}; "
                f"{shown(3 * period, units.TIME)} is usual",
            )
            return None
        return timeout

    def _period(self, message: dbcfile.Message) -> int | None:
        key = self.file.messages.get(message.name)
        if key is not None and key.period is not None:
            return half_up(key.period)
        return message.cycle_us

    def _default(self, at: str, key: ChannelKey, family: Family, name: str) -> int:
        if key.without == "safe":
            return 0
        if isinstance(key.without, str) and key.without in SUBSTITUTES:
            self._substitute(at, name, key.without)
            return 0
        value = self.attempt(f"{at}.without", lambda: _without(key.without, family, name))
        if value is None:
            return 0
        word = half_up(value)
        limit = self.layout.channels[channel_names(self.layout)[name][0]].limit
        if abs(word) > limit:
            self.error(f"{at}.without", f"is beyond what this channel can hold, {shown(limit, family)}")
        return word

    def _substitute(self, at: str, name: str, text: str) -> None:
        _, channel, sources = SUBSTITUTES[text]
        if name != channel:
            self.error(f"{at}.without", f'"{text}" stands in for channels.{channel} only')
            return
        missing = [source for source in sources if source not in self._channel_keys()]
        if missing:
            self.error(
                f"{at}.without",
                f'"{text}" needs channels.{missing[0]}, which is not mapped; map it, or write "safe"',
            )

    def _rate(self, at: str, key: ChannelKey, family: Family, index: int) -> int:
        """Most change in 100 ms, channel units; 0 for no limit."""
        if key.rate is None:
            return 0
        per_second = self.attempt(f"{at}.rate", lambda: parse(key.rate, family))
        if per_second is None:
            return 0
        word = half_up(per_second / 10)
        most = 2 * self.layout.channels[index].limit
        if not 1 <= word <= most:
            self.error(
                f"{at}.rate",
                f"is {key.rate}; the most change in one second, from {shown(10, family)} to {shown(10 * most, family)}",
            )
            return 0
        return word

    def _message(self, message: dbcfile.Message, signals: list[dbcfile.Signal]) -> MessageSource | None:
        at = f"messages.{message.name}"
        key = self.file.messages.get(message.name) or MessageKey()
        before = len(self.findings)
        selector: Gather | None = self.attempt(at, lambda: multiplexer(message, signals))
        row = dict.fromkeys(self.layout.rows["message"], 0)
        row |= {"key": message.key, "length": message.length}
        document: dict[str, object] = {"period": shown(self._period(message) or 0, units.TIME)}
        if selector:
            row |= {
                "mux_count": selector.count, "mux_first": selector.first, "mux_step": selector.step,
                "mux_shift": selector.shift, "mux_mask": selector.mask,
            }  # fmt: skip
        data_ids = self._crc(at, key, message, row, document)
        self._counter(at, key, message, row, document)
        if len(self.findings) > before:
            return None
        return MessageSource(message, row, data_ids, document)

    def _counter(
        self,
        at: str,
        key: MessageKey,
        message: dbcfile.Message,
        row: dict[str, int],
        document: dict[str, object],
    ) -> None:
        kind = key.crc.kind if key.crc else "none"
        if key.counter is None:
            if kind in _COUNTER_MODULO:
                known = nearest("counter", message.signals)
                self.error(
                    f"{at}.counter", f'is missing, and crc kind "{kind}" checks one; name its signal; {known}'
                )
            return
        counter = key.counter
        found = self.attempt(f"{at}.counter", lambda: self.signal_in(message, counter.signal))
        if found is None:
            return
        signal = found
        place = self.attempt(f"{at}.counter", lambda: within_byte(signal, message.length, "counter"))
        if place is None:
            return
        if kind in _COUNTER_MODULO and found.length != _NIBBLE:
            self.error(
                f"{at}.counter", f'{found.name} has {found.length} bits; crc kind "{kind}" has a counter of 4'
            )
        modulo = _COUNTER_MODULO.get(kind, 1 << found.length)
        if counter.max_delta >= modulo:
            self.error(
                f"{at}.counter", f"max_delta {counter.max_delta} must be below the counter's {modulo} values"
            )
        row |= {
            "counter_modulo": modulo, "counter_byte": place.first, "counter_shift": place.shift,
            "counter_mask": place.mask, "counter_max_delta": counter.max_delta,
        }  # fmt: skip
        document["counter"] = {"signal": found.name, "max_delta": counter.max_delta}

    def _crc(
        self,
        at: str,
        key: MessageKey,
        message: dbcfile.Message,
        row: dict[str, int],
        document: dict[str, object],
    ) -> tuple[int, ...]:
        crc = key.crc
        if crc is None or crc.kind == "none":
            return ()
        at = f"{at}.crc"
        if crc.kind not in self.layout.crc_kinds or crc.kind not in _CRC_TABLES:
            self.error(at, f"unknown kind {crc.kind!r}; {nearest(crc.kind, self.layout.crc_kinds)}")
            return ()
        byte = self._crc_byte(at, crc, message)
        wanted = {"e2e_p1": "data_id", "e2e_p2": "data_ids"}.get(crc.kind)
        for name in ("data_id", "data_ids"):
            present = getattr(crc, name) is not None
            if present and name != wanted:
                self.error(at, f'{name} does not go with kind "{crc.kind}"')
            elif not present and name == wanted:
                self.error(at, f'{name} is missing; kind "{crc.kind}" has one')
        data_ids = tuple(crc.data_ids or ())
        if wanted == "data_ids" and crc.data_ids is not None and len(data_ids) != 16:
            self.error(at, f"data_ids has {len(data_ids)} ids; 16 are wanted, one a counter value")
        if byte is None:
            return ()
        row |= {
            "crc_kind": self.layout.crc_kinds.index(crc.kind),
            "crc_byte": byte,
            "crc_table": _CRC_TABLES[crc.kind],
            "crc_init": _CRC_ENDS[crc.kind],
            "crc_xor": _CRC_ENDS[crc.kind],
            "data_id": (crc.data_id or 0) if wanted == "data_id" else 0,
        }
        made: dict[str, object] = {"kind": crc.kind}
        made |= {"signal": crc.signal.removeprefix(f"{message.name}.")} if crc.signal else {"byte": byte}
        if wanted and getattr(crc, wanted) is not None:
            made[wanted] = getattr(crc, wanted)
        document["crc"] = made
        return data_ids if wanted == "data_ids" else ()

    def _crc_byte(self, at: str, crc: CrcKey, message: dbcfile.Message) -> int | None:
        if (crc.signal is None) == (crc.byte is None):
            self.error(at, "name the byte of the CRC, by signal or by byte, one of the two")
            return None
        if crc.byte is not None:
            if crc.byte >= message.length:
                self.error(
                    at, f"byte {crc.byte} lies outside the message's {message.length} bytes, counted from 0"
                )
                return None
            return crc.byte
        name = crc.signal or ""
        found: dbcfile.Signal | None = self.attempt(at, lambda: self.signal_in(message, name))
        if found is None:
            return None
        crc_signal = found
        place = self.attempt(at, lambda: within_byte(crc_signal, message.length, "CRC"))
        if place is None:
            return None
        if found.length != 8:
            self.error(at, f"{found.name} has {found.length} bits; a CRC of 8 bits is wanted")
            return None
        return place.first

    def _check_messages(self, used: Mapping[str, MessageSource]) -> None:
        """Mistakes in tables of messages, and doubts about those that nothing reads."""
        keys: dict[int, str] = {}
        for name, made in used.items():
            other = keys.setdefault(made.message.key, name)
            if other != name:
                self.error(
                    f"messages.{name}", f"has the same id as {other}; the controller reads one message an id"
                )
        reported = {finding.key for finding in self.findings}
        asked = {key.signal.partition(".")[0] for key in self._channel_keys().values()}
        for name in self.file.messages:
            if name in used or name in asked or not self.dbcs_whole:
                continue
            found = self.attempt(f"messages.{name}", functools.partial(self.message, name))
            if found is not None and not any(key.startswith(f"messages.{name}") for key in reported):
                self.findings.append(
                    self.document.warning(
                        f"messages.{name}", "no channel reads this message; the table has no effect"
                    )
                )

    def _canonical(
        self, channels: Sequence[ChannelSource], messages: Sequence[MessageSource]
    ) -> dict[str, object]:
        tables: dict[str, Any] = {}
        for channel in channels:
            name, dot, corner = channel.name.partition(".")
            if dot:
                tables.setdefault(name, {})[corner] = channel.document
            else:
                tables[name] = channel.document
        needed = {made.message.file for made in messages}
        return {
            "name": self.file.name,
            "notes": self.file.notes,
            "bitrate": shown(half_up(self.file.bitrate), units.BITRATE),
            "dbc": [{"file": dbc.file, "sha256": dbc.sha256} for dbc in self.dbcs if dbc.file in needed],
            "messages": {made.message.name: made.document for made in messages},
            "channels": tables,
        }


def _value(word: int, family: Family) -> str | int:
    return word if family is units.POSITION else shown(word, family)


def _without(value: str | int, family: Family, name: str) -> Fraction:
    try:
        return parse(value, family)
    except ValueError as error:
        others = "".join(f', or "{text}"' for text, (_, channel, _) in SUBSTITUTES.items() if channel == name)
        raise ValueError(f'{error}; or "safe" to go to the safe currents without it{others}') from None


def _channel_document(source: Source, key: ChannelKey, family: Family, timeout_us: int) -> dict[str, object]:
    """A channel's table in canonical form, but for what to do without it."""
    name = source.message.name
    document: dict[str, object] = {"signal": f"{name}.{source.signal.name}"}
    if key.unit is not None:
        document["unit"] = key.unit
    document["sign"] = key.sign
    if key.zero is not None:
        document["zero"] = key.zero
    if source.sign_signal is not None:
        document["sign_bit"] = f"{name}.{source.sign_signal.name}"
    if key.invalid is not None:
        document["invalid"] = key.invalid
    document["range"] = [_value(bound, family) for bound in source.bounds]
    document["timeout"] = shown(timeout_us, units.TIME)
    document["heal_good"] = key.heal_good
    if key.rate is not None:
        document["rate"] = key.rate
    if key.still is not None:
        document["still"] = shown(half_up(key.still), units.TIME)
    return document
