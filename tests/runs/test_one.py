"""From files to verdict in the virtual stage: what a run leaves in its folder, and how it is judged."""

import dataclasses
import json
from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.core.errors import StartFailed
from emulator.criteria.limits import DistanceFromLine, NoFall, SpeedError
from emulator.record.reader import read_run
from emulator.runs.one import judge_run, ride
from emulator.verdict.judge import numbered

SCENARIOS = Path(__file__).parents[2] / "scenarios"
PATHS = SCENARIOS / "rigs" / "loopback.yaml", SCENARIOS / "runs" / "first_lap.yaml"


def scenario(session, **changes):
    return dataclasses.replace(session, scenario=session.scenario.model_copy(update=changes))


@pytest.fixture(scope="module")
def demo():
    return load_session(*PATHS, seed=1)


@pytest.fixture(scope="module")
def ridden(demo, tmp_path_factory):
    """Two seconds of the first lap, judged."""
    folder = tmp_path_factory.mktemp("ride") / "run"
    said, progress = [], []
    # a handful of epochs with drawn jitter would be judged as if it were a statistic
    gnss = demo.rig.sensors.gnss.model_copy(update={"jitter_ms": 0.0})
    sensors = demo.rig.sensors.model_copy(update={"gnss": gnss})
    short = dataclasses.replace(
        scenario(demo, duration_limit_s=2.0), rig=demo.rig.model_copy(update={"sensors": sensors})
    )
    verdict = ride(
        short, PATHS, folder, virtual=True, say=said.append, progress=lambda *v: progress.append(v)
    )
    return short, folder, verdict, progress


def test_everything_is_in_the_folder(ridden):
    _, folder, _, _ = ridden
    assert {path.name for path in folder.iterdir()} == {
        "manifest.json",
        "signals.arrow",
        "frames.arrow",
        "inputs.arrow",
        "files",
        "events.jsonl",
        "gnss.nmea",
        "certificate.json",
        "outcome.json",
        "verdict.json",
        "verdict.junit.xml",
        "report.html",
    }
    assert "stage" in json.loads((folder / "manifest.json").read_text())


def test_a_ride_cut_by_its_time_limit_is_no_pass(ridden):
    _, folder, verdict, _ = ridden
    assert verdict.result == "fail"
    assert "the time limit came before the ride was complete" in verdict.reasons
    assert read_run(folder).verdict["result"] == "fail"


def test_laps_are_timed_and_stand_beside_what_the_vehicle_could_do(ridden):
    session, folder, verdict, _ = ridden
    laps = verdict.laps
    assert laps.sector_ends_m == session.sector_ends
    assert [(lap.number, lap.start, lap.time_s) for lap in laps.laps] == [(1, "standing", None)]
    assert laps.laps[0].note.startswith("not whole: the ride ended at station")
    assert [r.name for r in laps.references] == ["ideal", "ideal", "target speed"]
    assert "Lap and sector times" in (folder / "report.html").read_text(encoding="utf-8")


def test_progress_is_passed_on(ridden):
    assert len(ridden[3]) >= 1


def test_the_scenarios_criteria_reach_the_verdict_in_order_and_in_si(demo):
    criteria = numbered(demo.scenario.criteria)
    assert [type(c) for c in criteria] == [NoFall, DistanceFromLine, SpeedError]
    assert criteria[1].limit_m == 1.5
    assert criteria[2].limit_si == pytest.approx(15.0 / 3.6)
    assert criteria[2].from_s == 12.0


def test_the_rigs_tolerance_decides_what_is_valid(ridden):
    session, folder, verdict, _ = ridden
    assert not [r for r in verdict.reasons if "wheel_speed" in r]
    timing = session.rig.timing.model_copy(update={"age_p99_ms": 1e-6})
    strict = dataclasses.replace(session, rig=session.rig.model_copy(update={"timing": timing}))
    again = judge_run(strict, folder, {"ended": "complete", "trip_reason": "", "rig_problems": []})
    assert again.result == "invalid"
    assert any("wheel_speed" in reason for reason in again.reasons)
    judge_run(session, folder, {"ended": "time_limit", "trip_reason": "", "rig_problems": []})


@pytest.mark.parametrize(
    ("outcome", "result"),
    [
        ({"ended": "tripped", "trip_reason": "robot heartbeat lost", "trip_tick": 900}, "invalid"),
        ({"ended": "fallen"}, "fail"),
        ({"ended": "tripped", "trip_reason": "loop overrun", "trip_tick": 900}, "invalid"),
        ({"ended": "complete", "rig_problems": ["the recorder is gone"]}, "invalid"),
        ({"ended": "crashed", "trip_reason": "the loop process broke (exit -9)"}, "error"),
        ({"ended": "stopped"}, "stopped"),
        ({"ended": "something new"}, "error"),
    ],
)
def test_no_other_end_is_a_pass(ridden, outcome, result):
    session, folder, _, _ = ridden
    assert judge_run(session, folder, outcome).result == result
    judge_run(session, folder, {"ended": "time_limit", "trip_reason": "", "rig_problems": []})


def test_a_folder_that_holds_something_is_left_alone(demo, tmp_path):
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(StartFailed, match="already holds files"):
        ride(demo, PATHS, tmp_path, virtual=True)
    assert [path.name for path in tmp_path.iterdir()] == ["notes.txt"]
