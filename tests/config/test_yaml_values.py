"""What libyaml reads is what ruamel.yaml reads, or it is left to that."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from emulator.config import yaml_values
from emulator.config.yaml_values import DEEPEST, MOST_VALUES, Builder, read, read_in_full
from tests.support.broken_scenarios import WHOLE

SHIPPED = sorted((Path(__file__).parents[2] / "scenarios").rglob("*.yaml"))


def exactly(found: Builder) -> str:
    """With types, places and the order of what is in it."""
    return repr((found.data, found.marks, found.keys, found.problems, found.repeated))


def left_to_the_other(text: str, monkeypatch: pytest.MonkeyPatch) -> bool:
    """Whether a text is read in full."""
    asked = []

    def in_full(name: str, text: str) -> Builder:
        asked.append(name)
        return read_in_full(name, text)

    with monkeypatch.context() as patched:
        patched.setattr(yaml_values, "read_in_full", in_full)
        read("a.yaml", text)
    return bool(asked)


def test_shipped_files_are_read_by_libyaml_as_in_full(monkeypatch: pytest.MonkeyPatch) -> None:
    for path in SHIPPED:
        text = path.read_text()
        assert not left_to_the_other(text, monkeypatch), path
        assert exactly(read("a.yaml", text)) == exactly(read_in_full("a.yaml", text)), path


@pytest.mark.parametrize(
    "text",
    [
        "",
        "- 1\n",
        "a: 1\na: 2\n",
        "a: b: c\n",
        "a: 1\n  b: 2\n",
        "a: [1, 2\n",
        "a: &x 1\n",
        "a: *x\n",
        "a: !!str 1\n",
        "<<: {a: 1}\n",
        "a: 010\n",
        "a: .nan\n",
        "a: 1e999\n",
        "a: " + "9" * 41 + "\n",
        "a: 1\n---\nb: 2\n",
        "a: [" + "0," * MOST_VALUES + "0]\n",
        "a: " + "[" * (DEEPEST + 1) + "]" * (DEEPEST + 1) + "\n",
        # what the two take differently
        "a: x\u2028b: 1\n",
        "a: x\x85\n",
        "no\t: 1\n",
    ],
)
def test_what_is_wrong_or_doubtful_is_read_in_full(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    assert left_to_the_other(text, monkeypatch)
    assert exactly(read("a.yaml", text)) == exactly(read_in_full("a.yaml", text))


@pytest.mark.parametrize(
    "text",
    [
        "a:",
        "a: # nothing\nb: ~\n",
        "a:\n  # remark\n\n  b: 1 # remark\n# remark\n  c: x y, [z] # remark",
        "a:\n- 1\n- b: 2\n  c:\n    - [1, {d: e f}]\n- {g: 'h, i',\n  # remark\n j: \"k\\n\"} # l\n",
        "a: 12:30:00\nb: no\nc: -2.5E-3\nd: 0x1F\ne: ''\nf: 3 kg\ng: m/s²\nh: -.5\ni: 1e3\nj: ../x.yaml\n",
        "a: []\nb: {}\nc: [ ]\nd: [{}, []]\n",
        "? a\n: text that\n  goes on\nb: |\n  kept\n  as it is\nc: >-\n  folded\n  text\nd: 'it''s'\n",
        "---\na: 1\n...\n",
        "a: '\U0001f3cd'\nb: {\U0001f3cd: 1}\n",
    ],
)
def test_what_is_right_is_read_by_libyaml_as_in_full(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    assert not left_to_the_other(text, monkeypatch)
    assert exactly(read("a.yaml", text)) == exactly(read_in_full("a.yaml", text))


PARTS = st.sampled_from(
    [
        *("a", "b", "key", "1", "-1.5", "010", "no", "null", "12:30", "x y", "m²", "~", ".", "..", "---"),
        *(
            ": ",
            ":",
            ",",
            ", ",
            "[",
            "]",
            "{",
            "}",
            "- ",
            "-",
            "#",
            " # ",
            "'",
            '"',
            "\\",
            "&",
            "*",
            "!",
            "=",
        ),
        *("|", ">", "%", "@", "?", "? ", "`", " ", "  ", "\n", "\n", "\n", "\n  ", "\n    ", "\n  - "),
        *("a: ", "b: ", "\nc: ", "\n  d: ", "{a: ", "[1, ", "a:\n  ", "e: 'f'\n", "\n# r\n", "<<: "),
        *("\u00a0", "\u2028", "\t", "\r"),
    ]
)


@given(st.lists(PARTS, min_size=1, max_size=14).map("".join))
def test_any_text_is_read_as_in_full(text: str) -> None:
    assert exactly(read("a.yaml", text)) == exactly(read_in_full("a.yaml", text))


def test_a_file_with_some_letters_changed_is_read_as_in_full() -> None:
    dice, part = random.Random(5), WHOLE[: WHOLE.index("\n", 600)]
    for _ in range(200):
        text = part
        for _ in range(dice.randint(1, 3)):
            begin = dice.randrange(len(text))
            put = "".join(dice.choices("{}[]:,-#&*!|>'\"%? \n az09._", k=dice.randint(0, 3)))
            text = text[:begin] + put + text[begin + dice.randint(0, 4) :]
        assert exactly(read("a.yaml", text)) == exactly(read_in_full("a.yaml", text)), text
