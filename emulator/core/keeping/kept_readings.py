"""What a file came to when it was read, kept under a name of its content and of the code that read it.

Parsing, and working out a line and its target speed, take longer than everything else that a check does, and
the same files are read again and again. Only what was right is kept: a reading that raises is carried out
anew, so that every message is made where it is told. What lies there damaged counts as not there, and a
folder that can't be used or trusted costs no more than the reading.
"""

from __future__ import annotations

import hashlib
import pickle
import platform
import sys
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import TypeVar

from emulator.core.errors import StartFailed
from emulator.core.keeping import code_store
from emulator.core.keeping.kept_arrays import numbers, sources
from emulator.core.keeping.machine import machine

T = TypeVar("T")


def kept_reading(kind: str, content: bytes, reader: str, read: Callable[[], T]) -> T:
    """What ``read`` returns, from the folder if it is there.

    kind     what it is, in a word, for the name of the file
    content  everything that decides what comes out, beside the code
    reader   key of that code: :func:`reader_key`

    Raises what ``read`` raises, and then keeps nothing.
    """
    name = f"{kind}-{hashlib.sha256(reader.encode() + content).hexdigest()}"
    try:
        kept = code_store.load(name, code_store.READ)
    except StartFailed:  # told by whoever wants compiled code of it
        return read()
    if kept is not None:
        return pickle.loads(kept)  # type: ignore[no-any-return]  # whole, and nobody else could have put it there
    value = read()
    code_store.save(name, pickle.dumps(value, pickle.HIGHEST_PROTOCOL), code_store.READ)
    return value


def kept_numbers(kind: str, made_from: object, files: tuple[str, ...], make: Callable[[], T]) -> T:
    """What ``make`` works out, from the folder if it is there.

    made_from  records of arrays and numbers that decide what comes out (``kept_arrays.numbers``)
    files      sources of the code that decides; libraries and processor, whose last bits differ, are added

    Raises what ``make`` raises, and then keeps nothing.
    """
    content = f"{machine()} {numbers(made_from)!r}".encode()
    return kept_reading(kind, content, reader_key(files, ()), make)


@cache
def reader_key(files: tuple[str, ...], libraries: tuple[str, ...]) -> str:
    """Key of code that reads: source files by their content, libraries by their versions, and Python."""
    parts = [f"{library} {version(library)}" for library in libraries]
    return " ".join(
        [sources(map(Path, files)), *parts, platform.python_version(), sys.implementation.cache_tag or ""]
    )
