"""One riding controller as a Python class, a C program at a socket and a co-simulation unit."""

import dataclasses
import time

import numpy as np
import pytest

from emulator.core.errors import StartFailed
from emulator.record.reader import read_run
from emulator.runs.one import ride
from emulator.stages.own_robot.choice import robot_of
from tests.support.own_robots import BYTES, bytes_of, recorded
from tests.support.plain_riders import KINDS, NOTES, build, session_of
from tests.support.scripted_robot import RIG, RUN, variant

STRAIGHT, CIRCLE = RUN.with_name("straight.yaml"), RUN.with_name("circle.yaml")
COURSES = {
    "straight 60": (STRAIGHT, 60.0, 0.0),
    "straight 80": (STRAIGHT, 80.0, 0.0),
    "circle 50 m at 60": (CIRCLE, 60.0, 50.0),
    "circle 120 m at 80": (CIRCLE, 80.0, 120.0),
}


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    folder = tmp_path_factory.mktemp("built")
    build(folder)
    return folder


def short(kind, built, seconds=4.0, **how):
    session, _ = session_of(
        kind, built, run=CIRCLE, speed=60.0, radius=50.0, rig=RIG.with_name("megabit.yaml"), **how
    )
    return variant(session, scenario={"duration_limit_s": seconds})


def started_by(command, session):
    """The session with another program at its socket; where it lies was found as its rig was read."""
    return dataclasses.replace(session, joining=session.joining._replace(command=command))


def test_delayed_by_a_period_class_and_program_send_the_frames_of_the_unit(built, tmp_path):
    for kind in (*KINDS, "lines"):
        recorded(short(kind, built, **({} if kind == "fmi" else {"compute_ms": 2.0})), tmp_path / kind)
    unit = bytes_of(tmp_path / "fmi")
    for kind in ("python", "socket", "lines"):
        other = bytes_of(tmp_path / kind)
        assert [name for name in BYTES if other[name] != unit[name]] == []
    run = read_run(tmp_path / "fmi")
    assert np.nanmax(np.abs(run.signal("robot.steering_torque_Nm"))) > 1.0  # it steered
    assert set(run.notes) == set(NOTES)
    ticks, offsets = run.notes["offset_m"]
    assert set(np.diff(ticks).tolist()) == {2}
    assert 0.0 < np.abs(offsets).max() < 1.0


def test_a_prompt_class_sends_others(built, tmp_path):
    for name, late in (("prompt", {}), ("late", {"compute_ms": 2.0})):
        recorded(short("python", built, 0.5, **late), tmp_path / name)
    assert bytes_of(tmp_path / "prompt")["frames.arrow"] != bytes_of(tmp_path / "late")["frames.arrow"]


def test_jitter_is_drawn_from_the_seed(built, tmp_path):
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        recorded(short("python", built, 0.5, compute_jitter_ms=2.0, seed=seed), tmp_path / name)
    a, b, c = ((tmp_path / name / "inputs.arrow").read_bytes() for name in "abc")
    assert a == b
    assert a != c


def test_a_robot_of_another_interface_is_refused(built):
    client = built / "other.py"
    client.write_text(
        (built / "line_client.py").read_text().replace('INTERFACE = "-"', 'INTERFACE = "0123abc"')
    )
    session = started_by(("python", str(client)), short("socket", built))
    refusal = pytest.raises(StartFailed, match="refused: it was written for interface 0123abc")
    with refusal, robot_of(session, hashes=lambda: {"f" * 64}):
        pass
    with robot_of(session, hashes=lambda: {"0123abc"}) as robot:
        assert robot.about["name"] == "plain rider"


def test_the_program_at_a_unix_socket_and_two_at_once(built, tmp_path):
    session = short("socket", built, path=str(tmp_path / "robot"))
    with robot_of(session) as one, robot_of(short("socket", built)) as other:
        assert one.about["version"] == other.about["version"] == "1"


def test_a_command_that_leaves_before_it_joins_is_said(built):
    leaves = started_by(("false",), short("socket", built))
    with pytest.raises(StartFailed, match="exit status 1"), robot_of(leaves):
        pass


@pytest.mark.timing
@pytest.mark.timeout(900)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("course", COURSES)
def test_it_rides_and_the_same_twice(kind, course, built, tmp_path):
    run, speed, radius = COURSES[course]
    scenario = tmp_path / "ride.yaml"
    manoeuvre = f"manoeuvre: {{kind: circle, radius_m: {radius}, side: left}}\n" if radius else ""
    scenario.write_text(f"based_on: {run}\n{manoeuvre}speed: {{top_speed_km_h: {speed}}}\n")
    session, rig = session_of(kind, built, run=scenario, speed=speed, radius=radius)
    verdict = ride(session, (rig, scenario), tmp_path / "one", virtual=True)
    assert verdict.result == "pass", verdict.reasons
    recorded(session, tmp_path / "two")
    assert bytes_of(tmp_path / "one") == bytes_of(tmp_path / "two")


@pytest.mark.timing
@pytest.mark.parametrize(
    ("kind", "least"),
    [("python", 0.5), ("own process", 0.0), ("socket", 0.4), ("lines", 0.0), ("fmi", 0.25)],
)
def test_how_fast_it_is_beside_the_reference_robot(kind, least, built, tmp_path):
    session, _ = session_of(kind, built, run=STRAIGHT, speed=60.0)
    device = session.rig.device_under_test.model_copy(update={"kind": "reference", "virtual": None})
    ours = variant(session, rig={"device_under_test": device})
    rides = {
        name: variant(whole, scenario={"duration_limit_s": 20.0})
        for name, whole in (("reference", ours), ("own", session))
    }
    taken = dict.fromkeys(rides, float("inf"))
    for again in range(5):  # in turn, so that a machine that slows down does so for both
        for name, one in rides.items():
            began = time.perf_counter()
            recorded(one, tmp_path / f"{name}{again}")
            taken[name] = min(taken[name], time.perf_counter() - began)
    ratio = taken["reference"] / taken["own"]
    print(f"{kind}: {ratio:.2f} of the reference robot's speed ({taken['own']:.2f} s)")
    assert ratio >= least
