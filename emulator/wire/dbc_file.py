"""A DBC file from outside: read within limits, looked over, parsed by cantools, each frame at its line.

cantools works out every signal's bits before anybody can ask whether they are in the frame, numbers may be
any size there, and its messages quote the file. So sizes are looked at first, in the text, and what is not
DBC syntax is told by its place alone: a rig may name any file, and its content is nobody else's business.
What it came to is plain data of our own, kept under the file's content: the library's import alone takes
longer than all else that a check does with frames.
"""

from __future__ import annotations

import copy
import re
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from emulator.core.errors import ConfigError, Problem, UnreadableError
from emulator.core.keeping.kept_results import code_of, kept_result
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

    def of(self, file: str) -> Lines:
        """The same of another file with the same text."""
        lines = copy.copy(self)
        lines.file = file
        return lines

    def problem(self, expected: str, frame: str = "", signal: str = "") -> Problem:
        """A problem at the signal's line, else the frame's, else line 1."""
        line = self.signal.get((frame, signal)) or self.frame.get(frame, [1])[0]
        return Problem(self.file, line, 1, f"{frame}.{signal}" if signal else frame, expected)


class DbcSignal(NamedTuple):
    """One signal as the file has it; bits are counted as a DBC counts them.

    start          its first bit: of a little-endian signal the lowest, of a big-endian one the highest
    choices        names of raw values
    multiplexed    whether it chooses others, or is there for some values of one that does
    chosen_by      that one; empty if it is always there
    chosen_at      raw values of that one for which it is there
    """

    name: str
    start: int
    length: int
    byte_order: str
    is_signed: bool
    is_float: bool
    scale: float
    offset: float
    minimum: float | None
    maximum: float | None
    unit: str
    comment: str
    choices: dict[int, str]
    multiplexed: bool
    chosen_by: str
    chosen_at: tuple[int, ...]


class DbcFrame(NamedTuple):
    """One frame as the file has it, its signals by their start bit.

    data_id   the attribute ``DataId``; None without it
    e2e_mode  the attribute ``E2EMode``, by its name if the file gives it one; None without it
    """

    name: str
    frame_id: int
    is_extended_frame: bool
    length: int
    is_fd: bool
    senders: tuple[str, ...]
    comment: str
    signals: tuple[DbcSignal, ...]
    data_id: int | None
    e2e_mode: str | int | float | None


class DbcFile(NamedTuple):
    """A parsed file, and where its frames stand."""

    frames: tuple[DbcFrame, ...]
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
    def parsed() -> DbcFile:
        if problems := _oversized(file, text):
            raise ConfigError(problems)
        lines = Lines(file, text)
        return DbcFile(tuple(map(_frame, _database(text, lines).messages)), lines)

    found = kept_result("dbc", text.encode(), code_of((__file__,), ("cantools", "textparser")), parsed)
    return found._replace(lines=found.lines.of(file))


def _frame(message: Any) -> DbcFrame:
    """A message of cantools as plain data."""
    attributes = {} if message.dbc is None else message.dbc.attributes
    data_id, mode = (attributes.get(name) for name in ("DataId", "E2EMode"))
    return DbcFrame(
        name=message.name,
        frame_id=message.frame_id,
        is_extended_frame=bool(message.is_extended_frame),
        length=message.length,
        is_fd=bool(message.is_fd),
        senders=tuple(message.senders),
        comment=message.comment or "",
        signals=tuple(map(_signal, message.signals)),
        data_id=None if data_id is None else int(data_id.value),
        e2e_mode=None if mode is None else _named(mode),
    )


def _signal(signal: Any) -> DbcSignal:
    return DbcSignal(
        name=signal.name,
        start=signal.start,
        length=signal.length,
        byte_order=signal.byte_order,
        is_signed=bool(signal.is_signed),
        is_float=bool(signal.is_float),
        scale=signal.scale,
        offset=signal.offset,
        minimum=signal.minimum,
        maximum=signal.maximum,
        unit=signal.unit or "",
        comment=signal.comment or "",
        choices={int(raw): str(name) for raw, name in (signal.choices or {}).items()},
        multiplexed=bool(signal.is_multiplexer or signal.multiplexer_ids),
        chosen_by=signal.multiplexer_signal or "",
        chosen_at=tuple(signal.multiplexer_ids or ()),
    )


def _named(attribute: Any) -> str | int | float:
    """An attribute's value; a DBC gives a value of a list by its place in it."""
    value, labels = attribute.value, attribute.definition.choices or ()
    found: str | int | float = labels[value] if isinstance(value, int) and 0 <= value < len(labels) else value
    return found


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
