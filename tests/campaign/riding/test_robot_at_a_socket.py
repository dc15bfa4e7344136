"""A robot at a socket in a campaign: held to the interface it was written for, in every variant of a rig."""

import dataclasses
import os
import socket
import sys
from pathlib import Path

import pytest

from emulator.assembly.session import load_session
from emulator.campaign.plan.case import Case, CaseFiles, case_id
from emulator.campaign.plan.cases import planned
from emulator.campaign.plan.check import check_cases
from emulator.campaign.plan.rig_of_case import one_at_a_time
from emulator.campaign.plan.written import write_case
from emulator.campaign.riding.files import files_of
from emulator.campaign.riding.one_case import Cases
from emulator.inspection.interface.derive import interface_of
from emulator.inspection.interface.written_for import Descriptions
from emulator.stages.own_robot.choice import robot_of
from tests.support.plausible_mistakes.line_clients import CLIENT
from tests.support.scripted_robot import RIG, SCENARIOS

STRAIGHT = SCENARIOS / "runs" / "short_straight.yaml"
CUT = {"duration_limit_s": 0.2, "criteria": [{"kind": "speed_error", "remove": True}]}
LATER = {"outputs": {"imu_rates": {"latency_ms": 6.0}}}


def rig_beside_its_program(folder: Path, how: str = "") -> Path:
    """A rig whose robot is a program in Python beside it."""
    folder.mkdir(exist_ok=True)
    rig, program = folder / "rig.yaml", folder / "client.py"
    program.write_text(CLIENT)
    words = how or f"command: [{sys.executable}, client.py]"
    rig.write_text(
        f"based_on: {RIG}\nname: mine\n"
        f"device_under_test: {{kind: external, virtual: {{kind: socket, {words}}}}}\n"
    )
    return rig


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    return rig_beside_its_program(tmp_path / "robot")


def says(rig: Path, interface_hash: str) -> None:
    """Let its program say that it was written for this interface."""
    rig.with_name("client.py").write_text(CLIENT.replace("hello 1 - ", f"hello 1 {interface_hash} "))


def case_of(rig: Path, **over: object) -> Case:
    one = Case(0, STRAIGHT, rig, scenario_overlay=CUT, **over)  # type: ignore[arg-type]
    return dataclasses.replace(one, id=case_id(one, CaseFiles(rig).contents(one)))


def test_one_that_was_written_for_another_bench_is_refused_in_a_campaign_too(rig: Path, tmp_path: Path):
    says(rig, "0123abcd" * 8)
    row = Cases(tmp_path / "plan.yaml", None).ride(case_of(rig)).row
    assert (row["result"], row["cause_kind"]) == ("error", "could not be ridden")
    assert "the robot mine is refused: it was written for interface 0123abcd0123" in row["cause"]


def test_one_that_was_written_for_the_plans_rig_rides_its_variants_and_what_is_written_of_them(
    rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    says(rig, own := interface_of(rig).interface.content_sha256)
    case = case_of(rig, rig_overlay=LATER)
    row = Cases(tmp_path / "plan.yaml", None).ride(case).row
    assert (row["result"], row["cause_kind"]) == ("fail", "time_limit"), row["cause"]
    written = write_case(case, CaseFiles(rig), tmp_path / "kept" / "case")
    assert interface_of(written.rig).interface.content_sha256 != own  # by the letter it is another one
    monkeypatch.chdir("/")
    session = load_session(written.rig, written.scenario, stage="virtual")
    hashes = Descriptions().written_for(written.rig, written.scenario)
    with robot_of(session, hashes=lambda: hashes) as robot:
        assert robot is not None
        assert robot.about["interface_sha256"] == own


def test_a_plan_whose_robot_joins_at_one_address_rides_one_at_a_time(rig: Path, tmp_path: Path):
    fixed = [
        rig_beside_its_program(tmp_path / name, how)
        for name, how in (("port", "port: 4567"), ("path", "path: robot.sock"))
    ]
    assert not one_at_a_time([case_of(rig)], CaseFiles(rig))
    for one in fixed:
        assert one_at_a_time([case_of(rig), case_of(one)], CaseFiles(rig))


def test_one_that_nobody_starts_is_told_by_the_check_and_not_waited_for(tmp_path: Path):
    rig = rig_beside_its_program(tmp_path / "robot", "join_limit_s: 3600")
    plan = tmp_path / "plan.yaml"
    plan.write_text(
        f"kind: campaign\nname: socket\nparts: {{one: {{scenarios: [{STRAIGHT}], rigs: [{rig}]}}}}\n"
    )
    (found,) = check_cases(planned(plan)).problems.values()
    assert found.problem.file == str(rig)
    assert "expected the command that starts the robot's program" in found.problem.expected
    row = Cases(plan, None).ride(case_of(rig)).row
    assert (row["result"], row["cause_kind"]) == ("error", "files")


def test_a_named_class_rides_a_rig_that_names_nobody(tmp_path: Path):
    rig, plan = tmp_path / "rig.yaml", tmp_path / "plan.yaml"
    rig.write_text(f"based_on: {RIG}\nname: bare\ndevice_under_test: {{kind: external}}\n")
    robot = SCENARIOS / "robots" / "plain_rider.py"
    part = f"{{scenarios: [{STRAIGHT}], rigs: [{rig}], robots: [%s]}}"
    text = f"kind: campaign\nname: bare\nparts: {{one: {part}}}\n"
    plan.write_text(text % f'"{robot}:PlainRider"')
    assert not check_cases(planned(plan)).problems
    plan.write_text(text % "of_the_rig")
    assert check_cases(planned(plan)).problems


def test_its_program_goes_along_to_other_machines(rig: Path):
    assert str(rig.with_name("client.py")) in files_of([case_of(rig)], CaseFiles(rig))


def test_a_socket_that_a_killed_run_left_is_taken_away(tmp_path: Path):
    rig = rig_beside_its_program(tmp_path / "robot", "path: robot.sock, join_limit_s: 0.1")
    left = socket.socket(socket.AF_UNIX)
    left.bind(str(path := rig.with_name("robot.sock")))
    left.close()
    assert path.exists()
    row = Cases(rig, None).ride(case_of(rig)).row
    assert "no robot joined" in row["cause"]
    assert not os.path.exists(path)
