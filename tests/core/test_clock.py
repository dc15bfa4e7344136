"""The two clocks keep the same contract; the stepped one keeps it without waiting."""

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.core.clock import MonotonicClock, first_deadline
from tests.support.stepped_clock import SteppedClock


@pytest.mark.parametrize(
    "clock",
    [MonotonicClock(), MonotonicClock(200_000), SteppedClock(7)],
    ids=["monotonic", "spinning", "stepped"],
)
def test_sleep_returns_not_before_the_deadline_and_tells_when(clock):
    deadline = clock.now_ns() + 1_500_000
    woke = clock.sleep_until(deadline)
    assert deadline <= woke <= clock.now_ns()


@pytest.mark.parametrize("clock", [MonotonicClock(), SteppedClock(10**12)], ids=["monotonic", "stepped"])
def test_past_deadline_returns_at_once_and_time_stays(clock):
    before = clock.now_ns()
    woke = clock.sleep_until(before - 10**9)
    assert before <= woke <= clock.now_ns()


def test_monotonic_clock_is_the_machines():
    before = time.monotonic_ns()
    assert before <= MonotonicClock().now_ns() <= time.monotonic_ns()


def test_stepped_clock_takes_no_time_and_is_exact():
    clock = SteppedClock()
    started = time.monotonic()
    assert clock.sleep_until(3600 * 10**9) == 3600 * 10**9
    assert time.monotonic() - started < 60
    clock.advance(5)
    assert clock.now_ns() == 3600 * 10**9 + 5


def test_nonsense_is_refused():
    with pytest.raises(ValueError, match="must not be negative"):
        MonotonicClock(-1)
    with pytest.raises(ValueError, match="does not run backwards"):
        SteppedClock().advance(-1)


@given(now=st.integers(0, 10**18), period=st.integers(2, 10**9))
def test_deadlines_begin_one_to_two_periods_ahead_half_way_between_whole_ones(now, period):
    deadline = first_deadline(now, period)
    assert period <= deadline - now < 2 * period
    assert deadline % period == period // 2


@pytest.mark.parametrize("hz", [100, 250, 1000])  # of kernels' timer interrupts
def test_ticks_of_a_millisecond_keep_off_the_kernels_timer(hz):
    deadline, interrupts = first_deadline(1234, 1_000_000), 10**9 // hz
    for tick in range(1000):
        off = (deadline + tick * 1_000_000) % interrupts
        assert min(off, interrupts - off) >= 500_000
