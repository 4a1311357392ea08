"""docs/compare.md can be followed: each block saved, each command run, what it says is what is there."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

from compare_kit import one_cell, plain
from dashpot.commands.compare import command
from dashpot.compare.expect import NAMED_STAGES, WantedKeys
from dashpot.compare.pair import STAGES

PAGE = (Path(__file__).resolve().parent.parent / "docs" / "compare.md").read_text(encoding="utf-8")


def blocks(part):
    return re.findall(r"^```(\w+)\n(.*?)^```$", part, re.DOTALL | re.MULTILINE)


def shell(folder, line):
    """Run a line as a shell in an activated environment would; `|| true` is dropped to see the exit code."""
    tools = folder / "bin"
    if not tools.exists():
        tools.mkdir()
        for name, words in (("dashpot", f"{sys.executable} -m dashpot"), ("python", sys.executable)):
            (tools / name).write_text(f'#!/bin/sh\nexec {words} "$@"\n')
            (tools / name).chmod(0o755)
    environment = {
        **os.environ, "PATH": f"{tools}:{os.environ['PATH']}", "DASHPOT_CACHE": str(folder / "cache"),
        "PYTHONPATH": os.pathsep.join(sys.path),
    }  # fmt: skip
    line = line.removesuffix(" || true")
    return subprocess.run(
        ["sh", "-c", line], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def test_the_walk_through(tmp_path):
    walk = PAGE[PAGE.index("## I changed one map cell") : PAGE.index("## The two ways")]
    said = []
    for kind, text in blocks(walk):
        if kind == "sh":
            said += [(line, shell(tmp_path, line)) for line in text.splitlines()]
        else:
            (tmp_path / re.match(r"# ([\w.]+)\n", text)[1]).write_text(text)
    codes = [done.returncode for _, done in said]
    assert codes == [0, 0, 1, 1, 0, 0, 1], [done.stderr for _, done in said]
    _, diff, first, wanted, slipped = (done for line, done in said if not line.startswith("sed"))
    assert "130" in diff.stdout
    assert "160" in diff.stdout
    assert re.findall(r"(session\d)\.log: the runs part in .*, at layers: layer_permille\.body_load\.front_", first.stdout) == [
        f"session{i}" for i in (1, 2, 3)
    ]  # fmt: skip
    rear = re.findall(r"│ rear_\w+ +│ +│ +│ +0\.00 │", first.stdout)
    assert len(rear) == 6
    assert ": faults" not in first.stdout
    assert wanted.stdout.count("as expected") == 3 * 3 + 2
    assert wanted.stderr == ""
    suites = ET.parse(tmp_path / "compare.xml").getroot().findall("testsuite")
    assert [(s.get("name"), s.get("failures")) for s in suites][-1] == ("all logs", "0")
    assert "layer_permille.body_load.rear_left was" in slipped.stderr


def test_the_python_of_the_page(tmp_path):
    (code,) = (text for kind, text in blocks(PAGE) if text.startswith("# look.py"))
    for name, run in (("old", plain()), ("new", one_cell())):
        (tmp_path / name).symlink_to(run)
    (tmp_path / "look.py").write_text(code)
    done = shell(tmp_path, "python look.py")
    assert done.returncode == 0, done.stderr
    assert "front_left 17 " in done.stdout


def test_every_option_key_and_stage_is_on_the_page():
    options = {option for parameter in command.params for option in parameter.opts if option.startswith("--")}
    assert {option for option in options if f"`{option}" not in PAGE} == set()
    keys = PAGE[PAGE.index("## expect.toml") :]
    assert [key for key in WantedKeys.model_fields if f"`{key}`" not in keys] == []
    assert ", ".join(NAMED_STAGES[:-1]) in keys
    table = PAGE[PAGE.index("| stage | words |") : PAGE.index("For a corner,")]
    rows = re.findall(r"^\| ([\w, ]+) \|", table, re.MULTILINE)[1:]
    assert ", ".join(rows).split(", ") == list(STAGES[:-1])
