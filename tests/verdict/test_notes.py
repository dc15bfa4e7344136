"""What a verdict notes beside what decides it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from emulator.record.reader import Frames, Run
from emulator.verdict.notes import notes_of

NONE = np.empty(0, np.int64)
RUN = Run(Path(), {}, NONE, NONE, {}, Frames(*[NONE] * 8), [])


def test_why_the_reference_robot_stopped_is_told() -> None:
    assert notes_of(RUN, {}, {"robot_stopped": ["GNSS elsewhere", 12.084]}) == [
        "the reference robot stopped of its own accord after 12.08 s: GNSS elsewhere"
    ]
    assert notes_of(RUN, {}, {"robot_stopped": None}) == notes_of(RUN, {}, {}) == []
