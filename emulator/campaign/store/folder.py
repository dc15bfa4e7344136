"""A campaign's folder: the plan as it was, all cases before the first ride, results file by file.

    plan.yaml               the plan, a copy
    campaign.json           plan's hash, versions, host, what was asked for, state
    cases.parquet           every case, in the plan's order, with its turn
    results/NNNNNN.parquet  rows, in the order they came
    searched/NNNNNN.parquet rows of what the plan's questions asked for, likewise
    answers.parquet         what came of the questions
    kept/CASE_ID/           run folders that were worth keeping, with their case's files in case/

A file of results appears whole or not at all, and never changes: it is written under another name, brought to
the disk and renamed. What a kill at any moment loses is what was still being ridden, and rows of the last
moments before it; both are ridden again. Many small files become one whose name says which it stands for; it
counts from the moment it is there, whether those are gone yet or not.

One process at a time adds to a campaign; the kernel takes its lock back however it ends.
"""

from __future__ import annotations

import fcntl
import io
import os
import re
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from emulator.campaign.store.schema import SCHEMA, Row
from emulator.core.errors import RunFailed, StartFailed, UnreadableError
from emulator.core.outside.reading import advice_for
from emulator.record.writer import write_json

PLAN_FILE = "plan.yaml"
CAMPAIGN_FILE = "campaign.json"
CASES_FILE = "cases.parquet"
RESULTS_FOLDER = "results"
SEARCHED_FOLDER = "searched"
ROW_FOLDERS = (RESULTS_FOLDER, SEARCHED_FOLDER)
KEPT_FOLDER = "kept"
CASE_FOLDER = "case"
"""In a kept run folder: the files that its case is made of."""

MOST_SMALL = 64
"""Files of results that become one."""
_LOCK_FILE = ".lock"
_NAME = re.compile(r"(\d{6,})(?:-(\d{6,}))?\.parquet")


def result_files(folder: Path, of: str = RESULTS_FOLDER) -> list[Path]:
    """The files of rows that count, in the order written; those that a joined one stands for do not.

    of  one of ROW_FOLDERS
    """
    found = []
    for path in (folder / of).glob("*.parquet"):
        if match := _NAME.fullmatch(path.name):
            first = int(match[1])
            found.append((first, int(match[2] or first), path))
    joined = [(first, last) for first, last, _ in found if last > first]
    return [
        path
        for first, last, path in sorted(found)
        if not any((a, b) != (first, last) and a <= first and last <= b for a, b in joined)
    ]


def _last_number(folder: Path, of: str) -> int:
    numbers = [
        int(match[2] or match[1])
        for path in (folder / of).glob("*.parquet")
        if (match := _NAME.fullmatch(path.name))
    ]
    return max(numbers, default=0)


def _refuse_what_is_no_campaign(path: Path) -> None:
    """Nothing is put between other things, such as a run's, whose files may bear the names of ours."""
    if not path.is_dir() or (path / CAMPAIGN_FILE).exists():
        return
    begun = (*ROW_FOLDERS, KEPT_FOLDER, PLAN_FILE, CASES_FILE, _LOCK_FILE)  # killed before it was whole
    others = sorted(name for name in os.listdir(path) if name not in begun and not name.endswith(".part"))
    if others:
        more = f" and {len(others) - 1} more" if len(others) > 1 else ""
        raise UnreadableError(
            str(path), f"it holds no campaign, but {others[0]}{more}; name a new folder with --out"
        )


class CampaignFolder:
    """The folder while a campaign adds to it.

    Raises StartFailed if another process does already, UnreadableError if it holds other things.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        _refuse_what_is_no_campaign(path)
        try:
            for of in ROW_FOLDERS:
                (path / of).mkdir(parents=True, exist_ok=True)
            (path / KEPT_FOLDER).mkdir(exist_ok=True)
            self._lock = os.open(path / _LOCK_FILE, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        except OSError as error:
            raise StartFailed(
                f"{path} can't be written: {error.strerror or error}",
                advice=advice_for(error) or "name another folder with --out",
            ) from error
        try:
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            os.close(self._lock)
            raise StartFailed(
                f"{path} is being ridden by another process",
                advice="wait until it is done, or name another folder with --out",
            ) from error
        # what a process that was killed left unfinished; nobody writes here now
        for of in ROW_FOLDERS:
            for unfinished in (path / of).glob(".*"):
                unfinished.unlink(missing_ok=True)
        for record in (path / KEPT_FOLDER).iterdir():
            if record.name[:1] == "." or (record.is_dir() and os.listdir(record) == [CASE_FOLDER]):
                shutil.rmtree(record, ignore_errors=True)
        self._next = {of: _last_number(path, of) + 1 for of in ROW_FOLDERS}

    def __enter__(self) -> CampaignFolder:
        """The folder itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Let others add to it."""
        os.close(self._lock)

    @property
    def begun(self) -> bool:
        """Whether a campaign stands in it already."""
        return (self.path / CAMPAIGN_FILE).exists()

    def begin(self, plan: bytes, cases: pa.Table, about: Mapping[str, Any]) -> None:
        """Write down what will be ridden; ``about`` last, so what is there is whole. Raises RunFailed."""
        self._put(self.path / PLAN_FILE, plan)
        self._put(self.path / CASES_FILE, _as_parquet(cases))
        self.describe(about)

    def describe(self, about: Mapping[str, Any]) -> None:
        """Write ``campaign.json`` anew. Raises RunFailed."""
        write_json(self.path / CAMPAIGN_FILE, about)

    def append(self, rows: Sequence[Row], of: str = RESULTS_FOLDER) -> None:
        """Add rows; they are on the disk when this returns. Raises RunFailed when it refuses.

        of  one of ROW_FOLDERS
        """
        table = pa.Table.from_pylist(list(rows), schema=SCHEMA)
        self._put(self.path / of / f"{self._next[of]:06d}.parquet", _as_parquet(table))
        self._next[of] += 1
        self._join(of)

    def write_table(self, name: str, table: pa.Table) -> None:
        """Write a table beside the rows, anew and whole. Raises RunFailed."""
        self._put(self.path / name, _as_parquet(table))

    def _join(self, of: str) -> None:
        """Make one file of many small ones; if the disk refuses, they stay as they are."""
        small = [path for path in result_files(self.path, of) if "-" not in path.stem]
        if len(small) < MOST_SMALL:
            return
        table = pa.concat_tables([pq.ParquetFile(path).read(use_threads=False) for path in small])
        try:
            self._put(self.path / of / f"{small[0].stem}-{small[-1].stem}.parquet", _as_parquet(table))
        except RunFailed:
            return
        for path in small:
            path.unlink(missing_ok=True)

    def _put(self, path: Path, content: bytes) -> None:
        """A file whole, on the disk and not only with the kernel, or not at all."""
        partial = path.with_name(f".{path.name}.part")
        try:
            with partial.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
            os.replace(partial, path)
            folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
        except OSError as error:
            partial.unlink(missing_ok=True)
            raise RunFailed(
                f"{path} can't be written: {error.strerror or error}",
                advice=f"{advice_for(error) or 'check the disk'}; then the same command again goes on "
                "with what is missing",
            ) from error


def _as_parquet(table: pa.Table) -> bytes:
    out = io.BytesIO()
    pq.write_table(table, out, compression="zstd")
    return out.getvalue()
