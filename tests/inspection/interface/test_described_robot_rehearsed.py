"""The robot that has only the JSON is rehearsed on the bench whose DBC it never saw, and found sound."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from emulator.assembly.session import Session, mission
from emulator.config.rig.file import load_rig
from emulator.config.rig.frames import request_codec
from emulator.config.rig.outputs import GNSS_OUTPUT
from emulator.inspection.interface.derive import Described, interface_of
from emulator.inspection.interface.description import json_text
from emulator.inspection.rehearsal.conduct import Rehearsed, conduct
from emulator.inspection.sensors.capture import level_session
from tests.support.described_robot import DescribedRobot
from tests.support.drawn_robot import with_rehearsal
from tests.support.stepped_rehearsal import SteppedExchange


@pytest.fixture(scope="module")
def level(odd: Path) -> Session:
    return with_rehearsal(level_session(odd), listen_s=0.6, answer_s=0.2, silence_s=0.3)


def rehearsed(level: Session, rig: Path, told: dict[str, Any]) -> Rehearsed:
    request = request_codec(*load_rig(rig))
    assert request is not None
    robot = DescribedRobot(json.dumps(told), mission(level))
    return conduct(level, SteppedExchange(level, robot, request), None)


def test_it_is_sound(level: Session, odd: Path, odd_description: Described) -> None:
    found = rehearsed(level, odd, json.loads(json_text(odd_description.interface)))
    assert found.findings == ()
    assert found.result == "sound"
    assert len(found.postures) == 14
    assert all(p.reading is not None for p in found.postures)
    shown = {reaction.output: reaction.shown for reaction in found.reactions}
    assert {name for name, how in shown.items() if how} == {"imu_rates", "emulator_state"}
    assert set(shown) == {*level.rig.outputs, GNSS_OUTPUT}


def test_one_that_misreads_the_start_value_of_a_crc_is_not(
    level: Session, odd: Path, odd_description: Described
) -> None:
    told = json.loads(json_text(odd_description.interface))
    (steering,) = (f for f in told["frames"] if f["name"] == "steering")
    steering["protection"]["crc_start"] = [start ^ 0xFF for start in steering["protection"]["crc_start"]]
    found = rehearsed(level, odd, told)
    assert {(f.kind, f.about) for f in found.findings if f.whose == "robot"} == {("crc", "steering")}


def test_where_a_person_is_asked_nothing_is_said_of_requests(odd: Path, tmp_path: Path) -> None:
    by_hand = tmp_path / "by_hand.yaml"
    by_hand.write_text(f"based_on: {odd}\nname: by hand\nrehearsal: {{request_frame: null}}\n")
    assert interface_of(by_hand).interface.rehearsal is None
