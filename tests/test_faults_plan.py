"""plan.toml: the rows it makes, the expectations that follow, and what it says to every mistake."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from calibration_kit import DEMO
from dashpot.calibration import Document, MistakesError
from dashpot.errors import InputError
from dashpot.faults import KINDS, load_plan
from dashpot.faults.expect import REACTIONS
from dashpot.faults.plan import ExpectKey, Row, RowsKey
from faults_kit import PLAN_HEAD, bus, image, plan_of

ROW = '[rows.try]\nfault = "drop"\nmessage = "Inertial"\nonset = "straight"\nlength = "500 ms"\n'


def ids(text: str) -> list[str]:
    return [row.id for row in plan_of(PLAN_HEAD + text).rows]


def row(text: str) -> Row:
    (made,) = plan_of(PLAN_HEAD + text).rows
    return made


# Rows.


def test_lists_make_products_with_readable_ids() -> None:
    text = (
        '[rows.try]\nfault = "corrupt"\nmessage = ["Inertial", "Yaw_Rate"]\nonset = ["straight", "right"]\n'
    )
    assert ids(text + 'length = ["500 ms", "1 s"]\nseverity = 2\n') == [
        f"try/corrupt/{message}/{onset}/{length}/2"
        for message in ("Inertial", "Yaw_Rate")
        for length in ("500ms", "1000ms")
        for onset in ("straight", "right")
    ]


def test_a_group_named_like_its_fault_says_it_once() -> None:
    assert ids(ROW.replace("rows.try", "rows.drop")) == ["drop/Inertial/straight/500ms"]


def test_groups_of_messages_and_corners_are_expanded() -> None:
    text = '[rows.try]\nfault = "{}"\n{}\nonset = "straight"\nlength = "1 s"\n'
    assert ids(text.format("wrong_crc", 'message = "crc"')) == [
        f"try/wrong_crc/{name}/straight/1000ms"
        for name in ("Inertial", "Brake_Pressures", "Yaw_Rate", "Road_Speed")
    ]
    assert len(ids(text.format("drop", 'message = "all"'))) == 8
    assert ids(text.format("drop", 'message = "required"')) == ["try/drop/Inertial/straight/1000ms"]
    strokes = ids(text.format("invalid_code", 'channel = "stroke"\ncorner = ["front_left", "rear_right"]'))
    assert strokes == [
        f"try/invalid_code/stroke.{corner}/straight/1000ms" for corner in ("front_left", "rear_right")
    ]
    assert len(ids(text.format("invalid_code", 'channel = "all"'))) == len(bus().channels)


def test_a_second_fault_multiplies_and_is_named() -> None:
    second = '[rows.try.second]\nfault = ["drop", "short"]\nmessage = "Steering"\nlater = "20 ms"\nlength = "500 ms"\n'
    assert ids(ROW + second) == [
        "try/drop/Inertial/straight/500ms+drop/Steering/500ms",
        "try/drop/Inertial/straight/500ms+short/Steering/500ms",
    ]


def test_ids_do_not_hang_on_other_rows() -> None:
    """A row keeps its id, and with it its random numbers, when the plan grows."""
    grown = ROW.replace('"Inertial"', '["Steering", "Inertial"]').replace('"500 ms"', '["1 s", "500 ms"]')
    assert set(ids(ROW)) < set(ids(grown))


def test_the_standard_plan_has_its_rows(tmp_path: Path) -> None:
    plan = load_plan(DEMO / "plan.toml", bus(), image())
    assert len(plan.rows) >= 900
    assert len({made.id for made in plan.rows}) == len(plan.rows)
    assert sum(len(made.faults) == 2 for made in plan.rows) >= 30
    # Each message, each channel and each corner is hit by some row.
    where = {fault.where for made in plan.rows for fault in made.faults}
    assert set(bus().messages) | set(bus().channels) | set(image().layout.corners) <= where
    # And every kind.
    assert {fault.kind.name for made in plan.rows for fault in made.faults} == set(KINDS)


def test_the_short_plan_is_short() -> None:
    plan = load_plan(DEMO / "plan_short.toml", bus(), image())
    assert 15 <= len(plan.rows) <= 60
    assert len({fault.kind.name for made in plan.rows for fault in made.faults}) >= 12


# Expectations that follow. Times: three periods of 10 ms [C], two ticks of 2 ms, 100 ms to the safe currents [D].


YAW = '[rows.try.second]\nfault = "drop"\nmessage = "{}"\nlength = "500 ms"\n'


def test_lost_accelerations_have_substitutes_and_without_those_it_is_a_safe_hold() -> None:
    expect = row(ROW).expect
    assert expect.codes == ("channel_lost",)
    assert expect.may == ("frame_bad",)
    assert expect.reaction == "substitute"
    assert expect.lost == ("lateral_mg", "longitudinal_mg", "vertical_mg")
    assert (expect.detect_us, expect.budget_us) == (34_000, 134_000)
    # Without the yaw rate, of the same period, there is nothing for lateral: at once. 60 ms of authority are 31 whole steps.
    yaw = row(ROW + YAW.format("Yaw_Rate")).expect
    assert yaw.codes == ("channel_lost", "required_lost")
    assert (yaw.reaction, yaw.detect_us, yaw.budget_us) == ("safe_hold", 34_000, 34_000 + 62_000)
    # Without road speed nothing for either, after its own three periods of 20 ms; inside the 150 ms of a hazard.
    speed = row(ROW + YAW.format("Road_Speed")).expect
    assert (speed.reaction, speed.detect_us, speed.budget_us) == ("safe_hold", 64_000, 64_000 + 62_000)
    # No other pair takes them away.
    assert row(ROW + YAW.format("Steering")).expect.reaction == "drop_layer"


def test_a_silent_bus_is_a_safe_hold_as_soon_as_lateral_has_nothing() -> None:
    expect = row('[rows.try]\nfault = "bus_off"\nonset = "straight"\nlength = "500 ms"\n').expect
    assert (expect.codes, expect.reaction) == (("channel_lost", "required_lost"), "safe_hold")
    assert (expect.detect_us, expect.budget_us, expect.lost) == (34_000, 100_000, None)


def test_a_lost_lead_drops_its_layer_and_a_lost_speed_is_replaced() -> None:
    brake = row(ROW.replace("Inertial", "Brake_Pressures")).expect
    assert (brake.codes, brake.reaction, brake.lost) == (("channel_lost",), "drop_layer", ("brake_kpa",))
    assert (brake.detect_us, brake.budget_us) == (34_000, 134_000)
    speed = row(ROW.replace("Inertial", "Road_Speed")).expect
    assert (speed.reaction, speed.detect_us, speed.budget_us) == ("substitute", 64_000, 164_000)


def test_refused_frames_and_values_have_their_own_code_first() -> None:
    crc = row(ROW.replace('"drop"', '"wrong_crc"')).expect
    assert crc.codes == ("frame_bad", "channel_lost")
    text = '[rows.try]\nfault = "invalid_code"\nchannel = "stroke.rear_left"\nonset = "straight"\nlength = "500 ms"\n'
    stroke = row(text).expect
    assert stroke.codes == ("signal_bad", "channel_lost")
    assert (stroke.reaction, stroke.lost) == ("drop_layer", ("stroke_um.rear_left",))
    # Three periods of 2 ms and two ticks.
    assert stroke.detect_us == 10_000


def test_a_gap_shorter_than_the_timeout_is_nothing() -> None:
    expect = row(ROW.replace("500 ms", "6 ms")).expect
    assert (expect.codes, expect.reaction, expect.budget_us) == ((), "none", None)


def test_what_stands_still_takes_its_limit() -> None:
    expect = row(ROW.replace('"drop"', '"freeze"').replace("500 ms", "1 s")).expect
    assert (expect.codes, expect.reaction) == (("signal_still", "channel_lost"), "substitute")
    # 500 ms in the vehicle file; the vertical acceleration has no limit.
    assert expect.detect_us == 504_000
    assert expect.lost == ("lateral_mg", "longitudinal_mg")


def test_two_faults_ask_for_the_greater_reaction_at_its_time() -> None:
    second = '[rows.try.second]\nfault = "bus_off_flag"\nlater = "50 ms"\nlength = "450 ms"\n'
    expect = row(ROW.replace("Inertial", "Road_Speed") + second).expect
    assert expect.codes == ("channel_lost", "bus_off")
    assert expect.reaction == "safe_hold"
    assert (expect.detect_us, expect.budget_us) == (64_000, 150_000)
    assert set(expect.lost or ()) == {"road_speed_cm_s"}


def test_two_substitutes_must_both_be_there() -> None:
    second = '[rows.try.second]\nfault = "drop"\nmessage = "Road_Speed"\nlater = "50 ms"\nlength = "450 ms"\n'
    expect = row(ROW.replace("Inertial", "Brake_Pressures") + second).expect
    assert (expect.reaction, expect.budget_us) == ("drop_layer", 50_000 + 64_000 + 100_000)


def test_what_the_plan_writes_comes_first() -> None:
    text = ROW + (
        '[rows.try.expect]\ncodes = ["channel_lost"]\nmay = ["required_lost"]\nreaction = "safe_hold"\n'
        "detect_ms = 20.5\nbudget_ms = 90\nrecovery_ms = [500, 3000]\n"
    )
    expect = row(text).expect
    assert (expect.codes, expect.may) == (("channel_lost",), ("required_lost",))
    assert (expect.detect_us, expect.budget_us, expect.recovery_us) == (20_500, 90_000, (500_000, 3_000_000))
    # The window reaches past the recovery.
    assert row(text).after_us >= 3_000_000


# Mistakes.

MISTAKES = {
    "no toml": ("name = ", "", ["plan.toml:2", "not TOML"]),
    "unknown key": (ROW + 'mesage = "Steering"\n', "rows.try.mesage", ["unknown key", "did you mean message"]),
    "no fault": (ROW.replace('fault = "drop"\n', ""), "rows.try.fault", ["missing"]),
    "unknown fault": (ROW.replace('"drop"', '"dorp"'), "rows.try.fault", ["unknown fault 'dorp'", "drop"]),
    "unknown message": (
        ROW.replace("Inertial", "Intertial"), "rows.try.message", ["no channel comes with a message 'Intertial'", "Inertial"],
    ),
    "unknown onset": (ROW.replace("straight", "strait"), "rows.try.onset", ["no onset 'strait'", "straight"]),
    "no length": (ROW.replace('length = "500 ms"\n', ""), "rows.try", ["length is missing"]),
    "no unit": (ROW.replace('"500 ms"', "500"), "rows.try.length", ["ms"]),
    "empty list": (ROW.replace('"Inertial"', "[]"), "rows.try.message", ["empty list"]),
    "channel for a message": (ROW + 'channel = "lateral"\n', "rows.try.channel", ["drop acts on message"]),
    "no message": (ROW.replace('message = "Inertial"\n', ""), "rows.try", ["message is missing"]),
    "severity too much": (ROW + "severity = 3\n", "rows.try.severity", ["drop has no severity"]),
    "severity missing": (ROW.replace('"drop"', '"delay"'), "rows.try", ["severity is missing", "how late"]),
    "severity outside": (
        ROW.replace('"drop"', '"corrupt"') + "severity = 65\n", "rows.try.severity", ["65", "from 1 to 64"],
    ),
    "severity of another quantity": (
        '[rows.try]\nfault = "step"\nchannel = "lateral"\nonset = "straight"\nlength = "1 s"\nseverity = "3 bar"\n',
        "rows.try.severity", ["'bar' is not a unit of acceleration"],
    ),
    "ramp without a rate": (
        '[rows.try]\nfault = "ramp"\nchannel = "lateral"\nonset = "straight"\nlength = "1 s"\nseverity = "3 g"\n',
        "rows.try.severity", ["how fast", "/s"],
    ),
    "no such side": (
        '[rows.try]\nfault = "out_of_range"\nchannel = "supply"\nonset = "straight"\nlength = "1 s"\nseverity = "low"\n',
        "rows.try.severity", ["supply", "past the low end"],
    ),
    "no checksum": (ROW.replace('"drop"', '"wrong_crc"').replace("Inertial", "Steering"), "rows.try", ["Steering has no checksum"]),
    "no counter": (
        ROW.replace('"drop"', '"stuck_frame"').replace("Inertial", "Wheel_Speeds"), "rows.try", ["no alive counter"],
    ),
    "corner of no channel": (
        '[rows.try]\nfault = "invalid_code"\nchannel = "lateral"\ncorner = "front_left"\nonset = "straight"\nlength = "1 s"\n',
        "rows.try.corner", ["'lateral' has no corners", "stroke"],
    ),
    "unknown corner": (
        '[rows.try]\nfault = "invalid_code"\nchannel = "stroke"\ncorner = "front"\nonset = "straight"\nlength = "1 s"\n',
        "rows.try.corner", ["no corner 'front'", "front_left"],
    ),
    "no axle": (
        '[rows.try]\nfault = "swap"\nchannel = "stroke"\nonset = "straight"\nlength = "1 s"\n', "rows.try.channel",
        ["no axle 'stroke'", "stroke.front"],
    ),
    "by chance": (ROW.replace("500 ms", "25 ms"), "rows.try", ["25 ms may be noticed or not", "34 ms"]),
    "over before the budget": (ROW.replace("500 ms", "60 ms"), "rows.try.length", ["over after 60 ms", "134 ms"]),
    "no word": ('[rows.try]\nfault = "memory_bit"\nonset = "straight"\n', "rows.try", ["word is missing"]),
    "unknown word": (
        '[rows.try]\nfault = "memory_bit"\nonset = "straight"\nword = "safe_ma.front"\n', "rows.try.word",
        ["no word 'safe_ma.front'", "safe_ma.front_left"],
    ),
    "a word without a copy": (
        '[rows.try]\nfault = "limits_bit"\nonset = "straight"\nword = "report_ticks"\n', "rows.try", ["no copy of report_ticks"],
    ),
    "corner of a coil": (
        '[rows.try]\nfault = "coil_open"\nonset = "straight"\ncorner = "left"\nlength = "1 s"\n', "rows.try.corner",
        ["no corner 'left'"],
    ),
    "no voltage": (
        '[rows.try]\nfault = "supply_step"\nonset = "straight"\nseverity = "8 A"\nlength = "1 s"\n', "rows.try.severity", ["V"],
    ),
    "no cause": (
        '[rows.try]\nfault = "reset"\nonset = "straight"\nseverity = "magic"\nlength = "1 s"\n', "rows.try.severity",
        ["'magic' is not a cause", "brown_out"],
    ),
    "a corner's reaction without one": (
        ROW + '[rows.try.expect]\nreaction = "corner_off"\nbudget_ms = 100\n', "rows.try.expect.reaction", ["fault of a corner"],
    ),
    "a dip that may be seen": (
        '[rows.try]\nfault = "supply_step"\nonset = "straight"\nseverity = "5 V"\nlength = "12 ms"\n', "rows.try",
        ["may be noticed or not", "14 ms"],
    ),
    "an offset that may be seen": (
        '[rows.try]\nfault = "offset"\nchannel = "lateral"\nonset = "straight"\nseverity = "0.35 g"\nlength = "1 s"\n', "rows.try",
        ["350 away", "expect.reaction"],
    ),
    "a short that is tried again": (
        '[rows.try]\nfault = "coil_short"\nonset = "straight"\nlength = "2 s"\n', "rows.try", ["again and again"],
    ),
    "no detector": (
        '[rows.try]\nfault = "sign_flip"\nchannel = "lateral"\nonset = "straight"\nlength = "1 s"\n', "rows.try",
        ["sign_flip has no detector", "expect.reaction"],
    ),
    "a length for what happens once": (
        '[rows.try]\nfault = "late_tick"\nonset = "straight"\nseverity = "5 ms"\nlength = "1 s"\n', "rows.try.length",
        ["happens once"],
    ),
    "unknown code": (ROW + '[rows.try.expect]\ncodes = "chanel_lost"\n', "rows.try.expect.codes", ["chanel_lost", "channel_lost"]),
    "unknown reaction": (
        ROW + '[rows.try.expect]\nreaction = "panic"\n', "rows.try.expect.reaction", ["'panic'", "safe_hold", "drop_layer"],
    ),
    "no budget": (ROW + '[rows.try.expect]\nreaction = "reduced"\n', "rows.try.expect", ["budget_ms is missing"]),
    "latched and recovering": (
        ROW + "[rows.try.expect]\nlatched = true\nrecovery_ms = 100\n", "rows.try.expect.latched", ["recovery_ms"],
    ),
    "recovery the wrong way round": (
        ROW + "[rows.try.expect]\nrecovery_ms = [3000, 500]\n", "rows.try.expect.recovery_ms", ["must not be above"],
    ),
    "the same row twice": (ROW.replace('"500 ms"', '["500 ms", "0.5 s"]'), "rows.try", ["row try/drop/Inertial", "twice"]),
    "too many": (
        ROW.replace('"500 ms"', "[" + ",".join(f'"{500 + i} ms"' for i in range(7000)) + "]").replace(
            '"straight"', '["straight", "braking", "right"]'
        ), "rows.try", ["more than 20000 rows"],
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_named_with_its_place_and_the_remedy(name: str) -> None:
    text, key, parts = MISTAKES[name]
    with pytest.raises(InputError) as caught:
        plan_of(PLAN_HEAD + text if name != "no toml" else f"\n{text}")
    said = str(caught.value)
    assert "plan.toml" in said
    assert key in said
    for part in parts:
        assert part in said
    assert caught.value.exit_code == 2
    if key:
        line = (caught.value.where or "").split(":")[1]
        assert line.isdigit()
        assert "[rows.try" in "\n".join((PLAN_HEAD + text).splitlines()[: int(line)])


def test_all_mistakes_are_told_at_once() -> None:
    text = PLAN_HEAD + ROW.replace("Inertial", "Intertial").replace("straight", "strait") + "[rows.none]\n"
    with pytest.raises(MistakesError) as caught:
        plan_of(text)
    keys = {finding.key for finding in caught.value.findings}
    assert {"rows.try.message", "rows.try.onset", "rows.none.fault", "rows.none.onset"} <= keys


def test_an_onset_before_the_lead_is_refused() -> None:
    with pytest.raises(InputError, match=r"onsets\.straight.*lead of 3\.2 s|lead of 3200 ms"):
        plan_of((PLAN_HEAD + ROW).replace('"11.5 s"', '"1 s"'))


@pytest.mark.parametrize(
    ("onset", "part"),
    [('{ at = "13 s", led = "5 s" }', "unknown key 'led'"), ('{ lead = "5 s" }', "at is missing"), ("13", "s"),
     ('{ at = "13 s", lead = "14 s" }', "comes before the lead of 14 s|14000 ms"), ('{ at = "90 s", lead = "1 ms" }', "below the least")],
)  # fmt: skip
def test_an_onset_of_its_own_lead_is_checked(onset: str, part: str) -> None:
    with pytest.raises(InputError, match=part) as caught:
        plan_of((PLAN_HEAD + ROW).replace('"11.5 s"', onset))
    assert "onsets.straight" in str(caught.value)


def test_an_onset_may_have_a_lead_of_its_own() -> None:
    onset = row(ROW.replace('"straight"', '"right"'))
    assert (onset.onset_us, onset.lead_us, row(ROW).lead_us) == (16_500_000, 4_500_000, 3_200_000)


def test_a_plan_without_rows_is_refused() -> None:
    with pytest.raises(InputError, match="at least one"):
        plan_of(PLAN_HEAD + "[rows]\n")


def test_a_missing_file_is_named() -> None:
    with pytest.raises(InputError, match=r"nowhere\.toml"):
        load_plan(Path("nowhere.toml"), bus(), image())
    assert Document.read(DEMO / "plan.toml").data["seed"] == 1


def test_the_page_names_every_kind_reaction_and_key() -> None:
    page = (Path(__file__).resolve().parent.parent / "docs" / "faults.md").read_text(encoding="utf-8")
    keys = {*RowsKey.model_fields, *ExpectKey.model_fields}
    for name in (*KINDS, *REACTIONS, *keys - {"second", "expect"}):
        assert f"`{name}`" in page, name
    (example,) = re.findall(r"```toml\n(.*?)```", page, re.DOTALL)
    assert len(plan_of(example).rows) == 8
