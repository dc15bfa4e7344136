"""What each key of a file is, in a sentence or two: unit, meaning, what leaving it out means.

The words stand where the key does: as the docstring below it in its class, or as its field's description if
a table of ours declares it (events, vehicle parameters). What can be derived is added here: the unit that the
key's suffix states, before the words; the default, behind them; of a ``kind`` what its class says it is.
"""

from __future__ import annotations

import ast
import inspect
import re
import sys
from collections.abc import Iterator
from functools import cache
from itertools import pairwise
from typing import Any

from pydantic import BaseModel

from emulator.config.another_way import figure
from emulator.config.validation import unit_of

LEFT_OUT = "Left out:"
"""How a key's words begin to say what leaving it out means."""

_PARTS = re.compile(r"(\[[^]]*\] )?(.*)")


def tell_keys(model: type[BaseModel], schema: dict[str, Any]) -> None:
    """Put into the JSON Schema of a model what each of its keys is."""
    docstrings = _docstrings(model)
    for key, value in schema.get("properties", {}).items():
        words = model.model_fields[key].description or docstrings.get(key, "")
        if key == "kind" and not words:
            words = schema.get("description", "").partition("\n\n")[0]
        if words:
            value["description"] = _text(words, unit_of(key), value.get("default"))


def _text(words: str, unit: str, default: Any) -> str:
    """Words as sentences, with unit and default; words that begin with a unit in brackets have theirs."""
    parts = _PARTS.fullmatch(" ".join(words.split()))
    assert parts is not None  # it takes any one line
    head, said = parts[1] or (f"[{unit}] " if unit else ""), parts[2]
    if not said.partition(" ")[0].endswith(":"):  # a value that is explained stands as it is written
        said = said[:1].upper() + said[1:]
    if not said.endswith("."):
        said += "."
    if default is not None and not isinstance(default, dict) and LEFT_OUT not in said:
        said += f" {LEFT_OUT} {_shown(default)}."
    return head + said


def _shown(default: Any) -> str:
    """A default as a file would have it."""
    if isinstance(default, list):
        return f"[{', '.join(map(_shown, default))}]" if default else "none"
    if isinstance(default, bool):
        return "true" if default else "false"
    return figure(default) if isinstance(default, int | float) else str(default)


@cache
def _docstrings(model: type[BaseModel]) -> dict[str, str]:
    """The docstrings of a model's keys, those of its bases among them.

    Read from its source, and only when somebody asks: pydantic's own ``use_attribute_docstrings`` would read
    all sources whenever the program starts, for half a second.
    """
    texts: dict[str, str] = {}
    for cls in reversed(model.__mro__):
        if issubclass(cls, BaseModel) and cls is not BaseModel:
            # a class that is not there was made from a table of ours, which has the words
            texts |= _docstrings_in(cls.__module__).get(cls.__qualname__, {})
    return texts


@cache
def _docstrings_in(module: str) -> dict[str, dict[str, str]]:
    """The docstrings of keys in a module's source, by class; its source is parsed once for all of them."""
    try:
        tree = ast.parse(inspect.getsource(sys.modules[module]))
    except (OSError, TypeError):
        return {}
    found: dict[str, dict[str, str]] = {}

    def look(node: ast.AST, above: str) -> None:
        for statement in ast.iter_child_nodes(node):
            if isinstance(statement, ast.ClassDef):
                name = above + statement.name
                found.setdefault(name, dict(_below_their_keys(statement)))
                look(statement, f"{name}.")
            elif isinstance(statement, ast.FunctionDef):
                look(statement, f"{above}{statement.name}.<locals>.")
            elif isinstance(statement, ast.stmt):
                look(statement, above)

    look(tree, "")
    return found


def _below_their_keys(body: ast.ClassDef) -> Iterator[tuple[str, str]]:
    """Each key of a class that has a docstring below it, and that."""
    for key, below in pairwise(body.body):
        if (
            isinstance(key, ast.AnnAssign)
            and isinstance(key.target, ast.Name)
            and isinstance(below, ast.Expr)
            and isinstance(below.value, ast.Constant)
        ):
            yield key.target.id, str(below.value.value)
