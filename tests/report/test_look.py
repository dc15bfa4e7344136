"""Colours: every word and line is read on its ground, and a result has one colour wherever it is told."""

from __future__ import annotations

import re

import pytest

from emulator.report.figures import drawing
from emulator.report.page import asset
from emulator.report.terminal import _STYLE
from tests.support.accessibility import contrast

READ = 4.5
"""Least contrast of text (WCAG 2.1, success criterion 1.4.3, level AA)."""
GROUNDS = ("#ffffff", "#eef1f4", "#f3f5f7")  # paper, what lies around it, code
NOT_READ = {"--rule", "--paper"}


def test_contrast_is_that_of_the_standard() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(
        4.48, abs=0.01
    )  # WebAIM's often quoted pair, from memory
    assert contrast("#d9730d", "#ffffff") < READ  # what bars had white words on


@pytest.mark.parametrize("name", ["INK", "BLUE", "ORANGE", "PURPLE", "GREY", "RED"])
def test_curves_and_their_words_are_read_on_white(name: str) -> None:
    assert contrast(getattr(drawing, name), "#ffffff") >= READ


def test_words_of_pages_are_read_on_their_grounds() -> None:
    for sheet in ("page.css", "campaign.css"):
        text = asset(sheet)
        named = dict(re.findall(r"(--[\w-]+):(#[0-9a-f]{6})\b", text))
        colours = {v for k, v in named.items() if k not in NOT_READ}
        colours |= set(re.findall(r"(?<![\w-])color:(#[0-9a-f]{6})\b", text))
        colours |= set(re.findall(r"text[^{}]*\{fill:(#[0-9a-f]{6})\b", text))
        assert colours or sheet != "page.css"
        for colour in colours:
            assert contrast(colour, "#ffffff") >= READ, (sheet, colour)
    for ground in GROUNDS:
        for colour in ("#1c2430", "#525c69"):
            assert contrast(colour, ground) >= READ


def test_a_result_has_one_colour_on_page_and_terminal() -> None:
    tones = dict(re.findall(r"\.verdict\.(\w+)\{--tone:(#[0-9a-f]{6})", asset("page.css")))
    assert set(tones) == set(_STYLE)
    for result, style in _STYLE.items():
        red, green, blue = (int(tones[result][i : i + 2], 16) for i in (1, 3, 5))
        hue = style.removeprefix("bold").strip()
        expected = {
            "green": green > 1.5 * max(red, blue),
            "red": red > 1.5 * max(green, blue),
            "magenta": min(red, blue) > 1.5 * green,
            "blue": blue > 1.5 * max(red, 1),
            "": max(red, green, blue) < 64,
        }
        assert expected[hue], (result, style, tones[result])
