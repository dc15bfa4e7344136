"""Who asked a bench run to stop, and how: the first time in order, the second time at once."""

from __future__ import annotations

import signal
from collections.abc import Callable

from emulator.core.clock import Clock, MonotonicClock
from emulator.core.errors import Stopped


class StopAsked:
    """What was asked for.

    causes   a signal's name each, or why the run itself wants to stop; empty as long as nobody asked
    by_hand  the first of them that a person sent
    hand_ns  when [CLOCK_MONOTONIC]
    at_once  a person asked a second time: nothing waits for rest any more
    """

    def __init__(self, clock: Clock | None = None) -> None:
        self._clock = clock or MonotonicClock()
        self.causes: list[str] = []
        self.by_hand = ""
        self.hand_ns = 0
        self.at_once = False
        self._end_now: Callable[[str], None] = lambda _cause: None

    def __bool__(self) -> bool:
        return bool(self.causes)

    def ends_by(self, end_now: Callable[[str], None]) -> None:
        """Called, once, with the signal that asked the second time."""
        self._end_now = end_now

    def signalled(self, number: int) -> None:
        """A signal came. SIGHUP, the terminal is gone, comes twice by itself: it does not count as again."""
        name = signal.Signals(number).name
        self.causes.append(name)
        if not self.by_hand:
            self.by_hand, self.hand_ns = name, self._clock.now_ns()
        elif number != signal.SIGHUP and not self.at_once:
            self.at_once = True
            self._end_now(name)

    def ask(self, cause: str) -> None:
        """The run itself wants to stop."""
        self.causes.append(cause)

    def raise_if_asked(self) -> None:
        """Raises Stopped once somebody has asked for a stop."""
        if self.causes:
            raise Stopped(f"stopped by hand ({self.causes[0]}) before the ride was armed")
