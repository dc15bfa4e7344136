"""What every ride of a plan is said by: who rides, and with which seed."""

from __future__ import annotations

from typing import Annotated, TypeAlias

from pydantic import AfterValidator, Field

from emulator.config.validation import Words, wrong
from emulator.config.yaml_source import leads_astray

OF_THE_RIG = "of_the_rig"
"""In the place of a robot: whoever the rig names for the virtual stage."""


def _robot(text: str) -> str:
    if text == OF_THE_RIG:
        return text
    file, colon, name = text.rpartition(":")
    if not (colon and file.strip() and name.isidentifier()):
        raise wrong(
            f"expected FILE:CLASS, a Python file and the name of a class in it, or {OF_THE_RIG}, got {text!r}"
        )
    if problem := leads_astray(file):
        raise wrong(problem)
    return text


RobotName: TypeAlias = Annotated[
    str, AfterValidator(_robot), Words("FILE:CLASS, a Python file and the name of a class in it")
]
Seed: TypeAlias = Annotated[int, Field(ge=0, le=2**32 - 1)]
