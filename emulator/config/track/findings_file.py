"""The register of findings: what was cut from which log, where its scenario is, and what became of it."""

from __future__ import annotations

import os
from datetime import date
from typing import Annotated, Literal, TypeAlias

from pydantic import AfterValidator, Field, model_validator

from emulator.config.based_on import load_with_bases
from emulator.config.field_types import FileName, Name
from emulator.config.validation import Closed, Words, validate, wrong
from emulator.config.yaml_source import Source

_DIGITS = set("0123456789abcdef")
What: TypeAlias = Literal["slide", "braking_slide", "steering_moved", "lost_fix"]
Number: TypeAlias = Annotated[float, Field(allow_inf_nan=False)]


def _hash(text: str) -> str:
    if len(text) != 64 or not set(text) <= _DIGITS:
        raise wrong("expected a SHA-256 in 64 hexadecimal digits")
    return text


def _day(text: str) -> str:
    try:
        date.fromisoformat(text)
    except ValueError:
        raise wrong("expected a day such as '2027-05-04', in quotes") from None
    return text


Hash: TypeAlias = Annotated[str, AfterValidator(_hash), Words("a SHA-256 in hexadecimal digits")]
Day: TypeAlias = Annotated[str, AfterValidator(_day), Words("a day such as '2027-05-04', in quotes")]


class CutFrom(Closed):
    """Where a finding came from."""

    record: Name
    """Run folder it was cut from, as it was named."""
    logs: dict[Name, Hash]
    """SHA-256 of each log of that record, by name; of a record that is none of logs its signals'."""
    at_s: Number
    """Instant in that record."""


class Entry(Closed):
    """One finding."""

    name: Name
    """A name no other finding has; its files are called so."""
    what: What
    """What happened."""
    seen: Name
    """What was seen, in one line."""
    scenario: FileName
    """Its scenario, path from this file."""
    cut_from: CutFrom
    """Where it came from."""
    cut: Day
    """Day it was cut on."""
    state: Literal["open", "explained", "mended"] = "open"
    """What became of it: yours to change."""
    remark: Name | None = None
    """Anything else, in a line. Left out: nothing."""


class Findings(Closed):
    """A register of findings."""

    kind: Literal["findings"]
    findings: tuple[Entry, ...] = ()
    """In the order they were cut."""

    @model_validator(mode="after")
    def _own_names(self) -> Findings:
        names = [entry.name for entry in self.findings]
        for k, name in enumerate(names):
            if name in names[:k]:
                raise wrong(
                    f"expected another name: finding {names.index(name)} has it", "findings", k, "name"
                )
        return self


def load_findings(path: str | os.PathLike[str]) -> tuple[Findings, Source]:
    """Read a register. Raises ConfigError with every problem in it."""
    source = load_with_bases(path, Findings)
    return validate(Findings, source), source
