"""The verdict as JUnit XML, the form in which build servers take test results.

One test suite a run, one test case a criterion, and one for the run itself: timing, record, how the ride
ended. A criterion that was not met is a failure; a run that is invalid or broke down is an error of the
run's case, one that a person stopped is skipped; the criteria of both are skipped: they say nothing,
whichever way they came out. So is a missed criterion that is no reason. Margins are properties of their case;
what was seen besides, and what only followed from a criterion that was missed, is the run's output.

There is no standard; elements and attributes are those that common readers share (from memory).
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

from emulator.core.outside.visible_text import visible
from emulator.criteria.base import CriterionResult
from emulator.record.documents import read_manifest
from emulator.record.writer import VERDICT_FILE, write_whole
from emulator.verdict.judge import Verdict, read_verdict

JUNIT_FILE = "verdict.junit.xml"
"""Its name in a run folder."""
RUN_CASE = "timing, record and end of the ride"
"""Name of the case that stands for the run itself."""


def write_junit(folder: Path | str, verdict: Verdict, manifest: Mapping[str, Any]) -> Path:
    """Write the file into a run folder, whole or not at all. Raises RunFailed."""
    path = Path(folder) / JUNIT_FILE
    write_whole(path, junit_text(verdict, manifest))
    return path


def rewrite_junit(folder: Path | str) -> None:
    """Write it anew from a folder's verdict and manifest; nothing where no verdict is.

    Raises RecordError for damaged files, RunFailed.
    """
    folder = Path(folder)
    if (folder / VERDICT_FILE).exists():
        write_junit(folder, read_verdict(folder), read_manifest(folder))


def junit_text(verdict: Verdict, manifest: Mapping[str, Any]) -> str:
    """The document; the same verdict and manifest give the same text."""
    counted = verdict.result in ("pass", "fail")
    missed = verdict.missed if counted else []
    of_criteria = {f"{c.name}: {c.sentence}" for c in missed}
    of_run = [reason for reason in verdict.reasons if reason not in of_criteria]
    run_fails = verdict.result == "fail" and len(of_run) > len(verdict.followed)
    stopped = verdict.result == "stopped"
    failures = len(missed) + run_fails
    skipped = [c for c in verdict.criteria if not counted or not (c.passed or c in missed)]
    scenario, rig = _name(manifest, "scenario"), _name(manifest, "rig")
    totals = {
        "tests": str(len(verdict.criteria) + 1),
        "failures": str(failures),
        "errors": str(int(not counted and not stopped)),
        "skipped": str(len(skipped) + stopped),
        "time": f"{verdict.ridden_s:.3f}",
    }
    root = ElementTree.Element("testsuites", {"name": scenario, **totals})
    suite = ElementTree.SubElement(root, "testsuite", {"name": scenario, **totals})
    about = {
        "result": verdict.result,
        "rig": rig,
        "stage": manifest.get("stage", ""),
        "seed": manifest.get("seed", ""),
    }
    if verdict.robot:
        about["robot"] = verdict.robot
    if verdict.expectation:
        about["expectation"] = verdict.expectation
    _properties(suite, about)
    case = _case(suite, f"{rig}.{scenario}", RUN_CASE, verdict.ridden_s)
    if stopped:
        ElementTree.SubElement(case, "skipped", {"message": visible("; ".join(of_run))})
    elif not counted:
        _problem(case, "error", verdict.result, of_run)
    elif run_fails:
        _problem(case, "failure", "ride", of_run)
    besides = [*(verdict.followed if verdict.result == "fail" and not run_fails else []), *verdict.notes]
    if besides:
        ElementTree.SubElement(case, "system-out").text = visible("\n".join(besides))
    for c in verdict.criteria:
        case = _case(suite, f"{rig}.{scenario}", c.name, 0.0)
        _properties(case, _about(c))
        if c in skipped:
            words = "met" if c.passed else "undecided" if c.name in verdict.undecided else "not met"
            why = "the run is no evidence"
            if counted:
                of_log = manifest.get("stage") == "track"
                why = "the log does not tell" if of_log else "the ride was stopped before it was decided"
            ElementTree.SubElement(case, "skipped", {"message": visible(f"{why}; {words}: {c.sentence}")})
        elif not c.passed:
            _problem(case, "failure", c.kind, [c.sentence])
    ElementTree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ElementTree.tostring(root, encoding="unicode") + "\n"


def _about(c: CriterionResult) -> dict[str, object]:
    """Properties of a criterion; what there is none of is left out."""
    found = {
        "kind": c.kind,
        "margin": c.margin,
        "limit": c.limit,
        "unit": c.unit,
        "worst_time_s": c.worst_time_s,
        "worst_station_m": c.worst_station_m,
        "sentence": c.sentence,
    }
    return {key: value for key, value in found.items() if value is not None}


def _name(manifest: Mapping[str, Any], part: str) -> str:
    item = manifest.get(part)
    name = item.get("name") if isinstance(item, Mapping) else None
    return visible(str(name or part))


def _case(suite: ElementTree.Element, classname: str, name: str, time_s: float) -> ElementTree.Element:
    return ElementTree.SubElement(
        suite, "testcase", {"classname": classname, "name": visible(name), "time": f"{time_s:.3f}"}
    )


def _properties(parent: ElementTree.Element, values: Mapping[str, object]) -> None:
    properties = ElementTree.SubElement(parent, "properties")
    for name, value in values.items():
        text = f"{value:.9g}" if isinstance(value, float) else str(value)
        ElementTree.SubElement(properties, "property", {"name": name, "value": visible(text)})


def _problem(case: ElementTree.Element, element: str, kind: str, sentences: list[str]) -> None:
    problem = ElementTree.SubElement(
        case, element, {"message": visible(sentences[0] if sentences else kind), "type": visible(kind)}
    )
    problem.text = visible("\n".join(sentences))
