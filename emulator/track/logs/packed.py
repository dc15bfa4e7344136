"""Logs packed by gzip, read as what they hold."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import BinaryIO, cast

_MAGIC = b"\x1f\x8b"
_ENDING = ".gz"


def is_packed(path: Path) -> bool:
    """Whether a file begins as gzip's do. Raises OSError."""
    with path.open("rb") as file:
        return file.read(len(_MAGIC)) == _MAGIC


def unpacked(path: Path) -> BinaryIO:
    """A file's content, unpacked bit by bit if it is packed. Reading raises OSError, EOFError, zlib.error."""
    return cast(BinaryIO, gzip.open(path, "rb")) if is_packed(path) else path.open("rb")


def ending(path: Path) -> str:
    """The ending of a file's name, or of what is packed in it, in small letters."""
    name = path.with_suffix("") if path.suffix.lower() == _ENDING else path
    return name.suffix.lower()
