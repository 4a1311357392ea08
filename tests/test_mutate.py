"""The mutation tool on a small tree of its own: a firmware of one file, and tests that notice some of its changes."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

import mutate
import mutate_report
import mutate_worker
from mutate_report import Run, Verdict

TOOL = Path(mutate.__file__)
TOY = '''"""A limit, a sum that nobody checks, and a loop."""


def limited(value, most):
    if value > most:
        return most
    return value


def unchecked(value):
    return value + 7


def steps(count):
    done = 0
    while done < count:
        done += 1
    return done
'''
# Read when a test runs, as the real tests do: what is read at import is not the mutant's.
TESTS = """
import os
from pathlib import Path


def toy():
    names = {}
    exec((Path(os.environ["DASHPOT_FIRMWARE"]) / "dashpot" / "toy.py").read_text(), names)
    return names


def test_limit():
    limited = toy()["limited"]
    assert [limited(value, 5) for value in (4, 5, 6)] == [4, 5, 5]


def test_steps():
    assert [toy()["steps"](count) for count in (0, 3)] == [0, 3]
"""
TABLE = '[lists]\nall = ["tests/test_toy.py"]\n[files]\n"toy.py" = ["all"]\n'
AT_LIMIT = "toy.py: if value > most:: '>' -> '>='"
UNCHECKED = ["toy.py: return value + 7: '+' -> '-'", "toy.py: return value + 7: '7' -> '8'"]
HANGS = "toy.py: done += 1: 'done += 1' -> 'pass'"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    for name, text in {
        "firmware/dashpot/toy.py": TOY,
        "tests/test_toy.py": TESTS,
        "tools/mutants.toml": TABLE,
        "tools/mutants_equivalent.toml": json.dumps(AT_LIMIT) + ' = "the limit is the value"\n',
    }.items():
        path = tmp_path / "tree" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    return tmp_path / "tree"


def command(tree: Path, *arguments: object) -> list[str]:
    return [
        sys.executable,
        str(TOOL),
        "--root",
        str(tree),
        "--jobs",
        "1",
        "--hang",
        "1",
        *map(str, arguments),
    ]


def run(tree: Path, *arguments: object) -> tuple[subprocess.CompletedProcess[str], dict[str, Any]]:
    """Run the tool; what it printed, and its results (empty when it wrote none)."""
    path = tree.parent / "results.json"
    path.unlink(missing_ok=True)
    done = subprocess.run(
        command(tree, "--json", path, *arguments), capture_output=True, text=True, check=False
    )
    return done, json.loads(path.read_text()) if path.exists() else {}


def without_the_loop(tree: Path) -> None:
    """Leave out what hangs: ten seconds each."""
    path = tree / "firmware" / "dashpot" / "toy.py"
    path.write_text(TOY.partition("def steps")[0])
    tests = tree / "tests" / "test_toy.py"
    tests.write_text(TESTS.partition("def test_steps")[0])


def outcomes(results: dict[str, Any]) -> dict[str, str]:
    return {entry["change"]: entry["outcome"] for entry in results["mutants"]}


def test_killed_survived_equivalent_and_hung_mutants_are_told_apart(tree: Path) -> None:
    report = tree.parent / "report.md"
    done, results = run(tree, "--report", report)
    assert done.returncode == 1, done.stderr
    found = outcomes(results)
    assert found["toy.py: if value > most:: '>' -> '<='"] == "killed"
    assert [entry["change"] for entry in results["survivors"]] == UNCHECKED
    assert [(entry["change"], entry["reason"]) for entry in results["equivalent"]] == [
        (AT_LIMIT, "the limit is the value")
    ]
    assert found[HANGS] == "timed out"
    total = results["total"]
    noticed = total["killed"] + total["timed_out"]
    assert total["mutants"] == len(found) == noticed + len(UNCHECKED) + 1
    assert total["score_percent"] == round(100 * noticed / (noticed + 2), 2)
    assert results["wrongly_named_equivalent"] == []
    killers = {entry["by"] for entry in results["mutants"] if entry["outcome"] == "killed"}
    assert killers == {"tests/test_toy.py::test_limit", "tests/test_toy.py::test_steps"}
    page = report.read_text()
    line = TOY.splitlines().index("    return value + 7") + 1
    assert f"- firmware/dashpot/toy.py:{line}: `return value + 7: '+' -> '-'`" in page
    assert "the limit is the value" in page
    assert "| `tests/test_toy.py::test_limit` |" in page
    assert results["about"]["firmware_sha256"] in page


def test_the_score_decides(tree: Path) -> None:
    without_the_loop(tree)
    done, results = run(tree, "--least", 0)
    assert done.returncode == 0
    score = results["total"]["score_percent"]
    assert 0 < score < 95
    assert run(tree, "--least", score + 0.1)[0].returncode == 1
    assert run(tree, "--least", score - 0.1)[0].returncode == 0


def test_a_named_equivalent_that_is_noticed_or_not_there_is_an_error(tree: Path) -> None:
    without_the_loop(tree)
    noticed, gone = "toy.py: if value > most:: '>' -> '<='", "toy.py: nowhere: 'a' -> 'b'"
    path = tree / "tools" / "mutants_equivalent.toml"
    path.write_text(f'{json.dumps(noticed)} = "no"\n{json.dumps(gone)} = "no"\n')
    done, results = run(tree, "--least", 0)
    assert done.returncode == 1
    assert results["wrongly_named_equivalent"] == [noticed, gone]
    assert done.stdout.count("named equivalent, but noticed or not there") == 2


def test_what_the_compiler_refuses_counts_for_nothing(tree: Path) -> None:
    path = tree / "firmware" / "dashpot" / "toy.py"
    text = "import micropython\n\n\n@micropython.viper\ndef word(p: ptr32, k: int) -> int:\n    return p[k] + 1\n"
    path.write_text(text)
    (tree / "tests" / "test_toy.py").write_text("def test_nothing():\n    pass\n")
    (tree / "tools" / "mutants_equivalent.toml").unlink()
    assert mutate_worker.is_viable(path)
    _, results = run(tree)
    assert set(outcomes(results).values()) == {"survived"}
    # Viper adds no number to a pointer.
    path.write_text(text.replace("p[k] + 1", "p + 1"))
    assert not mutate_worker.is_viable(path)
    done, results = run(tree)
    assert set(outcomes(results).values()) == {"not viable"}
    assert (results["total"]["killed"], results["total"]["survived"], done.returncode) == (0, 0, 0)


def test_tests_that_fail_without_a_mutant_are_refused(tree: Path) -> None:
    path = tree / "tests" / "test_toy.py"
    path.write_text(TESTS + "\n\ndef test_wrong():\n    assert False\n")
    done, _ = run(tree)
    assert done.returncode == 2
    assert "tests/test_toy.py::test_wrong: fails on the firmware as it is" in done.stderr


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ('[files]\n"gone.py" = ["tests/test_toy.py"]\n', "there is no firmware/dashpot/gone.py"),
        ('[files]\n"toy.py" = ["tests/test_gone.py"]\n', "there is no tests/test_gone.py"),
        ('[files]\n"toy.py" = ["tests/test_toy.py::test_gone"]\n', "names no test"),
    ],
)
def test_a_row_that_leads_nowhere_is_refused(tree: Path, table: str, said: str) -> None:
    (tree / "tools" / "mutants.toml").write_text(table)
    done, _ = run(tree)
    assert done.returncode == 2
    assert said in done.stderr


def test_a_file_without_a_row_is_refused(tree: Path) -> None:
    done, _ = run(tree, "other.py")
    assert done.returncode == 2
    assert "other.py has no row; there are rows for toy.py" in done.stderr


def test_a_sample_is_the_same_for_the_same_seed(tree: Path) -> None:
    without_the_loop(tree)
    first, again, other = (
        outcomes(run(tree, "--least", 0, "--sample", 3, "--seed", seed)[1]) for seed in (1, 1, 2)
    )
    assert len(first) == 3
    assert first == again != other


def test_results_are_taken_over_while_they_hold(tree: Path) -> None:
    without_the_loop(tree)
    kept = tree.parent / "kept.jsonl"
    _, results = run(tree, "--resume", kept)
    lines = kept.read_text().splitlines()
    assert len(lines) == results["total"]["mutants"]
    # A lie about a mutant that was noticed: only who reads the file can repeat it.
    kept.write_text("\n".join(line.replace("::test_limit", "::test_liar") for line in lines) + "\n")
    _, again = run(tree, "--resume", kept)
    assert outcomes(again) == outcomes(results)
    assert any("test_liar" in entry["by"] for entry in again["mutants"])
    assert len(kept.read_text().splitlines()) == len(lines)
    # A new test: the survivors are tried again, and what was noticed by another file stays.
    (tree / "tests" / "test_more.py").write_text(
        TESTS.partition("def test_limit")[0] + "def test_sum():\n    assert toy()['unchecked'](1) == 8\n"
    )
    table = tree / "tools" / "mutants.toml"
    table.write_text(TABLE.replace('"tests/test_toy.py"', '"tests/test_toy.py", "tests/test_more.py"'))
    done, more = run(tree, "--resume", kept)
    assert done.returncode == 0
    assert more["survivors"] == []
    assert {entry["by"] for entry in more["mutants"] if entry["change"] in UNCHECKED} == {
        "tests/test_more.py::test_sum"
    }
    assert any("test_liar" in entry["by"] for entry in more["mutants"])
    # Another firmware: nothing stays.
    path = tree / "firmware" / "dashpot" / "toy.py"
    path.write_text(path.read_text() + "\n# another\n")
    _, anew = run(tree, "--resume", kept)
    assert not any("test_liar" in entry["by"] for entry in anew["mutants"])


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_a_run_that_is_cut_goes_on(tree: Path, how: signal.Signals) -> None:
    kept = tree.parent / "kept.jsonl"
    started = subprocess.Popen(
        command(tree, "--resume", kept), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    while not kept.exists() or kept.read_text().count("\n") < 3:
        assert started.poll() is None, started.stderr
        time.sleep(0.02)
    started.send_signal(how)
    _, said = started.communicate()
    assert started.returncode == 130
    assert "kept.jsonl has what was found, the same command goes on" in said
    text = kept.read_text()
    assert text.endswith("\n")
    found = [json.loads(line)["name"] for line in text.splitlines()]
    # As if the machine had stopped in the middle of a line.
    kept.write_text(text[:-10])
    without_last = found[:-1]
    _, results = run(tree, "--resume", kept)
    names = [json.loads(line)["name"] for line in kept.read_text().splitlines()]
    assert names[: len(without_last)] == without_last
    assert sorted(names) == sorted(set(names)) == sorted(outcomes(results))


def test_a_file_that_holds_no_results_is_refused_and_left_alone(tree: Path) -> None:
    other = tree.parent / "notes.txt"
    other.write_text("my notes\nmore\n")
    done, _ = run(tree, "--resume", other)
    assert done.returncode == 2
    assert "is no file of results" in done.stderr
    assert other.read_text() == "my notes\nmore\n"


def test_every_kind_of_change_is_made_and_can_be_parsed(tmp_path: Path) -> None:
    path = tmp_path / "some.py"
    path.write_text(
        "def f(a, b, state):\n    '''Text of 1 line.'''\n    for i in range(a % 3):\n        if a and not b:\n"
        "            continue\n        if a is b or i in state:\n            break\n    state[0] = True\n"
        "    state.x += 1\n    if state:\n        raise ValueError\n    f(a, b, state)\n    return\n"
    )
    found = mutate.mutants(path)
    changes = {mutant.name.partition(": ")[2] for mutant in found}
    assert {
        "for i in range(a % 3):: '%' -> '*'",
        "for i in range(a % 3):: '3' -> '4'",
        "if a and not b:: 'and' -> 'or'",
        "if a and not b:: 'not' -> ''",
        "if a and not b:: 'a' -> 'not a'",
        "continue: 'continue' -> 'pass'",
        "break: 'break' -> 'pass'",
        "if a is b or i in state:: 'is' -> 'is not'",
        "if a is b or i in state:: 'in' -> 'not in'",
        "state[0] = True: 'True' -> 'False'",
        "state[0] = True: 'state[0] = True' -> 'pass'",
        "state.x += 1: '+=' -> '-='",
        "if state:: 'state' -> 'not state'",
        "raise ValueError: 'raise ValueError' -> 'pass'",
        "f(a, b, state): 'f(a, b, state)' -> 'pass'",
        "return: 'return' -> 'pass'",
    } <= changes
    original = path.read_text()
    for mutant in found:
        compile(mutant.source, mutant.name, "exec")
        assert mutant.source != original
    assert len({mutant.name for mutant in found}) == len(found)
    assert [mutant.line for mutant in found] == sorted(mutant.line for mutant in found)


def test_counts_and_score() -> None:
    def verdict(outcome: str, reason: str = "", by: str = "t") -> Verdict:
        return Verdict("a.py", 1, f"a.py: {outcome}{reason}{by}", outcome, by, reason)

    verdicts = [
        verdict("killed"), verdict("killed", by="campaign: lost/x"), verdict("timed out"), verdict("survived", by=""),
        verdict("survived", "same", by=""), verdict("not viable", by=""), verdict("killed", "wrong"),
    ]  # fmt: skip
    made = mutate_report.tally(verdicts)
    assert (made.mutants, made.not_viable, made.equivalent, made.killed, made.timed_out) == (7, 1, 1, 3, 1)
    assert (made.by_campaign, made.survived, made.score) == (1, 1, 80.0)
    page = mutate_report.as_markdown(Run(verdicts, ["a.py: gone"], {"firmware_sha256": "abc"}))
    assert "1 of the killed ones only by a row of the demo's fault campaign" in page
    assert "`a.py: gone`: there is no such mutant" in page
    assert mutate_report.tally([]).score == 100


def test_the_real_table_can_be_read_and_every_equivalent_has_a_row_and_a_reason() -> None:
    table = mutate.Table.load(mutate.ROOT)
    assert {name.partition(":")[0] for name in table.reasons} <= set(table.tests)
    assert all(table.reasons.values())
