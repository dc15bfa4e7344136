"""What files of every kind are made of: names, paths, points, times, with their bounds.

Bounds are what the program can work with or what no bench has; they are common practice, no source.
"""

from __future__ import annotations

import difflib
from typing import Annotated, TypeAlias

from pydantic import AfterValidator, Field

from emulator.config.validation import FormerValues, Words, wrong
from emulator.config.yaml_source import leads_astray
from emulator.core.signals import FORMER_SIGNALS, INDEX


def _not_blank(text: str) -> str:
    if not text.strip():
        raise wrong("expected some text, got nothing but space")
    return text


def _one_line(text: str) -> str:
    if "\n" in text.strip():
        raise wrong("expected one line of text, got several")
    return _not_blank(text).strip()


def _file_name(text: str) -> str:
    if "\0" in text or not text.strip():
        raise wrong("expected the path of a file, relative to this file")
    if problem := leads_astray(text):
        raise wrong(problem)
    return text


def _signal(text: str) -> str:
    if text not in INDEX:
        near = difflib.get_close_matches(text, INDEX, 1)
        hint = f"; {near[0]}?" if near else ""
        if text.partition(".")[0] == "notes":
            hint = "; what a robot notes is recorded beside them (emulator list signals tells the names)"
        raise wrong(f"expected the name of a recorded signal{hint}")
    return text


RecordedSignal: TypeAlias = Annotated[str, AfterValidator(_signal), FormerValues(FORMER_SIGNALS)]
"""A column of the record, see emulator.core.signals."""
Name: TypeAlias = Annotated[str, AfterValidator(_one_line)]
"""One line of text."""
FileName: TypeAlias = Annotated[
    str, AfterValidator(_file_name), Words("the path of a file, relative to this one")
]
"""A path relative to the folder of the file it stands in."""
Vector: TypeAlias = tuple[float, float, float]
"""[x, y, z] along the axes of the main frame: x forward, y left, z up."""
Coordinate: TypeAlias = Annotated[float, Field(ge=-10, le=10)]
Position: TypeAlias = tuple[Coordinate, Coordinate, Coordinate]
"""A point of the main frame: forward of the rear contact, left, above the ground."""
Angle: TypeAlias = Annotated[float, Field(ge=-180, le=180)]
Seconds: TypeAlias = Annotated[float, Field(gt=0, le=600)]
Port: TypeAlias = Annotated[int, Field(ge=1, le=65535)]
TimeConstant: TypeAlias = Annotated[float, Field(ge=0, le=2000)]
Noise: TypeAlias = Annotated[float, Field(ge=0, le=1000)]
