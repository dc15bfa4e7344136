"""Bus logs that are text, a line a frame, as frames in columns.

Lines of the plainest form are read by compiled code (``lines``). All others, the head among them, go to
python-can in their place, one by one, so that it is what reads a log; the compiled code only knows what it
would make of most lines. The first frame of a log is read by python-can as well, which then knows what its
head says.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit
from emulator.track.logs.gathered import Block, Gathered, is_full
from emulator.track.logs.lines.asc import asc_line
from emulator.track.logs.lines.candump import candump_line
from emulator.track.logs.lines.columns import columns_line
from emulator.track.logs.lines.form import (
    ASC,
    BUS,
    BYTES,
    CANDUMP,
    CODE,
    COLUMNS,
    DIRECTION,
    IDENTIFIER,
    KIND,
    NOTHING,
    PAYLOAD,
    REST,
    ROWS,
    TIME,
    Form,
)
from emulator.track.logs.lines.rows import row_line
from emulator.track.logs.log import LogError
from emulator.track.logs.packed import unpacked

_PIECE = 1 << 20
_LONGEST = 1 << 20
_MORE, _FULL, _OTHER = 0, 1, 2

Bytes = NDArray[np.uint8]


class LineTooLong(Exception):
    """A line that is none of a log of text."""

    def __str__(self) -> str:
        """Words for people."""
        return f"a line of more than {_LONGEST:,} bytes"


class LineCutOff(Exception):
    """The last line of a log, of which nobody can say how it went on."""

    def __str__(self) -> str:
        """Words for people."""
        return "it ends in the middle of a line, which was left out"


def gather_asc(path: Path, gathered: Gathered) -> None:
    """Gather the frames of an ASC log.

    Raises whatever python-can does, LineTooLong, LineCutOff, OSError, EOFError; what was gathered before
    stays. What ``gathered`` raises; LogError for times that python-can would take for others.
    """
    from can import ASCReader

    def form_of(reader: Any) -> Form:
        if reader.timestamps_format == "relative":
            raise LogError(
                f"{path} tells each time from the line before it, as its head says",
                advice="export it with absolute time stamps, as base hex timestamps absolute",
            )
        return Form(ASC, base=10 if reader.base == "dec" else 16)

    _gather(path, gathered, ASCReader, form_of)


def gather_candump(path: Path, gathered: Gathered) -> None:
    """Gather the frames of a log of SocketCAN's ``candump -L``. Raises as ``gather_asc``."""
    from can import CanutilsLogReader

    _gather(path, gathered, CanutilsLogReader, lambda _: Form(CANDUMP))


def gather_rows(path: Path, gathered: Gathered) -> None:
    """Gather the frames of a table that python-can wrote. Raises as ``gather_asc``."""
    from can import CSVReader

    _gather(path, gathered, CSVReader, lambda _: Form(ROWS))


def gather_columns(path: Path, gathered: Gathered) -> None:
    """Gather the frames of a log in columns, ``.trc``. Raises as ``gather_asc``."""
    from can import TRCReader

    _gather(path, gathered, TRCReader, _form_of_columns)


def _gather(path: Path, gathered: Gathered, reader_of: Any, form_of: Callable[[Any], Form]) -> None:
    with unpacked(path) as file:
        lines = _Lines(file, gathered)
        reader = reader_of(lines)
        for message in reader:
            if lines.form is None:
                lines.form = form_of(reader)
            gathered.add_message(message)
    if lines.cut_off:
        raise LineCutOff


def _form_of_columns(reader: Any) -> Form:
    """What python-can takes from a head; the versions before 2 have none of columns."""
    from can.io.trc import TRCFileVersion

    version, places = reader.file_version, reader.columns
    if version >= TRCFileVersion.V2_0:
        length = ("l", BYTES) if "l" in places else ("L", CODE)
        roles = {"O": TIME, "T": KIND, "B": BUS, "I": IDENTIFIER, "d": DIRECTION}
        roles |= dict([length]) | {"D": REST}
        columns = [NOTHING] * (reader._num_columns + 1)
        for name, role in roles.items():
            if name in places:
                columns[places[name]] = role
            elif name != "B":
                return Form()
        plain = columns[-1] == REST
    elif version >= TRCFileVersion.V1_3:
        columns = [NOTHING, TIME, BUS, DIRECTION, IDENTIFIER, NOTHING]
        columns, plain = [*columns, BYTES, PAYLOAD], not places
    elif version >= TRCFileVersion.V1_1:
        columns = [NOTHING, TIME, DIRECTION, IDENTIFIER, BYTES, PAYLOAD]
        plain = not places
    else:
        columns, plain = [NOTHING, TIME, IDENTIFIER, BYTES, PAYLOAD], not places
    start_s = reader._start_time if version >= TRCFileVersion.V1_1 else 0.0
    return Form(COLUMNS, columns=np.array(columns, np.int8), start_s=float(start_s)) if plain else Form()


class _Lines:
    """Lines of a file that compiled code leaves to python-can; frames of the others are gathered before.

    form     of plain lines, once that is known; until then all are left
    cut_off  whether the last line had no end, and so was left out
    """

    def __init__(self, file: BinaryIO, gathered: Gathered) -> None:
        self.form: Form | None = None
        self.cut_off = False
        self._file, self._gathered = file, gathered
        self._held, self._at = np.empty(0, np.uint8), 0
        self._left: Iterator[str] = iter(())

    def __iter__(self) -> _Lines:
        """Itself."""
        return self

    def __next__(self) -> str:
        """The next line that is left. Raises StopIteration at the end, LineTooLong, OSError."""
        while (line := next(self._left, None)) is None:
            self._at, following, status = _scan(
                self._held, self._at, self._gathered.block, self.form or Form()
            )
            if status == _FULL:
                self._gathered.decode()
            elif status == _OTHER:
                # a comment may be in any encoding; a line may end by a single CR
                text = self._held[self._at : following].tobytes().decode("utf-8", "replace")
                self._left = io.StringIO(text, newline=None)
                self._at = following
            elif not self._read_on():
                raise StopIteration
        return line

    def close(self) -> None:
        """For python-can; the file is closed by whoever opened it."""

    def _read_on(self) -> bool:
        """Hold the next lines of the file; False: there are none. Raises LineTooLong, OSError, EOFError."""
        rest = self._held[self._at :].tobytes()
        if len(rest) > _LONGEST:
            raise LineTooLong
        piece = self._file.read(_PIECE)
        if not piece and rest.endswith(b"\r"):
            piece = b"\n"
        self.cut_off = bool(rest) and not piece
        self._held, self._at = np.frombuffer(rest + piece, np.uint8), 0
        return bool(piece)


@jit
def _scan(data: Bytes, at: int, block: Block, said: Form) -> tuple[int, int, int]:
    """Put frames from ``at`` on, until the data ends, the block is full or a line is none of the plain ones.

    Returns the beginning of the line that it stopped at, of the one behind it, and why.
    """
    while True:
        end, following, whole = _line_end(data, at)
        if end < 0:
            return at, at, _MORE
        if is_full(block):
            return at, at, _FULL
        if not whole or not _put_line(data, at, end, block, said):
            return at, following, _OTHER
        at = following


@jit
def _put_line(data: Bytes, at: int, end: int, block: Block, said: Form) -> bool:
    """Put the frame of a line; False: it is no plain one."""
    if said.kind == ASC:
        return asc_line(data, at, end, block, said.base)
    if said.kind == CANDUMP:
        return candump_line(data, at, end, block)
    if said.kind == ROWS:
        return row_line(data, at, end, block)
    return said.kind == COLUMNS and columns_line(data, at, end, block, said)


@jit
def _line_end(data: Bytes, at: int) -> tuple[int, int, bool]:
    """Where the line ends, the next one begins (-1: data ends before), and whether no CR is within."""
    whole = True
    for k in range(at, len(data)):
        if data[k] == 10:
            return k - 1 if k > at and data[k - 1] == 13 else k, k + 1, whole
        if data[k] == 13 and k + 1 < len(data) and data[k + 1] != 10:
            whole = False
    return -1, -1, whole
