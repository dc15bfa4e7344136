"""Pages: HTML is in templates only, whatever is written there is escaped, and only who writes one waits."""

from __future__ import annotations

import ast
import json
import math
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from jinja2 import UndefinedError

from emulator.core.outside.visible_text import visible
from emulator.record.reader import Event, Run, read_run
from emulator.record.writer import RunWriter
from emulator.report.page import Cell, asset, environment, page_html
from emulator.report.run_report import report_html
from emulator.report.sections import FOLDED_FROM
from tests.support.html_page import Page

PACKAGE = Path(__file__).parents[2] / "emulator"
ELEMENTS = (
    "a|article|aside|b|body|br|button|canvas|caption|code|col|dd|details|dialog|div|dl|dt|em|fieldset|figcaption|"
    "figure|footer|form|h[1-6]|head|header|hr|html|i|iframe|img|input|label|legend|li|link|main|meta|nav|"
    "noscript|object|ol|option|p|pre|script|section|select|small|span|strong|style|sub|summary|sup|svg|table|"
    "tbody|td|template|textarea|tfoot|th|thead|title|tr|u|ul|video"
)
# The last: a tag whose attributes come after a part that is put in.
TAG = re.compile(rf"<!doctype|</?(?:{ELEMENTS})(?:[\s/][^<>]*)?>|<(?:{ELEMENTS})\s[\w-]+=", re.IGNORECASE)


def tags_in(source: str) -> Iterator[tuple[int, str]]:
    """(line, tag) of every string literal with an HTML tag in it; docstrings are prose."""
    prose = set()
    for node in ast.walk(ast.parse(source)):  # an expression comes before what it is made of
        if isinstance(node, ast.Expr):
            prose.add(id(node.value))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str | bytes) and id(node) not in prose:
            text = node.value if isinstance(node.value, str) else node.value.decode("latin-1")
            if "<" in text and (found := TAG.search(text)):
                yield node.lineno, found[0]


def test_no_html_is_written_in_python() -> None:
    found = [
        f"{path.relative_to(PACKAGE)}:{line}: {tag}"
        for path in sorted(PACKAGE.rglob("*.py"))
        for line, tag in tags_in(path.read_text(encoding="utf-8"))
    ]
    assert not found, "HTML belongs into emulator/report/templates"


@pytest.mark.parametrize(
    ("source", "seen"),
    [
        ('x = "<p>words</p>"', True),
        ("x = f\"<div class='{kind}'>{words}\"", True),
        ('x = "the end</section>"', True),
        ('x = b"<br/>"', True),
        ('x = f"<h2>{words}"', True),
        ('"""A docstring may say <b>."""', False),
        ('x = struct.Struct("<i")', False),
        ('x = b"< send >"', False),
        ('x = "a < b and c > d"', False),
    ],
)
def test_html_in_python_would_be_seen(source: str, seen: bool) -> None:
    assert bool(list(tags_in(source))) == seen


def test_only_who_writes_a_page_waits_for_the_engine() -> None:
    code = (
        "import sys, emulator.report.run_report, emulator.inspection.sensors.page\n"
        "import emulator.inspection.stability.page\n"
        "print([m for m in ('jinja2', 'markupsafe') if m in sys.modules])"
    )
    result = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert result.stdout == "[]\n"


@pytest.mark.parametrize(
    ("name", "end"),
    [("page.css", "</style"), ("page.js", "</script"), ("figures.js", "</script"), ("strips.js", "</script")],
)
def test_an_asset_does_not_end_its_own_element(name: str, end: str) -> None:
    text = asset(name).lower()
    assert text.strip()
    assert end not in text
    assert "<!--" not in text  # would let a script element go on behind its end


def test_a_page_without_figures_carries_nothing_that_draws() -> None:
    page = Page(page_html("page.html", "Morning <page>", {}))
    assert page.text.startswith("Morning <page> ")
    assert page.ids == []
    assert "".join(page.scripts).strip() == asset("page.js").strip()


def test_what_a_template_names_has_to_be_there() -> None:
    with pytest.raises(UndefinedError, match="rig"):
        page_html("sensors.html", "Sensors", {})


def table_of(heads: list[str], rows: list[list[str | Cell]], **options: object) -> str:
    parts = environment().get_template("parts.html").module
    return " ".join(str(parts.table(heads, rows, **options)).split())  # type: ignore[attr-defined]


def test_a_table_says_its_heads_again_at_every_cell() -> None:
    text = table_of(["name", "worst\nage"], [["a<b", "1.0"]], kind="wide cards", numbers_from=1)
    assert '<table class="wide cards">' in text
    assert '<th scope="col">name</th> <th class="num" scope="col">worst<br>age</th>' in text
    assert '<td data-head="name">a&lt;b</td> <td class="num" data-head="worst age">1.0</td>' in text


def test_cells_stand_out_or_are_code() -> None:
    text = table_of(["a", "b", "c"], [[Cell("n<", strong="C1"), Cell(strong="no"), Cell("9c", code=True)]])
    assert ">C1</strong> n&lt;</td>" in text
    assert "><strong>no</strong></td>" in text
    assert "><code>9c</code></td>" in text


def test_a_cell_without_a_head_is_refused() -> None:
    with pytest.raises(UndefinedError):
        table_of(["a"], [["1", "2"]])


# -- names ---------------------------------------------------------------------------------------------------

PIECES = (
    "</script><b>", "<!--<script>", "</title>", "</style>", "<img src=x onerror=alert(1)>", "]]>",
    "&lt;b&gt;", "&", '"', "'", "{{ 7 * 7 }}", "{% raw %}", "{#", "\u2028", "%{x}",
)  # fmt: skip
NAMES = (
    st.lists(st.sampled_from(PIECES) | st.text(max_size=8), min_size=1, max_size=4).map("".join).filter(bool)
)


@pytest.fixture(scope="module")
def empty_run(tmp_path_factory: pytest.TempPathFactory) -> Run:
    folder = tmp_path_factory.mktemp("empty") / "run"
    RunWriter(folder, {}).close()
    return read_run(folder)


def named(run: Run, name: str, other: str) -> Run:
    """A run with these names wherever a file of a user's, or a robot, can put one."""
    frame = {"name": name, "can_id": 256, "bits": 135, "worst_ms": 3.0, "deadline_ms": 2.0, "in_time": False}
    manifest = {
        "scenario": {"name": name, "events": [{"name": name, "kind": other}]},
        "rig": {"name": other},
        "robot": name,
        "stage": "virtual",
        "given": {"rig": name, "scenario": other},
        "files": {name: other},
        "code": {other: name},
        "parameters": {name: other},
        "bus_budget": {"bit_rate": 500_000, "load": 0.5, "frames": [frame]},
        "own": {name: [other]},
    }
    criterion = {
        "name": name, "kind": "no_fall", "passed": False, "margin": None, "unit": "1", "worst_time_s": None,
        "worst_station_m": None, "sentence": other,
    }  # fmt: skip
    verdict = {
        "result": "fail", "reasons": [name, other], "criteria": [criterion], "expectation": f"for {name}",
    }  # fmt: skip
    certificate = {"outputs": {name: {"rate_hz": 100, "sent": 7}}}
    events = [Event(0, 0.0, "mark", name, other), Event(1, 0.001, "fall", other, name)]
    events += [Event(2, 0.002, f"kind {other}", name, name)] * FOLDED_FROM
    return replace(
        run, manifest=manifest, verdict=verdict, certificate=certificate, events=events, losses=[name]
    )


@pytest.fixture(scope="module")
def plain_tags(empty_run: Run) -> list[str]:
    return Page(report_html(named(empty_run, "one", "other"))).tags


@settings(max_examples=40)
@given(NAMES, NAMES)
def test_no_name_makes_an_element_or_ends_one(
    empty_run: Run, plain_tags: list[str], name: str, other: str
) -> None:
    assume(name != other)  # or events would be of one name, and more of them drawn as bands
    page = Page(report_html(named(empty_run, name, other)))
    assert page.tags == plain_tags
    assert "<" not in page.scripts[0]
    assert "bus" in json.loads(page.scripts[0])["figures"]
    words = "".join(page.words)
    assert words.count(visible(name)) >= 10
    assert words.count(visible(other)) >= 5


def test_numbers_that_are_none_are_left_out_of_a_figure() -> None:
    figure = {
        "curves": [{"x": [1.0, math.nan], "y": (math.inf, 2.0)}],
        "x": {"range": [0, -math.inf]},
    }
    page = environment().from_string("{{ figure | tojson }}").render(figure=figure)
    assert json.loads(page) == {
        "curves": [{"x": [1.0, None], "y": [None, 2.0]}],
        "x": {"range": [0, None]},
    }
