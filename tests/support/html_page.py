"""What a reader finds on a page, without a browser."""

from __future__ import annotations

from html.parser import HTMLParser


class Page(HTMLParser):
    """Collects visible words, element ids and every address the page refers to."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.ids: list[str] = []
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.scripts: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name == "id" and value:
                self.ids.append(value)
            if name in ("src", "href", "srcset", "action", "data"):
                self.addresses.append(value or "")

    def handle_data(self, data: str) -> None:
        (self.scripts if self.tags[-1:] == ["script"] else self.words).append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())
