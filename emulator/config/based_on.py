"""A file that is based on another one: ``based_on: other.yaml`` at its top, relative to the file itself.

The base is read first, then what this file says goes over it:

- mappings merge key by key, at any depth; where both give a ``kind`` and it is another one, this file's
  mapping stands alone
- a key with nothing after its colon (or ``null``) takes the base's key away
- a list takes the place of the base's list
- but ``events``, ``criteria``, ``surface.patches`` and ``surface.bumps`` hold things that go by their name
  (by their kind if they have none): an item takes the place of the base's item of that name, other items
  are added behind, and ``{name: ..., remove: true}`` takes one away

A base may itself be based on another file. Nothing but the whole has to be valid, so a base may be a piece.

Values that stand in no file of their kind, as those a campaign's plan varies, go over a file by the same
rules: :func:`put_over`. Functions that read a file of some kind take such a whole in the file's place.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from typing import Any, TypeAlias

from emulator.config.renamed import with_present_names
from emulator.config.validation import Closed, did_you_mean
from emulator.config.yaml_source import Loc, Mark, Source, beside, leads_astray, load, show
from emulator.core.errors import ConfigError, Problem

KEY = "based_on"
"""The key at the top of a file."""
MOST_BASES = 8
"""Files that one may be based on, one on the other."""
_MOST_HINTS = 20  # each looks at all names of the base
File: TypeAlias = str | os.PathLike[str] | Source
"""A file by its path, or as it was read already."""
NAMED_LISTS: frozenset[Loc] = frozenset(
    {("events",), ("criteria",), ("surface", "patches"), ("surface", "bumps")}
)
"""Lists whose items go by name, or by kind if they have none."""


def load_with_bases(path: str | os.PathLike[str], model: type[Closed] | None = None) -> Source:
    """Read a file and what it is based on as one source; every value keeps its own file, line and column.

    model  of the whole; with it former names become present ones (emulator.config.renamed), in every file
           before it is merged
    Raises ConfigError: a file that can't be read, a base that is none, a misspelt key for it, bases that go
    round in a circle or more than ``MOST_BASES`` deep, two kinds of file, an item to remove that is not
    there.
    """
    return _load(os.fspath(path), (), model)


def source_of(file: File, model: type[Closed] | None = None) -> Source:
    """A file with what it is based on, read unless it was. Raises ConfigError."""
    return file if isinstance(file, Source) else load_with_bases(file, model)


def put_over(base: Source, over: Source, model: type[Closed] | None = None) -> Source:
    """The source of a file with other values put over it, as a file based on it would.

    over   the values, with the file and the places they stand at
    model  of the whole; with it former names become present ones

    The whole goes by the base's path, and what stands in ``base`` keeps its place. Raises ConfigError as
    :func:`load_with_bases` does.
    """
    if model is not None:
        over = with_present_names(over, model)
    merging = _Merging(base, over, base.path)
    data = merging.mapping((), base.data, over.data)
    if merging.problems:
        raise ConfigError(merging.problems)
    return replace(
        base,
        data=data,
        marks={**base.marks, **merging.marks},
        keys={**base.keys, **merging.keys},
        places=merging.places,
        noted=(*base.noted, *over.noted),
        warnings=(*base.warnings, *over.warnings),
        put_over=True,
    )


def kind_of(path: str | os.PathLike[str]) -> str:
    """What a file says it is; nothing if it does not or can't be read."""
    try:
        kind = load_with_bases(path).data.get("kind")
    except ConfigError:
        return ""
    return kind if isinstance(kind, str) else ""


def _load(path: str, above: tuple[str, ...], model: type[Closed] | None) -> Source:
    own = load(path)
    if model is not None:
        own = with_present_names(own, model)
    if KEY not in own.data:
        for meant in difflib.get_close_matches(KEY, own.data, n=1, cutoff=0.8):
            # told alone: without its base nearly every key would be missing
            text = f"unknown key, did you mean {KEY!r}?"
            raise ConfigError([own.problem((meant,), text, at_key=True)])
        return own
    given = own.data[KEY]
    if not isinstance(given, str) or not given.strip():
        raise ConfigError([own.problem((KEY,), f"expected the name of a file, got {show(given)}")])
    if problem := leads_astray(given):
        raise ConfigError([own.problem((KEY,), problem)])
    file = beside(path, given)
    chain = (*above, path)
    if os.path.realpath(file) in [os.path.realpath(other) for other in chain]:
        circle = " -> ".join([*chain, file])
        raise ConfigError([own.problem((KEY,), f"files based on each other in a circle: {circle}")])
    if len(chain) > MOST_BASES:
        raise ConfigError(
            [own.problem((KEY,), f"expected at most {MOST_BASES} files based one on the other")]
        )
    if not os.path.exists(file):
        text = f"no such file: {file} (paths are relative to this file)"
        raise ConfigError([own.problem((KEY,), text)])
    base = _load(file, chain, model)
    kinds = [source.data.get("kind") for source in (base, own)]
    if None not in kinds and kinds[0] != kinds[1]:
        text = f"expected a file of the same kind ({show(kinds[1])}), {file} is {show(kinds[0])}"
        raise ConfigError([own.problem((KEY,), text)])
    merging = _Merging(base, own, own.path)
    data = merging.mapping((), base.data, {k: v for k, v in own.data.items() if k != KEY})
    if merging.problems:
        raise ConfigError(merging.problems)
    return replace(
        own,
        data=data,
        marks=merging.marks,
        keys=merging.keys,
        places=merging.places,
        noted=(*own.noted, *base.noted),
        warnings=(*own.warnings, *base.warnings),
        bases=(file, *base.bases),
    )


class _Merging:
    """Builds the merged values and where each of them stands.

    path  of the whole
    """

    def __init__(self, base: Source, own: Source, path: str) -> None:
        self.base, self.own, self.path = base, own, path
        self.marks: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}
        self.places: dict[Loc, str] = {}
        self.problems: list[Problem] = []

    def mapping(self, loc: Loc, base: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
        self._head(loc)
        merged: dict[str, Any] = {}
        for key in [*base, *(key for key in own if key not in base)]:
            here: Loc = (*loc, key)
            if key not in own:
                merged[key] = self._take(self.base, here, here, base[key])
                continue
            value, before = own[key], base.get(key)
            if value is None and key in base:
                continue
            if isinstance(value, dict) and isinstance(before, dict) and _one_kind(before, value):
                merged[key] = self.mapping(here, before, value)
            elif here in NAMED_LISTS and isinstance(value, list) and isinstance(before, list):
                merged[key] = self._items(here, before, value)
            else:
                merged[key] = self._take(self.own, here, here, value)
        return merged

    def _items(self, loc: Loc, base: list[Any], own: list[Any]) -> list[Any]:
        """Items by name: replaced where they stood, removed, or added behind."""
        self._head(loc)
        known = [_known_by(item) for item in base]
        from_: list[tuple[Source, int] | None] = [(self.base, i) for i in range(len(base))]
        taken: set[int] = set()
        for i, item in enumerate(own):
            name = _known_by(item)
            same = [k for k, other in enumerate(known) if name is not None and other == name]
            remove = isinstance(item, dict) and item.get("remove") is True
            if len(same) > 1:
                text = f"{len(same)} items of the base go by {_shown(name)}; give them names there"
                self.problems.append(self.own.problem((*loc, i), text))
            elif remove and not same:
                names = [text for text in (_text(k) for k in known) if text]
                text = f"nothing in the base goes by {_shown(name)}, so nothing to remove"
                if len(self.problems) < _MOST_HINTS:
                    text += did_you_mean(_text(name), names)
                self.problems.append(self.own.problem((*loc, i), text))
            elif remove and set(item) - {"name", "kind", "remove"}:
                text = "expected nothing but name or kind beside remove"
                self.problems.append(self.own.problem((*loc, i), text))
            elif same and same[0] not in taken:
                taken.add(same[0])
                from_[same[0]] = None if remove else (self.own, i)
            else:
                from_.append((self.own, i))
        merged: list[Any] = []
        for source, i in (pair for pair in from_ if pair is not None):
            there: Loc = (*loc, i)
            item = own[i] if source is self.own else base[i]
            merged.append(self._take(source, there, (*loc, len(merged)), item))
        return merged

    def _head(self, loc: Loc) -> None:
        """The place of a merged mapping or list is that of the file the whole goes by."""
        source = self.own if self.own.path == self.path else self.base
        self._mark(source, loc, loc)

    def _take(self, source: Source, there: Loc, here: Loc, value: Any) -> Any:
        """A value as it stands in ``source``, with all marks below it, to its place in the whole."""
        for path in _paths(value):
            self._mark(source, (*there, *path), (*here, *path))
        return value

    def _mark(self, source: Source, loc: Loc, to: Loc) -> None:
        """Where the value at ``loc`` of ``source``, and its key, stand: the place of ``to`` in the whole."""
        for found, into in ((source.marks, self.marks), (source.keys, self.keys)):
            if loc in found:
                into[to] = found[loc]
                if source.file_of(loc) != self.path:
                    self.places[to] = source.file_of(loc)


def _paths(value: object) -> Iterator[Loc]:
    """Paths to a value itself, which is (), and to everything in it."""
    yield ()
    items: Iterable[tuple[str | int, object]] = ()
    if isinstance(value, dict):
        items = value.items()
    elif isinstance(value, list):
        items = enumerate(value)
    for part, inner in items:
        for path in _paths(inner):
            yield (part, *path)


def _one_kind(base: Mapping[str, Any], own: Mapping[str, Any]) -> bool:
    return "kind" not in base or "kind" not in own or base["kind"] == own["kind"]


def _known_by(item: object) -> tuple[str, str] | None:
    """What an item of a list goes by: its name, else its kind, else nothing."""
    if isinstance(item, dict):
        for key in ("name", "kind"):
            if isinstance(item.get(key), str):
                return key, item[key]
    return None


def _text(known: tuple[str, str] | None) -> str:
    return known[1] if known is not None else ""


def _shown(known: tuple[str, str] | None) -> str:
    return "no name" if known is None else f"{known[0]} {known[1]!r}"
