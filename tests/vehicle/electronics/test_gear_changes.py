"""A cut for a change up, and a clutch that gives way to the wheel."""

from __future__ import annotations

import pytest

from emulator.vehicle.driveline import clutch_capacity
from emulator.vehicle.electronics.gear_changes import cut_for_shift, slipped_lever
from tests.support.machines import demo
from tests.support.own_units import TICK, units


def _shifter():  # type: ignore[no-untyped-def]
    return units(
        "quickshifter",
        quickshifter__dead_time=0.0095,
        quickshifter__cut_time=0.08,  # half a tick off: no sum of ticks is on an edge
        quickshifter__lowest_engine=300.0,
    )


def test_the_spark_is_cut_a_dead_time_after_the_lever_was_felt_and_until_the_gear_is_in() -> None:
    b = _shifter()
    cuts = [cut_for_shift(b, n < 50, 15 <= n < 50, 1.0, 800.0, TICK) for n in range(80)]
    assert cuts.index(True) == 9
    assert all(cuts[9:50])
    assert not any(cuts[50:])


def test_a_gear_that_does_not_come_gets_its_spark_back_and_no_second_cut() -> None:
    b = _shifter()
    cuts = [cut_for_shift(b, True, False, 1.0, 800.0, TICK) for _ in range(400)]
    assert sum(cuts) == pytest.approx(80, abs=1)
    assert not any(cuts[100:])


@pytest.mark.parametrize(
    ("up", "throttle", "engine"), [(False, 1.0, 800.0), (True, 0.0, 800.0), (True, 1.0, 299.0)]
)
def test_it_cuts_for_a_change_up_under_throttle_at_speed_only(
    up: bool, throttle: float, engine: float
) -> None:
    b = _shifter()
    assert not any(cut_for_shift(b, up, False, throttle, engine, TICK) for _ in range(200))


def test_each_change_has_its_cut() -> None:
    b = _shifter()
    for _ in range(2):
        cuts = [cut_for_shift(b, n < 40, False, 1.0, 800.0, TICK) for n in range(60)]
        assert sum(cuts) == 31


def test_back_driven_the_clutch_holds_its_back_torque_and_driving_all_it_can() -> None:
    b, par = units("slipper_clutch", slipper_clutch__back_torque=45.0), demo().body[0]
    assert clutch_capacity(par, slipped_lever(b, par, 0.0, -0.01)) == pytest.approx(45.0)
    assert slipped_lever(b, par, 0.0, 0.01) == 0.0


def test_a_clutch_that_the_hand_has_pulled_further_stays_so() -> None:
    b, par = units("slipper_clutch"), demo().body[0]
    assert slipped_lever(b, par, 1.0, -0.01) == 1.0
