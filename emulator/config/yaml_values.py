"""From the text of a YAML file to plain values, with the line and column of every key and value.

Libraries: ruamel.yaml, because it is maintained, pure Python where it has to be, and its event stream gives
the start of every key and value, which is all a good message needs; and PyYAML, whose parser in C (libyaml)
gives the same events in a fortieth of the time. That one reads first. If anything is wrong with a text, the
other reads it again and tells what. Values are made here and not by the libraries, so that exactly one rule
holds: the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/,
section 10.3). There ``no``, ``on`` and ``12:30:00`` are text and ``1e3`` is a number. Spellings that two
generations of YAML read differently (``010``), that hide where a value came from (anchors, merge keys,
tags), or that are no usable number (``.nan``) are refused at their line.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from typing import Any, TypeAlias

import yaml  # type: ignore[import-untyped]
from ruamel.yaml import YAML
from ruamel.yaml import events as ruamel
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from yaml.cyaml import CParser  # type: ignore[import-untyped]

from emulator.config.yaml_source import MOST_PROBLEMS, Loc, Mark, key_path, shortened, show
from emulator.core.errors import Problem

DEEPEST = 40
"""Levels of nesting a file may have."""
LONGEST_NUMBER = 40
"""Characters a number may have."""
MOST_VALUES = 10_000
"""Values, mappings and lists a file may hold; the largest shipped has 660."""

Event: TypeAlias = ruamel.Event | yaml.Event
_ALIAS = (ruamel.AliasEvent, yaml.AliasEvent)
_DOCUMENT = (ruamel.DocumentStartEvent, yaml.DocumentStartEvent)
_MAPPING = (ruamel.MappingStartEvent, yaml.MappingStartEvent)
_SEQUENCE = (ruamel.SequenceStartEvent, yaml.SequenceStartEvent)
_SCALAR = (ruamel.ScalarEvent, yaml.ScalarEvent)
_END = (ruamel.CollectionEndEvent, yaml.CollectionEndEvent)

_NULL = re.compile(r"null|Null|NULL|~|")
_TRUE = re.compile(r"true|True|TRUE")
_FALSE = re.compile(r"false|False|FALSE")
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_TAKEN_DIFFERENTLY = re.compile("[\t\r\x85\u2028\u2029\ufeff]|[|>][-+0-9]*#")
"""Where the two parsers don't agree: tabs, breaks of lines other than the usual one, a remark that touches
the sign of a block of text."""
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+(?:\..*)?")


def read(name: str, text: str) -> Builder:
    """What a file holds, or what is wrong with it: by libyaml if that finds nothing wrong, else in full."""
    if _TAKEN_DIFFERENTLY.search(text):
        return read_in_full(name, text)
    quick = Builder(name)
    try:
        quick.take(_libyaml_events(text))
    except yaml.YAMLError:
        pass
    else:
        if not quick.problems and not quick.repeated:
            return quick
    return read_in_full(name, text)


def read_in_full(name: str, text: str) -> Builder:
    """The same by ruamel.yaml, whose words on what is wrong are known here."""
    full = Builder(name)
    try:
        full.take(iter(YAML(typ="safe", pure=True).parse(text)))
    except MarkedYAMLError as error:
        full.note_syntax(error)
    except YAMLError as error:
        full.note_unreadable(error, text)
    return full


def _libyaml_events(text: str) -> Iterator[Event]:
    parser = CParser(text)
    try:
        while parser.check_event():
            yield parser.get_event()
    finally:
        parser.dispose()


class Builder:
    """Turns a parser's events into values and marks; collects problems instead of stopping.

    data  what the file holds; None as long as nothing was found
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.data: Any = None
        self.problems: list[Problem] = []
        self.repeated: list[Problem] = []
        self.marks: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}
        self.values = 0

    def take(self, events: Iterator[Event]) -> None:
        """The one document of the file. Raises what the parser raises."""
        documents = 0
        try:
            for event in events:
                if isinstance(event, _DOCUMENT):
                    documents += 1
                    if documents == 2:
                        self._refuse(event, (), "a second document starts here; one file holds one document")
                        break
                elif isinstance(event, _MAPPING + _SEQUENCE + _SCALAR + _ALIAS):
                    self.data = self._value(event, events, ())
                    if not isinstance(self.data, dict):
                        self._refuse(
                            event, (), f"expected a mapping (key: value) at the top, got {show(self.data)}"
                        )
        except _BeyondReasonError:
            return
        if self.data is None and not self.problems:
            self._note((1, 1), (), "the file is empty; expected a mapping (key: value) at the top")

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
        if isinstance(event, _ALIAS):
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
        if isinstance(event, _MAPPING):
            return self._mapping(events, loc)
        if isinstance(event, _SEQUENCE):
            return self._sequence(events, loc)
        assert isinstance(event, _SCALAR)
        return self._scalar(event, loc)

    def _mapping(self, events: Iterator[Event], loc: Loc) -> dict[str, Any]:
        values: dict[str, Any] = {}
        for event in events:
            if isinstance(event, _END):
                break
            if not isinstance(event, _SCALAR) or event.value == "":
                self._refuse(event, loc, "expected a plain name as key")
                key = ""
                if not isinstance(event, _SCALAR):
                    self._value(event, events, (*loc, key))
            else:
                key = event.value
                if _is_half(key):
                    self._refuse(event, loc, _HALF)
            here: Loc = (*loc, key)
            if key == "<<" and not getattr(event, "style", None):
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
            if isinstance(value_event, _SCALAR) and value_event.value == "" and not value_event.style:
                self.marks[here] = mark  # an empty value has no place of its own
            values[key] = value
        return values

    def _sequence(self, events: Iterator[Event], loc: Loc) -> list[Any]:
        values: list[Any] = []
        for event in events:
            if isinstance(event, _END):
                break
            here: Loc = (*loc, len(values))
            self.keys[here] = _mark(event)
            values.append(self._value(event, events, here))
        return values

    def _scalar(self, event: Any, loc: Loc) -> Any:
        text: str = event.value
        if _is_half(text):
            self._refuse(event, loc, _HALF)
            return text
        if event.style:  # quoted or block: text, whatever it looks like
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

    def _number(self, event: Any, text: str, loc: Loc) -> int | float | None:
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

    def note_syntax(self, error: MarkedYAMLError) -> None:
        """What the parser found wrong, in words of ours."""
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

    def note_unreadable(self, error: YAMLError, text: str) -> None:
        """A character that no file may hold."""
        position = getattr(error, "position", 0)
        before = text[: position if isinstance(position, int) else 0]
        place = (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
        self._note(place, (), "not valid YAML: a control character; remove it or save the file as plain text")

    def _refuse(self, event: Event, loc: Loc, expected: str) -> None:
        self._note(_mark(event), loc, expected)

    def _note(self, place: Mark, loc: Loc, expected: str) -> None:
        self.problems.append(Problem(self.name, *place, key_path(loc), shortened(expected, 500)))


_HALF = "an escape in this text is half a character; write the character itself"


def _is_half(text: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in text)


class _BeyondReasonError(Exception):
    """Ends the reading of a file: nested too deep, too many values or problems. What for is noted already."""


def _mark(event: Event) -> Mark:
    return event.start_mark.line + 1, event.start_mark.column + 1
