"""What was found as plain data: for result.json, the page and the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from dashpot.characterise import curve

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashpot.characterise.analysis import Result
    from dashpot.characterise.response import Fit
    from dashpot.plant.car import Floats

RESULT, VALVE, REPORT = "result.json", "valve.toml", "report.html"
BAND_WORDS = (
    "95 % bands of the scatter between half strokes, steps or pieces, and of gas and friction; errors of the instruments "
    "themselves (scale, zero, delay between channels, a winding warmer than the oil) are not in them"
)


def number(value: float, digits: int = 5) -> float:
    """Return a number with so many significant digits."""
    return float(f"{float(value):.{digits}g}")


def listed(values: Floats, scale: float = 1.0, digits: int = 5) -> Any:
    """Return an array as nested lists of short numbers."""
    if values.ndim > 1:
        return [listed(part, scale, digits) for part in values]
    return [number(scale * value, digits) for value in values]


def summarise(result: Result) -> dict[str, Any]:
    """Return all figures with their units in the names, None where there is none."""
    forces, firmness, rod, valve = result.forces, result.firmness, result.rod, result.valve
    errors = rod.sigma()
    passive = None
    if forces.passive_n is not None and forces.passive_band_n is not None:
        passive = {
            "force_n": listed(forces.passive_n), "band_n": listed(forces.passive_band_n),
            "matches_ma": None if firmness.match_a is None else number(1e3 * firmness.match_a),
            "matches_band_ma": number(1e3 * firmness.match_band_a),
            "below_ma": number(1e3 * forces.passive_below_a), "jump_share": number(forces.jump_share),
            "left_out_ma": [number(1e3 * current) for current in forces.between_a],
        }  # fmt: skip
    return {
        "name": valve.name,
        "seed": result.options.seed,
        "tests": result.kinds,
        "surface": {
            "ways": ["compression", "rebound"],
            "speed_mm_s": listed(forces.speed_m_s, 1e3),
            "current_ma": listed(forces.current_a, 1e3),
            "force_n": listed(forces.force_n),
            "band_n": listed(forces.band_n),
            "half_strokes": forces.count.astype(int).tolist(),
            "with_current": "firmer" if forces.firmer else "softer",
        },
        "without_current": passive,
        "hysteresis": {
            "half_band_ma": number(1e3 * forces.hysteresis_a),
            "band_ma": number(1e3 * forces.hysteresis_band_a),
            "cells": forces.bands,
        },
        "currents": {
            "least_ma": number(1e3 * valve.least_a),
            "most_ma": number(1e3 * valve.most_a),
            "safe_ma": number(1e3 * valve.safe_a),
        },
        "valve_curve": {
            "evened_over": "all speeds" if result.options.speed_m_s is None else f"{1e3 * result.options.speed_m_s:g} mm/s",
            "demand_permille": list(curve.DEMANDS_PERMILLE),
            "current_ma": listed(firmness.curve_a, 1e3),
            "band_ma": listed(firmness.curve_band_a, 1e3),
        },
        "authority": {"ratio": listed(firmness.authority), "band": listed(firmness.authority_band)},
        "rod": {
            "reference_mm": number(1e3 * rod.reference_m),
            "gas_n": number(rod.gas_n),
            "gas_band_n": number(1.96 * errors[0]),
            "rate_n_per_mm": number(rod.rate_n_per_m / 1e3),
            "rate_band_n_per_mm": number(1.96 * errors[1] / 1e3),
            "friction_n": number(rod.friction_n),
            "friction_band_n": number(1.96 * errors[2]),
            "turn_mm_s": number(1e3 * rod.turn_m_s),
        },
        "speed_lag": {
            "ms": number(1e3 * result.lag_s), "band_ms": number(1e3 * result.lag_band_s), "cycles": result.cycles,
        },
        "response": {"up": _fit(result.up), "down": _fit(result.down)},
        "coil": {
            "resistance_ohm_20c": None if result.resistance is None else number(result.resistance.ohm),
            "resistance_band_ohm": None if result.resistance is None else number(result.resistance.band_ohm),
            "freewheel_v": None if result.resistance is None else number(result.resistance.freewheel_v),
            "temperature_c": None if result.resistance is None else number(result.resistance.temperature_c),
            "temperature_of": None if result.resistance is None else "winding" if result.resistance.by_coil else "oil",
            "inductance_mh": None if result.inductance is None else number(1e3 * result.inductance.henry),
            "inductance_band_mh": None if result.inductance is None else number(1e3 * result.inductance.band_henry),
        },
        "bands": BAND_WORDS,
        "doubts": [{"code": doubt.code, "text": doubt.text} for doubt in result.doubts],
        "assumed": result.assumed,
    }  # fmt: skip


def _fit(fit: Fit | None) -> dict[str, Any] | None:
    if fit is None:
        return None
    return {
        "delay_ms": number(1e3 * fit.delay_s), "delay_band_ms": number(1e3 * fit.delay_band_s),
        "time_ms": number(1e3 * fit.time_s), "time_band_ms": number(1e3 * fit.time_band_s),
        "t63_ms": number(1e3 * fit.t63_s), "t63_band_ms": number(1e3 * fit.t63_band_s),
        "t90_ms": number(1e3 * fit.t90_s),
        "force_t63_ms": _known(1e3 * fit.seen_t63_s), "force_t90_ms": _known(1e3 * fit.seen_t90_s), "steps": fit.steps,
    }  # fmt: skip


def _known(value: float) -> float | None:
    return number(value) if np.isfinite(value) else None


def figures_of(said: dict[str, Any]) -> list[tuple[str, str, str, str]]:
    """Return rows of figure, value, half width of its band, unit."""
    rod, coil, passive = said["rod"], said["coil"], said["without_current"]
    rows: list[tuple[str, Any, Any, str]] = [
        (f"gas force at {rod['reference_mm']:g} mm", rod["gas_n"], rod["gas_band_n"], "N"),
        ("gas rate", rod["rate_n_per_mm"], rod["rate_band_n_per_mm"], "N/mm"),
        ("friction", rod["friction_n"], rod["friction_band_n"], "N"),
        ("least current that can be held", said["currents"]["least_ma"], None, "mA"),
        ("most current", said["currents"]["most_ma"], None, "mA"),
        ("hysteresis, half band", said["hysteresis"]["half_band_ma"], said["hysteresis"]["band_ma"], "mA"),
        ("lag over stroke speed", said["speed_lag"]["ms"], said["speed_lag"]["band_ms"], "ms"),
    ]
    if passive is not None:
        rows.append(("passive stage acts up to", passive["below_ma"], None, "mA"))
        rows.append(("no current is as firm as", passive["matches_ma"], passive["matches_band_ma"], "mA"))
    for way, word in (("up", "rising"), ("down", "falling")):
        fit = said["response"][way]
        if fit is not None:
            rows += [
                (f"{word} current: delay", fit["delay_ms"], fit["delay_band_ms"], "ms"),
                (f"{word} current: time constant", fit["time_ms"], fit["time_band_ms"], "ms"),
                (f"{word} current: force 63 % there, coil included", fit["force_t63_ms"], None, "ms"),
                (f"{word} current: force 90 % there, coil included", fit["force_t90_ms"], None, "ms"),
            ]
    rows += [
        ("coil resistance at 20 C", coil["resistance_ohm_20c"], coil["resistance_band_ohm"], "ohm"),
        ("coil inductance", coil["inductance_mh"], coil["inductance_band_mh"], "mH"),
    ]
    return [
        (name, "not found" if value is None else _text(value), "" if band is None or value is None else _band(band), unit)
        for name, value, band, unit in rows
    ]  # fmt: skip


def _text(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 1000.0 else f"{value:.4g}"


def _band(value: float) -> str:
    return f"{value:.2g}" if value < 100.0 else f"{value:.0f}"


def force_table(said: dict[str, Any], way: int) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of one way's forces with their bands, without current first."""
    surface, passive = said["surface"], said["without_current"]
    head = ["mm/s", *(f"{current:.0f} mA" for current in surface["current_ma"])]
    if passive is not None:
        head.insert(1, "no current")
    rows = []
    for column, speed in enumerate(surface["speed_mm_s"]):
        cells = [
            f"{force[column]:.0f} ±{band[column]:.1f}"
            for force, band in zip(surface["force_n"][way], surface["band_n"][way], strict=True)
        ]
        if passive is not None:
            cells.insert(0, f"{passive['force_n'][way][column]:.0f} ±{passive['band_n'][way][column]:.1f}")
        rows.append([f"{speed:.1f}", *cells])
    return head, rows


def evidence_of(said: dict[str, Any], inputs: Sequence[dict[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return what the valve file says its figures rest on."""
    made = [(one["name"], f"SHA-256 {one['sha256']}") for one in inputs]
    made += [(name, f"{value} ±{band} {unit}") for name, value, band, unit in figures_of(said) if band]
    made += [("tests", ", ".join(f"{count} {kind}" for kind, count in said["tests"].items()))]
    made += [(f"ASSUMED {i}", text) for i, text in enumerate(said["assumed"], 1)]
    made += [(f"doubt {doubt['code']}", doubt["text"]) for doubt in said["doubts"]]
    seen: dict[str, str] = {}
    for key, text in made:
        seen[key] = f"{seen[key]}; {text}" if key in seen else text
    return tuple(seen.items())
