"""A verdict beside what the scenario expects of it."""

from types import SimpleNamespace

import pytest

from emulator.config.scenario.schema import Expected
from emulator.verdict.expectation import expectation, unexpected
from emulator.verdict.judge import Verdict, verdict_from
from emulator.verdict.junit import junit_text

PASS = Expected(result="pass")
ICE = Expected(result="fail", reason="the lake is frozen", reported=("no fall", "front tyre"))
SLID = SimpleNamespace(events=[SimpleNamespace(text="front tyre slides sideways")], manifest={})
CALM = SimpleNamespace(events=[], manifest={})
FELL = Verdict("fail", ["no fall: fell 3.0 s into the ride"])


@pytest.mark.parametrize(
    ("expected", "verdict", "run", "sentence"),
    [
        (PASS, Verdict("pass"), CALM, "pass as expected"),
        (PASS, FELL, SLID, "not as expected: pass expected, got fail"),
        (PASS, Verdict("invalid"), CALM, "not as expected: pass expected, got invalid"),
        (ICE, FELL, SLID, "fail as expected: the lake is frozen"),
        (ICE, Verdict("pass"), CALM, "not as expected: fail expected, got pass"),
        (ICE, FELL, CALM, "not as expected: neither the verdict nor an event says 'front tyre'"),
    ],
)
def test_it_is_as_expected_or_says_what_is_not(expected, verdict, run, sentence):
    assert expectation(expected, verdict, run) == sentence
    assert bool(unexpected(expected, verdict, run)) == sentence.startswith("not as")


MINE = {"robot": {"kind": "python", "name": "mine", "version": "1"}}
BENCH = {"robot": {"kind": "external", "name": "mine", "version": ""}}
OURS = {"robot": {"kind": "reference", "name": "reference robot"}}


@pytest.mark.parametrize("manifest", [MINE, BENCH])
def test_of_another_robot_only_what_names_it_is_expected(manifest):
    run = SimpleNamespace(events=CALM.events, manifest=manifest)
    assert expectation(PASS, FELL, run) == ""
    assert expectation(ICE, Verdict("pass"), run) == (
        "nothing is expected of this robot: fail is the reference robot's"
    )
    named = ICE.model_copy(update={"robot": "mine"})
    assert expectation(named, FELL, SimpleNamespace(events=SLID.events, manifest=manifest)) == (
        "fail as expected: the lake is frozen"
    )
    assert expectation(named, Verdict("pass"), run) == "not as expected: fail expected, got pass"
    other = ICE.model_copy(update={"robot": "theirs"})
    assert expectation(other, FELL, run) == "nothing is expected of this robot: fail is that of theirs"


def test_of_the_reference_robot_it_is_expected():
    run = SimpleNamespace(events=CALM.events, manifest=OURS)
    assert expectation(PASS, FELL, run) == "not as expected: pass expected, got fail"


def test_it_stands_in_the_verdict_and_in_the_build_servers_file():
    kept = {"result": "fail", "reasons": [], "criteria": [], "expectation": "fail as expected: ice"}
    assert verdict_from(kept).expectation == "fail as expected: ice"
    assert 'value="fail as expected: ice"' in junit_text(verdict_from(kept), {})
    # of earlier versions
    del kept["expectation"]
    assert verdict_from(kept).expectation == ""
    assert "expectation" not in junit_text(verdict_from(kept), {})
