"""What a plan's questions found of one version of a robot's software, with what an answer does not say.

A question has no column for who answered it: its rides say so. A ride serves several questions and names the
first that asked; an answer all of whose rides were ridden for others is taken as of those who rode any.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.page.night import Night
from emulator.campaign.store.answers import Answer

ALL_LEAVE_OUT = "All are of the virtual bike, with the rig, the model and the scenario that were ridden."
_LEAVES_OUT = {
    "edge": "other seeds than its one; sizes that no ride had; other disturbances beside it",
    "margins": "other speeds and seeds than its own; several things late or weak at once",
    "failure": "whatever the question does not vary; that none is found proves nothing",
    "probability": "other distributions than the plan states; failures that no ride came near",
}
_OVER_SEEDS = "other things than size and seed; sizes that no ride had"
_ONE_OF_MANY = "whether there are likelier or worse ones; whatever the question does not vary"


@dataclass(frozen=True)
class AskedOfRobot:
    """An answer to a question of a campaign's plan.

    answer   as the store has it
    robots   versions that rode for it; ``rigs`` and ``models`` likewise
    leaves_out  what it does not say, in words
    """

    campaign: str
    answer: Answer
    robots: tuple[str, ...]
    rigs: tuple[str, ...]
    models: tuple[str, ...]
    leaves_out: str


def asked_of_robot(nights: Sequence[Night], robot_version: str) -> tuple[AskedOfRobot, ...]:
    """Answers that rest on rides of that version, in the order of the nights and of their plans."""
    found = []
    for night in nights:
        for answer in night.answers:
            own = [row for row in night.searched if row.factors.get("question") == answer.question]
            rode = [row for row in own or night.searched if row.expected]
            robots = tuple(sorted({row.robot_version for row in rode}))
            if robot_version in robots:
                rigs = tuple(sorted({row.rig for row in rode}))
                models = tuple(sorted({row.model for row in rode}))
                found.append(AskedOfRobot(night.name, answer, robots, rigs, models, leaves_out(answer)))
    return tuple(found)


def leaves_out(answer: Answer) -> str:
    """What an answer does not say."""
    if answer.kind == "edge" and answer.half_lost is not None:
        return _OVER_SEEDS
    if answer.kind == "failure" and answer.case_id is not None:
        return _ONE_OF_MANY
    return _LEAVES_OUT.get(answer.kind, "whatever it was not asked")


def interval(answer: Answer) -> str:
    """What an answer is certain to, as people read it; empty where it has no bounds."""
    if answer.low is not None and answer.high is not None:
        return f"{answer.low:.3g} to {answer.high:.3g}{_at(answer)}"
    if answer.half_lost is not None:
        low, high = ("open" if end is None else f"{end:.4g}" for end in (answer.half_low, answer.half_high))
        return f"half lost at {answer.half_lost:.4g} {answer.unit} ({low} to {high}{_at(answer)})"
    if answer.survived is not None and answer.lost is not None:
        return f"between {answer.survived:.4g} and {answer.lost:.4g} {answer.unit}".strip()
    return ""


def _at(answer: Answer) -> str:
    return "" if answer.confidence is None else f" at {100.0 * answer.confidence:g} %"
