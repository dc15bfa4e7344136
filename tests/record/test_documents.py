"""Manifest and certificate: what readers rely on is of its kind, the rest is left as it is."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from emulator.core.errors import RecordError
from emulator.core.outside.reading import MANIFEST
from emulator.record.documents import (
    MOST_JSON_VALUES,
    read_certificate,
    read_json_object,
    read_manifest,
    read_outcome,
)


def manifest(tmp_path: Path, content: str | bytes | dict[str, Any]) -> dict[str, Any]:
    text = json.dumps(content) if isinstance(content, dict) else content
    (tmp_path / "manifest.json").write_bytes(text.encode() if isinstance(text, str) else text)
    return read_manifest(tmp_path)


def test_what_an_earlier_or_later_version_wrote_is_read(tmp_path: Path) -> None:
    for document in ({}, {"rig": "bench", "scenario": {"name": "a", "new": [1]}, "new": {"x": None}}):
        assert manifest(tmp_path, document) == document


@pytest.mark.parametrize(
    ("document", "key"),
    [
        ({"line": {"x_m": [0, "1"]}}, "line.x_m.1"),
        ({"line": {"length_m": 0}}, "line.length_m"),
        ({"line": {"length_m": True}}, "line.length_m"),
        ({"line": {"y_m": [1e300]}}, "line.y_m.0"),
        ({"seed": 1.5}, "seed"),
        ({"seed": -1}, "seed"),
        ({"copies": {"rig": None}}, "copies.rig"),
        ({"versions": None}, "versions"),
        ({"parameters": {"a": "1"}}, "parameters.a"),
        ({"scenario": {"events": [{"name": 3}]}}, "scenario._Named.events.0.name"),
        ({"bus_budget": {"frames": {"a": 1}}}, "bus_budget.frames"),
        ({"patches": [3]}, "patches.0"),
    ],
)
def test_what_is_of_another_kind_is_told_by_its_key(
    document: dict[str, Any], key: str, tmp_path: Path
) -> None:
    with pytest.raises(RecordError) as error:
        manifest(tmp_path, document)
    assert f"manifest.json: {key}: " in str(error.value)


def test_a_certificate_has_numbers_where_they_are_drawn(tmp_path: Path) -> None:
    path = tmp_path / "certificate.json"
    path.write_text('{"outputs": {"lean": {"age_histogram": {"edges_ms": [0, 1], "counts": 3}}}}')
    with pytest.raises(RecordError, match=r"outputs\.lean\.age_histogram\.counts: "):
        read_certificate(tmp_path)
    path.write_text('{"outputs": {"lean": {"latency_ms": null}}, "loop": {}}')
    assert read_certificate(tmp_path)["outputs"] == {"lean": {"latency_ms": None}}


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ('{"a": NaN}', "NaN is no number of JSON"),
        ('{"a": -Infinity}', "-Infinity is no number of JSON"),
        ('{"a": 1e999}', "1e999 is too large for a number"),
        ('{"a": 9223372036854775808}', "9223372036854775808 is too large for a whole number"),
        ('{"a": -9223372036854775809}', "too large for a whole number"),
        ('{"a": ' + "9" * 5000 + "}", "99 is too large for a whole number"),
        ('{"a": ' + "[" * 100_000, "not JSON"),
        ('{"a": "\udcff"}'.encode("utf-8", "surrogateescape"), "not JSON: 'utf-8'"),
        ("[]", "expected a JSON object, found list"),
        ('{"a": [' + "0," * MOST_JSON_VALUES + "0]}", f"expected at most {MOST_JSON_VALUES} values"),
        ('{"a": "' + "x" * MANIFEST.most_bytes + '"}', "of at most 8 MiB, it has 8 MiB"),
    ],
)
def test_json_beyond_any_use_is_refused(text: str | bytes, expected: str, tmp_path: Path) -> None:
    with pytest.raises(RecordError) as error:
        manifest(tmp_path, text)
    assert expected in str(error.value)
    assert len(str(error.value)) < 500 + len(str(tmp_path))


@pytest.mark.parametrize(
    ("kept", "key"),
    [
        ({"delay_us": "high"}, "delay_us"),
        ({"delay_us": {"p99": "1"}}, "delay_us.p99"),
        ({"promise_ms": []}, "promise_ms"),
        ({"lag_ms": "?"}, "lag_ms"),
        ({"count": {}}, "count"),
    ],
)
def test_what_a_process_kept_is_of_its_kind(kept: dict[str, Any], key: str, tmp_path: Path) -> None:
    path = tmp_path / "outcome.json"
    path.write_text(json.dumps({"processes": {"bus": {"promise_ms": 5.0, "count": 0, "delay_us": None}}}))
    assert read_outcome(tmp_path)["processes"]["bus"]["count"] == 0
    path.write_text(json.dumps({"processes": {"bus": kept}}))
    with pytest.raises(RecordError, match=rf"processes\.bus\.{key}: "):
        read_outcome(tmp_path)


def test_the_largest_whole_numbers_are_read(tmp_path: Path) -> None:
    (tmp_path / "a.json").write_text('{"a": [9223372036854775807, -9223372036854775808, 1.7e308]}')
    assert read_json_object(tmp_path / "a.json")["a"] == [2**63 - 1, -(2**63), 1.7e308]
