"""Virtual rides by the reference robot, each ridden once in a run of pytest, by whoever asks first."""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import shutil
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from emulator.assembly.provenance import copies, manifest_of
from emulator.assembly.session import Session, load_session
from emulator.record.reader import Run, read_run
from emulator.record.writer import (
    CERTIFICATE_FILE,
    LONG_BLOCK_TICKS,
    OUTCOME_FILE,
    RunWriter,
    jsonable,
    write_json,
)
from emulator.runs.one import decide, judge_run
from emulator.stages.virtual import VirtualRide
from emulator.verdict.judge import Verdict


class Ridden(NamedTuple):
    """A record that others read, too: who changes it takes a :meth:`copy`."""

    session: Session
    folder: Path

    @property
    def run(self) -> Run:
        return read_run(self.folder)

    @property
    def outcome(self) -> dict[str, Any]:
        outcome: dict[str, Any] = json.loads((self.folder / OUTCOME_FILE).read_text())
        return outcome

    def decided(self) -> tuple[Run, Verdict]:
        """The record and the verdict on it; nothing is written."""
        return decide(self.session, self.run, self.outcome)

    def judged(self, folder: Path) -> Verdict:
        """Judged with laps and report as any other run, in a folder of its own."""
        return judge_run(self.session, self.copy(folder), self.outcome)

    def copy(self, folder: Path) -> Path:
        return Path(shutil.copytree(self.folder, folder))


class RiddenOnce:
    """The rides of this run of pytest, in a folder that all its workers know and no other run does."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)

    def __call__(
        self, rig: Path, scenario: Path, *, seed: int = 0, given: Mapping[str, float] | None = None
    ) -> Ridden:
        """As ``emulator run --virtual`` rides it; given: values of the scenario's parameters."""
        session = load_session(rig, scenario, seed=seed, parameters=given)
        made_from = repr((sorted(session.files.items()), sorted(session.paths.items()), seed, given))
        place = self.folder / hashlib.sha256(made_from.encode()).hexdigest()[:32]
        with open(f"{place}.lock", "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not place.exists():
                unfinished = Path(f"{place}.unfinished")
                shutil.rmtree(unfinished, ignore_errors=True)
                ride_into(session, unfinished)
                os.replace(unfinished, place)
        return Ridden(session, place)


def ride_into(session: Session, folder: Path) -> None:
    """Ride and record it; how it ended lies beside the record."""
    with RunWriter(
        folder,
        manifest_of(session, stage="virtual"),
        copies(session.files, session.paths),
        block_ticks=LONG_BLOCK_TICKS,
        payload_bytes=session.payload_bytes,
    ) as writer:
        outcome, certificate = VirtualRide(session).run(writer)
    write_json(folder / CERTIFICATE_FILE, certificate)
    write_json(folder / OUTCOME_FILE, jsonable(outcome))
