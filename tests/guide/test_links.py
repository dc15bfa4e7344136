"""Links lead somewhere, and those of the guide stay inside it: it is installed without the repository."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.guide.markdown import GUIDE, PAGES, ROOT, anchors, links, without_code


def names(paths: list[Path]) -> list[str]:
    return [path.relative_to(ROOT).as_posix() for path in paths]


@pytest.mark.parametrize("page", PAGES, ids=names(PAGES))
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in links(page.read_text()):
        target, _, anchor = link.partition("#")
        assert not re.match(r"[a-z]+:|/", target), f"{link}: expected a relative link"
        path = (page.parent / target).resolve() if target else page
        assert path.is_file(), f"{link}: no such file"
        if page.is_relative_to(GUIDE):
            assert path.is_relative_to(GUIDE), f"{link}: leads out of the guide"
        if anchor:
            assert anchor in anchors(path.read_text()), f"{link}: no such heading"


@pytest.mark.parametrize("page", PAGES, ids=names(PAGES))
def test_no_page_has_html(page: Path) -> None:
    assert re.findall(r"</?[a-zA-Z!][^>]*>", without_code(page.read_text())) == []


def test_every_page_of_the_guide_can_be_reached() -> None:
    index = GUIDE / "index.md"
    seen, new = {index}, [index]
    while new:
        page = new.pop()
        for link in links(page.read_text()):
            path = (page.parent / link.partition("#")[0]).resolve()
            if path.suffix == ".md" and path not in seen:
                seen.add(path)
                new.append(path)
    notes = {
        page for page in PAGES if page.parent == GUIDE / "changes"
    }  # read one after the other: make changes
    assert {page for page in PAGES if page.is_relative_to(GUIDE)} - seen - notes == set()


FILE = re.compile(r"`((?:emulator|tests|scenarios|\.ci)/[^`\s]*)`")


def test_every_file_that_is_named_is_there() -> None:
    missing = {
        f"{page.relative_to(ROOT)}: {name}"
        for page in PAGES
        for name in FILE.findall(page.read_text())
        if not (ROOT / name.partition("::")[0]).exists()
    }
    assert missing == set()


def test_every_test_that_is_named_is_there() -> None:
    named = {(name, page) for page in PAGES for name in FILE.findall(page.read_text()) if "::" in name}
    missing = set()
    for name, page in named:
        file, _, test = name.partition("::")
        if not re.search(rf"^\s*(async )?def {re.escape(test)}\(", (ROOT / file).read_text(), re.MULTILINE):
            missing.add(f"{page.relative_to(ROOT)}: {name}")
    assert missing == set()
