"""What varies in a part of a plan, each thing with the levels it takes and what a level does to the files."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from typing import Any

from emulator.campaign.plan.case import Place
from emulator.campaign.plan.event_words import event_words
from emulator.campaign.plan.overlays import GatheredOverlay, file_values, paths, place_of
from emulator.config.campaign.varied import (
    FILE_KINDS,
    Alternative,
    Alternatives,
    Choice,
    Disturbance,
    Disturbances,
    FileKind,
    Scalar,
    Varied,
    VariedParameter,
)
from emulator.config.yaml_source import Loc, Source

NONE = "none"
"""Level of a disturbance factor at which nothing is put in."""

FileValues = Callable[[FileKind], Mapping[str, Any]]
"""The values of the file that a case's values of a kind go over, before they do."""
Overlays = dict[FileKind, GatheredOverlay]


def no_overlays() -> Overlays:
    """Nothing over any file."""
    return {"scenario": GatheredOverlay(), "rig": GatheredOverlay(), "vehicle": GatheredOverlay()}


@dataclass(frozen=True)
class Level:
    """One thing that a factor may be.

    value      for tables
    words      for labels
    known_by   what an exclusion may call it
    put        puts its values into the overlays of a case; raises NoSuchPlaceError
    parameter  of the scenario, with its value
    """

    value: Scalar
    words: str
    known_by: tuple[Scalar, ...]
    put: Callable[[Overlays, FileValues], None] = field(compare=False, default=lambda _overlays, _file: None)
    parameter: tuple[str, int | float] | None = None


@dataclass(frozen=True)
class Factor:
    """One thing that varies.

    levels  all of them; none if it may be any number between two
    at      the level at a share of the way from the first to the last
    loc     where it stands in the plan
    """

    name: str
    levels: tuple[Level, ...]
    at: Callable[[float], Level] = field(compare=False)
    loc: Loc


def file_factor(name: str, levels: Sequence[Level], loc: Loc) -> Factor:
    """A factor whose levels are files, or whoever rides."""
    return _listed(name, levels, loc)


def factor_of(name: str, varied: Varied, plan: Source, loc: Loc) -> Factor:
    """The factor of what a plan varies under a name; ``loc`` is its place in the plan."""
    if isinstance(varied, Disturbances):
        return _listed(name, list(_disturbed(name, varied, plan, loc)), loc)
    if isinstance(varied, Alternatives):
        levels = [
            Level(key, key, (key,), _over(alternative, plan, (*loc, "alternatives", key)))
            for key, alternative in varied.alternatives.items()
        ]
        return _listed(name, levels, loc)
    choice: Choice = varied
    path = ("values",) if choice.values is not None else ("between",)

    def level(value: Scalar, i: int | None) -> Level:
        place = place_of(plan, (*loc, *path, *(() if i is None or choice.values is None else (i,))))
        words = f"{name} {_shown(value)}"
        if isinstance(varied, VariedParameter):
            number = value if isinstance(value, int | float) else float("nan")
            return Level(value, words, (value,), parameter=(varied.parameter, number))
        return Level(value, words, (value,), value_at(varied.value, value, place))

    if choice.is_continuous:
        return Factor(name, (), lambda share: level(choice.at(share), None), loc)
    return _listed(name, [level(value, i) for i, value in enumerate(choice.all_values())], loc)


def put_alternative(alternative: Alternative, plan: Source, loc: Loc, overlays: Overlays) -> None:
    """Put values of a plan that go over the files into a case's overlays."""
    for kind in FILE_KINDS:
        overlays[kind].merge(getattr(alternative, kind), plan, (*loc, kind))


def is_meant(level: Level, named: Scalar) -> bool:
    """Whether an exclusion's value names a level; text may have ``*`` in it."""
    return any(_same(named, known) for known in level.known_by)


def _same(named: Scalar, known: Scalar) -> bool:
    if isinstance(named, str) and isinstance(known, str):
        return fnmatchcase(known, named)
    if isinstance(named, str) or isinstance(known, str) or isinstance(named, bool) != isinstance(known, bool):
        return False
    return named == known


def _listed(name: str, levels: Sequence[Level], loc: Loc) -> Factor:
    return Factor(
        name, tuple(levels), lambda share: levels[min(int(share * len(levels)), len(levels) - 1)], loc
    )


def _over(alternative: Alternative, plan: Source, loc: Loc) -> Callable[[Overlays, FileValues], None]:
    return lambda overlays, _file: put_alternative(alternative, plan, loc, overlays)


def value_at(path: str, value: Scalar, place: Place) -> Callable[[Overlays, FileValues], None]:
    """What puts a value at a path of a plan (``rig.outputs...``) into overlays; ``place`` of the value."""
    head, *rest = path.split(".")
    kind: FileKind = next(kind for kind in FILE_KINDS if kind == head)

    def put(overlays: Overlays, file: FileValues) -> None:
        to, there = file_values(kind, tuple(rest), value, file(kind))
        overlays[kind].put(to, there, file(kind), place)

    return put


# ---- disturbances ----------------------------------------------------------------------------------------


def _disturbed(name: str, varied: Disturbances, plan: Source, loc: Loc) -> Iterator[Level]:
    if varied.or_none:
        yield Level(NONE, f"no {name}", (NONE,))
    taken: set[str] = set()
    for i, disturbance in enumerate(varied.disturbances):
        here = (*loc, "disturbances", i)
        made = list(ways(disturbance, plan, here))
        for event, places in made:
            does = event_words(event)
            called = does if disturbance.name is None else disturbance.name
            if disturbance.name is not None and len(made) > 1:
                called = f"{disturbance.name}: {does}"
            called = _its_own(called, taken)
            known = tuple(dict.fromkeys(text for text in (called, does, disturbance.name) if text))
            whole = {"name": name, **event}
            yield Level(called, called, known, _event(whole, {(): place_of(plan, here), **places}))


def _its_own(text: str, taken: set[str]) -> str:
    """The text, with a number behind it if another level is called so: words don't tell every key."""
    own = next(t for n in itertools.count(1) if (t := text if n == 1 else f"{text} ({n})") not in taken)
    taken.add(own)
    return own


def ways(
    disturbance: Disturbance, plan: Source, loc: Loc
) -> Iterator[tuple[dict[str, Any], dict[Loc, Place]]]:
    """Every event that a disturbance makes, with the places of its values; ``loc`` is its own in the plan."""
    own = {path: place_of(plan, (*loc, "event", *path)) for path in paths(disturbance.event) if path}
    keys = list(disturbance.each)
    choices = [disturbance.each[key] for key in keys]
    for picked in itertools.product(*(list(enumerate(choice.all_values())) for choice in choices)):
        event, places = _copy(disturbance.event), dict(own)
        for key, choice, (i, value) in zip(keys, choices, picked, strict=True):
            *above, last = key.split(".")
            held = event
            for part in above:
                held = held.setdefault(part, {})
            held[last] = value
            told = ("values", i) if choice.values is not None else ("between",)
            places[tuple(key.split("."))] = place_of(plan, (*loc, "each", key, *told))
        yield event, places


def _event(event: Mapping[str, Any], places: Mapping[Loc, Place]) -> Callable[[Overlays, FileValues], None]:
    return lambda overlays, _file: overlays["scenario"].add_event(event, places)


def _copy(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _copy(inner) for key, inner in value.items()}
    return [_copy(inner) for inner in value] if isinstance(value, list | tuple) else value


def _shown(value: Scalar) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:g}" if isinstance(value, int | float) else value
