"""Whether a ride came out as its scenario expects, for regression: the verdict stays what it is.

A scenario that the reference robot fails says so, with the reason and words that show it (scenario.Expected).
Of another robot nothing is expected, unless the scenario names it.
"""

from __future__ import annotations

from collections.abc import Mapping

from emulator.config.scenario.schema import Expected
from emulator.record.reader import Run
from emulator.verdict.judge import Verdict

AS_USUAL = "pass as expected"
"""What most scenarios come to; not worth a line on a page."""


def unexpected(expected: Expected, verdict: Verdict, run: Run) -> list[str]:
    """What is other than expected, a sentence each; none if it came out as expected."""
    if verdict.result != expected.result:
        return [f"{expected.result} expected, got {verdict.result}"]
    said = [*verdict.reasons, *(event.text for event in run.events)]
    return [
        f"neither the verdict nor an event says {words!r}"
        for words in expected.reported
        if not any(words in sentence for sentence in said)
    ]


def expectation(expected: Expected, verdict: Verdict, run: Run) -> str:
    """One sentence on it, as ``verdict.json`` has it; empty where nothing is expected of who rode."""
    rode = _rode(run)
    if rode != expected.robot:
        if expected == Expected(result="pass"):
            return ""
        whose = "the reference robot's" if expected.robot is None else f"that of {expected.robot}"
        return f"nothing is expected of this robot: {expected.result} is {whose}"
    wrong = unexpected(expected, verdict, run)
    if wrong:
        return f"not as expected: {'; '.join(wrong)}"
    because = f": {expected.reason}" if expected.reason else ""
    return f"{expected.result} as expected{because}"


def _rode(run: Run) -> str | None:
    """Who rode, by name; None: the reference robot, as in all records that do not say."""
    robot = run.manifest.get("robot")
    if not isinstance(robot, Mapping) or robot.get("kind") == "reference":
        return None
    return str(robot.get("name", ""))
