"""A scenario in Python where YAML has no words: a class that looks at the ride and asks for events.

    from emulator import Hook, Ride

    class Unlucky(Hook):
        def look(self, ride: Ride) -> None:
            if ride["truth.roll_rad"] > 0.6 and ride["robot.front_brake_Pa"] < 1e5:
                ride.start("wet patch")

It runs in a process of its own, in the virtual stage and on the bench alike, sees the recorded signals every
so often, and can start and end the scenario's events that wait to be asked for (``at: {on_request: true}``),
marks among them. Every such wish is recorded with its tick. On the bench it sees what has just been, as an
onlooker does; nothing waits for it, and one that takes longer than its budget ends the ride with verdict
error, as one that raises, prints or leaves does.
"""

from __future__ import annotations

from collections.abc import Sequence

from emulator.core.signals import FORMER_SIGNALS, INDEX

FORMER_MODULE = "emulator.scenario.hook"
"""Where Hook and Ride were imported from in the version before; the host lets it go on for this one."""


class Ride:
    """The ride as a hook sees it: recorded signals by name, and what can be asked for."""

    def __init__(self, events: Sequence[str]) -> None:
        self._events = tuple(events)
        self._row: Sequence[float] = ()
        self._asked: list[tuple[str, str]] = []
        self.time_s = 0.0

    def __getitem__(self, signal: str) -> float:
        """A recorded signal (emulator.core.signals). Raises KeyError with its name if there is none."""
        return float(self._row[INDEX[FORMER_SIGNALS.get(signal, signal)]])

    def start(self, event: str) -> None:
        """Start an event that waits to be asked for; one that is active goes on. Raises ValueError."""
        self._ask("start", event)

    def end(self, event: str) -> None:
        """End such an event before its time. Raises ValueError."""
        self._ask("end", event)

    def _ask(self, what: str, event: str) -> None:
        if event not in self._events:
            known = ", ".join(map(repr, self._events)) or "none; give one `at: {on_request: true}`"
            raise ValueError(f"no event {event!r} waits to be asked for; those that do: {known}")
        self._asked.append((what, event))

    def show(self, time_s: float, row: Sequence[float]) -> None:
        """For the host: the signals of an instant."""
        self.time_s, self._row = time_s, row

    def pop(self) -> list[tuple[str, str]]:
        """For the host: what was asked for since the last time."""
        asked, self._asked = self._asked, []
        return asked


class Hook:
    """Base of a scenario's class. It is made once, before the ride, without arguments."""

    def look(self, ride: Ride) -> None:
        """Called every ``every_ms`` of the ride."""
        raise NotImplementedError("a hook has to say what it does when it looks")
