"""A folder that a command fills whole, or leaves as it was."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from emulator.core.errors import RunFailed, StartFailed


@contextmanager
def filled(folder: Path) -> Iterator[None]:
    """An empty folder, made if need be; on every way out but the right one all is as it was before.

    Raises StartFailed: it has files, or can't be made; RunFailed if the disk refuses meanwhile.
    """
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    _empty(folder)
    try:
        yield
    except BaseException as error:
        for entry in folder.iterdir():
            if entry.is_dir():
                shutil.rmtree(entry)
            else:
                entry.unlink()
        for place in missing:
            place.rmdir()
        if isinstance(error, OSError) and error.errno is not None and _of(folder, error):
            raise RunFailed(
                f"{folder} can't be written: {os.strerror(error.errno)}",
                advice="check that the folder is there, free space and permissions",
            ) from error
        raise


def _of(folder: Path, error: OSError) -> bool:
    """Whether the disk refused something below the folder; Arrow's errors name no file."""
    return not isinstance(error.filename, str) or Path(error.filename).is_relative_to(folder)


def _empty(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        occupied = any(folder.iterdir())
    except OSError as error:
        raise StartFailed(
            f"{folder} can't be created: {error.strerror or error}",
            advice="name another folder, or check permissions and free space",
        ) from error
    if occupied:
        raise StartFailed(f"{folder} already holds files", advice="name a new folder")
