"""Figures of a vehicle for the screen, within 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from rich.console import Group, RenderableType
from rich.text import Text

from emulator.inspection.vehicle.figures import Figure, LEANS_deg, Section, TURNS_km_h, VehicleFigures
from emulator.report.terminal_table import terminal_table

_OUTSIDE = Text("outside", style="yellow")
_RANGE = ("usual", "from", "")
_WIDTH = 80


def console_tables(found: VehicleFigures) -> RenderableType:
    """A table a section, and below them the sources that their letters stand for."""
    letters = _letters(found)
    parts: list[RenderableType] = []
    for section in found.sections:
        if section.key == "turns":
            parts += _turns(section, letters)
        elif section.key in _PAIRS:
            parts.append(_paired(section, letters))
        else:
            rows = [(f.name, _value(f), *_range(letters, f)) for f in section.figures]
            parts.append(_table(section.title, ("figure", "value", *_RANGE), rows))
    return Group(*parts, *(_lines(f"{letter}: {source}") for source, letter in letters.items()))


def summary(found: VehicleFigures) -> str:
    """Which figures are outside their usual ranges."""
    names = [figure.name.strip() for figure in found.outside]
    if not names:
        return "All figures are within their usual ranges."
    return f"Outside the usual range: {'; '.join(names)}."


def wrapped(text: str) -> str:
    """A sentence in lines of the screen."""
    return textwrap.fill(text, _WIDTH)


_PAIRS = {"gears": ("gear", "engine over wheel", "at the limiter"), "tyres": ("tyre", "front", "rear")}
"""Sections whose figures come in twos, side by side: their heads."""


def _letters(found: VehicleFigures) -> dict[str, str]:
    """A letter for each source, in the order they come."""
    figures = [figure for section in found.sections for figure in section.figures]
    sources = dict.fromkeys(figure.usual.source for figure in figures if figure.usual is not None)
    return {source: chr(ord("a") + i) for i, source in enumerate(sources)}


def _table(title: str, heads: Sequence[str], rows: Sequence[Sequence[str | Text]]) -> RenderableType:
    numbers = [head for head in heads[1:] if head not in _RANGE]
    return terminal_table(title, heads, rows, right=numbers, no_wrap=True)


def _paired(section: Section, letters: dict[str, str]) -> RenderableType:
    rows = [
        (one.name.partition(",")[0], _value(one), _value(other), *_range(letters, one, other))
        for one, other in zip(section.figures[::2], section.figures[1::2], strict=True)
    ]
    return _table(section.title, (*_PAIRS[section.key], *_RANGE), rows)


def _range(letters: dict[str, str], *figures: Figure) -> tuple[str, str, str | Text]:
    """Usual range, letter of its source, and the mark, of figures that have one range or none."""
    usual = next((figure.usual for figure in figures if figure.usual is not None), None)
    if usual is None:
        return "", "", ""
    mark = _OUTSIDE if any(figure.outside for figure in figures) else ""
    return f"{number(usual.low)} to {number(usual.high)}", letters[usual.source], mark


def _turns(section: Section, letters: dict[str, str]) -> list[RenderableType]:
    """The steering torque over speed and lean."""
    figures = iter(section.figures)
    rows = []
    for speed in TURNS_km_h:
        cells = [_torque(next(figures)) for _ in LEANS_deg]
        rows.append((f"{speed:.0f} km/h", *cells))
    usual, letter, _ = _range(letters, section.figures[0])
    said = (
        "N m about the steering axis, positive where it is steered into the turn; - where grip or steering "
        f"does not reach. Usual: {usual} ({letter}); ! marks what lies outside."
    )
    heads = ("at", *(f"{lean:.0f} deg" for lean in LEANS_deg))
    return [_table(section.title, heads, rows), _lines(said)]


def _torque(figure: Figure) -> str:
    if figure.value is None:
        return "-"
    return f"{round(figure.value, 1) + 0.0:+.1f}{' !' if figure.outside else ''}"


def _value(figure: Figure) -> str:
    return "-" if figure.value is None else f"{number(figure.value)} {figure.unit}".rstrip()


def _lines(text: str) -> Text:
    return Text(wrapped(text))


def number(value: float) -> str:
    """Four digits, without zeros that say nothing."""
    return f"{value:.4g}" if abs(value) < 1e4 else f"{value:.0f}"
