"""The public face: complete, sorted, and cheap to import."""

from __future__ import annotations

import subprocess
import sys

import pytest

import emulator


def test_every_public_name_is_there_and_the_list_is_sorted() -> None:
    assert emulator.__all__ == sorted(emulator.__all__)
    for name in emulator.__all__:
        assert getattr(emulator, name).__module__.startswith("emulator."), name


def test_an_unknown_name_is_refused_as_python_does() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'manager'"):
        emulator.manager  # noqa: B018


def test_importing_the_package_loads_no_part_of_it() -> None:
    code = "import emulator, sys; print([m for m in sys.modules if m.startswith('emulator.')])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"
