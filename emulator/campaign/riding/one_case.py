"""Cases ridden one after another in one process, which keeps between them what they share.

Files, codec, course, vehicle and design are kept by their contents; plant, robot and record are begun anew
with each case. So a case gives the bytes that ``emulator run`` gives, whatever was ridden before it.
"""

from __future__ import annotations

import os
import resource
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple, TypeAlias

from emulator.assembly.files import RigSide, ScenarioSide, read_scenario_side, together
from emulator.assembly.session import Session, load_session, session_of
from emulator.campaign.plan.case import Case, CaseFiles, named_robot
from emulator.campaign.plan.drawn_vehicle import IN_SCENARIO
from emulator.campaign.plan.rig_of_case import rig_side
from emulator.campaign.plan.written import write_case
from emulator.campaign.riding.kept_record import RecordPlace
from emulator.campaign.riding.row import row_of_error, row_of_run
from emulator.campaign.store.reading import is_kept
from emulator.campaign.store.schema import COUNTING, ERROR, NO_POSSIBLE_BIKE, WRONG_FILES, Row
from emulator.config.campaign.schema import Kept
from emulator.core.errors import ConfigError, EmulatorError, StartFailed
from emulator.core.keeping.in_memory import Remembered, Same
from emulator.inspection.interface.written_for import Descriptions
from emulator.loop.machine import processor
from emulator.record.thin import Extent
from emulator.runs.in_memory import HeldRun, ride_in_memory, write_run

Keep: TypeAlias = tuple[Kept, ...]
"""Of which cases the whole record is kept, by how they came out."""
_MOST = 64  # rigs and scenarios, read and checked, that are kept; cases next to each other share few


class Ridden(NamedTuple):
    """A row, what a person should be told beside it, and rows of attempts before that did not count."""

    row: Row
    said: str = ""
    before: tuple[Row, ...] = ()


class Cases:
    """Rides cases of one plan.

    plan    the plan's file
    folder  of the campaign, where whole records are kept; None: nowhere
    worker  number that stands in the rows
    hashes  SHA-256 by path of files as they were when the cases were made; another one's case is not ridden
    extent  how much of each record stays; None: as its rig says
    """

    def __init__(
        self,
        plan: Path,
        folder: Path | None,
        worker: int = 0,
        hashes: Mapping[str, str] | None = None,
        extent: Extent | None = None,
    ) -> None:
        self._files = CaseFiles(plan)
        self._plan = plan
        self._folder = folder
        self._hashes = hashes or {}
        self._rigs: Remembered[RigSide] = Remembered(_MOST)
        self._scenarios: Remembered[ScenarioSide] = Remembered(_MOST)
        self._descriptions = Descriptions()
        self._worker, self._extent = worker, extent
        self._processor = processor()

    def ride(self, case: Case, keep: Keep = (), stop_asked: Callable[[], str] = lambda: "") -> Ridden:
        """Ride a virtual case and judge it. Raises MemoryError, and nothing else: an error is a row, too."""
        watch, began, started, said = _Watch(), datetime.now(UTC), time.monotonic(), ""
        held: HeldRun | None = None
        try:
            held = ride_in_memory(
                self.session(case), watch.begins, stop_asked, lambda: self._interfaces(case)
            )
            row = row_of_run(case, held, self._plan)
        except MemoryError:
            raise
        except Exception as error:
            row = row_of_failure(case, error, self._plan)
        if held is not None and self._folder is not None and worth_keeping(row, keep):
            watch.begins("keep")
            said = self._keep(case, held)
        row |= {
            **watch.columns(),
            "wall_s": time.monotonic() - started,
            "processor": self._processor,
            "worker": self._worker,
            "began": began,
        }
        return Ridden(row, said)

    def session(self, case: Case) -> Session:
        """A case's files, read, checked and put together. Raises ConfigError, StartFailed.

        A rig that was read and checked before is not again, nor is a scenario.
        """
        rig, scenario, vehicle = self._files.rig(case), self._files.scenario(case), self._files.vehicle(case)
        parameters = case.parameters
        # the same values are the same object there
        robot = named_robot(case)
        on = self._rigs.get(
            (Same(rig), Same(vehicle), case.robot),
            lambda: rig_side(case, rig, vehicle),
        )
        ridden = self._scenarios.get(
            (Same(scenario), *sorted(parameters.items())),
            lambda: read_scenario_side(scenario, parameters, stage=case.stage),
        )
        session = session_of(
            together(on, ridden),
            seed=case.seed,
            vehicle=vehicle,
            parameters=parameters,
            stage=case.stage,
            robot=robot,
        )
        for name, path in session.paths.items():
            if self._hashes.get(os.path.abspath(path), session.files[name]) != session.files[name]:
                raise StartFailed(f"{path} is not what it was when the campaign began")
        return session

    def _interfaces(self, case: Case) -> Iterator[str]:
        """Hashes of the interfaces that the robot of a case may have been written for."""
        return self._descriptions.written_for(
            self._files.rig(case), self._files.scenario(case), case.parameters
        )

    def _keep(self, case: Case, held: HeldRun) -> str:
        """Write the whole record with the files it is made from; says why not if that fails."""
        assert self._folder is not None
        if is_kept(self._folder, case.id):
            return ""
        place = RecordPlace(self._folder, case.id)
        try:
            written = write_case(case, self._files, place.case)
            session = load_session(
                written.rig, written.scenario, seed=case.seed, stage=case.stage, robot=named_robot(case)
            )
            write_run(held, session, place.partial, self._extent)
            place.settle()
        except (EmulatorError, OSError) as error:
            return f"the record of {case.id} could not be kept: {error}"
        finally:
            place.drop()
        return ""


def worth_keeping(row: Row, keep: Keep) -> bool:
    """Whether the whole record of a case that came out like this is kept."""
    is_so: dict[Kept, bool] = {
        "surprises": row.get("as_expected") is False,
        "failures": row["result"] == "fail",
        "does_not_count": row["result"] not in (*COUNTING, ERROR),
        "errors": row["result"] == ERROR,
        "everything": True,
    }
    return any(is_so[one] for one in keep)


def row_of_failure(case: Case, error: Exception, plan: Path) -> Row:
    """The row of a case that an exception kept from being ridden."""
    if isinstance(error, ConfigError):
        more = len(error.problems) - 1
        behind = f" (and {more} more)" if more else ""
        if case.drawn and all(one.key.startswith(_OF_DRAWN) for one in error.problems):
            return row_of_error(
                case, plan, NO_POSSIBLE_BIKE, f"the bike that was drawn is none: {error.problems[0]}{behind}"
            )
        return row_of_error(case, plan, WRONG_FILES, f"{error.problems[0]}{behind}")
    if isinstance(error, EmulatorError):
        return row_of_error(case, plan, "could not be ridden", str(error), "bench")
    last = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{Path(last.filename).name}:{last.lineno}"
    return row_of_error(case, plan, "internal error", f"{type(error).__name__}: {error} ({where})", "bench")


_OF_DRAWN = ".".join(IN_SCENARIO)
_COLUMN_OF = {
    "setup": "cpu_setup_s",
    "build": "cpu_setup_s",
    "design": "cpu_design_s",
    "ride": "cpu_ride_s",
    "judge": "cpu_judge_s",
    "keep": "cpu_judge_s",
}


class _Watch:
    """Processor time of the parts of a case, this process's and that of children that have ended."""

    def __init__(self) -> None:
        self._spent: dict[str, float] = {}
        self._part, self._since = "setup", _cpu_s()

    def begins(self, part: str) -> None:
        now = _cpu_s()
        column = _COLUMN_OF[self._part]
        self._spent[column] = self._spent.get(column, 0.0) + now - self._since
        self._part, self._since = part, now

    def columns(self) -> Row:
        self.begins("judge")
        return {column: self._spent.get(column, 0.0) for column in dict.fromkeys(_COLUMN_OF.values())}


def _cpu_s() -> float:
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime
