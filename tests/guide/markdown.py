"""Markdown as the tests of the documents read it: prose, code blocks, links, headings."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
GUIDE = ROOT / "emulator" / "guide"
README, DEVELOPERS = ROOT / "README.md", ROOT / "DEVELOPERS.md"
PAGES = sorted([README, DEVELOPERS, *GUIDE.rglob("*.md")])

_BLOCK = re.compile(r"^```(\w*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")


def blocks(text: str, language: str = "") -> list[str]:
    """Fenced blocks of a language; '' for those that name none."""
    return [block for name, block in _BLOCK.findall(text) if name == language]


def without_code(text: str) -> str:
    """The text without its fenced blocks and without what stands in backquotes."""
    return re.sub(r"`[^`\n]*`", "code", _BLOCK.sub("", text))


def links(text: str) -> list[str]:
    """Targets of all links and pictures outside code."""
    return _LINK.findall(without_code(text))


def anchors(text: str) -> set[str]:
    """What `page.md#...` may name: headings in small letters, spaces as hyphens, other marks left out."""
    headings = re.findall(r"^#+ (.*)$", _BLOCK.sub("", text), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def sentences(text: str) -> list[str]:
    """Sentences of the prose: paragraphs, quotes and list items; no headings, tables, pictures or code.

    A sentence ends with . ! or ? before a space or the paragraph's end, or with its paragraph. A colon or a
    semicolon ends none, so a long sentence can't be made short by them. A link counts as its words.
    """
    text = re.sub(r"!\[[^\]]*\]\([^)]*\)", "", without_code(text))
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    found: list[str] = []
    for part in re.split(r"\n\s*\n|\n(?=\s*(?:[-*]|\d+\.) )", text):
        if part.lstrip().startswith(("#", "|")):
            continue
        plain = " ".join(re.sub(r"^\s*(?:>|[-*] |\d+\. )", "", line).strip() for line in part.splitlines())
        found += [s for s in re.split(r"(?<=[.!?])[*_)]*\s+", plain.strip()) if s]
    return found


def words(sentence: str) -> int:
    """Words of a sentence: what has a letter or a digit in it."""
    return sum(any(c.isalnum() for c in word) for word in sentence.split())
