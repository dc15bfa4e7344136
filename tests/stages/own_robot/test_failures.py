"""Software that raises, hangs, leaves or makes no sense: a fail of the robot, with its traceback."""

import json
import signal
import subprocess

import pytest

from emulator.record.reader import read_run
from emulator.runs.one import ride
from emulator.stages.own_robot import protocol
from emulator.stages.own_robot.choice import robot_of
from emulator.stages.own_robot.protocol import Moment
from emulator.verdict.attribution import software_cause
from tests.support.own_robots import FAILING, REFERENCE, recorded, session_of
from tests.support.scripted_robot import RIG, RUN, variant

WAYS = {
    "Raises": ("raised", "it raised ZeroDivisionError in act of Raises"),
    "RaisesAtBegin": ("raised", "no map of this track"),
    "Leaves": ("raised", "it raised SystemExit"),
    "Hangs": ("hung", "it took more than 0.3 s for a step"),
    "NoSuchSignal": ("nonsense", "'throttel'"),
    "NoNumber": ("nonsense", "inf for throttle"),
    "NoDict": ("nonsense", "act returned 0.25"),
    "TooLong": ("nonsense", "9 bytes in frame 0x123"),
    "NoIdentifier": ("nonsense", "identifier 0x800"),
    "Missing": ("nonsense", "has no class 'Missing'"),
}


@pytest.mark.parametrize("name", WAYS)
def test_in_our_process(name, tmp_path):
    failed(name, *WAYS[name], tmp_path / "run", process="ours")


@pytest.mark.parametrize("name", ["Raises", "RaisesAtBegin", "Hangs", "NoSuchSignal"])
def test_in_a_process_of_its_own(name, tmp_path):
    how, text = WAYS[name]
    failed(name, how, text.replace(" in act of Raises", ""), tmp_path / "run", process="own")


@pytest.mark.parametrize(("name", "moments"), [("Hangs", [None]), ("NoSuchSignal", [2.0, None])])
def test_only_one_that_answers_gets_a_moment_to_leave(name, moments, tmp_path, monkeypatch):
    waited, wait = [], subprocess.Popen.wait

    def noted(process, timeout=None):
        waited.append(timeout)
        return wait(process, timeout)

    monkeypatch.setattr(subprocess.Popen, "wait", noted)
    recorded(session_of(FAILING, name, process="own", step_limit_s=0.3), tmp_path / "run")
    assert waited == moments


def test_a_process_that_vanishes(tmp_path):
    failed("Vanishes", "left", "its process left with exit status 7", tmp_path / "run", process="own")


def test_an_exception_without_words_ends_with_its_place():
    assert protocol.raised("act of Rider", MemoryError()).what == "it raised MemoryError in act of Rider"
    assert protocol.raised("act of Rider", ValueError("7")).what == "it raised ValueError in act of Rider: 7"


def failed(name, how, text, folder, *, process):
    session = session_of(FAILING, name, process=process, step_limit_s=0.3)
    outcome = recorded(session, folder)
    assert outcome["ended"] == "robot_failed"
    failure = outcome["robot_failure"]
    assert failure["how"] == how
    assert text in failure["text"]
    if how == "raised":
        assert failure["traceback"].startswith("Traceback")
        assert FAILING.name in failure["traceback"]
    cause = software_cause(failure)
    assert cause.whose == "robot"
    assert text in cause.text


@pytest.mark.parametrize(
    ("name", "told"),
    [
        (
            "FramesOfItsOwn",
            "it gave frames of 0x080, 0x123 instead of 0x082, and none of its values (gear_request)",
        ),
        ("DamagedHeartbeat", "0x082 came, look at its length, counter and CRC"),
    ],
)
def test_frames_that_bring_no_heartbeat_are_told_by_their_identifiers(name, told, tmp_path):
    session = session_of(FAILING, name, process="ours")
    limits = session.rig.limits.model_copy(update={"arming_timeout_s": 0.5})
    failure = recorded(variant(session, rig={"limits": limits}), tmp_path / "run")["robot_failure"]
    assert failure["how"] == "silent"
    assert told in failure["text"]


def test_verdict_and_report_accuse_the_robot_and_say_who_rode(tmp_path):
    """Of one that failed before its first period, when there is no ride to judge."""
    name, folder = "RaisesAtBegin", tmp_path / "run"
    session = session_of(FAILING, name, process="ours")
    verdict = ride(session, (RIG, RUN), folder, virtual=True)
    assert verdict.result == "fail"
    assert [cause.whose for cause in verdict.causes] == ["robot"]
    assert WAYS[name][1] in verdict.reasons[0]
    assert FAILING.name in verdict.traceback
    said = [e for e in read_run(folder).events if e.kind == "robot_failed"]
    assert [WAYS[name][1] in e.text for e in said] == [True]
    page = (folder / "report.html").read_text()
    assert "What it raised" in page
    assert "failing_robots.py" in page
    version = session.files["robot"][:12]
    assert verdict.robot == f"{name} {version} (Python class in the emulator's process)"
    assert f"ridden by {name} {version}" in page
    manifest = json.loads((folder / "manifest.json").read_text())
    assert (manifest["robot"]["name"], manifest["robot"]["version"]) == (name, version)
    assert (folder / manifest["copies"]["robot"]).read_bytes() == FAILING.read_bytes()


@pytest.mark.parametrize("name", ["Missing", "Quiet"])
def test_the_timer_is_given_back(name):
    """Also by a class that can't be made."""
    before = signal.getsignal(signal.SIGALRM)
    with robot_of(session_of(FAILING, name, process="ours", step_limit_s=0.3)):
        pass
    assert signal.getsignal(signal.SIGALRM) is before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


@pytest.mark.parametrize("process", ["own", "ours"])
def test_to_begin_may_take_longer_than_a_step(process):
    with robot_of(session_of(FAILING, "SlowAtBegin", process=process, step_limit_s=0.3)) as robot:
        assert robot.speaker.act(Moment(0, [], [], {})).values == {}


def test_with_patience_a_slow_step_is_no_failure(tmp_path):
    session = session_of(FAILING, "Slow", process="own", step_limit_s=0.1, seconds=0.1)
    assert recorded(session, tmp_path / "hasty")["robot_failure"]["how"] == "hung"
    stopped = variant(
        session, rig={"limits": session.rig.limits.model_copy(update={"arming_timeout_s": 0.2})}
    )
    # it says nothing in all that time, so the ride never begins
    assert recorded(stopped, tmp_path / "patient", patient=True)["robot_failure"]["how"] == "silent"


@pytest.mark.parametrize("raised", [KeyboardInterrupt, ZeroDivisionError])
def test_what_is_no_failure_of_the_robots_comes_out_of_the_compiled_ticks(raised, monkeypatch, tmp_path):
    def interrupted(*_):
        raise raised

    monkeypatch.setattr("emulator.stages.own_robot.driver.InLockstep._take", interrupted)
    with pytest.raises(raised):
        recorded(session_of(REFERENCE, "Reference", seconds=1.0, process="ours"), tmp_path / "run")
