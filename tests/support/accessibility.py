"""What axe-core finds on a page, and contrast by calculation."""

from __future__ import annotations

import json
from importlib.resources import files

from tests.support.browser import Browser

SERIOUS = ("serious", "critical")


def axe(browser: Browser) -> list[str]:
    """Serious and critical findings of axe on the page that is open, everything unfolded."""
    browser.eval("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    browser.eval((files("axe_core_python") / "axe.min.js").read_text(encoding="utf-8") + ";1")
    found = json.loads(browser.eval("axe.run(document).then(r => JSON.stringify(r.violations))"))
    return [
        f"{one['id']}: {node['html'][:120]} {node.get('failureSummary', '')}"
        for one in found
        if one["impact"] in SERIOUS
        for node in one["nodes"][:3]
    ]


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours ``#rrggbb`` (WCAG 2.1, relative luminance and contrast ratio)."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.03928 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
