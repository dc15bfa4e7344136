"""What is plain is read as the whole of YAML is; what is not is left alone."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.config.plain_yaml import Plain, read_plain
from emulator.config.yaml_source import DEEPEST, MOST_VALUES
from emulator.config.yaml_values import Builder
from tests.support.broken_scenarios import WHOLE

SHIPPED = sorted((Path(__file__).parents[2] / "scenarios").rglob("*.yaml"))


def in_full(text: str) -> Plain | None:
    """By the reader of all of YAML; None: something is wrong."""
    builder = Builder("a.yaml")
    data = builder.document(text)
    return None if builder.problems or builder.repeated else Plain(data, builder.marks, builder.keys)


def exactly(plain: Plain | None) -> str:
    """With types, and the order of what is in it."""
    return repr(plain)


def test_every_shipped_file_is_plain_and_read_as_in_full() -> None:
    for path in SHIPPED:
        text = path.read_text()
        assert read_plain(text) is not None, path
        assert exactly(read_plain(text)) == exactly(in_full(text)), path


@pytest.mark.parametrize(
    "text",
    [
        "",
        "# only a remark\n",
        "- 1\n",
        "hello\n",
        " a: 1\n",  # right, but not from the margin
        "a: 1\na: 2\n",
        "a: {b: 1, b: 2}\n",
        "a: b: c\n",
        "a: 1\n  b: 2\n",
        "a:\n  b: 1\n c: 2\n",
        "a:\n- 1\n",  # right, but not indented
        "a: text that\n  goes on\n",
        "a: 'text' and more\n",
        "a: 'it''s'\n",
        'a: "a\\tb"\n',
        "a: |\n  text\n",
        "a: [1, 2\n",
        "a: [1, 2,]\n",
        "a: [1 2, b: c]\n",
        "a: [1] 2\n",
        "a: {b}\n",
        "a: {b:1}\n",
        "a: &x 1\n",
        "a: *x\n",
        "a: !!str 1\n",
        "<<: {a: 1}\n",
        "? a\n: 1\n",
        "a: 010\n",
        "a: .nan\n",
        "a: 1e999\n",
        "a: " + "9" * 41 + "\n",
        "a: 1\n---\nb: 2\n",
        "a: 1\n...\n",
        "%YAML 1.2\n---\na: 1\n",
        "a: 1\r\n",
        "a: x\u2028b: 1\n",
        "a: x\x85\n",
        "a: [" + "0," * MOST_VALUES + "0]\n",
        "a: " + "[" * (DEEPEST + 1) + "]" * (DEEPEST + 1) + "\n",
    ],
)
def test_what_is_not_plain_or_wrong_is_left_alone(text: str) -> None:
    assert read_plain(text) is None


@pytest.mark.parametrize(
    "text",
    [
        "a: 1",
        "a:",
        "a: # nothing\nb: ~\n",
        "a:\n  # remark\n\n  b: 1 # remark\n# remark\n  c: x y, [z] # remark",
        "a:\n  - 1\n  - b: 2\n    c:\n      - [1, {d: e f}]\n  - {g: 'h, i',\n  # remark\n j: \"k\"} # l\n",
        "a: 12:30:00\nb: no\nc: -2.5E-3\nd: 0x1F\ne: ''\nf: 3 kg\ng: m/s²\nh: -.5\ni: 1e3\nj: ../x.yaml\n",
        "a: []\nb: {}\nc: [ ]\nd: [{}, []]\n",
        "a:\n  b:\n    c:\nd:\n  e:",
    ],
)
def test_of_what_is_plain_all_comes_out_as_in_full(text: str) -> None:
    assert read_plain(text) is not None
    assert exactly(read_plain(text)) == exactly(in_full(text))


PARTS = st.sampled_from(
    [
        *(
            "a",
            "b",
            "key",
            "1",
            "-1.5",
            "010",
            "no",
            "null",
            "12:30",
            "x y",
            "m²",
            "~",
            ".",
            "..",
            "---",
            "=",
        ),
        *(": ", ":", ",", ", ", "[", "]", "{", "}", "- ", "-", "#", " # ", "'", '"', "\\", "&", "*", "!"),
        *("|", ">", "%", "@", "?", "? ", "`", " ", "  ", "\n", "\n", "\n", "\n  ", "\n    ", "\n  - "),
        *("a: ", "b: ", "\nc: ", "\n  d: ", "{a: ", "[1, ", "a:\n  ", "e: 'f'\n", "\n# r\n", "<<: "),
        *("\u00a0", "\u2028"),
    ]
)


@given(st.lists(PARTS, min_size=1, max_size=14).map("".join))
def test_whatever_is_taken_for_plain_is_read_as_in_full(text: str) -> None:
    plain = read_plain(text)
    if plain is not None:
        assert exactly(plain) == exactly(in_full(text))


def test_a_file_with_any_letters_changed_is_read_as_in_full_or_left_alone() -> None:
    """Of a thousand such files those that are still plain, by one in twenty."""
    rng, taken = random.Random(5), 0
    for number in range(1000):
        text = WHOLE
        for _ in range(rng.randint(1, 3)):
            begin = rng.randrange(len(text))
            put = "".join(rng.choices("{}[]:,-#&*!|>'\"%? \n az09._", k=rng.randint(0, 3)))
            text = text[:begin] + put + text[begin + rng.randint(0, 4) :]
        plain = read_plain(text)
        taken += plain is not None
        if plain is not None and number % 20 == 0:
            assert exactly(plain) == exactly(in_full(text)), text
    assert 100 < taken < 900
