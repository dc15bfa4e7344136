"""What is wrong with a value that was typed, in the words that files are told in."""

from __future__ import annotations

from typing import Any

_NUMBERS = ("int_", "float_", "greater_than", "less_than")


def in_our_words(error: Any) -> str | None:
    """What the library that reads the command line says of a value, told anew; None: it may stay.

    error  its exception: the option with its bounds, and of the checker its cause
    """
    told = getattr(error.__cause__, "errors", None)
    first = told()[0] if callable(told) else {}
    kind, given = str(first.get("type", "")), first.get("input")
    if kind == "value_error":
        return str(first["ctx"]["error"]).rstrip(".") if "error" in first.get("ctx", {}) else None
    if not kind.startswith(_NUMBERS):
        return None
    low, high = (getattr(error.param, name, None) for name in ("min", "max"))
    whole = kind.startswith("int_") or isinstance(low if low is not None else high, int)
    comma = "; for a decimal write a point" if isinstance(given, str) and _with_point(given) else ""
    return f"expected a {'whole ' if whole else ''}number{_between(low, high)}, got {given}{comma}"


def _between(low: float | None, high: float | None) -> str:
    if low is not None and high is not None:
        return f" from {low:g} to {high:g}"
    if low is not None:
        return f" of at least {low:g}"
    return "" if high is None else f" of at most {high:g}"


def _with_point(text: str) -> bool:
    """Whether a decimal comma is all that is wrong with a number."""
    if text.count(",") != 1:
        return False
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True
