"""Makes the README's picture of a report: verdict, criteria and path from above of one recorded run.

`make picture` rides the demo lap virtually and calls this:
python -m tests.guide.picture RUN_FOLDER PICTURE.png
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.support.browser import Browser

SHOWN = ("Criteria", "Seen from above")
"""Sections of the report in the picture, by their headings; the verdict above them always is."""
WIDTH_PX, HEIGHT_PX = 1000, 900
MOST_BYTES = 200_000


def take(run: Path, picture: Path) -> None:
    """Open the run's report without a window and write the picture."""
    with tempfile.TemporaryDirectory() as profile, Browser(Path(profile)) as page:
        page.call("Emulation.setScrollbarsHidden", hidden=True)
        page.open(run / "report.html", WIDTH_PX, HEIGHT_PX)
        page.drawn()
        headings = page.eval(
            f"(shown => [...document.querySelectorAll('section')].filter(s => {{"
            "const h = s.querySelector('h2').textContent.trim();"
            "if (!shown.includes(h)) s.remove(); return shown.includes(h)}).length)"
            f"({list(SHOWN)!r})"
        )
        assert headings == len(SHOWN), f"the report has {headings} of the sections {', '.join(SHOWN)}"
        page.settle()
        page.picture(picture)
    size = picture.stat().st_size
    assert size < MOST_BYTES, f"{picture} has {size} bytes, more than {MOST_BYTES}"


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))
