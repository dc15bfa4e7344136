"""A campaign's questions, asked one after another behind its table; durable like the rest.

What is written down is rides and answers, never how far a search is: a search that was cut off asks anew for
the same rides, and those that are there are not ridden again. So a case is ridden once, whichever questions
it serves, and its number is its place in the order asked.
"""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

from emulator.campaign.page.edges import Edge, write_edges
from emulator.campaign.plan.case import Case
from emulator.campaign.riding.conduct import LOOK_EVERY_S, WRITE_EVERY_S, Progress, State, Terms, out_of_time
from emulator.campaign.riding.worker import Task
from emulator.campaign.riding.workers import Riders
from emulator.campaign.search.answering import ask
from emulator.campaign.search.asked_ride import PlannedQuestion
from emulator.campaign.store.answers import ANSWERS_FILE, Answer, answers_table
from emulator.campaign.store.counts import Counts
from emulator.campaign.store.folder import SEARCHED_FOLDER, CampaignFolder
from emulator.campaign.store.reading import read_searched
from emulator.campaign.store.schema import Row


@dataclass
class SearchEnding:
    """How the questions ended: all answered, or what kept the rest from being."""

    state: State
    answers: tuple[Answer, ...]
    rides: int
    lost: int
    spent_s: float
    said: list[str] = field(default_factory=list)


class _Ended(Exception):
    """No further ride is begun; its text is the state."""

    def __init__(self, state: State) -> None:
        super().__init__(state)
        self.state: State = state


def search(
    folder: CampaignFolder,
    questions: Sequence[PlannedQuestion],
    terms: Terms,
    riders: Riders,
    tell: Callable[[Progress], None] = lambda _progress: None,
    stop_asked: Callable[[], str] = lambda: "",
    spent_s: float = 0.0,
) -> SearchEnding:
    """Ask every question to its end; the riders are not closed.

    spent_s  of the budget of time, before
    Raises RunFailed when the disk refuses rows; what is written stays, the rest is ridden another time.
    """
    rides = _Rides(folder, questions, terms, riders, tell, stop_asked, spent_s)
    answers, edges = list[Answer](), list[Edge]()
    state: State = "complete"
    try:
        for question in questions:
            answered = ask(question, rides.rows_of, folder.path)
            answers += answered.answers
            edges += answered.edges
            folder.write_table(ANSWERS_FILE, answers_table(answers))
            if edges:
                write_edges(folder.path, edges)
    except _Ended as end:
        state = end.state
    return SearchEnding(
        state, tuple(answers), rides.count, rides.lost, time.monotonic() - rides.began, rides.said
    )


class _Rides:
    """Rides what searches ask for, each case once; rows are on the disk within seconds."""

    def __init__(
        self,
        folder: CampaignFolder,
        questions: Sequence[PlannedQuestion],
        terms: Terms,
        riders: Riders,
        tell: Callable[[Progress], None],
        stop_asked: Callable[[], str],
        spent_s: float,
    ) -> None:
        self._folder, self._terms, self._riders = folder, terms, riders
        self._tell, self._stop_asked, self._spent_s = tell, stop_asked, spent_s
        self._rows: dict[str, Row] = {row["case_id"]: row for row in read_searched(folder.path).to_pylist()}
        self._numbers: dict[str, int] = {}
        counts = Counts()
        for row in self._rows.values():
            counts.add(row)
        most = sum(question.most_rides for question in questions)
        self._progress = Progress(most, counts.done, counts, at_most=True)
        self.began = time.monotonic()
        self.lost = 0
        self.said: list[str] = []

    @property
    def count(self) -> int:
        """Cases that were ridden for the questions so far, in whatever process."""
        return len(self._rows)

    def rows_of(self, cases: Sequence[Case]) -> list[Row]:
        """Rows of cases in their order, ridden unless they were before. Raises _Ended, RunFailed."""
        waiting = deque[Task]()
        for case in cases:
            if case.id not in self._numbers:
                number = self._numbers[case.id] = len(self._numbers)
                if case.id not in self._rows:
                    waiting.append(Task(number, replace(case, number=number), ()))
        self._ride(waiting)
        return [self._rows[case.id] for case in cases]

    def _ride(self, waiting: deque[Task]) -> None:
        under_way, rows, written = 0, list[Row](), time.monotonic()
        try:
            while waiting or under_way:
                if self._stop_asked():
                    raise _Ended("stopped")
                now = time.monotonic()
                if waiting and out_of_time(self._terms, self._spent_s + now - self.began):
                    raise _Ended("out_of_time")
                while waiting and self._riders.idle() > 0:
                    self._riders.give(waiting.popleft())
                    under_way += 1
                for one in self._riders.done(LOOK_EVERY_S):
                    under_way -= 1
                    rows.append(one.ridden.row)
                    self._rows[one.task.case.id] = one.ridden.row
                    self._progress.counts.add(one.ridden.row)
                    self.lost += one.lost
                    if one.ridden.said:
                        self.said.append(one.ridden.said)
                if rows and time.monotonic() - written >= WRITE_EVERY_S:
                    fresh, rows, written = rows, [], time.monotonic()
                    self._folder.append(fresh, SEARCHED_FOLDER)
                self._progress.elapsed_s = time.monotonic() - self.began
                self._tell(self._progress)
        finally:
            if rows:  # whatever ended it
                self._folder.append(rows, SEARCHED_FOLDER)
