"""From places to a circuit file that rides where the bike rode; closed forms of a circle and a slalom."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from emulator.config.scenario.circuit import load_circuit
from emulator.config.scenario.course import circuit_course
from emulator.road.iso8608 import along_lap
from emulator.survey.ridden_line.line import LineWishes, RiddenLine, ridden_line
from emulator.survey.ridden_line.line_file import line_text
from emulator.survey.ridden_line.line_page import line_html, rows
from emulator.survey.ridden_line.places import Places, RiddenLineError, places_of
from tests.support.command_line import emulator_command
from tests.support.html_page import Page
from tests.support.made_up_road import RADIUS, places_on_a_hill
from tests.support.recorded import carried
from tests.support.ridden import at_offsets, hidden_ride, record_of
from tests.support.surveyed import OSTREVEL, distances, shipped


def beside(found: RiddenLine, places: np.ndarray) -> np.ndarray:
    """Distance (n,) [m] of places from the line ridden, by another way than the package's."""
    line = found.course.line
    return distances(places, np.column_stack([line.x, line.y]))


@pytest.fixture(scope="module")
def onto() -> tuple[RiddenLine, np.ndarray]:
    """Four laps of the demo circuit, laid on it, and the hidden line."""
    course = shipped()
    ride = hidden_ride(course.line, np.random.default_rng(4), laps=4)
    found = ridden_line(record_of(ride.places), LineWishes("Ridden <b>", onto=OSTREVEL))
    return found, at_offsets(course.line, ride.station[::8], ride.offset[::8])


def test_the_hidden_line_is_within_what_is_told(onto: tuple[RiddenLine, np.ndarray]) -> None:
    found, hidden = onto
    off = beside(found, hidden)
    at = np.linspace(0.0, found.course.length_m, len(off), endpoint=False)
    half = np.interp(at, found.station, found.offsets.half)
    assert np.mean(off < half) > 0.88
    assert found.rms_m == pytest.approx(
        0.22, abs=0.05
    )  # of laps that differ by 0.25 m, three to one by their mean


def test_a_circuit_keeps_its_start_sectors_heights_and_banks(onto: tuple[RiddenLine, np.ndarray]) -> None:
    found, _ = onto
    of, course = load_circuit(OSTREVEL)[0], shipped()
    first = np.array(found.circuit.points[0])
    heading = course.line.heading[0]
    start = np.array([course.line.x[0], course.line.y[0]])
    assert (first - start) @ [math.cos(heading), math.sin(heading)] == pytest.approx(0.0, abs=0.05)
    assert len(found.circuit.sector_marks_m) == len(of.sector_marks_m)
    assert len(found.circuit.banking) == len(of.banking)
    assert found.circuit.width_m == of.width_m
    line = found.course.line
    mine, _ = along_lap(line, [s for s, _ in found.course.elevation], [z for _, z in found.course.elevation])
    theirs, _ = along_lap(course.line, [s for s, _ in course.elevation], [z for _, z in course.elevation])
    bank, _ = along_lap(course.line, [s for s, _ in course.banking], [b for _, b in course.banking])
    at = found.offsets.station[::20]
    here = np.interp(found.station[::20], line.station, mine)
    there = np.interp(at, course.line.station, theirs)
    there += found.offsets.offset[::20] * np.tan(np.interp(at, course.line.station, bank))
    np.testing.assert_allclose(here, there, atol=0.02)


def test_the_file_is_a_circuit_and_says_where_it_is_from(
    onto: tuple[RiddenLine, np.ndarray], tmp_path: Path
) -> None:
    found, _ = onto
    text = line_text(found)
    (tmp_path / "line.yaml").write_text(text)
    circuit, _ = load_circuit(tmp_path / "line.yaml")
    assert circuit == found.circuit
    assert "SHA-256 " + "0" * 64 in text
    assert "by emulator track line, 20" in text
    assert "laps 2, 3, 4, 5 of made_up" in text


def test_the_page_shows_all_and_needs_nothing_else(onto: tuple[RiddenLine, np.ndarray]) -> None:
    found, _ = onto
    page = Page(line_html(found))
    assert page.addresses == []
    assert "Ridden <b>" in page.text
    for row in rows(found):
        assert all(" ".join(cell.split()) in page.text for cell in row)
    figures = carried(page)["figures"]
    assert {"plan", "aside", "curvature"} <= set(figures)
    told = dict(rows(found))
    assert told["known to (95 %)"].startswith(f"{np.median(found.offsets.half):.3f} m")
    k = int(np.argmax(found.offsets.half))
    assert f"{found.offsets.half[k]:.3f} m at station {found.station[k]:.0f} m" in told["known to (95 %)"]
    apart = float(np.sqrt(np.mean(found.offsets.laps.var(axis=0, ddof=1))))
    assert told["a lap from the others"].startswith(f"{apart:.3f} m")
    assert apart == pytest.approx(0.25, rel=0.2)
    assert f"{found.offsets.held_out.times:.2f} times" in told["every fifth place left out"]


def test_without_a_circuit_one_is_made_of_the_ride() -> None:
    course = shipped()
    ride = hidden_ride(course.line, np.random.default_rng(6), laps=3)
    start = (float(course.line.x[0]), float(course.line.y[0]))
    found = ridden_line(record_of(ride.places), LineWishes("New", start=start))
    assert found.circuit.closed
    assert any("taken as 10 m" in remark for remark in found.remarks)
    assert any("the road is flat" in remark for remark in found.remarks)
    assert math.dist(found.circuit.points[0], start) < 7.0
    hidden = at_offsets(course.line, ride.station[::8], ride.offset[::8])
    off = beside(found, hidden)
    assert np.mean(off < 2.0 * np.median(found.offsets.half)) > 0.95


# -- closed forms ------------------------------------------------------------------------------------------


def places_along(x: np.ndarray, y: np.ndarray, noise_m: float, seed: int, **more: np.ndarray) -> Places:
    rng = np.random.default_rng(seed)
    unknown = np.full(len(x), np.nan)
    return Places(
        np.arange(len(x)) * 0.05,
        x + noise_m * rng.normal(size=len(x)),
        y + noise_m * rng.normal(size=len(x)),
        more.get("height", unknown),
        more.get("lean", unknown),
    )


def test_a_circle_has_its_curvature() -> None:
    radius, speed = 60.0, 15.0
    angle = np.arange(0.0, 2.0 * np.pi * 6.3, speed * 0.05 / radius)
    found = ridden_line(
        record_of(places_along(radius * np.cos(angle), radius * np.sin(angle), 0.02, 1)), LineWishes("Circle")
    )
    assert found.course.length_m == pytest.approx(2.0 * np.pi * radius, abs=0.1)
    bend = np.interp(found.station, found.course.line.station, found.course.line.curvature)
    assert np.mean(np.abs(bend - 1.0 / radius) < found.bend_half + 1e-5) > 0.9
    assert np.abs(bend - 1.0 / radius).max() < 0.05 / radius
    line = found.course.line
    assert np.abs(np.hypot(line.x, line.y) - radius).max() < 0.03
    assert np.median(found.offsets.half) < 0.02


@pytest.mark.parametrize("laid_on", [True, False])
def test_a_slalom_has_its_curvature(laid_on: bool, tmp_path: Path) -> None:
    """y = A sin(k x), whose curvature is -A k^2 sin(k x) / (1 + (A k cos(k x))^2)^1.5."""
    a, k = 2.0, 2.0 * np.pi / 60.0
    x = np.arange(0.0, 600.0, 0.8)
    straight = tmp_path / "straight.yaml"
    points = "\n".join(f"  - [{4.0 * n}, 0.0]" for n in range(150))
    straight.write_text(f"kind: circuit\nname: s\nclosed: false\nwidth_m: 10\npoints:\n{points}\n")
    found = ridden_line(
        record_of(places_along(x, a * np.sin(k * x), 0.02, 2)),
        LineWishes("Slalom", onto=straight if laid_on else None),
    )
    assert not found.circuit.closed
    line = found.course.line
    inside = (line.x > 30.0) & (line.x < 560.0)
    true = -a * k**2 * np.sin(k * line.x) / (1.0 + (a * k * np.cos(k * line.x)) ** 2) ** 1.5
    off = line.curvature - true
    assert np.sqrt(np.mean(off[inside] ** 2)) < 0.06 * a * k**2
    half = np.interp(line.station, found.station, found.bend_half)
    assert np.mean(np.abs(off[inside]) < half[inside]) > 0.9
    aside = np.abs(line.y - a * np.sin(k * line.x))
    assert np.mean(aside[inside] < np.interp(line.station, found.station, found.offsets.half)[inside]) > 0.85


# -- heights -----------------------------------------------------------------------------------------------


def heights_of(drift_m: float) -> tuple[RiddenLine, np.ndarray, np.ndarray]:
    """A circle on a hill: found, stations and true heights."""
    found = ridden_line(places_on_a_hill(drift_m), LineWishes("Hill", start=(RADIUS, 0.0)))
    at = np.linspace(0.0, 2.0 * np.pi, 60, endpoint=False)
    return found, at * RADIUS, 4.0 * np.sin(at)


def test_heights_are_the_road_s_where_laps_agree() -> None:
    found, at, hill = heights_of(0.02)
    assert found.heights is not None
    road, _ = along_lap(
        found.course.line, [s for s, _ in found.course.elevation], [z for _, z in found.course.elevation]
    )
    off = np.interp(at, found.course.line.station, road) - hill
    assert np.abs(off - off.mean()).max() < 0.15
    assert "elevation" in dict(rows(found))
    assert "elevation" in Page(line_html(found)).ids


def test_heights_that_drift_are_left_out_and_that_is_said() -> None:
    found, _, _ = heights_of(1.5)
    assert found.heights is None
    assert found.circuit.elevation == ()
    assert any("are known to" in remark and "the road is flat" in remark for remark in found.remarks)


# -- refused -----------------------------------------------------------------------------------------------


def test_a_record_that_gives_no_line_is_refused_in_words(tmp_path: Path) -> None:
    angle = np.arange(0.0, 14.0, 0.01)
    places = places_along(60.0 * np.cos(angle), 60.0 * np.sin(angle), 0.02, 1)
    run = record_of(places)
    with pytest.raises(RiddenLineError, match=r"has no truth\.x_m"):
        places_of(record_of(places._replace(east=np.full(len(angle), np.nan))))
    with pytest.raises(RiddenLineError, match="it takes 50"):
        places_of(record_of(Places(*(v[:20] for v in places[:5]))))
    with pytest.raises(RiddenLineError, match="--lap 9: the whole laps are 1"):
        ridden_line(run, LineWishes("x", lap=9))
    half = record_of(Places(*(v[: len(angle) // 3] for v in places[:5])))
    with pytest.raises(RiddenLineError, match="does not come back"):
        ridden_line(half, LineWishes("x", closed=True))
    with pytest.raises(RiddenLineError, match="m beside the line, by the median"):
        ridden_line(run, LineWishes("x", onto=OSTREVEL))


def test_places_by_a_worse_fix_are_left_out() -> None:
    angle = np.arange(0.0, 14.0, 0.01)
    run = record_of(places_along(60.0 * np.cos(angle), 60.0 * np.sin(angle), 0.02, 1))
    fix = np.full(len(angle), 4.0)
    fix[300:330] = 5.0
    run.signals["output.gnss_fix"] = fix  # type: ignore[index]
    places = places_of(run)
    assert len(places.east) == len(angle) - 31  # the first row tells no change
    assert places.remarks == ("30 places with another fix than quality 4 are left out",)


def test_a_bike_that_stands_says_nothing_new() -> None:
    angle = np.arange(0.0, 14.0, 0.01)
    x, y = 60.0 * np.cos(angle), 60.0 * np.sin(angle)
    stands = np.full(500, x[-1]), np.full(500, y[-1])
    places = places_of(record_of(places_along(*(np.append(a, b) for a, b in zip((x, y), stands, strict=True)),
                                              0.02, 1)))  # fmt: skip
    assert len(places.east) < len(angle) + 20


def test_the_command_writes_both_or_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from emulator.record import reader

    angle = np.arange(0.0, 40.0, 0.0125)
    run = record_of(places_along(60.0 * np.cos(angle), 60.0 * np.sin(angle), 0.02, 1))
    monkeypatch.setattr(reader, "read_run", lambda _: run)
    monkeypatch.chdir(tmp_path)
    assert emulator_command("track", "line", "made_up", "--width-m", "9", "--name", "Ring") == 0
    said = capsys.readouterr().out
    assert "circuit: made_up-line.yaml" in said
    assert load_circuit("made_up-line.yaml")[0].width_m == 9.0
    assert circuit_course(load_circuit("made_up-line.yaml")[0], 20.0).length_m == pytest.approx(
        377.0, abs=0.3
    )
    assert (tmp_path / "made_up-line-page.html").exists()
    assert emulator_command("track", "line", "made_up") != 0
    assert "--overwrite replaces it" in capsys.readouterr().err
    (tmp_path / "made_up-line.yaml").unlink()
    assert emulator_command("track", "line", "made_up", "--width-m", "9") != 0
    assert "made_up-line-page.html is there already; --overwrite replaces it" in " ".join(
        capsys.readouterr().err.split()
    )
    assert not (tmp_path / "made_up-line.yaml").exists()
    assert emulator_command("track", "line", "made_up", "--start", "x", "--out", "o.yaml") != 0
    assert emulator_command("track", "line", "made_up", "--lap", "77", "--out", "o.yaml") == 3
    assert not (tmp_path / "o.yaml").exists()
