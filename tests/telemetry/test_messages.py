"""The tree of topics: a schema for each message, examples that are right, and nothing beside what is sent."""

from __future__ import annotations

import json
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator

from emulator.criteria.base import CriterionResult
from emulator.plant.states import STATE_NAMES
from emulator.telemetry.commands import signed
from emulator.telemetry.messages import (
    TOPICS,
    BenchState,
    CauseTold,
    CriterionTold,
    Signals,
    VerdictTold,
    schema_text,
)
from emulator.verdict.attribution import Cause
from emulator.verdict.judge import Verdict

ROOT = Path(__file__).parents[2]
SCHEMA = json.loads(schema_text())
VALIDATOR = Draft202012Validator(SCHEMA)


def valid(topic: str, message: Any) -> bool:
    return VALIDATOR.is_valid({topic: message})


def test_the_shipped_schema_is_what_the_models_say() -> None:
    """After a change of a model: make schemas."""
    assert (ROOT / "scenarios" / "schemas" / "telemetry.json").read_text() == schema_text()
    Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.parametrize("topic", TOPICS)
def test_its_example_is_right_and_its_mistakes_are_refused(topic: str) -> None:
    model, example = TOPICS[topic].model, TOPICS[topic].example
    assert valid(topic, example)
    assert not valid(topic, "text")
    if model is None:
        assert valid(topic, 0)
        assert not valid(topic, 2)
        return
    assert json.loads(model.model_validate(example).payload()) == example
    for key in model.model_fields:
        assert not valid(topic, {k: v for k, v in example.items() if k != key}), f"{key} may be missing"
    open_ended = SCHEMA["$defs"][model.__name__].get("additionalProperties") is not False
    assert valid(topic, {**example, "another": 1.0}) == open_ended
    assert open_ended == (topic in {"signals", "campaign"})


def test_a_signal_is_a_number_or_null_and_nothing_else() -> None:
    assert valid("signals", {"time_s": 1.0, "truth.roll_rad": None})
    assert not valid("signals", {"time_s": 1.0, "truth.roll_rad": "0.1"})
    sent = Signals.model_validate({"time_s": 1.0, "truth.roll_rad": -0.1, "line.offset_m": None}).payload()
    assert json.loads(sent) == {"time_s": 1.0, "truth.roll_rad": -0.1, "line.offset_m": None}


def test_every_key_says_what_it_is() -> None:
    without = [
        f"{name}.{key}"
        for name, model in SCHEMA["$defs"].items()
        for key, value in model["properties"].items()
        if not value.get("description")
    ]
    assert without == []


@pytest.mark.parametrize(
    ("message", "told"), [(VerdictTold, Verdict), (CriterionTold, CriterionResult), (CauseTold, Cause)]
)
def test_a_verdict_is_told_whole(message: Any, told: Any) -> None:
    assert set(message.model_fields) - {"run"} == {field.name for field in fields(told)}


def test_states_are_those_of_the_bench() -> None:
    assert get_args(BenchState) == STATE_NAMES


def test_the_object_of_a_signed_command_is_one() -> None:
    message = signed(b"sixteen bytes of key at least", "bench/1/command", "5a" * 16, 1.0, "stop", "a")
    body, _, _ = message.rpartition(b"\n")
    assert valid("command", json.loads(body))


def test_every_topic_has_a_row_in_the_guide_that_says_whether_it_is_retained() -> None:
    page = (ROOT / "emulator" / "guide" / "telemetry.md").read_text()
    for name, topic in TOPICS.items():
        if name != "command":  # a section of its own
            (row,) = [line for line in page.splitlines() if line.startswith(f"| `{name}` |")]
            assert row.split("|")[2].strip() == ("yes" if topic.retained else ""), row
