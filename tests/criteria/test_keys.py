"""Keys of a scenario file: each kind with its limit in SI, its name, what it has unless told, its window."""

import json
import math

import pytest
from pydantic import TypeAdapter, ValidationError

from emulator.config.validation import UNIT_OF_SUFFIX
from emulator.core.errors import InternalError
from emulator.criteria import base
from emulator.criteria.base import Criterion
from emulator.criteria.kinds import KINDS, AnyCriterion, kind_of
from emulator.verdict.judge import numbered

READ = TypeAdapter(AnyCriterion)
SHUT = {"signal": "robot.throttle", "at_most": 0.1}


def read(**keys):
    return READ.validate_json(json.dumps(keys))


def rad(degrees):
    return pytest.approx(math.radians(degrees))


# keys of the file; limit in SI and its unit, and name; what is not given
MEANT = [
    ({"kind": "no_fall"}, (None, "1", "no fall"), {}),
    ({"kind": "distance_from_line", "limit_m": 1.5}, (1.5, "m", "distance from line"), {}),
    ({"kind": "speed_error", "limit_km_h": 18.0}, (pytest.approx(5.0), "m/s", "speed error"), {}),
    ({"kind": "lean", "limit_deg": 50.0}, (rad(50), "rad", "lean"), {}),
    ({"kind": "lean_rate", "limit_deg_s": 90.0}, (rad(90), "rad/s", "lean rate"), {}),
    ({"kind": "steering_rate", "limit_deg_s": 90.0}, (rad(90), "rad/s", "steering rate"), {}),
    (
        {"kind": "steering_acceleration", "limit_deg_s2": 900.0},
        (rad(900), "rad/s2", "steering acceleration"),
        {},
    ),
    (
        {"kind": "slip_ratio", "wheel": "front", "limit": 0.1},
        (0.1, "1", "front slip ratio"),
        {"above_km_h": 10.0},
    ),
    (
        {"kind": "slip_angle", "wheel": "rear", "limit_deg": 4.0},
        (rad(4), "rad", "rear slip angle"),
        {"above_km_h": 10.0},
    ),
    ({"kind": "friction_use", "wheel": "rear", "limit": 0.9}, (0.9, "1", "rear friction use"), {}),
    ({"kind": "position_error"}, (0.025, "m", "position error"), {"of": "rms"}),
    ({"kind": "lap_time", "limit_s": 80.0}, (80.0, "s", "lap time"), {"lap": None}),
    ({"kind": "sector_time", "limit_s": 30.0, "sector": 2}, (30.0, "s", "sector time"), {"lap": None}),
    (
        {"kind": "stop_distance", "limit_m": 40.0},
        (40.0, "m", "stop distance"),
        {"to_km_h": 5.0, "after": None, "brake_bar": 1.0},
    ),
    (
        {"kind": "reaction_time", "after": "gust", "limit_s": 0.3, "shown_by": SHUT},
        (0.3, "s", "reaction time"),
        {"signal": None, "change": None},
    ),
    (
        {"kind": "settle_time", "after": "gust", "limit_s": 2.0, "signal": "line.offset_m", "within": 0.2},
        (2.0, "s", "settle time"),
        {"counted_from": "start", "around": 0.0, "stay_s": 1.0},
    ),
    (
        {"kind": "swing_dies_away", "after": "gust"},
        (0.9, "1", "swing dies away"),
        {"watched_s": 45.0, "limit": 0.9},
    ),
    (
        {"kind": "corner_entry"},
        (0.6, "s", "corner entry"),
        {"lean_share": 0.5, "corner_radius_m": 200.0, "throttle_closed": 0.05, "brake_bar": 1.0}
        | {"braking_counts": False},
    ),
    ({"kind": "holds", "name": "n", "that": SHUT}, (None, "1", "n"), {}),
]
KEYS = [keys for keys, _, _ in MEANT]


@pytest.mark.parametrize(("keys", "meant", "defaults"), MEANT, ids=[keys["kind"] for keys in KEYS])
def test_each_kind_with_its_limit_in_si(keys, meant, defaults):
    criterion = read(**keys)
    assert type(criterion) is KINDS[keys["kind"]]
    limit, unit, name = meant
    assert (criterion.unit, criterion.title) == (unit, name)
    if limit is None:
        with pytest.raises(InternalError, match="has no limit"):
            _ = criterion.limit_si
    else:
        assert criterion.limit_si == limit
    assert {key: getattr(criterion, key) for key in defaults} == defaults
    assert read(**keys | {"name": "of my own"}).title == "of my own"


def test_no_kind_is_forgotten():
    assert list(KINDS) == [keys["kind"] for keys in KEYS]
    assert KINDS == base.REGISTRY


@pytest.mark.parametrize("limit", [0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize("keys", [k for k in KEYS if any(key.startswith("limit") for key in k)], ids=str)
def test_limits_without_sense_are_refused(keys, limit):
    (key,) = (key for key in keys if key.startswith("limit"))
    with pytest.raises(ValidationError, match=key):
        KINDS[keys["kind"]](**keys | {key: limit})


@pytest.mark.parametrize("from_s", [-1.0, math.nan, math.inf])
def test_times_without_sense_are_refused(from_s):
    with pytest.raises(ValidationError, match="from_s"):
        KINDS["distance_from_line"](kind="distance_from_line", limit_m=1.0, from_s=from_s)


def test_a_name_that_comes_again_gets_a_number():
    criteria = [read(kind="lean", limit_deg=d) for d in (30, 40, 50)] + [read(kind="no_fall")]
    made = numbered(criteria)
    assert [c.title for c in made] == ["lean", "lean (2)", "lean (3)", "no fall"]
    assert made[1].limit_si == rad(40)


WINDOW = {
    "from_s": 2.0,
    "from_event": "a",
    "to_event": "b",
    "from_station_m": 10.0,
    "to_station_m": 5.0,
}


@pytest.mark.parametrize("keys", KEYS, ids=lambda k: k["kind"])
def test_windows_are_read(keys):
    model = KINDS[keys["kind"]]
    window = {k: v for k, v in WINDOW.items() if k in model.model_fields}
    made = read(**keys, **window)
    assert {k: getattr(made, k) for k in window} == window
    if "during_event" in model.model_fields:
        assert read(**keys, during_event="c").during_event == "c"


@pytest.mark.parametrize(
    ("key", "limit", "unit"),
    [
        ("limit_bar", 4e5, "Pa"),
        ("limit_ms", 0.004, "s"),
        ("limit_us", 4e-6, "s"),
        ("limit_m_s2", 4.0, "m/s2"),
        ("limit_kg", 4.0, "kg"),
    ],
)
def test_a_limit_may_have_any_unit_that_files_have(key, limit, unit):
    made = type("Odd", (Criterion,), {"__annotations__": {key: float}, "find": lambda *_: None})
    assert (made(kind="odd", **{key: 4.0}).limit_si, made(kind="odd", **{key: 4.0}).unit) == (
        pytest.approx(limit),
        unit,
    )
    assert key.removeprefix("limit_") in UNIT_OF_SUFFIX


def test_a_kind_is_one_criterion():
    before = dict(base.REGISTRY)
    with pytest.raises(InternalError, match="two criteria of kind 'lean': Lean, Again"):
        type("Again", (KINDS["lean"],), {})
    assert before == base.REGISTRY


def test_a_criterion_has_a_judge():
    with pytest.raises(TypeError, match="abstract method"):
        Criterion(kind="nothing")


def test_kinds_by_present_and_former_name():
    assert kind_of("position_error") is kind_of("place_error") is KINDS["position_error"]
    assert kind_of("lean") is KINDS["lean"]
    assert kind_of("of another version") is None
