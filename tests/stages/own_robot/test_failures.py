"""Software that raises, hangs, leaves or makes no sense: a fail of the robot, with its traceback."""

import pytest

from emulator.record.reader import read_run
from emulator.report.run_report import report_html
from emulator.runs.one import ride
from tests.support.own_robots import FAILING, session_of
from tests.support.scripted_robot import RIG, RUN

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


def test_a_process_that_vanishes(tmp_path):
    failed("Vanishes", "left", "its process left with exit status 7", tmp_path / "run", process="own")


def failed(name, how, text, folder, *, process):
    session = session_of(FAILING, name, process=process, step_limit_s=0.3)
    verdict = ride(session, (RIG, RUN), folder, virtual=True)
    assert verdict.result == "fail"
    (cause,) = verdict.causes
    assert cause.whose == "robot"
    assert text in cause.text
    assert cause.text in verdict.reasons[0]
    run = read_run(folder)
    page = report_html(run)
    if how == "raised":
        assert "Traceback" in verdict.traceback
        assert FAILING.name in verdict.traceback
        assert "What it raised" in page
    said = [e for e in run.events if e.kind == "robot_failed"]
    assert len(said) == 1
    assert text in said[0].text


def test_with_patience_a_slow_step_is_no_failure(tmp_path):
    session = session_of(FAILING, "Slow", process="own", step_limit_s=0.1)
    hasty = ride(session, (RIG, RUN), tmp_path / "hasty", virtual=True)
    assert "0.1 s" in hasty.reasons[0]
    patient = ride(session, (RIG, RUN), tmp_path / "patient", virtual=True, patient=True)
    assert not any("software failed" in reason for reason in patient.reasons)
