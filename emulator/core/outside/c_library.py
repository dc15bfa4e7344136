"""Functions of the C library that Python has no name for."""

from __future__ import annotations

import ctypes
import os


def c_call(name: str, *arguments: object) -> int:
    """What a C function returns that returns -1 and sets errno when refused; raises OSError then.

    arguments  as ctypes takes them; a whole number is an ``int`` unless it says what else
    """
    try:
        function = getattr(ctypes.CDLL(None, use_errno=True), name)
    except AttributeError:
        raise OSError(f"this system has no {name}") from None
    result: int = function(*arguments)
    if result == -1:
        number = ctypes.get_errno()
        raise OSError(number, os.strerror(number))
    return result
