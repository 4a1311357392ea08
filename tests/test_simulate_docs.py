"""docs/simulate.md is followable, and its table of columns is whole."""

from __future__ import annotations

import json
import os
import re
from typing import TYPE_CHECKING

from test_replay_docs import DOCS, blocks, shell

if TYPE_CHECKING:
    from pathlib import Path

    import pytest


def test_the_page_can_be_followed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = {}
    for kind, text in blocks("simulate.md"):
        if kind == "toml":
            name = re.match(r"# (\S+)\n", text)
            assert name
            (tmp_path / name[1]).write_text(text)
        elif kind == "sh":
            for line in text.splitlines():
                said[line] = shell(line, tmp_path)
        else:
            here = os.getcwd()  # noqa: PTH109 - back to where it was
            os.chdir(tmp_path)
            try:
                exec(compile(text, "simulate.md", "exec"), {})
            finally:
                os.chdir(here)
    assert (tmp_path / "again" / "ticks.arrow").read_bytes() == (
        tmp_path / "closed.run" / "ticks.arrow"
    ).read_bytes()
    busy = json.loads(next(out for line, out in said.items() if "--json" in line))
    assert all(message["worst_us"] <= message["bound_us"] for message in busy["bus"]["messages"])
    columns = [line.split()[0] for line in capsys.readouterr().out.splitlines()[:-1]]
    table = (DOCS / "simulate.md").read_text().partition("| columns | content |")[2].partition("## ")[0]
    named = set(re.findall(r"`([^`]+)`", table))
    between = columns[columns.index("distance_m") : columns.index("supply_v") + 1]
    missing = {
        name.partition(".")[0] + ("." if "." in name else "") for name in columns if name not in between
    } - named
    assert not missing
