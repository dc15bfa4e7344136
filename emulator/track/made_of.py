"""What a record was made of, by hash: the logs of a record of the track, of others their signals."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Mapping

from emulator.record.reader import Run
from emulator.record.writer import SIGNALS_FILE


def logs_of(run: Run) -> dict[str, str]:
    """SHA-256 of each log that a record was made of, by name; of a run that of its signals."""
    files = run.manifest.get("files")
    listed = files if isinstance(files, Mapping) else {}
    names = itertools.takewhile(listed.__contains__, (f"log {k}" for k in itertools.count(1)))
    if logs := {name: str(listed[name]) for name in names}:
        return logs
    with (run.folder / SIGNALS_FILE).open("rb") as file:
        return {SIGNALS_FILE: hashlib.file_digest(file, "sha256").hexdigest()}
