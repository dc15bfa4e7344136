"""Criteria in a scenario file: each kind, and what is refused, at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.config.scenario.schema import load_scenario
from emulator.core.errors import ConfigError
from emulator.criteria.condition import Condition

SHIPPED = Path(__file__).parents[3] / "scenarios"
HEAD = (
    (SHIPPED / "runs" / "first_lap.yaml")
    .read_text(encoding="utf-8")
    .partition("criteria:\n")[0]
    .replace("../circuits/ostrevel.yaml", "circuit.yaml")
)
LINE = HEAD.count("\n") + 3  # of the criterion
KNOWN = "front wheel speed lost, half way"
SHUT = "shown_by: {signal: robot.throttle, at_most: 0.1}"


@pytest.fixture(autouse=True)
def _folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "circuit.yaml").write_bytes((SHIPPED / "circuits" / "ostrevel.yaml").read_bytes())


def load(criterion: str):
    Path("run.yaml").write_text(
        f"{HEAD}criteria:\n  - kind: no_fall\n  - {{{criterion}}}\n", encoding="utf-8"
    )
    return load_scenario("run.yaml")[0].criteria[1]


@pytest.mark.parametrize(
    "criterion",
    [
        "kind: lean, limit_deg: 50, from_event: half way, from_s: 2",
        "kind: lean_rate, limit_deg_s: 90, during_event: front wheel speed lost",
        "kind: steering_rate, limit_deg_s: 90, from_station_m: 2000, to_station_m: 100, across_start: true",
        "kind: steering_acceleration, limit_deg_s2: 2000",
        "kind: slip_ratio, wheel: rear, limit: 0.2",
        "kind: slip_angle, wheel: front, limit_deg: 4",
        "kind: friction_use, wheel: front, limit: 0.95",
        "kind: position_error",
        "kind: lap_time, limit_s: 120, lap: 1",
        "kind: sector_time, limit_s: 40, sector: 3",
        "kind: stop_distance, limit_m: 60, after: half way, to_km_h: 80",
        f"kind: reaction_time, after: front wheel speed lost, limit_s: 0.3, {SHUT}",
        "kind: reaction_time, after: half way, limit_s: 0.3, signal: robot.throttle, change: 0.1",
        "kind: settle_time, after: half way, limit_s: 2, signal: line.offset_m, within: 0.2",
        "kind: corner_entry",
        "kind: swing_dies_away, after: half way, watched_s: 20",
    ],
)
def test_each_kind_loads(criterion):
    assert load(criterion).kind == criterion.split()[1].rstrip(",")


@pytest.mark.parametrize(
    ("criterion", "place", "expected"),
    [
        (
            "kind: lean, limit_deg: 50, from_event: half wy",
            "from_event",
            f"expected the name of an event of this scenario (one of {KNOWN}), got 'half wy', did you mean "
            "'half way'?",
        ),
        (
            "kind: reaction_time, after: nothing, limit_s: 1, signal: robot.clutch, change: 1",
            "after",
            f"expected the name of an event of this scenario (one of {KNOWN}), got 'nothing'",
        ),
        (
            "kind: holds, name: n, that: {signal: truth.z_m, at_most: 1}, to_event: x",
            "to_event",
            f"expected the name of an event of this scenario (one of {KNOWN}), got 'x'",
        ),
        (
            "kind: lean, limit_deg: 50, during_event: half way, to_event: half way",
            "to_event",
            "expected either during_event or to_event, got both",
        ),
        (
            "kind: lean, limit_deg: 50, from_station_m: 5, to_station_m: 5",
            "to_station_m",
            "expected another station than from_station_m, got 5 for both",
        ),
        (
            "kind: lean, limit_deg: 50, to_station_m: 5000",
            "to_station_m",
            "expected a station within the circuit of 2533.4 m, got 5000",
        ),
        ("kind: lap_time, limit_s: 100, lap: 2", "lap", "expected a lap from 1 to 1 (laps), got 2"),
        (
            "kind: sector_time, limit_s: 100, sector: 4",
            "sector",
            "expected a sector from 1 to 3 (the circuit's), got 4",
        ),
        (
            "kind: stop_distance, limit_m: 60, after: half way, from_s: 2",
            "from_s",
            "expected no from_s beside after, which says where it begins",
        ),
        (
            "kind: stop_distance, limit_m: 60, after: half way, brake_bar: 2",
            "brake_bar",
            "expected no brake_bar beside after, which says where it begins",
        ),
        (
            "kind: reaction_time, after: half way, limit_s: 1",
            "",
            "expected either shown_by, or signal and change",
        ),
        (
            "kind: reaction_time, after: half way, limit_s: 1, signal: robot.throttle",
            "",
            "expected signal and change together, got one of both",
        ),
        (
            "kind: reaction_time, after: half way, limit_s: 1, signal: truth.roll_rad, change: 1",
            "signal",
            "expected signals of the robot (robot.throttle and so on), got truth.roll_rad",
        ),
        (
            "kind: reaction_time, after: half way, limit_s: 1, "
            "shown_by: {all_of: [{signal: robot.clutch, at_least: 1}, {signal: truth.gear, at_most: 1}]}",
            "shown_by",
            "expected signals of the robot (robot.throttle and so on), got truth.gear",
        ),
        (
            "kind: friction_use, wheel: front, limit: 1",
            "limit",
            "expected a number above 0 and below 1, got 1",
        ),
        ("kind: slip_ratio, wheel: left, limit: 1", "wheel", "expected one of front, rear, got 'left'"),
        (
            "kind: steering_acceleration, limit_deg_s2: -1",
            "limit_deg_s2",
            "expected a number above 0 and up to 10000000 deg/s2, got -1",
        ),
        (
            "kind: lean, limit_deg: 50, from_s: 9999",
            "from_s",
            "expected a time before the end (duration_limit_s 180), got 9999: "
            "this criterion would judge nothing",
        ),
    ],
)
def test_what_contradicts_is_refused_at_its_place(criterion, place, expected):
    with pytest.raises(ConfigError) as caught:
        load(criterion)
    (problem,) = caught.value.problems
    assert problem.expected == expected
    assert problem.key == ".".join(["criteria.1", *([place] if place else [])])
    column = f"  - {{{criterion}".index(f", {place}: ") + 3 if place else 5
    value = f"  - {{{criterion}"[column - 1 :].index(": ") + 2 if place else 0
    assert (problem.line, problem.column) == (LINE, column + value)


def test_a_former_kind_is_read_and_warned_of():
    assert load("kind: place_error, limit_m: 0.5").kind == "position_error"
    _, source = load_scenario("run.yaml")
    (warning,) = source.warnings
    assert (warning.line, warning.column, warning.key) == (LINE, 12, "criteria.1.kind")
    assert warning.expected.startswith("'place_error' is called 'position_error' now; ")


def test_a_scenario_without_events_says_so():
    head = HEAD.partition("events:\n")[0]
    Path("run.yaml").write_text(
        f"{head}criteria:\n  - {{kind: lean, limit_deg: 50, from_event: x}}\n", encoding="utf-8"
    )
    with pytest.raises(ConfigError, match=r"of this scenario \(it has none\), got 'x'"):
        load_scenario("run.yaml")


def test_signals_of_a_condition_are_all_of_them():
    def compare(name):
        return Condition(signal=name, at_least=0.0)

    names = "throttle", "clutch", "heartbeat", "gear_request", "front_brake_Pa"
    a, b, c, d, e = (compare(f"robot.{name}") for name in names)
    whole = Condition(
        all_of=(
            Condition(any_of=(a,)),
            Condition(none_of=(b,)),
            Condition(when=c, then=Condition(always=d)),
            Condition(hold=Condition(eventually=e), until=a),
        )
    )
    assert set(whole.signals()) == {x.signal for x in (a, b, c, d, e)}
