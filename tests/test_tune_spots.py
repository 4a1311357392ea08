"""Numbers in a TOML text are changed in place: every other byte stays."""

from __future__ import annotations

import tomllib
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashpot.calibration import Document
from dashpot.errors import InputError
from dashpot.tune.cells import numbers_of
from dashpot.tune.spots import Editor, dotted, leaves, number_span, spots
from tune_kit import DEMO

FORMS = """# a comment = 1
a = 1 # keep "this"
'b c'.d = [ 1, -2.5,   # inside = 3
  [3], { x = "4 mm", y.z = '5 %' }, ]
text = '''6
= [7]'''
many = \"\"\"8 \\" \"quoted\" \"\"\"
when = 1979-05-27 07:32:00Z
flag = true
e = +1_000.5e-3

[[rows]]
n = 1
[rows.below]
m = 2
[[rows]]
n = 3
[ t . "u.v" ]
k = "-0.5 permille/(100 bar/s)"   # end"""


def test_every_value_is_found_where_it_is():
    """tomllib says which values there are; the text of each place parses to that value [S: TOML 1.0]."""
    known = leaves(tomllib.loads(FORMS))
    found = spots(FORMS)
    assert set(found) == set(known)
    for path, (start, end) in found.items():
        assert tomllib.loads(f"v = {FORMS[start:end]}")["v"] == known[path], path


@pytest.mark.parametrize("name", sorted(path.name for path in Path("bench/dashpot").rglob("data/*.toml")))
def test_every_file_of_ours_is_read(name):
    path = next(Path("bench/dashpot").rglob(f"data/{name}"))
    text = path.read_text()
    assert set(spots(text)) == set(leaves(tomllib.loads(text)))


def test_only_the_number_is_written_over():
    made = put(
        FORMS,
        {
            ("b c", "d", 1): "7",
            ("b c", "d", 3, "x"): "40",
            ("rows", 1, "n"): "-3",
            ("t", "u.v", "k"): "1.25",
            ("e",): "2",
        },
        "f.toml",
    )
    expected = (
        FORMS.replace("-2.5", "7").replace('"4 mm"', '"40 mm"').replace("n = 3", "n = -3")
        .replace('"-0.5 per', '"1.25 per').replace("+1_000.5e-3", "2")
    )  # fmt: skip
    assert made == expected


def put(text, numbers, where):
    return Editor(text, where).put(numbers)


TEXT = DEMO.read_text()
CELLS = numbers_of(Document.read(DEMO)).cells


@settings(max_examples=20, deadline=None)
@given(st.dictionaries(st.sampled_from(sorted(CELLS)), st.integers(-999, 999), min_size=1, max_size=12))
def test_the_rest_of_a_calibration_stays_byte_by_byte(wanted):
    """The text between the numbers' places is the same before and after, and each number is the one that was asked for."""
    numbers = {CELLS[key].path: str(value) for key, value in wanted.items()}
    made = put(TEXT, numbers, "calibration.toml")

    def between(text):
        places = spots(text)
        gaps, at = [], 0
        for start, end in sorted(number_span(text, places[path]) for path in numbers):
            gaps.append(text[at:start])
            at = end
        return [*gaps, text[at:]]

    assert between(made) == between(TEXT)
    after = leaves(tomllib.loads(made, parse_float=Decimal))
    for path, number in numbers.items():
        assert str(after[path]).split(" ")[0] == number


def test_writing_the_start_changes_nothing():
    assert put(TEXT, {cell.path: cell.text(cell.start) for cell in CELLS.values()}, "c") == TEXT


def test_line_ends_of_another_system_stay():
    windows = TEXT.replace("\n", "\r\n")
    cell = CELLS["layers.body_load.map.front_left[0][1]"]
    assert put(windows, {cell.path: "301"}, "c") == windows.replace("[350, 300,", "[350, 301,")


def test_what_is_no_number_is_refused():
    with pytest.raises(InputError, match="no number that can be changed"):
        put(FORMS, {("flag",): "1"}, "f.toml")
    with pytest.raises(InputError, match=r"f.toml: a.b: is no number"):
        put(FORMS, {("a", "b"): "1"}, "f.toml")
    with pytest.raises(InputError, match=r"f.toml: a: is no number"):
        put("a = 0x10", {("a",): "1"}, "f.toml")


def test_places_are_written_as_people_do():
    assert dotted(("layers", "base", "front", "demand", "at", 2)) == "layers.base.front.demand[2]"
    assert (
        dotted(("layers", "body_load", "map", "front_left", 0, 3)) == "layers.body_load.map.front_left[0][3]"
    )
