"""What all commands share of the screen: console, caution, exit statuses."""

from __future__ import annotations

import sys

from rich.console import Console

EXIT_STATUS: dict[str, int] = {"pass": 0, "fail": 1, "invalid": 2, "error": 4, "stopped": 5}
"""Exit status of a verdict."""
INVALID, WRONG_INPUT, OTHER = 2, 3, 4
"""What commands end with beside the verdict's own statuses."""
FASTEST_km_h = 450.0
"""Highest speed that a command takes."""

CAUTION = (
    "Caution: emulated signals drive a real robot. This program is not a safety function. The hardware "
    "emergency stop, the guards and distance are (ISO 12100, ISO 13849-1, IEC 60204-1); keep clear of the "
    "robot's reach; never connect the emulated bus to a bike that can move; local rules and licensed "
    "practice decide."
)


def console_of_stdout() -> Console:
    """The console that commands print to."""
    # In a file or a pipe there is no width to fit into: tables come out whole.
    return Console(highlight=False, soft_wrap=True, width=None if sys.stdout.isatty() else 110)
