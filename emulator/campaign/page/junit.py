"""The night as JUnit XML: one test suite a scenario, one test case a case of the plan; a suite of answers.

A surprise is a failure, in either direction; what is invalid or could not be ridden is an error; what was not
ridden, what a person stopped and acknowledged surprises are skipped, each with its reason. An answer that the
plan does not expect is a failure, a question without one an error. What was expected
and what came out are properties. Elements and attributes: emulator.verdict.junit.
"""

from __future__ import annotations

from collections.abc import Sequence
from xml.etree import ElementTree

from emulator.campaign.comparison.ridden import Ridden
from emulator.campaign.page.groups import direction_of
from emulator.campaign.page.morning import Morning
from emulator.campaign.page.night import Planned
from emulator.campaign.page.words import headline
from emulator.core.outside.visible_text import visible


def junit_of(morning: Morning) -> str:
    """The document; the same night gives the same text."""
    borne = {row.number: one.entry for one in morning.borne if not one.expired for row in one.rows}
    root = ElementTree.Element("testsuites", {"name": visible(morning.night.name)})
    scenarios: dict[str, tuple[list[Ridden], list[Planned]]] = {}
    for row in morning.night.rows:
        scenarios.setdefault(row.scenario, ([], []))[0].append(row)
    for case in morning.night.not_ridden:
        scenarios.setdefault(case.scenario, ([], []))[1].append(case)
    for scenario, (rows, missing) in scenarios.items():
        suite = ElementTree.SubElement(root, "testsuite", {"name": visible(scenario)})
        for row in rows:
            entry = borne.get(row.number)
            _ridden(
                suite,
                row,
                "" if entry is None else f"acknowledged by {entry.name} until {entry.until}: {entry.reason}",
            )
        for case in missing:
            element = _case(suite, case.scenario, f"{case.label} [{case.case_id}]", 0.0)
            ElementTree.SubElement(
                element, "skipped", {"message": f"not ridden: {visible(morning.night.ended)}"}
            )
        _total(suite, [suite])
    _answers(root, morning)
    _total(root, list(root))
    properties = ElementTree.Element("properties")
    _property(properties, "status", morning.status)
    _property(properties, "sentence", headline(morning).sentence)
    if len(root):
        root[0].insert(0, properties)
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _answers(root: ElementTree.Element, morning: Morning) -> None:
    """The suite of answers; none where nothing was asked."""
    night = morning.night
    if not night.answers and not night.unanswered:
        return
    suite = ElementTree.SubElement(root, "testsuite", {"name": "answers"})
    for answer in night.answers:
        if answer.question in night.unanswered:
            continue
        case = _case(suite, answer.question, answer.label, 0.0)
        if answer.as_expected is False:
            told = {"message": visible(answer.sentence), "type": "other than expected"}
            ElementTree.SubElement(case, "failure", told)
    for name in night.unanswered:
        case = _case(suite, name, name, 0.0)
        told = {"message": f"no answer: {visible(night.ended)}", "type": "no answer"}
        ElementTree.SubElement(case, "error", told)
    _total(suite, [suite])


def _ridden(suite: ElementTree.Element, row: Ridden, acknowledged: str) -> None:
    case = _case(suite, row.scenario, f"{row.label} [{row.case_id}]", row.ridden_s)
    properties = ElementTree.SubElement(case, "properties")
    for name, value in (
        ("case", row.case_id),
        ("result", row.result),
        ("expected", row.expected),
        ("as_expected", {True: "true", False: "false", None: ""}[row.as_expected]),
        ("thinnest", row.thinnest),
        ("thinnest_percent", "" if row.percent is None else f"{row.percent:.9g}"),
        ("requirements", " ".join(row.requirements)),
    ):
        if value:
            _property(properties, name, value)
    words = visible(row.cause or row.expectation)
    if row.surprise and acknowledged:
        ElementTree.SubElement(case, "skipped", {"message": visible(acknowledged)})
    elif row.surprise:
        kind = f"{direction_of(row)} than expected"
        ElementTree.SubElement(case, "failure", {"message": words, "type": kind}).text = visible(
            row.expectation
        )
    elif row.result == "stopped":
        ElementTree.SubElement(case, "skipped", {"message": words})
    elif not row.counted:
        ElementTree.SubElement(case, "error", {"message": words, "type": row.result})


def _case(suite: ElementTree.Element, scenario: str, name: str, time_s: float) -> ElementTree.Element:
    named = {"classname": visible(scenario), "name": visible(name), "time": f"{time_s:.3f}"}
    return ElementTree.SubElement(suite, "testcase", named)


def _property(properties: ElementTree.Element, name: str, value: str) -> None:
    ElementTree.SubElement(properties, "property", {"name": name, "value": visible(value)})


def _total(element: ElementTree.Element, suites: Sequence[ElementTree.Element]) -> None:
    """Counts of the cases below, as attributes."""
    cases = [case for suite in suites for case in suite.iter("testcase")]
    element.set("tests", str(len(cases)))
    for name, found in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        element.set(name, str(sum(case.find(found) is not None for case in cases)))
    element.set("time", f"{sum(float(case.get('time', '0')) for case in cases):.3f}")
