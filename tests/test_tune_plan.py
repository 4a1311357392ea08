"""TUNE.toml: what it may name, in which units, and what moves with what."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest

from dashpot.calibration import Document, pack, parse_calibration
from dashpot.calibration.views import changes
from dashpot.errors import InputError
from dashpot.tune.cells import AXIS, LOCKED, numbers_of, why_locked
from dashpot.tune.plan import Bound
from dashpot.tune.start import moved_locks
from tune_kit import DEMO, HEAD, LAYOUT, MOVES, ROADS, TUNE, tune_of

TEXT = DEMO.read_text()
NUMBERS = numbers_of(Document.read(DEMO))


def knobs(move, text=TEXT):
    calibration = Document("calibration.toml", None, text)
    from dashpot.tune.plan import read_tune

    return read_tune(Document("tune.toml", None, HEAD + move + ROADS), numbers_of(calibration)).knobs


def refused(text):
    with pytest.raises(InputError) as caught:
        tune_of(text)
    return f"{caught.value}\n{caught.value.detail or ''}"


def test_every_locked_number_is_refused_by_name_with_its_reason():
    """One file with a move for each: all of them are told at once."""
    keys = [key for key, why in NUMBERS.locked.items() if why != AXIS]
    assert len(keys) > 200
    moves = "".join(f'[move.n{i}]\ncells = "{key}"\nstep = "1"\nby = "1"\n' for i, key in enumerate(keys))
    said = refused(HEAD + moves + ROADS)
    for i, key in enumerate(keys):
        assert f"move.n{i}.cells: {key}: not for a search, {NUMBERS.locked[key]}" in said


def test_what_the_brief_of_safety_names_is_locked():
    """[D]: limits, valves, fail-safe, checks, board, coils, current control and the layer before the stops."""
    sections = (
        "limits",
        "valves",
        "fail_safe",
        "checks",
        "board",
        "coils",
        "current_control",
        "layers.stroke_end",
    )
    for section in sections:
        own = [key for key in NUMBERS.locked if key.startswith(f"{section}.")]
        assert own, section
        assert not [key for key in NUMBERS.cells if key.startswith(section)]
    assert set(sections) <= set(LOCKED)
    assert all(key.startswith("layers.") for key in NUMBERS.cells)


@pytest.mark.parametrize(
    "pattern", ["*", "layers.*", "layers.*.front.*", "limits.*.least", "valves.front_left.curve.current[*]"]
)
def test_a_pattern_that_takes_in_a_locked_number_is_refused(pattern):
    said = refused(
        HEAD
        + f'[move.all]\ncells = "{pattern}"\nchange = "scale"\nstep = "1 percent"\nby = "5 percent"\n'
        + ROADS
    )
    assert "not for a search" in said


#: One number of each locked part, as the demo has it and as a search must not leave it.
WIDER = {
    "limits.front_left.most": ('front_left = { least = "50 permille", most = "1000', 'front_left = { least = "50 permille", most = "990'),
    "limits.rear_right.least": ('rear_right = { least = "50', 'rear_right = { least = "40'),
    "valves.front_left.safe": ('safe = "800 mA"', 'safe = "810 mA"'),
    "valves.front_left.slew_up": ('slew_up = "80 A/s"', 'slew_up = "90 A/s"'),
    "valves.front_left.curve": ("[320, 560, 900, 1280, 1600]", "[320, 560, 900, 1290, 1600]"),
    "fail_safe.authority_leave": ('authority_leave = "60 ms"', 'authority_leave = "80 ms"'),
    "fail_safe.command_expiry": ('command_expiry = "20 ms"', 'command_expiry = "40 ms"'),
    "checks.lateral.limit": ('lateral = { limit = "0.3 g"', 'lateral = { limit = "0.4 g"'),
    "checks.steer.yaw_gain": ("15.5, 28.4", "15.5, 28.5"),
    "board.supply_low.limit": ('supply_low = { limit = "9 V"', 'supply_low = { limit = "8.5 V"'),
    "coils.short.limit": ('short = { limit = "2500 mA"', 'short = { limit = "2600 mA"'),
    "coils.open.share": ('share = "250 permille"', 'share = "200 permille"'),
    "current_control.response": ('response = "6 ms"', 'response = "7 ms"'),
    "layers.stroke_end.front.compression.peak": ('stop = "55 mm", peak = "950', 'stop = "55 mm", peak = "940'),
    "layers.stroke_end.front.compression.start": ('start = "43 mm"', 'start = "44 mm"'),
    "filters.lateral": ('lateral = "16 ms"', 'lateral = "20 ms"'),
}  # fmt: skip


@pytest.mark.parametrize("key", WIDER)
def test_a_result_with_a_moved_limit_is_refused(key):
    """The last look, at the packed images, however the number got there."""
    before, after = WIDER[key]
    assert before in TEXT
    images = [pack(None, parse_calibration(text), LAYOUT) for text in (TEXT, TEXT.replace(before, after, 1))]
    with pytest.raises(InputError, match=r"which no search may: "):
        moved_locks(changes(*images))
    assert why_locked(key)
    moved_locks(changes(images[0], images[0]))


def test_patterns():
    def keys(pattern):
        return [cell.key for cell in NUMBERS.matching(pattern)[0]]

    assert len(keys("layers.body_load.map.front_left[*][*]")) == 20
    assert keys("layers.body_load.map.front_left[2][*]") == [
        f"layers.body_load.map.front_left[2][{j}]" for j in range(4)
    ]
    assert len(keys("layers.stroke_speed.normal.front.*")) == 6
    assert keys("layers.brake_lead.front.rate_gain") == ["layers.brake_lead.front.rate_gain"]
    assert len(keys("layers.base.*")) == 6
    assert not keys("layers.body_load.map.front_left")


def test_each_cell_by_itself_and_its_bounds():
    """Front high trims are -60 and -30 permille: -150 to 100 in steps of 5 are so many levels each [X]."""
    high = knobs(MOVES)[1:]
    assert [(k.low, k.high) for k in high] == [(-18, 32), (-24, 26)]
    assert high[0].value(high[0].cells[0], -18) == -150


def test_a_group_stays_within_the_bounds_of_all_its_cells():
    """Base at 240 to 400 permille, by 500 either way, least 100 and most 500: -140 to +100 for the group [X]."""
    (one,) = knobs(
        '[move.b]\ncells = "layers.base.front.*"\ntogether = "all"\nby = "500 permille"\nleast = "100 permille"\n'
        'most = "50 percent"\nstep = "10 permille"\n'
    )
    assert (one.low, one.high) == (-14, 10)
    assert [one.value(cell, 10) for cell in one.cells] == [340, 420, 500]


def test_the_schema_bounds_what_the_file_does_not():
    """A demand is at most 1000 permille: 400 leaves 600 [X]."""
    assert (
        knobs(
            '[move.b]\ncells = "layers.base.front.demand[2]"\nby = "900 permille"\nstep = "100 permille"\n'
        )[0].high
        == 6
    )


def test_scaling_a_map():
    """Cells of -40 to 350 permille; a factor keeps zeros and signs; by 40 % in steps of 5 % is 8 levels each way [X]."""
    (one,) = knobs(
        '[move.m]\ncells = "layers.body_load.map.front_left[*][*]"\nchange = "scale"\ntogether = "all"\nby = "40 percent"\nstep = "5 percent"\n'
    )
    assert (one.low, one.high) == (-8, 8)
    assert [one.value(cell, 3) for cell in one.cells[:4]] == [Fraction(350 * 23, 20), 345, 276, 207]
    assert one.cells[0].text(one.value(one.cells[0], 3)) == "402.5"


def test_a_factor_keeps_to_bounds_of_either_sign():
    """-200 permille within -250: by 25 % up, and down to nothing, never past it [X]."""
    (one,) = knobs(
        '[move.m]\ncells = "layers.stroke_speed.rough_braking.front.compression.high"\nchange = "scale"\n'
        'least = "-250 permille"\nmost = "100 permille"\nstep = "5 percent"\n'
    )
    assert (one.low, one.high) == (-20, 5)
    assert one.value(one.cells[0], -20) == 0


def test_both_axles_together():
    made = knobs(
        '[move.s]\ncells = "layers.steer_lead.*_outer"\ntogether = "axles"\nby = "20 permille/(100 deg/s)"\nstep = "2 permille/(100 deg/s)"\n'
    )
    assert [[cell.key.rpartition(".")[2] for cell in knob.cells] for knob in made] == [
        ["front_outer", "rear_outer"]
    ]


def test_sides_together_turn_the_rows_round():
    """Rows go from right turns to left ones, so the left's first row is the right's last."""
    front = "[\n" + "".join(f"    [{i}0, {i}1, {i}2, {i}3],\n" for i in range(1, 6)) + "]"
    text = TEXT.replace('front_right = "mirror"', f"front_right = {front}")
    made = knobs(
        '[move.m]\ncells = "layers.body_load.map.front_*[*][*]"\ntogether = "sides"\nby = "50 permille"\nstep = "5 permille"\n',
        text,
    )
    assert len(made) == 20
    pairs = {knob.cells[0].key[-17:]: knob.cells[1].key[-18:] for knob in made}
    assert pairs["p.front_left[0][2]"[-17:]] == "p.front_right[4][2]"[-18:]


def test_a_mirrored_corner_is_moved_by_its_left_one():
    said = refused(
        HEAD
        + '[move.m]\ncells = "layers.body_load.map.front_right[*][*]"\nstep = "5 permille"\nby = "50 permille"\n'
        + ROADS
    )
    assert 'is it "mirror" in the file? Then its left one moves both' in said


MISTAKES = {
    'minimise = "body_motion_mm"': [
        ('minimise = "body_motion"', "there is no metric 'body_motion'; did you mean body_motion_mm"),
        ('minimise = "stop_hits"', "counts what may not happen at all"),
        ("weights = { heave_mm = 0 }", "outside 0.001 to 1000"),
        ("", "has either `minimise`, one metric, or `weights` of several"),
    ],
    'comfort_m_s2 = { worse_by = "5 percent" }': [
        ("comfort_m_s2 = {}", "bounds nothing"),
        ('comfort_m_s2 = { at_most = "3 mm" }', "'mm' is not a unit of acceleration"),
        ('comfort_m_s2 = { at_least = "1 g" }', "the bound to write is at_most"),
        ('comfort_m_s2 = { worse_by = "5 mm" }', "not a unit of share"),
    ],
    'step = "10 permille"': [
        ('step = "10 mm"', "move.base.step: 'mm' is not a unit of share"),
        ('step = "0.2 permille"', "at least 1 permille, what the controller counts in"),
        ('step = "-5 permille"', "is no step"),
        ("", "step: is missing"),
        ('step = "400 permille"', "no whole step lies between the bounds"),
    ],
    'by = "150 permille"': [
        ("", "has no bounds; write `by`, or `least` and `most`"),
        ('least = "450 permille"\nmost = "500 permille"', "begins outside its own least or most"),
        ('bye = "150 permille"', "unknown key; did you mean by"),
    ],
    'together = "axles"': [('together = "axels"', "'axels' is unknown; did you mean axles")],
    'cells = "layers.base.*.demand[2]"': [
        ('cells = "layers.base.*.demand[3]"', "no number of the calibration is named"),
        ('cells = "layers.body_load.map.front_left"', "write layers.body_load.map.front_left[0][0], or"),
        ('cells = "layers.base.front.position[1]"', "a table's breakpoints stay"),
        ('cells = "layers.stroke_speed.normal.front.compression.high"', "is moved by move.base already"),
        ('cells = ["layers.base.front.demand[2]", "layers.steer_lead.decay"]', "one step cannot serve both"),
    ],
    "seeds = [7, 8]": [
        ("seeds = [7]", "an interval takes at least 2"),
        ("seeds = [1, 8]", "held out is what the search has not seen"),
        ("seeds = [7, 7]", "names a seed twice"),
        ("seeds = 7", "should be a list of whole numbers"),
    ],
    'scenario = "straight_c"': [
        ('scenario = "straigt_c"', "did you mean straight"),
        ('scenario = "nowhere.toml"', "nowhere.toml"),
    ],
    "budget = 18": [("budget = 0", "outside 1 to 100000"), ("budget = 2.5", "is not a whole number")],
}  # fmt: skip


@pytest.mark.parametrize(
    ("right", "wrong", "says"), [(r, w, s) for r, rows in MISTAKES.items() for w, s in rows]
)
def test_mistakes_say_what_would_be_right(right, wrong, says):
    assert right in TUNE
    said = refused(TUNE.replace(right, wrong, 1))
    assert says in said, said
    assert "tune.toml" in said


def test_all_mistakes_at_once_with_their_lines():
    text = (
        TUNE.replace("budget = 18", "budget = 0")
        .replace('step = "10 permille"', 'step = "1 mm"')
        .replace("[7, 8]", "[1]")
    )
    said = refused(text)
    assert "4 mistakes" in said
    for key in ("search.budget", "move.base.step", "held_out.rough.seeds"):
        line = re.search(rf"tune.toml:(\d+): {re.escape(key)}", said)
        assert line, said
        assert key.rpartition(".")[2] in text.splitlines()[int(line[1]) - 1]


def test_bounds_have_the_figures_unit():
    """0.2 g are 1.96133 m/s2 [X], 3 cm are 30 mm, 5 percent are 5 %."""
    text = TUNE.replace(
        'comfort_m_s2 = { worse_by = "5 percent" }',
        'comfort_m_s2 = { at_most = "0.2 g" }\nheave_mm = { at_most = "3 cm" }\nbraking_grip_percent = { at_least = "95 percent" }\n'
        "stop_hits = { at_most = 4 }\nlifted_ms = { no_worse = true }",
    )
    bounds = {bound.metric: bound for bound in tune_of(text).bounds}
    assert bounds["comfort_m_s2"].end == pytest.approx(1.96133)
    assert bounds["heave_mm"].end == pytest.approx(30.0)
    assert bounds["braking_grip_percent"].end == pytest.approx(95.0)
    assert bounds["stop_hits"].end == 4.0
    assert bounds["lifted_ms"] == Bound("lifted_ms", no_worse=True)
