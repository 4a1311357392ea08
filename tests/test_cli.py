"""Every way out of the command line: its exit code, and one clear line instead of a traceback."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from dashpot import __version__, cli, commands

# A command like any other, put beside the real ones for the test's time.
PLANTED = '''
import sys, time
from pathlib import Path
import click
from dashpot import console, errors
from dashpot.files import atomic_folder

@click.command()
@click.argument("what")
def command(what):
    """Fail in the way that is asked for."""
    if what == "fine":
        click.echo("fine")
    elif what == "input":
        raise errors.InputError("no such\\n  signal; did you mean YawRate", where="vehicle.toml: key yaw.signal")
    elif what == "rubbish":
        raise errors.InputError("is no DBC: \x1b[2J\x07" + "~" * 5000, where="x.dbc")
    elif what == "verdict":
        raise errors.VerdictError("3 of 40 rows failed")
    elif what == "firmware":
        raise errors.FirmwareError("IndexError in tick 17", detail="Traceback:\\n  tick.py line 3\\n")
    elif what == "bug":
        raise ZeroDivisionError("by\\nzero")
    elif what == "missing":
        Path("no-such.log").open()
    elif what == "ctrl-c":
        raise KeyboardInterrupt
    elif what == "abort":
        raise click.Abort
    elif what in {"lines", "table"}:
        print("first", flush=True)
        sys.stdin.read()
        if what == "lines":
            for number in range(100_000):
                click.echo(number)
        else:
            console.table("t", ["n"], [["x" * 900] for _ in range(300)])
    elif what == "cells":
        console.table("title", ["signal", "max"], [["[red] " + "x" * 300, 1.5], ["b", None]])
    elif what == "progress":
        with console.progress(10, "replay", "s") as bar:
            for _ in range(10):
                bar.advance(1)
        console.say("remark")
        console.warn("careful")
    elif what == "hang":
        with atomic_folder("run") as aside:
            (aside / "column.bin").write_bytes(b"half")
            print("writing", flush=True)
            time.sleep(600)
'''


@pytest.fixture
def planted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Put the command `planted` into a folder of commands, and the working directory aside."""
    folder = tmp_path / "more-commands"
    folder.mkdir()
    (folder / "planted.py").write_text(PLANTED)
    work = tmp_path / "work"
    work.mkdir()
    monkeypatch.chdir(work)
    monkeypatch.delenv("DASHPOT_DEBUG", raising=False)
    monkeypatch.setattr(commands, "__path__", [*commands.__path__, str(folder)])
    monkeypatch.delitem(sys.modules, "dashpot.commands.planted", raising=False)
    return folder


def process(folder: Path, *arguments: str) -> list[str]:
    """Return the command line of a process in which the planted command exists."""
    code = f"""
        import sys
        from dashpot import cli, commands
        commands.__path__.append({str(folder)!r})
        sys.exit(cli.main({list(arguments)!r}))
    """
    return [sys.executable, "-c", textwrap.dedent(code)]


@pytest.mark.parametrize(
    ("what", "code", "line"),
    [
        (
            "input",
            2,
            "dashpot: error: vehicle.toml: key yaw.signal: no such signal; did you mean YawRate\n",
        ),
        ("verdict", 1, "dashpot: error: 3 of 40 rows failed\n"),
        (
            "firmware",
            1,
            "dashpot: firmware error: IndexError in tick 17\nTraceback:\n  tick.py line 3\n",
        ),
        ("missing", 2, "dashpot: error: no-such.log: No such file or directory\n"),
        ("ctrl-c", 130, "\ndashpot: stopped; nothing was written\n"),
        ("abort", 130, "\ndashpot: stopped; nothing was written\n"),
        (
            "bug",
            70,
            (
                "dashpot: error: a mistake in dashpot itself, ZeroDivisionError: by zero "
                "(dashpot --debug shows the traceback)\n"
            ),
        ),
    ],
)
def test_each_failure_has_its_line_and_exit_code(
    planted: Path, capsys: pytest.CaptureFixture[str], what: str, code: int, line: str
) -> None:
    assert cli.main(["planted", what]) == code
    assert capsys.readouterr() == ("", line)


@pytest.mark.parametrize("by", ["option", "environment"])
@pytest.mark.parametrize(
    ("what", "code", "name"), [("bug", 70, "ZeroDivisionError"), ("input", 2, "InputError")]
)
def test_debug_adds_the_traceback_and_keeps_the_code(
    planted: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    by: str,
    what: str,
    code: int,
    name: str,
) -> None:
    if by == "environment":
        monkeypatch.setenv("DASHPOT_DEBUG", "1")
    assert cli.main([*(["--debug"] if by == "option" else []), "planted", what]) == code
    error = capsys.readouterr().err
    assert error.startswith("Traceback (most recent call last):")
    assert "planted.py" in error
    assert name in error


def test_success_is_zero(planted: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["planted", "fine"]) == 0
    assert capsys.readouterr() == ("fine\n", "")


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["no-such-command"], "No such command 'no-such-command'"),
        (["--no-such-option"], "No such option"),
        (["planted"], "Missing argument 'WHAT'"),
        (["planted", "a", "b"], "unexpected extra argument"),
        ([], "Usage: dashpot"),
    ],
)
def test_usage_errors_end_with_2(
    planted: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
) -> None:
    assert cli.main(arguments) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert said in captured.err


@pytest.mark.parametrize("option", ["-h", "--help"])
def test_help_lists_every_command_module(
    planted: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    assert cli.main([option]) == 0
    out = capsys.readouterr().out
    for name in cli.root.list_commands(None):
        assert f"\n  {name} " in out
    assert "Fail in the way that is asked for." in out
    assert cli.main(["planted", option]) == 0


def test_only_the_command_asked_for_is_imported(planted: Path) -> None:
    (planted / "broken.py").write_text("raise RuntimeError('imported')")
    done = subprocess.run(process(planted, "planted", "fine"), capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "fine\n", "")


def test_version(run_cli) -> None:
    done = run_cli("--version")
    assert (done.returncode, done.stdout) == (0, f"dashpot {__version__}\n")


def test_ctrl_c_while_writing_leaves_nothing(planted: Path) -> None:
    with subprocess.Popen(
        process(planted, "planted", "hang"), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "writing\n"
        assert len(list(Path.cwd().iterdir())) == 1  # the folder written aside
        running.send_signal(signal.SIGINT)
        _, error = running.communicate()
    assert (running.returncode, error) == (130, "\ndashpot: stopped; nothing was written\n")
    assert list(Path.cwd().iterdir()) == []


@pytest.mark.parametrize("what", ["lines", "table"])
def test_a_reader_that_goes_away_is_no_error(planted: Path, what: str) -> None:
    with subprocess.Popen(
        process(planted, "planted", what),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as running:
        assert running.stdin is not None
        assert running.stdout is not None
        assert running.stderr is not None
        assert running.stdout.readline() == "first\n"
        running.stdout.close()
        running.stdin.close()  # only now does it go on writing, to nobody
        error = running.stderr.read()
    assert (running.returncode, error) == (141, "")


def test_a_table_in_a_pipe_keeps_each_row_on_one_line(
    planted: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["planted", "cells"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "title".ljust(len(lines[0]))
    row = next(line for line in lines if "x" * 300 in line)
    assert "[red] " in row  # a name from a file is never read as markup
    assert row.rstrip("│ ").endswith("1.5")


def on_a_terminal(command: list[str]) -> str:
    """Run a command whose stderr is a terminal and return what it wrote there."""
    leader, follower = pty.openpty()
    try:
        done = subprocess.run(
            command, stderr=follower, stdout=subprocess.PIPE, check=True, env=os.environ | {"TERM": "xterm"}
        )
        assert done.stdout == b""
        os.close(follower)
        written = b""
        try:
            while chunk := os.read(leader, 65536):
                written += chunk
        except OSError:  # Linux reports the end of a closed terminal so
            pass
        return written.decode()
    finally:
        os.close(leader)


def test_progress_is_shown_on_a_terminal_only_and_quiet_stops_it(planted: Path) -> None:
    shown = on_a_terminal(process(planted, "planted", "progress"))
    assert "replay" in shown
    assert "10 s" in shown
    assert "remark" in shown
    quiet = on_a_terminal(process(planted, "-q", "planted", "progress"))
    assert quiet == "dashpot: warning: careful\r\n"
    piped = subprocess.run(
        process(planted, "planted", "progress"), capture_output=True, text=True, check=True
    )
    assert (piped.stdout, piped.stderr) == ("", "remark\ndashpot: warning: careful\n")


def test_rubbish_that_a_message_quotes_does_not_reach_the_terminal(
    planted: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["planted", "rubbish"]) == 2
    said = capsys.readouterr().err
    assert said.startswith("dashpot: error: x.dbc: is no DBC: ?[2J?~~~")
    assert said.endswith("~ ...\n")
    assert len(said) < 2100
