"""A DBC file from outside: read within limits, looked over, parsed by cantools, each frame at its line.

cantools works out every signal's bits before anybody can ask whether they are in the frame, numbers may be
any size there, and its messages quote the file. So sizes are looked at first, in the text, and what is not
DBC syntax is told by its place alone: a rig may name any file, and its content is nobody else's business.
"""

from __future__ import annotations

import re
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.outside.reading import DBC, read_whole

MOST_BYTES_A_FRAME = 1785
"""Longest message a DBC lists: of the transport protocol of SAE J1939-21 (from memory). Ours have 64."""
MOST_FRAMES, MOST_SIGNALS = 2000, 8000
"""A few hundred and a few thousand are what a whole vehicle's bus has; cantools takes 0.2 ms a signal."""
MOST_WORDS = 100_000
"""Words of a file outside of texts; a signal is ten of them."""
LONGEST_NUMBER = 40
"""Characters a number may have."""

_MOST_BITS = 8 * MOST_BYTES_A_FRAME
_MOST_IDENTIFIER = 0xFFFF_FFFF  # with the bit that marks 29-bit ones, as a DBC writes it
_MOST_PROBLEMS = 20
_TEXT_OR_COMMENT = re.compile(r'"(?:\\"|[^"])*?"|//[^\n]*')
_NOT_SPACE = re.compile(r"[^\s]")
_LONG_NUMBER = re.compile(rf"[\d.]{{{LONGEST_NUMBER + 1},}}|\d[eE][+-]?\d{{4,}}")
_FRAME = re.compile(r"\bBO_\s+(-?\d+)\s+(\w+)\s*:\s*(-?\d+)")
_SIGNAL = re.compile(r"\bSG_\s+(\w+)[^:;]{0,40}:\s*(-?\d+)\s*\|\s*(-?\d+)\s*@")


class Lines:
    """Where frames and signals stand in the DBC text, for error messages."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.frame: dict[str, list[int]] = {}
        self.identifier: dict[int, list[int]] = {}
        self.signal: dict[tuple[str, str], int] = {}
        name = ""
        for number, line in enumerate(text.splitlines(), 1):
            if match := re.match(r"\s*BO_\s+(\d+)\s+(\w+)\s*:", line):
                name = match[2]
                self.frame.setdefault(name, []).append(number)
                self.identifier.setdefault(int(match[1]), []).append(number)
            elif match := re.match(r"\s*SG_\s+(\w+)", line):
                self.signal.setdefault((name, match[1]), number)

    def problem(self, expected: str, frame: str = "", signal: str = "") -> Problem:
        """A problem at the signal's line, else the frame's, else line 1."""
        line = self.signal.get((frame, signal)) or self.frame.get(frame, [1])[0]
        return Problem(self.file, line, 1, f"{frame}.{signal}" if signal else frame, expected)


class DbcFile(NamedTuple):
    """A parsed file: the cantools database, not to be changed, and where its frames stand."""

    database: Any
    lines: Lines


def read_dbc(path: Path) -> DbcFile:
    """Read and parse a DBC file, as UTF-8 or else Windows-1252.

    Where signals lie in their frames is not checked here (``strict`` is off).
    Raises ConfigError: not there, no ordinary file, too large, no text, no DBC, numbers beyond any bus.
    """
    file = str(path)
    return _parsed(file, _text(path, file))


@lru_cache(maxsize=2)  # a check asks for the same file several times
def _parsed(file: str, text: str) -> DbcFile:
    if problems := _oversized(file, text):
        raise ConfigError(problems)
    lines = Lines(file, text)
    return DbcFile(_database(text, lines), lines)


def _text(path: Path, file: str) -> str:
    try:
        raw = read_whole(path, DBC)
    except UnreadableError as error:
        raise ConfigError([Problem(file, 1, 1, "", f"expected a readable DBC file: {error.why}")]) from error
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    try:
        return raw.decode("cp1252")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        what = "expected text in UTF-8 or Windows-1252; is this a DBC file?"
        raise ConfigError([Problem(file, line, 1, "", what)]) from error


def _oversized(file: str, text: str) -> list[Problem]:
    """What would take long to parse, or be no frame of any bus."""
    bare = _TEXT_OR_COMMENT.sub(lambda found: _NOT_SPACE.sub(" ", found[0]), text)
    problems: list[Problem] = []

    def note(at: int, key: str, expected: str) -> None:
        problems.append(Problem(file, bare.count("\n", 0, at) + 1, 1, key, expected))

    frames, signals = list(_FRAME.finditer(bare)), list(_SIGNAL.finditer(bare))
    for found, most, what in ((frames, MOST_FRAMES, "frames"), (signals, MOST_SIGNALS, "signals")):
        if len(found) > most:
            note(found[most].start(), "", f"expected at most {most} {what}; keep those that the robot needs")
    words = len(bare.split())
    if words > MOST_WORDS:
        note(0, "", f"expected at most {MOST_WORDS} words outside of texts, got {words}")
    if number := _LONG_NUMBER.search(bare):
        what = f"expected numbers of at most {LONGEST_NUMBER} digits and exponents below 1000"
        note(number.start(), "", what)
    for frame in frames:
        if not _within(frame[1], _MOST_IDENTIFIER):
            note(frame.start(), frame[2], f"expected an identifier of 29 bits, got {frame[1]:.40}")
        if not _within(frame[3], MOST_BYTES_A_FRAME):
            note(frame.start(), frame[2], f"expected 0 to {MOST_BYTES_A_FRAME} bytes, got {frame[3]:.40}")
    for signal in signals:
        for value, what in ((signal[2], "start"), (signal[3], "length")):
            if not _within(value, _MOST_BITS):
                said = f"expected a {what} of 0 to {_MOST_BITS} bits, got {value:.40}"
                note(signal.start(), signal[1], said)
    return problems[:_MOST_PROBLEMS]


def _within(number: str, most: int) -> bool:
    return len(number) <= LONGEST_NUMBER and 0 <= int(number) <= most


def _database(text: str, lines: Lines) -> Any:
    """The cantools database, or ConfigError with the line where known."""
    import cantools
    import textparser

    database = cantools.database.can.Database(strict=False)
    try:
        database.add_dbc_string(text)
    except textparser.Error as error:
        # Its words quote the line, which may be of a file that is none of our business.
        line, column = getattr(error, "line", 1), getattr(error, "column", 1)
        problem = Problem(
            lines.file, line, column, "", "expected DBC syntax from here on; is this a DBC file?"
        )
        raise ConfigError([problem]) from None
    except Exception as error:  # a broken file makes the parser's internals fail in many ways
        said = str(error) or type(error).__name__
        named = [name for name in lines.frame if re.search(rf"\b{name}\b", said)]
        expected = f"expected a consistent DBC file: {said[:200]}"
        raise ConfigError([lines.problem(expected, named[0] if named else "")]) from error
    return database
