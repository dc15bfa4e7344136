"""A page as plain values: sections of sentences, lists, tables and code, for HTML and Markdown alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias


@dataclass(frozen=True)
class Sentences:
    """A paragraph."""

    text: str
    kind: Literal["sentences"] = "sentences"


@dataclass(frozen=True)
class Items:
    """A list; ``numbered`` where the order matters."""

    items: Sequence[str]
    numbered: bool = False
    kind: Literal["items"] = "items"


@dataclass(frozen=True)
class Table:
    """A table of words; on a narrow screen its cells stand under one another with their heads."""

    heads: Sequence[str]
    rows: Sequence[Sequence[str]]
    kind: Literal["table"] = "table"


@dataclass(frozen=True)
class Code:
    """Lines as they are, with what they are."""

    words: str
    text: str
    kind: Literal["code"] = "code"


@dataclass(frozen=True)
class Heading:
    """Of a part of a section."""

    text: str
    kind: Literal["heading"] = "heading"


@dataclass(frozen=True)
class Pictures:
    """The views of :mod:`emulator.inspection.interface.page.views`, side by side."""

    kind: Literal["pictures"] = "pictures"


Block: TypeAlias = Sentences | Items | Table | Code | Heading | Pictures


@dataclass(frozen=True)
class Section:
    """A part of the page under its own heading."""

    title: str
    blocks: Sequence[Block]


def number(value: float | None, digits: int = 6) -> str:
    """A number as it is read: so many digits, no noise of floating point; a dash for none."""
    return "–" if value is None else f"{value + 0.0:.{digits}g}"
