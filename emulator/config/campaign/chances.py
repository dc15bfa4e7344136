"""How likely values are, and how long a probability is looked for."""

from __future__ import annotations

from typing import Annotated, Literal, TypeAlias

from pydantic import Field, model_validator

from emulator.config.campaign.varied import Adjusted
from emulator.config.validation import Closed, Words, wrong

MOST_RIDES = 1_000_000
"""Rides that one question may take."""

Range: TypeAlias = Annotated[tuple[float, float], Words("a list of 2 numbers, the least and the most")]


class Normal(Closed):
    """Normally distributed, cut at the ends of ``within`` if that is given."""

    kind: Literal["normal"]
    mean: float
    """Mean, before anything is cut."""
    sigma: float = Field(gt=0)
    """Standard deviation, before anything is cut."""
    within: Range | None = None
    """The least and the most it can be. Left out: any number."""

    @model_validator(mode="after")
    def _something_within(self) -> Normal:
        if self.within is not None:
            _rising(self.within, "within")
        return self


class Uniform(Closed):
    """Any number between two, one as likely as the other."""

    kind: Literal["uniform"]
    between: Range
    """The least and the most it can be."""

    @model_validator(mode="after")
    def _something_between(self) -> Uniform:
        _rising(self.between, "between")
        return self


class LogNormal(Closed):
    """Above zero, its logarithm normally distributed."""

    kind: Literal["log_normal"]
    median: float = Field(gt=0)
    """Half of all values are below it."""
    sigma_of_log: float = Field(gt=0, le=5)
    """[1] Standard deviation of the natural logarithm; 0.1 is about a tenth of the value."""


Distribution: TypeAlias = Annotated[Normal | Uniform | LogNormal, Field(discriminator="kind")]


def _rising(ends: tuple[float, float], key: str) -> None:
    if ends[1] <= ends[0]:
        raise wrong(f"expected the least first and then more, got {ends[0]:g} and {ends[1]:g}", key)


class Drawn(Adjusted):
    """A value that is drawn anew for every ride."""

    drawn: Distribution
    """The distribution it is drawn from, independently of all others."""


class FixedNumber(Closed):
    """So many rides, and an exact interval."""

    kind: Literal["fixed"]
    rides: int = Field(ge=1, le=MOST_RIDES)
    """How many rides, whatever they come to."""


class UntilKnown(Closed):
    """Ride after ride until enough is known, by an interval that holds at any time."""

    kind: Literal["until_known"]
    proven_below: float | None = Field(default=None, gt=0, lt=1)
    """[1] It ends once the probability is proven to be below this, or above. Left out: no such end."""
    quotient: float | None = Field(default=None, gt=1, le=1000)
    """[1] It ends once the upper bound is at most so many times the lower. Left out: no such end."""
    most: int = Field(ge=1, le=MOST_RIDES)
    """How many rides at most."""

    @model_validator(mode="after")
    def _has_an_end(self) -> UntilKnown:
        if self.proven_below is None and self.quotient is None:
            raise wrong("expected proven_below, quotient or both: when is enough known?")
        return self


class RareFailure(Closed):
    """For rare ones: comes closer to the limit level by level, then draws where failures were found."""

    kind: Literal["rare"]
    population: int = Field(default=600, ge=50, le=100_000)
    """Rides of the first stage, which looks everywhere, and of each level."""
    final: int = Field(default=1500, ge=50, le=MOST_RIDES)
    """Rides of the last stage, which the estimate rests on."""


Method: TypeAlias = Annotated[FixedNumber | UntilKnown | RareFailure, Field(discriminator="kind")]
