"""Runs, configuration and guide as pages: all that is there, and nothing outside."""

from __future__ import annotations

from pathlib import Path

from emulator.console.pages import Pages
from tests.guide.markdown import PAGES as GUIDE_PAGES
from tests.support.live_page import MANIFEST
from tests.support.stored_runs import unpack_runs


def test_runs_have_their_reports_and_nothing_else_has_an_address(tmp_path: Path) -> None:
    stored = unpack_runs(tmp_path / "stored")
    pages = Pages([stored])
    listed = pages.runs()
    assert "bench" in listed
    assert "virtual" in listed
    (stored / "bench" / "report.html").write_text("<p>a report</p>")
    assert pages.report("bench", "report.html") == b"<p>a report</p>"
    for run, page in (
        ("..", "x.html"),
        ("bench", "../virtual/manifest.json"),
        ("bench", "manifest.json"),
        ("", ""),
    ):
        assert pages.report(run, page) is None


def test_a_run_without_a_verdict_says_so(tmp_path: Path) -> None:
    (tmp_path / "half").mkdir()
    (tmp_path / "half" / "manifest.json").write_text("{}")
    shown = Pages([tmp_path]).runs()
    assert "NO VERDICT" in shown
    assert "half" in shown


def test_a_campaign_has_its_pages_too_and_other_folders_are_left_out(tmp_path: Path) -> None:
    (tmp_path / "night").mkdir()
    (tmp_path / "night" / "morning.html").write_text("<p>a night</p>")
    (tmp_path / "notes").mkdir()
    pages = Pages([tmp_path])
    assert "MANY RUNS" in pages.runs()
    assert "notes" not in pages.runs()
    assert pages.report("night", "morning.html") == b"<p>a night</p>"


def test_what_was_loaded_is_shown_as_text(tmp_path: Path) -> None:
    hostile = MANIFEST | {"rig": {"name": "<script>alert(1)</script>"}}
    shown = Pages([tmp_path], hostile).configuration()
    assert "made-up lap" in shown
    assert "<script>alert" not in shown
    assert "&lt;script&gt;alert" in shown


def test_every_page_of_the_guide_is_shown(tmp_path: Path) -> None:
    pages = Pages([tmp_path])
    for page in GUIDE_PAGES:
        if page.parent.name == "guide":
            found = pages.guide(page.name)
            assert found is not None, page
            content, kind = found
            assert kind == "text/html"
            assert b"<h1>" in content
    index, _ = pages.guide("") or (b"", "")
    assert b'href="bench.md"' in index
    assert pages.guide("report.png") is not None
    assert pages.guide("../pyproject.toml") is None
