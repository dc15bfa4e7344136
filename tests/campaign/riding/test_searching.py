"""Questions of a campaign asked by workers, behind its table: in any order, cut off, gone on with."""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.riding import searching
from emulator.campaign.riding.campaign import Asked, begin, folder_of, ride_campaign
from emulator.campaign.riding.conduct import Ending, Terms
from emulator.campaign.riding.worker import Task
from emulator.campaign.search.questions import questions_of
from emulator.campaign.store import folder as store
from emulator.campaign.store.answers import ANSWERS_FILE, answers_table, read_answers
from emulator.campaign.store.folder import CampaignFolder, result_files
from emulator.campaign.store.reading import read_campaign, read_results, read_searched
from emulator.campaign.store.schema import Row, without_timings
from emulator.core.errors import StartFailed
from tests.campaign.search.test_answering import failing, size
from tests.campaign.search.test_questions import VARY
from tests.support.made_up_questions import GAP, PLAN, answered_by, margins, question
from tests.support.made_up_rows import made_up_case, made_up_row
from tests.support.stub_riders import StubRiders

TERMS = Terms(thinnest=0)
EDGE = question("edge", GAP).replace("asked:", "edge:")
FAILURE = question("failure", VARY.replace("12.0", "18.0") + "rides: 60\n").replace("asked:", "failure:")
TEXT = PLAN + EDGE + margins("of: [delay]") + FAILURE
CASES = [made_up_case(n) for n in range(3)]


def row(task: Task) -> Row:
    """Gaps above 0.2 s are lost; of the failure what its rule says; margins by their delay."""
    case = task.case
    name = case.factors.get("question")
    if name is None:
        return made_up_row(case)
    if name == "failure":
        return failing(case)
    if name == "edge":
        return answered_by(lambda c: size(c, "gap", "duration_s") > 0.2)(case)
    return answered_by(lambda c: size(c, "what is looked at", "delay_ms") > 22.0)(case)


def asked(folder: Path, text: str = TEXT) -> Asked:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "plan.yaml"
    path.write_text(text)
    return Asked(path, "asked", CASES, TERMS, None, questions_of(planned(path)))


def ride(
    what: Asked, into: Path, riders: StubRiders | None = None, terms: Terms = TERMS, **more: object
) -> Ending:
    with CampaignFolder(into) as folder:
        riding = riders or StubRiders(row)
        what = Asked(what.plan, what.name, what.cases, terms, None, what.questions)
        return ride_campaign(folder, what, lambda: riding, **more)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> tuple[Asked, Path, Ending]:
    folder = tmp_path_factory.mktemp("whole")
    what = asked(folder)
    return what, folder / "night", ride(what, folder / "night")


def test_questions_are_answered_behind_the_table(whole: tuple[Asked, Path, Ending]) -> None:
    what, night, ending = whole
    assert ending.state == "complete"
    assert read_results(night)["number"].to_pylist() == [0, 1, 2]
    answers = read_answers(night)
    assert answers == ending.answers
    assert [a.question for a in answers] == ["edge", *["margins"] * 6, "failure"]
    assert answers[0].survived == 0.2
    searched = read_searched(night)
    assert searched["number"].to_pylist() == list(range(searched.num_rows))
    assert searched.num_rows == ending.searched <= sum(q.most_rides for q in what.questions)
    assert len(set(searched["case_id"].to_pylist())) == searched.num_rows
    about = read_campaign(night)
    assert about["questions"] == ["edge", "margins", "failure"]
    assert answers[-1].saved is not None
    assert (night / answers[-1].saved / "scenario.yaml").exists()


@pytest.mark.parametrize(("at_once", "last"), [(1, False), (7, True)])
def test_whoever_was_faster_the_tables_are_the_same(
    whole: tuple[Asked, Path, Ending], tmp_path: Path, at_once: int, last: bool
) -> None:
    what, night, _ = whole
    which: Callable[[Sequence[Task]], int] = (lambda tasks: len(tasks) - 1) if last else (lambda tasks: 0)
    ride(what, tmp_path / "a", StubRiders(row, at_once, which))
    assert without_timings(read_searched(tmp_path / "a")).equals(without_timings(read_searched(night)))
    found, before = (answers_table(read_answers(f)) for f in (tmp_path / "a", night))
    drop = ["command"]  # it names the folder
    assert found.drop_columns(drop).equals(before.drop_columns(drop))


def test_the_same_again_rides_nothing_and_answers_the_same(
    whole: tuple[Asked, Path, Ending],
) -> None:
    what, night, ending = whole
    again = StubRiders(row)
    assert ride(what, night, again).answers == ending.answers
    assert again.given == []


def test_stopped_in_a_search_what_is_done_stays_and_the_rest_is_ridden_then(
    whole: tuple[Asked, Path, Ending], tmp_path: Path
) -> None:
    what, night, ending = whole
    riders = StubRiders(row)
    cut = ride(what, tmp_path / "a", riders, stop_asked=lambda: "SIGINT" if len(riders.given) > 40 else "")
    assert (cut.state, len(cut.answers)) == ("stopped", 1)
    done = read_searched(tmp_path / "a").num_rows
    assert 0 < done < ending.searched
    assert folder_of(what, tmp_path) == tmp_path / "a"
    rest = StubRiders(row)
    assert ride(what, tmp_path / "a", rest).state == "complete"
    assert len(rest.given) == ending.searched - done
    assert without_timings(read_searched(tmp_path / "a")).equals(without_timings(read_searched(night)))


def test_out_of_time_no_question_is_asked(whole: tuple[Asked, Path, Ending], tmp_path: Path) -> None:
    what, *_ = whole
    with CampaignFolder(tmp_path / "a") as folder:
        begin(folder, what)
        about = read_campaign(folder.path)
        folder.append([made_up_row(n) for n in range(3)])
        folder.describe({**about, "spent_s": 59.0})
    ending = ride(what, tmp_path / "a", terms=Terms(thinnest=0, time_s=59.0))
    assert (ending.state, ending.answers, ending.searched) == ("out_of_time", (), 0)


def test_other_questions_are_refused(whole: tuple[Asked, Path, Ending], tmp_path: Path) -> None:
    what, night, _ = whole
    other = asked(tmp_path / "other", TEXT.replace("resolution: 0.01\n", "resolution: 0.02\n", 1))
    with pytest.raises(StartFailed, match="of other questions"):
        ride(other, night)
    with pytest.raises(StartFailed, match="of other questions"):
        ride(Asked(what.plan, what.name, what.cases, TERMS), night)


def die(what: Asked, into: Path, step: int) -> None:
    """Ride, killed just before the system is asked for the ``step``-th time to do something to files."""
    left = step

    def dying(call: Callable[..., object]) -> Callable[..., object]:
        def ask(*arguments: object, **named: object) -> object:
            nonlocal left
            left -= 1
            if left == 0:
                os.kill(os.getpid(), signal.SIGKILL)
            return call(*arguments, **named)

        return ask

    for name in ("fsync", "replace", "open", "unlink"):
        setattr(os, name, dying(getattr(os, name)))
    ride(what, into)


def test_killed_again_and_again_nothing_is_lost_and_nothing_twice(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    what = asked(tmp_path, PLAN + EDGE + FAILURE)
    night = tmp_path / "night"
    ride(what, night)
    monkeypatch.setattr(searching, "WRITE_EVERY_S", 0.0)
    monkeypatch.setattr(store, "MOST_SMALL", 7)
    chance, kills, cut = np.random.default_rng(3), 0, tmp_path / "cut"
    while not (cut / "campaign.json").exists() or read_campaign(cut)["state"] == "under_way":
        process = multiprocessing.get_context("fork").Process(
            target=die, args=(what, cut, int(chance.integers(1, 100)))
        )
        process.start()
        process.join(60.0)
        assert process.exitcode in (0, -signal.SIGKILL)
        kills += process.exitcode != 0
    assert kills >= 4
    assert without_timings(read_searched(cut)).equals(without_timings(read_searched(night)))
    files = result_files(cut, store.SEARCHED_FOLDER)
    ids = Counter(i for path in files for i in pq.ParquetFile(path).read()["case_id"].to_pylist())
    assert set(ids.values()) == {1}
    drop = ["command"]
    found, before = (pq.read_table(f / ANSWERS_FILE).drop_columns(drop) for f in (cut, night))
    assert found.equals(before)
