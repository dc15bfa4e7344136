"""Values of a plan gathered into what goes over a file, each with the place it stands at in the plan.

What is gathered later goes over what was there, by the rules of emulator.config.based_on.
"""

from __future__ import annotations

import copy
import os
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from emulator.campaign.plan.case import Overlay, Place
from emulator.config.based_on import NAMED_LISTS
from emulator.config.campaign.varied import FileKind
from emulator.config.named_files import named_files
from emulator.config.validation import Closed, did_you_mean
from emulator.config.yaml_source import Loc, Source, beside


class NoSuchPlaceError(Exception):
    """A path leads to nothing in a file: the words for it."""


class GatheredOverlay:
    """What goes over one file; ``values`` and, by their path, the ``places`` they stand at."""

    def __init__(self) -> None:
        self.values: dict[str, Any] = {}
        self.places: dict[Loc, Place] = {}

    def merge(self, values: Mapping[str, Any], plan: Source, at: Loc) -> None:
        """Put a mapping of the plan over what is there; ``at`` is its path in the plan."""
        self._merge(self.values, values, (), plan, at)

    def add_event(self, event: Mapping[str, Any], places: Mapping[Loc, Place]) -> None:
        """Put an event behind those that are there; ``places`` by paths within it."""
        events = self.values.setdefault("events", [])
        here: Loc = ("events", len(events))
        events.append(copy.deepcopy(dict(event)))
        self.places.update({(*here, *loc): place for loc, place in places.items()})

    def remove_events(self, names: Collection[str], file: Mapping[str, Any], place: Place) -> None:
        """Take events away by name: those that are here, and those of the file that all this goes over."""
        before = self.values.get("events", [])
        kept = [i for i, event in enumerate(before) if known_by(event) not in names]
        of_file = [name for name in map(known_by, file.get("events") or ()) if name in names]
        self.values["events"] = [
            *(before[i] for i in kept),
            *({"name": name, "remove": True} for name in of_file),
        ]
        places, self.places = self.places, {}
        for loc, at in places.items():
            if loc[:1] != ("events",) or len(loc) == 1:
                self.places[loc] = at
            elif loc[1] in kept:
                self.places[("events", kept.index(loc[1]), *loc[2:])] = at
        for i in range(len(kept), len(self.values["events"])):
            self.places[("events", i)] = place

    def put(self, path: tuple[str, ...], value: Any, file: Mapping[str, Any], place: Place) -> None:
        """Put one value at a path of keys, names and numbers of items.

        file  the values of the file that all this goes over
        Raises NoSuchPlaceError where the path needs an item of a list that neither has.
        """
        self._put(self.values, path, value, file, (), place)

    # ---- how ---------------------------------------------------------------------------------------------

    def _merge(
        self, into: dict[str, Any], values: Mapping[str, Any], loc: Loc, plan: Source, at: Loc
    ) -> None:
        for key, value in values.items():
            here, there = (*loc, key), (*at, key)
            before = into.get(key)
            if isinstance(value, dict) and isinstance(before, dict) and _one_kind(before, value):
                self._merge(before, value, here, plan, there)
            elif here in NAMED_LISTS and isinstance(value, list) and isinstance(before, list):
                self._merge_items(before, value, here, plan, there)
            else:
                into[key] = copy.deepcopy(value)
                self._replace(here, value, plan, there)

    def _merge_items(self, before: list[Any], items: list[Any], loc: Loc, plan: Source, at: Loc) -> None:
        for i, item in enumerate(items):
            known = [known_by(other) for other in before]
            name = known_by(item)
            place = known.index(name) if name and name in known else len(before)
            before[place : place + 1] = [copy.deepcopy(item)]
            self._replace((*loc, place), item, plan, (*at, i))

    def _replace(self, loc: Loc, value: Any, plan: Source, at: Loc) -> None:
        """The places of a value that stands in the plan, in place of those that were below ``loc``."""
        for old in [old for old in self.places if old[: len(loc)] == loc]:
            del self.places[old]
        for path in paths(value):
            self.places[(*loc, *path)] = place_of(plan, (*at, *path))

    def _put(
        self,
        into: dict[str, Any],
        path: tuple[str, ...],
        value: Any,
        file: Mapping[str, Any],
        loc: Loc,
        place: Place,
    ) -> None:
        key, *rest = path
        here: Loc = (*loc, key)
        if not rest:
            into[key] = value
            self.places[here] = place
            return
        below = file.get(key)
        held = into.get(key)
        if here in NAMED_LISTS or isinstance(below if held is None else held, list):
            items: list[Any] = into.setdefault(key, [] if here in NAMED_LISTS else copy.deepcopy(below or []))
            i = _item(items, below if isinstance(below, list) else [], rest[0], here)
            self.places.setdefault((*here, i), place)
            if len(rest) == 1:
                items[i] = value
                self.places[(*here, i)] = place
            else:
                _put_in(items[i], rest[1:], value)
                self.places[(*here, i, *_as_keys(items[i], rest[1:]))] = place
            return
        inner = into.setdefault(key, {})
        self.places.setdefault(here, place)
        if not isinstance(inner, dict):
            raise NoSuchPlaceError(f"{'.'.join(map(str, here))} is a single value, nothing stands below it")
        self._put(inner, tuple(rest), value, below if isinstance(below, dict) else {}, here, place)


def overlay_of(gathered: GatheredOverlay, model: type[Closed]) -> Overlay:
    """What goes over a file, with the names of files in it made absolute: it is read from elsewhere, too."""
    values = gathered.values
    for loc in list(named_files(values, model)):
        held: Any = values
        for part in loc[:-1]:
            held = held[part]
        place = gathered.places.get(loc)
        if place is not None:
            held[loc[-1]] = os.path.abspath(beside(place.file, held[loc[-1]]))
    return values


def file_values(
    kind: FileKind, path: tuple[str, ...], value: Any, file: Mapping[str, Any]
) -> tuple[tuple[str, ...], Any]:
    """Path and value as the file has them: a number of a vehicle stands in an entry with unit and source."""
    if kind != "vehicle" or not path:
        return path, value
    held: Any = file
    for part in path:
        held = held.get(part) if isinstance(held, dict) else None
    return ((*path, "value"), value) if isinstance(held, dict) and "value" in held else (path, value)


def paths(value: object) -> Iterator[Loc]:
    """Paths to a value itself, which is (), and to everything in it."""
    yield ()
    items: Any = ()
    if isinstance(value, dict):
        items = value.items()
    elif isinstance(value, list | tuple):
        items = enumerate(value)
    for part, inner in items:
        for path in paths(inner):
            yield (part, *path)


def place_of(plan: Source, loc: Loc) -> Place:
    """Where the value at ``loc`` of the plan stands, or what holds it."""
    place = loc
    while place and place not in plan.marks:
        place = place[:-1]
    return Place(plan.file_of(place), plan.marks.get(place, (1, 1)))


def known_by(item: Any) -> str | None:
    """What an item of a list goes by: its name, else its kind, else nothing."""
    if isinstance(item, dict):
        for key in ("name", "kind"):
            if isinstance(item.get(key), str):
                return str(item[key])
    return None


def _item(items: list[Any], file: list[Any], name: str, loc: Loc) -> int:
    """The number of the item of that name (or number) in ``items``; taken over from the file if need be."""
    if loc not in NAMED_LISTS:
        if name.isdigit() and int(name) < len(items):
            return int(name)
        raise NoSuchPlaceError(f"{'.'.join(map(str, loc))} has {len(items)} items, counted from 0")
    known = [known_by(item) for item in items]
    if name in known:
        return known.index(name)
    there = [known_by(item) for item in file]
    if there.count(name) != 1:
        names = [text for text in (*there, *known) if text]
        text = f"nothing in {'.'.join(map(str, loc))} goes by {name!r}"
        if there.count(name) > 1:
            text = f"{there.count(name)} things in {'.'.join(map(str, loc))} go by {name!r}"
        raise NoSuchPlaceError(text + did_you_mean(name, names))
    items.append(copy.deepcopy(file[there.index(name)]))
    return len(items) - 1


def _put_in(item: Any, path: list[str], value: Any) -> None:
    """Put a value into an item that is given whole."""
    *above, last = path
    for key in above:
        if isinstance(item, list) and key.isdigit() and int(key) < len(item):
            item = item[int(key)]
        elif isinstance(item, dict):
            item = item.setdefault(key, {})
        else:
            raise NoSuchPlaceError(f"nothing goes by {key!r} there")
    if isinstance(item, list) and last.isdigit() and int(last) < len(item):
        item[int(last)] = value
    elif isinstance(item, dict):
        item[last] = value
    else:
        raise NoSuchPlaceError(f"nothing goes by {last!r} there")


def _as_keys(item: Any, path: list[str]) -> Loc:
    """A path with numbers where items of lists are meant."""
    keys: list[str | int] = []
    for part in path:
        key: str | int = int(part) if isinstance(item, list) else part
        keys.append(key)
        item = item[key]
    return tuple(keys)


def _one_kind(base: Mapping[str, Any], own: Mapping[str, Any]) -> bool:
    return "kind" not in base or "kind" not in own or base["kind"] == own["kind"]
