"""Criteria of a scenario file become those the verdict judges: each kind, in SI, with its window."""

import dataclasses
import json
import math
from types import SimpleNamespace
from typing import get_args

import pytest
from pydantic import TypeAdapter

from emulator.config.scenario import criteria as said
from emulator.config.scenario.criteria import Condition
from emulator.verdict import criteria as asked
from emulator.verdict.asked import criteria_of, criterion_of, formula_of
from emulator.verdict.temporal import Always, Compare, Either, Eventually, Every, Not, Until

LEAN = {"signal": "truth.roll_rad", "at_most": 0.8, "size": True}
FAST = {"signal": "truth.speed_m_s", "at_least": 10.0}
lean, fast = Compare("truth.roll_rad", "at_most", 0.8, True), Compare("truth.speed_m_s", "at_least", 10.0)
ENDS = (40.0, 100.0)
SHUT = {"signal": "robot.throttle", "at_most": 0.1}
READ = TypeAdapter(said.Criterion)


def read(**keys):
    return READ.validate_json(json.dumps(keys))


@pytest.mark.parametrize(
    ("said", "meant"),
    [
        (LEAN, lean),
        (FAST, fast),
        ({"all_of": [LEAN, FAST]}, Every((lean, fast))),
        ({"any_of": [LEAN, FAST]}, Either((lean, fast))),
        ({"none_of": [LEAN, FAST]}, Not(Either((lean, fast)))),
        ({"when": LEAN, "then": FAST}, Either((Not(lean), fast))),
        ({"always": LEAN}, Always(lean)),
        ({"always": LEAN, "from_s": 1.0, "to_s": 2.0}, Always(lean, 1.0, 2.0)),
        ({"eventually": {"always": LEAN, "to_s": 3.0}}, Eventually(Always(lean, 0.0, 3.0))),
        ({"hold": LEAN, "until": FAST, "to_s": 5.0}, Until(lean, fast, 0.0, 5.0)),
    ],
)
def test_what_is_said_is_what_is_meant(said, meant):
    assert formula_of(Condition.model_validate_json(json.dumps(said))) == meant


def rad(degrees):
    return pytest.approx(math.radians(degrees))


MEANT = [
    ({"kind": "no_fall"}, {"name": "no fall"}),
    ({"kind": "distance_from_line", "limit_m": 1.5}, {"limit_m": 1.5, "name": "distance from line"}),
    ({"kind": "speed_error", "limit_km_h": 18.0}, {"limit_m_s": pytest.approx(5.0), "name": "speed error"}),
    ({"kind": "lean", "limit_deg": 50.0}, {"limit_rad": rad(50), "name": "lean"}),
    ({"kind": "lean_rate", "limit_deg_s": 90.0}, {"limit_rad_s": rad(90), "name": "lean rate"}),
    ({"kind": "steering_rate", "limit_deg_s": 90.0}, {"limit_rad_s": rad(90), "name": "steering rate"}),
    (
        {"kind": "steering_acceleration", "limit_deg_s2": 900.0},
        {"limit_rad_s2": rad(900), "name": "steering acceleration"},
    ),
    (
        {"kind": "slip_ratio", "wheel": "front", "limit": 0.1, "above_km_h": 18.0},
        {"wheel": "front", "limit": 0.1, "above_m_s": pytest.approx(5.0), "name": "front slip ratio"},
    ),
    (
        {"kind": "slip_angle", "wheel": "rear", "limit_deg": 4.0},
        {
            "wheel": "rear",
            "limit_rad": rad(4),
            "above_m_s": pytest.approx(10 / 3.6),
            "name": "rear slip angle",
        },
    ),
    (
        {"kind": "friction_use", "wheel": "rear", "limit": 0.9},
        {"wheel": "rear", "limit": 0.9, "name": "rear friction use"},
    ),
    ({"kind": "place_error"}, {"limit_m": 0.025, "of": "rms", "name": "place error"}),
    ({"kind": "place_error", "limit_m": 0.1, "of": "p95"}, {"limit_m": 0.1, "of": "p95"}),
    (
        {"kind": "lap_time", "limit_s": 80.0, "lap": 2},
        {"limit_s": 80.0, "lap": 2, "sector_ends_m": ENDS, "name": "lap time"},
    ),
    (
        {"kind": "sector_time", "limit_s": 30.0, "sector": 2, "lap": 1},
        {"limit_s": 30.0, "sector": 2, "lap": 1, "sector_ends_m": ENDS, "name": "sector time"},
    ),
    (
        {"kind": "stop_distance", "limit_m": 40.0, "to_km_h": 9.0, "after": "flag"},
        {"limit_m": 40.0, "to_m_s": pytest.approx(2.5), "after": "flag", "brake_Pa": 1e5},
    ),
    ({"kind": "stop_distance", "limit_m": 40.0, "brake_bar": 3.0}, {"after": None, "brake_Pa": 3e5}),
    (
        {"kind": "reaction_time", "after": "gust", "limit_s": 0.3, "shown_by": SHUT},
        {
            "after": "gust",
            "limit_s": 0.3,
            "shown_by": Compare("robot.throttle", "at_most", 0.1),
            "signal": "",
        },
    ),
    (
        {"kind": "reaction_time", "after": "g", "limit_s": 0.3, "signal": "robot.throttle", "change": 0.1},
        {"shown_by": None, "signal": "robot.throttle", "change": 0.1, "name": "reaction time"},
    ),
    (
        {
            "kind": "settle_time",
            "after": "gust",
            "counted_from": "end",
            "limit_s": 2.0,
            "signal": "line.offset_m",
            "around": 0.1,
            "within": 0.2,
            "stay_s": 3.0,
        },
        {
            "after": "gust",
            "counted_from": "end",
            "limit_s": 2.0,
            "signal": "line.offset_m",
            "around": 0.1,
            "within": 0.2,
            "stay_s": 3.0,
            "name": "settle time",
        },
    ),
    (
        {"kind": "corner_entry", "corner_radius_m": 100.0, "throttle_closed": 0.02, "brake_bar": 2.0},
        {
            "limit_s": 0.6,
            "lean_share": 0.5,
            "corner_curvature_1_m": 0.01,
            "throttle_closed": 0.02,
            "brake_Pa": 2e5,
        },
    ),
    ({"kind": "holds", "name": "n", "that": LEAN}, {"formula": lean, "name": "n"}),
]


@pytest.mark.parametrize(("keys", "fields"), MEANT, ids=lambda v: v.get("kind", ""))
def test_each_kind_in_si(keys, fields):
    made = criterion_of(read(**keys), ENDS)
    assert made.kind == keys["kind"]
    assert {name: getattr(made, name) for name in fields} == fields
    named = criterion_of(read(**keys | {"name": "of my own"}), ENDS)
    assert named == dataclasses.replace(made, name="of my own")


def test_no_kind_is_forgotten():
    kinds = {kind.model_fields["kind"].annotation for kind in get_args(get_args(said.Criterion)[0])}
    said_kinds = {get_args(kind)[0] for kind in kinds}
    assert said_kinds == {kind.kind for kind in get_args(asked.Criterion)} == {k["kind"] for k, _ in MEANT}


def test_a_name_that_comes_again_gets_a_number():
    criteria = [read(kind="lean", limit_deg=d) for d in (30, 40, 50)] + [read(kind="no_fall")]
    session = SimpleNamespace(scenario=SimpleNamespace(criteria=criteria), sector_ends=ENDS)
    made = criteria_of(session)
    assert [c.name for c in made] == ["lean", "lean (2)", "lean (3)", "no fall"]
    assert made[1].limit_rad == rad(40)


WINDOW = {
    "from_s": 2.0,
    "from_event": "a",
    "to_event": "b",
    "from_station_m": 10.0,
    "to_station_m": 5.0,
}


@pytest.mark.parametrize("keys", [k for k, _ in MEANT], ids=lambda k: k["kind"])
def test_windows_are_handed_on(keys):
    model = type(read(**keys))
    window = {k: v for k, v in WINDOW.items() if k in model.model_fields and "after" not in keys}
    made = criterion_of(read(**keys, **window), ENDS)
    assert {k: getattr(made, k) for k in window} == window
    if "during_event" in model.model_fields and "after" not in keys:
        assert criterion_of(read(**keys, during_event="c"), ENDS).during_event == "c"
