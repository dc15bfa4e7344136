"""The list of keys for people: every key once, at its place, in the editor's words."""

from __future__ import annotations

from functools import cache

import pytest

from emulator.config.editor_schema import KINDS, Kind, whole_schema
from emulator.config.key_list import keys_of


@cache
def list_of(kind: Kind) -> dict[str, str]:
    return dict(keys_of(kind))


@pytest.mark.parametrize("kind", KINDS)
def test_every_key_of_every_mapping_is_there_once(kind: Kind) -> None:
    whole, models = whole_schema(kind)
    mappings = [whole, *(model for model in models.values() if "properties" in model)]
    assert len(list(keys_of(kind))) == len(list_of(kind)) == sum(len(one["properties"]) for one in mappings)


@pytest.mark.parametrize(
    ("kind", "path", "begins"),
    [
        ("rig", "limits.overrun_limit_ms", "[ms] Longest stall"),
        ("rig", "bus(socketcan).channel", "Name of the interface"),
        ("rig", "own_names.NAME.protection(P05).data_id", ""),
        ("rig", "outputs.NAME.latency_ms", "[ms] Age of the content"),
        ("rig", "sensors.imu.vibration.engine_orders[].order", "Frequency over"),
        ("scenario", "events[](fault).at.lap", "Lap of ``station_m``"),
        ("scenario", "criteria[](reaction_time).shown_by.always", "True where this condition"),
        ("scenario", "manoeuvre(slalom).gates", "Number of cones."),
        ("scenario", "parameters.NAME.meaning", "What it is"),
        ("circuit", "segments[].turn_deg", "[deg] How far the heading turns"),
        ("vehicle", "tyre_rear.radius", "[m] Outer radius, unloaded."),
        ("vehicle", "engine_torque.points", "Pairs [argument, value]"),
    ],
)
def test_a_key_stands_at_its_place(kind: Kind, path: str, begins: str) -> None:
    assert list_of(kind)[path].startswith(begins)
