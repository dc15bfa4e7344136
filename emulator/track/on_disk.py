"""Long columns kept on the disk while logs become a record: an hour of many is far more than is looked at.

A column that is put there comes back as an array that lies in a file without a name: the same to the bit,
read only. Its pages count as the process's memory from when they are read until they are let go of, and can
be let go of at any time. The file is gone with the last array in it, however the process ends.
"""

from __future__ import annotations

import mmap
import tempfile
import weakref
from collections.abc import Iterator, MutableMapping
from io import FileIO
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import StartFailed

Values = NDArray[np.float64]
Column = TypeVar("Column", bound=NDArray[Any])

LONG = 1 << 20
"""Bytes from which on a column is put on the disk; shorter ones are left where they are."""


class Shelf:
    """Where long columns are put: the disk that a folder is on, or will be once it is made.

    Raises StartFailed, here and later, where that disk refuses.
    """

    def __init__(self, folder: Path) -> None:
        self._beside = next((p for p in (folder, *folder.absolute().parents) if p.is_dir()), Path("/"))

    def kept(self, values: Column) -> Column:
        """The same column (n,), on the disk if it is long; one that is there already stays as it is."""
        if values.nbytes < LONG:
            return values
        if (held := _held(values)) is not None:
            held.madvise(mmap.MADV_DONTNEED)
            return values
        whole = np.ascontiguousarray(values)
        with self._file() as file:
            self._append(file, whole)
            return self._mapped(file, whole.dtype)  # type: ignore[return-value]

    def growing(self) -> Growing:
        """A column of numbers that come bit by bit."""
        return Growing(self)

    def _file(self) -> FileIO:
        try:
            return tempfile.TemporaryFile(dir=self._beside, buffering=0)
        except OSError as error:
            raise self._refused(error) from error

    def _append(self, file: FileIO, part: NDArray[Any]) -> None:
        rest = part.data.cast("B") if part.size else memoryview(b"")
        try:
            while len(rest):
                rest = rest[file.write(rest) :]
        except OSError as error:
            raise self._refused(error) from error

    def _mapped(self, file: FileIO, dtype: np.dtype[Any]) -> NDArray[Any]:
        try:
            return np.frombuffer(mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ), dtype)
        except OSError as error:
            raise self._refused(error) from error

    def _refused(self, error: OSError) -> StartFailed:
        return StartFailed(
            f"columns of the log can't be kept in {self._beside} meanwhile: {error.strerror or error}",
            advice="free space on that disk, 50 bytes a sample, or name a folder on another one",
        )


class Growing:
    """A column of numbers that is added to."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._parts: list[Values] = []
        self._bytes = 0
        self._file: FileIO | None = None

    def append(self, values: Values) -> None:
        """Add values (k,), which are not to change afterwards. Raises StartFailed."""
        self._parts.append(np.ascontiguousarray(values, np.float64))
        self._bytes += self._parts[-1].nbytes
        if self._bytes >= LONG:
            if self._file is None:
                self._file = self._shelf._file()
                weakref.finalize(self, self._file.close)  # also where reading breaks off
            for part in self._parts:
                self._shelf._append(self._file, part)
            self._parts, self._bytes = [], 0

    def whole(self) -> Values:
        """(n,) all that was added. Raises StartFailed."""
        rest = np.concatenate(self._parts) if self._parts else np.empty(0)
        if self._file is None:
            return rest
        self._shelf._append(self._file, rest)
        with self._file:
            return self._shelf._mapped(self._file, np.dtype(np.float64))


def let_go(*columns: NDArray[Any]) -> None:
    """Give back the memory that columns on the disk take; they can be read again as before."""
    for column in columns:
        if (held := _held(column)) is not None:
            held.madvise(mmap.MADV_DONTNEED)


def _held(values: NDArray[Any]) -> mmap.mmap | None:
    """The file that an array lies in."""
    base: Any = values
    while isinstance(base, np.ndarray):
        base = base.base
    if isinstance(base, memoryview):
        base = base.obj
    return base if isinstance(base, mmap.mmap) else None


class Columns(MutableMapping[str, Values]):
    """Columns by name, long ones on the disk; whichever is asked for, the memory of the others is let go of.

    Columns may share an array. The order is that in which they were put.
    """

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._columns: dict[str, Values] = {}

    def __getitem__(self, name: str) -> Values:
        """The column (n,)."""
        wanted = self._columns[name]
        let_go(*(column for column in self._columns.values() if column is not wanted))
        return wanted

    def __setitem__(self, name: str, values: Values) -> None:
        """Put a column. Raises StartFailed."""
        self._columns[name] = self._shelf.kept(values)

    def __delitem__(self, name: str) -> None:
        """Take a column away."""
        del self._columns[name]

    def __contains__(self, name: object) -> bool:
        """Whether there is such a column."""
        return name in self._columns

    def __iter__(self) -> Iterator[str]:
        """The names."""
        return iter(self._columns)

    def __len__(self) -> int:
        """How many there are."""
        return len(self._columns)

    def in_order(self, names: tuple[str, ...]) -> Columns:
        """Those of the names that are there, in the order of the names."""
        found = Columns(self._shelf)
        found._columns = {name: self._columns[name] for name in names if name in self._columns}
        return found
