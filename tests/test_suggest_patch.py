"""Values set in a TOML text: only they change, in every way a table can be written; the diff is one that `patch` takes."""

from __future__ import annotations

import subprocess
import tomllib

import pytest

from dashpot.calibration import load_calibration
from dashpot.resources import demo_dir
from dashpot.suggest.patch import Edit, changed, diff

TEXT = """# car
name = "x"  # a comment with key = "value"

[channels.lateral]
signal = "A.B"  # zero = "9 g"
sign = 1
range = ["-4 g", "4 g"]

[channels.stroke]
front_left = { signal = "S.F", zero = "79.2 mm", range = ["-80 mm", "80 mm"], note = "zero = 1, {" }

[checks]
lateral = { limit = "0.3 g", heal_limit = "0.2 g", trip = "200 ms" }
roll = { trip = "1 s", roll = { front = "49 mm", rear = "52 mm" } }

[checks.steer.gain]
curve = { speed = { unit = "km/h", at = [0, 20] }, yaw_rate = { unit = "deg/s", at = [0, 15.5] } }
"""


def value(text, key):
    table = tomllib.loads(text)
    for part in key.split("."):
        table = table[part]
    return table


@pytest.mark.parametrize(
    ("key", "literal", "expected"),
    [
        ("channels.lateral.sign", "-1", -1),
        ("channels.lateral.signal", '"C.D"', "C.D"),
        ("channels.lateral.range", '["-1 g", "1 g"]', ["-1 g", "1 g"]),
        ("channels.lateral.zero", '"0.1 g"', "0.1 g"),
        ("channels.stroke.front_left.zero", '"80 mm"', "80 mm"),
        ("checks.lateral.limit", '"0.5 g"', "0.5 g"),
        ("checks.lateral.heal_limit", '"0.4 g"', "0.4 g"),
        ("checks.roll.roll.rear", '"60 mm"', "60 mm"),
        ("checks.steer.gain.curve.yaw_rate.at", "[0, 20]", [0, 20]),
        ("checks.steer.gain.curve.speed.at", "[0, 30]", [0, 30]),
        ("messages.A.period", '"5 ms"', "5 ms"),
    ],
)
def test_one_value_changes_and_nothing_else(key, literal, expected):
    after, left = changed(TEXT, [Edit(key, literal)])
    assert left == []
    assert value(after, key) == expected
    *path, leaf = key.split(".")
    mine, was = tomllib.loads(after), tomllib.loads(TEXT)
    inner, inner_was = mine, was
    for part in path:
        inner, inner_was = inner[part], inner_was.setdefault(part, {})
    inner.pop(leaf)
    inner_was.pop(leaf, None)
    assert mine == was
    # Comments stay, and all other lines.
    kept = [line for line in TEXT.splitlines() if line in after.splitlines()]
    assert len(kept) >= len(TEXT.splitlines()) - 1
    assert after.count("#") == TEXT.count("#")


def test_what_has_no_place_is_given_back():
    many = 'a = [\n  1,\n  2,\n]\nb = { c = """x""" }\n'
    edits = [Edit("a.b", "1"), Edit("b.d", "1")]
    after, left = changed(many, edits)
    assert (after, left) == (many, edits)


def test_a_new_table_goes_to_the_end():
    after, left = changed("a = 1", [Edit("messages.M.period", '"5 ms"')])
    assert left == []
    assert tomllib.loads(after) == {"a": 1, "messages": {"M": {"period": "5 ms"}}}


def test_every_value_of_the_demos_calibration_can_be_set(tmp_path):
    """Each scalar of the file, set to itself with another spelling, leaves the same calibration."""
    path = demo_dir() / "data" / "calibration.toml"
    text = path.read_text()
    edits = [
        Edit(".".join(key), f'"{found}"')
        for key, found in leaves(tomllib.loads(text))
        if isinstance(found, str)
    ]
    spaced = [
        Edit(edit.key, edit.literal.replace(" ", "  "))
        for edit in edits
        if not edit.key.startswith(("name", "notes"))
    ]
    after, left = changed(text, spaced)
    assert left == []
    assert len(spaced) > 150
    (tmp_path / "c.toml").write_text(after)
    assert load_calibration(tmp_path / "c.toml").model_dump() == load_calibration(path).model_dump()
    assert after != text


def leaves(table, path=()):
    for key, found in table.items():
        if isinstance(found, dict):
            yield from leaves(found, (*path, key))
        else:
            yield (*path, key), found


@pytest.mark.parametrize("ending", ["\n", ""])
def test_the_diff_is_one_that_patch_takes(tmp_path, ending):
    before = "a = 1\n" * 5 + "b = 2" + ending
    after = before.replace("b = 2", "b = 3\nc = 4")
    path = tmp_path / "x.toml"
    path.write_text(before)
    text = diff(before, after, "x.toml")
    done = subprocess.run(
        ["patch", "-p1"], cwd=tmp_path, input=text, text=True, capture_output=True, check=False
    )
    assert done.returncode == 0, done.stdout
    assert path.read_text() == after
    assert diff(before, before, "x.toml") == ""
