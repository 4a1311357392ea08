"""What is built is what stands in the checkout, and it works away from it."""

from __future__ import annotations

import ast
import importlib.metadata
import os
import re
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest

import dashpot
from dashpot import resources
from dashpot.cautions import CAUTIONS

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "bench" / "dashpot"
UNBUILT = {"__pycache__"}


def build(source: Path, output: Path, target: str) -> Path:
    """Build with the declared backend, without the network, and return the one file that it made."""
    command = [sys.executable, "-m", "hatchling", "build", "-t", target, "-d", str(output)]
    done = subprocess.run(command, cwd=source, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    (built,) = output.iterdir()
    return built


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return build(ROOT, tmp_path_factory.mktemp("wheel"), "wheel")


def files_under(folder: Path) -> list[Path]:
    return [
        path.relative_to(folder)
        for path in sorted(folder.rglob("*"))
        if path.is_file() and not UNBUILT & set(path.parts)
    ]


@pytest.mark.parametrize(
    ("source", "inside"),
    [
        (PACKAGE, "dashpot"),
        (ROOT / "firmware", "dashpot/_data/firmware"),
        (ROOT / "dbc", "dashpot/_data/dbc"),
    ],
)
def test_the_wheel_carries_every_file_unchanged(wheel: Path, source: Path, inside: str) -> None:
    expected = files_under(source)
    assert expected
    with zipfile.ZipFile(wheel) as archive:
        for file in expected:
            assert archive.read(f"{inside}/{file.as_posix()}") == (source / file).read_bytes()


def test_the_wheel_carries_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        tops = {name.partition("/")[0] for name in archive.namelist()}
    assert tops == {"dashpot", f"dashpot-{dashpot.__version__}.dist-info"}


def test_the_sdist_builds_the_same_wheel(wheel: Path, tmp_path: Path) -> None:
    sdist = build(ROOT, tmp_path / "sdist", "sdist")
    with tarfile.open(sdist) as archive:
        archive.extractall(tmp_path / "unpacked", filter="data")
    (source,) = (tmp_path / "unpacked").iterdir()
    again = build(source, tmp_path / "again", "wheel")
    assert again.name == wheel.name
    assert again.read_bytes() == wheel.read_bytes()


def test_resources_of_a_checkout_are_those_at_its_top() -> None:
    assert resources.firmware_dir() == ROOT / "firmware"
    assert resources.dbc_dir() == ROOT / "dbc"
    assert resources.demo_dir() == PACKAGE / "demo"


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh virtual environment with the wheel, far from the checkout; return its bin folder.

    The libraries, and the interpreter that one of them brings, are those of the running environment, so that no
    test needs the network: a .pth file puts their folder at the end of the path. A .pth file inside that folder
    is not read then, so the checkout's editable installation stays out.
    """
    home = tmp_path_factory.mktemp("fresh") / "venv"
    venv.create(home, with_pip=False, symlinks=True)
    python = home / "bin" / "python"
    command = [
        sys.executable,
        "-m",
        "pip",
        "--python",
        str(python),
        "install",
        "-qq",
        "--no-deps",
        str(wheel),
    ]
    subprocess.run(command, check=True)
    site = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.strip()
    (Path(site) / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n")
    interpreter = Path(sysconfig.get_path("scripts")) / "micropython"
    if interpreter.exists():  # elsewhere the one on the PATH serves, as for any user there
        (python.parent / interpreter.name).symlink_to(interpreter)
    return python.parent


def run_installed(installed: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    return subprocess.run(
        [str(installed / "dashpot"), *arguments],
        cwd=folder,
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.slow
def test_the_installed_command_knows_its_version_and_data(installed: Path, tmp_path: Path) -> None:
    done = run_installed(installed, tmp_path, "--version")
    assert (done.returncode, done.stdout, done.stderr) == (0, f"dashpot {dashpot.__version__}\n", "")
    code = "from dashpot import resources as r; print(r.firmware_dir(), r.dbc_dir(), r.demo_dir(), sep='\\n')"
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONPATH"}
    said = subprocess.run(
        [installed / "python", "-c", code],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.splitlines()
    for line, name in zip(said, ("firmware", "dbc", "demo"), strict=True):
        assert Path(line).name == name
        assert Path(line).is_relative_to(installed.parent)
        assert any(Path(line).iterdir())


@pytest.mark.slow
def test_the_demo_runs_away_from_the_checkout(installed: Path, tmp_path: Path) -> None:
    done = run_installed(installed, tmp_path, "demo")
    assert done.returncode == 0, done.stderr
    assert CAUTIONS in done.stderr
    assert list(tmp_path.rglob("manifest.json"))
    assert list(tmp_path.rglob("*.png")) + list(tmp_path.rglob("*.svg"))


def test_every_imported_library_is_declared() -> None:
    """`dev` brings many libraries; the command must not lean on one that a user would not get."""
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["dependencies"]
    # pydantic pins pydantic-core to one version and documents importing from it.
    names = {"pydantic-core"} | {
        normal(re.split(r"[^A-Za-z0-9._-]", requirement)[0]) for requirement in declared
    }
    brought_by = importlib.metadata.packages_distributions()
    for file in sorted(PACKAGE.rglob("*.py")):
        for top in imported(file) - sys.stdlib_module_names - {"dashpot"}:
            providers = {normal(name) for name in brought_by.get(top, [])}
            assert providers & names, (
                f"{file.relative_to(ROOT)} imports {top}, which pyproject.toml does not declare"
            )


def normal(name: str) -> str:
    """Return a distribution's name as PEP 503 compares it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def imported(file: Path) -> set[str]:
    """Return the top-level names of the absolute imports in a file, wherever they stand in it."""
    tops = set()
    for node in ast.walk(ast.parse(file.read_text())):
        if isinstance(node, ast.Import):
            tops |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            tops.add(node.module.partition(".")[0])
    return tops
