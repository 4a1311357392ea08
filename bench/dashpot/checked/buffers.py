"""Buffers as viper pointers see them: items of 8, 16 or 32 bits over memory that someone else owns."""

from __future__ import annotations

import ctypes
from array import array
from typing import Any, cast

WIDTHS = {"ptr8": 1, "ptr16": 2, "ptr32": 4}
ARRAY_CODES = {"ptr8": "B", "ptr16": "H", "ptr32": "i"}

Pointer = bytearray | bytes | memoryview | array  # type: ignore[type-arg] # arrays of every item type


class _PyBuffer(ctypes.Structure):
    """Py_buffer of the C API: gives the address of read-only memory too."""

    _fields_ = (
        ("buf", ctypes.c_void_p),
        ("obj", ctypes.py_object),
        ("len", ctypes.c_ssize_t),
        ("itemsize", ctypes.c_ssize_t),
        ("readonly", ctypes.c_int),
        ("ndim", ctypes.c_int),
        ("format", ctypes.c_char_p),
        ("shape", ctypes.c_void_p),
        ("strides", ctypes.c_void_p),
        ("suboffsets", ctypes.c_void_p),
        ("internal", ctypes.c_void_p),
    )


def address_of(view: memoryview) -> int:
    """Where a buffer begins in memory."""
    buffer = _PyBuffer()
    ctypes.pythonapi.PyObject_GetBuffer(ctypes.py_object(view), ctypes.byref(buffer), 0)
    address = buffer.buf or 0
    ctypes.pythonapi.PyBuffer_Release(ctypes.byref(buffer))
    return cast("int", address)


def pointer(kind: str, value: object) -> Pointer:
    """What code checked here indexes for `ptr8(value)`, `ptr16(value)` or `ptr32(value)`.

    An array of the right type code, a bytearray and bytes are indexed as they are; other buffers through a view.
    Bytes that do not fill an item at the end are outside.

    Raises:
        TypeError: No buffer, or one whose items have another size on the board.
        ValueError: The memory does not begin at a multiple of the item's size.
    """
    owner: Any = value
    if kind == "ptr8" and type(owner) in (bytearray, bytes):
        return cast("Pointer", owner)
    if type(owner) is array:
        if owner.typecode == ARRAY_CODES[kind]:
            return owner
        if owner.typecode in "lLqQ":
            raise TypeError(
                f"array('{owner.typecode}') has items of another size on the board; use 'i' or 'H'"
            )
    if type(owner) is int:
        raise TypeError(f"{owner} is an integer, which the board takes for an address")
    try:
        view = memoryview(owner)
    except TypeError:
        raise TypeError(f"{type(owner).__name__} is no buffer") from None
    if not view.contiguous:
        raise ValueError("the view is not contiguous")
    width = WIDTHS[kind]
    if type(owner) is memoryview and width > 1 and address_of(view) % width:
        raise ValueError(f"the memory does not begin at a multiple of {width} bytes; the board may fault")
    octets = view.cast("B")
    if kind == "ptr8":
        return octets
    whole = octets[: len(octets) // width * width]
    return whole.cast("H") if kind == "ptr16" else whole.cast("i")


def moved(kind: str, value: Pointer, octets: int) -> Pointer:
    """What code checked here indexes for `ptr32(uint(value) + octets)`: the buffer from there on.

    Raises:
        ValueError: the place is outside the buffer (just past its end is allowed), or between two items.
    """
    width = WIDTHS[kind]
    if octets % width:
        raise ValueError(f"{octets} bytes are no multiple of {width}; the board may fault")
    if not 0 <= octets <= len(value) * width:
        raise ValueError(f"moved by {octets} bytes, out of a buffer of {len(value) * width}")
    return memoryview(value)[octets // width :]
