import math
import tempfile
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from emulator.config.yaml_source import (
    MOST_PROBLEMS,
    beside,
    key_path,
    leads_astray,
    load,
    named_from,
    show,
)
from emulator.config.yaml_values import MOST_VALUES
from emulator.core.errors import ConfigError
from emulator.core.outside.reading import YAML


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def read(text: str) -> dict[str, object]:
    Path("a.yaml").write_text(text, encoding="utf-8")
    return load("a.yaml").data


def refusal(text: str | bytes) -> str:
    Path("a.yaml").write_bytes(text.encode() if isinstance(text, str) else text)
    try:
        source = load("a.yaml")
    except ConfigError as error:
        return str(error)
    return "\n".join(str(problem) for problem in source.noted)


# Expected values: YAML 1.2.2 specification, section 10.3.2 (core schema tag resolution).
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("1e3", 1000.0),
        ("1.0e3", 1000.0),
        ("-2.5E-3", -0.0025),
        (".5", 0.5),
        ("5.", 5.0),
        ("+7", 7),
        ("0", 0),
        ("0.25", 0.25),
        ("0o17", 15),
        ("0x1F", 31),
        ("true", True),
        ("False", False),
        ("~", None),
        ("null", None),
        ("", None),
        ("no", "no"),
        ("yes", "yes"),
        ("on", "on"),
        ("off", "off"),
        ("y", "y"),
        ("12:30:00", "12:30:00"),
        ("1_000", "1_000"),
        ("0b11", "0b11"),
        ("2027-05-04", "2027-05-04"),
        ("2027-05-04T08:30:00Z", "2027-05-04T08:30:00Z"),
        ("'12'", "12"),
        ('"true"', "true"),
        ("'.nan'", ".nan"),
        ("caf\u00e9", "caf\u00e9"),
        ("[1, [2.5, x], {k: v}]", [1, [2.5, "x"], {"k": "v"}]),
    ],
)
def test_values_follow_the_core_schema(written: str, value: object) -> None:
    got = read(f"a: {written}\n")["a"]
    assert got == value
    assert type(got) is type(value)


def test_marks_lead_to_keys_and_values() -> None:
    Path("a.yaml").write_text("# remark\na:\n  b: [10, {c: 20}]\n  d:\ne: |\n  text\n")
    source = load("a.yaml")
    assert source.path == "a.yaml"
    assert source.data == {"a": {"b": [10, {"c": 20}], "d": None}, "e": "text\n"}
    assert source.marks[()] == (2, 1)
    assert source.keys["a", "b"] == (3, 3)
    assert source.marks["a", "b"] == (3, 6)
    assert source.marks["a", "b", 0] == (3, 7)
    assert source.keys["a", "b", 1, "c"] == (3, 12)
    assert source.marks["a", "b", 1, "c"] == (3, 15)
    assert source.marks["a", "d"] == (4, 3)  # an empty value stands where its key does
    assert source.marks[("e",)] == (5, 4)
    assert str(source.problem(("a", "b", 0), "x")) == "a.yaml:3:7: a.b.0: x"
    assert str(source.problem(("a", "b"), "x", at_key=True)) == "a.yaml:3:3: a.b: x"
    assert str(source.problem(("a", "z", 3), "x")) == "a.yaml:2:1: a.z.3: x"  # nearest parent there is


def test_the_hash_is_of_the_bytes() -> None:
    Path("a.yaml").write_bytes(b"a: 1\n")
    # printf 'a: 1\n' | sha256sum
    assert load("a.yaml").sha256 == "37b128c59f1f5097f73f82691cb519f1f568667faab5ced1b4ab979d36837eae"


def test_a_byte_order_mark_and_windows_line_ends_are_taken() -> None:
    Path("a.yaml").write_bytes(b"\xef\xbb\xbfa: 1\r\nb: x\r\n")
    source = load("a.yaml")
    assert source.data == {"a": 1, "b": "x"}
    assert source.keys[("a",)] == (1, 1)  # the mark is no column
    assert source.marks[("b",)] == (2, 4)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("a: 1\nb: 2\na: 3\n", "a.yaml:3:1: a: duplicate key; it stands already in line 1"),
        ("g:\n  a: 1\n  a: 2\n", "a.yaml:3:3: g.a: duplicate key; it stands already in line 2"),
        ("a: {b: 1, b: 2}\n", "a.yaml:1:11: a.b: duplicate key; it stands already in line 1"),
        ("a:\n\tb: 1\n", "a.yaml:2:1: tab character; indent and separate with spaces"),
        ("a:\t1\n", "a.yaml:1:3: tab character; indent and separate with spaces"),
        ("a: &x 1\n", "a.yaml:1:4: a: anchor &x is not supported; write each value out"),
        ("a: *x\n", "a.yaml:1:4: a: alias *x is not supported; write the value out"),
        ("<<: {a: 1}\n", "a.yaml:1:1: <<: merge key << is not supported; write the keys out"),
        ("a: !!str 3\n", "a.yaml:1:4: a: tag tag:yaml.org,2002:str is not supported; leave it out"),
        ("a: !own 3\n", "a.yaml:1:4: a: tag !own is not supported; leave it out"),
        ("!own k: 3\n", "a.yaml:1:1: k: anchors and tags on keys are not supported; leave them out"),
        ("? [a]\n: 1\n", "a.yaml:1:3: expected a plain name as key"),
        (": 1\n", "a.yaml:1:1: expected a plain name as key"),
        ("- 1\n- 2\n", "a.yaml:1:1: expected a mapping (key: value) at the top, got a list of 2"),
        ("hello\n", "a.yaml:1:1: expected a mapping (key: value) at the top, got 'hello'"),
        ("", "a.yaml:1:1: the file is empty; expected a mapping (key: value) at the top"),
        ("# only a remark\n", "a.yaml:1:1: the file is empty; expected a mapping (key: value) at the top"),
        ("a: 1\n---\nb: 2\n", "a.yaml:2:1: a second document starts here; one file holds one document"),
        ("a: .nan\n", "a.yaml:1:4: a: .nan is not a usable value; write a finite number"),
        ("a: [1, -.inf]\n", "a.yaml:1:8: a.1: -.inf is not a usable value; write a finite number"),
        ("a: 1e999\n", "a.yaml:1:4: a: 1e999 is too large for a number; write a finite number"),
        (
            "a: 010\n",
            "a.yaml:1:4: a: 010 starts with a zero, which YAML 1.1 reads as octal; "
            "write 10, or '010' in quotes if it is text",
        ),
        (
            "a: -007.5\n",
            "a.yaml:1:4: a: -007.5 starts with a zero, which YAML 1.1 reads as octal; "
            "write -7.5, or '-007.5' in quotes if it is text",
        ),
        (
            "a: " + "9" * 5000 + "\n",
            "a.yaml:1:4: a: this number has 5000 characters; write at most 40",
        ),
        (
            'a: "\\ud800"\n',
            "a.yaml:1:4: a: an escape in this text is half a character; write the character itself",
        ),
        (
            "a: 1\nb: c: d\n",
            "a.yaml:2:5: not valid YAML: no ': ' is expected here; put text with a colon in quotes, "
            "and check this line's indentation against the line above",
        ),
        (
            "a: 1\nb: 'open\n",
            "a.yaml:2:4: not valid YAML: the quote that opens here is not closed",
        ),
        (
            "a: 1\nb 2\n",
            "a.yaml:2:1: not valid YAML: expected 'key: value', with a colon and a space behind the key",
        ),
        (
            "a: {b: 1\nc: [2]\nd: 3\n",
            "a.yaml:2:2: not valid YAML: expected ',' or '}' here, "
            "for the '{' that opens in line 1, column 4",
        ),
        (
            "a: 1\nb\x01: 2\n",
            "a.yaml:2:2: not valid YAML: a control character; remove it or save the file as plain text",
        ),
        (b"a: 1\nb: \xff\n", "a.yaml:2:4: byte 0xff is not UTF-8 text; save the file as UTF-8"),
        ("[" * 3000, "a.yaml:1:42: 0.0.0: nested deeper than 40 levels"),
    ],
)
def test_doubtful_form_is_refused_at_its_place(text: str | bytes, expected: str) -> None:
    assert refusal(text) == expected


def test_all_problems_of_form_come_at_once() -> None:
    assert refusal("a: 010\nb: .inf\nb: 1\n").count("\n") == 2


def test_a_missing_file_a_folder_and_a_wrong_name_are_told_apart(folder: Path) -> None:
    for name, expected in [
        ("none.yaml", "none.yaml:1:1: no such file; check the spelling and the folder you are in"),
        (".", ".:1:1: this is a folder; name a YAML file"),
        ("a\0b", "a\0b:1:1: can't be read: embedded null byte"),
    ]:
        with pytest.raises(ConfigError) as caught:
            load(name)
        assert str(caught.value) == expected
        assert caught.value.exit_status == 3


def test_files_beside(folder: Path) -> None:
    (folder / "rigs").mkdir()
    assert beside("rigs/a.yaml", "../vehicles/b.yaml") == "vehicles/b.yaml"
    assert beside("a.yaml", "b.yaml") == "b.yaml"
    assert beside("rigs/a.yaml", "/x/b.yaml") == "/x/b.yaml"
    # A linked folder: its parent is not the folder the link stands in.
    (folder / "far" / "deep").mkdir(parents=True)
    (folder / "far" / "b.yaml").touch()
    (folder / "link").symlink_to("far/deep")
    assert beside("link/a.yaml", "../b.yaml") == "link/../b.yaml"


def test_words() -> None:
    assert key_path(("a", 0, "b")) == "a.0.b"
    assert show("x" * 50) == repr("x" * 37 + "...")
    assert show(True) == "true"


@settings(max_examples=100)
@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_finite_number_survives(number: float) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "n.yaml")
        path.write_text(f"n: {number!r}\n")
        got = load(path).data["n"]
    assert got == number
    assert math.copysign(1.0, got) == math.copysign(1.0, number)


@settings(max_examples=200)
@given(
    st.text(st.sampled_from(list("ab:{}[],&*!|>'\"%@`#-? \n\t<~0.9eé\u0085\u2028\\")), max_size=60)
    | st.binary(max_size=60)
)
def test_no_text_does_worse_than_a_config_error(text: str | bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.yaml")
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        problems = []
        try:
            data = load(path).data
        except ConfigError as error:
            problems = error.problems
        else:
            assert isinstance(data, dict)
        assert all(p.line >= 1 and p.column >= 1 for p in problems)


@pytest.mark.parametrize(
    "text",
    [
        f"# {'x' * YAML.most_bytes}\na: 1\n",
        "- [" * 20_000,
        "a: [" + "0," * 100_000 + "]\n",
        "a: [" + "{}," * 80_000 + "]\n",
        "a: &b 1\n" * 30_000,
        "a: 1\n" * 50_000,
        "a\t\n" * 80_000,
        f"{'k' * 250_000}: 1\n",
        "a: !" + "t" * 250_000 + " 1\n",
        "\n" * 250_000 + "a: *b\n",
    ],
    ids=["comment", "depth", "numbers", "mappings", "anchors", "repeated", "tabs", "key", "tag", "lines"],
)
def test_a_large_file_is_refused_at_once_in_few_words(text: str) -> None:
    began = time.process_time()
    with pytest.raises(ConfigError) as error:
        read(text)
    assert time.process_time() - began < 4.0
    assert 1 <= len(error.value.problems) <= MOST_PROBLEMS + 2
    assert max(len(str(problem)) for problem in error.value.problems) < 700


def test_a_file_may_have_so_many_values_and_no_more() -> None:
    few = MOST_VALUES - 2  # the list and the mapping around it count, too
    assert len(read(f"a: [{'0,' * few}]\n")["a"]) == few  # type: ignore[arg-type]
    assert refusal(f"a: [{'0,' * (few + 1)}]\n").endswith(
        "expected at most 10000 values in a file; make it smaller"
    )


@pytest.mark.parametrize(
    ("name", "good"),
    [
        ("a.yaml", True),
        ("../../../a.yaml", True),
        ("./../x/../../../a.yaml", True),
        ("../../../../a.yaml", False),
        ("x/../../../../../etc/a.yaml", False),
        ("/etc/a.yaml", True),  # said in full
    ],
)
def test_a_relative_name_goes_up_so_far(name: str, good: bool) -> None:
    assert (leads_astray(name) == "") is good
    if not good:
        assert "goes up 3 folders at most, got 4" in leads_astray(name)


def test_a_file_is_named_from_beside_it_unless_that_leads_astray(tmp_path: Path) -> None:
    file = tmp_path / "vehicles" / "bike.yaml"
    for folder, name in (
        ("vehicles", "bike.yaml"),
        ("a/b/c", "../../../vehicles/bike.yaml"),
        ("a/b/c/d", str(file)),
    ):
        assert named_from(tmp_path / folder, file) == name
        assert leads_astray(name) == "" or Path(name).is_absolute()
