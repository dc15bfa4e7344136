"""The page of printed figures: its rows, the phrases they begin with, which printed numbers those name."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import NamedTuple

from tests.guide.markdown import ROOT
from tests.guide.printed_numbers import Printed, begins_with


class Phrase(NamedTuple):
    """How a page names numbers: ``Table · column``, ``Figure · curve``, an axis, or words of a sentence."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where} · {self.what}" if self.where else self.what

    def places_in(self, printed: Printed) -> frozenset[int]:
        """Which numbers of it are meant."""
        if self.where:
            meant = begins_with(printed.where, self.where) and begins_with(printed.what, self.what)
            return printed.places if printed.where and meant else frozenset()
        if printed.where:
            return printed.places if printed.what == self.what else frozenset()
        found: set[int] = set()
        at = printed.what.find(self.what)
        while at >= 0:
            found |= {place for place in printed.places if at <= place < at + len(self.what)}
            at = printed.what.find(self.what, at + 1)
        return frozenset(found)


def phrases(code: str) -> list[Phrase]:
    """What stands between backquotes: one phrase, or of one table or figure several, set apart by commas."""
    where, mark, what = code.partition(" · ")
    return [Phrase(where, part) for part in what.split(", ")] if mark else [Phrase("", code)]


class Row(NamedTuple):
    """A row of the page: under which heading, its phrases, and the cells behind them."""

    heading: str
    phrases: tuple[Phrase, ...]
    cells: tuple[str, ...]


def rows_of(page: str) -> list[Row]:
    """Rows of all tables of a page in Markdown that begin with a phrase."""
    found, heading = [], ""
    for line in page.splitlines():
        if line.startswith("## "):
            heading = line.removeprefix("## ")
        elif line.startswith("| `"):
            first, *rest = (cell.strip() for cell in line.strip().strip("|").split("|"))
            named = (phrase for code in re.findall(r"`([^`]+)`", first) for phrase in phrases(code))
            found.append(Row(heading, tuple(named), tuple(rest)))
    return found


def without_a_row(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """What is printed and no row of its section names; ``of``: sections by heading."""
    rows = list(rows)
    missing = set()
    for one in set(printed):
        named = {
            place
            for row in rows
            if one.section in of[row.heading]
            for phrase in row.phrases
            for place in phrase.places_in(one)
        }
        if named != one.places:
            text = (
                one.what
                if one.where
                else "".join("<#>" if i in one.places - named else c for i, c in enumerate(one.what))
            )
            missing.add(f"{one.section}: {one.where} · {text}" if one.where else f"{one.section}: {text}")
    return sorted(missing)


def named_twice(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Numbers that two rows name: one of their phrases is not specific enough."""
    rows = list(rows)
    twice = set()
    for one in set(printed):
        seen: dict[int, Phrase] = {}
        for row in rows:
            if one.section not in of[row.heading]:
                continue
            here = {place: phrase for phrase in row.phrases for place in phrase.places_in(one)}
            twice |= {f"`{seen[p]}` and `{here[p]}`: {one}" for p in seen.keys() & here.keys()}
            seen |= here
    return sorted(twice)


def naming_nothing(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Phrases by which nothing is printed (any more) in their section."""
    by_section: dict[str, list[Printed]] = {}
    for one in set(printed):
        by_section.setdefault(one.section, []).append(one)
    return [
        str(phrase)
        for row in rows
        for phrase in row.phrases
        if not any(phrase.places_in(one) for s in of[row.heading] for one in by_section.get(s, ()))
    ]


def naming_elsewhere(printed: Iterable[Printed], rows: Iterable[Row], of: dict[str, set[str]]) -> list[str]:
    """Phrases that would name numbers of other sections, too: too short to be one meaning's.

    A section that has a longer phrase of its own for them is another meaning's place, and found first.
    """
    rows, printed = list(rows), set(printed)

    def longer(phrase: Phrase, one: Printed) -> bool:
        own = (p for row in rows if one.section in of[row.heading] for p in row.phrases)
        return any(str(phrase) in str(p) != str(phrase) and p.places_in(one) for p in own)

    return [
        f"`{phrase}`: {one.section}: {one}"
        for row in rows
        for phrase in row.phrases
        for one in printed
        if one.section not in of[row.heading] and phrase.places_in(one) and not longer(phrase, one)
    ]


def unconfirmed(rows: Iterable[Row]) -> list[Row]:
    """Rows that neither name tests that are there, and how closely, nor say that nothing confirms them.

    rows  with three cells: what it is, what confirms it, how closely
    """
    return [row for row in rows if not _confirmed(*row.cells)]


def _confirmed(what: str, confirmed: str, how_closely: str) -> bool:
    if confirmed.startswith("not confirmed:"):
        return bool(what)
    named = re.findall(r"`(tests/[^`]+\.py)::(\w+)`", confirmed)
    there = all(f"def {test}(" in (ROOT / file).read_text() for file, test in named)
    return bool(what and named and how_closely and there)
