"""`dashpot characterise` from files: the readers, the page that explains it, the plant's own valve found again, exit codes."""

from __future__ import annotations

import json
import re
import shlex
from dataclasses import dataclass
from html import escape
from pathlib import Path

import numpy as np
import pytest

from characterise_kit import Noise, Truth, sines, slow
from dashpot.calibration import units as cal_units
from dashpot.cautions import CAUTIONS
from dashpot.characterise import analysis, example
from dashpot.characterise.readings import (
    DEGREES,
    DUTY,
    FAMILIES,
    load_columns,
    read_dyno,
    scale_of,
)
from dashpot.cli import main
from dashpot.commands.characterise import command
from dashpot.errors import InputError
from dashpot.plant.valve_file import demo_valves, load_valve, valve_text

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "docs" / "characterise.md").read_text(encoding="utf-8")


# The page


@dataclass(frozen=True)
class Day:
    folder: Path
    said: dict


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    """What the page's commands make, in a folder of their own."""
    folder = tmp_path_factory.mktemp("dyno")
    (block,) = re.findall(r"^```sh\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        # The bands' width is tried elsewhere.
        patch.setattr(analysis, "REPLICATES", 30)
        for line in block.splitlines():
            words = shlex.split(line)
            assert words[0] == "dashpot"
            assert main(words[1:]) == 0, line
    return Day(folder, json.loads((folder / "front_valve" / "result.json").read_text(encoding="utf-8")))


def test_the_plants_own_valve_is_found_again(day: Day) -> None:
    found, true = load_valve(day.folder / "front_valve" / "valve.toml"), demo_valves()[0]
    assert found.name == "Merlin T4 front"
    assert (found.least_a, found.most_a) == (true.least_a, true.most_a)
    # It was run at 200 and 300 mA, so the jump lies anywhere between; the truth is 210 mA.
    assert found.passive_below_a == pytest.approx(0.2, abs=1e-3)
    speed = np.array([-0.75, -0.4, -0.1, -0.03, 0.03, 0.1, 0.4, 0.75])
    for current in (0.0, 0.3, 0.5, 0.8, 1.2, 1.6):
        assert found.force_n(speed, current) == pytest.approx(
            true.force_n(speed, current), rel=0.012, abs=2.5
        )
    assert found.gas_force_n == pytest.approx(true.gas_force_n, abs=0.5)
    assert found.gas_rate_n_per_m == pytest.approx(true.gas_rate_n_per_m, rel=0.02)
    assert found.friction_n == pytest.approx(true.friction_n, abs=0.8)
    assert found.lag_s == pytest.approx(true.lag_s, rel=0.02)
    assert found.hysteresis_a == pytest.approx(true.hysteresis_a, abs=0.001)
    assert found.resistance_ohm == pytest.approx(true.resistance_ohm, rel=0.005)
    assert found.inductance_h == pytest.approx(true.inductance_h, rel=0.03)
    for mine, theirs in ((found.up, true.up), (found.down, true.down)):
        assert mine.delay_s == pytest.approx(theirs.delay_s, abs=2e-4)
        assert mine.time_s == pytest.approx(theirs.time_s, rel=0.03)
    # The demo calibration's comment: a front valve without a current is as firm as with 900 mA [D].
    assert day.said["without_current"]["matches_ma"] == pytest.approx(900.0, abs=5.0)


def test_the_result_says_what_it_rests_on(day: Day) -> None:
    folder = day.folder / "front_valve"
    assert {path.name for path in folder.iterdir()} == {"valve.toml", "report.html", "result.json"}
    said = day.said
    assert (said["doubts"], said["assumed"]) == ([], [])
    assert [one["name"] for one in said["inputs"]] == [example.SINES, example.STEPS, example.SLOW]
    valve = load_valve(folder / "valve.toml")
    evidence = dict(valve.evidence)
    assert said["inputs"][0]["sha256"] in evidence["sines.csv"]
    assert "±" in evidence["friction"]
    assert valve_text(valve) == (folder / "valve.toml").read_text(encoding="utf-8")
    surface = said["surface"]
    shape = np.array(surface["force_n"]).shape
    assert shape == (2, len(surface["current_ma"]), len(surface["speed_mm_s"]))
    assert np.array(surface["band_n"]).shape == np.array(surface["half_strokes"]).shape == shape
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert page.count("<svg") == 7
    assert "http://" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "https://" not in page
    assert escape(CAUTIONS) in page
    for row in ("friction", "coil resistance at 20 C", "Forces in rebound, N"):
        assert row in page


def test_the_page_lists_every_option_doubt_and_key() -> None:
    for parameter in command.params:
        for option in parameter.opts:
            assert not option.startswith("--") or f"`{option}" in PAGE, option
    source = (ROOT / "bench" / "dashpot" / "characterise" / "doubts.py").read_text(encoding="utf-8")
    codes = set(re.findall(r'Doubt\(\s*"(\w+)"', source))
    assert len(codes) >= 20
    assert {code for code in codes if f"`{code}`" not in PAGE} == set()
    keys = set(re.findall(r"^(\w+) =", valve_text(demo_valves()[0]), re.MULTILINE))
    assert {key for key in keys if not re.search(rf"\b{key}\b", PAGE)} == set()
    for quantity, (family, _) in FAMILIES.items():
        assert f"`{quantity}`" in PAGE
        assert family.shown in PAGE


def test_the_pages_columns_file_is_right(tmp_path: Path) -> None:
    (block,) = re.findall(r"^```toml\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    path = tmp_path / "columns.toml"
    path.write_text(block, encoding="utf-8")
    columns = load_columns(path)
    assert columns.force.sign == -1
    (sample,) = re.findall(r"^```csv\n(.*?)^```", PAGE, re.MULTILINE | re.DOTALL)
    head, row = sample.splitlines()
    csv = tmp_path / "a.csv"
    csv.write_text(f"{head}\n" + "".join(f"{i / 100}{row[6:]}\n" for i in range(60)), encoding="utf-8")
    read = read_dyno(csv)
    assert (read.position_m[0], read.force_n[0], read.current_a[0]) == pytest.approx(
        (-0.0100012, 158.1, 0.0012)
    )


# The readers


def written(path: Path, head: str, rows: int = 60, row: str = "{t},{x},{f},0.5") -> Path:
    lines = [
        row.format(t=f"{i / 100:.2f}", x=f"{10 * np.sin(i / 9):.4f}", f=f"{50 + i}") for i in range(rows)
    ]
    path.write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    return path


HEAD = "time [s],position [mm],force [N],current [A]"


def test_units_become_si(tmp_path: Path) -> None:
    head = "Time (ms),Stroke (in),Load (lbf),Current (mA),Velocity (in/s),Oil temperature (degF),Duty cycle (percent),Supply (mV),x"
    read = read_dyno(written(tmp_path / "a.csv", head, row="{t},{x},{f},500,2,212,40,13500,7"))
    # 1 in = 25.4 mm, 1 lbf = 4.4482216152605 N: NIST SP 811 [S]; 212 F is 100 C.
    assert read.time_s[5] == pytest.approx(5e-5)
    assert read.position_m[5] == pytest.approx(10 * np.sin(5 / 9) * 0.0254, abs=1e-5)
    assert read.force_n[5] == pytest.approx(55 * 4.4482216152605)
    for values, wanted in (
        (read.current_a, 0.5), (read.speed_m_s, 0.0508), (read.temperature_c, 100.0), (read.duty, 0.4), (read.voltage_v, 13.5),
    ):  # fmt: skip
        assert values == pytest.approx(np.full(60, wanted))
    assert read.ignored == ("x",)
    assert scale_of("temperature", "K") == DEGREES["K"] == (1.0, 273.15)
    assert DUTY.factor("1") == 1000
    assert FAMILIES["current"][0] is cal_units.CURRENT


def test_separators_decimal_commas_unit_rows_and_remarks(tmp_path: Path) -> None:
    plain = read_dyno(written(tmp_path / "a.csv", HEAD))
    text = (tmp_path / "a.csv").read_text(encoding="utf-8")
    comma = text.replace(",", ";").replace(".", ",")
    tab = text.replace(",", "\t").replace(
        HEAD.replace(",", "\t"), "time\tposition\tforce\tcurrent\ns\tmm\tN\tA"
    )
    brackets = tab.replace("\ns\tmm\tN\tA", "\n[s]\t[mm]\t[N]\t[A]")
    for made in (
        comma,
        tab,
        brackets,
        "# a remark\n\n" + text,
        "\ufeff" + text,
        text.replace("\n", "\r\n"),
        text + "\n\n",
    ):
        path = tmp_path / "b.csv"
        path.write_bytes(made.encode())
        again = read_dyno(path)
        assert np.array_equal(again.force_n, plain.force_n)
        assert again.position_m == pytest.approx(plain.position_m)


def test_columns_files_name_units_and_signs(tmp_path: Path) -> None:
    path = written(tmp_path / "a.csv", "a,b,c,d")
    told = tmp_path / "columns.toml"
    told.write_text(
        '[time]\ncolumn = "a"\nunit = "s"\n[position]\ncolumn = "b"\nunit = "mm"\nsign = -1\n'
        '[force]\ncolumn = "c"\nunit = "kN"\n[current]\ncolumn = "d"\nunit = "A"\n',
        encoding="utf-8",
    )
    read = read_dyno(path, load_columns(told))
    assert read.position_m[5] == pytest.approx(-0.01 * np.sin(5 / 9), abs=1e-6)
    assert read.force_n[5] == pytest.approx(55_000.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('[time]\ncolumn = "a"\nunit = "h"\n', "time.unit: 'h' is not a unit of time"),
        ('[time]\ncolumn = "a"\nunit = "s"\nsing = 1\n', "did you mean sign?"),
        ('[temperature]\ncolumn = "a"\nunit = "R"\n', "'R' is not a unit of temperature"),
        ('[time]\ncolumn = "a"\nunit = "s"\nsign = 2\n', "time.sign"),
        ("[tyme]\n", "tyme: unknown key; did you mean time"),
    ],
)
def test_wrong_columns_files(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "columns.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as failure:
        load_columns(path)
    assert said in str(failure.value)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (
            "time,position [mm],force [N],current [A]",
            "the column 'time' declares no unit; write it as time [ms]",
        ),
        ("time [s],position [N],force [N],current [A]", "column 'position': 'N' is not a unit of length"),
        ("time [s],x [mm],force [N],current [A]", "there is no column for the position"),
        ("time [s],position [mm],force [N],x [A]", "there is no column for the current"),
        ("time [s],position [mm],force [N],load [N]", "two columns could be the force"),
    ],
)
def test_wrong_headers(tmp_path: Path, head: str, said: str) -> None:
    path = written(tmp_path / "a.csv", head)
    with pytest.raises(InputError) as failure:
        read_dyno(path)
    assert said in str(failure.value)
    assert f"{path}:1" in str(failure.value)


@pytest.mark.parametrize(
    ("line", "text", "said"),
    [
        (10, "0.08,1,x,0.5", "column 3 is 'x'; a number is wanted"),
        (10, "0.08,1,,0.5", "column 3 is empty"),
        (10, "0.08,1", "2 cells; the header has 4 columns"),
        (10, "0.08,1,nan,0.5", "column 3 is nan; a finite number is wanted"),
        (10, "0.02,1,3,0.5", "the time does not rise: 0.02 comes after"),
        (2, "-inf,1,3,0.5", "column 1 is -inf"),
    ],
)
def test_wrong_rows_are_named_by_their_line(tmp_path: Path, line: int, text: str, said: str) -> None:
    path = written(tmp_path / "a.csv", HEAD)
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[line - 1] = text
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    with pytest.raises(InputError) as failure:
        read_dyno(path)
    assert said in str(failure.value)
    assert f"{path}:{line}" in str(failure.value)
    # Empty lines count as lines, but not as rows.
    path.write_text("\n".join([lines[0], "", *lines[1:]]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match=rf"a\.csv:{line + 1}"):
        read_dyno(path)


def test_files_that_are_none(tmp_path: Path) -> None:
    for name, content, said in (
        ("empty.csv", b"", "is empty"),
        ("remarks.csv", b"# a\n", "is empty"),
        ("short.csv", f"{HEAD}\n0,0,0,0\n".encode(), "has 1 rows"),
        ("bytes.csv", b"\xff\xfe\x00\x01" * 50, "not a text in UTF-8"),
    ):
        path = tmp_path / name
        path.write_bytes(content)
        with pytest.raises(InputError, match=said):
            read_dyno(path)
    with pytest.raises(InputError, match="cannot be read: No such file"):
        read_dyno(tmp_path / "none.csv")
    with pytest.raises(InputError, match="more than 40 rows in all"):
        read_dyno(written(tmp_path / "a.csv", HEAD), most_rows=40)


# The command


@pytest.fixture
def small(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Few sines and a slow triangle as files."""
    monkeypatch.setattr(analysis, "REPLICATES", 4)
    rng = np.random.default_rng(5)
    runs = ((0.016, 1.0, 1), (0.025, 1.27, 1), (0.025, 2.2, 2), (0.010, 8.0, 3))
    made = [
        sines(Truth(), rng, Noise(), levels=(0.0, 0.3, 0.8, 1.5), runs=runs, both_ways=False),
        slow(Truth(), rng, Noise(), current=0.8, speed=0.006),
    ]
    paths = []
    for reading in made:
        path = tmp_path / reading.name
        table = (reading.time_s, 1e3 * reading.position_m, reading.force_n, reading.current_a)
        np.savetxt(path, np.stack(table, axis=1), "%.5f", ",", header=HEAD, comments="")
        paths.append(str(path))
    return paths


def run(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str, str]:
    code = main(["characterise", *map(str, arguments)])
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_doubts_assumptions_and_codes(
    small: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, err = run(capsys, *small, "--out", tmp_path / "v")
    assert code == 0
    assert "valve.toml is the valve file" in out
    for text in ("hysteresis is hidden", "no temperature was recorded", "assumed, not measured: response up"):
        assert text in err
    valve = load_valve(tmp_path / "v" / "valve.toml")
    assert any(key.startswith("ASSUMED") for key, _ in valve.evidence)
    assert any(key == "doubt one_way" for key, _ in valve.evidence)
    code, _, err = run(capsys, *small, "--out", tmp_path / "v")
    assert code == 2
    assert "exists already" in err
    code, out, err = run(
        capsys, *small, "--out", tmp_path / "v", "--replace", "--strict", "--json", "--plots", "--resistance", "2.35 ohm",
        "--inductance", "11 mH", "--oil", 55, "--speed", "200 mm/s", "--safe", "700 mA", "--name", "it",
    )  # fmt: skip
    assert code == 1
    assert "in doubt" in err
    said = json.loads(out)
    assert said == json.loads((tmp_path / "v" / "result.json").read_text(encoding="utf-8"))
    assert said["valve_curve"]["evened_over"] == "200 mm/s"
    assert {path.suffix for path in (tmp_path / "v").iterdir()} == {".toml", ".html", ".json", ".svg"}
    valve = load_valve(tmp_path / "v" / "valve.toml")
    assert (valve.name, valve.safe_a, valve.resistance_ohm, valve.inductance_h, valve.temperature_c) == ("it", 0.7, 2.35, 0.011, 55.0)  # fmt: skip
    # The same files and seed: the same bytes.
    before = {path.name: path.read_bytes() for path in (tmp_path / "v").iterdir()}
    run(
        capsys, *small, "--out", tmp_path / "v", "--replace", "--plots", "--resistance", "2.35 ohm", "--inductance", "11 mH",
        "--oil", 55, "--speed", "200 mm/s", "--safe", "700 mA", "--name", "it",
    )  # fmt: skip
    assert before == {path.name: path.read_bytes() for path in (tmp_path / "v").iterdir()}


def test_what_cannot_be_used_leaves_nothing(
    small: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    slow_only = small[1:]
    bad = tmp_path / "bad.csv"
    bad.write_text(f"{HEAD}\n0,0,x,0\n", encoding="utf-8")
    for code, arguments, said in (
        (1, [*slow_only, "--out", tmp_path / "v"], "no stroke at a held current"),
        (2, [bad, "--out", tmp_path / "v"], "bad.csv:2: column 3 is 'x'"),
        (2, ["--out", tmp_path / "v"], "there is no dyno file"),
        (2, small, "give --out"),
        (
            2,
            [*small, "--out", tmp_path / "v", "--least", "300"],
            "--least: a number without a unit of current",
        ),
        (2, [*small, "--out", tmp_path / "v", "--example", tmp_path / "e"], "--example only writes files"),
        (2, ["--example", tmp_path], "exists already"),
    ):
        done, out, err = run(capsys, *arguments)
        assert (done, out) == (code, ""), arguments
        assert said in err
        assert "Traceback" not in err
    assert {path.name for path in tmp_path.iterdir()} == {"sines.csv", "slow.csv", "bad.csv"}
