"""Saying things on a screen that may be gone: a closed terminal costs nobody the verdict."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec

P = ParamSpec("P")


def while_open(show: Callable[P, None]) -> Callable[P, None]:
    """The same, until it fails because nobody takes it any more (a closed pipe or terminal); then silent."""
    closed = False

    def shown(*arguments: P.args, **named: P.kwargs) -> None:
        nonlocal closed
        if closed:
            return
        try:
            show(*arguments, **named)
        except (OSError, ValueError):  # ValueError: Python's own file object was closed
            closed = True

    return shown
