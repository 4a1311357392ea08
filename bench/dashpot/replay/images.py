"""The image that a replay runs with: where it comes from, and what it needs of a log."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from dashpot import console
from dashpot.errors import InputError
from dashpot.replay.imagecache import cache_for, dbc_places
from dashpot.targets.contract import EXTENDED_KEY

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from dashpot.calibration.image import Image
    from dashpot.layout import Layout

SHOWN_IDS = 12


@dataclass(frozen=True, slots=True)
class Needed:
    """A message that the image decodes.

    Attributes:
        key: identifier, EXTENDED_KEY set when it has 29 bits.
        name: the DBC's name, "" where the image does not carry it.
        channels: the controller's channels that its signals feed.

    """

    key: int
    name: str = ""
    channels: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"{id_text(self.key)} ({self.name})" if self.name else id_text(self.key)


@dataclass(frozen=True, slots=True)
class ReplayImage:
    """An image and what the bench reads from it.

    Attributes:
        data: the bytes that the firmware gets.
        period_us: tick period.
        messages: what it decodes.
        required: channels that the vehicle cannot do without.
        inputs: name and SHA-256 of each file that it was made of, by role.
        dbcs: the DBC files that it was made of.

    """

    data: bytes
    period_us: int
    messages: tuple[Needed, ...]
    required: tuple[str, ...]
    inputs: Mapping[str, Any] = field(default_factory=dict)
    dbcs: tuple[Path, ...] = ()


def id_text(key: int) -> str:
    """Return an identifier as logs write it: three hex digits, or eight when it has 29 bits."""
    return f"{key & ~EXTENDED_KEY:08X}" if key & EXTENDED_KEY else f"{key:03X}"


def load_image(path: Path, layout: Layout) -> ReplayImage:
    """Read a packed image from a file.

    Raises:
        InputError: it cannot be read, is damaged or was packed for another firmware.

    """
    from dashpot.calibration import read_image

    return _describe(read_image(path, layout), {})


def pack_image(
    vehicle: Path, calibration: Path, layout: Layout, period_us: int | None = None, dbc: Sequence[Path] = ()
) -> ReplayImage:
    """Pack the image of a car and a calibration.

    Args:
        vehicle: vehicle.toml.
        calibration: calibration.toml.
        layout: the declaration of the firmware that is to load it.
        period_us: tick period instead of the calibration's, a multiple of 10.
        dbc: DBC files to read in place of those that the vehicle file names.

    Raises:
        InputError: with every mistake in the files.

    """
    if period_us is not None and period_us % 10:
        raise InputError(f"{period_us} is not a multiple of 10 us", where="--period-us")
    cache = cache_for(vehicle, calibration, layout.version, period_us, dbc)
    kept = cache.read() if cache is not None else None
    if kept is None:
        image, doubts = _pack(vehicle, calibration, layout, period_us, dbc)
        if cache is not None:
            cache.write(_fold(image, doubts))
    else:
        image, doubts = _unfold(kept)
    places = dbc or dbc_places(vehicle)
    image = replace(image, dbcs=tuple(path for path in places if path.is_file()))
    if doubts:
        console.warn(
            f"{len(doubts)} doubts about {vehicle.name} and {calibration.name}, the first: {doubts[0]}; "
            "`dashpot calibration check` shows all"
        )
    return image


def _pack(
    vehicle: Path, calibration: Path, layout: Layout, period_us: int | None, dbc: Sequence[Path]
) -> tuple[ReplayImage, list[str]]:
    """Pack as `pack_image` does; also return the packer's doubts."""
    from dashpot.calibration import check, load_pair, pack
    from dashpot.calibration.findings import refuse
    from dashpot.files import sha256_file

    car, numbers, doubts = load_pair(vehicle, calibration, dbc, layout)
    if period_us is not None:
        timing = numbers.timing.model_copy(update={"period": Fraction(period_us)})
        numbers = numbers.model_copy(update={"timing": timing})
        refuse(check(car, numbers))
    image = pack(car, numbers, layout)
    used = image.names["vehicle"]["dbc"]
    inputs = {
        "vehicle": {"name": vehicle.name, "sha256": sha256_file(vehicle)},
        "calibration": {"name": calibration.name, "sha256": sha256_file(calibration)},
        "dbc": [{"name": entry["file"], "sha256": entry["sha256"]} for entry in used],
    }
    return _describe(image, inputs), [doubt.message for doubt in doubts]


def _fold(image: ReplayImage, doubts: list[str]) -> dict[str, Any]:
    """Return an image as the cache keeps it."""
    return {
        "data": image.data,
        "period_us": image.period_us,
        "messages": [[message.key, message.name, message.channels] for message in image.messages],
        "required": image.required,
        "inputs": image.inputs,
        "doubts": doubts,
    }


def _unfold(kept: Mapping[str, Any]) -> tuple[ReplayImage, list[str]]:
    """Return the image and the doubts that `_fold` was given."""
    image = ReplayImage(
        data=kept["data"],
        period_us=kept["period_us"],
        messages=tuple(Needed(key, name, tuple(channels)) for key, name, channels in kept["messages"]),
        required=tuple(kept["required"]),
        inputs=kept["inputs"],
    )
    return image, kept["doubts"]


def check_log(image: ReplayImage, seen: Mapping[int, int], where: Path) -> None:
    """Refuse a log that cannot be this vehicle's.

    Args:
        image: what is needed.
        seen: frames by key that the log has.
        where: the log.

    Raises:
        InputError: no frame has an id that the image needs, or a required channel's message never occurs.

    """
    wanted = {message.key for message in image.messages}
    if not wanted & set(seen):
        raise InputError(
            f"none of its frames has an id that this vehicle needs; expected {_listed(image.messages)}; "
            f"the log has {_there(seen, image)}: is it another car's log, or is the DBC or --channel another one?",
            where=where,
        )
    for channel in image.required:
        sources = tuple(message for message in image.messages if channel in message.channels)
        if sources and not any(message.key in seen for message in sources):
            raise InputError(
                f"the required channel {channel} comes with {_listed(sources)}, which never occurs; "
                f"the log has {_there(seen, image)}: give a log with that message, or change the vehicle file",
                where=where,
            )


def _describe(image: Image, inputs: Mapping[str, Any]) -> ReplayImage:
    channels = [channel.name for channel in image.layout.channels]
    feeds = [channels[row["channel"]] for row in image.rows("signal")]
    named = _message_names(image.names)
    messages = []
    for row in image.rows("message"):
        own = feeds[row["first_signal"] : row["first_signal"] + row["signal_count"]]
        messages.append(Needed(row["key"], named.get(row["key"], ""), tuple(dict.fromkeys(own))))
    rows = zip(channels, image.rows("channel_row"), strict=True)
    return ReplayImage(
        data=image.to_bytes(),
        period_us=image.word("period_us"),
        messages=tuple(messages),
        required=tuple(name for name, row in rows if row["configured"] and row["required"]),
        inputs=inputs,
    )


def _message_names(names: Mapping[str, Any]) -> dict[int, str]:
    """Return the messages' names by key, as far as the names of an image have them."""
    sources = names.get("sources")
    found: dict[int, str] = {}
    for source in sources.values() if isinstance(sources, dict) else ():
        number, extended, _ = source["id"].partition("x")
        found[int(number, 16) | (EXTENDED_KEY if extended else 0)] = source["signal"].partition(".")[0]
    return found


def _listed(messages: tuple[Needed, ...]) -> str:
    shown = ", ".join(str(message) for message in messages[:SHOWN_IDS])
    more = len(messages) - SHOWN_IDS
    return f"{shown} and {more} more" if more > 0 else shown


def _there(seen: Mapping[int, int], image: ReplayImage) -> str:
    from dashpot.calibration import dbc

    names = {message.key: message.name for path in image.dbcs for message in dbc.load(path).messages}
    names |= {message.key: message.name for message in image.messages if message.name}
    busiest = sorted(seen, key=lambda key: (-seen[key], key))
    return f"{len(busiest)} ids: {_listed(tuple(Needed(key, names.get(key, '')) for key in busiest))}"
