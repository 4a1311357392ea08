"""mypy plugin: viper functions take buffers where they declare pointers.

`ptr8`, `ptr16` and `ptr32` are pointers inside a viper function, while its callers pass an array, a bytearray, a
memoryview or bytes. The stubs know only the inside. This widens such parameters at each call, and only there.
"""

from __future__ import annotations

from collections.abc import Callable

from mypy.plugin import FunctionSigContext, Plugin
from mypy.types import FunctionLike, Instance, Type, UnionType, get_proper_type

POINTERS = frozenset({"builtins.ptr8", "builtins.ptr16", "builtins.ptr32"})
BUFFERS = ("array.array", "builtins.bytearray", "builtins.memoryview", "builtins.bytes")


class ViperPlugin(Plugin):
    """Widens pointer parameters of every function called by its name."""

    def get_function_signature_hook(
        self,
        fullname: str,  # noqa: ARG002 - mypy hands it over; every function may have pointers
    ) -> Callable[[FunctionSigContext], FunctionLike] | None:
        """Return the hook; mypy asks once a called function."""
        return accept_buffers


def accept_buffers(context: FunctionSigContext) -> FunctionLike:
    """Return the signature with each pointer parameter replaced by pointer or buffer."""
    signature = context.default_signature
    return signature.copy_modified(arg_types=[widened(argument, context) for argument in signature.arg_types])


def widened(argument: Type, context: FunctionSigContext) -> Type:
    """Return a pointer type as the union with what viper takes for it, and any other type as it is."""
    proper = get_proper_type(argument)
    if not isinstance(proper, Instance) or proper.type.fullname not in POINTERS:
        return argument
    number = context.api.named_generic_type("builtins.int", [])
    of_ints = {"array.array", "builtins.memoryview"}
    buffers = [context.api.named_generic_type(name, [number] if name in of_ints else []) for name in BUFFERS]
    return UnionType([argument, *buffers])


def plugin(version: str) -> type[ViperPlugin]:  # noqa: ARG001 - mypy hands it over
    """Entry point for mypy."""
    return ViperPlugin
