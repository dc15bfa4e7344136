"""What editors say of each key: a sentence, its unit, what leaving it out means."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Literal

import pytest
from pydantic import Field

from emulator.config.based_on import load_with_bases
from emulator.config.editor_schema import KINDS, Kind, schema_of
from emulator.config.validation import Closed, unit_of

ROOT = Path(__file__).parents[2]
SCENARIOS = ROOT / "scenarios"
SHIPPED = sorted(
    [*SCENARIOS.rglob("*.yaml"), *(ROOT / "emulator" / "stages" / "precompile_session").glob("*.yaml")]
)

SUFFIXES = {
    "rad_s_per_m_s2": "rad/s per m/s2",
    "m_s2_per_m_s": "m/s2 per m/s",
    "rad_s2_sqrtHz": "rad/s2/sqrt(Hz)",
    "m_s3_sqrtHz": "m/s3/sqrt(Hz)",
    "rad_s_sqrtHz": "rad/s/sqrt(Hz)",
    "m_s2_sqrtHz": "m/s2/sqrt(Hz)",
    "rad_s_per_K": "rad/s per K",
    "m_s2_per_K": "m/s2 per K",
    "ppm_per_K": "ppm per K",
    "kg_m2": "kg m2",
    "deg_s2": "deg/s2",
    "deg_s": "deg/s",
    "Nm_s": "N m/s",
    "rad_s": "rad/s",
    "per_s": "1/s",
    "m_s3": "m/s3",
    "m_s2": "m/s2",
    "km_h": "km/h",
    "m_s": "m/s",
    "degC": "degC",
    "deg": "deg",
    "rad": "rad",
    "bar": "bar",
    "pct": "%",
    "ppm": "ppm",
    "Nm": "N m",
    "kg": "kg",
    "hz": "Hz",
    "ms": "ms",
    "us": "us",
    "ns": "ns",
    "mm": "mm",
    "m": "m",
    "s": "s",
}
"""Unit by the end of a key, longest first: once more, by hand, as a check of the program's own table."""

COUNTS_AND_SHARES = {
    *("laps", "lap", "sector", "gear", "gates", "times", "copies", "flips", "satellites", "satellites_lost"),
    *("seed", "order", "damping", "priority", "cpu", "port", "corrections_station", "identifier"),
    *(
        "header_line",
        "group",
        "sign",
        "teeth_front",
        "teeth_rear",
        "averaging_edges",
        "lost_frames",
        "hdop",
        "vdop",
    ),
    *("grip", "factor", "share", "probability", "load"),
    # of the file itself, whose unit stands beside them
    *("value", "points", "default", "range"),
    # of a lab's DBC: numbers of frames, and values in units that stand in the DBC
    *("data_id", "data_ids", "scale", "offset", "fixed"),
}
"""Keys of a number that needs no unit: it counts, numbers, or is a share of something."""
FORMS = {"Trigger", "Condition"}
"""What is written in one form of several: a key that is left out belongs to another one."""

Described = tuple[str, str, dict[str, Any]]


def properties(kind: Kind, *, parts: bool = True) -> Iterator[Described]:
    """Every key of every mapping: the mapping's name, the key, its schema."""
    for name, definition in schema_of(kind)["$defs"].items():
        if parts or (not name.endswith("part") and name != "part_of_a_file"):
            yield from _below(name, definition)


def _below(name: str, node: Any) -> Iterator[Described]:
    if isinstance(node, list):
        for item in node:
            yield from _below(name, item)
    elif isinstance(node, dict):
        for key, value in node.items():
            if key == "properties":
                yield from ((name, inner, schema) for inner, schema in value.items())
            yield from _below(f"{name}.{key}", value)


WORDS = {
    (kind, mapping, key): schema.get("description", "")
    for kind in KINDS
    for mapping, key, schema in properties(kind)
}


def bare(words: str) -> str:
    """The words without unit, and without what is said of effects and of leaving it out."""
    said = re.sub(r"^\[[^]]*\] ", "", words)
    return re.split(r" ?(?:Left out|Needed by|Taken by|Possible):?", said)[0]


def test_there_are_as_many_keys_as_files_have() -> None:
    assert len(WORDS) > 1000


def test_every_key_is_told_in_one_or_two_sentences() -> None:
    wrong = {
        place: words
        for place, words in WORDS.items()
        if len(bare(words).split()) < 3
        or not words.endswith(".")
        or len(re.findall(r"\.(?: [A-Z]|$)", bare(words))) > 2
        or not re.match(r"(\[[^]]+\] )?([A-Z]|[a-z_]+: )", words)
        or "  " in words
    }
    assert wrong == {}


def test_no_two_keys_of_a_mapping_are_told_in_the_same_words() -> None:
    counted: dict[tuple[str, str], Counter[str]] = {}
    for (kind, mapping, _), words in WORDS.items():
        counted.setdefault((kind, mapping), Counter())[bare(words)] += 1
    twice = {place: [w for w, n in counts.items() if n > 1] for place, counts in counted.items()}
    assert {place: words for place, words in twice.items() if words} == {}


def test_the_unit_in_a_key_stands_before_its_words() -> None:
    wrong = {}
    for (kind, mapping, key), words in WORDS.items():
        unit = next((unit for suffix, unit in SUFFIXES.items() if key.endswith("_" + suffix)), None)
        if unit is not None and not words.startswith(f"[{unit}] "):
            wrong[kind, mapping, key] = words
    assert wrong == {}


def takes_a_number(schema: dict[str, Any]) -> bool:
    """Whether a number may stand there, or a list of numbers."""
    inner = [*schema.get("anyOf", ()), *schema.get("prefixItems", ())]
    for key in ("items", "additionalProperties"):
        inner += [schema[key]] if isinstance(schema.get(key), dict) else []
    return schema.get("type") in ("number", "integer") or any(takes_a_number(one) for one in inner)


def test_a_rate_is_no_time() -> None:
    assert unit_of("error_frames_per_s") == "1/s"
    assert (unit_of("time_s"), unit_of("grip")) == ("s", "")


PLANNED = {
    "between",
    "count",
    "curve_rides",
    "does_not_count",
    "errors",
    "excluding",
    "final",
    "first",
    "harshest",
    "mean",
    "median",
    "mildest",
    "most",
    "must_survive",
    "population",
    "probes_above",
    "probes_below",
    "repeats",
    "repeats_of_invalid",
    "resolution",
    "rides",
    "rides_to_minimise",
    "sigma",
    "step",
    "strength",
    "surprises",
    "these",
    "thinnest",
    "values",
    "within",
}
"""Of a plan: counts, seeds, and values in the unit of what takes them."""


@pytest.mark.parametrize("kind", KINDS)
def test_every_other_number_has_a_unit_or_is_a_count_or_a_share(kind: Kind) -> None:
    wrong = {
        (mapping, key): schema["description"]
        for mapping, key, schema in properties(kind)
        if takes_a_number(schema)
        and not schema["description"].startswith("[")
        and key not in (COUNTS_AND_SHARES if kind != "campaign" else {*COUNTS_AND_SHARES, *PLANNED})
    }
    assert wrong == {}


@pytest.mark.parametrize("kind", KINDS)
def test_a_key_that_may_be_left_out_says_what_that_means(kind: Kind) -> None:
    wrong = {}
    for name, definition in schema_of(kind)["$defs"].items():
        if name in FORMS or name.endswith("part") or name == "part_of_a_file":
            continue
        for key, schema in definition.get("properties", {}).items():
            words = schema["description"]
            may = key not in definition.get("required", ()) and schema.get("type") != "null"
            if may != ("Left out:" in words) and "Needed by:" not in words:
                wrong[name, key] = words
    assert wrong == {}


@pytest.mark.parametrize("kind", KINDS)
def test_over_a_base_what_is_left_out_is_the_base_s(kind: Kind) -> None:
    for name, definition in schema_of(kind)["$defs"].items():
        if name.endswith("_in_part") or name == "part_of_a_file":
            for schema in definition["properties"].values():
                assert "Left out:" not in schema["description"]


@pytest.mark.parametrize(
    ("kind", "mapping", "key", "words"),
    [
        # a docstring, the unit of the suffix, a number for a default
        (
            "rig",
            "Limits",
            "permissive_timeout_ms",
            "[ms] How long an input of the bench counts after the frame that gave it. Left out: 100.",
        ),
        # of a base class
        (
            "rig",
            "SpeedMonitor",
            "for_ms",
            "[ms] How long it may last without a break before it is answered.",
        ),
        # true or false, a list of numbers, an empty list, text
        (
            "rig",
            "MqttTelemetry",
            "go",
            "Whether a hold from afar may be released from afar. Left out: false.",
        ),
        ("rig", "Imu", "rate_bias_rad_s", "[rad/s] Fixed bias of the gyros, [x, y, z]. Left out: [0, 0, 0]."),
        ("scenario", "VehicleChange", "load", "Masses that are put on the bike. Left out: none."),
        ("rig", "PtyPort", "kind", "GNSS sentences on a pseudo terminal that the program creates."),
        # an event's key
        (
            "scenario",
            "FaultEvent",
            "delay_ms",
            "[ms] How much older its samples are. Needed by: delay.",
        ),
        (
            "scenario",
            "FrameEvent",
            "share",
            "Share of the frames that is hit, each drawn. Taken by: loss, repetition, delay, masquerade, "
            "incorrect_sequence, corruption. Left out: all.",
        ),
        # a vehicle's parameter
        (
            "vehicle",
            "final_drive",
            "front_radius",
            "[m] Front sprocket pitch radius. Possible: 0.005 to 1; usual: 0.03 to 0.06.",
        ),
        # a criterion's kind
        ("scenario", "Lean", "kind", "Lean to either side stays within a limit."),
    ],
)
def test_words_are_put_together(kind: Kind, mapping: str, key: str, words: str) -> None:
    assert WORDS[kind, mapping, key] == words


class Base(Closed):
    """Below it stands what is inherited."""

    kind: Literal["leaf"]
    length_mm: float = 2.5
    """How far it
    goes"""
    note: str | None = None


class Leaf(Base):
    """A leaf of the test.

    More of it.
    """

    note: str | None = None
    """left: on its left side"""
    told: int = Field(default=3, description="[apples] by its field. Left out: some")


def test_what_stands_below_a_key_is_what_an_editor_says() -> None:
    said = {key: one.get("description") for key, one in Leaf.model_json_schema()["properties"].items()}
    assert said == {
        "kind": "A leaf of the test.",
        "length_mm": "[mm] How far it goes. Left out: 2.5.",
        "note": "left: on its left side.",
        "told": "[apples] By its field. Left out: some.",
    }
    without = Base.model_json_schema()["properties"]["note"]
    assert "description" not in without


def schema_line(text: str) -> str:
    """The path that the first line of a file gives to an editor."""
    first = text.partition("\n")[0]
    assert first.startswith("# yaml-language-server: $schema="), first
    return first.partition("=")[2]


@pytest.mark.parametrize("file", SHIPPED, ids=lambda f: f.stem)
def test_every_shipped_file_leads_an_editor_to_its_schema(file: Path) -> None:
    path = schema_line(file.read_text())
    kind = load_with_bases(file).data["kind"]
    assert (file.parent / path).resolve() == SCENARIOS / "schemas" / f"{kind}.json"
