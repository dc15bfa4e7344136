"""From the text of a YAML file to plain values, with the line and column of every key and value.

Library: ruamel.yaml, because it is maintained, pure Python where it has to be, and its event stream gives
the start of every key and value, which is all a good message needs. Values are made here and not by the
library, so that exactly one rule holds: the core schema of YAML 1.2 (https://yaml.org/spec/1.2.2/,
section 10.3). There ``no``, ``on`` and ``12:30:00`` are text and ``1e3`` is a number. Spellings that two
generations of YAML read differently (``010``), that hide where a value came from (anchors, merge keys,
tags), or that are no usable number (``.nan``) are refused at their line.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

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

from emulator.config.plain_yaml import UnusableError, core_value
from emulator.config.yaml_source import (
    DEEPEST,
    MOST_PROBLEMS,
    MOST_VALUES,
    Loc,
    Mark,
    key_path,
    shortened,
    show,
)
from emulator.core.errors import Problem


class Builder:
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
        try:
            return core_value(text)
        except UnusableError as error:
            self._refuse(event, loc, str(error))
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
        self.problems.append(Problem(self.name, *place, key_path(loc), shortened(expected, 500)))


_HALF = "an escape in this text is half a character; write the character itself"


def _is_half(text: str) -> bool:
    return any("\ud800" <= character <= "\udfff" for character in text)


class _BeyondReasonError(Exception):
    """Ends the reading of a file: nested too deep, too many values or problems. What for is noted already."""


def _mark(event: Event) -> Mark:
    return event.start_mark.line + 1, event.start_mark.column + 1
