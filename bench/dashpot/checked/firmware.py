"""Import firmware into CPython, apart from everything else that is imported.

Firmware and bench both have a package `dashpot`. Each loaded firmware therefore has modules of its own, outside
`sys.modules`; several versions can be loaded one after the other, or side by side.
"""

from __future__ import annotations

import builtins
import importlib
from array import array
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import ModuleType
from typing import NoReturn

from dashpot.checked import rewrite, shims
from dashpot.checked.buffers import Pointer, moved, pointer
from dashpot.checked.errors import ViperError
from dashpot.checked.intervals import HIGH
from dashpot.checked.kinds import POINTERS
from dashpot.checked.reports import NATURAL, Reporter, ViolationSignal
from dashpot.checked.sites import SiteTable

SHARED = frozenset(
    (
        "array",
        "binascii",
        "builtins",
        "cmath",
        "collections",
        "errno",
        "hashlib",
        "heapq",
        "io",
        "json",
        "math",
        "os",
        "platform",
        "random",
        "re",
        "select",
        "struct",
    )
)
"""Modules that MicroPython and CPython both have; firmware gets CPython's."""


class _ViperName:
    """Stands for `ptr8` and the like in annotations; calling one outside viper code is a mistake."""

    def __init__(self, name: str) -> None:
        self.name = name

    def __repr__(self) -> str:
        return self.name

    def __call__(self, *_: object) -> NoReturn:
        raise NameError(f"{self.name} is known in viper functions only")


class Firmware:
    """One firmware folder, loaded into CPython with every viper function checked.

    Attributes:
        folder: The folder that stands for the root of the board's file system.
        modules: What has been imported, by name.
    """

    def __init__(self, folder: Path | str) -> None:
        self.folder = Path(folder)
        self.modules: dict[str, ModuleType] = {}
        self._table = SiteTable()
        self._reporter = Reporter(self._table)
        self._builtins = self._make_builtins()
        self._shims = {
            "micropython": shims.micropython_module(),
            "gc": shims.gc_module(),
            "time": shims.time_module(),
            "sys": shims.sys_module(self.modules),
        }

    @property
    def violations(self) -> Sequence[ViperError]:
        """Every violation raised so far, also those that the firmware itself caught."""
        return self._reporter.violations

    @property
    def micropython(self) -> ModuleType:
        """The module `micropython` that this firmware sees."""
        return self._shims["micropython"]

    def import_module(self, name: str) -> ModuleType:
        """Import a firmware module by its dotted name, once; gives the module itself.

        Raises:
            ViperError: One of its viper functions is refused.
            ModuleNotFoundError: Neither the firmware nor MicroPython has it.
        """
        known = self.modules.get(name) or self._shims.get(name)
        if known is not None:
            return known
        parent, _, leaf = name.rpartition(".")
        if parent:
            package = self.import_module(parent)
            if name in self.modules:
                return self.modules[name]
            root = Path(package.__path__[0]) if hasattr(package, "__path__") else None
        else:
            package, root = None, self.folder
        found = None if root is None else self._find(root, leaf)
        if found is None:
            return self._import_shared(name)
        module = self._execute(name, found)
        if package is not None:
            setattr(package, leaf, module)
        return module

    @staticmethod
    def _find(root: Path, leaf: str) -> Path | None:
        """A module's file, or its package's folder."""
        for candidate in (root / leaf, root / f"{leaf}.py"):
            if candidate.is_file() if candidate.suffix else candidate.is_dir():
                return candidate
        return None

    @staticmethod
    def _import_shared(name: str) -> ModuleType:
        if name.partition(".")[0] not in SHARED:
            message = f"no module named '{name}' in the firmware, nor one that MicroPython and CPython share"
            raise ModuleNotFoundError(message, name=name)
        return importlib.import_module(name)

    def _execute(self, name: str, found: Path) -> ModuleType:
        module = ModuleType(name)
        source = found / "__init__.py" if found.is_dir() else found
        if found.is_dir():
            module.__path__ = [str(found)]
        module.__package__ = name if found.is_dir() else name.rpartition(".")[0]
        module.__file__ = str(source)
        module.__dict__["__builtins__"] = self._builtins
        self.modules[name] = module
        if found.is_dir() and not source.exists():
            return module
        try:
            text = source.read_text(encoding="utf-8")
            tree = rewrite.rewrite_module(text, str(source), self._table)
            exec(compile(tree, str(source), "exec", dont_inherit=True), module.__dict__)  # noqa: S102 # this is the import
        except BaseException:
            del self.modules[name]
            raise
        return module

    def _import(
        self,
        name: str,
        scope: Mapping[str, object] | None = None,
        _locals: Mapping[str, object] | None = None,
        fromlist: Sequence[str] | None = (),
        level: int = 0,
    ) -> ModuleType:
        """Serve the firmware's import statements."""
        if level:
            parts = str((scope or {}).get("__package__") or "").split(".")
            if level > len(parts) or not parts[0]:
                raise ImportError("relative import beyond the top of the firmware")
            name = ".".join([*parts[: len(parts) - level + 1], *([name] if name else [])])
        module = self.import_module(name)
        if not fromlist:
            return self.import_module(name.partition(".")[0])
        for item in fromlist:
            if item != "*" and hasattr(module, "__path__") and not hasattr(module, item):
                if self._find(Path(module.__path__[0]), item) is None:
                    raise ImportError(f"cannot import name '{item}' from '{name}'", name=name)
                self.import_module(f"{name}.{item}")
        return module

    def _make_builtins(self) -> dict[str, object]:
        report = self._reporter
        names = dict(vars(builtins))
        names["__import__"] = self._import
        for name in (*POINTERS, "ptr", "uint"):
            names[name] = _ViperName(name)
        names.update(
            {
                rewrite.BAD: report.bad,
                rewrite.CAUGHT: NATURAL,
                rewrite.ERROR: ViperError,
                rewrite.TRANSLATE: report.translate,
                rewrite.SETTLE: report.settle,
                rewrite.ARRAY: array,
                rewrite.TO_INT: _to_int,
                rewrite.MOVE: _move,
            }
        )
        for kind in POINTERS:
            names[rewrite.to_pointer(kind)] = _pointer_maker(kind)
        return names


def _to_int(value: object, number: int, low: int) -> int:
    """An object as a viper integer; refuses what a board would not take, or would cut."""
    if not isinstance(value, int):
        raise ViolationSignal(number, f"{value!r} is no integer")
    if not low <= value <= HIGH:
        raise ViolationSignal(number, f"{value} is outside {low}..{HIGH}; a board would cut it")
    return int(value)


def _move(kind: str, value: Pointer, octets: int, number: int) -> Pointer:
    try:
        return moved(kind, value, octets)
    except ValueError as error:
        raise ViolationSignal(number, str(error)) from None


def _pointer_maker(kind: str) -> Callable[[object, int], Pointer]:
    def make(value: object, number: int) -> Pointer:
        try:
            return pointer(kind, value)
        except (TypeError, ValueError) as error:
            raise ViolationSignal(number, str(error)) from None

    return make


def load(folder: Path | str) -> Firmware:
    """Prepare a firmware folder for checked runs in this process; nothing is imported yet."""
    return Firmware(folder)
