"""What all commands share of the screen: console, caution, exit statuses."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Iterable
from typing import IO, Any, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.progress import BarColumn, ProgressColumn, SpinnerColumn, TextColumn, TimeElapsedColumn
from rich.segment import Segment

from emulator.core.outside.visible_text import visible

EXIT_STATUS: dict[str, int] = {"pass": 0, "fail": 1, "invalid": 2, "error": 4, "stopped": 5}
"""Exit status of a verdict."""
INVALID, WRONG_INPUT, OTHER = 2, 3, 4
"""What commands end with beside the verdict's own statuses."""
FASTEST_km_h = 450.0
"""Highest speed that a command takes."""

CAUTION = (
    "Caution: emulated signals drive a real robot. This program is not a safety function. The hardware "
    "emergency stop, the guards and distance are (ISO 12100, ISO 13849-1, IEC 60204-1); keep clear of the "
    "robot's reach; never connect the emulated bus to a bike that can move; local rules and licensed "
    "practice decide."
)


class LastingOutput:
    """A text file for which a closed pipe or terminal is no error: what nobody takes is thrown away.

    From the first refused write on, its descriptor leads nowhere, so that Python's own last flush holds, too.
    """

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def write(self, text: str) -> int:
        """As a file's."""
        try:
            return self._file.write(text)
        except OSError:
            self._lead_nowhere()
            return len(text)

    def flush(self) -> None:
        """As a file's."""
        try:
            self._file.flush()
        except OSError:
            self._lead_nowhere()

    def __getattr__(self, name: str) -> Any:
        """Everything else is the file's own."""
        return getattr(self._file, name)

    def _lead_nowhere(self) -> None:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, self._file.fileno())
        os.close(nowhere)


def show_what_can_be_shown() -> None:
    """Have a question mark stand for each character that a terminal of another encoding has not.

    Without that a locale such as ISO 8859-1 ends a command at its first tick mark, and with that a ride
    without its verdict's status.
    """
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.errors in ("strict", "surrogateescape"):
            stream.reconfigure(errors="replace")


class PlainConsole(Console):
    """A console on which nothing that came from a file steers the terminal; only our own colours do."""

    def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
        """The segments of what is printed, as all of it is rendered: lines, tables, progress."""
        for segment in super().render(renderable, options):
            yield segment if segment.control else segment._replace(text=visible(segment.text))


def console_of_stdout(*, lasting: bool = False) -> Console:
    """The console that commands print to.

    lasting  goes on when nobody reads any more: for a command whose work is not its output
    """
    # In a file or a pipe there is no width to fit into: tables come out whole.
    width = None if sys.stdout.isatty() else 110
    file = cast("IO[str]", LastingOutput(sys.stdout)) if lasting else None
    return PlainConsole(emoji=False, highlight=False, soft_wrap=True, width=width, file=file)


def console_of_stderr() -> Console:
    """The console that errors are printed to; one that is closed takes no status from the command."""
    return PlainConsole(
        file=cast("IO[str]", LastingOutput(sys.stderr)), emoji=False, highlight=False, soft_wrap=True
    )


_ROOM_FOR_A_BAR = 90  # columns: spinner, words, a bar of 40, the time


def progress_columns(console: Console) -> tuple[ProgressColumn, ...]:
    """What shows how far a command is: words, and a bar only where it leaves them their room."""
    words = (SpinnerColumn(), TextColumn("{task.description}"))
    return (*words, BarColumn(), TimeElapsedColumn()) if console.width >= _ROOM_FOR_A_BAR else words
