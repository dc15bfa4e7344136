"""Lockstep: the reference robot through the protocol rides as ever; a delay shows; who rode is said."""

import re

import numpy as np
import pytest

from emulator.assembly.provenance import copies, manifest_of
from emulator.assembly.session import load_session
from emulator.config.software.stepped_robot import PythonRobot
from emulator.core.errors import ConfigError
from emulator.inspection.replay.replayed_run import replay
from emulator.record.reader import read_run
from emulator.record.writer import RunWriter
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.virtual import VirtualRide
from tests.support.own_robots import REFERENCE, bytes_of, recorded, session_of
from tests.support.scripted_robot import RIG, RUN, variant

MEGABIT = RIG.with_name("megabit.yaml")
PLAIN_RIDER = RIG.parents[1] / "robots" / "plain_rider.py"


@pytest.mark.parametrize(
    ("name", "rig", "process"),
    [
        ("OnMegabit", MEGABIT, "ours"),
        pytest.param("Reference", RIG, "ours", marks=pytest.mark.timing),
        pytest.param("Reference", RIG, "own", marks=pytest.mark.timing),
    ],
)
def test_the_reference_robot_rides_as_it_does_without_the_protocol(name, rig, process, tmp_path):
    session = session_of(REFERENCE, name, rig=rig, seconds=3.0, seed=5, process=process)
    device = session.rig.device_under_test.model_copy(update={"virtual": None})
    ours = variant(session, rig={"device_under_test": device})
    recorded(ours, tmp_path / "reference")
    recorded(session, tmp_path / "own")
    assert bytes_of(tmp_path / "own") == bytes_of(tmp_path / "reference")


@pytest.mark.timing
@pytest.mark.timeout(1200)
def test_the_reference_robot_rides_a_whole_lap_as_it_does_without_the_protocol(tmp_path):
    session = session_of(REFERENCE, "Reference", seed=5, process="ours")
    device = session.rig.device_under_test.model_copy(update={"virtual": None})
    ours = variant(session, rig={"device_under_test": device})
    assert recorded(ours, tmp_path / "reference")["ended"] == "complete"
    assert recorded(session, tmp_path / "own")["ended"] == "complete"
    assert bytes_of(tmp_path / "own") == bytes_of(tmp_path / "reference")


def test_a_delay_is_on_the_bus_whole_ticks_later(tmp_path):
    """Without a bit rate: a robot that computes for 2.4 ms is heard three ticks later."""
    for name, late in (("prompt", {}), ("late", {"compute_ms": 2.4})):
        recorded(session_of(REFERENCE, "Reference", seconds=0.5, process="ours", **late), tmp_path / name)
    first = {}
    for name in ("prompt", "late"):
        frames = read_run(tmp_path / name).frames
        first[name] = np.unique(frames.tick[frames.direction == 0])[:10]
    # its periods fall on every other tick; what it sends in one is received a tick later, or four
    assert set(np.diff(first["prompt"])) == set(np.diff(first["late"])) == {2}
    assert (first["late"][0] - first["prompt"][0]) % 2 == 1


@pytest.mark.parametrize("rig", [RIG, MEGABIT], ids=["no bit rate", "bit rate"])
def test_a_ride_of_a_delayed_robot_replays_to_the_same_bytes(rig, tmp_path):
    """Frames that were handed over later than they were worked out, on the bus or in the next tick."""
    scenario = tmp_path / "ride.yaml"
    text = re.sub(r" *from_s: .*\n", "", RUN.with_name("straight.yaml").read_text())
    scenario.write_text(re.sub(r"duration_limit_s: .*", "duration_limit_s: 0.4", text))
    how = {"process": "ours", "compute_ms": 2.4, "compute_jitter_ms": 1.0}
    robot = PythonRobot(kind="python", file=str(PLAIN_RIDER), name="PlainRider", **how)
    session = load_session(rig, scenario, robot=robot, seed=4)
    kept = copies(session.files, session.paths)
    with robot_of(session) as own:
        manifest = manifest_of(session, stage="virtual", robot=own.about)
        with RunWriter(tmp_path / "run", manifest, kept) as writer:
            VirtualRide(session, own).run(writer)
    result = replay(tmp_path / "run")
    assert result.same, str(result.differences[0])
    assert result.rows > 400
    frames = read_run(tmp_path / "run").frames
    robots = frames.tick[frames.direction == 0] % 2
    assert np.unique(robots).size == 2  # they came in odd ticks, too


def test_who_cannot_be_stepped_is_refused_in_words():
    session = session_of(REFERENCE, "Reference")
    device = session.rig.device_under_test.model_copy(update={"virtual": None, "kind": "external"})
    external = variant(session, rig={"device_under_test": device})
    with pytest.raises(ConfigError) as refused, robot_of(external):
        pass
    assert "--robot FILE:CLASS" in str(refused.value)
    assert "device_under_test" in str(refused.value)
