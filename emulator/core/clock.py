"""Time for the loop: what a clock must offer, and the machine's monotonic one."""

from __future__ import annotations

import time
from typing import Protocol

_now_ns = time.monotonic_ns
_sleep = time.sleep


class Clock(Protocol):
    """Monotonic time in integer nanoseconds."""

    def now_ns(self) -> int:
        """Nanoseconds since an arbitrary origin that never changes during a run."""
        ...

    def sleep_until(self, deadline_ns: int) -> int:
        """Return at or just after the deadline; the returned value is the time it did."""
        ...


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


def first_deadline(now_ns: int, period_ns: int) -> int:
    """The first deadline [ns] one to two periods from now: half a period off the whole ones of the clock.

    Linux' own timer interrupt comes at whole multiples of its period on this clock, on every core. A loop
    whose deadlines fall there waits for it again and again: a phase left to chance is now and then that one.
    """
    ahead = now_ns + period_ns
    return ahead + (period_ns // 2 - ahead) % period_ns
