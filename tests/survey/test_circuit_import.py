"""Circuits from points: how near, how smooth, and in which words what gives none is refused."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.course import circuit_course
from emulator.core.errors import ConfigError
from emulator.road.line import sample
from emulator.road.through_points import line_through
from emulator.survey.circuit_file import circuit_text, origin_text
from emulator.survey.circuit_import import Imported, Wishes, import_circuit
from tests.support.surveyed import (
    ORIGIN,
    Array,
    distances,
    geodetic,
    oval,
    sampled,
    shipped,
    write_csv,
    write_gpx,
)

WISHES = Wishes(name="invented", width_m=10.0)


def of(tmp_path: Path, places: Array, wishes: Wishes = WISHES) -> Imported:
    return import_circuit(str(write_csv(tmp_path / "lap.csv", ["east", "north"], places)), wishes)


def refused(path: Path, wishes: Wishes = WISHES) -> str:
    with pytest.raises(ConfigError) as caught:
        import_circuit(str(path), wishes)
    assert len(caught.value.problems) == 1
    return str(caught.value.problems[0]).removeprefix(f"{path}:")


def from_start(found: Imported, k: int) -> float:
    """How far a point lies from station 0, either way [m]."""
    return float(min(found.stations[k], found.length_m - found.stations[k]))


def path_of(found: Imported) -> Array:
    """Places of the line 0.25 m apart: a chord of a metre would lie up to 5 mm inside of a tight corner."""
    stations = np.linspace(0.0, found.line.length, 4 * (found.line.station.size - 1) + 1)
    return np.array([sample(found.line, float(s))[:2] for s in stations])


# -- the shipped circuit, surveyed ---------------------------------------------------------------------------


@pytest.mark.parametrize(("count", "noise"), [(2300, 0.0), (2300, 0.03), (5000, 0.03), (450, 0.05)])
def test_a_surveyed_circuit_comes_back(tmp_path: Path, count: int, noise: float) -> None:
    course = shipped()
    places, _ = sampled(course, count, noise)
    found = of(tmp_path, places)
    away = distances(places, path_of(found) + places[0])
    assert away.max() <= WISHES.deviation_m
    # told as measured
    assert abs(found.offsets[found.worst]) == pytest.approx(away.max(), abs=2e-3)
    assert away[found.worst] == pytest.approx(away.max(), abs=2e-3)
    assert found.rms_m == pytest.approx(float(np.sqrt(np.mean(away**2))), abs=2e-3)
    # and the true line, which nobody told it, is as near; of few points each may be off by its noise
    truth = np.column_stack([course.line.x, course.line.y])
    unknown = 0.0 if count > 1000 else 2.0 * noise
    assert distances(truth[::5], path_of(found) + places[0]).max() <= WISHES.deviation_m + unknown
    assert found.length_m == pytest.approx(course.line.length, rel=2e-3)
    # no rougher than the circuit it was
    assert np.abs(found.line.curvature).max() < 1.05 * np.abs(course.line.curvature).max()
    assert np.abs(found.line.dcurvature).max() < 1.3 * np.abs(course.line.dcurvature).max()


def test_less_deviation_is_nearer_and_more_is_smoother(tmp_path: Path) -> None:
    places, _ = sampled(shipped(), 2300, 0.02)
    found = [of(tmp_path, places, replace(WISHES, deviation_m=d)) for d in (0.12, 0.3, 1.0)]
    assert [abs(f.offsets[f.worst]) <= f.wishes.deviation_m for f in found] == [True] * 3
    assert found[0].rms_m < found[1].rms_m < found[2].rms_m
    rough = [float(np.square(f.line.dcurvature[:-1]).mean()) for f in found]
    assert rough == sorted(rough, reverse=True)


@given(
    seed=st.integers(0, 10_000),
    bumps=st.lists(st.floats(-3.0, 3.0), min_size=1, max_size=3),
    radius=st.floats(40.0, 150.0),
    spacing=st.floats(0.5, 6.0),
    noise=st.floats(0.0, 0.04),
)
@settings(max_examples=12)
def test_whatever_the_circuit_its_line_is_near_and_its_curvature_continuous(
    tmp_path_factory: pytest.TempPathFactory,
    seed: int,
    bumps: list[float],
    radius: float,
    spacing: float,
    noise: float,
) -> None:
    angle = np.linspace(0.0, 2.0 * math.pi, round(2.0 * math.pi * radius / spacing), endpoint=False)
    r = radius + sum(b * np.cos((k + 2) * angle) for k, b in enumerate(bumps))
    places = np.column_stack([r * np.cos(angle), r * np.sin(angle)])
    places += np.random.default_rng(seed).normal(0.0, noise, places.shape)
    found = of(tmp_path_factory.mktemp("points"), places)
    assert distances(places, path_of(found) + places[0]).max() <= WISHES.deviation_m
    steps = []
    for ds in (0.4, 0.2, 0.1):
        line = line_through(found.circuit.points, closed=True, ds_m=ds)
        steps.append(np.abs(np.diff(np.append(line.curvature, line.curvature[1]))).max())
    assert steps[1] < 0.6 * steps[0] + 1e-9
    assert steps[2] < 0.6 * steps[1] + 1e-9


def test_the_file_gives_the_line_that_was_measured(tmp_path: Path) -> None:
    course = shipped()
    places, heights = sampled(course, 2300, 0.03)
    path = write_gpx(tmp_path / "lap.gpx", geodetic(places, heights))
    found = import_circuit(str(path), WISHES)
    file = tmp_path / "lap.yaml"
    file.write_text(circuit_text(found))
    circuit, source = load_circuit(file)
    assert circuit == found.circuit
    assert source.warnings == ()
    again = circuit_course(circuit, 0.0).line
    np.testing.assert_array_equal(again.x, found.line.x)
    assert circuit_text(import_circuit(str(path), WISHES)) == circuit_text(found)


def test_latitude_and_longitude_come_out_where_they_are(tmp_path: Path) -> None:
    places, heights = sampled(shipped(), 2300)
    table = geodetic(places, heights)
    found = import_circuit(str(write_gpx(tmp_path / "lap.gpx", table)), WISHES)
    assert found.origin is not None
    for k in (0, 700, 1500):
        i = int(np.argmin(np.abs(found.line.station - found.stations[k])))
        there = found.origin.enu_to_geodetic(float(found.line.x[i]), float(found.line.y[i]), 0.0)
        away = ORIGIN.geodetic_to_enu(there[0], there[1], ORIGIN.height_m)[:2] - places[k]
        assert np.hypot(*away) < 0.5
    where = "{latitude_deg: 47.25000000, longitude_deg: 5.85000000, height_m: 240.0}"
    assert origin_text(found) == where


def test_heights_come_back_within_their_deviation(tmp_path: Path) -> None:
    course = shipped()
    places, heights = sampled(course, 2300, 0.05)
    table = np.column_stack([places, heights + 312.0])
    path = write_csv(tmp_path / "lap.csv", ["x", "y", "ele"], table)
    found = import_circuit(str(path), replace(WISHES, elevation_deviation_m=0.4))
    assert found.heights is not None
    assert np.abs(found.heights.errors).max() <= 0.4
    road = np.interp(found.stations, found.line.station, found.heights.elevation)
    off = road - road[0] - (heights - heights[0])
    assert np.abs(off).max() < 0.8
    assert found.heights.listed[0].station_m == 0.0
    assert found.heights.listed[0].height_m == 0.0


# -- ends, direction, start ----------------------------------------------------------------------------------


def test_a_lap_that_closes_within_three_metres_is_closed(tmp_path: Path) -> None:
    places, _ = sampled(shipped(), 2300)
    drift = np.linspace(0.0, 1.0, len(places))[:, None] * [1.5, -2.5]
    found = of(tmp_path, places + drift)
    assert found.circuit.closed
    assert any("shared out along the lap" in remark for remark in found.remarks)
    assert np.abs(found.offsets).max() <= WISHES.deviation_m
    moved = np.hypot(*(found.survey.plane - found.survey.given).T)
    assert 2.0 < moved.max() < 3.0
    told = next(r for r in found.remarks if r.startswith("from the points as the file gives them"))
    assert "up to 2." in told or "up to 3." in told


def test_an_open_line_is_refused_or_made_as_asked(tmp_path: Path) -> None:
    places, _ = sampled(shipped(), 2300, 0.02)
    path = write_csv(tmp_path / "lap.csv", ["east", "north"], places[200:1500])
    said = refused(path)
    assert said.startswith("1301:1: the last point lies ")
    assert "--open" in said
    found = import_circuit(str(path), replace(WISHES, open_line=True))
    assert not found.circuit.closed
    away = distances(places[200:1500], path_of(found) + places[200])
    assert away.max() <= WISHES.deviation_m
    file = tmp_path / "lap.yaml"
    file.write_text(circuit_text(found))
    course = circuit_course(load_circuit(file)[0], 40.0)
    assert course.finish_m == pytest.approx(found.length_m)
    assert course.line.length == pytest.approx(found.length_m + 60.0)
    # it begins and ends where the points do
    assert found.stations[0] == pytest.approx(0.0, abs=0.5)
    assert found.stations[-1] == pytest.approx(found.length_m, abs=0.5)


def test_reverse_rides_the_same_line_the_other_way(tmp_path: Path) -> None:
    one, other = (of(tmp_path, oval(), replace(WISHES, reverse=r)) for r in (False, True))
    assert one.line.curvature.min() > -2e-3
    assert one.line.curvature.max() > 0.02
    assert other.line.curvature.min() < -0.02
    assert other.line.curvature.max() < 2e-3
    assert distances(path_of(one), path_of(other)).max() < 2.0 * WISHES.deviation_m
    assert from_start(other, other.survey.points.lines.tolist().index(2)) < 0.3


def test_the_start_is_where_it_is_asked_for(tmp_path: Path) -> None:
    plain = of(tmp_path, oval())
    by_station = of(tmp_path, oval(), replace(WISHES, start=100.0))
    assert (by_station.line.x[0], by_station.line.y[0]) == pytest.approx((100.0, 0.0), abs=0.3)
    by_place = of(tmp_path, oval() + 1000.0, replace(WISHES, start=(1100.0, 1003.0)))
    assert (by_place.line.x[0], by_place.line.y[0]) == pytest.approx((100.0, 0.0), abs=0.3)
    assert by_place.length_m == pytest.approx(plain.length_m, abs=1e-2)
    table = geodetic(oval())
    path = write_csv(tmp_path / "geo.csv", ["lat", "lon"], table[:, :2], digits=11)
    there = (float(table[50, 0]), float(table[50, 1]))
    found = import_circuit(str(path), replace(WISHES, start=there))
    assert from_start(found, 50) < 0.3


def test_a_start_far_from_the_line_is_refused(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "lap.csv", ["x", "y"], oval())
    assert "within 100 m of the line" in refused(path, replace(WISHES, start=(0.0, 900.0)))
    assert "a station within the lap of" in refused(path, replace(WISHES, start=5000.0))


# -- what is wrong with points -------------------------------------------------------------------------------


def test_swapped_coordinates_are_found_by_the_known_length(tmp_path: Path) -> None:
    table = geodetic(sampled(shipped(), 2300)[0])
    length = shipped().line.length
    right = write_csv(tmp_path / "right.csv", ["lat", "lon"], table[:, :2], digits=11)
    found = import_circuit(str(right), replace(WISHES, length_m=length))
    assert found.length_m == pytest.approx(length, rel=0.02)
    swapped = write_csv(tmp_path / "swapped.csv", ["lon", "lat"], table[:, :2], digits=11)
    said = refused(swapped, replace(WISHES, length_m=length))
    assert f"expected a line of {length:g} m within 2 % (--length-m), got " in said
    assert "with latitude and longitude swapped it is about" in said


def test_a_length_that_is_off_is_refused_with_both_figures(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "lap.csv", ["x", "y"], oval())
    said = refused(path, replace(WISHES, length_m=600.0))
    assert "expected a line of 600 m within 2 % (--length-m), got 55" in said
    assert "% less" in said
    assert import_circuit(str(path), replace(WISHES, length_m=600.0, length_percent=10.0)).length_m < 560.0


def test_a_spike_is_left_out_and_told_or_refused(tmp_path: Path) -> None:
    places, _ = sampled(shipped(), 2300, 0.02)
    places[612] += (7.0, -3.0)
    path = write_csv(tmp_path / "lap.csv", ["x", "y"], places)
    found = import_circuit(str(path), WISHES)
    assert "1 spike left out: line 614 of the file" in found.remarks
    assert 614 not in found.survey.points.lines
    assert refused(path, replace(WISHES, refuse_spikes=True)).startswith("614:1: a spike")


def test_points_that_no_smooth_line_comes_near_are_refused_where_they_are(tmp_path: Path) -> None:
    """Several in a row are no spike, and a line that follows them is none to ride."""
    places, _ = sampled(shipped(), 2300, 0.02)
    places[900:905] += np.random.default_rng(1).uniform(-2.0, 2.0, (5, 2))
    said = refused(write_csv(tmp_path / "lap.csv", ["x", "y"], places))
    assert 890 <= int(said.partition(":")[0]) <= 915
    assert "no smooth line comes within 0.2 m of all points" in said


def test_points_without_order_are_refused(tmp_path: Path) -> None:
    places = np.random.default_rng(4).permutation(oval())
    refused(write_csv(tmp_path / "lap.csv", ["x", "y"], places), replace(WISHES, deviation_m=5.0))


@pytest.mark.parametrize("open_line", [False, True])
def test_kilometres_taken_for_metres_are_told_as_such(tmp_path: Path, open_line: bool) -> None:
    file = write_csv(tmp_path / "lap.csv", ["east", "north"], np.vstack([oval(), oval()[:1]]) * 1e-3)
    said = refused(file, replace(WISHES, open_line=open_line))
    assert "got points that all lie within 0." in said
    assert "if these are kilometres, write 1000 times as much" in said


def test_a_hole_is_told(tmp_path: Path) -> None:
    found = of(tmp_path, np.delete(oval(40.0, 300.0), np.arange(30, 100), axis=0))
    assert any("no point for 142 m: there the line is a guess" in remark for remark in found.remarks)


def test_the_road_is_as_wide_as_its_narrowest_point_and_somebody_has_to_say_it(tmp_path: Path) -> None:
    table = np.column_stack([oval(), 9.0 + np.arange(len(oval())) % 4])
    path = write_csv(tmp_path / "lap.csv", ["x", "y", "width"], table)
    assert import_circuit(str(path), replace(WISHES, width_m=None)).circuit.width_m == 9.0
    assert import_circuit(str(path), WISHES).circuit.width_m == 10.0
    path = write_csv(tmp_path / "lap.csv", ["x", "y"], oval())
    said = refused(path, replace(WISHES, width_m=None))
    assert said == "1:1: no column of width: say how wide the road is by --width-m"


def test_heights_that_no_smooth_road_has_are_refused_where_they_are(tmp_path: Path) -> None:
    heights = np.zeros(len(oval()))
    heights[60] = 9.0
    path = write_csv(tmp_path / "lap.csv", ["x", "y", "z"], np.column_stack([oval(), heights]))
    said = refused(path)
    assert "--elevation-deviation-m" in said
    assert 55 <= int(said.partition(":")[0]) <= 70
    assert import_circuit(str(path), replace(WISHES, flat=True)).circuit.elevation == ()


def test_few_heights_are_not_used_and_that_is_told(tmp_path: Path) -> None:
    heights = np.full(len(oval()), np.nan)
    heights[:20] = 3.0
    path = write_csv(tmp_path / "lap.csv", ["x", "y", "z"], np.column_stack([oval(), heights]))
    path.write_text(path.read_text().replace("nan", ""))
    found = import_circuit(str(path), WISHES)
    assert found.heights is None
    assert "only 20 points have a height: the road is flat" in found.remarks


@pytest.mark.parametrize(
    "places",
    [
        np.zeros((40, 2)),
        np.column_stack([np.arange(40.0), np.zeros(40)]),
        np.tile([[0.0, 0.0], [1.0, 1.0]], (30, 1)),
        np.random.default_rng(8).normal(0.0, 300.0, (60, 2)),
        oval(0.5, 100.0, 0.5),
        1e6 * oval(),
    ],
)
@pytest.mark.parametrize("open_line", [False, True])
def test_what_is_no_circuit_ends_in_words(tmp_path: Path, places: Array, open_line: bool) -> None:
    path = write_csv(tmp_path / "lap.csv", ["x", "y"], places)
    try:
        found = import_circuit(str(path), replace(WISHES, open_line=open_line))
    except ConfigError:
        return
    assert np.abs(found.offsets).max() <= WISHES.deviation_m
