"""What decides about the last bits of a computed number, as one key, told without importing the compiler."""

from __future__ import annotations

import hashlib
import os
import platform
from functools import cache
from itertools import takewhile
from pathlib import Path

from emulator.core.keeping.versions import version_of

_LIBRARIES = ("numba", "llvmlite", "numpy", "scipy")
_TOLD_OF = ("model name", "flags", "CPU implementer", "CPU part", "Features")
"""Of a processor, as Linux names it on x86-64 and on Arm."""


@cache
def machine() -> str:
    """Key (64 hex digits) of Python, libraries, compiler settings and processor, once a process.

    The processor is the one that is compiled for: this one, or the one in ``NUMBA_CPU_NAME``, as on an image.
    """
    settings = sorted((name, value) for name, value in os.environ.items() if name.startswith("NUMBA_"))
    file = Path(".numba_config.yaml")  # read by the compiler where it is started
    written = file.read_bytes() if file.is_file() else b""
    here = () if "NUMBA_CPU_NAME" in os.environ else _processor(Path("/proc/cpuinfo"))
    versions = [f"{library} {version_of(library)}" for library in _LIBRARIES]
    told = (platform.python_version(), platform.machine(), versions, settings, written, here)
    return hashlib.sha256(repr(told).encode()).hexdigest()


def _processor(file: Path) -> tuple[str, ...]:
    """What the kernel says of the first processor; nothing where it says nothing."""
    try:
        with open(file, encoding="utf-8", errors="replace") as lines:
            first = [line.rstrip("\n") for line in takewhile(str.strip, lines)]
    except OSError:
        return ()
    return tuple(line for line in first if line.startswith(_TOLD_OF))
