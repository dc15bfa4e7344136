"""All keys of a kind of file with what each is, for people: the words of the editor schema, a row a key."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from emulator.config.editor_schema import Kind, Schema, whole_schema

_KINDS = ("kind", "profile")
"""Keys by which a mapping of one kind is told from those of others that may stand in its place."""


def keys_of(kind: Kind) -> Iterator[tuple[str, str]]:
    """Paths to all keys of a kind of file, in its order, and what each is.

    ``[]`` stands for an item of a list, ``NAME`` for a name of the file's own, and a kind in parentheses for
    the mapping of that kind; where mappings without a kind have keys in common, the first key that each must
    have stands for it. What comes at several places (conditions, entries) is told at the first.
    """
    whole, models = whole_schema(kind)
    yield from _keys(whole, "", models, set())


def _keys(node: Schema, path: str, models: dict[str, Schema], seen: set[str]) -> Iterator[tuple[str, str]]:
    for key, value in node["properties"].items():
        here = f"{path}.{key}" if path else key
        yield here, value["description"]
        mappings = list(_mappings(value, here))
        for below, model in mappings:
            if model in seen or "properties" not in models[model]:
                continue
            seen.add(model)
            own = models[model]["properties"]
            kind = next((own[key]["const"] for key in _KINDS if "const" in own.get(key, {})), None)
            others = [models[m].get("properties", {}) for at, m in mappings if at == below and m != model]
            if kind is None and any(own.keys() & other.keys() for other in others):
                kind = models[model]["required"][0]
            yield from _keys(models[model], f"{below}({kind})" if kind else below, models, seen)


def _mappings(value: Any, path: str) -> Iterator[tuple[str, str]]:
    """The mappings that may stand behind a key: the path to each, and the name of its model."""
    if "$ref" in value:
        yield path, value["$ref"].removeprefix("#/$defs/")
    for way in ("anyOf", "oneOf"):
        for member in value.get(way, ()):
            yield from _mappings(member, path)
    if isinstance(value.get("items"), dict):
        yield from _mappings(value["items"], f"{path}[]")
    if isinstance(value.get("additionalProperties"), dict):
        yield from _mappings(value["additionalProperties"], f"{path}.NAME")
