"""What a comparison shows: figures by their headings, nothing from elsewhere, nobody accused by chance."""

import io
import json
import math
import re

import pytest
from rich.console import Console

from emulator.inspection.comparison.page import (
    comparison_html,
    console_tables,
    follow_words,
    headline,
    said_rows,
    write_comparison,
)
from emulator.track.comparison.misfit import ChiSquare, Fitted
from tests.support.planted_record import laid_beside


@pytest.fixture(scope="module")
def compared():
    return laid_beside()


@pytest.fixture(scope="module")
def page(compared):
    return comparison_html(compared)


def test_the_headline_says_how_many_times_noise_and_what_would_explain_it(compared):
    said = compared.said
    assert said.told_apart
    assert f"{said.times_noise:.1f} times what noise explains" in headline(compared)
    assert said.explained[0].name in headline(compared)


def test_nothing_is_laid_to_a_number_of_the_bike_by_chance(compared):
    true = compared.said._replace(size=ChiSquare(300.0, 310, 0.7), white=ChiSquare(9.0, 10, 0.5))
    calm = compared._replace(said=true)
    assert "can't be told apart" in headline(calm)
    assert true.explained[0].name not in headline(calm)
    assert "the bike has more of it" not in comparison_html(calm)
    assert "What would explain it" not in _printed(calm)


def test_a_record_without_noise_is_not_judged_by_chance(compared):
    silent = compared.said._replace(noisy=False)
    assert "good sensors" in headline(compared._replace(said=silent))
    assert not any("Ljung-Box" in cell for row in said_rows(silent) for cell in row)


def test_every_figure_has_its_place_and_every_place_its_figure(page):
    places = set(re.findall(r'class="figure" id="([^"]+)"', page))
    carried = json.loads(re.search(r'id="figures">(.*?)</script>', page, re.DOTALL)[1])
    assert places == set(carried["figures"])
    assert {"where", "growth-roll", "turn-0", "beside-0"} <= places


def test_the_page_needs_nothing_else_and_escapes_names(page):
    assert not re.search(r'(?:src|href)="(?!#)', page)
    assert "made &lt;up&gt;" in page
    assert "made <up>" not in page


def test_what_was_not_had_is_not_shown(compared):
    bare = compared._replace(
        found=None, said=None, closed=None, panels=(), turns=(), follows=(None, None), other=""
    )
    page = comparison_html(bare)
    assert "No short predictions could be made" in page
    assert "Beside" not in page
    assert "a remark" in page
    assert follow_words(bare) == ""


def _printed(compared):
    console = Console(width=120, record=True, file=io.StringIO())
    console.print(console_tables(compared))
    return console.export_text()


def test_the_terminal_says_the_same(compared):
    said = _printed(compared)
    assert "Short predictions" in said
    assert "torque offset" in said
    assert "Beside virtual ride" in said


def test_it_is_written_where_it_is_asked_for(compared, tmp_path):
    write_comparison(compared, tmp_path / "page.html")
    assert (tmp_path / "page.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def _told(said, name):
    return next(words for row, words in said_rows(said) if row == name)


def test_an_offset_is_told_only_where_its_interval_leaves_zero_out(compared):
    """Half of a 95 % interval is 1.96 standard deviations."""
    said = compared.said
    for value, sigma, words in (
        (0.1, 0.05, "+0.100 N m, known to 0.098 N m (95 %): the bike felt so much more than was recorded"),
        (-0.1, 0.05, "-0.100 N m, known to 0.098 N m (95 %): the bike felt so much less than was recorded"),
        (0.097, 0.05, "no offset proven: below 0.195 N m either way (95 %)"),
        (-0.02, 0.01, "-0.020 N m, known to 0.020 N m (95 %): the bike felt so much less than was recorded"),
        (0.0, math.inf, "the record tells no offset"),
    ):
        assert _told(said._replace(offset=Fitted(value, sigma)), "torque offset") == words
    gain = Fitted(-0.01, 0.01)
    assert _told(said._replace(gain=gain), "torque gain") == "no gain proven: below 2.96 % either way (95 %)"
