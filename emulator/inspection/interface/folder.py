"""The folder with all of it: page, Markdown, JSON with its schema, drawings, the scenario's line."""

from __future__ import annotations

from pathlib import Path

from emulator.inspection.interface.derive import LINE_CSV, LINE_GEOJSON, Described
from emulator.inspection.interface.description import json_text, schema_text
from emulator.inspection.interface.page.content import JSON_FILE, SCHEMA_FILE
from emulator.inspection.interface.page.html import interface_html, view_svg
from emulator.inspection.interface.page.markdown import markdown, view_file
from emulator.inspection.interface.page.views import views
from emulator.inspection.line_for_robot import csv_text, geojson_text
from emulator.record.writer import write_whole

PAGE_FILE, MARKDOWN_FILE = "interface.html", "interface.md"


def write_interface(described: Described, folder: Path) -> list[Path]:
    """Write all files into a folder, which is made if it is not there; returns their paths.

    Raises RunFailed if the disk refuses.
    """
    interface, line = described.interface, described.line
    texts = {
        PAGE_FILE: interface_html(interface),
        MARKDOWN_FILE: markdown(interface),
        JSON_FILE: json_text(interface),
        SCHEMA_FILE: schema_text(),
        **{view_file(view): view_svg(view) for view in views(interface)},
    }
    if line is not None:
        texts |= {LINE_CSV: csv_text(line), LINE_GEOJSON: geojson_text(line)}
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in texts.items():
        write_whole(folder / name, text)
    return [folder / name for name in texts]
