"""The page as one HTML file, the drawings as SVG, and the folder with all of it."""

from __future__ import annotations

from pathlib import Path

from emulator.inspection.interface.content import JSON_FILE, SCHEMA_FILE, facts, sections
from emulator.inspection.interface.derive import LINE_CSV, LINE_GEOJSON, Described
from emulator.inspection.interface.description import Interface, json_text, schema_text
from emulator.inspection.interface.markdown import markdown, view_file
from emulator.inspection.interface.views import View, views
from emulator.inspection.line_for_robot import csv_text, geojson_text
from emulator.record.writer import write_whole
from emulator.report.page import environment, page_html

PAGE_FILE, MARKDOWN_FILE = "interface.html", "interface.md"


def interface_html(interface: Interface) -> str:
    """The whole page; it needs nothing else."""
    return page_html(
        "interface.html",
        f"Interface of {interface.rig}",
        {},
        rig=interface.rig,
        purpose=interface.purpose,
        cautions=interface.cautions,
        facts=facts(interface),
        sections=sections(interface),
        views=views(interface),
    )


def view_svg(view: View) -> str:
    """A drawing as a file of its own."""
    return environment().get_template("interface_view.svg").render(view=view)


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
