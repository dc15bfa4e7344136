"""Conditions in temporal logic as a scenario file has them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated

from pydantic import Field, model_validator

from emulator.config.field_types import RecordedSignal
from emulator.config.scenario.quantities import FromTime
from emulator.config.validation import Closed, missing, wrong
from emulator.criteria.temporal import (
    Always,
    Compare,
    Either,
    Eventually,
    Every,
    Formula,
    Not,
    Until,
    implies,
)


class Condition(Closed):
    """Temporal logic over recorded signals (emulator.criteria.temporal), in one of these forms:

    signal with at_least or at_most; all_of; any_of; none_of; when with then; always; eventually; hold with
    until.
    """

    signal: RecordedSignal | None = None
    """The recorded signal that is compared with the bound beside it."""
    at_least: float | None = None
    """[unit of the signal] True where the signal is not below this."""
    at_most: float | None = None
    """[unit of the signal] True where the signal is not above this."""
    size: bool = False
    """Whether the signal's absolute value is compared."""
    all_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    """True where each of these conditions holds."""
    any_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    """True where at least one of these conditions holds."""
    none_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    """True where none of these conditions holds."""
    when: Condition | None = None
    """Where this condition holds, that of ``then`` has to hold, too."""
    then: Condition | None = None
    """What has to hold where ``when`` holds."""
    always: Condition | None = None
    """True where this condition holds at all times from ``from_s`` to ``to_s`` from now."""
    eventually: Condition | None = None
    """True where this condition holds at some time from ``from_s`` to ``to_s`` from now."""
    hold: Condition | None = None
    """This condition has to hold until that of ``until`` comes, but not any more when it does."""
    until: Condition | None = None
    """What has to come from ``from_s`` to ``to_s`` from now, with ``hold`` before it."""
    from_s: FromTime | None = None
    """Beginning of the window of always, eventually or until, counted from now. Left out: now."""
    to_s: FromTime | None = None
    """End of the window of always, eventually or until, counted from now. Left out: the record's end."""

    @model_validator(mode="after")
    def _one_thing(self) -> Condition:
        heads = ("signal", "all_of", "any_of", "none_of", "when", "always", "eventually", "hold")
        given = [key for key in heads if getattr(self, key) is not None]
        if len(given) != 1:
            words = f"got {' and '.join(given)}" if given else "got none of them"
            raise wrong(f"expected one of {', '.join(heads)}, {words}")
        own = {
            "signal": ("at_least", "at_most", "size"),
            "when": ("then",),
            "always": ("from_s", "to_s"),
            "eventually": ("from_s", "to_s"),
            "hold": ("until", "from_s", "to_s"),
        }.get(given[0], ())
        for key in sorted(self.model_fields_set - {given[0], *own}):
            raise wrong(f"expected no such key beside {given[0]}", key)
        if given[0] == "signal" and (self.at_least is None) == (self.at_most is None):
            raise wrong("expected at_least or at_most beside signal, one of both")
        for head, partner in (("when", "then"), ("hold", "until")):
            if given[0] == head and getattr(self, partner) is None:
                raise missing(f"{partner!r} beside {head}")
        if self.to_s is not None and self.to_s < (self.from_s or 0.0):
            raise wrong(f"expected no less than from_s ({self.from_s:g}), got {self.to_s:g}", "to_s")
        return self

    def signals(self) -> Iterator[str]:
        """Names of all signals it looks at."""
        if self.signal is not None:
            yield self.signal
        parts = [self.when, self.then, self.always, self.eventually, self.hold, self.until]
        for several in (self.all_of, self.any_of, self.none_of):
            parts += several or ()
        for part in parts:
            if part is not None:
                yield from part.signals()

    def formula(self) -> Formula:
        """It as temporal logic."""
        if self.signal is not None:
            if self.at_least is not None:
                return Compare(self.signal, "at_least", self.at_least, self.size)
            assert self.at_most is not None  # one of both is given: the schema's rule, as below
            return Compare(self.signal, "at_most", self.at_most, self.size)
        for parts, all_of in ((self.all_of, True), (self.any_of, False), (self.none_of, False)):
            if parts is not None:
                of = tuple(part.formula() for part in parts)
                whole = Every(of) if all_of else Either(of)
                return Not(whole) if parts is self.none_of else whole
        if self.when is not None:
            assert self.then is not None
            return implies(self.when.formula(), self.then.formula())
        window = (self.from_s or 0.0, math.inf if self.to_s is None else self.to_s)
        if self.always is not None:
            return Always(self.always.formula(), *window)
        if self.eventually is not None:
            return Eventually(self.eventually.formula(), *window)
        assert self.hold is not None
        assert self.until is not None
        return Until(self.hold.formula(), self.until.formula(), *window)


def with_unit(value: float, unit: str) -> str:
    """A value in its signal's own unit, as the scenario file has it."""
    return f"{value:.4g}" if unit == "1" else f"{value:.4g} {unit}"
