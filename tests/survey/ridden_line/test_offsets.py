"""A line that was planted is found within the interval that is told, as often as it says."""

from __future__ import annotations

import numpy as np
import pytest

from emulator.road.line import Line
from emulator.survey.ridden_line.laps import BEYOND_m, whole_laps
from emulator.survey.ridden_line.offsets import Offsets, ridden_offsets
from emulator.survey.ridden_line.places import RiddenLineError
from emulator.survey.ridden_line.spline import fit
from emulator.survey.smoothest import Knots
from tests.support.ridden import Hidden, hidden_ride
from tests.support.surveyed import shipped

DRAWS = 6


@pytest.fixture(scope="module")
def line() -> Line:
    return shipped().line


def estimated(line: Line, ride: Hidden) -> tuple[Offsets, np.ndarray]:
    """The line ridden, and how far it is from the hidden one (m,) [m]."""
    laps, _ = whole_laps(line, line.length, ride.places)
    found = ridden_offsets(line, line.length, laps)
    return found, found.offset - np.interp(found.station, ride.station, ride.offset, period=line.length)


def bend_of(line: Line, ride: Hidden, at: np.ndarray) -> np.ndarray:
    """Second derivative of the hidden offset at stations."""
    step = ride.station[1]
    second = (np.roll(ride.offset, -1) - 2.0 * ride.offset + np.roll(ride.offset, 1)) / step**2
    return np.interp(at, ride.station, second, period=line.length)


@pytest.mark.parametrize("laps", [1, 2, 3, 5])
def test_intervals_hold_the_hidden_line_as_often_as_they_say(line: Line, laps: int) -> None:
    """Of one lap it is that lap's path. Neighbouring stations are alike, so draws scatter much."""
    held, bends, too_wide = [], [], []
    for seed in range(DRAWS):
        rng = np.random.default_rng(100 * laps + seed)
        ride = hidden_ride(line, rng, laps=laps, differ_m=0.25 if laps > 1 else 0.0)
        found, off = estimated(line, ride)
        assert len(found.laps) == laps
        held.append(np.mean(np.abs(off) < found.half))
        bend_off = found.bend - bend_of(line, ride, found.station)
        bends.append(np.mean(np.abs(bend_off) < found.bend_half))
        too_wide.append(np.median(found.half) / (1.96 * np.sqrt(np.mean(off**2))))
    assert 0.90 < np.mean(held) < 0.99
    assert 0.88 < np.mean(bends) <= 1.0
    # Student's factor for 1, 2 and 4 degrees of freedom over the normal's is 6.5, 2.2 and 1.4
    assert np.median(too_wide) < {1: 1.3, 2: 7.0, 3: 2.6, 5: 1.7}[laps]


def test_places_left_out_lie_as_far_off_as_said(line: Line) -> None:
    ride = hidden_ride(line, np.random.default_rng(5), laps=4, noise_m=0.03)
    found, _ = estimated(line, ride)
    assert found.noise_m == pytest.approx(0.03, rel=0.1)
    assert found.held_out.places > 1200
    assert found.held_out.times == pytest.approx(1.0, abs=0.08)
    assert found.held_out.inside == pytest.approx(0.95, abs=0.02)
    assert found.halves is not None
    assert 0.6 < found.halves.differ_m / found.halves.expected_m < 1.5


def test_more_laps_and_less_noise_tell_more(line: Line) -> None:
    half = {}
    for laps, noise in ((3, 0.02), (8, 0.02)):
        found, _ = estimated(line, hidden_ride(line, np.random.default_rng(1), laps=laps, noise_m=noise))
        half[laps] = float(np.median(found.half))
    assert half[8] < 0.5 * half[3]
    one = [
        float(np.median(estimated(line, hidden_ride(line, np.random.default_rng(1), laps=1, noise_m=noise,
                                                    differ_m=0.0))[0].half))
        for noise in (0.01, 0.04)
    ]  # fmt: skip
    assert 2.0 < one[1] / one[0] < 4.0


def test_a_lap_goes_over_into_the_next(line: Line) -> None:
    """The line has no step, kink or bend of its own where laps begin."""
    ride = hidden_ride(line, np.random.default_rng(3), laps=2, noise_m=0.002, differ_m=0.6, wave_m=60.0)
    found, _ = estimated(line, ride)
    step = found.station[1]
    around = np.concatenate([found.offset[-20:], found.offset[:20]])
    bend = np.diff(around, 2) / step**2
    usual = np.diff(found.offset, 2) / step**2
    assert np.abs(bend).max() < 1.2 * np.abs(usual).max() + 1e-4
    told = np.concatenate([found.bend[-19:], found.bend[:19]])
    np.testing.assert_allclose(told, bend, atol=0.15 * np.abs(bend).max() + 2e-5)


def test_what_the_receiver_is_off_by_all_day_is_in_the_interval(line: Line) -> None:
    laps, _ = whole_laps(line, line.length, hidden_ride(line, np.random.default_rng(1), laps=3).places)
    without, off = (ridden_offsets(line, line.length, laps, off_m=v) for v in (0.0, 0.1))
    np.testing.assert_allclose(off.half**2 - without.half**2, (1.959964 * 0.1) ** 2, rtol=1e-5)


def test_errors_that_are_alike_are_seen_and_widen_the_interval() -> None:
    rng = np.random.default_rng(2)
    n = 1500
    white = rng.normal(size=n)
    alike = np.empty(n)
    alike[0] = white[0]
    for k in range(1, n):
        alike[k] = 0.5 * alike[k - 1] + np.sqrt(0.75) * white[k]
    at = np.linspace(0.0, 60.0, n)
    true = np.sin(at / 6.0) * 3.0
    for errors, least, most in ((white, 0.0, 0.0), (alike, 0.3, 0.6)):
        made = fit(Knots(60, False), at, true + errors)
        assert least <= made.alike <= most
        value, spread = made.at(at)
        assert np.mean(np.abs(value - true) < 1.96 * spread) > 0.85


def test_laps_that_are_not_whole_are_left_out_in_words(line: Line) -> None:
    places = hidden_ride(line, np.random.default_rng(1), laps=3).places
    gap = (places.time_s > 100.0) & (places.time_s < 103.0)
    cut = type(places)(*(v[~gap] for v in places[:5]))
    laps, remarks = whole_laps(line, line.length, cut)
    assert len(laps) == 2
    assert any("no place is known for 9" in text for text in remarks), remarks
    short = type(places)(*(v[places.time_s < 60.0] for v in places[:5]))
    with pytest.raises(RiddenLineError, match="no lap is whole"):
        whole_laps(line, line.length, short)
    back = type(places)(places.time_s, *(v[::-1] for v in places[1:5]))
    with pytest.raises(RiddenLineError, match="against the line"):
        whole_laps(line, line.length, back)
    aside = places._replace(east=places.east + np.where(np.abs(places.time_s - 100.0) < 2.0, 60.0, 0.0))
    assert any("beside the line at station" in text for text in whole_laps(line, line.length, aside)[1])


def test_a_lap_has_its_neighbours_road_with_it(line: Line) -> None:
    laps, remarks = whole_laps(line, line.length, hidden_ride(line, np.random.default_rng(1), laps=2).places)
    assert [lap.number for lap in laps] == [2, 3]
    for lap in laps:
        assert -BEYOND_m <= lap.stations[0] < -BEYOND_m + 3.0
        assert lap.stations[-1] > line.length + BEYOND_m - 3.0
    assert len(remarks) == 2
