"""UTC over an inserted leap second: the last minute of its day has 61 seconds.

Time is counted on through it; without one the count is that of a POSIX clock. Source: ITU-R TF.460-6, annex
1, 2.2 (from memory): a positive leap second begins at 23:59:60 and ends at 00:00:00 of the next month's first
day.
"""

from __future__ import annotations

from emulator.core.compiled import jit

DAY_ms = 86_400_000
NO_LEAP_ms = 1 << 62
"""``leap_ms`` where none is inserted."""


@jit
def day_and_time(counted_ms: int, leap_ms: int) -> tuple[int, int]:
    """Day since 1970-01-01 and time of day [ms]; within the leap second 86,400,000 to 86,400,999.

    counted_ms  [ms] since 1970-01-01 as a POSIX clock had it when the count began, leap second counted
    leap_ms     [ms] the same count at the leap second's beginning
    """
    if counted_ms < leap_ms:
        return counted_ms // DAY_ms, counted_ms % DAY_ms
    counted_ms -= 1000
    inserted = 1000 if counted_ms < leap_ms else 0
    return counted_ms // DAY_ms, counted_ms % DAY_ms + inserted
