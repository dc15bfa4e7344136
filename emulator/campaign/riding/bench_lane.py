"""One rig, unattended: run after run in real time, a look at bench and host before each, rest between.


What does not count is ridden again, up to a limit; every attempt has its row. After a failure the bench has
to show that it is in a clear state, like before the first run: a run ends with every process gone and the
signals at rest, and the next one begins with a heartbeat of its own. Who can't show it within a few tries
ends the night: more runs would only be more of the same.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from emulator.assembly.session import Session, load_session
from emulator.campaign.plan.case import Case, CaseFiles
from emulator.campaign.plan.written import write_case
from emulator.campaign.riding.kept_record import RecordPlace
from emulator.campaign.riding.one_case import Keep, Ridden, row_of_failure, worth_keeping
from emulator.campaign.riding.row import row_of_run
from emulator.campaign.riding.wear import wear_of
from emulator.campaign.riding.worker import Task
from emulator.campaign.riding.workers import Done
from emulator.campaign.store.schema import COUNTING, ERROR, WRONG_FILES, Row
from emulator.core.errors import StartFailed, Stopped
from emulator.inspection.host import measure_lateness
from emulator.loop.machine import processor
from emulator.record.documents import read_outcome
from emulator.record.reader import Run, read_run
from emulator.record.thin import Extent, make_thin
from emulator.runs.one import ride
from emulator.stages.bench.supervisor import Beside
from emulator.verdict.judge import Verdict

Say = Callable[[str], None]

LEAST_FREE_BYTES = 1 << 30
"""Free disk that a run on the bench begins with; an hour of riding is 1.3 GiB."""
_LOOK_S = 1.0
"""How long the host is looked at before a run."""


@dataclass(frozen=True)
class LaneTerms:
    """How a bench is used.

    rest_s    between two runs, for actuators that get warm
    attempts  at a case whose runs do not count
    tries     of the look before a run, a rest between, before the night is ended
    extent    how much of each record stays; None: as its rig says
    """

    rest_s: float = 10.0
    attempts: int = 3
    tries: int = 3
    extent: Extent | None = None


@dataclass(frozen=True)
class _Judged:
    """A run of the bench as a row is made of it."""

    session: Session
    run: Run
    outcome: dict[str, Any]
    robot: dict[str, Any]
    verdict: Verdict


class BenchLane:
    """Rides tasks one at a time in this process; see ``workers.Riders``.

    beside  what runs next to each ride, as its telemetry, by session, run folder and whom it tells what
            befell it; that is in the row, as ``notices``
    look    at bench and host before a run: what keeps it from being ridden, empty for nothing
    rest    waits so many seconds; True if somebody wants it ended meanwhile
    """

    def __init__(
        self,
        plan: Path,
        folder: Path,
        terms: LaneTerms = LaneTerms(),  # frozen
        *,
        say: Say = lambda _text: None,
        beside: Callable[[Session, Path, Say], Beside | None] = lambda _session, _folder, _say: None,
        look: Callable[[Session, Path], str] | None = None,
        rest: Callable[[float], bool] | None = None,
    ) -> None:
        self._files, self._plan, self._folder = CaseFiles(plan), plan, folder
        self._terms, self._say, self._beside = terms, say, beside
        self._look, self._rest = look or fitness, rest or _rested
        self._task: Task | None = None
        self._ridden_before = False
        self._processor = processor()
        self.stopped = ""

    def idle(self) -> int:
        """One, unless it has a task, or was stopped by a person or by the state of the bench."""
        return 0 if self._task is not None or self.stopped else 1

    def give(self, task: Task) -> None:
        """Put it down to be ridden."""
        self._task = task

    def done(self, timeout_s: float) -> Sequence[Done]:
        """Ride the task, for as long as it takes, with the attempts it needs.

        Nothing if a person stopped it. Raises StartFailed if the bench does not come into a clear state.
        """
        if self._task is None:
            return []
        task, self._task = self._task, None
        rows: list[Row] = []
        while len(rows) < self._terms.attempts:
            if self._ridden_before and self._rest(self._terms.rest_s):
                self.stopped = self.stopped or "stopped"
                break
            self._ridden_before = True
            row, by_hand = self._attempt(task.case, task.keep, len(rows) + 1)
            if by_hand:
                self.stopped = "stopped"
                break
            rows.append(row)
            if row["result"] in COUNTING or row["as_expected"]:
                break
            if row["result"] == ERROR and row["cause_kind"] == WRONG_FILES:
                break
            self._say(f"{task.case.label}: does not count ({row['cause']})")
        if not rows:
            return []
        return [Done(task, Ridden(rows[-1], before=tuple(rows[:-1])))]

    def close(self) -> None:
        """Nothing is left of a run when it is over."""

    def _attempt(self, case: Case, keep: Keep, number: int) -> tuple[Row, bool]:
        """One run and its row; whether a person ended it."""
        began, started, cpu_s = datetime.now(UTC), time.monotonic(), time.process_time()
        place = RecordPlace(self._folder, case.id if number == 1 else f"{case.id}.attempt-{number}")
        judged: _Judged | None = None
        notices: list[str] = []

        def noticed(text: str) -> None:
            notices.append(text)
            self._say(text)

        try:
            written = write_case(case, self._files, place.case)
            session = load_session(written.rig, written.scenario, seed=case.seed, stage="bench")
            self._make_sure(session)
            verdict = ride(
                session,
                (written.rig, written.scenario),
                place.partial,
                virtual=False,
                whole=True,
                say=self._say,
                beside=self._beside(session, place.partial, noticed),
            )
            run = read_run(place.partial)
            robot = dict(run.manifest.get("robot") or {})
            judged = _Judged(session, run, read_outcome(place.partial), robot, verdict)
            row = row_of_run(case, judged, self._plan) | {"wear": wear_of(run)._asdict()}
            if (self._terms.extent or session.rig.record) == "thin":
                make_thin(place.partial)
        except Stopped:
            return {}, True
        except _NotFit as error:
            raise StartFailed(
                f"the bench is not fit to ride: {error}",
                advice="see emulator host and the rig's connections; the same command again goes on",
            ) from error
        except Exception as error:
            row = row_of_failure(case, error, self._plan)
        if judged is not None and (worth_keeping(row, keep) or row["result"] not in COUNTING):
            place.settle()
        place.drop()
        row |= {
            "attempt": number,
            "notices": notices,
            "cpu_ride_s": time.process_time() - cpu_s,
            "wall_s": time.monotonic() - started,
            "processor": self._processor,
            "worker": 0,
            "began": began,
        }
        return row, row["result"] == "stopped" and not row["as_expected"]

    def _make_sure(self, session: Session) -> None:
        """Look until there is nothing to find. Raises _NotFit when the tries are used up."""
        for left in range(self._terms.tries - 1, -1, -1):
            found = self._look(session, self._folder)
            if not found:
                return
            self._say(f"the bench is not fit to ride: {found}")
            if not left or self._rest(max(self._terms.rest_s, _LOOK_S)):
                raise _NotFit(found)


class _NotFit(Exception):
    """The bench did not come into a clear state; its text says why."""


def fitness(session: Session, folder: Path) -> str:
    """What keeps a run from counting before it has begun: a button, the disk, a host that wakes too late."""
    if session.rig.local_enable != "terminal":
        return "its rig is armed by a button (local_enable), and nobody is there to press it"
    free = shutil.disk_usage(folder).free
    if free < LEAST_FREE_BYTES:
        return f"{free / 2**20:.0f} MiB of disk are free, expected {LEAST_FREE_BYTES / 2**20:.0f}"
    loop = session.rig.loop
    late = measure_lateness(_LOOK_S, session.loop_cpu, loop.priority, loop.spin_us, loop.idle_exit_us)
    allowed_ms = session.rig.timing.hole_ms
    if late.greatest > allowed_ms * 1e3:
        return f"the host woke {late.greatest / 1e3:.1f} ms late, allowed {allowed_ms:g} ms"
    return ""


def _rested(seconds: float) -> bool:
    time.sleep(seconds)
    return False
