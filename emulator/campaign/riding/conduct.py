"""A campaign from its first turn to its last: who gets which case, what is written when, when it ends.

Turns are given out in order, rows come as they come and are on the disk within seconds. Whether a stop rule
ends it is decided by the rows in the order of their turns, never by who was faster: rows of later turns that
were ridden meanwhile do not count.
"""

from __future__ import annotations

import shutil
import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal, TypeAlias

from emulator.campaign.plan.case import Case
from emulator.campaign.riding.one_case import Keep, worth_keeping
from emulator.campaign.riding.worker import Task
from emulator.campaign.riding.workers import Done, Riders
from emulator.campaign.store.answers import Answer
from emulator.campaign.store.counts import Counts
from emulator.campaign.store.folder import KEPT_FOLDER, CampaignFolder
from emulator.campaign.store.reading import read_results
from emulator.campaign.store.schema import ERROR, Row
from emulator.config.campaign.schema import FailedLast
from emulator.record.thin import Extent

WRITE_EVERY_S = 2.0
"""Rows are on the disk no later than this after they came."""
LOOK_EVERY_S = 0.25
"""Whoever waits for rows looks at everything else at least so often."""

State: TypeAlias = Literal["complete", "stopped", "out_of_time", "stop_rule"]
"""How it ended: everything ridden, by a person, by its budget of time, by a rule of the plan."""


@dataclass(frozen=True)
class Most:
    """After how many of a kind it ends; None: never."""

    surprises: int | None = None
    invalid: int | None = None
    errors: int | None = None


@dataclass(frozen=True)
class Terms:
    """How a plan wants its cases ridden.

    first       which cases go before the others
    keep        of which cases the whole record is kept
    thinnest    how many of the others with the thinnest margins are kept besides
    most_kept   how many in all; those of the lowest numbers stay
    extent      how much of each record stays; None: as its rig says
    disk_bytes  that the campaign's folder may take; records of the lowest numbers stay, rows always do
    limit_s     by the clock, for a case
    attempts    at a case whose worker is lost
    time_s      budget of time, all processes that worked at this campaign together; None: no limit
    ends        when no further case is begun; None: there is no such time
    stop_after  what ends it early
    """

    first: tuple[FailedLast, ...] = ("failed_last_time", "never_ridden")
    keep: Keep = ("surprises",)
    thinnest: int = 10
    most_kept: int = 100
    extent: Extent | None = None
    disk_bytes: int | None = None
    limit_s: float = 300.0
    attempts: int = 2
    time_s: float | None = None
    ends: datetime | None = None
    stop_after: Most = Most()


@dataclass
class Progress:
    """How far it is.

    total    cases; of them ``before`` were ridden before this process began
    lost     workers that died or hung
    elapsed_s  since it began
    at_most  whether there may be fewer: a search does not know beforehand
    """

    total: int
    before: int
    counts: Counts
    lost: int = 0
    elapsed_s: float = 0.0
    at_most: bool = False

    @property
    def rate_hz(self) -> float:
        """Cases a second."""
        done = self.counts.done - self.before
        return done / self.elapsed_s if self.elapsed_s > 0.0 else 0.0

    @property
    def left_s(self) -> float | None:
        """Time left at this rate, at most; None where nothing is known yet."""
        return (self.total - self.counts.done) / self.rate_hz if self.rate_hz > 0.0 else None


@dataclass
class Ending:
    """How it ended.

    after_turn  the last turn that counts, where a stop rule ended it
    spent_s     by the clock, of this process
    said        what a person should be told
    answers     to the plan's questions; ``searched`` rides they took
    """

    state: State
    after_turn: int | None
    spent_s: float
    lost: int
    counts: Counts
    said: list[str] = field(default_factory=list)
    answers: tuple[Answer, ...] = ()
    searched: int = 0


class _Prefix:
    """What came of the turns that are done without a gap: what stop rules go by."""

    def __init__(self, most: Most) -> None:
        self._most = most
        self._rows: dict[int, Row] = {}
        self._counts = Counts()
        self._next = 0
        self.over_at: int | None = None

    def add(self, turn: int, row: Row) -> None:
        self._rows[turn] = row
        while self.over_at is None and self._next in self._rows:
            self._counts.add(self._rows.pop(self._next))
            if self._is_over():
                self.over_at = self._next
            self._next += 1

    def _is_over(self) -> bool:
        most, found = self._most, self._counts
        pairs = (
            (most.surprises, found.surprises),
            (most.invalid, found.invalid),
            (most.errors, found.errors),
        )
        return any(bound is not None and n >= bound for bound, n in pairs)


def conduct(
    folder: CampaignFolder,
    turns: Sequence[Case],
    terms: Terms,
    riders: Riders,
    tell: Callable[[Progress], None] = lambda _progress: None,
    stop_asked: Callable[[], str] = lambda: "",
    spent_s: float = 0.0,
) -> Ending:
    """Ride what is not ridden yet and write it down; the riders are not closed.

    turns    all cases of the campaign in the order they are ridden
    spent_s  of the budget of time, by processes before this one
    Raises RunFailed when the disk refuses rows; what is written stays, the rest is ridden another time.
    """
    began = time.monotonic()
    prefix, counts, done = _Prefix(terms.stop_after), Counts(), set[int]()
    turn_of = {case.number: turn for turn, case in enumerate(turns)}
    for row in read_results(folder.path).to_pylist():
        turn = turn_of[row["number"]]
        done.add(turn)
        counts.add(row)
        prefix.add(turn, row)
    waiting = deque(Task(turn, case, terms.keep) for turn, case in enumerate(turns) if turn not in done)
    progress = Progress(len(turns), counts.done, counts)
    ending = Ending("complete", None, 0.0, 0, counts)
    under_way, rows, written = 0, list[Row](), began
    try:
        while waiting or under_way:
            now = time.monotonic()
            if prefix.over_at is not None:
                break
            if stop_asked():
                ending.state = "stopped"
                break
            if waiting and out_of_time(terms, spent_s + now - began):
                waiting.clear()
                ending.state = "out_of_time"
                continue
            while waiting and riders.idle() > 0:
                riders.give(waiting.popleft())
                under_way += 1
            for one in riders.done(LOOK_EVERY_S):
                under_way -= 1
                rows += [*one.ridden.before, one.ridden.row]
                counts.add(one.ridden.row)
                prefix.add(one.task.turn, one.ridden.row)
                progress.lost += one.lost
                if one.ridden.said:
                    ending.said.append(one.ridden.said)
            now = time.monotonic()
            if rows and now - written >= WRITE_EVERY_S:
                fresh, rows, written = rows, [], now
                folder.append(fresh)
                _within_budget(folder.path, turns, terms)
            progress.elapsed_s = now - began
            tell(progress)
    finally:
        if rows:  # whatever ended it
            folder.append(rows)
    _within_budget(folder.path, turns, terms)
    if prefix.over_at is not None and prefix.over_at < len(turns) - 1:
        ending.state, ending.after_turn = "stop_rule", prefix.over_at
    ending.spent_s, ending.lost = time.monotonic() - began, progress.lost
    return ending


def keep_records(
    folder: CampaignFolder,
    cases: Sequence[Case],
    terms: Terms,
    riders: Riders,
    stop_asked: Callable[[], str],
    *,
    missing: bool,
) -> list[str]:
    """Ride virtual cases once more to keep their records; says what went wrong.

    Those with the thinnest margins among the ones that passed, by margin, then by place in the plan. Their
    rows are there already: what comes of them now has to be the same, and it is told if it is not.

    missing  also those that are to be kept and are not: whoever rode them did not have the folder
    """
    rows = [row for row in read_results(folder.path).to_pylist() if row["stage"] == "virtual"]
    worth = [row for row in rows if missing and row["result"] != ERROR and worth_keeping(row, terms.keep)]
    passed = [row for row in rows if row["result"] == "pass" and row["thinnest_percent"] is not None]
    passed.sort(key=lambda row: (row["thinnest_percent"], row["number"]))
    chosen = {
        row["number"]: row
        for row in [*worth[: terms.most_kept], *passed[: terms.thinnest]]
        if row["kept"] is None
    }
    waiting = deque(Task(n, case, ("everything",)) for n, case in enumerate(cases) if case.number in chosen)
    said: list[str] = []
    for one in _ridden(riders, waiting, stop_asked):
        before, now = chosen[one.task.case.number], one.ridden.row
        if now.get("signals_sha256") != before["signals_sha256"]:
            said.append(f"{one.task.case.id} gave other signals when it was ridden again")
        if one.ridden.said:
            said.append(one.ridden.said)
    _within_budget(folder.path, cases, terms)
    return said


def rows_of(
    riders: Riders, cases: Sequence[Case], keep: Keep = (), stop_asked: Callable[[], str] = lambda: ""
) -> list[Row]:
    """Ride a generation of cases; their rows in the order of the cases. Short if a stop was asked for.

    For who decides by what came out, a search or an estimate: nothing is written, and the order does not
    depend on who was faster.
    """
    waiting = deque(Task(turn, case, keep) for turn, case in enumerate(cases))
    found = {one.task.turn: one.ridden.row for one in _ridden(riders, waiting, stop_asked)}
    whole = [found.get(turn) for turn in range(len(cases))]
    return [row for row in whole[: whole.index(None) if None in whole else None] if row is not None]


def _ridden(riders: Riders, waiting: deque[Task], stop_asked: Callable[[], str]) -> Sequence[Done]:
    """Ride all of them, in whatever order they come back; what was still under way is not looked at."""
    ours, came = {id(task) for task in waiting}, list[Done]()
    while len(came) < len(ours) and not stop_asked():
        while waiting and riders.idle() > 0:
            riders.give(waiting.popleft())
        came += [one for one in riders.done(LOOK_EVERY_S) if id(one.task) in ours]
    return came


def out_of_time(terms: Terms, spent_s: float) -> bool:
    """Whether no further case is begun."""
    if terms.ends is not None and datetime.now(UTC) >= terms.ends:
        return True
    return terms.time_s is not None and spent_s >= terms.time_s


def _within_budget(folder: Path, cases: Iterable[Case], terms: Terms) -> None:
    """Remove whole records of the highest numbers until there are no more, and no larger, than they may be.

    Whoever came first, the same ones stay in the end, but for what little rows differ in size.
    """
    there: dict[str, list[Path]] = {}
    for path in (folder / KEPT_FOLDER).iterdir():
        if path.name[:1] != ".":  # a case has one record for every attempt on a bench
            there.setdefault(path.name.partition(".")[0], []).append(path)
    found = sorted((case for case in cases if case.id in there), key=lambda case: case.number)
    if terms.disk_bytes is None and len(found) <= terms.most_kept:
        return
    taken = 0 if terms.disk_bytes is None else _bytes_beside(folder)
    for kept, case in enumerate(found, start=1):
        taken += sum(map(_bytes_in, there[case.id]))
        if kept > terms.most_kept or (terms.disk_bytes is not None and taken > terms.disk_bytes):
            for path in there[case.id]:
                shutil.rmtree(path, ignore_errors=True)


def _bytes_beside(folder: Path) -> int:
    """What a campaign's folder takes beside the records: rows, plan, pages, found failures."""
    beside = (path for path in folder.iterdir() if path.name != KEPT_FOLDER)
    return sum(_bytes_in(path) if path.is_dir() else path.stat().st_size for path in beside)


def _bytes_in(folder: Path) -> int:
    return sum(file.stat().st_size for file in folder.rglob("*") if file.is_file())
