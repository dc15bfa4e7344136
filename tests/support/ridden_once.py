"""Virtual rides by the reference robot, each ridden once in a run of pytest, by whoever asks first."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple, TypeAlias

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
from tests.support.made_once import made_once


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


def ridden_once(
    rig: Path, scenario: Path, *, seed: int = 0, given: Mapping[str, float] | None = None
) -> Ridden:
    """As ``emulator run --virtual`` rides it; given: values of the scenario's parameters."""
    session = load_session(rig, scenario, seed=seed, parameters=given)
    made_from = repr((sorted(session.files.items()), sorted(session.paths.items()), seed, given))
    name = f"ride-{hashlib.sha256(made_from.encode()).hexdigest()[:32]}"
    return Ridden(session, made_once(name, partial(ride_into, session)))


RiddenOnce: TypeAlias = Callable[..., Ridden]


def ride_into(session: Session, folder: Path) -> None:
    """Ride and record it, as ``emulator run --virtual`` does; how it ended lies beside the record."""
    with RunWriter(
        folder,
        manifest_of(session, stage="virtual"),
        copies(session.files, session.paths),
        block_ticks=LONG_BLOCK_TICKS,
        packed=True,
        payload_bytes=session.payload_bytes,
    ) as writer:
        outcome, certificate = VirtualRide(session).run(writer)
    write_json(folder / CERTIFICATE_FILE, certificate)
    write_json(folder / OUTCOME_FILE, jsonable(outcome))
