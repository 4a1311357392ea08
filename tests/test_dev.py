"""tools/dev.py: quick the second time, clear when something is missing, and no failure goes unseen."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

import dev


@pytest.fixture
def called(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, ...]]:
    """A checkout in tmp_path whose commands are noted and not run."""
    venv = tmp_path / ".venv"
    (venv / "bin").mkdir(parents=True)
    (venv / "bin" / "python").touch()
    (tmp_path / "pyproject.toml").write_text("first")
    monkeypatch.setattr(dev, "ROOT", tmp_path)
    monkeypatch.setattr(dev, "VENV", venv)
    monkeypatch.setattr(dev, "PYTHON", venv / "bin" / "python")
    monkeypatch.setattr(dev, "STAMP", venv / "dev-stamp")
    calls: list[tuple[str, ...]] = []

    def note(command: tuple[str, ...], *, quiet: bool = False) -> int:
        calls.append(command)
        return 0

    monkeypatch.setattr(dev, "call", note)
    return calls


def test_the_second_set_up_runs_nothing(called: list[tuple[str, ...]]) -> None:
    dev.set_up()
    assert any(f"{dev.ROOT}[dev]" in command for command in called)
    called.clear()
    dev.set_up()
    assert called == []


def test_a_changed_declaration_is_installed(called: list[tuple[str, ...]]) -> None:
    dev.set_up()
    called.clear()
    (dev.ROOT / "pyproject.toml").write_text("second")
    dev.set_up()
    assert any(f"{dev.ROOT}[dev]" in command for command in called)


def test_stubs_never_reach_the_ordinary_path(called: list[tuple[str, ...]]) -> None:
    dev.set_up()
    with_stubs = [command for command in called if any("-stubs==" in word for word in command)]
    assert len(with_stubs) == len(dev.TYPINGS)
    for command in with_stubs:
        assert Path(command[command.index("--target") + 1]).parent == dev.VENV


def test_a_stopped_set_up_starts_again(
    called: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    dev.set_up()
    (dev.ROOT / "pyproject.toml").write_text("second")

    def stopped(*arguments: str) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(dev, "pip_install", stopped)
        dev.set_up()
    called.clear()
    dev.set_up()
    assert called


def test_without_venv_it_says_what_to_install(
    called: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    dev.PYTHON.unlink()
    found = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name: None if name == "ensurepip" else found(name)
    )
    with pytest.raises(SystemExit, match="sudo apt install python3-venv"):
        dev.set_up()
    assert called == []


def test_an_old_python_is_refused_by_its_number(
    called: list[tuple[str, ...]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dev, "OLDEST_PYTHON", (99, 0))
    with pytest.raises(SystemExit, match=f"this is Python {sys.version.split()[0]}"):
        dev.set_up()


def test_all_steps_run_and_every_failure_is_listed(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    def step(code: str, needs: str = "pyproject.toml") -> dev.Step:
        return dev.Step("a title", (sys.executable, "-c", code), needs)

    steps = {
        "one": step("print('one ran'); raise SystemExit(3)"),
        "two": step("print('two ran')"),
        "three": step("raise SystemExit(1)"),
    }
    monkeypatch.setattr(dev, "STEPS", steps)
    assert dev.run_steps() == 1
    out = capfd.readouterr().out
    assert "one ran" in out
    assert "two ran" in out
    summary = out.partition("=== summary")[2].splitlines()
    assert [line.split()[:2] for line in summary[1:4]] == [
        ["one", "FAILED"],
        ["two", "ok"],
        ["three", "FAILED"],
    ]
    assert summary[4].startswith("failed: one, three;")

    monkeypatch.setattr(dev, "STEPS", {"two": steps["two"]})
    assert dev.run_steps() == 0
    assert "failed" not in capfd.readouterr().out


def test_the_steps_of_ci_are_those_promised() -> None:
    # Whoever takes a step out has to say so here too.
    assert list(dev.STEPS) == [
        "lint",
        "style",
        "generated",
        "modes",
        "types",
        "firmware-types",
        "cross",
        "pytest",
    ]
    assert (dev.ROOT / ".ci" / "run").read_text().rstrip().endswith("exec python3 tools/dev.py test")
