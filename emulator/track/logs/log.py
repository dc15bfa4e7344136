"""A log as channels: numbers over the log's own time, as they stand there, and what was odd about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.errors import EmulatorError

MOST_VALUES = 250_000_000
"""Numbers that a log may hold of the channels asked for: an hour of sixty at 1 kHz; two gigabytes."""


class LogError(EmulatorError):
    """A log that can't be read, or whose channels don't fit together; its words say what to do."""

    exit_status = 3


class Wanted(NamedTuple):
    """A channel as a map asks for it; ``group`` tells MDF channels of one name apart."""

    channel: str
    group: int | None = None


class Series(NamedTuple):
    """One channel.

    time_s  (n,) float64  the log's own time [s], in the order logged; several channels may share the array
    values  (n,) float64  as logged, unit of the log; NaN where the log has none
    unit    as the log says, empty where it does not
    """

    time_s: NDArray[np.float64]
    values: NDArray[np.float64]
    unit: str = ""


@dataclass
class Log:
    """What was read of a log.

    series   the wanted channels that it has
    names    all of its channels, for those who ask for another
    remarks  sentences on what was left out or odd
    """

    path: Path
    form: str
    series: dict[Wanted, Series]
    names: Sequence[str]
    remarks: list[str] = field(default_factory=list)


def too_large(path: Path, rows: int, columns: int) -> LogError | None:
    """The refusal of a log that says to hold more than can be read; None: it does not."""
    if rows * columns <= MOST_VALUES:
        return None
    return LogError(
        f"{path} says to hold {rows:,} rows of {columns} wanted channels, {rows * columns:,} numbers",
        advice=f"at most {MOST_VALUES:,} are read; cut the log, or map fewer channels",
    )
