"""The names that files can use, each with what it means: signals, outputs, criteria, kinds of events.

Everything is read from where it is declared; nothing is written down twice.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from emulator.config.editor_schema import KINDS as FILES
from emulator.config.editor_schema import Kind
from emulator.config.key_list import keys_of
from emulator.core.signals import OUTPUTS, SIGNALS
from emulator.criteria.kinds import KINDS as CRITERIA
from emulator.events.declaration import Effect, Key
from emulator.events.table import KINDS as EVENTS


class Names(NamedTuple):
    """A table: its title, its columns, a row a name. The first column is the name."""

    title: str
    heads: tuple[str, ...]
    rows: Sequence[tuple[str, ...]]

    def as_objects(self) -> list[dict[str, str]]:
        """The rows by their columns' names."""
        return [dict(zip(self.heads, row, strict=True)) for row in self.rows]


def signals() -> Names:
    """Columns of a record, as conditions, figures and `holds` name them."""
    return Names(
        "Recorded signals", ("name", "unit", "meaning"), [(s.name, s.unit, s.meaning) for s in SIGNALS]
    )


def outputs() -> Names:
    """Values that frames of the DBC or the GNSS port can carry."""
    rows = [(o.name, o.unit, o.meaning, o.source) for o in OUTPUTS]
    return Names("Output values", ("name", "unit", "meaning", "measured by"), rows)


def criteria() -> Names:
    """Kinds of criteria with their keys."""
    rows = []
    for kind, model in CRITERIA.items():
        keys = [
            f"{name} ({_plain(field.default)})" if not field.is_required() and _plain(field.default) else name
            for name, field in model.model_fields.items()
            if name not in ("kind", "name")
        ]
        rows.append((kind, _first_sentence(inspect.getdoc(model) or ""), ", ".join(keys)))
    return Names("Kinds of criteria", ("kind", "asks", "keys (default)"), rows)


def faults() -> Names:
    """Kinds of events, a row an effect where they have several, with the keys that go with it."""
    rows = []
    for kind in EVENTS:
        if not kind.effects:
            rows.append((kind.name, "", _first_sentence(kind.text), _keys(kind.keys)))
        for effect in kind.effects:
            keys = [
                key
                for key in kind.keys
                if key.name != "effect" and (_of(effect, key) or not any(_of(e, key) for e in kind.effects))
            ]
            rows.append((kind.name, effect.name, _first_sentence(effect.text), _keys(keys)))
    return Names("Kinds of events", ("kind", "effect", "does", "keys"), rows)


def file_keys(kind: Kind) -> Names:
    """All keys of a kind of file; see emulator.config.key_list for how a path is written."""
    return Names(
        f"Keys of {'an' if kind[0] in 'aeiou' else 'a'} {kind} file", ("key", "meaning"), list(keys_of(kind))
    )


TABLES: Mapping[str, Callable[[], Names]] = {
    "signals": signals,
    "outputs": outputs,
    "criteria": criteria,
    "faults": faults,
    **{kind: partial(file_keys, kind) for kind in FILES},
}


def _of(effect: Effect, key: Key) -> bool:
    return key.name in effect.needs or key.name in effect.takes


def _keys(keys: Sequence[Key]) -> str:
    return ", ".join(key.name for key in keys)


def _plain(value: object) -> str:
    """A default as a file would say it; empty where there is nothing to say."""
    return f"{value:g}" if isinstance(value, float) else value if isinstance(value, str) else ""


def _first_sentence(text: str) -> str:
    words = " ".join(text.split())
    end = words.find(". ")
    return (words if end < 0 else words[:end]).rstrip(".")
