"""Which files of the package a call runs as plain Python: seen by running it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import emulator

PACKAGE = Path(emulator.__path__[0])
COMPILER = {
    PACKAGE / "core" / name
    for name in (
        "compiled.py",
        "compiler.py",
        "keeping/code_store.py",
        "keeping/code_key.py",
        "keeping/inner_code.py",
        "keeping/loaded_code.py",
        "keeping/plain_lowering.py",
        "keeping/plain_steps.py",
    )
}
"""What runs to load or compile a function; it decides nothing about what the function says."""


def files_entered(call: Callable[[], object]) -> set[Path]:
    """Files of the package whose functions are entered uncompiled, but for the compiler's own."""
    entered: set[str] = set()

    def see(frame: FrameType, event: str, _: object) -> None:
        if event == "call":
            entered.add(frame.f_code.co_filename)

    before = sys.getprofile()
    sys.setprofile(see)
    try:
        call()
    finally:
        sys.setprofile(before)
    return {Path(name) for name in entered if Path(name).is_relative_to(PACKAGE)} - COMPILER
