"""The files of cases, and the same tree on another machine."""

import dataclasses
import os
from pathlib import Path

from emulator.campaign.plan.case import Case, CaseFiles
from emulator.campaign.riding.files import Unpacked, bundle_of, files_of, hashes_of
from emulator.campaign.riding.one_case import Cases
from tests.support.scripted_robot import SCENARIOS

PLAN = SCENARIOS / "campaigns" / "made_up.yaml"
CASE = Case(
    0,
    SCENARIOS / "runs" / "first_lap.yaml",
    SCENARIOS / "rigs" / "megabit.yaml",
    robot=f"{SCENARIOS}/robots/mine.py:Rider",
    scenario_overlay={"circuit": str(SCENARIOS / "circuits" / "ostrevel.yaml"), "laps": 1},
    id="1",
)


def names(contents):
    return {os.path.relpath(path, SCENARIOS) for path in contents}


def test_they_are_all_that_a_case_reads_and_no_more():
    found = files_of([CASE, dataclasses.replace(CASE, seed=3)], CaseFiles(PLAN))
    read = Cases(PLAN, None).session(dataclasses.replace(CASE, robot="")).paths
    assert set(found) == {os.path.abspath(path) for path in read.values()}
    assert "circuits/ostrevel.yaml" in names(found)
    assert len(hashes_of(found)) == len(found) >= 5


def test_a_scenario_that_can_not_be_read_hides_no_other(tmp_path):
    gone = dataclasses.replace(CASE, scenario=tmp_path / "gone.yaml", scenario_overlay={})
    assert "rigs/megabit.yaml" in names(files_of([gone, CASE], CaseFiles(PLAN)))


def test_where_the_files_are_there_they_are_taken(tmp_path):
    bundle = bundle_of(files_of([CASE], CaseFiles(PLAN)), PLAN)
    assert Unpacked(bundle).root == bundle.root == str(SCENARIOS)
    assert Unpacked(bundle).case(CASE) is CASE


def test_elsewhere_they_are_put_down_and_the_case_is_ridden_from_there(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    bundle = bundle_of(files_of([CASE], CaseFiles(PLAN)), PLAN)
    elsewhere = bundle._replace(root="/another/machine/scenarios")
    assert Path(Unpacked(elsewhere).root) == tmp_path / f"campaign-{os.getuid()}-{bundle.key}"
    moved = Unpacked(elsewhere).case(
        dataclasses.replace(
            CASE,
            scenario=Path("/another/machine/scenarios/runs/first_lap.yaml"),
            rig=Path("/another/machine/scenarios/rigs/megabit.yaml"),
            robot="/another/machine/scenarios/robots/mine.py:Rider",
            scenario_overlay={"circuit": "/another/machine/scenarios/circuits/ostrevel.yaml", "name": "/x"},
        )
    )
    assert moved.robot.startswith(str(tmp_path))
    assert moved.scenario_overlay["name"] == "/x"
    assert moved.id == CASE.id
    session = Cases(PLAN, None).session(dataclasses.replace(moved, robot=""))
    assert all(str(path).startswith(str(tmp_path)) for path in session.paths.values())
    at_home = Cases(PLAN, None).session(dataclasses.replace(CASE, robot=""))
    named = {"circuit": "", "name": ""}
    assert session.scenario.model_copy(update=named) == at_home.scenario.model_copy(update=named)
    assert session.line.x.tobytes() == at_home.line.x.tobytes()
    assert session.rig == at_home.rig
