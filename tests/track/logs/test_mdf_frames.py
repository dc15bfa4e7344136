"""Frames of a bus in MDF files are those that python-can reads of them, wherever they stand.

In a process of their own: one that has opened a bus can't write MDF (emulator.links.python_can).
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from tests.guide.markdown import ROOT

COMPARED = """\
import json
import sys
from pathlib import Path
import can
import numpy as np
from can.io.mf4 import STD_DTYPE
from emulator.track.logs import gathered, mdf, mdf_frames
from tests.track.logs.test_frames_in_columns import Kept, in_columns, of_library, same, some_messages
mdf._PIECE_BYTES, gathered._AT_ONCE = 20_000, 300

def compared(how, path):
    writer = can.MF4Writer(path, compression_level=int(how.isdigit() and how))
    for message in some_messages(700, 1):
        writer(message)
    more = np.zeros(50, STD_DTYPE)
    more["CAN_DataFrame.ID"], more["CAN_DataFrame.IDE"] = 0xC000_0123, np.arange(50) % 2
    more["CAN_DataFrame.DataLength"] = 70 if how == "long" else 8
    source = writer._mdf.groups[0].channel_group.acq_source
    if how in ("long", "0"):
        writer._mdf.extend(0, [(1e3 + 0.01 * np.arange(50), None), (more, None)])
    elif how == "two groups":
        from asammdf import Signal
        writer._mdf.append(
            Signal(name="CAN_DataFrame", samples=more, timestamps=0.01 * np.arange(50), source=source)
        )
    elif how == "no kind":
        for channel in writer._mdf.groups[0].channels:
            channel.name = "other" if channel.name == "CAN_DataFrame.IDE" else channel.name
    writer.stop()
    frames = same(path)
    in_place = mdf_frames.gather_mdf(path, Kept({1}, path.parent))
    yield f"{len(frames) > 500} {max(len(data) for _, _, data in frames)} {in_place}"
    if how == "0":
        content = bytearray(path.read_bytes())
        at = content.index(b"##CG") + 24 + 6 * 8 + 8
        told = int.from_bytes(content[at : at + 8], "little")
        content[at : at + 8] = (told + 9).to_bytes(8, "little")
        path.write_bytes(content)
        ours, ended = in_columns(path, {key for _, key, _ in frames})
        yield f"{ours == frames} {ended}"

for how in sys.argv[2:]:
    lines = []
    try:
        lines.extend(compared(how, Path(sys.argv[1]) / f"{how}.mf4"))
    except Exception as error:
        lines.append(repr(error))
    print(json.dumps([how, lines]))
"""
IN_PLACE = {"0": True, "1": True, "2": True, "long": True, "two groups": False, "no kind": True}


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[str]]:
    """What is told of each kind of file, all by one process."""
    done = subprocess.run(
        [sys.executable, "-c", COMPARED, str(tmp_path_factory.mktemp("mdf")), *IN_PLACE],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return dict(json.loads(line) for line in done.stdout.splitlines())


@pytest.mark.parametrize(("how", "in_place"), IN_PLACE.items())
def test_frames_of_all_kinds(how: str, in_place: bool, told: dict[str, list[str]]) -> None:
    """Packed in each way; of told length beyond what is there; in two groups, which are merged by time."""
    assert told[how][:1] == [f"True 64 {in_place}"], told[how]
    if how == "0":
        assert told[how][1].startswith("True"), told[how]
        assert "frames are told" in told[how][1], told[how]
