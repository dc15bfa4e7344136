"""Former names of keys, kinds and values: they work, each with a warning at its place."""

from pathlib import Path
from typing import Annotated, ClassVar, Literal

import pytest
from pydantic import Discriminator, Field, Tag

from emulator.config import renamed
from emulator.config.based_on import load_with_bases
from emulator.config.rig.file import Rig
from emulator.config.scenario.schema import Scenario
from emulator.config.validation import Closed, FormerValues, problems_of, validate


class Leaf(Closed):
    former_keys: ClassVar = {"old": "new", "older": "new", "was": "inner"}

    new: int = 0
    inner: "Leaf | None" = None


class Round(Closed):
    former_kinds = ("ball",)

    kind: Literal["round"]
    leaf: Leaf = Leaf()


class Square(Closed):
    kind: Literal["square"]
    new: int = 0


def tag(value):
    return "by_a" if "a" in value else "by_b"


class A(Leaf):
    a: int


class B(Closed):
    b: int
    old: int = 0


class Tree(Closed):
    leaves: tuple[Leaf, ...] = ()
    named: dict[str, Leaf] = Field(default_factory=dict)
    shape: Annotated[Round | Square, Field(discriminator="kind")] | None = None
    criteria: tuple[Annotated[Round | Square, Field(discriminator="kind")], ...] = ()
    either: Annotated[Annotated[A, Tag("by_a")] | Annotated[B, Tag("by_b")], Discriminator(tag)] | None = None
    text: str = ""
    word: Annotated[str, FormerValues({"old": "new"})] = ""
    words: tuple[Annotated[str, FormerValues({"old": "new"})], ...] = ()


def said(former, present):
    return f"{former!r} is called {present!r} now; the former name works in this version and no further"


@pytest.fixture
def read(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def read(text, name="a.yaml"):
        Path(name).write_text(text, encoding="utf-8")
        return load_with_bases(name, Tree)

    return read


@pytest.mark.parametrize(
    ("text", "meant", "warning"),
    [
        ("leaves: [{new: 1}, {old: 2}]", "leaves: [{new: 1}, {new: 2}]", "1:21: leaves.1.old: old new"),
        ("named:\n  old: {old: 2}", "named:\n  old: {new: 2}", "2:9: named.old.old: old new"),
        ("leaves: [{was: {new: 3}}]", "leaves: [{inner: {new: 3}}]", "1:11: leaves.0.was: was inner"),
        ("shape: {kind: ball}", "shape: {kind: round}", "1:15: shape.kind: ball round"),
        ("criteria:\n- kind: ball", "criteria:\n- kind: round", "2:9: criteria.0.kind: ball round"),
        (
            "shape: {kind: round, leaf: {older: 4}}",
            "shape: {kind: round, leaf: {new: 4}}",
            "1:29: shape.leaf.older: older new",
        ),
        ("word: old", "word: new", "1:7: word: old new"),
        ("words: [new, old]", "words: [new, new]", "1:14: words.1: old new"),
        ("either: {a: 1, old: 2}", "either: {a: 1, new: 2}", "1:16: either.old: old new"),
    ],
)
def test_a_former_name_is_read_and_warned_of_at_its_place(read, text, meant, warning):
    place, former, present = warning.rsplit(" ", 2)
    source, same = read(text), read(meant, "b.yaml")
    assert source.data == same.data
    assert validate(Tree, source) == validate(Tree, same)
    assert [str(w) for w in source.warnings] == [f"a.yaml:{place} {said(former, present)}"]
    assert same.warnings == ()


@pytest.mark.parametrize(
    "text",
    [
        "either: {b: 1, old: 2}",
        "text: old",
        "named: {old: {}}",
        "shape: {kind: square, new: 1}",
        "leaves: old",
    ],
)
def test_what_is_called_alike_elsewhere_stays(read, text):
    assert read(text).warnings == ()


def test_only_where_something_was_renamed_it_is_looked_for():
    assert renamed.fields_with_former_names(Tree) == set(Tree.model_fields) - {"text"}
    assert renamed.fields_with_former_names(B) == set()
    assert {"sensors", "telemetry"} <= renamed.fields_with_former_names(Rig)
    assert {"criteria", "events", "expected"} <= renamed.fields_with_former_names(Scenario)
    assert "speed" not in renamed.fields_with_former_names(Scenario)


def test_a_problem_below_a_former_key_is_at_its_place(read):
    source = read("leaves:\n- was: {old: [x],\n    inner: 1.5}")
    assert [str(p) for p in problems_of(Tree, source)] == [
        "a.yaml:2:14: leaves.0.inner.new: expected a whole number, got a list of 1",
        "a.yaml:3:12: leaves.0.inner.inner: expected a mapping with the keys new, inner, got 1.5",
    ]
    assert [w.key for w in source.warnings] == ["leaves.0.was", "leaves.0.was.old"]


@pytest.mark.parametrize("text", ["leaves: [{new: 1, old: 2}]", "leaves: [{old: 2, new: 1}]"])
def test_both_names_are_one_too_many(read, text):
    source = read(text)
    assert source.data == {"leaves": [{"new": 1}]}
    (problem,) = problems_of(Tree, source)
    assert (problem.column, problem.key) == (text.index("old") + 1, "leaves.0.old")
    assert problem.expected == "is called 'new' now, which stands here too; remove 'old'"


def test_names_are_made_present_before_files_are_merged(read):
    Path("base.yaml").write_text("shape: {kind: ball, leaf: {old: 1}}\ncriteria: [{kind: ball}]\n", "utf-8")
    source = read("based_on: base.yaml\nshape: {leaf: {new: 2}}\ncriteria: [{kind: round, leaf: {old: 3}}]\n")
    assert source.data == {
        "shape": {"kind": "round", "leaf": {"new": 2}},
        "criteria": [{"kind": "round", "leaf": {"new": 3}}],
    }
    assert [(w.file, w.line, w.key) for w in source.warnings] == [
        ("a.yaml", 3, "criteria.0.leaf.old"),
        ("base.yaml", 1, "shape.kind"),
        ("base.yaml", 1, "shape.leaf.old"),
        ("base.yaml", 2, "criteria.0.kind"),
    ]
    taken_away = read(
        "based_on: base.yaml\nshape: {leaf: {older: }}\ncriteria: [{kind: ball, remove: true}]\n"
    )
    assert taken_away.data == {"shape": {"kind": "round", "leaf": {}}, "criteria": []}


def test_without_a_model_names_are_as_written(read):
    read("leaves: [{old: 1}]")
    assert load_with_bases("a.yaml").data == {"leaves": [{"old": 1}]}
