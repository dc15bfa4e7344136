"""Where the whole record of a case is put down: one folder, the run's, with the files it was made from in it.

The record appears whole under its name, or not at all. Its manifest names the small files that the case is
made of, ``case/``, as they lie in the end, so that the command in its report rides it again.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from pathlib import Path

from emulator.campaign.store.folder import CASE_FOLDER, KEPT_FOLDER


class RecordPlace:
    """The place of one record.

    case     folder for the files of the case, in its final place
    partial  folder that the record is written into meanwhile; not there yet
    """

    def __init__(self, campaign: Path, name: str) -> None:
        kept = campaign / KEPT_FOLDER
        self._final = kept / name
        self.case = self._final / CASE_FOLDER
        self.partial = kept / f".{name}.{os.getpid()}"

    def settle(self) -> None:
        """Put the record in its place, and the case's files into it. Raises OSError."""
        self.case.rename(self.partial / CASE_FOLDER)
        shutil.rmtree(self._final)
        self.partial.rename(self._final)

    def drop(self) -> None:
        """Take away what was written of it."""
        shutil.rmtree(self.partial, ignore_errors=True)
        with contextlib.suppress(OSError):
            if [path.name for path in self._final.iterdir()] == [CASE_FOLDER]:
                shutil.rmtree(self._final)
