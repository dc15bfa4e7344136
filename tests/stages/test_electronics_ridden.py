"""The reference robot on a bike with electronics of its own, and on the same one without."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

import numpy as np
import pytest

from emulator.record.reader import Run
from tests.support.ridden_once import RiddenOnce
from tests.support.scripted_robot import SCENARIOS

BEGINS, ENDS = 18.0, 19.2
"""[s] of both levers being pulled to the end, in the scenario's file."""


Rides: TypeAlias = Callable[[str, str], Run]


@pytest.fixture
def ridden(ridden_once: RiddenOnce) -> Rides:
    """A shipped scenario's ride on a shipped rig."""
    runs = SCENARIOS / "runs" / "electronics"
    return lambda name, rig: ridden_once(SCENARIOS / "rigs" / f"{rig}.yaml", runs / f"{name}.yaml").run


@pytest.mark.slow
def test_full_braking_at_35_degrees_stays_within_a_metre_where_locked_brakes_fell_the_bike(
    ridden: Rides,
) -> None:
    with_unit = ridden("braking_in_a_bend", "own_units")
    without = ridden("braking_in_a_bend", "loopback")
    for run in (with_unit, without):
        begins = int(np.argmax(run.time_s >= BEGINS))
        lean = np.degrees(abs(run.signal("truth.roll_rad")[begins - 100 : begins]))
        assert lean.mean() == pytest.approx(35.0, abs=1.0)
    braking = (with_unit.time_s >= BEGINS) & (with_unit.time_s < ENDS)
    assert abs(with_unit.signal("line.offset_m")[braking]).max() < 1.0
    assert with_unit.signal("truth.fallen").max() == 0.0
    speed = with_unit.signal("truth.speed_m_s")[braking]
    assert speed[0] - speed[-1] > 0.6 * 9.81 * (ENDS - BEGINS)  # it does brake
    told = [e for e in with_unit.events if e.kind == "unit_acts" and BEGINS <= e.time_s < ENDS]
    assert {f"antilock lets the {brake} brake off" for brake in ("front", "rear")} <= {e.text for e in told}
    assert [event for event in without.events if event.kind == "unit_acts"] == []
    fallen = without.time_s[np.argmax(without.signal("truth.fallen") > 0.0)]
    assert BEGINS < fallen < BEGINS + 0.5
    locked = (without.time_s >= BEGINS + 0.1) & (without.time_s < fallen)
    assert without.signal("truth.wheel_front_rad_s")[locked].max() < 1.0


@pytest.mark.slow
def test_too_much_throttle_in_first_gear_goes_over_backwards_without_wheelie_control(ridden: Rides) -> None:
    """What its file says of the bike without it; with it the shipped scenarios are ridden as expected."""
    over = ridden("throttle_in_first_gear", "loopback")
    assert over.signal("truth.pitch_rad").min() < -1.0
    assert over.signal("truth.fallen").max() == 1.0


@pytest.mark.slow
def test_too_much_throttle_on_a_wet_road_spins_the_wheel_without_traction_control(ridden: Rides) -> None:
    spun = ridden("throttle_on_a_wet_road", "loopback")
    assert spun.signal("truth.slip_ratio_rear").max() > 0.5
    assert spun.signal("truth.fallen").max() == 1.0


# ---- gears -------------------------------------------------------------------------------------------------


def changes(run: Run, from_gear: int) -> list[tuple[float, float, float]]:
    """(time, lever pulled furthest, throttle at the grip) of each change out of a gear [s, 1, 1]."""
    gear, lever, grip = (run.signal(s) for s in ("truth.gear", "actuator.clutch", "actuator.throttle"))
    found = []
    for out in np.flatnonzero((gear[:-1] == from_gear) & (gear[1:] == 0.0)):
        around = slice(out - 150, out + 150)
        found.append((float(run.time_s[out]), float(lever[around].max()), float(grip[out])))
    return found


@pytest.mark.slow
def test_the_robot_changes_up_without_its_clutch_where_the_bike_has_a_quickshifter(ridden: Rides) -> None:
    """By a cut at an open throttle; on the bike without one it pulls the clutch, and the criterion tells."""
    cut = ridden("changing_up_by_cut", "own_units")
    for gear in (1, 2):
        ((at, lever, grip),) = changes(cut, gear)
        assert lever < 0.01
        assert grip > 0.1  # dogs that carry this do not let go
        acts = cut.signal("unit.acting").astype(int) >> 4 & 1
        assert acts[np.argmax(cut.time_s > at) :][:30].all()
    pulled = ridden("changing_up_by_cut", "loopback")
    for gear in (1, 2):
        ((_, lever, _),) = changes(pulled, gear)
        assert lever > 0.9


@pytest.mark.slow
def test_where_no_cut_comes_the_robot_pulls_its_clutch(ridden: Rides) -> None:
    dead = ridden("quickshifter_dead", "own_units")
    for gear in (1, 2):
        ((_, lever, _),) = changes(dead, gear)
        assert lever > 0.9
    assert not (dead.signal("unit.acting").astype(int) >> 4 & 1).any()


@pytest.mark.slow
def test_a_change_down_without_blip_drags_the_rear_wheel_unless_the_clutch_gives_way(ridden: Rides) -> None:
    slips = {}
    for rig in ("own_units", "loopback"):
        run = ridden("changing_down_without_blip", rig)
        braking = run.time_s >= next(e.time_s for e in run.events if e.text == "no blip")
        slips[rig] = -run.signal("truth.slip_ratio_rear")[braking].min()
        gears = run.signal("truth.gear")[braking]
        assert set(gears) >= {4.0, 3.0, 2.0, 1.0}
    assert slips["own_units"] < 0.15
    assert slips["loopback"] > 0.3
