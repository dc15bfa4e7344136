"""Counting over an inserted leap second: every day is whole, one is a second longer."""

from __future__ import annotations

import datetime

from hypothesis import given
from hypothesis import strategies as st

from emulator.wire.utc import DAY_ms, NO_LEAP_ms, day_and_time

days = st.integers(4000, 40_000)


@given(counted_ms=st.integers(0, 4_000_000_000_000))
def test_without_one_it_is_a_posix_clock(counted_ms: int) -> None:
    day, ms = day_and_time(counted_ms, NO_LEAP_ms)
    there = datetime.datetime(1970, 1, 1) + datetime.timedelta(days=day, milliseconds=ms)
    assert there - datetime.datetime(1970, 1, 1) == datetime.timedelta(milliseconds=counted_ms)
    assert 0 <= ms < DAY_ms


@given(leap_day=days, around_ms=st.integers(-3 * DAY_ms, 3 * DAY_ms))
def test_every_millisecond_is_told_apart_and_the_day_has_a_second_more(leap_day: int, around_ms: int) -> None:
    leap_ms = leap_day * DAY_ms
    day, ms = day_and_time(leap_ms + around_ms, leap_ms)
    longer = 1000 if day >= leap_day else 0
    assert day * DAY_ms + ms + longer == leap_ms + around_ms
    assert 0 <= ms < DAY_ms + (1000 if day == leap_day - 1 else 0)
    assert day_and_time(leap_ms + around_ms + 1, leap_ms) in ((day, ms + 1), (day + 1, 0))
