"""Cases ridden one after another in one process: each gives what ``emulator run`` gives of it by itself."""

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from emulator.assembly.session import load_session
from emulator.campaign.plan.case import Case, CaseFiles, case_id
from emulator.campaign.plan.written import write_case
from emulator.campaign.riding.one_case import Cases
from emulator.campaign.store.schema import SCHEMA, TIMINGS
from emulator.record.content_hash import frames_hash, signals_hash
from emulator.record.reader import read_run
from emulator.runs.one import ride
from tests.support.scripted_robot import SCENARIOS

PLAN = SCENARIOS / "campaigns" / "made_up.yaml"
BEND, STRAIGHT = SCENARIOS / "runs" / "short_bend.yaml", SCENARIOS / "runs" / "short_straight.yaml"
RIGS = SCENARIOS / "rigs"
GAP = {
    "kind": "fault",
    "name": "rates gone",
    "signal": "rate_x_rad_s",
    "effect": "dropout",
    "at": {"time_s": 0.5},
    "duration_s": 0.25,
}
CUT = {"duration_limit_s": 1.5, "criteria": [{"kind": "speed_error", "remove": True}]}


def case_of(number, scenario, rig="loopback.yaml", seed=0, **over):
    one = Case(number, scenario, RIGS / rig, seed=seed, label=f"case {number}", **over)
    return dataclasses.replace(one, id=case_id(one, CaseFiles(PLAN).contents(one)))


CASES = [
    case_of(0, BEND, seed=3, scenario_overlay=CUT),
    case_of(1, STRAIGHT, "megabit.yaml", seed=4, scenario_overlay=CUT | {"events": [GAP]}),
    case_of(
        2,
        BEND,
        seed=5,
        scenario_overlay=CUT,
        rig_overlay={"sensors": {"lean": {"noise_rad": 0.001}}},
    ),
]


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    """A campaign's folder and its rows, each case ridden twice in one process, in two orders."""
    folder = tmp_path_factory.mktemp("campaign")
    (folder / "kept").mkdir()
    cases = Cases(PLAN, folder)
    rows = [cases.ride(case, ("surprises",)).row for case in CASES]
    again = [cases.ride(case).row for case in reversed(CASES)]
    return folder, rows, again[::-1]


@pytest.mark.parametrize("number", range(3))
def test_a_case_is_what_emulator_run_gives_of_it(campaign, tmp_path, number):
    _, rows, _ = campaign
    case, row = CASES[number], rows[number]
    assert row["cause_kind"] == "time_limit", row["cause"]
    written = write_case(case, CaseFiles(PLAN), tmp_path / "case")
    session = load_session(written.rig, written.scenario, seed=case.seed)
    verdict = ride(session, (written.rig, written.scenario), tmp_path / "run", virtual=True)
    run = read_run(tmp_path / "run")
    assert row["signals_sha256"] == signals_hash(run)
    assert row["frames_sha256"] == frames_hash(run)
    assert (row["result"], row["expectation"]) == (verdict.result, verdict.expectation)
    assert row["ridden_s"] == verdict.ridden_s
    margins = [c.margin for c in verdict.criteria]
    assert [c["margin"] for c in row["criteria"]] == margins


def test_what_was_ridden_before_changes_nothing(campaign):
    _, rows, again = campaign
    for row, other in zip(rows, again, strict=True):
        assert {k: v for k, v in row.items() if k not in TIMINGS} == {
            k: v for k, v in other.items() if k not in TIMINGS
        }
    assert len({row["signals_sha256"] for row in rows}) == 3


def test_a_row_has_every_column_of_the_schema_and_no_other(campaign):
    _, rows, _ = campaign
    assert set(rows[0]) <= set(SCHEMA.names)
    assert set(SCHEMA.names) - set(rows[0]) == {"kept", "notices", "wear"}
    assert rows[1]["disturbances"] == [
        {"kind": "fault dropout", "signal": "rate_x_rad_s", "onset_s": 0.5, "size": None, "duration_s": 0.25}
    ]
    assert rows[2]["scenario_file"] == "../runs/short_bend.yaml"
    assert rows[0]["thinnest_percent"] is None or np.isfinite(rows[0]["thinnest_percent"])


def test_a_surprise_is_kept_whole_as_emulator_run_would_have_left_it(campaign):
    folder, rows, _ = campaign
    assert all(row["as_expected"] is False for row in rows)
    kept = {path.name for path in (folder / "kept").iterdir()}
    assert kept == {case.id for case in CASES}
    run = read_run(folder / "kept" / CASES[2].id)
    given = run.manifest["given"]  # the files of a case lie in its record, where they can be ridden from
    assert Path(given["rig"]) == folder / "kept" / CASES[2].id / "case" / "rig.yaml"
    session = load_session(given["rig"], given["scenario"], seed=CASES[2].seed)
    assert session.files == run.manifest["files"]
    assert signals_hash(run) == rows[2]["signals_sha256"]
    assert run.verdict["result"] == "fail"
    assert run.manifest["rig"]["sensors"]["lean"]["noise_rad"] == 0.001
    assert (folder / "kept" / CASES[2].id / "report.html").exists()


def test_what_goes_over_a_vehicle_is_ridden_and_a_rig_is_checked_once():
    cases = Cases(PLAN, None)
    plain, weak = (
        cases.session(dataclasses.replace(CASES[0], vehicle_overlay=over))
        for over in ({}, {"tyre_front": {"friction_x": {"value": 0.9}}})
    )
    assert weak.vehicle.tyre[1]["friction_x"] == 0.9 != plain.vehicle.tyre[1]["friction_x"]
    assert cases.session(CASES[0]).rig is plain.rig
    assert cases.session(CASES[1]).rig is not plain.rig


def test_a_scenario_that_is_broken_is_a_row_and_the_next_case_goes_on(tmp_path):
    broken = tmp_path / "broken.yaml"
    broken.write_text(BEND.read_text().replace("kind: scenario", "kind: scenaro"))
    cases = Cases(PLAN, None)
    row = cases.ride(Case(0, broken, RIGS / "loopback.yaml")).row
    assert (row["result"], row["cause_kind"], row["whose"]) == ("error", "files", "nobody")
    assert f"{broken}:" in row["cause"]
    assert cases.ride(CASES[0]).row["result"] == "fail"


def test_a_file_that_was_changed_since_is_not_ridden(tmp_path):
    shutil.copytree(SCENARIOS, tmp_path / "scenarios")
    scenario = tmp_path / "scenarios" / "runs" / BEND.name
    cases = Cases(PLAN, None, hashes={str(scenario): "0" * 64})
    row = cases.ride(Case(0, scenario, tmp_path / "scenarios" / "rigs" / "loopback.yaml")).row
    assert row["cause"] == f"{scenario} is not what it was when the campaign began"


def test_an_error_of_ours_is_told_with_its_place(monkeypatch):
    def broken(*_):
        raise ZeroDivisionError("by zero")

    monkeypatch.setattr("emulator.campaign.riding.one_case.ride_in_memory", broken)
    row = Cases(PLAN, None).ride(CASES[0]).row
    assert (row["cause_kind"], row["whose"]) == ("internal error", "bench")
    assert row["cause"].startswith(f"ZeroDivisionError: by zero ({Path(__file__).name}:")


def test_memory_that_ran_out_is_left_to_who_can_begin_anew(monkeypatch):
    def greedy(*_):
        raise MemoryError

    monkeypatch.setattr("emulator.campaign.riding.one_case.ride_in_memory", greedy)
    with pytest.raises(MemoryError):
        Cases(PLAN, None).ride(CASES[0])
