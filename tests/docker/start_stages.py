"""Where the time from a container's start to its ride goes, by what its processes say and when."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from tests.docker.podman import Failed

SAID = {
    "emulator": {
        " (bench, seed ": "files read, the ride is named",
        "bus: ": "its processes are started",
        "GNSS: ": "loop and recorder are ready",
        "arming: ": "it waits for the robot",
        "robot heartbeat: given": "the robot is heard",
    },
    "robot": {
        "Caution": "compiler and program imported",
        "waiting for the bench": "files read, designed, rehearsed",
        "on the bus": "on the bus",
    },
}
"""By service, what a line of its log has in it, and what that shows."""
ONLY_CHANGES = {"robot heartbeat: given"}
"""Not said by a bench that the robot was there for from its first look on."""


@dataclass(frozen=True)
class Moment:
    """Something that was seen ``at_s`` [s] after the start."""

    at_s: float
    who: str
    what: str


def moments(name: str, log: str, start: datetime) -> list[Moment]:
    """What a service's log shows of its start, each by the first line that has it in it.

    log    lines ``TIME TEXT``, as `podman logs --timestamps` writes them (RFC 3339)
    start  that times are counted from

    Raises Failed for a moment that no line shows, unless it is one of a change.
    """
    lines = [line.partition(" ")[::2] for line in log.splitlines()]
    found = []
    for words, what in SAID[name].items():
        at = next((time for time, text in lines if words in text), None)
        if at is None and words in ONLY_CHANGES:
            continue
        if at is None:
            raise Failed(f"no line of {name} has {words!r} in it")
        found.append(Moment((datetime.fromisoformat(at) - start).total_seconds(), name, what))
    return found


def table(found: Iterable[Moment]) -> list[str]:
    """A line a moment in their order, each with what it took since the one before of the same process."""
    last: dict[str, float] = {}
    lines = []
    for moment in sorted(found, key=lambda m: m.at_s):
        took = moment.at_s - last.get(moment.who, 0.0)
        last[moment.who] = moment.at_s
        lines.append(f"{moment.at_s:6.2f} s  {took:+6.2f}  {moment.who:9} {moment.what}")
    return lines
