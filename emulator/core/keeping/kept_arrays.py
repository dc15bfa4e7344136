"""Arrays that took long to work out, kept beside the compiled code under a name of all they were made from.

What lies there damaged or of another making counts as not there; a folder that can't be written costs the
time to work it out again.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Callable, Collection, Iterable, Mapping
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np
from numpy.typing import NDArray

from emulator.core.keeping import code_store
from emulator.core.keeping.machine import machine

Arrays = Mapping[str, NDArray[Any]]


def kept_arrays(kind: str, made_from: str, fields: Collection[str], make: Callable[[], Arrays]) -> Arrays:
    """The arrays named ``fields``, from the folder if they are there, else from ``make``, and kept.

    kind       what they are, in a word, for the name of the file
    made_from  text of everything that decides what they are, the code among it; libraries and processor,
               whose last bits differ, are added here

    Raises what ``make`` raises, and then keeps nothing; StartFailed for a folder that is not to be trusted.
    """
    name = f"{kind}-{hashlib.sha256((machine() + made_from).encode()).hexdigest()}"
    content = code_store.load(name)
    arrays = None if content is None else _read(content, fields)
    if arrays is None:
        arrays = make()
        out = io.BytesIO()
        np.savez(out, allow_pickle=False, **arrays)
        code_store.save(name, out.getvalue())
    return arrays


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


def sources(files: Iterable[Path]) -> str:
    """Key (64 hex digits) of the content of source files, for what plain Python works out."""
    return hashlib.sha256(b"".join(hashlib.sha256(path.read_bytes()).digest() for path in files)).hexdigest()


def _read(content: bytes, fields: Collection[str]) -> Arrays | None:
    try:
        with np.load(io.BytesIO(content), allow_pickle=False) as arrays:
            return {name: arrays[name] for name in fields}
    except (ValueError, KeyError, EOFError, OSError, BadZipFile):
        return None
