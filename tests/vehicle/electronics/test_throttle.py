"""The valve's closed forms, and what traction and wheelie control let through."""

from __future__ import annotations

import math

import pytest

from emulator.core.signals import TRACTION, WHEELIE
from emulator.vehicle.electronics.throttle import hold_front_down, hold_traction, move_valve, through
from emulator.vehicle.electronics.wheel_speeds import follow_wheels
from tests.support.own_units import TICK, units


@pytest.mark.parametrize("grip", [0.0, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("exponent", [0.7, 1.0, 2.0])
def test_the_valve_comes_to_the_power_of_the_grip(grip: float, exponent: float) -> None:
    b = units("ride_by_wire", ride_by_wire__exponent=exponent, ride_by_wire__most_opening=0.8)
    for _ in range(2000):
        opening = move_valve(b, grip, TICK)
    assert opening == pytest.approx(0.8 * grip**exponent, abs=1e-9)


def test_it_opens_and_shuts_no_faster_than_it_can() -> None:
    b = units(
        "ride_by_wire",
        ride_by_wire__opening_rate=4.0,
        ride_by_wire__closing_rate=9.0,
        ride_by_wire__valve_time=0.0,
        ride_by_wire__exponent=1.0,
        ride_by_wire__most_opening=1.0,
    )
    for n in range(1, 200):
        assert move_valve(b, 1.0, TICK) == pytest.approx(4.0 * n * TICK)
    b.valve = 1.0
    for n in range(1, 100):
        assert move_valve(b, 0.0, TICK) == pytest.approx(1.0 - 9.0 * n * TICK)


def test_a_valve_that_is_stuck_is_there_at_once_and_goes_on_from_there() -> None:
    b = units("ride_by_wire", ride_by_wire__opening_rate=4.0, ride_by_wire__valve_time=0.0)
    b.stuck_at = 0.3
    for grip in (0.0, 1.0, 0.2):
        assert move_valve(b, grip, TICK) == 0.3
    b.stuck_at = math.nan
    assert move_valve(b, 1.0, TICK) == pytest.approx(0.3 + 4.0 * TICK)


@pytest.mark.parametrize("limp", [0.0, 0.15, 1.0])
def test_a_valve_that_limps_opens_so_far_and_shuts_to_there_at_its_rate(limp: float) -> None:
    b = units(
        "ride_by_wire",
        ride_by_wire__closing_rate=9.0,
        ride_by_wire__valve_time=0.0,
        ride_by_wire__exponent=1.0,
        ride_by_wire__most_opening=1.0,
    )
    b.valve, b.limp = 1.0, limp
    for n in range(1, 200):
        assert move_valve(b, 1.0, TICK) == pytest.approx(max(limp, 1.0 - 9.0 * n * TICK))
    for _ in range(200):
        opening = move_valve(b, 0.1, TICK)
    assert opening == pytest.approx(min(limp, 0.1))  # below it the hand is obeyed


def _spin(b, slip: float, lean: float, ticks: int, opening: float = 1.0) -> float:
    """Share after so many ticks of a slip that stays as it is."""
    for _ in range(ticks):
        follow_wheels(b, 20.0, 20.0 * (1.0 + slip), lean, TICK)
        b.rate[:] = 0.0
        hold_traction(b, opening, TICK)
    return float(b.traction_share)


def test_up_to_its_slip_traction_control_does_nothing() -> None:
    assert _spin(units("traction", traction__slip=0.1), 0.099, 0.0, 500) == 1.0


def test_beyond_it_takes_throttle_away_at_its_rate() -> None:
    """At twice the slip by ``cut_rate`` a second, from the opening there is; then back by ``return_rate``."""
    b = units("traction", traction__slip=0.1, traction__cut_rate=3.0, traction__return_rate=2.0)
    assert _spin(b, 0.2, 0.0, 100, 0.7) == pytest.approx(0.7 - 3.0 * 0.1)
    assert _spin(b, 0.0, 0.0, 100, 0.7) == pytest.approx(0.4 + 2.0 * 0.1)


@pytest.mark.parametrize("dead_time", [0.002, 0.005, 0.02])
@pytest.mark.parametrize("per_second", [1.0, 2.0, 4.0])
def test_a_slip_that_grows_counts_by_the_lags_of_the_unit_before_it_is_there(
    dead_time: float, per_second: float
) -> None:
    """Its own dead time and the 10 ms that a filtered rate lags: 0.1 less what grows in that time."""
    b = units("traction", traction__slip=0.1, traction__dead_time=dead_time)
    for _ in range(300):
        follow_wheels(b, 20.0, 14.0, 0.0, TICK)
    slip = -0.3
    while b.traction_share == 1.0:
        slip += per_second * TICK
        follow_wheels(b, 20.0, 20.0 * (1.0 + slip), 0.0, TICK)
        hold_traction(b, 1.0, TICK)
    assert slip == pytest.approx(0.1 - (dead_time + 0.01) * per_second, abs=1.5 * per_second * TICK)


def test_leaned_over_it_allows_less() -> None:
    """Wheels read faster leaned over, each by its crown: what is compared is without that."""
    b = units("traction", traction__slip=0.1, control_unit__front_crown=0.0, control_unit__rear_crown=0.0)
    assert _spin(b, 0.08, math.radians(20.0), 300) == 1.0
    assert _spin(b, 0.08, math.radians(45.0), 300) < 1.0


def test_a_unit_that_has_switched_itself_off_lets_all_through() -> None:
    b = units("traction", traction__slip=0.1, control_unit__fault_time=0.05)
    for _ in range(100):
        follow_wheels(b, 0.0, 20.0, 0.0, TICK)
        hold_traction(b, 1.0, TICK)
    assert b.failed
    assert b.traction_share == 1.0


def test_a_unit_that_is_off_lets_all_through() -> None:
    b = units("traction", "wheelie", traction__slip=0.1, wheelie__lift_share=0.8)
    assert _spin(b, 0.3, 0.0, 200) < 1.0
    assert _lift(b, 12.0, 9.8, 0.0, 50) < 1.0
    b.off[TRACTION] = 1
    assert _spin(b, 0.3, 0.0, 1) == 1.0
    assert _lift(b, 12.0, 9.8, 0.0, 1) < 1.0
    b.off[WHEELIE] = 1
    assert _lift(b, 12.0, 9.8, 0.0, 1) == 1.0


def _lift(b, ahead: float, up: float, pitch_rate: float, ticks: int) -> float:
    for _ in range(ticks):
        hold_front_down(b, 1.0, ahead, up, pitch_rate, TICK)
    return float(b.wheelie_share)


def test_wheelie_control_goes_by_where_the_specific_force_points() -> None:
    b = units("wheelie", wheelie__lift_share=0.8, wheelie__cut_rate=4.0)
    assert _lift(b, 7.8, 9.8, 0.0, 300) == 1.0
    assert _lift(b, 0.8 * 9.8 * 1.5, 9.8, 0.0, 50) == pytest.approx(1.0 - 4.0 * 0.5 * 0.05)


def test_a_nose_that_comes_up_counts_before_the_force_does() -> None:
    assert _lift(units("wheelie", wheelie__lift_share=0.8), 7.0, 9.8, -1.5, 50) < 1.0
    assert _lift(units("wheelie", wheelie__lift_share=0.8), 7.0, 9.8, 1.5, 50) == 1.0


@pytest.mark.parametrize(("ahead", "up"), [(math.nan, 9.8), (20.0, math.nan), (20.0, 1.0)])
def test_what_is_unknown_or_in_the_air_takes_nothing_away(ahead: float, up: float) -> None:
    assert _lift(units("wheelie"), ahead, up, 0.0, 100) == 1.0


@pytest.mark.parametrize("ticks", [0, 3, 10])
def test_what_is_let_through_acts_a_dead_time_later(ticks: int) -> None:
    b = units("traction", "wheelie", traction__dead_time=ticks * TICK, wheelie__dead_time=0.0)
    assert through(b, 0.9) == 0.9
    b.traction_share = 0.2
    for _ in range(ticks):
        assert through(b, 0.9) == 0.9
    assert through(b, 0.9) == 0.2
