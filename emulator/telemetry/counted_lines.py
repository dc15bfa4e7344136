"""Lines for the screen about what strangers may cause as often as they like: counted, and seldom said."""

from __future__ import annotations

from collections.abc import Callable


class CountedLines:
    """Says the first of a kind at once, then at most one line a second, with how many there were since.

    Times are seconds of any clock that only goes forward. ``flush`` says what still waits, once it may.
    """

    EVERY_S = 1.0

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._text, self._waiting, self._all = "", 0, 0
        self._said_s = float("-inf")

    def add(self, text: str, now_s: float) -> bool:
        """One more; whether it was said."""
        self._text = text
        self._waiting += 1
        self._all += 1
        return self.flush(now_s)

    def flush(self, now_s: float) -> bool:
        """Say what waits, unless something was said less than a second ago; whether it was said."""
        if self._waiting == 0 or now_s - self._said_s < self.EVERY_S:
            return False
        many = "" if self._all == 1 else f" ({self._waiting} since the last line, {self._all} in all)"
        self._say(self._text + many)
        self._waiting, self._said_s = 0, now_s
        return True
