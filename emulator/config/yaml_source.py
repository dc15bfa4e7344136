"""A YAML file as plain values plus the line and column of every key and value.

Library: ruamel.yaml, because it is maintained, pure Python where it has to be, and its event stream gives
the start of every key and value, which is all a good message needs. Values are made here and not by the
library, so that exactly one rule holds: the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/,
section 10.3). There ``no``, ``on`` and ``12:30:00`` are text and ``1e3`` is a number. Spellings that two
generations of YAML read differently (``010``), that hide where a value came from (anchors, merge keys,
tags), or that are no usable number (``.nan``) are refused at their line.
"""

from __future__ import annotations

import hashlib
import math
import os
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from typing import Any, TypeAlias

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.outside.reading import YAML as YAML_FILE
from emulator.core.outside.reading import named_by, read_whole
from emulator.core.outside.visible_text import visible

Loc: TypeAlias = tuple[str | int, ...]
"""Path to a value from the top of the file: keys and list indices."""
Mark: TypeAlias = tuple[int, int]
"""1-based line and column."""

DEEPEST = 40
"""Levels of nesting a file may have."""
LONGEST_NUMBER = 40
"""Characters a number may have."""
MOST_VALUES = 10_000
"""Values, mappings and lists a file may hold; the largest shipped has 660."""
MOST_PROBLEMS = 100
"""Problems of a file's form after which the rest is not read."""

_NULL = re.compile(r"null|Null|NULL|~|")
_TRUE = re.compile(r"true|True|TRUE")
_FALSE = re.compile(r"false|False|FALSE")
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+(?:\..*)?")


@dataclass(frozen=True)
class Source:
    """One configuration file as it was read, with what it is based on (emulator.config.based_on) put in.

    path    as the user gave it; a message starts with it, or with the base that the value stands in
    data    plain Python: dict, list, str, int, float, bool, None
    marks   where each value starts, by path; the top is ()
    keys    where each key (or list item) starts, by path
    text    the file
    sha256  of its bytes
    noted   what did not stop the reading (a key that stands twice: the first one counts); validation reports
            it with all the rest
    places  files that values stand in, by path, where that is another one
    bases   files it is based on, the nearest first
    parameters  by name, the values that were put in (emulator.config.scenario.parameters)
    warnings  what is worth changing although it does no harm: names that are no longer the present ones
    put_over  whether values went over it that stand in no file of its kind (emulator.config.based_on)
    moot    places whose values come from something that is wrong itself, so nothing is said about them
    """

    path: str
    data: dict[str, Any]
    marks: Mapping[Loc, Mark]
    keys: Mapping[Loc, Mark]
    text: str
    sha256: str
    noted: tuple[Problem, ...] = ()
    places: Mapping[Loc, str] = field(default_factory=dict)
    bases: tuple[str, ...] = ()
    parameters: Mapping[str, int | float] = field(default_factory=dict)
    moot: frozenset[Loc] = frozenset()
    warnings: tuple[Problem, ...] = ()
    put_over: bool = False

    def file_of(self, loc: Loc) -> str:
        """The file that the value at ``loc`` stands in; paths in it are relative to that file."""
        return self.places.get(loc, self.path)

    def problem(self, loc: Loc, expected: str, *, at_key: bool = False) -> Problem:
        """A problem at ``loc``, or at its nearest parent that stands in the file."""
        marks = self.keys if at_key else self.marks
        place = loc
        while place and place not in marks:
            place, marks = place[:-1], self.keys
        line, column = marks.get(place, (1, 1))
        return Problem(self.file_of(place), line, column, key_path(loc), expected)


def key_path(loc: Loc) -> str:
    """``("patches", 0, "grip")`` as ``patches.0.grip``."""
    return ".".join(_shortened(visible(str(part)).replace("\n", "\\n"), 60) for part in loc)


def _shortened(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 3] + "..."


def beside(path: str | os.PathLike[str], reference: str) -> str:
    """The file that ``reference`` means where it stands in the file ``path``: relative to its folder.

    Raises RecordError where a copy in a run folder names what is not there (emulator.core.outside.reading).
    """
    plain = os.path.join(os.path.dirname(os.fspath(path)), reference)
    tidy = os.path.normpath(plain)
    return named_by(os.fspath(path), tidy if os.path.exists(tidy) or not os.path.exists(plain) else plain)


MOST_STEPS_UP = 3
"""Folders that a relative name may go up: from kind/family/file to the top of a tree, and one beside it."""


def leads_astray(reference: str) -> str:
    """What is wrong with a relative name that goes up further than any tree of files needs; else nothing.

    It depends on the name alone, so a file is right or wrong from whichever folder the program is started.
    """
    up = 0
    for part in os.path.normpath(reference).split(os.sep):
        if part != os.pardir:
            break
        up += 1
    if up <= MOST_STEPS_UP:
        return ""
    return (
        f"expected a name that goes up {MOST_STEPS_UP} folders at most, got {up}; put the file nearer, or "
        "write its name from the root"
    )


def load(path: str | os.PathLike[str]) -> Source:
    """Read one file. Raises ConfigError with every problem of its form; its meaning is checked later."""
    name = os.fspath(path)
    raw = _read(name)
    text = _decode(name, raw)
    tabs = (
        Problem(name, number, line.index("\t") + 1, "", "tab character; indent and separate with spaces")
        for number, line in enumerate(text.split("\n"), start=1)
        if "\t" in line
    )
    if problems := list(islice(tabs, MOST_PROBLEMS)):
        raise ConfigError(problems)
    builder = _Builder(name)
    data = builder.document(text)
    if builder.problems:
        raise ConfigError(builder.problems + builder.repeated)
    assert isinstance(data, dict)
    sha256 = hashlib.sha256(raw).hexdigest()
    return Source(name, data, builder.marks, builder.keys, text, sha256, tuple(builder.repeated))


def _read(name: str) -> bytes:
    try:
        return read_whole(name, YAML_FILE)
    except UnreadableError as error:
        raise ConfigError([Problem(name, 1, 1, "", error.why)]) from error


def _decode(name: str, raw: bytes) -> str:
    try:
        return raw.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        before = raw[: error.start].decode("utf-8", errors="replace")
        line = before.count("\n") + 1
        column = len(before) - (before.rfind("\n") + 1) + 1
        what = f"byte 0x{raw[error.start]:02x} is not UTF-8 text; save the file as UTF-8"
        raise ConfigError([Problem(name, line, column, "", what)]) from None


class _Builder:
    """Turns the parser's events into values and marks; collects problems instead of stopping."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.problems: list[Problem] = []
        self.repeated: list[Problem] = []
        self.marks: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}
        self.values = 0

    def document(self, text: str) -> Any:
        """The one document of the file."""
        data: Any = None
        documents = 0
        try:
            events: Iterator[Event] = iter(YAML(typ="safe", pure=True).parse(text))
            for event in events:
                if isinstance(event, DocumentStartEvent):
                    documents += 1
                    if documents == 2:
                        self._refuse(event, (), "a second document starts here; one file holds one document")
                        break
                elif isinstance(event, (MappingStartEvent, SequenceStartEvent, ScalarEvent, AliasEvent)):
                    data = self._value(event, events, ())
                    if not isinstance(data, dict):
                        self._refuse(
                            event, (), f"expected a mapping (key: value) at the top, got {show(data)}"
                        )
        except _BeyondReasonError:
            pass
        except MarkedYAMLError as error:
            self._syntax(error)
        except YAMLError as error:
            self._unreadable(error, text)
        if data is None and not self.problems:
            self._note((1, 1), (), "the file is empty; expected a mapping (key: value) at the top")
        return data

    def _value(self, event: Event, events: Iterator[Event], loc: Loc) -> Any:
        self.marks[loc] = _mark(event)
        self.values += 1
        if len(loc) > DEEPEST:
            self._refuse(event, loc[:3], f"nested deeper than {DEEPEST} levels")
            raise _BeyondReasonError
        if self.values > MOST_VALUES:
            self._refuse(event, loc, f"expected at most {MOST_VALUES} values in a file; make it smaller")
            raise _BeyondReasonError
        if len(self.problems) + len(self.repeated) >= MOST_PROBLEMS:
            self._refuse(event, loc, f"{MOST_PROBLEMS} problems up to here; what follows is not read")
            raise _BeyondReasonError
        if isinstance(event, AliasEvent):
            self._refuse(
                event, loc, f"alias *{getattr(event, 'anchor', '')} is not supported; write the value out"
            )
            return None
        if getattr(event, "anchor", None):
            self._refuse(
                event, loc, f"anchor &{getattr(event, 'anchor', '')} is not supported; write each value out"
            )
        tag = getattr(event, "tag", None)
        if tag:
            self._refuse(event, loc, f"tag {tag} is not supported; leave it out")
        if isinstance(event, MappingStartEvent):
            return self._mapping(events, loc)
        if isinstance(event, SequenceStartEvent):
            return self._sequence(events, loc)
        assert isinstance(event, ScalarEvent)
        return self._scalar(event, loc)

    def _mapping(self, events: Iterator[Event], loc: Loc) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for event in events:
            if isinstance(event, MappingEndEvent):
                break
            if not isinstance(event, ScalarEvent) or event.value == "":
                self._refuse(event, loc, "expected a plain name as key")
                key = ""
                if not isinstance(event, ScalarEvent):
                    self._value(event, events, (*loc, key))
            else:
                key = event.value
                if _is_half(key):
                    self._refuse(event, loc, _HALF)
            here: Loc = (*loc, key)
            if key == "<<" and getattr(event, "style", None) is None:
                self._refuse(event, here, "merge key << is not supported; write the keys out")
            if getattr(event, "anchor", None) or getattr(event, "tag", None):
                self._refuse(event, here, "anchors and tags on keys are not supported; leave them out")
            if key and here in self.keys:
                line, _ = self.keys[here]
                text = f"duplicate key; it stands already in line {line}"
                self.repeated.append(Problem(self.name, *_mark(event), key_path(here), text))
            kept = here in self.keys
            mark = _mark(event)
            value_event = next(events)
            value = self._value(value_event, events, (*here, "") if kept else here)
            if kept:
                continue
            self.keys[here] = mark
            if isinstance(value_event, ScalarEvent) and value_event.value == "" and value_event.style is None:
                self.marks[here] = mark  # an empty value has no place of its own
            values[key] = value
        return values

    def _sequence(self, events: Iterator[Event], loc: Loc) -> list[Any]:
        values: list[Any] = []
        for event in events:
            if isinstance(event, SequenceEndEvent):
                break
            here: Loc = (*loc, len(values))
            self.keys[here] = _mark(event)
            values.append(self._value(event, events, here))
        return values

    def _scalar(self, event: ScalarEvent, loc: Loc) -> Any:
        text: str = event.value
        if _is_half(text):
            self._refuse(event, loc, _HALF)
            return text
        if event.style is not None:  # quoted or block: text, whatever it looks like
            return text
        if _NULL.fullmatch(text):
            return None
        if _TRUE.fullmatch(text):
            return True
        if _FALSE.fullmatch(text):
            return False
        if _NOT_FINITE.fullmatch(text):
            self._refuse(event, loc, f"{text} is not a usable value; write a finite number")
            return None
        if any(p.fullmatch(text) for p in (_INTEGER, _OCTAL, _HEXADECIMAL, _FLOAT)):
            return self._number(event, text, loc)
        return text

    def _number(self, event: ScalarEvent, text: str, loc: Loc) -> int | float | None:
        if len(text) > LONGEST_NUMBER:
            self._refuse(
                event, loc, f"this number has {len(text)} characters; write at most {LONGEST_NUMBER}"
            )
        elif _LEADING_ZERO.fullmatch(text):
            plain = re.sub(r"^([-+]?)0+(?=[0-9])", r"\1", text)
            self._refuse(
                event,
                loc,
                f"{text} starts with a zero, which YAML 1.1 reads as octal; write {plain}"
                f", or '{text}' in quotes if it is text",
            )
        elif _INTEGER.fullmatch(text):
            return int(text)
        elif _OCTAL.fullmatch(text) or _HEXADECIMAL.fullmatch(text):
            return int(text, 0)
        else:
            number = float(text)
            if math.isfinite(number):
                return number
            self._refuse(event, loc, f"{text} is too large for a number; write a finite number")
        return None

    def _syntax(self, error: MarkedYAMLError) -> None:
        context, problem = str(error.context or ""), str(error.problem or "")
        begun, found = error.context_mark, error.problem_mark or error.context_mark
        if "quoted scalar" in context and "end of stream" in problem:
            found, said = begun, "the quote that opens here is not closed"
        elif "could not find expected ':'" in problem:
            found, said = begun, "expected 'key: value', with a colon and a space behind the key"
        elif "mapping values are not allowed" in problem:
            said = (
                "no ': ' is expected here; put text with a colon in quotes, "
                "and check this line's indentation against the line above"
            )
        elif "<block end>" in problem:
            said = (
                "this line is indented like none of those it could belong to; indent it like its neighbours"
            )
        elif "flow" in context and begun is not None:
            bracket, closing = ("{", "}") if "mapping" in context else ("[", "]")
            where = f"line {begun.line + 1}, column {begun.column + 1}"
            said = f"expected ',' or '{closing}' here, for the '{bracket}' that opens in {where}"
        else:
            said = f"{context} {problem}".strip() + "; check colons, quotes, brackets and indentation here"
        place = (found.line + 1, found.column + 1) if found is not None else (1, 1)
        self._note(place, (), f"not valid YAML: {said}")

    def _unreadable(self, error: YAMLError, text: str) -> None:
        position = getattr(error, "position", 0)
        before = text[: position if isinstance(position, int) else 0]
        place = (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        self._note(place, (), "not valid YAML: a control character; remove it or save the file as plain text")

    def _refuse(self, event: Event, loc: Loc, expected: str) -> None:
        self._note(_mark(event), loc, expected)

    def _note(self, place: Mark, loc: Loc, expected: str) -> None:
        self.problems.append(Problem(self.name, *place, key_path(loc), _shortened(expected, 500)))


_HALF = "an escape in this text is half a character; write the character itself"


def _is_half(text: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in text)


class _BeyondReasonError(Exception):
    """Ends the reading of a file: nested too deep, too many values or problems. What for is noted already."""


def _mark(event: Event) -> Mark:
    return event.start_mark.line + 1, event.start_mark.column + 1


def show(value: object) -> str:
    """A value of a file in a few words, for the end of a message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return repr(_shortened(value, 40))
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a mapping"
    return str(value)
