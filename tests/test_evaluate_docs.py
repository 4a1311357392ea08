"""The page is followable: its commands and its script, as they stand, give what it says."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from dashpot.calibration import load_calibration
from dashpot.commands.evaluate import command
from dashpot.evaluate.figures import METRICS
from dashpot.evaluate.laws import LAWS
from dashpot.evaluate.setup import STARTING
from dashpot.evaluate.study import BEST, EQUAL, LADDER

PAGE = (Path(__file__).parent.parent / "docs" / "evaluate.md").read_text(encoding="utf-8")


def run(words, folder):
    done = subprocess.run(words, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{words}\n{done.stdout}{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    made = tmp_path_factory.mktemp("docs")
    for text in re.findall(r"^```toml\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE):
        (made / text.splitlines()[0].removeprefix("# ")).write_text(text, encoding="utf-8")
    return made


def test_the_quick_example(folder):
    (line,) = re.findall(r"^```sh\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
    words = [sys.executable, "-m", "dashpot", *shlex.split(line)[1:]]
    out = run([*words, "--jobs", "1"], folder)
    made = folder / "dodge"
    assert {path.name for path in made.iterdir()} == set(
        re.findall(r"`([\w.]+)`", PAGE[PAGE.index("| file |") : PAGE.index("## Options")])
    )
    said = json.loads((made / "result.json").read_text(encoding="utf-8"))
    assert said["verdict"]["sentence"] in out
    names = [one["name"] for one in said["candidates"]]
    assert [name for name in names if name != EQUAL] == [*LADDER.values(), BEST, STARTING]
    assert said["seeds"] == [1, 2]
    assert said["objective"]["training_seeds"] == [1001]
    cells = said["scenarios"]["Dodge"]
    assert cells["passive soft"]["body_speed_mm_s"]["mean"] > cells["passive firm"]["body_speed_mm_s"]["mean"]
    assert cells[STARTING]["active_percent"]["mean"] == 100.0
    assert cells[BEST]["body_speed_mm_s"]["change_percent"] == {"mean": 0.0, "half": 0.0, "sure": 0}
    load_calibration(made / "starting.toml")
    page = (made / "report.html").read_text(encoding="utf-8")
    for text in (*METRICS, "http"):
        assert f'href="{text}' not in page
    assert page.count("<svg") == 2
    assert said["verdict"]["sentence"].split(":")[0] in page
    for one in METRICS.values():
        assert one.label in page
    assert page.count("<h3>Dodge</h3>") == 1
    assert "candidates on 1 scenario, 2 seeds each" in page
    # With laws and in two processes, from the calibration that was made: what both have is the same.
    again = [*words, "--laws", "--jobs", "2", "--starting", "dodge/starting.toml", "--replace", "--json"]
    more = json.loads(run(again, folder))
    assert more["scenarios"]["Dodge"].items() >= cells.items()
    assert more["verdict"] == said["verdict"]
    assert [one["name"] for one in more["candidates"]][len(names) :] == list(LAWS)


def test_the_script(folder):
    (script,) = re.findall(r"^```python\n(.*?)^```$", PAGE, re.DOTALL | re.MULTILINE)
    (folder / "script.py").write_text(script, encoding="utf-8")
    assert run([sys.executable, "script.py"], folder) == "True\n"


def test_the_page_has_every_option():
    for option in command.params:
        if option.name not in {"out", "quick", "laws"}:
            assert f"`{option.opts[0]}`" in PAGE, option.opts
