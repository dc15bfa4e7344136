"""What is planted in a hundred logs is found within its interval, or refused in words that name it."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from emulator.config.track.map_file import TrackMap
from emulator.track.into.log_import import Brought, bring_together, wanted_of
from emulator.track.logs.log import Log, LogError, Series
from emulator.track.on_disk import Shelf
from tests.support.track_log import Planted, logged, made_up_ride

REPEATS = 100
LEAST_INSIDE = 88
"""Of 100 draws of a binomial of 95 %: fewer come with a chance of 0.2 % (its distribution, computed)."""
Columns = dict[str, np.ndarray]
MAIN = {
    "front": ("output.wheel_front_m_s", "m/s"),
    "rear": ("output.wheel_rear_m_s", "m/s"),
    "lean": ("output.lean_rad", "rad"),
    **{f"f{a}": (f"output.force_{a}_m_s2", "m/s2") for a in "xyz"},
    **{f"w{a}": (f"output.rate_{a}_rad_s", "rad/s") for a in "xyz"},
}
RECEIVER = {"gnss_speed": ("output.gnss_speed_m_s", "m/s"), "gnss_course": ("course", "rad")}
PLANTED = Planted(offset_s=0.37, drift_ppm=40.0, mounting_deg=(3.0, -2.0, 3.0))
STARTS_LATER = 4
OFFSET_s = 0.03 + 0.1 * STARTS_LATER
"""The receiver's first sample by the main clock; both are counted from their first samples."""


def track_map() -> TrackMap:
    channels = [{"channel": name, "signal": s, "unit": unit} for name, (s, unit) in MAIN.items()]
    channels += [
        {"channel": name, "signal": s, "unit": unit, "clock": "receiver"}
        for name, (s, unit) in RECEIVER.items()
    ]
    clock = {"name": "receiver", "signal": "output.gnss_speed_m_s", "like": "output.wheel_front_m_s"}
    return TrackMap.model_validate(
        {
            "kind": "track_map",
            "name": "Planted",
            "channels": tuple(channels),
            "clocks": (clock,),
            "inertial_unit": {"mounting": "estimate", "force_bias_m_s2": 0.0},
        }
    )


def brought(columns: Columns) -> Brought:
    asked = track_map()
    stamps = dict.fromkeys(MAIN, columns["time"]) | dict.fromkeys(RECEIVER, columns["gnss_time"])
    series = {w: Series(stamps[w.channel], columns[w.channel].copy()) for w in wanted_of(asked)}
    shelf = Shelf(Path(tempfile.gettempdir()))
    return bring_together([Log(Path("made_up.csv"), "CSV", series, list(stamps))], asked, None, shelf)


class Mistake(NamedTuple):
    """Something wrong with a log, and what has to be said of it."""

    columns: Callable[[Columns], Columns]
    said: str


def times(factor: float, *names: str) -> Callable[[Columns], Columns]:
    return lambda log: {name: factor * log[name] for name in names}


MISTAKES = {
    "two axes of both swapped": Mistake(
        lambda log: {"fx": log["fy"], "fy": log["fx"], "wx": log["wy"], "wy": log["wx"]}, "y points forward"
    ),
    "forward and up swapped": Mistake(lambda log: {"fx": log["fz"], "fz": log["fx"]}, "points up"),
    "forward force of the other sign": Mistake(times(-1.0, "fx"), "-x points forward"),
    "roll rate of the other sign": Mistake(times(-1.0, "wx"), "the wrong way round"),
    "yaw rate of the other sign": Mistake(times(-1.0, "wz"), "the wrong way round"),
    "lean of the other sign": Mistake(times(-1.0, "lean"), "the wrong way round"),
    "forces in g": Mistake(times(1.0 / 9.80665, "fx", "fy", "fz"), "logged in g"),
    "rates in degrees": Mistake(times(180.0 / np.pi, "wx", "wy", "wz"), "degrees taken for radians"),
    "lean in degrees": Mistake(times(180.0 / np.pi, "lean"), "degrees taken for radians"),
    "a wheel in km/h": Mistake(times(3.6, "rear"), "km/h taken for m/s"),
    "the receiver in km/h": Mistake(times(3.6, "gnss_speed"), "km/h taken for m/s"),
}


def test_of_a_hundred_logs_what_is_planted_is_found_or_refused() -> None:
    inside = np.zeros(5, int)
    kinds = list(MISTAKES.items())
    for seed in range(REPEATS):
        rng = np.random.default_rng(seed)
        log = logged(made_up_ride(rng), rng, PLANTED)
        log |= {name: log[name][STARTS_LATER:] for name in ("gnss_time", *RECEIVER)}
        found = brought(log)
        clock, mounting = found.clocks["receiver"], found.mounting
        assert mounting is not None
        inside[0] += abs(clock.offset_s - OFFSET_s) <= clock.offset_95_s
        inside[1] += abs(clock.drift_ppm - PLANTED.drift_ppm) <= clock.drift_95_ppm
        inside[2:] += np.abs(np.subtract(mounting.angles_deg, PLANTED.mounting_deg)) <= mounting.half_deg
        name, mistake = kinds[seed % len(kinds)]
        with pytest.raises(LogError) as refused:
            brought(log | mistake.columns(log))
        assert mistake.said in str(refused.value), f"{name}, seed {seed}"
    assert inside.min() >= LEAST_INSIDE, inside
