"""Lockstep: the reference robot through the protocol rides as ever; a delay shows; who rode is said."""

import json

import pytest

from emulator.core.errors import ConfigError
from emulator.record.reader import read_run
from emulator.runs.one import ride
from emulator.stages.own_robot.choice import robot_of
from tests.support.own_robots import FAILING, REFERENCE, bytes_of, recorded, session_of
from tests.support.scripted_robot import RIG, RUN, variant

MEGABIT = RIG.with_name("megabit.yaml")


@pytest.mark.parametrize(
    ("name", "rig", "process"),
    [("Reference", RIG, "ours"), ("OnMegabit", MEGABIT, "ours"), ("Reference", RIG, "own")],
)
def test_the_reference_robot_rides_as_it_does_without_the_protocol(name, rig, process, tmp_path):
    session = session_of(REFERENCE, name, rig=rig, seconds=3.0, seed=5, process=process)
    device = session.rig.device_under_test.model_copy(update={"virtual": None})
    ours = variant(session, rig={"device_under_test": device})
    recorded(ours, tmp_path / "reference")
    recorded(session, tmp_path / "own")
    assert bytes_of(tmp_path / "own") == bytes_of(tmp_path / "reference")


def test_a_delay_is_on_the_bus_whole_ticks_later(tmp_path):
    """Without a bit rate: a robot that computes for 2.4 ms is heard three ticks later."""
    for name, late in (("prompt", {}), ("late", {"compute_ms": 2.4})):
        recorded(session_of(REFERENCE, "Reference", seconds=0.5, process="ours", **late), tmp_path / name)
    steering = int(session_of(REFERENCE, "Reference").codec.table.can_id[0])
    first = {}
    for name in ("prompt", "late"):
        frames = read_run(tmp_path / name).frames
        sent = frames.direction == 0
        steering = frames.can_id[sent][0]
        first[name] = frames.tick[sent & (frames.can_id == steering)]
    n = min(len(ticks) for ticks in first.values())
    assert len(set((first["late"][-n:] - first["prompt"][-n:]).tolist())) == 1
    assert (first["late"][-1] - first["prompt"][-1]) % 2 == 1


def test_who_cannot_be_stepped_is_refused_in_words():
    session = session_of(REFERENCE, "Reference")
    device = session.rig.device_under_test.model_copy(update={"virtual": None, "kind": "external"})
    external = variant(session, rig={"device_under_test": device})
    with pytest.raises(ConfigError) as refused, robot_of(external):
        pass
    assert "--robot FILE:CLASS" in str(refused.value)
    assert "device_under_test" in str(refused.value)


def test_verdict_and_manifest_say_who_rode(tmp_path):
    session = session_of(FAILING, "Quiet", seconds=1.0, process="ours")
    verdict = ride(session, (RIG, RUN), tmp_path / "run", virtual=True)
    manifest = json.loads((tmp_path / "run" / "manifest.json").read_text())
    assert manifest["robot"]["name"] == "Quiet"
    assert manifest["robot"]["version"] == session.files["robot"][:12]
    assert verdict.robot == f"Quiet {session.files['robot'][:12]} (Python class in the emulator's process)"
    assert (tmp_path / "run" / manifest["copies"]["robot"]).read_bytes() == FAILING.read_bytes()
    assert "ridden by Quiet" in (tmp_path / "run" / "report.html").read_text()
