"""The page as one HTML file, and the drawings as SVG."""

from __future__ import annotations

from emulator.inspection.interface.description import Interface
from emulator.inspection.interface.page.content import facts, sections
from emulator.inspection.interface.page.views import View, views
from emulator.report.page import environment, page_html


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
