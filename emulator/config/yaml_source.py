"""A YAML file as plain values plus the line and column of every key and value.

Text is parsed once, by ``emulator.config.plain_yaml`` if it can be, else by ``yaml_values``: what it came to
is kept under its content.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path
from typing import Any, TypeAlias

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.keeping.kept_results import code_of, kept_result
from emulator.core.outside.reading import YAML, named_by, read_whole
from emulator.core.outside.visible_text import visible

Loc: TypeAlias = tuple[str | int, ...]
"""Path to a value from the top of the file: keys and list indices."""
Mark: TypeAlias = tuple[int, int]
"""1-based line and column."""

MOST_PROBLEMS = 100
"""Problems of a file's form after which the rest is not read."""
DEEPEST = 40
"""Levels of nesting a file may have."""
MOST_VALUES = 10_000
"""Values, mappings and lists a file may hold; the largest shipped has 660."""
_READERS = (
    __file__,
    *(str(Path(__file__).with_name(f"{name}.py")) for name in ("plain_yaml", "yaml_values")),
)


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
    return ".".join(shortened(visible(str(part)).replace("\n", "\\n"), 60) for part in loc)


def shortened(text: str, most: int) -> str:
    """At most so many characters of a text."""
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


def named_from(folder: str | os.PathLike[str], file: str | os.PathLike[str]) -> str:
    """How a file written into ``folder`` names another: from there, or from the root if that is astray."""
    near = Path(os.path.relpath(os.path.abspath(file), os.path.abspath(folder))).as_posix()
    return os.path.abspath(file) if leads_astray(near) else near


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

    def parsed() -> Source:
        from emulator.config.plain_yaml import read_plain

        sha256 = hashlib.sha256(raw).hexdigest()
        plain = read_plain(text)
        if plain is not None:
            return Source("", plain.data, plain.marks, plain.keys, text, sha256)
        from emulator.config.yaml_values import Builder

        builder = Builder(name)
        data = builder.document(text)
        if builder.problems:
            raise ConfigError(builder.problems + builder.repeated)
        assert isinstance(data, dict)
        return Source("", data, builder.marks, builder.keys, text, sha256, tuple(builder.repeated))

    source = kept_result("yaml", raw, code_of(_READERS, ("ruamel.yaml",)), parsed)
    noted = tuple(replace(problem, file=name) for problem in source.noted)
    return replace(source, path=name, noted=noted)


def _read(name: str) -> bytes:
    try:
        return read_whole(name, YAML)
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


def show(value: object) -> str:
    """A value of a file in a few words, for the end of a message."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return repr(shortened(value, 40))
    if isinstance(value, (list, tuple)):
        return f"a list of {len(value)}"
    if isinstance(value, dict):
        return "a mapping"
    return str(value)
