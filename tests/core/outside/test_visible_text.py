"""Characters that steer what shows them: which those are is asked of Unicode's own tables."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator

from hypothesis import given
from hypothesis import strategies as st

from emulator.core.outside.visible_text import visible

# Bidi_Control by PropList.txt of Unicode 15: those of an explicit direction, by their class in Python's
# tables, and the three marks, which have the class of a letter
DIRECTION = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
MARKS = "\u061c\u200e\u200f"


def every_character() -> Iterator[str]:
    return map(chr, range(0x110000))


def test_every_control_and_direction_is_shown_as_its_escape() -> None:
    steering = [
        c
        for c in every_character()
        if (unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") and c not in "\t\n")
        or unicodedata.bidirectional(c) in DIRECTION
        or c in MARKS
    ]
    assert len(steering) == 65 - 2 + 2048 + 2 + 9 + 3
    for c in steering:
        shown = visible(c)
        assert shown.isascii()
        assert shown.isprintable()
        assert shown.startswith("\\")


def test_words_of_every_language_stay_as_they_are() -> None:
    for text in ("Grip 0,4 bei 12 °C", "左コーナー", "שלום", "ñandú\t1\n2", "🏍️", "\\x1b", ""):
        assert visible(text) == text
    shown = "".join(c for c in every_character() if unicodedata.category(c)[0] in "LNPSM" or c == " ")
    assert visible(shown) == shown


def test_examples() -> None:
    assert visible("a\x1b[2Jb\rc\x9bd") == r"a\x1b[2Jb\rc\x9bd"
    assert visible("on\u202eno") == r"on\u202eno"


@given(st.text(st.characters()))
def test_what_is_shown_once_is_shown_the_same_again(text: str) -> None:
    assert visible(visible(text)) == visible(text)
