"""Comparisons against plain numpy, planted words, other layouts, lengths and logs."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from compare_kit import CELL, LAYER, SLEW, calibration, changed, loaded, one_cell, plain, replayed
from dashpot.compare.measure import compare_pair, compare_runs
from dashpot.compare.pair import STAGES, pair_runs
from dashpot.errors import InputError
from dashpot.runs import LAYOUT as LAYOUT_NAME
from dashpot.runs import TICKS, open_run
from demo_data import demo_log
from faults_kit import broken_firmware
from images import CORNERS, LAYOUT


def compared(old: Path, new: Path, **options):
    return compare_runs(open_run(old), open_run(new), **options)


@pytest.fixture(scope="module")
def cell():
    return compared(plain(), one_cell())


# Against plain numpy over whole tables [X].


def test_a_run_is_identical_to_itself():
    found = compared(plain(), plain())
    ticks = open_run(plain()).ticks
    assert found.identical
    assert found.same
    assert found.first is None
    assert found.differences == found.faults == found.cautions == []
    assert found.length == 0
    for change in found.corners:
        assert change.first is None
        assert (change.ticks, change.current.ticks, change.current.differ, change.current.rms) == (
            0,
            ticks,
            0,
            0,
        )
        assert sum(part.ticks for part in change.segments) == ticks


def test_equal_values_in_other_bytes_are_the_same_and_not_identical(tmp_path):
    found = compared(plain(), changed(plain(), tmp_path / "run", lambda _: None, batch=1000))
    assert found.same
    assert not found.identical
    assert found.corners[0].modes["active"].ticks > 0


def test_figures_of_every_corner_equal_those_of_numpy(cell):
    old, new = loaded(plain()), loaded(one_cell())
    log_s = (old["log_us"] - old["log_us"][0]) / 1e6
    for change in cell.corners:
        own = [
            name
            for name in old
            if name.endswith(f".{change.corner}") and not name.startswith(("channel.", "meas", "stroke"))
        ]
        assert len(own) == len(LAYOUT.layers) + 4
        assert change.ticks == np.count_nonzero(np.any([old[name] != new[name] for name in own], axis=0))
        columns = {"current_ma": change.current, "demand_permille": change.demand} | {
            f"layer_permille.{layer}": sums for layer, sums in change.layers.items()
        }
        for column, sums in columns.items():
            check(sums, (new[f"{column}.{change.corner}"] - old[f"{column}.{change.corner}"]), log_s)
        current = new[f"current_ma.{change.corner}"] - old[f"current_ma.{change.corner}"]
        for mode, sums in change.modes.items():
            here = (old["mode"] == LAYOUT.modes.index(mode)) & (new["mode"] == old["mode"])
            check(sums, current, log_s, np.flatnonzero(here))
        assert sum(sums.ticks for sums in change.modes.values()) == len(current)
        edges = [len(current) * i // 10 for i in range(11)]
        for i, sums in enumerate(change.segments):
            check(sums, current, log_s, np.arange(edges[i], edges[i + 1]))
            assert cell.segment_s[i][0] == log_s[edges[i]]
    assert cell.corners[0].current.greatest > 10


def check(sums, difference, log_s, rows=None):
    rows = np.arange(len(difference)) if rows is None else rows
    part = difference[rows]
    assert sums.ticks == len(part)
    assert sums.differ == np.count_nonzero(part)
    assert abs(sums.greatest) == np.abs(part).max(initial=0)
    assert sums.rms == pytest.approx(np.sqrt(np.mean(part.astype(float) ** 2)) if len(part) else 0, rel=1e-12)
    if sums.differ:
        at = rows[np.abs(part).argmax()]
        assert (sums.tick, sums.greatest, sums.log_s) == (at, difference[at], log_s[at])


def test_words_that_differ_are_those_of_numpy(cell):
    old, new = loaded(plain()), loaded(one_cell())
    ticks = {name: np.count_nonzero(old[name] != new[name]) for name in old}
    assert {d.item.column: d.ticks for d in cell.differences} == {name: n for name, n in ticks.items() if n}
    assert cell.first.first_tick == min(np.argmax(old[n] != new[n]) for n, count in ticks.items() if count)
    assert cell.first.item.stage == "layers"
    assert cell.first.item.column == "layer_permille.body_load.front_left"


def test_it_is_symmetric(cell):
    back = compared(one_cell(), plain())
    assert back.first.first_tick == cell.first.first_tick
    assert (back.first.old, back.first.new) == (cell.first.new, cell.first.old)
    for there, here in zip(cell.corners, back.corners, strict=True):
        for one, other in [
            (there.current, here.current),
            *((there.modes[m], here.modes[m]) for m in there.modes),
        ]:
            assert one.greatest == -other.greatest
            assert (one.differ, one.tick, one.rms) == (other.differ, other.tick, other.rms)


def test_memory_is_that_of_a_batch_whatever_the_batches(cell, tmp_path):
    """[D]: the figures do not depend on how either file is cut."""
    cut = changed(one_cell(), tmp_path / "run", lambda _: None, batch=777)
    pair = pair_runs(open_run(plain()), open_run(cut))
    longest = []
    found = compare_pair(pair, watch=lambda chunk: longest.append(chunk.ticks))
    assert max(longest) == 777
    assert found.corners == cell.corners
    assert found.differences == cell.differences


# Planted words.


def test_a_planted_word_of_every_column_is_found_at_its_tick_and_stage(tmp_path):
    places = {}

    def plant(columns):
        for i, (name, values) in enumerate(columns.items()):
            places[name] = 100 + 37 * i
            values[places[name]] ^= 1

    found = compared(plain(), changed(plain(), tmp_path / "run", plant, batch=500))
    old = loaded(plain())
    assert {d.item.column: (d.first_tick, d.ticks) for d in found.differences} == {
        n: (t, 1) for n, t in places.items()
    }
    for difference in found.differences:
        value = old[difference.item.column][difference.first_tick]
        if difference.item.mask is None:
            assert (difference.old, difference.new) == (value, value ^ 1)
        assert difference.item.stage != "other"


@pytest.mark.parametrize("seed", range(4))
def test_random_words_are_found_as_a_plain_search_finds_them(tmp_path, seed):
    rng = np.random.default_rng(seed)

    def plant(columns):
        names = rng.choice([name for name in columns if not name.startswith("channels_")], 5, replace=False)
        for name in names:
            first = int(rng.integers(0, 9000))
            columns[name][first : first + int(rng.integers(1, 900))] ^= 1

    new = changed(plain(), tmp_path / "run", plant, batch=int(rng.integers(100, 5000)))
    found = compared(plain(), new)
    before, after = loaded(plain()), loaded(new)
    for change in found.corners:
        ticks = [
            np.flatnonzero(before[name] != after[name])
            for name in before
            if name not in ("guard_acts", "corners_off")
            and (name.endswith(change.corner) or not name.endswith(tuple(CORNERS)))
        ]
        wanted = min((int(part[0]) for part in ticks if len(part)), default=None)
        off = np.flatnonzero(
            (before["corners_off"] ^ after["corners_off"]) & 1 << CORNERS.index(change.corner)
        )
        if len(off):
            wanted = int(off[0]) if wanted is None else min(wanted, int(off[0]))
        assert (None if change.first is None else change.first.first_tick) == wanted


@pytest.mark.parametrize(
    ("words", "stage", "column", "corners"),
    [
        (["log_us", "demand_permille.rear_left"], "time", "log_us", CORNERS),
        (["frames_bad", "faults"], "received", "frames_bad", CORNERS),
        (["measured_ma.rear_left", "current_ma.rear_left"], "board", "measured_ma.rear_left", CORNERS[2:3]),
        (["channel.lateral_mg", "mode", "faults"], "channels", "channel.lateral_mg", CORNERS),
        (["faults", "mode"], "faults", "faults", CORNERS),
        (["mode", "target_ma.front_left", "lateral_filtered_mg"], "mode", "mode", CORNERS),
        (["lateral_filtered_mg", "demand_permille.rear_left"], "estimates", "lateral_filtered_mg", CORNERS),
        (["layer_permille.grip.rear_right", "demand_permille.rear_right"], "layers", "layer_permille.grip.rear_right", CORNERS[3:]),
        (["demand_permille.rear_right", "target_ma.rear_right"], "demand", "demand_permille.rear_right", CORNERS[3:]),
        (["target_ma.front_left", "current_ma.front_left"], "target", "target_ma.front_left", CORNERS[:1]),
        (["current_ma.front_right", "duty_q14.front_right", "guard_acts"], "current", "current_ma.front_right", CORNERS[1:2]),
        (["guard_acts", "duty_q14.front_left"], "guard", "guard_acts", ()),
        (["duty_q14.front_left"], "duty", "duty_q14.front_left", CORNERS[:1]),
    ],
)  # fmt: skip
def test_the_first_of_a_tick_is_the_first_that_the_tick_makes(tmp_path, words, stage, column, corners):
    def plant(columns):
        for word in words:
            columns[word][4321] ^= 1

    found = compared(plain(), changed(plain(), tmp_path / "run", plant))
    assert (found.first.first_tick, found.first.item.stage, found.first.item.column) == (4321, stage, column)
    reached = [c.corner for c in found.corners if c.first is not None and c.first.item.column == column]
    assert reached == list(corners)


def test_stages_are_in_the_order_of_the_firmware():
    """The words of firmware/dashpot/core.py's tick, in its order [D]."""
    text = (Path(__file__).resolve().parent.parent / "firmware/dashpot/core.py").read_text()
    body = text[text.index("def tick(") :]
    calls = [
        "drain(",
        "judge(",
        "choose(",
        "estimate(",
        "lead(",
        "_C_VALVE_TABLE",
        "drive(",
        "guard(",
        "control(",
    ]
    assert [body.index(call) for call in calls] == sorted(body.index(call) for call in calls)
    order = [
        "received",
        "channels",
        "mode",
        "estimates",
        "layers",
        "demand",
        "target",
        "current",
        "guard",
        "duty",
    ]
    assert [stage for stage in STAGES if stage in order] == order


# Faults.


def test_faults_appear_go_and_move(tmp_path):
    bit = {name: 1 << i for i, name in enumerate(LAYOUT.faults)}
    base = changed(plain(), tmp_path / "old", lambda c: mark(c, bit["overrun"], 3000, 3100))

    def plant(columns):
        mark(columns, bit["bus_off"], 1000, 1500)
        mark(columns, bit["bus_off"], 7000, 7001)

    found = compared(base, changed(plain(), tmp_path / "new", plant, batch=512))
    came = {fault.name: fault for fault in found.faults}
    assert set(came) == {"bus_off", "overrun"}
    assert (came["bus_off"].kind, came["overrun"].kind) == ("appeared", "went")
    span = came["bus_off"].new
    assert (span.ticks, span.first_tick, span.last_tick, came["bus_off"].differ) == (501, 1000, 7000, 501)
    assert span.last_s == pytest.approx(14.0, abs=1e-9)
    moved = compared(
        base, changed(plain(), tmp_path / "moved", lambda c: mark(c, bit["overrun"], 3050, 3150))
    )
    assert [(f.name, f.kind, f.differ) for f in moved.faults] == [("overrun", "moved", 100)]


def mark(columns, bit, first, stop):
    columns["faults"][first:stop] |= bit


def test_a_fault_of_the_guard_comes_after_its_current(tmp_path):
    def plant(columns):
        columns["faults"][50] |= 1 << LAYOUT.faults.index("guard_rate")
        columns["current_ma.front_left"][50] += 1

    found = compared(plain(), changed(plain(), tmp_path / "run", plant))
    assert [d.item.stage for d in found.differences] == ["current", "guard"]
    assert found.differences[1].item.said(found.differences[1].new) == "guard_rate"


# Lengths, logs, layouts.


def test_a_shorter_run_is_another_length_and_no_other_value(tmp_path):
    def cut(columns):
        for name in columns:
            columns[name] = columns[name][:8000]

    short = changed(plain(), tmp_path / "run", cut)
    found = compared(plain(), short)
    assert (found.length, found.pair.ticks, found.differences) == (8000 - open_run(plain()).ticks, 8000, [])
    assert not found.same
    assert compared(short, plain()).length == -found.length


def test_another_log_is_told(tmp_path):
    other = replayed(tmp_path / "run", log=demo_log(2, 8.0))
    found = compared(plain(), other)
    assert "different logs" in found.cautions[0]
    assert found.length < 0
    assert found.first.item.stage in ("received", "time")


def test_runs_of_other_layouts_are_compared_by_name(tmp_path):
    """Two faults and two modes change places, a word is added: nothing differs but the word."""
    layout = (plain() / LAYOUT_NAME).read_text()
    for one, other in (('"frame_bad",', '"channel_lost",'), ('"active",', '"reduced",')):
        layout = layout.replace(one, "@").replace(other, one).replace("@", other)
    layout = layout.replace(
        "# Not in the trace.", '[[state]]\nname = "extra_mg"\ntrace = "int16"\ndoc = "more"\n', 1
    )
    a, b = LAYOUT.faults.index("frame_bad"), LAYOUT.faults.index("channel_lost")

    def plant(columns):
        faults, modes = columns["faults"], columns["mode"]
        low, high = faults >> a & 1, faults >> b & 1
        faults &= ~(1 << a | 1 << b)
        faults |= low << b | high << a
        modes[:] = np.array([0, 2, 1, 3, 4], modes.dtype)[modes]

    new = changed(plain(), tmp_path / "run", plant)
    with_word(new, "extra_mg", layout)
    found = compared(plain(), new)
    assert found.differences == []
    assert found.pair.only_new == ("column extra_mg",)
    assert not found.same
    back = compared(new, plain())
    assert back.differences == []
    assert back.pair.only_old == ("column extra_mg",)


def with_word(folder, name, layout):
    """Add a column of zeros at the end, as a firmware with that word in its layout would."""
    import json

    import pyarrow as pa

    from dashpot import runs
    from dashpot.files import sha256_file

    with pa.memory_map(str(folder / TICKS)) as file:
        table = pa.ipc.open_file(file).read_all()
    table = table.append_column(pa.field(name, pa.int16(), False), pa.array([0] * table.num_rows, pa.int16()))
    (folder / TICKS).unlink()
    with pa.OSFile(str(folder / TICKS), "wb") as sink, pa.ipc.new_file(sink, table.schema) as writer:
        writer.write_table(table)
    (folder / LAYOUT_NAME).write_text(layout)
    manifest = json.loads((folder / runs.MANIFEST).read_text())
    manifest["outputs"] = {TICKS: sha256_file(folder / TICKS)}
    runs.write_json(folder / runs.MANIFEST, manifest)


# Real changes.


def test_a_slew_shows_at_the_current_and_nowhere_ahead(tmp_path):
    new = replayed(tmp_path / "run", numbers=calibration(tmp_path, *SLEW))
    found = compared(plain(), new)
    assert found.first.item.stage == "current"
    assert {d.item.stage for d in found.differences} <= {"current", "duty", "board"}
    assert all(sums.differ == 0 for change in found.corners for sums in change.layers.values())
    assert min(change.current.greatest for change in found.corners) < 0


def test_a_broken_layer_shows_at_that_layer_of_its_corners(tmp_path):
    new = replayed(tmp_path / "run", firmware=broken_firmware(tmp_path, *LAYER))
    found = compared(plain(), new)
    assert found.first.item.column == "layer_permille.brake_lead.front_right"
    for change in found.corners:
        others = [n for n, sums in change.layers.items() if sums.differ and n not in ("brake_lead", "clamp")]
        assert others == []
        right = change.corner.endswith("right")
        assert (change.layers["brake_lead"].greatest == 30) == right
        assert (change.current.differ > 0) == right


def test_the_same_calibration_replayed_again_is_identical(tmp_path):
    again = replayed(tmp_path / "run", numbers=calibration(tmp_path, CELL[0], CELL[0]))
    assert compared(plain(), again).identical


# Bad input.


def test_what_cannot_be_compared_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such run folder"):
        compared(plain(), tmp_path / "nothing")
    torn = shutil.copytree(plain(), tmp_path / "torn")
    data = (torn / TICKS).read_bytes()
    (torn / TICKS).write_bytes(data[: len(data) // 2])
    with pytest.raises(InputError, match="damaged"):
        compared(plain(), torn)
    bent = shutil.copytree(plain(), tmp_path / "bent")
    raw = bytearray(data)
    raw[len(raw) // 2] ^= 0xFF
    (bent / TICKS).write_bytes(bytes(raw))
    with pytest.raises(InputError, match="is not the file that"):
        compared(plain(), bent)
