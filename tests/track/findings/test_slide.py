"""A slide is found when and where it was planted, with an interval of grip that holds what was there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from emulator.core.constants import GRAVITY
from emulator.record.reader import Frames, Run
from emulator.track.findings.files import grip_of
from emulator.track.findings.lost_fix import find_lost_fix
from emulator.track.findings.piece import piece_to
from emulator.track.findings.seen import FindingError, Seen, STEP_s, TO_AXLE_m
from emulator.track.findings.slide import find_slide

SPEED, RADIUS = 18.0, 40.0
HELD = SPEED**2 / RADIUS / GRAVITY
STARTS_s = 4.0


def seen(front: float = HELD, rear: float = HELD, *, lasts_s: float = 4.0, brakes: float = 0.0) -> Seen:
    """A bend to the left on which each axle holds so much of its load from 4 s on, for a while.

    Axles that hold a and b (over gravity) leave the centre of mass their mean, and turn the bike by their
    difference over the distance between both.
    """
    time_s = np.arange(0.0, 8.0, STEP_s)
    slides = (time_s >= STARTS_s) & (time_s < STARTS_s + lasts_s)
    axle = [np.where(slides, one, HELD) * GRAVITY for one in (front, rear)]
    turning = SPEED / RADIUS + np.cumsum((axle[0] - axle[1]) / (2.0 * TO_AXLE_m)) * STEP_s
    heading = np.cumsum(turning) * STEP_s
    lean = -np.arctan(HELD) - np.where(slides, np.minimum(0.6 * (time_s - STARTS_s), 0.2), 0.0)
    whole = np.full(len(time_s), SPEED)
    return Seen(
        time_s,
        np.cumsum(SPEED * np.cos(heading)) * STEP_s,
        np.cumsum(SPEED * np.sin(heading)) * STEP_s,
        whole,
        lean,
        turning,
        np.full(len(time_s), -brakes),
        0.5 * (axle[0] + axle[1]),
        whole,
        whole,
        np.full(len(time_s), 4.0),
        np.full(len(time_s), np.nan),
    )


@pytest.mark.parametrize("grip", [0.2, 0.35, 0.45])
@pytest.mark.parametrize("tyre", ["front", "rear"])
def test_a_planted_slide_is_found(grip: float, tyre: str) -> None:
    friction = 1.4
    slide = find_slide(seen(**{tyre: grip * friction}), STARTS_s + 0.4)
    assert slide.tyre == tyre
    assert slide.from_s == pytest.approx(STARTS_s, abs=0.02)
    found = grip_of(slide, friction)
    assert found.estimated == pytest.approx(grip, abs=0.01)
    assert found.least - 1e-3 <= grip <= found.most
    assert found.most == pytest.approx(HELD / friction, rel=0.02)


def test_its_end_is_told_where_the_tyre_holds_again() -> None:
    slide = find_slide(seen(front=0.5, lasts_s=0.3), STARTS_s)
    assert slide.to_s == pytest.approx(STARTS_s + 0.3, abs=0.03)
    assert find_slide(seen(front=0.5), STARTS_s).to_s is None


def test_a_bend_that_opens_is_no_slide() -> None:
    steady = seen()
    opens = steady.across * np.where(steady.time_s < STARTS_s, 1.0, 0.5)
    upright = np.where(steady.time_s < STARTS_s, 1.0, 0.6)
    with pytest.raises(FindingError, match="no slide begins within 1 s of 4 s"):
        find_slide(steady._replace(across=opens, lean=steady.lean * upright), STARTS_s)
    with pytest.raises(FindingError, match="no slide begins"):
        find_slide(seen(front=0.5), STARTS_s - 2.0)


def test_a_slide_under_the_brakes_is_refused() -> None:
    with pytest.raises(FindingError, match="the bike brakes when it begins to slide"):
        find_slide(seen(front=0.5, brakes=4.0), STARTS_s)


def test_the_piece_lies_on_the_bend_and_begins_and_ends_straight() -> None:
    piece = piece_to(seen(), STARTS_s)
    assert piece.off_m < 0.05
    assert piece.speed_m_s == pytest.approx(SPEED)
    assert piece.lateral_m_s2 == pytest.approx(SPEED**2 / RADIUS, rel=1e-6)
    legs = np.diff(piece.points, axis=0)
    turns = np.diff(np.unwrap(np.arctan2(legs[:, 1], legs[:, 0]))) / np.hypot(*legs[1:].T)
    assert np.abs(turns[:10]).max() < 1e-9
    assert np.abs(turns[-5:-1]).max() < 1e-9
    ridden = np.abs(turns - 1.0 / RADIUS) < 1e-4
    assert ridden.sum() * 4.0 == pytest.approx(STARTS_s * SPEED + 1.5 * SPEED, abs=15.0)
    far = np.hypot(*np.diff(piece.points, axis=0).T).cumsum()
    assert far[-1] > piece.station_m + SPEED


def test_a_bike_that_stands_has_no_piece() -> None:
    steady = seen()
    with pytest.raises(FindingError, match="slower than 3 m/s"):
        piece_to(steady._replace(speed=np.zeros(len(steady.speed))), STARTS_s)


def record(fix: np.ndarray) -> Run:
    tick = np.arange(len(fix)) * 10
    no_frames = Frames(*[np.empty(0)] * 8)
    return Run(Path("made_up"), {}, tick, tick * 10**6, {"output.gnss_fix": fix}, no_frames, [])


@pytest.mark.parametrize(("left", "said"), [(0.0, 0), (np.nan, 0), (1.0, 1), (5.0, 5)])
def test_a_loss_is_found_with_its_length(left: float, said: int) -> None:
    fix = np.full(3000, 4.0)
    fix[1000:1350] = left
    lost = find_lost_fix(record(fix), 10.4)
    assert (lost.from_s, lost.lasts_s, lost.left) == (pytest.approx(10.0), pytest.approx(3.5), said)
    assert lost.worst_s == pytest.approx(3.5)


def test_the_receivers_own_way_back_is_no_part_of_what_took_the_fix() -> None:
    """Two seconds under a bridge, one until there is a single fix, one more until a differential one."""
    fix = np.full(3000, 4.0)
    fix[1000:1300], fix[1300:1400], fix[1400:1500] = 0.0, 1.0, 2.0
    lost = find_lost_fix(record(fix), 10.0)
    assert lost.lasts_s == pytest.approx(5.0)
    assert lost.worst_s == pytest.approx(3.0)
    assert lost.without_way_back((1.0, 2.0, 5.0, 10.0)) == pytest.approx(2.0)
    assert lost.without_way_back((5.0, 5.0, 5.0, 10.0)) == pytest.approx(0.1)


def test_it_may_last_to_the_end() -> None:
    fix = np.full(3000, 4.0)
    fix[1000:] = 0.0
    assert find_lost_fix(record(fix), 10.0).lasts_s == pytest.approx(19.99)


def test_no_loss_is_told() -> None:
    with pytest.raises(FindingError, match="no fix is lost within 1 s of 5 s"):
        find_lost_fix(record(np.full(3000, 4.0)), 5.0)
