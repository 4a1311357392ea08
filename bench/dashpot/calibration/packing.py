"""From files to an image and back to files, without loss: image -> TOML -> image gives the same bytes."""

from __future__ import annotations

import math
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any

from dashpot import resources
from dashpot.calibration import units
from dashpot.calibration.findings import Document, Finding, MistakesError, refuse
from dashpot.calibration.image import Image
from dashpot.calibration.model import CORNERS, Calibration, Checks, mirrored, mirrors
from dashpot.calibration.scalars import (
    AT_ONCE,
    AXLES,
    CHECKS,
    COIL_GAIN_MAX,
    ENABLED,
    SCALARS,
    TABLES,
    TRACKERS,
    CoilWords,
    TimeConstant,
    Times1024,
    beta_q10,
)
from dashpot.calibration.schema import touches, validate
from dashpot.calibration.units import Family, decimal_text, half_up, shortest
from dashpot.errors import InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from dashpot.calibration.vehicle import Vehicle
    from dashpot.layout import Layout

_ONE_GRIP_PERMILLE = 1000


def value_at(model: object, key: str) -> Any:
    """Follow a dotted key through a calibration."""
    here: Any = model
    for part in key.split("."):
        here = getattr(here, part)
    return here


def load_calibration(path: Path) -> Calibration:
    """Read a calibration file.

    Raises:
        InputError: with every mistake.

    """
    calibration, findings, _ = read_calibration(Document.read(path))
    refuse(findings)
    assert calibration is not None
    return calibration


def parse_calibration(text: str, name: str = "calibration.toml") -> Calibration:
    """Read a calibration from a text; `name` stands for the file in messages.

    Raises:
        InputError: with every mistake.

    """
    calibration, findings, _ = read_calibration(Document(name, None, text))
    refuse(findings)
    assert calibration is not None
    return calibration


def read_calibration(document: Document) -> tuple[Calibration | None, list[Finding], set[str]]:
    """Read a calibration document as far as its mistakes allow.

    Returns:
        The calibration, with the demo's values in place of wrong ones, None where nothing can be said; all mistakes
        and doubts that the file alone shows; the keys whose values are the demo's.

    """
    calibration, findings, filled = validate(Calibration, document, _demo)
    if calibration is None:
        return None, findings, filled
    calibration.attach(document)
    more = [finding for finding in numbers(calibration) if not touches(finding, filled)]
    return calibration, findings + more, filled


@cache
def _demo() -> dict[str, Any]:
    path = resources.demo_dir() / "data" / "calibration.toml"
    return Document.read(path).data if path.is_file() else {}


def numbers(calibration: Calibration) -> list[Finding]:
    """What the period makes of each number: mistakes and doubts."""
    found = []
    document = calibration.document
    period = calibration.period_us
    codecs = [(scalar.key, scalar.codec) for scalar in SCALARS] + [
        (check.key, check.codec) for check in CHECKS
    ]
    # The response is kept as a time, and becomes a share of the difference beside it.
    for key, codec in [*codecs, ("current_control.response", TimeConstant())]:
        problem = codec.problem(value_at(calibration, key), period)
        if problem:
            severity, message = problem
            make = document.error if severity == "error" else document.warning
            found.append(make(key, message, ["timing.period"]))
    found += _unequal(calibration)
    found += _too_fast(calibration)
    if half_up(calibration.fail_safe.command_expiry) <= period:
        found.append(
            document.error(
                "fail_safe.command_expiry",
                f"is not above the tick period, {units.shown(period, units.TIME)}: every command would have expired",
                ["timing.period"],
            )
        )
    return found


def _unequal(calibration: Calibration) -> Iterator[Finding]:
    """The guard must let both safe currents of an axle through."""
    for axle in AXLES:
        left, right = (
            half_up(value_at(calibration, f"valves.{axle}_{side}.safe")) for side in ("left", "right")
        )
        spread = half_up(getattr(calibration.fail_safe.axle_spread, axle))
        if abs(left - right) > spread:
            yield calibration.document.error(
                f"fail_safe.axle_spread.{axle}",
                f"{spread} mA is less than the safe currents differ by, {left} mA left and {right} mA right",
                [f"valves.{axle}_{side}.safe" for side in ("left", "right")],
            )


def _too_fast(calibration: Calibration) -> Iterator[Finding]:
    """The gain of the current's control has a bound."""
    for corner in CORNERS:
        words = coil_words(calibration, corner)
        if words.gain > 1024 * COIL_GAIN_MAX:
            valve = value_at(calibration, f"valves.{corner}")
            own_ms = float(valve.inductance / valve.resistance)
            yield calibration.document.error(
                "current_control.response",
                f"is too fast for the coil of {corner}, whose own time constant is {own_ms:.4g} ms: the gain would be "
                f"{words.gain / 1024:.3g} times the resistance, {COIL_GAIN_MAX} is the most",
                ["timing.period", f"valves.{corner}.resistance", f"valves.{corner}.inductance"],
            )
            return


def coil_words(calibration: Calibration, corner: str) -> CoilWords:
    """What the control of a corner's current counts with."""
    valve = value_at(calibration, f"valves.{corner}")
    response = half_up(calibration.current_control.response)
    return CoilWords.of(calibration.period_us, half_up(valve.resistance), half_up(valve.inductance), response)


def pack(vehicle: Vehicle | None, calibration: Calibration, layout: Layout) -> Image:
    """Make the image of a car and a calibration.

    Args:
        vehicle: the mapped bus; None for an image without any message, for showing and comparing.
        calibration: the numbers.
        layout: the declaration of the firmware that is to load it.

    Returns:
        The image; the same input gives the same bytes.

    Raises:
        InputError: a number does not fit at this period.

    """
    problems = [finding for finding in numbers(calibration) if finding.severity == "error"]
    if problems:
        raise MistakesError(problems)
    words = [0] * layout.config_words
    _pack_scalars(words, calibration, layout)
    if vehicle is not None:
        _pack_vehicle(words, vehicle, layout)
    else:
        words[layout.config["messages_at"].at] = len(words)
        words[layout.config["signals_at"].at] = len(words)
        words[layout.config["data_ids_at"].at] = len(words)
    _pack_tables(words, calibration, layout)
    _keep_bounds(words, calibration, layout)
    return Image(layout, tuple(words), _names(vehicle, calibration))


def _keep_bounds(words: list[int], calibration: Calibration, layout: Layout) -> None:
    """Refuse what a firmware with narrower bounds than this bench's own would refuse."""
    keys = {layout.config[scalar.word].at + scalar.index: scalar.key for scalar in SCALARS}
    keys |= {place: check.key for check in CHECKS for place in check.places(layout)}
    keys[layout.config["grip_low_sq"].at] = "layers.grip.wet_below"
    keys[layout.config["grip_high_sq"].at] = "layers.grip.dry_above"
    beyond = [
        calibration.document.error(
            keys.get(at, ""), f"makes {name} {words[at]}; this firmware takes {word.least} to {word.most}"
        )
        for name, word in layout.config.items()
        for at in range(word.at, word.at + word.count)
        if word.least is not None and word.most is not None and not word.least <= words[at] <= word.most
    ]
    refuse(beyond)


def _pack_scalars(words: list[int], calibration: Calibration, layout: Layout) -> None:
    period = calibration.period_us
    for scalar in SCALARS:
        at = layout.config[scalar.word].at + scalar.index
        words[at] = scalar.codec.word(value_at(calibration, scalar.key), period)
    for check in CHECKS:
        word = check.codec.word(value_at(calibration, check.key), period)
        for at in check.places(layout):
            words[at] = word
    trip = layout.rows["check_row"].index("trip_ticks")
    for i, detector in enumerate(layout.checks):
        if detector.name in AT_ONCE:
            words[layout.config["check_rows"].at + i * layout.sizes["check_row"] + trip] = 1
    for i, corner in enumerate(CORNERS):
        coil = coil_words(calibration, corner)
        words[layout.config["coil_zero_q10"].at + i] = coil.zero
        words[layout.config["coil_gain_q10"].at + i] = coil.gain
        words[layout.config["coil_share_q10"].at + i] = coil.share
    words[layout.config["current_control"].at] = int(calibration.current_control.enabled)
    grip = calibration.layers.grip
    reference = half_up(grip.dry_reference)
    words[layout.config["grip_low_sq"].at] = _square(grip.wet_below, reference)
    words[layout.config["grip_high_sq"].at] = _square(grip.dry_above, reference)
    on = layout.config["layer_on"].at
    for i, name in enumerate(layout.layers):
        words[on + i] = int(value_at(calibration, f"layers.{name}.enabled")) if name in ENABLED else 1
    at = layout.config["tracker_rows"].at
    for index, name in tracked(layout):
        key, rate_mul, limit = TRACKERS[name]
        tracker = value_at(calibration, key)
        alpha = Times1024().word(tracker.alpha, period)
        beta = beta_q10(alpha) if tracker.beta is None else Times1024().word(tracker.beta, period)
        row = {
            "channel": index,
            "alpha_q10": alpha,
            "beta_q10": beta,
            "rate_mul": rate_mul,
            "velocity_limit": limit,
        }
        for field in layout.rows["tracker_row"]:
            words[at] = row[field]
            at += 1


def tracked(layout: Layout) -> list[tuple[int, str]]:
    """Index and layout name, without corner, of the channels that have a tracker, in the order of the rows."""
    bases = [(index, channel.name.partition(".")[0]) for index, channel in enumerate(layout.channels)]
    return [(index, base) for name in TRACKERS for index, base in bases if base == name]


def _square(share: Fraction, reference_mg: int) -> int:
    return half_up((share / _ONE_GRIP_PERMILLE * reference_mg) ** 2)


def _pack_vehicle(words: list[int], vehicle: Vehicle, layout: Layout) -> None:
    at = layout.config["channel_rows"].at
    size = layout.sizes["channel_row"]
    for channel in vehicle.channels:
        row = {
            "configured": 1, "timeout_us": channel.timeout_us, "heal_good": channel.heal_good,
            "default": channel.default, "required": int(channel.required), "rate_100ms": channel.rate_100ms,
            "rate_floor_us": channel.rate_floor_us, "still_us": channel.still_us,
            "substitute": channel.substitute,
        }  # fmt: skip
        place = at + channel.index * size
        words[place : place + size] = [row[field] for field in layout.rows["channel_row"]]
    message_rows: list[dict[str, int]] = []
    signal_rows: list[dict[str, int]] = []
    profile_ids: list[int] = []
    sources = []
    for made in vehicle.messages:
        own = [channel for channel in vehicle.channels if channel.source.message.name == made.message.name]
        rows = [row for channel in own for row in channel.rows]
        message_rows.append(made.row | {"first_signal": len(signal_rows), "signal_count": len(rows)})
        signal_rows += rows
        sources.append((message_rows[-1], made.data_ids))
    messages_at = len(words)
    signals_at = messages_at + len(message_rows) * layout.sizes["message"]
    ids_at = signals_at + len(signal_rows) * layout.sizes["signal"]
    for row, data_ids in sources:
        if data_ids:
            row["data_ids"] = ids_at + len(profile_ids)
            profile_ids += data_ids
    words[layout.config["messages_at"].at] = messages_at
    words[layout.config["messages_count"].at] = len(message_rows)
    words[layout.config["signals_at"].at] = signals_at
    words[layout.config["signals_count"].at] = len(signal_rows)
    words[layout.config["data_ids_at"].at] = ids_at
    for row in message_rows:
        words += [row[field] for field in layout.rows["message"]]
    for row in signal_rows:
        words += [row[field] for field in layout.rows["signal"]]
    words += profile_ids


def _pack_tables(words: list[int], calibration: Calibration, layout: Layout) -> None:
    for table in TABLES:
        curve = value_at(calibration, table.key)
        words[layout.config[table.word].at + table.index] = len(words)
        words += [len(curve.x), *curve.x, *curve.y]
    body = calibration.layers.body_load.map
    words[layout.config["body_load_table"].at] = len(words)
    words += [len(body.lateral), len(body.longitudinal), *body.lateral, *body.longitudinal]
    for cells in body.maps:
        words += cells


def _names(vehicle: Vehicle | None, calibration: Calibration) -> dict[str, Any]:
    names: dict[str, Any] = {
        "calibration": {
            "name": calibration.name,
            "notes": calibration.notes,
            "dry_reference_mg": half_up(calibration.layers.grip.dry_reference),
        },
    }
    if vehicle is not None:
        names["vehicle"] = vehicle.canonical
        names["sources"] = {
            channel.name: {
                "signal": f"{channel.source.message.name}.{channel.source.signal.name}",
                "layout": channel.source.signal.layout,
                "id": f"{channel.source.message.frame_id:X}{'x' if channel.source.message.extended else ''}",
                "unit": channel.unit,
                "scale": decimal_text(channel.source.signal.scale),
                "offset": decimal_text(channel.source.signal.offset),
                "error": f"{float(channel.scaling.error):.2g}",
            }
            for channel in vehicle.channels
        }
    return names


def unpack(image: Image) -> tuple[str, str]:
    """Give the files that pack to this very image.

    Returns:
        The texts of vehicle.toml and calibration.toml. The vehicle names its DBC files with their SHA-256; put them
        beside it, or name them, to pack again.

    Raises:
        InputError: the image carries no vehicle, or holds words that no calibration gives.

    """
    vehicle = image.names.get("vehicle")
    if not isinstance(vehicle, dict):
        raise InputError("the image carries no vehicle; it was not packed by `dashpot calibration pack`")
    return vehicle_text(vehicle), calibration_text(image)


def vehicle_text(document: dict[str, Any]) -> str:
    """Write a vehicle's canonical document as TOML."""
    lines = [f"{name} = {_toml(document[name])}" for name in ("name", "notes", "bitrate") if name in document]
    lines.append(f"dbc = [\n{''.join(f'    {_toml(entry)},{chr(10)}' for entry in document['dbc'])}]")
    for name, table in document["messages"].items():
        lines += ["", f"[messages.{_key(name)}]", *_fields_text(table)]
    for name, table in document["channels"].items():
        tables = {f"{name}.{corner}": table[corner] for corner in CORNERS if corner in table} or {name: table}
        for path, fields in tables.items():
            lines += ["", f"[channels.{path}]", *_fields_text(fields)]
    return "\n".join(lines) + "\n"


# Keys as the docs list them; an image's names are sorted by the alphabet.
_FIELDS = (
    "period", "counter", "crc", "kind", "signal", "byte", "data_id", "data_ids", "unit", "sign_bit", "sign", "zero", "invalid",
    "range", "timeout", "heal_good", "rate", "still", "without", "max_delta", "file", "sha256",
)  # fmt: skip


def _fields_text(table: dict[str, Any]) -> list[str]:
    return [f"{key} = {_toml(table[key])}" for key in sorted(table, key=_FIELDS.index)]


def _key(name: str) -> str:
    plain = name.replace("_", "").replace("-", "")
    return name if plain.isalnum() and plain.isascii() else _toml(name)


def _toml(value: object) -> str:
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(c if c >= " " and c != "\x7f" else f"\\u{ord(c):04x}" for c in escaped) + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(_fields_text(value)) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(item) for item in value) + "]"
    return str(value)


def series_text(words: tuple[int, ...], family: Family) -> str:
    """Write a series with its unit."""
    at = ", ".join(units.number(word, family) for word in words)
    unit = f'unit = "{family.shown}", ' if family.shown else ""
    return f"{{ {unit}at = [{at}] }}"


def scalar_texts(image: Image) -> dict[str, str]:
    """Give every single value of an image by key, as TOML; flags and filters among them.

    Raises:
        InputError: a word has no value that makes it.

    """
    period = image.word("period_us")
    texts: dict[str, str] = {}
    for scalar in SCALARS:
        try:
            texts[scalar.key] = scalar.codec.text(image.word(scalar.word, scalar.index), period)
        except ValueError as error:
            raise InputError(f"{scalar.word} holds a number that no calibration gives: {error}") from None
    for check in CHECKS:
        texts[check.key] = check.codec.text(image.words[check.places(image.layout)[0]], period)
    texts["current_control.enabled"] = "true" if image.word("current_control") else "false"
    for i, name in enumerate(image.layout.layers):
        if name in ENABLED:
            texts[f"layers.{name}.enabled"] = "true" if image.word("layer_on", i) else "false"
    alphas = {}
    for row in image.rows("tracker_row"):
        base = image.layout.channels[row["channel"]].name.partition(".")[0]
        if base in TRACKERS:
            alphas[TRACKERS[base][0]] = (row["alpha_q10"], row["beta_q10"])
    for key, (alpha, beta) in alphas.items():
        texts[f"{key}.alpha"] = Times1024().text(alpha, period)
        if beta != beta_q10(alpha):
            texts[f"{key}.beta"] = Times1024().text(beta, period)
    reference = _reference_mg(image)
    texts["layers.grip.dry_reference"] = f'"{units.shown(reference, units.ACCELERATION)}"'
    for key, word in (("wet_below", "grip_low_sq"), ("dry_above", "grip_high_sq")):
        texts[f"layers.grip.{key}"] = _share_text(image.word(word), reference)
    return texts


def _reference_mg(image: Image) -> int:
    about = image.names.get("calibration")
    reference = about.get("dry_reference_mg") if isinstance(about, dict) else None
    return reference if isinstance(reference, int) and 1 <= reference <= 16_000 else _ONE_GRIP_PERMILLE


def _share_text(square: int, reference_mg: int) -> str:
    # The root to twelve decimals, by whole numbers.
    root = Fraction(math.isqrt(max(0, square) * 10**24), 10**12)
    share = shortest(root * _ONE_GRIP_PERMILLE / reference_mg, lambda x: _square(x, reference_mg) == square)
    return f'"{decimal_text(share)} permille"'


def calibration_text(image: Image) -> str:
    """Write the calibration of an image as TOML, with the values that make the very same words.

    Raises:
        InputError: it holds words that no calibration gives.

    """
    about = image.names.get("calibration")
    about = about if isinstance(about, dict) else {}
    tree: dict[str, Any] = {
        "name": _toml(str(about.get("name", ""))),
        "notes": _toml(str(about.get("notes", ""))),
        "timing": {},
        "filters": {},
        "layers": {layer: {} for layer in image.layout.layers if layer == "base" or layer in ENABLED},
        "limits": {},
        "valves": {},
        "fail_safe": {},
        "checks": {name: {} for name in Checks.model_fields},
    }

    def put(key: str, text: str) -> None:
        here = tree
        *way, last = key.split(".")
        for part in way:
            here = here.setdefault(part, {})
        here[last] = text

    texts = scalar_texts(image)
    for key, text in sorted(texts.items(), key=lambda item: _order(item[0])):
        put(key, text)
    for table in TABLES:
        xs, ys = image.curve(table.word, table.index)
        put(f"{table.key}.{table.x_name}", series_text(xs, table.x))
        put(f"{table.key}.{table.y_name}", series_text(ys, table.y))
    xs, ys, maps = image.body_load()
    put("layers.body_load.map.lateral", series_text(xs, units.ACCELERATION))
    put("layers.body_load.map.longitudinal", series_text(ys, units.ACCELERATION))
    put("layers.body_load.map.unit", '"permille"')
    for i, corner in enumerate(CORNERS):
        turned = i % 2 == 1 and mirrors(xs) and maps[i] == mirrored(maps[i - 1], len(xs))
        put(f"layers.body_load.map.{corner}", '"mirror"' if turned else _map_text(maps[i], len(ys)))
    text = "\n".join(_tables_text("", tree)).strip() + "\n"
    _prove(text, image)
    return text


def _order(key: str) -> tuple[int, bool]:
    """Sections as in the docs; `enabled` before the rest of its table. Sorting is stable: the rest keeps its order."""
    head = (
        "timing",
        "filters",
        "layers",
        "limits",
        "valves",
        "fail_safe",
        "checks",
        "board",
        "current_control",
        "coils",
        "report",
    ).index(key.partition(".")[0])
    return head, not key.endswith(".enabled")


def _map_text(cells: tuple[int, ...], columns: int) -> str:
    rows = [cells[i : i + columns] for i in range(0, len(cells), columns)]
    return "[\n" + "".join(f"    [{', '.join(f'{cell:4d}' for cell in row)}],\n" for row in rows) + "]"


def _tables_text(path: str, table: dict[str, Any]) -> list[str]:
    """Write a table: its own values, then the tables below it; bands of trims stay inline."""
    lines: list[str] = []
    below: list[tuple[str, dict[str, Any]]] = []
    for key, value in table.items():
        if not isinstance(value, dict):
            lines.append(f"{key} = {value}")
        elif _is_inline(value):
            lines.append(f"{key} = {{ {', '.join(f'{name} = {text}' for name, text in value.items())} }}")
        else:
            below.append((f"{path}.{key}" if path else key, value))
    if lines and path:
        lines.insert(0, f"\n[{path}]")
    for name, value in below:
        lines += _tables_text(name, value)
    return lines


def _is_inline(table: dict[str, Any]) -> bool:
    if any(isinstance(value, dict) for value in table.values()):
        return False
    few = ({"low", "medium", "high"}, {"start", "stop", "peak"}, {"front", "rear"})
    return set(table) in few or "trip" in table or "late_ticks" in table


def _prove(text: str, image: Image) -> None:
    """Pack the text again and compare all words but those of the vehicle."""
    again = pack(None, parse_calibration(text, "unpacked calibration"), image.layout)
    for scalar in SCALARS:
        if again.word(scalar.word, scalar.index) != image.word(scalar.word, scalar.index):
            raise InputError(f"{scalar.word} holds a number that no calibration gives")
    same = (
        again.rows("tracker_row") == image.rows("tracker_row")
        and again.rows("check_row") == image.rows("check_row")
        and all(
            again.word(word) == image.word(word)
            for word in ("grip_low_sq", "grip_high_sq", "current_control")
        )
        and all(
            again.word(word, i) == image.word(word, i)
            for word in ("coil_zero_q10", "coil_gain_q10", "coil_share_q10")
            for i in range(len(CORNERS))
        )
        and again.body_load() == image.body_load()
        and all(again.curve(t.word, t.index) == image.curve(t.word, t.index) for t in TABLES)
        and all(
            again.word("layer_on", i) == image.word("layer_on", i) for i in range(len(image.layout.layers))
        )
    )
    if not same:
        raise InputError(
            "the image holds numbers that no calibration gives; it was not packed by `dashpot calibration`"
        )
