"""The two valves of a line against the closed form of a first-order lag."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.vehicle.electronics.brake_line import LET_OFF, OPEN, SHUT, modulate
from tests.support.own_units import TICK, units


def _for(b, ticks: int, master: float, command: int, ceiling: float = math.inf) -> float:
    pressure = math.nan
    for _ in range(ticks):
        b.command_at = (b.command_at + 1) % b.commands.shape[1]
        pressure = modulate(b, 0, master, command, ceiling)
    return pressure


@pytest.mark.parametrize("time_s", [0.01, 0.05])
def test_open_it_follows_as_a_first_order_lag_does(time_s: float) -> None:
    b = units("antilock", antilock__line_time=time_s, antilock__dead_time=0.0)
    pressure = _for(b, 20, 8e5, OPEN)
    assert pressure == pytest.approx(8e5 * (1.0 - math.exp(-20 * TICK / time_s)), rel=1e-12)


@pytest.mark.parametrize("time_s", [0.01, 0.05])
def test_let_off_it_falls_as_one(time_s: float) -> None:
    b = units("antilock", antilock__release_time=time_s, antilock__dead_time=0.0)
    b.pressure[0] = 8e5
    pressure = _for(b, 20, 9e5, LET_OFF, 0.0)
    assert pressure == pytest.approx(8e5 * math.exp(-20 * TICK / time_s), rel=1e-12)


def test_let_off_stops_at_the_floor_and_open_at_the_ceiling() -> None:
    b = units("antilock", antilock__dead_time=0.0)
    assert _for(b, 500, 9e5, OPEN, 4e5) == 4e5
    assert _for(b, 500, 9e5, LET_OFF, 3e5) == 3e5
    assert _for(b, 500, 9e5, SHUT) == 3e5


@pytest.mark.parametrize("ticks", [0, 1, 5, 12])
def test_a_command_acts_a_dead_time_later(ticks: int) -> None:
    b = units("antilock", antilock__dead_time=ticks * TICK)
    _for(b, 400, 8e5, OPEN)
    held = _for(b, ticks, 8e5, LET_OFF, 0.0) if ticks else b.pressure[0]
    assert held == pytest.approx(8e5, rel=1e-6)
    assert _for(b, 1, 8e5, LET_OFF, 0.0) < 0.99 * 8e5


@given(
    commands=st.lists(
        st.tuples(st.sampled_from((OPEN, SHUT, LET_OFF)), st.floats(0.0, 2e6), st.floats(0.0, 2e6)),
        min_size=1,
        max_size=60,
    )
)
def test_it_is_never_above_what_hands_gave_nor_below_nothing(
    commands: list[tuple[int, float, float]],
) -> None:
    """And whoever lets go of the lever gets rid of the pressure whatever the valves do."""
    b = units("antilock")
    most = 0.0
    for command, master, ceiling in commands:
        most = max(most, master)
        assert 0.0 <= _for(b, 1, master, command, ceiling) <= most
    assert _for(b, 300, 0.0, commands[-1][0], commands[-1][2]) < 1.0
