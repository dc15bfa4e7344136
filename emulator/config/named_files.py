"""Where a file of some kind names other files: by its model, so that a new key is not forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, get_args, get_origin

from emulator.config.field_types import FileName
from emulator.config.validation import UNIONS, Closed, discriminator_of, members_of, unwrapped
from emulator.config.yaml_source import Loc

_MARKS = get_args(FileName)[1:]


def named_files(data: Any, model: type[Closed]) -> Iterator[Loc]:
    """Places of the names of files in the values of a file, or of a piece of one."""
    return _within(data, model, (), ())


def _within(value: Any, annotation: Any, metadata: tuple[Any, ...], loc: Loc) -> Iterator[Loc]:
    inner, metadata = unwrapped(annotation, metadata)
    origin, arguments = get_origin(inner), get_args(inner)
    if isinstance(value, str):
        if _is_file_name(metadata):
            yield loc
    elif isinstance(value, list) and origin is tuple:
        for i, item in enumerate(value):
            yield from _within(item, arguments[0], (), (*loc, i))
    elif not isinstance(value, dict):
        return
    elif origin is dict:
        for key, item in value.items():
            yield from _within(item, arguments[1], (), (*loc, key))
    elif origin in UNIONS:
        for member in _fitting(value, inner, metadata):
            yield from _within(value, member, (), loc)
    elif isinstance(inner, type) and issubclass(inner, Closed):
        for key, item in value.items():
            if (field := inner.model_fields.get(key)) is not None:
                yield from _within(item, field.annotation, (*field.metadata, field), (*loc, key))


def _is_file_name(metadata: tuple[Any, ...]) -> bool:
    """Whether a text is the name of a file: it has what makes ``FileName`` one."""
    return all(mark in metadata for mark in _MARKS)


def _fitting(value: dict[str, Any], union: Any, metadata: tuple[Any, ...]) -> list[Any]:
    """Members of a union that a mapping may be of; a piece need not say its kind, so it may be any then."""
    key = discriminator_of(metadata)
    members = members_of(union, key)
    if isinstance(key, str) and key in value:
        return [members[value[key]]] if value[key] in members else []
    known = [member for member in members.values() if set(value) <= set(getattr(member, "model_fields", ()))]
    return known[:1]
