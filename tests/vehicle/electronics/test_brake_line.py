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


# ---- valves that stick, an accumulator that nobody empties -------------------------------------------------

_STICKS = ("inlet_open", "inlet_shut", "outlet_open", "outlet_shut")


def _line(**stuck: int):  # type: ignore[no-untyped-def]
    b = units("antilock", antilock__dead_time=0.0)
    for name, value in stuck.items():
        getattr(b, name)[0] = value
    return b


@pytest.mark.parametrize("command", [SHUT, LET_OFF])
def test_an_inlet_stuck_open_fills_whatever_it_is_told(command: int) -> None:
    """Told to let off as well, what comes in and what goes out balance: p = master gain / (sum of gains)."""
    b = _line(inlet_open=1)
    pressure = _for(b, 2000, 9e5, command, 0.0)
    fills, empties = b.line_gain, b.release_gain if command == LET_OFF else 0.0
    # within a tick it fills first and empties then: the fixed point of both steps
    balance = 9e5 * fills * (1.0 - empties) / (1.0 - (1.0 - fills) * (1.0 - empties))
    assert pressure == pytest.approx(balance, rel=1e-9)
    assert _for(b, 500, 9e5, OPEN, 1e5) == pytest.approx(9e5, rel=1e-9)  # nor is it held partly open


def test_an_inlet_stuck_shut_lets_no_pressure_in_and_the_lever_let_it_go() -> None:
    b = _line()
    _for(b, 500, 6e5, OPEN)
    b.inlet_shut[0] = 1
    assert _for(b, 500, 9e5, OPEN) == pytest.approx(6e5, rel=1e-9)
    assert _for(b, 500, 0.0, OPEN) < 1.0
    assert _for(b, 500, 9e5, OPEN) < 1.0


def test_an_outlet_stuck_shut_lets_nothing_off() -> None:
    b = _line(outlet_shut=1)
    _for(b, 500, 9e5, OPEN)
    assert _for(b, 500, 9e5, LET_OFF, 0.0) == pytest.approx(9e5, rel=1e-9)


def test_an_outlet_stuck_open_drains_a_shut_line_and_an_open_one_as_far_as_it_fills() -> None:
    b = _line()
    _for(b, 500, 9e5, OPEN)
    b.outlet_open[0] = 1
    before = float(b.pressure[0])
    drained = _for(b, 30, 9e5, SHUT)
    assert drained == pytest.approx(before * (1.0 - b.release_gain) ** 30, rel=1e-12)
    fills, empties = b.line_gain, b.release_gain
    balance = 9e5 * fills * (1.0 - empties) / (1.0 - (1.0 - fills) * (1.0 - empties))
    assert _for(b, 2000, 9e5, OPEN) == pytest.approx(balance, rel=1e-9)
    assert b.pressure[1] == 0.0  # the other brake's valves are its own


def test_a_pump_that_is_off_lets_an_accumulator_take_so_much_and_no_more() -> None:
    b = _line()
    b.takes = 5e5
    _for(b, 500, 8e5, OPEN)
    assert _for(b, 500, 8e5, LET_OFF, 6e5) == pytest.approx(6e5)
    assert _for(b, 500, 8e5, OPEN) == pytest.approx(8e5)
    assert _for(b, 500, 8e5, LET_OFF, 0.0) == pytest.approx(5e5)  # 2e5 and 3e5 are what it takes
    assert b.let_off[0] == pytest.approx(5e5)
    b.takes = math.inf  # pumps again
    assert _for(b, 500, 8e5, LET_OFF, 0.0) < 1e3
    b.takes = 3e5  # and is off again, with an empty accumulator
    _for(b, 500, 8e5, OPEN)
    assert _for(b, 500, 8e5, LET_OFF, 0.0) == pytest.approx(5e5)


@given(
    commands=st.lists(
        st.tuples(
            st.sampled_from((OPEN, SHUT, LET_OFF)),
            st.floats(0.0, 2e6),
            st.floats(0.0, 2e6),
            st.sets(st.sampled_from(_STICKS)),
            st.floats(0.0, 2e6) | st.just(math.inf),
        ),
        min_size=1,
        max_size=60,
    )
)
def test_whatever_sticks_pressure_is_the_hands_at_most_and_goes_with_the_hand(
    commands: list[tuple[int, float, float, set[str], float]],
) -> None:
    b = units("antilock")
    most = 0.0
    for command, master, ceiling, stuck, takes in commands:
        most, b.takes = max(most, master), takes
        for name in _STICKS:
            getattr(b, name)[0] = 1 if name in stuck else 0
        before = float(b.let_off[0])
        assert 0.0 <= _for(b, 1, master, command, ceiling) <= most
        assert b.let_off[0] <= max(before, takes) + 1e-6  # rounded
    assert _for(b, 300, 0.0, commands[-1][0], commands[-1][2]) < 1.0
