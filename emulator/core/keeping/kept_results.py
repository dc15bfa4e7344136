"""What took long to read or to work out, kept beside the compiled code under a name of all it was made from.

The same files are read, the same line, design and limits are worked out again and again. Only what was right
is kept: what raises is carried out anew, so that every message is made where it is told. What lies there
damaged counts as not there, and a folder that can't be used or trusted costs no more than the making.
"""

from __future__ import annotations

import hashlib
import pickle
import platform
import sys
from collections.abc import Callable, Iterable
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

import numpy as np

from emulator.core.errors import StartFailed
from emulator.core.keeping import code_store
from emulator.core.keeping.machine import machine

T = TypeVar("T")


def kept_result(kind: str, content: bytes, code: str, make: Callable[[], T]) -> T:
    """What ``make`` returns, from the folder if it is there.

    kind     what it is, in a word, for the name of the file
    content  everything that decides what comes out, beside the code
    code     key of that code: :func:`code_of`, or of compiled functions their own

    Raises what ``make`` raises, and then keeps nothing.
    """
    name = f"{kind}-{hashlib.sha256(code.encode() + content).hexdigest()}"
    try:
        kept = code_store.load(name, code_store.RESULT)
    except StartFailed:  # told by whoever wants compiled code of it
        return make()
    if kept is not None:
        return pickle.loads(kept)  # type: ignore[no-any-return]  # whole, and nobody else could have put it there
    value = make()
    code_store.save(name, pickle.dumps(value, pickle.HIGHEST_PROTOCOL), code_store.RESULT)
    return value


def kept_numbers(kind: str, made_from: object, code: str, make: Callable[[], T]) -> T:
    """As :func:`kept_result`, of numbers: libraries and processor, whose last bits differ, are added.

    made_from  records of arrays and numbers that decide what comes out (:func:`numbers`)
    """
    return kept_result(kind, f"{machine()} {numbers(made_from)!r}".encode(), code, make)


def numbers(item: object) -> object:
    """What a record of arrays, numbers and further such records holds, for the text it is made from.

    Raises TypeError for anything else.
    """
    if isinstance(item, tuple):
        return tuple(numbers(part) for part in item)
    if isinstance(item, np.ndarray):
        return item.dtype.str, item.shape, hashlib.sha256(item.tobytes()).hexdigest()
    if item is None or isinstance(item, bool | int):
        return item
    if isinstance(item, float):
        return item.hex()
    raise TypeError(f"expected arrays and numbers, got {type(item).__name__}")


@cache
def code_of(files: tuple[str, ...], libraries: tuple[str, ...] = ()) -> str:
    """Key of plain Python: source files by their content, libraries by their versions, and Python."""
    parts = [f"{library} {version(library)}" for library in libraries]
    return " ".join(
        [sources(map(Path, files)), *parts, platform.python_version(), sys.implementation.cache_tag or ""]
    )


def sources(files: Iterable[Path]) -> str:
    """Key (64 hex digits) of the content of source files."""
    return hashlib.sha256(b"".join(hashlib.sha256(path.read_bytes()).digest() for path in files)).hexdigest()
