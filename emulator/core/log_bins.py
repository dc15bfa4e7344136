"""Bins for durations, spaced by the logarithm: 400 to a decade from 0.1 us to 10 s.

A bin's middle is within 0.3 % of every duration in it.
"""

from __future__ import annotations

import math

BINS_PER_DECADE = 400
FIRST_EDGE_US = 0.1
BINS = 8 * BINS_PER_DECADE + 2
"""Bin 0 is [0, 0.1 us), the last one is open upwards from 10 s; eight decades lie between."""


def bin_of(duration_ns: int) -> int:
    """Bin of a duration [ns]; negative ones count as zero."""
    duration_us = duration_ns * 1e-3
    if duration_us < FIRST_EDGE_US:
        return 0
    return min(1 + math.floor(math.log10(duration_us / FIRST_EDGE_US) * BINS_PER_DECADE), BINS - 1)
