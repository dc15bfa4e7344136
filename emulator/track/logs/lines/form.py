"""What the lines of a log are like, as far as compiled code has to know it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

UNKNOWN, ASC, CANDUMP, ROWS, COLUMNS = range(5)
"""Kinds of logs."""

NOTHING, TIME, KIND, DIRECTION, BUS, IDENTIFIER, BYTES, CODE, PAYLOAD, REST = range(10)
"""What a word of a line in columns is. BYTES or CODE tells the length; as PAYLOAD so many bytes follow, as
REST all that are left."""


class Form(NamedTuple):
    """The form of plain lines.

    kind     UNKNOWN: none is plain
    base     of ASC's numbers: 10 or 16
    columns  (n,) int8  of COLUMNS: what each word is
    start_s  added to the times of COLUMNS [s]
    """

    kind: int = UNKNOWN
    base: int = 16
    columns: NDArray[np.int8] = np.empty(0, np.int8)
    start_s: float = 0.0
