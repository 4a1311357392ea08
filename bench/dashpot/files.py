"""Outputs are written aside and renamed when complete, so a stop at any moment leaves nothing half-written."""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from dashpot.errors import InputError


@contextmanager
def atomic_path(path: str | os.PathLike[str]) -> Iterator[Path]:
    """Yield a temporary path in the folder of `path`; what the body wrote there becomes `path`.

    An existing file is replaced in one step. On any exception, Ctrl-C included, the temporary file is
    removed and `path` stays as it was. The temporary name keeps the suffixes of `path`, because some
    writers choose their format by them.

    Raises:
        InputError: The folder does not exist, cannot be written, or `path` is a folder.
    """
    final = Path(path)
    if final.is_dir():
        raise InputError("is a folder; give the name of a file", where=final)
    aside = _aside(final)
    try:
        yield aside
        aside.replace(final)
    finally:
        aside.unlink(missing_ok=True)


@contextmanager
def atomic_folder(
    path: str | os.PathLike[str], *, replace: bool = False, marker: str = "manifest.json"
) -> Iterator[Path]:
    """Yield a temporary folder beside `path`; it becomes `path` when the body ends well.

    An empty folder at `path` is always taken over. Any other is refused unless `replace`, and even then it
    must hold the file `marker`: a mistyped output path must not cost the user a folder of something else.
    On any exception, Ctrl-C included, the temporary folder is removed and `path` stays as it was.

    Raises:
        InputError: `path` exists and may not be replaced, or its parent cannot be written.
    """
    final = Path(path)
    _check_replaceable(final, replace=replace, marker=marker)
    aside = _aside(final)
    old = aside.with_name(f"{aside.name}.old")
    try:
        aside.mkdir()
    except OSError as error:
        raise InputError(f"cannot make this folder: {error.strerror}", where=final) from error
    try:
        yield aside
        # Again, since a long body leaves time for somebody else to put a folder there.
        _check_replaceable(final, replace=replace, marker=marker)
        if final.exists():
            final.rename(old)
        aside.rename(final)
    finally:
        if old.exists() and not final.exists():
            old.rename(final)
        shutil.rmtree(aside, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def sha256_file(path: str | os.PathLike[str]) -> str:
    """Return the SHA-256 of a file's bytes as 64 lower-case hex digits, in constant memory."""
    with Path(path).open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _aside(final: Path) -> Path:
    """Return a free name in the same folder, hidden, with the same suffixes."""
    parent = final.parent
    if not parent.is_dir():
        raise InputError("no such folder; make it first or give another output path", where=parent)
    if not os.access(parent, os.W_OK | os.X_OK):
        raise InputError("cannot write in this folder; give another output path", where=parent)
    return parent / f".part-{secrets.token_hex(4)}-{final.name}"


def _check_replaceable(final: Path, *, replace: bool, marker: str) -> None:
    if not final.exists() and not final.is_symlink():
        return
    if not final.is_dir() or final.is_symlink():
        raise InputError("exists and is not a folder; give another output path", where=final)
    if not any(final.iterdir()):
        return
    if not replace:
        raise InputError("exists already; give another output path or remove it first", where=final)
    if not (final / marker).is_file():
        raise InputError(
            f"is not replaced, because it holds no {marker} and so was not written by dashpot; "
            "give another output path",
            where=final,
        )
