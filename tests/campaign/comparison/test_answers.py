"""Edges and margins of the robot against a baseline, and over the nights."""

from __future__ import annotations

import pytest

from emulator.campaign.comparison.answers import pairs_of, shrinking
from emulator.campaign.comparison.compare import FALSE_ALARMS, compare
from tests.support.made_up_answers import margin

SIGNALS = [f"signal {k}" for k in range(8)]


def night(by: float = 0.0) -> list:
    return [margin(of, 60.0, 30.0 + 2.0 * k + by) for k, of in enumerate(SIGNALS)]


def test_what_moved_by_more_than_the_resolution_is_told_in_points_of_what_was_searched() -> None:
    before = [
        margin("a", 60.0, 30.0),
        margin("a", 120.0, 20.0),
        margin("b", 60.0, 50.0),
        margin("c", 60.0, 1.0),
    ]
    now = [
        margin("a", 60.0, 29.0),
        margin("a", 120.0, 14.0),
        margin("b", 60.0, 60.0),
        margin("c", 60.0, None),
    ]
    assert [pair.change for pair in pairs_of(before, now)] == [0.0, -6.0, 10.0, 0.0]
    found = compare((), (), before, now)
    assert [pair.now.label for pair in found.borne_less] == ["over speed · delay of a · at 120 km/h"]
    assert [pair.now.of for pair in found.borne_more] == ["b"]
    assert found.findings == ()  # two moved, in both directions


def test_what_is_not_known_or_was_not_asked_then_is_no_pair() -> None:
    before = [margin("a", 60.0, 30.0, borne=None), margin("b", 60.0, 30.0)]
    assert pairs_of(before, [margin("a", 60.0, 9.0), margin("c", 60.0, 9.0)]) == ()


def test_that_all_shrank_is_a_regression_and_that_few_did_is_none() -> None:
    worse = compare((), (), night(), night(-5.0)).findings
    assert [(f.kind, f.direction, f.worse, f.better, f.pairs, f.shift) for f in worse] == [
        ("edges", "worse", 8, 0, 8, -5.0)
    ]
    assert worse[0].probability == pytest.approx(0.5**8)
    assert worse[0].probability <= FALSE_ALARMS
    assert compare((), (), night(-5.0), night()).findings[0].direction == "better"
    assert compare((), (), night()[:6], night(-5.0)[:6]).findings == ()  # 1 in 64
    assert compare((), (), night(), night()).findings == ()


def test_what_shrank_over_the_nights_is_told() -> None:
    nights = [[margin("a", 60.0, v), margin("b", 60.0, 40.0)] for v in (40.0, 38.0)]
    (course,) = shrinking(nights, [margin("a", 60.0, 35.0), margin("b", 60.0, 39.0)])
    assert (course.label, course.borne) == ("over speed · delay of a · at 60 km/h", (40.0, 38.0, 35.0))
    assert shrinking(nights, [margin("a", 60.0, 38.0)]) == ()
    assert shrinking([], [margin("a", 60.0, 1.0)]) == ()
