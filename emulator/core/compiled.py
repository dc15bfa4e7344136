"""The one way this package compiles: numba, strict floating point, cached by content.

numba's own cache looks only at the file a function stands in, so a change in a callee would run stale
code. The cache folder is therefore named after a hash of every source the compiled code can depend on:
any change there compiles anew, an unchanged tree starts from the cache. The reference robot sits on top
of the plant's functions and is hashed separately, so that tuning it does not recompile the plant.

``fastmath`` is banned: it changes results between machines, and same inputs must give the same bytes.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeAlias, TypeVar, cast

import numba

Record: TypeAlias = Any
"""One element of a structured array inside compiled code: its fields are attributes there, writes go through.

numpy's own type for it knows no attributes, so to the type checker it is Any.
"""

F = TypeVar("F", bound=Callable[..., object])

_ROOT = Path(__file__).parents[1]
_CORE = (
    "core/axes.py",
    "core/compiled.py",
    "core/frame_buffer.py",
    "core/random_streams.py",
    "core/signals.py",
    "events",
    "plant",
    "road",
    "sensors",
    "vehicle",
    "wire",
)
_ROBOT = ("robot", "stages/virtual.py")


def _source_hash(names: tuple[str, ...]) -> str:
    """Hash of the named files and folders of the package (16 hex digits)."""
    digest = hashlib.sha256()
    for name in names:
        path = _ROOT / name
        for source in [path] if path.suffix else sorted(path.rglob("*.py")):
            digest.update(str(source.relative_to(_ROOT)).encode())
            digest.update(source.read_bytes() if source.exists() else b"")
    return digest.hexdigest()[:16]


CORE_HASH = _source_hash(_CORE)
"""Identifies the compiled plant; written into every run's manifest."""
_ROBOT_HASH = _source_hash(_CORE + _ROBOT)


def cache_folder() -> Path:
    """Where compiled code is kept: ``EMULATOR_CACHE`` or the user's cache folder."""
    base = os.environ.get("EMULATOR_CACHE")
    if base:
        return Path(base)
    return Path(os.environ.get("XDG_CACHE_HOME", str(Path.home() / ".cache"))) / "emulator-compiled"


def entry(function: F, *examples: object) -> F:
    """The machine code of a compiled function for arguments of exactly these types, without the dispatcher.

    The dispatcher looks at the type of every array on every call, which costs a 1 kHz cycle several times
    the computation. The result takes positional arguments of the same types and checks nothing.
    """
    if not hasattr(function, "overloads"):  # compiling is switched off
        return function
    signature = tuple(numba.typeof(example) for example in examples)  # type: ignore[no-untyped-call]
    function.compile(signature)  # type: ignore[attr-defined]
    return cast(F, function.overloads[signature].entry_point)


def jit(function: F) -> F:
    """Compile on first call, keep in the cache; strict IEEE arithmetic, no Python objects, no GIL."""
    on_top = function.__module__.startswith(("emulator.robot", "emulator.stages"))
    numba.config.CACHE_DIR = str(  # type: ignore[attr-defined]  # set at import from the environment
        cache_folder() / (_ROBOT_HASH if on_top else CORE_HASH)
    )
    return cast(F, numba.njit(cache=True, nogil=True, error_model="numpy")(function))
