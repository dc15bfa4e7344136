"""What several files of tests look at, made once in a run of pytest, by whichever worker asks first."""

from __future__ import annotations

import fcntl
import os
import shutil
from collections.abc import Callable
from pathlib import Path


class MadeOnce:
    """Folders that nobody changes, in one that all workers of this run of pytest know and no other run does.

    folder  None until a run of pytest has begun (``tests/conftest.py``)
    """

    def __init__(self) -> None:
        self.folder: Path | None = None

    def __call__(self, name: str, make: Callable[[Path], None]) -> Path:
        """The folder of that name; make: fills it, given an empty one that is put there when it is done."""
        assert self.folder is not None
        self.folder.mkdir(exist_ok=True)
        place = self.folder / name
        with open(f"{place}.lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not place.exists():
                unfinished = Path(f"{place}.unfinished")
                shutil.rmtree(unfinished, ignore_errors=True)
                unfinished.mkdir()
                make(unfinished)
                os.replace(unfinished, place)
        return place


made_once = MadeOnce()
