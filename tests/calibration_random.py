"""Random right calibrations, as texts, edge values first."""

from __future__ import annotations

from typing import Any

import tomli_w
from hypothesis import strategies as st

CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
AXLES = ("front", "rear")
INT16 = 32767


def whole(low: int, high: int, unit: str) -> st.SearchStrategy[str]:
    return st.integers(low, high).map(lambda value: f"{value} {unit}")


def tenths(low: int, high: int, unit: str) -> st.SearchStrategy[str]:
    """A number with a digit past what the words hold."""
    return st.integers(10 * low, 10 * high).map(lambda value: f"{value / 10} {unit}")


@st.composite
def rising(draw: st.DrawFn, low: int, high: int, least: int = 2, most: int = 16) -> list[int]:
    count = draw(st.integers(least, most))
    return sorted(draw(st.sets(st.integers(low, high), min_size=count, max_size=count)))


@st.composite
def curve(draw: st.DrawFn, x: tuple[str, str, int, int], y: tuple[str, str, int, int]) -> dict[str, Any]:
    axis = draw(rising(x[2], x[3], most=min(16, x[3] - x[2] + 1)))
    values = draw(st.lists(st.integers(y[2], y[3]), min_size=len(axis), max_size=len(axis)))
    units = [{"unit": unit} if unit else {} for unit in (x[1], y[1])]
    return {x[0]: units[0] | {"at": axis}, y[0]: units[1] | {"at": values}}


@st.composite
def body_load(draw: st.DrawFn) -> dict[str, Any]:
    if draw(st.booleans()):
        half = draw(rising(1, 16_000, 1, 7))
        lateral = [*(-x for x in reversed(half)), *([0] if draw(st.booleans()) else []), *half]
        turned = True
    else:
        lateral = draw(rising(-16_000, 16_000, 2, 6))
        turned = lateral == [-x for x in reversed(lateral)]
    longitudinal = draw(rising(-16_000, 16_000, 2, 6))
    row = st.lists(st.integers(-1000, 1000), min_size=len(longitudinal), max_size=len(longitudinal))
    grid = st.lists(row, min_size=len(lateral), max_size=len(lateral))
    made: dict[str, Any] = {
        "lateral": {"unit": "mg", "at": lateral},
        "longitudinal": {"unit": "mg", "at": longitudinal},
        "unit": "permille",
    }
    for corner in CORNERS:
        mirror = turned and "right" in corner and draw(st.booleans())
        made[corner] = "mirror" if mirror else draw(grid)
    return made


@st.composite
def valve(draw: st.DrawFn, period_us: int) -> dict[str, Any]:
    least = draw(st.integers(0, 5000))
    most = draw(st.integers(least, 5000))
    axis = draw(rising(0, 1000))
    currents = sorted(draw(st.lists(st.integers(least, most), min_size=len(axis), max_size=len(axis))))
    if draw(st.booleans()):
        currents.reverse()
    slews = [draw(st.integers(1, 5000)) * 1_000_000 // period_us + draw(st.integers(1, 9)) for _ in range(2)]
    safe = draw(st.integers(least, most))
    return {
        "safe": f"{safe} mA",
        "match": f"{draw(st.one_of(st.just(0), st.integers(least, most)))} mA",
        "derate": f"{draw(st.integers(safe, most))} mA",
        "resistance": f"{draw(st.integers(100, 50_000))} mohm",
        "inductance": f"{draw(st.integers(10, 1_000_000))} uH",
        "least": f"{least} mA",
        "most": f"{most} mA",
        "slew_up": f"{slews[0]} mA/s",
        "slew_down": f"{slews[1]} mA/s",
        "curve": {"demand": {"unit": "permille", "at": axis}, "current": {"unit": "mA", "at": currents}},
    }


def number(text: str) -> int:
    return int(text.split(maxsplit=1)[0])


@st.composite
def response(draw: st.DrawFn, period_us: int, valves: dict[str, Any]) -> str:
    """Not so fast that the gain passes 16: for a coil of L / R above the period that is about L / R / 16 [X]."""
    own_us = max(
        1000 * number(valves[corner]["inductance"]) / number(valves[corner]["resistance"])
        for corner in CORNERS
    )
    if own_us < period_us:
        return draw(st.one_of(st.just("0 ms"), whole(1, 1_000_000, "us")))
    return draw(whole(int((own_us + period_us) / 16) + 100, 1_000_000, "us"))


@st.composite
def fail_safe(draw: st.DrawFn, period_us: int, valves: dict[str, Any]) -> dict[str, Any]:
    """Sections of the checks, the board, the coils and the guard."""
    ticks = st.one_of(st.just("0 ms"), whole(period_us, 9000 * period_us, "us"))

    def debounce() -> dict[str, Any]:
        return {"trip": draw(ticks), "heal": draw(ticks), "heals": draw(st.integers(0, 100))}

    def limited(unit: str, most: int, *, below: bool = False) -> dict[str, Any]:
        pair = sorted((draw(st.integers(1, most)), draw(st.integers(1, most))), reverse=not below)
        return {"limit": f"{pair[0]} {unit}", "heal_limit": f"{pair[1]} {unit}"} | debounce()

    pressures = sorted((draw(st.integers(0, INT16)), draw(st.integers(0, INT16))))
    shares = sorted((draw(st.integers(1, 10_000)), draw(st.integers(1, 10_000))))
    deceleration = whole(0, 16_000, "mg")
    under, low, high, over = draw(rising(2, INT16 - 1, 4, 4))
    board = {
        f"supply_{name}": {"limit": f"{limit} mV", "heal_limit": f"{draw(st.integers(*healed))} mV"} | debounce()
        for name, limit, healed in (
            ("under", under, (under, INT16)), ("low", low, (low, INT16)), ("high", high, (1, high)), ("over", over, (1, over)),
        )
    }  # fmt: skip
    spread = {}
    for axle in AXLES:
        left, right = (number(valves[f"{axle}_{side}"]["safe"]) for side in ("left", "right"))
        spread[axle] = f"{draw(st.integers(abs(left - right), 5000))} mA"
    return {
        "guard": {
            "command_expiry": draw(whole(max(1000, period_us + 1), 1_000_000, "us")), "axle_spread": spread,
        },
        "checks": {
            "from_speed": draw(whole(100, INT16, "cm/s")),
            "lateral": limited("mg", 32_000), "longitudinal": limited("mg", 32_000), "yaw": debounce(),
            "steer": {
                "yaw_gain": draw(curve(("speed", "cm/s", 0, INT16), ("yaw_rate", "deg/s", 0, 327))),
                **limited("mg", 32_000),
            },
            "brake": {
                "high_pressure": f"{pressures[1]} kPa", "least_deceleration": draw(deceleration),
                "low_pressure": f"{pressures[0]} kPa", "most_deceleration": draw(deceleration), **debounce(),
            },
            "speed": limited("cm/s", INT16),
            "stroke_offset": {
                "straight_below": draw(deceleration), "straight_rate": draw(tenths(1, 99, "mm/s")),
                **limited("um", 800_000),
            },
            "stroke_roll": {
                "roll": {axle: draw(whole(0, 100_000, "um")) for axle in AXLES}, **limited("um", 800_000),
            },
        },
        "board": board | {
            "bus_off": debounce(), "driver_hot": debounce(), "driver_hot_off": debounce(),
            "overrun": {
                "late_ticks": draw(st.integers(0, INT16)), "heal": draw(ticks), "heals": draw(st.integers(0, 100)),
            },
        },
        "current_control": {
            "enabled": draw(st.booleans()), "response": draw(response(period_us, valves)),
            "freewheel": draw(whole(0, 5000, "mV")),
            "resistance_average": draw(st.one_of(st.just("0 ms"), whole(1, 2000 * period_us, "us"))),
        },
        "coils": {
            "open": {
                "from_current": draw(whole(1, 5000, "mA")), "share": draw(tenths(0, 1000, "permille")), "trip": draw(ticks),
            },
            "short": {"limit": draw(whole(1, 32_766, "mA")), **debounce()},
            "resistance": {
                "low": f"{shares[0]} permille", "high": f"{shares[1]} permille", "trip": draw(ticks), "off": draw(ticks),
            },
            "tracking": {
                "limit": draw(whole(1, 10_000, "permille")), "least": draw(whole(1, 5000, "mA")), "trip": draw(ticks),
            },
        },
    }  # fmt: skip


@st.composite
def calibrations(draw: st.DrawFn) -> str:
    """TOML of a calibration without mistakes."""
    period_us = 10 * draw(st.integers(100, 1000))
    flag = st.booleans()
    share, trim = tenths(0, 1000, "permille"), tenths(-1000, 1000, "permille")
    # Time constants up to 2000 periods and ramps up to 1500 periods can be counted; 0 switches the filter off.
    tau = st.one_of(st.just("0 ms"), whole(1, 2000 * period_us, "us"))
    ramp = st.one_of(st.just("0 ms"), whole(1, 1500 * period_us, "us"))
    slow = whole(1, 90_000 * period_us, "us")
    pressure = whole(0, INT16, "kPa")
    demand = ("demand", "permille", -1000, 1000)

    def pair(low: int, high: int, unit: str) -> tuple[str, str]:
        one, two = draw(rising(low, high, 2, 2))
        return f"{one} {unit}", f"{two} {unit}"

    def tracker() -> dict[str, Any]:
        made = {"alpha": draw(st.integers(1, 1000)) / 1000}
        if draw(flag):
            made["beta"] = draw(st.integers(1, 1000)) / 1000
        return made

    def bands() -> dict[str, Any]:
        return {name: draw(trim) for name in ("low", "medium", "high")}

    def surface() -> dict[str, Any]:
        return {axle: {direction: bands() for direction in ("compression", "rebound")} for axle in AXLES}

    def end() -> dict[str, Any]:
        start, stop = pair(-400_000, 400_000, "um")
        return {"start": start, "stop": stop, "peak": draw(share)}

    def limit() -> dict[str, Any]:
        least = draw(st.integers(0, 1000))
        return {"least": f"{least} permille", "most": f"{draw(st.integers(least, 1000))} permille"}

    fade, rough_pressure, rough_speed = pair(0, INT16, "cm/s"), pair(0, INT16, "kPa"), pair(0, INT16, "mm/s")
    low_edge = draw(st.integers(1, 10_000))
    high_edge = low_edge + draw(st.integers(2, 20_000))
    blend = draw(st.integers(1, max(1, min(1000, low_edge, (high_edge - low_edge) // 2))))
    wet = draw(st.integers(100, 1400))
    valves = {corner: draw(valve(period_us)) for corner in CORNERS}
    guarded = draw(fail_safe(period_us, valves))
    document = {
        "name": draw(st.text(st.characters(exclude_categories=["Cs"]), max_size=12)),
        "notes": draw(st.text(st.characters(exclude_categories=["Cs"]), max_size=30)),
        "timing": {"period": f"{period_us} us"},
        "filters": {
            "lateral": draw(tau), "longitudinal": draw(tau),
            "stroke": tracker(), "steer": tracker(), "brake": tracker(),
            "road_speed": tracker(),
        },
        "layers": {
            "base": {axle: draw(curve(("position", "", 0, 255), demand)) for axle in AXLES},
            "body_load": {"enabled": draw(flag), "map": draw(body_load())},
            "brake_lead": {
                "enabled": draw(flag), "slow_average": draw(tau), "rate_dead_band": draw(tenths(0, 3000, "bar/s")),
                "decay": draw(tau),
                **{
                    axle: {
                        "map": draw(curve(("pressure", "kPa", -INT16 - 1, INT16), demand)),
                        "rate_gain": draw(tenths(0, 2000, "permille/(100 bar/s)")),
                        "peak": draw(share),
                    }
                    for axle in AXLES
                },
            },
            "steer_lead": {
                "enabled": draw(flag), "rate_dead_band": draw(tenths(0, INT16, "deg/s")),
                **{
                    f"{axle}_{side}": draw(tenths(0, 2000, "permille/(100 deg/s)"))
                    for axle in AXLES
                    for side in ("outer", "inner")
                },
                "peak": draw(share), "decay": draw(tau), "fade_from": fade[0], "fade_to": fade[1],
            },
            "stroke_speed": {
                "enabled": draw(flag), "low_medium": f"{low_edge} mm/s", "medium_high": f"{high_edge} mm/s",
                "blend": f"{blend} mm/s",
                "rough_pressure_from": rough_pressure[0], "rough_pressure_to": rough_pressure[1],
                "rough_speed_from": rough_speed[0], "rough_speed_to": rough_speed[1], "rough_average": draw(tau),
                "normal": surface(), "rough_braking": surface(),
            },
            "road_speed": {
                "enabled": draw(flag),
                **{axle: draw(curve(("speed", "cm/s", -INT16 - 1, INT16), demand)) for axle in AXLES},
            },
            "grip": {
                "enabled": draw(flag),
                "ask_steer": draw(curve(("speed", "cm/s", 0, INT16), ("angle", "deg", 0, 3276))),
                "ask_pressure": draw(pressure), "dry_reference": draw(whole(100, 16_000, "mg")),
                "wet_below": f"{wet} permille", "dry_above": f"{draw(st.integers(wet, 1400))} permille",
                "event_least": draw(whole(period_us, 9000 * period_us, "us")),
                "settle": draw(whole(period_us, 9000 * period_us, "us")),
                "rise": draw(tau), "fall": draw(tau), "events": draw(st.integers(1, 100)),
                "into_wet": draw(slow), "out_of_wet": draw(slow),
                "front": draw(share), "rear": draw(share),
            },
            "stroke_end": {
                "enabled": draw(flag), "shape": draw(share), "lead": draw(whole(0, 30_000, "us")),
                "moving": draw(tenths(1, 3000, "mm/s")),
                **{axle: {direction: end() for direction in ("compression", "rebound")} for axle in AXLES},
            },
        },
        "limits": {corner: limit() for corner in CORNERS},
        "valves": valves,
        "fail_safe": {
            name: draw(ramp) for name in ("channel_fade", "channel_recover", "authority_leave", "authority_return")
        } | {"return_below": draw(whole(10, 16_000, "mg")), "losses": draw(st.integers(1, 100)), "still_from": draw(whole(1, INT16, "cm/s"))} | guarded.pop("guard"),
        **guarded,
        "report": {"period": draw(st.one_of(st.just("0 ms"), whole(period_us, 9000 * period_us, "us")))},
    }  # fmt: skip
    return tomli_w.dumps(document)
