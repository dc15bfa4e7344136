"""What a replay came to, in words and as a table for the screen."""

from __future__ import annotations

from rich.table import Table

from emulator.inspection.replay.comparison import Difference, Replayed
from emulator.report.terminal_table import terminal_table

_MOST = 40
"""Differences shown; the first ones by tick."""


def summary(result: Replayed) -> str:
    """The answer in a sentence or two, with the first difference if there is one."""
    until = "" if result.until_s is None else f" up to {result.until_s:.3f} s"
    agreed = (
        f"{result.rows} rows of signals, {result.frames} frames, {result.bursts} GNSS epochs and "
        f"{result.events} events"
    )
    if result.other_files:
        what = "Replayed with other files"
        return f"{what}{until}: " + ("nothing differs." if result.same else f"{_things(result)} differ.")
    if result.same:
        return f"The same{until}: {agreed} agree bit for bit."
    return f"Different, first at {result.differences[0]}\n{_things(result)} differ{until}; {agreed} agree."


def difference_table(result: Replayed) -> Table:
    """Each thing that differs: where first, both values, how many, and for signals how far at most."""
    heads = ("what", "first", "recorded", "replayed", "differing", "at most", "at")
    rows = []
    for d in result.differences[:_MOST]:
        most = _most(d)
        at = f"{d.at_tick / 1000:.3f} s" if most else ""
        values = (_short(d.recorded), _short(d.replayed))
        rows.append([d.what, f"{d.tick / 1000:.3f} s", *values, str(d.count), most, at])
    if len(result.differences) > _MOST:
        rows.append([f"and {len(result.differences) - _MOST} more", *[""] * 6])
    return terminal_table("", heads, rows)


def _things(result: Replayed) -> str:
    n = len(result.differences)
    return f"{n} signal, frame or event" if n == 1 else f"{n} signals, frames or events"


def _most(d: Difference) -> str:
    if d.largest == 0.0:
        return ""
    return f"{d.largest:.3g}" + (f" {d.unit}" if d.unit not in ("", "1") else "")


def _short(value: str) -> str:
    try:
        return f"{float(value):.6g}"
    except ValueError:
        return value
