"""On rides without a slide under the brakes or steering that moves by itself neither is found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.record.reader import Run
from emulator.track.findings.braking_slide import Bike, find_braking_slide
from emulator.track.findings.seen import FindingError, seen_around
from emulator.track.findings.steering_moved import find_steering_moved
from tests.support.clean_rides import CLEAN, clean_rides
from tests.support.demo_bike import LAG_s, demo_bike
from tests.support.device_log import PRESSURES, TORQUES, device_log
from tests.support.ridden_once import RiddenOnce

EVERY_s = 1.5
NONE = ("no wheel slides under the brakes", "the steering does not move by itself")


def looked_at(run: Run) -> np.ndarray:
    """Instants that leave nothing of the ride out, from a second after the support let go on."""
    free = run.time_s[np.flatnonzero(run.signals["truth.support"] == 0.0)[0]]
    return np.arange(free + 1.0, run.time_s[-1] - 0.5, EVERY_s)


@pytest.mark.slow
def test_nothing_is_found_on_twenty_clean_rides(tmp_path: Path, ridden_once: RiddenOnce) -> None:
    vehicle, values = demo_bike()
    bike = Bike.of(values, vehicle)
    assert len(CLEAN) == 20
    alarms, quiet = [], 0

    def look(log: Run, at_s: float, name: str) -> None:
        nonlocal quiet
        seen = seen_around(log, at_s)
        for which in (0, 1):
            try:
                if which == 0:
                    alarms.append((name, find_braking_slide(log, seen, at_s, bike)))
                else:
                    alarms.append((name, find_steering_moved(log, seen, at_s, vehicle, LAG_s)))
            except FindingError as none:
                quiet += str(none).startswith(NONE)

    for name, run in clean_rides(tmp_path, ridden_once):
        assert not [e for e in run.events if e.kind in ("slide", "fall")], name
        log = device_log(run, np.random.default_rng(3), (*PRESSURES, *TORQUES))
        for at_s in looked_at(run).tolist():
            look(log, at_s, name)
    assert alarms == []
    assert quiet > 400  # of twenty rides of 15 to 45 s, each looked at twice every 1.5 s
