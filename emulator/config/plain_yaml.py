"""The plain YAML that nearly all files are written in, read in a small part of the time.

Block mappings and lists by indentation, flow ones in brackets, values of one line, comments. What is written
in any other way, and whatever is doubtful or wrong, is left to ``emulator.config.yaml_values``, which reads
all of YAML and tells what is wrong: a text is plain, or nothing is said about it here. Of a plain one the
same values and places come out as there.
"""

from __future__ import annotations

import math
import re
from typing import Any, NamedTuple, NoReturn

from emulator.config.yaml_source import DEEPEST, MOST_VALUES, Loc, Mark

LONGEST_NUMBER = 40
"""Characters a number may have."""

_NULL = re.compile(r"null|Null|NULL|~|")
_TRUE = re.compile(r"true|True|TRUE")
_FALSE = re.compile(r"false|False|FALSE")
_INTEGER = re.compile(r"[-+]?[0-9]+")
_OCTAL = re.compile(r"0o[0-7]+")
_HEXADECIMAL = re.compile(r"0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9]+(?:\..*)?")

_STRANGE = re.compile(
    r"[^\n -~\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd]|^(?:---|\.\.\.)", re.MULTILINE
)
"""Characters that may mean more than themselves, and lines that divide a file."""
_TO_CONTENT = re.compile(r"(?: *(?:#[^\n]*)?\n)*( *)(?:#[^\n]*\Z)?")
"""Lines with nothing but a comment, then the indentation of the next one."""
_KEY = re.compile(r"([A-Za-z_](?:[A-Za-z0-9_.-]| (?=[A-Za-z0-9_.-])){0,99}):(?: +|(?=\n|\Z))")
_ITEM = re.compile(r"- +(?=[^ \n#])")
_FIRST = r"(?:[A-Za-z0-9_./+~(]|-(?=[A-Za-z0-9.]))"
_WORDS = re.compile(_FIRST + r"(?:[^\n:# ]|:(?=[^ \n])| +(?=[^ \n:#]))*")
"""A value without quotes, behind a key or a dash."""
_FLOW_KEY = re.compile(r"([A-Za-z_][A-Za-z0-9_]{0,99}): +(?=[^ \n#])")
_FLOW_WORDS = re.compile(_FIRST + r"(?:[A-Za-z0-9_./+~()=;^°%-]| +(?=[A-Za-z0-9_./+~()=;^°%-]))*")
_QUOTED = re.compile(r"\"([^\n\"\\]*)\"|'([^\n']*)'")
_END_OF_LINE = re.compile(r" *(?: #[^\n]*)?(?:\n|\Z)")
_IN_FLOW = re.compile(r"(?: *(?:(?<=[ \n])#[^\n]*)?\n)* *")
"""What may stand between two things in brackets."""


class Plain(NamedTuple):
    """What a plain text holds, as in ``yaml_source.Source``."""

    data: dict[str, Any]
    marks: dict[Loc, Mark]
    keys: dict[Loc, Mark]


class UnusableError(ValueError):
    """Text that should be a number or nothing, and why it can't be used."""


def core_value(text: str) -> Any:
    """What a value without quotes is: the core schema of YAML 1.2, which ``yaml_values`` tells more of.

    Raises UnusableError.
    """
    if _NULL.fullmatch(text):
        return None
    if _TRUE.fullmatch(text):
        return True
    if _FALSE.fullmatch(text):
        return False
    if _NOT_FINITE.fullmatch(text):
        raise UnusableError(f"{text} is not a usable value; write a finite number")
    if any(p.fullmatch(text) for p in (_INTEGER, _OCTAL, _HEXADECIMAL, _FLOAT)):
        return _number(text)
    return text


def _number(text: str) -> int | float:
    if len(text) > LONGEST_NUMBER:
        raise UnusableError(f"this number has {len(text)} characters; write at most {LONGEST_NUMBER}")
    if _LEADING_ZERO.fullmatch(text):
        plain = re.sub(r"^([-+]?)0+(?=[0-9])", r"\1", text)
        raise UnusableError(
            f"{text} starts with a zero, which YAML 1.1 reads as octal; write {plain}"
            f", or '{text}' in quotes if it is text"
        )
    if _INTEGER.fullmatch(text):
        return int(text)
    if _OCTAL.fullmatch(text) or _HEXADECIMAL.fullmatch(text):
        return int(text, 0)
    number = float(text)
    if not math.isfinite(number):
        raise UnusableError(f"{text} is too large for a number; write a finite number")
    return number


def read_plain(text: str) -> Plain | None:
    """What a text holds; None: it is not plain, or something is wrong with it."""
    if _STRANGE.search(text):
        return None
    reader = _Reader(text)
    try:
        return Plain(reader.document(), reader.marks, reader.keys)
    except (_NotPlainError, UnusableError):
        return None


class _NotPlainError(Exception):
    """Ends the reading."""


class _Reader:
    """Goes through a text once.

    pos, line, start  where it is; the line's number, from 1, and where that begins
    indent            of that line, -1 behind the last one
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.pos, self.line, self.start, self.indent = 0, 1, 0, 0
        self.marks: dict[Loc, Mark] = {}
        self.keys: dict[Loc, Mark] = {}

    def document(self) -> dict[str, Any]:
        self._to_content()
        if self.indent != 0:
            self._decline()
        data = self._mapping((), 0)
        if self.indent >= 0:
            self._decline()
        return data

    def _mapping(self, loc: Loc, indent: int) -> dict[str, Any]:
        self._begin(loc)
        values: dict[str, Any] = {}
        while True:
            found = _KEY.match(self.text, self.pos)
            if found is None or found[1] in values:
                self._decline()
            key, mark = found[1], self._place()
            here: Loc = (*loc, key)
            self.pos = found.end()
            if self.text[self.pos : self.pos + 1] in ("", "\n", "#"):
                self.pos = found.end(1) + 1
                value = self._below(here, indent, mark)
            else:
                value = self._value(here)
                self._to_next_line()
            self.keys[here] = mark
            values[key] = value
            if self.indent > indent:
                self._decline()
            if self.indent < indent:
                return values

    def _below(self, here: Loc, indent: int, mark: Mark) -> Any:
        """What stands in the lines below a key."""
        self._to_next_line()
        if self.indent <= indent:
            self._begin(here)
            self.marks[here] = mark
            return None
        if _ITEM.match(self.text, self.pos):
            return self._list(here, self.indent)
        return self._mapping(here, self.indent)

    def _list(self, loc: Loc, indent: int) -> list[Any]:
        self._begin(loc)
        values: list[Any] = []
        while True:
            found = _ITEM.match(self.text, self.pos)
            if found is None:
                self._decline()
            self.pos = found.end()
            here: Loc = (*loc, len(values))
            self.keys[here] = self._place()
            if _KEY.match(self.text, self.pos):
                values.append(self._mapping(here, self.pos - self.start))
            else:
                values.append(self._value(here))
                self._to_next_line()
            if self.indent > indent:
                self._decline()
            if self.indent < indent:
                return values

    def _value(self, here: Loc) -> Any:
        if self.text[self.pos] in "[{":
            return self._flow(here)
        return self._scalar(here, _WORDS)

    def _flow(self, here: Loc) -> Any:
        match self.text[self.pos : self.pos + 1]:
            case "[":
                return self._flow_list(here)
            case "{":
                return self._flow_mapping(here)
        return self._scalar(here, _FLOW_WORDS)

    def _flow_list(self, loc: Loc) -> list[Any]:
        values: list[Any] = []
        self._begin(loc)
        while self._another("]", first=not values):
            here: Loc = (*loc, len(values))
            self.keys[here] = self._place()
            values.append(self._flow(here))
        return values

    def _flow_mapping(self, loc: Loc) -> dict[str, Any]:
        values: dict[str, Any] = {}
        self._begin(loc)
        while self._another("}", first=not values):
            found = _FLOW_KEY.match(self.text, self.pos)
            if found is None or found[1] in values:
                self._decline()
            here, mark = (*loc, found[1]), self._place()
            self.pos = found.end()
            values[found[1]] = self._flow(here)
            self.keys[here] = mark
        return values

    def _another(self, end: str, *, first: bool) -> bool:
        """Whether more comes before a bracket's end; goes there, or behind the end."""
        if first:
            self.pos += 1
        self._skip()
        at = self.text[self.pos : self.pos + 1]
        if at == end:
            self.pos += 1
            return False
        if not first:
            if at != ",":
                self._decline()
            self.pos += 1
            self._skip()
        return True

    def _skip(self) -> None:
        found = _IN_FLOW.match(self.text, self.pos)
        assert found is not None
        if lines := self.text.count("\n", self.pos, found.end()):
            self.line += lines
            self.start = self.text.rindex("\n", self.pos, found.end()) + 1
        self.pos = found.end()

    def _scalar(self, here: Loc, words: re.Pattern[str]) -> Any:
        self._begin(here)
        if found := words.match(self.text, self.pos):
            value = core_value(found[0])
        elif found := _QUOTED.match(self.text, self.pos):
            value = found[1] if found[2] is None else found[2]
        else:
            self._decline()
        self.pos = found.end()
        return value

    def _to_next_line(self) -> None:
        found = _END_OF_LINE.match(self.text, self.pos)
        if found is None:
            self._decline()
        self.pos = self.start = found.end()
        self.line += 1
        self._to_content()

    def _to_content(self) -> None:
        """From where a line begins."""
        found = _TO_CONTENT.match(self.text, self.pos)
        assert found is not None
        first, self.pos = found.span(1)
        if lines := self.text.count("\n", self.start, first):
            self.line, self.start = self.line + lines, first
        self.indent = -1 if found.end() == len(self.text) else self.pos - first

    def _begin(self, loc: Loc) -> None:
        if len(loc) > DEEPEST or len(self.marks) >= MOST_VALUES:
            self._decline()
        self.marks[loc] = self._place()

    def _place(self) -> Mark:
        return self.line, self.pos - self.start + 1

    def _decline(self) -> NoReturn:
        raise _NotPlainError
