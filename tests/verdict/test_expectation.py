"""A verdict beside what the scenario expects of it."""

from types import SimpleNamespace

import pytest

from emulator.config.scenario.schema import Expected
from emulator.verdict.expectation import expectation, unexpected
from emulator.verdict.judge import Verdict, verdict_from
from emulator.verdict.junit import junit_text

PASS = Expected(result="pass")
ICE = Expected(result="fail", reason="the lake is frozen", reported=("no fall", "front tyre"))
SLID = SimpleNamespace(events=[SimpleNamespace(text="front tyre slides sideways")])
CALM = SimpleNamespace(events=[])
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


def test_it_stands_in_the_verdict_and_in_the_build_servers_file():
    kept = {"result": "fail", "reasons": [], "criteria": [], "expectation": "fail as expected: ice"}
    assert verdict_from(kept).expectation == "fail as expected: ice"
    assert 'value="fail as expected: ice"' in junit_text(verdict_from(kept), {})
    # of earlier versions
    del kept["expectation"]
    assert verdict_from(kept).expectation == ""
    assert "expectation" not in junit_text(verdict_from(kept), {})
