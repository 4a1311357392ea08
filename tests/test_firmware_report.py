"""The controller's own frames, read back by cantools [S] through dbc/damper_controller.dbc."""

from __future__ import annotations

import struct
from typing import Any

import cantools.database
import crccheck.crc
import numpy as np

from dashpot import checked
from dashpot.resources import dbc_dir
from images import ALL_LAYERS, CORNERS, FIRMWARE, LAYOUT
from test_firmware_core import random_values
from test_firmware_laws import busy_image

SHORT = ("FL", "FR", "RL", "RR")


def sent_frames(
    ticks: int, every: int
) -> tuple[list[tuple[int, str, dict[str, Any], bytes]], np.ndarray, bytes]:
    """Run the core in checked CPython and decode what it sends: (tick, message, signals, payload), trace, image."""
    database = cantools.database.load_file(dbc_dir() / "damper_controller.dbc")
    core = checked.load(FIRMWARE).import_module("dashpot.core")
    ring, outbox = core.make_ring(64), core.make_ring(64)
    image = busy_image(*ALL_LAYERS).put("report_ticks", every).build()
    controller = core.load(image, ring, outbox)
    values = random_values(ticks)
    frames, trace = [], []
    width, head = LAYOUT.sizes["frame"], LAYOUT.sizes["ring"]
    for tick in range(ticks):
        for i, value in enumerate(values.values()):
            at = head + (ring[0] & 63) * width
            ring[at : at + width] = type(ring)("i", [2000 * tick, 0x100 + i, 8, int(value[tick]), 0])
            ring[0] += 1
        controller.tick(2000 * (tick + 1))
        trace.append(controller.state[: LAYOUT.trace_words].tolist())
        while outbox[1] != outbox[0]:
            row = outbox[head + (outbox[1] & 63) * width :][:width]
            outbox[1] += 1
            payload = struct.pack("<2i", row[3], row[4])[: row[2]]
            message = database.get_message_by_frame_id(row[1])
            assert row[0] == 2000 * (tick + 1)
            frames.append((tick, message.name, message.decode(payload, decode_choices=False), payload))
    assert outbox[2] == 0
    return frames, np.array(trace), image


def test_cantools_reads_the_controllers_frames_as_the_trace_has_them() -> None:
    frames, trace, image = sent_frames(130, 2)
    kinds = {name for _, name, _, _ in frames}
    assert kinds == {
        "Controller_Status", "Currents_Commanded", "Firmness_Demand", "Stroke_Speeds", "Layer_Shares",
        "Controller_Identity",
    }  # fmt: skip
    shares: dict[int, dict[str, float]] = {}
    statuses = 0
    for tick, name, signals, payload in frames:
        assert (tick + 1) % 2 == 0

        def traced(word: str, tick: int = tick) -> list[int]:
            at, count = LAYOUT.state[word].at, LAYOUT.state[word].count
            return trace[tick, at : at + count].tolist()

        if name == "Controller_Status":
            since = trace[max(0, tick - 1) : tick + 1, LAYOUT.state["faults"].at]
            assert signals["FaultBits"] == np.bitwise_or.reduce(since)
            assert signals["TickCounter"] == tick + 1
            assert signals["Mode"] == traced("mode")[0]
            assert signals["StatusCounter"] == statuses % 16
            # SAE J1850 [S].
            assert signals["StatusCrc"] == crccheck.crc.Crc8SaeJ1850.calc(payload[:7])
            statuses += 1
        elif name == "Controller_Identity":
            assert signals["ImageCrc"] == struct.unpack_from("<I", image, 16)[0]
            assert signals["FormatVersion"] == LAYOUT.version
        elif name == "Layer_Shares":
            shares.setdefault(int(signals["ShareTick"]), {}).update(signals)
        else:
            words = {
                "Currents_Commanded": ("CurrentCommanded", "current_ma"),
                "Firmness_Demand": ("Demand", "demand_permille"),
                "Stroke_Speeds": ("StrokeSpeed", "stroke_speed_mm_s"),
            }
            prefix, word = words[name]
            assert [signals[prefix + corner] for corner in SHORT] == traced(word)
    assert statuses == 65
    whole = [tick for tick, found in shares.items() if len(found) == 2 + 4 * len(LAYOUT.layers)]
    assert len(whole) >= 5
    for tick in whole:
        for corner, short in enumerate(SHORT):
            for i, layer in enumerate(LAYOUT.layers):
                at = LAYOUT.state["layer_permille"].at + len(CORNERS) * i + corner
                signal = "Share" + short + "".join(part.title() for part in layer.split("_"))
                assert shares[tick][signal] == trace[tick - 1, at], signal


def test_no_report_is_sent_when_the_calibration_asks_for_none() -> None:
    frames, _, _ = sent_frames(20, 0)
    assert frames == []
