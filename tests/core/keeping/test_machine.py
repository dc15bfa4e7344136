"""The key of a machine: what the kernel says of its first processor."""

from __future__ import annotations

from pathlib import Path

import pytest

from emulator.core.keeping.machine import _processor

ONE = "processor\t: 0\nmodel name\t: one\nflags\t\t: fpu sse2\n"


@pytest.mark.parametrize("text", [ONE, ONE + "\n", ONE + "\n" + ONE.replace("one", "other")])
def test_the_first_processor_counts_however_the_file_ends(text: str, tmp_path: Path) -> None:
    file = tmp_path / "cpuinfo"
    file.write_text(text)
    assert _processor(file) == ("model name\t: one", "flags\t\t: fpu sse2")


def test_where_nothing_is_said_there_is_nothing(tmp_path: Path) -> None:
    assert _processor(tmp_path / "none") == ()
    (tmp_path / "empty").write_text("")
    assert _processor(tmp_path / "empty") == ()
