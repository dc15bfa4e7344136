"""The schemas for editors: as the models say, accepting what is right, refusing what is not."""

import copy
import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from emulator.config.based_on import load_with_bases
from emulator.config.editor_schema import KINDS, Kind, schema_of, schema_text
from emulator.config.yaml_source import load

SCENARIOS = Path(__file__).parents[2] / "scenarios"
FILES = sorted(SCENARIOS.rglob("*.yaml"))


@cache
def validator_of(kind: Kind) -> Draft202012Validator:
    return Draft202012Validator(schema_of(kind))


def kind_of(file: Path) -> Kind:
    return load_with_bases(file).data["kind"]


@pytest.mark.parametrize("kind", KINDS)
def test_the_shipped_schema_is_what_the_models_say(kind: Kind) -> None:
    """After a change of a model: make schemas."""
    shipped = SCENARIOS / "schemas" / f"{kind}.json"
    assert shipped.read_text() == schema_text(kind)
    Draft202012Validator.check_schema(json.loads(shipped.read_text()))


@pytest.mark.parametrize("file", FILES, ids=lambda f: f.stem)
def test_every_shipped_file_is_right_as_it_stands_and_with_its_base_put_in(file: Path) -> None:
    validator = validator_of(kind_of(file))
    assert [e.message for e in validator.iter_errors(load(file).data)] == []
    assert [e.message for e in validator.iter_errors(load_with_bases(file).data)] == []


def refused(kind: Kind, data: dict[str, Any]) -> bool:
    return not validator_of(kind).is_valid(data)


LAP, LINE = "runs/first_lap.yaml", "runs/straight.yaml"
BROKEN: list[tuple[str, tuple[str | int, ...], Any]] = [
    (LAP, ("kind",), "circuits"),
    (LAP, ("laps",), 0),
    (LAP, ("laps",), "two"),
    (LAP, ("origin", "latitude_deg"), 147.0),
    (LAP, ("origin", "latitude"), 47.0),
    (LAP, ("start", "gear"), 1.5),
    (LAP, ("surface", "grip"), {"parameters": "wet"}),
    (LAP, ("surface", "patches", 0, "grip"), "wet"),
    (LAP, ("surface", "patches"), {"name": "wet"}),
    (LAP, ("events", 0, "kind"), "faults"),
    (LAP, ("events", 0, "effect"), "lost"),
    (LAP, ("events", 1, "at"), 5),
    (LAP, ("criteria",), []),
    (LAP, ("criteria", 1, "limit_m"), -1.0),
    (LAP, ("parameters",), {"wet": {"default": 1.0}}),
    (LAP, ("vehicle",), {"fuel": 3.0}),
    (LAP, ("vehicle",), {"tyre_wear": {"front": {"depth_mm": 50.0}}}),
    (LINE, ("manoeuvre", "kind"), "wheelie"),
    (LINE, ("manoeuvre", "length_m"), 1.0),
    (LINE, ("manoeuvre", "radius_m"), 40.0),
    ("runs/slalom.yaml", ("manoeuvre", "gates"), 2.5),
    ("runs/circle.yaml", ("criteria", 0, "limit_m"), "near"),
    ("runs/wet_lap.yaml", ("surface", "patches", 0, "remove"), "yes"),
    ("runs/wet_lap.yaml", ("based_on",), 5),
    ("runs/wet_lap.yaml", ("speeds",), {}),
    ("circuits/ostrevel.yaml", ("closed",), "round"),
    ("circuits/ostrevel.yaml", ("points",), [[0, 0], [10, 0]]),
    ("circuits/ostrevel.yaml", ("points",), [[0, 0, 0]] * 9),
    ("circuits/ostrevel.yaml", ("segments", 0), {"straight": 300}),
    ("circuits/ostrevel.yaml", ("width_m",), {"parameter": "width"}),  # only a scenario has parameters
    ("rigs/loopback.yaml", ("bus", "kind"), "telegraph"),
    ("rigs/loopback.yaml", ("outputs", "imu_rates", "rate_hz"), -5.0),
    ("vehicles/demo_racer.yaml", ("main_frame", "mass", "value"), "heavy"),
    ("vehicles/demo_racer.yaml", ("main_frame", "weight"), {"value": 1, "unit": "kg", "source": "s"}),
]


@pytest.mark.parametrize(("file", "place", "value"), BROKEN)
def test_a_broken_file_is_refused(file: str, place: tuple[str | int, ...], value: Any) -> None:
    data = copy.deepcopy(load(SCENARIOS / file).data)
    kind = kind_of(SCENARIOS / file)
    assert not refused(kind, data)
    spot: Any = data
    for part in place[:-1]:
        spot = spot[part]
    spot[place[-1]] = value
    assert refused(kind, data)


@pytest.mark.parametrize("key", ["purpose", "origin", "surface", "criteria", "support"])
def test_only_a_file_with_a_base_may_leave_keys_out(key: str) -> None:
    data = load(SCENARIOS / LAP).data
    part = {k: v for k, v in data.items() if k != key}
    assert refused("scenario", part)
    assert not refused("scenario", {**part, "based_on": "x.yaml"})
    assert not refused("scenario", {**part, "based_on": "x.yaml", key: None})
    assert refused("scenario", {**part, key: None})


def test_a_parameter_stands_where_a_number_may() -> None:
    data = load(SCENARIOS / LAP).data
    reference = {"parameter": "x"}
    for whole in (data, {**data, "based_on": "x.yaml"}):
        assert not refused("scenario", {**whole, "laps": reference})
        assert not refused("scenario", {**whole, "surface": {"grip": reference}})
        assert refused("scenario", {**whole, "name": reference})
    declared = {"x": {"default": reference, "range": [0, 1], "unit": "1", "meaning": "m"}}
    assert refused("scenario", {**data, "parameters": declared})
    declared["x"]["default"] = 0.5  # type: ignore[assignment]
    assert not refused("scenario", {**data, "parameters": declared})


def test_what_stands_in_a_list_is_whole_even_over_a_base() -> None:
    top = {"based_on": "x.yaml", "events": [{"kind": "mark", "name": "half way"}]}
    assert refused("scenario", top)
    assert not refused("scenario", {"based_on": "x.yaml", "events": [{"name": "half way", "remove": True}]})
    assert refused("scenario", {**load(SCENARIOS / LAP).data, "events": [{"name": "n", "remove": True}]})
