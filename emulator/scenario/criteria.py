"""What a ride has to show: the criteria of a scenario file."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.rig_file import Name, RecordedSignal
from emulator.config.validation import Closed, wrong
from emulator.scenario.quantities import FromTime


class NoFall(Closed):
    """The bike stays up."""

    kind: Literal["no_fall"]
    name: Name | None = None


class DistanceFromLine(Closed):
    """The bike stays near the line, from ``from_s`` after the support's release."""

    kind: Literal["distance_from_line"]
    name: Name | None = None
    limit_m: float = Field(gt=0, le=50)
    from_s: FromTime = 0.0


class SpeedError(Closed):
    """Speed stays near the target speed, from ``from_s`` after the support's release."""

    kind: Literal["speed_error"]
    name: Name | None = None
    limit_km_h: float = Field(gt=0, le=300)
    from_s: FromTime = 0.0


class Condition(Closed):
    """Temporal logic over recorded signals (emulator.campaign.temporal): one of

    signal with at_least or at_most (``size``: of its size); all_of, any_of, none_of a list; when with then;
    always, eventually within from_s to to_s from now, without to_s to the end; hold until something comes.
    """

    signal: RecordedSignal | None = None
    at_least: float | None = None
    at_most: float | None = None
    size: bool = False
    all_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    any_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    none_of: Annotated[tuple[Condition, ...], Field(min_length=1)] | None = None
    when: Condition | None = None
    then: Condition | None = None
    always: Condition | None = None
    eventually: Condition | None = None
    hold: Condition | None = None
    until: Condition | None = None
    from_s: FromTime | None = None
    to_s: FromTime | None = None

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
                raise wrong(f"missing key {partner!r} beside {head}")
        if self.to_s is not None and self.to_s < (self.from_s or 0.0):
            raise wrong(f"expected no less than from_s ({self.from_s:g}), got {self.to_s:g}", "to_s")
        return self


class Holds(Closed):
    """A condition holds, seen from ``from_s`` after the support's release on, while the ride runs."""

    kind: Literal["holds"]
    name: Name
    that: Condition
    from_s: FromTime = 0.0


Criterion: TypeAlias = Annotated[NoFall | DistanceFromLine | SpeedError | Holds, Field(discriminator="kind")]
