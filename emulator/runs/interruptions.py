"""Ctrl-C and its like while a run is ridden and judged: the first one asks, the second one ends at once."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import Any

_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)


class Interruptions:
    """Takes the signals while it is entered; ``by`` is the name of the first one that came, empty before.

    What is ridden on the stepped clock looks at ``by`` and stops. A ride that is over goes on to its verdict,
    report included: nobody has to lose what was ridden. A second signal raises KeyboardInterrupt.

    then  what happens on the first one, in words behind its name

    Does nothing outside the main thread, where Python takes no signals.
    """

    def __init__(
        self,
        say: Callable[[str], None],
        then: str = "stopping in an orderly way, the verdict follows; again ends at once",
    ) -> None:
        self.by = ""
        self._say, self._then = say, then
        self._before: dict[int, Any] = {}

    def __enter__(self) -> Interruptions:
        if threading.current_thread() is threading.main_thread():
            for number in _SIGNALS:
                self._before[number] = signal.getsignal(number)
            self.take_over()
        return self

    def take_over(self) -> None:
        """Take the signals again, from an event loop that had them meanwhile and has ended."""
        for number in self._before:
            signal.signal(number, self._note)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _note(self, number: int, _frame: FrameType | None) -> None:
        if self.by:
            if number != signal.SIGHUP:  # a terminal that is closed says so twice by itself
                raise KeyboardInterrupt
            return
        self.by = signal.Signals(number).name
        self._say(f"{self.by}: {self._then}")
