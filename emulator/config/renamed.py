"""Keys, kinds and values with a new name: the former one works for one version, with a warning.

A model says itself what its keys and its kind were called (``Closed.former_keys``, ``Closed.former_kinds``),
a field what its values were (``FormerValues``). A file is given its present names before bases are merged and
anything is validated, so nothing behind this module knows a former one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from typing import Any, get_args, get_origin

from emulator.config.validation import UNIONS, Closed, discriminator_of, former_values, members_of, unwrapped
from emulator.config.yaml_source import Loc, Mark, Source
from emulator.core.errors import Problem


def with_present_names(source: Source, model: type[Closed]) -> Source:
    """The source of a file of that model, or of a piece of one, in present names; a warning for each former.

    Where a former name stands beside the present one that is noted as a problem, and the present one counts.
    """
    if not _has_former_names(model):
        return source
    renaming = _Renaming(source)
    data = renaming.value(source.data, model, (), ())
    if not (renaming.warnings or renaming.problems):
        return source
    return replace(
        source,
        data=data,
        marks=renaming.moved(source.marks),
        keys=renaming.moved(source.keys),
        noted=(*source.noted, *renaming.problems),
        warnings=(*source.warnings, *renaming.warnings),
    )


@cache
def _has_former_names(model: type[Closed]) -> bool:
    return _reaches_former_names(model)


@cache
def fields_with_former_names(model: type[Closed]) -> frozenset[str]:
    """Fields with something in or below them that was called otherwise: most files have few or none."""
    return frozenset(
        name
        for name, field in model.model_fields.items()
        if _reaches_former_names(field.annotation, (field,))
    )


def _reaches_former_names(annotation: Any, metadata: tuple[Any, ...] = ()) -> bool:
    ahead, seen = [(annotation, metadata)], set()
    while ahead:
        inner, metadata = unwrapped(*ahead.pop())
        if former_values(metadata):
            return True
        ahead += [(argument, ()) for argument in get_args(inner)]
        if isinstance(inner, type) and issubclass(inner, Closed) and inner not in seen:
            seen.add(inner)
            if inner.former_keys or inner.former_kinds:
                return True
            ahead += [(field.annotation, (field,)) for field in inner.model_fields.values()]
    return False


class _Renaming:
    """Walks values along their model and gives keys and kinds their present names."""

    def __init__(self, source: Source) -> None:
        self.source = source
        self.now: dict[Loc, str] = {}  # present name by the place of a former one; empty: left out
        self.problems: list[Problem] = []
        self.warnings: list[Problem] = []

    def value(self, value: Any, annotation: Any, loc: Loc, metadata: tuple[Any, ...]) -> Any:
        """The value in present names; ``loc`` is its place in the file, in the file's names."""
        inner, metadata = unwrapped(annotation, metadata)
        origin, arguments = get_origin(inner), get_args(inner)
        if isinstance(value, list) and origin is tuple:
            return [self.value(item, arguments[0], (*loc, i), ()) for i, item in enumerate(value)]
        if isinstance(value, str):
            present = former_values(metadata).get(value, value)
            if present != value:
                self._warn(loc, value, present, at_key=False)
            return present
        if not isinstance(value, dict):
            return value
        if origin is dict:
            return {key: self.value(item, arguments[1], (*loc, key), ()) for key, item in value.items()}
        if origin in UNIONS:
            return self._one_of(value, inner, loc, metadata)
        if isinstance(inner, type) and issubclass(inner, Closed):
            return self._mapping(value, inner, loc)
        return value

    def _one_of(self, value: dict[str, Any], union: Any, loc: Loc, metadata: tuple[Any, ...]) -> Any:
        key = discriminator_of(metadata)
        members = members_of(union, key)
        if isinstance(key, str):
            given = value.get(key)
            for present, member in members.items():
                if given in getattr(member, "former_kinds", ()):
                    self._warn((*loc, key), str(given), present, at_key=False)
                    return self._mapping({**value, key: present}, member, loc)
            member = members.get(str(given), None if key in value else _fitting(value, members))
        else:
            member = None if key is None else members.get(str(key.discriminator(value)))  # type: ignore[operator]
        return value if member is None else self.value(value, member, loc, ())

    def _mapping(self, value: dict[str, Any], model: type[Closed], loc: Loc) -> dict[str, Any]:
        present: dict[str, Any] = {}
        for key, item in value.items():
            here: Loc = (*loc, key)
            name = model.former_keys.get(key, key)
            if name != key:
                if name in value:
                    text = f"is called {name!r} now, which stands here too; remove {key!r}"
                    self.problems.append(self.source.problem(here, text, at_key=True))
                    self.now[here] = ""
                    continue
                self._warn(here, key, name, at_key=True)
                self.now[here] = name
            if name in fields_with_former_names(model):
                field = model.model_fields[name]
                item = self.value(item, field.annotation, here, (field,))  # noqa: PLW2901
            present[name] = item
        return present

    def _warn(self, loc: Loc, former: str, present: str, *, at_key: bool) -> None:
        text = f"{former!r} is called {present!r} now; the former name works in this version and no further"
        self.warnings.append(self.source.problem(loc, text, at_key=at_key))

    def moved(self, marks: Mapping[Loc, Mark]) -> dict[Loc, Mark]:
        """Marks by the present path; what was left out has none."""
        moved: dict[Loc, Mark] = {}
        for loc, mark in marks.items():
            to: Loc = loc
            for n in range(1, len(loc) + 1):
                if loc[:n] in self.now:
                    name = self.now[loc[:n]]
                    if not name:
                        break
                    to = (*to[: n - 1], name, *loc[n:])
            else:
                moved[to] = mark
        return moved


def _fitting(value: dict[str, Any], members: Mapping[str, Any]) -> Any:
    """The first member that knows all keys: a piece of a file need not say its kind."""
    for member in members.values():
        if set(value) <= {*member.model_fields, *member.former_keys}:
            return member
    return None
