"""The translation of a model's errors, on small models; whole files are in the neighbouring tests."""

import tempfile
from pathlib import Path
from typing import Annotated, Literal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import Field, field_validator

from emulator.config.rig.file import Rig
from emulator.config.scenario.circuit import Circuit
from emulator.config.scenario.schema import Scenario
from emulator.config.validation import Closed, describe, did_you_mean, problems_of, validate, wrong
from emulator.config.yaml_source import load
from emulator.core.errors import ConfigError

SHIPPED = Path(__file__).parents[2] / "scenarios"


class Round(Closed):
    kind: Literal["round"]
    radius_m: float = Field(gt=0)


class Square(Closed):
    kind: Literal["square"]
    side_mm: Annotated[float, Field(ge=1, lt=10)]
    square: int = 0  # a key that is spelled like the tag


class Shapes(Closed):
    first: Annotated[Round | Square, Field(discriminator="kind")]
    more: tuple[Annotated[Round | Square, Field(discriminator="kind")], ...] = ()
    perhaps: Annotated[Round | Square, Field(discriminator="kind")] | None = None
    named: dict[str, Round] = Field(default={})
    count: Annotated[int, Field(ge=0)] | Literal["all"] = "all"
    note: str = ""

    @field_validator("note")
    @classmethod
    def _short(cls, note: str) -> str:
        if len(note) > 5:
            raise wrong("expected at most 5 letters")
        if note == "plain":
            raise ValueError("not plain")
        return note


FIRST = "first: {kind: round, radius_m: 1}\n"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def messages(text: str) -> list[str]:
    Path("a.yaml").write_text(text)
    return [str(problem).removeprefix("a.yaml:") for problem in sorted(problems_of(Shapes, load("a.yaml")))]


def test_a_right_file_becomes_a_model() -> None:
    Path("a.yaml").write_text(FIRST + "more: [{kind: square, side_mm: 2.5}]\ncount: 3\nperhaps: null\n")
    shapes = validate(Shapes, load("a.yaml"))
    assert shapes.first == Round(kind="round", radius_m=1.0)
    assert shapes.more == (Square(kind="square", side_mm=2.5),)
    assert shapes.count == 3
    assert shapes.perhaps is None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "first: {kind: round, radius_m: 0}\n",
            "1:32: first.radius_m: expected a number above 0 m, got 0",
        ),
        (
            "first: {kind: square, side_mm: 10}\n",
            "1:32: first.side_mm: expected a number from 1 and below 10 mm, got 10",
        ),
        (
            "first: {kind: square, side_mm: 2, square: x}\n",
            "1:43: first.square: expected a whole number, got 'x'",
        ),
        (
            "first: {kind: square, side_mm: 2, radius_m: 1}\n",
            "1:35: first.radius_m: unknown key; known keys: kind, side_mm, square",
        ),
        ("first: {kind: round}\n", "1:1: first: missing key 'radius_m': a number above 0 m"),
        ("first: []\n", "1:8: first: expected a mapping, kind one of round, square, got a list of 0"),
        (
            "first: {kind: [], radius_m: 1}\n",
            "1:15: first.kind: expected one of round, square, got a list of 0",
        ),
        ("count: 1\n", "1:1: missing key 'first': a mapping, kind one of round, square"),
        (
            FIRST + "more:\n  - {kind: round, radius_m: 1}\n  - {kind: round, radius_m: x}\n",
            "4:29: more.1.radius_m: expected a number above 0 m, got 'x'",
        ),
        (FIRST + "more: {}\n", "2:7: more: expected a list, got a mapping"),
        (FIRST + "perhaps: {kind: round}\n", "2:1: perhaps: missing key 'radius_m': a number above 0 m"),
        (FIRST + "named: {a: {kind: round}}\n", "2:9: named.a: missing key 'radius_m': a number above 0 m"),
        (FIRST + "named: 3\n", "2:8: named: expected a mapping, got 3"),
        (FIRST + "count: many\n", "2:8: count: expected a whole number of at least 0 or all, got 'many'"),
        (FIRST + "count: -1\n", "2:8: count: expected a whole number of at least 0 or all, got -1"),
        (FIRST + "note: longer\n", "2:7: note: expected at most 5 letters"),
        (FIRST + "note: plain\n", "2:7: note: not plain"),
        (
            FIRST + "note: 1\n",
            "2:7: note: expected text, got 1; put text that looks like something else in quotes",
        ),
        (FIRST + "note:\n", "2:1: note: expected text, got nothing; write a value after the colon"),
    ],
)
def test_each_kind_of_error_in_plain_words(text: str, expected: str) -> None:
    assert messages(text) == [expected]


def test_several_missing_keys_are_each_named() -> None:
    assert messages("first: {}\nperhaps: {kind: square}\nmore: [{kind: round}]\n") == [
        "1:1: first: missing key 'kind': one of round, square",
        "2:1: perhaps: missing key 'side_mm': a number from 1 and below 10 mm",
        "3:8: more.0: missing key 'radius_m': a number above 0 m",
    ]


@pytest.mark.parametrize(
    ("annotation", "unit", "expected"),
    [
        (float, "", "a number"),
        (float, "kg", "a number (kg)"),
        (Annotated[float, Field(le=3)], "kg", "a number of at most 3 kg"),
        (Annotated[float, Field(lt=3)], "kg", "a number below 3 kg"),
        (Annotated[int, Field(ge=1, le=1_000_000)], "", "a whole number from 1 to 1000000"),
        (Annotated[float, Field(gt=0.5, le=3)], "", "a number above 0.5 and up to 3"),
        (bool, "", "true or false"),
        (Literal["a", "b"], "", "one of a, b"),
        (Literal[True], "", "true"),
        (tuple[float, float], "m", "a list of 2 numbers (m)"),
        (Round, "", "a mapping with the keys kind, radius_m"),
        (float | None, "s", "a number (s)"),
    ],
)
def test_what_a_place_takes(annotation: object, unit: str, expected: str) -> None:
    assert describe(annotation, (), unit) == expected


def test_did_you_mean() -> None:
    assert did_you_mean("gripp", ["grip", "name"]) == ", did you mean 'grip'?"
    assert did_you_mean("zzz", ["grip", "name"]) == ""


_PLAIN = (
    "",
    "~",
    "no",
    "true",
    "-1",
    "0",
    "1e3",
    "1e9",
    ".5",
    "010",
    ".nan",
    "12:30:00",
    "text",
    "''",
    "'1'",
)
_NESTED = ("[]", "{}", "[1]", "[1, 2, 3]", "[a, [b]]", "{kind: loopback}", "{kind: fault}", "{a: {b: 1}}")
_REFUSED = ("&x 1", "*x", "!!int 3", "'", "[", "2027-01-01", "9" * 50, "\u00e9", "{[key]: 1}")
_VALUES = st.sampled_from(_PLAIN + _NESTED + _REFUSED)
_KEYS = st.sampled_from(["kind", "name", "[key]", "square", "loopback", "<<", "0", "''", "fault", "at", "x"])


@pytest.mark.parametrize(
    ("model", "file"),
    [
        (Rig, "rigs/loopback.yaml"),
        (Scenario, "runs/first_lap.yaml"),
        (Circuit, "circuits/ostrevel.yaml"),
    ],
)
@settings(max_examples=120)
@given(data=st.data())
def test_a_spoilt_file_does_no_worse_than_a_config_error(
    model: type[Closed], file: str, data: st.DataObject
) -> None:
    lines = (SHIPPED / file).read_text().splitlines()
    for _ in range(data.draw(st.integers(1, 3))):
        where = data.draw(st.integers(0, len(lines) - 1))
        key, colon, _value = lines[where].partition(": ")
        indent = key[: len(key) - len(key.lstrip())]
        how = data.draw(st.sampled_from(["value", "key", "drop", "twice", "indent", "nested"]))
        if how == "value" and colon:
            lines[where] = f"{key}: {data.draw(_VALUES)}"
        elif how == "key":
            lines[where] = f"{indent}{data.draw(_KEYS)}: {data.draw(_VALUES)}"
        elif how == "drop" and len(lines) > 1:
            del lines[where]
        elif how == "twice":
            lines.insert(where, lines[where])
        elif how == "indent":
            lines[where] = "  " + lines[where]
        elif how == "nested" and colon:
            lines[where] = f"{key}: {{{data.draw(_KEYS)}: {data.draw(_VALUES)}}}"
    with tempfile.TemporaryDirectory() as name:
        path = Path(name, "spoilt.yaml")
        path.write_text("\n".join(lines), encoding="utf-8")
        problems = []
        try:
            assert isinstance(validate(model, load(path)), model)
        except ConfigError as error:
            problems = error.problems
        height = len(lines) + 1
        assert all(1 <= p.line <= height and p.column >= 1 and p.expected for p in problems)
        assert all(p.file == str(path) and "[key]" not in p.expected for p in problems)
