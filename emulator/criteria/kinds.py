"""All criteria that scenarios can name: the classes of the modules listed here."""

from __future__ import annotations

from functools import reduce
from operator import or_
from typing import TYPE_CHECKING, Annotated

from pydantic import Field

from emulator.criteria import corner_entry, holds, laps, limits, position, responses, stop_distance
from emulator.criteria.base import REGISTRY, Criterion

_MODULES = (limits, position, laps, stop_distance, responses, corner_entry, holds)
"""A module with a criterion stands here; messages name the kinds in this order."""
KINDS: dict[str, type[Criterion]] = {
    kind: criterion
    for module in _MODULES
    for kind, criterion in REGISTRY.items()
    if criterion.__module__ == module.__name__
}
"""Classes by their kind."""

if TYPE_CHECKING:
    AnyCriterion = Criterion
else:
    AnyCriterion = Annotated[reduce(or_, KINDS.values()), Field(discriminator="kind")]
    """One of them, as a model's field takes it."""


def kind_of(name: str) -> type[Criterion] | None:
    """The class of a kind, also by a former name of it; None for what is no kind (any more)."""
    former = {old: criterion for criterion in KINDS.values() for old in criterion.former_kinds}
    return KINDS.get(name) or former.get(name)
