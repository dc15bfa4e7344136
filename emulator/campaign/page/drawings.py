"""Coordinates of what pages draw themselves: an edge with its interval, a course of nights.

Drawn as SVG in the page (templates/campaign): a curve of some points needs no plotting library of megabytes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from emulator.campaign.page.edges import Edge
from emulator.campaign.page.words import counted_words, percent

_LEFT, _TOP, _WIDTH, _HEIGHT = 44.0, 10.0, 366.0, 180.0
_TICKS = 4


@dataclass(frozen=True)
class EdgeDrawing:
    """Coordinates in pixels of a box of 420 by 240, as SVG writes them; ``words`` say what it shows."""

    words: str
    axis: str
    band: str
    curve: str
    dots: tuple[tuple[str, str], ...]
    half: str | None
    ticks: tuple[tuple[str, str], ...]


def drawn_edge(edge: Edge) -> EdgeDrawing:
    """An edge: points are shares of runs, the line is the curve, the band its interval."""
    sizes = [p.size for p in edge.curve] + [p.size for p in edge.points] or [0.0, 1.0]
    low, high = min(sizes), max(sizes)
    reach = high - low or 1.0

    def x(size: float) -> float:
        return _LEFT + _WIDTH * (size - low) / reach

    def y(share: float) -> float:
        return _TOP + _HEIGHT * (1.0 - min(max(share, 0.0), 1.0))

    outline = [(x(p.size), y(p.high)) for p in edge.curve] + [(x(p.size), y(p.low)) for p in edge.curve[::-1]]
    ticks = [low + reach * i / _TICKS for i in range(_TICKS + 1)]
    return EdgeDrawing(
        edge_words(edge),
        f"{edge.quantity} / {edge.unit}" if edge.unit else edge.quantity,
        _points(outline),
        _points([(x(p.size), y(p.share)) for p in edge.curve]),
        tuple((f"{x(p.size):.1f}", f"{y(p.lost / p.ridden):.1f}") for p in edge.points if p.ridden),
        f"{x(edge.half):.1f}" if edge.half is not None and low <= edge.half <= high else None,
        tuple((f"{x(size):.1f}", f"{size:.3g}") for size in ticks),
    )


def edge_words(edge: Edge) -> str:
    """An edge in a sentence."""
    ridden = counted_words(sum(point.ridden for point in edge.points), "run")
    if edge.half is None:
        return f"{edge.name}: no edge within what was ridden ({ridden}); {edge.method}."
    ends = [f"{end:.4g}" if end is not None else "open" for end in (edge.half_low, edge.half_high)]
    return (
        f"{edge.name}: half are lost at {edge.quantity} {edge.half:.4g} {edge.unit}, {ends[0]} to {ends[1]} "
        f"with {100 * edge.confidence:g} % confidence ({ridden}); {edge.method}."
    )


@dataclass(frozen=True)
class Course:
    """Margins of several nights: in words, and as a line of 112 by 26 pixels with its last point."""

    percents: str
    course: str
    end: tuple[str, str]


def drawn_course(percents: Sequence[float]) -> Course:
    """The latest night is the last."""
    low, reach = min(percents), (max(percents) - min(percents)) or 1.0
    step = 104.0 / max(len(percents) - 1, 1)
    places = [(4.0 + step * i, 22.0 - 18.0 * (value - low) / reach) for i, value in enumerate(percents)]
    last = places[-1]
    return Course(
        ", ".join(percent(value) for value in percents), _points(places), (f"{last[0]:.1f}", f"{last[1]:.1f}")
    )


def _points(places: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
