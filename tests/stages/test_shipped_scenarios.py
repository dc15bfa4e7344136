"""Every shipped scenario ridden by the reference robot in the virtual stage: it comes out as its file says.

The friction budgets here are worked out from the road, the line and the speed alone: nothing of the plant is
in them but its record.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NamedTuple, TypeAlias

import numpy as np
import pytest

from emulator.assembly.session import Session
from emulator.core.constants import GRAVITY
from emulator.core.signals import RUNNING
from emulator.record.reader import Run
from emulator.report.bands import event_bands
from emulator.report.narrative import what_happened
from emulator.verdict import judge as judging
from emulator.verdict.expectation import unexpected
from tests.support.ridden_once import RiddenOnce, ride_into
from tests.support.scripted_robot import RIG, SCENARIOS

RUNS = SCENARIOS / "runs"
SHIPPED = sorted(path.relative_to(RUNS).with_suffix("").as_posix() for path in RUNS.rglob("*.yaml"))
FAMILIES = (
    *(
        "actuators",
        "angle_driven",
        "balance",
        "braking",
        "bus",
        "cornering",
        "electronics",
        "frames",
        "grip",
        "power",
        "sensors",
    ),
    *("start_stop", "wind"),
)
G = GRAVITY


class Ridden(NamedTuple):
    session: Session
    verdict: judging.Verdict
    run: Run

    def riding(self, name: str) -> np.ndarray:
        """A signal from the support's release to the end of the ride."""
        released = next(e.tick for e in self.run.events if e.kind == "support_released")
        return self.run.signal(name)[(self.run.signal("bench.state") == RUNNING) & (self.run.tick > released)]


Rides: TypeAlias = Callable[..., Ridden]


def rig_of(name: str) -> Path:
    """The rig a scenario is ridden on: faults of the bus ask for one with a bit rate."""
    rigs = {
        "angle_driven": "angle_driven.yaml",
        "bus": "megabit.yaml",
        "electronics": "own_units.yaml",
        "trainer_lap": "trainer.yaml",
    }
    return RIG.with_name(rigs.get(name.split("/", maxsplit=1)[0], RIG.name))


@pytest.fixture
def ridden(ridden_once: RiddenOnce) -> Rides:
    """A shipped scenario's ride, with values given for its parameters."""

    def ride(name: str, given: Mapping[str, float] | None = None) -> Ridden:
        once = ridden_once(rig_of(name), RUNS / f"{name}.yaml", given=given)
        session, run, timing = once.session, once.run, once.session.rig.timing
        assert run.certificate is not None
        verdict = judging.judge(
            run,
            judging.numbered(session.scenario.criteria),
            run.certificate,
            once.outcome,
            judging.TimingTolerance(**timing.model_dump()),
            session.sector_ends,
        )
        return Ridden(session, verdict, run)

    return ride


def test_the_library_has_scenarios_of_every_family():
    assert len(SHIPPED) >= 25
    assert {name.split("/")[0] for name in SHIPPED if "/" in name} == set(FAMILIES)
    for name in SHIPPED:
        comment, text = (RUNS / f"{name}.yaml").read_text().split("\n", 1)
        assert comment.startswith("# "), name
        assert "\npurpose: " in text, name


@pytest.mark.slow
@pytest.mark.parametrize("name", SHIPPED)
def test_it_comes_out_as_expected(name: str, ridden: Rides) -> None:
    ride = ridden(name)
    assert unexpected(ride.session.scenario.expected, ride.verdict, ride.run) == [], ride.verdict.reasons
    if ride.verdict.result == "pass":  # what it is about has happened
        began = {e.name for e in ride.run.events if e.kind.endswith("_on")}
        assert {e.name for e in ride.session.scenario.events if e.kind != "mark"} <= began


@pytest.mark.slow
@pytest.mark.parametrize(
    "name", ["sensors/wheel_speed_noise", "sensors/steering_angle_noisy", "frames/a_tenth_lost"]
)
def test_what_is_drawn_is_the_same_again(name: str, ridden_once: RiddenOnce, tmp_path: Path) -> None:
    once, files = ridden_once(rig_of(name), RUNS / f"{name}.yaml"), ("signals.arrow", "frames.arrow")
    ride_into(once.session, tmp_path / "again")
    for file in (*files, "events.jsonl", "gnss.nmea"):
        assert (once.folder / file).read_bytes() == (tmp_path / "again" / file).read_bytes(), file


# ---- grip ------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_slippery_patch_in_a_corner_takes_the_bike_down_as_the_friction_budget_says(ridden: Rides) -> None:
    name = "grip/patch_in_corner"
    down = ridden(name)
    up = ridden(name, {"patch_grip": 1.1})
    patch, road = down.session.scenario.surface.patches[0], down.session.scenario.surface.grip
    circle = down.session.scenario.manoeuvre
    assert (road, patch.grip, patch.from_m) == (1.1, 0.4, 200.0)
    # The turn asks each tyre for the share v^2 / (r g) of its load: without bank or slope, at constant speed,
    # weight and centripetal force are shared alike. Both are of the mass centre, which leans to the inside,
    # so that its circle is smaller, by less than 0.75 m.
    speed = down.riding("truth.speed_m_s")[np.searchsorted(down.riding("line.station_m"), 190.0)]
    most = speed**2 / circle.radius_m / G
    least = most * (1.0 - 0.75 / circle.radius_m)
    tread = 1.4  # friction_y of both tyres on a road of grip 1, as the vehicle's file says
    assert 1.4 * tread * patch.grip < least < most < 0.7 * tread * road
    # the record agrees: so much of its load each tyre carries sideways where it grips
    station = up.riding("line.station_m")
    steady = (station > 150.0) & (station < 240.0)
    for tyre in ("front", "rear"):
        share = up.riding(f"truth.lateral_{tyre}_N")[steady] / up.riding(f"truth.load_{tyre}_N")[steady]
        assert least <= np.median(share) <= most
    assert up.verdict.result == "pass", up.verdict.reasons
    assert not [e for e in up.run.events if e.kind == "slide"]

    assert down.verdict.result == "fail"
    slide = next(e for e in down.run.events if e.kind == "slide")
    fall = next(e for e in down.run.events if e.kind == "fall")
    onto = down.run.time_s[np.argmax(down.run.signal("truth.grip_front") < road)]
    # the front tyre first, within 3 m: one of edge, then relaxation, and it has to last before it is told
    assert slide.text.startswith("front tyre slides sideways")
    assert onto < slide.time_s < onto + 3.0 / speed
    assert slide.time_s < fall.time_s < slide.time_s + 1.0
    told = what_happened(down.run, event_bands(down.run))[0]
    assert "the front tyre slid away" in told
    assert f"{slide.time_s:.1f} s into the ride" in told
    assert "on grip 0.4" in told


@pytest.mark.slow
def test_a_film_of_water_does_nothing_to_an_upright_bike_at_constant_speed(ridden: Rides) -> None:
    name = "grip/film_of_water"
    film = ridden(name)
    dry = ridden(name, {"film_grip": 1.0})
    on = film.riding("truth.grip_front") < 0.06
    assert on.sum() == pytest.approx(1e3 * 20.0 / (50.0 / 3.6), abs=150)
    assert film.verdict.result == dry.verdict.result == "pass"
    assert not [e for e in film.run.events if e.kind == "slide"]
    for signal, apart in (("line.offset_m", 0.02), ("truth.roll_rad", math.radians(0.5))):
        a, b = film.riding(signal), dry.riding(signal)
        n = min(len(a), len(b))
        assert np.abs(a[:n] - b[:n]).max() < apart
    # rolling needs drag, air and rolling resistance, and no more than the film gives: 0.05 of the weight
    assert film.riding("truth.friction_use_rear")[on].max() < 1.0


@pytest.mark.slow
def test_braking_on_a_film_of_water_is_another_story(ridden: Rides) -> None:
    name = "grip/braking_on_film"
    wet = ridden(name)
    dry = ridden(name, {"film_grip": 1.0})
    asked, film = (
        wet.session.scenario.manoeuvre.deceleration_m_s2,
        wet.session.scenario.surface.patches[0].grip,
    )
    assert asked > 5.0 * 1.34 * film * G  # friction_x of both tyres as the vehicle's file says
    assert dry.verdict.result == "pass", dry.verdict.reasons
    assert wet.verdict.result == "fail"
    first = next(e for e in wet.run.events if e.kind == "slide")
    assert first.text.startswith("front tyre locks")
    # while it slides upright on the film it is slowed by no more than that grip and the air
    locked = wet.run.tick >= first.tick
    upright = locked & (np.abs(wet.run.signal("truth.roll_rad")) < math.radians(20.0))
    upright &= (wet.run.signal("truth.grip_front") < 0.06) & (wet.run.signal("truth.grip_rear") < 0.06)
    t, v = wet.run.time_s[upright], wet.run.signal("truth.speed_m_s")[upright]
    slowed = -np.polyfit(t, v, 1)[0]
    assert 0.0 < slowed < 1.34 * film * G + 0.3  # air and rolling resistance at 50 km/h: from memory


# ---- delay -----------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_late_steering_is_survived_up_to_the_margin_of_the_balance(ridden: Rides) -> None:
    # 29 ms at 50 km/h: emulator.robot.margins.
    ride = ridden("frames/steering_too_late", {"late": 25.0})
    assert ride.verdict.result == "pass", ride.verdict.reasons
