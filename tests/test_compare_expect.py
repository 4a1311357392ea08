"""Expectations: what a file may say, all its mistakes at once, wanted and unwanted differences."""

from __future__ import annotations

import pytest

from compare_kit import CELL, SLEW, calibration, changed, one_cell, plain, replayed
from dashpot.calibration.findings import Document
from dashpot.compare.expect import Ends, read_expectations
from dashpot.compare.measure import compare_pair
from dashpot.compare.pair import pair_runs
from dashpot.compare.verdict import Judge, judge
from dashpot.errors import InputError
from dashpot.runs import open_run
from images import CORNERS, LAYOUT

HEAD = 'name = "test"\n[wanted.more]\n'
FRONT = 'corners = ["front_left", "front_right"]\nlayers = ["body_load"]\n'


def expectations(text):
    return read_expectations(Document("expect.toml", None, text), [LAYOUT])


def verdicts(text, *pairs):
    """What is wrong, by log and check."""
    expected = expectations(text)
    compared = []
    for i, (old, new) in enumerate(pairs):
        pair = pair_runs(open_run(old), open_run(new))
        own = Judge(pair, expected.wanted)
        compared.append((f"log{i}", compare_pair(pair, watch=own), own))
    checks = judge(expected, compared, [])
    return {(check.log, check.name): check.fault for check in checks if check.fault}


def cell(text, **_):
    return verdicts(text, (plain(), one_cell()))


# The file.


def test_a_file_is_read_with_its_units():
    """[X]: 60 km/h = 5000/3 cm/s, 0.5 g = 500 mg, 1 percent = 10 per mille."""
    made = expectations(
        HEAD
        + FRONT
        + 'speed = { from = "60 km/h" }\nlateral = { from = "-0.5 g", to = "0 g" }\ntime = { to = "2 s" }\n'
        'settle = "20 ms"\ncurrent = { at_least = "1 mA", at_most = "0.1 A" }\nshare = { at_most = "1 percent" }\n'
        'stages = ["faults"]\nmodes = "active"\ndirection = "up"\nin_each = true\n'
    ).wanted[0]
    assert made.ranges["channel.road_speed_cm_s"].low == pytest.approx(5000 / 3)
    assert made.ranges["channel.lateral_mg"] == Ends(-500.0, 0.0)
    assert (made.time_s, made.settle_us, made.modes) == (Ends(None, 2.0), 20_000, ("active",))
    assert (made.current_ma, made.share_permille) == (Ends(1.0, 100.0), Ends(None, 10.0))
    assert (made.stages, made.direction, made.in_each) == (("faults",), "up", True)


def test_what_is_left_out_is_everywhere_and_no_layer():
    made = expectations(HEAD).wanted[0]
    assert (made.corners, made.modes, made.layers, made.stages) == (CORNERS, LAYOUT.modes, (), ())
    assert expectations(HEAD + 'layers = "all"\n').wanted[0].layers == LAYOUT.layers


def test_all_mistakes_come_at_once_with_their_lines():
    with pytest.raises(InputError) as caught:
        expectations(
            HEAD
            + 'corners = ["front_lef"]\nlayers = ["brake_leed"]\nmodes = []\nstages = ["demand"]\nspeeed = 1\n'
            'speed = { from = "60 mA" }\nlateral = { from = "1 g", to = "-1 g" }\ncurrent = { at_least = "-1 mA" }\n'
            'share = { least = "1 percent" }\ntime = {}\ndirection = "left"\nsettle = "2 min"\n'
        )
    said = caught.value.detail
    for line, piece in {
        3: "did you mean front_left",
        4: "did you mean brake_lead",
        5: "is empty; name at least one",
        6: "there is no 'demand'",
        7: "unknown key",
        8: "is not a unit of",
        9: "from is 1 g, above to, -1 g",
        10: "below the least, 0 mA",
        11: "did you mean at_least",
        12: "is empty; write from or to",
        13: "is no direction",
        14: "is not a unit of",
    }.items():
        assert any(
            row.strip().startswith(f"expect.toml:{line}: ") and piece in row for row in said.splitlines()
        ), f"{line} {piece}\n{said}"


def test_a_demand_needs_layers():
    with pytest.raises(InputError, match="name the layers"):
        expectations(HEAD + 'demand = { at_least = "1 permille" }\n')


# Verdicts.


def test_a_wanted_change_passes():
    assert cell(HEAD + FRONT) == {}


def test_without_any_wanted_nothing_may_differ():
    assert list(cell('name = "none"\n')) == [("log0", "nothing else differs")]
    assert verdicts('name = "none"\n', (plain(), plain())) == {}


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ('corners = "front_left"\nlayers = ["body_load"]\n', ".front_right"),
        ('corners = ["front_left", "front_right"]\nlayers = ["brake_lead"]\n', "layer_permille.body_load.front_left"),
        ('corners = ["front_left", "front_right"]\n', "layer_permille.body_load.front_left"),
        (FRONT + 'modes = "safe_hold"\n', "layer_permille"),
        (FRONT + 'time = { from = "17 s" }\n', "layer_permille"),
        (FRONT + 'speed = { to = "50 km/h" }\n', "layer_permille"),
        (FRONT + 'lateral = { from = "0 g" }\n', "layer_permille"),
    ],
)  # fmt: skip
def test_what_is_outside_of_the_wanted_fails(text, column):
    assert column in cell(HEAD + text)["log0", "nothing else differs"]


def test_a_cell_acts_between_its_neighbours_only():
    """[X]: the cell of the left side is at -0.7 g, its neighbours at -1.4 and 0 g; the right side is its mirror."""
    left = '[wanted.left]\ncorners = "front_left"\nlayers = ["body_load"]\nlateral = { to = "30 mg" }\n'
    right = '[wanted.right]\ncorners = "front_right"\nlayers = ["body_load"]\nlateral = { from = "-30 mg" }\n'
    assert cell('name = "test"\n' + left + right) == {}
    assert cell('name = "test"\n' + left.replace("{ to", "{ from") + right) != {}


def test_bounds_hold_both_ways():
    """The cell gives at most 30 per mille; front valves have 340 mA over 300 per mille there [X]: at most 34 mA."""
    assert cell(HEAD + FRONT + 'current = { at_least = "10 mA", at_most = "34 mA" }\n') == {}
    assert cell(HEAD + FRONT + 'demand = { at_least = "8 permille", at_most = "30 permille" }\n') == {}
    most = cell(HEAD + FRONT + 'current = { at_most = "5 mA" }\n')[None, "more"]
    assert "front_left: the current differs by 17 mA, wanted is at most 5" in most
    least = cell(HEAD + FRONT + 'demand = { at_least = "40 permille" }\n')[None, "more"]
    assert "wanted is at least 40" in least
    share = cell(HEAD + FRONT + 'share = { at_least = "90 percent" }\n')[None, "more"]
    assert "per mille of the window, wanted is at least 900" in share
    assert cell(HEAD + FRONT + 'share = { at_least = "1 percent", at_most = "60 percent" }\n') == {}


def test_a_direction_is_kept():
    assert cell(HEAD + FRONT + 'direction = "up"\n') == {}
    assert "the other way than down" in cell(HEAD + FRONT + 'direction = "down"\n')[None, "more"]


def test_a_wanted_change_that_did_not_happen_fails():
    both = (plain(), plain())
    assert "front_left: the current does not differ" in verdicts(HEAD + FRONT, both)[None, "more"]
    assert "front_right" in verdicts(HEAD + FRONT, both)[None, "more"]
    never = verdicts(HEAD + FRONT + 'speed = { from = "300 km/h" }\n', both)[None, "more"]
    assert "no tick lies in its window" in never


def test_one_log_of_several_may_show_it_unless_each_must():
    pairs = ((plain(), plain()), (plain(), one_cell()))
    assert verdicts(HEAD + FRONT, *pairs) == {}
    assert list(verdicts(HEAD + FRONT + "in_each = true\n", *pairs)) == [("log0", "more")]


def test_other_stages_are_wanted_by_name_only(tmp_path):
    def plant(columns):
        columns["faults"][6000:6010] |= 1 << LAYOUT.faults.index("overrun")
        columns["current_ma.front_left"][6000] += 1

    new = changed(plain(), tmp_path / "run", plant)
    text = HEAD + 'corners = "front_left"\n'
    assert "faults was none and is overrun" in verdicts(text, (plain(), new))["log0", "nothing else differs"]
    assert verdicts(text + 'stages = ["faults"]\n', (plain(), new)) == {}


def test_a_difference_may_last_after_its_window_for_as_long_as_it_says(tmp_path):
    """Window to 10.000 s, tick 5000; the difference lasts to tick 5030, 60 ms later, over a batch's edge."""

    def plant(columns):
        columns["current_ma.front_left"][4990:5031] += 7

    new = changed(plain(), tmp_path / "run", plant, batch=5010)
    text = HEAD + 'corners = "front_left"\ntime = { from = "5 s", to = "10 s" }\n'
    assert verdicts(text + 'settle = "60 ms"\n', (plain(), new)) == {}
    late = verdicts(text + 'settle = "58 ms"\n', (plain(), new))["log0", "nothing else differs"]
    assert "in tick 5030, " in late


def test_a_trace_in_the_coil_may_stay_and_no_more_than_that(tmp_path):
    """The coil's loop keeps two milliamperes after the window; more, or ahead of it, is another change."""

    def plant(columns, tick=5800, trace=2):
        columns["current_ma.front_left"][4990:5000] += 7
        columns["measured_ma.front_left"][tick] += trace
        columns["duty_q14.front_left"][tick] += 4 * trace

    text = HEAD + 'corners = "front_left"\ntime = { from = "5 s", to = "10 s" }\n'
    stays = changed(plain(), tmp_path / "stays", plant, batch=5100)
    assert verdicts(text, (plain(), stays)) == {}
    for name, tick, trace in (("more", 5900, 3), ("less", 5900, -3), ("ahead", 2000, 1)):
        new = changed(plain(), tmp_path / name, lambda columns: plant(columns, tick, trace), batch=5100)  # noqa: B023 - called at once
        said = verdicts(text, (plain(), new))["log0", "nothing else differs"]
        assert f"2 words differ; first in tick {tick}, " in said


def test_a_length_fails_whatever_is_wanted(tmp_path):
    def cut(columns):
        for name in columns:
            columns[name] = columns[name][:-5]

    short = changed(one_cell(), tmp_path / "run", cut)
    assert "5 ticks fewer" in verdicts(HEAD + FRONT, (plain(), short))["log0", "length"]


def test_a_change_that_does_more_than_wanted_fails(tmp_path):
    """The cell and, by mistake, a slew of all corners."""
    path = calibration(tmp_path, *CELL)
    path.write_text(path.read_text().replace(*SLEW))
    new = replayed(tmp_path / "run", numbers=path)
    said = verdicts(HEAD + FRONT, (plain(), new))["log0", "nothing else differs"]
    assert "at current: current_ma.rear_right" in said
