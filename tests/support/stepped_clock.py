"""A clock for tests: it stands still except when slept on or advanced."""

from __future__ import annotations


class SteppedClock:
    """A clock that stands still except when slept on or advanced: the same run, the same times."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """The present, in the clock's own nanoseconds."""
        return self._now_ns

    def sleep_until(self, deadline_ns: int) -> int:
        """Jump to the deadline (never back)."""
        self._now_ns = max(self._now_ns, deadline_ns)
        return self._now_ns

    def advance(self, duration_ns: int) -> None:
        """Let time pass, as work or a stall would."""
        if duration_ns < 0:
            raise ValueError(f"time does not run backwards, got {duration_ns} ns")
        self._now_ns += duration_ns
