"""Circuit files that give their line by points."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from emulator.config.scenario.circuit import lap_length, load_circuit
from emulator.config.scenario.course import circuit_course, overrun
from emulator.config.scenario.schema import load_course, load_scenario
from emulator.core.errors import ConfigError
from emulator.road.iso8608 import along_lap

RING = [(60.0 * math.cos(a), 60.0 * math.sin(a)) for a in np.arange(30) * 2.0 * math.pi / 30]
BEND = [(20.0 * k, 0.02 * max(k - 3, 0) ** 3) for k in range(12)]
FIRST = "[60.0000, 0.0000]"
SCENARIO = """\
kind: scenario
name: bend
purpose: ride it
circuit: circuit.yaml
laps: 1
duration_limit_s: 120
utc: 2027-05-04T08:30:00Z
origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}
support: {tow_acceleration_m_s2: 2, release_speed_km_h: 25}
speed: {lean_limit_deg: 40, acceleration_limit_m_s2: 4, braking_limit_m_s2: 6, top_speed_km_h: 180}
surface: {grip: 1.0}
criteria: [{kind: no_fall}]
"""


def circuit(points: list[tuple[float, float]], closed: bool, more: str = "") -> str:
    rows = "".join(f"  - [{x:.4f}, {y:.4f}]\n" for x, y in points)
    head = f"kind: circuit\nname: invented\nclosed: {str(closed).lower()}\nwidth_m: 9\n"
    return head + f"points:\n{rows}{more}"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def problems(text: str) -> list[str]:
    Path("circuit.yaml").write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_circuit("circuit.yaml")
    return [str(p).removeprefix("circuit.yaml:") for p in caught.value.problems]


def test_a_ring_of_points_is_a_lap() -> None:
    Path("circuit.yaml").write_text(circuit(RING, True, "sector_marks_m: [100, 200]\n"))
    found, _ = load_circuit("circuit.yaml")
    assert lap_length(found) == pytest.approx(120.0 * math.pi, abs=1e-2)
    course = circuit_course(found, 50.0)
    assert course.finish_m is None
    assert course.line.closed
    assert course.sector_ends_m == (100.0, 200.0, course.line.length)
    np.testing.assert_allclose(course.line.curvature, 1.0 / 60.0, atol=1e-4)


def test_an_open_line_has_a_finish_and_goes_on_behind_it_level() -> None:
    heights = "elevation: [{station_m: 0, height_m: 0}, {station_m: 180, height_m: 6}]\n"
    Path("circuit.yaml").write_text(circuit(BEND, False, heights))
    course = circuit_course(load_circuit("circuit.yaml")[0], 50.0)
    assert course.finish_m == pytest.approx(lap_length(load_circuit("circuit.yaml")[0]))
    assert course.line.length == pytest.approx(course.finish_m + overrun(50.0))
    assert course.sector_ends_m[-1] == course.finish_m == course.length_m
    z, rise = along_lap(course.line, *zip(*course.elevation, strict=True))
    behind = course.line.station > course.finish_m
    np.testing.assert_allclose(z[behind], 6.0, atol=1e-9)
    np.testing.assert_allclose(rise[behind], 0.0, atol=1e-9)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            circuit(RING, True, "segments: [" + "{straight_m: 5}, " * 4 + "]\n"),
            "6:3: points: expected either segments or points, got both",
        ),
        (
            "kind: circuit\nname: n\nclosed: true\nwidth_m: 9\n",
            "1:1: missing key 'segments': a list of straights and turns; or 'points': a list of [east",
        ),
        (circuit(RING[:7], True), "6:3: points: expected a list of at least 8, got a list"),
        (circuit([*RING, RING[0]], True), "6:5: points.0: expected 0.5 m or more from the last one"),
        (circuit([*RING[:5], *RING[4:]], True), "10:5: points.4: expected 0.5 m or more from the one"),
        (circuit([*RING, *((1.05 * x, 1.05 * y) for x, y in RING)], True), "they turn by 720"),
        (circuit(RING, True).replace(FIRST, "[60, 0, 1]"), "6:5: points.0: expected a list of 2 numbers"),
        (circuit(RING, True).replace(FIRST, "[60, up]"), "6:10: points.0.1: expected a number from"),
        (
            circuit(RING, True, "sector_marks_m: [500]\n"),
            "sector_marks_m.0: expected less than the lap of 377.0 m, got 500",
        ),
        (
            circuit(BEND, False, "sector_marks_m: [500]\n"),
            "sector_marks_m.0: expected less than the line of 2",
        ),
    ],
)
def test_what_gives_no_line_is_told_where_it_stands(text: str, said: str) -> None:
    assert said in problems(text)[0]


def test_an_open_line_is_ridden_once() -> None:
    Path("circuit.yaml").write_text(circuit(BEND, False))
    Path("run.yaml").write_text(SCENARIO)
    scenario, source = load_scenario("run.yaml")
    course, _ = load_course(scenario, source)
    assert course.line.length == pytest.approx(course.length_m + overrun(50.0))
    Path("run.yaml").write_text(SCENARIO.replace("laps: 1", "laps: 3"))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    (problem,) = caught.value.problems
    assert str(problem).startswith("run.yaml:5:7: laps: expected 1: the line of this circuit is open")
