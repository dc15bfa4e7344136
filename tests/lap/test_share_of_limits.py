"""Target speed by a share of what the vehicle can do: nowhere more than is asked."""

from __future__ import annotations

import math

import numpy as np
import pytest

from emulator.core.constants import GRAVITY as G
from emulator.lap.ideal_lap import ideal_lap
from emulator.lap.share_of_limits import target_within, with_share
from emulator.lap.steady_limits import lateral_limit
from emulator.lap.target_speed import acceleration, lap_time
from emulator.road.build_line import Straight, Turn, build_line
from tests.lap.test_ideal_lap import demo

TOP = 75.0  # [m/s]


def circuit(bank=0.0):
    turn = Turn(math.pi, 40.0, 25.0)
    line = build_line([Straight(250.0), turn, Straight(250.0), turn], closed=True, ds_m=1.0)
    return line._replace(bank=np.full(line.station.size, bank))


@pytest.mark.parametrize("speed", [10.0, 30.0, 55.0])
@pytest.mark.parametrize("along", [-0.8, -0.4, 0.3, 0.8])
def test_no_force_along_leaves_more_across_than_is_asked_or_than_a_share_of_the_plants(speed, along):
    bike = demo()
    part = with_share(bike, 0.9, lateral_m_s2=8.0)
    least, most = 0.9 * bike.limits.ends[0, :, 0], 0.9 * bike.limits.ends[0, :, 1]
    f = along * float(most.min()) if along > 0.0 else -along * float(least.max())
    got = lateral_limit(part.limits, 1.0, speed, f)
    assert 0.0 < got <= min(8.0 / G, 0.9 * lateral_limit(bike.limits, 1.0, speed, f / 0.9)) + 1e-6


def test_braking_leaves_less_across_than_driving_as_hard():
    part = with_share(demo(), 1.0, lateral_m_s2=8.0, braking_m_s2=7.0, drive_m_s2=7.0)
    for f in (0.3, 0.5):
        assert lateral_limit(part.limits, 1.0, 30.0, -f) < lateral_limit(part.limits, 1.0, 30.0, f)


def test_with_nothing_kept_back_and_no_jerk_it_is_close_to_the_ideal_lap_from_above():
    line, bike = circuit(), demo()
    whole = lap_time(line, target_within(line, with_share(bike, 1.0), math.inf, math.inf, 1.0))
    ideal = float(ideal_lap(line, bike).time[-1])
    # the sums of braking and leaning are kept straighter than the plant's
    assert ideal - 1e-6 <= whole <= 1.05 * ideal


def test_target_speeds_keep_what_is_asked_of_them():
    line, bike = circuit(), demo()
    part = with_share(bike, 0.95, lateral_m_s2=9.0, braking_m_s2=8.0, drive_m_s2=7.0)
    speed = target_within(line, part, 150.0, TOP, 1.0)
    assert (speed**2 * np.abs(line.curvature)).max() <= 9.0 * 1.01
    a = acceleration(line, speed)
    drag = bike.drag * (0.5 * (speed[1:] + speed[:-1])) ** 2
    assert (a + drag).max() <= 7.0 * 1.01
    assert (a + drag).min() >= -8.0 * 1.01
    assert speed.max() <= TOP


@pytest.mark.parametrize("share", [0.7, 0.8, 0.9])
def test_less_of_a_share_is_slower(share):
    line, bike = circuit(), demo()
    slow = lap_time(line, target_within(line, with_share(bike, share), 150.0, TOP, 1.0))
    fast = lap_time(line, target_within(line, with_share(bike, share + 0.1), 150.0, TOP, 1.0))
    assert slow > fast


def test_a_bank_that_helps_is_not_counted_on_and_one_that_does_not_is():
    part = with_share(demo(), 0.9)
    level, helped, against = (
        lap_time(line, target_within(line, part, 150.0, TOP, 1.0))
        for line in (circuit(), circuit(-0.05), circuit(0.05))  # left turns; positive is right side down
    )
    assert helped == pytest.approx(level, rel=1e-9)
    assert against > level
