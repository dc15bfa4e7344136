"""What a robot's own software is told in a control period, and what it says: one protocol for all kinds.

``begin`` once, ``act`` every period, ``end`` once. Times are those of a clock that begins with the loop; a
robot learns nothing of the scenario's. This module is loaded in the robot's own process, too: it imports
next to nothing.
"""

from __future__ import annotations

import sys
import traceback
from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple, Protocol, TypeAlias

from emulator.core.errors import EmulatorError

How: TypeAlias = Literal["raised", "hung", "left", "nonsense", "silent"]
Wants: TypeAlias = Literal["values", "frames", "both"]
WANTS: tuple[Wants, ...] = ("values", "frames", "both")
MOST_FRAMES = 32
"""Frames a robot may send in a period."""
MOST_NOTES = 64
"""Names a robot may note values under."""
BEGIN_LIMIT_S = 60.0
"""To be made and to begin there is at least so long: imports, and what is worked out before a ride."""


class RobotFailed(EmulatorError):
    """The robot's software raised, hung, left, said what makes no sense, or nothing that a ride begins with.

    how        which of them
    traceback  of what it raised; empty if there is none
    """

    def __init__(self, how: How, what: str, traceback_text: str = "") -> None:
        super().__init__(what)
        self.how, self.traceback = how, traceback_text


class Start(NamedTuple):
    """What a robot is told before its first period.

    period_ns      from one ``act`` to the next
    start_east_m, start_north_m, start_heading_rad  where it stands, as ``emulator line`` has it
    settings       numbers from the rig
    """

    period_ns: int
    rig: str
    scenario: str
    start_east_m: float
    start_north_m: float
    start_heading_rad: float
    settings: dict[str, float]


class Frame(NamedTuple):
    """A frame of the bench's. can_id: bit 31 set for 29-bit identifiers."""

    arrived_ns: int
    can_id: int
    data: bytes


class Sentences(NamedTuple):
    """Bytes from the GNSS port."""

    arrived_ns: int
    data: bytes


class Moment(NamedTuple):
    """What has arrived since the period before.

    values  of it, decoded, by the names of the DBC, and those of a GNSS fix; NaN: not available. Damaged and
            repeated frames are left out
    """

    time_ns: int
    frames: Sequence[Frame]
    sentences: Sequence[Sentences]
    values: Mapping[str, float]


class Answer(NamedTuple):
    """What a robot sends, and what it notes.

    frames  (identifier, bytes), as they go on the bus
    values  commands by the names of the DBC; they go on with every frame of theirs until they are changed
    notes   numbers of its own, recorded beside
    """

    frames: Sequence[tuple[int, bytes]] = ()
    values: Mapping[str, float] = {}  # never written to
    notes: Mapping[str, float] = {}


NOTHING = Answer()


def took_too_long(limit_s: float, when: str) -> str:
    """That a robot did not answer in time, and what to do."""
    return f"it took more than {limit_s:g} s {when} (step_limit_s allows more, --patient waits)"


class Speaker(Protocol):
    """A robot's software, whatever it is written in. Every method raises RobotFailed.

    lag_periods  how many periods later than it says something that belongs on the bus
    """

    name: str
    version: str
    wants: Wants
    lag_periods: int

    def begin(self, start: Start) -> None:
        """Get ready, from the same state every time."""
        ...

    def act(self, moment: Moment) -> Answer:
        """A control period."""
        ...

    def end(self, why: str) -> None:
        """The ride is over. Never raises; safe to call twice."""
        ...


def raised(where: str, error: BaseException, file: str = "") -> RobotFailed:
    """The failure that an exception in the robot's own code is, with what to do where that is known.

    file  of the code: its last line that was in work is told
    """
    text = "".join(traceback.format_exception(error))
    lines = [entry.lineno for entry in traceback.extract_tb(error.__traceback__) if entry.filename == file]
    if lines:
        where = f"{where}, line {lines[-1]}"
    advice = ""
    if isinstance(error, ModuleNotFoundError):
        advice = (
            f"; a library: pip install it for {sys.executable}; a file of yours: put it beside the robot's"
        )
    elif isinstance(error, FileNotFoundError):
        advice = (
            "; a path counts from the folder of the command: take Path(__file__).parent for the file's own"
        )
    said = f": {words}" if (words := str(error)) else ""
    return RobotFailed("raised", f"it raised {type(error).__name__} in {where}{said}{advice}", text)
