import re
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from ruamel.yaml import YAML

from emulator.assembly.check import check
from emulator.config.scenario.circuit import lap_length, load_circuit
from emulator.config.scenario.events import FAULTY_SIGNALS
from emulator.config.scenario.schema import circuit_path, load_scenario
from emulator.core.errors import ConfigError
from tests.support.events import FaultEvent

SHIPPED = Path(__file__).parents[3] / "scenarios"

CIRCUIT = """\
kind: circuit
name: rectangle
closed: true
width_m: 10
segments:
  - {straight_m: 300}
  - {turn_deg: 90, radius_m: 40, transition_m: 20}
  - {straight_m: 100, free: true}
  - {turn_deg: 90, radius_m: 40, transition_m: 20}
  - {straight_m: 200, free: true}
  - {turn_deg: 90, radius_m: 40, transition_m: 20}
  - {straight_m: 100}
  - {turn_deg: 90, radius_m: 40, transition_m: 20}
"""

SCENARIO = """\
kind: scenario
name: damp corner
purpose: ride over a damp patch
circuit: circuit.yaml
laps: 2
duration_limit_s: 120
utc: 2027-05-04T08:30:00Z
origin: {latitude_deg: 47.25, longitude_deg: 5.85, height_m: 240}
start: {station_m: 10, gear: 1}
support: {tow_acceleration_m_s2: 2, release_speed_km_h: 25}
speed: {lean_limit_deg: 40, acceleration_limit_m_s2: 4, braking_limit_m_s2: 6, top_speed_km_h: 180}
surface:
  grip: 1.0
  patches:
    - {name: damp, from_m: 700, to_m: 720, left_m: 4, right_m: -4, grip: 0.7}
wind: {speed_m_s: 2, from_deg: 240}
events:
  - kind: fault
    name: front wheel lost
    signal: wheel_front_m_s
    effect: offset
    value: 2.0
    at: {station_m: 500, lap: 1}
    duration_s: 2
  - {kind: grip, name: shower, at: {time_s: 30}, duration_s: 5, factor: 0.8}
  - {kind: mark, name: half, at: {time_s: 60}, text: half the time}
criteria:
  - kind: no_fall
  - {kind: distance_from_line, limit_m: 1.5}
  - {kind: speed_error, limit_km_h: 10, from_s: 5}
"""

KINDS_OF_CRITERIA = (
    "no_fall, distance_from_line, speed_error, lean, lean_rate, steering_rate, steering_acceleration, "
    "slip_ratio, slip_angle, friction_use, position_error, lap_time, sector_time, stop_distance, "
    "reaction_time, settle_time, swing_dies_away, corner_entry, holds"
)
WRONG_SCENARIOS = [
    (
        "release_speed_km_h: 25}",
        "release_speed_km_h: 25, release_time_s: 3}",
        "10:10: support: expected either release_speed_km_h or release_time_s, got both",
    ),
    (
        ", release_speed_km_h: 25}",
        "}",
        "10:10: support: expected either release_speed_km_h or release_time_s, got none of them",
    ),
    (
        ", release_speed_km_h: 25}",
        ", release_speed_km_h: 25, catch_speed_km_h: 20}",
        "10:10: support: catch_speed_km_h is 20: a bike caught is let go at 30 km/h, which has to be no "
        "faster than release_speed_km_h, 25",
    ),
    (
        "kind: scenario",
        "kind: circuit",
        "1:7: kind: expected scenario (a scenario file), got 'circuit'",
    ),
    (
        "purpose: ride over a damp patch\n",
        "purpose: |\n  two\n  lines\n",
        "3:10: purpose: expected one line of text, got several",
    ),
    (
        "circuit: circuit.yaml",
        "circuit: oval.yaml",
        "4:10: circuit: no such file: oval.yaml (paths are relative to this file)",
    ),
    (
        "laps: 2",
        "laps: 0",
        "5:7: laps: expected a whole number from 1 to 1000, got 0",
    ),
    (
        "laps: 2",
        "laps: two",
        "5:7: laps: expected a whole number from 1 to 1000, got 'two'",
    ),
    (
        "duration_limit_s: 120",
        "duration_limit_s: 0",
        "6:19: duration_limit_s: expected a number above 0 and up to 86400 s, got 0",
    ),
    (
        "08:30:00Z",
        "08:30:00",
        "7:6: utc: expected a time with zone such as 2027-05-01T09:30:00Z, got "
        "'2027-05-04T08:30:00', which has no zone; add Z for UTC",
    ),
    (
        "2027-05-04T08:30:00Z",
        "8.30",
        "7:6: utc: expected a time with zone such as 2027-05-01T09:30:00Z, got 8.3",
    ),
    (
        "2027-05-04T08:30:00Z",
        "tomorrow",
        "7:6: utc: expected a time with zone such as 2027-05-01T09:30:00Z, got 'tomorrow'",
    ),
    (
        "2027-05-04T08:30:00Z",
        "1979-05-04T08:30:00Z",
        "7:6: utc: expected a year from 1981 to 2078 (GPS time began in 1980, and GNSS sentences give two "
        "digits of the year), got '1979-05-04T08:30:00Z'",
    ),
    (
        "latitude_deg: 47.25",
        "latitude_deg: 147.25",
        "8:24: origin.latitude_deg: expected a number from -89 to 89 deg, got 147.25",
    ),
    (
        "gear: 1",
        "gear: 7",
        "9:30: start.gear: expected a whole number from 0 to 6, got 7",
    ),
    (
        "station_m: 10,",
        "station_m: 3000,",
        "9:20: start.station_m: expected a station within the circuit of 1131.3 m, got 3000",
    ),
    (
        "release_speed_km_h: 25",
        "release_speed_kmh: 25",
        "10:37: support.release_speed_kmh: unknown key, did you mean 'release_speed_km_h'? known keys: "
        "tow_acceleration_m_s2, release_speed_km_h, release_time_s, catch_speed_km_h",
    ),
    (
        "lean_limit_deg: 40, ",
        "",
        "11:8: speed: expected either lateral_limit_m_s2 or lean_limit_deg, got none of them",
    ),
    (
        "lean_limit_deg: 40,",
        "lean_limit_deg: 40, lateral_limit_m_s2: 8,",
        "11:8: speed: expected either lateral_limit_m_s2 or lean_limit_deg, got both",
    ),
    (
        "lean_limit_deg: 40,",
        "lean_limit_deg: 70,",
        "11:25: speed.lean_limit_deg: expected a number above 0 and up to 65 deg, got 70",
    ),
    (
        "grip: 0.7",
        "grip: wet",
        "15:74: surface.patches.0.grip: expected a number from 0 to 2, got 'wet'",
    ),
    (
        "  grip: 1.0",
        "  grip: 0",
        "13:9: surface.grip: expected a number above 0 and up to 2, got 0",
    ),
    (
        "  patches:\n    - {",
        "  patches:\n    damp: {",
        "15:5: surface.patches: expected a list, got a mapping",
    ),
    (
        "to_m: 720",
        "to_m: 700",
        "15:39: surface.patches.0.to_m: expected another station than from_m, got 700 for both",
    ),
    (
        "to_m: 720",
        "to_m: 1200",
        "15:39: surface.patches.0.to_m: expected a station within the circuit of 1131.3 m, got 1200",
    ),
    (
        "left_m: 4",
        "left_m: -5",
        "15:52: surface.patches.0.left_m: expected more than right_m (-4; offsets are positive "
        "to the left), got -5",
    ),
    (
        "from_m: 700",
        "from: 700",
        "15:20: surface.patches.0.from: unknown key, did you mean 'from_m'? known keys: name, from_m, to_m, "
        "across_start, left_m, right_m, grip, edge_m",
    ),
    (
        "from_deg: 240",
        "from_deg: 400",
        "16:32: wind.from_deg: expected a number from 0 to 360 deg, got 400",
    ),
    (
        "  - kind: fault",
        "  - kind: faults",
        "18:11: events.0.kind: expected one of fault, frame, actuator, bus, restart, grip, gust, "
        "gearbox, gnss, mark, electronics, got 'faults', did you mean 'fault'?",
    ),
    (
        "  - kind: fault\n    name",
        "  - name",
        "18:5: events.0: missing key 'kind': one of fault, frame, actuator, bus, restart, grip, gust, "
        "gearbox, gnss, mark, electronics",
    ),
    (
        "signal: wheel_front_m_s",
        "signal: wheel_frontt_m_s",
        "20:13: events.0.signal: unknown signal 'wheel_frontt_m_s'; known signals: "
        f"{', '.join(FAULTY_SIGNALS)}, did you mean 'wheel_front_m_s'?",
    ),
    (
        "effect: offset",
        "effect: ofset",
        "21:13: events.0.effect: expected one of dropout, freeze, stuck, offset, gain, noise, "
        "drift, spike, saturation, quantisation, delay, sign_change, got 'ofset', did you mean 'offset'?",
    ),
    (
        "    value: 2.0\n",
        "",
        "18:5: events.0: missing key 'value': effect offset needs a number",
    ),
    (
        "effect: offset",
        "effect: dropout",
        "22:12: events.0.value: effect dropout takes no value; remove it",
    ),
    (
        "{station_m: 500, lap: 1}",
        "{station_m: 500, time_s: 3}",
        "23:9: events.0.at: expected one of time_s, between_s, station_m, sector, signal, started, "
        "ended, on_request, first_of, all_of, "
        "got time_s and station_m",
    ),
    (
        "{station_m: 500, lap: 1}",
        "{}",
        "23:9: events.0.at: expected one of time_s, between_s, station_m, sector, signal, started, "
        "ended, on_request, first_of, all_of, "
        "got none of them",
    ),
    (
        "{station_m: 500, lap: 1}",
        "{time_s: 5, lap: 1}",
        "23:26: events.0.at.lap: expected lap only together with station_m or sector",
    ),
    (
        "{station_m: 500, lap: 1}",
        "500",
        "23:9: events.0.at: expected a mapping with the keys time_s, between_s, station_m, sector, lap, "
        "signal, rises_above, falls_below, hysteresis, started, ended, on_request, first_of, all_of, "
        "delay_s, got 500",
    ),
    (
        "station_m: 500",
        "station_m: 5000",
        "23:21: events.0.at.station_m: expected a station within the circuit of 1131.3 m, got 5000",
    ),
    (
        "lap: 1",
        "lap: 3",
        "23:31: events.0.at.lap: expected a lap from 1 to 2 (laps), got 3",
    ),
    (
        "    duration_s: 2\n",
        "    duration_s: 2\n    ramp_s: 3\n",
        "25:13: events.0.ramp_s: expected at most duration_s (2 s), got 3",
    ),
    (
        "time_s: 30",
        "time_s: 120",
        "25:45: events.1.at.time_s: expected a time before the end (duration_limit_s 120), got 120",
    ),
    (
        "name: shower",
        "name: front wheel lost",
        "25:24: events.1.name: expected a name of its own, got 'front wheel lost', which "
        "events.0 has already",
    ),
    (
        "factor: 0.8",
        "factor: 0",
        "25:73: events.1.factor: expected a number above 0 and up to 2, got 0",
    ),
    (
        ", text: half the time",
        "",
        "26:5: events.2: missing key 'text': text",
    ),
    (
        "  - kind: no_fall\n",
        "  - no_fall\n",
        f"28:5: criteria.0: expected a mapping, kind one of {KINDS_OF_CRITERIA}, got 'no_fall'",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {always: {signal: truth.rol_rad, at_most: 1}}}\n",
        "28:52: criteria.0.that.always.signal: expected the name of a recorded signal; truth.roll_rad?",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {signal: truth.roll_rad}}\n",
        "28:34: criteria.0.that: expected at_least or at_most beside signal, one of both",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {hold: {signal: truth.roll_rad, at_most: 1}}}\n",
        "28:28: criteria.0.that: missing key 'until' beside hold",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {signal: truth.roll_rad, at_most: 1, to_s: 2}}\n",
        "28:77: criteria.0.that.to_s: expected no such key beside signal",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {always: {signal: truth.z_m, at_most: 1}, from_s: 3, to_s: 2}}\n",
        "28:93: criteria.0.that.to_s: expected no less than from_s (3), got 2",
    ),
    (
        "  - kind: no_fall\n",
        "  - {kind: holds, name: n, that: {}}\n",
        "28:34: criteria.0.that: expected one of signal, all_of, any_of, none_of, when, always, eventually, "
        "hold, got none of them",
    ),
    (
        "kind: distance_from_line",
        "kind: distance_of_line",
        f"29:12: criteria.1.kind: expected one of {KINDS_OF_CRITERIA}, got 'distance_of_line', did you mean "
        "'distance_from_line'?",
    ),
    (
        "from_s: 5",
        "from_s: 200",
        "30:49: criteria.2.from_s: expected a time before the end (duration_limit_s 120), got "
        "200: this criterion would judge nothing",
    ),
    (
        "limit_m: 1.5",
        "limit_m: -1",
        "29:41: criteria.1.limit_m: expected a number above 0 and up to 50 m, got -1",
    ),
]

WRONG_CIRCUITS = [
    (
        "closed: true",
        "closed: false",
        "3:9: closed: expected true; an open line is given by points",
    ),
    (
        "closed: true",
        "closed: yes",
        "3:9: closed: expected true or false, got 'yes'; write true",
    ),
    (
        "  - {straight_m: 300}",
        "  - {straight_m: -300}",
        "6:18: segments.0.straight_m: expected a number above 0 and up to 5000 m, got -300",
    ),
    (
        "  - {straight_m: 300}",
        "  - {straight: 300}",
        "6:5: segments.0: expected straight_m or turn_deg among the keys, got straight",
    ),
    (
        "  - {straight_m: 300}",
        "  - 300",
        "6:5: segments.0: expected straight_m or turn_deg among the keys, got 300",
    ),
    (
        "  - {straight_m: 300}",
        "  - {straight_m: 300, turn_deg: 10}",
        "6:23: segments.0.turn_deg: unknown key; known keys: straight_m, free",
    ),
    (
        "  - {straight_m: 300}",
        "  - {straight_m: 300, free: true}",
        "6:3: segments: expected exactly two straights with free: true, got 3",
    ),
    (
        "{straight_m: 200, free: true}",
        "{straight_m: 200}",
        "6:3: segments: expected exactly two straights with free: true, got 1",
    ),
    (
        "  - {straight_m: 300}\n",
        "  - {straight_m: 300}\n  - {turn_deg: 5, radius_m: 40}\n",
        "6:3: segments: expected turns that add up to 360 or -360 deg, got 365",
    ),
    (
        "  - {straight_m: 300}\n",
        "  - {straight_m: 300}\n  - {turn_deg: 0, radius_m: 40}\n",
        "7:16: segments.1.turn_deg: expected an angle other than 0; write a straight instead",
    ),
    (
        "  - {straight_m: 300}\n",
        "  - {straight_m: 300}\n  - {turn_deg: 10, radius_m: 40, transition_m: 20}\n",
        "7:48: segments.1.transition_m: expected at most 6.981 m, or the two transitions turn by "
        "more than turn_deg, got 20",
    ),
    (
        "{straight_m: 100, free: true}\n"
        "  - {turn_deg: 90, radius_m: 40, transition_m: 20}\n"
        "  - {straight_m: 200, free: true}\n"
        "  - {turn_deg: 90, radius_m: 40, transition_m: 20}\n  - {straight_m: 100}",
        "{straight_m: 100, free: true}\n"
        "  - {turn_deg: 90, radius_m: 40, transition_m: 20}\n"
        "  - {straight_m: 200}\n"
        "  - {turn_deg: 90, radius_m: 40, transition_m: 20}\n  - {straight_m: 100, free: true}",
        "12:5: segments.6: the two free straights are parallel (headings 90.000 and 270.000 "
        "degrees), so they can't close the circuit; free another straight",
    ),
    (
        "kind: circuit\n",
        "kind: circuit\nlanes: 2\n",
        "2:1: lanes: unknown key; known keys: kind, name, closed, width_m, sector_marks_m, segments, "
        "points, elevation, banking",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nsector_marks_m: [400, 300]\n",
        "5:23: sector_marks_m.1: expected a station above 400 m, got 300",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nsector_marks_m: [0]\n",
        "5:18: sector_marks_m.0: expected a station above 0 m, got 0",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nsector_marks_m: [400, 1200, 1300]\n",
        "5:23: sector_marks_m.1: expected less than the lap of 1131.3 m, got 1200\n"
        "track.yaml:5:29: sector_marks_m.2: expected less than the lap of 1131.3 m, got 1300",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nelevation: [{station_m: 0, height_m: 1}, {station_m: 0, height_m: 2}]\n",
        "5:12: elevation: expected rising stations, got 0 behind 0",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nbanking: [{station_m: 0, bank_deg: 1}, {station_m: 9000, bank_deg: 2}]\n",
        "5:52: banking.1.station_m: expected less than the lap of 1131.3 m, got 9000",
    ),
    (
        "width_m: 10\n",
        "width_m: 10\nbanking: [{station_m: 0, bank_deg: 50}]\n",
        "5:36: banking.0.bank_deg: expected a number from -35 to 35 deg, got 50",
    ),
]


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "circuit.yaml").write_text(CIRCUIT)
    return tmp_path


def test_a_right_scenario_loads() -> None:
    Path("run.yaml").write_text(SCENARIO)
    scenario, source = load_scenario("run.yaml")
    assert scenario.utc == datetime(2027, 5, 4, 8, 30, tzinfo=UTC)
    assert [event.kind for event in scenario.events] == ["fault", "grip", "mark"]
    fault = scenario.events[0]
    assert isinstance(fault, FaultEvent)
    assert (fault.at.station_m, fault.at.lap, fault.value) == (500.0, 1, 2.0)
    assert scenario.surface.patches[0].edge_m == 1.0
    assert [criterion.kind for criterion in scenario.criteria] == [
        "no_fall",
        "distance_from_line",
        "speed_error",
    ]
    assert circuit_path(scenario, source) == "circuit.yaml"
    assert source.marks["surface", "grip"] == (13, 9)


def test_time_zones_become_utc() -> None:
    Path("run.yaml").write_text(SCENARIO.replace("08:30:00Z", "10:30:00+02:00"))
    utc = load_scenario("run.yaml")[0].utc
    assert utc == datetime(2027, 5, 4, 8, 30, tzinfo=UTC)
    assert utc.tzinfo is UTC


def test_lap_length_of_a_rectangle() -> None:
    # Closed form: a corner is R * angle + transition = 20 pi + 20 m long, and the rectangle closes when
    # opposite straights are equal: 2 * 300 + 2 * 100 m of straight.
    circuit, _ = load_circuit("circuit.yaml")
    assert lap_length(circuit) == pytest.approx(800 + 4 * (20 * 3.141592653589793 + 20), abs=1e-6)


def test_a_circuit_may_mark_its_sectors() -> None:
    assert load_circuit("circuit.yaml")[0].sector_marks_m == ()
    Path("marked.yaml").write_text(
        CIRCUIT.replace("width_m: 10", "width_m: 10\nsector_marks_m: [400, 800.5]")
    )
    assert load_circuit("marked.yaml")[0].sector_marks_m == (400.0, 800.5)


def test_output_signals_are_those_of_the_record() -> None:
    assert "wheel_front_m_s" in FAULTY_SIGNALS
    assert not any("." in name for name in FAULTY_SIGNALS)


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_SCENARIOS)
def test_a_wrong_scenario_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    assert SCENARIO.count(old) == 1
    Path("run.yaml").write_text(SCENARIO.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert str(caught.value) == "run.yaml:" + expected


@pytest.mark.parametrize(("old", "new", "expected"), WRONG_CIRCUITS)
def test_a_wrong_circuit_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    assert CIRCUIT.count(old) == 1
    Path("track.yaml").write_text(CIRCUIT.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_circuit("track.yaml")
    assert str(caught.value) == "track.yaml:" + expected


def test_mistakes_of_scenario_and_circuit_come_together() -> None:
    Path("circuit.yaml").write_text(CIRCUIT.replace("width_m: 10", "width_m: wide"))
    Path("run.yaml").write_text(SCENARIO.replace("lap: 1", "lap: 3"))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert [(p.file, p.line, p.column, p.key) for p in caught.value.problems] == [
        ("circuit.yaml", 4, 10, "width_m"),
        ("run.yaml", 23, 31, "events.0.at.lap"),
    ]


@pytest.mark.parametrize(
    ("surface", "expected"),
    [
        (
            "roughness: {iso_class: Z}",
            "49:26: surface.roughness.iso_class: expected one of A, B, C, D, E, F, G, H",
        ),
        (
            "bumps: [{name: b, at_m: 5, length_m: 0.1, height_m: 0.01}]",
            "49:40: surface.bumps.0.length_m: expected a number from 0.2 to 200 m, got 0.1",
        ),
        (
            "bumps: [{name: b, at_m: 5000, length_m: 1, height_m: 0.01}]",
            "49:27: surface.bumps.0.at_m: expected a station within the circuit",
        ),
        (
            "bumps: [{name: b, at_m: 5, length_m: 1, height_m: 0.01, left_m: -1, right_m: 1}]",
            "49:67: surface.bumps.0.left_m: expected more than right_m (1; offsets are positive to the "
            "left), got -1",
        ),
    ],
)
def test_a_wrong_road_is_refused_at_its_place(surface: str, expected: str) -> None:
    text = SCENARIO.replace("  grip: 1.0\n", f"  grip: 1.0\n  {surface}\n")
    Path("run.yaml").write_text(text)
    line = text[: text.index(surface)].count("\n") + 1
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert f"run.yaml:{line}" + expected[expected.index(":") :] in str(caught.value)


def test_gusts_and_gearbox_events_are_read() -> None:
    events = (
        "  - {kind: gust, name: gust, at: {time_s: 3}, duration_s: 2, speed_m_s: 8, from_deg: 90}\n"
        "  - {kind: gearbox, name: box, at: {time_s: 4}, duration_s: 2, effect: false_neutral}\n"
    )
    Path("run.yaml").write_text(SCENARIO.replace("criteria:", events + "criteria:"))
    scenario, _ = load_scenario("run.yaml")
    assert [e.kind for e in scenario.events[-2:]] == ["gust", "gearbox"]


UNIT = "  - {kind: electronics, name: broken, at: {time_s: 3}, "


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("effect: off}", "5: events.3: missing key 'unit': one of antilock, traction, wheelie, "
         "ride_by_wire, quickshifter, slipper_clutch"),
        ("unit: abs, effect: off}",
         "62: events.3.unit: expected one of antilock, traction, wheelie, ride_by_wire, quickshifter, "
         "slipper_clutch, got 'abs'"),
        ("unit: traction, effect: inlet_open, brake: front}",
         "62: events.3.unit: expected one of antilock for effect inlet_open, got traction"),
        ("unit: ride_by_wire, effect: off}",
         "62: events.3.unit: expected one of antilock, traction, wheelie, quickshifter, slipper_clutch for "
         "effect off, got ride_by_wire"),
        ("unit: antilock, effect: outlet_shut}",
         "5: events.3: missing key 'brake': effect outlet_shut needs front or rear"),
        ("unit: antilock, effect: pump_off}",
         "5: events.3: missing key 'value': effect pump_off needs the pressure that the accumulator takes"),
        ("unit: antilock, effect: off, brake: front}",
         "92: events.3.brake: effect off takes no brake; remove it"),
        ("unit: ride_by_wire, effect: limp, value: 1.5}",
         "97: events.3.value: expected at most 1, got 1.5"),
        ("unit: antilock, effect: pump_off, value: -1}",
         "97: events.3.value: expected a number from 0 to 100000000, got -1"),
    ],
)  # fmt: skip
def test_a_fault_of_a_unit_that_cannot_be_is_refused_at_its_place(keys: str, expected: str) -> None:
    Path("run.yaml").write_text(SCENARIO.replace("criteria:", UNIT + keys + "\ncriteria:"))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert str(caught.value) == "run.yaml:27:" + expected


def test_faults_of_units_are_read() -> None:
    events = "".join(
        UNIT.replace("broken", f"broken {n}") + keys + ", intermittent: {on_s: 0.2, off_s: 1}}\n"
        for n, keys in enumerate(
            (
                "unit: slipper_clutch, effect: off",
                "unit: antilock, effect: inlet_shut, brake: rear",
                "unit: ride_by_wire, effect: stuck",
                "unit: ride_by_wire, effect: stuck, value: 0.2",
                "unit: quickshifter, effect: cuts",
            )
        )
    )
    Path("run.yaml").write_text(SCENARIO.replace("criteria:", events + "criteria:"))
    scenario, _ = load_scenario("run.yaml")
    assert [e.kind for e in scenario.events[-5:]] == ["electronics"] * 5


GNSS = "  - {kind: gnss, name: sky, at: {time_s: 3}, duration_s: 4, "


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ("effect: lost}", "69: events.3.effect: expected one of outage, degraded, multipath, jump, "
         "time_jump, stale, got 'lost'"),
        ("effect: outage, best_fix: single}",
         "87: events.3.best_fix: effect outage takes no best_fix, degraded does; remove it"),
        ("effect: degraded, bias_m: 3}",
         "87: events.3.bias_m: effect degraded takes no bias_m, multipath and jump do; remove it"),
        ("effect: multipath, bias_m: 3, satellites_lost: 2}",
         "108: events.3.satellites_lost: effect multipath takes no satellites_lost, degraded does; "
         "remove it"),
        ("effect: degraded}",
         "5: events.3: expected best_fix or satellites_lost with effect degraded, got none of them"),
        ("effect: degraded, best_fix: fixed}",
         "89: events.3.best_fix: expected one of float, differential, single, got 'fixed'"),
        ("effect: degraded, satellites_lost: 0}",
         "96: events.3.satellites_lost: expected a whole number from 1 to 99, got 0"),
        ("effect: multipath}", "5: events.3: missing key 'bias_m': effect multipath needs a length"),
        ("effect: multipath, bias_m: 0}",
         "88: events.3.bias_m: expected a number above 0 and up to 100000 m, got 0"),
        ("effect: multipath, bias_m: 3, towards_deg: 361}",
         "104: events.3.towards_deg: expected a number from 0 to 360 deg, got 361"),
        ("effect: multipath, bias_m: 3, towards_deg: 90, correlation_time_s: 4}",
         "128: events.3.correlation_time_s: expected no correlation_time_s beside towards_deg: it is that "
         "of a drawn bias"),
        ("effect: multipath, bias_m: 3, ramp_s: 2.5}",
         "99: events.3.ramp_s: expected at most half of duration_s (2 s), as it grows and decays within it, "
         "got 2.5"),
    ],
)  # fmt: skip
def test_a_gnss_event_that_cannot_be_is_refused_at_its_place(keys: str, expected: str) -> None:
    Path("run.yaml").write_text(SCENARIO.replace("criteria:", GNSS + keys + "\ncriteria:"))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert str(caught.value) == "run.yaml:27:" + expected


def test_gnss_events_are_read() -> None:
    events = "".join(
        GNSS.replace("sky", f"sky {n}") + keys + "}\n"
        for n, keys in enumerate(
            (
                "effect: outage",
                "effect: degraded, best_fix: single, satellites_lost: 3",
                "effect: multipath, bias_m: 2, towards_deg: 0, ramp_s: 2",
                "effect: multipath, bias_m: 2, correlation_time_s: 5",
            )
        )
    )
    Path("run.yaml").write_text(SCENARIO.replace("criteria:", events + "criteria:"))
    scenario, _ = load_scenario("run.yaml")
    assert [e.kind for e in scenario.events[-4:]] == ["gnss"] * 4


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ("2027-05-05", "8:14: leap_second: expected the date of a month's last day such as 2028-06-30, "
         "which then ends with second 60, got '2027-05-05'"),
        ("true", "8:14: leap_second: expected the date of a month's last day such as 2028-06-30, "
         "which then ends with second 60, got true"),
        ("2027-06-30", "8:14: leap_second: expected a day that ends during the ride (2027-05-31T23:59:00Z "
         "and duration_limit_s 120), got 2027-06-30"),
        ("2027-04-30", "8:14: leap_second: expected a day that ends during the ride (2027-05-31T23:59:00Z "
         "and duration_limit_s 120), got 2027-04-30"),
    ],
)  # fmt: skip
def test_a_leap_second_that_does_not_come_is_refused(given: str, expected: str) -> None:
    text = SCENARIO.replace("utc: 2027-05-04T08:30:00Z", f"utc: 2027-05-31T23:59:00Z\nleap_second: {given}")
    Path("run.yaml").write_text(text)
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert str(caught.value) == "run.yaml:" + expected


def test_a_leap_second_and_the_height_of_the_sea_are_read() -> None:
    text = SCENARIO.replace(
        "utc: 2027-05-04T08:30:00Z", "utc: 2027-05-31T23:59:00Z\nleap_second: 2027-05-31"
    ).replace("height_m: 240}", "height_m: 240, geoid_separation_m: 48.2}")
    Path("run.yaml").write_text(text)
    scenario, _ = load_scenario("run.yaml")
    assert str(scenario.leap_second) == "2027-05-31"
    assert scenario.origin.geoid_separation_m == 48.2
    Path("run.yaml").write_text(text.replace("48.2", "480"))
    with pytest.raises(
        ConfigError, match="geoid_separation_m: expected a number from -120 to 100 m, got 480"
    ):
        load_scenario("run.yaml")


GRIP = "events:\n  - {kind: grip, name: rain, factor: 0.7, at: {time_s: 3}, from_m: 700, to_m: 720}\n"


@pytest.mark.parametrize(
    ("old", "new", "begin", "end", "place"),
    [
        ("from_m: 700, to_m: 720,", "from_m: %s, to_m: %s%s,", "from_m", "to_m", "surface.patches.0"),
        ("events:\n", GRIP.replace("700, to_m: 720", "%s, to_m: %s%s"), "from_m", "to_m", "events.0"),
        (
            "criteria:\n",
            "criteria:\n  - {kind: lean, limit_deg: 60, from_station_m: %s, to_station_m: %s%s}\n",
            *("from_station_m", "to_station_m", "criteria.0"),
        ),
    ],
    ids=["patch", "grip event", "criterion"],
)
def test_a_stretch_across_the_start_of_the_lap_is_one_only_if_it_is_said(
    old: str, new: str, begin: str, end: str, place: str
) -> None:
    assert SCENARIO.count(old) == 1

    def told(first: int, last: int, across: str = "") -> list[str]:
        Path("run.yaml").write_text(SCENARIO.replace(old, new % (first, last, across)))
        try:
            load_scenario("run.yaml")
        except ConfigError as error:
            return [f"{p.key}: {p.expected}" for p in error.problems]
        return []

    said = ", across_start: true"
    assert told(820, 860) == []
    assert told(860, 820, said) == []
    assert told(820, 860, ", across_start: false") == []
    (swapped,) = told(860, 820)
    assert swapped.startswith(
        f"{place}.{end}: expected more than {begin} (860), got 820; or across_start: true"
    )
    assert "for the 1091 m across the start of the lap of 1131 m" in swapped
    (needless,) = told(820, 860, said)
    assert needless.startswith(f"{place}.{end}: expected less than {begin} (820) beside across_start: true")
    (twice,) = told(860, 860, said)
    assert "expected another station" in twice


def test_across_the_start_of_what_has_no_stations_or_no_laps() -> None:
    def told(text: str) -> list[str]:
        Path("run.yaml").write_text(text)
        with pytest.raises(ConfigError) as error:
            load_scenario("run.yaml")
        return [f"{p.key}: {p.expected}" for p in error.value.problems]

    flag = SCENARIO.replace("from_m: 700, to_m: 720", "across_start: true")
    assert told(flag) == ["surface.patches.0.across_start: expected from_m and to_m beside it"]
    open_line = SCENARIO.replace(
        "circuit: circuit.yaml\nlaps: 2", "manoeuvre: {kind: straight, length_m: 900}"
    )
    assert told(
        open_line.replace("to_m: 720", "to_m: 720, across_start: true, name: wet").replace("name: damp, ", "")
    ) == [
        "surface.patches.0.across_start: expected no such key on an open line, which has no laps; remove it"
    ]


@pytest.mark.parametrize(
    ("criterion", "warned"),
    [
        ("kind: position_error, during_event: trees", True),
        ("kind: distance_from_line, limit_m: 1, during_event: trees", True),
        ("kind: holds, name: n, during_event: trees, that: {signal: robot.estimate_x_m, at_most: 9}", True),
        ("kind: holds, name: n, during_event: trees, that: {signal: truth.roll_rad, at_most: 9}", False),
        ("kind: lean, limit_deg: 60, during_event: trees", False),
        ("kind: position_error, during_event: trees, recovery_s: 2", False),
        ("kind: position_error, during_event: trees, recovery_s: 0", False),
        ("kind: position_error, during_event: front wheel lost", False),
        ("kind: position_error, from_event: trees", False),
    ],
)
def test_a_criterion_of_position_that_stops_with_an_outage_is_warned_of(criterion: str, warned: bool) -> None:
    trees = "  - {kind: gnss, name: trees, effect: outage, at: {time_s: 20}, duration_s: 5}\n"
    text = SCENARIO.replace("events:\n", f"events:\n{trees}").replace(
        "criteria:\n", f"criteria:\n  - {{{criterion}}}\n"
    )
    Path("run.yaml").write_text(text)
    _, source = load_scenario("run.yaml")
    assert [w.key for w in source.warnings] == ["criteria.0.during_event"] * warned
    assert not warned or "recovery_s" in source.warnings[0].expected


def test_a_recovery_is_that_of_an_event() -> None:
    Path("run.yaml").write_text(
        SCENARIO.replace("criteria:\n", "criteria:\n  - {kind: position_error, recovery_s: 3}\n")
    )
    with pytest.raises(ConfigError, match=r"criteria\.0\.recovery_s: .* only together with during_event"):
        load_scenario("run.yaml")


def read_in_pairs(read: Any) -> str | None:
    """Hexadecimal digits as files have them, two and two."""
    return " ".join(re.findall("..", read)) if isinstance(read, str) else None


def missing(said: Any, read: Any, place: str) -> Iterator[str]:
    """Places of a file whose value is not in what was read of it.

    Entries of a list are found by their name; without one, one of them has to be the same.
    """
    if isinstance(said, dict) and "parameter" in said:
        return  # its value is told elsewhere
    if isinstance(said, dict):
        for key, value in said.items():
            own = read.get(key) if isinstance(read, dict) else getattr(read, key, None)
            yield from missing(value, own, f"{place}.{key}")
    elif isinstance(said, list) and said and isinstance(said[0], dict):
        named = {getattr(item, "name", None): item for item in read}
        for n, entry in enumerate(said):
            if entry.get("remove"):  # known by its name or, without one, by its kind
                alike = [item for item in read if "name" not in entry and item.kind == entry["kind"]]
                if alike or entry.get("name", "") in named:
                    yield f"{place}.{n}: still there"
            elif "name" in entry:
                yield from missing(entry, named.get(entry["name"]), f"{place}.{n}")
            elif all([*missing(entry, item, "")] for item in read):
                yield f"{place}.{n}"
    elif isinstance(said, list):
        for n, (value, own) in enumerate(zip(said, read, strict=True)):
            yield from missing(value, own, f"{place}.{n}")
    elif said != read and str(said) not in (str(read), read_in_pairs(read)):
        yield f"{place}: {said!r} was read as {read!r}"


def test_all_that_a_shipped_scenario_says_is_read(folder: Path) -> None:
    """Every value that stands in a file itself, whatever it is based on, by another reader of YAML."""
    shutil.copytree(SHIPPED, folder / "scenarios")
    files = sorted(Path("scenarios/runs").rglob("*.yaml"))
    assert files
    for file in files:
        scenario, _ = load_scenario(file)
        said = YAML(typ="safe").load(file)
        said.pop("based_on", None)
        assert [*missing(said, scenario, file.stem)] == []


@pytest.mark.parametrize(
    ("given", "wrong"),
    [
        ("{result: fail, reported: [fell]}", "expected: missing key 'reason': an expected failure says why"),
        ("{result: fail, reason: ice}", "expected: missing key 'reported': an expected failure says why"),
        ("{result: pass, reason: ice}", "expected.reason: expected no reason beside result pass; remove it"),
        ("{result: invalid}", "expected.result: expected"),
    ],
)
def test_an_expected_failure_says_why_and_how_it_shows(folder: Path, given: str, wrong: str) -> None:
    Path("run.yaml").write_text(f"{SCENARIO}\nexpected: {given}\n")
    with pytest.raises(ConfigError, match=re.escape(wrong)):
        load_scenario("run.yaml")


def test_a_pass_is_expected_unless_a_failure_is(folder: Path) -> None:
    Path("run.yaml").write_text(SCENARIO)
    assert load_scenario("run.yaml")[0].expected.result == "pass"
    Path("run.yaml").write_text(f"{SCENARIO}\nexpected: {{result: fail, reason: ice, reported: [no fall]}}\n")
    assert load_scenario("run.yaml")[0].expected.reported == ("no fall",)


def test_what_is_reported_may_still_be_called_told():
    text = f"{SCENARIO}\nexpected: {{result: fail, reason: ice, told: [no fall]}}\n"
    Path("run.yaml").write_text(text)
    (checked, *_) = check(["run.yaml"])
    assert (checked.problems, [w.key for w in checked.warnings]) == ([], ["expected.told"])
    assert checked.warnings[0].expected.startswith("'told' is called 'reported' now; ")
    assert load_scenario("run.yaml")[0].expected.reported == ("no fall",)


MANOEUVRE = SCENARIO.replace(
    "circuit: circuit.yaml\nlaps: 2\n", "manoeuvre: {kind: straight, length_m: 900}\n\n"
)
MANOEUVRE = MANOEUVRE.replace(", lap: 1", "")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "manoeuvre: {kind: straight, length_m: 900}\n",
            "\n",
            "1:1: expected either circuit or manoeuvre, got none of them",
        ),
        (
            "purpose:",
            "circuit: circuit.yaml\npurpose:",
            "1:1: expected either circuit or manoeuvre, got both",
        ),
        ("purpose:", "laps: 2\npurpose:", "3:7: laps: expected no laps: the line of this manoeuvre is open"),
        (
            "kind: straight, length_m: 900",
            "kind: circle, radius_m: 200, side: left",
            "1:1: missing key 'laps'",
        ),
        (
            "kind: straight",
            "kind: strait",
            "4:19: manoeuvre.kind: expected one of straight, circle, slalom, lane_change, braking",
        ),
        (
            "kind: straight, length_m: 900",
            "kind: lane_change, offset_m: 20, length_m: 8",
            "4:12: manoeuvre: found no line",
        ),
        (
            "station_m: 500",
            "station_m: 5",
            "23:21: events.0.at.station_m: expected a station from the start on (10 m)",
        ),
        (
            "station_m: 500",
            "station_m: 901",
            "23:21: events.0.at.station_m: expected a station within the line of 900.0 m",
        ),
        (
            "from_m: 700",
            "from_m: 730",
            "15:39: surface.patches.0.to_m: expected more than from_m (730) on an open line",
        ),
        ("station_m: 10,", "station_m: 900,", "9:20: start.station_m: expected a station before the finish"),
        ("from_m: 700, ", "", "15:7: surface.patches.0: missing key 'from_m': both from_m and to_m, or none"),
        (
            "kind: straight, length_m: 900",
            "kind: braking, deceleration_m_s2: 11, to_km_h: 20, slope_deg: -6, run_up_m: 900",
            "4:47: manoeuvre.deceleration_m_s2: expected at most 8.73 m/s2, what grip 1 and the slope allow",
        ),
    ],
)
def test_a_wrong_manoeuvre_is_refused_at_its_place(old: str, new: str, expected: str) -> None:
    Path("run.yaml").write_text(MANOEUVRE)
    load_scenario("run.yaml")
    assert MANOEUVRE.count(old) == 1
    Path("run.yaml").write_text(MANOEUVRE.replace(old, new))
    with pytest.raises(ConfigError) as caught:
        load_scenario("run.yaml")
    assert ("run.yaml:" + expected) in str(caught.value)


def test_a_circuit_still_needs_its_laps() -> None:
    Path("run.yaml").write_text(SCENARIO.replace("laps: 2\n", ""))
    with pytest.raises(ConfigError, match="missing key 'laps': a whole number from 1 to 1000"):
        load_scenario("run.yaml")


def test_events_under_former_names_are_read_and_warned_of(tmp_path):
    (tmp_path / "circuit.yaml").write_text(CIRCUIT)
    former = "{first_of: [{asked: true}, {signal: bench.fault_active, rises_above: 0.5}]}"
    path = tmp_path / "run.yaml"
    path.write_text(SCENARIO.replace("at: {time_s: 60}", f"at: {former}"))
    scenario, source = load_scenario(path)
    requested, crossed = scenario.events[-1].at.first_of
    assert (requested.on_request, crossed.signal) == (True, "bench.events_active")
    assert scenario.events[-1].can_be_requested
    line = (
        path.read_text().splitlines().index(next(t for t in path.read_text().splitlines() if former in t)) + 1
    )
    column = path.read_text().splitlines()[line - 1].index(former) + 1
    places = [column + former.index("asked"), column + former.index("bench.fault_active")]
    assert [(w.line, w.column) for w in source.warnings] == [(line, c) for c in places]
    assert ["is called 'on_request' now" in str(w) for w in source.warnings] == [True, False]
    assert ["is called 'bench.events_active' now" in str(w) for w in source.warnings] == [False, True]


def test_a_device_under_its_former_name_is_read_and_warned_of(tmp_path):
    (tmp_path / "circuit.yaml").write_text(CIRCUIT)
    path = tmp_path / "run.yaml"
    event = "  - {kind: restart, name: dark, sensor: fork_angle, at: {time_s: 5}, duration_s: 1}\n"
    path.write_text(SCENARIO.replace("events:\n", f"events:\n{event}"))
    scenario, source = load_scenario(path)
    assert scenario.events[0].sensor == "steering_angle"
    (warning,) = source.warnings
    assert (warning.column, warning.key) == (event.index("fork_angle") + 1, "events.0.sensor")
    assert warning.expected.startswith("'fork_angle' is called 'steering_angle' now; ")
