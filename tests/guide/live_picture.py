"""Makes the README's picture of the live page: a recorded run, shown again.

`make picture` rides the demo lap virtually and calls this:
python -m tests.guide.live_picture RUN_FOLDER PICTURE.png
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.support.browser import Browser

FROM_S, SHOWN_S = 30.0, 6.0
"""Scenario time from which the run is shown, and how much of it before the picture is taken [s]."""
WIDTH_PX, HEIGHT_PX = 1366, 1180
MOST_BYTES = 200_000


def take(run: Path, picture: Path) -> None:
    """Show the run again without a window and write the picture."""
    command = [
        sys.executable,
        "-m",
        "emulator",
        "console",
        str(run),
        "--port",
        "0",
        "--from",
        str(FROM_S),
        "--quiet",
    ]
    with (
        subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as served,
        tempfile.TemporaryDirectory() as profile,
    ):
        assert served.stdout is not None
        address = served.stdout.readline().strip()
        try:
            with Browser(Path(profile)) as page:
                page.call("Emulation.setScrollbarsHidden", hidden=True)
                page.resize(WIDTH_PX, HEIGHT_PX)
                page.visit(address)
                page.until("document.getElementById('speed').textContent !== '–'")
                time.sleep(SHOWN_S)
                page.settle()
                shot = page.window()
        finally:
            served.terminate()
    picture.write_bytes(shot)
    assert len(shot) < MOST_BYTES, f"{picture} has {len(shot)} bytes, more than {MOST_BYTES}"


if __name__ == "__main__":
    take(Path(sys.argv[1]), Path(sys.argv[2]))
