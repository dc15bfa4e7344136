"""The verdict as JUnit XML: counts that agree, elements in their order, nothing that XML has no place for."""

from __future__ import annotations

import json
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.errors import RecordError
from emulator.criteria.base import CriterionResult
from emulator.verdict.judge import Verdict, write_verdict
from emulator.verdict.junit import RUN_CASE, junit_text, rewrite_junit, write_junit

MANIFEST = {"scenario": {"name": "wet hairpin"}, "rig": {"name": "desk"}, "stage": "virtual", "seed": 4}
MET = CriterionResult("no fall", "no_fall", True, 1.0, "1", 3.0, 60.0, "stayed up")
MISSED = CriterionResult("lean", "lean", False, -0.125, "rad", 4.0, 80.0, "lean up to 50° & more", 0.75)
UNKNOWN = CriterionResult("lap time", "lap_time", False, None, "s", None, None, "could not be judged", 80.0)
REASON = "lean: lean up to 50° & more"

# what common readers take, from memory: attributes that have to be there, children in order
ATTRIBUTES = {
    "testsuites": {"name", "tests", "failures", "errors", "time"},
    "testsuite": {"name", "tests", "failures", "errors", "skipped", "time"},
    "testcase": {"classname", "name", "time"},
    "property": {"name", "value"},
    "failure": {"message", "type"},
    "error": {"message", "type"},
    "skipped": {"message"},
    "properties": set(),
}
CHILDREN = {
    "testsuites": ["testsuite"],
    "testsuite": ["properties", "testcase"],
    "testcase": ["properties", "skipped", "error", "failure"],
    "properties": ["property"],
}


def read(verdict: Verdict, manifest: dict = MANIFEST) -> ElementTree.Element:
    """The suite of a document that keeps the rules."""
    root = ElementTree.fromstring(junit_text(verdict, manifest).encode())
    assert root.tag == "testsuites"
    for element in root.iter():
        assert ATTRIBUTES[element.tag] <= set(element.attrib)
        order = [CHILDREN[element.tag].index(child.tag) for child in element]
        assert order == sorted(order)
        if element.tag in ("testsuites", "testsuite"):
            for name, wanted in (("failures", "failure"), ("errors", "error"), ("tests", "testcase")):
                assert int(element.attrib[name]) == len(list(element.iter(wanted)))
            assert int(element.attrib["skipped"]) == len(list(element.iter("skipped")))
            assert float(element.attrib["time"]) >= 0.0
    (suite,) = root
    return suite


def case(suite: ElementTree.Element, name: str) -> ElementTree.Element:
    (found,) = [c for c in suite.iter("testcase") if c.attrib["name"] == name]
    return found


def kinds(suite: ElementTree.Element, name: str) -> list[str]:
    return [child.tag for child in case(suite, name) if child.tag != "properties"]


def values(element: ElementTree.Element) -> dict[str, str]:
    return {p.attrib["name"]: p.attrib["value"] for p in element.find("properties") or ()}


def test_a_pass_has_a_case_a_criterion_and_one_for_the_run():
    suite = read(Verdict("pass", ["complete, timing kept, 1 criterion met"], [MET], ridden_s=12.5))
    assert [c.attrib["name"] for c in suite.iter("testcase")] == [RUN_CASE, "no fall"]
    assert not list(suite.iter("failure"))
    assert suite.attrib["name"] == "wet hairpin"
    assert suite.attrib["time"] == "12.500"
    assert values(suite) == {"result": "pass", "rig": "desk", "stage": "virtual", "seed": "4"}
    assert case(suite, "no fall").attrib["classname"] == "desk.wet hairpin"
    assert values(case(suite, "no fall"))["margin"] == "1"


def test_a_criterion_that_was_not_met_is_a_failure():
    suite = read(Verdict("fail", [REASON, "lap time: could not be judged"], [MET, MISSED, UNKNOWN]))
    assert kinds(suite, RUN_CASE) == kinds(suite, "no fall") == []
    assert kinds(suite, "lean") == kinds(suite, "lap time") == ["failure"]
    failure = case(suite, "lean").find("failure")
    assert failure is not None
    assert failure.attrib == {"message": "lean up to 50° & more", "type": "lean"}
    assert failure.text == "lean up to 50° & more"
    assert values(case(suite, "lean")) == {
        "kind": "lean",
        "margin": "-0.125",
        "limit": "0.75",
        "unit": "rad",
        "worst_time_s": "4",
        "worst_station_m": "80",
        "sentence": "lean up to 50° & more",
    }
    assert "margin" not in values(case(suite, "lap time"))


def test_a_ride_that_did_not_end_as_it_should_is_a_failure_of_its_own():
    suite = read(Verdict("fail", ["stopped by hand before the ride was complete"], [MET]))
    assert kinds(suite, RUN_CASE) == ["failure"]
    assert kinds(suite, "no fall") == []


@pytest.mark.parametrize("result", ["invalid", "error"])
def test_a_run_that_does_not_count_is_an_error_and_its_criteria_say_nothing(result):
    suite = read(Verdict(result, ["timing not kept: imu", REASON], [MET, MISSED]))
    assert kinds(suite, RUN_CASE) == ["error"]
    error = case(suite, RUN_CASE).find("error")
    assert error is not None
    assert error.attrib == {"message": "timing not kept: imu", "type": result}
    assert error.text == f"timing not kept: imu\n{REASON}"
    assert kinds(suite, "no fall") == kinds(suite, "lean") == ["skipped"]
    assert "not met: lean up to" in case(suite, "lean").find("skipped").attrib["message"]
    assert values(case(suite, "lean"))["margin"] == "-0.125"


@pytest.mark.parametrize(("result", "missed"), [("invalid", []), ("fail", [MISSED])])
def test_what_a_log_does_not_tell_is_no_failure(result, missed):
    reasons = [REASON] if missed else ["lap time: could not be judged"]
    verdict = Verdict(result, reasons, [MET, *missed, UNKNOWN], undecided=["lap time"])
    suite = read(verdict, {**MANIFEST, "stage": "track"})
    assert kinds(suite, "lap time") == ["skipped"]
    message = case(suite, "lap time").find("skipped").attrib["message"]
    assert message.endswith("; undecided: could not be judged")
    assert "stopped" not in message
    assert kinds(suite, RUN_CASE) == ([] if missed else ["error"])


def test_a_run_of_which_nothing_was_asked():
    assert len(list(read(Verdict("invalid", ["nothing was asked"], [])).iter("testcase"))) == 1
    assert len(list(read(Verdict("error", [], []), {}).iter("testcase"))) == 1


@given(name=st.text(), sentence=st.text(), scenario=st.text(), missed=st.booleans())
def test_any_text_is_well_formed(name, sentence, scenario, missed):
    c = CriterionResult(name, "k", not missed, 0.5, "m", 1.0, 2.0, sentence, 1.0)
    reasons = [f"{name}: {sentence}"] if missed else ["met"]
    suite = read(Verdict("fail" if missed else "pass", reasons, [c]), {"scenario": {"name": scenario}})
    assert len(list(suite.iter("testcase"))) == 2


def test_what_xml_has_no_place_for_is_shown():
    c = CriterionResult("a\x00b\x1b\ud800\ufffe<&>\"'", "k", True, None, "m", None, None, "s")
    text = junit_text(Verdict("pass", [], [c]), {})
    (_, found) = ElementTree.fromstring(text.encode()).iter("testcase")
    assert found.attrib["name"] == "a\\x00b\\x1b\\ud800\\ufffe<&>\"'"


def test_in_a_run_folder(tmp_path: Path):
    verdict = Verdict("fail", [REASON], [MISSED])
    (tmp_path / "manifest.json").write_text(json.dumps(MANIFEST))
    rewrite_junit(tmp_path)  # nothing was judged
    assert not (tmp_path / "verdict.junit.xml").exists()
    path = write_junit(tmp_path, verdict, MANIFEST)
    assert path == tmp_path / "verdict.junit.xml"
    before = path.read_bytes()
    path.unlink()
    write_verdict(tmp_path, verdict)
    rewrite_junit(tmp_path)
    assert path.read_bytes() == before
    (tmp_path / "verdict.json").write_text("{")
    with pytest.raises(RecordError, match=r"verdict\.json:1:2"):
        rewrite_junit(tmp_path)
