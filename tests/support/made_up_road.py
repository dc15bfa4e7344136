"""A line ridden and a road told of, with all that they can show; made up."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from emulator.config.scenario.schema import load_course, load_scenario
from emulator.record.reader import Run
from emulator.survey.ridden_line.line import LineWishes, RiddenLine, ridden_line
from emulator.survey.ridden_line.places import Places
from emulator.survey.ridden_surface.grip_used import ByStation
from emulator.survey.ridden_surface.surface import RiddenSurface, Slid
from emulator.track.findings.files import Grip
from emulator.track.road_seen.bumps import Bump, Pass
from tests.guide.markdown import ROOT
from tests.support.ridden import record_of

RADIUS, LEAN, UP = 80.0, 0.6, 1.1
SCENARIO = ROOT / "scenarios" / "runs" / "short_straight.yaml"


def places_on_a_hill(drift_m: float, seed: int = 3) -> Run:
    """Five laps of a circle on a hill, ridden leaning with an antenna ``UP`` above the road."""
    angle = np.arange(0.0, 2.0 * np.pi * 5.3, 15.0 * 0.05 / RADIUS)
    rng = np.random.default_rng(seed)
    lap = np.floor(angle / (2.0 * np.pi)).astype(int)
    drift = drift_m * rng.normal(size=9)[lap] * np.sin(angle)
    leans = LEAN + 0.2 * np.sin(2.0 * angle)
    z = 250.0 + 4.0 * np.sin(angle) - UP * (1.0 - np.cos(leans)) + drift + 0.03 * rng.normal(size=len(angle))
    noise = 0.02 * rng.normal(size=(2, len(angle)))
    aside = 0.2 * np.sin(3.0 * angle / 2.0)
    places = Places(
        np.arange(len(angle)) * 0.05,
        (RADIUS + aside) * np.cos(angle) + noise[0],
        (RADIUS + aside) * np.sin(angle) + noise[1],
        z,
        leans,
    )
    return record_of(places, track={"antenna": {"position_m": [0.0, 0.0, UP]}})


def made_up_line() -> RiddenLine:
    return ridden_line(places_on_a_hill(0.02), LineWishes("Hill", start=(RADIUS, 0.0)))


def made_up_surface() -> RiddenSurface:
    """Of a straight: grip at some stations, one slide, a bump and a dip."""
    scenario, source = load_scenario(SCENARIO)
    course, _ = load_course(scenario, source)
    station = np.arange(5.0, course.length_m, 10.0)
    used = 0.4 + 0.2 * np.sin(station / 20.0)
    grip = ByStation(station, used, used - 0.06, np.ones(len(station), np.int64))
    along = np.arange(2000) * 0.1
    profile = Pass(along, along, 0.002 * np.sin(along), np.ones(2000, np.bool_), np.zeros(2000, np.bool_))
    slide = Slid(7.2, 88.0, 12.0, "front", Grip(0.3, 0.34, 0.6, 1.4))
    bumps = (
        Bump(50.0, 3.0, 0.02, 0.2, 0.6, 0.001, True, 3),
        Bump(120.0, 8.0, -0.03, 0.1, 0.2, 0.002, False, 3),
    )
    return RiddenSurface(
        "made_up", scenario, Path(SCENARIO), course, grip, 1.47, 0.22, (slide,), bumps, profile, (1.3, 31.0),
        {"log 1": "0" * 64}, (),
    )  # fmt: skip
