"""Time for the loop: the machine's monotonic clock, and a stepped one that only moves when told."""

from __future__ import annotations

import time

_now_ns = time.monotonic_ns
_sleep = time.sleep


class MonotonicClock:
    """CLOCK_MONOTONIC; sleeps to ``spin_ns`` before a deadline, then spins the rest.

    CPython's ``time.sleep`` is itself an absolute ``clock_nanosleep`` on CLOCK_MONOTONIC (since 3.11), so
    its error does not add up and nothing is gained by calling the C function ourselves.

    spin_ns  [ns]  0 never spins; longer hides the wake-up of the sleep at the price of processor time
    """

    def __init__(self, spin_ns: int = 0) -> None:
        if spin_ns < 0:
            raise ValueError(f"spin_ns must not be negative, got {spin_ns}")
        self._spin_ns = spin_ns

    def now_ns(self) -> int:
        """Nanoseconds since an arbitrary origin."""
        return _now_ns()

    def sleep_until(self, deadline_ns: int) -> int:
        """Return at or just after the deadline (at once if it has passed); the value is the time it did."""
        now = _now_ns()
        rest = deadline_ns - now - self._spin_ns
        if rest > 0:
            _sleep(rest * 1e-9)
            now = _now_ns()
        while now < deadline_ns:
            now = _now_ns()
        return now


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
