"""Who gets which case and when it ends, with riders that ride nothing."""

import json
import multiprocessing
import os
import shutil
import signal
import time
from datetime import UTC, datetime

import pytest

from emulator.campaign.riding import campaign
from emulator.campaign.riding.campaign import Asked, begin, begins_at, folder_of, last_of, ride_campaign
from emulator.campaign.riding.conduct import Most, Terms, rows_of
from emulator.campaign.riding.order import in_turn
from emulator.campaign.store.folder import CampaignFolder
from emulator.campaign.store.reading import read_campaign, read_results
from emulator.core.errors import StartFailed
from tests.support.made_up_rows import SURPRISE, made_up_case, made_up_row
from tests.support.stub_riders import StubRiders

CASES = [made_up_case(n) for n in range(20)]
LAST, FIRST = (lambda tasks: len(tasks) - 1), (lambda tasks: 0)
NO_MORE = Terms(thinnest=0)
EVERYTHING = ("everything",)
BOTH = ("failed_last_time", "never_ridden")


def asked(plan, terms=NO_MORE, last=None, cases=CASES):
    return Asked(plan, "night", cases, terms, last)


@pytest.fixture
def plan(tmp_path):
    path = tmp_path / "night.yaml"
    path.write_text("kind: campaign\n")
    return path


def passing(task):
    return made_up_row(task.case)


def ride(path, plan, riders, terms=NO_MORE, **more):
    with CampaignFolder(path) as folder:
        return ride_campaign(folder, asked(plan, terms, more.pop("last", None)), lambda: riders, **more)


def test_all_are_ridden_once_and_the_state_is_written(tmp_path, plan):
    riders = StubRiders(passing, which=LAST)
    ending = ride(tmp_path / "a", plan, riders)
    assert ending.state == "complete"
    assert ending.counts.as_expected == 20
    assert riders.closed
    assert sorted(task.case.number for task in riders.given) == list(range(20))
    assert read_results(tmp_path / "a")["number"].to_pylist() == list(range(20))
    about = read_campaign(tmp_path / "a")
    assert (about["state"], about["cases"], bool(about["ended"])) == ("complete", 20, True)


def test_the_same_again_rides_what_is_missing_and_nothing_twice(tmp_path, plan):
    with CampaignFolder(tmp_path / "a") as folder:
        begin(folder, asked(plan))
        folder.append([made_up_row(3), made_up_row(11)])
    riders = StubRiders(passing)
    seen = []
    ending = ride(tmp_path / "a", plan, riders, tell=lambda p: seen.append((p.before, p.counts.done)))
    assert [task.case.number for task in riders.given] == [n for n in range(20) if n not in (3, 11)]
    assert ending.counts.done == 20
    assert seen[0] == (2, 3)
    again = StubRiders(passing)
    assert ride(tmp_path / "a", plan, again).counts.done == 20
    assert again.given == []


@pytest.mark.parametrize("which", [FIRST, LAST])
def test_a_stop_rule_goes_by_the_turns_not_by_who_was_faster(tmp_path, plan, which):
    def row(task):
        return made_up_row(task.case, **(SURPRISE if task.case.number in (4, 5, 6) else {}))

    ending = ride(
        tmp_path / "a", plan, StubRiders(row, 3, which), Terms(thinnest=0, stop_after=Most(surprises=2))
    )
    assert (ending.state, ending.after_turn) == ("stop_rule", 5)
    assert read_results(tmp_path / "a")["number"].to_pylist() == list(range(6))


def test_a_person_stops_it_and_what_is_done_stays(tmp_path, plan):
    riders = StubRiders(passing)
    ending = ride(tmp_path / "a", plan, riders, stop_asked=lambda: "SIGINT" if len(riders.given) > 7 else "")
    assert ending.state == "stopped"
    done = read_results(tmp_path / "a").num_rows
    assert 0 < done < 20
    assert folder_of(asked(plan), tmp_path) == tmp_path / "a"
    assert folder_of(asked(plan, cases=CASES[1:]), tmp_path) == tmp_path / "night"
    assert ride(tmp_path / "a", plan, StubRiders(passing)).counts.done == 20
    assert folder_of(asked(plan), tmp_path) == tmp_path / "night"
    (tmp_path / "night").mkdir()
    assert folder_of(asked(plan), tmp_path) == tmp_path / "night-2"
    assert last_of("night", tmp_path) == tmp_path / "a"
    assert last_of("day", tmp_path) is None


def test_out_of_time_nothing_new_is_begun_and_what_is_under_way_is_kept(tmp_path, plan):
    riders = StubRiders(passing)
    ending = ride(tmp_path / "a", plan, riders, Terms(time_s=0.0))
    assert (ending.state, riders.given) == ("out_of_time", [])
    with CampaignFolder(tmp_path / "b") as folder:
        begin(folder, asked(plan))
        about = read_campaign(folder.path)
        folder.describe({**about, "spent_s": 59.0})
    ending = ride(tmp_path / "b", plan, StubRiders(passing), Terms(time_s=60.0, thinnest=0))
    assert ending.state == "complete"  # a second is enough for these


def test_failures_of_the_last_night_come_first_then_what_was_never_ridden(tmp_path, plan):
    ride(tmp_path / "a", plan, StubRiders(lambda t: made_up_row(t.case, **_odd(t.case.number))))
    last = read_results(tmp_path / "a").filter([n not in (5, 6) for n in range(20)])
    turns = [case.number for case in in_turn(CASES, last, BOTH)]
    assert turns[:5] == [2, 9, 14, 5, 6]
    assert turns[5:] == [n for n in range(20) if n not in (2, 5, 6, 9, 14)]
    assert [case.number for case in in_turn(CASES, None, BOTH)] == list(range(20))


def _odd(number):
    """A surprise, one that does not count, one that could not be ridden."""
    not_ridden = {"result": "error", "as_expected": None}
    return {2: SURPRISE, 9: {"result": "invalid", "as_expected": None}, 14: not_ridden}.get(number, {})


def test_turns_stay_what_they_were_when_a_cut_off_night_goes_on(tmp_path, plan):
    ride(tmp_path / "a", plan, StubRiders(lambda t: made_up_row(t.case, **_odd(t.case.number))))
    with CampaignFolder(tmp_path / "b") as folder:
        turns = begin(folder, asked(plan, last=tmp_path / "a"))
        assert [case.number for case in turns[:3]] == [2, 9, 14]
        assert begin(folder, asked(plan)) == turns


def test_other_cases_or_another_version_are_refused(tmp_path, plan):
    ride(tmp_path / "a", plan, StubRiders(passing))
    with CampaignFolder(tmp_path / "a") as folder:
        with pytest.raises(StartFailed, match="of other cases"):
            begin(folder, asked(plan, cases=CASES[1:]))
        folder.describe({**read_campaign(folder.path), "model": "another"})
        with pytest.raises(StartFailed, match=r"another version \(model\)"):
            begin(folder, asked(plan))


def test_the_thinnest_are_ridden_again_to_be_kept_and_must_come_out_the_same(tmp_path, plan):
    def row(task):
        changed = task.keep == EVERYTHING and task.case.number == 3
        return made_up_row(
            task.case,
            thinnest_percent=abs(task.case.number - 4.2),
            **({"signals_sha256": "other"} if changed else {}),
        )

    riders = StubRiders(row)
    ending = ride(tmp_path / "a", plan, riders, Terms(thinnest=3))
    assert [task.case.number for task in riders.given if task.keep == EVERYTHING] == [3, 4, 5]
    assert ending.said == [f"{CASES[3].id} gave other signals when it was ridden again"]
    assert read_results(tmp_path / "a").num_rows == 20


@pytest.mark.parametrize(
    ("terms", "beside", "left"),
    [
        (Terms(thinnest=0, disk_bytes=3_500_000), 0, 3),
        (Terms(thinnest=0, disk_bytes=3_500_000), 1_000_000, 2),
        (Terms(thinnest=0, most_kept=3), 1_000_000, 3),
    ],
)
def test_records_beyond_what_may_be_kept_go_those_of_the_highest_numbers_first(
    tmp_path, plan, terms, beside, left
):
    """A budget of disk is the whole folder's; a case that was ridden again has a record of each attempt."""
    kept, found = tmp_path / "a" / "kept", tmp_path / "a" / "found"

    def row(task):
        found.mkdir(exist_ok=True)
        (found / "case.bin").write_bytes(bytes(beside))
        for name in (task.case.id, f"{task.case.id}.attempt-2"):
            (kept / name).mkdir()
            (kept / name / "signals.arrow").write_bytes(bytes(500_000))
        return made_up_row(task.case, **SURPRISE)

    ride(tmp_path / "a", plan, StubRiders(row, which=LAST), terms)
    there = {path.name.partition(".")[0] for path in kept.iterdir()}
    assert sorted(there) == [CASES[n].id for n in range(left)]
    assert len(list(kept.iterdir())) == 2 * left


def test_time_before_a_kill_counts_for_the_budget(tmp_path, plan, monkeypatch):
    monkeypatch.setattr(campaign, "NOTE_TIME_EVERY_S", 0.0)

    def dies():
        def row(task):
            if task.case.number == 4:
                os.kill(os.getpid(), signal.SIGKILL)
            time.sleep(0.1)
            return made_up_row(task.case)

        ride(tmp_path / "a", plan, StubRiders(row, at_once=1))

    process = multiprocessing.get_context("fork").Process(target=dies)
    process.start()
    process.join(60.0)
    assert process.exitcode == -signal.SIGKILL
    assert 0.3 <= read_campaign(tmp_path / "a")["spent_s"] < 60.0
    riders = StubRiders(passing)
    ending = ride(tmp_path / "a", plan, riders, Terms(time_s=0.3))
    assert (ending.state, riders.given) == ("out_of_time", [])


def test_unlike_processors_are_told(tmp_path, plan):
    ending = ride(
        tmp_path / "a", plan, StubRiders(lambda t: made_up_row(t.case, processor=f"P{t.case.number % 2}"))
    )
    assert ending.said == ["ridden on unlike processors, whose last bits may differ: P0; P1"]


@pytest.mark.parametrize("which", [FIRST, LAST])
def test_a_generation_comes_back_in_the_order_of_its_cases(which):
    rows = rows_of(StubRiders(passing, 4, which), CASES)
    assert [row["number"] for row in rows] == list(range(20))


def test_a_folder_that_was_copied_goes_on_as_well(tmp_path, plan):
    with CampaignFolder(tmp_path / "a") as folder:
        begin(folder, asked(plan))
        folder.append([made_up_row(0)])
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    assert ride(tmp_path / "b", plan, StubRiders(passing)).counts.done == 20
    assert json.loads((tmp_path / "b" / "campaign.json").read_text())["state"] == "complete"


@pytest.mark.parametrize(
    ("now", "begins", "ends", "begin"),
    [
        ("12:00", None, None, "12:00"),
        ("12:00", "22:30", "06:00", "22:30"),
        ("22:30", "22:30", "06:00", "22:30"),
        ("23:15", "22:30", "06:00", "23:15"),
        ("05:59", "22:30", "06:00", "05:59"),
        ("06:01", "22:30", "06:00", "22:30"),
        ("23:15", "22:30", None, "23:15"),
        ("21:15", "22:30", None, "22:30"),
        ("12:00", "09:00", "17:00", "12:00"),
        ("08:00", "09:00", "17:00", "09:00"),
    ],
)
def test_the_window_of_a_night(now, begins, ends, begin):
    day = datetime(2027, 5, 4, tzinfo=UTC)

    def at(of_day):
        hour, minute = of_day.split(":")
        return day.replace(hour=int(hour), minute=int(minute))

    assert begins_at(begins, ends, at(now)) == at(begin)
