"""The pages around a ride: live page, runs and their reports, configuration, guide; all from this machine."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping, Sequence
from functools import cache, cached_property
from importlib.resources import files
from io import StringIO
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any, NamedTuple

from emulator.core.errors import RecordError, UnreadableError
from emulator.core.outside.reading import FileKind, read_whole
from emulator.core.outside.visible_text import visible
from emulator.record.documents import read_verdict_document
from emulator.record.writer import MANIFEST_FILE
from emulator.report.page import asset

if TYPE_CHECKING:
    from jinja2 import Environment

REPORT = FileKind("a report", 64 << 20)
"""The largest are 6 MiB."""
_MOST_RUNS = 200
_KINDS = {".css": "text/css", ".js": "text/javascript", ".svg": "image/svg+xml", ".png": "image/png"}
_SHARED = ("page.css",)
"""Assets of reports that these pages look like, too."""


class ListedRun(NamedTuple):
    """One run in the list; ``pages`` are those that it has, ``result`` its verdict's or why there is none."""

    name: str
    result: str
    reason: str
    pages: tuple[str, ...]


class Pages:
    """Pages of one service.

    runs      run folders, and folders of run folders
    manifest  of what is ridden; None: nothing is
    facts     what the live page says of it at once
    """

    def __init__(
        self,
        runs: Sequence[Path],
        manifest: Mapping[str, Any] | None = None,
        facts: Mapping[str, Any] | None = None,
    ) -> None:
        self._runs, self._manifest, self._facts = runs, manifest, facts or {}

    def live(self) -> str:
        """The page of the ride."""
        return _page("live.html", "live", self._facts.get("scenario", ""), facts=self._facts)

    def sign_in(self) -> str:
        """Where a watcher signs in."""
        return _page("sign_in.html", "", "Sign in")

    def runs(self) -> str:
        """The newest runs, newest first."""
        return _page("runs.html", "runs", "Runs", runs=list(self._listed()), live=bool(self._facts))

    def configuration(self) -> str:
        """What is ridden as it was loaded, with all defaults."""
        manifest = self._manifest or {}
        parts = {
            name: _as_yaml(manifest[name]) for name in ("scenario", "rig", "vehicle") if name in manifest
        }
        return _page(
            "configuration.html",
            "configuration",
            "Configuration",
            parts=parts,
            files=manifest.get("files", {}),
            live=bool(self._facts),
        )

    def report(self, run: str, page: str) -> bytes | None:
        """A page that a run folder holds; None where there is none of that name."""
        folder = self._folders().get(run)
        if folder is None or page not in _html_in(folder):
            return None
        try:
            return read_whole(folder / page, REPORT)
        except UnreadableError:
            return None

    def guide(self, path: str) -> tuple[bytes, str] | None:
        """A page or picture of the guide, and its media type."""
        found = self._guide.get(path or "index.md")
        if found is None:
            return None
        content = found.read_bytes()
        if found.suffix == ".md":
            text = content.decode("utf-8")
            title = text.partition("\n")[0].lstrip("# ")
            html = _markdown().render(text)
            page = _page("guide.html", "guide", title, content=html, live=bool(self._facts))
            return page.encode(), "text/html"
        return content, _KINDS[found.suffix]

    @cached_property
    def _guide(self) -> dict[str, Path]:
        """Every file of the guide that is shown, by its path: nothing else has an address."""
        root = Path(str(files("emulator") / "guide"))
        return {
            path.relative_to(root).as_posix(): path
            for path in root.rglob("*")
            if path.suffix in (".md", ".png")
        }

    def asset(self, name: str) -> tuple[str, str] | None:
        """A file that pages are made of, and its media type."""
        kind = _KINDS.get(PurePosixPath(name).suffix)
        if kind is None:
            return None
        if name in _SHARED:
            return asset(name), kind
        found = _assets().get(name)
        return None if found is None else (found, kind)

    def _folders(self) -> dict[str, Path]:
        """Run folders by name, the newest first; of two with one name the first that was given."""
        found: dict[str, Path] = {}
        for given in self._runs:
            inside = [given] if (given / MANIFEST_FILE).is_file() else _runs_in(given)
            for folder in inside:
                found.setdefault(folder.resolve().name, folder)
        return found

    def _listed(self) -> Iterator[ListedRun]:
        for name, folder in list(self._folders().items())[:_MOST_RUNS]:
            try:
                verdict = read_verdict_document(folder)
                result = str(verdict.get("result", "?"))
                reasons = verdict.get("reasons") or [""]
                reason = str(reasons[0]) if isinstance(reasons, list) else ""
            except (RecordError, UnreadableError, OSError):
                result, reason = "no verdict", "still ridden, cut short, or not judged"
                if not (folder / MANIFEST_FILE).is_file():
                    result, reason = "many runs", "pages of a campaign"
            yield ListedRun(name, result, reason, _html_in(folder))


def _runs_in(folder: Path) -> list[Path]:
    """The folders in one that hold a run or pages, as a campaign's does, newest first."""
    try:
        inside = [Path(entry.path) for entry in os.scandir(folder) if entry.is_dir()]
    except OSError:
        return []
    runs = [path for path in inside if (path / MANIFEST_FILE).is_file() or _html_in(path)]
    return sorted(runs, key=lambda path: path.stat().st_mtime, reverse=True)


def _html_in(folder: Path) -> tuple[str, ...]:
    try:
        return tuple(sorted(entry.name for entry in os.scandir(folder) if entry.name.endswith(".html")))
    except OSError:
        return ()


def _as_yaml(item: object) -> str:
    from ruamel.yaml import YAML

    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = None
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment]  # as loaded, not by the alphabet
    out = StringIO()
    writer.dump(item, out)
    return out.getvalue()


def _page(template: str, here: str, title: str, **values: object) -> str:
    return _environment().get_template(template).render(here=here, title=title, **values)


@cache
def _assets() -> dict[str, str]:
    folder = files("emulator.console") / "assets"
    return {one.name: one.read_text(encoding="utf-8") for one in folder.iterdir() if one.is_file()}


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("emulator.console"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: visible(value) if type(value) is str else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def _markdown() -> Any:
    """What renders the guide: CommonMark with tables; HTML in a page is shown as text."""
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"html": False}).enable("table")
