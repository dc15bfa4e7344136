"""The compiled code as plain Python, for a process that looks at a few ticks of a changed program.

Compiling takes a minute, a tick in Python ten milliseconds.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import Any

import numpy as np


def uncompiled() -> None:
    """Switch compiling off in this process; before anything of the package is imported.

    Elements of structured arrays have attributes in compiled code only, so arrays are made as record arrays.
    """
    os.environ["NUMBA_DISABLE_JIT"] = "1"
    np.seterr(over="ignore")  # random streams count modulo 2**64
    for name in ("zeros", "empty"):
        setattr(np, name, _records(getattr(np, name)))


def _records(make: Callable[..., Any]) -> Callable[..., Any]:
    def made(shape: Any, dtype: Any = float, *args: Any, **kwargs: Any) -> Any:
        array = make(shape, dtype, *args, **kwargs)
        return array.view(np.recarray) if array.dtype.names else array

    return made
