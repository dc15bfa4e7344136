"""Versions of installed packages, each read once a process: the library has much to read."""

from __future__ import annotations

from functools import cache
from importlib.metadata import version


@cache
def version_of(package: str) -> str:
    """Its version. Raises PackageNotFoundError (importlib.metadata)."""
    return version(package)
