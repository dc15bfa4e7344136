"""Files based on others: what goes over what, and where every value stands afterwards."""

import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.config.based_on import MOST_BASES, load_with_bases
from emulator.config.yaml_source import Source
from emulator.core.errors import ConfigError

BASE = """\
kind: scenario
name: base
speed: {top: 80, lean: 30}
manoeuvre: {kind: straight, length_m: 500}
numbers: [1, 2, 3]
surface:
  grip: 1.0
  patches:
    - {name: wet, grip: 0.5}
    - {name: oil, grip: 0.2}
criteria:
  - kind: no_fall
  - {kind: speed_error, limit: 5}
"""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    Path("base.yaml").write_text(BASE)
    return tmp_path


def over(text: str) -> Source:
    Path("top.yaml").write_text("based_on: base.yaml\n" + text)
    return load_with_bases("top.yaml")


def refusal(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        over(text)
    return str(caught.value)


def test_a_file_without_a_base_is_as_it_is() -> None:
    source = load_with_bases("base.yaml")
    assert source.bases == ()
    assert source.file_of(("speed", "top")) == "base.yaml"


def test_nothing_over_a_base_is_the_base() -> None:
    assert over("").data == load_with_bases("base.yaml").data


# any mapping of mappings and numbers
TREES = st.recursive(
    st.integers(0, 9),
    lambda inner: st.dictionaries(st.sampled_from("abc"), inner, max_size=3),
    max_leaves=8,
)


def overlaid(base: Any, top: Any) -> Any:
    """The rule in three lines."""
    if not (isinstance(base, dict) and isinstance(top, dict)):
        return top
    return {k: overlaid(base.get(k), top[k]) if k in top else base[k] for k in {**base, **top}}


@given(st.dictionaries(st.sampled_from("abc"), TREES), st.dictionaries(st.sampled_from("abc"), TREES))
def test_mappings_merge_at_any_depth(base: dict[str, Any], top: dict[str, Any]) -> None:
    Path("a.yaml").write_text(f"k: {base}\n".replace("'", ""))
    Path("b.yaml").write_text(f"based_on: a.yaml\nk: {top}\n".replace("'", ""))
    source = load_with_bases("b.yaml")
    assert source.data == {"k": overlaid(base, top)}
    # every value has a place, and the file it is said to stand in says it there
    for loc, (line, column) in source.marks.items():
        value = source.data
        for part in loc:
            value = value[part]  # type: ignore[index]
        if isinstance(value, int):
            text = Path(source.file_of(loc)).read_text().split("\n")[line - 1]
            assert text[column - 1] == str(value)


def test_values_keep_their_own_file_and_place() -> None:
    source = over("speed: {top: 90}\n")
    assert source.data["speed"] == {"top": 90, "lean": 30}
    assert str(source.problem(("speed", "top"), "x")) == "top.yaml:2:14: speed.top: x"
    assert str(source.problem(("speed", "lean"), "x")) == "base.yaml:3:24: speed.lean: x"
    assert str(source.problem(("surface", "patches", 1, "grip"), "x")) == (
        "base.yaml:10:25: surface.patches.1.grip: x"
    )
    # what is missing in a mapping that both write is missing where the upper file writes it
    assert str(source.problem(("speed", "gear"), "x")) == "top.yaml:2:1: speed.gear: x"


def test_another_kind_of_thing_stands_alone() -> None:
    assert over("manoeuvre: {kind: circle, radius_m: 9}\n").data["manoeuvre"] == {
        "kind": "circle",
        "radius_m": 9,
    }
    assert over("manoeuvre: {length_m: 9}\n").data["manoeuvre"] == {"kind": "straight", "length_m": 9}


def test_nothing_after_the_colon_takes_a_key_away() -> None:
    data = over("manoeuvre:\nspeed: {lean: null}\nwind:\n").data
    assert "manoeuvre" not in data
    assert data["speed"] == {"top": 80}
    assert data["wind"] is None  # there was none to take away


def test_a_plain_list_takes_the_place_of_the_bases() -> None:
    assert over("numbers: [7]\n").data["numbers"] == [7]


def test_named_things_are_replaced_added_and_removed() -> None:
    source = over(
        "surface:\n  patches:\n"
        "    - {name: oil, grip: 0.3}\n    - {name: ice, grip: 0.1}\n    - {name: wet, remove: true}\n"
    )
    assert source.data["surface"] == {
        "grip": 1.0,
        "patches": [{"name": "oil", "grip": 0.3}, {"name": "ice", "grip": 0.1}],
    }
    assert str(source.problem(("surface", "patches", 0, "grip"), "x")).startswith("top.yaml:4:25:")
    assert str(source.problem(("surface", "patches", 1, "grip"), "x")).startswith("top.yaml:5:25:")


def test_things_without_a_name_go_by_their_kind() -> None:
    source = over("criteria:\n  - {kind: speed_error, limit: 9}\n  - {kind: distance, limit: 1}\n")
    assert source.data["criteria"] == [
        {"kind": "no_fall"},
        {"kind": "speed_error", "limit": 9},
        {"kind": "distance", "limit": 1},
    ]
    assert source.marks["criteria", 0, "kind"] == (12, 11)
    assert source.file_of(("criteria", 0, "kind")) == "base.yaml"


def test_two_of_one_name_in_the_upper_file_both_stay_for_validation_to_refuse() -> None:
    patches = over("surface: {patches: [{name: oil, grip: 1}, {name: oil, grip: 2}]}\n").data["surface"][
        "patches"
    ]
    assert [p["grip"] for p in patches] == [0.5, 1, 2]


def test_bases_of_bases_and_paths_relative_to_each() -> None:
    Path("deep").mkdir()
    Path("deep/middle.yaml").write_text("based_on: ../base.yaml\nname: middle\ncircuit: c.yaml\n")
    Path("top.yaml").write_text("based_on: deep/middle.yaml\nspeed: {top: 1}\n")
    source = load_with_bases("top.yaml")
    assert source.data["name"] == "middle"
    assert source.bases == ("deep/middle.yaml", "base.yaml")
    assert source.file_of(("circuit",)) == "deep/middle.yaml"
    assert source.file_of(("speed", "lean")) == "base.yaml"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("kind: rig\n", "top.yaml:1:11: based_on: expected a file of the same kind ('rig'), base.yaml is"),
        (
            "surface: {patches: [{name: oli, remove: true}]}\n",
            "top.yaml:2:21: surface.patches.0: nothing in the base goes by name 'oli', so nothing to remove, "
            "did you mean 'oil'?",
        ),
        (
            "surface: {patches: [{name: oil, remove: true, grip: 1}]}\n",
            "top.yaml:2:21: surface.patches.0: expected nothing but name or kind beside remove",
        ),
        ("speed: {top: 1, top: 2}\n", ""),
    ],
)
def test_what_can_not_be_merged_is_refused_at_its_place(text: str, said: str) -> None:
    if said:
        assert refusal(text).startswith(said)
    else:  # told by validation, with all the rest
        assert [p.line for p in over(text).noted] == [2]


def test_things_that_can_not_be_told_apart_need_names() -> None:
    Path("base.yaml").write_text("criteria:\n  - {kind: holds}\n  - {kind: holds}\n")
    assert refusal("criteria: [{kind: holds}]\n") == (
        "top.yaml:2:12: criteria.0: 2 items of the base go by kind 'holds'; give them names there"
    )


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("5", "top.yaml:1:11: based_on: expected the name of a file, got 5"),
        ("no.yaml", "top.yaml:1:11: based_on: no such file: no.yaml (paths are relative to this file)"),
        ("top.yaml", "top.yaml:1:11: based_on: files based on each other in a circle: top.yaml -> top.yaml"),
    ],
)
def test_a_base_that_is_none(given: str, said: str) -> None:
    Path("top.yaml").write_text(f"based_on: {given}\n")
    with pytest.raises(ConfigError) as caught:
        load_with_bases("top.yaml")
    assert str(caught.value) == said


def test_a_circle_of_two_is_told_at_the_file_that_closes_it() -> None:
    Path("base.yaml").write_text("based_on: top.yaml\n")
    assert refusal("") == (
        "base.yaml:1:11: based_on: files based on each other in a circle: top.yaml -> base.yaml -> top.yaml"
    )


def test_bases_go_so_deep_and_no_deeper() -> None:
    for i in range(MOST_BASES + 2):
        Path(f"{i}.yaml").write_text(f"based_on: {i - 1}.yaml\n" if i else "name: deep\n")
    assert load_with_bases(f"{MOST_BASES}.yaml").data == {"name": "deep"}
    with pytest.raises(ConfigError, match=f"expected at most {MOST_BASES} files based one on the other"):
        load_with_bases(f"{MOST_BASES + 1}.yaml")


def test_a_wrong_base_is_told_under_its_own_name() -> None:
    Path("base.yaml").write_text("a:\t1\n")
    assert refusal("").startswith("base.yaml:1:3: tab character")


def test_long_files_are_merged_in_a_time_that_grows_with_their_length(folder: Path) -> None:
    (folder / "base.yaml").write_text("".join(f"k{i}: {{a: 0}}\n" for i in range(3000)))
    began = time.process_time()
    merged = over("".join(f"k{i}: [0]\n" for i in range(3000)))
    assert time.process_time() - began < 6.0  # with every key looking at every place it was 9 s
    assert len(merged.data) == 3000
    assert merged.marks["k7", 0] == (9, 6)


def test_hints_end_before_they_take_long(folder: Path) -> None:
    (folder / "base.yaml").write_text(
        "events:\n" + "".join(f"- {{name: event number {i}}}\n" for i in range(2000))
    )
    began = time.process_time()
    said = refusal(
        "events:\n" + "".join(f"- {{name: other nomber {i}, remove: true}}\n" for i in range(1000))
    )
    assert time.process_time() - began < 10.0  # each looking at each was 60 s
    assert said.count("nothing in the base goes by") == 1000
