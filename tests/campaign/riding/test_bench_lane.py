"""The bench lane: attempts, rests, the look before a run; and short runs in real time on the loopback rig."""

import dataclasses
import json
from pathlib import Path

import pytest

from emulator.campaign.plan.cases import planned
from emulator.campaign.riding.bench_lane import BenchLane, LaneTerms, fitness
from emulator.campaign.riding.campaign import Asked, asked_of, begin, ride_campaign
from emulator.campaign.riding.conduct import Terms, conduct
from emulator.campaign.riding.worker import Task
from emulator.campaign.store.folder import CampaignFolder
from emulator.campaign.store.reading import read_results
from emulator.core.errors import StartFailed, Stopped
from tests.support.made_up_rows import PLAN, made_up_case, made_up_row
from tests.support.scripted_robot import SCENARIOS, demo_session

INVALID = {"result": "invalid", "as_expected": None, "cause": "the bench"}
FILES = {"result": "error", "as_expected": None, "cause_kind": "files"}


def test_a_bench_that_a_button_arms_rides_nothing_unattended(tmp_path):
    session = demo_session()
    rig = session.rig.model_copy(update={"local_enable": "enable_pressed"})
    assert "button" in fitness(dataclasses.replace(session, rig=rig), tmp_path)


class Scripted(BenchLane):
    """Runs that come out as they are told to, one after another."""

    def __init__(self, folder, *outcomes, **more):
        self.rests, self.said, self.outcomes = [], [], list(outcomes)
        super().__init__(
            PLAN,
            folder,
            LaneTerms(rest_s=7.0, attempts=3),
            say=self.said.append,
            rest=lambda s: self.rests.append(s) or False,
            **more,
        )

    def _attempt(self, case, keep, number):
        outcome = self.outcomes.pop(0)
        return made_up_row(case, attempt=number, **outcome), outcome.get("result") == "stopped"


def test_what_does_not_count_is_ridden_again_up_to_a_limit_with_a_rest_between(tmp_path):
    lane = Scripted(tmp_path, INVALID, INVALID, {}, INVALID, INVALID, INVALID)
    rows = []
    for n in range(2):
        assert lane.idle() == 1
        lane.give(Task(n, made_up_case(n), ()))
        assert lane.idle() == 0
        (done,) = lane.done(0.1)
        rows.append([*done.ridden.before, done.ridden.row])
    assert [[(r["attempt"], r["result"]) for r in of_case] for of_case in rows] == [
        [(1, "invalid"), (2, "invalid"), (3, "pass")],
        [(1, "invalid"), (2, "invalid"), (3, "invalid")],
    ]
    assert lane.rests == [7.0] * 5  # none before the first
    assert len(lane.said) == 5


def test_a_wrong_file_is_not_ridden_again(tmp_path):
    lane = Scripted(tmp_path, FILES)
    lane.give(Task(0, made_up_case(0), ()))
    assert lane.done(0.1)[0].ridden.row["cause_kind"] == "files"


def test_all_attempts_are_in_the_table_and_the_last_that_counts_is_read(tmp_path):
    plan = tmp_path / "night.yaml"
    plan.write_text("kind: campaign\n")
    cases = [made_up_case(n) for n in range(2)]
    with CampaignFolder(tmp_path / "night") as folder:
        terms = Terms(thinnest=0)
        begin(folder, Asked(plan, "night", cases, terms))
        conduct(folder, cases, terms, Scripted(tmp_path, INVALID, {}, {}))
    table = read_results(tmp_path / "night")
    assert table["attempt"].to_pylist() == [2, 1]
    assert table["result"].to_pylist() == ["pass", "pass"]


def test_a_person_who_stops_a_run_stops_the_night_and_the_case_has_no_row(tmp_path):
    lane = Scripted(tmp_path, {"result": "stopped"})
    lane.give(Task(0, made_up_case(0), ()))
    assert list(lane.done(0.1)) == []
    assert lane.stopped
    assert lane.idle() == 0


WIDE = {
    "timing": {"rate_ppm": 1e5, "age_p99_ms": 900.0, "hole_ms": 900.0},
    "limits": {"heartbeat_timeout_ms": 800.0, "command_timeout_ms": 2000.0, "overrun_limit_ms": 780.0},
}
"""So much of a rig's tolerance that a run counts on a busy desk, too."""


def plan_of(folder, seeds, **over):
    plan = folder / "bench.yaml"
    plan.write_text(
        json.dumps(
            {
                "kind": "campaign",
                "name": "bench",
                "stage": "bench",
                "parts": {
                    "all": {
                        "scenarios": [str(SCENARIOS / "runs" / "short_straight.yaml")],
                        "rigs": [str(SCENARIOS / "rigs" / "loopback.yaml")],
                        "over": {"scenario": over, "rig": WIDE},
                        "seeds": {"count": seeds},
                    }
                },
                "keep": {"of": ["everything"], "thinnest": 0},
                "bench": {"rest_s": 0.0},
            }
        )
    )
    return plan


CUT = {"duration_limit_s": 2.0, "criteria": [{"kind": "speed_error", "remove": True}]}


def test_a_bench_that_does_not_become_fit_ends_the_night_and_says_why(tmp_path):
    plan = plan_of(tmp_path, 1, **CUT)
    (tmp_path / "kept").mkdir()
    looks = []
    lane = BenchLane(
        plan,
        tmp_path,
        LaneTerms(rest_s=0.0, tries=3),
        look=lambda _session, _folder: looks.append(1) or "the disk is full",
        rest=lambda _s: False,
    )
    lane.give(Task(0, planned(plan).cases[0], ()))
    with pytest.raises(StartFailed, match="not fit to ride: the disk is full"):
        lane.done(0.1)
    assert len(looks) == 3


def test_stopped_before_it_began_is_no_row(tmp_path, monkeypatch):
    def stopped(*_, **__):
        raise Stopped("by hand")

    monkeypatch.setattr("emulator.campaign.riding.bench_lane.ride", stopped)
    plan = plan_of(tmp_path, 1, **CUT)
    (tmp_path / "kept").mkdir()
    lane = BenchLane(plan, tmp_path, look=lambda *_: "")
    lane.give(Task(0, planned(plan).cases[0], ()))
    assert list(lane.done(0.1)) == []
    assert lane.stopped


@pytest.mark.timing
@pytest.mark.timeout(1800)
def test_twenty_runs_unattended_on_the_loopback_rig(tmp_path):
    plan = plan_of(tmp_path, 20, **CUT)
    made = planned(plan)
    asked = dataclasses.replace(asked_of(made), plan=Path(plan))
    said = []
    with CampaignFolder(tmp_path / "night") as folder:
        lane = BenchLane(plan, tmp_path / "night", LaneTerms(rest_s=0.5), say=said.append)
        ending = ride_campaign(folder, asked, lambda: lane, stop_asked=lambda: lane.stopped)
    table = read_results(tmp_path / "night")
    assert ending.state == "complete", said
    assert table.num_rows == 20
    counted = [row for row in table.to_pylist() if row["result"] == "fail"]  # its time limit comes first
    assert len(counted) >= 15, table["cause"].to_pylist()
    assert all(row["wear"]["steering_cycles"] >= 0 for row in counted)
    assert all(row["kept"] for row in counted)
